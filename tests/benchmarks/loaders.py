"""Time and memory of loading 20 elements of 1024 x 1024 in every format; run by hand.

    python tests/benchmarks/loaders.py [side] [elements]

Prints one row a format: bytes on disk, CPU seconds to load at once (with hashing every file), CPU
seconds of the plain library call where there is one, peak memory over the size of the data, and
CPU seconds to open lazily and read one 256 x 256 corner of one element.
"""

import importlib.util
import sys
import tempfile
import time
import tracemalloc
import warnings
from pathlib import Path

import numpy as np

import spattermap

_SPEC = importlib.util.spec_from_file_location(
    "scene_formats", Path(__file__).parent.parent / "scene_formats.py"
)
scene_formats = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scene_formats)


def plain(name, path):
    """Return the plain library call for a format, or None."""
    import h5py
    import tifffile
    import xarray as xr
    import zarr

    if name.startswith("TIFF folder"):
        return lambda: np.stack([tifffile.imread(file) for file in sorted(path.glob("*.tif"))])
    return {
        "multi-page TIFF": lambda: tifffile.imread(path, key=slice(None)),
        "OME-TIFF": lambda: tifffile.imread(path),
        "NumPy stack": lambda: np.load(path),
        "HDF5, stated dataset": lambda: h5py.File(path)["run/maps"][()],
        "netCDF": lambda: xr.load_dataset(path, engine="h5netcdf"),
        "Zarr": lambda: zarr.open(str(path), mode="r")["counts"][...],
    }.get(name)


def seconds(call):
    begun = time.process_time()
    result = call()
    return time.process_time() - begun, result


def main():
    side = int(sys.argv[1]) if len(sys.argv) > 1 else 1024
    number = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    scene = np.random.default_rng(0).poisson(4.0, (number, side, side)).astype(np.uint16)
    print(f"{number} elements of {side} x {side}, {scene.nbytes / 2**20:.0f} MiB as 16 bit")
    print("| format | disk MiB | load s | plain s | ratio | peak MiB | peak / data | lazy s |")
    print("|--|--|--|--|--|--|--|--|")
    warnings.simplefilter("ignore")
    for name, form in scene_formats.FORMATS.items():
        with tempfile.TemporaryDirectory() as place:
            print(row(name, form, Path(place), scene), flush=True)


def row(name, form, place, scene):
    """Measure one format."""
    path = form.write(place, scene)
    disk = sum(f.stat().st_size for f in place.rglob("*") if f.is_file()) / 2**20
    spattermap.load(path, chunks=256)  # imports
    taken, maps = seconds(lambda: spattermap.load(path))
    back = maps["counts"].sel(element=list(scene_formats.ELEMENTS[: len(scene)])).values
    equal = form.lossy or np.array_equal(back, scene)
    size = maps["counts"].values.nbytes
    del maps, back
    tracemalloc.start()
    spattermap.load(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    call = plain(name, path)
    other = seconds(call)[0] if call else float("nan")
    lazy, _ = seconds(lambda: spattermap.load(path, chunks=256)["counts"][0, :256, :256].values)
    return (
        f"| {name} | {disk:.0f} | {taken:.2f} | {other:.2f} | {taken / other:.1f} | "
        f"{peak / 2**20:.0f} | {peak / size:.1f} | {lazy:.2f} |{'' if equal else ' NOT EQUAL'}"
    )


if __name__ == "__main__":
    main()

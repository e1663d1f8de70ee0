"""One scene written in every format that `spattermap.load` takes; used by tests and benchmark."""

import gzip
import json
from dataclasses import dataclass

import numpy as np

ELEMENTS = ("Cu", "Zn", "Si", "O", "Fe", "Ni", "Cr", "Al", "Mg", "Ca", "K", "Na", "Ti", "Mn", "Co",
            "Mo", "Ag", "Sn", "W", "Au")  # fmt: skip
PIXEL_UM = 0.5


@dataclass(frozen=True)
class Format:
    """How a scene is written, and what of it the format keeps."""

    write: object
    pixel_size: bool = True
    lines: bool = True
    lazy: bool = True
    lossy: bool = False
    quantity: bool = False  # states that these are counts, else whole numbers do


def line_of(element):
    return f"{element} {'La' if element in ('Mo', 'Ag', 'Sn', 'W', 'Au') else 'Ka'}"


def sidecar(folder, elements=(), **keys):
    text = "".join(f"{key} = {json.dumps(value)}\n" for key, value in keys.items())
    if elements:
        text += "[lines]\n" + "".join(f'{e} = "{line_of(e)}"\n' for e in elements)
    (folder / "mapset.toml").write_text(text, encoding="utf-8")


def named(scene):
    return {line_of(e).replace(" ", "_"): p for e, p in zip(ELEMENTS, scene, strict=False)}


def tiff_folder(folder, scene, **options):
    import tifffile

    for name, plane in named(scene).items():
        tifffile.imwrite(
            folder / f"{name}.tif", plane, resolution=(1 / PIXEL_UM, 1 / PIXEL_UM),
            resolutionunit="MICROMETER", **options,
        )  # fmt: skip
    return folder


def tiff_float(folder, scene):
    sidecar(folder, quantity="counts")
    return tiff_folder(folder, scene.astype(np.float32))


def tiff_int32(folder, scene):
    return tiff_folder(folder, scene.astype(np.int32))


def tiff_zlib(folder, scene):
    return tiff_folder(folder, scene, compression="zlib", predictor=True, rowsperstrip=64)


def tiff_big_endian(folder, scene):
    return tiff_folder(folder, scene, byteorder=">")


def multipage(folder, scene):
    import tifffile

    path = folder / "stack.tif"
    with tifffile.TiffWriter(path) as tiff:
        for name, plane in named(scene).items():
            tiff.write(
                plane, contiguous=False, metadata=None, extratags=[(285, "s", 0, name, True)],
                resolution=(1 / PIXEL_UM, 1 / PIXEL_UM), resolutionunit="MICROMETER",
            )  # fmt: skip
    return path


def ome_tiff(folder, scene):
    import tifffile

    path = folder / "stack.ome.tif"
    facts = {"axes": "CYX", "Channel": {"Name": list(named(scene))}}
    for axis in "XY":
        facts |= {f"PhysicalSize{axis}": PIXEL_UM, f"PhysicalSize{axis}Unit": "µm"}
    tifffile.imwrite(path, scene, ome=True, metadata=facts, photometric="minisblack")
    return path


def picture_folder(ending, kind):
    def write(folder, scene):
        import imageio.v3 as iio

        sidecar(folder, quantity="counts")
        for name, plane in named(scene).items():
            iio.imwrite(folder / f"{name}{ending}", plane.astype(kind))
        return folder

    return write


def text_folder(ending, separator, *, decimal=".", header=False, compressed=False):
    def write(folder, scene):
        if decimal == ",":
            sidecar(folder, quantity="counts")
        for name, plane in named(scene).items():
            rows = [separator.join(map(str, row)) for row in plane.tolist()]
            if decimal == ",":
                rows = [separator.join(f"{v},0" for v in row) for row in plane.tolist()]
            if header:
                rows = ["# exported map", *rows]
            raw = ("\n".join(rows) + "\n").encode()
            if compressed:
                (folder / f"{name}{ending}.gz").write_bytes(gzip.compress(raw))
            else:
                (folder / f"{name}{ending}").write_bytes(raw)
        return folder

    return write


def long_table(folder, scene):
    path = folder / "table.csv"
    y, x = np.indices(scene.shape[1:])
    columns = [PIXEL_UM * x.ravel(), PIXEL_UM * y.ravel(), *scene.reshape(len(scene), -1)]
    header = ",".join(["x (um)", "y (um)", *named(scene)])
    kinds = ["%g", "%g"] + ["%d"] * len(scene)
    np.savetxt(path, np.column_stack(columns), delimiter=",", header=header, comments="", fmt=kinds)
    return path


def npy_stack(folder, scene):
    sidecar(folder, ELEMENTS[: len(scene)], pixel_size_um=PIXEL_UM)
    np.save(folder / "stack.npy", scene)
    return folder / "stack.npy"


def npy_folder(folder, scene):
    for name, plane in named(scene).items():
        np.save(folder / f"{name}.npy", plane)
    return folder


def npz(folder, scene):
    np.savez_compressed(folder / "maps.npz", **named(scene))
    return folder / "maps.npz"


def nexus(folder, scene):
    import h5py

    path = folder / "maps.nxs"
    with h5py.File(path, "w") as file:
        file.attrs["default"] = "entry"
        entry = file.create_group("entry")
        entry.attrs.update({"NX_class": "NXentry", "default": "maps"})
        group = entry.create_group("maps")
        group.attrs.update(
            {"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "element"]}
        )
        group["counts"] = np.moveaxis(scene, 0, -1)  # any order, as long as the axes say so
        group["element"] = [line_of(e) for e in ELEMENTS[: len(scene)]]
        for name, size in (("y", scene.shape[1]), ("x", scene.shape[2])):
            group[name] = PIXEL_UM * (np.arange(size) + 0.5)
            group[name].attrs["units"] = "um"
    return path


def hdf5_path(folder, scene):
    import h5py

    sidecar(folder, ELEMENTS[: len(scene)], pixel_size_um=PIXEL_UM, dataset="/run/maps")
    with h5py.File(folder / "run.h5", "w") as file:
        file["run/maps"] = scene
        file["run/other"] = np.zeros((3, 4, 5))
    return folder / "run.h5"


def hdf5_group(folder, scene):
    import h5py

    with h5py.File(folder / "maps.h5", "w") as file:
        for name, plane in named(scene).items():
            file.create_dataset(name, data=plane, chunks=True, compression="gzip")
    return folder / "maps.h5"


def map_set(scene):
    from spattermap import make_map_set

    elements = ELEMENTS[: len(scene)]
    return make_map_set(
        scene, elements, lines=[line_of(e) for e in elements], pixel_size_um=PIXEL_UM
    )


def netcdf(folder, scene):
    map_set(scene).to_netcdf(folder / "maps.nc", engine="h5netcdf")
    return folder / "maps.nc"


def zarr_own(folder, scene):
    from spattermap.loaders.zarr_store import write

    return write(map_set(scene), folder / "maps.zarr")


def ome_zarr(folder, scene):
    import zarr

    path = folder / "image.zarr"
    group = zarr.open_group(str(path), mode="w", zarr_format=3)
    group.create_array("0", data=scene, chunks=(1, *[min(n, 256) for n in scene.shape[1:]]))
    unit = {"type": "space", "unit": "micrometer"}
    scale = [{"type": "scale", "scale": [1.0, PIXEL_UM, PIXEL_UM]}]
    group.attrs["ome"] = {
        "version": "0.5",
        "multiscales": [
            {
                "axes": [{"name": "c", "type": "channel"}, {"name": "y", **unit},
                         {"name": "x", **unit}],
                "datasets": [{"path": "0", "coordinateTransformations": scale}],
            }
        ],
        "omero": {"channels": [{"label": line_of(e)} for e in ELEMENTS[: len(scene)]]},
    }  # fmt: skip
    return path


def hyperspy_stack(folder, scene):
    import hyperspy.api as hs

    signal = hs.signals.Signal2D(scene)
    signal.metadata.set_item("Sample.xray_lines", [*named(scene)])
    for axis in signal.axes_manager.signal_axes:
        axis.scale, axis.units = PIXEL_UM, "µm"
    signal.save(folder / "maps.hspy")
    return folder / "maps.hspy"


def raw_with_header(folder, scene):
    import hyperspy.api as hs

    sidecar(folder, ELEMENTS[: len(scene)], pixel_size_um=PIXEL_UM)
    hs.signals.Signal2D(scene).save(folder / "maps.rpl")
    return folder / "maps.rpl"


FORMATS = {
    "TIFF folder, 16 bit": Format(tiff_folder),
    "TIFF folder, 32-bit float": Format(tiff_float, quantity=True),
    "TIFF folder, 32-bit integer": Format(tiff_int32),
    "TIFF folder, compressed": Format(tiff_zlib),
    "TIFF folder, big-endian": Format(tiff_big_endian),
    "multi-page TIFF": Format(multipage),
    "OME-TIFF": Format(ome_tiff),
    "PNG folder, 16 bit": Format(
        picture_folder(".png", np.uint16), pixel_size=False, quantity=True
    ),
    "BMP folder, 8 bit": Format(picture_folder(".bmp", np.uint8), pixel_size=False, quantity=True),
    "JPEG folder": Format(
        picture_folder(".jpg", np.uint8), pixel_size=False, lossy=True, quantity=True
    ),
    "CSV folder": Format(text_folder(".csv", ","), pixel_size=False),
    "TSV folder, gzip": Format(text_folder(".tsv", "\t", compressed=True), pixel_size=False),
    "semicolons, decimal comma": Format(
        text_folder(".csv", ";", decimal=","), pixel_size=False, quantity=True
    ),
    "spaces, with header": Format(text_folder(".txt", "  ", header=True), pixel_size=False),
    "long table": Format(long_table),
    "NumPy stack": Format(npy_stack),
    "NumPy folder": Format(npy_folder, pixel_size=False),
    "NumPy archive": Format(npz, pixel_size=False),
    "NeXus NXdata": Format(nexus),
    "HDF5, stated dataset": Format(hdf5_path),
    "HDF5, named datasets": Format(hdf5_group, pixel_size=False),
    "netCDF": Format(netcdf, quantity=True),
    "Zarr": Format(zarr_own, quantity=True),
    "OME-Zarr": Format(ome_zarr),
    "HyperSpy stack": Format(hyperspy_stack),
    "raw data with header": Format(raw_with_header),
}

"""Mosaics: memory, time per pixel, and the whole field against its parts; run by hand.

``python tests/benchmarks/mosaic.py [--sides 4096 8192 16384] [--folder FOLDER] [--keep]`` writes a
seeded mosaic of four elements tile by tile, analyses squares of it with one worker, each in a
process of its own, and prints time per pixel, by pass too, and the largest memory of that process.
The smallest square is also taken whole (labels and tables must agree to the bit), and by a plain
script tile by tile. At the end stands what 100,000 x 100,000 x 20 would take with the constants
just measured.

Last found, 28 November 2026, 16,384 squared with one other job beside: 2.07 us a pixel of the
processor, peak 0.98 GB up to the end of measuring and 1.34 GB in all; not met: 1.33 us and 1.09 GB,
which an engine without parting by shape and without narrow streaks had (2.00 us and 1.19 GB before
that was made cheaper). By pass: narrow streaks 0.58, parting by shape 0.39, measuring 0.20, hills
0.09 and 0.08, filters 0.07, cuts 0.06, middles and lone droplets 0.05 each, the others 0.04 or
less; outside the passes 0.29.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

TILE = 1000  # px; no multiple of a part's side, so that droplets lie on the parts' borders
SHARD = 4096
N_SCENES = 24  # different scenes, turned and mirrored
PAPER = (100_000, 20, (1, 16, 256))


def scene_tile(seed: int) -> np.ndarray:
    """Return the counts of one seeded scene, dims (element, y, x)."""
    from spattermap.synthesis import Deposit, Droplets, Haze, Streaks, make_deposit

    spec = Deposit(
        shape=(TILE, TILE),
        droplets=Droplets(coverage=0.15 + 0.02 * (seed % 10)),
        streaks=Streaks(number=4),
        haze=Haze(thickness_um=0.02, contrast=0.3),
        counts_per_pixel=2.0,
        electron_image=False,
    )
    return make_deposit(spec, seed=seed).maps["counts"].values.astype(np.uint8)


def write_mosaic(place: Path, side: int) -> None:
    """Write the mosaic shard by shard; nothing larger than a shard is held."""
    import zarr

    from spattermap import make_map_set

    scenes = [scene_tile(seed) for seed in range(N_SCENES)]
    elements = ["Cu", "Zn", "Si", "O"]
    from spattermap.synthesis import Deposit, make_deposit

    probe = make_deposit(Deposit(shape=(64, 64), electron_image=False), seed=0).maps
    names = [str(e) for e in probe["element"].values]
    order = [names.index(e) for e in elements]
    small = make_map_set(
        np.zeros((4, 2, 2), np.uint8), elements, lines=["Cu Ka", "Zn Ka", "Si Ka", "O Ka"],
        pixel_size_um=0.25, beam_energy_keV=15.0, alloy={"Cu": 70.0, "Zn": 30.0},
        substrate={"Si": 46.7, "O": 53.3}, title="mosaic",
    )  # fmt: skip
    store = zarr.open_group(str(place), mode="w-", zarr_format=3)
    store.attrs.update({"spattermap": 1, "attrs": json.dumps(dict(small.attrs), sort_keys=True)})
    target = store.create_array(
        "counts", shape=(4, side, side), dtype="uint8", chunks=(1, 1024, 1024),
        shards=(1, SHARD, SHARD), config={"write_empty_chunks": True},
    )  # fmt: skip
    target.attrs["elements"] = elements
    target.attrs["lines"] = [str(one) for one in small["line"].values]
    rng = np.random.default_rng(0)
    n = -(-side // TILE)
    choice, turns = rng.integers(0, N_SCENES, (n, n)), rng.integers(0, 4, (n, n))
    for top in range(0, side, SHARD):
        for left in range(0, side, SHARD):
            size = (min(SHARD, side - top), min(SHARD, side - left))
            out = np.zeros((4, *size), np.uint8)
            for i in range(top // TILE, -(-(top + size[0]) // TILE)):
                for j in range(left // TILE, -(-(left + size[1]) // TILE)):
                    tile = np.rot90(scenes[choice[i, j]][order], turns[i, j], axes=(1, 2))
                    y0, x0 = i * TILE - top, j * TILE - left
                    y, x = max(y0, 0), max(x0, 0)
                    part = tile[:, y - y0 : size[0] - y0, x - x0 : size[1] - x0]
                    out[:, y : y + part.shape[1], x : x + part.shape[2]] = part
            target[:, top : top + size[0], left : left + size[1]] = out


def peak_gb() -> float:
    """Return the largest memory this process ever held (GB)."""
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / (1e9 if sys.platform == "darwin" else 1e6)


def cut_of(place: Path, side: int) -> Path:
    """Return a mosaic of the first `side` rows and columns, written chunk by chunk."""
    import zarr

    cut = place.with_name(f"cut_{side}.zarr")
    if cut.exists():
        return cut
    whole = zarr.open_group(str(place), mode="r")
    store = zarr.open_group(str(cut), mode="w-", zarr_format=3)
    store.attrs.update(dict(whole.attrs))
    counts = whole["counts"]
    target = store.create_array(
        "counts", shape=(4, side, side), dtype="uint8", chunks=(1, 1024, 1024),
        shards=(1, SHARD, SHARD), config={"write_empty_chunks": True},
    )  # fmt: skip
    target.attrs.update(dict(counts.attrs))
    for top in range(0, side, SHARD):
        for left in range(0, side, SHARD):
            here = (slice(None), slice(top, min(top + SHARD, side)),
                    slice(left, min(left + SHARD, side)))  # fmt: skip
            target[here] = counts[here]
    return cut


def in_parts(place: Path, out: Path, workers: int) -> None:
    """Analyse a mosaic and print seconds, memory and the number of regions as JSON."""
    from spattermap.core.work import Workers
    from spattermap.loaders import open_parts
    from spattermap.show.mosaic_page import write_mosaic

    passes: dict[str, float] = {}
    peaks: dict[str, float] = {}

    class Timed(Workers):
        """Notes the processor's seconds of every pass, and the peak of memory after it."""

        def run(self, function, tasks, *, common=None):
            """Run a pass and note what it took."""
            begun = time.process_time()
            done = super().run(function, tasks, common=common)
            name = function.__name__
            passes[name] = passes.get(name, 0.0) + time.process_time() - begun
            peaks[name] = peak_gb()
            return done

    start, cpu = time.perf_counter(), time.process_time()
    found = write_mosaic(open_parts(place), out, workers=Timed(workers=workers), overwrite=True)
    spent = time.perf_counter() - start
    print(json.dumps({
        "seconds": spent, "cpu": time.process_time() - cpu, "peak": peak_gb(),
        "droplets": found.segmentation.n_droplets, "streaks": len(found.streaks),
        "page": (out / "report.html").stat().st_size / 1e6, "passes": passes, "peaks": peaks,
    }))  # fmt: skip


def compare(place: Path, out: Path) -> None:
    """Take the field whole, and compare labels and tables with those of the parts."""
    import pandas as pd
    import zarr

    from spattermap import load
    from spattermap.analysis import find_roles, measure_droplets
    from spattermap.core.mapset import facts
    from spattermap.core.settings import Settings
    from spattermap.segment.engine import segment

    maps = load(place)
    small = maps.isel(y=slice(0, 64), x=slice(0, 64))
    roles = find_roles(small, Settings())
    start, cpu = time.perf_counter(), time.process_time()
    found = segment(maps, roles)
    table = measure_droplets(maps, found, facts(maps).pixel_size)
    spent, cpu = time.perf_counter() - start, time.process_time() - cpu
    parts = pd.read_csv(out / "droplets.csv", float_precision="round_trip")
    parts = parts.sort_values("droplet", ignore_index=True)
    streaks = pd.read_csv(out / "streaks.csv")
    labels = zarr.open_array(str(out / "labels.zarr"), mode="r")[:]
    print(json.dumps({
        "seconds": spent, "cpu": cpu, "peak": peak_gb(),
        "labels": bool(np.array_equal(labels, found.labels)),
        "droplets": bool(parts[table.columns].equals(table)),
        "streaks": bool(len(streaks) == found.n_streaks
                        and (streaks["streak"] == found.streaks["streak"]).all()
                        and np.array_equal(streaks["length_um"],
                                           found.streaks["length_px"] * facts(maps).pixel_size)),
    }))  # fmt: skip


def plain_script(place: Path, side: int) -> float:
    """Return processor seconds of the usual script, tile by tile: smooth, threshold, part."""
    import zarr
    from scipy import ndimage
    from skimage import filters, measure, segmentation

    counts = zarr.open_group(str(place), mode="r")["counts"]
    start = time.process_time()
    for top in range(0, side, 1024):
        for left in range(0, side, 1024):
            tile = counts[:, top : top + 1024, left : left + 1024]
            metal = ndimage.gaussian_filter((tile[0] + tile[1]).astype(np.float32), 1.5)
            mask = metal > filters.threshold_otsu(metal)
            distance = ndimage.distance_transform_edt(mask)
            smooth = ndimage.gaussian_filter(distance, 1.0)
            peaks = (smooth == ndimage.maximum_filter(smooth, 9)) & mask
            marks, _ = ndimage.label(peaks, np.ones((3, 3)))
            labels = segmentation.watershed(-distance, marks, mask=mask)
            measure.regionprops_table(
                labels, np.moveaxis(tile, 0, -1),
                properties=("label", "centroid", "area", "equivalent_diameter_area",
                            "feret_diameter_max", "perimeter_crofton", "solidity", "orientation",
                            "axis_major_length", "axis_minor_length", "mean_intensity"),
            )  # fmt: skip
    return time.process_time() - start


def child(*words: object) -> dict[str, Any]:
    """Run this script in a process of its own and return what it printed."""
    command = [sys.executable, __file__, *map(str, words)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return json.loads(done.stdout.strip().splitlines()[-1])


def on_paper(per_px: float, per_value: float, peak: float) -> None:
    """Print what a very large mosaic would take with the constants just measured."""
    side, elements, workers = PAPER
    pixels = float(side) ** 2
    once = pixels * (per_px - 4 * per_value) + pixels * elements * per_value
    print(f"on paper, {side:,} x {side:,} x {elements}:")
    for n in workers:
        print(f"  {n:3d} workers: {once / n / 3600:7.2f} h, if reading keeps pace; "
              f"{peak:.1f} GB a worker")  # fmt: skip
    scratch, counts = 30 * pixels / 1e12, pixels * elements / 1e12
    print(f"  scratch on disk {scratch:.2f} TB, counts {counts:.2f} TB before compression; the "
          "tables of hills and droplets in the driver grow with the area")  # fmt: skip


def per_value_seconds(place: Path, side: int) -> float:
    """Return seconds to read one value, from reading the counts once and the moments of it."""
    import zarr

    from spattermap.noise.moments import block_moments

    counts = zarr.open_group(str(place), mode="r")["counts"]
    start = time.process_time()
    tile = counts[:, :2048, :2048]
    from spattermap import make_map_set

    maps = make_map_set(tile, ["Cu", "Zn", "Si", "O"])
    block_moments(maps, block_px=128)
    del side
    return (time.process_time() - start) / tile.size * 2  # read and summed in two passes


def main() -> None:
    """Run everything and print one line a case."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sides", type=int, nargs="+", default=[4096, 8192, 16384])
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--keep", action="store_true", help="keep the folder")
    parser.add_argument("--parts", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--whole", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--write", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--plain", nargs=2, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.parts:
        in_parts(Path(chosen.parts[0]), Path(chosen.parts[1]), int(chosen.parts[2]))
    elif chosen.whole:
        compare(Path(chosen.whole[0]), Path(chosen.whole[1]))
    elif chosen.plain:
        side = int(chosen.plain[1])
        place = Path(chosen.plain[0])
        print(json.dumps({"cpu": plain_script(place, side),
                          "value": per_value_seconds(place, side)}))  # fmt: skip
    elif chosen.write:
        start = time.perf_counter()
        write_mosaic(Path(chosen.write[0]), int(chosen.write[1]))
        print(json.dumps({"seconds": time.perf_counter() - start, "peak": peak_gb()}))
    else:
        root = Path(tempfile.mkdtemp(prefix="mosaic_", dir=chosen.folder))
        try:
            run_all(root, sorted(chosen.sides), chosen.workers)
        finally:
            if not chosen.keep:
                shutil.rmtree(root, ignore_errors=True)


def run_all(root: Path, sides: list[int], workers: int) -> None:
    """Make the mosaic, run every case, print."""
    place = root / "mosaic.zarr"
    made = child("--write", place, sides[-1])
    print(f"mosaic of {sides[-1]} x {sides[-1]} x 4 written in {made['seconds']:.0f} s, peak "
          f"{made['peak']:.2f} GB; load average {os.getloadavg()}", flush=True)  # fmt: skip
    child("--parts", cut_of(place, sides[0]), root / "warm", workers)  # compiles what is to compile
    rates, peak, plain = [], 0.0, {"cpu": 0.0, "value": 0.0}
    for side in sides:
        cut = place if side == sides[-1] else cut_of(place, side)
        found = child("--parts", cut, root / f"out_{side}", workers)
        rates.append(found["cpu"] / side**2)
        peak = max(peak, found["peak"])
        print(f"{side:6d} px: {found['seconds']:7.1f} s, {1e6 * found['seconds'] / side**2:.2f} us "
              f"a pixel ({1e6 * rates[-1]:.2f} of the processor, {rates[-1] / rates[0]:.2f} times"
              f" the first), peak {found['peak']:.2f} GB, {found['droplets']:.0f} droplets, "
              f"{found['streaks']:.0f} streaks, page {found['page']:.1f} MB",
              flush=True)  # fmt: skip
        dearest = sorted(found["passes"].items(), key=lambda one: -one[1])
        print(
            "        us a pixel by pass: "
            + ", ".join(f"{name} {1e6 * seconds / side**2:.3f}" for name, seconds in dearest),
            flush=True,
        )
        peaks = found["peaks"]
        risen = [name for name, before in zip(peaks, [0, *list(peaks.values())[:-1]], strict=True)
                 if peaks[name] > before + 0.02]  # fmt: skip
        print("        peak (GB) after: "
              + ", ".join(f"{name} {peaks[name]:.2f}" for name in risen),
              flush=True)  # fmt: skip
        if side == sides[0]:
            plain = child("--plain", cut, side)
            rate = 1e6 * plain["cpu"] / side**2
            print(f"        plain script tile by tile: {rate:.2f} us of the processor a pixel; all"
                  f" of ours over it: "
                  f"{found['cpu'] / plain['cpu']:.2f}", flush=True)  # fmt: skip
            whole = child("--whole", cut, root / f"out_{side}")
            print(f"        whole at once (regions only): {whole['seconds']:.1f} s, peak "
                  f"{whole['peak']:.2f} GB; labels equal {whole['labels']}, droplets equal "
                  f"{whole['droplets']}, streaks equal {whole['streaks']}", flush=True)  # fmt: skip
    on_paper(rates[-1], plain["value"], peak)


if __name__ == "__main__":
    main()

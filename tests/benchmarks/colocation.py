"""How long all pairs take: block moments against the plain loop over pixels.

Run by hand: ``python tests/benchmarks/colocation.py [--streamed]``.

The plain loop is what a script does today: for every pair, Pearson's correlation of the two maps
and of 199 shifted copies, for a rank p-value. Two pairs are timed and scaled to all of them. It
yields neither an interval nor a correction for noise; ours yields both, with the p-values.

Times are given on the clock and on the processor; on a machine that others use, only the second
compares like with like.

``--streamed`` sums 20 elements of 4096 x 4096 px from Zarr on disk and reports the memory used.
"""

from __future__ import annotations

import argparse
import json
import platform
import resource
import subprocess
import sys
import tempfile
import time
from itertools import combinations
from pathlib import Path

import numpy as np

ELEMENTS = "Cu Zn Sn Ni Si O Na Ca Mg Al K Fe".split()
SHIFTS = 199


def scene(side: int, n_elements: int, seed: int) -> np.ndarray:
    """Return counts of droplets on glass: a third of the elements in droplets, the rest beside."""
    from scipy import ndimage

    rng = np.random.default_rng(seed)
    field = ndimage.gaussian_filter(rng.standard_normal((side, side)), 6, mode="wrap")
    cover = field > np.quantile(field, 0.8)
    rates = [
        (2.0 if k < n_elements // 3 else 0.2) * cover + (0.1 if k < n_elements // 3 else 1.5)
        for k in range(n_elements)
    ]
    return rng.poisson(np.array(rates)).astype(np.uint16)


class Timer:
    """Seconds on the clock and on the processor."""

    def __init__(self) -> None:
        self.start = np.array([time.perf_counter(), time.process_time()])

    def seconds(self) -> np.ndarray:
        """Return (clock, processor) seconds since the start."""
        return np.array([time.perf_counter(), time.process_time()]) - self.start


def plain_loop(counts: np.ndarray, pairs: list[tuple[int, int]], measure: str) -> np.ndarray:
    """Return the seconds of the plain loop over some pairs."""
    from skimage.measure import pearson_corr_coeff

    rng = np.random.default_rng(0)
    timer = Timer()
    for i, j in pairs:
        a, b = counts[i].astype(np.float64), counts[j].astype(np.float64)
        offsets = rng.integers(0, counts.shape[1], (SHIFTS, 2))
        for dy, dx in [(0, 0), *offsets]:
            moved = np.roll(b, (dy, dx), axis=(0, 1))
            if measure == "scikit-image":
                pearson_corr_coeff(a, moved)
            else:
                np.corrcoef(a.ravel(), moved.ravel())
    return timer.seconds()


def ours(counts: np.ndarray) -> np.ndarray:
    """Return the seconds from maps to the whole table."""
    from spattermap.core.mapset import make_map_set
    from spattermap.noise.moments import block_moments
    from spattermap.verdict.pairs import pair_table

    maps = make_map_set(counts, ELEMENTS)
    timer = Timer()
    table = pair_table(block_moments(maps), maps=maps)
    seconds = timer.seconds()
    if not (table[["r_low", "r_high", "p_value"]].notna().all(axis=None) and len(table) == 66):
        raise SystemExit("the table has gaps: the comparison would not be fair")
    return seconds


def all_pairs() -> dict[str, object]:
    """Time 12 elements of 1024 x 1024 px."""
    counts = scene(1024, len(ELEMENTS), seed=1)
    pairs = list(combinations(range(len(ELEMENTS)), 2))
    ours(counts[:, :128, :128])  # imports
    mine = np.min([ours(counts) for _ in range(5)], axis=0)
    result: dict[str, object] = {"pairs": len(pairs), "ours_s": mine.round(3).tolist()}
    for measure in ("scikit-image", "numpy"):
        seconds = plain_loop(counts, pairs[:2], measure) / 2 * len(pairs)
        result[f"plain_{measure}_s"] = seconds.round(1).tolist()
        result[f"ratio_{measure}"] = np.round(seconds / mine).tolist()
    return result


def write_mosaic(path: Path, side: int, n_elements: int) -> None:
    """Write a mosaic chunk by chunk."""
    import zarr

    store = zarr.create_array(
        path, shape=(n_elements, side, side), chunks=(n_elements, 512, 512), dtype="uint16"
    )
    for seed, (y, x) in enumerate(np.ndindex(side // 512, side // 512)):
        tile = scene(512, n_elements, seed)
        store[:, y * 512 : (y + 1) * 512, x * 512 : (x + 1) * 512] = tile


def streamed(path: Path) -> dict[str, object]:
    """Sum a mosaic on disk; meant to run in a process of its own, whose peak memory is read."""
    import dask
    import dask.array as da

    from spattermap.core.errors import ELEMENT_SYMBOLS
    from spattermap.core.mapset import make_map_set
    from spattermap.noise.moments import block_moments
    from spattermap.verdict.pairs import pair_table

    dask.config.set(scheduler="threads", num_workers=2)
    counts = da.from_zarr(path)
    maps = make_map_set(counts, list(ELEMENT_SYMBOLS[10 : 10 + counts.shape[0]]))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    start = time.perf_counter()
    moments = block_moments(maps)
    summed = time.perf_counter() - start
    table = pair_table(moments, maps=maps)
    return {
        "megabytes_of_maps": round(counts.nbytes / 2**20),
        "block_moments_s": round(summed, 2),
        "with_pair_table_s": round(time.perf_counter() - start, 2),
        "pairs": len(table),
        "blocks": moments.n_blocks,
        "peak_memory_MB": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
        "of_which_imports_MB": round(before),
    }


def main() -> None:
    """Run what was asked for and print it as JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streamed", action="store_true")
    parser.add_argument("--mosaic", type=Path, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.mosaic:
        print(json.dumps(streamed(chosen.mosaic)))
        return
    if not chosen.streamed:
        print("each: [clock, processor]")
        print(json.dumps({"machine": platform.machine(), **all_pairs()}, indent=1))
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "mosaic.zarr"
        write_mosaic(path, 4096, 20)
        again = [sys.executable, __file__, "--mosaic", str(path)]
        print(subprocess.run(again, check=True, capture_output=True, text=True).stdout)


if __name__ == "__main__":
    main()

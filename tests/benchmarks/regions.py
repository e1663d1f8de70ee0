"""Time region measurement against scikit-image's table of the same properties, in one run.

Run by hand::

    python tests/benchmarks/regions.py

40,000 droplets of random size on 2048 x 2048 pixels with 8 element maps. Both sides measure the
full property set of ``droplets.csv``; compilation is warmed up first. Printed: our best and
median time, the reference's time, their ratio, and the largest differences.
"""

from __future__ import annotations

import argparse
import statistics
import time

import numpy as np
from scipy import ndimage
from skimage.measure import regionprops_table

from spattermap.measure.regions import measure_regions

ELEMENTS = ("Cu", "Zn", "Sn", "Ag", "Ni", "Si", "O", "C")
PROPERTIES = (
    "label", "bbox", "centroid", "area", "equivalent_diameter_area", "feret_diameter_max",
    "perimeter_crofton", "axis_major_length", "axis_minor_length", "area_convex", "solidity",
    "orientation", "intensity_mean",
)  # fmt: skip


def scene(side: int, n_droplets: int, seed: int) -> np.ndarray:
    """Return labelled rounded droplets: cells of random seeds, cut at a random distance."""
    rng = np.random.default_rng(seed)
    points = np.zeros((side, side), dtype=bool)
    points.flat[rng.choice(side * side, n_droplets, replace=False)] = True
    distance, (near_y, near_x) = ndimage.distance_transform_edt(~points, return_indices=True)
    number = np.zeros((side, side), dtype=np.int32)
    number[points] = np.arange(1, n_droplets + 1)
    reach = np.concatenate([[0], rng.lognormal(np.log(3.6), 0.35, n_droplets)])
    labels = number[near_y, near_x]
    labels[distance > reach[labels]] = 0
    return labels


def main() -> None:
    """Print the comparison."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--side", type=int, default=2048)
    options.add_argument("--droplets", type=int, default=40_000)
    options.add_argument("--repeats", type=int, default=9)
    chosen = options.parse_args()
    labels = scene(chosen.side, chosen.droplets, seed=0)
    rng = np.random.default_rng(1)
    metal = labels > 0
    counts = np.stack(
        [rng.poisson(np.where(metal, 1 + k, 0.5)).astype(np.uint16) for k in range(len(ELEMENTS))]
    )
    print(f"{labels.max()} droplets, coverage {metal.mean():.2f}, counts {counts.shape}")

    measure_regions(labels[:64, :64], counts=counts[:, :64, :64], elements=ELEMENTS)  # warm up
    times = []
    for _ in range(chosen.repeats):
        begun = time.perf_counter()
        ours = measure_regions(labels, counts=counts, elements=ELEMENTS)
        times.append(time.perf_counter() - begun)

    picture = np.moveaxis(counts, 0, -1).astype(np.float64)
    begun = time.perf_counter()
    theirs = regionprops_table(labels, picture, properties=PROPERTIES)
    reference = time.perf_counter() - begun

    middle = statistics.median(times)
    print(f"ours: median {middle * 1e3:.1f} ms, best {min(times) * 1e3:.1f} ms")
    print(f"regionprops_table: {reference:.2f} s")
    print(f"ratio: {reference / middle:.0f} (median), {reference / min(times):.0f} (best)")
    for name, other in (
        ("area_um2", theirs["area"]),
        ("perimeter_um", theirs["perimeter_crofton"]),
        ("widest_um", theirs["feret_diameter_max"]),
        ("solidity", theirs["solidity"]),
        ("y_um", theirs["centroid-0"] + 0.5),
        ("Cu_counts", theirs["intensity_mean-0"] * theirs["area"]),
    ):
        print(f"largest difference in {name}: {np.abs(ours[name] - other).max():.2e}")


if __name__ == "__main__":
    main()

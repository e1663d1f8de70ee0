"""Spacing of points against reference values, and of droplets against simulated truth."""

import warnings
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from spattermap.core.errors import InputError
from spattermap.measure.placement import (
    clark_evans,
    nearest_distances,
    pair_correlation,
    pair_statistics,
    place,
    spacing,
    uniform,
)

if find_spec("libpysal") is None:
    pytest.skip("needs libpysal's point sets", allow_module_level=True)

OPEN = np.full((1, 1), np.inf)


def example(name, file=None):
    """Return the points of a libpysal data set, duplicates dropped, and their bounding box."""
    import libpysal  # a second, which only the process pays that runs these tests
    from libpysal.io import open as read

    path = Path(libpysal.__file__).parent / "examples" / name / f"{file or name}.shp"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its geometry classes announce their removal
        x, y = np.unique(np.array([tuple(p) for p in read(str(path))]), axis=0).T
    return y, x, (y.min(), x.min(), y.max(), x.max())


@pytest.mark.outside(
    "Mean nearest distance, Clark and Evans' index and its p-value",
    source="R spatstat 3.0-3 on libpysal's point sets (BSD), window the bounding box, duplicates "
    "dropped",
    known="computed",
    tolerance="1e-8; p-value as printed",
)
@pytest.mark.outside(
    "Clark and Evans' index with Donnelly's edge correction",
    source="R spatstat 3.0-3 on libpysal's point sets (BSD), window the bounding box, duplicates "
    "dropped",
    known="computed",
    tolerance="1e-8",
)
@pytest.mark.parametrize(
    ("name", "n", "area", "mean", "naive", "p", "donnelly"),
    [
        ("juvenile", 164, 8188, 2.549659823, 0.7216809528, 9.195e-12, 0.6978670971),
        ("burkitt", 177, 12160, 3.230481595, 0.7795017822, 2.0e-08, 0.7535262880),
        ("virginia", 200, 216845506675, 13197.32168, 0.8015960759, 7.97e-8, 0.7757728622),
    ],
)
def test_clark_evans(name, n, area, mean, naive, p, donnelly):
    y, x, box = example(name, "vautm17n_points" if name == "virginia" else None)
    assert len(y) == n
    assert (box[2] - box[0]) * (box[3] - box[1]) == pytest.approx(area)
    found = clark_evans(y, x, box=box, correction="none")
    assert found.mean_distance == pytest.approx(mean, rel=1e-9)
    assert found.index == pytest.approx(naive, abs=1e-8)
    assert found.p_value == pytest.approx(p, rel=5e-4)
    assert clark_evans(y, x, box=box).index == pytest.approx(donnelly, abs=1e-8)


def test_nearest_distances_by_hand():
    assert nearest_distances([0, 0, 4], [0, 3, 3]).tolist() == [3, 3, 4]
    assert np.isnan(nearest_distances([1], [1])).all()


@pytest.mark.outside(
    "Pair correlation of points at random",
    source="1 at every distance under complete randomness",
    known="exact",
    tolerance="0.03",
)
def test_pair_correlation_is_one_at_random_and_the_slope_of_k():
    rng = np.random.default_rng(1)
    radii = np.array([0.05, 0.1, 0.15])
    found = [pair_correlation(*rng.random((2, 300)), radii, box=(0, 0, 1, 1)) for _ in range(60)]
    assert np.mean(found, axis=0) == pytest.approx(np.ones(3), abs=0.03)


def test_compiled_statistics_are_the_same():
    points = np.random.default_rng(0).uniform(0, 1, (200, 2)) * [3, 5]
    radii = np.linspace(0, 0.6, 61)[1:]
    mean, g = pair_statistics(points, (3.0, 5.0), radii, 0.05)
    assert mean == pytest.approx(nearest_distances(*points.T).mean(), rel=1e-12)
    box = (0, 0, 3, 5)
    expected = pair_correlation(*points.T, radii, box=box, bandwidth=0.05)
    np.testing.assert_allclose(g, expected, rtol=1e-9, atol=1e-12)


@pytest.mark.outside(
    "Random numbers of the placement null",
    source="SplitMix64, test values with the public-domain C code of S. Vigna",
    known="from memory",
    tolerance="equal bits",
)
def test_generator_gives_the_published_sequence():
    state = np.array([1234567], dtype=np.uint64)
    # Numbers are the top 53 bits.
    for value in (6457827717110365317, 3203168211198807973):
        assert uniform(state) == (value >> 11) / 2**53
    drawn = np.array([uniform(state) for _ in range(20_000)])
    assert drawn.mean() == pytest.approx(0.5, abs=4 * np.sqrt(1 / 12 / 20_000))


def test_discs_are_placed_without_overlap_and_within_the_field():
    radii = np.sort(np.random.default_rng(0).uniform(0.5, 3, 300))[::-1].copy()
    centres, ok = place(radii, (60.0, 100.0), 3, OPEN)
    assert ok
    gap = np.hypot(*(centres[:, None] - centres[None]).transpose(2, 0, 1))
    gap -= radii[:, None] + radii[None]
    np.fill_diagonal(gap, 1)
    assert gap.min() >= 0
    assert centres.min() >= 0
    assert centres[:, 0].max() <= 60
    assert centres[:, 1].max() <= 100
    # Two fields of one seed are the same; too many discs have no place.
    np.testing.assert_array_equal(centres, place(radii, (60.0, 100.0), 3, OPEN)[0])
    assert not place(np.full(400, 3.0), (60.0, 100.0), 0, OPEN)[1]


def random_droplets(seed, n=120):
    radii = np.sort(np.random.default_rng(seed).lognormal(0, 0.3, n))[::-1].copy()
    return place(radii, (60.0, 80.0), seed, OPEN)[0], 2 * radii


def judged(centres, diameter, **more):
    options = {"n_simulations": 59, "box": (0, 0, 60.0, 80.0), **more}
    return spacing(centres[:, 0], centres[:, 1], diameter=diameter, **options)


def test_random_droplets_are_called_random_as_often_as_the_level_says():
    wrong = [
        judged(*random_droplets(seed), seed=seed).pattern != "random" for seed in range(100, 140)
    ]
    # Level 95 %, 40 fields: at most 2 + 4 standard errors.
    assert np.sum(wrong) <= 2 + 4 * np.sqrt(40 * 0.05 * 0.95)


def test_clusters_and_order_are_recognised():
    rng = np.random.default_rng(2)
    parents = rng.uniform(5, 55, (8, 2)) * [1, 80 / 60]
    near = (parents[:, None] + rng.normal(0, 2.0, (8, 15, 2))).reshape(-1, 2)
    near = np.clip(near, 0, [59.9, 79.9])
    found = judged(near, np.full(120, 0.1))
    assert found.pattern == "clustered"
    assert found.index < found.index_low
    y, x = np.mgrid[3:60:6, 3:80:6]
    grid = np.column_stack([y.ravel(), x.ravel()]) + rng.normal(0, 0.3, (y.size, 2))
    found = judged(grid, np.full(len(grid), 1.0))
    assert found.pattern == "ordered"
    assert found.index > found.index_high


def test_size_alone_does_not_make_order():
    # Droplets that only avoid each other look ordered against points, not against droplets.
    radii = np.full(150, 2.2)
    centres, ok = place(radii, (60.0, 80.0), 9, OPEN)
    assert ok
    found = judged(centres, 2 * radii)
    assert found.clark_evans.index > 1.15
    assert found.clark_evans.p_value < 0.001
    assert found.pattern == "random"


def test_merged_droplets_are_not_taken_for_order():
    # Droplets closer than 1.5 have merged: without the gap in the null that looks like order.
    radii = np.full(110, 1.6)
    centres, ok = place(radii + 0.75, (60.0, 80.0), 2, OPEN)
    assert ok
    assert judged(centres, 2 * radii).pattern == "ordered"
    assert judged(centres, 2 * radii, gap=1.5).pattern == "random"


def test_an_obstacle_is_not_taken_for_clusters():
    # Droplets at random in the left half; the right half is taken by something else.
    clearance = np.where(np.arange(80) < 40, 40.0 - np.arange(80), 0.0)[None, :].repeat(60, axis=0)
    radii = np.full(60, 1.0)
    centres, ok = place(radii, (60.0, 80.0), 4, clearance)
    assert ok
    assert centres[:, 1].max() < 40
    assert judged(centres, 2 * radii).pattern == "clustered"
    assert judged(centres, 2 * radii, clearance=clearance).pattern == "random"


def test_too_few_and_too_dense_are_undecided():
    few = judged(np.array([[1.0, 2.0], [3.0, 4.0]]), np.ones(2))
    assert (few.pattern, few.null) == ("undecided", "fewer than 10 droplets")
    dense = judged(np.random.default_rng(0).uniform(0, 60, (200, 2)), np.full(200, 8.0))
    assert dense.pattern == "undecided"
    assert len(dense.g) == 0


def test_refusals():
    with pytest.raises(InputError, match="must be finite"):
        nearest_distances([np.nan], [1])
    with pytest.raises(InputError, match="Check the order"):
        clark_evans([1, 2], [1, 2], box=(0, 0, 0, 5))

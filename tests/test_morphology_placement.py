"""Random placement of discs, by hand and against the published generator."""

import numpy as np
import pytest

from spattermap.measure.placement import (
    nearest_distances,
    pair_correlation,
    pair_statistics,
    place,
    uniform,
)

FREE = np.full((1, 1), np.inf)


@pytest.fixture(autouse=True)
def wrapping():
    """Uncompiled (NUMBA_DISABLE_JIT), the 64-bit products wrap with a warning, as they must."""
    with np.errstate(over="ignore"):
        yield


def test_numbers_are_those_of_splitmix64():
    # Outputs for seed 1234567 as listed with the generator's reference code (from memory).
    known = (6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431)
    state = np.array([1234567], dtype=np.uint64)
    for number in known:
        assert uniform(state) == (number >> 11) / 2**53


def test_discs_lie_apart_and_within():
    radius = np.array([6.0, 5.0, 4.0, 3.0, 3.0, 2.0, 1.0, 1.0])
    centres, whole = place(radius, (60.0, 40.0), 5, FREE)
    assert whole
    assert ((centres >= 0) & (centres < (60, 40))).all()
    for i in range(len(radius)):
        for j in range(i):
            assert np.hypot(*(centres[i] - centres[j])) >= radius[i] + radius[j]
    again, _ = place(radius, (60.0, 40.0), 5, FREE)
    np.testing.assert_array_equal(centres, again)
    other, _ = place(radius, (60.0, 40.0), 6, FREE)
    assert not np.array_equal(centres, other)


def test_no_room_is_said():
    _, whole = place(np.array([4.0, 4.0]), (3.0, 3.0), 1, FREE)
    assert not whole
    _, whole = place(np.array([2.0]), (10.0, 10.0), 1, np.ones((2, 2)))
    assert not whole


def test_only_where_the_clearance_allows():
    clearance = np.zeros((1, 2))
    clearance[0, 1] = 9.0
    for seed in range(20):
        centres, whole = place(np.array([2.0]), (10.0, 20.0), seed, clearance)
        assert whole
        assert centres[0, 1] >= 10.0


def test_small_discs_keep_off_one_that_lies_in_every_cell():
    radius = np.array([60.0, *[0.01] * 99])
    centres, whole = place(radius, (100.0, 100.0), 3, FREE)
    assert whole
    away = np.hypot(*(centres[1:] - centres[0]).T)
    assert (away >= 60.01).all()


def test_pair_statistics_equal_the_general_functions():
    random = np.random.default_rng(4)
    points = random.uniform(0, (50, 30), (60, 2))
    radii, half = np.linspace(1, 8, 15), 0.7
    mean, g = pair_statistics(points, (50.0, 30.0), radii, half)
    distances = nearest_distances(points[:, 0], points[:, 1])
    assert mean == pytest.approx(np.mean(distances), rel=1e-12)
    box = (0.0, 0.0, 50.0, 30.0)
    expected = pair_correlation(points[:, 0], points[:, 1], radii, box=box, bandwidth=half)
    np.testing.assert_allclose(g, expected, rtol=1e-12)


def test_two_points_by_hand():
    points = np.array([[2.0, 2.0], [2.0, 5.0]])
    mean, g = pair_statistics(points, (10.0, 10.0), np.array([1.0, 2.0, 3.0, 4.0]), 0.5)
    assert mean == 3.0
    # One pair at 3: kernel 1.5 / half at its middle, weight 2 pi r (10 - 0)(10 - 3), n (n - 1) = 2.
    assert g[2] == pytest.approx(1.5 / 0.5 / (2 * np.pi * 3 * 10 * 7) * 100 * 100 / 2, rel=1e-12)
    assert g[[0, 1, 3]].tolist() == [0.0, 0.0, 0.0]

"""Connected paths, thresholds and mixing rules, against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage

from spattermap.core.errors import InputError
from spattermap.measure.conductance import (
    DISC_AREA_THRESHOLD,
    DISC_FILLING_THRESHOLD,
    SITE_THRESHOLD_4,
    bruggeman,
    hashin_shtrikman,
    wiener_bounds,
)
from spattermap.measure.network import connectivity


def crosses(metal, axis, structure=None):
    """Plain definition: some label touches both edges."""
    labels, _ = ndimage.label(metal, structure=structure)
    along = labels if axis == 1 else labels.T
    return bool(set(along[:, 0]) & set(along[:, -1]) - {0})


@pytest.mark.outside(
    "Percolation threshold of sites with four neighbours",
    source="0.592746, default of ssi20 in the R package SPSL",
    known="seen",
    tolerance="half the last printed digit",
)
@pytest.mark.outside(
    "Percolation threshold of equal discs: covered area, filling and neighbours",
    source="Quintanilla & Ziff 2007: 0.6763 and 1.128; Balister, Bollobas & Walters 2004: 4.508 "
    "to 4.515",
    known="seen",
    tolerance="half the last printed digit; within the interval",
)
def test_thresholds_as_seen():
    assert pytest.approx(0.592746, abs=5e-7) == SITE_THRESHOLD_4
    assert pytest.approx(0.6763, abs=5e-5) == DISC_AREA_THRESHOLD
    assert pytest.approx(1.128, abs=5e-4) == DISC_FILLING_THRESHOLD
    assert 4.508 < 4 * DISC_FILLING_THRESHOLD < 4.515  # neighbours a disc


@pytest.mark.outside(
    "Percolation threshold of discs to eight digits",
    source="Mertens & Moore, PRE 86 (2012) 061109",
    known="from memory",
    tolerance="2e-8",
)
def test_thresholds_from_memory():
    assert pytest.approx(1.12808737, abs=2e-8) == DISC_FILLING_THRESHOLD


def spanning_rate(p, neighbours, n_maps, seed, side=256):
    rng = np.random.default_rng(seed)
    structure = np.ones((3, 3)) if neighbours == 8 else None
    return np.mean([crosses(rng.random((side, side)) < p, 1, structure) for _ in range(n_maps)])


@pytest.mark.outside(
    "Random maps cross at the site thresholds, and not beside them",
    source="Cardy 1992: one half at the threshold",
    known="exact",
    tolerance="4 standard errors of 150 maps; none below, all above",
)
@pytest.mark.parametrize(
    ("neighbours", "threshold", "below", "above"),
    [(4, SITE_THRESHOLD_4, 0.55, 0.63), (8, 1 - SITE_THRESHOLD_4, 0.365, 0.45)],
)
def test_random_maps_cross_at_the_threshold(neighbours, threshold, below, above):
    # 4 binomial standard errors of 150 maps; 0.08 with 400 of them, see the calibration.
    assert spanning_rate(threshold, neighbours, 150, 1) == pytest.approx(0.5, abs=0.163)
    assert spanning_rate(below, neighbours, 20, 2) == 0
    assert spanning_rate(above, neighbours, 20, 3) == 1


@pytest.mark.calibration
@pytest.mark.parametrize(("neighbours", "threshold"), [(4, 0.5927), (8, 0.4073)])
def test_random_maps_cross_at_the_threshold_long(neighbours, threshold):
    assert spanning_rate(threshold, neighbours, 400, 4) == pytest.approx(0.5, abs=0.08)


@pytest.mark.outside(
    "Crossing of oblong random maps at the threshold",
    source="Cardy, J. Phys. A 25 (1992) L201, by mpmath",
    known="computed",
    tolerance="4 standard errors of 300 maps",
)
@pytest.mark.parametrize(
    ("expected", "sides"),
    [(0.8243531062, (256, 128)), (0.1756468938, (128, 256)), (0.0616380967, (96, 288))],
)
def test_oblong_maps_cross_as_cardy_says(expected, sides):
    rng = np.random.default_rng(5)
    n = 300
    rate = np.mean([crosses(rng.random(sides) < SITE_THRESHOLD_4, 1) for _ in range(n)])
    assert rate == pytest.approx(expected, abs=4 * math.sqrt(expected * (1 - expected) / n))


def duality(n_maps, seed):
    """Count breaches of the rule: metal crosses one way or bare ground the other, never both."""
    rng = np.random.default_rng(seed)
    violations = 0
    for _ in range(n_maps):
        shape = rng.integers(2, 25, size=2)
        metal = rng.random(shape) < rng.choice([0.4073, 0.5, 0.5927])
        here = connectivity(metal)
        there = connectivity(~metal, connectivity=8)
        violations += here.crosses_x == there.crosses_y
        violations += here.crosses_y == there.crosses_x
    return violations


@pytest.mark.outside(
    "Either metal crosses one way or bare ground the other, on 300 random maps",
    source="matching lattices (Sykes & Essam 1964, from memory)",
    known="exact",
    tolerance="no violation",
)
def test_duality_without_violation():
    # Exactly one of "metal crosses in x with 4" and "bare crosses in y with 8".
    assert duality(300, 6) == 0


@pytest.mark.calibration
def test_duality_without_violation_long():
    assert duality(3000, 7) == 0


@pytest.mark.outside(
    "Regions, gaps and crossing of a small map with four and eight neighbours",
    source="labels and distances by hand",
    known="exact",
    tolerance="equal",
)
def test_regions_by_hand():
    metal = np.array(
        [
            [1, 1, 0, 0, 0],
            [0, 0, 1, 0, 0],
            [1, 1, 1, 0, 1],
        ],
        dtype=bool,
    )
    found = connectivity(metal)
    assert found.n_regions == 3
    np.testing.assert_array_equal(found.labels, [[2, 2, 0, 0, 0], [0, 0, 1, 0, 0], [1, 1, 1, 0, 3]])
    assert found.largest_share == 4 / 7
    assert not found.crosses_x
    assert not found.crosses_y
    assert found.gap_x_px == 1.0
    assert found.gap_y_px == pytest.approx(math.sqrt(2) - 1)
    assert found.connected_share == 0.0
    touching = connectivity(metal, connectivity=8)
    assert touching.n_regions == 2
    assert touching.crosses_y
    assert not touching.crosses_x
    assert touching.connected_share == 6 / 7
    assert touching.gap_y_px == 0.0


@pytest.mark.parametrize("gap", [1, 2, 3, 4, 7])
def test_bridging_closes_gaps_up_to_its_length(gap):
    metal = np.ones((9, 30), dtype=bool)
    metal[:, 10 : 10 + gap] = False
    assert connectivity(metal).gap_x_px == gap
    assert connectivity(metal, bridging_px=gap).crosses_x
    assert connectivity(metal, bridging_px=gap).n_regions == 1
    assert not connectivity(metal, bridging_px=gap - 0.01).crosses_x


def brute_gap(metal):
    """Least bridging distance by trying every pair of pixels of every two regions."""
    labels, n = ndimage.label(metal)
    points = [np.argwhere(labels == k + 1) for k in range(n)]
    width = metal.shape[1]
    apart = np.full((n + 2, n + 2), np.inf)
    for i in range(n):
        for j in range(n):
            steps = points[i][:, None] - points[j][None]
            apart[i, j] = np.sqrt((steps**2).sum(-1)).min() - 1 if i != j else 0
        apart[i, n] = apart[n, i] = points[i][:, 1].min()
        apart[i, n + 1] = apart[n + 1, i] = width - 1 - points[i][:, 1].max()
    for k in range(n + 2):  # minimax paths (Floyd and Warshall)
        apart = np.minimum(apart, np.maximum(apart[:, k : k + 1], apart[k : k + 1]))
    return apart[n, n + 1]


@pytest.mark.outside(
    "Least bridging distance on 150 random maps",
    source="every pair of pixels of every two regions; minimax paths (Floyd & Warshall)",
    known="exact",
    tolerance="1e-12",
)
def test_gap_against_every_pair_of_pixels():
    rng = np.random.default_rng(7)
    for _ in range(150):
        metal = rng.random((14, 17)) < rng.uniform(0.02, 0.5)
        if not metal.any():
            continue
        expected = brute_gap(metal)
        assert connectivity(metal).gap_x_px == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("width", [1, 3, 5, 9])
def test_neck(width):
    metal = np.zeros((41, 60), dtype=bool)
    metal[:, :20] = metal[:, 40:] = True
    metal[20 - width // 2 : 21 + width // 2] = True
    found = connectivity(metal)
    assert found.neck_x_px == width
    # The edge of the field is no edge: 20 columns go on beyond it, as wide as their mirror image.
    assert found.neck_y_px == 2 * 20 - 1


def test_nothing_and_everything():
    none = connectivity(np.zeros((4, 5), dtype=bool))
    assert (none.n_regions, none.largest_share, none.gap_x_px) == (0, 0.0, math.inf)
    assert not none.largest.any()
    full = connectivity(np.ones((4, 5), dtype=bool))
    assert full.crosses_x
    assert full.crosses_y
    assert (full.neck_x_px, full.neck_y_px, full.connected_share) == (4.0, 5.0, 1.0)


def test_bad_arguments():
    with pytest.raises(InputError, match="connectivity must be 4"):
        connectivity(np.ones((2, 2)), connectivity=6)
    with pytest.raises(InputError, match="bridging_px"):
        connectivity(np.ones((2, 2)), bridging_px=-1)
    with pytest.raises(InputError, match="metal must be a two-dimensional"):
        connectivity(np.ones(3))


@pytest.mark.outside(
    "Bounds of the conductance of an isotropic two-phase sheet",
    source="Hashin & Shtrikman 1962, in two dimensions; formula from memory, digits by a separate "
    "script",
    known="from memory, computed",
    tolerance="5e-8",
)
@pytest.mark.outside(
    "Effective-medium conductance of a two-phase sheet",
    source="Bruggeman 1935, in two dimensions; formula from memory, digits by a separate script",
    known="from memory, computed",
    tolerance="5e-8",
)
@pytest.mark.outside(
    "Bounds of the conductance of any two-phase sheet",
    source="stripes along and across (Wiener)",
    known="exact",
    tolerance="1e-6",
)
@pytest.mark.parametrize(
    ("f", "low", "high", "medium"),
    # Discs of conductance 10 in 1.
    [
        (0.05, 1.0853081, 1.2531969, 1.0883363),
        (0.1, 1.1782178, 1.5183246, 1.1916594),
        (0.2, 1.3913043, 2.0879121, 1.4581246),
        (0.3, 1.6506024, 2.7167630, 1.8386811),
        (0.5, 2.3846154, 4.1935484, 3.1622777),
    ],
)
def test_mixing_rules(f, low, high, medium):
    assert hashin_shtrikman(f, metal=10, bare=1) == pytest.approx((low, high), abs=5e-8)
    assert bruggeman(f, metal=10, bare=1) == pytest.approx(medium, abs=5e-8)
    assert wiener_bounds(f, metal=10, bare=1) == pytest.approx(
        (1 / (f / 10 + 1 - f), 10 * f + 1 - f)
    )


@pytest.mark.outside(
    "Conductance of a sheet with insulating discs",
    source="Maxwell Garnett in two dimensions, (1 - f)/(1 + f)",
    known="from memory",
    tolerance="5e-8",
)
@pytest.mark.parametrize(("f", "expected"), [(0.1, 0.8181818), (0.3, 0.5384615), (0.5, 1 / 3)])
def test_insulating_discs(f, expected):
    assert hashin_shtrikman(1 - f)[1] == pytest.approx(expected, abs=5e-8)


@pytest.mark.parametrize("f", [0.0, 0.3, 0.5, 0.8, 1.0])
def test_rules_keep_their_order(f):
    for bare in (0.0, 0.01, 1.0):
        low, high = hashin_shtrikman(f, bare=bare)
        least, most = wiener_bounds(f, bare=bare)
        assert least <= low + 1e-15
        assert low <= bruggeman(f, bare=bare) + 1e-15
        assert bruggeman(f, bare=bare) <= high + 1e-15
        assert high <= most + 1e-15


def test_fraction_above_one_is_refused():
    with pytest.raises(InputError, match="fraction must be at most 1"):
        hashin_shtrikman(70)

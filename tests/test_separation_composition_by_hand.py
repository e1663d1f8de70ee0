"""Composition droplet by droplet on numbers that can be worked by hand."""

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from spattermap.core import estimate
from spattermap.core.mapset import make_map_set
from spattermap.core.settings import Settings
from spattermap.verdict import composition
from spattermap.verdict.composition import (
    CompositionLimit,
    DropletComposition,
    Trend,
    _deviance,
    _p_same,
    _relative_scatter,
    _rim_to_centre,
    _scatter,
    _table,
    _with_size,
    droplet_composition,
)

QUICK = Settings(n_resamples=200)
NAN = float("nan")


def array(*values):
    return np.array(values, float)


# --- Table ---------------------------------------------------------------------------------------
def test_each_droplet_is_tested_against_all_the_others():
    """Fisher's exact test, twice the smaller tail; Holm: the smaller p twice, the larger once."""
    k, m = array(8, 2), array(10, 10)
    table = _table(np.array([3, 7]), array(4, 16), k, m, QUICK)
    assert table["label"].tolist() == [3, 7]
    assert table["diameter_px"].tolist() == pytest.approx(
        [2 * 2 / np.sqrt(np.pi), 8 / np.sqrt(np.pi)]
    )
    one_sided = stats.fisher_exact([[8, 2], [2, 8]], alternative="greater").pvalue
    assert table["p_value"].tolist() == pytest.approx(
        [4 * one_sided] * 2
    )  # two sides, two droplets
    assert not table["differs"].any()


def test_a_droplet_like_the_others_has_p_one_and_odd_ones_differ():
    even = _table(np.arange(3), array(1, 1, 1), array(5, 5, 5), array(10, 10, 10), QUICK)
    assert even["p_value"].tolist() == [1.0, 1.0, 1.0]
    odd = _table(np.arange(2), array(1, 1), array(90, 10), array(100, 100), QUICK)
    assert odd["differs"].tolist() == [True, True]
    assert odd["part"].tolist() == [0.9, 0.1]
    # Wilson's interval of 90 in 100: 0.826 to 0.945.
    assert odd.loc[0, ["part_low", "part_high"]].tolist() == pytest.approx([0.826, 0.945], abs=5e-4)


def test_no_droplet_no_row():
    assert _table(np.array([], int), array(), array(), array(), QUICK).empty


# --- One composition or several ------------------------------------------------------------------
def test_likelihood_ratio_by_hand():
    """5 of 10 and 10 of 10: G = 2 (5 ln(5/7.5) + 5 ln(5/2.5) + 10 ln(10/7.5))."""
    k, m = array(5, 10), array(10, 10)
    expected = 2 * (5 * math.log(5 / 7.5) + 5 * math.log(5 / 2.5) + 10 * math.log(10 / 7.5))
    assert float(_deviance(k, m)) == pytest.approx(expected)
    assert float(_deviance(array(3, 3), array(9, 9))) == pytest.approx(0.0)
    assert float(_deviance(array(0, 5), array(10, 10))) == pytest.approx(
        2 * (10 * math.log(10 / 7.5) + 5 * math.log(5 / 2.5) + 5 * math.log(5 / 7.5))
    )
    np.testing.assert_allclose(_deviance(np.stack([k, k]), m), [expected] * 2)


def test_p_of_one_composition_is_the_exact_one():
    """Two droplets of 4 counts, 4 of them the element: G is largest for 0 and 4, of chance 2/70.

    For 1 and 3 as well as 3 and 1 the chance of that or more is (1 + 16 + 16 + 1) / 70.
    """
    rng = np.random.default_rng
    m = array(4, 4)
    for k, exact in ((array(4, 0), 2 / 70), (array(3, 1), 34 / 70), (array(2, 2), 1.0)):
        found = _p_same(k, m, rng(1))
        # Four standard errors of 999 draws, and one in a thousand that no p can fall below.
        spread = 4 * math.sqrt(exact * (1 - exact) / 999)
        assert found == pytest.approx(exact, abs=spread + 1e-3), k
    assert _p_same(array(50, 0), array(50, 50), rng(1)) == 1 / 1000  # never zero


def test_p_is_not_asked_of_one_droplet_or_of_one_element():
    rng = np.random.default_rng(0)
    assert math.isnan(_p_same(array(3), array(9), rng))
    assert math.isnan(_p_same(array(0, 0), array(9, 9), rng))
    assert math.isnan(_p_same(array(9, 9), array(9, 9), rng))
    assert math.isfinite(_p_same(array(1, 0), array(9, 9), rng))
    assert math.isfinite(_p_same(array(9, 8), array(9, 9), rng))


# --- Scatter -------------------------------------------------------------------------------------
def test_scatter_by_hand():
    """Parts 0.2, 0.5, 0.8 of 100 counts each, mean 0.5: spread 100 (0.09 + 0 + 0.09) = 18.

    Counting gives 2 x 0.25; room is 300 - 30000 / 300 = 200, less 2: 17.5 / 198 is the variance.
    """
    k, m = array(20, 50, 80), array(100, 100, 100)
    assert float(_relative_scatter(k, m)) == pytest.approx(math.sqrt(17.5 / 198) / 0.5)
    assert float(_relative_scatter(array(50, 50, 50), m)) == 0.0  # less than counting is none
    # Droplets without counts count for nothing.
    assert float(_relative_scatter(array(20, 50, 80, 0), array(100, 100, 100, 0))) == pytest.approx(
        math.sqrt(17.5 / 198) / 0.5
    )
    np.testing.assert_allclose(
        _relative_scatter(np.stack([k, k]), np.stack([m, m])), math.sqrt(17.5 / 198) / 0.5
    )


def test_unequal_droplets_weigh_by_their_counts():
    """10 of 50 and 90 of 150: mean 0.5; spread 50 x 0.09 + 150 x 0.01 = 6; counting 0.25.

    Room: 200 - (2500 + 22500) / 200 = 75, less 1.
    """
    found = float(_relative_scatter(array(10, 90), array(50, 150)))
    assert found == pytest.approx(math.sqrt(5.75 / 74) / 0.5)


def test_interval_of_the_scatter_by_resampling_droplets():
    k, m = array(20, 50, 80, 35, 65), np.full(5, 100.0)
    low, value, high = _scatter(k, m, QUICK)
    assert value == pytest.approx(float(_relative_scatter(k, m)))
    assert 0 <= low < value < high
    wide = _scatter(k, m, QUICK.with_changes(level=0.5))
    assert low < wide[0] < value < wide[2] < high
    for few in ((k[:2], m[:2]), (k * 0, m), (m, m)):
        assert np.isnan(_scatter(*few, QUICK)).all()
    assert np.isfinite(_scatter(k[:3], m[:3], QUICK)).all()


# --- Trend with size -----------------------------------------------------------------------------
def test_slope_with_size_by_hand():
    """Odds 1/4, 1/2, 1, 2 at 4, 8, 16, 32 px: the log odds grow by ln 2 for each doubling."""
    odds = array(0.25, 0.5, 1.0, 2.0)
    m = np.full(4, 3000.0)
    k, diameter = m * odds / (1 + odds), array(4, 8, 16, 32)
    found = _with_size(k, m, diameter, QUICK)
    assert found.value == pytest.approx(math.log(2), rel=1e-9)
    assert found.n_droplets == 4
    # Every resample of an exact law finds it too, and none finds the opposite.
    assert (found.low, found.high) == pytest.approx((math.log(2),) * 2, rel=1e-6)
    assert found.p_value < 0.05
    back = _with_size(k[::-1], m, diameter, QUICK)
    assert back.value == pytest.approx(-math.log(2), rel=1e-9)
    assert back.p_value == pytest.approx(found.p_value)


def test_p_of_a_trend_counts_resamples_on_either_side():
    """No trend at all in eight droplets of random parts: p is twice the rarer side, at most one."""
    rng = np.random.default_rng(2)
    m = np.full(8, 400.0)
    k, diameter = rng.binomial(400, 0.4, 8).astype(float), array(4, 5, 6, 8, 10, 12, 16, 20)
    found = _with_size(k, m, diameter, QUICK)
    weights = estimate.bootstrap_weights(8, 200, QUICK.seed)
    slopes = composition._logistic_slope(k, m, np.log2(diameter), weights)
    draws = slopes[1:][np.isfinite(slopes[1:])]
    rarer = min((draws <= 0).sum(), (draws >= 0).sum())
    assert found.p_value == pytest.approx(min(1.0, 2 * (rarer + 1) / (draws.size + 1)))
    assert (found.low, found.high) == pytest.approx(tuple(np.quantile(draws, [0.025, 0.975])))
    assert found.low < found.value < found.high


def test_a_trend_needs_four_droplets_of_different_size():
    m, sizes = np.full(4, 100.0), array(4, 8, 16, 32)
    k = array(20, 30, 40, 50)
    assert math.isfinite(_with_size(k, m, sizes, QUICK).value)
    for found, droplets in (
        (_with_size(k[:3], m[:3], sizes[:3], QUICK), 3),
        (_with_size(k, m, np.full(4, 8.0), QUICK), 4),
        (_with_size(k * 0, m, sizes, QUICK), 4),
        (_with_size(m, m, sizes, QUICK), 4),
    ):
        assert math.isnan(found.value)
        assert math.isnan(found.p_value)
        assert found.n_droplets == droplets


# --- Rim and centre ------------------------------------------------------------------------------
def square(size=7, *, own_rim=1.0, own_centre=3.0):
    """One square in a wider field; its outer ring of one pixel differs in the element."""
    inside = np.zeros((size + 6, size + 6), np.int32)
    inside[3:-3, 3:-3] = 1
    own = np.where(inside > 0, own_rim, 0.0)
    own[4:-4, 4:-4] = own_centre
    return inside, own, np.where(inside > 0, 2.0, 0.0)


def test_rim_against_centre_by_hand():
    """7 x 7 px; the outer ring touches the outside, the inner 5 x 5 lies 1 px and more from it.

    Blur 0.5 asks for more than 1 px (never less): of the 5 x 5 the inner 3 x 3, at a depth of 2 px,
    is the centre and the rest the rim: 27 : 18 counts against (24 + 48) : 80 there.
    """
    inside, own, rest = square()
    found = _rim_to_centre(inside, own, rest, n_droplets=1, blur_px=0.5, level=0.95)
    # 24 px of the ring with 1 count and 16 px of the next with 3.
    odds = (27 / 18) / ((24 + 48) / 80)
    assert found.value == pytest.approx(math.log(odds))
    # One stratum: Woolf's variance, the sum of the inverse counts.
    error = math.sqrt(1 / 27 + 1 / 18 + 1 / 72 + 1 / 80)
    assert (found.high - found.low) / 2 == pytest.approx(1.959964 * error, rel=1e-6)
    assert (found.high + found.low) / 2 == pytest.approx(found.value)
    assert found.p_value == pytest.approx(2 * stats.norm.sf(math.log(odds) / error))
    assert found.n_droplets == 1
    back = _rim_to_centre(inside, rest, own, n_droplets=1, blur_px=0.5, level=0.95)
    assert back.value == pytest.approx(-found.value)
    assert back.p_value == pytest.approx(found.p_value)


def test_the_rim_is_as_wide_as_one_and_a_half_blurs():
    """Blur 1: deeper than 1.5 px, the same 3 x 3. Blur 1.4: deeper than 2.1 px leaves 1 x 1."""
    inside, own, rest = square()
    one = _rim_to_centre(inside, own, rest, n_droplets=1, blur_px=1.0, level=0.95)
    assert one.value == pytest.approx(math.log((27 / 18) / (72 / 80)))
    too_wide = _rim_to_centre(inside, own, rest, n_droplets=1, blur_px=1.4, level=0.95)
    assert math.isnan(too_wide.value)  # a centre of one pixel is none: nine are asked
    assert too_wide.n_droplets == 0


def test_a_centre_of_eight_pixels_is_too_small():
    """6 x 8 px leave a centre of 2 x 4; 7 x 7 one of 3 x 3."""
    inside = np.zeros((12, 14), np.int32)
    inside[3:9, 3:11] = 1
    own = np.where(inside > 0, 1.0, 0.0)
    found = _rim_to_centre(inside, own, own, n_droplets=1, blur_px=1.0, level=0.95)
    assert (found.n_droplets, math.isnan(found.value)) == (0, True)
    # A label that does not occur at all changes nothing.
    more = _rim_to_centre(*square(), n_droplets=3, blur_px=1.0, level=0.95)
    assert more == _rim_to_centre(*square(), n_droplets=1, blur_px=1.0, level=0.95)


def test_droplets_that_touch_have_a_rim_between_them():
    """Two 9 x 9 squares side by side: each keeps a centre of 5 x 5, not one of 14 x 5."""
    inside = np.zeros((15, 24), np.int32)
    inside[3:12, 3:12], inside[3:12, 12:21] = 1, 2
    own = np.where(inside > 0, 1.0, 0.0)
    found = _rim_to_centre(inside, own, 2 * own, n_droplets=2, blur_px=1.0, level=0.95)
    assert found.n_droplets == 2
    # 25 of 81 pixels in each centre, one odds throughout: variance of one table of 2 x these.
    error = math.sqrt(1 / 50 + 1 / 100 + 1 / 112 + 1 / 224)
    assert found.value == pytest.approx(0.0)
    assert (found.high - found.low) / 2 == pytest.approx(1.959964 * error, rel=1e-6)
    assert found.p_value == pytest.approx(1.0)


def test_droplets_of_different_composition_do_not_mix():
    """Mantel and Haenszel: in each droplet the odds of centre over rim are 2, in all of them 2."""
    inside = np.zeros((13, 30), np.int32)
    inside[3:10, 3:10], inside[3:10, 20:27] = 1, 2
    own = np.zeros(inside.shape)
    centre = np.zeros(inside.shape, bool)
    centre[5:8, 5:8] = centre[5:8, 22:25] = True
    own[inside == 1], own[inside == 2] = 1.0, 20.0
    own[centre] *= 2.0
    rest = np.where(inside > 0, 5.0, 0.0)
    found = _rim_to_centre(inside, own, rest, n_droplets=2, blur_px=1.0, level=0.95)
    assert found.value == pytest.approx(math.log(2))
    assert found.n_droplets == 2
    # Nothing of the element, or nothing else: no odds.
    for planes in ((own * 0, rest), (own, rest * 0)):
        none = _rim_to_centre(inside, *planes, n_droplets=2, blur_px=1.0, level=0.95)
        assert math.isnan(none.value)
        assert none.n_droplets == 2


# --- The whole of it -----------------------------------------------------------------------------
def droplets_of(parts, **more):
    """Squares of 9 x 9 px with 20 counts of the alloy a pixel; `parts` of it zinc."""
    labels = np.zeros((15, 12 * len(parts) + 3), np.int32)
    copper, zinc = np.zeros(labels.shape), np.zeros(labels.shape)
    for number, part in enumerate(parts):
        box = (slice(3, 12), slice(3 + 12 * number, 12 + 12 * number))
        labels[box], zinc[box], copper[box] = number + 1, 20 * part, 20 * (1 - part)
    maps = make_map_set(np.stack([copper, zinc, copper * 0 + 7]), ["Cu", "Zn", "Si"], **more)
    return maps, labels


def test_parts_scatter_and_trends_of_a_whole_field():
    maps, labels = droplets_of([0.1, 0.2, 0.3, 0.4])
    labels[0, 0] = 9  # a streak, which is left out
    found = droplet_composition(
        maps, labels, "Zn", alloy=("Cu", "Zn"), n_droplets=4, settings=QUICK
    )
    assert found.part == pytest.approx(0.25)
    assert found.droplets["label"].tolist() == [1, 2, 3, 4]
    assert found.droplets["part"].tolist() == pytest.approx([0.1, 0.2, 0.3, 0.4])
    assert found.droplets["alloy_counts"].tolist() == [1620] * 4
    assert found.p_same == 1 / 1000
    # Spread 1620 x 0.05 = 81, counting 3 x 0.1875, room 4 x 1620 - 1620 - 3.
    assert found.scatter == pytest.approx(math.sqrt((81 - 0.5625) / 4857) / 0.25)
    assert found.scatter_low < found.scatter < found.scatter_high
    assert math.isnan(found.with_size.value)  # all of one size
    assert found.rim_to_centre.value == pytest.approx(0.0, abs=1e-12)
    assert found.limit is None
    assert found.droplets["wide_enough"].all()
    assert found.element == "Zn"


def test_a_mask_and_empty_droplets_are_left_out():
    maps, labels = droplets_of([0.25, 0.25, 0.25])
    valid = labels != 2
    masked = make_map_set(maps["counts"].values, ["Cu", "Zn", "Si"], valid=valid)
    found = droplet_composition(masked, labels, "Zn", alloy=("Cu", "Zn"), n_droplets=3)
    assert found.droplets["label"].tolist() == [1, 3]
    none = droplet_composition(maps, labels * 0, "Zn", alloy=("Cu", "Zn"), n_droplets=3)
    assert none.droplets.empty
    assert math.isnan(none.part)
    assert none.sentences() == ("No droplet holds counts of the alloy.",)


def test_droplets_under_the_range_of_the_electrons_are_marked():
    """9 x 9 px are 10.16 px wide; copper at 20 keV asks for 1.45 um."""
    for pixel, wide in ((0.140, False), (0.146, True)):
        maps, labels = droplets_of(
            [0.5, 0.5], pixel_size_um=pixel, beam_energy_keV=20.0, alloy={"Cu": 100.0},
            lines=["Cu Ka", "Zn Ka", "Si Ka"],
        )  # fmt: skip
        found = droplet_composition(maps, labels, "Zn", alloy=("Cu", "Zn"), n_droplets=2)
        assert found.limit.smallest_um == pytest.approx(1.45, abs=0.01)
        assert found.droplets["wide_enough"].tolist() == [wide] * 2
    maps, labels = droplets_of([0.5], beam_energy_keV=20.0, lines=["Cu Ka", "Zn Ka", "Si Ka"])
    assert droplet_composition(maps, labels, "Zn", alloy=("Cu", "Zn"), n_droplets=1).limit is None


NONE = Trend(NAN, NAN, NAN, NAN, 0)
FOUND = DropletComposition(
    "Zn",
    pd.DataFrame({"differs": [True, False, True], "wide_enough": [True, True, True]}),
    0.305, 0.0099, 0.9, 0.6, 1.2, NONE, NONE,
)  # fmt: skip


def test_findings_in_words():
    assert " ".join(FOUND.sentences()) == (
        "Zn is 30.5 % of the alloy's counts in the droplets. "
        "The droplets do not share one composition (p = 0.0099; beyond counting it scatters by "
        "90 %, 60 to 120); 2 differ singly."
    )
    same = dataclasses.replace(FOUND, p_same=0.01)
    assert same.sentences()[1] == (
        "One composition explains all droplets (p = 0.01); a scatter of up to 120 % would not be "
        "seen."
    )


def test_trends_in_words():
    more = Trend(0.5, 0.25, 0.75, 0.0099, 9)
    less = Trend(-0.5, -0.75, -0.25, 0.0099, 9)
    size = dataclasses.replace(FOUND, with_size=more).sentences()
    assert size[2] == (
        "Small droplets hold less of it (log odds +0.50, +0.25 to +0.75 a doubling of the "
        "diameter)."
    )
    assert len(size) == 3
    assert dataclasses.replace(FOUND, with_size=less).sentences()[2].startswith(
        "Small droplets hold more of it (log odds -0.50, -0.75 to -0.25 a"
    )  # fmt: skip
    rim = dataclasses.replace(FOUND, rim_to_centre=more).sentences()
    assert rim[2:] == (
        "It is less at the rim (log odds +0.50, +0.25 to +0.75).",
        "A film between the droplets blurs into their rims and may do that.",
    )
    back = dataclasses.replace(FOUND, rim_to_centre=less).sentences()
    assert back[2].startswith("It is more at the rim (log odds -0.50")
    weak = dataclasses.replace(more, p_value=0.01)
    assert len(dataclasses.replace(FOUND, with_size=weak, rim_to_centre=weak).sentences()) == 2


def test_the_limit_in_words():
    limit = CompositionLimit(1.45, {"Cu Ka": 0.81}, 20.0)
    wide = dataclasses.replace(FOUND, limit=limit)
    assert wide.sentences()[2:] == (limit.sentence(),)
    frame = FOUND.droplets.assign(wide_enough=[True, False, False])
    assert dataclasses.replace(wide, droplets=frame).sentences()[3].startswith(
        "2 of 3 droplets are narrower:"
    )  # fmt: skip

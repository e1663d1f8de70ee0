"""The parts of the verdict by hand: resampling, haze, zones, matrix, squares, shares and bounds."""

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from spattermap.core.estimate import UNKNOWN, Estimate, bootstrap_weights, interval
from spattermap.core.mapset import Roles, make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.verdict import composition, evidence, rules
from spattermap.verdict import gather as gathering
from spattermap.verdict.evidence import (
    estimate,
    most_explained,
    partners_of,
    raised_continuum,
    split_signal,
    standard_errors,
)
from spattermap.verdict.physics import Conditions, alloy_labels, matrix_element, matrix_tolerance
from spattermap.verdict.signal_levels import Levels
from spattermap.verdict.zones import (
    DROPLET,
    FAR,
    RIM,
    STREAK,
    ZoneSums,
    haze_part,
    square_moments,
    square_side,
    under_haze,
    zone_map,
    zone_sums,
)
from spattermap.xrays.lines import Line

QUICK = Settings(n_resamples=100)


def test_results_cannot_be_changed():
    """What a verdict was based on stays as it was."""
    kinds = [
        kind
        for room in (composition, evidence, gathering, rules)
        for kind in vars(room).values()
        if isinstance(kind, type) and dataclasses.is_dataclass(kind)
    ]
    assert Settings in kinds
    assert len(kinds) > 5
    for kind in kinds:
        assert kind.__dataclass_params__.frozen, kind


# --- Resampling --------------------------------------------------------------------------------
def test_block_weights_are_draws_with_replacement():
    weights = bootstrap_weights(5, 400, 3)
    assert weights.shape == (401, 5)
    assert (weights[0] == 1).all()  # the estimate itself
    assert (weights.sum(axis=1) == 5).all()  # each resample draws as many blocks as there are
    # Every block is drawn once on average, with variance 1 - 1/5: four standard errors of 400.
    assert weights[1:].mean(axis=0) == pytest.approx(np.ones(5), abs=4 * np.sqrt(0.8 / 400))
    assert weights[1:].var() == pytest.approx(0.8, rel=0.15)
    np.testing.assert_array_equal(weights, bootstrap_weights(5, 400, 3))
    assert not np.array_equal(weights, bootstrap_weights(5, 400, 4))


def test_interval_is_widened_by_students_t_and_for_few_blocks():
    """Of 0 to 100 the middle 90 % are 5 to 95; with 5 blocks they are moved out.

    Student's 2.132 over the normal 1.645 times the root of 5/4 is 1.449; 45 x 1.449 = 65.2.
    """
    draws = np.arange(101.0)
    low, high = interval(draws, 50.0, level=0.9, n_blocks=5)
    reach = 45 * 2.131847 / 1.644854 * np.sqrt(5 / 4)
    assert (low, high) == pytest.approx((50 - reach, 50 + reach), rel=1e-6)
    # A centre off the middle is moved about itself.
    low, high = interval(draws, 60.0, level=0.9, n_blocks=5)
    assert (low, high) == pytest.approx((60 - 55 / 45 * reach, 60 + 35 / 45 * reach), rel=1e-6)
    # Four times the variance between blocks: twice the width.
    low, high = interval(draws, 50.0, level=0.9, n_blocks=5, inflation=4.0)
    assert (low, high) == pytest.approx((50 - 2 * reach, 50 + 2 * reach), rel=1e-6)
    many = interval(draws, 50.0, level=0.9, n_blocks=10**6)
    assert many == pytest.approx((5.0, 95.0), abs=1e-3)


def test_one_block_is_treated_as_two():
    """One block has no spread; Student's t of one degree of freedom is 6.314 at 95 %."""
    draws = np.arange(101.0)
    reach = 45 * 6.313752 / 1.644854 * np.sqrt(2.0)
    for blocks in (1, 2):
        low, high = interval(draws, 50.0, level=0.9, n_blocks=blocks)
        assert (low, high) == pytest.approx((50 - reach, 50 + reach), rel=1e-6)


# --- Haze --------------------------------------------------------------------------------------
def test_part_of_the_haze_is_the_least_ratio_of_the_alloy():
    between = np.array([[2.0, 1.0, 9.0], [2.0, 3.0, 9.0]])
    on_metal = np.array([[10.0, 10.0, 10.0], [10.0, 10.0, 10.0]])
    # Zn alone between the deposits would be a film; haze brings both, so a tenth and two tenths.
    assert haze_part(between, on_metal, [0, 1]).tolist() == [0.1, 0.2]
    assert haze_part(between, on_metal, [1]).tolist() == [0.1, 0.3]
    assert haze_part(between, on_metal, []).tolist() == [0.0, 0.0]


def test_part_of_the_haze_lies_between_none_and_all():
    on_metal = np.array([[10.0], [0.0], [-1.0], [10.0], [10.0], [np.nan]])
    between = np.array([[-1.0], [1.0], [1.0], [20.0], [0.5], [1.0]])
    assert haze_part(between, on_metal, [0]).tolist() == [0.0, 0.0, 0.0, 1.0, 0.05, 0.0]


def test_haze_shades_the_glass_and_raises_the_continuum():
    """A haze of 0.2 where metal lets 0.25 of the glass through: 1 - 0.2 x 0.75 = 0.85 is left."""
    shade, raised = under_haze(np.array([0.0, 0.2]), 0.25, 3.0)
    assert shade.tolist() == [1.0, 0.85]
    assert raised.tolist() == [1.0, pytest.approx(1.4)]  # 1 + 0.2 (3 - 1)
    unknown, _ = under_haze(np.array([0.2]), float("nan"), 3.0)
    assert unknown.tolist() == [0.9]  # one half
    deepest, _ = under_haze(np.array([1.0]), 0.0, 3.0)
    assert deepest.tolist() == [0.5]


# --- Zones -------------------------------------------------------------------------------------
def point(size=41):
    metal = np.zeros((size, size), bool)
    metal[size // 2, size // 2] = True
    return metal


@pytest.mark.parametrize(
    ("blur", "rim"),
    [(2.0, 7.0), (1.0, 4.0), (0.5, 2.5), (0.1, 2.5)],  # 3 blurs and a pixel, blur at least 0.5
)
def test_width_of_the_rim(blur, rim):
    far, width = zone_map(point(), blur, np.ones((41, 41), bool))
    assert width == rim
    away = np.hypot(*(np.indices((41, 41)) - 20))
    np.testing.assert_array_equal(far, away > rim)


@pytest.mark.parametrize(("gap", "part"), [(16, 1.0), (10, 1.0), (9, 0.75), (5, 0.5), (4, 0.25)])
def test_a_narrow_gap_keeps_a_fifth_of_its_bare_area(gap, part):
    """Metal on both sides of a gap; blur 1 wishes a rim of 4 px on each side.

    Of a gap of 10 px the two in the middle lie 5 px away: a fifth, just enough. Of 9 px only one
    does; a rim of 3 px leaves three.
    """
    metal = np.ones((8, gap + 20), bool)
    metal[:, 10 : 10 + gap] = False
    far, rim = zone_map(metal, 1.0, np.ones_like(metal))
    assert rim == 4.0 * part
    distance = np.minimum(np.arange(gap) + 1, gap - np.arange(gap))
    np.testing.assert_array_equal(far[0, 10 : 10 + gap], distance > rim)
    assert not far[:, :10].any()


def test_a_gap_of_one_pixel_is_all_bare():
    """At a quarter of 3.0 px and more no pixel of it would be left."""
    metal = np.ones((4, 9), bool)
    metal[:, 4] = False
    far, rim = zone_map(metal, 1.0, np.ones_like(metal))
    assert rim == 0.0
    np.testing.assert_array_equal(far, ~metal)


def test_no_rim_without_metal_or_without_bare_area():
    none, valid = np.zeros((4, 4), bool), np.ones((4, 4), bool)
    valid[0] = False
    far, rim = zone_map(none, 1.0, valid)
    assert rim == 0.0
    np.testing.assert_array_equal(far, valid)
    far, rim = zone_map(~none, 1.0, valid)
    assert rim == 0.0
    assert not far.any()


def test_sums_of_zones_and_blocks_by_hand():
    """Two blocks of 6 x 30 and 6 x 31 px; a droplet left, a streak right; rim 2.5 px."""
    labels = np.zeros((6, 61), np.int32)
    labels[:, 5], labels[:, 50] = 1, 2
    counts = np.stack([np.arange(61.0) * np.ones((6, 1)), np.full((6, 61), 2.0)])
    maps = make_map_set(counts, ["Cu", "Si"])
    sums = zone_sums(maps, labels, block_px=30, n_droplets=1, blur_px=0.5)
    # int(column x 2 / 61): columns 0 to 30 are the first block.
    assert sums.n.tolist() == [[26 * 6, 4 * 6, 6, 0], [25 * 6, 4 * 6, 0, 6]]
    assert sums.s[:, DROPLET, 0].tolist() == [6 * 5.0, 0.0]
    assert sums.s[:, STREAK, 0].tolist() == [0.0, 6 * 50.0]
    assert sums.s[:, RIM, 0].tolist() == [6 * (3 + 4 + 6 + 7), 6 * (48 + 49 + 51 + 52)]
    assert sums.s[:, FAR, 1].tolist() == [2 * 26 * 6, 2 * 25 * 6]
    assert (sums.elements, sums.n_blocks, sums.rim_px) == (("Cu", "Si"), 2, 2.5)
    np.testing.assert_array_equal(sums.noise, sums.s)  # counts: variance equals mean
    n, s = sums.resampled(np.array([[1.0, 1.0], [2.0, 0.0]]))
    assert n.tolist() == [[51 * 6, 8 * 6, 6, 6], [52 * 6, 8 * 6, 12, 0]]
    assert s[:, DROPLET, 1].tolist() == [12.0, 24.0]


def test_blocks_are_counted_by_rows_and_columns():
    counts = np.arange(24.0).reshape(1, 4, 6)
    sums = zone_sums(make_map_set(counts, ["Cu"]), None, block_px=2)
    plane = counts[0]
    expected = [plane[y : y + 2, x : x + 2].sum() for y in (0, 2) for x in (0, 2, 4)]
    assert sums.s[:, FAR, 0].tolist() == expected
    assert sums.n.tolist() == [[4, 0, 0, 0]] * 6
    whole = zone_sums(make_map_set(counts, ["Cu"]), None, block_px=100)
    assert (whole.n_blocks, whole.rim_px) == (1, 0.0)


def test_noise_of_zones_is_carried_or_unknown():
    counts = np.full((1, 4, 4), 3.0)
    given = make_map_set(counts, ["Cu"], variance=np.full((1, 4, 4), 0.5))
    assert zone_sums(given, None, block_px=4).noise[0, FAR].tolist() == [8.0]
    percent = make_map_set(counts, ["Cu"], quantity="mass_percent")
    assert np.isnan(zone_sums(percent, None, block_px=4).noise).all()


def test_fields_join_with_the_wider_rim():
    one = ZoneSums(("Cu",), np.ones((1, 4)), np.ones((1, 4, 1)), np.ones((1, 4, 1)), 2.0)
    two = dataclasses.replace(one, n=2 * one.n, rim_px=3.0)
    assert one.merge(two).rim_px == two.merge(one).rim_px == 3.0
    assert one.merge(two).n.tolist() == [[1] * 4, [2] * 4]


# --- Matrix ------------------------------------------------------------------------------------
def test_the_main_element_has_most_mass_else_most_counts():
    brass = Roles(("Cu", "Zn"), ("Si",))
    counts = {"Cu": 1.0, "Zn": 5.0, "Si": 99.0}
    assert matrix_element(brass, {"Cu": 0.7, "Zn": 0.3}, counts) == "Cu"
    assert matrix_element(brass, {"Cu": 0.3, "Zn": 0.7}, counts) == "Zn"
    assert matrix_element(brass, {"Cu": 0.5, "Zn": 0.5}, counts) == "Zn"
    assert matrix_element(brass, {}, counts) == "Zn"
    assert matrix_element(brass, {}, {"Cu": 1.0}) == "Cu"
    assert matrix_element(brass, {"Zn": 0.1}, {"Cu": 9.0}) == "Zn"  # what is not named holds none


def two_features(copper_on_second, *, bare=0.5, size=10):
    """Two outlined squares; the first holds 4 copper counts a pixel."""
    labels = np.zeros((30, 60), np.int32)
    labels[10 : 10 + size, 5 : 5 + size] = 1
    labels[10 : 10 + size, 35 : 35 + size] = 2
    copper = np.where(labels == 1, 4.0, np.where(labels == 2, copper_on_second, bare))
    return make_map_set(np.stack([copper, np.ones_like(copper)]), ["Cu", "Zn"]), labels


def test_outlined_metal_without_the_matrix_is_taken_out():
    maps, labels = two_features(0.5)
    cleaned = alloy_labels(maps, labels, "Cu")
    np.testing.assert_array_equal(cleaned, np.where(labels == 2, 0, labels))
    assert (labels == 2).any()  # the input is left alone


def test_outlined_metal_with_the_matrix_stays():
    for copper in (2.5, 4.0):
        maps, labels = two_features(copper)
        np.testing.assert_array_equal(alloy_labels(maps, labels, "Cu"), labels)


def test_a_piece_stays_unless_the_odds_are_three_against_it():
    """k ln(level / base) - n (level - base) by hand, the doubtful piece alone in its label.

    Metal 100 px of 4 counts and 9 px of c; bare 1691 px of 0.5. For pieces of 5 px the nine pixels
    are one piece.
    """
    for copper in np.arange(0.5, 3.0, 0.125):
        labels = np.zeros((30, 60), np.int32)
        labels[10:20, 5:15], labels[10:13, 40:43] = 1, 2
        plane = np.where(labels == 1, 4.0, np.where(labels == 2, copper, 0.5))
        maps = make_map_set(np.stack([plane, plane]), ["Cu", "Zn"])
        level = (400 + 9 * copper) / 109
        base = (1691 * 0.5 + 1) / 1691
        odds = 9 * copper * np.log(level / base) - 9 * (level - base)
        kept = (alloy_labels(maps, labels, "Cu") == 2).any()
        # The first round sees the piece among the metal, the next without it.
        later_base = (1691 * 0.5 + 9 * copper + 1) / 1700
        later = 9 * copper * np.log(4.0 / later_base) - 9 * (4.0 - later_base)
        if odds >= -3.0:
            assert kept, copper
        elif later < -3.0:
            assert not kept, copper


def test_what_is_taken_out_becomes_ground():
    """400 px of 4 counts, 100 px of 0.5, and only 20 px of ground, of 0.5 counts as well.

    With the hundred taken out the ground is (10 + 50 + 1) counts on 20 + 100 px, 0.51 a pixel, and
    the hundred stay out: 0.5 ln(4 / 0.51) - (4 - 0.51) is far below nothing.
    """
    labels = np.zeros((20, 26), np.int32)
    labels[:, :20], labels[:, 20:25] = 1, 2
    copper = np.where(labels == 1, 4.0, 0.5)
    maps = make_map_set(np.stack([copper, copper]), ["Cu", "Zn"])
    np.testing.assert_array_equal(alloy_labels(maps, labels, "Cu"), np.where(labels == 1, 1, 0))


def test_nothing_is_taken_out_where_matrix_or_ground_is_missing():
    maps, labels = two_features(4.0, bare=9.0)  # no more on metal than beside it
    np.testing.assert_array_equal(alloy_labels(maps, labels, "Cu"), labels)
    everywhere = np.ones_like(labels)
    np.testing.assert_array_equal(alloy_labels(maps, everywhere, "Cu"), everywhere)
    nowhere = np.zeros_like(labels)
    np.testing.assert_array_equal(alloy_labels(maps, nowhere, "Cu"), nowhere)


def test_only_the_part_of_a_label_without_matrix_is_cut_off():
    """A bar of 40 x 5 px: copper on its left half. Pieces of sqrt(16 / 2) = 2.8, at least 5 px."""
    labels = np.zeros((20, 60), np.int32)
    labels[5:10, 10:50] = 3
    copper = np.where((labels > 0) & (np.arange(60) < 30), 4.0, 0.0)
    maps = make_map_set(np.stack([copper, copper]), ["Cu", "Zn"])
    cleaned = alloy_labels(maps, labels, "Cu")
    np.testing.assert_array_equal(cleaned, np.where(copper > 0, 3, 0))


def test_pieces_are_as_large_as_sixteen_counts_need():
    """0.04 counts a pixel: pieces of 20 px, so a square of 20 px with half the counts is one.

    Expected 16 counts, seen none: odds -16 and less. Cut into 5 px each piece would miss only one
    count and stay.
    """
    labels = np.zeros((60, 120), np.int32)
    labels[20:40, 20:40], labels[20:40, 80:100] = 1, 2
    rng = np.random.default_rng(0)
    copper = np.where(labels == 1, (rng.random(labels.shape) < 0.08), 0.0).astype(float)
    maps = make_map_set(np.stack([copper, copper]), ["Cu", "Zn"])
    cleaned = alloy_labels(maps, labels, "Cu")
    assert not (cleaned == 2).any()
    assert (cleaned == 1).sum() == 400


def test_pixels_that_must_not_be_used_do_not_decide():
    maps, labels = two_features(0.5)
    valid = np.ones(labels.shape, bool)
    valid[labels == 2] = False
    masked = make_map_set(maps["counts"].values, ["Cu", "Zn"], valid=valid)
    # The piece is not judged, because nothing of it may be read.
    assert (alloy_labels(masked, labels, "Cu") == 2).sum() == 100


# --- Squares -----------------------------------------------------------------------------------
def moments_of(values, **more):
    return block_moments(make_map_set(values, ["Cu", "Zn"]), **more)


def test_the_poorest_element_that_is_there_sets_the_square():
    labels = np.zeros((64, 64), np.int32)
    labels[20:40, 20:40] = 1
    both = Roles(("Cu", "Zn"), ())
    values = np.stack([np.full((64, 64), 4.0), np.full((64, 64), 1.0)])
    assert square_side(moments_of(values, noise=values), labels, both, n_droplets=1) == 2
    values[1] = 0.0  # an empty map asks for nothing
    assert square_side(moments_of(values, noise=values), labels, both, n_droplets=1) == 1


def test_the_droplets_mean_diameter_is_weighted_by_area():
    """Discs of 314 and 79 px: 20 and 10 px wide, by area 18; half of it is 9, not 7."""
    labels = np.zeros((256, 256), np.int32)
    labels.ravel()[:314] = 1
    labels.ravel()[1000:1079] = 2
    labels.ravel()[2000:2900] = 3  # a streak, which counts for nothing
    values = np.full((2, 256, 256), 0.001)
    found = square_side(
        moments_of(values, noise=values), labels, Roles(("Cu", "Zn"), ()), n_droplets=2
    )
    area = np.array([314.0, 79.0])
    assert found == int((2 * np.sqrt(area / np.pi) * area).sum() / area.sum() / 2) == 8


def test_a_square_is_never_less_than_a_pixel():
    """Half of a droplet of one pixel, 1.13 px wide, is no whole pixel."""
    labels = np.zeros((64, 64), np.int32)
    labels[5, 5] = 1
    values = np.full((2, 64, 64), 0.01)
    moments = moments_of(values, noise=values)
    assert square_side(moments, labels, Roles(("Cu", "Zn"), ()), n_droplets=1) == 1


def test_squares_all_of_which_hold_a_bad_pixel_are_none():
    valid = np.zeros((8, 8), bool)
    valid[::2] = True
    maps = make_map_set(np.ones((2, 8, 8)), ["Cu", "Zn"], valid=valid)
    assert square_moments(maps, side=4) is None
    assert square_moments(maps, side=1) is None
    assert square_moments(make_map_set(np.ones((1, 8, 8)), ["Cu"]), side=2).s1.sum() == 64


# --- Estimates ---------------------------------------------------------------------------------
def test_width_and_known():
    assert Estimate(0.5, 0.2, 0.9).width == pytest.approx(0.7)
    assert UNKNOWN.width == np.inf
    assert Estimate(0.0, -1.0, 1.0).known
    assert not UNKNOWN.known


def test_bounds_that_are_not_random_enter_as_rectangles():
    """JCGM 100, 4.3.7: half width over the root of 3; 95 % is 1.96 of it, added in quadrature.

    Half widths 0.3 down and 0.4 up from scatter; bounds 0.2 below and 0.1 above.
    """
    found = Estimate(1.0, 0.7, 1.4).within(0.8, 1.1, level=0.95)
    wide = 1.959964 / np.sqrt(3)
    assert found.value == 1.0
    assert found.low == pytest.approx(1 - np.hypot(0.3, 0.2 * wide), rel=1e-6)
    assert found.high == pytest.approx(1 + np.hypot(0.4, 0.1 * wide), rel=1e-6)
    # Bounds on the far side of the value widen nothing.
    same = Estimate(1.0, 0.7, 1.4).within(1.2, 0.9, level=0.95)
    assert (same.low, same.high) == pytest.approx((0.7, 1.4), rel=1e-12)


def test_unknown_values_and_bounds_stay_as_they_are():
    nan = float("nan")
    one = Estimate(1.0, 0.7, 1.4)
    assert one.within(nan, 2.0, level=0.95) is one
    assert one.within(0.0, nan, level=0.95) is one
    assert UNKNOWN.within(0.0, 1.0, level=0.95) is UNKNOWN


def test_standard_errors_by_hand():
    """Resamples 8 and 12 scatter by 2 about 10."""
    draws = np.array([10.0, 8.0, 12.0])
    assert standard_errors(draws, 1.0) == 5.0
    assert standard_errors(draws, 4.0) == 2.5  # never less than counting allows
    assert standard_errors(np.array([10.0, 8.0, 12.0, np.nan]), 1.0) == 5.0
    # No error known: no claim, and no absence either.
    assert math.isnan(standard_errors(np.array([10.0, 3.0, 3.0]), 0.0))
    assert math.isnan(standard_errors(np.array([np.nan, 8.0, 12.0]), 1.0))
    assert standard_errors(np.array([np.inf, 8.0, 12.0]), 1.0) == 0.0


def test_an_estimate_needs_half_its_resamples():
    nan = float("nan")
    good = estimate(np.array([1.0, 0.5, 1.5, nan, nan]), QUICK, 10**6)
    assert not good.known  # two of four numbers are not half of the five rows
    good = estimate(np.array([1.0, 0.5, 1.0, 1.5, nan]), QUICK, 10**6)
    assert good.known
    # The middle 95 % of 0.5, 1.0, 1.5 reach from 0.525 to 1.475.
    assert (good.low, good.high) == pytest.approx((0.525, 1.475), abs=1e-4)
    assert not estimate(np.array([nan, 1.0, 1.0]), QUICK, 9).known
    wide = estimate(np.array([1.0, 0.5, 1.0, 1.5]), QUICK, 10**6, inflation=4.0)
    assert (wide.low, wide.high) == pytest.approx((0.05, 1.95), abs=1e-4)
    # Exactly half of the rows are enough: three of six.
    assert estimate(np.array([1.0, 0.5, 1.0, 1.5, nan, nan]), QUICK, 9).known


def test_partners_are_the_other_alloy_elements():
    roles = Roles(("Cu", "Zn", "Sn"), ("Si",), ("Ti",))
    assert partners_of("Zn", roles) == ("Cu", "Sn")
    assert partners_of("Ti", roles) == ("Cu", "Zn", "Sn")
    assert partners_of("Zn", roles, without=("Sn",)) == ("Cu",)


# --- Shares and bounds of the bare area --------------------------------------------------------
def rows(values):
    """Two equal rows (estimate and one resample) of one value an element."""
    return np.tile(np.asarray(values, dtype=float), (2, 1))


def levels_of(*, dose=1.0, leaks=None, **given):
    """Levels of Cu, Zn, Ti over Si: 100 px of metal, 900 px bare, nothing but what is given."""
    zero = rows([0.0] * 4)
    fields = {
        name: given.get(name, zero)
        for name in (
            "bare", "metal", "droplet_part", "base", "base_low", "base_high", "under", "under_low",
            "under_high", "leak",
        )
    }  # fmt: skip
    return Levels(
        elements=("Cu", "Zn", "Ti", "Si"), n_bare=np.array([900.0, 900.0]),
        n_metal=np.array([100.0, 100.0]), in_droplets=np.ones(2), leaks=leaks or {}, visible=0.5,
        dose=dose, n_blocks=4, glass=("Si",), open_part=given.get("open_part", 0.9), **fields,
    )  # fmt: skip


def test_the_signal_is_divided_by_hand():
    """Zn 6 on metal less 1 of background, 0.5 between less 0.1; Cu 10 and 0.2.

    Metal 500, outside 360; of that the haze of Cu 900 x 0.2 brings half its Zn: 90; 270 are left.
    """
    levels = levels_of(
        metal=rows([11.0, 6.0, 0.0, 0.0]), under=rows([1.0, 1.0, 0.0, 0.0]),
        bare=rows([0.3, 0.5, 0.0, 0.0]), base=rows([0.1, 0.1, 0.0, 0.0]),
    )  # fmt: skip
    split = split_signal(levels, "Zn", ("Cu",))
    assert split.metal[0] == pytest.approx(500)
    assert split.outside[0] == pytest.approx(360)
    assert split.rest[0] == pytest.approx(270)
    assert split.total[0] == pytest.approx(860)
    alone = split_signal(levels, "Zn", ())
    assert alone.rest[0] == pytest.approx(360)  # nothing to go with


def test_less_than_no_haze_and_less_than_no_metal_explain_nothing():
    few = levels_of(metal=rows([10.0, -1.0, 0.0, 0.0]), bare=rows([0.2, 0.5, 0.0, 0.0]))
    assert split_signal(few, "Zn", ("Cu",)).rest[0] == pytest.approx(450)  # Zn under its ground
    dark = levels_of(metal=rows([10.0, 5.0, 0.0, 0.0]), bare=rows([-0.2, 0.5, 0.0, 0.0]))
    assert split_signal(dark, "Zn", ("Cu",)).rest[0] == pytest.approx(450)
    none = levels_of(metal=rows([0.0, 5.0, 0.0, 0.0]), bare=rows([0.2, 0.5, 0.0, 0.0]))
    assert split_signal(none, "Zn", ("Cu",)).rest[0] == pytest.approx(450)  # no copper at all


LINES = {
    "Cu": Line("Cu", "Ka", 8000.0, 9000.0), "Zn": Line("Zn", "Ka", 8600.0, 9700.0),
    "Ti": Line("Ti", "Ka", 4500.0, 5000.0), "Si": Line("Si", "Ka", 1740.0, 1840.0),
}  # fmt: skip
NOTHING_KNOWN = Conditions(dict.fromkeys(LINES), None, {}, {})
KNOWN = Conditions(LINES, 20.0, {"Cu": 0.7, "Zn": 0.3}, {"Si": 1.0})


def test_with_a_blank_its_level_and_the_haze_are_the_most():
    """Zn over Cu on metal 0.5 net, 0.55 with what may be background; haze 0.2; factor 2.5.

    Most: 0.12 + 2.5 x 0.55 x 0.2 = 0.395; least 0.08 + 0.5 / 2.5 x 0.2 = 0.12.
    """
    levels = levels_of(
        metal=rows([11.0, 6.0, 0.0, 0.0]), under=rows([1.0, 1.0, 0.0, 0.0]),
        under_low=rows([1.0, 0.5, 0.0, 0.0]),
        bare=rows([0.3, 0.9, 0.0, 0.0]), base=rows([0.1, 0.1, 0.0, 0.0]),
        base_low=rows([0.09, 0.08, 0.0, 0.0]), base_high=rows([0.11, 0.12, 0.0, 0.0]),
    )  # fmt: skip
    most, least = most_explained(levels, "Zn", ("Cu",), NOTHING_KNOWN, fraction=0.1)
    assert most[0] == pytest.approx(0.395)
    assert least[0] == pytest.approx(0.12)


def test_without_a_blank_what_the_partners_show_is_continuum_or_haze():
    """Cu shows 0.4 between. As continuum Zn's window shows as much, to a factor 2.5: 0.16 to 1.0.

    As haze: Zn over Cu on metal 0.2 times 0.4 and a factor 2.5: 0.032 to 0.2.
    """
    levels = levels_of(
        dose=float("nan"), metal=rows([10.0, 2.0, 0.0, 0.0]), bare=rows([0.4, 0.9, 0.0, 0.0])
    )
    most, least = most_explained(levels, "Zn", ("Cu",), NOTHING_KNOWN, fraction=0.1)
    assert most[0] == pytest.approx(1.0)
    assert least[0] == pytest.approx(0.032)
    # Five times as much Zn as Cu on metal: now the haze is the more, 5 x 0.4 x 2.5.
    rich = levels_of(
        dose=float("nan"), metal=rows([1.0, 5.0, 0.0, 0.0]), bare=rows([0.4, 0.9, 0.0, 0.0])
    )
    most, least = most_explained(rich, "Zn", ("Cu",), NOTHING_KNOWN, fraction=0.1)
    assert most[0] == pytest.approx(5.0)
    assert least[0] == pytest.approx(0.16)


def test_known_lines_narrow_the_bounds():
    """The continuum under Zn against that under Cu, by Kramers; known to a factor 1.3."""
    levels = levels_of(
        dose=float("nan"), metal=rows([10.0, 2.0, 0.0, 0.0]), bare=rows([0.4, 0.9, 0.0, 0.0])
    )
    most, least = most_explained(levels, "Zn", ("Cu",), KNOWN, fraction=0.1)

    def weight(energy):
        return (20000 - energy) / energy * np.sqrt(2.5 * (energy - 5895) + 129**2)

    likeness = weight(8600.0) / weight(8000.0)
    assert most[0] == pytest.approx(likeness * 1.3 * 0.4, rel=1e-9)
    assert least[0] == pytest.approx(
        0.2 / matrix_tolerance(LINES["Zn"], LINES["Cu"], KNOWN) * 0.4, rel=1e-9
    )


def test_a_yardstick_of_noise_explains_anything():
    """Cu 3 on metal whose resamples scatter by 1: three standard errors are no yardstick yet."""
    for copper, explained in ((3.0, True), (3.01, False)):
        metal = np.array([[copper, 2.0, 0, 0], [2.0, 2.0, 0, 0], [4.0, 2.0, 0, 0]])
        zero = np.zeros((3, 4))
        levels = dataclasses.replace(
            levels_of(), metal=metal, bare=zero + 1.0, base=zero, base_low=zero + 0.5,
            base_high=zero, under=zero, under_low=zero, under_high=zero,
            n_bare=np.full(3, 900.0), n_metal=np.full(3, 100.0),
        )  # fmt: skip
        most, least = most_explained(levels, "Zn", ("Cu",), NOTHING_KNOWN, fraction=0.1)
        assert np.isinf(most).all() == explained
        if explained:
            assert least.tolist() == [0.5, 0.5, 0.5]


def test_an_element_without_partners_has_its_blank_alone():
    levels = levels_of(base_low=rows([0.0, 0.08, 0, 0]), base_high=rows([0.0, 0.12, 0, 0]))
    most, least = most_explained(levels, "Zn", (), NOTHING_KNOWN, fraction=0.1)
    assert (most[0], least[0]) == pytest.approx((0.12, 0.08))


def test_films_of_other_elements_raise_the_continuum_and_leak():
    """A titanium film of 2 net counts: a tenth of it by the ratio of the continua, and leaks.

    Partner, glass and the element itself are left out.
    """
    levels = levels_of(
        bare=rows([5.0, 5.0, 2.5, 5.0]), base_high=rows([0.0, 0.0, 0.5, 0.0]),
        base_low=rows([0.0, 0.0, 0.3, 4.0]),
        leaks={"Zn": {"Ti": 0.02, "Si": 0.01}, "Cu": {"Ti": 9.0}},
    )  # fmt: skip

    def weight(energy):
        return (20000 - energy) / energy * np.sqrt(2.5 * (energy - 5895) + 129**2)

    leaked = 0.02 * 2.2 + 0.01 * 1.0
    found = raised_continuum(levels, "Zn", ("Cu",), KNOWN, fraction=0.1)
    assert found.shape == (2,)
    assert found[0] == pytest.approx(0.1 * 2.0 * weight(8600.0) / weight(4500.0) + leaked, rel=1e-9)
    # Without a blank nobody knows what is film: leaks alone.
    without = dataclasses.replace(levels, dose=float("nan"))
    assert raised_continuum(without, "Zn", ("Cu",), KNOWN, fraction=0.1)[0] == pytest.approx(leaked)
    # A beam below the titanium line makes no continuum there, and no film of it.
    low = dataclasses.replace(KNOWN, beam_energy_keV=4.0)
    assert raised_continuum(levels, "Zn", ("Cu",), low, fraction=0.1)[0] == pytest.approx(leaked)


def test_a_map_below_its_ground_raises_nothing():
    levels = levels_of(
        bare=rows([0.0, 0.0, 0.2, 0.0]), base_high=rows([0.0, 0.0, 0.5, 0.0]),
        base_low=rows([0.0, 0.0, 0.4, 0.0]), leaks={"Zn": {"Ti": 0.02}},
    )  # fmt: skip
    assert raised_continuum(levels, "Zn", ("Cu",), KNOWN, fraction=0.1).tolist() == [0.0, 0.0]


def test_what_levels_say_of_themselves():
    assert levels_of().has_blank
    assert not levels_of(dose=float("nan")).has_blank
    assert levels_of(open_part=0.049).shadowed
    assert not levels_of(open_part=0.05).shadowed
    assert not levels_of(open_part=0.049, dose=float("nan")).shadowed  # no blank to scale
    full = dataclasses.replace(levels_of(), n_bare=np.zeros(2))
    assert levels_of().has_metal
    assert not full.has_metal
    assert not dataclasses.replace(levels_of(), n_metal=np.zeros(2)).has_metal


def test_students_numbers_used_above():
    """The two quantiles typed in above, from tables of the t distribution."""
    assert stats.t.ppf(0.95, 4) == pytest.approx(2.131847, abs=1e-6)
    assert stats.t.ppf(0.95, 1) == pytest.approx(6.313752, abs=1e-6)

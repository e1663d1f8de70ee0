"""What is said of a continuity: every number of the summary, every sentence and its condition."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest

from spattermap.core.errors import InputError
from spattermap.core.settings import Settings
from spattermap.measure.conductance import DISC_AREA_THRESHOLD, sheet_conductance
from spattermap.measure.connection import describe, next_step, reasons, solve_blocks
from spattermap.measure.resistivity import implied_resistivity


def told(metal, *, bridging=0.0, measured=None, alloy=None, pixel_size=0.5, **more):
    return describe(
        metal,
        pixel_size=pixel_size,
        settings=Settings(bridging=bridging),
        measured=measured or {},
        alloy=alloy or {},
        **more,
    )


FILM = told(np.ones((8, 10), dtype=bool))


def sheet(direction, ratio, low=None, high=None):
    return replace(
        FILM.x, direction=direction, ratio=ratio, ratio_low=ratio if low is None else low,
        ratio_high=ratio if high is None else high,
    )  # fmt: skip


def with_edges(found, **more):
    return replace(found, edges=replace(found.edges, **more))


APART = with_edges(FILM, crosses_x=False, crosses_y=False, gap_x_px=3.0, gap_y_px=7.5)
APART = replace(
    APART, corners=replace(FILM.corners, crosses_x=False, crosses_y=False),
    x=sheet("x", 0.0), y=sheet("y", 0.0), coverage=0.4, dose_to_connect=2.2,
)  # fmt: skip


def test_summary_by_hand():
    # A wire of two rows through a field of 8 x 10 px of half a micrometre, and a spot of one pixel.
    metal = np.zeros((8, 10), dtype=bool)
    metal[2:4] = True
    metal[6, 5] = True
    summary = told(metal, bridging=1.0).summary()
    coverage = 21 / 80
    expected = {
        "connected_x": True,
        "connected_y": False,
        "connected_x_corners": True,
        "connected_y_corners": False,
        "largest_region_share": 20 / 21,
        "connected_share": 20 / 21,
        "connected_x_bridged": True,
        "connected_y_bridged": True,  # gaps of two pixels: above, between, and below one
        "sheet_conductance_ratio_x": 2 / 8,
        "sheet_conductance_ratio_y": 0.0,
        "gap_to_cross_x_um": 0.0,
        "gap_to_cross_y_um": 1.0,  # two pixels
        "neck_x_um": 0.5,  # good to one pixel: centres in the outermost pixel of metal
        "neck_y_um": 0.0,
        "coverage_above_threshold": coverage - DISC_AREA_THRESHOLD,
        "dose_to_connect": math.log(1 - DISC_AREA_THRESHOLD) / math.log(1 - coverage),
    }
    for name, value in expected.items():
        assert summary[name] == pytest.approx(value, rel=1e-6), name
    # A straight wire is the same under both link rules.
    assert summary["sheet_conductance_ratio_x_low"] == pytest.approx(2 / 8, rel=1e-6)
    assert summary["sheet_conductance_ratio_x_high"] == pytest.approx(2 / 8, rel=1e-6)
    assert summary["sheet_conductance_ratio_y_high"] == 0
    assert summary["half_heat_share"] == pytest.approx(10 / 21, abs=1 / 21)
    found = told(metal)
    assert found.coverage == coverage
    assert found.hashin_shtrikman == pytest.approx((0, coverage / (2 - coverage)))
    assert found.wiener == pytest.approx((0, coverage))
    assert found.bruggeman == 0
    assert found.bridged is None
    with pytest.raises(FrozenInstanceError):
        found.coverage = 1.0


def test_summary_of_a_measured_film():
    measured = {"sheet_resistance_ohm_per_sq": 0.3356, "thickness_nm": 100}
    film = told(np.ones((6, 6), bool), measured=measured, alloy={"Cu": 100.0})
    summary = film.summary()
    assert summary["implied_resistivity_ohm_m"] == pytest.approx(3.356e-8, rel=1e-6)
    assert summary["times_bulk"] == pytest.approx(2, rel=1e-6)
    assert summary["bulk_thickness_nm"] == pytest.approx(50, rel=1e-6)
    assert summary["resistivity_reference"] == "Cu"
    assert summary["dose_to_connect"] == 0  # nothing is missing
    assert film.bruggeman == 1
    # Along x and y unlike: the geometric mean of a quarter and one is held against the value.
    halves = told(
        np.ones((8, 8), bool),
        thickness=np.where(np.arange(8)[:, None] < 4, 1.0, 7.0) * np.ones((8, 8)),
        measured=measured,
        alloy={"Cu": 100.0},
    )
    ratio = math.sqrt(1 * (2 / (4 / 1 + 4 / 7)))
    assert halves.resistivity.times_bulk == pytest.approx(2 * ratio, rel=1e-5)
    with pytest.raises(InputError, match="measured: thickness_nm"):
        told(np.ones((4, 4), bool), measured=measured | {"thickness_nm": 0})


def test_bridging_in_length_units_closes_gaps_of_that_length():
    metal = np.ones((4, 12), dtype=bool)
    metal[:, 5:8] = False  # three pixels of half a micrometre
    assert not told(metal, bridging=1.4).bridged.crosses_x
    assert told(metal, bridging=2.9, pixel_size=1.0).bridged.crosses_x is False
    assert told(metal, bridging=3.0, pixel_size=1.0).bridged.crosses_x is True


@pytest.mark.parametrize(
    ("shape", "largest", "side"),
    [((8, 8), 64, 1), ((8, 8), 63, 2), ((8, 8), 16, 2), ((8, 8), 15, 3), ((9, 10), 10, 3)],
)
def test_large_maps_are_averaged_just_enough(shape, largest, side):
    found = told(np.ones(shape, bool), largest_solved_px=largest)
    assert found.coarsened == side
    assert found.x.current_x.shape == (shape[0] // side, shape[1] // side)
    assert found.x.ratio == found.y.ratio == pytest.approx(1, rel=1e-6)


def test_averaged_blocks_keep_their_thickness():
    # Blocks of 2 x 2: one metal pixel of thickness 4, one of 2, of a mean of 3 on metal: 4/3 and
    # 2/3 in four pixels make 1/2. Every block is alike, so the sheet carries one half.
    metal = np.tile([[True, False], [True, False]], (4, 4))
    thickness = np.tile([[4.0, 99.0], [2.0, 99.0]], (4, 4))
    found = told(metal, thickness=thickness, largest_solved_px=16)
    assert (found.x.ratio, found.y.ratio) == pytest.approx((0.5, 0.5), rel=1e-6)
    assert found.x.current_x == pytest.approx(np.full((4, 4), 0.5), rel=1e-5)
    assert found.y.current_y == pytest.approx(np.full((4, 4), 0.5), rel=1e-5)
    # Two rows of blocks of 1 and 1/3: along x their mean, along y their series.
    mean = np.array([[1.0] * 3, [1 / 3] * 3])
    x, y = solve_blocks(mean)
    assert x.ratio == pytest.approx(2 / 3, rel=1e-6)
    assert y.ratio == pytest.approx(2 / (1 + 3), rel=1e-6)
    for one in (x, y):
        assert (one.ratio_low, one.ratio_high) == pytest.approx((one.ratio,) * 2, rel=1e-6)
    np.testing.assert_allclose(x.current_x, mean, rtol=1e-5)
    np.testing.assert_allclose(y.current_y, 0.5, rtol=1e-5)
    np.testing.assert_allclose([x.current_y, y.current_x], 0, atol=1e-9)
    none = solve_blocks(np.zeros((2, 3)))
    assert (none[0].ratio, none[1].ratio) == (0, 0)


def test_the_window_is_the_smallest_that_holds_what_is_usable():
    metal = np.zeros((7, 9), bool)
    metal[3, 2:8] = True
    valid = np.zeros(metal.shape, bool)
    valid[2:5, 2:8] = True
    valid[2, 2] = False
    thickness = np.full(metal.shape, 50.0)
    thickness[3, 2:8] = [1, 1, 1, 3, 3, 3]
    found = told(metal, valid=valid, thickness=thickness)
    assert found.window == (2, 5, 2, 8)
    assert found.masked_inside == pytest.approx(1 / 18)
    assert found.coverage == pytest.approx(6 / 18)
    assert found.edges.crosses_x
    # Three rows, one of metal; in it thicknesses 1/2 and 3/2 in series: 1 / (1 + 1/3).
    assert found.x.ratio == pytest.approx(0.75 / 3, rel=1e-6)
    assert told(metal).window is None
    assert told(metal).masked_inside == 0


def test_heat_is_that_of_the_direction_that_conducts_better():
    # A wire with a neck along x; nothing crosses in y.
    metal = np.zeros((9, 12), bool)
    metal[2:7] = True
    metal[:, 5:7] = False
    metal[4, 5:7] = True
    found = told(metal)
    x = sheet_conductance(metal, tolerance=1e-6)
    heat = np.sort(x.current_density[metal] ** 2)[::-1]
    needed = 1 + np.flatnonzero(np.cumsum(heat) >= heat.sum() / 2)[0]
    assert found.half_heat_share == pytest.approx(needed / metal.sum())
    assert told(metal.T).half_heat_share == pytest.approx(found.half_heat_share)


def test_crossing_is_told_with_the_largest_share():
    assert (
        "crosses the field in x and in y; the largest connected region holds 100 %"
        in (reasons(FILM, {})[0])
    )
    part = with_edges(FILM, crosses_y=False, gap_y_px=4.0, largest_share=0.626)
    assert reasons(part, {})[0] == (
        "The metal crosses the field in x but not in y; the largest connected region holds "
        "63 % of the metal."
    )
    assert reasons(part, {})[1] == "The widest gap on the easiest way across is 2 µm in y."
    other = with_edges(FILM, crosses_x=False, gap_x_px=1.0)
    assert "in y but not in x" in reasons(other, {})[0]
    assert reasons(other, {})[1].endswith("is 0.5 µm in x.")
    assert "in neither direction" in reasons(APART, {})[0]
    assert reasons(APART, {})[1].endswith("is 1.5 µm in x and 3.75 µm in y.")
    assert reasons(replace(APART, length_unit="px"), {})[1].endswith(
        "1.5 px in x and 3.75 px in y."
    )
    # Where both directions are crossed there is no gap to tell of.
    assert not any("widest gap" in words for words in reasons(FILM, {}))


@pytest.mark.parametrize(
    ("x", "y", "words"),
    [
        (True, False, "With gaps up to 2 µm closed it crosses in x."),
        (False, True, "With gaps up to 2 µm closed it crosses in y."),
        (True, True, "With gaps up to 2 µm closed it crosses in x and y."),
        (False, False, "With gaps up to 2 µm closed it crosses in neither direction."),
    ],
)
def test_what_bridging_would_do_is_told(x, y, words):
    bridged = replace(FILM.edges, crosses_x=x, crosses_y=y)
    assert reasons(replace(APART, bridged=bridged, bridging=2.0), {})[1].endswith(words)


def test_coverage_is_held_against_the_thresholds():
    # 67.6 % of overlapping discs, 59.3 % of single pixels (Quintanilla & Ziff; Jacobsen).
    words = reasons(APART, {})[2]
    assert words == (
        "Coverage is 40.0 %; drops that overlap at random connect at 67.6 %, single pixels at "
        "59.3 %. Random drops would need about 2.2 times as much metal."
    )
    assert "Random drops" not in reasons(FILM, {})[1]
    assert "Random drops" not in reasons(replace(APART, dose_to_connect=1.0), {})[2]
    assert "Random drops" not in reasons(replace(APART, coverage=DISC_AREA_THRESHOLD), {})[2]


def test_conductance_is_told_where_something_conducts():
    half_open = replace(
        APART,
        x=sheet("x", 0.0, 0.0, 0.0),
        y=sheet("y", 0.0, 0.0, 0.25),
        bounds_x=(0.0, 0.0),
        bounds_y=(0.0, 0.25),
    )  # corners that touch leave the upper bound open
    several = reasons(half_open, {})
    assert several[3] == (
        "Along y the map conducts 0 of a full film (between 0 and 0.25 for what pixels and blur "
        "leave open)."
    )
    assert len(several) == 4
    assert not any("heat" in words for words in several)


def test_shape_of_the_current_is_told():
    found = replace(
        FILM, x=sheet("x", 0.5, 0.4, 0.6), y=sheet("y", 0.125), half_heat_share=0.1234,
        hashin_shtrikman=(0.0, 0.75), bounds_x=(0.4, 0.6), bounds_y=(0.1, 0.2),
    )  # fmt: skip
    several = reasons(found, {})
    assert several[2].startswith("Along x the map conducts 0.5 of a full film (between 0.4 and 0.6")
    assert several[4] == "It conducts 4 times better along x than along y."
    # The geometric mean of a half and an eighth is a quarter.
    assert several[5] == (
        "An isotropic film of this coverage could reach 0.75 (upper bound of Hashin and "
        "Shtrikman); this one reaches 0.25."
    )
    assert several[6] == "Half of the heat is set free in 12.3 % of the metal."
    turned = reasons(replace(found, x=found.y, y=found.x), {})
    assert "It conducts 4 times better along y than along x." in turned
    alike = reasons(replace(found, x=sheet("x", 0.5), y=sheet("y", 0.4)), {})
    assert not any("better along" in words for words in alike)  # 1.25 times is no more than that
    told_apart = reasons(replace(found, x=sheet("x", 0.5), y=sheet("y", 0.39)), {})
    assert any("1.28 times better along x" in words for words in told_apart)


def test_what_was_left_out_is_told():
    assert not any("Masked" in words or "blocks of" in words for words in reasons(FILM, {}))
    several = reasons(replace(FILM, masked_inside=0.123, coarsened=3), {})
    assert several[-2].startswith("Masked pixels, 12 % of the field, were counted as bare")
    assert several[-1].startswith("The current was solved on blocks of 3 x 3 pixels")
    assert any("blocks of 2 x 2" in words for words in reasons(replace(FILM, coarsened=2), {}))


OHMS = {"sheet_resistance_ohm_per_sq": 0.3356}


def test_the_measured_resistance_is_told():
    assert not any("measured" in words for words in reasons(FILM, {}))
    against = reasons(APART, OHMS)[-1]
    assert against.startswith("The measured 0.3356 Ω per square was found although this field")

    def of(**more):
        return replace(FILM, resistivity=implied_resistivity(0.3356, ratio=1.0, **more))

    assert reasons(of(), OHMS)[-1] == (
        "The measured 0.3356 Ω per square has no bulk value to be held against: state the "
        "alloy, or its resistivity as bulk_resistivity_ohm_m under [measured]."
    )
    # 1.678e-8 ohm m over 0.3356 ohm is 50 nm.
    assert reasons(of(alloy={"Cu": 1.0}), OHMS)[-1] == (
        "The measured 0.3356 Ω per square is what 50 nm of bulk Cu (1.68 µΩ cm) would show "
        "on this map; the thickness was not given, and the maps do not tell it."
    )
    several = reasons(of(alloy={"Cu": 1.0}, thickness_nm=100), OHMS)
    assert several[-2] == (
        "The measured 0.3356 Ω per square implies 2 times the resistivity of bulk Cu "
        "(1.68 µΩ cm) with the thickness stated, once the gaps of the map are allowed for."
    )
    least = reasons(of(alloy={"Cu": 1.0}, bounds_nm=(100, math.inf)), OHMS)[-1]
    assert least.endswith("a bound of the thickness only, which implies at least 2 times its "
                          "resistivity.")  # fmt: skip
    both = reasons(of(alloy={"Cu": 1.0}, thickness_nm=55, bounds_nm=(45, 65)), OHMS)[-1]
    assert "1.1 times the resistivity of bulk Cu (1.68 µΩ cm) (0.9 to 1.3) with the" in both
    assert both.endswith("It conducts as bulk metal of that thickness would.")
    assert several[-1].startswith("Usual suspects: oxide")
    thin = reasons(of(alloy={"Cu": 1.0}, thickness_nm=49), OHMS)[-1]
    assert "implies 0.98 times" in thin
    assert "Less than bulk cannot be" in thin
    bulk = replace(of(alloy={"Cu": 1.0}, thickness_nm=50).resistivity, times_bulk=1.0)
    exact = reasons(replace(FILM, resistivity=bulk), OHMS)
    assert exact[-1].endswith("allowed for.")  # at bulk nothing is suspected
    found = of(alloy={"Cu": 1.0}, thickness_nm=200, bounds_nm=(180, 220))
    for oxide, said in (
        ("shown", "the cause: oxide, which the maps show in the metal."),
        ("none shown", "Usual suspects: gaps"),
        ("", "Usual suspects: oxide"),
    ):
        implied = replace(found.resistivity, oxide=oxide)
        assert said in reasons(replace(found, resistivity=implied), OHMS)[-1]
    thin = of(alloy={"Cu": 1.0}, thickness_nm=80, bounds_nm=(70, 90))
    assert "as it is 80 nm thick" in reasons(thin, OHMS)[-1]


def test_next_step_without_metal():
    nothing = told(np.zeros((4, 4), bool))
    assert next_step(nothing, {}).startswith("Check that the mapped field lies on the deposit")
    assert nothing.dose_to_connect == math.inf
    assert nothing.summary()["dose_to_connect"] is None


def test_next_step_of_a_field_that_is_not_crossed():
    assert "map it with smaller pixels" in next_step(APART, OHMS)
    for x, y in ((True, False), (False, True)):
        corners = replace(APART.corners, crosses_x=x, crosses_y=y)
        assert "touch at corners only" in next_step(replace(APART, corners=corners), {})
    assert next_step(APART, {}).startswith("Deposit about 2.2 times as much")
    assert next_step(replace(APART, dose_to_connect=1.0), {}).startswith("Map a larger field")
    # One direction crossed is a crossing.
    assert not next_step(with_edges(APART, crosses_x=True), {}).startswith("Deposit")
    assert not next_step(with_edges(APART, crosses_y=True), {}).startswith("Deposit")


def test_next_step_of_a_field_that_is_crossed():
    assert "Measure the sheet resistance" in next_step(FILM, {})
    assert "Measure the thickness" in next_step(FILM, OHMS)
    assert "Map more fields" in next_step(FILM, OHMS | {"thickness_nm": 50})


@pytest.mark.parametrize(
    ("change", "decided"),
    [
        ({"neck_x_px": 3.0, "neck_y_px": 9.0}, False),  # three pixels are no thin neck
        ({"neck_x_px": 2.9, "neck_y_px": 9.0}, True),
        ({"neck_x_px": 9.0, "neck_y_px": 1.0}, True),
        ({"neck_x_px": 0.0, "neck_y_px": 9.0}, False),  # no way across has no neck
        ({"neck_x_px": 0.0, "neck_y_px": 0.0}, False),
    ],
)
def test_thin_necks_ask_for_smaller_pixels(change, decided):
    assert ("half the pixel size" in next_step(with_edges(FILM, **change), {})) == decided


@pytest.mark.parametrize(
    ("low", "high", "decided"), [(0.4, 0.5, False), (0.4, 0.51, True), (0.0, 0.5, False)]
)
def test_wide_brackets_ask_for_smaller_pixels(low, high, decided):
    # A quarter between the bounds is borne; without a lower bound the direction is not crossed.
    for way in ("x", "y"):
        found = replace(FILM, **{way: sheet(way, 0.45, low, high)})
        assert ("half the pixel size" in next_step(found, {})) == decided

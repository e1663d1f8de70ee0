"""The continuity of a deposit in numbers and words; resistivities."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from spattermap.core.errors import InputError
from spattermap.core.settings import Settings
from spattermap.measure.connection import describe
from spattermap.measure.resistivity import PURE_METAL_RESISTIVITY_OHM_M, implied_resistivity

FIXED_KEYS = {
    "connected_x",
    "connected_y",
    "sheet_conductance_ratio_x",
    "sheet_conductance_ratio_y",
}


def told(metal, *, bridging=0.0, measured=None, alloy=None, **more):
    return describe(
        metal,
        pixel_size=0.5,
        settings=Settings(bridging=bridging),
        measured=measured or {},
        alloy=alloy or {},
        **more,
    )


def broken_film():
    """A film parted by a gap of three pixels across x."""
    metal = np.ones((20, 40), dtype=bool)
    metal[:, 18:21] = False
    return metal


@pytest.mark.outside(
    "Resistivity from a measured film of 80/20 nickel-chromium",
    source="maker's data sheet: 1.08 microohm metre at 20 degrees C, so 100 nm is 10.8 ohm per "
    "square",
    known="seen",
    tolerance="1e-12",
)
def test_a_full_nichrome_film():
    found = implied_resistivity(10.8, ratio=1.0, thickness_nm=100, alloy={"Ni": 80, "Cr": 20})
    assert found.resistivity_ohm_m == pytest.approx(1.08e-6, rel=1e-12)
    # Held against the alloy, never against pure nickel, of which it is 16 times.
    assert found.reference == "nichrome 80/20"
    assert found.times_bulk == pytest.approx(1.0, rel=1e-12)


@pytest.mark.outside(
    "Resistivity of pure metals",
    source="CRC Handbook of Chemistry and Physics, near 293 K",
    known="from memory",
    tolerance="0.5 %",
)
@pytest.mark.parametrize(
    ("element", "ohm_m"),
    # 1e-8 ohm m.
    [("Ag", 1.587), ("Cu", 1.678), ("Au", 2.214), ("Al", 2.65), ("W", 5.28), ("Ni", 6.93)],
)
def test_handbook_values(element, ohm_m):
    assert PURE_METAL_RESISTIVITY_OHM_M[element] == pytest.approx(ohm_m * 1e-8, rel=5e-3)


def test_resistivity_of_an_alloy_that_is_stated_or_unknown():
    stated = implied_resistivity(1.0, ratio=1, thickness_nm=100, alloy={"Cu": 50, "Ni": 50},
                                 bulk_ohm_m=5e-8)  # fmt: skip
    assert stated.times_bulk == pytest.approx(2.0)
    unknown = implied_resistivity(1.0, ratio=1, thickness_nm=100, alloy={"Cu": 20, "Ti": 80})
    assert unknown.reference == ""
    assert unknown.resistivity_ohm_m == pytest.approx(1e-7)
    bounded = implied_resistivity(0.1678, ratio=1, thickness_nm=100, bounds_nm=(80, 130),
                                  alloy={"Cu": 99.9})  # fmt: skip
    assert bounded.thickness_from == "maps"
    assert (bounded.times_bulk_low, bounded.times_bulk_high) == pytest.approx((0.8, 1.3))


def test_resistivity_without_a_known_metal():
    found = implied_resistivity(1.0, ratio=1.0, thickness_nm=100, alloy={"C": 100})
    assert found.reference == ""
    assert math.isnan(found.times_bulk)
    assert found.resistivity_ohm_m == pytest.approx(1e-7)


def test_full_film_with_measurement():
    found = told(
        np.ones((30, 30), dtype=bool),
        measured={"sheet_resistance_ohm_per_sq": 0.3356, "thickness_nm": 100},
        alloy={"Cu": 99.9},
    )
    summary = found.summary()
    assert set(summary) >= FIXED_KEYS
    assert summary["connected_x"] is True
    assert summary["sheet_conductance_ratio_x"] == pytest.approx(1)
    assert summary["times_bulk"] == pytest.approx(2)
    assert any("2 times the resistivity of bulk Cu" in reason for reason in found.reasons)
    assert any("oxide" in reason for reason in found.reasons)
    assert "more fields" in found.next_step
    assert json.loads(json.dumps(summary)) == summary


def test_no_metal():
    found = told(np.zeros((6, 7), dtype=bool))
    summary = found.summary()
    assert summary["connected_x"] is False
    assert summary["sheet_conductance_ratio_y"] == 0
    assert summary["gap_to_cross_x_um"] is None
    assert found.reasons == ("No metal was found, so nothing can conduct.",)
    assert found.next_step


def test_a_gap_that_is_bridged_is_still_a_gap():
    found = told(broken_film())
    assert found.summary()["gap_to_cross_x_um"] == 1.5
    assert found.summary()["connected_x"] is False
    assert found.summary()["connected_y"] is True
    assert "connected_x_bridged" not in found.summary()
    closed = told(broken_film(), bridging=1.5).summary()
    assert closed["connected_x_bridged"] is True
    assert closed["connected_x"] is False


def test_conducts_against_the_map():
    found = told(broken_film(), measured={"sheet_resistance_ohm_per_sq": 5.0})
    assert found.resistivity is None
    assert any("does not conduct in both directions" in reason for reason in found.reasons)


@pytest.mark.outside(
    "Dose at which drops at random connect",
    source="threshold of discs 1.12808737 (Quintanilla & Ziff; digits from memory) over -ln(1 - "
    "coverage)",
    known="from memory",
    tolerance="1e-7",
)
def test_dose_of_random_drops():
    metal = np.zeros((10, 10), dtype=bool)
    metal[:5] = True
    assert told(metal).dose_to_connect == pytest.approx(1.12808737 / math.log(2), rel=1e-7)


def test_large_maps_are_averaged_and_say_so():
    rng = np.random.default_rng(1)
    metal = rng.random((60, 60)) < 0.9
    whole = told(metal)
    coarse = told(metal, largest_solved_px=30 * 30)
    assert (whole.coarsened, coarse.coarsened) == (1, 2)
    assert coarse.x.current_density.shape == (30, 30)
    # Averaging closes gaps: never below the lower bound, never above stripes along the current.
    assert whole.x.ratio_low < coarse.x.ratio < whole.wiener[1]
    assert any("blocks of 2 x 2" in reason for reason in coarse.reasons)
    full = told(np.ones((60, 60), dtype=bool), largest_solved_px=30 * 30)
    assert full.x.ratio == pytest.approx(1)


def test_bad_measurement_is_named():
    with pytest.raises(InputError, match="measured: sheet_resistance_ohm_per_sq"):
        told(np.ones((5, 5), dtype=bool), measured={"sheet_resistance_ohm_per_sq": -1})


def test_a_masked_strip_at_the_rim_is_cut_off_and_a_mask_inside_is_told():
    # A wire from top to bottom, above a legend strip of 4 rows that hides nothing of interest.
    metal = np.zeros((20, 12), bool)
    metal[:16, 5:7] = True
    valid = np.ones(metal.shape, bool)
    valid[16:] = False
    choices = {"pixel_size": 1.0, "settings": Settings(), "measured": {}, "alloy": {}}
    whole = describe(metal, **choices)
    assert not whole.edges.crosses_y
    found = describe(metal, valid=valid, **choices)
    assert found.window == (0, 16, 0, 12)
    assert found.edges.crosses_y
    assert found.coverage == pytest.approx(2 / 12)
    assert found.y.ratio == pytest.approx(2 / 12, rel=1e-6)
    assert not any("Masked" in words for words in found.reasons)

    valid[4, 5:7] = False  # a hole in the mask that cuts the wire
    cut = describe(metal, valid=valid, **choices)
    assert not cut.edges.crosses_y
    assert cut.masked_inside == pytest.approx(2 / (16 * 12))
    assert any(words.startswith("Masked pixels, 1 %") for words in cut.reasons)


def test_a_mask_of_another_field_is_refused():
    choices = {"pixel_size": 1.0, "settings": Settings(), "measured": {}, "alloy": {}}
    for mask in (np.ones((3, 4), bool), np.zeros((4, 4), bool)):
        with pytest.raises(InputError, match="valid must have the shape of metal"):
            describe(np.ones((4, 4), bool), valid=mask, **choices)


def test_corners_that_join_in_one_direction_alone_are_told():
    metal = np.zeros((6, 9), bool)
    metal[range(6), range(6)] = True  # from top to bottom over corners, and not across
    assert "touch at corners only" in told(metal).next_step


def test_resistivities_are_those_of_metals():
    # Silver conducts best and manganese worst of the metals listed (handbooks agree).
    table = PURE_METAL_RESISTIVITY_OHM_M
    assert min(table, key=table.get) == "Ag"
    assert max(table, key=table.get) == "Mn"
    assert 1.5e-8 < table["Ag"] < table["Mn"] < 1.5e-6

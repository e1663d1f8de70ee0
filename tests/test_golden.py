"""Golden results, and the main job on the demo deposits against what is true of them.

Work on the house changes no answer unseen (`tests/reference/make_golden.py`). Both stand in one
file so that each deposit is analysed once for both.
"""

import json
import sys
from pathlib import Path

import numpy as np
import pytest

golden = sys.modules["make_golden"]  # loaded by conftest.py
SAMPLES = Path(__file__).parents[1] / "sample_maps"
DEPOSITS = ["brass_burst", "nichrome_burst", "molybdenum_streaks", "bronze_few_counts"]

# Between a processor with AVX2 and the same one without (numpy's baseline, another OpenBLAS kernel,
# numba for a generic processor) labels, words and whole numbers were equal; of the other numbers
# one differed by 3e-7 of itself (the confidence, at few counts), all others by less than 1e-12.
# Two numbers kept to seven digits may differ by 1e-6 of themselves from rounding alone.
RTOL, ATOL = 2e-6, 1e-12
STORED = golden.stored_results()


@pytest.mark.parametrize("name", STORED)
def test_answers_are_those_of_before(name):
    found, digest = golden.results(name)
    lines = golden.differences(STORED[name], found, rtol=RTOL, atol=ATOL)
    told = "\n".join([
        *lines,
        f"labels are {digest} here (no two processors need give the same)",
        "Meant? Then run python tests/reference/make_golden.py, and say so in the commit.",
    ])  # fmt: skip
    assert not lines, told


def test_every_scene_is_stored():
    assert list(STORED) == list(golden.SCENES)


def test_differences_are_seen():
    stored = {"a": {"n": 3, "x": 1.0, "words": ["one", None], "yes": True, "width": 4.5}}

    def lines(**changes):
        return golden.differences(stored, {"a": stored["a"] | changes}, rtol=RTOL, atol=ATOL)

    assert lines(added=1.0, x=1.0 + 1e-6, n=3) == []
    assert lines(x=1.0 + 1e-5) == ["a.x: 1.0 is now 1.00001"]
    assert lines(n=4) == ["a.n: 3 is now 4"]
    assert lines(words=["one", 0.0]) == ["a.words: ['one', None] is now ['one', 0.0]"]
    assert lines(x=None) == ["a.x: 1.0 is now None"]
    moved = {"a": {**stored["a"], "wide": 4.5}}
    del moved["a"]["width"]
    (line,) = golden.differences(stored, moved, rtol=RTOL, atol=ATOL)
    assert line == "a.width: gone (was 4.5; the same as the new ['wide'])"


def analysed(name):
    _, found = golden.analysed(name)  # once for all tests
    return found


def truth_of(name):
    return json.loads((SAMPLES / name / "truth.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", [*DEPOSITS, "blank_plate"])
def test_verdicts_are_those_an_honest_analysis_reaches(name):
    allowed = truth_of(name)["verdicts_allowed"]
    elements = analysed(name).elements
    found = dict(zip(elements["element"], elements["verdict"], strict=True))
    wrong = {e: (word, allowed[e]) for e, word in found.items() if word not in allowed[e]}
    assert wrong == {}


@pytest.mark.parametrize("name", DEPOSITS)
def test_coverage(name):
    truth, found = truth_of(name), analysed(name).summary()
    # The field's own coverage, so the segmentation alone is judged: 3 % where counts are many.
    tolerance = 0.08 if name == "bronze_few_counts" else 0.03
    assert found["coverage"] == pytest.approx(truth["coverage"], rel=tolerance)
    assert found["coverage_low"] < truth["coverage"] < found["coverage_high"]


@pytest.mark.parametrize("name", ["brass_burst", "molybdenum_streaks", "bronze_few_counts"])
def test_sizes(name):
    truth, found = truth_of(name), analysed(name).summary()
    few = name == "bronze_few_counts"  # of 27 droplets none bounds D10 or D90
    for size in ("d50_um",) if few else ("d10_um", "d50_um", "d90_um"):
        assert found[f"{size}_low"] < truth[size] < found[f"{size}_high"], size
    assert (found["d10_um_low"] is None) == (found["d90_um_high"] is None) == few


def test_brass_shares_and_count():
    truth, found = truth_of("brass_burst"), analysed("brass_burst")
    assert len(found.streaks) == 0
    # Droplets set against each other may be read as one; a fifth at most.
    assert 0.8 < found.summary()["droplet_count"] / truth["droplet_count"] < 1.05
    rows = found.elements.set_index("element")
    for element in ("Cu", "Zn"):
        share = truth["elements"][element]["share_in_droplets"]
        row = rows.loc[element]
        assert row["share_in_droplets_low"] - 0.03 < share < row["share_in_droplets_high"] + 0.03


def test_nichrome_conducts_and_brass_does_not():
    film, drops = analysed("nichrome_burst").summary(), analysed("brass_burst").summary()
    assert film["connected_x"]
    assert film["connected_y"]
    assert not drops["connected_x"]
    assert not drops["connected_y"]
    # Resistor network on the true outlines at pixel pitch: 0.176 and 0.255 of a full film.
    assert film["sheet_conductance_ratio_x"] == pytest.approx(0.176, rel=0.25)
    assert film["sheet_conductance_ratio_y"] == pytest.approx(0.255, rel=0.25)


def test_blank_plate_is_bare():
    found = analysed("blank_plate").summary()
    assert (found["droplet_count"], found["coverage"]) == (0, 0.0)


@pytest.mark.parametrize("name", DEPOSITS)
def test_correlations_are_those_of_the_material(name):
    # Truth: the correlation of the noise-free maps. The plain one of the counts is far from it.
    truth, pairs = truth_of(name)["r"], analysed(name).pairs
    for row in pairs.itertuples():
        wanted = truth[row.element_a][row.element_b]
        assert row.r_low - 0.01 <= wanted <= row.r_high + 0.01, (row.element_a, row.element_b)
        assert abs(row.r_plain) < 0.8 * abs(wanted)


@pytest.mark.parametrize("name", ["brass_burst", "molybdenum_streaks"])
def test_metal_signal_in_features_and_in_haze(name):
    truth, found = truth_of(name), analysed(name).summary()
    features = found["share_droplets"] + found["share_streaks"]
    assert features == pytest.approx(truth["share_droplets"] + truth["share_streaks"], abs=0.05)
    assert found["share_haze"] == pytest.approx(truth["share_haze"], abs=0.05)


def test_oxide_is_shown_where_metal_hides_the_glass():
    elements = analysed("molybdenum_streaks").elements.set_index("element")
    said = elements.loc["O", "reasons"]
    assert truth_of("molybdenum_streaks")["droplets"][0]["mass_percent"]["O"] == pytest.approx(30)
    assert "In droplets at least" in said
    assert "oxide is likely there" in said
    # Copper droplets without oxygen under the same beam must not be given any.
    brass = analysed("brass_burst").elements.set_index("element")
    assert "oxide is likely" not in brass.loc["O", "reasons"]


def test_molybdenum_streaks_and_their_direction():
    truth, found = truth_of("molybdenum_streaks"), analysed("molybdenum_streaks")
    assert abs(len(found.streaks) - truth["streak_count"]) <= 4
    directed = found.streaks[found.streaks["directed"]]
    assert len(directed) >= 0.8 * truth["streak_count"]

    def mean_direction(angles):
        return np.degrees(np.angle(np.exp(1j * np.radians(angles)).mean()))

    wanted = mean_direction([row["angle_deg"] for row in truth["streaks"]])
    assert mean_direction(directed["angle_deg"]) == pytest.approx(wanted, abs=3.0)


def test_molybdenum_signal_in_droplets_streaks_and_haze():
    truth, found = truth_of("molybdenum_streaks"), analysed("molybdenum_streaks").summary()
    for part in ("share_droplets", "share_streaks", "share_haze"):
        assert found[part] == pytest.approx(truth[part], abs=0.06), part


def test_haze_between_the_regions_does_not_pass_for_their_background():
    haze = analysed("molybdenum_streaks").weighed.field.haze
    # Made at 40 nm, 30 % of its mass oxygen. Taken for continuum, the haze left thick metal no
    # signal of its own, and it read 244 nm.
    assert 28 < haze.nm[0] < 44

"""The examination: each test on fields spoiled for it, mends, what is withheld, sound fields."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile

import spattermap
from spattermap.core.errors import InputError
from spattermap.core.mapset import facts, make_map_set
from spattermap.core.orientations import ORIENTATIONS
from spattermap.core.settings import Settings
from spattermap.examine import Finding, examine, withheld_verdicts
from spattermap.examine.dose import Profile
from spattermap.examine.finding import Withheld
from spattermap.synthesis import make_blank, make_deposit


def beside(name):
    """Load a module that stands beside the tests, or its benchmarks, which are no package."""
    if name not in sys.modules:
        path = Path(__file__).with_name(f"{name}.py")
        path = path if path.exists() else path.parent / "benchmarks" / path.name
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


model, spoiling = beside("second_model"), beside("spoiling")
SPOILED = {f"{name}, {strength}": spoil for name, strength, spoil in spoiling.SPOILED}
DESIGN = {"alloy": "brass", "absent": ("Co",), "dose": 5.0, "coverage": 0.25, "size": 192}


@pytest.fixture(scope="module")
def made():
    return model.made_field(3, **DESIGN), model.made_field(5003, **DESIGN)


def spoiled(made, name):
    maps, blank = SPOILED[name](*made, np.random.default_rng(9))
    return examine(maps, blank=blank)


def alarms(found):
    return {(one.check, one.subject) for one in found.alarms}


# What a spoiling must raise, by test and subject.
WANTED = (
    ("turned 90, minor metal", "orientation and place", "Zn"),
    ("turned 180, minor metal", "orientation and place", "Zn"),
    ("mirrored x, minor metal", "orientation and place", "Zn"),
    ("transposed, minor metal", "orientation and place", "Zn"),
    ("turned 180, glass line", "orientation and place", "Si"),
    ("shifted, 3 px", "orientation and place", "Zn"),
    ("restarted, 1/3 of the rows", "orientation and place", "Zn"),
    ("seam, half of another field", "seams", "Zn"),
    ("another field, minor metal", "shadow on the glass", "Zn"),
    ("another field, glass line", "glass under metal", "Si"),
    ("dead columns, three, all maps", "lost parts", "all"),
    ("dead columns, eight, one map", "lost parts of one map", "Zn"),
    ("dead rectangle, 16 x 16, all maps", "lost parts", "all"),
    ("stuck rows, three, all maps", "repeated lines", "all"),
    ("stopped early, at half", "lost parts", "all"),
    ("caption, all maps", "lost parts", "all"),
    ("hot pixels, 5 in 10 000", "hot pixels", "Zn"),
    ("black level, +2, one map", "values that counts have", "Zn"),
    ("percent, decimals", "sum of all maps", "all"),
    ("dwell, ten times, one map", "composition of the metal", "Zn"),
    ("labels, minor and glass", "names of the maps", "all"),
    ("copy, main to minor", "copy of another map", "Zn"),
    ("line, beam too weak", "lines and beam", "Zn"),
    ("pixel size, x 1000", "pixel size", "all"),
    ("saturated, top 15 %, main", "values that counts have", "Cu"),
    ("stretched, pictures", "stretched for display", "all"),
    ("dose step, to 50 %", "dose", "all"),
    ("dose drift, to 30 %", "dose", "all"),
    ("flicker, three rows x 2", "odd lines", "all"),
    ("doubled, pixels repeated", "repeated pixels", "all"),
    ("thresholded, ones dropped", "values that counts have", "Zn"),
    ("empty, one map zero", "empty map", "Zn"),
    ("black level, -1, all maps", "scatter of counts", "Zn"),
    ("labels, minor and absent", "names and strangers", "Co"),
    ("labels, glass and absent", "names and strangers", "Co"),
    ("leak, 30 % of glass in minor", "excess over the blank", "Zn"),
    ("ghost, all of the field before, one map", "shadow on the glass", "Zn"),
    ("ghost, 30 % of the field before, one map", "shadow on the glass", "Zn"),
    ("two maps, metals of another field", "glass under the deposit", "all"),
    ("two maps, metals turned by 180", "glass under the deposit", "all"),
    ("rows evened, all maps", "sums of lines", "Si"),
    ("local background, 20 px, whole numbers", "counts of the blank", "blank"),
    ("overlap, taken off twice, minor", "maps taken off one another", "Zn"),
    ("line jitter, 2 px, all maps", "rows displaced", "all"),
    ("vibration, 3 px, all maps", "rows displaced", "all"),
    ("frames, moved by 6 px half-way, all maps", "structure twice", "all"),
    ("blank, at 15 keV, not said", "dose of the blank", "blank"),
    ("shuffled, one map", "scatter of counts", "Zn"),
    ("labels, minor and absent", "names and strangers", "Co"),
    ("magnification, x 1.25, glass line", "glass under metal", "Si"),
    ("comb, all maps 5 px", "rows displaced", "all"),
    ("interlaced, all maps", "field twice", "all"),
    ("tiled, a quarter four times", "field twice", "all"),
    ("blank, another deposit", "metal on the blank", "blank"),
    ("blank, the field itself", "blank and field", "blank"),
)


@pytest.mark.parametrize(("name", "check", "subject"), WANTED)
def test_a_spoiled_field_raises_its_alarm(made, name, check, subject):
    assert (check, subject) in alarms(spoiled(made, name))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("form", ["droplets", "streaks", "film", "single", "bare"])
def test_a_sound_field_raises_none(seed, form):
    field = model.made_field(
        seed, form=form, size=128, alloy=list(model.ALLOYS)[seed], coverage=0.3,
        dose=(0.2, 1.0, 3.0, 8.0, 25.0, 2.0)[seed], gradient=(0.0, 0.8)[seed % 2],
        absent=("Al", "Co"), haze_nm=(0.0, 10.0, 30.0)[seed % 3],
    )  # fmt: skip
    assert examine(field.maps, blank=field.blank).alarms == ()


@pytest.mark.parametrize(("columns", "everywhere"), [(12, True), (4, False)])
def test_the_border_of_a_grain_is_no_step_of_the_dose(columns, everywhere):
    """Twelve blocks a row; a dose halves all of them at row 96, another material a third."""
    rng = np.random.default_rng(8)
    blocks = 1 + 0.02 * rng.standard_normal((12, 12))
    blocks[6:, :columns] *= 0.5
    profile = Profile(np.repeat(blocks.mean(axis=1), 16), blocks)
    assert profile.step()[1] == 96
    assert profile.is_everywhere(96) is everywhere
    assert profile.is_everywhere(None) is everywhere


def test_values_bent_from_counts_give_no_coverage(made):
    bent, straight = (spoiled(made, name) for name in ("curve, square root", "not counts, x 3"))
    assert bent.withheld.coverage is not None
    assert straight.withheld.coverage is None


def test_few_pixels_that_own_a_map_are_told_and_no_alarm():
    rng = np.random.default_rng(6)
    counts = rng.poisson(5.0, (2, 96, 96))
    counts[0, 40:44, 50:55] = 900  # 20 of 9216 pixels
    maps = make_map_set(counts, ["Cu", "Zn"])
    row = examine(maps).table.set_index(["check", "subject"]).loc[("few pixels", "Cu")]
    assert row["finding"] == "sound"
    assert row["value"] > 0.9


@pytest.mark.parametrize("seconds", [30, 6, 1])
def test_a_field_of_real_pixels_raises_none(seconds):
    field = model.real_field(seconds, seconds=seconds)
    assert examine(field.maps, blank=field.blank).alarms == ()


def test_a_shift_is_moved_back(made):
    maps, _ = SPOILED["shifted, 6 px"](*made, np.random.default_rng(9))
    found = examine(maps).maps
    used = found["valid"].values
    truth = made[0].maps["counts"].sel(element="Zn").values
    assert np.array_equal(found["counts"].sel(element="Zn").values[used], truth[used])
    assert used.mean() > 0.9


def test_a_raised_black_level_is_taken_off(made):
    maps, _ = SPOILED["black level, +10, one map"](*made, np.random.default_rng(9))
    assert np.array_equal(examine(maps).maps["counts"], made[0].maps["counts"])


def test_an_uneven_dose_is_thinned_to_poisson_counts_of_one_dose():
    rng = np.random.default_rng(4)
    means = np.full((3, 128, 128), 4.0) * np.where(np.arange(128) < 50, 1.0, 0.6)[:, None]
    maps = make_map_set(rng.poisson(means), ["Cu", "Zn", "Si"], alloy={"Cu": 70.0, "Zn": 30.0})
    even = examine(maps).maps["counts"].values
    above, below = even[:, :50], even[:, 50:]
    assert above.mean() / below.mean() == pytest.approx(1.0, abs=0.03)
    assert above.var() / above.mean() == pytest.approx(1.0, abs=0.05)


def test_what_is_lost_is_masked_and_nothing_else(made):
    maps, _ = SPOILED["dead rectangle, 40 x 40, all maps"](*made, np.random.default_rng(9))
    lost = ~examine(maps).maps["valid"].values
    assert lost[60:100, 150:190].all()
    assert lost.sum() == 1600


def test_the_maps_given_are_not_changed(made):
    maps, _ = SPOILED["dose step, to 50 %"](*made, np.random.default_rng(9))
    before = maps.copy(deep=True)
    examine(maps)
    assert maps.identical(before)


def test_the_same_maps_give_the_same_table(made):
    maps, _ = SPOILED["dose drift, to 30 %"](*made, np.random.default_rng(9))
    one, two = examine(maps), examine(maps)
    assert one.table.equals(two.table)
    assert one.maps.identical(two.maps)


def test_without_the_main_metal_no_word_is_drawn_against_a_minor_one():
    """Where the main metal's map is left out, the words on the other metals are taken back."""
    words = {"Ag": "with_alloy", "Zn": "partly_separated", "Si": "substrate", "Ti": "not_detected"}
    roles = {"Ag": "alloy", "Zn": "alloy", "Si": "substrate", "Ti": "other"}
    table = pd.DataFrame(
        [
            {"element": e, "role": roles[e], "verdict": words[e], "reasons": "", "next_step": ""}
            for e in words
        ]
    )
    gone = [{"element": "Cu", "line": "Cu Ka", "role": "alloy", "mean_counts": 1.0}]
    held = Withheld(verdicts={"Cu": ("a map of another field", "map it anew")})
    for main, kept in (("Cu", False), ("Ag", True)):
        found = withheld_verdicts(
            table, held, missing=gone, order=["Cu", *words], main=main
        ).set_index("element")
        assert (found["verdict"]["Ag"] == "with_alloy") is kept
        assert (found["verdict"]["Zn"] == "partly_separated") is kept
        assert found["verdict"][["Si", "Ti", "Cu"]].tolist() == [
            "substrate", "not_detected", "undecided"
        ]  # fmt: skip
    assert (
        "main metal"
        in withheld_verdicts(table, held, missing=gone, order=["Cu", *words], main="Cu")[
            "reasons"
        ].str.cat()
    )


def test_every_map_at_fault_withholds_everything():
    rng = np.random.default_rng(1)
    counts = np.zeros((2, 64, 64), int)
    counts[1] = rng.poisson(3.0, (64, 64))
    found = examine(make_map_set(counts, ["Cu", "Si"], alloy={"Cu": 99.0}, substrate=["Si"]))
    assert found.dropped == ()
    assert found.withheld.coverage
    assert found.withheld.of("verdict", "Cu")


def test_columns_of_the_table_are_those_of_the_contract():
    found = examine(make_map_set(np.ones((1, 8, 8)), ["Cu"]))
    assert list(found.table.columns) == [
        "check", "subject", "finding", "value", "limit", "consequence", "next_step",
    ]  # fmt: skip
    assert set(found.table["finding"]) <= {"sound", "doubtful", "faulty", "not_examined"}


@pytest.mark.parametrize("how", list(ORIENTATIONS))
def test_the_sidecar_undoes_what_the_examination_names(made, how, tmp_path):
    maps = made[0].maps
    place = list(maps["element"].values).index("Zn")
    # The four that are their own inverse, and the pair of quarter turns.
    back = {"turn 90": "turn 270", "turn 270": "turn 90"}.get(how, how)
    counts = maps["counts"].values.copy()
    counts[place] = ORIENTATIONS[back][1](counts[place])
    (alarm,) = examine(spoiling.with_counts(maps, counts)).alarms
    assert alarm.subject == "Zn"
    assert f'Zn = "{how}"' in alarm.next_step
    for k, element in enumerate(maps["element"].values):
        tifffile.imwrite(tmp_path / f"{element}_Ka.tif", counts[k])
    (tmp_path / "mapset.toml").write_text(f'[orientation]\nZn = "{how}"\n', encoding="utf-8")
    read = spattermap.load(tmp_path)
    assert np.array_equal(read["counts"].sel(element="Zn"), maps["counts"].sel(element="Zn"))
    assert any("orientation changed" in note for note in facts(read).source["notes"])


@pytest.mark.parametrize(
    ("text", "said"),
    [('Zn = "upside down"', "turn 180"), ('Cu = "turn 180"\nPb = "turn 90"', "orientation")],
)
def test_an_orientation_that_cannot_be_is_refused(text, said, tmp_path):
    for element in ("Cu", "Zn"):
        tifffile.imwrite(tmp_path / f"{element}_Ka.tif", np.ones((4, 6), np.uint16))
    (tmp_path / "mapset.toml").write_text(f"[orientation]\n{text}\n", encoding="utf-8")
    with pytest.raises(InputError, match=said):
        spattermap.load(tmp_path)


def test_a_map_that_is_not_square_cannot_be_put_on_its_side(tmp_path):
    tifffile.imwrite(tmp_path / "Cu_Ka.tif", np.ones((4, 6), np.uint16))
    (tmp_path / "mapset.toml").write_text('[orientation]\nCu = "turn 90"\n', encoding="utf-8")
    with pytest.raises(InputError, match="Only square maps"):
        spattermap.load(tmp_path)


def test_a_field_too_large_to_mend_withholds_instead(made):
    maps, _ = SPOILED["dose step, to 50 %"](*made, np.random.default_rng(9))
    found = examine(maps, mend=False)
    assert ("dose", "all") in alarms(found)
    assert found.maps is maps
    assert found.withheld.coverage


def test_words_that_rest_on_a_fault_are_taken_back(made):
    maps, blank = SPOILED["another field, minor metal"](*made, np.random.default_rng(9))
    analysis = spattermap.analyse(maps, blank=blank, settings=Settings(n_resamples=100))
    table = analysis.elements.set_index("element")
    assert list(table.index) == [str(e) for e in maps["element"].values]
    assert table.loc["Zn", "verdict"] == "undecided"
    assert "shadow" in table.loc["Zn", "reasons"]
    assert table.loc["Cu", "verdict"] == "with_alloy"
    assert analysis.summary()["examination"]["doubtful"] == 1
    assert "Zn" not in analysis.maps["element"].values
    assert analysis.droplets["Zn_counts"].isna().all()


def test_a_blank_counted_for_longer_is_scaled_and_no_alarm(made):
    found = spoiled(made, "blank dose, x 3")
    assert found.alarms == ()
    row = found.table.set_index("check").loc["dose of the blank"]
    assert row["value"] == pytest.approx(3.0, abs=0.2)
    assert "scaled" in row["consequence"]


def test_maps_that_do_not_part_metal_from_glass_give_no_coverage():
    """Roles assumed from names alone: neither a word nor a number rests on them."""
    counts = np.random.default_rng(4).poisson(3.0, (3, 96, 96))
    found = spattermap.analyse(make_map_set(counts, ["Fe", "Ti", "Si"]))
    assert found.roles.one_sided
    assert found.examination.withheld.coverage
    assert found.summary()["coverage"] is None
    claims = found.elements.set_index("element")["verdict"].drop("Si")
    assert set(claims) == {"undecided"}


@pytest.mark.parametrize(("name", "told"), [
    ("enlarged, x 2 cubic", False), ("enlarged, x 2 linear, decimals", False),
    ("not counts, x 220 rounded", True),
])  # fmt: skip
def test_interpolated_maps_give_no_coverage(made, name, told):
    """Interpolated noise is no noise to tell signal from; a gain leaves it as it was."""
    assert (spoiled(made, name).withheld.coverage is None) is told


def test_a_faint_copy_of_the_metal_is_neither_alloy_nor_foreign(made):
    """A part of the metal's counts in the window of an element that is not there."""
    for name in ("leak, 5 % of main in the absent", "leak, 30 % of main in the absent"):
        maps, blank = SPOILED[name](*made, np.random.default_rng(9))
        found = spattermap.analyse(maps, blank=blank, settings=Settings(n_resamples=200))
        row = found.elements.set_index("element").loc["Co"]
        assert (row["verdict"], row["rule"]) == ("undecided", "the metal over again")


@pytest.mark.parametrize(
    ("finding", "value", "limit", "said"),
    [
        ("sound", 2.0, 9.0, "at most 9.00"),
        ("sound", 0.99, 0.5, "at least 0.500"),
        ("faulty", 12.0, 9.0, "at most 9.00"),
        ("doubtful", 0.1, 0.5, "at least 0.500"),
        ("not_examined", 0.0, 4.0, "4.00"),
        ("sound", float("nan"), 4.0, "–"),
    ],
)
def test_the_page_says_on_which_side_of_its_limit_a_value_may_lie(finding, value, limit, said):
    from spattermap.show.examined import _allowed

    assert _allowed(Finding("a test", finding=finding, value=value, limit=limit)) == said


def test_a_blank_of_a_weaker_beam_is_left_out():
    """Its continuum ends near the lines of the metal; counted for less time it does not."""
    field, other = (
        model.made_field(seed, alloy="tin bronze", absent=("Ti",), dose=10.0, size=128)
        for seed in (3, 5003)
    )
    for name, told in (("blank, at 10 keV, not said", True), ("blank dose, x 0.3", False)):
        maps, blank = SPOILED[name](field, other, np.random.default_rng(9))
        found = examine(maps, blank=blank)
        assert (("continuum of the blank", "blank") in alarms(found)) is told
        assert (found.blank is None) is told


@pytest.fixture(scope="module")
def wide():
    return tuple(
        model.made_field(
            seed, alloy="silver solder", absent=("Fe",), dose=1.5, coverage=0.15, glass="window"
        )
        for seed in (12, 5012)
    )


@pytest.mark.parametrize(
    ("name", "check", "subject"),
    [
        ("magnification, x 1.05, one map", "place along the field", "Ag"),
        ("sheared, 6 px either way, one map", "place along the field", "Ag"),
        ("rows skipped, every 16th, one map", "place along the field", "Ag"),
        # The peak of an echo is as wide as the wavenumbers that show it leave it.
        ("frames, moved by 6 px half-way, all maps", "structure twice", "all"),
        # A main metal without structure doubts the names.
        ("labels, all moved by one", "composition of the metal", "Cu"),
    ],
)
def test_a_wide_field_of_few_counts_raises_its_alarm(wide, name, check, subject):
    assert (check, subject) in alarms(spoiled(wide, name))


def test_one_large_droplet_is_no_stretched_map():
    """Copper shows its edge elsewhere than zinc does: that is its shape, not the map's."""
    field = model.made_field(
        8397, alloy="brass", form="single", coverage=0.38, radius=3.8, dose=6.6, gradient=1.0,
        background=0.017, blur=1.86,
    )  # fmt: skip
    assert examine(field.maps).alarms == ()


def test_scenes_of_the_verdict_bench_that_once_raised_alarms_raise_none():
    """A patchy film, soft lines under a film, a film beside its metal, a gap between droplets."""
    bench = beside("verdict_calibration")
    for seed in (729, 815, 3014, 3031, 3038):
        one = bench.draw(seed)
        maps = make_deposit(one.spec, seed=seed).maps
        plate = make_blank(one.spec, seed=seed + 10**6).maps if one.blank else None
        assert examine(maps, blank=plate).alarms == ()


def test_thin_films_dim_the_glass_more_than_the_thick_metal_does():
    """A genuine film between the deposits raises no alarm; the ghost of another field does."""
    field = model.made_field(
        3, alloy="silver solder", dose=4.0, coverage=0.2, apart=("Ag", "patches", 0.5), size=192
    )
    assert ("shadow on the glass", "Ag") not in alarms(examine(field.maps, blank=field.blank))


def test_a_blank_that_is_no_counts_is_left_out_and_the_field_is_not(made):
    maps, blank = SPOILED["blank, smoothed"](*made, np.random.default_rng(9))
    found = examine(maps, blank=blank)
    assert alarms(found) == {("counts of the blank", "blank")}
    assert found.blank is None

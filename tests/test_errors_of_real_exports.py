"""What real exports did that clean ones do not: each error seen once, and how it must end."""

import math
import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import tifffile

import spattermap
from spattermap.core.errors import InputError, SpattermapWarning
from spattermap.core.estimate import Estimate, length
from spattermap.core.mapset import facts, make_map_set
from spattermap.core.settings import Settings
from spattermap.core.sidecar import read_sidecar
from spattermap.loaders import names
from spattermap.noise.noise_models import (
    as_believed,
    flat_dispersions,
    missing_value,
    noise_model,
    without_gain,
)
from spattermap.segment.streaks import Shape, _long_enough
from spattermap.sweeps.sweep_tables import _kept
from spattermap.verdict.evidence import ElementEvidence, standard_errors
from spattermap.verdict.physics import unknown_lines
from spattermap.verdict.rules import decide
from spattermap.xrays import lines_touch

RNG = np.random.default_rng(7)
# Zinc of brass that lies in the droplets and moves with the copper.
KEPT = ElementEvidence(
    element="Zn", role="alloy", mean=1.0, detection_limit=0.01, z_metal=30.0, z_metal_best=40.0,
    z_rest=0.0, z_rest_best=0.0, rest=Estimate(0.02, 0.0, 0.04), rest_most=0.1,
    in_droplets=Estimate(0.95, 0.93, 0.97), with_alloy=Estimate(0.98, 0.96, 1.0), per_metal=5.0,
    per_bare=0.0, of_partner=0.4, partners=("Cu",), blank=True, patterned=False,
    together=Estimate(0.95, 0.93, 0.97),
)  # fmt: skip


def evidence(**changes):
    return replace(KEPT, **changes)


def span(value, low, high):
    return Estimate(value, low, high)


PLANE = RNG.poisson(3.0, (64, 64)).astype(np.uint16)


# --- numbers that are no numbers --------------------------------------------------------------
@pytest.mark.parametrize("name", ["z_metal", "z_metal_best", "z_rest", "z_rest_best"])
@pytest.mark.parametrize("role", ["alloy", "other"])
def test_what_is_not_a_number_never_ends_in_a_claim_or_in_absence(name, role):
    weak = {"z_metal": 0.0, "z_metal_best": 0.5, "z_rest": 0.0, "z_rest_best": 0.0}
    found = decide(evidence(role=role, **{**weak, name: math.nan}))
    assert (found.name, found.verdict) == ("evidence missing", "undecided")


@pytest.mark.parametrize("role", ["alloy", "other"])
def test_not_detected_never_stands_above_its_limit(role):
    nothing = {"z_metal": 0.0, "z_metal_best": 0.5, "z_rest": 0.0, "z_rest_best": 0.0}
    assert decide(evidence(role=role, **nothing)).verdict == "not_detected"
    above = decide(evidence(role=role, **nothing, net=0.2, detection_limit=0.1))
    assert above.verdict == "undecided"


def test_an_error_of_nothing_is_no_significance():
    assert math.isnan(standard_errors(np.array([2.0, 2.0, 2.0]), 0.0))
    assert standard_errors(np.array([0.0, 0.0, 0.0]), 0.0) == 0.0


def test_a_net_map_below_nothing_is_not_called_empty():
    weak = {"z_metal": 4.0, "z_metal_best": 5.0, "together": span(0.9, 0.8, 0.95)}
    assert decide(evidence(mean=-0.1, **weak)).name != "no counts"
    assert decide(evidence(mean=0.0)).name == "no counts"


# --- whole numbers that are no counts ---------------------------------------------------------
def field(gain=1.0, shape=(96, 96)):
    """Two maps with a disc of metal, as Poisson counts."""
    y, x = np.indices(shape)
    disc = (y - 48) ** 2 + (x - 48) ** 2 < 20**2
    mean = np.stack([np.where(disc, 4.0, 0.5), np.where(disc, 1.0, 6.0)])
    return np.random.default_rng(3).poisson(mean).astype(float) * gain


def test_counts_are_believed():
    maps = make_map_set(field(), ["Cu", "Si"])
    assert as_believed(maps) == (maps, ())


@pytest.mark.parametrize("gain", [45.0, 100.0, 200.0])
def test_a_live_time_factor_that_differs_from_pixel_to_pixel_is_no_counting(gain):
    live = 1 + 0.05 * np.random.default_rng(5).random((96, 96))
    maps = make_map_set(np.rint(field(gain) * live), ["Cu", "Si"])
    assert [one.kind for one in noise_model(maps)] == ["estimated", "estimated"]
    # The measured gain is the true one, on average 1.025 times the nominal.
    assert noise_model(maps)[1].gain == pytest.approx(1.025 * gain, rel=0.15)
    believed, why = as_believed(maps)
    assert believed.attrs["quantity"] == "intensity"
    assert maps.attrs["quantity"] == "counts"  # the input is not changed
    assert "no counts" in why[0]


def test_rounded_rates_are_no_counts():
    believed, why = as_believed(make_map_set(np.rint(1.37 * field()), ["Cu", "Si"]))
    assert believed.attrs["quantity"] == "intensity"
    assert why


def test_one_gain_is_never_undone_on_top_of_another():
    maps = make_map_set(field(110.25 * 2), ["Cu", "Si"])
    for _ in range(2):
        maps = without_gain(maps)
    assert (maps["counts"].values == field()).all() or (
        maps["counts"].values == field(110.25 * 2)
    ).all()


@pytest.mark.parametrize("cut", [1, 2])
def test_counts_with_a_small_value_cut_out_are_found(cut):
    """Poisson means from 0.5 to 4: ones and twos abound."""
    counts = field()
    assert missing_value(counts[0]) is None
    gone = np.where(counts == cut, 0.0, counts)
    assert missing_value(gone[0]) == cut
    assert as_believed(make_map_set(gone, ["Cu", "Si"]))[0].attrs["quantity"] == "intensity"


def test_mixed_poisson_counts_miss_no_value():
    """Bare ground without a count beside metal of 20: ones are rare, and rightly so."""
    mean = np.where(np.indices((96, 96))[0] < 48, 0.01, 20.0)
    assert missing_value(np.random.default_rng(2).poisson(mean)) is None


def test_dispersion_where_the_field_is_flat():
    """Gain 3 in one of two maps."""
    planes = np.stack([field()[0], 3.0 * field()[1]])
    gain, error = flat_dispersions(planes, np.ones((96, 96), bool))
    assert abs(gain[1] - 3.0) < 3 * error[1] + 0.1


def test_the_loader_says_why_they_are_no_counts(tmp_path):
    live = 1 + 0.05 * np.random.default_rng(5).random((96, 96))
    for name, plane in zip(("Cu_Ka", "Si_Ka"), np.rint(field(100.0) * live), strict=True):
        tifffile.imwrite(tmp_path / f"{name}.tif", plane.astype(np.uint16))
    with pytest.warns(SpattermapWarning, match="these whole numbers are no counts"):
        maps = spattermap.load(tmp_path)
    assert facts(maps).quantity == "intensity"


# --- the main element -------------------------------------------------------------------------
def test_the_main_element_must_move_with_its_partners_too():
    kept = {"is_matrix": True, "z_metal": 50.0, "z_metal_best": 50.0, "rest_most": 0.1}
    assert decide(evidence(**kept, together=span(0.9, 0.8, 0.95))).verdict == "with_alloy"
    # Few counts leave it open: spared.
    assert decide(evidence(**kept, together=span(0.4, -0.2, 0.9))).verdict == "with_alloy"
    found = decide(evidence(**kept, together=span(-0.35, -0.45, -0.25)))
    assert found.verdict == "undecided"
    assert found.name == "on metal, the rest of the alloy elsewhere"


def test_an_element_of_no_role_may_move_apart_too():
    apart = {"z_metal": 20.0, "z_metal_best": 20.0, "rest_most": 0.1,
             "together": span(0.35, 0.3, 0.4), "r_alloy": span(0.35, 0.3, 0.4),
             "r_substrate": span(-0.5, -0.6, -0.4)}  # fmt: skip
    assert decide(evidence(role="other", **apart)).verdict == "partly_separated"
    more = decide(evidence(role="other", **apart, supply_ratio=span(9.0, 5.0, 12.0)))
    assert more.verdict == "foreign"


def test_a_word_that_a_few_pixels_decide_is_none():
    apart = {"z_metal": 20.0, "z_metal_best": 20.0, "rest_most": 0.1,
             "together": span(0.1, 0.05, 0.2), "r_alloy": span(0.1, 0.05, 0.2),
             "r_substrate": span(-0.5, -0.6, -0.4)}  # fmt: skip
    assert decide(evidence(**apart)).verdict == "partly_separated"
    found = decide(evidence(**apart, without_few=span(0.6, 0.5, 0.7)))
    assert (found.name, found.verdict) == ("few pixels own it", "undecided")
    assert span(0.1, 0.05, 0.2).disagrees(span(0.6, 0.5, 0.7), far=0.2)
    assert not span(0.1, 0.05, 0.55).disagrees(span(0.6, 0.5, 0.7), far=0.2)


# --- names ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "name", ["IMG1", "DF-S", "HAADF", "BF", "DF", "SE", "SE2", "BSE", "COMPO", "TOPO", "SEM",
             "Ch 1", "Image"],
)  # fmt: skip
def test_names_of_electron_images(name):
    assert names.is_electron_image(name)


@pytest.mark.parametrize(
    ("name", "element"),
    [("SEM_Fe_Ka", "Fe"), ("IMG1 S Ka", "S"), ("Image Fe", "Fe"), ("OKa", "O"), ("FeKA1", "Fe")],
)
def test_names_of_maps_stay_names_of_maps(name, element):
    assert not names.is_electron_image(name)
    assert [one.element for one in names.candidates(name)] == [element]


def folder(path, *stems):
    for stem in stems:
        tifffile.imwrite(path / f"{stem}.tif", PLANE)
    return path


def test_capitals_among_usual_spellings_are_no_element(tmp_path):
    with pytest.warns(SpattermapWarning, match="SI.tif is left out"):
        maps = spattermap.load(folder(tmp_path, "Cu", "Zn", "SI"))
    assert maps["element"].values.tolist() == ["Cu", "Zn"]


def test_capitals_throughout_are_elements(tmp_path):
    maps = spattermap.load(folder(tmp_path, "CU", "SI"))
    assert maps["element"].values.tolist() == ["Cu", "Si"]


@pytest.mark.parametrize("text", ["La", "Sr La", "Lα", "Sr_La", "L"])
def test_a_line_may_be_stated_without_its_element(tmp_path, text):
    folder(tmp_path, "Sr", "Si")
    (tmp_path / "mapset.toml").write_text(f'[lines]\nSr = "{text}"\n', encoding="utf-8")
    maps = spattermap.load(tmp_path)
    assert unknown_lines(maps) == []
    assert str(maps["line"].sel(element="Sr").values).startswith("Sr L")


@pytest.mark.parametrize("text", ["nonsense", "Qa", "Fe Ka"])
def test_a_line_that_is_none_is_refused(tmp_path, text):
    folder(tmp_path, "Sr", "Si")
    (tmp_path / "mapset.toml").write_text(f'[lines]\nSr = "{text}"\n', encoding="utf-8")
    with pytest.raises(InputError, match="Sr must be a line of Sr"):
        spattermap.load(tmp_path)


def test_lines_beside_each_other_need_no_beam_energy():
    assert lines_touch("Sr", "Sr La", "Si")
    assert lines_touch("Sr", "", "Si")
    assert not lines_touch("Sr", "Sr Ka", "Si")
    assert not lines_touch("Mn", "Mn Ka", "Mg")


def test_what_became_of_the_background_may_be_stated(tmp_path):
    file = tmp_path / "mapset.toml"
    file.write_text('background = "subtracted"\n', encoding="utf-8")
    assert read_sidecar(file) == {"background": "subtracted"}
    file.write_text('background = "gone"\n', encoding="utf-8")
    with pytest.raises(InputError, match="background must be a known name"):
        read_sidecar(file)


# --- text -------------------------------------------------------------------------------------
GRIDS = {
    "index and header": lambda a: pd.DataFrame(a).to_csv(),
    "header": lambda a: pd.DataFrame(a).to_csv(index=False),
    "index": lambda a: pd.DataFrame(a).to_csv(header=False),
    "positions": lambda a: pd.DataFrame(
        a, index=np.arange(64) / 4, columns=np.arange(64) / 4
    ).to_csv(sep="\t"),
}


@pytest.mark.parametrize("written", GRIDS)
def test_a_row_or_column_that_numbers_pixels_is_left_out(tmp_path, written):
    for stem in ("Cu_Ka", "Zn_Ka"):
        (tmp_path / f"{stem}.csv").write_text(GRIDS[written](PLANE), encoding="utf-8")
    maps = spattermap.load(tmp_path)
    assert (maps["counts"].values == PLANE).all()
    assert any("was left out" in note for note in facts(maps).source["notes"])


THOUSANDS = {
    "tab": lambda row: "\t".join(f"{v:,}" for v in row),
    "quoted": lambda row: ",".join(f'"{v:,}"' if v > 999 else str(v) for v in row),
    "dot": lambda row: ";".join(f"{v:,}".replace(",", ".") for v in row),
}


@pytest.mark.parametrize("written", THOUSANDS)
def test_thousands_are_no_decimals(tmp_path, written):
    values = 400 * PLANE.astype(int) + np.arange(64) % 7
    for stem in ("Cu_Ka", "Zn_Ka"):
        rows = "\n".join(THOUSANDS[written](row) for row in values)
        (tmp_path / f"{stem}.csv").write_text(rows, encoding="utf-8")
    (tmp_path / "mapset.toml").write_text('quantity = "intensity"\n', encoding="utf-8")
    assert (spattermap.load(tmp_path)["counts"].values == values).all()


def test_decimals_with_three_digits_are_no_thousands(tmp_path):
    for stem in ("Cu_Ka", "Zn_Ka"):
        rows = "\n".join(";".join(f"{v / 7:.3f}".replace(".", ",") for v in row) for row in PLANE)
        (tmp_path / f"{stem}.csv").write_text(rows, encoding="utf-8")
    assert spattermap.load(tmp_path)["counts"].values == pytest.approx(
        np.stack([PLANE / 7.0] * 2), abs=5e-4
    )


@pytest.mark.skipif(os.name == "nt", reason="no links and pipes there")
def test_what_is_skipped_is_said_by_name(tmp_path):
    folder(tmp_path, "Cu", "Zn")
    (tmp_path / "Si.tif").mkdir()
    os.mkfifo(tmp_path / "Fe.tif")
    (tmp_path / "O.tif").symlink_to(tmp_path / "nowhere.tif")
    with pytest.warns(SpattermapWarning) as said:
        spattermap.load(tmp_path)
    text = " ".join(str(one.message) for one in said)
    assert "Si.tif is a folder" in text
    assert "O.tif is a broken link" in text
    assert "Fe.tif is no file" in text


@pytest.mark.parametrize("turned", [False, True])
def test_one_map_a_file_of_signals(tmp_path, turned):
    hs = pytest.importorskip("hyperspy.api")
    for stem in ("Cu_Ka", "Zn_Ka"):
        signal = hs.signals.Signal2D(PLANE.astype(float))
        # As one number at each place, which is how intensities of lines are kept.
        (signal.T if turned else signal).save(tmp_path / f"{stem}.hspy")
    (tmp_path / "mapset.toml").write_text("pixel_size_um = 0.5\n", encoding="utf-8")
    maps = spattermap.load(tmp_path)
    assert maps["line"].values.tolist() == ["Cu Ka", "Zn Ka"]
    assert (maps["counts"].values == PLANE).all()
    alone = spattermap.load(tmp_path / "Cu_Ka.hspy")
    assert alone["element"].values.tolist() == ["Cu"]


# --- shapes, sweeps, words --------------------------------------------------------------------
def test_a_few_touching_pixels_are_no_streak():
    shape = dict.fromkeys(Shape.__dataclass_fields__, 0.0)
    assert not _long_enough(Shape(**{**shape, "length": 4.5, "width": 0.7}))
    assert _long_enough(Shape(**{**shape, "length": 12.0, "width": 0.7}))
    assert _long_enough(Shape(**{**shape, "length": 7.0, "width": 2.2}))


def test_an_alloy_not_seen_whole_was_not_seen_to_be_kept():
    line = {"role": "alloy", "share_with_alloy": 0.9}
    assert _kept({"elements": [line, {**line, "share_with_alloy": 0.7}]})["kept_alloy"] == 0.7
    assert _kept({"elements": [line, {**line, "share_with_alloy": None}]})["kept_alloy"] is None
    assert _kept({"elements": [line, {**line, "share_with_alloy": math.nan}]})["kept_alloy"] is None
    assert _kept({"elements": [line]})["kept_alloy"] is None


def test_lengths_are_told_as_people_say_them():
    assert length(157.3, "um", significant=2) == "157 µm"
    assert length(0.00376, "um", (0.0035, 0.0041)) == "3.76 (3.50 to 4.10) nm"
    assert length(2.5, "px") == "2.50 px"


@pytest.mark.parametrize("shape", [(1, 4000), (4000, 1)])
def test_a_line_scan_ends_in_no_error_and_no_claim(shape):
    """One row of pixels is no field: nothing is outlined, so nothing is said of it."""
    metal = np.arange(4000) % 400 < 60
    means = np.stack([4.0 * metal, 2.0 * metal, 6.0 - 5.0 * metal]).reshape(3, *shape) + 0.2
    maps = make_map_set(
        np.random.default_rng(1).poisson(means), ["Cu", "Zn", "Si"],
        alloy={"Cu": 70.0, "Zn": 30.0}, substrate=["Si"], pixel_size_um=0.3,
    )  # fmt: skip
    found = spattermap.analyse(maps, settings=Settings(n_resamples=100))
    assert found.elements["verdict"].tolist() == ["undecided", "undecided", "substrate"]
    assert not found.summary()["connected_x"]
    assert not found.summary()["connected_y"]

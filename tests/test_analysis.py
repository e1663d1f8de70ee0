"""The result of the whole chain: the tables and files that other people's scripts read."""

import json

import numpy as np
import pandas as pd
import pytest
import tifffile

import spattermap
from spattermap.core.errors import InputError, InputTypeError, OutputError
from spattermap.synthesis import Deposit, make_deposit

SUMMARY_KEYS = """
coverage coverage_low coverage_high droplet_count d10_um d50_um d90_um d10_um_low d10_um_high
d50_um_low d50_um_high d90_um_low d90_um_high area_d50_um share_droplets share_streaks share_haze
connected_x connected_y sheet_conductance_ratio_x sheet_conductance_ratio_y smallest_trusted_um
settings versions inputs
""".split()
COLUMNS = {
    "droplets": """droplet y_um x_um touches_border confidence diameter_um area_um2 widest_um
        narrowest_um perimeter_um aspect_ratio circularity solidity long_axis_deg Cu_counts
        Cu_counts_err Zn_counts Zn_counts_err Si_counts Si_counts_err O_counts
        O_counts_err""".split(),
    "streaks": """streak y_um x_um length_um width_um angle_deg directed head_y_um
        head_x_um""".split(),
    "elements": """element line role mean_counts detection_limit_counts share_in_droplets
        share_in_droplets_low share_in_droplets_high share_with_alloy share_with_alloy_low
        share_with_alloy_high r_alloy r_alloy_low r_alloy_high r_substrate r_substrate_low
        r_substrate_high p_value verdict reasons next_step""".split(),
    "pairs": """element_a element_b r r_low r_high r_plain p_value overlap_a_in_b
        overlap_b_in_a""".split(),
}
VERDICTS = {
    "with_alloy", "partly_separated", "separated", "substrate", "foreign", "undecided",
    "not_detected",
}  # fmt: skip


@pytest.fixture(scope="module")
def scene():
    return make_deposit(Deposit(shape=(96, 128), pixel_size_um=0.5), seed=4)


@pytest.fixture(scope="module")
def analysis(scene):
    return spattermap.analyse(scene.maps)


@pytest.fixture(scope="module")
def saved(analysis, tmp_path_factory):
    return analysis.save(tmp_path_factory.mktemp("results") / "out")


def test_summary_has_every_promised_key(saved):
    summary = json.loads((saved / "summary.json").read_text(encoding="utf-8"))
    assert [key for key in SUMMARY_KEYS if key not in summary] == []
    assert 0 < summary["coverage_low"] <= summary["coverage"] <= summary["coverage_high"] < 1
    parts = [summary[f"share_{part}"] for part in ("droplets", "streaks", "haze")]
    assert sum(parts) == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize("name", COLUMNS)
def test_tables_have_every_promised_column(saved, name):
    table = pd.read_csv(saved / f"{name}.csv")
    assert [column for column in COLUMNS[name] if column not in table.columns] == []


def test_verdict_words_and_reasons(analysis):
    assert set(analysis.elements["verdict"]) <= VERDICTS
    assert analysis.elements["reasons"].str.len().min() > 10
    undecided = analysis.elements["verdict"] == "undecided"
    assert (analysis.elements.loc[undecided, "next_step"].str.len() > 10).all()


def test_every_pair_once(analysis):
    found = {frozenset(pair) for pair in analysis.pairs[["element_a", "element_b"]].to_numpy()}
    assert len(found) == len(analysis.pairs) == 6


def test_labels_agree_with_the_tables(analysis, saved):
    labels = tifffile.imread(saved / "labels.tif")
    assert labels.dtype == np.int32
    assert np.array_equal(labels, analysis.labels.values)
    sizes = np.bincount(labels.ravel())
    droplets = pd.read_csv(saved / "droplets.csv")
    assert np.allclose(sizes[droplets["droplet"]] * 0.25, droplets["area_um2"])
    streaks = pd.read_csv(saved / "streaks.csv")
    assert set(labels.ravel()) == {0, *droplets["droplet"], *streaks["streak"]}


def test_the_same_input_gives_the_same_bytes_and_is_not_changed(scene, saved, tmp_path):
    before = scene.maps.copy(deep=True)
    again = spattermap.analyse(scene.maps).save(tmp_path / "again")
    assert scene.maps.identical(before)
    for name in ("summary.json", "droplets.csv", "streaks.csv", "elements.csv", "pairs.csv"):
        assert (again / name).read_bytes() == (saved / name).read_bytes(), name


def test_without_pixel_size_no_length_is_called_um(scene, tmp_path):
    bare = spattermap.make_map_set(
        scene.maps["counts"].values, list(scene.maps.element.values), alloy={"Cu": 70, "Zn": 30}
    )
    folder = spattermap.analyse(bare).save(tmp_path / "px")
    for name in COLUMNS:
        header = (folder / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
        assert "_um" not in header
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert [key for key in summary if "_um" in key] == []
    assert summary["d50_px"] > 0


def test_results_are_not_overwritten_unasked(analysis, saved):
    with pytest.raises(OutputError, match="--overwrite"):
        analysis.save(saved)


def test_roles_stated_in_settings_come_first(scene):
    settings = spattermap.Settings(alloy=("Cu",), substrate=("Si", "O"))
    result = spattermap.analyse(scene.maps, settings=settings)
    assert result.roles.as_mapping() == {
        "Cu": "alloy", "Si": "substrate", "O": "substrate", "Zn": "other",
    }  # fmt: skip


def test_inferred_roles_are_called_assumed_everywhere(scene, tmp_path):
    plain = spattermap.make_map_set(
        scene.maps["counts"].values, list(scene.maps.element.values), pixel_size_um=0.5
    )
    result = spattermap.analyse(plain)
    assert result.roles.assumed
    assert set(result.roles.alloy) == {"Cu", "Zn"}
    assert any("assumed" in note for note in result.notes)
    assert "assumed" in result.answer()
    summary = result.summary()
    assert summary["roles"]["assumed"] is True


def test_half_a_statement_of_roles_is_kept(scene):
    plain = spattermap.make_map_set(
        scene.maps["counts"].values, list(scene.maps.element.values), pixel_size_um=0.5
    )
    result = spattermap.analyse(plain, settings=spattermap.Settings(substrate=("Si", "O")))
    assert result.roles.assumed
    assert set(result.roles.alloy) == {"Cu", "Zn"}


def test_terminal_and_notebook_forms(analysis):
    assert "How much, how large" in repr(analysis)
    assert "data-field" in analysis._repr_html_()


def test_what_is_not_a_map_set_is_refused(scene):
    with pytest.raises(InputTypeError, match=r"xarray\.Dataset"):
        spattermap.analyse(np.ones((2, 3, 3)))
    with pytest.raises(InputError, match=r"got Ag\. Mapped are: Cu, Zn, Si, O"):
        spattermap.analyse(scene.maps, settings=spattermap.Settings(alloy=("Ag",)))

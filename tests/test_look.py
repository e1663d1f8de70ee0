"""What `look` says of a map set."""

import numpy as np

from spattermap.core.mapset import make_map_set
from spattermap.noise.noise_models import noise_model
from spattermap.show.look import as_text, describe, missing


def two_maps(**more):
    rng = np.random.default_rng(0)
    counts = rng.poisson(2.0, (2, 40, 50)).astype(np.uint8)
    counts[1] = np.minimum(100 * counts[1].astype(int), 255)
    return make_map_set(counts, ["Cu", "Zn"], lines=["Cu Ka", ""], **more)


def test_table():
    maps = two_maps()
    table = describe(maps, noise_model(maps))
    assert table["element"].tolist() == ["Cu", "Zn"]
    assert table["line"].tolist() == ["Cu Ka", ""]
    zinc = maps["counts"].values[1]
    assert table["saturated_share"][1] == np.mean(zinc == 255)
    assert table["saturated_share"][0] == 0.0
    assert table["zero_share"][0] == np.mean(maps["counts"].values[0] == 0)
    assert table["maximum"][1] == 255


def test_invalid_pixels_are_left_out():
    valid = np.ones((40, 50), dtype=bool)
    valid[:, 10:] = False
    maps = two_maps(valid=valid)
    assert describe(maps, noise_model(maps))["mean"][0] == maps["counts"].values[0][:, :10].mean()
    assert "80.00 %" in as_text(maps)


def test_missing_shrinks_as_facts_are_stated():
    bare = {what for what, _ in missing(two_maps())}
    told = two_maps(
        pixel_size_um=0.5,
        beam_energy_keV=15.0,
        alloy={"Cu": 70.0, "Zn": 30.0},
        source={"blank": "../plate"},
        electron_image=np.zeros((40, 50)),
    )
    assert {"pixel size", "alloy and substrate", "blank", "beam energy"} < bare
    assert missing(told) == []


def test_text_names_size_scale_and_costs():
    text = as_text(two_maps(pixel_size_um=0.25, title="burst 14"))
    assert text.startswith("burst 14\n")
    assert "40 x 50 px" in text
    assert "0.25 um" in text
    assert "blank: an element outside the droplets" in text
    assert "State what you know in mapset.toml" in text


def test_look_refuses_a_blank_that_is_not_there(tmp_path, capsys):
    import tifffile

    from spattermap import cli

    for element in ("Cu", "Si"):
        counts = np.arange(2000, dtype=np.uint16).reshape(40, 50)
        tifffile.imwrite(tmp_path / f"{element}_Ka.tif", counts)
    (tmp_path / "mapset.toml").write_text('blank = "../bare_plate"\n', encoding="utf-8")
    assert cli.main(["look", str(tmp_path)]) == 2
    said = capsys.readouterr()
    assert "40 x 50 px" in said.out  # what was understood is still told
    assert "got '../bare_plate', which is not there" in said.err


def test_spectrum_cube_shows_its_windows():
    from pathlib import Path

    import spattermap

    reference = Path(__file__).parent / "reference" / "dacite" / "dacite_1s.hspy"
    text = as_text(spattermap.load(reference))
    assert "Net counts from the spectra" in text
    assert "Ca Ka" in text
    assert "fit, with K Kb: needs fitting" in text

"""What goes wrong in the first hour: one line that says what to do, and nothing written."""

import os
from pathlib import Path

import numpy as np
import pytest
import tifffile

from spattermap import cli


def write_maps(folder, **more):
    folder.mkdir(exist_ok=True)
    random = np.random.default_rng(1)
    for name in ("Cu_Ka", "Zn_Ka", "Si_Ka"):
        image = more.get(name, random.poisson(3, (24, 32)).astype(np.uint16))
        tifffile.imwrite(folder / f"{name}.tif", image)
    return folder


def missing_folder(folder):
    return folder / "not_there", ("not_there",)


def empty_folder(folder):
    folder.mkdir()
    return folder, (folder.name,)


def two_sizes(folder):
    return write_maps(folder, Zn_Ka=np.ones((24, 30), np.uint16)), ("Zn_Ka", "30")


def negative_counts(folder):
    return write_maps(folder, Zn_Ka=-np.ones((24, 32), np.float32)), ("Zn", "net_counts")


def a_map_without_a_number(folder):
    return write_maps(folder, Zn_Ka=np.full((24, 32), np.nan, np.float32)), ("Zn", "finite")


def tiff_cut_in_half(folder):
    write_maps(folder)
    whole = (folder / "Zn_Ka.tif").read_bytes()
    (folder / "Zn_Ka.tif").write_bytes(whole[: len(whole) // 2])
    return folder, ("Zn_Ka.tif",)


def misspelt_key(folder):
    write_maps(folder)
    (folder / "mapset.toml").write_text("beam_energy_kev = 15\n", encoding="utf-8")
    return folder, ("mapset.toml", "beam_energy_keV")


def unknown_element(folder):
    write_maps(folder)
    (folder / "mapset.toml").write_text("[alloy]\nQx = 100\n", encoding="utf-8")
    return folder, ("mapset.toml", "Qx")


@pytest.mark.parametrize("command", ["report", "look"])
@pytest.mark.parametrize(
    "broken",
    [
        missing_folder, empty_folder, two_sizes, negative_counts, a_map_without_a_number,
        tiff_cut_in_half, misspelt_key, unknown_element,
    ],
)  # fmt: skip
def test_one_line_status_2_and_nothing_written(tmp_path, capsys, command, broken):
    place, words = broken(tmp_path / "maps")
    out = tmp_path / "out"
    before = sorted(tmp_path.rglob("*"))
    status = cli.main([command, str(place), *(["--out", str(out)] if command == "report" else [])])
    error = capsys.readouterr().err
    assert status == 2
    assert error.count("\n") == 1
    for word in words:
        assert word in error
    assert sorted(tmp_path.rglob("*")) == before


def test_an_rgb_picture_is_never_taken_for_counts(tmp_path, capsys):
    random = np.random.default_rng(2)
    picture = random.integers(0, 255, (24, 32, 3)).astype(np.uint8)
    place = write_maps(tmp_path / "maps", Zn_Ka=picture)
    status = cli.main(["report", str(place), "--out", str(tmp_path / "out")])
    error = capsys.readouterr().err
    assert status == 2
    assert "Zn_Ka.tif" in error
    assert "RGB" in error or "colour" in error
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", ["report", "convert", "sweep"])
def test_maps_that_may_not_be_read(tmp_path, monkeypatch, capsys, command):
    place = write_maps(tmp_path / "maps")
    source, out, more = place, tmp_path / "out", []
    if command == "sweep":
        source, more = tmp_path / "sheet.csv", ["--scheduler", "synchronous"]
        source.write_text(f"path\n{place}\n", encoding="utf-8")
    allowed, exists = os.access, Path.exists

    def may_not(path):
        if path.parent == place:
            raise PermissionError(13, "Permission denied", str(path))
        return exists(path)

    monkeypatch.setattr(Path, "exists", may_not)
    # Rights do not bind root, who may run this test.
    monkeypatch.setattr(os, "access", lambda p, *a, **k: Path(p) != place and allowed(p, *a, **k))
    status = cli.main([command, str(source), "--out", str(out), *more])
    said = capsys.readouterr().err
    if command == "sweep":
        said = (out / "fields.csv").read_text(encoding="utf-8")
    assert "must be readable, got no right to read it" in said
    assert status in (1, 2)
    assert command == "sweep" or (said.count("\n"), out.exists()) == (1, False)

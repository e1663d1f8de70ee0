"""Mosaics: converting, and the whole job on one against the whole job on the field."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import zarr

from spattermap import analyse, load, make_map_set
from spattermap.cli import main
from spattermap.core.errors import InputError, OutputError
from spattermap.core.work import Workers
from spattermap.loaders.convert import convert
from spattermap.loaders.zarr_store import write
from spattermap.mosaics.analysing import mosaic, parts_of
from spattermap.mosaics.measuring import add_coarse, coarse_sums
from spattermap.show.wording import UNDIVIDED

BRASS = Path(__file__).parents[1] / "sample_maps" / "brass_burst"
STREAKS = BRASS.with_name("molybdenum_streaks")


@pytest.fixture(scope="module")
def blank():
    return load(BRASS.with_name("blank_plate"))


@pytest.mark.parametrize(
    "sample",
    [pytest.param(BRASS, marks=pytest.mark.calibration), STREAKS],
    ids=lambda path: path.name,
)
def test_a_mosaic_gives_the_tables_of_the_field_at_once(sample, blank, tmp_path):
    whole = analyse(load(sample), blank=blank)
    place = convert(sample, tmp_path / "m.zarr", chunk_px=64, shard_px=128)
    found = mosaic(place, out=tmp_path / "out", blank=blank, part_px=160,
                   workers=Workers(workers=1))  # fmt: skip
    table = found.droplets.sort_values("droplet", ignore_index=True)
    pd.testing.assert_frame_equal(table[whole.droplets.columns], whole.droplets, check_exact=True)
    pd.testing.assert_frame_equal(found.streaks, whole.streaks, check_exact=True)
    labels = zarr.open_array(str(tmp_path / "out" / "labels.zarr"), mode="r")[:]
    np.testing.assert_array_equal(labels, whole.labels.values)
    assert found.elements["verdict"].tolist() == whole.elements["verdict"].tolist()
    ours, theirs = found.summary(), whole.summary()
    for name in ("coverage", "coverage_low", "d10_um", "d50_um_high", "area_d50_um",
                 "connected_x", "largest_region_share", "smallest_trusted_um"):  # fmt: skip
        assert ours[name] == pytest.approx(theirs[name], rel=1e-9), name
    # Edges of blurred droplets are not followed across the border of a part.
    assert ours["share_droplets"] == pytest.approx(theirs["share_droplets"], abs=0.005)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert len(page) < 15e6
    assert not re.search(r'(src|href)="(?!#|data:)', page)  # asks nothing of any network
    assert not list(tmp_path.glob(".spattermap*"))
    assert not (tmp_path / "out" / ".scratch").exists()


def test_what_convert_writes_is_what_was_read(tmp_path):
    maps = load(BRASS)
    convert(BRASS, tmp_path / "m.zarr", chunk_px=100, shard_px=200)
    for again in (load(tmp_path / "m.zarr"), load(tmp_path / "m.zarr", chunks=64)):
        for name in maps.data_vars:
            np.testing.assert_array_equal(again[name].values, maps[name].values)
        assert again.attrs["alloy"] == maps.attrs["alloy"]
    with pytest.raises(OutputError, match="new folder"):
        convert(BRASS, tmp_path / "m.zarr")


def tile(folder, name, value, **more):
    counts = np.full((2, 4, 6), value, np.uint16)
    return write(
        make_map_set(counts, ["Cu", "Si"], **{"pixel_size_um": 0.5, **more}), folder / name
    )


def test_tiles_are_laid_out_by_their_positions(tmp_path):
    for k in range(3):
        tile(tmp_path, f"{k}.zarr", k + 1)
    (tmp_path / "grid.csv").write_text(
        "path,y_um,x_um\n0.zarr,-1,0\n1.zarr,-1,3\n2.zarr,1,0\n", encoding="utf-8"
    )
    maps = load(convert(tmp_path / "grid.csv", tmp_path / "m.zarr", chunk_px=4, shard_px=8))
    wanted = np.zeros((8, 12))
    wanted[:4, :6], wanted[:4, 6:], wanted[4:, :6] = 1, 2, 3
    np.testing.assert_array_equal(maps["counts"][1], wanted)
    np.testing.assert_array_equal(maps["valid"], wanted > 0)


def test_tiles_that_contradict_each_other_are_refused(tmp_path):
    tile(tmp_path, "a.zarr", 1)
    tile(tmp_path, "b.zarr", 2)
    tile(tmp_path, "c.zarr", 3, pixel_size_um=0.25)
    table = tmp_path / "grid.csv"
    table.write_text("path,y_px,x_px\na.zarr,0,0\nb.zarr,2,4\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"line 2 .*line 3 .*sharing 2 x 2 px"):
        convert(table, tmp_path / "m.zarr")
    assert not (tmp_path / "m.zarr").exists()
    kept = load(convert(table, tmp_path / "m.zarr", overlap="first"))
    assert kept["counts"][0, 2, 4] == 1  # the earlier line's
    table.write_text("path,y_px,x_px\na.zarr,0,0\nc.zarr,4,0\n", encoding="utf-8")
    with pytest.raises(InputError, match="pixel_size_um must be those of the first tile"):
        convert(table, tmp_path / "n.zarr")
    table.write_text("path,y_px,x_px\na.zarr,0,0\nb.zarr,here,0\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 3: y_px must be a number"):
        convert(table, tmp_path / "n.zarr")


def test_commands(tmp_path, capsys):
    assert main(["convert", str(BRASS), "--out", str(tmp_path / "m.zarr")]) == 0
    assert main(["convert", str(BRASS), "--out", str(tmp_path / "m.zarr")]) == 2
    out = tmp_path / "out"
    assert main(["mosaic", str(tmp_path / "m.zarr"), "--out", str(out), "--workers", "1"]) == 0
    said = capsys.readouterr()
    assert said.out.splitlines()[-1] == str(out / "report.html")
    assert json.loads((out / "summary.json").read_text(encoding="utf-8"))["size_px"] == [384, 512]
    assert main(["mosaic", str(tmp_path / "m.zarr"), "--out", str(out)]) == 2  # not empty


def test_a_field_without_structure_is_a_result(tmp_path):
    rng = np.random.default_rng(3)
    counts = rng.poisson(2.0, (2, 96, 130)).astype(np.uint16)
    maps = make_map_set(counts, ["Cu", "Si"], alloy={"Cu": 100.0}, substrate=["Si"])
    found = mosaic(maps, out=tmp_path / "out", part_px=64, workers=Workers(workers=1))
    assert found.n_droplets == 0
    assert found.coverage.value == 0
    assert (found.coverage.low, found.coverage.high) == (0.0, 1.0)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert UNDIVIDED in page  # neither bare nor disconnected
    assert "Metal covers" not in page
    assert "Crosses the field" not in page


def test_parts_are_never_slivers_and_squares_add_up():
    assert parts_of((100, 300), 64).rows == (0, 64, 100)
    assert parts_of((90, 300), 64).rows == (0, 90)
    picture = np.arange(90 * 130).reshape(90, 130) % 7
    grid = parts_of((90, 130), 32)
    parts = [coarse_sums(picture[b.rows, b.columns], b, 9) for b in map(grid.box, range(len(grid)))]
    whole = add_coarse(parts, (90, 130), 9)
    assert whole.shape == (10, 15)
    assert whole[1, 1] == picture[9:18, 9:18].sum()
    assert whole.sum() == picture.sum()

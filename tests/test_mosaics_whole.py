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
from spattermap.analysis_parts import IMAGE_NOT_READ
from spattermap.cli import main
from spattermap.core.errors import InputError, OutputError, SpattermapWarning
from spattermap.core.grid import Source, parts_of
from spattermap.core.mapset import facts
from spattermap.core.settings import Settings
from spattermap.core.work import Workers
from spattermap.loaders import open_parts
from spattermap.loaders.convert import IMAGES_LEFT_OUT, convert
from spattermap.loaders.zarr_store import write
from spattermap.measure.part_sums import add_coarse, coarse_sums
from spattermap.show.mosaic_page import write_mosaic
from spattermap.show.wording import UNDIVIDED
from spattermap.synthesis import Deposit, Droplets, Haze, Streaks, make_blank, make_deposit

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
    # A field in parts is drawn from the counts alone.
    whole = analyse(load(sample), blank=blank, settings=Settings(electron_image="off"))
    place = convert(sample, tmp_path / "m.zarr", chunk_px=64, shard_px=128)
    found = write_mosaic(open_parts(place), tmp_path / "out", blank=blank, part_px=160,
                         workers=Workers(workers=1))  # fmt: skip
    table = found.droplets
    pd.testing.assert_frame_equal(table[whole.droplets.columns], whole.droplets, check_exact=True)
    pd.testing.assert_frame_equal(found.streaks, whole.streaks, check_exact=True)
    labels = zarr.open_array(str(tmp_path / "out" / "labels.zarr"), mode="r")[:]
    np.testing.assert_array_equal(labels, whole.labels.values)
    np.testing.assert_array_equal(found.labels.values, labels)
    assert found.elements["verdict"].tolist() == whole.elements["verdict"].tolist()
    ours, theirs = found.summary(), whole.summary()
    for name in ("coverage", "coverage_low", "d10_um", "d50_um_high", "area_d50_um",
                 "connected_x", "largest_region_share", "smallest_trusted_um"):  # fmt: skip
        assert ours[name] == pytest.approx(theirs[name], rel=1e-9), name
    # Edges of blurred droplets are not followed across the border of a part.
    assert ours["share_droplets"] == pytest.approx(theirs["share_droplets"], abs=0.005)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert len(page) < 15e6
    # The answers and the field first, all else at a click.
    first, *rest = page.split('<details class="part">')
    assert 'class="answers"' in first
    assert "data-field" in first
    assert len(rest) >= 6
    # Asks nothing of any network: links lead to the tables beside it.
    assert not re.search(r'(src|href)="(?!#|data:|\w+\.csv")', page)
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


def test_a_mosaic_says_what_it_does_not_read_of_an_electron_image(tmp_path):
    maps = make_deposit(Deposit(shape=(96, 128)), seed=1).maps
    found = analyse(Source(maps), part_px=64, folder=tmp_path, workers=Workers(workers=1))
    assert IMAGE_NOT_READ in found.notes
    assert found.summary()["electron_image_used"] is False
    own = maps.drop_vars("electron_image").assign(
        electron_image=(("image_y", "image_x"), np.zeros((192, 256), np.uint8))
    )
    own.to_netcdf(tmp_path / "own.nc", engine="h5netcdf")
    with pytest.warns(SpattermapWarning, match=re.escape(IMAGES_LEFT_OUT)):
        place = convert(tmp_path / "own.nc", tmp_path / "m.zarr")
    assert "electron_image" not in load(place)


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
    found = write_mosaic(maps, tmp_path / "out", part_px=64, workers=Workers(workers=1))
    assert found.segmentation.n_droplets == 0
    coverage = found.morphology.coverage
    assert (coverage.value, coverage.low, coverage.high) == (0.0, 0.0, 1.0)
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


HAZY = Deposit(
    shape=(150, 190),
    droplets=Droplets(d50_px=14, coverage=0.2),
    streaks=Streaks(number=2),
    haze=Haze(thickness_um=0.02, contrast=0.2),
    counts_per_pixel=4.0,
    electron_image=False,
)


@pytest.fixture(scope="module")
def hazy():
    """A seeded field with haze, its blank, and what is true of it."""
    scene = make_deposit(HAZY, seed=5)
    return scene.maps, make_blank(HAZY, seed=6).maps, scene.truth


def test_one_part_equals_the_whole(hazy):
    maps, bare, _ = hazy
    whole, one = analyse(maps, blank=bare), analyse(maps, blank=bare, part_px=192)
    assert len(one.room.grid) == 1
    np.testing.assert_array_equal(one.labels.values, whole.labels.values)
    for name in ("droplets", "streaks", "elements", "pairs", "oxygen"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(whole, name), check_exact=True)
    for name in ("sizes", "sensitivity", "shapes", "enough", "arrival"):
        ours, theirs = (getattr(found.morphology, name) for found in (one, whole))
        pd.testing.assert_frame_equal(ours, theirs, check_exact=True)
    assert one.morphology.coverage == whole.morphology.coverage
    assert repr(one.morphology.satellites) == repr(whole.morphology.satellites)
    pd.testing.assert_frame_equal(one.morphology.spacing.g, whole.morphology.spacing.g)
    assert one.metal_shares == whole.metal_shares
    assert one.haze_zero == whole.haze_zero
    ours, theirs = one.summary(), whole.summary()
    # What needs the whole field in memory is not known of one that was worked on in parts.
    unlike = {name for name, value in theirs.items() if ours.get(name) != value}
    unknown = {f"connected_{a}_corners" for a in "xy"} | {f"gap_to_cross_{a}_um" for a in "xy"}
    assert unlike == unknown | {"notes", "answers"}
    assert all(ours.get(name) is None for name in unknown)


def as_intensity(maps):
    """Return counts as maps of which the noise is not known."""
    known = facts(maps)
    return make_map_set(
        maps["counts"].values.astype(np.float32), [str(e) for e in maps["element"].values],
        lines=[str(one) for one in maps["line"].values], quantity="intensity",
        pixel_size_um=known.pixel_size, beam_energy_keV=known.beam_energy_keV,
        alloy=known.alloy, substrate=known.substrate,
    )  # fmt: skip


def test_the_haze_is_the_same_of_maps_whose_noise_is_not_known(hazy):
    maps, bare, truth = hazy
    counted = analyse(maps, blank=bare)
    assert truth["share_haze"] > 0.05
    low, high = (counted.metal_shares[f"share_haze_{side}"] for side in ("low", "high"))
    assert low < truth["share_haze"] < high
    for part_px in (None, 96):
        found = analyse(as_intensity(maps), blank=as_intensity(bare), part_px=part_px)
        assert low < found.metal_shares["share_haze"] < high
        share = counted.metal_shares["share_haze"]
        assert found.metal_shares["share_haze_low"] < share < found.metal_shares["share_haze_high"]
        drawn = found.segmentation.n_droplets
        assert drawn == pytest.approx(counted.segmentation.n_droplets, rel=0.1)


def test_a_result_in_parts_is_saved_and_shown(hazy, tmp_path):
    maps, _, _ = hazy
    found = analyse(maps, part_px=96)
    names = sorted(item.name for item in found.save(tmp_path / "out").iterdir())
    assert names == ["droplets.csv", "elements.csv", "examination.csv", "labels.zarr",
                     "pairs.csv", "streaks.csv", "summary.json"]  # fmt: skip
    saved = pd.read_csv(tmp_path / "out" / "droplets.csv")
    assert len(saved) == found.segmentation.n_droplets == len(found.droplets)
    assert "is covered" in repr(found)
    assert 'class="answers"' in found._repr_html_()
    scratch, folder = found.room.store.folder, found.room.folder
    assert scratch.is_dir()
    found.close()
    assert not scratch.exists()
    assert len(found.droplets) == len(saved)  # tables stay
    del found
    assert not folder.exists()  # it was a temporary one


@pytest.mark.parametrize("part_px", [None, 96])
def test_a_blank_without_the_alloy_is_refused(hazy, part_px):
    maps, bare, _ = hazy
    with pytest.raises(InputError, match="blank must hold a map of every alloy element"):
        analyse(maps, blank=bare.sel(element=["Si", "O"]), part_px=part_px)

"""The door: what it takes, what it refuses, and the one sentence it says then."""

from pathlib import Path

import numpy as np
import pytest
import tifffile

import spattermap
from spattermap.errors import InputError, InputFileError
from spattermap.mapset import facts

REFERENCE = Path(__file__).parent / "reference" / "dacite"
FIELD = np.arange(12, dtype=np.uint16).reshape(3, 4)


def write(folder, **planes):
    for name, plane in planes.items():
        tifffile.imwrite(folder / f"{name}.tif", plane)
    return folder


def test_real_folder():
    maps = spattermap.load(REFERENCE / "dacite_6s_tif")
    assert list(maps.element.values) == "Al Ca Cl Fe K Mg Na O P Si Ti".split()
    assert str(maps.line.values[0]) == "Al Ka"
    # CHECKS 10: 8.74 um pixels, 75 x 100.
    assert facts(maps).pixel_size == pytest.approx(8.74, abs=0.005)
    assert maps.sizes == {"element": 11, "y": 75, "x": 100}
    assert maps["electron_image"].shape == (75, 100)


@pytest.mark.parametrize(
    ("name", "element", "line"),
    [
        ("Fe_Ka", "Fe", "Fe Ka"),
        ("fe-k", "Fe", "Fe K"),
        ("Map_Al K", "Al", "Al K"),
        ("cu", "Cu", ""),
    ],
)
def test_element_and_line_from_the_file_name(tmp_path, name, element, line):
    maps = spattermap.load(write(tmp_path, **{name: FIELD}))
    assert (str(maps.element.values[0]), str(maps.line.values[0])) == (element, line)
    assert np.array_equal(maps.counts.values[0], FIELD)


def test_netcdf_round_trip(tmp_path):
    first = spattermap.load(REFERENCE / "dacite_1s_tif")
    first.to_netcdf(tmp_path / "maps.nc", engine="h5netcdf")
    back = spattermap.load(tmp_path / "maps.nc")
    assert back.drop_attrs().identical(first.drop_attrs())
    assert facts(back).source["made_from"] == facts(first).source


def test_pixel_size_conflict_names_both(tmp_path):
    tifffile.imwrite(tmp_path / "Cu.tif", FIELD, resolution=(2, 2), resolutionunit="MICROMETER")
    (tmp_path / "mapset.toml").write_text("pixel_size_um = 0.7\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"0\.5 from resolution tags and 0\.7 from .*mapset\.toml"):
        spattermap.load(tmp_path)


def test_missing_and_empty(tmp_path):
    with pytest.raises(InputFileError, match="existing file or folder, got nothing"):
        spattermap.load(tmp_path / "no_such")
    with pytest.raises(InputFileError, match=r"must hold element maps.*got nothing"):
        spattermap.load(tmp_path)


def test_two_sizes_and_crop(tmp_path):
    write(tmp_path, Cu_Ka=FIELD, Zn_Ka=FIELD[:, :3])
    with pytest.raises(InputError, match=r"Cu_Ka\.tif 3 x 4, Zn_Ka\.tif 3 x 3.*crop=True"):
        spattermap.load(tmp_path)
    maps = spattermap.load(tmp_path, crop=True)
    assert maps.sizes["x"] == 3
    assert any("cropped" in note for note in facts(maps).source["notes"])

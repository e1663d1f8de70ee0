"""The door: what it takes, what it refuses, and the one sentence it says then."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import tifffile

import spattermap
from spattermap.core.errors import InputError, InputFileError
from spattermap.core.mapset import facts
from spattermap.loaders import blank_path, contract, multipage, stack

REFERENCE = Path(__file__).parent / "reference" / "dacite"
FIELD = np.arange(12, dtype=np.uint16).reshape(3, 4)


def write(folder, **planes):
    for name, plane in planes.items():
        tifffile.imwrite(folder / f"{name}.tif", plane)
    return folder


@pytest.mark.outside(
    "Elements, lines, size and pixel size of real maps",
    source="dacite maps of one area at 30, 6 and 1 s (ODC-PDDL 1.0; tests/reference/dacite)",
    known="seen",
    tolerance="0.005 um; the rest equal",
)
def test_real_folder():
    maps = spattermap.load(REFERENCE / "dacite_6s_tif")
    assert list(maps.element.values) == "Al Ca Cl Fe K Mg Na O P Si Ti".split()
    assert str(maps.line.values[0]) == "Al Ka"
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
    assert np.array_equal(maps["counts"].values[0], FIELD[:, :3])
    assert any("cropped" in note for note in facts(maps).source["notes"])


def test_crop_stated_in_the_sidecar(tmp_path):
    write(tmp_path, Cu_Ka=FIELD, Zn_Ka=FIELD[:2])
    (tmp_path / "mapset.toml").write_text("crop = true\n", encoding="utf-8")
    assert spattermap.load(tmp_path).sizes["y"] == 2


def test_more_than_a_border_is_never_cropped(tmp_path):
    wide = np.zeros((9, 9), dtype=np.uint16)
    write(tmp_path, Cu_Ka=wide, Zn_Ka=wide[:5])
    with pytest.raises(InputError, match=r"Zn_Ka\.tif 5 x 9.*same field"):
        spattermap.load(tmp_path, crop=True)


# Where the first stored row and column lie, as the way the stored array is made from the upright.
ORIENTATIONS = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.T,
    6: np.rot90,  # first row is the right-hand side, first column the top
    7: lambda a: a[::-1, ::-1].T,
    8: lambda a: np.rot90(a, -1),  # first row is the left-hand side, first column the bottom
}


@pytest.mark.outside(
    "A marked corner under every orientation of a TIFF",
    source="TIFF 6.0 (1992), tag 274",
    known="common practice",
    tolerance="equal",
)
@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("chunks", [None, 2])
def test_marked_corner_under_every_orientation(tmp_path, orientation, chunks):
    upright = np.array([[9, 5, 1], [0, 0, 0]], dtype=np.uint16)
    stored = np.ascontiguousarray(ORIENTATIONS[orientation](upright))
    tags = [(274, "H", 1, orientation, True)]
    tifffile.imwrite(tmp_path / "Cu.tif", stored, extratags=tags, metadata=None)
    maps = spattermap.load(tmp_path, chunks=chunks)
    assert np.array_equal(maps["counts"].values[0], upright)


@pytest.mark.parametrize("order", ["yxc", "xyc", "cxy", "ycx"])
def test_marked_corner_under_every_axis_order(tmp_path, order):
    import zarr

    scene = np.zeros((2, 3, 4), dtype=np.uint16)
    scene[:, 0, 0], scene[:, 0, 1] = (9, 8), 5
    data = scene.transpose(["cyx".index(axis) for axis in order])
    group = zarr.open_group(str(tmp_path / "image.zarr"), mode="w", zarr_format=3)
    group.create_array("0", data=np.ascontiguousarray(data))
    group.attrs["ome"] = {
        "multiscales": [{"axes": [{"name": axis} for axis in order], "datasets": [{"path": "0"}]}],
        "omero": {"channels": [{"label": "Fe Ka"}, {"label": "Ni Ka"}]},
    }
    assert np.array_equal(spattermap.load(tmp_path / "image.zarr")["counts"].values, scene)


def test_falling_axes_keep_the_picture_and_say_so(tmp_path):
    import h5py

    with h5py.File(tmp_path / "Fe_Ka.nxs", "w") as file:
        group = file.create_group("data")
        group.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x"]})
        group["counts"] = FIELD
        group["y"] = [2.0, 1.0, 0.0]
        group["x"] = [0.0, 1.0, 2.0, 3.0]
    maps = spattermap.load(tmp_path / "Fe_Ka.nxs")
    assert np.array_equal(maps["counts"].values[0], FIELD)
    assert any("axis y falls" in note for note in facts(maps).source["notes"])


def test_blank_is_recorded_as_written_and_found(tmp_path):
    for name in ("deposit", "plate"):
        (tmp_path / name).mkdir()
        write(tmp_path / name, Cu_Ka=FIELD)
    text = 'blank = "../plate"\n'
    (tmp_path / "deposit" / "mapset.toml").write_text(text, encoding="utf-8")
    maps = spattermap.load(tmp_path / "deposit")
    assert facts(maps).source["blank"] == "../plate"
    assert blank_path(tmp_path / "deposit") == (tmp_path / "plate").resolve()
    assert blank_path(tmp_path / "plate") is None


def test_sidecar_electron_image_beside_one_file(tmp_path):
    np.save(tmp_path / "Cu_Ka.npy", FIELD)
    tifffile.imwrite(tmp_path / "image.tif", FIELD + 1)
    (tmp_path / "mapset.toml").write_text('electron_image = "image.tif"\n', encoding="utf-8")
    maps = spattermap.load(tmp_path / "Cu_Ka.npy")
    assert np.array_equal(maps["electron_image"].values, FIELD + 1)
    assert "image.tif" in facts(maps).source["files"]


def test_printing_resolution_is_not_a_pixel_size(tmp_path):
    tifffile.imwrite(tmp_path / "Cu.tif", FIELD, resolution=(300, 300), resolutionunit="INCH")
    maps = spattermap.load(tmp_path)
    assert facts(maps).length_unit == "px"
    assert any("300 dots an inch" in note for note in facts(maps).source["notes"])


def test_unit_in_the_description(tmp_path):
    tifffile.imwrite(
        tmp_path / "Cu.tif", FIELD, resolution=(4, 4), description="unit=micron\n", metadata=None
    )
    assert facts(spattermap.load(tmp_path)).pixel_size == 0.25


@pytest.mark.parametrize("bad", [-1.0, np.nan])
def test_lazy_values_are_checked_where_they_are_read(tmp_path, bad):
    plane = np.full((600, 600), 2.0, dtype=np.float32)
    plane[590, 3] = bad
    np.save(tmp_path / "Cu_Ka.npy", plane)
    (tmp_path / "mapset.toml").write_text('quantity = "counts"\n', encoding="utf-8")
    maps = spattermap.load(tmp_path / "Cu_Ka.npy", chunks=64)
    assert maps["counts"][0, :64, :64].values.min() == 2.0  # this part is fine
    with pytest.raises(InputError, match="finite values of at least 0"):
        maps["counts"].values  # noqa: B018 - reading is what is tested


@pytest.mark.parametrize(
    ("facts_of_file", "labels"),
    [
        ({"Labels": ["Fe_Ka", "Ni_Ka"], "unit": "um"}, ["Fe_Ka", "Ni_Ka"]),
        ({"Labels": ["Fe_Ka"]}, []),  # not one a page
        ({"unit": "um"}, []),
        ("Labels", []),
    ],
)
def test_labels_are_found_in_any_dialect_of_metadata(facts_of_file, labels):
    tiff = SimpleNamespace(flags={"stacked"}, stacked_metadata=facts_of_file)
    assert multipage._labels_of_file(tiff, 2) == labels


@pytest.mark.parametrize("shape", [(1, 0), (2, 0, 4), (3, 4)])
def test_a_reader_that_finds_no_pixels_is_refused_at_the_door(tmp_path, shape):
    found = contract.Stack(counts=np.zeros(shape), elements=["Cu"], format_name="damaged")
    with pytest.raises(InputError, match="at least one pixel"):
        stack.finish(found, tmp_path, None, contract.Request())

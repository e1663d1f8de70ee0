"""What loaders say of layouts they cannot take, and what they make of unusual ones they can."""

import gzip
from pathlib import Path
from types import SimpleNamespace

import h5py
import hyperspy.api as hs
import numpy as np
import pytest
import tifffile
import zarr

import spattermap
from spattermap.core.errors import InputError, InputFileError, InputTypeError, OutputError
from spattermap.core.mapset import make_map_set, validate
from spattermap.loaders import contract, numpy_files, pictures, signals, stack, text, zarr_store
from spattermap.loaders.zarr_store import check_store

PLANES = np.arange(24).reshape(2, 3, 4)


@pytest.fixture
def sidecar(tmp_path):
    def write(words):
        (tmp_path / "mapset.toml").write_text(words, encoding="utf-8")

    return write


# --- Zarr -----------------------------------------------------------------------------------


def test_zarr_is_written_to_a_new_folder_only(tmp_path):
    maps = make_map_set(PLANES, ["Cu", "Zn"], pixel_size_um=0.5)
    zarr_store.write(maps, tmp_path / "m.zarr")
    with pytest.raises(OutputError, match="must be a new folder, got an existing one"):
        zarr_store.write(maps, tmp_path / "m.zarr")
    zarr_store.write(maps.chunk({"y": 2}), tmp_path / "lazy.zarr")
    for name in ("m.zarr", "lazy.zarr"):
        back = spattermap.load(tmp_path / name)
        np.testing.assert_array_equal(back["counts"].values, PLANES)
        assert back.attrs["pixel_size_um"] == 0.5


def test_one_zarr_array_is_a_map_set(tmp_path):
    array = zarr.create_array(
        str(tmp_path / "m.zarr"), shape=(2, 3, 4), dtype="i4", chunks=(1, 3, 4)
    )
    array[...] = PLANES
    array.attrs["elements"] = ["Cu", "Zn"]
    maps = spattermap.load(tmp_path / "m.zarr")
    np.testing.assert_array_equal(maps["counts"].values, PLANES)
    assert maps.element.values.tolist() == ["Cu", "Zn"]


def test_a_lost_chunk_of_a_zarr_array_is_said(tmp_path):
    array = zarr.create_array(
        str(tmp_path / "m.zarr"), shape=(2, 3, 4), dtype="i4", chunks=(1, 3, 4)
    )
    array[0] = PLANES[0] + 1
    array.attrs["elements"] = ["Cu", "Zn"]
    maps = spattermap.load(tmp_path / "m.zarr")
    assert "1 of 2 chunks absent and read as 0" in maps.attrs["source"]


def test_zarr_counts_of_other_dims(tmp_path):
    group = zarr.open_group(str(tmp_path / "m.zarr"), mode="w")
    group.create_array("counts", shape=(3, 4), dtype="i4")
    with pytest.raises(InputError, match=r"dims \(element, y, x\), got shape \(3, 4\)"):
        spattermap.load(tmp_path / "m.zarr")


def test_zarr_facts_must_be_a_table(tmp_path):
    zarr_store.write(make_map_set(PLANES, ["Cu", "Zn"]), tmp_path / "m.zarr")
    zarr.open_group(str(tmp_path / "m.zarr"), mode="r+").attrs["attrs"] = "[1]"
    with pytest.raises(InputFileError, match="must hold its facts as a table"):
        spattermap.load(tmp_path / "m.zarr")


def ome(folder, axes, shape, scale=None, unit="micrometer"):
    group = zarr.open_group(str(folder), mode="w")
    data = np.zeros(shape, np.uint16)
    data[...] = np.arange(data.size).reshape(shape)
    group.create_array("0", shape=shape, dtype="u2", chunks=shape)[...] = data
    listed = [{"name": name, "unit": unit} if name in "xy" else {"name": name} for name in axes]
    level = {"path": "0"}
    if scale is not None:
        level["coordinateTransformations"] = [{"type": "scale", "scale": list(scale)}]
    channels = [{"label": "Cu Ka"}, {"label": "Zn Ka"}]
    group.attrs["ome"] = {
        "version": "0.5", "multiscales": [{"axes": listed, "datasets": [level]}],
        "omero": {"channels": channels},
    }  # fmt: skip
    return data


def test_ome_zarr_with_single_times_and_depths(tmp_path):
    data = ome(tmp_path / "m.zarr", "tczyx", (1, 2, 1, 3, 4), (1, 1, 1, 0.5, 0.5))
    for chunks in (None, 2):
        maps = spattermap.load(tmp_path / "m.zarr", chunks=chunks)
        np.testing.assert_array_equal(maps["counts"].values, data[0, :, 0])
        assert maps.attrs["pixel_size_um"] == 0.5


@pytest.mark.parametrize(
    ("shape", "scale", "message"),
    [
        ((2, 2, 1, 3, 4), (1, 1, 1, 1, 1), "one plane a channel, got 2 along t"),
        ((1, 2, 1, 3, 4), (1, 1, 1, 1.0, 2.0), "square pixels"),
    ],
)
def test_ome_zarr_that_is_no_map_set(tmp_path, shape, scale, message):
    ome(tmp_path / "m.zarr", "tczyx", shape, scale)
    with pytest.raises(InputError, match=message):
        spattermap.load(tmp_path / "m.zarr")


@pytest.mark.parametrize(("scale", "unit"), [(None, "micrometer"), ((1, 1, 1), "parsec"),
                                             ((1, 0.0, 0.0), "micrometer")])  # fmt: skip
def test_ome_zarr_without_a_size_that_makes_sense(tmp_path, scale, unit):
    ome(tmp_path / "m.zarr", "cyx", (2, 3, 4), scale, unit)
    assert np.isnan(spattermap.load(tmp_path / "m.zarr").attrs.get("pixel_size_um", np.nan))


def test_a_whole_store_is_checked(tmp_path):
    zarr_store.write(make_map_set(PLANES, ["Cu", "Zn"]), tmp_path / "m.zarr")
    check_store(tmp_path / "m.zarr")
    group = zarr.open_group(str(tmp_path / "bomb.zarr"), mode="w")
    gz = zarr.codecs.GzipCodec()
    group.create_array("a", shape=(64, 64), dtype="u1", chunks=(64, 64), compressors=gz,
                       filters=None)[...] = 1  # fmt: skip
    chunk = tmp_path / "bomb.zarr" / "a" / "c" / "0" / "0"
    chunk.write_bytes(gzip.compress(bytes(2**27)))
    with pytest.raises(InputFileError, match="chunks of 4,096 bytes when unpacked"):
        check_store(tmp_path / "bomb.zarr")


# --- HDF5 -----------------------------------------------------------------------------------


def test_a_dataset_that_is_not_there(tmp_path, sidecar):
    with h5py.File(tmp_path / "m.h5", "w") as file:
        file["maps/Cu"] = PLANES[0]
    sidecar('dataset = "/other"')
    with pytest.raises(InputError, match=r"got no '/other'. It holds: /maps/Cu \(3, 4\)"):
        spattermap.load(tmp_path / "m.h5")


def test_a_stated_group_of_maps(tmp_path, sidecar):
    with h5py.File(tmp_path / "m.h5", "w") as file:
        file["one/Cu"], file["one/Zn"] = PLANES
        file["two/Cu"] = PLANES[0]
    sidecar('dataset = "/one"')
    maps = spattermap.load(tmp_path / "m.h5")
    np.testing.assert_array_equal(maps["counts"].values, PLANES)


def test_a_stated_name_behind_a_link_out(tmp_path, sidecar):
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["Cu"] = PLANES[0]
    with h5py.File(tmp_path / "Cu.h5", "w") as file:
        file["deep/away"] = h5py.ExternalLink("other.h5", "/")
        file["Cu"] = PLANES[0]
    sidecar('dataset = "/deep/away/Cu"')
    with pytest.raises(InputFileError, match="links to other files in '/deep/away'"):
        spattermap.load(tmp_path / "Cu.h5")
    sidecar('dataset = "/Cu"')
    assert spattermap.load(tmp_path / "Cu.h5").sizes["element"] == 1


def test_several_stacks_must_be_told_apart(tmp_path):
    with h5py.File(tmp_path / "m.h5", "w") as file:
        file["a"] = file["b"] = PLANES
        file["c"] = PLANES
    with pytest.raises(InputError, match="must say which dataset holds the maps"):
        spattermap.load(tmp_path / "m.h5")


def test_maps_of_two_sizes_and_words(tmp_path, sidecar):
    with h5py.File(tmp_path / "m.h5", "w") as file:
        file["Cu"], file["Zn"] = PLANES[0], PLANES[1, :2]
        file["words"] = ["a", "b"]
    with pytest.raises(InputError, match="maps of one size"):
        spattermap.load(tmp_path / "m.h5")
    sidecar('dataset = "/words"')
    with pytest.raises(InputError, match="must hold numbers in /words"):
        spattermap.load(tmp_path / "m.h5")


def nexus(place, *, x_step=0.5, y_step=0.5):
    with h5py.File(place, "w") as file:
        file.attrs["default"] = "entry"
        entry = file.create_group("entry")
        entry.attrs.update(NX_class="NXentry", default="maps")
        maps = entry.create_group("maps")
        maps.attrs.update(NX_class="NXdata", signal="counts")
        maps.attrs["axes"] = ["element", "y", "x"]
        maps["counts"] = PLANES
        maps["counts"].attrs["elements"] = ["Cu", "Zn"]
        maps["counts_errors"] = np.sqrt(PLANES + 1.0)
        maps["title"] = "plate"
        for name, step, number in (("y", y_step, 3), ("x", x_step, 4)):
            maps[name] = step * np.arange(number)
            maps[name].attrs["units"] = "um"
    return place


def test_nexus_keeps_title_and_errors(tmp_path):
    maps = spattermap.load(nexus(tmp_path / "m.nxs"))
    assert maps.attrs["title"] == "plate"
    assert maps.attrs["pixel_size_um"] == 0.5
    np.testing.assert_allclose(maps["variance"].values, PLANES + 1.0)


def test_nexus_pixels_must_be_square(tmp_path):
    with pytest.raises(InputError, match=r"square pixels \(um\), got 0.5 and 0.75"):
        spattermap.load(nexus(tmp_path / "m.nxs", x_step=0.75))


def test_nexus_axis_that_falls_is_said(tmp_path):
    maps = spattermap.load(nexus(tmp_path / "m.nxs", y_step=-0.5))
    assert "axis y falls along the array" in maps.attrs["source"]


# --- text, arrays, pictures -----------------------------------------------------------------


def test_table_header_must_name_every_column(tmp_path):
    (tmp_path / "m.csv").write_text("x,y,Cu\n0,0,1,2\n1,0,1,2\n", encoding="utf-8")
    with pytest.raises(InputError, match="a name for each of its 4 columns, got 3"):
        spattermap.load(tmp_path / "m.csv")


def test_text_that_is_too_long_or_no_text(tmp_path, monkeypatch):
    (tmp_path / "Cu.csv").write_bytes(b"1,2\n\0\0\n")
    with pytest.raises(InputFileError, match="must be text, got binary data"):
        spattermap.load(tmp_path / "Cu.csv")
    monkeypatch.setattr(text, "MOST_BYTES", 10)
    (tmp_path / "Zn.csv").write_text("1,2,3\n4,5,6\n7,8,9\n", encoding="utf-8")
    with pytest.raises(InputFileError, match="must be at most 10 bytes of text, got 18"):
        spattermap.load(tmp_path / "Zn.csv")


def test_words_between_numbers(tmp_path):
    (tmp_path / "Cu.csv").write_text("1,2,3\n4,n/k,6\n7,8,9\n", encoding="utf-8")
    with pytest.raises(InputFileError) as caught:
        spattermap.load(tmp_path / "Cu.csv")
    assert "Cu.csv" in str(caught.value)


def test_npz_with_a_named_stack(tmp_path):
    np.savez(tmp_path / "m.npz", counts=PLANES, elements=["Cu", "Zn"], pixel_size_um=0.25,
             variance=PLANES + 1.0)  # fmt: skip
    maps = spattermap.load(tmp_path / "m.npz")
    np.testing.assert_array_equal(maps["counts"].values, PLANES)
    np.testing.assert_array_equal(maps["variance"].values, PLANES + 1.0)
    assert maps.attrs["pixel_size_um"] == 0.25
    assert numpy_files.recognises(tmp_path / "m.npz")


def test_pictures_of_truth_values_are_counts(tmp_path):
    tifffile.imwrite(tmp_path / "Cu.tif", np.eye(4, dtype=bool))
    assert spattermap.load(tmp_path / "Cu.tif")["counts"].values[0].tolist() == np.eye(4).tolist()


def test_a_picture_beyond_what_is_read_at_once(tmp_path, monkeypatch):
    import imageio.v3 as iio

    iio.imwrite(tmp_path / "Cu.png", np.ones((4, 4), np.uint8))
    monkeypatch.setattr(pictures, "EAGER_BYTES", 10)
    with pytest.raises(InputFileError, match="at most 4 GiB"):
        spattermap.load(tmp_path / "Cu.png")


def test_a_picture_that_needs_more_memory_than_there_is(tmp_path, monkeypatch):
    tifffile.imwrite(tmp_path / "Cu.tif", np.ones((4, 4), np.uint8))

    def full(*_, **__):
        raise MemoryError

    monkeypatch.setattr(pictures, "_tiff", full)
    with pytest.raises(InputFileError, match="must fit in memory"):
        pictures.open_picture(tmp_path / "Cu.tif", lazy=False)


def test_resolution_tags_that_make_no_sense(tmp_path):
    tifffile.imwrite(tmp_path / "Cu.tif", np.ones((4, 4), np.uint8), resolution=(0, 0),
                     resolutionunit="CENTIMETER")  # fmt: skip
    maps = spattermap.load(tmp_path / "Cu.tif")
    assert "resolution tags make no sense" in maps.attrs["source"]


def test_an_electron_image_that_is_not_there(tmp_path, sidecar):
    np.savez(tmp_path / "m.npz", counts=PLANES, elements=["Cu", "Zn"])
    sidecar('electron_image = "gone.tif"')
    with pytest.raises(InputFileError, match=r"must be a file, got 'gone.tif', which is not there"):
        spattermap.load(tmp_path / "m.npz")
    tifffile.imwrite(tmp_path / "gone.tif", np.full((3, 4), 5, np.uint8))
    maps = spattermap.load(tmp_path / "m.npz")
    assert maps["electron_image"].values.tolist() == [[5] * 4] * 3


def test_parts_of_a_lazy_stack_are_checked_when_read(tmp_path):
    zarr_store.write(make_map_set(PLANES.astype(float), ["Cu", "Zn"]), tmp_path / "m.zarr")
    array = zarr.open_group(str(tmp_path / "m.zarr"), mode="r+")["counts"]
    maps = spattermap.load(tmp_path / "m.zarr", chunks={"element": 1, "y": 2})
    assert maps["counts"].data.chunks == ((1, 1), (2, 1), (4,))
    np.testing.assert_array_equal(maps["counts"].values, PLANES)
    array[1, 2, 3] = -7.0
    with pytest.raises(InputError, match="finite values of at least 0, got -7"):
        spattermap.load(tmp_path / "m.zarr", chunks={"element": 1, "y": 2})


def test_paths_between_drives_are_names(monkeypatch):
    def other_drive(*_):
        raise ValueError

    monkeypatch.setattr(stack.os.path, "relpath", other_drive)
    assert stack.path_from(Path("a") / "b.tif", Path()) == "b.tif"


# --- map sets in memory ---------------------------------------------------------------------


def test_shapes_and_names_of_a_map_set():
    with pytest.raises(InputError, match=r"at least one pixel, got shape \(3, 4\)"):
        make_map_set(PLANES[0], ["Cu"])
    with pytest.raises(InputError, match="must name each of the 2 maps, got 1 names"):
        make_map_set(PLANES, ["Cu"])
    with pytest.raises(InputError, match="must be unique, got 'Cu' twice"):
        make_map_set(PLANES, ["Cu", "Cu"])
    maps = make_map_set(PLANES, ["Cu", "Zn"])
    with pytest.raises(InputError, match="must hold 'counts' with dims"):
        validate(maps.transpose("y", "element", "x"))
    with pytest.raises(InputError, match="valid must have dims"):
        validate(maps.assign(valid=(("x", "y"), np.ones((4, 3), bool))))
    with pytest.raises(InputTypeError, match="counts must be real numbers, got dtype complex"):
        validate(maps.assign(counts=maps["counts"].astype(complex)))
    with pytest.raises(InputError, match="valid must leave at least one pixel"):
        make_map_set(PLANES, ["Cu", "Zn"], valid=np.zeros((3, 4), bool))


def test_signals_that_are_no_maps():
    with pytest.raises((InputError, InputTypeError)):
        spattermap.loaders.from_signal(SimpleNamespace(data=PLANES))


# --- signals --------------------------------------------------------------------------------


def stack_signal(*, scales=(0.5, 0.5), units="µm", names=("Cu_Ka", "Zn_Ka")):
    signal = hs.signals.Signal2D(PLANES.astype(float))
    signal.metadata.set_item("Sample.xray_lines", list(names))
    for axis, scale in zip(signal.axes_manager.signal_axes, scales, strict=True):
        axis.scale, axis.units = scale, units
    return signal


def test_size_of_a_signal():
    assert spattermap.from_signal(stack_signal()).attrs["pixel_size_um"] == 0.5
    assert spattermap.from_signal(stack_signal(units="nm")).attrs["pixel_size_um"] == 0.0005
    assert np.isnan(
        spattermap.from_signal(stack_signal(units="s")).attrs.get("pixel_size_um", np.nan)
    )
    with pytest.raises(InputError, match=r"square pixels \(um\), got 0.5 and 0.7"):
        spattermap.from_signal(stack_signal(scales=(0.5, 0.7)))


def test_one_of_several_signals_of_a_file(tmp_path):
    maps, trace = stack_signal(), hs.signals.Signal1D(np.ones(5))
    assert signals._one_of([trace, maps], tmp_path / "m.hspy") is maps
    assert signals._one_of(maps, tmp_path / "m.hspy") is maps
    with pytest.raises(InputError, match="one stack of maps, got 2 among 3 signals"):
        signals._one_of([maps, trace, maps], tmp_path / "m.hspy")


def test_lines_of_a_cube_are_those_of_the_sidecar_then_of_the_file():
    signal = stack_signal(names=("Cu_Ka", "Cu_La", "Zn_Ka", "noise"))
    signal.metadata.set_item("Sample.elements", ["Zn", "Si"])
    assert signals._wanted_lines(signal, contract.Request()) == {
        "Cu": "Cu Ka", "Zn": "Zn Ka", "Si": "",
    }  # fmt: skip
    stated = contract.Request(sidecar={"lines": {"Fe": "Fe Ka"}})
    assert signals._wanted_lines(signal, stated) == {"Fe": "Fe Ka"}


def test_a_cube_of_other_things_than_numbers():
    signal = hs.signals.Signal1D(np.ones((3, 4, 50), bool))
    axis = signal.axes_manager.signal_axes[0]
    axis.scale, axis.units = 0.1, "keV"
    with pytest.raises(InputError, match="must hold counts, got type bool"):
        spattermap.from_signal(signal)


@pytest.mark.parametrize("problem", [MemoryError(), RuntimeError("can't start new thread")])
def test_memory_that_runs_out_is_not_called_a_fault_of_the_file(tmp_path, monkeypatch, problem):
    import h5py

    def fails(*_, **__):
        raise problem

    with h5py.File(tmp_path / "Cu.h5", "w") as file:
        file["Cu"] = np.ones((4, 4), np.uint16)
    monkeypatch.setattr("spattermap.loaders.hdf5._read", fails)
    with pytest.raises(InputFileError, match=r"Cu\.h5 must fit in memory, got too little"):
        spattermap.load(tmp_path / "Cu.h5")

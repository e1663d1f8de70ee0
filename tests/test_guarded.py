"""What a file claims is looked at before any of it is read, whichever part it is."""

from __future__ import annotations

import os
import sys

import h5py
import numpy as np
import pytest

from spattermap.core.errors import SpattermapError
from spattermap.core.sidecar import read_sidecar
from spattermap.loaders import load
from spattermap.loaders.zarr_store import write


def nexus(place, *, axis=None, errors=None, electron=None):
    """Write an NXdata file of two maps of 16 x 20 pixels, one part of it as given."""
    with h5py.File(place, "w") as file:
        group = file.create_group("entry")
        group.attrs.update({"NX_class": "NXdata", "signal": "data"})
        group.attrs["axes"] = ["element", "y", "x"]
        group["data"] = np.random.default_rng(1).poisson(4, (2, 16, 20)).astype(np.uint16)
        group["element"] = ["Cu", "Zn"]
        group.create_dataset("x", **(axis or {"data": np.arange(20.0)}))
        if errors:
            group.create_dataset("data_errors", shape=(2, 16, 20), dtype="f8", **errors)
        if electron:
            electron(file)
    return place


def elsewhere(tmp_path):
    secret = tmp_path / "secret.bin"
    secret.write_bytes(bytes(2 * 16 * 20 * 8))
    return [(str(secret), 0, secret.stat().st_size)]


def test_an_axis_of_another_length_is_refused_before_it_is_read(tmp_path):
    large = {"shape": (600_000_000,), "dtype": "f8", "chunks": (1000,), "compression": "gzip"}
    for axis in (large, {"data": np.arange(7.0)}):
        with pytest.raises(SpattermapError, match="axes as long as its signal"):
            load(nexus(tmp_path / "m.h5", axis=axis))


def test_errors_that_lie_in_another_file_are_refused(tmp_path):
    place = nexus(tmp_path / "m.h5", errors={"external": elsewhere(tmp_path)})
    with pytest.raises(SpattermapError, match="links to other files in /entry/data_errors"):
        load(place)


@pytest.mark.parametrize("name", ["valid", "counts", "electron_image"])
def test_a_netcdf_file_that_reads_from_another_file_is_refused(tmp_path, name):
    from spattermap.core.mapset import make_map_set

    counts = np.random.default_rng(1).poisson(4, (2, 16, 20)).astype(np.uint16)
    make_map_set(counts, ["Cu", "Zn"]).to_netcdf(tmp_path / "m.nc", engine="h5netcdf")
    with h5py.File(tmp_path / "m.nc", "a") as file:
        if name in file:
            del file[name]
        file.create_dataset(name, shape=(16, 20), dtype="u1", external=elsewhere(tmp_path))
    with pytest.raises(SpattermapError, match="links to other files"):
        load(tmp_path / "m.nc")


@pytest.mark.skipif(sys.platform == "win32", reason="pipes of POSIX")
@pytest.mark.parametrize("kind", ["link", "pipe", "folder"])
def test_a_store_of_links_and_pipes_is_refused_at_once(tmp_path, kind):
    from spattermap.core.mapset import make_map_set

    counts = np.random.default_rng(1).poisson(4, (2, 16, 20)).astype(np.uint16)
    place = write(make_map_set(counts, ["Cu", "Zn"]), tmp_path / "m.zarr")
    chunk = next(file for file in place.rglob("c/*/*/*") if file.is_file())
    if kind == "folder":
        chunk = chunk.parent
        chunk.rename(tmp_path / "moved")
        chunk.symlink_to(tmp_path / "moved")
    else:
        chunk.rename(tmp_path / "moved")
        chunk.symlink_to(tmp_path / "moved") if kind == "link" else os.mkfifo(chunk)
    with pytest.raises(SpattermapError, match="got a link, pipe or device at"):
        load(place)


def test_a_chunk_far_larger_than_its_array_is_refused(tmp_path):
    import zarr

    array = zarr.create_array(
        str(tmp_path / "Cu.zarr"), shape=(512, 512), chunks=(8192, 8192), dtype="u2"
    )
    array.attrs["elements"] = ["Cu"]
    array[:2, :2] = 1
    with pytest.raises(SpattermapError, match="got 134,217,728 bytes"):
        load(tmp_path / "Cu.zarr")


@pytest.mark.parametrize(
    "text",
    [
        "pixel_size_um = nan",
        "pixel_size_um = inf",
        "pixel_size_um = '0.5'",
        "pixel_size_um = " + "9" * 5000,
        "pixel_size_um = " + "9" * 30,
        "[process]\ncharge_J = " + "9" * 40,
        "[process]\ncharge_J = nan",
        "[process]\na = " + "[" * 3000 + "]" * 3000,
        "title = 'a\0b'",
        'title = "a\\u0000b"',
        'electron_image = "a\\u0000b"',
        'blank = "a\\u0000b"',
        "title = '" + "x" * 100_000 + "'",
        "title = '" + "x" * 3_000_000 + "'",
    ],
)
def test_a_sidecar_that_no_one_would_write_is_one_line(tmp_path, text):
    file = tmp_path / "mapset.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SpattermapError) as caught:
        read_sidecar(file)
    said = str(caught.value)
    assert str(file) in said
    assert len(said) < 500 + len(str(file))

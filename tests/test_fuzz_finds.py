"""What the structure-aware fuzzer found (`benchmarks/fuzz_loaders.py`), one small case each."""

from __future__ import annotations

import csv
import gzip
import json
import os
import pickle
import struct
import time
import zlib

import h5py
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
import zarr

import spattermap
from spattermap.core.errors import InputError, InputFileError, SpattermapError
from spattermap.core.grid import DiskStore
from spattermap.core.settings import Settings
from spattermap.loaders.convert import convert, read_tiles
from spattermap.loaders.zarr_store import write
from spattermap.sweeps.sheet import read_sheet

PLANE = np.random.default_rng(1).poisson(4, (32, 48)).astype(np.uint16)


def refused(place, words, **options):
    begun = time.monotonic()
    with pytest.raises(InputFileError, match=words) as caught:
        spattermap.load(place, **options)
    assert time.monotonic() - begun < 10
    assert str(caught.value).isprintable()


# --- hangs and crashes --------------------------------------------------------------------------


def test_a_line_of_millions_of_cells_is_refused(tmp_path):
    (tmp_path / "Cu_Ka.tsv.gz").write_bytes(gzip.compress(b"0," * 2**25, 1))
    refused(tmp_path, "at most 65,536 columns, got a line of 67,108,864 characters")
    (tmp_path / "Cu_Ka.tsv.gz").write_bytes(gzip.compress(b"0," * 100_000, 1))
    refused(tmp_path, "at most 65,536 columns, got 100,00")


def test_a_name_of_thousands_of_characters_is_said_in_short(tmp_path):
    with h5py.File(tmp_path / "maps.nxs", "w") as file:
        file.create_group("data").attrs.update({"NX_class": "NXdata", "signal": '{"a": ' * 400})
    with pytest.raises(InputError, match="signal its NXdata names") as refused:
        spattermap.load(tmp_path / "maps.nxs")
    assert len(str(refused.value)) < 600


def test_a_list_of_axes_of_another_length_is_refused(tmp_path):
    counts = np.stack([PLANE, PLANE])
    place = tmp_path / "maps.nc"
    spattermap.make_map_set(counts, ["Cu", "Zn"]).to_netcdf(place, engine="h5netcdf")
    with h5py.File(place, "r+") as file:
        axes = dict(file["counts"].attrs)
        del file["counts"]
        file["counts"] = counts[0]  # of two dims, with the list of three
        for name, value in axes.items():
            file["counts"].attrs[name] = value
    refused(place, r"crashes the HDF5 library|one axis for each of the 2 dims")


def test_a_pipe_in_the_place_of_raw_numbers_is_refused(tmp_path):
    (tmp_path / "maps.rpl").write_text(
        "key\tvalue\nwidth\t48\nheight\t32\ndepth\t2\noffset\t0\ndata-length\t2\n"
        "data-type\tunsigned\nbyte-order\tlittle-endian\nrecord-by\timage\n"
    )
    os.mkfifo(tmp_path / "maps.raw")
    refused(tmp_path / "maps.rpl", "got no file maps.raw")
    (tmp_path / "maps.raw").unlink()
    (tmp_path / "maps.raw").write_bytes(PLANE.tobytes() * 2)
    header = (tmp_path / "maps.rpl").read_text()
    for depth in ("999999999999", "-2", "0"):  # hours of dividing into chunks
        (tmp_path / "maps.rpl").write_text(header.replace("depth\t2", f"depth\t{depth}"))
        refused(tmp_path / "maps.rpl", "must be the header of maps.raw")
    (tmp_path / "maps.rpl").unlink()
    (tmp_path / "maps.rpl").symlink_to("/dev/zero")
    refused(tmp_path / "maps.rpl", "must be a short header")
    (tmp_path / "maps.rpl").unlink()
    os.mkfifo(tmp_path / "maps.rpl")
    refused(tmp_path / "maps.rpl", "must be a short header")


def test_a_link_round_in_a_circle_is_no_electron_image(tmp_path):
    tifffile.imwrite(tmp_path / "Cu_Ka.tif", PLANE)
    (tmp_path / "mapset.toml").write_text('electron_image = "SE.npy"\n')
    (tmp_path / "SE.npy").symlink_to(tmp_path / "SE.npy")
    refused(tmp_path, "leads round in a circle|must be a file")


def test_an_emptied_settings_file_is_not_taken_for_the_defaults(tmp_path):
    (tmp_path / "settings.toml").write_text("")
    with pytest.raises(InputFileError, match="must hold settings, got an empty file"):
        Settings.from_toml(tmp_path / "settings.toml")


def test_groups_that_hold_each_other_are_refused(tmp_path):
    with h5py.File(tmp_path / "maps.hspy", "w") as file:
        file.attrs["file_format"], file.attrs["file_format_version"] = "HyperSpy", "3.3"
        inside = file.create_group("Experiments/maps/metadata")
        inside["again"] = inside  # as the fuzz found it: seconds; two of them: without end
        inside["and again"] = inside.parent
    refused(tmp_path / "maps.hspy", "each group once")


def test_a_store_of_arrays_has_one_order_of_elements(tmp_path):
    for turn, order in enumerate((("Cu", "Zn", "Al"), ("Zn", "Al", "Cu"), ("Al", "Zn", "Cu"))):
        group = zarr.open_group(str(tmp_path / f"{turn}.zarr"), mode="w", zarr_format=2)
        for name in order:
            group.create_array(name, shape=PLANE.shape, dtype="uint16")[...] = PLANE
        maps = spattermap.load(tmp_path / f"{turn}.zarr")
        assert list(maps["element"].values) == ["Al", "Cu", "Zn"]


# --- other data without a word ------------------------------------------------------------------


def retagged(place, tag, value, **options):
    """Write a TIFF and change the value of one tag."""
    tifffile.imwrite(place, PLANE, **options)
    data = bytearray(place.read_bytes())
    at = struct.unpack("<I", data[4:8])[0]
    for k in range(struct.unpack("<H", data[at : at + 2])[0]):
        entry = at + 2 + 12 * k
        found, kind = struct.unpack("<HH", data[entry : entry + 4])
        if found == tag:
            struct.pack_into("<H" if kind == 3 else "<I", data, entry + 8, value)
    place.write_bytes(data)


@pytest.mark.parametrize("chunks", [None, 16])
@pytest.mark.parametrize(
    ("tag", "value", "packing"),
    [
        (257, 16, None),  # half the rows
        (256, 24, None),  # half the columns
        (258, 8, None),  # half the bits
        (257, 64, "zlib"),  # twice the rows: zeros
        (279, 0, "zlib"),  # a strip of no length: zeros
        (259, 2, None),  # a packing for black and white
    ],
)
def test_a_tiff_that_holds_other_than_its_header_says(tmp_path, tag, value, packing, chunks):
    retagged(tmp_path / "Cu_Ka.tif", tag, value, compression=packing)
    refused(tmp_path, "as much as its header says|without loss", chunks=chunks)


def test_a_packing_that_is_cut_without_a_word(tmp_path):
    retagged(tmp_path / "Cu_Ka.tif", 257, 16, compression="lzw")
    refused(tmp_path, "when unpacked, got more")


@pytest.mark.parametrize("bits", [9, 12, 15])
def test_numbers_of_fewer_bits_than_were_packed(tmp_path, bits):
    retagged(tmp_path / "Cu_Ka.tif", 258, bits, compression="zlib")
    refused(tmp_path, r"when unpacked, got more|whole picture")


@pytest.mark.parametrize("packing", [None, "zlib", "lzw", "lzma", "zstd", "packbits"])
@pytest.mark.parametrize("cut", [{"rowsperstrip": 10}, {"tile": (16, 16)}, {}])
def test_honest_tiffs_are_read(tmp_path, packing, cut):
    tifffile.imwrite(tmp_path / "Cu_Ka.tif", PLANE, compression=packing, **cut)
    tifffile.imwrite(tmp_path / "Zn_Ka.tif", PLANE > 3)
    for chunks in (None, 16):
        maps = spattermap.load(tmp_path, chunks=chunks)
        np.testing.assert_array_equal(maps["counts"].sel(element="Cu"), PLANE)


def test_a_png_that_holds_more_rows_than_its_header_says(tmp_path):
    data = bytearray(iio.imwrite("<bytes>", PLANE, extension=".png"))
    data[20:24] = struct.pack(">I", 16)
    data[29:33] = struct.pack(">I", zlib.crc32(data[12:29]))
    (tmp_path / "Cu_Ka.png").write_bytes(data)
    refused(tmp_path, "the 16 x 48 pixels of its header, got more")


def test_an_array_after_the_first_is_not_left_out(tmp_path):
    with (tmp_path / "Cu_Ka.npy").open("wb") as stream:
        np.save(stream, PLANE)
        np.save(stream, PLANE)
    refused(tmp_path, "must hold one array")


def test_raw_numbers_longer_than_their_header_says(tmp_path):
    import hyperspy.api as hs

    hs.signals.Signal2D(np.stack([PLANE, PLANE])).save(tmp_path / "maps.rpl")
    (tmp_path / "mapset.toml").write_text("[lines]\nCu = 'Cu Ka'\nZn = 'Zn Ka'\n", encoding="utf-8")
    assert spattermap.load(tmp_path / "maps.rpl").sizes["y"] == 32
    with (tmp_path / "maps.raw").open("ab") as stream:
        stream.write(bytes(2))
    refused(tmp_path / "maps.rpl", "6,144 bytes by the header and 6,146 in the file")


def test_an_array_that_cannot_be_read_is_not_left_out(tmp_path):
    group = zarr.open_group(str(tmp_path / "maps.zarr"), mode="w", zarr_format=2)
    for name in ("Cu_Ka", "Zn_Ka"):
        group.create_array(name, shape=PLANE.shape, chunks=(16, 24), dtype="u2")[...] = PLANE
    about = tmp_path / "maps.zarr" / "Cu_Ka" / ".zarray"
    facts = json.loads(about.read_text(encoding="utf-8"))
    del facts["zarr_format"]
    about.write_text(json.dumps(facts), encoding="utf-8")
    refused(tmp_path / "maps.zarr", "got Cu_Ka without a whole description|readable Zarr store")


# --- shards -------------------------------------------------------------------------------------


def sharded(tmp_path, entry):
    """Write a mosaic; in a shard, put a GiB of zeros in a few kB, and an entry in its index."""
    import google_crc32c
    import imagecodecs

    (tmp_path / "maps").mkdir()
    for name in ("Cu_Ka", "Zn_Ka"):
        np.save(tmp_path / "maps" / f"{name}.npy", PLANE)
    place = convert(tmp_path / "maps", tmp_path / "maps.zarr", chunk_px=16, shard_px=32)
    shard = place / "counts" / "c" / "0" / "0" / "0"
    data, index = shard.read_bytes(), 4 * 16 + 4
    bomb = imagecodecs.zstd_encode(bytes(2**28))
    held = np.frombuffer(data[-index:-4], "<u8").reshape(-1, 2).copy()
    held[0] = entry(len(data) - index, len(bomb))
    shard.write_bytes(data[:-index] + bomb + held.tobytes()
                      + struct.pack("<I", google_crc32c.value(held.tobytes())))  # fmt: skip
    return place


@pytest.mark.parametrize("chunks", [None, 16])
def test_a_bomb_within_a_shard_is_refused_unopened(tmp_path, chunks):
    place = sharded(tmp_path, lambda start, length: (start, length))
    refused(place, "chunks of 512 bytes when unpacked, got one of 268,435,456", chunks=chunks)


@pytest.mark.parametrize("chunks", [None, 16])
def test_an_index_that_points_beyond_its_shard_is_refused(tmp_path, chunks):
    place = sharded(tmp_path, lambda start, _: (start, 2**62))
    refused(place, "whole shards", chunks=chunks)


def test_shards_within_shards_are_refused(tmp_path):
    from zarr.codecs import BytesCodec, ShardingCodec, ZstdCodec

    inner = ShardingCodec(chunk_shape=(8, 8), codecs=[BytesCodec(), ZstdCodec()])
    array = zarr.create_array(
        str(tmp_path / "Cu_Ka.zarr"), shape=(32, 48), dtype="u2", chunks=(16, 16),
        serializer=inner, compressors=None,
    )  # fmt: skip
    array[...] = PLANE
    with pytest.raises(SpattermapError):
        write_nested(tmp_path)


def write_nested(tmp_path):
    about = tmp_path / "Cu_Ka.zarr" / "zarr.json"
    facts = json.loads(about.read_text(encoding="utf-8"))
    outer = facts["codecs"][0]
    facts["codecs"] = [
        {"name": "sharding_indexed",
         "configuration": {**outer["configuration"], "chunk_shape": [16, 16], "codecs": [outer]}}
    ]  # fmt: skip
    facts["chunk_grid"]["configuration"]["chunk_shape"] = [32, 48]
    about.write_text(json.dumps(facts), encoding="utf-8")
    spattermap.load(tmp_path / "Cu_Ka.zarr")


@pytest.mark.parametrize("packing", ["blosc", "zstd", "gzip"])
def test_a_damaged_chunk_is_met_in_the_child_first(tmp_path, packing, monkeypatch):
    from spattermap.loaders import probe

    asked = []
    real = probe.require_harmless
    monkeypatch.setattr(probe, "require_harmless", lambda *a: asked.append(a) or real(*a))
    codec = {"blosc": zarr.codecs.BloscCodec, "zstd": zarr.codecs.ZstdCodec,
             "gzip": zarr.codecs.GzipCodec}[packing]()  # fmt: skip
    array = zarr.create_array(
        str(tmp_path / "Cu_Ka.zarr"), shape=(32, 48), dtype="u2", chunks=(16, 16), compressors=codec
    )
    array[...] = PLANE
    chunk = tmp_path / "Cu_Ka.zarr" / "c" / "0" / "0"
    chunk.write_bytes(chunk.read_bytes()[:-9] + bytes(9))
    with pytest.raises(SpattermapError):
        spattermap.load(tmp_path / "Cu_Ka.zarr")
    assert asked


# --- settings and tables ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "seed = " + "9" * 5000, "seed = true", "seed = -1", "n_resamples = 1000000000",
        "metal_sensitivity = 'much'", "metal_sensitivity = nan", "metal_sensitivity = 1e30",
        "alloy = 'Cu'", "alloy = 5", "substrate = [5]", "block_px = 1e9", "level = inf",
        "k_factors = 3", "alloy = " + "[" * 3000 + "]" * 3000, "cracks = 'a\0b'",
    ],
)  # fmt: skip
def test_settings_that_no_one_would_write_are_one_line(tmp_path, text):
    file = tmp_path / "settings.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SpattermapError) as caught:
        Settings.from_toml(file)
    assert str(caught.value).isprintable()


def test_settings_given_as_one_text_are_not_taken_letter_by_letter():
    with pytest.raises(SpattermapError, match="list of element symbols, got 'CO'"):
        Settings(alloy="CO")


@pytest.mark.parametrize("harm", ["null", "open quotation mark"])
def test_a_sheet_that_is_no_table_is_one_line(tmp_path, harm):
    file = tmp_path / "sheet.csv"
    endless = 'path,a\nmaps,"' + "x" * (csv.field_size_limit() + 9) + "\n"
    file.write_text("path\nmaps\0\n" if harm == "null" else endless, encoding="utf-8")
    with pytest.raises(SpattermapError) as caught:
        read_sheet(file)
    assert len(str(caught.value)) < 1500


def test_a_number_beyond_all_stays_text(tmp_path):
    file = tmp_path / "sheet.csv"
    file.write_text("path,charge_J\nmaps,1e999\n", encoding="utf-8")
    assert read_sheet(file)[0].process == {"charge_J": "1e999"}


@pytest.mark.parametrize("cell", ["0\0", "x" * 70_000, "\u202e3"])
def test_a_table_of_tiles_that_is_no_table_is_one_line(tmp_path, cell):
    file = tmp_path / "tiles.csv"
    file.write_text(f"path,y_px,x_px\nmaps,{cell},0\n", encoding="utf-8")
    with pytest.raises(SpattermapError) as caught:
        read_tiles(file)
    said = str(caught.value)
    assert said.isprintable()
    assert len(said) < 1500


def test_whatever_is_said_is_one_short_line():
    for hostile in ("a\nb", "a\x1b[2Jb", "a\u202eb", "x" * 10**6, "a\0b", "\r\n" * 99):
        said = str(InputError(f"file {hostile} must be sound"))
        assert said.isprintable()
        assert len(said) < 1000


# --- scratch ------------------------------------------------------------------------------------


def test_scratch_is_numbers_and_nothing_in_it_is_run(tmp_path):
    store, mark = DiskStore(tmp_path), tmp_path / "ran"
    store.keep("one", np.arange(3))
    store.keep("two", np.arange(3), np.ones((2, 2)))
    np.testing.assert_array_equal(store.recall("one"), np.arange(3))
    assert [part.shape for part in store.recall_all("two")] == [(3,), (2, 2)]

    class Harm:
        def __reduce__(self):
            return (type(mark).mkdir, (mark,))

    harm = np.array([Harm()], dtype=object)
    for name in ("harm.npz", "harm.pickle"):
        with (tmp_path / name).open("wb") as stream:
            if name.endswith("npz"):
                np.savez(stream, allow_pickle=True, **{"0": harm})
            else:
                pickle.dump(Harm(), stream)
    with pytest.raises(ValueError, match="allow_pickle"):
        store.recall_all("harm")
    assert not mark.exists()


def test_a_map_set_written_is_read(tmp_path):
    place = write(spattermap.make_map_set(np.stack([PLANE, PLANE]), ["Cu", "Zn"]), tmp_path / "m")
    np.testing.assert_array_equal(spattermap.load(place)["counts"][1], PLANE)


@pytest.mark.parametrize("far", ["1e12", "3000000", "1e300", "100000"])
def test_tiles_that_do_not_lie_together_are_refused(tmp_path, far):
    (tmp_path / "maps").mkdir()
    np.save(tmp_path / "maps" / "Cu_Ka.npy", PLANE)
    file = tmp_path / "tiles.csv"
    file.write_text(f"path,y_px,x_px\nmaps,0,0\nmaps,{far},{far}\n", encoding="utf-8")
    with pytest.raises(
        SpattermapError, match=r"must lie together|must hold at most|must be a number"
    ):
        convert(file, tmp_path / "out.zarr")
    assert not (tmp_path / "out.zarr").exists()


@pytest.mark.parametrize(
    "text",
    [
        "blank = '.'", "blank = ''", "blank = '" + "x" * 300 + "'", "electron_image = ''",
        "electron_image = '" + "x" * 300 + "'", "electron_image = 0", "take_off_deg = 95",
        "tilt_deg = 90", "beam_energy_keV = 1e9", "[process.a.b]\nc = 1", "[process]\na = [[1]]",
        "[measured]\nx = 1979-05-27",
    ],
)  # fmt: skip
def test_a_sidecar_that_cannot_be_meant_is_one_line(tmp_path, text, capsys):
    from spattermap import cli

    np.save(tmp_path / "Cu_Ka.npy", PLANE)
    (tmp_path / "mapset.toml").write_text(text, encoding="utf-8")
    assert cli.main(["look", str(tmp_path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_map_set_is_no_blank_of_itself(tmp_path):
    np.save(tmp_path / "Cu_Ka.npy", PLANE)
    maps = spattermap.load(tmp_path)
    with pytest.raises(InputError, match="files of the maps themselves"):
        spattermap.analyse(maps, blank=maps)


def test_a_sweep_that_cannot_begin_leaves_nothing(tmp_path):
    from spattermap.sweeps import sweep

    np.save(tmp_path / "Cu_Ka.npy", PLANE)
    for wrong in ({"scheduler": "nonsense"}, {"scheduler": "processes", "workers": 0}):
        with pytest.raises(InputError):
            sweep([tmp_path], out=tmp_path / "out", **wrong)
        assert not (tmp_path / "out").exists()


def test_a_map_that_changes_while_the_set_is_read_is_refused(tmp_path, monkeypatch):
    from spattermap.loaders import stack

    for name in ("Cu_Ka", "Zn_Ka"):
        np.save(tmp_path / f"{name}.npy", PLANE)
    real = stack.finish

    def slow(*args):
        np.save(tmp_path / "Cu_Ka.npy", PLANE + 1)
        return real(*args)

    monkeypatch.setattr(stack, "finish", slow)
    refused(tmp_path, "got Cu_Ka.npy changed meanwhile")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX")
@pytest.mark.parametrize("read", [Settings.from_toml, read_sheet])
def test_a_pipe_in_the_place_of_a_text_is_refused_at_once(tmp_path, read):
    for name, make in (("pipe", os.mkfifo), ("zero", lambda p: p.symlink_to("/dev/zero"))):
        make(tmp_path / name)
        with pytest.raises(InputFileError, match="got a pipe or a device"):
            read(tmp_path / name)


def test_more_lines_than_maps_are_refused(tmp_path):
    place = tmp_path / "maps.nc"
    spattermap.make_map_set(np.stack([PLANE, PLANE]), ["Cu", "Zn"]).to_netcdf(
        place, engine="h5netcdf"
    )
    with h5py.File(place, "r+") as file:
        del file["line"]
        file["line"] = np.array(["Cu Ka"] * 48, dtype=object)
    with pytest.raises(SpattermapError):
        spattermap.load(place)

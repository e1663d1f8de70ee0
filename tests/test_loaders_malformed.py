"""Files that are damaged, lie, or mean harm: each ends in one clear line, quickly and in bounds."""

import gzip
import io
import json
import pickle
import struct
import time
import tracemalloc
import warnings
import zipfile
import zlib
from pathlib import Path

import h5py
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
import zarr

import spattermap
from spattermap.core.errors import SpattermapError

PLANE = np.arange(12, dtype=np.uint16).reshape(3, 4)
CUBE = np.arange(24, dtype=np.uint16).reshape(2, 3, 4)
MOST_BYTES, MOST_SECONDS = 2**30, 20.0

CASES = {}


def case(words, **more):
    """Register a writer; `words` must appear in the message."""

    def add(write):
        CASES[write.__name__] = (write, words, more)
        return write

    return add


def tiff(folder, name="Cu_Ka.tif", plane=PLANE, **options):
    tifffile.imwrite(folder / name, plane, **options)
    return folder


def sidecar(folder, text):
    tiff(folder)
    (folder / "mapset.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    return folder


def raw(folder, name, data):
    (folder / name).write_bytes(data)
    return folder


def tiff_bytes(**options):
    stream = io.BytesIO()
    tifffile.imwrite(stream, PLANE, **options)
    return stream.getvalue()


def patched(data, tag, value):
    """Return TIFF bytes with the value of one four-byte tag replaced."""
    offset = struct.unpack("<I", data[4:8])[0]
    number = struct.unpack("<H", data[offset : offset + 2])[0]
    out = bytearray(data)
    for k in range(number):
        at = offset + 2 + 12 * k
        if struct.unpack("<H", data[at : at + 2])[0] == tag:
            struct.pack_into("<HII", out, at + 2, 4, 1, value)
    return bytes(out)


# --- folders and names --------------------------------------------------------------------------


@case("existing file or folder")
def missing_folder(folder):
    return folder / "not_there"


@case("must hold element maps")
def empty_folder(folder):
    return folder


@case("must hold element maps")
def folder_without_maps(folder):
    return raw(folder, "readme.md", b"# notes\n")


@case("electron images only")
def only_an_electron_image(folder):
    return tiff(folder, "SE_image.tif")


@case("named by element")
def names_without_elements(folder):
    return tiff(folder, "overview.tif")


@case("chemical element before the line")
def unknown_element(folder):
    return tiff(tiff(folder), "Xx_Ka.tif")


@case("must name one element")
def two_elements_in_a_name(folder):
    tiff(folder, "Fe_Ni.tif")
    return tiff(folder)


@case("must be the only map of Fe")
def one_element_twice(folder):
    return tiff(tiff(folder, "Fe_Ka.tif"), "Fe_La.tif")


@case("one size (y x x pixels)")
def two_sizes(folder):
    return tiff(tiff(folder), "Zn_Ka.tif", PLANE[:, :1])


@case("one pixel size")
def two_scales(folder):
    tiff(folder, resolution=(2, 2), resolutionunit="MICROMETER")
    return tiff(folder, "Zn_Ka.tif", resolution=(3, 3), resolutionunit="MICROMETER")


@case("square pixels")
def oblong_pixels(folder):
    return tiff(folder, resolution=(2, 3), resolutionunit="MICROMETER")


@case("must", posix_only=True)
def a_name_with_control_characters(folder):
    return tiff(folder, "Xx_Ka\x1b[2J\n.tif", PLANE)


@case("must hold element maps")
def a_folder_named_like_a_file(folder):
    (folder / "Fe_Ka.tif").mkdir()
    return folder


@case("known form")
def unknown_ending(folder):
    return raw(folder, "maps.xyz", b"1 2 3") / "maps.xyz"


@case("existing file or folder")
def a_name_with_a_null(folder):
    return str(folder) + "\0"


# --- TIFF ---------------------------------------------------------------------------------------


@case("got an empty file")
def empty_tiff(folder):
    return raw(folder, "Cu_Ka.tif", b"")


@case("a whole picture")
def text_named_tiff(folder):
    return raw(folder, "Cu_Ka.tif", b"hello, this is no picture\n" * 10)


@case("a whole picture")
def tiff_header_only(folder):
    return raw(folder, "Cu_Ka.tif", tiff_bytes()[:8])


@case("Export it again")
def tiff_cut_in_half(folder):
    noise = np.random.default_rng(0).integers(0, 60000, (64, 64), dtype=np.uint16)
    tiff(folder, plane=noise, compression="zlib")
    data = (folder / "Cu_Ka.tif").read_bytes()
    return raw(folder, "Cu_Ka.tif", data[: len(data) // 2])


@case("at most 1,000,000,000,000 values")
def tiff_claiming_too_many_pixels(folder):
    data = patched(patched(tiff_bytes(), 256, 2**31 - 1), 257, 2**31 - 1)
    return raw(folder, "Cu_Ka.tif", data)


@case("at most 4 GiB")
def tiff_claiming_many_gigabytes(folder):
    return raw(folder, "Cu_Ka.tif", patched(patched(tiff_bytes(), 256, 200000), 257, 200000))


@case("500 times its size")
def tiff_claiming_a_gigabyte(folder):
    return raw(folder, "Cu_Ka.tif", patched(patched(tiff_bytes(), 256, 20000), 257, 20000))


@case("must")
def tiff_claiming_no_pixels(folder):
    return raw(folder, "Cu_Ka.tif", patched(tiff_bytes(), 256, 0))


@case("got shape (3, 0)")
def pages_without_pixels(folder):
    with tifffile.TiffWriter(folder / "stack.tif") as writer:
        writer.write(PLANE, contiguous=False, extratags=[(285, "s", 0, "Fe_Ka", True)])
    data = (folder / "stack.tif").read_bytes()
    return raw(folder, "stack.tif", patched(data, 256, 0)) / "stack.tif"


@case("must")
def tiff_directory_beyond_the_end(folder):
    return raw(folder, "Cu_Ka.tif", b"II*\0" + struct.pack("<I", 2**31) + bytes(64))


@case("Export it again")
def tiff_with_data_beyond_the_end(folder):
    return raw(folder, "Cu_Ka.tif", patched(tiff_bytes(), 273, 2**31))


@case("several hues")
def colour_picture(folder):
    photo = np.random.default_rng(0).integers(0, 255, (40, 40, 3), dtype=np.uint8)
    return tiff(folder, plane=photo, photometric="rgb")


@case("real numbers")
def complex_numbers(folder):
    return tiff(folder, plane=PLANE.astype(np.complex64))


@case("finite")
def not_a_number(folder):
    return tiff(folder, plane=np.where(PLANE == 5, np.nan, PLANE).astype(np.float32))


@case("finite")
def infinite(folder):
    return tiff(folder, plane=np.where(PLANE == 5, np.inf, PLANE).astype(np.float32))


@case("must not be negative")
def negative_counts(folder):
    return tiff(folder, plane=PLANE.astype(np.int16) - 5)


@case("one map")
def pages_in_a_folder(folder):
    return tiff(folder, plane=CUBE, photometric="minisblack")


@case("must name its 2 maps")
def pages_without_names(folder):
    tiff(folder, "stack.tif", CUBE, photometric="minisblack")
    return folder / "stack.tif"


@case("one size and type")
def pages_of_two_sizes(folder):
    with tifffile.TiffWriter(folder / "stack.tif") as writer:
        writer.write(PLANE, contiguous=False)
        writer.write(PLANE[:2], contiguous=False)
    return folder / "stack.tif"


BOMB = (
    '<?xml version="1.0"?><!DOCTYPE z [<!ENTITY a "aaaaaaaaaa">'
    + "".join(
        f'<!ENTITY {b} "{("&" + a + ";") * 10}">'
        for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    + ']><OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06">&i;</OME>'
)


@case("entity definitions")
def xml_bomb(folder):
    tiff(folder, "maps.ome.tif", description=BOMB, metadata=None)
    return folder / "maps.ome.tif"


@case("must")
def broken_xml(folder):
    text = '<?xml version="1.0"?><OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06">'
    tiff(folder, "maps.ome.tif", description=text, metadata=None)
    return folder / "maps.ome.tif"


def ome(folder, data, **facts):
    path = folder / "maps.ome.tif"
    tifffile.imwrite(path, data, ome=True, photometric="minisblack", metadata=facts)
    return path


@case("one plane each")
def a_stack_in_depth(folder):
    return ome(folder, np.zeros((2, 3, 8, 9), dtype=np.uint16), axes="CZYX")


@case("square pixels")
def oblong_ome_pixels(folder):
    names = {"Name": ["Fe", "Ni"]}
    return ome(folder, CUBE, axes="CYX", Channel=names, PhysicalSizeX=1.0, PhysicalSizeY=2.0)


@case("Did you mean")
def a_channel_with_a_wrong_name(folder):
    return ome(folder, CUBE, axes="CYX", Channel={"Name": ["Fe_Ka", "Znn"]})


# --- other pictures -----------------------------------------------------------------------------


def png_bytes():
    return iio.imwrite("<bytes>", PLANE, extension=".png")


@case("a whole picture")
def png_cut_in_half(folder):
    data = iio.imwrite("<bytes>", np.random.default_rng(0).integers(0, 9, (50, 50), dtype=np.uint8),
                       extension=".png")  # fmt: skip
    return raw(folder, "Cu_Ka.png", data[: len(data) // 2])


@case("a whole picture")
def text_named_png(folder):
    return raw(folder, "Cu_Ka.png", b"hello" * 50)


@case("must")
def png_claiming_too_many_pixels(folder):
    data = bytearray(png_bytes())
    struct.pack_into(">II", data, 16, 2**30, 2**30)
    struct.pack_into(">I", data, 29, zlib.crc32(data[12:29]))
    return raw(folder, "Cu_Ka.png", bytes(data))


@case("must")
def png_bomb(folder):
    """A picture of 8500 x 8500 zeros in 70 kB."""
    rows = zlib.compress(bytes(8501) * 8500, 9)
    head = struct.pack(">IIBBBBB", 8500, 8500, 8, 0, 0, 0, 0)
    parts = [b"\x89PNG\r\n\x1a\n"]
    for kind, body in ((b"IHDR", head), (b"IDAT", rows), (b"IEND", b"")):
        parts += [
            struct.pack(">I", len(body)),
            kind,
            body,
            struct.pack(">I", zlib.crc32(kind + body)),
        ]
    return raw(folder, "Cu_Ka.png", b"".join(parts))


@case("must")
def jpeg_cut_in_half(folder):
    noise = np.random.default_rng(0).integers(0, 255, (80, 80), dtype=np.uint8)
    data = iio.imwrite("<bytes>", noise, extension=".jpg")
    return raw(folder, "Cu_Ka.jpg", data[: len(data) // 3])


@case("must")
def bmp_with_a_lying_header(folder):
    data = bytearray(iio.imwrite("<bytes>", PLANE.astype(np.uint8), extension=".bmp"))
    struct.pack_into("<ii", data, 18, 100000, 100000)
    return raw(folder, "Cu_Ka.bmp", bytes(data))


# --- text ---------------------------------------------------------------------------------------


@case("got an empty file")
def empty_text(folder):
    return raw(folder, "Cu_Ka.csv", b"")


@case("must hold numbers")
def words_only(folder):
    return raw(folder, "Cu_Ka.csv", b"no,numbers,here\nnone,at,all\n")


@case("Remove text")
def a_word_among_numbers(folder):
    return raw(folder, "Cu_Ka.csv", b"1,2,3\n4,five,6\n7,8,9\n")


@case("must")
def rows_of_different_length(folder):
    return raw(folder, "Cu_Ka.csv", b"1,2,3\n4,5\n7,8,9\n")


@case("must")
def a_longer_row(folder):
    return raw(folder, "Cu_Ka.csv", b"1,2,3\n4,5,6,7\n7,8,9\n")


@case("number in every cell")
def nan_in_text(folder):
    return raw(folder, "Cu_Ka.csv", b"1,2,3\n4,nan,6\n")


@case("must")
def number_beyond_floating_point(folder):
    return raw(folder, "Cu_Ka.csv", b"1.0,2.0\n1e999,4.0\n")


@case("binary data")
def binary_named_text(folder):
    return raw(folder, "Cu_Ka.csv", bytes(range(256)) * 4)


@case("a whole gzip file")
def gzip_cut_in_half(folder):
    data = gzip.compress(b"1,2,3\n" * 500)
    return raw(folder, "Cu_Ka.csv.gz", data[: len(data) // 2])


@case("a whole gzip file")
def text_named_gzip(folder):
    return raw(folder, "Cu_Ka.csv.gz", b"1,2,3\n")


@case("500 times its size")
def gzip_bomb(folder):
    stream = io.BytesIO()
    with gzip.GzipFile(fileobj=stream, mode="wb", compresslevel=9) as file:
        for _ in range(66):
            file.write(b"0," * 2**19)
    return raw(folder, "Cu_Ka.csv.gz", stream.getvalue())


@case("must not be negative")
def negative_text(folder):
    return raw(folder, "Cu_Ka.csv", b"1,2\n-3,4\n")


def table(folder, rows, header="x,y,Fe_Ka"):
    raw(folder, "table.csv", (header + "\n" + "\n".join(rows) + "\n").encode())
    return folder / "table.csv"


@case("one row for each pixel")
def a_pixel_missing(folder):
    return table(folder, ["0,0,1", "1,0,2", "0,1,3"])


@case("one row for each pixel")
def a_pixel_twice(folder):
    return table(folder, ["0,0,1", "1,0,2", "0,1,3", "1,0,4"])


@case("evenly spaced")
def uneven_columns(folder):
    return table(folder, ["0,0,1", "1,0,2", "5,0,3", "0,1,1", "1,1,2", "5,1,3"])


@case("square pixels")
def oblong_table(folder):
    return table(folder, ["0,0,1", "1,0,2", "0,3,3", "1,3,4"])


@case("a name for each of its 3 columns")
def a_table_with_too_many_names(folder):
    return table(folder, ["0,0,1", "1,0,2", "0,1,3", "1,1,4"], "x,y,Fe_Ka,Ni_Ka")


@case("must name its 1 maps")
def a_table_without_elements(folder):
    return table(folder, ["0,0,1", "1,0,2", "0,1,3", "1,1,4"], "x,y,height")


@case("must")
def a_table_of_a_million_million_pixels(folder):
    return table(folder, ["0,0,1", "1,0,2", "0,1,3", "1,1,4", "1000000000000,2,3"])


# --- NumPy --------------------------------------------------------------------------------------


class Harmful:
    def __reduce__(self):
        return (print, ("code was run",))


@case("never loaded")
def pickled_npy(folder):
    path = folder / "maps.npy"
    with path.open("wb") as stream:
        np.lib.format.write_array(stream, np.array([Harmful()], dtype=object))
    return path


@case("must")
def bare_pickle_named_npy(folder):
    return raw(folder, "maps.npy", pickle.dumps(Harmful())) / "maps.npy"


@case("must")
def pickled_npz(folder):
    np.savez(folder / "maps.npz", Fe_Ka=np.array([[Harmful()]], dtype=object))
    return folder / "maps.npz"


def npy_with_header(folder, text):
    head = text.encode().ljust(118) + b"\n"
    return raw(folder, "Fe_Ka.npy", b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head)


@case("at most 1,000,000,000,000 values")
def npy_claiming_too_much(folder):
    text = "{'descr': '<f8', 'fortran_order': False, 'shape': (10000000, 10000000)}"
    return npy_with_header(folder, text) / "Fe_Ka.npy"


@case("must")
def npy_shorter_than_it_claims(folder):
    text = "{'descr': '<f8', 'fortran_order': False, 'shape': (1000, 1000)}"
    return npy_with_header(folder, text) / "Fe_Ka.npy"


@case("header of at most")
def npy_with_a_lying_header_length(folder):
    return raw(folder, "Fe_Ka.npy", b"\x93NUMPY\x02\x00" + struct.pack("<I", 2**32 - 1) + b"{}")


@case("what its directory lists")
def tiff_claiming_a_long_strip(folder):
    return raw(folder, "Cu_Ka.tif", patched(tiff_bytes(), 279, 2**32 - 1))


@case("must")
def npy_header_with_code(folder):
    text = "{'descr': __import__('os').getcwd(), 'fortran_order': False, 'shape': (3, 4)}"
    return npy_with_header(folder, text) / "Fe_Ka.npy"


@case("must")
def npy_with_negative_shape(folder):
    text = "{'descr': '<f8', 'fortran_order': False, 'shape': (-3, 4)}"
    return npy_with_header(folder, text)


@case("dims (element, y, x)")
def npy_of_four_dimensions(folder):
    np.save(folder / "maps.npy", np.zeros((2, 2, 2, 2)))
    return folder / "maps.npy"


@case("must")
def npy_of_text(folder):
    np.save(folder / "Fe_Ka.npy", np.array([["a", "b"]]))
    return folder / "Fe_Ka.npy"


@case("must")
def npy_without_pixels(folder):
    np.save(folder / "Fe_Ka.npy", np.zeros((0, 5)))
    return folder / "Fe_Ka.npy"


@case("500 times its size")
def npz_bomb(folder):
    stream = io.BytesIO()
    np.lib.format.write_array_header_1_0(
        stream, {"descr": "|u1", "fortran_order": False, "shape": (8500, 8500)}
    )
    with zipfile.ZipFile(folder / "maps.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("Fe_Ka.npy", stream.getvalue() + bytes(8500 * 8500))
    return folder / "maps.npz"


@case("must")
def npz_cut_in_half(folder):
    np.savez(folder / "maps.npz", Fe_Ka=PLANE)
    data = (folder / "maps.npz").read_bytes()
    return raw(folder, "maps.npz", data[: len(data) // 2]) / "maps.npz"


@case("named by element")
def npz_without_elements(folder):
    np.savez(folder / "maps.npz", height=PLANE)
    return folder / "maps.npz"


@case("one size")
def npz_of_two_sizes(folder):
    np.savez(folder / "maps.npz", Fe_Ka=PLANE, Ni_Ka=PLANE[:2])
    return folder / "maps.npz"


# --- HDF5 and netCDF ----------------------------------------------------------------------------


def hdf5(folder, fill, name="maps.h5"):
    with h5py.File(folder / name, "w") as file:
        fill(file)
    return folder / name


@case("readable HDF5")
def text_named_hdf5(folder):
    return raw(folder, "maps.h5", b"not hdf5" * 100) / "maps.h5"


@case("readable HDF5")
def hdf5_cut_in_half(folder):
    path = hdf5(folder, lambda file: file.create_dataset("Fe_Ka", data=np.ones((50, 50))))
    path.write_bytes(path.read_bytes()[:3000])
    return path


@case("got nothing")
def hdf5_with_nothing(folder):
    return hdf5(folder, lambda _: None)


@case("which dataset holds the maps")
def hdf5_with_two_stacks(folder):
    def fill(file):
        file["a"], file["b"] = CUBE, CUBE

    return hdf5(folder, fill)


@case("got no '/nowhere'")
def hdf5_without_the_stated_dataset(folder):
    hdf5(folder, lambda file: file.create_dataset("a", data=CUBE))
    (folder / "mapset.toml").write_text('dataset = "/nowhere"\n', encoding="utf-8")
    return folder / "maps.h5"


@case("must")
def hdf5_with_a_link_to_another_file(folder):
    with h5py.File(folder / "other.h5", "w") as other:
        other["secret"] = CUBE
    return hdf5(folder, lambda f: f.__setitem__("Fe_Ka", h5py.ExternalLink("other.h5", "secret")))


@case("at most 1,000,000,000,000 values")
def hdf5_claiming_too_much(folder):
    return hdf5(
        folder, lambda f: f.create_dataset("Fe", (2**21, 2**20), dtype="u1", chunks=(1024, 1024))
    )


@case("500 times its size")
def hdf5_claiming_a_gigabyte(folder):
    return hdf5(
        folder, lambda f: f.create_dataset("Fe", (2**15, 2**15), dtype="u1", chunks=(1024, 1024))
    )


@case("signal its NXdata names")
def nexus_without_its_signal(folder):
    def fill(file):
        file.create_group("data").attrs.update({"NX_class": "NXdata", "signal": "counts"})

    return hdf5(folder, fill, "maps.nxs")


@case("must")
def nexus_pointing_at_itself(folder):
    def fill(file):
        file.create_group("entry")
        file.attrs["default"] = "entry"
        file["entry"].attrs["default"] = "loop"
        file["entry/loop"] = h5py.SoftLink("/entry")

    return hdf5(folder, fill, "maps.nxs")


@case("numbers")
def nexus_of_text(folder):
    def fill(file):
        group = file.create_group("data")
        group.attrs.update({"NX_class": "NXdata", "signal": "counts"})
        group["counts"] = [["a", "b"], ["c", "d"]]

    return hdf5(folder, fill, "Fe_Ka.nxs")


@case("readable netCDF")
def text_named_netcdf(folder):
    return raw(folder, "maps.nc", b"CDF\x01 no more" * 20) / "maps.nc"


def netcdf(folder, change):
    maps = spattermap.make_map_set(CUBE, ["Fe", "Ni"])
    change(maps).to_netcdf(folder / "maps.nc", engine="h5netcdf")
    return folder / "maps.nc"


@case("'counts' with dims")
def netcdf_without_counts(folder):
    return netcdf(folder, lambda maps: maps.rename(counts="numbers"))


@case("readable netCDF")
def netcdf_with_broken_facts(folder):
    return netcdf(folder, lambda maps: maps.assign_attrs(alloy="{not json"))


@case("must be a known name")
def netcdf_with_an_unknown_quantity(folder):
    return netcdf(folder, lambda maps: maps.assign_attrs(quantity="photons"))


# --- Zarr ---------------------------------------------------------------------------------------


def zarr_maps(folder):
    from spattermap.loaders.zarr_store import write

    return write(spattermap.make_map_set(CUBE, ["Fe", "Ni"]), folder / "maps.zarr")


@case("readable Zarr")
def zarr_with_broken_facts(folder):
    path = zarr_maps(folder)
    (path / "zarr.json").write_text("{", encoding="utf-8")
    return path


@case("2 chunks of counts, got 1")
def zarr_with_a_lost_chunk(folder):
    path = zarr_maps(folder)
    next(file for file in (path / "counts" / "c").rglob("*") if file.is_file()).unlink()
    return path


@case("at most 1,000,000,000,000 values")
def zarr_claiming_too_much(folder):
    path = zarr_maps(folder)
    facts = json.loads((path / "counts" / "zarr.json").read_text(encoding="utf-8"))
    facts["shape"] = [2, 2**21, 2**21]
    (path / "counts" / "zarr.json").write_text(json.dumps(facts), encoding="utf-8")
    for file in list((path / "counts" / "c").rglob("*")):
        if file.is_file():
            file.unlink()
    return path


@case("must")
def zarr_of_nothing(folder):
    zarr.open_group(str(folder / "maps.zarr"), mode="w", zarr_format=3)
    return folder / "maps.zarr"


@case("inside itself")
def ome_zarr_reaching_outside(folder):
    group = zarr.open_group(str(folder / "maps.zarr"), mode="w", zarr_format=3)
    group.attrs["ome"] = {"multiscales": [{"datasets": [{"path": "../../secret"}]}]}
    return folder / "maps.zarr"


# --- HyperSpy -----------------------------------------------------------------------------------


@case("readable HyperSpy")
def text_named_hspy(folder):
    return raw(folder, "cube.hspy", b"no signal" * 50) / "cube.hspy"


@case("readable HyperSpy")
def other_hdf5_named_hspy(folder):
    return hdf5(folder, lambda file: file.create_dataset("a", data=CUBE), "cube.hspy")


@case("readable HyperSpy")
def hspy_cut_in_half(folder):
    data = (Path(__file__).parent / "reference" / "dacite" / "dacite_1s.hspy").read_bytes()
    return raw(folder, "cube.hspy", data[: len(data) // 2]) / "cube.hspy"


# --- sidecar ------------------------------------------------------------------------------------


@case("Did you mean 'pixel_size_um'")
def misspelt_key(folder):
    return sidecar(folder, "pixelsize_um = 0.5\n")


@case("readable sidecar")
def broken_toml(folder):
    return sidecar(folder, "title = \n")


@case("readable sidecar")
def sidecar_in_another_encoding(folder):
    return sidecar(folder, b'title = "\xff\xfe"\n')


@case("in the folder of the map set")
def electron_image_outside(folder):
    return sidecar(folder, 'electron_image = "../../secret.tif"\n')


@case("no such file")
def electron_image_missing(folder):
    return sidecar(folder, 'electron_image = "image.tif"\n')


@case("must be a known name")
def line_of_an_element_not_mapped(folder):
    return sidecar(folder, '[lines]\nZn = "Zn Ka"\n')


@case("agree with the file name")
def line_against_the_file_name(folder):
    return sidecar(folder, '[lines]\nCu = "Cu La"\n')


@case("chemical element")
def unknown_element_in_the_alloy(folder):
    return sidecar(folder, "[alloy]\nQq = 80\n")


@case("one value (um)")
def pixel_sizes_that_differ(folder):
    sidecar(folder, "pixel_size_um = 0.5\n")
    return tiff(folder, resolution=(1, 1), resolutionunit="MICROMETER")


@pytest.mark.parametrize("name", CASES)
def test_ends_in_one_clear_line(name, tmp_path):
    write, words, more = CASES[name]
    folder = tmp_path / "maps"
    folder.mkdir()
    try:
        path = write(folder)
    except OSError:
        assert more.get("posix_only"), "the case could not be written"
        pytest.skip("this file system refuses such names")
    tracemalloc.start()
    begun = time.monotonic()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(SpattermapError) as caught:
            spattermap.load(path)
    taken, (_, peak) = time.monotonic() - begun, tracemalloc.get_traced_memory()
    tracemalloc.stop()
    message = str(caught.value)
    assert words in message
    assert message.isprintable(), "one line, and nothing that steers a terminal"
    assert len(message) < 1200
    assert message.rstrip().endswith((".", "?")), "the next step is a sentence"
    named = Path(str(path).replace("\0", "")).name
    assert named in message or any(f.name.split(".")[0][:5] in message for f in folder.rglob("*"))
    assert taken < MOST_SECONDS
    assert peak < MOST_BYTES


def test_there_are_more_than_sixty_cases():
    assert len(CASES) > 60

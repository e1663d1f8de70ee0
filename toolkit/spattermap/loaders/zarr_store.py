"""Zarr: map sets as Spattermap writes them, and OME-Zarr with its multiscales.

What a stored Zarr chunk would unpack to, found without unpacking it whole.

The compressors trust a chunk and unpack whatever it holds; a chunk of 60 kB can hold gigabytes.
"""

from __future__ import annotations

import bz2
import json
import lzma
import math
import os
import stat
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import xarray as xr

from spattermap.core.errors import InputError, InputFileError, OutputError, SpattermapError
from spattermap.loaders import names, probe
from spattermap.loaders.contract import (
    SMALL_BYTES,
    Request,
    Stack,
    check_ratio,
    check_size,
    readable,
    square_pixel,
    stacked,
)

# Compressors with a header state the size there and never write more than that.
_HEADER_BYTES = 18
_STEP = 2**20
# Each chunk is looked up: a second for this many.
MOST_LOOKED_UP = 200_000
MOST_CHUNK_BYTES = 2**29  # several are held while one is read
# More than nominal is wrong already; how much more, nobody has looked.
_UNKNOWN = 2**62
_ZSTD_MAGIC = b"\x28\xb5\x2f\xfd"


def check_store(path: Path) -> None:
    """Refuse a store in which any array has a chunk that unpacks to implausibly much."""
    import zarr

    refuse_strange_files(path)
    store: Any = zarr.open(str(path), mode="r")
    for _, item in store.members(max_depth=None):
        if isinstance(item, zarr.Array):
            check_chunks(item, path)
    probe.require_harmless(path, "Zarr store")


def check_chunks(array: Any, where: Path) -> None:
    """Refuse an array with a chunk that unpacks to implausibly much.

    Looks at gzip, zlib, zstd, blosc, lz4, bz2 and lzma as the outermost compressor, of every chunk
    and of every chunk inside a shard.
    """
    sizes = [_CODECS[name] for name in _compressors(array) if name in _CODECS]
    nominal = math.prod(array.chunks) * array.dtype.itemsize
    # A chunk is unpacked whole, however few of its pixels are there.
    if nominal > max(SMALL_BYTES, min(MOST_CHUNK_BYTES, 4 * int(array.nbytes))):
        raise InputFileError(
            f"{where} must hold chunks of at most 512 MiB, and about as large as the array of "
            f"{int(array.nbytes):,} bytes, got {nominal:,} bytes. Write it in smaller chunks."
        )
    if not sizes:
        return
    for file, stream in islice(_packed(array, where), MOST_LOOKED_UP):
        claimed = sizes[-1](stream, nominal)
        if claimed > nominal + SMALL_BYTES:
            much = f"{claimed:,}" if claimed < _UNKNOWN else "many more"
            raise InputFileError(
                f"{where} must hold chunks of {nominal:,} bytes when unpacked, got one of {much} "
                f"in {file.name}. Check that the store is whole."
            )


def refuse_strange_files(path: Path) -> None:
    """Refuse a store that holds anything but files and folders of its own."""
    for folder, folders, files in os.walk(path):
        for name in (*folders, *files):
            kind = os.lstat(os.path.join(folder, name)).st_mode  # noqa: PTH118 - many files
            if not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)):
                place = os.path.relpath(os.path.join(folder, name), path)  # noqa: PTH118
                raise InputFileError(
                    f"{path} must hold plain files and folders, got a link, pipe or device at "
                    f"{place}. Copy what it stands for into the store."
                )


def _compressors(array: Any) -> list[str]:
    """Return the names of the compressors, innermost first, in either Zarr format."""
    found = []
    for one in getattr(array, "compressors", ()) or ():
        name = getattr(one, "codec_id", None) or one.to_dict().get("name")
        found.append(str(name))
    return found


def _files(folder: Path) -> Iterator[Path]:
    for file in folder.rglob("*"):
        if not file.name.startswith(".") and file.name != "zarr.json" and file.is_file():
            yield file


@dataclass
class _Window:
    """A part of an open file, read as a file of its own."""

    file: BinaryIO
    left: int

    def read(self, most: int = -1) -> bytes:
        """Return the next bytes, at most so many."""
        wanted = self.left if most < 0 else min(most, self.left)
        held = self.file.read(wanted)
        self.left -= len(held)
        return held


def _packed(array: Any, where: Path) -> Iterator[tuple[Path, Any]]:
    """Yield the file and the bytes of every stored chunk."""
    for file in _files(where / array.path):
        with file.open("rb") as stream:
            if array.shards is None:
                yield file, stream
                continue
            for start, length in _shard_index(array, stream, where):
                stream.seek(start)
                yield file, _Window(stream, length)


def _shard_index(array: Any, stream: BinaryIO, where: Path) -> list[tuple[int, int]]:
    """Return where the chunks of a shard begin and how long they are, those that are there.

    Zarr's sharding codec, version 1.0 (2023): two 64-bit numbers a chunk, then CRC-32C.
    """
    outer = array.metadata.codecs
    index = [one.to_dict() for one in getattr(outer[0], "index_codecs", ())]
    usual = [{"name": "bytes", "configuration": {"endian": "little"}}, {"name": "crc32c"}]
    inner = getattr(outer[0], "codecs", ())
    if len(outer) != 1 or index != usual or any(hasattr(one, "index_codecs") for one in inner):
        raise InputFileError(
            f"{where} must hold plain shards, got shards packed again, nested, or with an index of "
            "another form. Write it with spattermap convert."
        )
    number = math.prod(a // b for a, b in zip(array.shards, array.chunks, strict=True))
    size = stream.seek(0, os.SEEK_END)
    length = 16 * number + 4
    at_end = "end" in str(outer[0].index_location)
    stream.seek(max(0, size - length) if at_end else 0)
    held = stream.read(length)[:-4]
    pairs = np.frombuffer(held[: len(held) // 16 * 16], "<u8").reshape(-1, 2)
    absent = pairs[:, 0] == np.iinfo(np.uint64).max
    found = [(int(a), int(b)) for a, b in pairs[~absent]]
    if len(held) < length - 4 or any(a + b > size for a, b in found):
        raise InputFileError(
            f"{where} must hold whole shards, got one of {size:,} bytes whose index points beyond "
            "its end. Write it again."
        )
    return found


def _unpacked(make: Callable[[], Any]) -> Callable[[Any, int], int]:
    """Return a function that unpacks in steps, and stops where more than the nominal came."""

    def size(stream: Any, nominal: int) -> int:
        total, machine = 0, make()
        packed = stream.read(_STEP)
        while packed or not getattr(machine, "needs_input", True):
            try:
                total += len(machine.decompress(packed, _STEP))
            except (zlib.error, OSError, EOFError, lzma.LZMAError):
                return total  # damaged: its reader says so
            if total > nominal + SMALL_BYTES:
                return _UNKNOWN
            packed = bytes(getattr(machine, "unconsumed_tail", b""))
            if machine.eof:  # another member may follow
                packed, machine = machine.unused_data, make()
            if not packed and getattr(machine, "needs_input", True):
                packed = stream.read(_STEP)
        return total

    return size


def _of_zstd(stream: Any, nominal: int) -> int:
    """Read the frame header: RFC 8878 (2021), section 3.1.1.1."""
    head = stream.read(_HEADER_BYTES)
    if not head.startswith(_ZSTD_MAGIC) or len(head) < 6:
        return 0
    descriptor = head[4]
    single = descriptor >> 5 & 1
    length = (1 if single else 0, 2, 4, 8)[descriptor >> 6]
    place = 5 + (1 - single) + (0, 1, 2, 4)[descriptor & 3]
    if length == 0:  # the size is not stated: unpack at most what it may be
        return _within(head + stream.read(), nominal)
    stated = int.from_bytes(head[place : place + length], "little")
    return stated + 256 if length == 2 else stated


def _within(packed: bytes, nominal: int) -> int:
    import imagecodecs

    try:
        imagecodecs.zstd_decode(packed, out=nominal + 1)
    except Exception as problem:  # damaged, or too large: only the latter is our concern
        return _UNKNOWN if "too small" in str(problem) else 0
    return nominal


def _number_at(place: int) -> Callable[[Any, int], int]:
    def size(stream: Any, _: int) -> int:
        return int.from_bytes(stream.read(_HEADER_BYTES)[place : place + 4], "little")

    return size


_CODECS: dict[str, Callable[[Any, int], int]] = {
    "gzip": _unpacked(lambda: zlib.decompressobj(wbits=31)),
    "zlib": _unpacked(zlib.decompressobj),
    "bz2": _unpacked(bz2.BZ2Decompressor),
    "lzma": _unpacked(lzma.LZMADecompressor),
    "zstd": _of_zstd,
    "blosc": _number_at(4),
    "lz4": _number_at(0),
}


FORMAT = "Zarr map set"
_SIGNS = ("zarr.json", ".zgroup", ".zarray", ".zattrs")
_UM_PER = {"micrometer": 1.0, "nanometer": 1e-3, "millimeter": 1e3, "meter": 1e6, "um": 1.0}
_ARRAYS = ("variance", "electron_image", "valid")


def recognises(path: Path) -> bool:
    """Return True for a Zarr store (a folder)."""
    return path.is_dir() and any((path / sign).is_file() for sign in _SIGNS)


def write(maps: Any, path: str | Path, *, chunk_px: int = 1024) -> Path:
    """Write a map set as a Zarr store, chunk by chunk.

    Names of elements and lines are attributes of `counts`, because strings as Zarr arrays are
    not standardised yet.
    """
    import dask.array as da
    import zarr

    folder = Path(path)
    if folder.exists():
        raise OutputError(f"{folder} must be a new folder, got an existing one. Choose another.")
    store = zarr.open_group(str(folder), mode="w-", zarr_format=3)
    store.attrs.update({"spattermap": 1, "attrs": json.dumps(dict(maps.attrs), sort_keys=True)})
    for name in ("counts", *_ARRAYS):
        if name not in maps:
            continue
        data = maps[name].data
        sides = tuple(min(chunk_px, n) for n in data.shape[-2:])
        chunks = (1, *sides) if data.ndim == 3 else sides
        target: Any = store.create_array(
            name,
            shape=data.shape,
            dtype=data.dtype.str,  # one of two names of the same kind is unknown to Zarr
            chunks=chunks,
            config={"write_empty_chunks": True},  # so that a lost chunk is not taken for zeros
        )
        if name == "counts":
            target.attrs["elements"] = [str(one) for one in maps["element"].values]
            target.attrs["lines"] = [str(one) for one in maps["line"].values]
        if hasattr(data, "dask"):
            da.store(data.rechunk(chunks), target, lock=False)
        else:
            target[...] = data
    return folder


def read(path: Path, request: Request) -> Stack:
    """Read a Zarr store."""
    probe.start()
    import zarr

    try:
        refuse_strange_files(path)
        store = zarr.open(str(path), mode="r")
        attrs: dict[str, Any] = dict(store.attrs)
        multiscales = attrs.get("multiscales") or attrs.get("ome", {}).get("multiscales")
        if multiscales:
            return _ome(store, multiscales, attrs, path, request)
        if isinstance(store, zarr.Array):
            return _plain(store, attrs, path, request)
        if "counts" in store:
            return _own(store, attrs, path, request)
        return _group(store, path, request)
    except SpattermapError:
        raise
    except Exception as problem:  # zarr, numcodecs and json raise many kinds
        raise readable(path, problem, what="a readable Zarr store") from problem


def _values(array: Any, path: Path, request: Request) -> Any:
    check_size(array.shape, array.dtype, path, lazy=request.lazy)
    check_chunks(array, path)
    if array.compressors:
        probe.require_harmless(path / array.path, "Zarr store")
    if request.lazy:
        import dask.array as da

        return da.from_zarr(array)
    stored = sum(item.stat().st_size for item in path.rglob("*") if item.is_file())
    check_ratio(int(array.nbytes), stored, path)
    return np.asarray(array[...])


def _own(store: Any, attrs: dict[str, Any], path: Path, request: Request) -> Stack:
    from spattermap.loaders.netcdf import from_dataset, require_layout

    counts = store["counts"]
    held = dict(counts.attrs)
    if counts.ndim != 3:
        raise InputError(
            f"{path} must hold 'counts' with dims (element, y, x), got shape {counts.shape}. "
            "Write it with spattermap.loaders.zarr_store.write."
        )
    check_size(counts.shape, counts.dtype, path, lazy=request.lazy)
    lost = _lost_chunks(counts)
    if lost:
        raise InputFileError(
            f"{path} must hold {_n_files(counts)} chunks of counts, got "
            f"{_n_files(counts) - lost}. The rest was lost or never written: write it again."
        )
    labels = [str(name) for name in held.get("elements", [])]
    elements, lines = names.name_channels(labels, counts.shape[0], request, path)
    maps = xr.Dataset(
        {"counts": (("element", "y", "x"), _values(counts, path, request))},
        coords={
            "element": elements,
            "line": ("element", [str(one) for one in held.get("lines", lines)]),
        },
        attrs=_json(attrs.get("attrs", "{}"), path),
    )
    for name in _ARRAYS:
        if name in store:
            dims = ("element", "y", "x")[-store[name].ndim :]
            maps[name] = (dims, _values(store[name], path, request))
    require_layout(maps, path, lazy=request.lazy)
    return from_dataset(maps, path, FORMAT)


def _json(text: Any, path: Path) -> dict[str, Any]:
    values = json.loads(str(text))
    if not isinstance(values, dict):
        raise InputFileError(
            f"{path} must hold its facts as a table, got {text!r}. Write it again."
        )
    return values


def _plain(array: Any, attrs: dict[str, Any], path: Path, request: Request) -> Stack:
    planes = names.to_planes(_values(array, path, request), (), path)
    labels = [str(name) for name in attrs.get("elements", [])]
    labels = labels or names.single_plane_label(path.stem, planes.shape[0])
    return names.from_one_file(
        path, request, planes, labels, format_name="Zarr array", notes=_absent(array)
    )


def _group(store: Any, path: Path, request: Request) -> Stack:
    """Read a group in which each two-dimensional array is named by its element."""
    # A folder lists its parts in any order, which is no order of elements.
    found_arrays = sorted(store.arrays(), key=lambda one: str(one[0]))
    arrays = {name: item for name, item in found_arrays if item.ndim == 2}
    for folder in path.iterdir():
        if folder.is_dir() and not folder.name.startswith(".") and folder.name not in store:
            raise InputFileError(
                f"{path} must hold arrays that can be read, got {folder.name} without a whole "
                "description. Write it again, or move that folder away."
            )
    kept = [name for name in arrays if names.candidates(name) and not names.is_electron_image(name)]
    if not kept or len({arrays[name].shape for name in kept}) != 1:
        found = ", ".join(f"{name} {item.shape}" for name, item in store.arrays())
        raise InputError(
            f"{path} must hold 'counts', multiscales, or arrays of one size named by element, got "
            f"{found or 'nothing'}. Write it with spattermap.loaders.zarr_store.write."
        )
    planes = [_values(arrays[name], path, request) for name in kept]
    return names.from_one_file(
        path, request, stacked(planes), kept, parts=kept, format_name="Zarr group"
    )


def _ome(
    store: Any, multiscales: Any, attrs: dict[str, Any], path: Path, request: Request
) -> Stack:
    """Read the finest level of an OME-Zarr image."""
    image = multiscales[0]
    finest = image["datasets"][0]
    inside = str(finest["path"])
    if inside.startswith(("/", "\\")) or ".." in inside:
        raise InputFileError(
            f"{path} must keep its levels inside itself, got {inside!r}. Export it again."
        )
    array = store[inside]
    axes = image.get("axes") or [{"name": name} for name in "tczyx"[-array.ndim :]]
    axis_names = [str(axis.get("name", "") if isinstance(axis, dict) else axis) for axis in axes]
    data = _values(array, path, request)
    keep = [k for k, name in enumerate(axis_names) if name.lower() not in ("t", "z")]
    for k, name in reversed(list(enumerate(axis_names))):
        if k not in keep:
            if data.shape[k] != 1:
                raise InputError(
                    f"{path} must hold one plane a channel, got {data.shape[k]} along {name}. "
                    "Export one plane."
                )
            data = (
                data.take(0, axis=k)
                if isinstance(data, np.ndarray)
                else data[(slice(None),) * k + (0,)]
            )
    planes = names.to_planes(data, [axis_names[k] for k in keep], path)
    omero = attrs.get("omero") or attrs.get("ome", {}).get("omero") or {}
    labels = [str(one.get("label", "")) for one in omero.get("channels", [])]
    labels = labels or names.single_plane_label(path.stem, planes.shape[0])
    size = _ome_pixel(finest, axes, axis_names, path)
    return names.from_one_file(
        path, request, planes, labels, format_name="OME-Zarr", pixel_size_um=size,
        pixel_size_from="multiscales", notes=_absent(array),
    )  # fmt: skip


def _lost_chunks(array: Any) -> int:
    """Return how many chunks are not there; 0 too where there are too many to look up."""
    if _n_files(array) > MOST_LOOKED_UP:
        return 0
    # Of a sharded array the library counts every place of a shard, also those beyond the edge.
    places = 1
    if array.shards is not None:
        places = math.prod(a // b for a, b in zip(array.shards, array.chunks, strict=True))
    return _n_files(array) - int(array.nchunks_initialized) // places


def _n_files(array: Any) -> int:
    """Return the number of pieces an array is stored in: its chunks, or its shards."""
    sides = array.chunks if array.shards is None else array.shards
    return math.prod(-(-n // side) for n, side in zip(array.shape, sides, strict=True))


def _absent(array: Any) -> list[str]:
    """Say how many chunks are not there: Zarr reads them as its fill value without a word."""
    lost = _lost_chunks(array)
    if not lost:
        return []
    return [
        f"{lost} of {_n_files(array)} chunks absent and read as {array.fill_value}: empty, or lost"
    ]


def _ome_pixel(
    finest: dict[str, Any], axes: list[Any], axis_names: list[str], path: Path
) -> float | None:
    scale = next(
        (one["scale"] for one in finest.get("coordinateTransformations", []) if "scale" in one),
        None,
    )
    sizes = []
    for k, name in enumerate(axis_names):
        if scale is None or name.lower() not in ("x", "y"):
            continue
        unit = axes[k].get("unit") if isinstance(axes[k], dict) else None
        if unit not in _UM_PER:
            return None
        sizes.append(float(scale[k]) * _UM_PER[unit])
    if len(sizes) < 2 or not all(np.isfinite(size) and size > 0 for size in sizes):
        return None
    return square_pixel(sizes, path)

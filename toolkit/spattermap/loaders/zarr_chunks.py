"""What a stored Zarr chunk would unpack to, found without unpacking it whole.

The compressors trust a chunk and unpack whatever it holds; a chunk of 60 kB can hold gigabytes.
"""

from __future__ import annotations

import bz2
import lzma
import math
import zlib
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from spattermap.errors import InputFileError
from spattermap.loaders.limits import SMALL_BYTES, check_ratio

# Compressors with a header state the size there and never write more than that.
_HEADER_BYTES = 18
_STEP = 2**20
# Each chunk is looked up: a second for this many.
MOST_LOOKED_UP = 200_000
# More than nominal is wrong already; how much more, nobody has looked.
_UNKNOWN = 2**62
_ZSTD_MAGIC = b"\x28\xb5\x2f\xfd"


def check_store(path: Path) -> None:
    """Refuse a store in which any array has a chunk that unpacks to implausibly much.

    Parameters
    ----------
    path : pathlib.Path
        Its folder.

    Raises
    ------
    InputFileError
        As `check_chunks` does.
    """
    import zarr

    store: Any = zarr.open(str(path), mode="r")
    for _, item in store.members(max_depth=None):
        if isinstance(item, zarr.Array):
            check_chunks(item, path)


def check_chunks(array: Any, where: Path) -> None:
    """Refuse an array with a chunk that unpacks to implausibly much.

    Parameters
    ----------
    array : zarr.Array
        As opened, nothing read yet.
    where : pathlib.Path
        The store.

    Raises
    ------
    InputFileError
        If a chunk claims, or would come to, more than it may.

    Notes
    -----
    Looks at gzip, zlib, zstd, blosc, lz4, bz2 and lzma as the outermost compressor. Chunks inside
    shards are not looked at one by one.
    """
    sizes = [_CODECS[name] for name in _compressors(array) if name in _CODECS]
    nominal = math.prod(array.chunks) * array.dtype.itemsize
    check_ratio(nominal, max(int(array.nbytes), 1), where)
    if not sizes:
        return
    for file in islice(_files(where / array.path), MOST_LOOKED_UP):
        claimed = sizes[-1](file, nominal)
        if claimed > nominal + SMALL_BYTES:
            much = f"{claimed:,}" if claimed < _UNKNOWN else "many more"
            raise InputFileError(
                f"{where} must hold chunks of {nominal:,} bytes when unpacked, got one of {much} "
                f"in {file.name}. Check that the store is whole."
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


def _unpacked(make: Callable[[], Any]) -> Callable[[Path, int], int]:
    """Return a function that unpacks in steps, and stops where more than the nominal came."""

    def size(file: Path, nominal: int) -> int:
        total, machine = 0, make()
        with file.open("rb") as stream:
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


def _of_zstd(file: Path, nominal: int) -> int:
    """Read the frame header: RFC 8878 (2021), section 3.1.1.1."""
    with file.open("rb") as stream:
        head = stream.read(_HEADER_BYTES)
    if not head.startswith(_ZSTD_MAGIC) or len(head) < 6:
        return 0
    descriptor = head[4]
    single = descriptor >> 5 & 1
    length = (1 if single else 0, 2, 4, 8)[descriptor >> 6]
    place = 5 + (1 - single) + (0, 1, 2, 4)[descriptor & 3]
    if length == 0:  # the size is not stated: unpack at most what it may be
        return _within(file, nominal)
    stated = int.from_bytes(head[place : place + length], "little")
    return stated + 256 if length == 2 else stated


def _within(file: Path, nominal: int) -> int:
    import imagecodecs

    try:
        imagecodecs.zstd_decode(file.read_bytes(), out=nominal + 1)
    except Exception as problem:  # damaged, or too large: only the latter is our concern
        return _UNKNOWN if "too small" in str(problem) else 0
    return nominal


def _number_at(place: int) -> Callable[[Path, int], int]:
    def size(file: Path, _: int) -> int:
        with file.open("rb") as stream:
            return int.from_bytes(stream.read(_HEADER_BYTES)[place : place + 4], "little")

    return size


_CODECS: dict[str, Callable[[Path, int], int]] = {
    "gzip": _unpacked(lambda: zlib.decompressobj(wbits=31)),
    "zlib": _unpacked(zlib.decompressobj),
    "bz2": _unpacked(bz2.BZ2Decompressor),
    "lzma": _unpacked(lzma.LZMADecompressor),
    "zstd": _of_zstd,
    "blosc": _number_at(4),
    "lz4": _number_at(0),
}

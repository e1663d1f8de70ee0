"""What every reader keeps to, stated once.

A reader is a module with ``recognises(path) -> bool``, which looks at the name and the first bytes
and reads no more, and ``read(path, request) -> Stack``. It reports what the file says and guesses
nothing that the sidecar could state; `stack.finish` applies the sidecar, checks the values, hashes
the files and makes the map set. A reader

- refuses what it cannot use with an `InputFileError` or `InputError` that names the file, what must
  be there, what was found and the next step (`readable` words the failure of a library);
- checks the size that a header claims before anything is allocated (`check_size`, `check_ratio`);
- returns dask arrays where ``request.lazy``, and leaves no file open;
- notes what it assumed or left out, one sentence each, in ``Stack.notes``.

One whose maps stand in more files than the one it is given also has ``files(path, request)``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.core.errors import InputError, InputFileError, short_of_memory

GIB = 2**30
# One map set read at once: twenty maps of 4096 x 4096 in 32 bit are 1.25 GiB.
EAGER_BYTES = 4 * GIB
# Read in chunks: a mosaic of a whole 100 mm wafer at 1 um is 1e10 pixels an element.
LAZY_VALUES = 10**12
# Few-count maps shrink 20 to 50 times; a file that claims more than this is a trap or damaged.
MOST_SHRUNK = 500
SMALL_BYTES = GIB // 16
# Two statements of one pixel size may differ by rounding in a tag, not by more.
SAME_SIZE = 0.01


@dataclass(frozen=True)
class Request:
    """What the caller of `load` asked for; every reader takes one."""

    chunks: Any = None  # none reads at once; anything else gives dask arrays of that chunk size
    crop: bool = False  # cut maps that differ by a pixel or two to their common size
    # checked values of the sidecar, empty where there is none
    sidecar: Mapping[str, Any] = field(default_factory=dict)

    @property
    def lazy(self) -> bool:
        """True where the data are to stay on disk until used."""
        return self.chunks is not None


@dataclass
class Stack:
    """Element maps as read, before the sidecar has spoken."""

    counts: Any  # numpy or dask; dims (element, y, x)
    elements: Sequence[str]  # symbols
    format_name: str  # the family, in words
    lines: Sequence[str] = ()  # X-ray line of each map; "" where unknown
    # every file read, by the name it is reported under
    files: dict[str, Path] = field(default_factory=dict)
    map_files: Sequence[str] = ()  # the file (or part of one) each map came from
    pixel_size_um: float | None = None  # as the files say
    pixel_size_from: str = ""  # where that stands
    quantity: str | None = None  # as the files say; None where they do not
    # as in the map set
    variance: Any = None
    electron_image: Any = None
    electron_pixel_um: float | None = None
    valid: Any = None
    # title, beam_energy_keV and the other facts that the files state
    facts: dict[str, Any] = field(default_factory=dict)
    # what was assumed, ignored or doubtful, one sentence each
    notes: list[str] = field(default_factory=list)
    source: dict[str, Any] = field(default_factory=dict)  # more provenance, written as it is


def check_size(shape: Sequence[int], dtype: Any, where: object, *, lazy: bool) -> None:
    """Refuse an array that is too large to read."""
    values = math.prod(int(n) for n in shape)
    size = values * np.dtype(dtype).itemsize
    claim = f"{values:,} values of shape {tuple(int(n) for n in shape)} ({size / GIB:.3g} GiB)"
    if values > LAZY_VALUES:
        raise InputFileError(
            f"{where} must hold at most {LAZY_VALUES:,} values, got {claim}. "
            "Check that the file is whole and is a map."
        )
    if not lazy and size > EAGER_BYTES:
        raise InputFileError(
            f"{where} must hold at most {EAGER_BYTES // GIB} GiB to be read at once, got {claim}. "
            'Read it in pieces: spattermap.load(path, chunks="auto").'
        )


def check_ratio(claimed_bytes: int, file_bytes: int, where: object) -> None:
    """Refuse a compressed file that claims to unpack into implausibly much."""
    if claimed_bytes > SMALL_BYTES and claimed_bytes > MOST_SHRUNK * max(file_bytes, 1):
        raise InputFileError(
            f"{where} must unpack to at most {MOST_SHRUNK} times its size, got "
            f"{claimed_bytes:,} bytes from {file_bytes:,}. Check that the file is whole."
        )


def square_pixel(sizes: Sequence[float], where: object) -> float | None:
    """Return the one side of the pixels (um) along two axes; None where it is no length."""
    if max(sizes) - min(sizes) > SAME_SIZE * min(sizes):
        raise InputError(
            f"{where} must have square pixels (um), got {sizes[0]:g} and {sizes[-1]:g}. "
            "Export it with one scale."
        )
    return float(sizes[0]) if math.isfinite(sizes[0]) and sizes[0] > 0 else None


def stacked(planes: Sequence[Any]) -> Any:
    """Return planes as one array, lazy where any is."""
    if any(hasattr(plane, "dask") for plane in planes):
        import dask.array as da

        return da.stack(planes)
    return np.stack(planes)


def stacked_by_name(planes: Mapping[str, Any], where: object) -> Any:
    """Return named planes as one array; refuse them where they are not of one size."""
    if len({plane.shape for plane in planes.values()}) > 1:
        listed = ", ".join(f"{name} {p.shape[0]} x {p.shape[1]}" for name, p in planes.items())
        raise InputError(
            f"{where} must hold maps of one size (y x x pixels), got {listed}. "
            "Export every map over the same field."
        )
    return stacked(list(planes.values()))


def readable(path: Path, problem: BaseException, *, what: str) -> InputFileError:
    """Return the one-line error for a file that a library could not read."""
    if short_of_memory(problem):  # which is hardly a fault of the file
        return InputFileError(
            f"{path} must fit in memory, got too little of it left. Close other programs, or cut "
            "the maps."
        )
    said = " ".join(str(problem).split())[:200] or type(problem).__name__
    if "lib/plugin" in said or "required filter" in said:  # what HDF5 says of packings it lacks
        return InputFileError(
            f"{path} must be packed with gzip or not at all, got a packing that is not known here. "
            "Save it so."
        )
    return InputFileError(f"{path} must be {what}, got: {said}. Export it again.")

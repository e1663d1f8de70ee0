"""Size limits, checked on what a header claims before anything is allocated."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from spattermap.errors import InputFileError

GIB = 2**30
# One map set read at once: twenty maps of 4096 x 4096 in 32 bit are 1.25 GiB.
EAGER_BYTES = 4 * GIB
# Read in chunks: a mosaic of a whole 100 mm wafer at 1 um is 1e10 pixels an element.
LAZY_VALUES = 10**12
# Few-count maps shrink 20 to 50 times; a file that claims more than this is a trap or damaged.
MOST_SHRUNK = 500
SMALL_BYTES = GIB // 16


def check_size(shape: Sequence[int], dtype: Any, where: object, *, lazy: bool) -> None:
    """Refuse an array that is too large to read.

    Parameters
    ----------
    shape : sequence of int
        Claimed shape.
    dtype : numpy dtype
        Claimed type of a value.
    where : object
        File or thing for the message.
    lazy : bool
        True where it will be read in chunks.

    Raises
    ------
    InputFileError
        If it is too large.
    """
    import numpy as np

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
    """Refuse a compressed file that claims to unpack into implausibly much.

    Parameters
    ----------
    claimed_bytes : int
        Size after unpacking, as the header says or as counted so far.
    file_bytes : int
        Size on disk.
    where : object
        File for the message.

    Raises
    ------
    InputFileError
        If the ratio is above `MOST_SHRUNK` and the claim is not small.
    """
    if claimed_bytes > SMALL_BYTES and claimed_bytes > MOST_SHRUNK * max(file_bytes, 1):
        raise InputFileError(
            f"{where} must unpack to at most {MOST_SHRUNK} times its size, got "
            f"{claimed_bytes:,} bytes from {file_bytes:,}. Check that the file is whole."
        )

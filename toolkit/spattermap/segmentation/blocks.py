"""Sums over square blocks of pixels (numba): the same bits whatever part of a field is given."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]


@njit(cache=True, nogil=True)
def block_sums(
    picture: npt.NDArray[np.float32], used: npt.NDArray[np.bool_], side: int
) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Return sum and number of the used pixels of every block.

    Parameters
    ----------
    picture : numpy.ndarray of float32, dims (y, x)
        Values; what is not used is not read.
    used : numpy.ndarray of bool, dims (y, x)
        Pixels to sum.
    side : int
        Side of a block (px); those at the far edges may be smaller.

    Returns
    -------
    sums, counts : numpy.ndarray, dims (block row, block column)

    Notes
    -----
    Pixels are added one by one in raster order, so a block's sum does not depend on how large the
    part is in which it was given.
    """
    rows, columns = picture.shape
    shape = (-(-rows // side), -(-columns // side))
    sums = np.zeros(shape)
    counts = np.zeros(shape, np.int64)
    for y in range(rows):
        up = y // side
        for across in range(shape[1]):
            total = sums[up, across]
            n = counts[up, across]
            for x in range(across * side, min((across + 1) * side, columns)):
                if used[y, x]:
                    total += picture[y, x]
                    n += 1
            sums[up, across] = total
            counts[up, across] = n
    return sums, counts


def block_areas(shape: tuple[int, int], side: int) -> Floats:
    """Return the number of pixels of every block, smaller at the far edges.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the field.
    side : int
        Side of a block (px).

    Returns
    -------
    numpy.ndarray, dims (block row, block column)
    """
    rows, columns = (np.minimum(side, n - np.arange(0, n, side)).astype(np.float64) for n in shape)
    return np.asarray(np.outer(rows, columns))

"""Give every pixel near a droplet to one of them, and cut each at its own height (numba)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from spattermap.segmentation.parting import uphill

Array = npt.NDArray[np.float32]
Labels = npt.NDArray[np.int32]


@njit(cache=True, nogil=True)
def grow(label: Labels, height: Array, floor: float) -> Labels:
    """Give unlabelled pixels above `floor` to the label their steepest path reaches.

    Parameters
    ----------
    label : numpy.ndarray of int32, dims (y, x)
        Labels to grow; 0 elsewhere.
    height : numpy.ndarray of float32, dims (y, x)
        Smoothed metal fraction.
    floor : float
        Lowest height that may be taken.

    Returns
    -------
    numpy.ndarray of int32, dims (y, x)
    """
    rows, columns = height.shape
    out = label.copy()
    everywhere = np.zeros((rows, columns), np.int32)
    stack = np.empty(rows * columns, np.int32)
    for start in range(rows * columns):
        if out.flat[start] != 0 or not height.flat[start] > floor:
            continue
        depth = 0
        here = start
        found = np.int32(-1)  # a summit of its own, without a label: haze or noise
        while True:
            stack[depth] = here
            depth += 1
            best = uphill(height, everywhere, here)
            if best == here:
                break
            if out.flat[best] != 0:
                found = out.flat[best]
                break
            here = best
        for k in range(depth):
            out.flat[stack[k]] = found
    return np.maximum(out, np.int32(0))


def cut(label: Labels, height: Array, n: int, table: Array, finest: float) -> Labels:
    """Cut each basin at the height that belongs to a blurred disc of the resulting area.

    Parameters
    ----------
    label : numpy.ndarray of int32, dims (y, x)
        Basins.
    height : numpy.ndarray of float32, dims (y, x)
        Smoothed metal fraction.
    n : int
        Number of basins.
    table : numpy.ndarray of float32
        Edge level against radius, in steps of `finest`.
    finest : float
        Step of `table` (px).

    Returns
    -------
    numpy.ndarray of int32, dims (y, x)
        Labels of what lies above each basin's own level.
    """
    level = cut_levels(label, height, n, table, finest)
    return np.where((label > 0) & (height >= level[label]), label, np.int32(0))


@njit(cache=True, nogil=True)
def cut_levels(label: Labels, height: Array, n: int, table: Array, finest: float) -> Array:
    """Return the height at which each basin is cut; infinite where nothing of it remains.

    Parameters
    ----------
    label, height, n, table, finest
        As in `cut`; `label` and `height` of any one shape.

    Returns
    -------
    numpy.ndarray of float32, dims (basin + 1,)
    """
    count = np.zeros(n + 2, np.int64)
    for i in range(label.size):
        count[label.flat[i] + 1] += 1
    begin = np.cumsum(count)
    place = begin[:-1].copy()
    values = np.empty(label.size, np.float32)
    for i in range(label.size):
        owner = label.flat[i]
        values[place[owner]] = height.flat[i]
        place[owner] += 1
    level = np.full(n + 1, np.inf, np.float32)
    for k in range(1, n + 1):
        part = np.sort(values[begin[k] : begin[k + 1]])
        for i in range(part.size):
            # part[i:] lies above this level: its area must give the level back.
            radius = np.sqrt((part.size - i) / np.pi)
            if part[i] >= table[min(int(radius / finest), table.size - 1)]:
                level[k] = part[i]
                break
    return level

"""Sums over squares and boxes of pixels.

Where a sum must have the same bits whatever part of a field is given, `segment.level.block_sums`
adds the pixels one by one in reading order.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from spattermap.core.arrays import Bools, Floats, Integers, Singles


def whole_squares(values: Any, side: int) -> Any:
    """Return sums over the squares that the array fills; a margin of less than one is left out.

    Dims: `values` (..., y, x), numpy or dask; returns (..., row, column) of float64.
    """
    return whole_boxes(values, side, side)


def whole_boxes(values: Any, tall: int, wide: int) -> Any:
    """Return `whole_squares` of rectangles."""
    *front, height, width = values.shape
    rows, columns = height // tall, width // wide
    cut = values[..., : rows * tall, : columns * wide]
    # Rows first: adding whole rows runs through memory in order.
    strips = cut.reshape(*front, rows, tall, columns * wide).sum(axis=-2, dtype=np.float64)
    strips = strips.reshape(*front, rows, columns, wide)
    if wide >= 8:
        return strips.sum(axis=-1)
    total = strips[..., 0]  # the same order of adding, four times as fast for few
    for k in range(1, wide):
        total = total + strips[..., k]
    return total


def mean_squares(values: Any, side: int) -> Any:
    """Return means over the squares that the array fills, dims (..., row, column)."""
    return whole_squares(values, side) / side**2


def all_squares(values: Any, side: int, *, top: int = 0, left: int = 0) -> Floats:
    """Return sums over every square of the field's grid that a part of the field touches.

    Dims: `values` (..., y, x), its first pixel in row `top` and column `left` of the field.
    """
    values = np.asarray(values)
    *front, height, width = values.shape
    rows, columns = (
        np.maximum(np.arange(start // side * side, start + n, side) - start, 0)
        for start, n in ((top, height), (left, width))
    )
    tall = np.empty((*front, rows.size, width))
    for k, (first, after) in enumerate(pairwise([*rows.tolist(), height])):
        # Adding whole rows runs through memory in order, and copies nothing.
        values[..., first:after, :].sum(axis=-2, dtype=np.float64, out=tall[..., k, :])
    return np.asarray(np.add.reduceat(tall, columns, axis=-1))


def square_areas(shape: tuple[int, ...], side: int) -> Floats:
    """Return the pixels of every square of a field, fewer at the far edges; (row, column)."""
    rows, columns = (np.minimum(side, n - np.arange(0, n, side)).astype(np.float64) for n in shape)
    return np.asarray(np.outer(rows, columns))


def between_squares(values: Singles, side: int, rows: slice, columns: slice) -> Singles:
    """Return what is known at the middles of squares, interpolated to pixels; dims (y, x)."""
    mixed = _between(values, (np.arange(rows.start, rows.stop) + 0.5) / side - 0.5)
    at = (np.arange(columns.start, columns.stop) + 0.5) / side - 0.5
    return np.ascontiguousarray(_between(mixed.T, at).T)


def _between(values: Singles, at: Floats) -> Singles:
    low = np.clip(np.floor(at).astype(np.int64), 0, max(values.shape[0] - 2, 0))
    part = np.clip(at - low, 0, 1).astype(np.float32)[:, None]
    high = np.minimum(low + 1, values.shape[0] - 1)
    mixed: Singles = values[low] * (1 - part) + values[high] * part
    return mixed


def numbered(keys: Integers) -> tuple[Integers, Integers]:
    """Return the keys that occur, rising, and the place of each pixel's among them.

    The same as `numpy.unique`, of pixels in raster order, where one key often follows itself.
    """
    first = np.flatnonzero(np.append(True, keys[1:] != keys[:-1])[: keys.size])
    values, place = np.unique(keys[first], return_inverse=True)
    return values, np.repeat(place, np.diff(np.append(first, keys.size)))


class Boxes:
    """Sums over boxes of any size of one plane, from its running sums (Crow 1984).

    Dims: `plane` (y, x).
    """

    def __init__(self, plane: Floats | Bools) -> None:
        self.shape = (plane.shape[0], plane.shape[1])
        self.sums = np.zeros((plane.shape[0] + 1, plane.shape[1] + 1))
        np.cumsum(plane, axis=0, dtype=np.float64, out=self.sums[1:, 1:])
        np.cumsum(self.sums[1:, 1:], axis=1, out=self.sums[1:, 1:])

    def of(self, height: int, width: int, *, step: int = 1) -> Floats:
        """Return the sum over every box of a size (row and column of its first pixel)."""
        s = self.sums
        return np.asarray(
            s[height:, width:][::step, ::step] - s[:-height, width:][::step, ::step]
            - s[height:, :-width][::step, ::step] + s[:-height, :-width][::step, ::step]
        )  # fmt: skip

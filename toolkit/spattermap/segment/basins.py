"""What belongs to each hill beyond its mask, and at which height each basin is cut (numba).

A basin is cut at the height that belongs to a blurred disc of the resulting area.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from numba import njit

from spattermap.core.arrays import Integers, Labels, Singles
from spattermap.core.grid import Box, Grid
from spattermap.segment.filters import RADIUS_STEP
from spattermap.segment.hills import BorderLine, at_inner_border, border_lines, read_lines
from spattermap.segment.parting import uphill


def cut_levels(label: Labels, height: Singles, n: int, table: Singles) -> Singles:
    """Return the height at which each basin is cut; infinite where nothing of it remains.

    Dims: returns (basin + 1,).
    """
    return _cut_levels(label.ravel(), height.ravel(), n, table, RADIUS_STEP)


@njit(cache=True, nogil=True)
def _sink(heap: Singles, i: int | np.int64, n: int) -> None:
    """Let a value sink to its place in a heap of `n`, the largest on top."""
    value = heap[i]
    while True:
        child = 2 * i + 1
        if child >= n:
            break
        if child + 1 < n and heap[child + 1] > heap[child]:
            child += 1
        if heap[child] <= value:
            break
        heap[i] = heap[child]
        i = child
    heap[i] = value


@njit(cache=True, nogil=True)
def _cut_levels(label: Labels, height: Singles, n: int, table: Singles, step: float) -> Singles:
    count = np.zeros(n + 2, np.int64)
    for i in range(label.size):
        count[label[i] + 1] += 1
    for k in range(1, n + 2):
        count[k] += count[k - 1]
    begin, place = count, count.copy()
    values = np.empty(label.size, np.float32)
    for i in range(label.size):
        owner = label[i]
        values[place[owner]] = height[i]
        place[owner] += 1
    level = np.full(n + 1, np.inf, np.float32)
    for k in range(1, n + 1):
        part = values[begin[k] : begin[k + 1]]
        # Sorted by a heap: numba's own sort takes two seconds to compile.
        for i in range(part.size // 2 - 1, -1, -1):
            _sink(part, i, part.size)
        for i in range(part.size - 1, 0, -1):
            part[0], part[i] = part[i], part[0]
            _sink(part, np.int64(0), i)  # a plain 0 would be compiled for as that very number
        for i in range(part.size):
            # part[i:] lies above this level: its area must give the level back.
            radius = np.sqrt((part.size - i) / np.pi)
            if part[i] >= table[min(int(radius / step), table.size - 1)]:
                level[k] = part[i]
                break
    return level


@dataclass(frozen=True)
class Grown:
    """What one part reports of its basins; in its picture exit k stands as -k."""

    # (exit, 2): row and column in the field of the pixels of other parts on which paths end
    exits: Integers
    lines: dict[str, BorderLine]  # borders of the part


@njit(cache=True, nogil=True)
def _grow(
    label: Labels, height: Singles, floor: float, core: tuple[int, int, int, int]
) -> tuple[Labels, Integers]:
    rows, columns = height.shape
    top, left, bottom, right = core
    none = np.int32(2**31 - 1)  # on a summit of its own, without a label: haze or noise
    out = label.copy()
    everywhere = np.zeros((rows, columns), np.int32)
    stack = np.empty(rows * columns, np.int32)
    end = [np.int64(0) for _ in range(0)]
    for y0 in range(top, bottom):
        for x0 in range(left, right):
            start = y0 * columns + x0
            if out.flat[start] != 0 or not height.flat[start] > floor:
                continue
            depth = 0
            here = start
            while True:
                stack[depth] = here
                depth += 1
                best = uphill(height, everywhere, here)
                if best == here:
                    found = none
                    break
                if out.flat[best] != 0:
                    found = out.flat[best]
                    break
                y, x = best // columns, best % columns
                if y < top or y >= bottom or x < left or x >= right:
                    end.append(np.int64(best))
                    found = np.int32(-len(end))
                    out.flat[best] = found
                    break
                here = best
            for k in range(depth):
                out.flat[stack[k]] = found
    for i in range(out.size):
        if out.flat[i] == none:
            out.flat[i] = 0
    return out, np.array(end, dtype=np.int64)


def grow(
    label: Labels, height: Singles, *, window: Box, core: Box, floor: float
) -> tuple[Labels, Grown]:
    """Give unlabelled pixels of one part to the hill their steepest path reaches.

    Dims: `label` (y, x), `height` (y, x); returns (y, x).
    """
    here = core.inside(window)
    out, end = _grow(
        np.ascontiguousarray(label),
        np.ascontiguousarray(height),
        floor,
        (here[0].start, here[1].start, here[0].stop, here[1].stop),
    )
    y, x = np.divmod(end, out.shape[1])
    basins = np.ascontiguousarray(out[here])
    none = np.zeros(basins.shape, np.float32)
    return basins, Grown(
        np.stack([y + window.top, x + window.left], axis=1), border_lines(basins, none, basins)
    )


class Ends:
    """For one part, what the numbers of its picture of basins stand for."""

    def __init__(self, ends: Labels) -> None:
        self.ends = ends

    def __getitem__(self, basins: Labels) -> Labels:
        """Return the hill of each pixel, exits followed to their end."""
        if self.ends.size == 0:
            return np.asarray(basins)
        followed = self.ends[np.maximum(-basins, 1) - 1]
        return np.where(basins < 0, followed, basins).astype(np.int32)


def follow(reports: Sequence[Grown], grid: Grid) -> list[Ends]:
    """Follow every exit to the hill it ends on at last."""
    base = np.concatenate([[0], np.cumsum([len(one.exits) for one in reports])]).astype(np.int64)
    # Exit k of a part is written -(base + k): negative numbers point on, others are hills.
    shifts = [_Shift(int(start)) for start in base[:-1]]
    value = np.zeros(base[-1] + 1, np.int64)
    lines = [one.lines for one in reports]
    for k, one in enumerate(reports):
        if len(one.exits):
            value[base[k] + 1 : base[k + 1] + 1] = read_lines(lines, grid, one.exits, tables=shifts)
    while (value < 0).any():
        value = np.where(value < 0, value[np.maximum(-value, 0)], value)
    return [Ends(value[start + 1 : stop + 1].astype(np.int32)) for start, stop in pairwise(base)]


class _Shift:
    def __init__(self, start: int) -> None:
        self.start = start

    def __getitem__(self, value: npt.NDArray[np.generic]) -> Integers:
        wide = np.asarray(value, dtype=np.int64)
        return np.where(wide < 0, wide - self.start, wide)


@dataclass(frozen=True)
class Cuts:
    """Where the basins of one part are cut, and what is needed of those other parts share."""

    basin: Labels  # (basin,): basins that lie within the part
    level: Singles  # (basin,): heights at which they are cut
    shared: Labels  # (pixel,): basin of each pixel that another part needs to know of
    height: Singles  # (pixel,): its height
    # (basin, 3): shared basins: number, pixels at or above the level of a straight edge, lowest of
    # them
    plateau: npt.NDArray[np.float64]


def most_needed(table: Singles) -> int:
    """Return the number of highest pixels that settle the level of a basin of any size."""
    # Beyond the radius at which the table ends, the level is that of a straight edge.
    return math.ceil(math.pi * (table.size * RADIUS_STEP) ** 2) + 1


def cuts(
    basins: Labels, height: Singles, *, core: Box, shape: tuple[int, int], table: Singles
) -> Cuts:
    """Find where the basins of one part are cut.

    Dims: `basins` (y, x), `height` (y, x).
    """
    names = np.union1d([0], basins)
    dense: Labels = np.searchsorted(names, basins).astype(np.int32)
    at_border = at_inner_border(dense, names.size, core=core, shape=shape)
    level = cut_levels(dense, height, names.size - 1, table)
    inside = ~at_border
    inside[0] = False
    pixels = at_border[dense]
    owner, value = dense[pixels], height[pixels]
    top = value >= table[-1]
    n_top = np.bincount(owner[top], minlength=names.size)
    lowest = np.full(names.size, np.inf)
    np.minimum.at(lowest, owner[top], value[top])
    kept = _highest_of_each(owner, value, most_needed(table))
    which = np.flatnonzero(at_border)
    return Cuts(
        names[inside].astype(np.int32),
        level[inside],
        names[owner[kept]].astype(np.int32),
        value[kept],
        np.stack([names[which], n_top[which], lowest[which]], axis=1).astype(np.float64),
    )


def _highest_of_each(owner: Labels, value: Singles, most: int) -> Integers:
    """Return the places of the `most` highest values of every owner."""
    order = np.lexsort((-value, owner))
    ranked = owner[order]
    start = np.searchsorted(ranked, ranked, side="left")
    return np.asarray(order[np.arange(order.size) - start < most])


def shared_levels(found: Sequence[Cuts], *, table: Singles) -> tuple[Labels, Singles]:
    """Return basins that lie in several parts and the heights at which they are cut."""
    owner = np.concatenate([one.shared for one in found])
    value = np.concatenate([one.height for one in found])
    most = most_needed(table)
    kept = _highest_of_each(owner, value, most)
    names, dense = np.unique(owner[kept], return_inverse=True)
    label = (dense + 1).astype(np.int32)
    level = cut_levels(label, value[kept], names.size, table)[1:]
    plateau = np.concatenate([one.plateau for one in found])
    at = np.searchsorted(names, plateau[:, 0])
    n_top, lowest = np.zeros(names.size), np.full(names.size, np.inf)
    np.add.at(n_top, at, plateau[:, 1])
    np.minimum.at(lowest, at, plateau[:, 2])
    level = np.where(n_top > most, lowest, level).astype(np.float32)
    return names.astype(np.int32), level

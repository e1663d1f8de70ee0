"""Part touching droplets and give every pixel near a droplet to one of them (numba)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

Array = npt.NDArray[np.float32]
Labels = npt.NDArray[np.int32]


class Passes(NamedTuple):
    """Contacts of two hills each: their labels, smaller first, and the lower of the two heights."""

    first: Labels
    second: Labels
    saddle: Array


@njit(cache=True, nogil=True)
def _root(parent: Labels, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True, nogil=True, inline="always")
def uphill(height: Array, region: Labels, here: int) -> int:
    """Return the highest pixel around and including `here` in the same region."""
    rows, columns = height.shape
    y, x = here // columns, here % columns
    best, best_height = here, height[y, x]
    for yy in range(max(0, y - 1), min(rows, y + 2)):
        for xx in range(max(0, x - 1), min(columns, x + 2)):
            if region[yy, xx] != region[y, x]:
                continue
            there = yy * columns + xx
            h = height[yy, xx]
            # Equal heights go to the later pixel, so that plateaus drain to one summit.
            if h > best_height or (h == best_height and there > best):
                best, best_height = there, h
    return best


@njit(cache=True, nogil=True)
def _ascend(height: Array, region: Labels) -> Labels:
    """Label each pixel of a region with the summit its steepest path within it ends on."""
    rows, columns = height.shape
    label = np.zeros((rows, columns), np.int32)
    stack = np.empty(rows * columns, np.int32)
    n_labels = 0
    for start in range(rows * columns):
        if region.flat[start] == 0 or label.flat[start] != 0:
            continue
        depth = 0
        here = start
        while True:
            stack[depth] = here
            depth += 1
            best = uphill(height, region, here)
            if best == here:
                n_labels += 1
                found = np.int32(n_labels)
                break
            if label.flat[best] != 0:
                found = label.flat[best]
                break
            here = best
        for k in range(depth):
            label.flat[stack[k]] = found
    return label


@njit(cache=True, nogil=True)
def _saddles(label: Labels, height: Array, region: Labels) -> tuple[Labels, Labels, Array]:
    """Return each contact of two labels in one region with the lower of the two heights."""
    rows, columns = label.shape
    n = 0
    first, second = np.empty(0, np.int32), np.empty(0, np.int32)
    saddle = np.empty(0, np.float32)
    for turn in range(2):  # count first, then fill
        n = 0
        for y in range(rows):
            for x in range(columns):
                a = label[y, x]
                if a == 0:
                    continue
                for step in range(4):  # right, down, and both diagonals
                    yy = y + (step > 0)
                    xx = x + (1 if step == 0 else step - 2)
                    if yy >= rows or xx >= columns or xx < 0:
                        continue
                    b = label[yy, xx]
                    if a * b == 0 or a == b or region[yy, xx] != region[y, x]:
                        continue
                    if turn == 1:
                        first[n], second[n] = min(a, b), max(a, b)
                        saddle[n] = min(height[y, x], height[yy, xx])
                    n += 1
        if turn == 0:
            first, second = np.empty(n, np.int32), np.empty(n, np.int32)
            saddle = np.empty(n, np.float32)
    return first, second, saddle


@njit(cache=True, nogil=True)
def _merge(passes: tuple[Labels, Labels, Array], peak: Array, ratio: float, least: float) -> Labels:
    """Union the summits, highest pass first, unless both stand well above the pass."""
    first, second, saddle = passes
    parent = np.arange(peak.size).astype(np.int32)
    top = peak.copy()
    for k in range(saddle.size):
        a, b = _root(parent, first[k]), _root(parent, second[k])
        if a == b:
            continue
        lower = min(top[a], top[b])
        if saddle[k] >= ratio * lower or lower - saddle[k] < least:
            parent[b] = a
            top[a] = max(top[a], top[b])
    for i in range(parent.size):
        parent[i] = _root(parent, i)
    return parent


def part(height: Array, region: Labels, *, ratio: float, least: float) -> tuple[Labels, int]:
    """Divide regions into the hills of a height map, joining hills without a true pass.

    Parameters
    ----------
    height : numpy.ndarray of float32, dims (y, x)
        Usually the distance to the edge (px).
    region : numpy.ndarray of int, dims (y, x)
        Regions to divide, 0 outside them.
    ratio : float
        Two hills stay apart where the pass is lower than this part of the lower summit.
    least : float
        ... and at least this much below it (unit of `height`).

    Returns
    -------
    labels : numpy.ndarray of int32, dims (y, x)
        0 outside the regions, then 1, 2, ...
    n : int
        Number of hills.

    Notes
    -----
    Steepest ascent to summits, then joining in order of the pass between them, which is the
    persistence (dynamics) of Grimaud (1992), SPIE 1769, 292, made relative: a neck parts two
    droplets when it is narrow against the smaller of them, whatever their size.
    """
    label = _ascend(height, region)
    n = int(label.max(initial=0))
    if n < 2:
        return label, n
    peak = np.zeros(n + 1, np.float32)
    np.maximum.at(peak, label.ravel(), height.ravel())
    parent = joined(passes_between(label, height, region), peak, ratio=ratio, least=least)
    return renumber(parent[label])


def passes_between(label: Labels, height: Array, region: Labels) -> Passes:
    """Return every contact of two labelled pixels within one region.

    Parameters
    ----------
    label : numpy.ndarray of int32, dims (y, x)
        Hills, 0 outside them.
    height : numpy.ndarray of float32, dims (y, x)
        Height map.
    region : numpy.ndarray of int32, dims (y, x)
        Pixels of different regions have no contact.

    Returns
    -------
    Passes
    """
    return Passes(*_saddles(label, height, region))


def joined(passes: Passes, peak: Array, *, ratio: float, least: float) -> Labels:
    """Join hills without a true pass between them.

    Parameters
    ----------
    passes : Passes
        Contacts, in any order; of one pair only the highest matters.
    peak : numpy.ndarray of float32, dims (label + 1,)
        Height of each hill's summit.
    ratio, least : float
        As in `part`.

    Returns
    -------
    numpy.ndarray of int32, dims (label + 1,)
        For each label that of the hill it was joined to.
    """
    order = np.lexsort((passes.second, passes.first, -passes.saddle))
    return _merge(
        (passes.first[order], passes.second[order], passes.saddle[order]), peak, ratio, least
    )


def contacts(labels: Labels) -> list[tuple[int, int]]:
    """Return every pair of labels that touch, in ascending order.

    Parameters
    ----------
    labels : numpy.ndarray of int32, dims (y, x)
        Regions.

    Returns
    -------
    list of tuple of int
    """
    flat = np.zeros(labels.shape, np.float32)
    first, second, _ = _saddles(labels, flat, np.zeros_like(labels))
    pairs = np.unique(np.stack([first, second], axis=1), axis=0)
    return [(int(a), int(b)) for a, b in pairs]


def renumber(labels: Labels) -> tuple[Labels, int]:
    """Return labels 1 to n without gaps, in the order of their first pixel, and n."""
    present = np.bincount(labels.ravel())
    present[0] = 0
    kept = np.flatnonzero(present)
    table = np.zeros(present.size, np.int32)
    table[kept] = np.arange(1, kept.size + 1)
    return table[labels], int(kept.size)


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

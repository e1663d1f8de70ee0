"""Which hills stay apart: passes between them, and the rules by which they are joined (numba)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from spattermap.core.arrays import Integers, Labels, Singles

NO_SUMS: Integers = np.zeros((0, 6), np.int64)  # for a rule that does not look at shapes


class Rule(NamedTuple):
    """Which hills stay apart; the last three are for heights that are distances to the edge."""

    ratio: float  # two hills stay apart where the pass is lower than this part of the lower summit,
    least: float  # ... at least this much below it (unit of the height map),
    # ... and no higher than this many radii of the circle of the smaller hill's area: what is
    # joined by more than its own width is a bulge, not a droplet.
    broad: float = np.inf
    # two hills that together are longer than this, over their width, are one streak,
    long: float = np.inf
    shallow: float = np.inf  # ... where the pass is at least this part of the lower summit.

    @property
    def by_shape(self) -> bool:
        """True where the areas or the lengths of hills have a say."""
        return bool(np.isfinite(self.broad) or np.isfinite(self.long))


class Passes(NamedTuple):
    """Contacts of two hills each: their labels, smaller first, and the lower of the two heights."""

    first: Labels
    second: Labels
    saddle: Singles


@njit(cache=True, nogil=True)
def _root(parent: Labels, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True, nogil=True, inline="always")
def uphill(height: Singles, region: Labels, here: int) -> int:
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
def _saddles(label: Labels, height: Singles, region: Labels) -> tuple[Labels, Labels, Singles]:
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
def elongation(sums: Integers) -> float:
    """Return length over width of the ellipse with the second moments of a set of pixels.

    Dims: `sums` (6,).
    """
    n = float(sums[0])
    y, x = sums[1] / n, sums[2] / n
    # A pixel is a square: 1/12 is the variance along its side.
    yy, xx = sums[3] / n - y * y + 1 / 12, sums[4] / n - x * x + 1 / 12
    yx = sums[5] / n - y * x
    middle, reach = (yy + xx) / 2, np.hypot((yy - xx) / 2, yx)
    return float(np.sqrt((middle + reach) / max(middle - reach, 1 / 12)))


@njit(cache=True, nogil=True)
def _elongation_of_both(sums: Integers, a: int, b: int) -> float:
    both = np.empty(6, np.int64)
    for i in range(6):
        both[i] = sums[a, i] + sums[b, i]
    return elongation(both)


@njit(cache=True, nogil=True)
def _merge(passes: Passes, peak: Singles, sums: Integers, rule: Rule) -> Labels:
    """Union the summits, highest pass first, unless the rule keeps them apart."""
    first, second, saddle = passes
    parent = np.arange(peak.size).astype(np.int32)
    top, whole = peak.copy(), sums.copy()
    for k in range(saddle.size):
        a, b = _root(parent, first[k]), _root(parent, second[k])
        if a == b:
            continue
        lower = min(top[a], top[b])
        together = saddle[k] >= rule.ratio * lower or lower - saddle[k] < rule.least
        if not together and whole.shape[0] > 0:
            radius = np.sqrt(min(whole[a, 0], whole[b, 0]) / np.pi)
            together = saddle[k] > rule.broad * radius or (
                saddle[k] >= rule.shallow * lower and _elongation_of_both(whole, a, b) > rule.long
            )
        if together:
            parent[b] = a
            top[a] = max(top[a], top[b])
            if whole.shape[0] > 0:
                for i in range(6):  # a slice that is set would compile for seconds
                    whole[a, i] += whole[b, i]
    for i in range(parent.size):
        parent[i] = _root(parent, i)
    return parent


@njit(cache=True, nogil=True)
def pixel_sums(label: Labels, n: int, top: int, left: int) -> Integers:
    """Return what `elongation` needs of every label; whole numbers, so that parts add up exactly.

    Dims: `label` (y, x); returns (label + 1, 6).
    """
    out = np.zeros((n + 1, 6), np.int64)
    for i in range(label.shape[0]):
        for j in range(label.shape[1]):
            k = label[i, j]
            if k == 0:
                continue
            y, x = np.int64(i + top), np.int64(j + left)
            out[k, 0] += 1
            out[k, 1] += y
            out[k, 2] += x
            out[k, 3] += y * y
            out[k, 4] += x * x
            out[k, 5] += y * x
    return out


def passes_between(label: Labels, height: Singles, region: Labels) -> Passes:
    """Return every contact of two labelled pixels within one region.

    Dims: `label` (y, x), `height` (y, x), `region` (y, x).
    """
    return Passes(*_saddles(label, height, region))


def highest(passes: Passes) -> Passes:
    """Return the highest contact of every two hills."""
    first, second, saddle = passes
    order = np.lexsort((-saddle, second, first))
    first, second, saddle = first[order], second[order], saddle[order]
    new = np.ones(first.size, dtype=bool)
    new[1:] = (first[1:] != first[:-1]) | (second[1:] != second[:-1])
    return Passes(first[new], second[new], saddle[new])


def joined(passes: Passes, peak: Singles, rule: Rule, *, sums: Integers = NO_SUMS) -> Labels:
    """Join hills without a true pass between them.

    Dims: `peak` (label + 1,), `sums` (label + 1, 6); returns (label + 1,).
    """
    first, second, saddle = highest(passes)
    order = np.lexsort((second, first, -saddle))
    return _merge(Passes(first[order], second[order], saddle[order]), peak, sums, rule)


def groups(
    n: int, first: npt.NDArray[np.integer], second: npt.NDArray[np.integer]
) -> tuple[int, Labels]:
    """Return how many groups n things make that hang together by pairs, and the group of each."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    links = coo_array((np.ones(first.size, dtype=bool), (first, second)), shape=(n, n))
    found: tuple[int, Labels] = connected_components(links, directed=False)
    return found


def contacts(labels: Labels) -> list[tuple[int, int]]:
    """Return every pair of labels that touch, in ascending order.

    Dims: `labels` (y, x).
    """
    flat = np.zeros(labels.shape, np.float32)
    first, second, _ = _saddles(labels, flat, np.zeros_like(labels))
    pairs = np.unique(np.stack([first, second], axis=1), axis=0)
    return [(int(a), int(b)) for a, b in pairs]

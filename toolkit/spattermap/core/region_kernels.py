"""Compiled loops behind `spattermap.measure.regions`; imported only when regions are measured.

The label image is read once and turned into horizontal runs (label, row, first column, column
after the last). Everything else follows from the runs: sums and second moments in whole
numbers, so that they are exact, and the perimeter from the number of chords in four directions.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numba
import numpy as np
import numpy.typing as npt

from spattermap.core.arrays import Floats, Integers, Labels

Function = TypeVar("Function", bound=Callable[..., object])

# Columns of the whole-number table, one row a label.
AREA, SUM_R, SUM_C, SUM_RR, SUM_CC, SUM_RC = 0, 1, 2, 3, 4, 5
TOP, BOTTOM, LEFT, RIGHT = 6, 7, 8, 9
CHORDS_AXIS, CHORDS_DIAGONAL, HULL_AREA, FERET_MAX_SQ4, FIRST_C = 10, 11, 12, 13, 14
N_WHOLE = 15

EMPTY = np.int32(2**30)  # outermost column of a row without pixels


def compiled(function: Function) -> Function:
    """Compile a function to machine code, kept on disk between sessions and free of the GIL."""
    return cast(Function, numba.njit(cache=True, nogil=True)(function))


@compiled
def count_runs(labels: Labels) -> tuple[int, int, int]:
    """Return the number of runs, the largest and the smallest label of an image (y, x)."""
    n_rows, n_columns = labels.shape
    n_runs = 0
    largest = np.int32(0)
    smallest = np.int32(0)
    for r in range(n_rows):
        row = labels[r]
        before = np.int32(0)
        in_row = 0
        for c in range(n_columns):
            value = row[c]
            in_row += (value != before) & (value != 0)
            largest = max(largest, value)
            smallest = min(smallest, value)
            before = value
        n_runs += in_row
    return n_runs, int(largest), int(smallest)


@compiled
def find_runs(labels: Labels, n_runs: int, n_labels: int) -> tuple[Labels, Integers]:
    """Return the runs in row order, (run, 4): label, row, first, after last; and runs a label."""
    n_rows, n_columns = labels.shape
    runs = np.empty((n_runs, 4), dtype=np.int32)
    per_label = np.zeros(n_labels + 2, dtype=np.int64)
    k = 0
    for r in range(n_rows):
        row = labels[r]
        c = 0
        while c < n_columns:
            value = row[c]
            first = c
            c += 1
            while c < n_columns and row[c] == value:
                c += 1
            if value != 0:
                runs[k, 0] = value
                runs[k, 1] = r
                runs[k, 2] = first
                runs[k, 3] = c
                per_label[value + 1] += 1
                k += 1
    return runs, per_label


@compiled
def group_runs(runs: Labels, per_label: Integers) -> tuple[Labels, Integers]:
    """Return the runs (row, first, after last) grouped by label, and where each label starts."""
    start = per_label.copy()
    for k in range(1, start.size):
        start[k] += start[k - 1]
    place = start.copy()
    grouped = np.empty((runs.shape[0], 3), dtype=np.int32)
    for k in range(runs.shape[0]):
        to = place[runs[k, 0]]
        place[runs[k, 0]] += 1
        grouped[to, 0] = runs[k, 1]
        grouped[to, 1] = runs[k, 2]
        grouped[to, 2] = runs[k, 3]
    return grouped, start


@compiled
def sums_of_label(runs: Labels, out: Integers) -> None:
    """Fill area, moments about the first pixel's row and column, and bounding box."""
    row0 = np.int64(runs[0, 0])
    column0 = np.int64(runs[0, 1])
    left = column0
    right = column0
    area = sum_r = sum_c = sum_rr = sum_cc = sum_rc = np.int64(0)
    for k in range(runs.shape[0]):
        r = np.int64(runs[k, 0]) - row0
        a = np.int64(runs[k, 1]) - column0
        b = np.int64(runs[k, 2]) - column0 - 1
        n = b - a + 1
        column_sum = (a + b) * n // 2
        area += n
        sum_r += n * r
        sum_c += column_sum
        sum_rr += n * r * r
        # Sum of squares from a to b through n, the sum and the spread about the middle:
        # n * middle^2 + n (n^2 - 1) / 12, in whole numbers.
        sum_cc += (3 * n * (a + b) * (a + b) + n * (n * n - 1)) // 12
        sum_rc += r * column_sum
        left = min(left, np.int64(runs[k, 1]))
        right = max(right, np.int64(runs[k, 2]) - 1)
    out[AREA] = area
    out[SUM_R] = sum_r
    out[SUM_C] = sum_c
    out[SUM_RR] = sum_rr
    out[SUM_CC] = sum_cc
    out[SUM_RC] = sum_rc
    out[TOP] = row0
    out[BOTTOM] = runs[runs.shape[0] - 1, 0]
    out[LEFT] = left
    out[RIGHT] = right
    out[FIRST_C] = column0


@compiled
def chords_of_label(runs: Labels, out: Integers) -> None:
    """Count chords along rows, columns and both diagonals.

    A chord starts at every pixel whose neighbour against the direction is outside, so their
    number is the area less the pixels that continue a chord of the row above.
    """
    axis = np.int64(runs.shape[0])
    diagonal = np.int64(0)
    above = 0
    above_end = 0
    here = 0
    for k in range(runs.shape[0]):
        r, a, b = runs[k, 0], runs[k, 1], runs[k, 2]
        if runs[here, 0] != r:
            above = here if runs[k - 1, 0] == r - 1 else k
            above_end = k
            here = k
        axis += b - a
        diagonal += 2 * (b - a)
        for j in range(above, above_end):
            low, high = runs[j, 1], runs[j, 2]
            axis -= max(0, min(b, high) - max(a, low))
            diagonal -= max(0, min(b, high + 1) - max(a, low + 1))
            diagonal -= max(0, min(b, high - 1) - max(a, low - 1))
    out[CHORDS_AXIS] = axis
    out[CHORDS_DIAGONAL] = diagonal


@compiled
def push(points: Labels, n: int, y: int, x: int) -> int:
    """Add a point below the others to one side of a hull; return how many remain on it."""
    while n >= 2:
        y2 = points[n - 1, 0]
        x2 = points[n - 1, 1]
        dy = np.int64(y2 - points[n - 2, 0])
        dx = np.int64(x2 - points[n - 2, 1])
        if dx * (y - y2) < (x - x2) * dy:
            break
        n -= 1
    points[n, 0] = y
    points[n, 1] = x
    return n + 1


@compiled
def half_hull(low: Labels, n_rows: int, points: Labels) -> int:
    """Write one side of the hull of the pixel edge midpoints, top to bottom; return its length.

    `low` holds the outermost column of each row, with its sign turned on the right side, so
    that both sides look for small x. Points are (y, x) in half pixels, x as in `low`. Every
    pixel stands for the midpoints of its four edges, as in scikit-image's convex hull image.
    """
    above = EMPTY
    n = 0
    for r in range(n_rows):
        here = low[r]
        upper = min(above, here)
        if upper != EMPTY:
            n = push(points, n, 2 * r - 1, 2 * int(upper))
        if here != EMPTY:
            n = push(points, n, 2 * r, 2 * int(here) - 1)
        above = here
    return push(points, n, 2 * n_rows - 1, 2 * int(above))


@compiled
def fill_side(points: Labels, n_rows: int, low: Labels) -> None:
    """Set `low` to the first pixel centre of each row on or inside one side of the hull."""
    k = 0
    for r in range(n_rows):
        y = np.int64(2 * r)
        while points[k + 1, 0] < y:
            k += 1
        y1, x1 = np.int64(points[k, 0]), np.int64(points[k, 1])
        y2, x2 = np.int64(points[k + 1, 0]), np.int64(points[k + 1, 1])
        over = x1 * (y2 - y1) + (x2 - x1) * (y - y1)
        low[r] = -((-over) // (2 * (y2 - y1)))  # ceiling, exact in whole numbers


@compiled
def calipers(points: Labels, n: int) -> tuple[int, float]:
    """Return the largest squared distance of vertices and the smallest width of a convex polygon.

    Half pixels. Rotating calipers: the largest distance lies between an antipodal pair, so for
    every edge the farthest vertex, and its equal if there are two, meet the edge's ends; the
    smallest width lies at one of the edges (Shamos 1978).
    """
    longest = np.int64(0)
    narrowest = np.inf
    far = 1
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        ey = np.int64(points[j, 0] - points[i, 0])
        ex = np.int64(points[j, 1] - points[i, 1])
        step = np.int64(1)
        while step > 0:
            # Does the next vertex lie farther from the edge, or as far?
            following = far + 1 if far + 1 < n else 0
            step = ey * (points[following, 1] - points[far, 1])
            step -= ex * (points[following, 0] - points[far, 0])
            for turn in range(2 if step == 0 else 1):
                if turn == 1:
                    far = following
                for side in range(2):
                    end = j if side == 1 else i
                    dy = np.int64(points[far, 0] - points[end, 0])
                    dx = np.int64(points[far, 1] - points[end, 1])
                    longest = max(longest, dy * dy + dx * dx)
            if step > 0:
                far = following
        reach = abs(ey * (points[far, 1] - points[i, 1]) - ex * (points[far, 0] - points[i, 0]))
        narrowest = min(narrowest, reach / np.sqrt(np.float64(ey * ey + ex * ex)))
    return int(longest), narrowest


@compiled
def close_ring(left: Labels, n_left: int, right: Labels, n_right: int, ring: Labels) -> int:
    """Join the two sides of a hull, down the left and up the right; return the ring's length."""
    for k in range(n_left):
        ring[k, 0] = left[k, 0]
        ring[k, 1] = left[k, 1]
    n = n_left
    for k in range(n_right - 1, -1, -1):
        y = right[k, 0]
        x = -right[k, 1]
        if (y == ring[n - 1, 0] and x == ring[n - 1, 1]) or (y == ring[0, 0] and x == ring[0, 1]):
            continue
        ring[n, 0] = y
        ring[n, 1] = x
        n += 1
    return n


@compiled
def hull_of_label(
    runs: Labels,
    out: Integers,
    outer: Labels,
    side: Labels,
) -> float:
    """Fill hull area and largest Feret diameter; return the smallest Feret diameter (px).

    Room to work in: `outer` is (2, at least rows), `side` (3, at least 4 * rows + 8, 2).
    """
    top = runs[0, 0]
    n_rows = runs[runs.shape[0] - 1, 0] - top + 1
    left = outer[0]
    right = outer[1]
    one, other, ring = side[0], side[1], side[2]  # once: each such view compiles for a while
    for r in range(n_rows):
        left[r] = EMPTY
        right[r] = EMPTY
    for k in range(runs.shape[0]):
        r = runs[k, 0] - top
        left[r] = min(left[r], runs[k, 1])
        right[r] = min(right[r], 1 - runs[k, 2])
    n_left = half_hull(left, n_rows, one)
    n_right = half_hull(right, n_rows, other)
    n = close_ring(one, n_left, other, n_right, ring)
    longest, width = calipers(ring, n)
    fill_side(one, n_rows, left)
    fill_side(other, n_rows, right)
    hull_area = np.int64(0)
    for r in range(n_rows):
        hull_area += 1 - right[r] - left[r]
    out[HULL_AREA] = hull_area
    # scikit-image takes the largest Feret diameter of the hull as drawn in pixels. Where that
    # holds no pixel more than the region, it is the hull at hand.
    if hull_area != out[AREA]:
        n_left = half_hull(left, n_rows, one)
        n_right = half_hull(right, n_rows, other)
        n = close_ring(one, n_left, other, n_right, ring)
        longest, _ = calipers(ring, n)
    out[FERET_MAX_SQ4] = longest
    return width / 2


@compiled
def shape_of_labels(
    grouped: Labels,
    start: Integers,
    span: tuple[int, int],
    whole: Integers,
    width: Floats,
) -> None:
    """Measure the labels from the first of `span` to before its last (rows of the results)."""
    first, last = span
    tallest = 1
    for label in range(first, last):
        if start[label + 1] > start[label]:
            tallest = max(tallest, grouped[start[label + 1] - 1, 0] - grouped[start[label], 0] + 1)
    # Three rings of (y, x) points; a ring needs up to 4 * rows + 4 points.
    outer = np.empty((2, tallest), dtype=np.int32)
    side = np.empty((3, 4 * tallest + 8, 2), dtype=np.int32)
    for label in range(first, last):
        runs = grouped[start[label] : start[label + 1]]
        if runs.shape[0] == 0:
            continue
        out = whole[label]
        sums_of_label(runs, out)
        chords_of_label(runs, out)
        width[label] = hull_of_label(runs, out, outer, side)


@compiled
def add_signals(
    runs: Labels,
    stack: npt.NDArray[np.generic],
    zero: npt.NDArray[np.generic],
    out: Floats,
) -> None:
    """Add the values of a stack (element, y, x) to the sums (label, element).

    `zero` holds one 0 of the kind to add in: whole numbers are added as such, which is faster.
    """
    n_elements = stack.shape[0]
    for k in range(runs.shape[0]):
        label = runs[k, 0]
        r = runs[k, 1]
        first = np.uint64(runs[k, 2])
        last = np.uint64(runs[k, 3])
        for e in range(n_elements):
            row = stack[e, r]
            total = zero[0]
            for c in range(first, last):
                total += row[c]
            out[label, e] += total

"""Hills of a field that is worked on part by part: every path up, across the parts' borders.

A hill is the set of pixels whose steepest path ends on one summit. A path that leaves its part
ends on an exit there, and is continued by the part the exit lies in. What the parts report, summits
of hills that reach a border, exits and the passes between them, is small; hills that reach no
border are joined on the spot. The result is that of `segmentation.parting.part` on the whole field.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from spattermap.mosaics.grid import Box
from spattermap.segmentation.parting import (
    NO_SUMS,
    Passes,
    Rule,
    highest,
    joined,
    passes_between,
    pixel_sums,
    uphill,
)

Array = npt.NDArray[np.float32]
Labels = npt.NDArray[np.int32]
Whole = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


class Line(NamedTuple):
    """What stands in one row or column of pixels along a part's border."""

    node: Labels
    height: Array
    region: Labels


@dataclass(frozen=True)
class Climbed:
    """What one part reports: nodes 1 to `n_done` are joined hills, then summits, then exits.

    Parameters
    ----------
    n_done : int
        Hills that reach no border, joined already.
    keys : numpy.ndarray of int64, dims (node,)
        First pixel of each node in the raster of the whole field.
    peaks : numpy.ndarray of float32, dims (summit,)
        Heights of the summits that are not joined yet.
    sums : numpy.ndarray of int64, dims (summit + exit, 6)
        `pixel_sums` of the nodes that are not joined yet; empty where the rule needs none.
    exits : numpy.ndarray of int64, dims (exit, 2)
        Row and column in the field of the pixel of another part on which paths end.
    passes : Passes
        Highest contact of every two nodes that are not joined yet.
    lines : dict of str to Line
        The part's border: top, bottom, left, right.
    """

    n_done: int
    keys: Whole
    peaks: Array
    sums: Whole
    exits: Whole
    passes: Passes
    lines: dict[str, Line]

    @property
    def n_open(self) -> int:
        """Number of nodes that are not joined yet."""
        return int(self.keys.size) - self.n_done


@njit(cache=True, nogil=True)
def _ascend(
    height: Array, region: Labels, core: tuple[int, int, int, int]
) -> tuple[Labels, Whole, Whole]:
    """Label every pixel of the core; return also each node's first pixel and its end pixel."""
    rows, columns = height.shape
    top, left, bottom, right = core
    label = np.zeros((rows, columns), np.int32)
    stack = np.empty(rows * columns, np.int32)
    first = [np.int64(0) for _ in range(0)]
    end = [np.int64(0) for _ in range(0)]
    for y0 in range(top, bottom):
        for x0 in range(left, right):
            start = y0 * columns + x0
            if region.flat[start] == 0 or label.flat[start] != 0:
                continue
            depth = 0
            here = start
            while True:
                stack[depth] = here
                depth += 1
                best = uphill(height, region, here)
                if best != here and label.flat[best] != 0:
                    found = label.flat[best]
                    break
                y, x = best // columns, best % columns
                if best == here or y < top or y >= bottom or x < left or x >= right:
                    first.append(np.int64(start))
                    end.append(np.int64(best))
                    found = np.int32(len(first))
                    label.flat[best] = found
                    break
                here = best
            for k in range(depth):
                label.flat[stack[k]] = found
    return label, np.array(first, dtype=np.int64), np.array(end, dtype=np.int64)


def climb(
    height: Array, region: Labels, *, window: Box, core: Box, shape: tuple[int, int], rule: Rule
) -> tuple[Labels, Climbed]:
    """Find the hills of one part.

    Parameters
    ----------
    height : numpy.ndarray of float32, dims (y, x)
        Height map of the window.
    region : numpy.ndarray of int32, dims (y, x)
        Regions within which paths stay, 0 outside them.
    window : Box
        The part with one pixel around it, where the field has it.
    core : Box
        The part.
    shape : tuple of int
        Rows and columns of the field.
    rule : Rule
        Which hills are joined.

    Returns
    -------
    nodes : numpy.ndarray of int32, dims (y, x)
        Node of each pixel of the core, 0 outside the regions.
    Climbed
    """
    height, region = np.ascontiguousarray(height), np.ascontiguousarray(region)
    here = core.inside(window)
    label, first, end = _ascend(
        height, region, (here[0].start, here[1].start, here[0].stop, here[1].stop)
    )
    y, x = np.divmod(end, label.shape[1]) + np.array([[window.top], [window.left]])
    is_exit = (y < core.top) | (y >= core.bottom) | (x < core.left) | (x >= core.right)
    peak = np.concatenate([[0], height.ravel()[end]]).astype(np.float32)
    y_first, x_first = np.divmod(first, label.shape[1])
    raster = (y_first + window.top) * shape[1] + x_first + window.left
    node = np.ascontiguousarray(label[here])
    height, region = np.ascontiguousarray(height[here]), np.ascontiguousarray(region[here])
    passes = passes_between(node, height, region)
    touching = at_inner_border(node, is_exit.size + 1, core=core, shape=shape)
    touching[1:] |= is_exit
    is_open = _open_ones(passes, touching)
    sums = pixel_sums(node, is_exit.size, core.top, core.left) if rule.by_shape else NO_SUMS
    table, roots = _joined_inside(passes, peak, sums, is_open=is_open, rule=rule)
    rest = [np.flatnonzero(is_open[1:] & kind) for kind in (~is_exit, is_exit)]
    order = np.concatenate(rest)
    table[order + 1] = np.arange(order.size, dtype=np.int32) + roots.size + 1
    node = table[node]
    return node, Climbed(
        n_done=roots.size,
        keys=raster[np.concatenate([roots - 1, order])],
        peaks=peak[rest[0] + 1],
        sums=sums[order + 1] if rule.by_shape else NO_SUMS,
        exits=np.stack([y, x], axis=1)[rest[1]],
        passes=_highest(passes, is_open, table),
        lines=border_lines(node, height, region),
    )


def at_inner_border(number: Labels, n_numbers: int, *, core: Box, shape: tuple[int, int]) -> Flags:
    """Return which numbers stand on a border that a part shares with another.

    Parameters
    ----------
    number : numpy.ndarray of int32, dims (y, x)
        Picture of the part; 0 stands for nothing.
    n_numbers : int
        How many numbers there are, 0 among them.
    core : Box
        The part.
    shape : tuple of int
        Rows and columns of the field.

    Returns
    -------
    numpy.ndarray of bool, dims (number,)
    """
    touching = np.zeros(n_numbers, dtype=bool)
    for wanted, line in (
        (core.top > 0, number[0]),
        (core.bottom < shape[0], number[-1]),
        (core.left > 0, number[:, 0]),
        (core.right < shape[1], number[:, -1]),
    ):
        if wanted:
            touching[line] = True
    touching[0] = False
    return touching


def _open_ones(passes: Passes, touching: Flags) -> Flags:
    """Return the nodes that are in contact, directly or through others, with the border."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    n = touching.size
    ones = np.ones(passes.first.size, dtype=bool)
    n_groups, group = connected_components(
        coo_array((ones, (passes.first, passes.second)), shape=(n, n)), directed=False
    )
    reached = np.zeros(n_groups, dtype=bool)
    reached[group[touching]] = True
    return np.asarray(reached[group])


def _joined_inside(
    passes: Passes, peak: Array, sums: Whole, *, is_open: Flags, rule: Rule
) -> tuple[Labels, Whole]:
    """Join the hills that reach no border; return the new number of each node, and the roots."""
    inside = ~is_open[passes.first]
    parent = joined(
        Passes(passes.first[inside], passes.second[inside], passes.saddle[inside]),
        peak,
        rule,
        sums=sums,
    )
    closed = np.flatnonzero(~is_open)[1:]
    roots = np.unique(parent[closed]).astype(np.int64)
    table = np.zeros(peak.size, np.int32)
    table[closed] = np.searchsorted(roots, parent[closed]) + 1
    return table, roots


def _highest(passes: Passes, is_open: Flags, table: Labels) -> Passes:
    """Return the highest contact of every two nodes that are not joined yet, renumbered."""
    kept = is_open[passes.first]
    return highest(
        Passes(table[passes.first[kept]], table[passes.second[kept]], passes.saddle[kept])
    )


def border_lines(node: Labels, height: Array, region: Labels) -> dict[str, Line]:
    """Return what stands along the four borders of a part.

    Parameters
    ----------
    node, height, region : numpy.ndarray, dims (y, x)
        The part.

    Returns
    -------
    dict of str to Line
    """
    cuts: dict[str, Any] = {
        "top": (0, ...), "bottom": (-1, ...), "left": (..., 0), "right": (..., -1)
    }  # fmt: skip
    # Copies: a view of one row would keep the whole part in memory.
    return {
        side: Line(node[cut].copy(), height[cut].copy(), region[cut].copy())
        for side, cut in cuts.items()
    }

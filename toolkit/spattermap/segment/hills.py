"""Part touching droplets: the hills of a height map, followed across the borders of parts (numba).

A hill is the set of pixels whose steepest path ends on one summit. A path that leaves its part
ends on an exit there, and is continued by the part the exit lies in. What the parts report, summits
of hills that reach a border, exits and the passes between them, is small; hills that reach no
border are joined on the spot. A field that is its own only part has none that does.

Notes
-----
Steepest ascent to summits, then joining in order of the pass between them, which is the
persistence (dynamics) of Grimaud (1992), SPIE 1769, 292, made relative: a neck parts two
droplets when it is narrow against the smaller of them, whatever their size. The two rules on
shapes were chosen by experiment (``tests/benchmarks/segmentation.py``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt
from numba import njit

from spattermap.core.arrays import Bools, Integers, Labels, Singles
from spattermap.core.grid import Box, Grid
from spattermap.segment.parting import (
    NO_SUMS,
    Passes,
    Rule,
    groups,
    highest,
    joined,
    passes_between,
    pixel_sums,
    uphill,
)


class BorderLine(NamedTuple):
    """What stands in one row or column of pixels along a part's border."""

    node: Labels
    height: Singles
    region: Labels


@dataclass(frozen=True)
class Climbed:
    """What one part reports: nodes 1 to `n_done` are joined hills, then summits, then exits."""

    n_done: int  # hills that reach no border, joined already
    keys: Integers  # (node,): first pixel of each node in the raster of the whole field
    peaks: Singles  # (summit,): heights of the summits that are not joined yet
    # (summit + exit, 6): `pixel_sums` of the nodes that are not joined yet; empty where the rule
    # needs none
    sums: Integers
    # (exit, 2): row and column in the field of the pixel of another part on which paths end
    exits: Integers
    passes: Passes  # highest contact of every two nodes that are not joined yet
    lines: dict[str, BorderLine]  # the part's border: top, bottom, left, right

    @property
    def n_open(self) -> int:
        """Number of nodes that are not joined yet."""
        return int(self.keys.size) - self.n_done


@njit(cache=True, nogil=True)
def _ascend(
    height: Singles, region: Labels, core: tuple[int, int, int, int]
) -> tuple[Labels, Integers, int]:
    """Label every pixel of the core; return also each node's first and end pixel, and how many."""
    rows, columns = height.shape
    top, left, bottom, right = core
    label = np.zeros((rows, columns), np.int32)
    stack = np.empty(rows * columns, np.int32)
    nodes = np.empty((64, 2), np.int64)  # first and end pixel; not lists, which compile slowly
    n_nodes = 0
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
                    if n_nodes == nodes.shape[0]:
                        longer = np.empty((2 * n_nodes, 2), np.int64)
                        for k in range(n_nodes):
                            longer[k, 0], longer[k, 1] = nodes[k, 0], nodes[k, 1]
                        nodes = longer
                    nodes[n_nodes, 0], nodes[n_nodes, 1] = start, best
                    n_nodes += 1
                    found = np.int32(n_nodes)
                    label.flat[best] = found
                    break
                here = best
            for k in range(depth):
                label.flat[stack[k]] = found
    return label, nodes, n_nodes


def climb(
    height: Singles, region: Labels, *, window: Box, core: Box, shape: tuple[int, int], rule: Rule
) -> tuple[Labels, Climbed]:
    """Find the hills of one part.

    Dims: `height` (y, x), `region` (y, x); returns (y, x).
    """
    height, region = np.ascontiguousarray(height), np.ascontiguousarray(region)
    here = core.inside(window)
    label, nodes, n_nodes = _ascend(
        height, region, (here[0].start, here[1].start, here[0].stop, here[1].stop)
    )
    first, end = nodes[:n_nodes].T
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


def at_inner_border(number: Labels, n_numbers: int, *, core: Box, shape: tuple[int, int]) -> Bools:
    """Return which numbers stand on a border that a part shares with another.

    Dims: `number` (y, x); returns (number,).
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


def _open_ones(passes: Passes, touching: Bools) -> Bools:
    """Return the nodes that are in contact, directly or through others, with the border."""
    n_groups, group = groups(touching.size, passes.first, passes.second)
    reached = np.zeros(n_groups, dtype=bool)
    reached[group[touching]] = True
    return np.asarray(reached[group])


def _joined_inside(
    passes: Passes, peak: Singles, sums: Integers, *, is_open: Bools, rule: Rule
) -> tuple[Labels, Integers]:
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


def _highest(passes: Passes, is_open: Bools, table: Labels) -> Passes:
    """Return the highest contact of every two nodes that are not joined yet, renumbered."""
    kept = is_open[passes.first]
    return highest(
        Passes(table[passes.first[kept]], table[passes.second[kept]], passes.saddle[kept])
    )


def border_lines(node: Labels, height: Singles, region: Labels) -> dict[str, BorderLine]:
    """Return what stands along the four borders of a part.

    Dims: `node, height, region` (y, x).
    """
    cuts: dict[str, Any] = {
        "top": (0, ...), "bottom": (-1, ...), "left": (..., 0), "right": (..., -1)
    }  # fmt: skip
    # Copies: a view of one row would keep the whole part in memory.
    return {
        side: BorderLine(node[cut].copy(), height[cut].copy(), region[cut].copy())
        for side, cut in cuts.items()
    }


class Table(Protocol):
    """Tells what the numbers of a part stand for."""

    def __getitem__(self, numbers: Any, /) -> Any:
        """Return what they stand for."""


@dataclass(frozen=True)
class Hills:
    """Hills of the whole field."""

    tables: list[Labels]  # for each part, the hill of each of its nodes; node 0 is no hill
    # (hill + 1,): raster place by which hills are in the order that the whole field at once would
    # give
    keys: Integers


def join(reports: Sequence[Climbed], grid: Grid, rule: Rule) -> Hills:
    """Continue the paths that left their parts, and join hills across borders."""
    base = np.concatenate([[0], np.cumsum([one.n_open for one in reports])]).astype(np.int64)
    # Nodes that are not joined yet get numbers of their own, from 1, over all parts.
    opened = [_opened(one, int(start)) for one, start in zip(reports, base[:-1], strict=True)]
    target = _targets(reports, opened, base, grid)
    keys = np.concatenate([[-1], *(one.keys[one.n_done :] for one in reports)]).astype(np.int64)
    summits = np.flatnonzero(target == np.arange(target.size))[1:]
    first = keys.copy()
    np.minimum.at(first, target, keys)
    # In the order in which the whole field at once would meet them.
    summits = summits[np.argsort(first[summits], kind="stable")]
    rank = np.zeros(target.size, np.int32)
    rank[summits] = np.arange(1, summits.size + 1)
    peak = np.zeros(target.size, np.float32)
    for one, start in zip(reports, base[:-1], strict=True):
        peak[start + 1 : start + 1 + one.peaks.size] = one.peaks
    passes = _all_passes(reports, opened, grid, rank[target])
    ordered = np.concatenate([[0], peak[summits]]).astype(np.float32)
    sums = NO_SUMS
    if rule.by_shape:
        sums = np.zeros((ordered.size, 6), np.int64)
        np.add.at(sums, rank[target[1:]], np.concatenate([one.sums for one in reports]))
    parent = joined(passes, ordered, rule, sums=sums)
    roots = np.unique(parent[1:]) if parent.size > 1 else np.zeros(0, np.int32)
    n_done = np.concatenate([[0], np.cumsum([one.n_done for one in reports])]).astype(np.int64)
    hill = np.zeros(parent.size, np.int32)
    hill[1:] = np.searchsorted(roots, parent[1:]) + n_done[-1] + 1
    of_node = hill[rank[target]]
    tables = []
    for k, one in enumerate(reports):
        mine = np.arange(one.n_done, dtype=np.int32) + np.int32(n_done[k] + 1)
        rest = of_node[base[k] + 1 : base[k + 1] + 1]
        tables.append(np.concatenate([[0], mine, rest]).astype(np.int32))
    inner = [one.keys[: one.n_done] for one in reports]
    whole = np.concatenate([[-1], *inner, first[summits[roots - 1]]]).astype(np.int64)
    return Hills(tables, whole)


def part(height: Singles, region: Labels, rule: Rule) -> tuple[Labels, int]:
    """Return the hills of a whole picture (y, x), within regions, as labels 1 to n, and n."""
    box = Box(0, 0, *height.shape)
    node, found = climb(height, region, window=box, core=box, shape=height.shape, rule=rule)
    done = join([found], Grid.whole(height.shape), rule)
    return done.tables[0][node], done.keys.size - 1


def _opened(report: Climbed, start: int) -> Labels:
    """Return the number over all parts of each node that is not joined yet; 0 for the others."""
    table = np.zeros(report.keys.size + 1, np.int32)
    table[report.n_done + 1 :] = np.arange(start + 1, start + 1 + report.n_open)
    return table


def _targets(
    reports: Sequence[Climbed], opened: list[Labels], base: Integers, grid: Grid
) -> Integers:
    """Return the summit on which each node's paths end at last."""
    target = np.arange(base[-1] + 1)
    for k, one in enumerate(reports):
        if one.exits.size:
            ends = read_lines([report.lines for report in reports], grid, one.exits, tables=opened)
            target[base[k] + 1 + one.peaks.size : base[k + 1] + 1] = ends
    while True:
        further = target[target]
        if np.array_equal(further, target):
            return np.asarray(target)
        target = further


def read_lines(
    lines: Sequence[dict[str, BorderLine]], grid: Grid, pixels: Integers, *, tables: Sequence[Table]
) -> Integers:
    """Return what stands at pixels on the borders of the parts they lie in.

    Dims: `pixels` (pixel, 2); returns (pixel,).
    """
    y, x = pixels.T
    where = grid.at(y, x)
    out = np.zeros(y.size, np.int64)
    for k in np.unique(where):
        box = grid.box(int(k))
        mine = where == k
        node = np.zeros(y.size, np.int64)
        for side, on, at in (
            ("top", y == box.top, x - box.left),
            ("bottom", y == box.bottom - 1, x - box.left),
            ("left", x == box.left, y - box.top),
            ("right", x == box.right - 1, y - box.top),
        ):
            here = mine & on
            node[here] = lines[k][side].node[at[here]]
        out[mine] = tables[k][node[mine]]
    return out


def _all_passes(
    reports: Sequence[Climbed], opened: list[Labels], grid: Grid, summit: Labels
) -> Passes:
    """Return the passes within the parts and across their borders, between ranked summits."""
    found = [
        (summit[table[one.passes.first]], summit[table[one.passes.second]], one.passes.saddle)
        for one, table in zip(reports, opened, strict=True)
    ]
    for strip in strips([one.lines for one in reports], grid, tables=opened):
        node = np.ascontiguousarray(summit[strip.node])
        found.append(tuple(passes_between(node, strip.height, strip.region)))  # type: ignore[arg-type]
    first, second, saddle = (np.concatenate(part) for part in zip(*found, strict=True))
    unlike = first != second
    first, second, saddle = first[unlike], second[unlike], saddle[unlike]
    return Passes(np.minimum(first, second), np.maximum(first, second), saddle)


def strips(
    lines: Sequence[dict[str, BorderLine]], grid: Grid, *, tables: Sequence[Labels]
) -> Iterator[BorderLine]:
    """Return the two rows, or columns, of pixels along every border between parts."""
    down, across = len(grid.rows) - 1, grid.across

    def beside(parts: list[int], side: str) -> list[npt.NDArray[np.generic]]:
        node = [tables[k][lines[k][side].node] for k in parts]
        return [
            np.concatenate(node),
            np.concatenate([lines[k][side].height for k in parts]),
            np.concatenate([lines[k][side].region for k in parts]),
        ]

    pairs = [
        (range(i * across, (i + 1) * across), "bottom", across, "top") for i in range(down - 1)
    ] + [(range(j, down * across, across), "right", 1, "left") for j in range(across - 1)]
    for parts, here, step, there in pairs:
        one, other = beside(list(parts), here), beside([k + step for k in parts], there)
        yield BorderLine(*(np.stack(pair) for pair in zip(one, other, strict=True)))

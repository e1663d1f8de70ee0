"""Join what the parts of a field report into hills of the whole field."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from spattermap.mosaics.grid import Grid
from spattermap.mosaics.hills import Climbed, Line
from spattermap.segmentation.parting import NO_SUMS, Passes, Rule, joined, passes_between

Labels = npt.NDArray[np.int32]
Whole = npt.NDArray[np.int64]


class Table(Protocol):
    """Tells what the numbers of a part stand for."""

    def __getitem__(self, numbers: Any, /) -> Any:
        """Return what they stand for."""


@dataclass(frozen=True)
class Hills:
    """Hills of the whole field.

    Parameters
    ----------
    tables : list of numpy.ndarray of int32
        For each part, the hill of each of its nodes; node 0 is no hill.
    keys : numpy.ndarray of int64, dims (hill + 1,)
        Raster place by which hills are in the order that the whole field at once would give.
    """

    tables: list[Labels]
    keys: Whole


def join(reports: Sequence[Climbed], grid: Grid, rule: Rule) -> Hills:
    """Continue the paths that left their parts, and join hills across borders.

    Parameters
    ----------
    reports : sequence of Climbed
        One a part, in order.
    grid : Grid
        How the field was cut.
    rule : Rule
        Which hills are joined.

    Returns
    -------
    Hills
    """
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


def _opened(report: Climbed, start: int) -> Labels:
    """Return the number over all parts of each node that is not joined yet; 0 for the others."""
    table = np.zeros(report.keys.size + 1, np.int32)
    table[report.n_done + 1 :] = np.arange(start + 1, start + 1 + report.n_open)
    return table


def _targets(reports: Sequence[Climbed], opened: list[Labels], base: Whole, grid: Grid) -> Whole:
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
    lines: Sequence[dict[str, Line]], grid: Grid, pixels: Whole, *, tables: Sequence[Table]
) -> Whole:
    """Return what stands at pixels on the borders of the parts they lie in.

    Parameters
    ----------
    lines : sequence of dict of str to Line
        Borders of every part.
    grid : Grid
        The parts.
    pixels : numpy.ndarray of int64, dims (pixel, 2)
        Rows and columns in the field.
    tables : sequence of numpy.ndarray
        For each part, what its nodes stand for.

    Returns
    -------
    numpy.ndarray of int64, dims (pixel,)
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
    lines: Sequence[dict[str, Line]], grid: Grid, *, tables: Sequence[Labels]
) -> Iterator[Line]:
    """Return the two rows, or columns, of pixels along every border between parts.

    Parameters
    ----------
    lines : sequence of dict of str to Line
        Borders of every part.
    grid : Grid
        The parts.
    tables : sequence of numpy.ndarray
        For each part, what its nodes stand for.

    Yields
    ------
    Line
        Arrays of the full width or height of the field, so that corners are held too.
    """
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
        yield Line(*(np.stack(pair) for pair in zip(one, other, strict=True)))

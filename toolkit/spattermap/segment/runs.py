"""Regions as horizontal runs of pixels: what parts of a field can hand over and be put together."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from spattermap.core.arrays import Integers, Labels


class Runs(NamedTuple):
    """Horizontal runs of pixels: label, row, first column, column after the last (of the field)."""

    label: Labels
    row: npt.NDArray[np.int32]
    first: npt.NDArray[np.int32]
    after: npt.NDArray[np.int32]


def runs_of(label: Labels, top: int, left: int) -> Runs:
    """Return the runs of labels (y, x) that begin at `top`, `left`, in raster order."""
    from spattermap.core.region_kernels import count_runs, find_runs

    label = np.ascontiguousarray(label, dtype=np.int32)
    n, largest, _ = count_runs(label)
    found, _ = find_runs(label, n, largest)
    return Runs(found[:, 0], found[:, 1] + np.int32(top), found[:, 2] + np.int32(left),
                found[:, 3] + np.int32(left))  # fmt: skip


def regions_of(runs: Runs) -> tuple[Labels, Integers, Integers]:
    """Return the labels that occur, their pixels, and the boxes around them.

    Dims: returns (region,), (region,), (region, 4): first row and column, row and column after the
    last, of the field.
    """
    name, own = np.unique(runs.label, return_inverse=True)
    area = np.bincount(own, runs.after - runs.first, minlength=name.size).astype(np.int64)
    boxes = np.stack([runs.row, runs.first, runs.row + 1, runs.after], axis=1)
    return name, area, around(boxes, own, name.size)


def around(boxes: npt.NDArray[np.integer], owner: npt.NDArray[np.integer], size: int) -> Integers:
    """Return the box around all boxes of each owner, 0 to before `size`; none has its ends turned.

    Dims: `boxes` (box, 4): first row and column, row and column after the last; `owner` (box,).
    """
    out = np.full((size, 4), np.iinfo(np.int64).max)
    out[:, 2:] = -1
    for column, meet in enumerate((np.minimum, np.minimum, np.maximum, np.maximum)):
        meet.at(out[:, column], owner, boxes[:, column])
    return out


def compacted(label: Labels, most: int) -> tuple[Integers, Labels]:
    """Return 0 and the labels that occur, up to `most`, and the picture of their places among them.

    Dims: `label` (y, x); returns (region,), (y, x).
    """
    seen = np.zeros(most + 1, dtype=bool)
    seen[label] = True
    seen[0] = True
    names = np.flatnonzero(seen)
    place = np.zeros(seen.size, np.int32)
    place[names] = np.arange(names.size)
    return names, place[label]


class Gathered:
    """Runs of many regions from many parts, by region, those that meet at a border made one."""

    def __init__(self, parts: list[Runs]) -> None:
        label, row, first, after = (np.concatenate(one) for one in zip(*parts, strict=True))
        order = np.lexsort((first, row, label))
        label, row, first, after = label[order], row[order], first[order], after[order]
        new = np.ones(label.size, dtype=bool)
        new[1:] = (label[1:] != label[:-1]) | (row[1:] != row[:-1]) | (first[1:] != after[:-1])
        last = np.concatenate([np.flatnonzero(new)[1:] - 1, [label.size - 1]])[: new.sum()]
        self.runs = Runs(label[new], row[new], first[new], after[last])

    def pixels(self, region: int) -> tuple[Integers, Integers]:
        """Return rows and columns of a region's pixels, in raster order."""
        label, row, first, after = self.runs
        start, stop = np.searchsorted(label, [region, region + 1])
        length = (after[start:stop] - first[start:stop]).astype(np.int64)
        y = np.repeat(row[start:stop].astype(np.int64), length)
        begin = np.repeat(np.cumsum(length) - length, length)
        x = np.arange(y.size) - begin + np.repeat(first[start:stop].astype(np.int64), length)
        return y, x

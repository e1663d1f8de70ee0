"""What one part of a field gives to be put together with the others: droplets, pieces, squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr
from scipy import ndimage

from spattermap.core.arrays import Array, Bools, Floats, Integers, Labels
from spattermap.core.grid import Box, Grid, Source
from spattermap.core.mapset import element_names, facts
from spattermap.core.squares import all_squares
from spattermap.measure.regions import as_droplets, measure_runs, signal_sums
from spattermap.segment.parting import groups
from spattermap.segment.runs import Gathered, Runs, compacted, runs_of

if TYPE_CHECKING:
    from spattermap.segment.result import Segmentation


@dataclass(frozen=True)
class Coarse:
    """Sums over squares of a part, and where its first square lies among all."""

    sums: Floats
    row: int
    column: int


def coarse_sums(values: Array, box: Box, step: int) -> Coarse:
    """Return sums over the squares of a grid that starts at the field's first pixel.

    Dims: `values` (..., y, x).
    """
    sums = all_squares(values, step, top=box.top, left=box.left)
    return Coarse(sums, box.top // step, box.left // step)


def add_coarse(parts: list[Coarse], shape: tuple[int, int], step: int) -> Floats:
    """Return the sums over the squares of the whole field."""
    size = tuple(math.ceil(n / step) for n in shape)
    out = np.zeros((*parts[0].sums.shape[:-2], *size))
    for one in parts:
        height, width = one.sums.shape[-2:]
        out[..., one.row : one.row + height, one.column : one.column + width] += one.sums
    return out


@dataclass(frozen=True)
class Cut:
    """Droplets of a part that go on in another: their runs and what they sum to here."""

    runs: Runs
    label: Labels
    sums: Floats
    noise: Floats
    masked: Bools


def droplets_of_part(
    source: Source, found: Segmentation, core: Box, label: Labels, *, part: xr.Dataset
) -> tuple[pd.DataFrame, Cut]:
    """Measure the droplets that lie within a part, and gather what is here of the others.

    Dims: `label` (y, x).
    """
    only = np.where(label <= found.n_droplets, label, 0)
    names, dense = compacted(only, found.n_droplets)
    box = found.box[names]
    whole = (
        (box[:, 0] >= core.top) & (box[:, 1] >= core.left)
        & (box[:, 2] <= core.bottom) & (box[:, 3] <= core.right)
    )  # fmt: skip
    sums = signal_sums(dense, part["counts"].values)
    noise = signal_sums(dense, part["variance"].values) if "variance" in part else sums
    masked = _beside_mask(source, core, dense, names.size)
    runs = runs_of(dense, core.top, core.left)
    whole[0] = False
    inside = whole[runs.label]
    rows = _measured(source, Runs(*(one[inside] for one in runs)), sums[whole], noise[whole])
    rows["label"] = names[whole]
    rows["touches_border"] |= masked[whole]
    size = facts(source.maps).pixel_size
    rows = as_droplets(rows, found, names[whole], pixel_size=size)
    other = ~whole
    other[0] = False
    kept = other[runs.label]
    cut = Cut(
        Runs(names[runs.label[kept]].astype(np.int32), *(one[kept] for one in runs[1:])),
        names[other].astype(np.int32),
        sums[other],
        noise[other],
        masked[other],
    )
    return rows, cut


def cut_droplets(source: Source, found: Segmentation, cuts: Sequence[Cut]) -> pd.DataFrame:
    """Measure the droplets that lie in several parts, gathered whole."""
    runs = Gathered([one.runs for one in cuts]).runs
    names, place = np.unique(np.concatenate([one.label for one in cuts]), return_inverse=True)
    n_elements = source.maps.sizes["element"]
    sums, noise = np.zeros((names.size, n_elements)), np.zeros((names.size, n_elements))
    np.add.at(sums, place, np.concatenate([one.sums for one in cuts]))
    np.add.at(noise, place, np.concatenate([one.noise for one in cuts]))
    masked = np.zeros(names.size, dtype=bool)
    np.logical_or.at(masked, place, np.concatenate([one.masked for one in cuts]))
    rows = _measured(source, runs, sums, noise)
    rows["touches_border"] |= masked
    return as_droplets(rows, found, names, pixel_size=facts(source.maps).pixel_size)


def _measured(source: Source, runs: Runs, sums: Floats, noise: Floats) -> pd.DataFrame:
    return measure_runs(
        np.column_stack(runs),
        sums,
        noise,
        shape=source.shape,
        elements=element_names(source.maps),
        pixel_size=facts(source.maps).pixel_size,
    )


def _beside_mask(source: Source, core: Box, dense: Labels, n: int) -> Bools:
    """Return the labels beside masked pixels: those droplets are seen in part."""
    found = np.zeros(n, dtype=bool)
    if source.has("valid"):
        ring = core.grown(1, source.shape)
        out = ndimage.binary_dilation(~source.read("valid", ring), structure=np.ones((3, 3), bool))
        found[dense[out[core.inside(ring)]]] = True
    return found


@dataclass(frozen=True)
class Pieces:
    """Pieces of metal, pixels that share edges, within one part."""

    # (piece + 1,): pixels of each piece that reaches the part's border; entry 0 is 0
    area: Integers
    # number of the pieces that do not, and pixels of the largest of them
    n_inside: int
    largest: int
    lines: dict[str, Labels]  # piece at each pixel of the border, by side


def pieces_of(metal: Bools) -> Pieces:
    """Return the pieces of metal of one part, dims (y, x)."""
    pieces, n = ndimage.label(metal)
    area = np.bincount(pieces.ravel(), minlength=n + 1)
    area[0] = 0
    lines = {"top": pieces[0], "bottom": pieces[-1], "left": pieces[:, 0], "right": pieces[:, -1]}
    at_border = np.unique(np.concatenate([[0], *lines.values()]))
    inside = area.copy()
    inside[at_border] = 0
    number = np.zeros(n + 1, np.int32)
    number[at_border] = np.arange(at_border.size)
    return Pieces(
        area[at_border].astype(np.int64),
        int(np.count_nonzero(inside)),
        int(inside.max(initial=0)),
        {side: number[line] for side, line in lines.items()},
    )


@dataclass(frozen=True)
class Joined:
    """The connected regions of metal of a whole field, put together from its parts; exact."""

    # number of regions, pixels of all of them, and of the largest
    n_regions: int
    metal: int
    largest: int
    # whether one region reaches from side to side
    crosses_x: bool
    crosses_y: bool
    crossing: int  # pixels of the regions that cross the field in x or in y


def join_pieces(parts: Sequence[Pieces], grid: Grid, *, metal: int) -> Joined:
    """Join the pieces of metal of all parts."""
    base = np.concatenate([[0], np.cumsum([one.area.size for one in parts])])
    down, across = len(grid.rows) - 1, grid.across

    def line(k: int, side: str) -> Integers:
        pieces = parts[k].lines[side].astype(np.int64)
        return np.where(pieces > 0, pieces + base[k], -1)

    pairs = []
    for k in range(len(grid)):
        i, j = divmod(k, across)
        for wanted, here, other, there in (
            (j + 1 < across, "right", k + 1, "left"),
            (i + 1 < down, "bottom", k + across, "top"),
        ):
            if wanted:
                one, two = line(k, here), line(other, there)
                both = (one >= 0) & (two >= 0)
                pairs.append(np.unique(np.stack([one[both], two[both]]), axis=1))
    first, second = np.concatenate(pairs, axis=1) if pairs else np.zeros((2, 0), np.int64)
    n, region = groups(int(base[-1]), first, second)
    area = np.bincount(region, np.concatenate([one.area for one in parts]), minlength=n)

    def reached(edge: list[int], side: str) -> set[int]:
        found = np.concatenate([line(k, side) for k in edge])
        return set(region[np.unique(found[found >= 0])].tolist())

    rows = [list(range(i * across, (i + 1) * across)) for i in (0, down - 1)]
    columns = [list(range(j, down * across, across)) for j in (0, across - 1)]
    in_x = reached(columns[0], "left") & reached(columns[1], "right")
    in_y = reached(rows[0], "top") & reached(rows[1], "bottom")
    return Joined(
        n_regions=int(np.count_nonzero(area)) + sum(one.n_inside for one in parts),
        metal=metal,
        largest=int(max([area.max(initial=0), *(one.largest for one in parts)])),
        crosses_x=bool(in_x),
        crosses_y=bool(in_y),
        crossing=int(area[sorted(in_x | in_y)].sum()),
    )

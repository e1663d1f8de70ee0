"""One pass over the finished labels: tables, sums for the verdict, connection and overview."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core.arrays import Floats, Integers, Labels
from spattermap.core.grid import Box, DiskStore, Grid, Source
from spattermap.core.mapset import facts
from spattermap.measure.regions import as_droplets, measure_runs, signal_sums
from spattermap.segment.result import Segmentation
from spattermap.segment.runs import Runs, runs_of

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings
    from spattermap.verdict.gather import Context


_FEW = 100  # resamples within a part


def rows_file(folder: Path, k: int) -> Path:
    """Return where the rows of the droplets within a part lie."""
    return folder / f"rows_{k}.parquet"


class Plan(NamedTuple):
    """What is measured, the same for every part.

    Parameters
    ----------
    source : Source
        The map set.
    grid : Grid
        The parts.
    store : DiskStore
        Where pictures are kept.
    found : Segmentation
        The segmentation.
    roles : Roles
        Roles of the elements.
    settings : Settings
        Choices.
    blank : xarray.Dataset or None
        The bare substrate.
    block_px : int
        Side of a block of the moments (px).
    steps : dict of str to int
        Sides of the squares (px) over which the pictures are averaged, by what they are for.
    labels_store : pathlib.Path or None
        Zarr array the labels are written to.
    matrix : str or None
        Main element of the alloy, the same for every part; None finds it.
    side_px : int or None
        Side of the squares of the verdict, the same for every part.
    """

    source: Source
    grid: Grid
    store: DiskStore
    found: Segmentation
    roles: Roles
    settings: Settings
    blank: xr.Dataset | None
    block_px: int
    steps: dict[str, int]
    labels_store: Path | None
    matrix: str | None = None
    side_px: int | None = None


@dataclass(frozen=True)
class Coarse:
    """Sums over squares of a part, and where its first square lies among all."""

    sums: Floats
    row: int
    column: int


@dataclass(frozen=True)
class Cut:
    """Droplets of a part that go on in another: their runs and what they sum to here."""

    runs: Runs
    label: Labels
    sums: Floats
    noise: Floats
    masked: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Connected:
    """Regions of metal pixels that share edges, within one part.

    Parameters
    ----------
    area : numpy.ndarray of int64, dims (piece + 1,)
        Pixels of each piece that reaches the part's border; entry 0 is 0.
    largest : int
        Pixels of the largest piece that does not.
    lines : dict of str to numpy.ndarray of int32
        Piece at each pixel of the border, by side.
    """

    area: Integers
    largest: int
    lines: dict[str, Labels]


@dataclass(frozen=True)
class Measured:
    """What one part gives."""

    cut: Cut
    context: Context | None
    connected: Connected
    coarse: dict[str, Coarse]


def measure_part(task: tuple[DiskStore, int]) -> Measured:
    """Measure one part of a mosaic, by the plan in the store."""
    store, k = task
    plan: Plan = store.recall("plan")
    core = plan.grid.box(k)
    label = plan.found.labels[core.rows, core.columns]
    if plan.labels_store is not None:
        import zarr

        zarr.open_array(str(plan.labels_store), mode="r+")[core.rows, core.columns] = label
    part = part_maps(plan.source, core)
    rows, cut = _droplets(plan, core, label, part)
    rows.to_parquet(rows_file(store.folder, k), index=False)
    metal = label > 0
    return Measured(
        cut=cut,
        context=context_of(plan, part, label),
        connected=_connected(metal),
        coarse={**_metal_sums(plan, core, label, part), **_overview(plan, core, label, part)},
    )


def part_maps(source: Source, box: Box) -> xr.Dataset:
    """Return a window of the mosaic as a map set in memory.

    Parameters
    ----------
    source : Source
        The mosaic.
    box : Box
        The window.

    Returns
    -------
    xarray.Dataset
    """
    maps = source.maps.isel(y=box.rows, x=box.columns)
    for name in ("counts", "variance", "electron_image", "valid"):
        if source.has(name):
            maps[name] = (maps[name].dims, source.read(name, box))
    return maps


def _droplets(plan: Plan, core: Box, label: Labels, part: xr.Dataset) -> tuple[pd.DataFrame, Cut]:
    """Measure the droplets that lie within the part, and gather what is here of the others."""
    found = plan.found
    only = np.where(label <= found.n_droplets, label, 0)
    names = np.union1d([0], only)
    dense: Labels = np.searchsorted(names, only).astype(np.int32)
    box = found.box[names]
    whole = (
        (box[:, 0] >= core.top) & (box[:, 1] >= core.left)
        & (box[:, 2] <= core.bottom) & (box[:, 3] <= core.right)
    )  # fmt: skip
    counts = part["counts"].values
    sums = signal_sums(dense, counts)
    noise = signal_sums(dense, part["variance"].values) if "variance" in part else sums
    masked = _beside_mask(plan, core, dense, names.size)
    runs = runs_of(dense, core.top, core.left)
    whole[0] = False
    inside = whole[runs.label]
    known = facts(part)
    rows = measure_runs(
        np.column_stack([one[inside] for one in runs]),
        sums[whole],
        noise[whole],
        shape=plan.grid.shape,
        elements=[str(e) for e in part["element"].values],
        pixel_size=known.pixel_size,
    )
    rows["label"] = names[whole]
    rows["touches_border"] |= masked[whole]
    rows = as_droplets(rows, found.confidence[names[whole] - 1])
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


def _beside_mask(plan: Plan, core: Box, dense: Labels, n: int) -> npt.NDArray[np.bool_]:
    """Return the labels beside masked pixels: those droplets are seen in part."""
    found = np.zeros(n, dtype=bool)
    if plan.source.has("valid"):
        ring = core.grown(1, plan.grid.shape)
        valid = plan.source.read("valid", ring)
        out = ndimage.binary_dilation(~valid, structure=np.ones((3, 3), bool))
        found[dense[out[core.inside(ring)]]] = True
    return found


def context_of(plan: Plan, part: xr.Dataset, label: Labels) -> Context | None:
    """Return what the verdict is drawn from, without the maps; None where nothing is valid."""
    from spattermap.noise.moments import block_moments
    from spattermap.verdict.gather import gather

    if "valid" in part and not part["valid"].values.any():
        return None
    moments = block_moments(
        part, block_px=plan.block_px, labels=label, n_droplets=plan.found.n_droplets
    )
    found = replace(plan.found, labels=label, metal=label > 0)
    # The bounds are drawn once from the sums of all parts: here they only cost time.
    few = plan.settings.with_changes(n_resamples=_FEW)
    context = gather(
        part,
        moments,
        plan.roles,
        found,
        blank=plan.blank,
        settings=few,
        matrix=plan.matrix,
        side_px=plan.side_px,
    )
    # A copy: a view would keep the whole part in memory.
    stub = part.isel(y=slice(0, 1), x=slice(0, 1)).copy(deep=True)
    return replace(context, maps=stub, settings=plan.settings)


def _connected(metal: npt.NDArray[np.bool_]) -> Connected:
    pieces, n = ndimage.label(metal)
    area = np.bincount(pieces.ravel(), minlength=n + 1)
    area[0] = 0
    lines = {"top": pieces[0], "bottom": pieces[-1], "left": pieces[:, 0], "right": pieces[:, -1]}
    at_border = np.unique(np.concatenate([[0], *lines.values()]))
    inside = area.copy()
    inside[at_border] = 0
    number = np.zeros(n + 1, np.int32)
    number[at_border] = np.arange(at_border.size)
    return Connected(
        area[at_border].astype(np.int64),
        int(inside.max(initial=0)),
        {side: number[line] for side, line in lines.items()},
    )


def coarse_sums(values: npt.NDArray[Any], box: Box, step: int) -> Coarse:
    """Return sums over the squares of a grid that starts at the field's first pixel.

    Dims: `values` (..., y, x).
    """
    sums = np.asarray(values, dtype=np.float64)
    for axis, (start, stop) in ((-2, (box.top, box.bottom)), (-1, (box.left, box.right))):
        first = np.arange(start // step * step, stop, step)
        sums = np.add.reduceat(sums, np.maximum(first - start, 0), axis=axis)
    return Coarse(sums, box.top // step, box.left // step)


def add_coarse(parts: list[Coarse], shape: tuple[int, int], step: int) -> Floats:
    """Return the sums over the squares of the whole field."""
    size = tuple(math.ceil(n / step) for n in shape)
    out = np.zeros((*parts[0].sums.shape[:-2], *size))
    for one in parts:
        height, width = one.sums.shape[-2:]
        out[..., one.row : one.row + height, one.column : one.column + width] += one.sums
    return out


def _metal_sums(plan: Plan, core: Box, label: Labels, part: xr.Dataset) -> dict[str, Coarse]:
    valid = part["valid"].values if "valid" in part else np.ones(label.shape, dtype=bool)
    both = np.stack([valid, (label > 0) & valid])
    return {name: coarse_sums(both, core, plan.steps[name]) for name in ("coverage", "sheet")}


def _overview(plan: Plan, core: Box, label: Labels, part: xr.Dataset) -> dict[str, Coarse]:
    n = plan.found.n_droplets
    step = plan.steps["overview"]
    kinds = np.stack([(label > 0) & (label <= n), label > n])
    planes = [coarse_sums(plane, core, step) for plane in part["counts"].values]
    maps = Coarse(np.stack([one.sums for one in planes]), planes[0].row, planes[0].column)
    return {"maps": maps, "kinds": coarse_sums(kinds, core, step)}


def measure(plan: Plan, workers: Any) -> list[Measured]:
    """Run the pass over all parts."""
    plan.store.keep("plan", plan)
    found: list[Measured] = workers.run(
        measure_part, [(plan.store, k) for k in range(len(plan.grid))]
    )
    return found

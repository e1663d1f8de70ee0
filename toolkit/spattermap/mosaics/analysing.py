"""The whole job on one mosaic, part by part."""

from __future__ import annotations

import math
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from spattermap.analysis import find_roles, notes_of
from spattermap.core.files import staged_folder
from spattermap.core.grid import Box, DiskStore, Grid, Source
from spattermap.core.mapset import Roles, facts
from spattermap.core.results import scaled_streaks, tables_in_unit, write_files
from spattermap.core.settings import Settings
from spattermap.core.work import Workers
from spattermap.loaders.convert import sheet_of
from spattermap.mosaics.measuring import Measured, Plan, context_of, measure, part_maps
from spattermap.mosaics.result import Mosaic
from spattermap.mosaics.squares import coverage_of, overview_of, summed
from spattermap.mosaics.tables import Sizes, droplets_file, sizes_of
from spattermap.mosaics.verdict import join_parts, mean_diameter, windows
from spattermap.segment.engine import segment

if TYPE_CHECKING:
    import xarray as xr

PART_PX = 2048  # side of a part: about 0.7 GB a worker
_OVERVIEW_PX = 768  # longest side of the overview pictures
_SHEET_PX = 1024  # longest side of the solved sheet
_PROBE_PX = 2048  # side of the middle part from which unstated roles are inferred
SCRATCH = ".scratch"


def mosaic(
    source: str | Path | xr.Dataset,
    *,
    out: str | Path,
    blank: xr.Dataset | None = None,
    settings: Settings | None = None,
    part_px: int = PART_PX,
    workers: Workers | None = None,
    overwrite: bool = False,
) -> Mosaic:
    """Analyse a map set of any size part by part and write its results.

    Parameters
    ----------
    source : str, pathlib.Path or xarray.Dataset
        A mosaic as `convert` writes it, or anything else `spattermap.load` opens lazily.
    out : str or pathlib.Path
        Folder for the results; new or empty unless `overwrite`.
    blank : xarray.Dataset, optional
        The bare substrate mapped under the same conditions.
    settings : Settings, optional
        As for `spattermap.analyse`; cracks are not looked for.
    part_px : int, optional
        Side of a part (px), a multiple of 32; the results do not depend on it beyond rounding
        and the blocks that are resampled.
    workers : Workers, optional
        Where the parts are worked on; by default an active dask client, else threads.
    overwrite : bool, optional
        Replace results of the same names.

    Returns
    -------
    Mosaic

    Raises
    ------
    InputError, InputFileError
        If the maps, the blank or a setting cannot be used.
    OutputError
        If the folder cannot be used.

    Notes
    -----
    Labels, streaks and the table of droplets are those of `spattermap.analyse` on the whole field.
    The verdict comes from the same sums, added over the parts; its spatial p-values from four
    windows. The conductance is solved on averaged squares. Cracks, spacing and
    satellites are left out.
    """
    from spattermap.mosaics.page import write_page

    chosen, where = settings or Settings(), workers or Workers()
    opened = _source(source)
    with staged_folder(out, overwrite=overwrite) as stage:
        folder = stage / SCRATCH
        folder.mkdir()
        where = replace(where, shared=(folder,))
        try:
            found, plan = _analysed(opened, stage, (chosen, blank, part_px), where)
            write_page(found, plan)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    return replace(found, folder=Path(out))


def _source(source: str | Path | xr.Dataset) -> Source:
    if not isinstance(source, (str, Path)):
        return Source(source)
    from spattermap.loaders import load
    from spattermap.loaders.zarr_store import recognises

    place = Path(source)
    maps = load(place, chunks=1024)
    own = recognises(place) and (place / "counts" / "zarr.json").is_file()
    same = own and not any("divided" in note for note in facts(maps).source.get("notes", []))
    # Counts that were divided by a gain on opening are read through the map set.
    return Source(maps, place if same else None)


def parts_of(shape: tuple[int, int], side: int) -> Grid:
    """Return a grid of squares whose last ones are never slivers."""

    def borders(n: int) -> tuple[int, ...]:
        inner = [at for at in range(side, n, side) if n - at >= side / 2]
        return (0, *inner, n)

    return Grid(borders(shape[0]), borders(shape[1]))


def _analysed(
    source: Source,
    stage: Path,
    options: tuple[Settings, xr.Dataset | None, int],
    workers: Workers,
) -> tuple[Mosaic, Plan]:
    settings, blank, part_px = options
    roles = _roles(source, settings)
    store, grid = DiskStore(stage / SCRATCH), parts_of(source.shape, part_px)
    found = segment(source, roles, settings=settings, grid=grid, store=store, workers=workers)
    labels_store = _labels_store(stage, source.shape, part_px)
    plan = _plan(Plan(source, grid, store, found, roles, settings, blank, 0, {}, labels_store))
    parts = measure(plan, workers)
    table = droplets_file(plan, parts, stage)
    result = _put_together(plan, parts, stage, sizes=sizes_of(plan, table))
    names = ("streaks", "elements", "pairs")
    write_files(stage, result.summary(), {name: getattr(result, name) for name in names})
    return result, plan


def _put_together(plan: Plan, parts: Sequence[Measured], stage: Path, *, sizes: Sizes) -> Mosaic:
    """Add up what the parts gave and draw the verdict from it."""
    from spattermap.verdict.judging import judge_all
    from spattermap.verdict.metal_shares import metal_shares
    from spattermap.verdict.pairs import pair_table

    division, settings, source, grid = plan.found, plan.settings, plan.source, plan.grid
    known = facts(source.maps)
    fields = windows(source)
    context = join_parts(
        [one.context for one in parts if one.context is not None],
        fields,
        droplet_um=mean_diameter(division, known.pixel_size) if known.length_unit == "um" else None,
    )
    squares = summed(parts, plan, source.shape)
    sheet = sheet_of(
        [one.connected for one in parts], grid, squares["sheet"], step=plan.steps["sheet"]
    )
    streaks = scaled_streaks(division.streaks, known.pixel_size)
    return Mosaic(
        folder=stage,
        maps=source.maps,
        roles=plan.roles,
        n_droplets=division.n_droplets,
        coverage=coverage_of(squares["coverage"], plan),
        sizes=sizes.summary,
        shapes=sizes.shapes,
        diameters=sizes.diameters,
        weights=sizes.weights,
        streaks=tables_in_unit(streaks, known.length_unit),
        sheet=sheet,
        elements=judge_all(context),
        pairs=pair_table(context.moments, maps=fields, roles=plan.roles, settings=settings),
        metal_shares=metal_shares(context),
        overview=overview_of(source, squares, plan.steps["overview"]),
        smallest_trusted_px=division.smallest_trusted_px,
        blur_px=division.blur_px,
        settings=settings,
        notes=_notes(plan, sheet.notes),
    )


def _roles(source: Source, settings: Settings) -> Roles:
    if settings.alloy or facts(source.maps).alloy:
        return find_roles(source.maps, settings)  # stated roles need no look
    height, width = source.shape
    top, left = max(0, (height - _PROBE_PX) // 2), max(0, (width - _PROBE_PX) // 2)
    box = Box(top, left, min(top + _PROBE_PX, height), min(left + _PROBE_PX, width))
    return find_roles(
        source.maps.isel(y=box.rows, x=box.columns).load(scheduler="threads"), settings
    )


def _plan(plan: Plan) -> Plan:
    """Decide once what every part must do alike."""
    from spattermap.measure.coverage import LARGEST_SIDE
    from spattermap.noise.correlation_length import structure_of
    from spattermap.noise.moments import default_block_px

    height, width = shape = plan.grid.shape
    block = plan.settings.block_px
    if block is None:
        block, _ = default_block_px(height, width, structure_of(plan.source.maps))
    longest = max(shape)
    steps = {
        "coverage": math.ceil(longest / LARGEST_SIDE),
        "sheet": math.ceil(longest / _SHEET_PX),
        "overview": math.ceil(longest / _OVERVIEW_PX),
    }
    plan = plan._replace(block_px=block, steps=steps)
    core = plan.grid.box(_fullest(plan))
    label = plan.found.labels[core.rows, core.columns]
    context = context_of(plan, part_maps(plan.source, core), label)
    if context is None:
        return plan
    return plan._replace(matrix=context.matrix, side_px=context.side_px)


def _fullest(plan: Plan) -> int:
    """Return the part with most metal, by the middles of the regions' boxes."""
    grid, box = plan.grid, plan.found.box[1:]
    if not len(box):
        return len(grid) // 2
    where = grid.at((box[:, 0] + box[:, 2]) // 2, (box[:, 1] + box[:, 3]) // 2)
    return int(np.argmax(np.bincount(where, plan.found.area[1:], minlength=len(grid))))


def _labels_store(stage: Path, shape: tuple[int, int], part_px: int) -> Path:
    import zarr

    place = stage / "labels.zarr"
    side = part_px if part_px <= PART_PX else math.gcd(part_px, PART_PX)
    zarr.create_array(
        str(place), shape=shape, dtype="int32", chunks=(side, side), zarr_format=3, fill_value=0
    )
    return place


def _notes(plan: Plan, more: tuple[str, ...]) -> tuple[str, ...]:
    left_out = (
        "Cracks, spacing and satellites are not looked for on a mosaic, and the spatial p-values "
        "come from four windows of it: analyse a field cut from it for those."
    )
    return (*notes_of(plan.source.maps, plan.roles, plan.found, plan.blank), *more, left_out)

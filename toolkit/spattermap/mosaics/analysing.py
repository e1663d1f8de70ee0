"""The whole job on one mosaic, part by part."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from spattermap.analysis import find_roles, notes_of, scaled_streaks, tables_in_unit
from spattermap.mapset import facts
from spattermap.mosaics.chain import Parted, Workers, every, sampled, segment_parts
from spattermap.mosaics.grid import Box, Grid, Scratch
from spattermap.mosaics.measuring import (
    Coarse,
    Measured,
    Plan,
    add_coarse,
    context_of,
    measure,
    part_maps,
    rows_file,
)
from spattermap.mosaics.pixels import Task
from spattermap.mosaics.result import Mosaic
from spattermap.mosaics.shapes import Gathered
from spattermap.mosaics.sheet import sheet_of
from spattermap.mosaics.source import Source
from spattermap.mosaics.verdict import join_parts, mean_diameter, windows
from spattermap.outputs import staged_folder
from spattermap.roles import Roles
from spattermap.settings import Settings

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from spattermap.morphology import Coverage

PART_PX = 2048  # side of a part: about 0.7 GB a worker
_HAZE_PART = 2048  # a multiple of 32, on which the haze's squares lie
_OVERVIEW_PX = 768  # longest side of the overview pictures
_SHEET_PX = 1024  # longest side of the solved sheet
_PROBE_PX = 2048
SCRATCH = ".scratch"


@dataclass(frozen=True)
class Sizes:
    """Diameters and shapes of the droplets, in the map set's length unit."""

    diameters: npt.NDArray[np.float64]
    weights: npt.NDArray[np.float64]
    summary: pd.DataFrame
    shapes: pd.DataFrame


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
    windows. The conductance is solved on averaged squares. Cracks, spacing and satellites are left
    out.
    """
    from spattermap.mosaics.page import write_page

    chosen, where = settings or Settings(), workers or Workers()
    opened = _source(source)
    with staged_folder(out, overwrite=overwrite) as stage:
        folder = stage / SCRATCH
        folder.mkdir()
        try:
            found, parted = _analysed(opened, stage, (chosen, blank, part_px), where)
            write_page(found, parted)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    return _moved(found, Path(out))


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
) -> tuple[Mosaic, Parted]:
    from spattermap.colocation import pair_table
    from spattermap.separation import judge_all, metal_shares

    settings, blank, part_px = options
    scratch = Scratch(stage / SCRATCH)
    roles = _roles(source, settings)
    grid = parts_of(source.shape, part_px)
    parted = segment_parts(
        source, roles, scratch=scratch, grid=grid, settings=settings, workers=workers
    )
    known = facts(source.maps)
    plan = _plan(parted, roles, (settings, blank), _labels_store(stage, source.shape, part_px))
    parts = measure(plan, workers)
    tables = _droplets_file(plan, parts, stage)
    contexts = [one.context for one in parts if one.context is not None]
    fields = windows(parted)
    context = join_parts(contexts, fields, droplet_um=_diameter(parted, known))
    squares = _summed(parts, plan, source.shape)
    coverage = _coverage(squares["coverage"], plan)
    sizes = _sizes(parted, tables, settings)
    sheet = sheet_of(
        [one.connected for one in parts], grid, squares["sheet"], step=plan.steps["sheet"]
    )
    streaks = tables_in_unit(scaled_streaks(parted.streaks, known.pixel_size), known.length_unit)
    found = Mosaic(
        folder=stage,
        maps=source.maps,
        roles=roles,
        n_droplets=parted.n_droplets,
        coverage=coverage,
        sizes=sizes.summary,
        shapes=sizes.shapes,
        diameters=sizes.diameters,
        weights=sizes.weights,
        streaks=streaks,
        haze=_haze(parted, roles, (settings, blank), workers),
        sheet=sheet,
        elements=judge_all(context),
        pairs=pair_table(context.moments, maps=fields, roles=roles, settings=settings),
        metal_shares=metal_shares(context),
        overview=_overview(source, squares, plan.steps["overview"]),
        smallest_trusted_px=parted.smallest_trusted_px,
        blur_px=parted.blur_px,
        settings=settings,
        notes=_notes(source, roles, parted, blank, sheet.notes),
    )
    for name in ("streaks", "elements", "pairs"):
        table: pd.DataFrame = getattr(found, name)
        table.to_csv(stage / f"{name}.csv", index=False, lineterminator="\n", encoding="utf-8")
    text = json.dumps(found.summary(), indent=2, ensure_ascii=False, allow_nan=False)
    (stage / "summary.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    return found, parted


def _moved(found: Mosaic, folder: Path) -> Mosaic:
    from dataclasses import replace

    return replace(found, folder=folder)


def _roles(source: Source, settings: Settings) -> Roles:
    from spattermap.moments import block_moments

    known = facts(source.maps)
    height, width = source.shape
    side = 64 if (settings.alloy or known.alloy) else _PROBE_PX  # stated roles need no look
    top, left = max(0, (height - side) // 2), max(0, (width - side) // 2)
    box = Box(top, left, min(top + side, height), min(left + side, width))
    maps = source.maps.isel(y=box.rows, x=box.columns).load()
    return find_roles(maps, block_moments(maps, block_px=settings.block_px), settings)


def _plan(
    parted: Parted,
    roles: Roles,
    options: tuple[Settings, xr.Dataset | None],
    labels_store: Path,
) -> Plan:
    """Decide once what every part must do alike."""
    from spattermap.autocovariance import structure_of
    from spattermap.moments import default_block_px
    from spattermap.morphology.coverage import LARGEST_SIDE

    settings, blank = options
    height, width = shape = parted.job.shape
    block = settings.block_px
    if block is None:
        block, _ = default_block_px(height, width, structure_of(parted.job.source.maps))
    longest = max(shape)
    steps = {
        "coverage": math.ceil(longest / LARGEST_SIDE),
        "sheet": math.ceil(longest / _SHEET_PX),
        "overview": math.ceil(longest / _OVERVIEW_PX),
    }
    plan = Plan(parted, roles, settings, blank, block, steps, labels_store)
    core = parted.job.grid.box(_fullest(parted))
    context = context_of(plan, part_maps(parted, core), parted.labels(core))
    if context is None:
        return plan
    return plan._replace(matrix=context.matrix, side_px=context.side_px)


def _fullest(parted: Parted) -> int:
    """Return the part with most metal, by the middles of the regions' boxes."""
    grid, box = parted.job.grid, parted.box[1:]
    if not len(box):
        return len(grid) // 2
    where = grid.at((box[:, 0] + box[:, 2]) // 2, (box[:, 1] + box[:, 3]) // 2)
    return int(np.argmax(np.bincount(where, parted.area[1:], minlength=len(grid))))


def _labels_store(stage: Path, shape: tuple[int, int], part_px: int) -> Path:
    import zarr

    place = stage / "labels.zarr"
    side = part_px if part_px <= PART_PX else math.gcd(part_px, PART_PX)
    zarr.create_array(
        str(place), shape=shape, dtype="int32", chunks=(side, side), zarr_format=3, fill_value=0
    )
    return place


def _droplets_file(plan: Plan, parts: Sequence[Measured], stage: Path) -> pd.DataFrame:
    """Write the table of droplets part by part; return the columns that are summed up."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    known = facts(plan.parted.job.source.maps)
    unit = known.length_unit
    kept = ["label", "diameter_um", "area_um2", "aspect_ratio", "circularity", "solidity",
            "feret_max_um", "feret_min_um", "touches_border"]  # fmt: skip
    shown, writer = [], None
    folder = plan.parted.job.scratch.folder
    try:
        for k in range(len(parts) + 1):
            last = k == len(parts)
            rows = _cut_rows(plan, parts) if last else pd.read_parquet(rows_file(folder, k))
            shown.append(rows[kept])
            table = pa.Table.from_pandas(tables_in_unit(rows, unit), preserve_index=False)
            if writer is None:
                writer = pq.ParquetWriter(stage / "droplets.parquet", table.schema)
            writer.write_table(table.cast(writer.schema))
    finally:
        if writer is not None:
            writer.close()
    found = pd.concat([one for one in shown if len(one)] or shown[:1])
    # In the order of the whole field, so that the resampling is the same however it was cut.
    return found.sort_values("label", ignore_index=True)


def _cut_rows(plan: Plan, parts: Sequence[Measured]) -> pd.DataFrame:
    """Measure the droplets that lie in several parts, gathered whole."""
    from spattermap.regions import measure_runs

    source = plan.parted.job.source
    runs = Gathered([one.cut.runs for one in parts]).runs
    names, place = np.unique(np.concatenate([one.cut.label for one in parts]), return_inverse=True)
    n_elements = source.maps.sizes["element"]
    sums, noise = np.zeros((names.size, n_elements)), np.zeros((names.size, n_elements))
    np.add.at(sums, place, np.concatenate([one.cut.sums for one in parts]))
    np.add.at(noise, place, np.concatenate([one.cut.noise for one in parts]))
    masked = np.zeros(names.size, dtype=bool)
    np.logical_or.at(masked, place, np.concatenate([one.cut.masked for one in parts]))
    rows = measure_runs(
        np.column_stack(runs),
        sums,
        noise,
        shape=source.shape,
        elements=[str(e) for e in source.maps["element"].values],
        pixel_size=facts(source.maps).pixel_size,
    )
    rows["touches_border"] |= masked
    rows["confidence"] = plan.parted.confidence[names - 1]
    return rows


def _diameter(parted: Parted, known: Any) -> float | None:
    return mean_diameter(parted, known.pixel_size) if known.length_unit == "um" else None


def _summed(
    parts: Sequence[Measured], plan: Plan, shape: tuple[int, int]
) -> dict[str, npt.NDArray[np.float64]]:
    steps = {**plan.steps, "maps": plan.steps["overview"], "kinds": plan.steps["overview"]}
    names = list(parts[0].coarse)

    def whole(name: str) -> npt.NDArray[np.float64]:
        pieces: list[Coarse] = [one.coarse[name] for one in parts]
        return add_coarse(pieces, shape, steps[name])

    return {name: whole(name) for name in names}


def _coverage(squares: npt.NDArray[np.float64], plan: Plan) -> Coverage:
    from spattermap.morphology.coverage import coverage_of_blocks

    return coverage_of_blocks(
        squares[0],
        squares[1],
        step=plan.steps["coverage"],
        level=plan.settings.level,
        grain_px=max(1.0, plan.parted.smallest_trusted_px),
    )


def _sizes(parted: Parted, rows: pd.DataFrame, settings: Settings) -> Sizes:
    from spattermap.morphology import border_weights, shape_class, shape_shares, size_summary

    size = facts(parted.job.source.maps).pixel_size
    box = parted.box[rows["label"].to_numpy(dtype=np.int64)]
    extent = (box[:, 2:] - box[:, :2]).astype(np.float64)
    inside = ~rows["touches_border"].to_numpy(dtype=bool)
    height, width = parted.job.shape
    weight = np.zeros(len(rows))
    weight[inside] = border_weights(
        extent[inside, 0], extent[inside, 1], frame=(height - 1.0, width - 1.0)
    )
    diameter = rows["diameter_um"].to_numpy(dtype=np.float64)
    summary = size_summary(
        diameter,
        weights=weight,
        level=settings.level,
        seed=settings.seed,
        n_resamples=settings.n_resamples,
        area_step=size**2,
    )
    shapes = shape_shares(shape_class(rows, pixel_size=size), weights=weight, level=settings.level)
    return Sizes(diameter, weight, summary, shapes)


def haze_part(task: Task) -> Any:
    """Return the sums for the haze of a part whose corner lies on a multiple of 32 px."""
    from spattermap.segmentation import haze
    from spattermap.segmentation.likelihood import stack_of

    job, k, (grid, parted, margin, origin) = task
    box: Box = grid.box(k)
    outer = box.grown(math.ceil(margin) + 2, job.shape)
    alloy = [i for i, sign in enumerate(job.signs) if sign > 0]
    names = [str(job.source.maps["element"].values[i]) for i in alloy]

    def planes(name: str) -> npt.NDArray[Any]:
        return job.source.read(name, outer)[alloy]

    stack = stack_of(
        planes("counts"),
        elements=names,
        signs=[1] * len(alloy),
        valid=job.valid(outer),
        variance=planes("variance") if job.source.has("variance") else None,
    )
    label = parted.labels(outer)
    field = haze.field_of(stack, label, parted.n_droplets, margin=margin)
    here = box.inside(outer)
    cut = {
        name: np.ascontiguousarray(getattr(field, name)[here])
        for name in ("signal", "noise", "labels", "clear", "valid")
    }
    part = haze.Field(n_droplets=parted.n_droplets, **cut)
    return haze.sums_of(part, origin=origin)


def _haze(
    parted: Parted,
    roles: Roles,
    options: tuple[Settings, xr.Dataset | None],
    workers: Workers,
) -> dict[str, float]:
    from functools import reduce

    from spattermap.segmentation import haze
    from spattermap.segmentation.chain import alloy_step, plate, zero_of

    settings, blank = options
    job = parted.job
    alloy = np.array(job.signs) > 0
    if not alloy.any() or job.classes.information == 0:
        return {}
    grid = Grid.squares(job.shape, _HAZE_PART)
    origin = float(job.classes.bare[alloy].sum())
    more = (grid, parted, 2 + 2.5 * max(parted.blur_px, 0.5), origin)
    sums = reduce(lambda a, b: a.merge(b), workers.run(haze_part, every(job, more, grid=grid)))
    known = sampled(job.source, roles)
    zero = None if blank is None else zero_of(known, job.classes, plate(known, roles, blank))
    found: dict[str, float] = haze.measure(
        sums, blank=zero, step=alloy_step(known, job.classes), level=settings.level
    )
    return found


def _overview(source: Source, squares: dict[str, npt.NDArray[np.float64]], step: int) -> xr.Dataset:
    """Return the averaged maps as a map set with pixels `step` times as large."""
    from spattermap.mapset import make_map_set

    height, width = source.shape
    size = np.outer(
        *(np.minimum(step, n - np.arange(0, n, step)).astype(np.float64) for n in (height, width))
    )
    known = facts(source.maps)
    maps = make_map_set(
        (squares["maps"] / size).astype(np.float32),
        [str(e) for e in source.maps["element"].values],
        lines=[str(e) for e in source.maps["line"].values],
        pixel_size_um=known.pixel_size * step if known.length_unit == "um" else None,
        quantity="counts" if known.quantity == "counts" else "intensity",
        title=known.title,
    )
    maps["kinds"] = (("kind", "y", "x"), (squares["kinds"] / size).astype(np.float32))
    return maps


def _notes(
    source: Source,
    roles: Roles,
    parted: Parted,
    blank: xr.Dataset | None,
    more: tuple[str, ...],
) -> tuple[str, ...]:
    left_out = (
        "Cracks, spacing and satellites are not looked for on a mosaic, and the spatial p-values "
        "come from four windows of it: analyse a field cut from it for those."
    )
    return (*notes_of(source.maps, roles, parted, blank), *more, left_out)

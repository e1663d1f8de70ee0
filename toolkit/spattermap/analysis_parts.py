"""A field worked on in parts, measured: one pass over its labels, and what the parts add up to."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import xarray as xr

from spattermap.core.arrays import Floats, Integers, Labels
from spattermap.core.grid import Box, DiskStore, Grid, Source, Windowed, parts_of
from spattermap.core.mapset import electron_images, element_names, facts, make_map_set
from spattermap.core.progress import step
from spattermap.core.results import tables_in_unit
from spattermap.core.squares import square_areas
from spattermap.measure.connection import describe_parts
from spattermap.measure.coverage import (
    LARGEST_SIDE,
    SHIFTS,
    Coverage,
    coverage_of_blocks,
    sensitivity_table,
    with_doubt,
)
from spattermap.measure.part_sums import (
    Coarse,
    Cut,
    Pieces,
    add_coarse,
    coarse_sums,
    cut_droplets,
    droplets_of_part,
    join_pieces,
    pieces_of,
)
from spattermap.segment.engine import segment
from spattermap.verdict.gather import Context, gather, join_parts, mean_diameter

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings
    from spattermap.core.work import Workers
    from spattermap.measure.connection import Continuity
    from spattermap.segment.result import Segmentation

PART_PX = 2048  # side of a part: about 0.7 GB a worker
_OVERVIEW_PX = 768  # longest side of the overview pictures
_SHEET_PX = 1024  # longest side of the solved sheet
_WINDOW_PX = 1024  # side of the windows in which spatial p-values are found
_DOWN, _ACROSS = 2, 2
_FEW = 100  # resamples within a part
# Columns of the table of droplets from which sizes, shapes and spacing are summed up.
_KEPT = ["droplet", "y_um", "x_um", "diameter_um", "area_um2", "aspect_ratio", "circularity",
         "solidity", "widest_um", "narrowest_um", "touches_border"]  # fmt: skip
NOT_LOOKED_FOR = (
    "This field was worked on in parts: the spatial p-values come from four windows of it, spacing "
    "and satellites are those of the droplets in its middle, and gaps, necks and cracks are not "
    "looked for. Analyse a field cut from it for those."
)
IMAGE_NOT_READ = (
    "The electron image is not read on a field worked on in parts: outlines come from the counts "
    "alone. Analyse a field cut from it where the picture is to help."
)


class Measured(NamedTuple):
    """What an analysis is put together from."""

    context: Context  # what the verdict is drawn from
    rows: pd.DataFrame  # droplets, lengths in ``_um``: all columns, or those that are summed up
    table: pd.DataFrame | Path  # droplets as they are shown, or the file that holds them
    labels: xr.DataArray
    continuity: Continuity
    # coverage and its sensitivity; None has them taken from the pictures
    cover: tuple[Coverage, pd.DataFrame] | None = None
    valid: Any = None  # pixels to use, where some are not
    # the maps averaged over squares, and ``kinds``: covered part in droplets and streaks
    overview: xr.Dataset | None = None
    notes: tuple[str, ...] = ()  # what the reader must know


class Room(NamedTuple):
    """Where a field is worked on in parts."""

    grid: Grid  # the parts
    folder: Path  # labels and the table of droplets are written here
    store: DiskStore  # pictures in between

    @property
    def droplets(self) -> Path:
        """The file of the table of droplets."""
        return self.folder / "droplets.csv"

    @property
    def labels_store(self) -> Path:
        """The Zarr array of the labels."""
        return self.folder / "labels.zarr"

    def labels(self, maps: xr.Dataset) -> xr.DataArray:
        """Return the labels, lazy."""
        import dask.array as da

        return xr.DataArray(
            da.from_zarr(str(self.labels_store)), dims=("y", "x"), coords={"y": maps.y, "x": maps.x}
        )

    @classmethod
    def within(cls, folder: Path, shape: tuple[int, int], *, part_px: int | None) -> Room:
        """Return a room in an existing folder, its scratch in a hidden one beside the results."""
        scratch = Path(tempfile.mkdtemp(prefix=".scratch_", dir=folder))
        return cls(parts_of(shape, part_px or PART_PX), folder, DiskStore(scratch))


class _Plan(NamedTuple):
    """What is measured, the same for every part."""

    source: Source
    room: Room  # where it is worked on
    found: Segmentation
    roles: Roles
    settings: Settings
    blank: xr.Dataset | None  # the bare substrate
    block_px: int  # side of a block of the moments (px)
    # sides of the squares (px) over which the pictures are averaged, by what they are for
    steps: dict[str, int]
    matrix: str | None = None  # main element of the alloy, the same for every part; None finds it
    side_px: int | None = None  # side of the squares of the verdict, the same for every part


@dataclass(frozen=True)
class _Part:
    """What one part gives; the rows of its droplets lie on disk."""

    cut: Cut
    context: Context | None
    pieces: Pieces
    coarse: dict[str, Coarse]
    above: Integers


def measured_in_parts(
    source: Source,
    roles: Roles,
    room: Room,
    *,
    settings: Settings,
    blank: xr.Dataset | None,
    workers: Workers,
) -> tuple[Segmentation, Measured]:
    """Divide and measure a field part by part."""
    found = segment(
        source, roles, settings=settings, grid=room.grid, store=room.store, workers=workers
    )
    plan = _planned(_Plan(source, room, found, roles, settings, blank, 0, {}))
    _make_labels_store(plan)
    step("Measuring the parts")
    parts = workers.run(_measure_part, range(len(room.grid)), common=plan)
    step("Putting the parts together")
    return found, _put_together(plan, parts)


def _planned(plan: _Plan) -> _Plan:
    """Decide once what every part must do alike."""
    from spattermap.noise.correlation_length import structure_of
    from spattermap.noise.moments import default_block_px

    height, width = shape = plan.source.shape
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
    core = plan.room.grid.box(_fullest(plan))
    label = plan.found.labels[core.rows, core.columns]
    context = _context_of(plan, plan.source.part(core), label)
    if context is None:
        return plan
    return plan._replace(matrix=context.matrix, side_px=context.side_px)


def _fullest(plan: _Plan) -> int:
    """Return the part with most metal, by the middles of the regions' boxes."""
    grid, box = plan.room.grid, plan.found.box[1:]
    if not len(box):
        return len(grid) // 2
    where = grid.at((box[:, 0] + box[:, 2]) // 2, (box[:, 1] + box[:, 3]) // 2)
    return int(np.argmax(np.bincount(where, plan.found.area[1:], minlength=len(grid))))


def _make_labels_store(plan: _Plan) -> None:
    import zarr

    widest = max(plan.room.grid.rows[1], plan.room.grid.columns[1])
    side = widest if widest <= PART_PX else math.gcd(widest, PART_PX)
    zarr.create_array(
        str(plan.room.labels_store), shape=plan.source.shape, dtype="int32", chunks=(side, side),
        zarr_format=3, fill_value=0,
    )  # fmt: skip


def _measure_part(plan: _Plan, k: int) -> _Part:
    """Measure one part, by the plan."""
    import zarr

    core = plan.room.grid.box(k)
    label = plan.found.labels[core.rows, core.columns]
    zarr.open_array(str(plan.room.labels_store), mode="r+")[core.rows, core.columns] = label
    above = _above(plan, core)
    part = plan.source.part(core)
    rows, cut = droplets_of_part(plan.source, plan.found, core, label, part=part)
    np.save(_rows_file(plan.room.store, k), rows.to_records(index=False), allow_pickle=False)
    valid = part["valid"].values if "valid" in part else np.ones(label.shape, dtype=bool)
    return _Part(
        cut=cut,
        context=_context_of(plan, part, label),
        pieces=pieces_of(label > 0),
        coarse=_coarse(plan, core, label, part, valid),
        above=above,
    )


def _above(plan: _Plan, core: Box) -> Integers:
    """Return how many pixels to use have log odds above each shift; its pictures end with it."""
    valid = plan.source.read("valid", core)
    odds = plan.found.log_odds[core.rows, core.columns]
    return np.array([np.count_nonzero((odds > shift) & valid) for shift in SHIFTS])


def _rows_file(store: DiskStore, k: int) -> Path:
    return store.folder / f"rows_{k}.npy"


def _context_of(plan: _Plan, part: xr.Dataset, label: Labels) -> Context | None:
    """Return what the verdict is drawn from, without the maps; None where nothing is valid."""
    from spattermap.noise.moments import block_moments

    if "valid" in part and not part["valid"].values.any():
        return None
    found = replace(plan.found, labels=label, metal=label > 0)
    moments = block_moments(part, block_px=plan.block_px, labels=label, n_droplets=found.n_droplets)
    context = gather(
        part,
        moments,
        plan.roles,
        found,
        blank=plan.blank,
        # The bounds are drawn once from the sums of all parts: here they only cost time.
        settings=plan.settings.with_changes(n_resamples=_FEW),
        matrix=plan.matrix,
        side_px=plan.side_px,
        # A grain is few pixels of the field, but not of its part.
        part=len(plan.room.grid) > 1,
    )
    # A copy: a view would keep the whole part in memory.
    stub = part.isel(y=slice(0, 1), x=slice(0, 1)).copy(deep=True)
    return replace(context, maps=stub, settings=plan.settings)


def _coarse(
    plan: _Plan, core: Box, label: Labels, part: xr.Dataset, valid: Any
) -> dict[str, Coarse]:
    """Return the sums over squares: of valid and metal pixels, of the maps, of the kinds."""
    both = np.stack([valid, (label > 0) & valid])
    n, step = plan.found.n_droplets, plan.steps["overview"]
    kinds = np.stack([(label > 0) & (label <= n), label > n])
    planes = [coarse_sums(plane, core, step) for plane in part["counts"].values]
    return {
        **{name: coarse_sums(both, core, plan.steps[name]) for name in ("coverage", "sheet")},
        "maps": replace(planes[0], sums=np.stack([one.sums for one in planes])),
        "kinds": coarse_sums(kinds, core, step),
    }


def _put_together(plan: _Plan, parts: Sequence[_Part]) -> Measured:
    """Add up what the parts gave."""
    source, found, room = plan.source, plan.found, plan.room
    known = facts(source.maps)
    steps = {**plan.steps, "maps": plan.steps["overview"], "kinds": plan.steps["overview"]}
    squares = {
        name: add_coarse([one.coarse[name] for one in parts], source.shape, steps[name])
        for name in parts[0].coarse
    }
    above = np.sum([one.above for one in parts], axis=0)
    n_valid, n_metal = (float(one.sum()) for one in squares["coverage"])
    coverage = coverage_of_blocks(
        *squares["coverage"],
        step=steps["coverage"],
        level=plan.settings.level,
        grain_px=max(1.0, found.smallest_trusted_px),
    )
    coverage = with_doubt(coverage, found.rims.low, found.rims.high)
    context = join_parts(
        [one.context for one in parts if one.context is not None],
        _windows(source),
        droplet_um=mean_diameter(found.area[1 : found.n_droplets + 1], known.pixel_size)
        if known.length_unit == "um"
        else None,
    )
    return Measured(
        context=context,
        rows=_write_droplets(plan, parts, room.droplets),
        table=room.droplets,
        labels=room.labels(source.maps),
        continuity=describe_parts(
            join_pieces([one.pieces for one in parts], room.grid, metal=int(n_metal)),
            squares["sheet"],
            step=steps["sheet"],
            pixel_size=known.pixel_size,
            measured=known.measured,
            alloy=known.alloy,
            length_unit=known.length_unit,
        ),
        cover=(coverage, sensitivity_table([float(n) / n_valid for n in above])),
        valid=Windowed(source, "valid") if source.has("valid") else None,
        overview=_overview_of(source, squares, plan.steps["overview"]),
        notes=(NOT_LOOKED_FOR, *((IMAGE_NOT_READ,) if electron_images(source.maps) else ())),
    )


def _windows(source: Source) -> list[xr.Dataset]:
    """Return four windows of a field, or all of a small one, as map sets in memory."""
    height, width = source.shape
    tops, lefts = (
        sorted({max(0, min(n - _WINDOW_PX, round(n * (2 * k + 1) / (2 * m)) - _WINDOW_PX // 2))
                for k in range(m)})
        for n, m in ((height, _DOWN), (width, _ACROSS))
    )  # fmt: skip
    found = []
    for top in tops:
        for left in lefts:
            box = Box(top, left, min(top + _WINDOW_PX, height), min(left + _WINDOW_PX, width))
            maps = source.part(box)
            if "valid" not in maps or maps["valid"].values.mean() > 0.5:
                found.append(maps)
    return found or [source.part(Box(0, 0, min(height, _WINDOW_PX), min(width, _WINDOW_PX)))]


def _write_droplets(plan: _Plan, parts: Sequence[_Part], file: Path) -> pd.DataFrame:
    """Write the table of droplets part by part; return the columns that are summed up."""
    unit = facts(plan.source.maps).length_unit
    shown = []
    # Every digit: the table is read again from here.
    with file.open("w", encoding="utf-8", newline="") as stream:
        for k in range(len(parts) + 1):
            if k < len(parts):
                rows = pd.DataFrame.from_records(np.load(_rows_file(plan.room.store, k)))
            else:
                rows = cut_droplets(plan.source, plan.found, [one.cut for one in parts])
            shown.append(rows[_KEPT])
            table = tables_in_unit(rows, unit)
            table.to_csv(stream, index=False, header=k == 0, lineterminator="\n")
    found: pd.DataFrame = pd.concat([one for one in shown if len(one)] or shown[:1])
    # In the order of the whole field, so that the resampling is the same however it was cut.
    return found.sort_values("droplet", ignore_index=True)


def _overview_of(source: Source, squares: dict[str, Floats], step: int) -> xr.Dataset:
    """Return the averaged maps as a map set with pixels `step` times as large."""
    size, known = square_areas(source.shape, step), facts(source.maps)
    maps = make_map_set(
        (squares["maps"] / size).astype(np.float32),
        element_names(source.maps),
        lines=[str(e) for e in source.maps["line"].values],
        pixel_size_um=known.pixel_size * step if known.length_unit == "um" else None,
        quantity="counts" if known.quantity == "counts" else "intensity",
        title=known.title,
    )
    maps["kinds"] = (("kind", "y", "x"), (squares["kinds"] / size).astype(np.float32))
    return maps

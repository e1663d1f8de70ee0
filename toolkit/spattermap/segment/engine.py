"""The engine: a field of any size divided into bare substrate, droplets and streaks.

Every step over the pixels is a pass (`passes`), a pure function of one part; what the parts report
is put together here. A field in memory is its own only part, its pictures kept in memory; a mosaic
has many, its pictures kept on disk. The result does not depend on how a field is cut.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core import progress
from spattermap.core.arrays import Bools, Floats, Integers, Labels
from spattermap.core.grid import Box, Grid, MemoryStore, Source, Store, Stored
from spattermap.core.mapset import (
    Roles,
    electron_images,
    element_names,
    facts,
    noise_is_known,
    valid_mask,
)
from spattermap.core.settings import Settings
from spattermap.core.work import Workers
from spattermap.segment import (
    basins,
    cracks,
    droplets,
    lobes,
    narrow_streaks,
    passes,
    rims,
    streaks,
)
from spattermap.segment import level as local
from spattermap.segment.filters import Filter, gaussian_filter
from spattermap.segment.ground import Ground, estimate_of, sample_lines
from spattermap.segment.hills import join
from spattermap.segment.image import ImageReading, MapEvidence, read_image
from spattermap.segment.image_grid import Transform
from spattermap.segment.likelihood import Planes, log_odds, stack_of
from spattermap.segment.passes import Job, Painted, PartRegions, every
from spattermap.segment.result import Segmentation
from spattermap.segment.runs import Gathered, around
from spattermap.segment.streaks import circular_summary

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

_NO_SETTINGS = Settings()
_HERE = Workers(scheduler="synchronous")
_BARE_PART = 2048  # px; side of the parts over which bare pixels are summed
_SAME_PLACE = 0.75  # px; an image nearer than this to the maps' grid is searched as it lies
_AMONG_LINES = 1.75  # times the smallest trusted diameter: a droplet may be smeared lines
_MOST_LEVELLINGS = 4  # what the first mask took for metal may turn out to be haze
UNEVEN = (
    "The bare level is uneven (haze or background): droplets were drawn against their surroundings."
)
NO_STRUCTURE = (
    "The maps vary no more than counting noise does: the field is bare or evenly covered. A blank "
    "plate mapped under the same conditions would tell which."
)
TOO_WEAK = (
    "The maps vary a little more than counting noise does, but not enough to draw an outline that "
    "noise alone would not draw as well: whether there is metal is undecided. Map the field with "
    "about ten times the counts."
)
IN_PARTS = ImageReading(used=False, why="a field worked on in parts is drawn from its maps alone")
NOTHING_SHOWN = ImageReading(used=False, why="the maps show nothing to compare it with")
ONE_REGION = "the metal is one joined region, whose necks the counts tell better"
NO_IMAGE = "Cracks were asked for, but the map set has no electron image to find them in."


@dataclass(frozen=True)
class Field:
    """A field under way: what every step of the engine needs to know."""

    job: Job  # what the passes need
    known: Ground  # classes, structure and filter
    settings: Settings
    workers: Workers  # where the parts are worked on
    n_valid: int  # pixels to use
    smallest: float  # smallest trusted diameter (px)
    # filters through which regions are looked for; the first is that of the fraction
    looks: Sequence[Filter] = ()
    notes: tuple[str, ...] = ()  # what the reader must know, so far
    image: ImageReading | None = None  # what came of the electron image
    rims: rims.Moved = rims.NOT_MOVED  # how the outlines were moved to the rims


@dataclass(frozen=True)
class _Divided:
    """Regions that are kept, by their final labels: droplets first, then streaks."""

    n_droplets: int
    streaks: list[streaks.Shape]
    area: Integers
    box: Integers
    confidence: Floats
    lookup: Labels
    ellipses: Floats
    shared: Bools


def segment(
    maps: xr.Dataset | Source,
    roles: Roles,
    *,
    settings: Settings = _NO_SETTINGS,
    grid: Grid | None = None,
    store: Store | None = None,
    workers: Workers | None = None,
    begun: Field | None = None,
    draft: bool = False,
) -> Segmentation:
    """Divide a field into bare substrate, droplets and streaks, the same however it is cut.

    Elements that `roles` names neither alloy nor substrate take part with the sign the data give
    them. By default `grid` is one part, the store in memory and the work done here; about 30 bytes
    a pixel go into the store, which every worker must reach. `begun` is what `begin` gave of the
    same maps and roles, in memory. Without a store in memory the pictures stay in it and no cracks
    are sought. A `draft` ends with the first outlines: streaks, parting by shape, rims, the
    electron image and cracks, nine tenths of the time, are left out.
    """
    progress.step("Telling metal from glass")
    if begun is None:
        field = begin(maps, roles, settings=settings, grid=grid, store=store, workers=workers)
    else:
        field = _turned(begun, settings)
    if field.known.filter is None or field.known.classes.information == 0:
        return _nothing(field, NO_STRUCTURE)
    if not np.isfinite(field.smallest):
        return _nothing(field, TOO_WEAK)
    progress.step("Drawing regions")
    found, keys = _regions(field)
    order, confidence, field = _significant(field, found, keys)
    if draft:
        divided = _divided(field, found, order, confidence, streaks_too=False)
        field.job.store.keep("labels", divided.lookup)
        return _result(field, divided, cracks_too=False)
    if field.settings.electron_image != "off" and electron_images(field.job.source.maps):
        found, order, confidence, field = _with_image(field, found, order, confidence)
    progress.step("Parting what touches, finding streaks")
    divided = _divided(field, found, order, confidence)
    field.job.store.keep("labels", divided.lookup)
    drawn, kept = _lines(field, divided, order)
    if drawn:
        divided = _divided(field, found, order[kept], confidence[kept])
        field.job.store.keep("labels", divided.lookup)
    field, divided = _by_shape(field, divided)
    field, divided = _to_the_rims(field, divided)
    field, divided = _with_lines(field, divided, drawn)
    return _result(_noted(field, divided), divided)


def begin(
    maps: xr.Dataset | Source,
    roles: Roles,
    *,
    settings: Settings = _NO_SETTINGS,
    grid: Grid | None = None,
    store: Store | None = None,
    workers: Workers | None = None,
) -> Field:
    """Return a field as far as sensitivity, split strength and least size do not matter.

    Its classes, its filter and its filtered metal fraction.
    """
    source = maps if isinstance(maps, Source) else Source(maps, checked=True)
    where = (store or MemoryStore(), grid or Grid.whole(source.shape))
    known = estimate_of(_sampled(source, roles), noise_known=noise_is_known(source.maps))
    field = _begun(source, roles, where, settings, workers or _HERE, known)
    return _seen(_levelled(field)) if np.isfinite(field.smallest) else field


def _turned(begun: Field, settings: Settings) -> Field:
    """Return a field that was begun in memory with other settings; the first one stays as it is."""
    assert isinstance(begun.job.store, MemoryStore)
    rule, offset = _rule(begun.known, settings)
    job = replace(begun.job, store=begun.job.store.copy(), rule=rule, offset=offset)
    field = replace(begun, job=job, settings=settings)
    if settings.false_alarms_per_field == begun.settings.false_alarms_per_field:
        return field
    field = replace(field, smallest=_smallest(begun.known, settings, begun.n_valid))
    return _seen(field) if np.isfinite(field.smallest) else field


def _begun(  # noqa: PLR0917 (what `segment` was given)
    source: Source,
    roles: Roles,
    where: tuple[Store, Grid],
    settings: Settings,
    workers: Workers,
    known: Ground,
) -> Field:
    """Write the unfiltered metal fraction."""
    rule, offset = _rule(known, settings)
    used = known.filter or gaussian_filter(1.0)
    job = Job(source, *where, known.classes, used, rule, offset, _signs(source, roles))
    n_valid = sum(workers.run(passes.raw_part, every(job)))
    smallest = _smallest(known, settings, n_valid)
    return Field(job, known, settings, workers, n_valid, smallest)


def _rule(known: Ground, settings: Settings) -> tuple[droplets.Parting, float]:
    """Return where hills part, and what is added to the metal fraction."""
    classes, used = known.classes, known.filter
    if used is None or classes.information == 0:
        return droplets.Parting.none(), 0.0
    rule = droplets.Parting.of(classes, used, strength=settings.split_strength)
    return rule, settings.metal_sensitivity * used.gain / classes.information


def _smallest(known: Ground, settings: Settings, n_valid: int) -> float:
    """Return the smallest trusted diameter (px); infinite where nothing can be found."""
    if known.filter is None or known.classes.information == 0:
        return math.inf
    return droplets.smallest_trusted(
        known.classes,
        known.filter,
        n_pixels=n_valid,
        false_alarms=settings.false_alarms_per_field,
    )


def _seen(field: Field) -> Field:
    """Filter the fraction through the wider filters too, where counts are few."""
    looks = droplets.looks(
        field.job.classes,
        field.job.used,
        n_pixels=field.n_valid,
        false_alarms=field.settings.false_alarms_per_field,
    )
    for look, one in list(enumerate(looks))[1:]:
        _filter(field, look, one)
    return replace(field, job=replace(field.job, n_looks=len(looks)), looks=looks)


def _signs(source: Source, roles: Roles) -> tuple[int, ...]:
    """Return for every element whether it rises (1) or falls (-1) with metal; 0 for the others."""
    names = element_names(source.maps)
    return tuple(1 if e in roles.alloy else -1 if e in roles.substrate else 0 for e in names)


def _sampled(source: Source, roles: Roles) -> Planes:
    """Return the part of a map set from which classes, structure and filter are estimated."""
    names = element_names(source.maps)
    lines = sample_lines(source.shape)
    rows, columns = lines or tuple(np.arange(n) for n in source.shape)
    boxes = [
        [Box(top, left, bottom, right) for left, right in _stretches(columns)]
        for top, bottom in _stretches(rows)
    ]

    def picture(name: str) -> npt.NDArray[Any]:
        read = source.counts if name == "counts" else functools.partial(source.read, name)
        if lines is None:
            return read(boxes[0][0])
        return np.concatenate(
            [np.concatenate([read(box) for box in row], axis=-1) for row in boxes], axis=-2
        )

    return stack_of(
        picture("counts"),
        elements=names,
        signs=_signs(source, roles),
        valid=picture("valid"),
        variance=picture("variance") if source.has("variance") else None,
    )


def _stretches(lines: npt.NDArray[np.int64]) -> list[tuple[int, int]]:
    """Return the first and the one after the last of every stretch without a gap."""
    breaks = np.flatnonzero(np.diff(lines) != 1) + 1
    return [(int(part[0]), int(part[-1]) + 1) for part in np.split(lines, breaks)]


def _filter(field: Field, look: int, used: Filter) -> None:
    job = field.job
    field.workers.run(passes.filter_tile, every(job, (look, used), grid=job.tiles))


def _levelled(field: Field) -> Field:
    """Filter the metal fraction, freed of an uneven bare level."""
    job, workers = field.job, field.workers
    _filter(field, 0, job.used)
    reach = local.Reach.of(field.known.diameter, job.shape)
    step = max(1, _BARE_PART // reach.side) * reach.side
    grid = Grid.squares(job.shape, step)
    for turn in range(_MOST_LEVELLINGS):
        parts = workers.run(passes.bare_part, every(field.job, (reach, grid), grid=grid))
        sums = _beside_each_other(parts, grid.across)
        level = local.level_of(sums, reach, shape=job.shape, noise=job.classes.sigma_bare)
        if level is None:
            break
        job.store.keep("level", *level.to_arrays())
        name = f"raw{turn + 1}"
        workers.run(passes.level_part, every(field.job, name))
        job.store.drop(field.job.raw)
        field = replace(field, job=replace(job, raw=name), notes=(UNEVEN,))
        _filter(field, 0, job.used)
    return field


def _beside_each_other(parts: list[local.BareSums], across: int) -> local.BareSums:
    """Return the sums of parts in raster order as those of the field they make up."""

    def whole(name: str) -> Floats:
        sums = [getattr(one, name) for one in parts]
        rows = [np.concatenate(sums[i : i + across], axis=1) for i in range(0, len(sums), across)]
        return np.concatenate(rows)

    return local.BareSums(whole("n"), whole("total"), whole("n_valid"))


def _regions(field: Field) -> tuple[PartRegions, Integers]:
    """Draw every region; return what is known of them, and their order in the whole field."""
    job, workers = field.job, field.workers
    rule, store = job.rule, job.store
    found = join(workers.run(passes.first_hills, every(job)), job.grid, rule.dips)
    store.keep("hills1_tables", *found.tables)
    name = "hills1"
    if not rule.parts_nothing:
        found = join(workers.run(passes.second_hills, every(job)), job.grid, rule.necks)
        store.keep("hills2_tables", *found.tables)
        store.drop("hills1")
        name = "hills2"
    ends = basins.follow(workers.run(passes.basins_part, every(job, name)), job.grid)
    store.keep("basins_tables", *(one.ends for one in ends))
    store.drop("mask", name)
    cut = workers.run(passes.cuts_part, every(job))
    level = np.full(found.keys.size, np.inf, np.float32)
    for one in cut:
        level[one.basin] = one.level
    shared, heights = basins.shared_levels(cut, table=droplets.edge_table(job.used))
    level[shared] = heights
    store.keep("levels", level)
    parts = workers.run(passes.regions_part, every(job))
    store.drop("basins")
    return _merged(parts, found.keys.size, job.n_looks), found.keys


def _merged(parts: list[PartRegions], size: int, n_looks: int) -> PartRegions:
    """Add up what the parts know of each hill."""
    hill = np.concatenate([one.region for one in parts])
    area, rim = np.zeros(size, np.int64), np.zeros(size, np.int64)
    np.add.at(area, hill, np.concatenate([one.area for one in parts]))
    np.add.at(rim, hill, np.concatenate([one.rim for one in parts]))
    top = np.full((n_looks, size), -np.inf)
    for look, highest in enumerate(top):
        np.maximum.at(highest, hill, np.concatenate([one.top[look] for one in parts]))
    box = around(np.concatenate([one.box for one in parts]), hill, size)
    return PartRegions(np.arange(size, dtype=np.int32), area, box, rim, top)


def _significant(
    field: Field, found: PartRegions, keys: Integers
) -> tuple[Integers, Floats, Field]:
    """Return the hills that noise does not explain, in the order of the whole field.

    With them the confidence in each, and the field with what is to be noted.
    """
    source, settings = field.job.source, field.settings
    order = np.argsort(keys, kind="stable")
    order = order[found.area[order] > 0]  # of the others nothing is left
    expected = droplets.weigh(
        found.top[:, order],
        field.job.classes,
        list(field.looks),
        n_pixels=field.n_valid,
        poisson=not source.has("variance") and noise_is_known(source.maps),
    )
    wanted = expected <= settings.false_alarms_per_field
    if not wanted.any():
        field = replace(field, notes=(*field.notes, TOO_WEAK))
    wanted &= found.area[order] >= _least_area(field)
    return order[wanted], np.exp(-expected)[wanted], field


def _least_area(field: Field) -> float:
    """Return the area (px) below which no region is wanted."""
    smallest = field.settings.smallest_droplet
    if smallest is None:
        return 0.0
    return float(np.pi / 4 * (smallest / facts(field.job.source.maps).pixel_size) ** 2)


def _with_image(
    field: Field, found: PartRegions, order: Integers, confidence: Floats
) -> tuple[PartRegions, Integers, Floats, Field]:
    """Let the electron images help to draw, where one can; else leave all as the maps drew it."""
    job, maps = field.job, field.job.source.maps
    if not isinstance(job.store, MemoryStore):
        return found, order, confidence, replace(field, image=IN_PARTS)
    progress.step("Laying the electron image over the maps")
    evidence = _evidence(field, found, order)
    readings = []
    for name in electron_images(maps):
        reading = read_image(
            np.asarray(maps[name].values),
            evidence,
            step=_image_step(maps, name),
            split_strength=field.settings.split_strength,
        )
        readings.append(replace(reading, name=name))
    best = max(readings, key=lambda one: (one.used, one.transform is not None, one.explained))
    if best.used and _is_one_region(evidence.labels > 0):
        # Outlines snapped to the picture's edges opened necks of a film that conducts.
        best = replace(best, used=False, labels=None, why=ONE_REGION)
    elif best.used:
        best = replace(best, otherwise=evidence.labels > 0)
    field = replace(field, image=replace(best, labels=None, confidence=None, fraction=None))
    if best.labels is None or best.confidence is None:
        return found, order, confidence, field
    n = int(best.labels.max())
    job.store.keep("drawn", best.labels)
    parts = field.workers.run(passes.redrawn_part, every(job, n + 1))
    found = _merged(parts, n + 1, job.n_looks)
    order = np.arange(1, n + 1)
    wanted = (found.area[order] > 0) & (found.area[order] >= _least_area(field))
    notes = tuple(note for note in field.notes if note != TOO_WEAK)
    return found, order[wanted], best.confidence[wanted], replace(field, notes=notes)


def _is_one_region(metal: Bools) -> bool:
    """Return whether most of the metal is one region that reaches across the field; (y, x)."""
    pieces, n = ndimage.label(metal)
    if n == 0:
        return False
    areas = np.bincount(pieces.ravel())[1:]
    largest = int(areas.argmax()) + 1
    across = any(
        (first == largest).any() and (last == largest).any()
        for first, last in ((pieces[0], pieces[-1]), (pieces[:, 0], pieces[:, -1]))
    )
    return across and areas.max() > 0.5 * areas.sum()


def _evidence(field: Field, found: PartRegions, order: Integers) -> MapEvidence:
    """Return what the maps alone say, for a picture to be read with."""
    job, classes = field.job, field.job.classes
    numbers = np.zeros(found.area.size, np.int32)
    numbers[order] = np.arange(1, order.size + 1)
    regions = np.asarray(Stored(job.store, job.grid, "regions", np.asarray))
    labels = numbers[regions]
    covered = float(np.mean(labels > 0))
    noise = covered * classes.noise_metal + (1 - covered) * classes.noise_bare
    structure = field.known.structure
    assert structure is not None  # there is none where nothing was found
    return MapEvidence(
        np.asarray(Stored(job.store, job.grid, job.raw, np.asarray), np.float32),
        job.valid(Grid.whole(job.shape).box(0)),
        float(classes.weights**2 @ noise),
        structure,
        labels,
    )


def _image_step(maps: xr.Dataset, name: str) -> float | None:
    """Return the side of an image's pixels (px of the maps) where both sizes are known."""
    size, known = maps[name].attrs.get("pixel_size_um"), facts(maps)
    if maps[name].dims == ("y", "x") or size is None or known.length_unit != "um":
        return None
    return float(size) / known.pixel_size


def _divided(
    field: Field,
    found: PartRegions,
    order: Integers,
    confidence: Floats,
    *,
    streaks_too: bool = True,
) -> _Divided:
    """Tell streaks from droplets, and give the droplets the first numbers."""
    numbers = np.zeros(found.area.size, np.int32)
    numbers[order] = np.arange(1, order.size + 1)
    field.job.store.keep("numbers", numbers)
    area, box, rim = (_from_one(one[order]) for one in (found.area, found.box, found.rim))
    outlook = streaks.Outlook(box, area, rim)
    none: tuple[Labels, list[int], dict[int, streaks.Shape]]
    none = np.arange(len(area), dtype=np.int32), [], {}
    table, chosen, shapes_of = _streaks(field, outlook) if streaks_too else none
    present = np.bincount(table[1:], minlength=table.size) > 0
    round_ones = [int(k) for k in np.flatnonzero(present) if k not in shapes_of]
    n = len(round_ones) + len(chosen)
    label = np.zeros(table.size, np.int32)
    label[[*round_ones, *chosen]] = np.arange(1, n + 1)
    final = label[table]
    whole = np.bincount(final[1:], area[1:], minlength=n + 1).astype(np.int64)
    whole[0] = 0
    return _Divided(
        n_droplets=len(round_ones),
        streaks=[shapes_of[k] for k in chosen],
        area=whole,
        box=around(box, final, n + 1),
        confidence=confidence[np.array(round_ones, dtype=np.int64) - 1],
        lookup=final[numbers],
        ellipses=np.zeros((len(round_ones), 5)),
        shared=np.zeros(len(round_ones), dtype=bool),
    )


def _lines(
    field: Field, found: _Divided, order: Integers
) -> tuple[list[narrow_streaks.Found], Bools]:
    """Return narrow streaks by tiles, and which hills they do not explain, dims (hill,)."""
    job, kept = field.job, np.ones(order.size, bool)
    if not _lines_are_told(field):
        return [], kept
    outlook = streaks.Outlook(found.box, found.area, np.zeros_like(found.area))
    broad = np.zeros(found.area.size, bool)
    broad[found.n_droplets + 1 :] = [one.width > _least_width(field) for one in found.streaks]
    strength = narrow_streaks.strength_of(job.classes, job.signs)
    seen = narrow_streaks.Seen.of(
        job.classes, strength, max(job.used.blur, narrow_streaks.LEAST_BLUR)
    )
    least = narrow_streaks.least_gain(field.n_valid, field.settings.false_alarms_per_field)
    more = (seen, ~outlook.worth_a_look, broad, least, bool(field.notes))
    tiles = field.workers.run(passes.lines_tile, every(job, more, grid=job.tiles))
    tiles = [one for one in tiles if one.lines or one.cut]
    if tiles:
        gone = np.unique(np.concatenate([one.explained for one in tiles]))
        kept = ~np.isin(found.lookup[order], gone)
    return tiles, kept


def _with_lines(
    field: Field, found: _Divided, tiles: list[narrow_streaks.Found]
) -> tuple[Field, _Divided]:
    """Draw the lines as streaks, after those that are there."""
    job, n = field.job, found.n_droplets
    field = _smeared(field, found, among_lines=bool(tiles))
    if not tiles:
        return field, found
    drawn = [line for one in tiles for line in one.lines]
    drawn += narrow_streaks.joined([one.cut for one in tiles])
    before = n + len(found.streaks)
    parts = field.workers.run(passes.lined_part, every(job, (drawn, n, before)))
    merged = _merged(parts, before + len(drawn) + 1, job.n_looks)
    area, box = merged.area, merged.box
    area[0], box[0] = 0, 0
    shapes = [
        *(replace(one, area=int(a)) for one, a in
          zip(found.streaks, area[n + 1 : before + 1], strict=True)),
        *(one.shape(int(a)) for one, a in zip(drawn, area[before + 1 :], strict=True)),
    ]  # fmt: skip
    seen = np.flatnonzero(area[n + 1 :]) + n + 1
    kept = np.concatenate([np.arange(n + 1), seen])
    table = np.zeros(area.size, np.int32)
    table[kept] = np.arange(kept.size)
    job.store.keep("labels", table)
    weakest = min(one.weakest for one in tiles)
    part = float(area[before + 1 :].sum() / max(1, area.sum()))
    field = _doubted(field, part, *narrow_streaks.bounds(weakest))
    blur = float(np.median([one.blur for one in tiles]))
    field = replace(
        field,
        job=replace(job, drawn="lined"),
        notes=(*field.notes, *narrow_streaks.note(drawn, blur, weakest)),
    )
    return field, replace(
        found,
        streaks=[shapes[k - n - 1] for k in seen],
        area=area[kept],
        box=box[kept],
        lookup=table,
    )


def _doubted(field: Field, part: float, low: float, high: float) -> Field:
    """Widen the bounds of the area: `part` of it has others, as true area over that drawn."""
    rims = field.rims
    return replace(
        field,
        rims=replace(
            rims, low=(1 - part) * rims.low + part * low, high=(1 - part) * rims.high + part * high
        ),
    )


def _smeared(field: Field, found: _Divided, *, among_lines: bool) -> Field:
    """Widen the bounds by what is as narrow as the filter that drew it: it may be less wide.

    What it is of thick metal is the least: its signal over the strength that hides the glass. Among
    lines, droplets hardly larger than the smallest that is trusted may be pieces of others.
    """
    job, n = field.job, found.n_droplets
    narrow = np.array([one.width <= _least_width(field) for one in found.streaks], dtype=bool)
    strength = narrow_streaks.strength_of(job.classes, job.signs)
    if not _lines_are_told(field) or strength == 1:
        return field
    area = int(found.area[n + 1 :][narrow].sum())
    n_smeared = int(narrow.sum())
    if among_lines:
        small = found.area[1 : n + 1] < np.pi / 4 * (_AMONG_LINES * field.smallest) ** 2
        area += int(found.area[1 : n + 1][small].sum())
        n_smeared += int(small.sum())
    if area == 0:
        return field
    # Never firmer than before.
    part = area / max(1, int(found.area[1:].sum()))
    field = _doubted(field, part, min(1 / strength, field.rims.low), field.rims.high)
    return replace(field, notes=(*field.notes, narrow_streaks.smeared(n_smeared, strength)))


def _least_width(field: Field) -> float:
    """Return the width (px) up to which the filter may have drawn a streak too wide."""
    return narrow_streaks.BROAD * float(np.hypot(field.job.rule.sigma, 1.0))


def _lines_are_told(field: Field) -> bool:
    by_maps = field.image is None or not field.image.used
    counted = noise_is_known(field.job.source.maps) and not field.job.source.has("variance")
    return by_maps and counted and not field.job.rule.parts_nothing


def _by_shape(field: Field, found: _Divided) -> tuple[Field, _Divided]:
    """Part the droplets by the shape of their outlines; return them with their new labels."""
    job, n = field.job, found.n_droplets
    # How far an outline may stray is known where the noise is, and where the maps alone drew it.
    by_maps = field.image is None or not field.image.used
    known = noise_is_known(job.source.maps) and by_maps
    if n == 0 or job.rule.parts_nothing or not known:
        return field, found
    level = np.full(found.area.size, np.inf, np.float32)
    np.minimum.at(level, found.lookup, job.store.recall("levels"))
    job.store.keep("label_levels", level)
    sums = np.zeros((n + 1, 6), np.int64)
    parts = field.workers.run(passes.beside_part, every(job, n))
    for one in parts:
        sums[one.droplet] += one.sums
    touching = np.unique(np.concatenate([one.touching for one in parts]), axis=0)
    lump = lobes.lumps_of(n, touching[touching[:, 1] <= n])
    n_lumps = int(lump.max())
    box = around(found.box[1 : n + 1], lump[1:], n_lumps + 1)
    # What a streak touches may be a part of it, and shows no outline there.
    beside = touching[(touching[:, 1] > n) & (touching[:, 0] <= n), 0]
    left = np.isin(np.arange(n_lumps + 1), lump[beside])
    job.store.keep("lumps_seen", lump, sums, box, left)
    told = _told_by_outlines(field, float(found.area[1:].sum()) / max(1, field.n_valid))
    alone, cut = zip(*field.workers.run(passes.lone_part, every(job, told)), strict=True)
    outline = lobes.gathered(cut)
    wanted = np.unique(lump[outline.label]).astype(np.int64)
    across_parts = lobes.lone_in(outline, lump, sums, told, wanted=wanted)
    told = lobes.learned(told, [*alone, across_parts])
    inside = field.workers.run(passes.explained_part, every(job, told))
    done = np.concatenate([one.lump for one in inside])
    wanted = np.setdiff1d(np.arange(1, n_lumps + 1), done)
    across = lobes.explain_lumps(outline, lump, sums, told, wanted=wanted, left=left)
    lumps = lobes.put_together(lump, [*inside, across])
    job.store.keep("lumps", *lumps)
    job.store.keep("confidence", found.confidence)
    painted = field.workers.run(passes.paint_part, every(job, n))
    job.store.drop("regions")
    return replace(field, job=replace(job, drawn="lobes")), _renumbered(
        field, found, lumps, painted
    )


def _told_by_outlines(field: Field, coverage: float) -> lobes.Evidence:
    """Return what outlines tell, and the smallest droplet that is told apart."""
    settings = field.settings
    least = (settings.smallest_droplet or 0.0) / facts(field.job.source.maps).pixel_size
    return lobes.evidence_of(
        field.job.classes,
        field.job.used,
        diameter=field.known.diameter,
        smallest=max(field.smallest, least),
        strength=settings.split_strength,
        coverage=coverage,
        field=field.n_valid,
    )


def _renumbered(
    field: Field, found: _Divided, lumps: lobes.Lumps, painted: list[Painted]
) -> _Divided:
    """Give numbers to the ellipses of which anything is seen, and then to the streaks."""
    n_ellipses, n_streaks = len(lumps.ellipses), len(found.streaks)
    size = n_ellipses + n_streaks + 1
    owner = np.concatenate([one.droplet for one in painted])
    area, trust = np.zeros(size, np.int64), np.full(size, np.nan)
    np.add.at(area, owner, np.concatenate([one.area for one in painted]))
    np.fmax.at(trust, owner, np.concatenate([one.confidence for one in painted]))
    box = around(np.concatenate([one.box for one in painted]), owner.astype(np.int32), size)
    seen = np.flatnonzero(area[: n_ellipses + 1])
    kept = np.concatenate([[0], seen, np.arange(n_ellipses + 1, size)])
    table = np.zeros(size, np.int32)
    table[kept] = np.arange(kept.size)
    field.job.store.keep("labels", table)
    many = np.repeat(np.diff(lumps.begin) > 1, np.diff(lumps.begin))
    many[lumps.kept[lumps.kept > 0] - 1] = False
    # Of what is mostly hidden, the size is a guess.
    many &= area[1 : n_ellipses + 1] >= lobes.SEEN * np.pi * np.exp(2 * lumps.ellipses[:, 2])
    return replace(
        found,
        n_droplets=seen.size,
        area=area[kept],
        box=box[kept],
        confidence=trust[seen],
        lookup=table,
        ellipses=lumps.ellipses[seen - 1],
        shared=many[seen - 1],
    )


def _to_the_rims(field: Field, found: _Divided) -> tuple[Field, _Divided]:
    """Move the outlines to where the counts in and around them say that the metal ends."""
    job, n = field.job, found.area.size
    by_maps = field.image is None or not field.image.used
    if n == 1 or not (by_maps and noise_is_known(job.source.maps)):
        return field, found
    (top, bottom), (left, right) = (
        (max(0, (side - rims.LARGEST) // 2), min(side, (side + rims.LARGEST) // 2))
        for side in job.shape
    )
    middle = Box(top, left, bottom, right)
    is_streak = np.arange(n) > found.n_droplets
    pictures = (
        job.store.window(job.raw, job.grid, middle),
        job.fraction(middle),
        job.regions(middle, "labels"),
        job.valid(middle),
    )
    kinds = tuple(
        rims.find_rims(*pictures, of=of, blur=job.used.blur, falling=falling)
        for of, falling in ((~is_streak, True), (is_streak, False))
    )
    field = replace(field, rims=rims.together(kinds, found.area, is_streak))
    if not any(kind.moved for kind in kinds):
        return field, found
    deepest = np.zeros(n, np.float32)
    for names, depth in field.workers.run(passes.deepest_part, every(job)):
        np.maximum.at(deepest, names, depth)
    of_droplets, of_streaks = (kind.of(deepest) for kind in kinds)
    shift = np.where(is_streak, of_streaks, of_droplets).astype(np.float32)
    job.store.keep("shifts", np.stack([shift, deepest]))
    parts = _merged(field.workers.run(passes.moved_part, every(job)), n, job.n_looks)
    job.store.keep("labels", np.arange(n, dtype=np.int32))
    parts.box[0] = 0
    radius = np.exp(found.ellipses[:, 2])
    ellipses = found.ellipses.copy()
    ellipses[:, 2] = np.log(np.maximum(radius + shift[1 : found.n_droplets + 1], 0.5))
    lines = [
        shape.widened(float(shift[k]), int(parts.area[k]))
        for k, shape in enumerate(found.streaks, start=found.n_droplets + 1)
    ]
    notes = dict.fromkeys(kind.note for kind in kinds if kind.moved)
    field = replace(field, job=replace(job, drawn="moved"), notes=(*field.notes, *notes))
    return field, replace(found, area=parts.area, box=parts.box, ellipses=ellipses, streaks=lines)


def _from_one(values: Integers) -> Integers:
    """Return the values with a row of zeros before them: labels count from 1."""
    return np.concatenate([np.zeros((1, *values.shape[1:]), np.int64), values])


def _streaks(
    field: Field, outlook: streaks.Outlook
) -> tuple[Labels, list[int], dict[int, streaks.Shape]]:
    """Name the regions that are streaks, from the runs of those that may be."""
    job, looked = field.job, outlook.worth_a_look
    if not outlook.area.any():
        return np.arange(looked.size, dtype=np.int32), [], {}
    pairs = np.unique(np.concatenate(field.workers.run(passes.contacts_part, every(job))), axis=0)
    small = outlook.area <= streaks.LARGEST
    lump = streaks.lumps_among(looked.size, pairs[small[pairs].all(axis=1)])
    in_long = streaks.lumped(outlook, lump).worth_a_look[lump]
    pairs = pairs[(looked | in_long)[pairs].any(axis=1)]
    wanted = looked | in_long
    wanted[pairs] = True
    wanted &= small
    job.store.keep("wanted", wanted)
    gathered = Gathered(field.workers.run(passes.runs_part, every(job, "wanted")))
    touching = [(int(a), int(b)) for a, b in pairs if wanted[a] and wanted[b]]
    rule = job.rule
    return streaks.find_among(
        outlook, touching, gathered.pixels, smallest=field.smallest, jitter=rule.jitter
    )


def _noted(field: Field, found: _Divided) -> Field:
    """Note where metal is thicker in the middle of droplets."""
    job, n = field.job, found.n_droplets
    job.store.keep("boxes", found.box[: n + 1])
    if n < droplets.ENOUGH or field.rims.droplets.moved:
        return field  # where rims were looked for and found, that is noted already
    middles = field.workers.run(passes.middle_part, every(job, job.used.sigma))
    more = droplets.note(droplets.middle_signal(middles))
    return replace(field, notes=(*field.notes, *more))


def _directions(table: pd.DataFrame) -> dict[str, float]:
    """Return circular statistics: of directions where most streaks have one, else of axes."""
    told = table["directed"].to_numpy(dtype=bool)
    axial = np.count_nonzero(told) <= 0.5 * told.size
    angles = table["angle_deg"].to_numpy(dtype=np.float64)
    found = circular_summary(angles if axial else angles[told], axial=bool(axial))
    return {**found, "axial": float(axial)}


def _labels(store: Store, regions: Labels) -> Labels:
    return np.asarray(store.recall("labels")[regions])


def _metal(store: Store, regions: Labels) -> Bools:
    return _labels(store, regions) > 0


def _result(field: Field, found: _Divided, *, cracks_too: bool = True) -> Segmentation:
    """Put the result together."""
    import pandas as pd

    job, n = field.job, found.n_droplets
    rows = [shape.row(n + 1 + k) for k, shape in enumerate(found.streaks)]
    table = pd.DataFrame(rows, columns=list(streaks.COLUMNS))
    shown = functools.partial(
        log_odds, classes=job.classes, gain=job.used.gain, prior=field.settings.metal_sensitivity
    )
    pictures: dict[str, Any] = {
        "labels": Stored(job.store, job.grid, job.drawn, functools.partial(_labels, job.store)),
        "metal": Stored(job.store, job.grid, job.drawn, functools.partial(_metal, job.store)),
        "log_odds": Stored(job.store, job.tiles, "fraction0", shown),
    }
    notes: tuple[str, ...] = field.notes
    cracked: dict[str, Any] = {}
    if isinstance(job.store, MemoryStore):
        pictures = {name: np.asarray(one) for name, one in pictures.items()}
        if cracks_too:
            labels = pictures["labels"]
            cracked, more = _cracks(job.source.maps, labels, field.image, field.settings)
            notes = (*notes, *more)
    return Segmentation(
        **pictures,
        n_droplets=n,
        n_streaks=len(found.streaks),
        metal_means=_named(job, job.classes.metal),
        bare_means=_named(job, job.classes.bare),
        information=job.classes.information,
        blur_px=job.used.blur,
        smallest_trusted_px=field.smallest,
        confidence=found.confidence,
        streaks=table,
        directions=_directions(table),
        cracks=cracked,
        image=field.image,
        elements_used=tuple(
            e
            for e, w in zip(element_names(job.source.maps), job.classes.weights, strict=True)
            if w != 0
        ),
        notes=notes,
        area=found.area,
        box=found.box,
        ellipses=found.ellipses,
        shared=found.shared,
        rims=field.rims,
    )


def _cracks(
    maps: xr.Dataset, labels: Labels, image: ImageReading | None, settings: Settings
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Return the cracks in the electron image, and what is to be noted of them."""
    if settings.cracks == "off":
        return {}, ()
    placed = image is not None and image.transform is not None
    name = image.name if image is not None and placed else "electron_image"
    on_maps = name in maps and maps[name].dims == ("y", "x")
    if not (placed or on_maps):
        asked = settings.cracks == "on"
        why = "the electron image could not be laid over the maps" if name in maps else ""
        return {"why": why} if why else {}, (NO_IMAGE,) if asked and not why else ()
    where = image.transform if image is not None else None
    if where is not None and on_maps and where.farthest(Transform(), labels.shape) < _SAME_PLACE:
        where = None
    picture = np.asarray(maps[name].values)
    found = cracks.cracks_in(picture, labels, valid_mask(maps), transform=where, seed=settings.seed)
    return found, ()


def _nothing(field: Field, why: str) -> Segmentation:
    """Return the result for a field without structure: no region, and a note that says why."""
    import pandas as pd

    job = field.job
    pictures: dict[str, Any] = {
        name: Stored(job.store, job.grid, None, functools.partial(np.asarray, dtype=kind))
        for name, kind in (("labels", np.int32), ("metal", np.bool_), ("log_odds", np.float32))
    }
    cracked: dict[str, Any] = {}
    notes: tuple[str, ...] = ()
    if isinstance(job.store, MemoryStore):
        pictures = {name: np.asarray(one) for name, one in pictures.items()}
        # Bare glass cracks too, and the picture shows it without the maps.
        cracked, notes = _cracks(job.source.maps, pictures["labels"], None, field.settings)
    return Segmentation(
        **pictures,
        n_droplets=0,
        n_streaks=0,
        metal_means=_named(job, job.classes.metal),
        bare_means=_named(job, job.classes.bare),
        information=0.0,
        blur_px=0.0,
        smallest_trusted_px=math.inf,
        confidence=np.zeros(0),
        streaks=pd.DataFrame(columns=list(streaks.COLUMNS)),
        cracks=cracked,
        notes=(why, *notes),
        image=NOTHING_SHOWN if electron_images(job.source.maps) else None,
        area=np.zeros(1, np.int64),
        box=np.zeros((1, 4), np.int64),
    )


def _named(job: Job, values: Floats) -> dict[str, float]:
    return dict(zip(element_names(job.source.maps), map(float, values), strict=True))

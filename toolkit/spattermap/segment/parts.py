"""The segmentation of a field that is worked on part by part."""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from spattermap.core.grid import Box, Grid, Scratch, Source
from spattermap.core.mapset import Roles, facts, noise_is_known
from spattermap.core.settings import Settings
from spattermap.core.work import Workers
from spattermap.segment import basins, droplets, passes, streaks
from spattermap.segment import level as local
from spattermap.segment.engine import MOST_LEVELLINGS, NO_STRUCTURE, TOO_WEAK, UNEVEN
from spattermap.segment.filters import RADIUS_STEP, Filter, gaussian_filter
from spattermap.segment.ground import Estimate, ground_of, sample_lines
from spattermap.segment.hills import join
from spattermap.segment.likelihood import Stack, stack_of
from spattermap.segment.parted import Parted
from spattermap.segment.passes import Found, Job, Task

_BARE_PART = 2048  # px; side of the parts over which bare pixels are summed


def segment_parts(
    source: Source,
    roles: Roles,
    *,
    scratch: Scratch,
    grid: Grid,
    settings: Settings | None = None,
    workers: Workers | None = None,
) -> Parted:
    """Divide a field into bare substrate, droplets and streaks, part by part."""
    settings, workers = settings or Settings(), workers or Workers()
    sample = sampled(source, roles)
    known = ground_of(sample, noise_known=noise_is_known(source.maps)).known
    used = known.filter
    signs = tuple(int(s) for s in sample.signs)
    classes = known.classes
    rule = droplets.Parting.none()
    if used is not None and classes.information > 0:
        rule = droplets.Parting.of(classes, used, strength=settings.split_strength)
    offset = (
        settings.metal_sensitivity * (used.gain if used else 0) / max(classes.information, 1e-30)
    )
    job = Job(source, scratch, grid, classes, used or gaussian_filter(1.0), rule, offset, signs)
    n_valid = sum(workers.run(passes.raw_part, every(job)))
    if used is None or classes.information == 0:
        return _nothing(job, known, n_valid, NO_STRUCTURE)
    smallest = droplets.smallest_trusted(
        classes, used, n_pixels=n_valid, false_alarms=settings.false_alarms_per_field
    )
    if not np.isfinite(smallest):
        return _nothing(job, known, n_valid, TOO_WEAK)
    job, notes = _levelled(job, known, workers)
    looks = droplets.looks(
        classes, used, n_pixels=n_valid, false_alarms=settings.false_alarms_per_field
    )
    job = replace(job, n_looks=len(looks))
    for look, one in list(enumerate(looks))[1:]:
        _filter(job, look, one, workers)
    drawn = _Drawn(job, known, looks, n_valid, _regions(job, workers), tuple(notes))
    return _divided(drawn, settings, workers)


def every(job: Job, more: Any = None, *, grid: Grid | None = None) -> list[Task]:
    """Return one task for each part."""
    return [Task(job, k, more) for k in range(len(grid or job.grid))]


def sampled(source: Source, roles: Roles) -> Stack:
    """Return the part of a map set from which classes, structure and filter are estimated."""
    names = [str(e) for e in source.maps["element"].values]
    signs = [1 if e in roles.alloy else -1 if e in roles.substrate else 0 for e in names]
    lines = sample_lines(source.shape)
    rows, columns = lines or tuple(np.arange(n) for n in source.shape)
    boxes = [
        [Box(top, left, bottom, right) for left, right in _stretches(columns)]
        for top, bottom in _stretches(rows)
    ]

    def picture(name: str) -> npt.NDArray[Any]:
        read = source.counts if name == "counts" else functools.partial(source.read, name)
        return np.concatenate(
            [np.concatenate([read(box) for box in row], axis=-1) for row in boxes], axis=-2
        )

    return stack_of(
        picture("counts"),
        elements=names,
        signs=signs,
        valid=picture("valid"),
        variance=picture("variance") if source.has("variance") else None,
    )


def _stretches(lines: npt.NDArray[np.int64]) -> list[tuple[int, int]]:
    """Return the first and the one after the last of every stretch without a gap."""
    breaks = np.flatnonzero(np.diff(lines) != 1) + 1
    return [(int(part[0]), int(part[-1]) + 1) for part in np.split(lines, breaks)]


def _filter(job: Job, look: int, used: Filter, workers: Workers) -> None:
    workers.run(passes.filter_tile, every(job, (look, used), grid=job.tiles))


def _levelled(job: Job, known: Estimate, workers: Workers) -> tuple[Job, list[str]]:
    """Filter the metal fraction, freed of an uneven bare level; as `segmentation.chain` does."""
    _filter(job, 0, job.used, workers)
    reach = local.Reach.of(known.diameter, job.shape)
    step = max(1, _BARE_PART // reach.side) * reach.side
    grid = Grid.squares(job.shape, step)
    notes: list[str] = []
    for turn in range(MOST_LEVELLINGS):
        parts = workers.run(passes.bare_part, every(job, (reach, grid), grid=grid))
        sums = local.BareSums(
            *(
                np.concatenate(
                    [
                        np.concatenate(
                            [getattr(one, name) for one in parts[i : i + grid.across]], axis=1
                        )
                        for i in range(0, len(parts), grid.across)
                    ]
                )
                for name in ("n", "total", "n_valid")
            )
        )
        level = local.level_of(sums, reach, shape=job.shape, noise=job.classes.sigma_bare)
        if level is None:
            break
        notes = [UNEVEN]
        job.scratch.keep("level", level)
        name = f"raw{turn + 1}"
        workers.run(passes.level_part, every(job, name))
        job.scratch.drop(job.raw)
        job = replace(job, raw=name)
        _filter(job, 0, job.used, workers)
    return job, notes


def _regions(job: Job, workers: Workers) -> tuple[Found, npt.NDArray[np.int64]]:
    """Draw every region; return what is known of them, in the order of the whole field."""
    rule, scratch = job.rule, job.scratch
    found = join(workers.run(passes.first_hills, every(job)), job.grid, rule.dips)
    scratch.keep("hills1_tables", found.tables)
    name = "hills1"
    if not rule.parts_nothing:
        found = join(workers.run(passes.second_hills, every(job)), job.grid, rule.necks)
        scratch.keep("hills2_tables", found.tables)
        scratch.drop("hills1")
        name = "hills2"
    ends = basins.follow(workers.run(passes.basins_part, every(job, name)), job.grid)
    scratch.keep("basins_tables", ends)
    scratch.drop("mask", name)
    cut = workers.run(passes.cuts_part, every(job))
    level = np.full(found.keys.size, np.inf, np.float32)
    for one in cut:
        level[one.basin] = one.level
    shared, heights = basins.shared_levels(
        cut, table=droplets.edge_table(job.used), finest=RADIUS_STEP
    )
    level[shared] = heights
    scratch.keep("levels", level)
    parts = workers.run(passes.regions_part, every(job))
    scratch.drop("basins")
    return _merged(parts, found.keys.size, job.n_looks), found.keys


def _merged(parts: list[Found], size: int, n_looks: int) -> Found:
    """Add up what the parts know of each hill."""
    hill = np.concatenate([one.region for one in parts])
    area, rim = np.zeros(size, np.int64), np.zeros(size, np.int64)
    np.add.at(area, hill, np.concatenate([one.area for one in parts]))
    np.add.at(rim, hill, np.concatenate([one.rim for one in parts]))
    top = np.full((n_looks, size), -np.inf)
    for look, highest in enumerate(top):
        np.maximum.at(highest, hill, np.concatenate([one.top[look] for one in parts]))
    box = _around(np.concatenate([one.box for one in parts]), hill, size)
    return Found(np.arange(size, dtype=np.int32), area, box, rim, top)


def _around(
    boxes: npt.NDArray[np.int64], owner: npt.NDArray[np.int32], size: int
) -> npt.NDArray[np.int64]:
    """Return the box around all boxes of each owner, 0 to before `size`."""
    out = np.full((size, 4), np.iinfo(np.int64).max)
    out[:, 2:] = -1
    for column, meet in enumerate((np.minimum, np.minimum, np.maximum, np.maximum)):
        meet.at(out[:, column], owner, boxes[:, column])
    return out


class _Drawn(NamedTuple):
    job: Job
    known: Estimate
    looks: list[Filter]
    n_valid: int
    hills: tuple[Found, npt.NDArray[np.int64]]
    notes: tuple[str, ...]


def _divided(drawn: _Drawn, settings: Settings, workers: Workers) -> Parted:
    """Keep what noise does not explain, and tell streaks from droplets."""
    import pandas as pd

    job, known, (found, keys) = drawn.job, drawn.known, drawn.hills
    order, confidence, notes = _significant(drawn, settings)
    numbers = np.zeros(keys.size, np.int32)
    numbers[order] = np.arange(1, order.size + 1)
    job.scratch.keep("numbers", numbers)
    area, box, rim = (_from_one(one[order]) for one in (found.area, found.box, found.rim))
    smallest = droplets.smallest_trusted(
        known.classes,
        drawn.looks[0],
        n_pixels=drawn.n_valid,
        false_alarms=settings.false_alarms_per_field,
    )
    outlook = streaks.Outlook(box, area, rim)
    table, chosen, shapes_of = _streaks(job, outlook, smallest, workers)
    present = np.bincount(table[1:], minlength=table.size) > 0
    round_ones = [int(k) for k in np.flatnonzero(present) if k not in shapes_of]
    label = np.zeros(table.size, np.int32)
    label[[*round_ones, *chosen]] = np.arange(1, len(round_ones) + len(chosen) + 1)
    final = label[table]
    job.scratch.keep("labels", final[numbers])
    rows = [shapes_of[k].row(int(label[k])) for k in chosen]
    n = len(round_ones) + len(chosen)
    whole = np.bincount(final[1:], area[1:], minlength=n + 1).astype(np.int64)
    whole[0] = 0
    return Parted(
        job=job,
        estimate=known,
        n_valid=drawn.n_valid,
        n_droplets=len(round_ones),
        n_streaks=len(chosen),
        area=whole,
        box=_around(box, final, n + 1),
        confidence=confidence[np.array(round_ones, dtype=np.int64) - 1],
        streaks=pd.DataFrame(rows, columns=list(streaks.COLUMNS)),
        centre_lines=tuple(shapes_of[k].line for k in chosen),
        smallest_trusted_px=smallest,
        notes=notes,
    )


def _significant(
    drawn: _Drawn, settings: Settings
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64], tuple[str, ...]]:
    """Return the hills that noise does not explain, in the order of the whole field.

    With them the confidence in each, and the notes.
    """
    source, (found, keys) = drawn.job.source, drawn.hills
    order = np.argsort(keys, kind="stable")
    order = order[found.area[order] > 0]  # of the others nothing is left
    expected = droplets.weigh(
        found.top[:, order],
        drawn.known.classes,
        drawn.looks,
        n_pixels=drawn.n_valid,
        poisson=not source.has("variance") and noise_is_known(source.maps),
    )[1]
    wanted = expected <= settings.false_alarms_per_field
    notes = drawn.notes if wanted.any() else (*drawn.notes, TOO_WEAK)
    if settings.smallest_droplet is not None:
        least = np.pi / 4 * (settings.smallest_droplet / facts(source.maps).pixel_size) ** 2
        wanted &= found.area[order] >= least
    return order[wanted], np.exp(-expected)[wanted], notes


def _from_one(values: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Return the values with a row of zeros before them: labels count from 1."""
    return np.concatenate([np.zeros((1, *values.shape[1:]), np.int64), values])


def _streaks(
    job: Job, outlook: streaks.Outlook, smallest: float, workers: Workers
) -> tuple[npt.NDArray[np.int32], list[int], dict[int, streaks.Shape]]:
    """Name the regions that are streaks, from the runs of those that may be."""
    looked = outlook.worth_a_look
    if not looked.any():
        return np.arange(looked.size, dtype=np.int32), [], {}
    pairs = np.concatenate(workers.run(streaks.contacts_part, every(job)))
    pairs = np.unique(pairs[looked[pairs].any(axis=1)], axis=0)
    wanted = looked.copy()
    wanted[pairs] = True
    wanted &= outlook.area <= streaks.LARGEST
    job.scratch.keep("wanted", wanted)
    gathered = streaks.Gathered(workers.run(streaks.runs_part, every(job, "wanted")))
    touching = [(int(a), int(b)) for a, b in pairs if wanted[a] and wanted[b]]
    return streaks.find_among(outlook, touching, gathered.pixels, smallest=smallest)


def _nothing(job: Job, known: Estimate, n_valid: int, why: str) -> Parted:
    import pandas as pd

    return Parted(
        job=job,
        estimate=known,
        n_valid=n_valid,
        n_droplets=0,
        n_streaks=0,
        area=np.zeros(1, np.int64),
        box=np.zeros((1, 4), np.int64),
        confidence=np.zeros(0),
        streaks=pd.DataFrame(columns=list(streaks.COLUMNS)),
        centre_lines=(),
        smallest_trusted_px=math.inf,
        notes=(why,),
    )

"""The haze of a mosaic, added up part by part."""

from __future__ import annotations

import math
from functools import reduce
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from spattermap.core.grid import Box, Grid
from spattermap.core.mapset import Roles
from spattermap.core.settings import Settings
from spattermap.core.work import Workers
from spattermap.segment import haze
from spattermap.segment.engine import alloy_step, plate, zero_of
from spattermap.segment.likelihood import stack_of
from spattermap.segment.parted import Parted
from spattermap.segment.parts import every, sampled
from spattermap.segment.passes import Task

if TYPE_CHECKING:
    import xarray as xr

_PART_PX = 2048  # a multiple of 32, on which the squares of the haze lie


def haze_part(task: Task) -> haze.HazeSums:
    """Return the sums for the haze of a part whose corner lies on a multiple of 32 px."""
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


def haze_of(
    parted: Parted,
    roles: Roles,
    options: tuple[Settings, xr.Dataset | None],
    workers: Workers,
) -> dict[str, float]:
    """Return the metal between the deposits, as `Segmentation.haze`; empty without an alloy."""
    settings, blank = options
    job = parted.job
    alloy = np.array(job.signs) > 0
    if not alloy.any() or job.classes.information == 0:
        return {}
    grid = Grid.squares(job.shape, _PART_PX)
    origin = float(job.classes.bare[alloy].sum())
    more = (grid, parted, 2 + 2.5 * max(parted.blur_px, 0.5), origin)
    sums = reduce(lambda a, b: a.merge(b), workers.run(haze_part, every(job, more, grid=grid)))
    known = sampled(job.source, roles)
    zero = None if blank is None else zero_of(known, job.classes, plate(known, roles, blank))
    found: dict[str, float] = haze.measure(
        sums, blank=zero, step=alloy_step(known, job.classes), level=settings.level
    )
    return found

"""The verdict on each element of a mosaic, from the added sums of its parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import reduce
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.grid import Box, Source
from spattermap.mosaics.measuring import part_maps
from spattermap.segment.result import Segmentation
from spattermap.verdict.gather import Context
from spattermap.verdict.signal_levels import measure_levels
from spattermap.verdict.zones import DROPLET, STREAK

if TYPE_CHECKING:
    import xarray as xr

    from spattermap.noise.moments import BlockMoments

WINDOW_PX = 1024  # side of the windows in which spatial p-values are found
_DOWN, _ACROSS = 2, 2


def windows(source: Source) -> list[xr.Dataset]:
    """Return four windows of a mosaic, or all of a small one, as map sets in memory.

    Parameters
    ----------
    source : Source
        The mosaic.

    Returns
    -------
    list of xarray.Dataset
        For the spatial null, which compares pictures and cannot be had from sums.
    """
    height, width = source.shape
    tops, lefts = (
        sorted({max(0, min(n - WINDOW_PX, round(n * (2 * k + 1) / (2 * m)) - WINDOW_PX // 2))
                for k in range(m)})
        for n, m in ((height, _DOWN), (width, _ACROSS))
    )  # fmt: skip
    found = []
    for top in tops:
        for left in lefts:
            box = Box(top, left, min(top + WINDOW_PX, height), min(left + WINDOW_PX, width))
            maps = part_maps(source, box)
            if "valid" not in maps or maps["valid"].values.mean() > 0.5:
                found.append(maps)
    return found or [part_maps(source, Box(0, 0, min(height, WINDOW_PX), min(width, WINDOW_PX)))]


def join_parts(
    contexts: Sequence[Context], fields: Sequence[xr.Dataset], *, droplet_um: float | None
) -> Context:
    """Return what the verdict is drawn from, for the whole mosaic."""
    # What belongs to the deposit as a whole is taken from the part with most metal.
    first = max(contexts, key=lambda one: float(one.sums.n[:, [DROPLET, STREAK]].sum()))
    sums = reduce(lambda a, b: a.merge(b), (one.sums for one in contexts))
    return replace(
        first,
        maps=fields[0],
        more=tuple(fields[1:]),
        sums=sums,
        levels=measure_levels(
            sums, first.roles, first.state, blank=first.blank, settings=first.settings
        ),
        moments=reduce(lambda a, b: a.merge(b, same_field=True), (one.moments for one in contexts)),
        bare=_added([one.bare for one in contexts if one.bare is not None]),
        squares=_added([one.squares for one in contexts if one.squares is not None]),
        droplet_um=droplet_um,
    )


def _added(moments: Sequence[BlockMoments]) -> BlockMoments | None:
    if not moments:
        return None
    return reduce(lambda a, b: a.merge(b, same_field=True), moments)


def mean_diameter(found: Segmentation, pixel_size: float) -> float | None:
    """Return the area-weighted mean diameter of the droplets, in the unit of a pixel's side."""
    area = found.area[1 : found.n_droplets + 1].astype(np.float64)
    if not area.size:
        return None
    across = 2.0 * np.sqrt(area / np.pi) * pixel_size
    return float((across * area).sum() / area.sum())

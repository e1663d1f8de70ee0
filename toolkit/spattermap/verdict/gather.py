"""From maps to the evidence of each element."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from spattermap.core.arrays import Integers
from spattermap.core.errors import InputError
from spattermap.core.mapset import facts, valid_mask
from spattermap.noise.few_pixels import moments_without_few
from spattermap.verdict.patterns import bare_moments
from spattermap.verdict.physics import Conditions, alloy_labels, conditions, matrix_element
from spattermap.verdict.signal_levels import Levels, measure_levels
from spattermap.verdict.zones import (
    DROPLET,
    STREAK,
    ZoneSums,
    square_moments,
    square_side,
    zone_map,
    zone_sums,
)

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings
    from spattermap.noise.moments import BlockMoments
    from spattermap.segment.result import Segmentation


@dataclass(frozen=True)
class Context:
    """What every element's evidence is drawn from."""

    maps: xr.Dataset  # the map set; of several fields the first
    sums: ZoneSums  # zone sums of the deposit
    blank: ZoneSums | None  # sums of the blank
    levels: Levels  # levels and their bounds
    state: Conditions  # lines, beam energy, compositions
    roles: Roles  # roles
    moments: BlockMoments  # moments of the whole field
    bare: BlockMoments | None  # moments of the bare area
    matrix: str  # main element of the alloy, "" where there is none
    droplet_um: float | None  # area-weighted mean diameter of the droplets (um)
    stated: bool  # true where the alloy was stated in mass percent
    settings: Settings  # choices
    more: tuple[xr.Dataset, ...] = ()  # further fields of the same deposit
    # moments of counts summed over squares; None where single pixels hold counts enough
    squares: BlockMoments | None = None
    side_px: int = 1  # side of those squares (px)
    # moments without the few pixels that own a map's variance and what share they own, see
    # `moments_without_few`; None where no map is so
    few: tuple[BlockMoments, dict[str, float]] | None = None
    # true where regions were found, whether or not they hold the main element
    outlined: bool = False

    @property
    def fields(self) -> list[xr.Dataset]:
        """Every field's map set."""
        return [self.maps, *self.more]


def gather(
    maps: xr.Dataset,
    moments: BlockMoments,
    roles: Roles,
    segmentation: Segmentation,
    *,
    blank: xr.Dataset | None,
    settings: Settings,
    matrix: str | None = None,
    side_px: int | None = None,
    part: bool = False,
) -> Context:
    """Return what the evidence is drawn from, of a whole field or of a `part` of one."""
    if blank is not None:
        _check_blank(blank, roles)
    known = facts(maps)
    names = [str(name) for name in maps["element"].values]
    lines = dict(zip(names, (str(line) for line in maps["line"].values), strict=True))
    alloy = known.alloy if settings.alloy is None else dict.fromkeys(roles.alloy, float("nan"))
    glass = known.substrate or dict.fromkeys(roles.substrate, float("nan"))
    state = conditions(
        lines,
        known.beam_energy_keV,
        alloy=alloy or dict.fromkeys(roles.alloy, float("nan")),
        substrate=glass,
        one_background=one_background(maps),
    )
    block_px = moments.block_px
    # A field too blurred or too poor for a blur estimate gets one pixel.
    blur_px = segmentation.blur_px if segmentation.blur_px > 0 else 1.0
    if matrix is None:
        matrix = _matrix(maps, segmentation, roles, state)
    labels = segmentation.labels
    if matrix and len(roles.alloy) > 1:
        labels = alloy_labels(maps, labels, matrix)
    far = zone_map(labels > 0, blur_px, valid_mask(maps))
    sums = zone_sums(maps, labels, block_px=block_px, n_droplets=segmentation.n_droplets, far=far)
    blank_sums = None
    if blank is not None:
        blank_sums = _in_order(zone_sums(blank, None, block_px=block_px), sums.elements)
    levels = measure_levels(sums, roles, state, blank=blank_sums, settings=settings)
    diameter = None
    if known.length_unit == "um":
        area = np.bincount(labels.ravel())[1 : segmentation.n_droplets + 1]
        diameter = mean_diameter(area, known.pixel_size)
    side = side_px or square_side(moments, labels, roles, n_droplets=segmentation.n_droplets)
    return Context(
        maps,
        sums,
        blank_sums,
        levels,
        state,
        roles,
        moments,
        bare_moments(maps, far[0], block_px=block_px),
        matrix,
        diameter,
        bool(alloy) and all(math.isfinite(part) for part in alloy.values()),
        settings,
        squares=square_moments(maps, side=side),
        side_px=side,
        few=None if part else moments_without_few(maps, moments),
        outlined=bool((segmentation.labels > 0).any()),
    )


def join_parts(
    contexts: Sequence[Context], fields: Sequence[xr.Dataset], *, droplet_um: float | None
) -> Context:
    """Return what the verdict is drawn from, for a field that was gathered part by part."""
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
        outlined=any(one.outlined for one in contexts),
    )


def _added(moments: Sequence[BlockMoments]) -> BlockMoments | None:
    if not moments:
        return None
    return reduce(lambda a, b: a.merge(b, same_field=True), moments)


def mean_diameter(area: Integers, pixel_size: float) -> float | None:
    """Return the area-weighted mean diameter of droplets of these areas (px); None without one."""
    if not area.size:
        return None
    across = 2.0 * np.sqrt(area / np.pi) * pixel_size
    return float((across * area).sum() / max(area.sum(), 1))


def _check_blank(blank: xr.Dataset, roles: Roles) -> None:
    have = {str(e) for e in blank["element"].values}
    missing = [e for e in roles.alloy if e not in have]
    if missing:
        raise InputError(
            f"blank must hold a map of every alloy element, got none of {missing[0]}. "
            "Map the bare plate with the same elements."
        )


def one_background(maps: xr.Dataset) -> bool:
    """Return True where one continuum stands under all maps, so that one map bounds another.

    What the map set states decides. Else not for net maps, from each of which it was taken off by a
    fit of its own, nor for percentages, which are made from net counts.
    """
    known = facts(maps)
    return (
        known.background == "included"
        if known.background
        else known.quantity in ("counts", "intensity")
    )


def _matrix(maps: xr.Dataset, segmentation: Segmentation, roles: Roles, state: Conditions) -> str:
    if not roles.alloy or not segmentation.metal.any():
        return ""
    counts = {
        e: float(maps["counts"].sel(element=e).values[segmentation.metal].mean())
        for e in roles.alloy
    }
    return matrix_element(roles, state.alloy, counts)


def _in_order(sums: ZoneSums, elements: tuple[str, ...]) -> ZoneSums | None:
    """Return a blank's sums in the order of the deposit; None if an element is missing."""
    if any(element not in sums.elements for element in elements):
        return None
    order = [sums.elements.index(element) for element in elements]
    return ZoneSums(elements, sums.n, sums.s[..., order], sums.noise[..., order], sums.rim_px)

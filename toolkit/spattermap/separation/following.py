"""Which part of an element lies in the droplets, and which follows the alloy, with intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.separation.evidence import UNKNOWN, Estimate, Split, estimate
from spattermap.separation.gather import Context

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


def following(
    context: Context,
    element: str,
    partners: tuple[str, ...],
    split: Split,
    *,
    bounds: tuple[Floats, Floats],
) -> dict[str, Any]:
    """Return the shares that follow the alloy and that do not."""
    levels, level = context.levels, context.settings.level
    bare = levels.bare[:, levels.index(element)]
    most, least = bounds
    with np.errstate(divide="ignore", invalid="ignore"):
        rest = split.rest / split.total
        hidden = levels.n_bare * (bare - least)
        hidden_share = hidden / (split.metal + np.maximum(hidden, 0.0))
        surely = np.maximum(levels.n_bare * (bare - most), 0.0)
        surely_share = surely / split.total
    hidden_bound = estimate(hidden_share, context.settings, levels.n_blocks)
    # The interval must allow for what background and haze may be, not only for scatter.
    ends = float(surely_share[0]), hidden_bound.value
    rest_share = _clipped(_share(context, rest, element).within(*ends, level=level))
    return {
        "rest": UNKNOWN if element in context.roles.substrate else rest_share,
        "rest_most": hidden_bound.high,
        "with_alloy": _with_alloy(context, element, partners, split, ends=ends),
    }


def in_droplets(context: Context, e: int) -> Estimate:
    """Return the share in droplets; the bounds of an unknown background widen the interval.

    The signal of a substrate element is the substrate's own, so nothing is taken off it.
    """
    levels = context.levels
    glass = levels.elements[e] in context.roles.substrate
    nothing = np.zeros_like(levels.base)
    corners = [(nothing, nothing)] if glass else [(levels.base, levels.under)]
    if not levels.has_blank and not glass:
        corners += [(levels.base_low, levels.under_low), (levels.base_high, levels.under_high)]
    found = []
    for base, under in corners:
        metal = levels.n_metal * (levels.metal - under)[:, e]
        bare = levels.n_bare * np.maximum((levels.bare - base)[:, e], 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = levels.droplet_part[:, e] * metal / (metal + bare)
        found.append(_share(context, share, levels.elements[e]))
    ends = [one.value for one in found if one.known]
    if not found[0].known:
        return UNKNOWN
    return _clipped(found[0].within(min(ends), max(ends), level=context.settings.level))


def _with_alloy(
    context: Context,
    element: str,
    partners: tuple[str, ...],
    split: Split,
    *,
    ends: tuple[float, float],
) -> Estimate:
    """Return the share that follows the alloy.

    Taken as if what lies apart lay between the deposits only; the lower bound allows for a film
    that covers the metal as well.
    """
    if not partners or element in context.roles.substrate:
        return UNKNOWN
    levels = context.levels
    film = levels.n_metal / np.maximum(levels.n_bare, 1.0) * np.maximum(split.rest, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = _share(context, 1.0 - split.rest / split.total, element)
        over = _clipped(_share(context, 1.0 - (split.rest + film) / split.total, element))
    surely, hidden = ends
    between = _clipped(between.within(1.0 - hidden, 1.0 - surely, level=context.settings.level))
    return Estimate(between.value, min(between.low, over.low), between.high)


def _share(context: Context, draws: Floats, element: str) -> Estimate:
    """Return a share with the interval that few blocks, and features across them, need.

    Droplets enter numerator and denominator alike; what widens a share are the features of the
    bare area that reach over block borders, such as patches of a film. Judged over the gaps alone
    these look larger than they are, so no more is taken than the whole field shows.
    """
    inflation = 1.0
    if context.bare is not None:
        of = (float(one.inflation[one.index(element)]) for one in (context.bare, context.moments))
        inflation = min(of)
    return estimate(draws, context.settings, context.levels.n_blocks, inflation=inflation)


def _clipped(one: Estimate) -> Estimate:
    if not one.known:
        return one
    return Estimate(*(float(np.clip(v, 0.0, 1.0)) for v in (one.value, one.low, one.high)))

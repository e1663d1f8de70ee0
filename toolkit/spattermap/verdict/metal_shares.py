"""How the metal signal of a deposit divides into droplets, streaks and haze."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.arrays import Floats
from spattermap.core.estimate import UNKNOWN, Estimate
from spattermap.verdict.evidence import estimate

if TYPE_CHECKING:
    from spattermap.verdict.gather import Context
    from spattermap.verdict.signal_levels import Levels


PLACES = ("droplets", "streaks", "haze")


def metal_shares(context: Context) -> dict[str, float]:
    """Return the shares of the alloy's net signal in droplets, streaks and haze.

    As ``share_droplets``, ``share_streaks``, ``share_haze`` with ``_low`` and ``_high``; NaN where
    no metal was found. Without a blank the interval spans the bounds of the background, so it may
    reach from nothing to much: that is what is known then.
    """
    levels = context.levels
    which = [levels.index(element) for element in context.roles.alloy]
    if not which or not levels.has_metal:
        return _columns(dict.fromkeys(PLACES, UNKNOWN))
    divided = [_divide(context, which, base, under) for base, under in _corners(levels)]
    found = {}
    for k, place in enumerate(PLACES):
        share = _spanning(context, [parts[k] for parts in divided])
        found[place] = replace(share, low=max(share.low, 0.0), high=min(share.high, 1.0))
    return _columns(found)


def haze_zero(context: Context) -> Estimate:
    """Return what the bare substrate itself gives in the alloy's maps; what lies above it is haze.

    The sum over the alloy's elements, in the unit of the maps per pixel: of the blank at the dose
    of the maps, or without one what the continuum can be, with its bounds. NaN where no metal or no
    bare area was found.
    """
    levels = context.levels
    which = [levels.index(element) for element in context.roles.alloy]
    if not which or not levels.has_metal:
        return UNKNOWN
    return _spanning(context, [base[:, which].sum(axis=1) for base, _ in _corners(levels)])


def _corners(levels: Levels) -> list[tuple[Floats, Floats]]:
    """Return the background of bare area and metal: best guess, and bounds where no blank is."""
    corners = [(levels.base, levels.under)]
    if not levels.has_blank:
        corners += [(levels.base_low, levels.under_low), (levels.base_high, levels.under_high)]
    return corners


def _spanning(context: Context, draws: list[Floats]) -> Estimate:
    """Return the first of several resampled values, its interval spanning those of all."""
    cases = [estimate(one, context.settings, context.levels.n_blocks) for one in draws]
    known = [case for case in cases if case.known]
    if not cases[0].known:
        return UNKNOWN
    low, high = min(case.low for case in known), max(case.high for case in known)
    return Estimate(cases[0].value, low, high)


def _divide(context: Context, which: list[int], base: Floats, under: Floats) -> list[Floats]:
    """Return the three shares, dims (resample,) each, for one case of the background."""
    levels = context.levels
    on_metal = levels.n_metal[:, None] * (levels.metal - under)[:, which]
    droplets = (levels.droplet_part[:, which] * on_metal).sum(axis=1)
    streaks = on_metal.sum(axis=1) - droplets
    # Noise alone can put the bare area below its base; less than no haze cannot be.
    haze = np.maximum((levels.n_bare[:, None] * (levels.bare - base)[:, which]).sum(axis=1), 0.0)
    whole = droplets + streaks + haze
    with np.errstate(divide="ignore", invalid="ignore"):
        return [part / whole for part in (droplets, streaks, haze)]


def _columns(found: dict[str, Estimate]) -> dict[str, float]:
    columns = {}
    for place, one in found.items():
        columns[f"share_{place}"] = one.value
        columns[f"share_{place}_low"] = one.low
        columns[f"share_{place}_high"] = one.high
    return columns

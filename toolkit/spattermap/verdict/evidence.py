"""The numbers a verdict rests on, for one element.

Whether the alloy could have supplied what is seen of an element.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.arrays import Floats
from spattermap.core.errors import InputError
from spattermap.core.estimate import UNKNOWN, Estimate, interval
from spattermap.verdict.physics import (
    Conditions,
    continuum_tolerance,
    continuum_weight,
    matrix_tolerance,
)
from spattermap.verdict.signal_levels import Levels
from spattermap.xrays import anderson_hasler_um, relative_sensitivity

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings


# An element that the stated alloy does not name may still be in it up to this mass fraction:
# standards for wrought alloys limit unnamed elements to about half of it (ASTM B36 and the like,
# from memory).
IMPURITY = 0.01
# Thick metal shows only what lies within the X-ray range, so it may have supplied more than is
# seen. No droplet is thicker on average than a sphere, whose mean height is 2/3 of its diameter.
MEAN_HEIGHT = 2.0 / 3.0
MOST_DEPTH = 20.0


@dataclass(frozen=True)
class Supply:
    """The most that the alloy could have supplied of an element."""

    most: Floats  # counts over the field, tolerance and hidden depth included; dims (resample,)
    # factor of the relative sensitivities, and of metal hidden under the X-ray range
    tolerance: float
    depth: float
    fraction: float  # mass fraction of the element in the alloy, or what is allowed for an impurity
    named: bool  # true where the stated alloy names the element


def supply_of(
    levels: Levels,
    element: str,
    partners: tuple[str, ...],
    state: Conditions,
    *,
    stated: bool,
    diameter_um: float | None,
    k_factors: Mapping[str, float] | None = None,
) -> Supply | None:
    """Return the most that the alloy, as bought, could have supplied."""
    ours = state.lines.get(element)
    known = [p for p in partners if state.lines.get(p) is not None and state.alloy.get(p, 0.0) > 0]
    if not (stated and known and ours and state.beam_energy_keV and diameter_um):
        return None
    named = element in state.alloy
    fraction = state.alloy.get(element, IMPURITY)
    expected, tolerance, depth = 0.0, 1.0, 1.0
    for partner in known:
        theirs = state.lines[partner]
        assert theirs is not None
        try:
            k = relative_sensitivity(
                theirs.name, ours.name, state.beam_energy_keV, k_factors=k_factors
            )
        except InputError:
            return None
        expected += state.alloy[partner] * k.ratio
        tolerance = max(tolerance, k.tolerance)
        reach = anderson_hasler_um(state.beam_energy_keV, theirs.name, material=_percent(state))
        if reach > 0:
            depth = max(depth, min(MEAN_HEIGHT * diameter_um / reach, MOST_DEPTH))
    which = [levels.index(p) for p in known]
    seen = levels.n_metal * (levels.metal - levels.under)[:, which].sum(axis=1)
    haze = levels.n_bare * np.maximum((levels.bare - levels.base)[:, which].sum(axis=1), 0.0)
    most = np.maximum(np.nan_to_num(seen) * depth + haze, 0.0) * fraction / expected * tolerance
    return Supply(most, tolerance, depth, fraction, named)


def _percent(state: Conditions) -> dict[str, float]:
    return {element: 100.0 * part for element, part in state.alloy.items()}


@dataclass(frozen=True)
class ElementEvidence:
    """What is known of one element."""

    # symbol and role
    element: str
    role: str
    mean: float  # mean over the field, in the unit of the maps per pixel
    # smallest net mean that is found reliably (Currie 1968), per pixel of the field
    detection_limit: float
    z_metal: float  # excess on metal over the largest background there, in standard errors
    z_metal_best: float  # the same over the likely background
    # excess between the deposits over all that background, glass and haze of the alloy may
    # give, in standard errors
    z_rest: float
    z_rest_best: float  # the same over their likely level
    rest: Estimate  # share of the element that does not follow the alloy
    rest_most: float  # upper bound of that share where the background is at its least
    # shares
    in_droplets: Estimate
    with_alloy: Estimate
    # net level on metal and between the deposits, per pixel
    per_metal: float
    per_bare: float
    # net counts of the element per net count of the other alloy elements, on metal
    of_partner: float
    partners: tuple[str, ...]  # those other elements
    blank: bool  # true where a blank entered
    divided: bool = True  # true where the field holds both metal and bare area
    # true for the main element of the alloy, with which the others are compared
    is_matrix: bool = False
    # true for maps that sum to 100 (percent), whose correlations are biased by that
    closed: bool = False
    glass_former: bool = False  # true for elements that common glasses are made of
    # true where the blank shows more of it than its continuum can be, or the bare area does
    blank_is_glass: bool = False
    # what the bare area shows beyond any continuum, by what metal shows, in standard errors
    z_glass: float = 0.0
    # level between the deposits over the scaled blank (dimensionless)
    over_blank: float = float("nan")
    # true where the element lies in a pattern of its own over the bare area; None where that
    # cannot be told
    patterned: bool | None = None
    contrast: Estimate = UNKNOWN  # relative standard deviation of that pattern
    # how far the map varies over the bare area beyond its noise, in standard errors: brightness
    # that no even background gives
    z_varies: float = 0.0
    # counts outside over the most that the alloy could have supplied, with its tolerance
    supply_ratio: Estimate = UNKNOWN
    leak_from: tuple[str, ...] = ()  # elements whose lines may leak into this map
    explained_by_leak: bool = False  # true where those leaks could be all there is on metal
    # noise-corrected correlations
    r_alloy: Estimate = UNKNOWN
    r_substrate: Estimate = UNKNOWN
    # noise-corrected correlations with alloy and substrate from the scale that knows them
    # better: single pixels, or counts summed over squares
    together: Estimate = UNKNOWN
    along_glass: Estimate = UNKNOWN
    side_px: int = 1  # side of those squares (px); 1 where single pixels know them better
    # true where the alloy elements it is compared with are on the metal beyond what background
    # and leaking lines can give
    alloy_shown: bool = True
    # mean over the field less its likely background, to be held against that limit
    net: float = float("nan")
    line_named: bool = True  # true where somebody said which line the map was made from
    line_taken: str = ""  # the line it was taken for, "" where none is known
    # elements with a line in or beside its window, whose maps it follows closely
    follows: tuple[str, ...] = ()
    # alloy elements that may lie apart themselves and are therefore no yardstick
    set_aside: tuple[str, ...] = ()
    # correlation with the alloy without the few pixels that own the variance of one of the
    # maps; unknown where no pixels do, or where it agrees
    without_few: Estimate = UNKNOWN
    # true where regions were outlined that hold too little of the main element to be its metal
    outlined: bool = False
    # chance of so strong a co-location with the alloy between unrelated maps
    p_value: float = float("nan")
    notes: tuple[str, ...] = field(default_factory=tuple)  # sentences the reader must see


# Standard errors from which the other alloy elements are a yardstick at all.
YARDSTICK_Z = 3.0


def standard_errors(draws: Floats, least: float) -> float:
    """Return value over standard error of resampled values; row 0 is the value.

    `least` is the counting error, below which resampling few counts may fall by chance. NaN where
    the value is none, or its error is not known.
    """
    if not np.isfinite(draws[0]):
        # An infinite bound says that nothing can be shown; what is not a number says nothing.
        return float("nan") if np.isnan(draws[0]) else 0.0
    scatter = draws[1:][np.isfinite(draws[1:])]
    error = max(float(np.std(scatter)) if scatter.size else 0.0, least)
    if not error > 0:
        return 0.0 if draws[0] == 0 else float("nan")
    return float(draws[0] / error)


def estimate(
    draws: Floats, settings: Settings, n_blocks: int, *, inflation: float = 1.0
) -> Estimate:
    """Return the value of row 0 with the percentile interval of the rest.

    `inflation` is the factor by which variances between blocks are too small because features
    reach over their borders, see `spattermap.noise.correlation_length.Correlated.inflation`.
    """
    value = float(draws[0])
    rest = draws[1:]
    rest = rest[np.isfinite(rest)]  # a share of nothing is no number
    if not np.isfinite(value) or rest.size < len(draws) / 2:
        return UNKNOWN
    low, high = interval(rest, value, level=settings.level, n_blocks=n_blocks, inflation=inflation)
    return Estimate(value, low, high)


@dataclass(frozen=True)
class Split:
    """Deposited signal of one element, divided; dims (resample,)."""

    metal: Floats  # net counts on metal, all pixels
    outside: Floats  # net counts between the deposits
    rest: Floats  # of these, what does not follow the alloy
    total: Floats


def partners_of(element: str, roles: Roles, *, without: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Return the alloy elements an element is compared with: all but itself and those apart."""
    return tuple(e for e in roles.alloy if e != element and e not in without)


def split_signal(levels: Levels, element: str, partners: tuple[str, ...]) -> Split:
    """Divide the deposited signal of an element between droplets, haze of the alloy and rest."""
    e = levels.index(element)
    which = [levels.index(p) for p in partners]
    on_metal = levels.metal - levels.under
    between = levels.bare - levels.base
    metal = levels.n_metal * on_metal[:, e]
    outside = levels.n_bare * between[:, e]
    if which:
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = on_metal[:, e] / on_metal[:, which].sum(axis=1)
        haze = np.maximum(between[:, which].sum(axis=1), 0.0)
        rest = outside - levels.n_bare * np.maximum(np.nan_to_num(ratio, posinf=0.0), 0.0) * haze
    else:
        rest = outside
    return Split(metal, outside, rest, metal + outside)


def most_explained(
    levels: Levels,
    element: str,
    partners: tuple[str, ...],
    state: Conditions,
    *,
    fraction: float,
) -> tuple[Floats, Floats]:
    """Return the most and the least the bare area can show without the element lying apart.

    Returns dims (resample,).

    With a blank: its level and the haze of the alloy. Without one, what the partners show between
    the deposits is either continuum, which then stands under the element's line too, or haze of
    the alloy, which brings the element along: the larger of the two is the most.
    """
    e = levels.index(element)
    which = [levels.index(p) for p in partners]
    raised = raised_continuum(levels, element, partners, state, fraction=fraction)
    if not which:
        return levels.base_high[:, e] + raised, levels.base_low[:, e]
    mine = state.lines[element]
    yardstick = (levels.metal - levels.under)[:, which].sum(axis=1)
    if not np.isfinite(yardstick[0]) or yardstick[0] <= YARDSTICK_Z * np.nanstd(yardstick[1:]):
        # A yardstick of noise can explain anything: then nothing can be shown to lie apart.
        return np.full_like(raised, np.inf), levels.base_low[:, e]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (levels.metal - levels.under)[:, e] / yardstick
        # What the haze brings along includes its continuum, so little is taken off here.
        gross = (levels.metal - levels.under_low)[:, e] / yardstick
    ratio, gross = (np.clip(np.nan_to_num(v), 0.0, None) for v in (ratio, gross))
    matrix = max(matrix_tolerance(mine, state.lines[p], state) for p in partners)
    if levels.has_blank:
        haze = np.maximum((levels.bare - levels.base)[:, which].sum(axis=1), 0.0)
        high = levels.base_high[:, e] + raised + matrix * gross * haze
        return high, levels.base_low[:, e] + ratio / matrix * haze
    shown = levels.bare[:, which].sum(axis=1)
    weights = [continuum_weight(state.lines[p], state.beam_energy_keV) for p in partners]
    spread = max(continuum_tolerance(state.lines[x]) for x in (element, *partners))
    likeness = continuum_weight(mine, state.beam_energy_keV) / max(sum(weights), 1e-12)
    most = np.maximum(likeness * spread, ratio * matrix) * shown
    least = np.minimum(likeness / spread, ratio / matrix) * shown
    return most, least


def raised_continuum(
    levels: Levels, element: str, partners: tuple[str, ...], state: Conditions, *, fraction: float
) -> Floats:
    """Return the most by which films of other elements raise the continuum on the bare area.

    A film brings its own continuum, at most `fraction` of its line, into every window. The haze of
    the alloy is left out, because it is taken whole by the ratio found on metal, and so is the
    glass, whose hard lines stand out only because haze absorbs them less. Leaking lines of whatever
    lies there are added.
    """
    mine = continuum_weight(state.lines[element], state.beam_energy_keV)
    raised = np.zeros(len(levels.bare))
    for other in levels.elements:
        theirs = continuum_weight(state.lines[other], state.beam_energy_keV)
        skipped = other == element or other in partners or other in levels.glass
        if skipped or not theirs > 0 or not levels.has_blank:
            continue
        i = levels.index(other)
        film = np.maximum(levels.bare[:, i] - levels.base_high[:, i], 0.0)
        raised += fraction * np.nan_to_num(film) * mine / theirs
    for source, part in levels.leaks.get(element, {}).items():
        i = levels.index(source)
        film = np.maximum(levels.bare[:, i] - levels.base_low[:, i], 0.0)
        raised += part * np.nan_to_num(film)
    return raised

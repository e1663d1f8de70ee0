"""The numbers of one element, weighed from what was gathered.

How an element lies with others: noise-corrected correlations of pixels or of small squares.

Which part of an element lies in the droplets, and which follows the alloy, with intervals.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from spattermap.core.arrays import Floats
from spattermap.core.estimate import UNKNOWN, Estimate
from spattermap.core.mapset import GLASS_FORMERS, element_names
from spattermap.noise.counting import currie_limits
from spattermap.noise.few_pixels import FAR
from spattermap.verdict.correlation import noise_corrected_correlation
from spattermap.verdict.evidence import (
    ElementEvidence,
    Split,
    estimate,
    most_explained,
    partners_of,
    split_signal,
    standard_errors,
    supply_of,
)
from spattermap.verdict.gather import Context
from spattermap.verdict.nulls import spatial_null
from spattermap.verdict.patterns import own_pattern, variation_z
from spattermap.verdict.physics import continuum_tolerance, continuum_weight
from spattermap.verdict.rules import LEAST_CONTRAST, LEAST_CONTRAST_LOW, PRESENT_Z
from spattermap.verdict.signal_levels import Levels, over_continuum
from spattermap.xrays import lines_touch

if TYPE_CHECKING:
    from spattermap.core.settings import Settings
    from spattermap.noise.moments import BlockMoments


def with_alloy_elements(
    context: Context, element: str, partners: tuple[str, ...], substrate: tuple[str, ...]
) -> tuple[Estimate, float]:
    """Return the correlation with the alloy, or with the substrate's shadow where it is alone."""
    if partners:
        return with_group(context, element, partners), _p_value(context, element, partners)
    if context.roles.of(element) == "alloy" and substrate:
        r = with_group(context, element, substrate)
        return Estimate(-r.value, -r.high, -r.low), _p_value(context, element, substrate)
    return UNKNOWN, float("nan")


def in_squares(context: Context, element: str, group: tuple[str, ...]) -> Estimate:
    """Return the correlation of counts summed over squares."""
    if context.squares is None or not group:
        return UNKNOWN
    return _r(context.squares, element, group, context.settings)


def known_better(one: Estimate, other: Estimate) -> Estimate:
    """Return the correlation of squares where it is known twice as well as that of pixels."""
    return other if other.known and (not one.known or 2.0 * other.width < one.width) else one


def with_group(context: Context, element: str, group: tuple[str, ...]) -> Estimate:
    """Return the correlation of single pixels with the sum of a group."""
    if not group:
        return UNKNOWN
    return _r(context.moments, element, group, context.settings)


def _r(moments: BlockMoments, element: str, group: tuple[str, ...], settings: Settings) -> Estimate:
    found = noise_corrected_correlation(moments, element, group, settings=settings)
    r = found.r if np.isnan(found.r) else float(np.clip(found.r, -1.0, 1.0))
    return Estimate(r, found.r_low, found.r_high)


def _p_value(context: Context, element: str, group: tuple[str, ...]) -> float:
    """Return the p-value of the spatial null of an element against the sum of others."""
    pairs = []
    for maps in context.fields:
        names, counts = element_names(maps), maps["counts"].values
        both = np.empty((2, *counts.shape[1:]))
        both[0], both[1] = (counts[names.index(e)] for e in (element, group[0]))
        for other in group[1:]:
            both[1] += counts[names.index(other)]
        planes = {"counts": (("element", "y", "x"), both)}
        pair = xr.Dataset(planes, {"element": [element, group[0]]}, maps.attrs)
        pairs.append(pair.assign(valid=maps["valid"]) if "valid" in maps else pair)
    return float(spatial_null(pairs, element, group[0]).p_value)


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


# Lines that bring less than this of their own map's counts are not worth a sentence.
LEAST_LEAK = 0.01
# A leak of this part of what a map shows on metal is worth naming even if it is small by itself.
LEAST_LEAK_PART = 0.05
# Lower bound of the correlation from which a map is said to follow that of another element.
LEAST_FOLLOWED = 0.5


def evidence_of(context: Context, element: str, *, apart: tuple[str, ...] = ()) -> ElementEvidence:
    """Return the evidence of one element."""
    levels = context.levels
    e = levels.index(element)
    partners = partners_of(element, context.roles, without=apart)
    most, least = most_explained(
        levels,
        element,
        partners,
        context.state,
        fraction=context.settings.background_fraction,
    )
    split = split_signal(levels, element, partners)
    return ElementEvidence(
        element=element,
        role=context.roles.of(element),
        mean=float(context.sums.s[:, :, e].sum() / context.sums.n.sum()),
        detection_limit=_detection_limit(context, e),
        net=_net_mean(levels, e),
        partners=partners,
        divided=levels.has_metal,
        outlined=context.outlined and not levels.n_metal[0] > 0,
        is_matrix=element == context.matrix,
        per_metal=float(levels.metal[0, e] - levels.under[0, e]),
        per_bare=float(levels.bare[0, e] - levels.base[0, e]),
        of_partner=_of_partner(levels, e, partners),
        in_droplets=in_droplets(context, e),
        supply_ratio=_supply_ratio(context, element, partners, split.total),
        leak_from=_leak_from(levels, e),
        line_named=element not in context.state.unnamed,
        line_taken=context.state.windows.get(element, ""),
        follows=_follows(context, element),
        alloy_shown=_alloy_shown(context, partners),
        set_aside=tuple(x for x in apart if x != element),
        closed=bool(_notes(context)),
        notes=(*_notes(context), *_net_note(context), *_shadow_note(context)),
        **_excesses(context, e, most),
        **following(context, element, partners, split, bounds=(most, least)),
        **_glass(context, element),
        **_correlations(context, element, partners),
    )


def _leak_from(levels: Levels, e: int) -> tuple[str, ...]:
    """Return whose lines may leak into a map; at least the largest of them."""
    leaks = levels.leaks.get(levels.elements[e], {})
    worth = tuple(source for source, part in leaks.items() if part > LEAST_LEAK)
    if worth or not leaks:
        return worth
    brought = {s: part * levels.metal[0, levels.index(s)] for s, part in leaks.items()}
    largest = max(brought, key=lambda s: np.nan_to_num(brought[s]))
    return (largest,) if brought[largest] > LEAST_LEAK_PART * levels.metal[0, e] else ()


def _follows(context: Context, element: str) -> tuple[str, ...]:
    """Return elements with a line beside an element's window whose maps it follows closely."""
    named = dict(zip(*(map(str, context.maps[k].values) for k in ("element", "line")), strict=True))
    found: list[str] = []
    if context.roles.of(element) != "other":  # alloy elements are meant to follow each other
        return ()
    for other in context.levels.elements:
        if other == element or not lines_touch(element, named[element], other):
            continue
        if with_group(context, element, (other,)).low >= LEAST_FOLLOWED:
            found.append(other)
    return tuple(found)


def _excesses(context: Context, e: int, most: Floats) -> dict[str, Any]:
    """Return by how much an element exceeds its background on metal and between the deposits."""
    levels = context.levels
    error_metal, error_bare = _counting_errors(context, e)
    over_metal = levels.metal[:, e] - levels.under_high[:, e]
    z_metal = standard_errors(over_metal - levels.leak[:, e], error_metal)
    return {
        "z_metal": z_metal,
        "z_metal_best": standard_errors(levels.metal[:, e] - levels.under[:, e], error_metal),
        "z_rest": _over(levels.bare[:, e], most, error_bare),
        "z_rest_best": standard_errors(levels.bare[:, e] - levels.base[:, e], error_bare),
        "explained_by_leak": standard_errors(over_metal, error_metal) >= PRESENT_Z > z_metal,
    }


def _glass(context: Context, element: str) -> dict[str, Any]:
    """Return how an element compares with the bare substrate and its blank."""
    levels = context.levels
    e = levels.index(element)
    _, error_bare = _counting_errors(context, e)
    z_glass = standard_errors(over_continuum(levels, element, context.state), error_bare)
    patterned, contrast = _pattern(context, element)
    return {
        "blank": levels.has_blank,
        "glass_former": element in GLASS_FORMERS,
        "over_blank": _over_blank(levels, e),
        "z_glass": z_glass,
        "blank_is_glass": _blank_is_glass(context, e)
        or (levels.has_blank and z_glass >= PRESENT_Z),
        "patterned": patterned,
        "contrast": contrast,
        "z_varies": variation_z(context.bare, element),
    }


def _correlations(context: Context, element: str, partners: tuple[str, ...]) -> dict[str, Any]:
    """Return the correlations with alloy and substrate, and those of the better known scale."""
    substrate = tuple(x for x in context.roles.substrate if x != element)
    r_alloy, p_value = with_alloy_elements(context, element, partners, substrate)
    r_substrate = with_group(context, element, substrate)
    together = known_better(r_alloy, in_squares(context, element, partners))
    return {
        "r_alloy": r_alloy,
        "r_substrate": r_substrate,
        "together": together,
        "along_glass": known_better(r_substrate, in_squares(context, element, substrate)),
        "side_px": 1 if together is r_alloy else context.side_px,
        "without_few": _without_few(context, element, partners, r_alloy),
        "p_value": p_value,
    }


def _without_few(
    context: Context, element: str, partners: tuple[str, ...], r_alloy: Estimate
) -> Estimate:
    """Return the correlation without the few pixels that own a map, where it is another."""
    if context.few is None or not partners or not {element, *partners} & set(context.few[1]):
        return UNKNOWN
    without = _r(context.few[0], element, partners, context.settings)
    return without if r_alloy.disagrees(without, far=FAR) else UNKNOWN


def _over(level: Floats, most: Floats, counting: float) -> float:
    """Return by how many standard errors a level lies above the most that explains it.

    The error is that of "nothing lies apart": counting, and how well `most` is known. The patches
    of a film that does lie apart do not enter, else the more patchy the less it would show.
    """
    if not (np.isfinite(level[0]) and np.isfinite(most[0])):
        return float("nan") if np.isnan(level[0] + most[0]) else 0.0
    own = counting or float(np.nanstd(level[1:]))  # noise unknown: its scatter over blocks
    error = float(np.hypot(own, np.nanstd(most[1:])))
    return float((level[0] - most[0]) / error) if error > 0 else float("nan")


def _counting_errors(context: Context, e: int) -> tuple[float, float]:
    """Return the counting error of the level on metal and on the bare area, never zero."""
    n = context.sums.n.sum(axis=0)
    noise = context.sums.noise[:, :, e].sum(axis=0)
    if np.isnan(noise).any():
        return 0.0, 0.0
    metal, bare = n[2] + n[3], n[0]
    # One count more than seen keeps the error of an empty map from vanishing.
    on_metal = np.sqrt(noise[1] + noise[2] + noise[3] + 1.0) / max(metal, 1.0)
    on_bare = np.sqrt(noise[0] + 1.0) / max(bare, 1.0)
    return float(on_metal), float(on_bare)


def _detection_limit(context: Context, e: int) -> float:
    """Return Currie's detection limit as a mean per pixel of the field.

    ``L_D = k^2 + 2 k sqrt(B (1 + 1/m))`` with B the background expected over the field and m the
    size of the blank in fields; without a blank the background is taken as known (Currie 1968,
    Table I). By how much the background itself may be off is added.
    """
    levels = context.levels
    n = float(context.sums.n.sum())
    noise = context.sums.noise[:, :, e].sum()
    background = 0.0
    for level, pixels in ((levels.base, levels.n_bare), (levels.under, levels.n_metal)):
        if pixels[0] > 0 and np.isfinite(level[0, e]):
            background += float(level[0, e] * pixels[0])
    if np.isnan(noise):
        return float("nan")
    counts = float(context.sums.s[:, :, e].sum())
    gain = noise / counts if counts > 0 else 1.0  # variance per unit; 1 for counts
    repeats = 1.0
    if context.blank is not None:
        repeats = 1.0 + n * levels.dose / max(float(context.blank.n.sum()), 1.0)
    limit = float(currie_limits(max(background, 0.0) * gain * repeats, gain=gain).detection)
    # What is not known of the background cannot be detected over: it raises the limit.
    for low, high, pixels in (
        (levels.base, levels.base_high, levels.n_bare),
        (levels.under, levels.under_high, levels.n_metal),
    ):
        doubt = float((high[0, e] - low[0, e]) * pixels[0])
        if np.isfinite(doubt) and levels.elements[e] not in context.roles.substrate:
            limit += max(doubt, 0.0)
    return float(limit / n)


def _net_mean(levels: Levels, e: int) -> float:
    """Return the mean over the field less its likely background, per pixel."""
    bare = levels.n_bare[0] * (levels.bare - levels.base)[0, e]
    metal = levels.n_metal[0] * (levels.metal - levels.under)[0, e] if levels.n_metal[0] else 0.0
    return float((bare + metal) / (levels.n_bare[0] + levels.n_metal[0]))


def _notes(context: Context) -> tuple[str, ...]:
    quantities = {str(field.attrs.get("quantity", "counts")) for field in context.fields}
    if quantities & {"mass_percent", "atomic_percent"}:
        return (
            "Percent maps sum to 100, so one element pushes the others down: export raw counts.",
        )
    return ()


def _net_note(context: Context) -> tuple[str, ...]:
    """Return what is assumed of a background that was taken off in the spectrum."""
    if any(str(field.attrs.get("quantity")) == "net_counts" for field in context.fields):
        said = "The background was taken off in the spectrum; as much again is allowed for here."
        return (said,)
    return ()


def _shadow_note(context: Context) -> tuple[str, ...]:
    levels = context.levels
    if not (levels.shadowed and levels.has_metal):
        return ()
    part = 100 * levels.open_part
    said = (
        f"Only {part:.1f} % of the field is bare and clear of the metal's shadow, too little to "
        "scale the blank by: the background on metal is bounded as without one."
    )
    return (said,)


def _over_blank(levels: Levels, e: int) -> float:
    if not levels.has_blank or not levels.base[0, e] > 0:
        return float("nan")
    return float(levels.bare[0, e] / levels.base[0, e])


def _of_partner(levels: Levels, e: int, partners: tuple[str, ...]) -> float:
    net = (levels.metal - levels.under)[0]
    others = sum(float(net[levels.index(p)]) for p in partners)
    return float(net[e] / others) if others > 0 else float("nan")


def _alloy_shown(context: Context, partners: tuple[str, ...]) -> bool:
    """Say whether any of the alloy is on the metal beyond background and leaking lines."""
    levels = context.levels
    for partner in partners:
        e = levels.index(partner)
        surely = levels.metal[:, e] - levels.under_high[:, e] - levels.leak[:, e]
        if standard_errors(surely, _counting_errors(context, e)[0]) >= PRESENT_Z:
            return True
    return not partners


def _pattern(context: Context, element: str) -> tuple[bool | None, Estimate]:
    if context.bare is None or element in context.roles.substrate:
        return None, UNKNOWN
    if any(str(field.attrs.get("quantity", "")).endswith("_percent") for field in context.fields):
        # Closed maps sum to 100: where one element lies, every other shows a pattern of its own.
        return None, UNKNOWN
    found = own_pattern(
        context.bare, element, context.roles, borrowed=_borrowed(context, element),
        settings=context.settings,
    )  # fmt: skip
    if found is None:
        return None, UNKNOWN
    strong = found.contrast >= LEAST_CONTRAST and found.contrast_low >= LEAST_CONTRAST_LOW
    own = found.z >= PRESENT_Z and strong
    return own, Estimate(found.contrast, found.contrast_low, found.contrast_high)


def _borrowed(context: Context, element: str) -> dict[str, float]:
    """Return the most that each count of another element brings into an element's map."""
    state, fraction = context.state, context.settings.background_fraction
    mine = continuum_weight(state.lines[element], state.beam_energy_keV)
    leaks = context.levels.leaks.get(element, {})
    found = {}
    for other in context.levels.elements:
        theirs = continuum_weight(state.lines[other], state.beam_energy_keV)
        if other != element and theirs > 0:
            found[other] = fraction * min(mine / theirs, 1.0) + leaks.get(other, 0.0)
    return found


def _blank_is_glass(context: Context, e: int) -> bool:
    """Return True where the blank shows more of an element than its continuum can be."""
    if context.blank is None:
        return False
    counts, pixels = context.blank.s.sum(axis=(0, 1)), float(context.blank.n.sum())
    state = context.state
    names = context.levels.elements
    weight = [continuum_weight(state.lines[x], state.beam_energy_keV) for x in names]
    spread = [continuum_tolerance(state.lines[x]) for x in names]
    others = [
        (counts[i] + 2 * np.sqrt(counts[i]) + 3) / weight[i] * spread[i]
        for i in range(len(names))
        if i != e and weight[i] > 0
    ]
    if not others or not pixels:
        return False
    most = min(others) * weight[e] * spread[e]
    return bool(counts[e] - 3 * np.sqrt(counts[e] + 1) > most)


def _supply_ratio(
    context: Context, element: str, partners: tuple[str, ...], total: Floats
) -> Estimate:
    # What background, glass and leaks may be counts for nothing here.
    e = context.levels.index(element)
    levels = context.levels
    surely = np.maximum((levels.metal - levels.under_high - levels.leak)[:, e], 0.0)
    between = np.maximum((levels.bare - levels.base_high)[:, e], 0.0)
    least = levels.n_metal * np.nan_to_num(surely) + levels.n_bare * np.nan_to_num(between)
    total = np.minimum(total, least)
    found = supply_of(
        context.levels, element, partners, context.state,
        stated=context.stated, diameter_um=context.droplet_um, k_factors=context.settings.k_factors,
    )  # fmt: skip
    if found is None:
        return UNKNOWN
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(found.most > 0, total / found.most, np.nan)
    return estimate(ratio, context.settings, context.levels.n_blocks)

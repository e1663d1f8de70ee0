"""Counts per pixel of each element on metal and on bare substrate, with their bounds.

The bounds say what of them is not deposited metal: spectral background, glass, leaking lines.

Every array has dims (resample, element); row 0 is the estimate, the rest are block resamples.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.arrays import Floats
from spattermap.core.estimate import bootstrap_weights
from spattermap.verdict.physics import (
    Conditions,
    atomic_number_ratio,
    continuum_tolerance,
    continuum_weight,
    leak_bounds,
    least_continuum_rise,
)
from spattermap.verdict.zones import DROPLET, FAR, RIM, STREAK, ZoneSums, haze_part, under_haze

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings


# How well the blank, scaled by its substrate lines, predicts the bare area of the deposit. Haze
# absorbs soft lines more than hard ones and raises the continuum a little; common practice, no
# source; only an excess beyond it counts.
BLANK_TOLERANCE = 0.1
# Bare area far from metal, as a part of the field, below which its gaps are too narrow to scale a
# blank by: they lie in the shadow of the metal and the dose comes out too small.
LEAST_OPEN = 0.05
# How well the rise of the continuum on metal is known, see physics.atomic_number_ratio.
RISE_TOLERANCE = 1.4


@dataclass(frozen=True)
class Levels:
    """Levels in the unit of the maps per pixel."""

    elements: tuple[str, ...]  # the elements
    # mean far from metal, and blur-corrected mean on metal, background and all; dims (resample,
    # element)
    bare: Floats
    metal: Floats
    # pixels of bare area (rim included) and of metal; dims (resample,)
    n_bare: Floats
    n_metal: Floats
    # part of the metal's pixels that are droplets, not streaks; dims (resample,)
    in_droplets: Floats
    # part of the counts on metal that lies in droplets, not streaks; dims (resample, element)
    droplet_part: Floats
    # what the bare area would show without any deposit: best guess and bounds; dims (resample,
    # element)
    base: Floats
    base_low: Floats
    base_high: Floats
    # what the metal would show without any of the element in it; dims (resample, element)
    under: Floats
    under_low: Floats
    under_high: Floats
    # most that other elements' lines may bring into the map on metal; dims (resample, element)
    leak: Floats
    # largest leak into each map by source, see `physics.leak_bounds`
    leaks: dict[str, dict[str, float]]
    # part of the substrate's signal that still comes through on metal (0 to 1); NaN where no
    # substrate line was mapped
    visible: float
    dose: float  # dose of this map set over that of the blank; NaN without a blank
    n_blocks: int  # blocks resampled
    glass: tuple[str, ...] = ()  # elements of the substrate
    open_part: float = 1.0  # bare area far from metal as a part of the field

    @property
    def shadowed(self) -> bool:
        """True where the gaps are too narrow to scale a blank by."""
        return self.has_blank and self.open_part < LEAST_OPEN

    @property
    def has_blank(self) -> bool:
        """True where a blank was used."""
        return bool(np.isfinite(self.dose))

    @property
    def has_metal(self) -> bool:
        """True where both metal and bare area were found."""
        return bool(self.n_metal[0] > 0 and self.n_bare[0] > 0)

    def index(self, element: str) -> int:
        """Return the place of an element."""
        return self.elements.index(element)


def measure_levels(
    sums: ZoneSums,
    roles: Roles,
    state: Conditions,
    *,
    blank: ZoneSums | None,
    settings: Settings,
) -> Levels:
    """Return the levels of every element."""
    weights = bootstrap_weights(sums.n_blocks, settings.n_resamples, settings.seed)
    n, s = sums.resampled(weights)
    with np.errstate(divide="ignore", invalid="ignore"):
        bare = _filled(s[:, FAR] / n[:, FAR, None], n[:, FAR])
        footprint = s[:, DROPLET] + s[:, STREAK]
        n_metal = n[:, DROPLET] + n[:, STREAK]
        # Counts that the blur carried over the rim belong to the metal, and the rim's own level
        # to the bare area.
        metal = (footprint + s[:, RIM] - bare * n[:, RIM, None]) / n_metal[:, None]
        metal = _filled(metal, n_metal)
        in_droplets = _filled(n[:, DROPLET] / n_metal, n_metal)
        droplet_part = np.where(footprint > 0, s[:, DROPLET] / footprint, in_droplets[:, None])
    leaks = leak_bounds(state)
    open_part = float(n[0, FAR] / max(n[0].sum(), 1.0))
    noise = weights @ sums.noise[:, FAR]
    visible = _visible(bare, metal, sums.elements, roles, state)
    scaled, low, scaled_high, dose = _base(
        bare, n[:, FAR], noise, elements=sums.elements, roles=roles, state=state, blank=blank,
        settings=settings,
    )  # fmt: skip
    glass = np.array([e in roles.substrate for e in sums.elements])
    alloy = [i for i, e in enumerate(sums.elements) if e in roles.alloy]
    rise = atomic_number_rise(state, visible)
    base, high = scaled, scaled_high
    lit = (base, low, high)  # what bare glass without haze would show
    for _ in range(3):
        under, under_low, under_high = _under(
            lit, metal, visible, elements=sums.elements, roles=roles, state=state,
            settings=settings, known=blank is not None, shadowed=open_part < LEAST_OPEN,
        )  # fmt: skip
        if blank is None:
            break
        # The haze is judged over a base that rises under it, so a few rounds are needed.
        part = haze_part(bare - base, metal - under, alloy)
        shade, raised = (factor[:, None] for factor in under_haze(part, visible, rise))
        lit = (
            np.where(glass, scaled, scaled / shade),
            np.where(glass, low, low / shade),
            np.where(glass, scaled_high, scaled_high / shade),
        )
        base, high = (np.where(glass, v, v * raised) for v in (lit[0], lit[2]))
    return Levels(
        sums.elements, bare, metal, n[:, FAR] + n[:, RIM], n_metal, in_droplets, droplet_part,
        base, low, high, under, under_low, under_high, _leak(metal, sums.elements, leaks), leaks,
        visible, dose, sums.n_blocks, roles.substrate, open_part,
    )  # fmt: skip


def _filled(level: Floats, n_pixels: Floats) -> Floats:
    """Return levels with those of the whole field where a resample drew none of their pixels."""
    level[n_pixels == 0] = level[0]
    return level


def hard_substrate(elements: tuple[str, ...], roles: Roles, state: Conditions) -> list[int]:
    """Return the substrate lines that absorption disturbs least: the hard ones if there are any."""
    mapped = [i for i, e in enumerate(elements) if e in roles.substrate]
    lines = [state.lines.get(elements[i]) for i in mapped]
    hard = [i for i, line in zip(mapped, lines, strict=True) if line and line.energy_eV > 1000.0]
    return hard or mapped


def _visible(
    bare: Floats, metal: Floats, elements: tuple[str, ...], roles: Roles, state: Conditions
) -> float:
    which = hard_substrate(elements, roles, state)
    if not which or not np.isfinite(metal[0]).all():
        return float("nan")
    total = float(bare[0, which].sum())
    return float(np.clip(metal[0, which].sum() / total, 0.0, 1.0)) if total > 0 else float("nan")


def _base(
    bare: Floats,
    n_far: Floats,
    noise: Floats,
    *,
    elements: tuple[str, ...],
    roles: Roles,
    state: Conditions,
    blank: ZoneSums | None,
    settings: Settings,
) -> tuple[Floats, Floats, Floats, float]:
    """Return what the bare area shows without deposit, its bounds, and the dose ratio."""
    if blank is not None:
        weights = bootstrap_weights(blank.n_blocks, len(bare) - 1, settings.seed + 1)
        n, s = blank.resampled(weights)
        level = s.sum(axis=1) / n.sum(axis=1)[:, None]
        which = hard_substrate(elements, roles, state)
        if which and level[0, which].sum() > 0:
            dose = bare[:, which].sum(axis=1) / level[:, which].sum(axis=1)
        else:
            dose = np.ones(len(bare))
        base = dose[:, None] * level
        high = (1 + BLANK_TOLERANCE) * base
        # Haze absorbs the softer lines of the glass more than the harder ones: the brightest of
        # the *other* glass lines bounds what the glass can show under this one.
        lit = [i for i, e in enumerate(elements) if e in roles.substrate and level[0, i] > 0]
        ratio = bare[:, lit] / np.maximum(level[:, lit], 1e-12)
        for place, i in enumerate(lit):
            others = np.delete(ratio, place, axis=1)
            if others.shape[1]:
                brightest = np.maximum(others.max(axis=1), dose)
                high[:, i] = (1 + BLANK_TOLERANCE) * brightest * level[:, i]
        return base, (1 - BLANK_TOLERANCE) * base, high, float(dose[0])
    weight = np.array([continuum_weight(state.lines[e], state.beam_energy_keV) for e in elements])
    spread = np.array([continuum_tolerance(state.lines[e]) for e in elements])
    glass = np.array([e in roles.substrate for e in elements])
    # Few counts may be empty by chance, so bounds are taken at their upper limit. A net map may
    # average below nothing, where its scatter is that of the counts it was made from.
    known = np.where(np.isfinite(noise), noise, np.maximum(bare * n_far[:, None], 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        upper = bare + (1.645 * np.sqrt(known) + 2.71) / n_far[:, None]
    upper, floor = np.maximum(upper, 0.0), np.maximum(bare, 0.0)
    if not state.one_background:
        # Each map's background is its own, so no other map bounds it: all that the bare area
        # shows may be background, and nothing of it need be.
        base = np.where(glass, bare, 0.0)
        return base, base, np.where(glass, base, upper), float("nan")
    # The continuum cannot exceed the emptiest map: that bounds it under every other line.
    with np.errstate(divide="ignore", invalid="ignore"):
        # Without bare area there is no bound: fmin passes over what is not a number.
        likely = np.fmin.reduce(np.where(weight > 0, floor / weight, np.inf), axis=1)
        most = np.fmin.reduce(np.where(weight > 0, upper * spread / weight, np.inf), axis=1)
    likely, most = (np.where(np.isfinite(v), v, 0.0)[:, None] * weight for v in (likely, most))
    # Under metal the continuum may be what the bare area's few counts leave possible, not only
    # what they happen to show: a bare area without a single count bounds nothing at zero.
    likely, most = np.minimum(likely, floor), np.minimum(most * spread, upper)
    base = np.where(glass, bare, likely)
    return base, np.where(glass, base, 0.0), np.where(glass, base, most), float("nan")


def atomic_number_rise(state: Conditions, visible: float) -> float:
    """Return by what factor metal raises the continuum of the glass it lies on.

    Thick metal raises it in the ratio of the mean atomic numbers; thin metal, through which a part
    `visible` of the glass still shows, by the rest of that.
    """
    seen = visible if np.isfinite(visible) else 0.5
    return 1.0 + (max(atomic_number_ratio(state), 1.0) - 1.0) * (1.0 - seen)


def over_continuum(levels: Levels, element: str, state: Conditions) -> Floats:
    """Return what the bare area shows beyond any continuum, judged by what metal shows.

    Metal raises the continuum, so the bare area's is bounded by all that is seen on metal. What
    goes beyond is a line: of the substrate, or of something that lies between the deposits.

    Returns dims (resample,).
    """
    e = levels.index(element)
    rise = least_continuum_rise(
        state.lines[element], state, atomic_number_rise(state, levels.visible)
    )
    if not rise > 0:
        return np.full(len(levels.bare), -np.inf)
    return levels.bare[:, e] - RISE_TOLERANCE / rise * levels.metal[:, e]


def _under(
    base: tuple[Floats, Floats, Floats],
    metal: Floats,
    visible: float,
    *,
    elements: tuple[str, ...],
    roles: Roles,
    state: Conditions,
    settings: Settings,
    known: bool,
    shadowed: bool,
) -> tuple[Floats, Floats, Floats]:
    """Return what the metal shows of an element it does not hold: glass and continuum."""
    level, low, high = base
    seen = visible if np.isfinite(visible) else 0.5
    rise = atomic_number_rise(state, visible)
    glass = np.array([e in roles.substrate for e in elements])
    # The glass is covered, the continuum rises with the mean atomic number.
    under = np.where(glass, seen, rise) * level
    under_low = np.where(glass, 0.0, seen) * low
    under_high = np.where(glass, 1.0, RISE_TOLERANCE * rise) * high
    if known and not shadowed:
        return under, under_low, under_high
    stated = _fraction_bound(metal, elements, roles, state, fraction=settings.background_fraction)
    if known:  # the blank is scaled too low, so the stated bound holds where it is the larger
        under_high = np.where(glass, under_high, np.maximum(under_high, stated))
        return under, under_low, under_high
    under_high = np.where(glass, level, np.minimum(under_high, stated))
    under = np.minimum(under, under_high)
    return under, under_low, under_high


def _leak(metal: Floats, elements: tuple[str, ...], leaks: dict[str, dict[str, float]]) -> Floats:
    leak = np.zeros_like(metal)
    for into, sources in leaks.items():
        for source, part in sources.items():
            signal = np.maximum(metal[:, elements.index(source)], 0.0)
            leak[:, elements.index(into)] += part * np.nan_to_num(signal)
    return leak


def _fraction_bound(
    metal: Floats,
    elements: tuple[str, ...],
    roles: Roles,
    state: Conditions,
    *,
    fraction: float,
) -> Floats:
    """Return the stated largest background: a fraction of the strongest line on metal.

    It is stated for that line; under another it may be more, by the weight of the continuum there.
    """
    if not roles.alloy:
        return np.full(metal.shape, np.inf)
    # A film that is not the alloy raises the continuum as well.
    which = [i for i, e in enumerate(elements) if e not in roles.substrate]
    found = np.where(np.isfinite(metal), metal, 0.0)
    top = which[int(np.argmax(found[0, which]))]
    weight = np.array([continuum_weight(state.lines[e], state.beam_energy_keV) for e in elements])
    spread = np.array([continuum_tolerance(state.lines[e]) for e in elements])
    relative = np.maximum(weight / max(weight[top], 1e-12) * spread, 1.0)
    return np.asarray(fraction * np.maximum(found[:, top], 0.0)[:, None] * relative)

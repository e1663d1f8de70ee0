"""What X-ray physics bounds without a calibration: continuum, thin against thick, leaks.

Each function returns a factor *and* the factor by which it may be off; the verdict only uses the
unfavourable end. None of them is a correction that makes numbers quantitative.

Which of the pixels called metal hold the alloy, judged by its main element alone.

Segmentation joins every line, so a patch of one component that fell apart from the alloy may be
outlined as metal too. Seen from there nothing would lie outside. The main element of the alloy (the
matrix, the largest by mass) therefore decides which outlined metal is alloy; the rest is treated as
lying between the deposits. Where the two largest elements lie apart from each other, it is the
larger one that keeps the name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from spattermap.core.arrays import Labels
from spattermap.core.errors import InputError, atomic_number
from spattermap.core.mapset import valid_mask
from spattermap.core.squares import numbered
from spattermap.xrays import leaks, mapped_line, parse_line, resolution_fwhm_eV
from spattermap.xrays.atomic_data import mass_attenuation
from spattermap.xrays.lines import SOFT_LINE_EV, Line

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles

# Kramers' law and the unknown window: by how much the continuum under one line may differ from
# that predicted from another. Common practice, no source; wider for soft lines, where the
# detector window and the surface absorb.
CONTINUUM_TOLERANCE = 1.3
SOFT_CONTINUUM_TOLERANCE = 3.0
# Where no beam energy or line is known, nothing can be predicted better than to this factor.
UNKNOWN_TOLERANCE = 2.5
USUAL_KEV = 20.0  # common for such maps; common practice, no source
# Counting windows are rarely wider than this (FWHM); how the export chose them is unknown.
WIDEST_WINDOW_FWHM = 3.0
# Added to the computed difference between thin and thick metal.
MATRIX_MARGIN = 1.1
TAKE_OFF_SINE = 0.574  # 35 degrees, a common geometry; common practice, no source


@dataclass(frozen=True)
class Conditions:
    """Under what conditions the maps were taken, as far as stated."""

    # the line each map was made from; None where no line or beam energy is known
    lines: dict[str, Line | None]
    beam_energy_keV: float | None  # beam energy (keV)
    # mass fractions that sum to 1 (equal parts where only elements were stated)
    alloy: dict[str, float]
    substrate: dict[str, float]
    # true where one continuum stands under all maps, so that the emptiest bounds it for all
    one_background: bool = True
    unnamed: tuple[str, ...] = ()  # elements whose line nobody stated; the likeliest was taken
    # line of each map for the lines that leak into it: where the beam energy is not stated, as
    # at `USUAL_KEV`, so that knowing less never excludes a leak
    windows: dict[str, str] = field(default_factory=dict)


def conditions(
    lines: Mapping[str, str],
    beam_energy_keV: float | None,
    *,
    alloy: Mapping[str, float],
    substrate: Mapping[str, float],
    one_background: bool = True,
) -> Conditions:
    """Gather the conditions of a map set."""
    at = USUAL_KEV if beam_energy_keV is None else beam_energy_keV
    windows = {element: _window(element, name, at) for element, name in lines.items()}
    return Conditions(
        dict.fromkeys(lines) if beam_energy_keV is None else windows,
        beam_energy_keV, _fractions(alloy), _fractions(substrate),
        one_background=one_background, unnamed=tuple(e for e, name in lines.items() if not name),
        windows={e: line.name for e, line in windows.items() if line is not None},
    )  # fmt: skip


def _window(element: str, name: str, beam_energy_keV: float) -> Line | None:
    """Return the line that a map was made from; None for a name of a private kind."""
    for spelling in (name, f"{element} {name}"):  # "Cu Ka", or "Ka" alone
        try:
            return mapped_line(element, spelling, beam_energy_keV)
        except InputError:
            continue  # only bounds remain
    return None


def unknown_lines(maps: xr.Dataset) -> list[str]:
    """Return the elements whose line bears a name that is no line of theirs."""
    named = zip(maps["element"].values, maps["line"].values, strict=True)
    return [str(e) for e, line in named if str(line) and not _is_line(str(e), str(line))]


def _is_line(element: str, name: str) -> bool:
    for spelling in (name, f"{element} {name}"):
        try:
            if parse_line(spelling)[0] == element:
                return True
        except InputError:
            continue
    return False


def _fractions(parts: Mapping[str, float]) -> dict[str, float]:
    known = {e: p for e, p in parts.items() if math.isfinite(p) and p > 0}
    if not known:
        return {e: 1.0 / len(parts) for e in parts} if parts else {}
    total = sum(known.values())
    return {e: p / total for e, p in known.items()}


def continuum_weight(line: Line | None, beam_energy_keV: float | None) -> float:
    """Return the continuum in the window of a line, in one arbitrary unit for all lines.

    ``(E0 - E) / E`` times the width of the window, which follows the resolution.

    Kramers, Phil. Mag. 46 (1923) 836.
    """
    if line is None or beam_energy_keV is None:
        return 1.0
    energy = line.energy_eV
    return max(1e3 * beam_energy_keV - energy, 0.0) / energy * resolution_fwhm_eV(energy)


def continuum_tolerance(line: Line | None) -> float:
    """Return the factor to which `continuum_weight` is known."""
    if line is None:
        return UNKNOWN_TOLERANCE
    return SOFT_CONTINUUM_TOLERANCE if line.energy_eV < SOFT_LINE_EV else CONTINUUM_TOLERANCE


def atomic_number_ratio(state: Conditions) -> float:
    """Return the mean atomic number of the alloy over that of the substrate.

    The continuum of a thick target rises in this ratio (Kramers 1923). Where a composition is
    unknown, the ratio of a heavy alloy on silica is assumed so that a bound stays a bound.
    """
    if not state.alloy or not state.substrate:
        return 4.0
    alloy = sum(part * atomic_number(e) for e, part in state.alloy.items())
    glass = sum(part * atomic_number(e) for e, part in state.substrate.items())
    return alloy / glass


def thin_to_thick(line: Line | None, state: Conditions) -> float:
    """Return counts per mass in a thin film over those in thick metal, in an arbitrary unit.

    A thick target gives its counts from a mass depth ``s ~ E0^1.68 - Ec^1.68`` (Anderson &
    Hasler 1966), absorbed at a mean depth of about ``0.31 s`` on the way to the detector
    (Gaussian depth distribution). Only ratios between lines are used.
    """
    if line is None or state.beam_energy_keV is None or not state.alloy:
        return 1.0
    return absorbed_part(line, state, state.alloy) / _mass_depth(line, state)


def _mass_depth(line: Line, state: Conditions) -> float:
    """Return the mass depth a line comes from (um g/cm3), Anderson & Hasler (1966)."""
    assert state.beam_energy_keV is not None
    return float(0.064 * max(state.beam_energy_keV**1.68 - (line.edge_eV / 1e3) ** 1.68, 1e-6))


def absorbed_part(line: Line, state: Conditions, matrix: Mapping[str, float]) -> float:
    """Return by what factor a thick matrix weakens a line on its way out."""
    attenuation = sum(part * _mass_attenuation(e, line.energy_eV) for e, part in matrix.items())
    return float(1.0 + attenuation * 1e-4 * 0.31 * _mass_depth(line, state) / TAKE_OFF_SINE)


def least_continuum_rise(line: Line | None, state: Conditions, rise: float) -> float:
    """Return the least by which metal changes the continuum in the window of a line.

    The alloy makes more continuum, and absorbs more of the soft part of it: both as from thick
    targets, see `thin_to_thick`. `SOFT_CONTINUUM_TOLERANCE` is taken off for soft lines.
    """
    if line is None or state.beam_energy_keV is None or not (state.alloy and state.substrate):
        return 0.0
    metal, glass = (absorbed_part(line, state, parts) for parts in (state.alloy, state.substrate))
    soft = SOFT_CONTINUUM_TOLERANCE if line.energy_eV < SOFT_LINE_EV else 1.0
    return rise * glass / metal / soft


@lru_cache(maxsize=1024)
def _mass_attenuation(element: str, energy_eV: float) -> float:
    """Return the mass attenuation coefficient (cm2/g)."""
    return mass_attenuation(element, energy_eV)


def matrix_tolerance(one: Line | None, other: Line | None, state: Conditions) -> float:
    """Return by what factor the ratio of two lines may differ between haze and droplets."""
    if one is None or other is None or state.beam_energy_keV is None:
        return UNKNOWN_TOLERANCE
    ratio = thin_to_thick(one, state) / thin_to_thick(other, state)
    return MATRIX_MARGIN * max(ratio, 1.0 / ratio)


def leak_bounds(state: Conditions) -> dict[str, dict[str, float]]:
    """Return the largest leak into each map from each other mapped element."""
    known, at = state.windows, state.beam_energy_keV
    if at is None:
        at = USUAL_KEV
    elif not known:
        known = {e: one.name for e, one in state.lines.items() if one is not None}
    if len(known) < 2:
        return {}
    bounds: dict[str, dict[str, float]] = {}
    for width in (1.2, WIDEST_WINDOW_FWHM):
        table = leaks(known, at, window_fwhm=width, least=0.002)
        for (into, source), group in table.groupby(["into", "source"]):
            leak = float(group["leak"].sum()) * (2.0 if width < 2 else 1.0)
            row = bounds.setdefault(str(into), {})
            row[str(source)] = max(row.get(str(source), 0.0), leak)
    return bounds


# Counts of the matrix expected in a piece of metal that is judged by itself.
COUNTS_PER_PIECE = 16.0
SMALLEST_PIECE_PX, LARGEST_PIECE_PX = 5, 48
# Natural-log odds against the matrix from which a piece is taken to be without it (20 to 1).
LEAST_ODDS = 3.0
_ROUNDS = 4


def matrix_element(roles: Roles, alloy: Mapping[str, float], counts: Mapping[str, float]) -> str:
    """Return the main element of the alloy: most mass, or most counts where no mass is stated."""
    stated = {e: alloy.get(e, 0.0) for e in roles.alloy}
    if len(set(stated.values())) > 1:
        return max(stated, key=lambda e: stated[e])
    return max(roles.alloy, key=lambda e: counts.get(e, 0.0))


def alloy_labels(maps: xr.Dataset, labels: Labels, matrix: str) -> Labels:
    """Return the labels with metal that holds no matrix element set to 0.

    Dims: `labels` (y, x); returns (y, x).

    Each label is cut into pieces that should hold `COUNTS_PER_PIECE` counts; a piece whose counts
    are more likely at the bare level (Poisson likelihood ratio) is taken out. Thin edges that are
    taken out with it do no harm: next to metal they count as its rim.
    """
    metal = (labels > 0) & valid_mask(maps)
    bare = (labels == 0) & valid_mask(maps)
    plane = np.asarray(maps["counts"].sel(element=matrix).values, dtype=np.float64)
    if not metal.any() or not bare.any():
        return labels
    on_metal, on_bare = float(plane[metal].mean()), float(plane[bare].mean())
    if not on_metal > on_bare:
        return labels
    side = int(np.clip(np.sqrt(COUNTS_PER_PIECE / on_metal), SMALLEST_PIECE_PX, LARGEST_PIECE_PX))
    y, x = np.nonzero(metal)
    columns = -(-labels.shape[1] // side)
    cell = (y // side) * columns + x // side
    key = labels[metal].astype(np.int64) * (cell.max() + 1) + cell
    _, piece = numbered(key)
    of_bare, n_bare = plane[bare].sum(), bare.sum()
    n, k = np.bincount(piece), np.bincount(piece, plane[metal])
    out = np.zeros(n.size, dtype=bool)
    for _ in range(_ROUNDS):
        level = max(k[~out].sum() / max(n[~out].sum(), 1), on_bare)
        # The bare level is at least one count over the bare area, so that the ratio is finite.
        base = max((of_bare + k[out].sum() + 1) / (n_bare + n[out].sum()), 1e-9)
        if not level > base:
            return labels
        odds = k * np.log(level / base) - n * (level - base)
        new = odds < -LEAST_ODDS
        if (new == out).all():
            break
        out = new
    cleaned = labels.copy()
    cleaned[y[out[piece]], x[out[piece]]] = 0
    return cleaned

"""X-ray counts of metal on a substrate: the layer model, on the way to a detector.

What film and substrate give against thickness is `spattermap.xrays.layers`. Added here: yields and
line fractions of xraydb (Elam, Ravel & Sieber, Radiat. Phys. Chem. 63 (2002) 121), a detector's
window and crystal, its resolution for the continuum under a line. Left out: fluorescence by other
lines, the change of sensitivity between K, L and M shells beyond the yields.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from spattermap.core.arrays import Floats
from spattermap.core.errors import InputError, atomic_number
from spattermap.xrays import atomic_data, resolution_fwhm_eV
from spattermap.xrays.layers import layer_model

# Thickness grid of the tables (um): fine where films are thin, far beyond any range at the end.
THICKNESS_UM = np.concatenate([np.linspace(0.0, 1.0, 401), np.linspace(1.05, 12.0, 220)])
_SHELLS = (("K", "Ka"), ("L3", "La"), ("M5", "Ma"))


@dataclass(frozen=True)
class LineModel:
    """Counts of one line against the thickness of metal, for unit mass fraction and unit dose."""

    name: str  # for example "Cu Ka"
    energy_keV: float
    # (thickness,): detected counts of the element in a layer of the metal, and in the substrate
    # under it
    in_metal: Floats
    in_substrate: Floats
    # (thickness,): continuum in the line's window from both, for unit strength
    continuum: Floats

    def times(self, sensitivity: float, continuum: float) -> LineModel:
        """Return the response with the line and the continuum in its window scaled."""
        return replace(self, in_metal=sensitivity * self.in_metal,
                       in_substrate=sensitivity * self.in_substrate,
                       continuum=continuum * self.continuum)  # fmt: skip


@lru_cache(maxsize=256)
def _line_facts(element: str, line: str, beam_keV: float) -> tuple[str, float]:
    """Return the line's name, and yield times line fraction."""
    for edge, family in _SHELLS:
        name = f"{element} {family}"
        if line and line != name:
            continue
        known = atomic_data.edges(element)
        if edge not in known:
            continue
        edge_keV = known[edge].energy / 1000.0
        # An overvoltage of 1.4 is about where a line becomes worth mapping (common practice).
        if not line and (beam_keV / edge_keV < 1.4):
            continue
        if beam_keV <= edge_keV:
            break
        return name, known[edge].fyield * atomic_data.family_yield(element, edge, family)[1]
    raise InputError(
        f"lines: {element} must have a line that {beam_keV:g} keV excites, got "
        f"{line or 'none of Ka, La, Ma'!r}. Raise beam_energy_keV or choose another line."
    )


def fractions(composition: Mapping[str, float]) -> dict[str, float]:
    """Return mass fractions that sum to one."""
    total = sum(composition.values())
    return {element: part / total for element, part in composition.items()}


def backscatter_coefficient(composition: Mapping[str, float]) -> float:
    """Return the share of electrons scattered back (Reuter 1972, mass-weighted; from memory)."""

    def pure(z: int) -> float:
        return -0.0254 + 0.016 * z - 1.86e-4 * z**2 + 8.3e-7 * z**3

    return sum(part * pure(atomic_number(e)) for e, part in fractions(composition).items())


def _detector(energy_eV: float) -> float:
    """Return the efficiency of a 0.3 um polymer window before 0.5 mm of silicon."""
    window = np.exp(-atomic_data.mass_attenuation("C", energy_eV) * 1.4 * 0.3e-4)
    return float(window * -np.expm1(-atomic_data.mass_attenuation("Si", energy_eV) * 2.33 * 0.05))


def line_model(
    element: str,
    *,
    line: str,
    alloy: Mapping[str, float],
    substrate: Mapping[str, float],
    beam_keV: float,
    takeoff_deg: float,
) -> LineModel:
    """Return the response of one line to metal on a substrate."""
    name, strength = _line_facts(element, line, beam_keV)
    model = layer_model(
        {element: name}, alloy, substrate, beam_energy_keV=beam_keV, take_off_deg=takeoff_deg
    )
    table = model.lines[element]
    energy = table.line.energy_eV
    film, glass, continuum = (
        np.interp(1e3 * THICKNESS_UM, model.thickness_nm, part)
        for part in (table.film, table.substrate, table.continuum)
    )
    bulk = table.bulk * strength * _detector(energy)
    window = table.bare_continuum * resolution_fwhm_eV(energy) * _detector(energy)
    return LineModel(
        name=name,
        energy_keV=energy / 1e3,
        in_metal=bulk * film,
        in_substrate=bulk / table.film_per_substrate * glass,
        continuum=window * continuum,
    )

"""X-ray counts of a layer on a substrate, simplified but with the right trends.

Depth distribution of ionisation: a Gaussian that starts at the surface (Packwood & Brown, X-Ray
Spectrom. 10 (1981) 138, without the surface correction), holding 99 % of its area within the
X-ray range of Anderson & Hasler (1966), ``rho R = 0.064 (E0^1.68 - Ec^1.68)`` with the energy of
the *edge*. Mass thickness makes it nearly independent of the material. Absorption on the way out
with the total mass attenuation of xraydb (Elam, Ravel & Sieber, Radiat. Phys. Chem. 63 (2002)
121), fluorescence yields and line fractions from there too. Generated intensity rises as
``(U - 1)^1.67`` (Green & Cosslett 1961, from memory), the continuum as ``Z (E0 - E) / E``
(Kramers 1923), each window as wide as the detector's resolution. Left out: backscatter loss,
fluorescence by other lines, the change of sensitivity between K and L shells beyond the yields.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.errors import InputError, atomic_number
from spattermap.xrays import atomic_data

if TYPE_CHECKING:
    import numpy.typing as npt

# Thickness grid of the tables (um): fine where films are thin, far beyond any range at the end.
THICKNESS_UM = np.concatenate([np.linspace(0.0, 1.0, 401), np.linspace(1.05, 12.0, 220)])
_NINETY_NINE = 1.8213863677184496  # erf of this is 0.99
_SHELLS = (("K", "Ka"), ("L3", "La"), ("M5", "Ma"))


@dataclass(frozen=True)
class LineModel:
    """Counts of one line against the thickness of metal, for unit mass fraction and unit dose.

    Parameters
    ----------
    name : str
        For example "Cu Ka".
    energy_keV : float
        Energy of the line.
    in_metal, in_substrate : numpy.ndarray, dims (thickness,)
        Detected counts of the element in a layer of the metal, and in the substrate under it.
    background_metal, background_substrate : numpy.ndarray, dims (thickness,)
        Continuum in the line's window from either, for unit strength.
    """

    name: str
    energy_keV: float
    in_metal: npt.NDArray[np.float64]
    in_substrate: npt.NDArray[np.float64]
    background_metal: npt.NDArray[np.float64]
    background_substrate: npt.NDArray[np.float64]


@lru_cache(maxsize=256)
def _line_facts(element: str, line: str, beam_keV: float) -> tuple[str, float, float, float]:
    """Return the line's name, its energy and its edge (keV), and yield times line fraction."""
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
        energy_eV, part = atomic_data.family_yield(element, edge, family)
        return name, energy_eV / 1000.0, edge_keV, known[edge].fyield * part
    raise InputError(
        f"lines: {element} must have a line that {beam_keV:g} keV excites, got "
        f"{line or 'none of Ka, La, Ma'!r}. Raise beam_energy_keV or choose another line."
    )


@lru_cache(maxsize=1024)
def _mass_attenuation(element: str, energy_keV: float) -> float:
    """Return the total mass attenuation coefficient (cm2/g)."""
    return atomic_data.mass_attenuation(element, energy_keV * 1000.0)


def fractions(composition: Mapping[str, float]) -> dict[str, float]:
    """Return mass fractions that sum to one."""
    total = sum(composition.values())
    return {element: part / total for element, part in composition.items()}


def density(composition: Mapping[str, float]) -> float:
    """Return the density of an ideal mixture of the elements (g/cm3)."""
    parts = fractions(composition)
    return 1.0 / sum(part / atomic_data.atomic_density(e) for e, part in parts.items())


def mean_atomic_number(composition: Mapping[str, float]) -> float:
    """Return the mass-weighted mean atomic number."""
    return sum(part * atomic_number(e) for e, part in fractions(composition).items())


def backscatter_coefficient(composition: Mapping[str, float]) -> float:
    """Return the share of electrons scattered back (Reuter 1972, mass-weighted; from memory)."""

    def pure(z: int) -> float:
        return -0.0254 + 0.016 * z - 1.86e-4 * z**2 + 8.3e-7 * z**3

    return sum(part * pure(atomic_number(e)) for e, part in fractions(composition).items())


def _detector(energy_keV: float) -> float:
    """Return the efficiency of a 0.3 um polymer window before 0.5 mm of silicon."""
    window = np.exp(-_mass_attenuation("C", energy_keV) * 1.4 * 0.3e-4)
    return float(window * -np.expm1(-_mass_attenuation("Si", energy_keV) * 2.33 * 0.05))


def line_model(
    element: str,
    *,
    line: str,
    alloy: Mapping[str, float],
    substrate: Mapping[str, float],
    beam_keV: float,
    takeoff_deg: float,
) -> LineModel:
    """Return the response of one line to metal on a substrate.

    With ``x = rho t / sigma`` and ``a = mu sigma / 2`` (mu divided by the sine of the take-off
    angle), the layer gives ``erfcx(a) - exp(-x^2 - 2 a x) erfcx(x + a)`` and the substrate
    ``exp(-mu_metal rho t - x^2) erfcx(x + a)``: the integrals of the Gaussian times absorption.
    """
    from scipy.special import erfcx

    name, energy, edge, strength = _line_facts(element, line, beam_keV)
    # Unit of mass thickness here: um g/cm3 = 1e-4 g/cm2.
    sigma = 0.064 * (beam_keV**1.68 - edge**1.68) / _NINETY_NINE
    slant = 1e-4 / np.sin(np.radians(takeoff_deg))
    mu_metal, mu_glass = (
        slant * sum(w * _mass_attenuation(e, energy) for e, w in fractions(material).items())
        for material in (alloy, substrate)
    )
    depth = density(alloy) * THICKNESS_UM
    x, a_metal, a_glass = depth / sigma, mu_metal * sigma / 2, mu_glass * sigma / 2
    layer = erfcx(a_metal) - np.exp(-(x**2) - 2 * a_metal * x) * erfcx(x + a_metal)
    under = np.exp(-mu_metal * depth - x**2) * erfcx(x + a_glass)
    overvoltage = (beam_keV / edge - 1.0) ** 1.67
    sensitivity = strength * overvoltage * _detector(energy) / atomic_data.atomic_mass(element)
    # Fiori & Newbury (1978): resolution of the window, 129 eV at Mn Ka.
    width = np.sqrt(2.5e-3 * (energy - 5.895) + 0.129**2)
    continuum = width * (beam_keV - energy) / energy * _detector(energy)
    return LineModel(
        name=name,
        energy_keV=energy,
        in_metal=sensitivity * layer,
        in_substrate=sensitivity * under,
        background_metal=continuum * mean_atomic_number(alloy) * layer,
        background_substrate=continuum * mean_atomic_number(substrate) * under,
    )

"""From a measured sheet resistance to a resistivity, and what to hold it against.

A thickness for the sheet, from the metal's own signal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from spattermap.core.errors import element_symbol, positive

# Electrical resistivity of pure metals near 20 degrees C (ohm m). Read from the periodic table of
# pymatgen-core 2026.10.16 (MIT licence); the figures for Ag, Al, Au and Cu are those of the CRC
# Handbook of Chemistry and Physics (from memory).
PURE_METAL_RESISTIVITY_OHM_M: dict[str, float] = {
    "Mg": 4.39e-8,
    "Al": 2.65e-8,
    "Ti": 4.2e-7,
    "V": 1.97e-7,
    "Cr": 1.25e-7,
    "Mn": 1.44e-6,
    "Fe": 9.61e-8,
    "Co": 6.24e-8,
    "Ni": 6.93e-8,
    "Cu": 1.678e-8,
    "Zn": 5.9e-8,
    "Zr": 4.21e-7,
    "Nb": 1.52e-7,
    "Mo": 5.34e-8,
    "Ru": 7.1e-8,
    "Rh": 4.33e-8,
    "Pd": 1.054e-7,
    "Ag": 1.587e-8,
    "Cd": 7.27e-8,
    "In": 8.37e-8,
    "Sn": 1.1e-7,
    "Sb": 4.17e-7,
    "Hf": 3.31e-7,
    "Ta": 1.31e-7,
    "W": 5.28e-8,
    "Re": 1.93e-7,
    "Os": 8.12e-8,
    "Ir": 4.71e-8,
    "Pt": 1.05e-7,
    "Au": 2.214e-8,
    "Pb": 2.08e-7,
    "Bi": 1.29e-6,
}

SUSPECTS = (
    "oxide between or on the grains",
    "gaps and constrictions finer than a pixel",
    "a thickness that is less than stated or uneven",
    "alloying and impurities, which raise the resistivity of any pure metal",
    "scattering at surfaces and grain boundaries in films thinner than about 100 nm",
)


@dataclass(frozen=True)
class ImpliedResistivity:
    """What a measured sheet resistance says of the metal, once the map's gaps are allowed for.

    Parameters
    ----------
    resistivity_ohm_m : float
        Resistivity of the metal itself (ohm m); NaN without a thickness.
    times_bulk : float
        That over the handbook value of `reference`; NaN where either is unknown.
    bulk_thickness_nm : float
        Thickness (nm) of pure bulk metal that would show the measured resistance on this map; NaN
        without a reference.
    reference : str
        Element compared with; "" where none is known.
    reference_ohm_m : float
        Its handbook resistivity (ohm m); NaN where none is known.
    """

    resistivity_ohm_m: float
    times_bulk: float
    bulk_thickness_nm: float
    reference: str
    reference_ohm_m: float


def implied_resistivity(
    sheet_resistance: float,
    *,
    ratio: float,
    thickness_nm: float | None = None,
    alloy: Mapping[str, float] | None = None,
) -> ImpliedResistivity:
    """Return the metal's resistivity from a measured sheet resistance and the map.

    Parameters
    ----------
    sheet_resistance : float
        Measured sheet resistance of the deposit (ohm per square).
    ratio : float
        Sheet conductance of the map relative to a full film (0 to 1), in the direction measured.
    thickness_nm : float, optional
        Mean thickness of the metal where there is metal (nm).
    alloy : mapping of str to float, optional
        Mass percent by element; the largest part with a handbook value is compared with.

    Returns
    -------
    ImpliedResistivity

    Raises
    ------
    InputError
        If a value is not positive. A map that does not conduct (`ratio` 0) implies no resistivity:
        ask `describe`, which says so in words.

    Notes
    -----
    The deposit's sheet conductance is ratio * thickness / resistivity, so that
    resistivity = sheet resistance * ratio * thickness.

    Examples
    --------
    >>> found = implied_resistivity(0.3356, ratio=0.5, thickness_nm=100, alloy={"Cu": 100})
    >>> round(found.times_bulk, 9)
    1.0
    """
    ohm = positive(sheet_resistance, "sheet_resistance", unit="ohm per square")
    part = positive(ratio, "ratio")
    element, bulk = _reference(alloy or {})
    value = float("nan")
    if thickness_nm is not None:
        value = ohm * part * positive(thickness_nm, "thickness_nm", unit="nm") * 1e-9
    return ImpliedResistivity(
        resistivity_ohm_m=value,
        times_bulk=value / bulk,
        bulk_thickness_nm=bulk / (ohm * part) * 1e9,
        reference=element,
        reference_ohm_m=bulk,
    )


def _reference(alloy: Mapping[str, float]) -> tuple[str, float]:
    """Return the main element with a handbook value, and that value."""
    known = {
        element_symbol(element, "alloy"): (0.0 if math.isnan(part) else part)
        for element, part in alloy.items()
        if element_symbol(element, "alloy") in PURE_METAL_RESISTIVITY_OHM_M
    }
    if not known:
        return "", float("nan")
    main = max(known, key=lambda element: known[element])
    return main, PURE_METAL_RESISTIVITY_OHM_M[main]


# Relative counting noise left on the smoothed thickness where the smoothing is ours to choose: a
# noise of e lowers the conductance of a sheet by about e**2 / 2 (second-order perturbation of a
# two-dimensional sheet; common practice), here one in eight hundred.
_LEFT_NOISE = 0.05

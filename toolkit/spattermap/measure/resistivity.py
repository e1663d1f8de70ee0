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


# Common alloys near 20 degrees C: name, mass percent, resistivity (ohm m). From memory of makers'
# data sheets and the CRC Handbook; 80/20 nickel-chromium as in the data sheet of the tests.
ALLOY_RESISTIVITY_OHM_M: tuple[tuple[str, dict[str, float], float], ...] = (
    ("nichrome 80/20", {"Ni": 80.0, "Cr": 20.0}, 1.08e-6),
    ("nichrome 60/15", {"Ni": 60.0, "Cr": 15.0, "Fe": 25.0}, 1.11e-6),
    ("brass 70/30", {"Cu": 70.0, "Zn": 30.0}, 6.2e-8),
    ("brass 63/37", {"Cu": 63.0, "Zn": 37.0}, 6.6e-8),
    ("tin bronze 92/8", {"Cu": 92.0, "Sn": 8.0}, 1.3e-7),
    ("constantan", {"Cu": 55.0, "Ni": 45.0}, 4.9e-7),
    ("cupronickel 90/10", {"Cu": 90.0, "Ni": 10.0}, 1.9e-7),
    ("cupronickel 70/30", {"Cu": 70.0, "Ni": 30.0}, 3.4e-7),
    ("nickel silver", {"Cu": 62.0, "Ni": 18.0, "Zn": 20.0}, 2.9e-7),
    ("manganin", {"Cu": 84.0, "Mn": 12.0, "Ni": 4.0}, 4.8e-7),
    ("stainless steel 18/10", {"Fe": 71.0, "Cr": 18.5, "Ni": 9.0}, 7.2e-7),
    ("iron-chromium-aluminium", {"Fe": 72.0, "Cr": 22.0, "Al": 6.0}, 1.4e-6),
    ("titanium 6-4", {"Ti": 90.0, "Al": 6.0, "V": 4.0}, 1.7e-6),
    ("sterling silver", {"Ag": 92.5, "Cu": 7.5}, 1.9e-8),
)
_ALIKE = 4.0  # mass percent by which each part may differ from that of a named alloy
_PURE = 99.0  # mass percent from which on a metal counts as pure
# Key of the sidecar's table [measured] that states the resistivity of the alloy itself.
STATED_BULK = "bulk_resistivity_ohm_m"


@dataclass(frozen=True)
class ImpliedResistivity:
    """What a measured sheet resistance says of the metal, once the map's gaps are allowed for."""

    resistivity_ohm_m: float  # resistivity of the metal itself (ohm m); NaN without a thickness
    times_bulk: float  # that over the bulk value of `reference`; NaN where either is unknown
    # thickness (nm) of bulk metal that would show the measured resistance on this map; NaN without
    # a reference
    bulk_thickness_nm: float
    reference: str  # metal or alloy compared with; "" where none is known
    reference_ohm_m: float  # its bulk resistivity (ohm m); NaN where none is known
    # bounds of `times_bulk` from those of the thickness; NaN where there are none
    times_bulk_low: float = math.nan
    times_bulk_high: float = math.nan
    thickness_from: str = ""  # "stated", "maps" or ""
    # whether the maps show oxygen in the metal beyond that of the glass: "shown", "none shown", or
    # "" where not told
    oxide: str = ""

    @property
    def thickness_nm(self) -> float:
        """Thickness that the resistivity was found with (nm); NaN without one."""
        return self.times_bulk * self.bulk_thickness_nm


def implied_resistivity(
    sheet_resistance: float,
    *,
    ratio: float,
    thickness_nm: float | None = None,
    bounds_nm: tuple[float, float] | None = None,
    alloy: Mapping[str, float] | None = None,
    bulk_ohm_m: float | None = None,
) -> ImpliedResistivity:
    """Return the metal's resistivity from a measured sheet resistance and the map.

    The deposit's sheet conductance is ratio * thickness / resistivity, so that
    resistivity = sheet resistance * ratio * thickness.
    """
    ohm = positive(sheet_resistance, "sheet_resistance", unit="ohm per square")
    part = positive(ratio, "ratio")
    name, bulk = _reference(alloy or {})
    if bulk_ohm_m is not None:
        name, bulk = "the stated alloy", positive(bulk_ohm_m, "bulk_ohm_m", unit="ohm m")
    value = float("nan")
    if thickness_nm is not None:
        value = ohm * part * positive(thickness_nm, "thickness_nm", unit="nm") * 1e-9
    low, high = (
        (float("nan"),) * 2
        if bounds_nm is None
        else (ohm * part * bound * 1e-9 / bulk for bound in bounds_nm)
    )
    known = thickness_nm is not None or bounds_nm is not None
    return ImpliedResistivity(
        resistivity_ohm_m=value,
        times_bulk=value / bulk,
        bulk_thickness_nm=bulk / (ohm * part) * 1e9,
        reference=name,
        reference_ohm_m=bulk,
        times_bulk_low=low,
        times_bulk_high=high,
        thickness_from="" if not known else "stated" if bounds_nm is None else "maps",
    )


def _reference(alloy: Mapping[str, float]) -> tuple[str, float]:
    """Return the pure metal or common alloy that a composition is, and its resistivity."""
    parts = {
        element_symbol(element, "alloy"): (0.0 if math.isnan(part) else part)
        for element, part in alloy.items()
    }
    total = sum(parts.values())
    if len(parts) == 1 and not total:
        total = 1.0
        parts = dict.fromkeys(parts, 1.0)  # one element without its percent is that metal
    if not total > 0:
        return "", float("nan")
    shares = {element: 100.0 * part / total for element, part in parts.items()}
    main = max(shares, key=lambda element: shares[element])
    if shares[main] >= _PURE and main in PURE_METAL_RESISTIVITY_OHM_M:
        return main, PURE_METAL_RESISTIVITY_OHM_M[main]
    for name, named, value in ALLOY_RESISTIVITY_OHM_M:
        every = {*named, *shares}
        if all(abs(named.get(e, 0.0) - shares.get(e, 0.0)) <= _ALIKE for e in every):
            return name, value
    return "", float("nan")

"""Continuity: is the deposit one connected sheet, and how well would it conduct."""

from spattermap.continuity.conductance import (
    SheetConductance,
    resistance_between,
    sheet_conductance,
)
from spattermap.continuity.estimates import (
    BOND_THRESHOLD,
    DISC_AREA_THRESHOLD,
    DISC_FILLING_THRESHOLD,
    DISC_NEIGHBOUR_THRESHOLD,
    SITE_THRESHOLD_4,
    SITE_THRESHOLD_8,
    bruggeman,
    crossing_probability,
    hashin_shtrikman,
    wiener_bounds,
)
from spattermap.continuity.paths import Connectivity, connectivity
from spattermap.continuity.resistivity import (
    PURE_METAL_RESISTIVITY_OHM_M,
    ImpliedResistivity,
    implied_resistivity,
    van_der_pauw,
)
from spattermap.continuity.summary import Continuity, describe
from spattermap.continuity.thickness import thickness_from_signal

__all__ = [
    "BOND_THRESHOLD",
    "DISC_AREA_THRESHOLD",
    "DISC_FILLING_THRESHOLD",
    "DISC_NEIGHBOUR_THRESHOLD",
    "PURE_METAL_RESISTIVITY_OHM_M",
    "SITE_THRESHOLD_4",
    "SITE_THRESHOLD_8",
    "Connectivity",
    "Continuity",
    "ImpliedResistivity",
    "SheetConductance",
    "bruggeman",
    "connectivity",
    "crossing_probability",
    "describe",
    "hashin_shtrikman",
    "implied_resistivity",
    "resistance_between",
    "sheet_conductance",
    "thickness_from_signal",
    "van_der_pauw",
    "wiener_bounds",
]

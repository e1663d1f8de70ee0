"""X-ray facts: line energies, overlaps, relative sensitivities and the depth they come from.

Energies, yields and weights come from the registry library xraydb (Elam, Ravel & Sieber,
Radiat. Phys. Chem. 63 (2002) 121); energies of lines are in eV, of the beam in keV.
"""

from __future__ import annotations

from spattermap.xrays.lines import Line, lines_of, mapped_line, parse_line
from spattermap.xrays.overlap import (
    DEFAULT_FWHM_EV,
    WINDOW_FWHM,
    leaks,
    lines_touch,
    overlap_class,
    resolution_fwhm_eV,
)
from spattermap.xrays.ranges import (
    Sensitivity,
    anderson_hasler_um,
    density_of,
    kanaya_okayama_um,
    relative_sensitivity,
)

__all__ = [
    "DEFAULT_FWHM_EV",
    "WINDOW_FWHM",
    "Line",
    "Sensitivity",
    "anderson_hasler_um",
    "density_of",
    "kanaya_okayama_um",
    "leaks",
    "lines_of",
    "lines_touch",
    "mapped_line",
    "overlap_class",
    "parse_line",
    "relative_sensitivity",
    "resolution_fwhm_eV",
]

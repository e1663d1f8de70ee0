"""Relative sensitivities: counts per mass of one line over those of another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from spattermap.errors import InputError
from spattermap.xrays.lines import SOFT_LINE_EV, line_of, parse_line


@dataclass(frozen=True)
class Sensitivity:
    """Counts per mass of one line over those of another, with the factor it is known to.

    Parameters
    ----------
    ratio : float
        Counts per unit mass thickness of the first line over the second (dimensionless).
    tolerance : float
        Factor of at least 1: the true ratio lies between ``ratio / tolerance`` and
        ``ratio * tolerance``.
    how : str
        Where the number comes from.
    """

    ratio: float
    tolerance: float
    how: str


# Factors by which a computed sensitivity ratio may be off. Spread of published thin-film
# k-factors against calculation: some 10 to 20 % within K lines, more for L and M, where yields
# are poorly known (from memory: Williams & Carter, Transmission Electron Microscopy, ch. 35).
# Doubled here, because droplets are neither thin nor bulk and the detector is unknown.
_TOLERANCE = {("K", "K"): 1.5, ("K", "L"): 2.5, ("L", "L"): 2.0}
_OTHER_TOLERANCE = 3.0
_SOFT_TOLERANCE = 2.0


def relative_sensitivity(
    line: str,
    other: str,
    beam_energy_keV: float,
    *,
    k_factors: Mapping[str, float] | None = None,
) -> Sensitivity:
    """Return counts per mass of one line over those of another.

    Parameters
    ----------
    line, other : str
        Line names, for example "Zn Ka" and "Cu Ka".
    beam_energy_keV : float
        Beam energy (keV).
    k_factors : mapping of str to float, optional
        Measured Cliff-Lorimer factors by element against one common element, as mass fraction
        per count; used instead of the calculation where both elements are there.

    Returns
    -------
    Sensitivity

    Raises
    ------
    InputError
        If a line is unknown or cannot be excited.

    Notes
    -----
    ``(Q w a / A)_1 / (Q w a / A)_2``: ionisation cross-section, fluorescence yield, part of the
    shell's photons in the line, atomic mass. Absorption and the detector's window are left out;
    the tolerance grows where they matter (lines under 1 keV) and for L and M lines.

    References
    ----------
    Cliff & Lorimer, J. Microsc. 103 (1975) 203, eq. 1; Goldstein, Costley, Lorimer & Reed,
    Scanning Electron Microscopy 1977/I, 315, for the factors from first principles.

    Examples
    --------
    >>> round(relative_sensitivity("Zn Ka", "Cu Ka", beam_energy_keV=20.0).ratio, 1)
    0.9
    """
    ours = line_of(*parse_line(line), beam_energy_keV=beam_energy_keV)
    theirs = line_of(*parse_line(other), beam_energy_keV=beam_energy_keV)
    if k_factors and ours.element in k_factors and theirs.element in k_factors:
        # A k-factor is mass per count, so sensitivity is its inverse.
        ratio = k_factors[theirs.element] / k_factors[ours.element]
        return Sensitivity(ratio, 1.15, "given k-factors")
    for one in (ours, theirs):
        if not one.strength > 0:
            raise InputError(
                f"beam_energy_keV must exceed the edge of {one.name} ({one.edge_eV / 1e3:.2f} keV),"
                f" got {beam_energy_keV:g}. Use another line of {one.element}."
            )
    if ours.element == theirs.element and ours.family == theirs.family:
        return Sensitivity(1.0, 1.0, "same line")
    shells = tuple(sorted((ours.family[0], theirs.family[0])))
    tolerance = _TOLERANCE.get((shells[0], shells[1]), _OTHER_TOLERANCE)
    for one in (ours, theirs):
        if one.energy_eV < SOFT_LINE_EV:
            tolerance *= _SOFT_TOLERANCE
    return Sensitivity(ours.strength / theirs.strength, tolerance, "calculated, thin film")

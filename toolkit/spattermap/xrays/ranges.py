"""The depth that electrons reach and that lines come from.

Relative sensitivities: counts per mass of one line over those of another.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from spattermap.core.errors import InputError, atomic_number, element_symbol, positive
from spattermap.xrays.atomic_data import atomic_density, atomic_mass
from spattermap.xrays.lines import SOFT_LINE_EV, line_of, parse_line


def kanaya_okayama_um(
    beam_energy_keV: float,
    material: str | Mapping[str, float],
    *,
    density_g_cm3: float | None = None,
) -> float:
    """Return the depth that beam electrons reach.

    Parameters
    ----------
    beam_energy_keV : float
        Beam energy (keV).
    material : str or mapping of str to float
        Element, or mass percent by element.
    density_g_cm3 : float, optional
        Density (g/cm3); by default from the elements by volume additivity.

    Returns
    -------
    float
        Range (um).

    Raises
    ------
    InputError
        If an argument is not allowed.

    Notes
    -----
    ``R = 0.0276 A E^1.67 / (Z^0.89 rho)``; mixtures with mass-weighted A and Z. Holds for flat
    bulk matter; in a droplet smaller than R electrons leave at the sides.

    References
    ----------
    Kanaya & Okayama, J. Phys. D 5 (1972) 43.

    Examples
    --------
    >>> round(kanaya_okayama_um(20.0, "Cu"), 2)
    1.46
    """
    energy = positive(beam_energy_keV, "beam_energy_keV", unit="keV")
    fractions = _mass_fractions(material)
    mass = sum(part * atomic_mass(e) for e, part in fractions.items())
    number = sum(part * atomic_number(e) for e, part in fractions.items())
    density = density_g_cm3 or _density(fractions)
    return float(0.0276 * mass * energy**1.67 / (number**0.89 * density))  # Kanaya & Okayama (1972)


def anderson_hasler_um(
    beam_energy_keV: float,
    line: str,
    *,
    material: str | Mapping[str, float] | None = None,
    density_g_cm3: float | None = None,
) -> float:
    """Return the depth in which a line is produced.

    Parameters
    ----------
    beam_energy_keV : float
        Beam energy (keV).
    line : str
        Line name; its absorption edge enters, not its energy.
    material : str or mapping of str to float, optional
        What the electrons travel in; by default the line's own element.
    density_g_cm3 : float, optional
        Density (g/cm3); by default that of `material`.

    Returns
    -------
    float
        Range (um); 0 where the beam cannot excite the line.

    Raises
    ------
    InputError
        If an argument is not allowed.

    Notes
    -----
    ``R = 0.064 (E0^1.68 - Ec^1.68) / rho``.

    References
    ----------
    Anderson & Hasler, Proc. 4th Int. Conf. X-ray Optics and Microanalysis (1966) 310.

    Examples
    --------
    >>> round(anderson_hasler_um(20.0, "Cu Ka"), 2), anderson_hasler_um(5.0, "Cu Ka")
    (0.81, 0.0)
    """
    energy = positive(beam_energy_keV, "beam_energy_keV", unit="keV")
    emitted = line_of(*parse_line(line), beam_energy_keV=None)
    density = density_g_cm3 or density_of(material or emitted.element)
    edge = emitted.edge_eV / 1e3
    return float(0.064 * max(energy**1.68 - edge**1.68, 0.0) / density)  # Anderson & Hasler (1966)


def _mass_fractions(material: str | Mapping[str, float]) -> dict[str, float]:
    if isinstance(material, str):
        return {element_symbol(material, "material"): 1.0}
    parts = {
        element_symbol(e, "material"): positive(part, f"material: {e}", unit="mass percent")
        for e, part in material.items()
    }
    if not parts:
        raise InputError("material must name at least one element, got none. Write 'Cu'.")
    total = sum(parts.values())
    return {element: part / total for element, part in parts.items()}


def density_of(material: str | Mapping[str, float]) -> float:
    """Return the density of a mixture whose volumes add.

    Parameters
    ----------
    material : str or mapping of str to float
        Element, or mass percent by element.

    Returns
    -------
    float
        Density (g/cm3); crude where gases are in it (oxides, glass): state it there.

    Raises
    ------
    InputError
        If the material is not allowed.

    Examples
    --------
    >>> round(density_of({"Cu": 70.0, "Zn": 30.0}), 1)
    8.3
    """
    return _density(_mass_fractions(material))


def _density(fractions: Mapping[str, float]) -> float:
    return 1.0 / sum(part / atomic_density(e) for e, part in fractions.items())


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
    line: str, other: str, beam_energy_keV: float, *, k_factors: Mapping[str, float] | None = None
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

"""The depth that electrons reach and that lines come from."""

from __future__ import annotations

from collections.abc import Mapping

from spattermap.checks import atomic_number, element_symbol, positive
from spattermap.errors import InputError
from spattermap.xrays.lines import line_of, parse_line


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
    import xraydb

    energy = positive(beam_energy_keV, "beam_energy_keV", unit="keV")
    fractions = _mass_fractions(material)
    mass = sum(part * float(xraydb.atomic_mass(e)) for e, part in fractions.items())
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
    import xraydb

    return 1.0 / sum(part / float(xraydb.atomic_density(e)) for e, part in fractions.items())

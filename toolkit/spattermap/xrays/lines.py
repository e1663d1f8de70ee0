"""Lines: their names, energies, edges and relative strengths."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from spattermap.core.errors import InputError, element_symbol, positive, unknown_name
from spattermap.xrays import atomic_data

# Unresolved groups of lines as a solid-state detector sees them. Keys are the names used in
# files; values are the members in the library's spelling.
GROUPS: dict[str, tuple[str, ...]] = {
    "Ka": ("Ka1", "Ka2"),
    "Kb": ("Kb1", "Kb3", "Kb2", "Kb4", "Kb5"),
    "La": ("La1", "La2"),
    "Lb": ("Lb1", "Lb3", "Lb4"),
    "Lb2": ("Lb2", "Lb2,15", "Lb6", "Lb5"),
    "Lg": ("Lg1", "Lg2", "Lg3", "Lg6"),
    "Ll": ("Ll",),
    "Ln": ("Ln",),
    "Ma": ("Ma",),
    "Mb": ("Mb",),
    "Mg": ("Mg",),
    "Mz": ("Mz",),
}
# What a bare shell letter means: its strongest group.
_SHELL_MEANS = {"K": "Ka", "L": "La", "M": "Ma"}
_GREEK = str.maketrans({"α": "a", "β": "b", "γ": "g", "ζ": "z", "η": "n", "ι": "l"})
_NAME = re.compile(r"^([A-Za-z]{1,2})[\s_\-]*([KLMklm])[\s_\-]*([A-Za-z]?)[\s_\-]*(\d?)$")

# K-beta over K-alpha where 3p is not full: the library extrapolates its full-shell fit down to Mg
# (0.124 to 0.131) although Mg has no 3p electron. Values: radiative rates of Scofield, At. Data
# Nucl. Data Tables 14 (1974) 121, computed with xraylib 4.3.0, RadRate(Z, KB) / RadRate(Z, KA).
_KB_PER_KA = {"Mg": 0.0, "Al": 0.0132, "Si": 0.0277, "P": 0.0444, "S": 0.0617, "Cl": 0.0807,
              "Ar": 0.1020, "K": 0.1156, "Ca": 0.1257}  # fmt: skip

# What lies below this no silicon detector sees; the library's values there are placeholders.
LEAST_ENERGY_EV = 100.0
# Below this energy the detector window and the surface absorb by an amount nobody stated.
SOFT_LINE_EV = 1000.0


@dataclass(frozen=True)
class Line:
    """One line, or one group of lines that a solid-state detector cannot resolve.

    Parameters
    ----------
    element : str
        Symbol.
    family : str
        Siegbahn name in ASCII: "Ka", "Kb", "La", "Ka1", ...
    energy_eV : float
        Energy, for a group the mean weighted by strength (eV).
    edge_eV : float
        Lowest absorption edge that must be ionised to emit it (eV).
    strength : float
        Generated photons per unit mass thickness, in one arbitrary unit for all elements
        (see `generated_strength`); NaN where no beam energy was given.
    """

    element: str
    family: str
    energy_eV: float
    edge_eV: float
    strength: float = math.nan

    @property
    def name(self) -> str:
        """The name as in files, for example ``"Cu Ka"``."""
        return f"{self.element} {self.family}"


@lru_cache(maxsize=256)
def tables(element: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the library's lines and edges of an element, empty where it has none."""
    return _with_k_beta(element, atomic_data.emission_lines(element)), atomic_data.edges(element)


def _with_k_beta(element: str, lines: dict[str, Any]) -> dict[str, Any]:
    """Return the lines with the K-beta share of `_KB_PER_KA`; a share of zero drops the lines."""
    if element not in _KB_PER_KA:
        return lines
    ratio = _KB_PER_KA[element]
    shares = {"Ka": 1.0 / (1.0 + ratio), "Kb": ratio / (1.0 + ratio)}
    sums = {group: _sum_of(lines, group) for group in shares}
    corrected = {}
    for name, line in lines.items():
        share = shares.get(name[:2])
        if share is None:
            corrected[name] = line
        elif share > 0:
            corrected[name] = line._replace(intensity=line.intensity * share / sums[name[:2]])
    return corrected


def _sum_of(lines: Mapping[str, Any], group: str) -> float:
    return sum(float(line.intensity) for name, line in lines.items() if name.startswith(group))


def parse_line(name: str) -> tuple[str, str]:
    """Return element and Siegbahn family of a line name.

    Parameters
    ----------
    name : str
        For example "Cu Ka", "fe-k", "Pb_Ma", "Zn Kα1". A bare shell means its strongest group.

    Returns
    -------
    element, family : str
        For example ``("Cu", "Ka")``.

    Raises
    ------
    InputError
        If the text is not an element and a line of it.

    Examples
    --------
    >>> parse_line("fe-k"), parse_line("Zn Kα1")
    (('Fe', 'Ka'), ('Zn', 'Ka1'))
    """
    found = _NAME.match(str(name).strip().translate(_GREEK))
    if found is None:
        raise InputError(
            f"line must be an element and a line name, got {name!r}. Write for example 'Cu Ka'."
        )
    element = element_symbol(found[1], "line")
    shell = found[2].upper()
    family = shell + found[3].lower() + found[4] if found[3] else _SHELL_MEANS[shell]
    known = [*GROUPS, *tables(element)[0]]
    if family not in known:
        raise InputError(unknown_name(f"line of {element}", family, known))
    return element, family


def line_of(element: str, family: str, *, beam_energy_keV: float | None) -> Line:
    """Return one line or group; its strength is NaN without a beam energy."""
    lines, edges = tables(element)
    members = [m for m in GROUPS.get(family, (family,)) if m in lines]
    if not members:
        raise InputError(
            f"line must exist for the element, got {element} {family}. "
            f"{element} has: {', '.join(sorted(lines)) or 'no tabulated line'}."
        )
    strengths = [_member_strength(element, m, beam_energy_keV) for m in members]
    total = sum(strengths)
    weights = strengths if total > 0 else [float(lines[m].intensity) for m in members]
    energy = sum(w * lines[m].energy for w, m in zip(weights, members, strict=True)) / sum(weights)
    edge = min(_edge_of(edges, lines[m].initial_level) for m in members)
    return Line(element, family, energy, edge, math.nan if beam_energy_keV is None else total)


def _edge_of(edges: Mapping[str, Any], level: str) -> float:
    return min(float(edges[name].energy) for name in _levels(level) if name in edges)


def _levels(level: str) -> list[str]:
    """Return the subshells a library level names; it writes ``"M4,5"`` for two of them."""
    shell, rest = level[0], level[1:]
    return [shell + part for part in rest.split(",")] if rest else [level]


@lru_cache(maxsize=4096)
def _member_strength(element: str, member: str, beam_energy_keV: float | None) -> float:
    lines, edges = tables(element)
    line = lines[member]
    total = 0.0
    for level in _levels(line.initial_level):
        edge = edges.get(level)
        if edge is None:
            continue
        energy = 1e3 * beam_energy_keV if beam_energy_keV else 3.0 * float(edge.energy)
        total += _vacancies(element, level, energy) * float(edge.fyield) * float(line.intensity)
    return total


def _vacancies(element: str, level: str, energy_eV: float) -> float:
    """Ionisations of one subshell per unit mass thickness, with Coster-Kronig transfer."""
    edges = tables(element)[1]
    total = _ionisations(element, level, energy_eV)
    # Vacancies that wander up from deeper subshells of the same shell (Bambynek et al. 1972).
    for other in edges:
        if other[0] == level[0] and other < level:
            share = atomic_data.coster_kronig(element, other, level)
            total += share * _ionisations(element, other, energy_eV)
    return total


def _ionisations(element: str, level: str, energy_eV: float) -> float:
    edge_eV = float(tables(element)[1][level].energy)
    overvoltage = energy_eV / edge_eV
    if overvoltage <= 1.0 or edge_eV <= 5.0:  # the library writes 5 eV for bound states it lacks
        return 0.0
    # Bethe (1930) cross-section in Powell's form, Rev. Mod. Phys. 48 (1976) 33, eq. 4:
    # Q = 6.51e-20 n b ln(c U) / (E0 Ec), with b = 0.9, c = 0.65 for K; the c that differs between
    # shells is left at 1 so that Q falls to zero at U = 1. Per mass: divided by A.
    electrons = {"K": 2, "1": 2, "2": 2, "3": 4, "4": 4, "5": 6}[level[-1]]
    mass = atomic_data.atomic_mass(element)
    return electrons * math.log(overvoltage) / (energy_eV * edge_eV * mass) * 1e9


def lines_of(
    element: str, beam_energy_keV: float | None = None, *, least_overvoltage: float = 1.0
) -> tuple[Line, ...]:
    """Return the line groups of an element that the beam can excite, strongest first.

    Parameters
    ----------
    element : str
        Symbol.
    beam_energy_keV : float, optional
        Beam energy (keV); without it every tabulated group is returned, by falling energy.
    least_overvoltage : float, optional
        Smallest ratio of beam energy to edge energy (dimensionless).

    Raises
    ------
    InputError
        If there is no such element or the beam energy is not positive.

    Examples
    --------
    >>> [line.family for line in lines_of("Cu", 15.0)][:3]
    ['La', 'Lb', 'Ka']
    """
    symbol = element_symbol(element, "element")
    if beam_energy_keV is not None:
        beam_energy_keV = positive(beam_energy_keV, "beam_energy_keV", unit="keV")
    return _lines_of(symbol, beam_energy_keV, least_overvoltage)


@lru_cache(maxsize=1024)
def _lines_of(
    symbol: str, beam_energy_keV: float | None, least_overvoltage: float
) -> tuple[Line, ...]:
    lines, _ = tables(symbol)
    found = [
        line_of(symbol, family, beam_energy_keV=beam_energy_keV)
        for family, members in GROUPS.items()
        if any(member in lines for member in members)
    ]
    found = [one for one in found if one.energy_eV > LEAST_ENERGY_EV]
    if beam_energy_keV is None:
        return tuple(sorted(found, key=lambda line: -line.energy_eV))
    limit = 1e3 * beam_energy_keV / least_overvoltage
    excited = [one for one in found if one.edge_eV < limit and one.strength > 0]
    return tuple(sorted(excited, key=lambda line: -line.strength))


def mapped_line(element: str, line: str, beam_energy_keV: float) -> Line:
    """Return the line a map was made from, with its strength.

    Parameters
    ----------
    element : str
        Symbol.
    line : str
        Its line name; "" means the strongest one that the beam excites well.
    beam_energy_keV : float
        Beam energy (keV).

    Raises
    ------
    InputError
        If the line is unknown, or the beam cannot excite any line of the element.

    Examples
    --------
    >>> mapped_line("Cu", "", 20.0).name
    'Cu Ka'
    """
    if line:
        return line_of(*parse_line(line), beam_energy_keV=beam_energy_keV)
    # Below an overvoltage of 1.3 a line is too weak to be chosen (common practice, no source).
    found = lines_of(element, beam_energy_keV, least_overvoltage=1.3)
    if not found:
        raise InputError(
            f"beam_energy_keV must excite a line of {element} (keV), got {beam_energy_keV:g}. "
            "Raise the beam energy."
        )
    hard = [one for one in found if one.energy_eV > SOFT_LINE_EV]
    return (hard or list(found))[0]

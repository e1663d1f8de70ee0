"""Counts of a film and of the glass under it, against the thickness of the film.

`layer_model` gives, for every mapped line, what the film emits and what the substrate still
emits through it, as parts of what bulk metal and bare substrate would give, so that neither the
dose nor the detector enters. Electrons are followed by `spattermap.xrays.transport`; a shell is
ionised along their path as ``ln U / (U^m Ec^2)`` (Pouchou & Pichoir, in Electron Probe
Quantitation (1991) 31, eq. 5), the continuum made as ``Z^2 / (A E k)`` per photon energy k
(Kramers, Phil. Mag. 46 (1923) 836, per path), and both absorbed on the straight way to the
detector with the total mass attenuation of xraydb (Elam, Ravel & Sieber, Radiat. Phys. Chem. 63
(2002) 121). Left out: fluorescence by other lines, lateral spread (a feature is taken as a film
of its local thickness), the roughness of the surface.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.errors import InputError, atomic_number, positive
from spattermap.xrays.atomic_data import atomic_mass, mass_attenuation
from spattermap.xrays.lines import Line, line_of, parse_line
from spattermap.xrays.ranges import density_of
from spattermap.xrays.transport import Paths, electron_paths, material

if TYPE_CHECKING:
    from spattermap.core.arrays import Floats

    Parts = tuple[tuple[str, float], ...]

TAKE_OFF_DEG = 35.0  # a common geometry; common practice, no source
# Nodes of the tables in units of the electrons' range (Anderson & Hasler 1966, edge at zero).
_NODES = np.array([0.0, 0.006, 0.014, 0.028, 0.05, 0.08, 0.12, 0.17, 0.23, 0.31, 0.42, 0.56, 0.75,
                   1.0, 1.3])  # fmt: skip
_FINE = 600  # points of the tables handed out
# Exponent of the overvoltage in the ionisation cross-section (Pouchou & Pichoir 1991).
_EXPONENT = {"K": 0.9, "L": 0.82, "M": 0.78}


@dataclass(frozen=True)
class LineTable:
    """One line against the thickness of the film."""

    line: Line  # element, family, energy and edge
    # (thickness,): counts of the element in the film over those of bulk metal of that composition
    film: Floats
    # (thickness,): counts of the element in the substrate over those of the bare substrate
    substrate: Floats
    # (thickness,): continuum in the window, from film and substrate, over that of the bare
    # substrate
    continuum: Floats
    # counts of bulk metal over those of bare substrate, for equal mass fractions of the element
    film_per_substrate: float
    # continuum of the bare substrate per eV of the window, in one unit for all lines
    bare_continuum: float
    # ionisations seen of bulk metal per electron and mass fraction of the element, in one unit for
    # all lines; yield and detector are left out
    bulk: float


@dataclass(frozen=True)
class LayerModel:
    """Tables of every line over one grid of thickness."""

    mass_thickness: Floats  # (thickness,): mass thickness of the film (g/cm2), from 0
    thickness_nm: Floats  # (thickness,): the same divided by the density (nm)
    density_g_cm3: float  # density of the film (g/cm3)
    lines: dict[str, LineTable]  # by element
    # conditions
    beam_energy_keV: float
    take_off_deg: float
    tilt_deg: float


def layer_model(
    lines: Mapping[str, str],
    alloy: Mapping[str, float],
    substrate: Mapping[str, float],
    *,
    beam_energy_keV: float,
    take_off_deg: float = TAKE_OFF_DEG,
    tilt_deg: float = 0.0,
    density_g_cm3: float | None = None,
) -> LayerModel:
    """Return what a film of an alloy on a substrate (mass percent) gives, line by line.

    `lines` is for example ``{"Cu": "Cu Ka"}``, take-off above the surface, tilt off its normal
    (deg). Depth is mass thickness: nanometres assume the density. Against an independent Monte
    Carlo the parts agree as `spattermap.measure.thickness.model_tolerance` states, by metal and
    energy.

    >>> model = layer_model({"Cu": "Cu Ka", "Si": "Si Ka"}, {"Cu": 100.0}, {"Si": 47, "O": 53},
    ...                     beam_energy_keV=15.0)
    >>> left = np.interp(100.0, model.thickness_nm, model.lines["Si"].substrate)
    >>> bool(0.42 < left < 0.48)
    True
    """
    beam = positive(beam_energy_keV, "beam_energy_keV", unit="keV")
    for name, angle, low, high in (
        ("take_off_deg", take_off_deg, 5.0, 90.0), ("tilt_deg", tilt_deg, 0.0, 70.0)
    ):  # fmt: skip
        if not low <= angle <= high:
            raise InputError(
                f"{name} must lie between {low:g} and {high:g} (deg), got {angle!r}. "
                "State the angle as in the microscope's report."
            )
    found = []
    for element, name in lines.items():
        line = line_of(*parse_line(name), beam_energy_keV=beam)
        if line.edge_eV >= 1e3 * beam:
            raise InputError(
                f"beam_energy_keV must exceed the edge of {name} ({line.edge_eV / 1e3:.2f} keV), "
                f"got {beam:g}. Use another line of {element}."
            )
        found.append((element, line))
    return _tables(
        tuple(found),
        (_frozen(alloy, "alloy"), _frozen(substrate, "substrate")),
        (beam, float(take_off_deg), float(tilt_deg)),
        density_g_cm3 or density_of(alloy),
    )


def _frozen(parts: Mapping[str, float], name: str) -> Parts:
    known = {e: p for e, p in parts.items() if p > 0}
    if not known:
        raise InputError(f"{name} must state at least one mass percent, got {dict(parts)!r}.")
    total = sum(known.values())
    return tuple((e, p / total) for e, p in sorted(known.items()))


@lru_cache(maxsize=32)
def _paths(
    film: Parts, substrate: Parts, beam: float, tilt: float, lowest: float
) -> tuple[Floats, tuple[Paths, ...]]:
    """Return nodes of mass thickness (g/cm2) and the electrons' paths for each."""
    depths = _NODES * 0.064 * beam**1.68 * 1e-4
    metal, glass = material(dict(film)), material(dict(substrate))
    conditions = {"beam_energy_keV": beam, "lowest_keV": lowest, "tilt_deg": tilt}
    return depths, tuple(electron_paths(metal, glass, depth, **conditions) for depth in depths)


@lru_cache(maxsize=32)
def _tables(
    lines: tuple[tuple[str, Line], ...],
    materials: tuple[Parts, Parts],
    conditions: tuple[float, float, float],
    density: float,
) -> LayerModel:
    film, substrate = materials
    beam, take_off, tilt = conditions
    # One floor for all sets of lines, so that the paths are found once per beam energy.
    lowest = min(0.5, *(line.edge_eV / 1e3 for _, line in lines))
    depths, paths = _paths(film, substrate, beam, tilt, lowest)
    fine = depths[-1] * np.linspace(0.0, 1.0, _FINE) ** 2
    slant = 1.0 / math.sin(math.radians(take_off))
    made = {}
    for element, line in lines:
        chi = [slant * _attenuation(parts, line.energy_eV) for parts in (film, substrate)]
        photon = line.energy_eV / 1e3
        ionised = [_emitted(p, _ionisation(line, p.energies), chi) for p in paths]
        braking = [_emitted(p, _braking(p, photon), chi) for p in paths]
        metal, glass = (np.array(part) for part in zip(*ionised, strict=True))
        weights = [sum(w * atomic_number(e) ** 2 / atomic_mass(e) for e, w in parts)
                   for parts in (film, substrate)]  # fmt: skip
        continuum = np.array(braking) @ weights
        made[element] = LineTable(
            line=line,
            film=_between(depths, metal / metal[-1], fine),
            substrate=_between(depths, glass / glass[0], fine),
            continuum=_between(depths, continuum / continuum[0], fine),
            film_per_substrate=float(metal[-1] / glass[0]),
            bare_continuum=float(continuum[0]),
            bulk=float(metal[-1] / (line.edge_eV / 1e3) ** 2 / atomic_mass(element)),
        )
    return LayerModel(fine, fine / density * 1e7, density, made, beam, take_off, tilt)


def _emitted(paths: Paths, rate: Floats, chi: list[float]) -> tuple[float, float]:
    """Return the photons that leave from film and substrate, per electron and mass fraction."""
    made = rate @ paths.path
    edges, n = paths.edges, paths.n_film
    width = np.diff(edges)
    depth = chi[0] * edges[n]
    seen = np.empty(made.size)
    for cells, c, start, before in (
        (slice(None, n), chi[0], 0.0, 0.0), (slice(n, None), chi[1], edges[n], depth)
    ):  # fmt: skip
        near = c * (edges[:-1][cells] - start)
        # Mean of exp(-c x) over each cell.
        seen[cells] = np.exp(-before - near) * -np.expm1(-c * width[cells]) / (c * width[cells])
    return float(made[:n] @ seen[:n]), float(made[n:] @ seen[n:])


def _ionisation(line: Line, energies: Floats) -> Floats:
    """Return the cross-section of the line's shell against energy (arbitrary unit)."""
    edge = line.edge_eV / 1e3
    over = np.maximum(energies / edge, 1.0)
    return np.asarray(np.log(over) / over ** _EXPONENT[line.family[0]])


def _braking(paths: Paths, photon: float) -> Floats:
    """Return the continuum per path at a photon energy (keV), in an arbitrary unit."""
    # The part of a step in which the electron can still make the photon.
    above = np.clip((paths.energies - photon) / paths.losses + 0.5, 0.0, 1.0)
    return np.asarray(above / (paths.energies * photon))


def _between(nodes: Floats, values: Floats, fine: Floats) -> Floats:
    from scipy.interpolate import PchipInterpolator

    return np.asarray(PchipInterpolator(nodes, values)(fine))


def _attenuation(parts: Parts, energy_eV: float) -> float:
    return sum(w * mass_attenuation(e, energy_eV) for e, w in parts)

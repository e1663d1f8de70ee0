"""Atomic data of the elements, read from the tables that the library xraydb brings.

The tables are those of Elam, Ravel & Sieber, Radiat. Phys. Chem. 63 (2002) 121. Importing xraydb
itself takes longer than a look at a map set, because of the database toolkit under it; its file is
plain SQLite, which the standard library reads at once. A test holds every number against xraydb.
"""

from __future__ import annotations

import json
import sqlite3
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from spattermap.core.arrays import Floats

_LEAST_EV, _MOST_EV = 100.0, 8.0e5  # where the attenuation tables hold


class EmissionLine(NamedTuple):
    """A tabulated line: energy (eV), its part of its level's photons, and the two levels."""

    energy: float
    intensity: float
    initial_level: str
    final_level: str


class Edge(NamedTuple):
    """An absorption edge: energy (eV), fluorescence yield, and jump ratio."""

    energy: float
    fyield: float
    jump_ratio: float


@lru_cache(maxsize=4096)
def _rows(query: str, *values: str) -> list[tuple[Any, ...]]:
    found = find_spec("xraydb")
    if found is None or found.origin is None:
        raise ModuleNotFoundError("xraydb must be installed. Install Spattermap again.")
    place = Path(found.origin).with_name("xraydb.sqlite").as_uri()
    # Read only and opened anew: each answer is kept, and a connection belongs to one thread.
    connection = sqlite3.connect(f"{place}?mode=ro&immutable=1", uri=True)
    try:
        return connection.execute(query, values).fetchall()
    finally:
        connection.close()


def emission_lines(element: str) -> dict[str, EmissionLine]:
    """Return the lines of an element by their Siegbahn names."""
    rows = _rows(
        "select siegbahn_symbol, emission_energy, intensity, initial_level, final_level "
        "from xray_transitions where element = ? order by id",
        element,
    )
    return {name: EmissionLine(*rest) for name, *rest in rows}


def edges(element: str) -> dict[str, Edge]:
    """Return the absorption edges of an element by their levels ("K", "L3")."""
    rows = _rows(
        "select iupac_symbol, absorption_edge, fluorescence_yield, jump_ratio "
        "from xray_levels where element = ? order by id",
        element,
    )
    return {name: Edge(*rest) for name, *rest in rows}


def coster_kronig(element: str, initial: str, final: str) -> float:
    """Return the share of vacancies of one level that end in another, by any way."""
    rows = _rows(
        "select total_transition_probability from Coster_Kronig "
        "where element = ? and initial_level = ? and final_level = ? order by id",
        element, initial, final,
    )  # fmt: skip
    return float(rows[0][0] or 0.0) if rows else 0.0


def atomic_mass(element: str) -> float:
    """Return the molar mass (g/mol)."""
    return float(_rows("select molar_mass from elements where element = ?", element)[0][0])


def atomic_density(element: str) -> float:
    """Return the density of the pure element (g/cm3)."""
    return float(_rows("select density from elements where element = ?", element)[0][0])


def family_yield(element: str, level: str, family: str) -> tuple[float, float]:
    """Return mean energy (eV) and the part of a level's photons that a family ("Ka") gets."""
    members = [
        line
        for name, line in emission_lines(element).items()
        if line.initial_level == level and name.startswith(family)
    ]
    part = sum(line.intensity for line in members)
    energy = sum(line.energy * line.intensity for line in members)
    return (energy / part, part) if part > 0 else (0.0, 1.0)


def mass_attenuation(element: str, energy_eV: float) -> float:
    """Return the total mass attenuation coefficient (cm2/g) at an energy of 100 eV to 800 keV."""
    photo, scattering = _attenuation_tables(element)
    at = float(np.log(np.clip(energy_eV, _LEAST_EV, _MOST_EV)))
    kinds = ((photo[0], *photo[1:]), (scattering[0], *scattering[1:3]),
             (scattering[0], *scattering[3:]))  # fmt: skip
    return sum(float(np.exp(_spline(x, y, bend, at))) for x, y, bend in kinds)


@lru_cache(maxsize=128)
def _attenuation_tables(element: str) -> tuple[list[Floats], list[Floats]]:
    photo = _rows(
        "select log_energy, log_photoabsorption, log_photoabsorption_spline "
        "from photoabsorption where element = ?",
        element,
    )
    scattering = _rows(
        "select log_energy, log_coherent_scatter, log_coherent_scatter_spline, "
        "log_incoherent_scatter, log_incoherent_scatter_spline from scattering where element = ?",
        element,
    )
    first, second = (
        [np.array(json.loads(text)) for text in rows[0]] for rows in (photo, scattering)
    )
    return first, second


def _spline(x: Floats, y: Floats, bend: Floats, at: float) -> float:
    """Return a cubic spline given by its values and second derivatives (Elam et al. 2002)."""
    low = max(int(np.searchsorted(x, at, side="left")) - 1, 0)
    high = min(int(np.searchsorted(x, at, side="right")), x.size - 1)
    step = x[high] - x[low]
    a, b = (x[high] - at) / step, (at - x[low]) / step
    bent = (a * a - 1) * a * bend[low] + (b * b - 1) * b * bend[high]
    return float(a * y[low] + b * y[high] + step * step / 6 * bent)

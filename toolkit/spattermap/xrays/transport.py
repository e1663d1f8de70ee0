"""How far beam electrons travel, at which energy and depth, in a film on a substrate.

The transport equation is solved rather than a fitted depth distribution scaled from bulk matter:
a film of one atomic number on a substrate of another then needs no recipe, and the electrons that
a glass sends back into a film, or a film keeps from the glass, come out by themselves. In the
approximation of continuous slowing down energy takes the place of time, and the number of
electrons per depth and direction, ``n(x, mu; E)``, obeys (Brown, Wittry & Kyser, J. Appl. Phys.
40 (1969) 1627)

``-dn/dE = -d(mu n / S)/dx - (1/S) sum_l rate_l n_l P_l(mu)``

with the stopping power ``S`` of Joy & Luo (Scanning 11 (1989) 176) and the Legendre moments
``rate_l`` of the elastic cross-sections, see `Material.scattering`. Depths are mass thicknesses
(g/cm2), energies keV.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.errors import atomic_number
from spattermap.xrays.atomic_data import atomic_mass

if TYPE_CHECKING:
    from spattermap.core.arrays import Floats

AVOGADRO = 6.02214076e23
N_ANGLES = 20
SUBSTRATE_CELLS = 96
FEWEST_FILM_CELLS, FILM_CELLS_PER_RANGE = 32, 120
N_STEPS = 90  # energy steps of equal length along the path


@dataclass(frozen=True)
class Material:
    """What electrons see of a mixture."""

    # (element,): mass fraction, atomic number, atomic mass (g/mol) and mean excitation energy (keV)
    share: Floats
    number: Floats
    mass: Floats
    excitation_keV: Floats

    def stopping(self, energies: Floats) -> Floats:
        """Return the energy lost per mass thickness (keV cm2/g)."""
        j, e = self.excitation_keV[:, None], energies
        # Joy & Luo (1989), eq. 3, k = 0.85.
        logarithm = np.log(1.166 * (e + 0.85 * j) / j)
        return np.asarray((self.share * 78500.0 * self.number / self.mass) @ logarithm / e)

    def scattering(self, energies: Floats) -> Floats:
        """Return the rate at which each Legendre moment decays (cm2/g), dims (step, moment).

        The mean of two published cross-sections, which miss the backscatter coefficients of
        heavy metals by about as much on either side: Browning et al. (1994), eqs. 8 and 11, and
        screened Rutherford (Joy, Monte Carlo Modeling (1995), eqs. 3.2 and 3.3).
        """
        z, e = self.number[:, None], energies
        root = np.sqrt(e)
        fitted = 3e-18 * z**1.7 / (e + 0.005 * z**1.7 * root + 0.0007 * z**2 / root)
        ratio = 300.0 * e ** (1.0 - z / 2000.0) / z + z**3 / (3e5 * e)
        forward = (ratio / (1.0 + ratio))[..., None]
        uniform = np.ones(N_ANGLES)
        uniform[0] = 0.0
        one = fitted[..., None] * (forward * _peaked(7e-3 / e) + (1.0 - forward) * uniform)
        alpha = 3.4e-3 * z**0.67 / e
        relative = ((e + 511.0) / (e + 1024.0)) ** 2
        bare = 5.21e-21 * (z / e) ** 2 * 4 * math.pi / (alpha * (1 + alpha)) * relative
        other = bare[..., None] * _peaked(alpha)
        atoms = AVOGADRO * self.share / self.mass
        return np.asarray(np.einsum("i,isl->sl", atoms, 0.5 * (one + other)))


def material(parts: Mapping[str, float]) -> Material:
    """Return what electrons see of a mixture given as mass fractions of any sum."""
    z = np.array([float(atomic_number(e)) for e in parts])
    mass = np.array([atomic_mass(e) for e in parts])
    # Berger & Seltzer (1964) from aluminium on, Bloch's rule below (both from memory).
    excitation = np.where(z >= 13, 9.76 * z + 58.5 * z**-0.19, 11.5 * z) / 1e3
    share = np.array([float(p) for p in parts.values()])
    return Material(share / share.sum(), z, mass, excitation)


@dataclass(frozen=True)
class Paths:
    """Path of the electrons in cells of depth."""

    # (cell + 1,): depths that bound the cells (g/cm2); the film ends at ``edges[n_film]``
    edges: Floats
    n_film: int  # cells of the film, 0 for a bare substrate
    # (step,): mean energy of each step, falling, and the energy lost in it (keV)
    energies: Floats
    losses: Floats
    # (step, cell): path per electron of the beam (g/cm2) while it has about that energy
    path: Floats
    backscattered: float  # share of electrons that left through the surface above the lowest energy


@lru_cache(maxsize=1)
def _directions() -> tuple[Floats, Floats, Floats]:
    """Return cosines (Gauss-Lobatto, so that one is straight ahead), and moments to values."""
    from numpy.polynomial import legendre

    n = N_ANGLES
    inner = legendre.legroots(legendre.legder([0.0] * (n - 1) + [1.0]))
    cosines = np.concatenate([[-1.0], np.sort(inner), [1.0]])
    from_moments = legendre.legvander(cosines, n - 1) * (np.arange(n) + 0.5)
    return cosines, from_moments, np.linalg.inv(from_moments)


@lru_cache(maxsize=1)
def _peaked_table() -> tuple[Floats, Floats]:
    """Return ln alpha, and 1 - g_l of screened Rutherford scattering, dims (alpha, moment)."""
    from numpy.polynomial import legendre

    nodes, weights = legendre.leggauss(96)
    screening = np.linspace(math.log(1e-5), math.log(1.0), 80)
    rows = []
    for alpha in np.exp(screening):
        low, high = math.log(2 * alpha), math.log(2 + 2 * alpha)
        u = low + (high - low) * (nodes + 1) / 2
        # Density 2 alpha (1 + alpha) / (1 + 2 alpha - cos)^2, in u = ln(1 + 2 alpha - cos).
        density = 2 * alpha * (1 + alpha) * np.exp(-u) * weights * (high - low) / 2
        rows.append(density @ (1.0 - legendre.legvander(1 + 2 * alpha - np.exp(u), N_ANGLES - 1)))
    return screening, np.maximum(np.array(rows), 0.0)


def _peaked(alpha: Floats) -> Floats:
    """Return 1 - g_l by the screening parameter, dims (..., moment)."""
    grid, rows = _peaked_table()
    place = np.clip((np.log(alpha) - grid[0]) / (grid[1] - grid[0]), 0.0, grid.size - 1.001)
    below = place.astype(int)
    part = (place - below)[..., None]
    return np.asarray((1 - part) * rows[below] + part * rows[below + 1])


def electron_paths(
    film: Material,
    substrate: Material,
    mass_thickness: float,
    *,
    beam_energy_keV: float,
    lowest_keV: float,
    tilt_deg: float = 0.0,
) -> Paths:
    """Follow the electrons of a beam into a film (g/cm2; 0: none) on a thick substrate."""
    cosines, from_moments, to_moments = _directions()
    edges, n_film = _cells(film, substrate, mass_thickness, beam_energy_keV)
    bounds = _energies(film, mass_thickness, beam_energy_keV, lowest_keV)
    energies, steps = 0.5 * (bounds[:-1] + bounds[1:]), -np.diff(bounds)
    slowing = np.stack([film.stopping(energies), substrate.stopping(energies)])
    turns = []
    for matter, loss in zip((film, substrate), slowing, strict=True):
        decay = matter.scattering(energies) * (steps / loss)[:, None]
        # Half a turn before the first stream and after the last (Strang 1968), whole ones between.
        between = np.vstack([0.5 * decay[:1], 0.5 * (decay[:-1] + decay[1:])])
        turns.append(np.einsum("al,sl,lb->sab", from_moments, np.exp(-between), to_moments))
    from spattermap.xrays._march import march

    content = np.zeros((cosines.size, edges.size - 1))
    content[:, 0] = _beam(cosines, from_moments, tilt_deg)
    turned = (np.stack(turns), slowing, n_film)
    path, left = march(content, turned, steps, np.diff(edges), (cosines, to_moments[0]))
    return Paths(edges, n_film, energies, steps, path, left)


def _cells(film: Material, substrate: Material, depth: float, beam: float) -> tuple[Floats, int]:
    # 1.3 times the range of Anderson & Hasler (1966) holds all but a thousandth.
    reach = 1.3 * 0.064 * beam**1.68 * 1e-4 * max(1.0, 0.5 * _slowness(film, substrate, beam))
    grown = np.linspace(0.0, 1.0, SUBSTRATE_CELLS + 1) ** 1.5
    if depth <= 0:
        return reach * grown, 0
    n_film = max(FEWEST_FILM_CELLS, math.ceil(FILM_CELLS_PER_RANGE * depth / (reach / 1.3)))
    within = np.linspace(0.0, depth, n_film + 1)
    return np.concatenate([within, depth + reach * grown[1:]]), n_film


def _slowness(film: Material, substrate: Material, beam: float) -> float:
    at = np.array([beam])
    silicon = material({"Si": 1.0}).stopping(at)
    return float((silicon / np.minimum(film.stopping(at), substrate.stopping(at)))[0])


def _energies(film: Material, depth: float, beam: float, lowest: float) -> Floats:
    """Return the bounds of the steps: short while the beam crosses a thin film, then even."""
    whole = (beam**1.68 - lowest**1.68) / N_STEPS
    found = [beam]
    loss = float(film.stopping(np.array([beam]))[0])
    first = depth * loss / 6.0 if depth > 0 else math.inf
    # A step of energy dE costs a path dE / S.
    small = min(first * 1.68 * beam**0.68, whole)
    while found[-1] > lowest:
        left = found[-1] ** 1.68 - small
        found.append(max(left, lowest**1.68) ** (1 / 1.68))
        if len(found) > 10:
            small = min(small * 1.25, whole)
    return np.array(found)


def _beam(cosines: Floats, from_moments: Floats, tilt_deg: float) -> Floats:
    from numpy.polynomial import legendre

    if tilt_deg == 0.0:
        start = np.zeros(cosines.size)
        start[-1] = 1.0 / np.linalg.inv(from_moments)[0, -1]
        return start
    # Moments of a beam in one direction, damped so that the sum over few moments stays positive.
    order = np.arange(cosines.size)
    damped = np.exp(-((1.5 * order / cosines.size) ** 2))
    cosine = math.cos(math.radians(tilt_deg))
    return np.asarray(from_moments @ (damped * legendre.legvander([cosine], order[-1])[0]))

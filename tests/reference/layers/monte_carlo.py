"""Referee of the layer model: single-scattering Monte Carlo of electrons in a film on a substrate.

Shares no code with the toolkit, and takes other cross-sections for ionisation than the toolkit
does. Run by hand; it writes the tables beside it:

    python tests/reference/layers/monte_carlo.py backscatter
    python tests/reference/layers/monte_carlo.py films
    python tests/reference/layers/monte_carlo.py films --elastic rutherford

Formulas (all from memory; judged by the backscatter coefficients they give, see README.md):

* elastic "browning": Browning, Li, Chui, Ye, Pease, Czyzewski & Joy, J. Appl. Phys. 76 (1994) 2016
* elastic "rutherford": screened Rutherford, Joy, Monte Carlo Modeling (1995), eqs. 3.2 and 3.3
* stopping: Joy & Luo, Scanning 11 (1989) 176, with k = 0.85; J of Berger & Seltzer (1964)
* ionisation: K shells Casnati, Tartari & Baraldi, J. Phys. B 15 (1982) 155; L and M shells
  ln U / U^m, m = 0.82 and 0.78 (Pouchou & Pichoir 1991). Only the shape against energy matters.
* absorption: total mass attenuation of xraydb (Elam, Ravel & Sieber 2002)
"""

# Compiled code draws from its own legacy generator.
# ruff: noqa: NPY002
from __future__ import annotations

import argparse
import csv
import math
import time
from pathlib import Path

import numba
import numpy as np
import xraydb

HERE = Path(__file__).parent
SILICA = {"Si": 46.744, "O": 53.256}
# Float glass by SiO2 73, Na2O 13, CaO 8.4, MgO 4, Al2O3 1 (a supplier's analysis), as elements.
SODA_LIME = {"Si": 34.1, "O": 46.3, "Na": 9.64, "Ca": 6.0, "Mg": 2.41, "Al": 0.53}
ALLOYS = {"brass": {"Cu": 70.0, "Zn": 30.0}, "nichrome": {"Ni": 80.0, "Cr": 20.0}}
METALS = ("Al", "Ti", "Cr", "Ni", "Cu", "Mo", "Ag", "W", "Au")
DENSITY = {
    "Al": 2.70,
    "Ti": 4.506,
    "Cr": 7.19,
    "Ni": 8.908,
    "Cu": 8.96,
    "Mo": 10.28,
    "Ag": 10.49,
    "W": 19.25,
    "Au": 19.3,
    "brass": 8.53,
    "nichrome": 8.40,
}  # g/cm3, handbook values
ENERGIES = (5.0, 10.0, 15.0, 20.0, 25.0)
THICKNESSES = (10.0, 25.0, 50.0, 100.0, 200.0, 400.0, 800.0, 1600.0)
TAKE_OFF_DEG = 35.0
SHELLS = {"Ka": "K", "La": "L3", "Ma": "M5"}
AVOGADRO = 6.02214076e23


@numba.njit(cache=False)
def _stopping(share, z, a, j, energy):
    """Return -dE/d(rho s) of a mixture, keV per g/cm2 (Joy & Luo 1989)."""
    total = 0.0
    for i in range(share.size):
        inside = 1.166 * (energy + 0.85 * j[i]) / j[i]
        total += share[i] * 78500.0 * z[i] / (a[i] * energy) * math.log(inside)
    return total


@numba.njit(cache=False)
def _tabulate(matter, grid, rutherford):
    """Return stopping power and rate of collisions with each element on a grid of energy."""
    share, z, a, j = matter
    loss = np.empty(grid.size)
    rates = np.empty((grid.size, share.size))
    for k in range(grid.size):
        loss[k] = _stopping(share, z, a, j, grid[k])
        for i in range(share.size):
            sigma = _cross_section(z[i], grid[k], rutherford)
            rates[k, i] = AVOGADRO * share[i] / a[i] * sigma
    return loss, rates


@numba.njit(cache=False)
def _cross_section(z, energy, rutherford):
    """Return the total elastic cross-section of an atom (cm2)."""
    if rutherford:
        alpha = 3.4e-3 * z**0.67 / energy
        relative = ((energy + 511.0) / (energy + 1024.0)) ** 2
        return 5.21e-21 * (z / energy) ** 2 * 4 * math.pi / (alpha * (1 + alpha)) * relative
    root = math.sqrt(energy)
    return 3e-18 * z**1.7 / (energy + 0.005 * z**1.7 * root + 0.0007 * z * z / root)


@numba.njit(cache=False)
def _cosine(z, energy, rutherford):
    """Draw the cosine of the scattering angle."""
    r = np.random.random()
    if rutherford:
        alpha = 3.4e-3 * z**0.67 / energy
        return 1.0 - 2.0 * alpha * r / (1.0 + alpha - r)
    ratio = 300.0 * energy ** (1.0 - z / 2000.0) / z + z**3 / (3e5 * energy)
    if np.random.random() < ratio / (1.0 + ratio):
        alpha = 7e-3 / energy
        return 1.0 - 2.0 * alpha * r / (1.0 + alpha - r)
    return 1.0 - 2.0 * r


@numba.njit(cache=False)
def run(film, glass, depth, beam, lines, n_electrons, seed, rutherford, tilt):
    """Follow electrons; return emitted photons a line and the share scattered back.

    `film`, `glass`: rows share, Z, A, J (keV). `depth`: g/cm2. `lines`: rows (layer, chi_film,
    chi_glass, table of cross-section on a grid of energy).
    """
    np.random.seed(seed)
    where, chi_film, chi_glass, grid, tables = lines
    emitted = np.zeros(where.size)
    squared = np.zeros(where.size)
    back = 0
    lowest = grid[0]
    step_e = grid[1] - grid[0]
    one = np.zeros(where.size)
    loss_f, rates_f = _tabulate(film, grid, rutherford)
    loss_g, rates_g = _tabulate(glass, grid, rutherford)
    for _ in range(n_electrons):
        one[:] = 0.0
        x, energy = 0.0, beam
        u, v, w = math.sin(tilt), 0.0, math.cos(tilt)
        while energy > lowest:
            inside = x < depth
            if inside:
                z, losses, rates = film[1], loss_f, rates_f
            else:
                z, losses, rates = glass[1], loss_g, rates_g
            at = min(int((energy - lowest) / step_e), grid.size - 2)
            total = 0.0
            for i in range(z.size):
                total += rates[at, i]
            s = -math.log(np.random.random()) / total
            cut = False
            end = x + s * w
            if depth > 0 and ((inside and end > depth) or (not inside and end < depth)):
                s, cut = (depth - x) / w, True
            leaves = x + s * w < 0
            if leaves:
                s = -x / w
            mid_x = x + 0.5 * s * w
            mid_e = energy - 0.5 * s * losses[at]
            if mid_e <= lowest:
                break
            place = (mid_e - lowest) / step_e
            k = min(int(place), grid.size - 2)
            part = place - k
            loss = s * losses[k]
            for n in range(where.size):
                if (where[n] == 0) == inside:
                    q = (1 - part) * tables[n, k] + part * tables[n, k + 1]
                    if inside:
                        path = chi_film[n] * mid_x
                    else:
                        path = chi_film[n] * depth + chi_glass[n] * (mid_x - depth)
                    one[n] += s * q * math.exp(-path)
            x += s * w
            energy -= loss
            if leaves:
                back += 1
                break
            if cut:
                # Exactly on the other side, so that the next step sees the other material.
                x = depth * (1 + 1e-12) if w > 0 else depth * (1 - 1e-12)
                continue
            r = np.random.random() * total
            i = 0
            while i < z.size - 1 and r > rates[at, i]:
                r -= rates[at, i]
                i += 1
            c = _cosine(z[i], energy, rutherford)
            sine = math.sqrt(max(0.0, 1 - c * c))
            phi = 2 * math.pi * np.random.random()
            cp, sp = math.cos(phi), math.sin(phi)
            if abs(w) > 0.99999:
                u, v, w = sine * cp, sine * sp, c * (1.0 if w > 0 else -1.0)
            else:
                t = math.sqrt(1 - w * w)
                u, v, w = (
                    u * c + sine * (u * w * cp - v * sp) / t,
                    v * c + sine * (v * w * cp + u * sp) / t,
                    w * c - t * sine * cp,
                )
        for n in range(where.size):
            emitted[n] += one[n]
            squared[n] += one[n] ** 2
    mean = emitted / n_electrons
    error = np.sqrt(np.maximum(squared / n_electrons - mean**2, 0) / n_electrons)
    return mean, error, back / n_electrons


def material(parts):
    total = sum(parts.values())
    z = np.array([float(xraydb.atomic_number(e)) for e in parts])
    a = np.array([float(xraydb.atomic_mass(e)) for e in parts])
    j = np.where(z >= 13, 9.76 * z + 58.5 * z**-0.19, 11.5 * z) / 1000
    return np.array([p / total for p in parts.values()]), z, a, j


def attenuation(parts, energy_eV):
    total = sum(parts.values())
    return sum(
        p / total * float(xraydb.mu_elam(e, energy_eV, kind="total")) for e, p in parts.items()
    )


def ionisation(shell, edge, energy):
    """Return the cross-section against energy in an arbitrary unit (keV both)."""
    u = np.maximum(energy / edge, 1.0 + 1e-12)
    if shell == "K":
        t, k = energy / 511.0, edge / 511.0
        f = (
            ((2 + k) / (2 + t))
            * ((1 + t) / (1 + k)) ** 2
            * ((k + t) * (2 + t) * (1 + k) ** 2 / (t * (2 + t) * (1 + k) ** 2 + k * (2 + k))) ** 1.5
        )
        d = -0.0318 + 0.3160 / u - 0.1135 / u**2
        phi = 10.57 * np.exp(-1.736 / u + 0.317 / u**2)
        q = phi * (edge / 0.0136) ** d * f * np.log(u) / (energy * edge)
    else:
        q = np.log(u) / (u ** {"L": 0.82, "M": 0.78}[shell] * edge**2)
    return np.where(energy > edge, q, 0.0)


def lines_for(film, glass, beam, sine):
    """Return names and the arrays that `run` wants."""
    wanted = [(e, 1) for e in glass if e in ("Si", "O", "Ca", "Na")] + [(e, 0) for e in film]
    names, where, chi_f, chi_g, tables, edges = [], [], [], [], [], []
    grid = None
    for element, layer in wanted:
        for family, level in SHELLS.items():
            known = xraydb.xray_edges(element)
            if level not in known or family not in xraydb.xray_lines(element, level):
                lines = xraydb.xray_lines(element)
                if family not in {n[:2] for n in lines} or level not in known:
                    continue
            members = {
                n: one for n, one in xraydb.xray_lines(element).items() if n.startswith(family)
            }
            edge = known[level].energy / 1000
            weight = sum(m.intensity for m in members.values())
            if not members or weight <= 0 or edge < 0.4 or beam < 1.1 * edge:
                continue
            energy = sum(m.energy * m.intensity for m in members.values()) / weight
            names.append((element, family))
            where.append(layer)
            edges.append((level[0], edge))
            chi_f.append(attenuation(film, energy) / sine)
            chi_g.append(attenuation(glass, energy) / sine)
    grid = np.linspace(min(e for _, e in edges), beam, 2000)
    tables = np.array([ionisation(shell, edge, grid) for shell, edge in edges])
    return names, (np.array(where), np.array(chi_f), np.array(chi_g), grid, tables)


def films(elastic, n_electrons, metals, energies, glass_name, thicknesses, angles):
    glass = {"silica": SILICA, "soda-lime": SODA_LIME}[glass_name]
    take_off, tilt = angles
    sine, tilt = math.sin(math.radians(take_off)), math.radians(tilt)
    rutherford = elastic == "rutherford"
    rows = []
    for metal in metals:
        film = ALLOYS.get(metal, {metal: 1.0})
        for beam in energies:
            names, lines = lines_for(film, glass, beam, sine)
            bare, bare_error, _ = run(
                material(film),
                material(glass),
                0.0,
                beam,
                lines,
                4 * n_electrons,
                1,
                rutherford,
                tilt,
            )
            bulk, bulk_error, eta = run(
                material(film),
                material(glass),
                1.0,
                beam,
                lines,
                4 * n_electrons,
                2,
                rutherford,
                tilt,
            )
            for nm in thicknesses:
                depth = DENSITY[metal] * nm * 1e-7
                got, error, back = run(
                    material(film),
                    material(glass),
                    depth,
                    beam,
                    lines,
                    n_electrons,
                    3 + int(nm),
                    rutherford,
                    tilt,
                )
                for n, (element, family) in enumerate(names):
                    whole, we = (
                        (bulk[n], bulk_error[n]) if lines[0][n] == 0 else (bare[n], bare_error[n])
                    )
                    ratio = got[n] / whole
                    spread = math.hypot(error[n] / whole, ratio * we / whole)
                    rows.append(
                        (
                            elastic,
                            glass_name,
                            metal,
                            f"{take_off:g}/{math.degrees(tilt):g}",
                            f"{beam:g}",
                            f"{nm:g}",
                            f"{element} {family}",
                            f"{ratio:.4f}",
                            f"{spread:.4f}",
                            f"{back:.4f}",
                        )
                    )
                if got[: len(names)][lines[0] == 1].max() <= 0:
                    break
            print(elastic, glass_name, metal, beam, f"eta {eta:.3f}", flush=True)
    return rows


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=("backscatter", "films"))
    parser.add_argument("--elastic", default="browning", choices=("browning", "rutherford"))
    parser.add_argument("--electrons", type=int, default=16000)
    parser.add_argument("--glass", default="silica", choices=("silica", "soda-lime"))
    parser.add_argument("--metals", nargs="*", default=METALS)
    parser.add_argument("--energies", nargs="*", type=float, default=ENERGIES)
    parser.add_argument("--thicknesses", nargs="*", type=float, default=THICKNESSES)
    parser.add_argument("--take-off", type=float, default=TAKE_OFF_DEG)
    parser.add_argument("--tilt", type=float, default=0.0)
    parser.add_argument("--out")
    args = parser.parse_args()
    start = time.time()
    if args.what == "backscatter":
        rows = [("elastic", "element", "beam_keV", "eta")]
        for element in ("C", "Al", "Si", "Ti", "Cu", "Ag", "Au"):
            for beam in (5.0, 10.0, 20.0):
                for elastic in ("browning", "rutherford"):
                    grid = np.linspace(0.3, beam, 1000)
                    lines = (
                        np.zeros(1, np.int64),
                        np.zeros(1),
                        np.zeros(1),
                        grid,
                        np.zeros((1, 1000)),
                    )
                    it = material({element: 1.0})
                    eta = run(
                        it, it, 1.0, beam, lines, args.electrons, 5, elastic == "rutherford", 0.0
                    )[2]
                    rows.append((elastic, element, f"{beam:g}", f"{eta:.4f}"))
                    print(*rows[-1], flush=True)
        target = HERE / "backscatter.csv"
    else:
        rows = [
            (
                "elastic",
                "glass",
                "metal",
                "angles",
                "beam_keV",
                "thickness_nm",
                "line",
                "ratio",
                "error",
                "backscatter",
            )
        ]
        angles = (args.take_off, args.tilt)
        rows += films(
            args.elastic, args.electrons, args.metals, args.energies, args.glass, args.thicknesses,
            angles,
        )  # fmt: skip
        target = HERE / f"films_{args.elastic}_{args.glass}.csv"
    if args.out:
        target = Path(args.out)
    with target.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)
    print(f"{target.name}: {len(rows) - 1} rows, {time.time() - start:.0f} s")


if __name__ == "__main__":
    main()

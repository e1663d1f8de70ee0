"""The layer model against published backscatter, a Monte Carlo of its own kind, and its limits."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spattermap.core.errors import InputError
from spattermap.measure.thickness import model_tolerance
from spattermap.xrays.layers import LayerModel, layer_model
from spattermap.xrays.transport import electron_paths, material

REFERENCE = Path(__file__).parent / "reference" / "layers"
SILICA = {"Si": 46.744, "O": 53.256}
SODA_LIME = {"Si": 34.1, "O": 46.3, "Na": 9.64, "Ca": 6.0, "Mg": 2.41, "Al": 0.53}
DENSITY = {"Al": 2.70, "Ti": 4.506, "Cr": 7.19, "Ni": 8.908, "Cu": 8.96, "Mo": 10.28,
           "Ag": 10.49, "W": 19.25, "Au": 19.3}  # fmt: skip


@lru_cache(maxsize=64)
def model_of(metal: str, line: str, beam: float, glass: str = "silica") -> LayerModel:
    substrate = {"silica": SILICA, "soda-lime": SODA_LIME}[glass]
    lines = {metal: line, "Si": "Si Ka"}
    return layer_model(
        lines, {metal: 100.0}, substrate, beam_energy_keV=beam, density_g_cm3=DENSITY[metal]
    )


def left(metal: str, nm: float, beam: float) -> float:
    """Return the part of Si Ka that a film on silica leaves."""
    line = {"Ag": "Ag La", "Cu": "Cu La", "Al": "Al Ka", "Ti": "Ti Ka"}[metal]
    found = model_of(metal, line, beam)
    return float(np.interp(nm, found.thickness_nm, found.lines["Si"].substrate))


@pytest.mark.outside(
    "Backscatter coefficients at 20 keV, normal incidence",
    source="Heinrich 1966; Reuter 1972 reproduces them within 0.02",
    known="from memory",
    tolerance="0.02",
)
@pytest.mark.parametrize(
    ("element", "eta"),
    [("C", 0.06), ("Al", 0.155), ("Si", 0.165), ("Cu", 0.31), ("Ag", 0.41), ("Au", 0.50)],
)
def test_backscatter(element: str, eta: float) -> None:
    metal = material({element: 1.0})
    found = electron_paths(metal, metal, 0.0, beam_energy_keV=20.0, lowest_keV=0.3)
    assert found.backscattered == pytest.approx(eta, abs=0.025 if element == "Au" else 0.02)


@pytest.mark.outside(
    "Part of Si Ka left under a film on silica",
    source="another Monte Carlo (screened Rutherford after Joy, stopping power of Joy & Luo), "
    "3000 electrons, about 3 %",
    known="computed",
    tolerance="0.04",
)
@pytest.mark.parametrize(
    ("metal", "nm", "beam", "part"),
    [("Al", 100, 15, 0.831), ("Al", 400, 15, 0.424), ("Ti", 100, 15, 0.821), ("Cu", 50, 15, 0.708),
     ("Cu", 100, 15, 0.453), ("Ag", 50, 15, 0.680), ("Cu", 100, 20, 0.561), ("Cu", 100, 10, 0.23),
     ("Cu", 200, 10, 0.02), ("Cu", 200, 15, 0.17), ("Cu", 200, 20, 0.27), ("Al", 200, 10, 0.54),
     ("Al", 200, 15, 0.68), ("Al", 200, 20, 0.73), ("Ag", 100, 10, 0.17), ("Ag", 100, 15, 0.43),
     ("Ag", 100, 20, 0.57)],
)  # fmt: skip
def test_glass_left_under_a_film(metal: str, nm: float, beam: float, part: float) -> None:
    assert left(metal, nm, float(beam)) == pytest.approx(part, abs=0.04)


def monte_carlo() -> pd.DataFrame:
    """Return films at normal incidence and a take-off angle of 35 degrees."""
    table = pd.read_csv(REFERENCE / "films.csv")
    return table[table.angles == "35/0"]


@pytest.mark.outside(
    "Counts of films and of the glass under them, as thicknesses",
    source="tests/reference/layers/monte_carlo.py: single scattering, Browning et al. 1994 and "
    "screened Rutherford, Casnati et al. 1982; shares no code with the model",
    known="computed",
    tolerance="the tolerance stated by metal and energy",
)
@pytest.mark.parametrize("metal", list(DENSITY))
def test_model_against_monte_carlo(metal: str) -> None:
    table = monte_carlo()
    table = table[(table.metal == metal) & table.line.isin(["Si Ka"])]
    assert len(table) > 20
    seen = 0
    for (glass, beam), rows in table.groupby(["glass", "beam_keV"]):
        line = {"Al": "Al Ka", "Ti": "Ti Ka"}.get(metal)
        line = line or f"{metal} {'Ma' if metal in ('W', 'Au') else 'La'}"
        if beam == 5 and metal == "Ti":
            line = "Ti La"
        found = model_of(metal, line, float(beam), glass)
        curve = found.lines["Si"].substrate
        # Where the glass tells the thickness: neither nearly bare nor nearly hidden.
        told = rows[(rows.ratio > 0.05) & (rows.ratio < 0.9)]
        nm = np.interp(-told.ratio, -curve, found.thickness_nm)
        slope = np.abs(np.interp(nm, found.thickness_nm, np.gradient(curve, found.thickness_nm)))
        allowed = model_tolerance({metal: 100.0}, float(beam)) * told.thickness_nm
        assert (np.abs(nm - told.thickness_nm) <= allowed + 2.5 * told.error / slope).all()
        seen += len(told)
    assert seen >= 8


@pytest.mark.outside(
    "A film on bulk of the same metal is bulk",
    source="two films one on the other equal one whole",
    known="exact",
    tolerance="1.5 %",
)
@pytest.mark.parametrize(("metal", "line"), [("Cu", "Cu La"), ("Al", "Al Ka"), ("Ag", "Ag La")])
def test_film_on_its_own_metal(metal: str, line: str) -> None:
    found = layer_model({metal: line}, {metal: 100.0}, {metal: 100.0}, beam_energy_keV=15.0)
    table = found.lines[metal]
    assert table.film_per_substrate == pytest.approx(1.0, abs=0.015)
    both = table.film * table.film_per_substrate + table.substrate
    np.testing.assert_allclose(both, 1.0, atol=0.015)
    np.testing.assert_allclose(table.continuum, 1.0, atol=0.015)


@pytest.mark.outside(
    "Thin and thick limits of a film on glass",
    source="metal line as rho t, then its bulk value; glass line 1 - O(t), then 0",
    known="exact",
    tolerance="5 % of proportional below 3 nm; 1e-3 at the end",
)
def test_limits() -> None:
    found = model_of("Cu", "Cu La", 15.0)
    metal, glass = found.lines["Cu"].film, found.lines["Si"].substrate
    one, two = (np.interp(nm, found.thickness_nm, metal) for nm in (1.0, 2.0))
    assert two / one == pytest.approx(2.0, rel=0.05)
    assert metal[0] == 0.0
    assert glass[0] == pytest.approx(1.0)
    assert metal[-1] == pytest.approx(1.0, abs=1e-3)
    assert glass[-1] == pytest.approx(0.0, abs=1e-3)
    assert (np.diff(metal) >= -1e-3).all()
    assert (np.diff(glass) <= 1e-9).all()


@pytest.mark.outside(
    "Metals in the order in which they hide glass at equal thickness",
    source="order of mass thickness and stopping: Al < Ti < Cu < Ag; at 20 keV aluminium, whose "
    "edge lies just below Si Ka, absorbs more than titanium stops (as in our Monte Carlo)",
    known="exact",
    tolerance="order",
)
@pytest.mark.parametrize(("beam", "metals"), [(10.0, "Al Ti Cu Ag"), (20.0, "Ti Cu")])
def test_order_of_metals(beam: float, metals: str) -> None:
    parts = [left(metal, 100.0, beam) for metal in metals.split()]
    assert parts == sorted(parts, reverse=True)


def test_tilt_hides_more_and_angles_are_checked() -> None:
    arguments = ({"Cu": "Cu La", "Si": "Si Ka"}, {"Cu": 100.0}, SILICA)
    flat = layer_model(*arguments, beam_energy_keV=15.0)
    tilted = layer_model(*arguments, beam_energy_keV=15.0, tilt_deg=45.0)
    low = layer_model(*arguments, beam_energy_keV=15.0, take_off_deg=15.0)
    parts = [np.interp(100.0, m.thickness_nm, m.lines["Si"].substrate) for m in (flat, tilted, low)]
    assert parts[1] < 0.9 * parts[0]
    assert parts[2] < 0.9 * parts[0]
    with pytest.raises(InputError, match="take_off_deg must lie between"):
        layer_model(*arguments, beam_energy_keV=15.0, take_off_deg=0.0)
    with pytest.raises(InputError, match="must exceed the edge of Cu Ka"):
        layer_model({"Cu": "Cu Ka"}, {"Cu": 100.0}, SILICA, beam_energy_keV=8.0)
    with pytest.raises(InputError, match="substrate must state"):
        layer_model({"Cu": "Cu Ka"}, {"Cu": 100.0}, {}, beam_energy_keV=15.0)


ALLOYS = {"brass": ({"Cu": 70.0, "Zn": 30.0}, 8.53), "nichrome": ({"Ni": 80.0, "Cr": 20.0}, 8.40)}


@pytest.mark.parametrize(
    ("metal", "beam", "angles"),
    [("brass", 15.0, "35/0"), ("nichrome", 20.0, "35/0"), ("Cu", 15.0, "35/40"),
     ("Al", 15.0, "35/40")],
)  # fmt: skip
def test_alloys_and_a_tilted_beam_against_monte_carlo(metal: str, beam: float, angles: str) -> None:
    table = pd.read_csv(REFERENCE / "films.csv")
    rows = table[(table.metal == metal) & (table.beam_keV == beam) & (table.angles == angles)]
    rows = rows[(rows.line == "Si Ka") & rows.ratio.between(0.05, 0.9)]
    assert len(rows) >= 3
    alloy, density = ALLOYS.get(metal, ({metal: 100.0}, DENSITY.get(metal, 0.0)))
    take_off, tilt = (float(angle) for angle in angles.split("/"))
    found = layer_model(
        {"Si": "Si Ka"}, alloy, SILICA, beam_energy_keV=beam, density_g_cm3=density,
        take_off_deg=take_off, tilt_deg=tilt,
    )  # fmt: skip
    curve = found.lines["Si"].substrate
    nm = np.interp(-rows.ratio, -curve, found.thickness_nm)
    slope = np.abs(np.interp(nm, found.thickness_nm, np.gradient(curve, found.thickness_nm)))
    allowed = model_tolerance(alloy, beam) * rows.thickness_nm
    assert (np.abs(nm - rows.thickness_nm) <= allowed + 2.5 * rows.error / slope).all()

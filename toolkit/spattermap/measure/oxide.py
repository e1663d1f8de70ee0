"""Oxygen in the metal as an atomic ratio, held against the oxides of that metal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from spattermap.measure.thickness import AT_LEAST, BETWEEN, TOLD

if TYPE_CHECKING:
    from spattermap.core.arrays import Floats
    from spattermap.measure.metal_weight import Weighed

# Oxygen atoms a metal atom in the common oxides (stoichiometry, exact).
OXIDES: dict[str, tuple[float, ...]] = {
    "Mg": (1.0,), "Al": (1.5,), "Si": (2.0,), "Ti": (1.0, 1.5, 2.0), "V": (1.5, 2.0, 2.5),
    "Cr": (1.5,), "Mn": (1.0, 4 / 3, 1.5, 2.0), "Fe": (1.0, 4 / 3, 1.5), "Co": (1.0, 4 / 3),
    "Ni": (1.0,), "Cu": (0.5, 1.0), "Zn": (1.0,), "Zr": (2.0,), "Nb": (1.0, 2.0, 2.5),
    "Mo": (2.0, 3.0), "Ag": (0.5,), "Cd": (1.0,), "In": (1.5,), "Sn": (1.0, 2.0), "Hf": (2.0,),
    "Ta": (2.5,), "W": (2.0, 3.0), "Pb": (1.0, 4 / 3, 2.0), "Bi": (1.5,),
}  # fmt: skip
_FORMULA = {0.5: "{}2O", 1.0: "{}O", 4 / 3: "{}3O4", 1.5: "{}2O3", 2.0: "{}O2", 2.5: "{}2O5",
            3.0: "{}O3"}  # fmt: skip
# Below this ratio oxygen is no more than a skin or what the glass's own oxygen may fake.
_SKIN = 0.4
# Difference between layer model and Monte Carlo in O Ka under and in films; tests/reference/layers.
_LINE_TOLERANCE = 0.15
_HIDDEN = 0.02  # part of the glass's oxygen that may come through where oxide is looked for
_LEAST_keV = 3.0  # below, few microscopes map
_OXYGEN_EDGE_keV = 0.532
# The range's power of the beam energy between 5 and 20 keV in the layer model, which stops slow
# electrons less than the 1.68 of Anderson & Hasler (1966) does.
_RANGE_POWER = 1.45


def oxygen_ratio(weighed: Weighed, table: pd.DataFrame) -> pd.DataFrame:
    """Return oxygen atoms per metal atom where oxygen was looked for and thickness is told.

    `table` is the excess of oxygen (counts per pixel) as `oxygen_evidence` gives it; columns where,
    ratio, ratio_low, ratio_high.

    Oxygen in a film of thickness t with mass fraction c gives ``c S F(t)``: S is its sensitivity,
    known from the oxygen of the bare glass and the layer model, F its part of bulk. With the excess
    this gives c, then ``(c / A_O) / ((1 - c) / A_M)``.
    """
    rows = []
    field, curve = weighed.field, weighed.oxygen_curve
    if field is not None and curve is not None and math.isfinite(weighed.oxygen_scale):
        mass = _mean_mass(weighed.composition)
        for row in table.to_dict("records"):
            nm = _thickness_of(weighed, str(row["where"]))
            if nm is None:
                continue
            signal = weighed.oxygen_scale * np.interp(nm, *curve[:2])
            ends = [float(row[name]) for name in ("excess", "excess_low", "excess_high")]
            if not np.isfinite(ends).all() or not signal[0] > 0:
                continue
            low = ends[1] / signal[2] * (1 - _LINE_TOLERANCE)
            high = ends[2] / max(signal[1], 1e-12) * (1 + _LINE_TOLERANCE)
            found = [_atoms(share, mass) for share in (ends[0] / signal[0], low, high)]
            rows.append((row["where"], *found))
    return pd.DataFrame(rows, columns=["where", "ratio", "ratio_low", "ratio_high"])


def _mean_mass(composition: dict[str, float]) -> float:
    from spattermap.xrays.atomic_data import atomic_mass

    atoms = sum(part / atomic_mass(e) for e, part in composition.items())
    return sum(composition.values()) / atoms


def _atoms(share: float, mass: float) -> float:
    """Return atoms of oxygen a metal atom for a mass fraction of oxygen."""
    if share >= 0.97:
        return math.inf
    return max(share, 0.0) / 15.999 * mass / (1.0 - max(share, 0.0))


def _thickness_of(weighed: Weighed, where: str) -> Floats | None:
    """Return value, low and high of the mean thickness (nm) of a kind of region."""
    field = weighed.field
    assert field is not None
    if where == "haze":
        if field.haze is None or field.haze.told[0] != TOLD:
            return None
        one = field.haze
        return np.array([one.nm[0], one.low[0], one.high[0]])
    n = weighed.n_droplets
    part = slice(0, n) if where == "droplets" else slice(n, None)
    t, pixels = field.regions, field.pixels[part]
    some = (pixels > 0) & np.isin(t.told[part], (TOLD, BETWEEN, AT_LEAST))
    if not some.any():
        return None
    far = field.scale.thickness_nm[-1]
    area = pixels[some] / pixels[some].sum()
    least = t.told[part][some] == AT_LEAST
    nm = np.where(least, np.minimum(1.5 * t.low[part][some], far), t.nm[part][some])
    high = np.where(np.isfinite(t.high[part][some]), t.high[part][some], far)
    return np.array([float(area @ nm), float(area @ t.low[part][some]), float(area @ high)])


def oxide_shown(table: pd.DataFrame) -> str:
    """Return "shown", "none shown" or "" for the metal itself, droplets and streaks."""
    metal = table.loc[table["where"] != "haze", "finding"]
    if (metal == "oxygen beyond the glass").any():
        return "shown"
    return "none shown" if len(metal) and (metal == "none shown").all() else ""


def oxygen_ratio_words(weighed: Weighed, table: pd.DataFrame) -> dict[str, str]:
    """Return the ratio in each kind of region as a clause, held against the main metal's oxides."""
    found = oxygen_ratio(weighed, table)
    main = max(weighed.composition, key=lambda e: weighed.composition[e], default="")
    said = {}
    for row in found.to_dict("records"):
        low, high = (float(row[name]) for name in ("ratio_low", "ratio_high"))
        if high <= _SKIN:
            words = f"at most {high:.2g} oxygen atoms per metal atom, so no more than a skin"
        elif low > 0:
            fits = [_FORMULA[x].format(main) for x in OXIDES.get(main, ()) if low <= x <= high]
            words = f"at least {low:.2g} oxygen atoms per metal atom"
            words += f"; {' or '.join(fits)} would fit" if fits else ""
        else:
            continue
        said[str(row["where"])] = words
    return said


def oxide_step(weighed: Weighed) -> str:
    """Return at which beam energy this metal hides the oxygen of the glass under it, as a step."""
    if weighed.field is None or weighed.oxygen_curve is None:
        return ""
    nm = _thickness_of(weighed, "droplets")
    if nm is None:
        nm = _thickness_of(weighed, "streaks")
    if nm is None:
        return ""
    wanted, beam = _hiding_keV(weighed, float(nm[1])), weighed.field.model.beam_energy_keV
    if wanted >= 0.9 * beam:
        return (
            "Map a piece of the clean alloy under the same conditions, for the background: this "
            "metal hides the oxygen of the glass already."
        )
    if wanted < _LEAST_keV:
        return (
            "Deposit on a substrate without oxygen: this metal is too thin to hide that of the "
            f"glass even at {_LEAST_keV:g} keV."
        )
    return (
        f"Map oxygen at about {wanted:.0f} keV, where next to none of the glass's oxygen comes "
        "through this metal."
    )


def _hiding_keV(weighed: Weighed, nm: float) -> float:
    """Return the beam energy at which `_HIDDEN` of the glass's oxygen comes through `nm` of metal.

    What electrons reach moves with their range, here as ``E^p - Ec^p`` (see `_RANGE_POWER`), and
    is read off the table of the glass's hardest line; what the metal absorbs on the way out does
    not move: it is the rest of the loss of oxygen at the energy of the maps.
    """
    field, curve = weighed.field, weighed.oxygen_curve
    assert field is not None
    assert curve is not None
    scale = field.scale
    glass = [k for k in range(len(scale.elements)) if scale.glass[k] > 0 and not scale.in_film[k]]
    tables = list(field.model.lines.values())
    hard = max(glass, key=lambda k: tables[k].line.energy_eV)
    reached, grid = scale.substrate[hard], scale.thickness_nm
    edge = _OXYGEN_EDGE_keV**_RANGE_POWER
    beam = field.model.beam_energy_keV**_RANGE_POWER
    per_range = beam - (tables[hard].line.edge_eV / 1e3) ** _RANGE_POWER
    now = float(np.interp(nm * per_range / (beam - edge), grid, reached))
    absorbed = float(np.interp(nm, curve[0], curve[2])) / max(now, 1e-6)
    if absorbed <= _HIDDEN:
        return math.inf
    depth = float(np.interp(-_HIDDEN / absorbed, -reached, grid))
    return float((nm * per_range / max(depth, 1e-9) + edge) ** (1 / _RANGE_POWER))

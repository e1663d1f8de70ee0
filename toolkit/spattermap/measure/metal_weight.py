"""From a map set and its regions to thicknesses, or to why there are none."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.core.errors import InputError
from spattermap.core.mapset import Facts, Roles, facts, valid_mask
from spattermap.measure.field_thickness import FieldThickness, deposited, weigh_field
from spattermap.measure.thickness import AT_LEAST, AT_MOST, NOT_TOLD, TOLD

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from spattermap.core.arrays import Floats, Labels
    from spattermap.segment.result import Segmentation
    from spattermap.xrays.layers import LayerModel

SILICA = {"Si": 46.74, "O": 53.26}
_LEAK = 0.02  # a glass line into which the alloy leaks more of its counts is not used
_LEAST_OVERVOLTAGE = 1.15
_NO_DOSE = (
    "No thickness: too little bare glass is left in the field to set the dose.",
    "Map a field with bare glass beside the metal, at the same settings.",
)
_NO_GLASS_LINE = (
    "No thickness: no line of the glass is mapped that metal leaves alone, besides oxygen.",
    "Map Si Ka, or another element of the glass, beside the metal.",
)
TOO_LARGE = (
    "No thickness: the field is too large to be weighed whole.",
    "Analyse a part of it, or bin the pixels, to have the thickness told.",
)
FAULTY = (
    "No thickness: a fault was found in the maps that it would rest on.",
    "Mend what the examination names, and the thickness is told.",
)
_RANGE_keV = (5.0, 30.0)


@dataclass(frozen=True)
class Weighed:
    """Thickness of a field's metal, or why it is withheld.

    Parameters
    ----------
    field : FieldThickness or None
        What was found.
    why : str
        One sentence: why nothing is told, or what the thickness rests on.
    next_step : str
        What would tell it, or tell it better.
    oxygen_scale : float
        Counts per pixel of oxygen in bulk metal of 100 % oxygen, over the mass fraction; NaN where
        oxygen was not mapped.
    composition : dict of str to float
        Mass percent of the film as used.
    oxygen_curve : tuple of numpy.ndarray
        Thickness (nm), and oxygen counts of a film over those of bulk; None where not mapped.
    n_droplets : int
        Regions that are droplets; the rest are streaks.
    """

    field: FieldThickness | None
    why: str
    next_step: str
    composition: dict[str, float]
    oxygen_scale: float = math.nan
    oxygen_curve: tuple[Floats, Floats] | None = None
    n_droplets: int = 0

    def columns(self, first: int, last: int) -> dict[str, Floats]:
        """Return the columns of the regions from label `first` to `last`, one row a region."""
        n = last - first + 1
        if self.field is None:
            empty = np.full(n, np.nan)
            return {
                "thickness_nm": empty, "thickness_nm_low": empty, "thickness_nm_high": empty,
                "thickness_told": np.full(n, NOT_TOLD, dtype=object),
            }  # fmt: skip
        t, part = self.field.regions, slice(first - 1, last)
        told = t.told[part]
        high = np.where(np.isfinite(t.high[part]), t.high[part], np.nan)
        return {
            "thickness_nm": np.where(told == TOLD, t.nm[part], np.nan),
            "thickness_nm_low": np.where(told == NOT_TOLD, np.nan, t.low[part]),
            "thickness_nm_high": np.where(told == NOT_TOLD, np.nan, high),
            "thickness_told": told.astype(object),
        }

    def picture(self, labels: Labels) -> xr.Dataset | None:
        """Return the thickness of every pixel's region, see `Analysis.thickness_map`."""
        import xarray as xr

        if self.field is None:
            return None
        t, some = self.field.regions, self.field.pixels > 0
        told = np.where(some, t.told, NOT_TOLD)
        known = told != NOT_TOLD
        values = {
            "nm": np.where(told == TOLD, t.nm, np.where(told == AT_LEAST, t.low, t.high)),
            "nm_low": t.low,
            "nm_high": t.high,
        }
        planes: dict[str, Any] = {}
        for name, value in values.items():
            flat = np.concatenate([[np.nan], np.where(known, value, np.nan)]).astype(np.float32)
            planes[name] = (("y", "x"), flat[labels])
        only = np.concatenate([[False], known & (told != TOLD)])
        planes["only_bound"] = (("y", "x"), only[labels])
        return xr.Dataset(planes, attrs={"units": "nm"})

    def beside(self, droplets: pd.DataFrame) -> pd.DataFrame:
        """Return the table of droplets with thickness before the counts of the elements."""
        found = self.columns(1, len(droplets))
        first = [name for name in droplets.columns if not name.endswith(("_counts", "_counts_err"))]
        rest = [name for name in droplets.columns if name not in first]
        return droplets[first].assign(**found).join(droplets[rest])

    def summary(self) -> dict[str, Any]:
        """Return the plain values for ``summary.json``; NaN or None where there is none."""
        if self.field is None:
            names = ("mean_thickness_nm", "deposited_ug_per_cm2")
            found: dict[str, Any] = {
                f"{name}{end}": math.nan for name in names for end in ("", "_low", "_high")
            }
            return {**found, "mean_thickness_bound": "", "thickness_limited_by": None,
                    "thickness_note": self.why}  # fmt: skip
        found = deposited(self.field)
        bound = ""
        if not math.isfinite(found["mean_thickness_nm"]) and found["mean_thickness_nm_low"] > 0:
            bound = "at least"
        elif self.field.regions.told.size and (self.field.regions.told == AT_MOST).all():
            bound, found["mean_thickness_nm"] = "at most", math.nan
        return {
            **found,
            "mean_thickness_bound": bound,
            "thickness_limited_by": self.limited_by(),
            "thickness_note": self.why,
        }

    def mean(self) -> tuple[float, float, float] | None:
        """Return the mean thickness of the covered area with its bounds (nm)."""
        if self.field is None or not self.field.pixels.sum():
            return None
        found = deposited(self.field)
        value, low, high = (found[f"mean_thickness_nm{end}"] for end in ("", "_low", "_high"))
        return (value, low, high)

    def limited_by(self) -> str | None:
        """Return what rules the bounds: "range", "model" or "counting"."""
        if self.field is None or not self.field.pixels.sum():
            return None
        value = self.mean()
        if value is None or not math.isfinite(value[0]) or not math.isfinite(value[2]):
            return "range"
        t = self.field.regions
        some = t.told == TOLD
        if not some.any():
            return "range"
        mass = self.field.pixels[some] * t.nm[some]
        model = float((mass * t.model[some]).sum())
        apart = self.field.pixels[some] * (t.counting_high[some] - t.counting_low[some]) / 2
        return "model" if model > math.sqrt(float(np.square(apart).sum())) else "counting"


def withheld(why: str, next_step: str, alloy: Mapping[str, float] | None = None) -> Weighed:
    """Return that nothing is told, why, and what would change that."""
    return Weighed(None, why, next_step, dict(alloy or {}))


def weigh(
    maps: xr.Dataset,
    roles: Roles,
    found: Segmentation,
    *,
    labels: Labels,
    blank: xr.Dataset | None = None,
) -> Weighed:
    """Return the thickness of every region of a segmented field.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    roles : Roles
        Which elements are metal and which glass.
    found : Segmentation
        Its regions.
    labels : numpy.ndarray of int32, dims (y, x)
        Their labels.
    blank : xarray.Dataset, optional
        The bare substrate under the same conditions; with it the haze is weighed too.

    Returns
    -------
    Weighed
        With ``field`` None and a reason where a fact is missing that the thickness rests on.
    """
    known = facts(maps)
    alloy = _composition(known.alloy, roles.alloy)
    reason = _missing(known, roles, alloy)
    if reason is not None:
        return withheld(*reason, alloy)
    substrate = _substrate(known)
    model, reason = _model(maps, known, alloy, substrate)
    if model is None:
        return withheld(*reason, alloy)
    oxygen = model.lines.get("O") if "O" not in alloy else None
    used = replace(model, lines={e: t for e, t in model.lines.items() if t is not oxygen})
    counts = np.stack([
        np.asarray(maps["counts"].sel(element=e).values, dtype=np.float64) for e in used.lines
    ])  # fmt: skip
    arguments: dict[str, Any] = {
        "model": used, "alloy": alloy, "substrate": substrate, "blur_px": found.blur_px,
        "valid": valid_mask(maps) if "valid" in maps else None,
    }  # fmt: skip
    field = weigh_field(counts, labels, **arguments)
    if field is None:
        return withheld(*_NO_DOSE, alloy)
    if blank is not None:
        field = _with_haze(counts, labels, field, blank, arguments)
    scale, curve = math.nan, None
    if oxygen is not None and substrate.get("O", 0.0) > 0:
        bare = _bare_level(maps, "O", labels)
        part = substrate["O"] / sum(substrate.values())
        scale = bare * oxygen.film_per_substrate / part
        curve = (used.thickness_nm, oxygen.film)
    return Weighed(
        field, _rests_on(field, known), _next_step(field), alloy, scale, curve, found.n_droplets
    )


def _composition(stated: Mapping[str, float], names: tuple[str, ...]) -> dict[str, float]:
    known = {e: p for e, p in stated.items() if math.isfinite(p) and p > 0}
    return known or dict.fromkeys(names or tuple(stated), 100.0 / max(len(names or stated), 1))


def _substrate(known: Facts) -> dict[str, float]:
    parts = {e: p for e, p in known.substrate.items() if math.isfinite(p) and p > 0}
    return parts or dict(SILICA)


def _missing(known: Facts, roles: Roles, alloy: Mapping[str, float]) -> tuple[str, str] | None:
    if known.beam_energy_keV is None:
        return (
            "No thickness: no beam energy is stated.",
            "State beam_energy_keV in mapset.toml to have the thickness told.",
        )
    if known.quantity != "counts":
        return (
            f"No thickness: the maps are {known.quantity}, not counts.",
            "Export raw counts to have the thickness told.",
        )
    if not alloy or not roles.alloy:
        return ("No thickness: no metal is known.", "State the alloy in mapset.toml.")
    return None


def _model(
    maps: xr.Dataset,
    known: Facts,
    alloy: Mapping[str, float],
    substrate: Mapping[str, float],
) -> tuple[LayerModel | None, tuple[str, str]]:
    """Return the tables of every line that can be used, or why there is none of the glass."""
    from spattermap.xrays.layers import TAKE_OFF_DEG, layer_model
    from spattermap.xrays.lines import mapped_line

    beam = known.beam_energy_keV
    assert beam is not None
    names = [str(e) for e in maps["element"].values]
    stated = dict(zip(names, [str(x) for x in maps["line"].values], strict=True))
    lines = {}
    for element in names:
        if alloy.get(element, 0.0) <= 0 and substrate.get(element, 0.0) <= 0:
            continue
        try:
            line = mapped_line(element, stated[element], beam)
        except InputError:
            continue
        if 1e3 * beam >= _LEAST_OVERVOLTAGE * line.edge_eV:
            lines[element] = line.name
    for into in _crossed(lines, alloy, beam):
        lines.pop(into, None)
    glass = [e for e in lines if substrate.get(e, 0.0) > 0 and e not in alloy and e != "O"]
    if not glass:
        return None, _NO_GLASS_LINE
    model = layer_model(
        lines, alloy, substrate, beam_energy_keV=beam,
        take_off_deg=known.take_off_deg or TAKE_OFF_DEG, tilt_deg=known.tilt_deg,
    )  # fmt: skip
    return model, ("", "")


def _crossed(lines: Mapping[str, str], alloy: Mapping[str, float], beam: float) -> list[str]:
    """Return the maps into which lines of the other kind (metal, glass) leak too much."""
    from spattermap.xrays.overlap import leaks

    if len(lines) < 2:
        return []
    table = leaks(lines, beam)
    found = []
    for into, source, leak in zip(table["into"], table["source"], table["leak"], strict=True):
        if (into in alloy) != (source in alloy) and float(leak) > _LEAK and into != "O":
            found.append(str(into))
    return found


def _bare_level(maps: xr.Dataset, element: str, labels: Labels) -> float:
    plane = np.asarray(maps["counts"].sel(element=element).values, dtype=np.float64)
    ground = (labels == 0) & valid_mask(maps)
    return float(plane[ground].mean()) if ground.any() else math.nan


def _with_haze(
    counts: Floats,
    labels: Labels,
    first: FieldThickness,
    blank: xr.Dataset,
    arguments: Mapping[str, Any],
) -> FieldThickness:
    """Return the field weighed anew, its bare level freed of the haze that the blank shows."""
    from scipy.ndimage import distance_transform_edt

    model, scale = arguments["model"], first.scale
    elements = tuple(model.lines)
    names = {str(e) for e in blank["element"].values}
    if not set(elements) <= names or first.haze_px == 0:
        return first
    rim = max(1.0, 2.5 * float(arguments["blur_px"]))
    far = (distance_transform_edt(labels == 0) > rim) if (labels > 0).any() else (
        np.ones(labels.shape, bool)
    )  # fmt: skip
    valid = arguments["valid"]
    far = far if valid is None else far & valid
    if not far.any():
        return first
    level = counts[:, far].mean(axis=1)
    use = valid_mask(blank)
    plain = np.array([
        float(np.asarray(blank["counts"].sel(element=e).values, dtype=np.float64)[use].mean())
        for e in elements
    ])  # fmt: skip
    glass = scale.glass > 0
    if not (plain[glass] > 0).all() or not np.isfinite(scale.sensitivity).all():
        return first
    dose = float(level[glass].sum() / plain[glass].sum())
    metal = np.flatnonzero(scale.in_film & ~glass)
    if metal.size == 0 or not (0.5 < dose < 2.0):
        return first
    nm = 0.0
    for _ in range(3):
        net = float((level[metal] - dose * plain[metal]).sum())
        curve = (scale.sensitivity[metal, None] * scale.film[metal]).sum(axis=0)
        nm = float(np.interp(max(net, 0.0), curve, scale.thickness_nm))
        left = float(np.interp(nm, scale.thickness_nm, scale.substrate[np.argmax(scale.glass)]))
        dose = float(level[glass].sum() / plain[glass].sum()) / max(left, 0.05)
    bare = dict(zip(elements, (float(v) for v in dose * plain), strict=True))
    pixels = float(min(far.sum(), use.sum()))
    again = weigh_field(counts, labels, blank=(bare, pixels), **arguments)
    return first if again is None else again


def _rests_on(field: FieldThickness, known: Facts) -> str:
    glass = [name for name, own in zip(field.lines, field.scale.glass > 0, strict=True) if own]
    angle = "" if known.take_off_deg else ", a take-off angle of 35 degrees assumed"
    return (
        f"Weighed by {', '.join(glass)} of the glass against the bare glass of the "
        f"{'field' if field.dose_from == 'field' else 'field and the blank'}"
        f"{angle}; the layer model adds {100 * field.tolerance:.0f} % to what counting leaves open."
    )


def best_energy_keV(field: FieldThickness) -> float | None:
    """Return the beam energy that would tell this deposit's thickness best.

    The glass line tells most where ``t |dG/dt| / sqrt(G)`` is largest (Poisson). That point moves
    with the range of the electrons, ``E^1.68 - Ec^1.68`` (Anderson & Hasler 1966), so that one
    table gives the energy at which a thickness lies there. None where nothing was weighed.
    """
    t = field.regions
    some = (field.pixels > 0) & np.isfinite(t.nm) & (t.told != NOT_TOLD)
    if not some.any():
        return None
    shown = np.where(t.told == AT_LEAST, 1.5 * t.low, np.where(t.told == AT_MOST, t.high, t.nm))
    mass = field.pixels[some]
    nm = float((mass * shown[some]).sum() / mass.sum())
    scale = field.scale
    glass = int(np.argmax(scale.glass))
    curve, grid = scale.substrate[glass], scale.thickness_nm
    merit = grid * np.abs(np.gradient(curve, grid)) / np.sqrt(np.maximum(curve, 0.01))
    best = float(grid[int(np.argmax(merit))])
    line = list(field.model.lines.values())[glass].line
    edge = (line.edge_eV / 1e3) ** 1.68
    range_now = field.model.beam_energy_keV**1.68 - edge
    energy = (range_now * nm / best + edge) ** (1 / 1.68)
    # Both the glass line and the metal's need room above their edges.
    floor = max(
        1.5 * table.line.edge_eV / 1e3
        for table in field.model.lines.values()
        if table.line.family[0] != "K" or table is field.model.lines[scale.elements[glass]]
    )
    return float(np.clip(energy, max(_RANGE_keV[0], floor), _RANGE_keV[1]))


def _next_step(field: FieldThickness) -> str:
    energy = best_energy_keV(field)
    now = field.model.beam_energy_keV
    if energy is None or abs(energy - now) < 0.15 * now:
        return ""
    t = field.regions
    bounds = np.isin(t.told, (AT_LEAST, AT_MOST))
    if not bounds.any():
        return ""
    return (
        f"Map the field again at about {energy:.0f} keV, where this thickness is told best: at "
        f"{now:g} keV only a bound is told for {int(bounds.sum())} of {len(t.told)} regions."
    )

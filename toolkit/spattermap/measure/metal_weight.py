"""From a map set and its regions to thicknesses, or to why there are none."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from spattermap.core.arrays import Array, Bools, Floats, Labels
from spattermap.core.errors import InputError
from spattermap.core.mapset import Facts, Roles, element_names, facts, valid_mask
from spattermap.measure.field_thickness import (
    FieldThickness,
    Rims,
    deposited,
    haze_nm,
    square_keys,
    weigh_field,
)
from spattermap.measure.thickness import (
    AT_LEAST,
    AT_MOST,
    BETWEEN,
    NOT_TOLD,
    TOLD,
    Thickness,
)

if TYPE_CHECKING:
    from spattermap.segment.result import Segmentation
    from spattermap.xrays.layers import LayerModel

SILICA = {"Si": 46.74, "O": 53.26}
_LEAK = 0.02  # a glass line into which the alloy leaks more of its counts is not used
_LEAST_OVERVOLTAGE = 1.15
_UNEVEN = 0.02  # from which on the reader is told that the bare glass is uneven
_NO_DOSE = (
    "No thickness: too little bare glass is left in the field to set the dose.",
    "Map a field with bare glass beside the metal, or a bare plate (blank) at the same settings.",
)
_NO_METAL = (
    "No thickness: nothing stands out of the field, which is bare or evenly covered.",
    "Map a bare plate (blank) at the same settings.",
)
_NO_GLASS_LINE = "No thickness: no line of the glass is mapped that metal leaves alone"
TOO_LARGE = (
    "No thickness: the field is too large to be weighed whole.",
    "Analyse a part of it, or bin the pixels, to have the thickness told.",
)
FAULTY = (
    "No thickness: a fault was found in the maps that it would rest on.",
    "Mend what the examination names, and the thickness is told.",
)
_RANGE_keV = (5.0, 30.0)
_GONE = 0.03  # part of a glass line below which continuum and model hide the rest
_MATTERS = 0.1  # part of the covered area from which on regions that are only bounded matter
# What an unstated take-off angle may differ from the one assumed (deg): detectors are mounted at
# 30 to 40 degrees. Common practice, no source.
_TAKE_OFF_SPREAD = 5.0
# Up to which a specimen may be tilted where nobody says so (deg); it then hides more than its
# thickness. Common practice, no source.
_UNSTATED_TILT = 40.0
# Angles that the layer model takes (deg), and energies at which its tolerance is known (keV).
_ANGLES = {"take_off_deg": (5.0, 90.0), "tilt_deg": (0.0, 70.0)}
_CHECKED_keV = (4.5, 30.0)
# How well the dose of a blank is known to be that of the field, where nothing in the field tells
# (standard error): a beam drifts between two maps by up to 15 %; a current that was read, by 4 %.
# Common practice, no source.
_SAME_DOSE, _READ_DOSE = 0.075, 0.02
_READ_CURRENT = (
    "State dose_nC (probe current times live time a pixel) of the field and of the blank, or map "
    "the film's edge with bare glass beside it: the bounds narrow."
)
_STATE_ANGLE = (
    "State take_off_deg of the detector: most droplets have bounds only, which 30 to 40 degrees of "
    "doubt widen."
)
_SURELY = 3.0  # standard errors from which more of a metal lies between the regions than on them
_OVER_BLANK = 0.2  # by which a metal's map must exceed that of the blank to count as metal


@dataclass(frozen=True)
class Weighed:
    """Thickness of a field's metal, or why it is withheld."""

    field: FieldThickness | None  # what was found
    why: str  # one sentence: why nothing is told, or what the thickness rests on
    next_step: str  # what would tell it, or tell it better
    composition: dict[str, float]  # mass percent of the film as used
    # counts per pixel of oxygen in bulk metal of 100 % oxygen, over the mass fraction; NaN where
    # oxygen was not mapped
    oxygen_scale: float = math.nan
    # thickness (nm), oxygen counts of a film over those of bulk, and of the glass under it over
    # those of bare glass; None where not mapped
    oxygen_curve: tuple[Floats, Floats, Floats] | None = None
    n_droplets: int = 0  # regions that are droplets; the rest are streaks

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
        if self.field is None:
            return None
        t, squares = self.field.regions, self.field.squares
        t = replace(t, told=np.where(self.field.pixels > 0, t.told, NOT_TOLD))
        planes = {name: value[labels] for name, value in _shown(t, outside=True).items()}
        if squares is not None:
            rows, columns = np.nonzero(labels)
            keys = square_keys(labels, rows, columns)
            place = np.minimum(np.searchsorted(squares.key, keys), squares.key.size - 1)
            known = squares.key[place] == keys
            for name, value in _shown(squares.thickness).items():
                planes[name][rows[known], columns[known]] = value[place[known]]
        return xr.Dataset(
            {name: (("y", "x"), plane) for name, plane in planes.items()}, attrs={"units": "nm"}
        )

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
        if self.field is None:
            return None
        found = deposited(self.field)
        if not math.isfinite(found["mean_thickness_nm_low"]):
            return None
        value, low, high = (found[f"mean_thickness_nm{end}"] for end in ("", "_low", "_high"))
        return (value, low, high)

    def between(self) -> tuple[float, float]:
        """Return the bounds of the mean thickness between the regions (nm); NaN if unknown."""
        if self.field is None or not self.field.haze_px:
            return math.nan, math.nan
        return haze_nm(self.field)[1:]

    def limited_by(self) -> str | None:
        """Return what rules the bounds: "range", "model" or "counting"."""
        if self.field is None or not self.field.pixels.sum():
            return None
        value = self.mean()
        if value is None or not math.isfinite(value[0]) or not math.isfinite(value[2]):
            return "range"
        t = self.field.regions
        some = t.bounded
        if not some.any():
            return "range"
        mass = self.field.pixels[some] * t.nm[some]
        model = float((mass * t.model[some]).sum())
        apart = self.field.pixels[some] * (t.counting_high[some] - t.counting_low[some]) / 2
        return "model" if model > math.sqrt(float(np.square(apart).sum())) else "counting"


def _shown(found: Thickness, *, outside: bool = False) -> dict[str, Array]:
    """Return what a picture shows of each entry; with a first entry for what lies outside."""
    told = np.concatenate([[NOT_TOLD], found.told]) if outside else found.told
    nm, low, high = (
        np.concatenate([[np.nan], value]) if outside else value
        for value in (found.nm, found.low, found.high)
    )
    known, bounded = told != NOT_TOLD, np.isin(told, (TOLD, BETWEEN))
    shown = {
        "nm": np.where(bounded, nm, np.where(told == AT_LEAST, low, high)),
        "nm_low": low,
        "nm_high": high,
    }
    planes: dict[str, Array] = {
        name: np.where(known, value, np.nan).astype(np.float32) for name, value in shown.items()
    }
    return {**planes, "only_bound": known & (told != TOLD)}


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
    """Return the thickness of every region of a segmented field, or why it is withheld.

    Dims: `labels` (y, x). With a blank taken under the same conditions the haze is weighed too.
    """
    known = facts(maps)
    alloy = _composition(known.alloy, roles.alloy)
    reason = _missing(known, roles, alloy)
    if reason is not None:
        return withheld(*reason, alloy)
    substrate = _substrate(known)
    lines, reason = _lines(maps, known, alloy, substrate)
    if not lines:
        return withheld(*reason, alloy)
    rims = Rims(labels, found.blur_px)
    elsewhere = _elsewhere(maps, rims, set(lines) & set(alloy) - set(substrate))
    lines = {e: line for e, line in lines.items() if e not in elsewhere}
    models, tilted = _models(known, lines, alloy, substrate)
    oxygen = models[0].lines.get("O") if "O" not in alloy else None
    used = tuple(_without_oxygen(model, alloy) for model in models)
    counts = np.stack([
        np.asarray(maps["counts"].sel(element=e).values, dtype=np.float64) for e in used[0].lines
    ])  # fmt: skip
    arguments: dict[str, Any] = {
        "model": used[0], "other_models": used[1:], "alloy": alloy,
        "tilted": None if tilted is None else _without_oxygen(tilted, alloy),
        "substrate": substrate,
        "blur_px": found.blur_px, "rims": rims,
        "valid": valid_mask(maps) if "valid" in maps else None,
        "density_error": _density_error(known.alloy, alloy),
    }  # fmt: skip
    field = weigh_field(counts, labels, **arguments)
    if blank is not None:
        stated = _stated_dose(known, facts(blank))
        field = _with_blank(counts, labels, field, (blank, stated), arguments)
    if field is None or (elsewhere and field.dose_from == "field"):
        return withheld(*(_not_bare(elsewhere) if elsewhere else _NO_DOSE), alloy)
    if not field.pixels.sum() and field.haze is None:
        return withheld(_NO_METAL[0], _NO_METAL[1] if blank is None else "", alloy)
    scale, curve = math.nan, None
    if oxygen is not None and substrate.get("O", 0.0) > 0:
        bare = _bare_level(maps, "O", labels)
        part = substrate["O"] / sum(substrate.values())
        scale = bare * oxygen.film_per_substrate / part
        curve = (models[0].thickness_nm, oxygen.film, oxygen.substrate)
    dose = f"taken as equal to {196 * _SAME_DOSE:.0f} %"
    step = _next_step(field)
    if blank is not None and _stated_dose(known, facts(blank))[1] == _READ_DOSE:
        dose = f"as stated, to {196 * _READ_DOSE:.0f} %"
    elif field.dose_from == "blank alone":
        step = step or _READ_CURRENT
    told = field.regions.told
    if not known.take_off_deg and 2 * (told == BETWEEN).sum() > told.size:
        step = step or _STATE_ANGLE
    return Weighed(
        field,
        _rests_on(field, known, alloy, dose),
        step,
        alloy,
        scale,
        curve,
        found.n_droplets,
    )


def _elsewhere(maps: xr.Dataset, rims: Rims, metals: set[str]) -> set[str]:
    """Return metals of which more shows between the regions than on them.

    Such a line is no measure of the regions, and what lies between is not its background.
    """
    far, on = rims.far & valid_mask(maps), rims.labels > 0
    if not far.any() or not on.any():
        return set()
    out = set()
    for element in metals:
        plane = np.asarray(maps["counts"].sel(element=element).values, dtype=np.float64)
        between, above = float(plane[far].mean()), float(plane[on].mean())
        error = math.sqrt(max(between, 0.0) / far.sum() + max(above, 0.0) / on.sum())
        if between - above > _SURELY * error:
            out.add(element)
    return out


def _not_bare(elsewhere: set[str]) -> tuple[str, str]:
    """Return why nothing is told where metal lies between the regions, and what would tell it."""
    metals = " and ".join(sorted(elsewhere))
    why = f"No thickness: more {metals} lies between the regions than on them, so the glass there"
    return f"{why} is not bare.", "Map a bare plate with the same beam current and for as long."


def _composition(stated: Mapping[str, float], names: tuple[str, ...]) -> dict[str, float]:
    known = {e: p for e, p in stated.items() if math.isfinite(p) and p > 0}
    return known or dict.fromkeys(names or tuple(stated), 100.0 / max(len(names or stated), 1))


def _density_error(stated: Mapping[str, float], used: Mapping[str, float]) -> float:
    """Return by what part the density may be off where the mass percents are not stated."""
    from spattermap.xrays.ranges import density_of

    if len(used) < 2 or all(math.isfinite(stated.get(e, math.nan)) for e in used):
        return 0.0
    each = [density_of({e: 100.0}) for e in used]
    return 0.5 * (max(each) / min(each) - 1.0)


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
    for name, (low, high) in {"beam_energy_keV": _CHECKED_keV, **_ANGLES}.items():
        value = getattr(known, name)
        if value is not None and not low <= value <= high:
            why = (
                f"No thickness: {name} is {value:g}, outside the {low:g} to {high:g} of the model."
            )
            return (why, "Map the field again within that range.")
    return None


def _lines(
    maps: xr.Dataset, known: Facts, alloy: Mapping[str, float], substrate: Mapping[str, float]
) -> tuple[dict[str, str], tuple[str, str]]:
    """Return every line that can be used, or none and why there is none of the glass."""
    from spattermap.xrays.lines import mapped_line

    beam = known.beam_energy_keV
    assert beam is not None
    names = element_names(maps)
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

    def of_glass(element: str) -> bool:
        return substrate.get(element, 0.0) > 0 and element not in alloy and element != "O"

    crossed = {into: lines.pop(into) for into in _crossed(lines, alloy, beam) if into in lines}
    if any(of_glass(e) for e in lines):
        return lines, ("", "")
    hidden = [line for element, line in crossed.items() if of_glass(element)]
    others = [e for e in substrate if of_glass(e) and e not in names]
    if hidden:
        why = f"a line of {' and '.join(alloy)} lies in the window of {' and '.join(hidden)}"
        step = "Fit the spectra, or measure the height of one place with a profiler."
        if others:
            step = f"Map {' or '.join(others[:3])}, elements of the glass whose lines are apart."
        return {}, (f"{_NO_GLASS_LINE}: {why}.", step)
    return {}, (
        f"{_NO_GLASS_LINE}, besides oxygen.",
        f"Map {others[0] if others else 'Si'} Ka, an element of the glass, beside the metal.",
    )


def _models(
    known: Facts,
    lines: Mapping[str, str],
    alloy: Mapping[str, float],
    substrate: Mapping[str, float],
) -> tuple[tuple[LayerModel, ...], LayerModel | None]:
    """Return the tables, those of other take-off angles where it is assumed; and of a tilt."""
    from spattermap.xrays.layers import TAKE_OFF_DEG, layer_model

    assert known.beam_energy_keV is not None
    angles = [known.take_off_deg] if known.take_off_deg else [
        TAKE_OFF_DEG, TAKE_OFF_DEG - _TAKE_OFF_SPREAD, TAKE_OFF_DEG + _TAKE_OFF_SPREAD
    ]  # fmt: skip
    flat = known.tilt_deg or 0.0
    first, *others = (
        layer_model(
            lines, alloy, substrate, beam_energy_keV=known.beam_energy_keV, take_off_deg=angle,
            tilt_deg=tilt,
        )
        for angle, tilt in [*((angle, flat) for angle in angles), (angles[0], _UNSTATED_TILT)]
    )  # fmt: skip
    *others, tilted = others
    return (first, *others), tilted if known.tilt_deg is None else None


def _without_oxygen(model: LayerModel, alloy: Mapping[str, float]) -> LayerModel:
    kept = {e: t for e, t in model.lines.items() if e != "O" or e in alloy}
    return replace(model, lines=kept)


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


def _with_blank(
    counts: Floats,
    labels: Labels,
    first: FieldThickness | None,
    against: tuple[xr.Dataset, tuple[float, float]],
    arguments: Mapping[str, Any],
) -> FieldThickness | None:
    """Return the field weighed against the blank: haze, or a film that leaves no glass bare.

    Where regions have told the sensitivities, the metal's own counts between them tell how much of
    the glass's loss is haze and how much is dose; else the dose is as stated, or taken as equal.
    `against` is the blank and what `_stated_dose` says.
    """
    blank, stated = against
    elements = tuple(arguments["model"].lines)
    if not set(elements) <= set(element_names(blank)):
        return first
    use = valid_mask(blank)
    plain = np.array([
        float(np.asarray(blank["counts"].sel(element=e).values, dtype=np.float64)[use].mean())
        for e in elements
    ])  # fmt: skip
    apart = _apart_from_haze(counts, labels, first, (blank, plain), arguments)
    dose, pixels, error = _dose_of(counts, labels, apart, (plain, *stated), arguments)
    if not math.isfinite(dose):
        return first
    known = _bare_as(plain, dose, pixels, blank, arguments)
    again = weigh_field(counts, labels, blank=known, dose_error=error, **arguments)
    return first if again is None else again


def _stated_dose(field: Facts, blank: Facts) -> tuple[float, float]:
    """Return the field's dose over the blank's as stated, 1 if it is not, and its error."""
    if field.dose_nC and blank.dose_nC:
        return field.dose_nC / blank.dose_nC, _READ_DOSE
    return 1.0, _SAME_DOSE


def _bare_as(
    plain: Floats, dose: float, pixels: float, blank: xr.Dataset, arguments: Mapping[str, Any]
) -> tuple[dict[str, float], float]:
    """Return the bare levels by element at a dose over the blank's, and the pixels behind them."""
    bare = dict(zip(arguments["model"].lines, (float(v) for v in dose * plain), strict=True))
    return bare, min(pixels, float(valid_mask(blank).sum()))


def _apart_from_haze(
    counts: Floats,
    labels: Labels,
    first: FieldThickness | None,
    against: tuple[xr.Dataset, Floats],
    arguments: Mapping[str, Any],
) -> FieldThickness | None:
    """Return the field weighed anew where haze passed for the metal's background.

    Between regions under haze the metal's counts are mostly haze; taken for continuum, which rises
    on thick metal, they leave it no signal of its own. So the blank's background is taken, at the
    dose that the glass shows, which is right to the little that haze dims. `against` is the blank
    and its levels by element.
    """
    blank, plain = against
    if first is None or not first.sensitivities_told:
        return first
    far = _between(arguments)
    glass = first.scale.glass > 0
    metal = first.scale.in_film & ~glass
    if not far.any() or not glass.any() or not metal.any():
        return first
    level = counts[:, far].mean(axis=1)
    dose = float(level[glass].sum() / max(plain[glass].sum(), 1e-12))
    if not 0.5 < dose < 2.0 or level[metal].sum() < (1 + _OVER_BLANK) * dose * plain[metal].sum():
        return first
    known = _bare_as(plain, dose, float(far.sum()), blank, arguments)
    again = weigh_field(counts, labels, blank=known, **arguments)
    return first if again is None or not again.sensitivities_told else again


def _between(arguments: Mapping[str, Any]) -> Bools:
    """Return the pixels between the regions that can be used; (y, x)."""
    far: Bools = arguments["rims"].far
    valid = arguments["valid"]
    return far if valid is None else far & valid


def _metal_over(counts: Floats, plain: Floats, arguments: Mapping[str, Any]) -> bool:
    """Return whether the field shows more of the metal's own counts than the blank.

    Glass that is dimmer than the blank's is else as likely a beam that had less current.
    """
    valid = arguments["valid"]
    level = np.array([plane.mean() if valid is None else plane[valid].mean() for plane in counts])
    metal = np.array([
        arguments["alloy"].get(e, 0.0) > 0 and not arguments["substrate"].get(e, 0.0) > 0
        for e in arguments["model"].lines
    ])  # fmt: skip
    error = np.sqrt(np.maximum(level + plain, 1e-12) / counts[0].size)
    more = level - plain
    return bool(((more > 4.0 * error) & (more > _OVER_BLANK * plain) & metal).any())


def _dose_of(
    counts: Floats,
    labels: Labels,
    first: FieldThickness | None,
    against: tuple[Floats, float, float],
    arguments: Mapping[str, Any],
) -> tuple[float, float, float]:
    """Return the field's dose over the blank's, the pixels that tell it and its own standard error.

    The stated one, or 1, where nothing in the field tells it; NaN where the blank is of no use.
    `against`: the blank's levels by element, and the stated dose with its error.
    """
    size, (plain, stated, error) = float(labels.size), against
    model, substrate = arguments["model"], arguments["substrate"]
    from_glass = np.array([substrate.get(e, 0.0) > 0 for e in model.lines])
    if not (plain[from_glass] > 0).all():
        return math.nan, size, error
    if first is None or not first.sensitivities_told:
        more = _metal_over(counts, stated * plain, arguments)
        return (stated if more else math.nan), size, error
    far = _between(arguments)
    if not far.any():
        return stated, size, error
    scale, level = first.scale, counts[:, far].mean(axis=1)
    glass = scale.glass > 0
    metal = np.flatnonzero(scale.in_film & ~glass)
    if metal.size == 0 or not glass.any():
        return stated, size, error
    dose = float(level[glass].sum() / plain[glass].sum())
    if not 0.5 < dose < 2.0:
        return math.nan, size, error
    curve = (scale.sensitivity[metal, None] * scale.film[metal]).sum(axis=0)
    for _ in range(3):
        net = float((level[metal] - dose * plain[metal]).sum())
        nm = float(np.interp(max(net, 0.0), curve, scale.thickness_nm))
        left = float(np.interp(nm, scale.thickness_nm, scale.substrate[np.argmax(scale.glass)]))
        dose = float(level[glass].sum() / plain[glass].sum()) / max(left, 0.05)
    return dose, float(far.sum()), 0.0


def _rests_on(field: FieldThickness, known: Facts, alloy: Mapping[str, float], dose: str) -> str:
    """Return what the thickness rests on; `dose`: what is known of that of the blank."""
    glass = [name for name, own in zip(field.lines, field.scale.glass > 0, strict=True) if own]
    beside = {
        "field": "the bare glass of the field",
        "blank": "the bare glass of the field and the blank",
        "blank alone": f"the blank, at a dose {dose}",
    }[field.dose_from]
    taken = [] if known.take_off_deg else ["a take-off angle of 30 to 40 degrees"]
    if known.tilt_deg is None:
        taken.append(f"no tilt (the lower bounds hold one of up to {_UNSTATED_TILT:.0f} degrees)")
    taken += [] if any(math.isfinite(p) for p in known.substrate.values()) else ["fused silica"]
    if len(alloy) > 1 and not any(map(math.isfinite, known.alloy.values())):
        taken.append("equal mass percents of the metals")
    assumed = f"; assumed: {', '.join(taken)}" if taken else ""
    uneven = ""
    if field.uneven > _UNEVEN:
        uneven = (
            f" The bare glass is itself uneven by {100 * field.uneven:.0f} %, as under a thin film "
            "or haze, which widens the bounds."
        )
    if field.hidden:
        uneven += (
            " Between the regions the metal shows more than continuum can: haze there "
            f"may dim the glass by {100 * field.hidden:.0f} %, which the bounds hold; map a blank."
        )
    return (
        f"Weighed by {', '.join(glass)} of the glass against {beside}{assumed}; the layer model "
        f"adds {100 * field.tolerance:.0f} % to what counting leaves open. Nanometres are of metal "
        f"of {field.model.density_g_cm3:.1f} g/cm3: a porous one is thicker.{uneven}"
    )


def best_energy_keV(field: FieldThickness) -> tuple[float, float] | None:
    """Return the beam energy (keV) that tells this metal best, and up to which nm it tells.

    The glass line tells most where ``t |dG/dt| / sqrt(G)`` is largest (Poisson), and nothing more
    where 3 % of it are left. Both points move with the range of the electrons,
    ``E^1.68 - Ec^1.68`` (Anderson & Hasler 1966), so that one table serves for every energy. None
    where nothing was weighed.
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
    last = float(np.interp(-_GONE, -curve, grid))
    line = list(field.model.lines.values())[glass].line
    edge = (line.edge_eV / 1e3) ** 1.68
    range_now = field.model.beam_energy_keV**1.68 - edge
    wanted = (range_now * nm / best + edge) ** (1 / 1.68)
    # Both the glass line and the metal's need room above their edges.
    floor = max(1.5 * table.line.edge_eV / 1e3 for table in field.model.lines.values())
    energy = float(np.clip(wanted, max(_RANGE_keV[0], min(floor, 20.0)), _RANGE_keV[1]))
    return energy, last * (energy**1.68 - edge) / range_now


def _next_step(field: FieldThickness) -> str:
    found = best_energy_keV(field)
    t, weighed = field.regions, field.pixels > 0
    if not weighed.any():
        return ""
    area = field.pixels / field.pixels.sum()
    part = {told: float(area[t.told == told].sum()) for told in (NOT_TOLD, AT_LEAST, AT_MOST)}
    if found is None or part[NOT_TOLD] > 0.5:
        return "Count ten times longer: these counts tell no thickness at all."
    energy, reach = found
    now = field.model.beam_energy_keV
    if part[AT_LEAST] > _MATTERS:
        step = _past_saturation(energy, reach, now=now, regions=_some(field, AT_LEAST))
    elif part[AT_MOST] > _MATTERS:
        bound = f"only an upper bound is told for {_some(field, AT_MOST)}"
        step = f"Count longer: {bound}."
        if energy < 0.85 * now:
            step = f"Map the field again at about {energy:.0f} keV: at {now:g} keV {bound}."
    else:
        step = _fewer_counts(field, area, energy)
    return step


def _some(field: FieldThickness, told: str) -> str:
    """Return of how many regions a word holds, for example "3 of 7 regions"."""
    return f"{int((field.regions.told == told).sum())} of {int((field.pixels > 0).sum())} regions"


def _past_saturation(energy: float, reach: float, *, now: float, regions: str) -> str:
    if energy <= 1.15 * now:
        return (
            "Measure the height of one place with a profiler: the metal is thicker than "
            f"{now:g} keV sees through."
        )
    return (
        f"Map the field again at about {energy:.0f} keV: at {now:g} keV only a bound is told for "
        f"{regions}. Metal thicker than about {_rounded(reach)} nm needs a profiler."
    )


def _fewer_counts(field: FieldThickness, area: Floats, energy: float) -> str:
    """Return to count longer where counting leaves more open than the model does."""
    t, now = field.regions, field.model.beam_energy_keV
    firm = t.bounded
    half = float((area[firm] * (t.counting_high - t.counting_low)[firm]).sum()) / 2
    middle = float((area[firm] * t.nm[firm]).sum())
    if area.size >= 10 or half <= 0.15 * middle:
        return ""
    off = energy < 0.7 * now or energy > 1.4 * now
    at = f" at about {energy:.0f} keV" if off else ""
    return f"Count four times longer{at}, and what counting leaves open halves."


def _rounded(value: float) -> str:
    """Return a number to two figures."""
    return f"{float(f'{value:.2g}'):g}"

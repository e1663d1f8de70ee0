"""What was understood of a map set, and what is missing from it: a table and a text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from spattermap.core.mapset import Facts, facts, valid_mask

if TYPE_CHECKING:
    from spattermap.noise.noise_models import NoiseModel

# A top value that this share of the pixels has, and many more than the next, was cut off.
_CUT_SHARE, _CUT_EXCESS = 0.002, 5


def describe(maps: xr.Dataset, noise: Sequence[NoiseModel]) -> pd.DataFrame:
    """Return one row for each element map: what it is, what its valid pixels hold, its noise."""
    source = facts(maps).source
    files = source.get("map_files") or [""] * maps.sizes["element"]
    used = valid_mask(maps)
    rows = []
    for place, element in enumerate(maps["element"].values):
        values = np.asarray(maps["counts"].isel(element=place).values)[used]
        rows.append(
            {
                "element": str(element),
                "line": str(maps["line"].values[place]) if "line" in maps.coords else "",
                "file": files[place] if place < len(files) else "",
                "dtype": str(source.get("dtype", values.dtype)),
                "minimum": values.min(),
                "mean": float(values.mean()),
                "maximum": values.max(),
                "zero_share": float(np.mean(values == 0)),
                "saturated_share": saturated_share(values),
                "noise": noise[place].kind,
            }
        )
    return pd.DataFrame(rows)


def saturated_share(values: np.ndarray) -> float:
    """Return the share of values that were cut off at the top."""
    top = values.max()
    share = float(np.mean(values == top))
    if values.dtype.kind == "u" and top == np.iinfo(values.dtype).max:
        return share
    below = values[values < top]
    if share < _CUT_SHARE or below.size == 0:
        return 0.0
    following = float(np.mean(values == below.max()))
    return share if share > _CUT_EXCESS * following else 0.0


def missing(maps: xr.Dataset) -> list[tuple[str, str]]:
    """Return what the map set lacks and what that costs."""
    known = facts(maps)
    checks = (
        (known.length_unit == "px", "pixel size", "every length and area stays in pixels"),
        (
            not known.alloy and not known.substrate,
            "alloy and substrate",
            "which element plays which part is inferred, and every result says assumed",
        ),
        (
            bool(known.substrate) and not known.alloy,
            "alloy",
            "no element can be called foreign, because its nominal share is unknown",
        ),
        (
            "blank" not in known.source,
            "blank",
            "an element outside the droplets cannot be told from one of the substrate",
        ),
        (
            known.beam_energy_keV is None,
            "beam energy",
            "no depth of origin, no share of an element against its nominal one",
        ),
        ("electron_image" not in maps, "electron image", "no cracks, no check on droplet edges"),
        (
            not any(str(line) for line in maps["line"].values) if "line" in maps.coords else True,
            "lines",
            "overlaps between X-ray lines cannot be judged",
        ),
        (
            known.quantity != "counts" and "variance" not in maps,
            "counts",
            "no detection limits; the noise is estimated from the maps",
        ),
    )
    return [(what, cost) for lacks, what, cost in checks if lacks]


def as_text(maps: xr.Dataset) -> str:
    """Return everything that was understood of a map set as plain text."""
    from spattermap.noise.noise_models import noise_model

    known, models = facts(maps), noise_model(maps)
    table = describe(maps, models)
    lines = [known.title or "untitled", *_facts_lines(maps, known), "", _table_text(table)]
    lines += _spectrum_lines(known)
    notes = [str(note).removeprefix("Warning: ") for note in known.source.get("notes", [])]
    doubts = [model.note for model in models if model.kind in ("smoothed", "scaled counts")]
    for heading, items in (
        ("Assumed or noted", notes + doubts),
        ("Missing, and what it costs", [f"{what}: {cost}" for what, cost in missing(maps)]),
    ):
        if items:
            lines += ["", heading, *(f"  - {item}" for item in items)]
    lines += _examined(maps)
    if missing(maps):
        told = "State what you know in mapset.toml beside the maps; the README lists its keys."
        lines += ["", told]
    return "\n".join(lines)


def _examined(maps: xr.Dataset) -> list[str]:
    """Return what the tests of the maps found, a line each."""
    from spattermap.examine import examine

    found = examine(maps)
    n = sum(one.finding != "not_examined" for one in found.findings)
    if found.is_sound:
        return ["", f"Examination: {n} tests, nothing found"]
    said = [f"  - {one.consequence}; next: {one.next_step}" for one in found.alarms]
    return ["", f"Examination: {n} tests", *said]


def _spectrum_lines(known: Facts) -> list[str]:
    """Return how net counts were made from a spectrum cube: lines, windows, energy scale."""
    spectrum = known.source.get("spectrum")
    if not spectrum:
        return []
    scale = spectrum["energy_scale"]
    shift = f"{scale['offset_eV']:+.1f} eV, stretched by {100 * (scale['gain'] - 1):+.2f} %"
    width = f"{scale['fwhm_Mn_Ka_eV']:.0f} eV at Mn Ka"
    lines = ["", "Net counts from the spectra (eV)"]
    lines.append(f"  energy scale shifted by {shift}, width {width}")
    for element, made in spectrum["lines"].items():
        low, high = made["window_eV"]
        sides = " and ".join(f"{a:.0f}-{b:.0f}" for a, b in made["background_eV"])
        with_others = f", with {', '.join(made['overlaps'])}" if made["overlaps"] else ""
        lines.append(
            f"  {element:<3} {made['line']:<6} {low:.0f}-{high:.0f}, background {sides}: "
            f"{made['method']}{with_others}"
        )
    return lines


def _facts_lines(maps: xr.Dataset, known: Facts) -> list[str]:
    source = known.source
    height, width = maps.sizes["y"], maps.sizes["x"]
    origin = str(source.get("pixel_size_from", "the caller")).replace("sidecar", "mapset.toml")
    pairs: list[tuple[str, Any]] = [
        ("format", source.get("format", "made in memory")),
        ("size", f"{height} x {width} px (y x x), {maps.sizes['element']} elements"),
        (
            "pixel size",
            f"{known.pixel_size:.6g} um, from {origin}"
            if known.length_unit == "um"
            else "not stated: lengths in px",
        ),
        ("quantity", known.quantity),
        ("beam energy", known.beam_energy_keV and f"{known.beam_energy_keV:g} keV"),
        ("alloy", _parts(known.alloy)),
        ("substrate", _parts(known.substrate)),
        ("electron image", "yes" if "electron_image" in maps else None),
        ("unusable pixels", _unusable(maps)),
    ]
    return [f"  {name:<16}{value}" for name, value in pairs if value]


def _unusable(maps: xr.Dataset) -> str | None:
    if "valid" not in maps:
        return None
    lost = float(np.mean(~valid_mask(maps)))
    return f"{100 * lost:.2f} %"


def _parts(table: dict[str, float]) -> str | None:
    if not table:
        return None
    return ", ".join(e if np.isnan(part) else f"{e} {part:g} %" for e, part in table.items())


def _table_text(table: pd.DataFrame) -> str:
    shown = table.copy()
    for name in ("zero_share", "saturated_share"):
        shown[name] = [f"{100 * share:.1f} %" for share in table[name]]
    for name in ("minimum", "mean", "maximum"):
        shown[name] = [f"{float(value):.4g}" for value in table[name]]
    shown.columns = [name.replace("_", " ") for name in shown.columns]
    return str(shown.to_string(index=False))

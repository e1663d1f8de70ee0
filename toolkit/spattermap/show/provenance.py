"""What was read, the settings and versions, and the cautions, as pieces of a page."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import xarray as xr

from spattermap.core.mapset import element_names, facts
from spattermap.show import wording
from spattermap.show.look import missing
from spattermap.show.pieces import Fragment, bullets, facts_table, joined, short_list

CAUTIONS = (
    "Results are screening evidence, not certification. Confirm what matters by another method.",
    (
        "Each interval covers counting and the variation seen over this field, not other fields or "
        "deposits."
    ),
    (
        "A share of X-ray counts is no mass fraction: yields differ, and thin metal lets substrate "
        "X-rays by."
    ),
    (
        "High-energy pulses, charged capacitors and high voltage can kill: interlock, discharge "
        "and earth before you touch, and never work alone."
    ),
    (
        "Lasers and bursts can blind: wear eye protection made for the very wavelength, and guard "
        "against flying glass and metal."
    ),
    (
        "Metal fume and nanoparticles harm the lungs and can burn: enclose, extract and filter. "
        "Inert gas suffocates without warning: ventilate and monitor oxygen."
    ),
    "Local rules, your safety officer and licensed practice come before anything written here.",
)


def field_line(maps: xr.Dataset) -> str:
    """Return what was mapped in one line: the field, the elements, the beam."""
    known = facts(maps)
    said = [_field(maps), f"maps of {wording.listing(element_names(maps))}"]
    if known.beam_energy_keV:
        said.append(f"{known.beam_energy_keV:g} keV")
    return " · ".join(said)


def _field(maps: xr.Dataset) -> str:
    known = facts(maps)
    height, width = maps.sizes["y"], maps.sizes["x"]
    field = f"{width} × {height} px"
    if known.length_unit != "um":
        return f"{field}; the pixel size is not stated"
    sides = (wording.figures(side * known.pixel_size) for side in (width, height))
    return f"{field}, {' × '.join(sides)} µm (pixel {wording.figures(known.pixel_size)} µm)"


def what_was_read(maps: xr.Dataset, *, blank: xr.Dataset | None = None) -> Fragment:
    """Return what was understood of the files, and what they do not say.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    blank : xarray.Dataset, optional
        The bare substrate, where one was given apart from the maps.
    """
    known = facts(maps)
    named = zip(maps.element.values, maps.line.values, strict=True)
    lines = [str(line) or str(element) for element, line in named]
    rows = {
        "Title": known.title or "not stated",
        "Field": _field(maps),
        "Maps": ", ".join(lines),
        "Quantity": known.quantity.replace("_", " "),
        "Beam energy": f"{known.beam_energy_keV:g} keV" if known.beam_energy_keV else "not stated",
        "Alloy as bought": _composition(known.alloy),
        "Substrate": _composition(known.substrate),
        "Electron image": "yes" if "electron_image" in maps else "none",
    }
    rows |= {f"Process: {k}": str(v) for k, v in known.process.items()}
    rows |= {f"Measured: {k}": str(v) for k, v in known.measured.items()}
    rows["Blank"] = "none" if blank is None else facts(blank).title or "given, without a title"
    parts = [facts_table("Facts of the map set", rows)]
    lacking = {what: cost for what, cost in missing(maps) if blank is None or what != "blank"}
    if lacking:
        parts.append(facts_table("What is missing, and what it costs", lacking))
    return joined(parts)


def _composition(parts: Mapping[str, float]) -> str:
    if not parts:
        return "not stated"
    return ", ".join(
        element if math.isnan(share) else f"{element} {share:g} %"
        for element, share in parts.items()
    )


def settings_and_provenance(analysis: Any) -> Fragment:
    """Return the settings, the versions and the fingerprint of every input file."""
    summary = analysis.summary()
    chosen = {
        name.replace("_", " "): "automatic" if value is None else _plain(value)
        for name, value in summary.get("settings", analysis.settings.to_dict()).items()
    }
    chosen["roles"] = f"{analysis.roles.how}{' (assumed)' if analysis.roles.assumed else ''}"
    versions, inputs = (
        {str(name): str(value) for name, value in summary.get(key, {}).items()}
        for key in ("versions", "inputs")
    )
    parts = [
        short_list("Settings", chosen),
        short_list("Versions", versions),
        facts_table("Input files (SHA-256)", inputs),
    ]
    whole = joined(parts)
    return Fragment(f'<div class="provenance">{whole.html}</div>', whole.text)


def _plain(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else str(value)


def cautions() -> Fragment:
    """Return the limits of the method and the safety cautions."""
    return bullets(CAUTIONS, "cautions")

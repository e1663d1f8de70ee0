"""Pieces of a page about sizes, shapes, spacing and how the metal arrived."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from spattermap.core.estimate import bounded, length, span
from spattermap.core.mapset import facts, unit_name
from spattermap.show.pieces import Fragment, joined, paragraphs, table
from spattermap.show.wording import figures, is_film, percent

# The other shapes are shares of the resolved droplets, this one is a share of all.
_SHAPE_WORDS = {"unresolved": "of all droplets too small to tell"}

# What each mean is called beside its ISO 9276-2 symbol.
_SIZE_NAMES = {
    "number D10": "D10, by number",
    "number D50": "D50, by number",
    "number D90": "D90, by number",
    "area D50": "D50, by area",
    "volume D50": "D50, by volume (spherical caps of one shape)",
    "D[1,0]": "D[1,0], arithmetic mean",
    "D[3,2]": "D[3,2], volume over surface",
    "D[4,3]": "D[4,3], mean by volume",
}


def sizes(analysis: Any) -> Fragment:
    """Return the diameters with intervals, the best fit, and how many more fields to map."""
    found = analysis.morphology
    if is_film(analysis.summary()):
        return _lobes(found.sizes, facts(analysis.maps).length_unit)
    known = facts(analysis.maps)
    smallest = analysis.segmentation.smallest_trusted_px * known.pixel_size
    pieces = [diameters_table(found.sizes, known.length_unit, smallest)]
    if _size_rows(found.sizes):
        pieces.append(paragraphs([*_fit(found), *_more_fields(found)]))
    return joined(pieces, between="\n")


def _lobes(sizes: pd.DataFrame, length_unit: str) -> Fragment:
    """Say why a film has no droplet sizes; its lobes have a scale without an interval."""
    why = (
        "The deposit is one joined region, so it has no droplet sizes: where one drop ends and the "
        "next begins is not in the maps."
    )
    said = [why]
    middle = dict(zip(sizes.index, sizes["value"], strict=True)).get("number D50", math.nan)
    if math.isfinite(middle):
        middle = figures(middle, significant=2)
        said.append(
            f"Its lobes, parted where the film is narrow, are about {middle} "
            f"{unit_name(length_unit)} across; drops that merged were smaller or larger by an "
            "amount that the maps do not tell."
        )
    return paragraphs(said)


def diameters_table(sizes: pd.DataFrame, length_unit: str, smallest: float = 0.0) -> Fragment:
    """Return percentiles and means of the diameter with their intervals."""
    some = math.isfinite(smallest) and smallest > 0
    of = f" of droplets of {length(smallest, length_unit)} and more" if some else ""
    rows = _size_rows(sizes)
    if not rows:
        return paragraphs(["No droplet was measured whole."])
    return table(
        f"Diameters ({unit_name(length_unit)}){of}, corrected for droplets cut by the border",
        ("quantity", "value (95 %)", "enough droplets"),
        rows,
    )


def _size_rows(sizes: Any) -> list[tuple[str, str, str]]:
    return [
        (name, _interval(sizes.loc[key]), "yes" if sizes.loc[key, "trusted"] else "no")
        for key, name in _SIZE_NAMES.items()
        if key in sizes.index and math.isfinite(sizes.loc[key, "value"])
    ]


def shapes_and_spacing(analysis: Any) -> Fragment:
    """Return what the shapes and the places of the droplets say."""
    found = analysis.morphology
    if is_film(analysis.summary()):
        return Fragment("")
    said = shape_sentences(found.shapes)
    spacing = found.spacing
    if math.isfinite(spacing.index):
        said.append(
            f"Spacing: {spacing.pattern} (mean distance to the nearest neighbour "
            f"{figures(spacing.mean_distance)} {_unit(analysis)}, {figures(spacing.index)} times "
            f"that of {spacing.null}; p = {figures(spacing.p_value, significant=2)})."
        )
    near = found.satellites
    if math.isfinite(near.excess):
        said.append(
            f"Small droplets near the rims of large ones: {figures(near.excess)} times as many as "
            f"by chance (chance alone gives {figures(near.excess_low)} to "
            f"{figures(near.excess_high)} times; p = {figures(near.p_value, significant=2)})."
        )
    return paragraphs(said) if said else Fragment("<p>No droplets to compare.</p>", "No droplets.")


def shape_sentences(shapes: pd.DataFrame) -> list[str]:
    """Return the share of each shape as a sentence; none where no droplet has one."""
    shares = [
        f"{percent(row['share'])} ({_span(row)}) {_SHAPE_WORDS.get(row['shape'], row['shape'])}"
        for _, row in shapes.iterrows()
        if row["n"] > 0
    ]
    return [f"Shapes of the resolved droplets: {', '.join(shares)}."] if shares else []


def arrival(analysis: Any) -> Fragment:
    """Return each way the metal can have arrived, with what speaks for and against it."""
    rows = []
    for _, row in analysis.morphology.arrival.iterrows():
        known = math.isfinite(row["share"])
        ends = (row["share_low"], row["share_high"])
        share = bounded(row["share"], *ends, percent) if known else "–"
        rows.append(
            (
                str(row["alternative"]),
                share,
                " ".join(row["speaks_for"]) or "–",
                " ".join(row["speaks_against"]) or "–",
                str(row["next_step"]),
            )
        )
    return table(
        "Evidence, not proof: a picture of a deposit does not show how it came about",
        ("the metal came as", "share of its signal", "for", "against", "would settle it"),
        rows,
    )


def _fit(found: Any) -> list[str]:
    if not found.fits:
        return []
    best = found.fits[0]
    family = best.family.replace("_", " ")
    values = ", ".join(f"{name} {figures(value)}" for name, value in best.parameters.items())
    quality = f"goodness of fit p = {figures(best.p_value, significant=2)}"
    return [f"Best fit to the diameters: {family} ({values}; {quality})."]


def _more_fields(found: Any) -> list[str]:
    """Say how many more fields of this kind would bring each number to the aim."""
    said = []
    for _, row in found.enough.iterrows():
        more = row["more_fields"]
        if math.isfinite(more) and more > 0:
            fields = "field" if more == 1 else "fields"
            said.append(f"{row['quantity']}: {more:.0f} more {fields} like this")
    if not said:
        return ["This field is enough for means within 5 %."]
    return [f"For means within 5 % map more: {'; '.join(said)}."]


def _interval(row: Any) -> str:
    return bounded(row["value"], row["low"], row["high"])


def _span(row: Any) -> str:
    return span(row["share_low"], row["share_high"], percent)


def _unit(analysis: Any) -> str:
    return unit_name(facts(analysis.maps).length_unit)

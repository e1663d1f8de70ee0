"""Findings as plain sentences: the one-paragraph answer and the verdict in a few lines."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeGuard

import pandas as pd

from spattermap.core import estimate

if TYPE_CHECKING:
    from spattermap.analysis import Analysis

# Above this share of the metal in one joined region the droplets are parts of a film
# (common practice, no source; half is where "most" begins).
MOSTLY_ONE_REGION = 0.5

# What each verdict word (DEVELOPERS.md, README.md) says as the end of a sentence.
VERDICT_SENTENCES = {
    "with_alloy": "came down with the alloy",
    "partly_separated": "is partly separated from the alloy",
    "separated": "is separated: it is present, but not where the alloy lies",
    "substrate": "is explained by the substrate",
    "foreign": "is more than the alloy could have supplied, so it is foreign",
    "undecided": "is undecided",
    "not_detected": "is not detected",
}


# Where no map varies beyond its counting noise, nothing about form or connection can be said.
UNDIVIDED = (
    "The maps vary no more than counting noise does: the field is bare, or evenly covered, and "
    "these maps cannot tell which. No droplet or streak can be shown."
)


def listing(words: Sequence[str]) -> str:
    """Return words joined as in a sentence."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def minutes_text(minutes: float) -> str:
    """Return a time in words."""
    return f"{minutes:.2g} minute{'' if f'{minutes:.2g}' == '1' else 's'}"


def percent(value: float | None, *, digits: int = 0) -> str:
    """Return a fraction as percent, or a dash where it is unknown."""
    if not has_value(value):
        return "–"
    shown = 100 * value
    if 0 < abs(shown) < 1 and digits == 0:
        digits = 1
    return f"{shown:.{digits}f} %"


# Said of numbers everywhere in this room.
figures = estimate.figures

_UNITS = {
    "_um2": " (µm²)", "_um": " (µm)", "_nm": " (nm)", "_J": " (J)", "_mm": " (mm)", "_us": " (µs)",
    "_kV": " (kV)", "_keV": " (keV)", "_deg": " (°)", "_ohm_per_sq": " (Ω per square)",
    "_px": " (px)",
}  # fmt: skip
# Results whose column name says too little.
_NAMES = {
    "sheet_conductance_ratio": "conductance (of a full film)",
    "sheet_conductance_ratio_x": "conductance in x (of a full film)",
    "sheet_conductance_ratio_y": "conductance in y (of a full film)",
    "share_droplets": "droplets or film (of the metal signal)",
    "share_streaks": "streaks (of the metal signal)",
    "share_haze": "haze (of the metal signal)",
    "kept_alloy": "alloy kept together",
}


def words_of(column: str) -> str:
    """Return a column's name as printed on an axis or above a table."""
    if column in _NAMES:
        return _NAMES[column]
    for ending in sorted(_UNITS, key=len, reverse=True):
        if column.endswith(ending):
            return column.removesuffix(ending).replace("_", " ") + _UNITS[ending]
    return column.replace("_", " ")


def with_interval(summary: dict[str, Any], name: str, *, as_percent: bool = False) -> str:
    """Return ``value (low to high)`` of one entry of the summary."""
    show: Callable[[Any], str] = percent if as_percent else figures
    value, low, high = (summary.get(f"{name}{end}", math.nan) for end in ("", "_low", "_high"))
    if as_percent and has_value(low) and low != high and show(low) == show(high):
        show = functools.partial(percent, digits=1)  # bounds that say nothing of their own
    return estimate.bounded(value, low, high, show)


def could_divide(analysis: Analysis) -> bool:
    """Return whether the maps let metal and bare area be told apart at all."""
    return math.isfinite(analysis.segmentation.smallest_trusted_px)


def is_film(summary: Mapping[str, Any]) -> bool:
    """Return whether the deposit is a film: most of it one joined region that crosses the field.

    Droplets are then parts of a film, and their sizes no headline.

    >>> is_film({"largest_region_share": 0.9, "connected_x": True})
    True
    >>> is_film({"largest_region_share": 0.9, "connected_x": False, "connected_y": False})
    False
    """
    share = summary.get("largest_region_share")
    crosses = summary.get("connected_x") or summary.get("connected_y")
    return bool(crosses) and has_value(share) and share > MOSTLY_ONE_REGION


def noun_of(analysis: Any) -> str:
    """Return what one outlined part of the deposit is called: a film has lobes, not droplets."""
    return "lobe" if is_film(analysis.summary()) else "droplet"


def too_few_droplets(analysis: Analysis) -> bool:
    """Return whether too few droplets decide the median for its interval to be relied on."""
    sizes = analysis.morphology.sizes
    return "number D50" in sizes.index and not sizes.loc["number D50", "trusted"]


def verdict_lines(elements: pd.DataFrame) -> str:
    """Return one line an element for a terminal."""
    return "\n".join(
        f"{row['element']:<3}{row['role']:<10}{row['verdict']:<17}{row['reasons']}"
        for _, row in elements.iterrows()
    )


def has_value(value: Any) -> TypeGuard[Any]:
    """Return whether there is a value: neither None nor a number that is not finite."""
    return value is not None and not (isinstance(value, float) and not math.isfinite(value))

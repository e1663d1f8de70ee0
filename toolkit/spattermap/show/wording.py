"""Findings as plain sentences: the one-paragraph answer and the verdict in a few lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, TypeGuard

from spattermap.core.mapset import unit_name

if TYPE_CHECKING:
    import pandas as pd

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


def percent(value: float | None, *, digits: int = 0) -> str:
    """Return a fraction as percent, or a dash where it is unknown."""
    if not _known(value):
        return "–"
    shown = 100 * value
    if 0 < abs(shown) < 1 and digits == 0:
        digits = 1
    return f"{shown:.{digits}f} %"


def figures(value: float | None, *, significant: int = 3) -> str:
    """Return a number with a few significant figures and no exponent where it reads well.

    Parameters
    ----------
    value : float
        Any number.
    significant : int, optional
        Figures to keep.

    Returns
    -------
    str

    Examples
    --------
    >>> figures(3.14159), figures(0.001234), figures(123456.0), figures(1.2e-12)
    ('3.14', '0.00123', '123456', '1.20e-12')
    """
    if not _known(value):
        return "–"
    if value == 0:
        return "0"
    decimals = max(0, significant - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}" if decimals <= 9 else f"{value:.{significant - 1}e}"


_UNITS = {
    "_um2": " (µm²)", "_um": " (µm)", "_nm": " (nm)", "_J": " (J)", "_mm": " (mm)", "_us": " (µs)",
    "_kV": " (kV)", "_keV": " (keV)", "_deg": " (°)", "_ohm_per_sq": " (Ω per square)",
    "_px": " (px)",
}  # fmt: skip
# Results whose column name says too little.
_NAMES = {
    "sheet_conductance_ratio": "conductance (of a full film)",
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
    show = percent if as_percent else figures
    value = show(summary.get(name, math.nan))
    low, high = (summary.get(f"{name}_{end}", math.nan) for end in ("low", "high"))
    if not (_known(low) and _known(high)):
        return value
    if as_percent:
        return f"{value} ({show(low).removesuffix(' %')} to {show(high)})"
    return f"{value} ({show(low)} to {show(high)})"


def answer(analysis: Analysis) -> str:
    """Return the finding as one paragraph.

    Parameters
    ----------
    analysis : Analysis
        A finished analysis.

    Returns
    -------
    str
        Sentences: coverage, form, connection, alloy, what to do next.
    """
    summary = analysis.summary()
    divided = could_divide(analysis)
    sentences = [
        *(_form(summary, analysis) if divided else [UNDIVIDED]),
        *(_connection(summary) if divided else []),
        *_assumed(analysis),
        *_alloy(analysis),
        *_next(analysis),
    ]
    return " ".join(sentences)


def could_divide(analysis: Analysis) -> bool:
    """Return whether the maps let metal and bare area be told apart at all."""
    return math.isfinite(analysis.segmentation.smallest_trusted_px)


def _form(summary: dict[str, Any], analysis: Analysis) -> list[str]:
    n_streaks = analysis.segmentation.n_streaks
    unit = unit_name(summary["length_unit"])
    count = summary.get("droplet_count", 0)
    coverage = with_interval(summary, "coverage", as_percent=True)
    said = [f"Metal covers {coverage} of the field."]
    if not count and not n_streaks:
        smallest = figures(summary.get(f"smallest_trusted_{summary['length_unit']}", math.nan))
        said.append(
            f"No droplet or streak above the smallest size that can be trusted here "
            f"({smallest} {unit}) was found."
        )
        return said
    parts = [f"{count} droplet{'s' * (count != 1)}"] if count else []
    parts += [f"{n_streaks} streak{'s' * (n_streaks != 1)}"] if n_streaks else []
    network = summary.get("largest_region_share")
    if _known(network) and network > MOSTLY_ONE_REGION:
        said.append(
            f"Most of it ({percent(network)}) is one joined region, a film with gaps; "
            f"{' and '.join(parts)} can be told apart in and beside it."
        )
    else:
        said.append(f"It lies in {' and '.join(parts)}.")
    median = with_interval(summary, f"d50_{summary['length_unit']}")
    if count and not median.startswith("–"):
        said.append(f"Half of the droplets are smaller than {median} {unit} across.")
        said += _few_droplets(analysis)
    return [*said, *_shares(summary, streaks=bool(n_streaks))]


def _shares(summary: dict[str, Any], *, streaks: bool) -> list[str]:
    """Say where the metal signal lies; of streaks only where some were found."""
    words = ("droplets", "streaks", "haze") if streaks else ("droplets", "haze")
    shares = {word: summary.get(f"share_{word}") for word in words}
    if not all(_known(value) for value in shares.values()):
        return []
    return [
        "Of the metal signal "
        + listing([f"{percent(value)} is in {word}" for word, value in shares.items()])
        + "."
    ]


def too_few_droplets(analysis: Analysis) -> bool:
    """Return whether too few droplets decide the median for its interval to be relied on."""
    sizes = analysis.morphology.sizes
    return "number D50" in sizes.index and not sizes.loc["number D50", "trusted"]


def _few_droplets(analysis: Analysis) -> list[str]:
    if not too_few_droplets(analysis):
        return []
    return ["Too few whole droplets were seen to rely on that size or its interval."]


def _connection(summary: dict[str, Any]) -> list[str]:
    crosses = [axis for axis in ("x", "y") if summary.get(f"connected_{axis}")]
    if not crosses:
        said = (
            "The metal seen does not connect across the field in x or y, so it should not "
            "conduct unless a film thinner than the map can show joins it."
        )
        return [said]
    ratios = [summary.get(f"sheet_conductance_ratio_{axis}", math.nan) for axis in crosses]
    parts = [
        f"in {axis} (sheet conductance about {percent(ratio)} of a full film's)"
        for axis, ratio in zip(crosses, ratios, strict=True)
    ]
    return [f"The metal connects across the field {' and '.join(parts)}."]


def _assumed(analysis: Analysis) -> list[str]:
    if not analysis.roles.assumed:
        return []
    metals = listing(list(analysis.roles.alloy)) if analysis.roles.alloy else "no element"
    verb = "were" if len(analysis.roles.alloy) > 1 else "was"
    return [f"Nobody stated what the alloy is; {metals} {verb} assumed from the maps."]


def _alloy(analysis: Analysis) -> list[str]:
    table = analysis.elements
    said = []
    for word, ending in VERDICT_SENTENCES.items():
        rows = table[(table["verdict"] == word)]
        # What the substrate is made of is no news; it stands in the table.
        if word in ("substrate", "not_detected"):
            rows = rows[rows["role"] == "alloy"]
        names = [str(name) for name in rows["element"]]
        if word == "with_alloy" and len(analysis.roles.alloy) == 1:
            # A single metal has no partner to part from.
            names = [name for name in names if name not in analysis.roles.alloy]
        if names:
            said.append(f"{listing(names)} {_agree(ending, len(names))}.")
    return said


def _next(analysis: Analysis) -> list[str]:
    table = analysis.elements
    order = {"undecided": 0, "separated": 1, "partly_separated": 2, "foreign": 3}
    rows = table[table["verdict"].isin(list(order)) & (table["next_step"].astype(str) != "")]
    if rows.empty:
        return []
    first = min(
        (row for _, row in rows.iterrows()),
        key=lambda row: (row["role"] != "alloy", order[row["verdict"]]),
    )
    step = str(first["next_step"]).strip()
    return [f"Next ({first['element']}): {step.rstrip('.')}."]


def verdict_lines(elements: pd.DataFrame) -> str:
    """Return one line an element for a terminal."""
    return "\n".join(
        f"{row['element']:<3}{row['role']:<10}{row['verdict']:<17}{row['reasons']}"
        for _, row in elements.iterrows()
    )


def _agree(ending: str, count: int) -> str:
    """Return the ending with its verbs in the plural where several elements are meant."""
    if count == 1:
        return ending
    plurals = (
        ("it is", "they are"),
        ("it does", "they do"),
        ("so it", "so they"),
        ("is ", "are "),
    )
    for one, many in plurals:
        ending = ending.replace(one, many)
    return ending


def _known(value: Any) -> TypeGuard[float]:
    return value is not None and not (isinstance(value, float) and not math.isfinite(value))

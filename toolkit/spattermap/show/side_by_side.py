"""Deposits side by side: answers, numbers that differ beyond their intervals, linked fields."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from spattermap.core.errors import InputError
from spattermap.core.estimate import figures
from spattermap.core.files import refuse_input_as_out, staged_folder
from spattermap.core.mapset import facts
from spattermap.core.progress import step
from spattermap.show.answers import QUESTIONS
from spattermap.show.field_viewer import base_data, field_piece, found_data, still_png
from spattermap.show.pages import shell
from spattermap.show.pictures.size_pictures import FEWEST_DROPLETS_FOR_BINS, diameters_of, log_bins
from spattermap.show.pieces import Fragment, rows_of, table
from spattermap.show.wording import is_film, listing, percent, with_interval, words_of

if TYPE_CHECKING:
    from spattermap.analysis import Analysis
    from spattermap.core.settings import Settings

# What is compared, where both have it: lengths in the map sets' unit.
NUMBERS = (
    "coverage", "droplet_count", "d10", "d50", "d90", "share_droplets", "share_streaks",
    "share_haze", "sheet_conductance_ratio_x", "sheet_conductance_ratio_y", "mean_thickness_nm",
)  # fmt: skip
_SIZES = ("droplet_count", "d10", "d50", "d90")
_FRACTIONS = ("coverage", "share_", "sheet_conductance")


def compare(
    paths: Sequence[str | Path],
    out: str | Path,
    *,
    settings: Settings | None = None,
    overwrite: bool = False,
) -> Path:
    """Analyse several map sets and write one page that shows them side by side.

    Parameters
    ----------
    paths : sequence of str or pathlib.Path
        Two to six map sets, as `spattermap.load` takes them.
    out : str or pathlib.Path
        Folder for ``comparison.html`` and ``comparison.csv``; new or empty unless `overwrite`.
    settings : Settings, optional
        Choices, the same for all.
    overwrite : bool, optional
        Replace results of the same names.

    Returns
    -------
    pathlib.Path
        The page.

    Raises
    ------
    InputError, InputFileError
        If there are too few or too many map sets, or one of them cannot be used.
    OutputError
        If `out` cannot be written.
    """
    from spattermap.analysis import analyse
    from spattermap.loaders import load, load_blank

    if not 2 <= len(paths) <= 6:
        raise InputError(
            f"compare must have two to six map sets, got {len(paths)}. "
            "Many deposits are what `spattermap sweep` is for."
        )
    refuse_input_as_out(out, paths)
    with staged_folder(out, overwrite=overwrite) as stage:
        found = [analyse(load(one), blank=load_blank(one), settings=settings) for one in paths]
        step("Drawing the page")
        numbers = compared(found)
        numbers.to_csv(stage / "comparison.csv", index=False)
        text = comparison_page(found, numbers)
        (stage / "comparison.html").write_text(text, encoding="utf-8", newline="\n")
    return Path(out) / "comparison.html"


def compared(found: Sequence[Analysis]) -> pd.DataFrame:
    """Return one row a number: its value and bounds in each deposit, and whether they differ.

    ``differs``: "yes" where the intervals of some two deposits do not meet, "no" where all meet,
    "not told" where fewer than two have an interval. A thickness may have one bound only; whether
    a conductance is known is the answer's to say.
    """
    summaries = [one.summary() for one in found]
    rows = []
    for name in NUMBERS:
        row: dict[str, Any] = {"number": name}
        spans = []
        for k, summary in enumerate(summaries, start=1):
            key = name if name in summary else f"{name}_{summary['length_unit']}"
            if name in _SIZES and is_film(summary):
                key = ""  # the lobes of a film are no droplets
            value = [_number(summary.get(f"{key}{end}")) for end in ("", "_low", "_high")]
            if name.startswith("sheet_conductance") and _connection_is_open(found[k - 1]):
                value = [math.nan] * 3
            if name == "mean_thickness_nm" and summary.get("mean_thickness_bound") == "at most":
                value[1] = math.nan
            row |= dict(zip((f"deposit_{k}", f"deposit_{k}_low", f"deposit_{k}_high"), value,
                            strict=True))  # fmt: skip
            if all(map(math.isfinite, value)):
                spans.append((value[1], value[2]))
        row["differs"] = _differ(spans)
        if any(math.isfinite(one) for one in row.values() if isinstance(one, float)):
            rows.append(row)
    return pd.DataFrame(rows)


def _connection_is_open(one: Analysis) -> bool:
    """Return whether metal that is not outlined, or an image, leaves the connection open."""
    return any(each.topic == "connection" and each.certainty == "open" for each in one.answers)


def _differ(spans: Sequence[tuple[float, float]]) -> str:
    if len(spans) < 2:
        return "not told"
    return "yes" if max(low for low, _ in spans) > min(high for _, high in spans) else "no"


def _number(value: Any) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan


def comparison_page(found: Sequence[Analysis], numbers: pd.DataFrame) -> str:
    """Return the page: what differs, the fields on one scale, the answers."""
    parts = [
        ("What differs", _numbers_piece(found, numbers).html),
        ("Fields on one scale", _fields(found)),
        ("Answers side by side", _answers(found).html),
    ]
    heading = listing([one.title for one in found])
    level = found[0].settings.level
    return shell(parts, title=heading, kind="Deposits side by side", heading=heading, level=level)


def _numbers_piece(found: Sequence[Analysis], numbers: pd.DataFrame) -> Fragment:
    rows = []
    for row in rows_of(numbers):
        name = str(row["number"])
        fraction = name.startswith(_FRACTIONS)
        unit = f"_{found[0].summary()['length_unit']}" if name in ("d10", "d50", "d90") else ""
        keys = [f"deposit_{k}" for k in range(1, len(found) + 1)]
        cells = [
            f"{row[key]:.0f}"
            if name == "droplet_count" and math.isfinite(row[key])
            else _one_sided(row, key) or with_interval(row, key, as_percent=fraction)
            for key in keys
        ]
        if name.startswith("sheet_conductance"):
            told = zip(cells, found, strict=True)
            cells = ["open" if _connection_is_open(one) else cell for cell, one in told]
        rows.append((words_of(f"{name}{unit}"), *cells, str(row["differs"])))
    heads = ("quantity", *(one.title for one in found), "beyond the intervals")
    films = [one.title for one in found if is_film(one.summary())]
    said = (
        f"Values with their {percent(found[0].settings.level)} intervals; intervals that meet do "
        "not show that two deposits are alike"
        + (f". A film has no droplet sizes: {' and '.join(films)}" if films else "")
    )
    return table(said, heads, rows)


def _one_sided(row: Mapping[str, Any], key: str) -> str:
    """Return a value of which one bound only is known in words; else empty."""
    value, low, high = (row[f"{key}{end}"] for end in ("", "_low", "_high"))
    if math.isfinite(value) or math.isfinite(low) == math.isfinite(high):
        return ""
    return f"at least {figures(low)}" if math.isfinite(low) else f"at most {figures(high)}"


def _fields(found: Sequence[Analysis]) -> str:
    """Return the fields, which move together and start on one scale, and their size classes."""
    sizes = [diameters_of(one) for one in found]
    units = {facts(one.maps).length_unit for one in found}
    whole = np.concatenate(sizes)
    edges = log_bins(whole) if len(units) == 1 and len(whole) >= FEWEST_DROPLETS_FOR_BINS else None
    pieces = [
        f"<div><h3>{escape(one.title)}</h3>"
        + field_piece(
            base_data(one), found_data(one, edges=edges), still=still_png(one), words=one.title,
            group="compared", script=k == len(found) - 1,
        ).html
        + "</div>"
        for k, one in enumerate(found)
    ]  # fmt: skip
    return f'<div class="beside">{"".join(pieces)}</div>'


def _answers(found: Sequence[Analysis]) -> Fragment:
    told = [one.answers for one in found]
    rows = [
        (question, *(f"{each[k].answer} ({each[k].certainty})" for each in told))
        for k, question in enumerate(QUESTIONS.values())
    ]
    return table("One line a question", ("question", *(one.title for one in found)), rows)

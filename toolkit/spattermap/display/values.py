"""Tables of numbers whose bounds stand below them, and how each number is written."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from spattermap.results import FRACTIONS
from spattermap.wording import figures, percent, words_of

if TYPE_CHECKING:
    import pandas as pd

_SMALL_P = 1e-4
_NARROW = 4  # columns that a telephone's screen holds side by side

# What a column is called above a table; others as `wording.words_of` has them.
_WORDS = {
    "process": "setting",
    "rho": "rank correlation",
    "explained": "explained (R²)",
    "n_fields": "fields",
    "n_samples": "samples",
    "n_groups": "groups",
    "n_errors": "errors",
    "p_adjusted": "p, adjusted",
    "p_value": "p",
}
# Columns whose cells are names of columns.
_NAMES = ("process", "result", "goal", "term")


def table_html(table: pd.DataFrame, columns: Sequence[str], caption: str) -> str:
    """Return a table whose values carry their bounds below them."""
    head = "".join(f'<th scope="col">{escape(heading_of(name))}</th>' for name in columns)
    body = "".join(
        f"<tr>{''.join(_cell(row, name) for name in columns)}</tr>" for row in rows_of(table)
    )
    # On a narrow screen a wide table shows one row below the other.
    kind = ' class="stacked"' if len(columns) > _NARROW else ""
    return (
        f'<div class="piece"><table{kind}><caption>{escape(caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def rows_of(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table as mappings of column to value."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _cell(row: dict[str, Any], name: str) -> str:
    value = row.get(name)
    of = str(row.get("goal", row.get("result", ""))).removeprefix("least ")
    fraction = name == "scatter_relative" or (
        name in ("value", "median") and of.startswith(FRACTIONS)
    )
    text = escape(percent(value) if fraction else value_text(name, value))
    ends = [row.get(f"{name}_{end}") for end in ("low", "high")]
    if not any(is_missing(end) for end in ends):
        low, high = (escape(value_text(name, end)) for end in ends)
        text += f"<small>{low.removesuffix(' %')} to {high}</small>"
    text = text.replace(" %", "\u00a0%")
    return f'<td data-label="{escape(heading_of(name))}">{text}</td>'


def value_text(name: str, value: Any) -> str:
    """Return a value of a column as it is printed, a dash where there is none."""
    if is_missing(value):
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return _number(name, float(value))
    return " x ".join(map(heading_of, str(value).split(" x "))) if name in _NAMES else str(value)


def _number(name: str, value: float) -> str:
    if name.startswith("rho"):
        return f"{round(value, 2) + 0.0:.2f}"  # no minus before zero
    if name.startswith(FRACTIONS):
        return percent(value)
    if name.startswith("p_") and value < _SMALL_P:
        return f"below {_SMALL_P:g}"
    return f"{value:.0f}" if value == int(value) else figures(value)


def heading_of(name: str) -> str:
    """Return what a column is called above a table.

    Parameters
    ----------
    name : str
        The column, or ``least NAME`` for a goal that is better where it is smaller.

    Returns
    -------
    str

    Examples
    --------
    >>> heading_of("p_value"), heading_of("least share_haze")
    ('p', 'least haze (of the metal signal)')
    """
    if name.startswith("least "):
        return f"least {heading_of(name.removeprefix('least '))}"
    return _WORDS.get(name) or words_of(name)


def is_missing(value: Any) -> bool:
    """Return whether there is no value: None, or not a finite number."""
    return value is None or (isinstance(value, float) and not math.isfinite(value))

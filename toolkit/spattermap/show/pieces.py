"""What every piece of a page is made of: a fragment, tables, lists, sentences, formulas.

What comes from the input (titles, file names, sentences) is escaped where it is put into HTML, so
that a `Fragment` is always safe.

Tables of numbers whose bounds stand below them, and how each number is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from html import escape
from typing import Any

import pandas as pd

from spattermap.core.estimate import span
from spattermap.core.results import FRACTIONS
from spattermap.show.wording import figures, has_value, percent, words_of


class Fragment:
    """A piece of a page.

    Parameters
    ----------
    html : str
        Safe HTML.
    text : str
        The same for a terminal.
    """

    def __init__(self, html: str, text: str = "") -> None:
        self.html = html
        self.text = text

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return self.text


def joined(pieces: Iterable[Fragment], *, between: str = "\n\n") -> Fragment:
    """Return several pieces as one, `between` parting them in a terminal."""
    several = list(pieces)
    html = "".join(piece.html for piece in several)
    return Fragment(html, between.join(piece.text for piece in several))


def unbroken(text: str) -> str:
    """Return text as HTML in which no line ends between a number and its unit."""
    return re.sub(r"(?<=[\d)]) (?=(?:%|[µn]m|Ω|px|keV)(?!\w))", "\N{NO-BREAK SPACE}", escape(text))


def table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Fragment:
    """Return a table of text whose first column names the rows."""
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in heads)
    # On a narrow screen the rows are stacked, and each cell then names its column itself.
    body = "".join(
        f'<tr><th scope="row">{escape(first)}</th>'
        + "".join(
            f'<td data-label="{escape(name)}">{unbroken(cell)}</td>'
            for name, cell in zip(heads[1:], rest, strict=True)
        )
        + "</tr>"
        for first, *rest in rows
    )
    html = (
        f'<table class="stacked"><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table>"
    )
    return Fragment(html, "\n".join([caption, *("; ".join(row) for row in rows)]))


def facts_table(caption: str, rows: Mapping[str, str]) -> Fragment:
    """Return names and values one below the other; nothing where there are none."""
    if not rows:
        return Fragment("")
    body = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{unbroken(value)}</td></tr>'
        for name, value in rows.items()
    )
    html = f'<table class="facts"><caption>{escape(caption)}</caption><tbody>{body}</tbody></table>'
    return Fragment(html, _lines(rows))


def short_list(title: str, rows: Mapping[str, str]) -> Fragment:
    """Return names and values side by side, for many short ones; nothing where there are none."""
    if not rows:
        return Fragment("")
    body = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{unbroken(value)}</dd></div>"
        for name, value in rows.items()
    )
    html = f'<h3>{escape(title)}</h3><dl class="short">{body}</dl>'
    return Fragment(html, _lines(rows))


def _lines(rows: Mapping[str, str]) -> str:
    return "\n".join(f"{name}: {value}" for name, value in rows.items())


def bullets(sentences: Iterable[str], kind: str) -> Fragment:
    """Return sentences as a list; `kind` is the class by which the page's style knows it."""
    items = list(sentences)
    html = (
        f'<ul class="{kind}">' + "".join(f"<li>{unbroken(item)}</li>" for item in items) + "</ul>"
    )
    return Fragment(html, "\n".join(f"- {item}" for item in items))


def paragraphs(sentences: Sequence[str]) -> Fragment:
    """Return each sentence as a paragraph of its own."""
    html = "".join(f"<p>{unbroken(sentence)}</p>" for sentence in sentences)
    return Fragment(html, "\n".join(sentences))


def formula(latex: str, words: str) -> Fragment:
    r"""Return a formula as MathML, which browsers show without any script.

    Parameters
    ----------
    latex : str
        The formula.
    words : str
        The same in words, for a terminal.

    Examples
    --------
    >>> formula(r"\frac{a}{b}", "a / b")
    a / b
    """
    from latex2mathml.converter import convert

    return Fragment(f'<p class="formula">{convert(latex, display="block")}</p>', words)


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
        f'<div class="piece" tabindex="0" role="group" aria-label="{escape(caption)}">'
        f"<table{kind}><caption>{escape(caption)}</caption>"
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
    low, high = (row.get(f"{name}_{end}") for end in ("low", "high"))
    if has_value(low) and has_value(high) and not low == value == high:
        text += f" <small>{escape(span(low, high, partial(value_text, name)))}</small>"
    text = text.replace(" %", "\u00a0%")
    return f'<td data-label="{escape(heading_of(name))}">{text}</td>'


def value_text(name: str, value: Any) -> str:
    """Return a value of a column as it is printed, a dash where there is none."""
    if not has_value(value):
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
    """Return what a column is called above a table."""
    if name.startswith("least "):
        return f"least {heading_of(name.removeprefix('least '))}"
    return _WORDS.get(name) or words_of(name)

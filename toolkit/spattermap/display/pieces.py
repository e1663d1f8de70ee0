"""What every piece of a page is made of: a fragment, tables, lists, sentences, formulas.

What comes from the input (titles, file names, sentences) is escaped where it is put into HTML, so
that a `Fragment` is always safe.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape


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


def table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Fragment:
    """Return a table of text whose first column names the rows."""
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in heads)
    # On a narrow screen the rows are stacked, and each cell then names its column itself.
    body = "".join(
        f'<tr><th scope="row">{escape(first)}</th>'
        + "".join(
            f'<td data-label="{escape(name)}">{escape(cell)}</td>'
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
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(value)}</td></tr>'
        for name, value in rows.items()
    )
    html = f'<table class="facts"><caption>{escape(caption)}</caption><tbody>{body}</tbody></table>'
    return Fragment(html, _lines(rows))


def short_list(title: str, rows: Mapping[str, str]) -> Fragment:
    """Return names and values side by side, for many short ones; nothing where there are none."""
    if not rows:
        return Fragment("")
    body = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>"
        for name, value in rows.items()
    )
    html = f'<h3>{escape(title)}</h3><dl class="short">{body}</dl>'
    return Fragment(html, _lines(rows))


def _lines(rows: Mapping[str, str]) -> str:
    return "\n".join(f"{name}: {value}" for name, value in rows.items())


def bullets(sentences: Iterable[str], kind: str) -> Fragment:
    """Return sentences as a list; `kind` is the class by which the page's style knows it."""
    items = list(sentences)
    html = f'<ul class="{kind}">' + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"
    return Fragment(html, "\n".join(f"- {item}" for item in items))


def paragraphs(sentences: Sequence[str]) -> Fragment:
    """Return each sentence as a paragraph of its own."""
    html = "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)
    return Fragment(html, "\n".join(sentences))


def formula(latex: str, words: str) -> Fragment:
    r"""Return a formula as MathML, which browsers show without any script.

    Parameters
    ----------
    latex : str
        The formula.
    words : str
        The same in words, for a terminal.

    Returns
    -------
    Fragment

    Examples
    --------
    >>> formula(r"\frac{a}{b}", "a / b")
    a / b
    """
    from latex2mathml.converter import convert

    return Fragment(f'<p class="formula">{convert(latex, display="block")}</p>', words)

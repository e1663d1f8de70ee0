"""How an analysis shows itself: in a terminal, in a notebook, and as pictures in a folder."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from spattermap.show.answers import answer_lines, answers_of

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["answer", "answers_of", "html", "save_pictures", "text"]


def answer(analysis: Any) -> str:
    """Return the answers as text, one line a question."""
    return answer_lines(analysis.answers)


def text(analysis: Any) -> str:
    """Return title and answers."""
    return f"{analysis.title}\n\n{answer(analysis)}"


def html(analysis: Any) -> str:
    """Return the short form in which an analysis shows itself in a notebook."""
    from spattermap.show.findings import summary

    return str(summary(analysis).html)


def save_pictures(analysis: Any, folder: Path, *, vector: bool) -> None:
    """Write every picture of the report; of a field worked on in parts the page has its own."""
    from spattermap.show import pictures

    if analysis.overview is None:
        pictures.save_all(analysis, folder, vector=vector)

"""Who shows results to people, so that a result need not know its pictures and sentences.

The package's root names the presenter; it is imported when a result is first shown.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol


class Presenter(Protocol):
    """What shows an analysis."""

    def answers_of(self, analysis: Any, numbers: Any) -> tuple[Any, ...]:
        """Return the person's questions with what the field says about each."""

    def answer(self, analysis: Any) -> str:
        """Return the answers as text, one line a question."""

    def text(self, analysis: Any) -> str:
        """Return the finding for a terminal."""

    def html(self, analysis: Any) -> str:
        """Return the finding for a notebook."""

    def save_pictures(self, analysis: Any, folder: Path, *, vector: bool) -> None:
        """Write the pictures into a folder."""


_FOUND: list[Callable[[], Presenter]] = []


def present_by(find: Callable[[], Presenter]) -> None:
    """Name the presenter by a function that imports and returns it."""
    _FOUND[:] = [find]


def presenter() -> Presenter:
    """Return the presenter."""
    return _FOUND[0]()

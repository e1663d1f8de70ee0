"""Pieces of a page: each is HTML for a notebook and a page, and text for a terminal.

Examples
--------
>>> import spattermap
>>> from spattermap import show
>>> from spattermap.synthesis import Deposit, make_deposit
>>> maps = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1).maps
>>> analysis = spattermap.analyse(maps)
>>> print(show.answers(analysis).text.splitlines()[1])  # doctest: +ELLIPSIS
How much, how large, how thick? ...
>>> show.verdicts(analysis).html[:7]
'<table '
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

# Not on first use: the module has the name of the function.
from spattermap.show.answers import answers, answers_of

if TYPE_CHECKING:
    from spattermap.show.examined import examination
    from spattermap.show.field_viewer import viewer
    from spattermap.show.findings import (
        VERDICT_SIGNS,
        connection,
        cracks,
        notes,
        summary,
        thickness,
        verdicts,
    )
    from spattermap.show.form_text import arrival, shapes_and_spacing, sizes
    from spattermap.show.pieces import Fragment, formula
    from spattermap.show.progressing import progress
    from spattermap.show.provenance import (
        CAUTIONS,
        cautions,
        settings_and_provenance,
        what_was_read,
    )

# The others are imported on first use: `look` needs neither pictures nor the viewer.
_HOMES = {
    "CAUTIONS": "provenance",
    "Fragment": "pieces",
    "VERDICT_SIGNS": "findings",
    "arrival": "form_text",
    "cautions": "provenance",
    "connection": "findings",
    "cracks": "findings",
    "examination": "examined",
    "formula": "pieces",
    "notes": "findings",
    "progress": "progressing",
    "settings_and_provenance": "provenance",
    "shapes_and_spacing": "form_text",
    "sizes": "form_text",
    "summary": "findings",
    "thickness": "findings",
    "verdicts": "findings",
    "viewer": "field_viewer",
    "what_was_read": "provenance",
}

__all__ = [
    "CAUTIONS",
    "VERDICT_SIGNS",
    "Fragment",
    "answers",
    "answers_of",
    "arrival",
    "cautions",
    "connection",
    "cracks",
    "examination",
    "formula",
    "notes",
    "progress",
    "settings_and_provenance",
    "shapes_and_spacing",
    "sizes",
    "summary",
    "thickness",
    "verdicts",
    "viewer",
    "what_was_read",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'spattermap.show' has no attribute {name!r}")
    return getattr(importlib.import_module(f"spattermap.show.{_HOMES[name]}"), name)

"""Pieces of a page: each is HTML for a notebook and a page, and text for a terminal.

Examples
--------
>>> import spattermap
>>> from spattermap import display
>>> from spattermap.synthesis import Deposit, make_deposit
>>> maps = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1).maps
>>> analysis = spattermap.analyse(maps)
>>> print(display.answer(analysis).text.splitlines()[2])  # doctest: +ELLIPSIS
Coverage: ... %, ... to ... % (95 %)
>>> display.verdicts(analysis).html[:7]
'<table '
"""

from __future__ import annotations

from spattermap.show.findings import (
    VERDICT_SIGNS,
    answer,
    connection,
    headline,
    notes,
    summary,
    verdicts,
)
from spattermap.show.form_text import arrival, shapes_and_spacing, sizes
from spattermap.show.pieces import Fragment, formula
from spattermap.show.provenance import CAUTIONS, cautions, settings_and_provenance, what_was_read

__all__ = [
    "CAUTIONS",
    "VERDICT_SIGNS",
    "Fragment",
    "answer",
    "arrival",
    "cautions",
    "connection",
    "formula",
    "headline",
    "notes",
    "settings_and_provenance",
    "shapes_and_spacing",
    "sizes",
    "summary",
    "verdicts",
    "what_was_read",
]

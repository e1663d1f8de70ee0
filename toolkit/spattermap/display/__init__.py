"""Pieces of a page: each is HTML for a notebook and a page, and text for a terminal."""

from __future__ import annotations

from spattermap.display.findings import (
    VERDICT_SIGNS,
    answer,
    connection,
    headline,
    notes,
    summary,
    verdicts,
)
from spattermap.display.inputs import (
    CAUTIONS,
    cautions,
    settings_and_provenance,
    what_was_read,
)
from spattermap.display.morphology import arrival, shapes_and_spacing, sizes
from spattermap.display.pieces import Fragment, formula

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

"""Mosaics: map sets too large for memory, kept on disk in chunks and worked on piece by piece."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spattermap.mosaics.analysing import mosaic
    from spattermap.mosaics.converting import convert
    from spattermap.mosaics.result import Mosaic
    from spattermap.mosaics.workers import Workers

__all__ = ["Mosaic", "Workers", "convert", "mosaic"]

# Imported on first use: the command line comes through here and must start at once.
_HOMES = {
    "Mosaic": "spattermap.mosaics.result",
    "Workers": "spattermap.mosaics.workers",
    "convert": "spattermap.mosaics.converting",
    "mosaic": "spattermap.mosaics.analysing",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'spattermap.mosaics' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)

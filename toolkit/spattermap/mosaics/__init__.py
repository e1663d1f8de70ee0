"""Mosaics: map sets too large for memory, kept on disk in chunks and worked on piece by piece.

Examples
--------
>>> import tempfile
>>> from pathlib import Path
>>> from spattermap.mosaics import convert, mosaic
>>> from spattermap.synthesis import Deposit, make_deposit, save_folder
>>> scene = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1)
>>> room = Path(tempfile.mkdtemp())
>>> store = convert(save_folder(scene, room / "maps"), room / "mosaic.zarr")
>>> found = mosaic(store, out=room / "results")
>>> found.n_droplets == len(found.droplets)
True
>>> (room / "results" / "report.html").is_file()
True
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spattermap.core.work import Workers
    from spattermap.loaders.convert import convert
    from spattermap.mosaics.analysing import mosaic
    from spattermap.mosaics.result import Mosaic

__all__ = ["Mosaic", "Workers", "convert", "mosaic"]

# Imported on first use: the command line comes through here and must start at once.
_HOMES = {
    "Mosaic": "spattermap.mosaics.result",
    "Workers": "spattermap.core.work",
    "convert": "spattermap.loaders.convert",
    "mosaic": "spattermap.mosaics.analysing",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'spattermap.mosaics' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)

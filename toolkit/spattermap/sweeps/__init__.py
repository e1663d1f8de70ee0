"""Sweeps: many deposits under different settings, analysed, combined and compared."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spattermap.sweeps.run import Sweep, sweep
    from spattermap.sweeps.sheet import SheetRow, read_sheet

__all__ = ["SheetRow", "Sweep", "read_sheet", "sweep"]

# Imported on first use: the command line and worker processes come through here and must start at
# once.
_HOMES = {
    "SheetRow": "spattermap.sweeps.sheet",
    "Sweep": "spattermap.sweeps.run",
    "read_sheet": "spattermap.sweeps.sheet",
    "sweep": "spattermap.sweeps.run",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'spattermap.sweeps' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)

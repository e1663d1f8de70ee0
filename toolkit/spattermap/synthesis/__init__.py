"""Deposits of known truth: a forward model of wire bursts on glass and of the maps made of them.

Nothing here is read by the analysis; it serves the demo deposits and the tests.
"""

from __future__ import annotations

from spattermap.synthesis.saving import save_folder
from spattermap.synthesis.scene import Scene, make_blank, make_deposit
from spattermap.synthesis.spec import (
    FUSED_SILICA,
    SODA_LIME,
    Cracks,
    Deposit,
    Droplets,
    Haze,
    Layer,
    Streaks,
)

__all__ = [
    "FUSED_SILICA",
    "SODA_LIME",
    "Cracks",
    "Deposit",
    "Droplets",
    "Haze",
    "Layer",
    "Scene",
    "Streaks",
    "make_blank",
    "make_deposit",
    "save_folder",
]

"""The seven ways in which a map can lie wrongly on its grid, and how each is undone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

# What must be done to the map, as the sidecar's [orientation] takes it: what was seen of a map that
# needs it, and how it is done on the last two axes (rows downwards, turns counter-clockwise).
ORIENTATIONS: dict[str, tuple[str, Callable[[Any], Any]]] = {
    "turn 90": ("turned by 90 degrees", lambda p: np.rot90(p, 1, (-2, -1))),
    "turn 180": ("turned by 180 degrees", lambda p: p[..., ::-1, ::-1]),
    "turn 270": ("turned by 270 degrees", lambda p: np.rot90(p, 3, (-2, -1))),
    "mirror x": ("mirrored left to right", lambda p: p[..., ::-1]),
    "mirror y": ("mirrored top to bottom", lambda p: p[..., ::-1, :]),
    "transpose": ("transposed", lambda p: p.swapaxes(-2, -1)),
    "transpose other": (
        "transposed across the other diagonal",
        lambda p: p[..., ::-1, ::-1].swapaxes(-2, -1),
    ),
}
SIDEWAYS = ("turn 90", "turn 270", "transpose", "transpose other")  # rows become columns

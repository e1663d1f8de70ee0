"""Pictures made for the eye: colour-coded maps, legend strips, scale bars, 8-bit stretches.

They can be used for shapes and places, not for anything that needs counts. What can be recovered
is recovered, what was drawn over the data is masked, and the reader is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import ndimage

from spattermap.core.errors import InputError

COLOURED = (
    "Warning: a coloured picture, not numbers: brightness was taken as intensity, so detection "
    "limits and everything else that needs counts are off; export 16-bit grey TIFF or text"
)
STRETCHED = (
    "Warning: stretched to 8 bits for display (every map reaches 255): taken as intensity, so "
    "everything that needs counts is off; export the counts"
)
# Rounding of an 8-bit palette, and a little for lossy storage.
_HUE_TOLERANCE = 0.05
# A colour map of one hue leaves few pixels out: those that were drawn over it.
_LEAST_ONE_HUE = 0.75
# Legend strips take at most this share of a picture.
_DEEPEST_STRIP = 0.3


@dataclass(frozen=True)
class Recovered:
    """Intensity of a display picture, and where it is not data."""

    intensity: np.ndarray  # brightness along the one hue, in the picture's own levels; dims (y, x)
    valid: np.ndarray  # false on legends, captions and scale bars; dims (y, x)
    notes: tuple[str, ...]  # what was done


def recover(colours: np.ndarray, file: Path) -> Recovered:
    """Turn a colour picture into intensity where it has one hue.

    Dims: `colours` (y, x, channel).
    """
    levels = colours[..., :3].astype(np.float64)
    top = float(np.iinfo(colours.dtype).max) if colours.dtype.kind == "u" else float(levels.max())
    brightness = levels.max(axis=-1)
    spread = brightness - levels.min(axis=-1)
    coloured = (brightness > 0.1 * top) & (spread > 0.3 * brightness)
    if coloured.mean() < 0.001:  # grey all over, only stored as colours
        hue = np.ones(3)
    else:
        hue = np.median(levels[coloured] / brightness[coloured][:, None], axis=0)
        hue = hue / hue.max()
    off = np.abs(levels - brightness[..., None] * hue).max(axis=-1) > _HUE_TOLERANCE * top
    if off.mean() > 1 - _LEAST_ONE_HUE:
        raise InputError(
            f"{file} must hold one number a pixel, got a colour picture with several hues. "
            "Export the numbers (16-bit grey TIFF or text), not the coloured view."
        )
    drawn = _grown(off) if off.any() else off
    strip = _strips(brightness, drawn)
    kind = colours.dtype if colours.dtype.kind == "u" else np.float32
    notes = [COLOURED]
    if strip.any():
        notes.append(f"{file.name}: legend strip of {int(strip[:, 0].sum())} rows masked")
    if (drawn & ~strip).any():
        notes.append(f"{file.name}: {int((drawn & ~strip).sum())} pixels of lettering masked")
    return Recovered(brightness.astype(kind), ~(drawn | strip), tuple(notes))


def _grown(mask: np.ndarray) -> np.ndarray:
    """Return a mask with the soft edges of drawn letters taken in."""
    return np.asarray(ndimage.binary_dilation(mask, iterations=1))


def _strips(brightness: np.ndarray, drawn: np.ndarray) -> np.ndarray:
    """Return the rows at top or bottom that are a plain ground with lettering on it."""
    strip = np.zeros(drawn.shape, dtype=bool)
    deepest = int(_DEEPEST_STRIP * drawn.shape[0])
    for order in (slice(None, None, -1), slice(None)):
        rows = drawn[order][:deepest]
        values = brightness[order][:deepest]
        lettered = np.flatnonzero(rows.any(axis=1))
        if lettered.size == 0:
            continue
        ground = np.median(values[: lettered[-1] + 1][~rows[: lettered[-1] + 1]])
        # Data vary from pixel to pixel; a strip's ground does not.
        plain = np.array([np.all(v[~r] == ground) for v, r in zip(values, rows, strict=True)])
        depth = int(np.argmin(plain)) if not plain.all() else deepest
        if depth > 0 and rows[:depth].any():
            strip[order][:depth] = True
    return strip


def scale_bar(levels: np.ndarray) -> np.ndarray:
    """Return where a grey picture has a solid bar at its brightest or darkest level.

    Dims: `levels` (y, x); returns (y, x).
    """
    bright = levels == np.iinfo(levels.dtype).max
    wide = max(8, levels.shape[1] // 20)
    return np.asarray(ndimage.binary_opening(bright, structure=np.ones((2, wide), dtype=bool)))

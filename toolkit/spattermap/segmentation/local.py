"""Local bare level: haze and uneven background that would pass for metal, or hide it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

Array = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

_UNEVEN = 0.05  # standard deviation of the bare level, in units of the step to metal
_WIDTH = 2.5  # smoothing of the bare level in diameters: wide enough to see between droplets


def bare_level(
    raw: Array, fraction: Array, valid: Mask, *, diameter: float, noise: float
) -> Array | None:
    """Return the metal fraction of the bare plate around every pixel, or None where it is even.

    Parameters
    ----------
    raw, fraction : numpy.ndarray, dims (y, x)
        Metal fraction before and after filtering.
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels to use.
    diameter : float
        Typical diameter of the droplets (px).
    noise : float
        Noise standard deviation of `raw` in one bare pixel.

    Returns
    -------
    numpy.ndarray of float32, dims (y, x), or None
    """
    scale = float(np.clip(_WIDTH * diameter, 16.0, 0.25 * min(raw.shape)))
    margin = max(1, round(min(0.25 * diameter, 4.0)))
    bare = ndimage.binary_erosion((fraction < 0.5) & valid, iterations=margin, border_value=1)
    if np.count_nonzero(bare) < 0.02 * bare.size:
        return None
    weight = _coarse(bare.astype(np.float32), scale)
    level = _coarse(np.where(bare, raw, np.float32(0)), scale) / np.maximum(weight, 1e-3)
    # Where no bare plate is near, the field's mean is the better guess.
    mean = np.float32(raw[bare].mean(dtype=np.float64))
    trust = np.minimum(weight / 0.05, 1)
    level = mean + trust * (level - mean)
    noise_left = noise / np.sqrt(4 * np.pi * scale**2 * max(float(bare.mean()), 0.02))
    spread = float(level[valid].std(dtype=np.float64))
    if spread < max(_UNEVEN, 3 * noise_left):
        return None
    uneven: Array = (level - mean).astype(np.float32)
    return uneven


def _coarse(picture: Array, scale: float) -> Array:
    """Smooth widely at little cost: on block means, brought back by linear interpolation."""
    side = max(1, int(scale / 4))
    height, width = (-(-n // side) for n in picture.shape)
    room = ((0, height * side - picture.shape[0]), (0, width * side - picture.shape[1]))
    padded = np.pad(picture, room, mode="edge")
    small = padded.reshape(height, side, width, side).mean(axis=(1, 3), dtype=np.float32)
    small = ndimage.gaussian_filter(small, scale / side, mode="nearest")
    at = [(np.arange(n) + 0.5) / side - 0.5 for n in picture.shape]
    rows = _interpolated(small, at[0])
    return np.ascontiguousarray(_interpolated(rows.T, at[1]).T)


def _interpolated(values: Array, at: npt.NDArray[np.float64]) -> Array:
    low = np.clip(np.floor(at).astype(np.int64), 0, max(values.shape[0] - 2, 0))
    part = np.clip(at - low, 0, 1).astype(np.float32)[:, None]
    high = np.minimum(low + 1, values.shape[0] - 1)
    mixed: Array = values[low] * (1 - part) + values[high] * part
    return mixed

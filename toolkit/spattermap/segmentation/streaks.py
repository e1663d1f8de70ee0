"""Streaks: elongated regions with their centre line, width, direction, head and tail."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_ELONGATED = 2.5  # length over width from which a region is called a streak
_LEAN = 0.1  # relative difference of the halves' widths from which head and tail are told

COLUMNS = (
    "label", "y_px", "x_px", "length_px", "width_px", "angle_deg", "directed", "head_y_px",
    "head_x_px",
)  # fmt: skip


def measure(labels: npt.NDArray[np.int32], n: int) -> list[dict[str, float | bool]]:
    """Return length, width and direction of every region.

    Parameters
    ----------
    labels : numpy.ndarray of int32, dims (y, x)
        Regions 1 to n.
    n : int
        Number of regions.

    Returns
    -------
    list of dict
        One entry a region, with the keys `COLUMNS`.

    Notes
    -----
    The axis is the principal axis of the pixels; length is the extent along it, width the area
    over the length, corrected for the rounded ends of a stadium, ``A = w (L - w) + pi w^2 / 4``.
    """
    from scipy import ndimage

    rows: list[dict[str, float | bool]] = []
    for k, box in enumerate(ndimage.find_objects(labels, max_label=n), start=1):
        y, x = np.nonzero(labels[box] == k)
        rows.append(_one(y + box[0].start, x + box[1].start, k))
    return rows


def _one(y: npt.NDArray[np.int64], x: npt.NDArray[np.int64], label: int) -> dict[str, float | bool]:
    cy, cx = float(y.mean()), float(x.mean())
    dy, dx = y - cy, x - cx
    angle = 0.5 * np.arctan2(2 * np.mean(dx * dy), np.mean(dx * dx) - np.mean(dy * dy))
    along = dx * np.cos(angle) + dy * np.sin(angle)
    low, high = float(along.min()), float(along.max())
    length = high - low + 1
    area = y.size
    # Solve w (L - w) + pi w^2 / 4 = A for w; the disc (w = L) is its limit.
    c = 1 - np.pi / 4
    width = (length - np.sqrt(max(0.0, length**2 - 4 * c * area))) / (2 * c)
    middle = 0.5 * (low + high)
    first, second = np.count_nonzero(along < middle), np.count_nonzero(along >= middle)
    lean = (first - second) / area
    directed = abs(lean) > _LEAN
    head_at = low + 0.5 * width if lean >= 0 else high - 0.5 * width
    # Rows count downwards; angles run counter-clockwise as seen, from head to tail.
    toward = 1.0 if lean >= 0 else -1.0
    degrees = float(np.degrees(np.arctan2(-toward * np.sin(angle), toward * np.cos(angle))))
    return {
        "label": label,
        "y_px": cy,
        "x_px": cx,
        "length_px": length,
        "width_px": float(min(width, length)),
        "angle_deg": degrees % 360 if directed else degrees % 180,
        "directed": bool(directed),
        "head_y_px": cy + head_at * float(np.sin(angle)),
        "head_x_px": cx + head_at * float(np.cos(angle)),
    }


def is_streak(row: dict[str, float | bool], *, smallest: float) -> bool:
    """Return True for a region long enough against its width and against the resolution."""
    length, width = float(row["length_px"]), float(row["width_px"])
    return length >= _ELONGATED * width and length >= 2 * smallest

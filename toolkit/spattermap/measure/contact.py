"""Contact below the resolution of the X-rays: the metal as maps and electron image draw it.

A neck narrower than the X-ray blur is closed or opened by the threshold of the maps; the picture is
sharper, but shows no elements. Where both can draw, the connection is found by both and compared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from spattermap.core.arrays import Bools, Labels
from spattermap.measure.conductance import sheet_conductance

_LEAST_PX = 9  # a smaller region is no side of a neck
_TOLERANCE = 1e-6


@dataclass(frozen=True)
class Contact:
    """The connection as the other drawing of the metal has it."""

    drawn_by: str  # who drew the metal of these numbers; the reported ones come from the other
    # joints of the reported metal that this one does not have, and gaps that it closes
    necks_opened: int
    necks_closed: int
    # whether it crosses the field
    crosses_x: bool
    crosses_y: bool
    # sheet conductance relative to a full film
    ratio_x: float
    ratio_y: float


def contact(metal: Bools, other: Bools, *, drawn_by: str) -> Contact:
    """Return the connection of `other`, and which necks of `metal` it opens and closes; (y, x)."""
    pieces, others = (ndimage.label(one)[0].astype(np.int32) for one in (metal, other))
    ratio_x, ratio_y = (
        sheet_conductance(other, direction=way, tolerance=_TOLERANCE).ratio for way in ("x", "y")
    )
    return Contact(
        drawn_by=drawn_by,
        necks_opened=_joints(pieces, others),
        necks_closed=_joints(others, pieces),
        crosses_x=ratio_x > 0,
        crosses_y=ratio_y > 0,
        ratio_x=ratio_x,
        ratio_y=ratio_y,
    )


def _joints(whole: Labels, pieces: Labels) -> int:
    """Return how many joints regions of `whole` have that the regions of `pieces` lack; (y, x).

    A region of `pieces` belongs to the region of `whole` on which most of it lies; n of them in one
    region are n - 1 joints.
    """
    both = (whole > 0) & (pieces > 0)
    n = int(whole.max()) + 1
    pairs, overlap = np.unique(pieces[both].astype(np.int64) * n + whole[both], return_counts=True)
    pairs, overlap = pairs[overlap >= _LEAST_PX], overlap[overlap >= _LEAST_PX]
    largest_last = np.lexsort((overlap, pairs // n))
    piece, home = np.divmod(pairs[largest_last], n)
    last_of_piece = np.append(piece[1:] != piece[:-1], True)[: piece.size]
    held = np.bincount(home[last_of_piece], minlength=1)
    return int(np.maximum(held - 1, 0).sum())

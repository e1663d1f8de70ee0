"""What a segmentation is: labels, the evidence behind them, and how far to trust them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from spattermap.segment.rims import NOT_MOVED, Moved

if TYPE_CHECKING:
    import pandas as pd

    from spattermap.segment.image import ImageReading


@dataclass(frozen=True)
class Segmentation:
    """Pixels divided into bare substrate, droplets and streaks."""

    # (y, x): 0 bare, 1 to `n_droplets` droplets, then the streaks. This picture and the next two
    # are arrays for a field in memory; for one worked on in many parts they stay on disk, and any
    # window of them is read by indexing with two slices.
    labels: npt.NDArray[np.int32]
    # how many of each
    n_droplets: int
    n_streaks: int
    # (y, x): True where metal was found; the same pixels as ``labels > 0``
    metal: npt.NDArray[np.bool_]
    log_odds: npt.NDArray[np.float32]  # (y, x): regularised natural-log odds of metal against bare
    metal_means: dict[str, float]  # mean of each element in metal (unit of the maps per pixel)
    # mean squared separation of the classes per pixel, ``sum (m1 - m0)^2 / noise variance``
    information: float
    blur_px: float  # standard deviation of the edge blur (px)
    # smallest area-equivalent diameter that is reported at the stated false-alarm rate (px)
    smallest_trusted_px: float
    # (droplet,): probability that a droplet is not a noise fluctuation, from 0 to 1
    confidence: npt.NDArray[np.float64]
    # columns of ``streaks.csv`` with lengths in px (label, y_px, x_px, length_px, width_px,
    # angle_deg, directed, head_y_px, head_x_px)
    streaks: pd.DataFrame
    # circular statistics of the streaks, see `streaks.circular_summary`; ``axial`` is 1 where
    # heads could not be told and axes were used
    directions: dict[str, float] = field(default_factory=dict)
    # cracks of the substrate, see `cracks.find_cracks`; ``why`` alone where the image forbids to
    # look for any, empty where none were looked for
    cracks: dict[str, Any] = field(default_factory=dict)
    # what came of the electron image (its pictures left out); None where there is none
    image: ImageReading | None = None
    elements_used: tuple[str, ...] = ()  # elements that carried information
    notes: tuple[str, ...] = ()  # sentences the reader of the result must see
    # (label + 1,): pixels of every droplet and streak, entry 0 being 0; empty where drawn by hand
    area: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    # (label + 1, 4): first row and column, row and column after the last
    box: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 4), np.int64))
    # (droplet, 5): ellipse of each droplet as in `lobes`: row and column of its centre (px),
    # logarithm of the radius of the circle of its area (px), stretch along the rows and along the
    # diagonal; empty where drawn by hand
    ellipses: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 5)))
    # (droplet,): True for droplets parted from others by shape, of which a part may lie under
    # another: their size is that of the ellipse; empty where drawn by hand
    shared: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    # how the outlines were moved to where the metal ends, and how far that is sure
    rims: Moved = NOT_MOVED
    # as `metal_means`, of bare substrate; empty where drawn by hand
    bare_means: dict[str, float] = field(default_factory=dict)

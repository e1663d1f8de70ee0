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
    """Pixels divided into bare substrate, droplets and streaks.

    Parameters
    ----------
    labels : numpy.ndarray or Stored of int32, dims (y, x)
        0 bare, 1 to `n_droplets` droplets, then the streaks. This picture and the next two are
        arrays for a field in memory; for one worked on in many parts they stay on disk, and any
        window of them is read by indexing with two slices.
    n_droplets, n_streaks : int
        How many of each.
    metal : numpy.ndarray or Stored of bool, dims (y, x)
        True where metal was found; the same pixels as ``labels > 0``.
    log_odds : numpy.ndarray or Stored of float32, dims (y, x)
        Regularised natural-log odds of metal against bare.
    metal_means, bare_means : dict of str to float
        Mean of each element in the two classes, in the unit of the maps per pixel.
    information : float
        Mean squared separation of the classes per pixel, ``sum (m1 - m0)^2 / noise variance``.
    blur_px : float
        Standard deviation of the edge blur (px).
    smallest_trusted_px : float
        Smallest area-equivalent diameter that is reported at the stated false-alarm rate (px).
    confidence : numpy.ndarray of float, dims (droplet,)
        Probability that a droplet is not a noise fluctuation, from 0 to 1.
    streaks : pandas.DataFrame
        Columns of ``streaks.csv`` with lengths in px (label, y_px, x_px, length_px, width_px,
        angle_deg, directed, head_y_px, head_x_px).
    centre_lines : tuple of numpy.ndarray, dims (point, 2)
        Centre line of each streak from head to tail, rows and columns (px).
    directions : dict of str to float
        Circular statistics of the streaks, see `directions.circular_summary`; ``axial`` is 1
        where heads could not be told and axes were used.
    cracks : dict
        Cracks of the substrate, see `cracks.find_cracks`; ``why`` alone where the image forbids to
        look for any, empty where none were looked for.
    image : ImageReading or None
        What came of the electron image (its pictures left out); None where there is none.
    elements_used : tuple of str
        Elements that carried information.
    notes : tuple of str
        Sentences the reader of the result must see.
    area : numpy.ndarray of int64, dims (label + 1,)
        Pixels of every droplet and streak, entry 0 being 0; empty where drawn by hand.
    box : numpy.ndarray of int64, dims (label + 1, 4)
        First row and column, row and column after the last; empty where drawn by hand.
    ellipses : numpy.ndarray, dims (droplet, 5)
        Ellipse of each droplet as in `lobes`: row and column of its centre (px), logarithm of the
        radius of the circle of its area (px), stretch along the rows and along the diagonal; empty
        where drawn by hand.
    shared : numpy.ndarray of bool, dims (droplet,)
        True for droplets parted from others by shape, of which a part may lie under another: their
        size is that of the ellipse; empty where drawn by hand.
    rims : Moved
        How the outlines were moved to where the metal ends, and how far that is sure.
    """

    labels: npt.NDArray[np.int32]
    n_droplets: int
    n_streaks: int
    metal: npt.NDArray[np.bool_]
    log_odds: npt.NDArray[np.float32]
    metal_means: dict[str, float]
    bare_means: dict[str, float]
    information: float
    blur_px: float
    smallest_trusted_px: float
    confidence: npt.NDArray[np.float64]
    streaks: pd.DataFrame
    centre_lines: tuple[npt.NDArray[np.float64], ...] = ()
    directions: dict[str, float] = field(default_factory=dict)
    cracks: dict[str, Any] = field(default_factory=dict)
    image: ImageReading | None = None
    elements_used: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    area: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    box: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 4), np.int64))
    ellipses: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 5)))
    shared: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    rims: Moved = NOT_MOVED

"""The segmentation of a mosaic: what is known of it in memory, its pictures on disk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from spattermap.core.grid import Box
from spattermap.segment.ground import Estimate
from spattermap.segment.passes import Job

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Parted:
    """A segmentation whose pictures lie on disk.

    Parameters
    ----------
    job : Job
        Field, parts and estimates.
    estimate : Estimate
        Classes, structure and filter.
    n_valid : int
        Pixels used.
    n_droplets, n_streaks : int
        How many of each.
    area : numpy.ndarray of int64, dims (label + 1,)
        Pixels of every droplet and streak; entry 0 is 0.
    box : numpy.ndarray of int64, dims (label + 1, 4)
        First row and column, row and column after the last.
    confidence : numpy.ndarray, dims (droplet,)
        As in `Segmentation`.
    streaks : pandas.DataFrame
        As in `Segmentation`, lengths in px.
    centre_lines : tuple of numpy.ndarray
        As in `Segmentation`.
    smallest_trusted_px : float
        As in `Segmentation`.
    notes : tuple of str
        As in `Segmentation`.
    """

    job: Job
    estimate: Estimate
    n_valid: int
    n_droplets: int
    n_streaks: int
    area: npt.NDArray[np.int64]
    box: npt.NDArray[np.int64]
    confidence: npt.NDArray[np.float64]
    streaks: pd.DataFrame
    centre_lines: tuple[npt.NDArray[np.float64], ...]
    smallest_trusted_px: float
    notes: tuple[str, ...] = ()

    @property
    def blur_px(self) -> float:
        """Standard deviation of the edge blur (px)."""
        return self.estimate.filter.blur if self.estimate.filter else 0.0

    def labels(self, box: Box) -> npt.NDArray[np.int32]:
        """Return a window of the labels: 0 bare, droplets from 1, then streaks."""
        if self.area.size == 1:
            return np.zeros(box.shape, np.int32)
        table = self.job.scratch.recall("labels")
        return np.asarray(table[self.job.scratch.window("regions", self.job.grid, box)])

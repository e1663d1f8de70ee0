"""Put the parts together: what the deposit looks like, in numbers."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from spattermap.checks import positive
from spattermap.morphology.coverage import Coverage, coverage_interval, threshold_sensitivity
from spattermap.morphology.sizes import border_weights, size_summary
from spattermap.regions import region_shapes
from spattermap.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

    from spattermap.segmentation.result import Segmentation

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Morphology:
    """What the deposit looks like.

    Parameters
    ----------
    coverage : Coverage
        Area fraction of metal with its interval.
    sensitivity : pandas.DataFrame
        Coverage at shifted decisions between metal and bare (`threshold_sensitivity`).
    droplet_count : int
        Droplets found, those cut by the border included.
    sizes : pandas.DataFrame
        Percentiles and means of the diameter with intervals, border-corrected (`size_summary`).
    sizes_uncorrected : pandas.DataFrame
        The same from all droplets alike, for comparison.
    border_weight : numpy.ndarray, dims (droplet,)
        How many droplets each row of the droplet table stands for; 0 where the border cuts it.
    notes : tuple of str
        Sentences the reader of the result must see.
    """

    coverage: Coverage
    sensitivity: pd.DataFrame
    droplet_count: int
    sizes: pd.DataFrame
    sizes_uncorrected: pd.DataFrame
    border_weight: Floats
    notes: tuple[str, ...] = ()

    def summary(self) -> dict[str, Any]:
        """Return the keys of ``summary.json`` that describe the morphology."""
        values: dict[str, Any] = {
            "coverage": self.coverage.value,
            "coverage_low": self.coverage.low,
            "coverage_high": self.coverage.high,
            "droplet_count": self.droplet_count,
        }
        for percent in (10, 50, 90):
            row = self.sizes.loc[f"number D{percent}"]
            values[f"d{percent}_um"] = _plain(row["value"])
            values[f"d{percent}_um_low"] = _plain(row["low"])
            values[f"d{percent}_um_high"] = _plain(row["high"])
        values["area_d50_um"] = _plain(self.sizes.loc["area D50", "value"])
        return values


def _plain(value: Any) -> float | None:
    number = float(value)
    return number if np.isfinite(number) else None


def describe(
    segmentation: Segmentation,
    droplets: pd.DataFrame,
    *,
    pixel_size: float = 1.0,
    settings: Settings | None = None,
    valid: npt.ArrayLike | None = None,
) -> Morphology:
    """Return coverage and droplet sizes of a segmented field.

    Parameters
    ----------
    segmentation : Segmentation
        The field divided into bare, droplets and streaks.
    droplets : pandas.DataFrame
        Table of `spattermap.regions.measure_regions`; rows of streaks are left out.
    pixel_size : float
        Side of a pixel, in the unit of the table.
    settings : Settings, optional
        Level, resamples and seed of the intervals.
    valid : array_like of bool, dims (y, x), optional
        False where a pixel must not be used.

    Returns
    -------
    Morphology
    """
    positive(pixel_size, "pixel_size")
    chosen = settings or Settings()
    rows = droplets[droplets["label"] <= segmentation.n_droplets]
    coverage = coverage_interval(
        segmentation.metal,
        valid=valid,
        level=chosen.level,
        grain_px=max(1.0, segmentation.smallest_trusted_px),
    )
    weight = _border_weight(segmentation, rows)
    diameter = rows["diameter_um"].to_numpy(dtype=np.float64)
    sizes = partial(
        size_summary, level=chosen.level, n_resamples=chosen.n_resamples, seed=chosen.seed
    )
    notes = []
    if not coverage.trusted:
        notes.append(
            "The structure is coarse against the field: the coverage interval is too narrow. "
            "Map more fields."
        )
    return Morphology(
        coverage=coverage,
        sensitivity=threshold_sensitivity(segmentation.log_odds),
        droplet_count=len(rows),
        sizes=sizes(diameter, weights=weight),
        sizes_uncorrected=sizes(diameter),
        border_weight=weight,
        notes=tuple(notes),
    )


def _border_weight(segmentation: Segmentation, rows: pd.DataFrame) -> Floats:
    """Return 1 / P for the droplets inside, 0 for those the border cuts."""
    shapes = region_shapes(segmentation.labels)
    at = np.searchsorted(shapes.label, rows["label"].to_numpy())
    box = shapes.box[at]
    extent = box[:, 2:] - box[:, :2]
    inside = ~rows["touches_border"].to_numpy(dtype=bool)
    # A droplet that occupies a pixel of the outermost row counts as cut, so one row and one
    # column of positions are lost.
    frame = (segmentation.labels.shape[0] - 1.0, segmentation.labels.shape[1] - 1.0)
    weight = np.zeros(len(rows))
    weight[inside] = border_weights(extent[inside, 0], extent[inside, 1], frame=frame)
    return weight

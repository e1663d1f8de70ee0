"""Put the parts together: what the deposit looks like, in numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from spattermap.checks import image_2d, one_of, positive
from spattermap.morphology.arrival import Findings, evidence
from spattermap.morphology.coverage import (
    Coverage,
    coverage_interval,
    threshold_sensitivity,
)
from spattermap.morphology.enough import geometric_spread, how_many_more
from spattermap.morphology.fits import SizeFit, fit_sizes
from spattermap.morphology.pattern import Spacing, spacing
from spattermap.morphology.shapes import (
    Satellites,
    distance_to,
    satellites,
    shape_class,
    shape_shares,
)
from spattermap.morphology.sizes import (
    border_weights,
    masked_border_weights,
    size_summary,
)
from spattermap.regions import region_shapes
from spattermap.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

    from spattermap.segmentation.result import Segmentation

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# Two rims are parted by at least a bare pixel, centre to centre two; blurred rims run together
# within the full width at half height of the blur, 2 sqrt(2 ln 2) standard deviations.
ONE_BARE_PIXEL = 2.0
FULL_WIDTH = 2.355


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
    fits : list of SizeFit
        Fitted distributions, best first (`fit_sizes`); empty with too few droplets.
    enough : pandas.DataFrame
        Droplets measured against droplets needed, and how many more fields to map.
    shape_class : numpy.ndarray of str, dims (droplet,)
        Class of each row of the droplet table (`shape_class`).
    shapes : pandas.DataFrame
        Share of each class with its interval.
    satellites : Satellites
        Small droplets near the rims of large ones.
    spacing : Spacing
        Clustered, random or ordered.
    arrival : pandas.DataFrame
        Each way the metal can have arrived, with what speaks for and against it.
    texture : float
        Distance over which the metal is correlated, in the unit of the table.
    notes : tuple of str
        Sentences the reader of the result must see.
    """

    coverage: Coverage
    sensitivity: pd.DataFrame
    droplet_count: int
    sizes: pd.DataFrame
    sizes_uncorrected: pd.DataFrame
    border_weight: Floats
    fits: list[SizeFit]
    enough: pd.DataFrame
    shape_class: npt.NDArray[np.str_]
    shapes: pd.DataFrame
    satellites: Satellites
    spacing: Spacing
    arrival: pd.DataFrame
    texture: float
    notes: tuple[str, ...] = ()

    def summary(self) -> dict[str, Any]:
        """Return the keys of ``summary.json`` that describe the morphology."""
        return {
            "coverage": self.coverage.value,
            "coverage_low": self.coverage.low,
            "coverage_high": self.coverage.high,
            "droplet_count": self.droplet_count,
            **size_numbers(self.sizes),
        }


def size_numbers(sizes: pd.DataFrame) -> dict[str, float | None]:
    """Return the keys of ``summary.json`` that a table of sizes fills.

    Parameters
    ----------
    sizes : pandas.DataFrame
        As `size_summary` gives it.

    Returns
    -------
    dict of str to float or None
        None where there is no number.
    """
    values: dict[str, float | None] = {}
    for percent in (10, 50, 90):
        row = sizes.loc[f"number D{percent}"]
        for end, column in (("", "value"), ("_low", "low"), ("_high", "high")):
            values[f"d{percent}_um{end}"] = _finite(row[column])
    values["area_d50_um"] = _finite(sizes.loc["area D50", "value"])
    return values


def _finite(value: Any) -> float | None:
    number = float(value)
    return number if np.isfinite(number) else None


def describe(
    segmentation: Segmentation,
    droplets: pd.DataFrame,
    *,
    pixel_size: float = 1.0,
    settings: Settings | None = None,
    valid: npt.ArrayLike | None = None,
    length_unit: str = "um",
    shares: Mapping[str, float] | None = None,
) -> Morphology:
    """Return coverage, sizes, shapes, spacing and arrival of a segmented field.

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
    length_unit : {"um", "px"}
        Unit of `pixel_size` and the table, for the sentences.
    shares : mapping of str to float, optional
        Shares of the metal signal in droplets, streaks and haze with their bounds, as
        `spattermap.separation.metal_shares` gives them; without them the evidence of arrival
        rests on the labels alone.

    Returns
    -------
    Morphology

    Raises
    ------
    InputError
        If the pixel size is not positive or `valid` does not fit.
    """
    size = positive(pixel_size, "pixel_size")
    one_of(length_unit, "length_unit", ("um", "px"))
    chosen = settings or Settings()
    rows = droplets[droplets["label"] <= segmentation.n_droplets]
    use = None if valid is None else image_2d(valid, "valid").astype(bool)
    coverage = _coverage(segmentation, use, chosen)
    weight = _border_weight(segmentation, rows, use)
    diameter = rows["diameter_um"].to_numpy(dtype=np.float64)
    sizes = partial(size_summary, level=chosen.level, seed=chosen.seed, area_step=size**2)
    fits = _fits(segmentation, diameter[weight > 0], size, chosen)
    corrected = sizes(diameter, weights=weight, n_resamples=chosen.n_resamples)
    classes = shape_class(rows, pixel_size=size)
    shapes = shape_shares(classes, weights=weight, level=chosen.level)
    near = satellites(
        segmentation.labels, rows, pixel_size=size, level=chosen.level, seed=chosen.seed
    )
    found = _findings(
        segmentation,
        (coverage, shapes, near),
        size=size,
        unit=length_unit,
        shares=shares or {},
        sigma_g=geometric_spread(diameter, weight),
    )
    return Morphology(
        coverage=coverage,
        sensitivity=threshold_sensitivity(segmentation.log_odds, valid=use),
        droplet_count=len(rows),
        sizes=corrected,
        sizes_uncorrected=sizes(diameter, n_resamples=200),
        border_weight=weight,
        fits=fits,
        enough=how_many_more(diameter, weight, coverage=coverage, level=chosen.level),
        shape_class=classes,
        shapes=shapes,
        satellites=near,
        spacing=_spacing(segmentation, rows, size, use, chosen),
        arrival=evidence(found),
        texture=found.texture,
        notes=tuple(_notes(coverage, corrected, fits, weight)),
    )


def _findings(
    segmentation: Segmentation,
    measured: tuple[Coverage, pd.DataFrame, Satellites],
    *,
    size: float,
    unit: str,
    shares: Mapping[str, float],
    sigma_g: float,
) -> Findings:
    """Return what the evidence of arrival is drawn from."""
    coverage, shapes, near = measured
    return Findings(
        shares={**segmentation.haze, **shares},
        n_droplets=segmentation.n_droplets,
        n_streaks=segmentation.n_streaks,
        shapes=shapes,
        coverage=coverage.value,
        texture=coverage.range_px * size,
        smallest=segmentation.smallest_trusted_px * size,
        unit=unit,
        satellites_excess=near.excess,
        satellites_p=near.p_value,
        sigma_g=sigma_g,
    )


def _coverage(segmentation: Segmentation, use: Mask | None, settings: Settings) -> Coverage:
    return coverage_interval(
        segmentation.metal,
        valid=use,
        level=settings.level,
        grain_px=max(1.0, segmentation.smallest_trusted_px),
    )


def _border_weight(segmentation: Segmentation, rows: pd.DataFrame, use: Mask | None) -> Floats:
    """Return how many droplets each row stands for, 0 for those the border cuts."""
    shapes = region_shapes(segmentation.labels)
    box = shapes.box[np.searchsorted(shapes.label, rows["label"].to_numpy())]
    inside = ~rows["touches_border"].to_numpy(dtype=bool)
    if use is None or use.all():
        return weights_in_field(box, inside, shape=segmentation.labels.shape)
    weight = np.zeros(len(rows))
    extent = (box[:, 2:] - box[:, :2])[inside]
    weight[inside] = masked_border_weights(extent[:, 0], extent[:, 1], valid=use)
    return weight


def weights_in_field(box: npt.NDArray[np.int64], inside: Mask, *, shape: tuple[int, ...]) -> Floats:
    """Return how many droplets each droplet of a rectangular field stands for.

    Parameters
    ----------
    box : numpy.ndarray of int64, dims (droplet, 4)
        First row and column, row and column after the last.
    inside : numpy.ndarray of bool, dims (droplet,)
        False for the droplets that the border cuts.
    shape : tuple of int
        Rows and columns of the field.

    Returns
    -------
    numpy.ndarray, dims (droplet,)
        As `border_weights`; 0 for the droplets that the border cuts.
    """
    extent = (box[:, 2:] - box[:, :2])[inside]
    weight = np.zeros(len(box))
    # A droplet that occupies a pixel of the outermost row counts as cut, so one row and one
    # column of positions are lost.
    frame = (shape[0] - 1.0, shape[1] - 1.0)
    weight[inside] = border_weights(extent[:, 0], extent[:, 1], frame=frame)
    return weight


def _fits(
    segmentation: Segmentation, diameter: Floats, size: float, settings: Settings
) -> list[SizeFit]:
    height, width = segmentation.labels.shape
    return fit_sizes(
        diameter,
        smallest=segmentation.smallest_trusted_px * size,
        frame=((height - 1) * size, (width - 1) * size),
        area_step=size**2,
        seed=settings.seed,
    )


def _spacing(
    segmentation: Segmentation,
    rows: pd.DataFrame,
    size: float,
    use: Mask | None,
    settings: Settings,
) -> Spacing:
    height, width = segmentation.labels.shape
    # Droplets cannot lie on streaks or masked pixels: their absence there is no cluster.
    taken = segmentation.labels > segmentation.n_droplets
    if use is not None:
        taken |= ~use
    clearance = distance_to(taken).astype(np.float64) * size if taken.any() else None
    return spacing(
        rows["y_um"].to_numpy(dtype=np.float64),
        rows["x_um"].to_numpy(dtype=np.float64),
        diameter=rows["diameter_um"].to_numpy(dtype=np.float64),
        box=(0.0, 0.0, height * size, width * size),
        clearance=clearance,
        gap=size * max(ONE_BARE_PIXEL, FULL_WIDTH * segmentation.blur_px),
        level=settings.level,
        seed=settings.seed,
    )


def _notes(
    coverage: Coverage, sizes: pd.DataFrame, fits: list[SizeFit], weight: Floats
) -> list[str]:
    notes = []
    if not coverage.trusted:
        notes.append(
            "The structure is coarse against the field: the coverage interval is too narrow. "
            "Map more fields."
        )
    if len(weight) and not (weight > 0).any():
        notes.append(
            "Every droplet touches the border, so no size can be given. Map a larger field."
        )
    shaky = [name for name, trusted in sizes["trusted"].items() if not trusted]
    if (weight > 0).any() and shaky:
        notes.append(
            f"Too few droplets decide {', '.join(str(name) for name in shaky)}: "
            "the intervals given may be too narrow."
        )
    if fits and fits[0].p_value < 0.01:
        notes.append(
            f"No fitted size distribution agrees with the droplets (best: {fits[0].family}, "
            f"p = {fits[0].p_value:.2g}); use the percentiles taken from the droplets."
        )
    elif len(fits) > 1 and fits[1].bic - fits[0].bic < 2:
        notes.append(
            f"{fits[0].family} and {fits[1].family} fit the diameters equally well; what they "
            "say of droplets too small to see is a guess."
        )
    return notes

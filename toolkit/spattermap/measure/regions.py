"""Measure every labelled region of an image in one pass."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ellipe

from spattermap.core.arrays import Bools, Floats, Integers, Labels
from spattermap.core.errors import InputError, InputTypeError, image_2d, positive

if TYPE_CHECKING:
    from spattermap.segment.result import Segmentation


# Smallest second moment (px^2) along an axis: that of one pixel, a unit square. Keeps the
# aspect ratio of regions one pixel wide finite.
PIXEL_MOMENT = 1.0 / 12.0


@dataclass(frozen=True)
class Regions:
    """Plain measurements of the labelled regions, one entry a region, in pixels."""

    label: Integers  # (region,): labels that occur, ascending
    area: Integers  # (region,): number of pixels
    # (region, 2): row and column of the centre of mass; the centre of the first pixel is (0, 0)
    centroid: Floats
    # (region, 3): central second moments over the area: row-row, column-column, row-column (px^2)
    covariance: Floats
    # (region, 4): first row, first column, row after the last, column after the last
    box: Integers
    perimeter: Floats  # (region,): Crofton perimeter from four directions (px)
    hull_area: Integers  # (region,): pixels of the convex hull
    feret_max: Floats  # (region,): largest Feret diameter of the hull as drawn in pixels (px)
    # (region,): smallest Feret diameter of the hull of the pixels' edge midpoints (px)
    feret_min: Floats

    @property
    def axes(self) -> tuple[Floats, Floats]:
        """Major and minor axis of the ellipse with the same second moments (px)."""
        rr, cc, rc = self.covariance.T
        middle = (rr + cc) / 2
        spread = np.hypot((rr - cc) / 2, rc)
        small = np.clip(middle - spread, 0.0, None)
        return 4 * np.sqrt(middle + spread), 4 * np.sqrt(small)

    @property
    def orientation(self) -> Floats:
        """Angle of the major axis, 0 = +x, counter-clockwise on the picture (rad, 0 to pi)."""
        rr, cc, rc = self.covariance.T
        # Rows run down the picture, so a positive row-column covariance leans clockwise.
        angle = 0.5 * np.arctan2(-2 * rc, cc - rr)
        turned: Floats = np.mod(angle, np.pi)
        return turned


def measure_regions(
    labels: npt.ArrayLike,
    *,
    counts: npt.ArrayLike | None = None,
    variance: npt.ArrayLike | None = None,
    elements: Sequence[str] = (),
    pixel_size: float = 1.0,
) -> pd.DataFrame:
    """Return one row of measurements for each labelled region.

    Dims: `labels` (y, x), `counts` (element, y, x), `variance` (element, y, x).

    Circularity is ``sqrt(4 pi A / P^2)`` (ISO 9276-6; the form factor is its square). It can
    exceed 1 by a few hundredths on regions of a few pixels; the mean over random discs is within
    0.01 of 1 from a radius of 5 px. The largest Feret diameter follows scikit-image and is about
    a pixel too long; the smallest is taken from the region itself and is within half a pixel of
    the outline's (both measured on random ellipses). Touching regions are measured one by one,
    each as if alone. The error of a region without any counts is 0, the Poisson estimate.

    ISO 9276-6:2008, Descriptive and quantitative representation of particle shape; J. Ohser, F.
    Muecklich, Statistical Analysis of Microstructures in Materials Science (2000), section 4:
    perimeter from intercepts in four directions (Crofton).
    """
    size = positive(pixel_size, "pixel_size")
    image = _label_image(labels)
    signal = _signal(counts, "counts", image.shape, elements)
    noise = _signal(variance, "variance", image.shape, elements)
    if noise is not None and signal is None:
        raise InputError("variance must come with counts, got no counts. Pass both, or neither.")
    found, sums, noise_sums = _measure(image, signal, noise)
    columns = _shape_columns(found, image.shape, size)
    if signal is not None:
        columns |= _signal_columns(elements, sums, noise_sums)
    return pd.DataFrame(columns)


def region_shapes(labels: npt.ArrayLike) -> Regions:
    """Return the plain measurements of the labelled regions, in pixels.

    Dims: `labels` (y, x).
    """
    return _measure(_label_image(labels), None, None)[0]


def _label_image(labels: npt.ArrayLike) -> Labels:
    image = image_2d(labels, "labels")
    if not np.issubdtype(image.dtype, np.integer):
        raise InputTypeError(
            f"labels must be whole numbers, got {image.dtype}. "
            "Label a mask first, for example with scipy.ndimage.label."
        )
    if image.dtype != np.int32:
        limits = np.iinfo(np.int32)
        if image.max() > limits.max or image.min() < 0:
            raise InputError(
                f"labels must lie between 0 and {limits.max}, got {image.min()} to {image.max()}. "
                "Number the regions from 1."
            )
    return np.ascontiguousarray(image, dtype=np.int32)


def _signal(
    values: npt.ArrayLike | None, name: str, shape: tuple[int, ...], elements: Sequence[str]
) -> npt.NDArray[np.generic] | None:
    if values is None:
        return None
    stack = np.asarray(values)
    if stack.shape != (len(elements), *shape):
        raise InputError(
            f"{name} must have the shape (element, y, x) = {(len(elements), *shape)}, "
            f"got {stack.shape}. Pass one map for each name in elements, as large as labels."
        )
    if stack.dtype.kind not in "uif" or stack.dtype == np.float16:
        stack = stack.astype(np.float64)
    return stack


def _measure(
    image: Labels,
    signal: npt.NDArray[np.generic] | None,
    noise: npt.NDArray[np.generic] | None,
) -> tuple[Regions, Floats, Floats]:
    from spattermap.core import region_kernels as kernels

    n_runs, largest, smallest = kernels.count_runs(image)
    if smallest < 0:
        raise InputError(
            f"labels must be zero or above, got {smallest}. Number the regions from 1."
        )
    names: Integers | None = None
    if largest > image.size:  # sparse labels: number them anew rather than reserve empty rows
        names, dense = np.unique(image, return_inverse=True)
        image = dense.reshape(image.shape).astype(np.int32) + np.int32(names[0] != 0)
        names = np.concatenate([[0], names[names != 0]]).astype(np.int64)
        largest = len(names) - 1
    runs, per_label = kernels.find_runs(image, n_runs, largest)
    found = _shapes(runs, per_label)
    sums = _signal_sums(runs, signal, largest)[found.label]
    noise_sums = sums if noise is None else _signal_sums(runs, noise, largest)[found.label]
    if names is not None:
        found = replace(found, label=names[found.label])
    return found, sums, noise_sums


def _shapes(runs: Labels, per_label: Integers) -> Regions:
    """Measure the labels whose runs (label, row, first, after last) come in raster order."""
    from spattermap.core import region_kernels as kernels

    n_labels = per_label.size - 2
    grouped, start = kernels.group_runs(runs, per_label)
    whole = np.zeros((n_labels + 1, kernels.N_WHOLE), dtype=np.int64)
    width = np.zeros(n_labels + 1)
    shares = np.linspace(1, n_labels + 1, _n_threads(len(runs)) + 1).astype(int)
    _in_threads(
        [
            partial(kernels.shape_of_labels, grouped, start, span, whole, width)
            for span in pairwise(shares.tolist())
        ]
    )
    present = np.flatnonzero(whole[:, kernels.AREA])
    return _to_regions(whole[present], width[present], present)


def measure_runs(
    runs: Labels,
    sums: Floats,
    noise_sums: Floats,
    *,
    shape: tuple[int, int],
    elements: Sequence[str] = (),
    pixel_size: float = 1.0,
) -> pd.DataFrame:
    """Return the rows of `measure_regions` for regions given as runs of pixels.

    Dims: `runs` (run, 4), `sums, noise_sums` (region, element).
    """
    names, dense = np.unique(runs[:, 0], return_inverse=True)
    own = np.column_stack([dense.reshape(-1) + 1, runs[:, 1:]]).astype(np.int32)
    per_label = np.concatenate([[0, 0], np.bincount(own[:, 0], minlength=names.size + 1)[1:]])
    found = replace(_shapes(own, per_label.astype(np.int64)), label=names.astype(np.int64))
    columns = _shape_columns(found, shape, pixel_size)
    return pd.DataFrame(columns | _signal_columns(elements, sums, noise_sums))


def _signal_columns(elements: Sequence[str], sums: Floats, noise_sums: Floats) -> dict[str, Floats]:
    """Return the counts of each element and their errors, element by element."""
    columns = {}
    for index, element in enumerate(elements):
        columns[f"{element}_counts"] = sums[:, index]
        columns[f"{element}_counts_err"] = np.sqrt(np.clip(noise_sums[:, index], 0, None))
    return columns


def as_droplets(
    table: pd.DataFrame, found: Segmentation, names: Integers, *, pixel_size: float
) -> pd.DataFrame:
    """Return a table of regions as one of droplets: named so, confidence beside the place.

    The confidence is the probability that a droplet is there as it is drawn: that noise does not
    explain it, times `as_drawn`.

    The size and the shape of a droplet that was parted from others are those of its own ellipse,
    of which another may hide a part; its place and its counts are those of what is seen. `names`
    are the numbers of the droplets, `pixel_size` is in um.
    """
    named = table.rename(columns={"label": "droplet"})
    place = list(named.columns).index("touches_border") + 1
    shared = found.shared[names - 1] if found.shared.any() else np.zeros(len(named), bool)
    if shared.any():
        for name, own in _of_ellipses(found.ellipses[names - 1][shared], pixel_size).items():
            named.loc[shared, name] = own
    sure = np.asarray(found.confidence[names - 1], dtype=np.float64)
    if found.image is None or not found.image.used:  # its picture resolves more than the maps
        size = named["diameter_um"].to_numpy(dtype=np.float64) / pixel_size
        sure = sure * as_drawn(size / found.smallest_trusted_px, shared) * (1 - _merged(found))
    named.insert(place, "confidence", sure)
    return named


# Part of the droplets found that are there as drawn (intersection over union 0.5 and above) against
# the diameter over the smallest trusted one, and the factor on its odds for those parted from
# others by shape: 12,400 droplets in 150 made deposits (`tests/benchmarks/held_scenes.py`).
_SIZES = np.log([0.4, 0.6, 0.78, 0.92, 1.1, 1.35, 1.75, 2.5, 5.0])
_DRAWN = np.array([0.2, 0.3, 0.65, 0.78, 0.87, 0.94, 0.963, 0.983, 0.997])
_PARTED_ODDS = 0.4
# Part of the droplets that were merged with others, over the part of the field that is covered and
# the part of the droplets that overlap (30 made deposits of the same kind).
_HIDDEN = 0.4


def as_drawn(size: Floats, parted: Bools) -> Floats:
    """Return how likely droplets are there as they are drawn.

    Dims: `size`, the diameter over the smallest trusted one, and `parted`, by shape (droplet,).
    """
    with np.errstate(divide="ignore"):
        odds = np.exp(np.interp(np.log(size), _SIZES, np.log(_DRAWN / (1 - _DRAWN))))
    odds = np.where(parted, _PARTED_ODDS * odds, odds)
    drawn: Floats = odds / (1 + odds)
    return drawn


def _merged(found: Segmentation) -> float:
    """Return the part of the droplets that hide others or are hidden, where many overlap."""
    if found.shared.size == 0:
        return 0.0
    covered = float(found.area[1:].sum()) / math.prod(found.labels.shape)
    return _HIDDEN * covered * float(found.shared.mean())


def _of_ellipses(ellipses: Floats, size: float) -> dict[str, Floats]:
    """Return size and outline of ellipses as of regions; dims (droplet, 5), see `segment.lobes`."""
    radius, bent = np.exp(ellipses[:, 2]) * size, np.hypot(ellipses[:, 3], ellipses[:, 4])
    long, short = radius * np.exp(bent), radius * np.exp(-bent)
    perimeter = 4 * long * ellipe(1 - (short / long) ** 2)
    turn = -0.5 * np.degrees(np.arctan2(ellipses[:, 4], -ellipses[:, 3]))
    return {
        "diameter_um": 2 * radius,
        "area_um2": np.pi * radius**2,
        "widest_um": 2 * long,
        "narrowest_um": 2 * short,
        "perimeter_um": perimeter,
        "aspect_ratio": long / short,
        "circularity": 2 * np.pi * radius / perimeter,
        "solidity": np.ones(len(ellipses)),
        "long_axis_deg": turn,
    }


def signal_sums(labels: Labels, signal: npt.NDArray[np.generic]) -> Floats:
    """Return the sum of every plane over every label, label 0 left at zero.

    Dims: `labels` (y, x), `signal` (element, y, x); returns (label + 1, element).
    """
    from spattermap.core import region_kernels as kernels

    n_runs, largest, _ = kernels.count_runs(labels)
    runs, _ = kernels.find_runs(labels, n_runs, largest)
    return _signal_sums(runs, signal, largest)


def _n_threads(n_runs: int) -> int:
    # The compiled loops release the GIL. Below some thousand runs a thread costs more than it
    # saves; above four, memory is the limit.
    return min(4, os.cpu_count() or 1) if n_runs > 5000 else 1


def _in_threads(tasks: Sequence[Callable[[], None]]) -> None:
    if len(tasks) < 2:
        for task in tasks:
            task()
        return
    with ThreadPoolExecutor(len(tasks)) as pool:
        for done in [pool.submit(task) for task in tasks]:
            done.result()


def _signal_sums(runs: Labels, signal: npt.NDArray[np.generic] | None, largest: int) -> Floats:
    from spattermap.core import region_kernels as kernels

    if signal is None:
        return np.zeros((largest + 1, 0))
    kind = np.float64 if signal.dtype.kind == "f" else np.int64
    zero = np.zeros(1, kind)
    parts = np.array_split(runs, _n_threads(len(runs)))
    # A label can reach across two parts, so each part adds into sums of its own.
    sums = [np.zeros((largest + 1, len(signal))) for _ in parts]
    _in_threads(
        [
            partial(kernels.add_signals, part, signal, zero, total)
            for part, total in zip(parts, sums, strict=True)
        ]
    )
    for part in sums[1:]:
        sums[0] += part
    return sums[0]


def _to_regions(whole: Integers, width: Floats, label: Integers) -> Regions:
    from spattermap.core import region_kernels as kernels

    area = whole[:, kernels.AREA]
    moment = whole[:, kernels.SUM_R : kernels.SUM_RC + 1].astype(np.float64) / area[:, None]
    mean_r, mean_c, mean_rr, mean_cc, mean_rc = moment.T
    covariance = np.column_stack(
        [mean_rr - mean_r**2, mean_cc - mean_c**2, mean_rc - mean_r * mean_c]
    )
    # Moments are about the first pixel met: on the top row, not always the leftmost column.
    first_column = whole[:, kernels.FIRST_C]
    chords = whole[:, kernels.CHORDS_AXIS] + whole[:, kernels.CHORDS_DIAGONAL] / np.sqrt(2)
    box = whole[:, [kernels.TOP, kernels.LEFT, kernels.BOTTOM, kernels.RIGHT]]
    return Regions(
        label=label.astype(np.int64),
        area=area,
        centroid=np.column_stack([whole[:, kernels.TOP] + mean_r, first_column + mean_c]),
        covariance=covariance,
        box=box + np.array([0, 0, 1, 1]),
        perimeter=np.pi / 4 * chords,  # Ohser & Muecklich (2000), four directions
        hull_area=whole[:, kernels.HULL_AREA],
        feret_max=np.sqrt(whole[:, kernels.FERET_MAX_SQ4]) / 2,
        feret_min=width,
    )


def _shape_columns(
    found: Regions, shape: tuple[int, ...], size: float
) -> dict[str, npt.NDArray[np.generic]]:
    major, minor = found.axes
    floor = 4 * np.sqrt(PIXEL_MOMENT)
    top, left, bottom, right = found.box.T
    return {
        # Place, size, outline, in the order in which they are asked for.
        "label": found.label,
        "y_um": (found.centroid[:, 0] + 0.5) * size,
        "x_um": (found.centroid[:, 1] + 0.5) * size,
        "touches_border": (top == 0) | (left == 0) | (bottom == shape[0]) | (right == shape[1]),
        "diameter_um": 2 * np.sqrt(found.area / np.pi) * size,
        "area_um2": found.area * size**2,
        "widest_um": found.feret_max * size,
        "narrowest_um": found.feret_min * size,
        "perimeter_um": found.perimeter * size,
        "aspect_ratio": np.maximum(major, floor) / np.maximum(minor, floor),
        "circularity": np.sqrt(4 * np.pi * found.area) / found.perimeter,
        "solidity": found.area / found.hull_area,
        "long_axis_deg": np.degrees(found.orientation),
    }

"""Shape classes of droplets, and satellites around the large ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ellipe

from spattermap.core.arrays import Bools, Floats, Integers, Labels, Singles
from spattermap.noise.counting import wilson_interval

CLASSES = ("round", "elongated", "splashed", "unresolved")

# Below this area the raster decides the outline, not the droplet: 30 px is a disc of 3.1 px
# radius, from where random discs are all called round (measured; see the tests).
SMALLEST_RESOLVED_PX2 = 30
# Axis ratio from which a droplet counts as elongated. A drop that hits at an angle a from the
# normal leaves an ellipse of ratio 1 / cos a: 1.5 is an impact at 48 degrees.
ELONGATED_FROM = 1.5
# An outline this much longer than that of the ellipse with its axes has fingers or lobes.
SPLASHED_OUTLINE = 1.12
SPLASHED_SOLIDITY = 0.88


def ellipse_circularity(aspect_ratio: npt.ArrayLike) -> Floats:
    """Return the circularity sqrt(4 pi A) / P of an ellipse.

    The perimeter is the complete elliptic integral ``4 a E(1 - b^2 / a^2)``.
    """
    ratio = np.asarray(aspect_ratio, dtype=np.float64)
    value: Floats = np.pi * np.sqrt(ratio) / (2 * ratio * ellipe(1 - ratio**-2.0))
    return value


def shape_class(droplets: pd.DataFrame, *, pixel_size: float = 1.0) -> npt.NDArray[np.str_]:
    """Return the class of each droplet: round, elongated, splashed or unresolved.

    Returns dims (droplet,).

    The limits are ours (common practice has none); they are constants of this module.
    """
    aspect = droplets["aspect_ratio"].to_numpy(dtype=np.float64)
    longer = ellipse_circularity(aspect) / droplets["circularity"].to_numpy(dtype=np.float64)
    solidity = droplets["solidity"].to_numpy(dtype=np.float64)
    area_px = droplets["area_um2"].to_numpy(dtype=np.float64) / pixel_size**2
    classes = np.where(aspect >= ELONGATED_FROM, "elongated", "round")
    classes = np.where(
        (longer >= SPLASHED_OUTLINE) | (solidity < SPLASHED_SOLIDITY), "splashed", classes
    )
    return np.where(area_px < SMALLEST_RESOLVED_PX2, "unresolved", classes)


def shape_shares(
    classes: npt.ArrayLike, *, weights: npt.ArrayLike | None = None, level: float = 0.95
) -> pd.DataFrame:
    """Return the share of each class among the droplets whose shape is resolved.

    Dims: `classes` (droplet,), `weights` (droplet,).
    """
    names = np.asarray(classes)
    w = np.ones(len(names)) if weights is None else np.asarray(weights, dtype=np.float64)
    names, w = names[w > 0], w[w > 0]
    rows = []
    for shape in CLASSES:
        among = np.ones(len(names), bool) if shape == "unresolved" else names != "unresolved"
        chosen = w * (names == shape)
        total = w[among].sum()
        if total == 0:
            rows.append((shape, 0, np.nan, np.nan, np.nan))
            continue
        share = float(min(1.0, chosen.sum() / total))
        effective = total**2 / (w[among] ** 2).sum()
        low, high = map(float, wilson_interval(share * effective, effective, level))
        rows.append((shape, int((names == shape).sum()), share, low, high))
    return pd.DataFrame(rows, columns=["shape", "n", "share", "share_low", "share_high"])


@dataclass(frozen=True)
class Satellites:
    """Small droplets near the rims of large ones."""

    # small droplets near a rim over the number expected by chance; above 1 is an excess. NaN where
    # it cannot be told.
    excess: float
    # what chance alone produces (envelope at the level)
    excess_low: float
    excess_high: float
    p_value: float  # one-sided rank of the observed number among the shifts
    # large droplets, small ones, and small ones near a rim
    n_large: int
    n_small: int
    n_near: int
    # diameters that part small and large, and the distance from the rim that counts as near, in the
    # unit of the table
    small_below: float
    large_from: float
    reach: float
    reason: str = ""  # why nothing can be told; empty otherwise


def satellites(
    labels: Labels,
    droplets: pd.DataFrame,
    *,
    pixel_size: float = 1.0,
    n_shifts: int = 499,
    level: float = 0.95,
    seed: int = 0,
) -> Satellites:
    """Tell whether small droplets gather around the rims of large ones.

    Dims: `labels` (y, x), on which the table was measured.

    Large are the droplets of at least three times the median diameter, or the largest twentieth if
    fewer; small are those below the median, and below a third of the large. A small droplet is near
    when the gap between its rim and that of a large droplet is at most half the median radius of
    the large ones. The null shifts all small droplets together, round the field's edges, which
    keeps their own pattern; shifted droplets that land on a large one cannot exist and leave the
    count on both sides, so the number compared is the fraction of those that fit.
    """
    diameter = droplets["diameter_um"].to_numpy(dtype=np.float64) / pixel_size
    if len(diameter) < 20:
        return _no_satellites("fewer than 20 droplets")
    small_below, large_from = _size_limits(diameter)
    large, small = diameter >= large_from, diameter < small_below
    if large.sum() < 3 or small.sum() < 10:
        return _no_satellites("sizes too alike to part small droplets from large ones")
    chosen = np.zeros(int(labels.max()) + 1, dtype=bool)
    chosen[droplets["droplet"].to_numpy()[large]] = True
    gap = distance_to(chosen[labels])
    centre = droplets[["y_um", "x_um"]].to_numpy(dtype=np.float64)[small] / pixel_size - 0.5
    at = np.clip(np.rint(centre).astype(int), 0, np.array(labels.shape) - 1)
    radius = diameter[small] / 2
    reach = 0.5 * float(np.median(diameter[large])) / 2
    rng = np.random.default_rng(seed)
    observed, n_near = _near(gap, at, radius, reach)
    shifts = rng.integers(0, labels.shape, (n_shifts, 2))
    null = np.array([_near(gap, (at + s) % labels.shape, radius, reach)[0] for s in shifts])
    expected = float(null.mean())
    if expected == 0:
        return _no_satellites("the rims take up too little of the field")
    tail = (1 - level) / 2
    low, high = np.quantile(null, [tail, 1 - tail]) / expected
    return Satellites(
        excess=observed / expected,
        excess_low=float(low),
        excess_high=float(high),
        p_value=float((1 + (null >= observed).sum()) / (n_shifts + 1)),
        n_large=int(large.sum()),
        n_small=int(small.sum()),
        n_near=n_near,
        small_below=small_below * pixel_size,
        large_from=large_from * pixel_size,
        reach=reach * pixel_size,
    )


def _size_limits(diameter: Floats) -> tuple[float, float]:
    """Return below which diameter a droplet is small, and from which on it is large."""
    median = float(np.median(diameter))
    large_from = 3 * median
    if (diameter >= large_from).sum() < max(3, len(diameter) // 20):
        large_from = max(2 * median, float(np.quantile(diameter, 0.95)))
    return min(median, large_from / 3), large_from


def _no_satellites(reason: str) -> Satellites:
    nan = float("nan")
    return Satellites(nan, nan, nan, nan, 0, 0, 0, nan, nan, nan, reason)


def edges_of(labels: Labels) -> Bools:
    """Return the pixels on either side of a border between labels; (y, x)."""
    edge = np.zeros(labels.shape, bool)
    for axis in (0, 1):
        step = np.diff(labels, axis=axis) != 0
        first, second = [slice(None)] * 2, [slice(None)] * 2
        first[axis], second[axis] = slice(None, -1), slice(1, None)
        edge[tuple(first)] |= step
        edge[tuple(second)] |= step
    return edge


def distance_to(mask: Bools) -> Floats:
    """Return each pixel's distance to the nearest True pixel, of which there is one.

    Dims: `mask` (y, x); returns (y, x).
    """
    return np.asarray(np.sqrt(squared_distance_to(mask).astype(np.float64)))


def squared_distance_to(mask: Bools) -> Singles:
    """Return the square of each pixel's distance to the nearest True pixel, of which there is one.

    Dims: `mask` (y, x); returns (y, x): whole numbers, exact up to 4096 px.
    """
    import edt

    # The transform measures to the nearest background pixel: make the mask that.
    return np.asarray(edt.edtsq(np.ascontiguousarray(~mask), parallel=1))


def _near(gap: Floats, at: Integers, radius: Floats, reach: float) -> tuple[float, int]:
    """Return the fraction of the fitting small droplets that lie near a rim, and their number."""
    rim = gap[at[:, 0], at[:, 1]] - radius
    fits = rim > 0
    near = int((rim[fits] <= reach).sum())
    return near / max(int(fits.sum()), 1), near

"""From the metal fraction to separate droplets: mask, parting, edges, false alarms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spattermap.segmentation import alarms, parting
from spattermap.segmentation.edges import disc_edge_level, disc_peak, signed_distance
from spattermap.segmentation.likelihood import Array, Classes, Mask, noise_gain

_TABLE_STEP = 0.02
_ADMITTED = 0.2  # lowest edge level a droplet can have: a disc of 0.65 sigma


@dataclass(frozen=True)
class Regions:
    """Labelled regions with the evidence for each.

    Parameters
    ----------
    labels : numpy.ndarray of int32, dims (y, x)
        0 bare, then 1 to n.
    deviates : numpy.ndarray, dims (region,)
        Height of each region's summit in normal standard deviations of the bare noise.
    confidence : numpy.ndarray, dims (region,)
        Probability that noise alone reaches that height nowhere in the field.
    """

    labels: npt.NDArray[np.int32]
    deviates: npt.NDArray[np.float64]
    confidence: npt.NDArray[np.float64]


def find_regions(
    fraction: Array,
    classes: Classes,
    *,
    valid: Mask,
    scale: float,
    blur: float,
    split_strength: float,
    false_alarms: float,
    poisson: bool,
    offset: float = 0.0,
) -> Regions:
    """Return the metal regions of a smoothed metal fraction.

    Parameters
    ----------
    fraction : numpy.ndarray, dims (y, x)
        Smoothed metal fraction.
    classes : Classes
        Class means.
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels to use.
    scale, blur : float
        Standard deviations of the smoothing and of the blur in the data (px).
    split_strength : float
        1 by default; 0 never parts.
    false_alarms : float
        Expected number of false regions a field.
    poisson : bool
        True for counts.
    offset : float, optional
        Added to the fraction; positive finds more metal.

    Returns
    -------
    Regions
    """
    sigma = float(np.hypot(max(scale, 0.29), blur))  # 0.29 px: a pixel averages over its width
    height = fraction + np.float32(offset)
    mask = _without_pinholes((height > 0.5) & valid, sigma)
    labels, n = _part(mask, height, sigma=sigma, split_strength=split_strength)
    labels = _with_true_edges(labels, np.where(valid, height, -1), n, sigma)
    labels, n = parting.renumber(labels)
    summit = _maximum(labels, fraction, n)
    deviates = alarms.gaussian_equivalent(summit, classes, scale=scale, poisson=poisson)
    n_pixels = int(np.count_nonzero(valid))
    wanted = alarms.threshold(n_pixels=n_pixels, scale=scale, false_alarms=false_alarms)
    return keep(labels, deviates >= wanted, deviates, n_pixels=n_pixels, scale=scale)


def _without_pinholes(mask: Mask, sigma: float) -> Mask:
    """Fill holes and drop specks too small to be resolved: noise, and ruinous for distances."""
    from scipy import ndimage

    least = max(4.0, np.pi * (1.2 * sigma) ** 2)
    out = mask.copy()
    for value in (False, True):
        pieces, n = ndimage.label(out == value, structure=None if value else np.ones((3, 3)))
        area = np.bincount(pieces.ravel(), minlength=n + 1)
        small = area < least
        small[0] = False
        out ^= small[pieces]
    return out


def keep(
    labels: npt.NDArray[np.int32],
    wanted: npt.NDArray[np.bool_],
    deviates: npt.NDArray[np.float64],
    *,
    n_pixels: int,
    scale: float,
) -> Regions:
    """Return only the wanted regions, renumbered."""
    table = np.zeros(wanted.size + 1, np.int32)
    table[1:][wanted] = np.arange(1, np.count_nonzero(wanted) + 1)
    kept = deviates[wanted]
    expected = alarms.expected_peaks(kept, n_pixels=n_pixels, scale=scale)
    return Regions(table[labels], kept, np.exp(-expected))


def _part(
    mask: Mask, height: Array, *, sigma: float, split_strength: float
) -> tuple[npt.NDArray[np.int32], int]:
    from scipy import ndimage

    if split_strength == 0:
        labels, n = ndimage.label(mask, structure=np.ones((3, 3)))
        return labels.astype(np.int32), int(n)
    # The distance is blunted a little, so that single pixels of a ragged edge make no summits.
    distance = ndimage.gaussian_filter(np.maximum(signed_distance(mask), 0), max(0.7, 0.5 * sigma))
    return parting.part(
        distance.astype(np.float32),
        mask,
        ratio=1 - 0.2 / split_strength,
        least=0.4 / split_strength,
    )


def _with_true_edges(
    labels: npt.NDArray[np.int32], height: Array, n: int, sigma: float
) -> npt.NDArray[np.int32]:
    if n == 0:
        return labels
    table = disc_edge_level(np.arange(0, 12, _TABLE_STEP)).astype(np.float32)
    table = np.maximum(table, np.float32(_ADMITTED))
    basins = parting.grow(labels, height.astype(np.float32), _ADMITTED)
    return parting.cut(basins, height.astype(np.float32), n, table, sigma, _TABLE_STEP)


def _maximum(labels: npt.NDArray[np.int32], values: Array, n: int) -> npt.NDArray[np.float64]:
    top = np.full(n + 1, -np.inf)
    np.maximum.at(top, labels.ravel(), values.ravel())
    return top[1:]


def smallest_trusted(
    classes: Classes, *, n_pixels: int, scale: float, blur: float, false_alarms: float
) -> float:
    """Return the diameter (px) of the smallest disc that is found every other time.

    Parameters
    ----------
    classes : Classes
        Class means.
    n_pixels : int
        Pixels of the field.
    scale, blur : float
        Standard deviations of the smoothing and of the blur (px).
    false_alarms : float
        Expected number of false regions a field.

    Returns
    -------
    float
        Infinity where the classes cannot be told apart at all.

    Notes
    -----
    The blurred and smoothed disc must rise above the half height and above the height that noise
    passes `false_alarms` times a field.
    """
    if classes.information <= 0:
        return float("inf")
    sd = classes.sigma_bare * np.sqrt(noise_gain(scale))
    u = alarms.threshold(n_pixels=n_pixels, scale=scale, false_alarms=false_alarms)
    needed = max(0.5, u * sd)
    if needed >= 1:
        return float("inf")
    sigma = np.hypot(max(scale, 0.29), blur)
    grid = np.linspace(0.01, 8, 2000)
    return float(2 * sigma * grid[np.searchsorted(disc_peak(grid), needed)])

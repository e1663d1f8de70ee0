"""From the metal fraction to separate droplets: mask, parting, edges, false alarms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spattermap.segmentation import alarms, parting
from spattermap.segmentation.edges import signed_distance
from spattermap.segmentation.filters import RADIUS_STEP, Filter
from spattermap.segmentation.likelihood import Array, Classes, Mask

Labels = npt.NDArray[np.int32]

_ADMITTED = 0.2  # lowest edge level a droplet can have; below it lie haze and noise
_NECK = 0.2  # two hills part where the pass is this much lower than the lower summit
_DIP = 4.0  # ... and, for the fraction itself, this many noise standard deviations
_FULL = 0.9  # fraction above which the signal says nothing of necks
_BAY = 0.4  # px; shallower necks are those of the pixel grid
_JITTERS = 0.35  # ... or of edges displaced by noise, in their standard deviations
_BLUNT = 0.4  # smoothing of the distance map, in standard deviations of the edge


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

    labels: Labels
    deviates: npt.NDArray[np.float64]
    confidence: npt.NDArray[np.float64]


def find_regions(
    fraction: Array,
    classes: Classes,
    used: Filter,
    *,
    valid: Mask,
    split_strength: float = 1.0,
    false_alarms: float = 0.05,
    poisson: bool = True,
    offset: float = 0.0,
) -> Regions:
    """Return the metal regions of a filtered metal fraction.

    Parameters
    ----------
    fraction : numpy.ndarray, dims (y, x)
        Filtered metal fraction.
    classes : Classes
        Class means.
    used : Filter
        The filter.
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels to use.
    split_strength : float, optional
        1 by default; 0 never parts.
    false_alarms : float, optional
        Expected number of false regions a field.
    poisson : bool, optional
        True for counts.
    offset : float, optional
        Added to the fraction; positive finds more metal.

    Returns
    -------
    Regions
    """
    height = np.where(valid, fraction + np.float32(offset), np.float32(-1))
    sigma = max(used.sigma, 0.29)  # 0.29 px: a pixel averages over its width
    mask = _without_pinholes(height > 0.5, sigma)
    noise = float(np.sqrt(used.gain * (classes.weights**2 @ classes.noise_metal)))
    labels, n = _part(mask, height, sigma=sigma, noise=noise, strength=split_strength)
    labels, n = _with_true_edges(labels, height, n, used)
    summit = _maximum(labels, fraction, n)
    deviates = alarms.gaussian_equivalent(summit, classes, used, poisson=poisson)
    n_pixels = int(np.count_nonzero(valid))
    wanted = alarms.threshold(
        n_pixels=n_pixels, roughness=used.roughness, false_alarms=false_alarms
    )
    confidence = np.exp(
        -alarms.expected_peaks(deviates, n_pixels=n_pixels, roughness=used.roughness)
    )
    return keep(Regions(labels, deviates, confidence), deviates >= wanted)


def keep(found: Regions, wanted: npt.NDArray[np.bool_]) -> Regions:
    """Return only the wanted regions, renumbered.

    Parameters
    ----------
    found : Regions
        The regions.
    wanted : numpy.ndarray of bool, dims (region,)
        Which to keep.

    Returns
    -------
    Regions
    """
    table = np.zeros(wanted.size + 1, np.int32)
    table[1:][wanted] = np.arange(1, np.count_nonzero(wanted) + 1)
    return Regions(table[found.labels], found.deviates[wanted], found.confidence[wanted])


def _without_pinholes(mask: Mask, sigma: float) -> Mask:
    """Fill holes and drop specks too small to be resolved: noise, and ruinous for distances."""
    from scipy import ndimage

    least = max(4.0, np.pi * sigma**2)
    out = mask.copy()
    for value in (False, True):
        pieces, n = ndimage.label(out == value, structure=None if value else np.ones((3, 3)))
        area = np.bincount(pieces.ravel(), minlength=n + 1)
        small = area < least
        small[0] = False
        out ^= small[pieces]
    return out


def _part(
    mask: Mask, height: Array, *, sigma: float, noise: float, strength: float
) -> tuple[Labels, int]:
    """Part the mask twice: where the signal dips between two summits, and at narrow necks."""
    from scipy import ndimage

    if strength == 0:
        labels, n = ndimage.label(mask, structure=np.ones((3, 3)))
        return labels.astype(np.int32), int(n)
    ratio = 1 - _NECK / strength
    labels, _ = parting.part(
        height, mask.astype(np.int32), ratio=ratio, least=_DIP * noise / strength
    )
    # The distance is blunted a little, so that single pixels of a ragged edge make no summits.
    distance = np.maximum(signed_distance(mask), 0)
    distance = ndimage.gaussian_filter(distance, max(0.7, _BLUNT * sigma))
    # Noise displaces an edge by its height over the slope there; such bays part nothing.
    jitter = noise * sigma * np.sqrt(2 * np.pi)
    return parting.part(
        distance, labels, ratio=ratio, least=max(_BAY, _JITTERS * jitter) / strength
    )


def _with_true_edges(labels: Labels, height: Array, n: int, used: Filter) -> tuple[Labels, int]:
    """Cut each region's basin at the height its own size calls for."""
    if n == 0:
        return labels, 0
    table = np.maximum(np.concatenate([[0.0], used.edge_levels]), _ADMITTED).astype(np.float32)
    basins = parting.grow(labels, height, _ADMITTED)
    return parting.renumber(parting.cut(basins, height, n, table, RADIUS_STEP))


def _maximum(labels: Labels, values: Array, n: int) -> npt.NDArray[np.float64]:
    top = np.full(n + 1, -np.inf)
    np.maximum.at(top, labels.ravel(), values.ravel())
    return top[1:]


def smallest_trusted(
    classes: Classes, used: Filter, *, n_pixels: int, false_alarms: float
) -> float:
    """Return the diameter (px) of the smallest disc that is found every other time.

    Parameters
    ----------
    classes : Classes
        Class means.
    used : Filter
        The filter.
    n_pixels : int
        Pixels of the field.
    false_alarms : float
        Expected number of false regions a field.

    Returns
    -------
    float
        Infinity where the classes cannot be told apart at all.

    Notes
    -----
    The blurred and filtered disc must rise above the half height, and above the height that noise
    passes `false_alarms` times a field.
    """
    u = alarms.threshold(n_pixels=n_pixels, roughness=used.roughness, false_alarms=false_alarms)
    needed = max(0.5, u * alarms.noise_sd(classes, used))
    enough = np.flatnonzero(used.peaks >= needed)
    return 2 * RADIUS_STEP * float(enough[0] + 1) if enough.size else float("inf")

"""A few pixels that own a map's variance, and with it every correlation of that map."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.mapset import valid_mask
from spattermap.noise.moments import block_moments

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr

    from spattermap.noise.moments import BlockMoments

# The brightest part of a map that counts as few, and the share of the variance they must own.
FEW = 0.003
OWNED = 0.5
# Two correlations that lie nearer than this say the same, however well they are known.
FAR = 0.2


def variance_of_few(plane: npt.NDArray[np.float64], noise: float) -> tuple[float, float]:
    """Return the share of the material's variance in the brightest `FEW`, and where they begin.

    Parameters
    ----------
    plane : numpy.ndarray, dims (pixel,)
        Values of one map.
    noise : float
        Noise variance of a pixel on average; that of the few is taken in proportion to them.

    Returns
    -------
    share : float
        0 to 1; NaN where the map does not vary beyond its noise.
    limit : float
        The least of the few.
    """
    few = max(1, int(FEW * plane.size))
    mean, whole = float(plane.mean()), float(plane.var()) - noise
    # Beyond the scatter of a variance: ``v sqrt(2/N)``, three times (Fisher 1950).
    if not whole > 3 * noise * np.sqrt(2 / plane.size) or mean <= 0:
        return float("nan"), float("inf")
    limit = float(np.partition(plane, plane.size - few)[plane.size - few])
    bright = plane[plane > limit]
    own = (bright - mean) ** 2 - noise * bright / mean
    return float(np.clip(own.sum() / (whole * plane.size), 0.0, 1.0)), limit


def moments_without_few(
    maps: xr.Dataset, moments: BlockMoments
) -> tuple[BlockMoments, dict[str, float]] | None:
    """Return block moments without the pixels that own a map's variance, and what they own.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set in memory.
    moments : BlockMoments
        Moments of all its pixels.

    Returns
    -------
    moments : BlockMoments
    shares : dict of str to float
        Share of the variance that the few own, of the maps of which it is more than `OWNED`.

    Notes
    -----
    None where no map is owned by few, which is the rule and costs one partition a map.
    """
    noise = moments.noise.sum(axis=0).diagonal() / moments.n.sum()
    valid = valid_mask(maps)
    kept = valid.copy()
    shares: dict[str, float] = {}
    for k, element in enumerate(moments.elements):
        if not np.isfinite(noise[k]):
            continue
        plane = np.asarray(maps["counts"].sel(element=element).values)
        share, limit = variance_of_few(plane[valid].astype(np.float64), float(noise[k]))
        if share >= OWNED:
            shares[element] = share
            kept &= plane <= limit
    if not shares or not kept.any():
        return None
    left = block_moments(maps.assign(valid=(("y", "x"), kept)), block_px=moments.block_px)
    return replace(left, inflation=moments.inflation), shares

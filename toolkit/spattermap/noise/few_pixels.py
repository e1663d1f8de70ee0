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
    """Return the share of the material's variance in the brightest `FEW`, and the least of them.

    Dims: `plane` (pixel,). `noise` is the mean variance of a pixel, that of the few in proportion
    to them. The share is NaN where the map does not vary beyond its noise.
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
    """Return block moments without the pixels that own a map's variance, and the share they own.

    Of the maps of which it is more than `OWNED`; None where there are none, which is the rule.
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

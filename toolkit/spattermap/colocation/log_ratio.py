"""Percent maps: parts that sum to a whole, compared by their log-ratios."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from spattermap.autocovariance import bin_sums
from spattermap.counting import noise_variance
from spattermap.errors import InputError
from spattermap.mapset import facts, make_map_set
from spattermap.moments import block_moments

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr

    from spattermap.block_sums import BlockMoments

    Floats = npt.NDArray[np.float64]

PERCENTS = ("mass_percent", "atomic_percent")
# Logarithms of values noisier than this part of themselves are not worth taking: bin first.
MOST_RELATIVE_NOISE = 0.3
# What stands for a part below its detection limit, as a part of that limit
# (Martin-Fernandez, Barcelo-Vidal and Pawlowsky-Glahn 2003).
BELOW_LIMIT = 0.65
# The detection limit of a bin in standard deviations of its noise.
LIMIT_SIGMAS = 3.0


def is_closed(maps: xr.Dataset) -> bool:
    """Return True where the maps are parts of a whole: as some rise, others must fall."""
    return facts(maps).quantity in PERCENTS


def log_ratio_maps(maps: xr.Dataset, *, side_px: int | None = None) -> xr.Dataset:
    """Return centred log-ratios of percent maps on bins, with their noise variance.

    Parameters
    ----------
    maps : xarray.Dataset
        Map set in mass or atomic percent.
    side_px : int, optional
        Side of the bins (px); None takes the smallest at which the noise of the mean part is
        below `MOST_RELATIVE_NOISE` of it.

    Returns
    -------
    xarray.Dataset
        Map set of quantity "intensity" with dims (element, y, x), one pixel a bin: the natural
        log of each part over the geometric mean of all; ``variance`` is that of the log before
        centring. Parts below three standard deviations of their noise stand at 0.65 of that.

    Raises
    ------
    InputError
        If the quantity is not a percent, or fewer than two elements are mapped.

    Notes
    -----
    With D parts the log-ratios still share ``-1/(D - 1)``: for few parts read them with that in
    mind, and for two they say nothing.

    References
    ----------
    Aitchison, The Statistical Analysis of Compositional Data (1986), eq. 4.13 (from memory).
    Martin-Fernandez, Barcelo-Vidal and Pawlowsky-Glahn, Mathematical Geology 35 (2003) 253.
    """
    if not is_closed(maps):
        raise InputError(
            f"quantity must be one of {', '.join(PERCENTS)}, got {facts(maps).quantity!r}. "
            "Log-ratios are for parts of a whole; correlate counts as they are."
        )
    if maps.sizes["element"] < 2:
        raise InputError("maps must hold at least two elements, got one. Map the others too.")
    noise = noise_variance(maps)
    side = side_px or _side(maps, noise)
    parts = bin_sums(maps, side)
    pixels = np.maximum(parts.n, 1)
    value = parts.total / pixels
    spread = bin_sums(maps.assign(counts=noise), side).total / pixels**2
    # Where the noise is not known, the least positive value seen is the limit.
    least = np.array([plane[plane > 0].min(initial=np.inf) for plane in value])
    floor = np.where(np.isfinite(least), least, 1.0)[:, None, None]
    limit = np.where(spread > 0, LIMIT_SIGMAS * np.sqrt(spread), floor)
    low = value < limit
    value = np.where(low, BELOW_LIMIT * limit, value)
    logs = np.log(value)
    return make_map_set(
        logs - logs.mean(axis=0),
        [str(name) for name in maps["element"].values],
        variance=np.where(low, 0.0, spread / value**2),  # d ln x = dx / x
        valid=parts.n > 0,
        quantity="intensity",
    )


def _side(maps: xr.Dataset, noise: xr.DataArray) -> int:
    mean = np.asarray(maps["counts"].mean(("y", "x")).values, dtype=np.float64)
    typical = np.sqrt(np.asarray(noise.mean(("y", "x")).values, dtype=np.float64))
    with np.errstate(divide="ignore", invalid="ignore"):
        wished = typical / (MOST_RELATIVE_NOISE * mean)
    most = max(1, min(maps.sizes["y"], maps.sizes["x"]) // 16)
    # The median element decides: one trace part must not blur the whole field.
    return int(np.clip(np.ceil(np.nanmedian(wished)), 1, most))


def log_ratio_moments(
    maps: xr.Dataset, *, block_px: int, side_px: int | None = None
) -> tuple[BlockMoments, xr.Dataset]:
    """Return block moments of the log-ratios, and the log-ratio maps.

    Parameters
    ----------
    maps : xarray.Dataset
        Map set in mass or atomic percent.
    block_px : int
        Side of the blocks (px of `maps`).
    side_px : int, optional
        Side of the bins (px).

    Returns
    -------
    moments : BlockMoments
        Its noise includes what the centring spreads from each part to all others.
    maps : xarray.Dataset
        As `log_ratio_maps`.
    """
    ratios = log_ratio_maps(maps, side_px=side_px)
    shrink = maps.sizes["x"] / ratios.sizes["x"]
    moments = block_moments(ratios, block_px=max(2, round(block_px / shrink)))
    parts = len(moments.elements)
    centring = np.eye(parts) - 1 / parts
    return replace(moments, noise=centring @ moments.noise @ centring), ratios

"""Autocovariance of element maps: how far apart two pixels must lie to be independent."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from spattermap.errors import InputError
from spattermap.mapset import noise_is_known

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr

    Floats = npt.NDArray[np.float64]

# A lazy mosaic is judged on this much of its middle (px a side), which holds many features.
PROBE_PX = 1024


class Binned(NamedTuple):
    """Maps summed over square bins.

    Parameters
    ----------
    total : numpy.ndarray, dims (element, y, x)
        Sums over the valid pixels of each bin.
    noise : numpy.ndarray, dims (element, y, x)
        Summed noise variance.
    n : numpy.ndarray, dims (y, x)
        Valid pixels.
    side : int
        Side of a bin (px).
    """

    total: Floats
    noise: Floats
    n: Floats
    side: int


def bin_sums(maps: xr.Dataset, side: int) -> Binned:
    """Sum a map set over square bins; a ragged margin of less than one bin is left out.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set, eager or dask-backed.
    side : int
        Side of a bin (px).

    Returns
    -------
    Binned
    """
    height, width = (maps.sizes[axis] // side * side for axis in ("y", "x"))
    cut = maps.isel(y=slice(0, height), x=slice(0, width))
    valid = cut["valid"].data if "valid" in cut else None
    counts = cut["counts"].data
    noise = cut["variance"].data if "variance" in cut else None
    parts = [counts, noise, np.ones((height, width)) if valid is None else valid]
    sums: list[Any] = [
        None if part is None else _binned(part, None if part is parts[2] else valid, side)
        for part in parts
    ]
    if any(hasattr(s, "dask") for s in sums):
        from dask.base import compute

        sums = list(compute(*sums))
    total, spread, n = sums
    if spread is None:
        spread = total if noise_is_known(maps) else np.full_like(total, np.nan)
    return Binned(total, spread, n, side)


def _binned(data: Any, valid: Any, side: int) -> Any:
    if valid is not None:
        data = data * valid
    *front, height, width = data.shape
    shape = (*front, height // side, side, width // side, side)
    return data.reshape(shape).sum(axis=(-3, -1), dtype=np.float64)


def autocovariance(plane: npt.ArrayLike, valid: npt.ArrayLike | None = None) -> Floats:
    """Return the autocovariance of a map at every lag that does not wrap.

    Parameters
    ----------
    plane : array_like, dims (y, x)
        A map.
    valid : array_like of bool, dims (y, x), optional
        Pixels that may be used.

    Returns
    -------
    numpy.ndarray, dims (lag_y, lag_x)
        Mean product of deviations over the pairs of valid pixels at each lag from 0 to the size
        of the map, in the square of its unit; NaN where no pair exists. Only lags with both
        components zero or positive are given.

    Notes
    -----
    Sums of products and numbers of pairs come from zero-padded Fourier transforms, so nothing
    wraps round the edges (Padfield 2012, eqs. 5 to 10, for one map against itself).
    """
    from scipy import fft

    data = np.asarray(plane, dtype=np.float64)
    use = np.ones(data.shape) if valid is None else np.asarray(valid, dtype=np.float64)
    data = (data - (data * use).sum() / use.sum()) * use
    size = [fft.next_fast_len(2 * s, real=True) for s in data.shape]
    sums = fft.irfft2(np.abs(fft.rfft2(data, size)) ** 2, size)
    pairs = np.round(fft.irfft2(np.abs(fft.rfft2(use, size)) ** 2, size))
    height, width = data.shape
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(pairs > 0, sums / pairs, np.nan)[:height, :width])


def correlation_length_px(maps: xr.Dataset | npt.ArrayLike, *, noise: float | None = None) -> float:
    """Return the lag at which the material's autocorrelation has fallen to 1/e.

    Parameters
    ----------
    maps : xarray.Dataset or array_like, dims (y, x)
        A map set, whose elements are pooled in units of their own variance, or one map.
    noise : float, optional
        Noise variance of a single map given as an array (its unit squared); None takes its mean,
        as for counts.

    Returns
    -------
    float
        Length (px); 1 where no map shows material structure.

    Raises
    ------
    InputError
        If an array is not two-dimensional.

    Notes
    -----
    The autocovariance is averaged over the lags along both axes. Noise is independent from pixel
    to pixel and enters lag zero only, so the known noise variance is taken off there.
    """
    if hasattr(maps, "data_vars"):
        probe = _probe(maps)
        n = np.maximum(probe.n, 1)
        use = probe.n > 0
        lags, noises = [], []
        for total, spread in zip(probe.total, probe.noise, strict=True):
            plane = _along_axes(autocovariance(total / n, use))
            if plane[0] > 0:  # in units of its own variance no element outweighs the others
                lags.append(plane / plane[0])
                noises.append(float((spread / n**2)[use].mean()) / plane[0])
        if not lags:
            return 1.0
        pairs = float(use.sum()) * len(lags)
        return max(1.0, probe.side * _reach(np.mean(lags, axis=0), float(np.mean(noises)), pairs))
    data = np.asarray(maps, dtype=np.float64)
    if data.ndim != 2:
        raise InputError(
            f"maps must be a map set or one map (y, x), got shape {data.shape}. Pass one map."
        )
    along = _along_axes(autocovariance(data))
    return max(1.0, _reach(along, float(data.mean()) if noise is None else noise, data.size))


def _along_axes(lags: Floats) -> Floats:
    half = max(2, min(lags.shape) // 2)
    return np.asarray(np.nanmean([lags[:half, 0], lags[0, :half]], axis=0))


def _probe(maps: Any) -> Binned:
    """Return the middle of the map set, binned to a size that is quick to transform."""
    start = {a: max(0, (maps.sizes[a] - PROBE_PX) // 2) for a in ("y", "x")}
    middle = maps.isel({a: slice(s, s + PROBE_PX) for a, s in start.items()})
    side = max(1, min(middle.sizes["y"], middle.sizes["x"]) // 256)
    return bin_sums(middle, side)


def _reach(along: Floats, noise: float, pairs: float) -> float:
    """Return the 1/e lag of an autocovariance, 0 where nothing is beyond the noise."""
    # Where the noise is unknown, lag one stands in for lag zero: it holds no white noise.
    top = along[1] if np.isnan(noise) else along[0] - noise
    # Lag-one covariance of pure noise scatters by variance / sqrt(pairs), here along two axes.
    if top <= 0 or along[1] < 3 * along[0] / np.sqrt(2 * pairs):
        return 0.0
    ratio = along / top
    below = np.flatnonzero(ratio < np.exp(-1))
    if below.size == 0:
        return float(along.size)
    stop = max(int(below[0]), 1)
    high, low = min(ratio[stop - 1], 1.0), ratio[stop]
    return float(stop - 1 + (high - np.exp(-1)) / (high - low)) if high > low else float(stop)

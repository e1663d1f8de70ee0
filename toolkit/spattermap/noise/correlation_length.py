"""Autocovariance of element maps: how far apart two pixels must lie to be independent."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr

from spattermap.core.arrays import Array, Bools, Floats
from spattermap.core.mapset import middle_of, noise_is_known, valid_mask
from spattermap.core.squares import whole_squares

# A mosaic is judged on this much of its middle (px a side) along this many rows and columns:
# both hold many features, and more would cost time without moving the answer.
PROBE_PX = 1024
PROBE_LINES = 96
# Autocorrelation below this counts as none when its reach is summed up.
LEAST_CORRELATION = 0.05
# An element's own autocorrelation is used where its error at each lag is below one in this.
OWN_PROFILE = 20.0


class Binned(NamedTuple):
    """Maps summed over square bins."""

    total: Floats  # (element, y, x): sums over the valid pixels of each bin
    n: Floats  # (y, x): valid pixels
    side: int  # side of a bin (px)


class Correlated(NamedTuple):
    """How the material of a map set is correlated in space."""

    # lag at which the autocorrelation has fallen to 1/e (px); 1 where there is no structure beyond
    # the noise
    length_px: float
    # (lag,): autocorrelation of each element's material at 0, 1, 2, ... px along the axes, ending
    # before it falls below `LEAST_CORRELATION`.
    profiles: tuple[Floats, ...]

    def inflation(self, block_px: int) -> Floats:
        """Return by how much block sums understate each element's variances.

        Returns dims (element,).

        Resampled blocks of side b see correlations within a block and none across its borders,
        a bias of order length/b (Kuensch 1989, theorem 3.3). The autocorrelation is taken as
        isotropic. Not to be trusted where structure reaches across the whole field.

        Kuensch, Annals of Statistics 17 (1989) 1217.
        """
        return np.array([_inflation(profile, block_px) for profile in self.profiles])


def _inflation(profile: Floats, block_px: int) -> float:
    reach = len(profile) - 1
    if reach < 1:
        return 1.0
    lag = np.arange(-reach, reach + 1)
    radius = np.hypot(lag[:, None], lag[None, :])
    rho = np.interp(radius, np.arange(reach + 1), profile, right=0.0)
    inside = np.maximum(1 - np.abs(lag) / block_px, 0)
    return float(rho.sum() / (rho * inside[:, None] * inside[None, :]).sum())


def bin_sums(maps: xr.Dataset, side: int) -> Binned:
    """Sum a map set over square bins; a ragged margin of less than one bin is left out."""
    height, width = (maps.sizes[axis] // side * side for axis in ("y", "x"))
    cut = maps.isel(y=slice(0, height), x=slice(0, width))
    if "valid" in cut:
        valid = cut["valid"].data
        sums = [whole_squares(cut["counts"].data * valid, side), whole_squares(valid, side)]
    else:
        full = np.full((height // side, width // side), float(side * side))
        sums = [whole_squares(cut["counts"].data, side), full]
    if any(hasattr(part, "dask") for part in sums):
        from dask.base import compute

        sums = list(compute(*sums))
    return Binned(sums[0], sums[1], side)


def structure_of(maps: xr.Dataset) -> Correlated:
    """Return how the material of a map set is correlated in space.

    The autocovariance along rows and along columns is pooled over the elements in units of each
    one's variance. Noise is independent from pixel to pixel and enters lag zero only, where the
    known noise variance is taken off; where it is unknown, lag one stands in for lag zero.
    """
    middle = middle_of(maps, PROBE_PX)
    counts = np.asarray(middle["counts"].values)
    use = valid_mask(middle)
    carried = np.asarray(middle["variance"].values) if "variance" in middle else counts
    known = noise_is_known(maps)
    found = [
        _along_axes(plane, use, variance) for plane, variance in zip(counts, carried, strict=True)
    ]
    # In units of its own variance no element outweighs the others.
    scaled = [
        (along / along[0], noise / along[0] if known else np.nan, size)
        for along, noise, size in found
        if along[0] > 0
    ]
    if not scaled:
        return Correlated(1.0, (np.ones(1),) * len(found))
    lags, noises, sizes = zip(*scaled, strict=True)
    length, whole = _reach(np.mean(lags, axis=0), float(np.mean(noises)), sum(sizes))
    profiles = [
        _own_profile(along, noise if known else np.nan, size, whole) for along, noise, size in found
    ]
    return Correlated(length, tuple(profiles))


def _own_profile(along: Floats, noise: float, pairs: float, pooled: Floats) -> Floats:
    """Return an element's own autocorrelation, or the pooled one where noise blurs it."""
    top = along[1] if np.isnan(noise) else along[0] - noise
    if not top > OWN_PROFILE * along[0] / np.sqrt(pairs):
        return pooled
    return _reach(along, noise, pairs)[1]


def _along_axes(plane: Array, use: Bools, variance: Array) -> tuple[Floats, float, float]:
    """Return the mean autocovariance along x and y, the mean noise variance, and the pixels."""
    half = max(2, min(plane.shape) // 2)
    sets = [
        [np.asarray(part[:: max(1, part.shape[0] // PROBE_LINES)], dtype=np.float64) for part in of]
        for of in ((plane, use, variance), (plane.T, use.T, variance.T))
    ]
    pixels = sum(float(kept.sum()) for _, kept, _ in sets)
    if not pixels:
        return np.zeros(half), 0.0, 0.0
    mean = sum(float((lines * kept).sum()) for lines, kept, _ in sets) / pixels
    noise = sum(float((spread * kept).sum()) for _, kept, spread in sets) / pixels
    sums = sum(_line_products((lines - mean) * kept, half) for lines, kept, _ in sets)
    if use.all():
        pairs = sum(
            len(kept) * np.maximum(kept.shape[1] - np.arange(half), 0.0) for _, kept, _ in sets
        )
    else:
        pairs = np.round(sum(_line_products(kept, half) for _, kept, _ in sets))
    return np.asarray(sums / np.maximum(pairs, 1)), noise, pixels


def _line_products(lines: Floats, half: int) -> Floats:
    """Return the summed products at each lag within lines, without wrapping."""
    from scipy import fft

    size = fft.next_fast_len(lines.shape[1] + half, real=True)
    spectrum = fft.rfft(lines, size, axis=1)
    power = (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
    products = np.zeros(half)
    found = fft.irfft(power, size)[: min(half, lines.shape[1])]
    products[: found.size] = found
    return products


def _reach(along: Floats, noise: float, pairs: float) -> tuple[float, Floats]:
    """Return the 1/e lag and the autocorrelation of the material from its autocovariance."""
    top = along[1] if np.isnan(noise) else along[0] - noise
    # Lag-one covariance of pure noise scatters by variance / sqrt(pairs).
    if top <= 0 or along[1] < 3 * along[0] / np.sqrt(pairs):
        return 1.0, np.ones(1)
    rho = along / top
    rho[0] = 1.0
    low = np.flatnonzero(rho < LEAST_CORRELATION)
    profile = np.minimum(rho[: low[0] if low.size else rho.size], 1.0)
    below = np.flatnonzero(rho < np.exp(-1))
    if below.size == 0:
        return float(along.size), profile
    stop = int(below[0])
    high = min(rho[stop - 1], 1.0)
    return max(1.0, float(stop - 1 + (high - np.exp(-1)) / (high - rho[stop]))), profile

"""Size, blur and strength of the structure, read off its noise-free autocovariance.

White noise enters the autocovariance at lag zero only, so every other lag shows the material
alone. Separate discs give a covariance that falls as a straight line from lag zero; the blur rounds
that tip, and the distance at which the fall ends tells the diameter.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

Floats = npt.NDArray[np.float64]

_DIAMETERS = np.geomspace(3.0, 120.0, 34)
_TWICE = 6  # steps of the grid that double a diameter
_BLURS = np.arange(0.0, 4.01, 0.25)
_SPREAD = 1.35  # geometric standard deviation of the diameters in the model; of little influence
_LARGEST_LAG = 48
_TOLD = 6.0  # standard errors above which a covariance is taken at its word
_SIDE = 2048  # tile; larger fields are read in tiles of this side


@dataclass(frozen=True)
class Structure:
    """What the autocovariance tells.

    Parameters
    ----------
    diameter : float
        Typical (area-weighted) diameter (px).
    blur : float
        Standard deviation of the blur (px).
    variance : float
        Variance of the unblurred metal fraction that discs of this size would give if they lay
        independently.
    crowding : float
        Variance missing from it because droplets keep their distance (zero or negative), with
        the spectrum of discs twice as large.
    strength : float
        Standard deviations by which the covariance, weighted by the model's, exceeds noise.
    """

    diameter: float
    blur: float
    variance: float
    crowding: float = 0.0
    strength: float = np.inf

    def spectrum(self, k: Floats) -> Floats:
        """Return the power spectrum of the unblurred metal fraction at angular frequency k."""
        alone = self.variance * disc_spectrum(k, self.diameter)
        crowd = self.crowding * disc_spectrum(k, 2 * self.diameter)
        # However crowded, some variation is left at every scale.
        return np.asarray(np.maximum(alone + crowd, 0.05 * alone))


def autocovariance(raw: Array, valid: Mask) -> tuple[Floats, Floats, Floats]:
    """Return lags (px), covariance and number of pairs at every whole offset.

    Parameters
    ----------
    raw : numpy.ndarray, dims (y, x)
        Unsmoothed metal fraction.
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels to use.

    Returns
    -------
    lags, covariance, pairs : numpy.ndarray
        Without lag zero, ordered by lag.
    """
    from scipy import fft

    reach = min(_LARGEST_LAG, min(raw.shape) // 3)
    level = np.float32(raw[valid].mean(dtype=np.float64))
    products = np.zeros((2 * reach + 1, reach + 1))
    pairs = np.zeros_like(products)
    for top in range(0, raw.shape[0], _SIDE):
        for left in range(0, raw.shape[1], _SIDE):
            cut = (slice(top, top + _SIDE), slice(left, left + _SIDE))
            used = valid[cut].astype(np.float32)
            part = np.where(valid[cut], raw[cut] - level, np.float32(0))
            size = [fft.next_fast_len(n + reach, real=True) for n in part.shape]
            for tally, picture in ((products, part), (pairs, used)):
                c = fft.irfft2(np.abs(fft.rfft2(picture, size)) ** 2, size)
                tally[:reach] += c[-reach:, : reach + 1]
                tally[reach:] += c[: reach + 1, : reach + 1]
    dy, dx = np.mgrid[-reach : reach + 1, 0 : reach + 1]
    lag = np.hypot(dy, dx)
    # Half the plane holds everything; on the line dx = 0 only one of the two signs is kept.
    kept = (lag > 0) & (lag <= reach) & ~((dx == 0) & (dy < 0)) & (pairs > 0.5)
    order = np.argsort(lag[kept], kind="stable")
    n = np.maximum(pairs[kept][order], 1.0)
    return lag[kept][order], products[kept][order] / n, n


def fit_structure(raw: Array, valid: Mask, *, noise: float) -> Structure | None:
    """Fit diameter and blur of a random set of blurred discs to the autocovariance.

    Parameters
    ----------
    raw : numpy.ndarray, dims (y, x)
        Unsmoothed metal fraction.
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels to use.
    noise : float
        Noise variance of one pixel of `raw`.

    Returns
    -------
    Structure or None
        None where no positive covariance was found.

    Notes
    -----
    Covariogram of discs, ``(2 acos(x) - 2 x sqrt(1 - x^2)) / pi`` with x the lag over the
    diameter (Matheron), averaged over a lognormal of diameters by area and convolved with the
    blur of both points; amplitude and offset are linear, diameter and blur searched on a grid.
    """
    lag, covariance, pairs = autocovariance(raw, valid)
    first = _first(lag, covariance, pairs, noise)
    if not first > 0:
        return None
    used = lag <= _reach(lag, covariance, pairs, first=first, noise=noise)
    lag, covariance, pairs = lag[used], covariance[used], pairs[used]
    # Noise of a lag product, and a floor for what the model of discs leaves out.
    error = np.sqrt((noise + first) ** 2 / pairs + (0.01 * first) ** 2)
    weight = 1 / error**2
    best, found = np.inf, None
    table = _covariograms()
    grid = np.arange(table.shape[-1])
    for i, diameter in enumerate(_DIAMETERS):
        for j, blur in enumerate(_BLURS):
            shape = np.interp(lag, grid, table[i, j])
            hole = np.interp(lag, grid, table[min(i + _TWICE, _DIAMETERS.size - 1), j])
            parts, misfit, fitted = _scaled(np.stack([shape, hole]), covariance, weight)
            # A prior of little weight: about one pixel of blur is common, three are rare.
            misfit += 0.5 * ((blur - 1.0) / 1.0) ** 2
            if parts[0] > 0 and misfit < best:
                best, found = misfit, Structure(
                    float(diameter), float(blur), *parts,
                    strength=_strength(fitted, covariance, pairs, noise),
                )  # fmt: skip
    return found


def _first(lag: Floats, covariance: Floats, pairs: Floats, noise: float) -> float:
    """Return the covariance at short lags, as short as the noise allows."""
    first = 0.0
    for short in (1.5, 3.0, 6.0, 12.0, 24.0):
        near = lag < short
        first = float(covariance[near].mean())
        if first > _TOLD * noise / float(np.sqrt(pairs[near].sum())):
            break
    return first


def _reach(lag: Floats, covariance: Floats, pairs: Floats, *, first: float, noise: float) -> float:
    """Return the lag to which the model is fitted: a little beyond the end of the fall."""
    if _TOLD * noise / np.sqrt(pairs[lag < 1.5].sum()) > first:
        return float(lag[-1])  # all lags, and their weights decide
    if noise / np.sqrt(pairs.mean()) > 0.05 * first:  # single lags say too little: rings of them
        ring = np.rint(lag).astype(np.int64)
        covariance = np.bincount(ring, pairs * covariance) / np.maximum(np.bincount(ring, pairs), 1)
        lag = np.arange(covariance.size, dtype=np.float64)
        covariance[0] = first
    fallen = lag[covariance < 0.15 * first]
    return max(6.0, 1.1 * float(fallen[0])) if fallen.size else float(lag[-1])


def _strength(fitted: Floats, covariance: Floats, pairs: Floats, noise: float) -> float:
    """Return the matched sum of the covariance over its standard deviation without structure.

    Products of white noise at different lags are uncorrelated, each mean of n having the variance
    ``noise^2 / n``; the weights are the fitted covariance itself.
    """
    matched = float(np.sum(pairs * fitted * covariance))
    return matched / (noise * float(np.sqrt(np.sum(pairs * fitted**2))) + 1e-300)


def _scaled(
    shapes: Floats, covariance: Floats, weight: Floats
) -> tuple[tuple[float, float], float, Floats]:
    """Return the shapes' amplitudes, the chi-square of their best sum, and that sum.

    The second shape, twice as wide, may only be subtracted: droplets keep their distance.
    """
    for n_shapes in (2, 1):
        design = np.stack([np.ones_like(covariance), *shapes[:n_shapes]])
        normal = (design * weight) @ design.T
        normal[np.diag_indices_from(normal)] *= 1 + 1e-9
        part = np.linalg.solve(normal, (design * weight) @ covariance)
        if n_shapes == 1 or part[2] <= 0:
            break
    fitted = part @ design
    rest = covariance - fitted
    crowding = float(part[2]) if n_shapes == 2 else 0.0
    return (float(part[1]), crowding), float(weight @ rest**2), fitted


@lru_cache(maxsize=1)
def _covariograms() -> Floats:
    """Return the model covariance, dims (diameter, blur, whole lag), 1 at zero unblurred."""
    from scipy.special import j0

    # To the corner of the frequency plane: what pixels cannot show is left out, as in the data.
    k = np.linspace(0, np.pi * np.sqrt(2), 2048)
    lags = np.arange(_LARGEST_LAG + 2)
    hankel = j0(np.outer(lags, k)) * k * k[1] / (2 * np.pi)
    fades = np.exp(-(np.outer(_BLURS, k) ** 2))
    return np.stack([(disc_spectrum(k, d) * fades) @ hankel.T for d in _DIAMETERS])


def disc_spectrum(k: Floats, diameter: float) -> Floats:
    """Return the power spectrum of a random set of discs, for unit variance.

    Parameters
    ----------
    k : numpy.ndarray
        Angular frequency (rad/px).
    diameter : float
        Area-weighted median diameter (px).

    Returns
    -------
    numpy.ndarray
        Integrates to about one over the frequency plane.
    """
    from scipy.special import j1

    z = np.linspace(-2, 2, 9)
    share = np.exp(-0.5 * z**2)
    nodes = np.linspace(1e-4, float(k.max()) + 1e-3, 2048)
    total = np.zeros_like(nodes)
    for zi, part in zip(z, share / share.sum(), strict=True):
        r = diameter / 2 * _SPREAD**zi
        total += part * np.pi * r**2 * (2 * j1(nodes * r) / (nodes * r)) ** 2
    return np.asarray(np.interp(k, nodes, total))

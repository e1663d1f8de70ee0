"""Resampled blocks: weights, intervals that few blocks need, and numbers as text for people."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from spattermap.core.arrays import Floats


@lru_cache(maxsize=4)  # one analysis asks for the same ones many times
def bootstrap_weights(n_blocks: int, n_resamples: int, seed: int) -> Floats:
    """Return block weights: a first row of ones, then resamples with replacement.

    Returns dims (1 + resample, block); read only.

    Efron & Tibshirani, An Introduction to the Bootstrap (1993), section 8.6 (blocks).
    """
    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(n_blocks, np.full(n_blocks, 1.0 / n_blocks), size=n_resamples)
    weights = np.concatenate([np.ones((1, n_blocks)), drawn.astype(np.float64)])
    weights.flags.writeable = False
    return weights


def interval(
    draws: Floats, centre: float, *, level: float, n_blocks: int, inflation: float = 1.0
) -> tuple[float, float]:
    """Return the percentile interval of resampled values, widened as few blocks need.

    Dims: `draws` (resample,).

    Resampling B blocks gives a spread too small by ``sqrt((B-1)/B)`` and normal tails where
    Student's with B-1 degrees of freedom belong: the percentiles are moved out by both.

    Hesterberg, American Statistician 69 (2015) 371, section 5.3.
    """
    from scipy import stats

    blocks = max(n_blocks, 2)
    tail = 0.5 + level / 2
    reach = float(stats.t.ppf(tail, blocks - 1) / stats.norm.ppf(tail))
    reach *= float(np.sqrt(inflation * blocks / (blocks - 1)))
    low, high = np.quantile(draws, [1.0 - tail, tail])
    return centre + reach * (float(low) - centre), centre + reach * (float(high) - centre)


def figures(value: float | None, *, significant: int = 3) -> str:
    """Return a number with a few significant figures and no exponent where it reads well.

    Parameters
    ----------
    value : float
        Any number.
    significant : int, optional
        Figures to keep.

    Returns
    -------
    str

    Examples
    --------
    >>> figures(3.14159), figures(0.001234), figures(123456.0), figures(1.2e-12)
    ('3.14', '0.00123', '123456', '1.20e-12')
    """
    if value is None or not math.isfinite(value):
        return "–"
    if value == 0:
        return "0"
    decimals = max(0, significant - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}" if decimals <= 9 else f"{value:.{significant - 1}e}"


# Lengths below this are told in nm.
LEAST_TOLD_UM = 0.1


def length(
    value: float, unit: str, bounds: tuple[float, float] | None = None, *, significant: int = 3
) -> str:
    """Return a length as people say it: nm below 0.1 um, never with an exponent.

    Parameters
    ----------
    value : float
        The length.
    unit : {"um", "px"}
        Its unit.
    bounds : tuple of float, optional
        Interval, told in parentheses where it is known.
    significant : int, optional
        Figures to keep.

    Returns
    -------
    str

    Examples
    --------
    >>> length(0.00376, "um"), length(157.3, "um", significant=2), length(4.0, "px", (3.5, 4.5))
    ('3.76 nm', '157 µm', '4.00 (3.50 to 4.50) px')
    """
    small = unit == "um" and 0 < abs(value) < LEAST_TOLD_UM
    shown, name = (1e3, "nm") if small else (1.0, "µm" if unit == "um" else unit)
    text = figures(shown * value, significant=significant)
    if bounds is not None and all(math.isfinite(one) for one in bounds):
        low, high = (figures(shown * one, significant=significant) for one in bounds)
        text += f" ({low} to {high})"
    return f"{text} {name}"

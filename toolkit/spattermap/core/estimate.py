"""Resampled blocks: weights, intervals that few blocks need, and numbers as text for people."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtrit

from spattermap.core.arrays import Floats


@dataclass(frozen=True)
class Estimate:
    """A value with its interval."""

    value: float
    low: float
    high: float

    @property
    def known(self) -> bool:
        """True where there is a value."""
        return bool(np.isfinite(self.value))

    @property
    def width(self) -> float:
        """Width of the interval; infinite where there is none."""
        width = self.high - self.low
        return width if np.isfinite(width) else float("inf")

    def disagrees(self, other: Estimate, *, far: float) -> bool:
        """Say whether the two cannot be one: their intervals part, and they lie `far` apart."""
        if not (self.known and other.known):
            return False
        parted = self.high < other.low or other.high < self.low
        return parted and abs(self.value - other.value) > far

    def within(self, least: float, most: float, *, level: float) -> Estimate:
        """Return the same value with an interval that allows for bounds of what is not random.

        Each bound is taken as the end of a rectangular distribution, whose standard deviation is
        its half width over the root of 3, and added in quadrature to the scatter of the counts.

        JCGM 100:2008 (Guide to the expression of uncertainty in measurement), 4.3.7 and 5.1.2.
        """
        if not (self.known and np.isfinite([least, most]).all()):
            return self
        wide = float(ndtri(0.5 + level / 2) / np.sqrt(3.0))
        down = np.hypot(self.value - self.low, wide * max(self.value - least, 0.0))
        up = np.hypot(self.high - self.value, wide * max(most - self.value, 0.0))
        return Estimate(self.value, float(self.value - down), float(self.value + up))


UNKNOWN = Estimate(float("nan"), float("nan"), float("nan"))


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
    blocks = max(n_blocks, 2)
    tail = 0.5 + level / 2
    reach = float(stdtrit(blocks - 1, tail) / ndtri(tail))
    reach *= float(np.sqrt(inflation * blocks / (blocks - 1)))
    low, high = np.quantile(draws, [1.0 - tail, tail])
    return centre + reach * (float(low) - centre), centre + reach * (float(high) - centre)


def middle_and_scatter(values: npt.NDArray[np.floating]) -> tuple[float, float]:
    """Return the median, and the standard deviation that the median deviation stands for."""
    middle = np.median(values)
    return float(middle), 1.4826 * float(np.median(np.abs(values - middle)))


def figures(value: float | None, *, significant: int = 3) -> str:
    """Return a number with a few significant figures and no exponent where it reads well.

    >>> figures(3.14159), figures(0.001234), figures(123456.0), figures(1.2e-12)
    ('3.14', '0.00123', '123456', '1.20e-12')
    """
    if value is None or not math.isfinite(value):
        return "–"
    if value == 0:
        return "0"
    decimals = max(0, significant - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}" if decimals <= 9 else f"{value:.{significant - 1}e}"


def span(low: float, high: float, show: Callable[[float], str] = figures) -> str:
    """Return "a to b", the sign of percent said once."""
    return f"{show(low).removesuffix(' %')} to {show(high)}"


def bounded(
    value: float, low: float | None, high: float | None, show: Callable[[float], str] = figures
) -> str:
    """Return "a (b to c)", the value alone where a bound is missing or both read as the value does.

    >>> bounded(4, 3.5, 4.5), bounded(4, float("nan"), 4.5), bounded(4, 3.999, 4.001)
    ('4.00 (3.50 to 4.50)', '4.00', '4.00')
    """
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return show(value)
    if show(low) == show(value) == show(high):  # as of streaks where none was found
        return show(value)
    return f"{show(value)} ({span(low, high, show)})"


# Lengths below this are told in nm.
LEAST_TOLD_UM = 0.1


def length(
    value: float, unit: str, bounds: tuple[float, float] | None = None, *, significant: int = 3
) -> str:
    """Return a length in `unit` ("um" or "px") as people say it: nm below 0.1 um, no exponent.

    >>> length(0.00376, "um"), length(157.3, "um", significant=2), length(4.0, "px", (3.5, 4.5))
    ('3.76 nm', '157 µm', '4.00 (3.50 to 4.50) px')
    """
    small = unit == "um" and 0 < abs(value) < LEAST_TOLD_UM
    shown, name = (1e3, "nm") if small else (1.0, "µm" if unit == "um" else unit)
    low, high = bounds or (math.nan, math.nan)
    text = bounded(value, low, high, lambda v: figures(shown * v, significant=significant))
    return f"{text} {name}"

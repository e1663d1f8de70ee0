"""Intervals from resampled blocks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


def expanded_level(level: float, n_blocks: int) -> float:
    """Return the level at which percentiles of few blocks cover what they should.

    Parameters
    ----------
    level : float
        Wished confidence level, 0 to 1.
    n_blocks : int
        Number of resampled blocks.

    Returns
    -------
    float
        A larger level.

    Notes
    -----
    Resampling B blocks gives a spread too small by sqrt((B-1)/B), and normal tails where
    Student's with B-1 degrees of freedom belong; both are mended in the percentile's level.

    References
    ----------
    Hesterberg, American Statistician 69 (2015) 371, section 5.3 (expanded percentile interval).
    """
    from scipy import stats

    blocks = max(n_blocks, 2)
    reach = stats.t.ppf(0.5 + level / 2, blocks - 1) * np.sqrt(blocks / (blocks - 1))
    return float(2 * stats.norm.cdf(reach) - 1)


def bounds(draws: Floats, *, level: float, n_blocks: int) -> tuple[Floats, Floats]:
    """Return the expanded percentile interval of resampled values.

    Parameters
    ----------
    draws : numpy.ndarray, dims (resample, ...)
        Resampled values; infinite ones are allowed.
    level : float
        Confidence level, 0 to 1.
    n_blocks : int
        Number of resampled blocks.

    Returns
    -------
    low, high : numpy.ndarray
    """
    wide = expanded_level(level, n_blocks)
    # "lower"/"higher" never average two draws, so infinite draws stay infinite.
    low = np.quantile(draws, 0.5 - wide / 2, axis=0, method="lower")
    high = np.quantile(draws, 0.5 + wide / 2, axis=0, method="higher")
    return np.asarray(low), np.asarray(high)

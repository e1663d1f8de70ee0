"""Resampled blocks: weights, and intervals that few blocks need."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.arrays import Floats

if TYPE_CHECKING:
    pass


def bootstrap_weights(n_blocks: int, n_resamples: int, seed: int) -> Floats:
    """Return block weights: a first row of ones, then resamples with replacement.

    Returns dims (1 + resample, block).

    Efron & Tibshirani, An Introduction to the Bootstrap (1993), section 8.6 (blocks).
    """
    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(n_blocks, np.full(n_blocks, 1.0 / n_blocks), size=n_resamples)
    return np.concatenate([np.ones((1, n_blocks)), drawn.astype(np.float64)])


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

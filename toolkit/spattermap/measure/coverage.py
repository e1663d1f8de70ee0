"""Coverage: the area fraction of metal, with an interval that takes pixels as dependent.

Coverage over several fields, and how many fields are enough.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import stdtrit

from spattermap.core.arrays import Floats
from spattermap.core.errors import InputError, image_2d
from spattermap.core.squares import all_squares
from spattermap.noise.counting import wilson_interval

# Fields wider than this are averaged in blocks before the correlation is taken; the sum of the
# covariance, which is all that is used, does not change by it.
LARGEST_SIDE = 384
SHIFTS = (-2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0)  # of the log odds, in `threshold_sensitivity`


@dataclass(frozen=True)
class Coverage:
    """An area fraction with its interval."""

    value: float  # area fraction (0 to 1)
    # bounds of the interval
    low: float
    high: float
    standard_error: float  # standard error of `value`
    range_px: float  # distance up to which pixels are correlated (px)
    independent_areas: float  # number of independent pixels that would carry the same information
    level: float  # confidence level
    # False where the structure is too coarse for the field: the interval is then too narrow, and
    # more fields must be mapped
    trusted: bool


def coverage_interval(
    metal: npt.ArrayLike,
    *,
    valid: npt.ArrayLike | None = None,
    level: float = 0.95,
    grain_px: float = 1.0,
) -> Coverage:
    """Return the area fraction of one field with an interval from its two-point covariance.

    Dims: `metal` (y, x), `valid` (y, x).

    The variance of the mean of a stationary field is the sum of its covariance over all lags,
    ``v = sum N(h) C(h) / N^2``, with ``N(h)`` the number of pixel pairs at lag ``h``. The sum
    runs to the range at which the ring-averaged covariance reaches zero. Subtracting the mean of
    the same field lowers every ``C(h)`` by about ``v``, which is put back. The interval is
    Wilson's for ``p (1 - p) / v`` independent trials, so it stays within 0 and 1. It describes
    the deposit only as far as the field does: a gradient across the deposit needs more fields.

    C. Lantuejoul, Ergodicity and integral range, J. Microsc. 161 (1991) 387. E. B.
    Wilson, J. Am. Stat. Assoc. 22 (1927) 209, eq. 2.
    """
    picture = image_2d(metal, "metal").astype(bool)
    use = np.ones(picture.shape, bool) if valid is None else image_2d(valid, "valid").astype(bool)
    if use.shape != picture.shape or not use.any():
        raise InputError(
            f"valid must have the shape of metal {picture.shape} and at least one True pixel, "
            f"got shape {use.shape} with {int(use.sum())} True. Pass the mask of the same field."
        )
    step = int(np.ceil(max(picture.shape) / LARGEST_SIDE))
    n = all_squares(use.astype(np.float64), step)
    on = all_squares((picture & use).astype(np.float64), step)
    return coverage_of_blocks(n, on, step=step, level=level, grain_px=grain_px)


def coverage_of_blocks(
    n: Floats, on: Floats, *, step: int, level: float = 0.95, grain_px: float = 1.0
) -> Coverage:
    """Return the coverage of a field of which the sums over squares are known.

    Dims: `n, on` (y, x).
    """
    total = float(n.sum())
    value = float(on.sum()) / total
    if not np.isfinite(grain_px):
        # No feature of any size could have been seen: whatever was found bounds nothing.
        return Coverage(value, 0.0, 1.0, 0.0, 0.0, 0.0, level, trusted=False)
    if value in (0.0, 1.0):
        n_grains = max(1.0, total / max(1.0, np.pi / 4 * grain_px**2))
        low, high = map(float, wilson_interval(value * n_grains, n_grains, level))
        return Coverage(value, low, high, 0.0, 0.0, n_grains, level, trusted=True)
    variance, reach, trusted = _variance_of_mean(n, on - value * n, value, step)
    n_independent = min(total, value * (1 - value) / variance)
    low, high = map(float, wilson_interval(value * n_independent, n_independent, level))
    return Coverage(
        value, low, high, float(np.sqrt(variance)), reach, n_independent, level, trusted
    )


def with_doubt(found: Coverage, low: float, high: float) -> Coverage:
    """Return a coverage whose interval also holds `low` to `high`, the true area over that found.

    Distances of the bounds from the value are added in quadrature: the two doubts are independent.
    """
    below = np.hypot(found.value - found.low, found.value * (1 - low))
    above = np.hypot(found.high - found.value, found.value * (high - 1))
    return replace(
        found, low=max(0.0, float(found.value - below)), high=min(1.0, float(found.value + above))
    )


def _variance_of_mean(
    weight: Floats, excess: Floats, value: float, step: int
) -> tuple[float, float, bool]:
    """Return the variance of the mean, the range (px), and whether the field is large enough."""
    pairs = _correlate(weight)
    sums = _correlate(excess)
    lag_y = np.fft.fftfreq(pairs.shape[0]) * pairs.shape[0]
    lag_x = np.fft.fftfreq(pairs.shape[1]) * pairs.shape[1]
    distance = np.hypot(lag_y[:, None], lag_x[None, :])
    side = min(weight.shape)
    rings = np.minimum(distance + 0.5, side).astype(int)
    ring_sums = np.bincount(rings.ravel(), sums.ravel())
    ring_pairs = np.bincount(rings.ravel(), pairs.ravel())
    covariance = ring_sums / np.maximum(ring_pairs, 1)
    below = np.flatnonzero(covariance[:-1] <= 0)
    reach = int(below[0]) if len(below) else side - 1
    # Structure wider than a third of the field cannot be told from a gradient across it.
    trusted = reach <= side / 3
    reach = max(1, min(reach, side // 2))
    within = distance <= reach
    total = weight.sum()
    share = pairs[within].sum() / total**2
    variance = sums[within].sum() / total**2 / max(1 - share, 0.2)
    independent = value * (1 - value) / total
    return max(float(variance), independent), float(reach * step), trusted


def _correlate(values: Floats) -> Floats:
    """Return the sum of products at every lag, without wrapping round the field's edges."""
    from scipy import fft

    shape = tuple(fft.next_fast_len(2 * n - 1, real=True) for n in values.shape)
    spectrum = fft.rfft2(values, s=shape)
    product: Floats = fft.irfft2(np.abs(spectrum) ** 2, s=shape)
    return product


def threshold_sensitivity(
    log_odds: npt.ArrayLike, *, valid: npt.ArrayLike | None = None
) -> pd.DataFrame:
    """Return how the coverage moves when the decision between metal and bare is shifted.

    Dims: `log_odds` (y, x), `valid` (y, x).
    """
    odds = image_2d(log_odds, "log_odds")
    if valid is not None:
        odds = odds[image_2d(valid, "valid").astype(bool)]
    return sensitivity_table([float((odds > shift).mean()) for shift in SHIFTS])


def sensitivity_table(coverage: Sequence[float]) -> pd.DataFrame:
    """Return the coverage at each of `SHIFTS`, as `threshold_sensitivity` gives it."""
    return pd.DataFrame({"log_odds": SHIFTS, "odds": np.exp(SHIFTS), "coverage": coverage})


def t_multiplier(n_fields: int, *, level: float = 0.95) -> float:
    """Return Student's t for the interval of the mean of `n_fields` values."""
    return float(stdtrit(n_fields - 1, 0.5 + level / 2))


def fields_needed(
    mean: float, standard_deviation: float, *, relative_accuracy: float, level: float = 0.95
) -> int:
    """Return how many fields bring the interval of the mean to a relative accuracy."""
    if mean <= 0 or relative_accuracy <= 0:
        raise InputError(
            "mean and relative_accuracy must be positive numbers, "
            f"got {mean!r} and {relative_accuracy!r}. A bare field has no relative accuracy."
        )
    wanted = relative_accuracy / 100 * mean
    n = 2
    while t_multiplier(n, level=level) * standard_deviation / np.sqrt(n) > wanted and n < 10**7:
        step = (t_multiplier(n, level=level) * standard_deviation / wanted) ** 2
        # t falls with n, so the estimate from a smaller n can overshoot: approach from below.
        n = max(n + 1, int(min(step, 1.5 * n)))
    return n

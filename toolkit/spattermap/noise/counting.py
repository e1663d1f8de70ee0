"""Counting statistics on plain numbers: the interval of a proportion, the detection limit."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from spattermap.core.arrays import Floats
from spattermap.core.errors import InputError, positive

# One-sided 95 %, the risk both of a false alarm and of a miss (Currie 1968).
_K = 1.644854


def wilson_interval(
    k: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95
) -> tuple[Floats, Floats]:
    """Return the score interval (0 to 1) of a binomial proportion, k of n independent trials.

    Neither need be whole: neighbouring pixels are not independent, pass an effective number.
    Wilson, J. Am. Stat. Assoc. 22 (1927) 209, eq. 2; tabulated by Newcombe, Statist. Med. 17 (1998)
    857.

    >>> low, high = wilson_interval(81, 263)
    >>> round(float(low), 4), round(float(high), 4)
    (0.2553, 0.3662)
    """
    counted, total = np.asarray(k, dtype=np.float64), np.asarray(n, dtype=np.float64)
    if not np.all((total > 0) & (counted >= 0) & (counted <= total)):
        raise InputError(f"k must be between 0 and n, got k = {k!r}, n = {n!r}. Swap them?")
    if positive(level, "level") >= 1:
        raise InputError(f"level must be below 1 (a fraction), got {level!r}. Write 0.95 for 95 %.")
    z2 = ndtri((1 + level) / 2) ** 2
    share = counted / total
    middle = share + z2 / (2 * total)
    half = np.sqrt(z2 * (share * (1 - share) + z2 / (4 * total)) / total)
    scale = 1 + z2 / total
    low = np.where(counted == 0, 0.0, (middle - half) / scale)
    return low, np.where(counted == total, 1.0, (middle + half) / scale)


class CurrieLimits(NamedTuple):
    """The two limits of a net count: what is significant, and what is found reliably."""

    critical: Floats
    detection: Floats


def currie_limits(variance: npt.ArrayLike, *, gain: float = 1.0) -> CurrieLimits:
    """Return what net count is significant at 95 %, and what true signal is found in 95 of 100.

    `variance` is that of the net count without a signal: the background B where that is known, 2 B
    where it was counted as long as the signal. ``L_C = k sqrt(variance)``, ``L_D = k^2 gain + 2
    L_C`` with `gain` the noise variance of one unit of signal, for counts many enough for the
    normal law: Currie, Anal. Chem. 40 (1968) 586, eqs 11 to 15, table I.

    >>> critical, detection = currie_limits(2 * 100.0)
    >>> round(float(critical), 4), round(float(detection), 4)
    (23.2617, 49.229)
    """
    critical = _K * np.sqrt(np.asarray(variance, dtype=np.float64))
    return CurrieLimits(critical, _K**2 * gain + 2 * critical)

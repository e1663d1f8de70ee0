"""Counting statistics on plain arrays: intervals, limits, significances.

The noise that a map set carries is told by `noise_model`, `noise_variance` and `without_gain`, of
`spattermap.noise.noise_models`, which are at home here too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from spattermap.core.errors import InputError, one_of, positive
from spattermap.noise.noise_models import NoiseModel, noise_model, noise_variance, without_gain

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = [
    "CurrieLimits",
    "NoiseModel",
    "currie_limits",
    "noise_model",
    "noise_variance",
    "poisson_interval",
    "wilson_interval",
    "without_gain",
]

Floats = np.ndarray[Any, np.dtype[np.float64]]


def _level(level: float) -> float:
    value = positive(level, "level")
    if value >= 1:
        raise InputError(f"level must be below 1 (a fraction), got {value!r}. Write 0.95 for 95 %.")
    return value


def _counted(k: npt.ArrayLike, name: str) -> Floats:
    counted = np.asarray(k, dtype=np.float64)
    if not np.all(np.isfinite(counted)) or np.any(counted < 0):
        raise InputError(f"{name} must be zero or more, got {k!r}. Pass counts, not differences.")
    return counted


def poisson_interval(k: npt.ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Return the exact central interval of a Poisson mean.

    Parameters
    ----------
    k : array_like
        Counted events.
    level : float, optional
        Confidence level (0 to 1); each tail gets half of the rest.

    Returns
    -------
    low, high : numpy.ndarray, shape of `k`
        Bounds in counts.

    Raises
    ------
    InputError
        If a count is negative or the level not between 0 and 1.

    Notes
    -----
    Never covers less than `level`, at small counts more (the counts are whole numbers). Not for
    net counts: a difference of counts is not Poisson.

    References
    ----------
    Garwood, Biometrika 28 (1936) 437.

    Examples
    --------
    >>> low, high = poisson_interval(0)
    >>> float(low), round(float(high), 4)
    (0.0, 3.6889)
    """
    from scipy import stats

    counted, tail = _counted(k, "k"), (1 - _level(level)) / 2
    # Garwood (1936): chi-square quantiles with 2k and 2k + 2 degrees of freedom.
    low = np.where(counted > 0, stats.chi2.ppf(tail, 2 * np.maximum(counted, 1e-300)) / 2, 0.0)
    return low, np.asarray(stats.chi2.ppf(1 - tail, 2 * counted + 2) / 2)


def _of_n(k: npt.ArrayLike, n: npt.ArrayLike) -> tuple[Floats, Floats]:
    counted, total = _counted(k, "k"), _counted(n, "n")
    if np.any(total <= 0) or np.any(counted > total):
        raise InputError(f"k must be between 0 and n, got k = {k!r}, n = {n!r}. Swap them?")
    return counted, total


def wilson_interval(
    k: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95
) -> tuple[Floats, Floats]:
    """Return the score interval of a binomial proportion.

    Parameters
    ----------
    k, n : array_like
        Successes, and independent trials. Neighbouring pixels are not independent: pass an
        effective number, or use a spatial interval.
    level : float, optional
        Confidence level (0 to 1).

    Returns
    -------
    low, high : numpy.ndarray
        Bounds of the proportion (0 to 1).

    Raises
    ------
    InputError
        If k is not between 0 and n, or the level not between 0 and 1.

    References
    ----------
    Wilson, J. Am. Stat. Assoc. 22 (1927) 209, eq. 2; tabulated by Newcombe, Statist. Med. 17
    (1998) 857.

    Examples
    --------
    >>> low, high = wilson_interval(81, 263)
    >>> round(float(low), 4), round(float(high), 4)
    (0.2553, 0.3662)
    """
    from scipy import stats

    counted, total = _of_n(k, n)
    z2 = stats.norm.ppf((1 + _level(level)) / 2) ** 2
    share = counted / total
    middle = share + z2 / (2 * total)
    half = np.sqrt(z2 * (share * (1 - share) + z2 / (4 * total)) / total)
    scale = 1 + z2 / total
    low = np.where(counted == 0, 0.0, (middle - half) / scale)
    return low, np.where(counted == total, 1.0, (middle + half) / scale)


class CurrieLimits(NamedTuple):
    """The two limits of a net count, in counts."""

    critical: Floats
    detection: Floats


def currie_limits(
    background: npt.ArrayLike,
    *,
    alpha: float = 0.05,
    beta: float = 0.05,
    blank: str = "paired",
) -> CurrieLimits:
    """Return what net count is significant, and what true signal is found reliably.

    Parameters
    ----------
    background : array_like
        Expected background counts B in the same pixels and time.
    alpha, beta : float, optional
        Risk of a false alarm, and of missing a signal at the detection limit (0 to 0.5).
    blank : {"paired", "known"}, optional
        "paired": the background is subtracted from a measurement as long as the signal's.
        "known": it is known without noise.

    Returns
    -------
    CurrieLimits
        `critical` L_C and `detection` L_D in net counts.

    Raises
    ------
    InputError
        If a value is out of range.

    Notes
    -----
    ``L_C = k_a sqrt(w B)``, ``L_D = L_C + k_b^2/2 + k_b sqrt(k_b^2/4 + L_C + w B)`` with w = 2
    for a paired blank and 1 for a known one; with equal risks ``L_D = k^2 + 2 L_C``. Assumes that
    counts are many enough for the normal law; below about 5 background counts use
    `poisson_interval`.

    References
    ----------
    Currie, Anal. Chem. 40 (1968) 586, eqs 11 to 15.

    Examples
    --------
    >>> critical, detection = currie_limits(100.0)
    >>> round(float(critical), 4), round(float(detection), 4)
    (23.2617, 49.229)
    """
    from scipy import stats

    counted = _counted(background, "background")
    for name, risk in (("alpha", alpha), ("beta", beta)):
        if not 0 < risk < 0.5:
            raise InputError(f"{name} must be between 0 and 0.5, got {risk!r}. Use 0.05.")
    one_of(blank, "blank", ("paired", "known"))
    spread = (2.0 if blank == "paired" else 1.0) * counted
    ka, kb = float(stats.norm.isf(alpha)), float(stats.norm.isf(beta))
    critical = ka * np.sqrt(spread)
    # Currie (1968): the signal's own noise adds to the background's; solve the quadratic.
    detection = critical + kb**2 / 2 + kb * np.sqrt(kb**2 / 4 + critical + spread)
    return CurrieLimits(critical, detection)

"""Haze: metal signal outside droplets and streaks."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from spattermap.segmentation.likelihood import Array, Mask


def measure(
    raw: Array, outside: Mask, *, zero: float, zero_error: float, level: float, block: int = 16
) -> dict[str, float]:
    """Return the mean metal fraction of the bare area, above a zero, with its interval.

    Parameters
    ----------
    raw : numpy.ndarray, dims (y, x)
        Unsmoothed metal fraction.
    outside : numpy.ndarray of bool, dims (y, x)
        Pixels clear of droplets, streaks and their blurred edges.
    zero, zero_error : float
        Metal fraction of bare substrate and its standard error.
    level : float
        Confidence level.
    block : int, optional
        Side (px) of the blocks whose scatter gives the standard error, because the haze itself
        varies from place to place.

    Returns
    -------
    dict
        ``fraction``, ``fraction_low``, ``fraction_high``, ``n_pixels``; empty without bare area.
    """
    from scipy import stats

    sums, counts = _block_sums(raw, outside, block)
    used = counts > 0
    n = int(counts.sum())
    if n == 0:
        return {}
    mean = float(sums.sum() / n)
    k = int(np.count_nonzero(used))
    rest = sums[used] - mean * counts[used]
    error = float(np.sqrt(np.sum(rest**2) * k / max(1, k - 1))) / n if k > 1 else float("inf")
    reach = float(stats.t.ppf(0.5 + level / 2, max(1, k - 1))) * float(np.hypot(error, zero_error))
    value = mean - zero
    return {
        "fraction": value,
        "fraction_low": value - reach,
        "fraction_high": value + reach,
        "n_pixels": float(n),
    }


def _block_sums(
    raw: Array, outside: Mask, block: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    rows, columns = np.arange(0, raw.shape[0], block), np.arange(0, raw.shape[1], block)

    def add(picture: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
        by_row = np.add.reduceat(picture.astype(np.float64), rows, axis=0)
        return np.asarray(np.add.reduceat(by_row, columns, axis=1)).ravel()

    return add(np.where(outside, raw, np.float32(0))), add(outside)

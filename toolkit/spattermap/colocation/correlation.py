"""Correlation of the material, not of the noise, for every pair of elements."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from spattermap.colocation.intervals import bounds
from spattermap.settings import Settings

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd
    import xarray as xr

    from spattermap.moments import BlockMoments, Totals
    from spattermap.roles import Roles

    Floats = npt.NDArray[np.float64]


class Correlation(NamedTuple):
    """A noise-corrected correlation.

    Parameters
    ----------
    r : float
        NaN where it is undefined.
    r_low, r_high : float
        Interval; -1 to 1 where the maps do not bound it.
    r_plain : float
        Pearson's correlation of the maps as they are, noise and all.
    note : str
        Why `r` is undefined or poorly known; empty otherwise.
    """

    r: float
    r_low: float
    r_high: float
    r_plain: float
    note: str = ""


def correlation_of(mean_covariance: Floats, i: int, j: int) -> Floats:
    """Return ``C_ij / sqrt(C_ii C_jj)`` of stacked covariances, infinite where undefined.

    A resample in which a corrected variance is not positive counts as plus or minus infinity by
    the sign of its covariance: with that the percentiles are those of the test of
    ``C_ij = rho sqrt(C_ii C_jj)`` (Fieller's argument), and the interval opens up to -1 or 1 as
    the material's variance ceases to be established.
    """
    top = mean_covariance[..., i, j]
    below = np.maximum(mean_covariance[..., i, i], 0) * np.maximum(mean_covariance[..., j, j], 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(below > 0, top / np.sqrt(below), np.sign(top) * np.inf))


def noise_corrected_correlation(
    moments: BlockMoments,
    a: str | tuple[str, ...],
    b: str | tuple[str, ...],
    *,
    settings: Settings | None = None,
) -> Correlation:
    """Correlate two elements, or sums of elements, free of noise.

    Parameters
    ----------
    moments : BlockMoments
        Block moments of a map set.
    a, b : str or tuple of str
        An element, or elements whose maps are added.
    settings : Settings, optional
        Level, resamples and seed.

    Returns
    -------
    Correlation

    Notes
    -----
    ``r = C_ab / sqrt(C_aa C_bb)`` with the noise variance taken off the diagonal
    (Spearman 1904 with a known noise variance). Where the two share an element, or their noise is
    correlated, the noise covariance is taken off ``C_ab`` too.

    References
    ----------
    Spearman, American Journal of Psychology 15 (1904) 72, correction for attenuation.
    """
    chosen = settings or Settings()
    groups = [(g,) if isinstance(g, str) else tuple(g) for g in (a, b)]
    totals = moments.combine(groups)
    weights = moments.resample_weights(chosen.n_resamples, chosen.seed)
    return _correlation(totals, weights, moments, chosen)


def _correlation(
    totals: Totals, weights: Floats, moments: BlockMoments, settings: Settings
) -> Correlation:
    plain = totals._replace(noise=np.zeros_like(totals.noise))
    once = np.ones((1, moments.n_blocks))
    r_plain = float(_finite(correlation_of(plain.resampled(once)[1], 0, 1))[0])
    _, covariance = totals.resampled(once)
    r = float(correlation_of(covariance, 0, 1)[0])
    names = ("the first signal", "the second signal")
    note = variance_note(covariance[0], (0, 1), names)
    if np.isnan(totals.noise).any():
        return Correlation(np.nan, np.nan, np.nan, r_plain, NOISE_UNKNOWN)
    draws = correlation_of(totals.resampled(weights)[1], 0, 1)
    low, high = bounds(draws, level=settings.level, n_blocks=moments.n_blocks)
    return Correlation(
        float(_finite(np.array(r))),
        float(np.clip(low, -1, 1)),
        float(np.clip(high, -1, 1)),
        r_plain,
        note,
    )


NOISE_UNKNOWN = "the noise of these maps is unknown, so its effect cannot be taken off"


def _finite(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, np.nan)


def variance_note(covariance: Floats, which: tuple[int, ...], names: tuple[str, ...]) -> str:
    """Return a sentence for signals whose material variance is not positive."""
    flat = [name for i, name in zip(which, names, strict=True) if not covariance[i, i] > 0]
    if not flat:
        return ""
    return f"no variation of {' and '.join(flat)} beyond the noise"


def pair_table(
    moments: BlockMoments,
    *,
    maps: xr.Dataset | None = None,  # noqa: ARG001 (the spatial null will read it)
    roles: Roles | None = None,
    settings: Settings | None = None,
) -> pd.DataFrame:
    """Return the co-location of every pair of elements.

    Parameters
    ----------
    moments : BlockMoments
        Block moments of the map set.
    maps : xarray.Dataset, optional
        The map set itself.
    roles : Roles, optional
        Puts alloy elements first, then substrate, then others.
    settings : Settings, optional
        Level, resamples and seed.

    Returns
    -------
    pandas.DataFrame
        One row a pair: element_a, element_b, r, r_low, r_high, r_plain, p_value, overlap_a_in_b,
        overlap_b_in_a, note. `overlap_a_in_b` is the part of the signal of a that follows b, from
        0 to 1.
    """
    import pandas as pd

    chosen = settings or Settings()
    order = _ordered(moments.elements, roles)
    index = [moments.index(e) for e in order]
    totals = moments.totals()
    weights = moments.resample_weights(chosen.n_resamples, chosen.seed)
    once = np.ones((1, moments.n_blocks))
    mean, covariance = totals.resampled(once)
    plain = totals._replace(noise=np.zeros_like(totals.noise)).resampled(once)[1]
    draws = totals.resampled(weights)[1]
    rows = []
    for i, j in combinations(index, 2):
        names = (moments.elements[i], moments.elements[j])
        known = not np.isnan(covariance[0, [i, j], [i, j]]).any()
        low, high = bounds(
            correlation_of(draws, i, j), level=chosen.level, n_blocks=moments.n_blocks
        )
        rows.append(
            {
                "element_a": names[0],
                "element_b": names[1],
                "r": float(_finite(correlation_of(covariance, i, j))[0]) if known else np.nan,
                "r_low": float(np.clip(low, -1, 1)) if known else np.nan,
                "r_high": float(np.clip(high, -1, 1)) if known else np.nan,
                "r_plain": float(_finite(correlation_of(plain, i, j))[0]),
                "p_value": _block_p_value(totals, i, j),
                "overlap_a_in_b": _overlap(mean[0], covariance[0], i, j),
                "overlap_b_in_a": _overlap(mean[0], covariance[0], j, i),
                "note": variance_note(covariance[0], (i, j), names) if known else NOISE_UNKNOWN,
            }
        )
    return pd.DataFrame(rows, columns=PAIR_COLUMNS)


PAIR_COLUMNS = [
    "element_a",
    "element_b",
    "r",
    "r_low",
    "r_high",
    "r_plain",
    "p_value",
    "overlap_a_in_b",
    "overlap_b_in_a",
    "note",
]


def _ordered(elements: tuple[str, ...], roles: Roles | None) -> list[str]:
    if roles is None:
        return list(elements)
    rank = {"alloy": 0, "substrate": 1, "other": 2}
    return sorted(elements, key=lambda e: (rank[roles.of(e)], elements.index(e)))


def _overlap(mean: Floats, covariance: Floats, i: int, j: int) -> float:
    """Return the part of signal i that follows signal j, kept between 0 and 1."""
    if not covariance[j, j] > 0 or not mean[i] > 0:
        return float("nan")
    return float(np.clip(covariance[i, j] / covariance[j, j] * mean[j] / mean[i], 0, 1))


def _block_p_value(totals: Totals, i: int, j: int) -> float:
    """Return the p-value of zero covariance from the spread of the blocks' contributions."""
    from scipy import stats

    means = totals.s1.sum(axis=0) / totals.n.sum()
    away = totals.s1 - totals.n[:, None] * means
    parts = totals.comoment[:, i, j] + away[:, i] * away[:, j] / totals.n
    spread = float(np.sqrt((parts**2).sum()))
    if spread == 0:
        return 1.0
    return float(2 * stats.t.sf(abs(parts.sum()) / spread, max(totals.n.size - 1, 1)))

"""Correlation of the material, not of the noise."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from spattermap.colocation.intervals import FIELDS_DISAGREE, Estimate, Resampling

if TYPE_CHECKING:
    import numpy.typing as npt

    from spattermap.block_sums import BlockMoments, Totals
    from spattermap.settings import Settings

    Floats = npt.NDArray[np.float64]

NOISE_UNKNOWN = "the noise of these maps is not known, so its effect cannot be taken off"
ONE_IN_A_HUNDRED = 2.326  # of the normal distribution, one-sided
TOO_FEW_BLOCKS = "the field is too small for an interval"
FIELDS_NOTE = "the fields disagree beyond chance"


class Correlation(NamedTuple):
    """A noise-corrected correlation.

    Parameters
    ----------
    r : float
        Kept within -1 to 1, which noise may overstep; NaN where it is undefined.
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


def correlations(covariance: Floats, i: npt.ArrayLike, j: npt.ArrayLike) -> Floats:
    """Return ``C_ij / sqrt(C_ii C_jj)`` of stacked covariances, infinite where undefined.

    Parameters
    ----------
    covariance : numpy.ndarray, dims (row, signal, signal)
        Covariances.
    i, j : array_like of int, dims (pair,)
        Which signals.

    Returns
    -------
    numpy.ndarray, dims (row, pair)

    Notes
    -----
    A resample in which a corrected variance is not positive counts as plus or minus infinity by
    the sign of its covariance. The percentiles are then those of testing
    ``C_ij = rho sqrt(C_ii C_jj)`` for each rho (Fieller's argument), and the interval opens up to
    -1 or 1 as the material's variance ceases to be established.
    """
    rows, columns = np.atleast_1d(i), np.atleast_1d(j)
    top = covariance[:, rows, columns]
    below = np.maximum(covariance[:, rows, rows], 0) * np.maximum(
        covariance[:, columns, columns], 0
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(below > 0, top / np.sqrt(below), np.copysign(np.inf, top)))


def without_noise(totals: Totals) -> Totals:
    """Return the same sums with nothing to take off."""
    return totals._replace(noise=np.zeros_like(totals.noise))


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
    ``r = C_ab / sqrt(C_aa C_bb)`` with the noise variance taken off the diagonal (Spearman 1904
    with a known noise variance). Where the two share an element, or their noise is correlated,
    the noise covariance is taken off ``C_ab`` too.

    References
    ----------
    Spearman, American Journal of Psychology 15 (1904) 72, correction for attenuation.
    """
    groups = [(g,) if isinstance(g, str) else tuple(g) for g in (a, b)]
    resampling = Resampling(moments, settings)
    totals = resampling.moments.combine(groups)
    plain = without_noise(totals).resampled(resampling.once)[1]
    r_plain = float(finite(correlations(plain, 0, 1))[0, 0])
    if np.isnan(totals.noise).any():
        return Correlation(np.nan, np.nan, np.nan, r_plain, NOISE_UNKNOWN)
    found = resampling.estimate(
        lambda w: correlations(totals.resampled(w)[1], 0, 1),
        elements=[moments.index(e) for group in groups for e in group],
        correlation=True,
    )
    names = ("+".join(groups[0]), "+".join(groups[1]))
    notes = [variation_note(*variance_floor(totals), (0, 1), names)]
    if found.p_fields[0] < FIELDS_DISAGREE:
        notes.append(FIELDS_NOTE)
    if not resampling.enough:
        notes.append(TOO_FEW_BLOCKS)
    low, high = clipped(found)
    return Correlation(
        float(np.clip(finite(found.value)[0], -1, 1)), float(low[0]), float(high[0]), r_plain,
        "; ".join(note for note in notes if note),
    )  # fmt: skip


def finite(values: Floats) -> Floats:
    """Return the values with NaN in place of infinity."""
    return np.where(np.isfinite(values), values, np.nan)


def clipped(found: Estimate) -> tuple[Floats, Floats]:
    """Return the interval of correlations within -1 to 1, and all of it where undefined."""
    defined = np.isfinite(found.value) | np.isnan(found.low)
    low = np.where(defined, np.clip(found.low, -1, 1), -1.0)
    high = np.where(defined, np.clip(found.high, -1, 1), 1.0)
    return low, high


def variance_floor(totals: Totals) -> tuple[Floats, Floats]:
    """Return the material's variance of each signal, and what noise alone would seldom exceed.

    Parameters
    ----------
    totals : Totals
        Block sums.

    Returns
    -------
    variance, floor : numpy.ndarray, dims (signal,)
        Noise alone exceeds the floor once in a hundred maps.

    Notes
    -----
    Over N pixels of equal noise variance v the excess of the sample variance over v scatters by
    ``v sqrt(2/N)`` (for counts exactly so: the index-of-dispersion test, Fisher 1950).
    """
    once = np.ones((1, totals.n.size))
    variance = totals.resampled(once)[1][0].diagonal()
    size = totals.n.sum()
    noise = totals.noise.sum(axis=0).diagonal() / size
    return variance, ONE_IN_A_HUNDRED * noise * np.sqrt(2 / size)


def variation_note(
    variance: Floats, floor: Floats, which: tuple[int, int], names: tuple[str, str]
) -> str:
    """Return a sentence on signals whose material hardly varies; empty where both do.

    Parameters
    ----------
    variance, floor : numpy.ndarray, dims (signal,)
        Variance of the material and what noise alone would seldom exceed.
    which : tuple of int
        The two signals.
    names : tuple of str
        What to call them.

    Returns
    -------
    str
    """
    flat = [n for i, n in zip(which, names, strict=True) if not variance[i] > 0]
    if flat:
        return f"undefined: no variation of {' and '.join(flat)} beyond the noise"
    faint = [n for i, n in zip(which, names, strict=True) if variance[i] <= floor[i]]
    if faint:
        return f"variation of {' and '.join(faint)} is not established beyond the noise"
    return ""

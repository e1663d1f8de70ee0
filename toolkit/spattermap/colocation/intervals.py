"""Estimates with intervals from resampled blocks, within one field or several."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from spattermap.settings import Settings

if TYPE_CHECKING:
    import numpy.typing as npt

    from spattermap.block_sums import BlockMoments

    Floats = npt.NDArray[np.float64]
    Statistic = Callable[[Floats], Floats]

# Fewer blocks than this say nothing on how much their sums scatter.
LEAST_BLOCKS = 3
MOST_RESAMPLED = 4096
# The z scale is continued by its tangent from here on, because a noise-corrected correlation
# scatters beyond 1.
_KNEE = 0.95
# Fields disagree where chance alone would part them so far less often than this.
FIELDS_DISAGREE = 0.01


class Estimate(NamedTuple):
    """Values with their intervals.

    Parameters
    ----------
    value, low, high : numpy.ndarray, dims (statistic,)
        The value is infinite where it is undefined.
    p_fields : numpy.ndarray, dims (statistic,)
        p-value of "all fields show the same value"; NaN for a single field.
    """

    value: Floats
    low: Floats
    high: Floats
    p_fields: Floats


def stretched(r: Floats) -> Floats:
    """Return Fisher's z of a correlation, continued by its tangent beyond `_KNEE`."""
    inside = np.clip(r, -_KNEE, _KNEE)
    return np.asarray(np.arctanh(inside) + (r - inside) / (1 - _KNEE**2))


def shrunk(z: Floats) -> Floats:
    """Return the correlation of a stretched value."""
    edge = np.arctanh(_KNEE)
    inside = np.clip(z, -edge, edge)
    return np.asarray(np.tanh(inside) + (z - inside) * (1 - _KNEE**2))


class Resampling:
    """The resampled blocks of one analysis.

    Parameters
    ----------
    moments : BlockMoments
        Block moments.
    settings : Settings, optional
        Level, resamples and seed.
    """

    def __init__(self, moments: BlockMoments, settings: Settings | None = None) -> None:
        # More blocks narrow no interval, and their resamples would fill the memory.
        self.moments = moments.coarsened(MOST_RESAMPLED)
        self.settings = settings or Settings()

    @cached_property
    def weights(self) -> Floats:
        """How often each resample draws each block (resample, block)."""
        return self.moments.resample_weights(self.settings.n_resamples, self.settings.seed)

    @property
    def once(self) -> Floats:
        """Every block once (1, block): the estimate itself."""
        return np.ones((1, self.moments.n_blocks))

    @property
    def enough(self) -> bool:
        """True where the blocks suffice for an interval."""
        return self.moments.n_blocks >= self.moments.n_fields + LEAST_BLOCKS - 1

    def estimate(
        self, statistic: Statistic, *, elements: npt.ArrayLike, correlation: bool = False
    ) -> Estimate:
        """Return a statistic of the block sums with its interval.

        Parameters
        ----------
        statistic : callable
            Takes block weights (row, block), returns values (row, statistic); plus or minus
            infinity where it is undefined, by the side to which it tends.
        elements : array_like of int, dims (statistic, any) or (any,)
            The elements each statistic is made of, whose reach in space tells how far block
            sums understate its scatter.
        correlation : bool, optional
            True for correlations, whose intervals are formed on Fisher's z scale.

        Returns
        -------
        Estimate

        Notes
        -----
        The percentiles of the resampled values are moved away from the estimate by the factors
        that few blocks need: ``sqrt(B/(B-1)) t/z`` (Hesterberg 2015), the covariance across block
        borders (`Structure.inflation`), and the spread between fields (DerSimonian and Laird 1986
        with Satterthwaite's degrees of freedom).

        References
        ----------
        Hesterberg, American Statistician 69 (2015) 371, section 5.3.
        DerSimonian and Laird, Controlled Clinical Trials 7 (1986) 177, eqs. 8 and 9.
        """
        forward = stretched if correlation else np.asarray
        with np.errstate(invalid="ignore"):
            value = statistic(self.once)[0]
            unknown = np.full(value.shape, np.nan)
            if not self.enough:
                return Estimate(value, unknown, unknown, unknown)
            draws = forward(statistic(self.weights))
            centre = forward(value)
            inflation = self.moments.inflation[np.asarray(elements)].mean(axis=-1)
            inflation = np.broadcast_to(inflation, value.shape)
            reach, p_fields = self._reach(statistic, forward, inflation)
            tail = 0.5 - self.settings.level / 2
            # Picking draws, never averaging two, keeps infinite ones infinite.
            order = np.sort(draws, axis=0)
            last = len(draws) - 1
            ends = [order[int(np.floor(tail * last))], order[int(np.ceil((1 - tail) * last))]]
            moved = [np.where(np.isfinite(e), centre + reach * (e - centre), e) for e in ends]
            low, high = (
                np.where(np.isfinite(centre), m, e) for m, e in zip(moved, ends, strict=True)
            )
        back = shrunk if correlation else np.asarray
        return Estimate(value, back(low), back(high), p_fields)

    def _reach(
        self, statistic: Statistic, forward: Callable[[Floats], Floats], inflation: Floats
    ) -> tuple[Floats, Floats]:
        """Return how far percentiles move out, and the p-value of agreement between fields."""
        from scipy import stats

        m, half = self.moments, 0.5 + self.settings.level / 2
        freedom = np.full(inflation.shape, float(m.n_blocks - m.n_fields))
        widening = inflation * m.n_blocks / (m.n_blocks - m.n_fields)
        p_fields = np.full(inflation.shape, np.nan)
        if m.n_fields > 1:
            within, between, p_fields = self._between_fields(statistic, forward, inflation)
            widening = widening * (within + between) / within
            # Satterthwaite (1946), in parts of the whole: squares of the variances may overflow.
            inside, outside = within / (within + between), between / (within + between)
            freedom = 1.0 / (inside**2 / freedom + outside**2 / (m.n_fields - 1))
        return np.sqrt(widening) * stats.t.ppf(half, freedom) / stats.norm.ppf(half), p_fields

    def _between_fields(
        self, statistic: Statistic, forward: Callable[[Floats], Floats], inflation: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Return the variances of the mean over fields within and between them, and p."""
        from scipy import stats

        values, variances = [], []
        for f in range(self.moments.n_fields):
            here = (self.moments.field == f).astype(np.float64)
            value = forward(statistic(here[None, :])[0])
            left_out = here - np.eye(here.size)[here > 0]
            # One field's own blocks left out in turn: the jackknife (Tukey 1958).
            away = forward(statistic(left_out)) - value
            away = np.where(np.isfinite(away), away, np.nan)
            blocks = here.sum()
            variance = (blocks - 1) / blocks * np.nansum(away**2, axis=0) * inflation
            usable = np.isfinite(value) & (variance > 0)
            values.append(np.where(usable, value, 0.0))
            variances.append(np.where(usable, variance, np.inf))
        value, weight = np.array(values), 1 / np.array(variances)
        total = np.maximum(weight.sum(axis=0), 1e-300)
        count = np.maximum((weight > 0).sum(axis=0), 1)
        q = (weight * (value - (weight * value).sum(axis=0) / total) ** 2).sum(axis=0)
        scale = np.maximum(total - (weight**2).sum(axis=0) / total, 1e-300)
        between = np.where(count > 1, np.maximum(q - (count - 1), 0) / scale / count, 0.0)
        p = np.where(count > 1, stats.chi2.sf(q, np.maximum(count - 1, 1)), np.nan)
        return 1 / total, between, p

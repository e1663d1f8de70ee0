"""Estimates with intervals from resampled blocks, within one field or several.

Correlation of the material, not of the noise.

p-values of many pairs at once.

Roles of the elements where nobody stated them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.special import chdtrc, ndtri, stdtrit

from spattermap.core.arrays import Floats
from spattermap.core.errors import one_of
from spattermap.core.mapset import GLASS_FORMERS, Roles
from spattermap.core.settings import Settings

if TYPE_CHECKING:
    import numpy.typing as npt

    from spattermap.noise.moments import BlockMoments, Totals

    Statistic = Callable[[Floats], Floats]


NOISE_UNKNOWN = "the noise of these maps is not known, so its effect cannot be taken off"
ONE_IN_A_HUNDRED = 2.326  # of the normal distribution, one-sided
TOO_FEW_BLOCKS = "the field is too small for an interval"
FIELDS_NOTE = "the fields disagree beyond chance"


class Correlation(NamedTuple):
    """A noise-corrected correlation."""

    r: float  # kept within -1 to 1, which noise may overstep; NaN where it is undefined
    # interval; -1 to 1 where the maps do not bound it
    r_low: float
    r_high: float
    r_plain: float  # pearson's correlation of the maps as they are, noise and all
    note: str = ""  # why `r` is undefined or poorly known; empty otherwise


def correlations(covariance: Floats, i: npt.ArrayLike, j: npt.ArrayLike) -> Floats:
    """Return ``C_ij / sqrt(C_ii C_jj)`` of stacked covariances, infinite where undefined.

    Dims: `covariance` (row, signal, signal), `i, j` (pair,); returns (row, pair).

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

    ``r = C_ab / sqrt(C_aa C_bb)`` with the noise variance taken off the diagonal (Spearman 1904
    with a known noise variance). Where the two share an element, or their noise is correlated,
    the noise covariance is taken off ``C_ab`` too.

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


def clipped(found: Estimates) -> tuple[Floats, Floats]:
    """Return the interval of correlations within -1 to 1, and all of it where undefined."""
    defined = np.isfinite(found.value) | np.isnan(found.low)
    low = np.where(defined, np.clip(found.low, -1, 1), -1.0)
    high = np.where(defined, np.clip(found.high, -1, 1), 1.0)
    return low, high


def variance_floor(totals: Totals) -> tuple[Floats, Floats]:
    """Return the material's variance of each signal, and what noise alone would seldom exceed.

    Returns dims (signal,).

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

    Dims: `variance, floor` (signal,).
    """
    flat = [n for i, n in zip(which, names, strict=True) if not variance[i] > 0]
    if flat:
        return f"undefined: no variation of {' and '.join(flat)} beyond the noise"
    faint = [n for i, n in zip(which, names, strict=True) if variance[i] <= floor[i]]
    if faint:
        return f"variation of {' and '.join(faint)} is not established beyond the noise"
    return ""


# Fewer blocks than this say nothing on how much their sums scatter.
LEAST_BLOCKS = 3
MOST_RESAMPLED = 4096
# The z scale is continued by its tangent from here on, because a noise-corrected correlation
# scatters beyond 1.
_KNEE = 0.95
# Fields disagree where chance alone would part them so far less often than this.
FIELDS_DISAGREE = 0.01


class Estimates(NamedTuple):
    """Values with their intervals."""

    # the value is infinite where it is undefined; dims (statistic,)
    value: Floats
    low: Floats
    high: Floats
    # p-value of "all fields show the same value"; NaN for a single field; dims (statistic,)
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
    """The resampled blocks of one analysis."""

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
    ) -> Estimates:
        """Return a statistic of the block sums with its interval.

        Dims: `elements` (statistic, any).

        The percentiles of the resampled values are moved away from the estimate by the factors
        that few blocks need: ``sqrt(B/(B-1)) t/z`` (Hesterberg 2015), the covariance across block
        borders (`Structure.inflation`), and the spread between fields (DerSimonian and Laird 1986
        with Satterthwaite's degrees of freedom).

        Hesterberg, American Statistician 69 (2015) 371, section 5.3. DerSimonian and Laird,
        Controlled Clinical Trials 7 (1986) 177, eqs. 8 and 9.
        """
        forward = stretched if correlation else np.asarray
        with np.errstate(invalid="ignore"):
            value = statistic(self.once)[0]
            unknown = np.full(value.shape, np.nan)
            if not self.enough:
                return Estimates(value, unknown, unknown, unknown)
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
        return Estimates(value, back(low), back(high), p_fields)

    def _reach(
        self, statistic: Statistic, forward: Callable[[Floats], Floats], inflation: Floats
    ) -> tuple[Floats, Floats]:
        """Return how far percentiles move out, and the p-value of agreement between fields."""
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
        return np.sqrt(widening) * stdtrit(freedom, half) / ndtri(half), p_fields

    def _between_fields(
        self, statistic: Statistic, forward: Callable[[Floats], Floats], inflation: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Return the variances of the mean over fields within and between them, and p."""
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
        p = np.where(count > 1, chdtrc(np.maximum(count - 1, 1), q), np.nan)
        return 1 / total, between, p


def adjusted(p_values: npt.ArrayLike, *, method: str = "holm") -> Floats:
    """Return p-values corrected for their number.

    Parameters
    ----------
    p_values : array_like, dims (test,)
        p-values; NaN stays NaN and is not counted.
    method : {"holm", "benjamini-hochberg"}
        Holm bounds the chance of any false claim; Benjamini and Hochberg bound the expected part
        of false claims among those made.

    Returns
    -------
    numpy.ndarray, dims (test,)

    Raises
    ------
    InputError
        If the method is unknown.

    References
    ----------
    Holm, Scandinavian Journal of Statistics 6 (1979) 65.
    Benjamini and Hochberg, Journal of the Royal Statistical Society B 57 (1995) 289.

    Examples
    --------
    >>> adjusted([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    one_of(method, "method", ("holm", "benjamini-hochberg"))
    p = np.asarray(p_values, dtype=np.float64)
    result = np.full(p.shape, np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    order = tested[np.argsort(p[tested], kind="stable")]
    count = order.size
    rank = np.arange(count)
    if method == "holm":
        stepped = np.maximum.accumulate(p[order] * (count - rank))
    else:
        stepped = np.minimum.accumulate((p[order] * count / (rank + 1))[::-1])[::-1]
    result[order] = np.minimum(stepped, 1.0)
    return result


# Elements less correlated than this with the rest of the leading component stay "other".
LEAST_CORRELATION = 0.3


def infer_roles(moments: BlockMoments, *, substrate: tuple[str, ...] | None = None) -> Roles:
    """Guess which elements are alloy and which substrate from the sign of how they vary together.

    Metal hides the substrate, so the two rise and fall against each other. The leading
    eigenvector of the noise-corrected correlation matrix parts the elements by sign; the side
    holding more of the usual glass formers is called the substrate. A rock, or two metals that
    exclude each other, would be parted just so: hence "assumed".
    """
    glass = tuple(substrate or GLASS_FORMERS)
    said = "the stated substrate" if substrate else "the usual glass formers"
    sides, leads = _sides(moments)
    strong = np.abs(sides) >= LEAST_CORRELATION
    former = np.array([e in glass for e in moments.elements])
    if not leads or not strong.any():
        return _by_glass_formers(moments.elements, former, said)
    tally = float((sides * former * strong).sum())
    substrate_side = 1.0 if tally > 0 else -1.0
    in_substrate = strong & (np.sign(sides) == substrate_side) if tally else np.zeros_like(strong)
    in_alloy = strong & ~in_substrate & ~former
    if not in_alloy.any():
        return _by_glass_formers(moments.elements, former, said)
    in_substrate &= former
    return _roles(
        moments.elements,
        in_alloy,
        in_substrate,
        f"assumed from the maps: elements that rise and fall against {said}",
    )


def _sides(moments: BlockMoments) -> tuple[np.ndarray, bool]:
    """Return each element's correlation with the rest of the leading component."""
    totals = moments.totals()
    if np.isnan(totals.noise).any():
        totals = without_noise(totals)
    _, floor = variance_floor(totals)
    covariance = totals.resampled(np.ones((1, moments.n_blocks)))[1][0]
    plain = moments.covariance(corrected=False).diagonal()
    variance = covariance.diagonal()
    varies = variance > np.maximum(floor, 0)
    scale = np.where(varies, np.sqrt(np.maximum(variance, 1e-300)), np.inf)
    r = np.clip(covariance / scale[:, None] / scale[None, :], -1, 1)
    # Weights by how much of the variance is material keep noisy maps from leading.
    trust = np.where(varies, np.sqrt(np.maximum(variance, 0) / np.maximum(plain, 1e-300)), 0.0)
    values, vectors = np.linalg.eigh(r * trust[:, None] * trust[None, :])
    weight = vectors[:, -1] * trust
    # Leave-one-out, so that no element stands on a side only because it agrees with itself.
    rest = np.where(np.eye(r.shape[0]) > 0, 0.0, weight[None, :])
    spread = np.einsum("ef,fg,eg->e", rest, r, rest)
    with np.errstate(divide="ignore", invalid="ignore"):
        sides = np.where(spread > 0, (rest * r).sum(axis=1) / np.sqrt(spread), 0.0)
    return np.where(varies, sides, 0.0), bool(values[-1] > 0)


def _by_glass_formers(elements: tuple[str, ...], former: np.ndarray, said: str) -> Roles:
    how = f"assumed from {said} alone: the maps show no two sides"
    one_sided = bool(former.any() and not former.all())
    return replace(_roles(elements, ~former, former, how), one_sided=one_sided)


def _roles(elements: tuple[str, ...], alloy: np.ndarray, substrate: np.ndarray, how: str) -> Roles:
    def pick(mask: np.ndarray) -> tuple[str, ...]:
        return tuple(e for e, chosen in zip(elements, mask, strict=True) if chosen)

    return Roles(pick(alloy), pick(substrate), pick(~(alloy | substrate)), assumed=True, how=how)

"""Maximum-likelihood fits of size distributions to droplets that the field lets one see.

Size distributions that a fit can choose from, in parameters without bounds.

The part of a size distribution that a field lets one see, and how well a fit agrees with it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import expit, gammainc, gammaln, log_expit, ndtr

from spattermap.core.arrays import Floats
from spattermap.core.errors import InputError, one_of
from spattermap.measure.sizes import WEIGHTINGS

_LOG_SQRT_2PI = 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True)
class Family:
    """A family of distributions of a positive diameter."""

    name: str
    # (parameters, diameters) to the logarithm of the density
    log_density: Callable[[Floats, Floats], Floats]
    cumulative: Callable[[Floats, Floats], Floats]  # (parameters, diameters) to the fraction below
    raw_moment: Callable[[Floats, float], float]  # (parameters, order) to the mean of ``d**order``
    # (diameters, weights) to the parameter vectors a search starts from
    start: Callable[[Floats, Floats], list[Floats]]
    readable: Callable[[Floats], dict[str, float]]  # parameters to a dictionary of named values


def _log_mean_spread(d: Floats, w: Floats) -> tuple[float, float]:
    logs = np.log(d)
    mean = float(np.average(logs, weights=w))
    spread = float(np.sqrt(np.average((logs - mean) ** 2, weights=w)))
    return mean, max(spread, 0.02)


# Lognormal: mean of ln d, ln of its standard deviation.
def _lognormal_log_density(theta: Floats, d: Floats) -> Floats:
    logs = np.log(d)
    z = (logs - theta[0]) * np.exp(-theta[1])
    density: Floats = -0.5 * z**2 - theta[1] - _LOG_SQRT_2PI - logs
    return density


def _lognormal_cumulative(theta: Floats, d: Floats) -> Floats:
    below: Floats = ndtr((np.log(d) - theta[0]) * np.exp(-theta[1]))
    return below


def _lognormal_moment(theta: Floats, order: float) -> float:
    return float(np.exp(order * theta[0] + 0.5 * order**2 * np.exp(2 * theta[1])))


def _lognormal_start(d: Floats, w: Floats) -> list[Floats]:
    mean, spread = _log_mean_spread(d, w)
    # Truncation hides the lower half of wide distributions: start from a wider one too.
    return [np.array([mean, np.log(spread)]), np.array([mean - spread, np.log(1.5 * spread)])]


def _lognormal_readable(theta: Floats) -> dict[str, float]:
    with np.errstate(over="ignore"):  # a resample of few diameters may have no width that holds
        return {"median": float(np.exp(theta[0])), "sigma_g": float(np.exp(np.exp(theta[1])))}


# Weibull: ln scale, ln shape.
def _weibull_log_density(theta: Floats, d: Floats) -> Floats:
    shape = np.exp(theta[1])
    x = np.log(d) - theta[0]
    density: Floats = theta[1] - theta[0] + (shape - 1) * x - np.exp(np.minimum(shape * x, 500.0))
    return density


def _weibull_cumulative(theta: Floats, d: Floats) -> Floats:
    x = np.exp(theta[1]) * (np.log(d) - theta[0])
    below: Floats = -np.expm1(-np.exp(np.minimum(x, 500.0)))
    return below


def _weibull_moment(theta: Floats, order: float) -> float:
    return float(np.exp(order * theta[0] + gammaln(1 + order * np.exp(-theta[1]))))


def _weibull_start(d: Floats, w: Floats) -> list[Floats]:
    mean, spread = _log_mean_spread(d, w)
    # ln d has the standard deviation pi / (shape sqrt 6) and the mean ln scale - 0.5772 / shape.
    shape = np.pi / np.sqrt(6) / spread
    return [np.array([mean + 0.5772 / shape, np.log(shape)]), np.array([mean, np.log(shape) - 0.5])]


def _weibull_readable(theta: Floats) -> dict[str, float]:
    return {"scale": float(np.exp(theta[0])), "shape": float(np.exp(theta[1]))}


# Gamma: ln scale, ln shape.
def _gamma_log_density(theta: Floats, d: Floats) -> Floats:
    shape = np.exp(theta[1])
    density: Floats = (
        (shape - 1) * np.log(d) - d * np.exp(-theta[0]) - gammaln(shape) - shape * theta[0]
    )
    return density


def _gamma_cumulative(theta: Floats, d: Floats) -> Floats:
    below: Floats = gammainc(np.exp(theta[1]), d * np.exp(-theta[0]))
    return below


def _gamma_moment(theta: Floats, order: float) -> float:
    shape = np.exp(theta[1])
    return float(np.exp(order * theta[0] + gammaln(shape + order) - gammaln(shape)))


def _gamma_start(d: Floats, w: Floats) -> list[Floats]:
    mean = float(np.average(d, weights=w))
    variance = max(float(np.average((d - mean) ** 2, weights=w)), 1e-4 * mean**2)
    shape = mean**2 / variance
    return [
        np.array([np.log(mean / shape), np.log(shape)]),
        np.array([np.log(mean / shape) + 0.3, np.log(shape) - 0.6]),
    ]


# Two lognormal populations: logit of the share of the smaller, then each population.
def _two_log_density(theta: Floats, d: Floats) -> Floats:
    density: Floats = np.logaddexp(
        log_expit(theta[0]) + _lognormal_log_density(theta[1:3], d),
        log_expit(-theta[0]) + _lognormal_log_density(theta[3:5], d),
    )
    return density


def _two_cumulative(theta: Floats, d: Floats) -> Floats:
    first: Floats = expit(theta[0]) * _lognormal_cumulative(theta[1:3], d)
    second: Floats = expit(-theta[0]) * _lognormal_cumulative(theta[3:5], d)
    return first + second


def _two_moment(theta: Floats, order: float) -> float:
    first = expit(theta[0]) * _lognormal_moment(theta[1:3], order)
    return float(first + expit(-theta[0]) * _lognormal_moment(theta[3:5], order))


def _two_start(d: Floats, w: Floats) -> list[Floats]:
    order = np.argsort(d)
    d, w = d[order], w[order]
    share = np.cumsum(w) / w.sum()
    starts = []
    for cut in (0.3, 0.5, 0.8):
        k = int(np.clip(np.searchsorted(share, cut), 1, len(d) - 1))
        low, high = _log_mean_spread(d[:k], w[:k]), _log_mean_spread(d[k:], w[k:])
        logit = np.log(cut / (1 - cut))
        starts.append(np.array([logit, low[0], np.log(low[1]), high[0], np.log(high[1])]))
    return starts


def _two_readable(theta: Floats) -> dict[str, float]:
    first, second = theta[1:3], theta[3:5]
    share = float(expit(theta[0]))
    if first[0] > second[0]:
        first, second, share = second, first, 1 - share
    small, large = _lognormal_readable(first), _lognormal_readable(second)
    return {
        "share_small": share,
        **{f"{name}_small": value for name, value in small.items()},
        **{f"{name}_large": value for name, value in large.items()},
    }


FAMILIES: dict[str, Family] = {
    family.name: family
    for family in (
        Family("lognormal", _lognormal_log_density, _lognormal_cumulative, _lognormal_moment,
               _lognormal_start, _lognormal_readable),
        Family("Weibull", _weibull_log_density, _weibull_cumulative, _weibull_moment,
               _weibull_start, _weibull_readable),
        Family("gamma", _gamma_log_density, _gamma_cumulative, _gamma_moment,
               _gamma_start, _weibull_readable),
        Family("two lognormals", _two_log_density, _two_cumulative, _two_moment,
               _two_start, _two_readable),
    )
}  # fmt: skip


N_QUADRATURE = 240
_STEP = 1e-8  # of a forward difference; the parameters are logarithms and of order one
_quadrature = lru_cache(np.polynomial.legendre.leggauss)  # takes as long as a fit
N_TEST_POINTS = 200


@dataclass(frozen=True)
class Window:
    """What the field lets one see: sizes from the smallest trusted, and not cut by the border."""

    smallest: float = 0.0  # smallest diameter that is seen; droplets below were left out
    # height and width of the frame in the unit of the diameters; None where the chance of being cut
    # does not matter
    frame: tuple[float, float] | None = None

    @property
    def largest(self) -> float:
        """Diameter that no longer fits the frame."""
        return np.inf if self.frame is None else min(self.frame)

    def chance(self, d: Floats) -> Floats:
        """Return the chance that a droplet of diameter `d` is not cut (Miles, Lantuejoul)."""
        if self.frame is None:
            return np.ones_like(d)
        uncut: Floats = np.clip(1 - d / self.frame[0], 0, 1) * np.clip(1 - d / self.frame[1], 0, 1)
        return uncut


@dataclass(frozen=True)
class Seen:
    """The visible part of a family: quadrature nodes in ln d, or the closed form."""

    family: Family
    window: Window
    nodes: Floats
    weights: Floats

    @classmethod
    def of(cls, family: Family, d: Floats, window: Window) -> Seen:
        """Lay out the quadrature for the diameters `d` in a window."""
        if window.frame is None:
            return cls(family, window, np.empty(0), np.empty(0))
        low = np.log(window.smallest if window.smallest > 0 else d.min() / 30)
        high = np.log(window.largest)
        x, w = _quadrature(N_QUADRATURE)
        nodes = np.exp(low + (x + 1) * (high - low) / 2)
        return cls(family, window, nodes, w * (high - low) / 2 * nodes * window.chance(nodes))

    def log_norm(self, theta: Floats) -> Floats:
        """Return the logarithm of the share of droplets that can be seen; of one or (try, 1)."""
        if self.window.frame is None:
            if self.window.smallest <= 0:
                return np.zeros(1)
            below = self.family.cumulative(theta, np.array([self.window.smallest]))
            return np.asarray(np.log(np.maximum(1 - below, 1e-300)))
        logs = self.family.log_density(theta, self.nodes)
        top = logs.max(axis=-1, keepdims=True)
        share = (self.weights * np.exp(logs - top)).sum(axis=-1, keepdims=True)
        return np.asarray(top + np.log(np.maximum(share, 1e-300)))

    def log_density(self, theta: Floats, d: Floats) -> Floats:
        """Return the log density of what is seen, the fixed factor P(d) left out.

        Dims: `theta` (parameter,) or, for several tries at once, (parameter, try, 1); `d` (point,).
        """
        density: Floats = self.family.log_density(theta, d) - self.log_norm(theta)
        return density


def gradient(function: Callable[[Floats], Floats], theta: Floats) -> Floats:
    """Return the central-difference gradient, dims (point, parameter)."""
    columns = []
    for index in range(len(theta)):
        step = np.zeros_like(theta)
        step[index] = 1e-4
        up, down = function(theta + step), function(theta - step)
        columns.append((up - down) / 2e-4)
    return np.column_stack(columns)


def _seen_cumulative(seen: Seen, theta: Floats, d: Floats) -> Floats:
    """Return the distribution function of what is seen."""
    low = seen.window.smallest
    if seen.window.frame is None:
        start = seen.family.cumulative(theta, np.array([low]))[0] if low > 0 else 0.0
        below: Floats = (seen.family.cumulative(theta, d) - start) / max(1 - start, 1e-300)
        return below
    grid = np.exp(np.linspace(np.log(seen.nodes[0]), np.log(seen.window.largest), 3000))
    logs = seen.family.log_density(theta, grid)
    # Over their largest: far from all droplets every density would round to 0.
    mass = np.exp(logs - logs.max()) * grid * seen.window.chance(grid)
    curve = np.concatenate([[0.0], np.cumsum((mass[1:] + mass[:-1]) / 2)])
    found: Floats = np.interp(np.log(d), np.log(grid), curve / curve[-1])
    return found


def goodness_of_fit(
    seen: Seen, theta: Floats, d: Floats, scores: Floats, *, seed: int, n_draws: int = 2000
) -> float:
    """Return the p-value of an Anderson-Darling distance with estimated parameters.

    Dims: `theta` (parameter,), `d` (droplet,), `scores` (droplet, parameter).
    """
    n = len(d)
    # Compare at sample quantiles, evenly spread.
    at = d[np.unique(np.linspace(0, n - 1, min(n, N_TEST_POINTS) + 2).astype(int)[1:-1])]
    model = _seen_cumulative(seen, theta, at)
    keep = (model > 0.5 / n) & (model < 1 - 0.5 / n)
    if keep.sum() < 3:
        return float("nan")
    at, model = at[keep], model[keep]
    weight = 1 / (model * (1 - model))
    empirical = (np.searchsorted(d, at, side="right") - 0.5) / n
    observed = float((weight * (empirical - model) ** 2).mean() * n)
    # Kojadinovic & Yan (2012), eq. 2: 1(x_i <= x) - F(x) - dF(x)' I^-1 score_i.
    slope = gradient(lambda t: _seen_cumulative(seen, t, at), theta)
    influence = scores @ np.linalg.pinv(scores.T @ scores / n)
    covariance = _process_covariance(d, at, model, slope, influence)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0, None))
    rng = np.random.default_rng([seed, 2])
    drawn = rng.standard_normal((n_draws, len(values))) @ root.T
    null = (weight * drawn**2).mean(axis=1)
    return float((1 + (null >= observed).sum()) / (n_draws + 1))


def _process_covariance(
    d: Floats, at: Floats, model: Floats, slope: Floats, influence: Floats
) -> Floats:
    """Return the mean over droplets of the products of the corrected process at two points.

    Each droplet contributes ``1(d_i <= a) - F(a) - slope(a) . influence_i``. Multiplied out, all
    that is needed of the droplets are running sums up to each point.
    """
    n = len(d)
    upto = np.searchsorted(d, at, side="right")
    share = upto / n
    sums = np.vstack([np.zeros(influence.shape[1]), np.cumsum(influence, axis=0)]) / n
    below, mean = sums[upto], sums[-1]
    # E[(1_a - F_a)(1_b - F_b)], then the cross terms, then the influences among themselves.
    found = np.minimum.outer(share, share) - np.outer(share, model) - np.outer(model, share)
    found += np.outer(model, model)
    cross = (below - np.outer(model, mean)) @ slope.T
    result: Floats = found - cross - cross.T + slope @ (influence.T @ influence / n) @ slope.T
    return result


# Fewest droplets for a fit of two parameters and of a mixture (common practice, no source).
FEWEST = {2: 20, 5: 60}


@dataclass(frozen=True)
class SizeFit:
    """One fitted distribution."""

    family: str  # "lognormal", "Weibull", "gamma" or "two lognormals"
    # named parameters of the whole distribution, before truncation and border
    parameters: dict[str, float]
    n: int  # droplets used
    # at the maximum; smaller criteria are better
    log_likelihood: float
    aic: float
    bic: float
    p_value: float  # goodness of fit: chance of so poor an agreement if the family were true
    window: Window  # what was visible
    # parameters as searched, and their covariance from the curvature of the likelihood
    theta: Floats = field(repr=False)
    covariance: Floats = field(repr=False)

    def density(self, diameter: npt.ArrayLike) -> Floats:
        """Return the number density of the whole distribution (1 per unit of diameter)."""
        d = np.asarray(diameter, dtype=np.float64)
        return np.exp(FAMILIES[self.family].log_density(self.theta, d))

    def interval(
        self, quantity: str, *, level: float = 0.95, n_draws: int = 1000, seed: int = 0
    ) -> tuple[float, float]:
        """Return the interval of a percentile or mean from the covariance of the parameters."""
        if not np.isfinite(self.covariance).all():
            return float("nan"), float("nan")
        rng = np.random.default_rng(seed)
        draws = rng.multivariate_normal(self.theta, self.covariance, n_draws)
        values = [quantity_of(FAMILIES[self.family], theta, quantity) for theta in draws]
        tail = (1 - level) / 2
        low, high = np.nanquantile(values, [tail, 1 - tail])
        return float(low), float(high)


def _curve(family: Family, theta: Floats, power: int) -> tuple[Floats, Floats]:
    """Return a log grid of diameters and the cumulative share of d**power on it."""
    centre = np.log(max(family.raw_moment(theta, 1), 1e-300))
    grid = np.exp(np.linspace(centre - 9, centre + 6, 1500))
    mass = np.exp(family.log_density(theta, grid)) * grid ** (power + 1)
    steps = (mass[1:] + mass[:-1]) / 2
    curve = np.concatenate([[0.0], np.cumsum(steps)])
    return grid, curve / curve[-1]


def quantity_of(family: Family, theta: Floats, name: str) -> float:
    """Return a percentile ("area D50") or mean ("D[3,2]") of a whole distribution."""
    with np.errstate(over="ignore", invalid="ignore"):
        if name.startswith("D["):
            p, q = map(float, name[2:-1].split(","))
            ratio = family.raw_moment(theta, p) / family.raw_moment(theta, q)
            return float(ratio ** (1 / (p - q)))
        weighting, percent = name.split(" D")
        grid, below = _curve(family, theta, WEIGHTINGS[weighting])
        return float(np.exp(np.interp(float(percent) / 100, below, np.log(grid))))


def fit_sizes(
    diameter: npt.ArrayLike,
    *,
    smallest: float = 0.0,
    frame: tuple[float, float] | None = None,
    area_step: float = 0.0,
    families: Sequence[str] = tuple(FAMILIES),
    seed: int = 0,
) -> list[SizeFit]:
    """Fit size distributions by maximum likelihood, best first.

    Dims: `diameter` (droplet,).

    With ``P(d)`` the chance of not being cut, the density of what is seen is
    ``f(d) P(d) / integral of f P from smallest``, whose likelihood is maximised. The parameters
    describe the whole distribution ``f``, unseen sizes included: that is an extrapolation, and
    as good as the family. The goodness of fit is an Anderson-Darling distance whose null
    distribution, with the parameters estimated, comes from the Gaussian limit of the empirical
    process corrected by the score (the multiplier method).

    A. C. Cohen, Truncated and Censored Samples (1991), chapter 2. I. Kojadinovic, J.
    Yan, Can. J. Stat. 40 (2012) 480, section 2. G. Schwarz, Ann. Stat. 6 (1978) 461.
    """
    d = np.asarray(diameter, dtype=np.float64)
    if d.ndim != 1 or not (np.isfinite(d) & (d > 0)).all():
        raise InputError(
            f"diameter must be one-dimensional and positive, got shape {d.shape}. "
            "Drop empty entries first."
        )
    window = Window(float(smallest), frame)
    d = d[(d >= window.smallest) & (d < window.largest)]
    values, times = np.unique(d, return_counts=True)
    found = []
    for name in families:
        family = FAMILIES[one_of(name, "families", FAMILIES)]
        n_parameters = len(family.start(np.array([1.0, 2.0, 3.0]), np.ones(3))[0])
        if len(d) < FEWEST[n_parameters] or len(values) < 5:
            continue
        fit = _fit(family, values, times.astype(np.float64), window)
        if fit is not None:
            theta, log_likelihood = fit
            spread = _randomised(d, area_step, window, seed)
            seen = Seen.of(family, spread, window)
            found.append(_finish(seen, theta, log_likelihood, spread, seed))
    return sorted(found, key=lambda fit: fit.bic)


def fit_table(fits: Sequence[SizeFit]) -> pd.DataFrame:
    """Return the fits as a table, best first.

    Parameters
    ----------
    fits : sequence of SizeFit
        As `fit_sizes` returns them.

    Returns
    -------
    pandas.DataFrame
        ``family, n, bic_above_best, aic, bic, p_value, parameters``.

    Examples
    --------
    >>> d = np.random.default_rng(1).lognormal(1.0, 0.4, 200)
    >>> fit_table(fit_sizes(d))["family"][0]
    'lognormal'
    """
    best = min((fit.bic for fit in fits), default=0.0)
    rows = [
        {
            "family": fit.family,
            "n": fit.n,
            "bic_above_best": fit.bic - best,
            "aic": fit.aic,
            "bic": fit.bic,
            "p_value": fit.p_value,
            "parameters": ", ".join(f"{k} {v:.4g}" for k, v in fit.parameters.items()),
        }
        for fit in fits
    ]
    columns = ["family", "n", "bic_above_best", "aic", "bic", "p_value", "parameters"]
    return pd.DataFrame(rows, columns=columns)


def _randomised(d: Floats, area_step: float, window: Window, seed: int) -> Floats:
    """Spread each area uniformly over its own pixel, so that ties do not look like misfit."""
    if area_step <= 0:
        return np.sort(d)
    rng = np.random.default_rng([seed, 1])
    shift = rng.uniform(-0.5, 0.5, len(d)) * area_step * 4 / np.pi
    spread = np.sqrt(np.maximum(d**2 + shift, (0.1 * d) ** 2))
    return np.sort(np.maximum(spread, window.smallest * (1 + 1e-12)))


def _fit(
    family: Family, values: Floats, times: Floats, window: Window
) -> tuple[Floats, float] | None:
    from scipy.optimize import minimize

    seen = Seen.of(family, values, window)
    total = times.sum()

    def loss(theta: Floats) -> tuple[float, Floats]:
        """Return the loss and its gradient by forward differences, all in one evaluation."""
        tries = np.concatenate([theta[None], theta + _STEP * np.eye(theta.size)])
        with np.errstate(over="ignore", invalid="ignore"):
            level = (times * seen.log_density(tries.T[:, :, None], values)).sum(axis=-1) / total
        worse = np.where(np.isfinite(level), -level, 1e10)
        return float(worse[0]), (worse[1:] - worse[0]) / ((theta + _STEP) - theta)

    best = None
    for start in family.start(values, times):
        # A search from a poor start can wander off; bounds of e^12 either way stop it.
        bounds = [(x - 12, x + 12) for x in start]
        tried = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds)
        if best is None or tried.fun < best.fun:
            best = tried
    if best is None or best.fun >= 1e9:
        return None
    return np.asarray(best.x), float(-best.fun * total)


def _finish(seen: Seen, theta: Floats, log_likelihood: float, d: Floats, seed: int) -> SizeFit:
    n, k = len(d), len(theta)
    family, window = seen.family, seen.window
    scores = gradient(lambda t: seen.log_density(t, d), theta)
    information = scores.T @ scores
    with np.errstate(all="ignore"):
        try:
            covariance: Floats = np.asarray(np.linalg.inv(information), dtype=np.float64)
        except np.linalg.LinAlgError:
            covariance = np.full((k, k), np.nan)
    return SizeFit(
        family=family.name,
        parameters=family.readable(theta),
        n=n,
        log_likelihood=log_likelihood + float(np.log(np.maximum(window.chance(d), 1e-12)).sum()),
        aic=2 * k - 2 * log_likelihood,
        bic=k * float(np.log(n)) - 2 * log_likelihood,
        p_value=goodness_of_fit(seen, theta, d, scores, seed=seed),
        window=window,
        theta=theta,
        covariance=covariance,
    )

"""Maximum-likelihood fits of size distributions to droplets that the field lets one see."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from spattermap.checks import one_of
from spattermap.errors import InputError
from spattermap.morphology.families import FAMILIES, Family
from spattermap.morphology.means import WEIGHTINGS
from spattermap.morphology.visible import Seen, Window, goodness_of_fit, gradient

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]

# Fewest droplets for a fit of two parameters and of a mixture (common practice, no source).
FEWEST = {2: 20, 5: 60}


@dataclass(frozen=True)
class SizeFit:
    """One fitted distribution.

    Parameters
    ----------
    family : str
        "lognormal", "Weibull", "gamma" or "two lognormals".
    parameters : dict of str to float
        Named parameters of the whole distribution, before truncation and border.
    n : int
        Droplets used.
    log_likelihood, aic, bic : float
        At the maximum; smaller criteria are better.
    p_value : float
        Goodness of fit: chance of so poor an agreement if the family were true.
    window : Window
        What was visible.
    theta, covariance : numpy.ndarray
        Parameters as searched, and their covariance from the curvature of the likelihood.
    """

    family: str
    parameters: dict[str, float]
    n: int
    log_likelihood: float
    aic: float
    bic: float
    p_value: float
    window: Window
    theta: Floats = field(repr=False)
    covariance: Floats = field(repr=False)

    def density(self, diameter: npt.ArrayLike) -> Floats:
        """Return the number density of the whole distribution (1 per unit of diameter)."""
        d = np.asarray(diameter, dtype=np.float64)
        return np.exp(FAMILIES[self.family].log_density(self.theta, d))

    def cumulative(self, diameter: npt.ArrayLike, *, weighting: str = "number") -> Floats:
        """Return the fraction of number, area or volume below the given diameters."""
        grid, curve = self._curves[weighting]
        d = np.asarray(diameter, dtype=np.float64)
        below: Floats = np.interp(np.log(d), np.log(grid), curve)
        return below

    def percentile(self, percent: float, *, weighting: str = "number") -> float:
        """Return the diameter below which a percentage of number, area or volume lies."""
        return _percentile(self._curves[weighting], percent)

    def moment_mean(self, p: float, q: float) -> float:
        """Return D[p,q] of the whole distribution."""
        return _moment_mean(FAMILIES[self.family], self.theta, p, q)

    def interval(
        self,
        quantity: str,
        *,
        level: float = 0.95,
        n_draws: int = 1000,
        seed: int = 0,
    ) -> tuple[float, float]:
        """Return the interval of a percentile or mean from the covariance of the parameters.

        Parameters
        ----------
        quantity : str
            "number D50", "area D90", "D[4,3]", ... as in `size_summary`.
        level : float
            Confidence level (0 to 1).
        n_draws : int
            Parameter vectors drawn.
        seed : int
            Seed of the draws.

        Returns
        -------
        tuple of float
            Lower and upper bound; NaN where the curvature gave no covariance.
        """
        if not np.isfinite(self.covariance).all():
            return float("nan"), float("nan")
        rng = np.random.default_rng(seed)
        draws = rng.multivariate_normal(self.theta, self.covariance, n_draws)
        values = [_quantity(FAMILIES[self.family], theta, quantity) for theta in draws]
        tail = (1 - level) / 2
        low, high = np.nanquantile(values, [tail, 1 - tail])
        return float(low), float(high)

    @cached_property
    def _curves(self) -> dict[str, tuple[Floats, Floats]]:
        family = FAMILIES[self.family]
        return {name: _curve(family, self.theta, power) for name, power in WEIGHTINGS.items()}


def _curve(family: Family, theta: Floats, power: int) -> tuple[Floats, Floats]:
    """Return a log grid of diameters and the cumulative share of d**power on it."""
    centre = np.log(max(family.raw_moment(theta, 1), 1e-300))
    grid = np.exp(np.linspace(centre - 9, centre + 6, 1500))
    mass = np.exp(family.log_density(theta, grid)) * grid ** (power + 1)
    steps = (mass[1:] + mass[:-1]) / 2
    curve = np.concatenate([[0.0], np.cumsum(steps)])
    return grid, curve / curve[-1]


def _percentile(curve: tuple[Floats, Floats], percent: float) -> float:
    grid, below = curve
    return float(np.exp(np.interp(percent / 100, below, np.log(grid))))


def _moment_mean(family: Family, theta: Floats, p: float, q: float) -> float:
    ratio = family.raw_moment(theta, p) / family.raw_moment(theta, q)
    return float(ratio ** (1 / (p - q)))


def _quantity(family: Family, theta: Floats, name: str) -> float:
    with np.errstate(over="ignore", invalid="ignore"):
        if name.startswith("D["):
            p, q = name[2:-1].split(",")
            return _moment_mean(family, theta, float(p), float(q))
        weighting, percent = name.split(" D")
        return _percentile(_curve(family, theta, WEIGHTINGS[weighting]), float(percent))


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

    Parameters
    ----------
    diameter : array_like, dims (droplet,)
        Diameters of the droplets that are not cut by the border, in any length unit; those below
        `smallest` are left out.
    smallest : float
        Smallest trusted diameter, the truncation point.
    frame : tuple of float, optional
        Height and width of the field; given, the chance of being cut is part of the likelihood.
    area_step : float
        Area of a pixel, for the goodness of fit: areas come in whole pixels, and are spread over
        theirs before they are compared with a smooth curve.
    families : sequence of str
        Which of "lognormal", "Weibull", "gamma", "two lognormals".
    seed : int
        Seed of the goodness-of-fit draws.

    Returns
    -------
    list of SizeFit
        By Bayesian information criterion; empty with fewer than 20 droplets (a mixture needs 60)
        or fewer than 5 different sizes.

    Raises
    ------
    InputError
        If a family is unknown or a diameter is not positive.

    Notes
    -----
    With ``P(d)`` the chance of not being cut, the density of what is seen is
    ``f(d) P(d) / integral of f P from smallest``, whose likelihood is maximised. The parameters
    describe the whole distribution ``f``, unseen sizes included: that is an extrapolation, and
    as good as the family. The goodness of fit is an Anderson-Darling distance whose null
    distribution, with the parameters estimated, comes from the Gaussian limit of the empirical
    process corrected by the score (the multiplier method).

    References
    ----------
    .. [1] A. C. Cohen, Truncated and Censored Samples (1991), chapter 2.
    .. [2] I. Kojadinovic, J. Yan, Can. J. Stat. 40 (2012) 480, section 2.
    .. [3] G. Schwarz, Ann. Stat. 6 (1978) 461.

    Examples
    --------
    >>> d = np.random.default_rng(1).lognormal(1.0, 0.4, 200)
    >>> best = fit_sizes(d)[0]
    >>> best.family, round(best.percentile(50), 1)
    ('lognormal', 2.6)
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
    import pandas as pd

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

    def loss(theta: Floats) -> float:
        with np.errstate(over="ignore", invalid="ignore"):
            level = float((times * seen.log_density(theta, values)).sum() / total)
        return -level if np.isfinite(level) else 1e10

    best = None
    for start in family.start(values, times):
        # A search from a poor start can wander off; bounds of e^12 either way stop it.
        bounds = [(x - 12, x + 12) for x in start]
        tried = minimize(loss, start, method="L-BFGS-B", bounds=bounds)
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

"""Size distributions that a fit can choose from, in parameters without bounds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_LOG_SQRT_2PI = 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True)
class Family:
    """A family of distributions of a positive diameter.

    Parameters
    ----------
    name : str
        Name of the family.
    log_density : callable
        (parameters, diameters) to the logarithm of the density.
    cumulative : callable
        (parameters, diameters) to the fraction below.
    raw_moment : callable
        (parameters, order) to the mean of ``d**order``.
    start : callable
        (diameters, weights) to the parameter vectors a search starts from.
    readable : callable
        Parameters to a dictionary of named values.
    """

    name: str
    log_density: Callable[[Floats, Floats], Floats]
    cumulative: Callable[[Floats, Floats], Floats]
    raw_moment: Callable[[Floats, float], float]
    start: Callable[[Floats, Floats], list[Floats]]
    readable: Callable[[Floats], dict[str, float]]


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
    from scipy.special import ndtr

    below: Floats = ndtr((np.log(d) - theta[0]) * np.exp(-theta[1]))
    return below


def _lognormal_moment(theta: Floats, order: float) -> float:
    return float(np.exp(order * theta[0] + 0.5 * order**2 * np.exp(2 * theta[1])))


def _lognormal_start(d: Floats, w: Floats) -> list[Floats]:
    mean, spread = _log_mean_spread(d, w)
    # Truncation hides the lower half of wide distributions: start from a wider one too.
    return [
        np.array([mean, np.log(spread)]),
        np.array([mean - spread, np.log(1.5 * spread)]),
    ]


def _lognormal_readable(theta: Floats) -> dict[str, float]:
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
    from scipy.special import gammaln

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
    from scipy.special import gammaln

    shape = np.exp(theta[1])
    density: Floats = (
        (shape - 1) * np.log(d) - d * np.exp(-theta[0]) - gammaln(shape) - shape * theta[0]
    )
    return density


def _gamma_cumulative(theta: Floats, d: Floats) -> Floats:
    from scipy.special import gammainc

    below: Floats = gammainc(np.exp(theta[1]), d * np.exp(-theta[0]))
    return below


def _gamma_moment(theta: Floats, order: float) -> float:
    from scipy.special import gammaln

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
    from scipy.special import log_expit

    density: Floats = np.logaddexp(
        log_expit(theta[0]) + _lognormal_log_density(theta[1:3], d),
        log_expit(-theta[0]) + _lognormal_log_density(theta[3:5], d),
    )
    return density


def _two_cumulative(theta: Floats, d: Floats) -> Floats:
    from scipy.special import expit

    first: Floats = expit(theta[0]) * _lognormal_cumulative(theta[1:3], d)
    second: Floats = expit(-theta[0]) * _lognormal_cumulative(theta[3:5], d)
    return first + second


def _two_moment(theta: Floats, order: float) -> float:
    from scipy.special import expit

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
    from scipy.special import expit

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
        Family(
            "lognormal",
            _lognormal_log_density,
            _lognormal_cumulative,
            _lognormal_moment,
            _lognormal_start,
            _lognormal_readable,
        ),
        Family(
            "Weibull",
            _weibull_log_density,
            _weibull_cumulative,
            _weibull_moment,
            _weibull_start,
            _weibull_readable,
        ),
        Family(
            "gamma",
            _gamma_log_density,
            _gamma_cumulative,
            _gamma_moment,
            _gamma_start,
            _weibull_readable,
        ),
        Family(
            "two lognormals",
            _two_log_density,
            _two_cumulative,
            _two_moment,
            _two_start,
            _two_readable,
        ),
    )
}

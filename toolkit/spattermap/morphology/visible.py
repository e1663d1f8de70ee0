"""The part of a size distribution that a field lets one see, and how well a fit agrees with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spattermap.morphology.families import Family

Floats = npt.NDArray[np.float64]

N_QUADRATURE = 240
N_TEST_POINTS = 200


@dataclass(frozen=True)
class Window:
    """What the field lets one see: sizes from the smallest trusted, and not cut by the border.

    Parameters
    ----------
    smallest : float
        Smallest diameter that is seen; droplets below were left out.
    frame : tuple of float or None
        Height and width of the frame in the unit of the diameters; None where the chance of
        being cut does not matter.
    """

    smallest: float = 0.0
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
        x, w = np.polynomial.legendre.leggauss(N_QUADRATURE)
        nodes = np.exp(low + (x + 1) * (high - low) / 2)
        return cls(family, window, nodes, w * (high - low) / 2 * nodes * window.chance(nodes))

    def log_norm(self, theta: Floats) -> float:
        """Return the logarithm of the share of droplets that can be seen."""
        if self.window.frame is None:
            if self.window.smallest <= 0:
                return 0.0
            below = self.family.cumulative(theta, np.array([self.window.smallest]))[0]
            return float(np.log(max(1 - below, 1e-300)))
        logs = self.family.log_density(theta, self.nodes)
        top = logs.max()
        return float(top + np.log(max((self.weights * np.exp(logs - top)).sum(), 1e-300)))

    def log_density(self, theta: Floats, d: Floats) -> Floats:
        """Return the log density of what is seen, the fixed factor P(d) left out."""
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
    mass = np.exp(seen.family.log_density(theta, grid)) * grid * seen.window.chance(grid)
    curve = np.concatenate([[0.0], np.cumsum((mass[1:] + mass[:-1]) / 2)])
    found: Floats = np.interp(np.log(d), np.log(grid), curve / curve[-1])
    return found


def goodness_of_fit(
    seen: Seen, theta: Floats, d: Floats, scores: Floats, *, seed: int, n_draws: int = 2000
) -> float:
    """Return the p-value of an Anderson-Darling distance with estimated parameters.

    Parameters
    ----------
    seen : Seen
        The visible part of the fitted family.
    theta : numpy.ndarray, dims (parameter,)
        Parameters at the maximum of the likelihood.
    d : numpy.ndarray, dims (droplet,)
        Diameters, ascending.
    scores : numpy.ndarray, dims (droplet, parameter)
        Gradient of each droplet's log density.
    seed : int
        Seed of the draws.
    n_draws : int
        Draws of the Gaussian limit.

    Returns
    -------
    float
        NaN where fewer than three points lie between the tails. Conservative below some hundred
        droplets (measured; see the tests).
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

"""The two levels of a one-dimensional score: bare plate and typical metal.

The histogram of the smoothed score is a mixture of three kinds of pixel: bare (normal about the
lower level), metal (normal about the upper level, wider because thickness varies) and edge
pixels, spread evenly between the two by the blur. Counting noise of known size widens all three.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

_BINS = 400


@dataclass(frozen=True)
class Levels:
    """Result of `fit_levels`, in the unit of the score.

    Parameters
    ----------
    bare, metal : float
        Centre of the two peaks.
    bare_spread, metal_spread : float
        Standard deviation of the peaks beyond the noise: haze and thickness.
    bare_part, metal_part : float
        Fractions of the pixels; the rest lies on edges.
    log_likelihood : float
        Per pixel, natural logarithm.
    """

    bare: float
    metal: float
    bare_spread: float
    metal_spread: float
    bare_part: float
    metal_part: float
    log_likelihood: float


def fit_levels(
    score: npt.NDArray[np.floating],
    *,
    noise_bare: float,
    noise_metal: float,
    start: tuple[float, float],
) -> Levels:
    """Fit the three-part mixture by expectation and maximisation.

    Parameters
    ----------
    score : numpy.ndarray
        Smoothed score of the valid pixels.
    noise_bare, noise_metal : float
        Noise standard deviation of the smoothed score at the two levels.
    start : tuple of float
        First guess of the two levels, lower first.

    Returns
    -------
    Levels

    Notes
    -----
    Dempster, Laird & Rubin (1977), J. R. Stat. Soc. B 39, 1, on a histogram of 400 bins. The
    spread of the metal is bounded by a quarter of the step and the spread of the bare plate by an
    eighth: wider peaks would explain droplets as thickness or haze. Edge pixels may not outnumber
    metal pixels: without a plateau the upper level would otherwise run away into the tail.
    """
    low, high = float(score.min()), float(score.max())
    if not high > low:
        return Levels(low, low, 0.0, 0.0, 1.0, 0.0, 0.0)
    n, edges = np.histogram(score, bins=_BINS, range=(low, high))
    x = 0.5 * (edges[1:] + edges[:-1])
    n = n / n.sum()
    m0, m1 = start
    t0 = t1 = 0.0
    parts = np.array([0.6, 0.3, 0.1])
    previous = -np.inf
    for _ in range(300):
        s0, s1 = np.hypot(noise_bare, t0), np.hypot(noise_metal, t1)
        dense = _densities(x, (m0, m1), (s0, s1), (noise_bare, noise_metal))
        joint = parts[:, None] * dense
        total = joint.sum(axis=0) + 1e-300
        likelihood = float(n @ np.log(total))
        share = joint / total * n
        parts = share.sum(axis=1)
        parts[2] = min(parts[2], parts[1])
        parts = np.maximum(parts, 1e-6) / np.maximum(parts, 1e-6).sum()
        m0 = float(share[0] @ x / max(share[0].sum(), 1e-12))
        m1 = float(share[1] @ x / max(share[1].sum(), 1e-12))
        step = max(m1 - m0, 1e-12)
        v0 = float(share[0] @ (x - m0) ** 2 / max(share[0].sum(), 1e-12))
        v1 = float(share[1] @ (x - m1) ** 2 / max(share[1].sum(), 1e-12))
        t0 = min(np.sqrt(max(0.0, v0 - noise_bare**2)), step / 8)
        t1 = min(np.sqrt(max(0.0, v1 - noise_metal**2)), step / 4)
        if abs(likelihood - previous) < 1e-9:
            break
        previous = likelihood
    return Levels(m0, m1, float(t0), float(t1), float(parts[0]), float(parts[1]), likelihood)


def _densities(
    x: npt.NDArray[np.float64],
    means: tuple[float, float],
    spreads: tuple[float, float],
    noises: tuple[float, float],
) -> npt.NDArray[np.float64]:
    width = float(x[1] - x[0])
    m0, m1 = means
    s0, s1 = (max(s, width) for s in spreads)
    edge_noise = max(float(np.sqrt(0.5 * (noises[0] ** 2 + noises[1] ** 2))), width)
    step = max(m1 - m0, 1e-9)
    normal = [
        np.exp(-0.5 * ((x - m) / s) ** 2) / (s * np.sqrt(2 * np.pi))
        for m, s in ((m0, s0), (m1, s1))
    ]
    between = (ndtr((x - m0) / edge_noise) - ndtr((x - m1) / edge_noise)) / step
    return np.stack([*normal, np.maximum(between, 0)])

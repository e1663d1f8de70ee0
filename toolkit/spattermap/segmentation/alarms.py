"""How high a noise peak can rise by chance: the false-alarm control."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from spattermap.segmentation.likelihood import Classes, kernel, noise_gain


def expected_peaks(z: npt.ArrayLike, *, n_pixels: int, scale: float) -> npt.NDArray[np.float64]:
    """Return the expected number of noise peaks at least z standard deviations high.

    Parameters
    ----------
    z : array_like
        Height in standard deviations.
    n_pixels : int
        Pixels of the field.
    scale : float
        Standard deviation of the smoothing (px); 0 for independent pixels.

    Returns
    -------
    numpy.ndarray

    Notes
    -----
    Expected Euler characteristic of the excursion set of a smooth Gaussian field (Adler 1981;
    Worsley 1994): ``A lambda (2 pi)^(-3/2) z exp(-z^2/2)`` with ``lambda = 1 / (2 s^2)`` for a
    Gaussian kernel of standard deviation s. Coarse sampling cannot give more peaks than pixels,
    so the smaller of this and the independent-pixel count is taken.
    """
    z = np.asarray(z, dtype=np.float64)
    single = n_pixels * special.ndtr(-z)
    if scale <= 0:
        return np.asarray(single)
    smooth = (
        n_pixels / (2 * scale**2) * (2 * np.pi) ** -1.5 * np.maximum(z, 0) * np.exp(-0.5 * z**2)
    )
    return np.where(z > 1, np.minimum(single, smooth), single)


def gaussian_equivalent(
    peak: npt.NDArray[np.float64], classes: Classes, *, scale: float, poisson: bool
) -> npt.NDArray[np.float64]:
    """Return how many standard deviations of a normal variable a peak of the fraction equals.

    Parameters
    ----------
    peak : numpy.ndarray
        Smoothed metal fraction.
    classes : Classes
        Class means; the bare ones make the noise.
    scale : float
        Standard deviation of the smoothing (px).
    poisson : bool
        True for counts, whose sums are skewed when they are few.

    Returns
    -------
    numpy.ndarray

    Notes
    -----
    For counts the smoothed fraction is a weighted sum of Poisson variables. Its upper tail comes
    from the saddlepoint approximation of Lugannani & Rice (1980), Adv. Appl. Probab. 12, 475, in
    the ``r*`` form of Barndorff-Nielsen, which reads directly as a normal deviate.
    """
    peak = np.asarray(peak, dtype=np.float64)
    sd = classes.sigma_bare * np.sqrt(noise_gain(scale))
    if sd <= 0:
        return np.full(peak.shape, np.inf)
    plain = peak / sd
    if not poisson or peak.size == 0:
        return plain
    line = kernel(scale)
    k = np.outer(line, line).ravel()
    k, n = np.unique(np.round(k / k.max(), 3), return_counts=True)
    k = k * float(line.max()) ** 2
    steps = np.outer(classes.weights, k).ravel()
    rate = np.outer(classes.bare, n).ravel()
    top = np.linspace(0.05, max(float(peak.max()), 0.1), 120)
    deviate = np.array([_deviate(x, steps, rate) for x in top])
    # Below the first node the normal value serves: nothing that low is ever reported.
    return np.where(peak < top[0], plain, np.interp(peak, top, deviate))


def _deviate(x: float, steps: npt.NDArray[np.float64], rate: npt.NDArray[np.float64]) -> float:
    def slope(t: float) -> float:
        return float(rate @ (steps * np.expm1(t * steps))) - x

    high = 1.0
    limit = 600.0 / max(float(steps.max()), 1e-12)
    while slope(high) < 0 and high < limit:
        high *= 2
    t = (
        float(optimize.brentq(slope, 0.0, min(high, limit)))
        if slope(min(high, limit)) > 0
        else high
    )
    # Cumulant generating function of the centred sum, and its second derivative.
    value = float(rate @ (np.expm1(t * steps) - t * steps))
    curve = float(rate @ (steps**2 * np.exp(t * steps)))
    r = np.sqrt(max(2 * (t * x - value), 1e-12))
    return float(r + np.log(t * np.sqrt(curve) / r) / r)


def threshold(*, n_pixels: int, scale: float, false_alarms: float) -> float:
    """Return the height (standard deviations) that noise passes `false_alarms` times a field.

    Parameters
    ----------
    n_pixels : int
        Pixels of the field.
    scale : float
        Standard deviation of the smoothing (px).
    false_alarms : float
        Expected number a field.

    Returns
    -------
    float
    """
    grid = np.linspace(0.0, 12.0, 2401)
    expected = expected_peaks(grid, n_pixels=n_pixels, scale=scale)
    enough = np.flatnonzero(expected <= false_alarms)
    return float(grid[enough[0]]) if enough.size else 12.0

"""How high a noise peak can rise by chance: the false-alarm control."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from spattermap.core.arrays import Floats
from spattermap.segment.filters import Filter
from spattermap.segment.likelihood import Classes

_KERNEL_LEVELS = 200


def expected_peaks(z: npt.ArrayLike, *, n_pixels: int, roughness: float) -> Floats:
    """Return the expected number of noise peaks at least z standard deviations high.

    Expected Euler characteristic of the excursion set of a smooth Gaussian field,
    ``A lambda (2 pi)^(-3/2) z exp(-z^2/2)`` with lambda the roughness (Adler 1981; Worsley 1994).
    Pixels cannot give more peaks than there are pixels, so the smaller of this and the count of
    independent pixels is taken.
    """
    z = np.asarray(z, dtype=np.float64)
    single = n_pixels * special.ndtr(-z)
    smooth = n_pixels * roughness * (2 * np.pi) ** -1.5 * np.maximum(z, 0) * np.exp(-0.5 * z**2)
    return np.asarray(np.where(z > 1, np.minimum(single, smooth), single))


def noise_sd(classes: Classes, used: Filter) -> float:
    """Return the standard deviation of the filtered metal fraction over bare plate."""
    return float(classes.sigma_bare * np.sqrt(used.gain))


def gaussian_equivalent(
    peak: npt.ArrayLike, classes: Classes, used: Filter, *, poisson: bool
) -> Floats:
    """Return how many standard deviations of a normal variable a peak of the fraction equals.

    For counts the filtered fraction is a weighted sum of Poisson variables. Its upper tail comes
    from the saddlepoint approximation of Lugannani & Rice (1980), Adv. Appl. Probab. 12, 475, in
    the ``r*`` form of Barndorff-Nielsen, which reads directly as a normal deviate.
    """
    peak = np.asarray(peak, dtype=np.float64)
    sd = noise_sd(classes, used)
    if sd <= 0:
        return np.full(peak.shape, np.inf)
    plain = peak / sd
    if not poisson or peak.size == 0:
        return plain
    k = used.kernel.ravel()
    # The kernel's values in classes, each with its mean square, so that the variance is exact.
    order = np.digitize(k, np.linspace(k.min(), k.max(), _KERNEL_LEVELS))
    n = np.bincount(order)
    square = np.bincount(order, k**2) / np.maximum(n, 1)
    value = np.sign(np.bincount(order, k)) * np.sqrt(square)
    steps = np.outer(classes.weights, value[n > 0]).ravel()
    rate = np.outer(classes.bare, n[n > 0]).ravel()
    top = np.linspace(0.5 * sd, max(float(peak.max()), sd), 80)
    deviate = _deviates(top, steps, rate)
    # Below the first node the normal value serves: nothing that low is ever reported.
    return np.asarray(np.where(peak < top[0], plain, np.interp(peak, top, deviate)))


def _deviates(x: Floats, steps: Floats, rate: Floats) -> Floats:
    """Return the deviates of rising heights `x`, dims (height,), all solved for at once."""

    def slopes(t: Floats) -> Floats:
        return np.asarray(np.expm1(t[:, None] * steps) @ (rate * steps) - x)

    limit = 600.0 / max(float(steps.max()), 1e-12)
    high = np.ones(x.size)
    while (low_yet := (slopes(high) < 0) & (high < limit)).any():
        high[low_yet] *= 2
    left, right = np.zeros(x.size), np.minimum(high, limit)
    within = slopes(right) > 0
    t = right / 2
    # Newton's steps, halved intervals where one would leave what encloses the root.
    for _ in range(200):
        f = slopes(t)
        left, right = np.where(f < 0, t, left), np.where(f < 0, right, t)
        following = t - f / (np.exp(t[:, None] * steps) @ (rate * steps**2))
        inside = (following >= left) & (following <= right)
        following = np.where(inside, following, 0.5 * (left + right))
        step, t = np.abs(following - t), following
        if (step <= 1e-13 * (1 + t)).all():
            break
    t = np.where(within, t, high)
    # Cumulant generating function of the centred sum, and its second derivative.
    value = np.expm1(t[:, None] * steps) @ rate - t * float(rate @ steps)
    curve = np.exp(t[:, None] * steps) @ (rate * steps**2)
    r = np.sqrt(np.maximum(2 * (t * x - value), 1e-12))
    return np.asarray(r + np.log(t * np.sqrt(curve) / r) / r)


def threshold(*, n_pixels: int, roughness: float, false_alarms: float) -> float:
    """Return the height (standard deviations) that noise passes `false_alarms` times a field."""
    grid = np.linspace(0.0, 12.0, 2401)
    expected = expected_peaks(grid, n_pixels=n_pixels, roughness=roughness)
    enough = np.flatnonzero(expected <= false_alarms)
    return float(grid[enough[0]]) if enough.size else 12.0

"""How much each pixel looks like metal: class means, log-likelihood ratio, information.

The picture of a pixel is ``mean_e = m0_e + f (m1_e - m0_e)`` with f the metal fraction seen by
the detector: 0 on the bare plate, 1 on typical metal, in between under the blurred edge. Every
element takes part: the alloy's lines rise with f and the substrate's fall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.errors import InputError
from spattermap.segmentation.levels import fit_levels

Array = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

_BLOCK_SIDES = (1, 2, 4, 8, 16)
_STEADY = 0.005  # relative change of the class steps at which the iteration stops
_MOST_ROUNDS = 15
_SHARPNESS = 2.2  # half-height over noise that the smoothing aims at, in standard deviations
_MOST_SMOOTHING = 10.0  # px; wider kernels would merge what a person would call separate


@dataclass(frozen=True)
class Stack:
    """The planes a segmentation works on.

    Parameters
    ----------
    planes : numpy.ndarray, dims (element, y, x)
        Counts, or another quantity.
    variance : numpy.ndarray, dims (element, y, x), or None
        Noise variance of `planes`; None means Poisson.
    valid : numpy.ndarray of bool, dims (y, x)
        False where a pixel must not be used.
    elements : tuple of str
        Name of each plane.
    signs : numpy.ndarray, dims (element,)
        +1 for alloy elements, -1 for the substrate's, 0 for the others.
    """

    planes: npt.NDArray[np.generic]
    variance: npt.NDArray[np.generic] | None
    valid: Mask
    elements: tuple[str, ...]
    signs: npt.NDArray[np.int8]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the field."""
        return self.valid.shape


@dataclass(frozen=True)
class Classes:
    """Means of bare plate and metal, and what one pixel tells about them.

    Parameters
    ----------
    bare, metal : numpy.ndarray, dims (element,)
        Mean of each plane in the two classes (unit of the maps per pixel).
    noise_bare, noise_metal : numpy.ndarray, dims (element,)
        Noise variance of each plane in the two classes.
    weights : numpy.ndarray, dims (element,)
        Weights of the linear metal fraction ``f = sum w_e (n_e - m0_e)``, with f = 1 on metal.
    """

    bare: npt.NDArray[np.float64]
    metal: npt.NDArray[np.float64]
    noise_bare: npt.NDArray[np.float64]
    noise_metal: npt.NDArray[np.float64]
    weights: npt.NDArray[np.float64]

    @property
    def information(self) -> float:
        """Squared separation of the classes per pixel, in noise variances at half height."""
        noise = 0.5 * (self.noise_bare + self.noise_metal)
        spread = float(np.sum(self.weights**2 * noise))
        return 1.0 / spread if spread > 0 else 0.0

    @property
    def sigma_bare(self) -> float:
        """Standard deviation of the metal fraction in one bare pixel."""
        return float(np.sqrt(np.sum(self.weights**2 * self.noise_bare)))


def classes_from_means(
    bare: npt.NDArray[np.float64],
    metal: npt.NDArray[np.float64],
    *,
    noise_bare: npt.NDArray[np.float64],
    noise_metal: npt.NDArray[np.float64],
    signs: npt.NDArray[np.int8],
) -> Classes:
    """Return classes whose weights best tell f = 0 from f = 1.

    Parameters
    ----------
    bare, metal : numpy.ndarray, dims (element,)
        Class means.
    noise_bare, noise_metal : numpy.ndarray, dims (element,)
        Noise variances in the classes.
    signs : numpy.ndarray, dims (element,)
        Allowed direction of each plane; one that moves against its role gets no weight.

    Returns
    -------
    Classes

    Notes
    -----
    ``w_e`` is proportional to ``(m1_e - m0_e) / v_e`` with the noise variance v at half height:
    the score of the likelihood in f there (Rao 1948), so that the estimate of f is linear,
    unbiased at every f, and efficient where the edge is placed. The log-likelihood ratio itself
    changes sign at an f that depends on the contrast of the lines and would shift edges.
    """
    step = metal - bare
    step = np.where(signs * step < 0, 0.0, step)
    noise = np.maximum(0.5 * (noise_bare + noise_metal), 1e-12)
    raw = step / noise
    reach = float(np.sum(raw * step))
    weights = raw / reach if reach > 0 else np.zeros_like(raw)
    return Classes(bare, metal, noise_bare, noise_metal, weights)


def metal_fraction(stack: Stack, classes: Classes) -> Array:
    """Return the unsmoothed estimate of the metal fraction of every pixel.

    Parameters
    ----------
    stack : Stack
        The planes.
    classes : Classes
        Class means and weights.

    Returns
    -------
    numpy.ndarray of float32, dims (y, x)
        Zero on average over bare plate, one over metal; invalid pixels hold zero.
    """
    total = np.full(stack.shape, -float(classes.weights @ classes.bare), dtype=np.float32)
    for weight, plane in zip(classes.weights, stack.planes, strict=True):
        if weight != 0:
            total += np.float32(weight) * plane
    total[~stack.valid] = 0.0
    return total


def smoothing_scale(information: float) -> float:
    """Return the standard deviation (px) of the kernel that makes edges reliable.

    Parameters
    ----------
    information : float
        Squared class separation per pixel.

    Returns
    -------
    float
        0 where single pixels already tell the classes apart.

    Notes
    -----
    The half height stands ``0.5 d / sqrt(g)`` noise standard deviations above the bare level, with
    g the noise gain of the kernel.
    """
    if information <= 0:
        return _MOST_SMOOTHING
    wanted = (0.5 / _SHARPNESS) ** 2 * information  # largest noise gain that is sharp enough
    if wanted >= 1:
        return 0.0
    low, high = 0.2, _MOST_SMOOTHING
    if noise_gain(high) > wanted:
        return high
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if noise_gain(middle) > wanted else (low, middle)
    return high


@lru_cache(maxsize=512)
def noise_gain(scale: float) -> float:
    """Return the factor by which a Gaussian average shrinks the variance of white noise.

    Parameters
    ----------
    scale : float
        Standard deviation of the kernel (px).

    Returns
    -------
    float
        Sum of the squared kernel; about ``1 / (4 pi s^2)`` for s above one pixel.
    """
    return float(np.sum(kernel(scale) ** 2) ** 2)


def kernel(scale: float) -> npt.NDArray[np.float64]:
    """Return the one-dimensional smoothing kernel of a scale (px)."""
    impulse = np.zeros(2 * int(4 * scale) + 3)
    impulse[impulse.size // 2] = 1
    return np.asarray(ndimage.gaussian_filter1d(impulse, scale, truncate=3.5)) if scale else impulse


def smooth(picture: Array, scale: float, valid: Mask) -> Array:
    """Return a Gaussian average over the valid pixels.

    Parameters
    ----------
    picture : numpy.ndarray, dims (y, x)
        Zero at invalid pixels.
    scale : float
        Standard deviation of the kernel (px).
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels that count.

    Returns
    -------
    numpy.ndarray of float32, dims (y, x)
    """
    if scale <= 0:
        return picture.astype(np.float32, copy=False)
    blurred = ndimage.gaussian_filter(picture, scale, mode="reflect", truncate=3.5)
    if valid.all():
        return blurred
    weight = ndimage.gaussian_filter(valid.astype(np.float32), scale, mode="reflect", truncate=3.5)
    return np.divide(blurred, weight, out=np.zeros_like(blurred), where=weight > 1e-3)


def estimate_classes(stack: Stack) -> Classes:
    """Estimate the class means from the data by alternating mask and means.

    Parameters
    ----------
    stack : Stack
        The planes.

    Returns
    -------
    Classes

    Raises
    ------
    InputError
        If no plane may rise with metal or fall under it.

    Notes
    -----
    The start is the leading direction of the block covariance from which the noise has been
    subtracted, which needs no threshold; where it does not exceed what noise gives, the two classes
    come back equal, with no information. The mask that re-estimates the means leaves each pixel's
    own value out of its smoothing, because a pixel that helped to choose its class would bias
    the mean of that class.
    """
    if not stack.signs.any():
        raise InputError(
            "roles must name at least one alloy or substrate element that was mapped, got none. "
            "State --alloy or --substrate."
        )
    overall = _means(stack, stack.valid)
    noise = _noise(stack, stack.valid, overall)
    leading = _leading_direction(stack, overall, noise)
    if leading is None:
        return Classes(overall, overall, noise, noise, np.zeros_like(overall))
    direction, side = leading
    classes = classes_from_means(
        overall, overall + direction, noise_bare=noise, noise_metal=noise, signs=stack.signs
    )
    scale = max(0.5, side / 2.5)
    start = _otsu_levels(smooth(metal_fraction(stack, classes), scale, stack.valid), stack.valid)
    for _ in range(_MOST_ROUNDS):
        before = classes
        classes, start = _rescale(stack, classes, overall, scale=scale, start=start)
        if classes.information <= 0:
            return before
        classes = _redirect(stack, classes, overall, scale=scale)
        start = (0.0, 1.0)
        widest = 0.6 * correlation_half_width(metal_fraction(stack, classes), classes, stack.valid)
        scale = float(np.clip(smoothing_scale(classes.information), 0.4, max(0.4, widest)))
        if np.allclose(classes.metal - classes.bare, before.metal - before.bare, rtol=_STEADY):
            break
    return classes


def correlation_half_width(raw: Array, classes: Classes, valid: Mask) -> float:
    """Return the lag (px) at which the noise-free autocovariance has fallen to a half.

    Parameters
    ----------
    raw : numpy.ndarray, dims (y, x)
        Unsmoothed metal fraction.
    classes : Classes
        Class means.
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels to use.

    Returns
    -------
    float
        About 0.4 diameters for separate discs; at least 1.

    Notes
    -----
    White noise enters the autocovariance at lag zero only, where its known variance is subtracted.
    """
    level = float(raw[valid].mean(dtype=np.float64))
    centred = np.where(valid, raw - np.float32(level), np.float32(0))
    part = min(max(level, 0.0), 1.0)
    noise = classes.weights**2 @ (part * classes.noise_metal + (1 - part) * classes.noise_bare)
    n = max(1, int(np.count_nonzero(valid)))
    zero = float(np.vdot(centred, centred)) / n - float(noise)
    one = _lag_product(centred, 1)
    top = max(zero, one)  # at few counts lag one is the steadier of the two
    previous = top
    for lag in range(1, min(65, *raw.shape)):
        value = one if lag == 1 else _lag_product(centred, lag)
        if value < 0.5 * top:
            return max(1.0, lag - (0.5 * top - value) / max(previous - value, 1e-12))
        previous = value
    return 64.0


def _lag_product(picture: Array, lag: int) -> float:
    across = float(np.mean(picture[:, lag:] * picture[:, :-lag], dtype=np.float64))
    down = float(np.mean(picture[lag:] * picture[:-lag], dtype=np.float64))
    return 0.5 * (across + down)


def _otsu_levels(score: Array, valid: Mask) -> tuple[float, float]:
    from skimage.filters import threshold_otsu

    inside = score[valid]
    if inside.size == 0 or inside.min() == inside.max():
        return 0.0, 0.0
    cut = threshold_otsu(inside)
    return float(inside[inside <= cut].mean()), float(inside[inside > cut].mean())


def _rescale(
    stack: Stack,
    classes: Classes,
    overall: npt.NDArray[np.float64],
    *,
    scale: float,
    start: tuple[float, float],
) -> tuple[Classes, tuple[float, float]]:
    """Return classes moved to the two levels that the smoothed score shows."""
    score = smooth(metal_fraction(stack, classes), scale, stack.valid)[stack.valid]
    gain = noise_gain(scale)
    squares = classes.weights**2
    found = fit_levels(
        score,
        noise_bare=float(np.sqrt(gain * squares @ classes.noise_bare)),
        noise_metal=float(np.sqrt(gain * squares @ classes.noise_metal)),
        start=start,
    )
    step = classes.metal - classes.bare
    floor = _floor(stack, overall)
    bare = np.maximum(classes.bare + found.bare * step, floor)
    metal = bare + _possible(bare, (found.metal - found.bare) * step, floor)
    return _with_noise(stack, bare, metal), (found.bare, found.metal)


def _redirect(
    stack: Stack, classes: Classes, overall: npt.NDArray[np.float64], *, scale: float
) -> Classes:
    """Return classes with the direction re-estimated from every plane.

    The step of a plane is its regression on the smoothed fraction that leaves the pixel itself
    out (an instrument free of that pixel's noise), scaled so that the fraction rises by one.
    """
    raw = metal_fraction(stack, classes)
    own = _kernel_centre(scale)
    held_out = np.clip((smooth(raw, scale, stack.valid) - own * raw) / (1 - own), -0.5, 1.5)
    centre = held_out - held_out[stack.valid].mean(dtype=np.float64)
    centre[~stack.valid] = 0
    slopes = np.array([float(np.vdot(centre, p.astype(np.float32))) for p in stack.planes])
    rise = float(np.vdot(centre, raw))
    if rise <= 0:
        return classes
    step = slopes / rise
    level = float(raw[stack.valid].mean(dtype=np.float64))
    bare = np.maximum(overall - level * step, _floor(stack, overall))
    metal = bare + _possible(bare, step, _floor(stack, overall))
    return _with_noise(stack, bare, metal)


def _floor(stack: Stack, overall: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """A Poisson mean is not below zero; half a count in the field stands for "never seen"."""
    if stack.variance is not None:
        return np.full(overall.shape, -np.inf)
    return np.minimum(overall, 0.5 / max(1, int(np.count_nonzero(stack.valid))))


def _possible(
    bare: npt.NDArray[np.float64], step: npt.NDArray[np.float64], floor: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Shorten a step that would take a shadowed line below zero counts."""
    falling = step < 0
    if not falling.any():
        return step
    room = (bare - floor)[falling] / -step[falling]
    return np.asarray(step * min(1.0, float(room.min())))


def _with_noise(
    stack: Stack, bare: npt.NDArray[np.float64], metal: npt.NDArray[np.float64]
) -> Classes:
    if stack.variance is None:
        noise = bare, metal
    else:
        mean = _noise(stack, stack.valid, bare)
        noise = mean, mean
    return classes_from_means(
        bare, metal, noise_bare=noise[0], noise_metal=noise[1], signs=stack.signs
    )


def _kernel_centre(scale: float) -> np.float32:
    return np.float32(kernel(scale).max() ** 2)


def _means(stack: Stack, mask: Mask) -> npt.NDArray[np.float64]:
    n = max(1, int(np.count_nonzero(mask)))
    return np.array(
        [float(np.sum(plane, where=mask, dtype=np.float64)) / n for plane in stack.planes]
    )


def _noise(stack: Stack, mask: Mask, means: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    if stack.variance is None:
        n = max(1, int(np.count_nonzero(mask)))
        # Poisson; half a count keeps an element that was never seen from weighing infinitely.
        return np.maximum(means, 0.5 / n)
    n = max(1, int(np.count_nonzero(mask)))
    found = [float(np.sum(v, where=mask, dtype=np.float64)) / n for v in stack.variance]
    return np.maximum(np.array(found), 1e-12)


def _leading_direction(
    stack: Stack, means: npt.NDArray[np.float64], noise: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], int] | None:
    """Return the direction in which metal moves the planes, and the block side that shows it.

    None where the planes vary no more than counting noise does.
    """
    best = (-np.inf, _by_role(stack, noise), 4)
    planes = stack.planes
    for side in _BLOCK_SIDES:
        height, width = (n // side for n in stack.shape)
        if height * width < 64:
            break
        whole = stack.valid[: height * side, : width * side]
        used = whole.reshape(height, side, width, side).all(axis=(1, 3))
        n = int(np.count_nonzero(used))
        if n < 64:
            continue
        table = np.stack([_block_means(p, side, height, width)[used] for p in planes])
        scaled = (table - table.mean(axis=1, keepdims=True)) / np.sqrt(noise)[:, None]
        excess = (scaled @ scaled.T / n * side**2 - np.eye(len(planes))) * np.sqrt(n)
        if stack.variance is None:
            # A Poisson variance scatters by 2 + 1/mean: few counts must not pass for structure.
            np.fill_diagonal(excess, np.diag(excess) / np.sqrt(1 + 0.5 / (noise * side**2)))
        values, vectors = np.linalg.eigh(excess)
        vector = vectors[:, -1]
        vector = vector * (1 if vector @ _by_role(stack, noise) >= 0 else -1)
        vector = np.where(stack.signs * vector < 0, 0.0, vector)
        if values[-1] > best[0] and vector.any():
            best = (float(values[-1]), vector, side)
    if best[0] < _largest_eigenvalue_of_noise(len(planes)):
        return None
    return best[1] * np.sqrt(noise), best[2]


@lru_cache(maxsize=64)
def _largest_eigenvalue_of_noise(n_planes: int) -> float:
    """Return what the scaled excess covariance of pure noise reaches once in 500 scales.

    Its entries are independent normals of variance 1, and 2 on the diagonal: the Gaussian
    orthogonal ensemble (Wigner 1958), whose quantile is drawn here once with a fixed seed.
    """
    random = np.random.default_rng(1958)
    draws = random.standard_normal((20000, n_planes, n_planes))
    tops = np.linalg.eigvalsh((draws + draws.transpose(0, 2, 1)) / np.sqrt(2))[:, -1]
    return float(np.quantile(tops, 0.998))


def _by_role(stack: Stack, noise: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    part = stack.signs * np.sqrt(np.maximum(noise, 1e-12))
    return part / max(float(np.linalg.norm(part)), 1e-12)


def _block_means(
    plane: npt.NDArray[np.generic], side: int, height: int, width: int
) -> npt.NDArray[np.float64]:
    part = plane[: height * side, : width * side].reshape(height, side, width, side)
    return np.asarray(part.mean(axis=(1, 3), dtype=np.float64))


def log_odds(fraction: Array, classes: Classes, *, scale: float, prior: float = 0.0) -> Array:
    """Return the log odds of metal that a smoothed metal fraction gives.

    Parameters
    ----------
    fraction : numpy.ndarray, dims (y, x)
        Smoothed metal fraction.
    classes : Classes
        Class means.
    scale : float
        Standard deviation of the smoothing (px), which sets how many pixels stand behind one.
    prior : float, optional
        Prior log odds.

    Returns
    -------
    numpy.ndarray of float32, dims (y, x)

    Notes
    -----
    Two normal classes of equal noise variance v: ``ln odds = (f - 1/2) / v + prior``, which is
    the log-likelihood ratio of the averaged counts expanded about half height.
    """
    gain = np.float32(classes.information / noise_gain(scale))
    return ((fraction - 0.5) * gain + np.float32(prior)).astype(np.float32)


def stack_of(
    planes: npt.NDArray[np.generic],
    *,
    elements: Sequence[str],
    signs: Sequence[int],
    valid: Mask,
    variance: npt.NDArray[np.generic] | None,
) -> Stack:
    """Return a stack from plain arrays.

    Parameters
    ----------
    planes : numpy.ndarray, dims (element, y, x)
        Counts, or another quantity.
    elements : sequence of str
        Names.
    signs : sequence of int
        +1 alloy, -1 substrate, 0 other.
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels to use.
    variance : numpy.ndarray or None, dims (element, y, x)
        Noise variance; None means Poisson.

    Returns
    -------
    Stack
    """
    return Stack(planes, variance, valid, tuple(elements), np.array(signs, dtype=np.int8))


def without(stack: Stack, keep: npt.NDArray[np.bool_]) -> Stack:
    """Return the stack with only the planes marked in `keep`."""
    return replace(
        stack,
        planes=stack.planes[keep],
        variance=None if stack.variance is None else stack.variance[keep],
        elements=tuple(e for e, k in zip(stack.elements, keep, strict=True) if k),
        signs=stack.signs[keep],
    )

"""Where the edge of a blurred droplet lies, and how wide the blur is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

Array = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]


def disc_edge_level(radius_over_sigma: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the height of a Gaussian-blurred unit disc at its true edge.

    Parameters
    ----------
    radius_over_sigma : array_like
        Radius in units of the standard deviation of the blur.

    Returns
    -------
    numpy.ndarray
        One half for a straight edge, less for a small disc.

    Notes
    -----
    ``(1 - exp(-a) I0(a)) / 2`` with ``a = (R / sigma)^2``: the probability that a Rice variable
    with its centre on the circle falls inside (Marcum's Q function with equal arguments,
    ``Q1(x, x) = (1 + exp(-x^2) I0(x^2)) / 2``). Cutting a small droplet at one half would lose
    ``sigma^2 / 2 R`` of its radius; cutting it at this height leaves its area unbiased.

    Examples
    --------
    >>> bool(abs(disc_edge_level(50.0) - 0.5) < 0.01)
    True
    """
    a = np.asarray(radius_over_sigma, dtype=np.float64) ** 2
    return np.asarray(0.5 * (1 - special.i0e(a)))


def disc_peak(radius_over_sigma: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the height of a Gaussian-blurred unit disc at its centre.

    Parameters
    ----------
    radius_over_sigma : array_like
        Radius in units of the standard deviation of the blur.

    Returns
    -------
    numpy.ndarray
        ``1 - exp(-R^2 / 2 sigma^2)``.
    """
    return np.asarray(-np.expm1(-0.5 * np.asarray(radius_over_sigma, dtype=np.float64) ** 2))


def signed_distance(mask: Mask) -> Array:
    """Return the distance to the edge of a mask (px), positive inside.

    Parameters
    ----------
    mask : numpy.ndarray of bool, dims (y, x)
        The regions.

    Returns
    -------
    numpy.ndarray of float32, dims (y, x)
    """
    import edt

    solid = np.ascontiguousarray(mask)
    inside = edt.edt(solid, black_border=False, parallel=1)
    outside = edt.edt(~solid, black_border=False, parallel=1)
    inside[inside > 0] -= 0.5
    outside[outside > 0] -= 0.5
    return np.asarray(inside - outside, dtype=np.float32)


def inner_distance(mask: Mask) -> Array:
    """Return the distance to the edge of a mask (px) inside it, and zero outside.

    Parameters
    ----------
    mask : numpy.ndarray of bool, dims (y, x)
        The regions.

    Returns
    -------
    numpy.ndarray of float32, dims (y, x)
        Infinite where the mask has no edge.
    """
    import edt

    inside = edt.edt(np.ascontiguousarray(mask), black_border=False, parallel=1)
    inside[inside > 0] -= 0.5
    return np.asarray(inside, dtype=np.float32)


def estimate_blur(raw: Array, valid: Mask, *, scale: float, noise: float) -> float:
    """Return the standard deviation (px) of the blur between the classes, from the data.

    Parameters
    ----------
    raw : numpy.ndarray, dims (y, x)
        Unsmoothed metal fraction with white noise.
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels to use.
    scale : float
        Smoothing that makes edges reliable (px).
    noise : float
        Standard deviation of `raw` in one pixel at half height.

    Returns
    -------
    float
        0 where no edge was found.

    Notes
    -----
    Edges are drawn on one colour of the chequerboard and the profile across them is read on the
    other, so that the noise which displaced an edge is not the noise of its profile. The
    displaced edges widen the profile by their own jitter, noise over slope, which is subtracted.
    """
    colour = (np.add.outer(np.arange(raw.shape[0]), np.arange(raw.shape[1])) % 2).astype(bool)
    drawn, read = valid & colour, valid & ~colour
    scale = max(scale, 1.0)
    weight = ndimage.gaussian_filter(drawn.astype(np.float32), scale)
    picture = ndimage.gaussian_filter(np.where(drawn, raw, np.float32(0)), scale)
    picture = picture / np.maximum(weight, 1e-3)
    across = signed_distance(picture > 0.5)
    near = read & (np.abs(across) < 12)
    if np.count_nonzero(near) < 50:
        return 0.0
    u = np.rint(across[near]).astype(np.int64) + 12
    n = np.bincount(u, minlength=25).astype(np.float64)
    mean = np.bincount(u, weights=raw[near].astype(np.float64), minlength=25) / np.maximum(n, 1)
    width = _profile_width(np.arange(-12, 13), mean, n)
    slope = 1 / np.sqrt(2 * np.pi * (width**2 + scale**2))
    jitter = noise * np.sqrt(2 / (4 * np.pi * scale**2)) / slope
    # One twelfth for the rounding of the distance and one for the width of a pixel.
    return float(np.sqrt(max(0.0, width**2 - jitter**2 - 1 / 6)))


def _profile_width(
    u: npt.NDArray[np.int64], mean: npt.NDArray[np.float64], n: npt.NDArray[np.float64]
) -> float:
    best, found = np.inf, 0.3
    for width in np.arange(0.3, 6.0, 0.05):
        shape = special.ndtr(u / width)
        # Small droplets end within their own profile: trust the bins close to the edge.
        weight = n * (np.abs(u) <= np.clip(2 * width, 2, 6))
        design = np.stack([np.ones_like(shape), shape])
        normal = (design * weight) @ design.T
        if np.linalg.matrix_rank(normal) < 2:
            continue
        part = np.linalg.solve(normal, (design * weight) @ mean)
        misfit = float(weight @ (mean - part @ design) ** 2 / max(weight.sum(), 1e-12))
        if misfit < best:
            best, found = misfit, float(width)
    return found

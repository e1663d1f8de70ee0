"""Where the edge of a blurred droplet lies, and how wide the blur is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from spattermap.core.arrays import Bools, Singles


def disc_edge_level(radius_over_sigma: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the height of a Gaussian-blurred unit disc at its true edge.

    ``(1 - exp(-a) I0(a)) / 2`` with ``a = (R / sigma)^2``: the probability that a Rice variable
    with its centre on the circle falls inside (Marcum's Q function with equal arguments,
    ``Q1(x, x) = (1 + exp(-x^2) I0(x^2)) / 2``). Cutting a small droplet at one half would lose
    ``sigma^2 / 2 R`` of its radius; cutting it at this height leaves its area unbiased.
    """
    a = np.asarray(radius_over_sigma, dtype=np.float64) ** 2
    return np.asarray(0.5 * (1 - special.i0e(a)))


def disc_peak(radius_over_sigma: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the height of a Gaussian-blurred unit disc at its centre."""
    return np.asarray(-np.expm1(-0.5 * np.asarray(radius_over_sigma, dtype=np.float64) ** 2))


def signed_distance(mask: Bools) -> Singles:
    """Return the distance to the edge of a mask (px), positive inside.

    Dims: `mask` (y, x); returns (y, x).
    """
    import edt

    solid = np.ascontiguousarray(mask)
    inside = edt.edt(solid, black_border=False, parallel=1)
    outside = edt.edt(~solid, black_border=False, parallel=1)
    inside[inside > 0] -= 0.5
    outside[outside > 0] -= 0.5
    return np.asarray(inside - outside, dtype=np.float32)


def inner_distance(mask: Bools) -> Singles:
    """Return the distance to the edge of a mask (px) inside it, and zero outside.

    Dims: `mask` (y, x); returns (y, x).
    """
    import edt

    inside = edt.edt(np.ascontiguousarray(mask), black_border=False, parallel=1)
    inside[inside > 0] -= 0.5
    return np.asarray(inside, dtype=np.float32)

"""The classic overlap coefficients of two maps, as they are used on many counts."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from spattermap.checks import image_2d
from spattermap.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt


class OverlapCoefficients(NamedTuple):
    """Overlap of two maps, noise and all.

    Parameters
    ----------
    pearson : float
        Correlation, -1 to 1.
    overlap : float
        ``sum ab / sqrt(sum a^2 sum b^2)``, 0 to 1.
    k1, k2 : float
        ``sum ab / sum a^2`` and ``sum ab / sum b^2``.
    m1, m2 : float
        Part of the signal of a in pixels where b is above its threshold, and of b where a is.
    icq : float
        Part of pixels in which both maps deviate from their means to the same side, less one
        half; -0.5 to 0.5.
    """

    pearson: float
    overlap: float
    k1: float
    k2: float
    m1: float
    m2: float
    icq: float


def overlap_coefficients(
    a: npt.ArrayLike, b: npt.ArrayLike, *, threshold_a: float = 0.0, threshold_b: float = 0.0
) -> OverlapCoefficients:
    """Return the classic overlap coefficients of two maps.

    Parameters
    ----------
    a, b : array_like, dims (y, x)
        Maps of zero or positive values.
    threshold_a, threshold_b : float, optional
        A pixel holds an element where its map is above this (unit of the maps).

    Returns
    -------
    OverlapCoefficients

    Raises
    ------
    InputError
        If the maps differ in shape, hold nothing or do not vary.

    Notes
    -----
    Counting noise lowers every one of them, and a threshold on few counts divides noise. At less
    than some ten counts a pixel use `noise_corrected_correlation` and `share_with_alloy`.

    References
    ----------
    Manders, Verbeek and Aten, Journal of Microscopy 169 (1993) 375.
    Li et al., Journal of Neuroscience 24 (2004) 4070.
    """
    x, y = (image_2d(m, n).astype(np.float64) for m, n in ((a, "a"), (b, "b")))
    if x.shape != y.shape or not (np.ptp(x) > 0 and np.ptp(y) > 0):
        raise InputError(
            f"a and b must vary and have one shape, got {x.shape} and {y.shape}. "
            "Take two maps of one map set."
        )
    product, xx, yy = float((x * y).sum()), float((x**2).sum()), float((y**2).sum())
    apart = (x - x.mean()) * (y - y.mean())
    return OverlapCoefficients(
        pearson=float(apart.sum() / np.sqrt(x.var() * y.var()) / x.size),
        overlap=product / np.sqrt(xx * yy),
        k1=product / xx,
        k2=product / yy,
        m1=float(x[y > threshold_b].sum() / x.sum()),
        m2=float(y[x > threshold_a].sum() / y.sum()),
        icq=float((apart > 0).mean() - 0.5),
    )

"""What is estimated once for a whole field, from a sample of it, before any region is drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.segmentation.estimation import Estimate, estimate
from spattermap.segmentation.likelihood import Array, Stack, metal_fraction

_LEAST_INSIDE = 100  # px inside the metal from which their texture is taken seriously


@dataclass(frozen=True)
class Ground:
    """Classes, structure and filter of a field, and the noise where it had to be estimated.

    Parameters
    ----------
    known : Estimate
        Classes, structure and filter.
    variance : numpy.ndarray of float32, dims (element,), or None
        Estimated noise variance of each plane; None where it is carried or follows from counting.
    """

    known: Estimate
    variance: Array | None

    def noisy(self, stack: Stack) -> Stack:
        """Return the stack with the estimated variance, if there is one, in every pixel."""
        return stack if self.variance is None else _with_variance(stack, self.variance)


def ground_of(sample: Stack, *, noise_known: bool) -> Ground:
    """Estimate what holds for a whole field.

    Parameters
    ----------
    sample : Stack
        The field, or the windows of a large one (`estimation.sample_of`).
    noise_known : bool
        False where the maps are neither counts nor carry a variance.

    Returns
    -------
    Ground
    """
    if noise_known:
        return Ground(estimate(sample), None)
    variance = estimated_variance(sample.planes)
    known = estimate(_with_variance(sample, variance))
    variance = np.maximum(variance, _texture(sample, known))
    return Ground(estimate(_with_variance(sample, variance)), variance)


def _with_variance(stack: Stack, variance: Array) -> Stack:
    return replace(stack, variance=np.broadcast_to(variance[:, None, None], stack.planes.shape))


def _texture(sample: Stack, known: Estimate) -> Array:
    """Return the variance that each plane has inside the metal; zero where there is too little.

    Where the noise had to be estimated, what varies inside the metal at the finest scale cannot
    tell metal from bare, whether it is noise or relief.
    """
    none = np.zeros(len(sample.planes), np.float32)
    if known.filter is None or known.classes.information == 0:
        return none
    inside = known.filter.apply(metal_fraction(sample, known.classes), sample.valid) > 0.5
    inside = ndimage.binary_erosion(inside & sample.valid, iterations=2)
    if np.count_nonzero(inside) < _LEAST_INSIDE:
        return none
    return np.array([float(p[inside].var(dtype=np.float64)) for p in sample.planes], np.float32)


def estimated_variance(planes: npt.NDArray[np.generic]) -> Array:
    """Return the white-noise variance of each plane, from differences of neighbours.

    Parameters
    ----------
    planes : numpy.ndarray, dims (element, y, x)
        Maps in any unit.

    Returns
    -------
    numpy.ndarray of float32, dims (element,)
    """
    out = np.empty(len(planes), np.float32)
    for k, plane in enumerate(planes):
        p = plane.astype(np.float32)
        # Second differences cancel levels and slopes; the median ignores the edges (Rank et al.
        # 1999). 0.6745 is the median of |N(0, 1)|, and the coefficients square-sum to 36.
        d = p[1:-1, 1:-1] * 4 - 2 * (p[:-2, 1:-1] + p[2:, 1:-1] + p[1:-1, :-2] + p[1:-1, 2:])
        d += p[:-2, :-2] + p[:-2, 2:] + p[2:, :-2] + p[2:, 2:]
        out[k] = max((float(np.median(np.abs(d))) / 0.6745) ** 2 / 36, 1e-12)
    return out

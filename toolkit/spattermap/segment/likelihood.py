"""How much each pixel looks like metal: class means, log-likelihood ratio, information.

The picture of a pixel is ``mean_e = m0_e + f (m1_e - m0_e)`` with f the metal fraction seen by
the detector: 0 on the bare plate, 1 on typical metal, in between under the blurred edge. Every
element takes part: the alloy's lines rise with f and the substrate's fall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from spattermap.core.arrays import Bools, Singles


@dataclass(frozen=True)
class Planes:
    """The planes a segmentation works on."""

    planes: npt.NDArray[np.generic]  # (element, y, x): counts, or another quantity
    # (element, y, x): noise variance of `planes`; None means Poisson
    variance: npt.NDArray[np.generic] | None
    valid: Bools  # (y, x): False where a pixel must not be used
    elements: tuple[str, ...]  # name of each plane
    # (element,): +1 for alloy elements, -1 for the substrate's, 0 for the others
    signs: npt.NDArray[np.int8]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the field."""
        return self.valid.shape


@dataclass(frozen=True)
class Classes:
    """Means of bare plate and metal, and what one pixel tells about them."""

    # (element,): mean of each plane in the two classes (unit of the maps per pixel)
    bare: npt.NDArray[np.float64]
    metal: npt.NDArray[np.float64]
    # (element,): noise variance of each plane in the two classes
    noise_bare: npt.NDArray[np.float64]
    noise_metal: npt.NDArray[np.float64]
    # (element,): weights of the linear metal fraction ``f = sum w_e (n_e - m0_e)``, with f = 1 on
    # metal
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

    Dims: `bare, metal` (element,), `noise_bare, noise_metal` (element,), `signs` (element,).

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


def metal_fraction(stack: Planes, classes: Classes) -> Singles:
    """Return the unsmoothed estimate of the metal fraction of every pixel.

    Returns dims (y, x).
    """
    total = np.full(stack.shape, -float(classes.weights @ classes.bare), dtype=np.float32)
    for weight, plane in zip(classes.weights, stack.planes, strict=True):
        if weight != 0:
            total += np.float32(weight) * plane
    total[~stack.valid] = 0.0
    return total


def log_odds(fraction: Singles, classes: Classes, *, gain: float, prior: float = 0.0) -> Singles:
    """Return the log odds of metal that a smoothed metal fraction gives.

    Dims: `fraction` (y, x); returns (y, x).

    Two normal classes of equal noise variance v: ``ln odds = (f - 1/2) / v + prior``, which is
    the log-likelihood ratio of the averaged counts expanded about half height.
    """
    slope = np.float32(classes.information / gain)
    return ((fraction - 0.5) * slope + np.float32(prior)).astype(np.float32)


def stack_of(
    planes: npt.NDArray[np.generic],
    *,
    elements: Sequence[str],
    signs: Sequence[int],
    valid: Bools,
    variance: npt.NDArray[np.generic] | None,
) -> Planes:
    """Return a stack from plain arrays.

    Dims: `planes` (element, y, x), `valid` (y, x), `variance` (element, y, x).
    """
    return Planes(planes, variance, valid, tuple(elements), np.array(signs, dtype=np.int8))


def without(stack: Planes, keep: npt.NDArray[np.bool_]) -> Planes:
    """Return the stack with only the planes marked in `keep`."""
    return replace(
        stack,
        planes=stack.planes[keep],
        variance=None if stack.variance is None else stack.variance[keep],
        elements=tuple(e for e, k in zip(stack.elements, keep, strict=True) if k),
        signs=stack.signs[keep],
    )

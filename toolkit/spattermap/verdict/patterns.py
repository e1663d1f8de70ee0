"""Whether an element lies in a pattern of its own over the bare area.

A glass constituent, and the continuum, lie there as evenly as the glass does. An element that lies
in patches which neither the substrate lines nor the haze of the alloy share was deposited.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from spattermap.core.arrays import Bools
from spattermap.core.estimate import bootstrap_weights, interval
from spattermap.noise.moments import BlockMoments, Totals, block_moments

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings


# Fewer bare pixels than this cannot show a pattern.
LEAST_PIXELS = 400


@dataclass(frozen=True)
class Pattern:
    """Relative standard deviation of an element over the bare area, others' patterns taken off."""

    # relative standard deviation of the material and its bounds; 0 where no variation beyond
    # the noise is left
    contrast: float
    contrast_low: float
    contrast_high: float
    z: float  # its variance in standard errors of counting


def bare_moments(maps: xr.Dataset, far: Bools, *, block_px: int) -> BlockMoments | None:
    """Return the moments of the bare area far from metal, as `zone_map` gives it.

    Dims: `far` (y, x).
    """
    if far.sum() < LEAST_PIXELS:
        return None
    found = block_moments(maps.assign(valid=(("y", "x"), far)), block_px=block_px)
    return found if not np.isnan(found.noise).any() else None


def variation_z(bare: BlockMoments | None, element: str) -> float:
    """Return how far a map varies over the bare area beyond its noise.

    The variance of a sample variance of n values is ``(2 V^2 + k4) / n``; for Poisson counts the
    fourth cumulant k4 is the mean V (Kendall and Stuart, vol. 1, eq. 10.9, from memory). For other
    noise k4 = 0 is used, which is right for normal noise.
    """
    if bare is None:
        return 0.0
    e = bare.index(element)
    noise = float(bare.noise[:, e, e].sum() / bare.n.sum())
    if not noise > 0:
        return 0.0
    fourth = noise if bare.noise_source == "counting" else 0.0
    return float(bare.covariance()[e, e] / _variance_error(noise, fourth, bare.totals()))


def _variance_error(noise: float, fourth: float, totals: Totals) -> float:
    """Return the standard error of a noise-corrected variance of material that does not vary."""
    return float(np.sqrt((2.0 * noise**2 + fourth) / totals.n.sum()))


def own_pattern(
    bare: BlockMoments,
    element: str,
    roles: Roles,
    *,
    borrowed: Mapping[str, float] | None = None,
    settings: Settings,
) -> Pattern | None:
    """Return the pattern of an element that neither substrate nor alloy shares.

    The noise-corrected variance of the element, less its parts along the sum of the substrate
    lines and along the sum of the other alloy elements where these vary beyond their noise, and
    less what continuum and leaks of the other elements may bring. Its standard error is that of
    counting where no such pattern is (see `variation_z`): the pattern of this field is in
    question, not that of other fields. None where the noise is not known: a faint pattern is what
    is left when it is taken off, and an estimate is not good enough for that.
    """
    if bare.noise_source in ("estimated", "unknown"):
        return None
    groups: list[tuple[str, ...]] = [(element,)]
    for role in (roles.substrate, roles.alloy):
        others = tuple(e for e in role if e != element)
        if others:
            groups.append(others)
    totals = bare.combine(groups)
    weights = bootstrap_weights(bare.n_blocks, settings.n_resamples, settings.seed)
    mean, covariance = totals.resampled(weights)
    if not mean[0, 0] > 0:
        return None
    own = covariance[:, 0, 0].copy()
    noise = totals.noise.sum(axis=0).diagonal() / totals.n.sum()
    counting = bare.noise_source == "counting"
    # Noise left in the element less its part along the others: variance and fourth cumulant.
    left, fourth = noise[0], noise[0] if counting else 0.0
    for other in range(1, len(groups)):
        shared, spread = covariance[:, 0, other], covariance[:, other, other]
        # Only a pattern that is established in the other signal, and goes the same way, can
        # explain one here: a film throws a shadow on the substrate lines, its opposite.
        error = _variance_error(noise[other], noise[other] if counting else 0.0, totals)
        if spread[0] > 2.0 * error and shared[0] > 0:
            own -= shared**2 / np.maximum(spread, 1e-3 * spread[0])
            slope = float(shared[0] / spread[0])
            left += slope**2 * noise[other]
            fourth += slope**4 * noise[other] if counting else 0.0
    for name, part in (borrowed or {}).items():
        i = bare.index(name)
        spread = bare.totals().resampled(weights)[1][:, i, i]
        if spread[0] > 2.0 * np.std(spread[1:]):
            own -= part**2 * np.maximum(spread, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = own / mean[:, 0] ** 2
    relative = np.where(np.isfinite(relative), relative, 0.0)  # a resample without a count
    low, high = interval(
        relative[1:], float(relative[0]), level=settings.level, n_blocks=bare.n_blocks
    )
    error = _variance_error(left, fourth, totals)
    root = [float(np.sqrt(max(v, 0.0))) for v in (relative[0], low, high)]
    return Pattern(root[0], root[1], root[2], float(own[0]) / error if error > 0 else 0.0)

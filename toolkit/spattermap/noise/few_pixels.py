"""A few pixels that own a map's variance, and with it every correlation of that map."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import xarray as xr

from spattermap.core.arrays import Array
from spattermap.core.mapset import valid_mask
from spattermap.noise.moments import block_moments

if TYPE_CHECKING:
    from spattermap.noise.moments import BlockMoments

# The brightest part of a map that counts as few, and the share of the variance they must own.
FEW = 0.003
OWNED = 0.5
# Mean square of the brightest `FEW` of normal deviates, less one: z phi(z) / p.
TAIL = 8.38
HALVING_SEED = 20_012  # the draw that parts counts is the same for the same maps
# Two correlations that lie nearer than this say the same, however well they are known.
FAR = 0.2


class Few(NamedTuple):
    """What the brightest pixels of a map own."""

    share: float  # of the material's variance; NaN where the map does not vary beyond its noise
    error: float  # of the share, one standard error; NaN where the share is too small to matter
    limit: float  # the values above this are the few

    @property
    def own(self) -> bool:
        """True where the few surely own the variance."""
        return bool(self.share - 2 * self.error >= OWNED)


def variance_of_few(plane: Array, noise: float) -> Few:
    """Return the share of the material's variance in the brightest `FEW`, and the least of them.

    Dims: `plane` (pixel,). `noise` is the mean variance of a pixel, that of the few in proportion
    to them; whole numbers whose noise is their mean are Poisson counts.

    The brightest pixels of pure noise are bright by noise, so what they seem to own is not theirs:
    at 0.1 counts a pixel they would own all of a variance that no pixel owns. Counts are therefore
    parted into two halves at random, which are independent (thinning: Kingman, Poisson Processes
    (1993), 5.1), the few are chosen in one half and their share is taken from the other. Else the
    square of the normal's tail, ``z phi(z) / p`` beyond one, is taken off for each of them. The
    error is that of a ratio of sums (Cochran, Sampling Techniques (1977), 2.11; from memory).
    """
    few = max(1, int(FEW * plane.size))
    mean, whole = float(plane.mean()), float(plane.var(dtype=np.float64)) - noise
    # Beyond the scatter of a variance: ``v sqrt(2/N)``, three times (Fisher 1950).
    if not whole > 3 * noise * np.sqrt(2 / plane.size) or mean <= 0:
        return Few(float("nan"), float("nan"), float("inf"))
    limit = float(_from_the_top(plane, few))
    bright = plane > limit
    squares = (plane[bright] - mean) ** 2 - noise * plane[bright] / mean
    seeming = float(squares.sum()) / (whole * plane.size)  # never less than the fair share
    if seeming >= OWNED and np.isclose(noise, mean) and np.array_equal(plane, np.rint(plane)):
        return _of_halves(plane, few, limit)
    own = float(squares.sum()) - np.count_nonzero(bright) * TAIL * noise * max(limit / mean, 1.0)
    share = float(np.clip(own / (whole * plane.size), 0.0, 1.0))
    if share < OWNED:  # its error decides nothing, and takes a pass over all pixels
        return Few(share, float("nan"), limit)
    rest = ((plane - mean) ** 2 - noise) * (bright - share)
    return Few(share, float(np.sqrt((rest**2).sum())) / (whole * plane.size), limit)


def _from_the_top(values: Array, place: int) -> Any:
    """Return the value that is so many places from the top, the largest being the first.

    Sought among those that a sample tells to be large: to part all of them takes ten times as long.
    """
    sample = values[::16]
    at = sample.size - min(sample.size, max(1, 2 * place // 16))
    top = values[values >= np.partition(sample, at)[at]]
    if top.size < place:
        top = values
    return np.partition(top, top.size - place)[top.size - place]


def _of_halves(plane: Array, few: int, limit: float) -> Few:
    """Return what the few of one half of the counts own of the variance of the other half."""
    one = np.random.default_rng(HALVING_SEED).binomial(plane.astype(np.int64), 0.5)
    halves = one.astype(np.float64), plane - one
    own, whole, parts = 0.0, 0.0, []
    for chosen_in, seen in (halves, halves[::-1]):
        least = _from_the_top(chosen_in, few)
        squares = (seen - seen.mean()) ** 2 - seen
        parts.append((squares, chosen_in > least))
        own += float(squares[parts[-1][1]].sum())
        whole += float(squares.sum())
    if not whole > 0:
        return Few(float("nan"), float("nan"), float("inf"))
    share = float(np.clip(own / whole, 0.0, 1.0))
    error = sum(np.sqrt(((squares * (bright - share)) ** 2).sum()) for squares, bright in parts)
    return Few(share, float(error / whole), limit)


def moments_without_few(
    maps: xr.Dataset, moments: BlockMoments
) -> tuple[BlockMoments, dict[str, float]] | None:
    """Return block moments without the pixels that own a map's variance, and the share they own.

    Of the maps of which it is more than `OWNED`; None where there are none, which is the rule.
    """
    noise = moments.noise.sum(axis=0).diagonal() / moments.n.sum()
    valid = valid_mask(maps)
    kept = valid.copy()
    shares: dict[str, float] = {}
    for k, element in enumerate(moments.elements):
        if not np.isfinite(noise[k]):
            continue
        plane = np.asarray(maps["counts"].sel(element=element).values)
        few = variance_of_few(plane[valid], float(noise[k]))
        if few.own:
            shares[element] = few.share
            kept &= plane <= few.limit
    if not shares or not kept.any():
        return None
    left = block_moments(maps.assign(valid=(("y", "x"), kept)), block_px=moments.block_px)
    return replace(left, inflation=moments.inflation), shares

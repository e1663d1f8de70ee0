"""Local bare level: haze and uneven background that would pass for metal, or hide it.

Sums over square blocks of pixels (numba): the same bits whatever part of a field is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import ndimage

from spattermap.core.arrays import Bools, Floats, Singles
from spattermap.core.squares import all_squares, between_squares, square_areas


@njit(cache=True, nogil=True)
def block_sums(
    picture: npt.NDArray[np.float32], used: npt.NDArray[np.bool_], side: int
) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Return sum and number of the used pixels of every block.

    Dims: `picture` (y, x), `used` (y, x); returns (block row, block column).

    Pixels are added one by one in raster order, so a block's sum does not depend on how large the
    part is in which it was given.
    """
    rows, columns = picture.shape
    shape = (-(-rows // side), -(-columns // side))
    sums = np.zeros(shape)
    counts = np.zeros(shape, np.int64)
    for y in range(rows):
        up = y // side
        for across in range(shape[1]):
            total = sums[up, across]
            n = counts[up, across]
            for x in range(across * side, min((across + 1) * side, columns)):
                if used[y, x]:
                    total += picture[y, x]
                    n += 1
            sums[up, across] = total
            counts[up, across] = n
    return sums, counts


_UNEVEN = 0.05  # standard deviation of the bare level, in units of the step to metal
_WIDTH = 2.5  # smoothing of the bare level in diameters: wide enough to see between droplets
MOST_MARGIN = 4  # px from a region within which no pixel counts as bare


@dataclass(frozen=True)
class Reach:
    """How widely the bare level is smoothed."""

    scale: float  # standard deviation of the smoothing (px)
    side: int  # side of the blocks on which it is done (px)
    margin: int  # distance (px) from a region within which no pixel counts as bare

    @classmethod
    def of(cls, diameter: float, shape: tuple[int, int]) -> Reach:
        """Return the reach for a typical diameter of the droplets (px) in a field."""
        scale = float(np.clip(_WIDTH * diameter, 16.0, 0.25 * min(shape)))
        margin = max(1, round(min(0.25 * diameter, float(MOST_MARGIN))))
        return cls(scale, max(1, int(scale / 4)), margin)

    def bare(self, fraction: Singles, valid: Bools) -> Bools:
        """Return the pixels that count as bare; those `margin` from the edge need what is there."""
        bare = (fraction < 0.5) & valid
        for _ in range(self.margin):
            before = bare.copy()
            bare[1:] &= before[:-1]
            bare[:-1] &= before[1:]
            bare[:, 1:] &= before[:, :-1]
            bare[:, :-1] &= before[:, 1:]
        return np.asarray(bare)


@dataclass(frozen=True)
class BareSums:
    """Sums over the bare pixels of every block, dims (block row, block column)."""

    n: Floats  # bare pixels
    total: Floats  # sum of the unfiltered metal fraction over them
    n_valid: Floats  # valid pixels


def bare_sums(raw: Singles, bare: Bools, valid: Bools, *, side: int) -> BareSums:
    """Return the sums of a field, or of a part of it that starts on a block's border.

    Dims: `raw` (y, x), `bare, valid` (y, x).
    """
    total, n = block_sums(raw, bare, side)
    n_valid = all_squares(valid, side)
    return BareSums(n.astype(np.float64), total, n_valid)


@dataclass(frozen=True)
class Level:
    """The uneven part of the bare level, known on blocks and interpolated between them."""

    # (block row, block column): smoothed share of bare pixels and smoothed sum of the metal
    # fraction over them
    weight: Singles
    total: Singles
    mean: float  # bare level of the whole field
    side: int  # side of a block (px)

    def to_arrays(self) -> tuple[Singles, Singles, Floats]:
        """Return it as numbers alone."""
        return self.weight, self.total, np.array([self.mean, self.side])

    @classmethod
    def from_arrays(cls, weight: Singles, total: Singles, rest: Floats) -> Level:
        """Return it as `to_arrays` gave it."""
        return cls(weight, total, float(rest[0]), int(rest[1]))

    def at(self, rows: slice, columns: slice) -> Singles:
        """Return the metal fraction of the bare plate around pixels, less the field's mean.

        Returns dims (y, x).
        """
        weight, total = (
            between_squares(values, self.side, rows, columns)
            for values in (self.weight, self.total)
        )
        return self._combined(weight, total)

    @cached_property
    def coarse(self) -> Singles:
        """The level at the middle of every block."""
        return self._combined(self.weight, self.total)

    def _combined(self, weight: Singles, total: Singles) -> Singles:
        level = total / np.maximum(weight, np.float32(1e-3)) - np.float32(self.mean)
        # Where no bare plate is near, the field's mean is the better guess.
        return np.asarray(np.minimum(weight / np.float32(0.05), np.float32(1)) * level)


def level_of(sums: BareSums, reach: Reach, *, shape: tuple[int, int], noise: float) -> Level | None:
    """Return the bare level around every pixel, or None where it is even."""
    area = square_areas(shape, reach.side)
    part = float(sums.n.sum() / area.sum())
    if part < 0.02:
        return None
    weight, total = (
        ndimage.gaussian_filter(
            (values / area).astype(np.float32), reach.scale / reach.side, mode="nearest"
        )
        for values in (sums.n, sums.total)
    )
    level = Level(weight, total, float(sums.total.sum() / sums.n.sum()), reach.side)
    noise_left = noise / np.sqrt(4 * np.pi * reach.scale**2 * max(part, 0.02))
    share = sums.n_valid / sums.n_valid.sum()
    middle = float((share * level.coarse).sum())
    spread = float(np.sqrt((share * (level.coarse - middle) ** 2).sum()))
    return None if spread < max(_UNEVEN, 3 * noise_left) else level

"""Sums over zones of the field: far bare, rim, droplets and streaks, block by block.

The blur of beam and interaction volume carries counts of a droplet over its edge. A rim as wide as
that blur is therefore kept apart: what it holds above the level of the far bare area belongs to
the metal (the aperture correction of stellar photometry), and the far area is free of it.

Moments of maps summed over small squares, for correlations that single pixels cannot show.

At a tenth of a count per pixel the products of two pixels are almost all noise. Summed over a
square smaller than a droplet the material's part grows with the number of pixels and the noise's
with its root, so the noise-corrected correlation becomes known where that of pixels is not.

What haze of the alloy does to the bare area: it shades the glass and raises the continuum.

A blank is scaled by the substrate lines of the bare area. Haze shades these, so the dose comes out
too small, and with it the continuum expected of the glass; the haze adds a continuum of its own.
Both go with how much of the metal's signal the haze gives, which is measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from spattermap.core.arrays import Bools, Floats, Labels
from spattermap.core.mapset import make_map_set, noise_is_known, valid_mask
from spattermap.core.squares import whole_squares
from spattermap.noise.moments import BlockMoments, block_moments

if TYPE_CHECKING:
    from collections.abc import Sequence

    from spattermap.core.mapset import Roles


# Counts of the poorest element wished in a square, as a mean over the field.
COUNTS_PER_SQUARE = 4.0
# Squares wider than this part of a droplet would mix it with what lies beside it.
LARGEST_PART_OF_DROPLET = 0.5
# Fewer squares along a side leave too little to resample.
LEAST_SQUARES = 16


def square_side(moments: BlockMoments, labels: Labels, roles: Roles, *, n_droplets: int) -> int:
    """Return the side of the squares (px); 1 where single pixels hold counts enough.

    Dims: `labels` (y, x).
    """
    if not roles.alloy or not n_droplets:
        return 1
    total = moments.s1.sum(axis=0)
    noise = moments.noise.sum(axis=0).diagonal()
    if moments.quantity != "counts" or not np.allclose(noise, total):
        return 1  # only plain counts add up to counts with the same noise
    mean = float(moments.mean[moments.mean > 0].min(initial=np.inf))
    area = np.bincount(labels.ravel())[1 : n_droplets + 1]
    diameter = float((2.0 * np.sqrt(area / np.pi) * area).sum() / max(area.sum(), 1))
    wished = np.sqrt(COUNTS_PER_SQUARE / mean)
    most = min(LARGEST_PART_OF_DROPLET * diameter, min(labels.shape) / LEAST_SQUARES)
    return max(1, int(min(np.ceil(wished), most)))


def square_moments(maps: xr.Dataset, *, side: int) -> BlockMoments | None:
    """Return the moments of counts summed over squares."""
    if side < 2:
        return None
    valid = valid_mask(maps)
    planes = [whole_squares(plane.values, side) for plane in maps["counts"]]
    whole = whole_squares(valid, side) == side**2
    if not whole.any():
        return None
    names = [str(name) for name in maps["element"].values]
    sums = np.stack(planes)
    return block_moments(make_map_set(sums, names, valid=whole), noise=sums)


ZONES = ("far", "rim", "droplet", "streak")
FAR, RIM, DROPLET, STREAK = range(4)

# Width of the rim in standard deviations of the blur: a Gaussian step has 0.1 % left at 3.
RIM_BLURS = 3.0
# Part of the bare area that must stay far from metal; the rim is made narrower to leave it.
LEAST_FAR = 0.2


@dataclass(frozen=True)
class ZoneSums:
    """Additive sums over blocks and zones."""

    elements: tuple[str, ...]  # the elements
    n: Floats  # valid pixels in each of `ZONES`; dims (block, zone)
    s: Floats  # sums, in the unit of the maps; dims (block, zone, element)
    noise: Floats  # summed noise variance; NaN where it is unknown; dims (block, zone, element)
    rim_px: float  # width of the rim (px)

    @property
    def n_blocks(self) -> int:
        """Number of blocks."""
        return int(self.n.shape[0])

    def merge(self, other: ZoneSums) -> ZoneSums:
        """Return the sums of two fields together; the blocks of both can then be resampled."""
        return ZoneSums(
            self.elements,
            np.concatenate([self.n, other.n]),
            np.concatenate([self.s, other.s]),
            np.concatenate([self.noise, other.noise]),
            max(self.rim_px, other.rim_px),
        )

    def resampled(self, weights: Floats) -> tuple[Floats, Floats]:
        """Return the sums for each row of weights: n (row, zone), s (row, zone, element)."""
        return weights @ self.n, np.einsum("rb,bze->rze", weights, self.s)


def zone_map(metal: Bools, blur_px: float, valid: Bools) -> tuple[Bools, float]:
    """Return the bare pixels that no blurred metal edge reaches.

    Dims: `metal` (y, x), `valid` (y, x); returns (y, x).
    """
    bare = valid & ~metal
    if not metal.any() or not bare.any():
        return bare, 0.0
    from spattermap.measure.shapes import squared_distance_to

    away = squared_distance_to(metal)
    wished = RIM_BLURS * max(blur_px, 0.5) + 1.0
    for part in (1.0, 0.75, 0.5, 0.25):
        far = bare & (away > (part * wished) ** 2)
        if far.sum() >= LEAST_FAR * bare.sum():
            return far, part * wished
    return bare, 0.0


def zone_sums(
    maps: xr.Dataset,
    labels: Labels | None,
    *,
    block_px: int,
    n_droplets: int = 0,
    blur_px: float = 1.0,
    far: tuple[Bools, float] | None = None,
) -> ZoneSums:
    """Return the sums of a map set over blocks and zones; `far` is what `zone_map` gave, if known.

    Dims: `labels` (y, x).
    """
    valid = valid_mask(maps)
    zones = np.full(valid.shape, FAR, dtype=np.uint8)
    rim_px = 0.0
    if labels is not None:
        bare, rim_px = far if far is not None else zone_map(labels > 0, blur_px, valid)
        zones[~bare] = RIM
        zones[labels > 0] = DROPLET
        zones[labels > n_droplets] = STREAK
    height, width = valid.shape
    blocks_y, blocks_x = max(1, height // block_px), max(1, width // block_px)
    columns = (np.arange(width) * blocks_x // width).astype(np.int64) * len(ZONES)
    edges = -(-np.arange(blocks_y + 1) * height // blocks_y)
    names = tuple(str(name) for name in maps["element"].values)
    counts = maps["counts"].values
    spread = maps["variance"].values if "variance" in maps else None
    shape = (blocks_y, blocks_x, len(ZONES))
    n, s = np.zeros(shape), np.zeros((*shape, len(names)))
    noise = np.full_like(s, np.nan) if spread is not None or not noise_is_known(maps) else s
    # A row of blocks at a time: what is summed stays in the processor's cache.
    for row in range(blocks_y):
        strip = slice(edges[row], edges[row + 1])
        used = valid[strip]
        where = (columns + zones[strip])[used]
        summed = partial(np.bincount, where, minlength=n[row].size)
        n[row] = summed().reshape(shape[1:])
        for k in range(len(names)):
            s[row, ..., k] = summed(counts[k, strip][used]).reshape(shape[1:])
            if spread is not None:
                noise[row, ..., k] = summed(spread[k, strip][used]).reshape(shape[1:])
    blocks = (blocks_y * blocks_x, len(ZONES))
    s, noise = s.reshape(*blocks, -1), noise.reshape(*blocks, -1)
    return ZoneSums(names, n.reshape(blocks), s, noise, rim_px)


# Shade deeper than this is no haze any more: the gaps are then said to be too narrow, or the field
# to hold no bare area.
DEEPEST_SHADE = 0.5


def haze_part(between: Floats, on_metal: Floats, alloy: Sequence[int]) -> Floats:
    """Return the haze's signal over that of the metal.

    Dims: `between, on_metal` (resample, element); returns (resample,).
    """
    if not alloy:
        return np.zeros(len(between))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(on_metal > 0, between / on_metal, 0.0)[:, list(alloy)]
    return np.asarray(np.clip(np.nan_to_num(ratio.min(axis=1)), 0.0, 1.0))


def under_haze(part: Floats, visible: float, rise: float) -> tuple[Floats, Floats]:
    """Return what haze does to the signal of the glass and to the continuum of the bare area.

    Dims: `part` (resample,); returns (resample,), (resample,).

    Haze that gives a part h of the metal's counts covers the glass, and raises the continuum, by
    the part h of what the metal does: exact where the metal is thick and absorption is small.
    """
    seen = visible if np.isfinite(visible) else 0.5
    shade = np.maximum(1.0 - part * (1.0 - seen), DEEPEST_SHADE)
    return shade, 1.0 + part * (rise - 1.0)

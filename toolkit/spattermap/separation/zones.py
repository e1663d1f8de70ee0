"""Sums over zones of the field: far bare, rim, droplets and streaks, block by block.

The blur of beam and interaction volume carries counts of a droplet over its edge. A rim as wide as
that blur is therefore kept apart: what it holds above the level of the far bare area belongs to
the metal (the aperture correction of stellar photometry), and the far area is free of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spattermap.mapset import noise_is_known, valid_mask

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr

    Floats = npt.NDArray[np.float64]

ZONES = ("far", "rim", "droplet", "streak")
FAR, RIM, DROPLET, STREAK = range(4)

# Width of the rim in standard deviations of the blur: a Gaussian step has 0.1 % left at 3.
RIM_BLURS = 3.0
# Part of the bare area that must stay far from metal; the rim is made narrower to leave it.
LEAST_FAR = 0.2


@dataclass(frozen=True)
class ZoneSums:
    """Additive sums over blocks and zones.

    Parameters
    ----------
    elements : tuple of str
        The elements.
    n : numpy.ndarray, dims (block, zone)
        Valid pixels in each of `ZONES`.
    s : numpy.ndarray, dims (block, zone, element)
        Sums, in the unit of the maps.
    noise : numpy.ndarray, dims (block, zone, element)
        Summed noise variance; NaN where it is unknown.
    rim_px : float
        Width of the rim (px).
    """

    elements: tuple[str, ...]
    n: Floats
    s: Floats
    noise: Floats
    rim_px: float

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


def zone_map(
    metal: npt.NDArray[np.bool_], blur_px: float, valid: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.bool_], float]:
    """Return the bare pixels that no blurred metal edge reaches.

    Parameters
    ----------
    metal : numpy.ndarray of bool, dims (y, x)
        Droplets and streaks.
    blur_px : float
        Standard deviation of the blur (px).
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels that may be used.

    Returns
    -------
    far : numpy.ndarray of bool, dims (y, x)
    rim_px : float
        Width of the rim actually used (px).
    """
    bare = valid & ~metal
    if not metal.any() or not bare.any():
        return bare, 0.0
    from scipy.ndimage import distance_transform_edt

    away = distance_transform_edt(~metal)
    wished = RIM_BLURS * max(blur_px, 0.5) + 1.0
    for part in (1.0, 0.75, 0.5, 0.25):
        far = bare & (away > part * wished)
        if far.sum() >= LEAST_FAR * bare.sum():
            return far, part * wished
    return bare, 0.0


def zone_sums(
    maps: xr.Dataset,
    labels: npt.NDArray[np.int32] | None,
    *,
    block_px: int,
    n_droplets: int = 0,
    blur_px: float = 1.0,
) -> ZoneSums:
    """Return the sums of a map set over blocks and zones.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    labels : numpy.ndarray of int32, dims (y, x), or None
        Droplets and streaks; None counts every pixel as far bare (a blank).
    block_px : int
        Side of a block (px).
    n_droplets : int, optional
        Labels above it are streaks.
    blur_px : float, optional
        Standard deviation of the blur (px).

    Returns
    -------
    ZoneSums
    """
    valid = valid_mask(maps)
    zones = np.full(valid.shape, FAR, dtype=np.int64)
    rim_px = 0.0
    if labels is not None:
        far, rim_px = zone_map(labels > 0, blur_px, valid)
        zones[~far] = RIM
        zones[labels > 0] = DROPLET
        zones[labels > n_droplets] = STREAK
    height, width = valid.shape
    blocks_y, blocks_x = max(1, height // block_px), max(1, width // block_px)
    rows = np.arange(height) * blocks_y // height
    columns = np.arange(width) * blocks_x // width
    blocks = rows[:, None] * blocks_x + columns[None, :]
    where = (blocks * len(ZONES) + zones)[valid]
    size = blocks_y * blocks_x * len(ZONES)
    shape = (blocks_y * blocks_x, len(ZONES))

    def summed(plane: npt.NDArray[np.float64] | None) -> Floats:
        weights = None if plane is None else plane[valid]
        return np.bincount(where, weights, minlength=size).astype(np.float64).reshape(shape)

    names = tuple(str(name) for name in maps["element"].values)
    planes = [np.asarray(maps["counts"][i].values, dtype=np.float64) for i in range(len(names))]
    s = np.stack([summed(plane) for plane in planes], axis=-1)
    if "variance" in maps:
        spread = [np.asarray(maps["variance"][i].values, np.float64) for i in range(len(names))]
        noise = np.stack([summed(plane) for plane in spread], axis=-1)
    else:
        noise = s if noise_is_known(maps) else np.full_like(s, np.nan)
    return ZoneSums(names, summed(None), s, noise, rim_px)

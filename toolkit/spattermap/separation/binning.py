"""Moments of maps summed over small squares, for correlations that single pixels cannot show.

At a tenth of a count per pixel the products of two pixels are almost all noise. Summed over a
square smaller than a droplet the material's part grows with the number of pixels and the noise's
with its root, so the noise-corrected correlation becomes known where that of pixels is not.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spattermap.mapset import make_map_set, valid_mask
from spattermap.moments import BlockMoments, block_moments

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr

    from spattermap.roles import Roles

# Counts of the poorest element wished in a square, as a mean over the field.
COUNTS_PER_SQUARE = 4.0
# Squares wider than this part of a droplet would mix it with what lies beside it.
LARGEST_PART_OF_DROPLET = 0.5
# Fewer squares along a side leave too little to resample.
LEAST_SQUARES = 16


def square_side(
    moments: BlockMoments, labels: npt.NDArray[np.int32], roles: Roles, *, n_droplets: int
) -> int:
    """Return the side of the squares (px); 1 where single pixels hold counts enough.

    Parameters
    ----------
    moments : BlockMoments
        Moments of the single pixels.
    labels : numpy.ndarray of int32, dims (y, x)
        Droplets, then streaks.
    roles : Roles
        Roles of the elements.
    n_droplets : int
        Labels above it are streaks.

    Returns
    -------
    int
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
    """Return the moments of counts summed over squares.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set of counts.
    side : int
        Side of a square (px).

    Returns
    -------
    BlockMoments or None
        None where the side is one pixel. A square with a pixel that must not be used is left out,
        and so is a last row or column that does not fill one.
    """
    if side < 2:
        return None
    valid = valid_mask(maps)
    rows, columns = (size // side for size in valid.shape)
    box = (rows, side, columns, side)
    inside = (slice(rows * side), slice(columns * side))
    planes = [
        np.asarray(maps["counts"][i].values, dtype=np.float64)[inside].reshape(box).sum(axis=(1, 3))
        for i in range(maps.sizes["element"])
    ]
    whole = valid[inside].reshape(box).all(axis=(1, 3))
    if not whole.any():
        return None
    names = [str(name) for name in maps["element"].values]
    sums = np.stack(planes)
    return block_moments(make_map_set(sums, names, valid=whole), noise=sums)

"""Which of the pixels called metal hold the alloy, judged by its main element alone.

Segmentation joins every line, so a patch of one component that fell apart from the alloy may be
outlined as metal too. Seen from there nothing would lie outside. The main element of the alloy (the
matrix, the largest by mass) therefore decides which outlined metal is alloy; the rest is treated as
lying between the deposits. Where the two largest elements lie apart from each other, it is the
larger one that keeps the name.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from spattermap.mapset import valid_mask

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr

    from spattermap.roles import Roles

# Counts of the matrix expected in a piece of metal that is judged by itself.
COUNTS_PER_PIECE = 16.0
SMALLEST_PIECE_PX, LARGEST_PIECE_PX = 5, 48
# Natural-log odds against the matrix from which a piece is taken to be without it (20 to 1).
LEAST_ODDS = 3.0
_ROUNDS = 4


def matrix_element(roles: Roles, alloy: Mapping[str, float], counts: Mapping[str, float]) -> str:
    """Return the main element of the alloy: most mass, or most counts where no mass is stated.

    Parameters
    ----------
    roles : Roles
        Roles of the elements, at least one of them alloy.
    alloy : mapping of str to float
        Mass fractions.
    counts : mapping of str to float
        Mean counts on metal.

    Returns
    -------
    str
    """
    stated = {e: alloy.get(e, 0.0) for e in roles.alloy}
    if len(set(stated.values())) > 1:
        return max(stated, key=lambda e: stated[e])
    return max(roles.alloy, key=lambda e: counts.get(e, 0.0))


def alloy_labels(
    maps: xr.Dataset, labels: npt.NDArray[np.int32], matrix: str
) -> npt.NDArray[np.int32]:
    """Return the labels with metal that holds no matrix element set to 0.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    labels : numpy.ndarray of int32, dims (y, x)
        Droplets and streaks, 0 bare.
    matrix : str
        The main element of the alloy.

    Returns
    -------
    numpy.ndarray of int32, dims (y, x)

    Notes
    -----
    Each label is cut into pieces that should hold `COUNTS_PER_PIECE` counts; a piece whose counts
    are more likely at the bare level (Poisson likelihood ratio) is taken out. Thin edges that are
    taken out with it do no harm: next to metal they count as its rim.
    """
    metal = (labels > 0) & valid_mask(maps)
    bare = (labels == 0) & valid_mask(maps)
    plane = np.asarray(maps["counts"].sel(element=matrix).values, dtype=np.float64)
    if not metal.any() or not bare.any():
        return labels
    on_metal, on_bare = float(plane[metal].mean()), float(plane[bare].mean())
    if not on_metal > on_bare:
        return labels
    side = int(np.clip(np.sqrt(COUNTS_PER_PIECE / on_metal), SMALLEST_PIECE_PX, LARGEST_PIECE_PX))
    y, x = np.nonzero(metal)
    columns = -(-labels.shape[1] // side)
    cell = (y // side) * columns + x // side
    key = labels[metal].astype(np.int64) * (cell.max() + 1) + cell
    _, piece = np.unique(key, return_inverse=True)
    n, k = np.bincount(piece), np.bincount(piece, plane[metal])
    out = np.zeros(n.size, dtype=bool)
    for _ in range(_ROUNDS):
        level = max(k[~out].sum() / max(n[~out].sum(), 1), on_bare)
        # The bare level is at least one count over the bare area, so that the ratio is finite.
        base = max((plane[bare].sum() + k[out].sum() + 1) / (bare.sum() + n[out].sum()), 1e-9)
        if not level > base:
            return labels
        odds = k * np.log(level / base) - n * (level - base)
        new = odds < -LEAST_ODDS
        if (new == out).all():
            break
        out = new
    cleaned = labels.copy()
    cleaned[y[out[piece]], x[out[piece]]] = 0
    return cleaned

"""Correlation of values at scattered places, with the sample size that their structure leaves."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from spattermap.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

# The correlation matrices of more places than this would fill the memory (8 bytes a pair).
MOST_PLACES = 5000


class ModifiedTTest(NamedTuple):
    """Pearson's correlation tested with an effective sample size.

    Parameters
    ----------
    r : float
    effective_size : float
        Number of independent places that would make `r` scatter as much.
    f : float
        ``(effective_size - 2) r^2 / (1 - r^2)``.
    p_value : float
        From F with 1 and ``effective_size - 2`` degrees of freedom; 1 where fewer than three
        independent places are left.
    """

    r: float
    effective_size: float
    f: float
    p_value: float


def modified_t_test(
    a: npt.ArrayLike, b: npt.ArrayLike, places: npt.ArrayLike, *, n_classes: int = 13
) -> ModifiedTTest:
    """Test the correlation of two values measured at the same places, such as droplets.

    Parameters
    ----------
    a, b : array_like, dims (place,)
        The values, for example the composition of each droplet and its diameter.
    places : array_like, dims (place, 2)
        Coordinates in any one unit.
    n_classes : int, optional
        Number of equal distance classes from zero to the largest distance.

    Returns
    -------
    ModifiedTTest

    Raises
    ------
    InputError
        If the shapes differ, there are fewer than four places or too many, or a value does not
        vary.

    Notes
    -----
    ``ESS = 1 + tr(B Rx) tr(B Ry) / tr(B Rx B Ry)`` with B = I - J/n and correlation matrices
    filled with the autocorrelation of each distance class. The classes are few where the places
    are few: the answer is a second opinion, good to a factor of about 1.5 in the size.

    References
    ----------
    Clifford, Richardson and Hemon, Biometrics 45 (1989) 123.
    Dutilleul, Biometrics 49 (1993) 305, eq. 3.
    """
    from scipy import stats
    from scipy.spatial.distance import pdist, squareform

    x, y, where = (np.asarray(part, dtype=np.float64) for part in (a, b, places))
    if x.ndim != 1 or x.shape != y.shape or where.shape != (x.size, 2):
        raise InputError(
            f"a and b must be (place,) and places (place, 2), got {x.shape}, {y.shape} and "
            f"{where.shape}. Give one value and one position a place."
        )
    if not 4 <= x.size <= MOST_PLACES:
        raise InputError(
            f"a must have 4 to {MOST_PLACES} values, got {x.size}. Take a random part of them."
        )
    x, y = x - x.mean(), y - y.mean()
    if not (x.any() and y.any()):
        raise InputError("a and b must vary, got a constant. There is no correlation to test.")
    distance = pdist(where)
    width = distance.max() / n_classes
    # The upper border belongs to its class.
    group = np.clip(np.ceil(distance / width).astype(int) - 1, 0, n_classes - 1)
    r_x, r_y = (squareform(_by_class(v, group, n_classes)) for v in (x, y))
    np.fill_diagonal(r_x, 1.0)
    np.fill_diagonal(r_y, 1.0)
    centred = [r - r.mean(axis=0) for r in (r_x, r_y)]  # B R
    joint = float((centred[0] * centred[1].T).sum())
    size = 1 + float(np.trace(centred[0]) * np.trace(centred[1])) / joint
    r = float((x * y).sum() / np.sqrt((x**2).sum() * (y**2).sum()))
    if not size > 3:
        return ModifiedTTest(r, size, float("nan"), 1.0)
    f = (size - 2) * r**2 / max(1 - r**2, 1e-15)
    return ModifiedTTest(r, size, f, float(stats.f.sf(f, 1, size - 2)))


def _by_class(z: Floats, group: npt.NDArray[np.int64], n_classes: int) -> Floats:
    """Return the autocorrelation of the distance class of every pair (condensed order)."""
    first, second = np.triu_indices(z.size, 1)
    pairs = np.bincount(group, minlength=n_classes)
    sums = np.bincount(group, weights=z[first] * z[second], minlength=n_classes)
    return np.asarray((sums / np.maximum(pairs, 1) / (z**2).mean())[group])

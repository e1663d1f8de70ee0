"""Whether neighbouring pixels of a map are alike: Moran's I and Geary's c on the pixel lattice."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from spattermap.checks import image_2d, one_of
from spattermap.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

# Half of the neighbours of a pixel; the other half are their mirror images.
_STEPS = {"edge": ((0, 1), (1, 0)), "corner": ((0, 1), (1, 0), (1, 1), (1, -1))}


class LatticeStatistics(NamedTuple):
    """Likeness of neighbouring pixels.

    Parameters
    ----------
    morans_i : float
        Positive where neighbours are alike, near `expected` for white noise.
    gearys_c : float
        1 for white noise, smaller where neighbours are alike.
    expected, variance : float
        Of Moran's I for values placed at random (normality).
    z, p_value : float
        Deviation of Moran's I in standard deviations, and its one-sided p-value for likeness.
    s0, s1, s2 : float
        Sums of the weights: all, squared symmetric, squared row plus column sums.
    """

    morans_i: float
    gearys_c: float
    expected: float
    variance: float
    z: float
    p_value: float
    s0: float
    s1: float
    s2: float


def lattice_statistics(
    plane: npt.ArrayLike, *, valid: npt.ArrayLike | None = None, neighbours: str = "edge"
) -> LatticeStatistics:
    """Return Moran's I and Geary's c of a map.

    Parameters
    ----------
    plane : array_like, dims (y, x)
        A map; noise and structure of a map of one element, or of a residual.
    valid : array_like of bool, dims (y, x), optional
        Pixels that may be used.
    neighbours : {"edge", "corner"}
        Pixels sharing an edge, or an edge or a corner.

    Returns
    -------
    LatticeStatistics

    Raises
    ------
    InputError
        If the map does not vary or its pixels have no neighbours.

    References
    ----------
    Cliff and Ord, Spatial Processes (1981), eqs. 1.37 and 1.38 (from memory).
    """
    from scipy import stats

    one_of(neighbours, "neighbours", _STEPS)
    x = image_2d(plane, "plane").astype(np.float64)
    use = np.ones(x.shape) if valid is None else np.asarray(valid, dtype=np.float64)
    n = float(use.sum())
    z = (x - (x * use).sum() / max(n, 1)) * use
    total = float((z**2).sum())
    links, like, unlike = np.zeros(x.shape), 0.0, 0.0
    for dy, dx in _STEPS[neighbours]:
        here, there = _shifted(x.shape, dy, dx)
        both = use[here] * use[there]
        links[here] += both
        links[there] += both
        like += 2 * float((z[here] * z[there]).sum())
        unlike += 2 * float((both * (z[here] - z[there]) ** 2).sum())
    s0 = float(links.sum())
    if not (total > 0 and s0 > 0):
        raise InputError("plane must vary and have neighbouring pixels. Pass a whole map.")
    s1, s2 = 2 * s0, 4 * float((links**2).sum())
    expected = -1 / (n - 1)
    variance = (n**2 * s1 - n * s2 + 3 * s0**2) / ((n**2 - 1) * s0**2) - expected**2
    i = n / s0 * like / total
    deviation = (i - expected) / np.sqrt(variance)
    return LatticeStatistics(
        i, (n - 1) / (2 * s0) * unlike / total, expected, variance, float(deviation),
        float(stats.norm.sf(deviation)), s0, s1, s2,
    )  # fmt: skip


def _shifted(
    shape: tuple[int, ...], dy: int, dx: int
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    height, width = shape
    here = (slice(0, height - dy), slice(max(0, -dx), width - max(0, dx)))
    there = (slice(dy, height), slice(max(0, dx), width - max(0, -dx)))
    return here, there

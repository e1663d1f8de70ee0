"""How often two unrelated maps would look this well matched: the spatial null."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from spattermap.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


class NullTest(NamedTuple):
    """A test of the correlation of two maps against unrelated maps of the same structure.

    Parameters
    ----------
    r : float
        Pearson's correlation at lag zero.
    p_value : float
        Two-sided; never zero.
    n_shifts : int
        Number of shifts in the null distribution.
    """

    r: float
    p_value: float
    n_shifts: int


def shifted_correlations(
    a: npt.ArrayLike, b: npt.ArrayLike, valid: npt.ArrayLike | None = None, *, wrap: bool = False
) -> tuple[Floats, Floats]:
    """Return Pearson's correlation of two maps at every shift.

    Parameters
    ----------
    a, b : array_like, dims (y, x)
        The maps.
    valid : array_like of bool, dims (y, x), optional
        Pixels that may be used.
    wrap : bool, optional
        Shift round the edges (torus) instead of comparing the overlapping parts only.

    Returns
    -------
    r : numpy.ndarray
        Correlation at each shift, zero shift first (index [0, 0]); NaN where no pair varies.
    pairs : numpy.ndarray
        Number of pixel pairs at each shift.

    Raises
    ------
    InputError
        If the maps differ in shape.

    References
    ----------
    Padfield, IEEE Transactions on Image Processing 21 (2012) 2706, eqs. 12 to 19 (masked
    normalised cross-correlation in the Fourier domain).
    """
    from scipy import fft

    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 2:
        raise InputError(f"a and b must be maps of one shape, got {x.shape} and {y.shape}.")
    use = np.ones(x.shape) if valid is None else np.asarray(valid, dtype=np.float64)
    x = (x - (x * use).sum() / use.sum()) * use
    y = (y - (y * use).sum() / use.sum()) * use
    size = x.shape if wrap else tuple(fft.next_fast_len(2 * s - 1, real=True) for s in x.shape)
    spectra = {
        k: fft.rfft2(v, size)
        for k, v in {"m": use, "x": x, "y": y, "xx": x * x, "yy": y * y}.items()
    }

    def cross(p: str, q: str) -> Any:
        return fft.irfft2(np.conj(spectra[p]) * spectra[q], size)

    pairs = np.round(cross("m", "m"))
    n = np.maximum(pairs, 1)
    sum_x, sum_y = cross("x", "m"), cross("m", "y")
    top = cross("x", "y") - sum_x * sum_y / n
    var_x, var_y = cross("xx", "m") - sum_x**2 / n, cross("m", "yy") - sum_y**2 / n
    tiny = 1e-9 * np.sqrt((x**2).sum() * (y**2).sum())
    below = np.sqrt(np.maximum(var_x, 0) * np.maximum(var_y, 0))
    with np.errstate(invalid="ignore", divide="ignore"):
        r = np.where((pairs > 1) & (below > tiny), top / below, np.nan)
    return r, pairs

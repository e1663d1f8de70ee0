"""How often two unrelated maps would look this well matched: the spatial null.

Whether neighbouring pixels of a map are alike: Moran's I and Geary's c on the pixel lattice.

Correlation of values at scattered places, with the sample size that their structure leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from spattermap.core.arrays import Floats
from spattermap.core.errors import InputError, image_2d, one_of
from spattermap.noise.correlation_length import Binned, bin_sums, structure_of

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr

    from spattermap.noise.moments import BlockMoments


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


# Bins a side at most: enough to shift about, few enough to transform at once.
MOST_BINS = 128
# Shifts within this many correlation lengths of zero are not independent of it.
NEAR_LENGTHS = 2.0
# With fewer independent patches than this there is nothing to test.
LEAST_EFFECTIVE = 3.0
# With fewer shifts no p-value of 0.05 can be reached.
LEAST_SHIFTS = 19
# Lags with fewer pairs of whole bins than this are not used.
LEAST_PAIRS = 0.5


class NullTest(NamedTuple):
    """A test of the correlation of two maps against unrelated maps of the same structure.

    Parameters
    ----------
    r : float
        Pearson's correlation of the maps on bins of `side_px`.
    p_value : float
        Two-sided; the larger of the two below. Never zero.
    p_shift : float
        Rank of zero shift among the shifts beyond the correlation length; NaN for several fields.
    p_effective : float
        Student's t with the effective sample size.
    effective_size : float
        Number of independent patches that would make `r` scatter as much.
    n_shifts : int
        Number of shifts in the null distribution.
    side_px : int
        Side of the bins (px).
    """

    r: float
    p_value: float
    p_shift: float
    p_effective: float
    effective_size: float
    n_shifts: int
    side_px: int


class _Field(NamedTuple):
    """Deviations of one field on bins, and their products at every lag within half the field."""

    spectra: Any
    size: tuple[int, int]
    pairs: Floats  # number of bin pairs at each lag, 0 where the lag is not used
    radius: Floats  # length of each lag (bins)
    auto: Floats  # summed products of each element with itself, at the used lags
    zero: Floats  # summed products of every two elements at lag zero


def spatial_null(
    maps: xr.Dataset | Sequence[xr.Dataset], a: str, b: str, *, side_px: int | None = None
) -> NullTest:
    """Test whether two elements are placed with regard to each other.

    Parameters
    ----------
    maps : xarray.Dataset or sequence of xarray.Dataset
        A map set, or several fields of one deposit.
    a, b : str
        Elements.
    side_px : int, optional
        Side of the bins on which the maps are compared (px); None makes at most `MOST_BINS`
        along the longer side.

    Returns
    -------
    NullTest

    Raises
    ------
    InputError
        If an element was not mapped.

    Notes
    -----
    Each map is compared with the other shifted by every lag up to half the field, without
    wrapping, products and numbers of pixel pairs coming from Fourier transforms (Padfield 2012).
    The p-value is the rank of zero shift among the shifts beyond `NEAR_LENGTHS` correlation
    lengths. Beside it stands the t test whose effective sample size follows from the two
    autocovariances (Clifford, Richardson and Hemon 1989; Dutilleul 1993):
    ``Var(sum ab) = sum_h S_aa(h) S_bb(h) / N(h)``. Permuting pixels instead would destroy the
    structure and reject far too often. Both understate where structure reaches across the field.

    References
    ----------
    Padfield, IEEE Transactions on Image Processing 21 (2012) 2706.
    Clifford, Richardson and Hemon, Biometrics 45 (1989) 123, eq. 2.4.
    Dutilleul, Biometrics 49 (1993) 305.
    """
    fields = as_fields(maps)
    names = [str(name) for name in fields[0]["element"].values]
    for name in (a, b):
        if name not in names:
            raise InputError(
                f"element must be one of {', '.join(names)}, got {name!r}. Name a mapped element."
            )
    found = pair_nulls([field.sel(element=[a, b]) for field in fields], side_px=side_px)
    one = {name: float(values[0, 1]) for name, values in found.items()}
    return NullTest(
        one["r"], one["p_value"], one["p_shift"], one["p_effective"], one["effective_size"],
        int(one["n_shifts"]), int(one["side_px"]),
    )  # fmt: skip


def as_fields(maps: xr.Dataset | Sequence[xr.Dataset]) -> list[xr.Dataset]:
    """Return one map set or several as a list."""
    import xarray as xr

    return [maps] if isinstance(maps, xr.Dataset) else list(maps)


def pair_nulls(
    fields: Sequence[xr.Dataset],
    *,
    side_px: int | None = None,
    length_px: float | None = None,
    noise: npt.ArrayLike = 0.0,
) -> dict[str, Floats]:
    """Test every pair of elements at once, see `spatial_null`.

    Dims: `noise` (element, element); returns (element, element).
    """
    longest = max(max(field.sizes["y"], field.sizes["x"]) for field in fields)
    side = side_px or max(1, -(-longest // MOST_BINS))
    reach = max(structure_of(f).length_px for f in fields) if length_px is None else length_px
    binned = [bin_sums(field, side) for field in fields]
    prepared = [_prepared(one) for one in binned]
    pixels = sum(float(one.n.sum()) for one in binned)
    shared = np.zeros_like(prepared[0].zero) + np.asarray(noise, dtype=np.float64)
    np.fill_diagonal(shared, 0.0)
    top = np.sum([one.zero for one in prepared], axis=0) - shared * pixels
    spread = np.sum(
        [(one.auto / one.pairs[one.pairs > 0]) @ one.auto.T for one in prepared], axis=0
    )
    found = _effective(top, spread)
    found["p_shift"] = np.full_like(top, np.nan)
    found["n_shifts"] = np.zeros_like(top)
    if len(prepared) == 1:
        _rank(prepared[0], top, NEAR_LENGTHS * reach / side, found)
    found["p_value"] = np.fmax(found["p_effective"], found["p_shift"])
    found["side_px"] = np.full_like(top, side)
    return found


def _prepared(binned: Binned) -> _Field:
    from scipy import fft

    total, n, side = binned.total, binned.n, binned.side
    away = total - n * (total.sum(axis=(1, 2)) / n.sum())[:, None, None]
    weight = n / side**2
    height, width = n.shape
    lags = (height // 2, width // 2)
    # Padding by the largest lag suffices for products that do not wrap.
    size = (
        int(fft.next_fast_len(height + lags[0], real=True)),
        int(fft.next_fast_len(width + lags[1], real=True)),
    )
    spectra, mask = fft.rfft2(away, size), fft.rfft2(weight, size)
    row, column = (np.minimum(np.arange(length), length - np.arange(length)) for length in size)
    radius = np.hypot(row[:, None], column[None, :])
    inside = (row <= lags[0])[:, None] & (column <= lags[1])[None, :]
    pairs = np.where(inside, fft.irfft2(np.abs(mask) ** 2, size), 0.0)
    pairs[pairs < LEAST_PAIRS] = 0.0
    auto = fft.irfft2(spectra.real**2 + spectra.imag**2, size)[:, pairs > 0]
    flat = away.reshape(len(away), -1)
    return _Field(spectra, size, pairs, radius, auto, flat @ flat.T)


def _effective(top: Floats, spread: Floats) -> dict[str, Floats]:
    """Return r, the effective sample size and Student's p."""
    from scipy import stats

    variance = np.maximum(top.diagonal(), 0)
    product = variance[:, None] * variance[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        r = np.where(product > 0, top / np.sqrt(product), np.nan)
        size = np.where(spread > 0, 1 + product / spread, np.nan)
        freedom = np.maximum(size - 2, LEAST_EFFECTIVE - 2)
        bounded = np.clip(r, -1, 1)
        t = np.abs(bounded) * np.sqrt(freedom / np.maximum(1 - bounded**2, 1e-15))
    p = np.where(size >= LEAST_EFFECTIVE, 2 * stats.t.sf(t, freedom), 1.0)
    # A tail below the smallest number still is no proof of impossibility.
    return {"r": r, "effective_size": size, "p_effective": np.maximum(p, np.finfo(float).tiny)}


def _rank(field: _Field, top: Floats, near: float, found: dict[str, Floats]) -> None:
    """Fill in the rank of zero shift among the far shifts for every pair."""
    from scipy import fft

    far = (field.radius > near) & (field.pairs > 0)
    shifts = int(far.sum())
    found["n_shifts"][:] = shifts
    if shifts < LEAST_SHIFTS:
        found["p_shift"][:] = 1.0
        return
    # A shift that is not used can never be reached.
    scale = np.where(far, np.sqrt(field.pairs), np.inf)
    whole = np.sqrt(field.pairs[0, 0])
    for i in range(len(top)):
        for j in range(i + 1, len(top)):
            null = fft.irfft2(np.conj(field.spectra[i]) * field.spectra[j], field.size)
            bound = max(abs(top[i, j]) / whole * (1 - 1e-12), np.finfo(float).tiny)
            beyond = int(np.count_nonzero(np.abs(null) >= bound * scale))
            found["p_shift"][i, j] = found["p_shift"][j, i] = (1 + beyond) / (1 + shifts)


def block_p_values(moments: BlockMoments) -> Floats:
    """Test every pair from block sums alone, where the maps are no longer at hand.

    Returns dims (element, element).

    Unrelated maps give each block a covariance that is as often positive as negative. The sum
    over the blocks, less the noise covariance, is compared with its spread by Student's t.
    Products of unrelated maps reach less far than either map, so the blocks count as independent.
    """
    from scipy import stats

    blocks = moments.n_blocks - moments.n_fields
    size = len(moments.elements)
    if blocks < 1:
        return np.ones((size, size))
    n = moments.n
    fields = np.eye(moments.n_fields)[moments.field]
    means = (fields.T @ moments.s1) / (fields.T @ n)[:, None]
    away = moments.s1 - n[:, None] * means[moments.field]
    noise = np.nan_to_num(moments.noise)
    parts = moments.comoment - noise + away[:, :, None] * away[:, None, :] / n[:, None, None]
    spread = np.sqrt((parts**2).sum(axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(spread > 0, np.abs(parts.sum(axis=0)) / spread, 0.0)
    p = np.maximum(2 * stats.t.sf(t, blocks), np.finfo(float).tiny)
    np.fill_diagonal(p, 1.0)
    return np.asarray(p)


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
    r : numpy.ndarray, dims (shift_y, shift_x)
        Correlation of a with b shifted back by (shift_y, shift_x); shifts run 0, 1, ... and then
        the negative ones, so that index [0, 0] is no shift and [-1, 0] one row up. NaN where no
        pair varies.
    pairs : numpy.ndarray, dims (shift_y, shift_x)
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
        raise InputError(
            f"a and b must be maps (y, x) of one shape, got {x.shape} and {y.shape}. "
            "Take them from one map set."
        )
    use = np.ones(x.shape) if valid is None else np.asarray(valid, dtype=np.float64)
    x = (x - (x * use).sum() / use.sum()) * use
    y = (y - (y * use).sum() / use.sum()) * use
    size = x.shape if wrap else tuple(2 * s - 1 for s in x.shape)
    parts = {"m": use, "x": x, "y": y, "xx": x * x, "yy": y * y}
    spectra = {name: fft.rfft2(part, size) for name, part in parts.items()}

    def cross(p: str, q: str) -> Any:
        return fft.irfft2(np.conj(spectra[p]) * spectra[q], size)

    pairs = np.round(cross("m", "m"))
    n = np.maximum(pairs, 1)
    sum_x, sum_y = cross("x", "m"), cross("m", "y")
    top = cross("x", "y") - sum_x * sum_y / n
    var_x, var_y = cross("xx", "m") - sum_x**2 / n, cross("m", "yy") - sum_y**2 / n
    # Fourier sums of parts that do not vary leave round-off of the whole.
    varies = (var_x > 1e-12 * (x**2).sum()) & (var_y > 1e-12 * (y**2).sum())
    below = np.sqrt(np.where(varies, var_x * var_y, np.nan))
    r = np.where(pairs > 1, top / below, np.nan)
    return r, pairs

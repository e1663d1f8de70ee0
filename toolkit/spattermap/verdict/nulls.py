"""How often two unrelated maps would look this well matched: the spatial null.

Whether neighbouring pixels of a map are alike: Moran's I and Geary's c on the pixel lattice.

Correlation of values at scattered places, with the sample size that their structure leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import xarray as xr
from scipy.special import stdtr

from spattermap.core.arrays import Floats
from spattermap.core.errors import InputError
from spattermap.noise.correlation_length import Binned, bin_sums, structure_of

if TYPE_CHECKING:
    import numpy.typing as npt

    from spattermap.noise.moments import BlockMoments


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
    """A test of the correlation of two maps against unrelated maps of the same structure."""

    r: float  # pearson's correlation of the maps on bins of `side_px`
    p_value: float  # two-sided; the larger of the two below. Never zero
    # rank of zero shift among the shifts beyond the correlation length; NaN for several fields
    p_shift: float
    p_effective: float  # student's t with the effective sample size
    effective_size: float  # number of independent patches that would make `r` scatter as much
    n_shifts: int  # number of shifts in the null distribution
    side_px: int  # side of the bins (px)


class _Binned(NamedTuple):
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

    Each map is compared with the other shifted by every lag up to half the field, without
    wrapping, products and numbers of pixel pairs coming from Fourier transforms (Padfield 2012).
    The p-value is the rank of zero shift among the shifts beyond `NEAR_LENGTHS` correlation
    lengths. Beside it stands the t test whose effective sample size follows from the two
    autocovariances (Clifford, Richardson and Hemon 1989; Dutilleul 1993):
    ``Var(sum ab) = sum_h S_aa(h) S_bb(h) / N(h)``. Permuting pixels instead would destroy the
    structure and reject far too often. Both understate where structure reaches across the field.

    Padfield, IEEE Transactions on Image Processing 21 (2012) 2706. Clifford, Richardson and Hemon,
    Biometrics 45 (1989) 123, eq. 2.4. Dutilleul, Biometrics 49 (1993) 305.
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
    # A strip keeps at least one bin across it.
    narrowest = min(min(field.sizes["y"], field.sizes["x"]) for field in fields)
    side = side_px or min(max(1, -(-longest // MOST_BINS)), narrowest)
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


def _prepared(binned: Binned) -> _Binned:
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
    return _Binned(spectra, size, pairs, radius, auto, flat @ flat.T)


def _effective(top: Floats, spread: Floats) -> dict[str, Floats]:
    """Return r, the effective sample size and Student's p."""
    variance = np.maximum(top.diagonal(), 0)
    product = variance[:, None] * variance[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        r = np.where(product > 0, top / np.sqrt(product), np.nan)
        size = np.where(spread > 0, 1 + product / spread, np.nan)
        freedom = np.maximum(size - 2, LEAST_EFFECTIVE - 2)
        bounded = np.clip(r, -1, 1)
        t = np.abs(bounded) * np.sqrt(freedom / np.maximum(1 - bounded**2, 1e-15))
    p = np.where(size >= LEAST_EFFECTIVE, 2 * stdtr(freedom, -t), 1.0)
    # A tail below the smallest number still is no proof of impossibility.
    return {"r": r, "effective_size": size, "p_effective": np.maximum(p, np.finfo(float).tiny)}


def _rank(field: _Binned, top: Floats, near: float, found: dict[str, Floats]) -> None:
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
    p = np.maximum(2 * stdtr(blocks, -t), np.finfo(float).tiny)
    np.fill_diagonal(p, 1.0)
    return np.asarray(p)

"""Haze: metal signal outside droplets and streaks, its share of all metal, and its texture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spattermap.segmentation.edges import signed_distance
from spattermap.segmentation.likelihood import Stack

Array = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

_BLOCK = 16  # px; the unit whose scatter gives the errors, since haze varies from place to place
_TEXTURE_SIDES = (1, 2, 4, 8, 16, 32)
_DARKEST = 0.1  # part of the bare blocks that serves as zero where there is no blank


@dataclass(frozen=True)
class Field:
    """What the haze is measured on.

    Parameters
    ----------
    signal, noise : numpy.ndarray, dims (y, x)
        Sum of the alloy's planes, and its noise variance.
    labels : numpy.ndarray of int32, dims (y, x)
        Regions.
    n_droplets : int
        Labels above this are streaks.
    clear : numpy.ndarray of bool, dims (y, x)
        Valid pixels clear of every region and its blurred edge.
    valid : numpy.ndarray of bool, dims (y, x)
        Pixels to use.
    """

    signal: Array
    noise: Array
    labels: npt.NDArray[np.int32]
    n_droplets: int
    clear: Mask
    valid: Mask


def field_of(
    stack: Stack, labels: npt.NDArray[np.int32], n_droplets: int, *, margin: float
) -> Field:
    """Return what the haze is measured on.

    Parameters
    ----------
    stack : Stack
        The planes.
    labels : numpy.ndarray of int32, dims (y, x)
        Regions.
    n_droplets : int
        Labels above this are streaks.
    margin : float
        Distance (px) at which the blurred edge of a region has died away.

    Returns
    -------
    Field
    """
    alloy = np.flatnonzero(stack.signs > 0)
    signal = _sum(stack.planes, alloy, stack.shape)
    noise = signal if stack.variance is None else _sum(stack.variance, alloy, stack.shape)
    clear = stack.valid & (signed_distance(labels > 0) < -margin)
    return Field(signal, noise, labels, n_droplets, clear, stack.valid)


def _sum(
    planes: npt.NDArray[np.generic], rows: npt.NDArray[np.intp], shape: tuple[int, ...]
) -> Array:
    total = np.zeros(shape, np.float32)
    for k in rows:
        total += planes[k]
    return total


def measure(
    field: Field, *, blank: tuple[float, float] | None, step: float, level: float
) -> dict[str, float]:
    """Return the haze, its interval, the shares of the metal signal, and the texture.

    Parameters
    ----------
    field : Field
        From `field_of`.
    blank : tuple of float or None
        Mean alloy signal of the bare plate and its standard error; None takes the darkest tenth
        of the bare blocks as zero, which an even film everywhere would hide.
    step : float
        Mean alloy signal of typical metal above bare, the unit of ``fraction``.
    level : float
        Confidence level.

    Returns
    -------
    dict of str to float
        ``fraction`` (mean signal of the clear area over typical metal) with ``_low``, ``_high``;
        ``n_pixels``; ``zero_from_blank`` (1 or 0); ``share_droplets``, ``share_streaks``,
        ``share_haze`` of the metal signal, each with ``_low`` and ``_high``; and
        ``excess_<side>px`` with ``_err`` (see `texture`). Empty without a clear area.

    Notes
    -----
    The signal outside the regions but near them is partly their own blurred edge. So the haze
    per pixel is read in the clear area, taken to hold up to the edges, and everything else in the
    field belongs to droplets and streaks, in proportion to the signal on them.
    """
    from scipy import special

    sums, counts = _blocks(np.where(field.clear, field.signal, np.float32(0)), field.clear, _BLOCK)
    enough = counts >= 0.25 * _BLOCK**2
    if np.count_nonzero(enough) < 2 or step <= 0:
        return {}
    sums, counts = sums[enough], counts[enough]
    mean = float(sums.sum() / counts.sum())
    rest = sums - mean * counts
    k = sums.size
    error = float(np.sqrt(np.sum(rest**2) * k / (k - 1)) / counts.sum())
    zero, zero_error = blank or _darkest(field, sums, counts)
    reach = float(special.stdtrit(k - 1, 0.5 + level / 2)) * float(np.hypot(error, zero_error))
    haze = mean - zero
    out = {
        "fraction": haze / step,
        "fraction_low": (haze - reach) / step,
        "fraction_high": (haze + reach) / step,
        "n_pixels": float(counts.sum()),
        "zero_from_blank": float(blank is not None),
    }
    out.update(_shares(field, haze=haze, reach=reach, zero=zero, zero_error=zero_error))
    out.update(texture(field, zero=zero))
    return out


def _darkest(field: Field, sums: Floats, counts: Floats) -> tuple[float, float]:
    """Return the level of the darkest blocks, freed of the luck that made them dark."""
    from scipy import special

    noise, _ = _blocks(np.where(field.clear, field.noise, np.float32(0)), field.clear, _BLOCK)
    level = float(noise.sum() / counts.sum())
    means = sums / counts
    sd = float(np.sqrt(level / counts.mean()))
    low = float(np.quantile(means, _DARKEST)) - float(special.ndtri(_DARKEST)) * sd
    # The quantile of k normal blocks scatters by about 1.7 sd / sqrt(k) at one tenth.
    return min(low, float(sums.sum() / counts.sum())), 1.7 * sd / float(np.sqrt(means.size))


def _shares(
    field: Field, *, haze: float, reach: float, zero: float, zero_error: float
) -> dict[str, float]:
    n = int(np.count_nonzero(field.valid))
    outside = n - int(np.count_nonzero(field.labels))
    total = float(np.sum(field.signal, where=field.valid, dtype=np.float64)) - zero * n
    kind = _kind(field).ravel()
    used = np.where(field.valid, field.signal, np.float32(0)).ravel()
    on = np.bincount(kind, weights=used, minlength=3) - zero * np.bincount(kind, minlength=3)
    regions = float(on[1] + on[2])
    if total <= 0:
        return {}
    error = float(np.sqrt(np.sum(field.noise, where=field.valid, dtype=np.float64)))
    streaky = float(on[2] / regions) if regions > 0 else 0.0
    part = haze * outside / total
    spread = reach * outside / total + abs(part) * 2 * (error + zero_error * n) / total
    found = {"haze": part, "droplets": (1 - part) * (1 - streaky), "streaks": (1 - part) * streaky}
    out = {}
    for name, value in found.items():
        scale = 1.0 if name == "haze" else value / max(1 - part, 1e-9)
        out[f"share_{name}"] = float(np.clip(value, 0, 1))
        out[f"share_{name}_low"] = float(np.clip(value - scale * spread, 0, 1))
        out[f"share_{name}_high"] = float(np.clip(value + scale * spread, 0, 1))
    return out


def _kind(field: Field) -> npt.NDArray[np.int8]:
    """Return 0 outside regions, 1 on droplets, 2 on streaks."""
    kind = (field.labels > 0).astype(np.int8)
    kind += field.labels > field.n_droplets
    return kind


def texture(field: Field, *, zero: float) -> dict[str, float]:
    """Return how much more the clear area varies than counting, at several scales.

    Parameters
    ----------
    field : Field
        From `field_of`.
    zero : float
        Signal of the bare plate.

    Returns
    -------
    dict of str to float
        For each block side b: ``excess_<b>px``, the variance of block sums beyond noise over the
        haze's own counts in a block, and its standard error ``excess_<b>px_err``. It is 0 at
        every b for an even film; constant over small b for droplets too small to resolve (then it
        is the counts a single one gives: the variance of a compound Poisson sum); growing with b
        for haze that varies smoothly.
    """
    out: dict[str, float] = {}
    for side in _TEXTURE_SIDES:
        sums, counts = _blocks(
            np.where(field.clear, field.signal, np.float32(0)), field.clear, side
        )
        noise, _ = _blocks(np.where(field.clear, field.noise, np.float32(0)), field.clear, side)
        whole = counts == side * side
        n = int(np.count_nonzero(whole))
        if n < 30:
            break
        metal = float(sums[whole].mean()) - zero * side**2
        if metal <= 0:
            continue
        squares = (sums[whole] - sums[whole].mean()) ** 2
        excess = float(squares.sum() / (n - 1) - noise[whole].mean())
        out[f"excess_{side}px"] = excess / metal
        out[f"excess_{side}px_err"] = float(squares.std() / np.sqrt(n)) / metal
    return out


def _blocks(picture: npt.NDArray[np.generic], used: Mask, side: int) -> tuple[Floats, Floats]:
    """Return sums and numbers of used pixels of square blocks, flat."""
    rows, columns = (np.arange(0, n, side) for n in picture.shape)

    def add(values: npt.NDArray[np.generic]) -> Floats:
        by_row = np.add.reduceat(values, rows, axis=0, dtype=np.float64)
        return np.asarray(np.add.reduceat(by_row, columns, axis=1)).ravel()

    return add(picture), add(used)

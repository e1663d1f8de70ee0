"""Haze: metal signal outside droplets and streaks, its share of all metal, and its texture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from spattermap.core.arrays import Bools, Floats, Singles
from spattermap.segment.edges import signed_distance
from spattermap.segment.level import block_sums
from spattermap.segment.likelihood import Stack

_BLOCK = 16  # px; the unit whose scatter gives the errors, since haze varies from place to place
_TEXTURE_SIDES = (1, 2, 4, 8, 16, 32)
_OUTLINE = 0.04  # relative; what outlines and the background under them leave open, see `measure`
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

    signal: Singles
    noise: Singles
    labels: npt.NDArray[np.int32]
    n_droplets: int
    clear: Bools
    valid: Bools


def field_of(
    stack: Stack, labels: npt.NDArray[np.int32], n_droplets: int, *, margin: float
) -> Field:
    """Return what the haze is measured on.

    Dims: `labels` (y, x).
    """
    alloy = np.flatnonzero(stack.signs > 0)
    signal = _sum(stack.planes, alloy, stack.shape)
    noise = signal if stack.variance is None else _sum(stack.variance, alloy, stack.shape)
    clear = stack.valid & (signed_distance(labels > 0) < -margin)
    return Field(signal, noise, labels, n_droplets, clear, stack.valid)


def _sum(
    planes: npt.NDArray[np.generic], rows: npt.NDArray[np.intp], shape: tuple[int, ...]
) -> Singles:
    total = np.zeros(shape, np.float32)
    for k in rows:
        total += planes[k]
    return total


@dataclass(frozen=True)
class HazeSums:
    """Additive sums from which the haze follows.

    Parameters
    ----------
    sums, counts : numpy.ndarray, dims (block,)
        Signal and number of the clear pixels of blocks that are clear enough.
    noise : float
        Noise variance of those pixels.
    n_valid, n_regions : float
        Pixels to use; pixels of regions.
    signal, noise_valid : float
        Signal and noise variance of all pixels to use.
    kind_n, kind_signal : numpy.ndarray, dims (3,)
        Pixels and signal outside regions, on droplets, on streaks.
    texture : numpy.ndarray, dims (side, 6)
        For each of `_TEXTURE_SIDES`: number of wholly clear blocks, sums of the first four powers
        of their signal less `origin` a pixel, and of their noise variance.
    origin : float
        See `texture`.
    """

    sums: Floats
    counts: Floats
    noise: float
    n_valid: float
    n_regions: float
    signal: float
    noise_valid: float
    kind_n: Floats
    kind_signal: Floats
    texture: Floats
    origin: float

    def merge(self, other: HazeSums) -> HazeSums:
        """Return the sums of two parts of one field together."""
        blocks = ("sums", "counts")
        added = (
            "noise", "n_valid", "n_regions", "signal", "noise_valid", "kind_n", "kind_signal",
            "texture",
        )  # fmt: skip
        changes: dict[str, Any] = {
            name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in blocks
        }
        changes.update({name: getattr(self, name) + getattr(other, name) for name in added})
        return replace(self, **changes)


def sums_of(field: Field, *, origin: float) -> HazeSums:
    """Return the sums of a field, or of a part of it whose corner lies on a multiple of 32 px."""
    sums, counts = _blocks(field.signal, field.clear, _BLOCK)
    noise, _ = _blocks(field.noise, field.clear, _BLOCK)
    enough = counts >= 0.25 * _BLOCK**2
    kind = _kind(field)
    on = [field.valid & (kind == k) for k in range(3)]
    return HazeSums(
        sums=sums[enough],
        counts=counts[enough],
        noise=float(noise[enough].sum()),
        n_valid=float(np.count_nonzero(field.valid)),
        n_regions=float(np.count_nonzero(field.labels)),
        signal=float(np.sum(field.signal, where=field.valid, dtype=np.float64)),
        noise_valid=float(np.sum(field.noise, where=field.valid, dtype=np.float64)),
        kind_n=np.array([float(np.count_nonzero(kind == k)) for k in range(3)]),
        kind_signal=np.array(
            [float(np.sum(field.signal, where=one, dtype=np.float64)) for one in on]
        ),
        texture=_texture_sums(field, origin),
        origin=origin,
    )


def _texture_sums(field: Field, origin: float) -> Floats:
    out = np.zeros((len(_TEXTURE_SIDES), 6))
    for row, side in zip(out, _TEXTURE_SIDES, strict=True):
        sums, counts = _blocks(field.signal, field.clear, side)
        noise, _ = _blocks(field.noise, field.clear, side)
        whole = counts == side * side
        away = sums[whole] - origin * side**2
        row[0], row[5] = np.count_nonzero(whole), noise[whole].sum()
        row[1:5] = [np.sum(away**k) for k in (1, 2, 3, 4)]
    return out


def measure(
    sums: HazeSums, *, blank: tuple[float, float] | None, step: float, level: float
) -> dict[str, float]:
    """Return the haze, its interval, the shares of the metal signal, and the texture.

    The signal outside the regions but near them is partly their own blurred edge. So the haze
    per pixel is read in the clear area, taken to hold up to the edges, and everything else in the
    field belongs to droplets and streaks, in proportion to the signal on them. How far outlines
    reach into textured haze, and how the background rises under metal, shifts the shares by up to
    a tenth on seeded scenes, whatever the counts: 4 % of the haze's share is allowed for it.
    """
    from scipy import special

    k = sums.sums.size
    if k < 2 or step <= 0:
        return {}
    mean = float(sums.sums.sum() / sums.counts.sum())
    rest = sums.sums - mean * sums.counts
    error = float(np.sqrt(np.sum(rest**2) * k / (k - 1)) / sums.counts.sum())
    zero, zero_error = blank or _darkest(sums)
    reach = float(special.stdtrit(k - 1, 0.5 + level / 2)) * float(np.hypot(error, zero_error))
    haze = mean - zero
    out = {
        "fraction": haze / step,
        "fraction_low": (haze - reach) / step,
        "fraction_high": (haze + reach) / step,
        "n_pixels": float(sums.counts.sum()),
        "zero_from_blank": float(blank is not None),
    }
    out.update(_shares(sums, haze=haze, reach=reach, zero=zero, zero_error=zero_error))
    out.update(texture(sums, zero=zero))
    return out


def _darkest(sums: HazeSums) -> tuple[float, float]:
    """Return the level of the darkest blocks, freed of the luck that made them dark."""
    from scipy import special

    level = sums.noise / sums.counts.sum()
    means = sums.sums / sums.counts
    sd = float(np.sqrt(level / sums.counts.mean()))
    low = float(np.quantile(means, _DARKEST)) - float(special.ndtri(_DARKEST)) * sd
    # The quantile of k normal blocks scatters by about 1.7 sd / sqrt(k) at one tenth.
    whole = float(sums.sums.sum() / sums.counts.sum())
    return min(low, whole), 1.7 * sd / float(np.sqrt(means.size))


def _shares(
    sums: HazeSums, *, haze: float, reach: float, zero: float, zero_error: float
) -> dict[str, float]:
    n = sums.n_valid
    outside = n - sums.n_regions
    total = sums.signal - zero * n
    on = sums.kind_signal - zero * sums.kind_n
    regions = float(on[1] + on[2])
    if total <= 0:
        return {}
    error = float(np.sqrt(sums.noise_valid))
    streaky = float(on[2] / regions) if regions > 0 else 0.0
    part = haze * outside / total
    spread = reach * outside / total
    spread += abs(part) * (2 * (error + zero_error * n) / total + _OUTLINE)
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


def texture(sums: HazeSums, *, zero: float) -> dict[str, float]:
    """Return how much more the clear area varies than counting, at several scales."""
    out: dict[str, float] = {}
    for side, (n, *powers, noise) in zip(_TEXTURE_SIDES, sums.texture.tolist(), strict=True):
        if n < 30:
            break
        first, second, third, fourth = (value / n for value in powers)
        metal = first + (sums.origin - zero) * side**2
        if metal <= 0:
            continue
        variance = max(second - first**2, 0.0)
        about = fourth - 4 * first * third + 6 * first**2 * second - 3 * first**4
        excess = variance * n / (n - 1) - noise / n
        out[f"excess_{side}px"] = excess / metal
        scatter = np.sqrt(max(about - variance**2, 0.0))  # of the squares about the mean
        out[f"excess_{side}px_err"] = float(scatter / np.sqrt(n)) / metal
    return out


def _blocks(picture: Singles, used: Bools, side: int) -> tuple[Floats, Floats]:
    """Return sums and numbers of used pixels of square blocks, flat."""
    sums, counts = block_sums(picture, used, side)
    return sums.ravel(), counts.ravel().astype(np.float64)

"""Estimate the two classes from the data: direction, levels and structure in turn.

The start is the leading direction of the block covariance from which the noise has been
subtracted, which needs no threshold. Then three estimates take turns: the structure (size and
blur) sets the filter, the histogram of the filtered fraction gives the two levels, and the
regression of every plane on the filtered fraction gives the direction.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from spattermap.errors import InputError
from spattermap.segmentation.filters import Filter, best_filter, gaussian_filter
from spattermap.segmentation.levels import fit_levels
from spattermap.segmentation.likelihood import (
    Array,
    Classes,
    Mask,
    Stack,
    classes_from_means,
    metal_fraction,
    without,
)
from spattermap.segmentation.structure import Structure, fit_structure

Floats = npt.NDArray[np.float64]

_BLOCK_SIDES = (1, 2, 4, 8, 16)
_MOST_BLOCKS = 1 << 20
_STEADY = 0.005  # relative change of the class steps at which the iteration stops
_MOST_ROUNDS = 12
_LEAST_IN_BLOCK = 0.5  # mean counts of a plane in a block from which its covariance is used
_DRAWS = 8000
_SURE = 8.0  # standard deviations of the covariance; noise, fitted at will, reaches six
_SAMPLE_SIDE = 1536  # px; the estimates use at most four windows of this side in all


@dataclass(frozen=True)
class Estimate:
    """What is known of a field before its regions are drawn.

    Parameters
    ----------
    classes : Classes
        Class means and weights; without information where the field shows no structure.
    structure : Structure or None
        Size, blur and variance; None without structure.
    filter : Filter or None
        The filter that follows from them.
    """

    classes: Classes
    structure: Structure | None
    filter: Filter | None

    @property
    def diameter(self) -> float:
        """Typical diameter of the structure (px); a middling one where none was found."""
        return self.structure.diameter if self.structure else 16.0


def estimate(stack: Stack) -> Estimate:
    """Estimate classes, structure and filter.

    Parameters
    ----------
    stack : Stack
        The planes; of a large field a sample.

    Returns
    -------
    Estimate

    Raises
    ------
    InputError
        If no plane may rise with metal or fall under it.
    """
    if not stack.signs.any():
        raise InputError(
            "roles must name at least one alloy or substrate element that was mapped, got none. "
            "State --alloy or --substrate."
        )
    overall = _means(stack)
    noise = _noise(stack, overall)
    leading = _leading_direction(stack, overall, noise)
    if leading is None:
        return Estimate(_flat(stack, overall), None, None)
    direction, side = leading
    classes = classes_from_means(
        overall, overall + direction, noise_bare=noise, noise_metal=noise, signs=stack.signs
    )
    return _refine(stack, classes, overall, side)


def _refine(stack: Stack, classes: Classes, overall: Floats, side: int) -> Estimate:
    raw = metal_fraction(stack, classes)
    smoothing = gaussian_filter(max(0.5, side / 2.5))
    start = _otsu_levels(smoothing.apply(raw, stack.valid), stack.valid)
    structure: Structure | None = None
    for _ in range(_MOST_ROUNDS):
        before = classes
        picture = smoothing.apply(raw, stack.valid)
        classes = _rescaled(stack, classes, overall, picture=picture, used=smoothing, start=start)
        if classes.information <= 0:
            return Estimate(before, structure, smoothing)
        raw = metal_fraction(stack, classes)
        picture = smoothing.apply(raw, stack.valid)
        classes = _redirected(stack, classes, overall, raw=raw, picture=picture, own=smoothing.own)
        start = (0.0, 1.0)
        raw = metal_fraction(stack, classes)
        structure = fit_structure(raw, stack.valid, noise=1 / classes.information) or structure
        if structure is not None:
            smoothing = best_filter(structure, information=classes.information)
        if np.allclose(classes.metal - classes.bare, before.metal - before.bare, rtol=_STEADY):
            break
    if structure is None or structure.strength < _SURE:
        # What passed the first test of the noise did not pass the second.
        return Estimate(_flat(stack, overall), None, None)
    return Estimate(classes, structure, smoothing)


def _flat(stack: Stack, overall: Floats) -> Classes:
    noise = _noise(stack, overall)
    return Classes(overall, overall, noise, noise, np.zeros_like(overall))


def _otsu_levels(score: Array, valid: Mask) -> tuple[float, float]:
    from skimage import filters

    inside = score[valid]
    if inside.size == 0 or inside.min() == inside.max():
        return 0.0, 0.0
    cut = float(filters.threshold_otsu(inside))  # type: ignore[no-untyped-call]
    return float(inside[inside <= cut].mean()), float(inside[inside > cut].mean())


def _rescaled(
    stack: Stack,
    classes: Classes,
    overall: Floats,
    *,
    picture: Array,
    used: Filter,
    start: tuple[float, float],
) -> Classes:
    """Return classes moved to the two levels that the filtered fraction shows."""
    squares = used.gain * classes.weights**2
    found = fit_levels(
        picture[stack.valid],
        noise_bare=float(np.sqrt(squares @ classes.noise_bare)),
        noise_metal=float(np.sqrt(squares @ classes.noise_metal)),
        start=start,
    )
    step = classes.metal - classes.bare
    floor = _floor(stack, overall)
    bare = np.maximum(classes.bare + found.bare * step, floor)
    metal = bare + _possible(bare, (found.metal - found.bare) * step, floor)
    middle = np.float32(0.5 * (found.bare + found.metal))
    return _with_noise(stack, bare, metal, inside=picture > middle)


def _redirected(
    stack: Stack, classes: Classes, overall: Floats, *, raw: Array, picture: Array, own: float
) -> Classes:
    """Return classes with the direction re-estimated from every plane.

    The step of a plane is its regression on the filtered fraction that leaves the pixel itself
    out (an instrument free of that pixel's noise), scaled so that the fraction rises by one.
    """
    held_out = np.clip((picture - np.float32(own) * raw) / np.float32(1 - own), -0.5, 1.5)
    centre = held_out - np.float32(held_out[stack.valid].mean(dtype=np.float64))
    centre[~stack.valid] = 0
    slopes = np.array([float(np.vdot(centre, p.astype(np.float32))) for p in stack.planes])
    rise = float(np.vdot(centre, raw))
    if rise <= 0:
        return classes
    step = slopes / rise
    level = float(raw[stack.valid].mean(dtype=np.float64))
    floor = _floor(stack, overall)
    bare = np.maximum(overall - level * step, floor)
    metal = bare + _possible(bare, step, floor)
    return _with_noise(stack, bare, metal, inside=picture > 0.5)


def _floor(stack: Stack, overall: Floats) -> Floats:
    """Return the least mean a plane can have: for counts, half a count in the whole field."""
    if stack.variance is not None:
        return np.full(overall.shape, -np.inf)
    return np.minimum(overall, 0.5 / max(1, int(np.count_nonzero(stack.valid))))


def _possible(bare: Floats, step: Floats, floor: Floats) -> Floats:
    """Shorten a step that would take a shadowed line below zero counts."""
    falling = step < 0
    if not falling.any():
        return step
    room = (bare - floor)[falling] / -step[falling]
    return np.asarray(step * min(1.0, float(room.min())))


def _with_noise(stack: Stack, bare: Floats, metal: Floats, *, inside: Mask) -> Classes:
    """Return classes with the noise of each: its own mean, or the mean of carried variances."""
    if stack.variance is None:
        noise = bare, metal
    else:
        everywhere = _noise(stack, bare)
        noise_bare, noise_metal = (
            _noise(replace(stack, valid=stack.valid & part), bare) for part in (~inside, inside)
        )
        few = 1e-3 * everywhere  # a class without pixels has no variance of its own
        noise = np.maximum(noise_bare, few), np.maximum(noise_metal, few)
    return classes_from_means(
        bare, metal, noise_bare=noise[0], noise_metal=noise[1], signs=stack.signs
    )


def _means(stack: Stack) -> Floats:
    n = max(1, int(np.count_nonzero(stack.valid)))
    return np.array(
        [float(np.sum(p, where=stack.valid, dtype=np.float64)) / n for p in stack.planes]
    )


def _noise(stack: Stack, means: Floats) -> Floats:
    n = max(1, int(np.count_nonzero(stack.valid)))
    if stack.variance is None:
        # Poisson; half a count keeps an element that was never seen from weighing infinitely.
        return np.asarray(np.maximum(means, 0.5 / n))
    found = [float(np.sum(v, where=stack.valid, dtype=np.float64)) / n for v in stack.variance]
    return np.asarray(np.maximum(np.array(found), 1e-12))


def _leading_direction(stack: Stack, means: Floats, noise: Floats) -> tuple[Floats, int] | None:
    """Return the direction in which metal moves the planes, and the block side that shows it.

    None where the planes vary no more than counting noise does.
    """
    best: tuple[float, Floats, int] | None = None
    by_role = _by_role(stack, noise)
    for side in _BLOCK_SIDES:
        told = np.ones(means.size, dtype=bool)
        if stack.variance is None:
            # A handful of coinciding counts is no covariance: blocks must hold counts enough.
            told = means * side**2 >= _LEAST_IN_BLOCK
        found = _excess_covariance(without(stack, told), noise[told], side) if told.any() else None
        if found is None:
            continue
        excess, n_blocks = found
        values, vectors = np.linalg.eigh(excess)
        if values[-1] < _largest_eigenvalue_of_noise(int(told.sum()), _rounded_down(n_blocks)):
            continue
        vector = np.zeros(means.size)
        vector[told] = vectors[:, -1]
        vector = vector * (1 if vector @ by_role >= 0 else -1)
        vector = np.where(stack.signs * vector < 0, 0.0, vector)
        if vector.any() and (best is None or values[-1] > best[0]):
            best = (float(values[-1]), vector, side)
    return None if best is None else (np.asarray(best[1] * np.sqrt(noise)), best[2])


def _excess_covariance(stack: Stack, noise: Floats, side: int) -> tuple[Floats, int] | None:
    """Return the covariance of block means beyond noise, in units of its scatter, and n blocks."""
    height, width = (n // side for n in stack.shape)
    if height * width < 64:
        return None
    whole = stack.valid[: height * side, : width * side]
    used = whole.reshape(height, side, width, side).all(axis=(1, 3))
    n = int(np.count_nonzero(used))
    if n < 64:
        return None
    thin = -(-n // _MOST_BLOCKS)  # a million blocks tell the covariance well enough
    table = np.stack([_block_means(p, side, height, width)[used][::thin] for p in stack.planes])
    n = table.shape[1]
    scaled = (table - table.mean(axis=1, keepdims=True)) / np.sqrt(noise)[:, None]
    excess = (scaled @ scaled.T / n * side**2 - np.eye(noise.size)) * np.sqrt(n)
    if stack.variance is None:
        # A Poisson variance scatters by 2 + 1/mean: few counts must not pass for structure.
        np.fill_diagonal(excess, np.diag(excess) / np.sqrt(1 + 0.5 / (noise * side**2)))
    return np.asarray(excess), n


def _block_means(plane: npt.NDArray[np.generic], side: int, height: int, width: int) -> Floats:
    part = plane[: height * side, : width * side].reshape(height, side, width, side)
    return np.asarray(part.mean(axis=(1, 3), dtype=np.float64))


def _by_role(stack: Stack, noise: Floats) -> Floats:
    part = stack.signs * np.sqrt(np.maximum(noise, 1e-12))
    return np.asarray(part / max(float(np.linalg.norm(part)), 1e-12))


def _rounded_down(n_blocks: int) -> int:
    """Return the power of two below a number of blocks, at most 2^16: few laws, none too mild."""
    return int(2 ** min(16, int(np.log2(n_blocks))))


@lru_cache(maxsize=256)
def _largest_eigenvalue_of_noise(n_planes: int, n_blocks: int) -> float:
    """Return what the scaled excess covariance of pure noise reaches once in 500 scales.

    The covariance of normal noise follows Wishart's law (1928), drawn here by Bartlett's (1933)
    triangular factors with a fixed seed. For many blocks it tends to the Gaussian orthogonal
    ensemble (Wigner 1958); 64 blocks of ten planes reach a quarter higher.
    """
    random = np.random.default_rng(1958)
    factor = np.tril(random.standard_normal((_DRAWS, n_planes, n_planes)), -1)
    for i in range(n_planes):
        factor[:, i, i] = np.sqrt(random.chisquare(n_blocks - 1 - i, _DRAWS))
    excess = factor @ factor.transpose(0, 2, 1) / n_blocks - np.eye(n_planes)
    tops = np.linalg.eigvalsh(excess * np.sqrt(n_blocks))[:, -1]
    return float(np.quantile(tops, 0.998))


def sample_lines(
    shape: tuple[int, int],
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]] | None:
    """Return rows and columns of the windows by which a large field is known; None: all of it.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the field.

    Returns
    -------
    tuple of numpy.ndarray, or None
        At most four windows, `_SAMPLE_SIDE` squared pixels each, so that the estimates of a large
        field cost no more than those of a middling one.
    """
    if shape[0] * shape[1] <= 4 * _SAMPLE_SIDE**2:
        return None
    return _windows(shape[0]), _windows(shape[1])


def sample_of(stack: Stack) -> Stack:
    """Return the stack, or four windows of a large one side by side.

    Parameters
    ----------
    stack : Stack
        The whole field.

    Returns
    -------
    Stack
    """
    lines = sample_lines(stack.shape)
    if lines is None:
        return stack
    index = np.ix_(*lines)
    planes = np.stack([plane[index] for plane in stack.planes])
    variance = None if stack.variance is None else np.stack([v[index] for v in stack.variance])
    return replace(stack, planes=planes, variance=variance, valid=stack.valid[index])


def _windows(n: int) -> npt.NDArray[np.int64]:
    if n <= 2 * _SAMPLE_SIDE:
        return np.arange(n)
    first, second = n // 4 - _SAMPLE_SIDE // 2, 3 * n // 4 - _SAMPLE_SIDE // 2
    return np.concatenate([np.arange(_SAMPLE_SIDE) + first, np.arange(_SAMPLE_SIDE) + second])

"""Estimate the two classes from the data: direction, levels and structure in turn.

The start is the leading direction of the block covariance from which the noise has been
subtracted, which needs no threshold. Then three estimates take turns: the structure (size and
blur) sets the filter, the histogram of the filtered fraction gives the two levels, and the
regression of every plane on the filtered fraction gives the direction.

The two levels of a one-dimensional score: bare plate and typical metal.

The histogram of the smoothed score is a mixture of three kinds of pixel: bare (normal about the
lower level), metal (normal about the upper level, wider because thickness varies) and edge
pixels, spread evenly between the two by the blur. Counting noise of known size widens all three.

What is estimated once for a whole field, from a sample of it, before any region is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.special import ndtr

from spattermap.core.arrays import Bools, Floats, Singles
from spattermap.core.errors import InputError
from spattermap.core.squares import mean_squares, whole_squares
from spattermap.segment.filters import (
    Filter,
    Structure,
    best_filter,
    fit_structure,
    gaussian_filter,
)
from spattermap.segment.likelihood import (
    Classes,
    Planes,
    classes_from_means,
    metal_fraction,
    without,
)

_BINS = 400


def fit_levels(
    score: npt.NDArray[np.floating],
    *,
    noise_bare: float,
    noise_metal: float,
    start: tuple[float, float],
) -> tuple[float, float]:
    """Return the bare and the metal level, by the three-part mixture.

    Expectation and maximisation (Dempster, Laird & Rubin 1977, J. R. Stat. Soc. B 39, 1) on a
    histogram of 400 bins. The
    spread of the metal is bounded by a quarter of the step and the spread of the bare plate by an
    eighth: wider peaks would explain droplets as thickness or haze. Edge pixels may not outnumber
    metal pixels: without a plateau the upper level would otherwise run away into the tail.
    """
    low, high = float(score.min()), float(score.max())
    if not high > low:
        return low, low
    n, edges = np.histogram(score, bins=_BINS, range=(low, high))
    x = 0.5 * (edges[1:] + edges[:-1])
    n = n / n.sum()
    m0, m1 = start
    t0 = t1 = 0.0
    parts = np.array([0.6, 0.3, 0.1])
    previous = -np.inf
    for _ in range(300):
        s0, s1 = np.hypot(noise_bare, t0), np.hypot(noise_metal, t1)
        dense = _densities(x, (m0, m1), (s0, s1), (noise_bare, noise_metal))
        joint = parts[:, None] * dense
        total = joint.sum(axis=0) + 1e-300
        likelihood = float(n @ np.log(total))
        share = joint / total * n
        parts = share.sum(axis=1)
        parts[2] = min(parts[2], parts[1])
        parts = np.maximum(parts, 1e-6) / np.maximum(parts, 1e-6).sum()
        m0 = float(share[0] @ x / max(share[0].sum(), 1e-12))
        m1 = float(share[1] @ x / max(share[1].sum(), 1e-12))
        step = max(m1 - m0, 1e-12)
        v0 = float(share[0] @ (x - m0) ** 2 / max(share[0].sum(), 1e-12))
        v1 = float(share[1] @ (x - m1) ** 2 / max(share[1].sum(), 1e-12))
        t0 = min(np.sqrt(max(0.0, v0 - noise_bare**2)), step / 8)
        t1 = min(np.sqrt(max(0.0, v1 - noise_metal**2)), step / 4)
        if abs(likelihood - previous) < 1e-9:
            break
        previous = likelihood
    return m0, m1


def _densities(
    x: npt.NDArray[np.float64],
    means: tuple[float, float],
    spreads: tuple[float, float],
    noises: tuple[float, float],
) -> npt.NDArray[np.float64]:
    width = float(x[1] - x[0])
    m0, m1 = means
    s0, s1 = (max(s, width) for s in spreads)
    edge_noise = max(float(np.sqrt(0.5 * (noises[0] ** 2 + noises[1] ** 2))), width)
    step = max(m1 - m0, 1e-9)
    normal = [
        np.exp(-0.5 * ((x - m) / s) ** 2) / (s * np.sqrt(2 * np.pi))
        for m, s in ((m0, s0), (m1, s1))
    ]
    between = (ndtr((x - m0) / edge_noise) - ndtr((x - m1) / edge_noise)) / step
    return np.stack([*normal, np.maximum(between, 0)])


_BLOCK_SIDES = (1, 2, 4, 8, 16)
_MOST_BLOCKS = 1 << 20
_STEADY = 0.005  # relative change of the class steps at which the iteration stops
_MOST_ROUNDS = 12
_LEAST_IN_BLOCK = 0.5  # mean counts of a plane in a block from which its covariance is used
_DRAWS = 8000
# What `_largest_of_drawn_noise` gives from 100,000 draws, good to a hundredth: a row for every
# number of planes from one, a column for every power of two of blocks from 2^6.
_LARGEST_OF_NOISE = (
    (4.46, 4.34, 4.24, 4.18, 4.13, 4.10, 4.08, 4.06, 4.05, 4.04, 4.03),
    (5.59, 5.35, 5.25, 5.09, 5.03, 5.01, 4.96, 4.91, 4.94, 4.89, 4.89),
    (6.30, 5.99, 5.90, 5.76, 5.61, 5.56, 5.51, 5.50, 5.47, 5.45, 5.45),
    (7.11, 6.72, 6.50, 6.33, 6.17, 6.13, 6.07, 6.04, 5.95, 5.93, 5.92),
    (7.69, 7.27, 7.06, 6.83, 6.75, 6.58, 6.53, 6.44, 6.41, 6.39, 6.38),
    (8.15, 7.79, 7.53, 7.27, 7.16, 7.00, 6.92, 6.89, 6.83, 6.78, 6.78),
    (8.79, 8.29, 7.91, 7.70, 7.52, 7.42, 7.32, 7.31, 7.27, 7.23, 7.20),
    (9.29, 8.74, 8.36, 8.07, 7.87, 7.78, 7.67, 7.63, 7.57, 7.54, 7.51),
    (9.76, 9.18, 8.74, 8.45, 8.30, 8.14, 8.00, 7.97, 7.89, 7.82, 7.85),
    (10.07, 9.57, 9.16, 8.82, 8.61, 8.45, 8.35, 8.26, 8.18, 8.15, 8.15),
)  # fmt: skip
_SURE = 8.0  # standard deviations of the covariance; noise, fitted at will, reaches six
_SAMPLE_SIDE = 1536  # px; the estimates use at most four windows of this side in all


@dataclass(frozen=True)
class Ground:
    """What is known of a field before its regions are drawn."""

    # class means and weights; without information where the field shows no structure
    classes: Classes
    structure: Structure | None  # size, blur and variance; None without structure
    filter: Filter | None  # the filter that follows from them

    @property
    def diameter(self) -> float:
        """Typical diameter of the structure (px); a middling one where none was found."""
        return self.structure.diameter if self.structure else 16.0


def estimate(stack: Planes) -> Ground:
    """Estimate classes, structure and filter."""
    if not stack.signs.any():
        raise InputError(
            "roles must name at least one alloy or substrate element that was mapped, got none. "
            "State --alloy or --substrate."
        )
    overall = _means(stack)
    noise = _noise(stack, overall)
    leading = _leading_direction(stack, overall, noise)
    if leading is None:
        return Ground(_flat(stack, overall), None, None)
    direction, side = leading
    classes = classes_from_means(
        overall, overall + direction, noise_bare=noise, noise_metal=noise, signs=stack.signs
    )
    return _refine(stack, classes, overall, side)


def _refine(stack: Planes, classes: Classes, overall: Floats, side: int) -> Ground:
    raw = metal_fraction(stack, classes)
    smoothing = gaussian_filter(max(0.5, side / 2.5))
    picture = smoothing.apply(raw, stack.valid)
    start = _otsu_levels(picture, stack.valid)
    structure: Structure | None = None
    for number in range(_MOST_ROUNDS):
        before = classes
        if number:
            picture = smoothing.apply(raw, stack.valid)
        classes = _rescaled(stack, classes, overall, picture=picture, used=smoothing, start=start)
        if classes.information <= 0:
            return Ground(before, structure, smoothing)
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
        return Ground(_flat(stack, overall), None, None)
    return Ground(classes, structure, smoothing)


def _flat(stack: Planes, overall: Floats) -> Classes:
    noise = _noise(stack, overall)
    return Classes(overall, overall, noise, noise, np.zeros_like(overall))


def _otsu_levels(score: Singles, valid: Bools) -> tuple[float, float]:
    from skimage import filters

    inside = score[valid]
    if inside.size == 0 or inside.min() == inside.max():
        return 0.0, 0.0
    cut = float(filters.threshold_otsu(inside))  # type: ignore[no-untyped-call]
    return float(inside[inside <= cut].mean()), float(inside[inside > cut].mean())


def _rescaled(
    stack: Planes,
    classes: Classes,
    overall: Floats,
    *,
    picture: Singles,
    used: Filter,
    start: tuple[float, float],
) -> Classes:
    """Return classes moved to the two levels that the filtered fraction shows."""
    squares = used.gain * classes.weights**2
    lower, upper = fit_levels(
        picture[stack.valid],
        noise_bare=float(np.sqrt(squares @ classes.noise_bare)),
        noise_metal=float(np.sqrt(squares @ classes.noise_metal)),
        start=start,
    )
    step = classes.metal - classes.bare
    floor = _floor(stack, overall)
    bare = np.maximum(classes.bare + lower * step, floor)
    metal = bare + _possible(bare, (upper - lower) * step, floor)
    middle = np.float32(0.5 * (lower + upper))
    return _with_noise(stack, bare, metal, inside=picture > middle)


def _redirected(
    stack: Planes, classes: Classes, overall: Floats, *, raw: Singles, picture: Singles, own: float
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


def _floor(stack: Planes, overall: Floats) -> Floats:
    """Return the least mean a plane can have: for counts, half a count in the whole field.

    Of other values, the lowest: no part of the field has a mean below it.
    """
    if stack.variance is not None:
        low = [float(np.min(p, where=stack.valid, initial=p.max())) for p in stack.planes]
        return np.minimum(overall, low)
    return np.minimum(overall, 0.5 / max(1, int(np.count_nonzero(stack.valid))))


def _possible(bare: Floats, step: Floats, floor: Floats) -> Floats:
    """Shorten a step that would take a shadowed line below zero counts."""
    falling = step < 0
    if not falling.any():
        return step
    room = (bare - floor)[falling] / -step[falling]
    return np.asarray(step * min(1.0, float(room.min())))


def _with_noise(stack: Planes, bare: Floats, metal: Floats, *, inside: Bools) -> Classes:
    """Return classes with the noise of each: its own mean, or the mean of carried variances."""
    if stack.variance is None:
        noise = bare, metal
    else:
        everywhere = _noise(stack, bare)
        # A class without pixels has no variance of its own.
        noise_bare, noise_metal = (
            _noise(replace(stack, valid=part), bare) if part.any() else everywhere
            for part in (stack.valid & ~inside, stack.valid & inside)
        )
        few = 1e-3 * everywhere
        noise = np.maximum(noise_bare, few), np.maximum(noise_metal, few)
    return classes_from_means(
        bare, metal, noise_bare=noise[0], noise_metal=noise[1], signs=stack.signs
    )


def _means(stack: Planes) -> Floats:
    n = max(1, int(np.count_nonzero(stack.valid)))
    return np.array(
        [float(np.sum(p, where=stack.valid, dtype=np.float64)) / n for p in stack.planes]
    )


def _noise(stack: Planes, means: Floats) -> Floats:
    n = max(1, int(np.count_nonzero(stack.valid)))
    if stack.variance is None:
        # Poisson; half a count keeps an element that was never seen from weighing infinitely.
        return np.asarray(np.maximum(means, 0.5 / n))
    found = [float(np.sum(v, where=stack.valid, dtype=np.float64)) / n for v in stack.variance]
    return np.asarray(np.maximum(np.array(found), 1e-12))


def _leading_direction(stack: Planes, means: Floats, noise: Floats) -> tuple[Floats, int] | None:
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


def _excess_covariance(stack: Planes, noise: Floats, side: int) -> tuple[Floats, int] | None:
    """Return the covariance of block means beyond noise, in units of its scatter, and n blocks."""
    height, width = (n // side for n in stack.shape)
    if height * width < 64:
        return None
    used = whole_squares(stack.valid, side) == side**2
    n = int(np.count_nonzero(used))
    if n < 64:
        return None
    thin = -(-n // _MOST_BLOCKS)  # a million blocks tell the covariance well enough
    table = np.stack([mean_squares(p, side)[used][::thin] for p in stack.planes])
    n = table.shape[1]
    scaled = (table - table.mean(axis=1, keepdims=True)) / np.sqrt(noise)[:, None]
    excess = (scaled @ scaled.T / n * side**2 - np.eye(noise.size)) * np.sqrt(n)
    if stack.variance is None:
        # A Poisson variance scatters by 2 + 1/mean: few counts must not pass for structure.
        np.fill_diagonal(excess, np.diag(excess) / np.sqrt(1 + 0.5 / (noise * side**2)))
    return np.asarray(excess), n


def _by_role(stack: Planes, noise: Floats) -> Floats:
    part = stack.signs * np.sqrt(np.maximum(noise, 1e-12))
    return np.asarray(part / max(float(np.linalg.norm(part)), 1e-12))


def _rounded_down(n_blocks: int) -> int:
    """Return the power of two below a number of blocks, at most 2^16: few laws, none too mild."""
    return int(2 ** min(16, int(np.log2(n_blocks))))


def _largest_eigenvalue_of_noise(n_planes: int, n_blocks: int) -> float:
    """Return what the scaled excess covariance of pure noise reaches once in 500 scales.

    Blocks: a power of two from 2^6 to 2^16.
    """
    if n_planes <= len(_LARGEST_OF_NOISE):
        return _LARGEST_OF_NOISE[n_planes - 1][n_blocks.bit_length() - 7]
    return _largest_of_drawn_noise(n_planes, n_blocks)


@lru_cache(maxsize=256)
def _largest_of_drawn_noise(n_planes: int, n_blocks: int, draws: int = _DRAWS) -> float:
    """Return the same from draws.

    The covariance of normal noise follows Wishart's law (1928), drawn here by Bartlett's (1933)
    triangular factors with a fixed seed. For many blocks it tends to the Gaussian orthogonal
    ensemble (Wigner 1958); 64 blocks of ten planes reach a quarter higher.
    """
    random = np.random.default_rng(1958)
    factor = np.tril(random.standard_normal((draws, n_planes, n_planes)), -1)
    for i in range(n_planes):
        factor[:, i, i] = np.sqrt(random.chisquare(n_blocks - 1 - i, draws))
    excess = factor @ factor.transpose(0, 2, 1) / n_blocks - np.eye(n_planes)
    tops = np.linalg.eigvalsh(excess * np.sqrt(n_blocks))[:, -1]
    return float(np.quantile(tops, 0.998))


def sample_lines(
    shape: tuple[int, int],
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]] | None:
    """Return rows and columns of the windows by which a large field is known; None: all of it."""
    if shape[0] * shape[1] <= 4 * _SAMPLE_SIDE**2:
        return None
    return _windows(shape[0]), _windows(shape[1])


def _windows(n: int) -> npt.NDArray[np.int64]:
    if n <= 2 * _SAMPLE_SIDE:
        return np.arange(n)
    first, second = n // 4 - _SAMPLE_SIDE // 2, 3 * n // 4 - _SAMPLE_SIDE // 2
    return np.concatenate([np.arange(_SAMPLE_SIDE) + first, np.arange(_SAMPLE_SIDE) + second])


# Upper quartile and root mean square of differences over their median; normal noise: 1.7 and 1.5.
_SPARSE = (4.0, 30.0)
_MORE = 1.5  # times the metal, as far as outlines move with the filter
_LEAST_INSIDE = 100  # px inside the metal from which their texture is taken seriously


def estimate_of(sample: Planes, *, noise_known: bool) -> Ground:
    """Estimate what holds for a whole field."""
    if noise_known:
        return estimate(sample)
    variance = estimated_variance(sample.planes)
    known = estimate(_with_variance(sample, variance))
    inside = _inside(sample, known)
    rough = estimate(_with_variance(sample, np.maximum(variance, _texture(sample, inside))))
    # More noise cannot show more metal: where it seems to, all became one class, the other empty.
    most = _MORE * np.count_nonzero(inside) + _LEAST_INSIDE
    return known if np.count_nonzero(_inside(sample, rough)) > most else rough


def _inside(sample: Planes, known: Ground) -> Bools:
    """Return the pixels that count as metal, dims (y, x)."""
    if known.filter is None or known.classes.information == 0:
        return np.zeros(sample.shape, dtype=bool)
    raw = metal_fraction(sample, known.classes)
    return np.asarray((known.filter.apply(raw, sample.valid) > 0.5) & sample.valid)


def _with_variance(stack: Planes, variance: Singles) -> Planes:
    return replace(stack, variance=np.broadcast_to(variance[:, None, None], stack.planes.shape))


def _texture(sample: Planes, inside: Bools) -> Singles:
    """Return the variance that each plane has inside the metal; zero where there is too little.

    Where the noise had to be estimated, what varies inside the metal at the finest scale cannot
    tell metal from bare, whether it is noise or relief.
    """
    inside = ndimage.binary_erosion(inside, iterations=2)
    if np.count_nonzero(inside) < _LEAST_INSIDE:
        return np.zeros(len(sample.planes), np.float32)
    return np.array([float(p[inside].var(dtype=np.float64)) for p in sample.planes], np.float32)


def estimated_variance(planes: npt.NDArray[np.generic]) -> Singles:
    """Return the white-noise variance of each plane, from differences of neighbours.

    Dims: `planes` (element, y, x); returns (element,).
    """
    out = np.empty(len(planes), np.float32)
    for k, plane in enumerate(planes):
        p = plane.astype(np.float32)
        if min(p.shape) < 3:
            out[k] = max(float(p.var(dtype=np.float64)), 1e-12)
            continue
        # Second differences cancel levels and slopes; the coefficients square-sum to 36.
        d = p[1:-1, 1:-1] * 4 - 2 * (p[:-2, 1:-1] + p[2:, 1:-1] + p[1:-1, :-2] + p[1:-1, 2:])
        d += p[:-2, :-2] + p[:-2, 2:] + p[2:, :-2] + p[2:, 2:]
        middle, upper = np.quantile(np.abs(d), (0.5, 0.75))
        square = float(np.mean(d * d, dtype=np.float64))
        # The median ignores the edges (Rank et al. 1999); 0.6745 is that of |N(0, 1)|. Where few
        # counts stand behind the values, most neighbours do not differ at all and it says nothing:
        # there the mean is taken, which edges can only make too large.
        if upper < _SPARSE[0] * middle and square < (_SPARSE[1] * middle) ** 2:
            square = (float(middle) / 0.6745) ** 2
        out[k] = max(square / 36, 1e-12)
    return out

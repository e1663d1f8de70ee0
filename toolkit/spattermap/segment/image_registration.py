"""Where an electron image lies on the maps, or that it is not of their field."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from scipy import fft, linalg, ndimage

from spattermap.core.arrays import Bools, Floats, Singles
from spattermap.core.squares import whole_squares
from spattermap.segment.image_grid import Transform, blurred, resampled

LEAST_PEAK_RATIO = 2.0  # best over best elsewhere; wrong pictures stay below 1.5
_SURE_RATIO = 3.0  # from here on, turns and scales are not searched
_SCALES = (0.7, 1.4, 2.8, 5.6, 11.2)  # px; differences of Gaussians between neighbours
_EDGE_SCALES = (1.0, 2.0, 4.0)  # px; gradient magnitudes
_HIGH_PASS = 20.0  # px
_MIRRORED = 32  # px; larger shapes that the frame cuts are not closed
_TURNS = (-3.0, 0.0, 3.0)  # deg; what lies between still correlates
_STRETCHES = (0.95, 1.0, 1.05)
_FARTHEST = 0.25  # part of the field by which the picture of the same field may be shifted
_PLAIN_SIDE = 256  # px; fields are binned to no less for the plain search,
_SEARCH_SIDE = 160  # ... and to about this for turns and scales
_NEWTON_STEPS = 8
_LONGEST_STEP = np.array([2.0, 2.0, 0.02, 0.02])  # px, px, rad, stretch
_PRIOR_TURN, _PRIOR_STRETCH = np.radians(3.0), 0.04  # standard deviations of the weak priors


@dataclass(frozen=True)
class Registration:
    """Outcome of a registration."""

    transform: Transform  # the best found, right or wrong
    peak_ratio: float  # multiple correlation at the peak over the best elsewhere

    @property
    def accepted(self) -> bool:
        """True where the picture is of the maps' field."""
        return self.peak_ratio >= LEAST_PEAK_RATIO


def register(
    evidence: Singles,
    valid: Bools,
    picture: Singles,
    *,
    blur: float,
    step: float,
    exclude: float = 10.0,
) -> Registration:
    """Find shift, turn and scale of a picture against the maps' unsmoothed metal evidence.

    Dims: `evidence`, `valid` (y, x), `picture` (image_y, image_x), as `even_grey` gives it; `blur`,
    `step` (expected side of an image pixel) and `exclude` (what counts as the peak's own) in px of
    the maps.

    For every shift s the multiple correlation ``R2(s) = C(s)' S^-1 C(s) / (N sum f^2)`` of the
    evidence f with features of the picture, C(s) by fast Fourier transform. No feature has a
    direction: a derivative along x imitates a shift. Where the plain search is not sure, turns and
    scales are searched on binned maps; the peak must then win over the best elsewhere at its own
    turn and scale.
    """
    start = Transform(step=step)
    shape = (evidence.shape[0], evidence.shape[1])
    whole = np.where(valid, evidence, np.float32(0))

    def searched(turn: float, scale: float, side: int) -> Registration:
        small, kept = binned(whole, valid, side)
        tried = replace(start, turn_deg=turn, scale=scale, step=step / side)
        ratio, shift = _search(
            small, kept, picture, tried, blur=blur / side, exclude=exclude / side
        )
        place = replace(tried, shift=(shift[0] * side, shift[1] * side), step=step)
        return Registration(place, ratio)

    best = searched(0.0, 1.0, max(1, min(shape) // _PLAIN_SIDE))
    if best.peak_ratio < _SURE_RATIO:
        for turn, scale in itertools.product(_TURNS, _STRETCHES):
            one = searched(turn, scale, max(1, round(min(shape) / _SEARCH_SIDE)))
            if one.peak_ratio > 1.25 * best.peak_ratio:
                best = one
    return best


def binned(values: Singles, valid: Bools, side: int) -> tuple[Singles, Bools]:
    """Return sums over squares of `side` px, and the squares with a valid pixel."""
    if side == 1:
        return values, valid
    sums = whole_squares(np.where(valid, values, 0), side)
    return np.asarray(sums, np.float32), np.asarray(whole_squares(valid, side) > 0)


def _search(
    evidence: Singles,
    valid: Bools,
    picture: Singles,
    tried: Transform,
    *,
    blur: float,
    exclude: float,
) -> tuple[float, tuple[float, float]]:
    """Return the ratio of the best peak to the best elsewhere, and the shift of the peak (px)."""
    wanted = np.array(picture.shape) * tried.step
    overview = wanted / np.array(evidence.shape) >= 1.25
    side = tuple(
        round(w) if larger else n
        for w, n, larger in zip(wanted, evidence.shape, overview, strict=True)
    )
    looked, _ = resampled(picture, tried, (side[0], side[1]))
    surface = correlation_surface(evidence, valid, looked, blur=blur)
    middle = [(s - n) / 2 for s, n in zip(side, evidence.shape, strict=True)]
    lags = [_lags(s, n, o) for s, n, o in zip(side, evidence.shape, overview, strict=True)]
    reach = [
        np.abs(lag - m) <= (m + 1 if o else _FARTHEST * n)
        for lag, m, o, n in zip(lags, middle, overview, evidence.shape, strict=True)
    ]
    allowed = np.where(reach[0][:, None] & reach[1][None], surface, -np.inf)
    at = np.unravel_index(int(np.argmax(allowed)), allowed.shape)
    peak = float(surface[at])
    away = [
        np.minimum(np.abs(np.arange(s) - a), s - np.abs(np.arange(s) - a))
        for s, a in zip(surface.shape, at, strict=True)
    ]
    elsewhere = np.hypot(away[0][:, None], away[1][None]) > exclude
    other = float(surface[elsewhere].max()) if elsewhere.any() else np.inf
    shift = [float(lags[k][at[k]] - middle[k]) for k in (0, 1)]
    # The shift of the map in the turned and scaled picture, as `Transform` wants it.
    moved = tried.matrix() @ np.array(shift) * tried.step
    return (peak / other if other > 0 else 0.0), (float(moved[0]), float(moved[1]))


def _lags(side: int, n: int, overview: bool) -> Floats:
    """Return the lag of every line of the surface; a map within an overview only moves inward."""
    lag = np.arange(side, dtype=np.float64)
    return lag if overview else np.where(lag > n / 2, lag - n, lag)


def correlation_surface(
    evidence: Singles, valid: Bools, picture: Singles, *, blur: float
) -> Singles:
    """Return the multiple correlation of evidence and picture at every cyclic shift.

    Dims: `evidence`, `valid` (y, x), `picture` and the result (rows, columns), at the maps' pixel
    size and no smaller: at (i, j) the maps' first pixel lies on the picture's (i, j).
    """
    whole = np.zeros(picture.shape, np.float32)
    flat = _high_passed(np.where(valid, evidence, np.float32(evidence[valid].mean())))
    rows, columns = evidence.shape
    whole[:rows, :columns] = np.where(valid, flat, 0)
    columns_ = np.stack([f.ravel() for f in alike_features(picture, blur)])
    columns_ -= columns_.mean(axis=1, keepdims=True)
    gram = (columns_ @ columns_.T).astype(np.float64) / columns_.shape[1]
    gram[np.diag_indices_from(gram)] *= 1 + 1e-4
    gram[np.diag_indices_from(gram)] += 1e-12
    white = linalg.solve_triangular(np.linalg.cholesky(gram), columns_, lower=True)
    spectrum = np.conj(fft.rfft2(whole))
    total = np.zeros(picture.shape, np.float32)
    for feature in white.reshape(-1, *picture.shape).astype(np.float32):
        total += fft.irfft2(spectrum * fft.rfft2(feature), picture.shape) ** 2
    n = rows * columns
    return np.asarray(total / np.float32(max(n * float(np.vdot(whole, whole)), 1e-30)))


def alike_features(picture: Singles, blur: float) -> Iterable[Singles]:
    """Yield features of a picture that know no direction, blurred as the maps, high-passed."""
    smooth = [blurred(picture, s) for s in (*_SCALES, 2 * _SCALES[-1])]
    for fine, coarse in itertools.pairwise(smooth):
        yield _high_passed(blurred(fine - coarse, blur))
    for scale in _EDGE_SCALES:
        edge = ndimage.gaussian_gradient_magnitude(picture, scale, truncate=3.0)
        if scale == _EDGE_SCALES[0]:
            yield _high_passed(blurred(filled(blurred(edge, 1.0)), blur))
        yield _high_passed(blurred(edge, blur))


def filled(picture: Singles) -> Singles:
    """Return the picture with its closed hollows filled to the lowest pass of their rim.

    What the frame cuts is closed by its own mirror image.
    """
    border = min(_MIRRORED, *(n - 1 for n in picture.shape))
    floor = np.pad(picture, border, mode="symmetric")
    level = floor.copy()
    level[1:-1, 1:-1] = floor.max()
    _lower(level, floor)
    return np.asarray(level[border:-border, border:-border])


@njit(cache=True, nogil=True)
def _lower(level: Singles, floor: Singles) -> None:
    """Lower a level to what can run off over its frame, in place (Vincent 1993, hybrid).

    Dims: both (y, x). Grey reconstruction by erosion: two sweeps, and a queue of what they left.
    """
    rows, columns = floor.shape
    size = rows * columns
    # A sweep down, over the neighbours before each pixel, and one back up.
    for sign in (1, -1):
        for down in range(1, rows - 1):
            y = down if sign > 0 else rows - 1 - down
            for right in range(1, columns - 1):
                x = right if sign > 0 else columns - 1 - right
                low = min(level[y, x], level[y, x - sign])
                for j in range(x - 1, x + 2):
                    low = min(low, level[y - sign, j])
                level[y, x] = max(low, floor[y, x])
    waits = np.ones((rows, columns), np.bool_)
    queue = np.arange(size)  # a ring: no more can wait than there are pixels
    first, n = 0, size
    while n > 0:
        y, x = queue[first] // columns, queue[first] % columns
        first = (first + 1) % size
        n -= 1
        waits[y, x] = False
        here = level[y, x]
        for i in range(max(y - 1, 0), min(y + 2, rows)):
            for j in range(max(x - 1, 0), min(x + 2, columns)):
                low = max(here, floor[i, j])
                if level[i, j] > low:
                    level[i, j] = low
                    if not waits[i, j]:
                        waits[i, j] = True
                        queue[(first + n) % size] = i * columns + j
                        n += 1


def _high_passed(picture: Singles) -> Singles:
    return np.asarray(picture - blurred(picture, _HIGH_PASS))


def correction(evidence: Singles, valid: Bools, shown: Singles, *, noise: float) -> Floats:
    """Return by how much what a picture shows, blurred as the maps are, lies off their evidence.

    Dims: all (y, x); returns (4,): shift in rows and columns (px), turn (rad) and stretch about the
    middle, for `moved` and `after`; zeros where it does not settle. Gauss-Newton on ``sum (f - q(T
    x))^2 / v``, with weak normal priors on turn and scale.
    """
    size = evidence.shape
    y = (np.arange(size[0], dtype=np.float32) - (size[0] - 1) / 2)[:, None]
    x = (np.arange(size[1], dtype=np.float32) - (size[1] - 1) / 2)[None]
    prior = np.diag([0.0, 0.0, 1 / _PRIOR_TURN**2, 1 / _PRIOR_STRETCH**2])
    at = np.zeros(4)  # rows, columns (px), turn (rad), stretch
    for _ in range(_NEWTON_STEPS):
        there = moved(shown, at)
        dy, dx = np.gradient(there)
        slopes = np.stack([
            np.asarray(part)[valid].astype(np.float64)
            for part in (dy, dx, dx * y - dy * x, dy * y + dx * x)
        ])  # fmt: skip
        rest = (evidence - there)[valid].astype(np.float64)
        normal = slopes @ slopes.T / noise + prior
        right = slopes @ (rest - rest.mean()) / noise - prior @ at
        change = np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(4), right)
        at = at + np.clip(change, -_LONGEST_STEP, _LONGEST_STEP)
        if np.abs(change[:2]).max() < 0.01 and np.abs(change[2:]).max() * max(size) < 0.01:
            break
    else:
        # Not settled: what was found by the search is kept.
        if np.abs(change[:2]).max() > 0.25:
            return np.zeros(4)
    return at


def moved(shown: Singles, at: Floats) -> Singles:
    """Return the picture read at places shifted, turned and stretched by a `correction`."""
    c, s = np.cos(at[2]), np.sin(at[2])
    matrix = (1 + at[3]) * np.array([[c, -s], [s, c]])
    middle = (np.array(shown.shape) - 1) / 2
    return np.asarray(
        ndimage.affine_transform(
            shown, matrix, middle + at[:2] - matrix @ middle, order=1, mode="nearest",
            output=np.float32,
        )
    )  # fmt: skip


def after(transform: Transform, at: Floats) -> Transform:
    """Return the transform that first moves by a `correction`, in the maps, and then as before."""
    shift = transform.matrix() @ at[:2] * transform.step + np.array(transform.shift)
    return replace(
        transform, shift=(float(shift[0]), float(shift[1])),
        turn_deg=transform.turn_deg + float(np.degrees(at[2])),
        scale=transform.scale * (1 + float(at[3])),
    )  # fmt: skip

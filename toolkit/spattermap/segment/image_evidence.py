"""What a registered electron image says of the metal, learned from the maps themselves.

No grey value means metal: the counts teach which do. The picture is turned into columns that bend
(piecewise-linear functions of its grey values, edges and hollows), and the columns are weighted so
that their sum, blurred as the maps are, explains the metal fraction f. The fraction is unbiased,
so no outline, label or threshold is needed for that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core.arrays import Bools, Floats, Singles
from spattermap.core.progress import pulse
from spattermap.segment.image_grid import blurred, means
from spattermap.segment.image_registration import filled

_KNOTS = (0.02, 0.15, 0.35, 0.5, 0.65, 0.85, 0.98)  # quantiles at which the columns bend
_LEVEL = 30.0  # px; slow changes of the grey level (charging, drift) are taken off
_SMOOTHED = (0.0, 1.0, 2.0, 4.0)  # px; the grey level in ever wider surroundings
_EDGES = (1.0, 2.0)  # px; gradient magnitudes
_AGAIN = (0.0, 1.0, 2.0, 4.0)  # px; surroundings of the first answer, for the second pass
_HIDDEN = 0.03  # weight of the ridge on what the blur hides, per unit variance of the fraction
_BINNED_BLUR = 1.0  # px; from here on the fit is made on squares of two
_LINE = 5  # px; narrower lines (scratches) may be looked through
_FOLDS = 4
_CHUNK = 16384  # px that are widened to double precision at a time
_BLOCKS = 8  # blocks along each axis of the field that the folds are made of


@dataclass(frozen=True)
class Learned:
    """The metal fraction that a picture shows."""

    fraction: Singles  # (y, x): unblurred: about 0 on bare plate and 1 on metal
    # part of the true variance of the maps' fraction that it explains in squares of the field on
    # which it was not fitted
    explained: float


def learn(
    picture: Singles,
    evidence: Singles,
    valid: Bools,
    *,
    blur: float,
    noise: float,
    squares: int = 0,
) -> Learned:
    """Fit the metal fraction of a registered picture to the maps' unsmoothed, unbiased evidence.

    Dims: `picture`, `evidence`, `valid` (y, x); `blur` in px, `noise` the variance in one pixel;
    With `squares` the pixels are means of squares of that side (px), and one pass with few columns
    is taken, good enough to compare places.

    Least squares of ``f = (B p)`` with ``p = X beta``, plus a ridge on ``(1 - B) X beta``: what the
    blur hides the counts cannot teach, and without the ridge p is speckle. The second pass gives p
    its own surroundings as columns. Explained variance by four folds of squares of the field.
    """
    columns = _columns_of(picture, squares=squares)
    first, explained = _fit(columns, evidence, valid, blur=blur, noise=noise)
    if squares:
        return Learned(first, explained)
    again = [
        column for scale in _AGAIN for column in _bent(blurred(np.clip(first, -0.5, 1.5), scale))
    ]
    smooth = np.clip(blurred(first, 0.7), -0.2, 1.2)
    for column in (*_without_lines(smooth), filled(smooth)):
        again += _bent(column)
    fraction, explained = _fit(again, evidence, valid, blur=blur, noise=noise)
    return Learned(fraction, explained)


def side_of(blur: float) -> int:
    """Return the side of squares (px) in which what such a blur leaves is seen as well."""
    return 2 if blur >= _BINNED_BLUR else 1


def _columns_of(picture: Singles, *, squares: int) -> list[Singles]:
    """Return columns from grey values, levelled and not, edges, and hollows filled."""
    levelled = picture - blurred(picture, _LEVEL / max(squares, 1))
    if squares:
        return [c for scale in _SMOOTHED[1:] for c in _bent(blurred(levelled, scale / squares))]
    out = _bent(blurred(picture, 1.0))
    for scale in _SMOOTHED:
        out += _bent(blurred(levelled, scale))
    edges = [ndimage.gaussian_gradient_magnitude(picture, scale, truncate=3.0) for scale in _EDGES]
    for edge in edges:
        out += _bent(edge)
    rough = blurred(levelled, 1.0)
    for spoiled in _without_lines(rough):
        out += _bent(spoiled)
    for closed in (rough, -rough, blurred(edges[0], 0.7)):
        out += _bent(filled(np.asarray(closed, np.float32)))
    return out


def _without_lines(picture: Singles) -> tuple[Singles, Singles]:
    """Return the picture without narrow bright lines, and without narrow dark ones."""
    size = (_LINE, _LINE)
    return ndimage.grey_opening(picture, size=size), ndimage.grey_closing(picture, size=size)


def _bent(values: Singles) -> list[Singles]:
    """Return the hat functions of a feature: piecewise-linear, one for each knot but the first."""
    knots = np.unique(np.quantile(values[::2, ::2], _KNOTS).astype(np.float32))
    if knots.size < 2:
        return []
    out = []
    for k in range(1, knots.size):
        low, high = knots[k - 1], knots[k]
        out.append(np.clip((values - low) / (high - low), 0, 1).astype(np.float32))
    return out


def _fit(
    columns: list[Singles], evidence: Singles, valid: Bools, *, blur: float, noise: float
) -> tuple[Singles, float]:
    """Return the fitted unblurred fraction, and the part of the true variance it explains."""
    shape = (evidence.shape[0], evidence.shape[1])
    side = side_of(blur)
    sharp = np.ones((1 + len(columns), evidence.size), np.float32)
    seen = np.ones((1 + len(columns), shape[0] // side * (shape[1] // side)), np.float32)
    for k, column in enumerate(columns, start=1):
        even = column - column.mean(dtype=np.float64).astype(np.float32)
        sharp[k], seen[k] = even.ravel(), blurred(means(even, side), blur / side).ravel()
    use = means(valid.astype(np.float32), side).ravel() > 0.99
    f = means(np.where(valid, evidence, np.float32(0)), side).ravel()
    noise_seen = noise / side**2
    fold = _folds((shape[0] // side, shape[1] // side)).ravel()
    grams, sides, squares = [], [], []
    for k in range(_FOLDS):
        at = np.flatnonzero(use & (fold == k))
        part = seen[:, at]
        grams.append(_products(part, part))
        sides.append(_products(part, f[None, at])[:, 0])
        squares.append((float(f[at].sum(dtype=np.float64)), float(np.vdot(f[at], f[at])), at.size))
    variance = float(np.var(f[use]))
    variance = max(variance - noise_seen, 0.01 * variance, 1e-9)
    unused = seen[:, ~use]
    hidden = _products(sharp, sharp) / side**2 - sum(grams, start=_products(unused, unused))
    hidden[0] = hidden[:, 0] = 0.0
    penalty = _HIDDEN * noise_seen / variance * hidden
    # Two columns may say the same.
    penalty[np.diag_indices_from(penalty)] += (
        1e-5 * float(np.mean(np.diag(np.sum(grams, axis=0)))) + 1e-9
    )

    def solved(gram: Floats, side_: Floats) -> Floats:
        return np.asarray(np.linalg.solve(gram + penalty, side_))

    beta = solved(np.sum(grams, axis=0), np.sum(sides, axis=0))
    explained = _explained(grams, sides, squares, solved=solved, noise=noise_seen)
    return (beta.astype(np.float32) @ sharp).reshape(shape), explained


def _products(a: Singles, b: Singles) -> Floats:
    """Return a b', summed in double precision.

    Columns that say nearly the same leave directions in which the rounding of sums in single
    precision, another on every processor, would be as large as the ridge.
    """
    out = np.zeros((a.shape[0], b.shape[0]))
    for start in range(0, a.shape[1], _CHUNK):
        pulse()
        at = slice(start, start + _CHUNK)
        wide = a[:, at].astype(np.float64)
        # One array with itself: BLAS works out half of it.
        out += wide @ (wide if a is b else b[:, at].astype(np.float64)).T
    return out


def _explained(
    grams: list[Floats],
    sides: list[Floats],
    squares: list[tuple[float, float, int]],
    *,
    solved: Callable[[Floats, Floats], Floats],
    noise: float,
) -> float:
    """Return the explained part of the true variance, each fold from the other three."""
    rest = total = 0.0
    gram, side = np.sum(grams, axis=0), np.sum(sides, axis=0)
    n = sum(s[2] for s in squares)
    mean = sum(s[0] for s in squares) / n
    for k in range(len(grams)):
        beta = solved(gram - grams[k], side - sides[k])
        sum_, square, count = squares[k]
        rest += square - 2 * float(beta @ sides[k]) + float(beta @ grams[k] @ beta) - count * noise
        total += square - 2 * mean * sum_ + count * mean**2 - count * noise
    return 1 - rest / total if total > 0 else 0.0


def _folds(shape: tuple[int, ...]) -> npt.NDArray[np.int64]:
    rows = (np.arange(shape[0]) * _BLOCKS // shape[0])[:, None]
    columns = (np.arange(shape[1]) * _BLOCKS // shape[1])[None]
    return np.asarray((rows + 2 * columns + rows // 2) % _FOLDS)

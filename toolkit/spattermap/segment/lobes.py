"""Part joined droplets by shape: an outline explained by the fewest overlapping ellipses (numba).

A lump is a union of few round things. Each candidate set of ellipses is weighed by its marginal
likelihood (a Bayes factor): how far the outline lies from the union against the distance that
counting noise displaces it, and how much of the prior of every ellipse the data rule out. So a
lobed lump stays one where the data do not tell.

An ellipse is five numbers: row and column of its centre (px), logarithm of the radius of the
circle of its area, and its stretch along the rows and along the diagonal: half the logarithm of
the ratio of its axes, as a vector of twice the angle.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numba import njit

from spattermap.core.arrays import Bools, Floats, Integers, Labels, Singles
from spattermap.core.grid import Box
from spattermap.core.progress import pulse
from spattermap.segment.filters import Filter
from spattermap.segment.likelihood import Classes
from spattermap.segment.parting import groups

_ROUNDS = 6  # sweeps of joining and parting after which a region is left as it is
_PIXELS = 0.02  # px^3; what the pixel grid adds to the noise of an outline
_ROUGH = 0.01  # of the radius: how far true outlines stray from an ellipse
_ROUND = 0.05  # half the logarithm of the ratio of a droplet's axes
_BROAD = 0.4  # logarithm of the radius
_PRICE = 4.0  # nats; that a lump is several droplets is less likely beforehand,
_CROWDED = 2.0  # ... but by so much at the least where the field is crowded
_NOTCH = 0.55  # of the edge's deviation: how far blur fills a right-angled notch
_TURNS = 8  # directions in which an ellipse is tried to be parted,
_OFFSETS = (-0.5, 0.0, 0.5)  # ... each at these parts of its radius
_RIDGE = 0.01  # of the spread of the points a circle is put through
_PURSUED = 4  # ... of which the most promising are pursued
_STICKS_OUT = 0.1  # of the radius of the smaller of two: with less they are one
_BETTER = 0.1  # nats; by so much a move must better what is known
_SLIGHT = 3.0  # nats; what the data narrow two ellipses by at the least
_FILM = 0.15  # of the radius: lumps that stray further from all ellipses are films
_FILM_PART = 0.1  # of the field: lumps that hold more may be films
SEEN = 0.4  # part of an ellipse that must be seen before its size is believed
_HARMONICS = 4  # of an outline, that tell how rough it is: the third and those after it
_WHOLE = 0.15  # by which an outline's length may differ from that of its circle
_BEFOREHAND = 10.0  # droplets, as which weighs what was thought of their forms,
_BEFOREHAND_SIZE = 2.0  # ... and of their size, which the texture of the field may put far off
# Bounds of what is learned: logarithm of the radius, stretch, roughness.
_BROADS, _OVALS, _ROUGHS = (0.2, 0.7), (0.03, 0.12), (0.005, 0.04)
_FEW = 5  # points of outline below which a shape is not looked at


class Evidence(NamedTuple):
    """What an outline can tell: the same for every region of a field."""

    # variance of the outline's place by counting noise, times its correlation length (px^3)
    white: float
    sigma: float  # standard deviation of the edge (px): blur fills the notches between droplets
    middle: float  # radius expected (px)
    rough: float = _ROUGH  # standard deviation of true outlines about an ellipse, over the radius
    round: float = _ROUND  # standard deviation of a droplet's stretch, each component
    broad: float = _BROAD  # standard deviation of the logarithm of the radius
    price: float = _PRICE  # what one more ellipse costs beforehand (nats)
    least: float = 0.0  # smallest radius (px): nothing smaller is told apart
    most: float = 1e9  # largest radius (px) that the area of the region allows
    film: float = np.inf  # area (px) from which a lump may be a film


def evidence_of(
    classes: Classes,
    used: Filter,
    *,
    diameter: float,
    smallest: float = 0.0,
    strength: float = 1.0,
    coverage: float = 0.0,
    field: float = np.inf,
) -> Evidence:
    """Return what outlines at half height tell, from the noise of the filtered metal fraction.

    Typical `diameter` and `smallest` that is told apart in px, `field` in px^2; a strength
    above 1 parts more readily, and so does metal that covers much of the field: of discs of one
    size placed freely, the part ``1 - (1 - coverage)**4`` touches another (Chiu et al. 2013,
    Stochastic Geometry and its Applications, section 3.1, from memory).

    Noise of standard deviation s displaces an edge by s over its slope, which is ``1 / (sigma
    sqrt(2 pi))`` at half height. Along the outline the displacement is correlated as the filter's
    autocorrelation; what outlines bend by over longer distances is white with the variance times
    the sum of that correlation along a line.
    """
    sigma = max(used.sigma, 0.29)  # 0.29 px: a pixel averages over its width
    power = np.abs(np.fft.fft2(used.kernel)) ** 2
    correlation = np.fft.ifft2(power).real[0]
    length = max(1.0, float(correlation.sum() / correlation[0]))
    variance = used.gain / classes.information * 2 * np.pi * sigma**2
    odds_of_touching = (1 - min(coverage, 0.99)) ** -4 - 1
    price = max(_CROWDED, _PRICE - np.log(max(odds_of_touching, 1.0)))
    return Evidence(
        white=float(variance * length + _PIXELS),
        sigma=float(sigma),
        middle=0.5 * float(diameter),
        price=float(price) / strength,
        least=0.5 * float(smallest),
        film=_FILM_PART * float(field),
    )


class Outline(NamedTuple):
    """Points where outlines cross the lines of the pixel grid, in raster order."""

    label: Labels  # (point,): region
    key: Integers  # (point,): place in raster order in the field
    place: Floats  # (point, 3): row and column, and the length of outline the point stands for (px)

    def of(self, wanted: Bools | Integers) -> Outline:
        """Return some of the points."""
        return Outline(self.label[wanted], self.key[wanted], self.place[wanted])


@njit(cache=True, nogil=True, error_model="numpy")
def _slope(height: Singles, y: int, x: int) -> tuple[float, float]:
    rows, columns = height.shape
    top, bottom = max(0, y - 1), min(rows - 1, y + 1)
    left, right = max(0, x - 1), min(columns - 1, x + 1)
    return (
        (height[bottom, x] - height[top, x]) / max(1, bottom - top),
        (height[y, right] - height[y, left]) / max(1, right - left),
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _cross(height: Singles, level: float, y: int, x: int, step: int) -> tuple[float, float]:
    """Return how far along the step to the next pixel the level is crossed, and the length."""
    yy, xx = y + step, x + 1 - step
    h, g = height[y, x], height[yy, xx]
    part = 0.5
    if (h - level) * (g - level) < 0:
        part = (h - level) / (h - g)
    ay, ax = _slope(height, y, x)
    by, bx = _slope(height, yy, xx)
    sy, sx = ay * (1 - part) + by * part, ax * (1 - part) + bx * part
    total = abs(sy) + abs(sx)
    # A line of unit length with the normal n crosses |ny| + |nx| sides of the grid.
    return part, np.hypot(sy, sx) / total if total > 0 else 0.75


@njit(cache=True, nogil=True, error_model="numpy")
def _crossings(
    height: Singles,
    label: Labels,
    level: Singles,
    core: tuple[int, int, int, int],
    corner: tuple[int, int, int],
) -> tuple[Labels, Integers, Floats]:
    top, left, bottom, right = core
    first_row, first_column, across = corner
    rows, columns = height.shape
    owner, key = np.empty(0, np.int32), np.empty(0, np.int64)
    place = np.empty((0, 3), np.float64)
    for turn in range(2):  # count first, then fill
        n = 0
        for y in range(top, min(bottom, rows)):
            for x in range(left, min(right, columns)):
                for step in range(2):
                    yy, xx = y + step, x + 1 - step
                    if yy >= rows or xx >= columns:
                        continue
                    a, b = label[y, x], label[yy, xx]
                    # Beside a masked pixel (height -1) there is no outline.
                    if (a == 0) == (b == 0) or min(height[y, x], height[yy, xx]) < -0.9:
                        continue
                    if turn == 1:
                        owner[n] = max(a, b)
                        part, place[n, 2] = _cross(height, level[owner[n]], y, x, step)
                        row, column = np.int64(y + first_row), np.int64(x + first_column)
                        key[n] = 2 * (row * across + column) + step
                        place[n, 0], place[n, 1] = row + step * part, column + (1 - step) * part
                    n += 1
        if turn == 0:
            owner, key = np.empty(n, np.int32), np.empty(n, np.int64)
            place = np.empty((n, 3), np.float64)
    return owner, key, place


def outline_of(
    height: Singles,
    label: Labels,
    level: Singles,
    *,
    core: Box | None = None,
    window: Box | None = None,
    across: int = 0,
) -> Outline:
    """Return where the outlines of regions lie, between the pixels; none where two regions touch.

    Dims: `height` (y, x), -1 where a pixel must not be used, `label` (y, x), `level` (label + 1,),
    at which each was cut. `window` is what the pictures show of a field of `across` columns, `core`
    the part whose points are wanted: two pixels less around.
    """
    window = window or Box(0, 0, *label.shape)
    rows, columns = (core or window).inside(window)
    return Outline(
        *_crossings(
            height,
            label,
            level,
            (rows.start, columns.start, rows.stop, columns.stop),
            (window.top, window.left, across or label.shape[1]),
        )
    )


def gathered(parts: Sequence[Outline]) -> Outline:
    """Return the outlines of all parts in raster order."""
    whole = Outline(*(np.concatenate(one) for one in zip(*parts, strict=True)))
    return whole.of(np.argsort(whole.key, kind="stable"))


@njit(cache=True, nogil=True, error_model="numpy")
def _form(one: Floats) -> tuple[float, float, float]:
    """Return the quadratic form of an ellipse: row by row, column by column, row by column."""
    e1, e2 = one[3], one[4]
    h = np.sqrt(e1 * e1 + e2 * e2)
    scale = np.exp(-2 * one[2])
    c = np.cosh(2 * h)
    s = np.sinh(2 * h) / h if h > 1e-9 else 2.0
    return scale * (c - s * e1), scale * (c + s * e1), -scale * s * e2


@njit(cache=True, nogil=True, error_model="numpy")
def _depth(one: Floats, form: Floats, y: float, x: float) -> float:
    """Return the depth of a point within an ellipse (px), to first order in it."""
    dy, dx = y - one[0], x - one[1]
    ay, ax = form[0] * dy + form[2] * dx, form[2] * dy + form[1] * dx
    rho = np.sqrt(max(dy * ay + dx * ax, 1e-18))
    return float((1 - rho) * rho / max(np.sqrt(ay * ay + ax * ax), 1e-12))


@njit(cache=True, nogil=True, error_model="numpy")
def _spread(one: Floats, evidence: Evidence) -> float:
    """Return the spectral density of an outline's displacement: noise, and true roughness."""
    r = np.exp(one[2])
    return float(evidence.white + 0.5 * (evidence.rough * r) ** 2 * r)


@njit(cache=True, nogil=True, error_model="numpy")
def _prior(one: Floats, evidence: Evidence) -> float:
    bent = (one[3] ** 2 + one[4] ** 2) / evidence.round**2
    size = (one[2] - np.log(evidence.middle)) / evidence.broad
    r = np.exp(one[2])
    unseen = 1e3 if r < evidence.least or r > 1.001 * evidence.most else 0.0
    return float(0.5 * (bent + size * size) + evidence.price + unseen)


@njit(cache=True, nogil=True, error_model="numpy")
def _normal(
    one: Floats, points: Floats, owner: Integers, k: int | np.int64, evidence: Evidence
) -> Floats:
    """Return the normal equations of an ellipse on the points it owns, right side in column 5."""
    a, g = np.zeros((5, 6)), np.empty(5)
    form = np.empty(3)
    form[0], form[1], form[2] = _form(one)
    s = _spread(one, evidence)
    for i in range(points.shape[0]):
        if owner[i] != k:
            continue
        dy, dx = points[i, 0] - one[0], points[i, 1] - one[1]
        ay, ax = form[0] * dy + form[2] * dx, form[2] * dy + form[1] * dx
        size = max(np.sqrt(ay * ay + ax * ax), 1e-12)
        d = _depth(one, form, points[i, 0], points[i, 1])
        ny, nx = ay / size, ax / size
        # How the depth of a point on the rim grows with each of the five numbers.
        g[0], g[1], g[2] = ny, nx, ny * dy + nx * dx
        g[3], g[4] = ny * dy - nx * dx, ny * dx + nx * dy
        w = points[i, 2] / s
        for j in range(5):
            a[j, 5] -= w * g[j] * d
            for m in range(j + 1):
                a[j, m] += w * g[j] * g[m]
    bent, broad = 1 / evidence.round**2, 1 / evidence.broad**2
    for j in (3, 4):
        a[j, j] += bent
        a[j, 5] -= bent * one[j]
    a[2, 2] += broad
    a[2, 5] -= broad * (one[2] - np.log(evidence.middle))
    near = 0.25 * np.exp(-2 * one[2])  # beforehand, a droplet lies within about its diameter
    a[0, 0] += near
    a[1, 1] += near
    return a


@njit(cache=True, nogil=True, error_model="numpy")
def _factor(a: Floats) -> None:
    """Factor a symmetric positive matrix of five rows by Cholesky's way, in place."""
    for i in range(5):
        for j in range(i + 1):
            s = a[i, j]
            for k in range(j):
                s -= a[i, k] * a[j, k]
            a[i, j] = np.sqrt(max(s, 1e-12)) if i == j else s / a[j, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _occam(one: Floats, points: Floats, owner: Integers, k: int, evidence: Evidence) -> float:
    """Return the logarithm of how much narrower the data make the prior of an ellipse."""
    a = _normal(one, points, owner, k, evidence)
    _factor(a)
    narrower = 2 * np.log(evidence.round) + np.log(evidence.broad) + 2 * (one[2] + np.log(2.0))
    for j in range(5):
        narrower += np.log(a[j, j])
    return float(narrower)


@njit(cache=True, nogil=True, error_model="numpy")
def _refit(
    one: Floats, points: Floats, owner: Integers, k: int | np.int64, evidence: Evidence
) -> None:
    """Move an ellipse one damped Gauss-Newton step towards the points it owns, in place."""
    a = _normal(one, points, owner, k, evidence)
    _factor(a)
    step = a[:, 5]
    for i in range(5):
        for j in range(i):
            step[i] -= a[i, j] * step[j]
        step[i] /= a[i, i]
    for i in range(4, -1, -1):
        for j in range(i + 1, 5):
            step[i] -= a[j, i] * step[j]
        step[i] /= a[i, i]
    r = np.exp(one[2])
    most = max(abs(step[0]) / r, abs(step[1]) / r, abs(step[2]), abs(step[3]), abs(step[4]))
    scale = min(1.0, 0.35 / max(most, 1e-12))
    for j in range(5):
        one[j] += scale * step[j]
    one[2] = min(one[2], np.log(evidence.most))


@njit(cache=True, nogil=True, error_model="numpy")
def _share_out(some: Floats, points: Floats, owner: Integers, evidence: Evidence) -> float:
    """Give every point to the ellipse it lies deepest in, in place; return the misfit (nats)."""
    m = some.shape[0]
    forms = np.empty((m, 3))
    for k in range(m):
        forms[k, 0], forms[k, 1], forms[k, 2] = _form(some[k])
    misfit = 0.0
    for i in range(points.shape[0]):
        top, second = -1e30, -1e30
        for k in range(m):
            d = _depth(some[k], forms[k], points[i, 0], points[i, 1])
            if d > top:
                second, top = top, d
                owner[i] = k
            elif d > second:
                second = d
        if top < 0:  # blur fills the notch between two droplets
            near = max(0.0, 1 - (top - second) / (1.5 * evidence.sigma))
            top = min(0.0, top + _NOTCH * evidence.sigma * near)
        misfit += 0.5 * points[i, 2] * top * top / _spread(some[owner[i]], evidence)
    return misfit


@njit(cache=True, nogil=True, error_model="numpy")
def _copy_into(to: Floats, rows: Floats) -> None:
    """Copy rows over others; written out because a slice that is set compiles for seconds."""
    for i in range(rows.shape[0]):
        for j in range(rows.shape[1]):
            to[i, j] = rows[i, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _rows_at(rows: Floats, places: Integers) -> Floats:
    """Return some rows, copied."""
    out = np.empty((places.size, rows.shape[1]))
    for i in range(places.size):
        for j in range(rows.shape[1]):
            out[i, j] = rows[places[i], j]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _settle(
    some: Floats, points: Floats, evidence: Evidence, rounds: int | np.int64
) -> tuple[float, Integers]:
    """Let ellipses share out points and move to them, in turns; return the cost and the owners."""
    m = some.shape[0]
    owner = np.zeros(points.shape[0], np.int64)
    best = np.inf
    kept, kept_owner = some.copy(), owner.copy()
    for turn in range(rounds + 1):
        cost = _share_out(some, points, owner, evidence)
        for k in range(m):
            cost += _prior(some[k], evidence)
        if cost < best:
            best = cost
            _copy_into(kept, some)
            for i in range(owner.size):
                kept_owner[i] = owner[i]
        if turn < rounds:
            for k in range(m):
                _refit(some[k], points, owner, k, evidence)
    _copy_into(some, kept)
    for k in range(m):
        best += _occam(some[k], points, kept_owner, k, evidence)
    return best, kept_owner


class _State(NamedTuple):
    """Ellipses of a region, and the points each of them owns as a chain: first, then the next."""

    some: Floats
    alive: Bools
    points: Floats
    first: Integers
    next_one: Integers
    fresh: Bools  # those that, or beside which something, changed since they were tried


@njit(cache=True, nogil=True, error_model="numpy")
def _owned(state: _State, which: Integers) -> Integers:
    """Return the points that some ellipses own."""
    n = 0
    for k in which:
        i = state.first[k]
        while i >= 0:
            n += 1
            i = state.next_one[i]
    out = np.empty(n, np.int64)
    n = 0
    for k in which:
        i = state.first[k]
        while i >= 0:
            out[n] = i
            n += 1
            i = state.next_one[i]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _accept(state: _State, which: Integers, new: Floats, places: Integers, owner: Integers) -> None:
    """Write ellipses, and which points they own, into the state."""
    for j in range(which.size):
        k = which[j]
        for i in range(5):
            state.some[k, i] = new[j, i]
        state.alive[k] = True
        state.first[k] = -1
    for j in range(places.size - 1, -1, -1):
        k = which[owner[j]]
        state.next_one[places[j]] = state.first[k]
        state.first[k] = places[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _refresh(state: _State, which: Integers) -> None:
    for k in which:
        state.fresh[k] = True


@njit(cache=True, nogil=True, error_model="numpy")
def _with_those_near(state: _State, k: int, sigma: float) -> Integers:
    """Return an ellipse and the others that reach it."""
    some = state.some
    out = np.empty(some.shape[0], np.int64)
    out[0] = k
    n = 1
    r = np.exp(some[k, 2] + np.hypot(some[k, 3], some[k, 4])) + 2 * sigma
    for j in range(some.shape[0]):
        if j == k or not state.alive[j]:
            continue
        s = r + np.exp(some[j, 2] + np.hypot(some[j, 3], some[j, 4]))
        if np.hypot(some[j, 0] - some[k, 0], some[j, 1] - some[k, 1]) < s:
            out[n] = j
            n += 1
    return out[:n]


@njit(cache=True, nogil=True, error_model="numpy")
def _try_joining(state: _State, k: int, evidence: Evidence) -> bool:
    """Give the points of an ellipse to one of those around it where that is better."""
    which = _with_those_near(state, k, evidence.sigma)
    if which.size == 1:
        return False
    places = _owned(state, which)
    mine, before = _rows_at(state.points, places), _rows_at(state.some, which)
    # Numbers as they stand here would each be compiled for: np.int64 hides their value.
    best, best_owner = _settle(before, mine, evidence, np.int64(1))
    _accept(state, which, before, places, best_owner)
    best_new = before
    for j in range(1, which.size):
        trial = np.empty((which.size - 1, 5))
        _copy_into(trial, before[1:])
        if before[0, 2] > before[j, 2]:
            _copy_into(trial[j - 1 : j], before[0:1])
        cost, owner = _settle(trial, mine, evidence, np.int64(4))
        if cost < best - 1e-9:
            best, best_new, best_owner = cost, trial, owner
    if best_new.shape[0] == which.size:
        return False
    state.alive[k] = False
    state.first[k] = -1
    _accept(state, which[1:], best_new, places, best_owner)
    _refresh(state, which[1:])
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _halves(
    one: Floats, points: Floats, turn: int, off: float, evidence: Evidence
) -> tuple[Floats, bool]:
    """Return two circles through the points on either side of a line across an ellipse."""
    angle = np.pi * turn / _TURNS
    cy, cx, r = np.sin(angle), np.cos(angle), np.exp(one[2])
    out, sums = np.zeros((2, 5)), np.zeros((2, 8))
    for i in range(points.shape[0]):
        y, x, w = points[i, 0] - one[0], points[i, 1] - one[1], points[i, 2]
        s = sums[1 if y * cy + x * cx > off * r else 0]
        square = y * y + x * x
        s[0] += w
        s[1] += w * y
        s[2] += w * x
        s[3] += w * y * y
        s[4] += w * x * x
        s[5] += w * y * x
        s[6] += w * square * y
        s[7] += w * square * x
    if min(sums[0, 0], sums[1, 0]) < 0.5 * r:
        return out, False
    for side in range(2):
        # Kasa (1976), IEEE Trans. Instrum. Meas. IM-25, 8: least squares of y^2 + x^2 against
        # both and one; from memory. The ridge keeps the centre of a straight piece near it.
        s = sums[side]
        y, x = s[1] / s[0], s[2] / s[0]
        yy, xx, yx = s[3] / s[0] - y * y, s[4] / s[0] - x * x, s[5] / s[0] - y * x
        square = (s[3] + s[4]) / s[0]
        right_y, right_x = 0.5 * (s[6] / s[0] - square * y), 0.5 * (s[7] / s[0] - square * x)
        ridge = _RIDGE * (yy + xx)
        # ... towards the middle of the points.
        right_y += ridge * y
        right_x += ridge * x
        yy += ridge
        xx += ridge
        det = yy * xx - yx * yx
        at_y, at_x = (right_y * xx - right_x * yx) / det, (right_x * yy - right_y * yx) / det
        radius = np.sqrt(max(square - 2 * (at_y * y + at_x * x) + at_y**2 + at_x**2, 0.25))
        out[side, 0], out[side, 1] = one[0] + at_y, one[1] + at_x
        out[side, 2] = np.log(min(radius, evidence.most))
    return out, True


@njit(cache=True, nogil=True, error_model="numpy")
def _nested(one: Floats, other: Floats) -> bool:
    """Return whether the smaller ellipse hardly sticks out of the larger: they are one."""
    r, s = np.exp(one[2]), np.exp(other[2])
    apart = np.hypot(one[0] - other[0], one[1] - other[1])
    return bool(apart + min(r, s) < max(r, s) + _STICKS_OUT * min(r, s))


@njit(cache=True, nogil=True, error_model="numpy")
def _promising_halves(before: Floats, own: Floats, mine: Floats, evidence: Evidence) -> Floats:
    """Return pairs of circles for the first ellipse, dims (pair, 2, 5): a few steps tell which."""
    n = _TURNS * len(_OFFSETS)
    pairs, costs = np.zeros((n, 2, 5)), np.full(n, np.inf)
    trial = np.empty((before.shape[0] + 1, 5))
    for k in range(n):
        off = _OFFSETS[k % len(_OFFSETS)]
        two, fine = _halves(before[0], own, k // len(_OFFSETS), off, evidence)
        if fine:
            _copy_into(pairs[k], two)
            _copy_into(trial, two)
            _copy_into(trial[2:], before[1:])
            costs[k], _ = _settle(trial, mine, evidence, np.int64(2))
    some = min(_PURSUED, int(np.isfinite(costs).sum()))
    return pairs[np.argsort(costs)[:some]]


@njit(cache=True, nogil=True, error_model="numpy")
def _try_parting(state: _State, k: int, spare: int, evidence: Evidence) -> bool:
    """Replace an ellipse by two, or by one for half of its points, where that is better."""
    it = np.empty(1, np.int64)
    it[0] = k
    own, alone = _rows_at(state.points, _owned(state, it)), _rows_at(state.some, it)
    misfit = _share_out(alone, own, np.zeros(own.shape[0], np.int64), evidence)
    if misfit + _prior(state.some[k], evidence) < 2 * evidence.price + _SLIGHT:
        return False  # not even two perfect ones could be better
    which = _with_those_near(state, k, evidence.sigma)
    places = _owned(state, which)
    mine, before = _rows_at(state.points, places), _rows_at(state.some, which)
    best, best_owner = _settle(before, mine, evidence, np.int64(2))
    _accept(state, which, before, places, best_owner)
    best_new, moved = before, False
    likeliest, halves = np.inf, np.zeros((2, 5))
    for two in _promising_halves(before, own, mine, evidence):
        trial = np.empty((which.size + 1, 5))
        _copy_into(trial, two)
        _copy_into(trial[2:], before[1:])
        cost, owner = _settle(trial, mine, evidence, np.int64(8))
        if cost < likeliest:
            likeliest = cost
            _copy_into(halves, trial[:2])
        if cost < best - 1e-9 and not _nested(trial[0], trial[1]):
            best, best_new, best_owner = cost, trial, owner
    # Those around take the points of the other half.
    for side in range(2 if likeliest < np.inf else 0):
        trial = before.copy()
        _copy_into(trial[:1], halves[side : side + 1])
        cost, owner = _settle(trial, mine, evidence, np.int64(6))
        if cost < best - _BETTER:
            best, best_new, best_owner, moved = cost, trial, owner, True
    if best_new.shape[0] == which.size:
        if moved:
            _accept(state, which, best_new, places, best_owner)
            _refresh(state, which)
        return moved
    both = np.empty(which.size + 1, np.int64)
    both[0], both[1] = k, spare
    for j in range(1, which.size):
        both[j + 1] = which[j]
    _accept(state, both, best_new, places, best_owner)
    _refresh(state, both)
    return True


def _sweep(state: _State, evidence: Evidence) -> bool:
    """Try to join and to part every ellipse once; return whether anything changed."""
    changed = False
    new = state.fresh & state.alive
    state.fresh[:] = False
    # The smallest first: what chance made goes before it can take part in a worse joining.
    for k in np.argsort(state.some[:, 2], kind="stable").tolist():
        if state.alive[k] and new[k]:
            changed |= _try_joining(state, k, evidence)
    new |= state.fresh
    for k in range(state.alive.size):
        spare = int(np.argmin(state.alive))
        if state.alive[k] and new[k] and not state.alive[spare]:
            changed |= _try_parting(state, k, spare, evidence)
    return changed


@njit(cache=True, nogil=True, error_model="numpy")
def _fit_alone(
    points: Floats, begin: Integers, seeds: Floats, evidence: Evidence
) -> tuple[Floats, Bools]:
    """Fit one ellipse to each outline; return them, and whether two might be better."""
    out, more = np.zeros((seeds.shape[0], 5)), np.zeros(seeds.shape[0], np.bool_)
    for k in range(seeds.shape[0]):
        one = out[k : k + 1]
        one[0, 0], one[0, 1] = seeds[k, 0], seeds[k, 1]
        one[0, 2] = np.log(seeds[k, 2])
        own = points[begin[k] : begin[k + 1]]
        if own.shape[0] < _FEW:
            continue
        owner = np.zeros(own.shape[0], np.int64)
        for _ in range(4):
            _refit(one[0], own, owner, np.int64(0), evidence)
        misfit = _share_out(one, own, owner, evidence) + _prior(one[0], evidence)
        more[k] = misfit >= 2 * evidence.price + _SLIGHT
    return out, more


class Lone(NamedTuple):
    """What droplets that stand alone show of all: one ellipse explains their whole outline."""

    lump: Integers  # (lump,)
    size: Floats  # (lump,): logarithm of the radius (px)
    stretch: Floats  # (lump,): mean square of both components
    power: Floats  # (lump,): mean spectral density of the third to sixth harmonic (px^3)


@njit(cache=True, nogil=True, error_model="numpy")
def _harmonics(one: Floats, points: Floats) -> tuple[float, float]:
    """Return the spectral density of an outline's third to sixth harmonic, and its length."""
    sums = np.zeros((_HARMONICS, 2))
    form = np.empty(3)
    form[0], form[1], form[2] = _form(one)
    length = 0.0
    for i in range(points.shape[0]):
        d = _depth(one, form, points[i, 0], points[i, 1]) * points[i, 2]
        turn = np.arctan2(points[i, 0] - one[0], points[i, 1] - one[1])
        length += points[i, 2]
        for m in range(_HARMONICS):
            sums[m, 0] += d * np.cos((m + 3) * turn)
            sums[m, 1] += d * np.sin((m + 3) * turn)
    return float(np.sum(sums**2) / (_HARMONICS * max(length, 1e-9))), length


def lone_in(
    outline: Outline, lump: Labels, sums: Integers, evidence: Evidence, *, wanted: Integers
) -> Lone:
    """Return what those of some lumps show that are one droplet each.

    Dims as in `explain_lumps`; lumps of several droplets are left out.
    """
    points, _, at, members, (first, after), seeds = _by_lump(outline, lump, sums, wanted)
    alone, more = _fit_alone(points, at, np.ascontiguousarray(seeds[members[first]]), evidence)
    fine = (after - first == 1) & ~more & (np.diff(at) >= _FEW)
    size, power = alone[:, 2], np.zeros(wanted.size)
    for k in np.flatnonzero(fine):
        power[k], length = _harmonics(alone[k], points[at[k] : at[k + 1]])
        # Whole: the frame cuts nothing of it.
        fine[k] = abs(length / (2 * np.pi * np.exp(size[k])) - 1) < _WHOLE
    stretch = 0.5 * (alone[:, 3] ** 2 + alone[:, 4] ** 2)
    return Lone(wanted[fine], size[fine], stretch[fine], power[fine])


def learned(evidence: Evidence, parts: Sequence[Lone]) -> Evidence:
    """Return the evidence with sizes, their spread, stretch and roughness of lone droplets.

    Noise is taken off, and what was thought beforehand weighs as `_BEFOREHAND` droplets.
    """
    lump, *values = (np.concatenate(one) for one in zip(*parts, strict=True))
    size, stretch, power = (one[np.argsort(lump, kind="stable")] for one in values)
    if size.size < _FEW:
        return evidence
    # Noise of the stretch, of which the fit took the part that it was thought to exceed.
    noise = evidence.white / (np.pi * np.exp(3 * size))
    free = stretch * (1 + noise / evidence.round**2) ** 2 - noise
    rough = 2 * (power - evidence.white) / np.exp(3 * size)
    spread = np.full(size.size, (1.4826 * np.median(np.abs(size - np.median(size)))) ** 2)
    found = [
        _weighed(square, error, thought)
        for square, error, thought in (
            (spread, np.zeros(size.size), evidence.broad),
            (free, noise, evidence.round),
            (rough, 2 * evidence.white / np.exp(3 * size), evidence.rough),
        )
    ]
    broad, bent, rough = (
        float(np.sqrt(np.clip(square, least**2, most**2)))
        for square, (least, most) in zip(found, (_BROADS, _OVALS, _ROUGHS), strict=True)
    )
    n, thought = size.size, np.log(evidence.middle)
    middle = (n * np.median(size) + _BEFOREHAND_SIZE * thought) / (n + _BEFOREHAND_SIZE)
    return evidence._replace(middle=float(np.exp(middle)), broad=broad, round=bent, rough=rough)


def _weighed(square: Floats, noise: Floats, thought: float) -> float:
    """Return the mean of squares with errors of their noise; beforehand it was thought of."""
    weight = (thought**2 / (thought**2 + noise)) ** 2
    return float((weight @ square + _BEFOREHAND * thought**2) / (weight.sum() + _BEFOREHAND))


def explain(points: Floats, owner: Integers, seeds: Floats, evidence: Evidence) -> Floats:
    """Return the ellipses that explain an outline best, dims (ellipse, 5).

    Dims: `points` (point, 3): row, column and length of outline (px), in a fixed order; `owner`
    (point,): which of the first guesses, `seeds` (seed, 3): row, column and radius (px).

    Joining and parting in turns, each move weighed on the outline of the ellipses it concerns, so
    that time grows with the outline. The marginal likelihood is Laplace's approximation (MacKay
    2003, Information Theory, Inference, and Learning Algorithms, section 28.1, from memory).
    """
    n, m = points.shape[0], seeds.shape[0]
    room = 3 * m + 8
    state = _State(
        np.zeros((room, 5)),
        np.zeros(room, np.bool_),
        points,
        np.full(room, -1, np.int64),
        np.full(n, -1, np.int64),
        np.ones(room, np.bool_),
    )
    start = np.zeros((m, 5))
    start[:, :2] = seeds[:, :2]
    start[:, 2] = np.log(np.maximum(seeds[:, 2], 0.7))
    _accept(state, np.arange(m), start, np.arange(n), owner)
    for _ in range(_ROUNDS):
        if not _sweep(state, evidence):
            break
    return np.asarray(state.some[state.alive])


@njit(cache=True, nogil=True, error_model="numpy")
def _strays(some: Floats, points: Floats, evidence: Evidence) -> float:
    """Return how far an outline strays from ellipses: root mean square, over their radii."""
    owner = np.zeros(points.shape[0], np.int64)
    _share_out(some, points, owner, evidence)
    square, length = 0.0, 0.0
    form = np.empty(3)
    for i in range(points.shape[0]):
        one = some[owner[i]]
        form[0], form[1], form[2] = _form(one)
        d = _depth(one, form, points[i, 0], points[i, 1]) / np.exp(one[2])
        square += points[i, 2] * d * d
        length += points[i, 2]
    return float(np.sqrt(square / max(length, 1e-9)))


@njit(cache=True, nogil=True, error_model="numpy")
def paint(label: Labels, ellipses: Floats, begin: Integers, top: int, left: int) -> Labels:
    """Give every pixel of a lump to the ellipse in which it lies deepest against its size, from 1.

    Dims: `label` (y, x): lumps; `ellipses` (ellipse, 5), those of lump k from ``begin[k]`` to
    before ``begin[k + 1]``. `top`, `left`: the picture's first pixel in the field.
    """
    forms = np.empty((ellipses.shape[0], 3))
    for k in range(ellipses.shape[0]):
        forms[k, 0], forms[k, 1], forms[k, 2] = _form(ellipses[k])
    out = np.zeros_like(label)
    for i in range(label.shape[0]):
        for j in range(label.shape[1]):
            if label[i, j] == 0:
                continue
            best = np.inf
            for k in range(begin[label[i, j]], begin[label[i, j] + 1]):
                dy, dx = i + top - ellipses[k, 0], j + left - ellipses[k, 1]
                square = forms[k, 0] * dy * dy + forms[k, 1] * dx * dx + 2 * forms[k, 2] * dy * dx
                if square < best:
                    best = square
                    out[i, j] = k + 1
    return out


class Lumps(NamedTuple):
    """Ellipses of all lumps of a field."""

    # (droplet + 1,): lump of every old droplet: droplets that touch are one; 0 is the ground
    lump: Labels
    begin: Integers  # (lump + 2,): as in `paint`
    ellipses: Floats  # (ellipse, 5): as in `paint`
    # (droplet + 1,): number of the ellipse, from 1, that stands for a droplet that is left as it
    # was: where ellipses do not explain the outline, or there is hardly any. 0 for the others.
    kept: Labels


def lumps_of(n_droplets: int, touching: Integers) -> Labels:
    """Return the lump of every droplet, numbered by its first droplet.

    Dims: `touching` (pair, 2): droplets that touch; returns (droplet + 1,).
    """
    _, found = groups(n_droplets + 1, touching[:, 0], touching[:, 1])
    _, first = np.unique(found, return_index=True)
    return np.asarray(np.argsort(np.argsort(first, kind="stable"))[found], dtype=np.int32)


class Explained(NamedTuple):
    """Ellipses of some lumps of a field."""

    lump: Integers  # (lump,): which lumps
    many: Integers  # (lump,): ellipses of each
    ellipses: Floats  # (ellipse, 5): as in `paint`, one lump after the other
    # (lump,): whether its droplets are left as they were: one ellipse each, in their order
    kept: Bools


def explain_lumps(
    outline: Outline,
    lump: Labels,
    sums: Integers,
    evidence: Evidence,
    *,
    wanted: Integers | None = None,
    left: Bools | None = None,
) -> Explained:
    """Return the ellipses of lumps, each from its own whole outline alone.

    Dims: `lump` (droplet + 1,) as `lumps_of` gives it, `sums` (droplet + 1, 6) as
    `parting.pixel_sums` does: the droplets are the first guess. `wanted` are the lumps to explain,
    None all; `left` (lump + 1,) those that stay as they are.
    """
    wanted = np.arange(1, int(lump.max(initial=0)) + 1) if wanted is None else wanted
    points, label, at, members, (first, after), seeds = _by_lump(outline, lump, sums, wanted)
    area = np.maximum(sums[:, 0], 1)
    alone, more = _fit_alone(points, at, np.ascontiguousarray(seeds[members[first]]), evidence)
    more = (more | (after - first > 1)) & (np.diff(at) >= _FEW)
    kept = np.zeros(wanted.size, dtype=bool) if left is None else left[wanted]
    found = [np.zeros((0, 5))]
    for k in range(wanted.size):
        pulse()
        names = members[first[k] : after[k]]
        one = alone[k : k + 1]
        if more[k] or len(names) > 1 or kept[k]:
            own = slice(at[k], at[k + 1])
            better = None
            if not kept[k]:
                owner = np.searchsorted(names, label[own])
                # No ellipse is larger than its lump, of which the frame may hide half; a sliver at
                # the frame may be of any usual size. Without that a huge one, whose rough outline
                # may stray as far as the lump is wide, explains every lump that the frame cuts.
                # Where the lump may be a film, such a one stands for it.
                whole = float(area[names].sum())
                most = max(np.sqrt(2 / np.pi * whole), 2 * evidence.middle)
                most = most if whole < evidence.film else evidence.most
                better = _parted(
                    points[own], owner, seeds[names], evidence._replace(most=float(most))
                )
            if better is None:
                kept[k] = True
                one = np.zeros((len(names), 5))
                one[:, :2], one[:, 2] = seeds[names, :2], np.log(seeds[names, 2])
            else:
                one = better
        found.append(one)
    many = np.array([len(one) for one in found[1:]], np.int64)
    return Explained(wanted, many, np.concatenate(found), kept)


def _by_lump(
    outline: Outline, lump: Labels, sums: Integers, wanted: Integers
) -> tuple[Floats, Labels, Integers, Integers, tuple[Integers, Integers], Floats]:
    """Return the points of lumps one after the other, and the droplets of each as first guesses.

    Points and their droplets; where each lump's points begin; droplets by lump, with the first and
    the one after the last of each lump; a circle for every droplet: row, column, radius (px).
    """
    place = np.full(int(lump.max(initial=0)) + 1, -1)
    place[wanted] = np.arange(wanted.size)
    mine = place[lump[outline.label]]
    order = np.argsort(mine, kind="stable")
    order = order[np.searchsorted(mine[order], 0) :]
    at = np.searchsorted(mine[order], np.arange(wanted.size + 1)).astype(np.int64)
    members = np.argsort(lump, kind="stable")
    first, after = (np.searchsorted(lump[members], wanted, side=s) for s in ("left", "right"))
    area = np.maximum(sums[:, 0], 1)
    seeds = np.stack([sums[:, 1] / area, sums[:, 2] / area, np.sqrt(area / np.pi)], axis=1)
    return outline.place[order], outline.label[order], at, members, (first, after), seeds


def put_together(lump: Labels, parts: Sequence[Explained]) -> Lumps:
    """Return the ellipses of every lump of a field, from those that were explained in groups."""
    number, many, kept = (
        np.concatenate([getattr(one, name) for one in parts]) for name in ("lump", "many", "kept")
    )
    order = np.argsort(number)
    start = np.cumsum(many) - many
    many, start = many[order], start[order]
    begin = np.concatenate([[0], [0], np.cumsum(many)]).astype(np.int64)
    into = np.arange(begin[-1]) - np.repeat(begin[1:-1], many)
    ellipses = np.concatenate([one.ellipses for one in parts])[np.repeat(start, many) + into]
    members = np.argsort(lump, kind="stable")
    of = lump[members]
    rank = np.arange(lump.size) - np.searchsorted(of, of)
    as_it_was = np.append(False, kept[order])
    stands_for = np.zeros(lump.size, np.int32)
    stands_for[members] = np.where(as_it_was[of], begin[of] + 1 + rank, 0)
    return Lumps(lump, begin, ellipses, stands_for)


def _parted(points: Floats, owner: Integers, seeds: Floats, evidence: Evidence) -> Floats | None:
    """Return the ellipses of a lump in a fixed order; None where its lobes cannot be told."""
    if len(points) < _FEW:
        return None
    found = explain(points, owner.astype(np.int64), np.ascontiguousarray(seeds), evidence)
    if _strays(found, points, evidence) > max(_FILM, 2 * _jitter(found, evidence)):
        return None
    return np.asarray(found[np.lexsort((found[:, 1], found[:, 0]))])


def _jitter(ellipses: Floats, evidence: Evidence) -> float:
    """Return how far noise displaces an outline, over the radius; correlated over the edge."""
    radius = float(np.exp(np.median(ellipses[:, 2])))
    return float(np.sqrt(evidence.white / (2 * evidence.sigma)) / radius)

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
_ROUGH = 0.02  # of the radius: how far true outlines stray from an ellipse
_ROUND = 0.05  # half the logarithm of the ratio of a droplet's axes
_BROAD = 0.5  # logarithm of the radius
_PRICE = 4.0  # nats; that a lump is several droplets is less likely beforehand,
_CROWDED = 2.0  # ... but by so much at the least where the field is crowded
_NOTCH = 0.55  # of the edge's deviation: how far blur fills a right-angled notch
_TURNS = 8  # directions in which an ellipse is tried to be parted,
_OFFSETS = (-0.5, 0.0, 0.5)  # ... each at these parts of its radius
_SLIGHT = 3.0  # nats; what the data narrow two ellipses by at the least
_FILM = 0.15  # of the radius: lumps that stray further from all ellipses are films
_FILM_PART = 0.1  # of the field: lumps that hold more may be films
SEEN = 0.4  # part of an ellipse that must be seen before its size is believed
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
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _halves(one: Floats, points: Floats, turn: int, off: float) -> tuple[Floats, bool]:
    """Return two circles for the points on either side of a line across an ellipse."""
    angle = np.pi * turn / _TURNS
    cy, cx, r = np.sin(angle), np.cos(angle), np.exp(one[2])
    out, sums = np.zeros((2, 5)), np.zeros(2)
    for turn_over in range(2):  # centres first, then the mean distances from them
        for i in range(points.shape[0]):
            y, x, length = points[i, 0], points[i, 1], points[i, 2]
            side = 1 if (y - one[0]) * cy + (x - one[1]) * cx > off * r else 0
            if turn_over == 0:
                sums[side] += length
                out[side, 0] += length * y
                out[side, 1] += length * x
            else:
                out[side, 2] += length * np.hypot(y - out[side, 0], x - out[side, 1])
        if min(sums[0], sums[1]) < 0.5 * r:
            return out, False
        for side in range(2):
            if turn_over == 0:
                out[side, 0] /= sums[side]
                out[side, 1] /= sums[side]
            else:
                out[side, 2] = np.log(max(out[side, 2] / sums[side], 0.5))
    return out, True


@njit(cache=True, nogil=True, error_model="numpy")
def _try_parting(state: _State, k: int, spare: int, evidence: Evidence) -> bool:
    """Replace an ellipse by two where that is better."""
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
    best_new = before
    for turn in range(_TURNS):
        for off in _OFFSETS:
            two, fine = _halves(before[0], own, turn, off)
            if not fine:
                continue
            trial = np.empty((which.size + 1, 5))
            _copy_into(trial, two)
            _copy_into(trial[2:], before[1:])
            cost, owner = _settle(trial, mine, evidence, np.int64(6))
            if cost < best - 1e-9:
                best, best_new, best_owner = cost, trial, owner
    if best_new.shape[0] == which.size:
        return False
    both = np.empty(which.size + 1, np.int64)
    both[0], both[1] = k, spare
    for j in range(1, which.size):
        both[j + 1] = which[j]
    _accept(state, both, best_new, places, best_owner)
    return True


def _sweep(state: _State, evidence: Evidence) -> bool:
    """Try to join and to part every ellipse once; return whether anything changed."""
    changed = False
    # The smallest first: what chance made goes before it can take part in a worse joining.
    for k in np.argsort(state.some[:, 2], kind="stable").tolist():
        if state.alive[k]:
            changed |= _try_joining(state, k, evidence)
    for k in range(state.alive.size):
        spare = int(np.argmin(state.alive))
        if state.alive[k] and not state.alive[spare]:
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
    n_lumps = int(lump.max(initial=0))
    wanted = np.arange(1, n_lumps + 1) if wanted is None else wanted
    place = np.full(n_lumps + 1, -1)
    place[wanted] = np.arange(wanted.size)
    mine = place[lump[outline.label]]
    order = np.argsort(mine, kind="stable")
    order = order[np.searchsorted(mine[order], 0) :]
    points, label = outline.place[order], outline.label[order]
    at = np.searchsorted(mine[order], np.arange(wanted.size + 1)).astype(np.int64)
    members = np.argsort(lump, kind="stable")
    first, after = (np.searchsorted(lump[members], wanted, side=s) for s in ("left", "right"))
    area = np.maximum(sums[:, 0], 1)
    seeds = np.stack([sums[:, 1] / area, sums[:, 2] / area, np.sqrt(area / np.pi)], axis=1)
    heads = members[first]  # the first droplet of every lump
    alone, more = _fit_alone(points, at, np.ascontiguousarray(seeds[heads]), evidence)
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

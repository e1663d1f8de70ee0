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

from typing import NamedTuple

import numpy as np
from numba import njit

from spattermap.core.arrays import Bools, Floats, Integers, Labels, Singles
from spattermap.segment.filters import Filter
from spattermap.segment.likelihood import Classes

_ROUNDS = 6  # sweeps of joining and parting after which a region is left as it is
_PIXELS = 0.02  # px^3; what the pixel grid adds to the noise of an outline
_ROUGH = 0.02  # of the radius: how far true outlines stray from an ellipse
_ROUND = 0.09  # half the logarithm of the ratio of a droplet's axes
_BROAD = 0.8  # logarithm of the radius
_PRICE = 4.0  # nats; that a lump is several droplets is less likely beforehand
_NOTCH = 0.55  # of the edge's deviation: how far blur fills a right-angled notch
_TURNS = 8  # directions in which an ellipse is tried to be parted,
_OFFSETS = (-0.5, 0.0, 0.5)  # ... each at these parts of its radius
_FEW = 5  # points of outline below which a shape is not looked at


class Evidence(NamedTuple):
    """What an outline can tell: the same for every region of a field.

    Parameters
    ----------
    white : float
        Variance of the outline's place by counting noise, times its correlation length (px^3).
    sigma : float
        Standard deviation of the edge (px): blur fills the notches between droplets.
    middle : float
        Radius expected (px).
    rough : float, optional
        Standard deviation of true outlines about an ellipse, over the radius.
    round : float, optional
        Standard deviation of a droplet's stretch, each component.
    broad : float, optional
        Standard deviation of the logarithm of the radius.
    price : float, optional
        What one more ellipse costs beforehand (nats).
    """

    white: float
    sigma: float
    middle: float
    rough: float = _ROUGH
    round: float = _ROUND
    broad: float = _BROAD
    price: float = _PRICE


def evidence_of(classes: Classes, used: Filter, *, diameter: float) -> Evidence:
    """Return what outlines at half height tell, from the noise of the filtered metal fraction.

    Parameters
    ----------
    classes : Classes
        Class means.
    used : Filter
        The filter.
    diameter : float
        Typical diameter of the droplets (px).

    Returns
    -------
    Evidence

    Notes
    -----
    Noise of standard deviation s displaces an edge by s over its slope, which is
    ``1 / (sigma sqrt(2 pi))`` at half height. Along the outline the displacement is correlated as
    the filter's autocorrelation; what outlines bend by over longer distances is white with the
    variance times the sum of that correlation along a line.
    """
    sigma = max(used.sigma, 0.29)  # 0.29 px: a pixel averages over its width
    power = np.abs(np.fft.fft2(used.kernel)) ** 2
    correlation = np.fft.ifft2(power).real[0]
    length = max(1.0, float(correlation.sum() / correlation[0]))
    variance = used.gain / classes.information * 2 * np.pi * sigma**2
    return Evidence(float(variance * length + _PIXELS), float(sigma), float(0.5 * diameter))


class Outline(NamedTuple):
    """Points where outlines cross the lines of the pixel grid, in raster order.

    Parameters
    ----------
    label : numpy.ndarray of int32, dims (point,)
        Region.
    key : numpy.ndarray of int64, dims (point,)
        Place in raster order in the field.
    place : numpy.ndarray, dims (point, 3)
        Row and column, and the length of outline the point stands for (px).
    """

    label: Labels
    key: Integers
    place: Floats


@njit(cache=True, nogil=True)
def _slope(height: Singles, y: int, x: int) -> tuple[float, float]:
    rows, columns = height.shape
    top, bottom = max(0, y - 1), min(rows - 1, y + 1)
    left, right = max(0, x - 1), min(columns - 1, x + 1)
    return (
        (height[bottom, x] - height[top, x]) / max(1, bottom - top),
        (height[y, right] - height[y, left]) / max(1, right - left),
    )


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _crossings(
    height: Singles, label: Labels, level: Singles, core: tuple[int, int, int, int]
) -> tuple[Labels, Integers, Floats]:
    top, left, bottom, right = core
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
                        owner[n], key[n] = max(a, b), 2 * (y * np.int64(columns) + x) + step
                        part, place[n, 2] = _cross(height, level[owner[n]], y, x, step)
                        place[n, 0], place[n, 1] = y + step * part, x + (1 - step) * part
                    n += 1
        if turn == 0:
            owner, key = np.empty(n, np.int32), np.empty(n, np.int64)
            place = np.empty((n, 3), np.float64)
    return owner, key, place


def outline_of(height: Singles, label: Labels, level: Singles) -> Outline:
    """Return where the outlines of regions lie, between the pixels.

    Parameters
    ----------
    height : numpy.ndarray of float32, dims (y, x)
        Height map; -1 at pixels that must not be used, beside which there is no outline.
    label : numpy.ndarray of int32, dims (y, x)
        Regions. Where two of them touch there is no outline.
    level : numpy.ndarray of float32, dims (label + 1,)
        Height at which each region was cut.

    Returns
    -------
    Outline
    """
    whole = (0, 0, label.shape[0], label.shape[1])
    return Outline(*_crossings(height, label, level, whole))


@njit(cache=True, nogil=True)
def _form(one: Floats) -> tuple[float, float, float]:
    """Return the quadratic form of an ellipse: row by row, column by column, row by column."""
    e1, e2 = one[3], one[4]
    h = np.sqrt(e1 * e1 + e2 * e2)
    scale = np.exp(-2 * one[2])
    c = np.cosh(2 * h)
    s = np.sinh(2 * h) / h if h > 1e-9 else 2.0
    return scale * (c - s * e1), scale * (c + s * e1), -scale * s * e2


@njit(cache=True, nogil=True)
def _depth(one: Floats, form: Floats, y: float, x: float) -> float:
    """Return the depth of a point within an ellipse (px), to first order in it."""
    dy, dx = y - one[0], x - one[1]
    ay, ax = form[0] * dy + form[2] * dx, form[2] * dy + form[1] * dx
    rho = np.sqrt(max(dy * ay + dx * ax, 1e-18))
    return float((1 - rho) * rho / max(np.sqrt(ay * ay + ax * ax), 1e-12))


@njit(cache=True, nogil=True)
def _spread(one: Floats, evidence: Evidence) -> float:
    """Return the spectral density of an outline's displacement: noise, and true roughness."""
    r = np.exp(one[2])
    return float(evidence.white + 0.5 * (evidence.rough * r) ** 2 * r)


@njit(cache=True, nogil=True)
def _prior(one: Floats, evidence: Evidence) -> float:
    bent = (one[3] ** 2 + one[4] ** 2) / evidence.round**2
    size = (one[2] - np.log(evidence.middle)) / evidence.broad
    return float(0.5 * (bent + size * size) + evidence.price)


@njit(cache=True, nogil=True)
def _normal(one: Floats, points: Floats, owner: Integers, k: int, evidence: Evidence) -> Floats:
    """Return the normal equations of an ellipse on the points it owns, right side in column 5."""
    a, g = np.zeros((5, 6)), np.empty(5)
    form = np.array(_form(one))
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


@njit(cache=True, nogil=True)
def _factor(a: Floats) -> None:
    """Factor a symmetric positive matrix of five rows by Cholesky's way, in place."""
    for i in range(5):
        for j in range(i + 1):
            s = a[i, j]
            for k in range(j):
                s -= a[i, k] * a[j, k]
            a[i, j] = np.sqrt(max(s, 1e-12)) if i == j else s / a[j, j]


@njit(cache=True, nogil=True)
def _occam(one: Floats, points: Floats, owner: Integers, k: int, evidence: Evidence) -> float:
    """Return the logarithm of how much narrower the data make the prior of an ellipse."""
    a = _normal(one, points, owner, k, evidence)
    _factor(a)
    narrower = 2 * np.log(evidence.round) + np.log(evidence.broad) + 2 * (one[2] + np.log(2.0))
    for j in range(5):
        narrower += np.log(a[j, j])
    return float(narrower)


@njit(cache=True, nogil=True)
def _refit(one: Floats, points: Floats, owner: Integers, k: int, evidence: Evidence) -> None:
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
    step *= min(1.0, 0.35 / max(most, 1e-12))
    for j in range(5):
        one[j] += step[j]


@njit(cache=True, nogil=True)
def _share_out(some: Floats, points: Floats, owner: Integers, evidence: Evidence) -> float:
    """Give every point to the ellipse it lies deepest in, in place; return the misfit (nats)."""
    m = some.shape[0]
    forms = np.empty((m, 3))
    for k in range(m):
        forms[k] = np.array(_form(some[k]))
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


@njit(cache=True, nogil=True)
def _settle(
    some: Floats, points: Floats, evidence: Evidence, rounds: int
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
            kept[:], kept_owner[:] = some, owner
        if turn < rounds:
            for k in range(m):
                _refit(some[k], points, owner, k, evidence)
    some[:] = kept
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


@njit(cache=True, nogil=True)
def _owned(state: _State, which: Integers) -> Integers:
    """Return the points that some ellipses own, in order."""
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
    return np.sort(out)


@njit(cache=True, nogil=True)
def _accept(state: _State, which: Integers, new: Floats, places: Integers, owner: Integers) -> None:
    """Write ellipses, and which points they own, into the state."""
    for j in range(which.size):
        k = which[j]
        state.some[k] = new[j]
        state.alive[k] = True
        state.first[k] = -1
    for j in range(places.size - 1, -1, -1):
        k = which[owner[j]]
        state.next_one[places[j]] = state.first[k]
        state.first[k] = places[j]


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _try_joining(state: _State, k: int, evidence: Evidence) -> bool:
    """Give the points of an ellipse to one of those around it where that is better."""
    which = _with_those_near(state, k, evidence.sigma)
    if which.size == 1:
        return False
    places = _owned(state, which)
    mine = state.points[places]
    before = state.some[which]
    best, best_owner = _settle(before, mine, evidence, 1)
    _accept(state, which, before, places, best_owner)
    best_new = before
    for j in range(1, which.size):
        trial = before[1:].copy()
        if before[0, 2] > before[j, 2]:
            trial[j - 1] = before[0]
        cost, owner = _settle(trial, mine, evidence, 4)
        if cost < best - 1e-9:
            best, best_new, best_owner = cost, trial, owner
    if best_new.shape[0] == which.size:
        return False
    state.alive[k] = False
    state.first[k] = -1
    _accept(state, which[1:], best_new, places, best_owner)
    return True


@njit(cache=True, nogil=True)
def _halves(one: Floats, points: Floats, turn: int, off: float) -> tuple[Floats, bool]:
    """Return two circles for the points on either side of a line across an ellipse."""
    angle = np.pi * turn / _TURNS
    cy, cx, r = np.sin(angle), np.cos(angle), np.exp(one[2])
    out, sums = np.zeros((2, 5)), np.zeros(2)
    side = ((points[:, 0] - one[0]) * cy + (points[:, 1] - one[1]) * cx > off * r).astype(np.int64)
    for i in range(points.shape[0]):
        sums[side[i]] += points[i, 2]
        out[side[i], :2] += points[i, 2] * points[i, :2]
    if min(sums[0], sums[1]) < 0.5 * r:
        return out, False
    out[0] /= sums[0]
    out[1] /= sums[1]
    for i in range(points.shape[0]):
        k = side[i]
        far = np.hypot(points[i, 0] - out[k, 0], points[i, 1] - out[k, 1])
        out[k, 2] += points[i, 2] * far / sums[k]
    out[0, 2], out[1, 2] = np.log(max(out[0, 2], 0.5)), np.log(max(out[1, 2], 0.5))
    return out, True


@njit(cache=True, nogil=True)
def _try_parting(state: _State, k: int, spare: int, evidence: Evidence) -> bool:
    """Replace an ellipse by two where that is better."""
    own = state.points[_owned(state, np.array([k]))]
    alone = state.some[k : k + 1].copy()
    misfit = _share_out(alone, own, np.zeros(own.shape[0], np.int64), evidence)
    if misfit + _prior(state.some[k], evidence) < 2 * evidence.price + 3:
        return False  # not even two perfect ones could be better
    which = _with_those_near(state, k, evidence.sigma)
    places = _owned(state, which)
    mine = state.points[places]
    before = state.some[which]
    best, best_owner = _settle(before, mine, evidence, 2)
    _accept(state, which, before, places, best_owner)
    best_new = before
    for turn in range(_TURNS):
        for off in _OFFSETS:
            two, fine = _halves(before[0], own, turn, off)
            if not fine:
                continue
            trial = np.concatenate((two, before[1:]))
            cost, owner = _settle(trial, mine, evidence, 6)
            if cost < best - 1e-9:
                best, best_new, best_owner = cost, trial, owner
    if best_new.shape[0] == which.size:
        return False
    both = np.concatenate((np.array([k, spare]), which[1:]))
    _accept(state, both, best_new, places, best_owner)
    return True


@njit(cache=True, nogil=True)
def _sweep(state: _State, evidence: Evidence) -> bool:
    """Try to join and to part every ellipse once; return whether anything changed."""
    changed = False
    # The smallest first: what chance made goes before it can take part in a worse joining.
    for k in np.argsort(state.some[:, 2], kind="mergesort"):
        if state.alive[k]:
            changed |= _try_joining(state, k, evidence)
    for k in range(state.alive.size):
        spare = np.argmin(state.alive)
        if state.alive[k] and not state.alive[spare]:
            changed |= _try_parting(state, k, int(spare), evidence)
    return changed


@njit(cache=True, nogil=True)
def explain(points: Floats, seeds: Floats, evidence: Evidence) -> Floats:
    """Return the ellipses that explain an outline best.

    Parameters
    ----------
    points : numpy.ndarray, dims (point, 3)
        Row, column and length of outline each point stands for (px), in any fixed order.
    seeds : numpy.ndarray, dims (seed, 3)
        Row, column and radius (px) of first guesses, at least one.
    evidence : Evidence
        What the outline can tell.

    Returns
    -------
    numpy.ndarray, dims (ellipse, 5)

    Notes
    -----
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
    owner = np.zeros(n, np.int64)
    _share_out(start, points, owner, evidence)
    _accept(state, np.arange(m), start, np.arange(n), owner)
    for _ in range(_ROUNDS):
        if not _sweep(state, evidence):
            break
    return state.some[state.alive]


@njit(cache=True, nogil=True)
def paint(label: Labels, ellipses: Floats, begin: Integers, top: int, left: int) -> Labels:
    """Give every pixel of a lump to the ellipse in which it lies deepest against its size.

    Parameters
    ----------
    label : numpy.ndarray of int32, dims (y, x)
        Lumps, 0 outside.
    ellipses : numpy.ndarray, dims (ellipse, 5)
        Ellipses of all lumps, those of one together.
    begin : numpy.ndarray of int64, dims (lump + 2,)
        Which are those of lump k: from ``begin[k]`` to before ``begin[k + 1]``.
    top, left : int
        Row and column of the picture's first pixel in the field.

    Returns
    -------
    numpy.ndarray of int32, dims (y, x)
        Number of the ellipse, from 1; 0 outside.
    """
    forms = np.empty((ellipses.shape[0], 3))
    for k in range(ellipses.shape[0]):
        forms[k] = np.array(_form(ellipses[k]))
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
    """Ellipses of all lumps of a field.

    Parameters
    ----------
    lump : numpy.ndarray of int32, dims (droplet + 1,)
        Lump of every old droplet: droplets that touch are one; 0 is the ground.
    begin : numpy.ndarray of int64, dims (lump + 2,)
        As in `paint`.
    ellipses : numpy.ndarray, dims (ellipse, 5)
        As in `paint`.
    """

    lump: Labels
    begin: Integers
    ellipses: Floats


def lumps_of(n_droplets: int, touching: Integers) -> Labels:
    """Return the lump of every droplet, numbered by its first droplet.

    Parameters
    ----------
    n_droplets : int
        How many droplets.
    touching : numpy.ndarray of int64, dims (pair, 2)
        Droplets that touch.

    Returns
    -------
    numpy.ndarray of int32, dims (droplet + 1,)
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ones = np.ones(len(touching), dtype=bool)
    pairs = (touching[:, 0], touching[:, 1])
    n = n_droplets + 1
    _, found = connected_components(coo_array((ones, pairs), shape=(n, n)), directed=False)
    _, first = np.unique(found, return_index=True)
    return np.asarray(np.argsort(np.argsort(first, kind="stable"))[found], dtype=np.int32)


def explain_all(outline: Outline, lump: Labels, sums: Integers, evidence: Evidence) -> Lumps:
    """Return the ellipses of every lump of a field.

    Parameters
    ----------
    outline : Outline
        Outlines of the droplets, in raster order.
    lump : numpy.ndarray of int32, dims (droplet + 1,)
        As `lumps_of` gives it.
    sums : numpy.ndarray of int64, dims (droplet + 1, 6)
        As `parting.pixel_sums` gives them: the droplets are the first guess.
    evidence : Evidence
        What an outline can tell.

    Returns
    -------
    Lumps
    """
    n_lumps = int(lump.max(initial=0))
    mine = lump[outline.label]
    order = np.argsort(mine, kind="stable")
    points = outline.place[order]
    at = np.searchsorted(mine[order], np.arange(n_lumps + 2))
    members = np.argsort(lump, kind="stable")
    of = np.searchsorted(lump[members], np.arange(n_lumps + 2))
    area = np.maximum(sums[:, 0], 1)
    seeds = np.stack([sums[:, 1] / area, sums[:, 2] / area, np.sqrt(area / np.pi)], axis=1)
    found = [np.zeros((0, 5))]
    for k in range(1, n_lumps + 1):
        guess = np.ascontiguousarray(seeds[members[of[k] : of[k + 1]]])
        own = points[at[k] : at[k + 1]]
        if len(own) < _FEW:
            alone = np.zeros((len(guess), 5))
            alone[:, :2], alone[:, 2] = guess[:, :2], np.log(guess[:, 2])
        else:
            alone = explain(own, guess, evidence)
            alone = alone[np.lexsort((alone[:, 1], alone[:, 0]))]
        found.append(alone)
    begin = np.cumsum([0, *(len(one) for one in found)]).astype(np.int64)
    return Lumps(lump, begin, np.concatenate(found))

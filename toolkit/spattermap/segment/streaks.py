"""Streaks: elongated regions with their centre line, width, direction, head and tail.

Preferred direction of streaks: circular statistics.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from spattermap.core.arrays import Floats


def circular_summary(angles_deg: npt.ArrayLike, *, axial: bool = False) -> dict[str, float]:
    """Return mean direction, concentration and Rayleigh test of a set of angles.

    Mardia & Jupp, Directional Statistics (2000): resultant length eq. 2.3.4, circular standard
    deviation eq. 2.3.11. The Rayleigh p-value is the approximation
    ``exp(sqrt(1 + 4 n + 4 (n^2 - R^2)) - 1 - 2 n)`` of Zar, Biostatistical Analysis (eq. 27.4; from
    memory), good to 0.001 from n = 5. Kappa solves ``I1(k) / I0(k) = resultant length``; for
    fewer than 16 angles the maximum-likelihood value is shrunk after Best & Fisher (1981).
    """
    angles = np.radians(np.asarray(angles_deg, dtype=np.float64).ravel())
    n = angles.size
    if n < 2:
        return {"n": float(n)}
    fold = 2.0 if axial else 1.0
    total = np.exp(1j * fold * angles).sum()
    length = min(float(abs(total)) / n, 1.0)
    mean = float(np.degrees(np.angle(total)) / fold) % (360.0 / fold)
    spread = float(np.degrees(np.sqrt(-2 * np.log(max(length, 1e-300))))) / fold
    resultant = n * length
    p = float(np.exp(np.sqrt(1 + 4 * n + 4 * (n**2 - resultant**2)) - (1 + 2 * n)))
    return {
        "n": float(n),
        "mean_direction_deg": mean,
        "resultant_length": length,
        "circular_sd_deg": spread,
        "rayleigh_p": min(p, 1.0),
        "kappa": _kappa(length, n),
    }


def _kappa(length: float, n: int) -> float:
    if length <= 0:
        return 0.0
    if length >= 1 - 1e-9:
        return float("inf")
    top = 2 / (1 - length)
    found = float(
        optimize.brentq(lambda k: special.i1e(k) / special.i0e(k) - length, 0.0, top + 10)
    )
    if n < 16:  # Best & Fisher (1981), Commun. Stat. B 10, 493
        if found < 2:
            return max(found - 2 / (n * found), 0.0) if found > 0 else 0.0
        return (n - 1) ** 3 * found / (n**3 + n)
    return found


_ELONGATED = 2.5  # length over width below which a region is no part of a streak
_STREAK = 3.0  # ... from which it is called one: two touching droplets reach 2.1
_CHAIN = 4.0  # ... where blur or noise would hide necks: three droplets in a row reach 3.2
_NECKS_SHOW = 2.0  # width, in smallest trusted diameters, from which necks would show
_PIECE = 2.5  # ... and from which one of two touching pieces may be part of a streak
_NARROW = 0.75  # a piece of a tail is narrower than this part of the head it is joined to
_SOLID = 0.4  # least part of its convex hull that a comet fills; branched chains fill less
_WAIST = 0.25  # deepest narrowing, over the width, that counting noise explains
_NEIGHBOURS = 3  # what touches more other regions is a piece of a network or of a film
_LEAN = 0.1  # relative difference of the halves' areas from which head and tail are told
# What is narrower than two pixels is not resolved: droplets of a pixel that touch by chance make
# such lines of four or five of them, seldom of eight (common practice, no source).
_RESOLVED_PX, _LEAST_UNRESOLVED_PX = 2.0, 8.0
LARGEST = 2**23  # px; what is larger is a film, and is not looked at as a streak
_IN_LINE = 20.0  # deg; pieces of one streak lie along one line

COLUMNS = (
    "streak", "y_px", "x_px", "length_px", "width_px", "angle_deg", "directed", "head_y_px",
    "head_x_px",
)  # fmt: skip


@dataclass(frozen=True)
class Shape:
    """Geometry of one elongated region, lengths in px.

    Parameters
    ----------
    y, x : float
        Centroid.
    length, width : float
        Along the centre line, caps included; mean across it.
    angle : float
        Direction of the axis (deg), counter-clockwise from +x as seen on the picture; from head
        to tail where `directed`, else from 0 to 180.
    directed : bool
        True where head and tail differ enough to be told.
    head : tuple of float
        Row and column of the middle of the head.
    line : numpy.ndarray, dims (point, 2)
        Centre line from head to tail, rows and columns.
    solidity : float
        Area over the area of the convex hull.
    waist : float
        Deepest narrowing between two wider places, over the greatest width: near 0 for a bar or a
        comet, large for a chain of droplets.
    area : int
        Pixels.
    """

    y: float
    x: float
    length: float
    width: float
    angle: float
    directed: bool
    head: tuple[float, float]
    line: Floats
    solidity: float
    waist: float
    area: int

    @property
    def elongation(self) -> float:
        """Length over width."""
        return self.length / max(self.width, 1e-9)

    def row(self, label: int) -> dict[str, float | int | bool]:
        """Return the shape as a row of the streaks' table."""
        values = (label, self.y, self.x, self.length, self.width, self.angle, self.directed)
        return dict(zip(COLUMNS, (*values, *self.head), strict=True))


def describe(y: npt.NDArray[np.int64], x: npt.NDArray[np.int64]) -> Shape:
    """Return the geometry of a set of pixels as a streak.

    Notes
    -----
    The centre line joins the centroids of slices across the principal axis, each about a width
    thick. Length is that line with its ends prolonged to the last pixels, and width follows from
    the area of a stadium, ``A = w (L - w) + pi w^2 / 4``. The heavier half is the head.
    """
    cy, cx = float(y.mean()), float(x.mean())
    dy, dx = y - cy, x - cx
    turn = 0.5 * np.arctan2(2 * np.mean(dx * dy), np.mean(dx * dx) - np.mean(dy * dy))
    along = dx * np.cos(turn) + dy * np.sin(turn)
    low, high = float(along.min()) - 0.5, float(along.max()) + 0.5
    lean = (np.count_nonzero(along < 0.5 * (low + high)) * 2 - y.size) / y.size
    if lean < 0:  # let the axis run from the head
        turn, along, low, high = turn + np.pi, -along, -high, -low
    slices = max(2, round((high - low) / max(2.0, y.size / (high - low))))
    which = np.clip(((along - low) / (high - low) * slices).astype(np.int64), 0, slices - 1)
    n = np.bincount(which, minlength=slices)
    sums = np.stack([np.bincount(which, v, minlength=slices) for v in (y, x)], axis=1)
    line = np.asarray(sums[n > 0] / n[n > 0, None], dtype=np.float64)
    steps = np.hypot(*np.diff(line, axis=0).T)
    ends = ((line[[0, -1]] - (cy, cx)) * (np.sin(turn), np.cos(turn))).sum(axis=1)
    length = float(steps.sum() + (ends[0] - low) + (high - ends[1]))
    # Solve w (L - w) + pi w^2 / 4 = A for w; the disc (w = L) is its limit.
    c = 1 - np.pi / 4
    width = (length - np.sqrt(max(0.0, length**2 - 4 * c * y.size))) / (2 * c)
    width = float(min(width, length))
    head_at = low + 0.5 * width
    degrees = float(np.degrees(np.arctan2(-np.sin(turn), np.cos(turn))))
    directed = bool(abs(lean) > _LEAN)
    head = (cy + head_at * float(np.sin(turn)), cx + head_at * float(np.cos(turn)))
    return Shape(
        cy, cx, length, width, degrees % (360 if directed else 180), directed, head, line,
        _solidity(y, x), _waist(along - low, high - low, y.size), int(y.size),
    )  # fmt: skip


def _waist(along: Floats, length: float, area: int) -> float:
    thick = max(1.5, area / length / 3)
    # Slices finer than the width show necks; the caps at both ends are left out.
    n = np.bincount((along / thick).astype(np.int64))[1:-1]
    if n.size < 3:
        return 0.0
    left, right = np.maximum.accumulate(n), np.maximum.accumulate(n[::-1])[::-1]
    return float(np.max(np.minimum(left, right) - n) / n.max())


def _solidity(y: npt.NDArray[np.int64], x: npt.NDArray[np.int64]) -> float:
    from scipy.spatial import ConvexHull, QhullError

    # Only the ends of rows can be corners of the hull.
    rows = y - y.min()
    left, right = np.full(rows.max() + 1, np.iinfo(np.int64).max), np.full(rows.max() + 1, -1)
    np.minimum.at(left, rows, x)
    np.maximum.at(right, rows, x)
    used = np.flatnonzero(right >= 0)
    y_end, x_end = np.tile(used + y.min(), 2), np.concatenate([left[used], right[used]])
    # The corners of the pixels, so that one row of them still has a hull with an area.
    corners = np.concatenate(
        [np.stack([y_end + a, x_end + b], axis=1) for a in (-0.5, 0.5) for b in (-0.5, 0.5)]
    )
    try:
        return float(y.size / ConvexHull(corners).volume)
    except QhullError:  # pragma: no cover  # four corners always span an area
        return 1.0


@dataclass(frozen=True)
class Outlook:
    """What is known of every region without looking at its pixels again; entry 0 is the ground.

    Parameters
    ----------
    boxes : numpy.ndarray of int64, dims (region, 4)
        First row, first column, row after the last, column after the last.
    area : numpy.ndarray of int64, dims (region,)
        Pixels.
    rim : numpy.ndarray of int64, dims (region,)
        Pixels on the frame of the field or beside a mask.
    """

    boxes: npt.NDArray[np.int64]
    area: npt.NDArray[np.int64]
    rim: npt.NDArray[np.int64]

    @property
    def worth_a_look(self) -> npt.NDArray[np.bool_]:
        """False for what is surely compact: it fills its box as only a round thing does."""
        height, width = self.boxes[:, 2] - self.boxes[:, 0], self.boxes[:, 3] - self.boxes[:, 1]
        longer, shorter = np.maximum(height, width), np.minimum(height, width)
        filled = self.area / np.maximum(height * width, 1)
        # A disc fills 0.785; a diagonal streak less than 0.6.
        told = (longer >= 1.8 * shorter) | (filled < 0.62)
        told[0] = False
        return np.asarray(told & (longer >= 4) & (self.area > 0) & (self.area <= LARGEST))


def find_among(
    outlook: Outlook,
    touching: list[tuple[int, int]],
    pixels: Callable[[int], tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]],
    *,
    smallest: float,
) -> tuple[npt.NDArray[np.int32], list[int], dict[int, Shape]]:
    """Join the pieces of streaks and name the regions that are streaks, without a picture.

    Dims: returns `table` (region,).
    """
    looked = np.flatnonzero(outlook.worth_a_look).tolist()
    shapes = {k: describe(*pixels(k)) for k in looked}
    table, shapes = _joined(shapes, touching, outlook.area, pixels)
    rim = np.bincount(table, outlook.rim, minlength=table.size)
    beside = _neighbours(table, touching, outlook)
    chosen = [
        k
        for k, shape in shapes.items()
        if shape.elongation >= (_STREAK if shape.width >= _NECKS_SHOW * smallest else _CHAIN)
        and shape.solidity >= _SOLID
        and shape.waist <= _WAIST
        and shape.length >= 2 * smallest
        and _long_enough(shape)
        # Droplets cut off by the frame or a mask make slivers along it; a streak only crosses it.
        and rim[k] <= 0.5 * shape.length
        and len(beside.get(k, ())) <= _NEIGHBOURS
    ]
    return table, chosen, {k: shapes[k] for k in chosen}


def _neighbours(
    table: npt.NDArray[np.int32], touching: list[tuple[int, int]], outlook: Outlook
) -> dict[int, set[int]]:
    """Return which regions each region touches, by its pieces that were worth a look."""
    looked = outlook.worth_a_look
    beside: dict[int, set[int]] = {}
    for pair in touching:
        for a, b in (pair, pair[::-1]):
            # Contacts of other pieces, and those with what is too large, need not be listed.
            if looked[a] and outlook.area[b] <= LARGEST and table[a] != table[b]:
                beside.setdefault(int(table[a]), set()).add(int(table[b]))
    return beside


def _joined(
    shapes: dict[int, Shape],
    touching: list[tuple[int, int]],
    area: npt.NDArray[np.int64],
    pixels: Callable[[int], tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]],
) -> tuple[npt.NDArray[np.int32], dict[int, Shape]]:
    """Join touching pieces that lie in one line, at least one of them elongated itself."""
    long = {k for k, shape in shapes.items() if shape.elongation >= _PIECE}
    table = np.arange(area.size, dtype=np.int32)
    members: dict[int, list[int]] = {}
    whole = dict(shapes)
    for a, b in touching:
        if a not in shapes and b not in shapes:
            # Two compact pieces, though one may already be part of a streak: leaving such pairs
            # out keeps the result the same whether or not the caller lists them.
            continue
        first, second = int(table[a]), int(table[b])
        if first == second or not ({first, second} & long):
            continue
        parts = sorted(members.get(first, [first]) + members.get(second, [second]))
        if area[parts].sum() > LARGEST:
            continue
        union = describe(*(np.concatenate(v) for v in zip(*map(pixels, parts), strict=True)))
        if _tail_like(first, second, whole, long) and _one_streak(
            union, [whole[k] for k in (first, second) if k in long]
        ):
            members[first] = parts
            table[parts] = first
            whole.pop(second, None)
            whole[first] = union
            long.add(first)
    return table, whole


def _tail_like(first: int, second: int, whole: dict[int, Shape], long: set[int]) -> bool:
    """Return True for two long pieces, or a long one narrower than the other."""
    if first in long and second in long:
        return True
    thin, other = (first, second) if first in long else (second, first)
    return other not in whole or whole[thin].width < _NARROW * whole[other].width


def _long_enough(shape: Shape) -> bool:
    """Return False for what a few touching droplets of about a pixel look like."""
    return shape.width >= _RESOLVED_PX or shape.length >= _LEAST_UNRESOLVED_PX


def _one_streak(union: Shape, pieces: list[Shape]) -> bool:
    if union.elongation < _ELONGATED + 0.5 or union.solidity < _SOLID or union.waist > _WAIST:
        return False
    if not _long_enough(union):
        return False
    turns = [abs((union.angle - p.angle + 90) % 180 - 90) for p in pieces]
    return max(turns) < _IN_LINE and all(union.length > 1.1 * p.length for p in pieces)

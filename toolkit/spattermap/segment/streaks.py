"""Streaks: elongated regions with their centre line, width, direction, head and tail.

Preferred direction of streaks: circular statistics.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from spattermap.core.arrays import Floats
from spattermap.segment.parting import groups
from spattermap.segment.runs import around


def mean_direction(angles_deg: npt.ArrayLike, *, axial: bool = False) -> tuple[float, float]:
    """Return the mean direction (deg) and the length of the mean vector, 1 if all angles agree.

    Mardia & Jupp, Directional Statistics (2000), section 2.2 and eq. 2.3.4 (from memory).

    >>> direction, length = mean_direction([80.0, 100.0])
    >>> round(direction, 6), round(length, 3)
    (90.0, 0.985)
    """
    angles = np.radians(np.asarray(angles_deg, dtype=np.float64).ravel())
    fold = 2.0 if axial else 1.0
    total = np.exp(1j * fold * angles).sum()
    length = min(float(abs(total)) / angles.size, 1.0)
    return float(np.degrees(np.angle(total)) / fold) % (360.0 / fold), length


def circular_summary(angles_deg: npt.ArrayLike, *, axial: bool = False) -> dict[str, float]:
    """Return mean direction, concentration and Rayleigh test of a set of angles.

    Circular standard deviation: Mardia & Jupp, Directional Statistics (2000), eq. 2.3.11. The
    Rayleigh p-value is the approximation ``exp(sqrt(1 + 4 n + 4 (n^2 - R^2)) - 1 - 2 n)`` of Zar,
    Biostatistical Analysis (eq. 27.4; from memory), good to 0.001 from n = 5. Kappa solves ``I1(k)
    / I0(k) = resultant length``; for fewer than 16 angles the maximum-likelihood value is shrunk
    after Best & Fisher (1981).
    """
    n = np.size(angles_deg)
    if n < 2:
        return {"n": float(n)}
    mean, length = mean_direction(angles_deg, axial=axial)
    spread = float(np.degrees(np.sqrt(-2 * np.log(max(length, 1e-300))))) / (2 if axial else 1)
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
_PARTED = 6.0  # ... where it had been parted: of touching droplets, five in a row are rare
_SURE = 7.0  # ... from which chance may explain a narrowing: seven droplets in a row are no chance
_PARTS_BY_CHANCE = 2.5  # ... and no wider than so many smallest trusted diameters
_NECKS_SHOW = 2.0  # width, in smallest trusted diameters, from which necks would show
_PIECE = 2.5  # ... and from which one of two touching pieces may be part of a streak
_NARROW = 0.75  # a piece of a tail is narrower than this part of the head it is joined to
_SOLID = 0.4  # least part of its convex hull that a comet fills; branched chains fill less
_WAIST = 0.25  # deepest narrowing, over the width, that is none,
_STRAYS = 2.5  # ... and what chance adds to it: standard deviations of the edge's place,
_GRID = 0.2  # ... of which pixels alone make so much (px),
_NECK = 0.45  # ... in all at most: droplets that just touch narrow to 0.4 of their width
_NEIGHBOURS = 3  # what touches more other regions is a piece of a network or of a film
_LEAN = 0.1  # relative difference of the halves' areas from which head and tail are told
# What is narrower than two pixels is not resolved: droplets of a pixel that touch by chance make
# such lines of four or five of them, seldom of eight (common practice, no source).
_RESOLVED_PX, _LEAST_UNRESOLVED_PX = 2.0, 8.0
_NECKLESS = 0.8  # contact of two pieces of a streak over the width of the narrower
_MOST_PIECES = 100  # lumps of more pieces are networks
LARGEST = 2**23  # px; what is larger is a film, and is not looked at as a streak
_IN_LINE = 20.0  # deg; pieces of one streak lie along one line

Place = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]  # rows and columns of pixels
Pixels = Callable[[int], Place]
COLUMNS = (
    "streak", "y_px", "x_px", "length_px", "width_px", "angle_deg", "directed", "head_y_px",
    "head_x_px",
)  # fmt: skip


@dataclass(frozen=True)
class Shape:
    """Geometry of one elongated region, lengths in px."""

    # centroid
    y: float
    x: float
    # along the centre line, caps included; mean across it
    length: float
    width: float
    # direction of the axis (deg), counter-clockwise from +x as seen on the picture; from head to
    # tail where `directed`, else from 0 to 180
    angle: float
    directed: bool  # True where head and tail differ enough to be told
    head: tuple[float, float]  # row and column of the middle of the head
    solidity: float  # area over the area of the convex hull
    # deepest narrowing between two wider places, over the greatest width: near 0 for a bar or a
    # comet, large for a chain of droplets
    waist: float
    area: int  # pixels

    @property
    def elongation(self) -> float:
        """Length over width."""
        return self.length / max(self.width, 1e-9)

    def widened(self, shift: float, area: int) -> Shape:
        """Return the shape with its outline moved outward (px), and its area then."""
        length, width = (max(v + 2 * shift, 1.0) for v in (self.length, self.width))
        return replace(self, length=length, width=width, area=area)

    def row(self, label: int) -> dict[str, float | int | bool]:
        """Return the shape as a row of the streaks' table."""
        values = (label, self.y, self.x, self.length, self.width, self.angle, self.directed)
        return dict(zip(COLUMNS, (*values, *self.head), strict=True))


def describe(y: npt.NDArray[np.int64], x: npt.NDArray[np.int64]) -> Shape:
    """Return the geometry of a set of pixels as a streak.

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
        cy, cx, length, width, degrees % (360 if directed else 180), directed, head,
        _solidity(y, x), _waist(along - low, turn, high - low), int(y.size),
    )  # fmt: skip


def _waist(along: Floats, turn: float, length: float) -> float:
    thick = max(1.5, along.size / length / 3)
    # Slices finer than the width show necks; the caps at both ends are left out. A pixel is shared
    # out between two slices: by whole pixels, those across a slanted bar would differ by chance.
    n_slices = max(1, int(length / thick))
    scale = n_slices / length
    half = 0.5 * float(abs(np.sin(turn)) + abs(np.cos(turn))) * scale
    place = np.clip(along * scale, half, max(half, n_slices - half))
    first = np.minimum((place - half + 1e-9).astype(np.int64), n_slices - 1)
    share = np.clip((first + 1 - (place - half)) / (2 * half), 0.0, 1.0)
    n = np.bincount(first, share, minlength=n_slices)
    n += np.bincount(np.minimum(first + 1, n_slices - 1), 1 - share, minlength=n_slices)
    n = n[1:-1]
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
    """What is known of every region without looking at its pixels again; entry 0 is the ground."""

    # (region, 4): first row, first column, row after the last, column after the last
    boxes: npt.NDArray[np.int64]
    area: npt.NDArray[np.int64]  # (region,): pixels
    rim: npt.NDArray[np.int64]  # (region,): pixels on the frame of the field or beside a mask

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
    pixels: Pixels,
    *,
    smallest: float,
    jitter: float = 0.0,
) -> tuple[npt.NDArray[np.int32], list[int], dict[int, Shape]]:
    """Join the pieces of streaks and name the regions that are streaks, without a picture.

    `touching` lists every contact in the lumps that are worth a look; `jitter` is how far noise
    displaces an outline (px). Dims: returns `table` (region,).
    """
    looked = np.flatnonzero(outlook.worth_a_look).tolist()
    table, whole = _ribbons(outlook, touching, pixels, smallest=smallest, jitter=jitter)
    taken = set(whole)
    free = [pair for pair in touching if not taken & {int(table[k]) for k in pair}]
    shapes = {k: describe(*pixels(k)) for k in looked if int(table[k]) not in taken}
    joined, shapes = _joined(shapes, free, outlook.area, pixels)
    table = np.asarray(joined[table], dtype=np.int32)
    shapes |= whole
    rim = np.bincount(table, outlook.rim, minlength=table.size)
    beside = _neighbours(table, touching, outlook)
    chosen = sorted(
        k
        for k, shape in shapes.items()
        if _is_streak(shape, float(rim[k]), smallest, jitter)
        and len(beside.get(k, ())) <= _NEIGHBOURS
    )
    # What is no streak after all is left as it was parted.
    back = np.isin(table, [k for k in whole if k not in chosen])
    table[back] = np.flatnonzero(back)
    return table, chosen, {k: shapes[k] for k in chosen}


def _waist_of_chance(shape: Shape, jitter: float) -> float:
    """Return the deepest narrowing that is none, or that pixels and noise explain."""
    if shape.elongation < _SURE:
        return _WAIST
    chance = _STRAYS * float(np.hypot(_GRID, jitter)) / max(shape.width, 1e-9)
    return min(_WAIST + chance, _NECK)


def _is_streak(shape: Shape, rim: float, smallest: float, jitter: float) -> bool:
    """Return whether a region of that shape, with so many pixels at the frame, is a streak."""
    return (
        shape.elongation >= (_STREAK if shape.width >= _NECKS_SHOW * smallest else _CHAIN)
        and shape.solidity >= _SOLID
        and shape.waist <= _waist_of_chance(shape, jitter)
        and shape.length >= 2 * smallest
        and _long_enough(shape)
        # Droplets cut off by the frame or a mask make slivers along it; a streak only crosses it.
        and rim <= 0.5 * shape.length
    )


def lumps_among(n_regions: int, touching: list[tuple[int, int]]) -> npt.NDArray[np.int32]:
    """Return the lump of every region, as the first region of those that hang together."""
    first, second = np.array(touching, dtype=np.int64).reshape(-1, 2).T
    _, found = groups(n_regions, first, second)
    _, first = np.unique(found, return_index=True)
    return np.asarray(first[found], dtype=np.int32)


def lumped(outlook: Outlook, lump: npt.NDArray[np.int32]) -> Outlook:
    """Return what is known of the lumps, each at its first region."""
    n = lump.size
    boxes = around(outlook.boxes, lump, n)
    area, rim = (np.bincount(lump, one, minlength=n).astype(np.int64) for one in
                 (outlook.area, outlook.rim))  # fmt: skip
    return Outlook(np.where(area[:, None] > 0, boxes, 0), area, rim)


def _ribbons(
    outlook: Outlook,
    touching: list[tuple[int, int]],
    pixels: Pixels,
    *,
    smallest: float,
    jitter: float,
) -> tuple[npt.NDArray[np.int32], dict[int, Shape]]:
    """Join the regions of lumps, or of parts of lumps without necks, that are streaks together.

    Hills along a ridge are chance where the ridge has no neck between them.
    """
    table = np.arange(outlook.area.size, dtype=np.int32)
    found: dict[int, Shape] = {}
    lump = lumps_among(outlook.area.size, touching)
    looked = lumped(outlook, lump).worth_a_look
    members = np.argsort(lump, kind="stable")
    begin = np.searchsorted(lump[members], np.arange(lump.size + 1))

    def joined(parts: list[int], where: list[Place]) -> bool:
        union = describe(*(np.concatenate(v) for v in zip(*where, strict=True)))
        rim = float(outlook.rim[parts].sum())
        if union.elongation < _PARTED or union.width > _PARTS_BY_CHANCE * smallest:
            return False
        if not _is_streak(union, rim, smallest, jitter):
            return False
        table[parts] = min(parts)
        found[min(parts)] = union
        return True

    for k in np.flatnonzero(looked & (np.diff(begin) > 1)).tolist():
        parts = members[begin[k] : begin[k + 1]].tolist()
        where = [pixels(part) for part in parts]
        if joined(parts, where) or len(parts) > _MOST_PIECES:
            continue
        for group in _without_necks(where, jitter):
            if 1 < len(group) < len(parts):
                joined([parts[i] for i in group], [where[i] for i in group])
    return table, found


def _without_necks(where: list[Place], jitter: float) -> list[list[int]]:
    """Return the groups of a lump's regions that no neck parts."""
    y, x = (np.concatenate(v) for v in zip(*where, strict=True))
    top, left = int(y.min()), int(x.min())
    own = np.zeros((int(y.max()) - top + 1, int(x.max()) - left + 1), np.int64)
    own[y - top, x - left] = np.repeat(np.arange(1, len(where) + 1), [v[0].size for v in where])
    n = len(where) + 1
    links = np.zeros((2, n, n))
    for side, (a, b) in zip(links, ((own[1:], own[:-1]), (own[:, 1:], own[:, :-1])), strict=True):
        met = (a != b) & (a > 0) & (b > 0)
        np.add.at(side, (a[met], b[met]), 1.0)
    # A line of unit length with the normal n crosses |ny| + |nx| sides of the pixel grid.
    length = np.hypot(*(side + side.T for side in links))
    joined = []
    for i, j in zip(*np.nonzero(np.triu(length)), strict=True):
        least = min(_chord(where[a - 1], where[b - 1]) for a, b in ((i, j), (j, i)))
        if length[i, j] >= _NECKLESS * least - 2 * jitter:
            joined.append((int(i) - 1, int(j) - 1))
    group = lumps_among(len(where), joined)
    return [np.flatnonzero(group == k).tolist() for k in np.unique(group)]


def _chord(mine: Place, other: Place) -> float:
    """Return how wide a region is in its middle, across the way to another."""
    (y, x), (oy, ox) = mine, other
    dy, dx = oy.mean() - y.mean(), ox.mean() - x.mean()
    away = max(float(np.hypot(dy, dx)), 1e-9)
    along = ((y - y.mean()) * dy + (x - x.mean()) * dx) / away
    return float(np.count_nonzero(np.abs(along) <= 1.0)) / 2


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

"""Point statistics in a rectangle: nearest neighbours, Clark-Evans, K and pair correlation.

Compiled placement of discs and their pair statistics; imported when spacing is judged.

Clustered, random or ordered: droplets against the same droplets placed at random.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtr

from spattermap.core.arrays import Floats, Integers
from spattermap.core.errors import InputError, one_of
from spattermap.core.region_kernels import compiled

MOST_TRIALS = 2000


@compiled
def uniform(state: npt.NDArray[np.uint64]) -> float:
    """Return a number from 0 to below 1 and move the state on (SplitMix64, Steele et al. 2014).

    Written out because numba's own generator takes five seconds to compile.
    """
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    z = state[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return float(z >> np.uint64(11)) / 9007199254740992.0  # 2**53


@compiled
def place(
    radius: Floats, extent: tuple[float, float], seed: int, clearance: Floats
) -> tuple[Floats, bool]:
    """Place discs of the given radii, in their order, at random free positions.

    Dims: `radius` (disc,), `clearance` (y, x).
    """
    state = np.empty(1, dtype=np.uint64)
    state[0] = seed
    height, width = extent
    map_y, map_x = clearance.shape
    n = len(radius)
    centres = np.zeros((n, 2))
    # Cells of at least the mean spacing; a disc is entered in every cell within reach of it.
    n_y = max(1, int(np.sqrt(n * height / width)))
    n_x = max(1, int(np.sqrt(n * width / height)))
    smallest = radius[n - 1]
    head = np.zeros((n_y, n_x), dtype=np.int64)  # one more than the first entry of the cell
    entries = np.empty((max(64, 16 * n), 2), dtype=np.int64)
    used = 0
    for k in range(n):
        free = False
        y = 0.0
        x = 0.0
        for _ in range(MOST_TRIALS):
            y = uniform(state) * height
            x = uniform(state) * width
            free = clearance[int(y / height * map_y), int(x / width * map_x)] >= radius[k]
            if not free:
                continue
            at = head[min(n_y - 1, int(y / height * n_y)), min(n_x - 1, int(x / width * n_x))] - 1
            while at >= 0:
                other = entries[at, 0]
                gap = radius[k] + radius[other]
                dy = y - centres[other, 0]
                dx = x - centres[other, 1]
                if dy * dy + dx * dx < gap * gap:
                    free = False
                    break
                at = entries[at, 1]
            if free:
                break
        if not free:
            return centres, False
        centres[k, 0] = y
        centres[k, 1] = x
        # Later discs are no larger than this one, so their centres stay within twice its radius.
        reach = max(2 * radius[k], smallest)
        first_y = max(0, int((y - reach) / height * n_y))
        last_y = min(n_y - 1, int((y + reach) / height * n_y))
        first_x = max(0, int((x - reach) / width * n_x))
        last_x = min(n_x - 1, int((x + reach) / width * n_x))
        for j in range(first_y, last_y + 1):
            for i in range(first_x, last_x + 1):
                if used == len(entries):
                    longer = np.empty((2 * used, 2), dtype=np.int64)
                    for e in range(used):
                        longer[e, 0], longer[e, 1] = entries[e, 0], entries[e, 1]
                    entries = longer
                entries[used, 0] = k
                entries[used, 1] = head[j, i] - 1
                used += 1
                head[j, i] = used
    return centres, True


def pair_statistics(
    points: Floats, extent: tuple[float, float], radii: Floats, half: float
) -> tuple[float, Floats]:
    """Return the mean nearest-neighbour distance and the pair correlation of few points.

    The same numbers as `nearest_distances` and `pair_correlation`, pair by pair, which is faster
    for the thousand points or fewer of a simulation.

    Dims: `points` (point, 2), `radii` (radius,).
    """
    nearest, sums = _over_pairs(points[np.argsort(points[:, 0])], extent, radii, half)
    area, n = extent[0] * extent[1], len(points)
    return sum(nearest.tolist()) / n, sums * area * area / (n * (n - 1))


@compiled
def _over_pairs(
    points: Floats, extent: tuple[float, float], radii: Floats, half: float
) -> tuple[Floats, Floats]:
    """Return nearest distances and sums of the kernel, of points in the order of their rows."""
    n = len(points)
    g = np.zeros(len(radii))
    nearest = np.empty(n)
    for i in range(n):
        nearest[i] = np.inf
    step = radii[1] - radii[0]
    reach = radii[-1] + half
    for i in range(n):
        for j in range(i - 1, -1, -1):
            dy = points[i, 0] - points[j, 0]
            dx = abs(points[i, 1] - points[j, 1])
            if dy > reach:
                break
            distance = np.sqrt(dy * dy + dx * dx)
            nearest[i] = min(nearest[i], distance)
            nearest[j] = min(nearest[j], distance)
            if distance >= reach or distance == 0:
                continue
            weight = 1.5 / half / (2 * np.pi * distance * (extent[0] - dy) * (extent[1] - dx))
            first = max(0, int(np.ceil((distance - half - radii[0]) / step)))
            last = min(len(radii) - 1, int(np.floor((distance + half - radii[0]) / step)))
            for k in range(first, last + 1):
                u = (distance - radii[k]) / half
                g[k] += weight * (1 - u * u)
    for i in range(n):
        if nearest[i] > reach:  # alone: its neighbour was not looked at
            for j in range(n):
                if j != i:
                    dy, dx = points[i, 0] - points[j, 0], points[i, 1] - points[j, 1]
                    nearest[i] = min(nearest[i], np.sqrt(dy * dy + dx * dx))
    return nearest, g


Box = tuple[float, float, float, float]
Pairs = tuple[Integers, Integers, Floats]


def nearest_distances(y: npt.ArrayLike, x: npt.ArrayLike) -> Floats:
    """Return the distance from each point to its nearest neighbour.

    Dims: `y, x` (point,); returns (point,).
    """
    from scipy.spatial import KDTree

    points = checked_points(y, x)
    if len(points) < 2:
        return np.full(len(points), np.nan)
    distance, _ = KDTree(points).query(points, k=2)
    nearest: Floats = np.asarray(distance)[:, 1]
    return nearest


def checked_points(y: npt.ArrayLike, x: npt.ArrayLike) -> Floats:
    """Return the points as an array (point, 2) of y and x, all finite."""
    points = np.column_stack([np.asarray(y, dtype=np.float64), np.asarray(x, dtype=np.float64)])
    if not np.isfinite(points).all():
        raise InputError("y and x must be finite, got NaN or infinity. Drop those points first.")
    return points


@dataclass(frozen=True)
class ClarkEvans:
    """Clark and Evans' index of the mean nearest-neighbour distance."""

    index: float  # observed over expected mean distance: below 1 clustered, above 1 ordered
    p_value: float  # two-sided, from the normal approximation
    mean_distance: float  # observed mean nearest-neighbour distance
    n: int
    correction: str  # "none" or "Donnelly"


def clark_evans(
    y: npt.ArrayLike, x: npt.ArrayLike, *, box: Box, correction: str = "Donnelly"
) -> ClarkEvans:
    """Return the Clark-Evans index of points in a rectangle.

    Dims: `y, x` (point,).

    P. J. Clark, F. C. Evans, Ecology 35 (1954) 445. K. P. Donnelly, in Simulation
    Studies in Archaeology (1978) 91.
    """
    one_of(correction, "correction", ("Donnelly", "none"))
    distance = nearest_distances(y, x)
    n = len(distance)
    area, perimeter = box_area(box), 2 * (box[2] - box[0] + box[3] - box[1])
    if n < 2:
        return ClarkEvans(float("nan"), float("nan"), float("nan"), n, correction)
    mean = float(distance.mean())
    if correction == "none":
        expected = 0.5 * np.sqrt(area / n)
        error = np.sqrt((4 - np.pi) * area / (4 * np.pi)) / n  # Clark & Evans (1954)
    else:
        expected = 0.5 * np.sqrt(area / n) + (0.0514 + 0.0412 / np.sqrt(n)) * perimeter / n
        error = np.sqrt(0.0703 * area / n**2 + 0.037 * perimeter * np.sqrt(area / n**5))
    z = (mean - expected) / error
    return ClarkEvans(float(mean / expected), float(2 * ndtr(-abs(z))), mean, n, correction)


def box_area(box: Box) -> float:
    """Return the area of a rectangle, which must have one."""
    area = (box[2] - box[0]) * (box[3] - box[1])
    if not area > 0:
        raise InputError(
            f"box must be (least y, least x, largest y, largest x) with an area, got {box!r}. "
            "Check the order."
        )
    return area


def _pairs(points: Floats, radius: float) -> Pairs:
    from scipy.spatial import KDTree

    found = KDTree(points).query_pairs(radius, output_type="ndarray")
    first, second = found[:, 0], found[:, 1]
    return first, second, np.hypot(*(points[first] - points[second]).T)


def kernel_half_width(n: int, box: Box) -> float:
    """Return half the width of the kernel of the pair correlation."""
    return float(0.15 * np.sqrt(5) * np.sqrt(box_area(box) / n))


def pair_correlation(
    y: npt.ArrayLike,
    x: npt.ArrayLike,
    radii: npt.ArrayLike,
    *,
    box: Box,
    bandwidth: float | None = None,
) -> Floats:
    """Return the pair correlation g(r): 1 for points placed at random.

    Dims: `y, x` (point,), `radii` (radius,); returns (radius,).

    D. Stoyan, H. Stoyan, Fractals, Random Shapes and Point Fields (1994), section 15.4.4.
    """
    points = checked_points(y, x)
    r = np.atleast_1d(np.asarray(radii, dtype=np.float64))
    area, n = box_area(box), len(points)
    if n < 2:
        return np.full(len(r), np.nan)
    half = bandwidth or kernel_half_width(n, box)
    first, second, distance = _pairs(points, float(r.max()) + half)
    step = np.abs(points[first] - points[second])
    overlap = (box[2] - box[0] - step[:, 0]) * (box[3] - box[1] - step[:, 1])
    order = np.argsort(distance)
    distance, overlap = distance[order], overlap[order]
    values = []
    for radius in r:
        low, high = np.searchsorted(distance, [radius - half, radius + half])
        near = distance[low:high]
        kernel = 0.75 / half * (1 - ((near - radius) / half) ** 2)
        # Dividing by the pair's own distance keeps g finite towards zero.
        values.append(2 * (kernel / (2 * np.pi * near * overlap[low:high])).sum())
    return np.array(values) * area**2 / (n * (n - 1))


# Droplets of the window that is compared with simulations; larger fields use their middle.
LARGEST_SIMULATED = 1000


@dataclass(frozen=True)
class Spacing:
    """How the droplets are spaced."""

    pattern: str  # against the null stated in `null`
    index: float  # mean nearest-neighbour distance over that of the null
    # range of the index that the null itself produces (the level's envelope)
    index_low: float
    index_high: float
    p_value: float  # two-sided rank of the mean distance among the simulations
    mean_distance: float  # mean nearest-neighbour distance, centre to centre
    clark_evans: ClarkEvans  # with Donnelly's edge correction, for points without size
    # ``r, g, null, low, high``: pair correlation, its mean and pointwise envelope under the null
    g: pd.DataFrame
    null: str  # what the droplets were compared with
    n_used: int  # droplets compared


def spacing(
    y: npt.ArrayLike,
    x: npt.ArrayLike,
    *,
    diameter: npt.ArrayLike,
    box: Box,
    clearance: npt.ArrayLike | None = None,
    gap: float = 0.0,
    level: float = 0.95,
    n_simulations: int = 99,
    seed: int = 0,
) -> Spacing:
    """Compare the spacing of droplets with droplets of the same sizes placed at random.

    Dims: `y`, `x`, `diameter` (droplet,), `clearance` (y, x): distance to what a droplet cannot lie
    on, such as streaks. `box`: least y, least x, largest y, largest x. `gap`: the smallest between
    two rims that the maps resolve; closer droplets have merged. "undecided" with fewer than 10
    droplets, or where so much is covered that they cannot be placed at random without overlap.

    Droplets have a size and do not overlap, so against points placed at random any dense deposit
    looks ordered. The null here places the same droplets one after the other, the largest first, at
    random positions that are free (random sequential adsorption: J. Feder, J. Theor. Biol. 87
    (1980) 237). A null without a `gap` would take the space between droplets for order, while a gap
    that is too wide hides order of that reach. Envelopes: P. J. Diggle, Statistical Analysis of
    Spatial Point Patterns (2003), sections 2.7, 4.7.

    >>> y, x = np.mgrid[5:100:10, 5:100:10].reshape(2, -1)
    >>> spacing(y, x, diameter=np.full(100, 3.0), box=(0, 0, 100, 100)).pattern
    'ordered'
    """
    points, size = checked_points(y, x), np.asarray(diameter, dtype=np.float64)
    room = np.full((1, 1), np.inf) if clearance is None else np.asarray(clearance, float)
    points, size, room, box = _middle(points, size, room, box)
    n = len(points)
    index = clark_evans(points[:, 0], points[:, 1], box=box)
    if n < 10:
        return _undecided(index, "fewer than 10 droplets")

    r = np.linspace(0, 3, 61)[1:] * np.sqrt(box_area(box) / n)
    r = r[r < min(box[2] - box[0], box[3] - box[1]) / 2]
    extent, half = (float(box[2] - box[0]), float(box[3] - box[1])), kernel_half_width(n, box)
    distances, curves = [], []
    room = np.ascontiguousarray(room)
    for number in range(n_simulations):
        placed = _place(size + gap, box, room, np.random.default_rng([seed, number]))
        if placed is None:
            return _undecided(index, "too much is covered for a random arrangement of these sizes")
        mean, curve = pair_statistics(placed, extent, r, half)
        distances.append(mean)
        curves.append(curve)
    g = pair_correlation(points[:, 0], points[:, 1], r, box=box)
    return _judge(index, np.array(distances), np.column_stack([r, g]), np.array(curves), level)


def _middle(
    points: Floats, size: Floats, room: Floats, box: Box
) -> tuple[Floats, Floats, Floats, Box]:
    """Return the droplets of a window in the middle that holds about the largest number."""
    if len(points) <= LARGEST_SIMULATED:
        return points, size, room, box
    edge = (1 - np.sqrt(LARGEST_SIMULATED / len(points))) / 2
    extent = np.array(box[2:]) - np.array(box[:2])
    low, high = np.array(box[:2]) + edge * extent, np.array(box[2:]) - edge * extent
    inside = ((points >= low) & (points < high)).all(axis=1)
    cut = [slice(int(edge * n), max(int(edge * n) + 1, int((1 - edge) * n))) for n in room.shape]
    window = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return points[inside], size[inside], room[cut[0], cut[1]], window


def _place(size: Floats, box: Box, room: Floats, rng: np.random.Generator) -> Floats | None:
    order = np.argsort(-size, kind="stable")
    extent = (float(box[2] - box[0]), float(box[3] - box[1]))
    seed = int(rng.integers(2**31))
    placed, ok = place(size[order] / 2, extent, seed, room)
    return placed + np.array(box[:2]) if ok else None


def _undecided(index: ClarkEvans, why: str) -> Spacing:
    nan = float("nan")
    empty = pd.DataFrame({name: [] for name in ("r", "g", "null", "low", "high")}, dtype=float)
    return Spacing("undecided", nan, nan, nan, nan, index.mean_distance, index, empty, why, index.n)


def _judge(
    index: ClarkEvans, distances: Floats, observed: Floats, curves: Floats, level: float
) -> Spacing:
    r, g = observed.T
    tail = (1 - level) / 2
    expected = distances.mean()
    low, high = np.quantile(distances, [tail, 1 - tail]) / expected
    n_simulations = len(distances)
    below = 1 + (distances <= index.mean_distance).sum()
    above = 1 + (distances >= index.mean_distance).sum()
    p_value = min(1.0, 2 * min(below, above) / (n_simulations + 1))
    pattern = "random"
    if p_value <= 1 - level:
        pattern = "clustered" if index.mean_distance < expected else "ordered"
    bounds = np.quantile(curves, [tail, 1 - tail], axis=0)
    return Spacing(
        pattern=pattern,
        index=float(index.mean_distance / expected),
        index_low=float(low),
        index_high=float(high),
        p_value=float(p_value),
        mean_distance=index.mean_distance,
        clark_evans=index,
        g=pd.DataFrame(
            {"r": r, "g": g, "null": curves.mean(axis=0), "low": bounds[0], "high": bounds[1]}
        ),
        null="the same droplets placed at random without overlap",
        n_used=index.n,
    )

"""Compiled placement of discs and their pair statistics; imported when spacing is judged."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from spattermap._region_kernels import compiled

Floats = npt.NDArray[np.float64]

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

    Parameters
    ----------
    radius : numpy.ndarray, dims (disc,)
        Radii, largest first.
    extent : tuple of float
        Height and width of the rectangle that holds the centres; discs may reach over its edge.
    seed : int
        Seed.
    clearance : numpy.ndarray, dims (y, x)
        Map of the rectangle: how large a radius fits at each place. One infinite value where
        nothing is in the way.

    Returns
    -------
    tuple
        Centres (disc, 2) as (y, x), and whether all found a place.
    """
    state = np.array([seed], dtype=np.uint64)
    height, width = extent
    map_y, map_x = clearance.shape
    n = len(radius)
    centres = np.zeros((n, 2))
    # Cells of at least the mean spacing; a disc is entered in every cell within reach of it.
    n_y = max(1, int(np.sqrt(n * height / width)))
    n_x = max(1, int(np.sqrt(n * width / height)))
    smallest = radius[n - 1]
    head = np.full((n_y, n_x), -1, dtype=np.int64)
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
            at = head[min(n_y - 1, int(y / height * n_y)), min(n_x - 1, int(x / width * n_x))]
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
                    longer[:used] = entries
                    entries = longer
                entries[used, 0] = k
                entries[used, 1] = head[j, i]
                head[j, i] = used
                used += 1
    return centres, True


@compiled
def pair_statistics(
    points: Floats, extent: tuple[float, float], radii: Floats, half: float
) -> tuple[float, Floats]:
    """Return the mean nearest-neighbour distance and the pair correlation of few points.

    The same numbers as `nearest_distances` and `pair_correlation`, pair by pair, which is faster
    for the thousand points or fewer of a simulation.

    Parameters
    ----------
    points : numpy.ndarray, dims (point, 2)
        Centres (y, x).
    extent : tuple of float
        Height and width of the rectangle.
    radii : numpy.ndarray, dims (radius,)
        Distances, evenly spaced.
    half : float
        Half width of the kernel.

    Returns
    -------
    tuple
        Mean distance, and g (radius,).
    """
    n = len(points)
    g = np.zeros(len(radii))
    nearest = np.full(n, np.inf)
    step = radii[1] - radii[0]
    reach = radii[-1] + half
    for i in range(n):
        for j in range(i):
            dy = abs(points[i, 0] - points[j, 0])
            dx = abs(points[i, 1] - points[j, 1])
            if dy > reach and dy > nearest[i] and dy > nearest[j]:
                continue
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
    area = extent[0] * extent[1]
    return nearest.mean(), g * area * area / (n * (n - 1))

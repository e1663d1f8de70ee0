"""Clustered, random or ordered: droplets against the same droplets placed at random."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from spattermap.morphology.neighbours import (
    Box,
    ClarkEvans,
    Floats,
    box_area,
    checked_points,
    clark_evans,
    kernel_half_width,
    pair_correlation,
)

if TYPE_CHECKING:
    import pandas as pd

# Droplets of the window that is compared with simulations; larger fields use their middle.
LARGEST_SIMULATED = 1000


@dataclass(frozen=True)
class Spacing:
    """How the droplets are spaced.

    Parameters
    ----------
    pattern : {"clustered", "random", "ordered", "undecided"}
        Against the null stated in `null`.
    index : float
        Mean nearest-neighbour distance over that of the null.
    index_low, index_high : float
        Range of the index that the null itself produces (the level's envelope).
    p_value : float
        Two-sided rank of the mean distance among the simulations.
    mean_distance : float
        Mean nearest-neighbour distance, centre to centre.
    clark_evans : ClarkEvans
        With Donnelly's edge correction, for points without size.
    g : pandas.DataFrame
        ``r, g, null, low, high``: pair correlation, its mean and pointwise envelope under the
        null.
    g_p_value : float
        Rank of the largest studentised deviation of g over all r (a global test).
    null : str
        What the droplets were compared with.
    n_used : int
        Droplets compared.
    """

    pattern: str
    index: float
    index_low: float
    index_high: float
    p_value: float
    mean_distance: float
    clark_evans: ClarkEvans
    g: pd.DataFrame
    g_p_value: float
    null: str
    n_used: int


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

    Parameters
    ----------
    y, x : array_like, dims (droplet,)
        Centres.
    diameter : array_like, dims (droplet,)
        Diameters; simulated droplets keep them and do not overlap. Points without size take 0.
    box : tuple of float
        Field: least y, least x, largest y, largest x.
    clearance : array_like, dims (y, x), optional
        Map of the box: distance to what a droplet cannot lie on, such as streaks, in the unit of
        the box.
    gap : float
        Smallest gap between the rims of two droplets that the maps resolve; closer ones have
        merged into one, so simulated droplets keep it too.
    level : float
        Level of the envelopes, and 1 - level that of the decision.
    n_simulations : int
        Simulated fields.
    seed : int
        Seed of the simulations.

    Returns
    -------
    Spacing
        "undecided" with fewer than 10 droplets, or where so much is covered that the droplets
        cannot be placed at random without overlap.

    Notes
    -----
    Droplets have a size and do not overlap, so against points placed at random any dense deposit
    looks ordered. The null here places the same droplets one after the other, the largest first,
    at random positions that are free (random sequential adsorption). Droplets that touched have
    merged and count as one; a null without a `gap` would take the space between the rest for
    order, while a gap that is too wide hides order of that reach.

    References
    ----------
    .. [1] J. Feder, J. Theor. Biol. 87 (1980) 237 (random sequential adsorption).
    .. [2] P. J. Diggle, Statistical Analysis of Spatial Point Patterns (2003), sections 2.7, 4.7.

    Examples
    --------
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
    from spattermap.morphology._placement import pair_statistics

    r = np.linspace(0, 3, 61)[1:] * np.sqrt(box_area(box) / n)
    r = r[r < min(box[2] - box[0], box[3] - box[1]) / 2]
    extent, half = (box[2] - box[0], box[3] - box[1]), kernel_half_width(n, box)
    distances, curves = [], []
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
    from spattermap.morphology._placement import place

    order = np.argsort(-size, kind="stable")
    extent = (box[2] - box[0], box[3] - box[1])
    seed = int(rng.integers(2**31))
    placed, ok = place(size[order] / 2, extent, seed, np.ascontiguousarray(room))
    return placed + np.array(box[:2]) if ok else None


def _undecided(index: ClarkEvans, why: str) -> Spacing:
    import pandas as pd

    nan = float("nan")
    empty = pd.DataFrame({name: [] for name in ("r", "g", "null", "low", "high")}, dtype=float)
    return Spacing(
        "undecided", nan, nan, nan, nan, index.mean_distance, index, empty, nan, why, index.n
    )


def _judge(
    index: ClarkEvans, distances: Floats, observed: Floats, curves: Floats, level: float
) -> Spacing:
    import pandas as pd

    r, g = observed.T
    tail = (1 - level) / 2
    expected = distances.mean()
    low, high = np.quantile(distances, [tail, 1 - tail]) / expected
    n_simulations = len(distances)
    below = 1 + (distances <= index.mean_distance).sum()
    above = 1 + (distances >= index.mean_distance).sum()
    p_value = min(1.0, 2 * min(below, above) / (n_simulations + 1))
    every = np.vstack([g, curves])
    spread = every.std(axis=0, ddof=1)
    spread = np.where(spread > 0, spread, np.inf)
    deviation = (np.abs(every - every.mean(axis=0)) / spread).max(axis=1)
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
        g_p_value=float((deviation >= deviation[0]).mean()),
        null="the same droplets placed at random without overlap",
        n_used=index.n,
    )

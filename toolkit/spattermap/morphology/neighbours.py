"""Point statistics in a rectangle: nearest neighbours, Clark-Evans, K and pair correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spattermap.checks import one_of
from spattermap.errors import InputError

Floats = npt.NDArray[np.float64]
Box = tuple[float, float, float, float]
Pairs = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Floats]


def nearest_distances(y: npt.ArrayLike, x: npt.ArrayLike) -> Floats:
    """Return the distance from each point to its nearest neighbour.

    Parameters
    ----------
    y, x : array_like, dims (point,)
        Centres, any length unit.

    Returns
    -------
    numpy.ndarray, dims (point,)
        NaN with fewer than two points.

    Examples
    --------
    >>> nearest_distances([0, 0, 4], [0, 3, 0]).tolist()
    [3.0, 3.0, 4.0]
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
    """Clark and Evans' index of the mean nearest-neighbour distance.

    Parameters
    ----------
    index : float
        Observed over expected mean distance: below 1 clustered, above 1 ordered.
    p_value : float
        Two-sided, from the normal approximation.
    mean_distance : float
        Observed mean nearest-neighbour distance.
    n : int
        Number of points.
    correction : str
        "none" or "Donnelly".
    """

    index: float
    p_value: float
    mean_distance: float
    n: int
    correction: str


def clark_evans(
    y: npt.ArrayLike, x: npt.ArrayLike, *, box: Box, correction: str = "Donnelly"
) -> ClarkEvans:
    """Return the Clark-Evans index of points in a rectangle.

    Parameters
    ----------
    y, x : array_like, dims (point,)
        Centres.
    box : tuple of float
        Rectangle: least y, least x, largest y, largest x.
    correction : {"Donnelly", "none"}
        Points near the edge lack neighbours outside; Donnelly's terms allow for it.

    Returns
    -------
    ClarkEvans
        NaN with fewer than two points.

    References
    ----------
    .. [1] P. J. Clark, F. C. Evans, Ecology 35 (1954) 445.
    .. [2] K. P. Donnelly, in Simulation Studies in Archaeology (1978) 91.

    Examples
    --------
    >>> y, x = np.mgrid[5:100:10, 5:100:10].reshape(2, -1)
    >>> found = clark_evans(y, x, box=(0, 0, 100, 100), correction="none")
    >>> found.index, found.mean_distance
    (2.0, 10.0)
    """
    one_of(correction, "correction", ("Donnelly", "none"))
    from scipy.special import ndtr

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


def ripley_k(
    y: npt.ArrayLike,
    x: npt.ArrayLike,
    radii: npt.ArrayLike,
    *,
    box: Box,
    correction: str = "translation",
) -> Floats:
    """Return Ripley's K: the mean number of neighbours within a distance, over the density.

    Parameters
    ----------
    y, x : array_like, dims (point,)
        Centres.
    radii : array_like, dims (radius,)
        Distances.
    box : tuple of float
        Rectangle: least y, least x, largest y, largest x.
    correction : {"translation", "isotropic", "border", "none"}
        How pairs are weighted near the edge.

    Returns
    -------
    numpy.ndarray, dims (radius,)
        In the square of the length unit; pi r^2 for points placed at random.

    References
    ----------
    .. [1] B. D. Ripley, J. R. Stat. Soc. B 39 (1977) 172 (isotropic and border).
    .. [2] J. Ohser, D. Stoyan, Biom. J. 23 (1981) 523 (translation).

    Examples
    --------
    >>> y, x = np.random.default_rng(1).uniform(0, 100, (2, 2000))
    >>> round(float(ripley_k(y, x, [5.0], box=(0, 0, 100, 100))[0]), 1)  # about 25 pi
    78.5
    """
    one_of(correction, "correction", ("translation", "isotropic", "border", "none"))
    points = checked_points(y, x)
    r = np.atleast_1d(np.asarray(radii, dtype=np.float64))
    area, n = box_area(box), len(points)
    if n < 2:
        return np.full(len(r), np.nan)
    first, second, distance = _pairs(points, float(r.max()))
    if correction == "border":
        return _k_border(points, box, (first, second, distance), r)
    step = np.abs(points[first] - points[second])
    if correction == "translation":
        weight = area / ((box[2] - box[0] - step[:, 0]) * (box[3] - box[1] - step[:, 1]))
    elif correction == "isotropic":
        # Each pair counts once from either end, with the arc of that end.
        weight = _arc_weight(points[first], distance, box) / 2
        weight += _arc_weight(points[second], distance, box) / 2
    else:
        weight = np.ones(len(distance))
    return np.array([2 * weight[distance <= radius].sum() for radius in r]) * area / (n * (n - 1))


def _pairs(points: Floats, radius: float) -> Pairs:
    from scipy.spatial import KDTree

    found = KDTree(points).query_pairs(radius, output_type="ndarray")
    first, second = found[:, 0], found[:, 1]
    return first, second, np.hypot(*(points[first] - points[second]).T)


def _k_border(points: Floats, box: Box, pairs: Pairs, r: Floats) -> Floats:
    first, second, distance = pairs
    inside = np.minimum(points - np.array(box[:2]), np.array(box[2:]) - points).min(axis=1)
    values = []
    for radius in r:
        far = inside > radius
        near = distance <= radius
        count = far[first[near]].sum() + far[second[near]].sum()
        values.append(count / max(far.sum(), 1) * box_area(box) / len(points))
    return np.array(values)


def _arc_weight(centre: Floats, radius: Floats, box: Box) -> Floats:
    """Return 2 pi over the angle of the circle that lies inside the rectangle (Ripley 1977).

    The angle outside is 2 acos(d / r) for each side nearer than r; where two sides meet inside
    the circle, their arcs overlap and the corner's share is given back.
    """
    sides = np.column_stack(
        [
            centre[:, 0] - box[0],
            centre[:, 1] - box[1],
            box[2] - centre[:, 0],
            box[3] - centre[:, 1],
        ]
    )
    half = np.arccos(np.clip(sides / radius[:, None], 0, 1))
    outside = 2 * half.sum(axis=1)
    for k in range(4):
        both = half[:, k] + half[:, (k + 1) % 4] - np.pi / 2
        outside -= np.clip(both, 0, None)
    weight: Floats = 2 * np.pi / np.clip(2 * np.pi - outside, 1e-9, None)
    return weight


def kernel_half_width(n: int, box: Box) -> float:
    """Return half the width of the kernel of the pair correlation.

    Parameters
    ----------
    n : int
        Number of points.
    box : tuple of float
        Rectangle: least y, least x, largest y, largest x.

    Returns
    -------
    float
        0.15 over the square root of the density (Stoyan and Stoyan 1994) is the standard
        deviation of the kernel; the Epanechnikov kernel reaches sqrt(5) times as far.
    """
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

    Parameters
    ----------
    y, x : array_like, dims (point,)
        Centres.
    radii : array_like, dims (radius,)
        Distances, above zero.
    box : tuple of float
        Rectangle: least y, least x, largest y, largest x.
    bandwidth : float, optional
        Half width of the kernel; `kernel_half_width` by default.

    Returns
    -------
    numpy.ndarray, dims (radius,)
        Dimensionless.

    References
    ----------
    .. [1] D. Stoyan, H. Stoyan, Fractals, Random Shapes and Point Fields (1994), section 15.4.4.

    Examples
    --------
    >>> y, x = np.random.default_rng(1).uniform(0, 100, (2, 2000))
    >>> round(float(pair_correlation(y, x, [5.0], box=(0, 0, 100, 100))[0]), 1)
    1.0
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

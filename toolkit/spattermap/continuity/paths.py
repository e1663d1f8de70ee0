"""Connected regions of metal: do they cross the field, and what is missing where they do not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, sparse
from scipy.sparse import csgraph

from spattermap.checks import image_2d, positive
from spattermap.continuity.network import Bools, Floats
from spattermap.errors import InputError

Labels = npt.NDArray[np.int32]
Integers = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Connectivity:
    """Connected regions of a metal map.

    Parameters
    ----------
    labels : ndarray of int32, dims (y, x)
        Region of each metal pixel, 1 being the largest; 0 on bare ground. Regions joined by
        bridging share a label.
    n_regions : int
        Number of regions.
    largest_share : float
        Part of the metal's area that lies in the largest region (0 to 1).
    crosses_x, crosses_y : bool
        Whether one region touches both the left and right, or both the top and bottom edge.
    connected_share : float
        Part of the metal's area in regions that cross the field in x or in y (0 to 1).
    gap_x_px, gap_y_px : float
        The widest gap on the easiest way across (px): the smallest bridging distance with which
        the field would be crossed; 0 where it is crossed, infinite on a field without metal.
    neck_x_px, neck_y_px : float
        Width of the narrowest place on the widest way across (px, good to one pixel); 0 where
        the field is not crossed.
    """

    labels: Labels
    n_regions: int
    largest_share: float
    crosses_x: bool
    crosses_y: bool
    connected_share: float
    gap_x_px: float
    gap_y_px: float
    neck_x_px: float
    neck_y_px: float

    @property
    def largest(self) -> Bools:
        """Pixels of the largest region, dims (y, x)."""
        largest: Bools = self.labels == 1
        return largest


def connectivity(
    metal: npt.ArrayLike, *, connectivity: int = 4, bridging_px: float = 0.0
) -> Connectivity:
    """Return the connected regions of a metal map and whether they cross the field.

    Parameters
    ----------
    metal : array_like of bool, dims (y, x)
        True where there is metal.
    connectivity : {4, 8}, optional
        4 joins pixels that share an edge, 8 also those that share a corner. Exactly one of "metal
        crosses in x with 4" and "bare ground crosses in y with 8" is true of any map.
    bridging_px : float, optional
        Gap that counts as closed (px). A gap is the distance of the nearest two pixel centres of
        two regions, less one pixel; to an edge of the field, the bare pixels in between.

    Returns
    -------
    Connectivity

    Raises
    ------
    InputError
        If an argument is not allowed.

    Notes
    -----
    Gaps are measured between the regions that meet in the Voronoi diagram of the metal, and the
    easiest way across is the path of a minimum spanning tree over them, on which the widest gap
    is the least possible (T. C. Hu, Oper. Res. 9 (1961) 898; from memory).

    Examples
    --------
    >>> import numpy as np
    >>> broken = np.ones((3, 9), dtype=bool)
    >>> broken[:, 4:6] = False
    >>> found = connectivity(broken)
    >>> found.crosses_x, found.crosses_y, found.gap_x_px
    (False, True, 2.0)
    """
    mask = image_2d(metal, "metal").astype(bool)
    if connectivity not in (4, 8):
        raise InputError(
            f"connectivity must be 4 (shared edges) or 8 (shared corners too), "
            f"got {connectivity!r}. Choose one."
        )
    reach = positive(bridging_px, "bridging_px", unit="px", allow_zero=True)
    labels, n_regions = _label(mask, connectivity)
    gaps = _gaps(labels, n_regions)
    gap_x, gap_y = (_widest_gap(labels, n_regions, gaps, axis) for axis in (1, 0))
    if reach > 0 and n_regions > 1:
        labels, n_regions = _joined(labels, n_regions, gaps, reach)
    labels, areas = _by_size(labels, n_regions)
    crossing = [_crossing(labels, axis, reach) for axis in (1, 0)]
    total = int(areas.sum())
    touched = np.union1d(*crossing)
    return Connectivity(
        labels=labels,
        n_regions=n_regions,
        largest_share=float(areas[0] / total) if total else 0.0,
        crosses_x=crossing[0].size > 0,
        crosses_y=crossing[1].size > 0,
        connected_share=float(areas[touched - 1].sum() / total) if total else 0.0,
        gap_x_px=gap_x,
        gap_y_px=gap_y,
        neck_x_px=_neck(mask, connectivity, 1),
        neck_y_px=_neck(mask, connectivity, 0),
    )


def _label(mask: Bools, connectivity: int) -> tuple[Labels, int]:
    structure = np.ones((3, 3)) if connectivity == 8 else None
    labels = np.empty(mask.shape, dtype=np.int32)
    return labels, int(ndimage.label(mask, structure=structure, output=labels))


def _by_size(labels: Labels, n_regions: int) -> tuple[Labels, Integers]:
    """Return labels renumbered from the largest down, and the areas in that order."""
    areas = np.bincount(labels.ravel(), minlength=n_regions + 1)[1:]
    order = np.argsort(-areas, kind="stable")
    number = np.zeros(n_regions + 1, dtype=np.int32)
    number[order + 1] = np.arange(1, n_regions + 1, dtype=np.int32)
    return number[labels], areas[order]


def _crossing(labels: Labels, axis: int, reach: float) -> Labels:
    """Return the labels that touch both edges across `axis`, or come within `reach` of them."""
    wide = min(int(reach), labels.shape[axis] - 1) + 1
    along = labels if axis == 1 else labels.T
    both = np.intersect1d(along[:, :wide], along[:, -wide:])
    return both[both > 0]


def _gaps(labels: Labels, n_regions: int) -> tuple[Labels, Labels, Floats]:
    """Return pairs of neighbouring regions and the gap between them (px), each pair once."""
    if n_regions < 2:
        none = np.zeros(0, dtype=np.int32)
        return none, none, np.zeros(0)
    row, column = ndimage.distance_transform_edt(
        labels == 0, return_distances=False, return_indices=True
    )
    owner = labels[row, column]
    found: list[tuple[Integers, Floats]] = []
    for one, other in _NEIGHBOURS:
        apart = owner[one] != owner[other]
        a, b = owner[one][apart], owner[other][apart]
        gap = np.hypot(
            row[one][apart] - row[other][apart], column[one][apart] - column[other][apart]
        )
        pair = np.minimum(a, b).astype(np.int64) * (n_regions + 1) + np.maximum(a, b)
        found.append((pair, gap - 1.0))
    pairs = np.concatenate([pair for pair, _ in found])
    gap = np.concatenate([gap for _, gap in found])
    order = np.lexsort((gap, pairs))
    pairs, gap = pairs[order], gap[order]
    first = np.concatenate([[True], pairs[1:] != pairs[:-1]])
    pairs = pairs[first]
    return (
        (pairs // (n_regions + 1)).astype(np.int32),
        (pairs % (n_regions + 1)).astype(np.int32),
        gap[first],
    )


# Each pixel with its four later neighbours: right, below, below right, below left.
_NEIGHBOURS = (
    (np.s_[:, :-1], np.s_[:, 1:]),
    (np.s_[:-1], np.s_[1:]),
    (np.s_[:-1, :-1], np.s_[1:, 1:]),
    (np.s_[:-1, 1:], np.s_[1:, :-1]),
)


def _widest_gap(
    labels: Labels, n_regions: int, gaps: tuple[Labels, Labels, Floats], axis: int
) -> float:
    """Return the least distance that must be bridged to cross the field along `axis` (px)."""
    if n_regions == 0:
        return float("inf")
    along = labels if axis == 1 else labels.T
    _, columns = np.nonzero(along)
    regions = along[along > 0] - 1
    nearest = np.full(n_regions, along.shape[1])
    furthest = np.full(n_regions, -1)
    np.minimum.at(nearest, regions, columns)
    np.maximum.at(furthest, regions, columns)
    # Two more nodes stand for the edges. One is added to every gap, for a sparse matrix drops
    # zeros; the order of the gaps is all that counts here.
    every = np.arange(n_regions)
    first = np.concatenate([gaps[0] - 1, every, every])
    second = np.concatenate(
        [gaps[1] - 1, np.full(n_regions, n_regions), np.full(n_regions, n_regions + 1)]
    )
    gap = np.concatenate([gaps[2], nearest, along.shape[1] - 1 - furthest]) + 1.0
    graph = sparse.csr_matrix((gap, (first, second)), shape=(n_regions + 2, n_regions + 2))
    tree = csgraph.minimum_spanning_tree(graph)
    tree = tree + tree.T
    _, before = csgraph.breadth_first_order(tree, n_regions, return_predecessors=True)
    node, widest = n_regions + 1, 0.0
    while node != n_regions:
        widest = max(widest, float(tree[node, before[node]]))
        node = int(before[node])
    return widest - 1.0


def _joined(
    labels: Labels, n_regions: int, gaps: tuple[Labels, Labels, Floats], reach: float
) -> tuple[Labels, int]:
    close = gaps[2] <= reach
    first, second = gaps[0][close] - 1, gaps[1][close] - 1
    graph = sparse.coo_matrix((np.ones(first.size), (first, second)), shape=(n_regions, n_regions))
    left, group = csgraph.connected_components(graph, directed=False)
    number = np.concatenate([[0], group + 1]).astype(np.int32)
    return number[labels], int(left)


def _neck(mask: Bools, connectivity: int, axis: int) -> float:
    """Return the width of the narrowest place on the widest way across (px)."""

    def crosses(part: Bools) -> bool:
        return _crossing(_label(part, connectivity)[0], axis, 0.0).size > 0

    if not crosses(mask):
        return 0.0
    if mask.all():
        return float(mask.shape[1 - axis])
    depth = ndimage.distance_transform_edt(mask)
    levels = np.unique(depth[mask])
    low, high = 0, levels.size  # the field is crossed at levels[low], not at levels[high]
    while high - low > 1:
        middle = (low + high) // 2
        if crosses(depth >= levels[middle]):
            low = middle
        else:
            high = middle
    return float(2.0 * levels[low] - 1.0)

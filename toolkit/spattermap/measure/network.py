"""Connected regions of metal: do they cross the field, and what is missing where they do not.

Resistor networks on a grid: assembly, pruning and solution of their Kirchhoff equations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, sparse
from scipy.sparse import csgraph

from spattermap.core.arrays import Bools, Floats, Labels
from spattermap.core.errors import InputError, image_2d, positive
from spattermap.measure.shapes import distance_to

# Below this many unknowns a direct solution is quicker than setting up a multigrid hierarchy.
_DIRECT_UNKNOWNS = 2000


@dataclass(frozen=True)
class Links:
    """Conductances of a grid of nodes between two bars at potential 0 and 1."""

    right: Floats  # (y, x - 1): conductance from each node to the one on its right
    down: Floats  # (y - 1, x): conductance from each node to the one below
    # (y, x): conductance from each node to the bar at potential 0 and to the bar at potential 1
    low: Floats
    high: Floats
    direct: float = 0.0  # conductance from bar to bar that passes no node


@dataclass(frozen=True)
class NodePotentials:
    """Solution of one network."""

    # (y, x): potential of each node; NaN where a node touches neither bar, 0 or 1 where it hangs on
    # one bar only
    potential: Floats
    conductance: float  # conductance between the bars
    residual: float  # norm of the residual over the norm of the right-hand side
    iterations: int  # iterations of the conjugate gradients; 0 for a direct solution
    unknowns: int  # nodes that were solved for: those that can carry current from bar to bar


def solve(links: Links, *, tolerance: float = 1e-9) -> NodePotentials:
    """Solve Kirchhoff's equations of a grid between two bars.

    Only clusters that touch both bars carry current. Everything else is left out before the
    solution, which makes the system symmetric, positive definite and small. Every second node is
    then eliminated exactly (chessboard order) and the rest solved by conjugate gradients behind
    one cycle of classical algebraic multigrid (Ruge and Stueben, "Algebraic multigrid", in
    Multigrid Methods, SIAM 1987), whose cost grows nearly in proportion to the number of nodes
    and does not care how ragged the conductor is. The conductance is taken
    from the dissipated power, whose error is of second order in the error of the potentials.
    """
    shape = links.low.shape
    first, second, weight = _edges(links)
    low, high = links.low.ravel(), links.high.ravel()
    n_clusters, cluster = csgraph.connected_components(
        sparse.coo_matrix((weight, (first, second)), shape=(low.size, low.size)), directed=False
    )
    at_low = np.bincount(cluster, weights=low, minlength=n_clusters)[cluster] > 0
    at_high = np.bincount(cluster, weights=high, minlength=n_clusters)[cluster] > 0
    potential = np.full(low.size, np.nan)
    potential[at_low & ~at_high] = 0.0
    potential[at_high & ~at_low] = 1.0
    live = at_low & at_high
    unknowns = int(live.sum())
    residual, iterations = 0.0, 0
    if unknowns:
        system = _kirchhoff(live.reshape(shape), (first, second, weight), low, high)
        potential[live], residual, iterations = _solve_system(system, tolerance)
    field = potential.reshape(shape)
    power = links.direct + _power(links, field)
    return NodePotentials(field, power, residual, iterations, unknowns)


def _edges(links: Links) -> tuple[Labels, Labels, Floats]:
    """Return the two ends and the conductance of every link that conducts."""
    index = np.arange(links.low.size, dtype=np.int32).reshape(links.low.shape)
    across, below = links.right > 0, links.down > 0
    first = np.concatenate([index[:, :-1][across], index[:-1][below]])
    second = np.concatenate([index[:, 1:][across], index[1:][below]])
    return first, second, np.concatenate([links.right[across], links.down[below]])


@dataclass(frozen=True)
class _System:
    """Kirchhoff's equations of the live nodes, parted like the squares of a chessboard.

    Every link joins a black node to a white one, so both diagonal blocks are diagonal.
    """

    black: Bools  # which of the live nodes are black
    black_diagonal: Floats
    white_diagonal: Floats
    links: sparse.csr_matrix  # conductances, white rows and black columns
    black_feed: Floats
    white_feed: Floats


def _kirchhoff(
    live: Bools,
    edges: tuple[Labels, Labels, Floats],
    low: Floats,
    high: Floats,
) -> _System:
    """Return the equations of the live nodes."""
    first, second, weight = edges
    row, column = np.nonzero(live)
    black = (row + column) % 2 == 0
    number = np.zeros(live.size, dtype=np.int32)
    is_black = np.zeros(live.size, dtype=np.bool_)
    nodes = live.ravel()
    is_black[nodes] = black
    number[nodes] = np.where(black, np.cumsum(black), np.cumsum(~black)) - 1
    used = nodes[first]  # both ends of a link lie in the same cluster
    one, other, w = first[used], second[used], weight[used]
    swap = is_black[one]
    white, dark = number[np.where(swap, other, one)], number[np.where(swap, one, other)]
    n_black = int(black.sum())
    n_white = black.size - n_black
    grounded, feed = (low + high)[nodes], high[nodes]
    return _System(
        black=black,
        black_diagonal=grounded[black] + np.bincount(dark, weights=w, minlength=n_black),
        white_diagonal=grounded[~black] + np.bincount(white, weights=w, minlength=n_white),
        links=sparse.csr_matrix((w, (white, dark)), shape=(n_white, n_black)),
        black_feed=feed[black],
        white_feed=feed[~black],
    )


def _solve_system(system: _System, tolerance: float) -> tuple[Floats, float, int]:
    """Return potentials, relative residual and iterations.

    The black nodes are eliminated exactly, which halves the unknowns, then put back.
    """
    scaled = sparse.csr_matrix(system.links @ sparse.diags(1.0 / system.black_diagonal))
    matrix = sparse.csr_matrix(sparse.diags(system.white_diagonal) - scaled @ system.links.T)
    feed = system.white_feed + scaled @ system.black_feed
    white, residual, iterations = _solve_matrix(matrix, feed, tolerance)
    potential = np.empty(system.black.size)
    potential[~system.black] = white
    black = system.black_feed + system.links.T @ white
    potential[system.black] = black / system.black_diagonal
    return potential, residual, iterations


def _solve_matrix(
    matrix: sparse.csr_matrix, right_side: Floats, tolerance: float
) -> tuple[Floats, float, int]:
    """Return solution, relative residual and iterations."""
    norm = float(np.linalg.norm(right_side))
    if norm == 0:
        return np.zeros_like(right_side), 0.0, 0
    if matrix.shape[0] <= _DIRECT_UNKNOWNS:
        from scipy.sparse.linalg import splu

        answer = splu(matrix.tocsc()).solve(right_side)
        return answer, float(np.linalg.norm(right_side - matrix @ answer)) / norm, 0
    import pyamg

    matrix.sort_indices()
    # The coarsest level by factors: its pseudo-inverse, the default, costs more than all the rest.
    hierarchy = pyamg.ruge_stuben_solver(matrix, max_coarse=500, coarse_solver="splu")
    history: list[float] = []
    answer = hierarchy.solve(right_side, tol=tolerance, maxiter=200, accel="cg", residuals=history)
    left = float(np.linalg.norm(right_side - matrix @ answer)) / norm
    return answer, left, len(history) - 1


def _power(links: Links, potential: Floats) -> float:
    """Return the dissipated power, which at unit voltage is the conductance."""
    # A dead node (NaN) has no conducting link to a live one, so it dissipates nothing.
    value = np.nan_to_num(potential)
    across, below = np.diff(value, axis=1), np.diff(value, axis=0)
    return float(
        np.sum(links.right * across**2)
        + np.sum(links.down * below**2)
        + np.sum(links.low * value**2)
        + np.sum(links.high * (1.0 - value) ** 2)
    )


Integers = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Connectivity:
    """Connected regions of a metal map."""

    # (y, x): region of each metal pixel, 1 being the largest; 0 on bare ground. Regions joined by
    # bridging share a label.
    labels: Labels
    n_regions: int
    largest_share: float  # part of the metal's area that lies in the largest region (0 to 1)
    # whether one region touches both the left and right, or both the top and bottom edge
    crosses_x: bool
    crosses_y: bool
    # part of the metal's area in regions that cross the field in x or in y (0 to 1)
    connected_share: float
    # the widest gap on the easiest way across (px): the smallest bridging distance with which the
    # field would be crossed; 0 where it is crossed, infinite on a field without metal
    gap_x_px: float
    gap_y_px: float
    # width of the narrowest place on the widest way across (px, good to one pixel); 0 where the
    # field is not crossed
    neck_x_px: float
    neck_y_px: float

    @property
    def largest(self) -> Bools:
        """Pixels of the largest region, dims (y, x)."""
        largest: Bools = self.labels == 1
        return largest


def connectivity(
    metal: npt.ArrayLike,
    *,
    connectivity: int = 4,
    bridging_px: float = 0.0,
    with_widths: bool = True,
) -> Connectivity:
    """Return the connected regions of a metal map and whether they cross the field.

    Dims: `metal` (y, x). Gaps and necks are NaN unless `with_widths`.

    Gaps are measured between the regions that meet in the Voronoi diagram of the metal, and the
    easiest way across is the path of a minimum spanning tree over them, on which the widest gap
    is the least possible (T. C. Hu, Oper. Res. 9 (1961) 898; from memory).
    """
    mask = image_2d(metal, "metal").astype(bool)
    if connectivity not in (4, 8):
        raise InputError(
            f"connectivity must be 4 (shared edges) or 8 (shared corners too), "
            f"got {connectivity!r}. Choose one."
        )
    reach = positive(bridging_px, "bridging_px", unit="px", allow_zero=True)
    labels, n_regions = _label(mask, connectivity)
    gap_x = gap_y = neck_x = neck_y = float("nan")
    if with_widths or reach > 0:
        gaps = _gaps(labels, n_regions)
    if with_widths:
        gap_x, gap_y = (_widest_gap(labels, n_regions, gaps, axis) for axis in (1, 0))
        neck_x, neck_y = (_neck(mask, labels, connectivity, axis) for axis in (1, 0))
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
        neck_x_px=neck_x,
        neck_y_px=neck_y,
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
    width = labels.shape[1]
    for down, aside in _NEIGHBOURS:
        rows = slice(0, labels.shape[0] - down)
        one = slice(max(-aside, 0), width - max(aside, 0))
        apart = owner[rows, one] != owner[down:, one.start + aside : one.stop + aside]
        i, j = np.nonzero(apart)
        first = i * width + j + one.start
        other = first + down * width + aside
        a, b = owner.ravel()[first], owner.ravel()[other]
        gap = np.hypot(
            row.ravel()[first] - row.ravel()[other], column.ravel()[first] - column.ravel()[other]
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


# Steps (down, aside) to a pixel's four later neighbours.
_NEIGHBOURS = ((0, 1), (1, 0), (1, 1), (1, -1))


def _widest_gap(
    labels: Labels, n_regions: int, gaps: tuple[Labels, Labels, Floats], axis: int
) -> float:
    """Return the least distance that must be bridged to cross the field along `axis` (px)."""
    if n_regions == 0:
        return float("inf")
    along = labels if axis == 1 else labels.T
    spans = [one[axis] for one in ndimage.find_objects(labels)]
    nearest = np.array([span.start for span in spans])
    furthest = np.array([span.stop - 1 for span in spans])
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


def _neck(mask: Bools, labels: Labels, connectivity: int, axis: int) -> float:
    """Return the width of the narrowest place on the widest way across (px)."""
    if not _crossing(labels, axis, 0.0).size:
        return 0.0

    def crosses(part: Bools) -> bool:
        return _crossing(_label(part, connectivity)[0], axis, 0.0).size > 0

    if mask.all():
        return float(mask.shape[1 - axis])
    depth = distance_to(~mask)
    levels = np.unique(depth[mask])
    low, high = 0, levels.size  # the field is crossed at levels[low], not at levels[high]
    while high - low > 1:
        middle = (low + high) // 2
        if crosses(depth >= levels[middle]):
            low = middle
        else:
            high = middle
    return float(2.0 * levels[low] - 1.0)

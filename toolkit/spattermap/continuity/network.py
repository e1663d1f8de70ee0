"""Resistor networks on a grid: assembly, pruning and solution of their Kirchhoff equations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse import csgraph

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

# Below this many unknowns a direct solution is quicker than setting up a multigrid hierarchy.
_DIRECT_UNKNOWNS = 2000


@dataclass(frozen=True)
class Links:
    """Conductances of a grid of nodes between two bars at potential 0 and 1.

    Parameters
    ----------
    right : ndarray, dims (y, x - 1)
        Conductance from each node to the one on its right.
    down : ndarray, dims (y - 1, x)
        Conductance from each node to the one below.
    low, high : ndarray, dims (y, x)
        Conductance from each node to the bar at potential 0 and to the bar at potential 1.
    direct : float
        Conductance from bar to bar that passes no node.
    """

    right: Floats
    down: Floats
    low: Floats
    high: Floats
    direct: float = 0.0


@dataclass(frozen=True)
class NodePotentials:
    """Solution of one network.

    Parameters
    ----------
    potential : ndarray, dims (y, x)
        Potential of each node; NaN where a node touches neither bar, 0 or 1 where it hangs on
        one bar only.
    conductance : float
        Conductance between the bars.
    residual : float
        Norm of the residual over the norm of the right-hand side.
    iterations : int
        Iterations of the conjugate gradients; 0 for a direct solution.
    unknowns : int
        Nodes that were solved for: those that can carry current from bar to bar.
    """

    potential: Floats
    conductance: float
    residual: float
    iterations: int
    unknowns: int


def with_contacts(right: Floats, down: Floats, a: Bools, b: Bools) -> Links:
    """Return the links of a grid whose nodes `a` are held at 0 and nodes `b` at 1.

    Parameters
    ----------
    right : ndarray, dims (y, x - 1)
        Conductance to the right neighbour.
    down : ndarray, dims (y - 1, x)
        Conductance to the neighbour below.
    a, b : ndarray of bool, dims (y, x)
        Nodes of the two contacts; they must not share a node.

    Returns
    -------
    Links
    """
    low, high = np.zeros(a.shape), np.zeros(a.shape)
    fixed = a | b
    direct = 0.0
    for links, first, second in (
        (right, np.s_[:, :-1], np.s_[:, 1:]),
        (down, np.s_[:-1], np.s_[1:]),
    ):
        for one, other in ((first, second), (second, first)):
            free = ~fixed[one]
            low[one] += np.where(free & a[other], links, 0.0)
            high[one] += np.where(free & b[other], links, 0.0)
            direct += float(links[a[one] & b[other]].sum())
    kept_right = np.where(fixed[:, :-1] | fixed[:, 1:], 0.0, right)
    kept_down = np.where(fixed[:-1] | fixed[1:], 0.0, down)
    return Links(kept_right, kept_down, low, high, direct)


def solve(links: Links, *, tolerance: float = 1e-9) -> NodePotentials:
    """Solve Kirchhoff's equations of a grid between two bars.

    Parameters
    ----------
    links : Links
        The network; conductances are zero or positive.
    tolerance : float, optional
        Largest residual relative to the right-hand side.

    Returns
    -------
    NodePotentials

    Notes
    -----
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


def _edges(links: Links) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32], Floats]:
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
    edges: tuple[npt.NDArray[np.int32], npt.NDArray[np.int32], Floats],
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
    hierarchy = pyamg.ruge_stuben_solver(matrix, max_coarse=500)
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

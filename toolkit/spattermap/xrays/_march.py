"""Compiled loop behind `spattermap.xrays.transport`; imported only when electrons are followed."""

from __future__ import annotations

import numpy as np
from numba import njit

from spattermap.core.arrays import Floats


@njit(cache=True, nogil=True)
def march(
    content: Floats,
    matter: tuple[Floats, Floats, int],
    steps: Floats,
    width: Floats,
    directions: tuple[Floats, Floats],
) -> tuple[Floats, float]:
    """Return path per step and cell, and the electrons that left through the surface.

    In ``y = integral of S dx`` every electron of one direction moves by the same length in a step,
    across the boundary too. The cumulative number is carried, monotone cubic between edges
    (Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300): nothing is lost, and steps may be
    of any size.

    Parameters
    ----------
    content : numpy.ndarray, dims (direction, cell)
        Electrons at the start; changed in place.
    matter : tuple
        What scattering does before each step, dims (material, step, direction, direction), film
        first; stopping power (keV cm2/g), dims (material, step); cells of the film.
    steps : numpy.ndarray, dims (step,)
        Energy lost in each step (keV).
    width : numpy.ndarray, dims (cell,)
        Mass thickness of the cells (g/cm2).
    directions : tuple of numpy.ndarray, dims (direction,)
        Cosines, and what each direction counts in the number of electrons.
    """
    turns, slowing, n_film = matter
    cosines, weights = directions
    n_cell = width.size
    path = np.zeros((steps.size, n_cell))
    left = 0.0
    y, slow = np.zeros(n_cell + 1), np.empty(n_cell)
    for k in range(steps.size):
        if n_film > 0:
            content[:, :n_film] = np.dot(turns[0, k], np.ascontiguousarray(content[:, :n_film]))
        content[:, n_film:] = np.dot(turns[1, k], np.ascontiguousarray(content[:, n_film:]))
        slow[:n_film], slow[n_film:] = slowing[0, k], slowing[1, k]
        for c in range(n_cell):
            y[c + 1] = y[c] + slow[c] * width[c]
        for d in range(cosines.size):
            path[k] += weights[d] * content[d]
            moved = _shifted(content[d], y, cosines[d] * steps[k])
            left += weights[d] * moved[0]
            content[d] = np.diff(moved)
            path[k] += weights[d] * content[d]
        # Mean of before and after the step, in path per electron.
        path[k] *= 0.5 * steps[k] / slow
    return path, left


@njit(cache=True, nogil=True)
def _shifted(content: Floats, y: Floats, shift: float) -> Floats:
    """Return the cumulative number at the edges `y` after all moved by `shift`."""
    n_cell = content.size
    total, slope = np.zeros(n_cell + 1), np.zeros(n_cell + 1)
    width = np.diff(y)
    rise = content / width
    for c in range(n_cell):
        total[c + 1] = total[c] + content[c]
    slope[0] = rise[0]
    for c in range(1, n_cell):
        before, after = rise[c - 1], rise[c]
        if before * after > 0:
            one, two = 2 * width[c] + width[c - 1], width[c] + 2 * width[c - 1]
            slope[c] = (one + two) / (one / before + two / after)
    moved = np.zeros(n_cell + 1)
    cell = 0
    for e in range(n_cell + 1):
        source = y[e] - shift
        if source <= 0.0:
            continue
        if source >= y[n_cell]:
            moved[e] = total[n_cell]
            continue
        while y[cell + 1] < source:
            cell += 1
        h, t = width[cell], (source - y[cell]) / width[cell]
        ends = total[cell] * (1 + 2 * t) * (1 - t) ** 2 + total[cell + 1] * t * t * (3 - 2 * t)
        moved[e] = ends + h * t * (1 - t) * (slope[cell] * (1 - t) - slope[cell + 1] * t)
    return moved

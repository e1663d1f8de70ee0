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
    across the boundary too. The cumulative number is carried, monotone cubic between edges (Fritsch
    & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300): nothing is lost, and steps may be of any
    size.

    Dims: `content` (direction, cell), changed in place; `matter`: what scattering does before each
    step (material, step, direction, direction), film first, stopping power (material, step; keV
    cm2/g), cells of the film; `steps` (step,) in keV; `width` (cell,) in g/cm2; `directions`:
    cosines, and what each counts in the number of electrons, both (direction,).
    """
    turns, slowing, n_film = matter
    cosines, weights = directions
    n_cell = width.size
    path = np.zeros((steps.size, n_cell))
    left = 0.0
    y, slow = np.zeros(n_cell + 1), np.empty(n_cell)
    for k in range(steps.size):
        _turn(content, turns, k, n_film)
        for c in range(n_cell):
            slow[c] = slowing[0 if c < n_film else 1, k]
            y[c + 1] = y[c] + slow[c] * width[c]
        for d in range(cosines.size):
            moved = _shifted(content[d], y, cosines[d] * steps[k])
            left += weights[d] * moved[0]
            for c in range(n_cell):
                path[k, c] += weights[d] * content[d, c]
                content[d, c] = moved[c + 1] - moved[c]
                path[k, c] += weights[d] * content[d, c]
        # Mean of before and after the step, in path per electron.
        for c in range(n_cell):
            path[k, c] *= 0.5 * steps[k] / slow[c]
    return path, left


@njit(cache=True, nogil=True)
def _turn(content: Floats, turns: Floats, k: int, n_film: int) -> None:
    """Let scattering turn the electrons of every cell, in place.

    Loops, not slices and products of matrices: those compile for seconds.
    """
    n_direction, n_cell = content.shape
    before = content.copy()
    for d in range(n_direction):
        for c in range(n_cell):
            content[d, c] = 0.0
        for b in range(n_direction):
            in_film, below = turns[0, k, d, b], turns[1, k, d, b]
            for c in range(n_film):
                content[d, c] += in_film * before[b, c]
            for c in range(n_film, n_cell):
                content[d, c] += below * before[b, c]


@njit(cache=True, nogil=True)
def _shifted(content: Floats, y: Floats, shift: float) -> Floats:
    """Return the cumulative number at the edges `y` after all moved by `shift`."""
    n_cell = content.size
    total, slope = np.zeros(n_cell + 1), np.zeros(n_cell + 1)
    width, rise = np.empty(n_cell), np.empty(n_cell)
    for c in range(n_cell):
        width[c] = y[c + 1] - y[c]
        rise[c] = content[c] / width[c]
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

"""Networks between contacts of any shape, with which tests drive the solver."""

from __future__ import annotations

import numpy as np

from spattermap.core.arrays import Bools, Floats
from spattermap.measure.network import Links


def with_contacts(right: Floats, down: Floats, a: Bools, b: Bools) -> Links:
    """Return the links of a grid whose nodes `a` are held at 0 and nodes `b` at 1.

    Dims: `right` (y, x - 1), `down` (y - 1, x), `a, b` (y, x).
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

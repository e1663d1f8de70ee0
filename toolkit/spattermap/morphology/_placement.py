"""Compiled random sequential placement of discs; imported only when spacing is judged."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from spattermap._region_kernels import compiled

Floats = npt.NDArray[np.float64]

MOST_TRIALS = 2000


@compiled
def place(radius: Floats, height: float, width: float, seed: int) -> tuple[Floats, bool]:
    """Place discs of the given radii, in their order, at random free positions.

    Parameters
    ----------
    radius : numpy.ndarray, dims (disc,)
        Radii, largest first.
    height, width : float
        Rectangle that holds the centres; discs may reach over its edge.
    seed : int
        Seed.

    Returns
    -------
    tuple
        Centres (disc, 2) as (y, x), and whether all found a place.
    """
    np.random.seed(seed)  # noqa: NPY002 - the compiled generator is its own, not numpy's
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
            y = np.random.random() * height  # noqa: NPY002
            x = np.random.random() * width  # noqa: NPY002
            free = True
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

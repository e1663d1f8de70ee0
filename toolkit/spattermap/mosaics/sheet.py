"""Connection and conductance of a mosaic: exact on the pixels, solved on squares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spattermap.continuity.summary import solve_blocks
from spattermap.mosaics.grid import Grid
from spattermap.mosaics.measuring import Connected

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Sheet:
    """Whether the metal of a mosaic is connected, and how well it would conduct.

    Parameters
    ----------
    connected_x, connected_y : bool
        Whether one region of pixels that share edges reaches from side to side; exact.
    largest_region_share : float
        Part of the metal in the largest such region; exact.
    ratio_x, ratio_y : float
        Sheet conductance of the averaged map over that of a full film; 0 where the metal is not
        connected.
    coarsened_px : int
        Side of the squares that were averaged before the solution (px).
    notes : tuple of str
        What the reader must know.
    """

    connected_x: bool
    connected_y: bool
    largest_region_share: float
    ratio_x: float
    ratio_y: float
    coarsened_px: int
    notes: tuple[str, ...] = ()

    def summary(self) -> dict[str, float | bool | int]:
        """Return the plain values for ``summary.json``."""
        return {
            "connected_x": self.connected_x,
            "connected_y": self.connected_y,
            "largest_region_share": self.largest_region_share,
            "sheet_conductance_ratio_x": self.ratio_x,
            "sheet_conductance_ratio_y": self.ratio_y,
            "conductance_coarsened_px": self.coarsened_px,
        }


def sheet_of(parts: Sequence[Connected], grid: Grid, squares: Floats, *, step: int) -> Sheet:
    """Join the pieces of metal of all parts and solve the averaged sheet.

    Parameters
    ----------
    parts : sequence of Connected
        One a part, in order.
    grid : Grid
        The parts.
    squares : numpy.ndarray, dims (2, y, x)
        Valid pixels, and metal pixels among them, of every square.
    step : int
        Side of a square (px).

    Returns
    -------
    Sheet
    """
    crossed, largest = _joined(parts, grid)
    n, on = squares
    share = np.divide(on, n, out=np.zeros_like(on), where=n > 0)
    ratios = [0.0, 0.0]
    if any(crossed):
        ratios = [
            sheet.ratio if reached else 0.0
            for sheet, reached in zip(solve_blocks(share), crossed, strict=True)
        ]
    metal = float(on.sum())
    notes = []
    if any(crossed) and step > 1:
        notes.append(
            f"The conductance was solved on squares of {step} x {step} px, each taken for an even "
            "sheet of its covered part: gaps narrower than that conduct, so it is an upper "
            "estimate. Whether the metal is connected was found on every pixel."
        )
    return Sheet(
        crossed[0], crossed[1], largest / max(metal, 1.0), ratios[0], ratios[1], step, tuple(notes)
    )


def _joined(parts: Sequence[Connected], grid: Grid) -> tuple[list[bool], float]:
    """Return whether the field is crossed in x and y, and the largest region (px)."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    base = np.concatenate([[0], np.cumsum([one.area.size for one in parts])])
    down, across = len(grid.rows) - 1, grid.across

    def line(k: int, side: str) -> npt.NDArray[np.int64]:
        pieces = parts[k].lines[side].astype(np.int64)
        return np.where(pieces > 0, pieces + base[k], -1)

    pairs = []
    for k in range(len(grid)):
        i, j = divmod(k, across)
        for wanted, here, other, there in (
            (j + 1 < across, "right", k + 1, "left"),
            (i + 1 < down, "bottom", k + across, "top"),
        ):
            if wanted:
                one, two = line(k, here), line(other, there)
                both = (one >= 0) & (two >= 0)
                pairs.append(np.unique(np.stack([one[both], two[both]]), axis=1))
    first, second = np.concatenate(pairs, axis=1) if pairs else np.zeros((2, 0), np.int64)
    size = int(base[-1])
    n, region = connected_components(
        coo_array((np.ones(first.size, bool), (first, second)), shape=(size, size)), directed=False
    )
    area = np.bincount(region, np.concatenate([one.area for one in parts]), minlength=n)

    def reached(edge: list[int], side: str) -> set[int]:
        found = np.concatenate([line(k, side) for k in edge])
        return set(region[np.unique(found[found >= 0])].tolist())

    rows = [list(range(i * across, (i + 1) * across)) for i in (0, down - 1)]
    columns = [list(range(j, down * across, across)) for j in (0, across - 1)]
    crossed = [
        bool(reached(columns[0], "left") & reached(columns[1], "right")),
        bool(reached(rows[0], "top") & reached(rows[1], "bottom")),
    ]
    largest = max([float(area.max(initial=0)), *(float(one.largest) for one in parts)])
    return crossed, largest

"""Coverage and overview of a mosaic, from sums over squares that the parts gave."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.arrays import Floats
from spattermap.core.grid import Source
from spattermap.core.mapset import facts, make_map_set
from spattermap.mosaics.measuring import Measured, Plan, add_coarse

if TYPE_CHECKING:
    import xarray as xr

    from spattermap.measure.coverage import Coverage


def summed(parts: Sequence[Measured], plan: Plan, shape: tuple[int, int]) -> dict[str, Floats]:
    """Return the sums over the squares of the whole field, by what they are for."""
    steps = {**plan.steps, "maps": plan.steps["overview"], "kinds": plan.steps["overview"]}
    return {
        name: add_coarse([one.coarse[name] for one in parts], shape, steps[name])
        for name in parts[0].coarse
    }


def coverage_of(squares: Floats, plan: Plan) -> Coverage:
    """Return the coverage; `squares` are valid pixels and metal pixels (2, y, x)."""
    from spattermap.measure.coverage import coverage_of_blocks

    return coverage_of_blocks(
        squares[0],
        squares[1],
        step=plan.steps["coverage"],
        level=plan.settings.level,
        grain_px=max(1.0, plan.found.smallest_trusted_px),
    )


def overview_of(source: Source, squares: dict[str, Floats], step: int) -> xr.Dataset:
    """Return the averaged maps as a map set with pixels `step` times as large."""
    height, width = source.shape
    size = np.outer(
        *(np.minimum(step, n - np.arange(0, n, step)).astype(np.float64) for n in (height, width))
    )
    known = facts(source.maps)
    maps = make_map_set(
        (squares["maps"] / size).astype(np.float32),
        [str(e) for e in source.maps["element"].values],
        lines=[str(e) for e in source.maps["line"].values],
        pixel_size_um=known.pixel_size * step if known.length_unit == "um" else None,
        quantity="counts" if known.quantity == "counts" else "intensity",
        title=known.title,
    )
    maps["kinds"] = (("kind", "y", "x"), (squares["kinds"] / size).astype(np.float32))
    return maps

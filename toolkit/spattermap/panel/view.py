"""What the knobs change: segmentation and sizes, at full or at reduced scale."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr
from scipy import ndimage

from spattermap.core.mapset import element_names, facts, make_map_set, valid_mask
from spattermap.core.squares import mean_squares, whole_squares
from spattermap.show.wording import is_film

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings
    from spattermap.segment.engine import Field
    from spattermap.segment.result import Segmentation

# Drafts are drawn of maps of about this many pixels: `tests/benchmarks/bench_panel.py` has how long
# that takes.
COARSE_PIXELS = 256 * 256


@dataclass(frozen=True)
class View:
    """What the panel shows for one choice of settings.

    Parameters
    ----------
    segmentation : Segmentation
        Of the maps at this scale.
    droplets : pandas.DataFrame
        One row a droplet, lengths in the map set's unit under names ending ``_um``.
    coverage : float
        Area fraction of metal, without an interval.
    scale : int
        Pixels a side that were summed into one; 1 is the full map.
    draft : bool
        True for first outlines: droplets that touch may still be one, streaks are among them.
    """

    segmentation: Segmentation
    droplets: pd.DataFrame
    coverage: float
    scale: int
    draft: bool = False

    @cached_property
    def is_film(self) -> bool:
        """True where most of the metal is one joined region that crosses the field."""
        labels, n = ndimage.label(self.segmentation.metal)
        areas = np.bincount(labels.ravel(), minlength=n + 1)[1:]
        ends = (labels[:, 0], labels[:, -1]), (labels[0], labels[-1])
        x, y = (bool(np.intersect1d(one[one > 0], other).size) for one, other in ends)
        share = float(areas.max() / areas.sum()) if n else 0.0
        return is_film({"largest_region_share": share, "connected_x": x, "connected_y": y})


def coarse(maps: xr.Dataset, *, factor: int | None = None) -> tuple[xr.Dataset, int]:
    """Return the maps summed (counts) or averaged (other quantities) over small squares.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    factor : int, optional
        Pixels a side summed into one; None chooses it so that `COARSE_PIXELS` are left.

    Returns
    -------
    tuple of xarray.Dataset and int
        The smaller map set and the factor; rows and columns that fill no square are cut.
    """
    known = facts(maps)
    height, width = maps.sizes["y"], maps.sizes["x"]
    if factor is None:
        factor = max(1, round(float(np.sqrt(height * width / COARSE_PIXELS))))
    if factor == 1 or min(height, width) < 2 * factor:
        return maps, 1
    add = known.quantity in ("counts", "net_counts")
    squares = whole_squares if add else mean_squares
    counts = squares(maps["counts"].values, factor)
    variance = None
    if "variance" in maps:
        # Independent noise: variances of a sum add; of a mean they add over the square's square.
        variance = squares(maps["variance"].values, factor) / (1 if add else factor**2)
    size = None if known.length_unit == "px" else known.pixel_size * factor
    small = make_map_set(
        np.rint(counts).astype(np.int64) if maps["counts"].dtype.kind in "ui" and add else counts,
        element_names(maps),
        lines=[str(line) for line in maps["line"].values],
        pixel_size_um=size,
        variance=variance,
        valid=whole_squares(valid_mask(maps), factor) == factor**2 if "valid" in maps else None,
        quantity=known.quantity,
        alloy=known.alloy,
    )
    return small, factor


def look(
    maps: xr.Dataset,
    roles: Roles,
    *,
    settings: Settings,
    scale: int = 1,
    begun: Field | None = None,
    draft: bool = False,
) -> View:
    """Segment and measure: the part of an analysis that the knobs change.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    roles : Roles
        Its roles.
    settings : Settings
        The choice.
    scale : int, optional
        How many pixels a side were summed in `maps`, for the record.
    begun : Field, optional
        What no knob changes, see `spattermap.segment.engine.begin`.
    draft : bool, optional
        End with the first outlines.
    """
    from spattermap.analysis import measure_droplets
    from spattermap.segment.engine import segment

    known = facts(maps)
    if known.length_unit == "px" and scale > 1 and settings.smallest_droplet is not None:
        settings = settings.with_changes(smallest_droplet=settings.smallest_droplet / scale)
    found = segment(maps, roles, settings=settings, begun=begun, draft=draft)
    size = known.pixel_size * (scale if known.length_unit == "px" else 1)
    droplets = measure_droplets(maps, found, size)
    return View(found, droplets, float(found.metal[valid_mask(maps)].mean()), scale, draft)

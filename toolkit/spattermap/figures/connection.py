"""Picture of the metal that hangs together."""

from __future__ import annotations

from typing import Any

import numpy as np

from spattermap.figures.axes import heading
from spattermap.figures.canvas import (
    INK,
    Picture,
    draw_map,
    field_extent,
    nothing_to_draw,
    picture,
    scale_bar,
)

# Dark ground, mid grey, bright: told apart in grey as well as in colour.
_BARE, _OTHER, _LARGEST = "#14142b", "#8a8f98", "#f0b83c"


def connected_region(analysis: Any) -> Picture:
    """Draw the largest connected region of the metal apart from the rest.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Picture
        Bare substrate dark, the largest region (pixels sharing an edge) bright, other metal grey.
    """
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Patch

    found = analysis.continuity.edges
    labels = np.asarray(found.labels)
    if found.n_regions == 0:
        return nothing_to_draw("Connected region not drawn: no metal was found.")
    shown = np.where(labels == 1, 2, (labels > 0).astype(np.int64))  # 1 is the largest
    crosses = [axis for axis in ("x", "y") if getattr(found, f"crosses_{axis}")]
    reach = (
        f"metal crosses the field in {' and '.join(crosses)}"
        if crosses
        else "no region crosses the field"
    )
    share = f"{100 * found.largest_share:.0f} % of the metal"
    height, width = labels.shape
    alt = f"The largest of {found.n_regions} connected regions holds {share}; {reach}."
    sheet = picture(5.6, min(4.7 * height / width, 7.0) + 0.9, alt=alt)
    axes = sheet.subplots()
    image = draw_map(axes, shown, cmap=ListedColormap([_BARE, _OTHER, _LARGEST]), vmin=0, vmax=2)
    image.set_extent(field_extent(analysis, (height, width)))
    heading(axes, "Largest connected region", f"{share}, {reach}")
    scale_bar(axes, analysis)
    marks = [
        Patch(facecolor=_LARGEST, edgecolor=INK, label="largest region"),
        Patch(facecolor=_OTHER, edgecolor=INK, label="other metal"),
        Patch(facecolor=_BARE, edgecolor=INK, label="bare"),
    ]
    sheet.legend(handles=marks, loc="outside lower center", ncols=3, frameon=False, fontsize=9)
    return sheet

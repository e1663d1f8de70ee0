"""Pictures of an analysis: one function a picture, each returns a `Picture` with alternative text.

A `Picture` is a `matplotlib.figure.Figure` built without pyplot, so it can be drawn anywhere and
changed like any other figure. All colours are told apart by every common colour vision, and no
picture relies on colour alone.

Examples
--------
>>> import spattermap
>>> from spattermap.show import pictures
>>> from spattermap.synthesis import Deposit, make_deposit
>>> maps = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1).maps
>>> analysis = spattermap.analyse(maps)
>>> picture = pictures.element_maps(analysis)
>>> picture.alt.partition(".")[0]
'Maps of Cu, Zn, Si and O, field width 32 µm'
>>> picture.png()[1:4]
b'PNG'
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from spattermap.show.pictures.apart_pictures import apart_maps, oxygen_excess
from spattermap.show.pictures.canvas import Picture, nothing_to_draw
from spattermap.show.pictures.element_pictures import correlation_matrix, share_bars
from spattermap.show.pictures.map_pictures import element_maps, haze_map, outlined_segmentation
from spattermap.show.pictures.shape_pictures import (
    connected_region,
    current_density,
    rim_to_centre,
    streak_rose,
)
from spattermap.show.pictures.size_pictures import (
    coverage_decision,
    droplet_composition,
    fitted_sizes,
    size_histogram,
    spacing_curve,
)
from spattermap.show.pictures.sweep_pictures import sweep_chart
from spattermap.show.pictures.thickness_pictures import thickness_map

# The pictures that every report holds, in the order of the page.
REPORT_PICTURES: dict[str, Callable[[Any], Picture]] = {
    "element_maps": element_maps,
    "outlined_segmentation": outlined_segmentation,
    "size_histogram": size_histogram,
    "thickness_map": thickness_map,
    "apart_maps": apart_maps,
    "oxygen_excess": oxygen_excess,
    "share_bars": share_bars,
    "correlation_matrix": correlation_matrix,
    "droplet_composition": droplet_composition,
    "rim_to_centre": rim_to_centre,
    "streak_rose": streak_rose,
    "connected_region": connected_region,
    "current_density": current_density,
}

__all__ = [
    "REPORT_PICTURES",
    "Picture",
    "apart_maps",
    "connected_region",
    "correlation_matrix",
    "coverage_decision",
    "current_density",
    "droplet_composition",
    "element_maps",
    "fitted_sizes",
    "haze_map",
    "nothing_to_draw",
    "outlined_segmentation",
    "oxygen_excess",
    "rim_to_centre",
    "save_all",
    "share_bars",
    "size_histogram",
    "spacing_curve",
    "streak_rose",
    "sweep_chart",
    "thickness_map",
]


def save_all(
    analysis: Any,
    folder: str | Path,
    *,
    drawn: Mapping[str, Picture] | None = None,
    vector: bool = False,
) -> list[Path]:
    """Write every picture of the report as PNG, and as SVG where it is asked for.

    Parameters
    ----------
    folder : str or pathlib.Path
        Where to; made if missing.
    drawn : mapping of str to Picture, optional
        Pictures by their names in `REPORT_PICTURES` that need not be drawn again.
    vector : bool, optional
        Write SVG too.

    Returns
    -------
    list of pathlib.Path
        The files of each picture in turn; none where there is nothing to draw.
    """
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    written = []
    for name, draw in REPORT_PICTURES.items():
        sheet = (drawn or {}).get(name) or draw(analysis)
        if sheet.nothing:
            continue
        files = [(".png", sheet.png())]
        if vector:
            sheet.set_layout_engine("none")  # laid out once: the places hold
            files.append((".svg", sheet.svg()))
        for suffix, data in files:
            path = target / f"{name}{suffix}"
            part = path.with_name(path.name + ".part")
            part.write_bytes(data)
            part.replace(path)
            written.append(path)
    return written

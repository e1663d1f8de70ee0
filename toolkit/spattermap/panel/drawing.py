"""What the panel shows of a view: the field as the viewer takes it, and the headline numbers."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from spattermap.core.mapset import facts, unit_name, valid_mask
from spattermap.measure.form import border_weight
from spattermap.measure.sizes import percentile
from spattermap.show import wording
from spattermap.show.field_viewer import (
    HAZE_SIDE,
    as_json,
    crack_masks,
    haze_plane,
    map_data,
    mask,
    module_text,
    plane,
    regions_data,
    style_text,
)
from spattermap.show.pictures.map_pictures import outline_pixels

if TYPE_CHECKING:
    from spattermap.core.arrays import Labels
    from spattermap.core.mapset import Roles
    from spattermap.panel.view import View


@cache
def field_widget_class() -> Any:
    """Return the widget whose front end is the viewer's one script."""
    import anywidget
    import traitlets

    class FieldWidget(anywidget.AnyWidget):
        _esm = module_text()
        _css = style_text()
        base = traitlets.Unicode().tag(sync=True)
        found = traitlets.Unicode().tag(sync=True)

    return FieldWidget


def base_json(maps: xr.Dataset, roles: Roles, view: View) -> str:
    """Return the pictures as the viewer reads them; none changes, haze is that of a full view."""
    data = map_data(maps, roles)
    haze = haze_plane(maps, roles, view.segmentation)
    if np.isfinite(haze).any():
        box = [0, 0, *(HAZE_SIDE * n for n in haze.shape[::-1])]
        unit = data["planes"][0]["unit"]
        one = plane("between", "Between the deposits", haze, unit=unit, box=box)
        data["planes"].append({**one, "about": "Metal between the deposits at the start"})
    data["start"]["sum"] = 2
    return as_json(data)


def before_mark(labels: Labels) -> dict[str, Any]:
    """Return the outlines at the start, dims (y, x), as the viewer reads them."""
    return mask("before", "Outlines at the start", outline_pixels(labels, 1) > 0, "#f0e442")


def found_json(maps: xr.Dataset, roles: Roles, view: View, *, before: dict[str, Any]) -> str:
    """Return the regions of a view, and those of a `before_mark`, as the viewer reads them."""
    found = view.segmentation
    unit = facts(maps).length_unit
    size = facts(maps).pixel_size * (view.scale if unit == "px" else 1)
    streaks = found.streaks.rename(columns=lambda name: name.replace("_px", f"_{unit}"))
    for name in (f"length_{unit}", f"width_{unit}"):
        if name in streaks:
            streaks[name] = streaks[name] * size
    data = regions_data(
        maps, found.labels, found, view.droplets, streaks, metals=roles.alloy, film=view.is_film,
        step=view.scale,
    )  # fmt: skip
    marks = [before]
    if not view.draft:
        marks += crack_masks(found)
    return as_json({**data, "masks": marks})


def median_diameter(maps: xr.Dataset, view: View) -> float:
    """Return the median diameter as the report gives it, corrected for cut droplets."""
    if not len(view.droplets):
        return float("nan")
    use = valid_mask(maps) if "valid" in maps else None
    weights = border_weight(view.segmentation, view.droplets, use)
    diameters = view.droplets["diameter_um"].to_numpy(dtype=np.float64)
    if not weights.sum() > 0:
        return float("nan")
    return float(percentile(diameters, 50, weights=weights)[0])


def numbers_html(maps: xr.Dataset, view: View) -> str:
    """Return the headline numbers of a view as HTML; of a draft only what it can tell."""
    unit = unit_name(facts(maps).length_unit)
    found, about = view.segmentation, "about " if view.draft else ""
    rows = {
        "Coverage": about + wording.percent(view.coverage, digits=1),
        "Lobes of the film" if view.is_film else "Droplets": f"{about}{found.n_droplets}",
        "Streaks": "…" if view.draft else str(found.n_streaks),
    }
    if not view.is_film:  # where one drop of a film ends is not in the maps
        median = f"{wording.figures(median_diameter(maps, view))} {unit}"
        rows["Median diameter"] = "…" if view.draft else median
    body = "".join(
        f'<tr><th scope="row" style="text-align:left;padding-right:1em">{name}</th>'
        f'<td style="text-align:left">{value}</td></tr>'
        for name, value in rows.items()
    )
    return f'<table aria-live="polite"><tbody>{body}</tbody></table>'

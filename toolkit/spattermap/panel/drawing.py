"""Overlay, numbers and histogram of a view as HTML and SVG: no matplotlib, so as to be fast."""

from __future__ import annotations

import base64
import io
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.core.mapset import facts, unit_name
from spattermap.show import wording
from spattermap.show.pictures.canvas import ORANGE, SKY
from spattermap.show.pictures.map_pictures import outline_pixels
from spattermap.show.pictures.size_pictures import FEWEST_DROPLETS_FOR_BINS, log_bins

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr

    from spattermap.core.mapset import Roles
    from spattermap.panel.view import View
    from spattermap.segment.result import Segmentation


def overlay_svg(maps: xr.Dataset, roles: Roles, view: View) -> str:
    """Return the outlines over the metal maps, each droplet with its row as a hover text.

    Parameters
    ----------
    maps : xarray.Dataset
        The maps at the view's scale.
    roles : Roles
        Their roles.
    view : View
        The segmentation.

    Returns
    -------
    str
        SVG with title elements, so that browsers and screen readers need no script.
    """
    found = view.segmentation
    height, width = found.labels.shape
    names = [str(name) for name in maps["element"].values]
    metal = sum(maps["counts"].isel(element=names.index(e)).values.astype(float)
                for e in roles.alloy or found.elements_used)  # fmt: skip
    picture = base64.b64encode(_painted(np.asarray(metal), found)).decode()
    unit = facts(maps).length_unit
    size = facts(maps).pixel_size * (view.scale if unit == "px" else 1)
    circles = "".join(_circle(row, names, size, unit) for row in view.droplets.to_dict("records"))
    words = f"Outlines of {found.n_droplets} droplets and {found.n_streaks} streaks"
    return (
        "<style>.spattermap-droplet{fill:transparent;stroke:transparent}"
        ".spattermap-droplet:hover{stroke:#fff;stroke-width:1.5px}</style>"
        f'<svg role="img" aria-label="{words}" viewBox="0 0 {width} {height}" '
        f'style="width:100%;max-width:640px;display:block" data-scale="{view.scale}">'
        f'<image width="{width}" height="{height}" href="data:image/png;base64,{picture}"/>'
        f"{circles}</svg>"
    )


def _painted(metal: npt.NDArray[np.float64], found: Segmentation) -> bytes:
    import imageio.v3 as iio
    from matplotlib.colors import to_rgb

    low, high = (float(v) for v in np.percentile(metal, (0.5, 99.5)))
    grey = np.clip((metal - low) / (1.45 * max(high - low, 1e-12)), 0, 1)
    zoom = 2 if max(metal.shape) <= 1024 else 1
    fine = np.repeat(np.repeat(grey, zoom, axis=0), zoom, axis=1)
    paint = np.repeat((255 * fine).astype(np.uint8)[..., None], 3, axis=2)
    rim = outline_pixels(found.labels, zoom)
    for colour, part in ((ORANGE, (rim > 0) & (rim <= found.n_droplets)),
                         (SKY, rim > found.n_droplets)):  # fmt: skip
        paint[part] = (255 * np.array(to_rgb(colour))).astype(np.uint8)
    buffer = io.BytesIO()
    iio.imwrite(buffer, paint, extension=".png", compress_level=1)
    return buffer.getvalue()


def _circle(row: dict[Any, Any], names: list[str], size: float, unit: str) -> str:
    x, y = row["x_um"] / size, row["y_um"] / size
    radius = max(row["diameter_um"] / size / 2, 1.5)
    printed = unit_name(unit)
    counts = ", ".join(
        f"{e} {row[f'{e}_counts']:.0f} ± {row[f'{e}_counts_err']:.0f}" for e in names
    )
    words = (
        f"droplet {row['droplet']}: diameter {row['diameter_um']:.3g} {printed}, aspect ratio "
        f"{row['aspect_ratio']:.2f}, at x {row['x_um']:.4g}, y {row['y_um']:.4g} {printed}; "
        f"{counts}"
    )
    return (
        f'<circle class="spattermap-droplet" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}">'
        f"<title>{escape(words)}</title></circle>"
    )


def numbers_html(maps: xr.Dataset, view: View) -> str:
    """Return the headline numbers of a view."""
    unit = unit_name(facts(maps).length_unit)
    diameters = view.droplets["diameter_um"].to_numpy(dtype=float)
    middle = wording.figures(float(np.median(diameters))) if len(diameters) else "–"
    rows = {
        "Coverage": wording.percent(view.coverage, digits=1),
        "Droplets": str(view.segmentation.n_droplets),
        "Streaks": str(view.segmentation.n_streaks),
        "Median diameter": f"{middle} {unit}",
        "Maps": "full" if view.scale == 1 else f"summed {view.scale} × {view.scale}, full follows",
    }
    body = "".join(
        f'<tr><th scope="row" style="text-align:left;padding-right:1em">{name}</th>'
        f'<td style="text-align:left">{value}</td></tr>'
        for name, value in rows.items()
    )
    return f'<table aria-live="polite"><tbody>{body}</tbody></table>'


def histogram_svg(maps: xr.Dataset, view: View) -> str:
    """Return the diameters in logarithmic bins as an SVG, without matplotlib for speed."""
    unit = unit_name(facts(maps).length_unit)
    diameters = view.droplets["diameter_um"].to_numpy(dtype=float)
    if len(diameters) < FEWEST_DROPLETS_FOR_BINS:
        return f"<p>{len(diameters)} droplets: too few for a histogram.</p>"
    edges = log_bins(diameters)
    numbers = np.histogram(diameters, edges)[0]
    place = np.interp(np.log(edges), np.log(edges[[0, -1]]), (30.0, 290.0))
    top = max(int(numbers.max()), 1)
    bars = "".join(
        f'<rect x="{a:.1f}" y="{110 - 95 * n / top:.1f}" width="{b - a - 1:.1f}" '
        f'height="{95 * n / top:.1f}" fill="{SKY}"><title>{low:.3g} to {high:.3g} {unit}: {n}'
        "</title></rect>"
        for a, b, n, low, high in zip(place, place[1:], numbers, edges, edges[1:], strict=False)
    )
    ends = "".join(
        f'<text x="{x}" y="124" text-anchor="{anchor}">{value:.3g}</text>'
        for x, anchor, value in ((30, "start", edges[0]), (290, "end", edges[-1]))
    )
    return (
        f'<svg role="img" aria-label="Histogram of {len(diameters)} droplet diameters" '
        'viewBox="0 0 300 142" style="width:300px;fill:currentColor;font:11px sans-serif">'
        f'{bars}<line x1="30" x2="290" y1="110.5" y2="110.5" stroke="currentColor"/>{ends}'
        f'<text x="26" y="22" text-anchor="end">{top}</text>'
        f'<text x="26" y="113" text-anchor="end">0</text>'
        f'<text x="160" y="139" text-anchor="middle">diameter ({unit}), droplets in bin</text>'
        "</svg>"
    )

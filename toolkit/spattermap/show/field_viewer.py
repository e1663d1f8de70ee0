"""The field to look into: what the viewer's script needs, and the piece of a page that holds it.

The script (`viewer.js`) draws pictures of the field under and over each other, outlines and other
marks on them, and shows the row of the droplet that is pointed at. It is our own, about 30 kB and
without any library: the pan and zoom that a library would save is a tenth of it, and each of the
three that were weighed (a tiled map of 150 kB, a zoom behaviour of 40 kB, a panning helper of
15 kB, packed) leaves keyboard, outlines, links between plots and exact values to be written anyway.
"""

from __future__ import annotations

import base64
import io
import json
import math
import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from hashlib import sha256
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from spattermap.core.arrays import Array, Bools, Floats
from spattermap.core.estimate import figures, span
from spattermap.core.mapset import element_names, facts, unit_name, valid_mask
from spattermap.core.squares import mean_squares
from spattermap.show.answers import cracks_believed
from spattermap.show.pictures.apart_pictures import (
    SQUARE_PX,
    beyond_alloy,
    elements_apart,
    oxygen_beyond_glass,
)
from spattermap.show.pictures.canvas import ORANGE, PURPLE, SKY, VERMILION, label_image
from spattermap.show.pictures.map_pictures import between_deposits, outline_pixels
from spattermap.show.pictures.size_pictures import (
    FEWEST_DROPLETS_FOR_BINS,
    log_bins,
    nominal_count_share,
)
from spattermap.show.pieces import Fragment
from spattermap.show.wording import is_film, listing

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles


HERE = Path(__file__).parent

# Longest side of a picture and of the labels in the page (px); larger fields are drawn coarser.
LONGEST_PICTURE, LONGEST_LABELS = 1024, 2048
# Counts in a square on metal from which a map can be read by eye (common practice, no source).
LEGIBLE_COUNTS = 6.0
# Side (px) of the squares over which what lies between the deposits is averaged.
HAZE_SIDE = 16

# Difference in dose from which a line is marked (common practice, no source).
_UNEVEN = 0.1

# A droplet's row: column, heading, unit ("length" for the map set's).
_COLUMNS = (
    ("diameter", "Diameter", "length"),
    ("thickness_nm", "Thickness", "nm"),
    ("aspect_ratio", "Aspect ratio", ""),
    ("circularity", "Circularity", ""),
    ("confidence", "Confidence", ""),
)
_STREAK_COLUMNS = (
    ("length", "Length", "length"),
    ("width", "Width", "length"),
    ("angle_deg", "Direction", "°"),
)


def module_text() -> str:
    """Return the script of the viewer: one ECMAScript module, the same for page and notebook.

    Without blank lines, so that a page may drop those of its own and the hash still holds.
    """
    text = (HERE / "viewer.js").read_text(encoding="utf-8")
    return re.sub(r"\n\s*\n+", "\n", text).strip()


def style_text() -> str:
    """Return the style sheet of the viewer."""
    return (HERE / "viewer.css").read_text(encoding="utf-8")


@cache
def module_hash() -> str:
    """Return the source by which a page's content policy knows the script."""
    digest = base64.b64encode(sha256(module_text().encode("utf-8")).digest()).decode("ascii")
    return f"'sha256-{digest}'"


def viewer(analysis: Any) -> Fragment:
    """Return the field to look into: data, a still picture for print, and the script.

    In a terminal it says what the still picture shows.
    """
    still, words = still_png(analysis), _words(analysis)
    return field_piece(base_data(analysis), found_data(analysis), still=still, words=words)


def field_piece(
    base: Mapping[str, Any],
    found: Mapping[str, Any],
    *,
    still: bytes,
    words: str,
    group: str = "",
    script: bool = True,
) -> Fragment:
    """Return the place of a viewer on a page: data, still picture, and the script unless given.

    Viewers of one group move together.
    """
    picture = base64.b64encode(still).decode("ascii")
    kind = "linked" if group else "first"
    html = (
        f'<div class="field" data-field="{kind}" data-group="{escape(group)}">'
        f'<figure class="field-still"><img alt="{escape(words)}" '
        f'src="data:image/png;base64,{picture}"></figure>'
        f'<script type="application/json">{as_json({"base": base, "found": found})}</script></div>'
    )
    if script:
        style = f"<style>\n{style_text()}</style>\n"
        html = f'{style}{html}\n<script type="module">{module_text()}</script>'
    return Fragment(html, words)


def as_json(data: Mapping[str, Any]) -> str:
    """Return data as JSON of which no text can end a script in a page; NaN becomes null."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _words(analysis: Any) -> str:
    found = analysis.segmentation
    metals = listing(list(analysis.roles.alloy or found.elements_used or ("metal",)))
    streaks = f" and {found.n_streaks} streaks" if found.n_streaks else ""
    noun = "lobes" if is_film(analysis.summary()) else "droplets"
    return f"{analysis.title}: outlines of {found.n_droplets} {noun}{streaks} over {metals}."


def base_data(analysis: Any) -> dict[str, Any]:
    """Return what no setting of the segmentation changes: pictures, scale, start."""
    data = map_data(analysis.maps, analysis.roles)
    data["planes"] += [*square_planes(analysis), *thickness_planes(analysis)]
    data["masks"] = masks_of(analysis)
    data["start"]["sum"] = legible_side(analysis)
    if cracks_believed(
        analysis.segmentation.cracks
    ):  # fewer may be noise: to be looked at on request
        data["start"]["marks"].append("cracks")
    return data


def map_data(maps: xr.Dataset, roles: Roles) -> dict[str, Any]:
    """Return what the maps alone show: each element, the electron image, the scale."""
    known = facts(maps)
    planes = [*element_planes(maps, roles), *image_planes(maps)]
    image = [one["key"] for one in planes if one["key"] == "electron image"]
    return {
        "title": str(known.shown_title),
        "shape": [maps.sizes["y"], maps.sizes["x"]],
        "pixel": float(known.pixel_size),
        "unit": unit_name(known.length_unit),
        "planes": planes,
        "masks": [],
        "ramps": ramps(),
        "start": {
            "under": planes[0]["key"],
            "over": image[0] if image else "",
            "mix": 0.0,
            "sum": 1,
            "marks": ["droplets", "streaks", "doubtful", "uneven"],
        },
    }


@cache
def ramps() -> dict[str, list[str]]:
    """Return the colours of counts (Crameri, Sci. Data 2018: perceptually even) and of grey."""
    from cmcrameri import cm
    from matplotlib.colors import to_hex

    counts = [to_hex(cm.lipari(float(part))) for part in np.linspace(0, 1, 17)]
    return {"counts": counts, "grey": ["#000000", "#ffffff"]}


def legible_side(analysis: Any) -> int:
    """Return the side of the squares (px) over which the maps can first be read by eye."""
    names = element_names(analysis.maps)
    means = analysis.segmentation.metal_means
    shown = [float(means.get(e, math.nan)) for e in analysis.roles.alloy if e in names]
    total = float(np.nansum(shown)) if shown else math.nan
    if not total > 0:
        return 1
    return next((side for side in (1, 2, 4, 8) if total * side**2 >= LEGIBLE_COUNTS), 8)


def element_planes(maps: xr.Dataset, roles: Roles) -> list[dict[str, Any]]:
    """Return the sum of the alloy's maps and each element's map, alloy first."""
    names = element_names(maps)
    rank = {"alloy": 0, "other": 1, "substrate": 2}
    order = sorted(names, key=lambda name: rank[roles.of(name)])
    unit = _quantity_unit(str(maps.attrs.get("quantity", "counts")))
    counts = {name: np.asarray(maps["counts"].values[i]) for i, name in enumerate(names)}
    planes = []
    metals = [name for name in names if name in roles.alloy]
    if len(metals) > 1:
        total = sum(counts[name].astype(np.float64) for name in metals)
        planes.append(plane("metal", " + ".join(metals), np.asarray(total), unit=unit, counts=True))
    planes += [plane(name, name, counts[name], unit=unit, counts=True) for name in order]
    return planes


def _quantity_unit(quantity: str) -> str:
    return {
        "counts": "counts a pixel",
        "net_counts": "net counts a pixel",
        "mass_percent": "% by mass",
        "atomic_percent": "% by atoms",
    }.get(quantity, "")


def image_planes(maps: xr.Dataset) -> list[dict[str, Any]]:
    """Return the electron image, on its own grid, where there is one."""
    if "electron_image" not in maps:
        return []
    values = np.asarray(maps["electron_image"].values, dtype=np.float64)
    box = [0, 0, maps.sizes["x"], maps.sizes["y"]]
    one = plane("electron image", "Electron image", values, unit="", ramp="grey", box=box)
    return [{**one, "from_zero": False}]


def square_planes(analysis: Any) -> list[dict[str, Any]]:
    """Return what is fainter than a pixel's noise, averaged over squares.

    For each alloy element that lies apart, what is more than goes with the alloy; the oxygen beyond
    the glass; the metal between the deposits.
    """
    wanted = [
        (f"{e} apart", f"{e} that does not follow the alloy", SQUARE_PX, beyond_alloy(analysis, e))
        for e in elements_apart(analysis)
    ]
    side = 2 * SQUARE_PX
    excess = oxygen_beyond_glass(analysis, side=side)
    wanted.append(("O excess", "O beyond the most that the glass gives", side, excess))
    if analysis.haze_zero.known and analysis.roles.alloy:
        haze = haze_plane(analysis.maps, analysis.roles, analysis.segmentation)
        about = "Metal between the deposits, less what bare glass shows"
        haze = np.where(np.isnan(haze), np.nan, np.maximum(haze - analysis.haze_zero.value, 0.0))
        wanted.append(("Haze", about, HAZE_SIDE, haze))
    found = []
    for key, about, width, values in wanted:
        if values is not None and np.isfinite(values).any():
            box = [0, 0, *(width * n for n in values.shape[::-1])]
            one = plane(key, key, values, unit="counts a pixel", box=box)
            found.append({**one, "about": about})
    return found


def haze_plane(maps: xr.Dataset, roles: Roles, found: Any) -> Array:
    """Return the sum of the alloy's maps between the regions found, in squares; (y, x)."""
    names = element_names(maps)
    total = sum(
        np.asarray(maps["counts"].values[i], dtype=np.float64)
        for i, name in enumerate(names)
        if name in roles.alloy
    )
    bare, valid = np.asarray(found.labels) == 0, valid_mask(maps)
    return between_deposits(np.asarray(total), bare, valid, blur=found.blur_px, block_px=HAZE_SIDE)[
        0
    ]


def thickness_planes(analysis: Any) -> list[dict[str, Any]]:
    """Return the mean thickness of each region, and apart from it those told as a bound only."""
    found = analysis.thickness_map() if hasattr(analysis, "thickness_map") else None
    if found is None:
        return []
    nm, only = np.asarray(found["nm"].values), np.asarray(found["only_bound"].values)
    least = only & (nm == found["nm_low"].values)
    wanted = (
        ("Thickness", "Mean thickness of each region", ~only),
        ("Thickness at least", "Regions thicker than the maps can tell: at least", least),
        ("Thickness at most", "Regions thinner than the maps can tell: at most", only & ~least),
    )
    return [
        {**plane(key, key, np.where(part, nm, np.nan), unit="nm"), "about": about}
        for key, about, part in wanted
        if np.isfinite(nm[part]).any()
    ]


def plane(
    key: str,
    label: str,
    values: Array,
    *,
    unit: str,
    counts: bool = False,
    ramp: str = "counts",
    box: Sequence[float] | None = None,
    longest: int = LONGEST_PICTURE,
) -> dict[str, Any]:
    """Return a picture (y, x) as the script reads it: bytes, and what a byte stands for.

    Whole numbers up to 255 are kept exactly, other values to a 254th of their range; NaN where
    nothing is known. `counts`: means over squares may be shown in place of pixels. `box`: left,
    top, width and height on the map's grid (px), None one pixel a pixel. Values are kept as they
    are up to `longest`.
    """
    height, width = values.shape
    left, top, across, down = box or (0, 0, width, height)
    factor = max(1, -(-max(values.shape) // longest))
    if factor > 1:
        # Squares that do not fill at the far edge are cut, and the box with them.
        across = across * (width // factor * factor) / width
        down = down * (height // factor * factor) / height
        values = mean_squares(values, factor)
    whole = values.dtype.kind in "ui" or (
        values.size > 0
        and bool(np.all(np.isfinite(values)))
        and bool(np.all(values == np.rint(values)))
    )
    low, high = (float(v) for v in (np.nanmin(values), np.nanmax(values)))
    if whole and low >= 0 and high <= 255:
        offset, step, data, missing = 0.0, 1.0, values.astype(np.uint8), False
    else:
        low, high = (float(v) for v in np.nanquantile(values, (0.0005, 0.9995)))
        step = (high - low) / 254 or 1.0
        offset = low - step
        scaled = np.rint((np.clip(values, low, high) - low) / step) + 1
        data = np.where(np.isfinite(values), scaled, 0).astype(np.uint8)
        missing = True
    return {
        "key": key, "label": label, "unit": unit, "ramp": ramp, "counts": counts,
        "shape": list(data.shape), "box": [left, top, across, down],
        "offset": offset, "step": step, "missing": missing, "from_zero": low >= 0,
        "data": packed(data),
    }  # fmt: skip


def packed(values: Array) -> str:
    """Return the bytes of an array, zlib-compressed, as base64 text."""
    return base64.b64encode(zlib.compress(np.ascontiguousarray(values).tobytes(), 6)).decode(
        "ascii"
    )


def masks_of(analysis: Any) -> list[dict[str, Any]]:
    """Return the marks that are areas, if any pixel is: connected part, cracks, unusable pixels."""
    found: list[dict[str, Any]] = []
    edges = analysis.continuity.edges
    if edges.crosses_x or edges.crosses_y:
        region = np.asarray(edges.labels) == 1  # the largest
        height = analysis.maps.sizes["y"]
        top, bottom, left, _ = analysis.continuity.window or (0, height, 0, 0)
        factor = (bottom - top) / region.shape[0]
        box = [left, top, region.shape[1] * factor, region.shape[0] * factor]
        found.append(mask("connected", "Connected part", region, PURPLE, box=box, stripes="rising"))
    found += crack_masks(analysis.segmentation)
    unusable = ~valid_mask(analysis.maps)
    if unusable.any():
        found.append(mask("doubtful", "Left out", unusable, "#f0e442", stripes="falling"))
    uneven = _unevenly_exposed(analysis) & ~unusable
    if uneven.any():
        found.append(mask("uneven", "Dose was uneven", uneven, "#f0e442", stripes="rising"))
    return found


def _unevenly_exposed(analysis: Any) -> Bools:
    """Return the lines that saw another dose than most, as the examination found them."""
    shape = (analysis.maps.sizes["y"], analysis.maps.sizes["x"])
    area = np.zeros(shape, dtype=bool)
    for one in analysis.examination.alarms:
        for mend in one.mends:
            factors = np.array(mend.amount[1:])
            if mend.kind != "expose" or len(factors) != shape[int(mend.amount[0])]:
                continue  # lines of another grid, where pixels were put together
            off = np.abs(factors / np.median(factors) - 1) > _UNEVEN
            area |= off[:, None] if int(mend.amount[0]) == 0 else off
    return area


def crack_masks(segmentation: Any) -> list[dict[str, Any]]:
    """Return the cracks as a mark, where any were found."""
    cracks = segmentation.cracks
    if not cracks.get("n"):
        return []
    lines = np.asarray(cracks["mask"], dtype=bool)
    return [mask("cracks", f"Cracks ({cracks['n']})", lines, VERMILION)]


def mask(
    key: str,
    label: str,
    area: Array,
    colour: str,
    *,
    box: Sequence[float] | None = None,
    stripes: str = "none",
) -> dict[str, Any]:
    """Return an area (y, x) as the script reads it: one bit a pixel.

    `box` as for `plane`; `stripes` ("none", "rising", "falling") tell it from others without
    colour.
    """
    step = max(1, -(-max(area.shape) // LONGEST_LABELS))
    small = area[::step, ::step]
    height, width = small.shape
    return {
        "key": key, "label": label, "colour": colour, "stripes": stripes,
        "shape": [height, width], "box": list(box or (0, 0, width * step, height * step)),
        "data": packed(np.packbits(small)),
    }  # fmt: skip


def found_data(analysis: Any, *, edges: Floats | None = None) -> dict[str, Any]:
    """Return what was found, ready for JSON: labels, droplets and streaks, sizes, composition.

    `edges` of the size classes are in the map set's length unit; None takes its own diameters.
    """
    labels = label_image(analysis)
    return regions_data(
        analysis.maps, labels, analysis.segmentation, analysis.droplets, analysis.streaks,
        metals=analysis.roles.alloy, film=is_film(analysis.summary()), edges=edges,
    )  # fmt: skip


def regions_data(
    maps: xr.Dataset,
    labels: Array,
    segmentation: Any,
    droplets: pd.DataFrame,
    streaks: pd.DataFrame,
    *,
    metals: Sequence[str],
    film: bool = False,
    step: float = 1,
    edges: Floats | None = None,
) -> dict[str, Any]:
    """Return the regions (y, x) of any segmentation of a map set, as `found_data` does.

    `film`: the parts of one joined region are lobes, not droplets. `step`: pixels of the map set a
    pixel of the labels takes.
    """
    known = facts(maps)
    unit = unit_name(known.length_unit)
    diameters = _length(droplets, "diameter", known.length_unit)
    if edges is None:
        enough = len(diameters) >= FEWEST_DROPLETS_FOR_BINS
        edges = log_bins(diameters) if enough else np.array([])
    coarser = max(1, -(-max(labels.shape) // LONGEST_LABELS))
    small = np.asarray(labels)[::coarser, ::coarser]
    n_bytes = 2 if segmentation.n_droplets + segmentation.n_streaks < 2**16 else 4
    return {
        "labels": {
            "shape": list(small.shape), "bytes": n_bytes, "step": step * coarser,
            "data": packed(small.astype(f"<u{n_bytes}")),
        },
        "n_droplets": int(segmentation.n_droplets),
        "n_streaks": int(segmentation.n_streaks),
        "colours": [ORANGE, SKY, VERMILION],
        "unit": unit,
        "noun": "lobe" if film else "droplet",
        "sizes_head": "Lobe diameter" if film else "Diameter",
        "diameters": rounded(diameters),
        "edges": rounded(edges, 6),
        "bins": _bins(diameters, edges),
        "columns": _columns(droplets, _COLUMNS, known.length_unit, element_names(maps)),
        "streak_columns": _columns(streaks, _STREAK_COLUMNS, known.length_unit, []),
        "scatter": _scatter(droplets, diameters, edges, maps, metals),
    }  # fmt: skip


def _bins(diameters: Floats, edges: Floats) -> list[int]:
    """Return in which bin each diameter lies, counted from 0; -1 where there are no bins."""
    if len(edges) < 2:
        return [-1] * len(diameters)
    return np.clip(np.digitize(diameters, edges) - 1, 0, len(edges) - 2).astype(int).tolist()  # type: ignore[no-any-return]


def _length(table: pd.DataFrame, name: str, unit: str) -> Floats:
    for column in (f"{name}_{unit}", f"{name}_um", f"{name}_px"):
        if column in table.columns:
            return np.asarray(table[column].to_numpy(dtype=np.float64))
    return np.full(len(table), math.nan)


def _columns(
    table: pd.DataFrame,
    wanted: Iterable[tuple[str, str, str]],
    length_unit: str,
    elements: Sequence[str],
) -> list[dict[str, Any]]:
    columns: list[dict[str, Any]] = []
    for name, head, unit in wanted:
        if unit == "length":
            values = _length(table, name, length_unit)
            columns.append(
                {"head": head, "unit": unit_name(length_unit), "values": rounded(values)}
            )
        elif name in table.columns:
            told = _or_bound(table, name, rounded(table[name]))
            columns.append({"head": head, "unit": unit, "values": told})
    for element in elements:
        if f"{element}_counts" in table.columns:
            error = table.get(f"{element}_counts_err")
            columns.append(
                {
                    "head": element,
                    "unit": "counts",
                    "values": rounded(table[f"{element}_counts"]),
                    "error": None if error is None else rounded(error),
                }
            )
    if "touches_border" in table.columns:
        cut = ["yes" if one else "no" for one in table["touches_border"]]
        columns.append({"head": "Cut by the border", "unit": "", "values": cut})
    return columns


def _or_bound(
    table: pd.DataFrame, name: str, values: Sequence[float | None]
) -> list[float | str | None]:
    """Return values, and in words where only bounds of them are known."""
    ends = [f"{name}_low", f"{name}_high"]
    if not set(ends) <= set(table.columns):
        return list(values)
    found: list[float | str | None] = list(values)
    for k, (low, high) in enumerate(table[ends].to_numpy(dtype=np.float64)):
        if found[k] is not None:
            continue
        if low > 0:
            found[k] = f"{figures(low)} to {figures(high)}" if math.isfinite(high) else (
                f"at least {figures(low)}"
            )  # fmt: skip
        elif math.isfinite(high) and high > 0:
            found[k] = f"at most {figures(high)}"
    return found


def rounded(values: Any, digits: int = 4) -> list[float | None]:
    """Return numbers with a few significant figures, None where there is none.

    >>> rounded([1.23456, float("nan"), 0.0])
    [1.235, None, 0.0]
    """
    return [
        float(f"{value:.{digits}g}") if math.isfinite(value) else None
        for value in np.asarray(values, dtype=np.float64).tolist()
    ]


def _scatter(
    droplets: pd.DataFrame,
    diameters: Floats,
    edges: Floats,
    maps: xr.Dataset,
    metals: Sequence[str],
) -> dict[str, Any] | None:
    """Return the share of the alloy's counts that the lesser element has, droplet by droplet.

    Its axis of diameters is that of the size classes, where there are any.
    """
    names = [e for e in metals if f"{e}_counts" in droplets.columns]
    if len(names) < 2 or not len(droplets):
        return None
    counts = np.stack([droplets[f"{e}_counts"].to_numpy(dtype=np.float64) for e in names])
    lesser = int(np.argmin(counts.sum(axis=1)))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = counts[lesser] / counts.sum(axis=0)
    element = names[lesser]
    nominal = nominal_count_share(maps, names, element)
    top = 1.15 * max(float(np.nanquantile(share, 0.98)), *(nominal or (0.0,)), 0.02)
    line = ""
    if nominal is not None:
        shown = span(min(nominal), max(nominal), lambda part: f"{100 * part:.0f} %")
        line = f"; band: alloy as bought, thin to thick, {shown}"
    head = f"{element} in the alloy's counts, 0 to {100 * min(top, 1.0):.0f} %{line}"
    return {
        "head": head,
        "words": f"{head}. One point a droplet, against diameter.",
        "share": rounded(share, 3),
        "nominal": None if nominal is None else rounded(sorted(nominal)),
        "top": min(top, 1.0),
        "low": float(edges[0]) if len(edges) else float(np.min(diameters)) * 0.97,
        "high": float(edges[-1]) if len(edges) else float(np.max(diameters)) * 1.03,
    }


def still_png(analysis: Any, *, longest: int = LONGEST_PICTURE, kind: str = ".png") -> bytes:
    """Return the outlines over the metal maps as a small picture, drawn without matplotlib.

    A field smaller than `longest` (px) is drawn twice as large where that fits.
    """
    import imageio.v3 as iio
    from matplotlib.colors import to_rgb

    names = element_names(analysis.maps)
    used = [e for e in analysis.roles.alloy or analysis.segmentation.elements_used if e in names]
    counts = analysis.maps["counts"].values
    labels = label_image(analysis)
    step = max(1, -(-max(labels.shape) // longest))
    planes = [counts[names.index(e)][::step, ::step] for e in used or names]
    metal, labels = np.asarray(np.sum(planes, axis=0), dtype=np.float64), labels[::step, ::step]
    low, high = (float(v) for v in np.percentile(metal, (0.5, 99.5)))
    grey = np.clip((metal - low) / (1.45 * max(high - low, 1e-12)), 0, 1)
    zoom = 2 if max(metal.shape) <= longest // 2 else 1
    paint = np.repeat(
        (255 * np.kron(grey, np.ones((zoom, zoom)))).astype(np.uint8)[..., None], 3, 2
    )
    rim = outline_pixels(labels.astype(np.int32), zoom)
    n = analysis.segmentation.n_droplets
    for colour, part in ((ORANGE, (rim > 0) & (rim <= n)), (SKY, rim > n)):
        paint[part] = (255 * np.array(to_rgb(colour))).astype(np.uint8)
    buffer = io.BytesIO()
    iio.imwrite(buffer, paint, extension=kind)
    return buffer.getvalue()

"""The page of a mosaic: tables summed up, overviews at reduced resolution, a few crops at full."""

from __future__ import annotations

from html import escape
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.core.grid import Box
from spattermap.core.mapset import facts
from spattermap.mosaics.measuring import Plan, part_maps
from spattermap.mosaics.result import Mosaic
from spattermap.show import wording
from spattermap.show.pages import figure_html, shell
from spattermap.show.pieces import table_html
from spattermap.show.wording import figures, percent

if TYPE_CHECKING:
    from spattermap.show.pictures.canvas import Picture

CROP_PX = 320  # side of a crop at full resolution
_QUANTILES = (("bare", 0.1), ("middling", 0.5), ("covered", 0.9))


def write_page(found: Mosaic, plan: Plan) -> None:
    """Write ``report.html`` into the folder of the results.

    Parameters
    ----------
    found : Mosaic
        The result.
    plan : Plan
        The segmentation, while its pictures are still on disk.
    """
    parts = [
        ("Answer", _answer(found)),
        ("Overview", _overview(found)),
        ("Crops at full resolution", _crops(found, plan)),
        ("Droplet sizes", _sizes(found)),
        ("Streaks", _streaks(found)),
        ("Connection", _connection(found)),
        ("Verdict on each element", _verdict(found)),
        ("Co-location", _pairs(found)),
        ("Notes", _notes(found)),
        ("Files", _files()),
        ("Cautions", _cautions()),
    ]
    title = _title(found)
    text = shell(parts, title=title, kind="Mosaic", heading=title, level=found.settings.level)
    (found.folder / "report.html").write_text(text, encoding="utf-8", newline="\n")


def _answer(found: Mosaic) -> str:
    from spattermap.show import answers

    known = facts(found.maps)
    height, width = found.maps.sizes["y"], found.maps.sizes["x"]
    size = f"{width} × {height} px"
    if known.length_unit == "um":
        sides = (figures(n * known.pixel_size) for n in (width, height))
        size += f", {' × '.join(sides)} µm"
    return answers(_view(found)).html + f"<p>The whole mosaic was analysed: {size}.</p>"


def _view(found: Mosaic, maps: Any = None, labels: Any = None) -> Any:
    """Return what pictures and sentences ask of a result; by default of the overview."""
    import xarray as xr

    if maps is None:
        maps = found.overview.drop_vars("kinds")
    if labels is None:
        labels = np.zeros((maps.sizes["y"], maps.sizes["x"]), np.int32)
    view: Any = SimpleNamespace(
        title=_title(found),
        maps=maps,
        labels=xr.DataArray(labels, dims=("y", "x")),
        roles=found.roles,
        elements=found.elements,
        pairs=found.pairs,
        settings=found.settings,
        summary=found.summary,
        morphology=SimpleNamespace(sizes=found.sizes, border_weight=found.weights),
        blank=None,
        streaks=found.streaks.iloc[:0],
        segmentation=SimpleNamespace(
            n_droplets=found.n_droplets,
            n_streaks=len(found.streaks),
            elements_used=found.roles.alloy,
            labels=labels,
            smallest_trusted_px=found.smallest_trusted_px,
        ),
    )
    return view


def _title(found: Mosaic) -> str:
    return facts(found.maps).title or "Untitled mosaic"


def _overview(found: Mosaic) -> str:
    from spattermap.show.pictures import element_maps

    side = round(found.maps.sizes["x"] / found.overview.sizes["x"])
    html = f"<p>Each pixel below is the mean of {side} × {side} pixels of the mosaic.</p>"
    pictures = (element_maps(_view(found)), _covered(found))
    return (html if side > 1 else "") + "".join(map(figure_html, pictures))


def _covered(found: Mosaic) -> Picture:
    """Draw the covered part, droplets and streaks together."""
    from cmcrameri import cm

    from spattermap.show.pictures.canvas import colour_bar, draw_map, heading, picture, scale_bar

    plane = found.overview["kinds"].sum("kind").values
    height, width = plane.shape
    alt = (
        f"Covered part of the area, from {percent(float(plane.min()))} to "
        f"{percent(float(plane.max()))} in squares of the overview."
    )
    sheet = picture(5.8, min(7.0, 0.6 + 5.2 * height / width), alt=alt)
    axes = sheet.subplots()
    image = draw_map(axes, plane, cmap=cm.batlow, vmin=0.0, vmax=1.0)
    colour_bar(sheet, image, axes, label="covered part", shrink=0.8)
    heading(axes, "Metal cover")
    scale_bar(axes, SimpleNamespace(maps=found.overview))
    return sheet


def _crops(found: Mosaic, plan: Plan) -> str:
    from spattermap.show.pictures import outlined_segmentation

    html = (
        f"<p>Squares of up to {CROP_PX} × {CROP_PX} px, chosen by their cover: a bare, a middling "
        f"and a covered one{', and where the longest streak lies' * bool(len(found.streaks))}.</p>"
    )
    for name, box in _chosen(found, plan.grid.shape):
        labels = plan.found.labels[box.rows, box.columns]
        # Numbers of a crop of its own: droplets first, then streaks.
        names, dense = np.unique(labels, return_inverse=True)
        n = int(np.count_nonzero((names > 0) & (names <= found.n_droplets)))
        own = dense.reshape(labels.shape).astype(np.int32) + np.int32(names[0] != 0)
        view = _view(found, part_maps(plan.source, box), own)
        view.segmentation.n_droplets = n
        view.segmentation.n_streaks = int(np.count_nonzero(names > 0)) - n
        html += f"<h3>{escape(name)}: row {box.top}, column {box.left}</h3>" + figure_html(
            outlined_segmentation(view)
        )
    return html


def _chosen(found: Mosaic, shape: tuple[int, int]) -> list[tuple[str, Box]]:
    """Return windows that stand for the mosaic, the same ones every time."""
    cover = found.overview["kinds"].sum("kind").values
    step = round(shape[1] / cover.shape[1])
    block = max(1, CROP_PX // step)
    rows, columns = (max(1, n // block) for n in cover.shape)
    part = cover[: rows * block, : columns * block]
    mean = part.reshape(rows, part.shape[0] // rows, columns, -1).mean(axis=(1, 3)).ravel()
    side = block * step
    chosen = []
    for name, q in _QUANTILES:
        k = int(np.argmin(np.abs(mean - np.quantile(mean, q))))
        i, j = divmod(k, columns)
        chosen.append((f"A {name} part", _window(i * side, j * side, shape)))
    if len(found.streaks):
        unit = facts(found.maps).length_unit
        size = facts(found.maps).pixel_size
        length = found.streaks[f"length_{unit}"].to_numpy(dtype=np.float64)
        longest: Any = found.streaks.iloc[int(length.argmax())].to_dict()
        y, x = (int(longest[f"{a}_{unit}"] / size) - CROP_PX // 2 for a in "yx")
        chosen.append(("The longest streak", _window(y, x, shape)))
    return list({box: (name, box) for name, box in reversed(chosen)}.values())[::-1]


def _window(top: int, left: int, shape: tuple[int, int]) -> Box:
    top, left = (max(0, min(at, n - CROP_PX)) for at, n in zip((top, left), shape, strict=True))
    return Box(top, left, min(top + CROP_PX, shape[0]), min(left + CROP_PX, shape[1]))


def _sizes(found: Mosaic) -> str:
    import pandas as pd

    from spattermap.show.form_text import diameters_table, shape_sentences
    from spattermap.show.pictures import size_histogram
    from spattermap.show.pieces import paragraphs

    if not found.n_droplets:
        return "<p>No droplet was found.</p>"
    unit = facts(found.maps).length_unit
    view = _view(found)
    view.droplets = pd.DataFrame({f"diameter_{unit}": found.diameters})
    pieces = (diameters_table(found.sizes, unit), paragraphs(shape_sentences(found.shapes)))
    return figure_html(size_histogram(view)) + "".join(piece.html for piece in pieces)


def _streaks(found: Mosaic) -> str:
    from spattermap.show.pictures import streak_rose

    if not len(found.streaks):
        return "<p>No streak was found.</p>"
    unit = facts(found.maps).length_unit
    names = [f"length_{unit}", f"width_{unit}"]
    table = found.streaks[names].quantile([0.1, 0.5, 0.9])
    table.insert(0, "streaks below", [percent(part) for part in table.index])
    return figure_html(streak_rose(SimpleNamespace(streaks=found.streaks))) + table_html(
        table, ["streaks below", *names], f"Lengths and widths of {len(found.streaks):,} streaks."
    )


def _connection(found: Mosaic) -> str:
    from spattermap.show.pieces import facts_table, paragraphs

    if not wording.could_divide(_view(found)):
        return "<p>Metal and bare area could not be told apart, nor can connection be told.</p>"
    sheet = found.sheet
    rows = {"Largest connected region": f"{percent(sheet.largest_region_share)} of the metal"}
    for axis, crosses, ratio in (
        ("x", sheet.connected_x, sheet.ratio_x),
        ("y", sheet.connected_y, sheet.ratio_y),
    ):
        rows[f"Crosses the field in {axis}"] = "yes" if crosses else "no"
        rows[f"Sheet conductance in {axis}"] = f"{percent(ratio)} of a full film's"
    return facts_table("Connection of the metal", rows).html + paragraphs(sheet.notes).html


def _verdict(found: Mosaic) -> str:
    from spattermap.show import verdicts
    from spattermap.show.pictures import share_bars

    view = _view(found)
    return figure_html(share_bars(view)) + f'<div class="piece">{verdicts(view).html}</div>'


def _pairs(found: Mosaic) -> str:
    columns = ["element_a", "element_b", "r", "r_plain", "p_value", "note"]
    return table_html(
        found.pairs,
        columns,
        "Correlation of every pair: r freed of counting noise, r plain as counted.",
    )


def _notes(found: Mosaic) -> str:
    return f"<ul>{''.join(f'<li>{escape(note)}</li>' for note in found.notes)}</ul>"


def _files() -> str:
    return (
        "<p><code>droplets.parquet</code>: one row a droplet, those that lie in several parts at "
        "the end; <code>streaks.csv</code>, <code>elements.csv</code>, <code>pairs.csv</code>, "
        "<code>summary.json</code>; <code>labels.zarr</code>: the label of every pixel, droplets "
        "first, then streaks.</p>"
    )


def _cautions() -> str:
    from spattermap.show import cautions

    return str(cautions().html)

"""A mosaic from disk to a folder of results: its tables and its page.

The page holds tables summed up, overviews at reduced resolution, and a few crops at full.
"""

from __future__ import annotations

from dataclasses import replace
from html import escape
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from spattermap.analysis import Analysis, analyse
from spattermap.analysis_parts import PART_PX
from spattermap.core.arrays import Labels
from spattermap.core.files import staged_folder
from spattermap.core.grid import Box, Source
from spattermap.core.mapset import element_names, facts
from spattermap.core.progress import step
from spattermap.show.answers import answers
from spattermap.show.examined import examination
from spattermap.show.field_viewer import LONGEST_LABELS, field_piece, map_data, plane, regions_data
from spattermap.show.findings import connection, notes, verdicts
from spattermap.show.form_text import arrival, shapes_and_spacing, sizes
from spattermap.show.pages import FOOTER, closed_part, document, figure_html, open_part
from spattermap.show.pictures import (
    element_maps,
    outlined_segmentation,
    share_bars,
    size_histogram,
    streak_rose,
)
from spattermap.show.pictures.canvas import (
    Picture,
    colour_bar,
    draw_map,
    heading,
    picture,
    scale_bar,
)
from spattermap.show.pieces import table_html
from spattermap.show.provenance import cautions, field_line
from spattermap.show.wording import is_film, percent

if TYPE_CHECKING:
    from spattermap.core.settings import Settings
    from spattermap.core.work import Workers

MOST_OUTLINES = 60_000  # regions; the rows of more would make the page larger than 15 MB
_BAND_PX = 512  # rows read at once for the finer picture
CROP_PX = 320  # side of a crop at full resolution
_QUANTILES = (("bare", 0.1), ("middling", 0.5), ("covered", 0.9))


def write_mosaic(
    source: Source | xr.Dataset,
    out: str | Path,
    *,
    blank: xr.Dataset | None = None,
    settings: Settings | None = None,
    part_px: int = PART_PX,
    workers: Workers | None = None,
    overwrite: bool = False,
) -> Analysis:
    """Analyse a map set of any size part by part and write its tables, labels and page.

    Parameters
    ----------
    source : Source or xarray.Dataset
        A mosaic, as `spattermap.loaders.open_parts` opens it.
    out : str or pathlib.Path
        Folder for the results; new or empty unless `overwrite`.
    blank, settings, part_px, workers
        As for `spattermap.analyse`.
    overwrite : bool, optional
        Replace results of the same names.

    Returns
    -------
    Analysis
        Its table of droplets and its labels are read from `out`.

    Raises
    ------
    InputError, InputFileError
        If the maps, the blank or a setting cannot be used.
    OutputError
        If the folder cannot be used.
    """
    with staged_folder(out, overwrite=overwrite) as stage:
        found = analyse(
            source, blank=blank, settings=settings, part_px=part_px, folder=stage, workers=workers
        )
        step("Saving tables")
        found.write_tables(stage)
        step("Drawing the page")
        text = page(found)
        (stage / "report.html").write_text(text, encoding="utf-8", newline="\n")
        found.close()
    return found.moved(Path(out))


def page(found: Analysis) -> str:
    """Return the page of a field worked on in parts, while its pictures are still on disk."""
    first = "".join(
        f'<div class="piece">{html}</div>'
        for html in (answers(found).html, _field(found), notes(found).html, examination(found).html)
        if html
    )
    parts = [
        ("Element by element: verdict, shares, correlation", _verdict(found) + _pairs(found)),
        ("Sizes, shapes and spacing", _sizes(found) + shapes_and_spacing(found).html),
        ("Streaks", _streaks(found)),
        ("How the metal arrived: for and against", arrival(found).html),
        ("Connection and conductance", connection(found).html),
        ("Element maps side by side", _overview(found)),
        ("Crops at full resolution", _crops(found)),
        ("Files", _files()),
    ]
    main = open_part("The answers and the field", first, kind="first")
    main += "".join(closed_part(name, html) for name, html in parts if html)
    main += open_part("Limits and cautions", str(cautions().html))
    kind = f"{field_line(found.maps)} · analysed part by part"
    return document(main, title=found.title, kind=kind, footer=FOOTER)


def _view(found: Analysis, maps: xr.Dataset, labels: Labels) -> Analysis:
    """Return an analysis of which pictures see other maps: the overview, or a crop."""
    return replace(
        found,
        maps=maps,
        labels=xr.DataArray(labels, dims=("y", "x")),
        streaks=found.streaks.iloc[:0],
        blank=None,
        overview=None,
    )


def _overview(found: Analysis) -> str:
    assert found.overview is not None
    small = found.overview.drop_vars("kinds")
    side = round(found.maps.sizes["x"] / small.sizes["x"])
    square = f"{side} × {side}"
    html = f"<p>Each pixel of the pictures below is the mean of {square} pixels of the mosaic.</p>"
    bare = np.zeros((small.sizes["y"], small.sizes["x"]), np.int32)
    pictures = (element_maps(_view(found, small, bare)), _covered(found.overview))
    return (html if side > 1 else "") + "".join(map(figure_html, pictures))


def _field(found: Analysis) -> str:
    """Return the mosaic to look into: every map, a finer one of the metal, and every outline."""
    assert found.overview is not None
    maps = found.overview.drop_vars("kinds")
    cover = found.overview["kinds"].sum("kind").values
    side = found.maps.sizes["x"] / maps.sizes["x"]
    data = map_data(maps, found.roles)
    data["planes"].append(plane("cover", "Covered part", np.asarray(cover), unit=""))
    data["planes"][0]["finer"] = _finer(found, data["planes"][0], round(side))
    longest = max(found.maps.sizes["y"], found.maps.sizes["x"])
    step = -(-longest // LONGEST_LABELS)
    shown = found.segmentation.n_droplets + found.segmentation.n_streaks <= MOST_OUTLINES
    labels = np.asarray(found.labels[::step, ::step] if shown else np.zeros(cover.shape, np.int32))
    kept = found.segmentation if shown else replace(found.segmentation, n_droplets=0, n_streaks=0)
    droplets = found.droplets if shown else found.streaks.iloc[:0]
    regions = regions_data(
        found.maps, labels, kept, droplets, found.streaks if shown else droplets,
        metals=found.roles.alloy, film=is_film(found.summary()),
        step=step / round(side) if shown else 1,
    )  # fmt: skip
    still = _covered(found.overview)
    return field_piece(data, regions, still=still.png(), words=still.alt).html


def _finer(found: Analysis, coarse: dict[str, Any], side: int) -> dict[str, Any] | None:
    """Return the sum of the metal's maps at twice the overview's side or more, where there is."""
    longest = max(found.maps.sizes["y"], found.maps.sizes["x"])
    fine = -(-longest // LONGEST_LABELS)
    names = element_names(found.maps)
    metals = [e for e in found.roles.alloy if e in names]
    if fine >= side or not metals:
        return None
    height, width = (found.maps.sizes[a] // fine for a in "yx")
    whole, source = np.zeros((height, width), np.float32), Source(found.maps)
    band = max(1, _BAND_PX // fine)
    for top in range(0, height, band):
        rows = min(band, height - top)
        box = Box(top * fine, 0, (top + rows) * fine, width * fine)
        counts = source.part(box)["counts"].sel(element=metals).values.sum(axis=0)
        whole[top : top + rows] = counts.reshape(rows, fine, width, fine).mean(axis=(1, 3))
    across, down = (n * fine / side for n in (width, height))
    one = plane(coarse["key"], coarse["label"], whole, unit=coarse["unit"],
                box=[0, 0, across, down], longest=LONGEST_LABELS)  # fmt: skip
    return {**one, "from_zero": True}


def _covered(overview: xr.Dataset) -> Picture:
    """Draw the covered part, droplets and streaks together."""
    from cmcrameri import cm

    plane = overview["kinds"].sum("kind").values
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
    scale_bar(axes, SimpleNamespace(maps=overview))
    return sheet


def _crops(found: Analysis) -> str:
    html = (
        f"<p>Squares of up to {CROP_PX} × {CROP_PX} px, chosen by their cover: a bare, a middling "
        f"and a covered one{', and where the longest streak lies' * bool(len(found.streaks))}.</p>"
    )
    for name, box in _chosen(found):
        labels = found.segmentation.labels[box.rows, box.columns]
        # Numbers of a crop of its own: droplets first, then streaks.
        names, dense = np.unique(labels, return_inverse=True)
        n = int(np.count_nonzero((names > 0) & (names <= found.segmentation.n_droplets)))
        own = dense.reshape(labels.shape).astype(np.int32) + np.int32(names[0] != 0)
        view = _view(found, Source(found.maps).part(box), own)
        view = replace(
            view,
            segmentation=replace(
                found.segmentation,
                labels=own,
                n_droplets=n,
                n_streaks=int(np.count_nonzero(names > 0)) - n,
            ),
        )
        html += f"<h3>{escape(name)}: row {box.top}, column {box.left}</h3>" + figure_html(
            outlined_segmentation(view)
        )
    return html


def _chosen(found: Analysis) -> list[tuple[str, Box]]:
    """Return windows that stand for the mosaic, the same ones every time."""
    assert found.overview is not None
    shape = (found.maps.sizes["y"], found.maps.sizes["x"])
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


def _sizes(found: Analysis) -> str:
    if not found.segmentation.n_droplets:
        return "<p>No droplet was found.</p>"
    name = f"diameter_{facts(found.maps).length_unit}"
    assert found.room is not None
    table = pd.read_csv(found.room.droplets, usecols=["droplet", name])
    view = replace(found, table=table.sort_values("droplet", ignore_index=True))
    return figure_html(size_histogram(view)) + sizes(found).html


def _streaks(found: Analysis) -> str:
    if not len(found.streaks):
        return ""
    unit = facts(found.maps).length_unit
    names = [f"length_{unit}", f"width_{unit}"]
    table = found.streaks[names].quantile([0.1, 0.5, 0.9])
    table.insert(0, "streaks below", [percent(part) for part in table.index])
    return figure_html(streak_rose(SimpleNamespace(streaks=found.streaks))) + table_html(
        table, ["streaks below", *names], f"Lengths and widths of {len(found.streaks):,} streaks."
    )


def _verdict(found: Analysis) -> str:
    return figure_html(share_bars(found)) + f'<div class="piece">{verdicts(found).html}</div>'


def _pairs(found: Analysis) -> str:
    columns = ["element_a", "element_b", "r", "r_plain", "p_value", "note"]
    return table_html(
        found.pairs,
        columns,
        "Correlation of every pair: r freed of counting noise, r plain as counted.",
    )


def _files() -> str:
    return (
        "<p><code>droplets.csv</code>: one row a droplet, those that lie in several parts at "
        "the end; <code>streaks.csv</code>, <code>elements.csv</code>, <code>pairs.csv</code>, "
        "<code>summary.json</code>; <code>labels.zarr</code>: the label of every pixel, droplets "
        "first, then streaks.</p>"
    )

"""The page of a mosaic: tables summed up, overviews at reduced resolution, a few crops at full."""

from __future__ import annotations

from html import escape
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.mapset import facts, unit_name
from spattermap.mosaics.grid import Box
from spattermap.mosaics.measuring import part_maps
from spattermap.mosaics.parted import Parted
from spattermap.mosaics.result import Mosaic
from spattermap.sweeps.page import figure_html, shell, table_html
from spattermap.wording import figures, percent

if TYPE_CHECKING:
    import pandas as pd

    from spattermap.figures.canvas import Picture

CROP_PX = 320  # side of a crop at full resolution
_QUANTILES = (("bare", 0.1), ("middling", 0.5), ("covered", 0.9))


def write_page(found: Mosaic, parted: Parted) -> None:
    """Write ``report.html`` into the folder of the results.

    Parameters
    ----------
    found : Mosaic
        The result.
    parted : Parted
        The segmentation, while its pictures are still on disk.
    """
    parts = [
        ("Answer", _answer(found)),
        ("Overview", _overview(found)),
        ("Crops at full resolution", _crops(found, parted)),
        ("Droplet sizes", _sizes(found)),
        ("Streaks", _streaks(found)),
        ("Connection", _connection(found)),
        ("Verdict on each element", _verdict(found)),
        ("Co-location", _pairs(found)),
        ("Notes", _notes(found)),
        ("Files", _files()),
        ("Cautions", _cautions()),
    ]
    title = facts(found.maps).title or "Untitled mosaic"
    text = shell(parts, title=title, kind="Mosaic", heading=title, level=found.settings.level)
    (found.folder / "report.html").write_text(text, encoding="utf-8", newline="\n")


def _answer(found: Mosaic) -> str:
    known = facts(found.maps)
    unit = unit_name(known.length_unit)
    height, width = (n * known.pixel_size for n in (found.maps.sizes["y"], found.maps.sizes["x"]))
    one = found.coverage
    row: Any = found.sizes.loc["number D50"].to_dict()
    pixels = f"{found.maps.sizes['x']} x {found.maps.sizes['y']} px"
    regions = f"{found.n_droplets:,} droplets and {len(found.streaks):,} streaks"
    bounds = f"{percent(one.low)} to {percent(one.high)}"
    said = [
        f"{figures(width)} x {figures(height)} {unit} ({pixels}) were analysed.",
        f"Metal covers {percent(one.value)} ({bounds}) of it: {regions}.",
    ]
    if np.isfinite(row["value"]):
        said.append(
            f"The median droplet is {figures(row['value'])} {unit} across "
            f"({figures(row['low'])} to {figures(row['high'])})."
        )
    sheet = found.sheet
    ways = [w for w, yes in (("x", sheet.connected_x), ("y", sheet.connected_y)) if yes]
    said.append(
        f"The metal is connected along {' and '.join(ways)}."
        if ways
        else "The metal is not connected from side to side."
    )
    words = [
        f"{r['element']} {str(r['verdict']).replace('_', ' ')}"
        for r in found.elements.to_dict("records")
    ]
    said.append(f"Elements: {', '.join(words)}.")
    return f'<div class="answer"><p>{escape(" ".join(said))}</p></div>'


def _view(found: Mosaic, maps: Any, labels: Any) -> Any:
    """Return what the pictures ask of a result, for a window or an overview."""
    import xarray as xr

    if labels is None:
        labels = np.zeros((maps.sizes["y"], maps.sizes["x"]), np.int32)
    return SimpleNamespace(
        maps=maps,
        labels=xr.DataArray(labels, dims=("y", "x")),
        roles=found.roles,
        elements=found.elements,
        pairs=found.pairs,
        blank=None,
        streaks=found.streaks.iloc[:0],
        segmentation=SimpleNamespace(
            n_droplets=found.n_droplets,
            n_streaks=len(found.streaks),
            elements_used=found.roles.alloy,
            labels=labels,
        ),
    )


def _overview(found: Mosaic) -> str:
    from spattermap.figures import element_maps

    side = round(found.maps.sizes["x"] / found.overview.sizes["x"])
    view = _view(found, found.overview.drop_vars("kinds"), None)
    html = f"<p>Each pixel below is the mean of {side} x {side} pixels of the mosaic.</p>"
    return html + figure_html(element_maps(view)) + figure_html(_covered(found))


def _covered(found: Mosaic) -> Picture:
    """Draw the covered part, droplets and streaks together."""
    from cmcrameri import cm

    from spattermap.figures.axes import colour_bar, heading
    from spattermap.figures.canvas import draw_map, picture, scale_bar

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


def _crops(found: Mosaic, parted: Parted) -> str:
    from spattermap.figures import outlined_segmentation

    html = (
        f"<p>Squares of {CROP_PX} x {CROP_PX} px, chosen by their cover: a bare, a middling and a "
        "covered one, and where the longest streak lies.</p>"
    )
    for name, box in _chosen(found, parted.job.shape):
        labels = parted.labels(box)
        # Numbers of a crop of its own: droplets first, then streaks.
        names, dense = np.unique(labels, return_inverse=True)
        view = _view(found, part_maps(parted, box), None)
        n = int(np.count_nonzero((names > 0) & (names <= found.n_droplets)))
        own = dense.reshape(labels.shape).astype(np.int32) + np.int32(names[0] != 0)
        view = _renumbered(view, own, n, int(np.count_nonzero(names > 0)) - n)
        html += f"<h3>{escape(name)}: row {box.top}, column {box.left}</h3>" + figure_html(
            outlined_segmentation(view)
        )
    return html


def _renumbered(view: Any, labels: Any, n_droplets: int, n_streaks: int) -> Any:
    import xarray as xr

    view.labels = xr.DataArray(labels, dims=("y", "x"))
    view.segmentation = SimpleNamespace(
        n_droplets=n_droplets,
        n_streaks=n_streaks,
        labels=labels,
        elements_used=view.roles.alloy,
    )
    return view


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
    from spattermap.figures import size_histogram

    if not found.n_droplets:
        return "<p>No droplet was found.</p>"
    unit = facts(found.maps).length_unit
    view = SimpleNamespace(
        maps=found.maps,
        droplets=_diameters(found, unit),
        morphology=SimpleNamespace(border_weight=found.weights),
        summary=found.summary,
    )
    table = found.sizes.reset_index().rename(columns={"quantity": "diameter"})
    table = table.rename(columns={"low": "value_low", "high": "value_high"})
    shapes = found.shapes
    return (
        figure_html(size_histogram(view))
        + table_html(
            table.assign(trusted=table["trusted"].astype(bool)),
            ["diameter", "value", "trusted"],
            f"Diameters in {unit_name(unit)}, corrected for droplets the border "
            "cuts; bounds below each value.",
        )
        + table_html(shapes, [str(c) for c in shapes if not str(c).endswith(("_low", "_high"))],
                     "Shapes of the droplets whose shape is resolved.")
    )  # fmt: skip


def _diameters(found: Mosaic, unit: str) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame({f"diameter_{unit}": found.diameters})


def _streaks(found: Mosaic) -> str:
    from spattermap.figures import streak_rose

    if not len(found.streaks):
        return "<p>No streak was found.</p>"
    unit = facts(found.maps).length_unit
    names = [f"length_{unit}", f"width_{unit}"]
    table = found.streaks[names].quantile([0.1, 0.5, 0.9]).reset_index()
    table = table.rename(columns={"index": "part below"})
    return figure_html(streak_rose(SimpleNamespace(streaks=found.streaks))) + table_html(
        table, ["part below", *names], f"{len(found.streaks):,} streaks: percentiles."
    )


def _connection(found: Mosaic) -> str:
    import pandas as pd

    table = pd.DataFrame(
        {"quantity": list(found.sheet.summary()), "value": list(found.sheet.summary().values())}
    )
    table["quantity"] = table["quantity"].str.replace("_", " ")
    notes = "".join(f"<p>{escape(note)}</p>" for note in found.sheet.notes)
    return table_html(table, ["quantity", "value"], "Connection of the metal.") + notes


def _verdict(found: Mosaic) -> str:
    from spattermap.figures import share_bars

    columns = ["element", "role", "verdict", "share_in_droplets", "share_with_alloy", "r_alloy",
               "reasons", "next_step"]  # fmt: skip
    table = found.elements.copy()
    table["verdict"] = table["verdict"].str.replace("_", " ")
    return figure_html(share_bars(_view(found, found.overview, None))) + table_html(
        table, columns, "Each element of the mosaic; bounds below each value."
    )


def _pairs(found: Mosaic) -> str:
    columns = ["element_a", "element_b", "r", "r_plain", "p_value", "note"]
    return table_html(found.pairs, columns, "Correlation of every pair, freed of counting noise.")


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
    from spattermap.display import cautions

    return str(cautions().html)

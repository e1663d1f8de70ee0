"""The segmentation as outlines over what it was found in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.errors import InputError
from spattermap.figures.canvas import (
    INK,
    ORANGE,
    SKY,
    VERMILION,
    Picture,
    draw_map,
    label_image,
    length_scale,
    map_plane,
    picture,
    scale_bar,
    shrink_factor,
)
from spattermap.figures.words import plain
from spattermap.wording import listing

if TYPE_CHECKING:
    import numpy.typing as npt
    from matplotlib.axes import Axes


def metal_sum(analysis: Any) -> npt.NDArray[np.float64]:
    """Return the sum of the alloy's maps.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    numpy.ndarray of float64, dims (y, x)
    """
    used = analysis.roles.alloy or analysis.segmentation.elements_used
    total = np.zeros(label_image(analysis).shape)
    for element in used:
        total += map_plane(analysis, element)
    return total


def outlined_segmentation(analysis: Any, *, over: str = "auto", highlight: int = 0) -> Picture:
    """Draw the outlines of droplets and streaks over the metal maps or the electron image.

    Parameters
    ----------
    analysis : Analysis
        The result.
    over : {"auto", "metal", "electron image"}, optional
        What lies below; "auto" draws both where there is an electron image.
    highlight : int, optional
        Label of one region to fill.

    Returns
    -------
    Picture

    Raises
    ------
    InputError
        If an electron image is asked for and there is none.
    """
    from spattermap.checks import one_of

    one_of(over, "over", ("auto", "metal", "electron image"))
    has_image = "electron_image" in analysis.maps
    if over == "electron image" and not has_image:
        raise InputError(
            "over must be 'metal' where no electron image was given, got 'electron image'. "
            "Name one in mapset.toml (electron_image = ...)."
        )
    grounds = _grounds(analysis, over, has_image=has_image)
    height, width = label_image(analysis).shape
    shape = min(max(height / width, 0.4), 1.6)
    # Wide fields go one above the other: each outline must stay visible.
    rows = len(grounds) if shape < 1 else 1
    columns = len(grounds) // rows
    across = 5.8 / columns
    sheet = picture(5.8, (across * shape + 0.3) * rows + 0.5, alt=_alt_outline(analysis))
    panels = sheet.subplots(rows, columns, squeeze=False).flat
    for axes, (name, plane) in zip(panels, grounds, strict=True):
        low, high = (float(v) for v in np.percentile(plane, (0.5, 99.5)))
        # White is left to nothing, so that both outline colours stand out everywhere.
        draw_map(axes, plane, cmap="gray", vmin=low, vmax=low + 1.45 * max(high - low, 1e-12))
        _draw_outlines(axes, analysis, highlight=highlight)
        axes.set_title(plain(name), loc="left", fontsize=10.5, fontweight="bold", color=INK)
        scale_bar(axes, analysis)
    _outline_legend(sheet, analysis)
    return sheet


def _grounds(
    analysis: Any, over: str, *, has_image: bool
) -> list[tuple[str, npt.NDArray[np.float64]]]:
    names = listing(list(analysis.roles.alloy or analysis.segmentation.elements_used))
    grounds = []
    if over != "electron image":
        grounds.append((f"Metal maps ({names})", metal_sum(analysis)))
    if has_image and over != "metal":
        image = np.asarray(analysis.maps["electron_image"].values, dtype=np.float64)
        grounds.append(("Electron image", image))
    return grounds


def _outline_legend(sheet: Picture, analysis: Any) -> None:
    from matplotlib.lines import Line2D

    entries = [
        Line2D(
            [], [], color=ORANGE, linewidth=2, label=f"{analysis.segmentation.n_droplets} droplets"
        )
    ]
    if analysis.segmentation.n_streaks:
        entries.append(
            Line2D(
                [],
                [],
                color=SKY,
                linewidth=2,
                linestyle=(0, (3, 1)),
                label=f"{analysis.segmentation.n_streaks} streaks (dot: head)",
            )
        )
    sheet.legend(
        handles=entries,
        loc="outside lower center",
        ncols=2,
        frameon=False,
        fontsize=9.5,
        labelcolor=INK,
    )


def _alt_outline(analysis: Any) -> str:
    covered = 100.0 * float(np.mean(label_image(analysis) > 0))
    found = analysis.segmentation
    return (
        f"Outlines of {found.n_droplets} droplets and {found.n_streaks} streaks over the map; "
        f"{covered:.1f} percent of the pixels hold metal."
    )


def outline_pixels(
    labels: npt.NDArray[np.int32], zoom: int, *, width: int | None = None
) -> npt.NDArray[np.int32]:
    """Return the label on the rim of each region and 0 elsewhere, on a grid `zoom` times finer.

    Parameters
    ----------
    labels : numpy.ndarray of int32, dims (y, x)
        The label image.
    zoom : int
        Fine pixels a side of a map pixel.
    width : int, optional
        Width of the outline, inside the region (fine pixels); by default half a map pixel.

    Returns
    -------
    numpy.ndarray of int32, dims (y, x), `zoom` times larger

    Examples
    --------
    >>> import numpy as np
    >>> one = np.array([[0, 0, 0], [0, 7, 0], [0, 0, 0]], dtype=np.int32)
    >>> int(outline_pixels(one, 3).sum()) // 7
    8
    """
    fine = np.repeat(np.repeat(labels, zoom, axis=0), zoom, axis=1)
    rim = np.zeros(fine.shape, dtype=bool)
    for step in range(1, (width or max(1, zoom // 2)) + 1):
        across, down = fine[:, step:] != fine[:, :-step], fine[step:] != fine[:-step]
        rim[:, step:] |= across
        rim[:, :-step] |= across
        rim[step:] |= down
        rim[:-step] |= down
    return np.where(rim, fine, 0).astype(np.int32)


def _draw_outlines(axes: Axes, analysis: Any, *, highlight: int) -> None:
    from matplotlib.colors import to_rgba

    labels = label_image(analysis)
    step = shrink_factor(labels.shape)
    labels = labels[::step, ::step]
    # About 1200 fine pixels across a panel keeps the line thin and the file small.
    zoom = max(1, min(4, 1200 // max(labels.shape)))
    rim = outline_pixels(labels, zoom)
    paint = np.zeros((*rim.shape, 4), dtype=np.float32)
    if zoom > 1:
        # A dark seam inside the bright line sets it off from bright metal, in grey print too.
        paint[outline_pixels(labels, zoom, width=zoom // 2 + 1) > 0] = to_rgba("black")
    paint[(rim > 0) & (rim <= analysis.segmentation.n_droplets)] = to_rgba(ORANGE)
    streak = rim > analysis.segmentation.n_droplets
    yy, xx = np.nonzero(streak)
    dashed = (yy + xx) % 8 < 6  # a broken line tells streaks from droplets in grey print too
    paint[yy[dashed], xx[dashed]] = to_rgba(SKY)
    if highlight:
        inside = np.repeat(np.repeat(labels == highlight, zoom, axis=0), zoom, axis=1)
        paint[inside] = to_rgba(VERMILION, 0.75)
    height, width = (side * step for side in labels.shape)
    axes.imshow(paint, extent=(0.0, width, height, 0.0), interpolation="nearest")
    _draw_heads(axes, analysis)


def _draw_heads(axes: Axes, analysis: Any) -> None:
    size, unit = length_scale(analysis)
    table = analysis.streaks
    if table is None or not len(table):
        return
    told = table[table["directed"].astype(bool)]
    axes.plot(
        told[f"head_x_{unit}"] / size,
        told[f"head_y_{unit}"] / size,
        "o",
        color=SKY,
        markersize=3.5,
        markeredgecolor="black",
        markeredgewidth=0.5,
        linestyle="none",
    )

"""Pictures of the maps themselves: every element, and composites of a few."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.errors import InputError
from spattermap.figures.canvas import (
    INK,
    SOFT,
    Picture,
    draw_map,
    heading,
    label_image,
    length_scale,
    map_plane,
    ordered_elements,
    picture,
    scale_bar,
    shrink,
    shrink_factor,
)
from spattermap.figures.words import line_name, listing, quantity_name

if TYPE_CHECKING:
    import numpy.typing as npt
    from matplotlib.axes import Axes

# Orange, green and violet-blue differ in lightness as well as in hue.
COMPOSITE_COLOURS = ((1.0, 0.55, 0.0), (0.0, 0.75, 0.55), (0.35, 0.35, 1.0))


def element_maps(analysis: Any, *, columns: int = 3) -> Picture:
    """Draw every element map with its scale bar, its counts and its part in the deposit.

    Parameters
    ----------
    analysis : Analysis
        The result.
    columns : int, optional
        Most panels in one row.

    Returns
    -------
    Picture
        Each panel has its own colour scale, cut at the 99.8th percentile so that a few hot pixels
        do not darken the rest.
    """
    from cmcrameri import cm

    elements = ordered_elements(analysis)
    mapped = [str(name) for name in analysis.maps["element"].values]
    lines = dict(zip(mapped, map(str, analysis.maps["line"].values), strict=True))
    quantity = str(analysis.maps.attrs.get("quantity", "counts"))
    columns = min(columns, max(2, len(elements)))
    rows = -(-len(elements) // columns)
    height, width = analysis.maps.sizes["y"], analysis.maps.sizes["x"]
    panel = min(max(height / width, 0.3), 2.2) * 2.0 + 0.6
    sheet = picture(2.5 * columns, panel * rows + 0.3, alt=_alt_maps(analysis, elements, quantity))
    grid = sheet.subplots(rows, columns, squeeze=False)
    for axes in grid.flat[len(elements) :]:
        axes.set_axis_off()
    for axes, element in zip(grid.flat, elements, strict=False):
        plane = map_plane(analysis, element)
        low, high = _display_range(plane)
        image = draw_map(axes, plane, cmap=cm.lipari, vmin=low, vmax=high)
        heading(
            axes,
            f"{line_name(element, lines[element])}  {analysis.roles.of(element)}",
            f"mean {plane.mean():.3g}, largest {plane.max():.3g}",
        )
        bar = sheet.colorbar(image, ax=axes, fraction=0.05, pad=0.02, extend="max")
        bar.ax.tick_params(labelsize=8, colors=SOFT, labelcolor=INK)
        bar.outline.set_visible(False)
        scale_bar(axes, analysis)
    assumed = " Roles are assumed." if analysis.roles.assumed else ""
    sheet.supxlabel(
        f"Colour: {quantity_name(quantity)}. Each map has its own scale.{assumed}",
        fontsize=9,
        color=SOFT,
    )
    return sheet


def _display_range(plane: npt.NDArray[Any]) -> tuple[float, float]:
    small = shrink(plane, shrink_factor(plane.shape))
    low, high = (float(v) for v in np.percentile(small, (0.2, 99.8)))
    return min(low, 0.0) if low >= 0 else low, high if high > low else low + 1.0


def _alt_maps(analysis: Any, elements: list[str], quantity: str) -> str:
    means = [f"{e} {float(map_plane(analysis, e).mean()):.3g}" for e in elements]
    size, unit = length_scale(analysis)
    width = analysis.maps.sizes["x"] * size
    return (
        f"Maps of {listing(elements)}, field width {width:.4g} {unit}. "
        f"Mean {quantity_name(quantity)}: {', '.join(means)}."
    )


def composite(analysis: Any, elements: Sequence[str] | None = None) -> Picture:
    """Draw up to three elements in one picture, with the single maps beside it.

    Mixed colours are easily misread, so each element also stands alone in its own colour.

    Parameters
    ----------
    analysis : Analysis
        The result.
    elements : sequence of str, optional
        One to three symbols; by default the first alloy elements and the first of the substrate.

    Returns
    -------
    Picture

    Raises
    ------
    InputError
        If an element has no map, or more than three are asked for.
    """
    chosen = list(elements) if elements else _default_trio(analysis)
    _check_trio(analysis, chosen)
    height, width = label_image(analysis).shape
    shape = min(max(height / width, 0.4), 1.6)
    alt = f"Composite of {listing(chosen)}, one colour each, with each element alone beside it."
    sheet = picture(4.6 + 4.6 / len(chosen) / shape + 0.2, 4.6 * shape + 0.4, alt=alt)
    names: list[Any] = [["all", element] for element in chosen]
    panels: dict[str, Any] = sheet.subplot_mosaic(names, width_ratios=[1, 1 / len(chosen)])
    total = 0.0
    for element, colour in zip(chosen, COMPOSITE_COLOURS, strict=False):
        plane = map_plane(analysis, element)
        factor = shrink_factor(plane.shape)
        small = shrink(plane, factor)
        low, high = _display_range(plane)
        paint = np.clip((small - low) / (high - low), 0, 1)[..., None] * np.array(colour)
        total = total + paint
        _draw_paint(panels[element], paint, factor)
        panels[element].set_title(element, loc="left", fontsize=10, fontweight="bold", color=INK)
    _draw_paint(panels["all"], np.clip(total, 0, 1), factor)
    panels["all"].set_title(
        listing(chosen), loc="left", fontsize=10.5, fontweight="bold", color=INK
    )
    scale_bar(panels["all"], analysis)
    return sheet


def _draw_paint(axes: Axes, paint: npt.NDArray[Any], factor: int) -> None:
    height, width = (side * factor for side in paint.shape[:2])
    axes.imshow(paint, extent=(0.0, width, height, 0.0), interpolation="nearest")
    axes.set_axis_off()


def _default_trio(analysis: Any) -> list[str]:
    alloy = list(analysis.roles.alloy)[:2]
    return alloy + list(analysis.roles.substrate)[: 3 - len(alloy)]


def _check_trio(analysis: Any, chosen: list[str]) -> None:
    from spattermap.errors import unknown_name

    mapped = [str(name) for name in analysis.maps["element"].values]
    for element in chosen:
        if element not in mapped:
            raise InputError(unknown_name("elements: element", element, mapped))
    if not 1 <= len(set(chosen)) == len(chosen) <= 3:
        raise InputError(
            f"elements must be one to three different elements, got {chosen}. "
            "More than three colours cannot be told apart where they mix."
        )

"""Pictures of the maps themselves: every element, and composites of a few.

The segmentation as outlines over what it was found in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.ndimage import distance_transform_edt

from spattermap.core.arrays import Array, Bools, Floats, Labels
from spattermap.core.errors import InputError
from spattermap.core.estimate import bounded
from spattermap.core.mapset import element_names, unit_name, valid_mask
from spattermap.core.squares import all_squares, mean_squares
from spattermap.show.pictures.canvas import (
    INK,
    ORANGE,
    RULE,
    SKY,
    SOFT,
    Picture,
    colour_bar,
    draw_map,
    heading,
    label_image,
    legend,
    length_scale,
    line_name,
    map_plane,
    nothing_to_draw,
    ordered_elements,
    picture,
    plain,
    quantity_name,
    scale_bar,
    shrink_factor,
)
from spattermap.show.wording import listing, noun_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def metal_sum(analysis: Any) -> Floats:
    """Return the sum of the alloy's maps.

    Returns dims (y, x).
    """
    used = analysis.roles.alloy or analysis.segmentation.elements_used
    total = np.zeros(label_image(analysis).shape)
    for element in used:
        total += map_plane(analysis, element)
    return total


def outlined_segmentation(analysis: Any, *, over: str = "auto") -> Picture:
    """Draw the outlines of droplets and streaks over the metal maps or the electron image.

    Parameters
    ----------
    over : {"auto", "metal", "electron image"}, optional
        What lies below; "auto" draws both where there is an electron image.

    Raises
    ------
    InputError
        If an electron image is asked for and there is none.
    """
    from spattermap.core.errors import one_of

    one_of(over, "over", ("auto", "metal", "electron image"))
    has_image = _shown_image(analysis) is not None
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
        _draw_outlines(axes, analysis)
        axes.set_title(plain(name), loc="left", fontsize=10.5, fontweight="bold", color=INK)
        scale_bar(axes, analysis)
    _outline_legend(sheet, analysis)
    return sheet


def _grounds(analysis: Any, over: str, *, has_image: bool) -> list[tuple[str, Floats]]:
    names = listing(list(analysis.roles.alloy or analysis.segmentation.elements_used))
    grounds = []
    if over != "electron image":
        grounds.append((f"Metal maps ({names})", metal_sum(analysis)))
    if has_image and over != "metal":
        image = _shown_image(analysis)
        if image is not None:
            grounds.append(("Electron image", image))
    return grounds


def _shown_image(analysis: Any) -> Floats | None:
    """Return the electron image on the maps' grid: where it was registered, as it was."""
    from spattermap.segment.image_grid import resampled, without_caption

    reading = analysis.segmentation.image
    name = "electron_image" if reading is None else reading.name
    if name not in analysis.maps:
        return None
    data = analysis.maps[name]
    grey = np.asarray(data.values, dtype=np.float32)
    if reading is None or reading.transform is None:
        return grey.astype(np.float64) if data.dims == ("y", "x") else None
    height, width = label_image(analysis).shape
    image = np.asarray(without_caption(grey)[0], np.float32)
    shown, _ = resampled(image, reading.transform, (height, width))
    return np.asarray(shown, dtype=np.float64)


def _outline_legend(sheet: Picture, analysis: Any) -> None:
    from matplotlib.lines import Line2D

    found = analysis.segmentation
    droplets = f"{found.n_droplets} {noun_of(analysis)}s"
    entries = [Line2D([], [], color=ORANGE, linewidth=2, label=droplets)]
    if found.n_streaks:
        streaks = f"{found.n_streaks} streaks (dot: head)"
        dashed = (0, (3, 1))
        entries.append(Line2D([], [], color=SKY, linewidth=2, linestyle=dashed, label=streaks))
    legend(sheet, handles=entries, loc="outside lower center", ncols=2, fontsize=9.5)


def _alt_outline(analysis: Any) -> str:
    covered = 100.0 * float(np.mean(label_image(analysis) > 0))
    found = analysis.segmentation
    return (
        f"Outlines of {found.n_droplets} {noun_of(analysis)}s and {found.n_streaks} streaks over "
        f"the map; {covered:.1f} percent of the pixels hold metal."
    )


def outline_pixels(labels: Labels, zoom: int, *, width: int | None = None) -> Labels:
    """Return the label on the rim of each region and 0 elsewhere, on a grid `zoom` times finer.

    Dims: `labels` (y, x); returns (y, x).
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


def _draw_outlines(axes: Axes, analysis: Any) -> None:
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


def element_maps(analysis: Any) -> Picture:
    """Draw every element map with its scale bar, its counts and its part in the deposit.

    Each panel has its own colour scale, cut at the 99.8th percentile so that a few hot pixels do
    not darken the rest.
    """
    from cmcrameri import cm

    elements = ordered_elements(analysis)
    lines = dict(
        zip(element_names(analysis.maps), map(str, analysis.maps["line"].values), strict=True)
    )
    quantity = str(analysis.maps.attrs.get("quantity", "counts"))
    columns = 2 if len(elements) == 4 else min(3, max(2, len(elements)))  # 2 x 2, not 3 + 1
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
        colour_bar(sheet, image, axes, fraction=0.05, pad=0.02, extend="max")
        scale_bar(axes, analysis)
    assumed = " Roles are assumed." if analysis.roles.assumed else ""
    sheet.supxlabel(
        f"Colour: {quantity_name(quantity)}. Each map has its own scale.{assumed}",
        fontsize=9,
        color=SOFT,
    )
    return sheet


def _display_range(plane: Array) -> tuple[float, float]:
    small = mean_squares(plane, shrink_factor(plane.shape))
    low, high = (float(v) for v in np.percentile(small, (0.2, 99.8)))
    return min(low, 0.0) if low >= 0 else low, high if high > low else low + 1.0


def _alt_maps(analysis: Any, elements: list[str], quantity: str) -> str:
    means = [f"{e} {float(map_plane(analysis, e).mean()):.3g}" for e in elements]
    size, unit = length_scale(analysis)
    width = analysis.maps.sizes["x"] * size
    return (
        f"Maps of {listing(elements)}, field width {width:.4g} {unit_name(unit)}. "
        f"Mean {quantity_name(quantity)}: {', '.join(means)}."
    )


def haze_map(analysis: Any, *, block_px: int = 16) -> Picture:
    """Draw the metal signal between the deposits, averaged over blocks of bare pixels.

    Parameters
    ----------
    block_px : int, optional
        Side of a block (px).

    Returns
    -------
    Picture
        Counts per pixel of the alloy's elements on bare ground, less `Analysis.haze_zero`, the
        level from which the share in haze is counted too. Blocks with fewer than 20 bare pixels
        are hatched. Bare pixels nearer to a deposit than three times the blur are left out, because
        its edge spills over them.
    """
    from cmcrameri import cm

    height, width = label_image(analysis).shape
    mean, n = _haze_blocks(analysis, block_px)
    if not np.isfinite(mean).any():
        return nothing_to_draw("Haze not drawn: there is no bare ground clear of the deposits.")
    whole = float(np.nansum(mean * n) / n[np.isfinite(mean)].sum())
    taken = _taken_off(analysis)
    quantity = quantity_name(str(analysis.maps.attrs.get("quantity", "counts")))
    alt = (
        f"Metal signal on bare ground in blocks of {block_px} pixels, {taken}: mean {whole:.3g}, "
        f"from {np.nanmin(mean):.3g} to {np.nanmax(mean):.3g} {quantity}."
    )
    sheet = picture(5.8, min(5.0 * height / width, 7.0) + 0.5, alt=alt)
    axes = sheet.subplots()
    # Hatched, so that what is covered differs from the palest value in grey print too.
    axes.patch.set(facecolor="white", hatch="////", edgecolor=RULE)
    low, high = (float(v) for v in np.nanpercentile(mean, (1, 99)))
    image = axes.imshow(
        np.ma.masked_invalid(mean), cmap=cm.lipari, vmin=min(low, 0.0), vmax=max(high, 1e-12),
        extent=(0, mean.shape[1] * block_px, mean.shape[0] * block_px, 0),
    )  # fmt: skip
    axes.set(xticks=[], yticks=[])
    heading(axes, f"Haze: {listing(list(analysis.roles.alloy))} between the deposits",
            f"{taken} · mean {whole:.3g} {quantity}")  # fmt: skip
    colour_bar(sheet, image, axes, label=quantity, fraction=0.05, pad=0.02, extend="both")
    scale_bar(axes, analysis)
    return sheet


def _taken_off(analysis: Any) -> str:
    """Return in words what was taken off as the substrate's own."""
    zero = analysis.haze_zero
    if not zero.known:
        return "nothing taken off"
    if analysis.blank is not None:
        return f"less {zero.value:.3g} of the blank"
    return f"less {bounded(zero.value, zero.low, zero.high, '{:.3g}'.format)} of background"


def _haze_blocks(analysis: Any, block_px: int) -> tuple[Floats, Floats]:
    bare = label_image(analysis) == 0
    mean, n = between_deposits(
        metal_sum(analysis),
        bare,
        valid_mask(analysis.maps),
        blur=analysis.segmentation.blur_px,
        block_px=block_px,
    )
    return mean - (analysis.haze_zero.value if analysis.haze_zero.known else 0.0), n


def between_deposits(
    total: Array,
    bare: Bools,
    valid: Bools,
    *,
    blur: float,
    block_px: int = 16,
) -> tuple[Floats, Floats]:
    """Return the means of bare pixels over blocks, NaN where there are too few, and how many.

    Dims: `total`, `bare`, `valid` (y, x). Pixels nearer to a deposit than three times the blur are
    left out.
    """
    clear = valid.copy()
    if not bare.all():  # the transform needs something to measure the distance to
        clear &= distance_transform_edt(bare) > 3 * blur
    sums, n = (all_squares(plane, block_px) for plane in (np.where(clear, total, 0.0), clear))
    return np.where(n >= 20, sums / np.maximum(n, 1), np.nan), n

"""Maps of what does not follow: an alloy element apart from the alloy, oxygen beyond the glass."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.core.arrays import Array
from spattermap.core.mapset import element_names, valid_mask
from spattermap.core.squares import all_squares
from spattermap.show.pictures.canvas import (
    INK,
    RULE,
    Picture,
    colour_bar,
    draw_map,
    label_image,
    map_plane,
    nothing_to_draw,
    picture,
    scale_bar,
)
from spattermap.show.wording import listing

if TYPE_CHECKING:
    from matplotlib.axes import Axes


# Side of the squares in which what is fainter than a pixel's noise is averaged (px).
SQUARE_PX = 8
_APART = ("partly_separated", "separated")


def elements_apart(analysis: Any) -> list[str]:
    """Return the alloy's elements that were judged to lie apart from it, wholly or in part."""
    rows = analysis.elements.to_dict("records")
    return [str(r["element"]) for r in rows if r["role"] == "alloy" and r["verdict"] in _APART]


def beyond_alloy(analysis: Any, element: str, *, side: int = SQUARE_PX) -> Array | None:
    """Return how much of an element the rest of the alloy does not account for; (y, x).

    Mean counts a pixel beyond background and beyond the element's share in the droplets times the
    other alloy elements' signal, in squares, never below zero; NaN where no pixel is usable. None
    where there is no other alloy element, no droplet or no bare ground.

    Background is the blank's mean where one was given, else the lowest tenth of the squares. The
    share is the ratio of net signals over all droplets, so that the picture shows where the element
    is in excess of its own mean in the droplets, not of what was bought.
    """
    names = element_names(analysis.maps)
    others = [e for e in analysis.roles.alloy if e != element and e in names]
    valid = valid_mask(analysis.maps)
    on_metal = (label_image(analysis) > 0) & valid
    if not others or not on_metal.any() or not (valid & ~on_metal).any():
        return None
    x = np.asarray(map_plane(analysis, element), dtype=np.float64)
    m = np.asarray(sum(map_plane(analysis, e) for e in others), dtype=np.float64)
    zero_x, zero_m = _zero(analysis, [element], x, valid), _zero(analysis, others, m, valid)
    net = float(m[on_metal].mean()) - zero_m
    if not net > 0:
        return None
    slope = max(0.0, (float(x[on_metal].mean()) - zero_x) / net)
    rest = x - zero_x - slope * (m - zero_m)
    return np.maximum(_square_means(rest, valid, side), 0.0)


def _zero(analysis: Any, elements: list[str], values: Array, valid: Array) -> float:
    """Return what elements show where nothing was deposited."""
    blank = analysis.blank
    if blank is not None:
        names = element_names(blank)
        if all(e in names for e in elements):
            return float(sum(float(blank["counts"][names.index(e)].mean()) for e in elements))
    return float(np.nanquantile(_square_means(values, valid, 16), 0.1))


def _square_means(values: Array, valid: Array, side: int) -> Array:
    """Return means of the usable pixels over squares; NaN where there is none."""
    sums, n = all_squares(np.where(valid, values, 0.0), side), all_squares(valid, side)
    return np.asarray(np.divide(sums, n, out=np.full(n.shape, np.nan), where=n > 0))


def oxygen_beyond_glass(analysis: Any, *, side: int = 2 * SQUARE_PX) -> Array | None:
    """Return the oxygen counts beyond the most that the glass can give, in squares; (y, x).

    Mean counts a pixel, never below zero; None where oxygen or the glass's other lines were not
    mapped, or oxygen belongs to the alloy.

    The glass gives at most ``O_bare * S / S_bare`` with S its harder lines, which metal absorbs
    less than oxygen's. The bare level is the blank's, else that of the pixels without metal, which
    hides a film that lies everywhere. Continuum under the oxygen line is not taken off.
    """
    names = element_names(analysis.maps)
    glass = [e for e in analysis.roles.substrate if e != "O" and e in names]
    valid = valid_mask(analysis.maps)
    if "O" not in names or "O" in analysis.roles.alloy or not glass:
        return None
    o = np.asarray(map_plane(analysis, "O"), dtype=np.float64)
    s = np.asarray(sum(map_plane(analysis, e) for e in glass), dtype=np.float64)
    bare_o, bare_s = _bare(analysis, ["O"], o, valid), _bare(analysis, glass, s, valid)
    if not (np.isfinite(bare_o) and bare_s > 0):
        return None
    through = np.clip(_square_means(s, valid, side) / bare_s, 0.0, 1.0)
    return np.maximum(_square_means(o, valid, side) - bare_o * through, 0.0)


def _bare(analysis: Any, elements: list[str], values: Array, valid: Array) -> float:
    blank = analysis.blank
    if blank is not None and set(elements) <= set(element_names(blank)):
        return _zero(analysis, elements, values, valid)
    bare = valid & (label_image(analysis) == 0)
    return float(values[bare].mean()) if bare.any() else float("nan")


def apart_maps(analysis: Any) -> Picture:
    """Draw, for each alloy element that lies apart, its counts and what the alloy leaves over."""
    pairs = [(e, beyond_alloy(analysis, e)) for e in elements_apart(analysis)]
    drawn = [(e, excess) for e, excess in pairs if excess is not None]
    if not drawn:
        return nothing_to_draw("No element of the alloy lies apart from it.")
    height, width = label_image(analysis).shape
    shape = min(max(height / width, 0.4), 1.6)
    alt = (
        f"Counts of {listing([e for e, _ in drawn])}, and in squares of {SQUARE_PX} px what does "
        "not follow the alloy."
    )
    sheet = picture(7.4, (3.3 * shape + 0.5) * len(drawn), alt=alt)
    panels = sheet.subplots(len(drawn), 2, squeeze=False)
    for (left, right), (element, excess) in zip(panels, drawn, strict=True):
        plane = map_plane(analysis, element)
        _map(sheet, left, analysis, plane, f"{element}, as counted")
        title = f"{element} that does not follow the alloy"
        _squares(sheet, right, analysis, excess, side=SQUARE_PX, title=title)
    return sheet


def oxygen_excess(analysis: Any) -> Picture:
    """Draw the oxygen beyond what the glass under the deposit can give."""
    side = 2 * SQUARE_PX
    excess = oxygen_beyond_glass(analysis, side=side)
    if excess is None:
        return nothing_to_draw("Oxygen beyond the glass not drawn: O or the glass was not mapped.")
    height, width = label_image(analysis).shape
    shape = min(max(height / width, 0.4), 1.6)
    alt = (
        f"Oxygen beyond the most that the glass gives, in squares of {side} px: mean "
        f"{float(np.nanmean(excess)):.3g}, at most {float(np.nanmax(excess)):.3g} counts a pixel."
    )
    sheet = picture(5.8, 4.6 * shape + 0.6, alt=alt)
    axes = sheet.subplots()
    title = "Oxygen beyond the most that the glass gives"
    _squares(sheet, axes, analysis, excess, side=side, title=title)
    return sheet


def _map(sheet: Picture, axes: Axes, analysis: Any, plane: Array, title: str) -> None:
    from cmcrameri import cm

    low, high = (float(v) for v in np.percentile(plane, (0.2, 99.8)))
    image = draw_map(axes, plane, cmap=cm.lipari, vmin=min(low, 0.0), vmax=max(high, low + 1e-9))
    _finish(sheet, axes, analysis, image, title)


def _squares(
    sheet: Picture, axes: Axes, analysis: Any, values: Array, *, side: int, title: str
) -> None:
    from cmcrameri import cm

    height, width = label_image(analysis).shape
    axes.patch.set(facecolor="white", hatch="////", edgecolor=RULE)
    image = axes.imshow(
        np.ma.masked_invalid(values), cmap=cm.lipari, interpolation="nearest", vmin=0.0,
        vmax=max(float(np.nanquantile(values, 0.995)), 1e-9),
        extent=(0, values.shape[1] * side, values.shape[0] * side, 0),
    )  # fmt: skip
    axes.set(xlim=(0, width), ylim=(height, 0), xticks=[], yticks=[])
    _finish(sheet, axes, analysis, image, title)


def _finish(sheet: Picture, axes: Axes, analysis: Any, image: Any, title: str) -> None:
    axes.set_title(title, loc="left", fontsize=10, fontweight="bold", color=INK)
    colour_bar(sheet, image, axes, label="counts a pixel", fraction=0.05, pad=0.02, extend="max")
    scale_bar(axes, analysis)

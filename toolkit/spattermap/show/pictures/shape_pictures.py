"""Pictures of how the deposit is built: droplet profiles, streak directions, the current's way.

Picture of the metal that hangs together.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.ndimage import distance_transform_edt

from spattermap.core.arrays import Array, Floats, Labels
from spattermap.core.mapset import unit_name
from spattermap.show.pictures.canvas import (
    BLUE,
    GREEN,
    INK,
    ORANGE,
    PURPLE,
    RULE,
    SKY,
    SOFT,
    VERMILION,
    Picture,
    colour_bar,
    draw_map,
    field_extent,
    heading,
    label_image,
    legend,
    length_scale,
    map_plane,
    nothing_to_draw,
    ordered_elements,
    picture,
    plain_axes,
    scale_bar,
)
from spattermap.show.wording import is_film, listing

_LINES = (BLUE, VERMILION, GREEN, ORANGE, PURPLE, SKY)
_STYLES = ("-", "--", "-.", ":")
ROSE_SECTORS = 24


def _from_rim(labels: Labels, n_droplets: int) -> Floats:
    """Return the distance of each pixel from the rim of the droplets, inside positive; (y, x).

    Euclidean, to the rim half a pixel beyond the centre of the outermost pixel; it is not a depth.
    """
    droplet = (labels > 0) & (labels <= n_droplets)
    # Continued beyond the field, so that the field's border is not taken for a rim.
    inside = distance_transform_edt(np.pad(droplet, 1, mode="edge"))[1:-1, 1:-1]
    outside = distance_transform_edt(~droplet)
    return np.where(droplet, inside - 0.5, 0.5 - outside)


def _profile(labels: Labels, plane: Array, distance: Floats) -> pd.DataFrame:
    """Return the mean of a map against a distance; dims (y, x)."""
    droplet = distance > 0
    reach = int(np.ceil(distance.max() + 0.5))
    used = (droplet | (labels == 0)) & (distance > -reach)
    bins = np.floor(distance[used]).astype(np.int64)
    first = int(bins.min())
    n = np.bincount(bins - first)
    total = np.bincount(bins - first, plane[used].astype(np.float64))
    keep = n > 0
    middle = (np.arange(len(n)) + first + 0.5)[keep]
    error = np.sqrt(np.clip(total[keep], 0, None)) / n[keep]
    return pd.DataFrame({
        "distance_px": middle, "n_pixels": n[keep], "mean": total[keep] / n[keep], "error": error
    })  # fmt: skip


def rim_to_centre(analysis: Any, elements: list[str] | None = None) -> Picture:
    """Draw each element's mean counts against the distance from the droplets' rim.

    Parameters
    ----------
    elements : list of str, optional
        Symbols; by default all.

    Returns
    -------
    Picture
        Each curve is divided by its plateau, the mean clear of the rim on the side where it is
        higher, so that shapes compare; bands are one standard deviation of counting. A rim richer
        in one element than the centre shows as a hump at zero.
    """
    chosen = list(elements) if elements else ordered_elements(analysis)
    size, unit = length_scale(analysis)
    if not analysis.segmentation.n_droplets:
        return nothing_to_draw("Profiles not drawn: no droplet was found.")
    where = "film" if is_film(analysis.summary()) else "droplets"
    sheet = picture(5.8, 3.8, alt=f"Mean counts of {listing(chosen)} against the distance from "
                                  f"the rim of the {where}, outside to centre.")  # fmt: skip
    axes = sheet.subplots()
    labels = label_image(analysis)
    distance = _from_rim(labels, analysis.segmentation.n_droplets)
    for k, element in enumerate(chosen):
        table = _profile(labels, map_plane(analysis, element), distance)
        table = table[table["n_pixels"] >= 20]  # fewer pixels only show noise
        top = _plateau(table, clear_px=max(2.0, 2 * analysis.segmentation.blur_px))
        if not top > 0:
            continue
        x = table["distance_px"] * size
        style = _STYLES[k % len(_STYLES)]  # told apart in grey print too
        colour = _LINES[k % len(_LINES)]
        axes.plot(x, table["mean"] / top, color=colour, linestyle=style, linewidth=1.8,
                  label=f"{element} ({analysis.roles.of(element)})")  # fmt: skip
        axes.fill_between(x, (table["mean"] - table["error"]) / top,
                          (table["mean"] + table["error"]) / top, color=colour, alpha=0.2,
                          linewidth=0)  # fmt: skip
    axes.axvline(0, color=SOFT, linewidth=1)
    axes.annotate("rim", (0, 0), (3, 4), xycoords=("data", "axes fraction"),
                  textcoords="offset points", fontsize=8.5, color=SOFT)  # fmt: skip
    axes.set_xlabel(f"distance from the rim ({unit_name(unit)}), inside positive")
    axes.set_ylabel("mean counts, plateau = 1")
    axes.set_ylim(bottom=0)
    plain_axes(axes, grid="y")
    legend(sheet, ncols=4)
    return sheet


def _plateau(table: pd.DataFrame, *, clear_px: float) -> float:
    """Return the higher of the means inside and outside, clear of the rim; NaN where neither is."""
    means = []
    for side in (table["distance_px"] >= clear_px, table["distance_px"] <= -clear_px):
        n = table.loc[side, "n_pixels"].to_numpy(dtype=float)
        if n.sum() > 0:
            means.append(float((table.loc[side, "mean"].to_numpy(dtype=float) * n).sum() / n.sum()))
    return max(means, default=float("nan"))


def streak_rose(analysis: Any) -> Picture:
    """Draw how many streaks point where.

    Angles as on the picture: 0 to the right, counter-clockwise, from head to tail. Streaks whose
    head and tail could not be told count half in either direction and are hatched. The area of a
    sector, not its length, shows the number.
    """
    table = analysis.streaks
    if not len(table):
        return nothing_to_draw("Streak directions not drawn: no streak was found.")
    directed = table["directed"].astype(bool).to_numpy()
    degrees = table["angle_deg"].to_numpy(dtype=float)
    told, half = np.deg2rad(degrees[directed]), np.deg2rad(degrees[~directed])
    edges = np.linspace(0, 2 * np.pi, ROSE_SECTORS + 1)
    known = np.histogram(told % (2 * np.pi), edges)[0].astype(float)
    both = np.concatenate([half, half + np.pi]) % (2 * np.pi)
    unknown = np.histogram(both, edges)[0] / 2
    sheet = picture(4.2, 4.0, alt=_alt_rose(degrees[directed], half.size))
    axes: Any = sheet.add_subplot(projection="polar")
    width = edges[1]
    middle = edges[:-1] + width / 2
    inner, outer = np.sqrt(known), np.sqrt(known + unknown)
    axes.bar(middle, inner, width=width, color=ORANGE, edgecolor="white", linewidth=0.6,
             label="head and tail told")  # fmt: skip
    if half.size:
        axes.bar(middle, outer - inner, bottom=inner, width=width, color="none", edgecolor=SOFT,
                 hatch="////", linewidth=0.6, label="not told")  # fmt: skip
    most = float((known + unknown).max())
    # Streaks come in whole numbers, so rings do too; one ring at least.
    steps = np.unique(np.floor(np.array([0.25, 0.5, 1.0]) * most))
    steps = steps[steps > 0] if most >= 1 else np.array([1.0])
    axes.set_rgrids(np.sqrt(steps), [f"{step:g}" for step in steps], fontsize=8, color=SOFT)
    axes.set_ylim(0, np.sqrt(max(most, 1.0)) * 1.05)
    axes.set_thetagrids(range(0, 360, 45), fontsize=9, color=INK)
    axes.grid(color=RULE, linewidth=0.7)
    axes.spines["polar"].set_color(RULE)
    legend(sheet, loc="outside lower center", ncols=2)
    return sheet


def _alt_rose(told: Floats, n_half: int) -> str:
    from spattermap.segment.streaks import mean_direction

    words = f"Rose of {told.size + n_half} streak directions."
    if told.size:
        direction, length = mean_direction(told)
        words += (
            f" Head and tail told for {told.size}: mean direction {direction:.0f} degrees, mean "
            f"vector length {length:.2f}."
        )
    if n_half:
        words += f" Not told for {n_half}."
    return words


def current_density(analysis: Any, *, direction: str = "auto") -> Picture:
    """Draw where the current would flow between two opposite edges of the field.

    Parameters
    ----------
    direction : {"auto", "x", "y"}, optional
        Direction of the current; "auto" takes the one that conducts better.

    Returns
    -------
    Picture
        1 is what a full film of the same mean thickness would carry.

    Raises
    ------
    InputError
        If the direction is unknown.
    """
    from cmcrameri import cm

    from spattermap.core.errors import one_of

    one_of(direction, "direction", ("auto", "x", "y"))
    found = analysis.continuity
    sheets = {"x": found.x, "y": found.y}
    if direction == "auto":
        direction = max(sheets, key=lambda axis: float(np.nan_to_num(sheets[axis].ratio)))
    sheet_result = sheets[direction]
    if not sheet_result.ratio > 0:
        return nothing_to_draw("Current not drawn: the metal found does not cross the field.")
    density = np.nan_to_num(sheet_result.current_density)
    height, width = density.shape
    carrying = density[density > 0]
    top = float(np.percentile(carrying, 99)) if carrying.size else 1.0
    alt = (
        f"Current density for a current along {direction}: the field conducts "
        f"{sheet_result.ratio:.3g} times as well as a full film."
    )
    sheet = picture(5.6, min(4.7 * height / width, 7.0) + 0.6, alt=alt)
    axes = sheet.subplots()
    image = draw_map(axes, density, cmap=cm.lapaz, vmin=0, vmax=top)
    image.set_extent(field_extent(analysis, (height, width)))
    heading(axes, f"Current along {direction}",
            f"sheet conductance {sheet_result.ratio:.3g} of a full film's")  # fmt: skip
    label = "current density, full film = 1"
    colour_bar(sheet, image, axes, label=label, fraction=0.05, pad=0.02, extend="max")
    scale_bar(axes, analysis)
    return sheet


# Dark ground, mid grey, bright: told apart in grey as well as in colour.
_BARE, _OTHER, _LARGEST = "#14142b", "#8a8f98", "#f0b83c"


def connected_region(analysis: Any) -> Picture:
    """Draw the largest connected region of the metal apart from the rest.

    Bare substrate dark, the largest region (pixels sharing an edge) bright, other metal grey.
    """
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Patch

    found = analysis.continuity.edges
    labels = np.asarray(found.labels)
    if found.n_regions == 0:
        return nothing_to_draw("Connected region not drawn: no metal was found.")
    shown = np.where(labels == 1, 2, (labels > 0).astype(np.int64))  # 1 is the largest
    crosses = [axis for axis in ("x", "y") if getattr(found, f"crosses_{axis}")]
    reach = (
        f"metal crosses the field in {' and '.join(crosses)}"
        if crosses
        else "no region crosses the field"
    )
    share = f"{100 * found.largest_share:.0f} % of the metal"
    height, width = labels.shape
    alt = f"The largest of {found.n_regions} connected regions holds {share}; {reach}."
    sheet = picture(5.6, min(4.7 * height / width, 7.0) + 0.9, alt=alt)
    axes = sheet.subplots()
    image = draw_map(axes, shown, cmap=ListedColormap([_BARE, _OTHER, _LARGEST]), vmin=0, vmax=2)
    image.set_extent(field_extent(analysis, (height, width)))
    heading(axes, "Largest connected region", f"{share}, {reach}")
    scale_bar(axes, analysis)
    marks = [
        Patch(facecolor=_LARGEST, edgecolor=INK, label="largest region"),
        Patch(facecolor=_OTHER, edgecolor=INK, label="other metal"),
        Patch(facecolor=_BARE, edgecolor=INK, label="bare"),
    ]
    legend(sheet, handles=marks, loc="outside lower center", ncols=3, fontsize=9, labelcolor=None)
    return sheet

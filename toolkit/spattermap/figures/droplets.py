"""Pictures of fitted sizes, of the spacing of droplets, and of the decision behind the coverage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.figures.axes import label_log_axis, plain_axes
from spattermap.figures.canvas import (
    BLUE,
    INK,
    SKY,
    SOFT,
    VERMILION,
    Picture,
    length_scale,
    nothing_to_draw,
    picture,
)
from spattermap.figures.sizes import (
    FEWEST_DROPLETS_FOR_BINS,
    diameters_of,
    log_bins,
)
from spattermap.mapset import unit_name

if TYPE_CHECKING:
    import numpy.typing as npt
    from matplotlib.axes import Axes

STYLES = ("-", "--", "-.")


def fitted_sizes(analysis: Any) -> Picture:
    """Draw the border-corrected share of number and of area by diameter, with the fitted curves.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Picture
        Two panels; bars are shares in logarithmic bins, lines the three best of the fitted
        distributions above the smallest trusted diameter.
    """
    _, unit = length_scale(analysis)
    weights = analysis.morphology.border_weight
    diameters = diameters_of(analysis)[weights > 0]
    weights = weights[weights > 0]
    if len(diameters) < FEWEST_DROPLETS_FOR_BINS:
        return nothing_to_draw(
            f"Fitted sizes not drawn: {len(diameters)} droplets lie clear of the border, at least "
            f"{FEWEST_DROPLETS_FOR_BINS} are needed."
        )
    fits = analysis.morphology.fits[:3]
    names = ", ".join(fit.family for fit in fits) or "none, too few droplets"
    sheet = picture(
        7.2,
        3.4,
        alt=(
            f"Share of number and of area by diameter, {len(diameters)} droplets clear of the "
            f"border; fitted distributions, best first: {names}."
        ),
    )
    edges = log_bins(diameters)
    left, right = sheet.subplots(1, 2)
    for axes, power, name in ((left, 0, "number"), (right, 2, "area")):
        _bars_and_curves(axes, (diameters, weights), edges, fits, power=power)
        axes.set_xlabel(f"area-equivalent diameter ({unit_name(unit)})")
        axes.set_ylabel(f"share of {name} in bin")
    if fits:
        handles, labels = left.get_legend_handles_labels()
        sheet.legend(
            handles, labels, loc="outside upper left", ncols=4, frameon=False, fontsize=8.5
        )
    return sheet


def _bars_and_curves(
    axes: Axes,
    sample: tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]],
    edges: npt.NDArray[np.float64],
    fits: list[Any],
    *,
    power: int,
) -> None:
    diameters, weights = sample
    share = weights * diameters**power
    axes.hist(
        diameters, bins=edges.tolist(), weights=share / share.sum(), color=SKY, edgecolor="white"
    )
    grid = np.geomspace(edges[0], edges[-1], 300)
    width = np.log(edges[1] / edges[0])
    for fit, style, colour in zip(fits, STYLES, (BLUE, VERMILION, INK), strict=False):
        # Share in a bin about d: the density in ln d, times the bin's width, among what is seen.
        low = max(fit.window.smallest, edges[0])
        density = fit.density(grid) * grid ** (power + 1)
        seen = grid >= low
        total = density[seen].sum() * np.log(grid[1] / grid[0])
        curve = np.where(seen, density / total * width, np.nan)
        axes.plot(grid, curve, linestyle=style, color=colour, linewidth=1.6, label=fit.family)
    axes.set_xscale("log")
    plain_axes(axes, grid="y")
    label_log_axis(axes)


def spacing_curve(analysis: Any) -> Picture:
    """Draw the pair correlation of the droplets with the envelope of random arrangements.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Picture
        Above the band droplets gather at that distance, below they keep apart.
    """
    _, unit = length_scale(analysis)
    found = analysis.morphology.spacing
    if not len(found.g):
        return nothing_to_draw(f"Spacing not drawn: {found.null}.")
    sheet = picture(
        5.8,
        3.4,
        alt=(
            f"Pair correlation against distance for {found.n_used} droplets: {found.pattern}; mean "
            f"nearest-neighbour distance {found.index:.2f} times that of random arrangements."
        ),
    )
    axes = sheet.subplots()
    g = found.g
    level = 100 * analysis.settings.level
    axes.fill_between(
        g["r"], g["low"], g["high"], color=SOFT, alpha=0.25, label=f"at random ({level:g} %)"
    )
    axes.plot(g["r"], g["null"], color=SOFT, linewidth=1.2, linestyle="--")
    axes.plot(g["r"], g["g"], color=BLUE, linewidth=1.8, label="droplets")
    axes.axhline(1, color=INK, linewidth=0.6)
    axes.set_xlabel(f"distance between centres ({unit_name(unit)})")
    axes.set_ylabel("pair correlation g")
    axes.set_ylim(bottom=0)
    plain_axes(axes, grid="y")
    axes.legend(frameon=False, fontsize=8.5, labelcolor=INK)
    return sheet


def coverage_decision(analysis: Any) -> Picture:
    """Draw the coverage against where the line between metal and bare is drawn.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Picture
        A flat curve means that the coverage does not hang on the decision; the bar is the
        interval at the decision taken.
    """
    table, cover = analysis.morphology.sensitivity, analysis.morphology.coverage
    ends = 100 * table["coverage"].iloc[[0, -1]]
    sheet = picture(
        5.8,
        3.2,
        alt=(
            f"Coverage against the log odds that a pixel must reach to count as metal: from "
            f"{ends.iloc[0]:.1f} % to {ends.iloc[1]:.1f} %."
        ),
    )
    axes = sheet.subplots()
    axes.plot(table["log_odds"], 100 * table["coverage"], "o-", color=BLUE, linewidth=1.6)
    bar = np.array([[cover.value - cover.low], [cover.high - cover.value]])
    axes.errorbar(
        [0], [100 * cover.value], yerr=100 * bar, fmt="s", color=INK, capsize=4, linewidth=1.6
    )
    axes.set_xlabel("log odds needed to call a pixel metal (0: as decided)")
    axes.set_ylabel("coverage (%)")
    plain_axes(axes, grid="y")
    return sheet

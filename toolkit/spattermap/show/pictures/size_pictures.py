"""Pictures of the droplets' sizes and of what each droplet is made of.

Pictures of fitted sizes, of the spacing of droplets, and of the decision behind the coverage.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from spattermap.core.arrays import Floats
from spattermap.core.estimate import span
from spattermap.core.mapset import unit_name
from spattermap.show.pictures.canvas import (
    BLUE,
    INK,
    RULE,
    SKY,
    SOFT,
    VERMILION,
    Picture,
    label_log_axis,
    legend,
    length_scale,
    nothing_to_draw,
    picture,
    plain_axes,
)
from spattermap.show.wording import is_film, noun_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FEWEST_DROPLETS_FOR_BINS = 3


def diameters_of(analysis: Any) -> Floats:
    """Return the area-equivalent diameters of all droplets, in the map set's length unit.

    Returns dims (droplet,).
    """
    _, unit = length_scale(analysis)
    return analysis.droplets[f"diameter_{unit}"].to_numpy(dtype=np.float64)  # type: ignore[no-any-return]


def log_bins(diameters: Floats) -> Floats:
    """Return the edges of equal bins on a logarithmic axis.

    The number of bins is that of Sturges (1926), with at most ten a decade.

    H. A. Sturges, J. Am. Stat. Assoc. 21 (1926) 65: k = 1 + log2 n.
    """
    low, high = float(diameters.min()), float(diameters.max())
    if high <= low * 1.02:
        low, high = low / 1.1, high * 1.1
    decades = np.log10(high / low)
    wanted = 1 + int(np.ceil(np.log2(len(diameters))))
    bins = int(max(3, min(wanted, np.ceil(10 * decades))))
    return np.geomspace(low * (1 - 1e-9), high * (1 + 1e-9), bins + 1)


def size_histogram(analysis: Any) -> Picture:
    """Draw the droplet diameters in logarithmic bins with the cumulative number and area.

    Bars count the droplets found. The curves are corrected for droplets cut by the border, and so
    are D10, D50 and D90 (by number), marked with their intervals. Sizes below the smallest trusted
    diameter are shaded.
    """
    from matplotlib.ticker import MaxNLocator

    _, unit = length_scale(analysis)
    diameters = diameters_of(analysis)
    if is_film(analysis.summary()):
        return nothing_to_draw("Size distribution not drawn: the deposit is one joined region.")
    if len(diameters) < FEWEST_DROPLETS_FOR_BINS:
        return nothing_to_draw(
            f"Size distribution not drawn: {len(diameters)} droplets were found, at least "
            f"{FEWEST_DROPLETS_FOR_BINS} are needed."
        )
    summary = analysis.summary()
    sheet = picture(5.8, 3.8, alt=_alt_sizes(summary, diameters, unit))
    axes = sheet.subplots()
    axes.hist(
        diameters, bins=log_bins(diameters).tolist(), color=SKY, edgecolor="white", linewidth=0.8
    )
    axes.set_xscale("log")
    axes.set_xlabel(f"area-equivalent diameter ({unit_name(unit)})")
    axes.set_ylabel("droplets in bin")
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))  # droplets come whole
    plain_axes(axes, grid="y")
    label_log_axis(axes)
    share = _cumulative(axes, diameters, _border_weights(analysis))
    _mark_quantiles(share, summary, unit)
    handles = [*share.get_legend_handles_labels()[0], *_mark_trusted(axes, summary, unit)]
    legend(sheet, handles=handles, ncols=3, handlelength=1.6, columnspacing=1.2)
    return sheet


def _border_weights(analysis: Any) -> Floats:
    """Return how many droplets each one stands for: those cut by the border are not measured."""
    weights = np.asarray(analysis.morphology.border_weight, dtype=np.float64)
    return weights if weights.sum() > 0 else np.ones(len(analysis.droplets))


def _cumulative(axes: Axes, diameters: Floats, weights: Floats) -> Any:
    share = axes.twinx()
    used = weights > 0
    diameters, weights = diameters[used], weights[used]
    share.ecdf(diameters, weights=weights, color=BLUE, linewidth=1.8, label="cumulative number")
    share.ecdf(
        diameters,
        weights=weights * diameters**2,
        color=VERMILION,
        linewidth=1.8,
        linestyle="--",
        label="cumulative area",
    )
    share.set_ylim(0, 1.02)
    share.set_ylabel("cumulative fraction", color=INK, fontsize=10)
    share.tick_params(colors=SOFT, labelcolor=INK, labelsize=9)
    share.spines["top"].set_visible(False)
    return share


def _mark_quantiles(share: Any, summary: dict[str, Any], unit: str) -> None:
    for level, name in ((0.1, "d10"), (0.5, "d50"), (0.9, "d90")):
        value = summary.get(f"{name}_{unit}")
        if value is None or not np.isfinite(value):
            continue
        low, high = (summary.get(f"{name}_{unit}_{side}") for side in ("low", "high"))
        if low is not None and high is not None and np.isfinite([low, high]).all():
            share.plot(
                [low, high],
                [level, level],
                color=INK,
                linewidth=3.2,
                alpha=0.35,
                solid_capstyle="butt",
            )
        share.plot([value], [level], "o", color=INK, markersize=5)
        # Where the curve ends there is no room to the right.
        shift, side = ((-7, -12), "right") if level > 0.8 else ((7, -4), "left")
        share.annotate(
            f"D{name[1:]} {value:.3g}",
            (value, level),
            shift,
            textcoords="offset points",
            ha=side,
            fontsize=8.5,
            color=INK,
            bbox={"facecolor": "white", "alpha": 0.8, "edgecolor": "none", "pad": 1},
        )


def _mark_trusted(axes: Axes, summary: dict[str, Any], unit: str) -> list[Any]:
    from matplotlib.patches import Patch

    trusted = summary.get(f"smallest_trusted_{unit}")
    left, right = axes.get_xlim()
    if trusted is None or not trusted > left:
        return []
    look: dict[str, Any] = {"facecolor": "none", "edgecolor": SOFT, "hatch": "////", "linewidth": 0}
    axes.axvspan(left, min(trusted, right), alpha=0.6, zorder=0.5, **look)
    axes.set_xlim(left, right)
    return [Patch(label="below smallest trusted", **look)]


def _alt_sizes(summary: dict[str, Any], diameters: Floats, unit: str) -> str:
    printed = unit_name(unit)
    parts = [
        f"{name.upper()} {summary[f'{name}_{unit}']:.3g} {printed}"
        for name in ("d10", "d50", "d90")
        if summary.get(f"{name}_{unit}") is not None
    ]
    return (
        f"Histogram of {len(diameters)} droplet diameters on a logarithmic axis, from "
        f"{diameters.min():.3g} to {diameters.max():.3g} {printed}, with cumulative number and "
        f"area. By number: {', '.join(parts)}."
    )


def droplet_composition(analysis: Any, elements: list[str] | None = None) -> Picture:
    """Draw each droplet's share of each alloy element's counts against its diameter.

    Parameters
    ----------
    elements : list of str, optional
        Elements whose counts are compared; by default those of the alloy.

    Returns
    -------
    Picture
        Error bars are one standard deviation of counting. Shares of counts are no mass percent:
        each element's X-rays differ in yield. Counts are taken with their spectral background.
    """
    _, unit = length_scale(analysis)
    chosen = list(elements) if elements else list(analysis.roles.alloy)
    table, noun = analysis.droplets, noun_of(analysis)
    if len(chosen) < 2 or not len(table):
        return nothing_to_draw(
            "Composition against diameter not drawn: it needs at least one droplet and two "
            "elements of the alloy."
        )
    counts, errors = (
        np.stack([table[f"{e}_{name}"].to_numpy(dtype=float) for e in chosen])
        for name in ("counts", "counts_err")
    )
    shares, spread = shares_with_error(counts, errors)
    alt = (
        f"Share of the alloy's counts in each of {len(table)} {noun}s against diameter, for "
        f"{', '.join(chosen)}, with counting error bars."
    )
    sheet = picture(5.8, 1.1 + 1.4 * len(chosen), alt=alt)
    panels = sheet.subplots(len(chosen), 1, sharex=True, squeeze=False).ravel()
    whole = counts.sum(axis=1) / counts.sum()
    diameters = diameters_of(analysis)
    for k, (axes, element) in enumerate(zip(panels, chosen, strict=True)):
        bought = nominal_count_share(analysis.maps, chosen, element)
        _share_points(axes, diameters, (shares[k], spread[k]), float(whole[k]), bought=bought)
        axes.set_ylabel(f"{element} of the counts")
        said = f"all {noun}s together {whole[k]:.3f}"
        if bought is not None:
            said += f" · alloy as bought {span(min(bought), max(bought), '{:.3f}'.format)}"
        axes.set_title(said, loc="left", fontsize=8.5, color=SOFT)
    label_log_axis(panels[-1])
    panels[-1].set_xlabel(f"area-equivalent diameter ({unit_name(unit)})")
    handles, names = panels[0].get_legend_handles_labels()
    legend(sheet, handles, names, ncols=2)
    return sheet


def nominal_count_share(
    maps: xr.Dataset, names: Sequence[str], element: str
) -> tuple[float, float] | None:
    """Return which part of the alloy's counts an element has in the alloy as bought, thin to thick.

    From 0 to 1, in a film too thin to absorb and in bulk metal; None where mass percent, lines or
    beam energy are not known.

    Mass percent times the relative sensitivity of each line (thin film, no absorption; see
    `spattermap.xrays.ranges.relative_sensitivity`); in bulk metal divided by the counts of the
    thinnest film, over those of bulk, a mass thickness (`spattermap.xrays.layers.layer_model`).
    """
    from spattermap.core.errors import SpattermapError
    from spattermap.core.mapset import facts
    from spattermap.xrays.layers import layer_model
    from spattermap.xrays.ranges import relative_sensitivity

    known = facts(maps)
    lines = dict(zip(map(str, maps["element"].values), map(str, maps["line"].values), strict=True))
    mass = {e: float(known.alloy.get(e, math.nan)) for e in names}
    if not known.beam_energy_keV or not all(map(math.isfinite, mass.values())):
        return None
    try:
        counts = {
            e: mass[e] * relative_sensitivity(lines[e], lines[element], known.beam_energy_keV).ratio
            for e in names
        }
        stated = any(part > 0 for part in known.substrate.values())
        glass = known.substrate if stated else _FUSED_SILICA
        model = layer_model(
            {e: lines[e] for e in names}, mass, glass, beam_energy_keV=known.beam_energy_keV
        )
    except SpattermapError:
        return None
    thick = {e: counts[e] / float(model.lines[e].film[1]) for e in names}
    if not (sum(counts.values()) > 0 and all(map(math.isfinite, thick.values()))):
        return None
    return counts[element] / sum(counts.values()), thick[element] / sum(thick.values())


# Mass percent; bulk metal does not see what lies under it, so any glass does.
_FUSED_SILICA = {"Si": 46.74, "O": 53.26}


def _share_points(
    axes: Axes,
    diameters: Floats,
    share: tuple[Floats, Floats],
    whole: float,
    *,
    bought: tuple[float, float] | None = None,
) -> None:
    """Draw the share in each droplet with its error, in all of them, and in the alloy as bought."""
    value, error = share
    axes.errorbar(
        diameters,
        value,
        yerr=error,
        fmt="o",
        markersize=3,
        color=BLUE,
        ecolor=SKY,
        elinewidth=0.7,
        alpha=0.75,
    )
    axes.axhline(
        whole,
        color=VERMILION,
        linewidth=1.2,
        linestyle="--",
        label="all together, background included",
    )
    low, high = _range_of(value, error, whole)
    if bought is not None:
        axes.axhspan(
            min(bought), max(bought), facecolor=RULE, edgecolor=INK, linestyle=":", alpha=0.6,
            zorder=0, label="alloy as bought, thin to thick",
        )  # fmt: skip
        room = 0.25 * (high - low)
        low, high = min(low, min(bought) - room), max(high, max(bought) + room)
    axes.set(xscale="log", ylim=(low, high))
    plain_axes(axes, grid="y")


def _range_of(share: Any, error: Any, whole: float) -> tuple[float, float]:
    """Keep the few droplets with hardly any counts from squeezing all others flat."""
    good = np.isfinite(share)
    low = min(np.percentile((share - error)[good], 2), whole)
    high = max(np.percentile((share + error)[good], 98), whole)
    room = max(0.08 * (high - low), 0.01)
    return float(low - room), float(high + 3 * room)


def shares_with_error(counts: Floats, errors: Floats) -> tuple[Floats, Floats]:
    """Return each element's share of the total and its standard deviation, to first order.

    Dims: `counts, errors` (element, droplet); returns (element, droplet).

    For f = a / (a + b): var f = (b^2 var a + a^2 var b) / (a + b)^4, by first-order propagation.
    """
    total = counts.sum(axis=0)
    safe = np.where(total > 0, total, np.nan)
    shares = counts / safe
    rest = safe - counts
    variance = errors**2
    rest_variance = variance.sum(axis=0) - variance
    spread = np.sqrt(rest**2 * variance + counts**2 * rest_variance) / safe**2
    return shares, spread


STYLES = ("-", "--", "-.")


def fitted_sizes(analysis: Any) -> Picture:
    """Draw the border-corrected share of number and of area by diameter, with the fitted curves.

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
    if not fits:
        return nothing_to_draw("Fitted sizes not drawn: too few droplets for any fit.")
    if is_film(analysis.summary()):
        return nothing_to_draw("Fitted sizes not drawn: the deposit is one joined region.")
    names = ", ".join(fit.family for fit in fits)
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
    handles, labels = left.get_legend_handles_labels()
    legend(sheet, handles, labels, ncols=4, labelcolor=None)
    return sheet


def _bars_and_curves(
    axes: Axes,
    sample: tuple[Floats, Floats],
    edges: Floats,
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
    legend(axes, loc="best")
    return sheet


def coverage_decision(analysis: Any) -> Picture:
    """Draw the coverage against where the line between metal and bare is drawn.

    A flat curve means that the coverage does not hang on the decision; the bar is the interval at
    the decision taken.
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

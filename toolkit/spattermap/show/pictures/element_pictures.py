"""Pictures of what goes with what: shares, correlations, densities, ternaries."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.core.errors import InputError
from spattermap.show.pictures.canvas import (
    BLUE,
    INK,
    ORANGE,
    RULE,
    SOFT,
    VERMILION,
    Picture,
    colour_bar,
    label_image,
    map_plane,
    nothing_to_draw,
    ordered_elements,
    picture,
    plain_axes,
    quantity_name,
    refuse_unmapped,
    shrink,
)
from spattermap.show.wording import listing

if TYPE_CHECKING:
    import numpy.typing as npt
    from matplotlib.axes import Axes

ROLE_COLOURS = {"alloy": BLUE, "substrate": ORANGE, "other": SOFT}
_SHARES = (("share_in_droplets", "share in droplets"), ("share_with_alloy", "share with alloy"))


def share_bars(analysis: Any) -> Picture:
    """Draw, for each element, the share of its net signal in droplets and the share with the alloy.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Picture
        Whiskers are the intervals of ``elements.csv``; a share that could not be told is left out.
    """
    table = analysis.elements.set_index("element", drop=False)
    table = table.reindex([name for name in ordered_elements(analysis) if name in table.index])
    # An alloy of one element has nothing to follow: a panel without any value is left out.
    shown = [(c, name) for c, name in _SHARES if c in table and table[c].notna().any()]
    if not len(table) or not shown:
        return nothing_to_draw("Shares not drawn: no element has a share that could be told.")
    sheet = picture(0.8 + 2.5 * len(shown), 1.25 + 0.36 * len(table), alt=_alt_shares(table, shown))
    panels = sheet.subplots(1, len(shown), sharey=True, squeeze=False).ravel()
    for axes, (column, name) in zip(panels, shown, strict=True):
        _bars(axes, table, column)
        axes.set_xlabel(name)
    panels[0].set_yticks(range(len(table)), [str(e) for e in table["element"]])
    panels[0].invert_yaxis()
    _role_legend(sheet, table)
    return sheet


def _bars(axes: Axes, table: Any, column: str) -> None:
    rows = np.arange(len(table))
    value = table[column].to_numpy(dtype=float)
    colours = [ROLE_COLOURS.get(str(role), SOFT) for role in table["role"]]
    axes.barh(rows, np.nan_to_num(value), color=colours, height=0.62, alpha=0.85)
    low, high = (
        table[f"{column}_{side}"].to_numpy(dtype=float) if f"{column}_{side}" in table else value
        for side in ("low", "high")
    )
    axes.hlines(rows, low, high, color=INK, linewidth=1.3)
    for bound in (low, high):
        axes.plot(bound, rows, "|", color=INK, markersize=7, markeredgewidth=1.3)
    for row in rows[~np.isfinite(value)]:
        axes.text(0.02, row, "not told", va="center", fontsize=8.5, color=SOFT, style="italic")
    # A share beyond these limits says only that it is not told; the table holds the number.
    axes.set_xlim(min(0.0, max(-0.5, _least(low))), max(1.0, min(1.5, -_least(-high))))
    axes.axvline(0, color=SOFT, linewidth=0.8)
    axes.axvline(1, color=RULE, linewidth=0.8, zorder=0)
    plain_axes(axes, grid="x")
    axes.tick_params(axis="y", length=0)


def _least(values: npt.NDArray[np.float64]) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.min()) if finite.size else 0.0


def _role_legend(sheet: Picture, table: Any) -> None:
    from matplotlib.patches import Patch

    roles = [role for role in ROLE_COLOURS if role in set(table["role"].astype(str))]
    handles = [Patch(color=ROLE_COLOURS[role], label=role, alpha=0.85) for role in roles]
    sheet.legend(
        handles=handles,
        loc="outside upper right",
        ncols=3,
        frameon=False,
        fontsize=9,
        labelcolor=INK,
    )


def _alt_shares(table: Any, shown: list[tuple[str, str]]) -> str:
    sentences = []
    for _, row in table.iterrows():
        parts = [f"{row[c]:.2f} {name}" for c, name in shown if np.isfinite(row[c])]
        sentences.append(f"{row['element']}: {', '.join(parts) if parts else 'not told'}")
    return "Shares of each element's net signal. " + "; ".join(sentences) + "."


def correlation_matrix(analysis: Any) -> Picture:
    """Draw the noise-corrected correlation of every pair, with the plain value in small below.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Picture
        Pairs whose interval holds zero stay white and are printed in grey italics; pairs that
        cannot be told (no variance left after the noise is taken off) show a dash.
    """
    from cmcrameri import cm

    table = analysis.pairs
    names = ordered_elements(analysis)
    if len(names) < 2 or not len(table):
        return nothing_to_draw("Co-location not drawn: it needs at least two elements.")
    matrix = np.full((len(names), len(names)), np.nan)
    for _, row in table.iterrows():
        i, j = sorted((names.index(row["element_a"]), names.index(row["element_b"])))
        matrix[j, i] = np.nan if _unsure(row) else row["r"]
    side = 1.5 + 0.56 * len(names)
    sheet = picture(side + 0.5, side - 0.2, alt=_alt_pairs(table))
    sheet.set_layout_engine("compressed", w_pad=0.1, h_pad=0.1)  # square cells, fixed shape
    axes = sheet.subplots()
    shown = np.ma.masked_invalid(matrix[1:, :-1])
    image = axes.imshow(shown, cmap=cm.vik, vmin=-1, vmax=1)
    for _, row in table.iterrows():
        i, j = sorted((names.index(row["element_a"]), names.index(row["element_b"])))
        _write_pair(axes, i, j - 1, row)
    axes.set_xticks(range(len(names) - 1), names[:-1])
    axes.set_yticks(range(len(names) - 1), names[1:])
    plain_axes(axes)
    axes.tick_params(length=0, labelsize=10)
    for spine in axes.spines.values():
        spine.set_visible(False)
    label = "correlation r, noise corrected (plain r in small)"
    colour_bar(sheet, image, axes, label=label, fraction=0.04, pad=0.02)
    return sheet


def _unsure(row: Any) -> bool:
    """Return whether the interval of a pair leaves the sign of its correlation open."""
    r, low, high = (float(row[name]) for name in ("r", "r_low", "r_high"))
    return not np.isfinite([r, low, high]).all() or low <= 0.0 <= high


def _write_pair(axes: Axes, x: int, y: int, row: Any) -> None:
    r = float(row["r"])
    told, unsure = bool(np.isfinite(r)), _unsure(row)
    dark = not unsure and abs(r) > 0.45
    ink = "white" if dark else (SOFT if unsure else INK)
    axes.text(
        x,
        y - 0.08,
        f"{r:+.2f}" if told else "–",
        ha="center",
        va="center",
        fontsize=9.5,
        color=ink,
        style="italic" if unsure else "normal",
        fontweight="normal" if unsure else "bold",
    )
    plain_r = float(row["r_plain"])
    if np.isfinite(plain_r):
        axes.text(
            x,
            y + 0.27,
            f"{plain_r:+.2f}",
            ha="center",
            va="center",
            fontsize=7.5,
            color="white" if dark else INK,
        )


def _alt_pairs(table: Any) -> str:
    told = table[~table.apply(_unsure, axis=1).astype(bool)]
    ranked = told.reindex(told["r"].astype(float).abs().sort_values(ascending=False).index)
    best = [
        f"{row['element_a']} with {row['element_b']} {row['r']:+.2f} (plain {row['r_plain']:+.2f})"
        for _, row in ranked.head(4).iterrows()
    ]
    words = "; ".join(best) if best else "no pair could be told"
    return f"Matrix of noise-corrected correlations. Strongest: {words}."


def density_scatter(analysis: Any, element_a: str, element_b: str, *, block_px: int = 4) -> Picture:
    """Draw two elements against each other as a density over small blocks.

    Parameters
    ----------
    analysis : Analysis
        The result.
    element_a, element_b : str
        Symbols for the horizontal and vertical axis.
    block_px : int, optional
        Side of the blocks that are averaged first (px); single pixels at low counts only show
        the counting.

    Returns
    -------
    Picture

    Raises
    ------
    InputError
        If an element has no map.
    """
    from cmcrameri import cm
    from matplotlib.colors import LogNorm

    refuse_unmapped(analysis, (element_a, element_b))
    block_px = min(block_px, *label_image(analysis).shape)
    a, b = (shrink(map_plane(analysis, e), block_px).ravel() for e in (element_a, element_b))
    quantity = quantity_name(str(analysis.maps.attrs.get("quantity", "counts")))
    alt = (
        f"Density of {element_b} against {element_a} over blocks of {block_px} by {block_px} "
        f"pixels."
    )
    sheet = picture(5.4, 4.5, alt=alt)
    axes = sheet.subplots()
    lattice = 1 / block_px**2 if np.issubdtype(analysis.maps["counts"].dtype, np.integer) else 0.0
    edges = [_density_edges(values, lattice) for values in (a, b)]
    *_, image = axes.hist2d(a, b, bins=edges, norm=LogNorm(), cmap=cm.lapaz_r, cmin=1)
    colour_bar(sheet, image, axes, label="blocks", pad=0.02)
    for name, low in (("bare", True), ("metal", False)):
        _mark_class(axes, analysis, (element_a, element_b), name, bare=low)
    axes.legend(fontsize=8.5, frameon=True, edgecolor="none", framealpha=0.85, labelcolor=INK)
    axes.set(xlabel=f"{element_a}, {quantity}", ylabel=f"{element_b}, {quantity}")
    plain_axes(axes)
    return sheet


def _density_edges(values: npt.NDArray[np.float64], lattice: float) -> npt.NDArray[np.float64]:
    """Return even edges; means of whole counts lie on a lattice, as many of it in each bin."""
    low, high = float(values.min()), float(values.max())
    wanted = (high - low) / float(np.clip(np.sqrt(values.size) / 2, 12, 80)) or 1.0
    step = max(1, round(wanted / lattice)) * lattice if lattice else wanted
    n_bins = int((high - low) / step) + 1
    edges = low - lattice / 2 + step * np.arange(n_bins + 1)
    return np.asarray(edges, dtype=np.float64)


def _mark_class(axes: Axes, analysis: Any, pair: tuple[str, str], name: str, *, bare: bool) -> None:
    inside = (label_image(analysis) == 0) == bare
    if not inside.any():
        return
    x, y = (float(map_plane(analysis, element)[inside].mean()) for element in pair)
    axes.plot(
        [x],
        [y],
        "s" if bare else "o",
        markersize=8,
        color=ORANGE if bare else VERMILION,
        markeredgecolor="black",
        label=f"mean over {name}",
    )


def ternary(analysis: Any, elements: list[str] | None = None) -> Picture:
    """Draw each droplet's counts in three elements as a point in a triangle.

    Parameters
    ----------
    analysis : Analysis
        The result.
    elements : list of str, optional
        Three symbols; by default the first alloy elements, filled up with the substrate's.

    Returns
    -------
    Picture

    Raises
    ------
    InputError
        If not three different mapped elements are named.
    """
    ranked = [*analysis.roles.alloy, *analysis.roles.substrate, *analysis.roles.other]
    chosen = list(elements) if elements else ranked[:3]
    refuse_unmapped(analysis, chosen, "elements: element")
    if elements and len(set(chosen)) != 3:
        raise InputError(f"elements must be three different elements, got {chosen}. Name three.")
    table = analysis.droplets
    if len(chosen) < 3 or not len(table):
        return nothing_to_draw("Ternary not drawn: it needs three elements and a droplet.")
    return _triangle(table, chosen)


def _triangle(table: Any, chosen: list[str]) -> Picture:
    import mpltern  # noqa: F401  (registers the projection)

    counts = [np.clip(table[f"{e}_counts"].to_numpy(dtype=float), 0, None) for e in chosen]
    total = np.sum(counts, axis=0)
    keep = total > 0
    alt = (
        f"Ternary diagram of the counts of {listing(chosen)} in {int(keep.sum())} droplets; "
        f"larger dots hold more counts."
    )
    sheet = picture(5.6, 4.9, alt=alt)
    axes: Any = sheet.add_subplot(projection="ternary")
    size = 8 + 60 * np.sqrt(total[keep] / total.max())
    axes.scatter(
        *(c[keep] / total[keep] for c in counts),
        s=size,
        color=BLUE,
        alpha=0.45,
        edgecolors="white",
        linewidths=0.5,
    )
    whole = [[float(c[keep].sum() / total[keep].sum())] for c in counts]
    axes.scatter(
        *whole, marker="D", s=60, color=VERMILION, edgecolors="black", label="all droplets together"
    )
    axes.set_tlabel(f"{chosen[0]} share of counts")
    axes.set_llabel(f"{chosen[1]} share of counts")
    axes.set_rlabel(f"{chosen[2]} share of counts")
    for axis in (axes.taxis, axes.laxis, axes.raxis):
        axis.set_label_position("tick1")
        axis.label.set(fontsize=10, color=INK)
    axes.tick_params(labelsize=8.5, labelcolor=SOFT)
    axes.grid(color=RULE, linewidth=0.6)
    axes.legend(
        loc="upper left", bbox_to_anchor=(0.62, 1.0), fontsize=9, frameon=False, labelcolor=INK
    )
    return sheet

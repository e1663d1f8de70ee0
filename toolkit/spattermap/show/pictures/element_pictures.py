"""Pictures of what goes with what: shares, correlations, densities, ternaries."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.core.arrays import Floats
from spattermap.show.pictures.canvas import (
    BLUE,
    INK,
    ORANGE,
    RULE,
    SOFT,
    Picture,
    colour_bar,
    legend,
    nothing_to_draw,
    ordered_elements,
    picture,
    plain_axes,
)
from spattermap.show.wording import is_film

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ROLE_COLOURS = {"alloy": BLUE, "substrate": ORANGE, "other": SOFT}


def share_bars(analysis: Any) -> Picture:
    """Draw, for each element, the share of its net signal in droplets and the share with the alloy.

    Whiskers are the intervals of ``elements.csv``; a share that could not be told is left out.
    """
    table = analysis.elements.set_index("element", drop=False)
    table = table.reindex([name for name in ordered_elements(analysis) if name in table.index])
    # An alloy of one element has nothing to follow: a panel without any value is left out.
    where = "the film" if is_film(analysis.summary()) else "droplets"
    shares = (("share_in_droplets", f"share in {where}"), ("share_with_alloy", "share with alloy"))
    shown = [(c, name) for c, name in shares if c in table and table[c].notna().any()]
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


def _least(values: Floats) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.min()) if finite.size else 0.0


def _role_legend(sheet: Picture, table: Any) -> None:
    from matplotlib.patches import Patch

    roles = [role for role in ROLE_COLOURS if role in set(table["role"].astype(str))]
    handles = [Patch(color=ROLE_COLOURS[role], label=role, alpha=0.85) for role in roles]
    legend(sheet, handles=handles, loc="outside upper right", ncols=3, fontsize=9)


def _alt_shares(table: Any, shown: list[tuple[str, str]]) -> str:
    sentences = []
    for _, row in table.iterrows():
        parts = [f"{row[c]:.2f} {name}" for c, name in shown if np.isfinite(row[c])]
        sentences.append(f"{row['element']}: {', '.join(parts) if parts else 'not told'}")
    return "Shares of each element's net signal. " + "; ".join(sentences) + "."


def correlation_matrix(analysis: Any) -> Picture:
    """Draw the noise-corrected correlation of every pair, with the plain value in small below.

    Pairs whose interval holds zero stay white and are printed in grey italics; pairs that cannot be
    told (no variance left after the noise is taken off) show a dash.
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

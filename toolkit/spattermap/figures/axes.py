"""The house look of axes: rulers, headings, colour bars."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from spattermap.figures.canvas import INK, RULE, SOFT, Picture
from spattermap.figures.words import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def plain_axes(axes: Axes, *, grid: str | None = None) -> None:
    """Give axes the house look.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        The axes, changed in place.
    grid : {"x", "y", "both"}, optional
        Grid lines to draw.
    """
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(SOFT)
    axes.tick_params(colors=SOFT, labelcolor=INK, labelsize=9)
    axes.xaxis.label.set(color=INK, fontsize=10)
    axes.yaxis.label.set(color=INK, fontsize=10)
    axes.set_axisbelow(True)
    if grid:
        axes.grid(axis=grid, color=RULE, linewidth=0.7)  # type: ignore[arg-type]


def heading(axes: Axes, title: str, note: str = "") -> None:
    """Write a bold title with a softer note below it, both left-aligned above the axes.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        The axes.
    title, note : str
        The words.
    """
    axes.set_title(
        plain(title), loc="left", fontsize=10.5, fontweight="bold", color=INK, pad=20 if note else 6
    )
    if note:
        words = axes.annotate(
            plain(note),
            (0, 1),
            (0, 5),
            xycoords="axes fraction",
            textcoords="offset points",
            fontsize=8,
            color=SOFT,
            va="bottom",
        )
        words.set_in_layout(False)  # a long note must not squeeze the map below it


def label_log_axis(axes: Axes) -> None:
    """Write plain numbers below a logarithmic axis, as many as its range needs.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        The axes, changed in place.
    """
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    low, high = axes.get_xlim()
    ratio = high / low
    steps = (1, 2, 3, 4, 5, 7) if ratio < 12 else (1, 2, 5) if ratio < 200 else (1,)
    axes.xaxis.set_major_locator(LogLocator(subs=steps))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())


def colour_bar(sheet: Picture, image: Any, axes: Axes, *, label: str = "", **options: Any) -> None:
    """Draw the scale of an image's colours beside it.

    Parameters
    ----------
    sheet : Picture
        The picture.
    image : matplotlib.cm.ScalarMappable
        What is explained.
    axes : matplotlib.axes.Axes
        Where it lies.
    label : str, optional
        What the colour shows, with its unit.
    **options
        Passed to ``Figure.colorbar``.
    """
    bar = sheet.colorbar(image, ax=axes, **options)
    if label:
        bar.set_label(label, fontsize=9, color=INK)
    bar.ax.tick_params(labelsize=8, colors=SOFT, labelcolor=INK)
    bar.outline.set_visible(False)

"""What all pictures share: the canvas, the colours, maps with their scale bars, alternative text.

No picture touches pyplot or the global settings of matplotlib, so that drawing one in a notebook,
a thread or a worker changes nothing elsewhere.

The house look of axes: rulers, headings, colour bars.

Text, quantities and lines as they are printed on pictures.
"""

from __future__ import annotations

import io
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from spattermap.core.arrays import Array, Labels
from spattermap.core.mapset import element_names, facts
from spattermap.core.squares import mean_squares

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK = "#1b1f24"
SOFT = "#5b6470"
RULE = "#d3d8de"

# Okabe and Ito (2008), "Color Universal Design": told apart by every common colour vision.
ORANGE, SKY, GREEN = "#E69F00", "#56B4E9", "#009E73"
BLUE, VERMILION, PURPLE = "#0072B2", "#D55E00", "#CC79A7"

# Drawn maps larger than this are averaged down: more pixels than a screen shows cost only bytes.
LARGEST_SIDE_PX = 1024


class Picture(Figure):
    """A matplotlib figure that says in words what it shows.

    Parameters
    ----------
    alt : str
        Alternative text, one or two sentences.
    **options
        Passed to `matplotlib.figure.Figure`.

    Attributes
    ----------
    alt : str
        Alternative text.
    nothing : bool
        True where there was nothing to draw and `alt` says why.
    """

    def __init__(self, *, alt: str = "", **options: Any) -> None:
        super().__init__(layout="constrained", facecolor="white", **options)
        pads: Any = self.get_layout_engine()
        pads.set(w_pad=0.08, h_pad=0.08, wspace=0.04, hspace=0.05)
        FigureCanvasAgg(self)
        self.alt = alt
        self.nothing = False
        self._rendered: dict[float, bytes] = {}

    @property
    def is_drawing(self) -> bool:
        """Whether it shows lines and bars alone, so that its lightness may be turned over."""
        return not any(axes.images for axes in self.axes)

    def png(self, *, dpi: float = 130) -> bytes:
        """Return the picture as PNG bytes.

        Parameters
        ----------
        dpi : float, optional
            Dots per inch.
        """
        if dpi not in self._rendered or self.stale:
            buffer = io.BytesIO()
            # Without the software stamp the same input gives the same bytes.
            self.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
            self._rendered = {dpi: buffer.getvalue()}
            self.stale = False
        return self._rendered[dpi]

    def svg(self, *, dpi: float = 130) -> bytes:
        """Return the picture as SVG bytes.

        Parameters
        ----------
        dpi : float, optional
            Dots per inch of the parts that are images.
        """
        buffer = io.BytesIO()
        with rc_context({"svg.hashsalt": "spattermap"}):
            about = {"Date": None, "Creator": None, "Description": self.alt}
            self.savefig(buffer, format="svg", dpi=dpi, metadata=about)
        return buffer.getvalue()

    def _repr_mimebundle_(
        self, include: Any = None, exclude: Any = None
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        """Show as PNG in a notebook, whichever matplotlib backend is on; or say why not."""
        del include, exclude
        if self.nothing:
            return {
                "text/html": f'<p class="nothing">{escape(self.alt)}</p>',
                "text/plain": self.alt,
            }, {}
        data = self.png()
        # Width and height stand at fixed places in a PNG (ISO/IEC 15948, clause 11.2.2).
        width, height = (int.from_bytes(data[at : at + 4], "big") for at in (16, 20))
        about = {"alt": self.alt, "width": width, "height": height, "drawing": self.is_drawing}
        return {"image/png": data, "text/plain": self.alt}, {"image/png": about}


def picture(width: float = 5.8, height: float = 3.6, *, alt: str = "") -> Picture:
    """Return an empty picture."""
    return Picture(figsize=(width, height), alt=alt)


def nothing_to_draw(why: str) -> Picture:
    """Return a picture that says why there is nothing to draw.

    Parameters
    ----------
    why : str
        One sentence.

    Examples
    --------
    >>> nothing_to_draw("No droplet was found.").alt
    'No droplet was found.'
    """
    sheet = picture(5.8, 0.9, alt=why)
    sheet.nothing = True
    sheet.text(0.5, 0.5, why, ha="center", va="center", color=SOFT, fontsize=10, wrap=True)
    return sheet


def ordered_elements(analysis: Any) -> list[str]:
    """Return the mapped elements: alloy first, then substrate, then the others."""
    rank = {"alloy": 0, "substrate": 1, "other": 2}
    return sorted(element_names(analysis.maps), key=lambda name: rank[analysis.roles.of(name)])


def scale_bar(axes: Axes, analysis: Any) -> None:
    """Draw a scale bar where a pixel size is known, else the word px with a bar in pixels."""
    from matplotlib_scalebar.scalebar import ScaleBar

    size, unit = length_scale(analysis)
    options: dict[str, Any] = (
        {"units": "um"} if unit == "um" else {"units": "px", "dimension": "pixel-length"}
    )
    axes.add_artist(
        ScaleBar(
            size,
            location="lower right",
            color="white",
            box_color="black",
            box_alpha=0.6,
            length_fraction=0.25,
            border_pad=0.3,
            pad=0.3,
            sep=2,
            font_properties={"size": 8},
            **options,
        )
    )


def length_scale(analysis: Any) -> tuple[float, str]:
    """Return the pixel size and its unit."""
    known = facts(analysis.maps)
    return known.pixel_size, known.length_unit


def shrink_factor(shape: tuple[int, ...]) -> int:
    """Return how many pixels a side are drawn as one."""
    return max(1, -(-max(shape[-2:]) // LARGEST_SIDE_PX))


def map_plane(analysis: Any, element: str) -> Array:
    """Return one element's map as a numpy array, whether eager or lazy.

    Returns dims (y, x).
    """
    place = element_names(analysis.maps).index(element)
    return np.asarray(analysis.maps["counts"].isel(element=place).values)


def label_image(analysis: Any) -> Labels:
    """Return the labels as a numpy array.

    Returns dims (y, x).
    """
    return np.asarray(analysis.labels, dtype=np.int32)


def draw_map(axes: Axes, plane: Array, **options: Any) -> Any:
    """Draw a map with one data unit a pixel of the full map, row 0 at the top.

    Dims: `plane` (y, x).
    """
    factor = shrink_factor(plane.shape)
    small = mean_squares(plane, factor)
    height, width = (side * factor for side in small.shape)
    options.setdefault("interpolation", "nearest")
    image = axes.imshow(small, extent=(0.0, width, height, 0.0), **options)
    axes.set(xticks=[], yticks=[])
    for spine in axes.spines.values():
        spine.set_visible(False)
    return image


def field_extent(analysis: Any, shape: tuple[int, ...]) -> tuple[float, float, float, float]:
    """Return where a picture of the connection lies on the map, in pixels of the map."""
    height = label_image(analysis).shape[0]
    top, bottom, left, _ = analysis.continuity.window or (0, height, 0, 0)
    factor = (bottom - top) / shape[0]
    return (float(left), left + shape[1] * factor, top + shape[0] * factor, float(top))


def plain_axes(axes: Axes, *, grid: str | None = None) -> None:
    """Give axes the house look."""
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
    """Write a bold title with a softer note below it, both left-aligned above the axes."""
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


def legend(of: Any, *entries: Any, **options: Any) -> None:
    """Write a legend without a frame, above the picture on the left unless told otherwise."""
    look = {"loc": "outside upper left", "frameon": False, "fontsize": 8.5, "labelcolor": INK}
    of.legend(*entries, **{**look, **options})


def label_log_axis(axes: Axes) -> None:
    """Write plain numbers below a logarithmic axis, as many as its range needs."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    low, high = axes.get_xlim()
    ratio = high / low
    steps = (1, 2, 3, 4, 5, 7) if ratio < 12 else (1, 2, 5) if ratio < 200 else (1,)
    axes.xaxis.set_major_locator(LogLocator(subs=steps))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())


def colour_bar(sheet: Picture, image: Any, axes: Axes, *, label: str = "", **options: Any) -> None:
    """Draw the scale of an image's colours beside it."""
    bar = sheet.colorbar(image, ax=axes, **options)
    if label:
        bar.set_label(label, fontsize=9, color=INK)
    bar.ax.tick_params(labelsize=8, colors=SOFT, labelcolor=INK)
    bar.outline.set_visible(False)


def plain(text: str) -> str:
    r"""Return text that matplotlib will not read as a formula (a title may hold a dollar sign)."""
    return str(text).replace("$", r"\$")


def quantity_name(quantity: str) -> str:
    """Return the printed name and unit of what a map holds."""
    return {
        "counts": "counts per pixel",
        "net_counts": "net counts per pixel",
        "mass_percent": "mass percent",
        "atomic_percent": "atomic percent",
        "intensity": "intensity (unit not stated)",
    }.get(quantity, quantity)


def line_name(element: str, line: str) -> str:
    """Return ``Cu Kα`` from ``Cu`` and ``Cu Ka``."""
    if not line:
        return element
    shell = line.rsplit(maxsplit=1)[-1].replace("a", "α").replace("b", "β")
    return f"{element} {shell}"

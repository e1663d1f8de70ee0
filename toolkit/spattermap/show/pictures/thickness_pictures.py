"""Pictures of how thick the metal is: a map in nanometres, and profiles across two droplets."""

from __future__ import annotations

from typing import Any

import numpy as np

from spattermap.core.arrays import Floats
from spattermap.measure.thickness import AT_LEAST, AT_MOST, BETWEEN, TOLD
from spattermap.show.pictures.canvas import (
    BLUE,
    RULE,
    SOFT,
    VERMILION,
    Picture,
    colour_bar,
    draw_map,
    heading,
    label_image,
    legend,
    length_scale,
    nothing_to_draw,
    picture,
    plain_axes,
    scale_bar,
)


def thickness_map(analysis: Any) -> Picture:
    """Draw the thickness of every region in nm, hatched where only bounds are told.

    Above the mean of each region over its footprint, or of each square of a wide region that is
    uneven; below profiles of the thickest region and of one of middle thickness, with their bounds.
    """
    from cmcrameri import cm

    weighed = analysis.weighed
    if weighed.field is None:
        why = weighed.why.rstrip(".")
        return nothing_to_draw(f"Thickness not drawn: {why[0].lower()}{why[1:]}.")
    field = weighed.field
    t = field.regions
    shown = np.where(t.bounded, t.nm, np.where(t.told == AT_LEAST, t.low, t.high))
    some = np.isfinite(shown) & (field.pixels > 0)
    if not some.any():
        return nothing_to_draw("Thickness not drawn: no droplet, streak or film was found.")
    found = weighed.picture(label_image(analysis))
    values, only = found["nm"].values, found["only_bound"].values
    n_bound = int((some & (t.told != TOLD)).sum())
    high = float(np.nanquantile(values, 0.98))
    alt = (
        f"Thickness of {int(some.sum())} regions, {np.min(shown[some]):.3g} to "
        f"{np.max(shown[some]):.3g} nm; {n_bound} of them hatched, where only bounds are told."
    )
    height, width = values.shape
    sheet = picture(5.8, min(3.7 * height / width, 5.0) + 2.6, alt=alt)
    above, below = sheet.subplots(2, 1, height_ratios=[min(3.7 * height / width, 5.0), 1.7])
    above.set_facecolor("white")
    image = draw_map(above, values, cmap=cm.lipari_r, vmin=0.0, vmax=max(high, 1e-9))
    if only.any():
        side = max(1, max(values.shape) // 600)
        above.contourf(
            np.arange(0, width, side) + side / 2, np.arange(0, height, side) + side / 2,
            only[::side, ::side].astype(float), levels=[0.5, 1.5], colors="none", hatches=["////"],
        )  # fmt: skip
    bound = f" · hatched: only bounds ({n_bound} of {int(some.sum())})" if n_bound else ""
    heading(above, "Thickness of the metal", f"mean over each region or square{bound}")
    colour_bar(sheet, image, above, label="nm", fraction=0.05, pad=0.02, extend="max")
    scale_bar(above, analysis)
    _profiles(below, analysis, np.where(some, shown, -1.0))
    return sheet


def _profiles(axes: Any, analysis: Any, shown: Floats) -> None:
    """Draw half profiles of the thickest region and of a middle one, with bounds."""
    field = analysis.weighed.field
    t = field.regions
    size, unit = length_scale(analysis)
    ranked = np.argsort(np.where(shown >= 0, shown, np.inf), kind="stable")
    ranked = ranked[shown[ranked] >= 0]
    chosen = {"thickest": int(ranked[-1]), "middle": int(ranked[len(ranked) // 2])}
    for (name, k), colour, style in zip(
        chosen.items(), (VERMILION, BLUE), ("-", "--"), strict=True
    ):
        radius = np.sqrt(field.pixels[k] / np.pi) * size
        r = np.linspace(-1.0, 1.0, 121)
        dome = (1.0 + field.profile[k]) * np.clip(1.0 - r**2, 0.0, 1.0) ** field.profile[k]
        word = {AT_LEAST: "at least ", AT_MOST: "at most "}.get(str(t.told[k]), "")
        mean = f"{word}{shown[k]:.3g}"
        if t.told[k] == BETWEEN:
            mean = f"{t.low[k]:.3g} to {t.high[k]:.3g}"
        label = f"{name} region (number {k + 1}), mean {mean} nm"
        axes.plot(
            r * radius, shown[k] * dome, color=colour, linestyle=style, linewidth=1.6, label=label
        )
        top = t.high[k] if np.isfinite(t.high[k]) else shown[k]
        axes.fill_between(r * radius, t.low[k] * dome, top * dome, color=colour, alpha=0.18)
    shown_unit = unit.replace("um", "µm")
    axes.set_xlabel(f"distance from the middle ({shown_unit}), as a round region of that area",
                    color=SOFT, fontsize=9)  # fmt: skip
    axes.set_ylabel("nm", color=SOFT, fontsize=9)
    axes.set_ylim(0.0, 1.45 * axes.get_ylim()[1])
    legend(axes, loc="upper right")
    axes.spines[:].set_color(RULE)
    plain_axes(axes)

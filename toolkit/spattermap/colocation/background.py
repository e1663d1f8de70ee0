"""The spectral background under each line, known or bounded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from spattermap.block_sums import BlockMoments


@dataclass(frozen=True)
class Background:
    """What is known of the spectral background under each line.

    Parameters
    ----------
    bare, metal : mapping of str to (float, float)
        Least and largest background of an element, in the unit of the maps per pixel, on the bare
        substrate and where there is metal. The background rises with the mean atomic number, so
        the second is usually the larger. Elements left out have the bounds of `fraction`.
    fraction : float
        Largest part of an element's mean signal in each class that may be background where
        nothing else is known (0 to 1).
    """

    bare: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    metal: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    fraction: float = 0.0


def background_levels(
    moments: BlockMoments, element: str, background: Background | None
) -> list[tuple[float, float]]:
    """Return the corner cases of the background of an element.

    Parameters
    ----------
    moments : BlockMoments
        Block moments.
    element : str
        Element symbol.
    background : Background or None
        What is known.

    Returns
    -------
    list of (float, float)
        Background per pixel on bare substrate and on metal. The first is the best guess, used for
        the estimate itself: the middle of bounds that were given, and zero where there is only
        the bounding fraction.
    """
    if background is None:
        return [(0.0, 0.0)]
    e = moments.index(element)
    n = moments.class_n.sum(axis=0)
    s1 = moments.class_s1[:, :, e].sum(axis=0)
    everywhere = float(moments.mean[e])
    bare_mean = s1[0] / n[0] if n[0] else everywhere
    metal_mean = s1[1:].sum() / n[1:].sum() if n[1:].sum() else everywhere
    bare = background.bare.get(element, (0.0, background.fraction * bare_mean))
    metal = background.metal.get(element, (0.0, background.fraction * metal_mean))
    guess = (
        sum(bare) / 2 if element in background.bare else 0.0,
        sum(metal) / 2 if element in background.metal else 0.0,
    )
    return [guess, *((b, m) for b in bare for m in metal)]

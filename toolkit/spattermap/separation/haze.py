"""What haze of the alloy does to the bare area: it shades the glass and raises the continuum.

A blank is scaled by the substrate lines of the bare area. Haze shades these, so the dose comes out
too small, and with it the continuum expected of the glass; the haze adds a continuum of its own.
Both go with how much of the metal's signal the haze gives, which is measured.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

# Shade deeper than this is no haze any more: the gaps are then said to be too narrow, or the field
# to hold no bare area.
DEEPEST_SHADE = 0.5


def haze_part(between: Floats, on_metal: Floats, alloy: Sequence[int]) -> Floats:
    """Return the haze's signal over that of the metal.

    Parameters
    ----------
    between, on_metal : numpy.ndarray, dims (resample, element)
        Net level of the bare area and of metal.
    alloy : sequence of int
        Places of the alloy elements. Haze brings all of them, a film of one element only that
        one: the least of their ratios is taken.

    Returns
    -------
    numpy.ndarray, dims (resample,)
        0 to 1; 0 where nothing of the alloy is mapped.
    """
    if not alloy:
        return np.zeros(len(between))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(on_metal > 0, between / on_metal, 0.0)[:, list(alloy)]
    return np.asarray(np.clip(np.nan_to_num(ratio.min(axis=1)), 0.0, 1.0))


def under_haze(part: Floats, visible: float, rise: float) -> tuple[Floats, Floats]:
    """Return what haze does to the signal of the glass and to the continuum of the bare area.

    Parameters
    ----------
    part : numpy.ndarray, dims (resample,)
        From `haze_part`.
    visible : float
        Part of the glass's signal that comes through metal (0 to 1); NaN counts as one half.
    rise : float
        Continuum on metal over that on the bare glass.

    Returns
    -------
    shade : numpy.ndarray, dims (resample,)
        Part of the glass's signal that comes through the haze.
    raised : numpy.ndarray, dims (resample,)
        Continuum of the hazy area over that of bare glass.

    Notes
    -----
    Haze that gives a part h of the metal's counts covers the glass, and raises the continuum, by
    the part h of what the metal does: exact where the metal is thick and absorption is small.
    """
    seen = visible if np.isfinite(visible) else 0.5
    shade = np.maximum(1.0 - part * (1.0 - seen), DEEPEST_SHADE)
    return shade, 1.0 + part * (rise - 1.0)

"""Whether the alloy could have supplied what is seen of an element."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spattermap.errors import InputError
from spattermap.separation.physics import Conditions
from spattermap.xrays import anderson_hasler_um, relative_sensitivity

if TYPE_CHECKING:
    import numpy.typing as npt

    from spattermap.separation.levels import Levels

    Floats = npt.NDArray[np.float64]

# An element that the stated alloy does not name may still be in it up to this mass fraction:
# standards for wrought alloys limit unnamed elements to about half of it (ASTM B36 and the like,
# from memory).
IMPURITY = 0.01
# Thick metal shows only what lies within the X-ray range, so it may have supplied more than is
# seen. No droplet is thicker on average than a sphere, whose mean height is 2/3 of its diameter.
MEAN_HEIGHT = 2.0 / 3.0
MOST_DEPTH = 20.0


@dataclass(frozen=True)
class Supply:
    """The most that the alloy could have supplied of an element.

    Parameters
    ----------
    most : numpy.ndarray, dims (resample,)
        Counts over the field, tolerance and hidden depth included.
    tolerance, depth : float
        Factor of the relative sensitivities, and of metal hidden under the X-ray range.
    fraction : float
        Mass fraction of the element in the alloy, or what is allowed for an impurity.
    named : bool
        True where the stated alloy names the element.
    """

    most: Floats
    tolerance: float
    depth: float
    fraction: float
    named: bool


def supply_of(
    levels: Levels,
    element: str,
    partners: tuple[str, ...],
    state: Conditions,
    *,
    stated: bool,
    diameter_um: float | None,
    k_factors: Mapping[str, float] | None = None,
) -> Supply | None:
    """Return the most that the alloy, as bought, could have supplied.

    Parameters
    ----------
    levels : Levels
        Levels of the map set.
    element : str
        Symbol.
    partners : tuple of str
        The other alloy elements, whose net counts on metal and in the haze are the yardstick.
    state : Conditions
        Lines, beam energy, composition.
    stated : bool
        True where the alloy's composition was stated in mass percent.
    diameter_um : float or None
        Area-weighted mean diameter of the droplets (um): it bounds what hides under the range.
    k_factors : mapping of str to float, optional
        Measured factors (mass per count) by element, in place of calculated sensitivities.

    Returns
    -------
    Supply or None
        None where composition, beam energy or size is not known: then nothing can be bounded.
    """
    ours = state.lines.get(element)
    known = [p for p in partners if state.lines.get(p) is not None and state.alloy.get(p, 0.0) > 0]
    if not (stated and known and ours and state.beam_energy_keV and diameter_um):
        return None
    named = element in state.alloy
    fraction = state.alloy.get(element, IMPURITY)
    expected, tolerance, depth = 0.0, 1.0, 1.0
    for partner in known:
        theirs = state.lines[partner]
        assert theirs is not None
        try:
            k = relative_sensitivity(
                theirs.name, ours.name, state.beam_energy_keV, k_factors=k_factors
            )
        except InputError:
            return None
        expected += state.alloy[partner] * k.ratio
        tolerance = max(tolerance, k.tolerance)
        reach = anderson_hasler_um(state.beam_energy_keV, theirs.name, material=_percent(state))
        if reach > 0:
            depth = max(depth, min(MEAN_HEIGHT * diameter_um / reach, MOST_DEPTH))
    which = [levels.index(p) for p in known]
    seen = levels.n_metal * (levels.metal - levels.under)[:, which].sum(axis=1)
    haze = levels.n_bare * np.maximum((levels.bare - levels.base)[:, which].sum(axis=1), 0.0)
    most = np.maximum(np.nan_to_num(seen) * depth + haze, 0.0) * fraction / expected * tolerance
    return Supply(most, tolerance, depth, fraction, named)


def _percent(state: Conditions) -> dict[str, float]:
    return {element: 100.0 * part for element, part in state.alloy.items()}

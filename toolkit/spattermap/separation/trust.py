"""The smallest droplet whose composition can be trusted: interaction range against its size.

A droplet narrower than the depth that electrons reach lets them out at its sides and into the
substrate; a droplet thinner than the depth from which a line comes gives that line from less metal
than a line of higher edge energy. Either way the ratio of two lines changes with the size alone, so
a trend of composition with size below the range is no evidence of composition.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spattermap.errors import InputError
from spattermap.mapset import facts
from spattermap.xrays import anderson_hasler_um, kanaya_okayama_um, mapped_line

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr


@dataclass(frozen=True)
class CompositionLimit:
    """How far electrons and X-rays reach in the alloy.

    Parameters
    ----------
    electron_range_um : float
        Depth that electrons reach (um), Kanaya and Okayama 1972.
    line_ranges_um : dict of str to float
        Depth each mapped line of the alloy comes from (um), Anderson and Hasler 1966.
    beam_energy_keV : float
        Beam energy (keV).
    """

    electron_range_um: float
    line_ranges_um: dict[str, float]
    beam_energy_keV: float

    @property
    def smallest_um(self) -> float:
        """Smallest area-equivalent diameter whose composition can be trusted (um)."""
        return self.electron_range_um

    def sentence(self) -> str:
        """Return the limit as one sentence."""
        lines = ", ".join(f"{name} {reach:.2g}" for name, reach in self.line_ranges_um.items())
        return (
            f"At {self.beam_energy_keV:g} keV electrons reach {self.electron_range_um:.2g} um into "
            f"the alloy and its lines come from up to (um): {lines}. The composition of a droplet "
            f"less than {self.smallest_um:.2g} um wide cannot be told from its size."
        )

    def notes(self, diameters_um: npt.ArrayLike) -> tuple[str, ...]:
        """Return a sentence where droplets are too narrow, nothing where all are wide enough.

        Parameters
        ----------
        diameters_um : array_like, dims (droplet,)
            Area-equivalent diameters (um).

        Returns
        -------
        tuple of str
        """
        sizes = np.asarray(diameters_um, dtype=np.float64)
        narrow = int((sizes < self.smallest_um).sum())
        if not narrow:
            return ()
        said = (
            f"{narrow} of {sizes.size} droplets {'is' if narrow == 1 else 'are'} narrower than "
            f"{self.smallest_um:.2g} µm, the depth electrons of {self.beam_energy_keV:g} keV reach "
            "into the alloy: do not read the composition of such droplets, or map at a lower beam "
            "energy."
        )
        return (said,)


def composition_limit(
    maps: xr.Dataset, alloy: tuple[str, ...], *, nominal: Mapping[str, float] | None = None
) -> CompositionLimit | None:
    """Return from which diameter on a droplet's composition can be trusted.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    alloy : tuple of str
        The alloy's elements, of which those mapped give lines.
    nominal : mapping of str to float, optional
        Mass percent; by default what the map set states, else equal parts.

    Returns
    -------
    CompositionLimit or None
        None where the beam energy is not stated or no line of the alloy is known.

    Notes
    -----
    The limit is the electron range in the bulk alloy, the largest of all these depths. It holds for
    flat matter; the true limit of a rounded droplet differs by some ten percent, so it is a guide
    and nothing is cut off by it.

    References
    ----------
    Kanaya & Okayama, J. Phys. D 5 (1972) 43. Anderson & Hasler, Proc. 4th Int. Conf. X-ray Optics
    and Microanalysis (1966) 310. That particles smaller than the range need corrections of their
    own: Armstrong & Buseck, Anal. Chem. 47 (1975) 2178 (from memory).
    """
    known = facts(maps)
    energy = known.beam_energy_keV
    if energy is None or not alloy:
        return None
    stated = dict(known.alloy if nominal is None else nominal)
    parts = {e: p for e, p in stated.items() if math.isfinite(p) and p > 0}
    parts = parts or dict.fromkeys(alloy, 1.0)
    names = [str(name) for name in maps["element"].values]
    lines = dict(zip(names, (str(line) for line in maps["line"].values), strict=True))
    ranges = {}
    for element in alloy:
        if element not in lines:
            continue
        try:
            line = mapped_line(element, lines[element], energy).name
            ranges[line] = anderson_hasler_um(energy, line, material=parts)
        except InputError:
            continue  # a line name of a private kind tells no depth
    if not ranges:
        return None
    return CompositionLimit(kanaya_okayama_um(energy, parts), ranges, energy)

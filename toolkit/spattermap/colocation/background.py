"""The spectral background under each line, known or bounded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from spattermap.checks import atomic_number
from spattermap.errors import InputError

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

    @classmethod
    def rising(
        cls,
        bare: Mapping[str, tuple[float, float]],
        *,
        metal: Mapping[str, float],
        substrate: Mapping[str, float],
        tolerance: float = 0.2,
    ) -> Background:
        """Return the background that rises from substrate to metal with the mean atomic number.

        Parameters
        ----------
        bare : mapping of str to (float, float)
            Least and largest background under each element's line on the bare substrate, in the
            unit of the maps per pixel, for example from a blank.
        metal, substrate : mapping of str to float
            Mass percent of the deposit and of the substrate.
        tolerance : float, optional
            Part by which the rise may be off, for what the law leaves out (0 to 1).

        Returns
        -------
        Background

        Notes
        -----
        The continuum is proportional to the mass-weighted mean atomic number (Kramers 1923). That
        leaves out backscattering and the absorption of soft continuum, which thin deposits
        shorten further: take a wide tolerance below 1 keV.

        References
        ----------
        Kramers, Philosophical Magazine 46 (1923) 836 (from memory).

        Examples
        --------
        >>> level = Background.rising(
        ...     {"Sn": (0.5, 0.5)}, metal={"Cu": 100.0}, substrate={"Si": 46.7, "O": 53.3},
        ...     tolerance=0.0,
        ... )
        >>> round(level.metal["Sn"][0] / 0.5, 3)  # 29 over 10.80
        2.685
        """
        rise = mean_atomic_number(metal) / mean_atomic_number(substrate)
        on_metal = {
            element: (low * rise * (1 - tolerance), high * rise * (1 + tolerance))
            for element, (low, high) in bare.items()
        }
        return cls(bare=dict(bare), metal=on_metal)


def mean_atomic_number(mass_percent: Mapping[str, float]) -> float:
    """Return the mass-weighted mean atomic number of a composition.

    Parameters
    ----------
    mass_percent : mapping of str to float
        Mass percent, or any measure proportional to it.

    Returns
    -------
    float

    Raises
    ------
    InputError
        If nothing is in it.

    Examples
    --------
    >>> round(mean_atomic_number({"Si": 46.7, "O": 53.3}), 2)
    10.8
    """
    total = sum(mass_percent.values())
    if not total > 0:
        raise InputError(
            f"composition must hold a positive mass percent, got {dict(mass_percent)}. "
            "Write for example Cu = 70.0."
        )
    return sum(atomic_number(e) * part for e, part in mass_percent.items()) / total


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

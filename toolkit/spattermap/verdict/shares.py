"""Which part of an element's signal goes with the droplets, the alloy and the substrate.

The spectral background under each line, known or bounded.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from spattermap.core.arrays import Floats
from spattermap.core.errors import InputError, atomic_number, one_of
from spattermap.verdict.correlation import (
    FIELDS_DISAGREE,
    FIELDS_NOTE,
    NOISE_UNKNOWN,
    TOO_FEW_BLOCKS,
    Resampling,
    correlations,
)

if TYPE_CHECKING:
    import pandas as pd

    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings
    from spattermap.noise.moments import BlockMoments


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
    """Return the mass-weighted mean atomic number of a composition."""
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
    """Return the corner cases of the background of an element."""
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


# Alloy and substrate signals closer to mirror images than this cannot be told apart by regression:
# the variance of their coefficients is then more than ten times that of either alone.
COLLINEAR_R2 = 0.9


class Share(NamedTuple):
    """A share of an element's signal with its interval.

    Parameters
    ----------
    share : float
        NaN where it is undefined.
    low, high : float
        The interval, widened by the bounds of the background.
    note : str
        Why it is undefined or not to be trusted; empty otherwise.
    p_fields : float
        p-value of "all fields show the same share"; NaN for a single field.
    """

    share: float
    low: float
    high: float
    note: str = ""
    p_fields: float = float("nan")


NO_ALLOY_VARIATION = "no variation of the alloy signal beyond the noise"
_UNDEFINED = Share(np.nan, np.nan, np.nan)


def share_in_droplets(
    moments: BlockMoments,
    element: str,
    *,
    of: str = "droplet",
    background: Background | None = None,
    settings: Settings | None = None,
) -> Share:
    """Return the part of an element's net signal that lies in a class of pixels.

    Parameters
    ----------
    moments : BlockMoments
        Moments made with labels.
    element : str
        Element symbol.
    of : {"droplet", "streak", "bare"}
        The class.
    background : Background, optional
        Spectral background; its bounds widen the interval.
    settings : Settings, optional
        Level, resamples and seed.

    Returns
    -------
    Share

    Raises
    ------
    InputError
        If the element or class is unknown.
    """
    one_of(of, "of", moments.classes)
    resampling = Resampling(moments, settings)
    return _class_shares(resampling, element, background)[of]


def _class_shares(
    resampling: Resampling, element: str, background: Background | None
) -> dict[str, Share]:
    moments = resampling.moments
    e = moments.index(element)
    if not moments.has_labels:
        note = "the pixels were not divided into droplets and bare substrate"
        return {name: _UNDEFINED._replace(note=note) for name in moments.classes}

    def at(weights: Floats, level: tuple[float, float]) -> Floats:
        signal = weights @ moments.class_s1[:, :, e]
        net = signal - (weights @ moments.class_n) * np.array([level[0], level[1], level[1]])
        whole = net.sum(axis=1, keepdims=True)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.where(whole > 0, net / whole, np.copysign(np.inf, net)))

    found = _with_background(resampling, background_levels(moments, element, background), at, [e])
    return {
        name: share._replace(low=max(share.low, 0.0), high=min(share.high, 1.0))
        for name, share in zip(moments.classes, found, strict=True)
    }


def _with_background(
    resampling: Resampling,
    levels: Sequence[tuple[float, float]],
    at: Callable[..., Floats],
    elements: Sequence[int],
) -> list[Share]:
    """Return the shares with intervals spanning those of every corner case of the background."""
    cases = [resampling.estimate(partial(at, level=level), elements=elements) for level in levels]
    shares = []
    for k, value in enumerate(cases[0].value):
        if not np.isfinite(value):
            shares.append(_UNDEFINED)
            continue
        p = float(cases[0].p_fields[k])
        notes = [FIELDS_NOTE] * (p < FIELDS_DISAGREE) + [TOO_FEW_BLOCKS] * (not resampling.enough)
        low = float(np.min([case.low[k] for case in cases]))
        high = float(np.max([case.high[k] for case in cases]))
        shares.append(Share(float(value), low, high, "; ".join(notes), p))
    return shares


def share_with_alloy(
    moments: BlockMoments,
    element: str,
    roles: Roles,
    *,
    background: Background | None = None,
    settings: Settings | None = None,
) -> Share:
    """Return the part of an element's signal that follows the other alloy elements.

    Parameters
    ----------
    moments : BlockMoments
        Block moments.
    element : str
        Element symbol; it is left out of the alloy signal, so it never explains itself.
    roles : Roles
        Roles of the elements.
    background : Background, optional
        Spectral background; its bounds widen the interval.
    settings : Settings, optional
        Level, resamples and seed.

    Returns
    -------
    Share
        ``a mean(M) / mean(X)`` with the slope ``a = C_XM / C_MM`` of the noise-corrected
        covariance and M the sum of the other alloy elements. It may be negative: the element then
        lies where the alloy does not.

    Raises
    ------
    InputError
        If the element was not mapped.
    """
    return _following(Resampling(moments, settings), element, roles, background)["share_with_alloy"]


def _partners(element: str, roles: Roles) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return (
        tuple(e for e in roles.alloy if e != element),
        tuple(e for e in roles.substrate if e != element),
    )


FOLLOWING = ("share_with_alloy", "follows_alloy", "follows_substrate", "follows_neither")


def _following(
    resampling: Resampling, element: str, roles: Roles, background: Background | None
) -> dict[str, Share]:
    """Return the share on the alloy alone, and the three-way division where it is identified."""
    moments = resampling.moments
    alloy, substrate = _partners(element, roles)
    if not alloy:
        return dict.fromkeys(
            FOLLOWING, _UNDEFINED._replace(note="no other alloy element was mapped")
        )
    totals = moments.combine([(element,), alloy, substrate])
    if np.isnan(totals.noise[:, :2, :2]).any():
        return dict.fromkeys(FOLLOWING, _UNDEFINED._replace(note=NOISE_UNKNOWN))
    metal = _MetalPixels(moments, alloy, substrate)
    covariance = totals.resampled(resampling.once)[1]
    r = float(correlations(covariance, 1, 2)[0, 0])
    divided = bool(substrate) and r**2 < COLLINEAR_R2

    def at(weights: Floats, level: tuple[float, float]) -> Floats:
        mean, c = totals.resampled(weights)
        cover, with_metal = metal.at(weights)
        net = mean[:, 0] - level[0] * (1 - cover) - level[1] * cover
        # Background that rises under metal follows it; that part is not the element's own.
        rise = (level[1] - level[0]) * with_metal
        c_m, c_s = c[:, 0, 1] - rise[:, 0], c[:, 0, 2] - rise[:, 1]
        alone = _ratio(c_m * mean[:, 1], c[:, 1, 1] * net)
        if not divided:
            return alone[:, None]
        below = (c[:, 1, 1] * c[:, 2, 2] - c[:, 1, 2] ** 2) * net
        with_m = _ratio((c_m * c[:, 2, 2] - c_s * c[:, 1, 2]) * mean[:, 1], below)
        with_s = _ratio((c_s * c[:, 1, 1] - c_m * c[:, 1, 2]) * mean[:, 2], below)
        return np.stack([alone, with_m, with_s, 1 - with_m - with_s], axis=1)

    levels = background_levels(moments, element, background)
    involved = [moments.index(e) for e in (element, *alloy)]
    shares = _with_background(resampling, levels, at, involved)
    if not np.isfinite(shares[0].share):
        flat = not covariance[0, 1, 1] > 0
        nothing = f"no signal of {element} beyond the background"
        shares[0] = _UNDEFINED._replace(note=NO_ALLOY_VARIATION if flat else nothing)
    if divided:
        return dict(zip(FOLLOWING, shares, strict=True))
    note = "no other substrate element was mapped"
    if substrate:
        note = NOISE_UNKNOWN if np.isnan(totals.noise).any() else _undivided_note(r)
    return dict.fromkeys(FOLLOWING, _UNDEFINED._replace(note=note)) | {FOLLOWING[0]: shares[0]}


def _undivided_note(r: float) -> str:
    """Return why alloy and substrate signals that correlate by r cannot both be fitted."""
    if not np.isfinite(r):
        return "alloy and substrate signals do not both vary beyond the noise"
    how = "mirror each other" if r < 0 else "rise and fall together"
    return (
        f"alloy and substrate signals {how} (r squared {min(r**2, 1.0):.2f}): what follows the one "
        f"cannot be told from what {'avoids' if r < 0 else 'follows'} the other"
    )


class _MetalPixels:
    """Where the metal is, for the background that rises there."""

    def __init__(
        self, moments: BlockMoments, alloy: tuple[str, ...], substrate: tuple[str, ...]
    ) -> None:
        self.moments = moments
        groups = [[moments.index(e) for e in group] for group in (alloy, substrate)]
        # Sums of the alloy and the substrate signal (block, 2), everywhere and over metal pixels.
        self.whole = np.stack([moments.s1[:, g].sum(axis=1) for g in groups], axis=1)
        self.signal = np.stack(
            [moments.class_s1[:, 1:][:, :, g].sum(axis=(1, 2)) for g in groups], axis=1
        )

    def at(self, weights: Floats) -> tuple[Floats, Floats]:
        """Return the covered fraction and its covariance with alloy and substrate signals."""
        rows = len(weights)
        if not self.moments.has_labels:
            return np.zeros(rows), np.zeros((rows, 2))
        metal, size, freedom = np.zeros(rows), np.zeros(rows), np.zeros(rows)
        together = np.zeros((rows, 2))
        # Within fields, as every covariance here: each keeps its own means.
        for f in range(self.moments.n_fields):
            part = weights * (self.moments.field == f)
            pixels = part @ self.moments.class_n
            here, covered = pixels.sum(axis=1), pixels[:, 1:].sum(axis=1)
            expected = covered[:, None] * (part @ self.whole) / np.maximum(here, 1.0)[:, None]
            together += part @ self.signal - expected
            metal, size = metal + covered, size + here
            freedom += np.maximum(here - 1, 0)
        return metal / size, together / np.maximum(freedom, 1.0)[:, None]


def _ratio(top: Floats, below: Floats) -> Floats:
    """Return top / below, infinite by the sign of the top where below is not positive."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(below > 0, top / below, np.copysign(np.inf, top))


def shares(
    moments: BlockMoments,
    roles: Roles,
    *,
    background: Background | None = None,
    settings: Settings | None = None,
) -> pd.DataFrame:
    """Return the shares of every element.

    Parameters
    ----------
    moments : BlockMoments
        Block moments, made with labels for the shares in droplets.
    roles : Roles
        Roles of the elements.
    background : Background, optional
        Spectral background.
    settings : Settings, optional
        Level, resamples and seed.

    Returns
    -------
    pandas.DataFrame
        One row an element: element, role; share_in_droplets, share_in_streaks, share_in_bare
        (where its signal lies); share_with_alloy (what follows the other alloy elements);
        follows_alloy, follows_substrate, follows_neither (the three-way division by regression on
        both signals, summing to 1, NaN where the two mirror each other); each with _low and
        _high; and note.
    """
    import pandas as pd

    resampling = Resampling(moments, settings)
    rows = []
    for element in moments.elements:
        row: dict[str, object] = {"element": element, "role": roles.of(element)}
        by_class = _class_shares(resampling, element, background)
        names = {"droplet": "droplets", "streak": "streaks", "bare": "bare"}
        found = {f"share_in_{names[c]}": share for c, share in by_class.items()}
        found |= _following(resampling, element, roles, background)
        for name, share in found.items():
            row |= {name: share.share, f"{name}_low": share.low, f"{name}_high": share.high}
        row["note"] = "; ".join(dict.fromkeys(s.note for s in found.values() if s.note))
        rows.append(row)
    return pd.DataFrame(rows)

"""Which part of an element's signal goes with the droplets, the alloy and the substrate."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from spattermap.colocation.intervals import bounds
from spattermap.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt
    import pandas as pd

    from spattermap.moments import BlockMoments
    from spattermap.roles import Roles

    Floats = npt.NDArray[np.float64]


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


class Share(NamedTuple):
    """A share of an element's signal with its interval.

    Parameters
    ----------
    share : float
        NaN where it is undefined.
    low, high : float
    note : str
        Why it is undefined or not to be trusted; empty otherwise.
    """

    share: float
    low: float
    high: float
    note: str = ""


def share_in_droplets(
    moments: BlockMoments,
    element: str,
    *,
    of: str = "droplet",
    background: Background | None = None,
    settings: Settings | None = None,
) -> Share:
    """Return the part of an element's signal that lies in a class of pixels.

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
    """
    chosen = settings or Settings()
    if not moments.has_labels:
        return Share(np.nan, np.nan, np.nan, "the pixels were not divided into droplets")
    e = moments.index(element)
    which = moments.classes.index(of)
    weights = moments.resample_weights(chosen.n_resamples, chosen.seed)
    once = np.ones((1, moments.n_blocks))

    def at(w: Floats, level: tuple[float, float]) -> Floats:
        signal = w @ moments.class_s1[:, :, e]
        pixels = w @ moments.class_n
        net = signal - pixels * np.array([level[0], level[1], level[1]])
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(net[:, which] / net.sum(axis=1))

    levels = background_levels(moments, element, background)
    value = float(at(once, levels[0])[0])
    spans = [
        bounds(at(weights, level), level=chosen.level, n_blocks=moments.n_blocks)
        for level in levels
    ]
    low = float(min(s[0] for s in spans))
    high = float(max(s[1] for s in spans))
    return Share(value, max(low, 0.0), min(high, 1.0))


def background_levels(
    moments: BlockMoments, element: str, background: Background | None
) -> list[tuple[float, float]]:
    """Return the corner cases of the background, each (bare, metal) per pixel.

    The first is the best guess, used for the estimate itself.
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
    middle = (sum(bare) / 2, sum(metal) / 2) if element in background.bare else (0.0, 0.0)
    return [
        middle,
        (bare[0], metal[1]),
        (bare[1], metal[0]),
        (bare[0], metal[0]),
        (bare[1], metal[1]),
    ]


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
    """
    chosen = settings or Settings()
    others = tuple(e for e in roles.alloy if e != element)
    if not others:
        return Share(np.nan, np.nan, np.nan, "no other alloy element was mapped")
    totals = moments.combine([(element,), others])
    weights = moments.resample_weights(chosen.n_resamples, chosen.seed)
    once = np.ones((1, moments.n_blocks))
    if np.isnan(totals.noise).any():
        return Share(np.nan, np.nan, np.nan, "the noise of these maps is unknown")

    partners = [moments.index(other) for other in others]

    def at(w: Floats, level: tuple[float, float]) -> Floats:
        mean, c = totals.resampled(w)
        pixels = w @ moments.class_n
        # Without labels the whole background is taken to follow the metal: the worst case.
        cover, with_metal = np.zeros(len(w)), mean[:, 1] * 0
        if moments.has_labels:
            cover = pixels[:, 1:].sum(axis=1) / pixels.sum(axis=1)
            metal = (w @ moments.class_s1[:, 1:][:, :, partners].sum(axis=(1, 2))) / pixels.sum(1)
            with_metal = metal - cover * mean[:, 1]
        net = mean[:, 0] - level[0] * (1 - cover) - level[1] * cover
        following = c[:, 0, 1] - (level[1] - level[0]) * with_metal
        with np.errstate(divide="ignore", invalid="ignore"):
            value = following / c[:, 1, 1] * mean[:, 1] / net
        return np.where(c[:, 1, 1] > 0, value, np.sign(following) * np.inf)

    levels = background_levels(moments, element, background)
    value = float(at(once, levels[0])[0])
    if not np.isfinite(value):
        return Share(np.nan, np.nan, np.nan, "no variation of the alloy signal beyond the noise")
    spans = [
        bounds(at(weights, level), level=chosen.level, n_blocks=moments.n_blocks)
        for level in levels
    ]
    return Share(value, float(min(s[0] for s in spans)), float(max(s[1] for s in spans)))


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
        One row an element: element, role, share_in_droplets, share_in_droplets_low,
        share_in_droplets_high, the same for share_in_streaks and share_in_bare, share_with_alloy
        with its bounds, and note.
    """
    import pandas as pd

    rows = []
    for element in moments.elements:
        row: dict[str, object] = {"element": element, "role": roles.of(element)}
        notes = []
        found = {
            f"share_in_{name}": share_in_droplets(
                moments, element, of=of, background=background, settings=settings
            )
            for name, of in (("droplets", "droplet"), ("streaks", "streak"), ("bare", "bare"))
        }
        found["share_with_alloy"] = share_with_alloy(
            moments, element, roles, background=background, settings=settings
        )
        for name, share in found.items():
            row |= {name: share.share, f"{name}_low": share.low, f"{name}_high": share.high}
            notes.append(share.note)
        row["note"] = "; ".join(dict.fromkeys(n for n in notes if n))
        rows.append(row)
    return pd.DataFrame(rows)

"""Composition droplet by droplet: is it one composition, and does it change with size or inside.

Everything is a part of the alloy's counts: of the counts of all alloy lines in a droplet, which
part belongs to one element. Given their sum, Poisson counts divide binomially, so thickness drops
out and no calibration is needed to *compare* droplets. Counts are taken as they are; the spectral
background in them is nearly the same part everywhere on metal.

The smallest droplet whose composition can be trusted: interaction range against its size.

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
import pandas as pd
import xarray as xr
from scipy.ndimage import distance_transform_edt
from scipy.special import ndtr, ndtri

from spattermap.core.arrays import Bools, Floats, Integers, Labels
from spattermap.core.errors import InputError
from spattermap.core.estimate import bootstrap_weights, figures, length
from spattermap.core.mapset import facts, valid_mask
from spattermap.core.settings import Settings
from spattermap.measure.shapes import edges_of
from spattermap.noise.counting import wilson_interval
from spattermap.verdict.correlation import adjusted
from spattermap.xrays import anderson_hasler_um, kanaya_okayama_um, mapped_line

if TYPE_CHECKING:
    import numpy.typing as npt


# Beam energies of scanning microscopes end at 30 keV; above 40 a specimen is made thin enough for
# electrons to pass (common practice, no source).
HIGHEST_SCANNING_KEV = 40.0


@dataclass(frozen=True)
class CompositionLimit:
    """How far electrons and X-rays reach in the alloy."""

    electron_range_um: float  # depth that electrons reach (um), Kanaya and Okayama 1972
    # depth each mapped line of the alloy comes from (um), Anderson and Hasler 1966
    line_ranges_um: dict[str, float]
    beam_energy_keV: float  # beam energy (keV)

    @property
    def smallest_um(self) -> float:
        """Smallest area-equivalent diameter whose composition can be trusted (um)."""
        return self.electron_range_um

    def sentence(self) -> str:
        """Return the limit as one sentence."""
        lines = ", ".join(
            f"{name} {figures(reach, significant=2)}" for name, reach in self.line_ranges_um.items()
        )
        return (
            f"At {self.beam_energy_keV:g} keV electrons reach "
            f"{length(self.electron_range_um, 'um', significant=2)} into "
            f"the alloy and its lines come from up to (um): {lines}. The composition of a droplet "
            f"less than {length(self.smallest_um, 'um', significant=2)} wide cannot be told from "
            "its size."
        )

    def notes(self, diameters_um: npt.ArrayLike) -> tuple[str, ...]:
        """Return a sentence where droplets, or lobes of a film, are too narrow; else nothing.

        Dims: `diameters_um` (droplet,).
        """
        sizes = np.asarray(diameters_um, dtype=np.float64)
        narrow = int((sizes < self.smallest_um).sum())
        if not narrow:
            return ()
        said = (
            f"{narrow} of {sizes.size} outlines {'is' if narrow == 1 else 'are'} narrower than "
            f"{length(self.smallest_um, 'um', significant=2)}, the depth electrons of "
            f"{self.beam_energy_keV:g} keV reach into the alloy: do not read a composition there, "
            "or map at a lower beam energy."
        )
        return (said,)


def composition_limit(
    maps: xr.Dataset, alloy: tuple[str, ...], *, nominal: Mapping[str, float] | None = None
) -> CompositionLimit | None:
    """Return from which diameter on a droplet's composition can be trusted.

    The limit is the electron range in the bulk alloy, the largest of all these depths. It holds for
    flat matter; the true limit of a rounded droplet differs by some ten percent, so it is a guide
    and nothing is cut off by it.

    Kanaya & Okayama, J. Phys. D 5 (1972) 43. Anderson & Hasler, Proc. 4th Int. Conf. X-ray Optics
    and Microanalysis (1966) 310. That particles smaller than the range need corrections of their
    own: Armstrong & Buseck, Anal. Chem. 47 (1975) 2178 (from memory).
    """
    known = facts(maps)
    energy = known.beam_energy_keV
    if energy is None or not alloy or energy > HIGHEST_SCANNING_KEV:
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


# Droplets whose rim would be all edge blur have no centre to compare with.
LEAST_CENTRE_PX = 9
# Chance that any droplet is called different although all are alike.
DIFFERENT_AT = 0.01


@dataclass(frozen=True)
class Trend:
    """A change with its interval; 0 means none."""

    # change of the natural-log odds of the element among the alloy's counts
    value: float
    low: float
    high: float
    p_value: float  # two-sided
    n_droplets: int  # droplets it rests on


@dataclass(frozen=True)
class DropletComposition:
    """What the droplets say of one element."""

    element: str  # the element
    # one row a droplet: label, diameter (px), counts (of the element), alloy_counts (of all
    # alloy elements), part (dimensionless), part_low, part_high, p_value (adjusted for the
    # number of droplets, Holm), differs (bool), wide_enough (bool: not narrower than `limit`;
    # True where no limit is known)
    droplets: pd.DataFrame
    part: float  # part of the element in all droplets together
    p_same: float  # p-value of "all droplets have one composition"
    # relative standard deviation of the part from droplet to droplet beyond counting
    scatter: float
    scatter_low: float
    scatter_high: float
    # change of the log odds for each doubling of the diameter: positive where small droplets
    # hold less
    with_size: Trend
    rim_to_centre: Trend  # log odds ratio of centre over rim: positive where the rim holds less
    # from which diameter on a composition can be trusted; None without beam energy or pixel
    # size
    limit: CompositionLimit | None = None

    def sentences(self) -> tuple[str, ...]:
        """Return the findings as plain sentences."""
        if self.droplets.empty:
            return ("No droplet holds counts of the alloy.",)
        said = [f"{self.element} is {100 * self.part:.1f} % of the alloy's counts in the droplets."]
        many = int(self.droplets["differs"].sum())
        if self.p_same < 0.01:
            said.append(
                f"The droplets do not share one composition (p = {self.p_same:.2g}; beyond "
                f"counting it scatters by {100 * self.scatter:.0f} %, {100 * self.scatter_low:.0f} "
                f"to {100 * self.scatter_high:.0f}); {many} differ singly."
            )
        else:
            said.append(
                f"One composition explains all droplets (p = {self.p_same:.2g}); a scatter of up "
                f"to {100 * self.scatter_high:.0f} % would not be seen."
            )
        for trend, less, more in (
            (self.with_size, "Small droplets hold less of it", "Small droplets hold more of it"),
            (self.rim_to_centre, "It is less at the rim", "It is more at the rim"),
        ):
            if np.isfinite(trend.p_value) and trend.p_value < 0.01:
                word = less if trend.value > 0 else more
                said.append(
                    f"{word} (log odds {trend.value:+.2f}, {trend.low:+.2f} to {trend.high:+.2f}"
                    f"{' a doubling of the diameter' if trend is self.with_size else ''})."
                )
                if trend is self.rim_to_centre:
                    said.append(
                        "A film between the droplets blurs into their rims and may do that."
                    )
        if self.limit is not None:
            said.append(self.limit.sentence())
            narrow = int((~self.droplets["wide_enough"]).sum())
            if narrow:
                said.append(
                    f"{narrow} of {len(self.droplets)} droplets are narrower: what sets them apart "
                    "or makes a trend with size may be their size alone."
                )
        return tuple(said)


def droplet_composition(
    maps: xr.Dataset,
    labels: Labels,
    element: str,
    *,
    alloy: tuple[str, ...],
    n_droplets: int,
    blur_px: float = 1.0,
    settings: Settings | None = None,
) -> DropletComposition:
    """Compare the composition of the droplets, their sizes, and rim with centre.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set of counts.
    labels : numpy.ndarray of int32, dims (y, x)
        Droplets from 1 to `n_droplets`; larger labels (streaks) are left out.
    element : str
        The element in question.
    alloy : tuple of str
        The alloy's elements, at least one besides `element`.
    n_droplets : int
        Number of droplets.
    blur_px : float, optional
        Standard deviation of the blur (px): the rim is as wide as 1.5 of it, at least one pixel.
    settings : Settings, optional
        Level, resamples and seed.

    Raises
    ------
    InputError
        If the element is not in the alloy, or alone in it, or the maps are not counts.

    Notes
    -----
    One composition: likelihood ratio ``G = 2 sum k ln(k / expected)``, its distribution drawn by
    simulation under one composition (few counts a droplet make chi-square unsafe). Scatter: moment
    estimate of the variance beyond counting. Size: logistic regression on log2 of the diameter,
    intervals by resampling droplets. Rim to centre: Mantel and Haenszel's common odds ratio over
    droplets, so that droplets of different composition do not mix.

    References
    ----------
    Wilks, Ann. Math. Stat. 9 (1938) 60 (likelihood ratio). Kleinman, J. Am. Stat. Assoc. 68 (1973)
    46, eq. 2.5 (moment estimate). Mantel & Haenszel, J. Natl. Cancer Inst. 22 (1959) 719; Robins,
    Breslow & Greenland, Biometrics 42 (1986) 311 (its variance).
    """
    chosen = settings or Settings()
    others = tuple(e for e in alloy if e != element)
    if element not in alloy or not others:
        raise InputError(
            f"element must be one of at least two alloy elements ({', '.join(alloy)}), got "
            f"{element!r}. Name an alloy element; one metal alone has no composition."
        )
    if facts(maps).quantity != "counts":
        raise InputError(
            f"maps must hold counts to compare droplets, got {facts(maps).quantity!r}. "
            "Export raw counts."
        )
    inside = np.where((labels > 0) & (labels <= n_droplets) & valid_mask(maps), labels, 0)
    own = np.asarray(maps["counts"].sel(element=element).values, dtype=np.float64)
    rest = np.asarray(
        maps["counts"].sel(element=list(others)).sum("element").values, dtype=np.float64
    )
    area, k, m = (
        np.bincount(inside.ravel(), weights, minlength=n_droplets + 1)[1:].astype(np.float64)
        for weights in (None, own.ravel(), (own + rest).ravel())
    )
    used = m > 0
    table = _table(np.flatnonzero(used) + 1, area[used], k[used], m[used], chosen)
    limit = composition_limit(maps, alloy) if facts(maps).length_unit == "um" else None
    least_px = limit.smallest_um / facts(maps).pixel_size if limit else 0.0
    table["wide_enough"] = table["diameter_px"] >= least_px
    diameter = table["diameter_px"].to_numpy()
    part = float(k.sum() / m.sum()) if m.sum() > 0 else float("nan")
    rng = np.random.default_rng(chosen.seed)
    low, value, high = _scatter(k[used], m[used], chosen)
    inner = _rim_to_centre(
        inside, own, rest, n_droplets=n_droplets, blur_px=blur_px, level=chosen.level
    )
    return DropletComposition(
        element, table, part, _p_same(k[used], m[used], rng), value, low, high,
        _with_size(k[used], m[used], diameter, chosen),
        inner, limit,
    )  # fmt: skip


def _table(label: Integers, area: Floats, k: Floats, m: Floats, settings: Settings) -> pd.DataFrame:
    from scipy import stats

    total_k, total_m = k.sum(), m.sum()
    low, high = wilson_interval(k, m, settings.level) if k.size else (k, k)
    # Each droplet against all the others (Fisher's exact test given both sums).
    p = [
        min(1.0, 2 * min(stats.hypergeom.cdf(a, total_m, total_k, b),
                         stats.hypergeom.sf(a - 1, total_m, total_k, b)))
        for a, b in zip(k, m, strict=True)
    ]  # fmt: skip
    holm = adjusted(p) if p else np.array([])
    return pd.DataFrame({
        "label": label, "diameter_px": 2 * np.sqrt(area / np.pi), "counts": k, "alloy_counts": m,
        "part": k / m, "part_low": low, "part_high": high, "p_value": holm,
        "differs": holm < DIFFERENT_AT,
    })  # fmt: skip


def _deviance(k: Floats, m: Floats) -> Floats:
    """Return G of "one composition"; the last axis is the droplet."""
    part = k.sum(axis=-1, keepdims=True) / m.sum()
    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.where(k > 0, k * np.log(k / (m * part)), 0.0)
        rest = np.where(m - k > 0, (m - k) * np.log((m - k) / (m * (1 - part))), 0.0)
    return np.asarray(2.0 * (own + rest).sum(axis=-1))


def _p_same(k: Floats, m: Floats, rng: np.random.Generator, *, n_draws: int = 999) -> float:
    if k.size < 2 or not 0 < k.sum() < m.sum():
        return float("nan")
    # Given both sums the counts are multivariate hypergeometric: no parameter is left to estimate.
    draws = rng.multivariate_hypergeometric(
        np.rint(m).astype(np.int64), int(k.sum()), size=n_draws, method="marginals"
    ).astype(np.float64)
    beyond = int((_deviance(draws, m) >= float(_deviance(k, m)) - 1e-9).sum())
    return (1 + beyond) / (1 + n_draws)


def _relative_scatter(k: Floats, m: Floats) -> Floats:
    """Return the relative standard deviation of the part beyond counting (Kleinman 1973, 2.5)."""
    total = m.sum(axis=-1)
    part = k.sum(axis=-1) / total
    with np.errstate(divide="ignore", invalid="ignore"):
        pieces = np.where(m > 0, k / m, 0.0)
        spread = (m * (pieces - part[..., None]) ** 2).sum(axis=-1)
        droplets = (m > 0).sum(axis=-1)
        counting = part * (1 - part)
        room = total - (m**2).sum(axis=-1) / total
        variance = (spread - (droplets - 1) * counting) / (room - (droplets - 1))
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)) / part)


def _scatter(k: Floats, m: Floats, settings: Settings) -> tuple[float, float, float]:
    if k.size < 3 or not 0 < k.sum() < m.sum():
        return (float("nan"),) * 3
    picks = bootstrap_weights(k.size, settings.n_resamples, settings.seed)
    # A droplet drawn twice stands for two droplets, not for one of twice the counts.
    rows = [np.repeat(np.arange(k.size), w.astype(int)) for w in picks]
    index = np.stack(rows)
    found = _relative_scatter(k[index], m[index])
    tail = (1 - settings.level) / 2
    low, high = np.quantile(found[1:], [tail, 1 - tail])
    return float(low), float(found[0]), float(high)


def _with_size(k: Floats, m: Floats, diameter: Floats, settings: Settings) -> Trend:
    """Return the slope of the log odds on log2 of the diameter."""
    x = np.log2(diameter)
    if k.size < 4 or not 0 < k.sum() < m.sum() or np.ptp(x) < 1e-6:
        return Trend(*(float("nan"),) * 4, int(k.size))
    weights = bootstrap_weights(k.size, settings.n_resamples, settings.seed)
    slopes = _logistic_slope(k, m, x, weights)
    slopes = slopes[np.isfinite(slopes)]
    value, draws = float(slopes[0]), slopes[1:]
    tail = (1 - settings.level) / 2
    low, high = np.quantile(draws, [tail, 1 - tail])
    beyond = min(int((draws <= 0).sum()), int((draws >= 0).sum()))
    p = min(1.0, 2.0 * (beyond + 1) / (draws.size + 1))
    return Trend(value, float(low), float(high), p, int(k.size))


def _logistic_slope(k: Floats, m: Floats, x: Floats, weights: Floats) -> Floats:
    """Fit log odds = a + b x by Newton's method, one fit a row of droplet weights."""
    x = x - (m * x).sum() / m.sum()
    start = np.log(k.sum() / (m.sum() - k.sum()))
    a, b = np.full(len(weights), start), np.zeros(len(weights))
    for _ in range(25):
        p = 1.0 / (1.0 + np.exp(-(a[:, None] + b[:, None] * x)))
        resid, curve = weights * (k - m * p), weights * m * p * (1 - p)
        g0, g1 = resid.sum(axis=1), (resid * x).sum(axis=1)
        h00, h01, h11 = curve.sum(1), (curve * x).sum(1), (curve * x * x).sum(1)
        det = h00 * h11 - h01**2
        with np.errstate(divide="ignore", invalid="ignore"):
            step_a, step_b = (h11 * g0 - h01 * g1) / det, (h00 * g1 - h01 * g0) / det
        a, b = a + np.clip(step_a, -2, 2), b + np.clip(step_b, -2, 2)
        if np.nanmax(np.abs(step_b)) < 1e-10:
            break
    return b


def _rim_to_centre(
    inside: Labels, own: Floats, rest: Floats, *, n_droplets: int, blur_px: float,
    level: float,
) -> Trend:  # fmt: skip
    """Return Mantel and Haenszel's log odds ratio of centre over rim."""
    # Droplets that touch each other have a rim between them too.
    depth = distance_transform_edt(~edges_of(inside))
    centre = (inside > 0) & (depth > max(1.5 * blur_px, 1.0))
    rim = (inside > 0) & ~centre
    pixels = np.bincount(inside[centre], minlength=n_droplets + 1)
    keep = pixels >= LEAST_CENTRE_PX
    keep[0] = False

    def per_droplet(where: Bools, plane: Floats) -> Floats:
        sums = np.bincount(inside[where], plane[where], minlength=n_droplets + 1)
        return np.asarray(sums[keep])

    a, b = per_droplet(centre, own), per_droplet(centre, rest)
    c, d = per_droplet(rim, own), per_droplet(rim, rest)
    n = np.maximum(a + b + c + d, 1.0)
    top, bottom = a * d / n, b * c / n
    if not (top.sum() > 0 and bottom.sum() > 0):
        return Trend(*(float("nan"),) * 4, int(keep.sum()))
    value = float(np.log(top.sum() / bottom.sum()))
    # Robins, Breslow & Greenland (1986), eq. 3.
    p, q = (a + d) / n, (b + c) / n
    variance = (
        (p * top).sum() / (2 * top.sum() ** 2)
        + (p * bottom + q * top).sum() / (2 * top.sum() * bottom.sum())
        + (q * bottom).sum() / (2 * bottom.sum() ** 2)
    )
    error = float(np.sqrt(variance))
    reach = float(ndtri(0.5 + level / 2)) * error
    p_value = float(2 * ndtr(-abs(value) / error))
    return Trend(value, value - reach, value + reach, p_value, int(keep.sum()))

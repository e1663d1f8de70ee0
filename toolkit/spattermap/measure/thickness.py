"""How thick: regions weighed by the glass they hide and by what they give of their own.

The bare glass beside a deposit sets the dose, line by line. What a film of thickness t then gives
in each map is known up to one factor an alloy line (detector, yield, content), which all regions
share and which the maps themselves tell wherever the glass lines tell the thickness. Thickness
and factors are found together by Poisson likelihood.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.arrays import Bools, Floats
from spattermap.core.errors import atomic_number

if TYPE_CHECKING:
    import numpy.typing as npt

    from spattermap.xrays.layers import LayerModel

NOT_TOLD, TOLD, BETWEEN, AT_MOST, AT_LEAST = (
    "not_told", "told", "between", "at_most", "at_least"
)  # fmt: skip

# Profiles a region may have: t = h (1 - u)^p, with u the share of its area that lies deeper
# inside. On a round droplet u = (r / a)^2, so that 1/2 is half an ellipsoid and 1 a paraboloid
# (a flat spherical cap); 0 is a film.
PROFILES = (0.0, 0.5, 1.0)
_RULE = 1.9207  # half of chi2(0.95, 1): a likelihood interval of 95 %
_ONE_SIDED = 1.3528  # half of chi2(0.90, 1): a bound of 95 % on one side
# Factors that the continuum under a glass line may have against that predicted from the metal
# windows, the likeliest first: Kramers' law and the unknown width of the windows. Common
# practice, no source.
CONTINUUM_FACTORS = (1.0, 0.3, 1.7)
# Continuum over counts of the line for an element that makes up the whole glass, in a window of
# 1.2 FWHM; silicon in silica has a peak some 30 times its background (from memory).
GLASS_CONTINUUM = 0.015
_GRID = 240
_AT_ONCE = 256  # regions whose likelihoods are held at a time

# Largest relative difference between the thickness found and that of films whose counts come from
# the Monte Carlo of the tests, by metal and beam energy (keV), over two elastic cross-sections;
# at least 5 %. tests/reference/layers says how it was found.
TOLERANCE_ENERGIES = (5.0, 10.0, 15.0, 20.0, 25.0)
TOLERANCE: dict[str, tuple[float, ...]] = {
    "Al": (0.05, 0.05, 0.05, 0.05, 0.05),
    "Ti": (0.09, 0.09, 0.07, 0.07, 0.07),
    "Cr": (0.09, 0.09, 0.08, 0.07, 0.07),
    "Ni": (0.10, 0.10, 0.09, 0.06, 0.06),
    "Cu": (0.10, 0.10, 0.09, 0.06, 0.06),
    "Mo": (0.16, 0.15, 0.11, 0.09, 0.09),
    "Ag": (0.18, 0.16, 0.11, 0.09, 0.09),
    "W": (0.25, 0.20, 0.16, 0.14, 0.14),
    "Au": (0.25, 0.20, 0.16, 0.14, 0.14),
}
# Below that, where a film hides little: difference in the part of a glass line that is left, as an
# error of the dose (which moves the sensitivities too).
PART_TOLERANCE = 0.01


def model_tolerance(alloy: Mapping[str, float], beam_energy_keV: float) -> float:
    """Return by what part the layer model may miss a thickness.

    The largest difference found against the Monte Carlo for the metal of the nearest atomic numbers
    at energies on both sides.
    """
    known = sorted(TOLERANCE, key=atomic_number)
    total = sum(alloy.values())
    z = sum(part * atomic_number(e) for e, part in alloy.items()) / total
    numbers = [float(atomic_number(e)) for e in known]
    by_energy = [float(np.interp(z, numbers, [TOLERANCE[e][k] for e in known]))
                 for k in range(len(TOLERANCE_ENERGIES))]  # fmt: skip
    return float(np.interp(beam_energy_keV, TOLERANCE_ENERGIES, by_energy))


@dataclass(frozen=True)
class Scale:
    """What one unit of everything gives in each map, per pixel."""

    elements: tuple[str, ...]  # the maps used
    thickness_nm: Floats  # (thickness,): grid of the tables
    # (element, thickness): parts as in `spattermap.xrays.layers.LineTable`
    film: Floats
    substrate: Floats
    continuum: Floats
    # (element,): counts per pixel of the bare glass: of its own line, and of the continuum
    glass: Floats
    background: Floats
    # (element,): relative standard error of the dose from counting the bare glass
    glass_error: Floats
    # (element,): counts per pixel of bulk metal, 0 for lines of the glass; relative standard error,
    # from counting
    sensitivity: Floats
    sensitivity_error: Floats
    in_film: Bools  # (element,): lines that the metal gives

    def means(self, profile: float = 0.0) -> Floats:
        """Return counts per pixel against mean thickness, dims (element, thickness)."""
        flat = (
            self.sensitivity[:, None] * self.film
            + self.glass[:, None] * self.substrate
            + self.background[:, None] * self.continuum
        )
        return flat if profile == 0.0 else _over_profile(flat, self.thickness_nm, profile)


@lru_cache(maxsize=1)
def _quadrature() -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(24)


def _over_profile(
    flat: Floats, thickness: Floats, profile: float, low: float = 0.0, high: float = 1.0
) -> Floats:
    """Return the mean of a table over the part low < u < high of a domed region.

    The result stands on the same grid, read as the mean thickness of the *whole* region.
    """
    nodes, weights = _quadrature()
    # s = sqrt(1 - u) runs evenly where the rim is steep.
    inner, outer = np.sqrt(1.0 - high), np.sqrt(1.0 - low)
    s = inner + (outer - inner) * (nodes + 1) / 2
    share = weights / 2 * (outer - inner) * 2 * s / (high - low)
    out = np.zeros_like(flat)
    for part, depth in zip(share, (1.0 + profile) * s ** (2 * profile), strict=True):
        at = thickness * depth
        out += part * np.stack([np.interp(at, thickness, row) for row in flat])
    return out


def profile_table(scale: Scale, profile: float, low: float, high: float) -> Floats:
    """Return counts per pixel of the part low < u < high of a region, see `PROFILES`.

    Dims (element, thickness); the grid is the mean thickness of the whole region.
    """
    return _over_profile(scale.means(), scale.thickness_nm, profile, low, high)


def scale_of(
    model: LayerModel,
    *,
    alloy: Mapping[str, float],
    substrate: Mapping[str, float],
    bare: Mapping[str, float],
    bare_px: float,
    continuum_factor: float = 1.0,
    dose: float = 1.0,
) -> Scale:
    """Return the scale from the bare glass, with sensitivities still to be found.

    `bare`: counts per pixel of the bare glass in each map, over `bare_px` pixels.
    `continuum_factor` and `dose` multiply the continuum under the glass's lines and what the glass
    gives.
    """
    from spattermap.xrays import resolution_fwhm_eV

    elements = tuple(model.lines)
    grid = model.mass_thickness[-1] * np.linspace(0.0, 1.0, _GRID) ** 2
    tables = {
        name: np.stack([
            np.interp(grid, model.mass_thickness, getattr(model.lines[e], name)) for e in elements
        ])
        for name in ("film", "substrate", "continuum")
    }  # fmt: skip
    from_glass = np.array([substrate.get(e, 0.0) > 0 for e in elements])
    counted = np.array([bare[e] for e in elements], dtype=float) * np.where(from_glass, dose, 1.0)
    # Continuum of the bare glass in each window, in one unit (Kramers 1923).
    unit = np.array([
        model.lines[e].bare_continuum * resolution_fwhm_eV(model.lines[e].line.energy_eV)
        for e in elements
    ])  # fmt: skip
    strength = counted[~from_glass].sum() / unit[~from_glass].sum() if (~from_glass).any() else 0.0
    content = np.array([substrate.get(e, 0.0) for e in elements]) / sum(substrate.values())
    most = GLASS_CONTINUUM * counted / np.maximum(content, GLASS_CONTINUUM)
    predicted = continuum_factor * np.minimum(strength * unit, most)
    background = np.where(from_glass, np.minimum(predicted, 0.5 * counted), counted)
    glass = np.where(from_glass, counted - background, 0.0)
    in_film = np.array([alloy.get(e, 0.0) > 0 for e in elements])
    per_glass = np.array([
        model.lines[e].film_per_substrate * alloy.get(e, 0.0) / max(substrate.get(e, 0.0), 1e-9)
        for e in elements
    ])  # fmt: skip
    start = np.where(from_glass, glass * per_glass, np.maximum(counted, 1e-3) * 30.0)
    return Scale(
        elements=elements,
        thickness_nm=grid / model.density_g_cm3 * 1e7,
        glass=glass,
        background=background,
        glass_error=1.0 / np.sqrt(np.maximum(counted * bare_px, 1.0)),
        sensitivity=np.where(in_film, start, 0.0),
        sensitivity_error=np.where(in_film, np.inf, 0.0),
        in_film=in_film,
        **tables,
    )


def with_sensitivities(
    scale: Scale, counts: Floats, pixels: Floats, *, start: Floats | None = None
) -> Scale:
    """Return the scale with the sensitivities that fit the regions best.

    Dims: `counts` (region, element), `pixels` (region,), of regions that may be taken as even in
    thickness; `start` (element,), None takes those of the glass lines' thickness.

    Maximum of the Poisson likelihood over all thicknesses and sensitivities: for given
    sensitivities each thickness is searched on the grid, then the profile likelihood takes one
    Newton step in the logarithms of the sensitivities (Fisher information, thickness eliminated by
    its Schur complement), halved while it does not raise the likelihood, until they stand still. A
    sensitivity that the glass lines cannot tell keeps a large error and then adds nothing to a
    thickness.
    """
    metal = np.flatnonzero(scale.in_film)
    if metal.size == 0 or len(counts) == 0:
        return scale
    first = _first_guess(scale, counts, pixels) if start is None else start[metal]
    gain = np.log(np.maximum(first, 1e-6))
    information, best = np.eye(metal.size), -np.inf
    step: Floats = np.zeros(metal.size)
    for _ in range(40):
        tried = replace(scale, sensitivity=_put(scale, metal, np.exp(gain + step)))
        each = _log_likelihood(counts, pixels, tried.means())
        at = np.argmax(each, axis=1)
        found = float(each[np.arange(len(at)), at].sum())
        if found > best:
            scale, gain, best = tried, gain + step, found
            score, information = _profile_information(scale, counts, pixels, at, metal)
            newton = np.linalg.solve(information + 1e-9 * np.eye(metal.size), score)
            step = np.asarray(np.clip(newton, -0.7, 0.7), dtype=np.float64)
        else:  # too far: the likelihood is curved, and stepped where thicknesses change
            step = step / 2
        if np.abs(step).max() < 2e-3:
            break
    variance = np.diag(np.linalg.inv(information + 1e-9 * np.eye(metal.size)))
    error = np.zeros(len(scale.elements))
    error[metal] = np.sqrt(np.maximum(variance, 0.0))
    return replace(scale, sensitivity_error=error)


def _put(scale: Scale, metal: npt.NDArray[np.intp], values: Floats) -> Floats:
    found = scale.sensitivity.copy()
    found[metal] = values
    return found


def _first_guess(scale: Scale, counts: Floats, pixels: Floats) -> Floats:
    """Return sensitivities with the thickness taken from the glass lines alone."""
    glass = np.flatnonzero(~scale.in_film)
    metal = np.flatnonzero(scale.in_film)
    table = scale.means()[glass]
    at = np.argmax(_log_likelihood(counts[:, glass], pixels, table), axis=1)
    net = (
        counts[:, metal]
        - pixels[:, None]
        * (
            scale.background[metal, None] * scale.continuum[metal][:, at]
            + scale.glass[metal, None] * scale.substrate[metal][:, at]
        ).T
    )
    whole = (pixels[:, None] * scale.film[metal][:, at].T).sum(axis=0)
    return np.asarray(net.sum(axis=0) / np.maximum(whole, 1e-9))


def _log_likelihood(
    counts: Floats, pixels: Floats, table: Floats, beside: Floats | None = None
) -> Floats:
    """Return Poisson log-likelihoods, dims (region, thickness); `beside` are counts added."""
    table = np.maximum(table, 1e-9)
    if beside is None:
        return np.asarray(counts @ np.log(table) - pixels[:, None] * table.sum(axis=0))
    total = np.zeros((len(counts), table.shape[1]))
    mean, term = np.empty_like(total), np.empty_like(total)
    for k, row in enumerate(table):
        np.multiply(pixels[:, None], row, out=mean)
        mean += beside[:, k, None]
        np.log(mean, out=term)
        term *= counts[:, k, None]
        term -= mean
        total += term
    return total


def _profile_information(
    scale: Scale,
    counts: Floats,
    pixels: Floats,
    at: npt.NDArray[np.intp],
    metal: npt.NDArray[np.intp],
) -> tuple[Floats, Floats]:
    """Return score and information of the log sensitivities, the thicknesses eliminated."""
    table = np.maximum(scale.means(), 1e-9)
    mean = pixels[:, None] * table[:, at].T
    own = pixels[:, None] * (scale.sensitivity[:, None] * scale.film)[:, at].T
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.gradient(table, scale.thickness_nm, axis=1)
    along = pixels[:, None] * slope[:, at].T
    # A region at either end of the grid tells nothing more by moving.
    along[(at == 0) | (at == table.shape[1] - 1)] = 0.0
    residual = counts / mean - 1.0
    score = (residual * own)[:, metal].sum(axis=0)
    weight = own[:, metal] / np.sqrt(mean[:, metal])
    cross = (own * along / mean)[:, metal]
    thick = (along**2 / mean).sum(axis=1)
    information = np.diag((weight**2).sum(axis=0))
    told = thick > 0
    information -= (cross[told] / thick[told, None]).T @ cross[told]
    # Residuals along the thickness vanish at the maximum up to the step of the grid.
    rest = (residual * along).sum(axis=1)
    score -= (cross[told] * (rest[told] / thick[told])[:, None]).sum(axis=0)
    return score, information


@dataclass(frozen=True)
class Thickness:
    """Thickness of regions with both of its uncertainties."""

    nm: Floats  # (region,): mean thickness (nm); the likeliest one even where only a bound is told
    # (region,): bounds of 95 %: counting and model together; 0 and infinity where there is none
    low: Floats
    high: Floats
    # (region,): from counting alone
    counting_low: Floats
    counting_high: Floats
    # (region,): from the model alone, upwards and downwards, as parts of the thickness
    model: Floats
    model_low: Floats
    # (region,): "told", "between" where only its bounds are firm, "at_most", "at_least", "not_told"
    told: npt.NDArray[np.str_]

    @property
    def bounded(self) -> Bools:
        """Where there are two bounds with a likeliest value between them; (region,)."""
        return np.isin(self.told, (TOLD, BETWEEN))

    def only_bounds(self, most: Floats) -> Thickness:
        """Return the same with "between" where half the interval is more than a part of the value.

        `most` (region,). A tilt that nobody stated only lowers the lower bound and does not count.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            above = self.high - self.nm
            below = np.hypot(self.nm - self.counting_low, self.model * self.nm)
            wide = 0.5 * (above + below) > most * self.nm
        return replace(self, told=np.where((self.told == TOLD) & wide, BETWEEN, self.told))


def thickness_of(
    scales: tuple[Scale, ...],
    counts: Floats,
    pixels: Floats,
    *,
    tolerance: float,
    beside: Floats | None = None,
    profile: float = 0.0,
    other_profiles: tuple[float, ...] = (),
) -> Thickness:
    """Return the thickness of each region.

    Dims: `counts`, `beside` (region, element), the latter from the rim outside a region, where blur
    put part of its signal; `pixels` (region,) that carry the metal. `scales`: the one to use, then
    pairs that cannot be excluded (less and more continuum, dose or take-off); an odd one at the end
    only lowers (a tilt). `profile`, and others that cannot be excluded: exponents, see `PROFILES`.
    """
    best = _search(scales[0], counts, pixels, beside, profile)
    pairs = [_search(scale, counts, pixels, beside, profile) for scale in scales[1:]]
    shapes = [_search(scales[0], counts, pixels, beside, other)
              for other in other_profiles if other != profile]  # fmt: skip
    others = [*pairs, *shapes]
    lower = pairs.pop() if len(pairs) % 2 else best
    squares = (tolerance * best.nm) ** 2
    apart = [np.square(other.nm - best.nm) for other in (*pairs, *shapes)]
    for k in range(0, len(pairs), 2):
        squares = squares + np.maximum.reduce(apart[k : k + 2])
    if shapes:
        squares = squares + np.mean(apart[len(pairs) :], axis=0)
    spread = np.sqrt(squares)
    below = np.hypot(spread, np.maximum(best.nm - lower.nm, 0.0))
    low = best.nm - np.hypot(best.nm - best.counting_low, below)
    high = best.nm + np.hypot(best.counting_high - best.nm, spread)
    # A thickness without an end under one alternative has none.
    every = [best, *others]
    endless = np.any([np.isinf(one.counting_high) for one in every], axis=0)
    least = np.min([one.counting_low for one in every], axis=0) * (1.0 - tolerance)
    least = _dimmed(scales[0], least, profile)
    most = np.max([one.counting_high for one in every], axis=0) * (1.0 + tolerance)
    told = np.where(endless & (best.told == TOLD), AT_LEAST, best.told)
    told = np.where(endless & (best.told == AT_MOST), NOT_TOLD, told)
    told = np.where((told == TOLD) & (low <= 0.0), AT_MOST, told)
    low = np.where(endless, least, low)
    high = np.where(endless, np.inf, np.where(told == AT_MOST, most, high))
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = [np.where(best.nm > 0, one / best.nm, np.nan) for one in (spread, below)]
    low = np.where((told == AT_MOST) | (told == NOT_TOLD), 0.0, np.maximum(low, 0.0))
    return replace(best, low=low, high=high, model=parts[0], model_low=parts[1], told=told)


def _dimmed(scale: Scale, nm: Floats, profile: float) -> Floats:
    """Return the thickness at which `PART_TOLERANCE` more of the strongest glass line is left."""
    glass = int(np.argmax(scale.glass))
    curve = scale.substrate
    if profile > 0.0:
        curve = _over_profile(curve, scale.thickness_nm, profile)
    left = curve[glass]
    more = np.interp(nm, scale.thickness_nm, left) + PART_TOLERANCE
    return np.asarray(np.interp(-more, -left, scale.thickness_nm))


def _search(
    scale: Scale, counts: Floats, pixels: Floats, beside: Floats | None, profile: float
) -> Thickness:
    """Return thickness and counting interval by the likelihood on the grid."""
    table = np.maximum(scale.means(profile), 1e-9)
    parts = []
    for first in range(0, max(len(counts), 1), _AT_ONCE):
        own = slice(first, first + _AT_ONCE)
        next_to = None if beside is None else beside[own]
        parts.append(_search_in(scale, table, counts[own], pixels[own], next_to))
    names = [one.name for one in fields(Thickness)]
    return Thickness(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in names})


def _search_in(
    scale: Scale, table: Floats, counts: Floats, pixels: Floats, beside: Floats | None
) -> Thickness:
    """Return the same for few regions, whose likelihoods fit into the processor's cache."""
    thick = scale.thickness_nm
    fit = _log_likelihood(counts, pixels, table, beside)
    region = np.arange(len(counts))
    top = np.argmax(fit, axis=1)
    nm = _between_points(fit, top, thick)
    drop = fit[region, top][:, None] - fit
    low = _crossing(drop, top, thick, _RULE, -1)
    high = _crossing(drop, top, thick, _RULE, +1)
    shared = _shared_error(scale, table, pixels, top, beside)
    none = drop[:, 0] < _RULE
    # Near the end of the grid the glass is gone: what is as likely there has no end.
    endless = (drop[:, -1] < _RULE) | (high + 1.96 * shared > thick[-1])
    low = np.where(endless, low, nm - np.hypot(nm - low, 1.96 * shared))
    high = nm + np.hypot(high - nm, 1.96 * shared)
    low = np.where(endless, _crossing(drop, top, thick, _ONE_SIDED, -1), low)
    high = np.where(none, _crossing(drop, top, thick, _ONE_SIDED, +1), high)
    told = np.full(len(counts), TOLD, dtype="<U8")
    told[none], told[endless] = AT_MOST, AT_LEAST
    told[none & endless] = NOT_TOLD
    low = np.where(none, 0.0, np.maximum(low, 0.0))
    high = np.where(endless, np.inf, high)
    none_yet = np.zeros(len(counts))
    return Thickness(nm, low, high, low, high, none_yet, none_yet, told)


def _between_points(fit: Floats, top: npt.NDArray[np.intp], thick: Floats) -> Floats:
    """Return the maximum of the parabola through the best point and its neighbours."""
    inner = np.clip(top, 1, thick.size - 2)
    region = np.arange(len(fit))
    x0, x1, x2 = thick[inner - 1], thick[inner], thick[inner + 1]
    f0, f1, f2 = (fit[region, inner + k] for k in (-1, 0, 1))
    up, down = (f1 - f0) / (x1 - x0), (f2 - f1) / (x2 - x1)
    bend = (down - up) / (x2 - x0)
    with np.errstate(divide="ignore", invalid="ignore"):
        best = 0.5 * (x0 + x1) - up / (2 * bend)
    usable = (top == inner) & (bend < 0)
    return np.where(usable, np.clip(best, x0, x2), thick[top])


def _crossing(
    drop: Floats, top: npt.NDArray[np.intp], thick: Floats, rule: float, side: int
) -> Floats:
    """Return where the likelihood has fallen by `rule` on one side of its maximum."""
    columns = np.arange(thick.size)
    outside = columns > top[:, None] if side > 0 else columns < top[:, None]
    beyond = (drop > rule) & outside
    any_beyond = beyond.any(axis=1)
    if side < 0:
        first = thick.size - 1 - np.argmax(beyond[:, ::-1], axis=1)
        end = 0.0
    else:
        first, end = np.argmax(beyond, axis=1), thick[-1]
    before = np.clip(first - side, 0, thick.size - 1)
    region = np.arange(len(drop))
    a, b = drop[region, before], drop[region, first]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(b > a, (rule - a) / (b - a), 1.0)
    at = thick[before] + np.clip(part, 0.0, 1.0) * (thick[first] - thick[before])
    return np.where(any_beyond, at, end)


def _shared_error(
    scale: Scale, table: Floats, pixels: Floats, top: npt.NDArray[np.intp], beside: Floats | None
) -> Floats:
    """Return the standard error of each thickness from dose and sensitivities (nm)."""
    slope = np.gradient(table, scale.thickness_nm, axis=1)[:, top].T
    mean = table[:, top].T
    if beside is not None:
        mean = mean + beside / pixels[:, None]
    thick = np.maximum((slope**2 / mean).sum(axis=1), 1e-30)
    # What the part of the line shares in the mean, as the error of its logarithm moves it.
    glass = scale.glass[:, None] * scale.substrate + scale.background[:, None] * scale.continuum
    metal = scale.sensitivity[:, None] * scale.film
    moved = np.square(slope / mean * glass[:, top].T * scale.glass_error).sum(axis=1)
    error = np.where(np.isfinite(scale.sensitivity_error), scale.sensitivity_error, 0.0)
    moved += np.square(slope / mean * metal[:, top].T * error).sum(axis=1)
    return np.asarray(np.sqrt(moved) / thick)

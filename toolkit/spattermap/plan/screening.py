"""Closed forms: what counting alone allows, before anything is simulated.

Counts come from the layer model (`spattermap.xrays.layers`) times the yields of bulk matter at one
beam current. Each question then has a published limit: Currie's for what must be detected (haze, an
element apart, oxygen), the Cramer-Rao bound for the thickness, the point count rule of ASTM E562
for the coverage, the number of particles of ISO 13322-1 for the sizes, and the highest of many
noise peaks for the smallest droplet. These are upper limits of what an analysis may reach; they
rank the choices, and `spattermap.plan.trials` says what is reached.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtr, ndtri

from spattermap.core.errors import InputError, positive
from spattermap.measure.thickness import model_tolerance
from spattermap.plan.choices import Choice, Known, blur_um
from spattermap.plan.questions import Question
from spattermap.synthesis.xray_model import LineModel, line_model
from spattermap.xrays.layers import LayerModel, layer_model
from spattermap.xrays.overlap import leaks

if TYPE_CHECKING:
    from spattermap.core.arrays import Floats

ALPHA = 0.025  # intervals of 95 % have this chance on each side
BACKGROUND = 0.03  # continuum under the copper line on bulk copper; typical, no source
TAKE_OFF_DEG = 35.0
# Overlap above which one window's counts say nothing sure of the other element: common practice.
MUDDLED = 0.2
# By what part the oxygen that the glass gives through a droplet is known: that of the model's.
GLASS_KNOWN = 0.1


LEAST_NET = 0.05  # part of a glass line's counts that is the line, where the model's floor is above


@dataclass(frozen=True)
class Rates:
    """Counts per second in each map while the beam stands on one kind of ground."""

    # the alloy's own lines, on thick alloy and at the droplets' thickness (per second, for the
    # alloy's content; for other elements, as if they made up the metal)
    bulk: dict[str, float]
    film: dict[str, float]
    # lines of the substrate, bare and through a droplet
    glass: dict[str, float]
    under: dict[str, float]
    # continuum in each window, bare and on a droplet
    continuum: dict[str, float]
    continuum_metal: dict[str, float]
    # largest leak of another element into the map, as a part of that element's counts
    leak: dict[str, float]

    def bare(self, element: str) -> float:
        """Return counts per second of bare substrate."""
        return self.glass[element] + self.continuum[element]


@lru_cache(maxsize=64)
def _model(
    lines: tuple[tuple[str, str], ...],
    alloy: tuple[tuple[str, float], ...],
    substrate: tuple[tuple[str, float], ...],
    beam: float,
) -> LayerModel:
    return layer_model(dict(lines), dict(alloy), dict(substrate), beam_energy_keV=beam)


def _layers(known: Known, lines: Mapping[str, str], beam: float) -> LayerModel:
    materials = (tuple(sorted(m.items())) for m in (known.alloy, known.substrate))
    return _model(tuple(lines.items()), *materials, beam)


def bulk_yield(known: Known, lines: Mapping[str, str], beam: float) -> float:
    """Return counts in all lines of the thick alloy, in one unit for all energies."""
    total = sum(known.alloy.values())
    return sum(
        part / total * float(_yields(known, e, lines[e], beam).in_metal[-1])
        for e, part in known.alloy.items() if e in lines
    )  # fmt: skip


def _yields(known: Known, element: str, line: str, beam: float) -> LineModel:
    return line_model(
        element, line=line, alloy=known.alloy, substrate=known.substrate, beam_keV=beam,
        takeoff_deg=TAKE_OFF_DEG,
    )  # fmt: skip


def rate_at(known: Known, lines: Mapping[str, str], beam: float) -> float:
    """Return counts per second of the thick alloy at a beam energy, the current being the same."""
    total = sum(known.alloy.values())
    scale, more = _scale(known), beside_model(known, lines)[0]
    return scale * sum(
        part / total * more.get(e, 1.0) * float(_yields(known, e, lines[e], beam).in_metal[-1])
        for e, part in known.alloy.items() if e in lines
    )  # fmt: skip


def _scale(known: Known) -> float:
    """Return counts per second for one unit of the model's yields."""
    from spattermap.plan.choices import choose_lines

    stated = choose_lines(known.elements, known.rate_energy_keV)
    reference = bulk_yield(known, stated, known.rate_energy_keV)
    if not reference > 0:
        raise InputError(
            f"rate_energy_keV must excite the alloy, got {known.rate_energy_keV:g}. Raise it."
        )
    return known.counts_per_second / reference


def beside_model(
    known: Known, lines: Mapping[str, str]
) -> tuple[dict[str, float], dict[str, float]]:
    """Return rates that were read over those of the model, of lines and of continuum, by element.

    A line that was not the one read keeps the model's.
    """
    if not known.alloy_rates and not known.bare_rates:
        return {}, {}
    sensitivity, continuum, read = _beside_model(_key(known))
    same = {e for e, line in lines.items() if read.get(e) == line}
    return ({e: f for e, f in sensitivity.items() if e in same},
            {e: f for e, f in continuum.items() if e in same})  # fmt: skip


@lru_cache(maxsize=64)
def _beside_model(key: _Key) -> tuple[dict[str, float], dict[str, float], dict[str, str]]:
    """Return what `beside_model` returns for the lines at the energy of the rates, and those."""
    from spattermap.plan.choices import choose_lines

    known = _of_key(key)
    at = known.rate_energy_keV
    lines = choose_lines(known.elements, at)
    rates = rates_of(replace(known, alloy_rates={}, bare_rates={}), lines, at)
    sensitivity = {
        e: n / rates.bulk[e] for e, n in known.alloy_rates.items() if rates.bulk.get(e, 0.0) > 0
    }
    continuum = {}
    for element, rate in known.bare_rates.items():
        if element in known.alloy and rates.continuum.get(element, 0.0) > 0:
            continuum[element] = rate / rates.continuum[element]
        elif rates.glass.get(element, 0.0) > 0:
            net = max(rate - rates.continuum[element], LEAST_NET * rate)
            sensitivity[element] = net / rates.glass[element]
    return sensitivity, continuum, lines


def rates_of(known: Known, lines: Mapping[str, str], beam_energy_keV: float) -> Rates:
    """Return counts per second on metal and on bare substrate, line by line."""
    return _rates(_key(known), tuple(lines.items()), beam_energy_keV)


# What rates follow from: alloy, substrate, counts a second, its energy, thickness, rates read.
_Key = tuple[Any, ...]


def _key(known: Known) -> _Key:
    return (
        tuple(known.alloy.items()), tuple(known.substrate.items()), known.counts_per_second,
        known.rate_energy_keV, known.thickness_nm, tuple(known.alloy_rates.items()),
        tuple(known.bare_rates.items()),
    )  # fmt: skip


def _of_key(key: _Key) -> Known:
    alloy, substrate, counts, at, thick, own, bare = key
    return Known(dict(alloy), dict(substrate), counts, at, thickness_nm=thick,
                 alloy_rates=dict(own), bare_rates=dict(bare))  # fmt: skip


@lru_cache(maxsize=64)
def _rates(key: _Key, mapped: tuple[tuple[str, str], ...], beam_energy_keV: float) -> Rates:
    """Return the rates, worked out once for the many choices that differ in time and pixel."""
    known, lines = _of_key(key), dict(mapped)
    scale, (more, floor) = _scale(known), beside_model(known, lines)
    model = _layers(known, lines, beam_energy_keV)
    metal, glass = (sum(m.values()) for m in (known.alloy, known.substrate))
    copper = line_model(
        "Cu", line="", alloy={"Cu": 100.0}, substrate=known.substrate, beam_keV=beam_energy_keV,
        takeoff_deg=TAKE_OFF_DEG,
    )  # fmt: skip
    strength = scale * BACKGROUND * float(copper.in_metal[-1] / copper.continuum[-1])
    kinds = ("bulk", "film", "glass", "under", "continuum", "continuum_metal")
    found: dict[str, dict[str, float]] = {name: {} for name in kinds}
    for element, line in lines.items():
        table = model.lines[element]
        full = _yields(known, element, line, beam_energy_keV).times(
            more.get(element, 1.0), floor.get(element, 1.0)
        )
        part = {
            name: float(np.interp(known.thickness_nm, model.thickness_nm, getattr(table, name)))
            for name in ("film", "substrate", "continuum")
        }
        bulk = scale * float(full.in_metal[-1]) * known.alloy.get(element, metal) / metal
        bare = scale * float(full.in_substrate[0]) * known.substrate.get(element, 0.0) / glass
        continuum = strength * float(full.continuum[0])
        values = (bulk, bulk * part["film"], bare, bare * part["substrate"], continuum,
                  continuum * part["continuum"])  # fmt: skip
        for name, value in zip(kinds, values, strict=True):
            found[name][element] = value
    worst = dict.fromkeys(lines, 0.0)
    for row in leaks(dict(lines), beam_energy_keV).to_dict("records"):
        worst[str(row["into"])] = max(worst[str(row["into"])], float(row["leak"]))
    return Rates(**found, leak=worst)


def detected(
    signal: float, background: float, *, blank_ratio: float = 1.0, alpha: float = ALPHA
) -> float:
    """Return how often (0 to 1) a signal is found significant, both as expected counts.

    ``P(net > L_C)``, ``L_C = k sqrt(w B)``, ``w = 1 + 1 / blank_ratio``, with `blank_ratio` the
    counts of the background measurement over `background` (infinity: it is known): Currie, Anal.
    Chem. 40 (1968) 586, eqs 11 to 15; at his detection limit it is 1 - beta. Valid from about five
    background counts on. `alpha`, the chance of a false alarm, is that of one side of a 95 %
    interval.
    """
    if blank_ratio <= 0 or signal <= 0:
        return 0.0
    noise = (1.0 + 1.0 / blank_ratio) * max(background, 0.0)
    critical = -ndtri(alpha) * math.sqrt(noise)
    return float(ndtr((signal - critical) / math.sqrt(signal + noise)))


def thickness_bound(means: Floats, thickness_nm: Floats, nm: float, n_pixels: float) -> float:
    """Return the least standard error of a thickness (nm), seen on `n_pixels` at `nm`.

    Dims: `means`, counts per pixel of lines of known scale, (element, thickness); `thickness_nm`
    (thickness,). ``1 / sqrt(n sum (dm/dt)^2 / m)``, the Cramer-Rao bound for Poisson counts (Rao,
    Bull. Calcutta Math. Soc. 37 (1945) 81); infinity where nothing changes with thickness.
    """
    information = 0.0
    for row in means:
        slope = float(np.interp(nm, thickness_nm, np.gradient(row, thickness_nm)))
        mean = float(np.interp(nm, thickness_nm, row))
        information += n_pixels * slope**2 / max(mean, 1e-12)
    return 1.0 / math.sqrt(information) if information > 0 else math.inf


def coverage_error(fraction: float, n_points: float) -> float:
    """Return the relative half width (95 %) of an area fraction from independent points.

    ``2 sqrt((1 - P) / (P n))``: ASTM E562, point count rule (multiplier 2 for 95 %).
    """
    return 2.0 * math.sqrt((1.0 - fraction) / (fraction * max(n_points, 1e-9)))


def median_error(sigma_g: float, n_droplets: float) -> float:
    """Return the relative standard error of a fitted lognormal median, ``ln sigma_g / sqrt(n)``.

    The limit of small power of the particle number of ISO 13322-1, see
    `spattermap.measure.sizes.particles_needed`.
    """
    return math.log(sigma_g) / math.sqrt(max(n_droplets, 1e-9))


def samples_to_tell(difference: float, scatter: float, *, power: float = 0.9) -> int:
    """Return how many fields or samples of each of two settings tell a difference apart.

    Parameters
    ----------
    difference : float
        Difference of the means that matters (any unit).
    scatter : float
        Standard deviation from field to field, or sample to sample, of equal settings.
    power : float, optional
        How often the difference shall be found (0.5 to 1).

    Returns
    -------
    int
        At least 2.

    Raises
    ------
    InputError
        If an argument is not positive, or `power` out of range.

    Notes
    -----
    Two-sided t test of two equal groups at 95 %, exact by the noncentral t distribution (Cohen,
    Statistical Power Analysis, 2nd ed. 1988, table 2.3.5).

    Examples
    --------
    >>> samples_to_tell(1.0, 2.0, power=0.8)  # half a standard deviation
    64
    """
    from scipy import stats

    positive(difference, "difference")
    positive(scatter, "scatter", allow_zero=True)
    if not 0.5 <= power < 1:
        raise InputError(f"power must lie from 0.5 to below 1, got {power!r}. Use 0.9.")
    n = 2
    while n < 10**6:
        shift = difference / max(scatter, 1e-300) * math.sqrt(n / 2)
        freedom = 2 * n - 2
        limit = stats.t.isf(ALPHA, freedom)
        reached = 1.0 if shift > 30 else float(stats.nct.sf(limit, freedom, shift))
        if reached >= power:
            return n
        # The normal law comes close from below; the rest is walked.
        ideal = 2 * ((stats.norm.isf(ALPHA) + stats.norm.ppf(power)) * scatter / difference) ** 2
        n = max(n + 1, int(ideal) - 1)
    return n


def screened(question: Question, known: Known, choice: Choice) -> float:
    """Return how often a question is decided as far as counting allows, 0 to 1."""
    rates = rates_of(known, choice.lines, choice.beam_energy_keV)
    return _FORMS[question.kind](question, known, choice, rates)


@dataclass(frozen=True)
class _Area:
    """Pixels of metal and of bare glass in all fields together, and of the bare plate."""

    metal: float
    bare: float
    plate: float


def _area(known: Known, choice: Choice) -> _Area:
    pixels = choice.n_fields * choice.side_px**2
    return _Area(known.coverage * pixels, (1 - known.coverage) * pixels, choice.blank_px)


def _metal_signal(known: Known, rates: Rates, element: str) -> float:
    """Return counts per second and field pixel of an element's metal."""
    return known.coverage * rates.film[element]


def _apart(question: Question, known: Known, choice: Choice, rates: Rates) -> float:
    e = question.element
    if e not in rates.film or len(known.alloy) < 2 or rates.leak[e] > MUDDLED:
        return 0.0
    area, dwell = _area(known, choice), choice.dwell_s
    pixels = area.metal + area.bare
    signal = question.stake / 100 * _metal_signal(known, rates, e) * pixels * dwell
    background = rates.bare(e) * area.bare * dwell
    return detected(signal, background, blank_ratio=area.plate / area.bare)


def _haze(question: Question, known: Known, choice: Choice, rates: Rates) -> float:
    area, dwell = _area(known, choice), choice.dwell_s
    metal = [e for e in known.alloy if e in rates.film]
    pixels = area.metal + area.bare
    part = question.stake / 100 / (1 - question.stake / 100)
    signal = part * sum(_metal_signal(known, rates, e) for e in metal) * pixels * dwell
    background = sum(rates.bare(e) for e in metal) * area.bare * dwell
    return detected(signal, background, blank_ratio=area.plate / area.bare)


def contrast(known: Known, choice: Choice, rates: Rates, *, thin: float = 1.0) -> float:
    """Return d2, the information a pixel holds on metal or bare: ``sum (m1 - m0)^2 / mean``.

    `thin` is the thickness in units of the droplets'; the film's signal grows with it, the glass's
    falls.
    """
    total = 0.0
    for e in choice.lines:
        bare = rates.bare(e)
        metal = rates.under[e] + rates.continuum_metal[e]
        metal += rates.film[e] if e in known.alloy else 0.0
        metal = bare + (metal - bare) * min(1.0, thin)
        total += choice.dwell_s * (metal - bare) ** 2 / max(0.5 * (metal + bare), 1e-12)
    return total


def _found(diameter_um: float, known: Known, choice: Choice, rates: Rates) -> float:
    """Return how often a droplet of a size is found among the peaks of noise."""
    blur = math.hypot(blur_um(known, choice.beam_energy_keV, choice.lines),
                      choice.pixel_size_um / math.sqrt(12))  # fmt: skip
    width = diameter_um / 4  # standard deviation of a disc along one axis
    kept = width**2 / (width**2 + blur**2)  # contrast left after the blur
    thin = diameter_um / known.d50_um  # a droplet keeps its shape
    pixels = math.pi / 4 * diameter_um**2 / kept / choice.pixel_size_um**2
    strength = contrast(known, choice, rates, thin=thin) * kept**2 * pixels
    places = choice.side_px**2 * choice.pixel_size_um**2 / diameter_um**2
    # Highest of n independent noise peaks: sqrt(2 ln n) (Cramer 1946, sec. 28.6; from memory).
    return float(ndtr(math.sqrt(strength) - math.sqrt(2 * math.log(max(places, 2.0)))))


def _droplet(question: Question, known: Known, choice: Choice, rates: Rates) -> float:
    if question.stake < 2 * choice.pixel_size_um:  # a disc of three pixels has no size
        return 0.0
    return _found(question.stake, known, choice, rates)


def _connected(question: Question, known: Known, choice: Choice, rates: Rates) -> float:
    del question
    neck = max(2 * choice.pixel_size_um, 0.25 * known.d50_um)
    return _found(neck, known, choice, rates)


def _thickness(question: Question, known: Known, choice: Choice, rates: Rates) -> float:
    glass = [e for e in choice.lines if e in known.substrate]
    model = _layers(known, choice.lines, choice.beam_energy_keV)
    # Only the glass's lines have a known scale: the bare plate beside the droplets.
    means = choice.dwell_s * np.stack([
        rates.glass[e] * model.lines[e].substrate + rates.continuum[e] * model.lines[e].continuum
        for e in glass
    ])  # fmt: skip
    error = thickness_bound(means, model.thickness_nm, known.thickness_nm,
                            _area(known, choice).metal)  # fmt: skip
    counting = -ndtri(ALPHA) * error / known.thickness_nm
    room = question.stake / 100 - model_tolerance(known.alloy, choice.beam_energy_keV)
    if room <= 0:
        return 0.0
    # The half width itself scatters by a few percent; the step is drawn as soft as that.
    return float(ndtr(math.log(room / max(counting, 1e-12)) / 0.1))


def droplets_in(known: Known, choice: Choice) -> float:
    """Return the droplets expected in all fields."""
    mean_square = known.d50_um**2 * math.exp(2 * math.log(known.sigma_g) ** 2)
    area = choice.n_fields * choice.field_um**2
    return known.coverage * area / (math.pi / 4 * mean_square)


def _coverage(question: Question, known: Known, choice: Choice, rates: Rates) -> float:
    # Droplets, not pixels, are the independent points: each covers a patch of its own.
    spread = math.exp(4 * math.log(known.sigma_g) ** 2)  # <a^2> / <a>^2 of lognormal diameters
    points = droplets_in(known, choice) / spread / known.coverage
    error = coverage_error(known.coverage, points)
    seen = _found(known.d50_um, known, choice, rates)
    return seen * float(ndtr(math.log(question.stake / 100 / error) / 0.1))


def _sizes(question: Question, known: Known, choice: Choice, rates: Rates) -> float:
    seen = _found(known.d50_um, known, choice, rates)
    error = median_error(known.sigma_g, droplets_in(known, choice) * max(seen, 1e-6))
    shift = math.log1p(question.stake / 100)
    # Two intervals that must not meet: half widths add, standard errors add in quadrature.
    margin = shift + 2 * ndtri(ALPHA) * error
    return seen * float(ndtr(margin / max(math.sqrt(2) * error, 1e-12)))


def _oxide(question: Question, known: Known, choice: Choice, rates: Rates) -> float:
    if "O" not in choice.lines:
        return 0.0
    area, dwell = _area(known, choice), choice.dwell_s
    signal = question.stake / 100 * rates.film["O"] * area.metal * dwell
    through = rates.under["O"] * area.metal * dwell
    background = through + rates.continuum_metal["O"] * area.metal * dwell
    # What the glass gives through a thin droplet is known to a part only.
    noise = math.hypot(math.sqrt(2 * background), GLASS_KNOWN * through)
    return float(ndtr((signal + ndtri(ALPHA) * noise) / math.sqrt(signal + noise**2)))


_FORMS = {
    "apart": _apart, "haze": _haze, "droplet": _droplet, "connected": _connected,
    "thickness": _thickness, "coverage": _coverage, "sizes": _sizes, "oxide": _oxide,
}  # fmt: skip

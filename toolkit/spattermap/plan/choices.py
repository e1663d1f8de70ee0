"""What is known of the deposit, and what can be chosen at the microscope."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import xarray as xr
from scipy import ndimage

from spattermap.core.errors import InputError, element_symbol, positive
from spattermap.show.wording import minutes_text
from spattermap.xrays.lines import line_of, lines_of
from spattermap.xrays.overlap import leaks, lines_touch
from spattermap.xrays.ranges import anderson_hasler_um, kanaya_okayama_um

if TYPE_CHECKING:
    from spattermap.core.arrays import Bools

# An edge exceeded by half gives a line worth mapping; by a fifth, one that is taken only where the
# softer lines overlap (common practice, no source).
ENOUGH_OVERVOLTAGE, LEAST_OVERVOLTAGE = 1.5, 1.2
LEAK = 0.05  # part of another map's counts above which two lines overlap; a choice, no source
# Blur by the spread of the electrons, as a part of the depth the metal's line comes from; a typical
# value, no source.
SPREAD_PER_RANGE = 0.25

# Typical values with what each would change; a value that is not stated is marked as assumed.
TYPICAL: dict[str, tuple[Any, str]] = {
    "counts_per_second": (
        2000.0, "twice the rate halves every time on this page, half of it doubles them"),
    "rate_energy_keV": (15.0, "the energy at which the count rate holds"),
    "d50_um": (2.0, "smaller droplets are thinner and harder to find, weigh and compare"),
    "sigma_g": (1.45, "a wider spread of sizes asks for more droplets"),
    "coverage": (0.2, "fewer droplets carry less metal signal and tell less of their sizes"),
    "thickness_nm": (
        300.0, "thicker metal hides the glass: more signal, but no thickness above saturation"),
    "haze_percent": (0.0, "haze hides a component that lies apart"),
    "beam_um": (0.1, "a wider probe blurs small droplets away"),
    "field_overhead_minutes": (1.0, "finding and focusing each field costs mapping time"),
}  # fmt: skip


@dataclass(frozen=True)
class Unlike:
    """Where a map set is uneven beyond counting and a field made like it is not."""

    # the map, and on which ground
    element: str
    where: str
    # relative variance beyond counting, in the map set and in the made field
    seen: float
    made: float
    counts: float  # mean counts a pixel there
    bulk_counts: float  # counts a pixel that thick alloy would have given in the map set

    def scatter(self, bulk_counts: float) -> float:
        """Return how many times as much as counts the pixels scatter at another dose."""
        return 1 + (self.seen - self.made) * self.counts * bulk_counts / self.bulk_counts

    @property
    def words(self) -> str:
        """The finding in one clause."""
        seen, made = (100 * math.sqrt(part) for part in (self.seen, self.made))
        return f"{self.element} {self.where} is uneven by {seen:.0f} % (made: {made:.0f} %)"


@dataclass(frozen=True)
class Known:
    """What is known, or assumed, of the deposits to be mapped.

    Parameters
    ----------
    alloy, substrate : mapping of str to float
        Mass percent.
    counts_per_second : float
        Counts in all lines of the alloy together on the thick alloy at `rate_energy_keV` (1/s),
        at the beam current that will be used at every energy.
    rate_energy_keV : float
        Beam energy at which that rate, and those below, hold (keV).
    alloy_rates, bare_rates : mapping of str to float
        Counts per second by element, where they were read: net, on the thick alloy, of the alloy's
        elements; and in the map of any element on bare substrate, continuum included. Elements
        not named are shared out by the yields and the typical detector of the layer model; all of
        the alloy's named, their sum is `counts_per_second`.
    d50_um, sigma_g : float
        Median diameter (um) and geometric standard deviation.
    coverage : float
        Area fraction of the droplets, 0 to 0.9.
    thickness_nm : float
        Mean thickness of the droplets (nm).
    haze_percent : float
        Share of the metal signal that lies between the droplets (%).
    beam_um : float
        Standard deviation of the probe (um).
    field_overhead_minutes : float
        Time a field costs besides its mapping (min).
    assumed : tuple of str
        Names of the values that nobody stated.
    unlike : tuple of Unlike
        What the map set that this was taken from holds and made fields lack.
    """

    alloy: Mapping[str, float]
    substrate: Mapping[str, float]
    counts_per_second: float = TYPICAL["counts_per_second"][0]
    rate_energy_keV: float = TYPICAL["rate_energy_keV"][0]
    d50_um: float = TYPICAL["d50_um"][0]
    sigma_g: float = TYPICAL["sigma_g"][0]
    coverage: float = TYPICAL["coverage"][0]
    thickness_nm: float = TYPICAL["thickness_nm"][0]
    haze_percent: float = TYPICAL["haze_percent"][0]
    beam_um: float = TYPICAL["beam_um"][0]
    field_overhead_minutes: float = TYPICAL["field_overhead_minutes"][0]
    alloy_rates: Mapping[str, float] = field(default_factory=dict)
    bare_rates: Mapping[str, float] = field(default_factory=dict)
    assumed: tuple[str, ...] = field(default=(), compare=False)
    unlike: tuple[Unlike, ...] = field(default=(), compare=False)

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        for name in ("alloy", "substrate"):
            parts = getattr(self, name)
            if not parts:
                raise InputError(
                    f"{name} must state elements with mass percent, got none. "
                    "Write for example Cu=70,Zn=30."
                )
            for element, part in parts.items():
                element_symbol(element, name)
                positive(part, f"{name}: {element}", unit="%")
        if shared := set(self.alloy) & set(self.substrate):
            raise InputError(
                f"alloy and substrate must not share an element, got {', '.join(sorted(shared))}. "
                "Plan for the other elements."
            )
        for name in TYPICAL:
            zero = name in ("haze_percent", "beam_um", "field_overhead_minutes")
            positive(getattr(self, name), name, allow_zero=zero)
        for name, allowed in (("alloy_rates", tuple(self.alloy)), ("bare_rates", self.elements)):
            for element, rate in getattr(self, name).items():
                if element not in allowed:
                    raise InputError(
                        f"{name} must name elements among {', '.join(allowed)}, got {element!r}. "
                        "Leave it out."
                    )
                positive(rate, f"{name}: {element}", unit="1/s")
        if self.coverage > 0.9 or self.haze_percent > 90 or not 1 <= self.sigma_g <= 4:
            raise InputError(
                "coverage must be at most 0.9, haze_percent at most 90 and sigma_g from 1 to 4, "
                f"got {self.coverage:g}, {self.haze_percent:g} and {self.sigma_g:g}. Correct it."
            )

    @classmethod
    def stated(cls, **values: Any) -> Known:
        """Return what is stated, and typical values, marked as assumed, for the rest."""
        given = {name: value for name, value in values.items() if value is not None}
        read = given.get("alloy_rates", {})
        if set(given["alloy"]) <= set(read):
            given["counts_per_second"] = sum(read.values())
        return cls(**given, assumed=tuple(name for name in TYPICAL if name not in given))

    @property
    def elements(self) -> tuple[str, ...]:
        """Elements to map: alloy, substrate."""
        return (*self.alloy, *self.substrate)


def known_from(
    maps: xr.Dataset, *, minutes: float, blank: xr.Dataset | None = None, **stated: Any
) -> Known:
    """Return what a map set "like this one" tells.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set of counts with pixel size, beam energy, alloy and substrate.
    minutes : float
        How long it was counted (min).
    blank : xarray.Dataset, optional
        Its bare substrate.
    **stated
        Values of `Known` that are stated and go before.

    Returns
    -------
    Known
        Count rate, sizes, coverage, haze, thickness and blur from the maps where they tell.

    Raises
    ------
    InputError
        If the maps hold no counts, or their facts or `minutes` are missing.
    """
    from spattermap.analysis import analyse
    from spattermap.core.mapset import facts

    positive(minutes, "minutes of the map set", unit="min")
    known = facts(maps)
    alloy = stated.pop("alloy", None) or known.alloy
    substrate = stated.pop("substrate", None) or known.substrate
    if known.quantity != "counts" or known.length_unit != "um" or not known.beam_energy_keV:
        raise InputError(
            "the map set to plan from must hold counts and state pixel_size_um and "
            f"beam_energy_keV, got {known.quantity}. State them in its mapset.toml."
        )
    found = analyse(maps, blank=blank)
    told = found.summary()
    metal = found.labels.values > 0
    if not metal.any():
        raise InputError("the map set to plan from must show metal, got none found. State values.")
    seconds = 60 * minutes / metal.size
    on_metal, bare = _rates_read(maps, metal, blank, (tuple(alloy), tuple(substrate)), seconds)
    thick = told.get("mean_thickness_nm")
    numbers: dict[str, Any] = {
        "rate_energy_keV": known.beam_energy_keV,
        "coverage": min(max(told["coverage"], 0.01), 0.9),
        "d50_um": told.get("d50_um"),
        "haze_percent": 100 * told["share_haze"] if told.get("share_haze") is not None else None,
        "thickness_nm": thick,
    }
    d10, d90 = told.get("d10_um"), told.get("d90_um")
    if d10 and d90 and math.isfinite(d10 * d90):
        # D90 / D10 of a lognormal distribution spans 2.563 standard deviations.
        numbers["sigma_g"] = min(max(math.exp(math.log(d90 / d10) / 2.563), 1.0), 4.0)
    if numbers["haze_percent"] is not None:
        numbers["haze_percent"] = min(max(numbers["haze_percent"], 0.0), 90.0)
    numbers = {k: v for k, v in numbers.items() if v is not None and math.isfinite(v)}
    made = Known.stated(alloy=alloy, substrate=substrate, **{**numbers, **stated})
    if "counts_per_second" not in stated and "alloy_rates" not in stated:
        verdicts = found.elements.set_index("element")["verdict"]
        made = _of_thick_metal(
            made, on_metal, {str(e) for e, v in verdicts.items() if v == "with_alloy"}
        )
    if "bare_rates" not in stated:
        made = replace(made, bare_rates=bare)
    return replace(made, unlike=_unlike(maps, metal, made, minutes))


LEAST_COUNTS = 25.0  # net counts of all its pixels, over their error squared, that state a rate


def _rates_read(
    maps: xr.Dataset,
    metal: Bools,
    blank: xr.Dataset | None,
    alloy_glass: tuple[tuple[str, ...], tuple[str, ...]],
    seconds: float,
) -> tuple[dict[str, float], dict[str, float]]:
    """Return counts per second, net on the droplets of the alloy, and on bare substrate.

    Left out is what stands less than five standard errors above nothing, and without a bare plate
    the alloy's elements between droplets, which may be haze.
    """
    alloy, substrate = alloy_glass
    on_metal, bare = {}, {}
    for element in (str(e) for e in maps["element"].values if str(e) in (*alloy, *substrate)):
        plane = maps["counts"].sel(element=element).values
        between = plane[~metal]
        plate = between
        if blank is not None and element in blank["element"].values:
            plate = blank["counts"].sel(element=element).values.ravel()
        if between.size and element in alloy:
            net = float(plane[metal].mean() - between.mean())
            error2 = plane[metal].mean() / metal.sum() + between.mean() / between.size
            if net > 0 and net**2 >= LEAST_COUNTS * error2:
                on_metal[element] = net / seconds
        if plate.sum() >= LEAST_COUNTS and (blank is not None or element in substrate):
            bare[element] = float(plate.mean()) / seconds
    return on_metal, bare


def _of_thick_metal(known: Known, on_metal: Mapping[str, float], whole: set[str]) -> Known:
    """Return what counts on the droplets say of the thick alloy, by the layer model.

    Elements that lie with the alloy (`whole`) are as much of it as was bought, so that their counts
    tell their yields; of one that lies elsewhere they do not, and it has its share by the model.
    """
    from spattermap.plan.screening import rates_of

    if not on_metal:
        raise InputError(
            "the map set to plan from must show more of the alloy's counts on the metal than "
            "beside it, got no element that does. State counts_per_second."
        )
    at = known.rate_energy_keV
    rates = rates_of(known, choose_lines(known.elements, at), at)
    thick = {e: n * rates.bulk[e] / rates.film[e] for e, n in on_metal.items() if e in rates.bulk}
    read = {e: n for e, n in thick.items() if e in whole}
    used = read or thick
    all_lines = sum(rates.bulk[e] for e in known.alloy if e in rates.bulk)
    counts = sum(used.values()) * all_lines / sum(rates.bulk[e] for e in used)
    assumed = tuple(name for name in known.assumed if name != "counts_per_second")
    return replace(known, counts_per_second=counts, alloy_rates=read, assumed=assumed)


STRANGE = 4.0  # standard errors from which a map set is called unlike the made fields


def _unlike(maps: xr.Dataset, metal: Bools, known: Known, minutes: float) -> tuple[Unlike, ...]:
    """Return where the maps are uneven beyond counting and a field made like them is not."""
    from spattermap.analysis import analyse
    from spattermap.core.mapset import facts
    from spattermap.plan.trials import World, deposit_of
    from spattermap.synthesis import make_deposit

    told = facts(maps)
    beam, pixel = float(told.beam_energy_keV or 0.0), float(told.pixel_size)
    lines = choose_lines(known.elements, beam)
    rows, columns = metal.shape
    # Made at the dwell of the maps, which a square field of the same width has too.
    like = Choice(beam, pixel, columns * pixel, 1, minutes * columns / rows, 0.0, lines)
    side = min(max(columns, LEAST_SIDE_PX), LARGEST_TRIED_PX)
    made = make_deposit(deposit_of(World("plain"), known, like, side), seed=0)
    found = analyse(made.maps).labels.values > 0
    said = []
    for element in (one for one in known.elements if one in lines and one in maps["element"]):
        # Of metal on glass and glass under metal the droplets that are missed would tell.
        where = "on the metal" if element in known.alloy else "on bare glass"
        real = _unevenness(maps["counts"].sel(element=element).values, metal, where)
        same = _unevenness(made.maps["counts"].sel(element=element).values, found, where)
        if real is None or same is None:
            continue
        (seen, error, counts), expected = real, max(same[0], 0.0)
        # Few droplets of many thicknesses: what they make uneven is itself known to a half.
        if seen - expected > STRANGE * math.hypot(error, same[1], 0.5 * expected):
            bulk = known.counts_per_second * like.dwell_s
            said.append(Unlike(element, where, seen, expected, counts, bulk))
    return tuple(said)


def _unevenness(counts: Any, metal: Bools, where: str) -> tuple[float, float, float] | None:
    """Return the relative variance beyond counting on a ground, its standard error and the mean.

    ``(s^2 - m) / m^2``, its error that of the index of dispersion of Poisson counts (Fisher 1950).
    """
    inside = where == "on the metal"
    pixels = ndimage.binary_erosion(metal) if inside else ~ndimage.binary_dilation(metal, None, 3)
    values = counts[pixels].astype(float)
    if values.size < LEAST_PIXELS or not values.mean() > 0:
        return None
    mean = float(values.mean())
    error = math.sqrt(2 / (values.size - 1)) / mean
    return float((values.var(ddof=1) - mean) / mean**2), error, mean


LEAST_PIXELS = 100  # below, the variance of counts says too little


@dataclass(frozen=True)
class Choices:
    """What can be chosen.

    Parameters
    ----------
    minutes : float
        Time in all, blank and moving between fields included (min).
    energies_keV, pixel_sizes_um, field_sizes_um : tuple of float
        Beam energies (keV), pixel sizes and sides of a field (um).
    n_fields : tuple of int
        Numbers of fields to think about.
    blank : bool
        Whether a bare plate can be mapped.
    """

    minutes: float = 20.0
    energies_keV: tuple[float, ...] = (5.0, 10.0, 15.0, 20.0)
    pixel_sizes_um: tuple[float, ...] = (0.25, 0.5)
    field_sizes_um: tuple[float, ...] = (60.0,)
    n_fields: tuple[int, ...] = (1, 2, 3)
    blank: bool = True

    def __post_init__(self) -> None:
        """Refuse what no microscope offers."""
        positive(self.minutes, "minutes", unit="min")
        for name, low, high in (
            ("energies_keV", 2.0, 30.0), ("pixel_sizes_um", 0.005, 20.0),
            ("field_sizes_um", 0.5, 5000.0), ("n_fields", 1, 20),
        ):  # fmt: skip
            values = getattr(self, name)
            if not values or not all(low <= value <= high for value in values):
                raise InputError(
                    f"{name} must be one or more numbers from {low:g} to {high:g}, got "
                    f"{values!r}. Correct them."
                )
        sides = [f / p for f in self.field_sizes_um for p in self.pixel_sizes_um]
        if not any(LEAST_SIDE_PX <= side <= MOST_SIDE_PX for side in sides):
            raise InputError(
                f"field_sizes_um over pixel_sizes_um must give {LEAST_SIDE_PX} to {MOST_SIDE_PX} "
                f"px, got {min(sides):.0f} to {max(sides):.0f}. Change one of them."
            )


LEAST_SIDE_PX, MOST_SIDE_PX = 64, 2048
LARGEST_TRIED_PX = 192  # larger fields are tried by a part of this side


@dataclass(frozen=True)
class Choice:
    """One way to use the time.

    Parameters
    ----------
    beam_energy_keV, pixel_size_um, field_um : float
        Beam energy (keV), pixel and field (um).
    n_fields : int
        How many fields.
    field_minutes, blank_minutes : float
        Time for each field, and for the bare plate (0 for none).
    lines : mapping of str to str
        Line to map, by element.
    """

    beam_energy_keV: float
    pixel_size_um: float
    field_um: float
    n_fields: int
    field_minutes: float
    blank_minutes: float
    lines: Mapping[str, str] = field(hash=False)

    @property
    def side_px(self) -> int:
        """Side of a field (px)."""
        return round(self.field_um / self.pixel_size_um)

    @property
    def tried_px(self) -> int:
        """Side of the made fields (px)."""
        return min(self.side_px, LARGEST_TRIED_PX)

    @property
    def ranked_px(self) -> int:
        """Side of the parts that rank choices (px): half a field, at a quarter of the cost."""
        return min(max(self.side_px // 2, LEAST_SIDE_PX), self.tried_px)

    @property
    def dwell_s(self) -> float:
        """Seconds a pixel."""
        return 60 * self.field_minutes / self.side_px**2

    @property
    def blank_px(self) -> int:
        """Pixels of the bare plate, at the dwell of the fields."""
        return int(60 * self.blank_minutes / self.dwell_s) if self.blank_minutes else 0

    @property
    def words(self) -> str:
        """The choice in one clause."""
        fields_ = "one field" if self.n_fields == 1 else f"{self.n_fields} fields"
        plate = f", {minutes_text(self.blank_minutes)} of bare plate" if self.blank_minutes else ""
        return (
            f"{self.beam_energy_keV:g} keV, {self.pixel_size_um:g} µm pixels, {fields_} of "
            f"{self.field_um:g} µm ({minutes_text(self.field_minutes)}"
            f"{' each' if self.n_fields > 1 else ''}){plate}"
        )


def choose_lines(elements: tuple[str, ...], beam_energy_keV: float) -> dict[str, str]:
    """Return the line to map of each element that the beam reaches.

    K where the beam exceeds its edge by half; where it does so by a fifth only, K if the softer
    line overlaps that of another element; else the softer line.
    """
    options = {element: _reached(element, beam_energy_keV) for element in elements}
    chosen = {}
    for element, lines in options.items():
        good = [name for name, over in lines if over >= ENOUGH_OVERVOLTAGE]
        weak = [name for name, over in lines if over >= LEAST_OVERVOLTAGE]
        if good:
            chosen[element] = good[0]
        elif weak:
            chosen[element] = weak[0]
    for element, name in chosen.items():
        harder = [n for n, over in options[element] if over >= LEAST_OVERVOLTAGE]
        others = [other for other in chosen if other != element]
        if harder[0] != name and any(
            lines_touch(element, name, other)
            or _leaks({element: name, other: chosen[other]}, beam_energy_keV)
            for other in others
        ):
            chosen[element] = harder[0]
    return chosen


def _leaks(lines: Mapping[str, str], beam_energy_keV: float) -> bool:
    """Return True where one of two maps takes more than `LEAK` of the other's counts."""
    return bool((leaks(lines, beam_energy_keV)["leak"] > LEAK).any())


def _reached(element: str, beam_energy_keV: float) -> list[tuple[str, float]]:
    """Return alpha lines from K on with the overvoltage of their edges."""
    families = {line.family for line in lines_of(element)}
    found = []
    for family in ("Ka", "La", "Ma"):
        if family in families:
            line = line_of(element, family, beam_energy_keV=None)
            over = 1e3 * beam_energy_keV / line.edge_eV
            if over > 1.0 and line.energy_eV > 250.0:
                found.append((line.name, over))
    return found


def blur_um(known: Known, beam_energy_keV: float, lines: Mapping[str, str]) -> float:
    """Return the standard deviation of the blur on metal (um)."""
    depths = [
        anderson_hasler_um(beam_energy_keV, lines[e], material=known.alloy)
        for e in known.alloy if e in lines
    ]  # fmt: skip
    return math.hypot(known.beam_um, SPREAD_PER_RANGE * max(depths, default=0.0))


def smallest_composition_um(known: Known, beam_energy_keV: float) -> float:
    """Return the smallest droplet to trust in composition (um), Kanaya & Okayama (1972)."""
    return kanaya_okayama_um(beam_energy_keV, dict(known.alloy))


def all_choices(known: Known, choices: Choices, *, minutes: float | None = None) -> list[Choice]:
    """Return every choice that fits into the time."""
    whole = choices.minutes if minutes is None else minutes
    found = []
    for energy in sorted(set(choices.energies_keV)):
        lines = choose_lines(known.elements, energy)
        if not set(known.alloy) <= set(lines) or not set(known.substrate) & set(lines):
            continue
        for pixel in sorted(set(choices.pixel_sizes_um)):
            for side in sorted(set(choices.field_sizes_um)):
                if not LEAST_SIDE_PX <= round(side / pixel) <= MOST_SIDE_PX:
                    continue
                for n in sorted(set(choices.n_fields)):
                    mapping = whole - (n + choices.blank) * known.field_overhead_minutes
                    if mapping <= 0.2 * whole:
                        continue
                    # A fifth of a field's counts is enough of a plate that holds nothing.
                    plate = mapping * 0.2 / (n + 0.2) if choices.blank else 0.0
                    found.append(
                        Choice(energy, pixel, side, n, (mapping - plate) / n, plate, lines)
                    )
    return found

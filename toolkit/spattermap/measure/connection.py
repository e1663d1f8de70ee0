"""The continuity of one deposit: every number with the words that belong to it.

Plain words for the continuity of a deposit: what was found, why, and what to do next.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core.arrays import Bools, Floats
from spattermap.core.errors import InputError, image_2d, positive
from spattermap.core.estimate import span
from spattermap.measure.conductance import (
    DISC_AREA_THRESHOLD,
    DISC_FILLING_THRESHOLD,
    SITE_THRESHOLD_4,
    SheetConductance,
    bruggeman,
    hashin_shtrikman,
    sheet_conductance,
    wiener_bounds,
)
from spattermap.measure.contact import Contact, contact
from spattermap.measure.network import Connectivity, connectivity
from spattermap.measure.resistivity import (
    STATED_BULK,
    SUSPECTS,
    ImpliedResistivity,
    implied_resistivity,
)

if TYPE_CHECKING:
    from spattermap.core.settings import Settings
    from spattermap.measure.part_sums import Joined

# Below this width (px) a neck may owe its existence to the threshold of the segmentation.
_THIN_NECK_PX = 3.0
# A bracket wider than this, high over low, means that the pixel size limits the answer.
_WIDE_BRACKET = 1.25
# Directions that differ by more than this differ in words too.
_ANISOTROPIC = 1.25


def reasons(found: Continuity, measured: Mapping[str, Any]) -> tuple[str, ...]:
    """Return short sentences that carry the numbers behind a continuity."""
    if found.coverage == 0:
        return ("No metal was found, so nothing can conduct.",)
    told = [_crossing(found)]
    gaps_known = not math.isnan(found.edges.gap_x_px + found.edges.gap_y_px)
    if gaps_known and not (found.edges.crosses_x and found.edges.crosses_y):
        told.append(_missing(found))
    told.append(_threshold(found))
    for sheet, bounds in ((found.x, found.bounds_x), (found.y, found.bounds_y)):
        if bounds[1] > 0:
            told.append(_conductance(sheet, bounds))
    if found.x.ratio > 0 and found.y.ratio > 0:
        told += _shape_of_current(found)
    told += _otherwise(found)
    told += _measured(found, measured)
    if found.masked_inside > 0:
        told.append(
            f"Masked pixels, {100 * found.masked_inside:.2g} % of the field, were counted as bare: "
            "read connection and conductance as lower estimates."
        )
    if found.coarsened > 1:
        told.append(
            f"The current was solved on blocks of {found.coarsened} x {found.coarsened} pixels, "
            "which closes gaps finer than that: read the conductance as an upper estimate. Whether "
            "the metal is connected was found on every pixel."
        )
    return tuple(told)


def next_step(found: Continuity, measured: Mapping[str, Any]) -> str:
    """Return the measurement or setting that would settle most."""
    if found.coverage == 0:
        return "Check that the mapped field lies on the deposit, or count longer."
    resists = measured.get("sheet_resistance_ohm_per_sq")
    if not (found.edges.crosses_x or found.edges.crosses_y):
        return _step_towards_crossing(found, resists is not None)
    if _decided_by_pixels(found) or crossing_is_open(found):
        return "Map the narrowest places with half the pixel size: few pixels decide there."
    if resists is None:
        return "Measure the sheet resistance, to compare it with the conductance of this map."
    if measured.get("thickness_nm") is None:
        return "Measure the thickness, to turn the sheet resistance into a resistivity."
    return "Map more fields of this sample: one crossing field does not prove a crossing sample."


def _step_towards_crossing(found: Continuity, conducts: bool) -> str:
    if conducts:
        return (
            "The sample conducts though this field does not cross: map it with smaller pixels "
            "and more counts, to look for a thin film or bridges between the drops."
        )
    if found.corners is not None and (found.corners.crosses_x or found.corners.crosses_y):
        return "Regions touch at corners only: map with half the pixel size to see if they join."
    if found.dose_to_connect > 1:
        return (
            f"Deposit about {found.dose_to_connect:.2g} times as much in the same manner, or "
            "choose a setting that spreads the metal thinner, and map again."
        )
    return "Map a larger field: this one is too small to hold a way across."


def _crossing(found: Continuity) -> str:
    held = 100 * found.edges.largest_share
    share = f"the largest connected region holds {held:.0f} % of the metal"
    ways = [way for way, crosses in _ways(found) if crosses]
    if not ways:
        return f"The metal crosses the field in neither direction; {share}."
    if len(ways) == 2:
        return f"The metal crosses the field in x and in y; {share}."
    other = "y" if ways[0] == "x" else "x"
    return f"The metal crosses the field in {ways[0]} but not in {other}; {share}."


def crossing_is_open(found: Continuity) -> bool:
    """Return whether maps and electron image, where both can draw, disagree on a way across."""
    other = found.otherwise
    return other is not None and (
        (other.crosses_x, other.crosses_y) != (found.edges.crosses_x, found.edges.crosses_y)
    )


def _otherwise(found: Continuity) -> list[str]:
    """Return what the other drawing of the metal says of the connection."""
    other = found.otherwise
    if other is None:
        return []
    if other.drawn_by == "electron image":
        told = "Outlines of the electron image, sharper than the X-rays"
    else:
        told = "Outlines of the maps alone, blurred by the X-rays' resolution"
    changes = [
        f"{n} neck{'s' if n > 1 else ''} {what}"
        for n, what in ((other.necks_opened, "fewer"), (other.necks_closed, "more"))
        if n
    ]
    told += f", show {' and '.join(changes) if changes else 'the same necks'}"
    ratios = [
        f"{by_other:.3g} instead of {ours:.3g} of a full film along {way}"
        for way, by_other, ours in (
            ("x", other.ratio_x, found.x.ratio), ("y", other.ratio_y, found.y.ratio),
        )
        if by_other > 0 or ours > 0
    ]  # fmt: skip
    return [f"{told}: {' and '.join(ratios)}." if ratios else f"{told}; they do not cross either."]


def _ways(found: Continuity) -> tuple[tuple[str, bool], ...]:
    return ("x", found.edges.crosses_x), ("y", found.edges.crosses_y)


def _missing(found: Continuity) -> str:
    gaps = {
        "x": found.edges.gap_x_px * found.pixel_size,
        "y": found.edges.gap_y_px * found.pixel_size,
    }
    unit = "µm" if found.length_unit == "um" else found.length_unit
    parts = [f"{gaps[way]:.3g} {unit} in {way}" for way, crosses in _ways(found) if not crosses]
    told = "The widest gap on the easiest way across is " + " and ".join(parts) + "."
    if found.bridged is not None:
        crossed = [
            way
            for way, crosses in (("x", found.bridged.crosses_x), ("y", found.bridged.crosses_y))
            if crosses
        ]
        told += f" With gaps up to {found.bridging:g} {unit} closed it crosses in " + (
            " and ".join(crossed) + "." if crossed else "neither direction."
        )
    return told


def _threshold(found: Continuity) -> str:
    told = f"Coverage is {100 * found.coverage:.1f} %; drops that overlap at random connect at "
    told += f"{100 * DISC_AREA_THRESHOLD:.1f} %, single pixels at {100 * SITE_THRESHOLD_4:.1f} %."
    if found.dose_to_connect > 1 and found.coverage < DISC_AREA_THRESHOLD:
        told += f" Random drops would need about {found.dose_to_connect:.2g} times as much metal."
    return told


def _conductance(sheet: SheetConductance, bounds: tuple[float, float]) -> str:
    told = (
        f"Along {sheet.direction} the map conducts {sheet.ratio:.3g} of a full film "
        f"(between {bounds[0]:.3g} and {bounds[1]:.3g} for what pixels and blur leave open)."
    )
    if sheet.ratio > 0 and bounds[0] == 0:
        told += " What carries it across is narrower than the outline is known to."
    return told


def _shape_of_current(found: Continuity) -> list[str]:
    told = []
    relation = found.x.ratio / found.y.ratio
    if max(relation, 1.0 / relation) > _ANISOTROPIC:
        better, worse = ("x", "y") if relation > 1 else ("y", "x")
        times = max(relation, 1.0 / relation)
        told.append(f"It conducts {times:.3g} times better along {better} than along {worse}.")
    mean = (found.x.ratio * found.y.ratio) ** 0.5
    told.append(
        f"An isotropic film of this coverage could reach {found.hashin_shtrikman[1]:.3g} "
        f"(upper bound of Hashin and Shtrikman); this one reaches {mean:.3g}."
    )
    if math.isfinite(found.half_heat_share):
        hot = 100 * found.half_heat_share
        told.append(f"Half of the heat is set free in {hot:.1f} % of the metal.")
    return told


def _measured(found: Continuity, measured: Mapping[str, Any]) -> list[str]:
    ohm = measured.get("sheet_resistance_ohm_per_sq")
    if ohm is None:
        return []
    implied = found.resistivity
    told = f"The measured {ohm:g} Ω per square "
    if implied is None:
        told += "was found although this field does not conduct in both directions: metal below "
        told += "the detection limit, bridges finer than a pixel, or a better place elsewhere."
        return [told]
    if not implied.reference:
        told += "has no bulk value to be held against: state the alloy, or its resistivity as "
        return [told + f"{STATED_BULK} under [measured]."]
    pure = f"bulk {implied.reference} ({implied.reference_ohm_m * 1e8:.3g} µΩ cm)"
    if math.isnan(implied.times_bulk):
        told += f"is what {implied.bulk_thickness_nm:.3g} nm of {pure} would show on this map; "
        if math.isfinite(implied.times_bulk_low):
            least = f"at least {implied.times_bulk_low:.2g} times its resistivity"
            return [told + f"the maps give a bound of the thickness only, which implies {least}."]
        return [told + "the thickness was not given, and the maps do not tell it."]
    return [*_against_bulk(told, implied, pure), *_causes(found, implied)]


def _against_bulk(told: str, implied: ImpliedResistivity, pure: str) -> list[str]:
    told += f"implies {implied.times_bulk:.3g} times the resistivity of {pure}"
    bounded = math.isfinite(implied.times_bulk_low) and math.isfinite(implied.times_bulk_high)
    if bounded:
        told += f" ({span(implied.times_bulk_low, implied.times_bulk_high, '{:.2g}'.format)})"
    told += " with the thickness "
    told += "that the maps tell, " if implied.thickness_from == "maps" else "stated, "
    told += "once the gaps of the map are allowed for."
    if bounded and implied.times_bulk_low <= 1 <= implied.times_bulk_high:
        return [told + " It conducts as bulk metal of that thickness would."]
    if implied.times_bulk < 1:
        told += " Less than bulk cannot be: the metal is thicker than stated, or the map misses "
        return [told + "connections that the sample has."]
    return [told]


def _causes(found: Continuity, implied: ImpliedResistivity) -> list[str]:
    """Return what may raise the resistivity above bulk, those first that the maps support."""
    low = implied.times_bulk_low if math.isfinite(implied.times_bulk_low) else implied.times_bulk
    if not low > 1:
        return []
    said = []
    if implied.oxide == "shown":
        said.append("oxide, which the maps show in the metal")
    if _decided_by_pixels(found):
        said.append("gaps finer than a pixel, as necks of a few pixels decide what it conducts")
    if implied.thickness_nm < _SCATTERS_nm:
        said.append(
            f"scattering at surfaces and grain boundaries, as it is {implied.thickness_nm:.2g} nm "
            "thick"
        )
    if not said:
        spared = [word for word in SUSPECTS if not word.startswith("oxide")]
        usual = list(SUSPECTS) if implied.oxide != "none shown" else spared
        return ["Usual suspects: " + "; ".join(usual) + "."]
    lead = "What the maps support as the cause: " + "; ".join(said) + "."
    return [f"{lead} Oxide is not shown."] if implied.oxide == "none shown" else [lead]


_SCATTERS_nm = 100.0  # below, a film's resistivity stands clearly above bulk; common practice


def _decided_by_pixels(found: Continuity) -> bool:
    sheets = [sheet for sheet in (found.x, found.y) if sheet.ratio_low > 0]
    wide = any(sheet.ratio_high > _WIDE_BRACKET * sheet.ratio_low for sheet in sheets)
    necks = [n for n in (found.edges.neck_x_px, found.edges.neck_y_px) if n > 0]
    return wide or (bool(necks) and min(necks) < _THIN_NECK_PX)


# Pixels up to which the sheet is solved at full resolution; above, blocks are averaged first.
LARGEST_SOLVED_PX = 2048 * 2048
# Metal fraction, about one half, within which the outline of blurred metal is not known.
_EDGE_LEVEL = 0.3
# The conductance errs with the square of the potentials, so this is ample.
_TOLERANCE = 1e-6


@dataclass(frozen=True)
class Continuity:
    """Whether the metal of one field is a connected sheet, and how well it would conduct."""

    coverage: float  # area fraction of the metal
    pixel_size: float  # side of a pixel in `length_unit`
    length_unit: str  # the map set's length unit
    # regions of pixels that share edges (4), and that share corners too (8), the latter without
    # gaps and necks, which are NaN; of a field worked on in parts they are None
    edges: Connectivity
    corners: Connectivity | None
    # regions (4) after closing gaps up to `bridging`; None where no bridging was asked for
    bridged: Connectivity | None
    bridging: float  # the gap that counts as closed, in the map set's length unit
    # effective sheet conductance along each direction, relative to a full film
    x: SheetConductance
    y: SheetConductance
    # bounds at this coverage for any isotropic, and for any, arrangement (insulating ground)
    hashin_shtrikman: tuple[float, float]
    wiener: tuple[float, float]
    bruggeman: float  # effective-medium estimate at this coverage
    # times as much metal that, landing at random in the same manner, reaches the threshold of
    # overlapping discs; below 1 where the coverage is above it; infinite without metal
    dose_to_connect: float
    # smallest part of the metal's area in which half of the heat of the current is set free, for
    # the direction that conducts better; NaN where nothing conducts
    half_heat_share: float
    # what a measured sheet resistance implies; None without one, or without a crossing
    resistivity: ImpliedResistivity | None
    # side of the blocks (px) that were averaged before the solution; 1 means none
    coarsened: int = 1
    reasons: tuple[str, ...] = ()  # short sentences with the numbers
    next_step: str = ""  # the measurement or setting that would settle most
    # first and last row, first and last column (ends left out) of the usable pixels, to which
    # everything here refers; None for the whole field
    window: tuple[int, int, int, int] | None = None
    masked_inside: float = 0.0  # share of the window that is masked and was counted as bare
    # where maps and electron image can both draw the metal, the connection by the other one
    otherwise: Contact | None = None
    # bounds of the conductance along each direction: for the pixels as drawn, and for an outline
    # that is known to about the blur only (see `describe`)
    bounds_x: tuple[float, float] = (0.0, 0.0)
    bounds_y: tuple[float, float] = (0.0, 0.0)

    def summary(self) -> dict[str, Any]:
        """Return the plain values for ``summary.json``.

        Returns
        -------
        dict
            Lengths end in ``_um`` and are in the map set's length unit; a number that does not
            exist is None.
        """
        found: dict[str, Any] = {}
        kinds = (("", self.edges), ("_corners", self.corners), ("_bridged", self.bridged))
        for kind, regions in kinds:
            if regions is not None:
                for axis in ("x", "y"):
                    found[f"connected_{axis}{kind}"] = getattr(regions, f"crosses_{axis}")
        found["largest_region_share"] = self.edges.largest_share
        found["connected_share"] = self.edges.connected_share
        for axis, sheet in (("x", self.x), ("y", self.y)):
            name = f"sheet_conductance_ratio_{axis}"
            found[name] = sheet.ratio
            found[f"{name}_low"], found[f"{name}_high"] = getattr(self, f"bounds_{axis}")
            for what, value in (("gap_to_cross", "gap"), ("neck", "neck")):
                length = getattr(self.edges, f"{value}_{axis}_px") * self.pixel_size
                found[f"{what}_{axis}_um"] = length
        found["coverage_above_threshold"] = self.coverage - DISC_AREA_THRESHOLD
        found["dose_to_connect"] = self.dose_to_connect
        found["half_heat_share"] = self.half_heat_share
        found["conductance_coarsened_px"] = self.coarsened
        if self.otherwise is not None:
            found["otherwise_drawn_by"] = self.otherwise.drawn_by
            found["necks_opened"] = self.otherwise.necks_opened
            found["necks_closed"] = self.otherwise.necks_closed
            for axis in ("x", "y"):
                for what, value in (("connected", "crosses"), ("sheet_conductance_ratio", "ratio")):
                    other = getattr(self.otherwise, f"{value}_{axis}")
                    found[f"{what}_{axis}_otherwise"] = other
        if self.resistivity is not None:
            names = ("times_bulk", "times_bulk_low", "times_bulk_high", "bulk_thickness_nm")
            found["implied_resistivity_ohm_m"] = self.resistivity.resistivity_ohm_m
            found |= {name: getattr(self.resistivity, name) for name in names}
            found["resistivity_reference"] = self.resistivity.reference
        return {
            name: None if isinstance(value, float) and not math.isfinite(value) else value
            for name, value in found.items()
        }


def describe(
    metal: npt.ArrayLike,
    *,
    pixel_size: float,
    settings: Settings,
    measured: Mapping[str, Any],
    alloy: Mapping[str, float],
    thickness: npt.ArrayLike | None = None,
    valid: npt.ArrayLike | None = None,
    length_unit: str = "um",
    largest_solved_px: int = LARGEST_SOLVED_PX,
    otherwise: tuple[npt.ArrayLike, str] | None = None,
    blur_px: float | None = None,
) -> Continuity:
    """Return the continuity of one field.

    Dims: `metal`, `thickness` (relative, as for `sheet_conductance`), `valid` (y, x). Of `measured`
    ``sheet_resistance_ohm_per_sq`` and ``thickness_nm`` are used. Rows and columns at the rim
    without a usable pixel (a legend strip) are cut off; masked pixels inside count as bare, and a
    sentence says so.

    Above `largest_solved_px` pixels blocks are averaged before the sheet is solved, the result says
    so, and `otherwise`, the metal as the other of maps and electron image draws it and which of the
    two that is, is left out. Where `blur_px` is given, the bounds also hold for outlines moved
    inwards and outwards by 0.84 of it, or of a pixel if that is more.
    """
    mask = image_2d(metal, "metal").astype(bool)
    other = None if otherwise is None else image_2d(otherwise[0], "otherwise").astype(bool)
    side = positive(pixel_size, "pixel_size")
    window, masked_inside = None, 0.0
    if valid is not None:
        window, masked_inside = _usable_window(image_2d(valid, "valid").astype(bool), mask.shape)
        part = (slice(*window[:2]), slice(*window[2:]))
        mask = (mask & np.asarray(valid, dtype=bool))[part]
        other = None if other is None else (other & np.asarray(valid, dtype=bool))[part]
        thickness = None if thickness is None else np.asarray(thickness)[part]
    coverage = float(mask.mean())
    edges = connectivity(mask)
    corners = connectivity(mask, connectivity=8, with_widths=False)
    reach = settings.bridging / side
    bridged = connectivity(mask, bridging_px=reach) if reach > 0 else None
    x, y, coarsened = _both_ways(mask, thickness, largest_solved_px)
    even = coarsened == 1 and thickness is None
    bounds_x, bounds_y = _bounds(mask, (x, y), blur_px if even else None)
    return _put_together(
        coverage, (x, y), measured, alloy,
        pixel_size=side, length_unit=length_unit, edges=edges, corners=corners, bridged=bridged,
        bridging=settings.bridging, coarsened=coarsened, window=window,
        half_heat_share=_half_heat_share(mask, x if x.ratio >= y.ratio else y, thickness),
        masked_inside=masked_inside, bounds_x=bounds_x, bounds_y=bounds_y,
        otherwise=None if otherwise is None or other is None or coarsened > 1
        else contact(mask, other, drawn_by=otherwise[1]),
    )  # fmt: skip


def _put_together(
    coverage: float,
    sheets: tuple[SheetConductance, SheetConductance],
    measured: Mapping[str, Any],
    alloy: Mapping[str, float],
    **rest: Any,
) -> Continuity:
    """Return the continuity with what follows from coverage and conductance, and its words."""
    filling = -math.log1p(-coverage) if coverage < 1 else float("inf")
    found = Continuity(
        coverage=coverage, x=sheets[0], y=sheets[1],
        hashin_shtrikman=hashin_shtrikman(coverage), wiener=wiener_bounds(coverage),
        bruggeman=bruggeman(coverage),
        dose_to_connect=DISC_FILLING_THRESHOLD / filling if filling else float("inf"),
        resistivity=_resistivity(measured, alloy, sheets), **rest,
    )  # fmt: skip
    return _with_words(found, measured)


def _bounds(
    mask: Bools, sheets: tuple[SheetConductance, SheetConductance], blur: float | None
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the bounds of the conductance along x and y: of the pixels, and by the blur.

    The mask is blurred as the maps are and cut at levels that move a straight edge by 0.84 of the
    blur's standard deviation; over random films of known truth at 1 to 10 counts a pixel such
    bounds held 62 of 66 conductances (tests/benchmarks/continuity.py --films).
    """
    low_x, low_y = (sheet.ratio_low for sheet in sheets)
    high_x, high_y = (sheet.ratio_high for sheet in sheets)
    if blur is not None and (high_x > 0 or high_y > 0):
        soft = ndimage.gaussian_filter(mask.astype(np.float32), max(blur, 1.0))
        inner, outer = soft > 0.5 + _EDGE_LEVEL, soft > 0.5 - _EDGE_LEVEL
        (less_x, more_x), (less_y, more_y) = (
            [sheet_conductance(one, direction=way, tolerance=_TOLERANCE).ratio
             for one in (inner, outer)]
            for way in ("x", "y")
        )  # fmt: skip
        low_x, low_y = min(low_x, less_x), min(low_y, less_y)
        high_x, high_y = max(high_x, more_x), max(high_y, more_y)
    return (low_x, high_x), (low_y, high_y)


def describe_parts(
    joined: Joined,
    squares: Floats,
    *,
    step: int,
    pixel_size: float,
    measured: Mapping[str, Any],
    alloy: Mapping[str, float],
    length_unit: str = "um",
) -> Continuity:
    """Return the continuity of a field that was worked on in parts.

    Dims: `squares` (2, y, x): valid pixels, and metal among them, of squares of side `step` (px).
    What is connected was found on every pixel, the conductance on the squares; gaps, necks, and
    regions that share corners only would need the whole field in memory.
    """
    n, on = squares
    share = np.divide(on, n, out=np.zeros_like(on), where=n > 0)
    usable = float(n.sum())
    coverage = float(on.sum()) / max(usable, 1.0)
    x, y = solve_blocks(share)
    x, y = x if joined.crosses_x else _none_of(x), y if joined.crosses_y else _none_of(y)
    unknown = float("nan")
    edges = Connectivity(
        labels=np.zeros((0, 0), np.int32),
        n_regions=joined.n_regions,
        largest_share=joined.largest / max(joined.metal, 1),
        crosses_x=joined.crosses_x,
        crosses_y=joined.crosses_y,
        connected_share=joined.crossing / max(joined.metal, 1),
        gap_x_px=0.0 if joined.crosses_x else unknown,
        gap_y_px=0.0 if joined.crosses_y else unknown,
        neck_x_px=unknown if joined.crosses_x else 0.0,
        neck_y_px=unknown if joined.crosses_y else 0.0,
    )
    return _put_together(
        coverage, (x, y), measured, alloy,
        pixel_size=pixel_size, length_unit=length_unit, edges=edges, corners=None, bridged=None,
        bridging=0.0, half_heat_share=unknown, coarsened=step,
        bounds_x=(x.ratio_low, x.ratio_high), bounds_y=(y.ratio_low, y.ratio_high),
    )  # fmt: skip


def _none_of(sheet: SheetConductance) -> SheetConductance:
    """Return a sheet that does not conduct: squares may touch where their metal does not."""
    return replace(_scaled(sheet, 0.0), ratio=0.0, ratio_low=0.0, ratio_high=0.0)


def _usable_window(valid: Bools, shape: tuple[int, ...]) -> tuple[tuple[int, int, int, int], float]:
    """Return the smallest window that holds all usable pixels, and its share of masked ones."""
    if valid.shape != shape or not valid.any():
        raise InputError(
            f"valid must have the shape of metal {shape} and at least one True pixel, got shape "
            f"{valid.shape} with {int(valid.sum())} True. Pass the mask of the same field."
        )
    rows, columns = np.flatnonzero(valid.any(axis=1)), np.flatnonzero(valid.any(axis=0))
    window = (int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1)
    inside = valid[window[0] : window[1], window[2] : window[3]]
    return window, float(1.0 - inside.mean())


def _with_words(found: Continuity, measured: Mapping[str, Any]) -> Continuity:
    return replace(found, reasons=reasons(found, measured), next_step=next_step(found, measured))


def _both_ways(
    mask: Bools, thickness: npt.ArrayLike | None, largest: int
) -> tuple[SheetConductance, SheetConductance, int]:
    """Return the conductance along x and y, and the side of the averaged blocks."""
    side = max(1, math.ceil(math.sqrt(mask.size / largest)))
    if side == 1:
        along = [
            sheet_conductance(mask, direction=way, thickness=thickness, tolerance=_TOLERANCE)
            for way in ("x", "y")
        ]
        return along[0], along[1], 1
    weight = mask.astype(np.float64)
    if thickness is not None:
        weight *= np.where(mask, np.asarray(thickness, dtype=np.float64), 0.0)
        weight /= weight[mask].mean()
    height, width = (n // side * side for n in mask.shape)
    blocks = weight[:height, :width].reshape(height // side, side, width // side, side)
    return *solve_blocks(blocks.mean(axis=(1, 3))), side


def solve_blocks(mean: Floats) -> tuple[SheetConductance, SheetConductance]:
    """Return the conductance along x and y of a sheet known by averages over squares.

    Dims: `mean` (y, x).
    """
    some = mean > 0
    scale = float(mean[some].mean()) if some.any() else 1.0
    along = []
    for way in ("x", "y"):
        sheet = sheet_conductance(some, direction=way, thickness=mean, tolerance=_TOLERANCE)
        along.append(_scaled(sheet, scale))
    return along[0], along[1]


def _scaled(sheet: SheetConductance, scale: float) -> SheetConductance:
    return replace(
        sheet,
        ratio=sheet.ratio * scale,
        ratio_low=sheet.ratio_low * scale,
        ratio_high=sheet.ratio_high * scale,
        current_x=sheet.current_x * scale,
        current_y=sheet.current_y * scale,
    )


def _half_heat_share(
    mask: Bools, sheet: SheetConductance, thickness: npt.ArrayLike | None
) -> float:
    """Return the smallest share of the metal's area that sets free half of the heat."""
    if sheet.ratio_low == 0:  # no current flows
        return float("nan")
    heat: Floats = sheet.current_density**2
    if heat.shape == mask.shape:
        if thickness is not None:
            depth = np.where(mask, np.asarray(thickness, dtype=np.float64), np.inf)
            heat = np.divide(heat, depth, out=np.zeros_like(heat), where=depth > 0)
        heat = heat[mask]
    total = float(heat.sum())
    if total == 0:
        return float("nan")
    falling = np.cumsum(np.sort(heat, axis=None)[::-1])
    return float((np.searchsorted(falling, 0.5 * total) + 1) / heat.size)


def held_against_bulk(
    found: Continuity,
    measured: Mapping[str, Any],
    *,
    alloy: Mapping[str, float],
    weighed: tuple[float, float, float] | None,
    oxide: str = "",
) -> Continuity:
    """Return the continuity with the resistivity that the weighed thickness (nm) implies.

    `weighed` holds the mean where covered, NaN where it is not told, and its bounds; a thickness
    stated in `measured` comes first. `oxide` is that of `ImpliedResistivity`.
    """
    if found.resistivity is None:
        return found
    implied = _resistivity(measured, alloy, (found.x, found.y), weighed)
    implied = None if implied is None else replace(implied, oxide=oxide)
    return _with_words(replace(found, resistivity=implied), measured)


def _resistivity(
    measured: Mapping[str, Any],
    alloy: Mapping[str, float],
    sheets: tuple[SheetConductance, SheetConductance],
    weighed: tuple[float, float, float] | None = None,
) -> ImpliedResistivity | None:
    x, y = sheets
    ohm = measured.get("sheet_resistance_ohm_per_sq")
    # A four-point value of an uneven sheet is nearest to the geometric mean of both directions:
    # stretching one axis turns an anisotropic sheet into an isotropic one of that conductance
    # (L. J. van der Pauw, Philips Res. Rep. 16 (1961) 187; from memory).
    ratio = math.sqrt(x.ratio * y.ratio)
    if ohm is None or ratio == 0:
        return None
    ohm = positive(ohm, "measured: sheet_resistance_ohm_per_sq", unit="ohm per square")
    depth, bounds = measured.get("thickness_nm"), None
    if depth is not None:
        depth = positive(depth, "measured: thickness_nm", unit="nm")
    elif weighed is not None:
        value, *bounds = weighed
        depth = value if math.isfinite(value) and value > 0 else None
    bulk = measured.get(STATED_BULK)
    if bulk is not None:
        bulk = positive(bulk, f"measured: {STATED_BULK}", unit="ohm m")
    return implied_resistivity(
        ohm, ratio=ratio, thickness_nm=depth, alloy=alloy, bulk_ohm_m=bulk,
        bounds_nm=None if bounds is None else (bounds[0], bounds[1]),
    )  # fmt: skip

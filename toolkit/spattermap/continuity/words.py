"""Plain words for the continuity of a deposit: what was found, why, and what to do next."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from spattermap.continuity.estimates import DISC_AREA_THRESHOLD, SITE_THRESHOLD_4
from spattermap.continuity.resistivity import SUSPECTS

if TYPE_CHECKING:
    from spattermap.continuity.conductance import SheetConductance
    from spattermap.continuity.summary import Continuity

# Below this width (px) a neck may owe its existence to the threshold of the segmentation.
_THIN_NECK_PX = 3.0
# A bracket wider than this, high over low, means that the pixel size limits the answer.
_WIDE_BRACKET = 1.25
# Directions that differ by more than this differ in words too.
_ANISOTROPIC = 1.25


def reasons(found: Continuity, measured: Mapping[str, Any]) -> tuple[str, ...]:
    """Return short sentences that carry the numbers behind a continuity.

    Parameters
    ----------
    found : Continuity
        The numbers.
    measured : mapping
        Measured values of the map set.

    Returns
    -------
    tuple of str
    """
    if found.coverage == 0:
        return ("No metal was found, so nothing can conduct.",)
    told = [_crossing(found)]
    if not (found.edges.crosses_x and found.edges.crosses_y):
        told.append(_missing(found))
    told.append(_threshold(found))
    told += [_conductance(sheet) for sheet in (found.x, found.y) if sheet.ratio_high > 0]
    if found.x.ratio > 0 and found.y.ratio > 0:
        told += _shape_of_current(found)
    told += _measured(found, measured)
    if found.masked_inside > 0:
        told.append(
            f"Masked pixels, {100 * found.masked_inside:.2g} % of the field, were counted as bare: "
            "read connection and conductance as lower estimates."
        )
    if found.coarsened > 1:
        told.append(
            f"The current was solved on blocks of {found.coarsened} x {found.coarsened} pixels, "
            "which closes gaps finer than that: read the conductance as an upper estimate."
        )
    return tuple(told)


def next_step(found: Continuity, measured: Mapping[str, Any]) -> str:
    """Return the measurement or setting that would settle most.

    Parameters
    ----------
    found : Continuity
        The numbers.
    measured : mapping
        Measured values of the map set.

    Returns
    -------
    str
    """
    if found.coverage == 0:
        return "Check that the mapped field lies on the deposit, or count longer."
    resists = measured.get("sheet_resistance_ohm_per_sq")
    if not (found.edges.crosses_x or found.edges.crosses_y):
        return _step_towards_crossing(found, resists is not None)
    if _decided_by_pixels(found):
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
    if found.corners.crosses_x or found.corners.crosses_y:
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


def _conductance(sheet: SheetConductance) -> str:
    return (
        f"Along {sheet.direction} the map conducts {sheet.ratio:.3g} of a full film "
        f"(between {sheet.ratio_low:.3g} and {sheet.ratio_high:.3g} for the pixels as drawn)."
    )


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
    hot = 100 * found.half_heat_share
    told.append(f"Half of the heat is set free in {hot:.1f} % of the metal.")
    return told


def _measured(found: Continuity, measured: Mapping[str, Any]) -> list[str]:
    ohm = measured.get("sheet_resistance_ohm_per_sq")
    if ohm is None:
        return []
    implied = found.resistivity
    told = f"The measured {ohm:g} ohm per square "
    if implied is None:
        told += "was found although this field does not conduct in both directions: metal below "
        told += "the detection limit, bridges finer than a pixel, or a better place elsewhere."
        return [told]
    if not implied.reference:
        return [told + "has no handbook value to be held against: state the alloy."]
    pure = f"pure bulk {implied.reference} ({implied.reference_ohm_m * 1e8:.3g} uohm cm)"
    if math.isnan(implied.times_bulk):
        told += f"is what {implied.bulk_thickness_nm:.3g} nm of {pure} would show on this map; "
        return [told + "the thickness was not given."]
    told += f"implies {implied.times_bulk:.3g} times the resistivity of {pure} "
    told += "once the gaps of the map are allowed for."
    if implied.times_bulk < 1:
        told += " Less than bulk cannot be: the metal is thicker than stated, or the map misses "
        return [told + "connections that the sample has."]
    return [told, "Usual suspects: " + "; ".join(SUSPECTS) + "."]


def _decided_by_pixels(found: Continuity) -> bool:
    sheets = [sheet for sheet in (found.x, found.y) if sheet.ratio_low > 0]
    wide = any(sheet.ratio_high > _WIDE_BRACKET * sheet.ratio_low for sheet in sheets)
    necks = [n for n in (found.edges.neck_x_px, found.edges.neck_y_px) if n > 0]
    return wide or (bool(necks) and min(necks) < _THIN_NECK_PX)

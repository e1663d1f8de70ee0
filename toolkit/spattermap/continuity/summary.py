"""The continuity of one deposit: every number with the words that belong to it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from spattermap.checks import image_2d, positive
from spattermap.continuity.conductance import SheetConductance, sheet_conductance
from spattermap.continuity.estimates import (
    DISC_AREA_THRESHOLD,
    DISC_FILLING_THRESHOLD,
    bruggeman,
    hashin_shtrikman,
    wiener_bounds,
)
from spattermap.continuity.network import Bools, Floats
from spattermap.continuity.paths import Connectivity, connectivity
from spattermap.continuity.resistivity import ImpliedResistivity, implied_resistivity
from spattermap.continuity.words import next_step, reasons
from spattermap.errors import InputError

if TYPE_CHECKING:
    from spattermap.settings import Settings

# Pixels up to which the sheet is solved at full resolution; above, blocks are averaged first.
LARGEST_SOLVED_PX = 2048 * 2048
# The conductance errs with the square of the potentials, so this is ample.
_TOLERANCE = 1e-6


@dataclass(frozen=True)
class Continuity:
    """Whether the metal of one field is a connected sheet, and how well it would conduct.

    Parameters
    ----------
    coverage : float
        Area fraction of the metal.
    pixel_size : float
        Side of a pixel in `length_unit`.
    length_unit : {"um", "px"}
        The map set's length unit.
    edges, corners : Connectivity
        Regions of pixels that share edges (4), and that share corners too (8).
    bridged : Connectivity or None
        Regions (4) after closing gaps up to `bridging`; None where no bridging was asked for.
    bridging : float
        The gap that counts as closed, in the map set's length unit.
    x, y : SheetConductance
        Effective sheet conductance along each direction, relative to a full film.
    hashin_shtrikman, wiener : tuple of float
        Bounds at this coverage for any isotropic, and for any, arrangement (insulating ground).
    bruggeman : float
        Effective-medium estimate at this coverage.
    dose_to_connect : float
        Times as much metal that, landing at random in the same manner, reaches the threshold of
        overlapping discs; below 1 where the coverage is above it; infinite without metal.
    half_heat_share : float
        Smallest part of the metal's area in which half of the heat of the current is set free,
        for the direction that conducts better; NaN where nothing conducts.
    resistivity : ImpliedResistivity or None
        What a measured sheet resistance implies; None without one, or without a crossing.
    coarsened : int
        Side of the blocks (px) that were averaged before the solution; 1 means none.
    reasons : tuple of str
        Short sentences with the numbers.
    next_step : str
        The measurement or setting that would settle most.
    window : tuple of int or None
        First and last row, first and last column (ends left out) of the usable pixels, to which
        everything here refers; None for the whole field.
    masked_inside : float
        Share of the window that is masked and was counted as bare.
    """

    coverage: float
    pixel_size: float
    length_unit: str
    edges: Connectivity
    corners: Connectivity
    bridged: Connectivity | None
    bridging: float
    x: SheetConductance
    y: SheetConductance
    hashin_shtrikman: tuple[float, float]
    wiener: tuple[float, float]
    bruggeman: float
    dose_to_connect: float
    half_heat_share: float
    resistivity: ImpliedResistivity | None
    coarsened: int = 1
    reasons: tuple[str, ...] = ()
    next_step: str = ""
    window: tuple[int, int, int, int] | None = None
    masked_inside: float = 0.0

    def summary(self) -> dict[str, Any]:
        """Return the plain values for ``summary.json``.

        Returns
        -------
        dict
            Lengths end in ``_um`` and are in the map set's length unit; a number that does not
            exist is None.
        """
        found: dict[str, Any] = {
            "connected_x": self.edges.crosses_x,
            "connected_y": self.edges.crosses_y,
            "connected_x_corners": self.corners.crosses_x,
            "connected_y_corners": self.corners.crosses_y,
            "largest_region_share": self.edges.largest_share,
            "connected_share": self.edges.connected_share,
        }
        if self.bridged is not None:
            found["connected_x_bridged"] = self.bridged.crosses_x
            found["connected_y_bridged"] = self.bridged.crosses_y
        for axis, sheet in (("x", self.x), ("y", self.y)):
            found[f"sheet_conductance_ratio_{axis}"] = sheet.ratio
            found[f"sheet_conductance_ratio_{axis}_low"] = sheet.ratio_low
            found[f"sheet_conductance_ratio_{axis}_high"] = sheet.ratio_high
            gap = getattr(self.edges, f"gap_{axis}_px") * self.pixel_size
            found[f"gap_to_cross_{axis}_um"] = gap
            found[f"neck_{axis}_um"] = getattr(self.edges, f"neck_{axis}_px") * self.pixel_size
        found["coverage_above_threshold"] = self.coverage - DISC_AREA_THRESHOLD
        found["dose_to_connect"] = self.dose_to_connect
        found["half_heat_share"] = self.half_heat_share
        if self.resistivity is not None:
            found["implied_resistivity_ohm_m"] = self.resistivity.resistivity_ohm_m
            found["times_bulk"] = self.resistivity.times_bulk
            found["bulk_thickness_nm"] = self.resistivity.bulk_thickness_nm
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
) -> Continuity:
    """Return the continuity of one field.

    Parameters
    ----------
    metal : array_like of bool, dims (y, x)
        True where there is metal.
    pixel_size : float
        Side of a pixel in the map set's length unit.
    settings : Settings
        `bridging` is used here.
    measured : mapping
        Measured values of the map set; ``sheet_resistance_ohm_per_sq`` and ``thickness_nm`` are
        used here.
    alloy : mapping of str to float
        Nominal mass percent by element.
    thickness : array_like, dims (y, x), optional
        Relative thickness of the metal, as for `sheet_conductance`.
    valid : array_like of bool, dims (y, x), optional
        False where a pixel must not be used. Rows and columns without any usable pixel at the
        rim (a legend strip) are cut off; masked pixels inside count as bare, and a sentence says
        so.
    length_unit : {"um", "px"}, optional
        The map set's length unit, for the sentences.
    largest_solved_px : int, optional
        Pixels up to which the sheet is solved at full resolution. Above, blocks are averaged
        first; the result says so, and its bounds are then those of the averaged map.

    Returns
    -------
    Continuity

    Raises
    ------
    InputError
        If an argument is not allowed, or a measured value is not a positive number.
    """
    mask = image_2d(metal, "metal").astype(bool)
    side = positive(pixel_size, "pixel_size")
    window, masked_inside = None, 0.0
    if valid is not None:
        window, masked_inside = _usable_window(image_2d(valid, "valid").astype(bool), mask.shape)
        part = (slice(*window[:2]), slice(*window[2:]))
        mask = (mask & np.asarray(valid, dtype=bool))[part]
        thickness = None if thickness is None else np.asarray(thickness)[part]
    coverage = float(mask.mean())
    edges = connectivity(mask)
    corners = connectivity(mask, connectivity=8)
    reach = settings.bridging / side
    bridged = connectivity(mask, bridging_px=reach) if reach > 0 else None
    x, y, coarsened = _both_ways(mask, thickness, largest_solved_px)
    filling = -math.log1p(-coverage) if coverage < 1 else float("inf")
    found = Continuity(
        coverage=coverage,
        pixel_size=side,
        length_unit=length_unit,
        edges=edges,
        corners=corners,
        bridged=bridged,
        bridging=settings.bridging,
        x=x,
        y=y,
        hashin_shtrikman=hashin_shtrikman(coverage),
        wiener=wiener_bounds(coverage),
        bruggeman=bruggeman(coverage),
        dose_to_connect=DISC_FILLING_THRESHOLD / filling if filling else float("inf"),
        half_heat_share=_half_heat_share(mask, x if x.ratio >= y.ratio else y, thickness),
        resistivity=_resistivity(measured, alloy, x, y),
        coarsened=coarsened,
        window=window,
        masked_inside=masked_inside,
    )
    return _with_words(found, measured)


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

    Parameters
    ----------
    mean : numpy.ndarray, dims (y, x)
        Covered part of every square (0 to 1), times its relative thickness.

    Returns
    -------
    tuple of SheetConductance
        Relative to a full film. Each square counts as an even sheet of its covered part, so gaps
        narrower than a square conduct: this is an upper estimate where gaps are narrow.
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


def _resistivity(
    measured: Mapping[str, Any],
    alloy: Mapping[str, float],
    x: SheetConductance,
    y: SheetConductance,
) -> ImpliedResistivity | None:
    ohm = measured.get("sheet_resistance_ohm_per_sq")
    # A four-point value of an uneven sheet is nearest to the geometric mean of both directions:
    # stretching one axis turns an anisotropic sheet into an isotropic one of that conductance
    # (L. J. van der Pauw, Philips Res. Rep. 16 (1961) 187; from memory).
    ratio = math.sqrt(x.ratio * y.ratio)
    if ohm is None or ratio == 0:
        return None
    ohm = positive(ohm, "measured: sheet_resistance_ohm_per_sq", unit="ohm per square")
    depth = measured.get("thickness_nm")
    if depth is not None:
        depth = positive(depth, "measured: thickness_nm", unit="nm")
    return implied_resistivity(ohm, ratio=ratio, thickness_nm=depth, alloy=alloy)

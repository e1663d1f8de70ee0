"""Effective sheet conductance of a metal map, with bounds from two link rules.

What theory says of a two-phase sheet: thresholds, bounds and mixing rules.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core.arrays import Bools, Floats
from spattermap.core.errors import InputError, image_2d, one_of, positive
from spattermap.measure.network import Links, NodePotentials, solve


@dataclass(frozen=True)
class SheetConductance:
    """Conductance of a map between bus bars along two opposite edges of the field."""

    direction: str
    # sheet conductance relative to a full film of the metal's mean thickness (1 = full film): the
    # geometric mean of the two bounds
    ratio: float
    # bounds on the ratio for the map as drawn, pixels being squares of one conductance each. Their
    # distance is what the pixel size leaves open.
    ratio_low: float
    ratio_high: float
    # (y, x): potential at pixel centres, 0 at the bar on the left or top, 1 at the other; NaN on
    # pixels that touch no bar
    potential: Floats
    # (y, x): sheet current density at pixel centres along +x and downwards, per unit mean field of
    # a full film of the same mean thickness (1 = what a full film carries), for a bar voltage that
    # drives the current towards +x or downwards
    current_x: Floats
    current_y: Floats
    residual: float  # largest residual of the solved systems relative to their right-hand side
    iterations: int  # iterations of all solved systems together; 0 for direct solutions
    unknowns: int  # nodes solved for, all systems together

    @property
    def current_density(self) -> Floats:
        """Magnitude of the current density, dims (y, x); 1 = what a full film carries."""
        return np.hypot(self.current_x, self.current_y)


def sheet_conductance(
    metal: npt.ArrayLike,
    *,
    direction: str = "x",
    thickness: npt.ArrayLike | None = None,
    bare: float = 0.0,
    tolerance: float = 1e-9,
) -> SheetConductance:
    """Return the sheet conductance of a metal map relative to a full film.

    Dims: `metal` (y, x), `thickness` (y, x).

    The sheet's Laplace equation div(s grad u) = 0 is discretised twice.

    *Cell network*: nodes at pixel centres, joined by the two half pixels in series (harmonic
    mean). Its currents, taken as a flux field with linear normal components, are an admissible
    trial field of Thomson's principle and dissipate no more than the network does: the network's
    conductance cannot exceed that of the map. Pixels that touch at corners are parted.

    *Corner network*: nodes at pixel corners, joined along pixel edges by the arithmetic mean of
    the two pixels beside the edge. Its potentials, continued bilinearly, are a trial field of
    Dirichlet's principle: the conductance cannot be less than that of the map. Pixels that touch
    at corners are joined.

    The two networks are planar duals, so the bracket obeys Keller's reciprocity exactly: the
    cell conductance in x of s times the corner conductance in y of 1/s is 1.

    The bounds are on the map as drawn, not on the deposit: near the percolation threshold the
    current hangs on necks that smaller pixels draw otherwise. Films of hard-edged ellipses drawn
    at 256 and 768 pixels a side differed by up to 20 % in the ratio of the directions while each
    bracket was 1 to 4 % wide; films whose necks span several pixels agreed within 2 %.

    W. Thomson and P. G. Tait, Treatise on Natural Philosophy, 1879 (both principles; restated in P.
    G. Doyle and J. L. Snell, Random Walks and Electric Networks, MAA 1984, sections 1.3.4 and
    1.3.5; from memory). J. B. Keller, J. Math. Phys. 5 (1964) 548 (reciprocity).
    """
    one_of(direction, "direction", ("x", "y"))
    sheet = _sheet(metal, thickness, bare)
    if direction == "y":
        sheet = np.ascontiguousarray(sheet.T)
    height, width = sheet.shape
    full = height / width  # conductance of a full film of unit sheet conductance
    conducts = sheet > 0
    cell = _unjoined(conducts)
    if cell is None:
        links = cell_network(sheet)
        cell = solve(links, tolerance=tolerance)
        along, across = _currents(links, cell.potential)
    else:
        along, across = np.zeros(sheet.shape), np.zeros(sheet.shape)
    corner = _unjoined(conducts, corners=True)
    if corner is None:
        corner = solve(corner_network(sheet), tolerance=tolerance)
    low, high = cell.conductance / full, corner.conductance / full
    potential = cell.potential
    if direction == "y":
        potential, along, across = potential.T, along.T, across.T
    return SheetConductance(
        direction=direction,
        ratio=float(np.sqrt(low * high)),
        ratio_low=low,
        ratio_high=high,
        potential=potential,
        current_x=along if direction == "x" else across,
        current_y=across if direction == "x" else along,
        residual=max(cell.residual, corner.residual),
        iterations=cell.iterations + corner.iterations,
        unknowns=cell.unknowns + corner.unknowns,
    )


def _unjoined(conducts: Bools, *, corners: bool = False) -> NodePotentials | None:
    """Return the solution where nothing joins the left edge to the right one; None where it does.

    Dims: `conducts`, potential (y, x). With `corners` pixels that touch at corners are joined.
    """
    labels = np.empty(conducts.shape, dtype=np.int32)
    ndimage.label(conducts, structure=np.ones((3, 3)) if corners else None, output=labels)
    left, right = np.unique(labels[:, 0]), np.unique(labels[:, -1])
    if np.intersect1d(left, right).any():
        return None
    value = np.full(int(labels.max(initial=0)) + 1, np.nan)
    value[left], value[right], value[0] = 0.0, 1.0, np.nan
    return NodePotentials(value[labels], 0.0, 0.0, 0, 0)


def cell_network(sheet: Floats) -> Links:
    """Return the network of pixel centres between bars on the left and right edge.

    Dims: `sheet` (y, x).
    """
    right, down = _harmonic_links(sheet)
    low, high = np.zeros(sheet.shape), np.zeros(sheet.shape)
    low[:, 0] = 2.0 * sheet[:, 0]
    high[:, -1] = 2.0 * sheet[:, -1]
    return Links(right, down, low, high)


def corner_network(sheet: Floats) -> Links:
    """Return the network of pixel corners between bars on the left and right edge.

    Dims: `sheet` (y, x).
    """
    height, width = sheet.shape
    flat = np.zeros((height + 1, width))
    flat[:-1] += 0.5 * sheet
    flat[1:] += 0.5 * sheet
    if width == 1:
        nothing = np.zeros((height + 1, 0))
        return Links(nothing, np.zeros((height, 0)), nothing, nothing, float(flat.sum()))
    upright = 0.5 * (sheet[:, :-1] + sheet[:, 1:])
    low, high = np.zeros((height + 1, width - 1)), np.zeros((height + 1, width - 1))
    low[:, 0] = flat[:, 0]
    high[:, -1] = flat[:, -1]
    return Links(flat[:, 1:-1], upright, low, high)


def _harmonic_links(sheet: Floats) -> tuple[Floats, Floats]:
    with np.errstate(divide="ignore"):
        half = 0.5 / sheet  # resistance of half a pixel
        return 1.0 / (half[:, :-1] + half[:, 1:]), 1.0 / (half[:-1] + half[1:])


def _currents(links: Links, potential: Floats) -> tuple[Floats, Floats]:
    """Return the current density along and across at the centres of pixels, dims (y, x)."""
    value = np.nan_to_num(potential)
    # Current flows down the potential; the sign is turned so that it runs towards +x.
    height, width = value.shape
    faces = np.zeros((height, width + 1))
    faces[:, 1:-1] = links.right * np.diff(value, axis=1)
    faces[:, 0] = links.low[:, 0] * value[:, 0]
    faces[:, -1] = links.high[:, -1] * (1.0 - value[:, -1])
    sides = np.zeros((height + 1, width))
    sides[1:-1] = links.down * np.diff(value, axis=0)
    along = 0.5 * width * (faces[:, :-1] + faces[:, 1:])
    return along, 0.5 * width * (sides[:-1] + sides[1:])


def _sheet(metal: npt.ArrayLike, thickness: npt.ArrayLike | None, bare: float) -> Floats:
    """Return the sheet conductance of each pixel, 1 being metal of mean thickness."""
    mask = image_2d(metal, "metal").astype(bool)
    ground = positive(bare, "bare", allow_zero=True)
    sheet = np.full(mask.shape, ground)
    if thickness is None:
        sheet[mask] = 1.0
    else:
        sheet[mask] = _relative_thickness(mask, thickness)
    return sheet


def _relative_thickness(mask: Bools, thickness: npt.ArrayLike) -> Floats:
    values = image_2d(thickness, "thickness").astype(np.float64)
    if values.shape != mask.shape:
        raise InputError(
            f"thickness must have the shape of metal {mask.shape}, got {values.shape}. "
            "Give one value a pixel."
        )
    used = values[mask]
    if not np.isfinite(used).all() or (used < 0).any():
        raise InputError(
            "thickness must be finite and not negative on metal, got "
            f"{float(used[~(used >= 0)][0]) if (~(used >= 0)).any() else float('inf')!r}. "
            "Clip a noisy thickness at zero first."
        )
    mean = float(used.mean()) if used.size else 0.0
    if used.size and mean == 0:
        raise InputError("thickness must be above zero somewhere on metal, got only zeros.")
    relative: Floats = used / mean if used.size else used
    return relative


# Site percolation on the square lattice, neighbours sharing an edge: Jacobsen, J. Phys. A 48
# (2015) 454003 (0.592746 seen as the default of the R package SPSL; further digits from memory).
SITE_THRESHOLD_4 = 0.59274605
# Covered area at which equal overlapping discs percolate: Quintanilla and Ziff, Phys. Rev. E 76
# (2007) 051115 (0.6763 seen); Mertens and Moore, Phys. Rev. E 86 (2012) 061109 (digits from
# memory). Discs of mixed sizes percolate at a slightly larger area.
DISC_AREA_THRESHOLD = 0.67634831
# The same threshold as filling factor, -ln(1 - area).
DISC_FILLING_THRESHOLD = -math.log1p(-DISC_AREA_THRESHOLD)


def hashin_shtrikman(
    fraction: float, *, metal: float = 1.0, bare: float = 0.0
) -> tuple[float, float]:
    """Return the bounds on the sheet conductance of any isotropic two-phase sheet.

    s1 + f2 / (1/(s2 - s1) + f1/(2 s1)) and the same with the phases exchanged. The bounds hold for
    isotropic sheets much larger than their texture; streaks all lying one way may pass them, and
    only `wiener_bounds` holds there.

    Z. Hashin and S. Shtrikman, J. Appl. Phys. 33 (1962) 3125, eq. 3.18 and 3.19, in the form for
    two dimensions (from memory).
    """
    f = _fraction(fraction)
    one = positive(metal, "metal", allow_zero=True)
    two = positive(bare, "bare", allow_zero=True)
    ends = (_coated(two, one, f), _coated(one, two, 1.0 - f))
    return min(ends), max(ends)


def _coated(shell: float, core: float, core_fraction: float) -> float:
    """Return the conductance of coated discs; the Hashin-Shtrikman bound of that shell."""
    if core_fraction in (0.0, 1.0) or shell == 0:
        return core if core_fraction == 1 else shell
    # Maxwell's formula in two dimensions, free of the division by (core - shell).
    top = shell + core + core_fraction * (core - shell)
    return shell * top / (shell + core - core_fraction * (core - shell))


def wiener_bounds(fraction: float, *, metal: float = 1.0, bare: float = 0.0) -> tuple[float, float]:
    """Return the bounds on the sheet conductance of any two-phase sheet, isotropic or not.

    O. Wiener, Abh. Math.-Phys. Kl. Koenigl. Saechs. Ges. Wiss. 32 (1912) 509 (from memory).
    """
    f = _fraction(fraction)
    one = positive(metal, "metal", allow_zero=True)
    two = positive(bare, "bare", allow_zero=True)
    high = f * one + (1.0 - f) * two
    if f in (0.0, 1.0):
        return high, high
    low = 0.0 if one == 0 or two == 0 else 1.0 / (f / one + (1.0 - f) / two)
    return low, high


def bruggeman(fraction: float, *, metal: float = 1.0, bare: float = 0.0) -> float:
    """Return the effective-medium sheet conductance of a random two-phase sheet.

    Positive root of f (s1 - s)/(s1 + s) + (1 - f) (s2 - s)/(s2 + s) = 0. It puts the threshold at
    one half; drops that overlap at random percolate later (`DISC_AREA_THRESHOLD`).

    D. A. G. Bruggeman, Ann. Phys. 416 (1935) 636, two-dimensional form (from memory).
    """
    f = _fraction(fraction)
    one = positive(metal, "metal", allow_zero=True)
    two = positive(bare, "bare", allow_zero=True)
    half = 0.5 * (2.0 * f - 1.0) * (one - two)
    return half + math.sqrt(half * half + one * two)


def _fraction(value: float) -> float:
    number = positive(value, "fraction", allow_zero=True)
    if number > 1:
        raise InputError(
            f"fraction must be at most 1 (an area fraction), got {number!r}. "
            "Divide a percentage by 100."
        )
    return number

"""Thickness of every droplet and streak of a field, of its haze, and the mass of metal on it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from spattermap.core.arrays import Bools, Floats, Integers, Labels
from spattermap.core.squares import all_squares, numbered
from spattermap.measure.shapes import distance_to, edges_of, squared_distance_to
from spattermap.measure.thickness import (
    AT_LEAST,
    CONTINUUM_FACTORS,
    NOT_TOLD,
    PART_TOLERANCE,
    PROFILES,
    TOLD,
    Scale,
    Thickness,
    model_tolerance,
    profile_table,
    scale_of,
    thickness_of,
    with_sensitivities,
)

if TYPE_CHECKING:
    import numpy.typing as npt

    from spattermap.xrays.layers import LayerModel

    Indices = npt.NDArray[np.intp]

# Blur carries signal over a rim of this many standard deviations: left out of what is taken as
# even, and added to what is summed whole.
RIM = 2.5
# Part of a dome's area that is drawn as its region. An outline runs where the signal is half of the
# region's mean: for a thin dome t = h (1 - u)^p that is where (1 - k)^p is half the mean of its
# first k, so 0.86 of half an ellipsoid and 2/3 of a paraboloid; the skirt lies in the rim.
DRAWN = {0.0: 1.0, 0.5: 0.86, 1.0: 2.0 / 3.0}
_RINGS = 4  # parts of equal area of a region, from its middle outwards
_SQUARE = 24  # px; side of the squares that part large regions
_WIDE = 6  # squares from which on a region may be looked at square by square
# Half an interval, as a part of the value, up to which a number is told; wider, only its bounds
# are. Of a dome's volume, and of a film's thickness. A choice, no source.
_FIRM_DOME, _FIRM_FILM = 0.15, 0.30
_SOME = 0.02  # part of a region whose squares past saturation leave its mean without an upper end
# Counts in a metal's window over those of the glass's strongest line from which on no continuum
# gives them: three times `GLASS_CONTINUUM`, rounded up.
_MOST_CONTINUUM = 0.05
_CELL = 50  # px; about what the segmentation averages over
_LEAST_PX = 6  # a smaller piece tells nothing of a sensitivity
_MOST_PIECES = 1500
_FIRM = 3.0  # log-likelihood by which one profile must beat the others
_LEAST_BARE = 200  # px of bare glass that set a dose
_STEP, _STEPS = 2, 8  # px, and how often: how far regions' signal is followed into the ground
_SPILL = 3.0  # standard errors by which a nearer ring holds more metal than what lies farther


@dataclass(frozen=True)
class Squares:
    """Thickness of the squares of regions that are wide and uneven."""

    key: Integers  # (piece,): label and square, see `square_keys`; rising
    thickness: Thickness  # of each piece


@dataclass(frozen=True)
class FieldThickness:
    """Thickness of the metal on one field."""

    model: LayerModel  # the tables used
    scale: Scale  # dose and sensitivities found
    regions: Thickness  # of every region, index = label - 1
    profile: Floats  # (region,): exponent of the profile taken, see `thickness.PROFILES`
    pixels: Floats  # (region,): usable pixels of each region
    # of the metal outside the regions, of one entry; None without a blank to compare with
    haze: Thickness | None
    haze_px: int  # pixels outside the regions and their rims
    field_px: int  # usable pixels of the field
    tolerance: float  # relative tolerance of the layer model
    dose_from: str  # "field", "blank" (scaled to the dose of the field) or "blank alone"
    lines: tuple[str, ...]  # lines that were used, for example "Si Ka"
    # relative standard deviation of the bare glass beyond counting, where it set the dose
    uneven: float = 0.0
    squares: Squares | None = None  # of regions whose thickness varies more than counting explains
    hidden: float = 0.0  # part of the dose that metal between the regions may hide, see `_hidden`

    @property
    def sensitivities_told(self) -> bool:
        """Whether some metal line's counts of bulk were found to better than a third."""
        own = self.scale.in_film & ~(self.scale.glass > 0)
        return bool((self.scale.sensitivity_error[own] < 0.33).any())


class Rims:
    """Where the rims of labelled regions run that blur fills; found once, when asked for."""

    def __init__(self, labels: Labels, blur_px: float) -> None:
        self.labels = labels
        self.rim = max(1, math.ceil(RIM * blur_px))

    @cached_property
    def owner(self) -> Labels:
        """Each pixel's region with rims grown out; (y, x)."""
        from skimage.segmentation import expand_labels

        grown = expand_labels(self.labels, distance=self.rim)  # type: ignore[no-untyped-call]
        return np.asarray(grown, dtype=np.int32)

    @property
    def far(self) -> Bools:
        """The pixels outside regions that blur does not reach; (y, x)."""
        return np.asarray(self.owner == 0)

    @cached_property
    def inner(self) -> Bools:
        """The pixels deeper inside their region than the rim; (y, x)."""
        edge = edges_of(self.labels)
        inside = self.labels > 0
        return inside & (distance_to(edge) > self.rim - 1) if edge.any() else inside

    @cached_property
    def depth_share(self) -> Floats:
        """For each pixel of a region the share of the region that lies deeper inside; (y, x)."""
        labels = self.labels
        edge = edges_of(np.pad(labels, 1))
        depth = distance_to(edge)[1:-1, 1:-1] if edge.any() else np.ones(labels.shape)
        share = np.zeros(labels.shape)
        inside = np.flatnonzero(labels)
        order = inside[np.lexsort((-depth.ravel()[inside], labels.ravel()[inside]))]
        own = labels.ravel()[order]
        start = np.searchsorted(own, own)  # first place of the region
        size = np.bincount(own)
        share.ravel()[order] = (np.arange(order.size) - start + 0.5) / size[own]
        return share


def weigh_field(
    counts: Floats,
    labels: Labels,
    *,
    model: LayerModel,
    alloy: Mapping[str, float],
    substrate: Mapping[str, float],
    blur_px: float,
    rims: Rims | None = None,
    valid: Bools | None = None,
    blank: tuple[Mapping[str, float], float] | None = None,
    dose_error: float = 0.0,
    density_error: float = 0.0,
    other_models: tuple[LayerModel, ...] = (),
    tilted: LayerModel | None = None,
    drawn: Mapping[float, float] = DRAWN,
) -> FieldThickness | None:
    """Return the thickness of every region of a field; None without enough bare glass or a blank.

    Dims: `counts` (element, y, x), in the order of ``model.lines``, `labels`, `valid` (y, x).
    `blank`: counts per pixel by element, taken at the same dose to a part of `dose_error`, and its
    pixels. `other_models` are pairs of tables that cannot be excluded (take-off angles), `tilted`
    that of a tilt: less metal hides as much. `drawn`: part of a dome's area that its label covers,
    by profile.

    A region is summed with the rim that blur fills, and the ground level of that rim taken off, so
    that blur neither adds nor hides metal. Its profile (film, half ellipsoid, paraboloid) comes
    from rings that blur does not reach; where they do not tell it, from all regions together, and
    the others stay in the uncertainty.
    """
    use = np.ones(labels.shape, bool) if valid is None else valid
    field = _Field(counts, labels, use, Rims(labels, blur_px) if rims is None else rims)
    if blank is None and field.ground_px < _LEAST_BARE:
        return None
    metals = np.array([alloy.get(e, 0.0) > 0 for e in model.lines])
    glass = np.array([substrate.get(e, 0.0) > 0 for e in model.lines])
    bare = dict(zip(model.lines, field.level, strict=True)) if blank is None else dict(blank[0])
    pieces = _pieces(counts, field.rims, use & (field.rims.inner | (blur_px < 0.3)))
    squares = _ground_squares(counts, field.ground)
    uneven = 0.0
    if blank is None:
        uneven = _unevenness(squares[0][:, glass].sum(axis=1), squares[1])
    else:  # what lies between the regions is metal of some thickness too
        pieces = np.concatenate([pieces[0], squares[0]]), np.concatenate([pieces[1], squares[1]])

    def made(tables: LayerModel, factor: float, dose: float, near: Floats | None) -> Scale:
        scale = scale_of(
            tables, alloy=alloy, substrate=substrate, bare=bare,
            bare_px=float(field.ground_px if blank is None else blank[1]),
            continuum_factor=factor, dose=max(dose, 0.1),
        )  # fmt: skip
        return with_sensitivities(scale, *pieces, start=near)

    first = made(model, 1.0, 1.0, None)
    strongest = max((bare[e] for e, is_glass in zip(model.lines, glass, strict=True) if is_glass),
                    default=0.0)  # fmt: skip
    drawn_by = _drawn_by_noise(counts, use & (labels > 0), field.level, strongest)
    hidden = _hidden(first, strongest) if blank is None else 0.0
    doubt = math.hypot(PART_TOLERANCE, drawn_by, hidden, 1.96 * uneven, 1.96 * dose_error)
    kinds = [(model, factor, 1.0) for factor in CONTINUUM_FACTORS[1:]]
    kinds += [(model, 1.0, 1.0 - doubt), (model, 1.0, 1.0 + doubt)]
    kinds += [(other, 1.0, 1.0) for other in (*other_models, *([tilted] if tilted else []))]
    scales = (first, *(made(*kind, first.sensitivity) for kind in kinds))
    tolerance = math.hypot(model_tolerance(alloy, model.beam_energy_keV), density_error)
    regions, profile, pixels, parts = _regions(field, scales, drawn, tolerance)
    haze = None
    if blank is not None and field.ground_px:
        clear = _beyond_spill(
            counts[metals & ~glass].sum(axis=0), field.ground, labels, field.rims.rim
        )
        haze = _haze(scales, counts, clear, tolerance)
    return FieldThickness(
        model=model, scale=first,
        regions=regions.only_bounds(np.where(profile > 0, _FIRM_DOME, _FIRM_FILM)),
        profile=profile, pixels=pixels, haze=haze,
        haze_px=field.ground_px, field_px=int(use.sum()), tolerance=tolerance,
        dose_from="field" if blank is None else "blank alone" if dose_error else "blank",
        lines=tuple(table.line.name for table in model.lines.values()), uneven=uneven,
        squares=parts, hidden=hidden,
    )  # fmt: skip


@dataclass(frozen=True)
class _Field:
    """What is seen of a field: counts, and which pixels are of what."""

    counts: Floats  # (element, y, x)
    labels: Labels  # (y, x)
    use: Bools  # (y, x)
    rims: Rims

    @cached_property
    def ground(self) -> Bools:
        """Pixels clear of every region and its rim (y, x)."""
        return np.asarray(self.use & (self.rims.owner == 0))

    @cached_property
    def ground_px(self) -> int:
        """Their number."""
        return int(self.ground.sum())

    @cached_property
    def level(self) -> Floats:
        """Counts per pixel of the ground (element,)."""
        if not self.ground_px:
            return np.zeros(len(self.counts))
        return np.asarray(self.counts[:, self.ground].mean(axis=1))


def _regions(
    field: _Field, scales: tuple[Scale, ...], drawn: Mapping[float, float], tolerance: float
) -> tuple[Thickness, Floats, Floats, Squares | None]:
    """Return the thickness of the regions, their profiles and pixels, and those parted by squares.

    Dims: profiles, pixels (region,).
    """
    counts, labels, use, rims = field.counts, field.labels, field.use, field.rims
    n = int(labels.max(initial=0))
    whole, pixels, around = _sums(counts, labels, rims.owner, use, n=n)
    continua = scales[: len(CONTINUUM_FACTORS)]
    shapes = _profiles(continua, counts, rims, use & rims.inner, (n, drawn))
    profile = shapes[0]
    part = np.array([drawn[p] for p in profile])
    area = np.minimum(pixels / part, pixels + around)
    beside = (pixels + around - area)[:, None] * field.level
    regions = _by_profile(scales, (whole, area, beside), shapes, tolerance)
    regions = _on_footprint(regions, np.divide(area, pixels, where=pixels > 0, out=area * 0 + 1))
    at_foot = whole, pixels, around[:, None] * field.level
    regions = _past_saturation(scales, at_foot, (area, shapes), regions, tolerance)
    regions, parts = _by_squares(scales, (counts, labels, use), regions, pixels, tolerance)
    return regions, profile, pixels, parts


def square_keys(labels: Labels, rows: Indices, columns: Indices, side: int = _SQUARE) -> Integers:
    """Return one number for the label and the square that each pixel lies in."""
    height, width = (length // side + 1 for length in labels.shape)
    square = rows // side * width + columns // side
    return np.asarray(labels[rows, columns].astype(np.int64) * (height * width) + square)


def _by_squares(
    scales: tuple[Scale, ...],
    field: tuple[Floats, Labels, Bools],
    regions: Thickness,
    pixels: Floats,
    tolerance: float,
) -> tuple[Thickness, Squares | None]:
    """Return the thickness with that of wide uneven regions averaged over their squares.

    The mean thickness is not that of the mean signal: where glass nearly vanishes, what is thicker
    adds nothing. A region counts as uneven where its squares differ by more than counting and by a
    tenth.
    """
    _, labels, use = field
    wide = np.concatenate([[False], pixels >= _WIDE * _SQUARE**2])
    where = np.nonzero(use & wide[labels])
    if where[0].size == 0:
        return regions, None
    keys, one, area, owner = _of_squares(scales, field, where, tolerance, _SQUARE)
    uneven, small = [], None
    for label in np.unique(owner):
        own = np.flatnonzero(owner == label)
        if not _varies(one, area, own):
            continue
        uneven.append(own)
        regions = _averaged(regions, int(label) - 1, one, (area, own))
        small = small or _of_squares(scales, field, where, tolerance, _SQUARE // 2)
        regions = _within_squares(regions, int(label) - 1, small)
    if not uneven:
        return regions, None
    kept = np.sort(np.concatenate(uneven))
    return regions, Squares(keys[kept], _chosen(one, kept))


_Squares = tuple["Integers", Thickness, "Floats", "Indices"]


def _of_squares(
    scales: tuple[Scale, ...],
    field: tuple[Floats, Labels, Bools],
    where: tuple[Indices, ...],
    tolerance: float,
    side: int,
) -> _Squares:
    """Return keys, thickness, pixels and labels of the squares of a side (px)."""
    counts, labels, _ = field
    rows, columns = where
    keys, piece = numbered(square_keys(labels, rows, columns, side))
    area = np.bincount(piece).astype(float)
    sums: Floats = np.stack(
        [np.bincount(piece, plane[rows, columns]).astype(float) for plane in counts], axis=1
    )
    owner = np.zeros(keys.size, np.int64)
    owner[piece] = labels[rows, columns]
    enough = area >= side**2 / 8
    keys, area, sums, owner = keys[enough], area[enough], sums[enough], owner[enough]
    return keys, thickness_of(scales, sums, area, tolerance=tolerance), area, owner


def _within_squares(regions: Thickness, at: int, small: _Squares) -> Thickness:
    """Return the thickness with what varies within the squares of one region.

    What a mean signal leaves out goes with the square of the side; from halves of it follows the
    rest (Richardson 1911), which also widens the bounds.
    """
    _, one, area, owner = small
    own = np.flatnonzero(owner == at + 1)
    finer = _averaged(regions, at, one, (area, own))
    if regions.told[at] != TOLD or finer.told[at] != TOLD:
        return regions
    rest = float(finer.nm[at] - regions.nm[at]) / 3.0
    below, above = min(rest, 0.0), max(rest, 0.0)
    moved = {name: getattr(finer, name).copy() for name in
             ("nm", "low", "high", "counting_low", "counting_high")}  # fmt: skip
    for name, values in moved.items():
        values[at] += rest + (above if name.endswith("high") else 0.0)
        values[at] += below if name.endswith("low") else 0.0
    return replace(finer, **moved)


def _varies(one: Thickness, area: Floats, own: Indices) -> bool:
    """Return whether squares differ by more than counting, and by more than a tenth."""
    if own.size < _WIDE:
        return False
    nm, weight = one.nm[own], area[own] / area[own].sum()
    firm, endless = one.told[own] == TOLD, one.told[own] == AT_LEAST
    if not firm.any():
        return False
    mean = float(np.average(nm[firm], weights=weight[firm]))
    if float(weight[endless & (one.low[own] > 1.2 * mean)].sum()) > _SOME:
        return True
    error = (one.counting_high[own] - one.counting_low[own]) / 3.92
    firm &= np.isfinite(error) & (error > 0)
    if firm.sum() < _WIDE:
        return False
    apart = nm[firm] - mean
    more = float(np.square(apart / error[firm]).mean()) - 1.0
    spread = math.sqrt(float(np.average(np.square(apart), weights=weight[firm])))
    return more > 3.0 * math.sqrt(2.0 / firm.sum()) and spread > 0.1 * mean


def _averaged(
    regions: Thickness, at: int, one: Thickness, pieces: tuple[Floats, Indices]
) -> Thickness:
    """Return the thickness with one region's replaced by the mean over its squares."""
    area, own = pieces
    weight = area[own] / area[own].sum()
    told = one.told[own]
    endless = told == AT_LEAST
    low_of = np.where(endless, one.low[own], one.counting_low[own])
    shown = np.where(endless, one.low[own], one.nm[own])
    nm = float(weight @ shown)
    model, model_low = (
        float(weight @ np.where(endless, 0.0, np.nan_to_num(part[own]) * one.nm[own]))
        for part in (one.model, one.model_low)
    )
    below = math.sqrt(float(np.square(weight * (shown - low_of)).sum()))
    values: dict[str, float | str]
    if float(weight[endless].sum()) > _SOME:
        low = nm - math.hypot(below, model_low)
        values = {"nm": nm, "low": low, "high": math.inf, "counting_low": nm - below,
                  "counting_high": math.inf, "told": AT_LEAST}  # fmt: skip
    else:
        high_of = np.where(endless, shown, one.counting_high[own])
        above = math.sqrt(float(np.square(weight * (high_of - shown)).sum()))
        values = {"nm": nm, "low": max(nm - math.hypot(below, model_low), 0.0),
                  "high": nm + math.hypot(above, model), "counting_low": nm - below,
                  "counting_high": nm + above, "told": TOLD}  # fmt: skip
    for name, part in (("model", model), ("model_low", model_low)):
        values[name] = part / nm if nm > 0 else math.nan
    changed = {}
    for name, value in values.items():
        changed[name] = getattr(regions, name).copy()
        changed[name][at] = value
    return replace(regions, **changed)


def _chosen(found: Thickness, some: Indices) -> Thickness:
    return Thickness(**{one.name: getattr(found, one.name)[some] for one in fields(found)})


def _haze(scales: tuple[Scale, ...], counts: Floats, ground: Bools, tolerance: float) -> Thickness:
    """Return the thickness of the ground as one region."""
    sums, px = counts[:, ground].sum(axis=1)[None], np.array([float(ground.sum())])
    return thickness_of(scales, sums, px, tolerance=tolerance)


def _beyond_spill(metal: Floats, ground: Bools, labels: Labels, rim: int) -> Bools:
    """Return the ground that the regions' own signal does not reach; (y, x).

    Beams have tails wider than the blur of the edges. A ring is left out while it holds more metal
    than what lies farther, beyond counting noise; haze has no reason to end where a ring does.
    """
    away = squared_distance_to(labels > 0) if labels.any() else np.full(labels.shape, np.inf)
    for outer in range(rim + _STEP, rim + _STEP * (_STEPS + 1), _STEP):
        near, far = ground & (away <= outer**2), ground & (away > outer**2)
        n_near, n_far = int(near.sum()), int(far.sum())
        if n_far < _LEAST_BARE:
            break
        if n_near:
            first, rest = float(metal[near].mean()), float(metal[far].mean())
            # Counts scatter by their root (Poisson); of two means the variances add up.
            if first - rest <= _SPILL * math.sqrt(first / n_near + rest / n_far):
                break
        ground = far
    return ground


def _ground_squares(counts: Floats, ground: Bools) -> tuple[Floats, Floats]:
    """Return counts, dims (square, element), and pixels of the squares between the regions."""
    pixels = all_squares(ground, _SQUARE).ravel()
    some = pixels >= _SQUARE**2 / 4
    sums = np.stack([all_squares(plane * ground, _SQUARE).ravel() for plane in counts], axis=1)
    return sums[some], pixels[some]


def haze_nm(found: FieldThickness) -> tuple[float, float, float]:
    """Return the mean thickness of the metal between the regions and its bounds (nm)."""
    one = found.haze
    if one is None:  # without a blank the metal's background may all be haze
        return 0.0, 0.0, _most_haze_nm(found.scale)
    value = float(one.nm[0]) if one.told[0] == TOLD else 0.0
    return value, float(one.low[0]), float(one.high[0])


def _hidden(scale: Scale, glass: float) -> float:
    """Return by what part the dose is larger if the metal's counts between the regions are metal.

    Asked only where they are more than any continuum: a film below everything has no edge to be
    seen by, and dims the glass that passes for bare.
    """
    own = scale.in_film & ~(scale.glass > 0)
    if not (scale.background[own] > _MOST_CONTINUUM * glass).any():
        return 0.0
    curve = scale.substrate[int(np.argmax(scale.glass))]
    left = np.interp(_most_haze_nm(scale), scale.thickness_nm, curve)
    return float(1.0 / max(left, 0.1) - 1.0)


def _most_haze_nm(scale: Scale) -> float:
    """Return how thick the haze is if all counts of the metal between the regions are metal."""
    own = scale.in_film & ~(scale.glass > 0)
    if not own.any():
        return 0.0
    curve = (scale.sensitivity[own, None] * scale.film[own]).sum(axis=0)
    return float(np.interp(float(scale.background[own].sum()), curve, scale.thickness_nm))


def _drawn_by_noise(counts: Floats, on: Bools, level: Floats, glass: float) -> float:
    """Return by what part of `glass`, counts a pixel, regions may be too dark for being drawn so.

    Where metal hardly stands out of the noise of `_CELL` pixels, pixels that had few counts of
    glass are the likelier drawn: half a standard error of the cell, in films of 2 nm of copper.
    """
    if not on.any() or not glass > 0:
        return 0.0
    apart = counts[:, on].mean(axis=1) - level
    told = _CELL * float((np.square(apart) / np.maximum(level, 1e-3)).sum())
    return 0.5 / math.sqrt(_CELL * glass) * math.exp(-told / 8.0)


def _unevenness(counts: Floats, pixels: Floats) -> float:
    """Return the relative standard deviation of squares beyond counting, 0 within its error."""
    if counts.size < 8 or not counts.sum() > 0:
        return 0.0
    mean = pixels * counts.sum() / pixels.sum()
    per_square = np.square(counts - mean) / mean
    # Chi-squared over its degrees of freedom, less two of its standard deviations.
    more = float(per_square.sum()) / (counts.size - 1) - 1.0 - 2.0 * math.sqrt(2.0 / counts.size)
    return math.sqrt(max(more, 0.0) / float(mean.mean()))


def _pieces(counts: Floats, rims: Rims, inner: Bools) -> tuple[Floats, Floats]:
    """Return counts and pixels of pieces that may be taken as even: rings within squares."""
    labels = rims.labels
    rows, columns = np.nonzero(inner & (labels > 0))
    if rows.size == 0:
        return np.zeros((0, len(counts))), np.zeros(0)
    ring = np.minimum((rims.depth_share[rows, columns] * _RINGS).astype(np.int64), _RINGS - 1)
    wide = labels.shape[1] // _SQUARE + 1
    square = rows // _SQUARE * wide + columns // _SQUARE
    key = (labels[rows, columns].astype(np.int64) * _RINGS + ring) * (
        wide * (labels.shape[0] // _SQUARE + 1)
    ) + square
    _, piece = numbered(key)
    pixels = np.bincount(piece).astype(float)
    sums: Floats = np.stack(
        [np.bincount(piece, plane[rows, columns]).astype(float) for plane in counts], axis=1
    )
    enough = np.flatnonzero(pixels >= _LEAST_PX)
    if enough.size > _MOST_PIECES:  # evenly over the field: labels run along it
        enough = enough[:: math.ceil(enough.size / _MOST_PIECES)]
    return sums[enough], pixels[enough]


def _sums(
    counts: Floats, labels: Labels, owner: Labels, use: Bools, *, n: int
) -> tuple[Floats, Floats, Floats]:
    """Return counts with the rim, pixels without it, and pixels of the rim."""
    used = np.flatnonzero((owner > 0) & use)
    own = owner.ravel()[used].astype(np.intp)

    def per_region(where: Indices, values: Floats | None = None) -> Floats:
        return np.bincount(where, values, minlength=n + 1)[1:].astype(float)

    whole = np.stack([per_region(own, plane.ravel()[used]) for plane in counts], axis=1)
    pixels = per_region(labels.ravel()[used].astype(np.intp))
    return whole, pixels, np.maximum(per_region(own) - pixels, 0.0)


def _past_saturation(
    scales: tuple[Scale, ...],
    sums: tuple[Floats, Floats, Floats],
    area_shapes: tuple[Floats, tuple[Floats, Bools]],
    regions: Thickness,
    tolerance: float,
) -> Thickness:
    """Return the thickness with that of domes past saturation, whose outline is their foot.

    No skirt explains their glass.
    """
    (whole, pixels, beside), (area, (profile, firm)) = sums, area_shapes
    dome = np.flatnonzero(area != pixels)  # all others were weighed just so
    if not dome.size:
        return regions
    drawn = _by_profile(
        scales, (whole[dome], pixels[dome], beside[dome]), (profile[dome], firm[dome]), tolerance
    )
    past = drawn.told == AT_LEAST
    found = {one.name: getattr(regions, one.name).copy() for one in fields(regions)}
    for name, values in found.items():
        values[dome[past]] = getattr(drawn, name)[past]
    return replace(regions, **found)


def _on_footprint(found: Thickness, times: Floats) -> Thickness:
    """Return means over the drawn area instead of over the whole dome: volume over area."""
    ends = ("nm", "low", "high", "counting_low", "counting_high")
    return replace(found, **{name: getattr(found, name) * times for name in ends})


def _profiles(
    scales: tuple[Scale, ...],
    counts: Floats,
    rims: Rims,
    inner: Bools,
    size_drawn: tuple[int, Mapping[float, float]],
) -> tuple[Floats, Bools]:
    """Return the likeliest profile of each region, and whether it is told apart.

    A profile is as good as the scale that suits it best: a continuum that is guessed wrong must not
    pass for a rim.
    """
    n, drawn = size_drawn
    labels = rims.labels
    rows, columns = np.nonzero(inner)
    share = rims.depth_share[rows, columns]
    ring = np.minimum((share * _RINGS).astype(np.int64), _RINGS - 1)
    key = (labels[rows, columns] - 1) * _RINGS + ring
    size = n * _RINGS
    pixels = np.bincount(key, minlength=size).reshape(n, _RINGS)
    # A ring counts where blur leaves all of it alone.
    area = np.bincount(labels.ravel(), minlength=n + 1)[1:, None]
    clean = pixels >= np.maximum(0.95 * area / _RINGS - 1, 2)
    sums = np.stack([
        np.bincount(key, plane[rows, columns], minlength=size).reshape(n, _RINGS)
        for plane in counts
    ], axis=2)  # fmt: skip
    fits = np.zeros((len(PROFILES), n))
    for index, profile in enumerate(PROFILES):
        for place, scale in enumerate(scales):
            total = np.zeros((n, scale.thickness_nm.size))
            for k in range(_RINGS):
                ends = (drawn[profile] * end / _RINGS for end in (k, k + 1))
                table = np.maximum(profile_table(scale, profile, *ends), 1e-9)
                some = clean[:, k]
                total[some] += sums[some, k] @ np.log(table) - pixels[some, k, None] * table.sum(
                    axis=0
                )
            top = total.max(axis=1, initial=-np.inf)
            fits[index] = top if place == 0 else np.maximum(fits[index], top)
    told = clean.sum(axis=1) >= 2
    best = np.argmax(fits, axis=0)
    ranked = np.sort(fits, axis=0)
    firm = told & (ranked[-1] - ranked[-2] > _FIRM)
    # Small regions are likely shaped as the small ones that tell: weight the pool by number.
    pooled = int(np.argmax(np.clip(fits[:, told] - ranked[-1, told], -5.0, 0.0).sum(axis=1)))
    common = pooled if told.any() else len(PROFILES) - 1
    chosen = np.where(firm, best, common)
    return np.array(PROFILES)[chosen], firm


def _by_profile(
    scales: tuple[Scale, ...],
    sums: tuple[Floats, Floats, Floats],
    shapes: tuple[Floats, Bools],
    tolerance: float,
) -> Thickness:
    """Return the thickness of all regions, each by its own profile."""
    profile, firm = shapes
    whole, pixels, beside = sums
    names = [f.name for f in fields(Thickness) if f.name != "told"]
    found = {name: np.full(len(whole), np.nan) for name in names}
    told = np.full(len(whole), NOT_TOLD, dtype="<U8")
    for shape in PROFILES:
        for sure in (True, False):
            some = np.flatnonzero((profile == shape) & (firm == sure) & (pixels > 0))
            if some.size == 0:
                continue
            part = thickness_of(
                scales, whole[some], pixels[some], tolerance=tolerance, beside=beside[some],
                profile=shape, other_profiles=() if sure else PROFILES,
            )  # fmt: skip
            for name in names:
                found[name][some] = getattr(part, name)
            told[some] = part.told
    return Thickness(told=told, **found)


def deposited(found: FieldThickness) -> dict[str, float]:
    """Return mean thickness where covered and mass per area of the field, with bounds.

    NaN where there is no value, infinity where there is no upper bound.
    """
    t = found.regions
    some = (found.pixels > 0) & np.isfinite(t.nm)
    area, nm = found.pixels[some], t.nm[some]
    told = t.told[some]
    bounded = told != AT_LEAST
    shown = np.where(told == NOT_TOLD, 0.0, np.where(bounded, nm, t.low[some]))
    # Counting errors are each region's own; the model's is shared.
    own_low = np.where(bounded, np.minimum(shown, t.counting_low[some]), shown)
    own_high = np.where(bounded, t.counting_high[some], np.inf)
    # A lower bound holds the model's part already.
    mass = float((area * shown).sum())

    def total(own: Floats, side: int) -> float:
        apart = math.sqrt(float((np.square(area * (own - shown))).sum()))
        part = np.nan_to_num((t.model if side > 0 else t.model_low)[some])
        return mass + side * math.hypot(apart, float((area * shown * part)[bounded].sum()))

    low, high = max(0.0, total(own_low, -1)), total(own_high, +1)
    seen = area.size or found.haze is not None
    haze = [nm * found.haze_px if seen else 0.0 for nm in haze_nm(found)]
    per_nm = found.model.density_g_cm3 * 1e-7 * 1e6  # ug/cm2 for each nm
    field = per_nm / max(found.field_px, 1)
    covered = max(float(area.sum()), 1.0)
    unbounded = float((area * shown)[~bounded].sum()) > 0.1 * mass
    value = float("nan") if unbounded or not area.size else mass / covered
    ends = (low / covered, high / covered) if area.size else (math.nan, math.nan)
    if not area.size and found.haze is not None and found.haze.told[0] in (TOLD, AT_LEAST):
        # One even film over the whole field: nothing stands out, all of it is covered.
        one = found.haze
        value = float(one.nm[0]) if one.told[0] == TOLD else float("nan")
        unbounded = one.told[0] == AT_LEAST
        ends = (float(one.low[0]), float(one.high[0]))
    nothing = not area.size and found.haze is None
    return {
        "mean_thickness_nm": value,
        "mean_thickness_nm_low": ends[0],
        "mean_thickness_nm_high": ends[1],
        "deposited_ug_per_cm2": math.nan if unbounded or nothing else (mass + haze[0]) * field,
        "deposited_ug_per_cm2_low": math.nan if nothing else (low + haze[1]) * field,
        "deposited_ug_per_cm2_high": math.nan if nothing else (high + haze[2]) * field,
    }

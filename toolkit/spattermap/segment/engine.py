"""The whole segmentation in one call."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from spattermap.core.arrays import Singles
from spattermap.core.errors import InputError
from spattermap.core.mapset import Roles, facts, noise_is_known, valid_mask
from spattermap.core.settings import Settings
from spattermap.segment import cracks, droplets, haze, streaks
from spattermap.segment import level as local
from spattermap.segment.filters import Filter
from spattermap.segment.ground import Estimate, ground_of, sample_of
from spattermap.segment.likelihood import Classes, Stack, log_odds, metal_fraction, stack_of
from spattermap.segment.result import Segmentation
from spattermap.segment.streaks import circular_summary

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

_NO_SETTINGS = Settings()
MOST_LEVELLINGS = 4  # what the first mask took for metal may turn out to be haze
UNEVEN = (
    "The bare level is uneven (haze or background): droplets were drawn against their surroundings."
)
NO_STRUCTURE = (
    "The maps vary no more than counting noise does: the field is bare or evenly covered. A blank "
    "plate mapped under the same conditions would tell which."
)
TOO_WEAK = (
    "The maps vary a little more than counting noise does, but not enough to draw an outline that "
    "noise alone would not draw as well: whether there is metal is undecided. Map the field with "
    "about ten times the counts."
)
_SAME_DOSE = (0.8, 1.25)  # a blank within this ratio was taken under the same conditions


@dataclass(frozen=True)
class _Divided:
    labels: npt.NDArray[np.int32]
    n_droplets: int
    confidence: npt.NDArray[np.float64]
    streaks: pd.DataFrame
    centre_lines: tuple[npt.NDArray[np.float64], ...]


def segment(
    maps: xr.Dataset,
    roles: Roles,
    *,
    settings: Settings = _NO_SETTINGS,
    blank: xr.Dataset | None = None,
) -> Segmentation:
    """Divide a field into bare substrate, droplets and streaks.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    roles : Roles
        Which elements rise with metal (`alloy`) and which fall under it (`substrate`); elements
        of neither kind take part with the sign the data give them.
    settings : Settings, optional
        ``metal_sensitivity``, ``smallest_droplet``, ``split_strength``,
        ``false_alarms_per_field``, ``level`` are used here.
    blank : xarray.Dataset, optional
        Map set of the bare substrate under the same conditions, the zero of the haze.

    Returns
    -------
    Segmentation

    Raises
    ------
    InputError
        If the roles name no mapped element, or the blank lacks an element.
    """
    stack = _stack(maps, roles)
    notes: list[str] = []
    ground = ground_of(sample_of(stack), noise_known=noise_is_known(maps))
    stack, known = ground.noisy(stack), ground.known
    classes, used = known.classes, known.filter
    if classes.information == 0 or used is None:
        return _nothing(stack, classes, NO_STRUCTURE)
    smallest = droplets.smallest_trusted(
        classes,
        used,
        n_pixels=int(np.count_nonzero(stack.valid)),
        false_alarms=settings.false_alarms_per_field,
    )
    if not np.isfinite(smallest):
        return _nothing(stack, classes, TOO_WEAK)
    fraction, parts = _draw(
        stack, known, notes, used=used, smallest=smallest, maps=maps, settings=settings
    )
    return Segmentation(
        labels=parts.labels,
        n_droplets=parts.n_droplets,
        n_streaks=len(parts.streaks),
        metal=parts.labels > 0,
        log_odds=log_odds(fraction, classes, gain=used.gain, prior=settings.metal_sensitivity),
        metal_means=_named(stack, classes.metal),
        bare_means=_named(stack, classes.bare),
        information=classes.information,
        blur_px=used.blur,
        smallest_trusted_px=smallest,
        confidence=parts.confidence,
        streaks=parts.streaks,
        centre_lines=parts.centre_lines,
        directions=_directions(parts.streaks),
        haze=_haze(
            stack,
            parts,
            classes,
            blank=None if blank is None else plate(stack, roles, blank),
            margin=2 + 2.5 * max(used.blur, 0.5),
            level=settings.level,
        ),
        cracks=_cracks(maps, stack, parts.labels, settings, notes),
        elements_used=tuple(
            e for e, w in zip(stack.elements, classes.weights, strict=True) if w != 0
        ),
        notes=tuple(notes),
    )


def _draw(
    stack: Stack,
    known: Estimate,
    notes: list[str],
    *,
    used: Filter,
    smallest: float,
    maps: xr.Dataset,
    settings: Settings,
) -> tuple[Singles, _Divided]:
    """Return the metal fraction, and the droplets and streaks drawn in it; add to the notes."""
    raw, fraction = _levelled(stack, known, used, notes)
    found = droplets.find_regions(
        fraction,
        known.classes,
        used,
        valid=stack.valid,
        raw=raw,
        split_strength=settings.split_strength,
        false_alarms=settings.false_alarms_per_field,
        poisson=stack.variance is None,
        offset=settings.metal_sensitivity * used.gain / known.classes.information,
    )
    if found.deviates.size == 0:
        notes.append(TOO_WEAK)
    parts = _divide(_drop_small(found, maps, settings), smallest, stack.valid)
    middle = droplets.middle_signal(fraction, parts.labels, parts.n_droplets, sigma=used.sigma)
    notes.extend(droplets.note(middle))
    return fraction, parts


def _cracks(
    maps: xr.Dataset,
    stack: Stack,
    labels: npt.NDArray[np.int32],
    settings: Settings,
    notes: list[str],
) -> dict[str, Any]:
    if settings.cracks == "off":
        return {}
    if "electron_image" not in maps:
        if settings.cracks == "on":
            notes.append(
                "Cracks were asked for, but the map set has no electron image to find them in."
            )
        return {}
    image = np.asarray(maps["electron_image"].values)
    return cracks.find_cracks(image, labels, stack.valid, seed=settings.seed)


def _levelled(
    stack: Stack, known: Estimate, used: Filter, notes: list[str]
) -> tuple[Singles, Singles]:
    """Return the metal fraction raw and filtered, freed of an uneven bare level."""
    raw = metal_fraction(stack, known.classes)
    fraction = used.apply(raw, stack.valid)
    reach = local.Reach.of(known.diameter, stack.shape)
    for turn in range(MOST_LEVELLINGS):
        bare = reach.bare(fraction, stack.valid)
        level = local.level_of(
            local.bare_sums(raw, bare, stack.valid, side=reach.side),
            reach,
            shape=stack.shape,
            noise=known.classes.sigma_bare,
        )
        if level is None:
            break
        if turn == 0:
            notes.append(UNEVEN)
        whole = (slice(0, n) for n in stack.shape)
        raw = raw - level.at(*whole) * (1 - np.clip(fraction, 0, 1))
        fraction = used.apply(raw, stack.valid)
    return raw, fraction


def _nothing(stack: Stack, classes: Classes, why: str) -> Segmentation:
    """Return the result for a field without structure: no region, and a note that says why."""
    import pandas as pd

    return Segmentation(
        labels=np.zeros(stack.shape, np.int32),
        n_droplets=0,
        n_streaks=0,
        metal=np.zeros(stack.shape, dtype=bool),
        log_odds=np.zeros(stack.shape, np.float32),
        metal_means=_named(stack, classes.metal),
        bare_means=_named(stack, classes.bare),
        information=0.0,
        blur_px=0.0,
        smallest_trusted_px=float("inf"),
        confidence=np.zeros(0),
        streaks=pd.DataFrame(columns=list(streaks.COLUMNS)),
        notes=(why,),
    )


def _stack(maps: xr.Dataset, roles: Roles) -> Stack:
    elements = [str(e) for e in maps["element"].values]
    signs = [1 if e in roles.alloy else -1 if e in roles.substrate else 0 for e in elements]
    planes = np.asarray(maps["counts"].values)
    variance = np.asarray(maps["variance"].values) if "variance" in maps else None
    return stack_of(
        planes, elements=elements, signs=signs, valid=valid_mask(maps), variance=variance
    )


def _drop_small(found: droplets.Regions, maps: xr.Dataset, settings: Settings) -> droplets.Regions:
    if settings.smallest_droplet is None:
        return found
    least = np.pi / 4 * (settings.smallest_droplet / facts(maps).pixel_size) ** 2
    area = np.bincount(found.labels.ravel(), minlength=found.deviates.size + 1)[1:]
    return droplets.keep(found, area >= least)


def _divide(found: droplets.Regions, smallest: float, valid: npt.NDArray[np.bool_]) -> _Divided:
    """Give the droplets the first numbers and the streaks those after them."""
    import pandas as pd

    labels, chosen, shapes = streaks.find(found.labels, smallest=smallest, valid=valid)
    present = np.bincount(labels.ravel(), minlength=found.confidence.size + 1) > 0
    present[0] = False
    round_ones = [int(k) for k in np.flatnonzero(present) if k not in shapes]
    table = np.zeros(present.size, np.int32)
    table[[*round_ones, *chosen]] = np.arange(1, len(round_ones) + len(chosen) + 1)
    rows = [shapes[k].row(int(table[k])) for k in chosen]
    return _Divided(
        labels=table[labels],
        n_droplets=len(round_ones),
        confidence=found.confidence[np.array(round_ones, dtype=np.int64) - 1],
        streaks=pd.DataFrame(rows, columns=list(streaks.COLUMNS)),
        centre_lines=tuple(shapes[k].line for k in chosen),
    )


def _directions(table: pd.DataFrame) -> dict[str, float]:
    """Return circular statistics: of directions where most streaks have one, else of axes."""
    told = table["directed"].to_numpy(dtype=bool)
    axial = np.count_nonzero(told) <= 0.5 * told.size
    angles = table["angle_deg"].to_numpy(dtype=np.float64)
    found = circular_summary(angles if axial else angles[told], axial=bool(axial))
    return {**found, "axial": float(axial)}


def _named(stack: Stack, values: npt.NDArray[np.float64]) -> dict[str, float]:
    return {e: float(v) for e, v in zip(stack.elements, values, strict=True)}


def _haze(
    stack: Stack,
    parts: _Divided,
    classes: Classes,
    *,
    blank: Stack | None,
    margin: float,
    level: float,
) -> dict[str, float]:
    alloy = stack.signs > 0
    if not alloy.any():
        return {}
    field = haze.field_of(stack, parts.labels, parts.n_droplets, margin=margin)
    sums = haze.sums_of(field, origin=float(classes.bare[alloy].sum()))
    zero = None if blank is None else zero_of(stack, classes, blank)
    return haze.measure(sums, blank=zero, step=alloy_step(stack, classes), level=level)


def alloy_step(stack: Stack, classes: Classes) -> float:
    """Return the mean alloy signal of typical metal above bare."""
    return float((classes.metal - classes.bare)[stack.signs > 0].sum())


def zero_of(stack: Stack, classes: Classes, blank: Stack) -> tuple[float, float]:
    """Return the mean alloy signal of a blank and its standard error, at the dose of the maps."""
    whole = haze.field_of(blank, np.zeros(blank.shape, np.int32), 0, margin=-np.inf)
    values = whole.signal[whole.valid]
    error = float(values.std(dtype=np.float64) / np.sqrt(max(1, values.size)))
    dose = _dose_ratio(stack, blank, classes)
    return float(values.mean(dtype=np.float64)) * dose, error * dose


def _dose_ratio(stack: Stack, blank: Stack, classes: Classes) -> float:
    """Return the dose of the maps over that of the blank, by the glass lines of the bare area.

    Under the same conditions it is 1 but for what a haze hides; only a clear difference, which
    means another dwell time or current, is corrected.
    """
    ours = {
        e: m for e, m, s in zip(stack.elements, classes.bare, stack.signs, strict=True) if s < 0
    }
    theirs = {
        e: float(np.mean(p, where=blank.valid, dtype=np.float64))
        for e, p in zip(blank.elements, blank.planes, strict=True)
        if e in ours
    }
    total = sum(theirs.values())
    if total <= 0:
        return 1.0
    ratio = sum(ours[e] for e in theirs) / total
    return float(ratio) if not _SAME_DOSE[0] < ratio < _SAME_DOSE[1] else 1.0


def plate(stack: Stack, roles: Roles, blank: xr.Dataset) -> Stack:
    """Return a blank as a stack with the elements of the maps."""
    have = {str(e) for e in blank["element"].values}
    missing = [e for e in roles.alloy if e not in have]
    if missing:
        raise InputError(
            f"blank must hold a map of every alloy element, got none of {missing[0]}. "
            "Map the bare plate with the same elements."
        )
    return _stack(blank.sel(element=[e for e in stack.elements if e in have]), roles)

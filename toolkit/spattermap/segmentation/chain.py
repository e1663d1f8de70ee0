"""The whole segmentation in one call."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from spattermap.errors import InputError
from spattermap.mapset import facts, valid_mask
from spattermap.roles import Roles
from spattermap.segmentation import droplets, edges, haze, streaks
from spattermap.segmentation.estimation import estimate, sample_of
from spattermap.segmentation.likelihood import (
    Array,
    Classes,
    Stack,
    log_odds,
    metal_fraction,
    stack_of,
)
from spattermap.segmentation.result import Segmentation
from spattermap.settings import Settings

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

_NO_SETTINGS = Settings()


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
    known = estimate(sample_of(stack))
    classes, used = known.classes, known.filter
    if classes.information == 0 or used is None:
        return _nothing(stack, classes)
    raw = metal_fraction(stack, classes)
    fraction = used.apply(raw, stack.valid)
    found = droplets.find_regions(
        fraction,
        classes,
        used,
        valid=stack.valid,
        split_strength=settings.split_strength,
        false_alarms=settings.false_alarms_per_field,
        poisson=stack.variance is None,
        offset=settings.metal_sensitivity * used.gain / classes.information,
    )
    smallest = droplets.smallest_trusted(
        classes,
        used,
        n_pixels=int(np.count_nonzero(stack.valid)),
        false_alarms=settings.false_alarms_per_field,
    )
    found = _drop_small(found, maps, settings)
    labels, n_droplets, table, order = _divide(found, smallest)
    return Segmentation(
        labels=labels,
        n_droplets=n_droplets,
        n_streaks=len(table),
        metal=labels > 0,
        log_odds=log_odds(fraction, classes, gain=used.gain, prior=settings.metal_sensitivity),
        metal_means=_named(stack, classes.metal),
        bare_means=_named(stack, classes.bare),
        information=classes.information,
        blur_px=used.blur,
        smallest_trusted_px=smallest,
        confidence=found.confidence[order][:n_droplets],
        streaks=table,
        haze=_haze(
            raw,
            labels,
            stack,
            zero=_zero(stack, classes, roles, blank),
            sigma=max(used.sigma, used.blur),
            level=settings.level,
        ),
        elements_used=tuple(
            e for e, w in zip(stack.elements, classes.weights, strict=True) if w != 0
        ),
        notes=tuple(notes),
    )


def _nothing(stack: Stack, classes: Classes) -> Segmentation:
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
        notes=(
            (
                "The maps vary no more than counting noise does: the field is bare or evenly "
                "covered. A blank plate mapped under the same conditions would tell which."
            ),
        ),
    )


def _stack(maps: xr.Dataset, roles: Roles) -> Stack:
    elements = [str(e) for e in maps["element"].values]
    signs = [1 if e in roles.alloy else -1 if e in roles.substrate else 0 for e in elements]
    planes = np.asarray(maps["counts"].values)
    variance: npt.NDArray[np.generic] | None = None
    if "variance" in maps:
        variance = np.asarray(maps["variance"].values)
    elif facts(maps).quantity != "counts":
        variance = _estimated_variance(planes)
    return stack_of(
        planes, elements=elements, signs=signs, valid=valid_mask(maps), variance=variance
    )


def _estimated_variance(planes: npt.NDArray[np.generic]) -> npt.NDArray[np.float32]:
    """White-noise variance of each plane from differences of neighbours (median of squares)."""
    out = np.empty(planes.shape, np.float32)
    for k, plane in enumerate(planes):
        p = plane.astype(np.float32)
        # Second differences cancel levels and slopes; the median ignores the edges (Rank et al.
        # 1999). 0.6745 is the median of |N(0, 1)|, and the coefficients square-sum to 36.
        d = p[1:-1, 1:-1] * 4 - 2 * (p[:-2, 1:-1] + p[2:, 1:-1] + p[1:-1, :-2] + p[1:-1, 2:])
        d += p[:-2, :-2] + p[:-2, 2:] + p[2:, :-2] + p[2:, 2:]
        out[k] = max((float(np.median(np.abs(d))) / 0.6745) ** 2 / 36, 1e-12)
    return out


def _drop_small(found: droplets.Regions, maps: xr.Dataset, settings: Settings) -> droplets.Regions:
    if settings.smallest_droplet is None:
        return found
    least = np.pi / 4 * (settings.smallest_droplet / facts(maps).pixel_size) ** 2
    area = np.bincount(found.labels.ravel(), minlength=found.deviates.size + 1)[1:]
    return droplets.keep(found, area >= least)


def _divide(
    found: droplets.Regions, smallest: float
) -> tuple[npt.NDArray[np.int32], int, pd.DataFrame, npt.NDArray[np.int64]]:
    """Give the droplets the first numbers and the streaks those after them."""
    import pandas as pd

    n = found.deviates.size
    rows = streaks.measure(found.labels, n)
    limit = smallest if np.isfinite(smallest) else 0.0
    long = np.array([streaks.is_streak(row, smallest=limit) for row in rows], dtype=bool)
    order = np.concatenate([np.flatnonzero(~long), np.flatnonzero(long)]).astype(np.int64)
    table = np.zeros(n + 1, np.int32)
    table[1 + order] = np.arange(1, n + 1)
    n_droplets = int(np.count_nonzero(~long))
    chosen = [dict(rows[k], label=int(table[1 + k])) for k in np.flatnonzero(long)]
    return table[found.labels], n_droplets, pd.DataFrame(chosen, columns=streaks.COLUMNS), order


def _named(stack: Stack, values: npt.NDArray[np.float64]) -> dict[str, float]:
    return {e: float(v) for e, v in zip(stack.elements, values, strict=True)}


def _haze(
    raw: Array,
    labels: npt.NDArray[np.int32],
    stack: Stack,
    *,
    zero: tuple[float, float],
    sigma: float,
    level: float,
) -> dict[str, float]:
    margin = 3 * sigma + 1
    outside = stack.valid & (edges.signed_distance(labels > 0) < -margin)
    if not outside.any():
        outside = stack.valid & (labels == 0)
    return haze.measure(raw, outside, zero=zero[0], zero_error=zero[1], level=level)


def _zero(
    stack: Stack, classes: Classes, roles: Roles, blank: xr.Dataset | None
) -> tuple[float, float]:
    """Return the metal fraction of bare substrate and its standard error."""
    if blank is None:
        return 0.0, 0.0
    have = {str(e) for e in blank["element"].values}
    missing = [e for e in stack.elements if e not in have]
    if missing:
        raise InputError(
            f"blank must hold a map of every element, got none of {missing[0]}. "
            "Map the bare plate with the same elements."
        )
    plate = _stack(blank.sel(element=list(stack.elements)), roles)
    values = metal_fraction(plate, classes)[plate.valid]
    return float(values.mean(dtype=np.float64)), float(values.std() / np.sqrt(max(1, values.size)))

"""The co-location of every pair of elements, as one table.

The classic overlap coefficients of two maps, as they are used on many counts.

Percent maps: parts that sum to a whole, compared by their log-ratios.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from spattermap.core.arrays import Floats, Integers
from spattermap.core.errors import InputError
from spattermap.core.estimate import Estimate
from spattermap.core.mapset import facts, make_map_set
from spattermap.noise.correlation_length import bin_sums
from spattermap.noise.few_pixels import FAR, FEW
from spattermap.noise.moments import block_moments
from spattermap.noise.noise_models import noise_variance
from spattermap.verdict.correlation import (
    FIELDS_DISAGREE,
    FIELDS_NOTE,
    NOISE_UNKNOWN,
    TOO_FEW_BLOCKS,
    Resampling,
    adjusted,
    clipped,
    correlations,
    finite,
    variance_floor,
    variation_note,
    without_noise,
)
from spattermap.verdict.nulls import as_fields, block_p_values, pair_nulls

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings
    from spattermap.noise.moments import BlockMoments, Totals


PERCENTS = ("mass_percent", "atomic_percent")
# Logarithms of values noisier than this part of themselves are not worth taking: bin first.
MOST_RELATIVE_NOISE = 0.3
# What stands for a part below its detection limit, as a part of that limit
# (Martin-Fernandez, Barcelo-Vidal and Pawlowsky-Glahn 2003).
BELOW_LIMIT = 0.65
# The detection limit of a bin in standard deviations of its noise.
LIMIT_SIGMAS = 3.0


def is_closed(maps: xr.Dataset) -> bool:
    """Return True where the maps are parts of a whole: as some rise, others must fall."""
    return facts(maps).quantity in PERCENTS


def log_ratio_maps(maps: xr.Dataset, *, side_px: int | None = None) -> xr.Dataset:
    """Return centred log-ratios of percent maps on bins, with their noise variance.

    With D parts the log-ratios still share ``-1/(D - 1)``: for few parts read them with that in
    mind, and for two they say nothing.

    Aitchison, The Statistical Analysis of Compositional Data (1986), eq. 4.13 (from memory).
    Martin-Fernandez, Barcelo-Vidal and Pawlowsky-Glahn, Mathematical Geology 35 (2003) 253.
    """
    if not is_closed(maps):
        raise InputError(
            f"quantity must be one of {', '.join(PERCENTS)}, got {facts(maps).quantity!r}. "
            "Log-ratios are for parts of a whole; correlate counts as they are."
        )
    if maps.sizes["element"] < 2:
        raise InputError("maps must hold at least two elements, got one. Map the others too.")
    noise = noise_variance(maps)
    side = side_px or _side(maps, noise)
    parts = bin_sums(maps, side)
    pixels = np.maximum(parts.n, 1)
    value = parts.total / pixels
    spread = bin_sums(maps.assign(counts=noise), side).total / pixels**2
    # Where the noise is not known, the least positive value seen is the limit.
    least = np.array([plane[plane > 0].min(initial=np.inf) for plane in value])
    floor = np.where(np.isfinite(least), least, 1.0)[:, None, None]
    limit = np.where(spread > 0, LIMIT_SIGMAS * np.sqrt(spread), floor)
    low = value < limit
    value = np.where(low, BELOW_LIMIT * limit, value)
    logs = np.log(value)
    return make_map_set(
        logs - logs.mean(axis=0),
        [str(name) for name in maps["element"].values],
        variance=np.where(low, 0.0, spread / value**2),  # d ln x = dx / x
        valid=parts.n > 0,
        quantity="intensity",
    )


def _side(maps: xr.Dataset, noise: xr.DataArray) -> int:
    mean = np.asarray(maps["counts"].mean(("y", "x")).values, dtype=np.float64)
    typical = np.sqrt(np.asarray(noise.mean(("y", "x")).values, dtype=np.float64))
    with np.errstate(divide="ignore", invalid="ignore"):
        wished = typical / (MOST_RELATIVE_NOISE * mean)
    most = max(1, min(maps.sizes["y"], maps.sizes["x"]) // 16)
    # The median element decides: one trace part must not blur the whole field.
    return int(np.clip(np.ceil(np.nanmedian(wished)), 1, most))


def log_ratio_moments(
    maps: xr.Dataset, *, block_px: int, side_px: int | None = None
) -> tuple[BlockMoments, xr.Dataset]:
    """Return block moments of the log-ratios, and the log-ratio maps."""
    ratios = log_ratio_maps(maps, side_px=side_px)
    shrink = maps.sizes["x"] / ratios.sizes["x"]
    moments = block_moments(ratios, block_px=max(2, round(block_px / shrink)))
    parts = len(moments.elements)
    centring = np.eye(parts) - 1 / parts
    return replace(moments, noise=centring @ moments.noise @ centring), ratios


COLUMNS = (
    "element_a", "element_b", "r", "r_low", "r_high", "r_plain", "p_value",
    "overlap_a_in_b", "overlap_b_in_a", "p_holm", "p_shift", "p_effective", "effective_size",
    "p_fields", "basis", "note", "r_without_few", "r_without_few_low", "r_without_few_high",
    "variance_of_few",
)  # fmt: skip


def pair_table(
    moments: BlockMoments,
    *,
    maps: xr.Dataset | Sequence[xr.Dataset] | None = None,
    roles: Roles | None = None,
    settings: Settings | None = None,
    few: tuple[BlockMoments, dict[str, float]] | None = None,
) -> pd.DataFrame:
    """Return the co-location of every pair of elements."""
    order = _ordered(moments.elements, roles)
    pairs = list(combinations(order, 2))
    if not pairs:
        return pd.DataFrame({name: [] for name in COLUMNS})
    i, j = np.array(pairs).T
    table: dict[str, Any] = {
        "element_a": [moments.elements[k] for k in i],
        "element_b": [moments.elements[k] for k in j],
    }
    fields = as_fields(maps) if maps is not None else []
    table |= _correlation_columns(Resampling(moments, settings), i, j)
    basis, compared = moments, fields
    if moments.quantity in PERCENTS:
        table["note"] = [*map(_closed_note, table["note"])]
        if fields and len(moments.elements) > 2:
            basis, compared = _log_ratios(fields, moments.block_px)
            of_ratios = _correlation_columns(Resampling(basis, settings), i, j)
            table |= {n: of_ratios[n] for n in ("r", "r_low", "r_high", "p_fields", "note")}
    table |= _null_columns(basis, compared, i, j)
    table["basis"] = "maps" if basis is moments else "log-ratios"
    table |= dict.fromkeys(COLUMNS[-4:], np.nan)
    if few is not None and basis is moments:
        _without_few(table, few, settings)
    return pd.DataFrame(table, columns=list(COLUMNS))


def _without_few(
    table: dict[str, Any],
    few: tuple[BlockMoments, dict[str, float]],
    settings: Settings | None,
) -> None:
    """Add the correlations without the pixels that own a map, and say where they are others."""
    moments, owned = few
    names = list(zip(table["element_a"], table["element_b"], strict=True))
    mine = np.array([{a, b} & set(owned) != set() for a, b in names])
    i, j = np.array([[moments.index(e) for e in pair] for pair in names]).T
    found = _correlation_columns(Resampling(moments, settings), i, j)
    for end in ("", "_low", "_high"):
        table[f"r_without_few{end}"] = np.where(mine, found[f"r{end}"], np.nan)
    shares = [max(owned.get(a, 0.0), owned.get(b, 0.0)) for a, b in names]
    table["variance_of_few"] = np.where(mine, shares, np.nan)
    for k in np.flatnonzero(mine):
        one, other = (
            Estimate(*(float(table[f"{name}{end}"][k]) for end in ("", "_low", "_high")))
            for name in ("r", "r_without_few")
        )
        if one.disagrees(other, far=FAR):
            said = (
                f"the brightest {100 * FEW:.1g} % of the pixels hold {100 * shares[k]:.0f} % of "
                f"the variance of a map; without them r is {other.value:.2f}"
            )
            table["note"][k] = f"{table['note'][k]}; {said}" if table["note"][k] else said


def _closed_note(note: str) -> str:
    closed = "percentages sum to a whole, which alone makes them fall and rise against each other"
    return f"{note}; {closed}" if note else closed


def _log_ratios(
    fields: Sequence[xr.Dataset], block_px: int
) -> tuple[BlockMoments, list[xr.Dataset]]:
    found = [log_ratio_moments(field, block_px=block_px) for field in fields]
    moments = found[0][0]
    for more, _ in found[1:]:
        moments = moments.merge(more)
    return moments, [ratios for _, ratios in found]


def _correlation_columns(
    resampling: Resampling,
    i: Integers,
    j: Integers,
) -> dict[str, Any]:
    moments = resampling.moments
    totals = moments.totals()
    plain = without_noise(totals).resampled(resampling.once)[1]
    found = resampling.estimate(
        lambda w: correlations(totals.resampled(w)[1], i, j),
        elements=np.stack([i, j], axis=1),
        correlation=True,
    )
    variance, floor = variance_floor(totals)
    low, high = clipped(found)
    known = ~np.isnan(variance[i] + variance[j])
    notes = []
    for k, (a, b) in enumerate(zip(i, j, strict=True)):
        if not known[k]:
            notes.append(NOISE_UNKNOWN)
            continue
        names = (moments.elements[a], moments.elements[b])
        several = [
            variation_note(variance, floor, (a, b), names),
            FIELDS_NOTE if found.p_fields[k] < FIELDS_DISAGREE else "",
            "" if resampling.enough else TOO_FEW_BLOCKS,
        ]
        notes.append("; ".join(note for note in several if note))
    return {
        "r": np.where(known, np.clip(finite(found.value), -1, 1), np.nan),
        "r_low": np.where(known, low, np.nan),
        "r_high": np.where(known, high, np.nan),
        "r_plain": finite(correlations(plain, i, j))[0],
        "overlap_a_in_b": _overlap(totals, resampling, i, j),
        "overlap_b_in_a": _overlap(totals, resampling, j, i),
        "p_fields": found.p_fields,
        "note": notes,
    }


def _overlap(totals: Totals, resampling: Resampling, i: Integers, j: Integers) -> Floats:
    """Return the part of signal i that follows signal j, kept between 0 and 1."""
    mean, covariance = (part[0] for part in totals.resampled(resampling.once))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = covariance[i, j] / covariance[j, j] * mean[j] / mean[i]
    return np.where((covariance[j, j] > 0) & (mean[i] > 0), np.clip(share, 0, 1), np.nan)


def _null_columns(
    moments: BlockMoments,
    fields: list[xr.Dataset],
    i: Integers,
    j: Integers,
) -> dict[str, Any]:
    names = ("p_value", "p_shift", "p_effective", "effective_size")
    if not fields:
        columns = {name: np.full(i.size, np.nan) for name in names}
        columns["p_value"] = block_p_values(moments)[i, j]
        return columns | {"p_holm": adjusted(columns["p_value"], method="holm")}
    noise = np.nan_to_num(moments.noise.sum(axis=0) / moments.n.sum())
    found = pair_nulls(fields, length_px=moments.length_px, noise=noise)
    columns = {name: found[name][i, j] for name in names}
    return columns | {"p_holm": adjusted(columns["p_value"], method="holm")}


def _ordered(elements: tuple[str, ...], roles: Roles | None) -> list[int]:
    places = range(len(elements))
    if roles is None:
        return list(places)
    rank = {"alloy": 0, "substrate": 1, "other": 2}
    return sorted(places, key=lambda k: (rank[roles.of(elements[k])], k))

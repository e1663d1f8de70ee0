"""How an element lies with others: noise-corrected correlations of pixels or of small squares."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spattermap.colocation import noise_corrected_correlation, spatial_null
from spattermap.separation.evidence import UNKNOWN, Estimate
from spattermap.separation.gather import Context

if TYPE_CHECKING:
    from spattermap.moments import BlockMoments
    from spattermap.settings import Settings


def with_alloy_elements(
    context: Context, element: str, partners: tuple[str, ...], substrate: tuple[str, ...]
) -> tuple[Estimate, float]:
    """Return the correlation with the alloy, or with the substrate's shadow where it is alone."""
    if partners:
        return with_group(context, element, partners), _p_value(context, element, partners)
    if context.roles.of(element) == "alloy" and substrate:
        r = with_group(context, element, substrate)
        return Estimate(-r.value, -r.high, -r.low), _p_value(context, element, substrate)
    return UNKNOWN, float("nan")


def in_squares(context: Context, element: str, group: tuple[str, ...]) -> Estimate:
    """Return the correlation of counts summed over squares."""
    if context.squares is None or not group:
        return UNKNOWN
    return _r(context.squares, element, group, context.settings)


def known_better(one: Estimate, other: Estimate) -> Estimate:
    """Return the correlation of squares where it is known twice as well as that of pixels."""
    return other if other.known and (not one.known or 2.0 * other.width < one.width) else one


def with_group(context: Context, element: str, group: tuple[str, ...]) -> Estimate:
    """Return the correlation of single pixels with the sum of a group."""
    if not group:
        return UNKNOWN
    return _r(context.moments, element, group, context.settings)


def _r(moments: BlockMoments, element: str, group: tuple[str, ...], settings: Settings) -> Estimate:
    found = noise_corrected_correlation(moments, element, group, settings=settings)
    r = found.r if np.isnan(found.r) else float(np.clip(found.r, -1.0, 1.0))
    return Estimate(r, found.r_low, found.r_high)


def _p_value(context: Context, element: str, group: tuple[str, ...]) -> float:
    """Return the p-value of the spatial null of an element against the sum of others."""
    pairs = []
    for maps in context.fields:
        pair = maps[["counts"]].sel(element=[element, group[0]]).copy()
        pair["counts"] = pair["counts"].astype(np.float64)
        pair["counts"][1] = maps["counts"].sel(element=list(group)).sum("element")
        if "valid" in maps:
            pair["valid"] = maps["valid"]
        pairs.append(pair)
    return float(spatial_null(pairs, element, group[0]).p_value)

"""What a deposit looks like in numbers: coverage, sizes, shapes, spacing, and how it arrived."""

from __future__ import annotations

from spattermap.morphology.coverage import (
    Coverage,
    FieldsCoverage,
    coverage_interval,
    coverage_over_fields,
    fields_needed,
    t_multiplier,
    threshold_sensitivity,
    wilson_bounds,
)
from spattermap.morphology.result import Morphology, describe
from spattermap.morphology.sizes import (
    LognormalSizes,
    border_weights,
    cap_volume,
    droplets_needed,
    moment_mean,
    moment_mean_error,
    particles_needed,
    percentile,
    size_summary,
)

__all__ = [
    "Coverage",
    "FieldsCoverage",
    "LognormalSizes",
    "Morphology",
    "border_weights",
    "cap_volume",
    "coverage_interval",
    "coverage_over_fields",
    "describe",
    "droplets_needed",
    "fields_needed",
    "moment_mean",
    "moment_mean_error",
    "particles_needed",
    "percentile",
    "size_summary",
    "t_multiplier",
    "threshold_sensitivity",
    "wilson_bounds",
]

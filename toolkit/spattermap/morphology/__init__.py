"""What a deposit looks like in numbers: coverage, sizes, shapes, spacing, and how it arrived."""

from __future__ import annotations

from spattermap.morphology.arrival import Findings, evidence
from spattermap.morphology.coverage import (
    Coverage,
    coverage_interval,
    threshold_sensitivity,
    wilson_bounds,
)
from spattermap.morphology.enough import how_many_more
from spattermap.morphology.fields import (
    FieldsCoverage,
    coverage_over_fields,
    fields_needed,
    t_multiplier,
)
from spattermap.morphology.fits import SizeFit, fit_sizes, fit_table
from spattermap.morphology.means import (
    LognormalSizes,
    droplets_needed,
    moment_mean,
    moment_mean_error,
    particles_needed,
)
from spattermap.morphology.neighbours import (
    ClarkEvans,
    clark_evans,
    nearest_distances,
    pair_correlation,
    ripley_k,
)
from spattermap.morphology.pattern import Spacing, spacing
from spattermap.morphology.result import Morphology, describe
from spattermap.morphology.shapes import (
    Satellites,
    ellipse_circularity,
    satellites,
    shape_class,
    shape_shares,
)
from spattermap.morphology.sizes import (
    border_weights,
    cap_volume,
    masked_border_weights,
    percentile,
    size_summary,
    spread_ties,
)

__all__ = [
    "ClarkEvans",
    "Coverage",
    "FieldsCoverage",
    "Findings",
    "LognormalSizes",
    "Morphology",
    "Satellites",
    "SizeFit",
    "Spacing",
    "border_weights",
    "cap_volume",
    "clark_evans",
    "coverage_interval",
    "coverage_over_fields",
    "describe",
    "droplets_needed",
    "ellipse_circularity",
    "evidence",
    "fields_needed",
    "fit_sizes",
    "fit_table",
    "how_many_more",
    "masked_border_weights",
    "moment_mean",
    "moment_mean_error",
    "nearest_distances",
    "pair_correlation",
    "particles_needed",
    "percentile",
    "ripley_k",
    "satellites",
    "shape_class",
    "shape_shares",
    "size_summary",
    "spacing",
    "spread_ties",
    "t_multiplier",
    "threshold_sensitivity",
    "wilson_bounds",
]

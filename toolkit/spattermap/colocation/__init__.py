"""Co-location of elements from noise-corrected block moments."""

from spattermap.autocovariance import correlation_length_px
from spattermap.colocation.background import Background
from spattermap.colocation.coefficients import OverlapCoefficients, overlap_coefficients
from spattermap.colocation.correlation import Correlation, noise_corrected_correlation
from spattermap.colocation.effective import ModifiedTTest, modified_t_test
from spattermap.colocation.inference import infer_roles
from spattermap.colocation.lattice import LatticeStatistics, lattice_statistics
from spattermap.colocation.log_ratio import log_ratio_maps
from spattermap.colocation.multiple import adjusted
from spattermap.colocation.nulls import NullTest, shifted_correlations, spatial_null
from spattermap.colocation.pairs import pair_table
from spattermap.colocation.shares import (
    Share,
    share_in_droplets,
    share_in_shadow,
    share_with_alloy,
    shares,
)

__all__ = [
    "Background",
    "Correlation",
    "LatticeStatistics",
    "ModifiedTTest",
    "NullTest",
    "OverlapCoefficients",
    "Share",
    "adjusted",
    "correlation_length_px",
    "infer_roles",
    "lattice_statistics",
    "log_ratio_maps",
    "modified_t_test",
    "noise_corrected_correlation",
    "overlap_coefficients",
    "pair_table",
    "share_in_droplets",
    "share_in_shadow",
    "share_with_alloy",
    "shares",
    "shifted_correlations",
    "spatial_null",
]

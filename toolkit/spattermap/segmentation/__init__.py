"""Pixels to labels: metal likelihood, droplets, streaks, haze and cracks."""

from __future__ import annotations

from spattermap.segmentation.chain import segment
from spattermap.segmentation.result import Segmentation

__all__ = ["Segmentation", "segment"]

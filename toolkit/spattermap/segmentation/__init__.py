"""Pixels to labels: metal likelihood, droplets, streaks, haze and cracks."""

from __future__ import annotations

from spattermap.segmentation.result import Segmentation
from spattermap.segmentation.segment import segment

__all__ = ["Segmentation", "segment"]

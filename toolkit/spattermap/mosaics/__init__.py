"""Mosaics: map sets too large for memory, kept on disk in chunks and worked on piece by piece."""

from __future__ import annotations

from spattermap.mosaics.convert import convert

__all__ = ["convert"]

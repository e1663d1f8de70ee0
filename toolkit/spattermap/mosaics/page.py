"""The page of a mosaic."""

from __future__ import annotations

from spattermap.mosaics.chain import Parted
from spattermap.mosaics.result import Mosaic


def write_page(found: Mosaic, parted: Parted) -> None:
    """Write the page."""
    (found.folder / "report.html").write_text("")
    del parted

"""What every result shares: names in the map set's unit, the summary, the files."""

from __future__ import annotations

import functools
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr

from spattermap.core.files import csv_text
from spattermap.core.mapset import Roles, facts
from spattermap.core.settings import Settings

_VERSIONED = ("numpy", "scipy", "scikit-image", "xarray", "pandas", "numba", "xraydb", "hyperspy")
# Results that cannot be above one, by how their names start.
FRACTIONS = ("coverage", "share_", "kept_alloy", "largest_region_share", "sheet_conductance_ratio")


def in_unit(name: str, unit: str) -> str:
    """Return a column's name in the unit of the map set: um is never claimed where unknown."""
    if unit == "um":
        return name
    for ending in ("_um2", "_um", "_um_low", "_um_high"):
        if name.endswith(ending):
            return name.removesuffix(ending) + ending.replace("um", unit)
    return name


def tables_in_unit(table: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Return a table with the names of its columns in the unit of the map set."""
    return table.rename(columns=lambda name: in_unit(name, unit))


def scaled_streaks(streaks: pd.DataFrame, pixel_size: float) -> pd.DataFrame:
    """Return the table of streaks with lengths in the unit of `pixel_size`, columns in ``_um``."""
    table = streaks.copy()
    for name in [column for column in table.columns if column.endswith("_px")]:
        table[name] = table[name] * pixel_size
    return table.rename(
        columns=lambda name: name.removesuffix("_px") + "_um" * name.endswith("_px")
    )


def summary_of(
    maps: xr.Dataset,
    numbers: Mapping[str, Any],
    *,
    roles: Roles,
    notes: Sequence[str],
    settings: Settings,
    more: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return headline numbers with what they rest on, ready for ``summary.json``."""
    known = facts(maps)
    return {
        **_plain_values({in_unit(name, known.length_unit): v for name, v in numbers.items()}),
        "title": known.title,
        "quantity": known.quantity,
        "length_unit": known.length_unit,
        **(more or {}),
        "roles": {**roles.as_mapping(), "assumed": roles.assumed},
        "notes": list(notes),
        "settings": settings.to_dict(),
        "versions": dict(_versions()),
        "inputs": known.source.get("files", {}),
    }


def _plain_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return numpy scalars as Python's own, and what is not a number as None (JSON has no NaN)."""
    import math

    plain: dict[str, Any] = {}
    for name, value in values.items():
        item = value.item() if hasattr(value, "item") else value
        plain[name] = None if isinstance(item, float) and not math.isfinite(item) else item
    return plain


@functools.cache  # reading the metadata of a package takes milliseconds, and it cannot change
def _versions() -> dict[str, str]:
    """Return the versions of Python, Spattermap and the libraries behind the numbers."""
    import importlib.metadata
    import platform

    from spattermap import __version__

    found = {"python": platform.python_version(), "spattermap": __version__}
    for name in _VERSIONED:
        found[name] = importlib.metadata.version(name)
    return found


def write_files(
    folder: Path, summary: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]
) -> None:
    """Write a summary and tables into an existing folder, with the same line ends everywhere."""
    text = json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False)
    (folder / "summary.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    for name, table in tables.items():
        (folder / f"{name}.csv").write_text(csv_text(table), encoding="utf-8", newline="")

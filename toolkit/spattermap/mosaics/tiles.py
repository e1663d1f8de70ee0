"""The table of tiles: which map set lies where in a mosaic."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spattermap.errors import InputError, InputFileError

_COLUMNS = {"px": ("y_px", "x_px"), "um": ("y_um", "x_um")}


@dataclass(frozen=True)
class Tile:
    """One map set of a grid.

    Parameters
    ----------
    path : pathlib.Path
        The map set.
    y, x : float
        Its first pixel's outer corner, in the unit of the table.
    unit : {"px", "um"}
        Unit of `y` and `x`.
    row : int
        Line of the table it stands in, for messages.
    """

    path: Path
    y: float
    x: float
    unit: str
    row: int


def is_tile_table(path: Path) -> bool:
    r"""Return True for a CSV table whose header has ``path`` and a pair of positions.

    Parameters
    ----------
    path : pathlib.Path
        A file.

    Returns
    -------
    bool

    Examples
    --------
    >>> import tempfile
    >>> table = Path(tempfile.mkdtemp()) / "tiles.csv"
    >>> _ = table.write_text("path,y_px,x_px\na,0,0\nb,0,512\n")
    >>> is_tile_table(table), [tile.x for tile in read_tiles(table)]
    (True, [0.0, 512.0])
    """
    if path.suffix.lower() != ".csv" or not path.is_file():
        return False
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            header = {name.strip() for name in next(csv.reader(stream), [])}
    except (UnicodeDecodeError, csv.Error):
        return False
    return "path" in header and any(header & set(pair) for pair in _COLUMNS.values())


def read_tiles(table: Path) -> list[Tile]:
    """Read a table of tiles.

    Parameters
    ----------
    table : pathlib.Path
        CSV with the columns ``path`` (from the table's folder) and ``y_px, x_px`` or
        ``y_um, x_um``.

    Returns
    -------
    list of Tile

    Raises
    ------
    InputFileError
        If it cannot be read.
    InputError
        If columns are missing or a position is not a number.
    """
    try:
        with table.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream, skipinitialspace=True))
    except (OSError, UnicodeDecodeError, csv.Error) as problem:
        raise InputFileError(
            f"{table} must be a CSV table, got: {problem}. Save it as UTF-8 CSV."
        ) from problem
    header = {str(name).strip() for name in rows[0]} if rows else set()
    units = [unit for unit, pair in _COLUMNS.items() if header >= set(pair)]
    if not rows or "path" not in header or len(units) != 1:
        raise InputError(
            f"{table} must have rows and the columns path, y_px, x_px (or y_um, x_um), got "
            f"{', '.join(sorted(header)) or 'no rows'}. Give one pair of positions."
        )
    unit = units[0]
    return [_tile(row, unit, table, line) for line, row in enumerate(rows, start=2)]


def _tile(row: dict[str, Any], unit: str, table: Path, line: int) -> Tile:
    clean = {str(name).strip(): str(value or "").strip() for name, value in row.items()}
    values = []
    for name in _COLUMNS[unit]:
        try:
            value = float(clean[name])
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise InputError(
                f"{table}, line {line}: {name} must be a number ({unit}), got {clean[name]!r}. "
                "Correct the position."
            )
        values.append(value)
    if not clean["path"]:
        raise InputError(f"{table}, line {line}: path must name a map set, got nothing. Fill it.")
    return Tile(table.parent / clean["path"], values[0], values[1], unit, line)


def in_pixels(tile: Tile, pixel_size_um: float | None, table: Path) -> tuple[int, int]:
    """Return a tile's first row and column on the pixel grid, not yet shifted to zero.

    Parameters
    ----------
    tile : Tile
        The tile.
    pixel_size_um : float or None
        Side of a pixel (um).
    table : pathlib.Path
        For the message.

    Returns
    -------
    tuple of int

    Raises
    ------
    InputError
        If positions in um meet maps without a pixel size, or a position in px is not whole.
    """
    if tile.unit == "px":
        if not (tile.y.is_integer() and tile.x.is_integer()):
            raise InputError(
                f"{table}, line {tile.row}: y_px and x_px must be whole (px), got "
                f"{tile.y:g}, {tile.x:g}. Round them, or give y_um and x_um."
            )
        return int(tile.y), int(tile.x)
    if pixel_size_um is None:
        raise InputError(
            f"{table}: y_um and x_um need maps with a pixel size (um), got {tile.path.name} "
            "without one. State pixel_size_um in mapset.toml, or give y_px and x_px."
        )
    return round(tile.y / pixel_size_um), round(tile.x / pixel_size_um)


@dataclass(frozen=True)
class Place:
    """A tile on the mosaic's own grid: rows `top` to `bottom`, columns `left` to `right`."""

    tile: Tile
    top: int
    left: int
    bottom: int
    right: int

    def overlap(self, other: Place) -> tuple[int, int]:
        """Return the height and width (px) shared with another tile; zero where none is."""
        height = min(self.bottom, other.bottom) - max(self.top, other.top)
        width = min(self.right, other.right) - max(self.left, other.left)
        return (height, width) if height > 0 and width > 0 else (0, 0)


def refuse_overlaps(places: list[Place], table: Path) -> None:
    """Raise where two tiles share pixels.

    Parameters
    ----------
    places : list of Place
        The tiles.
    table : pathlib.Path
        For the message.

    Raises
    ------
    InputError
        Naming the first two that overlap, and by how much.
    """
    ordered = sorted(places, key=lambda one: (one.top, one.left))
    for k, one in enumerate(ordered):
        for other in ordered[k + 1 :]:
            if other.top >= one.bottom:
                break
            height, width = one.overlap(other)
            if height:
                raise InputError(
                    f"{table}: tiles must not overlap unless asked for, got line {one.tile.row} "
                    f"({one.tile.path.name}) and line {other.tile.row} ({other.tile.path.name}) "
                    f"sharing {width} x {height} px. Correct the positions, or pass --overlap "
                    'first (overlap="first") to keep the earlier line\'s pixels.'
                )

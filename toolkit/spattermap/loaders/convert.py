"""Any map set, or a grid of tiles, to one mosaic: a sharded Zarr store that opens at once.

The table of tiles: which map set lies where in a mosaic.
"""

from __future__ import annotations

import csv
import functools
import json
import math
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from spattermap.core.arrays import Array
from spattermap.core.errors import (
    InputError,
    InputFileError,
    OutputError,
    SpattermapWarning,
    one_of,
    refuse_endless,
)
from spattermap.core.files import decoded, is_there, refuse_input_as_out, staged_folder
from spattermap.core.grid import part_of
from spattermap.core.mapset import electron_images

_COLUMNS = {"px": ("y_px", "x_px"), "um": ("y_um", "x_um")}


@dataclass(frozen=True)
class Tile:
    """One map set of a grid."""

    path: Path  # the map set
    # its first pixel's outer corner, in the unit of the table
    y: float
    x: float
    unit: str  # unit of `y` and `x`
    row: int  # line of the table it stands in, for messages


def is_tile_table(path: Path) -> bool:
    r"""Return True for a CSV table whose header has ``path`` and a pair of positions."""
    if path.suffix.lower() != ".csv" or not is_there(path) or not path.is_file():
        return False
    try:
        with path.open("rb") as stream:
            line = (decoded(stream.read(2**16)).splitlines() or [""])[0]
        header = {name.strip() for name in next(csv.reader([line], delimiter=_sign(line)), [])}
    except (OSError, csv.Error):
        return False  # what reads it next says so
    return "path" in header and any(header & set(pair) for pair in _COLUMNS.values())


def _sign(header: str) -> str:
    """Return what parts the cells of a table, by its first line."""
    return max(",;\t", key=header.count)


def read_tiles(table: Path) -> list[Tile]:
    """Read a table of tiles."""
    try:
        refuse_endless(table, "a CSV table")
        lines = decoded(table.read_bytes()).splitlines(keepends=True)
        sign = _sign(lines[0] if lines else "")
        rows = list(csv.DictReader(lines, skipinitialspace=True, delimiter=sign))
    except (OSError, csv.Error) as problem:
        raise InputFileError(
            f"{table} must be a CSV table, got: {problem}. Save it as UTF-8 CSV."
        ) from problem
    if any("\0" in str(cell) for row in rows for cell in row.values()):
        raise InputFileError(
            f"{table} must be a CSV table, got null characters in it. Save it as UTF-8 CSV."
        )
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
            value = float(clean[name].replace(",", "."))  # a comma within a cell is of decimals
        except ValueError:
            value = math.nan
        if not abs(value) < MOST_FAR:
            raise InputError(
                f"{table}, line {line}: {name} must be a number ({unit}), got "
                f"{clean[name]!r}. "
                "Correct the position."
            )
        values.append(value)
    if not clean["path"]:
        raise InputError(f"{table}, line {line}: path must name a map set, got nothing. Fill it.")
    return Tile(table.parent / clean["path"], values[0], values[1], unit, line)


def in_pixels(tile: Tile, pixel_size_um: float | None, table: Path) -> tuple[int, int]:
    """Return a tile's first row and column on the pixel grid, not yet shifted to zero."""
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
    """Raise where two tiles share pixels."""
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


CHUNK_PX = 1024  # what is read at a time
SHARD_PX = 4096  # what is one file
MOST_FAR = 1e15  # beyond it, whole numbers are no longer told apart
IMAGES_LEFT_OUT = (
    "Electron images beyond the first, or of other pixels than the maps, are left out: a mosaic is "
    "drawn from its counts."
)
MOST_EMPTY = 100  # times as large as its tiles a mosaic may be, else a position is wrong
_MOST_OPEN = 4  # tiles held in memory at once
_FACTS = ("quantity", "pixel_size_um", "beam_energy_keV", "take_off_deg", "tilt_deg", "dose_nC",
          "alloy", "substrate", "process")  # fmt: skip


def convert(
    source: str | Path,
    out: str | Path,
    *,
    overlap: str = "refuse",
    chunk_px: int = CHUNK_PX,
    shard_px: int = SHARD_PX,
) -> Path:
    """Write a map set, or a grid of tiles, as one mosaic.

    Parameters
    ----------
    source : str or pathlib.Path
        Anything `spattermap.load` reads; or a CSV table with the columns ``path`` and
        ``y_px, x_px`` (or ``y_um, x_um``): the outer corner of each tile's first pixel.
    out : str or pathlib.Path
        New folder, usually ending in ``.zarr``.
    overlap : {"refuse", "first"}, optional
        Tiles that share pixels are an error, or the tile of the earlier line is kept: counts of
        two passes over one place are not added, because their sum would be another dose.
    chunk_px, shard_px : int, optional
        Side of a chunk (px), and of a file, a multiple of it.

    Returns
    -------
    pathlib.Path
        The folder; `spattermap.load` opens it, at once with ``chunks=``.

    Raises
    ------
    InputError, InputFileError
        If a tile cannot be read or contradicts another.
    OutputError
        If `out` exists.

    Notes
    -----
    Written shard by shard under a temporary name, then moved. Places that no tile covers are
    marked in ``valid``.
    """
    one_of(overlap, "overlap", ("refuse", "first"))
    if chunk_px < 1 or shard_px < chunk_px or shard_px % chunk_px:
        raise InputError(
            f"shard_px must be a multiple of chunk_px (px), got {shard_px} and {chunk_px}. "
            f"Leave both out, or take {CHUNK_PX} and {SHARD_PX}."
        )
    place = Path(source)
    refuse_input_as_out(out, (place,))
    _opened.cache_clear()  # files may have changed since the last call
    if is_there(Path(out)):
        raise OutputError(f"{out} must be a new folder, got an existing one. Choose another.")
    mosaic = _grid(place, overlap) if is_tile_table(place) else _single(place)
    with staged_folder(out) as stage:
        _write(mosaic, stage, chunk_px, shard_px)
    return Path(out)


@dataclass(frozen=True)
class _Mosaic:
    """What is to be written, and a way to read any part of it."""

    shape: tuple[int, int]
    elements: list[str]
    lines: list[str]
    attrs: dict[str, Any]
    dtypes: dict[str, np.dtype[Any]]
    read: Callable[[str, slice, slice], Array]


def _single(place: Path) -> _Mosaic:
    maps = _opened(place)

    _warn_of_images(maps)

    def read(name: str, rows: slice, columns: slice) -> Array:
        return _values(maps, name, rows, columns)

    return _Mosaic(
        shape=(maps.sizes["y"], maps.sizes["x"]),
        elements=[str(e) for e in maps["element"].values],
        lines=[str(line) for line in maps["line"].values],
        attrs=dict(maps.attrs),
        dtypes=_dtypes(maps),
        read=read,
    )


def _grid(table: Path, overlap: str) -> _Mosaic:
    from spattermap.loaders.contract import check_size

    tiles = read_tiles(table)
    first = _opened(tiles[0].path)
    _warn_of_images(first)
    dtypes = dict(_dtypes(first))
    corners: list[tuple[int, int, int, int]] = []
    for tile in tiles:
        maps = first if tile is tiles[0] else _opened(tile.path)
        _refuse_unlike(first, maps, f"{table}, line {tile.row} ({tile.path.name})", tiles[0].path)
        top, left = in_pixels(tile, maps.attrs.get("pixel_size_um"), table)
        corners.append((top, left, top + maps.sizes["y"], left + maps.sizes["x"]))
        dtypes = {n: np.promote_types(dtypes[n], kind) for n, kind in _dtypes(maps).items()}
    origin = np.array(corners)[:, :2].min(axis=0)
    shift = [*origin, *origin]
    places = [
        Place(tile, *(int(a - b) for a, b in zip(corner, shift, strict=True)))
        for tile, corner in zip(tiles, corners, strict=True)
    ]
    if overlap == "refuse":
        refuse_overlaps(places, table)
    shape = (max(p.bottom for p in places), max(p.right for p in places))
    covered = sum((p.bottom - p.top) * (p.right - p.left) for p in places)
    check_size((len(first["element"]), *shape), dtypes["counts"], table, lazy=True)
    if shape[0] * shape[1] > max(MOST_EMPTY * covered, 2**26):
        raise InputError(
            f"{table}: tiles must lie together, got {shape[0]:,} x {shape[1]:,} px of which they "
            f"cover one in {shape[0] * shape[1] // covered:,}. Correct the positions."
        )
    if covered < shape[0] * shape[1] or overlap == "first":
        dtypes["valid"] = np.dtype(bool)
    return _Mosaic(
        shape=shape,
        elements=[str(e) for e in first["element"].values],
        lines=[str(line) for line in first["line"].values],
        attrs=_joint_attrs(dict(first.attrs), table, tiles=len(tiles)),
        dtypes=dtypes,
        read=functools.partial(_read_grid, places, (len(first["element"]), dtypes)),
    )


def _read_grid(
    places: list[Place],
    kinds: tuple[int, dict[str, np.dtype[Any]]],
    name: str,
    rows: slice,
    columns: slice,
) -> Array:
    """Paste the tiles that reach into a part; the earlier line of the table lies on top."""
    n_elements, dtypes = kinds
    size = (rows.stop - rows.start, columns.stop - columns.start)
    shape = size if name in ("valid", "electron_image") else (n_elements, *size)
    out = np.zeros(shape, dtypes[name])
    window = Place(places[0].tile, rows.start, columns.start, rows.stop, columns.stop)
    for one in reversed(places):
        if not all(window.overlap(one)):
            continue
        top, left = max(one.top, rows.start), max(one.left, columns.start)
        bottom, right = min(one.bottom, rows.stop), min(one.right, columns.stop)
        here = (..., slice(top - rows.start, bottom - rows.start),
                slice(left - columns.start, right - columns.start))  # fmt: skip
        there = slice(top - one.top, bottom - one.top), slice(left - one.left, right - one.left)
        out[here] = _values(_opened(one.tile.path), name, *there)
    return out


@functools.lru_cache(maxsize=_MOST_OPEN)
def _opened(path: Path) -> xr.Dataset:
    from spattermap.loaders import load

    return load(path, chunks=CHUNK_PX)


def _values(maps: xr.Dataset, name: str, rows: slice, columns: slice) -> Array:
    if name == "valid" and name not in maps:
        return np.ones((rows.stop - rows.start, columns.stop - columns.start), dtype=bool)
    return part_of(maps[name], rows, columns)


def _dtypes(maps: xr.Dataset) -> dict[str, np.dtype[Any]]:
    return {
        name: maps[name].dtype
        for name in ("counts", "variance", "electron_image", "valid")
        if name in maps and "y" in maps[name].dims  # an image of its own grid has no place here
    }


def _warn_of_images(maps: xr.Dataset) -> None:
    """Warn of electron images that a mosaic does not take."""
    if set(electron_images(maps)) - set(_dtypes(maps)):
        warnings.warn(IMAGES_LEFT_OUT, SpattermapWarning, stacklevel=4)


def _refuse_unlike(first: xr.Dataset, maps: xr.Dataset, where: str, path: Path) -> None:
    """Raise where a tile cannot lie in one mosaic with the first."""
    found: dict[str, list[Any]] = {
        "elements": [[str(e) for e in one["element"].values] for one in (first, maps)],
        "lines": [[str(e) for e in one["line"].values] for one in (first, maps)],
        "arrays": [sorted(set(_dtypes(one)) - {"valid"}) for one in (first, maps)],
        **{name: [one.attrs.get(name) for one in (first, maps)] for name in _FACTS},
    }
    for name, (wanted, got) in found.items():
        if wanted != got:
            raise InputError(
                f"{where}: {name} must be those of the first tile ({path.name}), "
                f"{wanted!r}, got {got!r}. A mosaic is one deposit under one set of conditions: "
                "correct the tile or leave it out."
            )


def _joint_attrs(attrs: dict[str, Any], table: Path, *, tiles: int) -> dict[str, Any]:
    source = json.loads(attrs.get("source", "{}"))
    from spattermap.loaders.stack import sha256

    source["files"] = {table.name: sha256(table)}
    source["map_files"] = []
    source["notes"] = [*source.get("notes", []), f"{tiles} tiles joined after {table.name}"]
    return {**attrs, "title": table.stem, "source": json.dumps(source, sort_keys=True)}


def _write(mosaic: _Mosaic, folder: Path, chunk_px: int, shard_px: int) -> None:
    import zarr

    store = zarr.open_group(str(folder), mode="w", zarr_format=3)
    attrs = json.dumps(mosaic.attrs, sort_keys=True)
    store.attrs.update({"spattermap": 1, "attrs": attrs})
    targets = {name: _array(store, name, mosaic, chunk_px, shard_px) for name in mosaic.dtypes}
    for rows, columns in shards(mosaic.shape, shard_px):
        for name, target in targets.items():
            values = mosaic.read(name, rows, columns)
            _check(values, name, mosaic, (rows, columns))
            target[(..., rows, columns)] = values


def _array(store: Any, name: str, mosaic: _Mosaic, chunk_px: int, shard_px: int) -> Any:
    flat = name in ("electron_image", "valid")
    front = () if flat else (len(mosaic.elements),)
    ones = () if flat else (1,)
    target = store.create_array(
        name,
        shape=(*front, *mosaic.shape),
        dtype=mosaic.dtypes[name].str,  # one of two names of the same kind is unknown to Zarr
        chunks=(*ones, chunk_px, chunk_px),
        shards=(*ones, shard_px, shard_px),
        config={"write_empty_chunks": True},  # so that a lost chunk is not taken for zeros
    )
    if name == "counts":
        target.attrs["elements"] = mosaic.elements
        target.attrs["lines"] = mosaic.lines
    return target


def shards(shape: tuple[int, int], side: int) -> Iterator[tuple[slice, slice]]:
    """Return the rows and columns of every square of a grid, in raster order."""
    for top in range(0, shape[0], side):
        for left in range(0, shape[1], side):
            yield (
                slice(top, min(top + side, shape[0])),
                slice(left, min(left + side, shape[1])),
            )


def _check(values: Array, name: str, mosaic: _Mosaic, where: tuple[slice, slice]) -> None:
    """Refuse NaN before it is written: later, on the other end, nobody knows where it came from."""
    if values.dtype.kind == "f" and name != "electron_image" and not np.isfinite(values).all():
        if "valid" in mosaic.dtypes:
            return  # the reader of masked pixels looks only at the others
        rows, columns = where
        raise InputFileError(
            f"{name} must be finite, got NaN or infinity in rows {rows.start} to {rows.stop}, "
            f"columns {columns.start} to {columns.stop}. Mark unusable pixels in 'valid'."
        )

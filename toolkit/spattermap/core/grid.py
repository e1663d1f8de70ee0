"""How a field is cut into parts, where the parts' pictures are kept, and where pixels come from.

A small field is its own only part, its pictures kept in memory; a large one has many, kept on disk.
"""

from __future__ import annotations

import functools
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from spattermap.core.arrays import Array, Integers
from spattermap.core.errors import InputFileError
from spattermap.core.mapset import facts


@dataclass(frozen=True)
class Box:
    """Rows `top` to before `bottom`, columns `left` to before `right` of a field."""

    top: int
    left: int
    bottom: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.bottom - self.top, self.right - self.left

    @property
    def rows(self) -> slice:
        """The rows."""
        return slice(self.top, self.bottom)

    @property
    def columns(self) -> slice:
        """The columns."""
        return slice(self.left, self.right)

    def grown(self, margin: int, shape: tuple[int, int]) -> Box:
        """Return the box with a margin on every side that the field has."""
        return Box(
            max(0, self.top - margin),
            max(0, self.left - margin),
            min(shape[0], self.bottom + margin),
            min(shape[1], self.right + margin),
        )

    def inside(self, outer: Box) -> tuple[slice, slice]:
        """Return where this box lies within an array of the outer one."""
        return (
            slice(self.top - outer.top, self.bottom - outer.top),
            slice(self.left - outer.left, self.right - outer.left),
        )


@dataclass(frozen=True)
class Grid:
    """A field cut by straight lines."""

    # borders, from 0 to the size of the field (px)
    rows: tuple[int, ...]
    columns: tuple[int, ...]

    @classmethod
    def whole(cls, shape: tuple[int, int]) -> Grid:
        """Return the grid of one part."""
        return cls((0, shape[0]), (0, shape[1]))

    @classmethod
    def squares(cls, shape: tuple[int, int], side: int) -> Grid:
        """Return a grid of squares; those at the far edges are smaller."""
        rows, columns = ((*range(0, n, side), n) for n in shape)
        return cls(rows, columns)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the field."""
        return self.rows[-1], self.columns[-1]

    @property
    def across(self) -> int:
        """Number of parts side by side."""
        return len(self.columns) - 1

    def __len__(self) -> int:
        return (len(self.rows) - 1) * self.across

    def box(self, k: int) -> Box:
        """Return the k-th part, in raster order."""
        i, j = divmod(k, self.across)
        return Box(self.rows[i], self.columns[j], self.rows[i + 1], self.columns[j + 1])

    def at(self, y: Integers, x: Integers) -> Integers:
        """Return the part in which each pixel lies."""
        i = np.searchsorted(self.rows, y, side="right") - 1
        j = np.searchsorted(self.columns, x, side="right") - 1
        return np.asarray(i * self.across + j)

    def meeting(self, box: Box) -> list[int]:
        """Return the parts that reach into a box."""
        i0, i1 = np.searchsorted(self.rows, [box.top, box.bottom - 1], side="right") - 1
        j0, j1 = np.searchsorted(self.columns, [box.left, box.right - 1], side="right") - 1
        return [i * self.across + j for i in range(i0, i1 + 1) for j in range(j0, j1 + 1)]


class Store(ABC):
    """Pictures of a field kept part by part, and what every part must know."""

    @abstractmethod
    def put(self, name: str, k: int, picture: Array) -> None:
        """Keep the k-th part of a picture; a second writer of the same part does no harm."""

    @abstractmethod
    def part(self, name: str, k: int) -> Array:
        """Return the k-th part of a picture, not to be written to."""

    @abstractmethod
    def drop(self, *names: str) -> None:
        """Forget pictures that nobody needs any more."""

    @abstractmethod
    def keep(self, name: str, *arrays: Array) -> None:
        """Keep numbers that every worker needs to know."""

    @abstractmethod
    def recall_all(self, name: str) -> Sequence[Array]:
        """Return what `keep` was given."""

    def recall(self, name: str) -> Array:
        """Return the one array that `keep` was given."""
        (array,) = self.recall_all(name)
        return array

    def window(
        self, name: str, grid: Grid, box: Box, *, tables: Sequence[Any] | None = None
    ) -> Array:
        """Return any window of a picture, dims (y, x); `tables` say what a part's numbers mean.

        It is not to be written to: it may be the very picture that is kept.
        """
        out: Array | None = None
        for k in grid.meeting(box):
            here = grid.box(k)
            whole = self.whole_part(name, k) if here == box else None
            if whole is not None:
                return whole if tables is None else np.asarray(tables[k][whole])
            shared = Box(
                max(box.top, here.top),
                max(box.left, here.left),
                min(box.bottom, here.bottom),
                min(box.right, here.right),
            )
            values = self.part(name, k)[shared.inside(here)]
            if tables is not None:
                values = tables[k][values]
            if out is None:
                out = np.empty(box.shape, values.dtype)
            out[shared.inside(box)] = values
        assert out is not None
        return out

    def whole_part(self, name: str, k: int) -> Array | None:
        """Return the k-th part of a picture where it need not be copied, else None."""
        del name, k
        return None


class MemoryStore(Store):
    """Pictures in the memory of this process."""

    def __init__(self) -> None:
        self._parts: dict[str, dict[int, Array]] = {}
        self._kept: dict[str, Sequence[Array]] = {}

    def copy(self) -> MemoryStore:
        """Return a store with the same pictures, to which others may be added."""
        other = MemoryStore()
        other._parts = {name: dict(parts) for name, parts in self._parts.items()}
        other._kept = dict(self._kept)
        return other

    def put(self, name: str, k: int, picture: Array) -> None:
        """Keep the k-th part of a picture."""
        self._parts.setdefault(name, {})[k] = np.ascontiguousarray(picture)

    def part(self, name: str, k: int) -> Array:
        """Return the k-th part of a picture itself."""
        return self._parts[name][k]

    def whole_part(self, name: str, k: int) -> Array | None:
        """Return the k-th part of a picture itself."""
        return self.part(name, k)

    def drop(self, *names: str) -> None:
        """Forget pictures that nobody needs any more."""
        for name in names:
            self._parts.pop(name, None)

    def keep(self, name: str, *arrays: Array) -> None:
        """Keep numbers."""
        self._kept[name] = arrays

    def recall_all(self, name: str) -> Sequence[Array]:
        """Return what `keep` was given."""
        return self._kept[name]


@dataclass(frozen=True)
class DiskStore(Store):
    """Pictures on disk, as plain numbers: who can write there must not make us run anything."""

    folder: Path  # where they lie; every worker must reach it

    def put(self, name: str, k: int, picture: Array) -> None:
        """Write the k-th part of a picture; a second writer of the same part does no harm."""
        place = self.folder / name
        place.mkdir(exist_ok=True)
        part = place / f"{k}.npy"
        with (place / f".{k}.{id(picture):x}").open("wb") as stream:
            np.save(stream, picture)
        Path(stream.name).replace(part)

    def part(self, name: str, k: int) -> Array:
        """Return the k-th part of a picture, read when it is touched."""
        return np.asarray(np.load(self.folder / name / f"{k}.npy", mmap_mode="r"))

    def drop(self, *names: str) -> None:
        """Delete pictures that nobody needs any more."""
        import shutil

        for name in names:
            shutil.rmtree(self.folder / name, ignore_errors=True)

    def keep(self, name: str, *arrays: Array) -> None:
        """Write numbers that every worker needs to know."""
        # Numbers only, so nothing is pickled; before numpy 2.1 savez took no word on that.
        numbers: Any = {str(k): np.asarray(one) for k, one in enumerate(arrays)}
        assert not any(one.dtype.hasobject for one in numbers.values())
        with (self.folder / f".{name}").open("wb") as stream:
            np.savez(stream, **numbers)
        Path(stream.name).replace(self.folder / f"{name}.npz")

    def recall_all(self, name: str) -> Sequence[Array]:
        """Return what `keep` wrote; each process reads it once."""
        file = self.folder / f"{name}.npz"
        return _recalled(file, file.stat().st_mtime_ns)


@functools.lru_cache(maxsize=4)
def _recalled(file: Path, _written: int) -> Sequence[Array]:
    with np.load(file, allow_pickle=False) as held:
        return [held[str(k)] for k in range(len(held.files))]


def parts_of(shape: tuple[int, int], side: int) -> Grid:
    """Return a grid of squares whose last ones are never slivers."""

    def borders(n: int) -> tuple[int, ...]:
        inner = [at for at in range(side, n, side) if n - at >= side / 2]
        return (0, *inner, n)

    return Grid(borders(shape[0]), borders(shape[1]))


@dataclass(frozen=True)
class Stored:
    """A picture in a store, read window by window: index it with two slices, as an array."""

    store: Store  # where it lies
    grid: Grid  # how it was cut
    name: str | None  # its name; None is a picture of zeros
    to: Callable[[Array], Array]  # makes what is shown of what is stored

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.grid.shape

    def __getitem__(self, window: tuple[slice, slice]) -> Array:
        box = _box(window, self.shape)
        if self.name is None:
            return self.to(np.zeros(box.shape, np.int32))
        return self.to(self.store.window(self.name, self.grid, box))

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> Array:
        del copy  # always one
        return np.array(self[:, :], dtype=dtype)


_LOCK = threading.Lock()


@dataclass(frozen=True)
class Source:
    """A map set that is read part by part."""

    maps: xr.Dataset  # the map set, lazy or in memory
    # the store behind a lazy one, if it can be read without going through `maps`: with a hundred
    # thousand chunks, cutting a lazy array costs more than reading the part
    store: Path | None = None
    # True where the values are known to be allowed, as in a map set that was loaded into memory
    checked: bool = False

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.maps.sizes["y"], self.maps.sizes["x"]

    def has(self, name: str) -> bool:
        """Return True where the map set carries this array."""
        return name in self.maps

    def read(self, name: str, box: Box) -> Array:
        """Return a window of an array; all of `valid` where there is none."""
        if name == "valid" and name not in self.maps:
            return np.ones(box.shape, dtype=bool)
        if self.store is None:
            return part_of(self.maps[name], box.rows, box.columns)
        with _LOCK:  # the first of several threads opens it
            array = _opened(self.store, name)
        return np.asarray(array[(..., box.rows, box.columns)])

    def part(self, box: Box) -> xr.Dataset:
        """Return a window as a map set in memory."""
        maps = self.maps.isel(y=box.rows, x=box.columns)
        for name in ("counts", "variance", "electron_image", "valid"):
            if self.has(name) and "y" in self.maps[name].dims:
                maps[name] = (maps[name].dims, self.read(name, box))
        return maps

    def counts(self, box: Box) -> Array:
        """Return a window of the counts, checked as a whole map set is when it is loaded."""
        counts = self.read("counts", box)
        if self.checked:
            return counts
        used = counts[:, self.read("valid", box)] if self.has("valid") else counts
        if used.size:
            low, high = float(used.min()), float(used.max())
            least = 0.0 if facts(self.maps).quantity == "counts" else -np.inf
            if not (np.isfinite(low) and np.isfinite(high)) or low < least:
                raise InputFileError(
                    f"{self.store or 'maps'} must hold finite values of at least {least:g}, got "
                    f"{low:g} to {high:g} in rows {box.top} to {box.bottom}, columns {box.left} to "
                    f"{box.right}. Mark unusable pixels in 'valid'."
                )
        return counts


@dataclass(frozen=True)
class Windowed:
    """An array of a map set that is read window by window: index it with two slices."""

    source: Source
    name: str

    def __getitem__(self, window: tuple[slice, slice]) -> Array:
        return self.source.read(self.name, _box(window, self.source.shape))


def _box(window: tuple[slice, slice], shape: tuple[int, int]) -> Box:
    (top, bottom, _), (left, right, _) = (
        one.indices(n) for one, n in zip(window, shape, strict=True)
    )
    return Box(top, left, bottom, right)


def part_of(data: xr.DataArray, rows: slice, columns: slice) -> Array:
    """Return the values of some rows and columns of a plane or a stack.

    Dims: `data` (..., y, x).
    """
    cut = data.data[..., rows, columns]
    # In this thread: the caller decides how many parts are under way at once.
    return np.asarray(cut.compute(scheduler="synchronous") if hasattr(cut, "dask") else cut)


@functools.lru_cache(maxsize=16)
def _opened(store: Path, name: str) -> Any:
    import zarr

    return zarr.open_array(str(store / name), mode="r")

"""Where the pixels of a mosaic come from: read part by part, in any process."""

from __future__ import annotations

import functools
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from spattermap.errors import InputFileError
from spattermap.mapset import facts
from spattermap.mosaics.grid import Box

if TYPE_CHECKING:
    import xarray as xr

_LOCK = threading.Lock()


@dataclass(frozen=True)
class Source:
    """A map set that is read part by part.

    Parameters
    ----------
    maps : xarray.Dataset
        The map set, lazy or in memory.
    store : pathlib.Path or None
        The store behind a lazy one, if it can be read without going through `maps`: with a
        hundred thousand chunks, cutting a lazy array costs more than reading the part.
    """

    maps: xr.Dataset
    store: Path | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.maps.sizes["y"], self.maps.sizes["x"]

    def has(self, name: str) -> bool:
        """Return True where the map set carries this array."""
        return name in self.maps

    def read(self, name: str, box: Box) -> npt.NDArray[Any]:
        """Return a window of an array; all of `valid` where there is none."""
        if name == "valid" and name not in self.maps:
            return np.ones(box.shape, dtype=bool)
        if self.store is None:
            return part_of(self.maps[name], box.rows, box.columns)
        with _LOCK:  # the first of several threads opens it
            array = _opened(self.store, name)
        return np.asarray(array[(..., box.rows, box.columns)])

    def counts(self, box: Box) -> npt.NDArray[Any]:
        """Return a window of the counts, checked as a whole map set is when it is loaded."""
        counts = self.read("counts", box)
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


def part_of(data: xr.DataArray, rows: slice, columns: slice) -> npt.NDArray[Any]:
    """Return the values of some rows and columns of a plane or a stack.

    Parameters
    ----------
    data : xarray.DataArray, dims (..., y, x)
        numpy or dask.
    rows, columns : slice
        What to read.

    Returns
    -------
    numpy.ndarray
    """
    cut = data.data[..., rows, columns]
    # In this thread: the caller decides how many parts are under way at once.
    return np.asarray(cut.compute(scheduler="synchronous") if hasattr(cut, "dask") else cut)


@functools.lru_cache(maxsize=16)
def _opened(store: Path, name: str) -> Any:
    import zarr

    return zarr.open_array(str(store / name), mode="r")

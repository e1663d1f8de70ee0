"""Arrays that stay on disk: each part is read by opening the file, taking the part, closing it.

So nothing is left open (on Windows an open file cannot be moved), and a part can be read by
another process, which gets the path and not a handle.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.loaders.contract import readable

# Rows are read whole, because most files store them so: about this many pixels at a time.
_PART_PX = 2**23


@dataclass(frozen=True)
class TiffPage:
    """One page of a TIFF, dims (row, column) as stored."""

    path: Path
    page: int
    shape: tuple[int, int]
    dtype: np.dtype[Any]
    ndim: int = 2

    def __getitem__(self, part: Any) -> np.ndarray:
        """Return the part, in the machine's byte order."""
        import tifffile
        import zarr

        try:
            store = tifffile.imread(self.path, key=self.page, aszarr=True)
            try:
                array: Any = zarr.open(store, mode="r")
                return np.asarray(array[part]).astype(self.dtype, copy=False)
            finally:
                store.close()
        except Exception as problem:  # readers of damaged files raise anything at all
            raise readable(self.path, problem, what="a whole TIFF file") from problem


@dataclass(frozen=True)
class Hdf5Dataset:
    """One dataset of an HDF5 file."""

    path: Path
    name: str
    shape: tuple[int, ...]
    dtype: np.dtype[Any]

    @property
    def ndim(self) -> int:
        """Number of dimensions."""
        return len(self.shape)

    def __getitem__(self, part: Any) -> np.ndarray:
        """Return the part."""
        import h5py

        try:
            with h5py.File(self.path, "r") as file:
                return np.asarray(file[self.name][part])
        except Exception as problem:  # h5py raises OSError, KeyError, RuntimeError and more
            raise readable(self.path, problem, what="a readable HDF5 file") from problem


def lazily(source: TiffPage | Hdf5Dataset) -> Any:
    """Return a dask array that reads from a file part by part."""
    import dask.array as da

    rows = max(1, _PART_PX // max(1, int(np.prod(source.shape[-1:]))))
    chunks = (1,) * (source.ndim - 2) + (min(rows, source.shape[-2]), source.shape[-1])
    empty = np.empty((0,) * source.ndim, dtype=source.dtype)
    return da.from_array(source, chunks=chunks, lock=False, asarray=False, meta=empty, name=None)

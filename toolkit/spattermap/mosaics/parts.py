"""Parts of a map set, read when they are needed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt
    import xarray as xr


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

"""What a map set must hold: every rule of the data model, checked in one place."""

from __future__ import annotations

from typing import TYPE_CHECKING

from spattermap.checks import element_symbol, one_of
from spattermap.errors import InputError, InputTypeError

if TYPE_CHECKING:
    import xarray as xr

QUANTITIES = ("counts", "net_counts", "mass_percent", "atomic_percent", "intensity")


def validate(maps: xr.Dataset) -> xr.Dataset:
    """Return the map set unchanged if it obeys the data model, else raise.

    Parameters
    ----------
    maps : xarray.Dataset
        The candidate.

    Returns
    -------
    xarray.Dataset
        The same object.

    Raises
    ------
    InputTypeError
        If it is not a Dataset, or not numeric.
    InputError
        If a variable, dimension, coordinate or value is not allowed.

    Examples
    --------
    >>> import numpy as np
    >>> from spattermap import make_map_set
    >>> maps = make_map_set(np.ones((1, 2, 2)), ["Cu"])
    >>> validate(maps) is maps
    True
    """
    import xarray as xr

    if not isinstance(maps, xr.Dataset):
        raise InputTypeError(
            f"maps must be a map set (xarray.Dataset), got {type(maps).__name__}. "
            "Use spattermap.load(path) or spattermap.make_map_set(...)."
        )
    _check_layout(maps)
    _check_elements(maps)
    quantity = str(maps.attrs.get("quantity", "counts"))
    one_of(quantity, "quantity", QUANTITIES)
    _check_values(maps, quantity)
    return maps


def _check_layout(maps: xr.Dataset) -> None:
    if "counts" not in maps or maps["counts"].dims != ("element", "y", "x"):
        found = maps["counts"].dims if "counts" in maps else tuple(maps.data_vars)
        raise InputError(
            f"maps must hold 'counts' with dims ('element', 'y', 'x'), got {found}. "
            "Use spattermap.make_map_set(...) to build one."
        )
    wanted = {
        "variance": ("element", "y", "x"),
        "electron_image": ("y", "x"),
        "valid": ("y", "x"),
    }
    for name, dims in wanted.items():
        if name in maps and maps[name].dims != dims:
            raise InputError(
                f"{name} must have dims {dims}, got {maps[name].dims}. Transpose it first."
            )
    for name in ("counts", "variance", "electron_image"):
        if name in maps and maps[name].dtype.kind not in "uif":
            raise InputTypeError(
                f"{name} must be real numbers, got dtype {maps[name].dtype}. Export numbers."
            )


def _check_elements(maps: xr.Dataset) -> None:
    names = [str(name) for name in maps["element"].values]
    for name in names:
        element_symbol(name, "element")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(
            f"element must be unique, got {twice[0]!r} twice. "
            "Keep one line of each element, the one with more counts."
        )


def _check_values(maps: xr.Dataset, quantity: str) -> None:
    import numpy as np

    # A net map is a difference and may dip below zero, and noise takes other quantities there too;
    # a detector cannot count less than nothing.
    for name in ("counts", "variance"):
        if name not in maps or hasattr(maps[name].data, "dask"):
            continue  # a lazy stack is checked chunk by chunk where it is read
        least_allowed = 0.0 if name == "variance" or quantity == "counts" else -np.inf
        for element, plane in zip(maps["element"].values, maps[name].values, strict=True):
            used = plane[maps["valid"].values] if "valid" in maps else plane
            if used.size == 0:
                raise InputError("valid must leave at least one pixel, got none. Correct the mask.")
            low, high = float(used.min()), float(used.max())
            if not (np.isfinite(low) and np.isfinite(high)):
                raise InputError(
                    f"{name} of {element} must be finite, got NaN or infinity. "
                    "Mark unusable pixels in 'valid' instead."
                )
            if low < least_allowed:
                raise InputError(
                    f"{name} of {element} must not be negative where quantity is "
                    f'{quantity!r}, got {low:g}. State quantity = "net_counts" if a background '
                    "was subtracted."
                )

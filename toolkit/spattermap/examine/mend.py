"""What can be mended soundly: every change is a new map set, counts stay counts."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import xarray as xr

from spattermap.core.arrays import Array
from spattermap.core.mapset import valid_mask
from spattermap.examine.dose import LEAST_EXPOSURE
from spattermap.examine.finding import Mend

THINNING_SEED = 20_011  # the draw that thins is the same for the same maps


def mended(maps: xr.Dataset, mends: Iterable[Mend]) -> xr.Dataset:
    """Return a copy of a map set with mends applied, in their order."""
    for mend in mends:
        done = _MENDS.get(mend.kind)
        if done is not None:
            maps = done(maps, mend)
    return maps


def as_exported(blank: xr.Dataset, mends: Iterable[Mend]) -> xr.Dataset:
    """Return a blank with those mends of the maps that undo a habit of the export, not a fault."""
    have = [str(e) for e in blank["element"].values]
    for mend in mends:
        alike = mend.kind in ("intensity", "percent", "coarsen", "pixels")
        if mend.kind == "offset" and mend.subject in have:
            least = blank["counts"].values[have.index(mend.subject)].min()
            alike = bool(least >= mend.amount[0])
        if alike:
            blank = mended(blank, (mend,))
    return blank


def _mask(maps: xr.Dataset, mend: Mend) -> xr.Dataset:
    assert mend.pixels is not None
    return maps.assign(valid=(("y", "x"), valid_mask(maps) & ~mend.pixels))


def _place(maps: xr.Dataset, element: str) -> int:
    return [str(e) for e in maps["element"].values].index(element)


def _with(maps: xr.Dataset, name: str, place: int, plane: Array) -> xr.Dataset:
    values = np.array(maps[name].values)
    values[place] = plane
    return maps.assign({name: (maps[name].dims, values)})


def _offset(maps: xr.Dataset, mend: Mend) -> xr.Dataset:
    k = _place(maps, mend.subject)
    plane = np.asarray(maps["counts"].values[k])
    return _with(maps, "counts", k, plane - plane.dtype.type(mend.amount[0]))


def _shift(maps: xr.Dataset, mend: Mend) -> xr.Dataset:
    """Move one map by whole pixels and leave out what it then has no value for."""
    rows, columns = (int(v) for v in mend.amount)
    k = _place(maps, mend.subject)
    lost = np.zeros((maps.sizes["y"], maps.sizes["x"]), dtype=bool)
    if rows:
        lost[:rows] |= rows > 0
        lost[rows:] |= rows < 0
    if columns:
        lost[:, :columns] |= columns > 0
        lost[:, columns:] |= columns < 0
    for name in ("counts", "variance"):
        if name in maps:
            moved = np.roll(np.asarray(maps[name].values[k]), (rows, columns), (0, 1))
            maps = _with(maps, name, k, moved)
    return maps.assign(valid=(("y", "x"), valid_mask(maps) & ~lost))


def _expose(maps: xr.Dataset, mend: Mend) -> xr.Dataset:
    """Even out the dose of lines.

    Counts are thinned: each count of a line that saw the dose g is kept with the probability
    ``least / g``. What is left is Poisson with the lesser dose (Kingman, Poisson Processes (1993),
    5.1), so no later step need know. Lines that saw next to nothing are left out instead.
    """
    axis, factors = int(mend.amount[0]), np.array(mend.amount[1:])
    poor = factors < LEAST_EXPOSURE
    kept = np.where(poor, 1.0, factors)
    least = float(kept.min())
    part = np.minimum(least / kept, 1.0)
    part = part[:, None] if axis == 0 else part[None, :]
    values = np.asarray(maps["counts"].values)
    counted = str(maps.attrs.get("quantity", "counts")) == "counts" and "variance" not in maps
    if counted:
        rng = np.random.default_rng(THINNING_SEED)
        thinned = rng.binomial(values.astype(np.int64), np.broadcast_to(part, values.shape))
        values = thinned.astype(values.dtype)
    else:
        values = values * part
    out = maps.assign(counts=(maps["counts"].dims, values))
    if "variance" in out:
        out = out.assign(variance=out["variance"] * np.broadcast_to(part**2, values.shape))
    if poor.any():
        lost = np.zeros((maps.sizes["y"], maps.sizes["x"]), dtype=bool)
        lost[(poor, slice(None)) if axis == 0 else (slice(None), poor)] = True
        out = out.assign(valid=(("y", "x"), valid_mask(out) & ~lost))
    return out


def _as(quantity: str) -> Callable[[xr.Dataset, Mend], xr.Dataset]:
    def restated(maps: xr.Dataset, _mend: Mend) -> xr.Dataset:
        out = maps.copy()
        out.attrs = {**maps.attrs, "quantity": quantity}
        return out

    return restated


def _without_pixel_size(maps: xr.Dataset, _mend: Mend) -> xr.Dataset:
    out = maps.copy()
    out.attrs = {k: v for k, v in maps.attrs.items() if k != "pixel_size_um"}
    sides = {a: (a, np.arange(maps.sizes[a]) + 0.5, {"units": "px"}) for a in ("y", "x")}
    return out.assign_coords(sides)


def _coarsen(maps: xr.Dataset, _mend: Mend) -> xr.Dataset:
    """Take every second pixel of maps that were enlarged by repeating them."""
    out = maps.isel(y=slice(0, None, 2), x=slice(0, None, 2))
    out.attrs = dict(maps.attrs)
    if "pixel_size_um" in out.attrs:
        out.attrs["pixel_size_um"] = 2 * float(out.attrs["pixel_size_um"])
    side = float(out.attrs.get("pixel_size_um", 1.0))
    return out.assign_coords({
        a: (a, (np.arange(out.sizes[a]) + 0.5) * side, dict(maps[a].attrs)) for a in ("y", "x")
    })  # fmt: skip


_MENDS: dict[str, Callable[[Any, Mend], Any]] = {
    "mask": _mask,
    "offset": _offset,
    "shift": _shift,
    "expose": _expose,
    "intensity": _as("intensity"),
    "percent": _as("mass_percent"),
    "pixels": _without_pixel_size,
    "coarsen": _coarsen,
}

"""Map sets saved as netCDF by ``maps.to_netcdf(path, engine="h5netcdf")``."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import xarray as xr

from spattermap.core.errors import InputError, SpattermapError
from spattermap.core.mapset import facts
from spattermap.loaders import probe
from spattermap.loaders.contract import Request, Stack, check_size, readable
from spattermap.loaders.hdf5 import refuse_foreign

FORMAT = "netCDF map set"
ENDINGS = (".nc", ".nc4", ".netcdf")


def recognises(path: Path) -> bool:
    """Return True for a netCDF file."""
    return path.is_file() and path.suffix.lower() in ENDINGS


def read(path: Path, request: Request) -> Stack:
    """Read a map set that Spattermap or xarray wrote."""
    probe.start()
    import h5py

    try:
        probe.refuse_links(path, probe.require_harmless(path))
        with h5py.File(path, "r") as file:  # refuses damage more cleanly than what builds on it
            file.attrs.get("_nc3_strict")
            list(file)
            refuse_foreign(file, path)
        with xr.open_dataset(path, engine="h5netcdf", chunks={} if request.lazy else None) as maps:
            require_layout(maps, path, lazy=request.lazy)
            return from_dataset(maps if request.lazy else maps.load(), path, FORMAT)
    except SpattermapError:
        raise
    except Exception as problem:  # h5py, h5netcdf and xarray raise many kinds
        raise readable(path, problem, what="a readable netCDF file") from problem


def require_layout(maps: Any, path: Path, *, lazy: bool) -> None:
    """Refuse a dataset that is no map set, or is too large."""
    if "counts" not in maps or maps["counts"].dims != ("element", "y", "x"):
        raise InputError(
            f"{path} must hold 'counts' with dims (element, y, x), got "
            f"{', '.join(map(str, maps.data_vars)) or 'nothing'}. "
            "Save a map set with maps.to_netcdf(path)."
        )
    for name in maps.variables:
        check_size(maps[name].shape, maps[name].dtype, path, lazy=lazy)
        if name not in ("counts", "variance") and maps[name].size > maps["counts"].size:
            raise InputError(
                f"{path} must hold nothing larger than its counts, got {name} of shape "
                f"{maps[name].shape}. Save it with maps.to_netcdf(path)."
            )


def from_dataset(maps: Any, path: Path, format_name: str) -> Stack:
    """Return the stack of a map set that was saved as a dataset."""
    known = facts(maps)
    extra = {
        name: maps[name].data for name in ("variance", "electron_image", "valid") if name in maps
    }
    substrate: object = known.substrate
    if known.substrate and all(math.isnan(part) for part in known.substrate.values()):
        substrate = list(known.substrate)  # only the elements were stated
    return Stack(
        counts=maps["counts"].data,
        elements=[str(name) for name in maps["element"].values],
        lines=[str(name) for name in maps["line"].values] if "line" in maps.coords else (),
        format_name=format_name,
        files={path.name: path},
        map_files=[path.name] * maps.sizes["element"],
        pixel_size_um=known.pixel_size if known.length_unit == "um" else None,
        pixel_size_from=f"attributes of {path.name}",
        quantity=known.quantity,
        facts={
            "title": known.title or None,
            "beam_energy_keV": known.beam_energy_keV,
            "take_off_deg": known.take_off_deg,
            "tilt_deg": known.tilt_deg,
            "dose_nC": known.dose_nC,
            "alloy": known.alloy,
            "substrate": substrate,
            "process": known.process,
            "measured": known.measured,
        },
        source={"made_from": known.source} if known.source else {},
        **extra,
    )

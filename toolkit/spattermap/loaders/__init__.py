"""Files to map sets: one door, one file a format family.

The door asks the families in turn which of them knows the file (what each keeps to stands in
`contract`), and one place (`stack.finish`) applies the sidecar and validates.
"""

from __future__ import annotations

import importlib
import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spattermap.core.errors import (
    InputFileError,
    InputTypeError,
    SpattermapError,
    nearest,
)
from spattermap.core.files import is_there
from spattermap.core.progress import step

if TYPE_CHECKING:
    import xarray as xr

    from spattermap.core.grid import Source

__all__ = ["blank_path", "from_signal", "load", "load_blank", "open_parts"]

# The order matters only where one path could be two things.
FAMILIES = (
    "netcdf", "signals", "hdf5", "numpy_files", "zarr_store", "multipage", "text", "pictures",
    "folder",
)  # fmt: skip


def load(path: str | Path, *, chunks: Any = None, crop: bool = False) -> xr.Dataset:
    """Load a map set from files as the microscope exported them.

    Parameters
    ----------
    path : str or pathlib.Path
        A folder of single-element pictures, or one file that holds every map or spectrum.
    chunks : int, dict or "auto", optional
        None (default) reads at once. Anything else gives dask arrays with chunks of that many
        pixels in y and x, or as a dict by dimension.
    crop : bool, optional
        Cut maps that differ by one or two border pixels to their common size.

    Returns
    -------
    xarray.Dataset
        A map set: `counts` (element, y, x) in counts per pixel or what `quantity` says, and
        perhaps `variance`, `electron_image` and `valid`; coordinates in um, or px where no pixel
        size is known. What was read and assumed is in ``facts(maps).source``.

    Raises
    ------
    InputFileError
        If a file is missing, damaged, too large or of no known form.
    InputError, InputTypeError
        If files contradict each other or hold values that are not allowed.
    """
    from spattermap.loaders import contract, stack

    step("Reading the maps")
    read: dict[str, Path] = {}
    try:
        place = _existing(path)
        reader = _reader_for(place)
        sidecar_file, beside = stack.open_sidecar(place)
        request = contract.Request(chunks=chunks, crop=crop, sidecar=beside)
        read = _read_by(reader, place, request, sidecar_file)
        before = _states(read)
        with _quiet_libraries():
            found = reader.read(place, request)
            maps: xr.Dataset = stack.finish(found, place, sidecar_file, request)
        _refuse_changed(place, before, _states(read))
    except SpattermapError as problem:
        _refuse_empty(read, str(problem))
        raise
    except Exception as problem:
        if chunks is None:
            raise
        # What stays on disk is first read here, by its library, which raises anything at all.
        raise contract.readable(place, problem, what="readable to its end") from problem
    return maps


def open_parts(path: str | Path) -> Source:
    """Open a map set to be read part by part, as `spattermap.analyse` takes it.

    Parameters
    ----------
    path : str or pathlib.Path
        A mosaic as `spattermap.loaders.convert.convert` writes it, or anything else that `load`
        opens lazily.

    Raises
    ------
    InputFileError
        As `load` does.
    """
    from spattermap.core.grid import Source
    from spattermap.core.mapset import facts
    from spattermap.loaders.zarr_store import recognises

    place = Path(path)
    maps = load(place, chunks=1024)
    own = recognises(place) and (place / "counts" / "zarr.json").is_file()
    same = own and not any("divided" in note for note in facts(maps).source.get("notes", []))
    # Counts that were divided by a gain on opening are read through the map set.
    return Source(maps, place if same else None)


@contextmanager
def _quiet_libraries() -> Iterator[None]:
    """Keep reading libraries from logging what our one-line error says anyway."""
    loggers = [logging.getLogger(name) for name in ("hyperspy", "rsciio", "tifffile")]
    levels = [logger.level for logger in loggers]
    try:
        for logger in loggers:
            logger.setLevel(logging.CRITICAL)
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _existing(path: str | Path) -> Path:
    if not isinstance(path, (str, Path)):
        raise InputTypeError(
            f"path must be a file or folder name, got {type(path).__name__}. "
            "For a HyperSpy signal use spattermap.from_signal(signal)."
        )
    place = Path(path)
    try:
        there = "\0" not in str(path) and place.exists()
    except OSError as problem:  # a name longer than the system takes
        raise InputFileError(
            f"{str(path)[:80]}... must be an existing file or folder, got: {problem.strerror}. "
            "Check the spelling."
        ) from None
    if not there:
        siblings = [item.name for item in place.parent.iterdir()] if place.parent.is_dir() else []
        close = nearest(place.name, siblings) if place.name else None
        hint = f"Did you mean {close!r}?" if close else "Check the spelling."
        raise InputFileError(
            f"{path} must be an existing file or folder, got nothing there. {hint}"
        )
    if not os.access(place, os.R_OK | (os.X_OK if place.is_dir() else 0)):
        raise InputFileError(
            f"{path} must be readable, got no right to read it. Ask its owner, or copy the maps."
        )
    return place


def _reader_for(place: Path) -> Any:
    for name in FAMILIES:
        family = importlib.import_module(f"spattermap.loaders.{name}")
        if family.recognises(place):
            return family
    if place.is_dir():
        held = sorted(item.name for item in place.iterdir())
        found = ", ".join(held[:5]) + (" ..." if len(held) > 5 else "") if held else "nothing"
        step = next((f"Name what lies in it: {item}." for item in _known_in(place, held)),
                    "Export one picture or text grid an element into it.")  # fmt: skip
        raise InputFileError(
            f"{place} must hold element maps, for example Fe_Ka.tif and Si_Ka.tif, got {found}. "
            f"{step}"
        )
    step = _NEXT.get(
        place.suffix.lower(),
        "Export TIFF, text, HDF5, netCDF, Zarr or .hspy; or name the folder that holds the maps.",
    )
    raise InputFileError(
        f"{place} must be a file of a known form, got ending {place.suffix or 'none'!r}. {step}"
    )


_NEXT = {
    **dict.fromkeys((".zip", ".7z", ".rar", ".tar", ".gz", ".tgz"),
                    "Unpack it, and name the folder that holds the maps."),
    **dict.fromkeys((".xlsx", ".xls", ".ods"), "Save the sheet of each map as CSV."),
    **dict.fromkeys((".msa", ".emsa"), "It holds one spectrum: a map has one for every pixel."),
    ".raw": "Name the header that lies beside it, ending in .rpl.",
}  # fmt: skip


def _known_in(place: Path, names: list[str]) -> Iterator[Path]:
    """Yield what in a folder could be loaded by itself."""
    families = [importlib.import_module(f"spattermap.loaders.{name}") for name in FAMILIES]
    for name in names[:50]:
        item = place / name
        with suppress(OSError):
            if not name.startswith(".") and any(family.recognises(item) for family in families):
                yield item


def blank_path(path: str | Path) -> Path | None:
    """Return the blank that the sidecar of a map set names, or None.

    Parameters
    ----------
    path : str or pathlib.Path
        The map set, as given to `load`.

    Raises
    ------
    InputFileError
        If the sidecar cannot be read, or names a blank that is not there.
    """
    from spattermap.loaders import stack

    sidecar_file, beside = stack.open_sidecar(_existing(path))
    if sidecar_file is None or "blank" not in beside:
        return None
    blank = Path(beside["blank"])
    if is_there(blank) and blank.samefile(path):
        raise InputFileError(
            f"{sidecar_file}: blank must be another map set, of bare substrate, got this one. "
            "Correct the path, or remove the key."
        )
    if not is_there(blank):
        raise InputFileError(
            f"{sidecar_file}: blank must be an existing map set, got "
            f"{stack.path_from(blank, sidecar_file.parent)!r}, which is not there. Correct the "
            "path, which counts from the folder of that file, or remove the key."
        )
    return blank


def input_files(path: str | Path) -> dict[str, Path]:
    """Return the files (Zarr: the folder) that `load` reads, by the names it gives them."""
    from spattermap.loaders import contract, stack

    place = _existing(path)
    reader = _reader_for(place)
    sidecar_file, beside = stack.open_sidecar(place)
    return _read_by(reader, place, contract.Request(sidecar=beside), sidecar_file)


def _read_by(reader: Any, place: Path, request: Any, sidecar_file: Path | None) -> dict[str, Path]:
    """Return the files that a reader takes for a map set, the sidecar and its image among them."""
    find = getattr(reader, "files", None)
    found: dict[str, Path] = {place.name: place} if find is None else find(place, request)
    if sidecar_file is not None:
        found[sidecar_file.name] = sidecar_file
        if "electron_image" in request.sidecar:
            image = Path(request.sidecar["electron_image"])
            found[image.name] = image
    return found


def _states(files: dict[str, Path]) -> dict[str, tuple[int, ...]]:
    """Return what tells a file that was changed or replaced from one that was not."""
    states: dict[str, tuple[int, ...]] = {}
    for name, file in files.items():
        with suppress(OSError, ValueError):  # its reader says what is missing
            facts = file.stat()
            states[name] = (facts.st_mtime_ns, facts.st_size, facts.st_ino)
    return states


def _refuse_empty(read: dict[str, Path], said: str) -> None:
    """Say of a file that could not be read that it is empty, which its reader would not."""
    for name, file in read.items():
        if name in said and file.is_file() and not file.stat().st_size:
            raise InputFileError(
                f"{file} must hold data, got an empty file (0 bytes). Let it be copied or "
                "downloaded to the end, or export it again."
            )


def _refuse_changed(place: Path, before: dict[str, Any], after: dict[str, Any]) -> None:
    """Refuse maps of which some may be the old ones and some the new."""
    changed = sorted(name for name in before if before[name] != after.get(name))
    if changed:
        raise InputFileError(
            f"{place} must stay as it is while it is read, got {changed[0]} changed meanwhile. "
            "Wait until the export has ended, and repeat."
        )


def from_signal(signal: Any) -> xr.Dataset:
    """Turn a HyperSpy signal into a map set.

    Parameters
    ----------
    signal : hyperspy.signals.BaseSignal
        A spectrum cube (navigation y, x; energy in eV or keV), or a stack of maps.

    Returns
    -------
    xarray.Dataset
        A map set; net counts with `variance` where it was a spectrum cube.

    Raises
    ------
    InputTypeError
        If it is not a HyperSpy signal.
    InputError
        If its axes are not those of a map or a spectrum cube.
    """
    from spattermap.loaders import contract, signals, stack

    request = contract.Request()
    made = signals.from_signal(signal, request)
    maps: xr.Dataset = stack.finish(made, Path("signal"), None, request)
    return maps


def load_blank(path: str | Path) -> xr.Dataset | None:
    """Load the blank that the sidecar of a map set names, or return None where it names none.

    Parameters
    ----------
    path : str or pathlib.Path
        The map set, as given to `load`.

    Returns
    -------
    xarray.Dataset or None
        The bare substrate as a map set of its own.

    Raises
    ------
    InputError, InputTypeError, InputFileError
        As `load` and `blank_path` do.
    """
    blank = blank_path(path)
    return None if blank is None else load(blank)

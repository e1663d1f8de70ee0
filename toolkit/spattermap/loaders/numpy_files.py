"""NumPy files: ``.npy`` stacks and ``.npz`` archives; pickled objects are never loaded."""

from __future__ import annotations

import math
import zipfile
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.core.errors import InputError, InputFileError, SpattermapError
from spattermap.loaders import names
from spattermap.loaders.contract import (
    Request,
    Stack,
    check_ratio,
    check_size,
    readable,
    stacked_by_name,
)

FORMAT = "NumPy file"
MOST_HEADER = 10_000
ENDINGS = (".npy", ".npz")


def recognises(path: Path) -> bool:
    """Return True for a NumPy file."""
    return path.is_file() and path.suffix.lower() in ENDINGS


def read(path: Path, request: Request) -> Stack:
    """Read a stack or an archive of maps."""
    try:
        if path.suffix.lower() == ".npz":
            return _archive(path, request)
        data = open_npy(path, lazy=request.lazy)
    except SpattermapError:
        raise
    except Exception as problem:  # headers are parsed as text and fail in many ways
        raise unreadable(path, problem) from problem
    planes = names.to_planes(data, (), path)
    labels = names.single_plane_label(path.stem, planes.shape[0])
    return names.from_one_file(path, request, planes, labels, format_name="NumPy array")


def unreadable(path: Path, problem: Exception) -> InputFileError:
    """Return the one-line error for a NumPy file that cannot be read."""
    if "pickle" in str(problem).lower():
        return InputFileError(
            f"{path} must hold plain numbers, got pickled objects, which could run code and are "
            "never loaded. Save it with numpy.save(path, array, allow_pickle=False)."
        )
    return readable(path, problem, what="a whole NumPy file")


def open_npy(path: Path, *, lazy: bool) -> Any:
    """Return the array of a ``.npy`` file, mapped from disk and read only where used."""
    with path.open("rb") as stream:
        version = np.lib.format.read_magic(stream)
        place = stream.tell()
        length = int.from_bytes(stream.read(2 if version == (1, 0) else 4), "little")
        if length > MOST_HEADER:  # the library would allocate it before it reads
            raise InputFileError(
                f"{path} must have a header of at most {MOST_HEADER:,} bytes, got {length:,}. "
                "Save it again."
            )
        stream.seek(place)
        reader = (
            np.lib.format.read_array_header_1_0
            if version == (1, 0)
            else np.lib.format.read_array_header_2_0
        )
        shape, _, dtype = reader(stream)
        place = stream.tell()
    if dtype.hasobject:
        raise unreadable(path, ValueError("pickled objects"))
    check_size(shape, dtype, path, lazy=lazy)
    size, held = math.prod(shape) * dtype.itemsize, path.stat().st_size - place
    if held > size:  # too little is said by the library
        raise InputFileError(
            f"{path} must hold one array, got {held - size:,} bytes after the {size:,} that its "
            "header states. Save each array by itself."
        )
    mapped = np.load(path, mmap_mode="r", allow_pickle=False)  # fails where the file is too short
    return mapped if lazy else np.array(mapped)


def _archive(path: Path, request: Request) -> Stack:
    with zipfile.ZipFile(path) as archive:
        size = sum(item.file_size for item in archive.infolist())
        check_ratio(size, path.stat().st_size, path)
        check_size((size,), np.uint8, path, lazy=False)
    with np.load(path, allow_pickle=False) as held:
        if "counts" in held:
            return _named_stack(path, held, request)
        labels = [name for name in held.files if held[name].ndim == 2]
        kept = [name for name in labels if names.candidates(name)]
        planes = {name: held[name] for name in kept}
        extra = {"electron_image": held["electron_image"]} if "electron_image" in labels else {}
    if not kept:
        raise InputError(
            f"{path} must hold arrays named by element, got {', '.join(labels) or 'none'}. "
            "Save it with numpy.savez(path, Fe_Ka=array, ...)."
        )
    return names.from_one_file(
        path, request, stacked_by_name(planes, path), kept, parts=kept,
        format_name="NumPy archive", **extra,
    )  # fmt: skip


def _named_stack(path: Path, held: Any, request: Request) -> Stack:
    planes = names.to_planes(held["counts"], (), path)
    labels = [str(name) for name in np.atleast_1d(held["elements"])] if "elements" in held else []
    size = float(held["pixel_size_um"]) if "pixel_size_um" in held else None
    extra = {name: held[name] for name in ("variance", "electron_image", "valid") if name in held}
    return names.from_one_file(
        path, request, planes, labels, format_name="NumPy archive", pixel_size_um=size,
        pixel_size_from="pixel_size_um in the archive", **extra,
    )  # fmt: skip

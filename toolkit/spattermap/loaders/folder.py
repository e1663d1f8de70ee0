"""Folders with one element a file, as pictures, text grids or arrays: the commonest export."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.core.errors import (
    ELEMENT_SYMBOLS,
    InputError,
    InputFileError,
    SpattermapError,
    nearest,
)
from spattermap.core.files import is_there
from spattermap.loaders import display, names, numpy_files, pictures, signals, text
from spattermap.loaders.contract import SAME_SIZE, Request, Stack, stacked
from spattermap.loaders.pictures import readable_image
from spattermap.noise.noise_models import white_variance

FORMAT = "folder of single-element files"
# A border of one or two pixels is an export quirk; more is another field of view.
MOST_CROPPED = 2


@dataclass(frozen=True)
class _Map:
    """One picture of the folder with its reading."""

    file: Path
    element: str
    line: str
    picture: pictures.PictureFile


def recognises(path: Path) -> bool:
    """Return True for a folder that holds pictures, text grids or arrays."""
    return path.is_dir() and any(_maps_in(path))


def _maps_in(folder: Path) -> list[Path]:
    every = sorted(
        file for file in folder.iterdir() if not file.name.startswith(".") and file.is_file()
    )
    held = [file for file in every if _named_as_map(file)]
    drawn = {text.stem(file) for file in held if not text.is_text(file)}
    held = [f for f in held if not (text.stem(f) in drawn and _is_about(f))]
    return held or [file for file in every if file.suffix.lower() == ".rpl"]


def _is_about(file: Path) -> bool:
    """Return True for text beside a picture of its name that describes it: it holds no numbers."""
    return text.is_text(file) and not text.holds_rows(file)


def _with_parts(files: Sequence[Path]) -> dict[str, Path]:
    """Return files by name, and the raw numbers beside a header."""
    parts = [signals.files(f, Request()) if f.suffix.lower() == ".rpl" else {f.name: f}
             for f in files]  # fmt: skip
    return {name: part for one in parts for name, part in one.items()}


def _named_as_map(file: Path) -> bool:
    return file.suffix.lower() in (*pictures.ENDINGS, ".npy", ".hspy") or text.is_text(file)


def _skipped(folder: Path) -> list[str]:
    """Say by name what bears the name of a map but is no file that can be read."""
    said = []
    used = _maps_in(folder)
    for item in sorted(folder.iterdir()):
        if item.is_file() and text.is_text(item) and item not in used and item.name[0] != ".":
            said.append(f"{item.name} holds no numbers and was left out")
        if item.name.startswith(".") or item.is_file() or not _named_as_map(item):
            continue
        kind = "a folder" if item.is_dir() else "a broken link" if item.is_symlink() else "no file"
        said.append(f"Warning: {item.name} is {kind} and was skipped")
    return said


def _unread(folder: Path, used: Sequence[Path], elements: set[str]) -> list[str]:
    """Warn of files named as maps of elements that no map read is of, in a form that is not read.

    Such are what a browser or a cloud leaves in the place of a file (".Zn_Ka.tif.icloud"), links
    of Windows (".lnk"), packed pictures.
    """
    said = []
    for item in sorted(folder.iterdir()):
        away = item.name.startswith(".") and item.suffix == ".icloud"
        if item in used or (item.name[0] == "." and not away) or not item.is_file():
            continue
        first = item.name.strip(".").partition(".")[0]
        for one in names.candidates(item.name):
            named = one.certainty >= 3 or first == one.element
            if named and one.element not in elements:
                why = "is not on this machine: let it be downloaded" if away else "is not read"
                said.append(f"Warning: {item.name} is named as a map of {one.element} and {why}")
    return said


def _open(file: Path, *, lazy: bool) -> pictures.PictureFile:
    """Return the plane of one file, whatever its kind."""
    if file.suffix.lower() in pictures.ENDINGS:
        return pictures.open_picture(file, lazy=lazy)
    if text.is_text(file):
        grid, size, said = text.read_map(file)
        return pictures.PictureFile(grid, size, "the positions in the text", tuple(said))
    if file.suffix.lower() in (".hspy", ".rpl"):
        return _from_signal(file, lazy=lazy)
    try:
        data = numpy_files.open_npy(file, lazy=lazy)
    except SpattermapError:
        raise
    except Exception as problem:  # headers are parsed as text and fail in many ways
        raise numpy_files.unreadable(file, problem) from problem
    pictures.refuse_colour(file, data.shape, "")
    return pictures.PictureFile(pictures.numbers(data, file))


def _from_signal(file: Path, *, lazy: bool) -> pictures.PictureFile:
    """Return the one map of a HyperSpy file, or of raw numbers; its name is the file's."""
    request = Request(chunks="auto" if lazy else None, sidecar={"lines": {"H": ""}})
    found = signals.read(file, request)
    if len(found.elements) != 1:
        raise InputError(
            f"{file} must hold one map in a folder of single-element files, got "
            f"{len(found.elements)}. Load it by itself."
        )
    return pictures.PictureFile(
        found.counts[0], pixel_size_um=found.pixel_size_um, pixel_size_from=found.pixel_size_from
    )


def read(path: Path, request: Request) -> Stack:
    """Read every single-element file of a folder."""
    notes: list[str] = _skipped(path)
    files = _maps_in(path)
    electron = _electron_file(files, request, notes)
    readings = _name_all([f for f in files if not _is_electron(f, electron)], path, notes)
    notes += _unread(path, files, {named.element for _, named in readings})
    maps = [
        _Map(file, named.element, named.line, _open(file, lazy=request.lazy))
        for file, named in readings
    ]
    _refuse_twice(maps)
    image = None if electron is None else readable_image(electron, notes)
    planes, image_plane = _one_size(maps, image, path, request, notes)
    size, size_from = _one_scale(maps, path, notes)
    valid, quantity = _display(maps, planes, notes)
    used = _with_parts([one.file for one in maps])
    if electron is not None:
        used[electron.name] = electron
    return Stack(
        counts=stacked(planes),
        elements=[one.element for one in maps],
        lines=[one.line for one in maps],
        format_name=FORMAT,
        files=used,
        map_files=[one.file.name for one in maps],
        pixel_size_um=size,
        pixel_size_from=size_from,
        electron_image=image_plane,
        electron_pixel_um=None if image is None else image.pixel_size_um,
        valid=valid,
        quantity=quantity,
        notes=notes,
    )


def files(path: Path, request: Request) -> dict[str, Path]:
    """Return the files of a folder that are read."""
    held, notes = _maps_in(path), list[str]()
    electron = _electron_file(held, request, notes)
    named = _name_all([f for f in held if not _is_electron(f, electron)], path, notes)
    used = [file for file, _ in named] + ([electron] if electron is not None else [])
    return _with_parts(used)


def _display(
    maps: Sequence[_Map], planes: Sequence[Any], notes: list[str]
) -> tuple[Any, str | None]:
    """Return the pixels free of drawing, and the quantity where the pictures are for display."""
    valid = np.ones(planes[0].shape, dtype=bool)
    height, width = planes[0].shape
    for one in maps:
        if one.picture.valid is not None:
            valid &= one.picture.valid[:height, :width]
    quantity = "intensity" if any(one.picture.quantity for one in maps) else None
    grey = [plane for plane in planes if plane.dtype == np.uint8 and not hasattr(plane, "dask")]
    if quantity is None and len(grey) == len(planes) and _stretched(grey):
        notes.append(display.STRETCHED)
        quantity = "intensity"
        bar = np.logical_or.reduce([display.scale_bar(plane) for plane in grey])
        if bar.any():
            notes.append(f"{int(bar.sum())} pixels of a scale bar masked")
            valid &= ~bar
    return None if valid.all() else valid, quantity


def _stretched(planes: Sequence[np.ndarray]) -> bool:
    """Return True where every 8-bit map reaches 255, which counts of different lines do not."""
    if any(int(plane.max()) < np.iinfo(np.uint8).max for plane in planes):
        return False
    # One bright line may reach it by chance; counts then still scatter like counts.
    white = [white_variance(plane) / max(float(plane.mean()), 1e-9) for plane in planes]
    return len(planes) > 1 or not 0.8 < white[0] < 1.6


def _is_electron(file: Path, electron: Path | None) -> bool:
    return file == electron or names.is_electron_image(text.stem(file))


def _electron_file(files: Sequence[Path], request: Request, notes: list[str]) -> Path | None:
    stated = request.sidecar.get("electron_image")
    if stated is not None:
        file = Path(stated)
        if not is_there(file) or not file.is_file():
            close = nearest(file.name, [one.name for one in files])
            raise InputFileError(
                f"{file} must be the electron image the sidecar names, got no such file. "
                + (f"Did you mean {close!r}?" if close else "Correct electron_image.")
            )
        return next((one for one in files if one.resolve() == file.resolve()), file)
    found = [file for file in files if names.is_electron_image(text.stem(file))]
    if len(found) > 1:  # backscattered shows material, which is what a deposit is judged by
        found.sort(key=lambda file: "b" not in text.stem(file).lower())
        notes.append(
            f"electron image {found[0].name} used; ignored: "
            + ", ".join(file.name for file in found[1:])
            + " (state electron_image in mapset.toml to choose)"
        )
    return found[0] if found else None


def _name_all(files: Sequence[Path], folder: Path, notes: list[str]) -> list[tuple[Path, Any]]:
    """Return each file with its element; a name that is read two ways is refused."""
    every = {file: names.candidates(text.stem(file)) for file in files}
    shared = (
        set.intersection(
            *({one.element for one in found} for found in every.values() if found),
            *[set(ELEMENT_SYMBOLS)],
        )
        if len(files) > 1
        else set()
    )
    readings: list[tuple[Path, Any]] = []
    ignored: list[str] = []
    # "SI" among "Fe" and "Cu" is a picture's name, among "FE" and "CU" it is silicon.
    usual = any(one.certainty >= 2 for found in every.values() for one in found)
    capitals = [
        file for file in every if usual and text.stem(file).isupper() and len(text.stem(file)) == 2
    ]
    every |= {file: [] for file in capitals if all(one.certainty < 2 for one in every[file])}
    for file, found in every.items():
        unknown = names.looks_like_unknown_element(text.stem(file))
        if unknown and not any(one.certainty >= 3 for one in found):
            close = nearest(unknown, ELEMENT_SYMBOLS) if unknown.isascii() else None
            raise InputError(
                f"{file} must name a chemical element before the line, got {unknown!r}"
                + (". " if unknown.isascii() else ", in which letters are of another alphabet. ")
                + (f"Did you mean {close}? " if close else "")
                + "Rename the file, for example to Fe_Ka"
                + file.suffix
                + "."
            )
        # A symbol that stands in every name is the sample's ("Cu plate O", "Cu plate Si").
        left = [one for one in found if one.element not in shared] or found
        if len(left) > 1:
            raise InputError(
                f"{file} must name one element, got {' and '.join(one.element for one in left)}. "
                f"Rename it, for example to {left[-1].element}_Ka{file.suffix}."
            )
        if left:
            readings.append((file, left[0]))
        else:
            ignored.append(file.name)
    if not readings:
        raise InputFileError(
            f"{folder} must hold files named by element, for example Fe_Ka.tif, got "
            f"{', '.join(ignored[:5]) or 'electron images only'}. Rename the files, or name one "
            "that holds every map."
        )
    if ignored:
        notes.append("ignored, no element in the name: " + ", ".join(ignored))
    for file in capitals:
        if file.name in ignored:
            symbol = text.stem(file).capitalize()
            notes.append(
                f"Warning: {file.name} is left out: such a name stands for an electron image as "
                f"often as for {symbol}; rename it to {symbol}{file.suffix} if it is that element"
            )
    return readings


def _refuse_twice(maps: Sequence[_Map]) -> None:
    seen: dict[str, Path] = {}
    for one in maps:
        if one.element in seen:
            raise InputError(
                f"{one.file} must be the only map of {one.element}, got {seen[one.element].name} "
                "too. Keep one in the folder: of two lines that with more counts, of two copies "
                "the one that holds counts."
            )
        seen[one.element] = one.file


def _one_size(
    maps: Sequence[_Map],
    image: pictures.PictureFile | None,
    folder: Path,
    request: Request,
    notes: list[str],
) -> tuple[list[Any], Any]:
    """Return planes of one size, cropped where that was asked for."""
    every = {one.file.name: one.picture.data for one in maps}
    sizes = {name: tuple(int(n) for n in data.shape) for name, data in every.items()}
    if len(set(sizes.values())) == 1:
        return list(every.values()), None if image is None else image.data
    height, width = (min(size[axis] for size in sizes.values()) for axis in (0, 1))
    spread = max(max(size[0] - height, size[1] - width) for size in sizes.values())
    listed = ", ".join(f"{name} {size[0]} x {size[1]}" for name, size in sorted(sizes.items()))
    if spread > MOST_CROPPED or not (request.crop or request.sidecar.get("crop", False)):
        step = (
            "They differ by a border only: to cut to the common size use --crop (crop=True), or "
            "state crop = true in mapset.toml."
            if spread <= MOST_CROPPED
            else "Export every map over the same field with the same number of pixels."
        )
        raise InputError(
            f"{folder} must hold maps of one size (y x x pixels), got {listed}. {step}"
        )
    notes.append(f"cropped at right and bottom to {height} x {width}: {listed}")
    return (
        [data[:height, :width] for data in every.values()],
        # An image of a grid of its own is registered later; one as large as a map is cut alike.
        None
        if image is None
        else image.data[:height, :width]
        if tuple(image.data.shape) in sizes.values()
        else image.data,
    )


def _one_scale(maps: Sequence[_Map], folder: Path, notes: list[str]) -> tuple[float | None, str]:
    sizes = {one.file.name: one.picture.pixel_size_um for one in maps}
    known = {name: size for name, size in sizes.items() if size is not None}
    for one in maps:
        notes.extend(note for note in one.picture.notes if note not in notes)
    if not known:
        return None, ""
    low, high = min(known, key=lambda n: known[n]), max(known, key=lambda n: known[n])
    if known[high] - known[low] > SAME_SIZE * known[low]:
        raise InputError(
            f"{folder} must hold maps of one pixel size (um), got {known[low]:g} in {low} and "
            f"{known[high]:g} in {high}. Export every map over the same field."
        )
    return known[low], maps[0].picture.pixel_size_from or "resolution tags"

"""The one place where what a reader found becomes a map set: sidecar, checks, hashes, pictures."""

from __future__ import annotations

import hashlib
import os
import re
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.core.errors import (
    InputError,
    InputFileError,
    SpattermapWarning,
    unknown_name,
)
from spattermap.core.files import is_there
from spattermap.core.mapset import (
    electron_images,
    make_map_set,
    set_facts,
    validate,
    with_electron_image,
)
from spattermap.core.orientations import ORIENTATIONS, SIDEWAYS
from spattermap.core.sidecar import find_sidecar, read_sidecar
from spattermap.loaders import names
from spattermap.loaders.contract import SAME_SIZE, Request, Stack, check_size, readable, stacked
from spattermap.loaders.display import STRETCHED
from spattermap.loaders.pictures import readable_image
from spattermap.noise.noise_models import as_believed, lattice_gain, noise_model, without_gain

# What programs write where there is no value (common practice, no source).
_NO_DATA = (-999.0, -9999.0, -99999.0, -32768.0, -(2.0**31))
_LEAST_CLIPPED = 1024  # px; of fewer, some always stand at the ends of the scale


_DECIMALS = (
    "quantity not stated: values with decimals were taken as intensity, so that nothing that needs "
    'counts is claimed; state quantity = "counts" if they are counts'
)


def open_sidecar(path: Path) -> tuple[Path | None, dict[str, Any]]:
    """Return the sidecar's path and checked values; (None, {}) where there is none."""
    file = find_sidecar(path)
    if file is None:
        return None, {}
    beside = read_sidecar(file)
    if "lines" in beside:
        stated = beside["lines"].items()
        beside["lines"] = {element: _stated_line(file, element, text) for element, text in stated}
    return file, beside


def _stated_line(file: Path, element: str, text: str) -> str:
    """Return a line as the sidecar states it ("Sr La", or "La" alone), or refuse it."""
    from spattermap.loaders.names import line_name
    from spattermap.xrays.lines import lines_of, parse_line

    if not text.strip():
        return ""
    rest = text.strip()
    if rest[: len(element)].lower() == element.lower() and not rest[len(element) :][:1].isalnum():
        rest = rest[len(element) :].lstrip(" _-")
    elif rest[: len(element)] == element and line_name(rest) is None:
        rest = rest[len(element) :]  # "SrLa"
    line = line_name(re.sub(r"\s*(series|family|lines?)$", "", rest, flags=re.IGNORECASE))
    has = [one.family for one in lines_of(element)]
    try:
        known = line is not None and parse_line(f"{element} {line}")[1][:2] in {x[:2] for x in has}
    except InputError:
        known = False
    if not known:
        usual = next((family for family in has if family.endswith("a")), has[0])
        raise InputError(
            f"{file}: lines: {element} must be a line of {element}, got {text!r}. It has "
            f'{", ".join(has)}; write for example {element} = "{element} {usual}".'
        )
    return text if text.startswith(f"{element} ") else f"{element} {line}"


def finish(stack: Stack, path: Path, sidecar_file: Path | None, request: Request) -> Any:
    """Turn a stack and its sidecar into a validated map set."""
    beside = request.sidecar
    _refuse_no_maps(stack, path)
    if "electron_image" in beside and stack.electron_image is None:
        _add_electron_image(stack, Path(beside["electron_image"]), sidecar_file)
    for more in beside.get("more_electron_images", ()):
        stack.files[Path(more).name] = _stated_image(Path(more), sidecar_file)
    _turn(stack, beside, sidecar_file)
    size, size_from = _pixel_size(stack, path, sidecar_file, beside)
    quantity = _quantity(stack, beside, path)
    source = _source(stack, sidecar_file, beside, size_from)
    facts = {name: value for name, value in stack.facts.items() if value is not None}
    for name in ("title", "beam_energy_keV", "take_off_deg", "tilt_deg", "dose_nC", "background",
                 "alloy", "substrate", "process", "measured"):  # fmt: skip
        if name in beside:
            facts[name] = beside[name]
    facts.setdefault("title", path.stem if path.is_file() else path.resolve().name)
    # Where pixels are masked, NaN may stand in them; only their reader can tell.
    least = None if stack.valid is not None else 0.0 if quantity == "counts" else -np.inf
    spread = None if stack.valid is not None else 0.0
    try:
        maps = make_map_set(
            _chunked(stack.counts, request, path, least),
            stack.elements,
            lines=_lines(stack, beside, sidecar_file),
            pixel_size_um=size,
            variance=None
            if stack.variance is None
            else _chunked(stack.variance, request, path, spread),
            valid=stack.valid,
            quantity=quantity,
            **facts,
        )
    except InputError as problem:
        raise InputError(f"{path}: {problem}") from problem
    maps, gains = _in_counts(maps, beside)
    maps = _with_images(maps, stack, beside)
    maps, doubts = as_believed(maps)
    taken = "quantity not stated: whole numbers were taken as counts"
    source["notes"] = [
        note
        for note in stack.notes
        if not (gains and note in (STRETCHED, _DECIMALS)) and not (doubts and note == taken)
    ]
    source["notes"] += gains + [f"Warning: {why}; taken as intensity" for why in doubts]
    set_facts(maps, source=source)
    for note in source["notes"]:
        if note.startswith("Warning: "):
            warnings.warn(f"{path.name}: {note[9:]}", SpattermapWarning, stacklevel=4)
    return validate(maps)


def _refuse_no_maps(stack: Stack, path: Path) -> None:
    if stack.counts.ndim != 3 or 0 in stack.counts.shape:
        raise InputError(
            f"{path} must hold maps with at least one pixel, got shape "
            f"{tuple(stack.counts.shape)}. Export it again."
        )
    if stack.counts.dtype.kind not in "uif":
        raise InputError(
            f"{path} must hold real numbers, got type {stack.counts.dtype}. Export the numbers."
        )


def _source(
    stack: Stack, sidecar_file: Path | None, beside: Mapping[str, Any], size_from: str
) -> dict[str, Any]:
    """Return where everything came from, with the hashes of all files."""
    files = dict(stack.files)
    if sidecar_file is not None:
        files[sidecar_file.name] = sidecar_file
    source = {
        **stack.source,
        "format": stack.format_name,
        "files": {name: sha256(files[name]) for name in sorted(files)},
        "map_files": list(stack.map_files),
        "pixel_size_from": size_from,
        "quantity_from": "sidecar" if "quantity" in beside else "file" if stack.quantity else "",
        "notes": list(stack.notes),
        "dtype": str(stack.counts.dtype),
    }
    if "blank" in beside and sidecar_file is not None:
        source["blank"] = path_from(Path(beside["blank"]), sidecar_file.parent)
    return source


def _in_counts(maps: Any, beside: Mapping[str, Any]) -> tuple[Any, list[str]]:
    """Divide by a hidden gain where one is proven and nobody said that these are not counts."""
    if beside.get("quantity", "counts") != "counts" or "variance" in maps:
        return maps, []
    if str(maps.attrs["quantity"]) not in ("counts", "intensity") or not _may_hide_gain(maps):
        return maps, []
    counted = without_gain(maps)
    if counted is maps:
        return maps, []
    return counted, [
        f"{model.element}: counts times {model.gain:.6g} recognised, and divided by it"
        for model in noise_model(maps)
        if model.kind == "scaled counts"
    ]


def _may_hide_gain(maps: Any) -> bool:
    """Return False at once for the usual case, judged by a sample of each map."""
    data = maps["counts"].data
    if hasattr(data, "dask"):  # a window, so that a mosaic is not read whole to open it
        cut = [slice((n - 256) // 2 if n > 256 else 0, (n + 256) // 2) for n in data.shape[1:]]
    else:
        cut = [slice(None, None, max(1, n // 256)) for n in data.shape[1:]]
    sample = np.asarray(data[:, cut[0], cut[1]])
    gains = [lattice_gain(plane.astype(np.float64)) for plane in sample]
    return any(gain is not None and gain != 1.0 for gain in gains)


def _add_electron_image(stack: Stack, file: Path, sidecar_file: Path | None) -> None:
    """Read the electron image that the sidecar names beside a one-file map set."""
    image = readable_image(_stated_image(file, sidecar_file), stack.notes)
    if image is not None:
        stack.electron_image, stack.electron_pixel_um = image.data, image.pixel_size_um
        stack.files[file.name] = file


def _stated_image(file: Path, sidecar_file: Path | None) -> Path:
    """Return the file that a sidecar names, which must be there."""
    if not is_there(file) or not file.is_file():
        raise InputFileError(
            f"{sidecar_file}: electron_image must be a file, got {file.name!r}, which is not "
            "there. Correct the name."
        )
    return file


def _with_images(maps: Any, stack: Stack, beside: Mapping[str, Any]) -> Any:
    """Return the map set with its electron images, each on a grid of its own if it has one."""
    if stack.electron_image is None:
        return maps
    try:
        maps = with_electron_image(
            maps, stack.electron_image, pixel_size_um=stack.electron_pixel_um
        )
    except InputError as problem:
        stack.notes.append(f"Warning: the electron image is left out: {problem}")
    for more in beside.get("more_electron_images", ()):
        image = readable_image(Path(more), stack.notes)
        if image is not None:
            maps = with_electron_image(maps, image.data, pixel_size_um=image.pixel_size_um)
    stack.notes.extend(_clipped(maps))
    return maps


def _clipped(maps: Any) -> list[str]:
    """Warn of electron images whose grey values were cut off."""
    from spattermap.segment.image_grid import CLIPPED_LIMIT, clipped_part, without_caption

    notes = []
    for name in electron_images(maps):
        if hasattr(maps[name].data, "dask") or maps[name].size < _LEAST_CLIPPED:
            continue  # a mosaic is not read whole to open it
        part = clipped_part(without_caption(np.asarray(maps[name].values))[0])
        if part > CLIPPED_LIMIT:
            notes.append(
                f"Warning: {part:.0%} of the pixels of the {name.replace('_', ' ')} stand at one "
                "end of its grey scale: no cracks are looked for there. Lower its contrast when "
                "you take it."
            )
    return notes


def path_from(place: Path, folder: Path) -> str:
    """Return a path as written from a folder, so that the same data give the same bytes."""
    try:
        return Path(os.path.relpath(place, folder.resolve())).as_posix()
    except ValueError:  # another drive
        return place.name


def _pixel_size(
    stack: Stack, path: Path, sidecar_file: Path | None, beside: Mapping[str, Any]
) -> tuple[float | None, str]:
    stated = beside.get("pixel_size_um")
    read = stack.pixel_size_um
    if stated is None:
        return read, stack.pixel_size_from if read is not None else "not stated"
    if read is not None and abs(stated - read) > SAME_SIZE * read:
        raise InputError(
            f"{path}: pixel_size_um must be one value (um), got {read:g} from "
            f"{stack.pixel_size_from} and {stated:g} from {sidecar_file}. "
            "Correct the one that is wrong, or remove it."
        )
    return float(stated), "sidecar"


def _quantity(stack: Stack, beside: Mapping[str, Any], path: Path) -> str:
    stated = beside.get("quantity")
    if not stated and stack.quantity is None:
        stack.quantity = names.percent(stack.map_files)
        if stack.quantity:
            stack.notes.append(f"quantity {stack.quantity} by the names of the maps")
    quantity = stated or stack.quantity
    if quantity:
        return str(quantity)
    _refuse_unexplained_negatives(stack, path)
    if not _whole_numbers(stack.counts):
        stack.notes.append(_DECIMALS)
        return "intensity"
    stack.notes.append("quantity not stated: whole numbers were taken as counts")
    return "counts"


def _refuse_unexplained_negatives(stack: Stack, path: Path) -> None:
    if stack.counts.dtype.kind == "u" or hasattr(stack.counts, "dask"):
        return
    for element, plane in zip(stack.elements, stack.counts, strict=True):
        lowest = float(np.fmin.reduce(plane, axis=None))  # NaN where there is no number at all
        if lowest in _NO_DATA and np.count_nonzero(plane == lowest) > 1:
            raise InputError(
                f"{path}: the map of {element} must have a number in every pixel, got {lowest:g} "
                f"in {np.count_nonzero(plane == lowest):,}, which stands for no data. "
                "Export the whole field, or the part of it that was mapped."
            )
        if lowest < 0:
            raise InputError(
                f"{path}: the map of {element} must not be negative unless the quantity is stated, "
                f'got {lowest:g}. Write quantity = "net_counts" in mapset.toml if '
                "a background was subtracted, else export raw counts."
            )


def _whole_numbers(counts: Any) -> bool:
    """Tell counts saved as decimals (3.0) from values that never were counts."""
    if counts.dtype.kind in "ub" or counts.dtype.kind == "i":
        return True
    if hasattr(counts, "dask"):
        return False
    return all(bool(np.all(np.isfinite(plane) & (plane == np.rint(plane)))) for plane in counts)


def _turn(stack: Stack, beside: Mapping[str, Any], sidecar_file: Path | None) -> None:
    """Undo the orientations that the sidecar confirms."""
    for element, how in beside.get("orientation", {}).items():
        if element not in stack.elements:
            raise InputError(unknown_name(f"{sidecar_file}: orientation", element, stack.elements))
        height, width = stack.counts.shape[1:]
        if how in SIDEWAYS and height != width:
            raise InputError(
                f"{sidecar_file}: orientation: {element} must keep its shape, got {how!r} for a "
                f"map of {width} x {height} px. Only square maps can be put on their side."
            )
        place = list(stack.elements).index(element)
        for name in ("counts", "variance"):
            planes = getattr(stack, name)
            if planes is not None:
                turned = [ORIENTATIONS[how][1](p) if k == place else p
                          for k, p in enumerate(planes)]  # fmt: skip
                setattr(stack, name, stacked(turned))
        stack.notes.append(f"{element}: orientation changed as stated ({how})")


def _lines(stack: Stack, beside: Mapping[str, Any], sidecar_file: Path | None) -> list[str]:
    lines = list(stack.lines) or [""] * len(stack.elements)
    if len(lines) != len(stack.elements):
        raise InputError(
            f"maps must have one X-ray line each, got {len(lines)} lines for "
            f"{len(stack.elements)} maps. Export it again."
        )
    for element, line in beside.get("lines", {}).items():
        if element not in stack.elements:
            raise InputError(unknown_name(f"{sidecar_file}: lines", element, stack.elements))
        place = list(stack.elements).index(element)
        if lines[place] and not _same_line(lines[place], line):
            raise InputError(
                f"{sidecar_file}: lines: {element} must agree with the file name, got {line!r} "
                f"and {lines[place]!r}. Correct the one that is wrong."
            )
        lines[place] = line
    return lines


def _same_line(one: str, other: str) -> bool:
    """Return True where two line names agree as far as both go ("Fe K" with "Fe Ka1")."""
    a, b = (text.replace(" ", "").lower() for text in (one, other))
    return a.startswith(b) or b.startswith(a)


def _chunked(array: Any, request: Request, path: Path, least: float | None) -> Any:
    """Return the array in memory, or in checked chunks; `least` None leaves values unchecked."""
    if not request.lazy:
        check_size(array.shape, array.dtype, path, lazy=False)
        if not hasattr(array, "dask"):
            return array
        try:
            return array.compute(scheduler="threads")  # not on a cluster's own workers
        except Exception as problem:  # the reader's error surfaces here for what was left on disk
            raise readable(path, problem, what="a whole file") from problem
    import dask.array as da

    sizes = request.chunks
    if isinstance(sizes, Mapping):
        sizes = tuple(
            sizes.get(name, array.shape[axis]) for axis, name in enumerate(("element", "y", "x"))
        )
    elif isinstance(sizes, int):
        sizes = (1, sizes, sizes)
    lazy = array.rechunk(sizes) if hasattr(array, "dask") else da.from_array(array, chunks=sizes)
    if least is None:
        return lazy
    return lazy.map_blocks(_checked, str(path), least, dtype=lazy.dtype, meta=lazy._meta)


def _checked(block: Any, where: str, least: float) -> Any:
    """Return a part of a lazy stack once its values are found to be allowed."""
    if block.size:
        low, high = float(block.min()), float(block.max())
        if not (np.isfinite(low) and np.isfinite(high)) or low < least:
            raise InputError(
                f"{where} must hold finite values of at least {least:g}, got {low:g} to {high:g}. "
                'State quantity = "net_counts" if a background was subtracted.'
            )
    return block


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file, or of the names and contents below a folder."""
    if path.is_dir():  # a Zarr store is a folder: hash what is in it, in the order of names
        total = hashlib.sha256()
        for file in sorted(item for item in path.rglob("*") if item.is_file()):
            total.update(f"{file.relative_to(path).as_posix()}\0{sha256(file)}\n".encode())
        return total.hexdigest()
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()

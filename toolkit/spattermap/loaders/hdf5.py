"""HDF5: NeXus ``NXdata`` by its own signposts, and plain files by a stated dataset path."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.core.errors import InputError, InputFileError, SpattermapError
from spattermap.loaders import names, probe
from spattermap.loaders.contract import (
    SAME_SIZE,
    Request,
    Stack,
    check_ratio,
    check_size,
    readable,
    square_pixel,
    stacked_by_name,
)
from spattermap.loaders.ondisk import Hdf5Dataset, lazily

FORMAT = "HDF5"
ENDINGS = (".h5", ".hdf5", ".hdf", ".nxs", ".nx5")
_UM_PER = {"um": 1.0, "µm": 1.0, "μm": 1.0, "micron": 1.0, "micrometer": 1.0, "micrometre": 1.0,
           "nm": 1e-3, "mm": 1e3, "m": 1e6}  # fmt: skip


def recognises(path: Path) -> bool:
    """Return True for an HDF5 or NeXus file."""
    return path.is_file() and path.suffix.lower() in ENDINGS


def read(path: Path, request: Request) -> Stack:
    """Read maps from an HDF5 file."""
    probe.start()
    import h5py

    try:
        links = probe.require_harmless(path)
        with h5py.File(path, "r") as file:
            return _read(file, path, request, links)
    except SpattermapError:
        raise
    except Exception as problem:  # h5py raises OSError, KeyError, RuntimeError and more
        raise readable(path, problem, what="a readable HDF5 file") from problem


def _refuse_leaving(group: Any, names_in_it: Sequence[str], path: Path) -> None:
    """Refuse names that may lead into another file, where a file is known to have such links."""
    import h5py

    for name in names_in_it:
        here = group.file if name.startswith("/") else group
        for part in name.strip("/").split("/"):
            link = here.get(part, getlink=True) if part and isinstance(here, h5py.Group) else None
            if link is None:
                break
            if not isinstance(link, h5py.HardLink):
                probe.refuse_links(path, (f"{here.name}/{part}",))
            here = here[part]


def _read(file: Any, path: Path, request: Request, links: Sequence[str]) -> Stack:
    import h5py

    stated = request.sidecar.get("dataset")
    if stated is not None:
        if links:
            _refuse_leaving(file, [stated], path)
        if stated not in file:
            raise InputError(
                f"{path} must hold the dataset the sidecar names, got no {stated!r}. "
                f"It holds: {', '.join(_listed(file)) or 'nothing'}."
            )
        place = file[stated]
        if isinstance(place, h5py.Dataset):
            return _stack(place, (), [], path, request)
        return _group_of_maps(place, path, request)
    group = _default_nxdata(file)
    if group is not None:
        if links:
            _refuse_leaving(group, [*group, _text(group.attrs.get("signal", "data"))], path)
        return _nxdata(group, path, request)
    grids = [item for item in _datasets(file) if item.ndim == 3]
    if len(grids) == 1:
        return _stack(grids[0], (), [], path, request)
    if not grids:
        return _group_of_maps(file, path, request)
    raise InputError(
        f"{path} must say which dataset holds the maps, got {', '.join(_listed(file))}. "
        'State it in mapset.toml: dataset = "/path".'
    )


def _datasets(group: Any) -> Iterator[Any]:
    """Yield numeric datasets, without following links out of the file."""
    import h5py

    for name in group:
        if not isinstance(group.get(name, getlink=True), h5py.HardLink):
            continue  # soft links repeat; external ones would read other files
        item = group[name]
        if isinstance(item, h5py.Group):
            yield from _datasets(item)
        elif isinstance(item, h5py.Dataset) and item.dtype.kind in "uif":
            yield item


def _listed(group: Any) -> list[str]:
    return [f"{item.name} {item.shape}" for item in _datasets(group)][:6]


def _text(value: Any) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _class(group: Any) -> str:
    return _text(group.attrs.get("NX_class", ""))


def _default_nxdata(file: Any) -> Any:
    """Follow ``default`` attributes to an NXdata group, else take the only one there is."""
    import h5py

    here = file
    for _ in range(10):  # a loop of defaults must end
        if _class(here) == "NXdata":
            return here
        name = _text(here.attrs.get("default", ""))
        if not name or not isinstance(here.get(name, getlink=True), h5py.HardLink):
            break
        here = here[name]
        if not isinstance(here, h5py.Group):
            break
    found: list[Any] = []

    def note(_: str, item: Any) -> None:
        if isinstance(item, h5py.Group) and _class(item) == "NXdata":
            found.append(item)

    file.visititems(note)
    return found[0] if len(found) == 1 else None


def _nxdata(group: Any, path: Path, request: Request) -> Stack:
    import h5py

    signal = _text(group.attrs.get("signal", "data"))
    if signal not in group or not isinstance(group[signal], h5py.Dataset):
        raise InputError(
            f"{path} must hold the signal its NXdata names, got no {signal[:80]!r} in "
            f"{group.name}. Correct the signal attribute."
        )
    axes = [_text(axis) for axis in np.atleast_1d(group.attrs.get("axes", []))]
    labels: list[str] = []
    _refuse_unlike_axes(group, group[signal], axes, path)
    for axis in axes:
        item = group.get(axis)
        if isinstance(item, h5py.Dataset) and item.ndim == 1 and item.dtype.kind in "OSU":
            labels = [_text(value) for value in guarded(item, path)]
    stack = _stack(group[signal], axes, labels, path, request)
    sizes = [_step(group[axis], path) for axis in axes if axis in ("x", "y") and axis in group]
    known = [size for size in sizes if size is not None]
    if known:
        stack.pixel_size_um = square_pixel(known, path)
        stack.pixel_size_from = f"axes of {group.name}"
    stack.format_name = "NeXus NXdata"
    stack.notes += [
        f"axis {axis} falls along the array: rows and columns were kept as stored"
        for axis in axes
        if axis in ("x", "y") and axis in group and _falls(group[axis], path)
    ]
    title = group.get("title")
    if isinstance(title, h5py.Dataset) and title.ndim == 0:
        stack.facts["title"] = _text(guarded(title, path))
    errors = group.get(f"{signal}_errors", group.get("errors"))
    if isinstance(errors, h5py.Dataset) and errors.shape == group[signal].shape:
        stack.variance = names.to_planes(
            np.asarray(guarded(errors, path), dtype=float) ** 2, axes, path
        )
    return stack


def _refuse_unlike_axes(group: Any, signal: Any, axes: Sequence[str], path: Path) -> None:
    """Refuse an axis that is not as long as the array along it, before it is read."""
    for place, axis in enumerate(axes[: signal.ndim]):
        item = group.get(axis)
        length = getattr(item, "shape", None)
        if length is None or len(length) != 1:
            continue
        if length[0] not in (signal.shape[place], signal.shape[place] + 1):
            raise InputError(
                f"{path} must have axes as long as its signal, got {length[0]:,} values of "
                f"{axis!r} along {signal.shape[place]:,}. Export it again."
            )


def _falls(axis: Any, path: Path) -> bool:
    """Return True where a coordinate gets smaller along the array."""
    _refuse_outside(axis, path)
    return axis.ndim == 1 and axis.size > 1 and axis.dtype.kind in "uif" and axis[0] > axis[-1]


def _step(axis: Any, path: Path) -> float | None:
    """Return the spacing of an axis in um, None where it is uneven or without a length unit."""
    unit = _UM_PER.get(_text(axis.attrs.get("units", "")).strip().lower())
    if unit is None or axis.ndim != 1 or axis.size < 2 or axis.dtype.kind not in "uif":
        return None
    values = np.asarray(guarded(axis, path), dtype=float)
    gaps = np.abs(np.diff(values))
    even = np.isfinite(gaps).all() and gaps.max() - gaps.min() <= SAME_SIZE * gaps.min()
    return float(gaps.mean()) * unit if even and gaps.min() > 0 else None


def _stack(dataset: Any, axes: Any, labels: list[str], path: Path, request: Request) -> Stack:
    data = _values(dataset, path, request)
    planes = names.to_planes(data, axes, path)
    for name in ("elements", "element", "lines", "channels"):
        if not labels and name in dataset.attrs:
            labels = [_text(value) for value in np.atleast_1d(dataset.attrs[name])]
    labels = labels or names.single_plane_label(path.stem, planes.shape[0])
    return names.from_one_file(
        path, request, planes, labels, parts=[dataset.name] * len(planes), format_name=FORMAT,
        source={"dataset": dataset.name},
    )  # fmt: skip


def refuse_foreign(file: Any, path: Path) -> None:
    """Refuse a file of which any data set takes its numbers from other files.

    And one whose list of axes is not as long as its dims: the library writes beyond its end.
    """
    import h5py

    def look(_: str, item: Any) -> None:
        if not isinstance(item, h5py.Dataset):
            return
        _refuse_outside(item, path)
        if "DIMENSION_LIST" in item.attrs:
            found = item.attrs.get_id("DIMENSION_LIST").shape
            if found != (item.ndim,):
                raise InputFileError(
                    f"{path} must name one axis for each of the {item.ndim} dims of {item.name}, "
                    f"got a list of shape {found}. Export it again."
                )

    file.visititems(look)


def _refuse_outside(dataset: Any, path: Path) -> None:
    if dataset.external or dataset.is_virtual:
        raise InputFileError(
            f"{path} must hold its own data, got links to other files in {dataset.name}. "
            "Export one file."
        )


def guarded(dataset: Any, path: Path, *, lazy: bool = False) -> Any:
    """Return all of a data set, in the one way in which any is read: its claims looked at first."""
    _refuse_outside(dataset, path)
    check_size(dataset.shape, dataset.dtype, path, lazy=lazy)
    check_ratio(int(dataset.nbytes), path.stat().st_size, path)
    if lazy:
        return lazily(Hdf5Dataset(path, dataset.name, dataset.shape, dataset.dtype))
    return dataset[()]


def _values(dataset: Any, path: Path, request: Request) -> Any:
    if dataset.dtype.kind not in "uif":
        raise InputError(
            f"{path} must hold numbers in {dataset.name}, got type {dataset.dtype}. Export numbers."
        )
    # Conventions of netCDF (CF 1.8, 8.1 and 2.5.1): what is stored is not what is meant.
    for name, nothing in (("scale_factor", 1), ("add_offset", 0)):
        value = np.ravel(dataset.attrs.get(name, nothing))
        if value.size != 1 or value[0] != nothing:
            raise InputFileError(
                f"{path} must hold numbers as they are meant in {dataset.name}, got {name} "
                f"{value[:1]}. Export the values, or name the file .nc if it is netCDF."
            )
    data = guarded(dataset, path, lazy=request.lazy)
    gap = np.ravel(dataset.attrs.get("_FillValue", 0))
    if not request.lazy and gap.size == 1 and gap.dtype.kind in "uif" and gap[0] != 0:
        missing = int(np.count_nonzero(data == gap[0]))
        if missing:
            raise InputFileError(
                f"{path} must have a number in every pixel of {dataset.name}, got {missing:,} of "
                f"its fill value {gap[0]:g}. Export the whole field."
            )
    return data


def _group_of_maps(group: Any, path: Path, request: Request) -> Stack:
    """Read a group in which each two-dimensional dataset is named by its element."""
    held: dict[str, Any] = {}
    for item in _datasets(group):
        name = item.name.rsplit("/", 1)[-1]
        if item.ndim == 2 and name in held and names.candidates(name):
            raise InputError(
                f"{path} must hold one map of each name, got {held[name].name} and {item.name}. "
                f'State which group in mapset.toml: dataset = "{held[name].parent.name}".'
            )
        held |= {name: item} if item.ndim == 2 else {}
    kept = [name for name in held if names.candidates(name) and not names.is_electron_image(name)]
    if not kept:
        raise InputError(
            f"{path} must hold an NXdata group, or datasets named by element, got "
            f"{', '.join(_listed(group)) or 'nothing'}. "
            'State which in mapset.toml: dataset = "/path".'
        )
    planes = {name: _values(held[name], path, request) for name in kept}
    electron = next((held[name] for name in held if names.is_electron_image(name)), None)
    return names.from_one_file(
        path, request, stacked_by_name(planes, path), kept, parts=kept, format_name=FORMAT,
        electron_image=None if electron is None else guarded(electron, path),
    )  # fmt: skip

"""HyperSpy signals: spectrum cubes and stacks of maps, from files and from memory.

HyperSpy files opened without building what they describe.

HyperSpy trusts its own files: it imports the package a file names, evaluates axes stored as
formulas, and rebuilds models from pickled functions, so that opening a foreign file can run code.
Here a file is read into plain dictionaries first; only the data, uniform axes and the few facts
that maps need are taken over into a signal.
"""

from __future__ import annotations

import io
import logging
import math
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.core.errors import InputError, InputFileError, InputTypeError, SpattermapError
from spattermap.loaders import names, probe, spectra, zarr_store
from spattermap.loaders.contract import (
    Request,
    Stack,
    check_ratio,
    check_size,
    readable,
    square_pixel,
)
from spattermap.loaders.hdf5 import refuse_foreign

_ACQUISITION = "Acquisition_instrument"
_FACTS = (
    ("General", "title"),
    ("Sample", "elements"),
    ("Sample", "xray_lines"),
    *((_ACQUISITION, name, "beam_energy") for name in ("SEM", "TEM")),
    *((_ACQUISITION, name, "Detector", "EDS", "energy_resolution_MnKa") for name in ("SEM", "TEM")),
)
_AXIS = {"name": str, "units": str, "scale": float, "offset": float, "size": int, "navigate": bool}
_UNIFORM = "UniformDataAxis"
LEAST_CHANNELS = 20  # of a spectrum
MOST_HEADER_BYTES = 2**20


def open_signals(path: Path) -> list[Any]:
    """Return the signals of a ``.hspy`` file or ``.zspy`` folder, their data left on disk."""
    import importlib

    from hyperspy.io import dict2signal

    reader = importlib.import_module(f"rsciio.{path.suffix.lower().lstrip('.')}")
    held = reader.file_reader(str(path), lazy=True)
    return [dict2signal(_clean(one, path), lazy=True) for one in held if "data" in one]


def _clean(held: Mapping[str, Any], path: Path) -> dict[str, Any]:
    """Return the dictionary of a signal with nothing in it that could be built or run."""
    metadata: dict[str, Any] = {}
    for place in _FACTS:
        value = _plain(_at(held.get("metadata"), place))
        if value is None:
            continue
        inner = metadata
        for key in place[:-1]:
            inner = inner.setdefault(key, {})
        inner[place[-1]] = value
    stacked = _at(held.get("original_metadata"), ("stack_elements",))
    titles = {}
    for k, part in enumerate(stacked.values() if isinstance(stacked, Mapping) else ()):
        title = _plain(_at(part, ("metadata", "General", "title")))
        titles[f"element{k}"] = {"metadata": {"General": {"title": str(title or "")}}}
    return {
        "data": held["data"],
        "axes": [_axis(one, path) for one in held["axes"]],
        "metadata": metadata,
        "original_metadata": {"stack_elements": titles} if titles else {},
    }


def _at(held: Any, place: tuple[str, ...]) -> Any:
    for key in place:
        held = held.get(key) if isinstance(held, Mapping) else None
    return held


def _plain(value: Any) -> Any:
    """Return text, a number, or a list of text; None for all else."""
    if isinstance(value, (str, bool, int, float)):
        return value
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray) and value.ndim == 1:
        value = value.tolist()
    if isinstance(value, (list, tuple)):
        return [item for item in value if isinstance(item, str)]
    return None


def _axis(held: Mapping[str, Any], path: Path) -> dict[str, Any]:
    kind = str(held.get("_type", _UNIFORM))
    if kind != _UNIFORM:
        raise InputFileError(
            f"{path} must have uniform axes, got one of kind {kind!r}; formulas in files are never "
            "evaluated. Convert it with axis.convert_to_uniform_axis() in HyperSpy and save again."
        )
    axis: dict[str, Any] = {}
    for name, make in _AXIS.items():
        value = _plain(held.get(name))
        if value is not None:
            axis[name] = make(value)
    return axis


FORMAT = "HyperSpy signal"
ENDINGS = (".hspy", ".zspy", ".rpl")
_UM_PER = {"nm": 1e-3, "µm": 1.0, "μm": 1.0, "um": 1.0, "micron": 1.0, "mm": 1e3, "m": 1e6}
_EV_PER = {"ev": 1.0, "kev": 1e3}
# Needed only for which lines the beam excites; most work is done near this (common practice).
ASSUMED_BEAM_KEV = 20.0


def recognises(path: Path) -> bool:
    """Return True for ``.hspy``, ``.zspy`` (a folder) and raw data with an ``.rpl`` header."""
    ending = path.suffix.lower()
    return ending in ENDINGS and (ending == ".zspy" or not path.is_dir())


def read(path: Path, request: Request) -> Stack:
    """Read a signal and turn it into maps."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the reading libraries, about their own formats
            loaded = _loaded(path)
            signal = _one_of(loaded, path)
            if path.is_file() and path.suffix.lower() != ".rpl":
                check_ratio(int(signal.data.nbytes), path.stat().st_size, path)
            stack = from_signal(signal, request, where=path)
            if not request.lazy:  # take what is needed, then let go of the file
                for name in ("counts", "variance"):
                    held = getattr(stack, name)
                    if hasattr(held, "dask"):
                        setattr(stack, name, held.compute(scheduler="threads"))
                if path.suffix.lower() != ".zspy" and hasattr(signal, "close_file"):
                    signal.close_file()
    except SpattermapError:
        raise
    except Exception as problem:  # readers of damaged files raise anything at all
        raise readable(path, problem, what="a readable HyperSpy file") from problem
    stack.files.update(files(path, request))
    stack.map_files = [path.name] * len(stack.elements)
    return stack


def files(path: Path, _: Request) -> dict[str, Path]:
    """Return the file, and the raw numbers beside a header."""
    parts = [path]
    if path.suffix.lower() == ".rpl":  # as the reading library looks for them, in this order
        beside = [Path(f"{str(path)[:-3]}{ending}") for ending in ("raw", "RAW")]
        parts += [file for file in beside if file.exists()][:1]
    return {file.name: file for file in parts}


def _loaded(path: Path) -> Any:
    """Return the signal or signals of a file, data left on disk."""
    if path.suffix.lower() == ".rpl":  # a table of numbers as text: nothing in it to be built
        return _raw(path)
    if path.suffix.lower() == ".hspy":
        probe.start()
        import hyperspy.api  # noqa: F401 - while the child starts

        logging.getLogger("hyperspy").setLevel(logging.CRITICAL)  # which its import set anew
        probe.refuse_links(path, probe.require_harmless(path))
        import h5py

        with h5py.File(path, "r") as file:
            refuse_foreign(file, path)
            _refuse_knots(file, path)
    else:
        zarr_store.check_store(path)
    found = open_signals(path)
    return found[0] if len(found) == 1 else found


def _refuse_knots(file: Any, path: Path) -> None:
    """Refuse a group that can be reached in two ways: the reader would follow each, without end."""
    import h5py

    waiting, seen = [file], {h5py.h5o.get_info(file.id).addr}
    while waiting:
        group = waiting.pop()
        for name in group:
            if group.get(name, getclass=True) is not h5py.Group:
                continue
            inside = group[name]
            place = h5py.h5o.get_info(inside.id).addr
            if place in seen:
                raise InputFileError(
                    f"{path} must hold each group once, got one again as {inside.name!r}. "
                    "Save it anew."
                )
            seen.add(place)
            waiting.append(inside)


def _raw(path: Path) -> Any:
    """Return the signal of raw numbers beside a header of lines of a key and its value."""
    import hyperspy.api  # noqa: F401 - registers the kinds of signal
    from hyperspy.io import dict2signal
    from rsciio.ripple import file_reader

    logging.getLogger("hyperspy").setLevel(logging.CRITICAL)  # which its import set anew
    beside = list(files(path, Request()).values())[1:]
    if not beside or not beside[0].is_file():  # a pipe would never answer
        raise InputFileError(
            f"{path} must lie beside its numbers, got no file {path.stem}.raw in the folder. Copy "
            "it there."
        )
    header = _header(path)
    sides = [header[name] for name in ("width", "height", "depth", "data-length")]
    held, wanted = beside[0].stat().st_size, header["offset"] + math.prod(map(int, sides))
    if held != wanted:
        raise InputFileError(
            f"{path} must be the header of {beside[0].name}, got {wanted:,} bytes by the header "
            f"and {held:,} in the file. Correct width, height, depth or data-length."
        )
    signal = dict2signal(file_reader(str(path), lazy=True, rpl_info=header)[0], lazy=True)
    few = header["record-by"] == "vector" and 1 < header["depth"] < LEAST_CHANNELS
    return signal.transpose(signal_axes=(0, 1)) if few else signal  # maps, pixel by pixel


def _header(path: Path) -> dict[str, Any]:
    """Return the header of raw numbers, however its keys are spelt and parted from the values."""
    from rsciio.ripple._api import parse_ripple

    if not path.is_file() or path.stat().st_size > MOST_HEADER_BYTES:  # a pipe would never answer
        raise InputFileError(
            f"{path} must be a short header (text), got {'a longer' if path.is_file() else 'no'} "
            "file. Export it again."
        )
    read: dict[str, str] = {}
    for line in path.read_text(encoding="latin-1").splitlines():
        key, *value = line.partition(";")[0].replace("\0", " ").split(None, 1)[:2] or [""]
        read[key.lower()] = " ".join(value).strip()
    for key in ("width", "height", "depth", "data-length", "data-type", "record-by"):
        if not read.get(key):
            raise InputFileError(
                f"{path} must state {key} on a line of its own, got none. Export it again."
            )
    if read["data-length"] != "1" and not read.get("byte-order"):
        raise InputFileError(
            f"{path} must state byte-order, little-endian or big-endian, for numbers of "
            f"{read['data-length']} bytes, got none. Add the line that is true."
        )
    read.setdefault("offset", "0")
    for key in ("data-type", "byte-order", "record-by"):
        read[key] = read.get(key, "").lower()
    if read["data-length"] == "1":
        read["byte-order"] = "dont-care"
    if read["depth"] == "1":
        read["record-by"] = "dont-care"
    elif read["record-by"] not in ("image", "vector"):
        raise InputFileError(
            f"{path} must state record-by, image or vector, for {read['depth']} planes, got "
            f"{read['record-by']!r}. Correct that line."
        )
    stream = io.StringIO("".join(f"{key}\t{value}\n" for key, value in read.items() if value))
    stream.name = str(path)
    header: dict[str, Any] = parse_ripple(stream)
    return header


def _one_of(loaded: Any, path: Path) -> Any:
    """Return the one signal of a file that can be maps; a file may hold several."""
    if not isinstance(loaded, (list, tuple)):
        return loaded
    fitting = [signal for signal in loaded if _shape(signal) in ((2, 1), (1, 2))]
    fitting = fitting or [signal for signal in loaded if _shape(signal) in ((0, 2), (2, 0))]
    if len(fitting) != 1:
        raise InputError(
            f"{path} must hold one spectrum cube or one stack of maps, got {len(fitting)} among "
            f"{len(loaded)} signals. Save the one you mean by itself."
        )
    return fitting[0]


def _shape(signal: Any) -> tuple[int, int]:
    manager = signal.axes_manager
    return int(manager.navigation_dimension), int(manager.signal_dimension)


def from_signal(signal: Any, request: Request, *, where: object = "signal") -> Stack:
    """Turn a signal into a stack.

    Parameters
    ----------
    signal : hyperspy.signals.BaseSignal
        Spectrum cube or stack of maps; lazy or not.
    request : Request
        Options and sidecar.
    where : object, optional
        Its file, for messages.

    Raises
    ------
    InputTypeError
        If it is no HyperSpy signal.
    InputError
        If its axes are not those of a cube or a stack.
    """
    if not hasattr(signal, "axes_manager") or not hasattr(signal, "metadata"):
        raise InputTypeError(
            f"{where} must be a HyperSpy signal, got {type(signal).__name__}. "
            "For arrays use spattermap.make_map_set(...)."
        )
    shape = _shape(signal)
    if shape == (2, 1):
        return _cube(signal, request, where)
    if shape in ((1, 2), (0, 2), (2, 0)):
        return _maps(signal, request, where)
    raise InputError(
        f"{where} must be a spectrum cube (x, y | energy) or a stack of maps (element | x, y), "
        f"got {signal.axes_manager.shape}. Save the maps as one signal of that form."
    )


def _item(signal: Any, *paths: str) -> Any:
    """Return the first metadata value that is there; EDS is stored under SEM or TEM."""
    for path in paths:
        for name in ("SEM", "TEM"):
            value = signal.metadata.get_item(path.replace("*", name), default=None)
            if value is not None:
                return value
    return None


def _pixel_size(axes: Any, where: object) -> float | None:
    """Return the side of a pixel (um) from the x and y axes."""
    sizes = []
    for axis in axes:
        factor = _UM_PER.get(str(axis.units).strip())
        if factor is None or not axis.is_uniform:
            return None
        sizes.append(abs(float(axis.scale)) * factor)
    return square_pixel(sizes, where)


def _fall_notes(axes: Any) -> list[str]:
    """Say which axes run backwards; the picture is kept as stored."""
    return [
        f"axis {axis.name} falls along the array: rows and columns were kept as stored"
        for axis in axes
        if axis.is_uniform and axis.scale < 0
    ]


def _facts(signal: Any) -> dict[str, Any]:
    beam = _item(signal, "Acquisition_instrument.*.beam_energy")
    title = signal.metadata.get_item("General.title", default="")
    return {
        "title": str(title) or None,
        "beam_energy_keV": float(beam) if beam is not None and float(beam) > 0 else None,
    }


def _energies(axis: Any, where: object) -> np.ndarray[Any, np.dtype[np.float64]]:
    factor = _EV_PER.get(str(axis.units).strip().lower())
    if factor is None or not axis.is_uniform or axis.size < LEAST_CHANNELS:
        raise InputError(
            f"{where} must have a uniform energy axis in eV or keV with at least 20 channels, got "
            f"unit {str(axis.units)!r} and {axis.size} channels. Calibrate it in HyperSpy first."
        )
    return factor * (float(axis.offset) + float(axis.scale) * np.arange(axis.size))


def _wanted_lines(signal: Any, request: Request) -> dict[str, str]:
    """Return the lines to map as stated by the sidecar, else by the file: {element: line}."""
    stated = dict(request.sidecar.get("lines", {}))
    if stated:
        return stated
    wanted: dict[str, str] = {}
    for name in signal.metadata.get_item("Sample.xray_lines", default=None) or ():
        found = names.candidates(str(name))
        if found and found[0].element not in wanted:
            wanted[found[0].element] = found[0].line
    for element in signal.metadata.get_item("Sample.elements", default=None) or ():
        wanted.setdefault(str(element), "")
    return wanted


def _cube(signal: Any, request: Request, where: object) -> Stack:
    x_axis, y_axis = signal.axes_manager.navigation_axes
    nominal = _energies(signal.axes_manager.signal_axes[0], where)
    cube = signal.data
    check_size(cube.shape, cube.dtype, where, lazy=hasattr(cube, "dask"))
    if cube.dtype.kind not in "uif":
        raise InputError(f"{where} must hold counts, got type {cube.dtype}. Export counts.")
    facts, notes = _facts(signal), _fall_notes((x_axis, y_axis))
    beam = request.sidecar.get("beam_energy_keV") or facts["beam_energy_keV"]
    if beam is None:
        beam = ASSUMED_BEAM_KEV
        notes.append(f"beam energy not stated: {beam:g} keV assumed to choose the lines")
    spectrum = np.asarray(cube.sum(axis=(0, 1), dtype=np.float64))
    if not np.isfinite(spectrum).all() or spectrum.min() < 0:
        raise InputError(
            f"{where} must hold counts of zero or more, got NaN or negative sums. "
            "Use the raw cube, before any background was subtracted."
        )
    wanted = _wanted_lines(signal, request)
    width = _item(signal, "Acquisition_instrument.*.Detector.EDS.energy_resolution_MnKa")
    try:
        found = spectra.understand(
            nominal, spectrum, beam, stated=wanted, fwhm_eV=None if not wanted else _width(width)
        )
        designer = spectra.Designer(nominal, spectrum, found, beam)
        chosen = wanted or dict.fromkeys(found.elements, "")
        if not wanted:
            notes.append("elements not stated: found in the sum spectrum (state [lines] to choose)")
        filters = [designer.design(element, line) for element, line in chosen.items()]
    except InputError as problem:
        raise InputError(f"{where}: {problem}") from problem
    notes += [
        f"{one.line.name} solved together with {', '.join(one.overlaps)}"
        for one in filters
        if one.overlaps
    ]
    counts, variance = spectra.apply(cube, filters)
    return Stack(
        counts=counts,
        variance=variance,
        elements=list(chosen),
        lines=[one.line.name for one in filters],
        format_name="spectrum cube",
        map_files=["signal"] * len(chosen),
        pixel_size_um=_pixel_size((x_axis, y_axis), where),
        pixel_size_from="axes of the signal",
        quantity="net_counts",
        facts=facts,
        notes=notes,
        source={"spectrum": spectra.describe(filters, found)},
    )


def _width(value: Any) -> float | None:
    return float(value) if value is not None and 100 < float(value) < 250 else None


def _maps(signal: Any, request: Request, where: object) -> Stack:
    data = signal.data if signal.data.ndim == 3 else signal.data[None]
    check_size(data.shape, data.dtype, where, lazy=request.lazy)
    manager = signal.axes_manager
    # A map may be kept as an image, or as one number at each place.
    x_axis, y_axis = manager.signal_axes if manager.signal_dimension else manager.navigation_axes
    elements, lines = _names_of_maps(signal, request, data.shape[0], where)
    return Stack(
        counts=data,
        elements=elements,
        lines=lines,
        format_name="stack of maps in a HyperSpy signal",
        map_files=["signal"] * len(elements),
        pixel_size_um=_pixel_size((x_axis, y_axis), where),
        pixel_size_from="axes of the signal",
        facts=_facts(signal),
        notes=_fall_notes((x_axis, y_axis)),
    )


def _names_of_maps(
    signal: Any, request: Request, number: int, where: object
) -> tuple[list[str], list[str]]:
    """Return elements and lines of a stack from metadata, else from the sidecar's order."""
    stacked = signal.original_metadata.get_item("stack_elements", default=None)
    titles: list[str] = []
    if stacked is not None:
        titles = [str(part.get_item("metadata.General.title", default="")) for _, part in stacked]
    if number == 1:  # one map: the sidecar's word, its title or its file's name
        stated = request.sidecar.get("lines", {})
        if len(stated) == 1:
            return list(stated), list(stated.values())
        titles += [str(signal.metadata.get_item("General.title", default=""))]
        titles += [where.stem] if isinstance(where, Path) else []
    listed = signal.metadata.get_item("Sample.xray_lines", default=None)
    for candidate in (listed, signal.metadata.get_item("Sample.elements", default=None), titles):
        named = [names.candidates(str(name)) for name in candidate or ()]
        named = [found for found in named if found][:1] if number == 1 else named
        if len(named) == number and all(named):
            return [one[0].element for one in named], [one[0].line for one in named]
    return names.name_channels([], number, request, where)

"""HyperSpy files opened without building what they describe.

HyperSpy trusts its own files: it imports the package a file names, evaluates axes stored as
formulas, and rebuilds models from pickled functions, so that opening a foreign file can run code.
Here a file is read into plain dictionaries first; only the data, uniform axes and the few facts
that maps need are taken over into a signal.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.errors import InputFileError

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


def open_signals(path: Path) -> list[Any]:
    """Return the signals of a ``.hspy`` file or ``.zspy`` folder, their data left on disk.

    Parameters
    ----------
    path : pathlib.Path
        The file or folder.

    Returns
    -------
    list of hyperspy.signals.BaseSignal
        Lazy signals with data, axes and the facts that maps need.

    Raises
    ------
    InputFileError
        If an axis is stored as a formula or as a list of values.
    """
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

"""The ``mapset.toml`` beside a stack: what the files themselves do not say."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from spattermap.core.errors import (
    InputError,
    InputFileError,
    InputTypeError,
    element_symbol,
    one_of,
    positive,
    unknown_name,
)
from spattermap.core.mapset import BACKGROUNDS, QUANTITIES
from spattermap.core.orientations import ORIENTATIONS
from spattermap.core.toml_file import read_toml

SIDECAR_NAME = "mapset.toml"
_TEXT = ("title", "quantity", "background", "electron_image", "blank", "dataset")
_NUMBERS = {"pixel_size_um": "um", "beam_energy_keV": "keV", "take_off_deg": "deg",
            "dose_nC": "nC"}  # fmt: skip
_FROM_ZERO = {"tilt_deg": "deg"}
_SWITCHES = ("crop",)
# Of a plate seen from above, and of any microscope.
_MOST = {"take_off_deg": 90.0, "tilt_deg": 89.0, "beam_energy_keV": 3000.0}
_TABLES = ("alloy", "substrate", "lines", "orientation", "process", "measured")
KNOWN_KEYS = (*_TEXT, *_NUMBERS, *_FROM_ZERO, *_SWITCHES, *_TABLES)


def find_sidecar(path: Path) -> Path | None:
    """Return the sidecar that belongs to a map set, if there is one."""
    places = (
        [path / SIDECAR_NAME]
        if path.is_dir()
        else [path.with_name(f"{path.stem}.{SIDECAR_NAME}"), path.with_name(SIDECAR_NAME)]
    )
    found = next((place for place in places if place.is_file()), None)
    if found is None and places[-1].parent.is_dir():
        meant = {name for place in places for name in (place.name, f"{place.name}.txt")}
        meant.add(f"{Path(SIDECAR_NAME).stem}.txt")
        for item in sorted(places[-1].parent.iterdir()):
            # Editors add an ending that some systems hide, and systems differ on capitals.
            if item.name.lower() in {name.lower() for name in meant} and item.is_file():
                raise InputFileError(
                    f"{item} must be named {SIDECAR_NAME} to be read. Rename it, with endings "
                    "shown, or move it away."
                )
    return found


def read_sidecar(path: str | Path) -> dict[str, Any]:
    r"""Read and check a sidecar."""
    file = Path(path)
    values = read_toml(file, "sidecar")
    for key in values:
        if key not in KNOWN_KEYS:
            raise InputError(unknown_name(f"{file}: key", key, KNOWN_KEYS))
    images: Any = values.pop("electron_image", [])
    clean = {key: _checked(file, key, value) for key, value in values.items()}
    if images != []:
        named = images if isinstance(images, list) else [images]
        clean["electron_image"] = [_checked(file, "electron_image", name) for name in named]
    if "electron_image" in clean:
        first, *more = (_inside(file, name) for name in clean["electron_image"])  # one or several
        clean["electron_image"] = first
        if more:
            clean["more_electron_images"] = more
    if "blank" in clean:
        clean["blank"] = str((file.parent / clean["blank"]).resolve())
    return clean


def _checked(file: Path, key: str, value: Any) -> Any:
    where = f"{file}: {key}"
    if key in (*_NUMBERS, *_FROM_ZERO, *_TEXT, *_SWITCHES):
        return _plain(where, key, value)
    if not isinstance(value, dict):
        raise InputTypeError(
            f"{where} must be a table, got {value!r}. Write [{key}] on a line of its own."
        )
    if key == "substrate" and isinstance(value.get("elements"), list) and len(value) == 1:
        return [element_symbol(symbol, where) for symbol in value["elements"]]
    if key in ("alloy", "substrate"):
        return {
            element_symbol(symbol, where): positive(part, f"{where}: {symbol}", unit="mass percent")
            for symbol, part in value.items()
        }
    if key == "orientation":
        return {
            element_symbol(symbol, where): one_of(how, f"{where}: {symbol}", tuple(ORIENTATIONS))
            for symbol, how in value.items()
        }
    if key in ("process", "measured"):
        for name, one in value.items():
            if not isinstance(one, (str, int, float)):
                raise InputTypeError(
                    f"{where}: {name} must be a number, a text, true or false, got {one!r}. "
                    "Write one value a line."
                )
    if key == "lines":
        return {element_symbol(symbol, where): str(line) for symbol, line in value.items()}
    return value


def _plain(where: str, key: str, value: Any) -> Any:
    """Return a checked number, text or switch."""
    if key in _NUMBERS or key in _FROM_ZERO:
        unit = {**_NUMBERS, **_FROM_ZERO}[key]
        number = positive(value, where, unit=unit, allow_zero=key in _FROM_ZERO)
        if number > _MOST.get(key, math.inf):
            raise InputError(
                f"{where} must be at most {_MOST[key]:g} ({unit}), got {number:g}. Correct it."
            )
        return number
    if key in _SWITCHES:
        if not isinstance(value, bool):
            raise InputTypeError(f"{where} must be true or false, got {value!r}. Correct it.")
        return value
    if not isinstance(value, str):
        raise InputTypeError(f"{where} must be text in quotes, got {value!r}. Add quotes.")
    allowed = {"quantity": QUANTITIES, "background": BACKGROUNDS}.get(key)
    return one_of(value, where, allowed) if allowed else value


def _inside(file: Path, name: str) -> str:
    """Return the path of a file in the sidecar's folder; nothing outside may be pulled in."""
    folder = file.parent.resolve()
    try:
        wanted = (folder / name).resolve()
    except (OSError, RuntimeError):
        raise InputFileError(
            f"{file}: electron_image must be a file, got {name!r}, a link that leads round in a "
            "circle. Copy the image there."
        ) from None
    if not wanted.is_relative_to(folder):
        raise InputFileError(
            f"{file}: electron_image must lie in the folder of the map set, got {name!r}. "
            "Copy the image there."
        )
    return str(wanted)

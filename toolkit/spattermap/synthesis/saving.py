"""A made deposit as the folder of single-element TIFFs that a microscope would export."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.core.mapset import facts
from spattermap.synthesis.scene import Scene


def save_folder(scene: Scene, folder: str | Path, *, blank: str | None = None) -> Path:
    """Write maps, sidecar and truth of a scene into a folder.

    Parameters
    ----------
    scene : Scene
        What to write.
    folder : str or pathlib.Path
        Where to; made if missing, files of the same name are replaced.
    blank : str, optional
        Relative path of the blank's folder, for the sidecar.

    Returns
    -------
    pathlib.Path
        The folder.

    Notes
    -----
    TIFFs are uncompressed, without date and program name, so that the same scene gives the same
    bytes with every version of every compressor.

    Examples
    --------
    >>> import tempfile
    >>> from spattermap.synthesis import Deposit, make_deposit
    >>> scene = make_deposit(Deposit(shape=(32, 32), electron_image=False), seed=1)
    >>> folder = save_folder(scene, Path(tempfile.mkdtemp()) / "burst")
    >>> sorted(file.name for file in folder.iterdir())
    ['Cu_Ka.tif', 'O_Ka.tif', 'Si_Ka.tif', 'Zn_Ka.tif', 'mapset.toml', 'truth.json']
    """
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    maps, known = scene.maps, facts(scene.maps)
    for element, line, plane in zip(
        maps["element"].values, maps["line"].values, maps["counts"].values, strict=True
    ):
        family = str(line).split(" ")[1]
        _write_tiff(place / f"{element}_{family}.tif", plane, known.pixel_size)
    if "electron_image" in maps:
        image = maps["electron_image"].values
        _write_tiff(place / "electron_image.tif", image, known.pixel_size)
    (place / "mapset.toml").write_text(_sidecar(scene, blank), encoding="utf-8", newline="\n")
    plain = {key: value for key, value in scene.truth.items() if key != "mean_maps"}
    (place / "truth.json").write_text(_as_json(plain), encoding="utf-8", newline="\n")
    return place


def _write_tiff(path: Path, plane: Any, pixel_size_um: float) -> None:
    import tifffile

    per_cm = 1e4 / pixel_size_um
    tifffile.imwrite(
        path,
        np.ascontiguousarray(plane),
        photometric="minisblack",
        metadata=None,
        software=False,
        resolution=(per_cm, per_cm),
        resolutionunit="CENTIMETER",
    )


def _sidecar(scene: Scene, blank: str | None) -> str:
    maps, known = scene.maps, facts(scene.maps)
    lines = [
        f"title = {json.dumps(known.title)}",
        f'quantity = "{known.quantity}"',
        f"pixel_size_um = {known.pixel_size!r}",
        f"beam_energy_keV = {known.beam_energy_keV!r}",
    ]
    if "electron_image" in maps:
        lines.append('electron_image = "electron_image.tif"')
    if blank:
        lines.append(f"blank = {json.dumps(blank)}")
    tables: dict[str, dict[str, Any]] = {
        "alloy": known.alloy,
        "substrate": known.substrate,
        "lines": dict(zip(maps["element"].values, maps["line"].values, strict=True)),
        "process": known.process,
        "measured": known.measured,
    }
    for name, table in tables.items():
        if table:
            lines += ["", f"[{name}]"]
            lines += [f"{key} = {json.dumps(value, default=str)}" for key, value in table.items()]
    return "\n".join(lines) + "\n"


def _as_json(truth: dict[str, Any]) -> str:
    """Return JSON text with one line a table row, so that people and diffs can read it."""
    entries = []
    for key, value in _rounded(truth).items():
        if isinstance(value, list) and value:
            rows = ",\n  ".join(json.dumps(row, ensure_ascii=False) for row in value)
            text = f"[\n  {rows}\n ]"
        elif isinstance(value, dict) and value:
            rows = ",\n  ".join(
                f"{json.dumps(name)}: {json.dumps(part, ensure_ascii=False)}"
                for name, part in value.items()
            )
            text = f"{{\n  {rows}\n }}"
        else:
            text = json.dumps(value, ensure_ascii=False)
        entries.append(f" {json.dumps(key)}: {text}")
    return "{\n" + ",\n".join(entries) + "\n}\n"


def _rounded(value: Any) -> Any:
    """Return the value with floats of six significant digits: enough, and the same everywhere."""
    if isinstance(value, dict):
        return {key: _rounded(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(part) for part in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value

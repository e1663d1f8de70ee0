"""The work on one map set of a sweep, as a worker does it: read, analyse, store, once."""

from __future__ import annotations

import contextlib
import hashlib
import json
import traceback
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from spattermap import __version__
from spattermap.core.errors import InputFileError, OutputError, SpattermapError
from spattermap.core.files import is_there, scratch_beside, staged_folder
from spattermap.core.settings import Settings
from spattermap.sweeps.sheet import SheetRow

if TYPE_CHECKING:
    from spattermap.analysis import Analysis
    from spattermap.noise.moments import BlockMoments

RECORD, MOMENTS, PAGE = "deposit.json", "moments.npz", "report.html"
PICTURE, PICTURE_PX = "field.jpg", 256
# Folders are named by this many figures of the content hash.
_KEY_LENGTH = 16


@dataclass(frozen=True)
class SheetTask:
    """One row of a sweep and what to do with it."""

    row: SheetRow  # the row
    settings: Settings  # choices of the analysis
    store: Path  # folder that holds one folder a finished deposit
    reports: bool = False  # write the page of each deposit too


@dataclass(frozen=True)
class Outcome:
    """What became of one row."""

    key: str = ""  # name of the folder in the store; "" where the inputs could not be read
    error: str = ""  # one line; "" where all went well
    fault: str = ""  # traceback, where the error is a fault of ours
    skipped: bool = False  # true where the result was there already
    unwritable: bool = False  # true where the error is of the folder of results, not of the map set


def work(task: SheetTask) -> Outcome:
    """Do the work on one row; never raise, and never do finished work again.

    The result lies in a folder named by the content of every input: the files of the map set and
    of its blank, the facts from the sheet, the settings and the version. It appears there in one
    step, so that a worker lost midway leaves nothing behind, and two workers on the same row do
    no harm.
    """
    key = ""
    try:
        blank = _blank_of(task.row)
        key = content_key(task, blank)
        target = task.store / key
        finished = (target / RECORD).is_file()
        if not finished:
            _store(task, blank, target)
        if task.reports:
            _add_report(task, blank, target)
    except OutputError as problem:
        return Outcome(key=key, error=" ".join(str(problem).split()), unwritable=True)
    except SpattermapError as problem:
        return Outcome(key=key, error=" ".join(str(problem).split()))
    except MemoryError as problem:
        said = " ".join(str(problem).split())
        return Outcome(
            key=key,
            error=f"The work must fit in memory, got: {said}. Use fewer workers (--workers 1), or "
            "cut the map set.",
        )
    except Exception as problem:
        name = type(problem).__name__
        return Outcome(
            key=key,
            error=f"A fault of ours, not of the input: {name}: {' '.join(str(problem).split())}",
            fault=traceback.format_exc(),
        )
    return Outcome(key=key, skipped=finished)


def _blank_of(row: SheetRow) -> Path | None:
    from spattermap.loaders import blank_path

    return row.blank if row.blank is not None else blank_path(row.path)


def content_key(task: SheetTask, blank: Path | None) -> str:
    """Return the name of a result: a hash of everything that it depends on."""
    facts = {
        "version": __version__,
        "settings": task.settings.to_dict(),
        "title": task.row.path.name,  # where the sidecar states none
        "maps": _file_hashes(task.row.path),
        "blank": _file_hashes(blank) if blank is not None else None,
        "process": task.row.process,
        "measured": task.row.measured,
    }
    text = json.dumps(facts, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:_KEY_LENGTH]


def _file_hashes(path: Path) -> dict[str, str]:
    """Return the SHA-256 of each file that loading a map set reads, by its name."""
    from spattermap.loaders import input_files

    if not is_there(path):
        raise InputFileError(
            f"{path} must be an existing file or folder, got nothing there. Correct the sheet."
        )
    return {name: _sha256(file) for name, file in sorted(input_files(path).items())}


def _sha256(file: Path) -> str:
    from spattermap.loaders.stack import sha256

    try:
        return sha256(file)
    except OSError as problem:
        raise InputFileError(
            f"{file} must be readable, got: {problem.strerror or problem}. Check its rights."
        ) from problem


def _store(task: SheetTask, blank: Path | None, target: Path) -> None:
    from spattermap.analysis import analyse
    from spattermap.loaders import load
    from spattermap.show.field_viewer import still_png

    loaded = load(task.row.path)
    bare = load(blank) if blank is not None else None
    same = _read_as_filed(task.row.path, loaded)
    if bare is not None and blank is not None:
        same = same and _read_as_filed(blank, bare)
    if not same or content_key(task, blank) != target.name:
        raise InputFileError(_CHANGED.format(task.row.path))
    maps = _with_sheet_facts(loaded, task.row)
    analysis = analyse(maps, blank=bare, settings=task.settings)
    try:
        with staged_folder(target) as stage:
            analysis.write_tables(stage)
            save_moments(analysis.moments, stage / MOMENTS)
            picture = still_png(analysis, longest=PICTURE_PX, kind=".jpg")
            (stage / PICTURE).write_bytes(picture)
            text = json.dumps(_record(analysis), indent=1, ensure_ascii=False, allow_nan=False)
            (stage / RECORD).write_text(text + "\n", encoding="utf-8", newline="\n")
    except OutputError:
        # Another worker was quicker with the same row: its result is the same.
        if not (target / RECORD).is_file():
            raise


_CHANGED = (
    "{} must not change while it is read, got files that did. Run the sweep again when the export "
    "is finished."
)


def _read_as_filed(path: Path, maps: xr.Dataset) -> bool:
    """Return True where a map set was read from just the files that its result is filed under."""
    from spattermap.core.mapset import facts
    from spattermap.loaders import input_files

    return set(facts(maps).source.get("files", {})) == set(input_files(path))


def _with_sheet_facts(maps: xr.Dataset, row: SheetRow) -> xr.Dataset:
    """Return the map set with the sheet's columns on top of the sidecar's."""
    from spattermap.core.mapset import facts, set_facts

    known = facts(maps)
    maps = maps.copy()
    set_facts(
        maps,
        process={**known.process, **row.process},
        measured={**known.measured, **row.measured},
    )
    return maps


def _record(analysis: Analysis) -> dict[str, Any]:
    """Return what the tables of a sweep need of one deposit, ready for JSON."""
    from spattermap.core.mapset import facts

    known = facts(analysis.maps)
    elements = json.loads(analysis.elements.to_json(orient="records", double_precision=15))
    return {
        "title": known.title,
        "alloy": _plain(known.alloy),
        "process": known.process,
        "measured": known.measured,
        "summary": analysis.summary(),
        "roles": {name: list(getattr(analysis.roles, name)) for name in _ROLE_NAMES},
        "elements": elements,
        "continuity_reasons": list(analysis.continuity.reasons),
        "continuity_next_step": analysis.continuity.next_step,
    }


_ROLE_NAMES = ("alloy", "substrate", "other")


def _plain(parts: dict[str, float]) -> dict[str, float | None]:
    return {element: None if part != part else part for element, part in parts.items()}  # noqa: PLR0124


def _add_report(task: SheetTask, blank: Path | None, target: Path) -> None:
    """Write the page of a finished deposit into its folder, unless it is there.

    The page knows the facts of the sidecar only, so its tables are left out: those in the folder
    know the sheet's too.
    """
    page = target / PAGE
    if page.is_file():
        return
    from spattermap.show.report import write_report

    with scratch_beside(target) as scratch:
        made = write_report(task.row.path, scratch / "r", settings=task.settings, blank=blank)
        if content_key(task, blank) != target.name:
            raise InputFileError(_CHANGED.format(task.row.path))
        pictures = target / "figures"
        if (made.parent / "figures").is_dir() and not pictures.exists():
            # Another worker may be quicker with the same row.
            with contextlib.suppress(OSError):
                (made.parent / "figures").rename(pictures)
        made.replace(page)


def save_moments(moments: BlockMoments, file: Path) -> None:
    """Write block moments without loss."""
    arrays: dict[str, Any] = {}
    plain = {}
    for one in fields(moments):
        value = getattr(moments, one.name)
        if isinstance(value, np.ndarray):
            arrays[one.name] = value
        else:
            plain[one.name] = value
    arrays["_plain"] = np.array(json.dumps(plain))
    np.savez_compressed(file, **arrays)


def load_moments(file: Path) -> BlockMoments:
    """Read block moments."""
    from spattermap.noise.moments import BlockMoments

    with np.load(file) as arrays:
        plain = json.loads(str(arrays["_plain"]))
        plain = {name: tuple(v) if isinstance(v, list) else v for name, v in plain.items()}
        parts = {name: arrays[name] for name in arrays.files if name != "_plain"}
    return BlockMoments(**parts, **plain)


def read_record(folder: Path) -> dict[str, Any]:
    """Return the record of a finished deposit."""
    record: dict[str, Any] = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    return record

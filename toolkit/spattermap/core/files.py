"""Writing results so that a reader sees all of them or none."""

from __future__ import annotations

import contextlib
import errno
import functools
import hashlib
import os
import platform
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from spattermap.core.errors import OutputError, SpattermapError, printable

if TYPE_CHECKING:
    import pandas as pd

_LOCK = ".spattermap_writing"
_PREFIX = ".spattermap_"
# In an old folder of results between two renames: the name it is to get back.
_SET_ASIDE = ".spattermap_set_aside"
# Names of results, so that those of an earlier run are replaced even where there is no new one;
# everything else in the folder is the user's and stays.
_RESULTS = frozenset({
    "report.html", "summary.json", "labels.tif", "labels.zarr", "figures", "droplets.csv",
    "streaks.csv", "cracks.csv", "examination.csv", "elements.csv", "pairs.csv", "deposit.json",
    "moments.npz", "field.jpg",
    _SET_ASIDE,
})  # fmt: skip
# What marks a folder that is one store of arrays.
_STORES = ("zarr.json", ".zgroup", ".zarray")
# What a system says of a place to write to, whatever was being written: no space, quota, file too
# large, read-only file system, name too long.
_OUTPUT_ERRORS = (
    errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.ENAMETOOLONG,
)  # fmt: skip


@contextlib.contextmanager
def staged_folder(out: str | Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary folder beside `out` and move what is in it there at the end."""
    target = Path(out).absolute()
    with _clear_errors(target):
        target = _led_to(target)
        _refuse_unusable(target, overwrite=overwrite)
        target.parent.mkdir(parents=True, exist_ok=True)
        remove_left_behind(target.parent)
        # A short name of our own: the target's name may already be as long as a name can be.
        stage = Path(tempfile.mkdtemp(prefix=f"{_PREFIX}{_writer()}-", dir=target.parent))
    try:
        with _clear_errors(target, stage):
            yield stage
        _publish(stage, target, overwrite=overwrite)
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def refuse_input_as_out(out: str | Path, inputs: Iterable[str | Path | None]) -> None:
    """Refuse results in the place of what they are made from: replacing some would replace maps."""
    target = Path(out).resolve()
    for item in inputs:
        if item is None or not is_there(Path(item)):
            continue  # its reader says so
        place = Path(item).resolve()
        store = place.is_dir() and any(is_there(place / name) for name in _STORES)
        lost = place.is_relative_to(target) and place.relative_to(target).parts[:1]
        inside = store and target.is_relative_to(place)
        if place == target or inside or {*(lost or ())} & _RESULTS:
            raise OutputError(
                f"{out} must be another folder than that of the maps, got {item}"
                + (", which lies in it under the name of a result" if lost else "")
                + ". Choose a folder of its own for the results."
            )


def _led_to(target: Path) -> Path:
    """Return the folder a name stands for; a link to one is followed before any work is done."""
    if not target.is_symlink():
        return target
    try:
        return target.resolve(strict=True)
    except (OSError, RuntimeError):
        raise OutputError(
            f"{target} must be a folder, got a link that leads nowhere. Choose another folder."
        ) from None


@contextlib.contextmanager
def scratch_beside(stage: Path) -> Iterator[Path]:
    """Give a folder for what is only needed on the way, removed at the end.

    Should the run be killed, the next one that writes there clears it away.
    """
    prefix = f"{_PREFIX}{_writer()}-"
    with tempfile.TemporaryDirectory(prefix=prefix, dir=stage.parent) as name:
        yield Path(name)


@contextlib.contextmanager
def _clear_errors(target: Path, stage: Path | None = None) -> Iterator[None]:
    """Turn what a system says of an output folder into one clear line that names the folder."""
    try:
        yield
    except OutputError as problem:
        if stage is None or str(stage) not in str(problem):
            raise
        # The user knows the folder that was asked for, not the one beside it.
        raise OutputError(str(problem).replace(str(stage), str(target))) from problem
    except SpattermapError:
        raise
    except OSError as problem:
        # NumPy says of a full disk "n requested and m written", without a number of the system.
        short = problem.errno is None and "requested and" in str(problem)
        inside = problem.filename is not None and _is_within(str(problem.filename), stage)
        if stage is None or inside or short or problem.errno in _OUTPUT_ERRORS:
            raise _cannot_write(target, problem) from problem
        raise


def is_there(path: Path) -> bool:
    """Return True for an existing file or folder; False too for a name no system would take."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def _is_within(name: str, stage: Path | None) -> bool:
    return stage is not None and Path(name).is_relative_to(stage)


def _writer() -> str:
    """Return who writes: machine, its start, process and the process's start.

    Folders may be shared between machines, and numbers of processes come again.
    """
    return f"{_machine()}-{_boot()}-{os.getpid()}-{_started(os.getpid())}"


def _read(file: str) -> str:
    with contextlib.suppress(OSError, UnicodeDecodeError):
        return Path(file).read_text(encoding="utf-8")
    return ""


@functools.cache
def _machine() -> str:
    """Return a mark of this machine and, in a container, of its own count of processes."""
    space = ""
    with contextlib.suppress(OSError):
        space = str(Path("/proc/self/ns/pid").readlink())
    known = f"{platform.node()} {_read('/etc/machine-id')} {space}"
    return hashlib.sha256(known.encode("utf-8", "replace")).hexdigest()[:8]


@functools.cache
def _boot() -> str:
    """Return a mark of the time since the machine was started; "0" where there is none."""
    return _read("/proc/sys/kernel/random/boot_id").replace("-", "")[:8].strip() or "0"


def _started(number: int) -> int | None:
    """Return when a process began; -1 where it runs and that is unknown, None where it ended.

    Counted from the start of the machine where the system does (Linux), so that setting the clock
    changes nothing.
    """
    # proc(5): what follows the name in brackets begins with the state; 19 fields on, the start.
    held = _read(f"/proc/{number}/stat").rpartition(")")[2].split()
    if len(held) > 19:
        return None if held[0] in "ZX" else int(held[19])  # a zombie has ended
    import psutil

    try:
        process = psutil.Process(number)
        ended = process.status() == psutil.STATUS_ZOMBIE
        return None if ended else round(100 * process.create_time())
    except psutil.NoSuchProcess:
        return None
    except psutil.Error:  # hidden from us
        return -1


def _is_gone(writer: str) -> bool:
    """Return True where a writer was surely a process of this machine and runs no longer."""
    machine, boot, number, start = (*writer.split("-"), "", "", "", "")[:4]
    if machine != _machine() or not number.isdigit() or not start.isdigit():
        return False
    return boot != _boot() or _started(int(number)) not in (int(start), -1)


def remove_left_behind(parent: Path) -> None:
    """Remove the temporary folders and files of runs that were killed before they could.

    The old results of a run that was killed between its two renames are put back.
    """
    for item in parent.glob(f"{_PREFIX}*-*-*-*-*"):
        if not _is_gone(item.name.removeprefix(_PREFIX).rpartition("-")[0]):
            continue
        if item.is_dir() and not item.is_symlink():
            meant = _read(str(item / _SET_ASIDE))
            if meant and Path(meant).name == meant and not (parent / meant).exists():
                (item / _SET_ASIDE).unlink(missing_ok=True)
                with contextlib.suppress(OSError):  # another run was first
                    item.rename(parent / meant)
                    continue
            shutil.rmtree(item, ignore_errors=True)
        else:
            item.unlink(missing_ok=True)


# What Windows keeps for devices, with any ending ("Naming Files, Paths, and Namespaces").
_DEVICES = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"} | {
    f"{port}{digit}" for port in ("COM", "LPT") for digit in "123456789\u00b9\u00b2\u00b3"
}


def unfit_for_windows(path: PurePath) -> str:
    """Return what Windows would not take as it stands in a path, in words; "" where nothing is."""
    for part in path.parts:
        if part == path.anchor or part in (".", ".."):
            continue
        if part.partition(".")[0].rstrip(" ").upper() in _DEVICES:
            return f"{part!r}, which is the name of a device"
        if part[-1] in ". ":
            return f"{part!r}, which ends in a dot or a space"
        odd = next((sign for sign in part if sign in '<>:"/|?*\\' or sign < " "), "")
        if odd:
            return f"{odd!r} in {part!r}"
    return ""


def _refuse_unusable(target: Path, *, overwrite: bool) -> None:
    if sys.platform == "win32" and (unfit := unfit_for_windows(target)):
        raise OutputError(f"{target} must be a name that Windows takes, got {unfit}. Rename it.")
    if "\0" in str(target):
        raise OutputError(
            f"{str(target)!r} must be the name of a folder, got a null character in it. "
            "Choose another folder."
        )
    if target.exists() and not target.is_dir():
        raise OutputError(
            f"{target} must be a folder, got a file of that name. Choose another folder."
        )
    if target.is_mount():  # it can neither be renamed nor replaced
        raise OutputError(
            f"{target} must not be the root of a file system of its own. Choose a folder inside it."
        )
    if target.is_dir() and not overwrite and any(_contents(target)):
        raise OutputError(
            f"{target} must be empty or new, got a folder with files in it. "
            "Choose another folder, or pass --overwrite (overwrite=True) to replace the results."
        )


def _contents(folder: Path) -> Iterator[Path]:
    """Yield what is in a folder, but for what killed runs left there."""
    for item in folder.iterdir():
        writer = item.name.removeprefix(_PREFIX).rpartition("-")[0]
        if not (item.name.startswith(_PREFIX) and _is_gone(writer)):
            yield item


def _cannot_write(target: Path, problem: OSError) -> OutputError:
    reason = problem.strerror or f"not all could be written ({problem})"
    return OutputError(
        f"{target} must be writable, got: {reason}. Choose another folder or free some space."
    )


def _publish(stage: Path, target: Path, *, overwrite: bool) -> None:
    """Give the stage the name of the target, in one step."""
    try:
        # mkdtemp closes the folder to others; results get the rights any new folder has.
        mask = os.umask(0)
        os.umask(mask)
        stage.chmod(0o777 & ~mask)
        free = not target.exists() or (target.is_dir() and not any(_contents(target)))
        if free and _moved(stage, target):
            return
        if not overwrite:  # somebody else filled it while we worked
            _refuse_unusable(target, overwrite=False)
        _carry_over(target, stage)
        _change_places(stage, target)
        for item in stage.iterdir():  # what came into the old folder meanwhile
            place = target / item.name
            if item.name not in _RESULTS and not place.exists() and not place.is_symlink():
                item.rename(place)
    except OutputError:
        raise
    except OSError as problem:
        raise _cannot_write(target, problem) from problem


def _moved(stage: Path, target: Path) -> bool:
    """Move the stage to a new or empty folder; False where another run was first by a moment."""
    try:
        if target.exists():
            remove_left_behind(target)
            target.rmdir()
        stage.rename(target)
    except OSError:
        if target.is_dir() and any(_contents(target)):
            return False
        raise
    return True


def _carry_over(target: Path, stage: Path) -> None:
    """Give the new folder what in the old one is not ours, without copying where links serve."""
    for item in _contents(target):
        place = stage / item.name
        if item.name in _RESULTS or place.exists():
            continue
        if item.is_dir() and not item.is_symlink():
            shutil.copytree(item, place, symlinks=True, copy_function=_linked)
        else:
            _linked(item, place)


def _linked(old: str | Path, new: str | Path, *, follow_symlinks: bool = False) -> None:
    del follow_symlinks  # shutil.copytree asks for it
    try:
        os.link(old, new, follow_symlinks=False)
    except (OSError, NotImplementedError):
        shutil.copy2(old, new, follow_symlinks=False)


def _change_places(stage: Path, target: Path) -> None:
    """Let two folders change names: in one step where the system can, else in two.

    Between the two steps the old folder carries a note of its name, by which the next run puts it
    back should this one be killed there.
    """
    if _exchanged(stage, target):
        return
    aside = Path(tempfile.mkdtemp(prefix=f"{_PREFIX}{_writer()}-", dir=target.parent))
    (target / _SET_ASIDE).write_text(target.name, encoding="utf-8")
    aside.rmdir()
    target.rename(aside)
    try:
        stage.rename(target)
    except OSError:
        aside.rename(target)
        (target / _SET_ASIDE).unlink(missing_ok=True)
        raise
    (aside / _SET_ASIDE).unlink(missing_ok=True)
    aside.rename(stage)


def _exchanged(one: Path, other: Path) -> bool:
    """Exchange two names in one step; False where the system or its file system cannot."""
    import ctypes

    first, second = os.fsencode(one), os.fsencode(other)
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "darwin":
            return int(library.renamex_np(first, second, 2)) == 0  # RENAME_SWAP
        # renameat2(2) with both names as they are (-100, AT_FDCWD) and 2, RENAME_EXCHANGE.
        return int(library.renameat2(-100, first, -100, second, 2)) == 0
    except (AttributeError, OSError, TypeError):
        return False


def opened_again(folder: Path, mark: str, *begun: str, kind: str) -> Path:
    """Return a folder of results, made or found to be that of an earlier run, which has the mark.

    One that was killed as it began may hold only what is named `begun`.
    """
    strange: list[Path] = []
    try:
        a_file = folder.exists() and not folder.is_dir()
        if not a_file:
            folder.mkdir(parents=True, exist_ok=True)
            if not (folder / mark).is_file():
                strange = [
                    item for item in folder.iterdir()
                    if item.name not in begun and not item.name.startswith(_PREFIX)
                ]  # fmt: skip
    except OSError as problem:
        raise OutputError(
            f"{folder} must be writable, got: {problem.strerror}. Choose another folder."
        ) from problem
    if a_file:
        raise OutputError(f"{folder} must be a folder, got a file. Choose another folder.")
    if strange:
        raise OutputError(
            f"{folder} must be new, empty or the folder of an earlier {kind}, got other files. "
            "Choose another folder."
        )
    return folder


@contextlib.contextmanager
def only_writer(folder: Path) -> Iterator[None]:
    """Hold a folder for one run; the hold ends with the run, however that ends."""
    refusal = OutputError(
        f"{folder} must not be written by two runs at once, got another run that is still at "
        "work. Wait for it to end, or choose another folder."
    )
    try:
        import fcntl
    except ImportError:  # Windows
        with _marked(folder, refusal):
            yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise refusal from None
        except OSError:  # a file system without locks
            with _marked(folder, refusal):
                yield
            return
        yield
    finally:
        os.close(handle)


@contextlib.contextmanager
def _marked(folder: Path, refusal: OutputError) -> Iterator[None]:
    """Hold a folder by a file that names the writer, for systems without locks on folders."""
    mark = folder / _LOCK
    if _is_gone(_read(str(mark))):
        mark.unlink(missing_ok=True)
    try:
        handle = os.open(mark, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    except FileExistsError:
        raise refusal from None
    try:
        os.write(handle, _writer().encode())
        os.close(handle)
        yield
    finally:
        mark.unlink(missing_ok=True)


def decoded(raw: bytes) -> str:
    """Return text in the encoding it has, as programs of laboratories and offices write it."""
    head = raw[:4096]
    encoding = "utf-8-sig"
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    elif len(head) > 3 and b"\0" in head:  # two bytes a sign and no mark: one of two is mostly 0
        for place, name in ((1, "utf-16-le"), (0, "utf-16-be")):
            if (
                head[place::2].count(0) > 0.9 * len(head[place::2])
                and 0 not in head[1 - place :: 2]
            ):
                encoding = name
    for one in (encoding, "cp1252"):
        try:
            return raw.decode(one)
        except UnicodeDecodeError:
            continue
    return raw.decode("latin-1")


def write_text_atomically(file: str | Path, text: str) -> None:
    """Write a text file under a temporary name and move it into place."""
    target = Path(file)
    try:
        handle, name = tempfile.mkstemp(prefix=f"{_PREFIX}{_writer()}-", dir=target.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        Path(name).replace(target)
    except OSError as problem:
        with contextlib.suppress(OSError, UnboundLocalError):
            Path(name).unlink(missing_ok=True)
        raise _cannot_write(target, problem) from problem


def csv_text(table: pd.DataFrame) -> str:
    """Return a table as CSV in which no text is run by a spreadsheet as a formula.

    Cells and names of columns that begin with ``= + - @`` or a control character get an apostrophe
    before them, and control and bidirectional characters are written as escapes.
    """
    import numpy as np

    safe = table.rename(columns=_harmless)
    for place, kind in enumerate(safe.dtypes):
        if not (hasattr(kind, "kind") and kind.kind in "biufcmM"):
            column = safe.iloc[:, place]
            safe.isetitem(place, np.array([_harmless(cell) for cell in column], dtype=object))
    return safe.to_csv(index=False, lineterminator="\n")


def _harmless(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    shown = printable(value)
    return f"'{shown}" if len(value) > 1 and value[0] in "=+-@\t\r\n" else shown

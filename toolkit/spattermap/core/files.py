"""Writing results so that a reader sees all of them or none."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import platform
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from spattermap.core.errors import InputFileError, OutputError

_LOCK = ".spattermap_writing"
_PREFIX = ".spattermap_"
# What a system says of a place to write to, whatever was being written: no space, quota, file too
# large, read-only file system, name too long.
_OUTPUT_ERRORS = (
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EFBIG,
    errno.EROFS,
    errno.ENAMETOOLONG,
)


@contextlib.contextmanager
def staged_folder(out: str | Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary folder beside `out` and move what is in it there at the end."""
    target = Path(out).absolute()
    with _clear_errors(target):
        _refuse_unusable(target, overwrite=overwrite)
        target.parent.mkdir(parents=True, exist_ok=True)
        _remove_left_behind(target.parent)
        # A short name of our own: the target's name may already be as long as a name can be.
        stage = Path(tempfile.mkdtemp(prefix=f"{_PREFIX}{_writer()}-", dir=target.parent))
    try:
        with _clear_errors(target, stage):
            yield stage
        _publish(stage, target, overwrite=overwrite)
    finally:
        shutil.rmtree(stage, ignore_errors=True)


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
    except InputFileError:
        raise
    except OSError as problem:
        inside = problem.filename is not None and _is_within(str(problem.filename), stage)
        if stage is None or inside or problem.errno in _OUTPUT_ERRORS:
            raise _cannot_write(target, problem) from problem
        raise


def _is_within(name: str, stage: Path | None) -> bool:
    return stage is not None and Path(name).is_relative_to(stage)


def _writer() -> str:
    """Return who writes: machine (folders may be shared) and process."""
    machine = hashlib.sha256(platform.node().encode()).hexdigest()[:8]
    return f"{machine}-{os.getpid()}"


def _is_gone(writer: str) -> bool:
    """Return True where a writer was a process of this machine and runs no longer."""
    machine, _, number = writer.partition("-")
    if not number.isdigit() or not _writer().startswith(f"{machine}-"):
        return False
    import psutil

    return not psutil.pid_exists(int(number))


def _remove_left_behind(parent: Path) -> None:
    """Remove the temporary folders and files of runs that were killed before they could."""
    for item in parent.glob(f"{_PREFIX}*-*-*"):
        if _is_gone(item.name.removeprefix(_PREFIX).rpartition("-")[0]):
            if item.is_dir():
                shutil.rmtree(item, ignore_errors=True)
            else:
                item.unlink(missing_ok=True)


def _refuse_unusable(target: Path, *, overwrite: bool) -> None:
    if "\0" in str(target):
        raise OutputError(
            f"{str(target)!r} must be the name of a folder, got a null character in it. "
            "Choose another folder."
        )
    if target.exists() and not target.is_dir():
        raise OutputError(
            f"{target} must be a folder, got a file of that name. Choose another folder."
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
    reason = problem.strerror or str(problem)
    return OutputError(
        f"{target} must be writable, got: {reason}. Choose another folder or free some space."
    )


def _publish(stage: Path, target: Path, *, overwrite: bool) -> None:
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
        with _only_writer(target):
            for item in sorted(stage.iterdir()):
                place = target / item.name
                if place.is_dir():
                    shutil.rmtree(place)
                item.replace(place)
    except OutputError:
        raise
    except OSError as problem:
        raise _cannot_write(target, problem) from problem


def _moved(stage: Path, target: Path) -> bool:
    """Move the stage to a new or empty folder; False where another run was first by a moment."""
    try:
        if target.exists():
            _remove_left_behind(target)
            target.rmdir()
        stage.rename(target)
    except OSError:
        if target.is_dir() and any(_contents(target)):
            return False
        raise
    return True


@contextlib.contextmanager
def _only_writer(target: Path) -> Iterator[None]:
    lock = target / _LOCK
    with contextlib.suppress(OSError, UnicodeDecodeError):
        if _is_gone(lock.read_text(encoding="utf-8")):  # killed while it moved its results
            lock.unlink()
    try:
        handle = os.open(lock, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
        os.write(handle, _writer().encode())
        os.close(handle)
    except FileExistsError:
        raise OutputError(
            f"{target} must not be written by two runs at once, got the mark of another run. "
            f"Wait for it to end; if none is running, delete {lock.name} in that folder."
        ) from None
    try:
        yield
    finally:
        lock.unlink(missing_ok=True)


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

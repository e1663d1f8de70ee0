"""Writing results so that a reader sees all of them or none."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from spattermap.errors import OutputError

_LOCK = ".spattermap_writing"


@contextlib.contextmanager
def staged_folder(out: str | Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary folder beside `out` and move what is in it there at the end.

    Parameters
    ----------
    out : str or pathlib.Path
        The folder the results shall be in.
    overwrite : bool, optional
        Replace results of the same names in a folder that is not empty; other files stay.

    Yields
    ------
    pathlib.Path
        A new, empty folder on the same file system.

    Raises
    ------
    OutputError
        If `out` is a file, is not empty and `overwrite` is False, cannot be written, or is being
        written by another run.
    """
    target = Path(out).absolute()
    _refuse_unusable(target, overwrite=overwrite)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        # A short name of our own: the target's name may already be as long as a name can be.
        stage = Path(tempfile.mkdtemp(prefix=".spattermap_", dir=target.parent))
    except OSError as problem:
        raise _cannot_write(target, problem) from problem
    try:
        yield stage
        _publish(stage, target, overwrite=overwrite)
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _refuse_unusable(target: Path, *, overwrite: bool) -> None:
    if target.exists() and not target.is_dir():
        raise OutputError(
            f"{target} must be a folder, got a file of that name. Choose another folder."
        )
    if target.is_dir() and any(target.iterdir()) and not overwrite:
        raise OutputError(
            f"{target} must be empty or new, got a folder with files in it. "
            "Choose another folder, or pass --overwrite (overwrite=True) to replace the results."
        )


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
        if not target.exists() or (target.is_dir() and not any(target.iterdir())):
            if target.exists():
                target.rmdir()
            stage.rename(target)
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


@contextlib.contextmanager
def _only_writer(target: Path) -> Iterator[None]:
    lock = target / _LOCK
    try:
        os.close(os.open(lock, os.O_CREAT | os.O_EXCL))
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
    """Write a text file under a temporary name and move it into place.

    Parameters
    ----------
    file : str or pathlib.Path
        The file to write (UTF-8, line ends as given).
    text : str
        Its content.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    target = Path(file)
    try:
        handle, name = tempfile.mkstemp(prefix=".spattermap_", dir=target.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        Path(name).replace(target)
    except OSError as problem:
        with contextlib.suppress(OSError, UnboundLocalError):
            Path(name).unlink(missing_ok=True)
        raise _cannot_write(target, problem) from problem

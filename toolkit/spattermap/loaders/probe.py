"""HDF5 files and Zarr stores are first read in a child process: damaged ones can kill a reader.

The HDF5 library trusts what a file says of itself. Files with one wrong byte, and files made to do
harm, crash it (2.0.0 does: a chunk that unpacks to less than its size, a variable-length attribute
of a wrong type), and no check from outside can tell. So the first open of a file is left to a
child (`probe_worker`), which reads every name, attribute and compressed chunk under a bound of
time and memory; the file is opened here only when the child has come through. One child serves all
files of a process: it costs a quarter of a second once, beside the import of the libraries, and
then about as long as reading the file's compressed chunks.
"""

from __future__ import annotations

import atexit
import contextlib
import itertools
import json
import os
import queue
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from spattermap.core.errors import InputFileError

# Without a sign of life for so long, a file is taken for one that hangs its reader (s).
SILENT_SECONDS = 10.0
# A child that has to import its libraries from a slow disk may take this long (s).
START_SECONDS = 60.0
# In all (s).
MOST_SECONDS = 120.0
MOST_BYTES = 2**30
_KNOWN_FILES = 256
_WORKER = Path(__file__).with_name("probe_worker.py")


class _Child:
    """A running worker, with a thread that collects its lines."""

    def __init__(self) -> None:
        # glibc then fills freed memory and stops at a damaged heap, instead of going on by luck.
        environment = {**os.environ, "MALLOC_PERTURB_": "165", "MALLOC_CHECK_": "3"}
        environment["PYTHONPATH"] = os.pathsep.join(entry for entry in sys.path if entry)
        self.owner = os.getpid()
        self.process = subprocess.Popen(
            # -P: modules beside the worker must not hide modules of the same name.
            [sys.executable, "-P", str(_WORKER)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            encoding="utf-8",
        )
        self.lines: queue.Queue[str | None] = queue.Queue()
        self.ready = False
        threading.Thread(target=self._collect, daemon=True).start()

    def _collect(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.put(line)
        self.lines.put(None)

    @property
    def usable(self) -> bool:
        """True while the process lives and is ours, not that of a parent we were forked from."""
        return self.owner == os.getpid() and self.process.poll() is None

    def become_ready(self) -> bool:
        """Wait until the worker has its libraries; False where it cannot get them."""
        with contextlib.suppress(queue.Empty):
            self.ready = self.ready or self.lines.get(timeout=START_SECONDS) == "ready\n"
        return self.ready

    def ask(self, path: Path) -> dict[str, Any] | str:
        """Return the worker's answer, or a word for what came instead of one."""
        assert self.process.stdin is not None
        try:
            self.process.stdin.write(json.dumps(str(path)) + "\n")
            self.process.stdin.flush()
        except OSError:
            return "crashes"
        begun = heard = time.monotonic()
        while True:
            try:
                line = self.lines.get(timeout=0.05)
            except queue.Empty:
                now = time.monotonic()
                if now - heard > SILENT_SECONDS or now - begun > MOST_SECONDS:
                    return "hangs"
                if _resident_bytes(self.process.pid) > MOST_BYTES:
                    return "exhausts the memory of"
                continue
            if line is None:
                return "crashes"
            if line.startswith("{"):
                answer: dict[str, Any] = json.loads(line)
                return "exhausts the memory of" if answer["memory"] else answer
            heard = time.monotonic()

    def stop(self) -> None:
        """End the process."""
        if self.owner != os.getpid():
            return
        self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()


def _resident_bytes(pid: int) -> int:
    """Return the memory of a process where it could not bound itself (all but Linux)."""
    if Path("/proc/self/statm").exists():
        return 0
    import psutil

    try:
        return int(psutil.Process(pid).memory_info().rss)
    except psutil.Error:
        return 0


_lock = threading.Lock()
_child: _Child | None = None
_turn = itertools.count()
_seen: dict[tuple[str, int, int], dict[str, Any]] = {}


def start() -> None:
    """Start the child if none is running, without waiting for it; call before slow imports."""
    global _child  # noqa: PLW0603 - one child a process, so that only the first file pays for it
    with _lock:
        if _child is not None and _child.usable:
            return
        _forget()
        try:
            _child = _Child()
        except (OSError, ValueError):  # systems without child processes read without the probe
            _child = None


def _forget() -> None:
    global _child  # noqa: PLW0603 - see start
    if _child is not None:
        _child.stop()
    _child = None


@atexit.register
def stop() -> None:
    """End the child, if one is running, and forget what it said."""
    with _lock:
        _forget()
        _seen.clear()


def child_id() -> int | None:
    """Return the process number of the running child, None where there is none."""
    return _child.process.pid if _child is not None and _child.usable else None


def require_harmless(path: Path, what: str = "HDF5 file") -> tuple[str, ...]:
    """Refuse a file or store that crashes, hangs or exhausts a process which reads all of it."""
    facts = path.stat()
    # The time of a folder says nothing of what is in it: a store is looked through each time.
    number = next(_turn) if path.is_dir() else facts.st_size
    key = (str(path.absolute()), number, facts.st_mtime_ns)
    start()
    with _lock:
        answer: dict[str, Any] | str = _seen.get(key) or _asked(path)
    if isinstance(answer, str):
        raise InputFileError(
            f"{path} must be a whole {what}, got one that {answer} the "
            f"{what.split(maxsplit=1)[0]} library. Export it again"
            + (", in smaller chunks." if "memory" in answer else ".")
        )
    while len(_seen) >= _KNOWN_FILES:
        _seen.pop(next(iter(_seen)))
    _seen[key] = answer
    return tuple(answer["links"])


def refuse_links(path: Path, links: tuple[str, ...]) -> None:
    """Refuse a file that takes its data from other files."""
    if links:
        raise InputFileError(
            f"{path} must hold its own data, got links to other files in {links[0]!r}. "
            "Export one file."
        )


def _asked(path: Path) -> dict[str, Any] | str:
    nothing: dict[str, Any] = {"links": []}
    if _child is None or not _child.become_ready():
        _forget()
        return nothing
    answer = _child.ask(path.absolute())
    if isinstance(answer, str) or answer.get("spent"):
        _forget()
    return answer

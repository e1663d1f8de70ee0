"""What the command does about waiting: fewer imports, and a word where it takes long."""

from __future__ import annotations

import atexit
import gc
import importlib
import importlib.util
import os
import subprocess
import sys
from typing import Any

# Where the arrays of a library have their class, and its name.
_ARRAYS = {"dask": ("dask.array", "Array"), "pint": ("pint", "Quantity")}


# What `from numpy import *` in scipy imports, and nobody here uses.
_UNUSED = ("numpy.f2py", "numpy.testing")


class _OnceImported:
    """What xarray asks of an array library, answered without importing it.

    An array of a class that was never imported cannot exist, so the answer is the same.
    """

    def __init__(self, name: str, whole: type) -> None:
        self._name, self._whole = name, whole
        self._known: Any = None

    @property
    def type(self) -> tuple[type, ...]:
        module, name = _ARRAYS[self._name]
        found = getattr(sys.modules.get(module), name, None)
        return () if found is None else (found,)

    def __getattr__(self, name: str) -> Any:  # its version, or whether it can be had
        if self._known is None:
            self._known = self._whole(self._name)
        return getattr(self._known, name)


def spare_imports() -> None:
    """Put off what libraries import and a command does not use."""
    gc.set_threshold(50_000)  # imports make many objects and hardly a cycle to look for
    _spare_parts_of_numpy()
    _spare_notes_of_scipy()
    _spare_array_libraries()


def _spare_parts_of_numpy() -> None:
    """Run some modules of numpy only when something of theirs is asked for."""
    numpy = importlib.import_module("numpy")
    for name in _UNUSED:
        spec = None if name in sys.modules else importlib.util.find_spec(name)
        if spec is None or spec.loader is None:
            continue
        spec.loader = importlib.util.LazyLoader(spec.loader)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        setattr(numpy, name.partition(".")[2], module)
        spec.loader.exec_module(module)


class _KeptText:
    """Stands for a parsed docstring, to which scipy adds a note: the text stays as it is."""

    def __init__(self, function: Any) -> None:
        self._text = function.__doc__ or ""

    def __getitem__(self, _section: str) -> list[str]:
        return []

    def __str__(self) -> str:
        return "\n" + self._text


def _spare_notes_of_scipy() -> None:
    """Keep scipy from parsing 200 docstrings to tell in each which array libraries were tested."""
    try:
        noting: Any = importlib.import_module("scipy._lib._array_api")
    except ImportError:
        return
    if hasattr(noting, "FunctionDoc"):
        noting.FunctionDoc = _KeptText


def _spare_array_libraries() -> None:
    """Keep xarray from importing dask and pint before an array of theirs exists.

    For a process of our own only (the command): private names of xarray are replaced, and where a
    version of it has no such names nothing changes.
    """
    try:
        lookup = importlib.import_module("xarray.namedarray.pycompat")
        known, whole = lookup._cached_duck_array_modules, lookup.DuckArrayModule
        utils: Any = importlib.import_module("xarray.namedarray.utils")
        is_collection = utils.is_dask_collection
    except (ImportError, AttributeError):
        return
    for name in _ARRAYS:
        known.setdefault(name, _OnceImported(name, whole))
    utils.is_dask_collection = lambda x: "dask" in sys.modules and is_collection(x)


def share_compiling() -> None:
    """Say it, and let other processors help, where loops are compiled for the first time."""
    from numba.core import event

    class Helped(event.Listener):
        started = False

        def on_start(self, _event: Any) -> None:
            if self.started:
                return
            self.started = True
            if sys.stderr.isatty():
                said = "First run on this machine: compiling, about a quarter of a minute, once ..."
                print(f"\r\x1b[K{said}", file=sys.stderr)
            _compile_beside(min(3, (os.cpu_count() or 1) - 1))

        def on_end(self, _event: Any) -> None:
            """Nothing is done at the end."""

    event.register("numba:compile", Helped())  # type: ignore[no-untyped-call]


def _compile_beside(n_helpers: int) -> None:
    """Compile the same loops in further processes, which never outlive this one."""
    nothing = subprocess.DEVNULL
    for k in range(n_helpers):
        command = [sys.executable, "-m", "spattermap.compiling", str(k)]
        try:
            helper = subprocess.Popen(command, stdin=nothing, stdout=nothing, stderr=nothing)
        except OSError:
            return  # without help it takes longer, no more
        atexit.register(helper.wait)
        atexit.register(helper.kill)  # comes first

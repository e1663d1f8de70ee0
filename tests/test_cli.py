"""The command line: help at once, one-line errors, the exit status that is promised."""

import subprocess
import sys
import warnings
from pathlib import Path
from unittest.mock import Mock

import pytest

from spattermap import cli
from spattermap.core import lean
from spattermap.core.errors import SpattermapWarning

HEAVY = ("numpy", "pandas", "xarray", "hyperspy", "matplotlib", "numba", "dask", "scipy")
# What `look` does without: the person waits for it at the microscope.
NOT_FOR_A_LOOK = (
    "dask", "pint", "hyperspy", "matplotlib", "numba", "skimage", "sqlalchemy", "xraydb", "zarr",
    "h5py", "scipy.stats", "scipy.optimize", "scipy.signal", "IPython", "spattermap.show.pictures",
)  # fmt: skip
BRASS = Path(__file__).parents[1] / "sample_maps" / "brass_burst"


def imported_by(arguments, names):
    """Return which of some modules a fresh interpreter holds after a command, and its output."""
    code = (
        "import sys, contextlib\n"
        "from spattermap import cli\n"
        f"with contextlib.suppress(SystemExit):\n    cli.main({arguments!r})\n"
        f"print([name for name in {names!r} if name in sys.modules], file=sys.stderr)"
    )
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, encoding="utf-8"
    )


def test_help_imports_nothing_heavy():
    done = imported_by(["--help"], HEAVY)
    assert done.stderr.strip() == "[]"
    assert "report" in done.stdout
    assert "look" in done.stdout


def test_a_look_imports_only_what_it_needs():
    done = imported_by(["look", str(BRASS)], NOT_FOR_A_LOOK)
    assert done.stderr.strip() == "[]"
    assert "Examination" in done.stdout


def test_arrays_of_libraries_that_are_imported_later_are_still_known():
    # In a process of its own: what xarray asks of dask is replaced there.
    code = (
        "from spattermap.core.lean import spare_imports\n"
        "spare_imports()\n"
        "import numpy as np, xarray as xr, sys\n"
        "eager = xr.DataArray(np.ones((2, 3)), dims=('y', 'x'))\n"
        "assert 'dask.array' not in sys.modules and eager.chunks is None\n"
        "lazy = eager.chunk({'y': 1})\n"
        "assert lazy.chunks == ((1, 1), (3,)) and hasattr(lazy.data, 'dask')\n"
        "assert hasattr((lazy + 1).mean().data, 'dask') and float((lazy + 1).mean()) == 2.0\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_second_process_compiles_what_an_analysis_needs():
    # In a process of its own: in this one other tests may have compiled more.
    code = (
        "import gc, sys\n"
        "from numba.core.dispatcher import Dispatcher\n"
        "from spattermap import analyse, compiling, load\n"
        "def known():\n"
        "    return {(d.py_func.__module__, d.py_func.__name__, s) for d in gc.get_objects()\n"
        "            if isinstance(d, Dispatcher) and d.py_func.__module__.startswith('spatter')\n"
        "            for s in d.signatures}\n"
        "compiling.compile_all()\n"
        "before = known()\n"
        "assert len(before) >= len(compiling.loops())\n"
        "analyse(load(sys.argv[1]))\n"
        "assert known() == before, known() - before\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(BRASS)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(("cores", "helpers"), [(None, 0), (1, 0), (2, 1), (16, 3)])
def test_processors_help_only_where_something_is_compiled(monkeypatch, cores, helpers):
    from numba.core import event

    started, listeners, at_exit = [], [], []
    monkeypatch.setattr(
        lean.subprocess, "Popen", lambda words, **_: started.append(words) or Mock()
    )
    monkeypatch.setattr(lean.os, "cpu_count", lambda: cores)
    monkeypatch.setattr(event, "register", lambda _kind, one: listeners.append(one))
    monkeypatch.setattr(lean.atexit, "register", at_exit.append)
    lean.share_compiling()
    assert started == []
    for _ in range(2):
        listeners[0].on_start(None)
        listeners[0].on_end(None)
    assert [words[1:] for words in started] == [
        ["-m", "spattermap.compiling", str(k)] for k in range(helpers)
    ]
    assert len(at_exit) == 2 * helpers


def test_a_fault_of_ours_is_status_1(monkeypatch, capsys):
    def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr(cli, "_look", broken)
    assert cli.main(["look", "anything"]) == 1
    assert "fault of ours" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--alloy", ","], "--alloy must list element symbols"),
        (["--alloy", "Xx"], "symbol of a chemical element"),
        (["--alloy", "Cu Xx"], "got 'Xx'"),
        (["--settings", "missing.toml"], "readable settings file"),
    ],
)
def test_bad_choices_are_status_2_and_one_line(tmp_path, capsys, words, said):
    out = tmp_path / "out"
    status = cli.main(["report", str(tmp_path), "--out", str(out), *words])
    error = capsys.readouterr().err
    assert status == 2
    assert said in error
    assert error.count("\n") == 1
    assert not out.exists()


@pytest.mark.filterwarnings("always")
def test_our_warnings_are_one_line(monkeypatch, capsys):
    def warns(*_):
        warnings.warn("lossy\nfile", SpattermapWarning, stacklevel=1)
        return 0

    monkeypatch.setattr(cli, "_look", warns)
    assert cli.main(["look", "anything"]) == 0
    assert capsys.readouterr().err == "spattermap: warning: lossy file\n"

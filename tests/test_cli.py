"""The command line: help at once, one-line errors, the exit status that is promised."""

import subprocess
import sys
import warnings

import pytest

from spattermap import cli
from spattermap.core.errors import SpattermapWarning

HEAVY = ("numpy", "pandas", "xarray", "hyperspy", "matplotlib", "numba", "dask", "scipy")


def test_help_imports_nothing_heavy():
    code = (
        "import sys, contextlib\n"
        "from spattermap import cli\n"
        "with contextlib.suppress(SystemExit):\n    cli.main(['--help'])\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, encoding="utf-8"
    )
    assert done.stderr.strip() == "[]"
    assert "report" in done.stdout
    assert "look" in done.stdout


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

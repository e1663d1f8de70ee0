"""Faults of the surroundings: a full disk, a killed run, two runs at once, strange names.

`tests/benchmarks/faults.py` does the same to whole reports, with 50 interruptions.
"""

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import spattermap
from spattermap import cli
from spattermap.core import files
from spattermap.core.errors import InputFileError, OutputError
from spattermap.core.files import staged_folder

# A process that has ended: its number is free, or that of the longest-running process there is.
ENDED = "import os; print(os.getpid())"


def small_maps(seed=1):
    rng = np.random.default_rng(seed)
    y, x = np.indices((64, 64))
    copper = np.full((64, 64), 0.3)
    for row, column, radius in ((14, 14, 5), (40, 20, 6), (25, 45, 7), (50, 52, 4)):
        copper += 6.0 * ((y - row) ** 2 + (x - column) ** 2 < radius**2)
    planes = [copper, 0.4 * copper, 4 - 0.5 * np.minimum(copper, 6)]
    counts = np.stack([rng.poisson(plane) for plane in planes]).astype(np.uint16)
    return spattermap.make_map_set(counts, ["Cu", "Zn", "Si"], pixel_size_um=0.5)


@pytest.fixture(scope="module")
def analysis():
    return spattermap.analyse(small_maps())


@pytest.fixture
def gone():
    """Return the mark of a writer whose process has ended."""
    done = subprocess.run([sys.executable, "-c", ENDED], capture_output=True, text=True, check=True)
    return f"{files._machine()}-{files._boot()}-{done.stdout.strip()}-1"


def names(folder):
    return sorted(item.name for item in folder.iterdir())


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS])
def test_a_full_or_read_only_disk_is_one_clear_line(tmp_path, analysis, monkeypatch, number):
    def full(*_, **__):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr("tifffile.imwrite", full)
    with pytest.raises(OutputError, match="must be writable") as caught:
        analysis.save(tmp_path / "out")
    assert str(tmp_path / "out") in str(caught.value)
    assert os.strerror(number) in str(caught.value)
    assert names(tmp_path) == []


def test_errors_name_the_folder_the_user_asked_for(tmp_path):
    with pytest.raises(OutputError) as caught, staged_folder(tmp_path / "out") as stage:
        (stage / "missing" / "table.csv").write_text("", encoding="utf-8")
    assert "/out must" in str(caught.value).replace("\\", "/")
    with pytest.raises(OutputError) as caught, staged_folder(tmp_path / "out") as stage:
        raise OutputError(f"{stage} must be kind, got unkind. Try again.")
    assert ".spattermap_" not in str(caught.value)


def test_errors_about_the_input_stay_what_they_are(tmp_path):
    with pytest.raises(InputFileError), staged_folder(tmp_path / "out"):
        raise InputFileError("maps.tif must be whole")
    with pytest.raises(ConnectionError), staged_folder(tmp_path / "out"):
        raise ConnectionError


def unwatched():
    """Return the environment without coverage, whose own record would break the limit too."""
    return {key: value for key, value in os.environ.items() if not key.startswith("COVERAGE_")}


@pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX")
def test_a_real_limit_of_file_size(tmp_path):
    code = (
        "import resource, signal, sys\n"
        "from spattermap.core.files import staged_folder\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "with staged_folder(sys.argv[1]) as stage:\n"
        "    (stage / 'a.txt').write_text('x' * 5000, encoding='utf-8')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "out")], capture_output=True, text=True,
        check=False, env={**unwatched(), "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert "OutputError" in done.stderr.splitlines()[-1]
    assert "File too large" in done.stderr
    assert names(tmp_path) == []


def test_what_a_killed_run_left_is_cleared_by_the_next(tmp_path, gone):
    for name in (f".spattermap_{gone}-abc", f".spattermap_{files._writer()}-abc"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "half.csv").write_text("half", encoding="utf-8")
    (tmp_path / f".spattermap_{gone}-def").write_text("half", encoding="utf-8")
    (tmp_path / ".spattermap_notes").write_text("mine", encoding="utf-8")
    with staged_folder(tmp_path / "out") as stage:
        (stage / "a.txt").write_text("whole", encoding="utf-8")
    # A run that still goes on, and what is not ours, is left alone.
    left = sorted([".spattermap_notes", f".spattermap_{files._writer()}-abc", "out"])
    assert names(tmp_path) == left


def test_a_mark_of_a_killed_run_does_not_lock_the_folder(tmp_path, gone, monkeypatch):
    monkeypatch.setitem(sys.modules, "fcntl", None)  # as on Windows
    (tmp_path / "old.txt").write_text("", encoding="utf-8")
    (tmp_path / ".spattermap_writing").write_text(gone, encoding="utf-8")
    with (
        files.only_writer(tmp_path),
        pytest.raises(OutputError, match="two runs at once"),
        files.only_writer(tmp_path),
    ):
        pass
    assert names(tmp_path) == ["old.txt"]


def test_a_folder_that_holds_only_leftovers_counts_as_empty(tmp_path, gone):
    out = tmp_path / "out"
    (out / f".spattermap_{gone}-abc").mkdir(parents=True)
    with staged_folder(out) as stage:
        (stage / "new.txt").write_text("", encoding="utf-8")
    assert names(out) == ["new.txt"]


def test_another_machine_is_never_taken_for_dead(tmp_path):
    (tmp_path / ".spattermap_00000000-00000000-999999-1-abc").mkdir()
    with staged_folder(tmp_path / "out") as stage:
        (stage / "a.txt").write_text("", encoding="utf-8")
    assert names(tmp_path) == [".spattermap_00000000-00000000-999999-1-abc", "out"]


def test_two_runs_into_one_new_folder(tmp_path):
    out = tmp_path / "out"
    with (
        pytest.raises(OutputError, match="must be empty or new"),
        staged_folder(out) as first,
    ):
        (first / "a.txt").write_text("first", encoding="utf-8")
        with staged_folder(out) as second:
            (second / "a.txt").write_text("second", encoding="utf-8")
    assert (out / "a.txt").read_text(encoding="utf-8") == "second"
    assert names(tmp_path) == ["out"]


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("how", ["SIGINT", "SIGKILL"])
def test_an_interrupted_save_leaves_nothing_or_all(tmp_path, how):
    import signal
    import time

    code = (
        "import signal, sys, time\n"
        # Whoever runs the tests in the background of a shell has the signal ignored from there on.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from spattermap.core.files import staged_folder\n"
        "with staged_folder(sys.argv[1]) as stage:\n"
        "    (stage / 'half.csv').write_text('half', encoding='utf-8')\n"
        "    print('writing', flush=True)\n"
        "    time.sleep(60)\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "out")], stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    with process:
        process.stdout.readline()
        process.send_signal(getattr(signal, how))
        process.wait(20)
    assert not (tmp_path / "out").exists()
    assert bool(names(tmp_path)) == (how == "SIGKILL")
    time.sleep(0.05)
    with staged_folder(tmp_path / "out") as stage:
        (stage / "a.txt").write_text("", encoding="utf-8")
    assert names(tmp_path) == ["out"]


def test_a_whole_report_leaves_its_results_and_nothing_else(tmp_path):
    from spattermap.show.report import write_report

    small_maps().to_netcdf(tmp_path / "maps.nc", engine="h5netcdf")
    page = write_report(tmp_path / "maps.nc", tmp_path / "out")
    assert page == tmp_path / "out" / "report.html"
    assert {*TABLES, "report.html", "figures"} == set(names(tmp_path / "out"))
    assert names(tmp_path) == ["maps.nc", "out"]
    with pytest.raises(OutputError, match="must be empty or new"):
        write_report(tmp_path / "maps.nc", tmp_path / "out")
    assert names(tmp_path) == ["maps.nc", "out"]


@pytest.mark.parametrize("out", ["é 結果 'α' & <b>", "x" * 200, "/".join(["deep" * 20] * 6)])
def test_strange_and_long_paths(tmp_path, analysis, out):
    folder = tmp_path / out
    analysis.save(folder)
    assert json.loads((folder / "summary.json").read_text(encoding="utf-8"))


def test_a_name_no_system_takes_is_one_clear_line(tmp_path, capsys):
    with (
        pytest.raises(OutputError, match="must be writable"),
        staged_folder(tmp_path / ("x" * 300)),
    ):
        pass
    with pytest.raises(OutputError, match="null character"), staged_folder(str(tmp_path) + "\0"):
        pass
    with pytest.raises(InputFileError, match="existing file or folder"):
        spattermap.load(tmp_path / ("x" * 300))
    assert cli.main(["look", str(tmp_path / ("x" * 300))]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="/dev/null is no folder anywhere else")
def test_no_home_and_no_display(tmp_path):
    hidden = ("HOME", "DISPLAY", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "MPLCONFIGDIR")
    environment = {key: value for key, value in os.environ.items() if key not in hidden}
    environment["HOME"] = "/dev/null"  # nothing can be made in it, not even by root
    np.savez(tmp_path / "maps.npz", Cu_Ka=small_maps()["counts"][0].values)
    code = (
        "import sys, spattermap\n"
        "analysis = spattermap.analyse(spattermap.load(sys.argv[1]))\n"
        "analysis.save(sys.argv[2])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "maps.npz"), str(tmp_path / "out")],
        capture_output=True, text=True, check=False,
        env={**environment, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out" / "summary.json").exists()


# --- the same input gives the same bytes --------------------------------------------------------

SAVE = (
    "import pathlib, sys, spattermap\n"
    "for chunks in sys.argv[3:]:\n"
    "    maps = spattermap.load(sys.argv[1], chunks=int(chunks) or None)\n"
    "    out = pathlib.Path(sys.argv[2] + chunks)\n"
    "    out.mkdir()\n"
    "    spattermap.analyse(maps).write_tables(out)\n"
)
TABLES = ("summary.json", "droplets.csv", "streaks.csv", "elements.csv", "pairs.csv", "labels.tif",
          "examination.csv")  # fmt: skip


def test_same_bytes_on_one_and_two_threads_eager_and_chunked(tmp_path):
    small_maps().to_netcdf(tmp_path / "maps.nc", engine="h5netcdf")
    runs = {}
    for threads, chunks in ((1, "0"), (2, "0 24")):
        out = str(tmp_path / f"out{threads}_")
        limits = {f"{name}_NUM_THREADS": str(threads) for name in ("NUMBA", "OMP", "OPENBLAS")}
        path = {"PYTHONPATH": os.pathsep.join(sys.path)}
        command = [sys.executable, "-c", SAVE, str(tmp_path / "maps.nc"), out, *chunks.split()]
        subprocess.run(command, check=True, env={**os.environ, **limits, **path})
        for size in chunks.split():
            written = {name: Path(out + size, name).read_bytes() for name in TABLES}
            runs[threads, size] = written
    first = runs[1, "0"]
    for how, tables in runs.items():
        differ = [name for name in TABLES if tables[name] != first[name]]
        assert differ == [], how
    assert len(first["droplets.csv"].splitlines()) > 3


def test_versions_and_seed_are_recorded(analysis):
    written = json.loads(json.dumps(analysis.summary()))
    assert written["versions"]["spattermap"] == spattermap.__version__
    assert {"python", "numpy", "scipy", "numba", "xarray"} <= set(written["versions"])
    assert written["settings"]["seed"] == analysis.settings.seed

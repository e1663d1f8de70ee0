"""Sweeps and mosaics on a real cluster: a scheduler and two workers as processes of their own."""

from __future__ import annotations

import json
import operator
import os
import pickle
import pickletools
import re
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pandas as pd
import pytest

from spattermap.analysis import analyse
from spattermap.core import work
from spattermap.core.errors import ClusterError, InputError
from spattermap.core.files import staged_folder
from spattermap.core.settings import Settings
from spattermap.core.work import Workers
from spattermap.loaders import open_parts
from spattermap.loaders.convert import convert
from spattermap.show.mosaic_page import write_mosaic
from spattermap.sweeps import sweep
from spattermap.sweeps.deposit import SheetTask
from spattermap.sweeps.sheet import read_sheet
from spattermap.synthesis import Deposit, make_deposit, save_folder

# The command of the workers, under a version of the test's own.
OTHER = (
    "import sys, spattermap; spattermap.__version__ = '0.0.1'\n"
    "from distributed.cli.dask_worker import main; sys.exit(main())"
)
SECONDS = 120


class Cluster:
    """The processes of a cluster, each of which can be killed by its id."""

    def __init__(self, room):
        self.room, self.file = room, room / "scheduler.json"
        # No worker may outlive the tests that started it, whatever becomes of them.
        self.env = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONPATH": os.pathsep.join(sys.path)}
        self.processes = []
        self.scheduler = self.start(
            "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
            "--no-dashboard", "--scheduler-file", str(self.file),
        )  # fmt: skip
        self.wait_for(lambda: self.file.exists() and self.file.stat().st_size)
        self.address = json.loads(self.file.read_text(encoding="utf-8"))["address"]
        self.workers = [self.worker() for _ in range(2)]
        self.wait_for_workers(2)

    def start(self, *words):
        log = (self.room / f"log{len(self.processes)}").open("wb")
        process = subprocess.Popen(
            [sys.executable, *words], cwd=self.room, env=self.env, stdout=log, stderr=log
        )
        log.close()
        self.processes.append(process)
        return process

    def worker(self, *command):
        return self.start(
            *(command or ("-m", "distributed.cli.dask_worker")), "--scheduler-file", str(self.file),
            "--no-dashboard", "--no-nanny", "--nthreads", "1", "--death-timeout", "5",
            "--local-directory", str(self.room),
        )  # fmt: skip

    def wait_for(self, holds):
        end = time.monotonic() + SECONDS
        while not holds():
            if time.monotonic() > end:
                logs = "\n".join(f.read_text()[-1000:] for f in self.room.glob("log*"))
                pytest.fail(f"the cluster did not come up:\n{logs}")
            time.sleep(0.05)

    def wait_for_workers(self, number):
        from distributed import Client

        with Client(self.address, set_as_default=False) as client:
            self.wait_for(lambda: len(client.scheduler_info(-1)["workers"]) == number)

    def stop(self):
        for process in self.processes:
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    running = Cluster(tmp_path_factory.mktemp("cluster"))
    yield running
    running.stop()


@pytest.fixture(scope="module")
def plates(tmp_path_factory):
    place = tmp_path_factory.mktemp("plates")
    made = []
    for number in range(3):
        scene = make_deposit(Deposit(shape=(64, 64), electron_image=False), seed=number)
        made.append(save_folder(scene, place / f"burst_{number}"))
    return made


@pytest.fixture(scope="module")
def here(plates, tmp_path_factory):
    return sweep(plates, out=tmp_path_factory.mktemp("here") / "out", scheduler="synchronous")


def same_files(one, other):
    files = sorted(file.relative_to(one) for file in one.rglob("*") if file.is_file())
    assert files == sorted(file.relative_to(other) for file in other.rglob("*") if file.is_file())
    for file in files:
        assert (one / file).read_bytes() == (other / file).read_bytes(), file


def test_a_sweep_by_address_is_that_of_this_process(cluster, plates, here, tmp_path):
    found = sweep(plates, out=tmp_path / "out", scheduler=cluster.address)
    assert found.n_errors == 0
    same_files(found.folder / "deposits", here.folder / "deposits")
    pd.testing.assert_frame_equal(found.fields, here.fields)


def test_a_sweep_on_the_active_client(cluster, plates, here, tmp_path):
    from distributed import Client

    with Client(cluster.address):
        found = sweep(plates[:2], out=tmp_path / "out")
    assert found.n_errors == 0
    for folder in (found.folder / "deposits").iterdir():
        same_files(folder, here.folder / "deposits" / folder.name)


def test_a_mosaic_by_address_is_that_of_threads(cluster, tmp_path):
    # The page is drawn by this process from the tables, and need not be drawn twice.
    scene = make_deposit(Deposit(shape=(112, 128), electron_image=False), seed=5)
    place = convert(save_folder(scene, tmp_path / "maps"), tmp_path / "maps.zarr")
    made = []
    for name, workers in (("far", Workers(cluster.address)), ("near", Workers("threads", 1))):
        with staged_folder(tmp_path / name) as stage:
            found = analyse(open_parts(place), part_px=64, folder=stage, workers=workers)
            found.write_tables(stage)
            found.close()
        made.append(tmp_path / name)
    assert len((made[0] / "droplets.csv").read_text(encoding="utf-8").splitlines()) > 5
    same_files(*made)
    assert not list(tmp_path.glob(".spattermap_*"))


def test_every_task_once_and_errors_as_they_were_raised(cluster):
    found = dict(work.run(operator.neg, range(20), lost=str, scheduler=cluster.address))
    assert found == {k: -k for k in range(20)}
    with pytest.raises(ZeroDivisionError):
        list(work.run((1).__truediv__, [1, 0], lost=str, scheduler=cluster.address))


def modules_of(sent):
    """Return the modules of whatever a pickle names."""
    globals_ = {
        str(argument)
        for code, argument, _ in pickletools.genops(sent)
        if code.name in ("SHORT_BINUNICODE", "GLOBAL") and "." in str(argument)
    }
    return {name for name in globals_ if name.split(".")[0] in sys.modules}


def test_only_plain_data_is_sent(plates, tmp_path):
    row = read_sheet(plates)[0]
    sent = pickle.dumps(SheetTask(row, Settings(), tmp_path), protocol=5)
    assert modules_of(sent) <= {"spattermap.sweeps.deposit", "spattermap.sweeps.sheet",
                                "spattermap.core.settings", "pathlib", "copyreg"}  # fmt: skip


def test_a_mosaic_sends_records_and_numbers_and_no_code(tmp_path, monkeypatch):
    """Every task, what is common to all, and every result, as the standard library pickles it."""
    sent = []

    def kept(function, tasks, **options):
        results = []
        for task in tasks:
            before = () if options.get("common") is None else (options["common"],)
            # Code can only be sent by value, which this pickle refuses: functions go by name.
            call = pickle.dumps((function, *before, task), protocol=5)
            name, *rest = pickle.loads(call)
            results.append(name(*rest))
            sent.extend((call, pickle.dumps(results[-1], protocol=5)))
        return iter(list(enumerate(results)))

    monkeypatch.setattr(work, "run", kept)
    scene = make_deposit(Deposit(shape=(112, 128), electron_image=False), seed=5)
    place = convert(save_folder(scene, tmp_path / "maps"), tmp_path / "maps.zarr")
    write_mosaic(open_parts(place), tmp_path / "out", part_px=64)
    assert len(sent) > 50
    modules = set().union(*map(modules_of, sent))
    assert {name.split(".")[0] for name in modules} <= {
        "spattermap", "numpy", "xarray", "pandas", "dask", "zarr", "pathlib", "copyreg",
        "functools", "builtins", "collections", "datetime", "operator", "asyncio", "threading",
        "scipy", "pyarrow",
    }, sorted(modules)  # fmt: skip


def hungry(task):
    raise MemoryError(f"task {task} wanted 7 GB")


def test_a_worker_without_memory_is_said_to_have_none(cluster):
    with pytest.raises(MemoryError, match="wanted 7 GB"):  # the command says it in one line
        list(work.run(hungry, [1], lost=str, scheduler=cluster.address))


def test_a_worker_of_another_version_is_refused(cluster):
    other = cluster.worker("-c", OTHER)
    try:
        cluster.wait_for_workers(3)
        with pytest.raises(ClusterError, match=r"got tcp://.* with 0\.0\.1\. Install"):
            list(work.run(operator.neg, [1], lost=str, scheduler=cluster.address))
    finally:
        other.kill()
        other.wait()
        cluster.wait_for_workers(2)
    with pytest.raises(ClusterError, match=r"0\.0\.0, got a worker with"):
        work._at_worker(operator.neg, 1, "0.0.0")  # one that joins later


def test_a_worker_without_the_package_is_refused():
    class Client:
        def run(self, *_, **__):
            return {"tcp://here:1": ModuleNotFoundError("No module named 'spattermap'")}

    with pytest.raises(ClusterError, match="none that can be imported"):
        work._refuse_unfit(Client(), ())


def test_a_worker_that_does_not_see_the_folder_is_refused(tmp_path):
    class Client:
        def run(self, function, shared, **_):
            return {"tcp://here:1": function([name + "_elsewhere" for name in shared])}

    with pytest.raises(ClusterError, match=r"does not see .*_elsewhere"):
        work._refuse_unfit(Client(), [tmp_path])


def test_a_scheduler_without_workers_is_said_to_have_none():
    class Client:
        def run(self, *_, **__):
            return {}

    with pytest.warns(UserWarning, match="no workers yet"):
        work._refuse_unfit(Client(), ())


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that kills")
def test_a_killed_worker_loses_nothing(cluster):
    threading.Timer(1.0, cluster.workers[0].kill).start()
    naps = list(np.full(8, 0.4))
    found = dict(work.run(time.sleep, naps, lost=str, scheduler=cluster.address))
    assert found == dict.fromkeys(range(8))
    cluster.workers[0] = cluster.worker()
    cluster.wait_for_workers(2)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that kills")
def test_a_lost_scheduler_ends_in_one_line_and_the_rerun_takes_over(cluster, plates, tmp_path):
    def lose(done, *_):
        if done == 1:
            cluster.scheduler.kill()

    with pytest.raises(ClusterError, match=r"must stay reachable .* lost with \d tasks undone"):
        sweep(plates, out=tmp_path / "out", scheduler=cluster.address, progress=lose)
    again = sweep(plates, out=tmp_path / "out", scheduler="synchronous")
    assert again.n_skipped >= 1
    assert again.n_errors == 0
    with pytest.raises(InputError, match="address of a running dask scheduler"):
        list(work.run(operator.neg, [1], lost=str, scheduler=cluster.address))


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that kills")
def test_the_command_says_one_line_of_a_lost_scheduler(plates, tmp_path):
    running = Cluster(tmp_path)
    try:
        sheet = tmp_path / "sheet.csv"
        sheet.write_text("path\n" + "".join(f"{plate}\n" for plate in plates))
        words = ("-m", "spattermap", "sweep", str(sheet), "--no-reports", "--out",
                 str(tmp_path / "out"), "--scheduler", running.address)  # fmt: skip
        command = subprocess.Popen(
            [sys.executable, *words], stderr=subprocess.PIPE, text=True, env=running.env
        )
        said = [command.stderr.readline()]  # "1/3 ...": the work is under way
        running.scheduler.kill()
        said += command.communicate(timeout=SECONDS)[1].splitlines()
        assert command.returncode == 2, said
        told = [line for line in said if line.strip() and not re.match(r"\d+/\d+ ", line)]
        assert len(told) == 1, said
        assert "must stay reachable until the work is done" in told[0]
    finally:
        running.stop()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that kills")
def test_a_restarted_scheduler_ends_in_one_line_and_serves_the_rerun(tmp_path):
    running = Cluster(tmp_path)
    try:
        port = running.address.rpartition(":")[2]

        def restart():
            running.scheduler.kill()
            running.scheduler.wait()
            running.scheduler = running.start(
                "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", port,
                "--no-dashboard",
            )  # fmt: skip

        timer = threading.Timer(1.0, restart)
        timer.start()
        with pytest.raises(ClusterError, match=r"must stay reachable"):
            list(work.run(time.sleep, [0.5] * 40, lost=str, scheduler=running.address))
        timer.join()
        running.workers = [running.worker() for _ in range(2)]
        running.wait_for_workers(2)  # a scheduler without workers is told of by a warning
        found = dict(work.run(operator.neg, range(3), lost=str, scheduler=running.address))
        assert found == {0: 0, 1: -1, 2: -2}
    finally:
        running.stop()

"""Where the work of a sweep runs, and what happens when a worker dies."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import dask
import pytest

from spattermap.core import work
from spattermap.core.errors import InputError


def double(task):
    return 2 * task


def die_once(task):
    """Kill the own process on the first visit; the marks tell later visits."""
    place, folder = task
    mark = Path(folder) / str(place)
    if place == 3 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return place


def die_always(task):
    if task == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return task


def threads_of(task):
    del task
    return os.environ.get("OMP_NUM_THREADS")


def own_number(task):
    del task
    return os.getpid()


def said(message):
    return message


@pytest.mark.parametrize("scheduler", ["synchronous", "threads"])
def test_every_task_once(scheduler):
    found = dict(work.run(double, range(7), lost=said, scheduler=scheduler))
    assert found == {k: 2 * k for k in range(7)}


def test_dask_configuration_is_heeded(monkeypatch):
    monkeypatch.setattr(work, "_in_processes", None)  # would fail if it were chosen
    with dask.config.set(scheduler="synchronous"):
        assert dict(work.run(double, [5], lost=said)) == {0: 10}


def test_nothing_to_do():
    assert list(work.run(double, [], lost=said, scheduler="processes")) == []


@pytest.mark.parametrize("name", ["cluster", "process"])
def test_unknown_scheduler(name):
    with pytest.raises(InputError, match="scheduler must be one of processes"):
        list(work.run(double, [1], lost=said, scheduler=name))


def test_unreachable_scheduler(monkeypatch):
    import distributed

    def refuse(*_, **__):
        raise OSError("timed out")

    monkeypatch.setattr(distributed, "Client", refuse)
    with pytest.raises(InputError, match="address of a running dask scheduler"):
        list(work.run(double, [1], lost=said, scheduler="tcp://127.0.0.1:9"))


def test_too_few_workers():
    with pytest.raises(InputError, match="workers must be at least 1"):
        list(work.run(double, [1], lost=said, scheduler="processes", workers=0))


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that kills")
def test_a_killed_process_loses_nothing(tmp_path):
    tasks = [(k, str(tmp_path)) for k in range(6)]
    found = dict(work.run(die_once, tasks, lost=said, scheduler="processes", workers=2))
    assert found == {k: k for k in range(6)}
    assert (tmp_path / "3").exists()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that kills")
def test_a_task_that_kills_becomes_a_message():
    found = dict(work.run(die_always, range(4), lost=said, scheduler="processes", workers=2))
    assert {k: found[k] for k in (0, 2, 3)} == {0: 0, 2: 2, 3: 3}
    assert found[1].startswith("The worker process died 3 times")


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that kills")
def test_processes_serve_several_calls_also_after_one_died(tmp_path):
    tasks = [(k, str(tmp_path)) for k in range(5)]
    with work.KeptPool() as kept:
        options = {"lost": said, "scheduler": "processes", "workers": 1, "kept": kept}
        first, again = (dict(work.run(own_number, [0, 1], **options)) for _ in range(2))
        assert len({*first.values(), *again.values()}) == 1
        assert dict(work.run(die_once, tasks, **options)) == {k: k for k in range(5)}
        assert dict(work.run(own_number, [0], **options))[0] not in first.values()


def test_workers_use_one_thread():
    assert dict(work.run(threads_of, [0], lost=said, scheduler="processes", workers=1)) == {0: "1"}


@pytest.mark.calibration
def test_active_cluster_is_used():
    from distributed import Client, LocalCluster

    cluster = LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with cluster, Client(cluster):
        found = dict(work.run(double, range(5), lost=said))
    assert found == {k: 2 * k for k in range(5)}


DRIVER = """
import os, sys, time
sys.path.insert(0, {place!r})
from sleepers import sleep_long
from spattermap.core import work as engine
if __name__ == "__main__":
    list(engine.run(sleep_long, [{folder!r}], lost=str, scheduler="processes", workers=1))
"""
SLEEPERS = """
import os, time
from pathlib import Path

def sleep_long(folder):
    (Path(folder) / "worker").write_text(str(os.getpid()))
    time.sleep(600)
"""


def alive(process_id):
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that kills")
def test_workers_end_with_a_killed_driver(tmp_path):
    (tmp_path / "sleepers.py").write_text(SLEEPERS, encoding="utf-8")
    script = tmp_path / "driver.py"
    script.write_text(DRIVER.format(place=str(tmp_path), folder=str(tmp_path)), encoding="utf-8")
    here = str(Path(work.__file__).parents[2])
    places = os.pathsep.join([here, str(tmp_path)])
    driver = subprocess.Popen(
        [sys.executable, str(script)], env=os.environ | {"PYTHONPATH": places}
    )
    told = tmp_path / "worker"
    wait_until(lambda: told.exists() and told.read_text())
    worker = int(told.read_text())
    assert alive(worker)
    driver.kill()
    driver.wait()
    wait_until(lambda: not alive(worker))


def wait_until(true):
    for _ in range(600):
        if true():
            return
        time.sleep(0.1)
    raise AssertionError("waited for a minute")

"""The child that reads HDF5 files first, its work done here in plain sight."""

import io
import json

import h5py
import numpy as np
import pytest

from spattermap.core.errors import InputFileError
from spattermap.loaders import probe, probe_worker


@pytest.fixture
def held(tmp_path):
    """Return a file with one of everything the worker reads."""
    place = tmp_path / "held.h5"
    with h5py.File(place, "w") as file:
        file.attrs["title"] = "plate"
        file["plain"] = np.arange(6).reshape(2, 3)
        file["words"] = ["a", "b", "c"]
        file["word"] = "alone"
        file["empty"] = np.zeros((0, 3))
        file["nothing"] = h5py.Empty("f4")
        packed = file.create_dataset(
            "packed", (8, 8), chunks=(4, 4), compression="gzip", dtype="i4"
        )
        packed[...] = 7
        file.create_dataset("loose", (8, 8), chunks=(2, 2), dtype="i2")[...] = 1
        file["group/again"] = file["plain"]
        layout = h5py.VirtualLayout((2, 3), "i8")
        layout[...] = h5py.VirtualSource(file["plain"])
        file.create_virtual_dataset("seen_through", layout)
        file["soft"] = h5py.SoftLink("/plain")
        file["nowhere"] = h5py.SoftLink("/lost")
    return place


def test_a_harmless_file_is_read_through(held):
    found = probe_worker.look_through(str(held))
    assert found["links"] == []
    assert found["memory"] is False


def test_links_into_other_files_are_named_and_not_followed(tmp_path):
    for k in range(5):
        with h5py.File(tmp_path / f"other{k}.h5", "w") as file:
            file["x"] = 1
    with h5py.File(tmp_path / "maps.h5", "w") as file:
        for k in range(5):
            file[f"group/out{k}"] = h5py.ExternalLink(f"other{k}.h5", "/x")
    found = probe_worker.look_through(str(tmp_path / "maps.h5"))
    assert found["links"] == [f"/group/out{k}" for k in range(3)]


def test_a_chunk_larger_than_the_bound_is_refused_unread(tmp_path, monkeypatch):
    with h5py.File(tmp_path / "maps.h5", "w") as file:
        file.create_dataset("wide", (64, 64), chunks=(64, 64), dtype="f8", compression="gzip")
        file["wide"][0, 0] = 1.0
    assert probe_worker.look_through(str(tmp_path / "maps.h5"))["memory"] is False
    monkeypatch.setattr(probe_worker, "MEMORY_BYTES", 2 * 64 * 64 * 8 - 2)
    monkeypatch.setattr(probe_worker, "peak_bytes", lambda: 0)
    assert probe_worker.look_through(str(tmp_path / "maps.h5"))["memory"] is True


def test_beyond_the_allowance_only_the_ends_and_extremes_are_unpacked(tmp_path, monkeypatch):
    with h5py.File(tmp_path / "maps.h5", "w") as file:
        data = file.create_dataset("d", (16, 4), chunks=(1, 4), dtype="i4", compression="gzip")
        data[...] = np.arange(64).reshape(16, 4)
    steps = []
    monkeypatch.setattr(probe_worker.Progress, "step", lambda _, many=1: steps.append(many))
    probe_worker.look_through(str(tmp_path / "maps.h5"))
    assert steps.count(1000) == 16
    steps.clear()
    monkeypatch.setattr(probe_worker, "UNPACKED_BYTES", 3 * 16)
    probe_worker.look_through(str(tmp_path / "maps.h5"))
    assert 3 < steps.count(1000) <= 3 + 4


def test_what_cannot_be_read_is_left_to_the_reader():
    progress = probe_worker.Progress()

    def broken(word):
        raise OSError(word)

    def full():
        raise MemoryError

    assert progress.attempt(broken, "bad checksum") is None
    assert progress.out_of_memory is False
    assert progress.attempt(int, "7") == 7
    assert progress.attempt(full) is None
    assert progress.out_of_memory is True
    progress.out_of_memory = False
    assert progress.attempt(broken, "unable to allocate") is None
    assert progress.out_of_memory is True


def test_a_failure_after_much_memory_counts_as_its_end(monkeypatch):
    progress = probe_worker.Progress()
    monkeypatch.setattr(
        probe_worker, "peak_bytes", lambda: progress.peak_at_start + probe_worker.MEMORY_BYTES // 2
    )
    progress.attempt(int, "x")
    assert progress.out_of_memory is True


def test_signs_of_life(capsys):
    progress = probe_worker.Progress()
    progress.step(999)
    assert capsys.readouterr().out == ""
    progress.step()
    progress.step(500)
    assert capsys.readouterr().out == ".\n"


def answers(monkeypatch, capsys, *asked):
    monkeypatch.setattr(probe_worker, "limit_memory", lambda: None)
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(json.dumps(one) + "\n" for one in asked)))
    probe_worker.main()
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "ready"
    return [json.loads(line) for line in lines[1:] if line.startswith("{")]


def test_one_answer_a_line(held, tmp_path, monkeypatch, capsys):
    (tmp_path / "none.h5").write_bytes(b"no such thing")
    good, bad = answers(monkeypatch, capsys, str(held), str(tmp_path / "none.h5"))
    assert good == {"links": [], "memory": False, "spent": good["spent"]}
    assert bad["links"] == []
    assert "signature" in bad["problem"]


def test_memory_that_ends_outside_a_step_is_an_answer_too(monkeypatch, capsys):
    def full(path):
        raise MemoryError

    monkeypatch.setattr(probe_worker, "look_through", full)
    assert answers(monkeypatch, capsys, "x") == [{"links": [], "memory": True}]


def test_the_bound_is_above_what_is_held(monkeypatch):
    resource = pytest.importorskip("resource")
    asked = []
    monkeypatch.setattr(resource, "setrlimit", lambda which, pair: asked.append((which, pair)))
    probe_worker.limit_memory()
    if asked:  # not where the system does not tell what a process holds
        [(which, (soft, _))] = asked
        assert which == resource.RLIMIT_AS
        assert soft > probe_worker.MEMORY_BYTES


def test_peak_memory_grows_with_what_is_held():
    pytest.importorskip("resource")
    before = probe_worker.peak_bytes()
    held = np.ones(60_000_000)
    assert probe_worker.peak_bytes() >= held.nbytes
    assert probe_worker.peak_bytes() >= before


# --- the side that asks ---------------------------------------------------------------------


class Pipe:
    """A child's standard input that can be broken."""

    def __init__(self, broken=False):
        self.broken, self.said = broken, ""

    def write(self, text):
        if self.broken:
            raise BrokenPipeError
        self.said += text

    def flush(self):
        pass


def child(lines, *, broken=False):
    """Return a child that says these lines, without a process behind it."""
    import queue
    from types import SimpleNamespace

    made = object.__new__(probe._Child)
    made.lines = queue.Queue()
    for line in lines:
        made.lines.put(line)
    made.process = SimpleNamespace(stdin=Pipe(broken), stdout=None, pid=1)
    made.ready = True
    return made


@pytest.mark.parametrize(
    ("lines", "answer"),
    [
        ([".\n", '{"links": [], "memory": false}\n'], {"links": [], "memory": False}),
        (['{"links": [], "memory": true}\n'], "exhausts the memory of"),
        ([".\n", None], "crashes"),
    ],
)
def test_what_a_child_says(tmp_path, lines, answer):
    assert child(lines).ask(tmp_path / "maps.h5") == answer


def test_a_child_that_is_gone_or_silent_or_swollen(tmp_path, monkeypatch):
    assert child([], broken=True).ask(tmp_path) == "crashes"
    monkeypatch.setattr(probe, "_resident_bytes", lambda _: probe.MOST_BYTES + 1)
    assert child([]).ask(tmp_path) == "exhausts the memory of"
    monkeypatch.setattr(probe, "_resident_bytes", lambda _: 0)
    monkeypatch.setattr(probe, "SILENT_SECONDS", 0.0)
    assert child([]).ask(tmp_path) == "hangs"


def test_a_file_that_harms_is_refused_and_the_child_replaced(held, monkeypatch):
    probe.stop()
    monkeypatch.setattr(probe._Child, "ask", lambda *_: "crashes")
    with pytest.raises(InputFileError, match="got one that crashes the HDF5 library"):
        probe.require_harmless(held)
    assert probe.child_id() is None
    monkeypatch.undo()
    assert probe.require_harmless(held) == ()


def test_without_child_processes_files_are_read_without_the_probe(held, monkeypatch):
    probe.stop()

    def refused(*_, **__):
        raise OSError

    monkeypatch.setattr("subprocess.Popen", refused)
    assert probe.require_harmless(held) == ()
    assert probe.child_id() is None
    monkeypatch.undo()
    probe.stop()
    monkeypatch.setattr(probe._Child, "become_ready", lambda _: False)
    assert probe.require_harmless(held) == ()
    probe.stop()


def test_only_so_many_answers_are_kept(tmp_path, monkeypatch):
    probe.stop()
    monkeypatch.setattr(probe, "_KNOWN_FILES", 2)
    for k in range(4):
        with h5py.File(tmp_path / f"m{k}.h5", "w") as file:
            file["x"] = k
        probe.require_harmless(tmp_path / f"m{k}.h5")
        assert len(probe._seen) <= 2
    probe.stop()
    assert probe._seen == {}


def test_memory_of_a_process_where_it_cannot_bound_itself(monkeypatch):
    import os

    psutil = pytest.importorskip("psutil")
    monkeypatch.setattr(probe.Path, "exists", lambda _: False)
    assert probe._resident_bytes(os.getpid()) > 1e6

    def gone(pid):
        raise psutil.NoSuchProcess(pid)

    monkeypatch.setattr(psutil, "Process", gone)
    assert probe._resident_bytes(os.getpid()) == 0

"""Results appear whole or not at all."""

from pathlib import Path

import pytest

from spattermap.core.errors import OutputError
from spattermap.core.files import staged_folder, write_text_atomically


def fill(stage, text="one"):
    (stage / "table.csv").write_text(text, encoding="utf-8")
    (stage / "figures").mkdir()
    (stage / "figures" / "a.txt").write_text(text, encoding="utf-8")


def names(folder):
    return sorted(item.relative_to(folder).as_posix() for item in folder.rglob("*"))


def test_new_folder_appears_at_the_end(tmp_path):
    out = tmp_path / "deep" / "out"
    with staged_folder(out) as stage:
        fill(stage)
        assert not out.exists()
    assert names(out) == ["figures", "figures/a.txt", "table.csv"]
    assert names(tmp_path / "deep") == ["out", "out/figures", "out/figures/a.txt", "out/table.csv"]


def test_failure_leaves_nothing(tmp_path):
    with pytest.raises(RuntimeError), staged_folder(tmp_path / "out") as stage:
        fill(stage)
        raise RuntimeError
    assert names(tmp_path) == []


def test_results_are_not_overwritten_unasked(tmp_path):
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="--overwrite"), staged_folder(tmp_path):
        pass


def test_overwrite_replaces_results_and_keeps_other_files(tmp_path):
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    for text in ("one", "two"):
        with staged_folder(tmp_path, overwrite=True) as stage:
            fill(stage, text)
    assert names(tmp_path) == ["figures", "figures/a.txt", "mine.txt", "table.csv"]
    assert (tmp_path / "figures" / "a.txt").read_text(encoding="utf-8") == "two"


def test_of_two_runs_at_once_the_later_one_stays_whole(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "mine.txt").write_text("mine", encoding="utf-8")
    with staged_folder(out, overwrite=True) as later:
        fill(later, "later")
        with staged_folder(out, overwrite=True) as sooner:
            fill(sooner, "sooner")
            (sooner / "report.html").write_text("sooner", encoding="utf-8")
    assert names(out) == ["figures", "figures/a.txt", "mine.txt", "table.csv"]
    assert (out / "table.csv").read_text(encoding="utf-8") == "later"


def test_a_folder_filled_meanwhile_is_not_touched(tmp_path):
    out = tmp_path / "out"
    with pytest.raises(OutputError, match="must be empty or new"), staged_folder(out) as stage:
        fill(stage)
        out.mkdir()
        (out / "other.txt").write_text("other", encoding="utf-8")
    assert names(out) == ["other.txt"]


def test_a_file_in_the_way(tmp_path):
    (tmp_path / "out").write_text("", encoding="utf-8")
    with (
        pytest.raises(OutputError, match="got a file of that name"),
        staged_folder(tmp_path / "out"),
    ):
        pass


def test_text_is_moved_into_place(tmp_path):
    write_text_atomically(tmp_path / "a.txt", "é\n")
    assert (tmp_path / "a.txt").read_bytes() == "é\n".encode()
    with pytest.raises(OutputError, match="must be writable"):
        write_text_atomically(tmp_path / "missing" / "a.txt", "")
    assert names(tmp_path) == ["a.txt"]


@pytest.mark.parametrize("there", [True, False])
def test_the_later_of_two_runs_that_end_at_one_moment_is_told_so(tmp_path, monkeypatch, there):
    target = tmp_path / "out"
    if there:
        target.mkdir()
    rename = Path.rename

    def late(self, place):
        target.mkdir(exist_ok=True)
        (target / "a.txt").write_text("first", encoding="utf-8")
        return rename(self, place)

    monkeypatch.setattr(Path, "rename", late)
    with (
        pytest.raises(OutputError, match="must be empty or new"),
        staged_folder(target) as stage,
    ):
        (stage / "a.txt").write_text("second", encoding="utf-8")
    assert (target / "a.txt").read_text(encoding="utf-8") == "first"
    assert [item.name for item in tmp_path.iterdir()] == ["out"]

"""Results appear as a whole folder; a sweep holds its folder, and is filed under what it read."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path, PureWindowsPath

import numpy as np
import pandas as pd
import pytest
import tifffile

from spattermap.core import files
from spattermap.core.errors import InputFileError, OutputError, printable
from spattermap.core.files import csv_text, only_writer, remove_left_behind, staged_folder
from spattermap.core.mapset import make_map_set
from spattermap.core.settings import Settings
from spattermap.loaders import input_files, load
from spattermap.sweeps import deposit, sweep
from spattermap.sweeps.sheet import read_sheet

_SPEC = importlib.util.spec_from_file_location(
    "scene_formats", Path(__file__).with_name("scene_formats.py")
)
scene_formats = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scene_formats)
FORMATS = scene_formats.FORMATS
OLD = {"summary.json": "old", "labels.zarr/0": "old", "mine.txt": "mine", "my folder/a/b.txt": "b"}
NEW = {"summary.json": "new", "report.html": "new", "figures/a.png": "new"}
KEPT = {"mine.txt": "mine", "my folder/a/b.txt": "b"}


def fill(folder, held):
    for name, text in held.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")


def held_in(folder):
    return {
        file.relative_to(folder).as_posix(): file.read_text(encoding="utf-8")
        for file in folder.rglob("*")
        if file.is_file()
    }


@pytest.fixture(params=["one step", "two steps"])
def steps(request, monkeypatch):
    if request.param == "two steps":  # as where the system cannot exchange two names
        monkeypatch.setattr(files, "_exchanged", lambda *_: False)


def test_results_do_not_replace_what_they_are_made_from(tmp_path, capsys):
    from spattermap.cli import main

    maps = tmp_path / "figures"
    maps.mkdir()
    FORMATS["TIFF folder, 16 bit"].write(maps, np.random.default_rng(1).poisson(4, (2, 32, 32)))
    (maps / "field.jpg").write_bytes(b"mine")  # a name that results have too
    before = {file.name: file.read_bytes() for file in maps.iterdir()}
    store = tmp_path / "maps.zarr"
    assert main(["convert", str(maps), "--out", str(store)]) == 0
    (tmp_path / "link").symlink_to(maps)
    for words in (
        ["report", maps, "--out", maps],
        ["report", maps, "--out", tmp_path / "link"],
        ["report", maps, "--out", tmp_path],  # the maps are named as a result is
        ["compare", maps, store, "--out", maps],
        ["mosaic", store, "--out", store],
        ["mosaic", store, "--out", store / "counts" / "new"],
        ["convert", store, "--out", store / "counts" / "new"],
    ):
        more = ["--overwrite"] if words[0] != "convert" else []
        assert main([*map(str, words), *more]) == 2
        said = capsys.readouterr().err
        assert "must be another folder than that of the maps" in said
        assert said.count("\n") == 1
    assert {file.name: file.read_bytes() for file in maps.iterdir()} == before
    assert sorted(load(store)["element"].values) == sorted(load(maps)["element"].values)


@pytest.mark.usefixtures("steps")
def test_overwriting_replaces_every_result_and_keeps_the_rest(tmp_path):
    fill(tmp_path / "out", OLD)
    (tmp_path / "out" / "link").symlink_to("mine.txt")
    with staged_folder(tmp_path / "out", overwrite=True) as stage:
        fill(stage, NEW)
        fill(tmp_path / "out", {"late.txt": "came while we worked"})
    assert held_in(tmp_path / "out") == NEW | KEPT | {
        "late.txt": "came while we worked", "link": "mine"
    }  # fmt: skip
    assert (tmp_path / "out" / "link").is_symlink()
    assert [item.name for item in tmp_path.iterdir()] == ["out"]


KILLED = """
import os, sys
from pathlib import Path, PureWindowsPath
from spattermap.core import files
calls = int(sys.argv[2])
def dying(event, _):
    global calls
    if event in ("os.rename", "os.link", "os.remove", "os.rmdir", "os.mkdir", "ctypes.dlopen"):
        calls -= 1
        if calls < 0:
            os.kill(os.getpid(), 9)
if sys.argv[3] == "two steps":
    files._exchanged = lambda *_: False
out = Path(sys.argv[1])
with files.staged_folder(out, overwrite=True) as stage:
    for name in ("summary.json", "report.html", "figures/a.png"):
        (stage / name).parent.mkdir(exist_ok=True)
        (stage / name).write_text("new")
    sys.addaudithook(dying)
print("done")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("how", ["one step", "two steps"])
def test_a_kill_at_any_step_leaves_the_old_or_the_new_and_never_a_mix(tmp_path, how):
    seen = set()
    for calls in range(100):
        out = tmp_path / str(calls) / "out"
        fill(out, OLD)
        done = subprocess.run(
            [sys.executable, "-c", KILLED, str(out), str(calls), how], check=False, text=True,
            capture_output=True, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )  # fmt: skip
        assert done.returncode in (0, -9), done.stderr
        if not out.exists():  # between the two renames: the next run puts it back
            remove_left_behind(out.parent)
        held = held_in(out)
        held.pop(files._SET_ASIDE, None)
        assert held in (OLD, NEW | KEPT), (calls, held)
        seen.add(held["summary.json"])
        remove_left_behind(out.parent)
        assert [item.name for item in out.parent.iterdir()] == ["out"]
        if done.returncode == 0:
            break
    assert done.stdout == "done\n"
    assert seen == {"old", "new"}
    assert calls > 5


def test_a_link_is_followed_and_one_that_leads_nowhere_refused_before_the_work(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "real")
    with staged_folder(tmp_path / "out") as stage:
        fill(stage, NEW)
    assert (tmp_path / "out").is_symlink()
    assert held_in(tmp_path / "real") == NEW
    for name, leads in (("nowhere", "gone"), ("ring", "ring")):
        (tmp_path / name).symlink_to(tmp_path / leads)
        with pytest.raises(OutputError, match="a link that leads nowhere"):
            staged_folder(tmp_path / name).__enter__()


def test_the_root_of_a_file_system_is_refused_before_the_work(tmp_path, monkeypatch):
    (tmp_path / "out").mkdir()
    monkeypatch.setattr(Path, "is_mount", lambda self: self.name == "out")
    with pytest.raises(OutputError, match="Choose a folder inside it"):
        staged_folder(tmp_path / "out").__enter__()


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_a_writer_is_gone_only_where_that_is_sure(tmp_path):
    process = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    host, boot, start = files._machine(), files._boot(), files._started(process.pid)
    running = f"{host}-{boot}-{process.pid}-{start}"
    assert not files._is_gone(running)
    assert files._is_gone(f"{host}-{boot}-{process.pid}-{start + 1}")  # the number came again
    assert files._is_gone(f"{host}-{'0' * 8}-{process.pid}-{start}")  # before the last start
    assert not files._is_gone(f"{'0' * 8}-{boot}-999999999-1")  # another machine
    for odd in ("", "x", f"{host}-{boot}-x-1", f"{host}-{boot}-1-x"):
        assert not files._is_gone(odd)
    process.stdin.close()
    while files._started(process.pid) is not None:  # it ends, and nobody asks for its status
        pass
    assert files._is_gone(running)
    process.wait()


def test_a_disk_that_fills_within_an_array_is_one_line(tmp_path):
    said = "must be writable, got: not all could be written"
    with pytest.raises(OutputError, match=said), staged_folder(tmp_path / "out"):
        raise OSError("1048576 requested and 212992 written")


# --- sweeps -------------------------------------------------------------------------------------


@pytest.fixture
def maps(tmp_path):
    """Return a small map set as one netCDF file."""
    rng = np.random.default_rng(1)
    y, x = np.indices((64, 64))
    copper = np.full((64, 64), 0.3)
    for row, column, radius in ((14, 14, 5), (40, 20, 6), (25, 45, 7), (50, 52, 4)):
        copper += 6.0 * ((y - row) ** 2 + (x - column) ** 2 < radius**2)
    counts = rng.poisson([copper, 0.4 * copper, 4 - 0.5 * np.minimum(copper, 6)])
    made = make_map_set(counts.astype(np.uint16), ["Cu", "Zn", "Si"], pixel_size_um=0.5)
    place = tmp_path / "maps" / "m.nc"
    place.parent.mkdir()
    made.to_netcdf(place, engine="h5netcdf")
    return place


def test_a_second_sweep_refuses_and_touches_nothing(tmp_path, maps):
    out = tmp_path / "out"
    stage = out / "deposits" / f".spattermap_{files._writer()}-abc"
    stage.mkdir(parents=True)
    before = sorted(out.rglob("*"))
    with only_writer(out), pytest.raises(OutputError, match="two runs at once"):
        sweep([maps], out=out, scheduler="synchronous")
    assert sorted(out.rglob("*")) == before


@pytest.mark.parametrize("left", [(), ("deposits",), ("deposits", ".spattermap_1-2-3-4-x")])
def test_a_sweep_killed_as_it_began_can_be_run_again(tmp_path, maps, left):
    out = tmp_path / "out"
    for name in left:
        (out / name).mkdir(parents=True)
    assert sweep([maps], out=out, scheduler="synchronous").n_errors == 0


def test_a_full_disk_stops_the_sweep_at_once(tmp_path, maps, monkeypatch):
    def full(*_, **__):
        tried.append(1)
        raise OSError(28, "No space left on device")

    tried = []
    monkeypatch.setattr("tifffile.imwrite", full)
    every = [maps, *(maps.with_name(f"{name}.nc") for name in "ab")]
    for one in every[1:]:
        one.write_bytes(maps.read_bytes())
    with pytest.raises(OutputError, match="No space left on device"):
        sweep(every, out=tmp_path / "out", scheduler="synchronous")
    assert len(tried) == 1


def test_a_file_that_changes_while_it_is_read_is_not_filed(tmp_path, maps, monkeypatch):
    from spattermap import loaders

    def meddled(path, **options):
        found = load(path, **options)
        maps.write_bytes(maps.read_bytes() + b"more")
        return found

    monkeypatch.setattr(loaders, "load", meddled)
    found = sweep([maps], out=tmp_path / "out", scheduler="synchronous")
    assert "must not change while it is read" in found.fields["error"].iloc[0]
    assert list((tmp_path / "out" / "deposits").iterdir()) == []


def test_what_an_interrupted_sweep_says_is_kept_is_kept(tmp_path, maps, monkeypatch, capsys):
    from spattermap import loaders
    from spattermap.cli import main

    def stopped(path, **options):
        if Path(path) != maps:
            raise KeyboardInterrupt
        return load(path, **options)

    other, sheet = maps.with_name("b.nc"), tmp_path / "sheet.csv"
    load(maps).assign_attrs(title="b").to_netcdf(other, engine="h5netcdf")
    sheet.write_text(f"path\n{maps}\n{other}\n", encoding="utf-8")
    words = ["sweep", str(sheet), "--out", str(tmp_path / "out"), "--scheduler", "synchronous"]
    with monkeypatch.context() as patch:
        patch.setattr(loaders, "load", stopped)
        assert main([*words, "--no-reports"]) == 130
    assert capsys.readouterr().err.endswith(
        "interrupted; what is finished is kept, and the same command goes on from there.\n"
    )
    (kept,) = (tmp_path / "out" / "deposits").iterdir()
    before = kept.stat().st_mtime_ns
    assert main([*words, "--no-reports"]) == 0
    assert kept.stat().st_mtime_ns == before
    assert len(list((tmp_path / "out" / "deposits").iterdir())) == 2


def key_of(path):
    return deposit.content_key(deposit.SheetTask(read_sheet([path])[0], Settings(), Path()), None)


@pytest.mark.filterwarnings("ignore:.*JPEG changes pixel values")
@pytest.mark.parametrize("name", FORMATS)
def test_the_key_is_that_of_what_was_read(tmp_path, name):
    scene = np.random.default_rng(3).poisson(4.0, (2, 20, 28)).astype(np.uint16)
    path = FORMATS[name].write(tmp_path, scene)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path)
        found = load(path)
    from spattermap.core.mapset import facts

    read = input_files(path)
    assert set(facts(found).source["files"]) == set(read)
    before = key_of(path)
    beside = path / "notes.md" if path.is_dir() and "Zarr" not in name else tmp_path / "notes.md"
    beside.write_text("not read", encoding="utf-8")
    assert key_of(path) == before
    for file in [one for place in read.values() for one in ([place] if place.is_file() else
                 [f for f in place.rglob("*") if f.is_file()])]:  # fmt: skip
        held = file.read_bytes()
        if file.suffix != ".toml":
            file.write_bytes(held + b" ")
            assert key_of(path) != before, file
            file.write_bytes(held)
    assert key_of(path) == before


def test_the_key_follows_the_sidecar_of_the_file_and_the_image_it_names(maps):
    plain = key_of(maps)
    beside = maps.with_name("m.mapset.toml")
    beside.write_text("title = 'one'\n", encoding="utf-8")
    one = key_of(maps)
    beside.write_text("electron_image = 'bse.tif'\n", encoding="utf-8")
    tifffile.imwrite(maps.with_name("bse.tif"), np.ones((64, 64), np.uint8))
    two = key_of(maps)
    tifffile.imwrite(maps.with_name("bse.tif"), np.zeros((64, 64), np.uint8))
    assert len({plain, one, two, key_of(maps)}) == 4


def test_an_ome_tiff_does_not_open_the_files_it_names(tmp_path):
    other = tmp_path / "other.ome.tif"
    tifffile.imwrite(other, np.full((2, 8, 8), 7, np.uint16), metadata={"axes": "CYX"}, ome=True)
    with tifffile.TiffFile(other) as tiff:
        text = tiff.ome_metadata
    inside = text.replace("<TiffData ", '<TiffData FirstC="0" ', 1)
    for k in range(2):
        inside = inside.replace(
            "/>", f'><UUID FileName="other.ome.tif">urn:uuid:{k}</UUID></TiffData>', 1
        ) if "<TiffData" in inside else inside  # fmt: skip
    place = tmp_path / "maps" / "Cu.ome.tif"
    place.parent.mkdir()
    tifffile.imwrite(place, np.ones((2, 8, 8), np.uint16), description=inside, metadata=None)
    try:
        found = load(place)
    except (InputFileError, ValueError):
        return
    assert float(found["counts"].max()) == 1.0


# --- text that travels --------------------------------------------------------------------------


def test_cells_that_a_spreadsheet_would_run_are_written_as_text():
    table = pd.DataFrame({"=cmd": ["@x", "-2+3", "\tx", "-", "Cu"], "n": [-1.5, 2, 3, 4, 5]})
    lines = csv_text(table).splitlines()
    assert lines[0] == "'=cmd,n"
    assert [line.split(",")[0] for line in lines[1:]] == ["'@x", "'-2+3", "'\\tx", "-", "Cu"]
    assert [float(line.split(",")[1]) for line in lines[1:]] == [-1.5, 2, 3, 4, 5]
    assert table.columns[0] == "=cmd"  # inputs stay as they are


def test_invisible_characters_are_shown():
    assert printable("Cu\u202egnp.exe\x1b[2J\u200b") == "Cu\\u202egnp.exe\\x1b[2J\\u200b"
    assert printable("Prüfling 鉄 µm חלקיק") == "Prüfling 鉄 µm חלקיק"


@pytest.mark.parametrize(
    ("path", "why"),
    [
        ("C:\\results\\CON", "device"), ("C:\\results\\con.maps\\out", "device"),
        ("LPT1", "device"), ("a\\nul .txt", "device"), ("COM\u00b9.csv", "device"),
        ("C:\\results.\\out", "dot or a space"), ("out ", "dot or a space"), ("a\\..b.", "dot"),
        ("a\\plate:3", "':'"), ("D:\\a\\what?", "'?'"), ("a\\b|c", "'|'"), ('a\\"b"', "'\"'"),
        ("a\\b\x07c", "x07"), ("C:\\results\\out", ""), ("..\\out", ""), (".", ""), ("con1", ""),
        ("\\\\server\\share\\plate 3\\out.maps", ""), ("C:\\COMB\\console", ""), ("D:out", ""),
    ],
)  # fmt: skip
def test_names_that_windows_would_not_take_as_they_stand(path, why):
    found = files.unfit_for_windows(PureWindowsPath(path))
    assert why in found
    assert bool(found) == bool(why)


def test_an_unfit_name_is_refused_on_windows_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setattr(files.sys, "platform", "win32")
    with pytest.raises(OutputError, match="which ends in a dot"):
        files._refuse_unusable(tmp_path / "out.", overwrite=False)
    assert not list(tmp_path.iterdir())


def test_every_page_shows_characters_that_turn_the_order():
    from spattermap.show.pages import shell

    turned = "a\u202eb\u2066c"
    page = shell([(turned, turned)], title=turned, kind=turned, heading=turned, level=0.95)
    assert not set(page) & set("\u202e\u2066")
    assert page.count("\\u202e") >= 5


def test_look_shows_invisible_characters_of_titles_and_files(tmp_path, capsys):
    from spattermap import cli

    maps = tmp_path / "plate\u202egpj\x1b[2J"
    maps.mkdir()
    tifffile.imwrite(maps / "Cu_Ka \u2066x.tif", np.ones((16, 20), np.uint16))
    (maps / "mapset.toml").write_text('title = "a\\u202eb\\nc\\u001b[31m"\n', encoding="utf-8")
    assert cli.main(["look", str(maps)]) == 0
    said = capsys.readouterr().out
    assert all(line.isprintable() for line in said.split("\n"))
    assert "\\u202e" in said

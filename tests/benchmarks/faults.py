"""What happens when the surroundings fail; run by hand.

    python tests/benchmarks/faults.py [kills] [--only PART] (Linux; full disks need root)

Prints tables: what was done to `spattermap report` of a small map set, and what came of it; two
runs into one folder at once; then `report`, `sweep`, `convert` and `mosaic` killed at random
moments and run again, on a full disk, in little memory, with a map that changes while it is read,
without the rights, with files of other times. Each run must end in one line with exit status 2, or
in a whole result, or (killed) in the old one, and a rerun must give the bytes of an undisturbed run
and leave nothing behind.
"""

import argparse
import contextlib
import hashlib
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
import tifffile

NAMES = {"report.html", "summary.json", "droplets.csv", "streaks.csv", "elements.csv", "pairs.csv",
         "labels.tif", "figures"}  # fmt: skip


def write_maps(folder, *, lift=0):
    """Write a small deposit of four drops."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(1)
    y, x = np.indices((64, 64))
    copper = np.full((64, 64), 0.3)
    for row, column, radius in ((14, 14, 5), (40, 20, 6), (25, 45, 7), (50, 52, 4)):
        copper += 6.0 * ((y - row) ** 2 + (x - column) ** 2 < radius**2)
    planes = {"Cu_Ka": copper, "Zn_Ka": 0.4 * copper, "Si_Ka": 4 - 0.5 * np.minimum(copper, 6)}
    for name, plane in planes.items():
        counts = rng.poisson(plane) + lift * (rng.random(plane.shape) < 0.1)
        tifffile.imwrite(
            folder / f"{name}.tif", counts.astype(np.uint16),
            resolution=(2, 2), resolutionunit="MICROMETER",
        )  # fmt: skip
    return folder


def start(maps, out, *more, environment=None, before=None, session=False):
    """Start a report and return the process; in a session of its own it can be sent Ctrl-C."""
    command = [sys.executable, "-m", "spattermap", "report", str(maps), "--out", str(out), *more]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=before,  # noqa: PLW1509 - this script has one thread
        env=os.environ if environment is None else environment, start_new_session=session,
    )  # fmt: skip


def outcome(process, out):
    """Return exit status, what is in the folder, and the last line that was said."""
    said = process.communicate()[1].strip().splitlines()
    held = {item.name for item in out.iterdir()} if out.is_dir() else set()
    state = "whole" if held >= NAMES else "nothing" if not held else f"PARTS {sorted(held)}"
    trace = any(line.startswith("Traceback") for line in said)
    return f"exit {process.returncode}", state, "TRACEBACK " * trace + (said[-1] if said else "")


def small_files():
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))


def surroundings(maps, place):
    """Yield the name of each fault and what came of it."""
    env = dict(os.environ)
    bare = {k: v for k, v in env.items() if k not in ("HOME", "USERPROFILE", "XDG_CACHE_HOME")}
    dark = {k: v for k, v in env.items() if k != "DISPLAY"}
    cases = {
        "as it should be": {},
        "disk full (no file over 20 kB)": {"before": small_files},
        "no HOME": {"environment": bare},
        "HOME cannot be written": {"environment": env | {"HOME": "/dev/null"}},
        "no display, a window asked for": {"environment": dark | {"MPLBACKEND": "TkAgg"}},
    }  # fmt: skip
    for k, (name, options) in enumerate(cases.items()):
        out = place / f"out{k}"
        yield name, outcome(start(maps, out, **options), out)
    out = Path("/proc/spattermap_out")
    yield "folder on a read-only system", outcome(start(maps, out), out)
    filled = place / "filled"
    filled.mkdir()
    (filled / "mine.txt").write_text("mine", encoding="utf-8")
    yield "folder holds other files", outcome(start(maps, filled), place / "none")
    yield "the same, --overwrite", outcome(start(maps, filled, "--overwrite"), filled)
    kept = (filled / "mine.txt").read_text(encoding="utf-8") == "mine"
    yield "  and the other file", ("", "kept" if kept else "LOST", "")
    strange = write_maps(place / "Prüfling 鉄 'α' & <b>" / "карта")
    out = place / "ergebnis é 結果"
    yield "names outside ASCII", outcome(start(strange, out), out)
    out = place / ("long" * 50) / ("name" * 50) / ("deep" * 30)
    yield f"path of {len(str(out))} characters", outcome(start(maps, out), out)
    out = place / ("x" * 300)
    yield "name of 300 characters", outcome(start(maps, out), place / "none")


def together(maps, place, *more):
    """Start two reports into one folder at once; return what became of the pair."""
    place.mkdir()
    out = place / "both"
    if more:
        out.mkdir()
        (out / "mine.txt").write_text("mine", encoding="utf-8")
    runs = [start(maps, out, *more), start(maps, out, *more)]
    said = [run.communicate()[1].strip().splitlines() for run in runs]
    exits = sorted(run.returncode for run in runs)
    refusals = [lines for run, lines in zip(runs, said, strict=True) if run.returncode == 2]
    lines = [len(refusal) for refusal in refusals]
    complete = NAMES | ({"mine.txt"} if more else set())
    return (
        f"exits {exits}",
        "whole" if held_by(out) == complete else f"PARTS {held_by(out)}",
        f"lines of each refusal {lines}, left beside {left_in(place) or 'nothing'}",
        refusals[0][-1].replace(str(place), "...") if refusals else "",
    )


def held_by(folder):
    return {item.name for item in folder.iterdir()} if folder.is_dir() else set()


def left_in(place):
    return [item.name for item in place.iterdir() if item.name.startswith(".spattermap_")]


def state_of(out, wanted):
    held = held_by(out)
    return "nothing" if not out.exists() else "whole" if held == wanted else f"PARTS {held}"


# --- killed at any moment ------------------------------------------------------------------------


def commands(maps, place):
    """Return what each command is called with, and where its result goes."""
    sheet = place / "sheet.csv"
    sheet.write_text(f"path,charge_J\n{maps},3\n{maps.with_name('more')},4\n", encoding="utf-8")
    store = place / "maps.zarr"
    if not store.exists():
        assert in_child(["convert", str(maps), "--out", str(store)]) == (0, "")
    alone = ["--scheduler", "synchronous"]
    return {
        "report": ["report", str(maps)],
        "sweep": ["sweep", str(sheet), "--no-reports", *alone],
        "convert": ["convert", str(maps)],
        "mosaic": ["mosaic", str(store), *alone],
    }


def in_child(words, *, after=None, before=None, limit=300.0):
    """Run a command in a fork, in which all libraries are loaded; kill it after so many seconds.

    So the moments of the kills fall on the work and the writing, not on imports and compiling.
    Returns the exit status (negative: the signal) and what was said.
    """
    import gc
    import io
    import traceback

    from spattermap import cli

    gc.collect()
    said = Path(tempfile.mkstemp()[1])
    child = os.fork()
    if not child:
        code = 1
        try:
            os.setsid()
            sys.stdout, sys.stderr = io.StringIO(), said.open("w", encoding="utf-8")
            if before is not None:
                before()
            code = cli.main(words)
        except SystemExit as end:
            code = int(end.code or 0)
        except BaseException:
            traceback.print_exc()
        finally:
            with contextlib.suppress(Exception):
                sys.stderr.close()
            os._exit(code)
    end = time.monotonic() + (limit if after is None else after)
    code = None
    while code is None and time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        code = os.waitstatus_to_exitcode(status) if done else None
        if code is None:
            time.sleep(0.002)
    if code is None:
        os.kill(child, signal.SIGKILL)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    text = said.read_text(encoding="utf-8").strip()
    said.unlink()
    return code, text


def digest(folder):
    """Return the SHA-256 of every file of a result."""
    return {
        file.relative_to(folder).as_posix(): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


def kills(maps, place, chosen):
    """Kill each command at random moments and run it again; yield a row of the table for each."""
    place.mkdir()
    for name, words in commands(maps, place).items():
        if chosen.command not in name:
            continue
        chance, tally = random.Random(7), Counter()
        fresh = place / f"{name}_whole"
        assert in_child([*words, "--out", str(fresh)])[0] == 0
        wanted = digest(fresh)
        begun = time.monotonic()
        in_child([*words, "--out", str(place / f"{name}_timed")])
        whole = time.monotonic() - begun
        replace = name in ("report", "mosaic")
        for k in range(chosen.number):
            room = place / f"{name}{k}"
            room.mkdir()
            out, more = room / "out", []
            if replace and k % 2:  # over an earlier result, with a file of the person in it
                shutil.copytree(fresh, out)
                (out / "summary.json").write_text("old", encoding="utf-8")
                (out / "mine.txt").write_text("mine", encoding="utf-8")
                more = ["--overwrite"]
            old = digest(out) if out.exists() else {}
            code, _ = in_child([*words, "--out", str(out), *more], after=chance.uniform(0, whole))
            found = digest(out) if out.exists() else {}
            new = wanted | ({"mine.txt": old["mine.txt"]} if more else {})
            state = "new" if found == new else "old or nothing" if found == old else "PARTS"
            if name == "sweep" and state == "PARTS":  # finished deposits count
                kept = set(found.items()) - set(wanted.items())
                state = (
                    "some deposits"
                    if all(
                        "/." in f or "mark" in f or f.startswith(".") or "sweep.json" in f
                        for f, _ in kept
                    )
                    else "PARTS"
                )
            left = "stage left" if any(room.rglob(".spattermap_*-*")) else "nothing left"
            tally["killed" if code < 0 else f"ended {code} before", state, left] += 1
            if replace and out.exists():
                more = ["--overwrite"]
            elif name == "convert" and found == wanted:
                shutil.rmtree(out)
            code, said = in_child([*words, "--out", str(out), *more])
            again = digest(out) == new if out.exists() else False
            clean = not any(room.rglob(".spattermap_*-*"))
            tally["rerun:", "same bytes" if again else f"OTHER {code} {said[-200:]}",
                  "all cleared" if clean else "LEFT"] += 1  # fmt: skip
            shutil.rmtree(room)
        yield name, whole, tally


# --- the system says no --------------------------------------------------------------------------


@contextlib.contextmanager
def small_disk(place, size):
    """Mount a file system of so many kB (needs root on Linux)."""
    place.mkdir(parents=True, exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}k", "tmpfs", str(place)]
    subprocess.run(mount, check=True, capture_output=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=False)


def one_line(code, said):
    told = re.compile(r"spattermap: warning|\d+/\d+ ")  # warnings, and how far a sweep got
    lines = [line for line in said.splitlines() if not told.match(line)]
    clean = code == 2 and len(lines) == 1 and "Traceback" not in said
    return "one line, status 2" if clean else f"BAD {code} {said[-300:]!r}"


def full_disks(maps, place):
    """Fill a small file system at many sizes, then give it room and run again."""
    place.mkdir()
    for name, words in commands(maps, place).items():
        tally = Counter()
        need = sum(f.stat().st_size for f in _made(words, place / name).rglob("*") if f.is_file())
        for part in (0.02, 0.1, 0.3, 0.5, 0.7, 0.9):
            with small_disk(place / "disk", max(8, int(part * need / 1024))) as disk:
                code, said = in_child([*words, "--out", str(disk / "out")])
                left = [f.name for f in disk.rglob("*") if f.is_file()]
                whole = code == 0
                held = "" if name == "sweep" or whole else f", LEFT {left[:3]}" if left else ""
                tally[("fitted" if whole else one_line(code, said)) + held] += 1
                subprocess.run(["mount", "-o", "remount,size=200m", str(disk)], check=True)
                if not whole:
                    code, said = in_child([*words, "--out", str(disk / "out")])
                    tally[
                        "rerun with room: " + ("whole" if code == 0 else f"BAD {said[-200:]}")
                    ] += 1
        yield name, tally


def _made(words, out):
    assert in_child([*words, "--out", str(out)])[0] == 0
    return out


def little_memory(maps, place):
    """Bound the address space at what is held and so many MiB."""
    import resource

    place.mkdir()
    held = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * 4096
    for name, words in commands(maps, place).items():
        tally = Counter()
        for k, more in enumerate((1, 4, 16, 64, 256)):
            limit = held + more * 2**20
            bound = lambda most=limit: resource.setrlimit(resource.RLIMIT_AS, (most, most))  # noqa: E731
            out = place / f"{name}{k}"
            code, said = in_child([*words, "--out", str(out)], before=bound)
            state = "" if code == 0 or name == "sweep" else ", LEFT" * out.exists()
            tally[("fitted" if code == 0 else one_line(code, said)) + state] += 1
        yield name, tally


def changing_files(maps, place, number):
    """Change a map a moment after a command began to read; a result must be of one or the other."""
    place.mkdir()
    words = commands(maps, place)
    for name in ("report", "sweep", "convert"):
        tally, chance = Counter(), random.Random(3)
        results = []
        for k in range(2):
            source = write_maps(place / f"{name}_{k}", lift=k)
            call = _for(words[name], maps, source, place)
            results.append(numbers_of(_made(call, place / f"{name}_out{k}")))
        for k in range(number):
            source = write_maps(place / f"{name}_c{k}")
            call = _for(words[name], maps, source, place)
            out = place / f"{name}_r{k}"
            child = os.fork()
            if not child:
                time.sleep(chance.uniform(0, 0.3))
                for file in sorted(source.glob("*.tif")):
                    new = write_maps(place / f"new{k}", lift=1) / file.name
                    file.write_bytes(new.read_bytes())
                os._exit(0)
            code, said = in_child([*call, "--out", str(out)])
            os.waitpid(child, 0)
            chance.random()
            if code:
                tally[one_line(code, said)] += 1
            else:
                found = numbers_of(out)
                same = [found == one for one in results]
                tally["the old" if same[0] else "the new" if same[1] else "MIXED"] += 1
        yield name, tally


def _for(words, maps, source, place):
    """Return a call with another map set in the place of the first."""
    if words[0] == "sweep":
        sheet = place / f"sheet_{source.name}.csv"
        sheet.write_text(f"path,charge_J\n{source},3\n", encoding="utf-8")
        return [words[0], str(sheet), *words[2:]]
    return [str(source) if word == str(maps) else word for word in words]


def numbers_of(out):
    """Return the hashes of inputs that a result states and of the numbers it holds."""
    kinds = ("elements.csv", "droplets.csv")
    files = [
        f for f in sorted(out.rglob("*")) if f.is_file() and (f.name in kinds or "/c/" in str(f))
    ]
    return [hashlib.sha256(file.read_bytes()).hexdigest() for file in files]


def as_nobody(words, out, place):
    """Run a command as a user who owns nothing."""

    def before():
        os.setgid(65534)
        os.setuid(65534)

    del place
    return in_child([*words, "--out", str(out)], before=before)


def permissions(maps, place):
    """Take rights away, as another user than root; then give them back."""
    place.mkdir()
    place.parent.chmod(0o755)
    place.chmod(0o755)
    for name, words in commands(maps, place).items():
        for item in place.rglob("*"):
            item.chmod(0o755 if item.is_dir() else 0o644)
        tally = Counter()
        locked = place / f"{name}_locked"
        locked.mkdir(mode=0o755)
        tally["folder not writable: " + one_line(*as_nobody(words, locked / "out", place))] += 1
        tally["result not writable: " + one_line(*as_nobody(words, locked, place))] += 1
        shut = place / f"{name}_shut"
        shut.mkdir(mode=0o700)
        tally[
            "folder not to be entered: " + one_line(*as_nobody(words, shut / "a" / "out", place))
        ] += 1
        free = place / f"{name}_free"
        free.mkdir()
        free.chmod(0o777)
        victim = sorted(f for f in maps.rglob("*.tif"))[0]
        source = maps if name != "mosaic" else place / "maps.zarr"
        victim = victim if name != "mosaic" else source / "counts" / "zarr.json"
        victim.chmod(0)
        came = one_line(*as_nobody(words, free / "out", place))
        tally["map not readable: " + (came if name != "sweep" else _row_error(free / "out"))] += 1
        victim.chmod(0o644)
        source.chmod(0)
        came = one_line(*as_nobody(words, free / "out1", place))
        tally[
            "maps not to be entered: " + (came if name != "sweep" else _row_error(free / "out1"))
        ] += 1
        source.chmod(0o755)
        left = [f.name for f in free.rglob(".spattermap_*-*")] + ([] if name == "sweep" else
                [f.name for f in free.iterdir()])  # fmt: skip
        tally["left behind: " + (str(left) if left else "nothing")] += 1
        code, said = as_nobody(words, free / "out", place)
        tally["rights given back, rerun: " + ("whole" if code == 0 else f"BAD {said[-200:]}")] += 1
        yield name, tally


def _row_error(out):
    text = (out / "fields.csv").read_text(encoding="utf-8") if (out / "fields.csv").exists() else ""
    return "said in its row" if "ermission" in text or "must be" in text else f"BAD {text[-200:]!r}"


def clocks(maps, place):
    """Set the times of files to the far future and past: what stands for "changed" is contents.

    The clock itself is not set (other work runs here): only what is compared with it.
    """
    place.mkdir()
    words = commands(maps, place)["sweep"]
    out, tally = place / "out", Counter()
    assert in_child([*words, "--out", str(out)])[0] == 0
    before = digest(out)
    for when in (0, 4_000_000_000):
        for item in (*maps.rglob("*"), *out.rglob("*"), maps, out):
            os.utime(item, (when, when))
        code, _ = in_child([*words, "--out", str(out)])
        tally["taken over, same bytes" if (code, digest(out)) == (0, before) else "OTHER"] += 1
        sheet = Path(words[1])
        stale = write_maps(place / f"changed{when}", lift=1)
        text = sheet.read_text(encoding="utf-8")
        sheet.write_text(text.replace(str(maps), str(stale), 1), encoding="utf-8")
        for item in (*stale.rglob("*"), stale):
            os.utime(item, (when, when))
        fresh = len(list((out / "deposits").iterdir()))
        assert in_child([*words, "--out", str(out)])[0] == 0
        more = len(list((out / "deposits").iterdir())) - fresh
        tally["changed maps with old times worked anew" if more == 1 else "STALE"] += 1
        sheet.write_text(text, encoding="utf-8")
    yield "sweep", tally


def show(heading, tally):
    print(f"\n| {heading} | times |\n|--|--|")
    for key, times in sorted(tally.items()):
        print(f"| {', '.join(key)} | {times} |", flush=True)


PARTS = ("surroundings", "together", "kills", "disks", "memory", "changes", "permissions", "clocks")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("number", nargs="?", type=int, default=50)
    parser.add_argument("--only", choices=PARTS, action="append")
    parser.add_argument(
        "--command", default="", help="of the kills: report, sweep, convert, mosaic"
    )
    chosen = parser.parse_args()
    asked = chosen.only or PARTS
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        place.chmod(0o755)
        maps = write_maps(place / "maps")
        write_maps(place / "more", lift=1)
        if "surroundings" in asked:
            print("| what was done | exit | result | last line |\n|--|--|--|--|")
            for name, came in surroundings(maps, place):
                said = came[2].replace(str(place), "...").replace("|", "/")
                print(f"| {name} | {came[0]} | {came[1]} | {said[:160]} |", flush=True)
        if "together" in asked:
            print("\n| two runs at once | exits | result | left | refusal |\n|--|--|--|--|--|")
            print("| into one new folder |", " | ".join(together(maps, place / "new")), "|")
            came = together(maps, place / "held", "--overwrite")
            print("| into one with files, --overwrite |", " | ".join(came), "|", flush=True)
        if set(asked) <= {"surroundings", "together"}:
            return
        # All is imported and compiled before a fork, but no thread started that it would lack.
        import spattermap.show.mosaic_page
        import spattermap.sweeps.overview  # noqa: F401
        from spattermap import cli

        assert cli.main(["report", str(maps), "--out", str(place / "warm")]) == 0
        if "kills" in asked:
            for name, whole, tally in kills(maps, place / "kills", chosen):
                show(f"{name} ({whole:.1f} s) killed: how it ended, result, left; then", tally)
        parts = {"disks": full_disks, "memory": little_memory, "permissions": permissions,
                 "clocks": clocks}  # fmt: skip
        for part, run in parts.items():
            for name, tally in run(maps, place / part) if part in asked else ():
                show(f"{part}: {name}", {(key,): times for key, times in tally.items()})
        if "changes" in asked:
            for name, tally in changing_files(maps, place / "changes", min(chosen.number, 20)):
                show(f"a map changed while {name} read", {(k,): n for k, n in tally.items()})


if __name__ == "__main__":
    main()

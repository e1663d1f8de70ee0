"""What happens when the surroundings fail; run by hand.

    python tests/benchmarks/faults.py [times] [--only PART] (Linux; full disks need root)

Prints one table: the fault, the command, how often, what came of it, what a rerun did. Killed,
interrupted and ended at random moments, one in four of them in the last tenth of the run; two runs
into one folder at once; results asked for in the place of the maps; a full disk (a tmpfs of so many
kB, mounted); little memory (RLIMIT_AS); a map that changes while it is read; no rights (root
without its capabilities); files of other times (the clock itself is not set: other work runs
here). Then what else can be wrong around a `report`. Each run must end in one line with exit
status 2, or in a whole result, or (killed) in the old one; a rerun must give the bytes of an
undisturbed run and leave nothing behind. The exit status is 1 where one did not.

On 27 November 2026, two processors, nothing lost in any of them. Killed: `report` 50 times,
`convert` 50, `mosaic` 51, `sweep` 50: the old result, none, or (sweep) whole finished deposits
stood, and every rerun gave the bytes of an undisturbed run and left nothing behind. Interrupted
and ended, 10 times each of the four: the same. Full disk, 6
sizes each of the four commands: 24 of 24 one line, and with room the same bytes. Two runs into one
folder, 4 of each command: 16 of 16 one refused, one whole. Times of files of 1970 and 2096: what
changed was worked anew, the rest taken over. Little memory: one line, but for a mosaic that a
library ended by a signal (2 of 5; the rerun gave the same bytes).
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


def write_maps(folder, *, lift=0, tiles=1):
    """Write a small deposit of four drops, so many times over in both directions."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(1)
    y, x = np.indices((64, 64))
    copper = np.full((64, 64), 0.3)
    for row, column, radius in ((14, 14, 5), (40, 20, 6), (25, 45, 7), (50, 52, 4)):
        copper += 6.0 * ((y - row) ** 2 + (x - column) ** 2 < radius**2)
    copper = np.tile(copper, (tiles, tiles))
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


def in_child(words, *, after=None, before=None, sign=signal.SIGKILL, limit=300.0):
    """Run a command in a fork, in which all libraries are loaded; stop it after so many seconds.

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
            signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in the background
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
        os.kill(child, sign)
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


def state_between(found, old, new, out):
    """Say in words which result stands: the old one, the new one, or some of a sweep's deposits."""
    if found == new:
        return "new result whole"
    if found == old:
        return "old result whole" if old else "no result"
    if (out / "sweep.json").exists() or (out / "deposits").exists():
        strange = [name for name, key in found.items()
                   if new.get(name) != key and ".spattermap_" not in name]  # fmt: skip
        return f"BAD {strange[:3]}" if strange else "some finished deposits"
    return f"BAD parts {sorted(set(found) ^ set(new))[:3]}"


def stopped(maps, place, chosen, sign):
    """Stop each command at random moments by a signal and run it again; yield rows of the table."""
    place.mkdir()
    for name, words in commands(maps, place).items():
        if chosen.command not in name:
            continue
        chance, came, rerun = random.Random(chosen.seed), Counter(), Counter()
        fresh = place / f"{name}_whole"
        assert in_child([*words, "--out", str(fresh)])[0] == 0
        wanted = digest(fresh)
        begun = time.monotonic()
        in_child([*words, "--out", str(place / f"{name}_timed")])
        whole = time.monotonic() - begun
        replace = name in ("report", "mosaic")
        for k in range(chosen.times):
            room = place / f"{name}{k}"
            room.mkdir()
            out, more = room / "out", []
            if replace and k % 2:  # over an earlier result, with a file of the person in it
                shutil.copytree(fresh, out)
                (out / "summary.json").write_text("old", encoding="utf-8")
                (out / "mine.txt").write_text("mine", encoding="utf-8")
                more = ["--overwrite"]
            old = digest(out) if out.exists() else {}
            new = wanted | ({"mine.txt": old["mine.txt"]} if more else {})
            after = chance.uniform(0.9 * whole if k % 4 > 1 else 0, whole)
            code, said = in_child([*words, "--out", str(out), *more], after=after, sign=sign)
            found = digest(out) if out.exists() else {}
            state = state_between(found, old, new, out)
            left = ", stage left" if any(room.rglob(".spattermap_*-*")) else ""
            lines = len([line for line in said.splitlines() if not _TOLD.match(line)])
            if (sign == signal.SIGINT and code not in (0, 130)) or "Traceback" in said or lines > 1:
                state = f"BAD {code} {said[-200:]!r}"
            came[(f"{over(more)}{state}{left}" if code else "had ended before")] += 1
            if replace and out.exists():
                more = ["--overwrite"]
            elif name == "convert" and found == wanted:
                shutil.rmtree(out)
            code, said = in_child([*words, "--out", str(out), *more])
            again = digest(out) == new if out.exists() else False
            clean = not any(room.rglob(".spattermap_*-*"))
            rerun[("new result, same bytes" if again else f"BAD {code} {said[-200:]!r}")
                  + (", nothing left" if clean else ", BAD: LEFT")] += 1  # fmt: skip
            shutil.rmtree(room)
        yield f"{sign.name} in a run of {whole:.1f} s", name, chosen.times, came, rerun


def over(more):
    return "over an old one: " if more else ""


def pairs(maps, place, times):
    """Start two runs of a command into one folder at nearly one time."""
    place.mkdir()
    for name, words in commands(maps, place).items():
        came, rerun, chance = Counter(), Counter(), random.Random(5)
        wanted = digest(_made(words, place / f"{name}_whole"))
        for k in range(times):
            out = place / f"{name}{k}" / "out"
            out.parent.mkdir()
            second = os.fork()
            if not second:
                time.sleep(chance.choice((0, 0.05, 0.3)))
                code, said = in_child([*words, "--out", str(out)])
                fair = code == 0 or one_line(code, said) == ONE_LINE
                os._exit(code if fair else 99)
            code, said = in_child([*words, "--out", str(out)])
            chance.random()
            other = os.waitstatus_to_exitcode(os.waitpid(second, 0)[1])
            whole = "one whole result" if digest(out) == wanted else "BAD parts"
            clean = "" if not any(out.parent.rglob(".spattermap_*-*")) else ", BAD: LEFT"
            fair = (code == 0 or one_line(code, said) == ONE_LINE) and other in (0, 2)
            codes = sorted((code, other))
            told = {(0, 0): "both ended well", (0, 2): "one refused in a line"}.get(tuple(codes))
            came[
                f"{told if fair and told else f'BAD {codes} {said[-200:]!r}'}, {whole}{clean}"
            ] += 1
        yield "two runs into one folder", name, times, came, rerun


def places(maps, place):
    """Ask for results in the place of the maps, inside them and around them."""
    place.mkdir()
    for name, words in commands(maps, place).items():
        own = write_maps(place / f"{name}_maps")
        source = own if name != "mosaic" else place / "maps.zarr"
        call = [str(own) if word == str(maps) else word for word in words]
        before = digest(source)
        for said_as, out in (
            ("in the place of the maps", source),
            ("inside the maps", source / "out"),
        ):
            code, said = in_child(
                [*call, "--out", str(out), *["--overwrite"] * (name in ("report", "mosaic"))]
            )
            now = {k: v for k, v in digest(source).items() if not k.startswith("out/")}
            kept = "maps as they were" if now == before else "BAD: maps changed"
            told = "whole result" if code == 0 else one_line(code, said)
            shutil.rmtree(source / "out", ignore_errors=True)
            yield f"results asked for {said_as}", name, 1, Counter([f"{told}, {kept}"]), Counter()


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


_TOLD = re.compile(r"spattermap: warning|\d+/\d+ ")  # warnings, and how far a sweep got
ONE_LINE = "one line, status 2"


def one_line(code, said):
    lines = [line for line in said.splitlines() if not _TOLD.match(line)]
    clean = code == 2 and len(lines) == 1 and "Traceback" not in said
    return ONE_LINE if clean else f"BAD {code} {said[-300:]!r}"


def full_disks(maps, place):
    """Fill a small file system at many sizes, then give it room and run again."""
    place.mkdir()
    for name, words in commands(maps, place).items():
        came, rerun = Counter(), Counter()
        need = sum(f.stat().st_size for f in _made(words, place / name).rglob("*") if f.is_file())
        wanted = digest(place / name)
        for part in (0.02, 0.1, 0.3, 0.5, 0.7, 0.9):
            with small_disk(place / "disk", max(8, int(part * need / 1024))) as disk:
                code, said = in_child([*words, "--out", str(disk / "out")])
                left = [f.name for f in disk.rglob("*") if f.is_file()]
                whole = code == 0
                held = "" if name == "sweep" or whole else f", BAD: {left[:3]}" if left else ""
                came[("fitted" if whole else one_line(code, said)) + held] += 1
                subprocess.run(["mount", "-o", "remount,size=200m", str(disk)], check=True)
                if not whole:
                    code, said = in_child([*words, "--out", str(disk / "out")])
                    same = code == 0 and digest(disk / "out") == wanted
                    rerun["with room: same bytes" if same else f"BAD {code} {said[-200:]}"] += 1
        yield "full disk", name, sum(came.values()), came, rerun


def _made(words, out):
    assert in_child([*words, "--out", str(out)])[0] == 0
    return out


def little_memory(maps, place):
    """Bound the address space at what is held and so many MiB."""
    import resource

    maps = write_maps(place / maps.name, tiles=4)  # more than what lies free after the first run
    write_maps(place / "more", lift=1, tiles=4)
    held = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * 4096
    for name, words in commands(maps, place).items():
        tally, rerun = Counter(), Counter()
        wanted = digest(_made(words, place / f"{name}_whole"))
        for k, more in enumerate((1, 4, 16, 64, 256)):
            limit = held + more * 2**20
            bound = lambda most=limit: resource.setrlimit(resource.RLIMIT_AS, (most, most))  # noqa: E731
            out = place / f"{name}{k}"
            code, said = in_child([*words, "--out", str(out)], before=bound)
            state = "" if code == 0 or name == "sweep" else ", BAD: LEFT" * out.exists()
            tally[("fitted" if code == 0 else one_line(code, said)) + state] += 1
            if code:
                code, said = in_child([*words, "--out", str(out)])
                same = code == 0 and digest(out) == wanted
                rerun["without the bound: same bytes" if same else f"BAD {code} {said[-200:]}"] += 1
        yield "little address space", name, sum(tally.values()), tally, rerun


def changing_files(maps, place, number):
    """Change a map a moment after a command began to read; a result must be of one or the other."""
    place.mkdir()
    words = commands(maps, place)
    for name in ("report", "sweep", "convert"):
        tally, rerun, chance = Counter(), Counter(), random.Random(3)
        results = []
        for k in range(2):
            source = write_maps(place / f"{name}_{k}", lift=k)
            call = _for(words[name], maps, source, place)
            begun = time.monotonic()
            results.append(numbers_of(_made(call, place / f"{name}_out{k}")))
            whole = time.monotonic() - begun
        for k in range(number):
            source = write_maps(place / f"{name}_c{k}")
            call = _for(words[name], maps, source, place)
            out = place / f"{name}_r{k}"
            child = os.fork()
            if not child:
                new = write_maps(place / f"new{k}", lift=1)
                time.sleep(chance.uniform(0, 0.6 * whole))
                for file in sorted(source.glob("*.tif")):
                    file.write_bytes((new / file.name).read_bytes())
                    time.sleep(0.02)  # an export takes its time, file by file
                os._exit(0)
            code, said = in_child([*call, "--out", str(out)])
            os.waitpid(child, 0)
            chance.random()
            if code:
                tally[one_line(code, said)] += 1
            else:
                found = numbers_of(out)
                same = [found == one for one in results]
                word = "of the old maps" if same[0] else "of the new maps" if same[1] else "BAD mix"
                tally[f"result {word}"] += 1
            shutil.rmtree(out, ignore_errors=True)
            code, said = in_child([*call, "--out", str(out)])
            new = code == 0 and numbers_of(out) == results[1]
            rerun["result of the new maps" if new else f"BAD {code} {said[-200:]}"] += 1
        yield "maps changed while read", name, number, tally, rerun


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
    """Run a command without the capabilities that let root pass over the rights of files."""

    def before():
        import ctypes

        header = (ctypes.c_uint32 * 2)(0x20080522, 0)  # version 3 of capset(2), this process
        if ctypes.CDLL(None, use_errno=True).capset(header, (ctypes.c_uint32 * 6)()):
            raise OSError(ctypes.get_errno(), "capset")

    del place
    return in_child([*words, "--out", str(out)], before=before)


def permissions(maps, place):
    """Take rights away, where they hold for root too; then give them back."""
    place.mkdir()
    for name, words in commands(maps, place).items():
        tally = Counter()
        locked = place / f"{name}_locked"
        locked.mkdir(mode=0o555)
        tally["folder not writable: " + one_line(*as_nobody(words, locked / "out", place))] += 1
        # What is replaced as a whole needs the right to write around it only.
        code, said = as_nobody(words, locked, place)
        tally[
            "result not writable: " + ("replaced whole" if code == 0 else one_line(code, said))
        ] += 1
        shut = place / f"{name}_shut"
        shut.mkdir(mode=0)
        tally[
            "folder not to be entered: " + one_line(*as_nobody(words, shut / "a" / "out", place))
        ] += 1
        free = place / f"{name}_free"
        free.mkdir()
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
        tally["left behind: " + (f"BAD {left}" if left else "nothing")] += 1
        code, said = as_nobody(words, free / "out", place)
        word = "rights given back: whole" if code == 0 else f"BAD {said[-200:]}"
        yield "no rights", name, 5, tally, Counter([word])


def _row_error(out):
    text = (out / "fields.csv").read_text(encoding="utf-8") if (out / "fields.csv").exists() else ""
    return "said in its row" if "ermission" in text or "must be" in text else f"BAD {text[-200:]!r}"


def clocks(maps, place):
    """Set the times of files to the far future and past: what stands for "changed" is contents.

    The clock itself is not set (other work runs here): only what is compared with it.
    """
    place.mkdir()
    words = commands(maps, place)["sweep"]
    out, tally, rerun = place / "out", Counter(), Counter()
    assert in_child([*words, "--out", str(out)])[0] == 0
    before = digest(out)
    for when in (0, 4_000_000_000):
        for item in (*maps.rglob("*"), *out.rglob("*"), maps, out):
            os.utime(item, (when, when))
        code, _ = in_child([*words, "--out", str(out)])
        same = code == 0 and before.items() <= digest(out).items()
        rerun["same bytes, taken over" if same else "BAD other bytes"] += 1
        sheet = Path(words[1])
        stale = write_maps(place / f"changed{when}", lift=1)
        text = sheet.read_text(encoding="utf-8")
        sheet.write_text(text.replace(str(maps), str(stale), 1), encoding="utf-8")
        for item in (*stale.rglob("*"), stale):
            os.utime(item, (when, when))
        fresh = len(list((out / "deposits").iterdir()))
        assert in_child([*words, "--out", str(out)])[0] == 0
        more = len(list((out / "deposits").iterdir())) - fresh
        tally["changed maps with old times worked anew" if more == 1 else "BAD stale"] += 1
        sheet.write_text(text, encoding="utf-8")
    yield "times of files set to 1970 and 2096", "sweep", 2, tally, rerun


PARTS = ("kills", "interrupts", "ends", "pairs", "places", "disks", "memory", "changes",
         "permissions", "clocks", "surroundings")  # fmt: skip


def rows(maps, place, chosen, asked):
    """Yield the rows of the table: fault, command, times, what came, what a rerun did."""
    few = min(chosen.times, 20)
    parts = {
        "kills": lambda at: stopped(maps, at, chosen, signal.SIGKILL),
        "interrupts": lambda at: stopped(maps, at, chosen, signal.SIGINT),
        "ends": lambda at: stopped(maps, at, chosen, signal.SIGTERM),
        "pairs": lambda at: pairs(maps, at, few),
        "places": lambda at: places(maps, at),
        "disks": lambda at: full_disks(maps, at),
        "memory": lambda at: little_memory(maps, at),
        "changes": lambda at: changing_files(maps, at, few),
        "permissions": lambda at: permissions(maps, at),
        "clocks": lambda at: clocks(maps, at),
    }
    for part, run in parts.items():
        if part in asked:
            yield from run(place / part)


def words_of(tally):
    return "; ".join(f"{word} ({times})" for word, times in sorted(tally.items())) or "-"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("times", nargs="?", type=int, default=50)
    parser.add_argument("--only", choices=PARTS, action="append")
    parser.add_argument("--command", default="", help="of the stopped: report, sweep, ...")
    parser.add_argument("--seed", type=int, default=7)
    chosen = parser.parse_args()
    asked, bad = chosen.only or PARTS, 0
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        place.chmod(0o755)
        maps = write_maps(place / "maps")
        write_maps(place / "more", lift=1)
        # All is imported and compiled before a fork, but no thread started that it would lack.
        import spattermap.show.mosaic_page
        import spattermap.sweeps.overview  # noqa: F401
        from spattermap import cli

        assert cli.main(["report", str(maps), "--out", str(place / "warm")]) == 0
        print(
            "\n| fault | command | times | what came of it | what a rerun did |\n" + "|--" * 5 + "|"
        )
        for fault, command, times, came, rerun in rows(maps, place, chosen, asked):
            line = f"| {fault} | {command} | {times} | {words_of(came)} | {words_of(rerun)} |"
            bad += "BAD" in line
            print(line.replace(str(place), "..."), flush=True)
        if "surroundings" in asked:
            print("\n| around a report | exit | result | last line |\n|--|--|--|--|")
            for name, came in surroundings(maps, place):
                said = came[2].replace(str(place), "...").replace("|", "/")
                print(f"| {name} | {came[0]} | {came[1]} | {said[:160]} |", flush=True)
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()

"""What happens when the surroundings fail; run by hand.

    python tests/benchmarks/faults.py [interruptions] [--only surroundings|together|reports|saves]

Prints tables: what was done to `spattermap report` of a small map set, and what came of it; two
runs into one folder at once; what came of whole reports and of saving alone that were interrupted
at random moments. Each run must end in a clear line (exit status 2, or 130 when interrupted) or in
a whole result, and leave nothing half-written behind, or nothing that the next run does not clear
away.
"""

import argparse
import os
import random
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


def write_maps(folder):
    """Write a small deposit of four drops."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(1)
    y, x = np.indices((64, 64))
    copper = np.full((64, 64), 0.3)
    for row, column, radius in ((14, 14, 5), (40, 20, 6), (25, 45, 7), (50, 52, 4)):
        copper += 6.0 * ((y - row) ** 2 + (x - column) ** 2 < radius**2)
    planes = {"Cu_Ka": copper, "Zn_Ka": 0.4 * copper, "Si_Ka": 4 - 0.5 * np.minimum(copper, 6)}
    for name, plane in planes.items():
        tifffile.imwrite(
            folder / f"{name}.tif", rng.poisson(plane).astype(np.uint16),
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


def saved_together(analysis, place, number):
    """Let two processes publish into one new folder at the same moment; tally how it ended."""
    tally = Counter()
    for k in range(number):
        out = place / f"same{k}"
        moment = time.monotonic() + 0.3
        children = [save_in_child(analysis, out, moment=moment) for _ in range(2)]
        exits = sorted(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children)
        whole = held_by(out) == NAMES - {"report.html", "figures"}
        tally[f"exits {exits}, " + ("whole" if whole else f"PARTS {held_by(out)}"),] += 1
    return tally


def held_by(folder):
    return {item.name for item in folder.iterdir()} if folder.is_dir() else set()


def left_in(place):
    return [item.name for item in place.iterdir() if item.name.startswith(".spattermap_")]


def state_of(out, wanted):
    held = held_by(out)
    return "nothing" if not out.exists() else "whole" if held == wanted else f"PARTS {held}"


def interrupted_reports(maps, place, number):
    """Interrupt whole reports at random moments; tally what each left.

    By turns with Ctrl-C, which reaches every process of a terminal, with the signal of a shutting
    down system, and with a kill of the command alone, as of a system out of memory.
    """
    place.mkdir()
    scratch = place / "scratch"
    scratch.mkdir()
    environment = {**os.environ, "TMPDIR": str(scratch), "JUPYTER_RUNTIME_DIR": str(scratch)}
    begun = time.monotonic()
    start(maps, place / "timed", environment=environment).communicate()
    whole, chance, tally = time.monotonic() - begun, random.Random(7), Counter()
    ways = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
    for k in range(number):
        own, how = place / f"run{k}", ways[k % len(ways)]
        own.mkdir()
        run = start(maps, own / "out", environment=environment, session=True)
        time.sleep(chance.uniform(0.0, whole))
        if run.poll() is None and how == signal.SIGINT:
            os.killpg(run.pid, how)
        else:
            run.send_signal(how)
        said = run.communicate()[1].strip().splitlines()
        words = "TRACEBACK" if any(line.startswith("Traceback") for line in said) else ""
        words = words or (said[-1][:60] if said else "no word")
        lasting = "" if ended(run.pid) else ", A PROCESS LIVES ON"
        left = "a hidden folder" if left_in(own) else "nothing"
        state = state_of(own / "out", NAMES)
        tally[how.name, f"exit {run.returncode}", state, left, words + lasting] += 1
        tally[clearing(own),] += 1
        tally[f"other temporary files: {len(held_by(scratch))}",] += 1
        for item in scratch.iterdir():
            shutil.rmtree(item) if item.is_dir() else item.unlink()
    print(f"An uninterrupted report took {whole:.1f} s.")
    return tally


def clearing(place):
    """Run again until all is cleared away, and say how it went.

    The kernel of a killed report ends by itself within seconds; what it holds stays till then.
    """
    from spattermap.core.files import staged_folder

    for attempt in range(20):
        with staged_folder(place / f"later{attempt}") as stage:
            (stage / "a.txt").write_text("", encoding="utf-8")
        if not left_in(place):
            when = "at once" if attempt == 0 else "once the kernel had ended"
            return f"cleared away by a later run, {when}"
        time.sleep(0.5)
    return f"NOT CLEARED AWAY {left_in(place)}"


def ended(session):
    """Return True where within ten seconds no process of a session is left."""
    for _ in range(100):
        try:
            os.killpg(session, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.1)
    return False


def save(analysis, out, *, moment=None, overwrite=True):
    """Save the tables: without the pictures, so that most of the time is moving and writing."""
    from spattermap.core.files import staged_folder

    with staged_folder(out, overwrite=overwrite) as stage:
        analysis.write_tables(stage)
        while moment is not None and time.monotonic() < moment:
            pass


def save_in_child(analysis, out, *, moment=None):
    """Fork a process that saves an analysis; the parent has all libraries loaded already."""
    from spattermap.core.errors import OutputError

    child = os.fork()
    if child:
        return child
    code = 1
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        save(analysis, out, moment=moment, overwrite=moment is None)
        code = 0
    except KeyboardInterrupt:
        code = 130
    except OutputError as problem:
        code = 2 if "must be empty or new" in str(problem) else 3
    finally:
        os._exit(code)


def interrupted_saves(analysis, place, number):
    """Interrupt saving at random moments; return the tally, and what a later save leaves."""
    begun = time.monotonic()
    os.waitpid(save_in_child(analysis, place / "timed"), 0)
    whole, chance, tally = time.monotonic() - begun, random.Random(5), Counter()
    wanted = NAMES - {"report.html", "figures"}
    for k in range(number):
        out = place / f"interrupted{k}"
        how = signal.SIGKILL if k % 2 else signal.SIGINT
        child = save_in_child(analysis, out)
        time.sleep(chance.uniform(0.0, whole))
        os.kill(child, how)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        left = "a hidden folder" if left_in(place) else "nothing"
        tally[how.name, f"exit {code}", state_of(out, wanted), left] += 1
        save(analysis, out)
        again = held_by(out) == wanted and not left_in(place)
        tally["later run whole, all cleared away" if again else "LATER RUN BAD",] += 1
    return tally


def show(heading, tally):
    print(f"\n| {heading} | times |\n|--|--|")
    for key, times in sorted(tally.items()):
        print(f"| {', '.join(key)} | {times} |", flush=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("number", nargs="?", type=int, default=50)
    parser.add_argument("--only", choices=("surroundings", "together", "reports", "saves"))
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        maps = write_maps(place / "maps")
        if chosen.only in (None, "surroundings"):
            print("| what was done | exit | result | last line |\n|--|--|--|--|")
            for name, came in surroundings(maps, place):
                said = came[2].replace(str(place), "...").replace("|", "/")
                print(f"| {name} | {came[0]} | {came[1]} | {said[:160]} |", flush=True)
        if chosen.only in (None, "together"):
            print("\n| two runs at once | exits | result | left | refusal |\n|--|--|--|--|--|")
            print("| into one new folder |", " | ".join(together(maps, place / "new")), "|")
            came = together(maps, place / "held", "--overwrite")
            print("| into one with files, --overwrite |", " | ".join(came), "|", flush=True)
        if chosen.only in (None, "reports"):
            tally = interrupted_reports(maps, place / "reports", chosen.number)
            show("interrupted report: signal, exit, result, left behind, said", tally)
        if chosen.only in (None, "saves", "together"):
            import spattermap

            analysis = spattermap.analyse(spattermap.load(maps))
            save(analysis, place / "first")  # so that all is imported
            if chosen.only != "together":
                tally = interrupted_saves(analysis, place, chosen.number)
                show("interrupted saving: signal, exit, result, left behind", tally)
            if chosen.only != "saves":
                tally = saved_together(analysis, place, chosen.number)
                show("two saves into one new folder at one moment", tally)


if __name__ == "__main__":
    main()

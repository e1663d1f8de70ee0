"""What happens when the surroundings fail; run by hand.

    python tests/benchmarks/faults.py [interruptions] [--saves-only]

Prints a table: what was done to `spattermap report` of a small map set, and what came of it; then
what came of saving that was interrupted at random moments. Each run must end in a clear line (exit
status 2, or 130 when interrupted) or in a whole result, and leave nothing half-written behind, or
nothing that the next run does not clear away.
"""

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
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


def start(maps, out, *more, environment=None, before=None):
    """Start a report and return the process."""
    command = [sys.executable, "-m", "spattermap", "report", str(maps), "--out", str(out), *more]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=before,  # noqa: PLW1509 - this script has one thread
        env=os.environ if environment is None else environment,
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
    out = place / "both"
    runs = [start(maps, out), start(maps, out)]
    for run in runs:
        yield "two runs into one new folder", outcome(run, out)


def left_in(place):
    return [item.name for item in place.iterdir() if item.name.startswith(".spattermap_")]


def save(analysis, out):
    """Save the tables: without the pictures, so that most of the time is moving and writing."""
    from spattermap.outputs import staged_folder

    with staged_folder(out, overwrite=True) as stage:
        analysis.write_tables(stage)


def save_in_child(analysis, out):
    """Fork a process that saves an analysis; the parent has all libraries loaded already."""
    child = os.fork()
    if child:
        return child
    code = 1
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        save(analysis, out)
        code = 0
    except KeyboardInterrupt:
        code = 130
    finally:
        os._exit(code)


def interruptions(maps, place, number):
    """Interrupt saving at random moments; return the tally, and what a later save leaves."""
    import spattermap

    analysis = spattermap.analyse(spattermap.load(maps))
    save(analysis, place / "first")  # so that all is imported
    begun = time.monotonic()
    os.waitpid(save_in_child(analysis, place / "timed"), 0)
    whole, chance, tally = time.monotonic() - begun, random.Random(5), {}
    wanted = NAMES - {"report.html", "figures"}
    for k in range(number):
        out = place / f"interrupted{k}"
        how = signal.SIGKILL if k % 2 else signal.SIGINT
        child = save_in_child(analysis, out)
        time.sleep(chance.uniform(0.0, whole))
        os.kill(child, how)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        held = {item.name for item in out.iterdir()} if out.is_dir() else set()
        state = "nothing" if not held else "whole" if held == wanted else f"PARTS {held}"
        key = (how.name, f"exit {code}", state, "a hidden folder" if left_in(place) else "nothing")
        tally[key] = tally.get(key, 0) + 1
        save(analysis, out)
        again = {item.name for item in out.iterdir()} == wanted and not left_in(place)
        tally["later run whole, all cleared away" if again else "LATER RUN BAD"] = (
            tally.get("later run whole, all cleared away" if again else "LATER RUN BAD", 0) + 1
        )
    return tally


def main():
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        maps = write_maps(place / "maps")
        if "--saves-only" not in sys.argv:
            print("| what was done | exit | result | last line |\n|--|--|--|--|")
            for name, came in surroundings(maps, place):
                said = came[2].replace(str(place), "...").replace("|", "/")
                print(f"| {name} | {came[0]} | {came[1]} | {said[:160]} |", flush=True)
        print("\n| interrupted saving: signal, exit, result, left behind | times |\n|--|--|")
        for key, times in sorted(interruptions(maps, place, number).items(), key=str):
            print(f"| {key if isinstance(key, str) else ', '.join(key)} | {times} |")


if __name__ == "__main__":
    main()

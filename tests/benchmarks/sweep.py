"""A sweep of many map sets: wall time, scaling, lost workers, a lost driver; run by hand.

``python tests/benchmarks/sweep.py [--sets 200] [--side 256] [--folder FOLDER]`` writes seeded map
sets (six elements) and runs, in order: a plain loop over `analyse` on a part of them, one worker,
two local processes, a LocalCluster of two workers, two local processes of which one is killed by
its id midway, and a driver that is killed midway and started again. At the end of each run every
table and the page must equal those of the first run byte for byte.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import tifffile

from spattermap import analyse, load
from spattermap.sweeps import sweep

ELEMENTS = {"Cu": (5.0, 0.1), "Zn": (2.0, 0.1), "Fe": (0.1, 0.1), "Si": (0.8, 4.0), "O": (0.8, 5.0),
            "Na": (0.05, 0.3)}  # fmt: skip


def write_sets(folder: Path, n_sets: int, side: int) -> Path:
    """Write seeded map sets and their sheet; return the sheet."""
    lines = ["path,sample,field,charge_J,gap_mm"]
    y, x = np.mgrid[:side, :side].astype(np.float32)
    for k in range(n_sets):
        rng = np.random.default_rng(k)
        charge, gap = 60 + 30 * (k // 2 % 6), 2 + 2 * (k // 12 % 4)
        metal = np.zeros((side, side), dtype=bool)
        for _ in range(int(charge * side * side / 256**2)):
            cy, cx = rng.uniform(0, side, 2)
            metal |= (y - cy) ** 2 + (x - cx) ** 2 < rng.lognormal(1.6, 0.4) ** 2
        place = folder / f"set_{k:04d}"
        place.mkdir(parents=True)
        for element, (on, off) in ELEMENTS.items():
            counts = rng.poisson(np.where(metal, on, off)).astype(np.uint8)
            tifffile.imwrite(place / f"{element}_Ka.tif", counts)
        (place / "mapset.toml").write_text(
            f'title = "set {k}"\nquantity = "counts"\npixel_size_um = 0.25\n[alloy]\nCu = 70.0\n'
            "Zn = 30.0\n[substrate]\nelements = ['Si', 'O', 'Na']\n",
            encoding="utf-8",
        )
        lines.append(f"set_{k:04d},sample {k // 2},{'ab'[k % 2]},{charge},{gap}")
    sheet = folder / "sheet.csv"
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return sheet


def files_of(out: Path) -> dict[str, bytes]:
    """Return the content of every table and the page."""
    return {item.name: item.read_bytes() for item in sorted(out.iterdir()) if item.is_file()}


def compare(out: Path, first: Path) -> str:
    """Say whether two sweeps wrote the same bytes."""
    here, there = files_of(out), files_of(first)
    unlike = sorted(n for n in here.keys() | there.keys() if here.get(n) != there.get(n))
    return "all tables equal the first run's bytes" if not unlike else f"DIFFERENT: {unlike}"


def plain_loop(sheet: Path, n_sets: int) -> float:
    """Return seconds per set of the plain script: load and analyse, one after the other."""
    paths = [sheet.parent / f"set_{k:04d}" for k in range(n_sets)]
    analyse(load(paths[0]))  # imports and compilation
    start = time.perf_counter()
    for path in paths:
        analyse(load(path))
    return (time.perf_counter() - start) / n_sets


def timed(sheet: Path, out: Path, **options: object) -> float:
    """Return the wall time of a sweep (s)."""
    start = time.perf_counter()
    sweep(sheet, out=out, **options)
    return time.perf_counter() - start


def kill_a_worker(sheet: Path, out: Path, n_sets: int) -> float:
    """Sweep on two processes, and kill one of them by its id when a third is done."""
    killed: list[int] = []

    def killer() -> None:
        while not killed:
            time.sleep(0.2)
            done = list((out / "deposits").glob("*/deposit.json")) if out.exists() else []
            children = multiprocessing.active_children()
            if len(done) >= n_sets // 3 and children:
                os.kill(children[0].pid, signal.SIGKILL)
                killed.append(children[0].pid)

    thread = threading.Thread(target=killer, daemon=True)
    thread.start()
    spent = timed(sheet, out, scheduler="processes", workers=2)
    thread.join(1)
    print(f"    killed worker {'yes' if killed else 'NO'}")
    return spent


def kill_the_driver(sheet: Path, out: Path, n_sets: int) -> tuple[int, float]:
    """Start a sweep as a command, kill it when half is done, start it again."""
    command = [sys.executable, "-m", "spattermap", "sweep", str(sheet), "--out", str(out),
               "--no-reports", "--workers", "2"]  # fmt: skip
    driver = subprocess.Popen(command, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    while len(list((out / "deposits").glob("*/deposit.json"))) < n_sets // 2:
        time.sleep(0.2)
        if driver.poll() is not None:
            raise RuntimeError("the driver ended before it could be killed")
    driver.kill()
    driver.wait()
    left = len(list((out / "deposits").glob("*/deposit.json")))
    start = time.perf_counter()
    subprocess.run(command, check=True, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    return left, time.perf_counter() - start


def main() -> None:
    """Run everything and print one line a run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=200)
    parser.add_argument("--side", type=int, default=256)
    parser.add_argument("--loop", type=int, default=20, help="map sets of the plain loop")
    parser.add_argument("--folder", type=Path)
    chosen = parser.parse_args()
    root = Path(tempfile.mkdtemp(prefix="sweep_", dir=chosen.folder))
    try:
        run_all(root, chosen.sets, chosen.side, chosen.loop)
    finally:
        shutil.rmtree(root, ignore_errors=True)


def run_all(root: Path, n_sets: int, side: int, n_loop: int) -> None:
    """Make the map sets, run every case, print."""
    sheet = write_sets(root / "maps", n_sets, side)
    plain = plain_loop(sheet, min(n_loop, n_sets))
    print(f"{n_sets} map sets of {side} x {side} x {len(ELEMENTS)}; load average {os.getloadavg()}")
    print(f"plain loop over analyse: {plain:.3f} s a set", flush=True)
    first = root / "one"
    one = timed(sheet, first, scheduler="processes", workers=1)
    print(f"one worker: {one:.1f} s, {one / n_sets / plain:.2f} times the plain loop", flush=True)
    two = timed(sheet, root / "two", scheduler="processes", workers=2)
    told = compare(root / "two", first)
    print(f"two local processes: {two:.1f} s, {one / two:.2f} times one worker; {told}", flush=True)
    from distributed import Client, LocalCluster

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster),
    ):
        spent = timed(sheet, root / "cluster")
    told = compare(root / "cluster", first)
    print(f"LocalCluster of two: {spent:.1f} s, {one / spent:.2f} times one; {told}", flush=True)
    spent = kill_a_worker(sheet, root / "killed", n_sets)
    print(f"one worker killed: {spent:.1f} s; {compare(root / 'killed', first)}", flush=True)
    left, spent = kill_the_driver(sheet, root / "driver", n_sets)
    told = compare(root / "driver", first)
    print(f"driver killed after {left} of {n_sets}, then {spent:.1f} s; {told}", flush=True)
    again = timed(sheet, root / "driver", scheduler="processes", workers=2)
    print(f"nothing left to do: {again:.1f} s; {compare(root / 'driver', first)}")


if __name__ == "__main__":
    main()

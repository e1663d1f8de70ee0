"""Mutation testing by hand: do the tests notice a wrong sign, bound or number in the science?

Run as ``python tests/benchmarks/mutation.py moments --sample 60``. It needs ``cosmic-ray`` from the
registry (not among the project's dependencies). A room has thousands of mutants, so a seeded
sample of places in the code is drawn, and one mutant for each place; type annotations are left out,
because they do not run. The tests run in a copy of the repository, never in the checkout.

Printed: mutants killed of those drawn, and each survivor with its change.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# Files of each room, and the tests that must notice a change in them.
ROOMS = {
    "moments": (
        ["noise/moments.py", "noise/correlation_length.py"],
        ["test_moments_by_hand.py", "test_moments.py", "test_colocation.py"],
    ),
    "regions": (
        ["measure/regions.py", "core/region_kernels.py"],
        ["test_regions_by_hand.py", "test_regions.py"],
    ),
    "continuity": (
        [
            "measure/connection.py",
            "measure/conductance.py",
            "measure/network.py",
            "measure/resistivity.py",
        ],
        [
            "test_continuity_by_hand.py",
            "test_continuity_words_by_hand.py",
            "test_continuity.py",
            "test_continuity_describe.py",
            "test_continuity_conductance.py",
        ],
    ),
    "colocation": (
        ["verdict/correlation.py", "verdict/nulls.py", "verdict/pairs.py"],
        # Quick tests first: the run on a mutant ends with the first test that fails.
        [
            "test_colocation_by_hand.py",
            "test_colocation_null_by_hand.py",
            "test_colocation.py",
            "test_colocation_fields.py",
            "test_colocation_null.py",
        ],
    ),
    "separation": (
        [
            "verdict/composition.py",
            "verdict/evidence.py",
            "verdict/gather.py",
            "verdict/judging.py",
            "verdict/metal_shares.py",
            "verdict/oxygen.py",
            "verdict/patterns.py",
            "verdict/physics.py",
            "verdict/rules.py",
            "verdict/sentences.py",
            "verdict/signal_levels.py",
            "verdict/weighing.py",
            "verdict/zones.py",
        ],
        [
            "test_separation_by_hand.py",
            "test_separation_levels.py",
            "test_separation_physics.py",
            "test_separation_rules.py",
            "test_separation_words.py",
            "test_separation_weighing.py",
            "test_separation_patterns.py",
            "test_separation_composition_by_hand.py",
            "test_separation_composition.py",
            "test_separation.py",
        ],
    ),
}
LEFT_OUT = (".git", ".venv", "__pycache__", "*.nbi", "*.nbc", "sample_report")


def main() -> int:
    """Draw mutants of one room, run its tests on each, and print what survived."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("room", choices=sorted(ROOMS))
    parser.add_argument("--sample", type=int, default=60, help="mutants drawn")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=120, help="longest run of the tests")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="mutants_") as place:
        copy = Path(place) / "copy"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(*LEFT_OUT))
        session = _prepare(copy, chosen)
        _run("cosmic-ray", "exec", str(copy / "mutation.toml"), str(session), at=copy)
        return _tell(session, chosen.room)


def _prepare(copy: Path, chosen: argparse.Namespace) -> Path:
    """Write the configuration, list all mutants, and keep the sample."""
    files, tests = ROOMS[chosen.room]
    modules = ", ".join(f'"toolkit/spattermap/{name}"' for name in files)
    words = " ".join(f"tests/{name}" for name in tests)
    settings = (
        f"[cosmic-ray]\nmodule-path = [{modules}]\ntimeout = {chosen.seconds}\n"
        f'excluded-modules = []\ntest-command = "{Path(sys.executable).as_posix()} -m pytest -q -x '
        f'-p no:cacheprovider {words}"\n\n[cosmic-ray.distributor]\nname = "local"\n'
    )
    (copy / "mutation.toml").write_text(settings, encoding="utf-8")
    session = copy / "mutants.sqlite"
    _run("cosmic-ray", "init", str(copy / "mutation.toml"), str(session), at=copy)
    with sqlite3.connect(session) as store:
        rows = store.execute(
            "select job_id, module_path, start_pos_row, start_pos_col from mutation_specs "
            "order by module_path, start_pos_row, start_pos_col, operator_name, occurrence"
        ).fetchall()
        keep = _sample(copy, rows, chosen)
        for (job,) in store.execute("select job_id from work_items").fetchall():
            if job not in keep:
                store.execute("delete from mutation_specs where job_id = ?", (job,))
                store.execute("delete from work_items where job_id = ?", (job,))
    return session


def _sample(copy: Path, rows: list[tuple], chosen: argparse.Namespace) -> set[str]:
    """Return the job of one random mutant at each of the places drawn."""
    notes = {path: _annotations(copy / path) for path in {row[1] for row in rows}}
    places: dict[tuple, list[str]] = {}
    for job, path, row, column in rows:
        if not any(start <= (row, column) < end for start, end in notes[path]):
            places.setdefault((path, row, column), []).append(job)
    draw = random.Random(chosen.seed)
    drawn = draw.sample(sorted(places), min(chosen.sample, len(places)))
    print(f"{len(rows)} mutants at {len(places)} places that run; {len(drawn)} drawn", flush=True)
    return {draw.choice(places[place]) for place in drawn}


def _annotations(file: Path) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return where type annotations stand: they are never evaluated here."""
    found = []
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        for name in ("annotation", "returns"):
            part = getattr(node, name, None)
            if part is not None:
                end = (part.end_lineno, part.end_col_offset)
                found.append(((part.lineno, part.col_offset), end))
    return found


def _run(command: str, *words: str, at: Path) -> None:
    program = Path(sys.executable).with_name(command)
    about = {
        **os.environ,
        # Bytecode is told apart by whole seconds and size: a mutant may have both in common.
        "PYTHONDONTWRITEBYTECODE": "1",
        "PYTHONPATH": str(at / "toolkit"),
        "NUMBA_CACHE_DIR": str(at / "numba"),
    }
    subprocess.run([str(program), *words], cwd=at, env=about, check=True)


def _tell(session: Path, room: str) -> int:
    with sqlite3.connect(session) as store:
        rows = store.execute(
            "select test_outcome, diff, worker_outcome, module_path, start_pos_row "
            "from work_results join mutation_specs using (job_id) "
            "order by module_path, start_pos_row"
        ).fetchall()
    # cosmic-ray stores the names of its outcomes: a mutant that hangs counts as noticed.
    alive = [row for row in rows if row[0] == "SURVIVED"]
    for outcome, diff, _, path, line in alive:
        changed = [text for text in diff.splitlines() if text[:1] in "+-" and text[:3] != "+++"]
        print(f"{outcome} {path}:{line}")
        print("\n".join(f"    {text}" for text in changed if not text.startswith("---")))
    killed = len(rows) - len(alive)
    print(f"{room}: {killed} of {len(rows)} killed, {100 * killed / max(1, len(rows)):.1f} %")
    return 0


if __name__ == "__main__":
    sys.exit(main())

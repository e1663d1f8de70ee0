"""Run a part of the tests at the lowest and at the newest versions that pyproject.toml allows.

    python .ci/versions.py [lowest|newest] [--keep FOLDER] [--all]

Each set of versions gets an environment of its own, outside the project. "lowest" holds every
direct dependency at its lower bound and takes the rest as pip chooses it; "newest" installs
without constraints.txt. Without a network (or package index) it says so and stops there, with exit
status 0: nothing was found wrong.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
# One test file for each library that others might break: readers and writers, compiled loops,
# tables, pictures, distributed work, notebooks and pages.
PART = (
    "test_loaders_formats.py",
    "test_loaders_cube.py",
    "test_regions.py",
    "test_analysis.py",
    "test_figures.py",
    "test_mosaics.py",
    "test_report.py",
    "test_xrays.py",
)
# A direct dependency, and small: can it be had, so can the rest.
PROBE = "pytest"


def requirements() -> list[str]:
    """Return what the package and its tests need, as pyproject.toml has it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [*project["dependencies"], *project["optional-dependencies"]["test"]]


def at_lowest(requirement: str) -> str:
    """Return a requirement held at its lower bound.

    Raises
    ------
    SystemExit
        If it has not exactly one lower and one upper bound.
    """
    found = re.fullmatch(r"([\w.-]+)>=([\w.]+),<([\w.]+)", requirement)
    if found is None:
        sys.exit(f"pyproject.toml: {requirement!r} must read name>=lowest,<untested.")
    return f"{found[1]}=={found[2]}"


def pip(python: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run pip of an environment, with wheels only: nothing is compiled here."""
    command = [str(python), "-m", "pip", *words, "--only-binary", ":all:", "--quiet"]
    return subprocess.run(
        [*command, "--disable-pip-version-check"],
        cwd=ROOT,
        check=False,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )


def can_fetch(python: Path, folder: Path) -> bool:
    """Return True where pip reaches a package index."""
    probe = next(at_lowest(item) for item in requirements() if item.startswith(PROBE))
    words = ("--no-deps", "--no-cache-dir", "--retries", "1", "--dest", str(folder), probe)
    return pip(python, "download", *words).returncode == 0


def install(python: Path, which: str, folder: Path) -> None:
    """Install the project and what its tests need.

    Raises
    ------
    SystemExit
        If pip finds no versions that go together, or cannot install them.
    """
    words = ["install", "--editable", f"{ROOT}[test]"]
    if which == "lowest":
        held = folder / "lowest.txt"
        held.write_text("\n".join(map(at_lowest, requirements())) + "\n", encoding="utf-8")
        words += ["--constraint", str(held)]
    done = pip(python, *words)
    if done.returncode:
        said = [line for line in done.stderr.splitlines() if not line.startswith("WARNING")]
        sys.exit("\n".join([*said, f"pip could not install the {which} versions."]))


def versions_of(python: Path) -> str:
    """Return the versions of the direct dependencies that an environment holds."""
    names = [at_lowest(item).partition("==")[0] for item in requirements()]
    code = f"from importlib.metadata import version as v; print(*(n+' '+v(n) for n in {names}))"
    return subprocess.run(
        [str(python), "-c", code], check=True, capture_output=True, text=True
    ).stdout.strip()


def test(python: Path, folder: Path, *, everything: bool) -> int:
    """Run the tests and return their exit status."""
    # Compiled loops are kept apart from those of other versions.
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(folder / "compiled"), "PYTHONUTF8": "1"}
    files = [] if everything else [str(ROOT / "tests" / name) for name in PART]
    command = [str(python), "-m", "pytest", "-q", "-p", "no:cacheprovider", *files]
    return subprocess.run(command, cwd=ROOT, check=False, env=environment).returncode


def check(which: str, folder: Path, *, everything: bool) -> int:
    """Install one set of versions into a folder and run the tests there."""
    started = time.monotonic()
    print(f"\n{which.capitalize()} versions:", flush=True)
    venv.create(folder, with_pip=True)
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not can_fetch(python, folder):
        print(f"pip reaches no package index: the {which} versions were NOT tested.", flush=True)
        return 0
    install(python, which, folder)
    print(versions_of(python), flush=True)
    installed = time.monotonic()
    code = test(python, folder, everything=everything)
    took = f"{installed - started:.0f} s to install, {time.monotonic() - installed:.0f} s to test"
    print(f"{which.capitalize()} versions: {'passed' if code == 0 else 'FAILED'} ({took}).")
    return code


def main() -> int:
    """Check the sets of versions that were asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("which", nargs="?", choices=("lowest", "newest"), help="one only")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the environments there")
    parser.add_argument("--all", action="store_true", help="all tests of the default run")
    chosen = parser.parse_args()
    code = 0
    with tempfile.TemporaryDirectory(prefix="spattermap_versions_") as scratch:
        for which in (chosen.which,) if chosen.which else ("lowest", "newest"):
            folder = (chosen.keep or Path(scratch)) / which
            code = code or check(which, folder, everything=chosen.all)
    return code


if __name__ == "__main__":
    sys.exit(main())

"""Set Spattermap up in a fresh clone and run something, with nothing but Python and pip.

``python toolkit/start.py demo`` sets up and leaves a report of every demo deposit;
``python toolkit/start.py test`` sets up and runs the tests. Works alike on Windows, macOS and
Linux. It uses the active virtual environment if there is one, else makes ``.venv`` in the clone.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
DEMO = ("brass_burst", "nichrome_burst", "molybdenum_streaks", "bronze_few_counts")
REPORTS = ROOT / "spattermap_report"


def python_of(environment: Path) -> Path:
    """Return the interpreter of a virtual environment."""
    return environment / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def find_environment() -> Path:
    """Return the interpreter to use, making ``.venv`` where no environment is active."""
    if sys.prefix != sys.base_prefix:
        return Path(sys.executable)
    environment = ROOT / ".venv"
    if not python_of(environment).exists():
        print(f"Making the virtual environment {environment}", flush=True)
        made = subprocess.run([sys.executable, "-m", "venv", str(environment)], check=False)
        if made.returncode:
            sys.exit(
                "A virtual environment could not be made. On Debian and Ubuntu install the "
                "package python3-venv, then run this command again."
            )
    return python_of(environment)


def install(python: Path, extra: str) -> None:
    """Install the project as it stands, unless this very set-up was installed before."""
    wanted = hashlib.sha256(
        b"".join((ROOT / name).read_bytes() for name in ("pyproject.toml", "constraints.txt"))
        + f"{extra} {ROOT}".encode()
    ).hexdigest()
    stamp = python.parent / f"spattermap-{extra or 'plain'}.installed"
    if stamp.exists() and stamp.read_text(encoding="utf-8") == wanted:
        return
    print("Installing Spattermap and what it needs (about a minute)", flush=True)
    target = f"{ROOT}[{extra}]" if extra else str(ROOT)
    command = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    command += ["--constraint", str(ROOT / "constraints.txt"), "--editable", target]
    done = subprocess.run(command, check=False, cwd=ROOT)
    if done.returncode:
        sys.exit("pip could not install Spattermap; its own message stands above.")
    stamp.write_text(wanted, encoding="utf-8")


def demo(python: Path) -> int:
    """Write a report of each demo deposit, and say where they are.

    The first alone, because on a fresh machine it compiles, on several processors; then two at
    once.
    """

    def written(name: str) -> subprocess.CompletedProcess[str]:
        command = [str(python), "-m", "spattermap", "report", str(ROOT / "sample_maps" / name)]
        command += ["--out", str(REPORTS / name), "--overwrite"]
        return subprocess.run(
            command,
            check=False,
            cwd=ROOT,
            env={**os.environ, "PYTHONUTF8": "1"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
        )

    print(f"Writing the reports of {len(DEMO)} demo deposits", flush=True)
    with ThreadPoolExecutor(max_workers=min(2, os.cpu_count() or 1)) as two:
        for done in (each for some in (DEMO[:1], DEMO[1:]) for each in two.map(written, some)):
            print(done.stdout, end="", flush=True)
            if done.returncode:
                two.shutdown(cancel_futures=True)
                return done.returncode
    print("\nOpen these pages in a browser:")
    for name in DEMO:
        print(f"  {REPORTS / name / 'report.html'}")
    return 0


def shared_out(words: list[str]) -> list[str]:
    """Return the words that let processes share the test files, unless the caller chose otherwise.

    Two processes at least where there are two cores; each holds about a gigabyte.
    """
    own = ("-n", "-m", "-x", "-s", "--dist", "--pdb", "--numprocesses", "--collect-only")
    processes = min(os.cpu_count() or 1, 4)
    if processes < 2 or any(word.startswith(own) for word in words):
        return []
    return ["-n", str(processes), "--dist", "loadfile"]


def main() -> int:
    """Run one of the two commands."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("demo", "test", "dev"), help="what to set up and run")
    arguments, rest = parser.parse_known_args()
    if rest and arguments.what != "test":
        parser.error(f"only test takes more words (they go to pytest), got {' '.join(rest)}")
    started = time.monotonic()
    python = find_environment()
    install(python, {"demo": "", "test": "test", "dev": "dev"}[arguments.what])
    if arguments.what == "demo":
        code = demo(python)
    elif arguments.what == "test":
        command = [str(python), "-m", "pytest", *shared_out(rest), *rest]
        code = subprocess.run(command, check=False, cwd=ROOT).returncode
    else:
        code = 0  # dev: only the set-up, for linters and editors
    print(f"Took {time.monotonic() - started:.0f} s.", flush=True)
    return code


if __name__ == "__main__":
    sys.exit(main())

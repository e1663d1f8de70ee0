"""Build the documentation with one command: ``python toolkit/docs/build.py``.

How-to pages, the outside checks, the executed notebooks and the reference go to
``build/docs/index.html``. Needs the ``docs`` extra. ``--quick`` leaves the notebooks unexecuted.
"""

from __future__ import annotations

import argparse
import os
import pkgutil
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
SOURCE = ROOT / "build" / "docs_source"
OUT = ROOT / "build" / "docs"


def main() -> int:
    """Gather the sources in a folder of their own and run Sphinx on them."""
    parser = argparse.ArgumentParser(description="Build the documentation of Spattermap.")
    parser.add_argument("--quick", action="store_true", help="do not execute the notebooks")
    chosen = parser.parse_args()
    gather()
    environment = dict(os.environ)
    # The notebooks' kernel must find the package, also where it is not installed.
    places = [str(ROOT / "toolkit"), environment.get("PYTHONPATH", "")]
    environment["PYTHONPATH"] = os.pathsep.join(place for place in places if place)
    command = [sys.executable, "-m", "sphinx", "-b", "html", "-q", "-W", "--keep-going"]
    command += ["-D", f"nb_execution_mode={'off' if chosen.quick else 'force'}"]
    done = subprocess.run([*command, str(SOURCE), str(OUT)], env=environment, check=False)
    if done.returncode == 0:
        print(OUT / "index.html")
    return done.returncode


def gather() -> None:
    """Copy pages, checks, notebooks and demo maps, and write one reference page a module."""
    shutil.rmtree(SOURCE, ignore_errors=True)
    shutil.copytree(HERE, SOURCE, ignore=shutil.ignore_patterns("*.py"))
    shutil.copy(HERE / "conf.py", SOURCE)
    shutil.copy(ROOT / "tests" / "reference" / "README.md", SOURCE / "checks.md")
    shutil.copytree(ROOT / "notebooks", SOURCE / "notebooks")
    shutil.copytree(ROOT / "sample_maps", SOURCE / "sample_maps")
    pages = SOURCE / "reference"
    pages.mkdir()
    names = public_modules()
    for name in names:
        lines = [name, "=" * len(name), "", f".. automodule:: {name}", "   :members:", ""]
        (pages / f"{name}.rst").write_text("\n".join(lines), encoding="utf-8")
    entries = "".join(f"   {name}\n" for name in names)
    index = f"Reference\n=========\n\n.. toctree::\n   :maxdepth: 1\n\n{entries}"
    (pages / "index.rst").write_text(index, encoding="utf-8")


def public_modules() -> list[str]:
    """Return the names of the public modules; a package speaks for the modules in it."""
    package = ROOT / "toolkit" / "spattermap"
    found = [module.name for module in pkgutil.iter_modules([str(package)])]
    return ["spattermap", *(f"spattermap.{name}" for name in found if not name.startswith("_"))]


if __name__ == "__main__":
    sys.exit(main())

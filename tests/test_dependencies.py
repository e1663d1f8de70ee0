"""What the project needs: bounds on both sides, and pins within them."""

import itertools
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
NEEDED = [
    Requirement(text)
    for text in itertools.chain(PROJECT["dependencies"], *EXTRAS.values())
    if not text.startswith("spattermap[")
]


def pins():
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").split()
    return {
        canonicalize_name(name): Version(v) for name, _, v in (x.partition("==") for x in lines)
    }


@pytest.mark.parametrize("needed", NEEDED, ids=lambda needed: needed.name)
def test_every_dependency_has_both_bounds_and_a_pin_between(needed):
    assert sorted(one.operator for one in needed.specifier) == ["<", ">="]
    pinned = pins().get(canonicalize_name(needed.name))
    if needed.name in {one.name for one in map(Requirement, PROJECT["dependencies"])}:
        assert pinned is not None
    assert pinned is None or needed.specifier.contains(pinned)


def test_pins_are_one_exact_version_each():
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").split()
    assert len(pins()) == len(lines) > 100


def test_bounds_are_read_as_pip_reads_them():
    code = (
        "import importlib.util as u, sys\n"
        "spec = u.spec_from_file_location('versions', sys.argv[1])\n"
        "found = u.module_from_spec(spec)\n"
        "spec.loader.exec_module(found)\n"
        "print(*map(found.at_lowest, found.requirements()))\n"
        "found.at_lowest('numpy>=2')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(ROOT / ".ci" / "versions.py")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    for text in done.stdout.split():
        name, _, version = text.partition("==")
        needed = next(one for one in NEEDED if one.name == name)
        assert needed.specifier.contains(version)
        assert next(x.version for x in needed.specifier if x.operator == ">=") == version
    assert len(done.stdout.split()) == len(PROJECT["dependencies"]) + len(
        PROJECT["optional-dependencies"]["test"]
    )
    assert done.returncode == 1
    assert "'numpy>=2' must read name>=lowest,<untested" in done.stderr

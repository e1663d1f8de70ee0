"""Run a part of the tests as another processor would: without what this one has beyond the least.

    python .ci/processors.py [WORDS FOR PYTEST]

Words (files, `tests toolkit` for all) take the place of the part.
numpy falls back to its baseline (NPY_DISABLE_CPU_FEATURES), numba compiles for a generic processor
into a cache of its own, and on x86-64 OpenBLAS takes the kernel of an older or another processor.
Stored results and demo maps must hold there as well.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
# What compares with stored numbers or files, and what sums and sorts floating-point numbers.
PART = (
    "test_golden.py",
    "test_sample_maps.py",
    "test_regions.py",
    "test_separation_composition.py",
)


def beyond_baseline() -> list[str]:
    """Return the groups of instructions that numpy uses here and can do without."""
    shown = np.show_config(mode="dicts") or {}
    return list(shown.get("SIMD Extensions", {}).get("found", []))


def other_kernel() -> str | None:
    """Return an OpenBLAS kernel that this processor can run and does not choose, on x86-64."""
    if platform.machine().lower() not in ("x86_64", "amd64"):
        return None
    # Nehalem needs SSE4.2 alone, which numpy's own baseline needs as well.
    return "Nehalem"


def main() -> int:
    """Run the part and return pytest's exit status."""
    features, kernel = beyond_baseline(), other_kernel()
    with tempfile.TemporaryDirectory(prefix="spattermap_processor_") as compiled:
        changes = {"NUMBA_CPU_NAME": "generic", "NUMBA_CACHE_DIR": compiled, "PYTHONUTF8": "1"}
        if features:
            changes["NPY_DISABLE_CPU_FEATURES"] = ",".join(features)
        if kernel:
            changes["OPENBLAS_CORETYPE"] = kernel
        told = f"numpy without {', '.join(features) or 'nothing'}; OpenBLAS: {kernel or 'as it is'}"
        print(f"\nAs another processor ({told}; numba: generic):", flush=True)
        files = sys.argv[1:] or [str(ROOT / "tests" / name) for name in PART]
        command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *files]
        started = time.monotonic()
        code = subprocess.run(command, cwd=ROOT, check=False, env={**os.environ, **changes})
    result = "passed" if code.returncode == 0 else "FAILED"
    print(f"As another processor: {result} ({time.monotonic() - started:.0f} s).", flush=True)
    return code.returncode


if __name__ == "__main__":
    sys.exit(main())

"""Damage valid files at random and load them; run by hand.

    python tests/benchmarks/fuzz_loaders.py [minutes] [seed]

Every load must give a map set or a one-line SpattermapError, within 20 s and 1 GiB. Anything else
is printed with the seed of the try, and the exit status is 1.

Last long runs: 10 min with seed 1 (3,732 tries, 1 traceback) and 9 min with seed 2 (over 10,000
tries, 1 traceback, 1 try of 21 s on an overloaded machine, 0.03 s when repeated); both tracebacks
were mended and have a test. Peak 272 MiB.
"""

import importlib.util
import resource
import shutil
import sys
import tempfile
import time
import traceback
import tracemalloc
import warnings
from collections import Counter
from pathlib import Path

import numpy as np

import spattermap
from spattermap.errors import SpattermapError

_SPEC = importlib.util.spec_from_file_location(
    "scene_formats", Path(__file__).parent.parent / "scene_formats.py"
)
scene_formats = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scene_formats)
MOST_SECONDS, MOST_BYTES = 20.0, 2**30


def damage(data, rng):
    """Return bytes with one to eight random injuries."""
    out = bytearray(data)
    for _ in range(rng.integers(1, 9)):
        if not out:
            break
        # Headers are where the harm is: half of the injuries go to the first 512 bytes.
        reach = min(512, len(out)) if rng.random() < 0.5 else len(out)
        at = int(rng.integers(reach))
        kind = rng.integers(6)
        if kind == 0:
            out[at] = int(rng.integers(256))
        elif kind == 1:
            out[at] ^= 1 << int(rng.integers(8))
        elif kind == 2:
            out[at : at + 4] = rng.choice([b"\xff\xff\xff\xff", b"\0\0\0\0", b"\xff\xff\xff\x7f"])
        elif kind == 3:
            del out[at : at + int(rng.integers(1, 64))]
        elif kind == 4:
            out[at:at] = rng.bytes(int(rng.integers(1, 32)))
        else:
            del out[at + 1 :]
    return bytes(out)


def one_try(pristine, work, rng):
    """Damage one file of a copy and load it; return what came of it."""
    shutil.rmtree(work, ignore_errors=True)
    shutil.copytree(pristine[0], work)
    files = sorted(f for f in work.rglob("*") if f.is_file())
    victim = files[int(rng.integers(len(files)))]
    victim.write_bytes(damage(victim.read_bytes(), rng))
    path = work / pristine[1]
    tracemalloc.start()
    begun = time.monotonic()
    try:
        spattermap.load(path)
        came = "loaded"
    except SpattermapError as problem:
        came = "refused" if str(problem).isprintable() else "message of several lines"
    except Exception:
        came = "traceback\n" + traceback.format_exc()
    taken = time.monotonic() - begun
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    if taken > MOST_SECONDS:
        came = f"took {taken:.0f} s"
    return f"used {peak / 2**20:.0f} MiB" if peak > MOST_BYTES else came


def main():
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    warnings.simplefilter("ignore")
    scene = np.random.default_rng(3).poisson(4.0, (2, 20, 28)).astype(np.uint16)
    tally, bad = Counter(), 0
    end = time.monotonic() + 60 * minutes
    with tempfile.TemporaryDirectory() as place:
        pristine = []
        for k, (name, form) in enumerate(scene_formats.FORMATS.items()):
            folder = Path(place) / f"format{k}"
            folder.mkdir()
            path = form.write(folder, scene)
            pristine.append((folder, path.relative_to(folder), name))
        number = 0
        while time.monotonic() < end:
            rng = np.random.default_rng([seed, number])
            case = pristine[int(rng.integers(len(pristine)))]
            came = one_try(case, Path(place) / "work", rng)
            tally[came.split("\n")[0]] += 1
            if came not in ("loaded", "refused"):
                bad += 1
                print(f"seed {seed}, try {number}, {case[2]}: {came}", flush=True)
            number += 1
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{number} tries in {minutes:g} min, seed {seed}: {dict(tally)}; {peak:.0f} MiB at most")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())

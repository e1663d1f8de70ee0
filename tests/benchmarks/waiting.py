"""How long one waits, beside a plain script in the same run; writes the page ``README.md`` here.

``python tests/benchmarks/waiting.py [--repeats 3] [--sides 512 1024 2048] [--dry]`` measures
processor time (of all threads and child processes), so that other work on the machine matters
less; ours and the plain way take turns, medians are printed. ``--dry`` prints the page only.
Takes five minutes on a quiet machine of two processors.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import tomllib
from importlib.metadata import distribution, version
from pathlib import Path

import numpy as np
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PAGE = HERE / "README.md"
DEMO = ROOT / "sample_maps" / "brass_burst"  # 384 x 512 x 4
LIBRARIES = ("numpy", "scipy", "scikit-image", "matplotlib", "pandas", "xarray", "numba")


def scene(side):
    """Return the counts and the names of a square field of four elements."""
    from spattermap.synthesis import Deposit, Droplets, Haze, Streaks, make_deposit

    spec = Deposit(
        shape=(side, side),
        droplets=Droplets(coverage=0.25),
        streaks=Streaks(number=4),
        haze=Haze(thickness_um=0.02, contrast=0.3),
        counts_per_pixel=2.0,
        electron_image=False,
    )
    return make_deposit(spec, seed=3).maps


def plain_regions(stack, metal):
    """Divide and measure as a short script does: smooth, Otsu, watershed, table of regions."""
    import pandas as pd
    from scipy import ndimage
    from skimage.feature import peak_local_max
    from skimage.filters import gaussian, threshold_otsu
    from skimage.measure import regionprops_table
    from skimage.segmentation import watershed

    smooth = gaussian(stack[metal].sum(axis=0).astype(np.float64), 1.5)
    mask = smooth > threshold_otsu(smooth)
    distance = ndimage.distance_transform_edt(mask)
    peaks = peak_local_max(distance, min_distance=4, labels=ndimage.label(mask)[0])
    seeds = np.zeros(mask.shape, dtype=np.int32)
    seeds[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    labels = watershed(-distance, seeds, mask=mask)
    properties = ("label", "centroid", "area", "equivalent_diameter_area", "perimeter_crofton",
                  "solidity", "eccentricity", "orientation", "feret_diameter_max",
                  "mean_intensity")  # fmt: skip
    table = pd.DataFrame(regionprops_table(labels, np.moveaxis(stack, 0, -1), properties))
    np.corrcoef(stack.reshape(len(stack), -1))
    return labels, table


def plain_report(folder, out):
    """Read four maps, measure, write a table and four pictures."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt
    import tifffile

    files = sorted(folder.glob("*_K*.tif"))
    stack = np.stack([tifffile.imread(file) for file in files])
    metal = [k for k, file in enumerate(files) if file.name[:2] in {"Cu", "Zn"}]
    labels, table = plain_regions(stack, metal)
    table.to_csv(out / "table.csv", index=False)
    for name, picture in (("maps", None), ("labels", labels), ("sizes", None), ("pairs", None)):
        fig, axes = plt.subplots(2, 2, figsize=(9, 7), layout="constrained")
        for axis, plane in zip(axes.flat, stack, strict=True):
            if name == "sizes":
                axis.hist(table["equivalent_diameter_area"], bins=30)
            elif name == "pairs":
                axis.hexbin(stack[0].ravel(), plane.ravel(), gridsize=20)
            else:
                fig.colorbar(axis.imshow(plane if picture is None else picture), ax=axis)
        fig.savefig(out / f"{name}.png", dpi=150)
        plt.close(fig)


def busy():
    """Return the processor time of this process and its ended children (s)."""
    return sum(
        used.ru_utime + used.ru_stime
        for used in (
            resource.getrusage(resource.RUSAGE_SELF),
            resource.getrusage(resource.RUSAGE_CHILDREN),
        )
    )


def took(action):
    """Return the processor time of an action (s)."""
    start = busy()
    action()
    return busy() - start


def in_turns(ours, plain, repeats):
    """Return the medians of ours and of the plain way, run in turns (s)."""
    pairs = [(took(ours), took(plain)) for _ in range(repeats)]
    return tuple(statistics.median(column) for column in zip(*pairs, strict=True))


def python(*words, **environment):
    """Run Python on our tree and return what it printed."""
    known = {**os.environ, "PYTHONPATH": str(ROOT / "toolkit"), "MPLBACKEND": "Agg", **environment}
    known.pop("PYTHONDONTWRITEBYTECODE", None)  # compiled modules are kept, as for everyone
    done = subprocess.run(
        [sys.executable, *words], check=True, capture_output=True, text=True, env=known, cwd=ROOT
    )
    return done.stdout


def child(name, *words, **environment):
    """Run one measurement in a fresh interpreter and return what it found."""
    said = python(str(HERE / "waiting.py"), "--child", name, *map(str, words), **environment)
    return json.loads(said.splitlines()[-1])


def child_fields(side, repeats):
    """Analyse with tables against the plain script; and the memory of each."""
    import spattermap

    maps = scene(side)
    stack = maps["counts"].values
    names = [str(e) for e in maps["element"].values]
    metal = [names.index("Cu"), names.index("Zn")]

    def ours():
        found = spattermap.analyse(maps)
        with tempfile.TemporaryDirectory() as scratch:
            found.write_tables(Path(scratch))

    spattermap.analyse(scene(192))  # what is imported on the way
    plain_regions(stack[:, :128, :128], metal)
    return in_turns(ours, lambda: plain_regions(stack, metal), repeats)


def child_memory(side, which):
    """Return the peak beyond what stands in memory before, in bytes a pixel a plane."""
    import spattermap

    maps = scene(side)
    stack = maps["counts"].values
    if which == "ours":
        spattermap.analyse(scene(256))  # what it imports
    else:
        plain_regions(stack[:, :128, :128], [0, 1])
    before = resident()
    Path("/proc/self/clear_refs").write_text("5")  # the peak counts from here
    if which == "ours":
        spattermap.analyse(maps)
    else:
        plain_regions(stack, [0, 1])
    return [(peak() - before) / stack.size, stack.dtype.itemsize]


def resident():
    """Return the memory in use (bytes); Linux only."""
    return 1024 * int(_status("VmRSS"))


def peak():
    """Return the largest memory in use (bytes); Linux only."""
    return 1024 * int(_status("VmHWM"))


def _status(name):
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return next(line.split()[1] for line in lines if line.startswith(name))


def child_compile():
    """Return the first and the second analysis (s), each of the same field."""
    import spattermap

    maps = spattermap.load(DEMO)
    return [took(lambda: spattermap.analyse(maps)) for _ in range(2)]


def first_reports():
    """Return how long the first and the second report on a fresh machine take by the clock (s)."""
    seconds = []
    with tempfile.TemporaryDirectory() as scratch:
        words = ("-m", "spattermap", "report", str(DEMO), "--out", f"{scratch}/out", "--overwrite")
        for _ in range(2):
            start = time.perf_counter()
            python(*words, NUMBA_CACHE_DIR=f"{scratch}/compiled")
            seconds.append(time.perf_counter() - start)
    return seconds


def child_panel(repeats):
    """Return the full answer of the panel at 512 squared, and the plain script's regions (s)."""
    from spattermap.panel import tune

    maps = scene(512)
    panel = tune(maps)
    stack = maps["counts"].values
    plain_regions(stack, [0, 1])
    return in_turns(
        lambda: panel._look(panel.settings, panel._roles),
        lambda: plain_regions(stack, [0, 1]),
        repeats,
    )


def child_plain():
    """The whole of the plain script."""
    with tempfile.TemporaryDirectory() as scratch:
        plain_report(DEMO, Path(scratch))
    return []


def commands(repeats):
    """Return rows of the command against the plain script, each in a fresh interpreter."""
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        out = f"{scratch}/out"
        ways = {
            "`spattermap --help`": ("--help",),
            "`spattermap look`, warm": ("look", str(DEMO)),
            "`spattermap report`, warm": ("report", str(DEMO), "--out", out, "--overwrite"),
        }
        for what, words in ways.items():
            run = lambda words=words: python("-m", "spattermap", *words)  # noqa: E731
            run()
            if words[0] == "report":
                rows.append((what, *in_turns(run, lambda: child("plain"), repeats)))
            else:  # no plain script does this
                rows.append((what, statistics.median(took(run) for _ in range(repeats)), None))
    return rows


def imports(repeats):
    """Return rows of the time to import each of some modules in a fresh interpreter (s)."""
    rows = []
    for code in ("pass", "import xarray", "import spattermap", "import spattermap.cli",
                 "import spattermap.analysis", "import spattermap.show.report",
                 "from hyperspy import api"):  # fmt: skip
        times = [took(lambda code=code: python("-c", code)) for _ in range(repeats)]
        rows.append((code, statistics.median(times)))
    return rows


def installed():
    """Return how many packages the toolkit needs, with what they need, and their size (MB)."""
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    waiting, known, size = list(stated["dependencies"]), set(), 0
    while waiting:
        needed = Requirement(waiting.pop())
        name = canonicalize_name(needed.name)
        if name in known or (needed.marker and not needed.marker.evaluate({"extra": ""})):
            continue
        known.add(name)
        found = distribution(name)
        waiting += found.requires or []
        files = [Path(found.locate_file(file)) for file in found.files or []]
        size += sum(file.stat().st_size for file in files if file.is_file())
    return len(known), size / 1e6


def page(sides, repeats):
    """Measure everything and return the page."""
    fields = {side: child("fields", side, max(1, repeats if side < 2048 else 1)) for side in sides}
    memory = {
        side: [child("memory", side, which) for which in ("ours", "plain")]
        for side in sides
        if side < 2048
    }
    panel = child("panel", repeats)
    with tempfile.TemporaryDirectory() as scratch:
        first, second = child("compile", NUMBA_CACHE_DIR=scratch)
    fresh, again = first_reports()
    lines = [
        "# How long one waits",
        "",
        (
            "Written by `python tests/benchmarks/waiting.py`; run it again after what concerns "
            "speed. Processor time in seconds, of all threads and child processes; ours and the "
            f"plain way in turns in one run, medians of {repeats} (one at 2048 squared). Other "
            "work on the machine lengthens both, so that ratios say more than seconds. The plain "
            "way is a short script on scikit-image: smooth, Otsu, watershed on the distance, table "
            "of regions; for the report, also four matplotlib pictures of four panels."
        ),
        "",
        f"{os.cpu_count()} processors, {platform.system()}, Python {platform.python_version()}, "
        + ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
        + ".",
        "",
        "| work | ours (s) | plain (s) | ratio |",
        "|---|---|---|---|",
    ]
    rows = commands(repeats)
    rows += [(f"`analyse` and tables, {s} squared x 4", *fields[s]) for s in sides]
    rows.append(("panel, full answer at 512 squared x 4", *panel))
    lines += [
        f"| {what} | {a:.2f} | | |"
        if b is None
        else f"| {what} | {a:.2f} | {b:.2f} | {a / b:.2f} |"
        for what, a, b in rows
    ]
    lines += [
        "",
        (
            f"The first analysis on a fresh machine: {first:.1f} s, the second {second:.1f} s; the "
            f"difference, {first - second:.1f} s, is compiling, kept on disk from then on. By the "
            f"clock the first `spattermap report` takes {fresh:.1f} s, the second {again:.1f} s: "
            "further processors help to compile."
        ),
        "",
        "| peak memory beyond the maps | ours (bytes a pixel a plane) | plain | maps themselves |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {side} squared x 4 | {ours[0]:.0f} | {plain[0]:.0f} | {ours[1]} |"
        for side, (ours, plain) in memory.items()
    ]
    lines += ["", "| fresh interpreter | s |", "|---|---|"]
    lines += [f"| `{code}` | {seconds:.2f} |" for code, seconds in imports(repeats)]
    number, size = installed()
    lines += ["", f"What the toolkit needs, extras left out: {number} packages, {size:.0f} MB."]
    return "\n".join(lines) + "\n"


CHILDREN = {
    "fields": lambda side, repeats: child_fields(int(side), int(repeats)),
    "memory": lambda side, which: child_memory(int(side), which),
    "compile": child_compile,
    "panel": lambda repeats: child_panel(int(repeats)),
    "plain": child_plain,
}


def main():
    """Write the page, or do one measurement of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--sides", type=int, nargs="+", default=[512, 1024, 2048])
    parser.add_argument("--dry", action="store_true", help="print the page, write nothing")
    parser.add_argument("--child", nargs="+", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.child:
        name, *words = chosen.child
        start = time.perf_counter()
        print(json.dumps(CHILDREN[name](*words)))
        print(f"{name} {words}: {time.perf_counter() - start:.0f} s by the clock", file=sys.stderr)
        return
    text = page(chosen.sides, chosen.repeats)
    print(text)
    if not chosen.dry:
        PAGE.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()

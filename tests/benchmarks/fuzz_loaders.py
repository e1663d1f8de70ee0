"""Injure valid files of every family and load them; run by hand.

    python tests/benchmarks/fuzz_loaders.py [loads] [seed] [--only WORD] [--try NUMBER]

`loads` of each family (1,000 unless said), which differ by family, seed and number alone. Every
load must give a map set or one line of a SpattermapError, within 20 s and 2 GiB; and where it
gives a map set, it must be the one that was written, or say in a note what is odd, unless the
injury made another valid file (`OTHER_FILE`: a header that states other numbers of the same size,
or pixels that were changed; nothing in such a file tells). The injuries (`injuries.py`) know the
form of the file: headers, counts, offsets, chunks, attributes, sidecars.

All loads of a family are made by one process, which writes each try down before it begins; where
it dies or hangs, the injured files are kept, the stack is printed and another process goes on with
the next try. Anything but "same", "said", "refused" and "other file" is printed with its number
(``--try`` repeats it here), and the exit status is 1. The seconds are those of the clock: on a busy
machine a try that took a few may count as a hang, which ``--try`` tells.

On 27 November 2026: 1,000 loads of each of the 34 families. What was
found that day, and mended, stands in `tests/test_fuzz_finds.py`: raw numbers with a header that is
a pipe or states other sizes, an electron image that is a link to itself, an emptied settings file,
Zarr settings that change what is unpacked. Most memory 1.4 GB (OME-TIFF), longest load 14 s (tiles
far apart).
"""

import argparse
import contextlib
import faulthandler
import importlib.util
import json
import re
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from pathlib import Path

import numpy as np

import spattermap
from spattermap.core.errors import SpattermapError


def _beside(name, place):
    spec = importlib.util.spec_from_file_location(name, place / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


injuries = _beside("injuries", Path(__file__).parent)
scene_formats = _beside("scene_formats", Path(__file__).parent.parent)

LOADS, SHAPE = 1000, (2, 32, 48)
MOST_SECONDS, MOST_BYTES = 20.0, 2**31
VERBOSE = False
# Injuries that make another file of the same form, as whole as the first: pixels without a
# checksum were changed, or a header states another reading of as many bytes, or names changed.
OTHER_FILE = re.compile(
    r"bytes|oddity: gone|whole: reversed|jpeg|toml|table|text: cell"
    r"|tiff: .*(strip offset|format|predictor|photometric|pointed|number of|tag of|chain)"
    r"|bmp: 10|npy: (shape|descr|order)|npz: (name|drop|extra|npy: (shape|descr|order))"
    r"|header: |hdf5: (attribute|unsaid|data|gone|moved|link|virtual|near)"
    r"|ome: (attribute|gone|twice)|chunk: (noise|zeros|index|head|longer)"
    r"|json: .* of (dtype|data_type|endian|order|shape|name|chunk_shape|chunks|fill_value)"
)
GOOD = ("same", "said", "refused", "other file")


# --- families beside those of `scene_formats` ---------------------------------------------------


def sharded(folder, scene):
    from spattermap.loaders.convert import convert

    place = folder.with_name(folder.name + "_maps")
    place.mkdir()
    scene_formats.npy_stack(place, scene)
    return convert(place / "stack.npy", folder / "maps.zarr", chunk_px=16, shard_px=32)


def old_zarr(folder, scene):
    import zarr

    group = zarr.open_group(str(folder / "maps.zarr"), mode="w", zarr_format=2)
    for name, plane in scene_formats.named(scene).items():
        array = group.create_array(name, shape=plane.shape, chunks=(16, 24), dtype=plane.dtype)
        array[...] = plane
    return folder / "maps.zarr"


def cube(folder, _):
    import hyperspy.api as hs

    rng = np.random.default_rng(5)
    energy = 10.0 * np.arange(400)
    bells = [np.exp(-(((energy - e) / 55.0) ** 2) / 2) for e in (1740.0, 2984.0)]
    signal = hs.signals.Signal1D(rng.poisson(0.2 + 3 * sum(bells), (6, 8, 400)).astype(np.uint16))
    axes = signal.axes_manager
    axes[-1].scale, axes[-1].units, axes[-1].name = 10.0, "eV", "Energy"
    for axis in axes.navigation_axes:
        axis.scale, axis.units = 0.5, "µm"
    signal.metadata.set_item("Sample.elements", ["Si", "Ag"])
    signal.metadata.set_item("Acquisition_instrument.SEM.beam_energy", 15.0)
    signal.save(folder / "cube.hspy")
    return folder / "cube.hspy"


def zspy(folder, scene):
    """Write by hand what HyperSpy can read but not write with the Zarr of today."""
    import zarr

    store = zarr.open_group(str(folder / "maps.zspy"), mode="w", zarr_format=2)
    store.attrs.update({"file_format": "ZSpy", "file_format_version": "3.3"})
    held = store.create_group("Experiments").create_group("maps")
    array = held.create_array("data", shape=scene.shape, chunks=(1, 16, 24), dtype=scene.dtype)
    array[...] = scene
    for k, (name, size) in enumerate(zip(("element", "y", "x"), scene.shape, strict=True)):
        axis = {"_type": "UniformDataAxis", "name": name, "navigate": k == 0, "size": size,
                "scale": 0.5, "offset": 0.0, "units": "um", "is_binned": False}  # fmt: skip
        held.create_group(f"axis-{k}").attrs.update(axis)
    meta = held.create_group("metadata")
    meta.create_group("General").attrs["title"] = "maps"
    meta.create_group("Signal").attrs["signal_type"] = ""
    held.create_group("original_metadata")
    scene_formats.sidecar(folder / "maps.zspy", scene_formats.ELEMENTS[: len(scene)])
    return folder / "maps.zspy"


def full_sidecar(folder, scene):
    scene_formats.npy_folder(folder, scene)
    shutil.copyfile(folder / "Cu_Ka.npy", folder / "SE.npy")
    text = """title = "plate 3"
quantity = "counts"
pixel_size_um = 0.5
beam_energy_keV = 15
take_off_deg = 35.0
tilt_deg = 0
background = "included"
electron_image = "SE.npy"
blank = "."
crop = false
[alloy]
Cu = 70
Zn = 30
[substrate]
elements = ["Si", "O"]
[lines]
Cu = "Cu Ka"
[orientation]
Zn = "mirror x"
[process]
charge_J = 3
gas = "argon"
[measured]
resistance_ohm = 3.5
"""
    (folder / "mapset.toml").write_text(text, encoding="utf-8")
    return folder


def settings_file(folder, _):
    from spattermap.core.settings import Settings

    text = Settings(alloy=("Cu", "Zn"), substrate=("Si",)).to_toml()
    (folder / "settings.toml").write_text(text, encoding="utf-8")
    return folder / "settings.toml"


def sheet(folder, _):
    for name in ("maps", "more"):
        (folder / name).mkdir()
    text = "path,title,metal,charge_J,resistance_ohm\nmaps,a,Cu,3,1.5\nmore,b,Zn,4.5,\n"
    (folder / "sheet.csv").write_text(text, encoding="utf-8")
    return folder / "sheet.csv"


def tiles(folder, scene):
    place = folder.with_name(folder.name + "_maps")
    place.mkdir()
    scene_formats.npy_folder(place, scene[:, :8, :8])
    text = f"path,y_px,x_px\n{place},0,0\n{place},0,8\n{place},8,0\n"
    (folder / "tiles.csv").write_text(text, encoding="utf-8")
    return folder / "tiles.csv"


def read_settings(path):
    from spattermap.core.settings import Settings

    return Settings.from_toml(path)


def read_sheet(path):
    from spattermap.sweeps.sheet import read_sheet as read

    return read(path)


def convert_tiles(path):
    from spattermap.loaders.convert import convert

    out = path.parent / "out.zarr"
    try:
        convert(path, out, chunk_px=128, shard_px=1024)  # as few files as in earnest
    finally:
        left = [item.name for item in path.parent.iterdir() if item.name.startswith(".spatter")]
        assert not left, left
    return spattermap.load(out)


FAMILIES = {name: (form.write, spattermap.load) for name, form in scene_formats.FORMATS.items()}
FAMILIES |= {
    "Zarr, shards": (sharded, spattermap.load),
    "Zarr, version 2": (old_zarr, spattermap.load),
    "HyperSpy in Zarr": (zspy, spattermap.load),
    "spectrum cube": (cube, spattermap.load),
    "sidecar": (full_sidecar, spattermap.load),
    "settings": (settings_file, read_settings),
    "sheet of a sweep": (sheet, read_sheet),
    "table of tiles": (tiles, convert_tiles),
}


# --- one try ------------------------------------------------------------------------------------


def resident(field, *, reset=False):
    """Return a memory reading of this process in bytes (Linux; 0 elsewhere)."""
    with contextlib.suppress(OSError):
        if reset:
            Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
        for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
            if line.startswith(field):
                return int(line.split()[1]) * 1024
    return 0


def outcome_of(found, wanted):
    """Say whether what was read is what was written."""
    if not hasattr(found, "attrs"):
        return "same" if repr(found) == repr(wanted) else "other"
    notes = [json.loads(one.attrs["source"])["notes"] for one in (found, wanted)]
    names = [list(one["element"].values) for one in (found, wanted)]
    if found["counts"].shape == wanted["counts"].shape and names[0] == names[1]:
        odd = set(found.variables) != set(wanted.variables)
        if not odd and np.array_equal(found["counts"].values, wanted["counts"].values):
            return "same"
    return "said" if set(notes[0]) - set(notes[1]) else "other"


def one_try(case, work, rng, before):
    """Injure one file of a copy and load it; return what came of it, the injury, seconds, bytes."""
    pristine, inside, load, wanted = case
    injury = None
    while injury is None:
        remove(work)
        shutil.copytree(pristine, work, symlinks=True)
        files = sorted(f for f in work.rglob("*") if f.is_file())
        victim = injuries.pick(rng, files)
        injure = injuries.fitting(victim, rng)
        # The library that is to write an injury may refuse it: then another one is tried.
        with contextlib.suppress(Exception):
            injury = injure(victim, rng)
    before(f"{victim.relative_to(work)}: {injury}")
    held = resident("VmRSS", reset=True)
    begun = time.monotonic()
    try:
        came = outcome_of(load(work / inside), wanted)
    except SpattermapError as problem:
        said = str(problem)
        came = "refused" if said.isprintable() and len(said) < 1500 else "odd message\n" + said
        if VERBOSE:
            print(injury, "->", said[-200:])
    except BaseException:
        came = "traceback\n" + traceback.format_exc()
    taken = time.monotonic() - begun
    peak = max(0, resident("VmHWM") - held)
    pixels = victim.suffix.lower() == ".raw" and injury.startswith("whole")  # nothing but pixels
    if came == "other" and (pixels or OTHER_FILE.match(injury)):
        came = "other file"
    if taken > MOST_SECONDS:
        came = f"took {taken:.0f} s"
    return f"used {peak / 2**20:.0f} MiB" if peak > MOST_BYTES else came, injury, taken, peak


def remove(work):
    shutil.rmtree(work, ignore_errors=True)
    if work.exists():
        shutil.rmtree(work)


def prepared(place, name):
    """Write a family's files; return their folder, what to load, how, and what comes of it."""
    write, load = FAMILIES[name]
    scene = np.random.default_rng(3).poisson(4.0, SHAPE).astype(np.uint16)
    folder = place / "files"
    folder.mkdir()
    path = write(folder, scene)
    wanted = load(path)
    shutil.rmtree(folder / "out.zarr", ignore_errors=True)
    return folder, path.relative_to(folder), load, wanted


def work_on(place, options):
    """Make the tries of a family, writing each down before and its outcome after."""
    import resource

    faulthandler.enable()
    warnings.simplefilter("ignore")
    case = prepared(place, options.family)
    resource.setrlimit(resource.RLIMIT_AS, (2**33, 2**33))
    with (place / "trail.jsonl").open("a", encoding="utf-8") as trail:

        def note(**facts):
            trail.write(json.dumps(facts) + "\n")
            trail.flush()

        for k in range(options.first, options.loads):
            rng = np.random.default_rng([options.seed, k, *options.family.encode()])

            def before(injury, k=k):
                note(number=k, injury=injury)
                faulthandler.dump_traceback_later(MOST_SECONDS + 5, exit=True)

            came, injury, taken, peak = one_try(case, place / "work", rng, before)
            faulthandler.cancel_dump_traceback_later()
            note(number=k, came=came, injury=injury, seconds=taken, bytes=peak)


def supervise(name, options, kept):
    """Start a worker for a family, and another one after each death."""
    records, first = [], options.first
    while first < options.loads:
        place = Path(tempfile.mkdtemp(dir=options.scratch))
        command = [
            sys.executable,
            __file__,
            str(options.loads),
            str(options.seed),
            "--family",
            name,
        ]
        command += ["--worker", str(place), "--first", str(first)]
        done = subprocess.run(command, check=False, stderr=subprocess.PIPE, text=True)
        file = place / "trail.jsonl"
        lines = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
        trail = [json.loads(line) for line in lines]
        records += [record for record in trail if "came" in record]
        if done.returncode and not trail:
            sys.exit(done.stderr)
        if done.returncode:
            last = trail[-1]
            keep = kept / f"{name} {options.seed} {last['number']}"
            shutil.rmtree(keep, ignore_errors=True)
            shutil.copytree(place / "work", keep, symlinks=True, ignore=_pipes)
            came = f"died with {done.returncode}\n{done.stderr[-3000:]}\nkept in {keep}"
            records.append({**last, "came": came, "seconds": MOST_SECONDS, "bytes": 0})
            first = last["number"] + 1
        shutil.rmtree(place, ignore_errors=True)
        if not done.returncode:
            break
    return records


def _pipes(folder, names):
    return [
        name for name in names if Path(folder, name).is_fifo() or Path(folder, name).is_symlink()
    ]


def repeat(name, options):
    """Make one try in this process."""
    faulthandler.enable()
    warnings.simplefilter("ignore")
    place = Path(tempfile.mkdtemp(dir=options.scratch))
    case = prepared(place, name)
    rng = np.random.default_rng([options.seed, options.number, *name.encode()])
    came, _, taken, peak = one_try(case, place / "work", rng, lambda said: print(said, flush=True))
    print(f"{came}; {taken:.2f} s, {peak / 2**20:.0f} MiB; files in {place / 'work'}")
    return 0 if came in GOOD else 1


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("loads", nargs="?", type=int, default=LOADS)
    parser.add_argument("seed", nargs="?", type=int, default=0)
    parser.add_argument("--only", default="")
    parser.add_argument("--try", dest="number", type=int)
    parser.add_argument("--scratch", help="where the files are written")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--family", help=argparse.SUPPRESS)
    parser.add_argument("--worker", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        work_on(options.worker, options)
        return 0
    names = [name for name in FAMILIES if options.only.lower() in name.lower()]
    names = [options.only] if options.only in names else names
    if options.number is not None:
        return repeat(names[0], options)
    kept = Path(tempfile.gettempdir()) / "spattermap_fuzz"
    bad = 0
    print(
        "| family | loads | outcomes | longest (s) | most memory (MiB) | time (s) |\n"
        + "|--" * 6
        + "|"
    )
    for name in names:
        begun = time.monotonic()
        records = supervise(name, options, kept)
        tally = Counter(record["came"].split("\n")[0] for record in records)
        slow = max(record["seconds"] for record in records)
        large = max(record["bytes"] for record in records)
        said = ", ".join(f"{word} {times}" for word, times in sorted(tally.items()))
        print(f"| {name} | {len(records)} | {said} | {slow:.1f} | {large / 2**20:.0f} | "
              f"{time.monotonic() - begun:.0f} |", flush=True)  # fmt: skip
        for record in records:
            if record["came"] not in GOOD:
                bad += 1
                print(f"  {name}, try {record['number']}, {record['injury']}: {record['came']}",
                      file=sys.stderr, flush=True)  # fmt: skip
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())

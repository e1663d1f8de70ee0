"""Golden results: what the analysis gave for the demo deposits and for small seeded scenes.

    python tests/reference/make_golden.py          # write golden.json anew, and state what changed
    python tests/reference/make_golden.py --dry    # state what would change

They hold what was found, not what is right: `tests/test_golden.py` compares with them so that work
on the house changes no answer unseen. Where an answer changes on purpose, write them anew in the
same commit and say in its message which numbers moved, and why.
"""

from __future__ import annotations

import functools
import hashlib
import json
import math
import sys
from pathlib import Path

import numpy as np

import spattermap
from spattermap.synthesis import Deposit, Droplets, Haze, Layer, Streaks, make_blank, make_deposit

FILE = Path(__file__).with_name("golden.json")
SAMPLES = Path(__file__).parents[2] / "sample_maps"
DIGITS = 7  # kept of every number: rounding moves it by at most 5e-7 of itself
# Not results: who made them, from what, and words.
NO_RESULTS = {
    "thickness_note", "title", "settings", "versions", "inputs", "notes", "roles",
    # Thousandths of a pixel, from sums whose order differs between runs and processors.
    "electron_image_shift_y_um", "electron_image_shift_x_um", "electron_image_turn_deg",
    "electron_image_scale",
}  # fmt: skip
WORDS = {"element", "line", "role", "verdict", "element_a", "element_b"}

SMALL = Deposit(shape=(144, 176), droplets=Droplets(d50_px=11.0), electron_image=False)


def _deposit(seed, *, blank=False, **changes):
    spec = SMALL.with_changes(**changes)
    plate = make_blank(spec, seed=seed + 100).maps if blank else None
    return make_deposit(spec, seed=seed).maps, plate


def _rescaled(*, known):
    """Return maps as an intensity that is no count, with and without the variance of its noise."""
    maps, _ = _deposit(7, counts_per_pixel=4.0)
    counts, gain = maps["counts"].values.astype(np.float64), 0.25
    made = spattermap.make_map_set(
        counts * gain,
        [str(name) for name in maps["element"].values],
        lines=[str(name) for name in maps["line"].values],
        pixel_size_um=0.25,
        quantity="intensity",
        variance=(counts + 1.0) * gain**2 if known else None,
        alloy={"Cu": 70.0, "Zn": 30.0},
        beam_energy_keV=20.0,
    )
    return made, None


def _masked():
    maps, _ = _deposit(8)
    valid = np.ones(SMALL.shape, bool)
    valid[40:70, 60:100] = False
    valid[:, 150] = False
    return maps.assign(valid=(("y", "x"), valid)), None


SCENES = {
    "apart": lambda: _deposit(1, blank=True),
    "touching": lambda: _deposit(
        2, droplets=Droplets(d50_px=11.0, coverage=0.35, placement="touching", touching_share=0.5)
    ),
    "streaks": lambda: _deposit(
        3,
        droplets=Droplets(d50_px=9.0, coverage=0.05),
        streaks=Streaks(number=7, length_px=55.0, width_px=6.0, direction_deg=30.0),
        counts_per_pixel=5.0,
    ),
    "film": lambda: _deposit(
        4, droplets=Droplets(d50_px=16.0, coverage=0.8, placement="free"), counts_per_pixel=4.0
    ),
    "haze": lambda: _deposit(
        5,
        blank=True,
        haze=Haze(thickness_um=0.03, contrast=0.3),
        layers=(Layer("Zn", "between", share=0.5),),
    ),
    "few_counts": lambda: _deposit(6, counts_per_pixel=0.2),
    "noise_unknown": lambda: _rescaled(known=False),
    "with_variance": lambda: _rescaled(known=True),
    "masked": _masked,
}


def _sample(name):
    return spattermap.load(SAMPLES / name), spattermap.load_blank(SAMPLES / name)


for _name in (
    "brass_burst", "nichrome_burst", "molybdenum_streaks", "bronze_few_counts", "blank_plate",
):  # fmt: skip
    SCENES[_name] = lambda name=_name: _sample(name)


def plain(value):
    """Return a number as JSON keeps it: numbers to `DIGITS` digits, None for what is no number."""
    value = value.item() if hasattr(value, "item") else value
    if value is None or isinstance(value, (bool, int, str)):
        return value
    return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None


def _means(table):
    """Return the mean of each column of numbers, and how many of its rows hold none."""
    columns = {}
    for name in table.columns:
        if table[name].dtype.kind not in "biuf":
            continue
        values = table[name].to_numpy(dtype=np.float64)
        held = np.isfinite(values)
        columns[name] = plain(values[held].mean()) if held.any() else None
        if not held.all():
            columns[f"{name} (rows without)"] = int((~held).sum())
    return columns


def _columns(table):
    """Return the words and numbers of a short table, column by column."""
    kept = [name for name in table.columns if name in WORDS or table[name].dtype.kind in "biuf"]
    return {name: [plain(value) for value in table[name]] for name in kept}


@functools.cache
def analysed(name):
    """Return a scene's maps and its analysis."""
    maps, blank = SCENES[name]()
    return maps, spattermap.analyse(maps, blank=blank)


def results(name):
    """Return what is kept of a scene, and a hash of its labels (true of one machine)."""
    maps, analysis = analysed(name)
    labels = np.asarray(analysis.labels.values)
    n_droplets, n_streaks = len(analysis.droplets), len(analysis.streaks)
    kept = {
        # First, so that another scene is not taken for another answer.
        "scene": {
            str(element): plain(plane.sum(dtype=np.float64))
            for element, plane in zip(maps["element"].values, maps["counts"].values, strict=True)
        },
        "labels": {
            "droplets": n_droplets,
            "streaks": n_streaks,
            "highest": int(labels.max()),
            "droplet_px": int(((labels > 0) & (labels <= n_droplets)).sum()),
            "streak_px": int((labels > n_droplets).sum()),
            "bare_px": int((labels == 0).sum()),
        },
        "summary": {
            key: plain(value)
            for key, value in analysis.summary().items()
            if key not in NO_RESULTS and not isinstance(value, (list, dict))
        },
        "droplets": _means(analysis.droplets),
        "streaks": _means(analysis.streaks),
        "elements": _columns(analysis.elements),
        "pairs": _columns(analysis.pairs),
    }
    digest = hashlib.sha256(np.ascontiguousarray(labels, dtype="<i4").tobytes()).hexdigest()
    return kept, digest[:16]


def same(stored, found, *, rtol, atol):
    """Return True where two kept values agree: words and whole numbers exactly."""
    if isinstance(stored, list):
        return (
            isinstance(found, list)
            and len(stored) == len(found)
            and all(same(*pair, rtol=rtol, atol=atol) for pair in zip(stored, found, strict=True))
        )
    if isinstance(stored, float) and isinstance(found, (int, float)) and type(found) is not bool:
        return math.isclose(stored, found, rel_tol=rtol, abs_tol=atol)
    return bool(stored == found)


def differences(stored, found, *, rtol, atol):
    """Return a line for each stored value that is gone or another; what was added is no matter."""
    lines = []
    for part, values in stored.items():
        now = found.get(part, {})
        for key, value in values.items():
            if key not in now:
                # A renamed column is told from a lost one.
                fresh = [other for other in now if other not in values]
                heirs = [other for other in fresh if same(value, now[other], rtol=rtol, atol=atol)]
                lines.append(f"{part}.{key}: gone (was {value}; the same as the new {heirs})")
            elif not same(value, now[key], rtol=rtol, atol=atol):
                lines.append(f"{part}.{key}: {value} is now {now[key]}")
    return lines


def stored_results():
    """Return what golden.json holds, by scene."""
    return json.loads(FILE.read_text(encoding="utf-8"))


def as_text(kept):
    """Return JSON with a line for each part of a scene."""
    scenes = []
    for name, parts in kept.items():
        rows = [
            f"  {json.dumps(part)}: {json.dumps(values, separators=(',', ':'))}"
            for part, values in parts.items()
        ]
        scenes.append(f" {json.dumps(name)}: {{\n" + ",\n".join(rows) + "\n }")
    return "{\n" + ",\n".join(scenes) + "\n}\n"


def main(words):
    """Write golden.json, and state what changed."""
    before = stored_results() if FILE.exists() else {}
    now = {}
    for name in SCENES:
        now[name], digest = results(name)
        if name not in before:
            print(f"{name}: new (labels {digest})")
            continue
        lines = differences(before[name], now[name], rtol=0.0, atol=0.0)
        added = [f"{part}.{key}" for part, values in now[name].items() for key in values
                 if key not in before[name].get(part, {})]  # fmt: skip
        print(f"{name}: {len(lines)} changed, {len(added)} added (labels {digest})")
        print(
            "".join(f"    {line}\n" for line in [*lines, *(f"{key}: new" for key in added)]), end=""
        )
    print("".join(f"{name}: gone\n" for name in before if name not in now), end="")
    if "--dry" not in words:
        FILE.write_text(as_text(now), encoding="utf-8", newline="\n")
        print(f"{FILE.name}: {FILE.stat().st_size} bytes")


if __name__ == "__main__":
    main(sys.argv[1:])

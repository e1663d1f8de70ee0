"""How often the verdict is right, on deposits of known truth. Run by hand.

    python tests/benchmarks/verdict_calibration.py --scenes 480
    python tests/benchmarks/verdict_calibration.py --coverage 60

Each scene is drawn from its seed: alloy, substrate, counts, coverage, blur, haze, layers, absent
elements under a rising background, leaking lines, foreign films, with and without a blank. It is
mapped by the forward model, divided by the project's own segmentation and judged. The truth is
never read by the analysis. `--coverage` repeats a few designs many times and counts how often the
95 % intervals hold the truth of the *deposit* (the mean over the repeats), of which one field is a
sample; the true division into metal and bare is given there: the intervals alone are judged.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from spattermap.core.mapset import facts, stated_roles
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.segment.engine import segment
from spattermap.segment.result import Segmentation
from spattermap.synthesis import (
    FUSED_SILICA,
    SODA_LIME,
    Deposit,
    Droplets,
    Haze,
    Layer,
    make_blank,
    make_deposit,
)
from spattermap.verdict.gather import gather
from spattermap.verdict.judging import judge

ALLOYS = {
    "brass": {"Cu": 70.0, "Zn": 30.0},
    "nichrome": {"Ni": 80.0, "Cr": 20.0},
    "copper-silver": {"Cu": 72.0, "Ag": 28.0},
    "bronze": {"Cu": 95.0, "Sn": 5.0},
    "iron-chromium-nickel": {"Fe": 71.0, "Cr": 19.0, "Ni": 10.0},
    "molybdenum": {"Mo": 100.0},
}
# The element that comes down apart where one does: the more volatile one.
APART = {
    "brass": "Zn", "nichrome": "Cr", "copper-silver": "Ag", "bronze": "Sn",
    "iron-chromium-nickel": "Cr",
}  # fmt: skip
# A line of the first that falls into the window of the second, see xrays.leaks.
LEAKS = {"brass": ("Ga", "Zn"), "nichrome": ("Mn", "Cr"), "molybdenum": ("S", "Mo")}
CLAIMS = ("partly_separated", "separated", "foreign")


@dataclass(frozen=True)
class Draw:
    """One scene: what it is and whether a blank was mapped."""

    spec: Deposit
    alloy: str
    kind: str
    share: float
    blank: bool


def draw(seed: int, *, size: int = 192) -> Draw:
    """Return the scene of a seed."""
    rng = np.random.default_rng(seed)
    alloy = str(rng.choice(list(ALLOYS)))
    kind = str(rng.choice(["kept", "between", "patchy", "flat", "foreign", "absent", "leak"]))
    if alloy not in APART and kind in ("between", "patchy", "flat"):
        kind = "kept"
    if kind == "leak" and alloy not in LEAKS:
        kind = "absent"
    substrate = SODA_LIME if rng.random() < 0.4 else FUSED_SILICA
    counts = float(np.exp(rng.uniform(np.log(0.1), np.log(30.0))))
    share = float(rng.uniform(0.1, 1.0)) if kind in ("between", "patchy", "flat") else 0.0
    layers: tuple[Layer, ...] = ()
    extra: tuple[str, ...] = ()
    leaks: dict[tuple[str, str], float] = {}
    if share:
        layers = (Layer(APART[alloy], kind, share=share),)
    if kind == "foreign":
        film = float(np.exp(rng.uniform(np.log(0.02), np.log(0.5))) * counts)
        pattern = str(rng.choice(["between", "patchy"]))
        layers = (Layer("Ti", pattern, counts=film),)
    if kind == "absent":
        extra = ("Ti", "Co")
    if kind == "leak":
        into, source = LEAKS[alloy]
        extra = (into,)
        leaks = {(into, source): float(rng.uniform(0.02, 0.08))}
    haze = Haze()
    if rng.random() < 0.4:
        haze = Haze(
            thickness_um=float(rng.uniform(0.005, 0.08)),
            contrast=float(rng.choice([0.0, 0.5])),
            texture_px=float(rng.uniform(4.0, 20.0)),
        )
    spec = Deposit(
        shape=(size, size),
        alloy=ALLOYS[alloy],
        substrate=substrate,
        droplets=Droplets(
            d50_px=float(rng.uniform(7.0, 18.0)),
            sigma_g=float(rng.uniform(1.2, 1.6)),
            coverage=float(rng.uniform(0.05, 0.5)),
            thickness_um=float(rng.uniform(0.3, 2.5)),
            placement=str(rng.choice(["apart", "free", "touching"])),
        ),
        haze=haze,
        layers=layers,
        extra_elements=extra,
        leaks=leaks,
        counts_per_pixel=counts,
        background=float(rng.uniform(0.01, 0.08)),
        blur_px=float(rng.uniform(0.4, 2.0)),
        electron_image=False,
    )
    return Draw(spec, alloy, kind, share, bool(rng.random() < 0.6))


def judged(one: Draw, seed: int, *, n_resamples: int = 300) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Return the verdict table of a scene, with what is true beside it."""
    scene = make_deposit(one.spec, seed=seed)
    plate = make_blank(one.spec, seed=seed + 10**6).maps if one.blank else None
    known = facts(scene.maps)
    names = [str(e) for e in scene.maps["element"].values]
    roles = stated_roles(
        names, alloy=list(known.alloy), substrate=list(known.substrate), how="stated"
    )
    settings = Settings(n_resamples=n_resamples)
    found = segment(scene.maps, roles, settings=settings)
    moments = block_moments(scene.maps, labels=found.labels, n_droplets=found.n_droplets)
    table = judge(gather(scene.maps, moments, roles, found, blank=plate, settings=settings))
    truth = scene.truth["elements"]
    table["truth"] = [scene.truth["verdicts"][e] for e in table["element"]]
    table["true_share_in_metal"] = [
        (truth[e]["share_in_droplets"] or 0.0) + (truth[e]["share_in_streaks"] or 0.0)
        if truth[e]["share_in_droplets"] is not None
        else np.nan
        for e in table["element"]
    ]
    for name in ("deposited", "substrate", "background"):
        table[f"true_{name}"] = [truth[e][f"{name}_counts"] for e in table["element"]]
    table["found_metal"] = found.n_droplets + found.n_streaks
    return table, scene.truth


def rows_of(seeds: range, *, size: int, verbose: bool) -> pd.DataFrame:
    """Judge every scene; one row an element."""
    tables = []
    start = time.perf_counter()
    for seed in seeds:
        one = draw(seed, size=size)
        table, truth = judged(one, seed)
        layered = {layer.element for layer in one.spec.layers}
        table["seed"], table["alloy"], table["kind"] = seed, one.alloy, one.kind
        table["blank"], table["counts"] = one.blank, one.spec.counts_per_pixel
        table["coverage"] = truth["coverage"]
        table["layer"] = [e in layered for e in table["element"]]
        table["layer_share"] = [one.share if e in layered else 0.0 for e in table["element"]]
        table["pixels"] = size * size
        tables.append(table)
        if verbose and seed % 40 == 39:
            sys.stderr.write(f"{seed + 1}: {time.perf_counter() - start:.0f} s\n")
    return pd.concat(tables, ignore_index=True)


def findable(rows: pd.DataFrame) -> pd.Series:
    """Return where the expected counts allow a layer to be found, and something can settle it.

    The layer must hold `LEAST_LAYER_COUNTS` counts over the field and, with a blank,
    `LEAST_LAYER_RATIO` of what substrate and background bring into its window; without a blank it
    must be patchy and hold `LEAST_UNAIDED_RATIO` of that.
    """
    layer = rows["true_deposited"] * rows["layer_share"].where(rows["layer_share"] > 0, 1.0)
    other = rows["true_substrate"] + rows["true_background"]
    enough = layer * rows["pixels"] >= LEAST_LAYER_COUNTS
    aided = rows["blank"] & (layer >= LEAST_LAYER_RATIO * other)
    unaided = (rows["kind"] == "patchy") & (layer >= LEAST_UNAIDED_RATIO * other)
    return enough & (aided | unaided)


LEAST_LAYER_COUNTS = 300
LEAST_LAYER_RATIO = 0.5
LEAST_UNAIDED_RATIO = 2.0


def report(rows: pd.DataFrame) -> str:
    """Return the tables as text."""
    order = [
        "with_alloy", "partly_separated", "separated", "substrate", "foreign", "undecided",
        "not_detected",
    ]  # fmt: skip
    lines = [f"{rows['seed'].nunique()} scenes, {len(rows)} verdicts"]
    for blank in (True, False):
        part = rows[rows["blank"] == blank]
        table = pd.crosstab(part["truth"], part["verdict"]).reindex(
            index=[w for w in order if w != "undecided"], columns=order, fill_value=0
        )
        lines += ["", f"{'with' if blank else 'without'} blank: truth (down), verdict (across)"]
        lines.append(table.to_string())
    quiet = rows[rows["truth"].isin(["with_alloy", "substrate", "not_detected"])]
    lines += ["", "false separated, partly_separated or foreign:"]
    for truth, part in [*quiet.groupby("truth"), ("all", quiet)]:
        wrong = int(part["verdict"].isin(CLAIMS).sum())
        lines.append(f"  {truth}: {wrong} of {len(part)} ({100 * wrong / max(len(part), 1):.2f} %)")
    for blank in (True, False):
        kept = quiet[(quiet["truth"] == "with_alloy") & (quiet["blank"] == blank)]
        said = kept["verdict"].value_counts(normalize=True)
        lines.append(f"  kept alloy elements, {'with' if blank else 'no'} blank: " + ", ".join(
            f"{word} {100 * part:.0f} %" for word, part in said.items()))  # fmt: skip
    apart = rows[rows["layer"] & (rows["layer_share"] >= 0.3)]
    films = rows[rows["layer"] & (rows["kind"] == "foreign")]
    for name, part in (("separated, share >= 0.3", apart), ("foreign films", films)):
        can = part[findable(part)]
        hit = int(can["verdict"].isin(CLAIMS).sum())
        lines.append(
            f"{name}: found {hit} of {len(can)} where counts allow "
            f"({100 * hit / max(len(can), 1):.1f} %); {len(part) - len(can)} beyond the boundary, "
            f"{int(part[~findable(part)]['verdict'].isin(CLAIMS).sum())} of them found"
        )
    return "\n".join(lines)


COVERED = Deposit(shape=(160, 160), counts_per_pixel=2.0, electron_image=False)
# Name, deposit, element whose intervals are judged, whether a blank was mapped.
DESIGNS = (
    ("kept", COVERED, "Zn", True),
    ("kept, 0.5 counts", COVERED.with_changes(counts_per_pixel=0.5), "Zn", True),
    ("alloy haze", COVERED.with_changes(haze=Haze(thickness_um=0.03, contrast=0.5)), "Zn", True),
    (
        "film between, share 0.5",
        COVERED.with_changes(layers=(Layer("Zn", "between", share=0.5),)), "Zn", True,
    ),
    (
        "film between, share 0.3, 8 counts",
        COVERED.with_changes(
            layers=(Layer("Zn", "between", share=0.3),), counts_per_pixel=8.0
        ), "Zn", True,
    ),
    (
        "patches, share 0.6",
        COVERED.with_changes(layers=(Layer("Zn", "patchy", share=0.6),)), "Zn", True,
    ),
    (
        "film between, no blank",
        COVERED.with_changes(layers=(Layer("Zn", "between", share=0.5),)), "Zn", False,
    ),
)  # fmt: skip


def true_division(labels: Any, n_droplets: int, blur_px: float) -> Segmentation:
    """Return true regions as a segmentation."""
    return Segmentation(
        labels=labels, n_droplets=n_droplets, n_streaks=0, metal=labels > 0,
        log_odds=np.zeros(labels.shape, np.float32), metal_means={},
        information=1.0, blur_px=blur_px, smallest_trusted_px=2.0,
        confidence=np.ones(n_droplets), streaks=pd.DataFrame(),
    )  # fmt: skip


def repeats(design: tuple[str, Deposit, str, bool], n: int, *, first: int = 0) -> pd.DataFrame:
    """Return the intervals of one design over many fields, with what is true of the deposit.

    Fields are cut from large deposits, as at the microscope: a made field would have exactly the
    coverage asked for, so that fields would be more alike than nature's are.
    """
    _, spec, element, blank = design
    side = spec.shape[0]
    wide = spec.with_changes(shape=(FIELDS_A_SIDE * side, FIELDS_A_SIDE * side))
    rows: list[dict[str, float]] = []
    truths = []
    for seed in range(first, first + -(-n // FIELDS_A_SIDE**2)):
        scene = make_deposit(wide, seed=seed)
        names = [str(e) for e in scene.maps["element"].values]
        means = scene.truth["mean_maps"]
        pair = [means[names.index(e)].ravel().astype(float) for e in (element, "Cu")]
        truths.append({
            "share_in_droplets": scene.truth["elements"][element]["share_in_droplets"],
            "share_not_following": sum(layer.share or 0.0 for layer in spec.layers),
            "r_alloy": float(np.corrcoef(pair)[0, 1]),
        })  # fmt: skip
        for k in range(min(FIELDS_A_SIDE**2, n - len(rows))):
            y, x = side * (k // FIELDS_A_SIDE), side * (k % FIELDS_A_SIDE)
            box = {"y": slice(y, y + side), "x": slice(x, x + side)}
            plate = make_blank(spec, seed=10**6 + 100 * seed + k).maps if blank else None
            row = one_field(scene, box, spec, element=element, plate=plate)
            rows.append(
                {f"{j}{end}": row[f"{j}{end}"] for j in JUDGED for end in ("_low", "_high")}
            )
    return pd.DataFrame(rows).assign(**pd.DataFrame(truths).mean().to_dict())


def one_field(
    scene: Any, box: dict[str, slice], spec: Deposit, *, element: str, plate: Any
) -> pd.Series:
    """Judge one field cut from a large deposit, its true division given."""
    maps = scene.maps.isel(box)
    whole = scene.labels[box["y"], box["x"]]
    number = {label: k for k, label in enumerate(np.unique(whole[whole > 0]), start=1)}
    labels = np.vectorize(lambda label: number.get(label, 0), otypes=[np.int32])(whole)
    known = facts(maps)
    names = [str(e) for e in maps["element"].values]
    roles = stated_roles(
        names, alloy=list(known.alloy), substrate=list(known.substrate), how="stated"
    )
    found = true_division(labels, len(number), spec.blur_px)
    moments = block_moments(maps, labels=labels, n_droplets=len(number))
    settings = Settings(n_resamples=400)
    table = judge(gather(maps, moments, roles, found, blank=plate, settings=settings))
    return table.set_index("element").loc[element]


FIELDS_A_SIDE = 4
JUDGED = ("share_in_droplets", "share_not_following", "r_alloy")


def coverage(n: int, *, first: int = 0) -> str:
    """Return how often each interval holds the deposit's own value, as text."""
    lines = [f"{n} fields a design; 95 % intervals hold the deposit's value (mean width):"]
    total = dict.fromkeys(JUDGED, 0)
    for design in DESIGNS:
        rows = repeats(design, n, first=first)
        parts = []
        for name in JUDGED:
            low, high, truth = rows[f"{name}_low"], rows[f"{name}_high"], rows[name].mean()
            # Shares are cut off at 0 and 1, where the bound itself is the truth.
            held = int(((low <= truth + 1e-9) & (truth - 1e-9 <= high)).sum())
            total[name] += held
            parts.append(f"{name} {100 * held / n:.0f} % ({(high - low).mean():.3f})")
        lines.append(f"  {design[0]}: " + ", ".join(parts))
        sys.stderr.write(lines[-1] + "\n")
    sums = ", ".join(f"{k} {100 * v / n / len(DESIGNS):.1f} %" for k, v in total.items())
    lines.append(f"  all: {sums}")
    return "\n".join(lines)


def main() -> None:
    """Run the calibration."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=480)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed-offset", type=int, default=0, help="other scenes, as many")
    parser.add_argument("--size", type=int, default=192)
    parser.add_argument("--rows", help="write every verdict to this CSV file")
    parser.add_argument("--coverage", type=int, default=0, help="fields a design")
    chosen = parser.parse_args()
    if chosen.coverage:
        sys.stdout.write(coverage(chosen.coverage, first=chosen.seed_offset) + "\n")
        return
    start = chosen.first + chosen.seed_offset
    seeds = range(start, start + chosen.scenes)
    rows = rows_of(seeds, size=chosen.size, verbose=True)
    if chosen.rows:
        rows.to_csv(chosen.rows, index=False)
    sys.stdout.write(report(rows) + "\n")


if __name__ == "__main__":
    main()

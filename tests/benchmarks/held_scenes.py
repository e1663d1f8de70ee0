"""Do intervals and confidences hold on scenes of known truth: ``python held_scenes.py``.

Deposits over doses 0.1 to 10, sigma_g 1.2 to 2 and two modes, 10 to 300 droplets, 5 to
45 % coverage, apart, touching or free; how often the 95 % intervals of D10, D50, D90, coverage and
shares hold the truth, and the confidence of droplets against how many are there as drawn.

Measured on seeds 72600 and 72700 (72 scenes on which nothing was tuned; what is unsure of sizes and
the confidence were drawn on 9000, the part that is merged where many overlap on 72000): intervals
of D10, D50, D90 hold those of the droplets at least as large as the smallest trusted one, of such
fields at large, in 100, 96 and 98 %, those of the field itself in 100, 97 and 98 %; D10 and D90 are
withheld in 29 scenes, of too few droplets. Coverage: 100 %. Shares without a blank: 100 %; with one
83 %, since droplets too small to be seen count as haze.

==============  ========  ===============  ==============
confidence      droplets  mean confidence  there as drawn
==============  ========  ===============  ==============
below 0.30            68             0.23            0.07
0.30 to 0.50          46             0.38            0.37
0.50 to 0.70         232             0.64            0.69
0.70 to 0.80         311             0.76            0.82
0.80 to 0.85         363             0.83            0.84
0.85 to 0.90         996             0.88            0.92
0.90 to 0.93        1083             0.92            0.96
0.93 to 0.96        1261             0.94            0.98
0.96 to 0.98         972             0.97            0.98
0.98 to 0.99         421             0.99            0.97
0.99 and above       626             0.99            0.99
==============  ========  ===============  ==============

``--seed N`` takes other scenes, ``--scenes N`` how many, ``--first K`` from which on; ``--keep
FILE`` keeps what was measured, ``--from FILE`` reads it again.
"""

from __future__ import annotations

import argparse
import math
import pickle
import time
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import numpy as np
import segmentation_scenes as scenes

from spattermap.analysis import analyse
from spattermap.synthesis import Deposit, Droplets, Haze, deposit_shapes, make_blank

SIDE = 256
POOLED = 16  # fields from which the population's percentiles are taken
MODES = 2.5  # ratio of the two modes' medians, each with sigma_g 1.2
SHARES = ("droplets", "haze")


def deposit(k, seed):
    """Return the k-th deposit, and whether its sizes have two modes."""
    from scipy.stats import qmc

    point = qmc.Sobol(6, seed=seed).random(256)[k]
    a, b, c, d, e, g = (float(v) for v in point)
    two = k % 5 == 4
    sigma_g = 1.2 if two else 1.2 * (2 / 1.2) ** b
    cover, number = 0.05 + 0.4 * d, 10 * 30**c
    mean_square = math.exp(2 * math.log(sigma_g) ** 2)
    if two:
        mean_square *= 0.5 * (MODES + 1 / MODES)
    d50 = math.sqrt(cover * SIDE**2 / (number * math.pi / 4 * mean_square))
    spec = Deposit(
        shape=(SIDE, SIDE),
        counts_per_pixel=0.1 * 100**a,
        blur_px=1.5 * e,
        droplets=Droplets(
            d50_px=d50, sigma_g=sigma_g, coverage=cover,
            placement=("apart", "touching", "free")[k % 3], profile=scenes.PROFILES[k // 3 % 3],
            aspect=(1.0, 1.3)[k // 9 % 2],
        ),
        haze=Haze(thickness_um=0.06 * (2 * g - 1) if g > 0.5 else 0.0, contrast=0.3),
        electron_image=False,
    )  # fmt: skip
    return spec, two


@contextmanager
def modes(two):
    """Let droplets be drawn from two modes of one number."""
    one = deposit_shapes._draw_diameters

    def both(canvas, spec, area_fraction, rng):
        found = one(canvas, spec, 1.5 * area_fraction, rng)
        found = found * np.where(rng.random(found.size) < 0.5, MODES**0.5, MODES**-0.5)
        found = found[(found >= spec.min_diameter_px) & (found < 0.7 * min(canvas.shape))]
        area = np.cumsum(np.pi / 4 * found**2)
        return found[: int(np.searchsorted(area, area_fraction * canvas.labels.size)) + 1]

    if two:
        deposit_shapes._draw_diameters = both
    try:
        yield
    finally:
        deposit_shapes._draw_diameters = one


def population(spec, seed):
    """Return the diameters (px) of the droplets centred in many such fields."""
    found = []
    for k in range(POOLED):
        canvas = deposit_shapes.Canvas(spec.shape)
        deposit_shapes.draw_droplets(canvas, spec.droplets, np.random.default_rng([seed, k]))
        found += [r["diameter_px"] for r in canvas.rows if _centred(r, spec.shape)]
    return np.array(found)


def _centred(row, shape):
    return 0 <= row["y_px"] < shape[0] and 0 <= row["x_px"] < shape[1]


def record(k, seed):
    """Return what is true of a scene beside what was found."""
    spec, two = deposit(k, seed)
    with modes(two):
        maps, _, truth, labels = scenes.scene(spec, seed + k)
        pool = population(spec, seed + k)
    blank = make_blank(spec, seed=seed + 500 + k).maps if k % 2 else None
    start = time.process_time()
    done = analyse(maps, blank=blank)
    taken = time.process_time() - start
    found, table = done.segmentation, done.droplets
    matched = np.zeros(found.n_droplets + found.n_streaks + 1, np.int64)
    pairs = scenes.match(found.labels, labels)
    matched[pairs[:, 0]] = pairs[:, 1]
    under = np.bincount(found.labels.ravel(), labels.ravel() > 0, minlength=matched.size)
    area = np.bincount(found.labels.ravel(), minlength=matched.size)
    size = spec.pixel_size_um
    rows = table["droplet"].to_numpy()
    return {
        "k": k, "seed": seed, "spec": spec, "two": two, "blank": blank is not None, "taken": taken,
        "summary": done.summary(), "sizes": done.morphology.sizes,
        "weight": done.morphology.border_weight,
        "diameter": table["diameter_um"].to_numpy() / size,
        "touches": table["touches_border"].to_numpy(),
        "confidence": table["confidence"].to_numpy(),
        "table": table.drop(columns=[c for c in table if c.endswith(("counts", "counts_err"))]),
        "matched": matched[rows], "metal": (under / np.maximum(area, 1))[rows],
        "area": area[rows], "n_streaks": found.n_streaks,
        "blur": found.blur_px, "information": found.information,
        "least": found.smallest_trusted_px, "shared": found.shared,
        "true": np.array([
            (r["diameter_px"], r["area_px2"], r["touches_border"], _centred(r, spec.shape),
             r["label"]) for r in truth["droplets"]]),
        "cover": truth["coverage"],
        **{f"share_{one}": truth[f"share_{one}"] for one in SHARES},
        "pool": pool, "trusted": done.morphology.coverage.trusted,
        "findings": done.examination.counts, "rims": (found.rims.low, found.rims.high),
        "arrival": done.answers[0].answer, "certainty": done.answers[0].certainty,
    }  # fmt: skip


def held(found):
    """Print how often the intervals hold what is true of the field, and of such fields at large."""
    rows: dict[str, list[tuple[bool, bool, float, float]]] = {}
    withheld: dict[str, int] = {}
    for one in found:
        size, known = one["spec"].pixel_size_um, one["summary"]
        for percent in (10, 50, 90):
            row = one["sizes"].loc[f"number D{percent}"] / size
            pool, true = one["pool"], one["true"]
            pool = pool[pool >= one["least"]]
            true = true[(true[:, 3] > 0) & (true[:, 0] >= one["least"]), 0]
            if not (np.isfinite(row["low"]) and len(pool) > POOLED and len(true)):
                withheld[f"D{percent}"] = withheld.get(f"D{percent}", 0) + 1
                continue
            at, here = np.percentile(pool, percent), np.percentile(true, percent)
            rows.setdefault(f"D{percent}", []).append((
                row["low"] <= at <= row["high"], row["low"] <= here <= row["high"],
                row["value"] / at - 1, (row["high"] - row["low"]) / at,
            ))  # fmt: skip
        for name, at in (("coverage", one["cover"]), *((f"share_{s}", one[f"share_{s}"])
                                                       for s in SHARES)):  # fmt: skip
            value, low, high = (known.get(f"{name}{end}") for end in ("", "_low", "_high"))
            if value is None or not np.isfinite(value):
                withheld[name] = withheld.get(name, 0) + 1
                continue
            kind = name if name == "coverage" or not one["blank"] else f"{name}, blank"
            inside = low - 1e-9 <= at <= high + 1e-9
            rows.setdefault(kind, []).append((inside, inside, value - at, high - low))
    print("quantity | fields, withheld | holds the population's, the field's own | error, width")
    for name, values in sorted(rows.items()):
        some = np.array(values, dtype=float).mean(axis=0)
        print(f"{name:22s} {len(values):3d} {withheld.get(name, 0):3d} | {some[0]:.3f} "
              f"{some[1]:.3f} | {some[2]:+.3f} {some[3]:.3f}")  # fmt: skip
    seen = sum(len(one["diameter"]) for one in found)
    there = sum(int((one["true"][:, 0] >= one["least"]).sum()) for one in found)
    print(f"droplets found over those of the smallest trusted size and more: {seen / there:.3f}")


def reliability(found):
    """Print the confidence of droplets against the part that is there as drawn."""
    sure = np.concatenate([one["confidence"] for one in found])
    there = np.concatenate([
        (one["matched"] > 0) & (one["matched"] <= len(one["true"])) for one in found
    ])  # fmt: skip
    edges = np.array([0, 0.3, 0.5, 0.7, 0.8, 0.85, 0.9, 0.93, 0.96, 0.98, 0.99, 1.01])
    print("confidence | droplets | mean confidence | there as drawn")
    for low, high in pairwise(edges):
        here = (sure >= low) & (sure < high)
        if here.any():
            print(f"{low:.2f} to {min(high, 1):.2f} | {here.sum():5d} | {sure[here].mean():.3f} | "
                  f"{there[here].mean():.3f}")  # fmt: skip


def main():
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--scenes", type=int, default=150)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--from", dest="kept", type=Path, nargs="*", default=[])
    asked = parser.parse_args()
    found = [one for file in asked.kept for one in pickle.loads(file.read_bytes())]
    for k in range(asked.first, asked.first + (0 if asked.kept else asked.scenes)):
        one = record(k, asked.seed)
        found.append(one)
        n = len(one["diameter"])
        print(k, f"{one['taken']:.1f} s", n, len(one["true"]), f"{one['least']:.1f}",
              one["arrival"][:60], flush=True)  # fmt: skip
        if asked.keep:
            asked.keep.write_bytes(pickle.dumps(found))
    held(found)
    reliability(found)


if __name__ == "__main__":
    main()

"""Show what border correction, truncation and intervals do, on fields whose truth is known.

Run by hand (some minutes)::

    python tests/benchmarks/morphology.py

1. Border: discs placed at random without overlap, a window cut out of them and measured as
   labels; median and Sauter mean with the cut droplets, without them, and border-corrected.
2. Truncation: lognormal, Weibull and gamma fits to what a window shows above a smallest size.
3. Intervals: how often the 95 % intervals hold the truth.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from lognormal_truth import LognormalSizes
from spattermap.measure.fits import fit_sizes
from spattermap.measure.placement import place
from spattermap.measure.regions import measure_regions, region_shapes
from spattermap.measure.sizes import (
    border_weights,
    moment_mean,
    percentile,
    size_summary,
)


def window(seed: int, *, side: int, sigma_g: float, median: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the labels of a window into a wider field of discs that do not overlap.

    And the true diameters of the discs whose centre lies in the window, an unbiased sample.
    """
    rng = np.random.default_rng(seed)
    margin = int(6 * median)
    wide = side + 2 * margin
    number = int(0.25 * wide**2 / (np.pi / 4 * median**2 * np.exp(2 * np.log(sigma_g) ** 2)))
    radius = np.sort(rng.lognormal(np.log(median / 2), np.log(sigma_g), number))[::-1].copy()
    centres, _ = place(radius, (float(wide), float(wide)), seed, np.full((1, 1), np.inf))
    labels = np.zeros((side, side), dtype=np.int32)
    for k, ((y, x), r) in enumerate(zip(centres - margin, radius, strict=True), start=1):
        rows = slice(max(0, int(y - r)), max(0, min(side, int(y + r) + 2)))
        columns = slice(max(0, int(x - r)), max(0, min(side, int(x + r) + 2)))
        yy = np.arange(rows.start, rows.stop)[:, None]
        xx = np.arange(columns.start, columns.stop)
        labels[rows, columns][(yy - y) ** 2 + (xx - x) ** 2 <= r * r] = k
    inside = ((centres >= margin) & (centres < margin + side)).all(axis=1)
    return labels, 2 * radius[inside]


def border(n_fields: int) -> None:
    """Print the bias of the median and the Sauter mean, with and without correction."""
    side, sigma_g, median = 256, 1.6, 24.0
    truth = LognormalSizes(median, sigma_g)
    kinds: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {
        "all, cut ones as they are": [],
        "uncut ones alone": [],
        "uncut ones, border-corrected": [],
        "true, centre in the window": [],
    }
    for seed in range(n_fields):
        labels, true_d = window(seed, side=side, sigma_g=sigma_g, median=median)
        table, box = measure_regions(labels), region_shapes(labels).box
        d = table.diameter_um.to_numpy()
        uncut = ~table.touches_border.to_numpy()
        extent = (box[:, 2:] - box[:, :2])[uncut]
        weights = border_weights(extent[:, 0], extent[:, 1], frame=(side - 1, side - 1))
        kinds["all, cut ones as they are"].append((d, np.ones(len(d))))
        kinds["uncut ones alone"].append((d[uncut], np.ones(uncut.sum())))
        kinds["uncut ones, border-corrected"].append((d[uncut], weights))
        kinds["true, centre in the window"].append((true_d, np.ones(len(true_d))))
    print(f"\n1. Border: {n_fields} windows of {side} px, median {median:g} px, sigma_g {sigma_g}")
    print(f"{'':32s}{'D50':>9s}{'bias':>8s}{'D90':>9s}{'bias':>8s}{'D[3,2]':>9s}{'bias':>8s}")
    for name, samples in kinds.items():
        d = np.concatenate([s[0] for s in samples])
        w = np.concatenate([s[1] for s in samples])
        values = (*percentile(d, [50, 90], weights=w), moment_mean(d, 3, 2, weights=w))
        true = (truth.percentile(50), truth.percentile(90), truth.moment_mean(3, 2))
        cells = "".join(
            f"{v:9.2f}{100 * (v / t - 1):+7.1f}%" for v, t in zip(values, true, strict=True)
        )
        print(f"{name:32s}{cells}")


def truncation(n_fields: int) -> None:
    """Print the parameters that truncated fits recover, and what ignoring it gives."""
    frame = (12.0, 16.0)
    cases = {
        "lognormal": (lambda r: r.lognormal(0, np.log(1.6), 6000), {"median": 1, "sigma_g": 1.6}),
        "Weibull": (lambda r: 1.3 * r.weibull(1.8, 6000), {"scale": 1.3, "shape": 1.8}),
        "gamma": (lambda r: r.gamma(4.0, 0.3, 6000), {"scale": 0.3, "shape": 4.0}),
    }
    print(f"\n2. Truncation at the 30th percentile, frame {frame}: mean of {n_fields} fits")
    for family, (draw, truth) in cases.items():
        smallest = float(np.quantile(draw(np.random.default_rng(99)), 0.3))
        honest, naive = [], []
        for seed in range(n_fields):
            rng = np.random.default_rng([seed, 4])
            d = draw(rng)
            d = d[(d >= smallest) & (rng.random(len(d)) < (1 - d / 12) * (1 - d / 16))]
            options = {"families": (family,), "seed": seed}
            honest.append(fit_sizes(d, smallest=smallest, frame=frame, **options)[0].parameters)
            naive.append(fit_sizes(d, **options)[0].parameters)
        for name, true in truth.items():
            with_it, without = (np.mean([p[name] for p in fits]) for fits in (honest, naive))
            print(
                f"{family:10s} {name:8s} truth {true:5.2f}   with {with_it:6.3f} "
                f"({100 * (with_it / true - 1):+.1f} %)   without {without:6.3f} "
                f"({100 * (without / true - 1):+.1f} %)"
            )


def intervals(n_runs: int) -> None:
    """Print how often 95 % intervals hold the truth."""
    truth = LognormalSizes(1.0, 1.4)
    hits: dict[str, list[bool]] = {}
    for seed in range(n_runs):
        d = np.random.default_rng([seed, 8]).lognormal(0, np.log(1.4), 1500)
        table = size_summary(d, n_resamples=400, seed=seed)
        for name, row in table[table.trusted].iterrows():
            if name.startswith("D["):
                true = truth.moment_mean(*(float(x) for x in name[2:-1].split(",")))
            else:
                kind, percent = name.split(" D")
                true = truth.percentile(float(percent), weighting=kind)
            hits.setdefault(str(name), []).append(bool(row.low <= true <= row.high))
    print(f"\n3. 95 % intervals, 1,500 droplets, {n_runs} samples (those marked trusted)")
    for name, found in hits.items():
        print(f"{name:12s} holds the truth in {100 * np.mean(found):5.1f} % of {len(found)}")


def main() -> None:
    """Print the three tables."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--fields", type=int, default=300)
    options.add_argument("--fits", type=int, default=20)
    options.add_argument("--runs", type=int, default=400)
    chosen = options.parse_args()
    border(chosen.fields)
    truncation(chosen.fits)
    intervals(chosen.runs)


if __name__ == "__main__":
    main()

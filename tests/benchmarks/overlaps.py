"""Overlapping droplets against known truth: ``python tests/benchmarks/overlaps.py``.

Freely placed droplets (each independent of the others) at 10, 25 and 45 % coverage and 0.3, 1 and 5
alloy counts a pixel; then droplets apart. One line each: object F1 at IoU 0.5 of the droplets that
are at least half visible, beside a plain script (smoothing, Otsu, watershed) and beside this
package's own metal parted by truth; precision and recall; bias of the median diameter of the table.
``--seed N`` takes other scenes; ``--scenes N`` how many a line.

On 28 November 2026, three scenes a line from 72000 (rules chosen on 70500); F1 at 0.3, 0.5, 1 and 5
counts: free, 10 %: 0.94, 0.94, 0.98, 0.99; 25 %: 0.89, 0.90, 0.94, 0.97; 45 %: 0.69, 0.73, 0.78,
0.86; apart 0.996, 0.995, 1.000, 1.000. D50 within 6 % but for +7 % at 45 and 10 % with 0.3 counts.
Before (54000), 45 %: 0.67, -, 0.78, 0.82; on 70500 the same three scenes went from 0.64, 0.75 and,
without noise, 0.83 to 0.67, 0.82 and 0.89. Not met: 0.85 at 45 % below 5 counts. Nearly all that is
missed is merged with another: of droplets that show a fifth to two fifths of their outline a third
are found at 1 count, of those that show more than three fifths nine in ten; started from the true
droplets, the same rule finds 0.82 (70500), so that better search would not do.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import segmentation_scenes as scenes

from spattermap.analysis import measure_droplets
from spattermap.segment.engine import segment
from spattermap.synthesis import Deposit, Droplets


def deposit(k, *, coverage, counts, placement):
    """Return the k-th deposit of a line: size and profile take turns."""
    return Deposit(
        shape=(320, 320),
        counts_per_pixel=counts,
        blur_px=1.0,
        droplets=Droplets(
            d50_px=(14.0, 18.0, 11.0)[k % 3],
            sigma_g=1.35,
            coverage=coverage,
            placement=placement,
            profile=scenes.PROFILES[k % 3],
            aspect=1.2,
        ),
        electron_image=False,
    )


def half_visible(truth, labels):
    """Return for every true droplet whether the others leave half of it to be seen."""
    n = truth["droplet_count"]
    area = np.bincount(labels.ravel(), minlength=n + 1)[1 : n + 1]
    whole = np.array([np.pi / 4 * row["diameter_px"] ** 2 for row in truth["droplets"]])
    return area >= 0.5 * whole


def counted(found, labels, visible):
    """Return hits, found and true droplets; a match of a hidden one counts for nothing."""
    seen = np.append(False, visible)
    matched = scenes.match(found, labels)[:, 1]
    present = int(np.count_nonzero(np.bincount(found.ravel())[1:]))
    return np.array(
        [seen[matched].sum(), present - np.count_nonzero(~seen[matched]), visible.sum()]
    )


def line(coverage, counts, placement, *, seed, n):
    """Print one line, and return its F1."""
    ours, plain, true, bias, taken = np.zeros(3), np.zeros(3), np.zeros(3), [], 0.0
    for k in range(n):
        spec = deposit(k, coverage=coverage, counts=counts, placement=placement)
        maps, roles, truth, labels = scenes.scene(spec, seed + k)
        start = time.process_time()
        found = segment(maps, roles)
        taken += time.process_time() - start
        visible = half_visible(truth, labels)
        ours += counted(found.labels, labels, visible)
        plain += counted(scenes.plain_script(maps, roles.alloy), labels, visible)
        true += counted(np.where(found.labels > 0, labels, 0), labels, visible)
        table = measure_droplets(maps, found, 1.0)
        sizes = table["diameter_um"][~table["touches_border"]]
        rows = zip(truth["droplets"], visible, strict=True)
        wanted = np.array([r["diameter_px"] for r, v in rows if v and not r["touches_border"]])
        least = found.smallest_trusted_px
        bias.append(np.median(sizes[sizes >= least]) / np.median(wanted[wanted >= least]) - 1)
    f1 = [2 * one[0] / max(1, one[1] + one[2]) for one in (ours, plain, true)]
    print(
        f"{placement:5s} {coverage:4.2f} {counts:4.1f} | {f1[0]:.3f} (precision "
        f"{ours[0] / max(1, ours[1]):.3f}, recall {ours[0] / max(1, ours[2]):.3f}) {f1[1]:.3f} "
        f"{f1[2]:.3f} | {np.mean(bias):+.3f}, size {np.mean(np.abs(bias)):.3f} | {taken:.1f}",
        flush=True,
    )
    return f1[0]


def main():
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--scenes", type=int, default=3)
    asked = parser.parse_args()
    print("place cover counts | F1, plain, by truth | D50 bias | processor time, s")
    for placement, covers in (("free", (0.1, 0.25, 0.45)), ("apart", (0.2,))):
        found = [
            line(cover, counts, placement, seed=asked.seed, n=asked.scenes)
            for cover in covers
            for counts in (0.3, 0.5, 1.0, 5.0)
        ]
        print(f"{placement}: mean F1 {np.mean(found):.3f}")


if __name__ == "__main__":
    main()

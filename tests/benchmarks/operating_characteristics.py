"""How often each verdict is given, against counts per pixel and separated share.

Run by hand::

    python tests/benchmarks/operating_characteristics.py --scenes 10 --out FOLDER [--without-blank]

Made brass deposits on window glass, one field of 256 x 256 pixels each; zinc lies between the
droplets with the stated share. In every scene aluminium is a constituent of the glass that nobody
stated, and iron is absent, so the same run counts their false alarms. Writes
``operating_characteristics.csv`` (one row a cell and verdict, with a Wilson interval) and
``operating_characteristics.png``, and prints the table.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from pathlib import Path

import pandas as pd

from spattermap.analysis import analyse
from spattermap.counting import wilson_interval
from spattermap.settings import Settings
from spattermap.synthesis import SODA_LIME, Deposit, Droplets, Layer, make_blank, make_deposit

COUNTS = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0)
SHARES = (0.0, 0.15, 0.3, 0.5, 0.8, 1.0)
VERDICTS = (
    "with_alloy", "partly_separated", "separated", "substrate", "foreign", "undecided",
    "not_detected",
)  # fmt: skip
GLASS = {element: SODA_LIME[element] for element in ("O", "Si", "Na", "Ca", "Al")}
# Aluminium is left out: the trap is a constituent that the data sheet does not name.
STATED = Settings(substrate=("O", "Si", "Na", "Ca"), n_resamples=500)


def cell(
    counts: float, share: float, n_scenes: int, *, seed: int, with_blank: bool
) -> dict[str, Counter[str]]:
    """Return how often each verdict was given for zinc, copper, aluminium and iron."""
    spec = Deposit(
        shape=(256, 256),
        substrate=GLASS,
        droplets=Droplets(d50_px=14.0, coverage=0.2),
        layers=(Layer("Zn", "between", share=share),) if share > 0 else (),
        extra_elements=("Fe",),
        counts_per_pixel=counts,
        electron_image=False,
    )
    found: dict[str, Counter[str]] = {e: Counter() for e in ("Cu", "Zn", "Al", "Fe")}
    for number in range(n_scenes):
        maps = make_deposit(spec, seed=seed + 2 * number).maps
        blank = make_blank(spec, seed=seed + 2 * number + 1).maps if with_blank else None
        elements = analyse(maps, blank=blank, settings=STATED).elements
        verdict = dict(zip(elements["element"], elements["verdict"], strict=True))
        for element, tally in found.items():
            tally[verdict[element]] += 1
    return found


def table(n_scenes: int, *, with_blank: bool) -> pd.DataFrame:
    """Return one row for each counts, share, element and verdict."""
    rows = []
    for i, counts in enumerate(COUNTS):
        for j, share in enumerate(SHARES):
            seed = 1_000_000 * i + 10_000 * j
            tallies = cell(counts, share, n_scenes, seed=seed, with_blank=with_blank)
            for element, tally in tallies.items():
                for verdict in VERDICTS:
                    low, high = wilson_interval(tally[verdict], n_scenes, 0.95)
                    rows.append({
                        "counts_per_pixel": counts, "share_separated": share, "element": element,
                        "verdict": verdict, "fraction": tally[verdict] / n_scenes,
                        "fraction_low": float(low), "fraction_high": float(high),
                        "n_scenes": n_scenes,
                    })  # fmt: skip
    return pd.DataFrame(rows)


def draw(rows: pd.DataFrame, out: Path) -> None:
    """Draw the verdicts on zinc, one panel a share, against the counts."""
    from matplotlib.figure import Figure

    # Okabe & Ito: told apart by readers of every colour vision.
    colours = ["#009E73", "#E69F00", "#D55E00", "#56B4E9", "#CC79A7", "#999999", "#000000"]
    figure = Figure(figsize=(11, 6.6), layout="constrained")
    axes = figure.subplots(2, 3, sharex=True, sharey=True).ravel()
    zinc = rows[rows["element"] == "Zn"]
    for panel, share in zip(axes, SHARES, strict=True):
        here = zinc[zinc["share_separated"] == share]
        for verdict, colour in zip(VERDICTS, colours, strict=True):
            line = here[here["verdict"] == verdict]
            if line["fraction"].max() == 0:
                continue
            counts = line["counts_per_pixel"]
            panel.fill_between(
                counts, line["fraction_low"], line["fraction_high"], color=colour, alpha=0.12, lw=0
            )
            panel.plot(counts, line["fraction"], color=colour, marker="o", label=verdict)
        panel.set_title(f"zinc, {100 * share:.0f} % between the droplets", fontsize=10)
        panel.set_xscale("log")
    entries = {}
    for panel in axes:
        lines, labels = panel.get_legend_handles_labels()
        entries.update(zip(labels, lines, strict=True))
    figure.legend(entries.values(), entries.keys(), loc="outside upper center", ncols=len(entries))
    figure.supxlabel("counts per pixel on metal (copper and zinc lines together)")
    figure.supylabel("fraction of deposits given the verdict \n(band: 95 % Wilson interval)")
    figure.savefig(out, dpi=150)


def main() -> None:
    """Run the grid, print it, and write table and figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=10, help="deposits a cell")
    parser.add_argument("--out", type=Path, default=Path(), help="folder to write into")
    parser.add_argument("--without-blank", action="store_true", help="analyse without a blank")
    chosen = parser.parse_args()
    start = time.perf_counter()
    rows = table(chosen.scenes, with_blank=not chosen.without_blank)
    chosen.out.mkdir(parents=True, exist_ok=True)
    rows.to_csv(chosen.out / "operating_characteristics.csv", index=False)
    draw(rows, chosen.out / "operating_characteristics.png")
    shown = rows.pivot_table(
        index=["element", "share_separated", "counts_per_pixel"], columns="verdict",
        values="fraction", sort=False,
    )  # fmt: skip
    print(shown.reindex(columns=list(VERDICTS)).to_string(float_format="{:.2f}".format))
    print(f"{time.perf_counter() - start:.0f} s for {len(COUNTS) * len(SHARES)} cells")


if __name__ == "__main__":
    main()

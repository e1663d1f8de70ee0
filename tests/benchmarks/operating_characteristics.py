"""How often each verdict is given, against counts per pixel and separated share.

Run by hand::

    python tests/benchmarks/operating_characteristics.py --scenes 12 [--out toolkit/docs]

Made brass deposits on window glass, one field of 256 x 256 pixels each; zinc lies between the
droplets with the stated share. In every scene aluminium is a constituent of the glass that nobody
stated, and iron is absent, so the same run counts their false alarms. Every scene is analysed with
a blank plate mapped for as long. Writes ``operating_characteristics.csv`` (one row a cell and
verdict, with a Wilson interval) and ``operating_characteristics.png``, and prints the table. With
``--draw`` the picture is drawn anew from the table; with ``--without-blank`` no blank is used.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from pathlib import Path
from typing import Any

import pandas as pd

from spattermap.analysis import analyse
from spattermap.core.settings import Settings
from spattermap.noise.counting import wilson_interval
from spattermap.synthesis import SODA_LIME, Deposit, Droplets, Layer, make_blank, make_deposit

DOCS = Path(__file__).parents[2] / "toolkit" / "docs"
COUNTS = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0)
SHARES = (0.0, 0.15, 0.3, 0.5, 0.8, 1.0)
CLAIMS = ("partly_separated", "separated", "foreign")
# Okabe & Ito's colours in order of lightness, each with a marker and a dash of its own, so that
# the lines are told apart by readers of every colour vision and in grey.
STYLES = (
    ("#000000", "o", "-"),
    ("#0072B2", "s", (0, (6, 2))),
    ("#D55E00", "^", (0, (4, 1.5, 1, 1.5))),
    ("#009E73", "D", (0, (1, 1))),
    ("#E69F00", "v", "-"),
)
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


def claimed(rows: pd.DataFrame, elements: tuple[str, ...], words: tuple[str, ...]) -> pd.DataFrame:
    """Return how often any of some words was given, with its Wilson interval."""
    some = rows[rows["element"].isin(elements) & rows["verdict"].isin(words)]
    cells = some.assign(times=(some["fraction"] * some["n_scenes"]).round())
    found = cells.groupby(["share_separated", "counts_per_pixel"], as_index=False)["times"].sum()
    n = int(rows["n_scenes"].iloc[0]) * len(elements)
    low, high = wilson_interval(found["times"].to_numpy(), n, 0.95)
    return found.assign(fraction=found["times"] / n, low=low, high=high, n=n)


def needed(rows: pd.DataFrame, *, chance: float = 0.9) -> str:
    """Return, as Markdown, from which counts on a share is found with some chance."""
    found = claimed(rows, ("Zn",), CLAIMS).pivot_table(
        index="share_separated", columns="counts_per_pixel", values="fraction"
    )
    lines = [
        f"| zinc apart | counts per pixel for a chance of {100 * chance:.0f} % |", "|---|---|"
    ]  # fmt: skip
    for share in [share for share in SHARES if share > 0]:
        short = [count for count in COUNTS if found.loc[share, count] < chance]
        enough = [count for count in COUNTS if count > max(short, default=0.0)]
        least = f"{enough[0]:g}" if enough else f"more than {COUNTS[-1]:g}"
        lines.append(f"| {100 * share:.0f} % | {least} |")
    return "\n".join(lines)


def draw(rows: pd.DataFrame, out: Path) -> None:
    """Draw detection and false alarms against the counts."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.5, 4.8), layout="constrained")
    left, right = figure.subplots(1, 2, sharex=True, sharey=True)
    found = claimed(rows, ("Zn",), CLAIMS)
    shares = [share for share in SHARES if share > 0]
    for share, (colour, marker, dashes) in zip(shares, STYLES, strict=False):
        part = found[found["share_separated"] == share]
        label = f"{100 * share:.0f} % of the zinc apart"
        line(left, part, colour=colour, marker=marker, dashes=dashes, label=label)
    left.set_title("Zinc that came down apart is found", fontsize=11)
    quiet = rows[rows["share_separated"] == 0.0]
    others = claimed(rows, ("Cu", "Al", "Fe"), CLAIMS)
    others = others.groupby("counts_per_pixel", as_index=False)[["times", "n"]].sum()
    low, high = wilson_interval(others["times"].to_numpy(), int(others["n"].iloc[0]), 0.95)
    others = others.assign(fraction=others["times"] / others["n"], low=low, high=high)
    for part, label, style in (
        (claimed(quiet, ("Zn",), ("with_alloy",)), "kept zinc is called with_alloy", STYLES[0]),
        (claimed(quiet, ("Zn",), CLAIMS), "false alarm: kept zinc is called apart", STYLES[2]),
        (others, "false alarm: copper, glass or nothing is called apart", STYLES[4]),
    ):
        line(right, part, colour=style[0], marker=style[1], dashes=style[2], label=label)
    right.set_title("Zinc that stayed in the alloy is left alone", fontsize=11)
    for axis in (left, right):
        axis.set_xscale("log")
        axis.set_xticks(COUNTS, [f"{count:g}" for count in COUNTS])
        axis.set_xticks([], minor=True)
        axis.set_ylim(-0.03, 1.03)
        axis.grid(color="0.88", linewidth=0.8)
        axis.legend(loc="center right", fontsize=8.5, framealpha=0.9)
        axis.set_xlabel("counts per pixel on metal, copper and zinc lines together")
    left.set_ylabel("fraction of deposits\n(band: 95 % Wilson interval)")
    figure.savefig(out, dpi=130)


def line(
    axis: Any, part: pd.DataFrame, *, colour: str, marker: str, dashes: Any, label: str
) -> None:
    """Draw a fraction with its band."""
    counts = part["counts_per_pixel"]
    axis.fill_between(counts, part["low"], part["high"], color=colour, alpha=0.12, linewidth=0)
    axis.plot(
        counts, part["fraction"], color=colour, marker=marker, linestyle=dashes, label=label,
        markersize=6, markeredgecolor="white", markeredgewidth=0.6, clip_on=False,
    )  # fmt: skip


def main() -> None:
    """Run the grid, print it, and write table and figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=12, help="deposits a cell")
    parser.add_argument("--out", type=Path, default=DOCS, help="folder to write into")
    parser.add_argument("--without-blank", action="store_true", help="analyse without a blank")
    parser.add_argument("--draw", action="store_true", help="only draw the table that is there")
    chosen = parser.parse_args()
    start = time.perf_counter()
    file = chosen.out / "operating_characteristics.csv"
    if chosen.draw:
        rows = pd.read_csv(file)
        draw(rows, file.with_suffix(".png"))
        print(needed(rows))
        return
    rows = table(chosen.scenes, with_blank=not chosen.without_blank)
    chosen.out.mkdir(parents=True, exist_ok=True)
    rows.to_csv(file, index=False, float_format="%.4g", lineterminator="\n")
    draw(rows, file.with_suffix(".png"))
    shown = rows.pivot_table(
        index=["element", "share_separated", "counts_per_pixel"], columns="verdict",
        values="fraction", sort=False,
    )  # fmt: skip
    print(shown.reindex(columns=list(VERDICTS)).to_string(float_format="{:.2f}".format))
    print(needed(rows))
    print(f"{time.perf_counter() - start:.0f} s for {len(COUNTS) * len(SHARES)} cells")


if __name__ == "__main__":
    main()

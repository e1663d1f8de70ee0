"""The page of a plan: what to set, what it promises, the curves, the lines, the assumptions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from html import escape
from typing import TYPE_CHECKING, Any

from spattermap.core.estimate import figures
from spattermap.show.pages import anchor, figure_html, shell
from spattermap.show.pieces import (
    Fragment,
    bullets,
    facts_table,
    joined,
    paragraphs,
    table,
    unbroken,
)
from spattermap.show.wording import minutes_text

if TYPE_CHECKING:
    from spattermap.plan.planning import Plan
    from spattermap.show.pictures.canvas import Picture


def plan_page(plan: Plan) -> str:
    """Return the page, readable offline."""
    alloy = "-".join(plan.known.alloy)
    return shell(
        _sections(plan), title=f"Plan: {alloy}", kind="Before the microscope",
        heading=f"What to map of {alloy} in {plan.choices.minutes:g} minutes", level=0.95,
    )  # fmt: skip


def plan_body(plan: Plan) -> Fragment:
    """Return the same as a piece for a notebook."""
    parts = [Fragment(f'<h3 id="{anchor(name)}">{escape(name)}</h3>{html}')
             for name, html in _sections(plan)]  # fmt: skip
    return Fragment(joined(parts).html, repr(plan))


def _sections(plan: Plan) -> list[tuple[str, str]]:
    toml = f"<pre><code>{escape(plan.mapset_toml)}</code></pre>"
    ready = "<p>Put this as <code>mapset.toml</code> beside the maps of each field.</p>" + toml
    return [
        ("What to set", _settings(plan)),
        ("What it promises", _promises(plan)),
        ("What stays open", _open(plan)),
        (
            "More or less time",
            figure_html(curves_picture(plan), wide=len(plan.questions) > 1) + _curve_words(plan),
        ),
        ("Lines to map", _lines(plan)),
        ("For the session", ready),
        ("Assumptions", bullets(plan.assumptions, "assumptions").html),
        ("Cautions", bullets(plan.cautions, "cautions").html),
    ]


def _settings(plan: Plan) -> str:
    best = plan.best
    plate = (
        f"{minutes_text(best.blank_minutes)} at the same settings, on bare substrate"
        if best.blank_minutes
        else "none: elements between the droplets cannot be told from the glass"
    )
    rows = {
        "Beam energy": f"{best.beam_energy_keV:g} keV",
        "Beam current": (
            "such that thick alloy gives about "
            f"{figures(plan.counts_per_second, significant=2)} counts a second in all its lines"
        ),
        "Pixel": f"{best.pixel_size_um:g} µm",
        "Field": f"{best.field_um:g} µm, {best.side_px} × {best.side_px} pixels",
        "Fields": f"{best.n_fields}, {minutes_text(best.field_minutes)} each",
        "Dwell": f"{figures(1e3 * best.dwell_s)} ms a pixel in all frames together",
        "Bare plate": plate,
        "Time in all": (
            f"{minutes_text(plan.choices.minutes)}, with "
            f"{minutes_text(plan.known.field_overhead_minutes)} to find and focus each"
        ),
        "Lines": ", ".join(best.lines.values()),
    }
    said = Fragment(f'<p class="lead"><strong>{unbroken(plan.sentence)}</strong></p>')
    return joined([said, facts_table("Settings", rows)]).html


def _promises(plan: Plan) -> str:
    rows = []
    for row in plan.promises.to_dict("records"):
        wrong = "not tried"
        if row["n_made"]:
            wrong = f"{_part(row['wrong'])} (at most {_part(row['wrong_high'])})"
        mark = "●" if row["verdict"] == "decided" else "○"
        rows.append((row["question"], f"{mark} {_within(row)}", wrong, str(row["n_made"]),
                     _part(row["screened"])))  # fmt: skip
    heads = ("question", "decided of 100", "wrongly of 100", "made fields", "counting allows")
    said = (
        "Of 100 sessions as chosen, how many decide the question (95 % interval from the made "
        "fields), half of them with the thing asked about and half without; the last column is "
        "the limit by counting statistics alone"
    )
    tried = plan.n_made or "No"
    tail = [
        "● decided in at least 90 of 100, wrongly in at most 5; ○ open.",
        f"{tried} fields were made and analysed as your maps will be.",
    ]
    if plan.is_sparse:
        tail.append(
            "Few fields a question leave wide intervals: ask less at once, or give more with "
            "--made-fields."
        )
    return joined([table(said, heads, rows), paragraphs(tail)]).html


def _within(row: Mapping[Any, Any]) -> str:
    if not row["n_made"]:
        return f"{_part(row['decided'])} at most"
    return f"{_part(row['decided'])} ({_part(row['decided_low'])} to {_part(row['decided_high'])})"


def _part(value: float) -> str:
    return "–" if not math.isfinite(value) else f"{100 * value:.0f}"


def _open(plan: Plan) -> str:
    said = list(plan.left)
    if not said:
        where, tail = "of 100 cases", " by counting alone; made fields may say less"
        if plan.n_made:
            few = (plan.promises["decided_low"] < 0.9).any()
            where, tail = "of 100 made fields", "; the intervals above say how sure" if few else ""
        said = [f"Nothing: every question is decided in at least 90 {where}{tail}."]
        return paragraphs(said).html
    return bullets(said, "open").html


def _curve_words(plan: Plan) -> str:
    said = [
        (
            "Lines: what counting alone allows at each energy. Points: what the analysis reached "
            "on made fields (hollow: on the parts of fields by which the energies were ranked); "
            "crosses: how often it was wrong. Where points lie below their line, the analysis "
            "needs more than counting statistics demand: believe the points."
        ),
    ]
    if not plan.n_made:
        said = ["Lines: what counting alone allows at each energy. No field was made."]
    return paragraphs(said).html


def _lines(plan: Plan) -> str:
    best = plan.best.beam_energy_keV
    energies = sorted(set(plan.lines["beam_energy_keV"]), key=lambda energy: energy != best)
    said = [
        f"At {energy:g} keV trust the composition of droplets from {figures(um, significant=2)} µm "
        "on; smaller ones let electrons into the glass."
        for energy, um in plan.trusted.items()
    ]
    others = joined([_lines_at(plan, energy) for energy in energies[1:]]).html
    if others:
        others = f"<details><summary>Lines at the other energies</summary>{others}</details>"
    return _lines_at(plan, best).html + bullets(said, "trusted").html + others


def _lines_at(plan: Plan, energy: float) -> Fragment:
    rows = []
    for row in plan.lines[plan.lines["beam_energy_keV"] == energy].to_dict("records"):
        overlaps = row["overlaps"] or "none"
        if row["overlaps"]:
            overlaps += f" (up to {100 * row['leak']:.0f} % of its counts)"
        rows.append((row["line"], f"{row['beam_over_edge']:.2g}",
                     figures(row["counts_on_metal"], significant=2),
                     figures(row["counts_on_glass"], significant=2), overlaps))  # fmt: skip
    heads = ("line", "beam over edge", "counts a pixel on metal", "on bare glass",
             "overlaps with lines of")  # fmt: skip
    return table(f"At {energy:g} keV, with what the time gives", heads, rows)


def curves_picture(plan: Plan) -> Picture:
    """Return decided and wrong against minutes, a panel a question, energies side by side."""
    from spattermap.show.pictures.canvas import (
        BLUE,
        GREEN,
        ORANGE,
        PURPLE,
        RULE,
        SKY,
        VERMILION,
        Picture,
    )

    topics = [question.topic for question in plan.questions]
    columns = min(2, len(topics))
    lines = math.ceil(len(topics) / columns)
    alt = (
        "For each question, the part of sessions that decide it against minutes, one line an "
        "energy; the numbers stand in curves.csv and, for the chosen time, in the table above."
    )
    picture = Picture(alt=alt, figsize=(4.2 * columns, 2.5 * lines + 0.5))
    panels = picture.subplots(lines, columns, squeeze=False, sharex=True, sharey=True)
    energies = sorted(set(plan.curves["beam_energy_keV"]))
    looks = list(zip((BLUE, ORANGE, GREEN, VERMILION, PURPLE, SKY), "osD^vP", strict=True))
    dashes = ("-", "--", "-.", ":", (0, (5, 1, 1, 1)), (0, (1, 1)))
    for k, panel in enumerate(panels.flat):
        if k >= len(topics):
            panel.set_axis_off()
            continue
        own = plan.curves[plan.curves["topic"] == topics[k]]
        for j, energy in enumerate(energies):
            colour, sign = looks[j % len(looks)]
            held = own[own["beam_energy_keV"] == energy]
            closed = held[held["source"] == "closed form"]
            panel.plot(closed["minutes"], 100 * closed["decided"], color=colour,
                       linestyle=dashes[j % len(dashes)], marker=sign, markevery=[],
                       label=f"{energy:g} keV")  # fmt: skip
            for source, inside in (("parts", "none"), ("made fields", colour)):
                made = held[held["source"] == source]
                # Energies that were tried for the same time stand side by side.
                minutes = made["minutes"] * 1.06 ** (j - (len(energies) - 1) / 2)
                panel.plot(minutes, 100 * made["decided"], sign, color=colour, markersize=6,
                           markerfacecolor=inside, markeredgecolor=colour)  # fmt: skip
                panel.plot(minutes, 100 * made["wrong"], "x", color=colour, markersize=6)
        panel.axvline(plan.choices.minutes, color=RULE, zorder=0)
        panel.set_title(topics[k], loc="left", fontsize=10)
        panel.set_xscale("log")
        panel.set_ylim(-4, 104)
        # The chosen time, and those beside it at which fields were made, stand at the axis.
        panel.set_xticks([plan.choices.minutes * factor for factor in (0.1, 1 / 3, 1, 3, 10)])
        panel.minorticks_off()
        panel.xaxis.set_major_formatter(lambda value, _: f"{value:.3g}")
    for column in panels.T:
        last = [panel for panel in column if panel.axison][-1]
        last.set_xlabel("minutes in all")
        last.tick_params(labelbottom=True)
    for row in panels:
        row[0].set_ylabel("of 100 sessions")
    picture.legend(*panels.flat[0].get_legend_handles_labels(), loc="outside upper left",
                   ncols=min(len(energies), 3 * columns), frameon=False)  # fmt: skip
    return picture

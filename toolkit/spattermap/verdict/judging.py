"""The verdict table.

Several fields of one deposit, judged together: their sums add, their differences are flagged.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd

from spattermap.core.estimate import UNKNOWN, Estimate
from spattermap.verdict.evidence import ElementEvidence
from spattermap.verdict.gather import Context
from spattermap.verdict.oxygen import oxygen_evidence, oxygen_sentences
from spattermap.verdict.rules import CLAIMS, Condition, between, decide, on_metal, parted_in_pixels
from spattermap.verdict.sentences import next_step, reasons
from spattermap.verdict.weighing import evidence_of


def judge(context: Context, *, oxygen: pd.DataFrame | None = None) -> pd.DataFrame:
    """Say of each element whether it came down with the alloy: one row an element.

    The columns of ``elements.csv`` (levels per pixel of the field, r_alloy and r_substrate of
    single pixels, NaN where metal and bare area were not told apart), then rule (the line of
    `rules.CONDITIONS` that held), share_not_following (with _low and _high), net_mean_counts (mean
    less its likely background, to be held against detection_limit_counts), z_on_metal and z_between
    (standard errors above all that background, glass and haze may give).

    A share is of the deposited signal: counts less what substrate and background give. In a deposit
    of one metal there is no other alloy element: r_alloy is then its correlation with the shadow
    the deposit throws on the substrate lines. Without a blank, what lies evenly between the
    deposits stays undecided.
    """
    evidence = {element: evidence_of(context, element) for element in context.levels.elements}
    apart = tuple(e for e, one in evidence.items() if _lies_apart(one))
    if apart and len(context.roles.alloy) > 2:  # what lies apart is no yardstick for the rest
        evidence = {element: evidence_of(context, element, apart=apart) for element in evidence}
    if "O" in evidence and "O" not in context.roles.alloy:
        said = oxygen_sentences(oxygen_evidence(context) if oxygen is None else oxygen)
        evidence["O"] = replace(evidence["O"], notes=(*evidence["O"].notes, *said))
    names = (str(line) for line in context.maps["line"].values)
    lines = dict(zip(evidence, names, strict=True))
    return pd.DataFrame([_row(one, decide(one), lines[e]) for e, one in evidence.items()])


def _lies_apart(e: ElementEvidence) -> bool:
    """Say whether an alloy element lies apart, or may: either way it is no yardstick."""
    may = between(e) or (on_metal(e) and parted_in_pixels(e))
    return e.role == "alloy" and not e.is_matrix and (decide(e).verdict in CLAIMS or may)


def _row(e: ElementEvidence, condition: Condition, line: str) -> dict[str, Any]:
    if not e.divided:
        # On a plate without metal it is noise over noise, and nothing here tells that from a film.
        e = replace(e, r_alloy=UNKNOWN, r_substrate=UNKNOWN)
    unseen = condition.verdict == "undecided" and not (on_metal(e) or between(e))
    if e.role != "substrate" and (unseen or condition.verdict in ("substrate", "not_detected")):
        # Shares of a deposit that is not there, or not shown to be, are noise over noise.
        e = replace(e, in_droplets=UNKNOWN, with_alloy=UNKNOWN, rest=UNKNOWN)
    return {
        "element": e.element,
        "line": line,
        "role": e.role,
        "mean_counts": e.mean,
        "detection_limit_counts": e.detection_limit,
        **_bounded("share_in_droplets", e.in_droplets),
        **_bounded("share_with_alloy", e.with_alloy),
        **_bounded("r_alloy", e.r_alloy),
        **_bounded("r_substrate", e.r_substrate),
        "p_value": e.p_value,
        "verdict": condition.verdict,
        "reasons": reasons(e, condition),
        "next_step": next_step(e, condition),
        "rule": condition.name,
        **_bounded("share_not_following", e.rest),
        "net_mean_counts": e.net,
        "z_on_metal": e.z_metal,
        "z_between": e.z_rest,
    }


def _bounded(name: str, one: Estimate) -> dict[str, float]:
    return {name: one.value, f"{name}_low": one.low, f"{name}_high": one.high}

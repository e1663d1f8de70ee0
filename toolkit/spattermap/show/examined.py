"""What was tested of the maps before anything was believed, as pieces of a page."""

from __future__ import annotations

import math
from html import escape
from typing import TYPE_CHECKING, Any

from spattermap.show.pieces import Fragment, table
from spattermap.show.wording import figures, percent

if TYPE_CHECKING:
    from spattermap.examine.finding import Finding


def examination(analysis: Any) -> Fragment:
    """Return every test with its finding, folded away."""
    found = analysis.examination
    heads = ("Test", "Of", "Finding", "Value", "Allowed", "What follows")
    rows = [
        (one.check, one.subject, one.finding.replace("_", " "), figures(one.value), _allowed(one),
         one.consequence or "–")
        for one in found.findings
    ]  # fmt: skip
    n = sum(one.finding != "not_examined" for one in found.findings)
    said = f"Examination of the maps: {n} tests, "
    said += (
        "nothing found"
        if found.is_sound
        else f"{len(found.alarms)} finding{'s' * (len(found.alarms) != 1)}"
    )
    whole = table("All columns: examination.csv", heads, rows)
    html = f'<details class="examination"><summary>{escape(said)}</summary>{whole.html}</details>'
    return Fragment(html, said)


def _allowed(one: Finding) -> str:
    """Return on which side of its limit a value may lie, as the finding shows it."""
    if not math.isfinite(one.limit) or not math.isfinite(one.value):
        return "–"
    if one.finding == "not_examined" or (one.consequence and not one.is_alarm):
        return figures(one.limit)
    above = one.value > one.limit
    return f"{'at most' if above == one.is_alarm else 'at least'} {figures(one.limit)}"


def part_seen(analysis: Any) -> str:
    """Return the part of the field that numbers are for, "" where it is nearly all of it."""
    if "valid" not in analysis.maps:
        return ""
    alarms = analysis.examination.alarms
    lost = any(m.kind in ("mask", "expose", "shift") for one in alarms for m in one.mends)
    part = float(analysis.maps["valid"].mean())
    return f"of the {percent(part)} of the field that was seen" if lost and part < 0.95 else ""

"""The verdict for each element: did the alloy stay an alloy, and what would settle it."""

from __future__ import annotations

from spattermap.separation.composition import DropletComposition, droplet_composition
from spattermap.separation.evidence import Estimate, Evidence
from spattermap.separation.fields import join_fields, judge_fields
from spattermap.separation.gather import Context, gather
from spattermap.separation.judging import judge, judge_all
from spattermap.separation.metal_shares import metal_shares
from spattermap.separation.oxygen import oxygen_evidence
from spattermap.separation.rules import CONDITIONS, Condition, decide
from spattermap.separation.sentences import next_step, reasons
from spattermap.separation.trust import CompositionLimit, composition_limit
from spattermap.separation.weighing import evidence_of

__all__ = [
    "CONDITIONS",
    "CompositionLimit",
    "Condition",
    "Context",
    "DropletComposition",
    "Estimate",
    "Evidence",
    "composition_limit",
    "decide",
    "droplet_composition",
    "evidence_of",
    "gather",
    "join_fields",
    "judge",
    "judge_all",
    "judge_fields",
    "metal_shares",
    "next_step",
    "oxygen_evidence",
    "reasons",
]

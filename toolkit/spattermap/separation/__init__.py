"""The verdict for each element: did the alloy stay an alloy, and what would settle it."""

from __future__ import annotations

from spattermap.separation.evidence import Estimate, Evidence
from spattermap.separation.gather import Context, evidence_of, gather
from spattermap.separation.judging import judge
from spattermap.separation.rules import CONDITIONS, Condition, decide
from spattermap.separation.sentences import next_step, reasons

__all__ = [
    "CONDITIONS",
    "Condition",
    "Context",
    "Estimate",
    "Evidence",
    "decide",
    "evidence_of",
    "gather",
    "judge",
    "next_step",
    "reasons",
]

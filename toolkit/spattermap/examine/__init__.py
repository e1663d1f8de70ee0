"""Is each map what it claims to be: the tests that come before any answer.

Every later step assumes that the maps are counts, of one field, on one grid, at one dose, the
same way up, with a known blank. Real exports break each of these, and the break looks like a
finding. `examine` tests them on the maps alone, mends what can be mended soundly, and says which
answers must be withheld.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

from spattermap.examine.finding import Finding, Mend, Withheld
from spattermap.examine.stated import one_sided
from spattermap.examine.table import COLUMNS, FINDINGS, TESTS, Examination, examine
from spattermap.examine.withhold import (
    with_dropped_pairs,
    withheld_numbers,
    withheld_verdicts,
    without_maps,
)

__all__ = [
    "COLUMNS",
    "FINDINGS",
    "TESTS",
    "Examination",
    "Finding",
    "Mend",
    "Withheld",
    "examine",
    "one_sided",
    "with_dropped_pairs",
    "withheld_numbers",
    "withheld_verdicts",
    "without_maps",
]


class _CallableRoom(ModuleType):
    """The room under its public name: ``spattermap.examine(maps)`` is `table.examine`."""

    def __call__(self, *args: Any, **options: Any) -> Examination:
        return examine(*args, **options)


# A package and a function cannot share a name in their parent, and both names are fixed.
sys.modules[__name__].__class__ = _CallableRoom

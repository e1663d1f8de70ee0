"""Compile the loops of an analysis from the last to the first, in a process of its own.

The command starts it where something is compiled at all (`core/lean.py`). The analysis meanwhile
compiles from the first on, so that two processors have half of it each; what one has compiled
the others read from disk. Where there are more processors, each begins with other loops.
"""

from __future__ import annotations

import sys
from typing import Any

import numpy as np


def loops() -> list[tuple[Any, tuple[Any, ...]]]:
    """Return the compiled loops that an analysis calls, the last first, and arguments as theirs."""
    from spattermap.core import region_kernels as regions
    from spattermap.measure import placement
    from spattermap.segment import (
        basins,
        hills,
        image_regions,
        image_registration,
        level,
        lobes,
        parting,
    )
    from spattermap.xrays import _march

    whole, label, picture = (np.zeros((1, 1), kind) for kind in (np.int64, np.int32, np.float32))
    table = np.zeros((1, 1))
    numbers, row, column = whole[0], table[0], picture[0]
    four, evidence = (1, 1, 1, 1), lobes.Evidence(1.0, 1.0, 1.0)
    flags = np.zeros(1, np.bool_)
    state = lobes._State(table, flags, table, numbers, numbers, flags)
    passes, rule = parting.Passes(label[0], label[0], column), parting.Rule(1.0, 1.0)
    counts = np.zeros((1, 1, 1), np.uint16)
    return [
        (placement._over_pairs, (table, (1.0, 1.0), row, 1.0)),
        (placement.place, (row, (1.0, 1.0), 1, table)),
        (_march.march, (table, (np.zeros((1, 1, 1, 1)), table, 1), row, row, (row, row))),
        (regions.add_signals, (label, counts, numbers, table)),
        (regions.shape_of_labels, (label, numbers, (1, 1), whole, row)),
        (regions.group_runs, (label, numbers)),
        (image_regions._squares, (label, np.zeros((1, 1), np.bool_), whole, row)),
        (lobes.paint, (label, table, numbers, 1, 1)),
        (lobes._strays, (table, table, evidence)),
        (lobes._try_parting, (state, 1, 1, evidence)),
        (lobes._try_joining, (state, 1, evidence)),
        (lobes._accept, (state, numbers, table, numbers, numbers)),
        (lobes._harmonics, (row, table)),
        (lobes._fit_alone, (table, numbers, table, evidence)),
        (parting.elongation, (numbers,)),
        (lobes._crossings, (picture, label, column, four, (1, 1, 1))),
        (regions.find_runs, (label, 1, 1)),
        (regions.count_runs, (label,)),
        (basins._cut_levels, (label[0], column, 1, column, 1.0)),
        (basins._grow, (label, picture, 1.0, four)),
        (parting.pixel_sums, (label, 1, 1, 1)),
        (parting._merge, (passes, column, whole, rule)),
        (parting._saddles, (label, picture, label)),
        (image_registration._lower, (picture, picture)),
        (hills._ascend, (picture, label, four)),
        (level.block_sums, (picture, np.zeros((1, 1), np.bool_), 1)),
    ]


# Loops after which the next helper begins: a third of the compiling that the analysis leaves them.
_SHARE = 4


def compile_all(helper: int = 0) -> None:
    """Compile the loops, or read from disk those that are compiled."""
    from numba import typeof

    every = loops()
    first = helper * _SHARE
    for loop, arguments in every[first:] + every[:first]:
        loop.compile(tuple(typeof(one) for one in arguments))  # type: ignore[no-untyped-call]


if __name__ == "__main__":
    compile_all(int(sys.argv[1]))

"""Several fields of one deposit, judged together: their sums add, their differences are flagged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import reduce
from typing import TYPE_CHECKING

from spattermap.errors import InputError
from spattermap.separation.binning import square_moments
from spattermap.separation.gather import Context
from spattermap.separation.judging import judge_all
from spattermap.separation.levels import measure_levels
from spattermap.separation.rules import CLAIMS

if TYPE_CHECKING:
    import pandas as pd


def join_fields(contexts: Sequence[Context]) -> Context:
    """Return the sums of several fields of one deposit as one.

    Parameters
    ----------
    contexts : sequence of Context
        From `gather`, one a field, all mapped under the same conditions.

    Returns
    -------
    Context
        Its blocks are those of all fields, so that what differs from field to field widens every
        interval.

    Raises
    ------
    InputError
        If there is no field, or the fields differ in elements or roles.
    """
    if not contexts:
        raise InputError("contexts must hold at least one field, got none. Gather a field first.")
    first = contexts[0]
    for other in contexts[1:]:
        if other.sums.elements != first.sums.elements or other.roles != first.roles:
            raise InputError(
                f"contexts must share elements and roles, got {', '.join(first.sums.elements)} and "
                f"{', '.join(other.sums.elements)}. Map every field with the same lines."
            )
    sums = reduce(lambda a, b: a.merge(b), (one.sums for one in contexts))
    # Squares of one size: the smallest, which no field's droplets are too small for.
    side = min(one.side_px for one in contexts)
    squares = [
        one.squares if one.side_px == side else square_moments(one.maps, side=side)
        for one in contexts
    ]
    known = [one for one in squares if one is not None]
    bare = [one.bare for one in contexts if one.bare is not None]
    sizes = [one.droplet_um for one in contexts if one.droplet_um is not None]
    return replace(
        first,
        sums=sums,
        levels=measure_levels(
            sums, first.roles, first.state, blank=first.blank, settings=first.settings
        ),
        moments=reduce(lambda a, b: a.merge(b), (one.moments for one in contexts)),
        bare=reduce(lambda a, b: a.merge(b), bare) if bare else None,
        droplet_um=max(sizes) if sizes else None,
        squares=reduce(lambda a, b: a.merge(b), known) if known else None,
        side_px=side,
        more=tuple(field for one in contexts for field in one.fields)[1:],
    )


def judge_fields(contexts: Sequence[Context]) -> pd.DataFrame:
    """Judge several fields of one deposit together.

    Parameters
    ----------
    contexts : sequence of Context
        From `gather`, one a field.

    Returns
    -------
    pandas.DataFrame
        The rows of `judge`, then n_fields, field_verdicts (the word of each field alone, in order)
        and fields_disagree: True where one field says that the element came down with the alloy
        and another that it did not.

    Raises
    ------
    InputError
        If the fields do not belong together.
    """
    table = judge_all(join_fields(contexts))
    single = [judge_all(one)["verdict"].tolist() for one in contexts]
    words = [[verdicts[row] for verdicts in single] for row in range(len(table))]
    table["n_fields"] = len(contexts)
    table["field_verdicts"] = [", ".join(row) for row in words]
    table["fields_disagree"] = [
        "with_alloy" in row and any(word in CLAIMS for word in row) for row in words
    ]
    for row in table.index[table["fields_disagree"]]:
        note = f" The fields disagree ({table.loc[row, 'field_verdicts']}): map more of them."
        table.loc[row, "reasons"] += note
    return table

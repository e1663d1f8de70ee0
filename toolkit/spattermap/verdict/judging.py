"""The verdict table.

Several fields of one deposit, judged together: their sums add, their differences are flagged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import reduce
from typing import TYPE_CHECKING, Any

from spattermap.core.errors import InputError
from spattermap.core.settings import Settings
from spattermap.verdict.evidence import UNKNOWN, Estimate, Evidence
from spattermap.verdict.gather import Context, gather
from spattermap.verdict.oxygen import oxygen_evidence, oxygen_sentences
from spattermap.verdict.rules import CLAIMS, Condition, between, decide
from spattermap.verdict.sentences import next_step, reasons
from spattermap.verdict.signal_levels import measure_levels
from spattermap.verdict.weighing import evidence_of
from spattermap.verdict.zones import square_moments

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from spattermap.core.mapset import Roles
    from spattermap.noise.moments import BlockMoments
    from spattermap.segment.result import Segmentation


def judge(
    maps: xr.Dataset,
    moments: BlockMoments,
    roles: Roles,
    segmentation: Segmentation,
    *,
    blank: xr.Dataset | None = None,
    settings: Settings | None = None,
) -> pd.DataFrame:
    """Say of each element whether it came down with the alloy.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    moments : BlockMoments
        Its block moments.
    roles : Roles
        Which element belongs to alloy, substrate or neither.
    segmentation : Segmentation
        Its division into droplets, streaks and bare.
    blank : xarray.Dataset, optional
        The bare substrate mapped under the same conditions. Without it, what lies evenly between
        the deposits stays undecided.
    settings : Settings, optional
        Choices.

    Returns
    -------
    pandas.DataFrame
        One row an element, the columns of ``elements.csv``: element, line, role, mean_counts,
        detection_limit_counts (per pixel of the field), share_in_droplets, share_with_alloy,
        r_alloy, r_substrate (of single pixels; each with _low and _high; NaN where metal and bare
        area were not told apart), p_value, verdict, reasons, next_step;
        then rule (the line of `rules.CONDITIONS` that held), share_not_following (with _low and
        _high), z_on_metal and z_between (standard errors above all that background, glass and
        haze may give).

    Notes
    -----
    The rule stands in `spattermap.verdict.rules`. A share is of the deposited signal: counts
    less what substrate and background give. In a deposit of one metal there is no other alloy
    element: r_alloy is then its correlation with the shadow the deposit throws on the substrate
    lines.
    """
    chosen = settings or Settings()
    context = gather(maps, moments, roles, segmentation, blank=blank, settings=chosen)
    return judge_all(context)


def judge_all(context: Context) -> pd.DataFrame:
    """Return the rows of `judge` from what was gathered.

    Parameters
    ----------
    context : Context
        As `gather` gives it.

    Returns
    -------
    pandas.DataFrame
    """
    import pandas as pd

    evidence = {element: evidence_of(context, element) for element in context.levels.elements}
    apart = tuple(e for e, one in evidence.items() if _lies_apart(one))
    if apart and len(context.roles.alloy) > 2:  # what lies apart is no yardstick for the rest
        evidence = {element: evidence_of(context, element, apart=apart) for element in evidence}
    if "O" in evidence and "O" not in context.roles.alloy:
        said = oxygen_sentences(oxygen_evidence(context))
        evidence["O"] = replace(evidence["O"], notes=(*evidence["O"].notes, *said))
    names = (str(line) for line in context.maps["line"].values)
    lines = dict(zip(evidence, names, strict=True))
    return pd.DataFrame([_row(one, decide(one), lines[e]) for e, one in evidence.items()])


def _lies_apart(e: Evidence) -> bool:
    """Say whether an alloy element lies apart, or may: either way it is no yardstick."""
    return e.role == "alloy" and not e.is_matrix and (decide(e).verdict in CLAIMS or between(e))


def _row(e: Evidence, condition: Condition, line: str) -> dict[str, Any]:
    if not e.divided:
        # On a plate without metal it is noise over noise, and nothing here tells that from a film.
        e = replace(e, r_alloy=UNKNOWN, r_substrate=UNKNOWN)
    if condition.verdict in ("substrate", "not_detected") and e.role != "substrate":
        # Shares of a deposit that is not there are noise over noise.
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
        "z_on_metal": e.z_metal,
        "z_between": e.z_rest,
    }


def _bounded(name: str, one: Estimate) -> dict[str, float]:
    return {name: one.value, f"{name}_low": one.low, f"{name}_high": one.high}


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

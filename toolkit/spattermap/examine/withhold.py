"""Where the answers that rest on a fault are taken back: the one place that does it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

if TYPE_CHECKING:
    from spattermap.examine.finding import Withheld

RULE = "withheld by the examination"
# Words that a map's scale decides: by how much more there is than the alloy could have supplied.
BY_SUPPLY = ("foreign",)
# Words that say whether a metal follows the others: without the main one they would be drawn
# against a minor one.
BY_MAIN = ("with_alloy", "separated", "partly_separated", "foreign")
NO_PART = ("its map took no part in the analysis", "export it anew")
_SHARES = ("share_in_droplets", "share_with_alloy", "share_not_following")
_CORRELATIONS = ("r_alloy", "r_substrate")
_NUMBERS = {
    "coverage": ("coverage",),
    "sizes": ("d10_um", "d50_um", "d90_um", "area_d50_um"),
    "shares": ("share_droplets", "share_streaks", "share_haze"),
    "resistivity": ("times_bulk", "implied_resistivity", "bulk_thickness"),
}


def without_maps(maps: xr.Dataset, dropped: Sequence[str]) -> xr.Dataset:
    """Return a map set without some maps; the same object where there are none."""
    if not dropped:
        return maps
    return maps.sel(element=[e for e in maps["element"].values if str(e) not in dropped])


def with_dropped_pairs(pairs: pd.DataFrame, dropped: Sequence[str]) -> pd.DataFrame:
    """Return the table of pairs with rows of nothing known for maps that took no part."""
    if not dropped:
        return pairs
    names = list(dict.fromkeys([*pairs["element_a"], *pairs["element_b"], *dropped]))
    more = [
        {"element_a": a, "element_b": b}
        for k, a in enumerate(names)
        for b in names[k + 1 :]
        if a in dropped or b in dropped
    ]
    return pd.concat([pairs, pd.DataFrame(more).reindex(columns=pairs.columns)], ignore_index=True)


def withheld_verdicts(
    elements: pd.DataFrame,
    held: Withheld,
    *,
    missing: Sequence[Mapping[str, Any]] = (),
    order: Sequence[str] = (),
    main: str | None = None,
) -> pd.DataFrame:
    """Return the table of elements with the words that rest on a fault taken back.

    Parameters
    ----------
    elements : pandas.DataFrame
        One row an element, as the verdict gives it.
    held : Withheld
        What must not be said.
    missing : sequence of mapping, optional
        What is known (element, line, role, mean_counts) of maps that took no part.
    order : sequence of str, optional
        All elements, in the order of the rows.
    main : str, optional
        Main element of the alloy, against which the words on the other metals are drawn.

    Returns
    -------
    pandas.DataFrame
        A new table; a word taken back is ``undecided``, with the fault as its reason.
    """
    if not held.anything and not missing:
        return elements
    table = elements.copy()
    # A main metal whose own word is held is as good as missing: the others are drawn against it.
    without_main = held.of("verdict", str(main)) is not None or any(
        one["element"] == main for one in missing
    )
    for place, row in zip(table.index, elements.itertuples(index=False), strict=True):
        element, verdict = str(row.element), str(row.verdict)
        shares = held.of("shares", element)
        why = held.of("verdict", element)
        if why is None and shares is not None and verdict in BY_SUPPLY:
            why = shares
        if why is None and without_main and verdict in BY_MAIN:
            reason, step = held.of("verdict", str(main)) or NO_PART
            why = (f"{main}, the main metal, cannot be compared with: {reason}", step)
        if why is not None and _is_claim(row):
            _take_back(table, place, why)
        if why is not None or shares is not None:
            _blank(table, place, _SHARES)
    return _with_missing(table, held, missing, order) if missing else table


def _with_missing(
    table: pd.DataFrame, held: Withheld, missing: Sequence[Mapping[str, Any]], order: Sequence[str]
) -> pd.DataFrame:
    rows = [row_of_dropped(one, held.of("verdict", one["element"]) or NO_PART) for one in missing]
    more = pd.DataFrame(rows).reindex(columns=table.columns).astype(
        {name: kind for name, kind in table.dtypes.items() if kind == np.float64}
    )  # fmt: skip
    whole = pd.concat([table, more], ignore_index=True)
    places = {element: k for k, element in enumerate(order)}
    return whole.sort_values("element", key=lambda e: e.map(places)).reset_index(drop=True)


def _is_claim(row: Any) -> bool:
    """Say whether the word rests on the map: that a stated glass is glass does not."""
    return not (row.verdict == "substrate" and row.role == "substrate")


def _take_back(table: pd.DataFrame, place: Any, why: tuple[str, str]) -> None:
    reason, step = why
    table.loc[place, "verdict"] = "undecided"
    table.loc[place, "reasons"] = _sentence(reason)
    table.loc[place, "next_step"] = step
    if "rule" in table:
        table.loc[place, "rule"] = RULE
    _blank(table, place, (*_CORRELATIONS, "p_value"))


def _blank(table: pd.DataFrame, place: Any, names: tuple[str, ...]) -> None:
    for name in names:
        for column in (name, f"{name}_low", f"{name}_high"):
            if column in table:
                table.loc[place, column] = np.nan


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def row_of_dropped(columns: Mapping[str, Any], why: tuple[str, str]) -> dict[str, Any]:
    """Return the row of an element whose map took no part, from its first columns and why."""
    reason, step = why
    return {
        **columns, "verdict": "undecided", "reasons": _sentence(reason), "next_step": step,
        "rule": RULE,
    }  # fmt: skip


def withheld_numbers(numbers: Mapping[str, Any], held: Withheld) -> dict[str, Any]:
    """Return headline numbers with those that rest on a fault taken out (NaN).

    Parameters
    ----------
    numbers : mapping of str to float or bool
        Headline numbers, lengths in ``_um``.
    held : Withheld
        What must not be said.
    """
    taken: list[str] = []
    if held.coverage:
        taken += _NUMBERS["coverage"]
    if held.sizes:
        taken += _NUMBERS["sizes"]
    if held.of("shares", "metal"):
        taken += _NUMBERS["shares"]
    if held.coverage or held.connection or held.of("shares", "metal"):
        taken += _NUMBERS["resistivity"]
    for axis in held.connection:
        taken += [f"connected_{axis}", f"sheet_conductance_ratio_{axis}", f"gap_to_cross_{axis}",
                  f"neck_{axis}"]  # fmt: skip
    if held.connection:
        taken += ["connected_share", "dose_to_connect"]
    return {
        name: float("nan") if any(name.startswith(one) for one in taken) else value
        for name, value in numbers.items()
    }

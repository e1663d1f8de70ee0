"""Pictures of many deposits: one result against one setting."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from spattermap.core.errors import InputError, unknown_name
from spattermap.show.pictures.canvas import (
    BLUE,
    GREEN,
    ORANGE,
    PURPLE,
    VERMILION,
    Picture,
    legend,
    nothing_to_draw,
    picture,
    plain,
    plain_axes,
)
from spattermap.show.wording import words_of

_LOOKS = ((BLUE, "o"), (VERMILION, "s"), (GREEN, "^"), (ORANGE, "D"), (PURPLE, "v"))


def sweep_chart(
    table: pd.DataFrame, setting: str, results: list[str], *, group: str | None = None
) -> Picture:
    """Draw results of many deposits against one setting, each with its interval.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a deposit; a result ``name`` may have bounds ``name_low`` and ``name_high``.
    setting : str
        Column on the horizontal axis, numbers or words.
    results : list of str
        Columns drawn, one panel each.
    group : str, optional
        Column whose values get their own sign and colour; at most five values.

    Raises
    ------
    InputError
        If a column does not exist, or `group` has more than five values.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"charge_J": [90, 180, 320], "coverage": [0.2, 0.4, 0.7]})
    >>> sweep_chart(table, "charge_J", ["coverage"]).alt
    'coverage of 3 deposits against charge_J.'
    """
    for name in (setting, *results, *([group] if group else [])):
        if name not in table.columns:
            raise InputError(unknown_name("table: column", name, [str(c) for c in table.columns]))
    if not len(table) or not results:
        return nothing_to_draw("Sweep not drawn: the table holds no deposit.")
    groups = sorted(table[group].astype(str).unique()) if group else [""]
    if len(groups) > len(_LOOKS):
        raise InputError(
            f"group must have at most {len(_LOOKS)} different values, got {len(groups)}. "
            "More signs cannot be told apart; draw the groups one by one."
        )
    alt = f"{', '.join(results)} of {len(table)} deposits against {setting}."
    sheet = picture(5.8, 0.7 + 2.1 * len(results), alt=alt)
    panels = sheet.subplots(len(results), 1, sharex=True, squeeze=False).ravel()
    for axes, result in zip(panels, results, strict=True):
        for (colour, sign), name in zip(_LOOKS, groups, strict=False):
            rows = table[table[group].astype(str) == name] if group else table
            _draw(axes, rows, setting, result, look=(colour, sign, name))
        axes.set_ylabel(plain(words_of(result)))
        plain_axes(axes, grid="y")
    panels[-1].set_xlabel(plain(words_of(setting)))
    if group:
        handles, labels = panels[0].get_legend_handles_labels()
        legend(sheet, handles, labels, ncols=len(groups), fontsize=9, title=plain(words_of(group)))
    return sheet


def _draw(
    axes: Any, rows: pd.DataFrame, setting: str, result: str, *, look: tuple[str, str, str]
) -> None:
    colour, sign, name = look
    value = rows[result].to_numpy(dtype=float)
    ends = (f"{result}_low", f"{result}_high")
    spread = None
    if all(end in rows for end in ends):
        low, high = (rows[end].to_numpy(dtype=float) for end in ends)
        spread = np.nan_to_num(np.clip([value - low, high - value], 0, None))
    column = rows[setting]
    numeric = column.dtype.kind in "iuf"
    x = column.to_numpy(dtype=float) if numeric else column.astype(str).to_numpy()
    axes.errorbar(x, value, yerr=spread, fmt=sign, color=colour, markersize=6, capsize=3,
                  elinewidth=1.2, label=plain(name))  # fmt: skip

"""What to look at twice, and which settings to try next: suggestions, never certainty."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.show.wording import percent, words_of
from spattermap.sweeps.effects import numeric_columns

if TYPE_CHECKING:
    import pandas as pd

# Rows of advice of each kind; more would bury the reader.
_MOST_OF_A_KIND = 3
_ALIKE = (
    "the samples do not differ beyond their bounds: map more fields of each, or move the settings "
    "further apart"
)
# A full grid of tested levels larger than this is no longer a plan.
_MOST_CELLS = 500
# Deviations beyond this many scaled median deviations are called outliers:
# B. Iglewicz and D. C. Hoaglin, How to Detect and Handle Outliers, 1993 (3.5; from memory).
OUTLIER_SCORE = 3.5
_LEAST_FOR_OUTLIERS = 5

# Results that tell how good a setting is, with the sign of good.
GOALS = (("sheet_conductance_ratio", 1), ("coverage", 1), ("share_haze", -1), ("kept_alloy", 1))


def differs(samples: pd.DataFrame, name: str) -> bool:
    """Return whether a result was seen to differ: the bounds of some two samples do not meet.

    Where no sample has bounds the values themselves decide.
    """
    import pandas as pd

    if name not in samples:
        return False
    values = pd.to_numeric(samples[name], errors="coerce")
    if not values.nunique() > 1:
        return False
    ends = [f"{name}_{end}" for end in ("low", "high")]
    if any(end not in samples for end in ends):
        return True
    low, high = (pd.to_numeric(samples[end], errors="coerce") for end in ends)
    both = low.notna() & high.notna() & values.notna()
    return not both.any() or bool(low[both].max() > high[both].min())


def goodness(samples: pd.DataFrame) -> pd.Series[float]:
    """Return how good each sample is, 0 worst.

    The first goal on which samples differ beyond their bounds decides (conductance, or coverage
    where nothing conducts); the mean rank over the other such goals breaks ties. NaN where they
    were not seen to differ in any.
    """
    import pandas as pd

    ranks = {}
    for name, sign in GOALS:
        if differs(samples, name):
            values = sign * pd.to_numeric(samples[name], errors="coerce")
            ranks[name] = (values.rank() - 1) / (values.count() - 1)
    if not ranks:
        return pd.Series(np.nan, index=samples.index)
    first, *others = ranks.values()
    if not others:
        return first
    # Smaller than any step of the first rank, so that it can only break ties.
    return first + pd.DataFrame(others).mean(axis=0).fillna(0.0) / (2.0 * len(samples))


def best_settings(samples: pd.DataFrame, process: Sequence[str]) -> pd.DataFrame:
    """Return the best sample for each goal on which samples differ, and for all together."""
    import pandas as pd

    lines = []
    columns = [("conductance first", goodness(samples), 1)]
    columns += [
        (name, pd.to_numeric(samples[name], errors="coerce"), sign)
        for name, sign in GOALS
        if differs(samples, name)
    ]
    for name, values, sign in columns:
        if values.notna().any() and values.nunique() > 1:
            row = samples.iloc[int(np.nanargmax(sign * values.to_numpy(float)))]
            word = name if sign > 0 else f"least {name}"
            lines.append(
                {
                    "goal": word,
                    "sample": row["sample"],
                    "value": float(row[name]) if name in samples else None,
                    **{setting: row[setting] for setting in process},
                }
            )
    return pd.DataFrame(lines, columns=["goal", "sample", "value", *process])


def outliers(samples: pd.DataFrame, results: Sequence[str]) -> pd.DataFrame:
    """Return samples that lie far from the others of the same alloy.

    B. Iglewicz and D. C. Hoaglin, How to Detect and Handle Outliers, ASQC 1993 (from memory).
    """
    import pandas as pd

    lines = []
    for _, group in samples.groupby("alloy", sort=False):
        for name in results:
            if name not in group:
                continue
            values = pd.to_numeric(group[name], errors="coerce")
            if values.count() < _LEAST_FOR_OUTLIERS:
                continue
            middle = values.median()
            spread = (values - middle).abs().median()
            if not spread > 0:
                continue
            score = 0.6745 * (values - middle).abs() / spread
            lines += [
                {
                    "sample": group.loc[place, "sample"],
                    "result": name,
                    "value": float(values[place]),
                    "median": float(middle),
                    "score": float(score[place]),
                }
                for place in score[score > OUTLIER_SCORE].index
            ]
    return pd.DataFrame(lines, columns=["sample", "result", "value", "median", "score"])


def replicate_scatter(
    samples: pd.DataFrame, process: Sequence[str], results: Sequence[str]
) -> pd.DataFrame:
    """Return the scatter between samples made with equal settings."""
    import pandas as pd

    lines = []
    keys = ["alloy", *process]
    groups = [group for _, group in samples.groupby(keys, sort=False, dropna=False)]
    for name in results:
        if name not in samples:
            continue
        parts = [pd.to_numeric(g[name], errors="coerce").dropna().to_numpy(float) for g in groups]
        parts = [part for part in parts if part.size > 1]
        freedom = sum(part.size - 1 for part in parts)
        if freedom:
            variance = sum(float(((part - part.mean()) ** 2).sum()) for part in parts) / freedom
            mean = float(np.mean(np.concatenate(parts)))
            lines.append(
                {
                    "result": name,
                    "n_groups": len(parts),
                    "n_samples": sum(part.size for part in parts),
                    "scatter": variance**0.5,
                    "scatter_relative": variance**0.5 / abs(mean) if mean else None,
                }
            )
    names = ["result", "n_groups", "n_samples", "scatter", "scatter_relative"]
    return pd.DataFrame(lines, columns=names)


def next_settings(samples: pd.DataFrame, process: Sequence[str]) -> pd.DataFrame:
    """Return settings worth trying next, each with its reason."""
    import pandas as pd

    lines: list[dict[str, Any]] = []
    for alloy, group in samples[samples["n_fields"] > 0].groupby("alloy", sort=False):
        score = goodness(group)
        if score.notna().any():
            best = group.iloc[int(np.nanargmax(score.to_numpy(float)))]
            numeric = numeric_columns(group, process)
            found = _around_best(group, best, numeric, process)
            price = _price(best)
            found = [{**line, "reason": line["reason"] + price} for line in found]
            found += _untested(group, best, process)
            found += _repeats(group, best, process)
            lines += [{"kind": line.pop("kind"), "alloy": alloy, **line} for line in found]
        elif len(group) > 1:
            lines.append({"kind": "nothing differs yet", "alloy": alloy, "reason": _ALIKE})
    return pd.DataFrame(lines, columns=["kind", "alloy", *process, "reason"])


def _price(best: pd.Series[Any]) -> str:
    """Return what the best sample costs in the goals that did not decide."""
    told = []
    for name, words in (("share_haze", "haze"), ("kept_alloy", "alloy kept together")):
        value = best.get(name)
        if value is not None and np.isfinite(float(value)):
            told.append(f"{words} {percent(float(value))}")
    return f" (there: {', '.join(told)})" if told else ""


def _settings_of(row: pd.Series[Any], process: Sequence[str]) -> dict[str, Any]:
    return {name: row[name] for name in process}


def _around_best(
    group: pd.DataFrame, best: pd.Series[Any], numeric: Sequence[str], process: Sequence[str]
) -> list[dict[str, Any]]:
    """Suggest one step beyond the tested range, or the middle of the gap beside the best."""
    lines = []
    for name in numeric:
        levels = np.unique(group[name].dropna().to_numpy(float))
        if np.isnan(float(best[name])):
            continue
        at = int(np.searchsorted(levels, float(best[name])))
        others = "the other settings as in sample " + str(best["sample"])
        if at in (0, levels.size - 1):
            step = levels[1] - levels[0] if at == 0 else levels[-1] - levels[-2]
            value = float(levels[at] + (step if at else -step))
            if value <= 0 < levels[0]:
                value = float(levels[0] / 2)  # a setting that was always positive stays so
            edge = f"{'highest' if at else 'lowest'} {words_of(name)}"
            reason = (
                f"the best sample so far lies at the {edge} tried ({levels[at]:g}); "
                f"one step beyond may be better or worse: {others}"
            )
            lines.append({"kind": "beyond the edge", **_settings_of(best, process), name: value,
                          "reason": reason})  # fmt: skip
        else:
            below, above = levels[at] - levels[at - 1], levels[at + 1] - levels[at]
            near = levels[at + 1] if above >= below else levels[at - 1]
            value = float((levels[at] + near) / 2)
            reason = (
                f"the widest gap beside the best {words_of(name)} ({levels[at]:g}) reaches to "
                f"{near:g}; nothing between was tried: {others}"
            )
            lines.append({"kind": "between the best", **_settings_of(best, process), name: value,
                          "reason": reason})  # fmt: skip
    return lines[:_MOST_OF_A_KIND]


def _untested(
    group: pd.DataFrame, best: pd.Series[Any], process: Sequence[str]
) -> list[dict[str, Any]]:
    """Suggest combinations of tested levels that nobody tried, nearest to the best first."""
    varied = [name for name in process if group[name].nunique() > 1]
    levels = [sorted(group[name].dropna().unique(), key=str) for name in varied]
    cells = int(np.prod([len(values) for values in levels])) if levels else 0
    if len(varied) < 2 or cells > _MOST_CELLS:
        return []
    tried = set(group[varied].itertuples(index=False, name=None))
    missing = [cell for cell in product(*levels) if cell not in tried]
    home = tuple(best[name] for name in varied)
    missing.sort(key=lambda cell: (sum(a != b for a, b in zip(cell, home, strict=True)), str(cell)))
    lines = []
    for cell in missing[:_MOST_OF_A_KIND]:
        same = sum(a == b for a, b in zip(cell, home, strict=True))
        reason = f"never tried together; {same} of {len(varied)} settings are those of the best"
        lines.append({"kind": "untested combination", **_settings_of(best, process),
                      **dict(zip(varied, cell, strict=True)), "reason": reason})  # fmt: skip
    return lines


def _repeats(
    group: pd.DataFrame, best: pd.Series[Any], process: Sequence[str]
) -> list[dict[str, Any]]:
    """Suggest repeating the best, where nobody knows yet how well it repeats."""
    same = group
    for name in process:
        same = same[(same[name] == best[name]) | (same[name].isna() & (best[name] is None))]
    if len(same) > 1:
        return []
    reason = f"only sample {best['sample']} was made so: its replicate scatter is unknown"
    return [{"kind": "repeat", **_settings_of(best, process), "reason": reason}]

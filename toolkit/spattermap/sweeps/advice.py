"""What to look at twice, and which settings to try next: suggestions, never certainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from spattermap.core.estimate import figures
from spattermap.show.wording import percent, words_of
from spattermap.sweeps.effects import numeric_columns

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
_FIRST = {
    "sheet_conductance_ratio": "conductance first", "coverage": "coverage first",
    "share_haze": "least haze first", "kept_alloy": "an alloy kept together first",
}  # fmt: skip


def differs(samples: pd.DataFrame, name: str) -> bool:
    """Return whether a result was seen to differ: the bounds of some two samples do not meet.

    Where no sample has bounds the values themselves decide.
    """
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
    """Return the best sample for all goals on which samples differ together, and for each.

    The first line is named for the goal that decided it.
    """
    lines = []
    columns = [
        (name, pd.to_numeric(samples[name], errors="coerce"), sign)
        for name, sign in GOALS
        if differs(samples, name)
    ]
    if columns:
        columns.insert(0, (_FIRST[columns[0][0]], goodness(samples), 1))
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
    lines = []
    keys = ["alloy", *process]
    groups = [group for _, group in samples.groupby(keys, sort=False, dropna=False)]
    for name in results:
        if name not in samples:
            continue
        parts = [part for g in groups if (part := _numbers(g, name)).size > 1]
        scatter, freedom = _pooled(parts)
        if freedom:
            mean = float(np.mean(np.concatenate(parts)))
            lines.append(
                {
                    "result": name,
                    "n_groups": len(parts),
                    "n_samples": sum(part.size for part in parts),
                    "scatter": scatter,
                    "scatter_relative": scatter / abs(mean) if mean else None,
                }
            )
    names = ["result", "n_groups", "n_samples", "scatter", "scatter_relative"]
    return pd.DataFrame(lines, columns=names)


def comparisons(
    samples: pd.DataFrame, fields: pd.DataFrame, process: Sequence[str]
) -> pd.DataFrame:
    """Return how much telling the two best settings of each alloy and goal apart would take.

    From the scatter between samples of equal settings; where none were repeated, from that between
    the fields of a sample, which knows nothing of how well a setting repeats. The bounds of the
    needed number are those of the scatter (chi-square, 95 %).
    """
    from scipy.stats import chi2

    from spattermap.plan.screening import samples_to_tell

    lines = []
    for alloy, group in samples[samples["n_fields"] > 0].groupby("alloy", sort=False):
        settings = [part for _, part in group.groupby(list(process), sort=False, dropna=False)] \
            if process else [group.iloc[[k]] for k in range(len(group))]  # fmt: skip
        done = fields[(fields["status"] == "done") & fields["sample"].isin(group["sample"])]
        per_sample = [part for _, part in done.groupby("sample", sort=False)]
        for name, sign in GOALS:
            if name not in group or name not in done:
                continue
            known = [(part, seen) for part in settings if (seen := _numbers(part, name)).size]
            best = sorted(known, key=lambda one: -sign * one[1].mean())[:2]
            unit, (scatter, freedom) = "samples", _pooled([seen for _, seen in known])
            if not freedom:
                unit = "fields"
                scatter, freedom = _pooled([_numbers(part, name) for part in per_sample])
            if len(best) < 2 or not freedom:
                continue
            pair, means = [part for part, _ in best], [seen.mean() for _, seen in best]
            if math.isclose(means[0], means[1]):
                continue
            have = [len(p) if unit == "samples" else int(p["n_fields"].sum()) for p in pair]
            apart = float(abs(means[0] - means[1]))
            ends = [scatter * (freedom / chi2.isf(p, freedom)) ** 0.5 for p in (0.025, 0.975)]
            needed, low, high = (samples_to_tell(apart, s) for s in (scatter, *ends))
            lines.append({
                "alloy": alloy, "result": name, "better": pair[0].iloc[0]["sample"],
                "other": pair[1].iloc[0]["sample"], "difference": apart, "unit": unit,
                "scatter": scatter, "freedom": freedom, "n_each": min(have), "n_needed": needed,
                "n_needed_low": low, "n_needed_high": high,
            })  # fmt: skip
    return pd.DataFrame(lines, columns=COMPARED)


COMPARED = ["alloy", "result", "better", "other", "difference", "unit", "scatter", "freedom",
            "n_each", "n_needed", "n_needed_low", "n_needed_high"]  # fmt: skip


def _numbers(table: pd.DataFrame, name: str) -> Any:
    return pd.to_numeric(table[name], errors="coerce").dropna().to_numpy(float)


def _pooled(parts: Sequence[Any]) -> tuple[float, int]:
    """Return the standard deviation within groups, pooled, and its degrees of freedom."""
    parts = [part for part in parts if part.size > 1]
    freedom = sum(part.size - 1 for part in parts)
    squares = sum(float(((part - part.mean()) ** 2).sum()) for part in parts)
    return ((squares / freedom) ** 0.5, freedom) if freedom else (float("nan"), 0)


_WORTH = 100  # fields or samples of each of two settings; a choice, no source


def _more(compared: pd.DataFrame, group: pd.DataFrame, process: Sequence[str]) -> dict[str, Any]:
    """Return the suggestion to repeat the second best until it is told from the best."""
    row = compared.iloc[0]
    more = int(row["n_needed"] - row["n_each"])
    other = group[group["sample"] == row["other"]].iloc[0]
    unit = str(row["unit"])
    worth = (
        "" if row["n_needed"] <= _WORTH else "; more than is worth mapping: call them alike for now"
    )
    equal = "fields of one sample" if unit == "fields" else "samples made alike"
    blind = "; how well a setting repeats is unknown" if unit == "fields" else ""
    reason = (
        f"{more} more {unit} of each would tell {words_of(str(row['result']))} of {row['better']} "
        f"and {row['other']} apart (95 %, in 9 of 10 cases): they differ by "
        f"{figures(row['difference'], significant=2)}, {equal} by "
        f"{figures(row['scatter'], significant=2)}, so {row['n_needed']} of each are needed "
        f"({row['n_needed_low']} to {row['n_needed_high']}, the scatter being known from "
        f"{row['freedom'] + 1}{blind}){worth}"
    )
    return {"kind": f"more {unit}", **_settings_of(other, process), "reason": reason}


def next_settings(
    samples: pd.DataFrame, process: Sequence[str], compared: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Return settings worth trying next, each with its reason."""
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
        if compared is not None:
            open_yet = compared["n_needed"] > compared["n_each"]
            short = compared[(compared["alloy"] == alloy) & open_yet]
            if len(short):
                lines.append({"alloy": alloy, **_more(short, group, process)})
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

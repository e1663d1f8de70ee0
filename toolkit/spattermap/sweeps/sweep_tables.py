"""From finished deposits to the tables of a sweep: fields, samples, verdicts, pairs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import reduce
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from spattermap.core.mapset import Roles
from spattermap.core.results import FRACTIONS
from spattermap.show.answers import QUESTIONS
from spattermap.show.wording import is_film
from spattermap.sweeps.deposit import MOMENTS, Outcome, load_moments, read_record
from spattermap.sweeps.sheet import SheetRow, column_names

if TYPE_CHECKING:
    from spattermap.core.settings import Settings

# From so many fields on their own scatter gives the interval (t = 3.2; common practice, no source).
FEWEST_FIELDS = 4

# Headline results of a field that are combined over the fields of a sample.
RESULTS = (
    "coverage", "droplet_count", "d10_um", "d50_um", "d90_um", "area_d50_um", "share_droplets",
    "share_streaks", "share_haze", "largest_region_share", "sheet_conductance_ratio_x",
    "sheet_conductance_ratio_y", "sheet_conductance_ratio", "kept_alloy", "mean_thickness_nm",
    "deposited_ug_per_cm2", "times_bulk", "crack_count", "crack_length_um_per_um2",
)  # fmt: skip
# What a film has none of: its lobes are no droplets.
_SIZES = ("droplet_count", "d10_", "d50_", "d90_", "area_d50_")


def fields_table(
    rows: Sequence[SheetRow], outcomes: Sequence[Outcome], store: Path
) -> pd.DataFrame:
    """Return one row a map set, those with an error among them."""
    lines = [_field_line(row, outcome, store) for row, outcome in zip(rows, outcomes, strict=True)]
    groups = [column_names([line[part] for line in lines]) for part in range(4)]
    flat = [
        {
            _unique(name, part, groups): line[part].get(name)
            for part, names in enumerate(groups)
            for name in names
        }
        for line in lines
    ]
    return pd.DataFrame(flat)


def _unique(name: str, part: int, groups: Sequence[Sequence[str]]) -> str:
    """Return a column name that no earlier group of columns has."""
    taken = any(name in group for group in groups[:part])
    return f"{('', 'process', 'measured', 'result')[part]}_{name}" if taken else name


def _field_line(row: SheetRow, outcome: Outcome, store: Path) -> list[dict[str, Any]]:
    """Return the facts, process, measured and result columns of one map set."""
    facts: dict[str, Any] = {
        "path": row.shown_path,
        "sample": row.sample,
        "field": row.field,
        "status": "error" if outcome.error else "done",
        "error": outcome.error,
        "result": "" if outcome.error else outcome.key,
        "examination": "",
    }
    if outcome.error:
        return [facts, dict(row.process), dict(row.measured), {}]
    record = read_record(store / outcome.key)
    facts |= {"title": record["title"], "alloy": alloy_text(record)}
    facts["examination"] = _examined(record["summary"].get("examination") or {})
    numbers = {
        name: value
        for name, value in record["summary"].items()
        if isinstance(value, (bool, int, float)) or value is None
    }
    if is_film(record["summary"]):
        numbers = {k: None if k.startswith(_SIZES) else v for k, v in numbers.items()}
    if "cracks_end_at_droplets" in record["summary"]:
        numbers["cracks_end_at_droplets"] = record["summary"]["cracks_end_at_droplets"]
    for end in ("", "_low", "_high"):
        along = [numbers.get(f"sheet_conductance_ratio_{axis}{end}") for axis in ("x", "y")]
        if None not in along:
            numbers[f"sheet_conductance_ratio{end}"] = math.sqrt(along[0] * along[1])  # type: ignore[operator]
    numbers |= _kept(record)
    # What an older store holds may lack them.
    answers = record["summary"].get("answers", [])
    for topic, one in zip(QUESTIONS, answers, strict=False):
        numbers[f"answer_{topic}"] = one["answer"]
        numbers[f"answer_{topic}_certainty"] = one["certainty"]
        if topic == "cracks" and one["certainty"] == "open":
            # Dark lines that may be noise or texture are no cracks to compare settings by.
            numbers |= dict.fromkeys(name for name in numbers if name.startswith("crack_"))
    return [facts, record["process"], record["measured"], numbers]


def _examined(counts: Mapping[str, int]) -> str:
    """Return what the examination of the maps found, in a few words."""
    bad = [f"{counts[word]} {word}" for word in ("faulty", "doubtful") if counts.get(word)]
    return ", ".join(bad) or ("sound" if counts else "")


def alloy_text(record: Mapping[str, Any]) -> str:
    """Return the alloy of a deposit as short text, its stated parts or else its elements."""
    parts = record["alloy"]
    if parts:
        return " ".join(e if p is None else f"{e}{p:g}" for e, p in parts.items())
    return " ".join(record["roles"]["alloy"])


def _kept(record: Mapping[str, Any]) -> dict[str, float | None]:
    """Return the least share with the alloy among its elements, with its bounds.

    None for a single metal, and where an element of the alloy was not shown to be there: an alloy
    that was not seen whole was not seen to be kept.
    """
    names = ("kept_alloy", "kept_alloy_low", "kept_alloy_high")
    lines = [line for line in record["elements"] if line["role"] == "alloy"]
    known = [line for line in lines if _is_share(line.get("share_with_alloy"))]
    if not (len(known) == len(lines) > 1):
        return dict.fromkeys(names)
    least = min(known, key=lambda line: line["share_with_alloy"])
    ends = [least.get(f"share_with_alloy{end}") for end in ("", "_low", "_high")]
    return dict(zip(names, (one if _is_share(one) else None for one in ends), strict=True))


def _is_share(value: Any) -> bool:
    return value is not None and not math.isnan(value)


def samples_table(
    fields: pd.DataFrame, settings_columns: Sequence[str], level: float
) -> pd.DataFrame:
    """Return one row a sample, its fields combined.

    All results are zero or positive and most are fractions: an interval ends at zero, and at one
    for a fraction whose mean is below one, where Student's would go beyond.

    From `FEWEST_FIELDS` fields on the interval is Student's over the fields; of fewer it comes from
    the counting within them, widened to the fields themselves where these differ by more.

    A result that lacks in a field (a median diameter without droplets) is averaged over the
    fields that have it. ASTM E562 prescribes the same interval for fractions counted over fields
    (from memory).
    """
    lines = []
    for sample, group in fields.groupby("sample", sort=False):
        done = group[group["status"] == "done"]
        line: dict[str, Any] = {
            "sample": sample,
            "alloy": " / ".join(dict.fromkeys(done["alloy"].astype(str))) if len(done) else "",
            "n_fields": len(done),
            "n_errors": int((group["status"] == "error").sum()),
        }
        for name in settings_columns:
            line[name] = _common(group[name].dropna().tolist())
        for name in RESULTS:
            named = _in_px(name, fields)
            if named in fields:
                line |= _over_fields(done, named, level)
        for name in ("connected_x", "connected_y"):
            crossing = done[name].dropna().astype(bool).sum() if name in done else 0
            line[f"{name}_fields"] = int(crossing)
        lines.append(line)
    return pd.DataFrame(lines)


def _in_px(name: str, fields: pd.DataFrame) -> str:
    """Return the name of a length as the table has it: in px where no pixel size is known."""
    other = name.replace("_um", "_px")
    return other if name not in fields and other in fields else name


def _common(values: list[Any]) -> Any:
    if not values:
        return None
    if all(value == values[0] for value in values):
        return values[0]
    if all(isinstance(value, (int, float)) for value in values):
        return float(np.mean(values))
    return "mixed"


def _over_fields(done: pd.DataFrame, name: str, level: float) -> dict[str, Any]:
    """Return mean and interval of one result over the fields of a sample."""
    values = done[name].dropna().to_numpy(dtype=float)
    bounds = (f"{name}_low", f"{name}_high")
    if values.size == 0:
        return dict.fromkeys((name, *bounds))
    mean = float(values.mean())
    if values.size < FEWEST_FIELDS:
        return {name: mean, **dict(zip(bounds, _within(done, name), strict=True))}
    from scipy.stats import t as student

    # ASTM E562, 95 % confidence interval over fields: t s / sqrt(n).
    reach = student.ppf(0.5 + level / 2, values.size - 1) * values.std(ddof=1) / values.size**0.5
    low, high = mean - float(reach), mean + float(reach)
    if name.startswith(FRACTIONS) and mean <= 1:
        high = min(high, 1.0)
    return {name: mean, bounds[0]: max(low, 0.0) if mean >= 0 else low, bounds[1]: high}


def _within(done: pd.DataFrame, name: str) -> tuple[float | None, float | None]:
    """Return bounds from inside the fields, where they are too few for their own scatter to count.

    The fields' intervals are pooled as independent errors of the mean; where the fields differ by
    more, the bounds reach as far as the fields do. Student's factor for two fields is 12.7: its
    interval would hold nearly everything and tell nothing.
    """
    rows = done.loc[done[name].notna()]
    values = rows[name].to_numpy(dtype=float)
    n = values.size
    ends = [
        rows[f"{name}_{end}"].to_numpy(dtype=float)
        if f"{name}_{end}" in rows
        else np.full(n, np.nan)
        for end in ("low", "high")
    ]
    if n == 1:
        low, high = (None if math.isnan(end[0]) else float(end[0]) for end in ends)
        return low, high
    reach = [np.sqrt(np.nansum(np.square(end - values))) / n for end in ends]
    mean = float(values.mean())
    low, high = min(mean - float(reach[0]), values.min()), max(mean + float(reach[1]), values.max())
    return float(low), float(high)


def verdict_tables(
    fields: pd.DataFrame, store: Path, settings: Settings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return verdicts and pairs of every sample from the added moments of its fields.

    The verdict of a sample is the word on which all fields agree that decided; it is "undecided"
    where they differ, or where fewer than half of the fields decided.
    """
    verdicts: list[dict[str, Any]] = []
    pairs = []
    for sample, group in fields[fields["status"] == "done"].groupby("sample", sort=False):
        keys = list(dict.fromkeys(group["result"]))
        records = [read_record(store / key) for key in keys]
        found, table = _one_sample(keys, records, store, settings)
        verdicts += [{"sample": sample, **line} for line in found]
        if table is not None:
            table.insert(0, "sample", sample)
            pairs.append(table)
    together = pd.concat(pairs, ignore_index=True) if pairs else pd.DataFrame()
    return pd.DataFrame(verdicts), together


def _one_sample(
    keys: Sequence[str], records: Sequence[dict[str, Any]], store: Path, settings: Settings
) -> tuple[list[dict[str, Any]], pd.DataFrame | None]:
    from spattermap.core.errors import InputError
    from spattermap.verdict.pairs import pair_table

    stated = records[0]["roles"]
    roles = Roles(
        alloy=tuple(stated["alloy"]),
        substrate=tuple(stated["substrate"]),
        other=tuple(stated["other"]),
    )
    try:
        moments = reduce(
            lambda one, other: one.merge(other), [load_moments(store / k / MOMENTS) for k in keys]
        )
    except InputError as problem:  # fields mapped with different elements cannot be added
        return _agreed(records, settings.level, note=str(problem)), None
    pairs = pair_table(moments, roles=roles, settings=settings)
    return _agreed(records, settings.level, note=""), pairs


def _agreed(records: Sequence[dict[str, Any]], level: float, note: str) -> list[dict[str, Any]]:
    lines = []
    names = column_names([{line["element"]: 0 for line in r["elements"]} for r in records])
    for element in names:
        rows = [
            line for record in records for line in record["elements"] if line["element"] == element
        ]
        word, agreeing = agreed_verdict([line["verdict"] for line in rows])
        told = next((line for line in rows if line["verdict"] == word), rows[0])
        table = pd.DataFrame(rows)
        line: dict[str, Any] = {
            "element": element,
            "role": rows[0]["role"],
            "n_fields": len(rows),
            "verdict": word,
            "agreeing_fields": agreeing,
        }
        for name in ("share_with_alloy", "share_in_droplets"):
            line |= _over_fields(table, name, level)
        line["reasons"] = told["reasons"]
        line["next_step"] = told["next_step"]
        line["note"] = note
        lines.append(line)
    return lines


def agreed_verdict(words: Sequence[str]) -> tuple[str, int]:
    """Return the verdict of a sample from those of its fields, and how many fields gave it."""
    decided = [word for word in words if word != "undecided"]
    if decided and len(set(decided)) == 1 and 2 * len(decided) >= len(words):
        return decided[0], len(decided)
    return "undecided", len(words) - len(decided)

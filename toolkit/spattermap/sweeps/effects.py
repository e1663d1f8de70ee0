"""What each process column does to each result, as far as the rows can tell."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import combinations, permutations
from typing import Any

import numpy as np
import pandas as pd

from spattermap.core.arrays import Floats

# Fewer samples than this show no rank correlation at any useful level.
LEAST_SAMPLES = 4
# All orders are tried up to this many samples (8! = 40,320), a random part of them above.
_EXACT_UP_TO = 8
_RANDOM_ORDERS = 20_000
# Samples wanted for every coefficient of a regression (common practice, no source).
SAMPLES_PER_TERM = 5


def numeric_columns(table: pd.DataFrame, names: Sequence[str]) -> list[str]:
    """Return the columns that hold numbers and more than one value.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a sample.
    names : sequence of str
        Candidates.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"charge_J": [90, 180], "gap_mm": [4, 4], "wire": ["Cu", "Ni"]})
    >>> numeric_columns(table, list(table))
    ['charge_J']
    """
    found = []
    for name in names:
        values = [value for value in table[name].tolist() if not _missing(value)]
        if values and all(isinstance(v, (int, float)) for v in values) and len(set(values)) > 1:
            found.append(name)
    return found


def rank_effects(
    samples: pd.DataFrame,
    process: Sequence[str],
    results: Sequence[str],
    *,
    level: float,
    seed: int,
) -> pd.DataFrame:
    """Return Spearman's rank correlation of every numeric process column with every result.

    Alloys are looked at one by one where each has samples enough, for a setting that came with
    one alloy more often than with another would else take the credit for the alloy.

    The interval is Fisher's with the variance (1 + rho^2 / 2)/(n - 3) of Bonett and Wright. The
    p-value is the part of all orders of the result that correlate at least as strongly.

    D. G. Bonett and T. A. Wright, Psychometrika 65 (2000) 23, eq. 3 (from memory).
    """
    from spattermap.verdict.correlation import adjusted

    lines = []
    for alloy, group in _by_alloy(samples):
        for setting in numeric_columns(group, process):
            for result in numeric_columns(group, [name for name in results if name in group]):
                pair = group[[setting, result]].apply(pd.to_numeric, errors="coerce").dropna()
                x, y = pair[setting].to_numpy(float), pair[result].to_numpy(float)
                found = spearman(x, y, level=level, seed=seed)
                lines.append({"process": setting, "result": result, "alloy": alloy, **found})
    table = pd.DataFrame(lines, columns=_RANK_COLUMNS)
    table["p_adjusted"] = adjusted(table["p_value"].to_numpy(float))
    table["shown"] = (table["p_adjusted"] <= 1 - level).astype(bool)
    table["reading"] = [_reading(line, 1 - level) for line in table.to_dict("records")]
    return table


def _by_alloy(samples: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return each alloy's samples, or all together where one has too few."""
    made = samples[samples["n_fields"] > 0]
    groups = [(str(alloy), group) for alloy, group in made.groupby("alloy", sort=False)]
    if len(groups) > 1 and all(len(group) >= LEAST_SAMPLES for _, group in groups):
        return groups
    return [("all", made)]


_RANK_COLUMNS = ("process", "result", "alloy", "n_samples", "rho", "rho_low", "rho_high", "p_value")


def spearman(x: Floats, y: Floats, *, level: float, seed: int) -> dict[str, Any]:
    """Return Spearman's rank correlation with interval and permutation p-value.

    Dims: `x, y` (sample,).
    """
    from scipy.stats import rankdata

    n = int(x.size)
    nothing = dict.fromkeys(("rho", "rho_low", "rho_high", "p_value"), math.nan)
    if n < LEAST_SAMPLES or np.ptp(x) == 0 or np.ptp(y) == 0:
        return {"n_samples": n, **nothing}
    a, b = (_standard(rankdata(values)) for values in (x, y))
    rho = float(np.clip(a @ b, -1, 1))
    low, high = rank_interval(rho, n, level)
    return {
        "n_samples": n,
        "rho": rho,
        "rho_low": low,
        "rho_high": high,
        "p_value": _permutation_p(a, b, abs(rho), seed),
    }


def rank_interval(rho: float, n: int, level: float) -> tuple[float, float]:
    """Return the interval of a rank correlation."""
    from scipy.stats import norm

    z = math.atanh(np.clip(rho, -1 + 1e-12, 1 - 1e-12))
    # Bonett and Wright (2000), eq. 3
    half = float(norm.ppf(0.5 + level / 2)) * math.sqrt((1 + rho * rho / 2) / (n - 3))
    return math.tanh(z - half), math.tanh(z + half)


def _standard(ranks: Floats) -> Floats:
    away = ranks - ranks.mean()
    unit: Floats = away / np.sqrt(away @ away)
    return unit


def _permutation_p(a: Floats, b: Floats, found: float, seed: int) -> float:
    """Return the part of all orders that correlate at least as strongly; never zero."""
    if a.size <= _EXACT_UP_TO:
        orders = np.array(list(permutations(range(a.size))))
        return float(np.mean(np.abs(b[orders] @ a) >= found - 1e-12))
    rng = np.random.default_rng(seed)
    orders = rng.permuted(np.tile(b, (_RANDOM_ORDERS, 1)), axis=1)
    beyond = int(np.sum(np.abs(orders @ a) >= found - 1e-12))
    return (beyond + 1) / (_RANDOM_ORDERS + 1)  # Phipson and Smyth 2010: p is never zero


def _reading(line: Mapping[Any, Any], alpha: float) -> str:
    if line["n_samples"] < LEAST_SAMPLES:
        return f"{line['n_samples']} samples with both; {LEAST_SAMPLES} are needed"
    if _missing(line["rho"]):
        return "one of the two does not vary"
    way = "rises" if line["rho"] > 0 else "falls"
    if line["p_adjusted"] <= alpha:
        return f"{line['result']} {way} with {line['process']}"
    if line["p_value"] <= alpha:
        return "a hint that did not survive the number of questions asked; repeat to confirm"
    return "no effect shown; absence is not shown either"


def regression(
    samples: pd.DataFrame, process: Sequence[str], results: Sequence[str], *, level: float
) -> tuple[pd.DataFrame, str]:
    """Return least-squares effects with interactions of two, where there are enough samples.

    Settings are standardised, so that effects compare and main effects hold at the mean setting;
    where there are several alloys, the mean of each is taken out of settings and results first.
    Collinear settings are refused: no calculation can part what the design moved together.
    """
    from spattermap.verdict.correlation import adjusted

    samples = samples[samples["n_fields"] > 0]
    settings = numeric_columns(samples, process)
    terms: list[tuple[str, ...]] = [(name,) for name in settings]
    both = [*terms, *combinations(settings, 2)]
    usable = samples.dropna(subset=settings) if settings else samples.iloc[:0]
    n = len(usable)
    if n >= SAMPLES_PER_TERM * (len(both) + 1) and len(settings) > 1:
        terms, what = both, "settings and their interactions of two"
    elif settings and n >= SAMPLES_PER_TERM * (len(terms) + 1):
        what = "settings alone; interactions would need "
        what += f"{SAMPLES_PER_TERM * (len(both) + 1)} samples"
        what = what if len(settings) > 1 else "the one setting"
    else:
        needed = SAMPLES_PER_TERM * (len(terms) + 1)
        return pd.DataFrame(columns=_FIT_COLUMNS), (
            f"No regression: {n} samples with {len(settings)} numeric settings; "
            f"{needed} samples would be needed."
        )
    lines: list[dict[str, Any]] = []
    for result in results:
        if result in usable:
            lines += _fit(usable, terms, result, level)
    table = pd.DataFrame(lines, columns=_FIT_COLUMNS)
    if table.empty:
        return table, "No regression: settings move together, or no result varies."
    table["p_adjusted"] = adjusted(table["p_value"].to_numpy(float))
    table["shown"] = (table["p_adjusted"] <= 1 - level).astype(bool)
    return table, f"Least squares with {what}, {n} samples."


_FIT_COLUMNS = (
    "result", "term", "n_samples", "effect", "effect_low", "effect_high", "p_value", "explained",
)  # fmt: skip
# Beyond this condition number settings are as good as proportional (common practice).
_MOST_CONDITION = 30.0


def _fit(
    samples: pd.DataFrame, terms: Sequence[tuple[str, ...]], result: str, level: float
) -> list[dict[str, Any]]:
    from scipy.stats import t as student

    y = pd.to_numeric(samples[result], errors="coerce").to_numpy(float)
    keep = np.isfinite(y)
    y = y[keep]
    names = list(dict.fromkeys(name for term in terms for name in term))
    raw = samples.loc[keep, names].to_numpy(float)
    _, alloy = np.unique(samples.loc[keep, "alloy"].astype(str), return_inverse=True)
    own = (alloy[:, None] == np.arange(alloy.max(initial=0) + 1)).astype(float)
    freedom = y.size - len(terms) - own.shape[1]
    raw = _without_means(raw, own)
    if freedom < 2 or np.ptp(y) == 0 or np.any(np.ptp(raw, axis=0) == 0):
        return []
    scaled = raw / raw.std(axis=0, ddof=1)
    place = {name: k for k, name in enumerate(names)}
    columns = [np.prod([scaled[:, place[n]] for n in term], axis=0) for term in terms]
    design = np.column_stack([*columns, own])
    if np.linalg.cond(design) > _MOST_CONDITION:
        return []
    slope, *_ = np.linalg.lstsq(design, y, rcond=None)
    left = y - design @ slope
    spread = float(left @ left) / freedom
    error = np.sqrt(spread * np.diag(np.linalg.inv(design.T @ design)))
    half = float(student.ppf(0.5 + level / 2, freedom)) * error
    away = _without_means(y, own)
    explained = 1.0 - float(left @ left) / float(away @ away)
    with np.errstate(divide="ignore"):
        p = 2 * student.sf(np.abs(slope) / error, freedom)
    return [
        {
            "result": result,
            "term": " x ".join(term),
            "n_samples": int(y.size),
            "effect": float(slope[k]),
            "effect_low": float(slope[k] - half[k]),
            "effect_high": float(slope[k] + half[k]),
            "p_value": float(p[k]),
            "explained": explained,
        }
        for k, term in enumerate(terms)
    ]


def _without_means(values: Floats, own: Floats) -> Floats:
    """Return values less the mean of each group; `own` (sample, group) is 1 where one belongs."""
    size = own.sum(axis=0)
    means = own.T @ values / (size[:, None] if values.ndim > 1 else size)
    return np.asarray(values - own @ means)


def _missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))

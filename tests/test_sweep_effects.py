"""What settings do to results, and what to try next: against scipy and hand-made tables."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from spattermap.plan import samples_to_tell
from spattermap.sweeps import advice, effects


def grid(repeats=1, seed=0):
    """Three charges by three gaps; coverage rises with charge only."""
    rng = np.random.default_rng(seed)
    rows = [
        {
            "charge_J": float(c),
            "gap_mm": float(g),
            "coverage": 0.1 + 0.002 * c + rng.normal(0, 0.01),
        }
        for _ in range(repeats)
        for c in (50, 100, 200)
        for g in (2, 4, 6)
    ]
    table = pd.DataFrame(rows)
    table.insert(0, "sample", [f"s{k}" for k in range(len(table))])
    table.insert(1, "alloy", "Cu70 Zn30")
    table["n_fields"] = 1
    return table


# --- rank correlation -----------------------------------------------------------------------


@pytest.mark.outside(
    "Spearman's rank correlation",
    source="scipy.stats.spearmanr, the installed version",
    known="computed",
    tolerance="1e-12",
)
def test_spearman_against_scipy():
    rng = np.random.default_rng(1)
    x, y = rng.normal(size=30), rng.normal(size=30)
    y += x
    found = effects.spearman(x, y, level=0.95, seed=0)
    assert found["rho"] == pytest.approx(stats.spearmanr(x, y).statistic, abs=1e-12)


@pytest.mark.outside(
    "Spearman's rank correlation of a worked pair of 4 x 4 maps",
    source="ranks with ties, checkable by hand",
    known="computed",
    tolerance="1e-9",
)
def test_spearman_of_the_worked_pair():
    a = [0, 2, 4, 6, 1, 3, 5, 7, 0, 0, 8, 9, 2, 2, 6, 4]
    b = [1, 1, 3, 5, 0, 4, 4, 6, 2, 0, 7, 8, 5, 1, 0, 0]
    found = effects.spearman(np.array(a, float), np.array(b, float), level=0.95, seed=0)
    assert found["rho"] == pytest.approx(0.6214455662, abs=1e-9)


@pytest.mark.outside(
    "Exact p-value of a rank correlation of four samples",
    source="2 of 24 orders",
    known="exact",
    tolerance="1e-6",
)
def test_exact_p_value_by_hand():
    # Of the 24 orders of four values only the rising and the falling one reach |rho| = 1.
    found = effects.spearman(np.arange(4.0), np.arange(4.0), level=0.95, seed=0)
    assert found["rho"] == 1.0
    assert found["p_value"] == pytest.approx(2 / 24)


@pytest.mark.outside(
    "Exact p-value of a rank correlation with ties",
    source="scipy.stats.permutation_test, exact, the installed version",
    known="computed",
    tolerance="1e-12",
)
def test_p_value_with_ties_against_scipy():
    x = np.array([50, 50, 100, 200, 200, 200.0])
    y = np.array([1, 3, 2, 5, 4, 6.0])
    found = effects.spearman(x, y, level=0.95, seed=0)
    # Two-sided by size.
    reference = stats.permutation_test(
        (x,),
        lambda v: abs(stats.spearmanr(v, y).statistic),
        permutation_type="pairings",
        n_resamples=np.inf,
        alternative="greater",
    )
    assert found["p_value"] == pytest.approx(reference.pvalue, abs=1e-12)


def test_random_orders_are_never_zero_and_repeat():
    x = np.arange(20.0)
    first, second = (effects.spearman(x, x, level=0.95, seed=3) for _ in range(2))
    assert first == second
    assert 0 < first["p_value"] < 1e-4


def test_too_few_or_flat():
    for x, y in (([1.0, 2, 3], [1.0, 2, 3]), ([1.0] * 5, [1.0, 2, 3, 4, 5])):
        found = effects.spearman(np.array(x), np.array(y), level=0.95, seed=0)
        assert math.isnan(found["rho"])
        assert math.isnan(found["p_value"])


@pytest.mark.outside(
    "Coverage of the interval of a rank correlation",
    source="rho of normal pairs is (6 / pi) asin(r / 2), Kendall",
    known="from memory",
    tolerance="4 standard errors of 400 trials",
)
@pytest.mark.parametrize("rho", [0.0, 0.6])
def test_interval_covers(rho):
    # Normal pairs.
    rng = np.random.default_rng(5)
    true = 6 / math.pi * math.asin(rho / 2)
    inside = 0
    n_runs = 400
    for _ in range(n_runs):
        x = rng.normal(size=25)
        y = rho * x + math.sqrt(1 - rho**2) * rng.normal(size=25)
        low, high = effects.rank_interval(stats.spearmanr(x, y).statistic, 25, 0.95)
        inside += low <= true <= high
    assert inside / n_runs == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / n_runs))


def test_effects_table_finds_the_one_that_is_there():
    table = effects.rank_effects(
        grid(), ["charge_J", "gap_mm"], ["coverage", "missing"], level=0.95, seed=0
    )
    assert list(table["process"]) == ["charge_J", "gap_mm"]
    by = table.set_index("process")
    assert by.loc["charge_J", "reading"] == "coverage rises with charge_J"
    assert by.loc["gap_mm", "reading"].startswith("no effect shown")
    assert by.loc["charge_J", "p_adjusted"] >= by.loc["charge_J", "p_value"]


def test_words_are_no_numbers():
    table = grid().assign(wire="brass", operator=["a", "b", "c"] * 3)
    assert effects.numeric_columns(table, ["charge_J", "wire", "operator"]) == ["charge_J"]


# --- regression -----------------------------------------------------------------------------


def test_regression_says_when_there_are_too_few():
    table, note = effects.regression(grid(), ["charge_J", "gap_mm"], ["coverage"], level=0.95)
    assert table.empty
    assert note == "No regression: 9 samples with 2 numeric settings; 15 samples would be needed."


@pytest.mark.outside(
    "Slope, interval and p-value of a result against one setting",
    source="scipy.stats.linregress, the installed version",
    known="computed",
    tolerance="1e-10; p-value 1e-6",
)
def test_regression_against_scipy_with_one_setting():
    table = grid(repeats=2)
    found, note = effects.regression(table, ["charge_J"], ["coverage"], level=0.95)
    reference = stats.linregress(table["charge_J"], table["coverage"])
    spread = table["charge_J"].std(ddof=1)
    row = found.iloc[0]
    assert "18 samples" in note
    assert row["effect"] == pytest.approx(reference.slope * spread, rel=1e-10)
    assert row["p_value"] == pytest.approx(reference.pvalue, rel=1e-6)
    assert row["explained"] == pytest.approx(reference.rvalue**2, rel=1e-10)
    half = stats.t.ppf(0.975, 16) * reference.stderr * spread
    assert row["effect_high"] - row["effect"] == pytest.approx(half, rel=1e-10)


def test_regression_finds_an_interaction():
    table = grid(repeats=4, seed=2)
    table["coverage"] += 0.001 * (table["charge_J"] - 116) * (table["gap_mm"] - 4)
    found, note = effects.regression(table, ["charge_J", "gap_mm"], ["coverage"], level=0.95)
    assert "interactions" in note
    by = found.set_index("term")
    assert by.loc["charge_J x gap_mm", "p_adjusted"] < 1e-6
    assert by.loc["gap_mm", "p_adjusted"] > 0.01


def test_settings_that_move_together_are_refused():
    table = grid(repeats=3)
    table["voltage"] = 3 * table["charge_J"] + 1
    found, note = effects.regression(table, ["charge_J", "voltage"], ["coverage"], level=0.95)
    assert found.empty
    assert "move together" in note


# --- advice ---------------------------------------------------------------------------------


def test_best_and_next():
    table = grid()
    best = advice.best_settings(table, ["charge_J", "gap_mm"])
    assert best["goal"].tolist() == ["coverage first", "coverage"], (
        "nothing tells conductances apart"
    )
    assert (best["charge_J"] == 200).all()
    found = advice.next_settings(table, ["charge_J", "gap_mm"])
    kinds = found["kind"].tolist()
    assert "beyond the edge" in kinds
    beyond = found[found["kind"] == "beyond the edge"].iloc[0]
    assert beyond["charge_J"] == 300  # one step of 100 beyond 200
    assert "may be better or worse" in beyond["reason"]
    assert "repeat" in kinds


def test_missing_combination_is_suggested_nearest_first():
    table = grid()
    table = table[~((table["charge_J"] == 200) & (table["gap_mm"] == 6))]
    table = table[~((table["charge_J"] == 50) & (table["gap_mm"] == 2))]
    found = advice.next_settings(table, ["charge_J", "gap_mm"])
    untested = found[found["kind"] == "untested combination"]
    assert len(untested) == 2
    assert untested.iloc[0][["charge_J", "gap_mm"]].tolist() == [200, 6]


def test_middle_of_the_range_is_filled():
    table = grid()
    table["coverage"] = 0.5 - abs(table["charge_J"] - 100) / 1000
    found = advice.next_settings(table, ["charge_J"])
    assert found["kind"].tolist() == ["between the best"]
    assert found.iloc[0]["charge_J"] == 150


def test_positive_settings_stay_positive():
    table = grid()
    table["coverage"] = 1 - table["charge_J"] / 1000
    table["charge_J"] = table["charge_J"].map({50: 10.0, 100: 100.0, 200: 200.0})
    found = advice.next_settings(table, ["charge_J"])
    assert found.iloc[0]["charge_J"] == 5


def test_nothing_to_advise_without_results():
    table = grid().assign(coverage=0.3)
    assert advice.next_settings(table, ["charge_J"])["kind"].tolist() == ["nothing differs yet"]
    assert advice.best_settings(table, ["charge_J"]).empty


def test_what_lies_within_the_bounds_is_not_ranked():
    table = grid()
    wide = table.assign(
        coverage_low=0.0, coverage_high=1.0, coverage=np.linspace(0.2, 0.5, len(table))
    )
    assert not advice.differs(wide, "coverage")
    assert "coverage" not in set(advice.best_settings(wide, ["charge_J"])["goal"])
    narrow = wide.assign(
        coverage_low=wide["coverage"] - 0.01, coverage_high=wide["coverage"] + 0.01
    )
    assert advice.differs(narrow, "coverage")


def test_scatter_of_repeated_settings_by_hand():
    table = pd.DataFrame(
        {
            "sample": list("abcd"),
            "alloy": "Cu",
            "charge_J": [1.0, 1.0, 2.0, 2.0],
            "coverage": [0.2, 0.4, 0.5, 0.7],
        }
    )
    found = advice.replicate_scatter(table, ["charge_J"], ["coverage"]).iloc[0]
    assert found["scatter"] == pytest.approx(math.sqrt((0.02 + 0.02) / 2))
    assert (found["n_groups"], found["n_samples"]) == (2, 4)
    assert advice.replicate_scatter(table[::2], ["charge_J"], ["coverage"]).empty


def test_fields_to_tell_two_settings_apart():
    fields = pd.DataFrame({
        "sample": np.repeat(list("abc"), 2), "status": "done",
        "coverage": [0.30, 0.34, 0.29, 0.33, 0.08, 0.12],
    })  # fmt: skip
    samples = fields.groupby("sample", as_index=False)["coverage"].mean()
    samples = samples.assign(alloy="Cu", n_fields=2, charge_J=[1.0, 2.0, 3.0])
    row = advice.comparisons(samples, fields, ["charge_J"]).iloc[0]
    assert (row["better"], row["other"], row["unit"], row["n_each"]) == ("a", "b", "fields", 2)
    assert (row["scatter"], row["freedom"]) == (pytest.approx(math.sqrt(8e-4)), 3)
    assert row["n_needed"] == samples_to_tell(0.01, math.sqrt(8e-4))
    assert row["n_needed_low"] < row["n_needed"] < row["n_needed_high"]
    # Equal settings made twice: their scatter counts, whatever that of the fields is.
    again = samples.assign(sample=list("def"), coverage=samples["coverage"] + 0.02)
    both = pd.concat([samples, again], ignore_index=True)
    compared = advice.comparisons(both, fields, ["charge_J"])
    assert compared.iloc[0][["unit", "freedom", "n_each"]].tolist() == ["samples", 3, 2]
    assert compared.iloc[0]["scatter"] == pytest.approx(0.02 / math.sqrt(2))
    told = advice.next_settings(both, ["charge_J"], compared)
    more = told[told["kind"] == "more samples"].iloc[0]
    assert more["charge_J"] == 2.0
    assert f"{compared.iloc[0]['n_needed'] - 2} more samples of each" in more["reason"]
    assert advice.comparisons(samples, fields[::2], ["charge_J"]).empty


def test_outlier():
    table = grid()
    table.loc[4, "coverage"] = 0.99
    found = advice.outliers(table, ["coverage"])
    assert found["sample"].tolist() == ["s4"]
    assert advice.outliers(grid(), ["coverage"]).empty


def test_alloys_are_looked_at_one_by_one():
    table = pd.concat([grid(), grid(seed=1).assign(alloy="Ni80 Cr20")], ignore_index=True)
    # The second alloy falls where the first rises: together they would show nothing.
    second = table["alloy"] == "Ni80 Cr20"
    table.loc[second, "coverage"] = 1 - table.loc[second, "coverage"]
    found = effects.rank_effects(table, ["charge_J"], ["coverage"], level=0.95, seed=0)
    assert found["reading"].tolist() == [
        "coverage rises with charge_J",
        "coverage falls with charge_J",
    ]
    few = table[(~second) | (table.index >= len(table) - 2)]
    found = effects.rank_effects(few, ["charge_J"], ["coverage"], level=0.95, seed=0)
    assert found["alloy"].tolist() == ["all"]


def test_regression_takes_the_alloy_out():
    table = pd.concat([grid(repeats=2), grid(repeats=2, seed=1).assign(alloy="Ni80 Cr20")])
    # The second alloy was made at higher charges and covers less: a plain fit would fall.
    second = (table["alloy"] == "Ni80 Cr20").to_numpy()
    table.loc[second, "charge_J"] += 500
    table.loc[second, "coverage"] -= 2
    found, _ = effects.regression(table, ["charge_J"], ["coverage"], level=0.95)
    slope = found.iloc[0]["effect"]
    inside = table["charge_J"] - table.groupby("alloy")["charge_J"].transform("mean")
    assert slope == pytest.approx(0.002 * inside.std(ddof=1), rel=0.1)
    assert found.iloc[0]["explained"] > 0.95


def test_conductance_comes_first_and_haze_breaks_ties():
    table = (
        grid()
        .iloc[:4]
        .assign(
            sheet_conductance_ratio=[0.0, 0.3, 0.3, 0.0],
            coverage=[0.9, 0.5, 0.5, 0.9],
            share_haze=[0.0, 0.3, 0.2, 0.0],
        )
    )
    assert advice.goodness(table).idxmax() == 2
    found = advice.next_settings(table, ["gap_mm"])
    assert "haze 20 %" in found.iloc[0]["reason"]

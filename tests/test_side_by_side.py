"""Deposits side by side: what differs beyond the intervals, and one page for all."""

import math
import re
from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest

import spattermap
from spattermap import cli
from spattermap.core.errors import InputError
from spattermap.show import side_by_side
from spattermap.show.side_by_side import _differ, compare, compared, comparison_page
from spattermap.synthesis import Deposit, Droplets, make_deposit, save_folder


@pytest.fixture(scope="module")
def two():
    small = Deposit(shape=(96, 128), droplets=Droplets(coverage=0.1), title="thin <one>")
    large = Deposit(shape=(96, 128), droplets=Droplets(coverage=0.45), title="thick one")
    return [
        spattermap.analyse(make_deposit(spec, seed=k).maps) for k, spec in enumerate((small, large))
    ]


@pytest.mark.parametrize(
    ("spans", "word"),
    [
        ([(1.0, 2.0), (1.5, 3.0)], "no"),
        ([(1.0, 2.0), (2.5, 3.0)], "yes"),
        ([(1.0, 2.0), (1.5, 4.0), (3.0, 5.0)], "yes"),
        ([(1.0, 2.0)], "not told"),
    ],
)
def test_intervals_that_do_not_meet_differ(spans, word):
    assert _differ(spans) == word


def test_coverage_differs_and_has_the_bounds_of_each(two):
    row = compared(two).set_index("number").loc["coverage"]
    assert row["differs"] == "yes"
    assert row["deposit_1"] == two[0].summary()["coverage"]
    assert row["deposit_2_high"] == two[1].summary()["coverage_high"]


def test_what_an_answer_leaves_open_is_no_number(two, monkeypatch):
    one, other = two
    summary = {**other.summary(), "mean_thickness_nm": math.nan, "mean_thickness_nm_low": 469.0,
               "mean_thickness_nm_high": math.inf, "mean_thickness_bound": "at least"}  # fmt: skip
    answers = tuple(
        replace(each, certainty="open" if each.topic == "connection" else each.certainty)
        for each in other.answers
    )
    unsure = SimpleNamespace(
        summary=lambda: summary, answers=answers, title=other.title, settings=other.settings
    )
    table = compared([one, unsure]).set_index("number")
    row = table.loc["sheet_conductance_ratio_x"]
    assert math.isnan(row["deposit_2"])
    assert row["differs"] == "not told"
    text = str(side_by_side._numbers_piece([one, unsure], table.reset_index()))
    assert re.search(r"conductance in x[^;]*; [^;]+; open; not told", text)
    assert "at least 469; not told" in text


def test_the_page_holds_every_field_with_one_script(two):
    page = comparison_page(two, compared(two))
    assert page.count('data-group="compared"') == 2
    assert page.count('<script type="module">') == 1
    assert "thin &lt;one&gt;" in page
    assert "thin <one>" not in page
    assert len(re.findall(r"How did the metal arrive\?", page)) == 1


def test_the_command_writes_page_and_table(tmp_path, capsys):
    for k in range(2):
        save_folder(make_deposit(Deposit(shape=(64, 64)), seed=k), tmp_path / f"d{k}")
    folders = [str(tmp_path / f"d{k}") for k in range(2)]
    assert cli.main(["compare", *folders, "--out", str(tmp_path / "out")]) == 0
    assert capsys.readouterr().out.strip() == str(tmp_path / "out" / "comparison.html")
    assert len(pd.read_csv(tmp_path / "out" / "comparison.csv")) > 3


def test_one_deposit_is_nothing_to_compare(tmp_path):
    with pytest.raises(InputError, match="two to six map sets, got 1"):
        compare([tmp_path], tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_the_fields_have_one_set_of_size_classes(two):
    page = comparison_page(two, compared(two))
    classes = re.findall(r'"edges":\[([^]]+)\]', page)
    assert len(classes) == 2
    assert classes[0] == classes[1]
    sizes = [float(one) for one in classes[0].split(",")]
    widest = max(one.droplets["diameter_um"].max() for one in two)
    assert sizes[-1] == pytest.approx(widest, rel=1e-4)


def test_three_deposits_are_named_with_one_and(two):
    page = comparison_page([*two, two[0]], compared([*two, two[0]]))
    assert "<title>thin &lt;one&gt;, thick one and thin &lt;one&gt;</title>" in page

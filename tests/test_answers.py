"""The person's questions: one line each, how surely, and at most one next measurement."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import spattermap
from spattermap.core.estimate import Estimate
from spattermap.examine import Examination, Finding
from spattermap.measure.metal_weight import withheld
from spattermap.show.answers import CERTAINTIES, QUESTIONS, answer_lines, answers, answers_of
from spattermap.show.wording import is_film
from spattermap.synthesis import Cracks, Deposit, make_deposit


@pytest.fixture(scope="module")
def droplets():
    maps = make_deposit(Deposit(shape=(128, 160)), seed=4).maps
    return spattermap.analyse(maps)


def told(analysis, topic, **numbers):
    known = {**analysis.summary(), **numbers}
    return next(one for one in answers_of(analysis, known) if one.topic == topic)


def oxygen(*rows):
    names = ("where", "excess_low", "excess", "excess_high", "z", "finding", "next_step")
    return pd.DataFrame(list(rows), columns=list(names))


def test_every_question_has_one_line_and_a_known_certainty(droplets):
    found = answers_of(droplets)
    assert [one.topic for one in found] == list(QUESTIONS)
    for one in found:
        assert one.certainty in CERTAINTIES
        assert one.answer.endswith(".")
        assert "\n" not in one.answer
        assert "nan" not in one.answer.lower().split()
    assert sum(bool(one.next_step) for one in found) <= 1


def test_answers_are_plain_for_json(droplets):
    assert list(answers_of(droplets)[0].to_dict()) == [
        "question", "answer", "certainty", "next_step",
    ]  # fmt: skip


def test_lines_for_a_terminal_name_the_certainty_and_the_next_measurement(droplets):
    text = answer_lines(answers_of(droplets))
    lines = text.splitlines()
    assert len(lines) in (len(QUESTIONS), len(QUESTIONS) + 1)
    assert lines[0].startswith(QUESTIONS["arrival"])
    assert lines[0].rsplit("[", 1)[1].rstrip("]") in CERTAINTIES


def test_one_joined_region_is_a_film_without_droplet_sizes(droplets):
    film = {"largest_region_share": 0.95, "connected_x": True}
    assert is_film(film)
    assert not is_film({"largest_region_share": 0.3, "connected_x": True})
    assert not is_film({"largest_region_share": 0.95, "connected_x": False})
    assert not is_film({})
    assert "film" in told(droplets, "arrival", **film).answer
    amount = told(droplets, "amount", **film).answer
    assert "droplets" not in amount
    assert "covered" in amount


def test_shares_that_overlap_name_no_leader(droplets):
    known = dict.fromkeys(("share_droplets", "share_haze"), 0.5)
    known |= {f"{name}_low": 0.4 for name in known} | {f"{name}_high": 0.6 for name in known}
    assert not told(droplets, "arrival", **known).answer.startswith("Mostly")
    clear = {"share_droplets": 0.8, "share_droplets_low": 0.7, "share_droplets_high": 0.9}
    clear |= {"share_haze": 0.2, "share_haze_low": 0.1, "share_haze_high": 0.3}
    assert told(droplets, "arrival", **clear).answer.startswith("Mostly as drops")


def test_connection_says_what_was_measured(droplets):
    maps = droplets.maps.copy()
    maps.attrs["measured"] = '{"sheet_resistance_ohm_per_sq": 12.0}'
    apart = replace(droplets, maps=maps)
    said = told(apart, "connection", connected_x=False, connected_y=False)
    assert said.certainty == "open"
    assert "12.0 Ω per square was measured" in said.answer
    ratios = {"sheet_conductance_ratio_x": 0.2, "sheet_conductance_ratio_x_low": 0.1,
              "sheet_conductance_ratio_x_high": 0.3}  # fmt: skip
    joined = told(droplets, "connection", connected_x=True, connected_y=False, **ratios)
    assert "across x only" in joined.answer
    assert "with 20 % (10 to 30 %) of a full film's conductance in x" in joined.answer
    assert joined.certainty == "shown"


def test_alloy_that_parted_says_where_the_element_lies(droplets):
    table = droplets.elements.copy()
    row = table["element"] == "Zn"
    table.loc[row, ["verdict", "share_in_droplets"]] = ["partly_separated", 0.41]
    table.loc[row, ["share_in_droplets_low", "share_in_droplets_high"]] = [0.37, 0.45]
    said = told(replace(droplets, elements=table), "alloy")
    assert "59 % (55 to 63 %) of the Zn lies between the droplets" in said.answer
    assert said.certainty == "shown"


def test_alloy_undecided_is_open_and_assumed_roles_are_said(droplets):
    table = droplets.elements.copy()
    table.loc[table["element"] == "Zn", ["verdict", "next_step"]] = ["undecided", "Count longer."]
    assert told(replace(droplets, elements=table), "alloy").certainty == "open"
    assumed = replace(droplets, roles=replace(droplets.roles, assumed=True))
    said = told(assumed, "alloy")
    assert "assumed" in said.answer
    assert said.certainty != "shown"


def test_oxide_names_where_it_lies(droplets):
    table = oxygen(
        ("droplets", 0.41, 0.5, 0.6, 27.0, "oxygen beyond the glass", ""),
        ("haze", 0.0, 0.1, 4.6, 1.0, "none shown", "Map at about 5 keV."),
    )
    view = SimpleNamespace(**{**vars(droplets), "oxygen": table})
    view.summary = droplets.summary
    assert told(view, "oxide").answer.startswith(
        "Yes, in droplets (at least 0.51 oxygen atoms per metal atom"
    )
    view.weighed = withheld("No thickness.", "")
    said = told(view, "oxide")
    assert said.answer.startswith("Yes, in droplets (at least 0.41 counts a pixel")
    assert "none shown in haze" in said.answer
    assert said.certainty == "likely"
    dimmed = oxygen(("haze", 0.0, 0.0, 4.6, -130.0, "undecided", "Map at about 5 keV."))
    view.oxygen = dimmed
    said = told(view, "oxide")
    assert said.answer.startswith("Not told for haze: less oxygen shows there than bare glass")
    assert said.certainty == "open"


def test_cracks_are_told_with_chance(droplets):
    mask = np.zeros(droplets.labels.shape, dtype=bool)
    cracks = {"mask": mask, "n": 9, "length_px": 300.0, "at_regions": 9,
              "at_regions_expected": 2.0, "p_value": 0.005, "density_per_px": 0.01}  # fmt: skip
    found = replace(droplets, segmentation=replace(droplets.segmentation, cracks=cracks))
    said = told(found, "cracks")
    assert "9 cracks" in said.answer
    assert "more often than chance (9 of 9 touch one, chance alone gives 2.0)" in said.answer
    none = replace(droplets, segmentation=replace(droplets.segmentation, cracks={**cracks, "n": 0}))
    assert told(none, "cracks").answer.startswith("No crack")
    few = {**cracks, "n": 1, "length_px": 13.0}
    few = replace(droplets, segmentation=replace(droplets.segmentation, cracks=few))
    assert told(few, "cracks").certainty == "open"
    texture = {**cracks, "n_bright": 8}
    texture = replace(droplets, segmentation=replace(droplets.segmentation, cracks=texture))
    assert "8 bright ones beside" in told(texture, "cracks").answer
    assert told(texture, "cracks").certainty == "open"


def test_a_clipped_image_is_not_searched_for_cracks_and_that_is_said():
    scene = make_deposit(Deposit(shape=(128, 128), cracks=Cracks(number=5)), seed=5)
    grey = scene.maps["electron_image"]
    clipped = scene.maps.assign(electron_image=grey.clip(max=float(grey.quantile(0.8))))
    found = spattermap.analyse(clipped)
    assert found.cracks is None
    assert "crack_count" not in found.summary()
    said = told(found, "cracks")
    assert said.answer.startswith("Not looked for: ")
    assert said.certainty == "open"


def test_doubtful_maps_come_first_with_their_next_step(droplets):
    dead = Finding(
        "rows", "Zn", "faulty", consequence="Rows are dead", next_step="Map again."
    )  # fmt: skip
    view = replace(droplets, examination=Examination((dead, Finding("dose")), droplets.maps))
    assert answers_of(view)[-1].answer == "Yes: Rows are dead."
    assert "Rows are dead" in answers(view).text.splitlines()[0]
    sound = replace(droplets, examination=Examination((Finding("dose"),), droplets.maps))
    assert answers_of(sound)[-1].answer == "No: 1 check passed."


def test_what_rests_on_a_fault_is_withheld_in_the_answers(droplets):
    lost = Finding(
        "rows", "all", "faulty", consequence="half is lost", next_step="Map again.",
        withholds=(("coverage", ""), ("connection", "y")),
    )  # fmt: skip
    found = replace(droplets, examination=Examination((lost,), droplets.maps))
    said = {one.topic: one for one in answers_of(found)}
    for topic in ("arrival", "amount", "connection"):
        assert said[topic].answer == "Withheld: half is lost."
        assert said[topic].certainty == "open"
    summary = found.summary()
    assert summary["coverage"] is None
    assert summary["connected_y"] is None
    assert summary["connected_x"] is not None


def test_maps_of_noise_alone_answer_nothing_about_form():
    maps = make_deposit(Deposit(shape=(96, 96)), seed=2).maps
    noise = maps.copy()
    random = np.random.default_rng(3)
    noise["counts"] = (maps["counts"].dims, random.poisson(0.3, maps["counts"].shape))
    found = {one.topic: one for one in answers_of(spattermap.analyse(noise))}
    assert found["arrival"].certainty == "open"
    assert found["amount"].certainty == "open"
    assert found["connection"].certainty == "open"


def test_cracked_plate_from_its_maps():
    scene = make_deposit(Deposit(shape=(256, 256), cracks=Cracks(number=9)), seed=5)
    said = told(spattermap.analyse(scene.maps), "cracks")
    assert said.answer.startswith("Yes: ")
    assert said.certainty == "likely"


def test_two_shares_that_say_the_same_are_told_once(droplets):
    table = droplets.elements.copy()
    row = table["element"] == "Zn"
    table.loc[row, ["verdict", "share_in_droplets"]] = ["partly_separated", 0.40]
    table.loc[row, ["share_in_droplets_low", "share_in_droplets_high"]] = [0.37, 0.44]
    names = ["share_not_following", "share_not_following_low", "share_not_following_high"]
    table.loc[row, names] = [0.59, 0.55, 0.63]
    said = told(replace(droplets, elements=table), "alloy").answer
    assert said.count("%") == 2
    assert "does not follow" not in said
    table.loc[row, names] = [0.30, 0.26, 0.34]
    said = told(replace(droplets, elements=table), "alloy").answer
    assert "30 % (26 to 34 %) of the Zn does not follow the alloy" in said


def test_haze_that_is_not_there_gets_no_clause(droplets):
    known = {"share_droplets": 0.998, "share_droplets_low": 0.99, "share_droplets_high": 1.0,
             "share_haze": 0.002, "share_haze_low": 0.0, "share_haze_high": 0.01}  # fmt: skip
    said = told(droplets, "arrival", **known).answer
    assert said.startswith("As drops: 100 %")
    assert "haze" not in said


def test_answers_stand_one_below_the_other_in_a_notebook_too(droplets):
    html = answers(droplets).html
    assert html.count('style="float:none;width:auto;margin:0"') == 2 * len(QUESTIONS)


def test_pieces_wider_than_the_field_are_neither_film_nor_drops(droplets):
    labels = np.ones((100, 100), np.int32)
    labels[:, 48:50] = 0
    labels[:, 50:] = 2
    box = np.array([[0, 0, 0, 0], [0, 0, 100, 48], [0, 50, 100, 100]])
    cut = replace(
        droplets.segmentation, labels=labels, n_droplets=2, box=box, area=np.array([0, 4800, 5000])
    )
    said = told(replace(droplets, segmentation=cut), "arrival")
    assert said.certainty == "open"
    assert "the frame cuts 2 that hold 100 % of the covered area" in said.answer
    box[:, :2] += 1  # one that lies within the field is a drop, however large
    box[:, 2:] -= 1
    whole = replace(cut, box=box, n_droplets=1)
    assert told(replace(droplets, segmentation=whole), "arrival").answer.startswith("As drops")


def test_regions_that_hardly_stand_out_may_be_thicker_places_of_a_film(droplets):
    zero = Estimate(0.1, 0.0, 0.2)
    levels = {"metal_means": {"Cu": 1.0, "Zn": 0.5}, "bare_means": {"Cu": 0.6, "Zn": 0.3}}
    found = replace(droplets.segmentation, **levels)
    said = told(replace(droplets, segmentation=found, haze_zero=zero), "arrival")
    assert said.certainty == "open"
    assert "perhaps no more than 1.7 times" in said.answer
    apart = replace(found, bare_means={"Cu": 0.1, "Zn": 0.05})
    said = told(replace(droplets, segmentation=apart, haze_zero=zero), "arrival")
    assert said.certainty == "likely"


def test_metal_between_the_regions_leaves_open_whether_a_current_passes(droplets, monkeypatch):
    known = {"connected_x": False, "connected_y": False, "share_haze": 0.2}
    monkeypatch.setattr(type(droplets.weighed), "between", lambda _: (60.0, 90.0))
    said = told(droplets, "connection", **known)
    assert said.certainty == "open"
    assert said.answer.startswith("What is outlined does not")
    assert "60 to 90 nm of metal lie between" in said.answer
    monkeypatch.setattr(type(droplets.weighed), "between", lambda _: (0.0, 40.0))
    assert "up to 40 nm of metal may lie between" in told(droplets, "connection", **known).answer
    little = {**known, "share_haze": 0.01}
    assert told(droplets, "connection", **little).certainty == "likely"

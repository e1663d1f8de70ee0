"""The rule of the verdict line by line: every threshold from both sides, on made-up evidence."""

from dataclasses import replace

import pytest

from spattermap.core.estimate import Estimate
from spattermap.verdict.evidence import ElementEvidence
from spattermap.verdict.rules import decide
from spattermap.verdict.sentences import counting_factor, next_step, reasons

NONE = Estimate(float("nan"), float("nan"), float("nan"))


def exactly(value, half=0.0):
    return Estimate(value, value - half, value + half)


# Zinc of brass that lies in the droplets and moves with the copper: nothing to object.
KEPT = ElementEvidence(
    element="Zn", role="alloy", mean=1.0, detection_limit=0.01, z_metal=30.0, z_metal_best=40.0,
    z_rest=0.0, z_rest_best=0.0, rest=exactly(0.02, 0.02), rest_most=0.1,
    in_droplets=exactly(0.95, 0.02), with_alloy=exactly(0.98, 0.02), per_metal=5.0, per_bare=0.0,
    of_partner=0.4, partners=("Cu",), blank=True, over_blank=1.0, patterned=False,
    r_alloy=exactly(0.95, 0.02), r_substrate=exactly(-0.8, 0.05), together=exactly(0.95, 0.02),
    along_glass=exactly(-0.8, 0.05),
)  # fmt: skip
OTHER = {"element": "Ti", "role": "other"}
ABSENT = {**OTHER, "z_metal": -1.0, "z_metal_best": 0.5}
FILM = {"z_rest": 20.0, "rest": exactly(0.5, 0.05), "with_alloy": exactly(0.5, 0.05),
        "rest_most": 0.55}  # fmt: skip
GLASS = {"element": "Na", "role": "substrate", "partners": ("Cu", "Zn")}
UNSTATED = {"glass_former": True, "z_glass": 3.0, "along_glass": Estimate(float("nan"), -1, 1)}
OVERSUPPLIED = {"supply_ratio": exactly(2.0, 0.5)}
OWN = {"patterned": True, "contrast": exactly(0.8, 0.1), "r_alloy": exactly(0.1, 0.1),
       "together": exactly(0.4, 0.05)}  # fmt: skip
APART = {"together": exactly(0.6, 0.1)}

# What is changed from KEPT, and the line of the table that must hold.
LINES = [
    ({}, "on metal"),
    # On metal: three standard errors.
    ({"z_metal": 3.0}, "on metal"),
    ({"z_metal": 2.99}, "too few counts"),
    # No more than 30 % may lie elsewhere.
    ({"rest_most": 0.3}, "on metal"),
    ({"rest_most": 0.301}, "on metal, rest open"),
    ({"rest_most": 0.9, "partners": ()}, "on metal"),
    # It must move with the others: lower bound 0.3, of the scale that knows it better.
    ({"together": Estimate(0.6, 0.3, 0.9)}, "on metal"),
    ({"together": Estimate(0.6, 0.299, 0.9)}, "on metal, correlation open"),
    ({"together": Estimate(0.6, 0.299, 0.9), "is_matrix": True}, "on metal"),
    ({"together": Estimate(float("nan"), -1.0, 1.0)}, "on metal, correlation open"),
    ({"together": NONE, "r_alloy": NONE}, "on metal"),  # noise unknown: no correlation at all
    ({"alloy_shown": False}, "on metal, no alloy shown there"),
    ({"alloy_shown": False, "is_matrix": True}, "on metal"),
    ({**APART, "r_alloy": exactly(0.6, 0.09), "r_substrate": exactly(-0.5, 0.1)}, "moves apart"),
    # Squares that say it moves along, and pixels that deny it.
    ({"r_alloy": exactly(0.6, 0.09), "r_substrate": exactly(-0.5, 0.1),
      "together": exactly(0.8, 0.1)}, "on metal, two scales disagree"),
    ({"r_alloy": exactly(0.6, 0.09), "r_substrate": exactly(-0.5, 0.1),
      "together": exactly(0.8, 0.101)}, "moves apart"),
    ({**OWN, "together": exactly(0.8, 0.1)}, "on metal, two scales disagree"),
    ({**OWN, "together": exactly(0.8, 0.101)}, "own pattern, with the alloy too"),
    ({"r_alloy": exactly(0.6, 0.1), "r_substrate": exactly(-0.5, 0.1)}, "on metal"),
    ({"r_alloy": exactly(0.6, 0.09), "r_substrate": exactly(-0.1, 0.1)}, "on metal"),
    ({"r_alloy": exactly(0.6, 0.09), "is_matrix": True}, "on metal"),
    ({"r_alloy": exactly(0.6, 0.09), "closed": True}, "on metal"),
    # Between the deposits: three standard errors and 5 % of it.
    (FILM, "between and with the alloy"),
    ({**FILM, "z_rest": 3.0}, "between and with the alloy"),
    ({**FILM, "z_rest": 2.99}, "on metal, rest open"),
    ({**FILM, "rest": exactly(0.05)}, "between and with the alloy"),
    ({**FILM, "rest": exactly(0.049)}, "on metal, rest open"),
    ({**FILM, "rest": NONE}, "between and with the alloy"),
    ({**FILM, "blank": False}, "between, no blank"),
    ({**FILM, "blank": False, "patterned": True, "contrast": exactly(0.8, 0.1)},
     "between and with the alloy"),
    ({**FILM, "with_alloy": exactly(0.149)}, "between and apart"),
    ({**FILM, "with_alloy": exactly(0.15)}, "between and with the alloy"),
    ({**FILM, "partners": ()}, "on metal"),  # one metal has nothing to separate from
    ({**FILM, **OVERSUPPLIED}, "between, more than the alloy held"),
    ({**FILM, "supply_ratio": Estimate(2.0, 1.0, 3.0)}, "between and with the alloy"),
    # A pattern of its own.
    ({**OWN, "with_alloy": exactly(0.149)}, "own pattern"),
    ({**OWN, "z_metal": 2.9}, "own pattern"),
    ({**OWN, "with_alloy": exactly(0.15)}, "own pattern, with the alloy too"),
    ({**OWN, "r_alloy": Estimate(0.5, 0.3, 0.7)}, "on metal"),
    ({**OWN, "r_alloy": Estimate(0.5, 0.3, 0.699)}, "own pattern, with the alloy too"),
    ({**OWN, "is_matrix": True}, "on metal"),
    ({**OWN, **FILM, **OVERSUPPLIED}, "between, more than the alloy held"),
    ({**OWN, **OTHER, **OVERSUPPLIED}, "on metal, more than the alloy held"),
    ({**OWN, **OVERSUPPLIED}, "own pattern, with the alloy too"),  # of the alloy, none between
    # Nothing there.
    ({"mean": 0.0}, "no counts"),
    ({"divided": False}, "no division"),
    (ABSENT, "no more than background may be"),
    ({**ABSENT, "z_varies": 5.0}, "uneven, but no more than background may be"),
    ({**ABSENT, "z_varies": 4.99}, "no more than background may be"),
    ({**ABSENT, "explained_by_leak": True}, "a leak could be all of it"),
    ({**ABSENT, "explained_by_leak": True, "z_varies": 9.0}, "a leak could be all of it"),
    ({**ABSENT, "blank_is_glass": True}, "blank shows as much"),
    ({**ABSENT, "role": "alloy"}, "nothing over background"),
    ({**ABSENT, "role": "alloy", "z_metal_best": 2.325, "z_rest_best": 2.325},
     "nothing over background"),
    ({**ABSENT, "role": "alloy", "z_metal_best": 2.327}, "too few counts"),
    ({**ABSENT, "role": "alloy", "z_rest_best": 2.327}, "too few counts"),
    # A constituent of the glass that nobody stated.
    ({**ABSENT, **UNSTATED}, "dark under the metal, like the glass"),
    ({**ABSENT, **UNSTATED, "z_varies": 9.0}, "dark under the metal, like the glass"),
    ({**ABSENT, **UNSTATED, "z_glass": 2.99}, "no more than background may be"),
    ({**ABSENT, **UNSTATED, "glass_former": False}, "no more than background may be"),
    ({**ABSENT, **UNSTATED, "along_glass": Estimate(-0.3, -0.5, -0.01)},
     "no more than background may be"),
    ({**ABSENT, **UNSTATED, "along_glass": Estimate(-0.3, -0.5, 0.0)},
     "dark under the metal, like the glass"),
    ({**OTHER, **FILM, "blank": False, "z_metal": 0.0, "glass_former": True,
      "along_glass": Estimate(0.7, 0.5, 0.9)}, "lies like the glass"),
    ({**OTHER, **FILM, "blank": False, "z_metal": 0.0, "glass_former": True}, "between, no blank"),
    # Neither alloy nor glass.
    ({**OTHER, **OVERSUPPLIED}, "the metal over again"),
    ({**OTHER, "together": Estimate(0.6, 0.5, 0.7)}, "the metal over again"),
    ({**OTHER, **OVERSUPPLIED, "together": Estimate(0.6, 0.5, 0.699)},
     "on metal, more than the alloy held"),
    ({**OTHER, **OVERSUPPLIED, "element": "C", "together": Estimate(0.6, 0.5, 0.699)},
     "on metal"),  # from air and handling
    (OTHER, "the metal over again"),
    # The substrate's own elements: 30 % over the blank, and enough of it.
    (GLASS, "glass constituent"),
    ({**GLASS, **FILM, "over_blank": 1.3}, "glass constituent with an excess over the blank"),
    ({**GLASS, **FILM, "over_blank": 1.299}, "glass constituent"),
    ({**GLASS, "over_blank": 2.0}, "glass constituent"),
    ({**GLASS, **FILM, "over_blank": 2.0, "element": "O"}, "glass constituent"),
    ({**GLASS, "mean": 0.0}, "no counts"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "line"), LINES)
def test_the_line_that_holds(changes, line):
    assert decide(replace(KEPT, **changes)).name == line


@pytest.mark.parametrize(("changes", "line"), LINES)
def test_every_line_is_explained(changes, line):
    one = replace(KEPT, **changes)
    condition = decide(one)
    said = reasons(one, condition)
    assert said
    assert "nan" not in said
    if condition.verdict == "undecided":
        assert next_step(one, condition)


@pytest.mark.parametrize(
    ("changes", "factor"),
    [
        # Twice the significance takes four times the counts.
        ({"z_metal": 1.0, "z_metal_best": 1.5}, 4.0),
        ({"z_metal": 1.0, "z_metal_best": 0.0, "z_rest_best": 0.5}, 36.0),
        # Half width 0.4 about 0.1; 0.2 are left to the 0.3 asked.
        ({"rest": exactly(0.1), "rest_most": 0.5}, 4.0),
        # Half width 0.6 about 0.6; 0.3 are left to the 0.3 asked.
        ({"together": Estimate(0.6, 0.0, 0.9)}, 4.0),
        ({"z_metal": 0.0, "z_metal_best": 0.0}, float("inf")),
        ({"together": Estimate(0.2, 0.0, 0.9)}, float("inf")),
    ],
)
def test_how_much_longer_to_count_by_hand(changes, factor):
    assert counting_factor(replace(KEPT, **changes)) == pytest.approx(factor, rel=1e-12)


def test_an_open_correlation_without_value_asks_for_counts_not_for_patience():
    one = replace(KEPT, together=Estimate(float("nan"), -1.0, 1.0))
    assert next_step(one, decide(one)) == "Count longer, or map a larger area."


def test_what_is_left_out_and_what_scale_was_asked_are_said():
    one = replace(KEPT, set_aside=("K",), side_px=4, partners=("Fe", "Ti"))
    said = reasons(one, decide(one))
    assert "Correlation with Fe and Ti: 0.95 (0.93 to 0.97) pixel by pixel; 0.95" in said
    assert "better known, of counts summed over squares of 4 px." in said
    assert "K may lie apart too, so the comparison leaves it out." in said


def test_an_even_pattern_is_given_as_the_reason_why_a_film_stays_open():
    one = replace(KEPT, **FILM, blank=False, contrast=exactly(0.22, 0.05))
    said = reasons(one, decide(one))
    assert "(relative standard deviation 0.22 (0.17 to 0.27)) is too even" in said
    assert "0.25 is asked" in said

"""The sentences of a verdict word by word, and what they ask for next."""

import math
from dataclasses import replace

import pytest

from spattermap.core.estimate import UNKNOWN, Estimate
from spattermap.verdict.evidence import ElementEvidence
from spattermap.verdict.judging import _lies_apart, _row
from spattermap.verdict.oxygen import COLUMNS, oxygen_sentences
from spattermap.verdict.rules import CONDITIONS, Condition, decide
from spattermap.verdict.sentences import counting_factor, next_step, reasons


def span(value, low, high):
    return Estimate(value, low, high)


# Zinc of brass in the droplets, as in test_separation_rules.
KEPT = ElementEvidence(
    element="Zn", role="alloy", mean=1.0, detection_limit=0.01, z_metal=30.0, z_metal_best=40.0,
    z_rest=0.0, z_rest_best=0.0, rest=span(0.02, 0.0, 0.04), rest_most=0.1,
    in_droplets=span(0.95, 0.93, 0.97), with_alloy=span(0.98, 0.96, 1.0), per_metal=5.0,
    per_bare=0.0, of_partner=0.4, partners=("Cu",), blank=True, over_blank=1.0, patterned=False,
    r_alloy=span(0.95, 0.93, 0.97), r_substrate=span(-0.8, -0.85, -0.75),
    together=span(0.95, 0.93, 0.97), along_glass=span(-0.8, -0.85, -0.75),
)  # fmt: skip
FILM = {
    "z_rest": 20.0, "z_rest_best": 20.0, "rest": span(0.5, 0.45, 0.55), "rest_most": 0.55,
    "with_alloy": span(0.5, 0.45, 0.55), "per_bare": 0.123,
}  # fmt: skip
WEAK = {"z_metal": 1.0, "z_metal_best": 1.5}


def said(**changes):
    one = replace(KEPT, **changes)
    return reasons(one, decide(one))


def asked(**changes):
    one = replace(KEPT, **changes)
    return next_step(one, decide(one))


def line(name):
    return next(one for one in CONDITIONS if one.name == name)


def test_what_a_kept_element_is_said_to_do():
    assert said() == (
        "On metal 5 net counts per pixel, 30 standard errors above all that background may be. "
        "Not following the alloy: 2 % (0 to 4). "
        "Correlation with Cu: 0.95 (0.93 to 0.97) pixel by pixel."
    )
    assert asked() == ""


def test_numbers_have_two_digits_below_ten():
    assert "On metal 0.012 net counts" in said(per_metal=0.0123)
    assert "On metal 9.9 net counts" in said(per_metal=9.94)
    assert "On metal 10 net counts" in said(per_metal=10.0)
    assert "On metal 11 net counts" in said(per_metal=10.6)
    # Fewer than nothing is no number to print.
    assert "On metal it gives no more than its background." in said(per_metal=-0.123)


def test_the_three_degrees_of_being_on_metal():
    background = {"z_metal": 2.9, "z_metal_best": 3.0, "partners": ()}
    assert "On metal 5 net counts per pixel, which may still be background." in said(**background)
    assert (
        "On metal 5 net counts per pixel, not significant (2.9 standard errors, 3 are asked)."
        in said(**{**background, "z_metal_best": 2.9})
    )
    assert "3 standard errors above all that background may be" in said(z_metal=3.0)


def test_what_lies_between_is_given_with_its_share():
    words = said(**FILM)
    assert (
        "Between the deposits 0.12 net counts per pixel, 20 standard errors more than background, "
        "glass and alloy haze explain: 50 % (45 to 55) of it does not follow the alloy." in words
    )
    assert "Not following the alloy:" not in words
    assert "Between" not in said(**{**FILM, "per_bare": math.nan})
    assert "Between" not in said(**{**FILM, "rest": UNKNOWN})
    assert "Not following" not in said(partners=())
    assert "Not following" not in said(**WEAK)


def test_where_metal_and_bare_area_are_not_told_apart_nothing_is_judged():
    """A bare plate: its correlations are noise over noise, however far they reach."""
    plate = {
        "divided": False, "per_metal": math.nan, "rest": UNKNOWN, "with_alloy": UNKNOWN,
        "together": span(-1.0, -1.0, -0.46), "r_alloy": span(-1.0, -1.0, -0.46),
    }  # fmt: skip
    assert said(**plate) == (
        "Metal and bare area could not be told apart in this field. "
        "Its correlation with Cu cannot be judged either."
    )
    assert said(**plate, role="substrate") == (
        "An element of the substrate. Its correlation with Cu cannot be judged, as metal and bare "
        "area could not be told apart."
    )
    one = replace(KEPT, **plate)
    row = _row(one, decide(one), "Zn Ka")
    for name in ("r_alloy", "r_substrate"):
        assert [row[name + end] for end in ("", "_low", "_high")] == [pytest.approx(
            math.nan, nan_ok=True)] * 3  # fmt: skip
    assert asked(**plate).startswith("Map a field that shows both deposit and bare substrate")


def test_one_correlation_and_its_scale():
    """The number of the table is always given, and that of squares beside it where it is better."""
    squares = {"side_px": 4, "together": span(0.97, 0.95, 0.98)}
    assert (
        "Correlation with Cu: 0.95 (0.93 to 0.97) pixel by pixel; 0.97 (0.95 to 0.98), better "
        "known, of counts summed over squares of 4 px." in said(**squares)
    )
    assert "Correlation with Cu: not told pixel by pixel; 0.97 (0.95 to 0.98), better" in said(
        **squares, r_alloy=span(math.nan, -1.0, 1.0)
    )
    assert said(together=span(math.nan, -1.0, 1.0)).endswith(
        "These counts do not bound its correlation with Cu."
    )
    assert "orrelation" not in said(together=UNKNOWN, r_alloy=UNKNOWN)
    assert "Correlation with the substrate's shadow: 0.95" in said(partners=())
    assert "Correlation with Cu and Sn: 0.95" in said(partners=("Cu", "Sn"))


def test_what_is_set_aside_is_said():
    assert said(set_aside=("Sn",)).endswith(
        "Sn may lie apart too, so the comparison leaves it out."
    )
    assert said(set_aside=("Sn", "Pb")).endswith(
        "Sn and Pb may lie apart too, so the comparison leaves them out."
    )
    assert "apart" not in said(set_aside=("Sn",), partners=())


def test_supply_is_said_where_something_is_there():
    rich = {"supply_ratio": span(2.0, 1.5, 2.5)}
    words = "the most that the alloy could have supplied, tolerance included: 2.00 (1.50 to 2"
    assert words in said(**rich, **FILM)
    assert words in said(**rich, role="other")
    assert words not in said(**rich)  # of the alloy, none between
    assert words not in said(**rich, role="other", **WEAK)
    assert words not in said(role="other")


def test_leaks_and_notes():
    assert "Lines of Cu, Ni may leak into this map." in said(leak_from=("Cu", "Ni"))
    assert "leak" not in said(leak_from=("Cu",), role="substrate")
    assert said(notes=("One.", "Two.")).endswith("One. Two.")


def test_patterns():
    own = {"patterned": True, "contrast": span(0.8, 0.7, 0.9), "r_alloy": span(0.1, 0.0, 0.2),
           "together": span(0.2, 0.1, 0.3)}  # fmt: skip
    spread = "elative standard deviation of that pattern: 0.80 (0.70 to 0.90)."
    assert spread in said(**own, **FILM)
    # With more than the alloy held the line is another, and the pattern needs its own sentence.
    assert (
        "Over the bare area it lies in a pattern of its own (relative standard deviation 0.80 "
        "(0.70 to 0.90)), unlike the substrate."
        in said(**own, **FILM, supply_ratio=span(2.0, 1.5, 2.5))
    )
    assert "standard deviation" not in said(**own)  # nothing between
    assert "standard deviation" not in said(**{**own, "patterned": None}, **FILM)
    even = "is too even to rule the glass out: 0.25 is asked, 0.15 at the least."
    assert even in said(**FILM, blank=False, contrast=span(0.2, 0.1, 0.3))
    assert even not in said(**FILM, blank=False)
    assert even not in said(**FILM, contrast=span(0.2, 0.1, 0.3))


def test_substrate_elements_are_spared_what_is_said_of_metals():
    words = said(role="substrate", **FILM, patterned=True, contrast=span(0.8, 0.7, 0.9),
                 supply_ratio=span(2.0, 1.5, 2.5))  # fmt: skip
    assert words.startswith("An element of the substrate.")
    assert "net counts" not in words
    assert "Seen over" not in words


# --- What to do next -----------------------------------------------------------------------------
PLATE = "Map a bare plate under the same conditions"
NEVER = (
    "No counting time in reach would settle it: use a line with more counts, a higher beam current "
    "or a larger area."
)
STANDARD = (
    "Map a piece of the alloy without Zn for the background on metal, or fit the background in the "
    "spectra."
)
ALLOY = "Map a field that is known to hold the alloy, or state what the deposit is made of."


@pytest.mark.parametrize(
    ("changes", "step"),
    [
        ({**FILM, "blank": False}, f"{PLATE}."),
        ({**FILM, "blank": False, "role": "other", "z_metal": 0.0, "glass_former": True,
          "along_glass": span(0.7, 0.5, 0.9)}, f"{PLATE}."),
        ({"explained_by_leak": True, "leak_from": ("Cu", "Ni"), "z_metal": 0.0},
         "Map another line of Zn, or fit the spectra with Cu and Ni included."),
        ({"alloy_shown": False}, ALLOY),
        # Half the significance asked: four times the counts.
        (WEAK, "Count 4 times longer."),
        ({**WEAK, "z_metal_best": 2.9}, "Count 2 times longer."),
        ({**WEAK, "z_metal_best": 2.0}, "Count 3 times longer."),  # (3 / 2)^2 = 2.25, rounded up
        # Either of the two places may show it.
        ({**WEAK, "z_metal_best": 0.0, "z_rest_best": 2.4}, "Count 2 times longer."),
        # Enough by its likely background, but that is in doubt and a blank was there.
        ({"z_metal": 1.0, "z_metal_best": 5.0}, STANDARD),
        ({"z_metal": 1.0, "z_metal_best": 3.0}, STANDARD),
        ({"z_metal": 1.0, "z_metal_best": 5.0, "blank": False},
         f"{PLATE} to know the background."),
        # Uneven: the spectra tell, and a blank if there was none.
        ({**WEAK, "z_varies": 9.0}, "Fit the background in the spectra."),
        ({**WEAK, "z_varies": 9.0, "blank": False},
         f"{PLATE}, or fit the background in the spectra."),
        # Half width 0.4 about 0.1; 0.2 are left to the 0.3 asked: four times.
        ({"rest": span(0.1, 0.0, 0.2), "rest_most": 0.5}, "Count 4 times longer."),
        ({"rest": span(0.1, 0.0, 0.2), "rest_most": 0.5, "blank": False},
         f"{PLATE}, and count 4 times longer."),
        ({"rest": span(0.31, 0.3, 0.32), "rest_most": 0.5}, NEVER),
        ({"rest": span(0.31, 0.3, 0.32), "rest_most": 0.5, "blank": False},
         f"{PLATE} to know the background."),
        # Half width 0.6 about 0.6, of which 0.3 are left.
        ({"together": span(0.6, 0.0, 0.9)}, "Count 4 times longer."),
        ({"together": span(math.nan, -1.0, 1.0)}, "Count longer, or map a larger area."),
        # Not there: only of the alloy is more counting worth while.
        ({"z_metal": 0.0, "z_metal_best": 0.5, "z_rest_best": 0.0}, "Count 36 times longer."),
        ({"z_metal": 0.0, "z_metal_best": 0.5, "role": "other"}, ""),
        ({"mean": 0.0, "z_metal_best": 0.0}, NEVER),
        (FILM, ""),
    ],
)  # fmt: skip
def test_next_step(changes, step):
    assert asked(**changes) == step


@pytest.mark.parametrize(("seen", "words"), [(0.3, "Count 100 times longer."), (0.299, "No count")])
def test_the_longest_counting_that_is_asked_for(seen, words):
    """(3 / 0.3)^2 = 100 times longer is the most that anyone takes."""
    assert asked(z_metal=0.0, z_metal_best=seen).startswith(words)


def test_no_more_counts_are_asked_where_they_are_enough():
    """Significance of the likely background is enough, so counting is not what is missing."""
    one = replace(KEPT, z_metal=1.0, z_metal_best=1.0, z_rest=3.0, z_rest_best=4.0,
                  rest=span(0.01, 0.0, 0.02))  # fmt: skip
    assert decide(one).name == "too few counts"
    assert counting_factor(one) == pytest.approx(9 / 16)
    assert next_step(one, decide(one)) == "Count longer, or map a larger area."


def test_room_left_to_the_limit_decides_how_long_to_count():
    infinite = {"rest": span(0.3, 0.2, 0.4), "rest_most": 0.5}
    assert counting_factor(replace(KEPT, **infinite)) == math.inf
    # A share below nothing is nothing: half width 0.6, all of 0.3 is left.
    below = {"rest": span(-0.2, -0.3, 0.4), "rest_most": 0.6}
    assert counting_factor(replace(KEPT, **below)) == pytest.approx(4.0)
    # An unknown share says nothing; what is seen does.
    unknown = {"rest": UNKNOWN, "rest_most": 0.6, "z_metal_best": 6.0}
    assert counting_factor(replace(KEPT, **unknown)) == pytest.approx(0.25)
    assert counting_factor(replace(KEPT, together=span(0.3, 0.0, 0.5))) == math.inf


# --- Rows ----------------------------------------------------------------------------------------
def test_a_row_holds_every_number_with_its_bounds():
    one = replace(KEPT, **FILM, p_value=0.25)
    row = _row(one, decide(one), "Zn Ka")
    assert row["element"] == "Zn"
    assert row["line"] == "Zn Ka"
    assert (row["mean_counts"], row["detection_limit_counts"]) == (1.0, 0.01)
    assert (row["share_in_droplets"], row["share_in_droplets_low"]) == (0.95, 0.93)
    assert (row["share_with_alloy"], row["share_with_alloy_high"]) == (0.5, 0.55)
    assert (row["r_alloy_low"], row["r_alloy_high"]) == (0.93, 0.97)
    assert (row["r_substrate_low"], row["r_substrate_high"]) == (-0.85, -0.75)
    assert (row["share_not_following"], row["share_not_following_low"]) == (0.5, 0.45)
    assert (row["p_value"], row["z_on_metal"], row["z_between"]) == (0.25, 30.0, 20.0)
    assert (row["verdict"], row["rule"]) == ("partly_separated", "between and with the alloy")


def test_shares_of_what_is_not_there_are_not_given():
    absent = {"z_metal": 0.0, "z_metal_best": 0.5, "role": "other", "element": "Ti"}
    for changes, shown in (
        (absent, False),
        ({**absent, "blank_is_glass": True}, False),
        ({"role": "substrate"}, True),  # the substrate's own counts do lie somewhere
        ({}, True),
    ):
        one = replace(KEPT, **changes)
        row = _row(one, decide(one), "")
        for name in ("share_in_droplets", "share_with_alloy", "share_not_following"):
            assert math.isfinite(row[name]) == shown, (changes, name)


def test_which_alloy_elements_are_no_yardstick():
    """What is shown to lie apart, or may: by the claim, or by what lies between."""
    assert not _lies_apart(KEPT)
    assert _lies_apart(replace(KEPT, **FILM))  # a claim
    assert _lies_apart(replace(KEPT, **FILM, blank=False))  # undecided, but it lies between
    apart = {"r_alloy": span(0.5, 0.4, 0.6), "r_substrate": span(-0.5, -0.6, -0.4)}
    assert decide(replace(KEPT, **apart)).name == "on metal, two scales disagree"
    assert _lies_apart(replace(KEPT, **apart))  # undecided, but pixels part it
    apart["together"] = span(0.5, 0.4, 0.6)
    assert decide(replace(KEPT, **apart)).name == "moves apart"
    assert _lies_apart(replace(KEPT, **apart))  # nothing between, but a claim
    assert not _lies_apart(replace(KEPT, **FILM, is_matrix=True))  # the yardstick itself
    assert not _lies_apart(replace(KEPT, **FILM, role="other"))


def test_the_table_cannot_be_changed_and_has_no_gap():
    with pytest.raises(AttributeError):
        CONDITIONS[0].verdict = "foreign"
    assert isinstance(CONDITIONS, tuple)
    names = [one.name for one in CONDITIONS]
    assert len(set(names)) == len(names)
    # Whatever the role, the last line takes what is left.
    nothing = replace(KEPT, z_metal=0.0, z_metal_best=2.9)
    for role in ("alloy", "other", "substrate"):
        assert isinstance(decide(replace(nothing, role=role)), Condition)
    assert decide(nothing).name == "too few counts"
    assert decide(replace(nothing, role="unheard of")).name == "too few counts"


# --- Oxygen in words -----------------------------------------------------------------------------
def test_oxygen_findings_in_words():
    import pandas as pd

    rows = [
        ("droplets", 1.0, 0.5, 0.1, 0.123, 0.4, 1.1, 12.4, "oxygen beyond the glass", ""),
        ("streaks", 1.0, 0.5, 0.1, 0.0, 0.0, 1.16, 0.4, "none shown", "x"),
        ("haze", 1.0, *[math.nan] * 6, "undecided", "x"),
    ]
    found = oxygen_sentences(pd.DataFrame(rows, columns=list(COLUMNS)))
    assert " ".join(found) == (
        "In droplets at least 0.12 counts per pixel (12 standard errors) more than glass and "
        "background can give: oxide is likely there. "
        "In streaks no oxygen is shown beyond what glass and background may give; up to 1.2 counts "
        "per pixel remain possible. "
        "Whether the haze holds oxygen cannot be told without a blank."
    )
    assert oxygen_sentences(pd.DataFrame([], columns=list(COLUMNS))) == ()


def test_regions_without_the_main_element_are_not_called_undivided():
    other = {"divided": False, "outlined": True}
    assert "could not be told apart in this field" not in said(**other)
    assert "hold no more of the alloy's main element" in said(**other)
    assert asked(**other).startswith("State what was deposited")

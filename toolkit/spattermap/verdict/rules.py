"""The rule of the verdict, in one place.

`CONDITIONS` is read from top to bottom; the first line whose condition holds gives the word. The
thresholds below are the only numbers it uses.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from spattermap.verdict.evidence import ElementEvidence

# --- Thresholds -----------------------------------------------------------------------------
# An excess counts as present from this many standard errors: one false alarm in about 700 for a
# single look. An analysis looks at some 10 numbers and the aim is under 1 % of wrong words.
PRESENT_Z = 3.0
# An element that does not even reach this over the likely background is "not detected"
# (one-sided 99 %, so that two looks at nothing say so in 98 of 100 cases; Currie 1968).
ABSENT_Z = 2.326
# A share under this is not called a separation, however significant: it is within what the
# forward model of background and blur leaves open (see tests/benchmarks/verdict_calibration.py).
LEAST_REST = 0.05
# "with_alloy" needs proof that no more than this part can lie elsewhere.
MOST_HIDDEN = 0.3
# A constituent of the glass must exceed the blank by this part: haze over the glass changes the
# ratio of its lines by more than a few percent.
LEAST_EXCESS = 0.3
# Less than this with the alloy is "separated", more is "partly_separated".
LEAST_FOLLOWING = 0.15
# A map that varies over the bare area this far beyond its noise (standard errors) is not called
# "not detected": an even background does not vary. Higher than PRESENT_Z, because haze raises the
# background a little here and there.
VARIES_Z = 5.0
# Relative standard deviation of a pattern of its own, over the bare area, from which an element
# cannot be glass or continuum; and what its lower bound must reach, so that one odd grain is none.
LEAST_CONTRAST = 0.25
LEAST_CONTRAST_LOW = 0.15
# An alloy element that moves with the others has a noise-corrected correlation near 1 with them;
# uneven thickness and background lower it a little. Below this, upper bound included, it does not.
LEAST_R = 0.7
# "with_alloy" is not said while the lower bound of that correlation is below this. For the main
# element it is the upper bound: against a minor one with few counts no correlation is known well,
# but one that is known to be low says that there is no alloy.
LEAST_TOGETHER = 0.3
# Correlation with the substrate lines that makes a common glass former "substrate" without blank.
SUBSTRATE_R = 0.5
# Words that say an element did not come down with the alloy.
CLAIMS = ("separated", "partly_separated", "foreign")
# Elements that come from air, residual gas and handling: never "foreign".
AMBIENT = ("C", "N", "O", "H")


# --- Facts a condition may ask for -----------------------------------------------------------
def on_metal(e: ElementEvidence) -> bool:
    """More on metal than background, glass and leaks can give."""
    return e.z_metal >= PRESENT_Z


def between(e: ElementEvidence) -> bool:
    """More between the deposits than background, glass and haze can give, and enough of it."""
    if e.role == "alloy" and not e.partners:
        return False  # a deposit of one metal has nothing to separate from: it is haze
    enough = not e.rest.known or e.rest.value >= LEAST_REST
    return e.z_rest >= PRESENT_Z and enough


def settled(e: ElementEvidence) -> bool:
    """Say whether the glass is ruled out: by a blank, or by a pattern of the element's own."""
    return e.blank or bool(e.patterned)


def oversupplied(e: ElementEvidence) -> bool:
    """More outside than the alloy could have supplied."""
    return e.supply_ratio.known and e.supply_ratio.low > 1.0 and e.element not in AMBIENT


def too_much(e: ElementEvidence) -> bool:
    """More than the alloy could have supplied, of what is surely there."""
    there = between(e) or (e.role == "other" and on_metal(e))
    return there and oversupplied(e)


def hidden_little(e: ElementEvidence) -> bool:
    """No more than `MOST_HIDDEN` can lie apart from the alloy."""
    return not e.partners or bool(e.rest_most <= MOST_HIDDEN)


def follows_little(e: ElementEvidence) -> bool:
    """Next to nothing goes with the alloy."""
    return e.with_alloy.known and e.with_alloy.value < LEAST_FOLLOWING


def evidence_missing(e: ElementEvidence) -> bool:
    """Say whether a number that the words rest on is not a number: then no word is earned."""
    return any(math.isnan(z) for z in (e.z_metal, e.z_metal_best, e.z_rest, e.z_rest_best))


def over_limit(e: ElementEvidence) -> bool:
    """More than the detection limit lies over the likely background: not "not detected"."""
    return bool(e.net > e.detection_limit)


def scales_agree(e: ElementEvidence) -> bool:
    """Say whether sums over squares leave open what single pixels deny: that it moves along.

    What pixels part and squares of a few pixels join is finer than a droplet, or it is no material
    at all but a part of one map that was taken off the other, or a filter.
    """
    return not e.together.low >= LEAST_R


def parted_in_pixels(e: ElementEvidence) -> bool:
    """Say whether, pixel by pixel, it lies where neither the alloy nor the open glass does."""
    deposited = e.r_substrate.known and e.r_substrate.high < 0.0
    moves = e.r_alloy.known and e.r_alloy.high < LEAST_R
    return bool(e.partners) and not (e.is_matrix or e.closed) and deposited and moves


def moves_apart(e: ElementEvidence) -> bool:
    """Say whether it lies where neither the alloy nor the open glass does, at any scale."""
    return parted_in_pixels(e) and scales_agree(e)


def moves_along(e: ElementEvidence) -> bool:
    """Say whether it is shown to move with the alloy, as far as the maps' noise is known.

    The correlation of single pixels or of squares is asked, whichever is known better. Few counts
    leave its interval open, which shows nothing; where the noise itself is unknown there is none.
    """
    if e.is_matrix:  # spared only while its correlation is open: shown not to move is shown
        return not e.together.high < LEAST_TOGETHER
    return math.isnan(e.together.low) or e.together.low >= LEAST_TOGETHER


def as_the_metal(e: ElementEvidence) -> bool:
    """Say whether an element nobody named shows nothing but the metal's own map over again.

    A tail of the metal's line, a sum or escape peak, or a window drawn too wide do so as well as
    an element that the alloy holds; only the spectrum tells them apart (Newbury, Scanning 31
    (2009) 91, from memory).
    """
    apart = any(r.known and r.high < LEAST_R for r in (e.r_alloy, e.together))
    elsewhere = between(e) and not e.rest_most <= MOST_HIDDEN
    return e.role == "other" and on_metal(e) and not (apart or elsewhere)


def own_pattern(e: ElementEvidence) -> bool:
    """Say whether it lies in a pattern of its own, and not where the alloy is."""
    apart = not e.partners or (e.r_alloy.known and e.r_alloy.high < LEAST_R and scales_agree(e))
    return bool(e.patterned) and apart and not e.is_matrix


def nothing_seen(e: ElementEvidence) -> bool:
    """Not even over the likely background."""
    return e.z_metal_best < ABSENT_Z and e.z_rest_best < ABSENT_Z


def like_the_glass(e: ElementEvidence) -> bool:
    """Lies as the substrate lines do."""
    return e.along_glass.known and e.along_glass.low >= SUBSTRATE_R


def dark_on_metal(e: ElementEvidence) -> bool:
    """Darker on metal than continuum can be, and not against the substrate lines."""
    against = e.along_glass.known and e.along_glass.high < 0.0
    return e.z_glass >= PRESENT_Z and not against


@dataclass(frozen=True)
class Condition:
    """One line of the table."""

    name: str  # short name, used by the sentences and by tests
    roles: tuple[str, ...]  # roles the line is for
    holds: Callable[[ElementEvidence], bool]  # the condition
    verdict: str  # the word


_ALL = ("alloy", "substrate", "other")
_METALS = ("alloy", "other")

# --- The table -------------------------------------------------------------------------------
CONDITIONS: tuple[Condition, ...] = (
    # The substrate's own elements. Without excess over the blank they are the glass, whatever
    # their map looks like; an excess in the metal (oxide, a reaction) is reported beside the word.
    Condition(
        "glass constituent with an excess over the blank",
        ("substrate",),
        lambda e: between(e) and e.over_blank >= 1 + LEAST_EXCESS and e.element not in AMBIENT,
        "foreign",
    ),
    Condition("glass constituent", ("substrate",), lambda e: e.mean > 0, "substrate"),
    # A net map may average below nothing and still show something, so only zero is no counts.
    Condition("no counts", _ALL, lambda e: e.mean == 0, "not_detected"),
    Condition("no division", _METALS, lambda e: not e.divided, "undecided"),
    Condition("evidence missing", _METALS, evidence_missing, "undecided"),
    # Nothing there.
    Condition(
        "blank shows as much", ("other",),
        lambda e: e.blank_is_glass and not on_metal(e) and not between(e), "substrate",
    ),
    Condition(
        "few pixels own it", _METALS,
        lambda e: e.without_few.known and (on_metal(e) or own_pattern(e)) and not too_much(e),
        "undecided",
    ),
    Condition(
        "own pattern, with the alloy too", _METALS,
        lambda e: own_pattern(e) and on_metal(e) and not follows_little(e)
        and not too_much(e),
        "partly_separated",
    ),
    Condition(
        "own pattern", _METALS,
        lambda e: own_pattern(e) and not too_much(e), "separated",
    ),
    Condition(
        "dark under the metal, like the glass", ("other",),
        # Metal raises the continuum, so what is darker there than that allows is no continuum: a
        # constituent of the glass that nobody stated.
        lambda e: not on_metal(e) and not between(e) and e.glass_former and dark_on_metal(e),
        "substrate",
    ),
    Condition(
        "uneven, but no more than background may be", _METALS,
        lambda e: not on_metal(e) and not between(e) and not e.explained_by_leak
        and e.z_varies >= VARIES_Z,
        "undecided",
    ),
    Condition(
        "over the limit, but background may be all of it", _METALS,
        lambda e: not on_metal(e) and not between(e) and not e.explained_by_leak and over_limit(e),
        "undecided",
    ),
    Condition(
        "no more than background may be", ("other",),
        lambda e: not on_metal(e) and not between(e) and not e.explained_by_leak, "not_detected",
    ),
    Condition(
        "nothing over background", ("alloy",),
        lambda e: not on_metal(e) and not between(e) and nothing_seen(e), "not_detected",
    ),
    Condition(
        "a leak could be all of it", _METALS,
        lambda e: e.explained_by_leak and not between(e), "undecided",
    ),
    Condition("the metal over again", ("other",), as_the_metal, "undecided"),
    # Something lies between the deposits that background, haze and glass do not explain.
    Condition(
        "between, more than the alloy held", _METALS,
        lambda e: between(e) and settled(e) and oversupplied(e), "foreign",
    ),
    Condition(
        "between and apart", _METALS,
        lambda e: between(e) and settled(e) and follows_little(e), "separated",
    ),
    Condition(
        "between and with the alloy", _METALS,
        lambda e: between(e) and settled(e), "partly_separated",
    ),
    Condition(
        "lies like the glass", ("other",),
        lambda e: between(e) and not on_metal(e) and e.glass_former and like_the_glass(e),
        "substrate",
    ),
    Condition("between, no blank", _METALS, between, "undecided"),
    Condition(
        "moves apart", _METALS,
        lambda e: on_metal(e) and moves_apart(e) and not (e.role == "other" and oversupplied(e)),
        "partly_separated",
    ),
    # It lies on the metal.
    Condition(
        "on metal, more than the alloy held", ("other",),
        lambda e: on_metal(e) and oversupplied(e), "foreign",
    ),
    Condition(
        "on metal, two scales disagree", _METALS,
        lambda e: on_metal(e) and parted_in_pixels(e) and not scales_agree(e), "undecided",
    ),
    Condition(
        "on metal, no alloy shown there", _METALS,
        lambda e: on_metal(e) and not e.is_matrix and not e.alloy_shown,
        "undecided",
    ),
    Condition(
        "on metal", _METALS,
        lambda e: on_metal(e) and hidden_little(e) and moves_along(e), "with_alloy",
    ),
    Condition(
        "on metal, the rest of the alloy elsewhere", ("alloy",),
        lambda e: on_metal(e) and e.is_matrix and not moves_along(e), "undecided",
    ),
    Condition(
        "on metal, correlation open", _METALS,
        lambda e: on_metal(e) and hidden_little(e), "undecided",
    ),
    Condition("on metal, rest open", _METALS, on_metal, "undecided"),
    Condition("too few counts", _METALS, lambda _: True, "undecided"),
)  # fmt: skip


def decide(evidence: ElementEvidence) -> Condition:
    """Return the first line of the table that holds for an element."""
    for condition in CONDITIONS:
        if evidence.role in condition.roles and condition.holds(evidence):
            return condition
    return CONDITIONS[-1]

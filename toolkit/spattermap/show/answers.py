"""The person's questions, one line each: what is known, how surely, and the one next measurement.

Examples
--------
>>> import spattermap
>>> from spattermap.show.answers import answers_of
>>> from spattermap.synthesis import Deposit, make_deposit
>>> maps = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1).maps
>>> found = answers_of(spattermap.analyse(maps))
>>> [answer.certainty for answer in found if answer.topic == "cracks"]
['not asked']
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from html import escape
from typing import Any, TypeGuard

import pandas as pd

from spattermap.core import estimate
from spattermap.core.estimate import bounded
from spattermap.core.mapset import element_names, facts, unit_name
from spattermap.show.examined import part_seen
from spattermap.show.pieces import Fragment, unbroken
from spattermap.show.wording import (
    UNDIVIDED,
    VERDICT_SENTENCES,
    could_divide,
    figures,
    is_film,
    listing,
    percent,
    too_few_droplets,
    with_interval,
)

CERTAINTIES = ("shown", "likely", "open", "not asked")

QUESTIONS = {
    "arrival": "How did the metal arrive?",
    "amount": "How much, how large, how thick?",
    "connection": "Does it connect and conduct?",
    "alloy": "Did the alloy stay together?",
    "oxide": "Is there oxide, and where?",
    "cracks": "Did the glass crack?",
    "maps": "Is any map doubtful?",
}

_SUBJECTS = {
    "arrival": "way it arrived", "amount": "amount", "connection": "connection",
    "alloy": "alloy", "oxide": "oxide", "cracks": "cracks", "maps": "maps",
}  # fmt: skip

# Whose open question comes first where one measurement must be named: what all else rests on,
# then what only a new map can tell, then what a look elsewhere can.
_SETTLES_MOST = ("maps", "arrival", "alloy", "oxide", "connection", "amount", "cracks")

# Of a share above this nobody says "mostly" (common practice, no source).
_NEARLY_ALL = 0.99

# A share whose upper bound stays below this is not worth a clause (common practice, no source).
_TRACE = 0.005

# Chance alone gives as many crack ends at droplets in one field of twenty (common practice).
_P_TOGETHER = 0.05


# On plates without cracks up to two dark lines were found (measured on the demo deposits).
FEWEST_CRACKS = 3


@dataclass(frozen=True)
class Answer:
    """One question with what this field says about it."""

    topic: str  # key of `QUESTIONS`
    # one line each; numbers carry their interval
    question: str
    answer: str
    # one of `CERTAINTIES`: measured here; the most probable reading; not settled; not looked at
    certainty: str
    # the measurement that would settle most; empty for all answers of a field but one
    next_step: str = ""

    def to_dict(self) -> dict[str, str]:
        """Return question, answer, certainty and next step, as ``summary.json`` holds them."""
        return {name: text for name, text in asdict(self).items() if name != "topic"}


def answers_of(analysis: Any, numbers: Mapping[str, Any] | None = None) -> tuple[Answer, ...]:
    """Answer the person's questions from a finished analysis.

    Parameters
    ----------
    numbers : mapping of str to object, optional
        Its summary, where that is at hand.

    Returns
    -------
    tuple of Answer
        In the order of `QUESTIONS`; at most one has a next step.
    """
    known = dict(numbers if numbers is not None else analysis.summary())
    divided = could_divide(analysis)
    even = ("arrival", UNDIVIDED, "open", _WAYS_OUT), ("amount", _CANNOT_DIVIDE, "open")
    if not divided:
        even = _even_film(analysis, known) or even
    found = [
        _arrival(analysis, known) if divided else _answer(*even[0]),
        _amount(analysis, known) if divided else _answer(*even[1]),
        _connection(analysis, known) if divided else _answer("connection", _CANNOT_DIVIDE, "open"),
        _alloy(analysis, film=divided and is_film(known)),
        _oxide(analysis, film=divided and is_film(known)),
        _cracks(analysis, known),
        _maps(analysis),
    ]
    found = [_no_surer_than_roles(one, analysis) for one in found]
    return _one_next_step([_unless_withheld(one, analysis) for one in found])


def _no_surer_than_roles(one: Answer, analysis: Any) -> Answer:
    """Return an answer that is likely at most where which elements are metal is assumed."""
    rests = one.topic in ("arrival", "amount", "connection") and one.certainty == "shown"
    return replace(one, certainty="likely") if rests and analysis.roles.assumed else one


def _even_film(
    analysis: Any, known: Mapping[str, Any]
) -> tuple[tuple[str, str, str, str], tuple[str, str, str]] | None:
    """Return arrival and amount where only a blank tells that metal covers the field evenly."""
    if analysis.weighed.field is None:
        return None
    thick = _thickness(dict(known))
    if thick == _NO_THICKNESS:
        return None
    arrival = (
        "As an even film over the whole field: no droplet or streak stands out, and the glass is "
        "dimmed against the blank."
    )
    amount = f"All of the field, evenly, {thick.removesuffix(' where covered')}."
    return ("arrival", arrival, "likely", ""), ("amount", amount, "likely")


def _unless_withheld(one: Answer, analysis: Any) -> Answer:
    """Return an answer, or why it is withheld where it rests on maps at fault."""
    held = analysis.examination.withheld
    reasons = {
        "arrival": held.coverage,
        "amount": held.coverage,
        "connection": next(iter(held.connection.values()), None),
        "oxide": held.of("verdict", "O"),
    }
    why = reasons.get(one.topic)
    if why is None or one.certainty == "not asked":
        return one
    return replace(one, answer=f"Withheld: {why[0]}.", certainty="open", next_step="")


def answer_lines(answers: Sequence[Answer]) -> str:
    """Return the answers for a terminal, one line a question and the next measurement below."""
    lines = [f"{one.question} {one.answer} [{one.certainty}]" for one in answers]
    lines += [
        f"Next, to settle the {_SUBJECTS[one.topic]}: {one.next_step}"
        for one in answers
        if one.next_step
    ]
    return "\n".join(lines)


# A sign beside each word, so that nobody depends on weight or colour.
CERTAINTY_SIGNS = {"shown": "●", "likely": "◐", "open": "○", "not asked": "–"}


def answers(analysis: Any) -> Fragment:
    """Return the answers as a piece of a page."""
    found = answers_of(analysis)
    # What is wrong with the maps comes before all that rests on them.
    first = [one for one in found if one.topic == "maps" and one.answer.startswith("Yes")]
    return answers_piece([*first, *(one for one in found if one not in first)])


# A notebook's own style floats the names of a list, so that the lines would stand as a staircase.
_UNFLOATED = "float:none;width:auto;margin:0"


def answers_piece(found: Sequence[Answer]) -> Fragment:
    """Return given answers as a piece of a page: question, certainty, answer, and what is next."""
    rows = []
    for one in found:
        kind = "asked" if one.certainty == "not asked" else one.certainty
        sure = f"{CERTAINTY_SIGNS[one.certainty]} {one.certainty}"
        rows.append(
            f'<div class="{kind}"><dt style="{_UNFLOATED}">{escape(one.question)} '
            f'<span class="sure">{sure}</span></dt>'
            f' <dd style="{_UNFLOATED}">{unbroken(one.answer)}</dd></div>'
        )
    step = "".join(
        f'<p class="next"><strong>Next, to settle the {_SUBJECTS[one.topic]}:</strong> '
        f"{unbroken(one.next_step)}</p>"
        for one in found
        if one.next_step
    )
    html = f'<dl class="answers">{"".join(rows)}</dl>{step}'
    return Fragment(html, answer_lines(found))


_CANNOT_DIVIDE = "Metal and bare area could not be told apart."
_WAYS_OUT = "Map again with more counts, or map a bare plate under the same conditions."


def _answer(topic: str, answer: str, certainty: str, next_step: str = "") -> Answer:
    return Answer(topic, QUESTIONS[topic], answer, certainty, next_step)


def _one_next_step(found: Sequence[Answer]) -> tuple[Answer, ...]:
    """Keep the next step of the question that settles most: open ones first."""
    waiting = [one for one in found if one.next_step]
    if not waiting:
        return tuple(found)
    first = min(waiting, key=_weight)
    return tuple(one if one is first else replace(one, next_step="") for one in found)


def _weight(one: Answer) -> tuple[float, int]:
    """Return how late a question comes; a few dark lines wait for what is likely but unsettled."""
    order = {"open": 0.0, "likely": 1.0, "not asked": 2.0, "shown": 3.0}
    later = 1.5 if one.topic == "cracks" else 0.0
    return order[one.certainty] + later, _SETTLES_MOST.index(one.topic)


def _arrival(analysis: Any, known: Mapping[str, Any]) -> Answer:
    from spattermap.measure.form import cut_pieces

    n_droplets, n_streaks = int(known.get("droplet_count", 0)), int(analysis.segmentation.n_streaks)
    if uneven := _uneven(analysis):
        return uneven
    if is_film(known):
        joined = percent(known["largest_region_share"])
        said = (
            f"As a film with gaps: {joined} of the covered area is one joined region. Whether "
            "drops or vapour built it, a map alone does not tell."
        )
        return _answer("arrival", said, "likely", "View a cross-section of the film's edge.")
    outlined = analysis.segmentation
    if getattr(outlined, "box", None) is not None and (cut := cut_pieces(outlined)):
        said = (
            f"In pieces wider than the field shows: the frame cuts {cut.n} that hold "
            f"{percent(cut.share)} of the covered area. One film that cracks or scratches part, or "
            "drops as large, this field does not tell."
        )
        return _answer("arrival", said, "open", "Map a wider field at lower magnification.")
    if not n_droplets and not n_streaks:
        unit = known.get("length_unit", "um")
        smallest = estimate.length(known.get(f"smallest_trusted_{unit}", math.nan), unit)
        said = f"No droplet or streak above {smallest} was found."
        return _answer("arrival", said, "open", _HAZE_NEXT)
    names = {
        "droplets": ("drops", _counted(n_droplets, "droplet")),
        "streaks": ("streaks", _counted(n_streaks, "streak")),
        "haze": ("haze", "the haze between"),
    }
    shares = [
        (float(known[f"share_{part}"]), part)
        for part in names
        if _is_number(known.get(f"share_{part}"))
        and float(known.get(f"share_{part}_high") or 0.0) > _TRACE
        and (part != "haze" or float(known[f"share_{part}"]) > _TRACE)
    ]
    if not shares:
        said = f"{_counted(n_droplets, 'droplet')} and {_counted(n_streaks, 'streak')} were found."
        return _answer("arrival", f"{said} Their share of the metal is not told.", "open")
    shares.sort(reverse=True)
    told = [
        f"{with_interval(dict(known), f'share_{part}', as_percent=True)} in {names[part][1]}"
        for _, part in shares
    ]
    first = shares[0][1]
    clear = _clearly_first(known, [part for _, part in shares])
    alone = len(shares) == 1 or shares[0][0] > _NEARLY_ALL
    lead = f"As {names[first][0]}" if alone else f"Mostly as {names[first][0]}"
    if not clear:
        lead = f"As {listing([names[part][0] for _, part in shares])}"
    certainty = "likely" if _is_number(known.get(f"share_{first}_low")) else "open"
    step = ""
    if any(part == "haze" for _, part in shares):
        step = _HAZE_NEXT
    said = f"{lead}: {_of_signal(told)}."
    if first == "haze":
        unit = str(known.get("length_unit", "um"))
        smallest = estimate.length(float(known.get(f"smallest_trusted_{unit}", math.nan)), unit)
        said += f" Droplets below {smallest} look the same."
    return _answer("arrival", said, certainty, step)


# Regions that may show less than so many times the metal of what lies between them are thicker
# places of one film as well as drops: of films whose thickness varied by 30 % it was 1.6 to 2.5.
_STANDS_OUT = 2.8


def _uneven(analysis: Any) -> Answer | None:
    """Return the answer where regions hardly stand out of what metal may lie between; else None."""
    zero, found = getattr(analysis, "haze_zero", None), analysis.segmentation
    if zero is None or not zero.known or not getattr(found, "bare_means", None):
        return None
    least = min(zero.low, zero.value)
    on, between = (
        sum(means[e] for e in analysis.roles.alloy if e in means) - least
        for means in (found.metal_means, found.bare_means)
    )
    if not 0 < on < _STANDS_OUT * between:
        return None
    blank = analysis.blank is not None
    said = (
        f"As thicker and thinner places: where the metal is thick it gives "
        f"{'' if blank else 'perhaps no more than '}{figures(on / between, significant=2)} times "
        "the signal of what lies between. Drops in haze or one uneven film, the maps do not tell."
    )
    step = _HAZE_NEXT if blank else "Map a bare plate under the same conditions."
    return _answer("arrival", said, "open", step)


_HAZE_NEXT = (
    "Map one field at several times the magnification: a film stays smooth, fine droplets part."
)


def _of_signal(told: Sequence[str]) -> str:
    first, *rest = told
    first = first.replace(" in ", " of the metal signal lies in ", 1)
    return listing([first, *rest])


def _clearly_first(known: Mapping[str, Any], parts: Sequence[str]) -> bool:
    """Return whether the largest share is more than half, bounds included."""
    low = known.get(f"share_{parts[0]}_low")
    return len(parts) == 1 or (_is_number(low) and float(low) > 0.5)


def _amount(analysis: Any, known: Mapping[str, Any]) -> Answer:
    summary = dict(known)
    unit = str(known.get("length_unit", "um"))
    seen = part_seen(analysis)
    covered = with_interval(summary, "coverage", as_percent=True)
    said = [" ".join(filter(None, (covered, seen, "is covered")))]
    certainty = "shown" if _is_number(known.get("coverage_low")) else "likely"
    median = known.get(f"d50_{unit}")
    if not is_film(known) and known.get("droplet_count") and _is_number(median):
        ends = [known.get(f"d50_{unit}_{end}") for end in ("low", "high")]
        low, high = (float(end) if _is_number(end) else math.nan for end in ends)
        told = estimate.length(float(median), unit, (low, high))
        said.append(f"half of the droplets are smaller than {told}")
        if too_few_droplets(analysis):
            said[-1] += ", from too few droplets to rely on"
            certainty = "likely"
    step = ""
    said.append(_thickness(summary))
    if not said[-1].startswith("about"):
        step = analysis.weighed.next_step or (
            "Measure the thickness of one place, or state the beam energy and the lines."
        )
    return _answer("amount", f"{'; '.join(said)}.", certainty, step)


def _thickness(known: dict[str, Any]) -> str:
    """Return the mean thickness where covered, or its one bound."""
    value = with_interval(known, "mean_thickness_nm")
    if not value.startswith("–"):
        return f"about {value} nm thick where covered"
    for word, end in (("at least", "low"), ("at most", "high")):
        bound = known.get(f"mean_thickness_nm_{end}")
        if known.get("mean_thickness_bound") == word and _is_number(bound):
            return f"{word} {figures(float(bound), significant=2)} nm thick where covered"
    return _NO_THICKNESS


_NO_THICKNESS = "thickness not told"


def _connection(analysis: Any, known: Mapping[str, Any]) -> Answer:
    unit = str(known.get("length_unit", "um"))
    crosses = [axis for axis in ("x", "y") if known.get(f"connected_{axis}")]
    measured = facts(analysis.maps).measured.get("sheet_resistance_ohm_per_sq")
    if not crosses:
        gaps = [known.get(f"gap_to_cross_{axis}_{unit}") for axis in ("x", "y")]
        told = sorted(float(gap) for gap in gaps if _is_number(gap))
        said = "No, in neither direction"
        if told:
            said += f": gaps of {figures(told[0])} {unit_name(unit)} bar the easiest way"
        if _is_number(measured):
            said += (
                f"; yet {figures(float(measured))} Ω per square was measured, "
                "so metal thinner than the maps show must carry it"
            )
            return _answer("connection", f"{said}.", "open", _HAZE_NEXT)
        step = analysis.continuity.next_step
        if _drawn_otherwise(analysis):
            return _answer("connection", f"{said}; {_drawn_otherwise(analysis)}.", "open", step)
        if between := may_carry(analysis, known):
            said = said.replace("No, in neither direction", "What is outlined does not")
            return _answer("connection", f"{said}; but {between}.", "open", MEASURE)
        return _answer("connection", f"{said}.", "likely", step)
    ratios = [
        with_interval(dict(known), f"sheet_conductance_ratio_{axis}", as_percent=True)
        for axis in crosses
    ]
    ratios[0] += " of a full film's conductance"
    ratios = [f"{ratio} in {axis}" for ratio, axis in zip(ratios, crosses, strict=True)]
    said = f"Yes, across {' and '.join(crosses)}"
    if len(crosses) == 1:
        said += " only"
    said += f", with {listing(ratios)}"
    step = ""
    implied = analysis.continuity.resistivity
    if implied is not None and _is_number(measured):
        said += f". The measured {figures(float(measured))} Ω per square {_implied(implied)}"
        if not _is_number(implied.times_bulk):
            step = analysis.continuity.next_step
    elif not _is_number(measured):
        step = MEASURE
    if _drawn_otherwise(analysis):
        # Where a current was measured, that the sample conducts is not open.
        sure = "likely" if _is_number(measured) else "open"
        step = analysis.continuity.next_step or step
        return _answer("connection", f"{said}; {_drawn_otherwise(analysis)}.", sure, step)
    thin = any(known.get(f"sheet_conductance_ratio_{axis}_low") == 0 for axis in crosses)
    return _answer("connection", f"{said}.", "likely" if thin else "shown", step)


MEASURE = "Measure the sheet resistance."

# Films evaporated onto glass carry a current from about this mean thickness on (copper, silver,
# gold: 5 to 15 nm; from memory), and a haze of less than this share is taken for continuum.
_CARRIES_NM, _SOME_HAZE = 10.0, 0.05


def may_carry(analysis: Any, known: Mapping[str, Any] | None = None) -> str:
    """Return how much metal lies between the regions where that may carry a current; else empty."""
    known = analysis.summary() if known is None else known
    weighed, share = getattr(analysis, "weighed", None), known.get("share_haze")
    if weighed is None or not _is_number(share) or share < _SOME_HAZE:
        return ""
    low, high = weighed.between()
    if not high >= _CARRIES_NM:
        return ""
    much = figures(high, significant=2)
    if low >= _CARRIES_NM / 2:
        much = f"{figures(low, significant=2)} to {much} nm of metal lie"
    else:
        much = f"up to {much} nm of metal may lie"
    return f"{much} between, which carry a current if they are even"


def _drawn_otherwise(analysis: Any) -> str:
    """Return what maps and electron image disagree on; empty where they agree or one is alone."""
    from spattermap.measure.connection import crossing_is_open

    other = analysis.continuity.otherwise
    if other is None or not crossing_is_open(analysis.continuity):
        return ""
    ways = [axis for axis in ("x", "y") if getattr(other, f"crosses_{axis}")]
    crosses = f"cross in {' and '.join(ways)}" if ways else "cross in neither direction"
    if other.drawn_by == "electron image":
        return f"but the sharper outlines of the electron image {crosses}"
    return f"but the outlines of the maps alone {crosses}"


def _implied(implied: Any) -> str:
    if _is_number(implied.times_bulk):
        times = bounded(
            implied.times_bulk, implied.times_bulk_low, implied.times_bulk_high,
            partial(figures, significant=2),
        )  # fmt: skip
        return f"means {times} times the resistivity of bulk {implied.reference}"
    if not implied.reference:
        return "cannot be held against a bulk value: state the alloy or its resistivity"
    if _is_number(implied.times_bulk_low):
        least = figures(float(implied.times_bulk_low), significant=2)
        return f"means at least {least} times the resistivity of bulk {implied.reference}"
    thick = figures(implied.bulk_thickness_nm, significant=2)
    return f"would need {thick} nm of bulk {implied.reference}"


def _alloy(analysis: Any, *, film: bool) -> Answer:
    roles = analysis.roles
    table = analysis.elements
    rows = table[table["role"] == "alloy"].to_dict("records")
    step = next((str(row["next_step"]) for row in rows if row.get("next_step")), "")
    foreign = table[(table["role"] == "other") & (table["verdict"] == "foreign")]
    strangers = [str(name) for name in foreign["element"]]
    if len(rows) < 2:
        said = "One metal, so it has no partner to part from."
        if roles.assumed:
            said += " That it is all the metal is assumed, not stated."
        if strangers:
            return _answer("alloy", f"{said} {_foreign(strangers)}", "shown", _first_step(foreign))
        return _answer("alloy", said, "not asked")
    words = [
        *_together(rows),
        *[_apart(row, film=film) for row in rows if row["verdict"] in _APART],
    ]
    words += _rest(rows)
    words += [_foreign(strangers)] if strangers else []
    verdicts = {row["verdict"] for row in rows}
    certainty = "open" if "undecided" in verdicts else "shown"
    if roles.assumed:
        metals = listing([str(row["element"]) for row in rows])
        words.append(f"That {metals} make the alloy is assumed, not stated.")
        certainty = "likely" if certainty == "shown" else certainty
        step = step or "State what the alloy is, as bought."
    return _answer("alloy", " ".join(words), certainty, step or _first_step(foreign))


_APART = ("partly_separated", "separated")


def _together(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    names = [str(row["element"]) for row in rows if row["verdict"] == "with_alloy"]
    if len(names) == len(rows):
        return [f"Yes: {listing(names)} came down together."]
    if any(row["verdict"] in _APART for row in rows):
        return [
            "No:" if not any(row["verdict"] == "partly_separated" for row in rows) else "In part:"
        ]
    return [f"{listing(names)} came down together."] if len(names) > 1 else []


def _apart(row: Mapping[str, Any], *, film: bool) -> str:
    """Say where an element lies that does not follow the alloy."""
    element = row["element"]
    gap = "in the film's gaps" if film else "between the droplets"
    between = {
        "share": _minus(row.get("share_in_droplets")),
        "share_low": _minus(row.get("share_in_droplets_high")),
        "share_high": _minus(row.get("share_in_droplets_low")),
    }
    if _is_number(between["share"]):
        where = with_interval(between, "share", as_percent=True)
        said = f"{where} of the {element} lies {gap}"
    else:
        said = f"{element} {VERDICT_SENTENCES[str(row['verdict'])]}"
    apart = with_interval(dict(row), "share_not_following", as_percent=True)
    if apart.startswith("–") or _same_part(row, between):
        return f"{said}."
    return f"{said}; {apart} of the {element} does not follow the alloy."


def _same_part(row: Mapping[str, Any], between: Mapping[str, float]) -> bool:
    """Return whether both shares lie in each other's intervals: then one number says it all."""
    values = (row.get(f"share_not_following{end}") for end in ("", "_low", "_high"))
    apart, least, most = (float(one) if _is_number(one) else math.nan for one in values)
    inside = between["share_low"] <= apart <= between["share_high"]
    return bool(inside and least <= between["share"] <= most)


def _minus(share: Any) -> float:
    return 1.0 - float(share) if _is_number(share) else math.nan


def _rest(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Say what is not known of the elements that neither follow the alloy nor lie apart."""
    rest = [row for row in rows if row["verdict"] not in (*_APART, "with_alloy")]
    weak = [str(row["element"]) for row in rest if row["verdict"] == "undecided"]
    how = "down together" if len(weak) == len(rows) else "with the rest"
    words = [f"Whether {listing(weak)} came {how} these counts do not tell."] if weak else []
    return words + [
        f"{row['element']} {VERDICT_SENTENCES[str(row['verdict'])]}."
        for row in rest
        if row["verdict"] != "undecided"
    ]


def _foreign(names: Sequence[str]) -> str:
    return f"{listing(names)} {'is' if len(names) == 1 else 'are'} more than the alloy held."


def _first_step(table: pd.DataFrame) -> str:
    steps = [str(step) for step in table["next_step"] if str(step)] if len(table) else []
    return steps[0] if steps else ""


def _oxide(analysis: Any, *, film: bool) -> Answer:
    """Say in which parts of the deposit oxygen beyond the glass is seen."""
    from spattermap.measure.oxide import oxide_step, oxygen_ratio_words
    from spattermap.verdict.oxygen import is_leak

    words = {"droplets": "the film", "haze": "its gaps"} if film else {}
    elements = element_names(analysis.maps)
    if "O" not in elements:
        return _answer("oxide", "Oxygen was not mapped.", "not asked", "Map oxygen (O Ka) too.")
    if "O" in analysis.roles.alloy:
        return _answer("oxide", "Oxygen counts as part of the alloy here.", "not asked")
    table = analysis.oxygen
    if not len(table):
        return _answer("oxide", "Not told from these maps.", "open", "")
    rows = table.to_dict("records")
    rows = [{**row, "where": words.get(row["where"], row["where"])} for row in rows]
    ratios = oxygen_ratio_words(analysis.weighed, table)
    clauses = {words.get(where, where): clause for where, clause in ratios.items()}
    shown = [row for row in rows if row["finding"] == "oxygen beyond the glass"]
    none = [str(row["where"]) for row in rows if row["finding"] == "none shown"]
    untold = [row for row in rows if row["finding"] not in _OXYGEN_FINDINGS]
    asked = [row for row in table.to_dict("records") if row["next_step"]]
    step = str(asked[0]["next_step"]) if asked else ""
    if asked and asked[0]["where"] != "haze" and not is_leak(step):
        step = oxide_step(analysis.weighed) or step
    said = []
    if shown:
        least = [
            f"{row['where']} ({clauses.get(row['where']) or _least_oxygen(row)})" for row in shown
        ]
        said.append(f"Yes, in {listing(least)}")
    if none:
        parts = [f"{one} ({clauses[one]})" if one in clauses else one for one in none]
        lead = "none shown in" if said else "None shown in"
        said.append(f"{lead} {listing(parts)}")
    for why, part in _untold(untold).items():
        lead = "not told for" if said else "Not told for"
        said.append(f"{lead} {listing([str(row['where']) for row in part])}: {why}")
    return _answer("oxide", f"{'; '.join(said)}.", "likely" if shown else "open", step)


def _untold(rows: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    """Return the rows that tell nothing of oxygen, by the reason."""
    from spattermap.verdict.oxygen import is_leak

    found: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        if is_leak(row["next_step"]):
            why = "lines of another element in oxygen's window may give all that is seen there"
        elif _is_number(row["z"]):
            why = "less oxygen shows there than bare glass gives, so an oxide would not stand out"
        else:
            why = "no blank to compare with"
        found.setdefault(why, []).append(row)
    return found


def _least_oxygen(row: Mapping[str, Any]) -> str:
    least = figures(row["excess_low"], significant=2)
    return f"at least {least} counts a pixel beyond what the glass gives"


_OXYGEN_FINDINGS = ("oxygen beyond the glass", "none shown")


def _cracks(analysis: Any, known: Mapping[str, Any]) -> Answer:
    if "electron_image" not in analysis.maps:
        step = "Add an electron image of the same field."
        return _answer("cracks", "No electron image to look at.", "not asked", step)
    found = analysis.segmentation.cracks
    n = known.get("crack_count", found.get("n"))
    if not _is_number(n):
        if "why" not in found:
            return _answer("cracks", "Cracks were not looked for.", "not asked")
        step = "Take the electron image of this very field again, with less contrast."
        return _answer("cracks", f"Not looked for: {found['why']}.", "open", step)
    n = int(n)
    if n == 0:
        return _answer("cracks", "No crack was found in the electron image.", "likely")
    unit = str(known.get("length_unit", "um"))
    size = facts(analysis.maps).pixel_size
    length = figures(float(found.get("length_px", math.nan)) * size)
    in_all = f", {length} {unit_name(unit)} in all" if length != "–" else ""
    if not cracks_believed(found):
        said = f"Perhaps: {_counted(n, 'dark line')}{in_all}, no more than noise may draw."
        if n >= FEWEST_CRACKS:
            bright = _counted(int(found["n_bright"]), "bright one")
            said = f"Perhaps: {_counted(n, 'dark line')}{in_all}, but {bright} beside: texture "
            said += "draws both."
        step = "Look at the dark lines at several times the magnification."
        return _answer("cracks", said, "open", step)
    said = f"Yes: {_counted(int(n), 'crack')}{in_all}"
    told = str(known.get("cracks_end_at_droplets", "")) or _end_at_droplets(found)
    at, expected = found.get("at_regions"), found.get("at_regions_expected")
    chance = (
        f" ({at} of {n} touch one, chance alone gives {figures(expected, significant=2)})"
        if _is_number(at) and _is_number(expected)
        else ""
    )
    said += {
        "yes": f"; they end at droplets more often than chance{chance}",
        "no": f"; they do not end at droplets more often than chance{chance}",
    }.get(told, f"; whether they start at droplets is not told{chance}")
    return _answer("cracks", f"{said}.", "likely")


def cracks_believed(found: Mapping[str, Any]) -> bool:
    """Return whether dark lines are more than noise and texture draw: many, and few bright ones."""
    n = int(found.get("n", 0))
    return n >= FEWEST_CRACKS and n > 2 * int(found.get("n_bright", 0))


def _end_at_droplets(found: Mapping[str, Any]) -> str:
    p = found.get("p_value")
    if not _is_number(p):
        return "not told"
    return "yes" if float(p) < _P_TOGETHER else "no"


def _maps(analysis: Any) -> Answer:
    """Say what the examination of the maps found."""
    table = analysis.examination.table
    if not len(table):
        return _answer("maps", "The maps were not examined.", "not asked")
    rows = table.to_dict("records")
    bad = [row for row in rows if row["finding"] in ("faulty", "doubtful")]
    if not bad:
        n = sum(row["finding"] == "sound" for row in rows)
        return _answer("maps", f"No: {_counted(n, 'check')} passed.", "shown")
    bad.sort(key=lambda row: row["finding"] != "faulty")
    first = bad[0]
    told = list(dict.fromkeys(_sentence(row["consequence"]) for row in bad))
    said = f"Yes: {' '.join(told[:_MOST_ALARMS])}"
    if len(told) > _MOST_ALARMS:
        said += f" {len(told) - _MOST_ALARMS} more in the examination below."
    certainty = "shown" if first["finding"] == "faulty" else "likely"
    step = next((str(row["next_step"]) for row in bad if row["next_step"]), "")
    return _answer("maps", said, certainty, step)


# Findings told on the first line; the table below holds all.
_MOST_ALARMS = 3


def _sentence(text: Any) -> str:
    plain = str(text).strip().rstrip(".")
    return f"{plain[:1].upper()}{plain[1:]}."


def _counted(n: int, name: str) -> str:
    return f"{n} {name}{'s' * (n != 1)}"


def _is_number(value: Any) -> TypeGuard[float]:
    return (
        isinstance(value, (int, float))
        and not isinstance(value, bool)
        and math.isfinite(float(value))
    )

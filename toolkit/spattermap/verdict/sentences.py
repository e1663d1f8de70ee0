"""Reasons and next steps in plain sentences with their numbers."""

from __future__ import annotations

import math

from spattermap.core.estimate import Estimate, bounded, figures
from spattermap.verdict.evidence import ElementEvidence
from spattermap.verdict.rules import (
    LEAST_CONTRAST,
    LEAST_CONTRAST_LOW,
    LEAST_TOGETHER,
    MOST_HIDDEN,
    PRESENT_Z,
    Condition,
    between,
    hidden_little,
    moves_along,
    on_metal,
)

# Counting longer than this for one map is not a next step anyone takes.
LONGEST_FACTOR = 100.0

# Next steps that need no numbers.
_STEPS = {
    "on metal, two scales disagree": (
        "Export raw counts, without filter or correction for overlap."
    ),
    "no division": (
        "Map a field that shows both deposit and bare substrate, for example at the edge of the "
        "deposit."
    ),
    "few pixels own it": (
        "Look at those pixels: if they are grains of something else, map a field without them or "
        "leave them out with valid; if they are the deposit, map more of it."
    ),
    "evidence missing": (
        "State the noise: export raw counts, or a variance with the net maps; and map a field with "
        "more bare area."
    ),
    "on metal, the rest of the alloy elsewhere": (
        "Map more droplets: whether any of them holds the alloy tells if it came down as one."
    ),
    "the metal over again": (
        "Look for its peak, and a second line of it, in the spectrum of one droplet; if it is "
        "there and the alloy holds it, state it under [alloy]."
    ),
    "on metal, no alloy shown there": (
        "Map a field that is known to hold the alloy, or state what the deposit is made of."
    ),
}
_NOT_DIVIDED = "Metal and bare area could not be told apart in this field."
_OF_ANOTHER = (
    "The regions outlined hold no more of the alloy's main element than the bare area, so none of "
    "them is taken as its metal."
)
_OF_ANOTHER_STEP = "State what was deposited with [alloy] in mapset.toml, or count longer."
_MORE = "Count longer, or map a larger area."
# What the line of the table says, where the numbers that follow do not say it.
_OPENINGS = {
    "glass constituent": "An element of the substrate.",
    "glass constituent with an excess over the blank": (
        "An element of the substrate, but more of it lies between the deposits than on the blank."
    ),
    "no counts": "The map holds no counts.",
    "blank shows as much": "The blank shows as much of it.",
    "lies like the glass": "A common glass constituent that lies where the substrate does.",
    "between, no blank": (
        "More lies between the deposits than background or alloy haze give, but without a "
        "blank it may be the substrate or a separate film."
    ),
    "dark under the metal, like the glass": (
        "It lies where the glass is open and is hidden under metal, as a constituent of the glass "
        "is and spectral background is not."
    ),
    "on metal, no alloy shown there": (
        "It lies on what is outlined as metal, but none of the alloy it is compared with is shown "
        "there beyond background and leaking lines, so it may be a film of its own."
    ),
    "the metal over again": (
        "Nobody named it, and its map repeats that of the metal: either the metal holds it, or a "
        "part of the metal's own counts falls into its window (a tail, a sum or escape peak, a "
        "window too wide). The maps cannot tell which."
    ),
    "few pixels own it": (
        "A few bright pixels, three in a thousand, decide how it lies with the alloy: without them "
        "its correlation is another."
    ),
    "evidence missing": "The maps do not allow the excess over its background to be worked out.",
    "over the limit, but background may be all of it": (
        "Its mean lies above the detection limit, but background as large as it may be would "
        "explain it."
    ),
    "on metal, the rest of the alloy elsewhere": (
        "It is the main element and lies on the metal, but the other alloy elements do not lie "
        "with it, so nothing shows an alloy that it came down with."
    ),
    "uneven, but no more than background may be": (
        "Its map varies over the bare area more than counting noise and an even background do: "
        "some of it may be there, or a line of another element in this window, or background "
        "that follows the material."
    ),
    "a leak could be all of it": (
        "What is seen on metal could be another element's line in this window, so its "
        "co-location is no evidence."
    ),
    "own pattern": (
        "Over the bare area it lies in a pattern of its own, which neither the substrate nor the "
        "alloy shares."
    ),
    "own pattern, with the alloy too": (
        "Part lies on the metal, but over the bare area it lies in a pattern of its own too."
    ),
    "moves apart": (
        "It lies on the metal, but not where the rest of the alloy does, nor where the glass is "
        "open."
    ),
    "on metal, correlation open": (
        "It lies on the metal, but the counts do not show that it moves with the rest of the alloy."
    ),
    "on metal, two scales disagree": (
        "Pixel by pixel it does not lie where the rest of the alloy does, summed over squares it "
        "does: the two are parted within a droplet, or their maps were filtered, or a part of one "
        "was taken off the other."
    ),
    "on metal, rest open": (
        "It lies on the metal, but the counts do not exclude that a part lies elsewhere."
    ),
}


def reasons(e: ElementEvidence, condition: Condition) -> str:
    """Return why, in short sentences; `condition` is the line of the table that held."""
    said = [_opening(condition)]
    if e.role != "substrate":
        said += [_metal(e), _outside(e), _pattern(e, condition), _supply(e)]
    said += [_leak(e), _correlation(e), *e.notes]
    return " ".join(sentence for sentence in said if sentence)


def _opening(condition: Condition) -> str:
    return _OPENINGS.get(condition.name, "")


def _metal(e: ElementEvidence) -> str:
    if not e.divided:
        return _OF_ANOTHER if e.outlined else _NOT_DIVIDED
    if not math.isfinite(e.per_metal):
        return "What it gives on metal beyond its background could not be worked out."
    if e.per_metal <= 0:
        return "On metal it gives no more than its background."
    text = f"On metal {_number(e.per_metal)} net counts per pixel"
    if on_metal(e):
        return f"{text}, {e.z_metal:.0f} standard errors above all that background may be."
    if e.z_metal_best >= PRESENT_Z:
        return f"{text}, which may still be background."
    found = f"{e.z_metal_best:.1f} standard errors, {PRESENT_Z:g} are asked"
    return f"{text}, not significant ({found})."


def _outside(e: ElementEvidence) -> str:
    if not math.isfinite(e.per_bare) or not e.rest.known:
        return ""
    if between(e):
        return (
            f"Between the deposits {_number(e.per_bare)} net counts per pixel, "
            f"{e.z_rest:.0f} standard errors more than background, glass and alloy haze explain: "
            f"{_share(e.rest)} of it does not follow the alloy."
        )
    if on_metal(e) and e.partners:
        return f"Not following the alloy: {_share(e.rest)}."
    return ""


def _pattern(e: ElementEvidence, condition: Condition) -> str:
    if condition.name == "between, no blank" and e.contrast.known:
        return (
            f"Over the bare area its pattern (relative standard deviation {_span(e.contrast)}) is "
            f"too even to rule the glass out: {LEAST_CONTRAST:g} is asked, "
            f"{LEAST_CONTRAST_LOW:g} at the least."
        )
    if e.patterned and between(e):
        if condition.name.startswith("own pattern"):  # the opening has said the rest
            return f"Relative standard deviation of that pattern: {_span(e.contrast)}."
        return (
            f"Over the bare area it lies in a pattern of its own (relative standard deviation "
            f"{_span(e.contrast)}), unlike the substrate."
        )
    return ""


def _supply(e: ElementEvidence) -> str:
    if not e.supply_ratio.known or not (between(e) or (e.role == "other" and on_metal(e))):
        return ""
    return (
        f"Its signal over the most that the alloy could have supplied, tolerance included: "
        f"{_span(e.supply_ratio)}."
    )


def _leak(e: ElementEvidence) -> str:
    if e.role == "substrate":
        return ""
    said = []
    if e.leak_from:
        said.append(f"Lines of {', '.join(e.leak_from)} may leak into this map.")
    if e.follows:
        said.append(
            f"Its map follows that of {' and '.join(e.follows)}, whose lines lie in or beside its "
            "window."
        )
    return " ".join(said)


def _correlation(e: ElementEvidence) -> str:
    partner = " and ".join(e.partners) if e.partners else "the substrate's shadow"
    if math.isnan(e.together.low):
        return ""  # where the noise itself is unknown there are no bounds, and nothing to say
    if not e.divided:
        why = ", as metal and bare area could not be told apart" if e.role == "substrate" else ""
        return f"Its correlation with {partner} cannot be judged{why or ' either'}."
    if not e.together.known:
        return f"These counts do not bound its correlation with {partner}."
    said = f"Correlation with {partner}: {_by_scale(e)}."
    if e.without_few.known:
        said += f" Without the few brightest pixels: {_span(e.without_few)}."
    if e.set_aside and e.partners:
        said += (
            f" {' and '.join(e.set_aside)} may lie apart too, so the comparison leaves "
            f"{'it' if len(e.set_aside) == 1 else 'them'} out."
        )
    return said


def _by_scale(e: ElementEvidence) -> str:
    """Return the correlation of the table, and that of squares where it is known better."""
    if e.side_px == 1:
        return f"{_span(e.together)} pixel by pixel"
    pixels = _span(e.r_alloy) if e.r_alloy.known else "not told"
    return (
        f"{pixels} pixel by pixel; {_span(e.together)}, better known, of counts summed over "
        f"squares of {e.side_px} px"
    )


def next_step(e: ElementEvidence, condition: Condition) -> str:
    """Return the measurement that would settle or firm the word; empty where none is needed."""
    blank = "Map a bare plate under the same conditions"
    if condition.name in ("between, no blank", "lies like the glass"):
        return f"{blank}."
    if condition.name == "a leak could be all of it":
        return _free_of_leaks(e)
    if condition.name in _STEPS:
        return _OF_ANOTHER_STEP if e.outlined else _STEPS[condition.name]
    if condition.verdict == "undecided":
        if condition.name == "on metal, correlation open":
            return (_longer(e) if e.together.known else "") or _MORE
        return _settling(e, condition, blank)
    return _longer(e) if condition.verdict == "not_detected" and e.role == "alloy" else ""


def _free_of_leaks(e: ElementEvidence) -> str:
    """Return the cheapest step that tells an element from the lines that leak into its map."""
    sources = " and ".join(e.leak_from) or "the other elements"
    fit = f"fit the spectra with {sources} included"
    if not e.line_named:
        # A word in the sidecar costs nothing; the leak was worked out for the likeliest line.
        return (
            f"Name the line that the map of {e.element} was made from, under [lines] in "
            f"mapset.toml; if it is {e.line_taken}, as was taken here, {fit}."
        )
    return f"Map another line of {e.element}, or {fit}."


def _settling(e: ElementEvidence, condition: Condition, blank: str) -> str:
    if e.follows and condition.name.startswith("uneven"):
        return (
            f"Map another line of {e.element}, or fit the spectra with {' and '.join(e.follows)} "
            "included."
        )
    if condition.name == "uneven, but no more than background may be":
        return f"{'Fit' if e.blank else f'{blank}, or fit'} the background in the spectra."
    if e.blank and e.z_metal_best >= PRESENT_Z and not on_metal(e):
        # No counting time helps where the background itself is in doubt.
        return (
            f"Map a piece of the alloy without {e.element} for the background on metal, or fit the "
            "background in the spectra."
        )
    if e.blank or e.z_metal_best < PRESENT_Z:
        return _longer(e) or _MORE
    more = _longer(e, also=True) if condition.name == "on metal, rest open" else ""
    return f"{blank}{more or ' to know the background'}."


def counting_factor(e: ElementEvidence) -> float:
    """Return how many times longer to count until the open question has `PRESENT_Z`.

    Significance grows with the root of the time while the ratio of signal to background stays.
    """
    if on_metal(e) and not moves_along(e) and hidden_little(e):
        # So does that of a correlation limited by counting.
        room = e.together.value - LEAST_TOGETHER
        return ((e.together.value - e.together.low) / room) ** 2 if room > 0 else math.inf
    seen = max(e.z_metal_best, e.z_rest_best)
    if on_metal(e) and e.rest.known and e.rest_most > MOST_HIDDEN:
        # The half width of the interval shrinks with the root of the time.
        half = max(e.rest_most - max(e.rest.value, 0.0), 1e-9)
        room = MOST_HIDDEN - max(e.rest.value, 0.0)
        return (half / room) ** 2 if room > 0 else math.inf
    return (PRESENT_Z / seen) ** 2 if seen > 0 else math.inf


def _longer(e: ElementEvidence, *, also: bool = False) -> str:
    factor = counting_factor(e)
    if not math.isfinite(factor) or factor > LONGEST_FACTOR:
        return "" if also else (
            "No counting time in reach would settle it: use a line with more counts, a higher "
            "beam current or a larger area."
        )  # fmt: skip
    if factor <= 1.0:
        return ""
    times = max(2, math.ceil(factor - 1e-9))  # a rounding error is no further round of counting
    return f", and count {times} times longer" if also else f"Count {times} times longer."


def _number(value: float) -> str:
    return f"{value:.2g}" if 1e-4 <= abs(value) < 10 else figures(value, significant=2)


def _share(one: Estimate) -> str:
    return f"{100 * one.value:.0f} % ({100 * one.low:.0f} to {100 * one.high:.0f})"


def _span(one: Estimate) -> str:
    return bounded(one.value, one.low, one.high, "{:.2f}".format)

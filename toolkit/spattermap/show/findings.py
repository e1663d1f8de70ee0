"""The verdict on each element, the connection and the notes, as pieces of a page."""

from __future__ import annotations

from html import escape
from typing import Any

from spattermap.core.estimate import span
from spattermap.core.mapset import facts
from spattermap.show import wording
from spattermap.show.answers import MEASURE, answers, may_carry
from spattermap.show.field_viewer import viewer
from spattermap.show.pieces import Fragment, bullets, joined, table
from spattermap.verdict.rules import PRESENT_Z

# A sign beside each verdict word, so that nobody depends on its colour.
VERDICT_SIGNS = {
    "with_alloy": "●",
    "partly_separated": "◐",
    "separated": "○",
    "substrate": "▤",
    "foreign": "▲",
    "undecided": "?",
    "not_detected": "–",
}


_HIDDEN = "– <small>may be background</small>"


def verdicts(analysis: Any) -> Fragment:
    """Return the verdict on each element with its reasons and the next measurement to make."""
    film = wording.is_film(analysis.summary())
    where = "Share in the film" if film else "Share in droplets"
    names = ("Element", "Verdict", where, "Share with alloy", "r with alloy")
    head = "".join(f'<th scope="col">{name}</th>' for name in names)
    groups = []
    rank = {"alloy": 0, "other": 1, "substrate": 2}
    for row in sorted(analysis.elements.to_dict("records"), key=lambda row: rank[row["role"]]):
        role = f"{row['role']}{', assumed' if analysis.roles.assumed else ''}"
        line = escape(str(row.get("line") or row["element"]))
        element = f"{escape(str(row['element']))} <small>{line}, {escape(role)}</small>"
        hidden = _may_be_background(row)
        shares = [
            _HIDDEN if hidden else _interval(row, name, as_percent=True)
            for name in ("share_in_droplets", "share_with_alloy")
        ]
        cells = [
            f'<th scope="rowgroup" rowspan="2">{element}</th>',
            _cell(names[1], _badge(str(row["verdict"]))),
            _cell(names[2], shares[0]),
            _cell(names[3], shares[1]),
            _cell(names[4], _interval(row, "r_alloy") if wording.could_divide(analysis) else "–"),
        ]
        groups.append(f"<tbody><tr>{''.join(cells)}</tr>{_why(row, film=film)}</tbody>")
    html = (
        f'<table class="verdicts"><caption>Shares and correlations with their intervals '
        f"({100 * analysis.settings.level:g} %); r is taken pixel by pixel; the least "
        f"share with the alloy allows for a film over the deposits too. All columns: "
        f'<a href="elements.csv">elements.csv</a>, every pair: <a href="pairs.csv">pairs.csv</a>.'
        f"</caption>"
        f"<thead><tr>{head}</tr></thead>{''.join(groups)}</table>"
    )
    return Fragment(html, wording.verdict_lines(analysis.elements))


def _may_be_background(row: Any) -> bool:
    """Return whether nothing shows that any of the element is there: its shares mean nothing."""
    if row["role"] == "substrate" or row["verdict"] not in ("undecided", "not_detected"):
        return False
    return bool(max(row.get("z_on_metal", 0.0), row.get("z_between", 0.0)) < PRESENT_Z)


# What the verdict says of droplets and haze, where the deposit is a film with gaps.
_FILM_WORDS = (
    ("In droplets ", "In the film "), ("In haze ", "In the film's gaps "),
    ("Whether the haze holds", "Whether what lies in the film's gaps holds"),
    ("Whether the droplets hold", "Whether the film holds"),
)  # fmt: skip


def _why(row: Any, *, film: bool) -> str:
    """Return reasons and next step as the row below an element's."""
    why = _sentences(row.get("reasons"))
    for said, instead in _FILM_WORDS if film else ():
        why = why.replace(said, escape(instead))
    parts = [("Why", why), ("Next", _sentences(row.get("next_step")))]
    told = "".join(f"<p><strong>{name}:</strong> {words}</p>" for name, words in parts if words)
    return f'<tr class="why"><td colspan="4">{told or "–"}</td></tr>'


def _cell(name: str, content: str) -> str:
    """Return a cell that also carries its column's name, for narrow screens."""
    return f'<td data-label="{escape(name)}">{content or "–"}</td>'


def _badge(verdict: str) -> str:
    sign = VERDICT_SIGNS.get(verdict, "")
    return (
        f'<span class="verdict {escape(verdict)}" style="white-space:nowrap">'
        f'<span aria-hidden="true">{sign}</span> {escape(verdict.replace("_", " "))}</span>'
    )


def _interval(row: Any, name: str, *, as_percent: bool = False) -> str:
    show = wording.percent if as_percent else wording.figures
    value, low, high = show(row.get(name)), row.get(f"{name}_low"), row.get(f"{name}_high")
    interval = span(low, high, show) if wording.has_value(low) and wording.has_value(high) else ""
    if value == "–" and interval:
        interval = "not told"  # an unknown value between its outermost bounds says no more
    return escape(value) + (f" <small>{escape(interval)}</small>" if interval else "")


def _sentences(value: Any) -> str:
    if isinstance(value, float) or value is None:
        return ""
    parts = [value] if isinstance(value, str) else list(value)
    return escape(" ".join(str(part) for part in parts))


def connection(analysis: Any) -> Fragment:
    """Return whether the metal is a connected sheet, why, and what would settle it."""
    if not wording.could_divide(analysis):
        words = "Metal and bare area could not be told apart, so connection cannot be told either."
        return bullets([words], "connection")
    held = analysis.examination.withheld.connection
    if held:
        why, step = next(iter(held.values()))
        said = f"Whether the metal connects in {' and '.join(held)} is withheld: {why}."
        return bullets([said, f"Next: {step}."], "connection")
    found = analysis.continuity
    sentences = list(found.reasons)
    between = "" if found.edges.crosses_x or found.edges.crosses_y else may_carry(analysis)
    if between:
        sentences.append(f"But {between}. Next: {MEASURE}")
    elif found.next_step:
        sentences.append(f"Next: {found.next_step}")
    return bullets(sentences, "connection")


def thickness(analysis: Any) -> Fragment:
    """Return how thick the metal is, what rules the bounds, and what would tell it better."""
    weighed = analysis.weighed
    known = weighed.summary()
    said = []
    value = wording.with_interval(known, "mean_thickness_nm")
    mass = wording.with_interval(known, "deposited_ug_per_cm2")
    if not value.startswith("–"):
        said.append(f"The metal is {value} nm thick on average where it covers.")
    elif known["mean_thickness_bound"]:
        end, why = {
            "at least": ("low", "the maps see no deeper"),
            "at most": ("high", "it hides too little of the glass to tell more"),
        }[known["mean_thickness_bound"]]
        bound = wording.figures(known[f"mean_thickness_nm_{end}"])
        said.append(
            f"The metal is {known['mean_thickness_bound']} {bound} nm thick on average where it "
            f"covers: {why}."
        )
    if not mass.startswith("–"):
        said.append(f"On the whole field lie {mass} µg/cm² of metal.")
    said.append(weighed.why)
    if known["thickness_limited_by"] in ("model", "counting"):
        rules = {"model": "the layer model", "counting": "the counts"}
        said.append(f"What rules the bounds: {rules[known['thickness_limited_by']]}.")
    if weighed.next_step:
        said.append(f"Next: {weighed.next_step}")
    return bullets(said, "thickness")


def cracks(analysis: Any) -> Fragment:
    """Return one row a crack of the glass.

    Empty where none was found.
    """
    found = analysis.cracks
    if found is None or not len(found):
        return Fragment('<p class="nothing">No crack was found.</p>', "No crack was found.")
    unit = facts(analysis.maps).length_unit
    names = [f"{name}_{unit}" for name in ("y", "x", "length")]
    rows = [
        (str(row["crack"]), *(wording.figures(row[name]) for name in names), _host(row, analysis))
        for row in found.to_dict("records")
    ]
    heads = ("crack", *(wording.words_of(name) for name in names), "ends at")
    whole = table("Dark lines in the electron image; y and x are the middle", heads, rows)
    link = '<p>All columns: <a href="cracks.csv">cracks.csv</a>.</p>'
    return Fragment(whole.html + link, whole.text)


def _host(row: Any, analysis: Any) -> str:
    number = int(row["droplet"])
    if not number:
        return "no droplet"
    kind = "droplet" if number <= analysis.segmentation.n_droplets else "streak"
    return f"{kind} {number}"


def notes(analysis: Any) -> Fragment:
    """Return what the reader must know before believing a number.

    Empty where there is nothing to say.
    """
    from spattermap.segment.engine import NO_STRUCTURE

    # Those stand before the answers, or are the first of them.
    told = (*analysis.examination.notes, NO_STRUCTURE)
    rest = [note for note in analysis.notes if note not in told]
    return bullets(rest, "notes") if rest else Fragment("")


def summary(analysis: Any) -> Fragment:
    """Return the short form in which an analysis shows itself in a notebook.

    The answers and the field to look into.
    """
    parts = [answers(analysis)]
    if analysis.overview is None:  # else the field is too large to be looked into here
        parts.append(viewer(analysis))
    return Fragment(joined(parts).html, repr(analysis))

"""Pieces of a page: answer, tables and cautions as HTML for a notebook, as text for a terminal.

Everything that comes from the input (titles, file names, sentences) is escaped here, in one place.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Mapping
from html import escape
from typing import TYPE_CHECKING, Any

from spattermap import wording
from spattermap.look import missing
from spattermap.mapset import facts
from spattermap.separation.rules import PRESENT_Z

if TYPE_CHECKING:
    import xarray as xr

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
CAUTIONS = (
    "Results are screening evidence, not certification. Confirm what matters by another method.",
    (
        "Each interval covers counting and the variation seen over this field, not other fields or "
        "deposits."
    ),
    (
        "A share of X-ray counts is no mass fraction: yields differ, and thin metal lets substrate "
        "X-rays by."
    ),
    (
        "High-energy pulses, charged capacitors and high voltage can kill: interlock, discharge "
        "and earth before you touch, and never work alone."
    ),
    (
        "Lasers and bursts can blind: wear eye protection made for the very wavelength, and guard "
        "against flying glass and metal."
    ),
    (
        "Metal fume and nanoparticles harm the lungs and can burn: enclose, extract and filter. "
        "Inert gas suffocates without warning: ventilate and monitor oxygen."
    ),
    "Local rules, your safety officer and licensed practice come before anything written here.",
)


_MORE_COLUMNS = (
    "The file elements.csv holds more: among it z_on_metal and z_between, how many standard errors "
    "the element stands above all that background, glass and leaking lines may give, on the metal "
    f"and between it ({PRESENT_Z:g} and more count as present)."
)


class Fragment:
    """A piece of a page.

    Parameters
    ----------
    html : str
        Safe HTML.
    text : str
        The same for a terminal.
    """

    def __init__(self, html: str, text: str = "") -> None:
        self.html = html
        self.text = text

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return self.text


def answer(analysis: Any) -> Fragment:
    """Return the one-paragraph answer with the headline numbers below it.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Fragment
    """
    tiles = headline(analysis)
    cells = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(value)}"
        + (f"<small>{escape(interval)}</small>" if interval else "")
        + "</dd></div>"
        for name, value, interval in tiles
    )
    words = analysis.answer()
    html = (
        f'<div class="answer"><p><strong>{escape(_title(analysis))}.</strong> {escape(words)}</p>'
        f'<dl class="headline">{cells}</dl></div>'
    )
    lines = [f"{name}: {value} {interval}".rstrip() for name, value, interval in tiles]
    return Fragment(html, "\n".join([words, "", *lines]))


def headline(analysis: Any) -> list[tuple[str, str, str]]:
    """Return name, value and interval of the numbers that lead the page.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    list of tuple of str
        Only what is known.
    """
    summary = analysis.summary()
    unit = summary.get("length_unit", "um")
    printed = "µm" if unit == "um" else "px"
    level = f"{100 * analysis.settings.level:g} %"
    if not wording.could_divide(analysis):
        return [
            (name, "not told", "the maps show noise alone") for name in ("Coverage", "Connected")
        ]
    median, interval = _split(summary, f"d50_{unit}")
    relied_on = not wording.too_few_droplets(analysis)
    tiles = [
        ("Coverage", *_split(summary, "coverage", as_percent=True), level),
        ("Droplets", str(summary.get("droplet_count", 0)), "", ""),
        (
            f"Median diameter ({printed})",
            median,
            interval,
            level if relied_on else "too few droplets",
        ),
    ]
    if analysis.segmentation.n_streaks:
        tiles.insert(2, ("Streaks", str(analysis.segmentation.n_streaks), "", ""))
    for part in ("droplets", "streaks", "haze"):
        name = f"share_{part}"
        if part == "streaks" and not analysis.segmentation.n_streaks:
            continue
        value, interval = _split(summary, name, as_percent=True)
        tiles.append((f"Metal signal in {part}", value, interval, level))
    crosses = [axis for axis in ("x", "y") if summary.get(f"connected_{axis}")]
    tiles.append(("Connected across", " and ".join(crosses) or "neither x nor y", "", ""))
    return [
        (name, value, f"{interval} ({of})" if interval else "")
        for name, value, interval, of in tiles
        if value != "–"
    ]


def _split(summary: Mapping[str, Any], name: str, *, as_percent: bool = False) -> tuple[str, str]:
    show = wording.percent if as_percent else wording.figures
    value = summary.get(name)
    ends = [summary.get(f"{name}_{side}") for side in ("low", "high")]
    told = [show(end) for end in ends if end is not None and math.isfinite(end)]
    shown = "–" if value is None else show(value)
    return shown, f"{told[0].removesuffix(' %')} to {told[1]}" if len(told) == 2 else ""


def verdicts(analysis: Any) -> Fragment:
    """Return the verdict on each element with its reasons and the next measurement to make.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Fragment
    """
    names = ("Element", "Verdict", "In droplets", "With alloy", "r with alloy")
    head = "".join(f'<th scope="col">{name}</th>' for name in names)
    groups = []
    rank = {"alloy": 0, "other": 1, "substrate": 2}
    for row in sorted(analysis.elements.to_dict("records"), key=lambda row: rank[row["role"]]):
        role = f"{row['role']}{', assumed' if analysis.roles.assumed else ''}"
        line = escape(str(row.get("line") or row["element"]))
        element = f"{escape(str(row['element']))}<small>{line}, {escape(role)}</small>"
        hidden = _may_be_background(row)
        shares = [
            "–<small>may be background</small>" if hidden else _interval(row, name, as_percent=True)
            for name in ("share_in_droplets", "share_with_alloy")
        ]
        cells = [
            f'<th scope="rowgroup" rowspan="2">{element}</th>',
            _cell(names[1], _badge(str(row["verdict"]))),
            _cell(names[2], shares[0]),
            _cell(names[3], shares[1]),
            _cell(names[4], _interval(row, "r_alloy") if wording.could_divide(analysis) else "–"),
        ]
        groups.append(f"<tbody><tr>{''.join(cells)}</tr>{_why(row)}</tbody>")
    html = (
        f'<table class="verdicts"><caption>Shares and correlations with their intervals '
        f"({100 * analysis.settings.level:g} %). {_MORE_COLUMNS}</caption>"
        f"<thead><tr>{head}</tr></thead>{''.join(groups)}</table>"
    )
    return Fragment(html, wording.verdict_lines(analysis.elements))


def _may_be_background(row: Any) -> bool:
    """Return whether nothing shows that any of the element is there: its shares mean nothing."""
    if row["role"] == "substrate" or row["verdict"] not in ("undecided", "not_detected"):
        return False
    return bool(max(row.get("z_on_metal", 0.0), row.get("z_between", 0.0)) < PRESENT_Z)


def _why(row: Any) -> str:
    parts = [("Why", _sentences(row.get("reasons"))), ("Next", _sentences(row.get("next_step")))]
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
    value, interval = _split(row, name, as_percent=as_percent)
    if value == "–" and interval:
        interval = "not told"  # an unknown value between its outermost bounds says no more
    return escape(value) + (f"<small>{escape(interval)}</small>" if interval else "")


def _sentences(value: Any) -> str:
    if isinstance(value, float) or value is None:
        return ""
    parts = [value] if isinstance(value, str) else list(value)
    return escape(" ".join(str(part) for part in parts))


def what_was_read(maps: xr.Dataset, *, blank: xr.Dataset | None = None) -> Fragment:
    """Return what was understood of the files, and what they do not say.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    blank : xarray.Dataset, optional
        The bare substrate, where one was given apart from the maps.

    Returns
    -------
    Fragment
    """
    known = facts(maps)
    height, width = maps.sizes["y"], maps.sizes["x"]
    unit = "µm" if known.length_unit == "um" else "px"
    field = f"{width} × {height} px"
    if known.length_unit == "um":
        sides = (wording.figures(side * known.pixel_size) for side in (width, height))
        field += f", {' × '.join(sides)} {unit} (pixel {wording.figures(known.pixel_size)} {unit})"
    named = zip(maps.element.values, maps.line.values, strict=True)
    lines = [str(line) or str(element) for element, line in named]
    rows = {
        "Title": known.title or "not stated",
        "Field": field if unit == "µm" else f"{field}; the pixel size is not stated",
        "Maps": ", ".join(lines),
        "Quantity": known.quantity.replace("_", " "),
        "Beam energy": f"{known.beam_energy_keV:g} keV" if known.beam_energy_keV else "not stated",
        "Alloy as bought": _composition(known.alloy),
        "Substrate": _composition(known.substrate),
        "Electron image": "yes" if "electron_image" in maps else "none",
    }
    rows |= {f"Process: {k}": str(v) for k, v in known.process.items()}
    rows |= {f"Measured: {k}": str(v) for k, v in known.measured.items()}
    rows["Blank"] = "none" if blank is None else facts(blank).title or "given, without a title"
    parts = [_pairs_table("Facts of the map set", rows)]
    lacking = {what: cost for what, cost in missing(maps) if blank is None or what != "blank"}
    if lacking:
        parts.append(_pairs_table("What is missing, and what it costs", lacking))
    return Fragment("".join(part.html for part in parts), "\n\n".join(part.text for part in parts))


def _composition(parts: Mapping[str, float]) -> str:
    if not parts:
        return "not stated"
    return ", ".join(
        element if math.isnan(share) else f"{element} {share:g} %"
        for element, share in parts.items()
    )


def _pairs_table(caption: str, rows: Mapping[str, str]) -> Fragment:
    if not rows:
        return Fragment("")
    body = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(value)}</td></tr>'
        for name, value in rows.items()
    )
    html = f'<table class="facts"><caption>{escape(caption)}</caption><tbody>{body}</tbody></table>'
    return Fragment(html, "\n".join(f"{name}: {value}" for name, value in rows.items()))


def settings_and_provenance(analysis: Any) -> Fragment:
    """Return the settings, the versions and the fingerprint of every input file.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Fragment
    """
    summary = analysis.summary()
    chosen = {
        name.replace("_", " "): "automatic" if value is None else _plain(value)
        for name, value in summary.get("settings", analysis.settings.to_dict()).items()
    }
    chosen["roles"] = f"{analysis.roles.how}{' (assumed)' if analysis.roles.assumed else ''}"
    versions, inputs = (
        {str(name): str(value) for name, value in summary.get(key, {}).items()}
        for key in ("versions", "inputs")
    )
    parts = [
        _short_list("Settings", chosen),
        _short_list("Versions", versions),
        _pairs_table("Input files (SHA-256)", inputs),
    ]
    html = '<div class="provenance">' + "".join(part.html for part in parts) + "</div>"
    return Fragment(html, "\n\n".join(part.text for part in parts))


def _short_list(title: str, rows: Mapping[str, str]) -> Fragment:
    """Return names and values side by side, for many short ones."""
    if not rows:
        return Fragment("")
    body = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>"
        for name, value in rows.items()
    )
    html = f'<h3>{escape(title)}</h3><dl class="short">{body}</dl>'
    return Fragment(html, "\n".join(f"{name}: {value}" for name, value in rows.items()))


def connection(analysis: Any) -> Fragment:
    """Return whether the metal is a connected sheet, why, and what would settle it.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Fragment
    """
    if not wording.could_divide(analysis):
        words = "Metal and bare area could not be told apart, so connection cannot be told either."
        return _list([words], "connection")
    found = analysis.continuity
    sentences = list(found.reasons)
    if found.next_step:
        sentences.append(f"Next: {found.next_step}")
    return _list(sentences, "connection")


def _plain(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else str(value)


def notes(analysis: Any) -> Fragment:
    """Return what the reader must know before believing a number.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Fragment
        Empty where there is nothing to say.
    """
    return _list(analysis.notes, "notes") if analysis.notes else Fragment("")


def cautions() -> Fragment:
    """Return the limits of the method and the safety cautions.

    Returns
    -------
    Fragment
    """
    return _list(CAUTIONS, "cautions")


def _list(sentences: Iterable[str], kind: str) -> Fragment:
    items = list(sentences)
    html = f'<ul class="{kind}">' + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"
    return Fragment(html, "\n".join(f"- {item}" for item in items))


def formula(latex: str, words: str) -> Fragment:
    """Return a formula as MathML, which browsers show without any script.

    Parameters
    ----------
    latex : str
        The formula.
    words : str
        The same in words, for a terminal.

    Returns
    -------
    Fragment
    """
    from latex2mathml.converter import convert

    return Fragment(f'<p class="formula">{convert(latex, display="block")}</p>', words)


def summary(analysis: Any) -> Fragment:
    """Return the short form in which an analysis shows itself in a notebook.

    Parameters
    ----------
    analysis : Analysis
        The result.

    Returns
    -------
    Fragment
        Answer, small pictures and the verdict table.
    """
    from spattermap import figures

    pictures = [figures.outlined_segmentation(analysis), figures.size_histogram(analysis)]
    images = "".join(
        f'<img alt="{escape(sheet.alt)}" style="max-height:16em;max-width:48%" '
        f'src="data:image/png;base64,{base64.b64encode(sheet.png(dpi=70)).decode()}">'
        for sheet in pictures
    )
    parts = [answer(analysis), Fragment(f"<div>{images}</div>"), verdicts(analysis)]
    return Fragment("".join(part.html for part in parts), repr(analysis))


def _title(analysis: Any) -> str:
    return facts(analysis.maps).title or "Untitled map set"

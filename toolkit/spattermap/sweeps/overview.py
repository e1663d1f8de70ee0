"""The overview of a sweep as one self-contained page."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from spattermap.show.pages import figure_html, shell
from spattermap.show.pieces import heading_of, rows_of, table_html, unbroken, value_text
from spattermap.show.wording import figures, has_value, percent, with_interval
from spattermap.sweeps.deposit import PICTURE
from spattermap.sweeps.sweep_tables import FEWEST_FIELDS

if TYPE_CHECKING:
    from spattermap.sweeps.run import Sweep

_MOST_CHARTS = 4
_MOST_PICTURES = 120  # fields shown small; more would make the page slow to open
_MOST_EFFECTS = 5
_MOST_GROUPS = 5


def overview(found: Sweep) -> str:
    """Return the overview page of a sweep."""
    return shell(
        [(title, part(found)) for title, part in _PARTS],
        title="Overview of a sweep",
        kind="Sweep overview",
        heading="What the settings did",
        level=found.level,
    )


def _answer(found: Sweep) -> str:
    done = len(found.fields) - found.n_errors
    n = int((found.samples["n_fields"] > 0).sum())
    said = [f"{done} of {len(found.fields)} map sets were analysed, in {n} samples."]
    conductance = found.samples.get("sheet_conductance_ratio")
    if conductance is not None and (conductance.dropna() == 0).all() and conductance.notna().any():
        said.append("In no sample does what is outlined connect across the field.")
    if len(found.best):
        row = found.best.iloc[0]  # all goals together
        said.append(
            f"Best so far, {row['goal']}: sample {row['sample']}{_made(row, found.process)}."
        )
    told = _shown_effects(found)
    said += told[:_MOST_EFFECTS]
    if len(found.effects) and not told:
        said.append("No effect of a setting is beyond doubt with these samples.")
    if found.n_errors:
        sets = "map set" if found.n_errors == 1 else "map sets"
        said.append(f"{found.n_errors} {sets} could not be used; see Errors.")
    text = " ".join(sentence[0].upper() + sentence[1:] for sentence in said)
    return f'<div class="answer"><p>{unbroken(text)}</p></div>'


def _shown_effects(found: Sweep) -> list[str]:
    """Return a sentence for every effect that is beyond doubt, each once."""
    told = {}
    for row in rows_of(found.effects[found.effects["shown"].astype(bool)]):
        whose = "" if row["alloy"] == "all" else f" for {row['alloy']}"
        way = "rises" if row["rho"] > 0 else "falls"
        told[row["result"], row["process"]] = (
            f"{_bare(row['result'])} {way} with {_bare(row['process'])}{whose} "
            f"(rank correlation {figures(row['rho'])})."
        )
    if "shown" in found.regression:
        for row in rows_of(found.regression[found.regression["shown"].astype(bool)]):
            way = "rises" if row["effect"] > 0 else "falls"
            sentence = f"{_bare(row['result'])} {way} with {_bare(row['term'])} (least squares)."
            told.setdefault((row["result"], row["term"]), sentence)
    return list(told.values())


def _made(row: Any, process: Sequence[str]) -> str:
    made = ", ".join(_setting(name, row[name]) for name in process if has_value(row[name]))
    return f" ({made})" if made else ""


def _setting(name: str, value: Any) -> str:
    """Return a setting as in a sentence, its unit behind the number: ``charge 320 J``."""
    words, _, unit = heading_of(name).removesuffix(")").partition(" (")
    return f"{words} {value_text(name, value)} {unit}".rstrip()


def _bare(name: str) -> str:
    """Return what a column is called in a sentence, without its unit."""
    return " x ".join(heading_of(part).partition(" (")[0] for part in name.split(" x "))


def _samples(found: Sweep) -> str:
    table = found.samples
    wanted = [
        "coverage", "sheet_conductance_ratio", "d50_um", "d50_px", "share_haze", "kept_alloy",
        "mean_thickness_nm", "crack_count",
    ]  # fmt: skip
    results = [name for name in wanted if name in table and table[name].notna().any()]
    errors = ["n_errors"] if table["n_errors"].any() else []
    columns = ["sample", "alloy", "n_fields", *errors, *found.process, *results, *found.measured]
    caption = "One row a sample, fields combined; bounds below each value"
    if (table["n_fields"] < FEWEST_FIELDS).any():
        caption += (
            f" (of fewer than {FEWEST_FIELDS} fields: from the counting within them and how far "
            "they lie apart)"
        )
    caption += "."
    if "kept_alloy" in results:
        caption += " Alloy kept together: the least share with the alloy among its elements."
    return table_html(table, columns, caption)


def _charts(found: Sweep) -> str:
    from spattermap.show.pictures.sweep_pictures import sweep_chart
    from spattermap.sweeps.effects import numeric_columns

    table = found.samples[found.samples["n_fields"] > 0]
    wanted = ("coverage", "sheet_conductance_ratio", "share_haze", "kept_alloy")
    results = [name for name in wanted if name in table and table[name].nunique() > 1]
    if not results or not len(table):
        return ""
    group = "alloy" if 1 < table["alloy"].nunique() <= _MOST_GROUPS else None
    names = numeric_columns(table, found.process)
    matters = _that_matter(found)
    drawn = "".join(
        figure_html(sweep_chart(table, name, [r for r in results if r in matters[name]] or results,
                                group=group))
        for name in [one for one in names if one in matters][:_MOST_CHARTS]
    )  # fmt: skip
    if drawn or not names:
        return drawn
    # Nothing was shown: the points may be looked at, none comes before another.
    rest = "".join(
        figure_html(sweep_chart(table, name, results, group=group)) for name in names[:_MOST_CHARTS]
    )
    return (
        '<p>No setting is shown to matter with these samples.</p><details class="inner"><summary>'
        f"The samples against every setting</summary>{rest}</details>"
    )


def _that_matter(found: Sweep) -> dict[str, set[str]]:
    """Return the settings with an effect beyond doubt, strongest first, and on which results."""
    shown = found.effects[found.effects["shown"].astype(bool)].sort_values("p_value", kind="stable")
    matters: dict[str, set[str]] = {}
    for row in rows_of(shown):
        matters.setdefault(str(row["process"]), set()).add(str(row["result"]))
    return matters


def _pictures(found: Sweep) -> str:
    """Return a small picture of every field, those of a sample together."""
    done = found.fields[found.fields["status"] == "done"]
    pieces, n = [], 0
    for sample, group in done.groupby("sample", sort=False):
        shown = []
        for row in rows_of(group):
            folder = found.folder / "deposits" / str(row["result"])
            if not (folder / PICTURE).is_file() or n >= _MOST_PICTURES:
                continue
            n += 1
            code = base64.b64encode((folder / PICTURE).read_bytes()).decode("ascii")
            words = f"Outlines over the metal, {sample}"
            words += f", field {row['field']}" if row.get("field") else ""
            image = f'<img alt="{escape(words)}" src="data:image/jpeg;base64,{code}">'
            if (folder / "report.html").is_file():
                image = f'<a href="deposits/{escape(str(row["result"]))}/report.html">{image}</a>'
            shown.append(image)
        if shown:
            first = rows_of(found.samples[found.samples["sample"] == sample])[0]
            made = _made(first, found.process).strip(" ()")
            cover = with_interval(first, "coverage", as_percent=True)
            pieces.append(
                f'<figure><div class="fields">{"".join(shown)}</div><figcaption>'
                f"<strong>{escape(str(sample))}</strong> "
                f"{unbroken(made)}<br>{unbroken(cover)} covered</figcaption></figure>"
            )
    if not pieces:
        return ""
    left = f"<p>The first {n} of {len(done)} fields.</p>" if n < len(done) else ""
    return f'{left}<div class="glance">{"".join(pieces)}</div>'


def _effects(found: Sweep) -> str:
    if not len(found.effects):
        return "<p>No process column holds numbers that vary, so no effect can be looked for.</p>"
    known = found.effects[found.effects["rho"].notna()]
    columns = ["process", "result", "alloy", "n_samples", "rho", "p_value", "p_adjusted", "reading"]
    order = known[known["p_value"] <= 1 - found.level].sort_values("p_value", kind="stable")
    html = ""
    if len(order):
        caption = "Rank correlation (Spearman) of settings with results, where one stands out."
        html += table_html(order.head(20), columns, caption)
    rest = len(found.effects) - len(order)
    if rest:
        html += (
            f"<p>{rest} of {len(found.effects)} questions show no effect, which does not show that "
            'there is none: <a href="effects.csv">effects.csv</a>.</p>'
        )
    html += f"<p>{escape(found.regression_note)}</p>"
    fitted = found.regression
    if len(fitted):
        fitted = fitted[fitted["p_value"] <= 1 - found.level]
    if len(fitted):
        order = fitted.sort_values("p_value", kind="stable").head(15)
        html += table_html(
            order,
            ["result", "term", "n_samples", "effect", "p_value", "p_adjusted", "explained"],
            "Change of the result for one standard deviation of the setting.",
        )
    return html


def _best(found: Sweep) -> str:
    if not len(found.best):
        return "<p>The samples do not differ beyond their bounds, so none is called best.</p>"
    return table_html(found.best, list(found.best.columns), "The best sample so far for each goal.")


def _verdicts(found: Sweep) -> str:
    if not len(found.verdicts):
        return ""
    from spattermap.show import VERDICT_SIGNS

    elements = list(dict.fromkeys(found.verdicts["element"]))
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in ["sample", *elements])
    rows = []
    for sample, group in found.verdicts.groupby("sample", sort=False):
        by = {str(row["element"]): row for row in group.to_dict("records")}
        cells = []
        for element in elements:
            word = str(by[element]["verdict"]) if element in by else ""
            sign = VERDICT_SIGNS.get(word, "")
            shown = f'<span aria-hidden="true">{sign}</span> {escape(word.replace("_", " "))}'
            cells.append(f'<td data-label="{escape(element)}">{shown if word else "–"}</td>')
        rows.append(f'<tr><th scope="row">{escape(str(sample))}</th>{"".join(cells)}</tr>')
    caption = "A word counts for a sample where all its fields that decided agree on it."
    return (
        f'<div class="piece" tabindex="0" role="group" aria-label="Verdicts">'
        f"<table><caption>{caption}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _resistance(found: Sweep) -> str:
    name = "sheet_resistance_ohm_per_sq"
    if name not in found.samples or not found.samples[name].notna().any():
        return ""
    table = found.samples[found.samples[name].notna()]
    columns = ["sample", "alloy", name, "thickness_nm", "sheet_conductance_ratio", "times_bulk"]
    columns = [column for column in columns if column in table]
    caption = (
        "Measured sheet resistance beside the conductance of the map. times bulk: resistivity of "
        "the metal over that of the pure main element, once the gaps of the map are allowed for."
    )
    from spattermap.show.pictures.sweep_pictures import sweep_chart

    html = table_html(table, columns, caption)
    conducting = table[table["sheet_conductance_ratio"] > 0]
    if len(conducting) > 1:
        group = "alloy" if 1 < conducting["alloy"].nunique() <= _MOST_GROUPS else None
        chart = sweep_chart(conducting, "sheet_conductance_ratio", [name], group=group)
        html += figure_html(chart)
    return html


def _doubts(found: Sweep) -> str:
    html = ""
    if len(found.scatter):
        html += table_html(
            found.scatter, list(found.scatter.columns), "Scatter of repeated settings."
        )
    else:
        html += "<p>No settings were repeated, so the replicate scatter is unknown.</p>"
    if len(found.outliers):
        caption = "Samples far from the others of their alloy: look at them before you trust them."
        html += table_html(found.outliers, list(found.outliers.columns), caption)
    else:
        html += "<p>No sample stands far off (or there are too few to tell).</p>"
    return html


def _next(found: Sweep) -> str:
    html = ""
    if len(found.next_settings):
        caption = "Suggestions from few samples, with their reasons; none is a prediction."
        html = table_html(found.next_settings, list(found.next_settings.columns), caption)
    if len(found.comparisons):
        caption = (
            "What telling the two best settings apart takes of each (t test, 95 %, found in 9 of "
            "10 cases), from the scatter seen; the range is that of the scatter."
        )
        columns = [one for one in found.comparisons.columns if not one.endswith(("_low", "_high"))]
        html += table_html(found.comparisons, columns, caption)
    return html


def _errors(found: Sweep) -> str:
    broken = found.fields[found.fields["status"] == "error"]
    if not len(broken):
        return ""
    return table_html(
        broken, ["path", "sample", "field", "error"], "Map sets that could not be used."
    )


def _fields(found: Sweep) -> str:
    table = found.fields[found.fields["status"] == "done"].copy()
    if not len(table):
        return ""
    rows = []
    for row in table.to_dict("records"):
        folder = found.folder / "deposits" / str(row["result"])
        page = "report.html" if (folder / "report.html").is_file() else "summary.json"
        link = f'<a href="deposits/{escape(str(row["result"]))}/{page}">{page}</a>'
        cells = [row["path"], row["sample"], row["field"], row["title"]]
        told = "".join(f"<td>{escape(str(cell))}</td>" for cell in cells)
        rows.append(f"<tr>{told}<td>{percent(row.get('coverage'))}</td><td>{link}</td></tr>")
    names = ("path", "sample", "field", "title", "coverage", "results")
    head = "".join(f'<th scope="col">{name}</th>' for name in names)
    return (
        '<div class="piece" tabindex="0" role="group" aria-label="Map sets"><table>'
        "<caption>Every map set and where its results lie.</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table></div>"
    )


def _cautions(found: Sweep) -> str:
    del found
    from spattermap.show import cautions

    return cautions().html


# Answers that no number of the other tables gives.
_TOLD = ("arrival", "alloy", "oxide", "cracks", "maps")


def _told(found: Sweep) -> str:
    """Return what each map set says about the person's questions, in words."""
    from spattermap.show.answers import QUESTIONS
    from spattermap.show.pieces import table

    done = found.fields[found.fields["status"] == "done"]
    if "answer_arrival" not in done:
        return ""
    rows = []
    for row in rows_of(done):
        where = f"{row['sample']}, {row['field']}" if row.get("field") else str(row["sample"])
        cells = [
            f"{row[f'answer_{one}']} ({row[f'answer_{one}_certainty']})"
            if has_value(row.get(f"answer_{one}"))
            else "–"
            for one in _TOLD
        ]
        rows.append((where, *cells))
    heads = ("sample", *(QUESTIONS[one] for one in _TOLD))
    html = table("Every map set in words", heads, rows).html
    return f'<div class="piece" tabindex="0" role="group" aria-label="In words">{html}</div>'


_PARTS: tuple[tuple[str, Callable[[Sweep], str]], ...] = (
    ("Answer", _answer),
    ("Samples at a glance", _pictures),
    ("Results against the settings that matter", _charts),
    ("Samples", _samples),
    ("In words", _told),
    ("Best settings so far", _best),
    ("Effects of the settings", _effects),
    ("Verdict on each element", _verdicts),
    ("Measured and estimated resistance", _resistance),
    ("Scatter and outliers", _doubts),
    ("Settings worth trying next", _next),
    ("Errors", _errors),
    ("Every map set", _fields),
    ("Cautions", _cautions),
)

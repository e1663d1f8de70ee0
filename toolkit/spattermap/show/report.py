"""From a folder of maps to one page that opens anywhere: run the notebook's cells, keep them."""

from __future__ import annotations

import ast
import base64
import io
import json
import re
from contextlib import redirect_stdout
from dataclasses import dataclass, field
from html import escape, unescape
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from spattermap.core import errors
from spattermap.core.errors import InputError, InputFileError
from spattermap.core.files import refuse_input_as_out, scratch_beside, staged_folder
from spattermap.core.progress import step
from spattermap.core.settings import Settings
from spattermap.show.pages import FOOTER, closed_part, document, open_part
from spattermap.show.provenance import field_line

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

NOTEBOOK = "new_map_set.ipynb"
PAGE = "report.html"
NOTEBOOK_ONLY = "notebook-only"
# Cells whose heading begins a part that is closed until it is asked for.
CLOSED = "closed"
PARAMETERS = "parameters"
# A cell that shows one of the report's pictures as it stands: it need not be drawn again.
_PICTURE = re.compile(r"pictures\.(\w+)\(analysis\)")


class Cell(NamedTuple):
    """A cell of a notebook with what it printed and what its last line gave."""

    kind: str
    source: str
    tags: frozenset[str]
    printed: str = ""
    value: Any = None


@dataclass(frozen=True)
class Executed:
    """The cells of a notebook that was run, and the names they left."""

    cells: Sequence[Cell]
    names: dict[str, Any] = field(default_factory=dict)


def write_report(
    path: str | Path,
    out: str | Path,
    *,
    settings: Settings | None = None,
    overwrite: bool = False,
    blank: str | Path | None = None,
    crop: bool = False,
    vector: bool = False,
) -> Path:
    """Analyse a map set and write a page, its tables and its pictures into a folder.

    Parameters
    ----------
    path : str or pathlib.Path
        The map set, as `spattermap.load` takes it.
    out : str or pathlib.Path
        Folder for the results; new or empty unless `overwrite`.
    settings : Settings, optional
        Choices of the analysis.
    overwrite : bool, optional
        Replace results of the same names in `out`; other files there stay.
    blank : str or pathlib.Path, optional
        Map set of the bare substrate; by default the one that the sidecar names.
    crop : bool, optional
        Cut maps that differ by a border to one size, as `spattermap.load` does.
    vector : bool, optional
        Save each picture as SVG too.

    Returns
    -------
    pathlib.Path
        The page, ``out/report.html``.

    Raises
    ------
    InputFileError, InputError, InputTypeError
        If the maps, the blank or a setting cannot be used; nothing is written then.
    OutputError
        If `out` cannot be written, or holds files and `overwrite` is False.
    """
    from spattermap.core.mapset import facts
    from spattermap.loaders import blank_path
    from spattermap.show.pictures import save_all

    refuse_input_as_out(out, (path, blank))
    with staged_folder(out, overwrite=overwrite) as stage:
        bare = Path(blank) if blank is not None else blank_path(path)
        with scratch_beside(stage) as scratch:
            chosen = scratch / "settings.toml"
            chosen.write_text((settings or Settings()).to_toml(), encoding="utf-8")
            done = run_notebook(
                notebook_path(NOTEBOOK),
                {
                    "map_set": str(Path(path).resolve()),
                    "blank": "" if bare is None else str(bare.resolve()),
                    "settings_file": str(chosen),
                    "save_to": "",  # saved below, with the pictures that are drawn already
                    "crop": crop,
                    "hands_on": False,
                },
            )
        maps, analysis = done.names["maps"], done.names["analysis"]
        step("Saving tables and pictures")
        analysis.write_tables(stage)
        drawn = {
            found[1]: cell.value
            for cell in done.cells
            if cell.value is not None and (found := _PICTURE.fullmatch(cell.source.strip()))
        }
        save_all(analysis, stage / "figures", drawn=drawn, vector=vector)
        page = as_page(done.cells, title=facts(maps).shown_title, facts_line=field_line(maps))
        (stage / PAGE).write_text(page, encoding="utf-8", newline="\n")
    return Path(out) / PAGE


def notebook_path(name: str) -> Path:
    """Return where a notebook lies, installed or in a working copy."""
    here = Path(__file__).resolve().parents[1]
    places = (here / "_data" / "notebooks", here.parents[1] / "notebooks")
    for place in places:
        if (place / name).is_file():
            return place / name
    folders = [place for place in places if place.is_dir()]
    known = sorted({item.name for folder in folders for item in folder.glob("*.ipynb")})
    if known:
        raise InputFileError(errors.unknown_name("notebook", name, known))
    raise InputFileError(
        f"{name} must be among the notebooks of the installation, got none. "
        "Install the package again."
    )


def run_notebook(notebook: Path, parameters: Mapping[str, object]) -> Executed:
    """Run the code of a notebook in this process, cell by cell, with parameters of its own.

    What a cell raises comes through as it is. Paths in the notebook count from the present folder.
    """
    held = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    cells = [
        Cell(one["cell_type"], "".join(one["source"]), frozenset(one["metadata"].get("tags", ())))
        for one in held
    ]
    names: dict[str, Any] = {"__name__": "__main__"}
    done = []
    for number, cell in enumerate(cells):
        if cell.kind == "code":
            where = f"{notebook.name}, cell {number + 1}"
            printed, value = _execute(cell.source, where, names)
            cell = cell._replace(printed=printed, value=value)  # noqa: PLW2901
            if PARAMETERS in cell.tags:
                _set(parameters, cell.source, names)
        elif cell.source.startswith("## "):
            step(cell.source.splitlines()[0][3:])
        done.append(cell)
    return Executed(tuple(done), names)


def _execute(source: str, where: str, names: dict[str, Any]) -> tuple[str, Any]:
    """Run one cell; return what it printed, and the value of its last line if that has one."""
    tree = ast.parse(source, where)
    last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
    value = None
    with redirect_stdout(io.StringIO()) as printed:
        exec(compile(tree, where, "exec"), names)
        if isinstance(last, ast.Expr):
            value = eval(compile(ast.Expression(last.value), where, "eval"), names)
    return printed.getvalue(), value


def _set(parameters: Mapping[str, object], source: str, names: dict[str, Any]) -> None:
    """Put parameters over those of the notebook; a misspelt one would have no effect."""
    known = [
        target.id
        for line in ast.parse(source).body
        if isinstance(line, ast.Assign)
        for target in line.targets
        if isinstance(target, ast.Name)
    ]
    for name, value in parameters.items():
        if name not in known:
            raise InputError(errors.unknown_name("notebook: parameter", name, known))
        names[name] = value


def as_page(cells: Sequence[Cell], *, title: str, facts_line: str = "") -> str:
    """Return cells that were run as a page that asks for nothing; its script is known by hash."""
    import mistune

    to_html = mistune.create_markdown(escape=True)
    shown = [cell for cell in cells if NOTEBOOK_ONLY not in cell.tags]
    main = "\n".join(
        str(to_html(cell.source)) if cell.kind == "markdown" else _output(cell) for cell in shown
    )
    main = _in_parts(re.sub(r"\n\s*\n+", "\n", main), closed=_tagged(shown, CLOSED))
    return document(main, title=title, kind=facts_line, footer=FOOTER)


def _output(cell: Cell) -> str:
    """Return what a cell showed: its printed lines, then a fragment, a picture or a text."""
    from spattermap.show.pictures import Picture

    parts = [f"<pre>{escape(cell.printed)}</pre>"] if cell.printed.strip() else []
    if isinstance(cell.value, Picture):
        bundle, about = cell.value._repr_mimebundle_()
        known = about.get("image/png")
        parts.append(_figure(bundle, known) if known else _piece(bundle["text/html"]))
    elif hasattr(cell.value, "_repr_html_"):
        parts.append(_piece(str(cell.value._repr_html_())))
    elif cell.value is not None:
        parts.append(f"<pre>{escape(repr(cell.value))}</pre>")
    return "\n".join(parts)


def _piece(html: str) -> str:
    scrolls = (
        ' tabindex="0" role="group" aria-label="Table, scrolls sideways where it does not fit"'
        if "<table" in html
        else ""
    )
    return f'<div class="piece"{scrolls}>\n{html}\n</div>'


def _figure(bundle: Mapping[str, Any], about: Mapping[str, Any]) -> str:
    kinds = (("wide", about["width"] > 800), ("tall", about["height"] > 700),
             ("drawing", about["drawing"]))  # fmt: skip
    kind = " ".join(word for word, holds in kinds if holds)
    scrolls = (
        ' tabindex="0" role="group" aria-label="Wide picture, scrolls sideways on narrow screens"'
        if about["width"] > 800
        else ""
    )
    code = base64.b64encode(bundle["image/png"]).decode("ascii")
    return (
        f"<figure{f' class={chr(34)}{kind}{chr(34)}' if kind else ''}{scrolls}>\n"
        f'<img alt="{escape(about["alt"])}" width="{about["width"]}" height="{about["height"]}" '
        f'src="data:image/png;base64,{code}">\n</figure>'
    )


def _tagged(cells: Sequence[Cell], tag: str) -> set[str]:
    """Return the second-level headings in the cells that carry a tag."""
    texts = [cell.source for cell in cells if tag in cell.tags]
    return set(re.findall(r"^## (.+?)\s*$", "\n".join(texts), flags=re.MULTILINE))


def _in_parts(main: str, *, closed: set[str]) -> str:
    """Put each second-level heading and what follows it into a part of its own.

    The first part is the first screen; closed ones open at a click and in print; those with
    nothing to show are left out.
    """
    main = re.sub(r'<div class="piece">\s*<p class="nothing">.*?</p>\s*</div>', "", main)
    head, *parts = re.split(r"(?=<h2>)", main)
    shown = []
    for part in parts:
        title, body = re.match(r"<h2>(.+?)</h2>(.*)", part, flags=re.DOTALL).groups()  # type: ignore[union-attr]
        if (named := unescape(title)) in closed:
            if not re.search(r'<figure|class="piece"', body):
                continue
            shown.append(closed_part(named, body))
        else:
            shown.append(open_part(named, body, kind="part" if shown else "first"))
    return "".join((head, *shown))

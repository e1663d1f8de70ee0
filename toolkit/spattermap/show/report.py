"""From a folder of maps to one page that opens anywhere: execute the notebook, keep its results."""

from __future__ import annotations

import contextlib
import os
import re
import sys
import warnings
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spattermap import __version__
from spattermap.core import errors
from spattermap.core.errors import InputError, InputFileError, SpattermapError
from spattermap.core.files import scratch_beside, staged_folder
from spattermap.core.settings import Settings
from spattermap.show.field_viewer import module_hash
from spattermap.show.pages import TEMPLATES, anchor, style
from spattermap.show.provenance import field_line

if TYPE_CHECKING:
    from collections.abc import Mapping

    from nbformat import NotebookNode

NOTEBOOK = "new_map_set.ipynb"
PAGE = "report.html"
NOTEBOOK_ONLY = "notebook-only"
# Cells whose heading begins a part that is closed until it is asked for.
CLOSED = "closed"


def write_report(
    path: str | Path,
    out: str | Path,
    *,
    settings: Settings | None = None,
    overwrite: bool = False,
    blank: str | Path | None = None,
    crop: bool = False,
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
    from spattermap.loaders import blank_path, load

    with staged_folder(out, overwrite=overwrite) as stage:
        # What cannot be read is refused before a kernel is started.
        maps = load(path, crop=crop)
        bare = Path(blank) if blank is not None else blank_path(path)
        if bare is not None:
            load(bare)
        with scratch_beside(stage) as scratch:
            chosen = scratch / "settings.toml"
            chosen.write_text((settings or Settings()).to_toml(), encoding="utf-8")
            executed = run_notebook(
                notebook_path(NOTEBOOK),
                {
                    "map_set": str(Path(path).resolve()),
                    "blank": "" if bare is None else str(bare.resolve()),
                    "settings_file": str(chosen),
                    "save_to": str(stage),
                    "crop": crop,
                    "hands_on": False,
                },
                folder=scratch,
            )
        page = as_page(executed, title=facts(maps).shown_title, facts_line=field_line(maps))
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


def run_notebook(notebook: Path, parameters: Mapping[str, object], *, folder: Path) -> NotebookNode:
    """Execute a notebook with parameters and return it with its outputs."""
    with _quiet_jupyter():
        import papermill

        _refuse_unknown(parameters, papermill.inspect_notebook(str(notebook)))
        try:
            executed: NotebookNode = papermill.execute_notebook(
                str(notebook),
                str(folder / notebook.name),
                parameters=dict(parameters),
                kernel_name="python3",
                # shown in a terminal only: elsewhere a bar is noise in a log
                progress_bar={"disable": None, "desc": "Analysing", "unit": "step"},
                kernel_manager_class=_this_python(folder),
                cwd=str(notebook.parent),
            )
        except papermill.PapermillExecutionError as problem:
            _raise_input_error(problem)
            raise
    return executed


def _refuse_unknown(parameters: Mapping[str, object], known: Mapping[str, object]) -> None:
    # papermill itself only warns, and the value would silently have no effect.
    for name in parameters:
        if name not in known:
            raise InputError(errors.unknown_name("notebook: parameter", name, known))


def _raise_input_error(problem: Any) -> None:
    kind = getattr(errors, str(problem.ename), None)
    if isinstance(kind, type) and issubclass(kind, SpattermapError):
        raise kind(str(problem.evalue)) from None


def _this_python(folder: Path) -> type:
    """Return a kernel manager that starts the running Python, whatever kernels are installed.

    The file by which the kernel is reached goes into `folder`, to be removed with it.
    """
    from jupyter_client.kernelspec import KernelSpec
    from jupyter_client.manager import AsyncKernelManager
    from traitlets import default

    launch = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
    # The kernel must find this very package, also when it is not installed.
    places = [str(Path(__file__).resolve().parents[2]), os.environ.get("PYTHONPATH", "")]
    spec = KernelSpec(
        argv=[*launch, "--log-level=ERROR"],
        display_name="Python",
        language="python",
        env={"PYTHONPATH": os.pathsep.join(place for place in places if place)},
    )

    class ThisPython(AsyncKernelManager):
        @default("connection_file")
        def _in_folder(self) -> str:
            return str(folder / "kernel.json")

        @property
        def kernel_spec(self) -> KernelSpec:
            return spec

    return ThisPython


@contextlib.contextmanager
def _quiet_jupyter() -> Iterator[None]:
    """Keep the notices of the Jupyter libraries from a user who only wants a page."""
    before = os.environ.get("PYDEVD_DISABLE_FILE_VALIDATION")
    os.environ["PYDEVD_DISABLE_FILE_VALIDATION"] = "1"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        if before is None:
            del os.environ["PYDEVD_DISABLE_FILE_VALIDATION"]
        else:
            os.environ["PYDEVD_DISABLE_FILE_VALIDATION"] = before


def as_page(notebook: NotebookNode, *, title: str, facts_line: str = "") -> str:
    """Return an executed notebook as a page that asks for nothing; its script is known by hash."""
    from nbconvert import HTMLExporter
    from traitlets.config import Config

    options = Config()
    options.TagRemovePreprocessor.enabled = True
    options.TagRemovePreprocessor.remove_cell_tags = {NOTEBOOK_ONLY}
    exporter = HTMLExporter(  # type: ignore[no-untyped-call]
        config=options,
        template_name="page",
        extra_template_basedirs=[str(TEMPLATES)],
        exclude_input=True,
        exclude_anchor_links=True,
    )
    remove = "nbconvert.preprocessors.TagRemovePreprocessor"
    exporter.register_preprocessor(remove, enabled=True)  # type: ignore[no-untyped-call]
    about = {
        "page_title": title,
        "page_style": style(),
        "page_facts": facts_line,
        "script_hash": module_hash(),
        "spattermap_version": __version__,
    }
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        page, _ = exporter.from_notebook_node(notebook, resources=about)
    page = re.sub(r"\n\s*\n+", "\n", str(page))
    return _in_parts(page, closed=_tagged(notebook, CLOSED)) + "\n"


def _tagged(notebook: NotebookNode, tag: str) -> set[str]:
    """Return the second-level headings in the cells that carry a tag."""
    cells = [cell.source for cell in notebook.cells if tag in cell.metadata.get("tags", [])]
    return set(re.findall(r"^## (.+?)\s*$", "\n".join(cells), flags=re.MULTILINE))


def _in_parts(page: str, *, closed: set[str]) -> str:
    """Put each second-level heading and what follows it into a part of its own.

    The first part is the first screen; closed ones open at a click and in print; those with
    nothing to show are left out.
    """
    before, main, after = _split_main(page)
    main = re.sub(r'<div class="piece">\s*<p class="nothing">.*?</p>\s*</div>', "", main)
    head, *parts = re.split(r"(?=<h2>)", main)
    shown = []
    for part in parts:
        title, body = re.match(r"<h2>(.+?)</h2>(.*)", part, flags=re.DOTALL).groups()  # type: ignore[union-attr]
        name = anchor(title)
        if unescape(title) in closed:
            if not re.search(r'<figure|class="piece"', body):
                continue
            shown.append(
                f'<details class="part"><summary><h2>{title}</h2></summary>\n'
                f'<div id="{name}">{body}</div></details>\n'
            )
        else:
            kind = "part" if shown else "first"
            shown.append(f'<section class="{kind}"><h2 id="{name}">{title}</h2>{body}</section>\n')
    return "".join((before, head, *shown, after))


def _split_main(page: str) -> tuple[str, str, str]:
    start = re.search(r"<main[^>]*>", page).end()  # type: ignore[union-attr]
    end = page.rindex("</main>")
    return page[:start], page[start:end], page[end:]

"""The page: self-contained, escaped, honest about its parts; and what happens when a run fails."""

import base64
import hashlib
import re
from html.parser import HTMLParser

import pytest

from spattermap import show
from spattermap.core.errors import InputError, InputFileError, OutputError
from spattermap.show import pictures
from spattermap.show.findings import _may_be_background
from spattermap.show.report import Cell, as_page, notebook_path, run_notebook, write_report

NASTY = "plate <b>7</b> & $x$"


def test_no_share_is_shown_of_what_may_be_background():
    row = {"role": "alloy", "verdict": "undecided", "z_on_metal": 1.2, "z_between": -2.0}
    assert _may_be_background(row)
    assert not _may_be_background({**row, "z_on_metal": 3.1})
    assert not _may_be_background({**row, "verdict": "separated"})


class Reader(HTMLParser):
    """Collects tags with their attributes."""

    def __init__(self, page):
        super().__init__()
        self.tags = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


def text(source, *tags):
    return Cell("markdown", source, frozenset(tags))


def page_of(analysis):
    """Return the page of an analysis made by hand, with the cells the real notebook has."""
    pieces = [
        show.answers(analysis),
        show.viewer(analysis),
        pictures.size_histogram(analysis),
        show.verdicts(analysis),
        show.notes(analysis),
        show.what_was_read(analysis.maps),
        show.settings_and_provenance(analysis),
        show.cautions(),
        show.formula(r"\frac{a}{\sqrt{b}}", "a / sqrt b"),
    ]
    cells = [text("# Only here", "notebook-only"), text("## Answers")]
    for piece in pieces:
        cells.append(Cell("code", "secret_code()", frozenset(), value=piece))
        if len(cells) == 4:
            cells.append(text("## Sizes & shares", "closed"))
    cells.append(text("## Nothing to show", "closed"))
    cells.append(text("## Limits"))
    cells.append(Cell("code", "", frozenset(), printed="<i>said</i>"))
    return as_page(cells, title=NASTY)


@pytest.fixture
def page(stand_in):
    return page_of(stand_in())


def test_page_asks_for_nothing_from_elsewhere(page):
    read = Reader(page)
    kinds = [one["type"] for one in read.all("script")]
    assert kinds == ["application/json", "module"]
    assert not read.all("link")
    assert not read.all("iframe")
    for attributes in (attributes for _, attributes in read.tags):
        for name in ("src", "href", "srcset", "data", "poster", "action"):
            value = attributes.get(name) or ""
            allowed = ("data:image/png;base64,", "#")
            assert value.startswith(allowed) or re.fullmatch(r"(\w+\.csv)?", value)
        assert not [name for name in attributes if name.startswith("on")]
    assert "@import" not in page
    assert not re.search(r"url\((?!data:)", page)
    policy = [m["content"] for m in read.all("meta") if m.get("http-equiv")]
    assert policy[0].startswith("default-src 'none'")
    script = re.search(r'<script type="module">(.*?)</script>', page, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}';" in policy[0]


def test_input_is_escaped(page):
    assert "<b>7</b>" not in page
    assert "plate &lt;b&gt;7&lt;/b&gt; &amp; $x$" in page
    assert "Roles are &lt;assumed&gt;." in page


def test_code_and_notebook_only_cells_stay_out_and_printed_lines_are_escaped(page):
    assert "secret_code" not in page
    assert "<pre>&lt;i&gt;said&lt;/i&gt;</pre>" in page
    assert "Only here" not in page


def test_parts_are_open_closed_or_left_out(page):
    read = Reader(page)
    assert [one["class"] for one in read.all("section")] == ["first", "part"]
    assert len(read.all("details")) == 1
    assert [one["id"] for one in read.all("div") if one.get("id")] == ["sizes-shares"]
    assert "Nothing to show" not in page
    assert len(read.all("h1")) == 1
    assert len(read.all("main")) == 1


def test_pictures_carry_their_words(page, stand_in):
    images = Reader(page).all("img")
    assert images
    assert images[0]["alt"].startswith(stand_in().title)
    assert images[1]["alt"] == pictures.size_histogram(stand_in()).alt


def test_formula_is_mathml(page):
    assert "<math" in page
    assert "<msqrt>" in page


def test_verdict_table_has_reasons_and_next_step(page):
    read = Reader(page)
    labels = [cell["data-label"] for cell in read.all("td") if "data-label" in cell]
    assert set(labels) == {"Verdict", "Share in droplets", "Share with alloy", "r with alloy"}
    assert page.count("<strong>Why:</strong> x</p><p><strong>Next:</strong> y") == 5
    assert "with alloy</span>" in page


@pytest.fixture
def small_notebook(tmp_path):
    """Return a function that writes a notebook of one cell."""

    import nbformat  # two seconds, which only the process pays that runs these tests

    def write(source):
        cells = [
            nbformat.v4.new_code_cell("answer = 1", metadata={"tags": ["parameters"]}),
            nbformat.v4.new_code_cell(source),
        ]
        path = tmp_path / "small.ipynb"
        book = nbformat.v4.new_notebook(cells=cells)
        book.metadata["kernelspec"] = {"name": "nowhere", "language": "python", "display_name": ""}
        nbformat.write(book, path)
        return path

    return write


def test_unknown_parameter_is_refused(small_notebook):
    with pytest.raises(InputError, match="Did you mean 'answer'"):
        run_notebook(small_notebook("answer"), {"anwser": 2})


def test_a_notebook_runs_in_this_python_and_its_input_errors_come_through(small_notebook):
    book = small_notebook(
        "import sys\nfrom spattermap.core.errors import InputError\n"
        "raise InputError(f'x must be 2, got {answer}. {sys.prefix}')"
    )
    import sys

    with pytest.raises(InputError) as caught:
        run_notebook(book, {"answer": 3})
    assert str(caught.value) == f"x must be 2, got 3. {sys.prefix}"


def test_unknown_notebook_names_the_nearest():
    with pytest.raises(InputFileError, match=r"Did you mean 'new_map_set.ipynb'"):
        notebook_path("new_mapset.ipynb")


def test_parameters_of_the_notebook_are_those_the_report_sets():
    import nbformat

    book = nbformat.read(notebook_path("new_map_set.ipynb"), as_version=4)
    cell = next(c for c in book.cells if "parameters" in c.metadata.get("tags", []))
    names = re.findall(r"^(\w+) =", cell.source, flags=re.MULTILINE)
    assert names == ["map_set", "blank", "settings_file", "crop", "save_to", "hands_on"]


def test_a_missing_map_set_leaves_nothing(tmp_path):
    with pytest.raises(InputFileError, match="nothing there"):
        write_report(tmp_path / "no_such", tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_a_full_folder_is_refused_before_work_starts(tmp_path):
    (tmp_path / "mine.txt").write_text("keep", encoding="utf-8")
    with pytest.raises(OutputError, match="empty or new"):
        write_report(tmp_path / "no_such", tmp_path)
    assert [item.name for item in tmp_path.iterdir()] == ["mine.txt"]


@pytest.fixture
def small_maps(tmp_path):
    """Return a folder with two small maps."""
    import numpy as np
    import tifffile

    folder = tmp_path / "maps"
    folder.mkdir()
    for name in ("Cu_Ka", "Si_Ka"):
        tifffile.imwrite(folder / f"{name}.tif", np.ones((8, 8), dtype=np.uint16))
    return folder


@pytest.mark.parametrize("problem", [KeyboardInterrupt, InputError("no"), RuntimeError("ours")])
def test_a_run_that_fails_or_is_interrupted_leaves_nothing(
    problem, small_maps, tmp_path, monkeypatch
):
    def fail(notebook, parameters):
        from pathlib import Path

        half = Path(parameters["settings_file"]).with_name("elements.csv")
        half.write_text("half", encoding="utf-8")
        raise problem

    monkeypatch.setattr("spattermap.show.report.run_notebook", fail)
    with pytest.raises(problem if isinstance(problem, type) else type(problem)):
        write_report(small_maps, tmp_path / "out")
    assert [item.name for item in tmp_path.iterdir()] == ["maps"]

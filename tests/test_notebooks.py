"""Every notebook runs from top to bottom on the demo deposits, and is committed without outputs."""

import nbformat
import pytest

from spattermap.report import notebook_path, run_notebook

FOLDER = notebook_path("new_map_set.ipynb").parent
# A sweep of full size would take as long as all other tests together.
SMALL = {"many_deposits.ipynb": {"demo_side_px": 48, "demo_plates": 1, "scheduler": "synchronous"}}
NOTEBOOKS = sorted(path.name for path in FOLDER.glob("*.ipynb"))


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_is_committed_without_outputs(name):
    book = nbformat.read(FOLDER / name, as_version=4)
    nbformat.validate(book)
    for cell in book.cells:
        if cell.cell_type == "code":
            assert not cell.outputs
            assert cell.execution_count is None
    assert "widgets" not in book.metadata
    assert [c for c in book.cells if "parameters" in c.metadata.get("tags", [])]
    assert "What to do next" in book.cells[-1].source


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_runs_from_top_to_bottom(name, tmp_path):
    executed = run_notebook(FOLDER / name, SMALL.get(name, {}), folder=tmp_path)
    outputs = [out for cell in executed.cells if cell.cell_type == "code" for out in cell.outputs]
    assert not [out for out in outputs if out.output_type == "error"]
    words = [out.text for out in outputs if out.output_type == "stream" and out.name == "stderr"]
    assert not words

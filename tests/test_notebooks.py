"""Every notebook runs from top to bottom on the demo deposits, and is committed without outputs."""

import numpy as np
import pytest

import spattermap
from spattermap.analysis import analyse
from spattermap.core.settings import Settings
from spattermap.show.report import notebook_path, run_notebook

FOLDER = notebook_path("new_map_set.ipynb").parent
# A sweep of full size would take as long as all other tests together.
SMALL = {"many_deposits.ipynb": {"demo_side_px": 48, "demo_plates": 1, "scheduler": "synchronous"}}
NOTEBOOKS = sorted(path.name for path in FOLDER.glob("*.ipynb"))


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_is_committed_without_outputs(name):
    import nbformat  # two seconds, which only the process pays that runs these tests

    book = nbformat.read(FOLDER / name, as_version=4)
    nbformat.validate(book)
    for cell in book.cells:
        if cell.cell_type == "code":
            assert not cell.outputs
            assert cell.execution_count is None
    assert "widgets" not in book.metadata
    assert [c for c in book.cells if "parameters" in c.metadata.get("tags", [])]
    assert "What to do next" in book.cells[-1].source


FOUND = {}


def contents(maps):
    """Return all that an analysis may read of a map set."""
    held = [(name, maps[name].dims, maps[name].values.tobytes()) for name in sorted(maps.variables)]
    return str(maps.attrs), *held


def analyse_once(maps, *, blank=None, settings=None):
    """Analyse maps, or return what was found of the same: three notebooks begin with one deposit.

    That the same input gives the same result is tested elsewhere.
    """
    key = contents(maps), None if blank is None else contents(blank), repr(settings or Settings())
    if key not in FOUND:
        FOUND[key] = analyse(maps, blank=blank, settings=settings)
    return FOUND[key]


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_runs_from_top_to_bottom(name, monkeypatch, capsys):
    monkeypatch.chdir(FOLDER)  # paths in a notebook count from its own folder
    monkeypatch.setattr(spattermap, "analyse", analyse_once)
    executed = run_notebook(FOLDER / name, SMALL.get(name, {}))
    assert [cell for cell in executed.cells if cell.value is not None]
    assert capsys.readouterr().err == ""


def test_your_own_data_takes_net_counts(tmp_path):
    # Net counts go below zero and carry their variance; a spectrum cube gives such maps.
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:48, :64]
    metal = ((y % 24 - 12) ** 2 + (x % 32 - 16) ** 2) < 49
    gross = rng.poisson([np.where(metal, 8.0, 1.0), np.where(metal, 2.0, 8.0)])
    maps = spattermap.make_map_set(
        gross - 1.0, ["Cu", "Si"], quantity="net_counts", variance=gross + 0.2
    )
    maps.to_netcdf(tmp_path / "net.nc", engine="h5netcdf")
    run_notebook(FOLDER / "your_own_data.ipynb", {"map_set": str(tmp_path / "net.nc")})

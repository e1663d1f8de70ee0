"""Pages and commands where there is little to say, or something goes wrong."""

import runpy
import sys
import warnings
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import spattermap
from spattermap import cli, show
from spattermap.core.errors import SpattermapError, SpattermapWarning
from spattermap.show import findings, form_text


@pytest.fixture(scope="module")
def noise():
    """An analysis of maps that show counting noise alone."""
    rng = np.random.default_rng(8)
    counts = rng.poisson(2.0, (3, 48, 48)).astype(np.uint16)
    maps = spattermap.make_map_set(counts, ["Cu", "Zn", "Si"], alloy={"Cu": 70.0, "Zn": 30.0})
    return spattermap.analyse(maps)


def test_noise_alone_is_told_as_such(noise):
    found = {one.topic: one for one in noise.answers}
    assert found["amount"].certainty == found["connection"].certainty == "open"
    assert "could not be told apart" in show.connection(noise).text
    assert show.sizes(noise).text == "No droplet was measured whole."
    assert show.shapes_and_spacing(noise).text
    for piece in (show.answers(noise), show.verdicts(noise), show.notes(noise)):
        assert "nan" not in piece.text.lower().split()


def row(**values):
    return pd.Series({"value": 2.0, "low": 1.0, "high": 3.0, **values})


def test_intervals_that_are_not_known():
    assert form_text._interval(row()) == "2.00 (1.00 to 3.00)"
    assert form_text._interval(row(low=np.nan)) == "2.00"


def test_no_fit_and_enough_fields():
    assert form_text._fit(SimpleNamespace(fits=[])) == []
    enough = pd.DataFrame({"quantity": ["coverage", "d50"], "more_fields": [0.0, np.nan]})
    said = form_text._more_fields(SimpleNamespace(enough=enough))
    assert said == ["This field is enough for means within 5 %."]
    enough["more_fields"] = [1.0, 3.0]
    [sentence] = form_text._more_fields(SimpleNamespace(enough=enough))
    assert sentence.endswith(
        "map more: coverage: 1 more field like this; d50: 3 more fields like this."
    )


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (None, ""),
        (float("nan"), ""),
        ("a < b", "a &lt; b"),
        (("one", "two & 3"), "one two &amp; 3"),
    ],
)
def test_sentences_of_a_cell(value, shown):
    assert findings._sentences(value) == shown


# --- the command line -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("problem", "status", "last"),
    [
        (SpattermapError("a must be b,\n got c."), 2, "spattermap: a must be b, got c."),
        (KeyboardInterrupt(), 130, "spattermap: interrupted; nothing half-written is left."),
        (MemoryError(), 2, "analyse that with --workers 1."),
        (OSError(12, "Cannot allocate memory"), 2, "analyse that with --workers 1."),
        (ImportError("x.so: failed to map segment from shared object"), 2, "--workers 1."),
        (ImportError("x"), 1, "Please report it with the lines above."),
        (ZeroDivisionError("x"), 1, "Please report it with the lines above."),
    ],
)
def test_how_a_command_ends(monkeypatch, capsys, problem, status, last):
    def fails(_):
        raise problem

    monkeypatch.setattr(cli, "_look", fails)
    assert cli.main(["look", "somewhere"]) == status
    said = capsys.readouterr().err
    assert said.rstrip().endswith(last)
    assert ("Traceback" in said) == (status == 1)


def test_our_warnings_are_one_line_and_those_of_libraries_stay(monkeypatch, capsys):
    def warns(_):
        warnings.warn(SpattermapWarning("two\n lines"), stacklevel=1)
        warnings.warn("of a library", UserWarning, stacklevel=1)
        return 0

    monkeypatch.setattr(cli, "_look", warns)
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        assert cli.main(["look", "somewhere"]) == 0
    said = capsys.readouterr().err
    assert "spattermap: warning: two lines\n" in said
    assert "UserWarning: of a library" in said


def test_report_prints_where_the_page_is(monkeypatch, capsys, tmp_path):
    asked = []

    def write_report(path, out, **options):
        asked.append((path, out, options))
        return out / "report.html"

    monkeypatch.setattr("spattermap.show.report.write_report", write_report)
    words = ["report", "maps", "--out", str(tmp_path), "--alloy", "Cu,Zn", "--overwrite"]
    assert cli.main(words) == 0
    assert capsys.readouterr().out.strip() == str(tmp_path / "report.html")
    [(_, out, options)] = asked
    assert out == tmp_path
    assert options["overwrite"] is True
    assert options["settings"].alloy == ("Cu", "Zn")


def test_the_module_runs_as_the_command(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["spattermap", "--version"])
    with pytest.raises(SystemExit) as ended:
        runpy.run_module("spattermap", run_name="__main__")
    assert ended.value.code == 0
    assert capsys.readouterr().out.strip() == f"spattermap {spattermap.__version__}"

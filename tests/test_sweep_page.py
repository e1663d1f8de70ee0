"""Sentences and tables of a sweep's page, from results made by hand."""

from html import unescape
from types import SimpleNamespace

import pandas as pd
import pytest

from spattermap.core import work
from spattermap.core.errors import InputFileError
from spattermap.sweeps import overview
from spattermap.sweeps.advice import best_settings
from spattermap.sweeps.deposit import _file_hashes


def effects(**changes):
    one = {
        "result": "coverage", "process": "charge_J", "alloy": "all", "n_samples": 9, "rho": 0.9,
        "p_value": 0.001, "p_adjusted": 0.004, "reading": "beyond doubt", "shown": True,
    }  # fmt: skip
    return {**one, **changes}


def sweep_of(listed, regression=()):
    return SimpleNamespace(
        effects=pd.DataFrame(listed), regression=pd.DataFrame(list(regression)),
        regression_note="Least squares with 9 samples.", level=0.95,
    )  # fmt: skip


def test_each_effect_beyond_doubt_is_one_sentence():
    found = sweep_of(
        [
            effects(),
            effects(result="d50_um", alloy="Cu Zn", rho=-0.8),
            effects(result="share_haze", shown=False),
        ],
        [
            {"result": "coverage", "term": "charge_J", "effect": 1.0, "shown": True},
            {"result": "kept_alloy", "term": "gap_mm", "effect": -2.0, "shown": True},
            {"result": "kept_alloy", "term": "charge_J", "effect": -2.0, "shown": False},
        ],
    )
    said = overview._shown_effects(found)
    assert len(said) == 3
    assert said[0].startswith("coverage rises with charge")
    assert "rank correlation 0.9" in said[0]
    assert " falls with charge" in said[1]
    assert " for Cu Zn (rank" in said[1]
    assert "falls with gap" in said[2]
    assert said[2].endswith("(least squares).")


@pytest.mark.parametrize(("ratios", "goal"), [([0.0, 0.0], "coverage first"),
                                             ([0.0, 0.4], "conductance first")])  # fmt: skip
def test_the_best_is_named_for_what_decided_it(ratios, goal):
    samples = pd.DataFrame({"sample": ["a", "b"], "n_fields": [1, 1], "charge_J": [100.0, 200.0],
                            "sheet_conductance_ratio": ratios, "coverage": [0.1, 0.3]})  # fmt: skip
    found = SimpleNamespace(
        fields=samples, n_errors=0, samples=samples, process=["charge_J"], effects=pd.DataFrame(),
        best=best_settings(samples, ["charge_J"]), regression=pd.DataFrame(),
    )  # fmt: skip
    found.effects = pd.DataFrame([effects(shown=False)])
    said = overview._answer(found)
    assert f"Best so far, {goal}: sample b (charge 200 J)" in unescape(said)
    assert ("In no sample does what is outlined connect" in said) == (max(ratios) == 0)


def test_doubts_are_told_both_ways():
    none = SimpleNamespace(scatter=pd.DataFrame(), outliers=pd.DataFrame())
    assert "No settings were repeated" in overview._doubts(none)
    assert "No sample stands far off" in overview._doubts(none)
    some = SimpleNamespace(
        scatter=pd.DataFrame([{"result": "coverage", "scatter": 0.02}]),
        outliers=pd.DataFrame([{"sample": "b <7>", "result": "coverage", "score": 5.0}]),
    )
    html = overview._doubts(some)
    assert "Scatter of repeated settings." in html
    assert "b &lt;7&gt;" in html
    assert "No " not in html


# --- files of a map set, and where the work is done ---------------------------------------------


def test_one_file_takes_its_sidecar_along(tmp_path):
    (tmp_path / "m.nc").write_bytes(b"abc")
    assert list(_file_hashes(tmp_path / "m.nc")) == ["m.nc"]
    (tmp_path / "mapset.toml").write_bytes(b"")
    found = _file_hashes(tmp_path / "m.nc")
    # SHA-256 of "abc" and of nothing: FIPS 180-2, appendix B.1, and common practice.
    assert found["m.nc"].startswith("ba7816bf8f01cfea414140de5dae2223b00361a3")
    assert found["mapset.toml"].startswith("e3b0c44298fc1c149afbf4c8996fb924")
    (tmp_path / "m.mapset.toml").write_bytes(b"")
    assert set(_file_hashes(tmp_path / "m.nc")) == {"m.nc", "m.mapset.toml"}


def test_files_that_cannot_be_read(tmp_path, monkeypatch):
    with pytest.raises(InputFileError, match=r"got nothing there. Correct the sheet"):
        _file_hashes(tmp_path / "gone")
    (tmp_path / "m.nc").write_bytes(b"abc")

    def locked(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.open", locked)
    with pytest.raises(InputFileError, match=r"must be readable, got: Permission denied"):
        _file_hashes(tmp_path / "m.nc")


def test_a_cluster_that_loses_a_worker_says_what_fell():
    from concurrent.futures import Future

    import distributed
    from distributed.scheduler import KilledWorker

    class Kept(Future):
        """A result of the cluster."""

        status = "finished"

        def release(self):
            released.append(self)

    class Client(distributed.Client):
        loop = None

        def __init__(self):
            pass

        def run(self, function, *given, **_):
            return {"tcp://here:1": function(*given)}

        def cancel(self, *_, **__):
            pass

        def submit(self, function, *given, **_):
            future = Kept()
            if "deadly" in given:
                future.set_exception(KilledWorker("task", "worker", 3))
            else:
                future.set_result(function(*given))
            return future

        def __del__(self):
            pass

    released = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(distributed, "as_completed", lambda futures, **_: iter(futures))
        found = dict(
            work.run(str.upper, ["a", "deadly", "c"], lost=lambda said: said, scheduler=Client())
        )
    assert found[0] == "A"
    assert found[2] == "C"
    assert "several" in found[1]
    assert len(released) == 3


def test_dark_lines_that_may_be_noise_are_no_cracks_to_compare(monkeypatch, tmp_path):
    from types import SimpleNamespace

    from spattermap.show.answers import QUESTIONS
    from spattermap.sweeps import sweep_tables

    def row(certainty):
        answers = [{"answer": "x.", "certainty": certainty} for _ in QUESTIONS]
        record = {
            "title": "one", "alloy": {}, "roles": {"alloy": ["Mo"]}, "process": {},
            "measured": {}, "elements": [],
            "summary": {"crack_count": 1, "crack_length_um_per_um2": 0.1, "answers": answers},
        }  # fmt: skip
        monkeypatch.setattr(sweep_tables, "read_record", lambda _: record)
        outcome = SimpleNamespace(error="", key="k")
        given = SimpleNamespace(shown_path="a", sample="a", field="1")
        return sweep_tables._field_line(given, outcome, tmp_path)[3]

    assert row("likely")["crack_count"] == 1
    assert row("open")["crack_count"] is None
    assert row("open")["crack_length_um_per_um2"] is None

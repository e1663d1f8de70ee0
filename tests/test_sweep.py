"""Sweeps from sheet to page, on tiny map sets."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import tifffile

from spattermap.core import files, settings
from spattermap.core.errors import InputError, InputFileError, OutputError
from spattermap.sweeps import deposit, read_sheet, sweep, sweep_tables
from spattermap.sweeps.sheet import SheetRow

SIDE = 48


def write_map_set(folder, *, seed, charge, title="", alloy=("Cu", "Zn"), resistance=None):
    """Write a tiny deposit of drops: more charge, more drops."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:SIDE, :SIDE]
    metal = np.zeros((SIDE, SIDE), dtype=bool)
    for _ in range(int(charge / 10)):
        cy, cx = rng.uniform(0, SIDE, 2)
        metal |= (y - cy) ** 2 + (x - cx) ** 2 < rng.uniform(3, 5) ** 2
    folder.mkdir(parents=True)
    means = {alloy[0]: (6, 0.2), alloy[1]: (3, 0.1), "Si": (1, 5)}
    for element, (on, off) in means.items():
        counts = rng.poisson(np.where(metal, on, off)).astype(np.uint16)
        tifffile.imwrite(folder / f"{element}_Ka.tif", counts)
    text = f'title = "{title}"\nquantity = "counts"\npixel_size_um = 0.5\n'
    text += f"[alloy]\n{alloy[0]} = 70.0\n{alloy[1]} = 30.0\n[substrate]\nelements = ['Si']\n"
    text += f"[process]\ncharge_J = {charge}\n"
    if resistance:
        text += f"[measured]\nsheet_resistance_ohm_per_sq = {resistance}\n"
    (folder / "mapset.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    """Three samples of two fields each, and one broken map set, with their sheet."""
    root = tmp_path_factory.mktemp("workshop")
    lines = ["path,sample,field,operator,measured_colour"]
    for k, charge in enumerate((60, 120, 240)):
        for field in "ab":
            name = f"burst_{k}{field}"
            write_map_set(root / name, seed=10 * k + ord(field), charge=charge, title=name)
            lines.append(f"{name},burst {k},{field},N,grey")
    (root / "broken").mkdir()
    (root / "broken" / "Cu_Ka.tif").write_bytes(b"no picture")
    lines.append("broken,burst 3,a,N,")
    (root / "sheet.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return root


@pytest.fixture(scope="module")
def swept(workshop, tmp_path_factory):
    out = tmp_path_factory.mktemp("out") / "results"
    return sweep(workshop / "sheet.csv", out=out, scheduler="synchronous")


def table_bytes(folder):
    return {item.name: item.read_bytes() for item in sorted(folder.iterdir()) if item.is_file()}


# --- sheet ----------------------------------------------------------------------------------


def write_sheet(folder, text):
    file = folder / "sheet.csv"
    file.write_text(text, encoding="utf-8")
    return file


def test_sheet_columns(tmp_path):
    file = write_sheet(
        tmp_path,
        "# made by hand\nPath,sample,charge_J,wire,thickness_nm,measured_gloss\n"
        'a,one,140,"brass, thin",80,\nb,,2e2,,,0.5\n',
    )
    first, second = read_sheet(file)
    assert first == SheetRow(
        1,
        "a",
        tmp_path / "a",
        "one",
        process={"charge_J": 140.0, "wire": "brass, thin"},
        measured={"thickness_nm": 80.0},
    )
    assert (second.sample, second.process, second.measured) == (
        "b",
        {"charge_J": 200.0},
        {"gloss": 0.5},
    )


def test_sheet_with_semicolons_and_decimal_commas(tmp_path):
    row = read_sheet(write_sheet(tmp_path, "\ufeffpath;gap_mm\na;1,5\n"))[0]
    assert row.process == {"gap_mm": 1.5}


def test_paths_alone(tmp_path):
    rows = read_sheet([tmp_path / "a", tmp_path / "b"])
    assert [row.sample for row in rows] == ["a", "b"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "must have a line of column names"),
        ("folder,charge\na,1\n", "must have a column 'path'"),
        ("pth,charge\na,1\n", "Did you mean 'pth'"),
        ("path,charge\n", "must list at least one map set"),
        ("path,charge\n,1\n", "row 1 must have a path"),
        ("path,charge\na,1,2\n", "row 1 must have 2 cells, got 3"),
        ("path,path\na,b\n", "column names must be unique, got 'path' twice"),
        ("path,x\na,1\nb,2\na,3\n", "got 'a' in rows 1 and 3"),
    ],
)
def test_bad_sheets(tmp_path, text, message):
    with pytest.raises(InputError, match=message):
        read_sheet(write_sheet(tmp_path, text))


def test_missing_sheet(tmp_path):
    with pytest.raises(InputFileError, match="must be a readable sheet"):
        read_sheet(tmp_path / "none.csv")


# --- results --------------------------------------------------------------------------------


def test_every_map_set_has_a_row(swept, workshop):
    assert len(swept.fields) == 7
    assert swept.fields["status"].tolist() == ["done"] * 6 + ["error"]
    error = swept.fields["error"].iloc[-1]
    assert "Cu_Ka.tif" in error
    assert "\n" not in error
    assert swept.n_errors == 1
    assert swept.faults == ()


@pytest.mark.outside(
    "Interval of the coverage of a sample of two fields",
    source="independent errors of a mean add in quadrature",
    known="exact",
    tolerance="1e-9",
)
def test_fields_of_a_sample_are_combined(swept):
    samples = swept.samples.set_index("sample")
    assert samples["n_fields"].tolist() == [2, 2, 2, 0]
    assert samples["n_errors"].tolist() == [0, 0, 0, 1]
    pair = swept.fields[swept.fields["sample"] == "burst 1"]["coverage"].to_numpy(float)
    row = samples.loc["burst 1"]
    assert row["coverage"] == pytest.approx(pair.mean())
    # Two fields: from the counting within them, and no narrower than they lie apart.
    fields = swept.fields[swept.fields["sample"] == "burst 1"]
    up = (fields["coverage_high"] - fields["coverage"]).to_numpy(float)
    half = max(np.sqrt(np.square(up).sum()) / 2, np.ptp(pair) / 2)
    assert row["coverage_high"] - row["coverage"] == pytest.approx(half, rel=1e-9)
    assert samples.loc["burst 0", "coverage"] < samples.loc["burst 2", "coverage"]
    assert samples["charge_J"].tolist()[:3] == [60, 120, 240]
    assert swept.process == ("operator", "charge_J")
    assert swept.measured == ("colour",)


def test_moments_of_fields_are_added(swept, workshop):
    from spattermap.verdict.pairs import pair_table

    keys = swept.fields[swept.fields["sample"] == "burst 0"]["result"]
    one, other = (
        deposit.load_moments(swept.folder / "deposits" / key / "moments.npz") for key in keys
    )
    merged = one.merge(other)
    assert merged.n.sum() == 2 * SIDE * SIDE
    direct = pair_table(merged).set_index(["element_a", "element_b"])["r"]
    stored = swept.pairs[swept.pairs["sample"] == "burst 0"].set_index(["element_a", "element_b"])
    for pair in direct.index:
        here = stored["r"].get(pair, stored["r"].get(pair[::-1]))
        assert here == pytest.approx(direct[pair], abs=1e-12)


def test_stored_moments_are_exact(swept, workshop):
    from spattermap import analyse, load

    key = swept.fields["result"].iloc[0]
    stored = deposit.load_moments(swept.folder / "deposits" / key / "moments.npz")
    fresh = analyse(load(workshop / "burst_0a")).moments
    for name in ("n", "s1", "comoment", "noise", "class_s1", "field"):
        np.testing.assert_array_equal(getattr(stored, name), getattr(fresh, name))
    for name in ("elements", "notes", "block_px", "inflation", "noise_source"):
        assert np.array_equal(getattr(stored, name), getattr(fresh, name))


def test_files_of_a_sweep(swept):
    names = {item.name for item in swept.folder.iterdir()}
    assert {"fields.csv", "samples.csv", "verdicts.csv", "pairs.csv", "effects.csv"} <= names
    assert {"next_settings.csv", "overview.html", "deposits", "sweep.json"} <= names
    read = pd.read_csv(swept.folder / "fields.csv")
    assert len(read) == 7
    folder = swept.folder / "deposits" / read["result"].iloc[0]
    assert (folder / "droplets.csv").is_file()
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert summary["coverage"] == pytest.approx(read["coverage"].iloc[0])


def test_page_is_self_contained_and_escaped(swept):
    page = swept.page.read_text(encoding="utf-8")
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")
    for heading in ("Answer", "Samples", "Effects of the settings", "Errors", "Cautions"):
        assert f">{heading}</h2>" in page
    assert "6 of 7 map sets were analysed, in 3 samples." in page
    assert '<img alt="' in page


def test_titles_cannot_write_html(tmp_path):
    write_map_set(tmp_path / "maps", seed=1, charge=100, title="<b>x</b>&")
    found = sweep([tmp_path / "maps"], out=tmp_path / "out", scheduler="synchronous")
    page = found.page.read_text(encoding="utf-8")
    assert "<b>x</b>" not in page
    assert "&lt;b&gt;x&lt;/b&gt;&amp;" in page


# --- resuming -------------------------------------------------------------------------------


def test_finished_deposits_are_taken_over_and_tables_stay_the_same(swept, workshop):
    before = table_bytes(swept.folder)
    again = sweep(workshop / "sheet.csv", out=swept.folder, scheduler="threads")
    assert again.n_skipped == 6
    assert table_bytes(swept.folder) == before


def test_changed_content_is_done_again(workshop, tmp_path):
    maps = write_map_set(tmp_path / "maps", seed=1, charge=100)
    out = tmp_path / "out"
    first = sweep([maps], out=out, scheduler="synchronous")
    assert sweep([maps], out=out, scheduler="synchronous").n_skipped == 1
    text = (maps / "mapset.toml").read_text(encoding="utf-8")
    (maps / "mapset.toml").write_text(text.replace("0.5", "0.25"), encoding="utf-8")
    second = sweep([maps], out=out, scheduler="synchronous")
    assert second.n_skipped == 0
    assert first.fields["result"].iloc[0] != second.fields["result"].iloc[0]


def test_half_written_results_are_no_results(workshop, tmp_path):
    out = tmp_path / "out"
    row = read_sheet([workshop / "burst_0a"])[0]
    task = deposit.SheetTask(row, settings.Settings(), out / "deposits")
    key = deposit.content_key(task, None)
    gone = f".spattermap_{files._machine()}-{files._boot()}-999999999-1-abc"
    left = out / "deposits" / gone
    left.mkdir(parents=True)
    (left / "deposit.json").write_text("{", encoding="utf-8")
    (out / "sweep.json").write_text("{}", encoding="utf-8")
    found = sweep([row.path], out=out, scheduler="synchronous")
    assert found.n_skipped == 0
    assert found.fields["result"].iloc[0] == key
    assert not left.exists()


def test_sheet_facts_come_before_the_sidecar(workshop, tmp_path):
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(f"path,charge_J\n{workshop / 'burst_0a'},999\n", encoding="utf-8")
    found = sweep(sheet, out=tmp_path / "out", scheduler="synchronous")
    assert found.samples["charge_J"].tolist() == [999]


def test_other_folders_are_left_alone(workshop, tmp_path):
    (tmp_path / "thesis.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="must be new, empty or the folder of an earlier sweep"):
        sweep(workshop / "sheet.csv", out=tmp_path, scheduler="synchronous")


def test_nothing_but_errors_is_still_a_page(workshop, tmp_path):
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(
        f"path,blank,charge_J\nnone,,1\nalso_none,nothing,2\n{workshop / 'burst_0a'},nothing,3\n",
        encoding="utf-8",
    )
    found = sweep(sheet, out=tmp_path / "out", scheduler="synchronous")
    assert found.n_errors == 3
    assert found.faults == ()
    assert found.fields["error"].str.contains("must be an existing file or folder").all()
    assert "0 of 3 map sets were analysed" in found.page.read_text(encoding="utf-8")


def test_a_fault_of_ours_is_a_row_too(workshop, tmp_path, monkeypatch):
    import spattermap.analysis

    def fail(*_, **__):
        raise ZeroDivisionError("oh")

    monkeypatch.setattr(spattermap.analysis, "analyse", fail)
    found = sweep([workshop / "burst_0a"], out=tmp_path / "out", scheduler="synchronous")
    assert found.fields["error"].iloc[0].startswith("A fault of ours")
    assert "ZeroDivisionError" in (tmp_path / "out" / "faults.txt").read_text(encoding="utf-8")
    assert found.page.is_file()


# --- verdicts -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["with_alloy"], ("with_alloy", 1)),
        (["undecided"], ("undecided", 1)),
        (["with_alloy", "undecided"], ("with_alloy", 1)),
        (["with_alloy", "undecided", "undecided"], ("undecided", 2)),
        (["with_alloy", "separated", "with_alloy"], ("undecided", 0)),
    ],
)
def test_agreed_verdict(words, expected):
    assert sweep_tables.agreed_verdict(words) == expected


def test_fields_with_other_elements_are_not_added(tmp_path):
    write_map_set(tmp_path / "a", seed=1, charge=100)
    write_map_set(tmp_path / "b", seed=2, charge=100, alloy=("Cu", "Ni"))
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("path,sample\na,one\nb,one\n", encoding="utf-8")
    found = sweep(sheet, out=tmp_path / "out", scheduler="synchronous")
    assert found.pairs.empty
    assert found.verdicts["note"].str.contains("Merge fields mapped with the same lines").all()


# --- command --------------------------------------------------------------------------------


def test_command_says_by_its_status_that_some_failed(workshop, tmp_path, capsys):
    from spattermap.cli import main

    sheet = tmp_path / "sheet.csv"
    sheet.write_text(f"path\n{workshop / 'burst_0a'}\n{workshop / 'broken'}\n", encoding="utf-8")
    words = ["sweep", str(sheet), "--out", str(tmp_path / "out"), "--no-reports"]
    assert main([*words, "--scheduler", "synchronous"]) == 2
    said = capsys.readouterr()
    assert said.out.strip() == str(tmp_path / "out" / "overview.html")
    assert "1 of 2 map sets could not be used" in said.err
    assert "2/2" in said.err


def test_command_is_done(workshop, tmp_path, capsys):
    from spattermap.cli import main

    sheet = tmp_path / "sheet.csv"
    sheet.write_text(f"path\n{workshop / 'burst_0a'}\n", encoding="utf-8")
    words = ["sweep", str(sheet), "--out", str(tmp_path / "out"), "--no-reports"]
    assert main([*words, "--scheduler", "threads", "--workers", "1"]) == 0
    assert main([*words, "--scheduler", "nowhere"]) == 2
    assert "scheduler must be one of" in capsys.readouterr().err


# --- demo -----------------------------------------------------------------------------------


def test_demo_sheet(tmp_path):
    from spattermap.sweeps.demo import write_demo

    sheet = write_demo(tmp_path / "demo", side_px=40)
    rows = read_sheet(sheet)
    assert len(rows) == 26
    assert {row.process["charge_J"] for row in rows} == {90, 180, 320}
    assert {row.process["wire"] for row in rows} == {"brass", "nichrome"}
    assert [row.path.is_dir() for row in rows] == [True] * 24 + [False, True]
    assert any("sheet_resistance_ohm_per_sq" in row.measured for row in rows)


# --- pages of deposits ----------------------------------------------------------------------


def test_pages_are_added_and_tables_stay(workshop, tmp_path, monkeypatch):
    import spattermap.show.report

    made = []

    def write_report(path, out, **options):
        made.append((path, options["blank"]))
        (out / "figures").mkdir(parents=True)
        (out / "figures" / "one.png").write_bytes(b"picture")
        (out / "summary.json").write_text("without the sheet's facts", encoding="utf-8")
        (out / "report.html").write_text("page", encoding="utf-8")
        return out / "report.html"

    monkeypatch.setattr(spattermap.show.report, "write_report", write_report)
    out = tmp_path / "out"
    first = sweep([workshop / "burst_0a"], out=out, scheduler="synchronous")
    folder = out / "deposits" / first.fields["result"].iloc[0]
    before = (folder / "summary.json").read_bytes()
    for _ in range(2):  # the second time nothing is left to do
        again = sweep([workshop / "burst_0a"], out=out, scheduler="synchronous", reports=True)
        assert again.n_skipped == 1
    assert len(made) == 1
    assert (folder / "report.html").read_text(encoding="utf-8") == "page"
    assert (folder / "figures" / "one.png").is_file()
    assert (folder / "summary.json").read_bytes() == before
    assert f"{folder.name}/report.html" in again.page.read_text(encoding="utf-8")
    assert not list((out / "deposits").glob(".spattermap_*"))

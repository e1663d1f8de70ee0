"""The page of outside checks holds the checks of the tests as they stand, and no others."""

import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
PAGE = HERE / "reference" / "README.md"
outside_checks = sys.modules["outside_checks"]  # loaded by conftest.py


def rows_of_the_tests(config, folder):
    """Return the rows of this run if it collected every mark, else of a run that only collects."""
    checks = list(config.pluginmanager.get_plugin("outside_checks").checks.values())
    marked = {
        file.name
        for file in HERE.glob("test_*.py")
        if file.name != Path(__file__).name and "mark.outside(" in file.read_text(encoding="utf-8")
    }
    parts_only = any("::" in arg for arg in config.args) or config.getoption("lf", default=False)
    if parts_only or marked - {check.place for check in checks}:
        written = folder / "page.md"
        command = [sys.executable, "-m", "pytest", "--collect-only", "-q", str(HERE)]
        command += ["--write-checks", str(written), "-p", "no:cacheprovider"]
        subprocess.run(command, cwd=HERE.parent, check=True, stdout=subprocess.DEVNULL)
        return outside_checks.rows_of(outside_checks.BEGIN + written.read_text(encoding="utf-8"))
    return sorted(check.row({}) for check in checks)


@pytest.fixture
def rows(request):
    if request.config.getoption("--write-checks"):
        pytest.skip("the page is being written")
    return outside_checks.rows_of(PAGE.read_text(encoding="utf-8"))


def test_page_is_that_of_the_tests(rows, request, tmp_path):
    expected = rows_of_the_tests(request.config, tmp_path)
    again = "write the page anew: pytest -m outside --write-checks tests/reference/README.md"
    assert [row[:-1] for row in rows] == [row[:-1] for row in expected], again
    assert {row[-1] for row in rows} == {"passed"}, again


def test_at_least_eighty_checks_each_with_source_and_mark(rows):
    assert len(rows) >= 80
    for _, what, source, known, tolerance, cases, _ in rows:
        assert min(len(what), len(source), len(tolerance)) > 0
        assert known in outside_checks.KNOWN
        assert int(cases) >= 1


def a_mark(*what, **more):
    said = {"source": "A, 1900", "known": "seen", "tolerance": "equal", **more}
    return pytest.mark.outside(*what, **said).mark


def test_a_row_passes_only_if_every_case_does():
    check = outside_checks.check_of(a_mark("a | b"), "test_a_b.py")
    check.cases = ["one", "two"]
    half = {"one": "passed"}
    ends = [half, {**half, "two": "failed"}, {**half, "two": "passed"}]
    assert [check.row(end)[-1] for end in ends] == ["not run", "failed", "passed"]
    text = outside_checks.table([check], ends[2])
    row = ("a b", "a | b", "A, 1900", "seen", "equal", "2", "passed")
    assert outside_checks.rows_of(outside_checks.BEGIN + text) == [row]


@pytest.mark.parametrize(
    "mark", [a_mark(), a_mark("a", source=" "), a_mark("a", known="sure"), a_mark("a", more="b")]
)
def test_a_mark_without_its_source_is_refused(mark):
    with pytest.raises(pytest.UsageError, match=r"test_a\.py"):
        outside_checks.check_of(mark, "test_a.py")


def test_the_rest_of_the_page_is_left_alone(tmp_path):
    page = tmp_path / "page.md"
    around = f"before\n{outside_checks.BEGIN}{{}}{outside_checks.END}\nafter\n"
    page.write_text(around.format("old"), encoding="utf-8")
    outside_checks.write(page, "new\n")
    assert page.read_text(encoding="utf-8") == around.format("\n\nnew\n\n")

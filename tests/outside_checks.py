"""The list of outside checks, from the marks on the tests, as a table in the checks page.

``@pytest.mark.outside(what, source=..., known=..., tolerance=...)`` says of a test what it checks
against something outside the project. ``pytest -m outside --write-checks
tests/reference/README.md`` writes the table of every check and how it ended into the page, between
its two marker comments.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest

KNOWN = ("seen", "computed", "from memory", "from memory, computed", "common practice", "exact")
BEGIN, END = "<!-- checks: begin -->", "<!-- checks: end -->"
HEADER = ("room", "what is checked", "source", "known", "tolerance", "cases", "result")
NOT_RUN = "not run"


@dataclass
class Check:
    """One row: a check of one thing, with all its cases."""

    place: str
    what: str
    source: str
    known: str
    tolerance: str
    cases: list[str] = field(default_factory=list)  # node ids

    def row(self, outcomes: dict[str, str]) -> tuple[str, ...]:
        """Return the cells: failed if any case failed, passed only if every case did."""
        found = {outcomes.get(case, NOT_RUN) for case in self.cases}
        result = next((r for r in ("failed", NOT_RUN) if r in found), "passed")
        # Words without underscores, so that a narrow page can break them.
        room = self.place.removeprefix("test_").removesuffix(".py").replace("_", " ")
        cells = (room, self.what, self.source, self.known, self.tolerance)
        return (*cells, str(len(self.cases)), result)


def check_of(mark: pytest.Mark, place: str) -> Check:
    """Return the check that a mark states; refuse one that leaves something out."""
    said = dict(mark.kwargs)
    texts = [*mark.args, *(said.pop(name, "") for name in ("source", "known", "tolerance"))]
    if len(texts) != 4 or said or not all(isinstance(t, str) and t.strip() for t in texts):
        raise pytest.UsageError(
            f"{place}: outside must have what, source=, known= and tolerance=, all in words, "
            f"got {mark.args!r} and {mark.kwargs!r}."
        )
    if texts[2] not in KNOWN:
        raise pytest.UsageError(
            f"{place}: known must be one of {', '.join(KNOWN)}, got {texts[2]!r}."
        )
    return Check(place, *(" ".join(text.split()) for text in texts))


class Collector:
    """Gathers checks and outcomes of a run, and writes the table at its end."""

    def __init__(self, page: Path | None) -> None:
        self.page = page
        self.checks: dict[tuple[str, str], Check] = {}
        self.outcomes: dict[str, str] = {}

    @pytest.hookimpl(tryfirst=True)  # before -m and -k leave tests out
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Take every mark down; the cases of one test make one check."""
        for item in items:
            for mark in item.iter_markers("outside"):
                found = check_of(mark, item.path.name)
                known = self.checks.setdefault((found.place, found.what), found)
                if known.source != found.source or known.known != found.known:
                    raise pytest.UsageError(
                        f"{item.nodeid}: another check of this file says the same ({found.what!r}) "
                        "with another source. Say what sets the two apart."
                    )
                known.cases.append(item.nodeid)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note how a case ended; a failure in set-up or teardown is one too."""
        if report.failed:
            self.outcomes[report.nodeid] = "failed"
        elif report.when == "call" and report.passed:
            self.outcomes.setdefault(report.nodeid, "passed")

    def pytest_sessionfinish(self) -> None:
        """Write the page, if that was asked for."""
        if self.page is not None:
            write(self.page, table(list(self.checks.values()), self.outcomes))


def table(checks: list[Check], outcomes: dict[str, str]) -> str:
    """Return the table with a line of numbers above it, sorted, the same for the same checks."""
    rows = sorted(check.row(outcomes) for check in checks)
    numbers = ", ".join(
        f"*{known}* {sum(check.known == known for check in checks)}" for known in KNOWN
    )
    total = sum(len(check.cases) for check in checks)
    passed = sum(row[-1] == "passed" for row in rows)
    first = (
        f"{len(rows)} checks with {total} cases in all; {passed} checks passed. "
        f"By how the value is known: {numbers}."
    )
    lines = [
        first,
        "",
        *(line_of(cells) for cells in (HEADER, ["---"] * len(HEADER), *rows)),
    ]
    return "\n".join(lines) + "\n"


def line_of(cells: tuple[str, ...] | list[str]) -> str:
    """Return one line of a table, with what Markdown would read as markup escaped."""
    escaped = [cell.replace("|", r"\|").replace("*", r"\*").replace("_", r"\_") for cell in cells]
    return "| " + " | ".join(escaped) + " |"


def rows_of(page: str) -> list[tuple[str, ...]]:
    """Return the cells of the table of a page, as `Check.row` gives them."""
    between = page.partition(BEGIN)[2].partition(END)[0]
    plain = between.replace(r"\*", "*").replace(r"\_", "_")
    lines = [line for line in plain.splitlines() if line.startswith("| ")]
    return [
        tuple(cell.replace("\0", "|") for cell in line[2:-2].replace(r"\|", "\0").split(" | "))
        for line in lines[2:]
    ]


def write(page: Path, text: str) -> None:
    """Put the table between the markers of the page; a file without them holds it alone."""
    old = page.read_text(encoding="utf-8") if page.is_file() else ""
    if BEGIN in old and END in old:
        before, rest = old.split(BEGIN, 1)
        text = f"{before}{BEGIN}\n\n{text}\n{END}{rest.split(END, 1)[1]}"
    page.write_text(text, encoding="utf-8", newline="\n")

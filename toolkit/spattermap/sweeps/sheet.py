"""The sheet of a sweep: one row a map set, with the settings and measurements of the person."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as default
from pathlib import Path
from typing import Any

from spattermap.core.errors import InputError, InputFileError, nearest, refuse_endless
from spattermap.core.files import decoded

# Columns with a meaning of their own; every other column is a process column.
OWN_COLUMNS = ("path", "sample", "field", "blank")
# Columns that were measured on the sample rather than chosen; so is every "measured_..." one.
MEASURED_COLUMNS = ("sheet_resistance_ohm_per_sq", "thickness_nm")
_MEASURED_PREFIX = "measured_"

Value = float | str


@dataclass(frozen=True)
class SheetRow:
    """One map set of a sweep.

    Parameters
    ----------
    number : int
        Place in the sheet, from 1.
    shown_path : str
        The path as it was written.
    path : pathlib.Path
        The same, from the sheet's folder.
    sample, field : str
        Fields of one sample are combined.
    blank : pathlib.Path or None
        Map set of the bare substrate; None takes the one the sidecar names.
    process, measured : dict of str to float or str
        What the sheet says beyond the sidecar; it comes before the sidecar.
    """

    number: int
    shown_path: str
    path: Path
    sample: str
    field: str = ""
    blank: Path | None = None
    process: dict[str, Value] = default(default_factory=dict)
    measured: dict[str, Value] = default(default_factory=dict)


def read_sheet(sheet: str | Path | Sequence[str | Path]) -> list[SheetRow]:
    """Read the sheet of a sweep.

    Parameters
    ----------
    sheet : str, pathlib.Path or sequence of these
        A CSV file with one row a map set, or the paths of the map sets alone. In the file,
        ``path`` is required and taken from the sheet's folder; ``sample``, ``field`` and ``blank``
        are known; ``sheet_resistance_ohm_per_sq``, ``thickness_nm`` and every column that starts
        with ``measured_`` are measurements; every other column is a process column. Fields are
        separated by comma, semicolon or tab; with semicolons, a decimal comma is understood.
        Lines that start with ``#`` are left out.

    Raises
    ------
    InputFileError
        If the sheet cannot be read.
    InputError
        If it has no path column, no rows, a row without a path, or a path twice.

    Examples
    --------
    >>> rows = read_sheet(["maps/b14_1", "maps/b14_2"])
    >>> [row.sample for row in rows]
    ['b14_1', 'b14_2']
    """
    if not isinstance(sheet, (str, Path)):
        return _checked([_bare_row(k + 1, str(path)) for k, path in enumerate(sheet)], "sheet")
    file = Path(sheet)
    columns, lines = _read_lines(file)
    rows = []
    for number, cells in enumerate(lines, start=1):
        row = dict(zip(columns, cells, strict=True))
        rows.append(_row(number, row, file))
    return _checked(rows, file.name)


def _read_lines(file: Path) -> tuple[list[str], list[list[str]]]:
    """Return column names and the cells of every line."""
    try:
        refuse_endless(file, "a readable sheet (CSV text)")
        text = "\n".join(decoded(file.read_bytes()).splitlines())
    except InputFileError:
        raise
    except OSError as problem:
        raise InputFileError(
            f"{file} must be a readable sheet (CSV text), got: {problem.strerror}. Check the path."
        ) from problem
    if "\0" in text:
        raise InputFileError(
            f"{file} must be a readable sheet (CSV text in UTF-8), got null characters in it. "
            "Export it again as CSV UTF-8."
        )
    text = re.sub(r"\Asep=.\s*\n", "", text)  # a line for spreadsheets alone
    kept = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    if not kept:
        raise InputError(f"{file.name} must have a line of column names, got none. Write one.")
    separator = max(",;\t", key=kept[0].count)
    try:
        cells_of = list(csv.reader(kept, delimiter=separator))
    except csv.Error as problem:  # a field without end, most often an open quotation mark
        raise InputFileError(
            f"{file} must be a readable sheet (CSV text), got: {problem}. Close the quotation mark."
        ) from problem
    lines = [[cell.strip() for cell in cells] for cells in cells_of]
    lines = _full(lines)
    names = [_own_name(name) for name in lines[0]]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice or "" in names:
        found = f"{twice[0]!r} twice" if twice else "an empty name"
        raise InputError(
            f"{file.name}: column names must be unique, got {found}. Rename the column."
        )
    if "path" not in names:
        guess = nearest("path", names)
        hint = f"Did you mean {guess!r}?" if guess else f"Found: {', '.join(names)}."
        raise InputError(f"{file.name} must have a column 'path', got none. {hint}")
    for number, cells in enumerate(lines[1:], start=1):
        if len(cells) != len(names):
            raise InputError(
                f"{file.name}: row {number} must have {len(names)} cells, got {len(cells)}. "
                "Quote a text that holds the separator."
            )
    if separator == ";":
        lines = [[_decimal_point(cell) for cell in cells] for cells in lines]
    return names, lines[1:]


def _full(lines: list[list[str]]) -> list[list[str]]:
    """Return a table without the empty rows and last columns that spreadsheets add."""
    rows = [cells for cells in lines if any(cells)] or lines
    width = len(rows[0])
    while width > 1 and not any(any(cells[width - 1 :]) for cells in rows):
        width -= 1
    return [cells if any(cells[width:]) else cells[:width] for cells in rows]


def _own_name(name: str) -> str:
    """Return one of our names in our spelling, any other as it came."""
    return name.lower() if name.lower() in OWN_COLUMNS else name


def _decimal_point(cell: str) -> str:
    return cell.replace(",", ".") if re.fullmatch(r"[+-]?\d+,\d+", cell) else cell


def _bare_row(number: int, path: str) -> SheetRow:
    return SheetRow(number, path, Path(path), sample=Path(path).name)


def _row(number: int, cells: Mapping[str, str], file: Path) -> SheetRow:
    if not cells["path"]:
        raise InputError(
            f"{file.name}: row {number} must have a path, got an empty cell. "
            "Write the folder of its maps."
        )
    process: dict[str, Value] = {}
    measured: dict[str, Value] = {}
    for name, cell in cells.items():
        if name in OWN_COLUMNS or cell == "":
            continue
        if name in MEASURED_COLUMNS:
            measured[name] = value_of(cell)
        elif name.startswith(_MEASURED_PREFIX):
            measured[name.removeprefix(_MEASURED_PREFIX)] = value_of(cell)
        else:
            process[name] = value_of(cell)
    blank = cells.get("blank", "")
    return SheetRow(
        number=number,
        shown_path=cells["path"],
        path=file.parent / cells["path"],
        sample=cells.get("sample") or Path(cells["path"]).name,
        field=cells.get("field", ""),
        blank=file.parent / blank if blank else None,
        process=process,
        measured=measured,
    )


def value_of(cell: str) -> Value:
    """Return a cell as a number where it is one, else as text."""
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", cell):
        return cell
    number = float(cell)
    return number if math.isfinite(number) else cell


def _checked(rows: list[SheetRow], name: str) -> list[SheetRow]:
    if not rows:
        raise InputError(f"{name} must list at least one map set, got none. Add a row.")
    seen: dict[Path, int] = {}
    for row in rows:
        place = row.path.resolve()
        if place in seen:
            raise InputError(
                f"{name}: every path must be listed once, got {row.shown_path!r} in rows "
                f"{seen[place]} and {row.number}. Remove one of them."
            )
        seen[place] = row.number
    return rows


def column_names(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """Return every key of several mappings, in order of first appearance."""
    return list(dict.fromkeys(name for row in rows for name in row))

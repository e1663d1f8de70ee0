"""Text: a grid of numbers for one element, or a long table with a row a pixel."""

from __future__ import annotations

import gzip
import io
import re
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from spattermap.core.errors import InputError, InputFileError, SpattermapError
from spattermap.core.files import decoded
from spattermap.loaders import names
from spattermap.loaders.contract import SAME_SIZE, Request, Stack, check_ratio, check_size, readable

FORMAT = "text"
ENDINGS = (".csv", ".tsv", ".txt", ".dat", ".asc")
_COMMENTS = ("#", "%", "//")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$|[+-]?(nan|inf)$", re.IGNORECASE)
# A text value takes at least two bytes, so this bounds the pixels too.
MOST_BYTES = 2**31
MOST_COLUMNS, MOST_LINE = 2**16, 2**22
_GROUPING = "'\u2019\u00a0\u202f\u2009"  # signs of thousands that part no columns
_X_NAMES, _Y_NAMES = ("x", "column", "col"), ("y", "row")
_CELL_ENDS = {"\t": r"[\t\n]", ";": r"[;\n]", "|": r"[|\n]", ",": r"[,\n]", r"\s+": r"\s+"}
_UNITS = {"um": 1.0, "µm": 1.0, "μm": 1.0, "micron": 1.0, "nm": 1e-3, "mm": 1e3}


def is_text(path: Path) -> bool:
    """Return True for the name of a text file, compressed or not."""
    endings = [ending.lower() for ending in path.suffixes[-2:]]
    if endings and endings[-1] == ".gz":
        endings.pop()
    return bool(endings) and endings[-1] in ENDINGS


def stem(path: Path) -> str:
    """Return the file name without its one or two endings."""
    name = path.name[:-3] if path.name.lower().endswith(".gz") else path.name
    return Path(name).stem


class _NoNumbersError(InputFileError):
    """Text without a row of numbers."""


def holds_rows(path: Path) -> bool:
    """Return False for a text file without a row of numbers among its first lines."""
    try:
        with path.open("rb") as stream:
            _layout(_decoded(stream.read(2**16), path), path)
    except _NoNumbersError:
        return False
    except (SpattermapError, OSError):
        pass  # its reader says so
    return True


def recognises(path: Path) -> bool:
    """Return True for a text file."""
    return path.is_file() and is_text(path)


def read(path: Path, request: Request) -> Stack:
    """Read a long table, or a single grid with the element in the file name."""
    table, header = _table(path)
    axes = _axes(table, header, path)
    if axes is not None:
        return _long(path, table, header, axes, request)
    table, notes = _grid(table, path)
    return names.from_one_file(
        path, request, table[None], [stem(path)], format_name="text grid", notes=notes
    )


def read_map(path: Path) -> tuple[np.ndarray, float | None, list[str]]:
    """Read the one map of a text file: a grid, or a row a pixel with x, y and a value.

    Returns the map, dims (y, x), its pixel size (um) or None, and what was left out.
    """
    table, header = _table(path)
    axes = _axes(table, header, path)
    if axes is None:
        grid, notes = _grid(table, path)
        return grid, None, notes
    values = [name for name in header if name not in (*axes, *_counters(table, header))]
    if len(values) != 1:
        raise InputError(
            f"{path} must hold one map in a folder of single-element files, got the columns "
            f"{', '.join(values) or 'x and y alone'}. Load that file by itself."
        )
    planes, size = _planes(path, table, header, axes, values)
    return planes[0], size, []


# Numbers in a row that rise by one step from end to end are no counts from this many on, and rows
# of as many sums no coincidence.
LEAST_NUMBERED = 6


def _axes(table: np.ndarray, header: tuple[str, ...], path: Path) -> tuple[str, str] | None:
    """Return the names of the columns x and y of a table with a row a pixel; None for a grid."""
    x_name, y_name = (_axis_column(header, wanted) for wanted in (_X_NAMES, _Y_NAMES))
    if x_name is not None and y_name is not None and len(header) == table.shape[1]:
        return x_name, y_name
    if x_name is not None and y_name is not None:
        raise InputError(
            f"{path} must have a name for each of its {table.shape[1]} columns, got "
            f"{len(header)}. Correct the header."
        )
    if table.shape[1] < 3 or len(table) < 16:
        _refuse_list(table, header, path)
        return None
    places, sides = table[:, :2], [len(np.unique(column)) for column in table[:, :2].T]
    if min(sides) > 1 and sides[0] * sides[1] == len(table) == len(np.unique(places, axis=0)):
        raise InputError(
            f"{path} must be a grid, or name its columns, got rows of two positions and "
            f"{table.shape[1] - 2} value(s). Name them in the first line, for example: x,y,Fe Ka."
        )
    _refuse_list(table, header, path)
    return None


def _refuse_list(table: np.ndarray, header: tuple[str, ...], path: Path) -> None:
    """Refuse a spectrum, a line across, a list of particles or of pixels: as a grid it is none."""
    rows, width = table.shape
    named = len(header) == width and not any(_NUMBER.match(cell) for cell in header)
    # More than one letter: the columns of spreadsheets are called A, B, C.
    read = [one for cell in header if len(cell) > 1 for one in names.candidates(cell)]
    elements = {one.element for one in read if one.certainty >= 2} if named else set()
    narrow = width < LEAST_NUMBERED and (named or _numbers(table[:, 0]))
    if rows >= 4 * width > 4 and (narrow or len(elements) > 1):
        listed = ", ".join(header[:6]) if named else f"{width} numbers, the first one counting up"
        raise InputError(
            f"{path} must be a grid of rows and columns, or have columns x and y, got a list of "
            f"{rows:,} lines of {listed}. A spectrum, a line or a list is no map: name another "
            "file, or export each map as a grid."
        )


def _grid(table: np.ndarray, path: Path) -> tuple[np.ndarray, list[str]]:
    """Return the grid without what only numbers its rows and columns or adds them up, and notes."""
    if 1 in table.shape and table.size > 1:
        raise InputError(
            f"{path} must be a grid of rows and columns, got one "
            f"{'row' if len(table) == 1 else 'column'} of {table.size:,} numbers. "
            "Export a line of text for each row of pixels."
        )
    notes = []
    for axis, name in ((0, "row"), (1, "column")):
        ends = np.moveaxis(table, axis, 0)
        sums = ends[:-1].sum(axis=0)
        if len(ends) > LEAST_NUMBERED < np.count_nonzero(sums) and np.array_equal(ends[-1], sums):
            table = np.delete(table, -1, axis)
            notes.append(f"{path.name}: the last {name} is the sum of the others and was left out")
    if _numbers(table[:, 0]) or _numbers(table[1:, 0]):
        table = table[:, 1:]
        notes.append(f"{path.name}: the first column numbers the rows and was left out")
    if table.shape[1] and (_numbers(table[0]) or _numbers(table[0, 1:])):
        table = table[1:]
        notes.append(f"{path.name}: the first row numbers the columns and was left out")
    if notes and table.dtype.kind == "f" and np.all(table == np.rint(table)):
        table = table.astype(np.int64)  # positions with decimals had made all of it float
    return np.ascontiguousarray(table), notes


def _numbers(values: np.ndarray) -> bool:
    """Return True where values rise or fall evenly from end to end, as no counts do."""
    if values.size < LEAST_NUMBERED:
        return False
    steps = np.diff(values.astype(np.float64))
    return bool(steps[0] != 0 and np.allclose(steps, steps.mean(), rtol=1e-3, atol=0))


@dataclass(frozen=True)
class _Layout:
    """How a text file writes its numbers."""

    separator: str
    skipped: int
    header: tuple[str, ...]


def _table(path: Path) -> tuple[np.ndarray, tuple[str, ...]]:
    text = _text(path)
    layout = _layout(text, path)
    _refuse_unread(text, layout, path)
    _refuse_split(text, layout, path)
    grouped, decimal = _signs(text, layout)
    try:
        frame = pd.read_csv(
            io.StringIO(text),
            sep=layout.separator,
            decimal=decimal,
            thousands=grouped,
            header=None,
            skiprows=layout.skipped,
            comment="#",
            skip_blank_lines=True,
            index_col=False,
        )
    except (ValueError, pd.errors.ParserError, OverflowError) as problem:
        uneven = re.search(r"Expected (\d+) fields in line (\d+), saw (\d+)", str(problem))
        if uneven is None:
            raise readable(path, problem, what="a grid of numbers") from problem
        raise InputFileError(
            f"{path} must have as many numbers in every row, got {uneven[3]} in line {uneven[2]} "
            f"after rows of {uneven[1]}. Start lines that are no row of pixels with #."
        ) from problem
    frame = frame.dropna(axis=1, how="all")  # a separator at the end of each line
    return _numeric(frame, path), layout.header


def _refuse_unread(text: str, layout: _Layout, path: Path) -> None:
    """Refuse what the reader would take one by one, or as one: too many columns, several grids."""
    rows = gaps = 0
    empty = False
    for number, line in enumerate(io.StringIO(text)):
        if number >= layout.skipped:
            full = not line.isspace()
            if rows and line.startswith("#"):
                _refuse_lost_row(number, line, layout, path)
            gaps += full and empty and rows > 0 and line.lstrip(' \t"+-.,;')[:1].isdigit()
            rows, empty = rows + full, not full
        if len(line) <= 2 * MOST_COLUMNS:
            continue
        width = len(_cells(line, layout.separator)) if len(line) <= MOST_LINE else 0
        if width > MOST_COLUMNS or not width:
            found = f"{width:,}" if width else f"a line of {len(line):,} characters"
            raise InputFileError(
                f"{path} must have at most {MOST_COLUMNS:,} columns, got {found}. Check that the "
                "file is whole and is a map."
            )
    if 0 < gaps < rows - 1:  # an empty line after each row is a way to end lines
        raise InputFileError(
            f"{path} must hold one grid of numbers, got {gaps + 1} parted by empty lines. Keep one "
            "in the file."
        )


def _refuse_lost_row(number: int, line: str, layout: _Layout, path: Path) -> None:
    """Refuse a row that its first cell makes a comment: "#N/A" is what spreadsheets write."""
    odd, *cells = _cells(line, layout.separator)
    if len(cells) > 1 and all(_NUMBER.match(cell) for cell in cells if cell):
        raise InputFileError(
            f"{path} must have a number in every cell, got {odd[:40]!r} in line {number + 1}. "
            "Export the whole grid, or take that line away."
        )


def _signs(text: str, layout: _Layout) -> tuple[str | None, str]:
    """Return the sign that groups thousands ("1,234"), or None, and that of decimals.

    A sign groups only where every number with it has groups of three behind it, some number goes
    without, and none of those has four digits: decimals are not written so.
    """
    quoted = layout.separator == "," and '"' in text
    lines = text.split("\n", layout.skipped)
    comma = lines[-1].find(",") >= 0 and (layout.separator != "," or quoted)
    pattern = r'"[+-]?\d*,\d' if quoted else r"\d,\d"
    decimal = "," if comma and re.search(pattern, lines[-1]) else "."
    body = lines[-1][: 2**21]
    if quoted:
        cells = re.findall(r'"([^"\n]*)"|([^",\n]+)', body)
        words = [(one or other).strip() for one, other in cells]
    else:
        words = [word for word in re.split(_CELL_ENDS[layout.separator], body) if word]
    for sign in (",", "."):
        if sign == layout.separator and not quoted:
            continue
        group = re.compile(rf"[+-]?[1-9]\d{{0,2}}({re.escape(sign)}\d{{3}})+")
        marked = [word for word in words if sign in word]
        plain = [word.lstrip("+-") for word in words if sign not in word]
        if (
            marked
            and plain
            and all(group.fullmatch(word) for word in marked)
            and all(word.isdigit() and len(word) <= 3 for word in plain)
        ):
            return sign, "," if sign == "." else "."
    return None, decimal


def _numeric(frame: Any, path: Path) -> np.ndarray:
    words = [
        name for name, kind in zip(frame.columns, frame.dtypes, strict=True) if not _is_number(kind)
    ]
    if words:
        column = [str(cell) for cell in frame[words[0]]]
        row = next((k for k, cell in enumerate(column) if not _NUMBER.match(cell.strip())), 0)
        raise InputFileError(
            f"{path} must hold numbers only, got {column[row][:40]!r} in row {row + 1} of the "
            f"numbers, column {list(frame.columns).index(words[0]) + 1}. Remove text from the grid."
        )
    table = frame.to_numpy()
    check_size(table.shape, table.dtype, path, lazy=False)
    if table.dtype.kind == "f" and np.isnan(table).any():
        row = int(np.flatnonzero(np.isnan(table).any(axis=1))[0])
        raise InputFileError(
            f"{path} must have a number in every cell, got a gap in line {row + 1} of the numbers. "
            "Export the whole grid; every row must have the same length."
        )
    return np.ascontiguousarray(table)


def _is_number(kind: Any) -> bool:
    return getattr(kind, "kind", "O") in "iuf"


def _text(path: Path) -> str:
    """Return the whole text, within limits, in the encoding it has."""
    size = path.stat().st_size
    if path.suffix.lower() == ".gz":
        parts, total = [], 0
        try:
            with gzip.open(path, "rb") as stream:
                while part := stream.read(2**22):
                    total += len(part)
                    check_ratio(total, size, path)
                    check_size((total,), np.uint8, path, lazy=False)
                    parts.append(part)
        except SpattermapError:
            raise
        except (OSError, EOFError, ValueError, zlib.error) as problem:
            raise readable(path, problem, what="a whole gzip file") from problem
        raw = b"".join(parts)
    else:
        if size > MOST_BYTES:
            raise InputFileError(
                f"{path} must be at most {MOST_BYTES:,} bytes of text, got {size:,}. "
                "Export TIFF or HDF5."
            )
        raw = path.read_bytes()
    return _decoded(raw, path)


def _decoded(raw: bytes, path: Path) -> str:
    """Return text in the encoding it has, with the ends of lines of this system."""
    if raw.startswith(b"\x1f\x8b"):
        twice = path.suffix.lower() == ".gz"
        raise InputFileError(
            f"{path} must be text, got a gzip file{' within another' if twice else ''}. "
            + ("Unpack it once." if twice else f"Let its name end in {path.suffix}.gz.")
        )
    text = decoded(raw)
    if "\0" in text[:4096]:
        raise InputFileError(f"{path} must be text, got binary data. Rename or export it again.")
    # Ends of lines of other systems, the sign that once ended a file, a minus as printed.
    for old, new in (("\r\n", "\n"), ("\r", "\n"), ("\x1a", ""), ("\u2212", "-")):
        text = text.replace(old, new)  # the same text, at once, where there is none
    if any(sign in text for sign in _GROUPING):  # "1'234", "1 234" with a space that holds
        parted = any(sign in text for sign in "\t;|")  # else a space may part two numbers
        signs = _GROUPING if parted else _GROUPING[:2]
        text = re.sub(rf"(?<=\d)[{signs}](?=\d{{3}}(?!\d))", "", text)
        text = text.translate(dict.fromkeys(map(ord, _GROUPING[2:]), " "))
    return text


def _layout(text: str, path: Path) -> _Layout:
    """Find separator and header from the first lines of numbers."""
    lines = text[: 2**16].split("\n")
    if len(text) > 2**16 and len(lines) > 1:
        lines.pop()  # cut somewhere in a number
    heads: list[tuple[int, str]] = []
    body: list[tuple[int, str]] = []
    skipped = 0
    for place, line in enumerate(lines):
        bare = line.strip()
        if not bare or bare.startswith(_COMMENTS):
            if not body:
                skipped = place + 1
            continue
        separator = _separator(bare)
        cells = _cells(bare, separator)
        if not body and line.startswith("\t") and _NUMBER.match(cells[0]):
            skipped = place + 1  # a header of column positions over a column of row positions
        elif all(_NUMBER.match(cell) or (body and not cell) for cell in cells):
            body.append((len(cells), separator))
            if len(body) >= 20:
                break
        elif not body:
            heads.append((place, bare))
            skipped = place + 1
        else:
            raise InputFileError(
                f"{path} must hold numbers only, got {bare[:40]!r} in line {place + 1}. "
                "Remove text from the grid, or start such lines with #."
            )
    if not body:
        raise _no_rows(heads, path)
    width, separator = max(body)
    rows = [(place, _cells(head, separator)) for place, head in heads]
    for place, cells in rows:
        _refuse_damaged(place, cells, width, path)
    return _Layout(separator, skipped, _names([cells for _, cells in rows], width))


def _no_rows(heads: list[tuple[int, str]], path: Path) -> InputFileError:
    """Return what to say of text without a row of numbers; raise where rows hold odd cells."""
    for place, head in heads:
        cells = _cells(head, _separator(head))
        _refuse_damaged(place, cells, len(cells), path)
    first = f"; its first line of text is {heads[0][1][:40]!r}" if heads else ""
    return _NoNumbersError(
        f"{path} must hold numbers, got none{first}. Export the numbers of the map."
    )


def _names(heads: list[list[str]], width: int) -> tuple[str, ...]:
    """Return the names of columns from the lines above the numbers, with units that stand below."""
    last, above = [*map(tuple, reversed(heads)), (), ()][:2]
    named = _axis_column(above, _X_NAMES) and _axis_column(above, _Y_NAMES)
    if named and len(above) == len(last) == width and not _axis_column(last, _X_NAMES):
        return tuple(f"{name} {unit}" for name, unit in zip(above, last, strict=True))
    return last


def _refuse_split(text: str, layout: _Layout, path: Path) -> None:
    """Refuse decimals and columns parted by one sign: "7,05" is then 7 and 5, as "05" tells."""
    if layout.separator != ",":
        return
    lines = text.split("\n", layout.skipped + 200)[layout.skipped : layout.skipped + 200]
    cells = [line.split(",") for line in lines]
    padded = {(k, cell) for row in cells for k, cell in enumerate(row) if re.match(r"0\d", cell)}
    paired = not any(len(row) % 2 for row in cells if len(row) > 1)
    if padded and paired and all(k % 2 for k, _ in padded):
        raise InputFileError(
            f"{path} must part its columns by another sign than its decimals, got commas for both "
            f"({min(padded)[1]!r} as a number). Export it with points, semicolons or tabs."
        )


def _refuse_damaged(place: int, cells: list[str], width: int, path: Path) -> None:
    """Refuse a line before the numbers that is a row of them with something else in it."""
    found = [float(cell.replace(",", ".")) for cell in cells if _NUMBER.match(cell)]
    wide = abs(len(cells) - width) < 2 and width > 3
    if wide and 2 * len(found) > width and not _numbers(np.array(found)):
        odd = next(cell for cell in cells if not _NUMBER.match(cell))
        raise InputFileError(
            f"{path} must hold numbers only, got {odd[:40]!r} in line {place + 1}. "
            "Remove text from the grid, or start such lines with #."
        )


def _separator(line: str) -> str:
    """Return the separator of one line, as pandas takes it."""
    for sign in ("\t", ";", "|"):
        if sign in line:
            return sign
    if "," in line and re.search(r",\s*[^\s,]+\s*,|,\s", line + " "):
        return ","
    return r"\s+" if re.search(r"\S\s+\S", line) else ","


def _cells(line: str, separator: str) -> list[str]:
    cells = line.split() if separator == r"\s+" else line.split(separator)
    stripped = [cell.strip().strip('"') for cell in cells]
    while len(stripped) > 1 and not stripped[-1]:
        stripped.pop()  # a separator at the end of the line
    return stripped


def _axis_column(header: tuple[str, ...], wanted: tuple[str, ...]) -> str | None:
    for name in header:
        words = re.split(r"[\s_(\[/-]+", name.lower())
        if words[0] in wanted:
            return name
    return None


def _long(
    path: Path, table: np.ndarray, header: tuple[str, ...], axes: tuple[str, str], request: Request
) -> Stack:
    """Turn rows of (x, y, element columns) into maps; a lone column may leave its name to the file.

    Dims: `table` (pixel, column).
    """
    numbering = _counters(table, header)
    labels = [name for name in header if name not in (*axes, *numbering)]
    kept = [name for name in labels if names.candidates(name)] or labels[: len(labels) == 1]
    called = kept if any(map(names.candidates, kept)) else [stem(path)]
    elements, lines = names.name_channels(called, len(kept) or 1, request, path)
    ignored = [name for name in labels if name not in kept and name]
    notes = [f"column {name or 'without a name'} numbers the rows and was left out"
             for name in numbering]  # fmt: skip
    if ignored:
        notes.append(f"ignored columns without an element: {', '.join(ignored)}")
    planes, size = _planes(path, table, header, axes, kept)
    return Stack(
        counts=planes,
        elements=elements,
        lines=lines,
        format_name="long text table",
        files={path.name: path},
        map_files=[f"{path.name}: {name}" for name in kept],
        pixel_size_um=size,
        pixel_size_from=f"column {axes[0]}",
        notes=notes,
    )


def _counters(table: np.ndarray, header: tuple[str, ...]) -> list[str]:
    """Return the names of columns that number the rows, one by one ("I" is then no iodine)."""
    if len(table) <= LEAST_NUMBERED:
        return []
    return [name for k, name in enumerate(header) if np.all(np.diff(table[:, k]) == 1)]


def _planes(
    path: Path, table: np.ndarray, header: tuple[str, ...], axes: tuple[str, str], kept: list[str]
) -> tuple[np.ndarray, float | None]:
    """Turn columns of a table with a row a pixel into planes.

    Dims: `table` (pixel, column). Returns planes (element, y, x) and the pixel size (um) or None.
    """
    places = {name: k for k, name in enumerate(header)}
    x, y = (table[:, places[name]].astype(np.float64) for name in axes)
    columns, columns_x = np.unique(x, return_inverse=True)
    rows, rows_y = np.unique(y, return_inverse=True)
    step, steps = _steps(columns, rows, path)
    shape = (
        round((rows[-1] - rows[0]) / steps[1]) + 1,
        round((columns[-1] - columns[0]) / steps[0]) + 1,
    )
    check_size((len(places), *shape), np.float64, path, lazy=False)
    if shape[0] * shape[1] != len(table) or len({*zip(rows_y, columns_x, strict=True)}) != len(
        table
    ):
        raise InputError(
            f"{path} must have one row for each pixel, got {len(table)} rows for "
            f"{shape[0]} x {shape[1]} pixels. Export the whole field once."
        )
    planes = np.zeros((len(kept), *shape), dtype=table.dtype)
    for k, name in enumerate(kept):
        planes[k, rows_y, columns_x] = table[:, places[name]]
    if (
        planes.dtype.kind == "f"
        and np.all(planes == np.rint(planes))
        and np.abs(planes).max(initial=0) < 2**31
    ):
        planes = planes.astype(np.int32)  # one column with decimals made all of them float
    unit = _unit(axes[0])
    return planes, None if unit is None else step * unit


def _unit(name: str) -> float | None:
    words = re.split(r"[\s_()\[\]/]+", name.lower())
    return next((_UNITS[word] for word in words[1:] if word in _UNITS), None)


def _steps(x: np.ndarray, y: np.ndarray, path: Path) -> tuple[float, tuple[float, float]]:
    """Return the pixel's side, checked to be the same everywhere and in both directions."""
    found = []
    for name, values in (("x", x), ("y", y)):
        gaps = np.diff(values)
        if gaps.size and gaps.max() - gaps.min() > SAME_SIZE * gaps.min():
            raise InputError(
                f"{path} must have evenly spaced {name}, got steps of {gaps.min():g} to "
                f"{gaps.max():g}. Export the whole field."
            )
        found.append(float(gaps.mean()) if gaps.size else 0.0)
    known = [step for step in found if step > 0] or [1.0]
    if abs(max(known) - min(known)) > SAME_SIZE * min(known):
        raise InputError(
            f"{path} must have square pixels, got steps of {found[0]:g} in x and {found[1]:g} in "
            "y. Export it with one scale."
        )
    return known[0], (found[0] or known[0], found[1] or known[0])

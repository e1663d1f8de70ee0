"""TOML files from anybody: read within bounds, and refused in one line where they are odd."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Any

from spattermap.core.errors import InputError, InputFileError, SpattermapError, refuse_endless

_MOST_BYTES, _MOST_TEXT = 2**20, 10_000


def read_toml(file: Path, what: str) -> dict[str, Any]:
    """Return the values of a TOML file, `what` being its name in messages ("sidecar")."""
    try:
        refuse_endless(file, f"a readable {what} (TOML)")
        # Not more than this is read, whatever the file is.
        with file.open("rb") as stream:
            held = stream.read(_MOST_BYTES + 1)
        if len(held) > _MOST_BYTES:
            raise InputFileError(
                f"{file} must be a {what} of at most {_MOST_BYTES:,} bytes, got more. Shorten it."
            )
        text = held.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
        values = tomllib.loads(text)
        _refuse_odd(values, file)
    except SpattermapError:
        raise
    except RecursionError:
        raise InputFileError(
            f"{file} must be a plain {what}, got tables within tables too deep to read. "
            "Write one level of tables."
        ) from None
    except OSError as problem:
        raise InputFileError(
            f"{file} must be a readable {what} (TOML), got: {problem.strerror}. Check the path."
        ) from problem
    except UnicodeDecodeError as problem:
        raise InputFileError(
            f"{file} must be a readable {what} (TOML), got an encoding other than UTF-8. "
            "Save it as UTF-8."
        ) from problem
    except ValueError as problem:  # not TOML, or a number of 5,000 digits
        raise InputFileError(
            f"{file} must be a readable {what} (TOML), got: {problem}. {_step(text, str(problem))}"
        ) from problem
    return values


def _step(text: str, said: str) -> str:
    """Return what to do about a line that is no TOML."""
    number = re.search(r"at line (\d+)", said)
    lines = text.split("\n")
    line = lines[int(number[1]) - 1] if number and int(number[1]) <= len(lines) else ""
    if re.search(r"=\s*[+-]?\d+,\d", line):
        return "Write decimals with a point."
    if re.search("[\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb]", line):
        return 'Write plain quotes: "...".'
    if "\\" in line:
        return "Write / in the place of \\ in paths."
    return "Correct that line."


def _refuse_odd(value: Any, file: Path, where: str = "") -> None:
    """Refuse what no sidecar needs: null characters, endless text, numbers beyond any use."""
    if isinstance(value, dict):
        for key, inner in value.items():
            _refuse_odd(key, file, where)
            _refuse_odd(inner, file, f"{where}.{key}".strip("."))
    elif isinstance(value, list):
        for inner in value:
            _refuse_odd(inner, file, where)
    found = ""
    if isinstance(value, str):
        found = "a null character" if "\0" in value else ""
        found = f"{len(value):,} characters" if len(value) > _MOST_TEXT else found
    elif isinstance(value, float) and not math.isfinite(value):
        found = str(value)
    elif isinstance(value, int) and abs(value) > 10**18:
        found = "a number of more than 18 digits"
    if found:
        raise InputError(
            f"{file}: {where[:80] or 'a key'} must be a short text or an ordinary number, got "
            f"{found}. Correct it."
        )

"""Argument checks: each returns the clean value or raises one clear error.

The errors a user can meet, and the one sentence form they all share.

Every message reads ``<argument or file> must be <rule> (<unit>), got <value>. <next step>``,
so that the person at the microscope can act on it without reading a traceback.
"""

from __future__ import annotations

import difflib
import errno
import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt


# A word longer than this, as a damaged file or a hostile one may hold, is cut within a message.
_LONGEST_WORD = 400


class SpattermapError(Exception):
    """Base of every error that is the input's fault and not ours; its text is always one line."""

    def __str__(self) -> str:
        """Return what was said as one line, with nothing invisible and nothing endless in it."""
        words = super().__str__().split()
        return printable(" ".join(_cut(word) for word in words))


def _cut(word: str) -> str:
    if len(word) <= _LONGEST_WORD:
        return word
    return f"{word[: _LONGEST_WORD // 2]}...({len(word):,} characters)"


class InputError(SpattermapError, ValueError):
    """A value has the right type but cannot be used."""


class InputTypeError(SpattermapError, TypeError):
    """A value has the wrong type."""


class InputFileError(SpattermapError, OSError):
    """A file or folder is missing, unreadable or not what its name says."""


class OutputError(SpattermapError, OSError):
    """A result cannot be written where it was asked for."""


class ClusterError(SpattermapError, OSError):
    """The cluster that was to do the work was lost, or cannot do it."""


class SpattermapWarning(UserWarning):
    """The input can be used, but not for everything."""


def printable(text: str) -> str:
    """Return text with control, bidirectional and other invisible characters as escapes."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


# Characters that turn the order of what follows, so that a name reads as another (UAX 9, 2.).
_TURNING = {
    code: f"\\u{code:04x}"
    for code in (0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))
}


def in_order(text: str) -> str:
    """Return a page with every character that changes the order of others written as its escape."""
    return text.translate(_TURNING)


def short_of_memory(problem: BaseException) -> bool:
    """Tell whether memory ran out, also for a thread or while a library was loaded."""
    said = str(problem)
    return (
        isinstance(problem, MemoryError)
        or getattr(problem, "errno", 0) == errno.ENOMEM
        or (isinstance(problem, ImportError) and "failed to map segment" in said)
        or (isinstance(problem, RuntimeError) and "can't start new thread" in said)
    )


def refuse_endless(file: Path, what: str) -> None:
    """Refuse a pipe or a device in the place of a file: reading it may never end."""
    if file.exists() and not file.is_file() and not file.is_dir():
        raise InputFileError(
            f"{file} must be {what}, got a pipe or a device. Name the file itself."
        )


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name closest in spelling, or None when nothing is close."""
    by_lower = {candidate.lower(): candidate for candidate in known}
    found = difflib.get_close_matches(name.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[found[0]] if found else None


def unknown_name(what: str, name: str, known: Iterable[str]) -> str:
    """Return the sentence for a name that is not among the known ones."""
    allowed = list(known)
    guess = nearest(name, allowed)
    hint = f"Did you mean {guess!r}?" if guess else f"Choose one of: {', '.join(allowed)}."
    return f"{what} must be a known name, got {name!r}. {hint}"


# Symbols of the elements with atomic numbers 1 to 98, in order: index + 1 is Z.
ELEMENT_SYMBOLS: tuple[str, ...] = tuple(
    (
        "H He Li Be B C N O F Ne Na Mg Al Si P S Cl Ar K Ca Sc Ti V Cr Mn Fe Co Ni Cu Zn "
        "Ga Ge As Se Br Kr Rb Sr Y Zr Nb Mo Tc Ru Rh Pd Ag Cd In Sn Sb Te I Xe Cs Ba La Ce "
        "Pr Nd Pm Sm Eu Gd Tb Dy Ho Er Tm Yb Lu Hf Ta W Re Os Ir Pt Au Hg Tl Pb Bi Po At Rn "
        "Fr Ra Ac Th Pa U Np Pu Am Cm Bk Cf"
    ).split()
)


def positive(value: object, name: str, *, unit: str = "", allow_zero: bool = False) -> float:
    """Return `value` as a finite float above zero."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        try:
            value = float(value.item())  # type: ignore[attr-defined]
        except (AttributeError, TypeError, ValueError):
            raise InputTypeError(
                f"{name} must be a number{_unit(unit)}, got {value!r}. Write it without quotes."
            ) from None
    number = float(value)
    if not math.isfinite(number) or number < 0 or (number == 0 and not allow_zero):
        rule = "zero or a positive number" if allow_zero else "a positive number"
        raise InputError(f"{name} must be {rule}{_unit(unit)}, got {number!r}. Correct the value.")
    return number


def _unit(unit: str) -> str:
    return f" ({unit})" if unit else ""


def one_of(value: str, name: str, allowed: Iterable[str]) -> str:
    """Return `value` if it is allowed, else raise an `InputError` with the nearest name."""
    choices = list(allowed)
    if value not in choices:
        raise InputError(unknown_name(name, str(value), choices))
    return value


def element_symbol(value: str, name: str) -> str:
    """Return the symbol in its usual spelling (``"fe"`` gives ``"Fe"``)."""
    symbol = str(value).strip().capitalize()
    if symbol not in ELEMENT_SYMBOLS:
        raise InputError(
            f"{name} must be the symbol of a chemical element, got {value!r}. "
            "Write for example Cu or Zn."
        )
    return symbol


def atomic_number(symbol: str) -> int:
    """Return Z of an element symbol."""
    return ELEMENT_SYMBOLS.index(element_symbol(symbol, "element")) + 1


def image_2d(array: npt.ArrayLike, name: str) -> np.ndarray:
    """Return `array` as a two-dimensional numpy array with at least one pixel.

    Dims: `array` (y, x); returns (y, x).
    """
    import numpy as np

    picture = np.asarray(array)
    if picture.ndim != 2 or picture.size == 0:
        raise InputError(
            f"{name} must be a two-dimensional array (y, x) with at least one pixel, "
            f"got shape {picture.shape}. Pass one map at a time."
        )
    return picture

"""The errors a user can meet, and the one sentence form they all share.

Every message reads ``<argument or file> must be <rule> (<unit>), got <value>. <next step>``,
so that the person at the microscope can act on it without reading a traceback.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class SpattermapError(Exception):
    """Base of every error that is the input's fault and not ours."""


class InputError(SpattermapError, ValueError):
    """A value has the right type but cannot be used."""


class InputTypeError(SpattermapError, TypeError):
    """A value has the wrong type."""


class InputFileError(SpattermapError, OSError):
    """A file or folder is missing, unreadable or not what its name says."""


class OutputError(SpattermapError, OSError):
    """A result cannot be written where it was asked for."""


class SpattermapWarning(UserWarning):
    """The input can be used, but not for everything."""


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name closest in spelling, or None when nothing is close.

    Parameters
    ----------
    name : str
        The name as it was given.
    known : iterable of str
        The names that are allowed.

    Returns
    -------
    str or None
        The best match, compared without regard to case.

    Examples
    --------
    >>> nearest("pixelsize_um", ["pixel_size_um", "title"])
    'pixel_size_um'
    >>> nearest("zzz", ["title"]) is None
    True
    """
    by_lower = {candidate.lower(): candidate for candidate in known}
    found = difflib.get_close_matches(name.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[found[0]] if found else None


def unknown_name(what: str, name: str, known: Iterable[str]) -> str:
    """Return the sentence for a name that is not among the known ones.

    Parameters
    ----------
    what : str
        What was named, with its place, for example ``"mapset.toml: key"``.
    name : str
        The name as it was given.
    known : iterable of str
        The names that are allowed.

    Returns
    -------
    str
        One line with the nearest known name, or with all of them.

    Examples
    --------
    >>> unknown_name("mapset.toml: key", "pixelsize_um", ["pixel_size_um", "title"])
    "mapset.toml: key must be a known name, got 'pixelsize_um'. Did you mean 'pixel_size_um'?"
    """
    allowed = list(known)
    guess = nearest(name, allowed)
    hint = f"Did you mean {guess!r}?" if guess else f"Choose one of: {', '.join(allowed)}."
    return f"{what} must be a known name, got {name!r}. {hint}"

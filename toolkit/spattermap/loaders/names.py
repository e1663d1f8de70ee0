"""Element and line from a file, channel or column name, in the spellings exports use."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass

from spattermap.checks import ELEMENT_SYMBOLS

# "K", "Ka", "Ka1", "Kα", "K_alpha1", "KA", "L", "Lb2", "Mz", "K series": families in use.
_LINE = re.compile(
    r"(?P<shell>[KLM])\s?(?P<greek>alpha|beta|gamma|zeta|a|b|g|z|α|β|γ|ζ)?"
    r"(?P<number>\d(?:[,+/_-]\d)*)?",
    re.IGNORECASE,
)
_GREEK = {"α": "a", "β": "b", "γ": "g", "ζ": "z"}
_SPLIT = re.compile(r"[\s_\-.,;:()\[\]{}#+=]+")
_ELECTRON_WORDS = {
    "electron", "electronimage", "bse", "bsed", "bsd", "sei", "sed", "secondary",
    "backscattered", "backscatter", "topography",
}  # fmt: skip
_SYMBOL_BY_LOWER = {symbol.lower(): symbol for symbol in ELEMENT_SYMBOLS}


@dataclass(frozen=True)
class Named:
    """What a name says.

    Parameters
    ----------
    element : str
        Symbol in its usual spelling.
    line : str
        X-ray line such as "Fe Ka", or "" where the name does not say.
    certainty : int
        4 symbol with line in usual case, 3 symbol with line in any case, 2 symbol alone,
        1 symbol in lower case and nothing else in the name.
    """

    element: str
    line: str
    certainty: int


def line_name(text: str) -> str | None:
    """Return the usual spelling of a line's letters, or None.

    Parameters
    ----------
    text : str
        For example "KA1", "Kα" or "k".

    Returns
    -------
    str or None
        For example "Ka1", "Ka" or "K".

    Examples
    --------
    >>> line_name("Kalpha1"), line_name("l"), line_name("Map")
    ('Ka1', 'L', None)
    """
    found = _LINE.fullmatch(text.strip())
    if found is None or (found["number"] and not found["greek"]):
        return None
    greek = (found["greek"] or "").lower()
    return found["shell"].upper() + _GREEK.get(greek, greek[:1]) + (found["number"] or "")[:1]


def candidates(name: str) -> list[Named]:
    """Return every reading of a name as an element, the most certain first.

    Parameters
    ----------
    name : str
        File name without its ending, channel name or column name.

    Returns
    -------
    list of Named
        Empty where the name holds no element.

    Examples
    --------
    >>> candidates("Map_Al K")[0]
    Named(element='Al', line='Al K', certainty=4)
    >>> candidates("fe-k")[0].line, candidates("K_Ka")[0].line, candidates("overview")
    ('Fe K', 'K Ka', [])
    """
    words = [word for word in _SPLIT.split(name) if word]
    found: list[Named] = []
    skip = -1
    for place, word in enumerate(words):
        if place == skip:
            continue
        following = words[place + 1] if place + 1 < len(words) else ""
        reading = _reading(word, following, alone=len(words) == 1)
        if reading is None:
            continue
        found.append(reading[0])
        if reading[1]:
            skip = place + 1  # "K" after a symbol is the line, not potassium
    best = max((one.certainty for one in found), default=0)
    unique: dict[str, Named] = {}
    for one in found:
        if one.certainty == best:
            unique.setdefault(one.element, one)
    return list(unique.values())


def _reading(word: str, following: str, *, alone: bool) -> tuple[Named, bool] | None:
    """Return the reading of one word, and whether it used up the next one."""
    symbol = _SYMBOL_BY_LOWER.get(word.lower())
    if symbol is not None:
        usual = word == symbol
        line = line_name(following) if following else None
        if line:
            return Named(symbol, f"{symbol} {line}", 4 if usual else 3), True
        if usual:
            return Named(symbol, "", 2), False
        # "SE" is an electron image and "in", "as", "no" are words: only a lone symbol counts.
        return (Named(symbol, "", 1), False) if alone and word != "SE" else None
    for length in (2, 1):  # "FeKa", "FeK", "OKa"
        symbol = _SYMBOL_BY_LOWER.get(word[:length].lower())
        line = line_name(word[length:])
        if symbol and line and word[:length] == symbol:
            return Named(symbol, f"{symbol} {line}", 4), False
    return None


def looks_like_unknown_element(name: str) -> str | None:
    """Return the word that stands where an element should, before a line, or None.

    Parameters
    ----------
    name : str
        File name without its ending.

    Returns
    -------
    str or None

    Examples
    --------
    >>> looks_like_unknown_element("Xx_Ka"), looks_like_unknown_element("overview_1")
    ('Xx', None)
    """
    words = [word for word in _SPLIT.split(name) if word]
    for word, following in itertools.pairwise(words):
        line = line_name(following)
        if line and len(word) <= 3 and word.isalpha() and word.lower() not in _SYMBOL_BY_LOWER:
            return word
    return None


def is_electron_image(name: str) -> bool:
    """Return True where a name says that the picture was made with electrons.

    Parameters
    ----------
    name : str
        File name without its ending.

    Returns
    -------
    bool

    Examples
    --------
    >>> [is_electron_image(n) for n in ("electron_image", "BSE 1", "SE", "Se_La", "Se")]
    [True, True, True, False, False]
    """
    words = [word for word in _SPLIT.split(name) if word]
    if any(word.lower() in _ELECTRON_WORDS for word in words):
        return True
    return "SE" in words and not any(line_name(w) for w in words[words.index("SE") + 1 :])

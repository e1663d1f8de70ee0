"""Element and line from a file, channel or column name, in the spellings exports use.

Names for the maps of a file that holds several, and planes in the order (element, y, x).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spattermap.core.errors import ELEMENT_SYMBOLS, InputError, nearest
from spattermap.loaders.contract import Request, Stack

# "K", "Ka", "Ka1", "Kα", "K_alpha1", "KA", "L", "Lb2", "Mz", "K series": families in use.
_LINE = re.compile(
    r"(?P<shell>[KLM])\s?(?P<greek>alpha|beta|gamma|zeta|a|b|g|z|α|β|γ|ζ)?"
    r"(?P<number>\d(?:[,+/_-]\d)*)?",
    re.IGNORECASE,
)
# A line spelt so that it is no part of a word: "Ka", "Ka1", "Kα", "K_alpha" (not "MG1", "KA").
_SURE = re.compile(r"[KLM](a|b|g|z|α|β|γ|ζ|alpha|beta|gamma|zeta)\d?")
_GREEK = {"α": "a", "β": "b", "γ": "g", "ζ": "z"}
_SPLIT = re.compile(r"[\s_\-.,;:()\[\]{}#+=]+")
_ELECTRON_WORDS = {
    "electron", "electronimage", "bse", "bsed", "bsd", "sei", "sed", "secondary",
    "backscattered", "backscatter", "topography", "haadf", "ladf", "adf", "abf", "bf", "df",
    "compo", "topo", "se1", "se2",
}  # fmt: skip
# Instruments give these names to pictures of any kind: they tell only where nothing else does.
_PICTURE_WORD = re.compile(
    r"(img|image|sem|tem|stem|ch|channel|picture|overview)\d*", re.IGNORECASE
)
_SYMBOL_BY_LOWER = {symbol.lower(): symbol for symbol in ELEMENT_SYMBOLS}


@dataclass(frozen=True)
class Named:
    """What a name says."""

    element: str  # symbol in its usual spelling
    line: str  # X-ray line such as "Fe Ka", or "" where the name does not say
    # 4 symbol with line in usual case, 3 symbol with line in any case, 2 symbol alone, 1 symbol
    # in lower case and nothing else in the name
    certainty: int


def line_name(text: str) -> str | None:
    """Return the usual spelling of a line's letters, or None."""
    found = _LINE.fullmatch(text.strip())
    if found is None or (found["number"] and not found["greek"]):
        return None
    greek = (found["greek"] or "").lower()
    return found["shell"].upper() + _GREEK.get(greek, greek[:1]) + (found["number"] or "")[:1]


def candidates(name: str) -> list[Named]:
    """Return every reading of a name as an element, the most certain first."""
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
        if length == 1 and not _SURE.fullmatch(word[1:]):
            continue  # "IMG1" is no iodine and "OK" no oxygen: one letter needs a line in full
        if symbol and line and word[:length] == symbol:
            return Named(symbol, f"{symbol} {line}", 4), False
    return None


def looks_like_unknown_element(name: str) -> str | None:
    """Return the word that stands where an element should, before a line, or None."""
    words = [word for word in _SPLIT.split(name) if word]
    for word, following in itertools.pairwise(words):
        line = line_name(following)
        if line and len(word) <= 3 and word.isalpha() and word.lower() not in _SYMBOL_BY_LOWER:
            return word
    return None


# What names say of percent maps: "Cu_wt%", "Cu at.%", "Si mass percent"; "30 wt%" is an alloy's.
_PERCENT = {
    "mass_percent": re.compile(
        r"(?<!\d)(?<!\d[ .-])(wt|weight|mass|gew)[\s_.-]*(%|percent)", re.IGNORECASE
    ),
    "atomic_percent": re.compile(r"(?<!\d[ .-])\bat(omic|om)?[\s_.-]*(%|percent)", re.IGNORECASE),
}


def percent(labels: Sequence[str]) -> str | None:
    """Return the quantity where every name says that it holds percent."""
    for quantity, words in _PERCENT.items():
        if labels and all(words.search(label.replace("_", " ")) for label in labels):
            return quantity
    return None


def is_electron_image(name: str) -> bool:
    """Return True where a name says that the picture was made with electrons."""
    words = [word for word in _SPLIT.split(name) if word]
    readings = candidates(name)
    if any(word.lower() in _ELECTRON_WORDS for word in words):
        return not any(one.certainty >= 3 for one in readings)
    if any(_PICTURE_WORD.fullmatch(word) for word in words) and not readings:
        return True
    return "SE" in words and not any(line_name(w) for w in words[words.index("SE") + 1 :])


# What files call the three axes, in lower case.
_MEANS = {
    "element": "e", "elements": "e", "c": "e", "channel": "e", "channels": "e", "line": "e",
    "map": "e", "maps": "e", "band": "e", "y": "y", "row": "y", "rows": "y", "height": "y",
    "x": "x", "column": "x", "columns": "x", "col": "x", "width": "x",
}  # fmt: skip


def name_channels(
    labels: Sequence[str], number: int, request: Request, where: object
) -> tuple[list[str], list[str]]:
    """Return element and line of each map from its label, else from the sidecar's order."""
    readings = [candidates(label) for label in labels]
    if len(labels) == number and all(len(found) == 1 for found in readings):
        return [found[0].element for found in readings], [found[0].line for found in readings]
    stated = request.sidecar.get("lines", {})
    if len(stated) == number:
        return list(stated), list(stated.values())
    bad = [label for label, found in zip(labels, readings, strict=True) if len(found) != 1]
    if len(labels) == number and bad and len(bad) < number:
        close = nearest(bad[0], ELEMENT_SYMBOLS)
        raise InputError(
            f"{where} must name one element for each map, got {bad[0]!r}. "
            + (f"Did you mean {close}? " if close else "")
            + "Rename it, or list every map in order under [lines] in mapset.toml."
        )
    raise InputError(
        f"{where} must name its {number} maps by element, got "
        f"{', '.join(map(repr, labels[:4])) or 'no names'}. State them in the order of the file in "
        'mapset.toml: [lines], then for example Fe = "Fe Ka".'
    )


def to_planes(data: Any, axes: Sequence[str], where: object) -> Any:
    """Return an array with dims (element, y, x), whatever the order of its named axes.

    Returns dims (element, y, x).
    """
    if data.ndim not in (2, 3) or 0 in data.shape:
        raise InputError(
            f"{where} must hold maps with dims (element, y, x), got shape {tuple(data.shape)}. "
            "Export one plane an element."
        )
    meant = [_MEANS.get(str(axis).strip().lower(), "") for axis in axes]
    if len(meant) != data.ndim or len(set(meant)) != data.ndim or "" in meant:
        meant = ["e", "y", "x"][-data.ndim :]  # unnamed: the usual order
    if set(meant) - {"e"} != {"y", "x"}:
        raise InputError(
            f"{where} must have axes element, y and x, got {', '.join(map(str, axes))}. "
            "Export one plane an element."
        )
    wanted = [axis for axis in ("e", "y", "x") if axis in meant]
    turned = data.transpose([meant.index(axis) for axis in wanted])
    return turned if turned.ndim == 3 else turned[None]


def single_plane_label(stem: str, number: int) -> list[str]:
    """Return the file's own name as label where it holds one map only."""
    return [stem] if number == 1 else []


def from_one_file(
    path: Path,
    request: Request,
    planes: Any,
    labels: Sequence[str],
    *,
    parts: Sequence[str] = (),
    **known: Any,
) -> Stack:
    """Return the maps of one file, named by their labels; `parts` say where in it each lies.

    Dims: `planes` (element, y, x). `known` are more fields of `Stack`.
    """
    elements, lines = name_channels(labels, len(planes), request, path)
    map_files = [f"{path.name}: {part}" for part in parts] or [path.name] * len(elements)
    return Stack(
        planes, elements, lines=lines, files={path.name: path}, map_files=map_files, **known
    )

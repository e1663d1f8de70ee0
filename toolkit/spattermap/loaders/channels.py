"""Names for the maps of a file that holds several, and planes in the order (element, y, x)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from spattermap.checks import ELEMENT_SYMBOLS
from spattermap.errors import InputError, nearest
from spattermap.loaders import names
from spattermap.loaders.stack import Request

# What files call the three axes, in lower case.
_MEANS = {
    "element": "e", "elements": "e", "c": "e", "channel": "e", "channels": "e", "line": "e",
    "map": "e", "maps": "e", "band": "e", "y": "y", "row": "y", "rows": "y", "height": "y",
    "x": "x", "column": "x", "columns": "x", "col": "x", "width": "x",
}  # fmt: skip


def name_channels(
    labels: Sequence[str], number: int, request: Request, where: object
) -> tuple[list[str], list[str]]:
    """Return element and line of each map from its label, else from the sidecar's order.

    Parameters
    ----------
    labels : sequence of str
        What the file calls its maps; empty where it does not say.
    number : int
        How many maps there are.
    request : Request
        With the sidecar.
    where : object
        File for the message.

    Returns
    -------
    elements, lines : list of str

    Raises
    ------
    InputError
        If a label holds no element and the sidecar does not name them all.
    """
    readings = [names.candidates(label) for label in labels]
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

    Parameters
    ----------
    data : array
        Two or three dimensions; numpy or dask.
    axes : sequence of str
        Name of each axis; "" where the file does not say, which then is in the order given.
    where : object
        File for the message.

    Returns
    -------
    array, dims (element, y, x)

    Raises
    ------
    InputError
        If the axes are not those of maps.
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

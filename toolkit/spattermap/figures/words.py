"""Names, units and lists as they are printed on pictures."""

from __future__ import annotations


def plain(text: str) -> str:
    """Return text that matplotlib will not read as a formula (a title may hold a dollar sign).

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
    """
    return str(text).replace("$", r"\$")


def unit_name(length_unit: str) -> str:
    """Return the unit as printed.

    Parameters
    ----------
    length_unit : {"um", "px"}
        The map set's length unit.

    Returns
    -------
    str
    """
    return "µm" if length_unit == "um" else "px"


def quantity_name(quantity: str) -> str:
    """Return the printed name and unit of what a map holds.

    Parameters
    ----------
    quantity : str
        One of `spattermap.mapset.QUANTITIES`.

    Returns
    -------
    str
    """
    return {
        "counts": "counts per pixel",
        "net_counts": "net counts per pixel",
        "mass_percent": "mass percent",
        "atomic_percent": "atomic percent",
        "intensity": "intensity (unit not stated)",
    }.get(quantity, quantity)


def line_name(element: str, line: str) -> str:
    """Return ``Cu Kα`` from ``Cu`` and ``Cu Ka``.

    Parameters
    ----------
    element, line : str
        Symbol, and line in plain letters or "".

    Returns
    -------
    str
    """
    if not line:
        return element
    shell = line.rsplit(maxsplit=1)[-1].replace("a", "α").replace("b", "β")
    return f"{element} {shell}"


def listing(words: list[str]) -> str:
    """Return words joined as in a sentence.

    Parameters
    ----------
    words : list of str
        The words.

    Returns
    -------
    str

    Examples
    --------
    >>> listing(["Cu", "Zn", "Si"])
    'Cu, Zn and Si'
    """
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"

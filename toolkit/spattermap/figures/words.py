"""Text, quantities and lines as they are printed on pictures."""

from __future__ import annotations


def plain(text: str) -> str:
    r"""Return text that matplotlib will not read as a formula (a title may hold a dollar sign).

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str

    Examples
    --------
    >>> plain("plate 5$")
    'plate 5\\$'
    """
    return str(text).replace("$", r"\$")


def quantity_name(quantity: str) -> str:
    """Return the printed name and unit of what a map holds.

    Parameters
    ----------
    quantity : str
        One of `spattermap.mapset.QUANTITIES`.

    Returns
    -------
    str

    Examples
    --------
    >>> quantity_name("mass_percent")
    'mass percent'
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

    Examples
    --------
    >>> line_name("Cu", "Cu Ka"), line_name("Cu", "")
    ('Cu Kα', 'Cu')
    """
    if not line:
        return element
    shell = line.rsplit(maxsplit=1)[-1].replace("a", "α").replace("b", "β")
    return f"{element} {shell}"

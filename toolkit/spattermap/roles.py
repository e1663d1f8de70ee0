"""Which element belongs to the alloy, which to the substrate, and how we know."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from spattermap.errors import InputError

# Elements that common glasses are made of (float, container, borosilicate, silica).
GLASS_FORMERS = ("O", "Si", "Na", "Ca", "Mg", "K", "B", "Al")


@dataclass(frozen=True)
class Roles:
    """The part each mapped element plays.

    Parameters
    ----------
    alloy, substrate, other : tuple of str
        Element symbols, each mapped element in exactly one of the three.
    assumed : bool
        True where nobody stated the roles and they were inferred from the maps.
    how : str
        One sentence on where the roles come from, for the report.

    Examples
    --------
    >>> roles = Roles(("Cu", "Zn"), ("Si", "O"))
    >>> roles.of("Zn"), roles.of("Ti")
    ('alloy', 'other')
    """

    alloy: tuple[str, ...]
    substrate: tuple[str, ...]
    other: tuple[str, ...] = ()
    assumed: bool = False
    how: str = ""

    def of(self, element: str) -> str:
        """Return the role word of one element."""
        if element in self.alloy:
            return "alloy"
        return "substrate" if element in self.substrate else "other"

    def as_mapping(self) -> Mapping[str, str]:
        """Return ``{element: role}`` for every element."""
        every = (*self.alloy, *self.substrate, *self.other)
        return {element: self.of(element) for element in every}


def stated_roles(
    elements: Iterable[str],
    *,
    alloy: Iterable[str] | None,
    substrate: Iterable[str] | None,
    how: str,
) -> Roles:
    """Return roles from what the person stated.

    Parameters
    ----------
    elements : iterable of str
        The mapped elements.
    alloy, substrate : iterable of str or None
        Elements stated for each role. An element that both hold (aluminium in an alloy on
        soda-lime glass) counts as alloy here; its substrate part is judged later. None or empty
        leaves that side unstated. Stated elements without a map are left out, because a
        composition may well name elements nobody mapped.
    how : str
        Where the statement stands, for the report.

    Returns
    -------
    Roles

    Raises
    ------
    InputError
        If none of the stated alloy elements was mapped.

    Examples
    --------
    >>> roles = stated_roles(["Cu", "Si", "C"], alloy=["Cu"], substrate=["Si"], how="by me")
    >>> roles.alloy, roles.substrate, roles.other
    (('Cu',), ('Si',), ('C',))
    """
    mapped = list(elements)
    wanted = list(alloy or ())
    in_alloy = tuple(element for element in mapped if element in wanted)
    if wanted and not in_alloy:
        raise InputError(
            f"alloy must name at least one element that was mapped, got {', '.join(wanted)}. "
            f"Mapped are: {', '.join(mapped)}."
        )
    glass = list(substrate or ())
    in_substrate = tuple(e for e in mapped if e in glass and e not in in_alloy)
    rest = tuple(e for e in mapped if e not in in_alloy and e not in in_substrate)
    return Roles(in_alloy, in_substrate, rest, assumed=False, how=how)

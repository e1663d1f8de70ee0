"""What one test says, what may be mended, and what must not be said because of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from spattermap.core.arrays import Bools

Word = Literal["sound", "doubtful", "faulty", "not_examined"]
Answer = Literal["verdict", "shares", "coverage", "connection", "sizes"]
NAN = float("nan")


@dataclass(frozen=True)
class Mend:
    """A change to the maps that is sound, with what it does in a few words.

    Parameters
    ----------
    kind : str
        One of the mends of `spattermap.examine.mend`.
    subject : str
        The element it is done to, "all" or "blank".
    pixels : numpy.ndarray of bool, dims (y, x), optional
        Pixels to leave out.
    amount : tuple of float
        Numbers of the mend: shift (rows, columns), offset, exposure of each row.
    said : str
        What was done, as the end of a sentence.
    """

    kind: str
    subject: str
    said: str
    pixels: Bools | None = None
    amount: tuple[float, ...] = ()


@dataclass(frozen=True)
class Finding:
    """One row of the examination.

    Parameters
    ----------
    check : str
        The test.
    subject : str
        An element, "all", "blank" or "electron_image".
    finding : str
        "sound", "doubtful", "faulty" or "not_examined".
    value, limit : float
        Statistic of the test and the value from which it counts; NaN where there is none.
    consequence : str
        What it means for the answers, one sentence; "" where sound.
    next_step : str
        The cheapest step that settles it; "" where sound.
    mends : tuple of Mend
        What can be mended.
    withholds : tuple of (str, str)
        Answers that must not be given: "verdict" with an element or "all", "shares" with an
        element or "all", "coverage", "connection" with "x", "y" or "all", "sizes".
    drops : tuple of str
        Maps that take no further part.
    """

    check: str
    subject: str = "all"
    finding: Word = "sound"
    value: float = NAN
    limit: float = NAN
    consequence: str = ""
    next_step: str = ""
    mends: tuple[Mend, ...] = ()
    withholds: tuple[tuple[Answer, str], ...] = ()
    drops: tuple[str, ...] = ()

    @property
    def is_alarm(self) -> bool:
        """True where something is wrong or may be."""
        return self.finding in ("doubtful", "faulty")


@dataclass(frozen=True)
class Withheld:
    """Answers that must not be given, each with the reason and the next step.

    Parameters
    ----------
    verdicts, shares : dict of str to (str, str)
        By element ("all" for every one): why, and what to do.
    coverage, sizes : tuple of str or None
        Why, and what to do.
    connection : dict of str to (str, str)
        By axis "x" or "y".
    """

    verdicts: dict[str, tuple[str, str]] = field(default_factory=dict)
    shares: dict[str, tuple[str, str]] = field(default_factory=dict)
    connection: dict[str, tuple[str, str]] = field(default_factory=dict)
    coverage: tuple[str, str] | None = None
    sizes: tuple[str, str] | None = None

    @property
    def anything(self) -> bool:
        """True where any answer is withheld."""
        return bool(self.verdicts or self.shares or self.connection or self.coverage or self.sizes)

    def of(self, answer: str, element: str) -> tuple[str, str] | None:
        """Return why an answer on an element is withheld, if it is."""
        table = self.verdicts if answer == "verdict" else self.shares
        return table.get(element) or table.get("all")


def withheld_by(findings: tuple[Finding, ...]) -> Withheld:
    """Return what the findings together withhold; of several reasons the first."""
    verdicts: dict[str, tuple[str, str]] = {}
    shares: dict[str, tuple[str, str]] = {}
    connection: dict[str, tuple[str, str]] = {}
    single: dict[str, tuple[str, str]] = {}
    for one in findings:
        why = (one.consequence, one.next_step)
        for answer, subject in one.withholds:
            if answer == "verdict":
                verdicts.setdefault(subject, why)
            elif answer == "shares":
                shares.setdefault(subject, why)
            elif answer == "connection":
                for axis in "xy" if subject == "all" else subject:
                    connection.setdefault(axis, why)
            else:
                single.setdefault(answer, why)
    return Withheld(verdicts, shares, connection, single.get("coverage"), single.get("sizes"))

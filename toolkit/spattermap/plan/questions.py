"""What the person wants to know, with the stake of each question."""

from __future__ import annotations

from dataclasses import dataclass

from spattermap.core.errors import InputError, element_symbol, one_of, positive

# Kind: what its stake is (empty where it has none), unit, largest stake.
KINDS: dict[str, tuple[str, str, float]] = {
    "apart": ("share of the element that lies apart from the alloy", "%", 100.0),
    "droplet": ("diameter of the smallest droplets that matter", "um", 1000.0),
    "haze": ("share of the metal signal between the droplets", "%", 90.0),
    "thickness": ("half width of the interval over the thickness", "%", 100.0),
    "coverage": ("half width of the interval over the coverage", "%", 100.0),
    "oxide": ("mass percent of oxygen in the droplets", "%", 60.0),
    "connected": ("", "", 0.0),
    "sizes": ("difference of D50 between two settings", "%", 400.0),
}
# Oxygen of a fully oxidised metal of the first long row, CuO to Fe2O3: 20 to 30 mass percent.
OXIDE_PERCENT = 20.0


@dataclass(frozen=True)
class Question:
    """One question.

    Parameters
    ----------
    kind : str
        "apart" (would a part of an element that lies apart from the alloy be noticed), "droplet"
        (are droplets of a size found), "haze" (would a share of haze be noticed), "thickness" and
        "coverage" (known to a relative half width), "oxide" (oxide or metal), "connected" (does
        the deposit connect), "sizes" (does D50 differ between two settings).
    stake : float, optional
        Percent, for "droplet" um; not used by "connected".
    element : str, optional
        For "apart".
    weight : float, optional
        What it counts beside the other questions.

    Raises
    ------
    InputError
        If the kind is unknown, the stake out of range, or an element is missing.

    Examples
    --------
    >>> Question.parse("apart Zn 30").sentence
    'Would I notice 30 % of the Zn lying apart from the alloy?'
    """

    kind: str
    stake: float = 0.0
    element: str = ""
    weight: float = 1.0

    def __post_init__(self) -> None:
        """Refuse what cannot be asked."""
        one_of(self.kind, "question", KINDS)
        means, unit, most = KINDS[self.kind]
        if self.kind == "oxide" and self.stake == 0.0:
            object.__setattr__(self, "stake", OXIDE_PERCENT)
        positive(self.weight, f"question {self.kind}: weight")
        if means:
            positive(self.stake, f"question {self.kind}: stake", unit=unit)
            if self.stake > most:
                raise InputError(
                    f"question {self.kind}: the stake ({means}) must be at most {most:g} {unit}, "
                    f"got {self.stake:g}. Correct it."
                )
        if self.kind == "apart":
            element_symbol(self.element, "question apart: element")

    @classmethod
    def parse(cls, text: str) -> Question:
        """Return the question of a text such as "apart Zn 30", "droplet 0.5" or "connected"."""
        words = text.replace("=", " ").replace("%", " ").split()
        if not words:
            raise InputError('question must be a text such as "apart Zn 30", got none.')
        one_of(words[0], "question", KINDS)
        element = words.pop(1) if words[0] == "apart" and len(words) > 1 else ""
        try:
            numbers = [float(word) for word in words[1:]]
        except ValueError:
            numbers = [0.0, 0.0]
        if len(numbers) > 1 or (KINDS[words[0]][0] and not numbers and words[0] != "oxide"):
            form = f"{words[0]} Zn 30" if words[0] == "apart" else f"{words[0]} 10"
            raise InputError(
                f"question must be a kind and one number, got {text!r}. "
                f'Write for example "{form if KINDS[words[0]][0] else words[0]}".'
            )
        return cls(words[0], numbers[0] if numbers else 0.0, element)

    @property
    def sentence(self) -> str:
        """The question as the person asks it."""
        amount = f"{self.stake:g}"
        return {
            "apart": f"Would I notice {amount} % of the {self.element} lying apart from the alloy?",
            "droplet": f"Are droplets of {amount} µm found?",
            "haze": f"Would I notice {amount} % of the metal signal as haze?",
            "thickness": f"Is the thickness known to {amount} %?",
            "coverage": f"Is the coverage known to {amount} %?",
            "oxide": f"Oxide ({amount} % oxygen) or metal?",
            "connected": "Does it connect?",
            "sizes": f"Would I notice D50 differing by {amount} % between two settings?",
        }[self.kind]

    @property
    def topic(self) -> str:
        """The question in two or three words."""
        amount = f"{self.stake:g}"
        return {
            "apart": f"{amount} % of the {self.element} apart",
            "droplet": f"droplets of {amount} µm",
            "haze": f"haze of {amount} %",
            "thickness": f"thickness to {amount} %",
            "coverage": f"coverage to {amount} %",
            "oxide": "oxide or metal",
            "connected": "connection",
            "sizes": f"D50 by {amount} %",
        }[self.kind]

"""The knobs of an analysis, in one frozen record that is saved with every result."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from spattermap.core.errors import (
    InputError,
    InputFileError,
    InputTypeError,
    element_symbol,
    one_of,
    positive,
    unknown_name,
)
from spattermap.core.toml_file import read_toml

# Log-odds beyond which no count in any pixel could weigh against the prior.
_STRONG = 1000
_WHOLE = {"n_resamples": (100, 1_000_000), "seed": (0, 2**32 - 1), "block_px": (2, 2**20)}


@dataclass(frozen=True)
class Settings:
    """Choices of one analysis; the defaults suit most map sets.

    Parameters
    ----------
    alloy, substrate : tuple of str or None
        Element symbols; None takes them from the map set, else they are inferred and every
        result says so.
    metal_sensitivity : float
        Added to the prior log-odds of metal in every pixel; positive finds more metal.
    smallest_droplet : float or None
        Smallest area-equivalent diameter kept, in the map set's length unit (um, or px where
        the pixel size is unknown); None derives it from the noise and `false_alarms_per_field`.
    split_strength : float
        How readily touching droplets are parted; 1 is the default, 0 never splits.
    false_alarms_per_field : float
        Expected number of droplets reported on a field that holds none.
    cracks : {"auto", "on", "off"}
        Look for cracks of the substrate in the electron image ("auto": when one is given).
    electron_image : {"auto", "off"}
        Whether an electron image may help to draw the outlines ("auto": where it can be registered
        and agrees with the maps).
    level : float
        Confidence level of every interval (0 to 1).
    n_resamples : int
        Bootstrap resamples behind the intervals.
    seed : int
        Seed of the resampling; the same seed gives the same bytes.
    block_px : int or None
        Side of the blocks that are resampled (px); None takes it from the correlation length.
    background_fraction : float
        Largest part of an element's counts on metal that may be spectral background where no
        spectrum tells (dimensionless, 0 to 1); used as a bound, never as a correction.
    k_factors : mapping of str to float or None
        Measured Cliff-Lorimer factors (mass per count) by element against one common element;
        used in place of calculated sensitivities when asking what the alloy could have supplied.
    bridging : float
        Gap that counts as bridged in the connection test, in the map set's length unit.

    Examples
    --------
    >>> settings = Settings(alloy=("cu", "zn"), level=0.9)
    >>> settings.alloy, settings.with_changes(seed=7).seed
    (('Cu', 'Zn'), 7)
    >>> print(settings.to_toml().splitlines()[0])
    alloy = ["Cu", "Zn"]
    """

    alloy: tuple[str, ...] | None = None
    substrate: tuple[str, ...] | None = None
    metal_sensitivity: float = 0.0
    smallest_droplet: float | None = None
    split_strength: float = 1.0
    false_alarms_per_field: float = 0.05
    cracks: str = "auto"
    electron_image: str = "auto"
    level: float = 0.95
    n_resamples: int = 2000
    seed: int = 0
    block_px: int | None = None
    background_fraction: float = 0.1
    k_factors: Mapping[str, float] | None = field(default=None, hash=False)
    bridging: float = 0.0

    def __post_init__(self) -> None:
        """Check every value once, so that the science can trust them."""
        for role in ("alloy", "substrate"):
            symbols = getattr(self, role)
            if symbols is not None:
                if isinstance(symbols, str) or not isinstance(symbols, Iterable):
                    raise InputTypeError(
                        f"settings: {role} must be a list of element symbols, got {symbols!r}. "
                        'Write for example ["Cu", "Zn"].'
                    )
                clean = tuple(element_symbol(symbol, f"settings: {role}") for symbol in symbols)
                object.__setattr__(self, role, clean)
        if self.k_factors is not None:
            object.__setattr__(self, "k_factors", _factors(self.k_factors))
        bias = self.metal_sensitivity
        if isinstance(bias, bool) or not isinstance(bias, (int, float)) or not abs(bias) < _STRONG:
            raise InputError(
                f"settings: metal_sensitivity must be a number between -{_STRONG} and {_STRONG} "
                f"(log-odds), got {bias!r}. Correct the value."
            )
        for name in ("split_strength", "bridging"):
            positive(getattr(self, name), f"settings: {name}", allow_zero=True)
        positive(self.false_alarms_per_field, "settings: false_alarms_per_field")
        if self.smallest_droplet is not None:
            positive(self.smallest_droplet, "settings: smallest_droplet")
        one_of(self.cracks, "settings: cracks", ("auto", "on", "off"))
        one_of(self.electron_image, "settings: electron_image", ("auto", "off"))
        for name in ("level", "background_fraction"):
            value = positive(getattr(self, name), f"settings: {name}", allow_zero=name != "level")
            if value >= 1:
                raise InputError(
                    f"settings: {name} must be below 1 (a fraction), got {value!r}. "
                    "Write for example 0.95 for 95 %."
                )
        _check_whole_numbers(self)

    def with_changes(self, **changes: Any) -> Settings:
        """Return a copy with some values changed.

        Parameters
        ----------
        **changes
            Names and new values.

        Raises
        ------
        InputError
            If a name or value is not allowed.
        """
        known = [one.name for one in fields(self)]
        for name in changes:
            if name not in known:
                raise InputError(unknown_name("settings: name", name, known))
        return replace(self, **changes)

    def to_dict(self) -> dict[str, Any]:
        """Return the settings as plain values, ready for JSON."""
        return {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(self).items()}

    def to_toml(self) -> str:
        """Return the settings as the text of a ``settings.toml``."""
        lines = []
        for name, value in self.to_dict().items():
            if value is None:
                continue  # TOML has no null; an absent key means the default
            if isinstance(value, dict):
                pairs = ", ".join(f"{key} = {one!r}" for key, one in value.items())
                lines.append(f"{name} = {{ {pairs} }}")
            elif isinstance(value, list):
                lines.append(f"{name} = [{', '.join(f'{_quoted(v)}' for v in value)}]")
            elif isinstance(value, str):
                lines.append(f"{name} = {_quoted(value)}")
            else:
                lines.append(f"{name} = {value!r}")
        return "\n".join(lines) + "\n"

    @classmethod
    def from_toml(cls, path: str | Path) -> Settings:
        """Read a ``settings.toml``.

        Parameters
        ----------
        path : str or pathlib.Path
            The file.

        Raises
        ------
        InputFileError
            If the file cannot be read as TOML.
        InputError
            If a key or a value is not allowed.
        """
        values = read_toml(Path(path), "settings file")
        if not values:  # nobody names a file that is to change nothing: its writing broke off
            raise InputFileError(
                f"{path} must hold settings, got an empty file. Write it anew, or leave it out."
            )
        for role in ("alloy", "substrate"):
            if isinstance(values.get(role), list):
                values[role] = tuple(values[role])
        return cls().with_changes(**values)


def _check_whole_numbers(settings: Settings) -> None:
    for name, (least, most) in _WHOLE.items():
        whole = getattr(settings, name)
        if whole is None and name == "block_px":
            continue
        odd = isinstance(whole, bool) or not isinstance(whole, int)
        if odd or not least <= whole <= most:
            raise InputError(
                f"settings: {name} must be a whole number, at least {least} and at most {most:,}, "
                f"got {whole!r}. Correct the value."
            )


def _factors(given: Any) -> dict[str, float]:
    """Return k-factors by clean symbol, each a positive number."""
    if not isinstance(given, Mapping) or len(given) < 2:
        raise InputError(
            f"settings: k_factors must name at least two elements, got {given!r}. "
            "Write for example { Cu = 1.0, Zn = 1.05 }."
        )
    return {
        element_symbol(name, "settings: k_factors"): positive(value, f"settings: k_factors: {name}")
        for name, value in given.items()
    }


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'

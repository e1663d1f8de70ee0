"""The knobs of an analysis, in one frozen record that is saved with every result."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from spattermap.core.errors import (
    InputError,
    InputFileError,
    element_symbol,
    one_of,
    positive,
    unknown_name,
)


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
                clean = tuple(element_symbol(symbol, f"settings: {role}") for symbol in symbols)
                object.__setattr__(self, role, clean)
        if self.k_factors is not None:
            object.__setattr__(self, "k_factors", _factors(self.k_factors))
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
        for name, least in (("n_resamples", 100), ("seed", 0), ("block_px", 2)):
            whole = getattr(self, name)
            if whole is not None and (not isinstance(whole, int) or whole < least):
                raise InputError(
                    f"settings: {name} must be a whole number of at least {least}, got {whole!r}. "
                    "Correct the value."
                )

    def with_changes(self, **changes: Any) -> Settings:
        """Return a copy with some values changed.

        Parameters
        ----------
        **changes
            Names and new values.

        Returns
        -------
        Settings

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

        Returns
        -------
        Settings

        Raises
        ------
        InputFileError
            If the file cannot be read as TOML.
        InputError
            If a key or a value is not allowed.
        """
        file = Path(path)
        try:
            values = tomllib.loads(file.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
            raise InputFileError(
                f"{file} must be a readable settings file (TOML), got: {problem}. "
                "Correct that line, or leave the file out to use the defaults."
            ) from problem
        for role in ("alloy", "substrate"):
            if isinstance(values.get(role), list):
                values[role] = tuple(values[role])
        return cls().with_changes(**values)


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

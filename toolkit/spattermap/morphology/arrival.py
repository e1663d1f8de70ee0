"""How the metal arrived: each alternative, with what speaks for it and against it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spattermap.mapset import unit_name

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = [
    "alternative", "share", "share_low", "share_high", "speaks_for", "speaks_against", "next_step",
]  # fmt: skip

# Shares of the metal signal below which an alternative is called small, and above which large
# (ours; common practice has none).
SMALL, LARGE = 0.1, 0.5

# Particles and islands grown from vapour by coalescence have geometric standard deviations of 1.2
# to 1.6 (Granqvist and Buhrman, J. Appl. Phys. 47 (1976) 2200; from memory). Narrower sizes tell
# nothing: drops can be as alike.
WIDER_THAN_VAPOUR = 1.8


@dataclass(frozen=True)
class Findings:
    """What the evidence is drawn from.

    Parameters
    ----------
    shares : mapping of str to float
        ``share_droplets``, ``share_streaks``, ``share_haze`` of the metal signal, with ``_low``
        and ``_high`` where known; a missing key means not measured.
    n_droplets, n_streaks : int
        How many were found.
    shapes : pandas.DataFrame
        As `shape_shares` returns it.
    coverage : float
        Area fraction of metal.
    texture : float
        Distance over which the metal is correlated.
    smallest : float
        Smallest trusted diameter.
    unit : str
        Length unit for the sentences.
    satellites_excess, satellites_p : float
        Excess of small droplets near the rims of large ones, and its p-value; NaN if unknown.
    sigma_g : float
        Geometric standard deviation of the diameters; NaN if unknown.
    """

    shares: Mapping[str, float]
    n_droplets: int
    n_streaks: int
    shapes: pd.DataFrame
    coverage: float
    texture: float
    smallest: float
    unit: str
    satellites_excess: float = float("nan")
    satellites_p: float = float("nan")
    sigma_g: float = float("nan")

    @property
    def shown_unit(self) -> str:
        """The unit as a reader writes it."""
        return unit_name(self.unit)


def evidence(found: Findings) -> pd.DataFrame:
    """Weigh the ways in which the metal can have arrived.

    Parameters
    ----------
    found : Findings
        What was measured.

    Returns
    -------
    pandas.DataFrame
        One row an alternative: ``alternative, share, share_low, share_high`` (of the metal
        signal; NaN where not measured), ``speaks_for, speaks_against`` (tuples of sentences) and
        ``next_step``, the measurement that would settle it. No row is a verdict: the picture of
        a deposit does not prove how it came about.
    """
    import pandas as pd

    rows = [_drops(found), _streaks(found), _haze(found), _film(found)]
    return pd.DataFrame(rows, columns=COLUMNS)


def _share(found: Findings, name: str) -> tuple[float, float, float]:
    key = f"share_{name}"
    nan = float("nan")
    return (
        float(found.shares.get(key, nan)),
        float(found.shares.get(f"{key}_low", nan)),
        float(found.shares.get(f"{key}_high", nan)),
    )


def _shape(found: Findings, name: str) -> tuple[float, float, float]:
    row = found.shapes[found.shapes["shape"] == name]
    share, low, high = row[["share", "share_low", "share_high"]].to_numpy(dtype=np.float64)[0]
    return float(share), float(low), float(high)


def _percent(value: float) -> str:
    return f"{100 * value:.0f} %" if value >= 0.1 else f"{100 * value:.1f} %"


def _span(low: float, high: float) -> str:
    return f"{_percent(low).removesuffix(' %')} to {_percent(high)}"


def _weigh_share(share: tuple[float, float, float], where: str) -> tuple[list[str], list[str]]:
    value, low, high = share
    if not np.isfinite(value):
        return [], []
    sentence = f"{_percent(max(value, 0.0))} of the metal signal lies in {where}"
    if np.isfinite(low) and np.isfinite(high):
        sentence += f" ({_span(max(low, 0.0), max(high, 0.0))})"
    sentence += "."
    surely_there = low > 0 if np.isfinite(low) else value > SMALL
    if value >= SMALL and surely_there:
        return [sentence], []
    return [], [sentence]


def _drops(found: Findings) -> tuple[object, ...]:
    share = _share(found, "droplets")
    pro, contra = _weigh_share(share, "droplets")
    if found.n_droplets == 0:
        contra.append(f"No droplet of {found.smallest:.3g} {found.shown_unit} or more was found.")
    round_share, low, high = _shape(found, "round")
    if np.isfinite(round_share):
        sentence = (
            f"{_percent(round_share)} of the resolved droplets are round "
            f"({_span(low, high)}), as surface tension leaves them."
        )
        if low > LARGE:
            pro.append(sentence)
        elif high < LARGE:
            contra.append(
                f"Only {_percent(round_share)} of the resolved droplets are round "
                f"({_span(low, high)})."
            )
    if found.satellites_p < 0.05 and found.satellites_excess > 1:
        pro.append(
            f"Small droplets gather at the rims of large ones, {found.satellites_excess:.2g} "
            f"times as many as by chance (p = {found.satellites_p:.2g}): liquid that splashed."
        )
    if found.sigma_g > WIDER_THAN_VAPOUR:
        pro.append(
            f"Diameters spread more widely (geometric standard deviation {found.sigma_g:.2f}) "
            "than those of particles grown from vapour, which reach about 1.5."
        )
    step = "A tilted view or a cross-section of a few droplets: caps and contact angles."
    return ("molten drops", *share, tuple(pro), tuple(contra), step)


def _streaks(found: Findings) -> tuple[object, ...]:
    share = _share(found, "streaks")
    pro, contra = _weigh_share(share, "streaks") if found.n_streaks else ([], [])
    if found.n_streaks:
        word = "streak was" if found.n_streaks == 1 else "streaks were"
        pro.append(f"{found.n_streaks} {word} found.")
    else:
        contra.append("No streak was found.")
    for shape, means in (
        ("elongated", "elongated: drops that hit at an angle"),
        ("splashed", "lobed or fingered: drops that splashed, or that merged"),
    ):
        value, low, _ = _shape(found, shape)
        if np.isfinite(value) and low > SMALL:
            pro.append(f"{_percent(value)} of the resolved droplets are {means}.")
    step = "A second field further from the source: streaks point away from it."
    return ("streaks and splashes", *share, tuple(pro), tuple(contra), step)


def _haze(found: Findings) -> tuple[object, ...]:
    share = _share(found, "haze")
    pro, contra = _weigh_share(share, "the haze between droplets and streaks")
    low = found.shares.get("fraction_low", float("nan"))
    high = found.shares.get("fraction_high", float("nan"))
    if np.isfinite(share[0]):
        pass  # the share already weighs the same signal, with its zero
    elif low > 0:
        pro.append(
            f"The area between droplets carries {_span(low, high)} "
            "of the metal signal of a droplet."
        )
    elif low <= 0 <= high:
        contra.append("The signal between droplets agrees with none within its interval.")
    if pro:
        contra.append(
            f"Droplets below {found.smallest:.3g} {found.shown_unit} would look the same in these "
            "maps."
        )
    step = (
        "A bare plate mapped under the same conditions as the zero, and one field at several "
        "times the magnification: a film stays smooth, fine droplets part."
    )
    return ("vapour or fine haze", *share, tuple(pro), tuple(contra), step)


def _film(found: Findings) -> tuple[object, ...]:
    nan = float("nan")
    pro, contra = [], []
    covered = f"{_percent(found.coverage)} of the field is covered"
    if found.coverage > 0.9:
        pro.append(f"{covered}.")
    elif found.coverage < LARGE:
        contra.append(f"Only {covered}.")
    else:
        contra.append(f"{covered}, so the film has holes, or the droplets have not yet joined.")
    if found.texture > 0:
        contra.append(
            f"The metal has a texture of about {found.texture:.3g} {found.shown_unit}: separate "
            "features."
        )
    step = "The sheet resistance across the field, against the connected area."
    return ("continuous film", nan, nan, nan, tuple(pro), tuple(contra), step)

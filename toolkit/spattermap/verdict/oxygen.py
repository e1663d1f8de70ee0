"""Oxygen in the deposit: what is seen beyond the glass, with bounds.

Glass and oxide both hold oxygen. Its line is soft, so metal absorbs what comes from the glass below
more strongly than it absorbs the harder substrate lines: what those lines still show through the
metal is the most that the glass's oxygen can show.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from spattermap.core.arrays import Floats
from spattermap.core.estimate import bootstrap_weights
from spattermap.verdict.evidence import estimate
from spattermap.verdict.physics import continuum_weight
from spattermap.verdict.rules import PRESENT_Z
from spattermap.verdict.signal_levels import atomic_number_rise, hard_substrate
from spattermap.verdict.zones import DROPLET, FAR, STREAK

if TYPE_CHECKING:
    from spattermap.verdict.gather import Context


COLUMNS = (
    "where", "counts", "glass_most", "background_most", "excess_low", "excess", "excess_high", "z",
    "finding", "next_step",
)  # fmt: skip

_Z, _FINDING = COLUMNS.index("z"), COLUMNS.index("finding")

_ON_METAL_NEXT = (
    "Map a piece of the clean alloy under the same conditions, or map at about 5 keV, where the "
    "glass under the metal gives nothing."
)
_HAZE_NEXT = (
    "Map at about 5 keV, where a thin oxide weighs more against the glass under it, or deposit on "
    "a substrate without oxygen."
)
LEAK_STEP = "Fit the spectra with {} included: lines of it fall into oxygen's window."


def is_leak(step: object) -> bool:
    """Say whether a row's next step is owed to lines that leak into oxygen's window."""
    return str(step).startswith(LEAK_STEP.split("{}", maxsplit=1)[0])


def oxygen_evidence(context: Context) -> pd.DataFrame:
    """Return the oxygen seen beyond the glass in droplets, in streaks and between them, a row each.

    None where oxygen was not mapped. Columns: where; counts (mean per pixel); glass_most,
    background_most (most that glass, and that continuum and leaking lines may give there);
    excess_low, excess, excess_high (per pixel; `excess_low` with these at their most, `excess_high`
    with none); z (standard errors of the excess over the most that these may give); finding
    ("oxygen beyond the glass", "none shown", "undecided"); next_step.

    On metal the glass gives at most ``O_bare * S / S_bare`` with S the harder substrate lines; the
    continuum at most the smaller of what the emptiest other map allows and the stated background
    fraction of the strongest alloy line. Between the deposits a blank is needed; it is scaled by
    the hard substrate lines, which the haze absorbs less than oxygen, so the excess is a lower
    bound.
    """
    levels = context.levels
    if "O" not in levels.elements:
        return pd.DataFrame(columns=list(COLUMNS))
    weights = bootstrap_weights(
        context.sums.n_blocks, context.settings.n_resamples, context.settings.seed
    )
    n, s = context.sums.resampled(weights)
    rows = []
    for name, zone in (("droplets", DROPLET), ("streaks", STREAK)):
        if n[0, zone] > 0 and n[0, FAR] > 0:
            with np.errstate(invalid="ignore"):  # a resample may hold no bare block: NaN
                bare = s[:, FAR] / n[:, FAR, None]
            rows.append(_on_metal(context, name, n[:, zone], s[:, zone], bare))
    if n[0, FAR] > 0 and levels.has_metal:
        rows.append(_in_haze(context, n[:, FAR]))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _on_metal(
    context: Context, name: str, n: Floats, s: Floats, bare: Floats
) -> tuple[object, ...]:
    levels = context.levels
    o = levels.index("O")
    with np.errstate(divide="ignore", invalid="ignore"):
        level = s / n[:, None]
        which = [i for i in hard_substrate(levels.elements, context.roles, context.state) if i != o]
        through = level[:, which].sum(axis=1) / bare[:, which].sum(axis=1) if which else 1.0
        glass = np.clip(np.nan_to_num(through, nan=1.0), 0.0, 1.0) * bare[:, o]
    most = (glass, _continuum(context, level), _leaked(context, level))
    return _row(context, (name, _ON_METAL_NEXT), n, seen=level[:, o], most=most)


def _leaked(context: Context, level: Floats) -> Floats:
    """Return the most that lines of the other elements bring into oxygen's window.

    The L lines of titanium to manganese lie within a detector's resolution of O Ka.
    """
    levels = context.levels
    bounds = levels.leaks.get("O", {})
    which = [levels.index(e) for e in bounds]
    over = np.maximum(np.nan_to_num(level - levels.base), 0.0)[:, which]
    return np.asarray(over @ np.array(list(bounds.values())))


def _continuum(context: Context, level: Floats) -> Floats:
    """Return the most that the continuum gives in the oxygen window on metal."""
    levels, state, roles = context.levels, context.state, context.roles
    o = levels.index("O")
    weight = [continuum_weight(state.lines[e], state.beam_energy_keV) for e in levels.elements]
    others = [i for i, w in enumerate(weight) if i != o and w > 0]
    density = np.min([levels.base_high[:, i] / weight[i] for i in others], axis=0) if others else 0
    from_maps = density * weight[o] * atomic_number_rise(state, levels.visible)
    alloy = [levels.index(e) for e in roles.alloy]
    if not alloy:
        return np.asarray(from_maps)
    stated = context.settings.background_fraction * level[:, alloy].max(axis=1)
    return np.asarray(np.minimum(from_maps, stated))


def _in_haze(context: Context, n: Floats) -> tuple[object, ...]:
    levels = context.levels
    o = levels.index("O")
    seen = levels.bare[:, o]
    if not levels.has_blank:
        unknown = [float("nan")] * 6
        step = "Map a bare plate under the same conditions."
        return ("haze", float(seen[0]), *unknown, "undecided", step)
    most = (levels.base_high[:, o], np.zeros_like(seen), _leaked(context, levels.bare))
    row = _row(context, ("haze", _HAZE_NEXT), n, seen=seen, most=most)
    z = row[_Z]
    if isinstance(z, float) and z <= -PRESENT_Z:
        # Less than the glass alone: what lies on it dims its soft oxygen line more than its hard
        # lines, by more than an oxide in it may add. The comparison then says nothing.
        return (*row[:_FINDING], "undecided", _HAZE_NEXT)
    return row


def _row(
    context: Context,
    where: tuple[str, str],
    n: Floats,
    *,
    seen: Floats,
    most: tuple[Floats, Floats, Floats],
) -> tuple[object, ...]:
    """Return a row; `where` holds name and next step, `most` what glass, continuum, leaks give."""
    glass, continuum, leaked = most
    background = continuum + leaked
    excess = seen - glass - background
    found = estimate(excess, context.settings, context.levels.n_blocks)
    total = estimate(seen, context.settings, context.levels.n_blocks)
    # Resampling few counts may fall short of their Poisson scatter.
    error = max(float(np.nanstd(excess[1:])), float(np.sqrt(seen[0] * n[0] + 1.0) / n[0]))
    z = float(excess[0] / error)
    finding, step = "oxygen beyond the glass", ""
    if z < PRESENT_Z:
        finding, step = "none shown", where[1]
        sources = " and ".join(context.levels.leaks.get("O", {}))
        if z + float(leaked[0]) / error >= PRESENT_Z:
            finding, step = "undecided", LEAK_STEP.format(sources)
    return (
        where[0], float(seen[0]), float(glass[0]), float(background[0]), max(found.low, 0.0),
        max(found.value, 0.0), total.high, z, finding, step,
    )  # fmt: skip


def oxygen_sentences(table: pd.DataFrame) -> tuple[str, ...]:
    """Return the findings as sentences for the row of oxygen."""
    said = []
    for row in table.itertuples():
        holds = "holds" if row.where == "haze" else "hold"
        if row.finding == "oxygen beyond the glass":
            said.append(
                f"In {row.where} at least {row.excess_low:.2g} counts per pixel ({row.z:.0f} "
                "standard errors) more than glass and background can give: oxide is likely there."
            )
        elif row.finding == "none shown":
            said.append(
                f"In {row.where} no oxygen is shown beyond what glass and background may give; up "
                f"to {row.excess_high:.2g} counts per pixel remain possible."
            )
        elif is_leak(row.next_step):
            said.append(
                f"Whether the {row.where} {holds} oxide cannot be told: lines of other elements "
                "in oxygen's window may give all that is seen beyond the glass."
            )
        elif isinstance(row.z, float) and np.isfinite(row.z):  # NaN without a blank
            said.append(
                f"Whether the {row.where} {holds} oxide cannot be told: it dims the glass's own "
                "oxygen, so that less is seen than the bare glass gives."
            )
        else:
            said.append(f"Whether the {row.where} {holds} oxygen cannot be told without a blank.")
    return tuple(said)

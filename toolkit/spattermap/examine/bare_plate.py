"""Is the blank a bare plate, mapped as the field was."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from spattermap.core.arrays import Array
from spattermap.core.errors import InputError
from spattermap.examine import counted
from spattermap.examine.finding import Finding, Mend
from spattermap.examine.observed import Observed, block_sums
from spattermap.examine.shadow import (
    LEAST_SHADOW,
    Squares,
    beyond_composition,
    counts_per_mass,
    glass_per_count,
    squares,
)
from spattermap.xrays import parse_line
from spattermap.xrays.lines import line_of

SQUARE_PX = 16
HELD_Z = 7.0
# Metal on the blank: more beside its glass than the barest tenth of the field shows.
MORE_THAN_BAREST = 1.6
MORE_OF_ONE = 1.3  # of one element, which haze and its shadow change by some percent at most
DOSE_Z = 6.0
KNOWN_Z = 3.0  # what a null is reckoned from is taken at this bound
SAME_ENERGY = 0.02
DOSES_DIFFER = 0.05  # doses of two runs said to be equal agree to this part
# Counts of the glass fall off with the beam energy to this power (from memory); what is left of the
# continuum is foreseen, as a logarithm, to these factors.
BY_BEAM, LEAST_FORESEEN, MOST_FORESEEN = 1.25, 0.8, 1.8
ONE_FACTOR = 1.05  # by which lines of the glass and others may differ without another beam
CONTINUUM_APART = 3.0  # the continuum of one plate and beam is foreseen better than this
LEAST_OF_CONTINUUM = 300.0  # counts foreseen
LONGER, ALIKE = 1.4, 1.6  # a dwell counts from the first; both signs of it agree within the second
GLASS_APART = 1.8  # ratio of two glass lines, blank over field


def blank_conditions(seen: Observed, plate: Observed) -> list[Finding]:
    """Find a blank mapped under other stated conditions, or the field itself.

    Statistic: equality of values; ratio of the beam energies. Null: other counts; one energy.
    """
    check = "blank and field"
    if seen.planes.shape == plate.planes.shape and seen.elements == plate.elements:
        same = float(np.mean(seen.planes == plate.planes))
        chance = _chance(seen)
        if same > 0.5 + 0.5 * chance:
            return [_left_out(check, same, 0.5 + 0.5 * chance, "it is the field itself")]
    ours, theirs = seen.known.beam_energy_keV, plate.known.beam_energy_keV
    if ours and theirs and abs(ours / theirs - 1) > SAME_ENERGY:
        return [_left_out(
            check, theirs / ours, 1 + SAME_ENERGY,
            f"it was mapped at {theirs:g} keV and the field at {ours:g} keV",
        )]  # fmt: skip
    return [Finding(check, "blank")]


def _chance(seen: Observed) -> float:
    """Return how many pixels of independent counts of the same means agree, at most."""
    return float(np.mean([np.max(np.bincount(
        np.minimum(np.maximum(p[seen.valid], 0), 50).astype(np.int64))) / max(seen.n, 1)
        for p in seen.planes]))  # fmt: skip


def _left_out(check: str, value: float, limit: float, why: str) -> Finding:
    return Finding(
        check, "blank", "faulty", value, limit,
        f"the blank was left out: {why}",
        "map a bare plate under the same conditions",
        mends=(Mend("no blank", "blank", "left out"),),
    )  # fmt: skip


def blank_is_counted(seen: Observed, plate: Observed) -> list[Finding]:
    """Find a blank whose maps are no raw counts although the field's pass for such.

    Statistic and null as `counted.histogram`, `counted.scatter` and `counted.evened`: on an even
    plate nothing but counting adds to them.
    """
    check = "counts of the blank"
    if not (plate.counts and seen.counts):
        return [Finding(check, "blank", "not_examined")]
    for test in (counted.histogram, counted.scatter, counted.evened):
        bad = [one for one in test(plate) if one.is_alarm]
        if bad:
            worst = max(bad, key=lambda one: abs(one.value))
            return [_left_out(check, worst.value, worst.limit, worst.consequence.split("; ")[0])]
    return [Finding(check, "blank")]


def blank_is_bare(seen: Observed, plate: Observed) -> list[Finding]:
    """Find metal on the blank.

    Statistic: how much the alloy's maps vary over squares of the blank beyond noise, and their
    level beside the glass, together and each, against that of the barest fifth of the field, in
    standard errors. Null: an even plate, no brighter there than the barest part of the field.
    """
    check = "metal on the blank"
    names = [e for e, s in zip(seen.elements, seen.signs, strict=True) if s > 0]
    metals = [plate.index(e) for e in names if e in plate.elements]
    glass = [e for e, s in zip(seen.elements, seen.signs, strict=True) if s < 0]
    if not metals:
        return [Finding(check, "blank", "not_examined")]
    sums, pixels = block_sums(plate.planes[metals].sum(axis=0)[None], plate.valid, SQUARE_PX)
    use = pixels > 0.6 * SQUARE_PX**2
    if np.count_nonzero(use) < 12:
        return [Finding(check, "blank", "not_examined")]
    unit = float(np.mean(plate.gain[metals]))
    z, spread = _variation(sums[0][use], pixels[use], unit)
    if z > HELD_Z and spread > 0.25:
        return [_left_out(check, z, HELD_Z, "the alloy's elements lie on it in a pattern")]
    both = [e for e in glass if e in plate.elements]
    if both:
        ratio, error = _beside_glass(seen, plate, names, both)
        if ratio - MORE_THAN_BAREST > 6 * error:
            return [_left_out(
                check, ratio, MORE_THAN_BAREST,
                f"it shows {ratio:.2g} times as much of the alloy's elements beside its glass as "
                "the barest part of the field",
            )]  # fmt: skip
        for e in [e for e in plate.elements if e in seen.elements and e not in glass]:
            ratio, error = _beside_glass(seen, plate, [e], both)
            if ratio and np.log(ratio / MORE_OF_ONE) > DOSE_Z * error / ratio:
                return [_not_of_one_kind(check, e, ratio)]
    return [Finding(check, "blank", value=max(z, 0.0), limit=HELD_Z)]


def _not_of_one_kind(check: str, e: str, ratio: float) -> Finding:
    """Return the finding on a map that shows more on the plate than a deposit leaves of it."""
    out = _left_out(
        check, ratio, MORE_OF_ONE,
        f"it shows {ratio:.2g} times as much {e} beside its glass as the barest part of the field, "
        "which no deposit does: one of the two was cut off, counted longer or bears another name",
    )  # fmt: skip
    return replace(out, withholds=(("verdict", e), ("shares", e)))


def _variation(sums: Array, pixels: Array, unit: float) -> tuple[float, float]:
    """Return how far squares vary beyond counting, in standard errors and relative to the mean."""
    rate = float(sums.sum() / pixels.sum())
    expected = rate * pixels
    chi2 = float(((sums - expected) ** 2 / np.maximum(unit * expected, 1e-9)).sum())
    n = sums.size
    # Poisson: Var of the chi-square is 2 n and a little for small expectations.
    z = (chi2 - n) / np.sqrt(2 * n + float((1 / np.maximum(expected, 0.2)).sum()))
    excess = max(chi2 / n - 1, 0) * unit * float(expected.mean())
    return float(z), float(np.sqrt(excess) / max(float(expected.mean()), 1e-12))


def _barest(seen: Observed, glass: list[str]) -> tuple[Array, Array] | None:
    """Return sums of each map over the tenth of the squares with most glass, and their pixels."""
    if "squares of the plate" not in seen.memo:
        seen.memo["squares of the plate"] = block_sums(seen.planes, seen.valid, SQUARE_PX)
    sums, pixels = seen.memo["squares of the plate"]
    use = pixels > 0.6 * SQUARE_PX**2
    if np.count_nonzero(use) < 12:
        return None
    level = sums[[seen.index(e) for e in glass]].sum(axis=0)[use] / pixels[use]
    best = level >= np.quantile(level, 0.8)
    return sums[:, use][:, best].sum(axis=1), np.asarray(pixels[use][best].sum())


def _beside_glass(
    seen: Observed, plate: Observed, metals: list[str], glass: list[str]
) -> tuple[float, float]:
    """Return metal beside glass on the blank over the same in the barest part of the field."""
    barest = _barest(seen, glass)
    if barest is None:
        return 0.0, 1.0
    mine = barest[0] / seen.gain
    theirs = plate.mean * plate.n / plate.gain
    common = [e for e in metals if e in plate.elements]
    a = sum(mine[seen.index(e)] for e in common)
    b = sum(theirs[plate.index(e)] for e in common)
    g = sum(mine[seen.index(e)] for e in glass)
    h = sum(theirs[plate.index(e)] for e in glass)
    if min(a, b, g, h) < 20:
        return 0.0, 1.0
    ratio = (b / h) / (a / g)
    return float(ratio), float(ratio * np.sqrt(1 / a + 1 / b + 1 / g + 1 / h))


def _energy(seen: Observed, element: str) -> float:
    """Return the energy of a map's line (eV); NaN, which is beyond nothing, where none is known."""
    try:
        return line_of(*parse_line(seen.lines[seen.index(element)]), beam_energy_keV=None).energy_eV
    except InputError:
        return float("nan")


def _odd_glass(
    seen: Observed, plate: Observed, glass: list[str], barest: tuple[Array, Array]
) -> tuple[str, float] | None:
    """Return a glass line that field and blank show in another ratio to the other glass lines.

    Haze takes soft lines (oxygen) more than hard ones, which is no reason: only hard lines that
    fall short of the others in the field, or stand out by far, count.
    """
    ratios = {}
    for e in glass:
        a = float(barest[0][seen.index(e)] / seen.gain[seen.index(e)])
        k = plate.index(e)
        b = float(plate.planes[k].sum(dtype=np.float64) / plate.gain[k])
        if min(a, b) >= 200:
            ratios[e] = (np.log((b / plate.n) / (a / float(barest[1]))), np.sqrt(1 / a + 1 / b))
    hard = [e for e in ratios if e not in ("O", "C", "N")]
    for e in hard:
        energy = _energy(seen, e)
        # A film takes soft lines more than hard ones: what is lacking beside softer lines, or
        # stands out beside harder ones, a film did not do.
        softer = [ratios[o][0] for o in ratios if o != e and not _energy(seen, o) > energy]
        away = ratios[e][0] - float(np.median(softer)) if softer else 0.0
        if away - np.log(GLASS_APART) > 6 * ratios[e][1]:
            return e, float(np.exp(away))
        harder = [ratios[o][0] for o in ratios if o != e and _energy(seen, o) > energy]
        away = ratios[e][0] - float(np.median(harder)) if harder else 0.0
        if -away - np.log(4.0) > 6 * ratios[e][1]:
            return e, float(np.exp(away))
    return None


def blank_continuum(seen: Observed, plate: Observed) -> list[Finding]:
    """Find a blank mapped with a weaker beam than was stated.

    Statistic: counts of the hardest line that is none of the glass beside a softer one, blank over
    Kramers' continuum ``(E0 - E) / E`` of the stated beam (Phil. Mag. 46 (1923) 836) and over the
    barest part of the field. Null: both near one; haze lowers the second, a trace in the glass the
    first, a weaker beam both.
    """
    check = "continuum of the blank"
    beam = seen.known.beam_energy_keV
    names = [e for e, s in zip(seen.elements, seen.signs, strict=True)
             if s >= 0 and e in plate.elements]  # fmt: skip
    keV = {e: _energy(seen, e) / 1e3 for e in names}
    names = [e for e in names if beam and 1.5 < keV[e] < 0.9 * beam]
    glass = [e for e, s in zip(seen.elements, seen.signs, strict=True) if s < 0]
    barest = _barest(seen, glass) if glass and len(names) > 1 and seen.counts else None
    if beam is None or barest is None:
        return [Finding(check, "blank", "not_examined")]
    hard = max(names, key=lambda e: keV[e])
    # The window of a detector widens about as the root of the energy.
    weight = {e: (beam - keV[e]) / keV[e] * np.sqrt(1 + keV[e]) for e in names}
    worst = 1.0
    for e in names:
        if keV[e] > 0.8 * keV[hard]:
            continue
        soft, own = (float(plate.planes[plate.index(x)].sum(dtype=np.float64)) for x in (e, hard))
        foreseen = soft * weight[hard] / weight[e]
        theirs = soft * float(barest[0][seen.index(hard)] / max(barest[0][seen.index(e)], 1.0))
        if min(foreseen, theirs) < LEAST_OF_CONTINUUM:
            continue
        most = (own + DOSE_Z * np.sqrt(own + 1)) / min(foreseen, theirs)
        worst = min(worst, float(most))
        if most < 1 / CONTINUUM_APART:
            return [_left_out(
                check, float(most), 1 / CONTINUUM_APART,
                f"beside {e} it shows next to no counts at {hard}, as a beam of less than "
                f"{beam:g} keV leaves it",
            )]  # fmt: skip
    return [Finding(check, "blank", value=worst, limit=1 / CONTINUUM_APART)]


def blank_dose(seen: Observed, plate: Observed) -> list[Finding]:
    """Find a blank of another dose.

    Statistic: level of every line on the blank over the barest part of the field. Null: haze
    lowers the field's glass lines and raises its metal lines; a dose changes both by one factor,
    and a weaker beam the hard lines by more: that cannot be told from haze at a lesser dose.
    """
    check = "dose of the blank"
    names = [e for e in seen.elements if e in plate.elements]
    glass = [e for e in names if seen.signs[seen.index(e)] < 0]
    other = [e for e in names if seen.signs[seen.index(e)] >= 0]
    barest = _barest(seen, glass) if glass else None
    if barest is None or not other:
        return [Finding(check, "blank", "not_examined")]
    field, pixels = barest
    odd = _odd_glass(seen, plate, glass, barest)
    if odd is not None:
        return [_left_out(
            check, odd[1], GLASS_APART,
            f"its {odd[0]} beside its other glass lines is {odd[1]:.2g} times what the field "
            "shows, "
            "so one of them was counted for another time or another glass was mapped",
        )]  # fmt: skip
    theirs = plate.planes.sum(axis=(1, 2), dtype=np.float64) / max(plate.n, 1)
    ratios = []
    for group in (glass, other):
        a = sum(field[seen.index(e)] / seen.gain[seen.index(e)] for e in group)
        b = sum(theirs[plate.index(e)] * plate.n / plate.gain[plate.index(e)] for e in group)
        if min(a, b) < 30:
            return [Finding(check, "blank", "not_examined")]
        ratios.append((np.log((b / plate.n) / (a / float(pixels))), np.sqrt(1 / a + 1 / b)))
    (g, g_error), (m, m_error) = ratios
    # More dose on the blank: its metal lines too are brighter than the barest field's. Less dose:
    # its glass is darker than any glass under a deposit could be.
    more = min(g, m)
    z = more / (g_error if g < m else m_error)
    less = -g / g_error
    if (more > np.log(1.3) and z > DOSE_Z) or (-g > np.log(1.3) and less > DOSE_Z):
        factor = float(np.exp(g))
        weaker = _as_weaker_beam(seen, plate, barest, other, factor) if g < 0 else None
        if weaker is not None:
            return [_left_out(
                check, factor, 1.3,
                f"its glass lines give {factor:.2g} times what the field shows and {weaker[0]} "
                f"{weaker[1]:.2g} times, as a weaker beam leaves them: it is not shown that only "
                "the time differed",
            )]  # fmt: skip
    else:
        return [Finding(check, "blank", value=float(np.exp(max(more, -g))), limit=1.3)]
    return [Finding(
        check, "blank", "sound", factor, 1.3,
        f"the blank was counted {factor:.2g} times as long as the field; it was scaled by its "
        "glass lines",
        "map the blank for as long as the field",
        mends=(Mend("scaled", "blank", f"scaled by {1 / factor:.3g}"),),
    )]  # fmt: skip


def _as_weaker_beam(
    seen: Observed, plate: Observed, barest: tuple[Array, Array], other: list[str], factor: float
) -> tuple[str, float] | None:
    """Return a line of which a weaker beam would leave the blank so little, and how much it has.

    The beam that leaves `factor` of the glass leaves ``(E1 - E) / (E0 - E)`` of the continuum
    (Kramers 1923). At a lesser dose haze on the field does so too, but not on every line, and where
    it is plain it does more.
    """
    beam = seen.known.beam_energy_keV
    if beam is None:
        return None
    weaker, told = beam * factor ** (1 / BY_BEAM), None
    for e in other:
        k, j, keV = seen.index(e), plate.index(e), _energy(seen, e) / 1e3
        mine = float(barest[0][k] / seen.gain[k])
        theirs = float(plate.planes[j].sum(dtype=np.float64) / plate.gain[j])
        foreseen = mine * plate.n / float(barest[1])
        if not keV < 0.95 * beam or min(mine, foreseen * factor) < 30:
            continue
        shown = float(np.log((theirs + 0.5) / foreseen))
        error = float(np.sqrt(1 / mine + 1 / (theirs + 0.5)))
        left = float(np.log(max(weaker - keV, 1e-3) / (beam - keV)))
        if shown > LEAST_FORESEEN * left + 2 * error:
            return None  # a weaker beam leaves less of it
        less = np.log(factor / ONE_FACTOR) - shown > 2 * error
        if less and shown > MOST_FORESEEN * left - 2 * error:
            told = e, float(np.exp(shown))
    return told


def dwell(seen: Observed, plate: Observed) -> list[Finding]:
    """Find a metal's map that was counted longer than the main metal's, and than the blank.

    Statistic: its level beside the glass in the barest part of the field over that on the blank,
    and what the metal shows of it over what the stated alloy gives. Null: one of the two near or
    below one: what lies between the deposits lies there instead of on them, and haze raises the
    main metal as well. A longer dwell raises both by one factor.
    """
    check = "dwell of one map"
    beyond = beyond_composition(seen)
    glass = [e for e, s in zip(seen.elements, seen.signs, strict=True)
             if s < 0 and e in plate.elements]  # fmt: skip
    if beyond is None or not glass or beyond.main not in plate.elements:
        return [Finding(check, "blank", "not_examined")]
    haze, _ = _beside_glass(seen, plate, [beyond.main], glass)
    found, worst = [], 1.0
    for e, (on_metal, error) in beyond.ratios.items():
        if e not in plate.elements or not haze > 1 / LONGER:
            continue
        less, less_error = _beside_glass(seen, plate, [e], glass)
        if not less > 0:
            continue
        bare = 1 / less
        worst = max(worst, min(bare, on_metal))
        surely = bare * (1 - 3 * less_error / less) > LONGER and on_metal - 3 * error > LONGER
        if surely and 1 / ALIKE < bare / on_metal < ALIKE:
            found.append(Finding(
                check, e, "doubtful", min(bare, on_metal), LONGER,
                f"{e} shows {bare:.2g} times the blank's counts on the barest glass and "
                f"{on_metal:.2g} times what the stated alloy gives on the metal, as a map that was "
                "counted longer than the others does",
                "state the dwell time, or map all lines in one run with the blank",
                withholds=(("verdict", e), ("shares", e), ("shares", "metal")),
            ))  # fmt: skip
    return found or [Finding(check, "blank", value=worst, limit=LONGER)]


def excess_throws_shadow(seen: Observed, plate: Observed) -> list[Finding]:
    """Find what the barest part of the field shows beyond the blank without dimming the glass.

    Statistic: part of the blank's glass lines that is missing in the barest fifth of the field,
    against `LEAST_SHADOW` of what a layer that gives the excess must take, by the field's own loss
    of glass a count of metal (see `shadow.shadows`), in standard errors. Null: at least that; thin
    layers take more a count. Asked only where the loss exceeds what two doses differ by.
    """
    check = "excess over the blank"
    metals = [k for k in np.flatnonzero(seen.signs > 0).tolist() if seen.alive[k]]
    glass = [e for e, s in zip(seen.elements, seen.signs, strict=True)
             if s < 0 and e in plate.elements]  # fmt: skip
    made = squares(seen) if glass and metals else None
    barest = _barest(seen, glass) if made is not None else None
    if made is None or barest is None:
        return [Finding(check, "blank", "not_examined")]
    ours, theirs, variance = 0.0, 0.0, 0.0
    for e in glass:
        k, j = seen.index(e), plate.index(e)
        level = float(plate.planes[j].sum(dtype=np.float64)) / plate.n
        ours += float(barest[0][k] / barest[1])
        theirs += level
        variance += seen.gain[k] * level / float(barest[1]) + plate.gain[j] * level / plate.n
    lost, error = 1 - ours / theirs, float(np.sqrt(variance)) / theirs
    found, worst = [], 0.0
    for k in np.flatnonzero((seen.signs >= 0) & seen.alive).tolist():
        e = seen.elements[k]
        if e not in plate.elements:
            continue
        level = float(plate.planes[plate.index(e)].sum(dtype=np.float64)) / plate.n
        excess = float(barest[0][k] / barest[1]) - level
        surely = excess - KNOWN_Z * float(np.sqrt(_count_variance(seen, plate, k, barest)))
        least = surely * _least_loss(made, k, metals, glass) / theirs
        z = (least - lost) / error
        if least < DOSES_DIFFER:
            continue
        worst = max(worst, z)
        if z > DOSE_Z:
            found.append(Finding(
                check, e, "doubtful", z, DOSE_Z,
                f"between the deposits {e} gives {excess:.2g} counts a pixel more than on the "
                f"blank, and the glass there is no dimmer for it ({100 * lost:.0f} % less, "
                f"{100 * least:.0f} % at least under a layer): it lies in the glass, or counts of "
                "another line fall into its map",
                f"look for {e} in the spectrum of a spot between the deposits",
                withholds=(("verdict", e), ("shares", e)),
            ))  # fmt: skip
    return found or [Finding(check, "blank", value=worst, limit=DOSE_Z)]


def _least_loss(made: Squares, k: int, metals: list[int], glass: list[str]) -> float:
    """Return the least counts of glass that a count of a map costs if it lies above the glass."""
    partners = [m for m in metals if m != k]
    which = [made.seen.index(e) for e in glass]
    if not partners:
        return 0.0
    ratio, tolerance = counts_per_mass(made.seen, k, partners)
    return LEAST_SHADOW * glass_per_count(made, which, partners) * ratio * min(1.0, 2.0 / tolerance)


def _count_variance(seen: Observed, plate: Observed, k: int, barest: tuple[Array, Array]) -> Any:
    """Return the variance of the mean of a map on the barest glass less that on the blank."""
    j = plate.index(seen.elements[k])
    mine = seen.gain[k] * max(float(barest[0][k]), 1.0) / float(barest[1]) ** 2
    return mine + plate.gain[j] * max(float(plate.mean[j]) * plate.n, 1.0) / plate.n**2

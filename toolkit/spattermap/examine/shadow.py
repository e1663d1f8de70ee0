"""Physics as a test: metal that gives counts dims the glass under it, and lines keep their sign."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.core.errors import InputError
from spattermap.examine.alignment import aligning
from spattermap.examine.finding import Answer, Finding
from spattermap.examine.observed import Observed, block_sums
from spattermap.xrays import relative_sensitivity

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[Any]

SQUARE_PX = 6
SHADOW_Z = 4.0
# A shadow is looked for where it would stand out by this many standard errors.
SEEN_Z = 6.0
# The part of the computed shadow that must be there. The sensitivities are known to a factor,
# and thin films throw more shadow a count than the thick metal they are compared with.
LEAST_SHADOW = 0.3
LEAST_FOUND = 0.25  # of what the stated alloy must give, tolerance taken off
OWN_Z = 8.0  # structure of its own, in standard errors, before a map is asked for its shadow
SIGN_Z = 8.0
NOT_KNOWN = 5.0  # tolerance where no line or beam energy is known
# A map has next to no structure below this part of another's; and lies as glass or metal does from
# this correlation with the glass lines.
FEATURELESS, LIKE_IT = 0.12, 0.7
MINOR = 10.0  # mass percent below which a constituent of the glass may go unseen in its map
AMBIENT = ("O", "C", "N", "H")  # oxide puts them on the metal as well


@dataclass(frozen=True)
class Squares:
    """Means of squares of the field and their covariance freed of counting noise.

    Parameters
    ----------
    seen : Observed
        The maps.
    away : numpy.ndarray, dims (element, square)
        Means of the squares less the mean of the field.
    cov : numpy.ndarray, dims (element, element)
        Covariance of the material.
    noise : numpy.ndarray, dims (element,)
        Noise variance of one square.
    """

    seen: Observed
    away: Floats
    cov: Floats
    noise: Floats

    @property
    def n(self) -> int:
        """Number of squares."""
        return int(self.away.shape[1])

    def sum_of(self, which: list[int]) -> Floats:
        """Return a sum of maps (square,)."""
        return np.asarray(self.away[which].sum(axis=0))


def squares(seen: Observed) -> Squares | None:
    """Return the squares of a field, None where there are too few."""
    if "squares" not in seen.memo:
        seen.memo["squares"] = _squares(seen)
    made: Squares | None = seen.memo["squares"]
    return made


def _squares(seen: Observed) -> Squares | None:
    sums, pixels = block_sums(seen.planes, seen.valid, SQUARE_PX)
    use = pixels > 0.6 * SQUARE_PX**2
    if np.count_nonzero(use) < 60:
        return None
    mean = sums[:, use] / pixels[use]
    away = mean - mean.mean(axis=1, keepdims=True)
    finite = np.where(np.isfinite(seen.noise), seen.noise, 0.0)
    noise = finite / float(pixels[use].mean())
    cov = away @ away.T / away.shape[1] - np.diag(noise)
    return Squares(seen, away, cov, noise)


def shadows(seen: Observed) -> list[Finding]:
    """Find metals with structure of their own that do not dim the glass under it.

    Statistic: change of the glass lines a count of the metal, its partners held, against the
    change that their own counts make, in standard errors. Null: at least `LEAST_SHADOW` of it,
    scaled by the sensitivities of the lines: thick metal lets no glass through, and a thin layer
    costs more glass a count than a thick one.
    """
    check = "shadow on the glass"
    glass = [k for k in np.flatnonzero(seen.signs < 0).tolist() if seen.alive[k]]
    metals = [k for k in np.flatnonzero(seen.signs > 0).tolist() if seen.alive[k]]
    made = squares(seen) if glass and len(metals) > 1 else None
    if made is None:
        return [Finding(check, finding="not_examined")]
    found, worst = [], 0.0
    examined = False
    for k in np.flatnonzero((seen.signs >= 0) & seen.alive):
        one = _shadow_of(made, int(k), glass, [m for m in metals if m != k])
        if one is None:
            continue
        examined = True
        z, share = one
        worst = max(worst, z)
        if z > SHADOW_Z:
            e = seen.elements[k]
            found.append(Finding(
                check, e, "doubtful", z, SHADOW_Z,
                f"{e} lies in places of its own but throws {100 * max(share, 0):.0f} % of the "
                "shadow on the glass lines that as much metal must throw: its map is misplaced "
                f"or of another field, or {e} lies in the glass",
                f"map {e} again together with the other lines, in one run",
                withholds=(("verdict", e), ("shares", e)), drops=(e,),
            ))  # fmt: skip
    return found or [Finding(check, finding="sound" if examined else "not_examined",
                             value=worst, limit=SHADOW_Z)]  # fmt: skip


def _shadow_of(
    made: Squares, k: int, glass: list[int], partners: list[int]
) -> tuple[float, float] | None:
    """Return how far a shadow falls short (standard errors), and the part of it that is there."""
    if not partners:
        return None
    e, m, g = made.away[k], made.sum_of(partners), made.sum_of(glass)
    cov = made.cov
    c_ee = cov[k, k]
    c_mm = cov[np.ix_(partners, partners)].sum()
    c_em, c_gm = cov[k, partners].sum(), cov[np.ix_(glass, partners)].sum()
    c_ge = cov[glass, k].sum()
    if not (c_mm > 0 and c_ee > 0 and c_gm < 0):
        return None
    follow = c_em / c_mm
    own = c_ee - follow * c_em
    raw = e - follow * m
    own_error = np.sqrt(2 / made.n) * float(np.mean(raw**2))
    m_error = float(np.sqrt(np.mean((g * m - c_gm) ** 2) / made.n))
    if own < OWN_Z * own_error or own < 0.05 * c_ee or -c_gm < SEEN_Z * m_error:
        return None
    partial = c_ge - c_gm * follow
    slope = partial / own
    rest = g - slope * raw - (c_gm / c_mm) * m
    error = float(np.sqrt(np.mean((raw * rest) ** 2) / made.n)) / own
    ratio, tolerance = counts_per_mass(made.seen, k, partners)
    least = LEAST_SHADOW * (c_gm / c_mm) * ratio * min(1.0, 2.0 / tolerance)
    if -least / LEAST_SHADOW < SEEN_Z * error:
        return None
    return (slope - least) / error, slope / (least / LEAST_SHADOW)


def counts_per_mass(seen: Observed, k: int, partners: list[int]) -> tuple[float, float]:
    """Return counts of the partners in the alloy over counts of the pure element, both thick."""
    parts = seen.known.alloy
    share = sum(np.nan_to_num(parts.get(seen.elements[j], 0.0)) for j in partners) / 100
    share = float(share) or 0.5
    beam = seen.known.beam_energy_keV
    names = [seen.lines[k], *(seen.lines[j] for j in partners)]
    if beam is None or not all(names):
        return share, NOT_KNOWN
    try:
        sums, tolerance = 0.0, 1.0
        for j in partners:
            one = relative_sensitivity(seen.lines[j], seen.lines[k], beam)
            part = np.nan_to_num(parts.get(seen.elements[j], 0.0)) / 100 or 1 / len(partners)
            sums += part * one.ratio
            tolerance = max(tolerance, one.tolerance)
    except InputError:
        return share, NOT_KNOWN
    return float(sums), tolerance


def glass_dims(seen: Observed) -> list[Finding]:
    """Find a main glass line that metal does not dim although it dims the other glass lines.

    Statistic: relative change of the line a count of metal less `LEAST_SHADOW` of that of the
    other glass lines, in standard errors. Null: not above zero; oxygen may lie on the metal too.
    """
    check = "glass under metal"
    glass = [k for k in np.flatnonzero(seen.signs < 0).tolist() if seen.alive[k]]
    metals = [k for k in np.flatnonzero(seen.signs > 0).tolist() if seen.alive[k]]
    made = squares(seen) if len(glass) > 1 and metals else None
    if made is None:
        return [Finding(check, finding="not_examined")]
    m = made.sum_of(metals)
    c_mm = made.cov[np.ix_(metals, metals)].sum()
    if not c_mm > 0:
        return [Finding(check, finding="not_examined")]
    slope, error = {}, {}
    for k in glass:
        c = made.cov[k, metals].sum()
        slope[k] = c / c_mm / seen.mean[k]
        rest = made.away[k] - c / c_mm * m
        error[k] = float(np.sqrt(np.mean((m * rest) ** 2) / made.n)) / c_mm / seen.mean[k]
    found, worst = [], 0.0
    # Lines of minor constituents stand on a continuum that rises under metal: the main one only.
    solid = [k for k in glass if seen.elements[k] not in AMBIENT]
    for k in sorted(solid, key=lambda k: -seen.mean[k])[:1]:
        e = seen.elements[k]
        others = [slope[j] for j in glass if j != k and slope[j] < -SEEN_Z * error[j]]
        if e in seen.known.alloy or not others:
            continue
        wanted = max(others)  # the least dimmed of them
        if -wanted < SEEN_Z * error[k]:
            continue
        z = (slope[k] - LEAST_SHADOW * wanted) / error[k]
        worst = max(worst, z)
        if z > 6.0:
            found.append(Finding(
                check, e, "faulty", z, 6.0,
                f"{e} does not dim under the metal although the other glass lines do: its map is "
                f"misplaced or of another field, or {e} lies in the metal too",
                f"export {e} anew from the same run",
                withholds=(("verdict", e), ("shares", e)), drops=(e,),
            ))  # fmt: skip
    return found or [Finding(check, value=worst, limit=6.0)]


def labels(seen: Observed) -> list[Finding]:
    """Find maps whose names were exchanged: an alloy element moves as glass, glass as metal.

    Statistic: sum of what a map shares with all others, each taken with the sign that their roles
    foresee, in standard errors. Null: positive; a metal that lies apart makes one sum negative,
    exchanged names make two of opposite roles negative.
    """
    check = "names of the maps"
    ready = aligning(seen)
    if ready is None or not (seen.signs > 0).any() or not (seen.signs < 0).any():
        return [Finding(check, finding="not_examined")]
    shared = ready.shared * np.outer(seen.signs, seen.signs)
    np.fill_diagonal(shared, 0.0)
    z = shared.sum(axis=1) / (ready.error * np.sqrt(max(1, len(seen.elements) - 1)))
    z = np.where(seen.alive, z, 0.0)
    # A minor line of the glass stands on a continuum that rises with the metal, by a factor of
    # two or three; the map of a metal is nearly dark on the glass.
    made = squares(seen)
    if made is None:
        return [Finding(check, finding="not_examined")]
    with np.errstate(divide="ignore", invalid="ignore"):
        contrast = np.nan_to_num(np.sqrt(np.maximum(np.diag(made.cov), 0)) / seen.mean)
    bold = contrast > 0.4 * contrast.max()
    bad = [int(k) for k in np.flatnonzero(z < -SIGN_Z)]
    wrong_metal = [k for k in bad if seen.signs[k] > 0]
    wrong_glass = [
        k for k in bad
        if seen.signs[k] < 0 and seen.elements[k] not in seen.known.alloy and bold[k]
        and (wrong_metal or seen.elements[k] not in AMBIENT)
    ]  # fmt: skip
    if wrong_metal and wrong_glass:
        a = ", ".join(seen.elements[k] for k in wrong_metal)
        b = ", ".join(seen.elements[k] for k in wrong_glass)
        names = tuple(seen.elements[k] for k in (*wrong_metal, *wrong_glass))
        held: list[tuple[Answer, str]] = [
            ("verdict", "all"), ("shares", "all"), ("shares", "metal"), ("coverage", ""),
            ("connection", "all"), ("sizes", "all"),
        ]  # fmt: skip
        return [Finding(
            check, "all", "faulty", float(-z[[*wrong_metal, *wrong_glass]].max()), SIGN_Z,
            f"what is named {a} lies where the glass is and what is named {b} where the metal is: "
            "the names of these maps were exchanged",
            "correct the names of the files (or of the channels)",
            withholds=tuple(held), drops=names,
        )]  # fmt: skip
    worst = float(-z[seen.signs < 0].min()) if (seen.signs < 0).any() else 0.0
    return [Finding(check, value=max(worst, 0.0), limit=SIGN_Z)]


def strangers(seen: Observed) -> list[Finding]:
    """Find maps of no role that stand where a stated element should, whose own map is featureless.

    Statistic: structure of the stated element over that of the stranger. Null: an element that was
    stated shows its structure; `labels` sees exchanges between alloy and glass, this one others.
    Of minor constituents of the glass next to nothing may show beside a film of another metal.
    """
    check = "names and strangers"
    others = [k for k in np.flatnonzero(seen.signs == 0).tolist() if seen.alive[k]]
    glass = [k for k in np.flatnonzero(seen.signs < 0).tolist() if seen.alive[k]]
    made = squares(seen) if others and glass else None
    if made is None:
        return [Finding(check, finding="not_examined")]
    found, worst = [], 1.0
    size = np.sqrt(np.maximum(np.diag(made.cov), 0.0))
    for j in others:
        scatter = np.sqrt(2 / made.n) * float(np.mean(made.away[j] ** 2))
        if made.cov[j, j] < OWN_Z * scatter:
            continue
        for k in np.flatnonzero(seen.signs).tolist():
            e = seen.elements[k]
            least = FEATURELESS * size[j]
            stands_in = seen.signs[k] * _beside(made, j, [g for g in glass if g != k])
            if e in AMBIENT or not seen.alive[k] or stands_in > -LIKE_IT:
                continue
            if seen.signs[k] < 0 and seen.known.substrate.get(e, np.nan) < MINOR:  # NaN: not stated
                continue
            worst = min(worst, float(size[k] / size[j]))
            if size[k] >= least:
                continue
            both = (seen.elements[j], e)
            where = "metal" if seen.signs[k] > 0 else "glass"
            found.append(Finding(
                check, both[0], "faulty", float(size[k] / size[j]), FEATURELESS,
                f"{both[0]}, which nobody stated, lies where the {where} is, and {e}, which was "
                "stated, shows next to nothing there: the names of their maps were exchanged, or "
                "what was stated is another material",
                "check the names of the files, and what the deposit and the plate are made of",
                withholds=tuple((what, one) for one in both for what in ("verdict", "shares")),
            ))  # fmt: skip
    return found or [Finding(check, value=worst, limit=FEATURELESS)]


def _beside(made: Squares, j: int, glass: list[int]) -> float:
    """Return the correlation of a map with glass lines, freed of counting noise."""
    whole = float(made.cov[np.ix_(glass, glass)].sum()) * float(made.cov[j, j])
    return float(made.cov[j, glass].sum() / np.sqrt(whole)) if glass and whole > 0 else 0.0


def _missing(check: str, seen: Observed, k: int, main: int, beam: float) -> Finding | None:
    """Return a finding where next to nothing of a stated alloy element was counted anywhere."""
    try:
        one = relative_sensitivity(seen.lines[k], seen.lines[main], beam)
    except InputError:
        return None
    parts = seen.known.alloy
    sums, pixels = block_sums(seen.planes[main][None], seen.valid, SQUARE_PX)
    bare = float(np.quantile(sums[0][pixels > 0] / pixels[pixels > 0], 0.05))
    foreseen = parts[seen.elements[k]] / parts[seen.elements[main]] * one.ratio
    wanted = foreseen * (float(seen.mean[main]) - bare) / one.tolerance
    e, value = seen.elements[k], float(seen.mean[k]) / max(wanted, 1e-12)
    if wanted * seen.n / float(seen.gain[k]) < 200 or value > LEAST_FOUND:
        return None
    return Finding(
        check, e, "doubtful", value, LEAST_FOUND,
        f"all of the map of {e}, background included, holds {100 * value:.2g} % of the counts that "
        "the stated alloy must give: small counts were cut off, the wrong line was mapped, or the "
        "alloy is another",
        f"export {e} as raw counts; check its line and the composition",
        withholds=(("verdict", e), ("shares", e), ("shares", "metal")),
    )  # fmt: skip


def composition(seen: Observed) -> list[Finding]:
    """Find alloy elements of which the metal shows more than the stated alloy can give.

    Statistic: counts that go with the main alloy element, a count of it, over what the
    composition and the sensitivities foresee. Null: at most the tolerance of the sensitivities;
    less than foreseen is common, because metals evaporate.
    """
    check = "composition of the metal"
    metals = [k for k in np.flatnonzero(seen.signs > 0).tolist() if seen.alive[k]]
    beam, parts = seen.known.beam_energy_keV, seen.known.alloy
    known = [
        k for k in metals if np.isfinite(parts.get(seen.elements[k], np.nan)) and seen.lines[k]
    ]
    made = squares(seen) if beam is not None and len(known) > 1 else None
    if made is None or beam is None:
        return [Finding(check, finding="not_examined")]
    # Against the main metal: that a minor one is short (it evaporated, or lies apart) is common.
    main = max(known, key=lambda k: parts[seen.elements[k]])
    m = made.away[main]
    c_mm = float(made.cov[main, main])
    m_error = float(np.sqrt(2 / made.n) * np.mean(m**2))
    if c_mm < 6 * m_error:
        return [Finding(check, finding="not_examined")]
    found, worst = [], 0.0
    for k in known:
        if k == main:
            continue
        missing = _missing(check, seen, k, main, beam)
        if missing is not None:
            found.append(missing)
            continue
        c_em = float(made.cov[k, main])
        error = float(np.sqrt(np.mean((made.away[k] * m - c_em) ** 2) / made.n))
        if c_em < 5 * error:
            continue
        try:
            one = relative_sensitivity(seen.lines[k], seen.lines[main], beam)
        except InputError:
            continue
        foreseen = parts[seen.elements[k]] / parts[seen.elements[main]] * one.ratio
        limit = 1.3 * one.tolerance
        ratio = float(c_em / c_mm / foreseen)
        low = ratio * (1 - 3 * error / c_em)
        worst = max(worst, ratio / limit)
        if low > limit:
            e = seen.elements[k]
            # A minor element that outnumbers the main one: the two may have changed names.
            both = (e, seen.elements[main]) if c_em / c_mm > 1 > foreseen else (e,)
            held: list[tuple[Answer, str]] = [("shares", "metal")]
            for name in both:
                held += [("verdict", name), ("shares", name)]
            found.append(Finding(
                check, e, "doubtful", ratio, limit,
                f"the metal shows {ratio:.2g} times as much {e} as the stated alloy gives: the map "
                "was counted longer than the others, names were exchanged, or the alloy is another",
                "state the dwell time, or map all lines in one run; check the composition",
                withholds=tuple(held),
            ))  # fmt: skip
    return found or [Finding(check, value=worst, limit=1.0)]

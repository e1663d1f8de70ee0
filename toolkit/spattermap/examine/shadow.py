"""Physics as a test: metal that gives counts dims the glass under it, and lines keep their sign."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spattermap.core.arrays import Array, Bools
from spattermap.core.errors import InputError, atomic_number
from spattermap.examine.alignment import aligning
from spattermap.examine.finding import Answer, Finding
from spattermap.examine.observed import Observed, block_sums
from spattermap.xrays import relative_sensitivity

SQUARE_PX = 6
SHADOW_Z = 4.0
# Between the deposits, where what is thin must cost three times as much: the null lies that far
# beyond the limit, so less is asked.
FAINT_Z = 3.2
# A shadow is looked for where it would stand out by this many standard errors.
SEEN_Z = 6.0
# The part of the computed shadow that must be there. The sensitivities are known to a factor,
# and thin films throw more shadow a count than the thick metal they are compared with.
LEAST_SHADOW = 0.3
# A hundred nanometres of copper dim Si Ka by half at 15 to 20 keV and give about a seventh of
# thick copper's counts (single scattering): so much more a count than thick metal.
THIN_COSTS = 3.0
# Thick metal takes all of every glass line, so they dim by one part; of thin films softer lines
# lose more, oxygen's 1.6 times as much as silicon's.
LEAST_OF_GLASS = 0.5
THIN = 0.6  # part of its level on metal below which what lies between the deposits is thin
BARE_PART = 0.4  # of the squares, those with least of the partners
NAMES_OFF = 5.0  # times more than that limit: other names, or another alloy
LEAST_FOUND = 0.25  # of what the stated alloy must give, tolerance taken off
OWN_Z = 8.0  # structure of its own, in standard errors, before a map is asked for its shadow
SIGN_Z = 8.0
DIMS_Z = 6.0
NOT_KNOWN = 5.0  # tolerance where no line or beam energy is known
# A map has next to no structure below this part of another's; and lies as glass or metal does from
# this correlation with the glass lines.
FEATURELESS, LIKE_IT = 0.12, 0.7
# What is not there rises on copper by no more than this, its continuum by 2.7; and what is there
# rises by that much more.
RISE, APART = 3.5, 1.5
MINOR = 10.0  # mass percent below which a constituent of the glass may go unseen in its map
AMBIENT = ("O", "C", "N", "H")  # oxide puts them on the metal as well


@dataclass(frozen=True)
class Squares:
    """Means of squares of the field and their covariance freed of counting noise."""

    seen: Observed  # the maps
    away: Array  # means of the squares less the mean of the field; dims (element, square)
    cov: Array  # covariance of the material; dims (element, element)
    noise: Array  # noise variance of one square; dims (element,)

    @property
    def n(self) -> int:
        """Number of squares."""
        return int(self.away.shape[1])

    def sum_of(self, which: list[int]) -> Array:
        """Return a sum of maps (square,)."""
        return np.asarray(self.away[which].sum(axis=0))

    def part(self, where: Bools) -> Squares:
        """Return some of the squares, with the noise that counts of their own level have."""
        away = self.away[:, where]
        level = self.seen.mean + away.mean(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            noise = self.noise * np.clip(np.nan_to_num(level / self.seen.mean), 0.0, None)
        away = away - away.mean(axis=1, keepdims=True)
        return Squares(self.seen, away, away @ away.T / away.shape[1] - np.diag(noise), noise)


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
    main = _main_of(seen, metals)
    for k in np.flatnonzero((seen.signs >= 0) & seen.alive):
        partners = [m for m in metals if m != k]
        told = []
        asked: list[tuple[Bools | None, float]] = [(None, SHADOW_Z)]
        if k == main and _beside(made, int(k), glass) < -LIKE_IT:
            continue  # it dims the glass; that the others cost more, lying thin between, is theirs
        if k != main:  # a minor element that lies between the deposits is no yardstick of them
            asked.append((_bare_squares(made, partners), FAINT_Z))
        for where, limit in asked:
            one = _shadow_of(made, int(k), glass, partners, where) if partners else None
            if one is not None:
                told.append((one[0] / limit, one[1]))
        if not told:
            continue
        examined = True
        part, share = max(told)
        worst = max(worst, part * SHADOW_Z)
        if part > 1:
            e = seen.elements[k]
            found.append(Finding(
                check, e, "doubtful", part * SHADOW_Z, SHADOW_Z,
                f"{e} lies in places of its own but throws {100 * max(share, 0):.0f} % of the "
                "shadow on the glass lines that as much metal must throw: its map is misplaced "
                f"or of another field, or {e} lies in the glass",
                f"map {e} again together with the other lines, in one run",
                withholds=(("verdict", e), ("shares", e)), drops=(e,),
            ))  # fmt: skip
    return found or [Finding(check, finding="sound" if examined else "not_examined",
                             value=worst, limit=SHADOW_Z)]  # fmt: skip


def _main_of(seen: Observed, metals: list[int]) -> int:
    """Return the metal of most stated mass, or of most counts where none is stated."""
    stated = {k: float(np.nan_to_num(seen.known.alloy.get(seen.elements[k], 0.0))) for k in metals}
    if len(set(stated.values())) > 1:
        return max(stated, key=lambda k: stated[k])
    return max(metals, key=lambda k: float(seen.mean[k]))


def _stated_metals(seen: Observed) -> list[int]:
    """Return the metals whose mass in the alloy and whose line are stated."""
    parts = seen.known.alloy
    return [
        k for k in np.flatnonzero((seen.signs > 0) & seen.alive).tolist()
        if np.isfinite(parts.get(seen.elements[k], np.nan)) and seen.lines[k]
    ]  # fmt: skip


def _bare_squares(made: Squares, partners: list[int]) -> Bools:
    """Return the squares that hold least of the partners."""
    metal = made.sum_of(partners)
    return np.asarray(metal <= np.quantile(metal, BARE_PART))


def _shadow_of(
    made: Squares, k: int, glass: list[int], partners: list[int], where: Bools | None
) -> tuple[float, float] | None:
    """Return how far a shadow falls short (standard errors), and the part of it that is there.

    `where` are the squares looked at, None for all: between the deposits the glass is even, so
    that a faint shadow stands out, and what lies there is thin.
    """
    costs = glass_per_count(made, glass, partners)
    if not costs > 0:
        return None
    part = made if where is None else made.part(where)
    e, m, g = part.away[k], part.sum_of(partners), part.sum_of(glass)
    shared = float(part.cov[np.ix_(partners, partners)].sum())
    # Partners that do not vary here beyond their noise explain nothing here.
    held = shared > 6 * np.sqrt(2 / part.n) * float(np.mean(m**2))
    follow = float(part.cov[k, partners].sum()) / shared if held else 0.0
    along = float(part.cov[np.ix_(glass, partners)].sum()) / shared if held else 0.0
    c_ee = float(part.cov[k, k])
    own = c_ee - follow * float(part.cov[k, partners].sum())
    raw = e - follow * m
    if not c_ee > 0 or own < 0.05 * c_ee:
        return None
    if own < OWN_Z * np.sqrt(2 / part.n) * float(np.mean(raw**2)):
        return None
    partial = float(part.cov[glass, k].sum()) - along * follow * shared
    slope = partial / own
    rest = g - slope * raw - along * m
    error = float(np.sqrt(np.mean((raw * rest) ** 2) / part.n)) / own
    ratio, tolerance = counts_per_mass(made.seen, k, partners)
    thin = where is not None
    if where is not None and not _is_thin(made, k, partners, where):
        return None
    whole = -costs * ratio * (THIN_COSTS if thin else 1.0)
    least = whole * LEAST_SHADOW * min(1.0, 2.0 / tolerance)
    if -whole < SEEN_Z * error:
        return None
    return (slope - least) / error, slope / whole


def glass_per_count(made: Squares, glass: list[int], metals: list[int]) -> float:
    """Return the counts of glass that a count of metal costs, at least; 0 where not known."""
    m, g = made.sum_of(metals), made.sum_of(glass)
    c_mm = float(made.cov[np.ix_(metals, metals)].sum())
    c_gm = float(made.cov[np.ix_(glass, metals)].sum())
    error = float(np.sqrt(np.mean((g * m - c_gm) ** 2) / made.n))
    if not (c_mm > 0 and -c_gm > SEEN_Z * error):
        return 0.0
    # A variance that is noise itself would make the cost of a count as large as one likes.
    most = c_mm + 3 * np.sqrt(2 / made.n) * float(np.mean(m**2))
    return float(-c_gm / most)


def _is_thin(made: Squares, k: int, partners: list[int], where: Bools) -> bool:
    """Say whether a map shows much less in some squares than where its partners are thickest."""
    mean = made.away[k]
    metal = made.sum_of(partners)
    base = float(np.median(mean[where]))
    on_metal = float(np.mean(mean[metal >= np.quantile(metal, 0.9)])) - base
    return float(np.quantile(mean[where], 0.98)) - base < THIN * on_metal


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


def metal_dims(seen: Observed) -> list[Finding]:
    """Find metals that, all together, do not dim the glass.

    Statistic: change of all glass lines a count of metal, in standard errors. Null: at least
    `LEAST_SHADOW` of what thick metal costs, the bare glass for the counts of the thick alloy,
    which the bare glass itself tells by the sensitivities of the lines.
    """
    check = "glass under the deposit"
    glass = [k for k in np.flatnonzero(seen.signs < 0).tolist() if seen.alive[k]]
    metals = [k for k in np.flatnonzero(seen.signs > 0).tolist() if seen.alive[k]]
    made = squares(seen) if glass and metals else None
    thick = _thick_alloy(seen, glass, metals) if made is not None else None
    if made is None or thick is None:
        return [Finding(check, finding="not_examined")]
    m, g = made.sum_of(metals), made.sum_of(glass)
    c_mm = float(made.cov[np.ix_(metals, metals)].sum())
    c_gm = float(made.cov[np.ix_(glass, metals)].sum())
    if c_mm < OWN_Z * np.sqrt(2 / made.n) * float(np.mean(m**2)):
        return [Finding(check, finding="not_examined")]
    if _other_film_between(seen, made, m):
        return [Finding(check, finding="not_examined")]
    slope = c_gm / c_mm
    error = float(np.sqrt(np.mean((m * (g - slope * m)) ** 2) / made.n)) / c_mm
    counts, tolerance = thick
    least = -LEAST_SHADOW / counts * min(1.0, 2.0 / tolerance)
    if -least / LEAST_SHADOW < SEEN_Z * error:
        return [Finding(check, finding="not_examined")]
    z = (slope - least) / error
    if z <= DIMS_Z:
        return [Finding(check, value=z, limit=DIMS_Z)]
    return [Finding(
        check, "all", "faulty", z, DIMS_Z,
        "the glass is no dimmer where the metal is: the maps of the metal are not of the field "
        "that the maps of the glass show",
        "map all lines in one run",
        withholds=(("verdict", "all"), ("shares", "all"), ("shares", "metal"), ("coverage", ""),
                   ("connection", "all"), ("sizes", "all")),
    )]  # fmt: skip


def _other_film_between(seen: Observed, made: Squares, metal: Array) -> bool:
    """Say whether a map of neither role lies where the metal does not: that film may dim more."""
    for k in np.flatnonzero((seen.signs == 0) & seen.alive).tolist():
        both = metal * made.away[k]
        if both.mean() < -SEEN_Z * float(np.sqrt(both.var() / made.n)):
            return True
    return False


def _thick_alloy(seen: Observed, glass: list[int], metals: list[int]) -> tuple[float, float] | None:
    """Return counts of the thick alloy a count of the bare glass, and the tolerance of that."""
    beam = seen.known.beam_energy_keV
    if beam is None or not all(seen.lines[k] for k in (*glass, *metals)):
        return None
    ratios, tolerance = [], 1.0
    alloy, plate = seen.known.alloy, seen.known.substrate
    for g in glass:
        part = np.nan_to_num(plate.get(seen.elements[g], np.nan)) / 100
        if not part > 0.2 or seen.elements[g] in AMBIENT:
            continue
        total = 0.0
        for m in metals:
            try:
                one = relative_sensitivity(seen.lines[m], seen.lines[g], beam)
            except InputError:
                return None
            total += np.nan_to_num(alloy.get(seen.elements[m], np.nan)) / 100 * one.ratio
            tolerance = max(tolerance, one.tolerance)
        share = float(seen.mean[g] / seen.mean[glass].sum())
        ratios.append(total / part * share)
    return (float(np.mean(ratios)), tolerance) if ratios and ratios[0] > 0 else None


def glass_dims(seen: Observed) -> list[Finding]:
    """Find a main glass line that metal does not dim although it dims the other glass lines.

    Statistic: relative change of the line a count of metal less `LEAST_OF_GLASS` of that of the
    other glass lines, or of what a film of the metal leaves of that, in standard errors. Null: not
    above zero; oxygen may lie on the metal too.
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
        z = (slope[k] - LEAST_OF_GLASS * wanted) / error[k]
        if z > 6.0:  # some metals stop oxygen's soft line and let silicon's through
            other = next(j for j in glass if slope[j] == wanted)
            z = (slope[k] - LEAST_OF_GLASS * _film_ratio(seen, k, other) * wanted) / error[k]
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


def _film_ratio(seen: Observed, k: int, other: int) -> float:
    """Return the least ratio by which a film of the metal dims line k against another, at most 1.

    By the layer model; the Monte Carlo of ``tests/reference/layers`` gives silicon 0.09 of oxygen
    under titanium, 0.10 under molybdenum, 0.9 under copper. 1 where too little is stated.
    """
    from spattermap.xrays.layers import layer_model

    known = seen.known
    alloy = {e: 1.0 if np.isnan(part) else part for e, part in known.alloy.items()}
    glass = {e: 1.0 if np.isnan(part) else part for e, part in known.substrate.items()}
    names = (seen.elements[k], seen.elements[other])
    if known.beam_energy_keV is None or not alloy or not set(names) <= set(glass):
        return 1.0
    try:
        model = layer_model(dict(zip(names, (seen.lines[k], seen.lines[other]), strict=True)),
                            alloy, glass, beam_energy_keV=known.beam_energy_keV)  # fmt: skip
    except InputError:
        return 1.0
    gone, beside = (1.0 - model.lines[e].substrate[1:] for e in names)
    return float(min(1.0, np.min(gone / np.maximum(beside, 1e-6))))


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
    found = found or _on_metal_instead(check, seen, made)
    return found or [Finding(check, value=worst, limit=FEATURELESS)]


def _on_metal_instead(check: str, seen: Observed, made: Squares) -> list[Finding]:
    """Return findings on maps of no role that rise on the metal as one of its elements does not.

    Statistic: level on the metal over that beside it, in standard errors from the squares. Null:
    continuum rises with the mean atomic number, 2.7 times from silica to copper (Kramers, Phil.
    Mag. 46 (1923) 836), and what rises by more is an element: the one that was stated.
    """
    metals = np.flatnonzero((seen.signs > 0) & seen.alive).tolist()
    if len(metals) < 2:
        return []
    main = _main_of(seen, metals)
    m = made.away[main]
    beside, on = m <= np.quantile(m, BARE_PART), m >= np.quantile(m, 0.95)
    limit = RISE * max(1.0, atomic_number(seen.elements[main]) / atomic_number("Cu"))
    levels = [seen.mean + made.away[:, where].mean(axis=1) for where in (beside, on)]
    low, high = (np.maximum(level, 1e-12) for level in levels)
    spread = [made.away[:, where].std(axis=1, ddof=1) / np.sqrt(np.count_nonzero(where)) / level
              for where, level in ((beside, low), (on, high))]  # fmt: skip
    rise, error = high / low, np.hypot(*spread) * high / low
    found = []
    for j in np.flatnonzero((seen.signs == 0) & seen.alive).tolist():
        if not rise[j] - SEEN_Z * error[j] > limit:
            continue
        for k in metals:
            apart = rise[j] - APART * rise[k] - SEEN_Z * np.hypot(error[j], APART * error[k])
            if k == main or not (rise[k] < limit and apart > 0):
                continue
            both = (seen.elements[j], seen.elements[k])
            found.append(Finding(
                check, both[0], "doubtful", float(rise[j]), limit,
                f"{both[0]}, which nobody stated, is {rise[j]:.2g} times brighter on the metal "
                f"than beside it and {both[1]}, which was stated, {rise[k]:.2g} times, as "
                "continuum is: the names of their maps were exchanged, or the alloy is another",
                "check the names of the files, and what the deposit is made of",
                withholds=tuple((what, one) for one in both for what in ("verdict", "shares")),
            ))  # fmt: skip
    return found


def _beside(made: Squares, j: int, glass: list[int]) -> float:
    """Return the correlation of a map with glass lines, freed of counting noise."""
    whole = float(made.cov[np.ix_(glass, glass)].sum()) * float(made.cov[j, j])
    return float(made.cov[j, glass].sum() / np.sqrt(whole)) if glass and whole > 0 else 0.0


def _without_main(check: str, seen: Observed) -> list[Finding]:
    """Return a finding where the main metal has no structure and another alloy element has."""
    beam, parts = seen.known.beam_energy_keV, seen.known.alloy
    metals = _stated_metals(seen)
    made = squares(seen) if beam is not None and len(metals) > 1 else None
    if made is None or beam is None:
        return []
    scatter = np.sqrt(2 / made.n) * (made.away**2).mean(axis=1)
    clearest = max(metals, key=lambda k: float(made.cov[k, k] / max(scatter[k], 1e-12)))
    if made.cov[clearest, clearest] < OWN_Z * scatter[clearest]:
        return []
    main = _main_of(seen, metals)
    try:
        one = relative_sensitivity(seen.lines[main], seen.lines[clearest], beam)
    except InputError:
        return []
    a, b = seen.elements[main], seen.elements[clearest]
    both = made.away[main] * made.away[clearest]
    foreseen = parts[a] / parts[b] * one.ratio * float(made.cov[clearest, clearest])
    error = float(both.std() / np.sqrt(made.n))
    share = float(made.cov[main, clearest]) / foreseen
    if main == clearest or not share + 4 * error / foreseen < LEAST_FOUND / one.tolerance:
        return []
    return [Finding(
        check, a, "doubtful", share, LEAST_FOUND / one.tolerance,
        f"{a}, the main metal, shows {100 * max(share, 0):.2g} % of the structure that the stated "
        f"alloy must give it beside {b}: the names of the maps were exchanged, the wrong line was "
        "mapped, or the alloy is another",
        "check the names of the files, the line, and what the deposit is made of",
        withholds=(("verdict", "all"), ("shares", "all"), ("shares", "metal")),
    )]  # fmt: skip


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


@dataclass(frozen=True)
class Beyond:
    """What goes with the main metal, over what the stated alloy gives of it."""

    main: str
    ratios: dict[str, tuple[float, float]]  # by element, and the standard error
    # Counts a count of the main metal in the stated alloy, and the factor that this is known to.
    foreseen: dict[str, tuple[float, float]]


def beyond_composition(seen: Observed) -> Beyond | None:
    """Return what the metal shows of each element over the stated alloy; None where unknown."""
    if "beyond" not in seen.memo:
        seen.memo["beyond"] = _beyond(seen)
    made: Beyond | None = seen.memo["beyond"]
    return made


def _beyond(seen: Observed) -> Beyond | None:
    beam, parts = seen.known.beam_energy_keV, seen.known.alloy
    known = _stated_metals(seen)
    made = squares(seen) if beam is not None and len(known) > 1 else None
    if made is None or beam is None:
        return None
    # Against the main metal: that a minor one is short (it evaporated, or lies apart) is common.
    main = _main_of(seen, known)
    m, c_mm = made.away[main], float(made.cov[main, main])
    if c_mm < 6 * np.sqrt(2 / made.n) * float(np.mean(m**2)):
        return None
    ratios, foreseen = {}, {}
    for k in known:
        e = seen.elements[k]
        c_em = float(made.cov[k, main])
        error = float(np.sqrt(np.mean((made.away[k] * m - c_em) ** 2) / made.n))
        if k == main or c_em < 5 * error:
            continue
        try:
            one = relative_sensitivity(seen.lines[k], seen.lines[main], beam)
        except InputError:
            continue
        counts = parts[e] / parts[seen.elements[main]] * one.ratio
        ratios[e] = (c_em / c_mm / counts, error / c_mm / counts)
        foreseen[e] = (counts, one.tolerance)
    return Beyond(seen.elements[main], ratios, foreseen)


def composition(seen: Observed) -> list[Finding]:
    """Find alloy elements of which the metal shows more than the stated alloy can give.

    Statistic: counts that go with the main alloy element, a count of it, over what the
    composition and the sensitivities foresee. Null: at most the tolerance of the sensitivities;
    less than foreseen is common, because metals evaporate.
    """
    check = "composition of the metal"
    beam, beyond = seen.known.beam_energy_keV, beyond_composition(seen)
    if beyond is None or beam is None:
        return _without_main(check, seen) or [Finding(check, finding="not_examined")]
    parts, main = seen.known.alloy, seen.index(beyond.main)
    found, worst = [], 0.0
    for k in np.flatnonzero((seen.signs > 0) & seen.alive).tolist():
        e = seen.elements[k]
        if k == main or not np.isfinite(parts.get(e, np.nan)) or not seen.lines[k]:
            continue
        missing = _missing(check, seen, k, main, beam)
        if missing is not None:
            found.append(missing)
            continue
        if e not in beyond.ratios:
            continue
        ratio, error = beyond.ratios[e]
        counts, tolerance = beyond.foreseen[e]
        limit = 1.3 * tolerance
        worst = max(worst, ratio / limit)
        if ratio - 3 * error > limit:
            # A minor element that outnumbers the main one: the two may have changed names.
            both: tuple[str, ...] = (e, beyond.main) if ratio * counts > 1 > counts else (e,)
            held: list[tuple[Answer, str]] = [("shares", "metal")]
            if ratio - 3 * error > NAMES_OFF * limit:  # no dwell does that: no name is believed
                both = ("all",)
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

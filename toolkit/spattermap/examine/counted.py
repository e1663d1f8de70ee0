"""Are the values what they are said to be: counts, raw, each map of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from spattermap.core.arrays import Array
from spattermap.core.squares import whole_squares
from spattermap.examine.finding import Answer, Finding, Mend
from spattermap.examine.observed import FINE_PX, Observed, block_sums, white_products
from spattermap.noise.few_pixels import FEW, OWNED, variance_of_few

HISTOGRAM_Z = 6.0
# Pixels of one value from which a bar of the histogram is compared with its neighbours.
LEAST_PIXELS = 40
# Noise of a difference or a sum of maps over what independent counts give: a copy 0, percent 0.
LEAST_NOISE = 0.5
# Quiet blocks (32 px) that must scatter more, or less, than counting makes them.
MOST_DISPERSION = 1.15
LEAST_DISPERSION = 0.72
# What all maps that can tell show together (their median) is known better: the sound fields of the
# bench stay below 1.02, a black level set one count too high gives 1.1 to 1.6.
MOST_TOGETHER = 1.05
# White noise beyond counting over the whole of a map, as a part of it, and in standard errors: the
# sound fields of the bench stay below 3; ones found, the other maps are asked for less.
MOST_WHITE, WHITE_Z, WHITE_Z_OF_OTHERS = 0.05, 5.5, 3.0
# Noise that grows otherwise than with the value: slope of its logarithm less one, over all blocks.
MOST_CURVED = 0.35
LEAST_FLATNESS = 0.55
LEAST_EVEN = 0.35
TAKEN = "; taken as intensity"  # how the loader ends a note on whole numbers that are no counts
QUIET_PX = 32
COMMON_TOP = 200  # maps that all end at one value of at least this were stretched to it
FEW_LEVELS = 40
SATURATED = 0.003  # share of pixels at a largest value that was cut off
EVENED_Z = 7.0  # standard normal deviates below what counting makes of the sums of lines
LEAST_OF_LINE = 20.0  # counts a line on average before its sums are compared
SUBTRACTED_Z = 7.0
# Sum over all lags of the squared autocorrelation of white noise after the filter of
# `white_products`: (1 + 2 (2/3)^2 + 2 (1/6)^2)^2.
LAGS = 3.78
MOST_SPARSE = 1.0  # counts a pixel: only few counts are all multiplied to one value
LEAST_STRETCHED = 40  # pixels of lines that hold one value above one
LINKED_PX = 6  # squares in which maps rise together before their noise is compared ...
PRESENT = 5.0  # ... by so many standard errors
LEAST_BLOCKS, LEAST_COUNTED = 9, 200.0  # below these the white noise of a map is not known
LEAST_FLAT_LINES = 32  # lines, or squares, below which their scatter is not known


def no_signal(seen: Observed) -> list[Finding]:
    """Find maps without a single count, or with one value throughout.

    Statistic: range of the values. Null: counts of a mean above zero differ.
    """
    check = "empty map"
    found = []
    for k, element in enumerate(seen.elements):
        values = seen.planes[k][seen.valid]
        if not values.size or np.ptp(values) > 0:
            continue
        value = float(values[0])
        if value == 0 and seen.signs[k] == 0:
            continue  # nobody says that it should be there, and nothing is
        found.append(Finding(
            check, element, "faulty", value, 0.0,
            f"the map of {element} holds {value:g} in every pixel: it was not measured or not "
            "exported",
            f"export the map of {element} anew",
            withholds=(("verdict", element), ("shares", element)), drops=(element,),
        ))  # fmt: skip
    return found or [Finding(check)]


def one_top(seen: Observed) -> list[Finding]:
    """Find maps that were stretched to one largest value, each on its own.

    Statistic: the largest value of every map. Null: counts of different lines end at different
    values.
    """
    check = "stretched for display"
    tops = [float(seen.planes[k].max()) for k in np.flatnonzero(seen.alive)]
    if seen.carried or len(tops) < 2 or seen.known.quantity not in ("counts", "intensity"):
        return [Finding(check, finding="not_examined")]
    top = max(tops)
    same = float(np.mean([one >= 0.995 * top for one in tops]))
    limit = 0.75
    if top < COMMON_TOP or same < limit or (top != int(top)):
        return [Finding(check, value=same, limit=limit)]
    mends: tuple[Mend, ...] = ()
    if seen.known.quantity == "counts":
        mends = (Mend("intensity", "all", "taken as brightness, not as counts"),)
    held: list[tuple[Answer, str]] = [("verdict", "all"), ("shares", "all"), ("shares", "metal")]
    levels = np.median([np.unique(seen.planes[k]).size for k in np.flatnonzero(seen.alive)])
    if levels < FEW_LEVELS:  # so few steps of brightness that outlines follow them
        held += [("coverage", ""), ("connection", "all"), ("sizes", "all")]
    return [Finding(
        check, "all", "faulty", same, limit,
        f"the maps all end at {top:g}: each was stretched on its own, so brightness cannot be "
        "compared between elements nor taken as counts",
        "export the counts (16-bit TIFF or text), not pictures",
        mends=mends, withholds=tuple(held),
    )]  # fmt: skip


def histogram(seen: Observed) -> list[Finding]:
    """Find maps of whole numbers whose histogram no Poisson counts can have.

    Statistic: ``2 ln n_v - ln n_(v-1) - ln n_(v+1) + ln(v / (v+1))`` in standard errors, largest
    over v. Null: whatever the rates of the pixels, v! p_v are moments of exp(-rate), so their
    logarithm is convex (Cauchy and Schwarz) and the statistic is not above zero. Values that are
    missing, cut off, raised or stretched break it. From memory: Karlis & Xekalaki, Int. Stat.
    Rev. 73 (2005) 35, on mixed Poisson distributions.
    """
    check = "values that counts have"
    if not seen.counts:
        return _as_read(check, seen)
    found, worst = [], 0.0
    for k, element in enumerate(seen.elements):
        if not seen.alive[k]:
            continue
        values = seen.planes[k][seen.valid]
        if values.dtype.kind == "f" and not np.array_equal(values, np.rint(values)):
            found.append(_not_counts(check, element, 1.0, 0.0, f"{element} holds parts of counts"))
            continue
        z, at = convexity(values)
        worst = max(worst, z)
        if z > HISTOGRAM_Z:
            found.append(_raised_or_odd(seen, check, k, z, at))
    return _together(found, seen) or [Finding(check, value=worst, limit=HISTOGRAM_Z)]


def _as_read(check: str, seen: Observed) -> list[Finding]:
    """Return what reading the file has found already: whole numbers that are no counts."""
    notes = [str(one) for one in (seen.known.source or {}).get("notes", ())]
    said = [one for one in notes if one.endswith(TAKEN)]
    if not said:
        return [Finding(check, finding="not_examined")]
    what = said[0].removeprefix("Warning: ").removesuffix(TAKEN)
    held: list[tuple[Answer, str]] = [("verdict", "all"), ("shares", "all"), ("sizes", "all")]
    return [Finding(
        check, "all", "faulty", 1.0, 0.0,
        f"{what}; the noise was estimated from the maps themselves", "export raw counts",
        withholds=tuple(held),
    )]  # fmt: skip


def brightness(seen: Observed) -> list[Finding]:
    """Find brightness that is a curve of counts, or was smoothed: its noise tells.

    Statistic: slope of ln noise on ln mean over quiet blocks of all maps, less one; and the noise
    at the finest scale over that at twice the scale. Null: 0 and 1 for counts times any factor.
    """
    check = "noise of the brightness"
    if seen.carried or seen.known.quantity != "intensity":
        return [Finding(check, finding="not_examined")]
    flats = [_flatness(seen, int(k)) for k in np.flatnonzero(seen.alive)]
    known = [one for one in flats if np.isfinite(one)]
    flat = float(np.median(known)) if known else 1.0
    bent = _is_bent(seen)
    if not bent and flat >= LEAST_EVEN:
        return [Finding(check, value=flat, limit=LEAST_EVEN)]
    held: tuple[tuple[Answer, str], ...] = (
        ("verdict", "all"), ("shares", "all"), ("sizes", "all"), ("coverage", ""),
        ("connection", "all"), ("shares", "metal"),
    )  # fmt: skip
    how = "is no straight measure of counts" if bent else "was smoothed or interpolated"
    return [Finding(
        check, "all", "faulty", flat, LEAST_EVEN,
        f"the noise of the maps shows that their brightness {how}, so nothing tells signal from "
        "noise in them", "export raw counts", withholds=held,
    )]  # fmt: skip


def _flatness(seen: Observed, k: int) -> float:
    """Return the white noise of one map at the finest scale over that at twice the scale."""
    with np.errstate(divide="ignore", invalid="ignore"):
        fine, wide, _, _ = _noise_of_blocks(seen, k)
        ratio = fine / wide
    ratio = ratio[np.isfinite(ratio)]
    return float(np.median(ratio)) if ratio.size else float("nan")


def convexity(values: Array) -> tuple[float, int]:
    """Return the largest violation of the convexity of a histogram, and the value it is at."""
    whole = values.astype(np.int64)
    n = np.bincount(np.minimum(whole, 400), minlength=3).astype(np.float64)
    n[-1] = 0 if whole.max() > 400 else n[-1]
    n = np.append(np.concatenate([[0.0], n]), 0.0)  # before zero stands nothing: no statement
    v = np.arange(-1, n.size - 1, dtype=np.float64)
    middle = np.flatnonzero((n >= LEAST_PIXELS) & (v >= 1) & (v < 400))
    if not middle.size:
        return 0.0, 0
    left, right = np.maximum(n[middle - 1], 0.5), np.maximum(n[middle + 1], 0.5)
    gap = 2 * np.log(n[middle]) - np.log(left) - np.log(right)
    gap += np.log(v[middle] / (v[middle] + 1))
    error = np.sqrt(4 / n[middle] + 1 / (left + 0.5) + 1 / (right + 0.5))
    z = gap / error
    best = int(np.argmax(z))
    return float(z[best]), int(v[middle][best])


def _raised_or_odd(seen: Observed, check: str, k: int, z: float, at: int) -> Finding:
    """Tell a raised black level, which can be taken off, from what cannot be mended."""
    element = seen.elements[k]
    values = seen.planes[k][seen.valid].astype(np.int64)
    least = int(values.min())
    if least > 0 and convexity(values - least)[0] <= HISTOGRAM_Z:
        dispersion = _dispersion(seen, k, shift=least)[1]
        if dispersion < MOST_DISPERSION:
            return Finding(
                check, element, "faulty", z, HISTOGRAM_Z,
                f"every pixel of {element} holds at least {least}, more evenly than counts can: a "
                "constant was added to the map; it was taken off again",
                "switch the black level or offset of the export off",
                mends=(Mend("offset", element, f"{least} taken off", amount=(float(least),)),),
            )  # fmt: skip
    top = int(values.max())
    if at == top:
        share = float(np.mean(values == top))
        return Finding(
            check, element, "faulty" if share >= SATURATED else "doubtful", z, HISTOGRAM_Z,
            f"{100 * share:.2g} % of the pixels of {element} hold the largest value {top}: it was "
            "cut off there, so where most of it lies is not known",
            f"export {element} with a larger range",
            withholds=(("verdict", element), ("shares", element)) if share >= SATURATED else (),
        )  # fmt: skip
    return _not_counts(
        check, element, z, HISTOGRAM_Z,
        f"values of {element} are missing beside {at}: small counts were dropped or the values "
        "stretched",
    )  # fmt: skip


def _not_counts(check: str, element: str, z: float, limit: float, what: str) -> Finding:
    return Finding(
        check, element, "faulty", z, limit,
        f"{what}, so they are no raw counts and their noise is not known",
        f"export {element} as raw counts",
        withholds=(("verdict", element), ("shares", element)),
    )  # fmt: skip


def _together(found: list[Finding], seen: Observed) -> list[Finding]:
    """Return findings with the noise estimated from the maps where most of them are no counts."""
    bad = [f for f in found if not f.mends and ("verdict", f.subject) in f.withholds]
    if len(bad) > 1:  # what was done to several maps was done by the export, to all
        bad = [replace(f, withholds=(*f.withholds, ("verdict", "all"))) for f in bad]
        found = [*bad, *(f for f in found if f.mends or ("verdict", f.subject) not in f.withholds)]
    if 2 * len(bad) < np.count_nonzero(seen.alive) or not bad:
        return found
    mend = Mend("intensity", "all", "the noise was estimated from the maps themselves")
    # Small regions of a noise that is not known are noise; where brightness is bent, or spread
    # over neighbours, outlines are not where they were.
    held: list[tuple[Answer, str]] = [("sizes", "all")]
    if _is_bent(seen) or _in_the_noise(seen):
        held += [("coverage", ""), ("connection", "all"), ("shares", "metal")]
    first = replace(bad[0], withholds=(*bad[0].withholds, *held))
    rest = [f for f in found if f is not bad[0]]
    return [replace(first, mends=(mend,)), *rest]


def _in_the_noise(seen: Observed) -> bool:
    """Say whether no map shows structure above the noise of its pixels, whose law is not known.

    The noise is that of differences over two pixels, so that smoothing by one pixel adds nothing.
    """
    for k in np.flatnonzero(seen.alive):
        noise = _noise_of_blocks(seen, int(k))[1]
        told = noise[np.isfinite(noise)]  # none in a field smaller than a block
        if told.size and float(seen.planes[k][seen.valid].var()) > 2 * told.mean():
            return False
    return True


def _is_bent(seen: Observed) -> bool:
    """Say whether the values are a curve of counts, by how the noise of blocks grows with them.

    Counts times a gain have a noise variance in proportion to the value; a root, a logarithm or a
    square has not (the slope of ln variance on ln mean is then 0, -1 or 3, delta method).
    """
    means, noises = [], []
    for k in np.flatnonzero(seen.alive):
        fine, _, sums, pixels = _noise_of_blocks(seen, int(k))
        good = (pixels > 0.5 * QUIET_PX**2) & (sums > 0) & (fine > 0)
        if np.count_nonzero(good) < 4:
            continue
        # The quietest blocks of each map: structure adds to the noise of the others.
        ratio = fine[good] / (sums[good] / pixels[good])
        quiet = ratio <= np.quantile(ratio, 0.25)
        means.append(float(np.mean(np.log((sums[good] / pixels[good])[quiet]))))
        noises.append(float(np.mean(np.log(fine[good][quiet]))))
    if len(means) < 3 or np.ptp(means) < np.log(3.0):
        return False
    slope = float(np.polyfit(means, noises, 1)[0])
    return abs(slope - 1) > MOST_CURVED


def _dispersion(seen: Observed, k: int, *, shift: float = 0.0) -> tuple[float, float, float]:
    """Return flatness, dispersion and its standard error from the quiet blocks of one map.

    Blocks with structure at the finest scale show too much; the lower quartile shows the rest.
    """
    fine, wide, sums, pixels = _noise_of_blocks(seen, k)
    sums = sums - shift * pixels
    good = (pixels > 0.5 * QUIET_PX**2) & (sums >= 100)
    if np.count_nonzero(good) < 4:
        return float("nan"), float("nan"), float("nan")
    mean = sums[good] / pixels[good]
    ratio = fine[good] / mean
    with np.errstate(divide="ignore", invalid="ignore"):
        flat = float(np.median(fine[good] / wide[good]))
    # Squares of the filtered noise are correlated over its nine pixels; single counts are skewed.
    error = np.sqrt((6.0 + 0.5 / mean) / pixels[good])
    quiet = float(np.quantile(ratio, 0.25))
    return flat, quiet, float(np.median(error))


def _noise_of_blocks(seen: Observed, k: int) -> tuple[Array, Array, Array, Array]:
    """Return white variance of blocks at two spacings, their sums and their pixels."""
    name = f"noise of blocks {k}"
    if name not in seen.memo:
        plane, side = seen.planes[k], QUIET_PX
        sums = whole_squares(plane, side)
        white = (_squares(plane, *_filtered(seen, step), step, side) for step in (1, 2))
        seen.memo[name] = (*white, sums, _filtered(seen, 0)[1])
    found: tuple[Array, Array, Array, Array] = seen.memo[name]
    return found


def _white_beyond_counts(seen: Observed, k: int) -> tuple[float, float]:
    """Return white noise beyond counting, as a part of the mean, and in standard errors.

    Structure with sharp edges has a spectrum that falls with the cube of the wavenumber, so that
    twice the spacing shows at least twice as much of it, and noise the same: what is white is at
    most twice the finest less the next. The error is that of the blocks, or of counts if larger.
    """
    fine, wide, sums, pixels = _noise_of_blocks(seen, k)
    good = (pixels > 0.5 * QUIET_PX**2) & np.isfinite(fine) & np.isfinite(wide)
    counted = float(sums[good].sum())
    blocks = int(np.count_nonzero(good))
    if blocks < LEAST_BLOCKS or counted < LEAST_COUNTED:
        return 0.0, 0.0
    beyond = (2 * fine - wide)[good] * pixels[good] - sums[good]
    n = float(pixels[good].sum())
    of_counts = np.sqrt(5 * (6 + 0.5 * n / counted) / n)  # two filters, variances 4 and 1
    error = max(of_counts, float(np.sqrt(blocks) * beyond.std(ddof=1)) / counted)
    part = float(beyond.sum()) / counted
    return part, part / error


def _filtered(seen: Observed, step: int) -> tuple[Array, Array]:
    """Return where the whole mask of a spacing was seen, and how many such pixels a block has."""
    name = f"filtered at {step}"
    if name not in seen.memo:
        use = seen.valid
        if step:
            use = use[: -2 * step] & use[step:-step] & use[2 * step :]
            use = use[:, : -2 * step] & use[:, step:-step] & use[:, 2 * step :]
            use = np.pad(use, step)
        seen.memo[name] = (use, whole_squares(use, QUIET_PX))
    found: tuple[Array, Array] = seen.memo[name]
    return found


def _squares(plane: Array, use: Array, number: Array, step: int, side: int) -> Array:
    """Return the white variance of each block at a spacing of the mask."""
    p = plane.astype(np.float32)
    down = p[: -2 * step] - 2 * p[step:-step] + p[2 * step :]
    both = down[:, : -2 * step] - 2 * down[:, step:-step] + down[:, 2 * step :]
    squares = np.zeros(plane.shape, np.float32)
    np.square(both, out=squares[step:-step, step:-step])
    squares *= use
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(whole_squares(squares, side) / 36 / number)


def scatter(seen: Observed) -> list[Finding]:
    """Find maps of counts that scatter more, or less, than counting makes them.

    Statistic: variance at the finest scale over the mean, lower quartile of blocks of 32 px; the
    same scale over twice the scale; and what is white of the whole map over its counts. Null: 1
    for counts; structure adds to the first.
    """
    check = "scatter of counts"
    if not seen.counts:
        return [Finding(check, finding="not_examined")]
    found, worst = [], 1.0
    clear = []  # element, dispersion free of structure, its error
    for k, element in enumerate(seen.elements):
        flat, quiet, error = _dispersion(seen, k)
        if not np.isfinite(quiet):
            continue
        worst = quiet if abs(quiet - 1) > abs(worst - 1) else worst
        low, high = LEAST_DISPERSION - 3 * error, MOST_DISPERSION + 3 * error
        shared = _structure_at_finest(seen, k)
        clear.append((element, quiet - shared, error))
        if low <= quiet and (quiet - shared <= high):
            continue
        found.append(_odd_scatter(check, element, quiet, flat, low if quiet < 1 else high))
    found = found or _white_in_some(check, seen)
    if not found and len(clear) > 1:
        found = _all_scatter(check, clear, seen)
    together = _together(found, seen)
    return together or [Finding(check, value=worst, limit=MOST_DISPERSION)]


def _white_in_some(check: str, seen: Observed) -> list[Finding]:
    """Return findings of maps with more white noise than counting makes."""
    told = {int(k): _white_beyond_counts(seen, int(k)) for k in np.flatnonzero(seen.alive)}
    if not any(part > MOST_WHITE and z > WHITE_Z for part, z in told.values()):
        return []
    return [
        _not_counts(
            check, seen.elements[k], 1 + part, 1 + MOST_WHITE,
            f"pixels of {seen.elements[k]} scatter {1 + part:.3g} times as much as counts, each "
            "on its own: counts were cut off or added to, or pixels moved",
        )
        for k, (part, z) in told.items() if part > MOST_WHITE and z > WHITE_Z_OF_OTHERS
    ]  # fmt: skip


def _all_scatter(
    check: str, clear: list[tuple[str, float, float]], seen: Observed
) -> list[Finding]:
    """Return findings of all maps where together they scatter more than counts."""
    middle = float(np.median([one[1] for one in clear]))
    limit = MOST_TOGETHER + 0.5 * float(np.median([one[2] for one in clear]))
    if middle <= limit:
        return []
    what = (
        f"quiet areas scatter {middle:.2f} times as much as counts in all maps alike: counts were "
        "cut off or added to in every pixel"
    )
    return [_not_counts(check, e, middle, limit, what)
            for k, e in enumerate(seen.elements) if seen.alive[k]]  # fmt: skip


def _odd_scatter(check: str, element: str, quiet: float, flat: float, limit: float) -> Finding:
    if quiet < 1:
        how = "were smoothed or interpolated" if flat < LEAST_FLATNESS else "were scaled or cut"
        what = f"neighbouring pixels of {element} differ by {100 * quiet:.0f} % of what counting "
        what += f"makes them: they {how}"
    else:
        what = f"pixels of {element} scatter {quiet:.3g} times as much as counts"
    return _not_counts(check, element, quiet, limit, what)


def _structure_at_finest(seen: Observed, k: int) -> float:
    """Return what structure adds to the dispersion, from what the map shares with two others.

    One common cause gives ``V_k = C_kf C_kg / C_fg`` (Spearman, Am. J. Psychol. 15 (1904) 201).
    """
    white, best = seen.white, 0.0
    others = [j for j in range(len(seen.elements)) if j != k and seen.alive[j]]
    for a, f in enumerate(others):
        for g in others[a + 1 :]:
            shared = white[f, g]
            if abs(shared) > 0.02 * np.sqrt(white[f, f] * white[g, g]):
                best = max(best, white[k, f] * white[k, g] / shared)
    return float(best / max(seen.mean[k], 1e-30))


def evened(seen: Observed) -> list[Finding]:
    """Find maps whose rows or columns were brought to one sum, as pictures are freed of stripes.

    Statistic: squared differences of the sums of lines from their mean, over that mean, as a
    standard normal deviate (Wilson & Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684). Null: counts
    scatter at least so much; structure adds to it.
    """
    check = "sums of lines"
    if not seen.counts:
        return [Finding(check, finding="not_examined")]
    found: list[Finding] = []
    lowest = 0.0
    for axis in (0, 1):
        pixels = seen.valid.sum(axis=1 - axis)
        kept = pixels > 0.5 * pixels.max()
        if np.count_nonzero(kept) < LEAST_FLAT_LINES:
            continue
        sums = seen.planes.sum(axis=2 - axis, dtype=np.float64)[:, kept]
        expected = seen.mean[:, None] * pixels[kept]
        told = seen.alive & (expected.mean(axis=1) >= LEAST_OF_LINE)
        for k in np.flatnonzero(told):
            scale = sums[k].sum() / expected[k].sum()
            chi2 = float(((sums[k] - scale * expected[k]) ** 2 / (scale * expected[k])).sum())
            z = _deviate(chi2, int(np.count_nonzero(kept)) - 1)
            lowest = min(lowest, z)
            if z < -EVENED_Z and seen.elements[k] not in {f.subject for f in found}:
                word = "rows" if axis == 0 else "columns"
                found.append(_not_counts(
                    check, seen.elements[k], z, -EVENED_Z,
                    f"the {word} of {seen.elements[k]} hold more nearly one sum than counts can: "
                    "the map was evened out line by line",
                ))  # fmt: skip
    stretched = _stretched_lines(seen)
    if stretched:
        found.append(_not_counts(
            check, stretched[0], 1.0, 0.0,
            f"lines of {stretched[0]} hold one value above one and no ones: they were multiplied",
        ))  # fmt: skip
    if found:  # what makes lines even is a step of the export, done to every map
        found[0] = replace(found[0], withholds=(*found[0].withholds, ("verdict", "all"),
                                                ("shares", "all")))  # fmt: skip
    return _together(found, seen) or [Finding(check, value=lowest, limit=-EVENED_Z)]


def _stretched_lines(seen: Observed) -> list[str]:
    """Return maps with lines in which most pixels that hold anything hold one value above one.

    Of Poisson counts above zero at most 35 % are twos, whatever the rate (``x^2/2 / (e^x - 1)``),
    and fewer any larger value.
    """
    out = []
    for k in np.flatnonzero(seen.alive & (seen.mean < MOST_SPARSE)):
        for lines in (seen.planes[k], seen.planes[k].T):
            ones, twos, rest = ((lines == v).sum(axis=1) for v in (1, 2, 3))
            held = (lines > 0).sum(axis=1)
            most = np.maximum(twos, rest)
            odd = (ones == 0) & (held >= 5) & (most >= 0.7 * held)
            if int(held[odd].sum()) >= LEAST_STRETCHED:
                out.append(seen.elements[k])
                break
    return out


def _deviate(chi2: float, degrees: int) -> float:
    """Return a chi-square as a standard normal deviate."""
    part = 2.0 / (9.0 * degrees)
    return float((np.cbrt(chi2 / degrees) - (1.0 - part)) / np.sqrt(part))


def subtracted(seen: Observed) -> list[Finding]:
    """Find maps from which a part of another was taken, as a correction for overlapping lines.

    Statistic: mean product of a metal's map and another that is no glass line's, at the finest
    scale, in standard errors, where their sums over squares rise together. Null: counting noise of
    two lines is independent, and structure that they share in squares has no other sign within
    them unless grains finer than a pixel part them.
    """
    check = "maps taken off one another"
    which = np.flatnonzero(seen.alive & (seen.signs >= 0))
    if not seen.counts or which.size < 2 or not (seen.signs[which] > 0).any():
        return [Finding(check, finding="not_examined")]
    white, n = seen.white, min(seen.n, FINE_PX**2)
    sums, pixels = block_sums(seen.planes, seen.valid, LINKED_PX)
    use = pixels > 0.6 * LINKED_PX**2
    if np.count_nonzero(use) < LEAST_FLAT_LINES or not np.isfinite(white).all():
        return [Finding(check, finding="not_examined")]
    mean = sums[:, use] / pixels[use]
    away = mean - mean.mean(axis=1, keepdims=True)
    found, lowest = [], 0.0
    for i in which:
        for j in which[which > i]:
            if not max(seen.signs[i], seen.signs[j]) > 0:
                continue
            product = away[i] * away[j]
            together = product.mean() / max(product.std() / np.sqrt(product.size), 1e-30)
            if together < PRESENT:
                continue
            error = np.sqrt(LAGS * max(white[i, i] * white[j, j], 1e-30) / n)
            z = float(white[i, j] / error)
            lowest = min(lowest, z)
            if z < -SUBTRACTED_Z:
                one, other = sorted((seen.elements[i], seen.elements[j]),
                                    key=lambda e: float(seen.mean[seen.index(e)]))  # fmt: skip
                found.append(Finding(
                    check, one, "doubtful", z, -SUBTRACTED_Z,
                    f"where a pixel holds more counts of {other} by chance it holds less of {one}: "
                    "a part of one was taken off the other, by more than belongs to it, or grains "
                    "finer than a pixel part them",
                    f"export {one} without the correction for overlap, or from a fit of the "
                    "spectra",
                    withholds=tuple((what, e) for e in (one, other)
                                    for what in ("verdict", "shares")),
                ))  # fmt: skip
    unique = {f.subject: f for f in found}
    return list(unique.values()) or [Finding(check, value=lowest, limit=-SUBTRACTED_Z)]


def doubled(seen: Observed) -> list[Finding]:
    """Find maps enlarged by repeating pixels.

    Statistic: share of squares of 2 x 2 pixels, on the grid where it is largest, with one value
    only. Null: independent counts; beside it the same share on the grid one pixel further.
    """
    check = "repeated pixels"
    found, worst = [], 0.0
    for k, element in enumerate(seen.elements):
        plane = seen.planes[k]
        if not seen.alive[k] or min(plane.shape) < 16:
            continue
        right, down = plane[:, 1:] != plane[:, :-1], plane[1:] != plane[:-1]
        shares = []
        for differs in (right, down.T):
            even, odd = (float(np.mean(differs[:, start::2])) for start in (0, 1))
            shares.append(1 - min(even, odd) / max(even, odd, 1e-12))
        share = min(shares)
        worst = max(worst, share)
        if share > 0.9:
            found.append(Finding(
                check, element, "faulty", share, 0.9,
                f"the pixels of {element} are repeated in squares: the map was enlarged, so its "
                "noise is that of fewer pixels and small droplets are noise",
                "export at the resolution that was measured",
                withholds=(("verdict", element), ("shares", element)),
            ))  # fmt: skip
    if found and len(found) >= np.count_nonzero(seen.alive):
        one = replace(
            found[0], subject="all", mends=(Mend("coarsen", "all", "every second pixel used"),),
            consequence="the pixels are repeated in squares: the maps were enlarged before "
            "export; every second one was used", withholds=(),
        )  # fmt: skip
        return [one]
    return found or [Finding(check, value=worst, limit=0.9)]


def closure(seen: Observed) -> list[Finding]:
    """Find maps said to be counts that sum to one value in every pixel: percent.

    Statistic: noise of the sum of all maps over that of independent counts of as many. Null: 1;
    structure adds to it.
    """
    check = "sum of all maps"
    if not seen.counts or np.count_nonzero(seen.alive) < 2:
        return [Finding(check, finding="not_examined")]
    noise = float(white_products(seen.total[None], seen.valid)[0, 0])
    ratio = noise / max(float(seen.mean.sum()), 1e-30)
    values = seen.total[seen.valid]
    mean = float(values.mean())
    even = float(values.std()) < 0.05 * mean
    if not (ratio < LEAST_NOISE and even and mean * seen.n > 100):
        return [Finding(check, value=ratio, limit=LEAST_NOISE)]
    return [Finding(
        check, "all", "faulty", ratio, LEAST_NOISE,
        f"the maps sum to {mean:.3g} in every pixel: they are shares (percent), not counts, and "
        "shares of one element fall where another rises",
        'state quantity = "mass_percent" (or "atomic_percent") in mapset.toml, or export counts',
        mends=(Mend("percent", "all", "taken as mass percent"),),
        withholds=(("verdict", "all"), ("shares", "all"), ("sizes", "all")),
    )]  # fmt: skip


def copies(seen: Observed) -> list[Finding]:
    """Find maps that are a copy of another, times a constant.

    Statistic: noise of the difference of two maps (one scaled to the other) over that of
    independent counts. Null: 1 or more.
    """
    check = "copy of another map"
    found: list[Finding] = []
    worst = 1.0
    white, mean = seen.white, seen.mean
    for i in range(len(seen.elements)):
        for j in range(i + 1, len(seen.elements)):
            if not (seen.alive[i] and seen.alive[j] and white[i, j] > 0):
                continue
            factor = white[i, j] / white[j, j]
            rest = white[i, i] - factor * white[i, j]
            own = min(
                seen.gain[i] * mean[i] + factor**2 * seen.gain[j] * mean[j],
                white[i, i] + factor**2 * white[j, j],
            )
            if not own > 0 or mean[i] * seen.n < 50:
                continue
            ratio = float(rest / own)
            if not np.isfinite(ratio):
                continue
            worst = min(worst, ratio)
            if ratio < 0.25:
                a, b = seen.elements[i], seen.elements[j]
                why = f"the maps of {a} and {b} have the same noise: one is a copy of the other"
                found += [Finding(
                    check, e, "faulty", ratio, 0.25, why, f"export {a} and {b} anew",
                    withholds=(("verdict", e), ("shares", e)), drops=(e,),
                ) for e in (a, b)]  # fmt: skip
    unique = {f.subject: f for f in found}
    return list(unique.values()) or [Finding(check, value=worst, limit=0.25)]


def few_pixels(seen: Observed) -> list[Finding]:
    """Tell whether a few pixels own a map's variance: no fault, but correlations are then theirs.

    Statistic: share of the variance beyond noise in the brightest `FEW` of the pixels, less twice
    its error. Null: none; a lone droplet does the same, so nothing is withheld here (see
    ``pairs.csv``).
    """
    check = "few pixels"
    found, worst = [], 0.0
    for k, element in enumerate(seen.elements):
        if not seen.alive[k] or not np.isfinite(seen.noise[k]):
            continue
        few = variance_of_few(seen.planes[k][seen.valid], float(seen.noise[k]))
        worst = max(worst, np.nan_to_num(few.share))
        if few.own:
            found.append(Finding(
                check, element, "sound", few.share, OWNED,
                f"the brightest {100 * FEW:.1g} % of the pixels hold {100 * few.share:.0f} % of "
                f"the variance of {element} beyond noise: its correlations are given without them "
                "too",
            ))  # fmt: skip
    return found or [Finding(check, value=float(worst), limit=OWNED)]


def clipped(seen: Observed) -> list[Finding]:
    """Find maps cut off at the top.

    Statistic: share of the pixels at the largest value, over that of the next value. Null: the
    tail of counts thins out.
    """
    check = "cut off at the top"
    found, worst = [], 0.0
    for k, element in enumerate(seen.elements):
        values = seen.planes[k][seen.valid]
        if not seen.alive[k]:
            continue
        top = values.max()
        at = float(np.mean(values == top))
        below = values[values < top]
        if not below.size or top < 3:
            continue
        following = float(np.mean(values == below.max()))
        excess = at if at * values.size >= 30 and at > 4 * following else 0.0
        worst = max(worst, excess)
        if excess >= SATURATED:
            held: tuple[tuple[Answer, str], ...] = (("verdict", element), ("shares", element))
            found.append(Finding(
                check, element, "faulty", excess, SATURATED,
                f"{100 * at:.2g} % of the pixels of {element} hold the largest value {top:g}: it "
                "was cut off there, so where most of it lies is not known",
                f"export {element} with a larger range", withholds=held,
            ))  # fmt: skip
    return found or [Finding(check, value=worst, limit=SATURATED)]

"""Rows, columns, rectangles and pixels that hold no measurement."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from scipy import ndimage

from spattermap.core.arrays import Array, Bools, Singles
from spattermap.core.squares import Boxes, whole_boxes, whole_squares
from spattermap.examine.finding import Finding, Mend
from spattermap.examine.observed import Observed, block_sums, covered_by_boxes

# Counts that an empty place would have held by its surroundings: exp(-40) of a chance, a million
# places looked at.
EXPECTED = 40.0
# No place of a sound field emits less than this part of the darkest common place, all lines
# together: glass or metal always gives counts (common practice, no source).
DARKEST = 0.1
# Neighbours in a row are equal this often at most where values are counted; a run of equal values
# longer than `LONGEST_RUN`, or a square of `LEAST_SQUARE`, is none.
LONGEST_RUN = 40
LEAST_SQUARE = 7
# A part of one map that is lost costs that map from here on, below it costs the pixels.
MOST_MASKED = 0.1
HOT_Z = 9.0
OPEN_PX, AS_OPEN = 16, 0.95  # squares of bare glass, and how bright a gap must be beside them


def lost_everywhere(seen: Observed) -> list[Finding]:
    """Find rows, columns and rectangles that are empty or constant in all maps.

    Statistic: the sum of all maps over a row, column or square. Null: Poisson counts of at least
    a tenth of the darkest common rate; every real place emits some line.
    """
    check = "lost parts"
    alive = seen.planes[seen.alive]
    if not len(alive):
        return [Finding(check, finding="not_examined")]
    total = np.abs(seen.planes).sum(axis=0, dtype=np.float64) / _unit(seen)
    lost = _empty(seen, total, rate_of=DARKEST)
    if len(alive) > 1:
        still = np.ones(seen.shape, dtype=bool)
        for plane in alive:
            still &= _still(plane)
        lost |= still & seen.valid
    lost = _whole_lines(lost, seen.valid)
    part = float(np.count_nonzero(lost)) / max(seen.n, 1)
    if not lost.any():
        return [Finding(check, value=0.0, limit=0.0)]
    return [_lost(check, "all", lost, part, _where(lost))]


def lost_in_one(seen: Observed) -> list[Finding]:
    """Find rows, columns and rectangles that are empty or constant in one map.

    Statistic and null as `lost_everywhere`, against the darkest common rate of the map itself;
    natural gaps are told from lost ones by their outline, which is not a rectangle.
    """
    check = "lost parts of one map"
    found = []
    for k, element in enumerate(seen.elements):
        plane = seen.planes[k]
        if not seen.alive[k]:
            continue
        held = np.abs(plane) / seen.gain[k]  # a net map is empty where it is zero, not on average
        lost = _lines_empty(held, seen.valid)
        gaps = _empty(seen, held, rate_of=0.6, lines=False)
        lost |= _rectangular(gaps, partial(_filled_by_others, seen, k))
        still = _still(plane) & seen.valid
        if still.any():
            lost |= _rectangular(still)
        lost = _whole_lines(lost, seen.valid)
        if not lost.any():
            continue
        part = float(np.count_nonzero(lost)) / max(seen.n, 1)
        found.append(_lost(check, element, lost, part, _where(lost)))
    return found or [Finding(check, value=0.0, limit=0.0)]


def repeated_lines(seen: Observed) -> list[Finding]:
    """Find rows or columns that are a copy of their neighbour.

    Statistic: differences between neighbouring lines. Null: independent counts, whose lines of
    n pixels agree by chance with a probability below 0.6^n where they hold counts.
    """
    check = "repeated lines"
    found = []
    twins = [np.ones(n - 1, dtype=bool) for n in seen.shape]
    own = []
    for k in np.flatnonzero(seen.alive):
        plane = seen.planes[k]
        pair = []
        for axis in (0, 1):
            lines = plane if axis == 0 else plane.T
            use = seen.valid if axis == 0 else seen.valid.T
            both = use[1:] & use[:-1]
            differ = ((lines[1:] != lines[:-1]) & both).sum(axis=1)
            busy = (lines[1:] * both).astype(bool).sum(axis=1)
            pair.append((differ == 0) & (busy >= 25))
            twins[axis] &= (differ == 0) | (busy < 25)
        own.append((seen.elements[k], pair))
    for element, pair in own:
        for axis, same in enumerate(pair):
            if not same.any():
                continue
            lost = np.zeros(seen.shape, dtype=bool)
            lines = np.flatnonzero(same) + 1
            lost[(lines, slice(None)) if axis == 0 else (slice(None), lines)] = True
            part = float(lost.mean())
            word = "rows" if axis == 0 else "columns"
            if part > MOST_MASKED:
                found.append(Finding(
                    check, element, "faulty", float(lines.size), 0.0,
                    f"{lines.size} {word} of {element} are copies of their neighbours, so its "
                    "counts are not independent",
                    f"export {element} anew without interpolation or line doubling",
                    withholds=(("verdict", element), ("shares", element)), drops=(element,),
                ))  # fmt: skip
            else:
                said = f"{lines.size} {word} that repeat their neighbours"
                found.append(_lost(check, element, lost & seen.valid, part, said))
    return _merged(found) or [Finding(check, value=0.0, limit=0.0)]


def _merged(found: list[Finding]) -> list[Finding]:
    """Return one row where the same lines are lost in every map."""
    masks = [m.pixels for f in found for m in f.mends if m.pixels is not None]
    same = len(masks) > 1 and all(np.array_equal(m, masks[0]) for m in masks)
    if same and len(masks) == len(found):
        one = found[0]
        return [_lost(one.check, "all", masks[0], one.value, "lines that repeat their neighbours")]
    return found


def hot_pixels(seen: Observed) -> list[Finding]:
    """Find single pixels far above their eight neighbours.

    Statistic: excess over three times the mean of the neighbours, in standard deviations of
    counts. Null: no detail is smaller than a pixel, and metal that rises in one map rises in its
    partners and dims the glass.
    """
    check = "hot pixels"
    found: list[Finding] = []
    best = 0.0
    for k, element in enumerate(seen.elements):
        excess = _over_neighbours(seen, k)
        top = float(excess.max())
        best = max(best, top if np.isfinite(top) else 0.0)
        rows, columns = np.nonzero(excess > HOT_Z) if top > HOT_Z else ((), ())
        rows, columns = np.asarray(rows), np.asarray(columns)
        if not rows.size or rows.size > 0.005 * seen.n:
            continue
        kept = [
            (y, x)
            for y, x in zip(rows, columns, strict=True)
            if not _natural(seen, k, int(y), int(x))
        ]
        if not kept:
            continue
        mine = np.zeros(seen.shape, dtype=bool)
        mine[tuple(np.array(kept).T)] = True
        found.append(Finding(
            check, element, "doubtful", float(np.max(excess[mine])), HOT_Z,
            f"{len(kept)} pixels of {element} stand alone far above their neighbours; they were "
            "left out",
            "map the field again: what stays at its place is a grain, what moves is the detector",
            mends=(Mend("mask", element, f"{len(kept)} hot pixels left out", mine),),
        ))  # fmt: skip
    return found or [Finding(check, value=best, limit=HOT_Z)]


def _over_neighbours(seen: Observed, k: int) -> Singles:
    """Return the excess over what the neighbours allow, in standard deviations; (y, x)."""
    plane: Singles = seen.planes[k].astype(np.float32)
    if seen.gain[k] != 1:
        plane /= np.float32(seen.gain[k])
    likely = _neighbours(plane, seen.valid)
    np.maximum(likely, 0, out=likely)
    likely += np.sqrt(likely)
    likely += 0.5
    likely *= 3
    plane -= likely
    plane /= np.sqrt(likely, out=likely)
    plane[~seen.valid] = -np.inf
    return plane


def _neighbours(plane: Singles, valid: Bools) -> Singles:
    """Return the mean of the eight neighbours that are valid."""
    whole = bool(valid.all())
    sums = _sum_of_eight(plane if whole else np.where(valid, plane, 0))
    if not whole:
        sums /= np.maximum(_sum_of_eight(valid.astype(np.float32)), 1)
        return sums
    n = np.full(plane.shape, 8.0, np.float32)
    n[[0, -1]] = n[:, [0, -1]] = 5.0
    n[np.ix_([0, -1], [0, -1])] = 3.0
    sums /= n
    return sums


def _sum_of_eight(plane: Singles) -> Singles:
    """Return the sum of the eight neighbours, nothing lying beyond the border; (y, x)."""
    padded = np.pad(plane, 1)
    tall = padded[:-2] + padded[1:-1]
    tall += padded[2:]
    sums = tall[:, :-2] + tall[:, 2:]
    sums += padded[:-2, 1:-1]
    sums += padded[2:, 1:-1]
    return np.asarray(sums)


def _natural(seen: Observed, k: int, y: int, x: int) -> bool:
    """Say whether other maps bear a spike out: a partner rises too, or the glass dims."""
    box = (slice(max(0, y - 1), y + 2), slice(max(0, x - 1), x + 2))
    rises, dims = False, False
    for j in range(len(seen.elements)):
        if j == k or not seen.alive[j]:
            continue
        here = float(seen.planes[j, y, x]) / seen.gain[j]
        n = max(1, int(seen.valid[box].sum()) - 1)
        around = (float(seen.planes[j][box].sum()) / seen.gain[j] - here) / n
        z = (here - around) / np.sqrt(max(around, 0.5) * (1 + 1 / n))
        if seen.signs[j] < 0 and seen.signs[k] >= 0:
            if z > 5:
                return False  # the glass cannot brighten under metal
            dims |= z < -3
        else:
            rises |= z > 4
    return rises or dims


# --- how empty places are found --------------------------------------------------------------
def _unit(seen: Observed) -> float:
    """Return what one count adds to the sum of all maps."""
    if seen.counts:
        return 1.0
    return float(np.sum(seen.gain * seen.mean) / max(np.sum(seen.mean), 1e-30))


def _darkest(plane: Array, valid: Boxes | None) -> float:
    """Return the rate per pixel that 98 % of the blocks exceed that hold anything; 0 if unknown.

    The blocks are as large as it takes for those that hold anything to hold enough that none of
    them would be empty by chance.
    """
    for side in (4, 8, 16, 32, 64):
        if 3 * side > min(plane.shape):
            break
        parts = whole_squares(plane, side // 2)
        sums = parts[:-1, :-1] + parts[1:, :-1] + parts[:-1, 1:] + parts[1:, 1:]
        held = sums > 0
        if valid is not None:
            held &= valid.of(side, side, step=side // 2) == side * side
        darkest = float(np.quantile(sums[held], 0.02)) if held.any() else 0.0
        if darkest >= 12:
            return darkest / side**2
    return 0.0


def _empty(seen: Observed, plane: Array, *, rate_of: float, lines: bool = True) -> Bools:
    """Return pixels of boxes and whole lines that hold nothing where counts must be."""
    lost = np.zeros(plane.shape, dtype=bool)
    valid, boxes = seen.boxes_of_valid, None
    rate = rate_of * _darkest(plane, valid)
    if rate > 0:
        side = max(3, int(np.ceil(np.sqrt(EXPECTED / rate))))
        flat, long = max(2, -(-side // 3)), 3 * side
        for height, width in ((side, side), (flat, long), (long, flat)):
            if height > plane.shape[0] // 2 or width > plane.shape[1] // 2:
                continue
            nothing_is = 1e-6 * EXPECTED  # rounding of the running sums
            # Wherever it lies, a box holds one of these whole: if none is empty, no box is.
            within = whole_boxes(plane, (height + 1) // 2, (width + 1) // 2)
            if not within.min() < nothing_is and not plane.min() < 0:
                continue
            boxes = boxes or Boxes(plane)
            nothing = boxes.of(height, width) < nothing_is
            if valid is not None:
                nothing &= valid.of(height, width) == height * width
            # One box alone may be a gap that happens to be as large: ask for more of the same.
            if np.count_nonzero(nothing) > 0.2 * (height + width):
                lost |= covered_by_boxes(nothing, height, width, plane.shape)
    if lines:
        for axis in (0, 1):
            used = np.asarray(seen.valid.any(axis=1 - axis))
            empty = _empty_lines(plane.sum(axis=1 - axis), used)
            lost[(empty, slice(None)) if axis == 0 else (slice(None), empty)] = True
    return lost & seen.valid


def _empty_lines(sums: Array, used: Bools) -> Bools:
    """Return empty lines beside which the next lines hold enough."""
    out = np.zeros(sums.size, dtype=bool)
    empty = (sums == 0) & used
    runs, n = ndimage.label(empty)
    for run in range(1, n + 1):
        where = np.flatnonzero(runs == run)
        beside = [sums[i] for i in (where[0] - 1, where[-1] + 1) if 0 <= i < sums.size]
        if beside and min(beside) >= EXPECTED:
            out[where] = True
    return out


def _lines_empty(plane: Array, valid: Bools) -> Bools:
    """Return lines of one map that are empty between full ones, or to the border of the field."""
    lost = np.zeros(plane.shape, dtype=bool)
    for axis in (0, 1):
        sums = plane.sum(axis=1 - axis)
        empty = (sums == 0) & valid.any(axis=1 - axis)
        if not empty.any() or empty.all():
            continue
        held = sums[sums > 0]
        darkest = float(np.quantile(held, 0.05))
        runs, n = ndimage.label(empty)
        for run in range(1, n + 1):
            where = np.flatnonzero(runs == run)
            ends = [i for i in (where[0] - 1, where[-1] + 1) if 0 <= i < sums.size]
            beside = min(float(sums[i]) for i in ends)
            narrow = len(ends) == 2 and where.size <= 0.05 * sums.size and beside >= 2 * EXPECTED
            wide = darkest >= 5 and darkest * where.size >= EXPECTED and beside >= 15
            if narrow or wide:
                lost[(where, slice(None)) if axis == 0 else (slice(None), where)] = True
    return lost


def _still(plane: Array) -> Bools:
    """Return pixels of runs and squares of one value above zero, longer than counts can be."""
    shape = (plane.shape[0], plane.shape[1])
    out = np.zeros(shape, dtype=bool)
    above = plane > 0
    right = np.zeros(shape, dtype=bool)
    right[:, :-1] = (plane[:, 1:] == plane[:, :-1]) & above[:, 1:]
    if int(right.sum()) < LEAST_SQUARE * (LEAST_SQUARE - 1):
        return out
    down = np.zeros(shape, dtype=bool)
    down[:-1] = (plane[1:] == plane[:-1]) & above[1:]
    boxes = (
        (right, 1, LONGEST_RUN - 1, 1, LONGEST_RUN),
        (down, LONGEST_RUN - 1, 1, LONGEST_RUN, 1),
        (right & down, LEAST_SQUARE - 1, LEAST_SQUARE - 1, LEAST_SQUARE, LEAST_SQUARE),
    )
    for equal, height, width, tall, wide in boxes:
        if height >= shape[0] or width >= shape[1]:
            continue
        all_equal = _runs(_runs(equal.T, height).T, width)
        if all_equal.any():
            cut = all_equal[: shape[0] - tall + 1, : shape[1] - wide + 1]
            out |= covered_by_boxes(cut, tall, wide, shape)
    return out


def _runs(held: Bools, length: int) -> Bools:
    """Return where runs along the last axis begin that hold for a length."""
    run, reached = held, 1
    while reached < length and run.any():
        by = min(reached, length - reached)  # a run and the same one further on
        run = run[:, by:] & run[:, : run.shape[1] - by]
        reached += by
    return run


def _filled_by_others(seen: Observed, k: int, part: Bools) -> bool:
    """Say whether lines of the other kind fill a gap: glass is dark under metal, metal on glass."""
    others = [
        j for j in range(len(seen.elements)) if seen.signs[j] * seen.signs[k] < 0 and seen.alive[j]
    ]
    if not others:
        return False
    inside = float(seen.planes[others][:, part].sum()) / np.count_nonzero(part)
    if seen.signs[k] > 0:  # a wide gap between few droplets: glass as open as anywhere
        sums, pixels = block_sums(seen.planes[others], seen.valid, OPEN_PX)
        full = pixels > 0.9 * OPEN_PX**2
        if full.any():
            level = float(np.quantile(sums.sum(axis=0)[full] / pixels[full], 0.8))
            if inside >= AS_OPEN * level:
                return True
    return bool(inside > 1.3 * float(seen.mean[others].sum()))


def _rectangular(lost: Bools, natural: Callable[[Bools], bool] | None = None) -> Bools:
    """Return the connected parts that fill their frame, as no natural gap does."""
    if not lost.any():
        return lost
    labels, _ = ndimage.label(lost)
    out = np.zeros(lost.shape, dtype=bool)
    for label, box in enumerate(ndimage.find_objects(labels), start=1):
        part = labels[box] == label
        line = min(part.shape) <= 4 and max(part.shape) >= LONGEST_RUN
        whole = part.shape[0] == lost.shape[0] or part.shape[1] == lost.shape[1]
        if part.mean() >= 0.97 and (line or whole or max(part.shape) >= 12):
            here = np.zeros(lost.shape, dtype=bool)
            here[box] = part
            if natural is None or not natural(here):
                out |= here
    return out


def _whole_lines(lost: Bools, valid: Bools) -> Bools:
    """Return whole rows where most of a row at the border is lost: a strip with writing."""
    out = lost.copy()
    for axis in (0, 1):
        left = valid & ~out  # rows that are lost as a whole say nothing of the columns
        used = valid if axis == 0 else left | (lost & ~out.all(axis=1, keepdims=True))
        share = (lost & used).sum(axis=1 - axis) / np.maximum(used.sum(axis=1 - axis), 1)
        heavy = share >= 0.4
        if not heavy.any():
            continue
        runs, n = ndimage.label(
            ndimage.binary_closing(np.pad(heavy, 12), np.ones(9, dtype=bool))[12:-12]
        )
        for run in range(1, n + 1):
            where = np.flatnonzero(runs == run)
            at_border = where[0] <= 2 or where[-1] >= heavy.size - 3
            if at_border and where.size >= 4:
                first = 0 if where[0] <= 2 else where[0]
                last = heavy.size if where[-1] >= heavy.size - 3 else where[-1] + 1
                out[(slice(first, last), slice(None)) if axis == 0
                    else (slice(None), slice(first, last))] = True  # fmt: skip
    return out & valid


def _where(lost: Bools) -> str:
    """Return what is lost, in words."""
    rows, columns = lost.any(axis=1), lost.any(axis=0)
    full_rows = int(np.count_nonzero(lost.mean(axis=1) > 0.95))
    full_columns = int(np.count_nonzero(lost.mean(axis=0) > 0.95))
    if full_rows and full_rows == np.count_nonzero(rows):
        return f"{full_rows} rows"
    if full_columns and full_columns == np.count_nonzero(columns):
        return f"{full_columns} columns"
    return f"{int(np.count_nonzero(lost))} pixels"


def _lost(check: str, element: str, lost: Bools, part: float, where: str) -> Finding:
    whose = "all maps" if element == "all" else element
    again = "map the field again, or state that it ends there"
    held = f"{where} of {whose} hold no measurement ({100 * part:.1f} % of the field)"
    mask = Mend("mask", element, f"{where} left out", lost)
    if element != "all" and part > MOST_MASKED:
        return Finding(
            check, element, "faulty", part, 0.0,
            f"{held}: {element} is known for a part of the field only, and nothing is said of it",
            f"map {element} again over the whole field",
            withholds=(("verdict", element), ("shares", element)), drops=(element,),
        )  # fmt: skip
    held_back: tuple[tuple[str, str], ...] = ()
    if part > MOST_MASKED:
        held_back = (("connection", "y" if lost.all(axis=1).any() else "x"),)
    return Finding(
        check, element, "faulty" if part > 0.01 else "doubtful", part, 0.0,
        f"{held}; they were left out, and every number is for the rest", again,
        mends=(mask,), withholds=held_back,  # type: ignore[arg-type]
    )  # fmt: skip

"""Was every row counted for as long, and by the same beam."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spattermap.core.arrays import Array
from spattermap.examine.finding import Finding, Mend
from spattermap.examine.observed import Observed, block_sums

WINDOW = 16  # rows (or columns) on either side of a step
STEP_Z = 8.0
LEAST_STEP = 0.08  # a smaller change of the dose moves no answer
DRIFT_Z = 10.0
LEAST_DRIFT = 0.2
LINE_Z = 9.0
# Directions of structure are weighted down by this much against noise: in the sum that is left,
# metal that comes and glass that goes cancel.
SHARPNESS = 100.0
OPPOSITE_Z = 5.0  # maps that change this surely, some up and some down, saw no change of dose
# A dose changes every part of a line; a grain, or the edge of another phase, changes some.
QUARTERS, LEAST_OF_QUARTER = 4, 0.3
LEAST_EXPOSURE = 0.35  # rows that saw less than this of the dose are left out, not evened


def exposure(seen: Observed) -> list[Finding]:
    """Find rows or columns that saw another dose in all maps.

    Statistic: a sum of the maps in which the structure seen *along* the rows cancels, compared
    between rows; its change over a step, over the field, and of single rows, in standard errors
    from its scatter along the rows. Null: zero change; metal that gets more raises its lines and
    lowers the glass, a dose changes all of them by one factor.
    """
    check = "dose"
    if np.count_nonzero(seen.alive) < 2 or min(seen.shape) < 4 * WINDOW:
        return [Finding(check, finding="not_examined")]
    worst = 0.0
    for axis in (0, 1):
        profile = dose_profile(seen, axis, target=None)
        if profile is None:
            continue
        found = _judge(check, "all", profile, axis)
        if found is not None and not _is_structure(seen, axis, *profile.step()[1:]):
            return [found]
        worst = max(worst, profile.step()[0])
    return [Finding(check, value=worst, limit=STEP_Z)]


def _is_structure(seen: Observed, axis: int, at: int, step: float) -> bool:
    """Return whether maps change unlike one dose at a line, as at the straight edge of a film.

    Statistic: change of each map between the blocks of `WINDOW` lines before and after the line,
    in standard errors from its scatter along the lines, which holds the structure too. A dose
    moves all maps by one factor; metal that begins there raises its own and lowers the glass, if
    by so little for a thin film that only the factor is plainly not shared: it differs from that
    of the map known best by more than the step found, `step`.
    """
    found = _changes(seen, axis, at)
    if found is None:
        return False
    change, error, before, mean = found
    if _some_up_some_down(change, error, mean):
        return True
    level = np.maximum(before, 1e-12)
    factor, known_to = change / level, error / level
    sharp = int(np.argmin(known_to))
    apart = np.abs(factor - factor[sharp])
    surely = OPPOSITE_Z * np.hypot(known_to, known_to[sharp])
    return bool((apart > np.maximum(surely, max(LEAST_STEP, abs(step)))).any())


def _changes(seen: Observed, axis: int, at: int) -> tuple[Array, Array, Array, Array] | None:
    """Return each map's change at a line, its error, the mean before it and that of both sides."""
    keep = np.flatnonzero(seen.alive)
    planes = seen.planes[keep] if axis == 0 else seen.planes[keep].transpose(0, 2, 1)
    valid = (seen.valid if axis == 0 else seen.valid.T)[at - WINDOW : at + WINDOW]
    sums, pixels = block_sums(planes[:, at - WINDOW : at + WINDOW], valid, WINDOW)
    used = (pixels >= 0.5 * WINDOW**2).all(axis=0)
    if np.count_nonzero(used) < 4:
        return None
    mean = sums[..., used] / pixels[:, used]
    change = mean[:, 1] - mean[:, 0]
    error = change.std(axis=1, ddof=1) / np.sqrt(change.shape[1])
    return change.mean(axis=1), error, mean[:, 0].mean(axis=1), mean.mean(axis=(1, 2))


def _some_up_some_down(change: Array, error: Array, mean: Array) -> bool:
    """Return whether some maps rise and others fall, as where metal begins."""
    z = change / np.maximum(error, 1e-12)
    large = np.abs(change) > LEAST_STEP * mean
    return bool((large & (z > OPPOSITE_Z)).any() and (large & (z < -OPPOSITE_Z)).any())


def exposure_of_one(seen: Observed) -> list[Finding]:
    """Find a step or a drift in one map that the others do not share.

    Statistic and null as `exposure`, for the part of a map that the others do not tell.
    """
    check = "dose of one map"
    if np.count_nonzero(seen.alive) < 3 or min(seen.shape) < 4 * WINDOW:
        return [Finding(check, finding="not_examined")]
    found, worst = [], 0.0
    for k in np.flatnonzero(seen.alive):
        for axis in (0, 1):
            profile = dose_profile(seen, axis, target=int(k))
            if profile is None:
                continue
            bad = _judge(check, seen.elements[k], profile, axis)
            beside = _changes(seen, axis, profile.step()[1]) if bad is not None else None
            if beside is not None and _some_up_some_down(*beside[:2], beside[3]):
                continue  # the straight edge of a film, which several maps see
            worst = max(worst, profile.step()[0])
            if bad is not None:
                found.append(bad)
                break
    return found or [Finding(check, value=worst, limit=STEP_Z)]


class Profile:
    """A dose index along one axis: mean over each line (1 on average), and what it is known to.

    Dims: `index` (line,); `blocks`, the index of the blocks behind it, `WINDOW` lines each, (row of
    blocks, block).
    """

    def __init__(self, index: Array, blocks: Array) -> None:
        self.index, self.blocks = index, blocks

    def step(self) -> tuple[float, int, float]:
        """Return the largest step in standard errors, its line, and its size (relative)."""
        n, sums = self.index.size, np.concatenate([[0.0], np.cumsum(self.index)])
        at = np.arange(WINDOW, n - WINDOW + 1)
        below = (sums[at] - sums[at - WINDOW]) / WINDOW
        above = (sums[at + WINDOW] - sums[at]) / WINDOW
        change = above - below
        z = np.abs(change) / self.error
        best = int(np.argmax(z))
        return float(z[best]), int(at[best]), float(change[best] / max(below[best], 1e-3))

    @property
    def error(self) -> float:
        """Standard error of the difference of two windows, from the scatter along the lines."""
        change = np.diff(self.blocks, axis=0)
        along = change - change.mean(axis=1, keepdims=True)
        blocks = self.blocks.shape[1]
        spread = np.sqrt((along**2).sum(axis=1) / max(blocks - 1, 1))
        return float(np.median(spread) / np.sqrt(blocks)) + 1e-9

    def trend(self) -> tuple[float, float]:
        """Return the change over the field, as a part of the mean, and its standard errors."""
        lines = self.blocks.mean(axis=1)
        x = np.linspace(-0.5, 0.5, lines.size)
        slope = float((x * lines).sum() / (x**2).sum())
        rest = lines - lines.mean() - slope * x
        # The error of the windows, or what the profile itself wanders about its line.
        error = max(self.error / np.sqrt(2), float(rest.std(ddof=2)) if lines.size > 3 else 1e9)
        return slope, slope / (error / np.sqrt((x**2).sum()))

    def is_everywhere(self, at: int | None) -> bool:
        """Return whether all quarters of the lines change alike: at a line, or over the field."""
        rows = self.blocks.shape[0]
        if at is None:
            x = np.linspace(-0.5, 0.5, rows)
            change = x @ self.blocks / (x**2).sum()
        else:
            first, last = at // WINDOW, -(-at // WINDOW)  # what holds the step says nothing
            if not first or last >= rows:
                return True
            before, after = self.blocks[max(0, first - 2) : first], self.blocks[last : last + 2]
            change = after.mean(axis=0) - before.mean(axis=0)
        parts = np.array([part.mean() for part in np.array_split(change, QUARTERS)])
        return bool((parts * np.sign(change.mean()) > LEAST_OF_QUARTER * abs(change.mean())).all())


@dataclass(frozen=True)
class _Lines:
    """Lines and blocks of all maps along one axis, made once for all of its profiles."""

    keep: Array  # indices of the maps that show anything; dims (map,)
    # means of blocks, NaN where too little of one was seen; dims (map, row of blocks, block)
    mean: Array
    used: Array  # blocks that were seen; dims (row of blocks, block)
    lines: Array  # means of single lines; dims (map, line)
    full: Array  # lines of which half or more was seen; dims (line,)
    level: Array  # means over the field; dims (map,)
    cost: Array  # covariance of noise and, weighed up, structure; dims (map, map)


def _lines(seen: Observed, axis: int) -> _Lines | None:
    """Return the lines and blocks along an axis, None where there are too few."""
    name = f"lines along {axis}"
    if name not in seen.memo:
        seen.memo[name] = _made_lines(seen, axis)
    found: _Lines | None = seen.memo[name]
    return found


def _made_lines(seen: Observed, axis: int) -> _Lines | None:
    planes, valid = seen.planes, seen.valid
    if axis == 1:
        planes, valid = planes.transpose(0, 2, 1), valid.T
    keep = np.flatnonzero(seen.alive)
    sums, pixels = block_sums(planes[keep], valid, WINDOW)
    used = pixels >= 0.5 * WINDOW**2
    rows, columns = used.mean(axis=1) > 0.5, used.any(axis=0)
    if np.count_nonzero(rows) < 4 or np.count_nonzero(columns) < 4:
        return None
    sums, pixels, used = (a[..., rows, :][..., columns] for a in (sums, pixels, used))
    mean = np.where(used, sums / np.maximum(pixels, 1), np.nan)
    level = np.nanmean(mean, axis=(1, 2))
    cost = _cost(mean, level, seen.noise[keep])
    if cost is None:
        return None
    per_line = np.maximum(valid.sum(axis=1), 1)
    lines = np.stack([planes[k].sum(axis=1, dtype=np.float64) / per_line for k in keep])
    return _Lines(keep, mean, used, lines, valid.mean(axis=1) > 0.5, level, cost)


def _cost(mean: Array, level: Array, noise: Array) -> Array | None:
    """Return the covariance of the blocks' noise and of structure, which is to weigh more."""
    # Deviations along the lines only: what a dose per line does is not structure.
    away = mean - np.nanmean(mean, axis=2, keepdims=True)
    flat = away.reshape(len(level), -1)
    flat = flat[:, np.isfinite(flat).all(axis=0)]
    if flat.shape[1] < 4 * len(level):
        return None
    finite = np.where(np.isfinite(noise), noise, 0.0)
    noise = np.maximum(finite, 1e-9 * np.maximum(level, 1e-9)) / WINDOW**2
    covariance = flat @ flat.T / flat.shape[1] - np.diag(noise)
    values, vectors = np.linalg.eigh(covariance / np.sqrt(np.outer(noise, noise)))
    structure = (vectors * np.maximum(values, 0)) @ vectors.T
    return np.asarray(SHARPNESS * structure * np.sqrt(np.outer(noise, noise)) + np.diag(noise))


def dose_profile(seen: Observed, axis: int, *, target: int | None) -> Profile | None:
    """Return the dose index along an axis, of all maps or of one.

    The sum of the maps that structure leaves alone and a dose raises by its part,
    ``w = (C + N)^-1 m / (m' (C + N)^-1 m)``: the combination of least variance that a common
    factor moves by one (generalised least squares, Aitken 1936).
    """
    made = _lines(seen, axis)
    if made is None:
        return None
    aim = made.level if target is None else np.where(made.keep == target, made.level, 0.0)
    raw = np.linalg.solve(made.cost, aim)
    reach = float(raw @ aim)
    if not reach > 0:
        return None
    weights = raw / reach
    level = 1.0 - float(weights @ made.level)
    index = weights @ made.lines + level
    blocks = np.tensordot(weights, np.nan_to_num(made.mean), axes=1) + level
    blocks = np.where(made.used, blocks, np.nan)
    filled = np.where(np.isnan(blocks), np.nanmean(blocks, axis=1, keepdims=True), blocks)
    index = np.interp(np.arange(index.size), np.flatnonzero(made.full), index[made.full])
    return Profile(index, filled)


def _judge(check: str, subject: str, profile: Profile, axis: int) -> Finding | None:
    """Return a finding where the dose steps or drifts along the axis."""
    z, at, change = profile.step()
    slope, slope_z = profile.trend()
    word = "row" if axis == 0 else "column"
    if z > STEP_Z and abs(change) > LEAST_STEP and profile.is_everywhere(at):
        what = f"steps by {100 * change:+.0f} % at {word} {at}"
        value, limit = z, STEP_Z
    elif abs(slope_z) > DRIFT_Z and abs(slope) > LEAST_DRIFT and profile.is_everywhere(None):
        what = f"drifts by {100 * slope:+.0f} % from the first {word} to the last"
        value, limit = abs(slope_z), DRIFT_Z
    else:
        return None
    if subject != "all":
        return Finding(
            check, subject, "faulty", value, limit,
            f"the dose of {subject} alone {what}: the map was not counted evenly",
            f"map {subject} again in one run",
            withholds=(("verdict", subject), ("shares", subject)), drops=(subject,),
        )  # fmt: skip
    factors = exposures(profile, step=limit == STEP_Z)
    mend = Mend("expose", "all", "evened out by thinning the counts of the better exposed part",
                amount=(float(axis), *factors.tolist()))  # fmt: skip
    return Finding(
        check, "all", "faulty", value, limit,
        f"the dose {what}, in all maps alike; it was evened out by thinning the counts of the "
        "better exposed part",
        "map the field again with a steady beam",
        mends=(mend,),
    )  # fmt: skip


def exposures(profile: Profile, *, step: bool) -> Array:
    """Return the dose of each line, 1 where it is largest: constant between steps, else a line."""
    index = np.maximum(profile.index, 1e-3)
    n = index.size
    if step:
        cuts = _cuts(index, profile.error, 0, n)
        edges = [0, *sorted(cuts), n]
        out: Array = np.empty(n)
        for first, last in pairwise(edges):
            out[first:last] = index[first:last].mean()
    else:
        x = np.arange(n)
        out = np.asarray(np.polyval(np.polyfit(x, index, 2 if n > 64 else 1), x))
    out = np.maximum(out, 1e-3)
    return np.asarray(out / out.max())


def _cuts(index: Array, error: float, first: int, last: int) -> list[int]:
    """Return where the index steps, by parting at the largest step again and again."""
    if last - first < 2 * WINDOW:
        return []
    part = index[first:last]
    n = part.size
    sums = np.cumsum(part)
    at = np.arange(WINDOW // 2, n - WINDOW // 2)
    left, right = sums[at - 1] / at, (sums[-1] - sums[at - 1]) / (n - at)
    gain = np.abs(right - left) * np.sqrt(at * (n - at) / n)
    best = int(np.argmax(gain))
    if abs(right[best] - left[best]) < max(STEP_Z * error, LEAST_STEP * part.mean()):
        return []
    cut = first + int(at[best])
    return [*_cuts(index, error, first, cut), cut, *_cuts(index, error, cut, last)]


def odd_lines(seen: Observed) -> list[Finding]:
    """Find single rows or columns brighter or darker than both neighbours.

    Statistic: a line's sum over the mean of the lines beside it, in robust standard deviations
    over all lines. Null: what the beam blurs cannot change within one line and back.
    """
    check = "odd lines"
    found, worst = [], 0.0
    for axis in (0, 1):
        used = np.maximum(seen.valid.sum(axis=1 - axis), 1)
        total = seen.total.sum(axis=1 - axis) / used
        full = seen.valid.mean(axis=1 - axis) > 0.5
        if np.count_nonzero(full) < 32:
            continue
        kept = np.flatnonzero(full)
        line = total[kept]
        around = _median_beside(line)
        ratio = np.log(np.maximum(line, 1e-12) / np.maximum(around, 1e-12))
        spread = 1.4826 * np.median(np.abs(ratio - np.median(ratio)))
        counted = np.sqrt(_one(seen) / np.maximum(line * used[kept], 1e-12))
        z = np.abs(ratio) / np.maximum(np.maximum(spread, counted), 1e-9)
        worst = max(worst, float(z.max()))
        odd = (z > LINE_Z) & (np.abs(ratio) > 0.15)
        if not odd.any() or np.count_nonzero(odd) > 0.1 * odd.size:
            continue
        lines = kept[odd]
        lost = np.zeros(seen.shape, dtype=bool)
        lost[(lines, slice(None)) if axis == 0 else (slice(None), lines)] = True
        word = "rows" if axis == 0 else "columns"
        found.append(Finding(
            check, "all", "doubtful", float(z.max()), LINE_Z,
            f"{lines.size} {word} saw another dose than those beside them; they were left out",
            "map the field again with a steady beam",
            mends=(Mend("mask", "all", f"{lines.size} {word} left out", lost & seen.valid),),
        ))  # fmt: skip
    return found or [Finding(check, value=worst, limit=LINE_Z)]


def _one(seen: Observed) -> float:
    """Return the variance that one unit of the sum of all maps carries."""
    return float(np.sum(seen.gain * seen.mean) / max(float(np.sum(seen.mean)), 1e-30))


def _median_beside(line: Array) -> Array:
    """Return the median of the three lines on either side."""
    padded = np.pad(line, 3, mode="reflect")
    beside = [padded[3 + k : 3 + k + line.size] for k in (-3, -2, -1, 1, 2, 3)]
    return np.asarray(np.median(beside, axis=0))

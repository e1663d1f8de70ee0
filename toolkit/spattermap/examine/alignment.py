"""Do the maps show one field, on one grid, the same way up."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
from scipy import fft, ndimage

from spattermap.core.arrays import Array
from spattermap.core.orientations import ORIENTATIONS, SIDEWAYS
from spattermap.examine.finding import Finding, Mend
from spattermap.examine.observed import Observed, block_sums

LEAST_HALVED = 128  # squares a side
MOST_SIDE = 256  # the maps are summed to at most this many squares a side
BROAD = 12.0  # structure wider than this many squares is taken off: a gradient is on every map
PEAK_Z = 7.0  # standard deviations of the correlation over all shifts and orientations
TWICE = 1.8  # a peak must exceed the best one elsewhere by this factor
LOST = 0.5  # what is left of it at the place where the map says it is
SHIFT_CHI2 = 60.0  # gain of the log-likelihood, twice, from moving the map
# The same from moving its parts along a line of displacements (twice the squares), of so many
# strips.
STRETCH_CHI2, STRETCH_Z, LEAST_STRETCH, MOST_STRETCH, STRIPS = 150.0, 4.0, 2, 10, 8
LEAST_SHIFT = 1.5
SEAM_Z = 6.5  # a patchy film of its own reached 6.02 on a sound field
SEAM_PART = 0.4
LEAST_WITNESSES = 8.0
ROW_Z = 3.0  # so many standard errors a line must fit better beside its place
SLIP_PX = 4  # a line is looked for so far from its place
MOST_DISPLACED = 0.06  # share of the lines to either side; sound fields stay below 0.04
MOST_ALIKE = 0.5  # share of its structure that one part of a field may find in another
# Structure that is there twice: sound fields of the bench reach 5 standard errors, streaks 28 but
# then at least as much again elsewhere (0.56 of it).
ECHO_Z, NEAREST_ECHO, LEAST_ECHO_POWER, LEAST_WAVES = 9.0, 4.0, 0.3, 300
SMOOTH_PX = 1.2  # width of the filter on the expectation (squares)
SMOOTH_NOISE = 1 / (4 * np.pi * SMOOTH_PX**2)  # white noise of variance one after it


@dataclass(frozen=True)
class Aligning:
    """Maps in units of their own noise, free of gradients, and what the others expect of each."""

    seen: Observed  # the maps
    side: int  # pixels a square
    # square sums less their local mean, in standard deviations of counts; dims (element, y, x)
    units: Array
    # square sums over their mean: the variance of their noise, in the same unit; dims (element,
    # y, x)
    rates: Array

    @cached_property
    def shared(self) -> Array:
        """Products of every two maps (element, element), free of noise on the diagonal too."""
        # A narrow filter on one side only: the noise of a square does not reach its neighbours.
        smooth = self.smooth
        flat = self.units.reshape(len(self.units), -1)
        products = smooth.reshape(len(smooth), -1) @ flat.T / flat.shape[1]
        return np.asarray((products + products.T) / 2)

    @cached_property
    def smooth(self) -> Array:
        """The same units, freed of some of their noise."""
        return np.stack([ndimage.gaussian_filter(u, SMOOTH_PX, mode="nearest") for u in self.units])

    @cached_property
    def error(self) -> float:
        """Standard error of a product of unrelated maps."""
        return float(np.sqrt(SMOOTH_NOISE / self.units[0].size))

    @cached_property
    def held(self) -> dict[tuple[str, int], Any]:
        """What was made of each map once."""
        return {}

    def loadings(self, k: int) -> Array | None:
        """Return how the other maps share one structure; None where they share none."""
        if ("loadings", k) not in self.held:
            self.held["loadings", k] = self._factor(k)
        found: Array | None = self.held["loadings", k]
        return found

    def _factor(self, k: int) -> Array | None:
        """Return how the other maps share one structure; None where they share none.

        The first factor of the products, those of a map with itself left out and filled in again
        from what it shares (principal axis factoring, Thurstone 1947).
        """
        rest = [j for j in range(len(self.units)) if j != k]
        if not rest:
            return None
        out = np.zeros(len(self.units))
        if len(rest) == 1:
            out[rest[0]] = 1.0
            own = float(self.shared[rest[0], rest[0]]) - SMOOTH_NOISE
            return out if own > 8 * self.error else None
        part = self.shared[np.ix_(rest, rest)].copy()
        own = np.abs(part - np.diag(np.diag(part))).max(axis=1)
        for _ in range(12):
            np.fill_diagonal(part, own)
            values, vectors = np.linalg.eigh(part)
            own = np.maximum(values[-1], 0) * vectors[:, -1] ** 2
        if values[-1] < 6 * self.error * np.sqrt(len(rest)):
            return None
        out[rest] = vectors[:, -1]
        return out

    def expected(self, k: int) -> Array | None:
        """Return what the other maps expect of a map, up to a factor; None where they do not."""
        loadings = self.loadings(k)
        if loadings is None:
            return None
        if ("expected", k) not in self.held:
            together = np.tensordot(loadings, self.smooth, axes=1)
            self.held["expected", k] = np.asarray(together - together.mean())
        found: Array = self.held["expected", k]
        return found

    def reach(self, k: int) -> int:
        """Return how far the expectation of a map resembles itself (squares)."""
        if ("reach", k) not in self.held:
            expected = self.expected(k)
            self.held["reach", k] = 4 if expected is None else _reach(expected)
        return int(self.held["reach", k])

    def surface(self, k: int) -> Array:
        """Return the sums of products of a map with its expectation at every circular shift."""
        if ("surface", k) not in self.held:
            expected = self.expected(k)
            assert expected is not None
            self.held["surface", k] = _correlation(
                self.units[k], _spectrum(expected), expected.shape
            )
        found: Array = self.held["surface", k]
        return found

    def noise_of(self, k: int) -> float:
        """Return the variance that counting noise gives the expectation of a map."""
        loadings = self.loadings(k)
        return 0.0 if loadings is None else float((loadings**2).sum()) * SMOOTH_NOISE


def aligning(seen: Observed) -> Aligning | None:
    """Return the maps made ready for comparison, None where they are too small."""
    if min(seen.shape) < 32:
        return None
    if "aligning" not in seen.memo:
        seen.memo["aligning"] = _made_ready(seen)
    ready: Aligning = seen.memo["aligning"]
    return ready


def _made_ready(seen: Observed) -> Aligning:
    side = max(1, -(-max(seen.shape) // MOST_SIDE))
    sums, pixels = block_sums(seen.planes, seen.valid, side)
    units, rates = (np.empty(sums.shape, np.float32) for _ in range(2))
    whole = pixels > 0
    part = np.where(whole, pixels, 0) / side**2
    weight = _broad(part)
    for k, plane in enumerate(sums):
        level = _broad(plane) / np.maximum(weight, 0.05)
        noise = np.sqrt(seen.noise[k]) * side
        units[k] = np.where(whole, (plane - level * part) / noise, 0)
        rates[k] = plane / max(float(seen.mean[k]) * side**2, 1e-12)
    return Aligning(seen, side, units, rates)


def _broad(plane: Array) -> Array:
    """Return a plane averaged over about `BROAD` squares, by boxes."""
    size = int(2 * BROAD) + 1
    once = ndimage.uniform_filter(plane.astype(np.float32), size, mode="nearest")
    return np.asarray(ndimage.uniform_filter(once, size, mode="nearest"))


def orientation(seen: Observed) -> list[Finding]:
    """Find maps that are turned, mirrored, shifted or restarted against the others.

    Statistic: correlation of a map with what the other maps expect of it, at every shift and in
    the eight orientations (one FFT each). Null: the best peak stands at no shift and no turn, or
    no peak stands out from all others by `TWICE`. A map that shares nothing raises no alarm here.
    """
    check = "orientation and place"
    found: list[Finding] = []
    rest = seen
    while True:
        one, worst = _worst_placed(check, rest)
        if one is None:
            break
        found.append(one)
        rest = rest.without((one.subject,))  # it must not mislead what is expected of the others
    if found:
        return _majority(check, found, seen)
    if worst is None:
        return [Finding(check, finding="not_examined")]
    return [Finding(check, value=worst, limit=PEAK_Z)]


def _worst_placed(check: str, seen: Observed) -> tuple[Finding | None, float | None]:
    """Return the map that lies farthest off, if one does, and the largest statistic."""
    ready = aligning(seen)
    if ready is None:
        return None, None
    found: list[Finding] = []
    worst = None
    for k in np.flatnonzero(seen.alive):
        expected = ready.expected(int(k))
        if expected is None:
            continue
        one = _placed(check, ready, int(k), expected)
        worst = max(worst or 0.0, one.value)
        if one.is_alarm:
            found.append(one)
    return (max(found, key=lambda f: f.value) if found else None), worst


def _turned(
    ready: Aligning, k: int, expected: Array
) -> Iterator[tuple[str, float, Callable[[], float]]]:
    """Yield each orientation of a map, its best product at any shift, and what tells the next."""
    units, reach = ready.units[k], ready.reach(k)
    if min(expected.shape) >= LEAST_HALVED:
        # Sums of four squares give the same products but for noise, in a quarter of the time.
        units, expected, reach = _halved(units), _halved(expected), -(-reach // 2)
    spectrum = _spectrum(expected)
    for name, (_, turn) in ORIENTATIONS.items():
        if expected.shape[0] != expected.shape[1] and name in SIDEWAYS:
            continue
        surface = _correlation(np.ascontiguousarray(turn(units)), spectrum, expected.shape)
        top, at = _peak(surface)
        yield name, top, partial(_second, surface, at, reach)


def _majority(check: str, found: list[Finding], seen: Observed) -> list[Finding]:
    """Return the findings; where half the maps or more disagree nobody knows which are right."""
    if 2 * len(found) < np.count_nonzero(seen.alive):
        return found
    names = ", ".join(f.subject for f in found)
    return [Finding(
        check, "all", "faulty", max(f.value for f in found), found[0].limit,
        f"the maps do not lie on one another ({names} against the others: {found[0].consequence})",
        "export all maps of one run anew, or state the orientation of each in mapset.toml",
        withholds=(("verdict", "all"), ("shares", "all"), ("coverage", ""), ("connection", "all")),
    )]  # fmt: skip


def _placed(check: str, ready: Aligning, k: int, expected: Array) -> Finding:
    """Judge where one map lies among all shifts and turns of it."""
    seen, side = ready.seen, ready.side
    element = seen.elements[k]
    plain = ready.surface(k)
    scale = _spread(plain)
    here = abs(float(plain[0, 0]))
    reach = ready.reach(k)
    best, shift = _peak(plain)
    turned = None
    tops = [_second(plain, shift, reach)]
    for name, top, second in _turned(ready, k, expected):
        if top > best:
            tops.append(best)
            best, turned = top, name
            tops.append(second())
        else:
            tops.append(top)
    if turned is not None:
        units = np.ascontiguousarray(ORIENTATIONS[turned][1](ready.units[k]))
        best, shift = _peak(_correlation(units, _spectrum(expected), expected.shape))
    z = best / scale
    if turned is None and shift == (0, 0):
        return Finding(check, element, value=0.0, limit=PEAK_Z)
    elsewhere = max(tops)
    near = turned is None and max(abs(shift[0]), abs(shift[1])) <= 2 * reach
    if near:
        return _shifted(check, ready, k, plain=plain, expected=expected, shift=shift)
    stands_out = z > PEAK_Z and best > TWICE * max(elsewhere, here)
    if not (stands_out and here < LOST * best):
        return Finding(check, element, value=0.0, limit=PEAK_Z)
    rows, columns = shift[0] * side, shift[1] * side
    moved = f"shifted by {rows:+d} rows and {columns:+d} columns" if shift != (0, 0) else ""
    what = " and ".join(part for part in (turned and ORIENTATIONS[turned][0], moved) if part)
    again = (
        f'export {element} anew, or confirm with [orientation] {element} = "{turned}" in '
        "mapset.toml"
        if turned and shift == (0, 0)
        else f"export {element} anew from the same run"
    )
    if turned is None and max(abs(rows), abs(columns)) <= 0.25 * min(seen.shape):
        return _movable(check, element, z, (rows, columns))
    return Finding(
        check, element, "faulty", z, PEAK_Z,
        f"the map of {element} fits the other maps when it is {what}: as it is, it lies "
        "beside what it belongs to, and what it seems to say of separation is void",
        again,
        withholds=(("verdict", element), ("shares", element)), drops=(element,),
    )  # fmt: skip


def _movable(check: str, element: str, z: float, by: tuple[int, int]) -> Finding:
    rows, columns = by
    back = (float(-rows), float(-columns))
    mend = Mend("shift", element, f"moved back by {-rows} rows and {-columns} columns", amount=back)
    return Finding(
        check, element, "faulty", z, PEAK_Z,
        f"the map of {element} lies {rows:+d} rows and {columns:+d} columns beside the others; it "
        "was moved back, and what the shift left without a value was left out",
        f"export {element} anew from the same run",
        mends=(mend,),
    )  # fmt: skip


def _shifted(
    check: str, ready: Aligning, k: int, *, plain: Array, expected: Array, shift: tuple[int, int]
) -> Finding:
    """Judge a small shift by what the likelihood gains from undoing it."""
    at, best = float(plain[0, 0]), float(plain[shift])
    at = at if best > 0 else -at
    if at <= 0:
        # Farther than a droplet is wide. Two effects that cancel at no shift (continuum up, glass
        # down) leave a ring of peaks; a map that was shifted has one.
        alone = abs(best) > TWICE * _second(plain, shift, ready.reach(k))
        at = at if alone else abs(best)
    gain = 2 * abs(best) * (abs(best) - at) / _variance(ready, k, expected)
    element, side = ready.seen.elements[k], ready.side
    rows, columns = shift[0] * side, shift[1] * side
    far = float(np.hypot(*shift)) >= LEAST_SHIFT
    if not (far and gain > SHIFT_CHI2 and abs(best) > 1.02 * at):
        return Finding(check, element, value=0.0, limit=PEAK_Z)
    return _movable(check, element, float(np.sqrt(gain)), (rows, columns))


def _variance(ready: Aligning, k: int, expected: Array) -> float:
    """Return the variance that counting noise gives the product of a map with its expectation."""
    # Where the structure is, counts and so their noise are not those of the mean.
    return max(float((expected**2 * np.maximum(ready.rates[k], 0.0)).sum()),
               float((expected**2).sum()), 1e-12)  # fmt: skip


def _spread(surface: Array) -> float:
    """Return the standard deviation of products at shifts that mean nothing, by their median."""
    return 1.4826 * float(np.median(np.abs(surface - np.median(surface)))) + 1e-12


def stretched(seen: Observed) -> list[Finding]:
    """Find maps that lie on the others in one place and beside them in another.

    Another magnification, a scan that shears or drops rows: the displacement grows along the field.
    Statistic: gain of the log-likelihood, twice, when strips of a map are displaced along a line
    from one end of the field to the other, over that of one shift for all; and the same gain over
    the scatter of the products at all shifts. Null: no line of displacements fits better than none.
    """
    check = "place along the field"
    found: list[Finding] = []
    rest, worst, examined = seen, 0.0, False
    while True:
        told = []
        ready = aligning(rest)
        for k in np.flatnonzero(rest.alive).tolist() if ready is not None else ():
            assert ready is not None
            expected = ready.expected(k)
            if expected is not None and _spread_out(expected):
                examined = True
                told.append((*_growing(ready, k, expected), rest.elements[k]))
        gain, said, element = max(told, default=(0.0, "", ""))
        worst = worst if found else gain
        if gain <= STRETCH_CHI2:
            break
        found.append(Finding(
            check, element, "faulty", gain, STRETCH_CHI2,
            f"the map of {element} lies {said}: it has another magnification, is sheared, or lost "
            "rows",
            f"export {element} anew from the same run, on the grid of the others",
            withholds=(("verdict", element), ("shares", element)), drops=(element,),
        ))  # fmt: skip
        rest = rest.without((element,))  # it must not mislead what is expected of the others
    if found:
        return _majority(check, found, seen)
    return [Finding(check, finding="sound" if examined else "not_examined", value=worst,
                    limit=STRETCH_CHI2)]  # fmt: skip


def _spread_out(expected: Array) -> bool:
    """Say whether enough separate shapes hold the structure: one alone tells of its own shape.

    Glass shows a droplet wider than its metal does, which is a stretch about its own centre.
    """
    plane = _halved(expected)
    plane = plane * np.sign((plane**3).mean())  # shapes are what is rare
    shapes, n = ndimage.label(plane > 0.3 * np.quantile(plane, 0.99), np.ones((3, 3)))
    power = np.bincount(shapes.ravel(), (plane**2).ravel(), n + 1)[1:]
    return float(power.sum()) ** 2 >= LEAST_WITNESSES * float((power**2).sum())


def _growing(ready: Aligning, k: int, expected: Array) -> tuple[float, str]:
    """Return what displacements that grow along the field gain, and how far a map lies off."""
    units = ready.units[k]
    surface = ready.surface(k)
    sign = np.sign(surface[np.unravel_index(int(np.argmax(np.abs(surface))), surface.shape)])
    variance = _variance(ready, k, expected)
    places = (np.arange(STRIPS) + 0.5) / STRIPS
    by = np.arange(-MOST_STRETCH, MOST_STRETCH + 1)
    # Displacement of every strip, for every pair of those at the two ends.
    lines = np.rint(by[:, None, None] * (1 - places) + by[None, :, None] * places).astype(int)
    grows = np.abs(by[:, None] - by[None, :]) >= LEAST_STRETCH
    halved = (_halved(units), _halved(expected))
    side = 2 * ready.side
    worst, said = 0.0, ""
    for ends, ways in ((("top", "bottom"), ("rows", "columns")),
                       (("left", "right"), ("columns", "rows"))):  # fmt: skip
        turned = (v if ends[0] == "top" else np.ascontiguousarray(v.T) for v in halved)
        for way, strips in zip(ways, _strips(*turned), strict=True):
            sums = sign * strips[np.arange(STRIPS), lines + MOST_STRETCH].sum(axis=2)
            still = max(float(sums[j, j]) for j in np.flatnonzero(np.abs(by) <= 1))
            first, last = np.unravel_index(int(np.argmax(np.where(grows, sums, -np.inf))),
                                           sums.shape)  # fmt: skip
            best = float(sums[first, last])
            more = best - still
            gain = 2 * best * more / variance
            if not (still > 0 and best > 1.05 * still and gain > max(worst, STRETCH_CHI2)):
                continue
            if more > STRETCH_Z * _spread(surface):
                worst = gain
                said = (f"{by[first] * side:+d} {way} beside the others at the {ends[0]} "
                        f"and {by[last] * side:+d} at the {ends[1]}")  # fmt: skip
    return worst, said


def _halved(plane: Array) -> Array:
    """Return sums over two by two squares, in units of their noise."""
    rows, columns = (n // 2 for n in plane.shape)
    cut = plane[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2)
    return np.asarray(cut.sum((1, 3)) / 2)


def _strips(units: Array, expected: Array) -> tuple[Array, Array]:
    """Return products of strips of rows (strip, displacement): moved by rows, and by columns."""
    (n, m), most = units.shape, MOST_STRETCH
    padded = np.pad(expected, most)
    by = range(2 * most, -1, -1)  # a map that was moved by s lies on the expectation at -s
    deep = n // STRIPS
    down = [np.einsum("ij,ij->i", units, padded[s : s + n, most : most + m]) for s in by]
    along = [np.einsum("ij,ij->i", units, padded[most : most + n, s : s + m]) for s in by]

    def summed(rows: list[Array]) -> Array:
        cut = np.array(rows)[:, : STRIPS * deep]
        return np.asarray(cut.reshape(len(rows), STRIPS, deep).sum(axis=2).T)

    return summed(down), summed(along)


def _spectrum(expected: Array) -> Array:
    """Return the conjugate transform of an expectation."""
    return np.asarray(np.conj(fft.rfft2(expected.astype(np.float32))))


def _correlation(units: Array, spectrum: Array, shape: tuple[int, ...]) -> Array:
    """Return the sums of products at every circular shift of the expectation."""
    return np.asarray(fft.irfft2(fft.rfft2(units) * spectrum, shape))


def _peak(surface: Array) -> tuple[float, tuple[int, int]]:
    """Return the largest modulus and the signed shift it is at."""
    flat = int(np.argmax(np.abs(surface)))
    y, x = np.unravel_index(flat, surface.shape)
    shift = [int(v) - (n if v > n // 2 else 0) for v, n in zip((y, x), surface.shape, strict=True)]
    return float(np.abs(surface[y, x])), (shift[0], shift[1])


def _second(surface: Array, at: tuple[int, int], reach: int) -> float:
    """Return the largest modulus beyond the neighbourhood of a peak."""
    rest = np.abs(np.roll(surface, (reach - at[0], reach - at[1]), (0, 1)))
    rest[: 2 * reach + 1, : 2 * reach + 1] = 0
    return float(rest.max())


def _reach(expected: Array) -> int:
    """Return how far the expectation resembles itself (squares): to a fifth of its own power."""
    power = fft.irfft2(np.abs(fft.rfft2(expected)) ** 2, expected.shape)
    n = min(power.shape) // 2
    profile = (power[0, :n] + power[:n, 0]) / (2 * power[0, 0])
    below = np.flatnonzero(profile < 0.2)
    return int(np.clip(below[0] if below.size else 4, 2, 16)) + 2


def seams(seen: Observed) -> list[Finding]:
    """Find maps of which one part does not belong to the others' field.

    Statistic: how strongly each quarter of a map (rows, then columns) follows what the other maps
    expect of it, against the other quarters, in standard errors from squares of the field; and
    where a quarter fits best. Null: one strength, at no shift.
    """
    check = "seams"
    ready = aligning(seen)
    if ready is None:
        return [Finding(check, finding="not_examined")]
    found, worst = [], 0.0
    examined = False
    for k, element in enumerate(seen.elements):
        expected = ready.expected(k) if seen.alive[k] else None
        if expected is None:
            continue
        examined = True
        z, part = _uneven(ready.units[k], expected, ready.noise_of(k), ready.reach(k))
        if z > SEAM_Z:
            # Patches of a film of its own lie where they lie: tiles as wide as those, too.
            own = _reach(ready.smooth[k] - ready.smooth[k].mean())
            z, part = _uneven(ready.units[k], expected, ready.noise_of(k), max(own, ready.reach(k)))
        worst = max(worst, z)
        if z > SEAM_Z:
            found.append(Finding(
                check, element, "faulty", z, SEAM_Z,
                f"the map of {element} follows the other maps in one part of the field and not in "
                f"another ({part}): it has a seam, or part of it is of another field",
                f"map {element} again in one run",
                withholds=(("verdict", element), ("shares", element)), drops=(element,),
            ))  # fmt: skip
    if 2 * len(found) >= int(np.count_nonzero(seen.alive)) and len(found) > 1:
        return _majority(check, found, seen)
    return found or [Finding(check, finding="sound" if examined else "not_examined", value=worst,
                             limit=SEAM_Z)]  # fmt: skip


def _uneven(units: Array, expected: Array, noise: float, reach: int) -> tuple[float, str]:
    """Return how far the weakest part lies below the rest, in standard errors, and which."""
    # Tiles wider than what is seen in them, so that one droplet is one witness, not many.
    side = max(4, min(units.shape) // 16, 2 * (reach - 2))
    rows, columns = units.shape[0] // side, units.shape[1] // side

    def tiles(values: Array) -> Array:
        cut = values[: rows * side, : columns * side]
        return np.asarray(cut.reshape(rows, side, columns, side).sum((1, 3), dtype=np.float64))

    # The power of the structure alone: where there is only noise nothing can be followed.
    products, powers = tiles(units * expected), tiles(expected**2 - noise)
    raw = tiles(expected**2)
    if not powers.sum() > 0:
        return 0.0, ""
    whole = float(products.sum() / powers.sum())
    worst, said = 0.0, ""
    for axis, n, word in ((0, rows, "rows"), (1, columns, "columns")):
        for first, last in _parts(n):
            inside = np.zeros((rows, columns), dtype=bool)
            inside[(slice(first, last), slice(None)) if axis == 0
                   else (slice(None), slice(first, last))] = True  # fmt: skip
            a, b = (_strength(products[m], powers[m], raw[m]) for m in (inside, ~inside))
            if a is None or b is None:
                continue
            for (low, low_error), (high, high_error), where in (
                (a, b, f"{word} {first * side} to {last * side} of {n * side}"),
                (b, a, f"all but {word} {first * side} to {last * side} of {n * side}"),
            ):
                if high * whole <= 0 or low / high > SEAM_PART:
                    continue
                z = (abs(high) - low * np.sign(high)) / np.hypot(low_error, high_error)
                if z > worst:
                    worst, said = float(z), where
    return worst, said


def _parts(n: int) -> list[tuple[int, int]]:
    """Return parts of an axis: its ends up to each eighth."""
    cuts = sorted({round(n * k / 8) for k in range(1, 8)})
    return [(0, c) for c in cuts]


def _strength(products: Array, powers: Array, raw: Array) -> tuple[float, float] | None:
    """Return the slope over some squares and its standard error."""
    total = float(powers.sum())
    if not total > 0.6 * float(raw.sum()):
        return None
    # How many tiles share the structure (participation ratio): a few tell nothing of the scatter.
    witnesses = total**2 / float((powers**2).sum())
    if witnesses < LEAST_WITNESSES:
        return None
    slope = float(products.sum() / total)
    error = np.sqrt(float(((products - slope * powers) ** 2).sum())) / total
    return slope, max(error * np.sqrt(1 + 8 / witnesses), 1 / np.sqrt(total))


def _closely(seen: Observed) -> Aligning | None:
    """Return the maps made ready at full resolution: all of them, or their middle."""
    if max(seen.shape) <= MOST_SIDE:
        return aligning(seen)
    if "closely" not in seen.memo:
        cut = tuple(
            slice(max(0, (n - MOST_SIDE) // 2), max(0, (n - MOST_SIDE) // 2) + MOST_SIDE)
            for n in seen.shape
        )
        middle = replace(seen, planes=seen.planes[(slice(None), *cut)], valid=seen.valid[cut])
        seen.memo["closely"] = aligning(middle)
    ready: Aligning | None = seen.memo["closely"]
    return ready


def combed(seen: Observed) -> list[Finding]:
    """Find maps of which every second row (or column) is displaced.

    Statistic: products of rows two apart less those of neighbouring rows, in standard errors.
    Null: what the beam blurs falls off with distance, so neighbours are more alike.
    """
    check = "rows in a comb"
    ready = _closely(seen)
    if ready is None:
        return [Finding(check, finding="not_examined")]
    found, worst = [], 0.0
    for k, element in enumerate(seen.elements):
        for axis in (0, 1):
            plane = ready.units[k] if axis == 0 else ready.units[k].T
            near = float(np.mean(plane[1:-1] * (plane[2:] + plane[:-2])) / 2)
            next_but_one = float(np.mean(plane[2:] * plane[:-2]))
            own = float(np.mean(plane**2))
            z = (next_but_one - near) * np.sqrt(plane.size) / max(own, 1.0)
            worst = max(worst, z)
            if z > 8.0 and next_but_one > 1.25 * near:
                word, way = ("row", "y") if axis == 0 else ("column", "x")
                found.append((element, z, word, way))
    if not found:
        return [Finding(check, value=worst, limit=8.0)]
    if 2 * len(found) >= np.count_nonzero(seen.alive):
        _, z, word, way = max(found, key=lambda f: f[1])
        return [Finding(
            check, "all", "faulty", z, 8.0,
            f"every second {word} of the maps is displaced: edges and connections are not known "
            "to better than that", "switch scanning in both directions off, or align the lines",
            withholds=(("connection", "all"),),
        )]  # fmt: skip
    return [Finding(
        check, e, "faulty", z, 8.0, f"every second {word} of {e} is displaced",
        f"export {e} anew", withholds=(("verdict", e), ("shares", e)), drops=(e,),
    ) for e, z, word, _ in found]  # fmt: skip


def _common(ready: Aligning) -> Array | None:
    """Return the one structure that all maps share, in units of its noise; None without one."""
    values, vectors = np.linalg.eigh(ready.shared - SMOOTH_NOISE * np.eye(len(ready.units)))
    if values[-1] < 8 * ready.error * np.sqrt(len(ready.units)):
        return None
    return np.asarray(np.tensordot(vectors[:, -1], ready.units, axes=1))


def wavering(seen: Observed) -> list[Finding]:
    """Find fields of which single rows are displaced sideways: vibration, or a scan that slips.

    Statistic: share of the lines that fit the next better when moved along themselves, to the one
    side and to the other, by `ROW_Z` standard errors of the product. Null: neighbours lie beside
    each other; what runs aslant moves them all to one side.
    """
    check = "rows displaced"
    ready = _closely(seen)
    common = _common(ready) if ready is not None else None
    if common is None:
        return [Finding(check, finding="not_examined")]
    worst, way = 0.0, 0
    for axis in (0, 1):
        share = _slipping(common if axis == 0 else common.T)
        if share > worst:
            worst, way = share, axis
    if worst <= MOST_DISPLACED:
        return [Finding(check, value=worst, limit=MOST_DISPLACED)]
    word = "rows" if way == 0 else "columns"
    return [Finding(
        check, "all", "faulty", worst, MOST_DISPLACED,
        f"{200 * worst:.0f} % of the {word} are displaced against those beside them: outlines, "
        "sizes and connections are not known to better than that",
        "keep the stage from vibrating, or scan more slowly, and map again",
        withholds=(("connection", "all"), ("sizes", "all")),
    )]  # fmt: skip


def _slipping(common: Array) -> float:
    """Return the share of the lines that slip against the next to the one side, and to the other.

    The lesser of the two: structure that runs aslant moves all lines to one side, and a line that
    slips alone moves to one side and back.
    """
    # Freed of some of its noise along the line, which says nothing of where the line lies.
    soft = ndimage.gaussian_filter1d(common[1:], SMOOTH_PX, axis=1)
    n = common.shape[1]
    inner = slice(SLIP_PX, n - SLIP_PX)
    here, own = soft[:, inner], common[:-1, inner]
    noise = np.maximum(1.0, (own - here).var(axis=1))
    at = (own * here).sum(axis=1)
    sides = []
    for side in (1, -1):
        best = np.zeros(len(own))
        for by in range(side, side * (SLIP_PX + 1), side):
            there = soft[:, SLIP_PX + by : n - SLIP_PX + by]
            gain = (own * there).sum(axis=1) - at
            # What the line gains, less what the next would gain by being brighter there.
            gain -= ((there**2).sum(axis=1) - (here**2).sum(axis=1)) / 2
            error = np.sqrt(noise * ((there - here) ** 2).sum(axis=1)) + 1e-12
            best = np.maximum(best, gain / error)
        sides.append(best)
    one, other = sides
    shares = (np.mean((a > ROW_Z) & (a > b)) for a, b in ((one, other), (other, one)))
    return float(min(shares))


def repeated(seen: Observed) -> list[Finding]:
    """Find fields whose parts show one another's structure: half frames, tiles of one picture.

    Statistic: product of the two halves (thirds, quarters) of all maps over that of the maps with
    themselves. Null: no place of a field is like another at exactly that distance.
    """
    check = "field twice"
    ready = aligning(seen)
    common = _common(ready) if ready is not None else None
    if ready is None or common is None:
        return [Finding(check, finding="not_examined")]
    smooth = ndimage.gaussian_filter(common, SMOOTH_PX, mode="nearest")
    worst = 0.0
    for axis in (0, 1):
        # What is the same along the axis (a film's straight edge) is there at every distance.
        plane, soft = (
            v - v.mean(axis=0) for v in ((common, smooth) if axis == 0 else (common.T, smooth.T))
        )
        for parts in (2, 3, 4):
            deep = len(plane) // parts
            same = (plane[:-deep] * soft[deep:]).sum()
            own = (plane * soft).sum() - SMOOTH_NOISE * plane.size * _excess(plane, soft)
            own *= (len(plane) - deep) / len(plane)
            side = max(4, 2 * (_reach(soft) - 2))
            witnesses = _witnesses(soft, side)
            if witnesses >= 2 * LEAST_WITNESSES and own > 0:
                worst = max(worst, float(same / own))
    if worst <= MOST_ALIKE:
        return [Finding(check, value=worst, limit=MOST_ALIKE)]
    return [Finding(
        check, "all", "faulty", worst, MOST_ALIKE,
        f"one part of the field shows {100 * worst:.0f} % of the structure of another: half frames "
        "were not woven together, or a picture was repeated",
        "export the whole field in the order in which it was scanned",
        withholds=(("connection", "all"), ("sizes", "all")),
    )]  # fmt: skip


def shown_twice(seen: Observed) -> list[Finding]:
    """Find fields that moved while they were counted, so that all of it is there twice.

    Statistic: autocorrelation of the maps' common structure after every wavenumber was brought to
    one power, at its highest beyond `NEAREST_ECHO`, in standard errors over the wavenumbers; an
    echo adds ``cos(k d)`` to the spectrum at every k alike (Bogert, Healy & Tukey, in Time Series
    Analysis, ed. Rosenblatt (1963) 209). Null: places are independent but for shapes, and what is
    long in one direction is like itself half as far and twice as far as well.
    """
    check = "structure twice"
    ready = aligning(seen)
    if ready is None or _common(ready) is None:
        return [Finding(check, finding="not_examined")]
    _, vectors = np.linalg.eigh(ready.shared - SMOOTH_NOISE * np.eye(len(ready.units)))
    weights = vectors[:, -1]
    planes = fft.rfft2(ready.units)
    alone = np.tensordot(weights**2, np.abs(planes) ** 2, axes=1)
    # Products of a map with itself hold its noise, those of two maps do not.
    power = np.abs(np.tensordot(weights, planes, axes=1)) ** 2 - alone
    shape = ready.units.shape[1:]
    least = min(shape)
    wave = np.hypot(fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None])
    ring = (wave * least / 2).astype(np.int64)
    mean, noise = (np.bincount(ring.ravel(), p.ravel()) for p in (power, alone))
    signal = (mean > LEAST_ECHO_POWER * noise)[ring] & (wave > 1 / (3 * BROAD))
    if np.count_nonzero(signal) < LEAST_WAVES:
        return [Finding(check, finding="not_examined")]
    level: Array = mean / np.maximum(np.bincount(ring.ravel()), 1)
    even = np.where(signal, np.clip(power / np.where(level > 0, level, 1)[ring] - 1, -3, 5), 0)
    surface = fft.irfft2(even, shape) * even.size / np.sqrt(2 * (even**2).sum() + 1e-9)
    surface *= shape[0] * shape[1] / even.size
    reach = least // 4
    near = np.roll(surface, (reach, reach), (0, 1))[: 2 * reach, : 2 * reach]
    y, x = np.mgrid[-reach:reach, -reach:reach]
    near = np.where(np.hypot(y, x) >= NEAREST_ECHO, near, -np.inf)
    top = np.unravel_index(int(np.argmax(near)), near.shape)
    dy, dx, z = int(y[top]), int(x[top]), float(near[top])
    # A peak is as wide as the disc of wavenumbers that show the structure leaves it (Airy).
    lobe = max(2.5, 0.61 / float(np.quantile(wave[signal], 0.98)))
    beyond = np.minimum(np.hypot(y - dy, x - dx), np.hypot(y + dy, x + dx)) > lobe
    elsewhere = max(float(near[beyond].max()), float(surface[round(dy / 2), round(dx / 2)]))
    twice = float(surface[2 * dy % shape[0], 2 * dx % shape[1]])
    if not (z > ECHO_Z and elsewhere < 0.5 * z and twice < 0.15 * z):
        return [Finding(check, value=min(z, ECHO_Z), limit=ECHO_Z)]
    rows, columns = abs(dy) * ready.side, abs(dx) * ready.side
    return [Finding(
        check, "all", "faulty", z, ECHO_Z,
        f"all of the field is there twice, {rows} rows and {columns} columns apart: it moved "
        "while it was counted, or frames were added that do not lie on one another",
        "map the field again with drift correction, or add the frames aligned",
        withholds=(("coverage", ""), ("connection", "all"), ("sizes", "all")),
    )]  # fmt: skip


def _excess(plane: Array, soft: Array) -> float:
    """Return the white noise of a plane over one, from what its neighbours do not share."""
    rest = plane[1:-1, 1:-1] - (plane[:-2, 1:-1] + plane[2:, 1:-1] + plane[1:-1, :-2]
                                + plane[1:-1, 2:]) / 4  # fmt: skip
    return float(np.clip(rest.var() / 1.25, 1.0, None)) if soft.size else 1.0


def _witnesses(soft: Array, side: int) -> float:
    """Return how many tiles hold the structure (participation ratio)."""
    rows, columns = (n // side for n in soft.shape)
    cut = soft[: rows * side, : columns * side] ** 2
    power = cut.reshape(rows, side, columns, side).sum((1, 3))
    return float(power.sum() ** 2 / max((power**2).sum(), 1e-30))

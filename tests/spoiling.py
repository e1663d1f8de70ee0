"""Ways in which an export comes out spoiled, each a pure function on a made field.

Every entry of `SPOILED` is ``(name, strength, function)``; the function takes a `Field`, another
field of the same elements and a random generator, and returns maps and blank (or None). `what` is
the element that a spoiling of one map is done to: the minor element of the alloy.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import xarray as xr
from scipy import ndimage

from spattermap.core.mapset import facts

Pair = tuple[xr.Dataset, xr.Dataset | None]


def minor(maps: xr.Dataset) -> str:
    """Return the alloy element of least content that was mapped."""
    alloy = facts(maps).alloy
    return min((e for e in alloy if e in maps["element"].values), key=lambda e: alloy[e])


def main(maps: xr.Dataset) -> str:
    """Return the alloy element of most content."""
    alloy = facts(maps).alloy
    return max((e for e in alloy if e in maps["element"].values), key=lambda e: alloy[e])


def with_counts(maps: xr.Dataset, counts: np.ndarray) -> xr.Dataset:
    """Return the map set with other values."""
    out = maps.copy()
    out["counts"] = (maps["counts"].dims, counts)
    return out


def place(maps: xr.Dataset, element: str) -> int:
    """Return the index of an element."""
    return [str(e) for e in maps["element"].values].index(element)


def one_map(change: Callable[[np.ndarray], np.ndarray], which: Callable = minor) -> Callable:
    """Spoil one map of the field."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        k = place(made.maps, which(made.maps) if callable(which) else which)
        new = change(counts[k])
        if new.dtype.kind == "f":
            counts = counts.astype(float)
        counts[k] = new
        return with_counts(made.maps, counts), made.blank

    return spoil


def all_maps(change: Callable[[np.ndarray], np.ndarray]) -> Callable:
    """Spoil every map alike; the blank as well where its shape allows the same export."""

    def spoil(made, other, rng) -> Pair:
        return with_counts(made.maps, change(made.maps["counts"].values.copy())), made.blank

    return spoil


def both(change: Callable[[np.ndarray], np.ndarray]) -> Callable:
    """Spoil every map of field and blank: a habit of the export."""

    def spoil(made, other, rng) -> Pair:
        return (
            with_counts(made.maps, change(made.maps["counts"].values.copy())),
            with_counts(made.blank, change(made.blank["counts"].values.copy())),
        )

    return spoil


# --- geometry of one map ---------------------------------------------------------------------
def moved(plane, other, dy, dx):
    """Shift by whole pixels; what comes in from the edge is of another place."""
    out = np.roll(plane, (dy, dx), (0, 1))
    fresh = np.zeros(plane.shape, bool)
    if dy:
        fresh[:dy] = dy > 0
        fresh[dy:] |= dy < 0
    if dx:
        fresh[:, :dx] |= dx > 0
        fresh[:, dx:] |= dx < 0
    out[fresh] = other[fresh]
    return out


def shift(dy, dx, which=minor):
    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        k = place(made.maps, which(made.maps))
        counts[k] = moved(counts[k], other.maps["counts"].values[k], dy, dx)
        return with_counts(made.maps, counts), made.blank

    return spoil


def half_moved(part, dy, dx, which=minor):
    """Return a map whose lower part was shifted against the rest: a seam."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        k = place(made.maps, which(made.maps))
        cut = int(part * counts.shape[1])
        counts[k, cut:] = moved(counts[k], other.maps["counts"].values[k], dy, dx)[cut:]
        return with_counts(made.maps, counts), made.blank

    return spoil


def from_other(part, which=minor):
    """Return a map (or the lower part of one) that is another field's."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        k = place(made.maps, which(made.maps))
        cut = int((1 - part) * counts.shape[1])
        counts[k, cut:] = other.maps["counts"].values[k, cut:]
        return with_counts(made.maps, counts), made.blank

    return spoil


def glass(maps):
    """Return the strongest line of the glass."""
    return "Si"


def field_jump(cut_at, dx):
    """All maps jump sideways at a row: the stage or beam moved."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        cut = int(cut_at * counts.shape[1])
        theirs = other.maps["counts"].values
        for k in range(len(counts)):
            counts[k, cut:] = moved(counts[k], theirs[k], 0, dx)[cut:]
        return with_counts(made.maps, counts), made.blank

    return spoil


def comb(dx, which=None):
    """Every second row is displaced (scan of both directions, badly timed)."""

    def change(plane):
        out = plane.copy()
        out[..., 1::2, :] = np.roll(plane[..., 1::2, :], dx, -1)
        return out

    return one_map(change, which) if which else all_maps(change)


# --- lost parts ------------------------------------------------------------------------------
def lost(rows=slice(None), columns=slice(None), value=0):
    def change(stack):
        stack[..., rows, columns] = value
        return stack

    return change


def lost_columns(part, axis=-1):
    def change(stack):
        n = stack.shape[axis]
        which = np.random.default_rng(3).choice(n, max(1, int(part * n)), replace=False)
        index = [slice(None)] * stack.ndim
        index[axis] = which
        stack[tuple(index)] = 0
        return stack

    return change


def stuck_rows(first, number):
    def change(stack):
        stack[..., first : first + number, :] = stack[..., first - 1 : first, :]
        return stack

    return change


def stopped(part):
    def change(stack):
        stack[..., int(part * stack.shape[-2]) :, :] = 0
        return stack

    return change


def caption(value, glyphs=True, deep=22):
    def change(stack):
        stack[..., -deep:, :] = 0
        if glyphs:
            text = np.random.default_rng(5).random((deep - 8, 60)) < 0.4
            stack[..., -deep + 4 : -4, 12:72] = np.where(text, value, 0)
        stack[..., -12:-8, -80:-20] = value
        return stack

    return change


def bar(value):
    def change(stack):
        stack[..., -20:-12, 20:100] = value
        return stack

    return change


# --- dose ------------------------------------------------------------------------------------
def redosed(profile: Callable[[int], np.ndarray], which=None, axis=0):
    """Count anew with an exposure that depends on the row (or the column)."""

    def spoil(made, other, rng) -> Pair:
        means = made.means.copy()
        n = means.shape[1 + axis]
        factor = profile(n)[:, None] if axis == 0 else profile(n)[None, :]
        counts = made.maps["counts"].values.copy()
        chosen = range(len(means)) if which is None else [place(made.maps, which(made.maps))]
        for k in chosen:
            counts[k] = rng.poisson(means[k] * factor)
        return with_counts(made.maps, counts), made.blank

    return spoil


def step(at, factor):
    return lambda n: np.where(np.arange(n) < at * n, 1.0, factor)


def ramp(end):
    return lambda n: np.linspace(1.0, end, n)


def flicker(rows, factor):
    def profile(n):
        out = np.ones(n)
        out[rows] = factor
        return out

    return profile


def even(factor):
    return lambda n: np.full(n, factor)


# --- values ----------------------------------------------------------------------------------
def hot(part, value, every=False):
    def change(stack):
        where = np.random.default_rng(11).random(stack.shape[-2:]) < part
        stack[..., where] = value
        return stack

    return all_maps(change) if every else one_map(change)


def level(offset):
    """Raise (or cut) the black level."""
    return lambda stack: np.clip(stack.astype(int) + offset, 0, None).astype(np.uint16)


def threshold(least):
    return lambda stack: np.where(stack < least, 0, stack).astype(np.uint16)


def saturated(part):
    """Cut at a value that `part` of the metal's pixels exceed."""

    def change(plane):
        top = max(1, int(np.quantile(plane, 1 - part)))
        return np.minimum(plane, top)

    return change


def stretched(top=1.0, gamma=1.0):
    """Return 8-bit pictures, each map stretched on its own."""

    def change(stack):
        out = np.empty(stack.shape, np.uint8)
        for k, plane in enumerate(stack):
            white = max(float(np.quantile(plane, top)), 1.0)
            out[k] = np.rint(255 * np.clip(plane / white, 0, 1) ** gamma)
        return out

    return change


def pictures(top=1.0, gamma=1.0):
    """The same, known to be no counts."""
    change = stretched(top, gamma)

    def spoil(made, other, rng) -> Pair:
        maps = with_counts(made.maps, change(made.maps["counts"].values))
        maps.attrs["quantity"] = "intensity"
        return maps, None

    return spoil


def percent(whole: bool):
    def change(stack):
        smooth = np.stack([ndimage.gaussian_filter(p.astype(float), 1.0) for p in stack])
        out = 100 * smooth / np.maximum(smooth.sum(axis=0), 1e-9)
        return np.rint(out).astype(np.uint16) if whole else out

    return both(change)


def smoothed(how, which=None):
    def change(stack):
        planes = stack if stack.ndim == 3 else stack[None]
        if how == "median":
            done = np.stack([ndimage.median_filter(p, 3) for p in planes])
        elif how == "mean":
            done = np.stack([np.rint(ndimage.uniform_filter(p.astype(float), 3)) for p in planes])
        else:
            done = np.stack([ndimage.gaussian_filter(p.astype(float), float(how)) for p in planes])
        if how in ("median", "mean"):
            done = done.astype(np.uint16)
        return done if stack.ndim == 3 else done[0]

    return one_map(change, which) if which else both(change)


def doubled(interpolated=False):
    def change(stack):
        small = stack[:, ::2, ::2]
        if interpolated:
            return np.rint(ndimage.zoom(small.astype(float), (1, 2, 2), order=1)).astype(np.uint16)
        return np.repeat(np.repeat(small, 2, axis=1), 2, axis=2)

    return both(change)


def gained(gain, spread=0.0):
    def change(stack):
        live = 1 + spread * np.random.default_rng(2).random(stack.shape[-2:])
        return np.rint(stack * gain * live).astype(np.uint32)

    return both(change)


def flat(value):
    return lambda plane: np.full_like(plane, value)


def shuffled(plane):
    flat_values = plane.ravel().copy()
    np.random.default_rng(4).shuffle(flat_values)
    return flat_values.reshape(plane.shape)


def interlaced_rows(plane):
    plane[1::2] = plane[::2]
    return plane


# --- labels and facts ------------------------------------------------------------------------
def swapped(a, b):
    def spoil(made, other, rng) -> Pair:
        one, two = (place(made.maps, f(made.maps)) for f in (a, b))
        counts = made.maps["counts"].values.copy()
        counts[[one, two]] = counts[[two, one]]
        return with_counts(made.maps, counts), made.blank

    return spoil


def copied(source, target):
    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        counts[place(made.maps, target(made.maps))] = counts[place(made.maps, source(made.maps))]
        return with_counts(made.maps, counts), made.blank

    return spoil


def first_absent(maps):
    """Return the element that is in neither material."""
    known = facts(maps)
    return next(str(e) for e in maps["element"].values if e not in {*known.alloy, *known.substrate})


def stated(**attrs):
    def spoil(made, other, rng) -> Pair:
        maps = made.maps.copy()
        maps.attrs = {**maps.attrs}
        for name, value in attrs.items():
            maps.attrs[name] = value(maps) if callable(value) else value
        return maps, made.blank

    return spoil


def pixel(factor):
    def spoil(made, other, rng) -> Pair:
        size = float(made.maps.attrs["pixel_size_um"]) * factor
        out = []
        for maps in (made.maps, made.blank):
            n = maps.sizes["y"]
            new = maps.assign_coords(
                y=("y", (np.arange(n) + 0.5) * size, {"units": "um"}),
                x=("x", (np.arange(maps.sizes["x"]) + 0.5) * size, {"units": "um"}),
            )
            new.attrs = {**maps.attrs, "pixel_size_um": size}
            out.append(new)
        return out[0], out[1]

    return spoil


def line_beyond_beam():
    """State a line that the beam cannot excite: a K line of silver or tin, else a weak beam."""

    def spoil(made, other, rng) -> Pair:
        element = minor(made.maps)
        if element not in ("Ag", "Sn"):
            return stated(beam_energy_keV=5.5)(made, other, rng)
        names = [str(v) for v in made.maps["line"].values]
        names[place(made.maps, element)] = f"{element} Ka"
        return made.maps.assign_coords(line=("element", names)), made.blank

    return spoil


def blank_of(change: Callable) -> Callable:
    def spoil(made, other, rng) -> Pair:
        return made.maps, change(made, other, rng)

    return spoil


def dosed_blank(factor):
    return blank_of(
        lambda made, _other, rng: with_counts(
            made.blank, rng.poisson(made.blank_means * factor).astype(np.uint32)
        )
    )


def soiled_blank(part):
    def change(made, other, rng):
        counts = made.blank["counts"].values.copy()
        cut = int(part * counts.shape[1])
        counts[:, :cut] = other.maps["counts"].values[:, :cut]
        return with_counts(made.blank, counts)

    return blank_of(change)


def other_blank(made, other, rng):
    out = made.blank.copy()
    out.attrs = {**out.attrs, "beam_energy_keV": 8.0}
    counts = made.blank["counts"].values.copy()
    # Another glass: a third of its silicon, twice the continuum under the metal's lines.
    names = [str(e) for e in made.maps["element"].values]
    for k, e in enumerate(names):
        if e not in ("Si", "O"):
            counts[k] = rng.poisson(2.0 * made.blank_means[k])
    return with_counts(out, counts)


def turned(how):
    return {
        "turned 90": lambda p: np.rot90(p).copy(),
        "turned 180": lambda p: p[::-1, ::-1].copy(),
        "turned 270": lambda p: np.rot90(p, 3).copy(),
        "mirrored x": lambda p: p[:, ::-1].copy(),
        "mirrored y": lambda p: p[::-1].copy(),
        "transposed": lambda p: p.T.copy(),
        "transposed twice": lambda p: p[::-1, ::-1].T.copy(),
    }[how]


TURNS = (
    "turned 90", "turned 180", "turned 270", "mirrored x", "mirrored y", "transposed",
    "transposed twice",
)  # fmt: skip

SPOILED: tuple[tuple[str, str, Callable], ...] = (
    *((how, "minor metal", one_map(turned(how))) for how in TURNS),
    ("turned 180", "main metal", one_map(turned("turned 180"), main)),
    ("turned 180", "glass line", one_map(turned("turned 180"), glass)),
    ("mirrored y", "glass line", one_map(turned("mirrored y"), glass)),
    *(("shifted", f"{n} px", shift(n, -n)) for n in (2, 3, 6, 20)),
    ("shifted", "main metal 6 px", shift(0, 6, main)),
    ("shifted", "glass line 6 px", shift(6, 0, glass)),
    ("restarted", "1/3 of the rows", one_map(lambda p: np.roll(p, len(p) // 3, 0))),
    ("restarted", "1/10 of the rows", one_map(lambda p: np.roll(p, len(p) // 10, 0))),
    ("restarted", "1/2 of the columns", one_map(lambda p: np.roll(p, len(p) // 2, 1))),
    ("seam", "half by 8 px", half_moved(0.5, 0, 8)),
    ("seam", "quarter by 8 px", half_moved(0.75, 0, 8)),
    ("seam", "half by 20 px down", half_moved(0.5, 20, 0)),
    ("seam", "half of another field", from_other(0.5)),
    ("seam", "quarter of another field", from_other(0.25)),
    ("another field", "minor metal", from_other(1.0)),
    ("another field", "main metal", from_other(1.0, main)),
    ("another field", "glass line", from_other(1.0, glass)),
    ("all maps jump", "12 px at half height", field_jump(0.5, 12)),
    ("comb", "all maps 2 px", comb(2)),
    ("comb", "all maps 5 px", comb(5)),
    ("comb", "one map 4 px", comb(4, minor)),
    ("dead columns", "one, all maps", all_maps(lost(columns=slice(100, 101)))),
    ("dead columns", "three, all maps", all_maps(lost(columns=slice(100, 103)))),
    ("dead columns", "one, one map", one_map(lost(columns=slice(100, 101)))),
    ("dead columns", "eight, one map", one_map(lost(columns=slice(100, 108)))),
    ("dead columns", "5 % here and there", all_maps(lost_columns(0.05))),
    ("dead columns", "5 %, main metal", one_map(lost_columns(0.05), main)),
    ("dead columns", "full, one map", one_map(lost(columns=slice(100, 103), value=40), main)),
    ("dead rows", "one, all maps", all_maps(lost(rows=slice(100, 101)))),
    ("dead rows", "four, all maps", all_maps(lost(rows=slice(100, 104)))),
    ("dead rows", "four, glass line", one_map(lost(rows=slice(100, 104)), glass)),
    ("dead rows", "5 % here and there", all_maps(lost_columns(0.05, axis=-2))),
    ("stuck rows", "three, all maps", all_maps(stuck_rows(90, 3))),
    ("stuck rows", "every second, one map", one_map(interlaced_rows)),
    ("dead rectangle", "40 x 40, all maps", all_maps(lost(slice(60, 100), slice(150, 190)))),
    ("dead rectangle", "40 x 40, one map", one_map(lost(slice(60, 100), slice(150, 190)))),
    ("dead rectangle", "16 x 16, all maps", all_maps(lost(slice(60, 76), slice(150, 166)))),
    ("dead rectangle", "full, one map", one_map(lost(slice(60, 100), slice(150, 190), 60), main)),
    ("stopped early", "at half", all_maps(stopped(0.5))),
    ("stopped early", "at 85 %", all_maps(stopped(0.85))),
    ("stopped early", "one map at 70 %", one_map(stopped(0.7))),
    ("caption", "all maps", all_maps(caption(255))),
    ("caption", "one map", one_map(caption(255), main)),
    ("caption", "strip alone, all maps", all_maps(caption(0, glyphs=False))),
    ("scale bar", "all maps", all_maps(bar(255))),
    ("scale bar", "one map", one_map(bar(40), main)),
    ("hot pixels", "1 in 10 000", hot(1e-4, 400)),
    ("hot pixels", "5 in 10 000", hot(5e-4, 400)),
    ("hot pixels", "1 in 1000, weak", hot(1e-3, 60)),
    ("hot pixels", "5 in 10 000, all maps", hot(5e-4, 400, every=True)),
    ("black level", "+2, one map", one_map(level(2))),
    ("black level", "+10, one map", one_map(level(10))),
    ("black level", "+3, all maps", both(level(3))),
    ("black level", "-1, one map", one_map(level(-1))),
    ("black level", "-1, all maps", both(level(-1))),
    ("percent", "decimals", percent(False)),
    ("percent", "whole numbers", percent(True)),
    ("dwell", "three times, one map", redosed(even(3.0), minor)),
    ("dwell", "ten times, one map", redosed(even(10.0), minor)),
    ("dwell", "a third, glass line", redosed(even(1 / 3), glass)),
    ("labels", "minor and glass", swapped(minor, glass)),
    ("labels", "main and glass", swapped(main, glass)),
    ("labels", "main and minor", swapped(main, minor)),
    ("copy", "main to minor", copied(main, minor)),
    ("copy", "glass to minor", copied(glass, minor)),
    ("copy", "main to absent", copied(main, first_absent)),
    ("line", "not to be excited", line_beyond_beam()),
    ("line", "beam too weak", stated(beam_energy_keV=4.0)),
    ("pixel size", "x 1000", pixel(1e3)),
    ("pixel size", "/ 1000", pixel(1e-3)),
    ("pixel size", "x 300", pixel(300.0)),
    ("smoothed", "Gaussian 1 px", smoothed(1.0)),
    ("smoothed", "3 x 3 mean, whole numbers", smoothed("mean")),
    ("smoothed", "3 x 3 median", smoothed("median")),
    ("smoothed", "one map, 3 x 3 mean", smoothed("mean", minor)),
    ("saturated", "top 5 %, main", one_map(saturated(0.05), main)),
    ("saturated", "top 15 %, main", one_map(saturated(0.15), main)),
    ("saturated", "top 10 %, minor", one_map(saturated(0.10))),
    ("stretched", "8 bits, said to be counts", both(stretched())),
    ("stretched", "99.5 %, said to be counts", both(stretched(0.995))),
    ("stretched", "gamma, said to be counts", both(stretched(0.999, 0.6))),
    ("stretched", "pictures", pictures()),
    ("stretched", "pictures, 99 %", pictures(0.99, 0.8)),
    ("dose drift", "to 70 %", redosed(ramp(0.7))),
    ("dose drift", "to 30 %", redosed(ramp(0.3))),
    ("dose drift", "one map to 40 %", redosed(ramp(0.4), minor)),
    ("dose step", "to 80 %", redosed(step(0.4, 0.8))),
    ("dose step", "to 50 %", redosed(step(0.4, 0.5))),
    ("dose step", "to 15 %", redosed(step(0.6, 0.15))),
    ("dose step", "one map to 50 %", redosed(step(0.5, 0.5), minor)),
    ("dose step", "one map to 20 %", redosed(step(0.5, 0.2), minor)),
    ("flicker", "three rows x 2", redosed(flicker([50, 51, 110], 2.0))),
    ("flicker", "three rows x 0.3", redosed(flicker([50, 51, 110], 0.3))),
    ("doubled", "pixels repeated", doubled()),
    ("doubled", "interpolated", doubled(interpolated=True)),
    ("not counts", "x 220 rounded", gained(220.3)),
    ("not counts", "x 100 with live time", gained(100.0, 0.05)),
    ("not counts", "x 3", gained(3)),
    ("thresholded", "ones dropped", both(threshold(2))),
    ("thresholded", "below three dropped", both(threshold(3))),
    ("empty", "one map zero", one_map(flat(0))),
    ("empty", "one map constant", one_map(flat(7))),
    ("shuffled", "one map", one_map(shuffled)),
    ("blank", "another deposit", soiled_blank(1.0)),
    ("blank", "a third of it covered", soiled_blank(0.35)),
    ("blank", "the field itself", blank_of(lambda made, *_: made.maps)),
    ("blank dose", "x 3", dosed_blank(3.0)),
    ("blank dose", "x 0.3", dosed_blank(0.3)),
    ("blank dose", "x 1.5", dosed_blank(1.5)),
    ("blank", "another glass and beam", blank_of(other_blank)),
)


# --- what else exports do ----------------------------------------------------------------------
def rescanned(where, which=None):
    """Read each row from other places: `where` gives the shift of every row."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        theirs = other.maps["counts"].values
        shifts = where(counts.shape[1], rng)
        chosen = range(len(counts)) if which is None else [place(made.maps, which(made.maps))]
        for k in chosen:
            for y, dx in enumerate(shifts):
                counts[k, y] = moved(counts[k, y : y + 1], theirs[k, y : y + 1], 0, int(dx))[0]
        return with_counts(made.maps, counts), made.blank

    return spoil


def jitter(most):
    return lambda n, rng: rng.integers(-most, most + 1, n)


def sway(most, period):
    return lambda n, _: np.rint(most * np.sin(2 * np.pi * np.arange(n) / period))


def creep(most):
    return lambda n, _: np.rint(np.linspace(0, most, n))


def seen_through(matrix, offset=(0.0, 0.0), which=minor):
    """Count a map through a linear change of its grid: another magnification, a turn, a shear."""

    def spoil(made, other, rng) -> Pair:
        k = place(made.maps, which(made.maps))
        mean = made.means[k]
        middle = (np.array(mean.shape) - 1) / 2
        m = np.array(matrix, float)
        at = middle - m @ middle + np.array(offset)
        seen = ndimage.affine_transform(mean, m, at, order=1, mode="nearest")
        counts = made.maps["counts"].values.copy()
        counts[k] = rng.poisson(np.maximum(seen, 0))
        return with_counts(made.maps, counts), made.blank

    return spoil


def turn_by(degrees):
    a = np.deg2rad(degrees)
    return [[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]


def scaled_by(factor):
    return [[1 / factor, 0], [0, 1 / factor]]


def two_frames(dy, dx, which=None):
    """Half of the dose was counted before the stage moved, half after."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        chosen = range(len(counts)) if which is None else [place(made.maps, which(made.maps))]
        for k in chosen:
            mean, theirs = made.means[k] / 2, other.means[k] / 2
            counts[k] = rng.poisson(mean) + rng.poisson(moved(mean, theirs, dy, dx))
        return with_counts(made.maps, counts), made.blank

    return spoil


def dead_time(loss):
    """Lose counts where many arrive: `loss` of them at the brightest pixel (not paralysable)."""

    def spoil(made, other, rng) -> Pair:
        rate = made.means.sum(axis=0)
        tau = loss / (1 - loss) / np.quantile(rate, 0.999)
        return with_counts(
            made.maps, rng.poisson(made.means / (1 + tau * rate)).astype(np.uint16)
        ), made.blank

    return spoil


def at_dose(factor, change):
    """Count longer, then export."""

    def spoil(made, other, rng) -> Pair:
        field_ = rng.poisson(made.means * factor).astype(np.int64)
        plate = rng.poisson(made.blank_means * factor).astype(np.int64)
        return with_counts(made.maps, change(field_)), with_counts(made.blank, change(plate))

    return spoil


def wrapped(stack):
    return (stack % 256).astype(np.uint8)


def clipped_at(top):
    return lambda stack: np.minimum(stack, top).astype(np.uint16)


def coded(quality):
    """Keep each map as an 8-bit JPEG picture, one stretch for all maps."""

    def change(stack):
        import io

        from PIL import Image

        white = max(float(np.quantile(stack, 0.9999)), 1.0)
        out = np.empty(stack.shape, np.uint8)
        for k, plane in enumerate(stack):
            kept = io.BytesIO()
            grey = np.rint(255 * np.clip(plane / white, 0, 1)).astype(np.uint8)
            Image.fromarray(grey).save(kept, "JPEG", quality=quality)
            out[k] = np.asarray(Image.open(kept))
        return out

    return change


def curved(function):
    return lambda stack: np.rint(function(stack.astype(float))).astype(np.uint16)


def zoomed(order, factor=2.0, whole=True, which=None):
    """Measured on a coarser grid and enlarged to this one."""

    def enlarge(plane):
        n = np.array(plane.shape)
        small = np.rint(n / factor).astype(int)
        step = n / small
        y, x = ((np.arange(s) * t).astype(int) for s, t in zip(small, step, strict=True))
        coarse = plane[np.ix_(y, x)].astype(float)
        out = ndimage.zoom(coarse, n / small, order=order, mode="nearest", grid_mode=True)
        out = np.maximum(out, 0)
        return np.rint(out).astype(np.uint16) if whole else out

    if which is not None:
        return one_map(enlarge, which)
    return both(lambda stack: np.stack([enlarge(p) for p in stack]))


def swapped_lines(stack):
    out = stack.copy()
    n = stack.shape[-2] // 2 * 2
    out[..., 0:n:2, :], out[..., 1:n:2, :] = stack[..., 1:n:2, :], stack[..., 0:n:2, :]
    return out


def tiled(stack):
    """Repeat one quarter of the field."""
    h, w = stack.shape[-2] // 2, stack.shape[-1] // 2
    return np.tile(stack[..., :h, :w], (1, 2, 2) if stack.ndim == 3 else (2, 2))


def subtracted(whole, which=None):
    """Take the mean of the darkest quarter off each map; nothing stays below zero."""

    def change(stack):
        planes = stack if stack.ndim == 3 else stack[None]
        smooth = [ndimage.uniform_filter(p.astype(float), 9) for p in planes]
        less = np.array([np.quantile(s, 0.1) for s in smooth])[:, None, None]
        out = np.maximum(planes - less, 0)
        out = np.rint(out).astype(np.uint16) if whole else out
        return out if stack.ndim == 3 else out[0]

    return one_map(change, which) if which else both(change)


def denoised(rank, whole):
    """Keep the strongest components only, as spectrum images are often cleaned."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.astype(float)
        flat_ = counts.reshape(len(counts), -1)
        scale = np.sqrt(flat_.mean(axis=1, keepdims=True) + 1e-9)
        u, s, v = np.linalg.svd(flat_ / scale, full_matrices=False)
        clean = np.maximum((u[:, :rank] * s[:rank]) @ v[:rank] * scale, 0).reshape(counts.shape)
        return with_counts(made.maps, np.rint(clean).astype(np.uint16) if whole else clean), None

    return spoil


def dropped(part, which=None):
    """Single pixels without a count: a link that loses packets."""

    def change(stack):
        gone = np.random.default_rng(17).random(stack.shape[-2:]) < part
        stack[..., gone] = 0
        return stack

    return one_map(change, which) if which else all_maps(change)


def framed(value, deep=2, which=None):
    def change(stack):
        for side in (slice(None, deep), slice(-deep, None)):
            stack[..., side, :] = value
            stack[..., :, side] = value
        return stack

    return one_map(change, which) if which else all_maps(change)


def drawn_over(value, which=None):
    """A box and a cross drawn into the picture."""

    def change(stack):
        stack[..., 60:62, 60:110] = stack[..., 108:110, 60:110] = value
        stack[..., 60:110, 60:62] = stack[..., 60:110, 108:110] = value
        stack[..., 84:86, 70:100] = stack[..., 70:100, 84:86] = value
        return stack

    return one_map(change, which) if which else all_maps(change)


def leaked(source, target, part, power=1.0):
    """Counts of one line in the window of another: a neighbour, a sum peak, an escape peak."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        mean = made.means[place(made.maps, source(made.maps))]
        top = np.quantile(mean, 0.99)
        more = rng.poisson(part * top * (mean / top) ** power)
        counts[place(made.maps, target(made.maps))] += more.astype(counts.dtype)
        return with_counts(made.maps, counts), made.blank

    return spoil


def shaded(depth, which):
    """The detector sees one side of the field worse in some lines."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        for e in which(made.maps):
            k = place(made.maps, e)
            counts[k] = rng.poisson(made.means[k] * np.linspace(1, 1 - depth, counts.shape[2]))
        return with_counts(made.maps, counts), made.blank

    return spoil


def soft(maps):
    return ["O"]


def metals(maps):
    return [e for e in facts(maps).alloy if e in maps["element"].values]


MORE: tuple[tuple[str, str, Callable], ...] = (
    ("line jitter", "2 px, all maps", rescanned(jitter(2))),
    ("line jitter", "3 px, one map", rescanned(jitter(3), minor)),
    ("vibration", "3 px, all maps", rescanned(sway(3, 9))),
    ("vibration", "5 px, one map", rescanned(sway(5, 60), minor)),
    ("drift", "12 px over the field, all maps", rescanned(creep(12))),
    ("drift", "8 px over the field, one map", rescanned(creep(8), minor)),
    ("drift", "20 px over the field, one map", rescanned(creep(20), minor)),
    ("drift", "20 px over the field, main metal", rescanned(creep(20), main)),
    ("magnification", "x 1.05, one map", seen_through(scaled_by(1.05))),
    ("magnification", "x 1.25, one map", seen_through(scaled_by(1.25))),
    ("magnification", "x 2, one map", seen_through(scaled_by(2.0))),
    ("magnification", "x 1.25, glass line", seen_through(scaled_by(1.25), which=glass)),
    ("turned", "by 2 degrees, one map", seen_through(turn_by(2))),
    ("turned", "by 8 degrees, one map", seen_through(turn_by(8))),
    ("frames", "moved by 6 px half-way, all maps", two_frames(6, 6)),
    ("frames", "moved by 8 px half-way, one map", two_frames(0, 8, minor)),
    ("dead time", "30 % at the brightest", dead_time(0.3)),
    ("dead time", "60 % at the brightest", dead_time(0.6)),
    ("8 bits", "60 times the dose, clipped", at_dose(60, clipped_at(255))),
    ("8 bits", "60 times the dose, wrapped", at_dose(60, wrapped)),
    ("8 bits", "clipped at 15", at_dose(4, clipped_at(15))),
    ("8 bits", "halved", both(lambda s: s // 2)),
    ("8 bits", "JPEG, quality 75", both(coded(75))),
    ("8 bits", "JPEG, quality 30", both(coded(30))),
    ("bytes", "swapped, all maps", both(lambda s: (s.astype(np.uint16) * 256).astype(np.uint16))),
    ("bytes", "swapped, one map", one_map(lambda p: (p.astype(np.uint16) * 256).astype(np.uint16))),
    ("curve", "logarithm", both(curved(lambda s: 40 * np.log1p(s)))),
    ("curve", "square root", both(curved(lambda s: 20 * np.sqrt(s)))),
    ("curve", "square root, one map", one_map(curved(lambda s: 5 * np.sqrt(s)))),
    ("curve", "squared", both(curved(lambda s: s**2))),
    ("enlarged", "x 2 linear, whole", zoomed(1)),
    ("enlarged", "x 2 linear, decimals", zoomed(1, whole=False)),
    ("enlarged", "x 2 cubic", zoomed(3)),
    ("enlarged", "x 1.5 nearest", zoomed(0, 1.5)),
    ("enlarged", "x 1.5 linear", zoomed(1, 1.5)),
    ("enlarged", "x 4 nearest", zoomed(0, 4.0)),
    ("enlarged", "one map x 2 nearest", zoomed(0, which=minor)),
    ("enlarged", "one map x 2 linear", zoomed(1, which=minor)),
    ("rows swapped", "in pairs, all maps", all_maps(swapped_lines)),
    ("rows swapped", "in pairs, one map", one_map(swapped_lines)),
    ("tiled", "a quarter four times", all_maps(tiled)),
    ("tiled", "one map", one_map(tiled)),
    ("rolled", "all maps by a third", all_maps(lambda s: np.roll(s, s.shape[-2] // 3, -2))),
    ("subtracted", "whole, cut at zero", subtracted(True)),
    ("subtracted", "decimals, cut at zero", subtracted(False)),
    ("subtracted", "one map", subtracted(True, minor)),
    ("denoised", "two components", denoised(2, False)),
    ("denoised", "three components, whole", denoised(3, True)),
    ("smoothed", "one map, median", smoothed("median", minor)),
    ("smoothed", "main metal, Gaussian 2 px", smoothed(2.0, main)),
    ("dropped pixels", "1 %, all maps", dropped(0.01)),
    ("dropped pixels", "10 %, all maps", dropped(0.10)),
    ("dropped pixels", "5 %, main metal", dropped(0.05, main)),
    ("frame", "2 px of zero", framed(0)),
    ("frame", "2 px of 255", framed(255)),
    ("frame", "1 px of 40, one map", framed(40, 1, main)),
    ("drawn over", "all maps", drawn_over(255)),
    ("drawn over", "one map", drawn_over(30, main)),
    ("leak", "5 % of main in the absent", leaked(main, first_absent, 0.05)),
    ("leak", "30 % of main in the absent", leaked(main, first_absent, 0.3)),
    ("leak", "30 % of glass in minor", leaked(glass, minor, 0.3)),
    ("leak", "sum peak, 5 % of main in the absent", leaked(main, first_absent, 0.05, 2.0)),
    ("labels", "minor and absent", swapped(minor, first_absent)),
    ("labels", "main and absent", swapped(main, first_absent)),
    ("labels", "glass and absent", swapped(glass, first_absent)),
    ("shaded", "soft line to half", shaded(0.5, soft)),
    ("shaded", "metals to half", shaded(0.5, metals)),
    ("net per second", "one map / 7.3", one_map(lambda p: p / 7.3)),
    ("net per second", "all maps / 7.3", both(lambda s: s / 7.3)),
)
SPOILED = (*SPOILED, *MORE)


# --- and what exporting programs, detectors and hands do besides --------------------------------
def interlaced(stack):
    """The odd rows first, then the even ones: two half frames, never woven together."""
    return np.concatenate([stack[..., ::2, :], stack[..., 1::2, :]], axis=-2)


def padded(corner):
    """Saved at half the size, the rest of the picture filled with zeros."""

    def change(plane):
        n = np.array(plane.shape) // 2
        small = plane[: 2 * n[0], : 2 * n[1]].reshape(n[0], 2, n[1], 2).sum((1, 3))
        out = np.zeros_like(plane)
        y, x = (0, 0) if corner else n // 2
        out[y : y + n[0], x : x + n[1]] = small
        return out

    return change


def averaged(side):
    """Squares of pixels averaged and rounded: fewer pixels, each of less noise than it says."""

    def of(maps):
        counts = maps["counts"].values
        ny, nx = (n // side for n in counts.shape[1:])
        cut = counts[:, : ny * side, : nx * side].reshape(len(counts), ny, side, nx, side)
        size = float(maps.attrs["pixel_size_um"]) * side
        out = maps.isel(y=slice(0, ny), x=slice(0, nx)).assign_coords(
            y=("y", (np.arange(ny) + 0.5) * size, {"units": "um"}),
            x=("x", (np.arange(nx) + 0.5) * size, {"units": "um"}),
        )
        out.attrs = {**maps.attrs, "pixel_size_um": size}
        return with_counts(out, np.rint(cut.mean((2, 4))).astype(np.uint16))

    def spoil(made, other, rng) -> Pair:
        return of(made.maps), of(made.blank)

    return spoil


def smoothed_apart(one, two):
    """Two maps smoothed, each otherwise."""

    def spoil(made, other, rng) -> Pair:
        first, _ = smoothed(one, main)(made, other, rng)
        counts = first["counts"].values.astype(float)
        k = place(first, minor(first))
        counts[k] = ndimage.gaussian_filter(counts[k], two)
        return with_counts(first, np.rint(counts).astype(np.uint16)), made.blank

    return spoil


def rainbow(stack):
    """Return colour pictures (blue, green, red) read as grey: the middle is brightest."""
    planes = stack if stack.ndim == 3 else stack[None]
    out = np.empty(planes.shape, np.uint8)
    for k, plane in enumerate(planes):
        at = np.clip(plane / max(float(np.quantile(plane, 0.999)), 1.0), 0, 1)
        red, green, blue = (np.clip(1.5 - np.abs(4 * at - c), 0, 1) for c in (3, 2, 1))
        out[k] = np.rint(255 * (0.299 * red + 0.587 * green + 0.114 * blue))
    return out if stack.ndim == 3 else out[0]


def cut_out(part):
    """Set what exceeds a value to zero (an upper threshold left on)."""
    return lambda plane: np.where(plane > max(1, np.quantile(plane, 1 - part)), 0, plane)


def names_moved(made, other, rng) -> Pair:
    """Every map under the name of the next: the list of names lost its first."""
    return with_counts(made.maps, np.roll(made.maps["counts"].values, 1, axis=0)), made.blank


def ghost(part, which=None):
    """Some of the field before was still in memory, and counting went on."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        chosen = range(len(counts)) if which is None else [place(made.maps, which(made.maps))]
        for k in chosen:
            counts[k] += rng.binomial(other.maps["counts"].values[k], part).astype(counts.dtype)
        return with_counts(made.maps, counts), made.blank

    return spoil


def rows_evened(stack):
    """Every row stretched to one mean, as pictures are cleared of stripes."""
    mean = stack.mean(axis=-1, keepdims=True)
    whole = stack.mean(axis=(-2, -1), keepdims=True)
    return np.rint(stack / np.maximum(mean, 1e-9) * whole).astype(np.uint16)


def rows_skipped(every, which=None):
    """Every so many rows one is lost and the next move up; the last is repeated at the end."""

    def change(stack):
        n = stack.shape[-2]
        kept = np.array([y for y in range(n) if y % every != every - 1])
        return stack[..., np.append(kept, np.full(n - kept.size, n - 1)), :]

    return one_map(change, which) if which else all_maps(change)


def local_background(width, whole):
    """Take a broad mean off each map, as uneven light is taken off pictures."""

    def change(stack):
        less = np.stack([ndimage.gaussian_filter(p.astype(float), width) for p in stack])
        out = np.maximum(stack - less, 0)
        return np.rint(out).astype(np.uint16) if whole else out

    return both(change)


def overcorrected(source, target, part):
    """Take too much of one line off another: an overlap corrected twice."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.astype(int)
        a, b = (place(made.maps, f(made.maps)) for f in (source, target))
        mean = made.means[a]
        ratio = part * made.means[b].max() / max(mean.max(), 1e-9)
        counts[b] = np.maximum(counts[b] - np.rint(ratio * counts[a]).astype(int), 0)
        return with_counts(made.maps, counts.astype(np.uint16)), made.blank

    return spoil


def darker_corners(depth, which=None, tiles=1):
    """All lines, or one, fall off from the middle: a collimator, a detector set aslant."""

    def spoil(made, other, rng) -> Pair:
        n = made.means.shape[-1]
        side = n // tiles
        at = (np.arange(n) % side + 0.5) / side - 0.5
        factor = 1 - depth * (at[:, None] ** 2 + at[None, :] ** 2) * 2
        counts = made.maps["counts"].values.copy()
        chosen = range(len(counts)) if which is None else [place(made.maps, which(made.maps))]
        for k in chosen:
            counts[k] = rng.poisson(made.means[k] * factor)
        return with_counts(made.maps, counts), made.blank

    return spoil


def tiles_dosed(depth, which=None):
    """Return four tiles joined, each darker towards its corners."""
    return darker_corners(depth, which, tiles=2)


def paralysed(peak):
    """A detector that every arrival blocks anew: beyond its best rate, more gives fewer counts."""

    def spoil(made, other, rng) -> Pair:
        rate = made.means.sum(axis=0)
        busy = peak * rate / np.quantile(rate, 0.999)
        return with_counts(
            made.maps, rng.poisson(made.means * np.exp(-busy)).astype(np.uint16)
        ), made.blank

    return spoil


def charged(most):
    """The beam is pushed aside near metal-free glass: rows shift with what the beam has passed."""

    def spoil(made, other, rng) -> Pair:
        means = made.means
        k = place(made.maps, glass(made.maps))
        dark = ndimage.gaussian_filter(means[k] / means[k].max(), 12)
        by = most * (dark - dark.mean()) / max(np.abs(dark - dark.mean()).max(), 1e-9)
        yy, xx = np.mgrid[: means.shape[1], : means.shape[2]]
        counts = np.stack([
            rng.poisson(np.maximum(
                ndimage.map_coordinates(p, [yy, xx + by], order=1, mode="nearest"), 0))
            for p in means
        ])  # fmt: skip
        return with_counts(made.maps, counts.astype(np.uint16)), made.blank

    return spoil


def haloed(depth):
    """A ring about each piece of metal where fewer electrons arrive."""

    def spoil(made, other, rng) -> Pair:
        k = place(made.maps, main(made.maps))
        metal = made.means[k] > 0.3 * made.means[k].max()
        far = ndimage.distance_transform_edt(~metal)
        factor = np.where(metal, 1.0, 1 - depth * np.exp(-far / 6))
        return with_counts(
            made.maps, rng.poisson(made.means * factor).astype(np.uint16)
        ), made.blank

    return spoil


def decayed(rows):
    """The beam's current dies away along the scan."""
    return lambda n: np.exp(-np.arange(n) / rows)


BESIDES: tuple[tuple[str, str, Callable], ...] = (
    ("interlaced", "all maps", all_maps(interlaced)),
    ("interlaced", "one map", one_map(interlaced)),
    ("half size", "one map, padded at the corner", one_map(padded(True))),
    ("half size", "one map, padded all round", one_map(padded(False))),
    ("averaged", "2 x 2, rounded", averaged(2)),
    ("averaged", "4 x 4, rounded", averaged(4)),
    ("smoothed", "main and minor, each otherwise", smoothed_apart(0.8, 2.5)),
    ("rainbow", "read as grey, said to be counts", both(rainbow)),
    ("rainbow", "one map", one_map(rainbow)),
    ("upper threshold", "top 5 % of main to zero", one_map(cut_out(0.05), main)),
    ("upper threshold", "top 5 % of minor to zero", one_map(cut_out(0.05))),
    ("labels", "all moved by one", names_moved),
    ("ghost", "30 % of the field before, one map", ghost(0.3, minor)),
    ("ghost", "all of the field before, one map", ghost(1.0, minor)),
    ("ghost", "30 % of the field before, all maps", ghost(0.3)),
    ("rows evened", "all maps", both(rows_evened)),
    ("rows skipped", "every 16th, one map", rows_skipped(16, minor)),
    ("rows skipped", "every 16th, all maps", rows_skipped(16)),
    ("local background", "20 px, whole numbers", local_background(20, True)),
    ("local background", "20 px, decimals", local_background(20, False)),
    ("overlap", "taken off twice, minor", overcorrected(main, minor, 0.5)),
    ("overlap", "taken off the absent", overcorrected(main, first_absent, 1.0)),
    ("tiles", "dark corners to half, all maps", tiles_dosed(0.5)),
    ("tiles", "dark corners to half, one map", tiles_dosed(0.5, minor)),
    ("dead time", "paralysed, half way", paralysed(0.5)),
    ("dead time", "paralysed, beyond the peak", paralysed(1.8)),
    ("charging", "beam pushed by 4 px", charged(4)),
    ("charging", "halo of 40 %", haloed(0.4)),
    ("beam dies", "to a third", redosed(decayed(230.0))),
)  # fmt: skip
SPOILED = (*SPOILED, *BESIDES)


# --- and what a hostile but fair examiner would try ----------------------------------------------
def several(change, which):
    """Spoil several maps alike: some metals, or one and the absent, as from one export."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        for e in which(made.maps):
            k = place(made.maps, e)
            counts[k] = change(counts[k], other.maps["counts"].values[k])
        return with_counts(made.maps, counts), made.blank

    return spoil


def two_metals(maps):
    alloy = facts(maps).alloy
    return sorted(alloy, key=lambda e: alloy[e])[:2]


def minor_and_absent(maps):
    return [minor(maps), first_absent(maps)]


def of_metals_alone(whole):
    """Quantify the metals alone, to 100 percent in every pixel, glass or not."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.astype(float)
        which = [place(made.maps, e) for e in metals(made.maps)]
        total = counts[which].sum(axis=0)
        counts[which] = 100 * counts[which] / np.maximum(total, 1)
        out = np.rint(counts).astype(np.uint16) if whole else counts
        return with_counts(made.maps, out), made.blank

    return spoil


def framed_means(frames, whole):
    """Return the mean of many frames, each at the dose of the field."""

    def spoil(made, other, rng) -> Pair:
        pair = []
        for maps, means in ((made.maps, made.means), (made.blank, made.blank_means)):
            mean = rng.poisson(means * frames) / frames
            pair.append(with_counts(maps, np.rint(mean).astype(np.uint16) if whole else mean))
        return pair[0], pair[1]

    return spoil


def bursts(number, length, factor):
    """Runs of pixels in which charge flashed over: more or fewer counts in all maps."""

    def spoil(made, other, rng) -> Pair:
        n = made.means.shape[-1]
        seen = np.ones(made.means[0].size)
        for at in rng.integers(0, seen.size - length, number):
            seen[at : at + length] = factor
        counts = rng.poisson(made.means * seen.reshape(-1, n))
        return with_counts(made.maps, counts.astype(np.uint16)), made.blank

    return spoil


def shadowed_side(depth):
    """Every droplet is darker on the side that looks away from the detector, soft lines more."""

    def spoil(made, other, rng) -> Pair:
        k = place(made.maps, main(made.maps))
        height = ndimage.gaussian_filter(made.means[k] / made.means[k].max(), 2.0)
        slope = np.gradient(height, axis=1)
        slope /= np.abs(slope).max()
        counts = np.stack([
            rng.poisson(m * np.maximum(1 + (2 if str(e) == "O" else 1) * depth * slope, 0.1))
            for e, m in zip(made.maps["element"].values, made.means, strict=True)
        ])  # fmt: skip
        return with_counts(made.maps, counts.astype(np.uint16)), made.blank

    return spoil


def signed_bytes(made, other, rng) -> Pair:
    """Count thirty times longer and keep a signed byte."""
    counts = rng.poisson(made.means * 30).astype(np.int64)
    plate = rng.poisson(made.blank_means * 30).astype(np.int64)
    return (
        with_counts(made.maps, counts.astype(np.int8).astype(np.int16)),
        with_counts(made.blank, plate.astype(np.int8).astype(np.int16)),
    )


def equalised(stack):
    """Make every value as frequent as every other, map by map, in 8 bits."""
    planes = stack if stack.ndim == 3 else stack[None]
    out = np.empty(planes.shape, np.uint8)
    for k, plane in enumerate(planes):
        values, back, n = np.unique(plane, return_inverse=True, return_counts=True)
        rank = (np.cumsum(n) - n[0]) / max(plane.size - n[0], 1)
        out[k] = np.rint(255 * rank)[back.reshape(plane.shape)] if values.size > 1 else 0
    return out if stack.ndim == 3 else out[0]


def divided_by_broad(width):
    """Divide by a broad mean: a picture freed of uneven light."""

    def change(stack):
        broad = np.stack([ndimage.gaussian_filter(p.astype(float), width) for p in stack])
        level = stack.mean(axis=(1, 2), keepdims=True)
        return np.rint(stack * level / np.maximum(broad, 1e-9)).astype(np.uint16)

    return both(change)


def joined_twice(overlap):
    """Two tiles set side by side without a look at how far they overlap."""

    def change(stack):
        half = stack.shape[-1] // 2
        right = stack[..., half - overlap : stack.shape[-1] - overlap]
        return np.concatenate([stack[..., :half], right], axis=-1)

    return all_maps(change)


def one_as_picture(which, top=0.999):
    """One map was saved as an 8-bit picture, the others as counts."""
    return one_map(lambda p: stretched(top)(p[None])[0], which)


def tilted(depth, axis):
    return redosed(lambda n: np.linspace(1, 1 - depth, n), axis=axis)


def several_steps(n):
    return np.where((np.arange(n) // (n // 5)) % 2 == 0, 1.0, 0.72)


def blank_changed(change):
    return blank_of(
        lambda made, *_: with_counts(made.blank, change(made.blank["counts"].values.copy()))
    )


def blank_at(energy):
    """Map the blank with a weaker beam and do not say so: soft lines stay, hard ones fall."""

    def change(made, other, rng):
        means = made.blank_means.copy()
        for k, name in enumerate(made.maps["element"].values):
            edge = LINE_KEV[str(name)]
            over, under = 20.0 / edge, energy / edge
            means[k] *= max((under - 1) / (over - 1), 0.0) ** 1.4 * (20.0 / energy) ** 0.4
        return with_counts(made.blank, rng.poisson(means).astype(np.uint16))

    return blank_of(change)


LINE_KEV = {
    "O": 0.54, "Na": 1.07, "Mg": 1.3, "Al": 1.56, "Si": 1.84, "Ca": 4.04, "Ag": 3.35, "Sn": 3.93,
    "Ti": 4.97, "Cr": 5.99, "Fe": 7.11, "Co": 7.71, "Ni": 8.33, "Cu": 8.98, "Zn": 9.66,
}  # fmt: skip


def upside_down(plane, _theirs):
    return plane[::-1, ::-1].copy()


def moved_by(dy, dx):
    return lambda plane, theirs: moved(plane, theirs, dy, dx)


FURTHER: tuple[tuple[str, str, Callable], ...] = (
    ("two maps", "metals turned by 180", several(upside_down, two_metals)),
    ("two maps", "minor and absent turned by 180", several(upside_down, minor_and_absent)),
    ("two maps", "metals shifted by 6 px", several(moved_by(0, 6), two_metals)),
    ("two maps", "minor and absent shifted by 6 px", several(moved_by(4, -4), minor_and_absent)),
    ("two maps", "metals of another field", several(lambda _, theirs: theirs.copy(), two_metals)),
    ("percent", "of the metals alone, decimals", of_metals_alone(False)),
    ("percent", "of the metals alone, whole", of_metals_alone(True)),
    ("mean of frames", "eight, whole", framed_means(8, True)),
    ("mean of frames", "eight, eighths", framed_means(8, False)),
    ("mean of frames", "two, whole", framed_means(2, True)),
    ("bursts", "20 of 60 px, 4 times", bursts(20, 60, 4.0)),
    ("bursts", "60 of 100 px, none", bursts(60, 100, 0.0)),
    ("dark corners", "to 60 %, all maps", darker_corners(0.4)),
    ("dark corners", "to 60 %, glass line", darker_corners(0.4, glass)),
    ("dark corners", "to 30 %, minor", darker_corners(0.7, minor)),
    ("topography", "30 % at the steepest", shadowed_side(0.3)),
    ("topography", "80 % at the steepest", shadowed_side(0.8)),
    ("8 bits", "30 times the dose, signed", signed_bytes),
    ("equalised", "all maps", both(equalised)),
    ("equalised", "one map", one_map(equalised)),
    ("divided", "by a broad mean of 20 px", divided_by_broad(20)),
    ("divided", "by a broad mean of 60 px", divided_by_broad(60)),
    ("tiles", "joined with 12 px twice", joined_twice(12)),
    ("tiles", "joined with 40 px twice", joined_twice(40)),
    ("one picture", "minor stretched to 255", one_as_picture(minor)),
    ("one picture", "glass stretched to 255", one_as_picture(glass)),
    ("tilted", "to 60 % along the rows, all maps", tilted(0.4, 1)),
    ("tilted", "to 30 % along the rows, all maps", tilted(0.7, 1)),
    ("dose step", "five, to 72 % and back", redosed(several_steps)),
    ("blank", "with a caption", blank_changed(caption(255))),
    ("blank", "stopped at half", blank_changed(stopped(0.5))),
    ("blank", "hot pixels", blank_changed(lambda s: hot_in(s, 1e-3, 200))),
    ("blank", "at 10 keV, not said", blank_at(10.0)),
    ("blank", "at 15 keV, not said", blank_at(15.0)),
    ("blank", "names moved by one", blank_changed(lambda s: np.roll(s, 1, axis=0))),
    ("blank", "smoothed", blank_changed(lambda s: smooth_whole(s, 1.0))),
    ("blank", "+2 in every pixel", blank_changed(level(2))),
    ("logarithm", "one map", one_map(curved(lambda s: 10 * np.log1p(s)))),
    ("rows evened", "one map", one_map(rows_evened)),
    ("leak", "10 % of main in the absent", leaked(main, first_absent, 0.1)),
    ("leak", "5 % of glass in the absent", leaked(glass, first_absent, 0.05)),
)  # fmt: skip


def hot_in(stack, part, value):
    stack[..., np.random.default_rng(12).random(stack.shape[-2:]) < part] = value
    return stack


def smooth_whole(stack, width):
    return np.stack(
        [np.rint(ndimage.gaussian_filter(p.astype(float), width)) for p in stack]
    ).astype(np.uint16)


SPOILED = (*SPOILED, *FURTHER)


# --- and what detectors, scans and hands do besides ----------------------------------------------
def recounted(factor_of):
    """Count anew with a factor for every map and pixel."""

    def spoil(made, other, rng) -> Pair:
        names = [str(e) for e in made.maps["element"].values]
        means = np.stack(
            [m * factor_of(e, m.shape) for e, m in zip(names, made.means, strict=True)]
        )
        return with_counts(made.maps, rng.poisson(means).astype(np.uint16)), made.blank

    return spoil


def in_rectangle(part_of):
    """A rectangle that was scanned before: each line weaker (or stronger) there by its part."""

    def factor(element, shape):
        out = np.ones(shape)
        out[60:140, 90:190] = part_of(element)
        return out

    return recounted(factor)


def carbon_film(element):
    """What a few hundred nanometres of carbon leave of a line, roughly by its energy."""
    return float(np.exp(-0.25 / LINE_KEV[element] ** 1.5))


def weighted(made, other, rng) -> Pair:
    """Every map times a factor of its own, as from sensitivities, kept as whole numbers."""
    factors = 1.0 + 0.37 * np.arange(len(made.maps["element"]))[:, None, None]
    return tuple(
        with_counts(m, np.rint(m["counts"].values * factors).astype(np.uint16))
        for m in (made.maps, made.blank)
    )


def rows_to_full(stack):
    """Every row stretched to the full range on its own."""
    top = np.maximum(stack.max(axis=-1, keepdims=True), 1)
    return np.rint(255.0 * stack / top).astype(np.uint8)


def gain_drifted(part):
    """From half-way the lines have moved in the spectrum: the minor's counts fall beside."""

    def spoil(made, other, rng) -> Pair:
        counts = made.maps["counts"].values.copy()
        k, beside = (place(made.maps, f(made.maps)) for f in (minor, first_absent))
        cut = counts.shape[1] // 2
        gone = rng.binomial(counts[k, cut:], part).astype(counts.dtype)
        counts[k, cut:] -= gone
        counts[beside, cut:] += gone
        return with_counts(made.maps, counts), made.blank

    return spoil


def barrelled(most, which=minor):
    """One map through another distortion of the scan: `most` pixels at the corners."""

    def spoil(made, other, rng) -> Pair:
        k = place(made.maps, which(made.maps))
        n = made.means.shape[-1]
        y, x = np.mgrid[:n, :n] - (n - 1) / 2
        by = most / np.sqrt(2) * ((y**2 + x**2) / (n**2 / 2)) / np.maximum(np.hypot(y, x), 1e-9)
        at = [v + v * by + (n - 1) / 2 for v in (y, x)]
        seen = ndimage.map_coordinates(made.means[k], at, order=1, mode="nearest")
        counts = made.maps["counts"].values.copy()
        counts[k] = rng.poisson(np.maximum(seen, 0))
        return with_counts(made.maps, counts), made.blank

    return spoil


def in_steps(levels):
    """Keep so many steps of brightness between zero and the top, in counts again."""

    def change(stack):
        top = np.maximum(stack.max(axis=(-2, -1), keepdims=True), 1)
        return np.rint(np.rint(stack / top * (levels - 1)) * top / (levels - 1)).astype(np.uint16)

    return change


def sharpened(amount):
    """Add what a blur takes away; nothing stays below zero."""

    def change(stack):
        planes = stack.astype(float) if stack.ndim == 3 else stack[None].astype(float)
        soft = np.stack([ndimage.gaussian_filter(p, 1.0) for p in planes])
        out = np.rint(np.maximum(planes + amount * (planes - soft), 0)).astype(np.uint16)
        return out if stack.ndim == 3 else out[0]

    return change


def filled_in(part):
    """Only some pixels were measured; the others repeat the nearest that was."""

    def change(stack):
        shape = stack.shape[-2:]
        known = np.random.default_rng(31).random(shape) < part
        y, x = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
        return stack[..., y, x]

    return change


def snake(stack):
    """Every second row was read backwards, and kept so."""
    stack[..., 1::2, :] = stack[..., 1::2, ::-1].copy()
    return stack


def leaning(most):
    """Rows slip ever further: a scan that shears."""
    return rescanned(lambda n, _: np.rint(np.linspace(-most, most, n)), minor)


HANDS: tuple[tuple[str, str, Callable], ...] = (
    ("scanned before", "carbon on a rectangle", in_rectangle(carbon_film)),
    ("scanned before", "a rectangle 20 % brighter", in_rectangle(lambda _: 1.2)),
    ("weighted", "each map by a factor of its own", weighted),
    ("rows stretched", "each to the full range", both(rows_to_full)),
    ("lines moved", "40 % of minor in the absent, half-way", gain_drifted(0.4)),
    ("distorted", "5 px at the corners, one map", barrelled(5.0)),
    ("distorted", "5 px at the corners, glass line", barrelled(5.0, glass)),
    ("steps", "sixteen, all maps", both(in_steps(16))),
    ("sharpened", "all maps", both(sharpened(1.0))),
    ("sharpened", "one map", one_map(sharpened(1.0))),
    ("filled in", "a third was measured, all maps", both(filled_in(0.35))),
    ("filled in", "a third was measured, one map", one_map(filled_in(0.35))),
    ("read backwards", "every second row, all maps", all_maps(snake)),
    ("read backwards", "every second row, one map", one_map(snake)),
    ("sheared", "6 px either way, one map", leaning(6)),
)  # fmt: skip
SPOILED = (*SPOILED, *HANDS)

"""Where metal ends: outlines moved to the rims that the counts around them tell.

Outlines lie where the filtered signal is half that of typical metal. That is the rim where metal is
thick against the electron range and wider than the filter. Where it is not (thin caps, streaks as
narrow as the blur) all regions of a field are wrong in the same way, and together they hold counts
enough to tell how: the unfiltered signal in and around them is compared with that of bodies whose
rims are moved, whose height falls from the centre to the rim, and which the beam blurs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core.arrays import Bools, Floats, Integers, Labels, Singles
from spattermap.segment.runs import compacted

REACH = 128  # px; deeper inside, how far the rim is says nothing
FARTHEST = 12.0  # px; no rim is moved further
LARGEST = 320  # px; side of the middle window that is looked at
_AROUND = 7.0  # px around the regions in which the signal is compared
_FEWEST = 5  # regions from which their rims are looked at together
_LARGE = 0.5  # share of the metal in one region from which it is a film
_GAIN = 30.0  # by which twice the log likelihood must grow before a rim is moved
_CAP_GAIN = 150.0  # ... before caps are told from flat bodies under a wider blur,
_CAP_GAIN_PX = 0.005  # ... and by how much a pixel: outlines that follow the noise give half of it
THIN_CAPS = (
    "The signal falls towards the rims of the regions, as that of caps thin against the electron "
    "range does: outlines were moved {way} from half the typical signal to where the metal ends. "
    "A lower beam energy would show the rims themselves."
)
NARROW = (
    "Half the typical signal does not lie at the rims of such narrow or blurred regions: outlines "
    "were moved {way} to where the unfiltered counts of all of them together put the rims."
)
AT_MOST = " They are so narrow that their width is a guess: at most that much is covered."
_A_FRACTION = 0.1
_STEPS = {"shift": 0.5, "stretch": 0.1, "fall": 0.35, "blur": 0.25}
_BOUNDS = {"shift": (-4.0, 6.0), "stretch": (0.0, 1.0), "fall": (0.0, 1.0), "blur": (0.25, 3.0)}
_COARSE, _FINE = (0.5, 0.25), (0.125,)  # parts of these steps, one after the other
# Inner radius over the widest blur that is thought of: narrower discs under such a blur passed for
# caps that cover 60 to 70 % more.
_WIDE = 1.4
_FALLS = (0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0)  # falls to the rim that are tried,
_LEAST_STRETCH, _MOST_STRETCH = 0.02, 0.3  # ... from these stretches on
_HOPELESS = 0.1  # a pixel, of the log likelihood: by so much worse, a first guess is not pursued,
_WORSE = 0.002  # ... and after one that stays so much worse no further one
_UNTOLD = 20.0  # ... in all: what is worse by less than this is not told apart
_HINT = 10.0  # ... and from which a fall of the signal to the rim is a possibility
_VAGUE = 0.5  # width of the interval of the area from which a fall to the rim is not believed
_INTERVAL = 3.84  # chi-square of one degree of freedom, 95 %
_TIE = 0.5  # px; depths of pixels along a straight edge differ by one
_A_GUESS = 4.0  # px; of what is narrower, width and strength cannot be told apart
_BLUR_DOUBT = 1.4  # factor by which the blur may be wrong (by trial on narrow streaks)
_MORE = 0.1  # of the area: how far off it may be where caps and flat bodies are not told apart
_DOUBT = 0.02  # of the covered area: what the shapes of the model leave out,
_CAP_DOUBT = 0.05  # ... where they are those of caps


@dataclass(frozen=True)
class Rims:
    """Where the rims lie against the outlines."""

    shift: float = 0.0  # outward from the outline (px)
    stretch: float = 0.0  # outward, over the inner radius of the region
    # 0 for bodies as strong at the rim as in the centre, 1 for those whose signal falls as the
    # height of a paraboloid does
    fall: float = 0.0
    blur: float = 1.0  # standard deviation of the blur (px)
    gain: float = 0.0  # twice the log likelihood gained over the outlines as they are
    # bounds of the covered area, over that of the moved regions
    low: float = 1.0
    high: float = 1.0
    # the shift (px) at which as many pixels lie within as the rims enclose: pixels lie at few
    # depths, rims anywhere
    drawn: float = 0.0
    outward: bool = True  # whether the moved regions are larger

    @property
    def note(self) -> str:
        """What the reader must know of it."""
        why = THIN_CAPS if self.fall > 0 else NARROW + AT_MOST * (self.low < _A_FRACTION)
        return why.format(way="outward" if self.outward else "inward")

    @property
    def moved(self) -> bool:
        """Whether the rims lie elsewhere than the outlines."""
        return self.shift != 0 or self.stretch != 0

    def of(self, radius: npt.ArrayLike) -> Floats:
        """Return how far outward the rim of a region of that inner radius (px) lies."""
        moved = self.drawn + self.stretch * np.asarray(radius, dtype=np.float64)
        return np.asarray(np.clip(moved, -FARTHEST, FARTHEST))


_STILL = Rims()


@dataclass(frozen=True)
class Moved:
    """How the outlines of a field were moved to the rims."""

    # of either kind
    droplets: Rims = _STILL
    streaks: Rims = _STILL
    # bounds of the covered area, over that of all moved regions
    low: float = 1.0
    high: float = 1.0


NOT_MOVED = Moved()


def together(kinds: tuple[Rims, ...], area: Integers, is_streak: Bools) -> Moved:
    """Return the rims of droplets and streaks, with the bounds of the area of both.

    Dims: `area` (label + 1,), `is_streak` (label + 1,).
    """
    share = np.array([area[~is_streak].sum(), area[is_streak].sum()]) / max(1, area.sum())
    droplets, streaks = kinds
    low, high = (
        share @ np.array(ends) for ends in zip(*((k.low, k.high) for k in kinds), strict=True)
    )
    return Moved(droplets, streaks, float(low), float(high))


def ranked(depth: Singles, fraction: Singles) -> Singles:
    """Return the depth of pixels, those of one depth told apart by their metal fraction."""
    ties = np.float32(_TIE) * (np.clip(fraction, 0, 1) - np.float32(0.5))
    return np.asarray(depth + ties, dtype=np.float32)


def depth_of(labels: Labels) -> Singles:
    """Return the distance to the rim of the metal, negative outside; no more than `REACH`."""
    import edt

    solid = np.ascontiguousarray(labels > 0)
    inside = edt.edt(solid, black_border=False, parallel=1)
    outside = edt.edt(~solid, black_border=False, parallel=1)
    inside[inside > 0] -= 0.5
    outside[outside > 0] -= 0.5
    return np.asarray(np.clip(inside - outside, -REACH, REACH), dtype=np.float32)


class _Compared:
    """The signal in and around the regions of a window, against that of a model of them."""

    def __init__(self, raw: Singles, labels: Labels, valid: Bools, of: Bools) -> None:
        depth = depth_of(labels)
        place = ndimage.distance_transform_edt(
            labels == 0, return_distances=False, return_indices=True
        )
        near = labels[tuple(place)]
        radius = np.zeros(int(labels.max()) + 1, np.float32)
        np.maximum.at(radius, labels.ravel(), depth.ravel())
        self.depth, self.radius = depth, radius[near]
        self.mine = of[near] & (depth > -FARTHEST - 1) & valid
        self.used = (depth > -_AROUND) & valid & of[near]
        self.places = np.flatnonzero(self.used)
        names, self.owner = compacted(near[self.used], of.size - 1)
        self.n = names.size
        self.signal = raw[self.used].astype(np.float64)
        self.square = float(self.signal @ self.signal)
        self.known: dict[tuple[float, ...], tuple[float, float]] = {}

    def at(self, rims: Rims) -> tuple[float, float]:
        """Return twice the negative log likelihood, and the area covered (px)."""
        key = (rims.shift, rims.stretch, rims.fall, rims.blur)
        if key not in self.known:
            self.known[key] = self._compare(rims)
        return self.known[key]

    def _compare(self, rims: Rims) -> tuple[float, float]:
        moved: Singles = np.clip(
            np.float32(rims.shift) + np.float32(rims.stretch) * self.radius, -FARTHEST, FARTHEST
        )
        depth = self.depth + moved
        body = np.clip(depth + np.float32(0.5), 0, 1)
        area = float(body[self.mine].sum(dtype=np.float64))
        if rims.fall > 0:
            some = np.nonzero(body)
            radius = np.maximum(self.radius[some] + moved[some], np.float32(0.5))
            height = 1 - np.clip(1 - depth[some] / radius, 0, 1) ** 2
            body[some] *= _signal_of(height, rims.fall)
        shown = ndimage.gaussian_filter(body, rims.blur).ravel()[self.places].astype(np.float64)
        # Every region has a strength of its own; what is left is noise, and what no model shows.
        with_signal = np.bincount(self.owner, shown * self.signal, minlength=self.n)
        alone = np.bincount(self.owner, shown * shown, minlength=self.n)
        left = self.square - float(np.sum(with_signal**2 / np.maximum(alone, 1e-9)))
        return self.signal.size * float(np.log(max(left, 1e-300))), area

    def drawn(self, rims: Rims, fraction: Singles) -> float:
        """Return the shift at which as many pixels lie within as the rims enclose."""
        n = round(self.at(rims)[1])
        rank = (ranked(self.depth, fraction) + np.float32(rims.stretch) * self.radius)[self.mine]
        n = min(max(n, 1), rank.size - 1)
        inside, outside = -np.partition(-rank, (n - 1, n))[n - 1 : n + 1]
        return float(-0.5 * (inside + outside))


def _signal_of(height: Singles, fall: float) -> Singles:
    """Return the signal of a body of relative height, 1 at its full height.

    Layers deeper than the electron range add nothing: ``1 - exp(-t h)``; t falls from infinity
    (flat) to zero (in proportion to the height) as `fall` goes from 0 to 1.
    """
    if fall >= 1:
        return height
    t = np.float32(8.0 * (1 - fall) / fall)
    return np.asarray(np.expm1(-t * height) / np.expm1(-t), dtype=np.float32)


def find_rims(
    raw: Singles,
    fraction: Singles,
    labels: Labels,
    valid: Bools,
    *,
    of: Bools,
    blur: float,
    falling: bool,
) -> Rims:
    """Return where the rims lie against the outlines; not moved for films, or where nothing tells.

    Dims: `raw`, `fraction` (unfiltered and filtered), `labels`, `valid` (y, x), `of` (label + 1,):
    whose rims are wanted. `blur` is a first guess (px); `falling`: the signal may fall to the rim.

    Least squares with a strength of its own for every region; a compass search (Hooke & Jeeves
    1961, J. ACM 8, 212) over shift, stretch, fall and blur, each kept only as far as it pays. The
    interval of the covered area is that of the profile likelihood, to which the doubt about the
    shapes is added.
    """
    area = np.bincount(labels.ravel(), minlength=of.size)
    area[0] = 0
    start = Rims(blur=float(np.clip(blur, 0.5, 2.5)))
    if np.count_nonzero(area[of]) < _FEWEST or area.max() > _LARGE * area.sum():
        return start
    compared = _Compared(raw, labels, valid, of)
    # The outlines as they are, with the blur that suits them best.
    still = _searched(compared, start, ("blur",))
    flat = _searched(compared, still, ("shift", "blur"))
    best = _fallen(compared, still, flat) if falling else _told(compared, still, flat)
    if not best.moved:
        return best
    drawn = compared.drawn(best, fraction)
    return replace(best, drawn=drawn, outward=compared.at(best)[1] > compared.at(still)[1])


def _fallen(compared: _Compared, still: Rims, flat: Rims) -> Rims:
    """Return the rims of bodies whose signal falls to the rim, where that tells more than flat.

    Flat bodies wide enough to be droplets stay: half the typical signal lies at their rims. Where
    the counts do not tell what they are, the bounds reach over what they may be: caps whose signal
    saturates within their rims look flat under a wider blur.
    """
    n, as_flat = compared.signal.size, compared.at(flat)[0]
    best, tried = flat, [flat]
    # From flat bodies under the blur that suits them, and from thin caps under a narrow one.
    sharp = replace(still, blur=min(still.blur, 1.0), stretch=_MOST_STRETCH)
    ways = ((replace(still, stretch=_LEAST_STRETCH), _FALLS), (sharp, _FALLS[::-1]))
    for first, falls in ways:
        one = first
        for k, fall in enumerate(falls):
            one = replace(one, fall=fall)
            if compared.at(one)[0] - compared.at(best)[0] > _HOPELESS * n:
                break
            scales = _COARSE if k == 0 else _COARSE[1:]
            one = _searched(compared, one, ("shift", "stretch", "blur"), scales=scales)
            tried.append(one)
            best = min(best, one, key=lambda each: compared.at(each)[0])
            if compared.at(one)[0] - compared.at(best)[0] > _WORSE * n:
                break  # what follows is worse still
    gain = as_flat - compared.at(best)[0]
    if gain >= _HINT:
        names = ("shift", "stretch", "fall", "blur")
        best = _searched(compared, best, names, scales=_FINE)
        gain = as_flat - compared.at(best)[0]
        tried.append(best)
    wide = np.median(compared.radius[compared.used]) > _WIDE * _BOUNDS["blur"][1]
    if wide and gain >= max(_CAP_GAIN, _CAP_GAIN_PX * n):
        low, high = _interval(compared, best)
        if high - low <= _VAGUE:
            return replace(best, gain=gain, low=low - _CAP_DOUBT, high=high + _CAP_DOUBT)
    least = compared.at(best)[0] + _UNTOLD
    maybe = [one for one in tried if compared.at(one)[0] <= least]
    ratios = [compared.at(one)[1] / compared.at(still)[1] for one in (still, flat, *maybe)]
    # Signal that falls to the rim leaves metal beyond the outline, not less within it.
    low, high = (_DOUBT, _MORE) if gain >= _HINT else (0.0, 0.0)
    return replace(still, gain=gain, low=min(ratios) - low, high=max(ratios) + high)


def _told(compared: _Compared, simpler: Rims, found: Rims) -> Rims:
    """Return rims with the bounds of their area; the simpler ones where the counts do not tell."""
    gain = compared.at(simpler)[0] - compared.at(found)[0]
    if gain < _GAIN:
        return simpler
    low, high = _interval(compared, found)
    if 2 * (float(np.median(compared.radius[compared.used])) + found.shift) < _A_GUESS:
        low = _DOUBT  # the width is a guess, and only an upper bound
    return replace(found, gain=simpler.gain + gain, low=low - _DOUBT, high=high + _DOUBT)


def _searched(
    compared: _Compared,
    start: Rims,
    names: tuple[str, ...],
    *,
    scales: tuple[float, ...] = (*_COARSE, *_FINE),
) -> Rims:
    """Return the best rims near a start, moving one quantity after the other."""
    best = start
    for scale in scales:
        improved = True
        while improved:
            improved = False
            for name in names:
                for way in (scale, -scale):
                    trial = _stepped(best, name, way * _STEPS[name])
                    if compared.at(trial)[0] < compared.at(best)[0] - 0.1:
                        best, improved = trial, True
                        break
    return best


def _stepped(rims: Rims, name: str, step: float) -> Rims:
    low, high = _BOUNDS[name]
    moved: dict[str, Any] = {name: float(np.clip(getattr(rims, name) + step, low, high))}
    return replace(rims, **moved)


def _interval(compared: _Compared, best: Rims) -> tuple[float, float]:
    """Return the bounds of the covered area over the best: profile likelihood, and the blur."""
    least, area = compared.at(best)
    names = ("blur",) if best.fall == 0 else ("stretch", "fall", "blur")
    ends = []
    for way in (-0.125, 0.125):
        end = area
        trial = best
        for _ in range(16):
            trial = _searched(compared, _stepped(trial, "shift", way), names, scales=_FINE)
            worse, end = compared.at(trial)
            if worse - least > _INTERVAL:
                break
        ends.append(end / area)
    # Outlines follow the noise, which makes the blur look small; narrow regions hang on it.
    for factor in (1 / _BLUR_DOUBT, _BLUR_DOUBT):
        other = replace(best, blur=best.blur * factor)
        tried = [_stepped(other, "shift", 0.25 * k) for k in range(-4, 5)]
        ends.append(compared.at(min(tried, key=lambda one: compared.at(one)[0]))[1] / area)
    return min(ends), max(ends)


def move(labels: Labels, fraction: Singles, shift: Singles, deepest: Singles) -> Labels:
    """Return regions with their outlines moved; none is lost, and none grows into another.

    Dims: `labels, fraction` (y, x), `shift` (label + 1,) outward (px), `deepest` (label + 1,) the
    depth of the pixels that stay whatever the shift (px); returns (y, x).
    """
    depth = depth_of(labels)
    rank = ranked(depth, fraction)
    out = labels.copy()
    out[(labels > 0) & (rank + shift[labels] <= 0) & (depth < deepest[labels])] = 0
    most = float(shift[1:].max(initial=0.0)) + 0.5 * _TIE
    reach = int(np.ceil(most + 0.5))
    if most <= 0:
        return out
    nearest, free = np.zeros_like(labels), labels == 0
    padded = np.pad(labels, reach)
    steps = np.arange(-reach, reach + 1)
    dy, dx = (one.ravel() for one in np.meshgrid(steps, steps, indexing="ij"))
    # Of labels equally far the first in this fixed order, so that it does not hang on the window.
    for k in np.argsort(dy**2 + dx**2, kind="stable")[1:].tolist():
        if np.hypot(dy[k], dx[k]) - 0.5 >= most:
            break
        rows, columns = (slice(reach + d[k], reach + d[k] + n) for d, n in
                         zip((dy, dx), labels.shape, strict=True))  # fmt: skip
        beside = padded[rows, columns]
        found = free & (nearest == 0) & (beside > 0)
        nearest[found] = beside[found]
    grown = (nearest > 0) & (rank + shift[nearest] > 0)
    out[grown] = nearest[grown]
    return out

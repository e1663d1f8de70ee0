"""Streaks as narrow as the blur: a line fitted to the counts along its traced centre.

Half the typical signal does not outline what the blur widens to more than twice its width, and
where counts are few the filter that shows droplets smears a line away. So lines are looked for by
their own shape (a filter for every angle, on the counts weighed as faint metal needs it, followed
with hysteresis), and each is fitted to the counts: a blurred stripe about a curved centre line,
its width, its taper and its ends by Poisson likelihood.

Of what is narrower than the blur, width and strength cannot be told apart: the width follows from
the signal along the line where the strength of thick metal is known, from broader regions of the
same field or from the glass, which thick metal hides; then it is the least width.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import ndimage

from spattermap.core.arrays import Bools, Floats, Integers, Labels, Singles
from spattermap.core.grid import Box
from spattermap.segment.likelihood import Classes
from spattermap.segment.streaks import Shape

MARGIN = 64  # px around a tile in which lines are followed
LEAST_BLUR = 0.75  # px; to begin with, until the lines tell it
BROAD = 3.5  # deviations of the edge, from which a streak is drawn by its outline
_ANGLES = 16  # filters over half a turn
_BIN = 2  # px; side of the squares on which lines are looked for
_ALONG = 4.0  # squares; standard deviation of the filter along the line
_ACROSS = 0.65  # ... and across it, at the least
_AROUND = 3.0  # times that: what is taken off, so that slopes and haze show nothing
_FAINT = 0.15  # part of thick metal for which the counts are weighed
_SEED = 4.5  # standard deviations of the response from which a line is looked at
_REACH = 7  # px beside and beyond the line, in which the counts are compared
_PASSABLE = 0.03  # of a glass line's counts, under metal of any thickness: continuum
_STRONGEST = 12.0  # strength of thick metal over that of typical metal, at the most
_CHANCES = 1.0  # different lines about every pixel
_FREE = 2.0  # nats by which seven free quantities fit noise
_NARROWEST = 0.3  # px; the least mean width
_LONG = 4.0  # length over width, at the least
_SHORTEST = 3.0  # length over width as it appears, blurred,
_HEADED = 3.0  # diameter of a head over the width: more is a droplet beside a streak
_SHORTEST_PX = 8.0  # ... and in px
_FLANKED = 0.6  # part of a line's length with bare glass to be seen on either side,
_FLANK = 2.5  # ... so many blurs beside it
_PROMISING = 5.0  # nats of a first guess from which it is pursued
_ROUNDISH = 0.7  # response across over that along, from which a place is no line's
_NEAR = 15.0  # px; how far a guess is followed at first, and again where it surely ends
# How far a guess is followed (px), in how many rounds it is fitted, and below what part of `_LONG`
# it is given up.
_GROWTH = ((0.0, 3, 0.7), (_NEAR, 2, 0.6), (40.0, 3, 0.7), (80.0, 8, 0.9))
_TOLD_WIDTH = 2.5  # blurs from which the width of a line is told by its profile
_WIDTH_DOUBT = 0.1  # of the width: thickness that varies, ground that is not even
_BEADED = 0.4  # by which the strength along a line varies, at the most,
_BEAD = 2.0  # ... over so many blurs
_EACH = 1.0  # nats; what each quarter of a line must tell
_AS_GOOD = 0.94  # of what the regions in its place tell, their outlines having followed the noise
_BLURS = (0.5, 0.75, 1.0, 1.25, 1.5, 2.0)
_ROUNDS = 4  # looks at what is left
_FIRST = 9.0  # px; half the length of a first guess
_GAP = 7.0  # nats that bare glass may tell against a line before it ends
_ALIKE = 0.45  # rad; lines that differ by less in direction may be the same
_APART = 15.0  # px between the ends of two lines that may be one,
_JOINED = 7.0  # ... which must not tell so much less (nats): seven quantities fewer
_OUTLINE = 15.0  # nats that the outline of a faint region gains by following the noise
_LEFT = 0.4  # part of a region's strength that is left where lines explain it
_ROUND = 2.0  # px; depth from which a compact region is no bead of a line
_SOLID = 0.6  # ... whose mean signal is so much of thick metal's
_THICK = 6.0  # px; ... and from which no region is part of one
_CLEAR = 2.5  # blurs beside a droplet in which its own light would pass for lines
_BRANCHED = 4.0  # area over that of the disc as deep, from which a region is long or branched
_BESIDE_LINE = 2.0  # px beside a line, as far as such a region is compared with it
_GROUND = 4.0  # px beside all regions from which the glass is bare
_ENOUGH_GROUND = 500  # px of it
_ON = 0.01  # metal fraction from which a pixel is part of a line
_HAZE = 12.0  # px; smoothing of an uneven ground
_INTERVAL = 3.84  # chi-square of one degree of freedom, 95 %
_LEAST_PIXELS = 40
_ENOUGH = 5  # lines from which the blur is told,
_ENOUGH_TO_TELL = 12  # ... and on how many it is tried
_ANYWHERE = Box(0, 0, 1 << 40, 1 << 40)
_SAMPLES = 33  # places on a line that is joined with another
_BESIDE = 3.0  # standard deviations of the blur beside a line, in which counts are compared
_THINNEST = 0.05  # px
_HIDES = 0.999  # of the glass, that a line hides at the most
_TILT, _BEND = 1.5, 0.1  # standard deviations of slope and bend (px in ten, and in ten squared)
_TAPER = 0.6  # ... and of the change of width along a line, over its width
_HEAD = 5.0  # nats that a head must tell
_TOLD = 3.0  # standard errors of the taper from which head and tail are told


def strength_of(classes: Classes, signs: Sequence[int]) -> float:
    """Return the metal fraction of metal that hides the glass, 1 being typical metal.

    A line of the glass is gone under metal thicker than the electrons reach: what typical metal
    leaves of it is glass beside metal too narrow or too thin to hide it.
    """
    loss = 0.0
    falling = np.array(signs) < 0
    if falling.any():
        most = classes.bare[falling].max()
        told = falling & (classes.bare > 0.2 * most) & (classes.weights != 0)
        if told.any():
            lost = (classes.bare - classes.metal)[told].sum()
            loss = float(lost / classes.bare[told].sum())
    return float(np.clip((1 - _PASSABLE) / max(loss, 1e-3), 1.0, _STRONGEST)) if loss > 0 else 1.0


NOTE = (
    "{n} streaks were fitted to the counts as lines. They are about as narrow as the blur, so that "
    "width and strength cannot be told apart: the widths are those of metal thick enough to hide "
    "the glass, the least that they can be; {more}. An electron image of the field would show them."
)
_WIDER = "of thinner metal, the counts allow up to {ratio:.1f} times as much"
_NO_WIDER = "much wider ones the counts rule out"


def note(lines: Sequence[Line], blur: float, weakest: float) -> tuple[str, ...]:
    """Return what the reader must know of lines that are as narrow as the blur."""
    if np.median([line.mean_width for line in lines]) > _TOLD_WIDTH * blur:
        return ()
    more = _WIDER.format(ratio=1 / weakest) if weakest < 1 else _NO_WIDER
    return (NOTE.format(n=len(lines), more=more),)


def smeared(n: int, strength: float) -> str:
    """Return what the reader must know of streaks that the filter may have widened."""
    return (
        f"Streaks and spots no wider than the filter that shows them ({n}) may be drawn too "
        f"wide: of metal thick enough to hide the glass they would be 1/{strength:.1f} as wide. A "
        "longer count or an electron image would show their edges."
    )


def bounds(weakest: float) -> tuple[float, float]:
    """Return the bounds of the area of lines, over the one drawn."""
    return 1 - _WIDTH_DOUBT, (1 + _WIDTH_DOUBT) / weakest


def least_gain(n_pixels: int, false_alarms: float) -> float:
    """Return what a line must tell (nats) so that noise shows as many in a field, at the most."""
    return float(np.log(n_pixels * _CHANCES / max(false_alarms, 1e-6))) + _FREE


@dataclass(frozen=True)
class Seen:
    """What lines are looked for with: the means of bare glass and of thick metal, and the blur."""

    bare: Floats  # (element,): mean counts of the bare glass
    step: Floats  # (element,): what thick metal adds
    blur: float  # px
    widest: float = 6.0  # px; what is wider is no line

    @classmethod
    def of(cls, classes: Classes, strength: float, blur: float) -> Seen:
        """Return it for classes and the strength of thick metal (metal fraction)."""
        used = classes.weights != 0
        bare = np.maximum(classes.bare, 1e-6)
        step = np.where(used, strength * (classes.metal - classes.bare), 0.0)
        # No line can fall below what passes thick metal.
        return cls(bare, np.maximum(step, -(1 - 0.5 * _PASSABLE) * bare), float(blur))

    @property
    def weights(self) -> Floats:
        """Weights of the counts that best show faint metal, thick metal being 1."""
        raw = self.step / (self.bare + _FAINT * self.step)
        return np.asarray(raw / float(raw @ self.step))

    def gain(self, counts: Floats, fraction: Floats) -> Floats:
        """Return the log likelihood of a metal fraction over bare glass, by pixel.

        Dims: `counts` (element, pixel), `fraction` (pixel,).
        """
        total = np.zeros(fraction.shape)
        for n, bare, step in zip(counts, self.bare, self.step, strict=True):
            if step:
                ratio = np.maximum(fraction * (step / bare), _PASSABLE - 1)
                total += n * np.log1p(ratio) - bare * ratio
        return total


def response(picture: Singles, *, noise: float, blur: float) -> Singles:
    """Return the response of every filter, in standard deviations, dims (angle, y, x) of squares.

    `picture` (y, x): weighed counts by squares, zero on bare glass, standard deviation `noise`.
    """
    from scipy import fft

    across = max(_ACROSS, float(np.hypot(blur, 0.6)) / _BIN)
    margin = int(3 * _ALONG)
    padded = np.pad(picture, margin, mode="symmetric" if min(picture.shape) > margin else "edge")
    size = tuple(fft.next_fast_len(n, real=True) for n in padded.shape)
    spectrum = fft.rfft2(padded, size)
    out = np.empty((_ANGLES, *picture.shape), np.float32)
    inner = tuple(slice(margin, margin + n) for n in picture.shape)
    for k, (shape, power) in enumerate(_transfers(size, across)):
        out[k] = fft.irfft2(spectrum * shape, size)[inner]
        out[k] /= np.float32(noise * np.sqrt(power))
    return out


@functools.lru_cache(maxsize=2)
def _transfers(size: tuple[int, int], across: float) -> list[tuple[Singles, float]]:
    """Return the transfer function of every filter, and the power of white noise that it passes."""
    ky = (2 * np.pi * np.fft.fftfreq(size[0])[:, None]).astype(np.float32)
    kx = (2 * np.pi * np.fft.rfftfreq(size[1])[None]).astype(np.float32)
    out = []
    for k in range(_ANGLES):
        turn = np.pi * k / _ANGLES
        par = kx * np.float32(np.cos(turn)) + ky * np.float32(np.sin(turn))
        per = ky * np.float32(np.cos(turn)) - kx * np.float32(np.sin(turn))
        per *= per
        shape = np.exp(-0.5 * _ALONG**2 * par**2) * (
            np.exp(-0.5 * across**2 * per) - np.exp(-0.5 * (_AROUND * across) ** 2 * per)
        )
        # Of white noise: the mean square of the transfer, half the plane being kept.
        power = 2 * np.sum(shape**2) - np.sum(shape[:, 0] ** 2)
        out.append((shape, float(power) / (size[0] * size[1])))
    return out


@dataclass(frozen=True)
class Line:
    """A blurred stripe about a curved centre line; places in px of the field."""

    y: float  # a place near it,
    x: float
    turn: float  # ... and its direction there (rad), x to y
    # What is fitted. With s the place along from `middle`, in tens of px: its offset across (px) is
    # ``offset + slope s + bend s^2``, its width (px) ``width + taper s``; `low` and `high` are its
    # ends along (px).
    offset: float
    slope: float
    bend: float
    low: float
    high: float
    width: float
    taper: float
    head: float = 0.0  # diameter (px) of the disc at an end; 0 for none
    middle: float = 0.0  # px along
    head_high: bool = False  # the disc lies at the higher end
    gain: float = 0.0  # log likelihood over bare glass (nats)
    error: float = np.inf  # standard error of the taper

    @property
    def length(self) -> float:
        """Length (px)."""
        return self.high - self.low

    @property
    def values(self) -> Floats:
        """The quantities that are fitted."""
        return np.array([getattr(self, name) for name in _FITTED])

    def at(self, values: Floats) -> Line:
        """Return it with other fitted quantities."""
        return replace(self, **dict(zip(_FITTED, values.tolist(), strict=True)))

    def off(self, along: Floats, across: Floats) -> Floats:
        """Return the distance from the centre line (px)."""
        s = (along - self.middle) / 10
        tilt = (self.slope + 2 * self.bend * s) / 10
        return np.asarray((across - self.centre(along)) / np.hypot(1, tilt))

    def centre(self, along: npt.ArrayLike) -> Floats:
        """Return how far across the centre line lies at places along (px)."""
        s = (np.asarray(along, dtype=np.float64) - self.middle) / 10
        return self.offset + self.slope * s + self.bend * s * s

    def wide(self, along: npt.ArrayLike) -> Floats:
        """Return the width (px) at places along (px)."""
        inside = np.clip(along, self.low, self.high)
        return np.maximum(self.width + self.taper * (inside - self.middle) / 10, _THINNEST)

    @property
    def mean_width(self) -> float:
        """Mean width (px)."""
        return float(self.wide(self.low + np.arange(9) * (self.length / 8)).mean())

    def place(self, y: npt.ArrayLike, x: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return places along and across its first direction (px)."""
        dy, dx = np.asarray(y) - self.y, np.asarray(x) - self.x
        along = dx * np.cos(self.turn) + dy * np.sin(self.turn)
        return along, dy * np.cos(self.turn) - dx * np.sin(self.turn)

    def moved(self, low: float, high: float) -> Line:
        """Return the same centre line with other ends, its middle between them."""
        middle = 0.5 * (low + high)
        by = (middle - self.middle) / 10
        return replace(
            self, low=low, high=high, middle=middle, offset=float(self.centre(middle)),
            slope=self.slope + 2 * self.bend * by, width=float(self.wide(middle)),
        )  # fmt: skip

    def of(self, along: float) -> tuple[float, float]:
        """Return row and column of a place on the centre line."""
        s = (along - self.middle) / 10
        across = self.offset + self.slope * s + self.bend * s * s
        cos, sin = math.cos(self.turn), math.sin(self.turn)
        return self.y + along * sin + across * cos, self.x + along * cos - across * sin

    @property
    def head_at(self) -> float:
        """Where along the middle of the disc lies (px)."""
        return self.high - 0.5 * self.head if self.head_high else self.low + 0.5 * self.head

    def box(self, margin: float, within: Box) -> Box:
        """Return the box around it in a window."""
        y, x = zip(*(self.of(self.low + k * self.length / 4) for k in range(5)), strict=True)
        reach = margin + 0.5 * max(float(self.wide((self.low, self.high)).max()), self.head)
        top = int(min(max(min(y) - reach, within.top), within.bottom - 1))
        left = int(min(max(min(x) - reach, within.left), within.right - 1))
        bottom = int(min(max(y) + reach + 2, within.bottom))
        right = int(min(max(x) + reach + 2, within.right))
        return Box(top, left, max(bottom, top + 1), max(right, left + 1))

    def shown(self, along: Floats, across: Floats, blur: float) -> Floats:
        """Return the part of thick metal that the blurred line shows at places."""
        flat = (along.ravel(), across.ravel())
        return _shown(self.values, self.middle, self.head_high, _sigma(blur), *flat).reshape(
            along.shape
        )

    def covers(self, box: Box, *, more: float = 0.0) -> Bools:
        """Return the pixels of a box whose middle lies on the line, `more` px wider; (y, x)."""
        y, x = np.mgrid[box.rows, box.columns]
        along, across = self.place(y, x)
        on = np.abs(self.off(along, across)) <= 0.5 * self.wide(along) + more
        on &= (along >= self.low - more) & (along <= self.high + more)
        if self.head > 0:
            hy, hx = self.of(self.head_at)
            on |= np.hypot(y - hy, x - hx) <= 0.5 * self.head + more
        return np.asarray(on)

    def shape(self, area: int) -> Shape:
        """Return it as a row of the streaks' table wants it."""
        directed = self.head > 0 or abs(self.taper) > _TOLD * self.error
        from_high = self.head_high if self.head > 0 else self.taper > 0
        ends = (self.high, self.low) if from_high else (self.low, self.high)
        (hy, hx), (ty, tx) = self.of(ends[0]), self.of(ends[1])
        degrees = float(np.degrees(np.arctan2(-(ty - hy), tx - hx)))
        y, x = self.of(self.middle)
        inward = 0.5 * max(self.head, float(self.wide(ends[0]))) / max(self.length, 1.0)
        head = (hy + (ty - hy) * inward, hx + (tx - hx) * inward)
        return Shape(
            y, x, float(np.hypot(ty - hy, tx - hx)), self.mean_width,
            degrees % (360 if directed else 180), directed, head, 1.0, 0.0, area,
        )  # fmt: skip


def _sigma(blur: float) -> float:
    """Return the standard deviation of the blur (px); a pixel averages over its side."""
    return math.hypot(blur, 0.29)


@njit(cache=True, nogil=True, error_model="numpy")
def _disc(  # noqa: PLR0917 (compiled: by place)
    along: float, across: float, at: float, centre: float, head: float, sigma: float
) -> float:
    """Return what the blurred disc at a line's end shows at a place."""
    r2, radius = (along - at) ** 2 + (across - centre) ** 2, 0.5 * head
    if radius > 1.8 * sigma:
        return 0.5 + 0.5 * math.erf((radius - math.sqrt(r2)) / (math.sqrt(2.0) * sigma))
    # A bump as high as the disc's middle and of its volume.
    top = -math.expm1(-0.5 * (radius / sigma) ** 2)
    return top * math.exp(-r2 * top / radius**2)


@njit(cache=True, nogil=True, error_model="numpy")
def _at(  # noqa: PLR0917 (compiled: by place)
    values: Floats, middle: float, head_high: bool, sigma: float,
    along: float, across: float, slopes: Floats,
) -> float:  # fmt: skip
    """Return what a line shows at a place, and write its slopes by the quantities fitted."""
    offset, slope, bend, low, high, width, taper, head = values
    scale = 1 / (math.sqrt(2.0) * sigma)
    s = (along - middle) / 10
    tilt = (slope + 2 * bend * s) / 10
    off = (across - (offset + slope * s + bend * s * s)) / math.sqrt(1 + tilt * tilt)
    inside = min(max(along, low), high)
    half = 0.5 * max(width + taper * (inside - middle) / 10, _THINNEST)
    near, far = (half - off) * scale, (half + off) * scale
    start, stop = (along - low) * scale, (high - along) * scale
    body = math.erf(near) + math.erf(far)
    ends = max(math.erf(start) + math.erf(stop), 0.0)
    bell = 0.5 * scale / math.sqrt(math.pi)
    at_near, at_far = math.exp(-near * near), math.exp(-far * far)
    by_off = bell * (at_near - at_far) * ends
    by_width = 0.5 * bell * (at_near + at_far) * ends
    slopes[0], slopes[1], slopes[2] = by_off, by_off * s, by_off * s * s
    slopes[3] = -bell * math.exp(-start * start) * body
    slopes[4] = bell * math.exp(-stop * stop) * body
    slopes[5], slopes[6], slopes[7] = by_width, by_width * s, 0.0
    out = 0.25 * body * ends
    if head <= 0:
        return out
    side = -1.0 if head_high else 1.0
    place = (high if head_high else low) + side * 0.5 * head
    t, by = (place - middle) / 10, 0.01
    centre = offset + slope * t + bend * t * t
    disc = _disc(along, across, place, centre, head, sigma)
    if disc <= out:
        return out
    # Where the disc is what shows, the stripe's quantities say nothing; its own by a difference.
    u = t + by / 10
    further = _disc(along, across, place + by, offset + slope * u + bend * u * u, head, sigma)
    u = t + side * 0.5 * by / 10
    larger = _disc(along, across, place + side * 0.5 * by, offset + slope * u + bend * u * u,
                   head + by, sigma)  # fmt: skip
    moved = (_disc(along, across, place, centre + by, head, sigma) - disc) / by
    slopes[:] = 0.0
    slopes[0], slopes[1], slopes[2] = moved, moved * t, moved * t * t
    slopes[4 if head_high else 3] = (further - disc) / by
    slopes[7] = (larger - disc) / by
    return disc


@njit(cache=True, nogil=True, error_model="numpy")
def _shown(  # noqa: PLR0917 (compiled: by place)
    values: Floats, middle: float, head_high: bool, sigma: float, along: Floats, across: Floats
) -> Floats:
    """Return what a line shows at places, dims (place,)."""
    out, slopes = np.empty(along.size), np.empty(8)
    for i in range(along.size):
        out[i] = _at(values, middle, head_high, sigma, along[i], across[i], slopes)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _scored(  # noqa: PLR0917 (compiled: by place)
    values: Floats, middle: float, head_high: bool, sigma: float,
    along: Floats, across: Floats, counts: Floats, known: Floats, bare: Floats, step: Floats,
) -> tuple[float, Floats, Floats]:  # fmt: skip
    """Return what counts tell for a line beside those known (nats), its slopes and information.

    Dims: `counts` (element, pixel), `bare`, `step` (element,); slopes and information (8,), (8, 8).
    """
    gain, uphill, information, slopes = 0.0, np.zeros(8), np.zeros((8, 8)), np.empty(8)
    for i in range(along.size):
        free = 1 - min(max(known[i], 0.0), 1.0)  # where lines cross, metal hides no more glass
        part = _at(values, middle, head_high, sigma, along[i], across[i], slopes)
        fraction = known[i] + free * part
        score = weight = 0.0
        for e in range(bare.size):
            if step[e] == 0:
                continue
            each = step[e] / bare[e]
            ratio, without = (
                max(fraction * each, _PASSABLE - 1),
                max(known[i] * each, _PASSABLE - 1),
            )
            gain += counts[e, i] * (math.log1p(ratio) - math.log1p(without))
            gain -= bare[e] * (ratio - without)
            mean = max(bare[e] + fraction * step[e], 0.5 * _PASSABLE * bare[e])
            score += step[e] * (counts[e, i] / mean - 1)
            weight += step[e] * step[e] / mean
        for a in range(8):
            uphill[a] += free * slopes[a] * score
            for b in range(a + 1):
                information[a, b] += free * free * slopes[a] * slopes[b] * weight
    for a in range(8):
        for b in range(a):
            information[b, a] = information[a, b]
    return gain, uphill, information


class Pixels(NamedTuple):
    """The counts that a line is fitted to, and what of them other lines explain."""

    along: Floats  # (pixel,)
    across: Floats  # (pixel,)
    counts: Floats  # (element, pixel)
    known: Floats  # (pixel,): metal fraction of other lines

    def beside(self, shown: Floats) -> Floats:
        """Return what a line adds to what is known: where lines cross, no more glass is hidden."""
        return np.asarray(shown * (1 - np.clip(self.known, 0.0, 1.0)))


@dataclass
class Window:
    """A window of a field in which lines are looked for."""

    box: Box
    counts: npt.NDArray[np.generic]  # (element, y, x)
    usable: Bools  # (y, x): pixels to use, outside of droplets
    known: Floats  # (y, x): metal fraction of the lines found so far
    labels: Labels  # (y, x): regions as they are drawn
    faint: Bools  # (region,): whose mean signal is far below that of thick metal
    # (region,): far larger than its deepest place would make it: streaks, and streaks that cross
    branched: Bools

    def pixels(self, line: Line, blur: float, *, beyond: float = _REACH) -> Pixels:
        """Return the counts around a line, and `beyond` its ends (px)."""
        near = line.box(max(beyond, _REACH) + 2, self.box)
        here = near.inside(self.box)
        along, across = line.place(*np.ogrid[near.rows, near.columns])
        reach = 0.5 * max(line.width + 1, line.head) + _BESIDE * float(np.hypot(blur, 0.5)) + 0.5
        kept = self.usable[here] & (np.abs(across - line.centre(along)) <= reach)
        kept &= (along > line.low - beyond) & (along < line.high + beyond)
        counts = self.counts[:, here[0], here[1]][:, kept].astype(np.float64)
        return Pixels(along[kept], across[kept], counts, self.known[here][kept])

    def add(self, line: Line, blur: float, sign: float = 1.0) -> None:
        """Put a line among what is known, or take it away."""
        near = line.box(_REACH, self.box)
        places = line.place(*np.ogrid[near.rows, near.columns])
        left = 1 - np.minimum(line.shown(*places, blur), _HIDES)
        here = near.inside(self.box)
        self.known[here] = 1 - (1 - self.known[here]) * (left if sign > 0 else 1 / left)


_FITTED = ("offset", "slope", "bend", "low", "high", "width", "taper", "head")
_DIAGONAL = np.diag_indices(8)
_MOST = np.array([1.0, 1.0, 0.5, 4.0, 4.0, 1.0, 1.0, 2.0])  # that each may move at once


def _prior(line: Line) -> Floats:
    """Return one over the standard deviation of a weak prior: straight, and of even width."""
    tens = max(line.length, 10.0) / 10
    out = np.zeros(8)
    out[1], out[2] = 1 / _TILT, 1 / _BEND
    out[6] = tens / (_TAPER * max(line.width, 0.5))
    return out


def fitted(line: Line, pixels: Pixels, seen: Seen, *, rounds: int = 8) -> Line:
    """Return the line of the greatest likelihood near a first guess (Fisher scoring)."""
    line = line.moved(line.low, line.high)
    values, prior = line.values, _prior(line)
    free = slice(8 if line.head > 0 else 7)

    def scored(trial: Floats) -> tuple[float, Floats, Floats]:
        fixed = (line.middle, line.head_high, _sigma(seen.blur))
        gain, uphill, information = _scored(trial, *fixed, *pixels, seen.bare, seen.step)
        rest = trial * prior
        information[_DIAGONAL] += prior**2
        return gain - 0.5 * float(rest @ rest), uphill - rest * prior, information

    best, uphill, information = scored(values)
    damp = 1e-2
    for _ in range(rounds):
        before = best
        for _ in range(4):
            damped = information.copy()
            damped[_DIAGONAL] += damp * (information[_DIAGONAL] + 1e-6)
            move = np.zeros(8)
            move[free] = np.linalg.solve(damped[free, free], uphill[free])
            trial = values + np.clip(move, -_MOST, _MOST)
            trial[5] = min(max(trial[5], 0.1), seen.widest)
            most = 2 * trial[5] / (max(line.length, 10.0) / 10)
            trial[6] = min(max(trial[6], -most), most)
            if line.head > 0:
                trial[7] = min(max(trial[7], 0.3), 3 * seen.widest)
            if trial[4] - trial[3] >= 3 and (after := scored(trial))[0] > best:
                values, (best, uphill, information) = trial, after
                damp = max(damp / 5, 1e-4)
                break
            damp *= 10
        if best - before < 0.02:
            break
    information[_DIAGONAL] += 1e-9
    error = np.linalg.solve(information[free, free], np.eye(8)[free, 6])[6]
    line = line.at(values)
    gain = best + 0.5 * float(np.sum((values * prior) ** 2))
    return replace(line.moved(line.low, line.high), gain=gain, error=math.sqrt(max(error, 1e-9)))


def with_head(line: Line, window: Window, seen: Seen) -> Line:
    """Return the line with a disc at one end where that tells more."""
    if line.head > 0:
        return line
    best = line
    for high in (False, True):
        wide = float(line.wide(line.high if high else line.low))
        trial = replace(line, head=max(2 * wide, 1.5), head_high=high)
        trial = fitted(trial, window.pixels(trial, seen.blur), seen)
        # The same pixels for both.
        pixels = window.pixels(trial, seen.blur)
        more = float(told(trial, pixels, seen).sum() - told(line, pixels, seen).sum())
        if more > _HEAD and trial.gain > best.gain and trial.head > 1.2 * trial.width:
            best = trial
    return best


def told(line: Line, pixels: Pixels, seen: Seen) -> Floats:
    """Return what each pixel tells for the line, beside the lines that are known (nats)."""
    part = pixels.beside(line.shown(pixels.along, pixels.across, seen.blur))
    without = seen.gain(pixels.counts, pixels.known)
    return np.asarray(seen.gain(pixels.counts, pixels.known + part) - without)


def stretched(line: Line, window: Window, seen: Seen, *, beyond: float) -> tuple[Line, bool]:
    """Return the line with its ends where it tells most, and whether it surely ends there.

    Hysteresis along the line: a gap costs what bare glass tells against the line; beyond one of
    more than `_GAP` nats the line is another.
    """
    long = replace(line, low=line.low - beyond, high=line.high + beyond)
    # Its own middle and width are kept: the place along is counted from the old middle.
    pixels = window.pixels(line, seen.blur, beyond=beyond)
    middle = line.middle
    shown = pixels.beside(_endless(line, pixels, seen.blur))
    gain = seen.gain(pixels.counts, pixels.known + shown) - seen.gain(pixels.counts, pixels.known)
    n = int(np.ceil(long.length)) + 1
    place = np.clip(np.floor(pixels.along - long.low).astype(np.int64), 0, n - 1)
    by_px = np.bincount(place, gain, minlength=n)
    at = int(np.clip(middle - long.low, 0, n - 1))
    ends, over = [], True
    for run in (by_px[at::-1], by_px[at:]):
        total = np.cumsum(run)
        best = np.maximum.accumulate(total)
        stop = np.flatnonzero(best - total > _GAP)
        stop_at = int(stop[0]) if stop.size else total.size
        over &= stop.size > 0
        ends.append(int(np.argmax(total[:stop_at])))
    low, high = long.low + at - ends[0], long.low + at + ends[1] + 1
    return line.moved(low, high), over


def _endless(line: Line, pixels: Pixels, blur: float) -> Floats:
    # As far on either side: the middle stays.
    wide = max(line.mean_width, _NARROWEST)
    long = replace(line, low=line.low - 500, high=line.high + 500, taper=0.0, width=wide, head=0.0)
    return long.shown(pixels.along, pixels.across, blur)


def quarters(line: Line, pixels: Pixels, seen: Seen) -> Floats:
    """Return what each quarter of a line tells (nats)."""
    gain = told(line, pixels, seen)
    place = np.clip((pixels.along - line.low) / max(line.length, 1e-9) * 4, 0, 3.999)
    return np.asarray(np.bincount(place.astype(np.int64), gain, minlength=4), dtype=np.float64)


def lines_in(window: Window, seen: Seen, *, least: float, ground: Bools) -> tuple[list[Line], Seen]:
    """Return the lines of a window that tell at least so much (nats), strongest first.

    Those found explain their counts; what is left is looked at again. A line must tell more than
    the regions in its place. Dims: `ground` (y, x), pixels that tell the means of bare glass.
    """
    found: list[Line] = []
    tried: list[tuple[int, int, int]] = []
    for turn in range(_ROUNDS):
        fresh = [
            line
            for line in _candidates(window, seen, tried)
            if not any(_on(line, other) for other in found)
        ]
        added = 0
        for guess in fresh:
            if turn == 0 and any(_on(guess, other) for other in found):
                continue
            line = _grown(guess, window, seen)
            if line is None or line.gain < least or not _is_line(line, window, seen):
                continue
            if line.gain < _AS_GOOD * _told_by_regions(line, window, seen):
                continue
            window.add(line, seen.blur)
            found.append(line)
            added += 1
        if not added:
            break
        if turn == 0:
            seen = _on_ground(seen, window, ground & (window.known < _ON))
        before = seen.blur
        found, seen = _again(found, window, seen, blurs=turn == 0)
        if seen.blur != before:
            tried.clear()  # what was judged under another blur is judged again
        if turn == 0 and len(found) >= _ENOUGH and seen.blur == _BLURS[-1]:
            return [], seen  # blurred further than any blur that is thought of: no lines
    return found, seen


def _candidates(window: Window, seen: Seen, tried: list[tuple[int, int, int]]) -> list[Line]:
    """Return first guesses of lines where the response is highest, those tried before left out."""
    # Thick metal being 1, the lines that are known are taken off as they are.
    rest: Singles = -window.known.astype(np.float32) - np.float32(seen.weights @ seen.bare)
    for weight, plane in zip(seen.weights, window.counts, strict=True):
        if weight:
            rest += np.float32(weight) * plane
    rest[~window.usable] = 0
    rows, columns = (side // _BIN for side in window.box.shape)
    picture = rest[: rows * _BIN, : columns * _BIN].reshape(rows, _BIN, columns, _BIN)
    noise = float(np.sqrt(seen.weights**2 @ seen.bare)) / _BIN
    z = response(picture.mean(axis=(1, 3)), noise=noise, blur=seen.blur)
    best = z.max(axis=0)
    peak = (best > _SEED) & (best >= ndimage.maximum_filter(best, size=5))
    y, x = np.nonzero(peak)
    out = []
    for i in np.argsort(-best[y, x], kind="stable").tolist():
        k = int(z[:, y[i], x[i]].argmax())
        key = (k, int(y[i]), int(x[i]))
        if key in tried:
            continue
        tried.append(key)
        if z[(k + _ANGLES // 2) % _ANGLES, y[i], x[i]] > _ROUNDISH * z[key]:
            continue
        # The tip of the parabola through the neighbouring angles.
        before, here, after = (float(z[(k + d) % _ANGLES, y[i], x[i]]) for d in (-1, 0, 1))
        bow = before - 2 * here + after
        tip = 0.5 * (before - after) / bow if bow < 0 else 0.0
        out.append(Line(
            window.box.top + _BIN * (float(y[i]) + 0.5) - 0.5,
            window.box.left + _BIN * (float(x[i]) + 0.5) - 0.5,
            np.pi * (k + tip) / _ANGLES, 0.0, 0.0, 0.0, -_FIRST, _FIRST, 1.5, 0.0,
        ))  # fmt: skip
    return out


def _on(line: Line, other: Line) -> bool:
    """Return whether the middle of a line lies on another, in its direction."""
    along, across = other.place(line.y, line.x)
    beside = abs(float(across - other.centre(along)))
    near = other.low - 2 < along < other.high + 2 and beside < 0.5 * float(other.wide(along)) + 2
    gap = abs((line.turn - other.turn + np.pi / 2) % np.pi - np.pi / 2)
    return bool(near and gap < _ALIKE)


def _grown(guess: Line, window: Window, seen: Seen) -> Line | None:
    """Return a line grown from a first guess, fitted; None where there is nothing to fit."""
    line, over = guess, False
    for far, rounds, stubby in _GROWTH:
        beyond = min(far, _NEAR) if over else far
        if beyond:
            line, over = stretched(line, window, seen, beyond=beyond)
        if line.length < 4:
            return None
        pixels = window.pixels(line, seen.blur)
        if pixels.along.size < _LEAST_PIXELS:
            return None
        line = fitted(line, pixels, seen, rounds=rounds)
        if not beyond and line.gain < _PROMISING:
            return None
        if line.length < stubby * _LONG * line.mean_width:
            return None
        if _flanked(line, window, float(np.hypot(seen.blur, 0.29))) < 0.5 * _FLANKED:
            return None
    return with_head(line, window, seen)


def _is_line(line: Line, window: Window, seen: Seen) -> bool:
    """Return whether a fitted line is one: long, not too narrow, and told all along."""
    blur = float(np.hypot(seen.blur, 0.29))
    wide = float(np.hypot(line.mean_width, 2.355 * blur))  # as it appears, at half height
    bare = line.length - line.head  # without the head
    if line.mean_width < _NARROWEST or bare < max(_SHORTEST * wide, _SHORTEST_PX):
        return False
    if bare < _LONG * line.mean_width or line.head > _HEADED * line.mean_width + blur:
        return False
    if _flanked(line, window, blur) < _FLANKED:
        return False
    pixels = window.pixels(line, seen.blur)
    if quarters(line, pixels, seen).min() < _EACH:
        return False
    return _beaded(line, pixels, seen) <= _BEADED


def _beaded(line: Line, pixels: Pixels, seen: Seen) -> float:
    """Return how far the strength along a line varies beyond noise, relative to the line's own.

    A chain of droplets has gaps; a streak is even, or tapers as its model does.
    """
    shown = pixels.beside(line.shown(pixels.along, pixels.across, seen.blur))
    step, bare = seen.step[:, None], seen.bare[:, None]
    mean = np.maximum(bare + (pixels.known + shown) * step, 0.5 * _PASSABLE * bare)
    score = shown * (step * (pixels.counts / mean - 1)).sum(axis=0)
    weight = shown**2 * (step * step / mean).sum(axis=0)
    n = max(3, int(line.length / (_BEAD * float(np.hypot(seen.blur, 0.5)))))
    place = (pixels.along - line.low) / max(line.length, 1e-9) * n
    inside = (place >= 0) & (place < n)
    which = place[inside].astype(np.int64)
    total = np.bincount(which, score[inside], minlength=n)
    told_by = np.bincount(which, weight[inside], minlength=n)
    some = told_by > 0
    off, variance = total[some] / told_by[some], 1 / told_by[some]
    excess = float(np.average(off**2 - variance, weights=1 / variance))
    error = float(np.sqrt(2 * some.sum()) / np.sum(1 / variance))
    return float(np.sqrt(max(excess - 2 * error, 0.0)))


def _flanked(line: Line, window: Window, blur: float) -> float:
    """Return the part of a line's length that has bare glass to be seen on either side.

    Channels between droplets, into which their light spills, and slivers along the frame have none.
    """
    along = np.arange(line.low + 0.5, line.high, 1.0)
    clear = np.ones(along.size, bool)
    for side in (-1, 1):
        off = line.centre(along) + side * (0.5 * line.wide(along) + _FLANK * blur)
        y = line.y + along * np.sin(line.turn) + off * np.cos(line.turn) - window.box.top
        x = line.x + along * np.cos(line.turn) - off * np.sin(line.turn) - window.box.left
        row, column = np.rint(y).astype(np.int64), np.rint(x).astype(np.int64)
        rows, columns = window.usable.shape
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        clear &= inside
        clear[inside] &= window.usable[row[inside], column[inside]]
    return float(clear.mean()) if clear.size else 0.0


def _again(
    lines: list[Line], window: Window, seen: Seen, *, blurs: bool
) -> tuple[list[Line], Seen]:
    """Fit every line again beside the others; with the blur that suits all best."""
    if blurs and len(lines) >= _ENOUGH:
        tries = []
        for blur in _BLURS:
            trial = replace(seen, blur=blur)
            total = 0.0
            for line in lines[:_ENOUGH_TO_TELL]:
                window.add(line, seen.blur, -1)
                total += fitted(line, window.pixels(line, seen.blur), trial, rounds=3).gain
                window.add(line, seen.blur)
            tries.append(total)
        best = replace(seen, blur=_BLURS[int(np.argmax(tries))])
    else:
        best = seen
    for line in lines:
        window.add(line, seen.blur, -1)
        window.add(line, best.blur)
    out = []
    for line in lines:
        window.add(line, best.blur, -1)
        again = _grown_on(line, window, best)
        window.add(again, best.blur)
        out.append(again)
    return _merged(out, window, best), best


def _merged(lines: list[Line], window: Window, seen: Seen) -> list[Line]:
    """Join lines that one line explains as well."""
    lines = sorted(lines, key=lambda one: -one.gain)
    i = 0
    while i < len(lines):
        for j in range(i + 1, len(lines)):
            one, other = lines[i], lines[j]
            if not _in_line(one, other):
                continue
            for line in (one, other):
                window.add(line, seen.blur, -1)
            alone = _gain_of((one, other), window, seen)
            ends = [float(one.place(*other.of(t))[0]) for t in (other.low, other.high)]
            whole = one.moved(min(one.low, *ends), max(one.high, *ends))
            whole = replace(whole, head=0.0, taper=0.0)
            whole = fitted(whole, window.pixels(whole, seen.blur), seen)
            whole = with_head(whole, window, seen)
            if whole.gain > alone - _JOINED:
                window.add(whole, seen.blur)
                lines[i] = whole
                del lines[j]
                i -= 1
                break
            for line in (one, other):
                window.add(line, seen.blur)
        i += 1
    return lines


def _gain_of(lines: Sequence[Line], window: Window, seen: Seen) -> float:
    """Return what lines that are not yet known tell together."""
    total = 0.0
    for line in lines:
        total += float(told(line, window.pixels(line, seen.blur), seen).sum())
        window.add(line, seen.blur)
    for line in lines:
        window.add(line, seen.blur, -1)
    return total


def _in_line(one: Line, other: Line) -> bool:
    """Return whether the second may be the continuation of the first."""
    gap = abs((_axis(one) - _axis(other) + np.pi / 2) % np.pi - np.pi / 2)
    if gap > _ALIKE:
        return False
    ends = [one.place(*other.of(t)) for t in (other.low, other.high)]
    along = [float(a) for a, _ in ends]
    if max(along) < one.low - _APART or min(along) > one.high + _APART:
        return False
    beside = [abs(float(b - one.centre(np.clip(a, one.low - 5, one.high + 5)))) for a, b in ends]
    return min(beside) < 3.0 + 0.5 * one.mean_width


def _axis(line: Line) -> float:
    return line.turn + float(np.arctan(line.slope / 10))


def _grown_on(line: Line, window: Window, seen: Seen) -> Line:
    longer, _ = stretched(line, window, seen, beyond=20.0)
    line = longer if longer.length > 4 else line
    return with_head(fitted(line, window.pixels(line, seen.blur), seen), window, seen)


def _amplitudes(
    shown: Floats, counts: Floats, known: Floats, seen: Seen, *, rounds: int = 4
) -> tuple[Floats, float]:
    """Return the strengths of regions, by likelihood, and what they tell (nats).

    Dims: `shown` (region, pixel), `counts` (element, pixel), `known` (pixel,).
    """
    strength = np.full(len(shown), 0.5)
    step, bare = seen.step[:, None], seen.bare[:, None]
    for _ in range(rounds):
        mean = np.maximum(bare + (known + strength @ shown) * step, 0.5 * _PASSABLE * bare)
        score = shown @ (step * (counts / mean - 1)).sum(axis=0)
        information = (shown * (step * step / mean).sum(axis=0)) @ shown.T
        information[np.diag_indices_from(information)] += 1e-6
        strength = np.clip(strength + np.linalg.solve(information, score), 0.0, 1.2)
    gain = seen.gain(counts, known + strength @ shown) - seen.gain(counts, known)
    return strength, float(gain.sum())


def _told_by_regions(line: Line, window: Window, seen: Seen) -> float:
    """Return what the regions in a line's place tell of the counts it is fitted to (nats)."""
    near = line.box(_REACH + 2, window.box)
    here = near.inside(window.box)
    labels = window.labels[here]
    names = np.unique(labels[line.covers(near, more=1.0)])
    names = names[names > 0]
    if names.size == 0:
        return 0.0
    y, x = np.mgrid[near.rows, near.columns]
    along, across = line.place(y, x)
    kept = window.usable[here] & (np.abs(line.off(along, across)) <= 0.5 * line.width + 4)
    kept &= (along > line.low - 4) & (along < line.high + 4)
    blur = float(np.hypot(seen.blur, 0.29))
    # Of streaks that cross, the region tells for the others too: its part along this line counts.
    beside = np.abs(line.off(along, across)) > 0.5 * line.width + _BESIDE_LINE
    shown = np.stack([
        ndimage.gaussian_filter(
            ((labels == name) & ~(beside & window.branched[name])).astype(np.float64), blur
        )[kept]
        for name in names
    ])  # fmt: skip
    counts = window.counts[:, here[0], here[1]][:, kept].astype(np.float64)
    known = window.known[here][kept]
    _, regions = _amplitudes(shown, counts, known, seen)
    ours = told(line, Pixels(along[kept], across[kept], counts, known), seen).sum()
    outlines = _OUTLINE * np.count_nonzero(window.faint[names])
    return regions - outlines - float(ours) + line.gain


def explained(window: Window, lines: Sequence[Line], seen: Seen, *, least: float) -> Integers:
    """Return the regions of which little is left beside the lines."""
    touched: set[int] = set()
    for line in lines:
        near = line.box(2, window.box)
        on = line.covers(near, more=1.0)
        touched |= set(np.unique(window.labels[near.inside(window.box)][on]).tolist())
    touched.discard(0)
    if not touched:
        return np.zeros(0, np.int64)
    out = []
    boxes = ndimage.find_objects(window.labels)
    for name in sorted(touched):
        rows, columns = boxes[name - 1]
        here = (slice(max(0, rows.start - 3), rows.stop + 3),
                slice(max(0, columns.start - 3), columns.stop + 3))  # fmt: skip
        mask = window.labels[here] == name
        shown = ndimage.gaussian_filter(mask.astype(np.float64), float(seen.blur) + 0.2)
        kept = (shown > 0.05).ravel()
        planes = window.counts[:, here[0], here[1]].reshape(len(window.counts), -1)
        counts = planes[:, kept].astype(np.float64)
        known = window.known[here].ravel()[kept]
        one = shown.ravel()[kept][None]
        before, _ = _amplitudes(one, counts, np.zeros_like(known), seen)
        after, gain = _amplitudes(one, counts, known, seen)
        if after[0] <= _LEFT * before[0] or gain < least:
            out.append(name)
    return np.array(out, dtype=np.int64)


def joined(tiles: Sequence[Sequence[Line]]) -> list[Line]:
    """Join lines of different tiles that lie on each other: one line, seen from either side.

    Tiles look no further than `MARGIN` beyond their borders: of a longer line each sees a part.
    """
    out: list[tuple[Line, int, Box]] = []
    for tile, lines in enumerate(tiles):
        for line in lines:
            new, k = line, 0
            while k < len(out):
                one, of, box = out[k]
                if of != tile and _touch(box, new.box(0, _ANYWHERE)) and _overlap(one, new):
                    del out[k]
                    new = _through(*sorted((one, new), key=lambda each: -each.length))
                    k = 0  # what it reaches now may be joined too
                else:
                    k += 1
            out.append((new, tile, new.box(0, _ANYWHERE)))
    return [line for line, _, _ in out]


def _touch(one: Box, other: Box) -> bool:
    return (
        one.top < other.bottom and other.top < one.bottom
        and one.left < other.right and other.left < one.right
    )  # fmt: skip


def _overlap(one: Line, other: Line) -> bool:
    """Return whether two lines run along each other."""
    gap = abs((_axis(one) - _axis(other) + np.pi / 2) % np.pi - np.pi / 2)
    if gap > _ALIKE:
        return False
    along, across = _sampled(one, other)
    both = (along > one.low) & (along < one.high)
    beside = np.abs(across - one.centre(along))[both]
    return bool(both.sum() > 1 and np.median(beside) < 0.5 * one.mean_width + 1)


def _sampled(one: Line, other: Line) -> tuple[Floats, Floats]:
    """Return places on the centre line of another as they lie along and across the first."""
    y, x = np.transpose([other.of(t) for t in np.linspace(other.low, other.high, _SAMPLES)])
    return one.place(y, x)


def _through(one: Line, other: Line) -> Line:
    """Return the line through the centres of two, of the widths of both."""
    places = [_sampled(one, line) for line in (one, other)]
    ways = np.sign([along[-1] - along[0] for along, _ in places])
    along, across = np.concatenate(places, axis=1)
    low, high = float(along.min()), float(along.max())
    middle = 0.5 * (low + high)
    s = (along - middle) / 10
    length = np.repeat([one.length, other.length], _SAMPLES)
    bend, slope, offset = np.polyfit(s, across, 2, w=length)
    width = np.concatenate([
        line.wide(np.linspace(line.low, line.high, _SAMPLES)) for line in (one, other)
    ])  # fmt: skip
    taper, wide = np.polyfit(s, width, 1, w=length)
    headed = max((one, other), key=lambda line: line.head)
    turned = bool(ways[1] < 0) and headed is other
    return replace(
        one, low=low, high=high, middle=middle, offset=float(offset), slope=float(slope),
        bend=float(bend), width=float(wide), taper=float(taper), head=headed.head,
        head_high=headed.head_high != turned, gain=max(one.gain, other.gain),
        error=min(one.error, other.error),
    )  # fmt: skip


class Found(NamedTuple):
    """The lines of one tile."""

    lines: list[Line]  # those whose middle lies in the tile
    cut: list[Line]  # of these and those around, the ones that reach its border: see `joined`
    explained: Integers  # (region,): regions that are nothing beside them
    blur: float  # px
    # strengths of thick metal that the lines allow, over the one they were fitted with: the least
    weakest: float


def look(
    window: Window, seen: Seen, *, compact: Bools, drawn: Bools, least: float, uneven: bool
) -> Found:
    """Return the lines of a window and the regions that they explain.

    Dims: `compact`, `drawn` (label + 1,): regions that fill their boxes as round things do, and
    streaks so broad that they are drawn as they are.
    """
    import edt

    metal = window.labels > 0
    # Of metal the distance to glass, of glass that to metal.
    depth = edt.edt(metal.astype(np.uint8) + np.uint8(1), black_border=False, parallel=1)
    deepest = np.zeros(int(window.labels.max(initial=0)) + 1, np.float32)
    np.maximum.at(deepest, window.labels[metal], depth[metal])
    compact = compact[: deepest.size]
    # A line that few counts smear to a blob is faint all over.
    window.faint = _mean_fraction(window, seen, deepest.size) < _SOLID
    area = np.bincount(window.labels.ravel(), minlength=deepest.size)
    window.branched = area > _BRANCHED * np.pi * deepest**2
    hidden = (compact & (deepest >= _ROUND) & ~window.faint) | (deepest > _THICK)
    hidden |= drawn[: deepest.size] & ~window.faint
    hidden[0] = False
    droplets = hidden[window.labels]
    beside = edt.edt(np.ascontiguousarray(~droplets), black_border=False, parallel=1)
    valid = window.usable
    clear = beside > _CLEAR * float(np.hypot(seen.blur, 0.5))
    usable = valid & clear
    ground = valid & ~metal & (depth > _GROUND) if metal.any() else valid
    seen = _on_ground(seen, window, ground)
    if uneven:
        window.known = _level(window, seen, ground)
    window.usable = usable
    lines, seen = lines_in(window, seen, least=least, ground=ground)
    window.usable = valid
    weakest = _weakest(lines, window, seen) if lines else 1.0
    return Found(lines, [], explained(window, lines, seen, least=least), seen.blur, weakest)


def _mean_fraction(window: Window, seen: Seen, size: int) -> Floats:
    """Return the mean fraction of thick metal over every region, dims (region,)."""
    inside = np.flatnonzero(window.labels)
    owner = window.labels.ravel()[inside]
    total = np.zeros(inside.size)
    for weight, plane, bare in zip(seen.weights, window.counts, seen.bare, strict=True):
        if weight:
            total += weight * (plane.ravel()[inside] - bare)
    pixels = np.bincount(owner, minlength=size)
    return np.asarray(np.bincount(owner, total, minlength=size) / np.maximum(pixels, 1))


def _on_ground(seen: Seen, window: Window, ground: Bools) -> Seen:
    """Return it with the bare means of the ground beside all regions, where there is enough."""
    if np.count_nonzero(ground) < _ENOUGH_GROUND:
        return seen
    bare = np.array([float(plane[ground].mean(dtype=np.float64)) for plane in window.counts])
    bare = np.where(seen.step != 0, np.maximum(bare, 1e-4), seen.bare)
    return replace(seen, bare=bare, step=np.where(seen.step != 0, seen.step + seen.bare - bare, 0))


def _level(window: Window, seen: Seen, ground: Bools) -> Floats:
    """Return the metal fraction of the haze around every pixel."""
    rest = np.zeros(ground.shape)
    for weight, plane, bare in zip(seen.weights, window.counts, seen.bare, strict=True):
        rest += weight * (plane - bare)
    weight = ndimage.gaussian_filter(ground.astype(np.float64), _HAZE)
    level = ndimage.gaussian_filter(np.where(ground, rest, 0.0), _HAZE)
    return np.asarray(np.where(weight > 0.05, level / np.maximum(weight, 0.05), 0.0))


def _weakest(lines: Sequence[Line], window: Window, seen: Seen) -> float:
    """Return the least strength of metal, over thick metal's, that the lines' profiles allow.

    Profile likelihood of all together, 95 %; each with a width of its own at every strength.
    """
    chosen = sorted(lines, key=lambda one: -one.gain)[:_ENOUGH_TO_TELL]
    strengths = (1.0, 0.7, 0.5, 0.35, 0.25)
    best, out = -np.inf, 1.0
    for strength in strengths:
        weaker = replace(seen, step=strength * seen.step)
        total = 0.0
        for line in chosen:
            window.add(line, seen.blur, -1)
            pixels = window.pixels(line, seen.blur)
            pixels = pixels._replace(known=pixels.known / strength)
            wider = replace(line, width=min(line.width / strength, seen.widest))
            total += fitted(wider, pixels, weaker, rounds=4).gain
            window.add(line, seen.blur)
        best = max(best, total)
        if best - total > 0.5 * _INTERVAL:
            break
        out = strength
    return out

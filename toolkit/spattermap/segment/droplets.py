"""From the metal fraction to separate droplets: mask, parting, edges, false alarms.

Whether metal is much thicker in the middle of droplets than where their outlines lie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from spattermap.core.arrays import Bools, Floats, Integers, Labels, Singles
from spattermap.segment import alarms, parting
from spattermap.segment.filters import RADIUS_STEP, Filter
from spattermap.segment.likelihood import Classes

ADMITTED = 0.2  # lowest edge level a droplet can have; below it lie haze and noise
_DEEP = 0.2  # two hills of the fraction part where the pass is this much below the lower summit
_NECK = 0.07  # ... and two hills of the distance to the edge; shallower necks are chance
_BROAD = 1.5  # ... unless the neck is wider than the smaller of them: half width over radius
_LONG = 2.7  # ... or the two are a streak: length over width of both together,
_SHALLOW = 0.3  # ... with a neck no deeper than this
_DIP = 6.0  # ... and, for the fraction itself, this many noise standard deviations
_CLEAR = 0.6  # fraction that noise may reach at the false-alarm rate without a wider look
_WIDER = (1.5, 4.0)  # Gaussian averages of the wider looks, in standard deviations of the edge
_BAY = 0.25  # px; shallower necks are those of the pixel grid
_JITTERS = 0.25  # ... or of edges displaced by noise, in their standard deviations
FARTHEST = 256.0  # px; deeper inside, metal is a film, and how far its edge is says nothing
_BLUNT = 0.4  # smoothing of the distance map, in standard deviations of the edge


def height_of(fraction: Singles, valid: Bools, offset: float) -> Singles:
    """Return the height map in which droplets are the hills.

    Dims: `fraction` (y, x), `valid` (y, x); returns (y, x).
    """
    return np.asarray(np.where(valid, fraction + np.float32(offset), np.float32(-1)))


@dataclass(frozen=True)
class Parting:
    """Where hills part, from the classes and the filter of the field."""

    sigma: float  # standard deviation of the edge (px)
    # for the hills of the metal fraction; an infinite `least`: nothing is parted
    dips: parting.Rule
    necks: parting.Rule  # for the hills of the distance to the edge (px)
    jitter: float = 0.0  # standard deviation of the edge's place by noise (px)

    @classmethod
    def of(cls, classes: Classes, used: Filter, *, strength: float) -> Parting:
        """Return the rule for a strength: 1 by default, 0 never parts."""
        noise = float(np.sqrt(used.gain * (classes.weights**2 @ classes.noise_metal)))
        return cls.at(used.sigma, noise=noise, strength=strength)

    @classmethod
    def at(cls, sigma: float, *, noise: float, strength: float) -> Parting:
        """Return the rule for edges of a standard deviation (px) and noise of the fraction."""
        sigma = max(sigma, 0.29)  # 0.29 px: a pixel averages over its width
        if strength == 0:
            return cls.none(sigma)
        # Noise displaces an edge by its height over the slope there; such bays part nothing.
        jitter = noise * sigma * np.sqrt(2 * np.pi)
        return cls(
            sigma,
            parting.Rule(1 - _DEEP / strength, _DIP * noise / strength),
            parting.Rule(
                1 - _NECK / strength,
                max(_BAY, float(_JITTERS * jitter)) / strength,
                broad=_BROAD * strength,
                long=_LONG,
                shallow=1 - _SHALLOW / strength,
            ),
            float(jitter),
        )

    @classmethod
    def none(cls, sigma: float = 1.0) -> Parting:
        """Return the rule that parts nothing."""
        return cls(sigma, parting.Rule(1.0, np.inf), parting.Rule(1.0, np.inf))

    @property
    def parts_nothing(self) -> bool:
        """True where hills are never kept apart."""
        return bool(np.isinf(self.dips.least))

    @property
    def least_area(self) -> float:
        """Area (px) below which holes and specks are not resolved."""
        return max(4.0, np.pi * self.sigma**2)

    @property
    def blunt(self) -> float:
        """Smoothing (px) of the distance, so that pixels of a ragged edge make no summits."""
        return max(0.7, _BLUNT * self.sigma)


def looks(classes: Classes, used: Filter, *, n_pixels: int, false_alarms: float) -> list[Filter]:
    """Return the filters through which a field is searched: more than one where counts are few."""
    u = alarms.threshold(n_pixels=n_pixels, roughness=used.roughness, false_alarms=false_alarms)
    if u * alarms.noise_sd(classes, used) < _CLEAR:
        return [used]
    return [used, *(used.widened(w * used.sigma) for w in _WIDER)]


def weigh(
    top: npt.NDArray[np.float64],
    classes: Classes,
    filters: list[Filter],
    *,
    n_pixels: int,
    poisson: bool,
) -> Floats:
    """Return how many noise peaks are expected as high as each region, in the best look.

    Dims: `top` (look, region); returns (region,).
    """
    expected = np.full(top.shape[1], np.inf)
    for highest, one in zip(top, filters, strict=False):
        z = alarms.gaussian_equivalent(highest, classes, one, poisson=poisson)
        peaks = alarms.expected_peaks(z, n_pixels=n_pixels, roughness=one.roughness)
        # Each further look is one more chance for noise.
        expected = np.minimum(expected, len(filters) * peaks)
    return expected


def without_pinholes(mask: Bools, least: float) -> Bools:
    """Fill holes and drop specks too small to be resolved: noise, and ruinous for distances.

    Dims: `mask` (y, x); returns (y, x).
    """
    from scipy import ndimage

    out = mask.copy()
    for value in (False, True):
        pieces, n = ndimage.label(out == value, structure=None if value else np.ones((3, 3)))
        area = np.bincount(pieces.ravel(), minlength=n + 1)
        small = area < least
        small[0] = False
        out ^= small[pieces]
    return out


def blunted_distance(mask: Bools, blunt: float) -> Singles:
    """Return the distance to the edge inside a mask, smoothed; no more than `FARTHEST`.

    Dims: `mask` (y, x); returns (y, x).
    """
    import edt
    from scipy import ndimage

    distance = edt.edt(np.ascontiguousarray(mask), black_border=False, parallel=1)
    distance[distance > 0] -= 0.5  # from the pixel's middle to the edge, not to the next pixel's
    distance = np.minimum(distance, np.float32(FARTHEST))
    return np.asarray(ndimage.gaussian_filter(distance, blunt))


def edge_table(used: Filter) -> Singles:
    """Return the height at the edge of a droplet against its radius, in steps of `RADIUS_STEP`."""
    levels = np.concatenate([[0.0], used.edge_levels])
    return np.asarray(np.maximum(levels, ADMITTED), dtype=np.float32)


def smallest_trusted(
    classes: Classes, used: Filter, *, n_pixels: int, false_alarms: float
) -> float:
    """Return the diameter (px) of the smallest disc that is found every other time.

    The blurred and filtered disc must rise above the half height, and above the height that noise
    passes `false_alarms` times a field.
    """
    filters = looks(classes, used, n_pixels=n_pixels, false_alarms=false_alarms)
    seen = np.zeros(used.peaks.size, dtype=bool)
    for one in filters:
        u = alarms.threshold(
            n_pixels=n_pixels, roughness=one.roughness, false_alarms=false_alarms / len(filters)
        )
        seen |= one.peaks >= u * alarms.noise_sd(classes, one)
    enough = np.flatnonzero(seen & (used.peaks >= 0.5))
    return 2 * RADIUS_STEP * float(enough[0] + 1) if enough.size else float("inf")


DOMED = 1.1  # signal of the middle over that of typical metal, from which it is told
_WIDE = 4.0  # inner radius, in standard deviations of the edge, from which a middle shows
_MIDDLE = 0.7  # part of the inner radius from which a pixel belongs to the middle
ENOUGH = 3  # droplets
WIDEST = 512  # px; what is longer is no single drop with a middle
_THICKER = (
    "The middle of the large droplets gives {ratio:.1f} times the signal of typical metal: "
    "thickness varies. Outlines lie where the signal is half that of typical metal, so coverage "
    "and diameters are those of metal at least about half as thick; thinner rims lie outside and "
    "are not counted. A profile of one droplet at ten times the counts tells how far they reach."
)


class Middles(NamedTuple):
    """Metal fraction in the middle of the droplets wide enough to have one."""

    label: Integers  # (droplet,): the droplets
    total: Floats  # (droplet,): sum of the fraction over the middle of each
    n: Integers  # (droplet,): pixels of that middle


def middles(fraction: Singles, labels: Labels, *, sigma: float, n: int) -> Middles:
    """Return the signal in the middle of whole droplets.

    Dims: `fraction` (y, x), `labels` (y, x).
    """
    import edt

    depth = edt.edt(labels.astype(np.uint32), black_border=False, parallel=1)
    deepest = np.zeros(n + 1, np.float32)
    np.maximum.at(deepest, labels.ravel(), depth.ravel())
    wide = deepest >= _WIDE * max(sigma, 0.75)
    wide[0] = False
    middle = wide[labels] & (depth >= _MIDDLE * deepest[labels])
    owner = labels[middle]
    names = np.flatnonzero(wide)
    total: Floats = np.bincount(owner, fraction[middle], minlength=n + 1).astype(np.float64)
    return Middles(names, total[names], np.bincount(owner, minlength=n + 1)[names])


def middle_signal(found: Sequence[Middles]) -> float:
    """Return the mean metal fraction in the middle of the droplets wide enough to have one."""
    label, total, n = (np.concatenate(one) for one in zip(*found, strict=True))
    if label.size < ENOUGH:
        return float("nan")
    order = np.argsort(label)  # so that the sum does not depend on the parts
    return float(total[order].sum() / n.sum())


def note(ratio: float) -> tuple[str, ...]:
    """Return what to tell of a `middle_signal`: nothing where it is ordinary or unknown."""
    return (_THICKER.format(ratio=ratio),) if ratio >= DOMED else ()

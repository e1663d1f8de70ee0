"""The electron image as evidence: outlines from the picture, decisions from the counts.

A picture has a hundred times the signal of the maps and sharper edges, but no elements, and it
lies: charging, shadows, dust, scratches. So it is registered or refused, its metal signal is
learned from the maps, every region drawn in it is confirmed or refused by its counts, and where any
of this falls short the maps alone are used.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core.arrays import Bools, Labels, Singles
from spattermap.segment import image_evidence, image_regions
from spattermap.segment.filters import Structure
from spattermap.segment.image_grid import (
    Transform,
    blurred,
    even_grey,
    means,
    resampled,
    without_caption,
)
from spattermap.segment.image_registration import (
    LEAST_PEAK_RATIO,
    after,
    correction,
    moved,
    register,
)

LEAST_EXPLAINED = 0.6  # part of the maps' true variance
_LEAST_INSIDE = 0.8  # part of the field that the picture must show
_MOST_PLACINGS = 3
_SETTLED = 0.2  # px; a transform that moves no point of the field farther is settled
_METAL_ODDS = 4.6  # log odds from which a region is metal: no more than one in a hundred is none
_SMALL_ODDS = 6.0  # ... of what is too small to be learned, most of it scratches
# From here on the picture explains so well that its outlines are taken whatever the counts,
_WELL_EXPLAINED = 0.9
_WORSE = 0.15  # ... else they must not fit the counts so much worse than those of the maps
_LEAST_SUPPORT = 1.3  # gradient along the outlines over that of the whole picture


@dataclass(frozen=True)
class ImageReading:
    """What came of an electron image."""

    used: bool  # False where the maps alone must serve
    why: str  # one sentence
    # from the maps to the image (its caption cut off); None where it was not registered
    transform: Transform | None = None
    # peak of the registration over the best elsewhere; explained part of the maps' true variance;
    # gradient along the outlines over that of the picture. NaN where not reached.
    peak_ratio: float = np.nan
    explained: float = np.nan
    support: float = np.nan
    labels: Labels | None = None  # (y, x): regions on the maps' grid, 0 bare
    # (region,): probability that each region is metal
    confidence: npt.NDArray[np.float64] | None = None
    # (y, x): metal fraction of picture and counts together, unblurred
    fraction: Singles | None = None
    name: str = "electron_image"  # which of the map set's images
    # (y, x): where picture and maps can both draw the metal, as the one that was not believed draws
    # it; the picture at its own edges
    otherwise: Bools | None = None

    def summary(self, pixel_size: float) -> dict[str, Any]:
        """Return the headline entries; lengths in the unit of `pixel_size`, endings in ``_um``."""
        place = self.transform
        nothing = float("nan")
        return {
            "electron_image_used": self.used,
            "electron_image_why": self.why,
            "electron_image_shift_y_um": nothing if place is None else place.shift[0] * pixel_size,
            "electron_image_shift_x_um": nothing if place is None else place.shift[1] * pixel_size,
            "electron_image_turn_deg": nothing if place is None else place.turn_deg,
            "electron_image_scale": nothing if place is None else place.scale,
        }


NOT_GIVEN = ImageReading(used=False, why="no electron image was given, or it was switched off")


@dataclass(frozen=True)
class MapEvidence:
    """What the maps alone say, for a picture to be read with."""

    fraction: Singles  # (y, x): unsmoothed, unbiased metal fraction
    valid: Bools  # (y, x): pixels to use
    noise: float  # mean variance of the fraction's noise in one pixel
    structure: Structure  # spectrum of the material, and the maps' blur
    labels: Labels  # (y, x): regions of the maps alone


def read_image(
    image: npt.NDArray[np.generic],
    maps: MapEvidence,
    *,
    step: float | None = None,
    split_strength: float = 1.0,
) -> ImageReading:
    """Register an electron image, draw regions in it, and let the counts decide on each.

    Dims: `image` (image_y, image_x), of any depth and grid; a caption bar is cut off. `step` is the
    side of an image pixel (px of the maps); None takes the image to show the maps' field.
    """
    whole, _ = without_caption(image)
    if min(whole.shape) < 16 or whole.min() == whole.max():
        return ImageReading(used=False, why="the electron image shows nothing")
    grey = even_grey(whole)
    step = maps.fraction.shape[1] / grey.shape[1] if step is None else step
    placed = register(
        maps.fraction, maps.valid, grey, blur=maps.structure.blur, step=step,
        exclude=max(10.0, maps.structure.diameter),
    )  # fmt: skip
    if not placed.accepted:
        return ImageReading(
            used=False,
            why=(
                "it could not be registered to the maps (best match "
                f"{placed.peak_ratio:.2g} times the best elsewhere, {LEAST_PEAK_RATIO:g} needed): "
                "another field, or nothing of the metal shows in it"
            ),
            peak_ratio=placed.peak_ratio,
        )
    return _read_registered(
        grey, maps, placed.transform, ratio=placed.peak_ratio, strength=split_strength
    )


def _read_registered(
    grey: Singles, maps: MapEvidence, transform: Transform, *, ratio: float, strength: float
) -> ImageReading:  # fmt: skip
    """Place the picture better and better, then draw in it."""
    shape = maps.fraction.shape
    side = image_evidence.side_of(maps.structure.blur)
    blur, noise = maps.structure.blur / side, maps.noise / side**2
    valid = means(maps.valid.astype(np.float32), side) > 0.99
    fraction = np.where(valid, means(maps.fraction, side), np.float32(0))
    for _ in range(_MOST_PLACINGS):
        at = transform.on_squares(side, shape)
        picture, inside = resampled(grey, at, (valid.shape[0], valid.shape[1]))
        use = valid & inside
        learned = image_evidence.learn(picture, fraction, use, blur=blur, noise=noise, squares=side)
        off = correction(fraction, use, blurred(learned.fraction, blur), noise=noise)
        better = after(transform, off * (side, side, 1, 1))
        far, transform = better.farthest(transform, shape), better
        if far < _SETTLED:
            break
    return _read_placed(grey, maps, transform, ratio=ratio, strength=strength)


def _read_placed(
    grey: Singles, maps: MapEvidence, transform: Transform, *, ratio: float, strength: float
) -> ImageReading:  # fmt: skip
    """Learn the placed picture, and draw in it where it explains the maps."""
    shape = (maps.fraction.shape[0], maps.fraction.shape[1])
    picture, inside = resampled(grey, transform, shape)
    learned = image_evidence.learn(
        picture, maps.fraction, maps.valid & inside, blur=maps.structure.blur, noise=maps.noise
    )
    known = ImageReading(
        used=False, why="", transform=transform, peak_ratio=ratio, explained=learned.explained
    )
    if inside.mean() < _LEAST_INSIDE:
        return replace(known, why=f"it shows only {inside.mean():.0%} of the mapped field")
    if learned.explained < LEAST_EXPLAINED:
        return replace(known, why=(
            f"it explains only {max(0.0, learned.explained):.0%} of what the maps show of the "
            f"metal ({LEAST_EXPLAINED:.0%} needed)"
        ))  # fmt: skip
    return _drawn(picture, learned, maps, known, inside=inside, strength=strength)


def _drawn(
    picture: Singles, learned: image_evidence.Learned, maps: MapEvidence, known: ImageReading, *,
    inside: Bools, strength: float,
) -> ImageReading:  # fmt: skip
    """Draw the regions and let the counts decide on each."""
    assert known.transform is not None
    blur, noise = maps.structure.blur, maps.noise
    fused = image_regions.fuse(
        learned.fraction, maps.fraction, maps.valid & inside, maps.structure,
        unexplained=max(1 - learned.explained, 0.01), noise=noise,
    )  # fmt: skip
    at_edges, rise = image_regions.snapped(fused, picture)
    sharp = image_regions.at_half_height(at_edges, picture)
    mask = sharp if rise > 1.0 else fused > 0.5
    # A detector to one side lights one flank: what is learned from it lies aside, the outlines at
    # the picture's edges do not. So the outlines place the picture last.
    outline = blurred(mask.astype(np.float32), blur)
    at = correction(maps.fraction, maps.valid & inside, outline, noise=noise)
    placed = after(known.transform, at)
    if placed.farthest(known.transform, mask.shape) >= _SETTLED:
        mask, sharp, inside = (moved(m.astype(np.float32), at) > 0.5 for m in (mask, sharp, inside))
        picture, fused = moved(picture, at), moved(fused, at)
        known = replace(known, transform=placed)
    # Beside the picture the maps alone draw.
    mask = np.where(inside, mask, maps.labels > 0) & maps.valid
    fused = np.where(inside, fused, mask.astype(np.float32))
    mask, unsure = image_regions.mended(
        mask, maps.labels > 0, maps.fraction, maps.valid, blur=blur, noise=noise
    )
    drawn = image_regions.parted_by_shape(
        mask, unsure, diameter=maps.structure.diameter, strength=strength
    )
    n_learned = int(drawn.max())
    drawn = image_regions.with_small(drawn, picture, inside & maps.valid)
    n_drawn = int(drawn.max())
    labels = image_regions.only_in_maps(drawn, maps.labels)
    found = image_regions.footprints(labels, maps.fraction, maps.valid, blur=blur, noise=noise)
    odds = image_regions.metal_odds(found)
    odds[:n_drawn] += image_regions.look_odds(drawn, picture, odds[:n_drawn])
    area = np.bincount(labels.ravel())[1:].astype(np.float64)
    kept = odds > _METAL_ODDS
    kept[n_learned:n_drawn] &= odds[n_learned:n_drawn] > _SMALL_ODDS
    kept[n_drawn:] &= image_regions.out_of_noise(found, area, labels.size)[n_drawn:]
    labels = image_regions.renumbered(labels, kept)
    support = image_regions.edge_support(labels > 0, picture)
    known = replace(known, support=support)
    if not kept[:n_drawn].any() or support < _LEAST_SUPPORT:
        return replace(known, why="its edges are not where the maps show metal")
    # The picture's own edges, about what the counts confirmed: necks that these close or open.
    sharp = np.where(inside, sharp, mask) & ndimage.binary_dilation(labels > 0)
    worse = image_regions.misfit(
        labels > 0, maps.labels > 0, maps.fraction, maps.valid & inside, blur=blur, noise=noise
    )
    if learned.explained < _WELL_EXPLAINED and worse > _WORSE:
        return replace(known, otherwise=sharp, why=(
            f"it explains {learned.explained:.0%} of what the maps show of the metal, and the "
            "counts are enough to tell that the maps' own outlines fit them better"
        ))  # fmt: skip
    return replace(
        known, used=True, labels=labels, fraction=fused, otherwise=sharp,
        confidence=np.asarray(1 / (1 + np.exp(-odds[kept]))),
        why=(
            f"registered (best match {known.peak_ratio:.2g} times the best elsewhere) and explains "
            f"{min(learned.explained, 1.0):.0%} of what the maps show of the metal"
        ),
    )  # fmt: skip

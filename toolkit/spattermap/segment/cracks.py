"""Cracks of the substrate in the electron image: thin dark ridges and where they start."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core.arrays import Bools, Labels, Singles

_SCALES = (0.8, 1.5)  # px; half-widths of the ridges looked for
_SEED, _LINK = 5.0, 2.5  # noise standard deviations that start and that continue a crack
_SHORTEST = 12.0  # px; shorter dark lines are scratches of noise
_NEAR = 3.0  # px between a crack's end and a droplet's rim that count as touching
_STRAIGHT = 4.0  # least length over mean width
_SHIFTS = 199


def find_cracks(
    image: npt.NDArray[np.generic], labels: Labels, valid: Bools, *, seed: int
) -> dict[str, Any]:
    """Find dark thin lines on the bare plate and ask whether they start at droplets.

    Dims: `image` (y, x), `labels` (y, x), `valid` (y, x).

    Ridges by the larger eigenvalue of the Hessian at two scales (Lindeberg 1998), in units of the
    response's own robust scatter over bare plate; strong points are continued through weaker ones
    (hysteresis). The image is levelled first by the median of each class, so that the dark foot of
    a droplet is not a line. Null: the crack picture is shifted around the torus by random
    distances and its ends are counted again; the p-value is the rank of the unshifted count, never
    zero.
    """
    bare = valid & ~ndimage.binary_dilation(labels > 0, iterations=2)
    empty = {
        "mask": np.zeros(labels.shape, dtype=bool), "n": 0, "length_px": 0.0,
        "density_per_px": 0.0, "at_regions": 0, "at_regions_expected": 0.0, "p_value": 1.0,
    }  # fmt: skip
    if np.count_nonzero(bare) < 100:
        return empty
    response = _ridges(_levelled(image.astype(np.float32), bare))
    mask = _hysteresis(response, bare)
    pieces, n = ndimage.label(mask, structure=np.ones((3, 3)))
    kept, lengths = _long_ones(pieces, n)
    if not kept:
        return empty
    mask = np.isin(pieces, kept)
    ends = _ends(pieces, kept)
    touching = ndimage.distance_transform_edt(labels == 0) <= _NEAR + 2
    observed = _touching(ends, touching, (0, 0))
    random = np.random.default_rng(seed)
    height, width = labels.shape
    null = np.array(
        [
            _touching(ends, touching, (int(random.integers(height)), int(random.integers(width))))
            for _ in range(_SHIFTS)
        ]
    )
    return {
        "mask": mask,
        "n": len(kept),
        "length_px": float(sum(lengths)),
        "density_per_px": float(sum(lengths)) / float(np.count_nonzero(bare)),
        "at_regions": int(observed),
        "at_regions_expected": float(null.mean()),
        "p_value": float((1 + np.count_nonzero(null >= observed)) / (1 + _SHIFTS)),
    }


def _levelled(image: Singles, bare: Bools) -> Singles:
    """Return the image with everything but the bare plate set to the bare level around it."""
    weight = ndimage.gaussian_filter(bare.astype(np.float32), 12.0)
    level = ndimage.gaussian_filter(np.where(bare, image, np.float32(0)), 12.0)
    level /= np.maximum(weight, 1e-3)
    return np.where(bare, image - level, np.float32(0))


def _ridges(image: Singles) -> Singles:
    """Return the strength of dark lines: the largest second derivative, over the scales."""
    best = np.full(image.shape, -np.inf, np.float32)
    for scale in _SCALES:
        yy, xx, xy = (
            ndimage.gaussian_filter(image, scale, order=order) for order in ((2, 0), (0, 2), (1, 1))
        )
        best = np.maximum(best, scale**2 * (0.5 * (yy + xx) + np.hypot(0.5 * (yy - xx), xy)))
    return best


def _hysteresis(response: Singles, bare: Bools) -> Bools:
    from skimage import filters

    inside = response[bare]
    middle = float(np.median(inside))
    scatter = 1.4826 * float(np.median(np.abs(inside - middle)))
    if scatter <= 0:
        return np.zeros(bare.shape, dtype=bool)
    z = np.where(bare, (response - middle) / scatter, 0)
    return np.asarray(filters.apply_hysteresis_threshold(z, _LINK, _SEED))  # type: ignore[no-untyped-call]


def _long_ones(pieces: npt.NDArray[np.integer], n: int) -> tuple[list[int], list[float]]:
    """Return the labels and lengths of the pieces that are lines."""
    kept, lengths = [], []
    for k, box in enumerate(ndimage.find_objects(pieces, max_label=n), start=1):
        y, x = np.nonzero(pieces[box] == k)
        across = float(np.hypot(np.ptp(y), np.ptp(x)))
        if across >= _SHORTEST and across**2 >= _STRAIGHT * y.size:
            kept.append(k)
            lengths.append(_line_length(pieces[box] == k))
    return kept, lengths


def _line_length(piece: Bools) -> float:
    """Return the length of a thin line: its skeleton's steps, diagonal ones longer."""
    from skimage import morphology

    thin = np.pad(morphology.skeletonize(piece), 1)  # type: ignore[no-untyped-call]
    straight = np.count_nonzero(thin[1:] & thin[:-1]) + np.count_nonzero(thin[:, 1:] & thin[:, :-1])
    slanted = 0.0
    for a, b, c, d in (
        (thin[1:, 1:], thin[:-1, :-1], thin[1:, :-1], thin[:-1, 1:]),
        (thin[1:, :-1], thin[:-1, 1:], thin[1:, 1:], thin[:-1, :-1]),
    ):
        slanted += float(np.count_nonzero(a & b & ~c & ~d))
    return float(straight + np.sqrt(2) * slanted + 1)


def _ends(pieces: npt.NDArray[np.integer], kept: list[int]) -> list[npt.NDArray[np.int64]]:
    """Return the two far points of each line, rows and columns."""
    boxes = ndimage.find_objects(pieces)
    out = []
    for k in kept:
        box = boxes[k - 1]
        points = np.argwhere(pieces[box] == k) + [s.start for s in box]
        start = points[np.argmax(((points - points.mean(axis=0)) ** 2).sum(axis=1))]
        far = points[np.argmax(((points - start) ** 2).sum(axis=1))]
        out.append(np.stack([start, far]))
    return out


def _touching(ends: list[npt.NDArray[np.int64]], near: Bools, shift: tuple[int, int]) -> int:
    both = (np.stack(ends) + shift) % near.shape
    return int(np.count_nonzero(near[both[..., 0], both[..., 1]].any(axis=1)))

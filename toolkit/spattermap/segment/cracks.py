"""Cracks of the substrate in the electron image: thin dark ridges and where they start."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core.arrays import Bools, Labels, Singles
from spattermap.core.estimate import middle_and_scatter
from spattermap.segment.image_grid import CLIPPED_LIMIT, Transform, clipped_part, without_caption

if TYPE_CHECKING:
    import pandas as pd

_SCALES = (0.8, 1.5)  # px; half-widths of the ridges looked for
_SEED, _LINK = 5.0, 2.5  # noise standard deviations that start and that continue a crack
_SHORTEST = 12.0  # px; shorter dark lines are scratches of noise
_NEAR = 3.0  # px between a crack's end and a droplet's rim that count as touching
_STRAIGHT = 4.0  # least length over mean width
_SHIFTS = 199
_BESIDE = (2.0, 3.0, 4.0)  # px to either side of a line at which its neighbours are looked at
_BETWEEN = 0.5  # part of a line beside metal from which it is a channel or a rim, no crack
_ONE_ROW = 1.0  # px; scatter of the rows of a line that the scan drew, its blur included
_FLANK = 5  # px from a dark line within which bright lines are its flanks
_BRIGHT = 3.0  # scatters of the bare plate's grey that make a side metal where no label does
_LEAST_CLIPPED = 1024  # px; of fewer, some always stand at the ends of the scale

COLUMNS = (
    "crack", "y_px", "x_px", "length_px", "start_y_px", "start_x_px", "end_y_px", "end_x_px",
    "ends_at_droplet", "droplet",
)  # fmt: skip


class _Ridges(NamedTuple):
    """Response of dark and of bright lines, and the angle of the way across dark ones (rad)."""

    dark: Singles
    bright: Singles
    across: Singles


@dataclass(frozen=True)
class _Lines:
    """Thin lines of one kind in a picture: their label image, labels, lengths and two ends each."""

    pieces: npt.NDArray[np.integer]
    kept: list[int]
    lengths: list[float]


def cracks_in(
    image: npt.NDArray[np.generic],
    labels: Labels,
    valid: Bools,
    *,
    transform: Transform | None = None,
    seed: int,
) -> dict[str, Any]:
    """Find cracks at the picture's own resolution; places and lengths come in px of the maps.

    Dims: `image` (image_y, image_x), with or without its caption; `labels`, `valid` (y, x).
    `transform` leads from the maps to the image without its caption; None where both are one grid.
    Where too many pixels stand at an end of the grey scale nothing is looked for, and ``why`` is
    all there is.
    """
    if transform is not None or image.shape != labels.shape:
        image, _ = without_caption(image)
    clipped = clipped_part(image) if image.size >= _LEAST_CLIPPED else 0.0
    if clipped > CLIPPED_LIMIT:
        return {"why": (
            f"{clipped:.0%} of the electron image's pixels stand at one end of its grey scale"
        )}  # fmt: skip
    if transform is None:
        return find_cracks(image, labels, valid, seed=seed)
    matrix = transform.matrix()
    start = transform.offset(labels.shape, image.shape)
    back = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    offset, size = -back @ start, (image.shape[0], image.shape[1])
    there = ndimage.affine_transform(labels, back, offset, output_shape=size, order=0)
    use = valid.astype(np.uint8)
    use = ndimage.affine_transform(use, back, offset, output_shape=size, order=0)
    found = find_cracks(image, there.astype(np.int32), use > 0, seed=seed)
    return _on_maps(found, back, start, labels.shape)


def find_cracks(
    image: npt.NDArray[np.generic], labels: Labels, valid: Bools, *, seed: int
) -> dict[str, Any]:
    """Find dark thin lines on the bare plate and ask whether they start at droplets.

    Dims: `image` (y, x), `labels` (y, x), `valid` (y, x).

    Ridges by the larger eigenvalue of the Hessian at two scales (Lindeberg 1998), in units of the
    response's own robust scatter over bare plate; strong points are continued through weaker ones
    (hysteresis). The image is levelled first by the median of each class, so that the dark foot of
    a droplet is not a line. No crack: a line with metal or something as bright on both sides over
    half its length (a channel between neighbours), one that follows a rim, one along a single row
    (charge drawn out by the scan). What texture draws is as often bright as dark, so bright lines
    are counted as a control. Null of the ends: the crack picture is shifted around the torus by
    random distances and its ends are counted again; the p-value is the rank of the unshifted
    count, never zero.
    """
    bare = valid & ~ndimage.binary_dilation(labels > 0, iterations=2)
    nothing = {
        "mask": np.zeros(labels.shape, dtype=bool), "n": 0, "length_px": 0.0,
        "density_per_px": 0.0, "at_regions": 0, "at_regions_expected": 0.0, "p_value": 1.0,
        "n_bright": 0, "table": _table([], [], []),
    }  # fmt: skip
    if np.count_nonzero(bare) < 100:
        return nothing
    level = _levelled(image.astype(np.float32), bare)
    ridges, beside = _ridges(level), _beside_metal(level, bare, labels)
    dark = _lines(ridges.dark, ridges.across, bare, beside)
    # The flanks of a dark line are bright lines of its own making.
    flanks = ndimage.binary_dilation(np.isin(dark.pieces, dark.kept), iterations=_FLANK)
    bright = _lines(ridges.bright, ridges.across + np.float32(np.pi / 2), bare & ~flanks, beside)
    if not dark.kept:
        return {**nothing, "n_bright": len(bright.kept)}
    ends = _ends(dark.pieces, dark.kept)
    away, nearest = ndimage.distance_transform_edt(labels == 0, return_indices=True)
    touching = away <= _NEAR + 2
    observed = _touching(ends, touching, (0, 0))
    random = np.random.default_rng(seed)
    height, width = labels.shape
    null = np.array([
        _touching(ends, touching, (int(random.integers(height)), int(random.integers(width))))
        for _ in range(_SHIFTS)
    ])  # fmt: skip
    hosts = [_host(pair, touching, labels[tuple(nearest)]) for pair in ends]
    return {
        "mask": np.isin(dark.pieces, dark.kept),
        "n": len(dark.kept),
        "length_px": float(sum(dark.lengths)),
        "density_per_px": float(sum(dark.lengths)) / float(np.count_nonzero(bare)),
        "at_regions": int(observed),
        "at_regions_expected": float(null.mean()),
        "p_value": float((1 + np.count_nonzero(null >= observed)) / (1 + _SHIFTS)),
        "n_bright": len(bright.kept),
        "table": _table(ends, dark.lengths, hosts),
    }


def _table(
    ends: list[npt.NDArray[np.int64]], lengths: list[float], hosts: list[int]
) -> pd.DataFrame:
    """Return one row a crack; its middle is that of its two ends."""
    import pandas as pd

    rows = [
        (k, *pair.mean(axis=0), length, *pair.ravel(), "yes" if host else "no", host)
        for k, (pair, length, host) in enumerate(zip(ends, lengths, hosts, strict=True), start=1)
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _host(pair: npt.NDArray[np.int64], touching: Bools, nearest: Labels) -> int:
    """Return the label of the region that one end of a line touches, 0 for none."""
    at = [int(nearest[y, x]) for y, x in pair if touching[y, x]]
    return at[0] if at else 0


def _on_maps(
    found: dict[str, Any], back: npt.NDArray[np.float64], start: npt.NDArray[np.float64],
    shape: tuple[int, ...],
) -> dict[str, Any]:  # fmt: skip
    """Return what was found in an image with places, lengths and the mask in px of the maps."""
    size = float(np.sqrt(abs(np.linalg.det(back))))
    table = found["table"].copy()
    for name in ("", "start_", "end_"):
        both = [f"{name}{axis}_px" for axis in "yx"]
        table[both] = (table[both].to_numpy(dtype=np.float64) - start) @ back.T
    table["length_px"] *= size
    mask = np.zeros(shape, dtype=bool)
    at = np.rint((np.argwhere(found["mask"]) - start) @ back.T).astype(np.int64)
    at = at[((at >= 0) & (at < shape)).all(axis=1)]
    mask[at[:, 0], at[:, 1]] = True
    return {
        **found, "mask": mask, "table": table, "length_px": found["length_px"] * size,
        "density_per_px": found["density_per_px"] / size,
    }  # fmt: skip


def _lines(response: Singles, across: Singles, bare: Bools, beside: npt.NDArray[np.int8]) -> _Lines:
    """Return the lines of a response that nothing but a crack explains."""
    mask = _hysteresis(response, bare)
    pieces, n = ndimage.label(mask, structure=np.ones((3, 3)))
    kept, lengths = _long_ones(pieces, n)
    explained = _explained(pieces, n, across, beside)
    chosen = [(k, one) for k, one in zip(kept, lengths, strict=True) if not explained[k]]
    return _Lines(pieces, [k for k, _ in chosen], [length for _, length in chosen])


def _beside_metal(level: Singles, bare: Bools, labels: Labels) -> npt.NDArray[np.int8]:
    """Return 2 on regions, 1 where the bare plate is as bright as no plate is, 0 elsewhere."""
    smooth = ndimage.gaussian_filter(level, 1.0)
    middle, scatter = middle_and_scatter(smooth[bare])
    bright = bare & (smooth > middle + _BRIGHT * scatter)
    return np.where(labels > 0, 2, bright).astype(np.int8)


def _explained(
    pieces: npt.NDArray[np.integer], n: int, across: Singles, beside: npt.NDArray[np.int8]
) -> Bools:
    """Return which pieces, by label, are channels between bright things, rims, or the scan's."""
    y, x = np.nonzero(pieces)
    label, angle = pieces[y, x], across[y, x]
    size = np.maximum(np.bincount(label, minlength=n + 1), 1)
    sides = []
    for sign in (-1, 1):
        places = [
            (y + sign * far * np.sin(angle), x + sign * far * np.cos(angle)) for far in _BESIDE
        ]
        at = [tuple(np.rint(one).astype(np.int64) for one in place) for place in places]
        height, width = beside.shape
        sides.append(np.array([beside[r.clip(0, height - 1), c.clip(0, width - 1)] for r, c in at]))
    channel = (sides[0] > 0).any(axis=0) & (sides[1] > 0).any(axis=0)
    rim = (sides[0][:2] == 2).any(axis=0) | (sides[1][:2] == 2).any(axis=0)
    parts = [np.bincount(label, weights=one, minlength=n + 1) / size for one in (channel, rim)]
    mean = np.bincount(label, weights=y, minlength=n + 1) / size
    square = np.bincount(label, weights=np.square(y - mean[label]), minlength=n + 1) / size
    return (parts[0] > _BETWEEN) | (parts[1] > _BETWEEN) | (square <= _ONE_ROW**2)


def _levelled(image: Singles, bare: Bools) -> Singles:
    """Return the image with everything but the bare plate set to the bare level around it."""
    weight = ndimage.gaussian_filter(bare.astype(np.float32), 12.0)
    level = ndimage.gaussian_filter(np.where(bare, image, np.float32(0)), 12.0)
    level /= np.maximum(weight, 1e-3)
    return np.where(bare, image - level, np.float32(0))


def _ridges(image: Singles) -> _Ridges:
    """Return how strongly dark and bright lines show, over the scales, and across which way."""
    dark, bright = (np.full(image.shape, -np.inf, np.float32) for _ in range(2))
    across = np.zeros(image.shape, np.float32)
    for scale in _SCALES:
        yy, xx, xy = (
            ndimage.gaussian_filter(image, scale, order=order) for order in ((2, 0), (0, 2), (1, 1))
        )
        mean, apart = 0.5 * (yy + xx), np.hypot(0.5 * (yy - xx), xy)
        dark = np.maximum(dark, scale**2 * (mean + apart))
        bright = np.maximum(bright, scale**2 * (apart - mean))
        across = 0.5 * np.arctan2(2 * xy, xx - yy)
    return _Ridges(dark, bright, across)


def _hysteresis(response: Singles, bare: Bools) -> Bools:
    from skimage import filters

    middle, scatter = middle_and_scatter(response[bare])
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

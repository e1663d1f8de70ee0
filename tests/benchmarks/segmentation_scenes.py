"""Seeded scenes of known truth and the scoring that the segmentation benchmarks share.

The scenes are invented: discs of lognormal diameter, comets and haze on a bare plate, blurred by
a Gaussian and counted by a Poisson detector. Nothing here is used by the package itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

ELEMENTS = ("Cu", "Zn", "Si", "O", "C")
ALLOY = ("Cu", "Zn")
SUBSTRATE = ("Si", "O")
# Share of the counts in each map over thick metal and over the bare plate.
METAL = np.array([0.50, 0.20, 0.10, 0.14, 0.06])
BARE = np.array([0.03, 0.02, 0.50, 0.39, 0.06])


@dataclass(frozen=True)
class Scene:
    """What a scene is made of; lengths in px, `counts` summed over the maps."""

    seed: int
    counts: float = 5.0
    coverage: float = 0.2
    d50: float = 14.0
    sigma_g: float = 1.35
    blur: float = 1.0
    haze: float = 0.0
    n_streaks: int = 0
    thickness_spread: float = 0.15
    size: int = 256


@dataclass(frozen=True)
class Truth:
    """Labels (droplets first, then streaks) and the streaks' true geometry."""

    labels: np.ndarray
    n_droplets: int
    angles: np.ndarray  # degrees, 0 = +x, counter-clockwise as seen, head to tail
    lengths: np.ndarray


def make(scene: Scene) -> tuple[np.ndarray, Truth]:
    """Return counts (element, y, x) and the truth of one scene."""
    random = np.random.default_rng(scene.seed)
    labels, angles, lengths = _streaks(scene, random)
    labels, n_droplets = _droplets(scene, random, labels)
    n = n_droplets + len(angles)
    amount = np.clip(
        random.normal(1.0 - scene.thickness_spread, scene.thickness_spread, n + 1), 0.5, 1.2
    )
    amount[0] = 0.0
    fraction = amount[labels]
    if scene.haze:
        near = ndimage.gaussian_filter((labels > 0).astype(float), scene.size / 12)
        near /= near.max()
        fraction = np.where(labels == 0, scene.haze * (0.5 + 0.5 * near), fraction)
    fraction = ndimage.gaussian_filter(fraction, scene.blur) if scene.blur else fraction
    mean = BARE[:, None, None] + (METAL - BARE)[:, None, None] * fraction
    return random.poisson(np.clip(scene.counts * mean, 0, None)), Truth(
        labels, n_droplets, angles, lengths
    )


def noise_only(seed: int, counts: float, size: int = 256) -> np.ndarray:
    """Return counts of a bare plate: no structure at all."""
    random = np.random.default_rng(seed)
    return random.poisson(np.broadcast_to(counts * BARE[:, None, None], (len(BARE), size, size)))


def _streaks(scene, random):
    size = scene.size
    labels = np.zeros((size, size), np.int32)
    y, x = np.mgrid[:size, :size]
    angles, lengths = [], []
    main = random.uniform(0, 360)
    for _ in range(60 * scene.n_streaks):
        if len(angles) == scene.n_streaks:
            break
        angle = (main + random.normal(0, 25)) % 360
        length = random.uniform(4.0, 7.0) * scene.d50
        head = random.uniform(0.42, 0.55) * scene.d50
        cy, cx = random.uniform(0.1, 0.9, 2) * size
        c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
        along = (x - cx) * c - (y - cy) * s
        across = (x - cx) * s + (y - cy) * c
        # A comet: round head at the origin, tail narrowing to a third of the head's width.
        part = np.clip(along / (length - head), 0, 1)
        width = head * (1 - 0.6 * part)
        tip = along - np.clip(along, 0, length - head)
        body = across**2 + np.where(tip != 0, tip, 0) ** 2 <= width**2
        ends = (cy - np.array([0, length]) * s, cx + np.array([0, length]) * c)
        inside = all(0.04 * size < v < 0.96 * size for pair in ends for v in pair)
        if inside and not labels[ndimage.binary_dilation(body, iterations=4)].any():
            angles.append(angle)
            lengths.append(length - head * 0.6 * 0 + 0)
            labels[body] = len(angles)
    return labels, np.array(angles), np.array(lengths)


def _droplets(scene, random, streaks):
    size = scene.size
    wanted = scene.coverage * size * size - (streaks > 0).sum()
    mean_area = np.pi / 4 * scene.d50**2 * np.exp(2 * np.log(scene.sigma_g) ** 2)
    n = max(1, round(wanted / mean_area))
    radii = np.sort(scene.d50 / 2 * scene.sigma_g ** random.standard_normal(int(n * 1.3) + 2))
    radii = random.permutation(radii)
    total = np.cumsum(np.pi * radii**2)
    radii = np.sort(radii[: max(1, int(np.searchsorted(total, wanted)))])[::-1]
    labels = np.where(streaks > 0, -1, 0).astype(np.int32)
    blocked = ndimage.binary_dilation(streaks > 0, iterations=3) if streaks.any() else streaks > 0
    centres: list[tuple[float, float, float]] = []
    for r in radii:
        for _ in range(200):
            cy, cx = random.uniform(0, size, 2)
            if blocked[int(cy), int(cx)]:
                continue
            if centres:
                old = np.array(centres)
                gap = np.hypot(old[:, 0] - cy, old[:, 1] - cx) - old[:, 2] - r
                # One pair in four may touch or overlap by a tenth of the smaller radius.
                allowed = -0.1 * np.minimum(old[:, 2], r) if random.random() < 0.25 else 2.0
                if (gap < allowed).any():
                    continue
            y0, y1 = max(0, int(cy - r - 1)), min(size, int(cy + r + 2))
            x0, x1 = max(0, int(cx - r - 1)), min(size, int(cx + r + 2))
            yy, xx = np.mgrid[y0:y1, x0:x1]
            disc = (yy - cy) ** 2 + (xx - cx) ** 2 <= r * r
            if blocked[y0:y1, x0:x1][disc].any() or not disc.any():
                continue
            centres.append((cy, cx, r))
            patch = labels[y0:y1, x0:x1]
            patch[disc & (patch == 0)] = len(centres)
            break
    labels = np.where(streaks > 0, len(centres) + streaks, labels).astype(np.int32)
    return labels, len(centres)


def match(found: np.ndarray, true: np.ndarray, threshold: float = 0.5) -> tuple[int, int, int]:
    """Return matched, found and true numbers of objects at an IoU above `threshold`."""
    pairs, n = np.unique(
        found.ravel().astype(np.int64) * (int(true.max()) + 1) + true.ravel(), return_counts=True
    )
    f, t = pairs // (int(true.max()) + 1), pairs % (int(true.max()) + 1)
    area_f, area_t = np.bincount(found.ravel()), np.bincount(true.ravel())
    both = (f > 0) & (t > 0)
    iou = n[both] / (area_f[f[both]] + area_t[t[both]] - n[both])
    hits = int((iou > threshold).sum())  # above one half a pairing is unique
    return hits, int((area_f[1:] > 0).sum()), int((area_t[1:] > 0).sum())


def f1(found: np.ndarray, true: np.ndarray) -> float:
    """Return the object F1 at IoU 0.5."""
    hits, n_found, n_true = match(found, true)
    return 2 * hits / max(1, n_found + n_true)


def plain_script(counts: np.ndarray, metal_rows=(0, 1)) -> np.ndarray:
    """Return labels of the plain script: Gaussian 1 px, Otsu, watershed on the distance."""
    from skimage.feature import peak_local_max
    from skimage.filters import threshold_otsu
    from skimage.segmentation import watershed

    smooth = ndimage.gaussian_filter(counts[list(metal_rows)].sum(axis=0).astype(float), 1.0)
    mask = smooth > threshold_otsu(smooth)
    distance = ndimage.distance_transform_edt(mask)
    peaks = peak_local_max(distance, min_distance=3, labels=mask.astype(int), exclude_border=False)
    markers = np.zeros(mask.shape, np.int32)
    markers[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    return watershed(-distance, markers, mask=mask)


def design(n: int = 48, size: int = 256) -> list[Scene]:
    """Return `n` scenes that fill the stated ranges evenly (scrambled Sobol points)."""
    from scipy.stats import qmc

    points = qmc.Sobol(6, seed=20).random(1 << int(np.ceil(np.log2(n))))[:n]
    scenes = []
    for i, (a, b, c, d, e, g) in enumerate(points):
        counts = 0.1 * 500**a
        scenes.append(
            Scene(
                seed=1000 + i,
                counts=float(counts),
                coverage=float(0.05 + 0.55 * b),
                d50=float(6 * (40 / 6) ** c),
                blur=float(3 * d),
                haze=float(0.15 * (2 * e - 1)) if e > 0.5 else 0.0,
                n_streaks=int(6 * (g - 0.5) * 2) if g > 0.5 else 0,
                size=size,
            )
        )
    return scenes

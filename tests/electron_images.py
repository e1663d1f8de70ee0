"""Electron images of known truth beside their maps, sound ones and spoiled ones.

A deposit is drawn at twice the maps' pixels with the forward model of `spattermap.synthesis`. Its
counts are added up to the maps' pixels, so that they stay Poisson; the picture is made from the
fine outline by a model of its own and sampled at any grid, shift, turn and scale. The package
itself uses nothing of this.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

from spattermap.core.mapset import facts, make_map_set
from spattermap.synthesis import Deposit, Droplets, Haze, make_deposit

FINE = 2
KINDS = ("backscatter", "secondary")
SPOILS = ("dust", "scratches", "oxide", "cracks", "dark_spots")


@dataclass(frozen=True)
class Field:
    """A mapped field with its truth at the fine grid.

    Parameters
    ----------
    maps : xarray.Dataset
        The maps, without an electron image.
    labels : numpy.ndarray of int32, dims (y, x)
        True regions on the maps' grid.
    fine : numpy.ndarray of int32, dims (fine y, fine x)
        True regions at twice the maps' pixels.
    blur : float
        Blur of the maps (px).
    """

    maps: object
    labels: np.ndarray
    fine: np.ndarray
    blur: float
    seed: int
    profile: str = "lens"


@dataclass(frozen=True)
class Picture:
    """An electron image, what is false in it, and where it lies.

    Parameters
    ----------
    image : numpy.ndarray, dims (image y, image x)
        Grey values.
    fakes : numpy.ndarray of int32, dims (y, x)
        On the maps' grid: what looks like a region and holds no metal, each with its number.
    shift, turn, scale : float
        Shift (px of the maps, rows and columns), turn (deg), scale.
    """

    image: np.ndarray
    fakes: np.ndarray
    shift: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0
    scale: float = 1.0
    cracks: list = field(default_factory=list)


def make_field(seed, *, counts, size=256, touching=False, coverage=0.25, d50=14.0, blur=1.2,
               haze=0.0, profile="lens"):  # fmt: skip
    """Return a field of droplets mapped at `counts` alloy counts a pixel."""
    spec = Deposit(
        shape=(FINE * size, FINE * size),
        pixel_size_um=0.25 / FINE,
        counts_per_pixel=counts / FINE**2,
        blur_px=blur * FINE,
        droplets=Droplets(
            d50_px=d50 * FINE, sigma_g=1.4, coverage=coverage, gap_px=2.0 * FINE, profile=profile,
            placement="touching" if touching else "apart", min_diameter_px=4.0 * FINE,
        ),
        haze=Haze(thickness_um=haze),
        electron_image=False,
    )  # fmt: skip
    maps, _, fine = make_deposit(spec, seed=seed)
    known = facts(maps)
    planes = np.asarray(maps["counts"].values)
    planes = planes.reshape(len(planes), size, FINE, size, FINE).sum(axis=(2, 4))
    coarse = make_map_set(
        planes.astype(np.uint16),
        [str(e) for e in maps["element"].values],
        lines=[str(e) for e in maps["line"].values],
        pixel_size_um=0.25,
        beam_energy_keV=known.beam_energy_keV,
        alloy=known.alloy,
        substrate=known.substrate,
    )
    return Field(coarse, _majority(fine, size), fine, blur, seed, profile)


def _majority(fine, size):
    """Return the label that most of a pixel's fine pixels carry."""
    parts = fine.reshape(size, FINE, size, FINE).transpose(0, 2, 1, 3).reshape(size, size, -1)
    votes = (parts[..., :, None] == parts[..., None, :]).sum(axis=-1)
    best = np.take_along_axis(parts, votes.argmax(axis=-1)[..., None], axis=-1)[..., 0]
    return best.astype(np.int32)


def make_picture(of, kind, *, seed=0, grid=1.0, shift=(0.0, 0.0), turn=0.0, scale=1.0, jitter=0.0,
                 spoils=(), noise=None, caption=False, bits=16, low=0.2, high=0.75, drift=None,
                 polarity=1):  # fmt: skip
    """Return an electron image of a field.

    `grid` is image pixels per pixel of the maps. A point of the maps ``m`` (px from the middle)
    lies in the image at ``scale * R(turn) m + shift``.
    """
    random = np.random.default_rng([seed, of.seed, 77])
    metal = of.fine > 0
    inside = ndimage.distance_transform_edt(metal) - 0.5
    outside = ndimage.distance_transform_edt(~metal) - 0.5
    cover = np.clip(0.5 + inside - outside, 0, 1) * metal + 0.0
    fakes = np.zeros(metal.shape, np.int32)
    if kind == "backscatter":
        # 0.1 um of metal backscatters as much as any more: a cap is that thick some 0.1 px within
        # its rim, a lens at once.
        shown = cover
        if of.profile == "cap":
            shown = cover * -np.expm1(-(np.maximum(inside, 0) + 0.25) / 0.3)
        tone = 0.85 + 0.15 * random.random(int(of.fine.max()) + 1)
        grey = 0.25 + 0.75 * shown * tone[of.fine]
        drift = 0.03 if drift is None else drift
        noise = 0.05 if noise is None else noise
        blur = 0.6 * FINE
    else:
        height = ndimage.gaussian_filter(np.sqrt(np.maximum(inside, 0)), 1.5)
        side = ndimage.sobel(height, axis=1) / 8
        rim = np.exp(-np.maximum(inside, 0) / (1.2 * FINE)) * metal
        halo = np.exp(-np.maximum(outside, 0) / (2.0 * FINE)) * ~metal
        tone = 0.1 * random.standard_normal(int(of.fine.max()) + 1)
        grey = 0.40 + metal * (0.12 + 0.06 * tone[of.fine]) + 0.35 * rim - 0.08 * halo + 0.25 * side
        grey += 0.03 * ndimage.gaussian_filter(random.standard_normal(metal.shape), 3.0) * 3.0 * 3.5
        rows = ndimage.gaussian_filter1d(random.standard_normal(metal.shape[0]), 1.0)
        reach = ndimage.uniform_filter1d(metal.astype(float), 80, axis=1)
        grey += 0.06 * rows[:, None] * reach
        drift = 0.12 if drift is None else drift
        noise = 0.06 if noise is None else noise
        blur = 0.5 * FINE
    grey, cracks = _spoil(grey, fakes, metal, spoils, random)
    slow = ndimage.gaussian_filter(random.standard_normal(metal.shape), metal.shape[0] / 6)
    grey = grey + drift * slow / max(slow.std(), 1e-9)
    if polarity < 0:
        grey = 1.2 - grey
    grey = ndimage.gaussian_filter(grey, blur)
    size = of.labels.shape[0]
    side = round(size * grid)
    at = (np.arange(side) + 0.5) / grid - size / 2  # px of the maps, from the middle
    y, x = np.meshgrid(at, at, indexing="ij")
    y, x = y - shift[0], x - shift[1]
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    y, x = (c * y + s * x) / scale, (-s * y + c * x) / scale
    if jitter:
        x = x + jitter * random.standard_normal(side)[:, None]
    where = np.stack([(y + size / 2) * FINE - 0.5, (x + size / 2) * FINE - 0.5])
    if grid < FINE:
        grey = ndimage.gaussian_filter(grey, 0.29 * np.sqrt((FINE / grid) ** 2 - 1) + 1e-6)
    image = ndimage.map_coordinates(grey, where, order=1, mode="reflect")
    image = image + noise * random.standard_normal(image.shape)
    top = 2**bits - 1
    image = np.clip((low + (high - low) * image / 1.1) * top, 0, top)
    image = image.astype(np.uint8 if bits == 8 else np.uint16)
    if caption:
        image = np.concatenate([image, _caption(image, random)])
    return Picture(image, fakes[::FINE, ::FINE].copy(), shift, turn, scale, cracks)


def _caption(image, random):
    bar = np.zeros((max(12, image.shape[0] // 12), image.shape[1]), image.dtype)
    top = np.iinfo(image.dtype).max
    for left in range(8, image.shape[1] - 12, 12):
        if random.random() < 0.5:
            bar[3:9, left : left + 5] = top * (random.random((6, 5)) > 0.4)
    return bar


def _spoil(grey, fakes, metal, spoils, random):
    """Draw what the picture shows and the maps do not; number what could pass for a droplet."""
    shape = metal.shape
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    clear = ndimage.distance_transform_edt(~metal)
    cracks = []
    number = 0

    def stamp(mask, value, weight=1.0):
        nonlocal number
        number += 1
        fakes[mask & ~metal] = number
        return np.where(mask, (1 - weight) * grey + weight * value, grey)

    def spot(radius):
        room = np.argwhere(clear > 0.6 * radius)
        y, x = room[random.integers(len(room))] if len(room) else (shape[0] // 2, shape[1] // 2)
        return (yy - y) ** 2 + (xx - x) ** 2 <= radius**2

    if "dust" in spoils:
        for k in range(10):
            grey = stamp(spot(FINE * random.uniform(3, 8)), 1.05 if k % 2 else 0.05)
    if "oxide" in spoils:
        rough = ndimage.gaussian_filter(random.standard_normal(shape), 4 * FINE)
        rough /= rough.std()
        for _ in range(5):
            mask = spot(FINE * random.uniform(6, 12)) & (rough > -0.7)
            grey = stamp(mask, 0.62, 0.8)
    if "scratches" in spoils:
        for k in range(4):
            angle, y, x = random.uniform(0, np.pi), *random.uniform(0, shape[0], 2)
            off = np.abs(np.cos(angle) * (yy - y) - np.sin(angle) * (xx - x))
            grey = stamp(off < FINE * random.uniform(0.6, 1.5), 0.95 if k % 2 else 0.1)
    if "cracks" in spoils:
        for _ in range(8):
            edge = np.argwhere((clear > 0) & (clear < 1.5))
            y, x = edge[random.integers(len(edge))].astype(float)
            angle, path = random.uniform(0, 2 * np.pi), []
            for _ in range(FINE * 40):
                y, x = y + np.sin(angle), x + np.cos(angle)
                angle += 0.06 * random.standard_normal()
                row, column = int(y), int(x)
                if not (0 <= row < shape[0] and 0 <= column < shape[1]):
                    break
                if metal[row, column] and len(path) > 5:
                    break
                path.append((row, column))
            line = np.zeros(shape, dtype=bool)
            if path:
                line[tuple(np.array(path).T)] = True
            line = ndimage.binary_dilation(line) & ~metal
            grey = np.where(line, 0.02, grey)
            cracks.append(len(path) / FINE)
    if "dark_spots" in spoils:
        deep = np.argwhere(ndimage.distance_transform_edt(metal) > 3 * FINE)
        for _ in range(15):
            if len(deep):
                y, x = deep[random.integers(len(deep))]
                spotted = (yy - y) ** 2 + (xx - x) ** 2 <= (FINE * random.uniform(1, 2.5)) ** 2
                grey = np.where(spotted & metal, 0.3, grey)
    return grey, cracks

"""Random scenes and random ways to cut them, for the tests of mosaics."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from spattermap import make_map_set
from spattermap.core.mapset import Roles

ROLES = Roles(alloy=("Cu", "Zn"), substrate=("Si", "O"))


KINDS = ("drops", "few counts", "crowded", "film", "haze", "masked", "streaks", "percent", "large")


def scene(kind, seed):
    """Return a random map set of 60 to 200 px a side."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    height, width = rng.integers(60, 200, 2)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    metal = np.zeros((height, width))
    share = {"crowded": 0.7, "film": 2.2, "few counts": 0.3, "large": 0.6}.get(kind, 0.3)
    middle = {"large": 22.0, "crowded": 5.0, "film": 6.0, "few counts": 9.0}.get(kind, 5.0)
    filled = 0.0
    while filled < share:
        radius = middle * rng.lognormal(0, 0.35)
        cy, cx = rng.uniform(0, height), rng.uniform(0, width)
        metal = np.maximum(metal, (y - cy) ** 2 + (x - cx) ** 2 < radius**2)
        filled += np.pi * radius**2 / metal.size
    if kind == "streaks":
        for _ in range(4):
            cy, cx, angle = rng.uniform(0, height), rng.uniform(0, width), rng.uniform(0, np.pi)
            along = (x - cx) * np.cos(angle) + (y - cy) * np.sin(angle)
            across = -(x - cx) * np.sin(angle) + (y - cy) * np.cos(angle)
            metal = np.maximum(metal, (np.abs(along) < 25) & (np.abs(across) < 2.5))
    metal = ndimage.gaussian_filter(metal, rng.uniform(0.3, 1.5))
    if kind == "haze":
        metal = metal + 0.4 * (1 - metal) * (1 + np.sin(x / 30) * np.cos(y / 35)) / 2
    dose = {"few counts": 0.06, "percent": 20.0}.get(kind, rng.uniform(0.5, 3.0))
    levels = {"Cu": (0.1, 4.0), "Zn": (0.1, 2.0), "Si": (4.0, 0.8), "O": (5.0, 0.8)}
    planes = np.stack(
        [rng.poisson(dose * (low + (high - low) * metal)) for low, high in levels.values()]
    )
    more = {}
    if kind == "masked":
        valid = np.ones((height, width), dtype=bool)
        valid[: height // 4, width // 2 : width // 2 + 9] = False
        valid[rng.random(valid.shape) < 0.002] = False
        more["valid"] = valid
    if kind == "percent":
        planes = (planes / dose + rng.normal(0, 0.05, planes.shape)).astype(np.float32)
        more["quantity"] = "intensity"
    else:
        planes = planes.astype(np.uint16)
    return make_map_set(planes, list(levels), pixel_size_um=0.25, **more)


def random_cuts(size, rng):
    """Return borders that cut a side anywhere, also into slivers."""
    n = int(rng.integers(0, 5))
    inner = sorted(set(rng.integers(1, size, n).tolist()))
    return (0, *inner, int(size))

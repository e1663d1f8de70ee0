"""Do the 95 % intervals of r cover the truth as often as they say?

Scenes of known truth: discs dropped at random (Boolean model), cut from a larger field, counted
with Poisson noise. The truth is that of the process, so an interval must also hold for the next
field of the same deposit. Run by hand: ``pytest -m calibration -s``.
"""

from typing import NamedTuple

import numpy as np
import pytest

from spattermap.core.mapset import make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.verdict.correlation import noise_corrected_correlation

SPREAD = 0.4  # of the natural log of the radius
SETTINGS = Settings(n_resamples=1000)


class Scene(NamedTuple):
    size: int
    radius: float
    cover: float
    dose: float
    kept: float  # part of the zinc that goes with the copper
    film: float  # uniform tin per tin in a droplet


def draw_scene(rng):
    return Scene(
        size=int(rng.choice([96, 128, 192])),
        radius=float(rng.choice([3.0, 4.0, 5.0])),
        cover=float(rng.uniform(0.1, 0.35)),
        dose=float(np.exp(rng.uniform(np.log(0.1), np.log(30)))),
        kept=float(rng.uniform(0.2, 1.0)),
        film=float(rng.uniform(0.05, 0.5)),
    )


def discs(rng, scene):
    margin = int(4 * scene.radius)
    side = scene.size + 2 * margin
    # Covered part of a Boolean model: 1 - exp(-intensity * mean area).
    area = np.pi * scene.radius**2 * np.exp(2 * SPREAD**2)
    count = rng.poisson(-np.log(1 - scene.cover) / area * side**2)
    y, x = np.mgrid[:side, :side]
    found = np.zeros((side, side), dtype=bool)
    radii = scene.radius * np.exp(SPREAD * rng.standard_normal(count))
    for (cy, cx), r in zip(rng.random((count, 2)) * side - 0.5, radii, strict=True):
        box = (slice(int(max(cy - r, 0)), int(cy + r + 2)),
               slice(int(max(cx - r, 0)), int(cx + r + 2)))  # fmt: skip
        found[box] |= (y[box] - cy) ** 2 + (x[box] - cx) ** 2 <= r**2
    return found[margin:-margin, margin:-margin].astype(float)


def truths(scene):
    """Return the values that the process holds, by hand."""
    return {"r": scene.kept / np.hypot(scene.kept, 1 - scene.kept)}


def intervals(scene, rng):
    """Return the interval of each of `truths` from one simulated map set."""
    together, apart = discs(rng, scene), discs(rng, scene)
    rates = scene.dose * np.stack(
        [together, scene.kept * together + (1 - scene.kept) * apart, together + scene.film]
    )
    maps = make_map_set(rng.poisson(rates), ["Cu", "Zn", "Sn"])
    moments = block_moments(maps, labels=together.astype(int), n_droplets=1)
    pair = noise_corrected_correlation(moments, "Cu", "Zn", settings=SETTINGS)
    return {"r": (pair.r_low, pair.r_high)}


def coverage(n_scenes, seed):
    rng = np.random.default_rng(seed)
    hits: dict[str, list[bool]] = {}
    for _ in range(n_scenes):
        scene = draw_scene(rng)
        for name, (low, high) in intervals(scene, rng).items():
            if np.isnan(low):  # refused: no statement, no miss
                continue
            hits.setdefault(name, []).append(low <= truths(scene)[name] <= high)
    return {name: (float(np.mean(hit)), len(hit)) for name, hit in hits.items()}


def test_intervals_cover_quick():
    for name, (rate, n) in coverage(40, seed=1).items():
        # Four binomial standard errors below 95 % (STYLE).
        assert rate >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / n), name


def test_intervals_narrow_with_the_field():
    # An interval that covers because it is boundless would pass the tests above.
    widths = []
    for size in (96, 384):
        scene = Scene(size, 4.0, 0.2, 2.0, 0.7, 0.2)
        found = intervals(scene, np.random.default_rng(2))
        widths.append([high - low for low, high in found.values()])
    assert (np.array(widths[0]) > 2 * np.array(widths[1])).all()  # 16 times the area: 4 expected
    assert max(widths[1]) < 0.2


@pytest.mark.calibration
def test_intervals_cover_on_four_hundred_scenes():
    found = coverage(400, seed=3)
    for name, (rate, n) in found.items():
        print(f"{name}: {100 * rate:.1f} % of {n}")
    for name, (rate, _) in found.items():
        assert 0.92 <= rate <= 0.98, name

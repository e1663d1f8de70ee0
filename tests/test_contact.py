"""Contact below the resolution of the X-rays: necks that maps and picture draw differently."""

import numpy as np
import pytest
from scipy import ndimage

import spattermap
from spattermap.core.mapset import make_map_set, with_electron_image
from spattermap.core.settings import Settings
from spattermap.measure import connection
from spattermap.measure.contact import contact


def test_a_broken_bar_has_one_neck_fewer_and_carries_nothing():
    bar = np.zeros((20, 40), bool)
    bar[5:15] = True
    broken = bar.copy()
    broken[:, 20] = False
    there = contact(bar, broken, drawn_by="electron image")
    assert (there.necks_opened, there.necks_closed) == (1, 0)
    assert not there.crosses_x
    assert there.ratio_x == 0
    back = contact(broken, bar, drawn_by="maps")
    assert (back.necks_opened, back.necks_closed) == (0, 1)
    assert back.crosses_x
    # A bar of half the field's width carries half of a full film's current: by hand.
    assert back.ratio_x == pytest.approx(0.5, rel=1e-6)


def test_specks_are_no_side_of_a_neck():
    bar = np.zeros((20, 40), bool)
    bar[5:15] = True
    chipped = bar.copy()
    chipped[5:8, 9] = chipped[7, 8] = False  # cuts off nothing
    chipped[13:15, 30] = chipped[12, 31:33] = chipped[13:15, 33] = False  # cuts off 4 px
    found = contact(bar, chipped, drawn_by="maps")
    assert (found.necks_opened, found.necks_closed) == (0, 0)


def _chain(gap):
    """Return maps and picture of a chain of discs, cut by a gap (quarters of a pixel) or not."""
    rng = np.random.default_rng(5)
    n, fine = 128, 4
    y, x = np.mgrid[: n * fine, : n * fine] / fine
    metal = np.zeros(y.shape, bool)
    for k, at in enumerate(range(-4, 140, 17)):
        metal |= np.hypot(y - (52 + 9 * np.sin(2.3 * k)), x - at) < 11.5
    metal[:, 64 * fine : 64 * fine + gap] = False
    for _ in range(26):
        at = rng.uniform(0, n, 2)
        if abs(at[0] - 52) > 30:
            metal |= np.hypot(y - at[0], x - at[1]) < rng.uniform(2, 5)
    seen = ndimage.gaussian_filter(metal.astype(float), 1.5 * fine)
    seen = seen.reshape(n, fine, n, fine).mean((1, 3))
    counts = rng.poisson(np.stack([0.2 + 8 * seen, 10 - 6 * seen]))
    picture = ndimage.gaussian_filter(metal.astype(float), 0.3 * fine)
    picture = picture.reshape(2 * n, 2, 2 * n, 2).mean((1, 3))
    picture = 8000 + 20000 * picture + rng.normal(0, 600, picture.shape)
    maps = make_map_set(
        counts, ["Cu", "Si"], lines=["Cu Ka", "Si Ka"], pixel_size_um=0.2, alloy={"Cu": 100},
        substrate={"Si": 46.7, "O": 53.3}, beam_energy_keV=15,
    )  # fmt: skip
    return with_electron_image(maps, picture.astype(np.uint16))


def test_a_gap_finer_than_the_x_rays_is_told_from_the_picture():
    found = spattermap.analyse(_chain(gap=6))  # 1.5 px in maps of 1.5 px blur
    assert found.continuity.edges.crosses_x  # the maps alone do not show it
    other = found.continuity.otherwise
    assert other.drawn_by == "electron image"
    assert other.necks_opened == 1
    assert not other.crosses_x
    (answer,) = (one for one in found.answers if one.topic == "connection")
    assert answer.certainty == "open"
    assert "electron image cross in neither direction" in answer.answer
    assert found.summary()["connected_x_otherwise"] is False


def test_without_a_gap_picture_and_maps_agree():
    found = spattermap.analyse(_chain(gap=0))
    other = found.continuity.otherwise
    assert other.crosses_x
    assert other.necks_opened == 0
    assert other.ratio_x == pytest.approx(found.continuity.x.ratio, rel=0.2)
    (answer,) = (one for one in found.answers if one.topic == "connection")
    assert answer.certainty == "shown"


def test_bounds_of_the_conductance_hold_for_an_outline_known_to_the_blur():
    bar = np.zeros((40, 60), bool)
    bar[10:30] = True  # half of a full film
    found = connection.describe(
        bar, pixel_size=1.0, settings=Settings(), measured={}, alloy={}, blur_px=2.0
    )
    # By hand: the levels 0.2 and 0.8 of a normal edge lie 0.84 standard deviations, 1.7 px, from
    # it, so that one or two of the 20 rows are lost or won on either side.
    assert 15.9 / 40 <= found.bounds_x[0] <= 18.1 / 40
    assert 21.9 / 40 <= found.bounds_x[1] <= 24.1 / 40
    assert found.bounds_x[0] < 0.5 < found.bounds_x[1]


def test_a_thread_thinner_than_the_outline_is_known_to_carries_nothing_for_sure():
    metal = np.zeros((40, 60), bool)
    metal[10:30, :25] = metal[10:30, 35:] = True
    metal[20, :] = True
    found = connection.describe(
        metal, pixel_size=1.0, settings=Settings(), measured={}, alloy={}, blur_px=1.5
    )
    assert found.x.ratio > 0
    assert found.bounds_x[0] == 0
    assert any("narrower than the outline is known to" in one for one in found.reasons)

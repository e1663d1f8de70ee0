"""Joined droplets parted by shape: lumps drawn by hand, and what the outline alone must tell."""

import numpy as np
import pytest
from scipy import ndimage

from spattermap.core.grid import Box
from spattermap.segment import lobes
from spattermap.segment.parting import pixel_sums

SHARP = lobes.Evidence(white=0.1, sigma=1.0, middle=12.0)
BLIND = lobes.Evidence(white=60.0, sigma=3.0, middle=12.0)


def drawn(*ellipses, shape=(80, 110), blur=1.0):
    """Return height map and labels of a union of ellipses (row, column, a, b, degrees)."""
    fine = 4
    y, x = (np.indices([n * fine for n in shape]) + 0.5) / fine - 0.5
    inside = np.zeros(y.shape, dtype=bool)
    for row, column, a, b, degrees in ellipses:
        t = np.radians(degrees)
        u = (x - column) * np.cos(t) + (y - row) * np.sin(t)
        v = (y - row) * np.cos(t) - (x - column) * np.sin(t)
        inside |= (u / a) ** 2 + (v / b) ** 2 <= 1
    cover = inside.reshape(shape[0], fine, shape[1], fine).mean(axis=(1, 3))
    height = ndimage.gaussian_filter(cover, blur).astype(np.float32)
    return height, (height >= 0.5).astype(np.int32)


def explained(*ellipses, evidence=SHARP, **kwargs):
    height, label = drawn(*ellipses, **kwargs)
    outline = lobes.outline_of(height, label, np.array([np.inf, 0.5], np.float32))
    found = lobes.explain_lumps(
        outline, np.array([0, 1], np.int32), pixel_sums(label, 1, 0, 0), evidence
    )
    return found.ellipses


def test_the_outline_of_a_disc_lies_on_it_and_has_its_length():
    height, label = drawn((40.3, 50.6, 20, 20, 0))
    outline = lobes.outline_of(height, label, np.array([np.inf, 0.5], np.float32))
    radius = np.hypot(outline.place[:, 0] - 40.3, outline.place[:, 1] - 50.6)
    np.testing.assert_allclose(radius, 20, atol=0.15)
    assert outline.place[:, 2].sum() == pytest.approx(2 * np.pi * 20, rel=0.01)
    assert np.all(np.diff(outline.key) > 0)


def test_beside_a_masked_pixel_and_between_regions_there_is_no_outline():
    height = np.array([[0, 1, 1, -1]], np.float32)
    level = np.array([np.inf, 0.5, 0.5], np.float32)
    outline = lobes.outline_of(height, np.array([[0, 1, 2, 0]], np.int32), level)
    np.testing.assert_allclose(outline.place[:, :2], [[0, 0.5]])
    assert outline.label.tolist() == [1]


@pytest.mark.parametrize("degrees", [0, 20, 45, 90])
def test_one_ellipse_is_one_droplet_with_its_own_numbers(degrees):
    (one,) = explained((40.2, 55.4, 22, 18, degrees))
    np.testing.assert_allclose(one[:2], [40.2, 55.4], atol=0.05)
    assert np.exp(one[2]) == pytest.approx(np.sqrt(22 * 18), rel=0.01)
    assert np.hypot(one[3], one[4]) == pytest.approx(0.5 * np.log(22 / 18), rel=0.1)
    turn = 0.5 * np.degrees(np.arctan2(one[4], -one[3]))
    assert (turn - degrees + 90) % 180 - 90 == pytest.approx(0, abs=1)


@pytest.mark.parametrize("apart", [0.9, 1.2, 1.6])
def test_two_discs_are_found_whole_with_their_overlap_shared(apart):
    found = explained((40, 40, 16, 16, 0), (40 + 5, 40 + 16 * apart, 16, 16, 0))
    assert len(found) == 2
    np.testing.assert_allclose(found[:, :2], [[40, 40], [45, 40 + 16 * apart]], atol=0.3)
    np.testing.assert_allclose(np.exp(found[:, 2]), 16, rtol=0.02)


def test_three_in_a_bend_and_a_small_one_on_a_large_one():
    found = explained((20, 25, 12, 12, 0), (30, 42, 12, 12, 0), (48, 50, 12, 12, 0))
    np.testing.assert_allclose(found[:, :2], [[20, 25], [30, 42], [48, 50]], atol=0.5)
    large = explained((40, 40, 22, 22, 0), (40, 66, 8, 8, 0))
    np.testing.assert_allclose(np.sort(np.exp(large[:, 2])), [8, 22], rtol=0.05)


def test_a_lump_stays_one_where_the_counts_do_not_tell():
    pair = ((40, 40, 16, 16, 0), (40, 56, 16, 16, 0))
    assert len(explained(*pair)) == 2
    assert len(explained(*pair, evidence=BLIND)) == 1


def test_a_part_of_a_droplet_beyond_the_frame_is_drawn_as_a_whole_one():
    (one,) = explained((-4, 50, 20, 20, 0))
    np.testing.assert_allclose(one[:2], [-4, 50], atol=0.5)
    assert np.exp(one[2]) == pytest.approx(20, rel=0.03)


def test_pixels_go_to_the_ellipse_they_lie_deepest_in():
    ellipses = np.array([[0, 2, np.log(3), 0, 0], [0, 8, np.log(3), 0, 0], [0, 12, 0, 0, 0]])
    label = np.array([[1, 1, 1, 1, 1, 1, 1, 0, 2]], np.int32)
    found = lobes.paint(label, ellipses, np.array([0, 0, 2, 3]), 0, 0)
    assert found.tolist() == [[1, 1, 1, 1, 1, 1, 2, 0, 3]]
    shifted = lobes.paint(label[:, 3:], ellipses, np.array([0, 0, 2, 3]), 0, 3)
    assert shifted.tolist() == [[1, 1, 1, 2, 0, 3]]


def test_droplets_that_touch_are_one_lump_numbered_by_its_first():
    touching = np.array([[2, 5], [3, 5]])
    assert lobes.lumps_of(5, touching).tolist() == [0, 1, 2, 2, 3, 2]
    assert lobes.lumps_of(0, np.zeros((0, 2), np.int64)).tolist() == [0]


def test_what_is_too_small_to_have_a_shape_is_left_as_it_is():
    label = np.zeros((5, 5), np.int32)
    label[2, 2] = 1
    height = label.astype(np.float32)
    outline = lobes.outline_of(height, label, np.array([np.inf, 0.5], np.float32))
    found = lobes.explain_lumps(
        outline, np.array([0, 1], np.int32), pixel_sums(label, 1, 0, 0), SHARP
    )
    np.testing.assert_allclose(found.ellipses, [[2, 2, np.log(np.sqrt(1 / np.pi)), 0, 0]])


def test_outlines_of_parts_are_those_of_the_whole_to_the_bit():
    height, label = drawn((40, 40, 16, 16, 0), (45, 60, 12, 9, 30))
    level = np.array([np.inf, 0.5], np.float32)
    whole = lobes.outline_of(height, label, level)
    parts = []
    for top, bottom in ((0, 37), (37, 80)):
        for left, right in ((0, 51), (51, 110)):
            core = Box(top, left, bottom, right)
            window = core.grown(2, label.shape)
            cut = (window.rows, window.columns)
            parts.append(
                lobes.outline_of(
                    height[cut], label[cut], level, core=core, window=window, across=110
                )
            )
    together = lobes.gathered(parts)
    for one, other in zip(whole, together, strict=True):
        assert np.array_equal(one, other)
    assert together.of(together.label > 1).label.size == 0


def test_nothing_smaller_than_what_is_told_apart_is_drawn():
    pair = ((40, 40, 22, 22, 0), (40, 66, 8, 8, 0))
    assert len(explained(*pair)) == 2
    assert np.exp(explained(*pair)[:, 2]).min() < 9
    drawn_larger = explained(*pair, evidence=SHARP._replace(least=9.0))
    assert np.exp(drawn_larger[:, 2]).min() >= 9


def test_lumps_explained_in_groups_are_those_explained_at_once():
    height, label = drawn(
        (20, 20, 9, 9, 0), (20, 36, 9, 8, 0), (60, 30, 12, 9, 30), (60, 80, 9, 9, 0)
    )
    pieces, n = ndimage.label(label)
    level = np.append(np.inf, np.full(n, 0.5)).astype(np.float32)
    outline = lobes.outline_of(height, pieces.astype(np.int32), level)
    lump = np.arange(n + 1, dtype=np.int32)
    sums = pixel_sums(pieces.astype(np.int32), n, 0, 0)
    left = np.zeros(n + 1, dtype=bool)
    left[n] = True
    once = lobes.explain_lumps(outline, lump, sums, SHARP, left=left)
    groups = [
        lobes.explain_lumps(
            outline, lump, sums, SHARP, left=left, wanted=np.array(wanted, dtype=np.int64)
        )
        for wanted in ([2], [], [3, 1])
    ]
    whole, parts = lobes.put_together(lump, [once]), lobes.put_together(lump, groups)
    assert whole.begin.tolist() == [0, 0, *np.cumsum(once.many)]
    assert n == 3
    assert once.many.tolist() == [2, 1, 1]
    assert whole.kept.tolist() == [0, 0, 0, 4]
    for one, other in zip(whole, parts, strict=True):
        np.testing.assert_array_equal(one, other)


def lone(rng, lumps, *, rough, broad=0.3, radius=9.0, white=0.2):
    """Return what droplets of a true roughness, stretch and spread of sizes show under noise."""
    size = np.log(radius) + broad * rng.standard_normal(lumps.size)
    density = white + 0.5 * (rough * np.exp(size)) ** 2 * np.exp(size)
    power = density * rng.chisquare(8, lumps.size) / 8
    noise = white / (np.pi * np.exp(3 * size))
    taken = 0.05**2 / (0.05**2 + noise)  # what the prior of a fit leaves of the stretch
    both = rng.standard_normal((2, lumps.size)) * np.sqrt(0.08**2 + noise) * taken
    return lobes.Lone(lumps, size, 0.5 * (both**2).sum(axis=0), power)


def test_lone_droplets_tell_sizes_stretch_and_roughness():
    rng = np.random.default_rng(5)
    start = lobes.Evidence(white=0.2, sigma=1.0, middle=20.0)
    for rough in (0.01, 0.03):
        parts = [lone(rng, np.arange(k, k + 150), rough=rough) for k in (1, 151)]
        found = lobes.learned(start, parts)
        assert found.middle == pytest.approx(9.0, rel=0.1)
        assert found.broad == pytest.approx(0.3, rel=0.15)
        assert found.round == pytest.approx(0.08, rel=0.15)
        assert found.rough == pytest.approx(rough, rel=0.3)
        # The order of the parts, which the cutting of the field decides, has no say.
        assert lobes.learned(start, parts[::-1]) == found
    assert lobes.learned(start, [lone(rng, np.arange(1, 4), rough=0.03)]) == start

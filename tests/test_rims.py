"""Rims: outlines moved to where the counts say that the metal ends."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from spattermap.core.grid import Box
from spattermap.measure.coverage import coverage_interval, with_doubt
from spattermap.segment.engine import segment
from spattermap.segment.rims import REACH, Rims, find_rims, move, together
from spattermap.synthesis import Droplets, Haze, Streaks

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import segmentation_scenes as scenes


def field(shape=(200, 200), *, spacing=40, radius=9.0, thin=False, seed=0, noise=0.3, blur=1.0):
    """Return the metal fraction of discs or of caps as thin as the signal is in proportion."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    body, label = np.zeros(shape), np.zeros(shape, np.int32)
    rng = np.random.default_rng(seed)
    for k, (cy, cx) in enumerate(
        ((a, b) for a in range(20, shape[0], spacing) for b in range(20, shape[1], spacing)), 1
    ):
        oy, ox = rng.uniform(-0.5, 0.5, 2)
        square = ((y - cy - oy) ** 2 + (x - cx - ox) ** 2) / radius**2
        body += np.where(square < 1, 1.5 * (1 - square) if thin else 1.0, 0.0)
        label[square < 1] = k
    clear = ndimage.gaussian_filter(body, blur).astype(np.float32)
    raw = clear + noise * rng.standard_normal(shape).astype(np.float32)
    return raw, clear, label


def rims_of(raw, clear, label, *, falling=True):
    return find_rims(
        raw,
        clear,
        label,
        np.ones(label.shape, bool),
        of=np.arange(label.max() + 1) > 0,
        blur=1.0,
        falling=falling,
    )


def moved(label, clear, rims):
    deepest = np.zeros(label.max() + 1, np.float32)
    depth = ndimage.distance_transform_edt(label > 0) - 0.5
    np.maximum.at(deepest, label.ravel(), depth.ravel().astype(np.float32))
    return move(label, clear, rims.of(deepest).astype(np.float32), deepest)


def test_true_outlines_of_flat_bodies_stay_where_they_are():
    assert not rims_of(*field()).moved


@pytest.mark.parametrize("level", [0.25, 0.75])
def test_flat_bodies_cut_at_a_wrong_level_get_their_area_back(level):
    raw, clear, label = field(radius=5.0, spacing=24)
    cut = ndimage.label(clear > level)[0].astype(np.int32)
    assert abs((cut > 0).sum() / (label > 0).sum() - 1) > 0.1
    rims = rims_of(raw, clear, cut, falling=False)
    after = moved(cut, clear, rims)
    assert (after > 0).sum() == pytest.approx((label > 0).sum(), rel=0.04)
    assert np.array_equal(np.unique(after), np.unique(cut))
    assert rims.low < 1 < rims.high


def test_thin_caps_end_where_their_signal_does():
    raw, clear, label = field(thin=True, noise=0.15)
    cut = ndimage.label(clear > 0.5)[0].astype(np.int32)
    before = (cut > 0).sum() / (label > 0).sum() - 1
    rims = rims_of(raw, clear, cut)
    after = (moved(cut, clear, rims) > 0).sum() / (label > 0).sum() - 1
    assert before < -0.25
    assert abs(after) < 0.08
    assert rims.fall > 0.5
    assert "thin" in rims.note
    assert "outward" in rims.note


def test_where_caps_cannot_be_told_from_flat_bodies_the_bounds_hold_both():
    raw, clear, label = field(thin=True, noise=0.3)
    cut = ndimage.label(clear > 0.5)[0].astype(np.int32)
    rims = rims_of(raw, clear, cut)
    area = (moved(cut, clear, rims) > 0).sum() / (label > 0).sum()
    assert area * rims.low < 1 < area * rims.high


def test_a_film_and_a_few_regions_are_left_alone():
    raw, clear, label = field()
    label = np.where(label <= 4, label, 0).astype(np.int32)
    assert not rims_of(raw, clear, label).moved
    film = np.zeros_like(label)
    film[:120] = 1
    film[130::20, ::20] = np.arange(2, 2 + film[130::20, ::20].size).reshape(-1, 10)
    assert not rims_of(raw, clear, film).moved


def test_moving_by_hand():
    label = np.zeros((9, 12), np.int32)
    label[3:6, 2:5], label[3:6, 7:10] = 1, 2
    flat = np.full(label.shape, 0.5, np.float32)
    deepest = np.array([0, 1.5, 1.5], np.float32)
    larger = move(label, flat, np.array([0, 1, 1], np.float32), deepest)
    # A pixel beside an edge lies half a pixel outside, one at a corner 0.91.
    assert (larger == 1).sum() == 9 + 12 + 4
    assert larger[4, 5] == 1
    assert larger[4, 6] == 2
    smaller = move(label, flat, np.array([0, -1, 0], np.float32), deepest)
    assert (smaller == 1).sum() == 1
    assert (smaller == 2).sum() == 9
    # However far inward, the deepest pixel stays; an invalid step takes nothing from others.
    assert (move(label, flat, np.array([0, -9, 9], np.float32), deepest) == 1).sum() == 1


def test_parts_are_moved_as_the_whole_is():
    _, clear, label = field(spacing=26)
    shift = np.full(label.max() + 1, 2.3, np.float32)
    deepest = np.full(label.max() + 1, 9.0, np.float32)
    whole = move(label, clear, shift, deepest)
    box = Box(57, 31, 131, 122)
    outer = box.grown(26, label.shape)
    part = move(label[outer.rows, outer.columns], clear[outer.rows, outer.columns], shift, deepest)
    assert np.array_equal(part[box.inside(outer)], whole[box.rows, box.columns])
    assert REACH > 26


def test_bounds_of_both_kinds_and_of_the_coverage():
    both = together(
        (Rims(low=0.9, high=1.1), Rims()), np.array([0, 30, 10]), np.array([False, False, True])
    )
    assert (both.low, both.high) == (pytest.approx(0.925), pytest.approx(1.075))
    metal = np.zeros((64, 64), bool)
    metal[8:24, 8:24] = metal[40:56, 36:52] = True
    found = coverage_interval(metal)
    wider = with_doubt(found, 0.9, 1.2)
    assert wider.value == found.value
    assert found.value - wider.low == pytest.approx(np.hypot(found.value - found.low, 0.0125))
    assert wider.high - found.value == pytest.approx(np.hypot(found.high - found.value, 0.025))
    assert with_doubt(found, 1.0, 1.0) == found


@pytest.mark.parametrize(("d50", "counts", "seed"), [(9.0, 3.0, 965), (6.2, 5.0, 652)])
def test_discs_narrower_than_the_blur_may_be_are_not_taken_for_caps(d50, counts, seed):
    """Blurred by 2.7 px they look like caps that cover 60 to 70 % more."""
    spec = scenes.design(1)[0].with_changes(
        counts_per_pixel=counts,
        blur_px=2.7,
        haze=Haze(),
        streaks=Streaks(),
        droplets=Droplets(
            d50_px=d50, sigma_g=1.35, coverage=0.35, profile="disc", thickness_um=1.0,
            thickness_exponent=0.5,
        ),
    )  # fmt: skip
    maps, roles, _, labels = scenes.scene(spec, seed)
    found = segment(maps, roles)
    covered = np.count_nonzero(labels) / np.count_nonzero(found.metal)
    assert not found.rims.droplets.moved
    assert covered == pytest.approx(1, abs=0.1)
    assert found.rims.low < covered < found.rims.high


@pytest.mark.parametrize("thickness_um", [0.5, 1.5])
def test_what_falls_to_the_rim_within_the_blur_stays_within_the_bounds(thickness_um):
    # Caps whose signal saturates near their rims look flat under a wider blur; half the typical
    # signal lies within them.
    spec = scenes.design(1)[0].with_changes(
        counts_per_pixel=10.0, blur_px=1.0, haze=Haze(), streaks=Streaks(),
        droplets=Droplets(d50_px=12.0, sigma_g=1.35, coverage=0.3, profile="cap",
                          thickness_um=thickness_um),
    )  # fmt: skip
    maps, roles, _, labels = scenes.scene(spec, 9475)
    found = segment(maps, roles)
    ratio = np.count_nonzero(labels) / np.count_nonzero(found.labels)
    assert ratio > 1.03
    assert found.rims.low <= ratio <= found.rims.high

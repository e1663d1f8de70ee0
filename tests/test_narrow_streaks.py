"""Lines: streaks as narrow as the blur, fitted to the counts along their centre."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from spattermap.core.grid import Box, Grid, Source
from spattermap.segment import filters, narrow_streaks
from spattermap.segment.engine import segment
from spattermap.segment.narrow_streaks import Line, Seen, Window
from spattermap.synthesis import Deposit, Droplets, Streaks

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import segmentation_scenes as scenes

SHAPE = (96, 96)
SEEN = Seen(np.array([0.05, 4.0]), np.array([2.0, -3.9]), 1.0)


def window(true: Line | None, seed: int = 0) -> Window:
    """Return counts of glass with one line on it."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    part = np.zeros(SHAPE) if true is None else true.shown(*true.place(y, x), SEEN.blur)
    mean = SEEN.bare[:, None, None] + part * SEEN.step[:, None, None]
    counts = np.random.default_rng(seed).poisson(mean)
    whole = np.ones(SHAPE, bool)
    return Window(
        Box(0, 0, *SHAPE), counts, whole, np.zeros(SHAPE), np.zeros(SHAPE, np.int32),
        np.zeros(1, bool), np.zeros(1, bool),
    )  # fmt: skip


def deposit(*, width: float, droplets: float = 0.0) -> Deposit:
    """Return bars, alone or among droplets, at 2 counts a pixel."""
    return Deposit(
        shape=(256, 256), counts_per_pixel=2.0, blur_px=1.0, electron_image=False,
        droplets=Droplets(coverage=droplets, d50_px=12.0, sigma_g=1.35),
        streaks=Streaks(number=20, length_px=36.0, width_px=width, direction_deg=20.0,
                        spread_deg=25.0, head_ratio=0.0, taper=0.0),
    )  # fmt: skip


@pytest.mark.parametrize("width", [1.0, 2.0, 4.0])
def test_a_drawn_line_is_fitted(width):
    true = Line(48.0, 48.0, 0.4, 0.3, 0.2, 0.05, -20.0, 24.0, width, 0.0)
    sizes = []
    for seed in range(4):
        (found, *others), _ = narrow_streaks.lines_in(
            window(true, seed), SEEN, least=20.0, ground=np.ones(SHAPE, bool)
        )
        assert not others
        off = true.off(*(np.array([v]) for v in true.place(*found.of(found.middle))))
        assert off == pytest.approx(0, abs=0.3)
        sizes.append((found.mean_width, found.length))
    # Four standard errors of the mean of four, of some 90 counts for each px of width.
    mean_width, length = np.mean(sizes, axis=0)
    assert mean_width == pytest.approx(width, abs=0.25)
    assert length == pytest.approx(44, abs=3)


@pytest.mark.parametrize("head", [0.0, 7.0])
def test_slopes_are_those_of_the_likelihood(head):
    rng = np.random.default_rng(1)
    along, across = rng.uniform(-17, 18, 400), rng.uniform(-5, 5, 400)
    line = Line(0.0, 0.0, 0.3, 0.2, 0.0, 0.0, -18.0, 20.0, 2.0, 0.1, head)
    counts = rng.poisson(2.0, (2, along.size)).astype(np.float64)
    known = (counts, np.zeros(along.size), np.array([2.0, 1.0]), np.array([-1.0, 3.0]))

    def scored(values):
        return narrow_streaks._scored(
            values, line.middle, line.head_high, 1.0, along, across, *known
        )

    gain, uphill, information = scored(line.values)
    part = line.shown(along, across, np.sqrt(1 - 0.29**2))
    seen = Seen(known[2], known[3], 1.0)
    assert gain == pytest.approx(seen.gain(counts, part).sum(), rel=1e-9)
    assert information == pytest.approx(information.T)
    # The line's tilt is left out of the slopes, and a disc's are differences: a tenth of the error.
    for k in range(8 if head else 7):
        step = np.zeros(8)
        step[k] = 1e-4
        rise = (scored(line.values + step)[0] - scored(line.values - step)[0]) / 2e-4
        assert uphill[k] == pytest.approx(rise, abs=0.1 * np.sqrt(information[k, k]))


def test_bare_glass_has_no_line():
    least = narrow_streaks.least_gain(SHAPE[0] * SHAPE[1], 0.05)
    for seed in range(6):
        found, _ = narrow_streaks.lines_in(
            window(None, seed), SEEN, least=least, ground=np.ones(SHAPE, bool)
        )
        assert found == []


def test_narrow_streaks_are_found_and_cover_what_they_cover():
    # 2 px under a blur of 1 px: half the typical signal outlines 2.8 px.
    maps, roles, truth, labels = scenes.scene(deposit(width=2.0), 77)
    found = segment(maps, roles)
    n_found, n_true, hits, errors = scenes.streak_scores(found, labels, truth)
    assert 2 * hits / (n_found + n_true) >= 0.9
    assert np.median(errors) < 3
    assert found.metal.mean() == pytest.approx((labels > 0).mean(), rel=0.1)
    assert any("as narrow as the blur" in note for note in found.notes)
    assert found.rims.low < 1 < found.rims.high


def test_lines_do_not_hang_on_the_parts():
    maps, roles, _, _ = scenes.scene(deposit(width=2.0, droplets=0.1), 78)
    whole = segment(maps, roles)
    parts = segment(Source(maps, checked=True), roles, grid=Grid((0, 70, 199, 256), (0, 131, 256)))
    assert whole.n_streaks > 0
    assert np.array_equal(whole.labels, parts.labels)
    assert whole.streaks.equals(parts.streaks)
    assert whole.notes == parts.notes


def test_a_line_over_a_border_of_tiles_is_one(monkeypatch):
    spec = deposit(width=2.0).with_changes(
        streaks=Streaks(number=6, length_px=140.0, width_px=2.0, direction_deg=10.0,
                        spread_deg=60.0, head_ratio=0.0, taper=0.0),
    )  # fmt: skip
    maps, roles, truth, labels = scenes.scene(spec, 80)
    whole = segment(maps, roles)
    monkeypatch.setattr(filters, "TILE", 100)
    tiles = segment(maps, roles)
    assert whole.n_streaks == tiles.n_streaks == truth["streak_count"]
    assert scenes.f1(tiles.labels, labels) >= 0.9
    assert tiles.metal.sum() == pytest.approx((labels > 0).sum(), rel=0.1)


def test_parts_of_a_line_are_joined_and_crossing_lines_are_not():
    true = Line(48.0, 48.0, 0.4, 0.3, 0.2, 0.05, -80.0, 70.0, 3.0, 0.1, head=5.0, head_high=True)
    left, right = replace(true.moved(-80.0, 20.0), head=0.0), true.moved(-15.0, 70.0)
    # The second part as seen from the other end.
    turned = Line(*right.of(0.0), 0.4 + np.pi, 0.0, 0.0, 0.0, -70.0, 15.0, 3.0, 0.0)
    s = np.linspace(-15.0, 70.0, 9)
    along, across = turned.place(*np.transpose([right.of(t) for t in s]))
    bend, slope, offset = np.polyfit(along / 10, across, 2)
    taper, width = np.polyfit(along / 10, right.wide(s), 1)
    turned = replace(turned, offset=offset, slope=slope, bend=bend, width=width, taper=taper,
                     head=5.0, head_high=False)  # fmt: skip
    crossing = replace(true, turn=true.turn + 1.2)
    found, other = narrow_streaks.joined([[left], [turned, crossing]])
    assert other == crossing
    assert found.length == pytest.approx(150, abs=0.5)
    assert found.mean_width == pytest.approx(true.mean_width, abs=0.05)
    # Where the head lies, and the middle of the line.
    assert found.of(found.head_at) == pytest.approx(true.of(true.head_at), abs=0.5)
    y, x = true.of(-5.0)
    assert found.off(*(np.array([v]) for v in found.place(y, x))) == pytest.approx(0, abs=0.1)


def test_separate_droplets_are_no_lines():
    spec = deposit(width=2.0, droplets=0.2).with_changes(streaks=Streaks())
    maps, roles, _, _ = scenes.scene(spec, 79)
    assert segment(maps, roles).n_streaks == 0

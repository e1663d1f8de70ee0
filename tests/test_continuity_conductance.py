"""Sheet conductance and resistances, against exact and published results."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage

from network_contacts import with_contacts
from spattermap.core.errors import InputError
from spattermap.measure.conductance import (
    _harmonic_links,
    cell_network,
    corner_network,
    sheet_conductance,
)
from spattermap.measure.network import solve


def disc(n, fraction):
    """Centred disc of an area fraction in a square of n x n pixels."""
    place = np.arange(n) + 0.5 - n / 2
    return place[:, None] ** 2 + place**2 <= n * n * fraction / math.pi


def smooth_film(n, coverage, seed, scale=3.0):
    rng = np.random.default_rng(seed)
    field = ndimage.gaussian_filter(rng.normal(size=(n, n)), scale, mode="wrap")
    return field > np.quantile(field, 1 - coverage)


@pytest.mark.outside(
    "Sheet conductance of a full film, both ways and any shape",
    source="R = Rs L / W",
    known="exact",
    tolerance="1e-9",
)
@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (7, 1), (2, 2), (30, 70)])
@pytest.mark.parametrize("direction", ["x", "y"])
def test_full_film(shape, direction):
    found = sheet_conductance(np.ones(shape, dtype=bool), direction=direction)
    assert found.ratio == pytest.approx(1, abs=1e-9)
    assert found.ratio_low == pytest.approx(1, abs=1e-9)
    assert found.ratio_high == pytest.approx(1, abs=1e-9)
    expected = (1.0, 0.0) if direction == "x" else (0.0, 1.0)
    assert found.current_x == pytest.approx(np.full(shape, expected[0]), abs=1e-6)
    assert found.current_y == pytest.approx(np.full(shape, expected[1]), abs=1e-6)


@pytest.mark.outside(
    "Sheet conductance along and across stripes of 1 and 10",
    source="series and parallel: 5.5 and 20/11",
    known="exact",
    tolerance="1e-7",
)
@pytest.mark.parametrize("name", ["ratio_low", "ratio_high", "ratio"])
def test_laminates(name):
    striped = np.zeros((40, 40), dtype=bool)
    striped[::2] = True
    along, across = (sheet_conductance(striped, direction=way, bare=0.1) for way in ("x", "y"))
    assert getattr(along, name) * 10 == pytest.approx(5.5, abs=1e-7)
    assert getattr(across, name) * 10 == pytest.approx(20 / 11, abs=1e-7)


@pytest.mark.outside(
    "Sheet conductance of stripes on an insulator",
    source="one stripe in four: 1/4 and 0",
    known="exact",
    tolerance="1e-12",
)
def test_stripes_with_insulating_ground():
    striped = np.zeros((8, 12), dtype=bool)
    striped[::4] = True
    assert sheet_conductance(striped).ratio == pytest.approx(0.25, abs=1e-12)
    assert sheet_conductance(striped, direction="y").ratio == 0


@pytest.mark.outside(
    "Sheet conductance of two strips of unequal thickness",
    source="series and parallel",
    known="exact",
    tolerance="1e-9",
)
def test_thickness_is_relative_to_its_mean():
    # Two strips side by side, one three times as thick: along x they add, across they follow on.
    thickness = np.ones((10, 10))
    thickness[:5] = 3
    metal = np.ones((10, 10), dtype=bool)
    along = sheet_conductance(metal, thickness=thickness)
    across = sheet_conductance(metal, thickness=thickness, direction="y")
    assert along.ratio == pytest.approx(1, abs=1e-9)
    assert across.ratio == pytest.approx(2 / (1 + 1 / 3) / 2, abs=1e-9)
    with_gap = np.where(np.arange(10)[:, None] < 9, metal, False)
    only_metal_counts = sheet_conductance(with_gap, thickness=np.where(with_gap, 5.0, 1e9))
    assert only_metal_counts.ratio == pytest.approx(0.9, abs=1e-9)


# Square array of discs, which by symmetry is one disc in a square with bars left and right.
PERFECT = {
    0.1: 1.2222,
    0.2: 1.5003,
    0.3: 1.8602,
    0.4: 2.3510,
    0.5: 3.0802,
    0.6: 4.3418,
    0.7: 7.4327,
}
FIFTYFOLD = {0.1: 1.2126, 0.2: 1.4760, 0.3: 1.8125, 0.4: 2.2633, 0.5: 2.9146}
TENFOLD = {
    0.1: 1.1782,
    0.2: 1.3915,
    0.3: 1.6520,
    0.4: 1.9806,
    0.5: 2.4155,
    0.6: 3.0372,
    0.7: 4.0617,
}


@pytest.mark.outside(
    "Sheet conductance of a disc of tenfold conductance in a square",
    source="Perrins, McKenzie & McPhedran, Proc. R. Soc. A 369 (1979) 207; Rayleigh multipoles",
    known="computed",
    tolerance="0.5 % at 200 pixels a side",
)
@pytest.mark.parametrize("f", TENFOLD)
def test_disc_of_tenfold_conductance(f):
    found = sheet_conductance(disc(200, f), bare=0.1)
    assert found.ratio_low * 10 == pytest.approx(TENFOLD[f], rel=0.005)
    assert found.ratio * 10 == pytest.approx(TENFOLD[f], rel=0.005)


@pytest.mark.outside(
    "Sheet conductance of a disc of fiftyfold conductance in a square",
    source="Perrins, McKenzie & McPhedran, Proc. R. Soc. A 369 (1979) 207; Rayleigh multipoles",
    known="computed",
    tolerance="1 % at 200 pixels a side",
)
@pytest.mark.parametrize("f", FIFTYFOLD)
def test_disc_of_fiftyfold_conductance(f):
    found = sheet_conductance(disc(200, f), bare=0.02)
    assert found.ratio_low * 50 == pytest.approx(FIFTYFOLD[f], rel=0.01)
    assert found.ratio * 50 == pytest.approx(FIFTYFOLD[f], rel=0.01)


@pytest.mark.outside(
    "Sheet conductance of an insulating disc in a square",
    source="Perrins, McKenzie & McPhedran, Proc. R. Soc. A 369 (1979) 207, perfectly conducting "
    "discs; reciprocity (Keller 1964, seen in arXiv:2006.16313, eq. 1)",
    known="from memory, computed",
    tolerance="1.5 % to half of the area, 3 % beyond, at 200 pixels a side",
)
@pytest.mark.parametrize("f", PERFECT)
def test_insulating_disc(f):
    found = sheet_conductance(~disc(200, f))
    # By Keller's reciprocity the reciprocal of a perfect conductor.
    assert found.ratio == pytest.approx(1 / PERFECT[f], rel=0.015 if f <= 0.5 else 0.03)
    assert found.ratio_low == pytest.approx(1 / PERFECT[f], rel=0.015 if f <= 0.5 else 0.03)


def test_disc_converges_with_the_pixel():
    exact = 1 / PERFECT[0.5]
    error = [abs(sheet_conductance(~disc(n, 0.5)).ratio / exact - 1) for n in (50, 100, 200)]
    assert error[0] > 1.5 * error[1] > 1.5 * 1.5 * error[2]


@pytest.mark.outside(
    "Sheet conductance of a disc of a tenth of the conductance",
    source="Perrins, McKenzie & McPhedran, Proc. R. Soc. A 369 (1979) 207; reciprocity (Keller "
    "1964): 0.41399 = 1 / 2.4155",
    known="computed",
    tolerance="0.5 %",
)
def test_weak_disc_is_the_reciprocal():
    found = sheet_conductance(~disc(200, 0.5), bare=0.1)
    assert found.ratio == pytest.approx(0.41399, rel=0.005)


@pytest.mark.outside(
    "Conductance of a resistor network times that of its dual",
    source="duality of planar networks (Keller 1964)",
    known="exact",
    tolerance="1e-10",
)
@pytest.mark.parametrize("seed", range(8))
def test_the_two_networks_are_dual(seed):
    rng = np.random.default_rng(seed)
    sheet = np.exp(rng.normal(0, 2, size=tuple(rng.integers(1, 60, 2))))
    cells = solve(cell_network(sheet), tolerance=1e-13).conductance
    corners = solve(corner_network(np.ascontiguousarray(1 / sheet.T)), tolerance=1e-13).conductance
    assert cells * corners == pytest.approx(1, abs=1e-10)


def test_bounds_close_in_from_both_sides():
    metal = smooth_film(64, 0.7, 3)
    found = [sheet_conductance(metal.repeat(k, 0).repeat(k, 1), bare=0.01) for k in (1, 2, 4)]
    lows, highs = [f.ratio_low for f in found], [f.ratio_high for f in found]
    assert lows == sorted(lows)
    assert highs == sorted(highs, reverse=True)
    assert lows[-1] <= found[0].ratio * 1.02
    assert highs[-1] >= found[0].ratio * 0.98


@pytest.mark.outside(
    "Reciprocity of the conductance of a random map with its phases exchanged",
    source="Keller 1964; Van Siclen, arXiv:2006.16313, eq. 1",
    known="seen",
    tolerance="1e-9",
)
@pytest.mark.parametrize("seed", range(6))
def test_keller_reciprocity_of_every_map(seed):
    # s(p,a; q,b) in x times s(p,b; q,a) in y = a b, exact for the lower bound of one map and the
    # upper bound of the other.
    metal = np.random.default_rng(seed).random((40, 55)) < 0.5
    one = sheet_conductance(metal, bare=0.1, tolerance=1e-12).ratio_low * 10
    other = sheet_conductance(~metal, direction="y", bare=0.1, tolerance=1e-12).ratio_high
    assert one * other * 10 == pytest.approx(10, rel=1e-9)


def random_cells(n_maps, side, seed):
    """Mean conductance of random 50:50 maps of 1 and 10, cells of side x side pixels."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(n_maps):
        cells = (rng.random((32, 32)) < 0.5).repeat(side, 0).repeat(side, 1)
        found.append(sheet_conductance(cells, bare=0.1, tolerance=1e-6))
    return (
        10 * float(np.mean([one.ratio_low for one in found])),
        10 * float(np.mean([one.ratio for one in found])),
    )


@pytest.mark.outside(
    "Conductance of random cells of 1 and 10, one pixel a cell, harmonic links",
    source="separate finite-difference script: 2.584 +- 0.013 over 12 maps",
    known="computed",
    tolerance="4 standard errors",
)
@pytest.mark.outside(
    "Conductance of random cells of 1 and 10, dual pair of networks",
    source="Keller 1964 and Dykhne: sqrt(a b) = 3.1622777",
    known="seen",
    tolerance="4 standard errors of 24 maps",
)
def test_random_cells_under_one_link_rule():
    # One pixel a cell is biased under any one link rule; four standard errors of the difference.
    low, both = random_cells(24, 1, 8)
    assert low == pytest.approx(2.584, abs=4 * math.hypot(0.013, 0.0092))
    assert both == pytest.approx(math.sqrt(10), abs=4 * 0.016)


@pytest.mark.calibration
def test_random_cells_finely_drawn():
    # Eight pixels a cell: within 1 % of sqrt(a b), and no worse under harmonic links than the
    # 3.043 +- 0.013 of the independent script.
    low, both = random_cells(48, 8, 9)
    assert low == pytest.approx(3.043, abs=4 * math.hypot(0.013, 0.0065))
    assert both == pytest.approx(math.sqrt(10), rel=0.01)


@pytest.mark.outside(
    "Conductance of a checkerboard of 1 and 100",
    source="Keller 1964, Dykhne; Ovchinnikov & Dyugaev: sqrt(a b) = 10",
    known="seen",
    tolerance="2 %, and between the bounds",
)
def test_checkerboard_is_square_root():
    # 8 x 8 fields of 16 x 16 pixels.
    board = (np.add.outer(np.arange(8), np.arange(8)) % 2).astype(bool)
    found = sheet_conductance(board.repeat(16, 0).repeat(16, 1), bare=0.01)
    assert found.ratio_low * 100 < 10 < found.ratio_high * 100
    assert found.ratio * 100 == pytest.approx(10, rel=0.02)


def node_grid(k):
    return np.ones((k, k - 1)), np.ones((k - 1, k))


def between(k, a, b):
    first, second = np.zeros((k, k), dtype=bool), np.zeros((k, k), dtype=bool)
    first[a], second[b] = True, True
    return 1 / solve(with_contacts(*node_grid(k), first, second), tolerance=1e-12).conductance


@pytest.mark.outside(
    "Resistance from corner to corner of a grid of unit resistors",
    source="exact fractions by a separate script; the sequence in OEIS from memory",
    known="from memory, computed",
    tolerance="1e-9",
)
@pytest.mark.parametrize(
    ("k", "expected"),
    # Corner to opposite corner of unit resistors.
    [(2, 1), (3, 3 / 2), (4, 13 / 7), (5, 47 / 22), (6, 1171 / 495), (7, 6385 / 2494)],
)
def test_corner_to_corner(k, expected):
    assert between(k, (0, 0), (k - 1, k - 1)) == pytest.approx(expected, abs=1e-9)


@pytest.mark.outside(
    "Resistance between nodes of an infinite grid",
    source="Cserti, Am. J. Phys. 68 (2000) 896",
    known="from memory",
    tolerance="2e-4, amid 201 x 201 nodes",
)
@pytest.mark.parametrize(
    ("step", "expected"),
    [
        ((0, 1), 1 / 2),
        ((1, 1), 2 / math.pi),
        ((0, 2), 2 - 4 / math.pi),
        ((1, 2), 4 / math.pi - 1 / 2),
        ((2, 2), 8 / (3 * math.pi)),
    ],
)
def test_infinite_lattice(step, expected):
    found = between(201, (100, 100), (100 + step[0], 100 + step[1]))
    assert found == pytest.approx(expected, abs=2e-4)


@pytest.mark.outside(
    "Conductance of random bonds of 1 and 10 in equal parts",
    source="self-dual: sqrt(10); a separate script gave 3.1593 +- 0.008 at 64 nodes",
    known="computed",
    tolerance="0.08",
)
def test_random_bonds_at_one_half():
    # Four standard errors of 12 networks.
    rng = np.random.default_rng(9)
    n, found = 64, []
    for _ in range(12):
        right = rng.choice([1.0, 10.0], size=(n, n))
        down = rng.choice([1.0, 10.0], size=(n, n + 1))
        wide = np.ones((n + 1, n))
        wide[:n] = right
        wide[n] = rng.choice([1.0, 10.0], size=n)
        left, end = np.zeros((n + 1, n + 1), dtype=bool), np.zeros((n + 1, n + 1), dtype=bool)
        left[:, 0], end[:, -1] = True, True
        found.append(solve(with_contacts(wide, down, left, end)).conductance * n / (n + 1))
    assert np.mean(found) == pytest.approx(math.sqrt(10), abs=4 * 0.02)


@pytest.mark.outside(
    "Resistance between inner and outer rim of an annulus",
    source="Corbino disc, Rs ln(b/a) / (2 pi)",
    known="exact",
    tolerance="2 % on pixels",
)
def test_annulus():
    n, outer = 241, 115.0
    place = np.arange(n) - n // 2
    radius = np.hypot(place[:, None], place)
    for relation, expected in ((2.0, 0.110318), (math.e, 0.159155), (10.0, 0.366468)):
        inner, rim = radius <= outer / relation, radius >= outer
        links = _harmonic_links(np.where(inner | rim, np.inf, 1.0))
        found = 1 / solve(with_contacts(*links, inner, rim)).conductance
        assert expected == pytest.approx(math.log(relation) / (2 * math.pi), abs=5e-7)
        assert found == pytest.approx(expected, rel=0.02)


def test_disconnected_films_do_not_conduct(recwarn):
    rng = np.random.default_rng(10)
    metal = rng.random((90, 120)) < 0.3
    for film in (metal, np.zeros((5, 6), dtype=bool), np.eye(6, dtype=bool)[:, :4]):
        for direction in ("x", "y"):
            found = sheet_conductance(film, direction=direction)
            assert found.ratio == 0
            assert found.ratio_low == 0
            assert np.all(found.current_density == 0)
    assert not recwarn.list


def test_corner_contact_leaves_the_bracket_open():
    found = sheet_conductance(np.eye(4, dtype=bool))
    assert found.ratio_low == found.ratio == 0
    assert found.ratio_high > 0


def test_pruning_leaves_only_what_can_carry():
    metal = np.zeros((20, 40), dtype=bool)
    metal[3] = True  # the way across
    metal[10:15, 5:20] = True  # an island
    metal[18, :20] = True  # hangs on the left bar
    found = sheet_conductance(metal)
    assert solve(cell_network(metal.astype(float))).unknowns == 40
    assert found.ratio_low == pytest.approx(1 / 20, abs=1e-12)
    assert np.all(found.potential[18, :20] == 0)
    assert np.isnan(found.potential[12, 10])


@pytest.mark.parametrize("direction", ["x", "y"])
def test_current_is_conserved(direction):
    metal = smooth_film(150, 0.72, 11)
    found = sheet_conductance(metal, direction=direction, tolerance=1e-11)
    along = found.current_x if direction == "x" else found.current_y
    through = along.mean(axis=0 if direction == "x" else 1)
    # Every cut passes the same current, and that current is the lower bound of the ratio.
    assert through[1:-1] == pytest.approx(np.full(148, found.ratio_low), rel=1e-6)
    assert found.current_density.shape == metal.shape
    assert found.residual < 1e-10


def test_directions_are_transposes():
    metal = smooth_film(90, 0.7, 12)[:, :70]
    x, y = sheet_conductance(metal.T), sheet_conductance(metal, direction="y")
    assert x.ratio == pytest.approx(y.ratio, rel=1e-12)
    np.testing.assert_allclose(x.current_x.T, y.current_y, atol=1e-9)


def test_input_is_left_alone_and_answers_repeat():
    metal = smooth_film(80, 0.7, 13)
    before = metal.copy()
    first, second = sheet_conductance(metal), sheet_conductance(metal)
    np.testing.assert_array_equal(metal, before)
    assert first.ratio == second.ratio
    np.testing.assert_array_equal(first.potential, second.potential)


@pytest.mark.outside(
    "Potential and conductance of a random film",
    source="direct solution by scipy.sparse.linalg.spsolve, the installed version",
    known="computed",
    tolerance="1e-6",
)
def test_against_a_direct_solution():
    # The matrix is assembled pixel by pixel here.
    from scipy.sparse import lil_matrix
    from scipy.sparse.linalg import spsolve

    metal = smooth_film(70, 0.75, 14)
    sheet = np.where(metal, 1.0, 0.02)
    n = sheet.shape[0]
    matrix, feed = lil_matrix((n * n, n * n)), np.zeros(n * n)
    for row in range(n):
        for column in range(n):
            here = row * n + column
            for r, c in ((row, column + 1), (row + 1, column)):
                if r < n and c < n:
                    g = 2 / (1 / sheet[row, column] + 1 / sheet[r, c])
                    there = r * n + c
                    matrix[here, here] += g
                    matrix[there, there] += g
                    matrix[here, there] -= g
                    matrix[there, here] -= g
            if column in (0, n - 1):
                matrix[here, here] += 2 * sheet[row, column]
                feed[here] += 2 * sheet[row, column] * (column == n - 1)
    potential = spsolve(matrix.tocsr(), feed).reshape(n, n)
    found = sheet_conductance(metal, bare=0.02)
    np.testing.assert_allclose(found.potential, potential, atol=1e-6)
    current = float((2 * sheet[:, 0] * potential[:, 0]).sum())
    assert found.ratio_low == pytest.approx(current, rel=1e-6)


def streaks(n, seed, n_streaks=330):
    """Hard-edged ellipses along x on a unit square of n x n pixels; the same scene at any n."""
    rng = np.random.default_rng(seed)
    place = (np.arange(n) + 0.5) / n
    metal = np.zeros((n, n), dtype=bool)
    for _ in range(n_streaks):
        x, y = rng.random(2)
        half_length, half_width = rng.uniform(0.06, 0.12), rng.uniform(0.02, 0.035)
        angle = rng.normal(0, 0.1)
        dx, dy = place[None] - x, place[:, None] - y
        u = dx * math.cos(angle) + dy * math.sin(angle)
        v = dy * math.cos(angle) - dx * math.sin(angle)
        metal |= (u / half_length) ** 2 + (v / half_width) ** 2 <= 1
    return metal


def streaky_texture(n, seed, coverage=0.75):
    """A streaky film on a unit square of n x n pixels, smooth, so that its necks have a width."""
    rng = np.random.default_rng(seed)
    waves, phase = rng.normal(size=(300, 2)) * (12.0, 40.0), rng.uniform(0, 2 * np.pi, 300)

    def field(m):
        place = (np.arange(m) + 0.5) / m
        across = np.exp(1j * np.outer(place, waves[:, 1]))
        along = np.exp(1j * (np.outer(waves[:, 0], place) + phase[:, None]))
        return np.real(across @ along)

    return field(n) > np.quantile(field(512), 1 - coverage)


def both_ways(metal):
    return [sheet_conductance(metal, direction=way, tolerance=1e-6).ratio for way in ("x", "y")]


# The first seed in every run, the others by hand.
SEEDS = [1, *(pytest.param(seed, marks=pytest.mark.calibration) for seed in (2, 3, 4, 5))]


@pytest.mark.parametrize("seed", SEEDS)
def test_streaked_film_against_a_finer_grid(seed):
    # The same drawn map on a grid three times as fine.
    drawn = streaks(128, seed)
    coarse, fine = (both_ways(drawn.repeat(k, 0).repeat(k, 1)) for k in (1, 3))
    assert fine[0] > fine[1] > 0  # conducts better along the streaks
    assert coarse[0] / coarse[1] == pytest.approx(fine[0] / fine[1], rel=0.03)


@pytest.mark.parametrize("seed", SEEDS)
def test_streaked_scene_drawn_with_finer_pixels(seed):
    # The same scene drawn anew with pixels 3.2 times as fine.
    coarse, fine = both_ways(streaky_texture(160, seed)), both_ways(streaky_texture(512, seed))
    assert fine[0] > fine[1] > 0
    assert coarse[0] / coarse[1] == pytest.approx(fine[0] / fine[1], rel=0.03)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"direction": "z"}, "direction must be a known name"),
        ({"bare": -0.1}, "bare must be zero or a positive number"),
        ({"thickness": np.ones((2, 2))}, "thickness must have the shape of metal"),
        ({"thickness": np.full((3, 4), -1.0)}, "thickness must be finite and not negative"),
        ({"thickness": np.full((3, 4), np.nan)}, "thickness must be finite and not negative"),
        ({"thickness": np.full((3, 4), np.inf)}, "thickness must be finite and not negative"),
        ({"thickness": np.zeros((3, 4))}, "thickness must be above zero somewhere"),
    ],
)
def test_bad_arguments(more, message):
    with pytest.raises(InputError, match=message):
        sheet_conductance(np.ones((3, 4), dtype=bool), **more)


@pytest.mark.parametrize("bare", [1e-3, 1e-6, 1e-9])
def test_nearly_insulating_ground_comes_close_to_insulating(bare):
    metal = smooth_film(120, 0.75, 21)
    insulating, leaky = sheet_conductance(metal), sheet_conductance(metal, bare=bare)
    assert leaky.residual < 1e-8
    assert leaky.ratio_low >= insulating.ratio_low * (1 - 1e-7)
    # The leak adds to the current in first order; here its share is below a hundred times `bare`.
    assert leaky.ratio_low == pytest.approx(insulating.ratio_low, rel=100 * bare + 1e-6)


def test_holes_in_the_thickness_insulate():
    thickness = np.ones((6, 6))
    thickness[:, 3] = 0
    assert sheet_conductance(np.ones((6, 6), dtype=bool), thickness=thickness).ratio_low == 0

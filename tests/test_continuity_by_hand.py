"""Paths, networks and mixing rules on maps small enough to work by hand."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest
from scipy import ndimage

from network_contacts import with_contacts
from spattermap.core.errors import InputError
from spattermap.measure.conductance import (
    SheetConductance,
    bruggeman,
    cell_network,
    corner_network,
    hashin_shtrikman,
    sheet_conductance,
    wiener_bounds,
)
from spattermap.measure.connection import Continuity, _half_heat_share
from spattermap.measure.network import (
    Connectivity,
    Links,
    NodePotentials,
    _System,
    connectivity,
    solve,
)
from spattermap.measure.resistivity import ImpliedResistivity, implied_resistivity


def drawn(*rows):
    """A map from rows of text, # for metal."""
    return np.array([[sign == "#" for sign in row] for row in rows])


def test_regions_are_numbered_by_size_and_equal_ones_by_place():
    found = connectivity(drawn("#.##.#", ".....#", "#.....", "...#.#"))
    assert found.labels.tolist() == [
        [3, 0, 1, 1, 0, 2],
        [0, 0, 0, 0, 0, 2],
        [4, 0, 0, 0, 0, 0],
        [0, 0, 0, 5, 0, 6],
    ]
    assert found.n_regions == 6
    assert found.largest_share == 2 / 8
    assert found.labels.dtype == np.int32


def test_gaps_to_the_edges_of_the_field_count_too():
    # Two columns are bare on the left, one on the right; none above and below.
    film = drawn("..####.", "..####.")
    found = connectivity(film)
    assert (found.gap_x_px, found.gap_y_px) == (2, 0)
    assert connectivity(film.T).gap_y_px == 2
    assert not connectivity(film, bridging_px=1.9).crosses_x
    closed = connectivity(film, bridging_px=2)
    assert closed.crosses_x
    assert closed.connected_share == 1
    # What was closed is still told, and the width of a way that is not there is 0.
    assert closed.gap_x_px == 2
    assert (closed.neck_x_px, found.neck_x_px) == (0, 0)
    assert connectivity(film, bridging_px=99).crosses_x
    assert closed.n_regions == 1


def test_the_easiest_way_goes_round_the_widest_gap():
    # Straight across the middle row the gap is 5; by the lower row it is 2, then 1.
    found = connectivity(drawn("#.....#", ".......", "#..#.##"))
    assert found.gap_x_px == 2
    joined = connectivity(drawn("#.....#", ".......", "#..#.##"), bridging_px=1)
    # Column distance 2 less one: the two on the right of the last row, and the pairs above.
    assert joined.n_regions == 2
    assert joined.labels[2].tolist() == [2, 0, 0, 1, 0, 1, 1]
    assert joined.labels[0].tolist() == [2, 0, 0, 0, 0, 0, 1]


def test_gaps_along_y_are_those_of_the_turned_map():
    rng = np.random.default_rng(1)
    for _ in range(20):
        metal = rng.random((9, 12)) < 0.3
        one, turned = connectivity(metal), connectivity(metal.T)
        assert one.gap_y_px == turned.gap_x_px
        assert one.neck_y_px == turned.neck_x_px
        assert one.crosses_y == turned.crosses_x


@pytest.mark.parametrize("neighbours", [4, 8])
def test_neck_is_the_widest_way_by_trying_every_width(neighbours):
    rng = np.random.default_rng(2)
    structure = np.ones((3, 3)) if neighbours == 8 else None
    crossed = 0
    for _ in range(40):
        metal = ndimage.gaussian_filter(rng.normal(size=(18, 24)), 1.5) > -0.03
        depth = ndimage.distance_transform_edt(metal)
        widest = 0.0
        for level in np.unique(depth[metal]):
            labels, _ = ndimage.label(depth >= level, structure=structure)
            if set(labels[:, 0]) & set(labels[:, -1]) - {0}:
                widest = 2 * level - 1
        found = connectivity(metal, connectivity=neighbours)
        assert found.neck_x_px == pytest.approx(widest)
        crossed += widest > 1
    assert crossed > 5  # the maps do try it


def test_metal_that_crosses_one_way_is_connected():
    # A wire of 6 in x, a piece of 3: two thirds belong to what crosses.
    found = connectivity(drawn("######", "......", ".###.."))
    assert (found.crosses_x, found.crosses_y) == (True, False)
    assert found.connected_share == pytest.approx(6 / 9)
    assert found.largest.sum() == 6
    both = connectivity(drawn("##.##", "##.##"))
    assert both.connected_share == 1  # two regions, each from top to bottom


@pytest.mark.parametrize(
    "record",
    [
        Connectivity,
        Links,
        NodePotentials,
        _System,
        SheetConductance,
        ImpliedResistivity,
        Continuity,
    ],
)
def test_no_result_is_changed_in_place(record):
    blank = object.__new__(record)
    with pytest.raises(FrozenInstanceError):
        setattr(blank, next(iter(record.__dataclass_fields__)), None)


def held(shape, *places):
    nodes = np.zeros(shape, dtype=bool)
    for place in places:
        nodes[place] = True
    return nodes


def test_resistors_in_series_and_parallel():
    chain = with_contacts(
        np.array([[2.0, 3.0]]), np.zeros((0, 3)), held((1, 3), (0, 0)), held((1, 3), (0, 2))
    )
    found = solve(chain)
    assert found.conductance == pytest.approx(1 / (1 / 2 + 1 / 3), rel=1e-12)
    assert found.potential[0, 1] == pytest.approx(3 / 5, rel=1e-12)  # 0 at a, 1 at b
    assert (found.unknowns, found.iterations) == (1, 0)
    # A square: 1 straight from contact to contact, and 3, 2 and 4 in series round it.
    square = (np.array([[1.0], [2.0]]), np.array([[3.0, 4.0]]))
    for a, b in (((0, 0), (0, 1)), ((0, 1), (0, 0))):
        links = with_contacts(*square, held((2, 2), a), held((2, 2), b))
        assert links.direct == 1
        assert solve(links).conductance == pytest.approx(1 + 12 / 13, rel=1e-12)
    down = with_contacts(*square, held((2, 2), (0, 0)), held((2, 2), (1, 0)))
    assert down.direct == 3
    assert solve(down).conductance == pytest.approx(3 + 1 / (1 + 1 / 4 + 1 / 2), rel=1e-12)


def test_contacts_of_several_nodes_are_one_potential():
    # Both left nodes are one bar, both right ones the other: 1/(1 + 1/2) + 1/(1/3 + 1/4).
    right = np.array([[1.0, 2.0], [3.0, 4.0]])
    down = np.array([[9.0, 0.0, 9.0]])
    a, b = held((2, 3), (0, 0), (1, 0)), held((2, 3), (0, 2), (1, 2))
    found = solve(with_contacts(right, down, a, b))
    assert found.conductance == pytest.approx(1 / 1.5 + 12 / 7, rel=1e-12)
    assert found.potential[:, 1] == pytest.approx([2 / 3, 4 / 7], rel=1e-12)


def test_nodes_that_hang_on_one_bar_take_its_potential():
    row = np.zeros((1, 5))
    low, high = row.copy(), row.copy()
    low[0, 0], high[0, 4] = 2.0, 2.0
    found = solve(Links(np.array([[1.0, 0, 0, 1.0]]), np.zeros((0, 5)), low, high))
    np.testing.assert_array_equal(found.potential, [[0, 0, np.nan, 1, 1]])
    assert (found.conductance, found.unknowns, found.residual) == (0, 0, 0)


def test_answers_are_as_close_as_asked_for():
    # Large enough for conjugate gradients; what is left over is told, and a looser demand is met
    # in fewer steps.
    rng = np.random.default_rng(3)
    sheet = np.exp(rng.normal(0, 1.5, (90, 90)))
    loose, tight = (solve(cell_network(sheet), tolerance=t) for t in (1e-3, 1e-11))
    assert loose.residual < 1e-3
    assert tight.residual < 1e-10
    assert 0 < loose.iterations < tight.iterations < 60
    assert loose.residual > tight.residual > 0
    assert loose.conductance == pytest.approx(tight.conductance, rel=1e-3)
    assert tight.unknowns == 8100


def test_current_takes_the_thick_way():
    # Rows of thickness 3 and 1, mean 2: side by side they carry 1.5 and 0.5; one after the other
    # both carry what their series lets through, 2 / (1/1.5 + 1/0.5) = 0.75.
    film, thickness = np.ones((2, 4), bool), np.array([[3.0] * 4, [1.0] * 4])
    beside = sheet_conductance(film, thickness=thickness)
    np.testing.assert_allclose(beside.current_x, [[1.5] * 4, [0.5] * 4], atol=1e-9)
    np.testing.assert_allclose(beside.current_y, 0, atol=1e-9)
    np.testing.assert_allclose(beside.potential, [[0.125, 0.375, 0.625, 0.875]] * 2, atol=1e-9)
    after = sheet_conductance(film, thickness=thickness, direction="y")
    assert after.ratio == pytest.approx(0.75, rel=1e-9)
    np.testing.assert_allclose(after.current_y, 0.75, atol=1e-9)
    np.testing.assert_allclose(after.current_x, 0, atol=1e-9)
    np.testing.assert_allclose(after.potential, [[0.125] * 4, [0.625] * 4], atol=1e-9)
    assert after.direction == "y"
    np.testing.assert_allclose(after.current_density, 0.75, atol=1e-9)


def test_current_round_a_corner_by_hand():
    # Cell network of an L of three pixels between bars left and right: half a pixel (2), the link
    # across (1), the link down (1), half a pixel (2); the lower left pixel carries nothing.
    corner = drawn("##", ".#")
    found = sheet_conductance(corner)
    # Upper right pixel touches the bar itself: 1/(1/2 + 1 + 1/2) = 1/2, and its lower neighbour
    # hangs on the same bar by 2 in parallel with the link of 1: 1/(1 + 1/2).
    right = 2 + 1 / (1 + 1 / 2)
    through = found.ratio_low
    assert through == pytest.approx(1 / (1 / 2 + 1 + 1 / right), rel=1e-12)
    # Density at a pixel's centre is the mean of its two faces, per mean field (2 pixels): the last
    # pixel passes what the bar takes there, and half of what goes down.
    up = through * 2 / right
    assert found.current_x[0, 0] == pytest.approx(2 * through, rel=1e-12)
    assert found.current_x[0, 1] == pytest.approx(through + up, rel=1e-12)
    assert abs(found.current_y[0, 1]) == pytest.approx(through - up, rel=1e-9)
    assert found.current_y[0, 1] > 0  # downwards, as the current is drawn towards +x
    assert found.current_density[1, 0] == 0


def test_one_column_between_the_bars():
    # A single pixel between the bars: corner and cell network agree on the sum of the rows.
    thickness = np.array([[1.0], [2.0], [3.0]])
    found = sheet_conductance(np.ones((3, 1), bool), thickness=thickness)
    assert (found.ratio_low, found.ratio_high) == pytest.approx((1, 1), rel=1e-12)
    assert corner_network(thickness).direct == 6
    assert solve(cell_network(thickness)).conductance == pytest.approx(6, rel=1e-12)


def test_corner_network_by_hand():
    # One row of two pixels 1 and 3: two edges of 1/2 and 3/2 in series on each side, 3/8 each,
    # for the upright edge between joins points of one potential.
    links = corner_network(np.array([[1.0, 3.0]]))
    assert links.low.tolist() == [[0.5], [0.5]]
    assert links.high.tolist() == [[1.5], [1.5]]
    assert links.down.tolist() == [[2.0]]
    assert links.right.shape == (2, 0)
    assert solve(links).conductance == pytest.approx(0.75, rel=1e-12)


def test_the_ratio_lies_between_the_two_networks():
    metal = np.ones((4, 4), dtype=bool)
    metal[1:3, 1] = False
    found = sheet_conductance(metal)
    sheet = metal.astype(float)
    cell, corner = solve(cell_network(sheet)), solve(corner_network(sheet))
    assert (found.ratio_low, found.ratio_high) == pytest.approx(
        (cell.conductance, corner.conductance), rel=1e-12
    )
    assert found.ratio == pytest.approx(math.sqrt(found.ratio_low * found.ratio_high), rel=1e-12)
    # Corners between the bars: 5 rows of 3; cells: 14 of metal.
    assert (cell.unknowns, corner.unknowns, found.unknowns) == (14, 15, 29)


@pytest.mark.parametrize(
    ("value", "told"), [(-1.5, "got -1.5"), (math.nan, "got nan"), (math.inf, "got inf")]
)
def test_the_bad_thickness_is_told(value, told):
    thickness = np.ones((3, 4))
    thickness[2, 1] = value
    with pytest.raises(InputError, match=told):
        sheet_conductance(np.ones((3, 4), dtype=bool), thickness=thickness)
    # On bare ground nobody looks.
    metal = np.ones((3, 4), dtype=bool)
    metal[2, 1] = False
    assert sheet_conductance(metal, thickness=thickness).ratio_low > 0
    assert sheet_conductance(np.zeros((3, 4), bool), thickness=thickness).ratio == 0


def test_half_of_the_heat_by_hand():
    sheet = sheet_conductance(np.ones((1, 4), bool))
    lone = np.array([[True, True, True, False]])

    def share(current, mask=lone, thickness=None):
        flowing = replace(
            sheet, current_x=np.array([current], float), current_y=np.zeros((1, len(current)))
        )
        return _half_heat_share(mask, flowing, thickness)

    # Heat 4, 1, 1: the first alone sets free more than half. On bare ground it does not count.
    assert share([2, 1, 1, 9]) == pytest.approx(1 / 3)
    assert share([1, 2, 1, 0]) == pytest.approx(1 / 3)
    # 1, 1, 1: two of three are needed. 3, 2, 1 (squares 9, 4, 1): one.
    assert share([1, 1, 1, 0]) == pytest.approx(2 / 3)
    # Heat is current squared over thickness: 4/4, 1, 1, all alike.
    assert share([2, 1, 1, 0], thickness=[[4.0, 1, 1, 7]]) == pytest.approx(2 / 3)
    assert share([2, 1, 0, 0], thickness=[[4.0, 2, 0, 7]]) == pytest.approx(1 / 3)
    assert math.isnan(share([0, 0, 0, 5]))
    # Averaged blocks have no mask of their own: all of them count.
    assert share([2, 1, 1, 0], mask=np.ones((2, 8), bool)) == pytest.approx(1 / 4)


@pytest.mark.outside(
    "Mixing rules where one phase is absent, alike, or conducts nothing",
    source="limits of the formulas, by hand",
    known="exact",
    tolerance="1e-12",
)
def test_rules_at_their_ends():
    for f in (0.0, 0.4, 1.0):
        # Two phases alike are one sheet.
        for rule in (hashin_shtrikman, wiener_bounds):
            assert rule(f, metal=3, bare=3) == pytest.approx((3, 3), rel=1e-12)
            assert rule(f, metal=0, bare=0) == (0, 0)
        assert bruggeman(f, metal=3, bare=3) == pytest.approx(3, rel=1e-12)
        assert bruggeman(f, metal=0, bare=0) == 0
    for rule in (hashin_shtrikman, wiener_bounds):
        assert rule(0.0, metal=5, bare=2) == pytest.approx((2, 2))
        assert rule(1.0, metal=5, bare=2) == pytest.approx((5, 5))
        # Which of the two is called metal does not matter.
        assert rule(0.3, metal=5, bare=2) == pytest.approx(rule(0.7, metal=2, bare=5))
        assert rule(0.3, metal=0, bare=2) == pytest.approx(rule(0.7, metal=2, bare=0))
        low, high = rule(0.3, metal=0, bare=2)
        assert low == 0 < high
    assert hashin_shtrikman(0.7, metal=2)[1] == pytest.approx(2 * 0.7 / 1.3)  # f / (2 - f)
    assert wiener_bounds(0.25, metal=4, bare=1) == pytest.approx((1 / (0.0625 + 0.75), 1.75))
    # Without conducting ground the effective medium carries 2 f - 1, and nothing below one half.
    assert bruggeman(0.75, metal=2) == pytest.approx(1.0)
    assert bruggeman(0.5, metal=2) == bruggeman(0.2, metal=2) == 0
    assert bruggeman(0.5, metal=4, bare=9) == pytest.approx(6)  # sqrt(a b)


@pytest.mark.parametrize("rule", [hashin_shtrikman, wiener_bounds, bruggeman])
def test_rules_refuse_what_no_sheet_can_be(rule):
    for more, words in (
        ({"metal": -1}, "metal"),
        ({"bare": -1}, "bare"),
    ):
        with pytest.raises(InputError, match=words):
            rule(0.5, **more)
    for fraction, words in ((-0.1, "fraction"), (1.0001, "at most 1")):
        with pytest.raises(InputError, match=words):
            rule(fraction)


def test_resistivity_by_hand():
    # 0.2 ohm a square at a third of a film's conductance and 300 nm: 0.2 / 3 * 3e-7 = 2e-8 ohm m.
    found = implied_resistivity(
        0.2, ratio=1 / 3, thickness_nm=300, alloy={"Zn": 0.3, "C": 0.2, "Cu": 99.5}
    )
    assert found.resistivity_ohm_m == pytest.approx(2e-8, rel=1e-12)
    # From 99 % on a metal counts as pure.
    assert (found.reference, found.reference_ohm_m) == ("Cu", 1.678e-8)
    assert found.times_bulk == pytest.approx(2 / 1.678, rel=1e-12)
    assert found.bulk_thickness_nm == pytest.approx(1.678e-8 / (0.2 / 3) * 1e9, rel=1e-12)
    # A part that is not known counts as none; one metal alone needs no part.
    unsure = implied_resistivity(1.0, ratio=1, alloy={"Zn": math.nan, "Cu": 0.1})
    assert unsure.reference == "Cu"
    alone = implied_resistivity(1.0, ratio=1, alloy={"Cu": math.nan})
    assert alone.reference == "Cu"
    nothing = implied_resistivity(1.0, ratio=1)
    assert (nothing.reference, math.isnan(nothing.reference_ohm_m)) == ("", True)
    assert math.isnan(nothing.bulk_thickness_nm)
    for more in ({"thickness_nm": 0}, {"ratio": 0}, {"sheet_resistance": 0}):
        with pytest.raises(InputError, match=next(iter(more))):
            implied_resistivity(**{"sheet_resistance": 1.0, "ratio": 1.0} | more)

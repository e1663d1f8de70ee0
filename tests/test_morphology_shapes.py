"""Shape descriptors of known outlines, shape classes, satellites, and the evidence of arrival."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from skimage.draw import polygon2mask

from spattermap.measure.form import Findings, evidence
from spattermap.measure.regions import as_drawn, as_droplets, measure_regions
from spattermap.measure.shapes import ellipse_circularity, satellites, shape_class, shape_shares


def droplets_of(labels):
    """Return the table of droplets of a labelled picture."""
    table = measure_regions(labels)
    found = SimpleNamespace(
        confidence=np.ones(labels.max()), shared=np.zeros(0, bool), image=None,
        smallest_trusted_px=2.0,
    )  # fmt: skip
    return as_droplets(table, found, table["label"].to_numpy(), pixel_size=1.0)


@pytest.mark.outside(
    "Circularity of an ellipse",
    source="ISO 9276-6, sqrt(4 pi A) / P; perimeters from scipy.special.ellipe",
    known="from memory, computed",
    tolerance="1e-9",
)
@pytest.mark.parametrize(
    ("ratio", "value"),
    [(1, 1), (1.5, 0.9700706920), (2, 0.9171505771), (3, 0.8142823146), (5, 0.6687101227)],
)
def test_circularity_of_ellipses(ratio, value):
    assert ellipse_circularity(ratio) == pytest.approx(value, abs=1e-9)


def turned(corners, angle, centre):
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return corners @ turn.T + centre


def ring(n):
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.column_stack([np.cos(angle), np.sin(angle)])


def stadium():
    half = np.linspace(-np.pi / 2, np.pi / 2, 200)
    right = np.column_stack([np.cos(half) + 1, np.sin(half)])
    return np.concatenate([right, -right])


# Outline (unit size), circularity, 4 A / (pi Fmax^2), Fmax / Fmin. Exact geometry; the stadium has
# radius 1 and a straight of 2: A = pi + 4, P = 2 pi + 4, Fmax 4, Fmin 2.
OUTLINES = {
    "disc": (ring(400), 1.0, 1.0, 1.0),
    "square": (ring(4), 0.8862269255, 0.6366197724, np.sqrt(2)),
    "hexagon": (ring(6), 0.9523128, 6 * np.sqrt(3) / 8 * 4 / np.pi / 2, 2 / np.sqrt(3)),
    "triangle": (ring(3), 0.7775602, np.sqrt(3) / np.pi, 2 / np.sqrt(3)),
    "ellipse 1.5": (ring(400) * [1.5, 1], 0.9700706920, 2 / 3, 1.5),
    "ellipse 2": (ring(400) * [2, 1], 0.9171505771, 1 / 2, 2.0),
    "ellipse 3": (ring(400) * [3, 1], 0.8142823146, 1 / 3, 3.0),
    "ellipse 5": (ring(400) * [5, 1], 0.6687101227, 1 / 5, 5.0),
    "stadium": (stadium(), 0.9212443, 4 * (np.pi + 4) / np.pi / 16, 2.0),
}


@pytest.mark.outside(
    "Circularity of drawn discs, polygons, ellipses and a stadium, over all directions",
    source="exact geometry; ISO 9276-6 definition from memory, perimeter by Cauchy and Crofton",
    known="exact",
    tolerance="1 % for the raster",
)
@pytest.mark.outside(
    "Longest and shortest diameter (Feret) and roundness of drawn outlines",
    source="exact geometry; ISO 9276-6 definition from memory",
    known="exact",
    tolerance="1 pixel; roundness 5 %",
)
@pytest.mark.parametrize("name", OUTLINES)
def test_outlines_in_every_direction(name):
    corners, circularity, roundness, ratio = OUTLINES[name]
    rng = np.random.default_rng(7)
    scale = 40 / np.abs(corners).max() * 1.4
    rows = []
    for _ in range(40):
        centre = 70 + rng.uniform(-0.5, 0.5, 2)
        angle = rng.uniform(0, 2 * np.pi)
        mask = polygon2mask((141, 141), turned(corners * scale, angle, centre))
        rows.append(measure_regions(mask.astype(int)))
    table = pd.concat(rows)
    # Over all directions the four-direction perimeter is exact (Cauchy); 1 % for the raster.
    assert np.sqrt(4 * np.pi * table.area_um2.mean()) / table.perimeter_um.mean() == (
        pytest.approx(circularity, rel=0.01)
    )
    # The smallest within a pixel; the largest by scikit-image's convention, from pixel edge to
    # pixel edge of a hull that is itself drawn in pixels: at most a pixel more at either end.
    turn = np.linspace(0, np.pi, 721)
    extent = np.ptp(scale * (corners @ [np.cos(turn), np.sin(turn)]), axis=0)
    longest, shortest = extent.max(), extent.min()
    assert longest / shortest == pytest.approx(ratio, rel=2e-3)
    assert longest - 0.5 <= table.widest_um.mean() <= longest + 2
    assert table.narrowest_um.mean() == pytest.approx(shortest, abs=1.0)
    found = 4 * table.area_um2.mean() / np.pi / table.widest_um.mean() ** 2
    assert found == pytest.approx(roundness, rel=0.05)
    # A convex outline loses at most half a pixel all round to the raster of its hull.
    missing = table.area_um2 / table.solidity - table.area_um2
    assert (missing <= table.perimeter_um / 2).all()


def draw(outline, size, rng, side=90):
    centre = side / 2 + rng.uniform(-0.5, 0.5, 2)
    mask = polygon2mask((side, side), turned(outline * size, rng.uniform(0, 6), centre))
    return measure_regions(mask.astype(int))


def star(arms, depth):
    angle = np.linspace(0, 2 * np.pi, 300, endpoint=False)
    return ring(300) * (1 + depth * np.cos(arms * angle))[:, None]


@pytest.mark.parametrize(
    ("outline", "size", "expected"),
    [
        (ring(100), 3.3, "round"),
        (ring(100), 12, "round"),
        (ring(100) * [1.25, 1], 6, "round"),
        (ring(100) * [2, 1], 4, "elongated"),
        (ring(100) * [2, 1], 15, "elongated"),
        (star(5, 0.3), 12, "splashed"),
        (star(8, 0.2), 25, "splashed"),
        (ring(100), 2.0, "unresolved"),
    ],
)
def test_shape_classes(outline, size, expected):
    rng = np.random.default_rng(1)
    found = np.concatenate([shape_class(draw(outline, size, rng)) for _ in range(40)])
    assert (found == expected).all()


def test_classes_do_not_depend_on_the_unit():
    rng = np.random.default_rng(1)
    mask = polygon2mask((60, 60), turned(ring(90) * [2, 1] * 8, 0.3, 30)).astype(int)
    assert shape_class(measure_regions(mask, pixel_size=0.1), pixel_size=0.1)[0] == "elongated"
    small = draw(ring(90), 2.0, rng)
    assert shape_class(small)[0] == "unresolved"


@pytest.mark.outside(
    "Interval of the share of a shape class, 6 of 8",
    source="Wilson's score by statsmodels: 0.4093 to 0.9285",
    known="computed",
    tolerance="half the last printed digit",
)
def test_shares_by_hand():
    classes = np.array(["round"] * 6 + ["splashed"] * 2 + ["unresolved"] * 2)
    table = shape_shares(classes).set_index("shape")
    assert table.share["round"] == 0.75
    assert table.share["splashed"] == 0.25
    assert table.share["elongated"] == 0
    assert table.share["unresolved"] == 0.2
    assert table.loc["round", ["share_low", "share_high"]].tolist() == pytest.approx(
        [0.4093, 0.9285], abs=5e-5
    )
    weighted = shape_shares(classes, weights=[2] * 6 + [0] * 2 + [1] * 2).set_index("shape")
    assert weighted.share["round"] == 1
    assert shape_shares([]).share.isna().all()


def field_with_satellites(seed, n_near, n_free):
    """Return labels: 12 large droplets, small ones near their rims, small ones anywhere."""
    rng = np.random.default_rng(seed)
    side = 400
    labels = np.zeros((side, side), dtype=np.int32)
    large = np.array([(y, x) for y in (60, 160, 260, 340) for x in (70, 200, 330)], dtype=float)
    y, x = np.mgrid[:side, :side]
    number = 0

    def add(cy, cx, r):
        nonlocal number
        inside = (y - cy) ** 2 + (x - cx) ** 2 <= r * r
        wider = (y - cy) ** 2 + (x - cx) ** 2 <= (r + 2) ** 2
        if labels[wider].any() or not (r < cy < side - r and r < cx < side - r):
            return False
        number += 1
        labels[inside] = number
        return True

    for cy, cx in large:
        add(cy, cx, 20)
    near = 0
    while near < n_near:
        cy, cx = large[rng.integers(len(large))]
        angle = rng.uniform(0, 2 * np.pi)
        reach = 20 + 3 + rng.uniform(1, 5)
        near += add(cy + reach * np.sin(angle), cx + reach * np.cos(angle), rng.uniform(2, 3))
    free = 0
    while free < n_free:
        free += add(*rng.uniform(5, side - 5, 2), rng.uniform(2, 3))
    return labels


def test_satellites_are_found_and_not_invented():
    labels = field_with_satellites(0, 50, 100)
    found = satellites(labels, droplets_of(labels), n_shifts=199)
    assert found.n_large == 12
    assert found.excess > 1.5
    assert found.excess > found.excess_high
    assert found.p_value <= 0.01
    none = []
    for seed in range(1, 7):
        labels = field_with_satellites(seed, 0, 120)
        none.append(satellites(labels, droplets_of(labels), n_shifts=199, seed=seed))
    assert sum(s.p_value <= 0.05 for s in none) <= 2
    assert np.mean([s.excess for s in none]) == pytest.approx(1, abs=0.25)


def test_satellites_need_two_sizes():
    labels = np.zeros((100, 100), dtype=np.int32)
    for k, (row, column) in enumerate(np.ndindex(6, 6)):
        labels[row * 16 : row * 16 + 5, column * 16 : column * 16 + 5] = k + 1
    found = satellites(labels, droplets_of(labels))
    assert np.isnan(found.excess)
    assert "too alike" in found.reason
    few = satellites(labels * (labels < 9), droplets_of(labels * (labels < 9)))
    assert few.reason == "fewer than 20 droplets"


def findings(**more):
    classes = np.array(["round"] * 90 + ["splashed"] * 5 + ["elongated"] * 5)
    values = {
        "shares": {"share_droplets": 0.8, "share_droplets_low": 0.78, "share_droplets_high": 0.82},
        "n_droplets": 100,
        "n_streaks": 0,
        "shapes": shape_shares(classes),
        "coverage": 0.3,
        "texture": 4.0,
        "smallest": 0.5,
        "unit": "um",
        **more,
    }
    return evidence(Findings(**values)).set_index("alternative")


def test_evidence_names_every_alternative_and_both_sides():
    table = findings()
    assert list(table.index) == [
        "molten drops", "streaks and splashes", "vapour or fine haze", "continuous film",
    ]  # fmt: skip
    drops = table.loc["molten drops"]
    assert drops.share == 0.8
    assert any("80 % of the metal signal" in s for s in drops.speaks_for)
    assert any("90 % of the resolved droplets are round" in s for s in drops.speaks_for)
    assert "No streak was found." in table.loc["streaks and splashes"].speaks_against
    assert any("30 %" in s for s in table.loc["continuous film"].speaks_against)
    assert np.isnan(table.loc["vapour or fine haze"].share)
    assert table.next_step.str.len().min() > 20


def test_where_no_streak_was_found_no_share_of_streaks_is_argued():
    none = findings(shares={"share_streaks": 0.0, "share_streaks_low": 0.0})
    assert none.loc["streaks and splashes"].speaks_against == ("No streak was found.",)


def test_haze_within_its_interval_of_nothing_speaks_against():
    shares = {"share_haze": 0.1, "share_haze_low": -0.01, "share_haze_high": 0.2}
    row = findings(shares=shares).loc["vapour or fine haze"]
    assert row.speaks_for == ()
    assert any("(0.0 to 20 %)" in s for s in row.speaks_against)
    much = findings(shares={"share_haze": 0.4, "share_haze_low": 0.3, "share_haze_high": 0.5})
    row = much.loc["vapour or fine haze"]
    assert len(row.speaks_for) == 1
    assert any("(30 to 50 %)" in s for s in row.speaks_for)
    # What cannot be told apart is said.
    assert any("Droplets below 0.5 µm would look the same" in s for s in row.speaks_against)


def test_satellites_and_films_count_as_evidence():
    table = findings(satellites_excess=2.0, satellites_p=0.002, n_streaks=3, coverage=0.97)
    assert any("rims" in s for s in table.loc["molten drops"].speaks_for)
    assert "3 streaks were found." in table.loc["streaks and splashes"].speaks_for
    assert any("97 %" in s for s in table.loc["continuous film"].speaks_for)


def test_an_empty_field_speaks_against_drops():
    row = findings(n_droplets=0, shares={}, shapes=shape_shares([]), coverage=0.0, texture=0.0).loc[
        "molten drops"
    ]
    assert row.speaks_for == ()
    assert any("No droplet of 0.5 µm or more" in s for s in row.speaks_against)


def test_confidence_falls_towards_the_smallest_trusted_size_and_for_what_was_parted():
    sizes = np.array([0.1, 0.6, 1.0, 1.35, 3.0, 20.0])
    alone, parted = (as_drawn(sizes, np.full(6, one)) for one in (False, True))
    assert (np.diff(alone) >= 0).all()
    assert (parted < alone).all()
    assert alone[3] == pytest.approx(0.94)
    assert parted[3] == pytest.approx(0.4 * 0.94 / (0.4 * 0.94 + 0.06))

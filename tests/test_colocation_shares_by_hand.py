"""Shares and spectral background on maps whose shares follow from how they were put together."""

from dataclasses import FrozenInstanceError

import numpy as np
import pytest

from spattermap.core.errors import InputError
from spattermap.core.mapset import Roles, make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.verdict.shares import (
    Background,
    background_levels,
    mean_atomic_number,
    share_in_droplets,
    share_with_alloy,
    shares,
)

QUICK = Settings(n_resamples=200)
ROLES = Roles(("Cu", "Zn"), ("Si",), ("Cl",))
METALS = Roles(("Cu", "Zn"), ())


def moments_of(planes, *, labels=None, n_droplets=0, block_px=4, noise=0.0):
    """Block moments of noiseless maps, so that every share is exact."""
    elements = list(planes)
    maps = make_map_set(np.array(list(planes.values()), float), elements, quantity="net_counts")
    return block_moments(
        maps,
        block_px=block_px,
        labels=labels,
        n_droplets=n_droplets,
        noise=noise * np.eye(len(elements)),
    )


def scene(seed=1, side=16):
    """Return droplets, a streak, and alloy and glass signals that are no mirror images."""
    rng = np.random.default_rng(seed)
    labels = np.zeros((side, side), dtype=int)
    labels[rng.random(labels.shape) < 0.35] = 1
    labels[3:5] = 2
    metal = labels > 0
    alloy = np.where(metal, 4 + rng.random(labels.shape), 0.0)
    glass = np.where(metal, 1.0, 5.0) + 3 * rng.random(labels.shape)
    return labels, metal, alloy, glass


# --- Background ----------------------------------------------------------------------------------
@pytest.mark.outside(
    "Mean atomic number of an alloy and of silica",
    source="mass-weighted, by hand: 0.7 * 29 + 0.3 * 30 and 0.467 * 14 + 0.533 * 8",
    known="exact",
    tolerance="1e-12",
)
def test_mean_atomic_number():
    assert mean_atomic_number({"Cu": 70, "Zn": 30}) == pytest.approx(29.3, rel=1e-12)
    assert mean_atomic_number({"Cu": 0.7, "Zn": 0.3}) == pytest.approx(29.3, rel=1e-12)
    assert mean_atomic_number({"Si": 46.7, "O": 53.3}) == pytest.approx(10.802, rel=1e-12)


@pytest.mark.parametrize("nothing", [{}, {"Cu": 0.0}, {"Cu": float("nan")}])
def test_a_composition_of_nothing_is_refused(nothing):
    with pytest.raises(InputError, match="composition must hold a positive mass percent"):
        mean_atomic_number(nothing)


def test_background_rises_with_the_atomic_number():
    # Calcium (20) on carbon (6)... twice as high on Z = 12: magnesium under chromium (24).
    bare = {"Sn": (1.0, 2.0), "Zn": (0.0, 0.5)}
    level = Background.rising(bare, metal={"Cr": 100.0}, substrate={"Mg": 100.0})
    assert level.bare == bare
    # Twice as high, with a fifth of tolerance to either side.
    assert level.metal["Sn"] == pytest.approx((1.6, 4.8), rel=1e-12)
    assert level.metal["Zn"] == pytest.approx((0.0, 1.2), rel=1e-12)
    exact = Background.rising(bare, metal={"Cr": 100.0}, substrate={"Mg": 100.0}, tolerance=0.0)
    assert exact.metal["Sn"] == pytest.approx((2.0, 4.0), rel=1e-12)
    assert exact.fraction == 0


def test_corner_cases_of_the_background():
    # Four pixels of glass with 2 counts, three of droplet with 6, one of streak with 10.
    labels = np.array([[0, 0, 0, 0], [1, 1, 1, 2]])
    plane = np.array([[2, 2, 2, 2], [6, 6, 6, 10]])
    moments = moments_of({"Sn": plane}, labels=labels, n_droplets=1, block_px=2)
    assert background_levels(moments, "Sn", None) == [(0.0, 0.0)]
    # Of what is not known anything up to the fraction of the class mean (2 and 7) is possible.
    bounded = background_levels(moments, "Sn", Background(fraction=0.5))
    assert bounded[0] == (0.0, 0.0)
    assert sorted(bounded[1:]) == [(0.0, 0.0), (0.0, 3.5), (1.0, 0.0), (1.0, 3.5)]
    # The middle of what is known is the best guess, each class by itself.
    half = background_levels(moments, "Sn", Background(bare={"Sn": (0.5, 1.5)}, fraction=0.5))
    assert half[0] == (1.0, 0.0)
    assert sorted(half[1:]) == [(0.5, 0.0), (0.5, 3.5), (1.5, 0.0), (1.5, 3.5)]
    both = Background(bare={"Sn": (0.5, 1.5)}, metal={"Sn": (2.0, 6.0)})
    assert background_levels(moments, "Sn", both)[0] == (1.0, 4.0)
    other = Background(bare={"Cu": (9.0, 9.0)}, metal={"Cu": (9.0, 9.0)})
    assert set(background_levels(moments, "Sn", other)) == {(0.0, 0.0)}


def test_a_class_without_pixels_does_not_touch_the_others():
    # Droplets without streaks, and streaks without droplets: 2 counts on glass, 6 on metal.
    plane = np.array([[2, 2, 2, 6]])
    for label in (1, 2):
        labels = np.array([[0, 0, 0, label]])
        moments = moments_of({"Sn": plane}, labels=labels, n_droplets=1, block_px=1)
        assert background_levels(moments, "Sn", Background(fraction=0.5))[-1] == (1.0, 3.0)


def test_what_is_known_of_the_background_is_not_changed_in_place():
    with pytest.raises(FrozenInstanceError):
        Background().fraction = 0.5


def test_background_of_an_empty_class_is_that_of_the_whole():
    plane = np.array([[2, 2, 4, 4]])
    for label in (0, 1):  # nothing but glass, nothing but droplet; and no labels at all
        moments = moments_of({"Sn": plane}, labels=np.full((1, 4), label), n_droplets=1, block_px=1)
        levels = background_levels(moments, "Sn", Background(fraction=0.5))
        assert levels[-1] == (1.5, 1.5)
    assert background_levels(moments_of({"Sn": plane}), "Sn", Background(fraction=0.5))[-1] == (
        1.5,
        1.5,
    )


# --- Shares by class -----------------------------------------------------------------------------
def test_streaks_stand_on_metal_background_too():
    labels = np.zeros((8, 8), dtype=int)
    labels[:2], labels[2:4] = 1, 2
    plane = np.full((8, 8), 2.0)
    plane[:2], plane[2:4] = 5.0, 4.0
    moments = moments_of({"Cu": plane}, labels=labels, n_droplets=1, block_px=2)
    level = Background(bare={"Cu": (1.0, 1.0)}, metal={"Cu": (2.0, 2.0)})
    # Net signal a row: 3 in droplets, 2 in streaks, 1 on glass; over 2, 2 and 4 rows of 14 in all.
    found = {
        of: share_in_droplets(moments, "Cu", of=of, background=level).share
        for of in ("droplet", "streak", "bare")
    }
    assert found == pytest.approx({"droplet": 6 / 14, "streak": 4 / 14, "bare": 4 / 14})
    assert share_in_droplets(moments, "Cu", background=level).share == pytest.approx(6 / 14)


def test_bounds_of_the_background_span_the_interval():
    # Every block holds the same, so that only the background is uncertain.
    labels = np.tile([[0, 1], [0, 1]], (4, 4))
    plane = np.where(labels > 0, 6.0, 2.0)
    moments = moments_of({"Cu": plane}, labels=labels, n_droplets=1, block_px=2)
    level = Background(bare={"Cu": (0.0, 1.0)}, metal={"Cu": (0.0, 4.0)})
    found = share_in_droplets(moments, "Cu", background=level, settings=QUICK)
    # The guess is the middle, 0.5 and 2; the ends are 2/(2+2), and 6/(6+1).
    assert found.share == pytest.approx(4 / 5.5)
    assert (found.low, found.high) == pytest.approx((2 / 4, 6 / 7))
    assert found.note == ""


def test_shares_stay_parts_of_a_whole():
    # Less than nothing on glass: the droplets would hold more than all.
    rng = np.random.default_rng(2)
    labels = np.tile([[0, 1], [0, 1]], (8, 8))
    plane = np.where(labels > 0, 6.0, 0.0) + rng.normal(-0.5, 0.5, labels.shape)
    moments = moments_of({"Cu": plane}, labels=labels, n_droplets=1, block_px=2)
    inside = share_in_droplets(moments, "Cu", settings=QUICK)
    bare = share_in_droplets(moments, "Cu", of="bare", settings=QUICK)
    assert inside.share > 1
    assert inside.high == 1
    assert bare.share < 0
    assert bare.low == 0


def test_no_signal_has_no_shares():
    labels = np.tile([[0, 1]], (4, 4))
    for plane in (np.zeros((4, 8)), np.full((4, 8), -1.0), np.full((4, 8), -1e-4)):
        moments = moments_of({"Cu": plane}, labels=labels, n_droplets=1, block_px=2)
        assert np.isnan(share_in_droplets(moments, "Cu", settings=QUICK).share)
    unlabelled = share_in_droplets(moments_of({"Cu": np.ones((4, 8))}), "Cu")
    assert "not divided into droplets" in unlabelled.note
    with pytest.raises(InputError, match="of must be a known name"):
        share_in_droplets(moments, "Cu", of="glass")


def test_one_block_gives_a_share_without_interval():
    labels = np.tile([[0, 1]], (4, 2))
    moments = moments_of({"Cu": 1.0 + labels}, labels=labels, n_droplets=1, block_px=4)
    found = share_in_droplets(moments, "Cu")
    assert found.share == pytest.approx(2 / 3)
    assert np.isnan(found.low)
    assert found.note == "the field is too small for an interval"


# --- What follows the alloy ----------------------------------------------------------------------
@pytest.mark.parametrize("noise", [0.0, 0.3])
def test_share_with_alloy_is_the_slope_times_the_ratio_of_means(noise):
    rng = np.random.default_rng(3)
    cu, ni, zn = rng.random((3, 16, 16)) + 1
    zn += 0.3 * cu + 0.2 * ni
    noise /= 10
    moments = moments_of({"Cu": cu, "Ni": ni, "Zn": zn}, noise=noise)
    found = share_with_alloy(moments, "Zn", Roles(("Cu", "Ni", "Zn"), ()), settings=QUICK)
    partner = cu + ni  # leave-one-out: zinc never explains itself
    c = np.cov(partner.ravel(), zn.ravel())
    # The noise of the sum of two elements: 2 `noise` a pixel, of which 255 of 256 are left.
    slope = c[0, 1] / (c[0, 0] - 2 * noise)
    assert found.share == pytest.approx(slope * partner.mean() / zn.mean(), rel=1e-9)
    assert found.low < found.share < found.high


def test_an_element_against_the_alloy_has_a_negative_share():
    rng = np.random.default_rng(4)
    cu = rng.random((16, 16))
    moments = moments_of({"Cu": cu, "Zn": 3 - cu})
    found = share_with_alloy(moments, "Zn", Roles(("Cu", "Zn"), ()), settings=QUICK)
    assert found.share == pytest.approx(-cu.mean() / (3 - cu).mean(), rel=1e-9)


def test_division_is_exact_where_the_maps_are():
    labels, _, alloy, glass = scene()
    zinc = 0.5 * alloy + 0.25 * glass + 0.5
    moments = moments_of({"Cu": alloy, "Zn": zinc, "Si": glass}, labels=labels, n_droplets=1)
    row = shares(moments, ROLES, settings=QUICK).set_index("element").loc["Zn"]
    whole = zinc.mean()
    assert row.follows_alloy == pytest.approx(0.5 * alloy.mean() / whole, rel=1e-9)
    assert row.follows_substrate == pytest.approx(0.25 * glass.mean() / whole, rel=1e-9)
    assert row.follows_neither == pytest.approx(0.5 / whole, rel=1e-9)
    c = np.cov(np.stack([alloy, zinc]).reshape(2, -1))
    alone = c[0, 1] / c[0, 0] * alloy.mean() / whole
    assert row.share_with_alloy == pytest.approx(alone, rel=1e-9)
    assert row.share_in_streaks == pytest.approx(zinc[labels == 2].sum() / zinc.sum(), rel=1e-9)
    assert row.role == "alloy"
    assert row.note == ""


@pytest.mark.parametrize("with_streak", [True, False])
def test_a_known_background_is_nobodys_share(with_streak):
    # Background of 0.5 on glass and 2 under metal, which follows the metal but is no zinc.
    labels, metal, alloy, glass = scene()
    if not with_streak:
        labels = np.minimum(labels, 1)
    seen = 0.5 * alloy + 0.25 * glass + np.where(metal, 2.0, 0.5)
    planes = {"Cu": alloy, "Zn": seen, "Si": glass}
    moments = moments_of(planes, labels=labels, n_droplets=1)
    level = Background(bare={"Zn": (0.5, 0.5)}, metal={"Zn": (2.0, 2.0)})
    row = shares(moments, ROLES, background=level, settings=QUICK).set_index("element").loc["Zn"]
    whole = (0.5 * alloy + 0.25 * glass).mean()
    assert row.follows_alloy == pytest.approx(0.5 * alloy.mean() / whole, rel=1e-9)
    assert row.follows_substrate == pytest.approx(0.25 * glass.mean() / whole, rel=1e-9)
    assert row.follows_neither == pytest.approx(0, abs=1e-9)
    only = {"Cu": alloy, "Zn": 0.5 * alloy + np.where(metal, 2.0, 0.5)}
    alone = share_with_alloy(
        moments_of(only, labels=labels, n_droplets=1), "Zn", METALS,
        background=level, settings=QUICK,
    )  # fmt: skip
    assert alone.share == pytest.approx(1, rel=1e-9)
    assert (alone.low, alone.high) == pytest.approx((1, 1), rel=1e-9)


def test_background_under_fields_counted_longer_is_nobodys_share_either():
    # The second field holds more metal and three times the counts: between fields the background
    # rises with the alloy, but within each it follows the metal alone.
    level = Background(bare={"Zn": (0.5, 0.5)}, metal={"Zn": (2.0, 2.0)})
    fields = []
    for seed, dose in ((11, 1.0), (12, 3.0)):
        labels, _, alloy, _ = scene(seed)
        labels[:, :4] = seed - 11  # more or less of the field is covered
        alloy = dose * np.where(labels > 0, 1 + alloy, 0.0)
        zinc = 0.5 * alloy + np.where(labels > 0, 2.0, 0.5)
        fields.append(moments_of({"Cu": alloy, "Zn": zinc}, labels=labels, n_droplets=1))
    found = share_with_alloy(
        fields[0].merge(fields[1]), "Zn", METALS, background=level, settings=QUICK
    )
    assert found.share == pytest.approx(1, rel=1e-9)
    assert (found.low, found.high) == pytest.approx((1, 1), rel=1e-9)


@pytest.mark.parametrize(
    ("sign", "words", "avoids"),
    [
        (-1, "mirror each other (r squared 1.00)", "avoids"),
        (1, "rise and fall together", "follows"),
    ],
)
def test_signals_that_are_one_cannot_be_parted(sign, words, avoids):
    rng = np.random.default_rng(5)
    cu = rng.random((16, 16))
    moments = moments_of({"Cu": cu, "Zn": cu, "Si": 5 + sign * cu})
    row = shares(moments, ROLES, settings=QUICK).set_index("element").loc["Zn"]
    assert np.isnan([row.follows_alloy, row.follows_substrate, row.follows_neither]).all()
    assert words in row.note
    assert f"cannot be told from what {avoids} the other" in row.note
    assert row.share_with_alloy == pytest.approx(1, rel=1e-9)


@pytest.mark.parametrize(("r2", "divided"), [(0.88, True), (0.92, False)])
def test_signals_are_parted_up_to_nine_tenths(r2, divided):
    # Orthogonal patterns by construction: columns and rows of a chequered field.
    y, x = np.indices((16, 16))
    p, q = np.where(x % 2, 1.0, -1.0), np.where(y % 2, 1.0, -1.0)
    glass = 9 - np.sqrt(r2) * p + np.sqrt(1 - r2) * q
    moments = moments_of({"Cu": 5 + p, "Zn": 3 + p + 0.5 * q, "Si": glass})
    row = shares(moments, ROLES, settings=QUICK).set_index("element").loc["Zn"]
    assert np.isfinite(row.follows_alloy) == divided
    assert ("r squared 0.92" in row.note) != divided


def test_flat_signals_are_named():
    rng = np.random.default_rng(6)
    cu, flat = rng.random((16, 16)), np.full((16, 16), 2.0)
    flat_glass = shares(moments_of({"Cu": cu, "Zn": cu, "Si": flat}), ROLES, settings=QUICK)
    assert "alloy and substrate signals do not both vary" in flat_glass.note[1]
    assert flat_glass.share_with_alloy[1] == pytest.approx(1)
    no_glass = shares(moments_of({"Cu": cu, "Zn": cu}), METALS, settings=QUICK)
    assert "no other substrate element was mapped" in no_glass.note[1]
    flat_alloy = share_with_alloy(moments_of({"Cu": flat, "Zn": cu}), "Zn", METALS, settings=QUICK)
    assert flat_alloy.note == "no variation of the alloy signal beyond the noise"
    nothing = share_with_alloy(moments_of({"Cu": cu, "Zn": 0 * cu}), "Zn", METALS, settings=QUICK)
    assert nothing.note == "no signal of Zn beyond the background"
    alone = share_with_alloy(moments_of({"Cu": cu}), "Cu", Roles(("Cu",), ()), settings=QUICK)
    assert alone.note == "no other alloy element was mapped"


# --- The shadow of the substrate -----------------------------------------------------------------


# --- The table -----------------------------------------------------------------------------------
def test_table_of_shares_holds_every_share_under_its_name():
    labels, _, alloy, glass = scene(seed=8)
    planes = {"Cu": alloy, "Zn": 0.5 * alloy + glass, "Si": glass, "Cl": 0 * glass + 1}
    moments = moments_of(planes, labels=labels, n_droplets=1)
    table = shares(moments, ROLES, settings=QUICK).set_index("element")
    assert table.role.tolist() == ["alloy", "alloy", "substrate", "other"]
    for column, of in (("droplets", "droplet"), ("streaks", "streak"), ("bare", "bare")):
        for element in planes:
            found = share_in_droplets(moments, element, of=of, settings=QUICK)
            row = table.loc[element]
            told = [row[f"share_in_{column}{end}"] for end in ("", "_low", "_high")]
            assert told == pytest.approx([found.share, found.low, found.high], nan_ok=True)
    found = share_with_alloy(moments, "Zn", ROLES, settings=QUICK)
    assert table.share_with_alloy_low["Zn"] == found.low
    assert table.share_with_alloy_high["Zn"] == found.high
    # Each part of the sum has its own sign: silicon, hidden by metal, follows it with less than 0.
    assert table.share_with_alloy["Si"] < 0
    assert table.note["Si"] == "no other substrate element was mapped"


def test_fields_that_disagree_are_told_with_the_share():
    rng = np.random.default_rng(9)
    fields = []
    for part in (0.2, 0.9, 0.5):
        cu = rng.random((16, 16))
        zn = part * cu + 0.1 * (1 - part) * rng.random((16, 16))
        fields.append(moments_of({"Cu": cu, "Zn": zn + (0.9 - part) * 0.5}))
    merged = fields[0].merge(fields[1]).merge(fields[2])
    found = share_with_alloy(merged, "Zn", METALS, settings=QUICK)
    assert found.p_fields < 0.01
    assert found.note == "the fields disagree beyond chance"
    same = fields[0].merge(fields[0])
    alike = share_with_alloy(same, "Zn", METALS, settings=QUICK)
    assert alike.p_fields == pytest.approx(1)
    assert alike.note == ""


def test_unknown_noise_refuses_what_it_enters_and_no_more():
    labels, _, alloy, glass = scene()
    planes = {"Cu": alloy, "Zn": 0.5 * alloy, "Si": glass}
    maps = make_map_set(np.array(list(planes.values())), list(planes), quantity="net_counts")

    def with_noise(*parts):
        moments = block_moments(maps, block_px=4, labels=labels, n_droplets=1,
                                noise=np.diag(parts))  # fmt: skip
        return moments, share_with_alloy(moments, "Zn", ROLES, settings=QUICK)

    for unknown in ((np.nan, 0, 0), (0, np.nan, 0)):
        found = with_noise(*unknown)[1]
        assert np.isnan(found.share)
        assert found.note.startswith("the noise of these maps")
    moments, found = with_noise(0, 0, np.nan)
    assert found.share == pytest.approx(1)
    row = shares(moments, ROLES, settings=QUICK).iloc[1]
    assert np.isnan(row.follows_alloy)
    assert row.note.startswith("the noise of these maps")

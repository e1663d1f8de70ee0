"""The verdict on small scenes whose numbers can be worked by hand, and on made deposits."""

import numpy as np
import pandas as pd
import pytest

from divided_by_hand import divided
from spattermap.core.errors import InputError
from spattermap.core.mapset import facts, make_map_set, stated_roles
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.synthesis import SODA_LIME, Deposit, Layer, make_blank, make_deposit
from spattermap.verdict.gather import gather
from spattermap.verdict.judging import judge
from spattermap.verdict.rules import CONDITIONS
from spattermap.verdict.weighing import evidence_of
from spattermap.verdict.zones import DROPLET, FAR, RIM, zone_map, zone_sums

FIXED_COLUMNS = [
    "element", "line", "role", "mean_counts", "detection_limit_counts",
    "share_in_droplets", "share_in_droplets_low", "share_in_droplets_high",
    "share_with_alloy", "share_with_alloy_low", "share_with_alloy_high",
    "r_alloy", "r_alloy_low", "r_alloy_high", "r_substrate", "r_substrate_low", "r_substrate_high",
    "p_value", "verdict", "reasons", "next_step",
]  # fmt: skip
WORDS = {
    "with_alloy", "partly_separated", "separated", "substrate", "foreign", "undecided",
    "not_detected",
}  # fmt: skip
QUICK = Settings(n_resamples=200)


def verdicts(maps, labels, n_droplets, *, blank=None, settings=QUICK, blur_px=1.0):
    known = facts(maps)
    roles = stated_roles(
        [str(e) for e in maps["element"].values],
        alloy=list(known.alloy),
        substrate=list(known.substrate),
        how="stated",
    )
    moments = block_moments(maps, labels=labels, n_droplets=n_droplets)
    found = divided(labels, n_droplets, blur_px=blur_px)
    context = gather(maps, moments, roles, found, blank=blank, settings=settings)
    return judge(context).set_index("element", drop=False)


def made(spec, *, seed=3, blank=True):
    scene = make_deposit(spec, seed=seed)
    plate = make_blank(spec, seed=seed + 1000).maps if blank else None
    table = verdicts(
        scene.maps, scene.labels, scene.truth["droplet_count"], blank=plate, blur_px=spec.blur_px
    )
    return table, scene.truth


def test_zones_keep_the_blurred_edge_apart():
    metal = np.zeros((21, 21), bool)
    metal[10, 10] = True
    far, rim = zone_map(metal, 1.0, np.ones_like(metal))
    assert rim == 4.0  # three standard deviations and a pixel
    assert not far[10, 14]
    assert far[10, 15]
    assert not far[10, 10]


def test_zone_sums_add_up_and_respect_the_mask():
    counts = np.ones((1, 8, 8))
    valid = np.ones((8, 8), bool)
    valid[0, 0] = False
    labels = np.zeros((8, 8), np.int32)
    labels[4, 4] = 1
    maps = make_map_set(counts, ["Cu"], valid=valid)
    sums = zone_sums(maps, labels, block_px=4, n_droplets=1, blur_px=0.5)
    assert sums.n.shape == (4, 4)
    assert sums.n.sum() == 63
    assert sums.s.sum() == 63
    assert sums.n[:, DROPLET].sum() == 1
    assert sums.n[:, FAR].sum() + sums.n[:, RIM].sum() == 62
    merged = sums.merge(sums)
    assert merged.n.sum() == 126


def squares(size=64, side=8):
    """Four square droplets."""
    labels = np.zeros((size, size), np.int32)
    for label, (y, x) in enumerate(((8, 8), (8, 40), (40, 8), (40, 40)), start=1):
        labels[y : y + side, x : x + side] = label
    return labels


@pytest.mark.outside(
    "Shares of an element in droplets and apart from the alloy",
    source="four square droplets by hand: 1536 / 5376 and 3840 / 5376",
    known="exact",
    tolerance="1e-12",
)
def test_shares_by_hand():
    """Cu 12 on metal; Zn 6 on metal and 1 between; the blank holds neither: 4 x 64 pixels of metal.

    Zn: 256 x 6 = 1536 in droplets, 3840 x 1 between, so 1536 / 5376 = 0.2857 follow.
    """
    labels = squares()
    metal = labels > 0
    counts = np.stack([
        np.where(metal, 12.0, 0.0), np.where(metal, 6.0, 1.0), np.where(metal, 0.0, 5.0)
    ])  # fmt: skip
    plain = {"alloy": {"Cu": 70.0, "Zn": 30.0}, "substrate": ["Si"]}
    maps = make_map_set(counts, ["Cu", "Zn", "Si"], **plain)
    blank = make_map_set(
        np.stack([np.zeros((64, 64)), np.zeros((64, 64)), np.full((64, 64), 5.0)]),
        ["Cu", "Zn", "Si"],
    )
    table = verdicts(maps, labels, 4, blank=blank)
    zinc = table.loc["Zn"]
    assert zinc["share_in_droplets"] == pytest.approx(1536 / 5376, rel=1e-12)
    assert zinc["share_with_alloy"] == pytest.approx(1536 / 5376, rel=1e-12)
    assert zinc["share_not_following"] == pytest.approx(3840 / 5376, rel=1e-12)
    assert zinc["verdict"] == "partly_separated"
    assert table.loc["Cu", "verdict"] == "with_alloy"
    assert table.loc["Si", "verdict"] == "substrate"
    assert table.loc["Si", "share_in_droplets"] == 0.0


@pytest.mark.outside(
    "Haze of the whole alloy is no separation",
    source="a tenth of both elements between droplets, by hand",
    known="exact",
    tolerance="1e-12",
)
def test_haze_of_the_alloy_is_no_separation_by_hand():
    """Between the deposits a tenth of both: the ratio is the same, so nothing lies apart."""
    labels = squares()
    metal = labels > 0
    counts = np.stack([
        np.where(metal, 12.0, 1.2), np.where(metal, 6.0, 0.6), np.where(metal, 0.0, 5.0)
    ])  # fmt: skip
    maps = make_map_set(
        counts, ["Cu", "Zn", "Si"], alloy={"Cu": 70.0, "Zn": 30.0}, substrate=["Si"],
        lines=["Cu Ka", "Zn Ka", "Si Ka"], beam_energy_keV=20.0,
    )  # fmt: skip
    blank = make_map_set(counts * np.array([0.0, 0.0, 1.0])[:, None, None], ["Cu", "Zn", "Si"])
    zinc = verdicts(maps, labels, 4, blank=blank).loc["Zn"]
    assert zinc["share_not_following"] == pytest.approx(0.0, abs=1e-12)
    assert zinc["share_in_droplets"] == pytest.approx(256 * 6 / (256 * 6 + 3840 * 0.6), rel=1e-12)
    assert zinc["verdict"] == "with_alloy"


def test_the_table_has_the_fixed_columns_and_words():
    table, _ = made(Deposit(shape=(128, 128)))
    assert list(table.columns)[: len(FIXED_COLUMNS)] == FIXED_COLUMNS
    assert set(table["verdict"]) <= WORDS
    assert {condition.verdict for condition in CONDITIONS} <= WORDS
    assert (table["reasons"].str.len() > 0).all()


def test_maps_and_blank_are_not_changed_and_the_seed_decides():
    spec = Deposit(shape=(96, 96))
    scene, plate = make_deposit(spec, seed=1), make_blank(spec, seed=2).maps
    before, blank_before = scene.maps.copy(deep=True), plate.copy(deep=True)
    n = scene.truth["droplet_count"]
    one = verdicts(scene.maps, scene.labels, n, blank=plate)
    two = verdicts(scene.maps, scene.labels, n, blank=plate)
    pd.testing.assert_frame_equal(one, two)
    assert before.identical(scene.maps)
    assert blank_before.identical(plate)


SMALL = Deposit(shape=(192, 192), counts_per_pixel=4.0)
CASES = {
    "kept": (SMALL, True, {"Cu": "with_alloy", "Zn": "with_alloy"}),
    "kept, no blank": (SMALL, False, {"Cu": "with_alloy", "Zn": "with_alloy"}),
    "film between": (
        SMALL.with_changes(layers=(Layer("Zn", "between", share=0.5),)),
        True,
        {"Cu": "with_alloy", "Zn": "partly_separated"},
    ),
    "film between, no blank": (
        SMALL.with_changes(layers=(Layer("Zn", "between", share=0.5),)),
        False,
        {"Cu": "with_alloy", "Zn": "undecided"},
    ),
    "patches, no blank": (
        # 5 % of the zinc is left in the droplets: no alloy that the copper came down with.
        SMALL.with_changes(layers=(Layer("Zn", "patchy", share=0.95),)),
        False,
        {"Cu": "undecided", "Zn": "separated"},
    ),
    "foreign film": (
        SMALL.with_changes(layers=(Layer("Sn", "between", counts=0.5),)),
        True,
        {"Cu": "with_alloy", "Zn": "with_alloy", "Sn": "foreign"},
    ),
    "rising background": (
        SMALL.with_changes(background=0.06, extra_elements=("Fe", "Ti")),
        True,
        {"Cu": "with_alloy", "Zn": "with_alloy", "Fe": "not_detected", "Ti": "not_detected"},
    ),
    "one metal": (
        SMALL.with_changes(alloy={"Mo": 100.0}),
        True,
        {"Mo": "with_alloy", "Si": "substrate", "O": "substrate"},
    ),
    "soda-lime glass": (
        SMALL.with_changes(substrate=SODA_LIME),
        True,
        {"Cu": "with_alloy", "Na": "substrate", "Ca": "substrate", "Al": "substrate"},
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_words_on_made_deposits(case):
    spec, blank, expected = CASES[case]
    table, _ = made(spec, blank=blank)
    assert {e: table.loc[e, "verdict"] for e in expected} == expected


def test_an_undecided_film_asks_for_a_blank():
    spec, _, _ = CASES["film between, no blank"]
    table, _ = made(spec, blank=False)
    assert "Map a bare plate under the same conditions" in table.loc["Zn", "next_step"]


def test_few_counts_do_not_pretend():
    spec = SMALL.with_changes(alloy={"Cu": 95.0, "Sn": 5.0}, counts_per_pixel=0.15)
    table, _ = made(spec)
    assert table.loc["Sn", "verdict"] in ("undecided", "not_detected")


def test_a_leaking_line_is_no_evidence():
    spec = SMALL.with_changes(
        alloy={"Cu": 100.0}, extra_elements=("Zn",), leaks={("Zn", "Cu"): 0.03}
    )
    table, _ = made(spec)
    assert table.loc["Zn", "verdict"] in ("undecided", "not_detected")
    assert "Lines of Cu may leak" in table.loc["Zn", "reasons"]


def test_no_metal_found_is_not_a_crash():
    maps = make_map_set(np.full((2, 32, 32), 3.0), ["Cu", "Zn"], alloy={"Cu": 70.0, "Zn": 30.0})
    table = verdicts(maps, np.zeros((32, 32), np.int32), 0)
    assert set(table["verdict"]) == {"undecided"}


def test_the_share_agrees_with_the_truth():
    spec = SMALL.with_changes(layers=(Layer("Zn", "between", share=0.4),), counts_per_pixel=8.0)
    table, truth = made(spec)
    zinc = table.loc["Zn"]
    share = truth["elements"]["Zn"]["share_in_droplets"]
    assert zinc["share_in_droplets_low"] <= share <= zinc["share_in_droplets_high"]


def test_evidence_names_what_it_rests_on():
    spec = SMALL.with_changes(layers=(Layer("Zn", "patchy", share=0.6),))
    scene = make_deposit(spec, seed=5)
    known = facts(scene.maps)
    names = [str(e) for e in scene.maps["element"].values]
    roles = stated_roles(names, alloy=known.alloy, substrate=known.substrate, how="stated")
    n = scene.truth["droplet_count"]
    moments = block_moments(scene.maps, labels=scene.labels, n_droplets=n)
    context = gather(
        scene.maps, moments, roles, divided(scene.labels, n), blank=None, settings=QUICK
    )
    zinc = evidence_of(context, "Zn")
    assert zinc.partners == ("Cu",)
    assert zinc.patterned
    assert evidence_of(context, "Cu").patterned is not True


def odd_maps():
    scene = make_deposit(SMALL.with_changes(shape=(96, 96)), seed=1)
    return scene.maps, scene.labels, scene.truth["droplet_count"]


def test_percent_maps_are_judged_with_a_caution():
    maps, labels, n = odd_maps()
    counts = maps["counts"].values.astype(float)
    percent = make_map_set(
        100 * counts / np.maximum(counts.sum(axis=0), 1.0),
        [str(e) for e in maps["element"].values],
        quantity="mass_percent", alloy={"Cu": 70.0, "Zn": 30.0}, substrate=["Si", "O"],
    )  # fmt: skip
    table = verdicts(percent, labels, n)
    assert not table["verdict"].isin(["separated", "partly_separated", "foreign"]).any()
    assert table["reasons"].str.contains("sum to 100").all()


def test_a_field_without_bare_area_is_undecided():
    maps, labels, _ = odd_maps()
    table = verdicts(maps, np.ones_like(labels), 1)
    assert table.loc["Zn", "verdict"] == "undecided"
    assert "edge of the deposit" in table.loc["Zn", "next_step"]


def test_a_blank_without_one_of_the_alloys_elements_is_refused():
    maps, labels, n = odd_maps()
    plate = make_blank(SMALL.with_changes(shape=(96, 96)), seed=5).maps
    with pytest.raises(InputError, match="every alloy element, got none of Zn"):
        verdicts(maps, labels, n, blank=plate.sel(element=["Si", "O", "Cu"]))


def test_lazy_maps_give_the_same_words():
    maps, labels, n = odd_maps()
    lazy = verdicts(maps.chunk({"y": 32, "x": 48}), labels, n)
    pd.testing.assert_frame_equal(lazy, verdicts(maps, labels, n))

"""Shares, several fields, percent maps and correlated noise."""

import numpy as np
import pytest
from scipy import ndimage

from spattermap.core.errors import InputError
from spattermap.core.mapset import Roles, make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.verdict import correlation, shares
from spattermap.verdict import pairs as colocation
from spattermap.verdict.shares import Background

QUICK = Settings(n_resamples=500)


def patches(rng, shape=(16, 16), part=0.3, side=8):
    """Return squares of metal at random places; each square is independent of the others."""
    return np.kron(rng.random(shape) < part, np.ones((side, side)))


def measured(rng, rates, elements, *, labels=None, block_px=16):
    maps = make_map_set(rng.poisson(np.array(rates)), elements)
    more = {} if labels is None else {"labels": labels.astype(int), "n_droplets": 1}
    return maps, block_moments(maps, block_px=block_px, **more)


# --- Shares by class, exact by hand -------------------------------------------------------------
@pytest.mark.outside(
    "Shares of an element in droplets, streaks and bare",
    source="ten counts by hand: 0.8, 0.2 and 0",
    known="exact",
    tolerance="equal",
)
def test_class_shares_by_hand():
    counts = np.zeros((1, 4, 4), dtype=int)
    counts[0, 0] = [4, 4, 2, 0]
    labels = np.zeros((4, 4), dtype=int)
    labels[0, :2] = 1
    labels[0, 2] = 2  # a streak
    moments = block_moments(make_map_set(counts, ["Cu"]), block_px=2, labels=labels, n_droplets=1)
    found = {of: shares.share_in_droplets(moments, "Cu", of=of).share for of in moments.classes}
    assert found == {"bare": 0.0, "droplet": 0.8, "streak": 0.2}


def test_known_background_is_taken_off_each_class():
    counts = np.full((1, 8, 8), 2)
    counts[0, :4] = 5
    labels = np.zeros((8, 8), dtype=int)
    labels[:4] = 1
    moments = block_moments(make_map_set(counts, ["Cu"]), block_px=2, labels=labels, n_droplets=1)
    level = Background(bare={"Cu": (1.0, 1.0)}, metal={"Cu": (2.0, 2.0)})
    found = shares.share_in_droplets(moments, "Cu", background=level)
    assert found.share == pytest.approx(3 / 4)  # (5 - 2) / ((5 - 2) + (2 - 1))


def test_bounded_background_only_widens():
    rng = np.random.default_rng(1)
    cover = patches(rng)
    _, moments = measured(rng, [2 * cover + 0.5, 3 * cover], ["Zn", "Cu"], labels=cover)
    plain = shares.share_in_droplets(moments, "Zn", settings=QUICK)
    bound = shares.share_in_droplets(
        moments, "Zn", background=Background(fraction=0.1), settings=QUICK
    )
    assert bound.share == plain.share
    assert bound.low < plain.low
    assert bound.high > plain.high


# --- Following the alloy -------------------------------------------------------------------------
def test_absent_element_under_a_rising_background():
    # The background under an absent element's line rises from 0.5 to 1.0 counts under metal.
    rng = np.random.default_rng(2)
    cover = patches(rng)
    _, moments = measured(
        rng, [4 * cover, 3 * cover, 0.5 + 0.5 * cover], ["Cu", "Zn", "Sn"], labels=cover
    )
    roles = Roles(("Cu", "Zn", "Sn"), ())
    fooled = shares.share_with_alloy(moments, "Sn", roles, settings=QUICK)
    assert fooled.low > 0.05  # taken at face value, part of "tin" follows the alloy
    bounded = Background(fraction=0.6)
    honest = shares.share_with_alloy(moments, "Sn", roles, background=bounded, settings=QUICK)
    assert honest.low <= 0  # nothing needs to follow the alloy any more
    known = Background(bare={"Sn": (0.5, 0.52)}, metal={"Sn": (1.0, 1.04)})
    nothing = shares.share_with_alloy(moments, "Sn", roles, background=known, settings=QUICK)
    assert np.isnan(nothing.share)
    assert "no signal of Sn beyond the background" in nothing.note


def test_three_way_division_finds_what_was_put_in():
    rng = np.random.default_rng(3)
    cover = patches(rng, (24, 24))
    grains = 0.5 + patches(rng, (24, 24), part=0.5)  # the glass is not uniform
    alloy, glass = 4 * cover, 4 * grains * (1 - 0.3 * cover)
    zinc = 0.5 * alloy + 0.25 * glass + 0.5
    _, moments = measured(rng, [alloy, zinc, glass], ["Cu", "Zn", "Si"], labels=cover)
    roles = Roles(("Cu", "Zn"), ("Si",))
    row = shares.shares(moments, roles, settings=QUICK).set_index("element").loc["Zn"]
    whole = zinc.mean()
    for name, truth in (
        ("alloy", 0.5 * alloy.mean() / whole),
        ("substrate", 0.25 * glass.mean() / whole),
        ("neither", 0.5 / whole),
    ):
        assert row[f"follows_{name}"] == pytest.approx(truth, abs=0.05)
        assert row[f"follows_{name}_low"] < truth < row[f"follows_{name}_high"]
    assert row.follows_alloy + row.follows_substrate + row.follows_neither == pytest.approx(1)


def test_mirror_images_are_recognised():
    rng = np.random.default_rng(4)
    cover = patches(rng)
    _, moments = measured(
        rng, [4 * cover, 2 * cover, 5 * (1 - cover)], ["Cu", "Zn", "Si"], labels=cover
    )
    row = shares.shares(moments, Roles(("Cu", "Zn"), ("Si",)), settings=QUICK).iloc[1]
    assert np.isnan(row.follows_alloy)
    assert "mirror each other" in row.note
    assert row.share_with_alloy == pytest.approx(1, abs=0.1)


def test_uniform_film_has_no_share_with_the_alloy():
    rng = np.random.default_rng(6)
    cover = patches(rng)
    _, moments = measured(rng, [4 * cover, np.full(cover.shape, 3.0)], ["Cu", "Zn"])
    found = shares.share_with_alloy(moments, "Zn", Roles(("Cu", "Zn"), ()), settings=QUICK)
    assert found.low < 0 < found.high
    assert abs(found.share) < 0.03


# --- Correlated noise ----------------------------------------------------------------------------
def test_correlated_noise_enters_the_correction():
    # Two lines fitted together: what one takes from the spectrum the other loses.
    rng = np.random.default_rng(7)
    material = 3 * patches(rng, (20, 20), part=0.5)
    noise = np.array([[4.0, -3.0], [-3.0, 4.0]])
    shift = rng.multivariate_normal([0, 0], noise, material.shape).transpose(2, 0, 1)
    maps = make_map_set(
        np.stack([10 + material, 10 + material]) + shift, ["Cu", "Zn"], quantity="net_counts"
    )
    ignorant = block_moments(maps, block_px=16, noise=np.diag([4.0, 4.0]))
    aware = block_moments(maps, block_px=16, noise=noise)
    found = correlation.noise_corrected_correlation(aware, "Cu", "Zn", settings=QUICK)
    assert found.r == pytest.approx(1, abs=0.08)
    assert found.r_low < 1 <= found.r_high
    fooled = correlation.noise_corrected_correlation(ignorant, "Cu", "Zn", settings=QUICK)
    assert fooled.r < 0  # (2.25 - 3) / 2.25: the fit's noise outweighs the material
    # The null takes it off as well.
    p = colocation.pair_table(aware, maps=maps, settings=QUICK).p_value[0]
    assert p < 0.01


# --- Several fields ------------------------------------------------------------------------------
def field_moments(rng, part, **more):
    cover, other = patches(rng, (10, 10)), patches(rng, (10, 10))
    zinc = part * cover + (1 - part) * other
    return measured(rng, [4 * cover, 4 * zinc], ["Cu", "Zn"], **more)[1]


def test_fields_that_agree_narrow_the_interval():
    rng = np.random.default_rng(8)
    fields = [field_moments(rng, 0.7) for _ in range(4)]
    merged = fields[0].merge(fields[1]).merge(fields[2]).merge(fields[3])
    one = correlation.noise_corrected_correlation(fields[0], "Cu", "Zn", settings=QUICK)
    all_four = correlation.noise_corrected_correlation(merged, "Cu", "Zn", settings=QUICK)
    assert all_four.r_high - all_four.r_low < one.r_high - one.r_low
    assert all_four.note == ""


def test_fields_that_disagree_are_flagged_and_widen_the_interval():
    rng = np.random.default_rng(9)
    parts = (1.0, 0.2, 0.9, 0.3)
    fields = [field_moments(rng, part) for part in parts]
    merged = fields[0]
    for more in fields[1:]:
        merged = merged.merge(more)
    pair = colocation.pair_table(merged, settings=QUICK).iloc[0]
    assert pair.p_fields < 0.01
    assert "fields disagree" in pair.note
    single = [correlation.noise_corrected_correlation(f, "Cu", "Zn").r for f in fields]
    assert pair.r_low < min(single) + 0.2
    share = shares.share_with_alloy(merged, "Zn", Roles(("Cu", "Zn"), ()), settings=QUICK)
    assert "fields disagree" in share.note
    assert share.low < np.mean(parts) < share.high


def test_a_field_counted_longer_does_not_feign_covariation():
    rng = np.random.default_rng(10)
    fields = []
    for dose in (1, 8):
        cover, other = patches(rng), patches(rng)
        fields.append(measured(rng, [dose * cover, dose * other], ["Cu", "Zn"])[1])
    merged = fields[0].merge(fields[1])
    found = correlation.noise_corrected_correlation(merged, "Cu", "Zn", settings=QUICK)
    assert found.r_low < 0 < found.r_high


# --- Percent maps --------------------------------------------------------------------------------
def closed_parts(rng):
    def field():
        smooth = ndimage.gaussian_filter(rng.standard_normal((128, 128)), 3)
        return smooth / smooth.std()

    amounts = np.stack([np.exp(0.3 * field()) for _ in range(5)] + [3 * np.exp(1.2 * field())])
    return 100 * amounts / amounts.sum(axis=0)


def test_percent_maps_are_compared_by_log_ratios():
    rng = np.random.default_rng(11)
    parts = closed_parts(rng)
    names = ["Cu", "Zn", "Sn", "Ni", "Fe", "Si"]
    maps = make_map_set(
        parts + rng.normal(0, 1, parts.shape),
        names,
        quantity="mass_percent",
        variance=np.ones_like(parts),
    )
    table = colocation.pair_table(block_moments(maps), maps=maps, settings=QUICK)
    logs = np.log(parts) - np.log(parts).mean(axis=0)
    truth = np.corrcoef(logs.reshape(6, -1))
    assert set(table.basis) == {"log-ratios"}
    # One large varying part dilutes all others alike: independent parts look related.
    first = table.iloc[0]
    assert first.r_plain > 0.4 > 3 * abs(first.r)
    inside = [
        row.r_low <= truth[names.index(row.element_a), names.index(row.element_b)] <= row.r_high
        for row in table.itertuples()
    ]
    assert sum(inside) >= 13  # of 15


def test_two_percent_maps_say_that_they_say_nothing():
    rng = np.random.default_rng(12)
    part = 20 + 60 * patches(rng) + rng.normal(0, 1, (128, 128))
    maps = make_map_set(
        np.stack([part, 100 - part]),
        ["Cu", "Zn"],
        quantity="mass_percent",
        variance=np.ones((2, 128, 128)),
    )
    pair = colocation.pair_table(block_moments(maps), maps=maps, settings=QUICK).iloc[0]
    assert pair.basis == "maps"
    assert "sum to a whole" in pair.note


def test_log_ratios_sum_to_zero_and_refuse_counts():
    rng = np.random.default_rng(13)
    parts = closed_parts(rng)
    names = ["Cu", "Zn", "Sn", "Ni", "Fe", "Si"]
    maps = make_map_set(parts, names, quantity="atomic_percent", variance=0 * parts)
    ratios = colocation.log_ratio_maps(maps, side_px=1)
    np.testing.assert_allclose(ratios.counts.sum("element"), 0, atol=1e-12)
    np.testing.assert_allclose(
        ratios.counts[0] - ratios.counts[1], np.log(parts[0] / parts[1]), atol=1e-12
    )
    with pytest.raises(InputError, match="quantity"):
        colocation.log_ratio_maps(make_map_set(np.ones((2, 8, 8)), ["Cu", "Zn"]))


def test_parts_below_the_limit_are_replaced_not_infinite():
    parts = np.full((2, 8, 8), 50.0)
    parts[0, :4] = 0.0
    parts[1, :4] = 100.0
    maps = make_map_set(
        parts, ["Cu", "Zn"], quantity="mass_percent", variance=np.full((2, 8, 8), 4.0)
    )
    ratios = colocation.log_ratio_maps(maps, side_px=1)
    # 0.65 of three standard deviations of 2 % stands for the missing part.
    expected = 0.5 * np.log(0.65 * 6 / 100)
    np.testing.assert_allclose(ratios.counts[0, :4], expected, atol=1e-12)
    assert (ratios["variance"][0, :4] == 0).all()


# --- Maps that hold next to nothing --------------------------------------------------------------
@pytest.mark.parametrize(
    "counts",
    [
        np.zeros((3, 32, 32), dtype=int),
        np.random.default_rng(1).poisson(2, (3, 3, 3)),
        np.random.default_rng(2).poisson(2, (3, 1, 50)),
        np.random.default_rng(3).poisson([[[2]], [[0]], [[0.01]]], (3, 64, 64)),
    ],
    ids=["empty", "3 x 3 px", "one row", "dead elements"],
)
def test_poor_maps_are_answered_in_words(counts):
    maps = make_map_set(counts, ["Cu", "Zn", "Si"])
    moments = block_moments(maps, labels=(counts[0] > 2).astype(int), n_droplets=1)
    roles = Roles(("Cu", "Zn"), ("Si",))
    pairs = colocation.pair_table(moments, maps=maps, roles=roles, settings=QUICK)
    assert (pairs.note != "").all()
    assert pairs.p_value.between(0, 1, inclusive="right").all()
    assert (shares.shares(moments, roles, settings=QUICK).note != "").all()


def test_few_valid_pixels_are_still_counts():
    keep = np.zeros((64, 64), dtype=bool)
    keep[:10, :12] = True
    counts = np.random.default_rng(4).poisson(2, (2, 64, 64))
    moments = block_moments(make_map_set(counts, ["Cu", "Zn"], valid=keep))
    assert moments.noise_source == "counting"
    assert moments.n.sum() == 120

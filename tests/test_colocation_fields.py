"""Several fields, percent maps and correlated noise."""

import numpy as np
import pytest
from scipy import ndimage

from spattermap.core.errors import InputError
from spattermap.core.mapset import make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.verdict import correlation
from spattermap.verdict import pairs as colocation

QUICK = Settings(n_resamples=500)


def patches(rng, shape=(16, 16), part=0.3, side=8):
    """Return squares of metal at random places; each square is independent of the others."""
    return np.kron(rng.random(shape) < part, np.ones((side, side)))


def measured(rng, rates, elements, *, labels=None, block_px=16):
    maps = make_map_set(rng.poisson(np.array(rates)), elements)
    more = {} if labels is None else {"labels": labels.astype(int), "n_droplets": 1}
    return maps, block_moments(maps, block_px=block_px, **more)


# --- Shares by class, exact by hand -------------------------------------------------------------
# --- Following the alloy -------------------------------------------------------------------------
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
def test_few_valid_pixels_are_still_counts():
    keep = np.zeros((64, 64), dtype=bool)
    keep[:10, :12] = True
    counts = np.random.default_rng(4).poisson(2, (2, 64, 64))
    moments = block_moments(make_map_set(counts, ["Cu", "Zn"], valid=keep))
    assert moments.noise_source == "counting"
    assert moments.n.sum() == 120

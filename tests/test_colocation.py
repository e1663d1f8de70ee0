"""Co-location: exact worked values, attenuation undone, and honest refusals."""

import numpy as np
import pytest
from scipy import ndimage

from spattermap.core.mapset import make_map_set
from spattermap.noise.few_pixels import moments_without_few, variance_of_few
from spattermap.noise.moments import block_moments
from spattermap.verdict import correlation, pairs

A = [[0, 2, 4, 6], [1, 3, 5, 7], [0, 0, 8, 9], [2, 2, 6, 4]]
B = [[1, 1, 3, 5], [0, 4, 4, 6], [2, 0, 7, 8], [5, 1, 0, 0]]


# (mean, variance of the rate, correlation of the rates, correlation of the counts).
ATTENUATION = [(5, 4, 0.9, 0.4), (20, 25, 0.8, 0.444444), (100, 400, 0.5, 0.4)]


@pytest.mark.outside(
    "Correlation under counting noise, plain and corrected",
    source="attenuation sqrt(V / (V + m)) of independent Poisson counts on correlated rates",
    known="exact",
    tolerance="0.02 plain, 0.03 corrected, on 100 000 pixels; truth within the interval",
)
@pytest.mark.parametrize(("mean", "variance", "rho", "observed"), ATTENUATION)
def test_poisson_attenuation_is_undone(mean, variance, rho, observed):
    rng = np.random.default_rng(7)
    # Gamma rates with a common part have exactly this correlation and variance, and stay positive.
    shape, scale = mean**2 / variance, variance / mean
    # Even over squares of 4 x 4: material without extent would be taken for noise beyond counting.
    spread, patch = (160, 160), np.ones((4, 4))
    common = np.kron(rng.gamma(rho * shape, scale, spread), patch)
    rates = [common + np.kron(rng.gamma((1 - rho) * shape, scale, spread), patch) for _ in range(2)]
    maps = make_map_set(rng.poisson(np.array(rates)), ["Cu", "Zn"])
    found = correlation.noise_corrected_correlation(block_moments(maps, block_px=16), "Cu", "Zn")
    assert found.r_plain == pytest.approx(observed, abs=0.02)
    assert found.r == pytest.approx(rho, abs=0.03)
    assert found.r_low < rho < found.r_high


def test_roles_are_inferred_from_sign_and_glass():
    rng = np.random.default_rng(5)
    cover = np.kron(rng.random((12, 12)) < 0.3, np.ones((8, 8)))
    rates = np.array([3 * cover, 2 * cover, 4 * (1 - cover), 6 * (1 - cover), 0 * cover + 1])
    maps = make_map_set(rng.poisson(rates), ["Ni", "Cr", "Si", "O", "Cl"])
    roles = correlation.infer_roles(block_moments(maps, block_px=16))
    assert roles.alloy == ("Ni", "Cr")
    assert roles.substrate == ("Si", "O")
    assert roles.other == ("Cl",)
    assert roles.assumed


def test_a_faint_alloy_element_still_finds_its_side():
    # Zinc with ten times less signal: its plain correlation is lost in noise, its side is not.
    rng = np.random.default_rng(15)
    cover = np.kron(rng.random((24, 24)) < 0.3, np.ones((8, 8)))
    rates = np.array([2 * cover, 0.2 * cover + 0.1, 2 * (1 - cover), 3 * (1 - cover)])
    moments = block_moments(make_map_set(rng.poisson(rates), ["Cu", "Zn", "Si", "O"]), block_px=16)
    plain = moments.covariance(corrected=False)
    assert plain[0, 1] / np.sqrt(plain[0, 0] * plain[1, 1]) < 0.2
    assert correlation.infer_roles(moments).alloy == ("Cu", "Zn")


def test_a_stated_substrate_takes_the_place_of_glass():
    rng = np.random.default_rng(16)
    cover = np.kron(rng.random((16, 16)) < 0.3, np.ones((8, 8)))
    rates = np.array([3 * cover, 2 * cover, 5 * (1 - cover)])
    moments = block_moments(make_map_set(rng.poisson(rates), ["Al", "Mg", "Ni"]), block_px=16)
    roles = correlation.infer_roles(moments, substrate=("Ni",))
    assert (roles.alloy, roles.substrate) == (("Al", "Mg"), ("Ni",))


def test_a_flat_map_has_no_correlation_and_says_so():
    rng = np.random.default_rng(6)
    maps = make_map_set(rng.poisson(5, (2, 40, 40)), ["Cu", "Zn"])
    pair = pairs.pair_table(block_moments(maps, block_px=8)).iloc[0]
    assert pair.r_low <= 0 <= pair.r_high
    assert "beyond the noise" in pair.note


def test_smoothed_maps_refuse_the_correction():
    rng = np.random.default_rng(8)
    smooth = ndimage.gaussian_filter(rng.poisson(5, (2, 60, 60)).astype(float), (0, 2, 2))
    maps = make_map_set(smooth, ["Cu", "Zn"], quantity="intensity")
    pair = pairs.pair_table(block_moments(maps, block_px=12), maps=maps).iloc[0]
    assert np.isnan(pair.r)
    assert np.isfinite(pair.r_plain)
    assert pair.p_value > 0
    assert "noise" in pair.note


def test_a_few_grains_do_not_own_a_correlation():
    """Zinc follows copper, but for 0.2 % of the pixels: a grain with a hundred times as much."""
    rng = np.random.default_rng(2)
    cover = np.kron(rng.random((16, 16)) < 0.4, np.ones((8, 8)))
    rates = np.array([6 * cover + 1, 4 * cover + 1])
    rates[1, 30:36, 60:65] = 400.0
    rates[0, 30:36, 60:65] = 0.5
    maps = make_map_set(rng.poisson(rates), ["Cu", "Zn"])
    m = block_moments(maps, block_px=16)
    few = moments_without_few(maps, m)
    assert few is not None
    assert set(few[1]) == {"Zn"}
    row = pairs.pair_table(m, few=few).iloc[0]
    assert abs(row["r"]) < 0.2
    assert row["r_without_few"] > 0.9
    assert row["variance_of_few"] > 0.95
    assert "without them r is 0.9" in row["note"] or "without them r is 1" in row["note"]


def test_a_map_owned_by_no_few_pixels_is_left_as_it_is():
    rng = np.random.default_rng(2)
    cover = np.kron(rng.random((16, 16)) < 0.4, np.ones((8, 8)))
    maps = make_map_set(rng.poisson(np.array([6 * cover + 1, 0 * cover + 0.01])), ["Cu", "Zn"])
    m = block_moments(maps, block_px=16)
    assert moments_without_few(maps, m) is None
    assert pairs.pair_table(m)["r_without_few"].isna().all()


def test_share_of_variance_worked_by_hand():
    """1000 pixels of 1 but two of 101: mean 1.2, squares 2 x 99.8^2 and 998 x 0.2^2."""
    plane = np.ones(1000)
    plane[[3, 700]] = 101.0
    few = variance_of_few(plane, 0.0)
    assert few.limit == 1.0
    assert few.share == pytest.approx(2 * 99.8**2 / (2 * 99.8**2 + 998 * 0.2**2), rel=1e-12)
    assert variance_of_few(plane, 5.0).share == 1.0  # no more than all
    assert np.isnan(variance_of_few(np.ones(1000), 1.0).share)


@pytest.mark.parametrize("rate", [0.03, 0.1, 0.5, 3.0])
def test_what_noise_lifts_to_the_top_owns_nothing(rate):
    """Even squares of two rates, by construction: no pixel owns more of it than any other."""
    rng = np.random.default_rng(5)
    own = 0
    for _ in range(40):
        rates = np.where(rng.random(128 * 128) < 0.5, 0.8, 1.2) * rate
        plane = rng.poisson(rates)
        own += variance_of_few(plane, float(plane.mean())).own
    assert own <= 1


def test_a_hot_few_among_few_counts_own_it_still():
    rng = np.random.default_rng(6)
    rates = np.full(128 * 128, 0.1)
    rates[:20] = 12.0
    plane = rng.poisson(rates)
    few = variance_of_few(plane, float(plane.mean()))
    truth = 20 * 11.9**2 / (rates.var() * rates.size)
    assert few.own
    assert few.share == pytest.approx(truth, abs=3 * few.error + 0.03)

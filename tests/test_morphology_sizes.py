"""Mean diameters, percentiles, border correction and sample size, against published values."""

import numpy as np
import pandas as pd
import pytest

from lognormal_truth import LognormalSizes
from spattermap.core.errors import InputError
from spattermap.measure.form import how_many_more
from spattermap.measure.sizes import (
    Unsure,
    _between_ranks,
    border_weights,
    cap_volume,
    droplets_needed,
    masked_border_weights,
    moment_mean,
    moment_mean_error,
    particles_needed,
    percentile,
    size_summary,
    spread_ties,
)

HATCH_CHOATE = [
    # Median, spread, mode; number, surface and volume means; SMD and Sauter mean; MMD and last.
    (1, 2.0, 0.618503, 1.271537, 1.616807, 2.055830, 2.614064, 3.323879, 4.226436, 5.374070),
    (1, 1.5, 0.848401, 1.085674, 1.178688, 1.279671, 1.389305, 1.508333, 1.637558, 1.777854),
    (1, 1.8, 0.707871, 1.188565, 1.412686, 1.679069, 1.995683, 2.371999, 2.819274, 3.350890),
    (10, 1.6, 8.017941, 11.167824, 12.472030, 13.928543, 15.555152, 17.371720, 19.400432,
     21.666061),
]  # fmt: skip
PERCENTILES = [
    # CMD, sigma_g, number D10, D90, volume D10, D90, coefficient of variation
    (1, 2.0, 0.411353, 2.431003, 1.738557, 10.274477, 0.785370),
    (1, 1.5, 0.594744, 1.681396, 0.973927, 2.753383, 0.422715),
    (1, 1.8, 0.470820, 2.123953, 1.327371, 5.988006, 0.642407),
    (10, 1.6, 5.475323, 18.263764, 10.622362, 35.432491, 0.497195),
]


@pytest.mark.outside(
    "Mode, means and medians of a lognormal of sizes (D[1,0] to D[4,3], Sauter mean)",
    source="Hatch & Choate, J. Franklin Inst. 207 (1929) 369; exponents seen in Encyclopedia of "
    "Environmental Science and Engineering, Aerosols, table 2; numbers from CMD exp(b ln^2 "
    "sigma_g)",
    known="computed",
    tolerance="1e-6",
)
@pytest.mark.parametrize("row", HATCH_CHOATE)
def test_lognormal_means(row):
    sizes = LognormalSizes(row[0], row[1])
    found = [
        sizes.hatch_choate(-1), sizes.moment_mean(1, 0), sizes.moment_mean(2, 0),
        sizes.moment_mean(3, 0), sizes.percentile(50, weighting="area"), sizes.moment_mean(3, 2),
        sizes.percentile(50, weighting="volume"), sizes.moment_mean(4, 3),
    ]  # fmt: skip
    np.testing.assert_allclose(found, row[2:], rtol=1e-6)


@pytest.mark.outside(
    "Number and volume D10 and D90 and the spread of a lognormal of sizes",
    source="Hatch & Choate (1929); quantiles from scipy",
    known="computed",
    tolerance="2e-6",
)
@pytest.mark.parametrize("row", PERCENTILES)
def test_lognormal_percentiles(row):
    sizes = LognormalSizes(row[0], row[1])
    found = [
        sizes.percentile(10), sizes.percentile(90), sizes.percentile(10, weighting="volume"),
        sizes.percentile(90, weighting="volume"), sizes.coefficient_of_variation,
    ]  # fmt: skip
    np.testing.assert_allclose(found, row[2:], rtol=2e-6)


@pytest.mark.outside(
    "D[1,0], D[3,2] and D[4,3] of 200 000 drawn sizes",
    source="Hatch & Choate (1929)",
    known="computed",
    tolerance="0.5, 1.5 and 3 %; the worst of 40 separate runs were 0.3, 0.9 and 2.4 %",
)
def test_means_of_a_lognormal_sample():
    d = np.random.default_rng(8).lognormal(0, np.log(1.6), 200_000)
    truth = LognormalSizes(1, 1.6)
    for (p, q), tolerance in {(1, 0): 0.005, (3, 2): 0.015, (4, 3): 0.03}.items():
        assert moment_mean(d, p, q) == pytest.approx(truth.moment_mean(p, q), rel=tolerance)


@pytest.mark.outside(
    "D[p,q] of a small table of sizes",
    source="definition in ISO 9276-2 and ASTM E2578; D = 1 to 5, n = 10, 40, 30, 15, 5, by numpy "
    "and by hand",
    known="computed",
    tolerance="1e-10",
)
@pytest.mark.parametrize(
    ("p", "q", "value"),
    [(1, 0, 2.65), (2, 0, 2.8372521918), (3, 0, 3.0092308274), (2, 1, 3.0377358491),
     (3, 1, 3.2067146533), (3, 2, 3.3850931677), (4, 3, 3.6862385321)],
)  # fmt: skip
def test_moment_means_of_a_small_table(p, q, value):
    n = np.array([10, 40, 30, 15, 5])
    assert moment_mean([1, 2, 3, 4, 5], p, q, weights=n) == pytest.approx(value, rel=1e-10)
    spelt_out = np.repeat([1, 2, 3, 4, 5], n)
    assert moment_mean(spelt_out, p, q) == pytest.approx(value, rel=1e-10)


def test_equal_orders_give_the_geometric_mean():
    assert moment_mean([1, 4], 0, 0) == pytest.approx(2)
    # The limit of neighbouring orders.
    assert moment_mean([1, 2, 5], 2, 2) == pytest.approx(moment_mean([1, 2, 5], 2.001, 1.999))


def test_percentiles_by_hand():
    assert percentile([1, 2, 3, 4], 50).tolist() == [2.5]
    assert percentile([3, 1, 2], [0, 50, 100]).tolist() == [1, 2, 3]
    # Two droplets of 1 and 2: areas 1 and 4; the middles of the steps lie at 0.1 and 0.6.
    assert percentile([1, 2], 35, weighting="area")[0] == pytest.approx(1.5)
    # A weight is a repeat.
    whole = percentile([1, 2, 2, 2, 5], [10, 50, 90])
    folded = percentile([1, 2, 5], [50], weights=[1, 3, 1])
    assert folded[0] == whole[1] == 2
    assert np.isnan(percentile([], 50)[0])


@pytest.mark.outside(
    "Number of particles for a volume mean by fit",
    source="Masuda & Iinoya, J. Chem. Eng. Japan 4 (1971) 60; ISO 13322-1; formula from memory, "
    "digits by a separate script",
    known="from memory, computed",
    tolerance="1 particle",
)
@pytest.mark.parametrize(
    ("error", "numbers"),
    [
        (0.05, [131, 294, 528, 843, 1247, 1750, 2363, 3095, 3956, 4952, 6092]),
        (0.10, [33, 73, 132, 211, 312, 438, 591, 774, 989, 1238, 1523]),
        (0.20, [8, 18, 33, 53, 78, 109, 148, 193, 247, 309, 381]),
    ],
)
def test_number_of_particles(error, numbers):
    spreads = np.arange(1.10, 1.601, 0.05)
    found = [particles_needed(s, error=error) for s in spreads]
    np.testing.assert_allclose(found, numbers, atol=1)


@pytest.mark.outside(
    "Over 6 000 particles for a volume mean at sigma_g = 1.6",
    source="ISO 13322-1:2004, scope",
    known="seen",
    tolerance="6 000 to 6 500",
)
def test_number_of_particles_in_the_scope_of_the_standard():
    # sigma_g 1.6 "requires that over 6 000 particles be measured".
    assert 6000 < particles_needed(1.6, error=0.05) < 6500


@pytest.mark.outside(
    "Number of particles for medians and means by fit",
    source="Masuda & Iinoya, J. Chem. Eng. Japan 4 (1971) 60; ISO 13322-1",
    known="computed",
    tolerance="1 particle",
)
def test_number_of_particles_for_means_by_fit():
    # sigma_g 1.6, 5 %; c = basis + 1/2.
    for c, number in ((0, 339), (0.5, 377), (2.5, 1277), (3, 1689), (3.5, 2177)):
        assert particles_needed(1.6, power=1, basis=c - 0.5) == pytest.approx(number, abs=1)


@pytest.mark.outside(
    "Number of particles for D[1,0], D[3,2] and D[4,3] without a fit",
    source="delta method on the moments of a lognormal (sigma_g 1.6, 5 %): 380, 3371, 20 354",
    known="computed",
    tolerance="1, 2 and 25 %",
)
def test_number_of_particles_without_a_fit():
    # Two million evenly spaced quantiles lack the far tail that decides D[4,3].
    from scipy.special import ndtri

    d = np.exp(np.log(1.6) * ndtri((np.arange(2_000_000) + 0.5) / 2_000_000))
    for p, q, number, tolerance in ((1, 0, 380, 0.01), (3, 2, 3371, 0.02), (4, 3, 20354, 0.25)):
        assert droplets_needed(d, p, q) == pytest.approx(number, rel=tolerance)


@pytest.mark.outside(
    "Width of the interval of D[4,3] of 20 354 sizes",
    source="delta method on the moments of a lognormal",
    known="computed",
    tolerance="25 %",
)
def test_interval_of_the_volume_mean_has_the_size_of_its_own_error():
    # Without a fit the interval of D[4,3] must follow the delta method, not the fit (25 %).
    d = np.random.default_rng(3).lognormal(0, np.log(1.6), 20_354)
    row = size_summary(d, n_resamples=400).loc["D[4,3]"]
    assert (row.high - row.low) / 2 / row.value == pytest.approx(0.05, rel=0.25)


@pytest.mark.outside(
    "Weight of a droplet that the frame leaves whole",
    source="Miles and Lantuejoul; ISO 13322-1: (Z1 - x1)(Z2 - x2) / (Z1 Z2), elementary geometry",
    known="from memory, computed",
    tolerance="5e-8",
)
@pytest.mark.parametrize(
    ("frame", "size", "weight"),
    [(512, 10, 1.0402375), (512, 50, 1.2281629), (512, 100, 1.5443491), (512, 256, 4),
     (1000, 100, 1.2345679)],
)  # fmt: skip
def test_border_weight(frame, size, weight):
    found = border_weights([size], [size], frame=(frame, frame))[0]
    assert found == pytest.approx(weight, rel=5e-8)
    assert 1 / found == pytest.approx((frame - size) ** 2 / frame**2, rel=1e-12)


@pytest.mark.outside(
    "Share of large discs with and without border weights",
    source="geometry of discs at random in a frame: 0.40248 kept unweighted, 0.5 true",
    known="exact",
    tolerance="0.02",
)
def test_border_weights_give_back_the_share_of_large_discs():
    # Half small (10), half large (100) discs at random in a frame of 512: kept unweighted
    # 0.647522 / (0.647522 + 0.961319) = 0.40248 large; weighted 0.5.
    rng = np.random.default_rng(11)
    d = np.where(rng.random(20_000) < 0.5, 10.0, 100.0)
    centre = rng.uniform(0, 512, (len(d), 2))
    # Discs whose centre is anywhere; those beyond the frame's edge are cut.
    kept = ((centre >= d[:, None] / 2) & (centre <= 512 - d[:, None] / 2)).all(axis=1)
    large = d[kept] == 100
    weights = border_weights(d[kept], d[kept], frame=(512, 512))
    assert large.mean() == pytest.approx(0.40248, abs=0.02)
    assert np.average(large, weights=weights) == pytest.approx(0.5, abs=0.02)


def test_masked_weights_of_a_whole_field_are_those_of_the_rectangle():
    # A pixel all round must be free too, which takes a row and a column off the frame.
    sizes = np.array([3.0, 10.0, 25.0, 40.0])
    found = masked_border_weights(sizes, sizes, valid=np.ones((80, 80), dtype=bool))
    expected = 80**2 / (79 - sizes) ** 2
    np.testing.assert_allclose(found, expected, rtol=0.01)


def test_masked_weights_by_hand():
    # Two fields of 30 x 30 px side by side, one column between them masked: a box of 10 px with
    # its margin of 1 px fits at 19 x 19 places in each; 1800 pixels are valid.
    valid = np.ones((30, 61), dtype=bool)
    valid[:, 30] = False
    found = masked_border_weights([10], [10], valid=valid, n_sizes=50)
    assert found[0] == pytest.approx(1800 / (2 * 19**2), rel=0.01)
    # What fits nowhere stands for nothing.
    assert masked_border_weights([40], [40], valid=valid)[0] == 0
    assert len(masked_border_weights([], [], valid=valid)) == 0


def test_a_droplet_as_large_as_the_frame_is_refused():
    with pytest.raises(InputError, match="Map a larger field"):
        border_weights([5, 20], [5, 5], frame=(20, 20))


@pytest.mark.outside(
    "Volume of a spherical cap by its contact angle",
    source="half sphere, sphere and flat cap",
    known="exact",
    tolerance="1e-6; 1e-3 for the flat cap",
)
def test_cap_volume():
    # Half sphere, whole sphere, and the continuity of the two formulas at 90 degrees.
    assert cap_volume(2.0) == pytest.approx(2 / 3 * np.pi)
    assert cap_volume(2.0, contact_angle_deg=180) == pytest.approx(4 / 3 * np.pi)
    assert cap_volume(2.0, contact_angle_deg=90.0001) == pytest.approx(2 / 3 * np.pi, rel=1e-5)
    # Flat caps: V = pi h d^2 / 8 with the height h = d / 2 tan(angle / 2).
    flat = cap_volume(2.0, contact_angle_deg=1.0)
    assert flat == pytest.approx(np.pi * np.tan(np.deg2rad(0.5)) * 4 / 8, rel=1e-3)
    with pytest.raises(InputError, match="contact_angle_deg"):
        cap_volume(1.0, contact_angle_deg=0)


def test_intervals_cover_as_often_as_they_say():
    hits = _hits(n_runs=80, n=200, sigma_g=1.4)
    for name in ("number D10", "number D50", "number D90", "area D50", "D[1,0]"):
        # Four binomial standard errors below 95 % at 80 runs.
        assert hits[name] >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / 80), name


@pytest.mark.calibration
def test_intervals_cover_between_92_and_98_percent():
    hits = _hits(n_runs=500, n=1500, sigma_g=1.4)
    assert len(hits) >= 12  # at this number only the volume tail stays untrusted
    for name, share in hits.items():
        assert 0.92 <= share <= 0.98, (name, share)


def _hits(n_runs, n, sigma_g):
    truth = LognormalSizes(1.0, sigma_g)
    hits = {}
    for seed in range(n_runs):
        d = np.random.default_rng([seed, 77]).lognormal(0, np.log(sigma_g), n)
        table = size_summary(d, n_resamples=300, seed=seed)
        for name, row in table[table.trusted].iterrows():
            true = _true(truth, name)
            hits.setdefault(name, []).append(row.low <= true <= row.high)
    return {name: np.mean(found) for name, found in hits.items() if len(found) > 0.9 * n_runs}


def _true(truth, name):
    if name.startswith("D["):
        return truth.moment_mean(*(float(x) for x in name[2:-1].split(",")))
    weighting, percent = name.split(" D")
    return truth.percentile(float(percent), weighting=weighting)


def test_few_droplets_are_not_trusted():
    table = size_summary(np.random.default_rng(0).lognormal(0, 0.5, 40), n_resamples=200)
    assert not table.trusted["number D10"]
    assert table.trusted["number D50"]
    assert not table.trusted["D[4,3]"]


def test_ranks_bound_the_percentiles_of_few_droplets():
    # Of 20 values the 6th and the 15th bound the median at 95 % (tables of the sign test), and no
    # value is left beyond D10 and D90.
    table = size_summary(np.arange(1.0, 21.0), n_resamples=200)
    assert table.loc["number D50", ["low", "high"]].tolist() == [6.0, 15.0]
    assert table.loc[["number D10", "number D90"], ["low", "high"]].isna().all(axis=None)


@pytest.mark.parametrize("n", [8, 15, 25])
def test_ranks_hold_the_median_of_few_droplets(n):
    held = []
    for seed in range(400):
        d = np.sort(np.random.default_rng([seed, n]).lognormal(0, 0.6, n))
        low, high = _between_ranks(d, np.ones(n), 50, 0.025)
        held.append(low <= 1 <= high)
    row = size_summary(d, n_resamples=200).loc["number D50"]
    assert (row.low, row.high) == (low, high)  # what the table tells of few droplets
    # The least that ranks promise, less four binomial standard errors.
    assert np.mean(held) >= 0.95 - 4 * np.sqrt(0.05 * 0.95 / 400)


def test_what_is_unsure_of_all_droplets_widens_every_interval():
    d = np.random.default_rng(3).lognormal(2, 0.3, 4000)
    sure = size_summary(d, n_resamples=200)
    wide = size_summary(d, n_resamples=200, unsure=Unsure(grid=0.35, low=0.81))
    row, plain = wide.loc["number D50"], sure.loc["number D50"]
    common = 1.96 * np.hypot(0.35, 0.03 * plain.value)
    assert row.value == plain.value
    assert row.high - row.value == pytest.approx(np.hypot(plain.high - plain.value, common), 0.01)
    rim = np.hypot(common, 0.1 * plain.value)  # an area 0.81 of that drawn: a tenth of the diameter
    assert row.value - row.low == pytest.approx(np.hypot(plain.value - plain.low, rim), 0.01)
    assert (wide.low < sure.low).all()
    parted = size_summary(d, n_resamples=200, unsure=Unsure(misdrawn=0.1)).loc["number D50"]
    assert parted.low < percentile(d, 41)[0]
    assert parted.high > percentile(d, 59)[0]


def test_droplets_below_the_smallest_trusted_size_are_no_part_of_the_sizes():
    d = np.arange(1.0, 101.0)
    table = size_summary(d, n_resamples=200, unsure=Unsure(smallest=41.0))
    assert table.loc["number D50", "value"] == 70.5
    # Whether those just below are counted moves D10 by more than D50.
    reach = (table["value"] - table["low"])[["number D10", "number D50"]]
    assert reach.iloc[0] > 41 * 0.1
    none = size_summary(d, n_resamples=200, unsure=Unsure(smallest=1000.0))
    assert none.loc["number D50", "value"] == 50.5


def test_one_and_no_droplet():
    one = size_summary([2.0])
    assert one.loc["number D50", "value"] == 2
    assert np.isnan(one.loc["number D50", "low"])
    none = size_summary([])
    assert none.value.isna().all()
    assert np.isnan(moment_mean_error([2.0], 1, 0))


def test_weights_of_zero_leave_a_droplet_out():
    left = size_summary([1, 2, 3, 50], weights=[1, 1, 1, 0], n_resamples=100)
    short = size_summary([1, 2, 3], n_resamples=100)
    pd.testing.assert_frame_equal(left, short)


def test_how_many_more_fields():
    d = np.random.default_rng(5).lognormal(0, np.log(1.5), 300)
    table = how_many_more(d, np.ones(300)).set_index("quantity")
    row = table.loc["D[4,3]"]
    assert row.n_measured == 300
    assert row.more_fields == np.ceil(row.n_needed / 300) - 1
    assert row.n_needed_with_fit < row.n_needed
    empty = how_many_more([], [])
    assert empty.more_fields.isna().all()


def test_rounding_to_pixels_does_not_decide_the_percentiles():
    # 20,000 droplets of about 4 px: areas in whole pixels leave a median between two of them.
    rng = np.random.default_rng(2)
    true = rng.lognormal(np.log(4.1), 0.2, 20_000)
    whole = np.sqrt(np.rint(np.pi / 4 * true**2) * 4 / np.pi)
    raw = size_summary(whole, n_resamples=200).loc["number D50"]
    spread = size_summary(whole, n_resamples=200, area_step=1.0).loc["number D50"]
    assert raw.high - raw.low == 0  # rounding hides the uncertainty altogether
    assert spread.value == pytest.approx(np.median(true), rel=0.005)
    assert spread.low < spread.value < spread.high
    # The mean area stays as it was.
    assert (spread_ties(whole, 1.0) ** 2).mean() == pytest.approx((whole**2).mean(), rel=1e-12)

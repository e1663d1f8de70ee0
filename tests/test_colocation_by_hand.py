"""Correlations, their intervals and the table of pairs on sums small enough to work by hand."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from spattermap.core.mapset import Roles, make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.moments import BlockMoments, block_moments
from spattermap.verdict.correlation import (
    ONE_IN_A_HUNDRED,
    Estimates,
    Resampling,
    clipped,
    correlations,
    infer_roles,
    noise_corrected_correlation,
    shrunk,
    stretched,
    variance_floor,
    variation_note,
)
from spattermap.verdict.pairs import pair_table

A = [[0, 2, 4, 6], [1, 3, 5, 7], [0, 0, 8, 9], [2, 2, 6, 4]]
B = [[1, 1, 3, 5], [0, 4, 4, 6], [2, 0, 7, 8], [5, 1, 0, 0]]
# Sums of squared deviations and of products of the pair, from 59, 47, 345, 247, 258 over 16 pixels.
S_AA, S_BB, S_AB = 345 - 59**2 / 16, 247 - 47**2 / 16, 258 - 59 * 47 / 16


def sums(n, s1, comoment, *, noise=0.0, field=0, elements=("Cu", "Zn")):
    """Return block moments from their sums; what is left out is zero."""
    n, s1 = np.array(n, dtype=float), np.array(s1, dtype=float)
    blocks, many = s1.shape
    square = np.zeros((blocks, many, many))
    return BlockMoments(
        elements=elements,
        n=n,
        s1=s1,
        comoment=square + comoment,
        noise=square + noise,
        class_n=np.zeros((blocks, 3)),
        class_s1=np.zeros((blocks, 3, many)),
        class_noise=np.zeros((blocks, 3, many)),
        block_px=2,
        field=np.zeros(blocks, dtype=np.int64) + field,
        corner=np.zeros((blocks, 2), dtype=np.int64),
        inflation=np.ones(many),
    )


def worked_pair(noise, block_px=4):
    return block_moments(
        make_map_set(np.array([A, B]), ["Cu", "Zn"]), block_px=block_px, noise=np.array(noise)
    )


# --- Correlation ---------------------------------------------------------------------------------
def test_correlation_of_a_covariance_by_hand():
    covariance = np.array(
        [
            [[4.0, 3.0], [3.0, 9.0]],  # 3 / (2 * 3)
            [[4.0, -3.0], [-3.0, 0.0]],  # a variance of nothing: undefined, to the negative side
            [[-4.0, 3.0], [3.0, -9.0]],  # two negative variances do not make a positive product
        ]
    )
    found = correlations(covariance, [0, 0], [1, 0])
    np.testing.assert_array_equal(found, [[0.5, 1], [-np.inf, 1], [np.inf, -np.inf]])


@pytest.mark.parametrize("block_px", [2, 4])
@pytest.mark.parametrize("shared", [0.0, 0.5])
def test_noise_corrected_correlation_of_the_worked_pair(block_px, shared):
    # From a sum of squares about the mean of 16 pixels, 15 noise variances are to be taken off
    # (its expectation is 15 sigma^2); the same holds for the shared noise of the products.
    found = noise_corrected_correlation(
        worked_pair([[1.0, shared], [shared, 2.0]], block_px), "Cu", "Zn"
    )
    expected = (S_AB - 15 * shared) / np.sqrt((S_AA - 15 * 1) * (S_BB - 15 * 2))
    assert found.r == pytest.approx(expected, rel=1e-12)
    assert found.r_plain == pytest.approx(S_AB / np.sqrt(S_AA * S_BB), rel=1e-12)
    assert np.isfinite(found.r_low) == (block_px == 2)
    assert ("too small for an interval" in found.note) == (block_px == 4)


def test_correlation_stays_within_one():
    # (59/16, 47/16) counts of noise leave more covariance than the variances allow.
    found = noise_corrected_correlation(worked_pair(np.diag([59 / 16, 47 / 16])), "Cu", "Zn")
    assert np.sqrt((S_AA - 15 * 59 / 16) * (S_BB - 15 * 47 / 16)) < S_AB
    assert found.r == 1
    turned = make_map_set(np.array([A, 9 - np.array(B)]), ["Cu", "Zn"])
    moments = block_moments(turned, block_px=4, noise=np.diag([59 / 16, 47 / 16]))
    assert noise_corrected_correlation(moments, "Cu", "Zn").r == -1


def test_sums_of_elements_are_correlated_as_their_summed_map():
    rng = np.random.default_rng(1)
    planes = rng.poisson(5, (3, 12, 12)).astype(float)
    planes[2] += planes[0] + planes[1]
    noise = np.diag([1.0, 2.0, 0.5])
    apart = block_moments(
        make_map_set(planes, ["Cu", "Zn", "Si"], quantity="net_counts"), block_px=4, noise=noise
    )
    summed = block_moments(
        make_map_set([planes[0] + planes[1], planes[2]], ["Cu", "Si"], quantity="net_counts"),
        block_px=4,
        noise=np.diag([3.0, 0.5]),  # independent noise adds
    )
    one = noise_corrected_correlation(apart, ("Cu", "Zn"), "Si")
    other = noise_corrected_correlation(summed, "Cu", "Si")
    assert one[:4] == pytest.approx(other[:4], rel=1e-9)
    flat = block_moments(
        make_map_set(planes * 0 + 5, ["Cu", "Zn", "Si"], quantity="net_counts"),
        block_px=4,
        noise=noise,
    )
    told = noise_corrected_correlation(flat, ("Cu", "Zn"), "Si")
    assert told.note == "undefined: no variation of Cu+Zn and Si beyond the noise"
    assert np.isnan(told.r)
    assert (told.r_low, told.r_high) == (-1, 1)


def test_the_map_that_hardly_varies_is_the_one_named():
    # Four of each value: copper varies by nothing beyond its noise, zinc by much.
    planes = np.stack([np.tile([4.0, 6.0], (8, 4)), np.tile([0.0, 40.0], (8, 4))])
    for order, which in ((slice(None), 0), (slice(None, None, -1), 1)):
        maps = make_map_set(planes[order], ["Cu", "Zn"], quantity="net_counts")
        noise = np.diag([2.0, 2.0])
        found = noise_corrected_correlation(
            block_moments(maps, block_px=2, noise=noise), "Cu", "Zn"
        )
        assert found.note == f"undefined: no variation of {('Cu', 'Zn')[which]} beyond the noise"


def test_unknown_noise_gives_the_plain_correlation_alone():
    found = noise_corrected_correlation(worked_pair(np.diag([np.nan, 1.0]), 2), "Cu", "Zn")
    assert np.isnan([found.r, found.r_low, found.r_high]).all()
    assert found.r_plain == pytest.approx(S_AB / np.sqrt(S_AA * S_BB), rel=1e-12)
    assert found.note.startswith("the noise of these maps is not known")


def test_interval_is_kept_within_one_and_opened_where_undefined():
    def told(value, low, high):
        found = Estimates(*(np.array([v]) for v in (value, low, high, np.nan)))
        return tuple(float(part[0]) for part in clipped(found))

    assert told(0.5, 0.2, 1.3) == (0.2, 1.0)
    assert told(-0.5, -1.3, 0.1) == (-1.0, 0.1)
    assert told(np.inf, 0.2, 0.4) == (-1.0, 1.0)  # undefined: anything is possible
    assert np.isnan(told(0.5, np.nan, np.nan)).all()  # no interval at all


def test_floor_of_the_variance_is_the_normal_tail_of_the_dispersion_test():
    # One in a hundred of the normal distribution; s^2 of N values scatters by sigma^2 sqrt(2/N).
    assert pytest.approx(stats.norm.isf(0.01), abs=5e-4) == ONE_IN_A_HUNDRED
    variance, floor = variance_floor(worked_pair(np.diag([1.0, 4.0]), 2).totals())
    np.testing.assert_allclose(variance, [(S_AA - 15) / 15, (S_BB - 60) / 15], rtol=1e-12)
    np.testing.assert_allclose(floor, ONE_IN_A_HUNDRED * np.array([1, 4]) * np.sqrt(2 / 16))


@pytest.mark.parametrize(
    ("variance", "note"),
    [
        ([3.0, 5.0, 9.0], ""),
        ([3.0, 2.0, 9.0], "variation of Zn is not established beyond the noise"),
        ([1.0, 0.5, 9.0], "variation of Cu and Zn is not established beyond the noise"),
        ([3.0, 0.0, 9.0], "undefined: no variation of Zn beyond the noise"),
        ([-1.0, 0.5, 9.0], "undefined: no variation of Cu beyond the noise"),
        ([3.0, 5.0, 0.0], ""),  # of the third nobody asked
    ],
)
def test_notes_on_maps_that_hardly_vary(variance, note):
    # A floor of 2 that is just reached is not passed.
    assert variation_note(np.array(variance), np.full(3, 2.0), (0, 1), ("Cu", "Zn")) == note


# --- Intervals -----------------------------------------------------------------------------------
def test_stretched_scale_is_fishers_z_continued_by_its_tangent():
    r = np.array([-1.2, -0.95, -0.3, 0.0, 0.5, 0.95, 1.05])
    z = stretched(r)
    np.testing.assert_allclose(z[1:6], np.arctanh(r[1:6]), rtol=1e-12)
    slope = 1 / (1 - 0.95**2)  # d artanh r / dr at 0.95
    assert z[6] == pytest.approx(np.arctanh(0.95) + 0.1 * slope, rel=1e-12)
    assert z[0] == pytest.approx(-np.arctanh(0.95) - 0.25 * slope, rel=1e-12)
    np.testing.assert_allclose(shrunk(z), r, atol=1e-12)


class Drawn(Resampling):
    """Resampling whose draws are told: column k of the weights holds the draws of statistic k."""

    def __init__(self, draws, moments, **more):
        super().__init__(moments, Settings(**more))
        self.weights = np.asarray(draws, dtype=float)


def one_pixel_blocks(values, **more):
    """Blocks of one pixel each: the blocks' scatter is the whole scatter."""
    values = np.array(values, dtype=float)
    return sums(np.ones(values.size), np.stack([values, values], axis=1), 0.0, **more)


def test_percentiles_are_moved_out_by_what_few_blocks_need():
    # 101 draws 0, 1, ..., 100 about the estimate 1: the outer ones beyond 2.5 % are 2 and 98.
    # Three blocks: sqrt(3/2) of the variance and t of 2 degrees of freedom over z (Hesterberg).
    draws = np.tile(np.arange(101.0)[::-1, None], (1, 3))
    found = Drawn(draws, one_pixel_blocks([1, 2, 3])).estimate(lambda w: w, elements=[0])
    reach = np.sqrt(3 / 2) * stats.t.ppf(0.975, 2) / stats.norm.ppf(0.975)
    np.testing.assert_allclose(found.value, 1)
    np.testing.assert_allclose(found.low, 1 + reach * (2 - 1), rtol=1e-12)
    np.testing.assert_allclose(found.high, 1 + reach * (98 - 1), rtol=1e-12)
    assert np.isnan(found.p_fields).all()
    wider = Drawn(draws, one_pixel_blocks([1, 2, 3]), level=0.5)
    half = np.sqrt(3 / 2) * stats.t.ppf(0.75, 2) / stats.norm.ppf(0.75)
    found = wider.estimate(lambda w: w, elements=[0])
    np.testing.assert_allclose([found.low[0], found.high[0]], [1 + half * 24, 1 + half * 74])


def test_correlations_are_moved_out_on_the_z_scale():
    draws = np.tile(np.linspace(0.1, 0.9, 101)[:, None], (1, 3))
    moments = one_pixel_blocks([1, 2, 3])
    found = Drawn(draws, moments).estimate(
        lambda w: np.where(w == 1, 0.5, w), elements=[0], correlation=True
    )
    reach = np.sqrt(3 / 2) * stats.t.ppf(0.975, 2) / stats.norm.ppf(0.975)
    middle = np.arctanh(0.5)
    ends = shrunk(middle + reach * (np.arctanh(draws[[2, 98], 0]) - middle))
    np.testing.assert_allclose([found.low[0], found.high[0]], ends, rtol=1e-12)
    assert found.value[0] == 0.5


def test_undefined_draws_leave_the_interval_open():
    draws = np.tile(np.arange(101.0)[:, None], (1, 3))
    draws[:3, 0] = -np.inf  # more than 2.5 % tend to minus infinity
    draws[-2:, 1] = np.inf  # fewer than 2.5 % do not reach the end
    found = Drawn(draws, one_pixel_blocks([1, 2, 3])).estimate(lambda w: w, elements=[0])
    assert found.low[0] == -np.inf
    assert np.isfinite([found.high[0], found.low[1], found.high[1]]).all()
    # An estimate that is itself undefined has no middle to move away from.
    nowhere = Drawn(draws, one_pixel_blocks([1, 2, 3])).estimate(
        lambda w: w if len(w) > 1 else w + np.inf, elements=[0]
    )
    assert (nowhere.low[2], nowhere.high[2]) == (2, 98)


def test_variances_shared_across_block_borders_widen():
    draws = np.tile(np.arange(101.0)[:, None], (1, 3))
    moments = one_pixel_blocks([1, 2, 3])
    object.__setattr__(moments, "inflation", np.array([1.0, 3.0]))
    found = Drawn(draws, moments).estimate(lambda w: w, elements=[[0, 0], [0, 1], [1, 1]])
    # Variances grow by 1, by the mean (1 + 3) / 2, and by 3.
    width = found.high - found.low
    np.testing.assert_allclose(width / width[0], np.sqrt([1, 2, 3]), rtol=1e-12)


@pytest.mark.outside(
    "Interval of a mean of nine independent blocks",
    source="Student's t interval, scipy.stats.ttest_1samp, the installed version",
    known="computed",
    tolerance="4 % of the width, four Monte Carlo errors of 20 000 resamples",
)
def test_interval_of_a_mean_is_students():
    values = np.array([1.0, 2, 3, 4, 5, 6, 7, 8, 9])
    resampling = Resampling(one_pixel_blocks(values), Settings(n_resamples=20_000))
    found = resampling.estimate(lambda w: (w @ values / w.sum(axis=1))[:, None], elements=[0])
    theirs = stats.ttest_1samp(values, 0).confidence_interval(0.95)
    assert found.value[0] == 5
    width = theirs.high - theirs.low
    assert found.low[0] == pytest.approx(theirs.low, abs=0.02 * width)
    assert found.high[0] == pytest.approx(theirs.high, abs=0.02 * width)


@pytest.mark.parametrize(
    ("field", "enough"),
    [([0] * 3, True), ([0] * 2, False), ([0, 0, 1, 1], True), ([0, 1, 1], False)],
)
def test_blocks_that_suffice(field, enough):
    # Two degrees of freedom at least are left after each field's mean.
    resampling = Resampling(one_pixel_blocks(range(len(field)), field=np.array(field)))
    assert resampling.enough == enough
    found = resampling.estimate(mean_of(np.arange(len(field))), elements=[0])
    assert np.isnan(found.low[0]) == (not enough)
    assert np.isnan(found.p_fields[0]) == (not enough or max(field) == 0)


FIELDS = [[3.0, 4, 6, 7], [1.0, 2, 2, 3, 2], [9.0, 8, 12, 7, 9, 9]]


def three_fields(fields):
    values = np.concatenate(fields)
    place = np.repeat(np.arange(len(fields)), [len(f) for f in fields])
    return values, Resampling(one_pixel_blocks(values, field=place))


def mean_of(values):
    return lambda w: (w @ values / np.maximum(w.sum(axis=1), 1e-300))[:, None]


@pytest.mark.outside(
    "Variance between fields of one deposit, and the test that they agree",
    source="DerSimonian & Laird 1986; statsmodels combine_effects, the installed version",
    known="computed",
    tolerance="1e-10",
)
@pytest.mark.parametrize("inflation", [1.0, 1.7])
def test_variance_between_fields_equals_statsmodels(inflation):
    from statsmodels.stats.meta_analysis import combine_effects

    values, resampling = three_fields(FIELDS)
    within, between, p = resampling._between_fields(
        mean_of(values), np.asarray, np.array([inflation])
    )
    # The jackknife variance of a mean is s^2 / B exactly (Tukey 1958).
    variances = [inflation * np.var(f, ddof=1) / len(f) for f in FIELDS]
    theirs = combine_effects(
        np.array([np.mean(f) for f in FIELDS]), np.array(variances), method_re="dl"
    )
    assert within[0] == pytest.approx(1 / np.sum(1 / np.array(variances)), rel=1e-10)
    assert between[0] == pytest.approx(theirs.tau2 / 3, rel=1e-10)
    assert p[0] == pytest.approx(stats.chi2.sf(theirs.q, 2), rel=1e-10)
    # The whole reach: Satterthwaite's degrees of freedom of the two variances.
    w, b = within[0], between[0]
    freedom = (w + b) ** 2 / (w**2 / (15 - 3) + b**2 / (3 - 1))
    widening = inflation * 15 / (15 - 3) * (w + b) / w
    reach, p_again = resampling._reach(mean_of(values), np.asarray, np.array([inflation]))
    expected = np.sqrt(widening) * stats.t.ppf(0.975, freedom) / stats.norm.ppf(0.975)
    assert reach[0] == pytest.approx(expected, rel=1e-10)
    assert p_again == p


def test_fields_that_say_nothing_are_left_out():
    # The middle field does not vary, so nothing tells how well its value is known.
    values, resampling = three_fields([FIELDS[0], [5.0, 5, 5], FIELDS[2]])
    _, without = three_fields([FIELDS[0], FIELDS[2]])
    pair = np.concatenate([FIELDS[0], FIELDS[2]])
    found = resampling._between_fields(mean_of(values), np.asarray, np.ones(1))
    expected = without._between_fields(mean_of(pair), np.asarray, np.ones(1))
    np.testing.assert_allclose(found, expected, rtol=1e-12)

    # Two of three undefined: the third alone cannot disagree with itself.
    def one_defined(w):
        return np.where(w[:, :4].any(axis=1), w @ values / w.sum(axis=1), np.inf)[:, None]

    with np.errstate(invalid="ignore"):
        within, between, p = resampling._between_fields(one_defined, np.asarray, np.ones(1))
    assert within[0] == pytest.approx(np.var(FIELDS[0], ddof=1) / 4, rel=1e-12)
    assert between[0] == 0
    assert np.isnan(p[0])


def test_fields_that_agree_do_not_widen():
    # Equal means: Q = 0 is less than its expectation, and no variance is negative.
    values, resampling = three_fields([[4.0, 5, 6], [3.0, 5, 7]])
    _, between, p = resampling._between_fields(mean_of(values), np.asarray, np.ones(1))
    assert (between[0], p[0]) == (0, 1)


# --- The table of pairs --------------------------------------------------------------------------
def test_overlaps_of_the_worked_pair():
    # Slope times the ratio of the means: what of one map follows the other in proportion.
    row = pair_table(worked_pair(np.zeros((2, 2)), 2)).iloc[0]
    assert row.overlap_a_in_b == pytest.approx(S_AB / S_BB * 47 / 59, rel=1e-12)
    assert row.overlap_b_in_a == pytest.approx(S_AB / S_AA * 59 / 47, rel=1e-12)
    assert (row.element_a, row.element_b, row.basis, row.note) == ("Cu", "Zn", "maps", "")
    assert row.r == pytest.approx(S_AB / np.sqrt(S_AA * S_BB), rel=1e-12)
    assert row.r_plain == row.r


@pytest.mark.parametrize(
    ("b", "a_in_b", "b_in_a"),
    [
        # a = 0, 2, 4, 6: squares 20 about 3. b: squares 4 about 4, products 8; 8/4 * 4/3 > 1.
        ([3, 3, 5, 5], 1.0, 8 / 20 * 3 / 4),
        ([6, 4, 2, 0], 0.0, 0.0),  # against each other: none follows
        ([5, 5, 5, 5], np.nan, 0.0),  # what does not vary cannot be followed, nor follows
        ([-9, -7, -5, -3], 0.0, np.nan),  # no part of a signal of less than nothing
    ],
)
def test_overlaps_are_parts_of_a_whole(b, a_in_b, b_in_a):
    planes = np.array([[[0, 2, 4, 6]], [b]], dtype=float)
    maps = make_map_set(planes, ["Cu", "Zn"], quantity="net_counts")
    row = pair_table(block_moments(maps, block_px=1, noise=np.zeros((2, 2)))).iloc[0]
    assert [row.overlap_a_in_b, row.overlap_b_in_a] == pytest.approx([a_in_b, b_in_a], nan_ok=True)


def test_pairs_of_one_map_of_unknown_noise():
    planes = np.random.default_rng(2).poisson(4, (3, 12, 12))
    planes[2] += planes[1]
    noise = np.diag([np.nan, 1.0, 2.0])
    moments = block_moments(make_map_set(planes, ["Cu", "Zn", "Si"]), block_px=3, noise=noise)
    table = pair_table(moments)
    assert list(zip(table.element_a, table.element_b, strict=True)) == [
        ("Cu", "Zn"), ("Cu", "Si"), ("Zn", "Si"),
    ]  # fmt: skip
    assert table.r.isna().tolist() == [True, True, False]
    assert table.r_low.isna().tolist() == table.r_high.isna().tolist() == [True, True, False]
    assert [note.startswith("the noise of these maps") for note in table.note] == [
        True,
        True,
        False,
    ]
    theirs = np.corrcoef(planes.reshape(3, -1))[np.triu_indices(3, 1)]
    np.testing.assert_allclose(table.r_plain, theirs, rtol=1e-10)


def test_pairs_come_alloy_first_and_are_corrected_for_their_number():
    planes = np.random.default_rng(3).poisson(4, (4, 12, 12))
    moments = block_moments(make_map_set(planes, ["Cl", "Si", "Cu", "Zn"]), block_px=3)
    roles = Roles(("Cu", "Zn"), ("Si",), ("Cl",))
    table = pair_table(moments, roles=roles)
    assert table.element_a.tolist() == ["Cu", "Cu", "Cu", "Zn", "Zn", "Si"]
    assert table.element_b.tolist() == ["Zn", "Si", "Cl", "Si", "Cl", "Cl"]
    # Without the maps there is no shift test, only that of the block sums.
    assert table[["p_shift", "p_effective", "effective_size"]].isna().all(axis=None)
    least = table.p_value.min()
    assert table.p_holm[table.p_value.idxmin()] == pytest.approx(min(6 * least, 1))  # Holm, first
    assert pair_table(moments).element_a.tolist() == ["Cl", "Cl", "Cl", "Si", "Si", "Cu"]


def test_interval_of_a_correlation_by_a_second_route():
    # Pearson's r of the drawn blocks' pixels, each moved out from the estimate on Fisher's z.
    moments = worked_pair(np.zeros((2, 2)), 2)
    settings = Settings(n_resamples=100, seed=5)
    pixels = np.array([A, B]).reshape(2, 2, 2, 2, 2).transpose(0, 1, 3, 2, 4).reshape(2, 16)
    draws = [
        np.corrcoef(np.repeat(pixels, np.repeat(w, 4).astype(int), axis=1))[0, 1]
        for w in moments.resample_weights(100, 5)
    ]
    centre = np.arctanh(S_AB / np.sqrt(S_AA * S_BB))
    # What blocks of 2 px miss across their borders widens the variance beside the few blocks.
    widening = moments.inflation.mean() * 4 / 3
    reach = np.sqrt(widening) * stats.t.ppf(0.975, 3) / stats.norm.ppf(0.975)
    ends = shrunk(centre + reach * (stretched(np.sort(draws)[[2, 97]]) - centre))
    found = noise_corrected_correlation(moments, "Cu", "Zn", settings=settings)
    assert (found.r_low, found.r_high) == pytest.approx(np.clip(ends, -1, 1), rel=1e-9)
    row = pair_table(moments, settings=settings).iloc[0]
    assert (row.r_low, row.r_high) == pytest.approx((found.r_low, found.r_high), rel=1e-12)


def test_one_element_has_no_pairs():
    moments = block_moments(make_map_set(np.ones((1, 6, 6)), ["Cu"]), block_px=3)
    table = pair_table(moments)
    assert len(table) == 0
    assert list(table)[:3] == ["element_a", "element_b", "r"]


def percent_field(rng):
    amounts = np.exp(0.5 * rng.standard_normal((3, 24, 24)))
    parts = 100 * amounts / amounts.sum(axis=0)
    return make_map_set(
        parts, ["Cu", "Zn", "Sn"], quantity="mass_percent", variance=np.full_like(parts, 1e-6)
    )


def test_percent_maps_of_several_fields_keep_each_fields_mean():
    # The log-ratio correlation within fields: squares and products about each field's own mean.
    rng = np.random.default_rng(4)
    fields = [percent_field(rng), percent_field(rng)]
    moments = [block_moments(field, block_px=6) for field in fields]
    table = pair_table(moments[0].merge(moments[1]), maps=fields)
    logs = [np.log(field.counts.values).reshape(3, -1) for field in fields]
    logs = [part - part.mean(axis=0) for part in logs]
    within = sum(np.cov(part) for part in logs)
    expected = within / np.sqrt(np.outer(within.diagonal(), within.diagonal()))
    np.testing.assert_allclose(table.r, expected[np.triu_indices(3, 1)], rtol=1e-3)
    assert set(table.basis) == {"log-ratios"}
    assert table.p_fields.notna().all()
    # Without the maps there are no log-ratios, and the closure is told.
    closed = pair_table(moments[0])
    assert set(closed.basis) == {"maps"}
    assert closed.note.str.startswith("percentages sum to a whole").all()


def test_two_percentages_say_so_after_what_else_there_is_to_say():
    part = np.arange(16.0).reshape(4, 4) + 40
    maps = make_map_set(
        [part, 100 - part], ["Cu", "Zn"], quantity="atomic_percent", variance=np.ones((2, 4, 4))
    )
    row = pair_table(block_moments(maps, block_px=4), maps=maps).iloc[0]
    assert row.basis == "maps"
    assert row.note.startswith("the field is too small for an interval; percentages sum to a whole")


# --- The classic coefficients --------------------------------------------------------------------


# --- Units ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("unit", [1e-5, 1e4])
def test_no_answer_depends_on_the_unit_of_the_maps(unit):
    # Correlations, sizes and p-values are ratios: in another unit they are the same.
    rng = np.random.default_rng(6)
    planes = rng.poisson(4, (4, 20, 24)).astype(float)
    planes[1] += planes[0]
    planes[3] += 0.3 * (9 - planes[1])

    def told(scale):
        maps = make_map_set(scale * planes, ["Cu", "Zn", "Cl", "Si"], quantity="net_counts")
        moments = block_moments(maps, block_px=4, noise=scale**2 * np.eye(4))
        roles = infer_roles(moments)
        return (
            roles,
            pair_table(moments, maps=maps, roles=roles).set_index(["element_a", "element_b"]),
        )

    roles, pairs = told(1.0)
    other_roles, other_pairs = told(unit)
    assert other_roles == roles
    words = pairs.select_dtypes(exclude="number")
    pd.testing.assert_frame_equal(words, other_pairs[words.columns])
    numbers = pairs.select_dtypes(include="number")
    pd.testing.assert_frame_equal(numbers, other_pairs[numbers.columns], rtol=1e-6, atol=1e-12)

"""Fitted size distributions: truth recovered through truncation and border, and honest p-values."""

import numpy as np
import pytest
from scipy import stats

from lognormal_truth import LognormalSizes
from spattermap.core.errors import InputError
from spattermap.measure.fits import (
    FAMILIES,
    Seen,
    Window,
    _process_covariance,
    _seen_cumulative,
    fit_sizes,
    fit_table,
    quantity_of,
)

RNG = np.random.default_rng


# Parameters in the order of the families.
REFERENCE = {
    "lognormal": (np.array([0.3, np.log(0.5)]), stats.lognorm(0.5, scale=np.exp(0.3))),
    "Weibull": (np.array([0.3, np.log(1.7)]), stats.weibull_min(1.7, scale=np.exp(0.3))),
    "gamma": (np.array([0.3, np.log(2.2)]), stats.gamma(2.2, scale=np.exp(0.3))),
}


@pytest.mark.outside(
    "Density, distribution and moments of lognormal, Weibull and gamma",
    source="scipy.stats, the installed version",
    known="computed",
    tolerance="1e-12; moments 1e-9",
)
@pytest.mark.parametrize("name", REFERENCE)
def test_families_against_scipy(name):
    theta, reference = REFERENCE[name]
    family, d = FAMILIES[name], np.array([0.1, 0.7, 1.0, 3.0, 9.0])
    np.testing.assert_allclose(family.log_density(theta, d), reference.logpdf(d), rtol=1e-12)
    np.testing.assert_allclose(family.cumulative(theta, d), reference.cdf(d), rtol=1e-12)
    for order in (1, 2, 3, 4):
        assert family.raw_moment(theta, order) == pytest.approx(reference.moment(order), rel=1e-9)


@pytest.mark.outside(
    "Density, distribution and moments of two lognormals",
    source="weighted sums of scipy.stats.lognorm",
    known="computed",
    tolerance="1e-6",
)
def test_mixture_is_the_weighted_sum():
    theta = np.array([np.log(0.7 / 0.3), 0.0, np.log(0.2), 1.5, np.log(0.4)])
    family, d = FAMILIES["two lognormals"], np.array([0.5, 1.0, 4.0])
    first, second = stats.lognorm(0.2), stats.lognorm(0.4, scale=np.exp(1.5))
    np.testing.assert_allclose(
        np.exp(family.log_density(theta, d)), 0.7 * first.pdf(d) + 0.3 * second.pdf(d)
    )
    np.testing.assert_allclose(
        family.cumulative(theta, d), 0.7 * first.cdf(d) + 0.3 * second.cdf(d)
    )
    assert family.raw_moment(theta, 2) == pytest.approx(
        0.7 * first.moment(2) + 0.3 * second.moment(2)
    )


@pytest.mark.outside(
    "Lognormal fit without truncation",
    source="closed form of the maximum likelihood; log-likelihood from scipy.stats",
    known="exact",
    tolerance="1e-4; log-likelihood 0.001",
)
def test_without_truncation_the_lognormal_fit_is_the_closed_form():
    d = RNG(0).lognormal(1, 0.4, 300)
    fit = fit_sizes(d, families=("lognormal",))[0]
    assert fit.parameters["median"] == pytest.approx(np.exp(np.log(d).mean()), rel=1e-4)
    assert fit.parameters["sigma_g"] == pytest.approx(np.exp(np.log(d).std()), rel=1e-4)
    expected = stats.lognorm.logpdf(d, np.log(d).std(), scale=np.exp(np.log(d).mean())).sum()
    assert fit.log_likelihood == pytest.approx(expected, abs=1e-3)
    assert fit.aic == pytest.approx(4 - 2 * expected, abs=2e-3)
    assert fit.bic == pytest.approx(2 * np.log(300) - 2 * expected, abs=2e-3)


@pytest.mark.outside(
    "Gamma and Weibull fits",
    source="scipy.stats.gamma.fit and weibull_min.fit, the installed version",
    known="computed",
    tolerance="0.1 %",
)
def test_other_families_agree_with_scipy_fits():
    d = RNG(1).gamma(3.0, 1.5, 400)
    gamma = fit_sizes(d, families=("gamma",))[0].parameters
    shape, _, scale = stats.gamma.fit(d, floc=0)
    assert (gamma["shape"], gamma["scale"]) == pytest.approx((shape, scale), rel=1e-3)
    weibull = fit_sizes(d, families=("Weibull",))[0].parameters
    shape, _, scale = stats.weibull_min.fit(d, floc=0)
    assert (weibull["shape"], weibull["scale"]) == pytest.approx((shape, scale), rel=1e-3)


def seen(d, smallest, frame, rng):
    """Keep what a field shows: not below `smallest`, and not cut by the frame."""
    uncut = rng.random(len(d)) < np.prod([np.clip(1 - d / z, 0, 1) for z in frame], axis=0)
    return d[(d >= smallest) & uncut]


@pytest.mark.parametrize(
    ("family", "draw", "truth"),
    [
        ("lognormal", lambda r, n: r.lognormal(0, np.log(1.6), n), {"median": 1, "sigma_g": 1.6}),
        ("Weibull", lambda r, n: 1.3 * r.weibull(1.8, n), {"scale": 1.3, "shape": 1.8}),
        ("gamma", lambda r, n: r.gamma(4.0, 0.3, n), {"scale": 0.3, "shape": 4.0}),
    ],
)
def test_truncated_fits_recover_the_truth_within_three_percent(family, draw, truth):
    # The lower third is cut off, and the frame cuts the large: means over 5 fields.
    rng = RNG(6)
    frame = (9.0, 12.0)
    smallest = float(np.quantile(draw(rng, 100_000), 0.3))
    found = []
    for seed in range(5):
        d = seen(draw(rng, 20_000), smallest, frame, rng)
        fit = fit_sizes(d, smallest=smallest, frame=frame, families=(family,), seed=seed)[0]
        found.append([fit.parameters[name] for name in truth])
    np.testing.assert_allclose(np.mean(found, axis=0), list(truth.values()), rtol=0.03)


def test_taking_no_account_of_truncation_is_off():
    rng = RNG(3)
    d = rng.lognormal(0, np.log(1.6), 20_000)
    kept = d[d >= 0.8]
    naive = fit_sizes(kept, families=("lognormal",))[0]
    honest = fit_sizes(kept, smallest=0.8, families=("lognormal",))[0]
    assert naive.parameters["median"] > 1.2
    assert honest.parameters["median"] == pytest.approx(1, rel=0.05)


def test_two_populations_are_found_and_parted():
    rng = RNG(5)
    d = np.concatenate([rng.lognormal(0, 0.25, 1500), rng.lognormal(np.log(4), 0.3, 500)])
    best = fit_sizes(d, smallest=0.5)[0]
    assert best.family == "two lognormals"
    assert best.p_value > 0.01
    assert best.parameters["share_small"] == pytest.approx(0.75, abs=0.04)
    assert best.parameters["median_small"] == pytest.approx(1, rel=0.03)
    assert best.parameters["median_large"] == pytest.approx(4, rel=0.05)


def test_one_population_is_not_parted():
    chosen = [fit_sizes(RNG(seed).lognormal(0, 0.5, 500), smallest=0.3)[0] for seed in range(6)]
    assert sum(fit.family == "two lognormals" for fit in chosen) == 0
    assert sum(fit.family == "lognormal" for fit in chosen) >= 5


def test_curves_of_a_lognormal_fit_are_those_of_hatch_and_choate():
    fit = fit_sizes(RNG(0).lognormal(0, 0.5, 500), families=("lognormal",))[0]
    truth = LognormalSizes(**fit.parameters)
    for weighting in ("number", "area", "volume"):
        for percent in (10, 50, 90):
            expected = truth.percentile(percent, weighting=weighting)
            found = quantity_of(FAMILIES[fit.family], fit.theta, f"{weighting} D{percent}")
            assert found == pytest.approx(expected, rel=1e-3)
    mean = quantity_of(FAMILIES[fit.family], fit.theta, "D[4,3]")
    assert mean == pytest.approx(truth.moment_mean(4, 3), rel=1e-9)
    low, high = fit.interval("D[4,3]")
    assert low < mean < high


def _rejections(draw, n, runs, family, smallest):
    p = []
    for seed in range(runs):
        d = draw(RNG([seed, 3]), n)
        fits = fit_sizes(d[d >= smallest], smallest=smallest, families=(family,), seed=seed)
        p.append(fits[0].p_value)
    return np.mean(np.array(p) <= 0.05)


def test_goodness_of_fit_keeps_its_level_and_sees_a_wrong_family():
    true = _rejections(lambda r, n: r.lognormal(0, 0.5, n), 300, 40, "lognormal", 0.6)
    assert true <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 40)
    wrong = _rejections(lambda r, n: r.gamma(2.0, 1.0, n), 300, 10, "lognormal", 0.01)
    assert wrong >= 0.9


def test_covariance_of_the_process_is_the_mean_product():
    # Reference: the process of every droplet written out, and multiplied.
    rng = RNG(2)
    d, at = np.sort(rng.random(50)), np.array([0.2, 0.5, 0.9])
    model, slope, influence = at**1.1, rng.normal(size=(3, 2)), rng.normal(size=(50, 2))
    process = (d[:, None] <= at) - model - influence @ slope.T
    found = _process_covariance(d, at, model, slope, influence)
    np.testing.assert_allclose(found, process.T @ process / 50, rtol=1e-12, atol=1e-14)


@pytest.mark.calibration
@pytest.mark.parametrize("n", [60, 300, 2000])
@pytest.mark.parametrize(
    ("family", "draw"),
    [
        ("lognormal", lambda r, n: r.lognormal(0, 0.5, n)),
        ("Weibull", lambda r, n: 2 * r.weibull(1.8, n)),
        ("gamma", lambda r, n: r.gamma(3.0, 1.0, n)),
    ],
)
def test_goodness_of_fit_rejects_at_most_its_level(family, draw, n):
    # Conservative at small n; never above 5 % by more than four standard errors.
    share = _rejections(draw, n, 300, family, 0.6)
    assert share <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 300)
    assert n < 300 or share >= 0.05 - 4 * np.sqrt(0.05 * 0.95 / 300)


@pytest.mark.calibration
def test_intervals_of_the_fit_cover_between_92_and_98_percent():
    truth = LognormalSizes(1, 1.6)
    names = {"number D50": truth.median, "D[4,3]": truth.moment_mean(4, 3)}
    hits = {name: [] for name in names}
    for seed in range(400):
        d = RNG([seed, 9]).lognormal(0, np.log(1.6), 500)
        fit = fit_sizes(d[d >= 0.7], smallest=0.7, families=("lognormal",))[0]
        for name, value in names.items():
            low, high = fit.interval(name, seed=seed, n_draws=400)
            hits[name].append(low <= value <= high)
    for name, found in hits.items():
        assert 0.92 <= np.mean(found) <= 0.98, (name, np.mean(found))


def test_whole_pixels_do_not_look_like_misfit():
    # Areas in whole pixels put many droplets on one diameter; spreading them mends the p-value.
    rejected = 0
    for seed in range(10):
        area = np.rint(np.pi / 4 * RNG(seed).lognormal(np.log(5), 0.3, 2000) ** 2)
        d = np.sqrt(4 / np.pi * area[area >= 8])
        smallest = float(np.sqrt(4 / np.pi * 7.5))
        fit = fit_sizes(d, smallest=smallest, area_step=1.0, families=("lognormal",), seed=seed)
        rejected += fit[0].p_value < 0.05
    assert rejected <= 3


def test_too_few_droplets_have_no_fit():
    assert fit_sizes(RNG(0).lognormal(0, 0.4, 19)) == []
    assert fit_sizes([]) == []
    assert [f.family for f in fit_sizes(RNG(0).lognormal(0, 0.4, 40))].count("two lognormals") == 0
    table = fit_table([])
    assert len(table) == 0
    assert "bic_above_best" in table


def test_table_is_sorted():
    table = fit_table(fit_sizes(RNG(0).lognormal(0, 0.4, 200)))
    assert table.bic.is_monotonic_increasing
    assert table.bic_above_best[0] == 0


def test_refusals():
    with pytest.raises(InputError, match="positive"):
        fit_sizes([1.0, -1.0])
    with pytest.raises(InputError, match="families"):
        fit_sizes(np.linspace(1, 2, 50), families=("normal",))


def test_a_family_far_from_what_is_seen_still_has_a_distribution():
    # Two droplets that are small in a wide frame: a narrow lognormal far below the window left
    # only densities that round to 0, and no distribution function.
    d = np.array([4.0, 5.0])
    seen = Seen.of(FAMILIES["lognormal"], d, Window(smallest=3.0, frame=(100.0, 100.0)))
    found = _seen_cumulative(seen, np.array([np.log(0.01), np.log(np.log(1.1))]), d)
    assert np.all((found > 0.99) & (found <= 1.0))

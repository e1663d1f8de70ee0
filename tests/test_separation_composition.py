"""Composition droplet by droplet: by hand, against general statistics libraries, and on truth."""

import numpy as np
import pytest

from spattermap.core.errors import InputError
from spattermap.core.mapset import make_map_set
from spattermap.core.settings import Settings
from spattermap.synthesis import Deposit, Droplets, make_deposit
from spattermap.verdict.composition import (
    _deviance,
    _logistic_slope,
    _relative_scatter,
    droplet_composition,
)

QUICK = Settings(n_resamples=300)
BIG = Deposit(
    shape=(256, 256), counts_per_pixel=8.0, electron_image=False, background=0.0,
    droplets=Droplets(d50_px=14.0, coverage=0.3),
)  # fmt: skip


def compare(spec, element="Zn", seed=2):
    scene = make_deposit(spec, seed=seed)
    return droplet_composition(
        scene.maps, scene.labels, element, alloy=tuple(spec.alloy),
        n_droplets=scene.truth["droplet_count"], blur_px=spec.blur_px, settings=QUICK,
    )  # fmt: skip


def test_parts_by_hand():
    labels = np.zeros((4, 8), np.int32)
    labels[1, 1:3], labels[2, 5:7] = 1, 2
    copper = np.where(labels == 1, 3.0, np.where(labels == 2, 1.0, 9.0))
    zinc = np.where(labels == 1, 1.0, np.where(labels == 2, 1.0, 9.0))
    maps = make_map_set(np.stack([copper, zinc]), ["Cu", "Zn"])
    table = droplet_composition(maps, labels, "Zn", alloy=("Cu", "Zn"), n_droplets=2).droplets
    assert table["counts"].tolist() == [2.0, 2.0]
    assert table["alloy_counts"].tolist() == [8.0, 4.0]
    assert table["part"].tolist() == [0.25, 0.5]
    assert table["diameter_px"].tolist() == pytest.approx([2 * np.sqrt(2 / np.pi)] * 2)


@pytest.mark.outside(
    "Likelihood ratio of one composition for all droplets",
    source="scipy.stats.chi2_contingency with the log-likelihood statistic, the installed version",
    known="computed",
    tolerance="1e-12",
)
def test_likelihood_ratio_against_scipy():
    stats = pytest.importorskip("scipy.stats")
    k, m = np.array([12.0, 5.0, 30.0, 8.0]), np.array([40.0, 31.0, 70.0, 33.0])
    expected = stats.chi2_contingency(
        np.stack([k, m - k]), lambda_="log-likelihood", correction=False
    ).statistic
    assert float(_deviance(k, m)) == pytest.approx(expected, rel=1e-12)


@pytest.mark.outside(
    "Slope of the composition with droplet size",
    source="statsmodels GLM, binomial family, logit link, the installed version",
    known="computed",
    tolerance="1e-6",
)
def test_size_slope_against_statsmodels():
    api = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(1)
    x, m = rng.normal(3.0, 0.5, 40), rng.integers(20, 200, 40).astype(float)
    k = rng.binomial(m.astype(int), 1 / (1 + np.exp(1.5 - 0.4 * x))).astype(float)
    fit = api.GLM(
        np.column_stack([k, m - k]), api.add_constant(x), family=api.families.Binomial()
    ).fit()
    found = _logistic_slope(k, m, x, np.ones((1, 40)))
    assert found[0] == pytest.approx(fit.params[1], rel=1e-6)


@pytest.mark.outside(
    "Rim against centre of droplets, pooled log odds and its error",
    source="Robins et al. 1986, by statsmodels StratifiedTable, the installed version",
    known="computed",
    tolerance="1e-9",
)
def test_rim_to_centre_against_statsmodels():
    tables = pytest.importorskip("statsmodels.stats.contingency_tables")
    spec = BIG.with_changes(shape=(96, 96))
    scene = make_deposit(spec, seed=3)
    n = scene.truth["droplet_count"]
    found = droplet_composition(
        scene.maps, scene.labels, "Zn", alloy=("Cu", "Zn"), n_droplets=n, settings=QUICK
    ).rim_to_centre
    # The same strata, built the slow way.
    from scipy.ndimage import distance_transform_edt, minimum_filter

    labels = np.where(scene.labels <= n, scene.labels, 0)
    shifted = [np.roll(labels, s, axis=a) for a in (0, 1) for s in (1, -1)]
    edge = np.zeros(labels.shape, bool)
    for moved, (axis, step) in zip(shifted, [(0, 1), (0, -1), (1, 1), (1, -1)], strict=True):
        differs = moved != labels
        border = [slice(None)] * 2
        border[axis] = 0 if step == 1 else -1
        differs[tuple(border)] = False  # nothing lies beyond the field
        edge |= differs
    assert minimum_filter(labels, 1).shape == labels.shape
    depth = distance_transform_edt(~edge)
    strata = []
    for label in range(1, n + 1):
        centre = (labels == label) & (depth > 1.5)
        rim = (labels == label) & ~centre
        if centre.sum() < 9:
            continue
        strata.append([
            [float(scene.maps["counts"].sel(element=e).values[where].sum()) for e in ("Zn", "Cu")]
            for where in (centre, rim)
        ])  # fmt: skip
    pooled = tables.StratifiedTable([np.array(s) for s in strata])
    assert found.n_droplets == len(strata)
    assert found.value == pytest.approx(pooled.logodds_pooled, rel=1e-9)
    error = (found.high - found.low) / 2 / 1.959963984540054
    assert error == pytest.approx(pooled.logodds_pooled_se, rel=1e-9)


def test_scatter_is_recovered():
    rng = np.random.default_rng(4)
    m = rng.integers(100, 400, 3000).astype(float)
    part = 0.3 * (1 + 0.2 * rng.standard_normal(3000))
    k = rng.binomial(m.astype(int), part).astype(float)
    # Four standard errors of a standard deviation from 3000 droplets: 0.2 * 4 / sqrt(6000), and
    # as much again for the counting variance that is taken off.
    assert float(_relative_scatter(k, m)) == pytest.approx(0.2, abs=0.02)


def test_one_composition_is_not_called_many():
    found = compare(BIG)
    assert found.p_same > 0.01
    assert not found.droplets["differs"].any()
    assert found.scatter_low == 0.0
    assert any("One composition explains all droplets" in s for s in found.sentences())


def test_scatter_from_droplet_to_droplet_is_seen():
    found = compare(BIG.with_changes(composition_scatter={"Zn": 0.4}))
    assert found.p_same <= 0.001
    assert found.scatter_low > 0
    assert any("do not share one composition" in s for s in found.sentences())


def test_small_droplets_lose_the_volatile_part():
    spec = BIG.with_changes(
        volatile_loss_px={"Zn": 12.0}, droplets=Droplets(d50_px=12.0, sigma_g=1.6, coverage=0.3)
    )
    found = compare(spec)
    assert found.with_size.low > 0
    assert any("Small droplets hold less" in s for s in found.sentences())
    # One composition for all sizes: an interval of 95 % may miss zero once in five seeds.
    trends = [compare(BIG, seed=seed).with_size for seed in range(2, 7)]
    assert sum(trend.low < 0 < trend.high for trend in trends) >= 4


@pytest.mark.parametrize(
    ("element", "alloy", "words"),
    [("Ag", ("Cu", "Zn"), "got 'Ag'"), ("Cu", ("Cu",), "no composition")],
)
def test_refusals(element, alloy, words):
    maps = make_map_set(np.ones((2, 4, 4)), ["Cu", "Zn"])
    with pytest.raises(InputError, match=words):
        droplet_composition(maps, np.ones((4, 4), np.int32), element, alloy=alloy, n_droplets=1)


def test_only_counts_can_be_compared():
    maps = make_map_set(np.ones((2, 4, 4)), ["Cu", "Zn"], quantity="mass_percent")
    with pytest.raises(InputError, match="Export raw counts"):
        droplet_composition(maps, np.ones((4, 4), np.int32), "Cu", alloy=("Cu", "Zn"), n_droplets=1)


@pytest.mark.calibration
def test_false_alarms_of_one_composition():
    p = [compare(BIG.with_changes(shape=(128, 128)), seed=s).p_same for s in range(200)]
    # Rejection at 5 %: four binomial standard errors of 200 trials.
    assert np.mean(np.array(p) <= 0.05) == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 200))

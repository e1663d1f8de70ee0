"""Counting statistics against published values, and noise recovered from simulated maps."""

import numpy as np
import pytest
from scipy import ndimage

from spattermap.core.errors import InputError
from spattermap.core.mapset import make_map_set
from spattermap.noise import counting, noise_models


@pytest.mark.outside(
    "Wilson's interval of a coverage",
    source="Newcombe, Statist. Med. 17 (1998) 857, Table I; statsmodels prints the same digits",
    known="from memory, computed",
    tolerance="half the last printed digit",
)
@pytest.mark.parametrize(
    ("r", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0, 0.1611),
     (1, 29, 0.0061, 0.1718), (5, 100, 0.0215, 0.1118)],
)  # fmt: skip
def test_wilson(r, n, low, high):
    assert counting.wilson_interval(r, n) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.outside(
    "Critical level and detection limit, paired blank",
    source="Currie, Anal. Chem. 40 (1968) 586, eqs 11 to 15, unrounded with k = 1.644854",
    known="computed",
    tolerance="0.001 counts",
)
@pytest.mark.outside(
    "Critical level and detection limit, well-known background",
    source="Currie, Anal. Chem. 40 (1968) 586, unrounded with k = 1.644854",
    known="computed",
    tolerance="0.001 counts",
)
@pytest.mark.parametrize(
    ("background", "paired", "known"),
    [
        (1, (2.3262, 7.3579), (1.6449, 5.9953)),
        (4, (4.6523, 12.0102), (3.2897, 9.2850)),
        (10, (7.3560, 17.4176), (5.2015, 13.1085)),
        (25, (11.6309, 25.9673), (8.2243, 19.1541)),
        (100, (23.2617, 49.2290), (16.4485, 35.6026)),
        (400, (46.5235, 95.7525), (32.8971, 68.4997)),
        (1000, (73.5601, 149.8257), (52.0148, 106.7352)),
        (10000, (232.6174, 467.9404), (164.4854, 331.6763)),
    ],
)
def test_currie_limits(background, paired, known):
    assert counting.currie_limits(2 * background) == pytest.approx(paired, abs=1e-3)
    assert counting.currie_limits(background) == pytest.approx(known, abs=1e-3)


@pytest.mark.outside(
    "Critical level 2.33 sqrt(B) of a paired blank",
    source="Currie, Anal. Chem. 40 (1968) 586, as quoted in a university's notes on radiometrics",
    known="seen",
    tolerance="half the last printed digit",
)
def test_currie_as_it_is_quoted():
    critical, _ = counting.currie_limits(2e4)
    assert critical / 100 == pytest.approx(2.33, abs=0.005)


@pytest.mark.outside(
    "False alarms and finds at Currie's limits, 100 background counts",
    source="separate simulation of 200 000 trials from Currie's definitions: 4.86 % and 94.8 %",
    known="computed",
    tolerance="0.5 points",
)
def test_currie_error_rates():
    rng = np.random.default_rng(5)
    critical, detection = counting.currie_limits(200.0)
    blank = rng.poisson(100, 200_000) - rng.poisson(100, 200_000)
    signal = rng.poisson(100 + float(detection), 200_000) - rng.poisson(100, 200_000)
    assert np.mean(blank > critical) == pytest.approx(0.0486, abs=0.005)
    assert np.mean(signal > critical) == pytest.approx(0.948, abs=0.005)


def deposit(mean, *, seed=3, blur=0.0):
    """Discs on a bare plate, sharp or blurred, as expected counts."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:192, :192]
    field = np.full((192, 192), 0.5)
    for _ in range(30):
        cy, cx = rng.uniform(0, 192, 2)
        field += 3.0 * ((y - cy) ** 2 + (x - cx) ** 2 < rng.lognormal(1.5, 0.6) ** 2)
    return mean * (ndimage.gaussian_filter(field, blur) if blur else field)


def one(values, quantity="counts", **more):
    return make_map_set(np.asarray(values)[None], ["Cu"], quantity=quantity, **more)


@pytest.mark.parametrize("mean", [0.05, 1.0, 30.0])
def test_raw_counts_are_poisson(mean):
    counts = np.random.default_rng(1).poisson(deposit(mean))
    (model,) = noise_models.noise_model(one(counts))
    assert (model.kind, model.gain, model.correctable) == ("poisson", 1.0, True)
    assert np.array_equal(noise_models.noise_variance(one(counts)).values[0], counts)


@pytest.mark.parametrize("mean", [0.1, 1.0, 30.0])
@pytest.mark.parametrize("gain", [7.3, 0.0123, 4.0])
def test_hidden_gain_is_recovered(mean, gain):
    counts = np.random.default_rng(2).poisson(deposit(mean))
    scaled = one((counts * gain).astype(np.float32), "intensity")
    (model,) = noise_models.noise_model(scaled)
    assert model.kind == "scaled counts"
    assert model.gain == pytest.approx(gain, rel=1e-5)
    back = noise_models.without_gain(scaled)
    assert back.attrs["quantity"] == "counts"
    assert np.array_equal(back["counts"].values[0], counts)
    assert scaled.attrs["quantity"] == "intensity"  # the input is left alone


def test_gain_without_a_lattice_is_estimated_from_the_noise():
    # Gain 7.3, then a background taken off and rounding to one decimal: no lattice is left.
    rng = np.random.default_rng(2)
    counts = rng.poisson(deposit(5.0, blur=1.0))
    values = counts * 7.3 + rng.normal(0, 0.5, counts.shape)
    (model,) = noise_models.noise_model(one(values, "net_counts"))
    assert model.kind == "estimated"
    # 192^2 pixels: the variance of a filtered map is known to about 2 %, the slope to 3 %.
    assert model.gain == pytest.approx(7.3, rel=0.06)


@pytest.mark.parametrize(
    "smooth",
    [
        lambda a: ndimage.gaussian_filter(a, 1.0),
        lambda a: ndimage.gaussian_filter(a, 0.6),
        lambda a: np.abs(ndimage.uniform_filter(a, 3)),  # its running sum leaves -1e-15
        lambda a: ndimage.zoom(a[:96, :96], 2, order=1),
    ],
)
@pytest.mark.parametrize("mean", [0.1, 1.0, 30.0])
@pytest.mark.parametrize("quantity", ["counts", "intensity", "mass_percent"])
def test_smoothing_is_detected(smooth, mean, quantity):
    raw = np.random.default_rng(4).poisson(deposit(mean)).astype(float)
    (model,) = noise_models.noise_model(one(smooth(raw), quantity))
    assert model.kind == "smoothed"
    assert not model.correctable
    assert "smoothed or interpolated" in model.note


def test_percent_maps_get_an_estimated_variance():
    rng = np.random.default_rng(6)
    truth = 40 * deposit(1.0, blur=1.0) / deposit(1.0).max()
    percent = truth + rng.normal(0, np.sqrt(0.3 + 0.05 * truth))
    maps = one(percent, "mass_percent")
    (model,) = noise_models.noise_model(maps)
    assert model.kind == "estimated"
    estimated = float(noise_models.noise_variance(maps).mean())
    assert estimated == pytest.approx(float(np.mean(0.3 + 0.05 * truth)), rel=0.05)


def test_carried_variance_is_returned():
    maps = one(np.ones((20, 20)), "net_counts", variance=np.full((1, 20, 20), 2.5))
    assert noise_models.noise_model(maps)[0].kind == "carried"
    assert np.all(noise_models.noise_variance(maps).values == 2.5)


def test_structure_is_not_taken_for_a_gain_or_smoothing():
    # 3000 counts a pixel, sharp discs: the difference mask sees mostly edges.
    counts = np.random.default_rng(8).poisson(deposit(1000.0))
    assert noise_models.noise_model(one(counts))[0].kind == "poisson"


def test_empty_and_tiny_maps_have_a_model():
    assert noise_models.noise_model(one(np.zeros((8, 8), dtype=int)))[0].kind == "poisson"
    assert noise_models.noise_model(one([[1, 2]]))[0].kind == "poisson"
    assert not noise_models.noise_model(one([[1.5, 2.0]], "intensity"))[0].correctable


def test_lazy_maps_stay_lazy():
    counts = np.random.default_rng(1).poisson(deposit(1.0))
    lazy = one(counts).chunk({"y": 64, "x": 64})
    variance = noise_models.noise_variance(lazy)
    assert variance.chunks is not None
    assert np.array_equal(variance.values[0], counts)


@pytest.mark.parametrize("shape", [(20, 30), (75, 100)])
@pytest.mark.parametrize("mean", [0.001, 0.01, 0.1, 1.0])
def test_few_raw_counts_are_not_taken_for_smoothed(shape, mean):
    rng = np.random.default_rng(11)
    kinds = [noise_models.noise_model(one(rng.poisson(mean, shape)))[0].kind for _ in range(60)]
    # Three standard errors: at most one in a hundred, so two in sixty are past believing.
    assert kinds.count("poisson") >= 58


@pytest.mark.parametrize(
    "call",
    [
        lambda: counting.wilson_interval(5, 3),
        lambda: counting.wilson_interval(float("nan"), 3),
        lambda: counting.wilson_interval(1, 3, 95),
    ],
)
def test_refusals(call):
    with pytest.raises(InputError):
        call()

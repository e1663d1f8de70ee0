"""Coverage of one field and over fields, against standards and an exact model."""

import numpy as np
import pytest

from spattermap.core.errors import InputError
from spattermap.measure.coverage import (
    coverage_interval,
    t_multiplier,
    threshold_sensitivity,
)
from spattermap.noise.counting import wilson_interval

T = {5: 2.776, 6: 2.571, 7: 2.447, 8: 2.365, 9: 2.306, 10: 2.262, 11: 2.228, 12: 2.201, 13: 2.179,
     14: 2.160, 15: 2.145, 16: 2.131, 17: 2.120, 18: 2.110, 19: 2.101, 20: 2.093, 21: 2.086,
     22: 2.080, 23: 2.074, 24: 2.069, 25: 2.064, 26: 2.060, 27: 2.056, 28: 2.052, 29: 2.048,
     30: 2.045, 40: 2.023, 60: 2.001, 10**9: 1.960}  # fmt: skip


@pytest.mark.outside(
    "Multiplier t(0.975, n - 1) for n fields",
    source="ASTM E562, table 1; digits from scipy",
    known="from memory, computed",
    tolerance="0.001",
)
@pytest.mark.parametrize(("n", "t"), T.items())
def test_t_multiplier(n, t):
    assert t_multiplier(n) == pytest.approx(t, abs=0.001)


def boolean_model(side, density, radius, rng):
    """Return discs of one radius at random; coverage is 1 - exp(-density pi r^2) exactly."""
    out = np.zeros((side, side), bool)
    n = rng.poisson(density * (side + 2 * radius) ** 2)
    for y, x in rng.uniform(-radius, side + radius, (n, 2)):
        rows = slice(max(0, int(y - radius)), max(0, int(y + radius) + 2))
        columns = slice(max(0, int(x - radius)), max(0, int(x + radius) + 2))
        part = out[rows, columns]
        yy = np.arange(rows.start, rows.start + part.shape[0])[:, None]
        xx = np.arange(columns.start, columns.start + part.shape[1])
        part |= (yy - y) ** 2 + (xx - x) ** 2 <= radius**2
    return out


def two_point(density, radius, h):
    """Return the two-point function of the Boolean model of discs (Matheron; Stoyan et al.)."""
    p = 1 - np.exp(-density * np.pi * radius**2)
    h = np.minimum(np.asarray(h, dtype=float), 2 * radius)
    lens = 2 * radius**2 * np.arccos(h / 2 / radius) - h / 2 * np.sqrt(4 * radius**2 - h**2)
    return 2 * p - 1 + (1 - p) ** 2 * np.exp(density * lens)


def test_the_model_itself():
    # Computed from the formula: p, S2(5), S2(10), S2(>= 20).
    assert two_point(1e-3, 10, [0, 5, 10, 20]) == pytest.approx(
        [0.2695973, 0.2007857, 0.1424096, 0.0726827], abs=5e-8
    )


def exact_standard_error(density, radius, side):
    lag = np.arange(-2 * radius, 2 * radius + 1)
    h = np.hypot(lag[:, None], lag)
    p = two_point(density, radius, 0)
    pairs = (side - np.abs(lag))[:, None] * (side - np.abs(lag))
    return float(np.sqrt((pairs * (two_point(density, radius, h) - p**2)).sum()) / side**2)


@pytest.mark.outside(
    "Coverage of a Boolean model of discs",
    source="Matheron; Stoyan, Kendall & Mecke: p = 1 - exp(-lambda pi r^2) = 0.2695973",
    known="exact",
    tolerance="3 standard errors of 60 fields",
)
@pytest.mark.outside(
    "Standard error of the coverage of one field of discs",
    source="two-point function of the Boolean model (Matheron; Stoyan, Kendall & Mecke)",
    known="exact",
    tolerance="15 %; the interval must hold the truth in 95 % of fields less 4 standard errors",
)
def test_boolean_coverage_and_its_standard_error():
    side, density, radius = 256, 1e-3, 10
    truth = 0.2695973
    error = exact_standard_error(density, radius, side)
    rng = np.random.default_rng(5)
    found = [coverage_interval(boolean_model(side, density, radius, rng)) for _ in range(60)]
    values = np.array([c.value for c in found])
    assert abs(values.mean() - truth) < 3 * error / np.sqrt(60)
    estimated = np.mean([c.standard_error for c in found])
    assert estimated == pytest.approx(error, rel=0.15)
    covered = np.mean([c.low <= truth <= c.high for c in found])
    assert covered >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / 60)
    # Pixels taken as independent fail far below 95 %: the reason for all this.
    naive = [wilson_interval(c.value * side**2, side**2) for c in found]
    assert np.mean([low <= truth <= high for low, high in naive]) < 0.4


@pytest.mark.calibration
@pytest.mark.parametrize(
    ("side", "density", "radius"),
    [(256, 1e-3, 10), (256, 3e-4, 10), (256, 5e-4, 20), (400, 1e-4, 8), (1000, 1e-3, 10)],
)
def test_boolean_coverage_covers_between_92_and_98_percent(side, density, radius):
    rng = np.random.default_rng(6)
    truth = 1 - np.exp(-density * np.pi * radius**2)
    hits = []
    for _ in range(500 if side < 500 else 200):
        found = coverage_interval(boolean_model(side, density, radius, rng))
        hits.append(found.low <= truth <= found.high)
    assert 0.92 <= np.mean(hits) <= 0.98


@pytest.mark.outside(
    "Standard error of the coverage of independent pixels",
    source="binomial, sqrt(p (1 - p) / n)",
    known="exact",
    tolerance="25 %",
)
def test_uncorrelated_pixels_give_the_binomial_interval():
    metal = np.random.default_rng(0).random((300, 300)) < 0.3
    found = coverage_interval(metal)
    # Binomial standard error sqrt(p (1 - p) / n).
    assert found.standard_error == pytest.approx(np.sqrt(0.21 / 90000), rel=0.25)


def test_invalid_pixels_do_not_count():
    metal = np.zeros((40, 40), dtype=bool)
    metal[:, :20] = True
    valid = np.ones_like(metal)
    valid[:, :10] = False
    assert coverage_interval(metal, valid=valid).value == pytest.approx(1 / 3)


@pytest.mark.outside(
    "Upper bound of the coverage of a bare field",
    source="Wilson's bound at zero, z^2 / (n + z^2)",
    known="exact",
    tolerance="1e-4",
)
def test_bare_and_full_fields_keep_an_open_bound():
    bare = coverage_interval(np.zeros((100, 100)), grain_px=10)
    assert (bare.value, bare.low) == (0, 0)
    # 127 places for a grain of 10 px; Wilson's upper bound at zero is z^2 / (n + z^2).
    n = 1e4 / (np.pi / 4 * 100)
    assert bare.high == pytest.approx(3.8415 / (n + 3.8415), rel=1e-4)
    full = coverage_interval(np.ones((100, 100)), grain_px=10)
    assert (full.value, full.high) == (1, 1)
    assert full.low == pytest.approx(1 - bare.high)


def test_structure_as_large_as_the_field_is_not_trusted():
    metal = np.zeros((100, 100), dtype=bool)
    metal[:, :50] = True
    assert not coverage_interval(metal).trusted


@pytest.mark.outside(
    "Standard error of the coverage of a large field of discs",
    source="two-point function of the Boolean model (Matheron; Stoyan, Kendall & Mecke)",
    known="exact",
    tolerance="25 %",
)
def test_large_fields_are_averaged_without_changing_the_answer():
    rng = np.random.default_rng(1)
    metal = boolean_model(900, 1e-3, 10, rng)
    error = exact_standard_error(1e-3, 10, 900)
    assert coverage_interval(metal).standard_error == pytest.approx(error, rel=0.25)


def test_threshold_sensitivity_by_hand():
    table = threshold_sensitivity(np.array([[-3.0, -0.7, 0.7, 3.0]])).set_index("log_odds")
    assert table.coverage[[-1, 0, 1]].tolist() == [0.75, 0.5, 0.25]
    assert table.odds[[-1, 0, 1]].tolist() == pytest.approx([1 / np.e, 1, np.e])


def test_shapes_must_fit():
    with pytest.raises(InputError, match="valid must have the shape"):
        coverage_interval(np.ones((3, 3)), valid=np.ones((2, 3)))

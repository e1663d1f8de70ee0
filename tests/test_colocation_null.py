"""The spatial null: how often unrelated maps are called related."""

import numpy as np
import pytest
from scipy import ndimage, signal, stats

from spattermap.core.errors import InputError
from spattermap.core.mapset import make_map_set
from spattermap.noise.moments import block_moments
from spattermap.verdict.correlation import adjusted
from spattermap.verdict.nulls import block_p_values, pair_nulls, spatial_null

CHECKERBOARD = np.indices((8, 8)).sum(axis=0) % 2
HALVES = np.repeat([0, 1], 32).reshape(8, 8)


# --- Lattice identities --------------------------------------------------------------------------


# --- Modified t test -----------------------------------------------------------------------------


# --- Many pairs --------------------------------------------------------------------------------
@pytest.mark.outside(
    "p-values adjusted for many pairs (Holm; Benjamini & Hochberg)",
    source="statsmodels multipletests, the installed version",
    known="computed",
    tolerance="1e-7",
)
@pytest.mark.parametrize(("method", "theirs"), [("holm", "holm"), ("benjamini-hochberg", "fdr_bh")])
def test_adjusted_equals_statsmodels(method, theirs):
    from statsmodels.stats.multitest import multipletests

    p = np.random.default_rng(6).random(25) ** 3
    np.testing.assert_allclose(adjusted(p, method=method), multipletests(p, method=theirs)[1])


def test_adjusted_skips_what_was_not_tested():
    np.testing.assert_array_equal(adjusted([0.01, np.nan, 0.04]), [0.02, np.nan, 0.04])


# --- Shifts ------------------------------------------------------------------------------------


def clustered(rng, size, radius, cover):
    """Return a map of discs dropped at random (Boolean model), cut from a larger field."""
    margin = int(4 * radius)
    side = size + 2 * margin
    count = rng.poisson(cover * side**2 / (np.pi * radius**2 * 1.3))
    y, x = np.mgrid[:side, :side]
    found = np.zeros((side, side), dtype=bool)
    for cy, cx, r in np.column_stack(
        [rng.random((count, 2)) * side, radius * np.exp(0.4 * rng.standard_normal(count))]
    ):
        box = (slice(int(max(cy - r, 0)), int(cy + r + 2)),
               slice(int(max(cx - r, 0)), int(cx + r + 2)))  # fmt: skip
        found[box] |= (y[box] - cy) ** 2 + (x[box] - cx) ** 2 <= r**2
    return found[margin:-margin, margin:-margin].astype(float)


def two_unrelated(rng, size=96, radius=3.0, cover=0.25, dose=1.0):
    rates = np.stack([clustered(rng, size, radius, cover) + 0.1 for _ in range(2)])
    return make_map_set(rng.poisson(dose * rates), ["Cu", "Zn"])


def rejection_rates(n_pairs, seed, **scene):
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(n_pairs):
        maps = two_unrelated(rng, **scene)
        a, b = maps.counts.values
        found.append(
            [spatial_null(maps, "Cu", "Zn").p_value, stats.pearsonr(a.ravel(), b.ravel()).pvalue]
        )
    return (np.array(found) < 0.05).mean(axis=0)


def test_unrelated_clustered_maps_are_seldom_rejected():
    ours, naive = rejection_rates(120, seed=11)
    # Four binomial standard errors of 120 trials at 5 % (STYLE): 8 points.
    assert ours <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 120)
    assert naive > 0.15  # the trap: independent pixels are taken for granted


def test_block_sums_alone_seldom_reject_unrelated_maps():
    rng = np.random.default_rng(19)
    p = [block_p_values(block_moments(two_unrelated(rng)))[0, 1] for _ in range(120)]
    assert np.mean(np.array(p) < 0.05) <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 120)


def test_block_sums_alone_find_related_maps():
    rng = np.random.default_rng(20)
    cover = clustered(rng, 96, 3.0, 0.25)
    maps = make_map_set(rng.poisson(np.stack([cover, cover, 1 - cover])), ["Cu", "Zn", "Si"])
    p = block_p_values(block_moments(maps))
    assert (p[np.triu_indices(3, 1)] < 0.01).all()
    assert (p > 0).all()
    assert (np.diag(p) == 1).all()


@pytest.mark.calibration
@pytest.mark.parametrize(
    "scene",
    [
        {"size": 96, "radius": 3.0, "dose": 1.0},
        {"size": 128, "radius": 4.0, "dose": 0.3},
        {"size": 192, "radius": 5.0, "dose": 3.0},
    ],
)
def test_null_of_a_thousand_pairs(scene):
    ours, naive = rejection_rates(1000, seed=12, **scene)
    print(f"{scene}: spatial null rejects {100 * ours:.1f} %, plain pixel t {100 * naive:.1f} %")
    assert 0.035 <= ours <= 0.065


def autoregressive(rng, size, phi):
    """Return a separable AR(1) x AR(1) field."""
    field = rng.standard_normal((size + 60, size + 60))
    for axis in (0, 1):
        field = signal.lfilter([1], [1, -phi], field, axis=axis)
    return field[60:, 60:]


@pytest.mark.outside(
    "Effective sample size of fields of known autocorrelation",
    source="exact traces for AR(1) x AR(1), 20 x 20, phi = 0.7: 60.67 (Dutilleul 1993)",
    known="computed",
    tolerance="4 standard errors of 300 fields; each estimate within a factor of 1.5 by the median",
)
@pytest.mark.outside(
    "False alarms of the plain t test on such fields, and of the corrected one",
    source="separate simulation: 44.5 % at nominal 5 %",
    known="computed",
    tolerance="4 standard errors of 300 fields",
)
def test_effective_size_of_autoregressive_fields():
    rng = np.random.default_rng(13)
    r, size, p, naive = [], [], [], []
    for _ in range(300):
        fields = np.stack([autoregressive(rng, 20, 0.7) for _ in range(2)])
        maps = make_map_set(
            fields, ["Cu", "Zn"], quantity="net_counts", variance=np.zeros_like(fields)
        )
        found = pair_nulls([maps])
        r.append(found["r"][0, 1])
        size.append(found["effective_size"][0, 1])
        p.append(found["p_value"][0, 1] < 0.05)
        naive.append(stats.pearsonr(*fields.reshape(2, -1)).pvalue < 0.05)
    # 1/var(r) + 1 is the effective size itself; its relative error over 300 fields is sqrt(2/300).
    assert 1 / np.var(r) + 1 == pytest.approx(60.67, rel=4 * np.sqrt(2 / 300))
    # Ours is estimated from one field each; a factor of 1.5 is allowed.
    assert 60.67 / 1.5 < np.median(size) < 60.67 * 1.5
    assert np.mean(p) <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 300)
    assert np.mean(naive) == pytest.approx(0.445, abs=4 * np.sqrt(0.445 * 0.555 / 300))


# --- What the test must find, and how it must not fail ------------------------------------------
def test_related_maps_are_found_and_p_is_never_zero():
    rng = np.random.default_rng(14)
    cover = clustered(rng, 96, 3.0, 0.25)
    maps = make_map_set(rng.poisson(np.stack([20 * cover, 30 * cover])), ["Cu", "Zn"])
    found = spatial_null(maps, "Cu", "Zn")
    assert 0 < found.p_value < 0.001
    assert found.p_effective > 0
    assert found.p_shift == pytest.approx(1 / (1 + found.n_shifts))
    assert found.p_value == max(found.p_shift, found.p_effective)


def test_identical_maps_have_a_p_value_above_zero():
    plane = np.random.default_rng(15).poisson(3, (40, 40))
    assert spatial_null(make_map_set([plane, plane], ["Cu", "Zn"]), "Cu", "Zn").p_value > 0


def test_a_field_as_large_as_its_structure_proves_nothing():
    ramp = np.tile(np.arange(32.0), (32, 1))
    found = spatial_null(make_map_set([ramp + 5, 2 * ramp + 5], ["Cu", "Zn"]), "Cu", "Zn")
    assert found.r == pytest.approx(1)
    assert found.p_value > 0.05


def test_masked_pixels_do_not_enter():
    rng = np.random.default_rng(16)
    maps = two_unrelated(rng, size=64)
    keep = np.ones((64, 64), dtype=bool)
    keep[:, 40:] = False
    spoilt = maps.counts.values.copy()
    spoilt[:, ~keep] = 10_000  # a charging artefact in both maps at the same place
    masked = maps.assign(counts=(maps.counts.dims, spoilt), valid=(("y", "x"), keep))
    clean = maps.assign(valid=(("y", "x"), keep))
    assert spatial_null(masked, "Cu", "Zn") == spatial_null(clean, "Cu", "Zn")


def test_fields_of_one_deposit_are_tested_together():
    rng = np.random.default_rng(17)
    fields = []
    for _ in range(4):
        shared = clustered(rng, 48, 3.0, 0.25)
        own = np.stack([clustered(rng, 48, 3.0, 0.25) for _ in range(2)])
        fields.append(make_map_set(rng.poisson(shared + 1.5 * own), ["Cu", "Zn"]))
    one, four = spatial_null(fields[0], "Cu", "Zn"), spatial_null(fields, "Cu", "Zn")
    assert four.effective_size > 2 * one.effective_size
    assert np.isnan(four.p_shift)
    assert four.p_value < 0.01


def test_smoothing_does_not_make_unrelated_maps_related():
    rng = np.random.default_rng(18)
    planes = ndimage.gaussian_filter(rng.poisson(2.0, (2, 128, 128)).astype(float), (0, 4, 4))
    naive = stats.pearsonr(*planes.reshape(2, -1)).pvalue
    maps = make_map_set(planes, ["Cu", "Zn"], quantity="intensity")
    assert naive < 1e-3 < spatial_null(maps, "Cu", "Zn").p_value


def test_unknown_element_is_named():
    with pytest.raises(InputError, match="Xe"):
        spatial_null(two_unrelated(np.random.default_rng(0), size=48), "Cu", "Xe")

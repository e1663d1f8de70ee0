"""The spatial null, block p-values, log-ratios and roles against direct sums and worked cases."""

from itertools import product

import numpy as np
import pytest
from scipy import stats

from spattermap.core.errors import InputError
from spattermap.core.mapset import make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.correlation_length import structure_of
from spattermap.noise.moments import block_moments
from spattermap.verdict.correlation import infer_roles
from spattermap.verdict.nulls import block_p_values, pair_nulls, spatial_null
from spattermap.verdict.pairs import log_ratio_maps, log_ratio_moments

NAMES = ["Cu", "Zn", "Si"]


# --- The spatial null by direct sums -------------------------------------------------------------
def products_by_loops(planes, use):
    """Return sums of products and numbers of pairs at every lag up to half the field."""
    height, width = use.shape
    away = [(plane - plane[use].mean()) * use for plane in planes]
    found = {}
    for dy in range(-(height // 2), height // 2 + 1):
        for dx in range(-(width // 2), width // 2 + 1):
            here = [
                (y, x)
                for y in range(max(0, -dy), min(height, height - dy))
                for x in range(max(0, -dx), min(width, width - dx))
            ]
            total, pairs = np.zeros((len(planes), len(planes))), 0
            for y, x in here:
                pairs += use[y, x] and use[y + dy, x + dx]
                for i, one in enumerate(away):
                    for j, other in enumerate(away):
                        total[i, j] += one[y, x] * other[y + dy, x + dx]
            if pairs:
                found[dy, dx] = total, pairs
    return found


def null_by_loops(planes, use, near):
    """Return effective size, its p and the rank of zero shift (Clifford 1989; Dutilleul 1993)."""
    lags = products_by_loops(planes, use)
    (top, whole) = lags[0, 0]
    spread = sum(np.outer(np.diag(s), np.diag(s)) / n for s, n in lags.values())
    size = 1 + np.outer(np.diag(top), np.diag(top)) / spread
    r = top / np.sqrt(np.outer(np.diag(top), np.diag(top)))
    t = np.abs(r) * np.sqrt((size - 2) / np.maximum(1 - r**2, 1e-15))
    far = [(s, n) for lag, (s, n) in lags.items() if np.hypot(*lag) > near]
    beyond = sum(
        np.abs(s) / np.sqrt(n) >= np.abs(top) / np.sqrt(whole) * (1 - 1e-9) for s, n in far
    )
    rank = (1 + beyond) / (1 + len(far))
    return r, size, np.where(size >= 3, 2 * stats.t.sf(t, size - 2), 1.0), rank, len(far)


def related(shape, seed=1, masked=False):
    rng = np.random.default_rng(seed)
    planes = rng.poisson(6, (3, *shape)).astype(float)
    planes[1] += 0.5 * planes[0]
    use = np.ones(shape, dtype=bool)
    if masked == "sparse":  # lags with a single pair
        use = rng.random(shape) < 0.25
    elif masked:
        use[0, 1:3] = use[-1, 0] = use[2, -2:] = False
    return planes, use


def as_maps(planes, use):
    return make_map_set(planes, NAMES[: len(planes)], quantity="net_counts", valid=use)


@pytest.mark.outside(
    "Effective sample size and rank of zero shift of small maps",
    source="direct sums over every lag, pixel by pixel (Clifford, Richardson & Hemon 1989)",
    known="exact",
    tolerance="1e-9",
)
@pytest.mark.parametrize(
    ("shape", "length", "masked"),
    [
        *product([(6, 5), (7, 8), (5, 10)], [0.5, 1.0], [False, True]),
        ((8, 9), 0.5, "sparse"),
        ((1, 20), 0.0, False),
    ],
)
def test_null_equals_direct_sums(shape, length, masked):
    planes, use = related(shape, masked=masked)
    r, size, p, rank, shifts = null_by_loops(planes, use, 2 * length)
    found = pair_nulls([as_maps(planes, use)], length_px=length)
    pairs = np.triu_indices(3, 1)
    np.testing.assert_allclose(found["r"], r, rtol=1e-9)
    np.testing.assert_allclose(found["effective_size"], size, rtol=1e-9)
    np.testing.assert_allclose(found["p_effective"][pairs], p[pairs], rtol=1e-9)
    np.testing.assert_allclose(found["p_shift"][pairs], rank[pairs], rtol=1e-9)
    np.testing.assert_array_equal(found["p_shift"][pairs], found["p_shift"].T[pairs])
    assert (found["n_shifts"] == shifts).all()
    assert (found["side_px"] == 1).all()
    np.testing.assert_array_equal(
        found["p_value"][pairs], np.maximum(found["p_shift"], found["p_effective"])[pairs]
    )


def test_null_on_bins_is_that_of_the_summed_maps():
    planes, use = related((12, 16), seed=2)
    fine = pair_nulls([as_maps(planes, use)], side_px=2, length_px=2.4)
    summed = planes.reshape(3, 6, 2, 8, 2).sum(axis=(2, 4))
    coarse = pair_nulls([as_maps(summed, use[::2, ::2])], length_px=1.2)
    for name in ("r", "effective_size", "p_effective", "p_shift", "n_shifts"):
        np.testing.assert_allclose(fine[name], coarse[name], rtol=1e-9)
    assert (fine["side_px"] == 2).all()


@pytest.mark.parametrize(("length", "side"), [(128, 1), (129, 2), (256, 2), (257, 3)])
def test_bins_are_no_more_than_can_be_transformed_at_once(length, side):
    planes = np.random.default_rng(3).poisson(5, (2, 3, length))
    for maps in (planes, planes.transpose(0, 2, 1)):
        found = pair_nulls([make_map_set(maps, NAMES[:2])], length_px=1.0)
        assert (found["side_px"] == side).all()


def test_the_correlation_length_is_estimated_where_it_is_not_given():
    planes, use = related((24, 24), seed=4)
    for _ in range(2):  # averages over 3 x 3 and 5 x 5 pixels: structure of a few pixels
        planes = sum(np.roll(planes, s, axis=(1, 2)) for s in ((0, 0), (0, 1), (1, 0), (1, 1)))
    maps = as_maps(planes, use).assign(variance=(("element", "y", "x"), 0 * planes))
    length = structure_of(maps).length_px
    assert length > 1.2
    found, told = pair_nulls([maps]), pair_nulls([maps], length_px=length)
    assert found["n_shifts"][0, 1] == told["n_shifts"][0, 1]
    near = np.hypot(*np.mgrid[-12:13, -12:13]) <= 2 * length
    assert found["n_shifts"][0, 1] == 25 * 25 - near.sum()


def test_too_few_shifts_cannot_reach_one_in_twenty():
    # A row of 20 has 20 shifts but zero up to half its length; without the two next to it, 18.
    planes, use = related((1, 20))
    few = pair_nulls([as_maps(planes, use)], length_px=0.5)
    assert (few["n_shifts"] == 18).all()
    assert (few["p_shift"] == 1).all()
    ranked = pair_nulls([as_maps(planes, use)], length_px=0.4)
    assert (ranked["n_shifts"] == 20).all()
    assert ranked["p_shift"][0, 1] < 1


def test_fields_add_up_about_their_own_means():
    one, use = related((6, 5), seed=5)
    other, more = related((7, 6), seed=6, masked=True)
    other += 50  # counted longer: must not feign co-variation
    found = pair_nulls([as_maps(one, use), as_maps(other, more)], length_px=1.0)
    lags = [products_by_loops(one, use), products_by_loops(other, more)]
    top = lags[0][0, 0][0] + lags[1][0, 0][0]
    spread = sum(np.outer(np.diag(s), np.diag(s)) / n for field in lags for s, n in field.values())
    np.testing.assert_allclose(
        found["effective_size"], 1 + np.outer(np.diag(top), np.diag(top)) / spread, rtol=1e-9
    )
    np.testing.assert_allclose(found["r"], top / np.sqrt(np.outer(*[np.diag(top)] * 2)), rtol=1e-9)
    assert np.isnan(found["p_shift"]).all()
    np.testing.assert_array_equal(found["p_value"], found["p_effective"])
    assert (found["n_shifts"] == 0).all()


def test_shared_noise_is_taken_off_the_products_alone():
    planes, use = related((6, 5), seed=7, masked=True)
    noise = np.full((3, 3), 0.7)
    plain = pair_nulls([as_maps(planes, use)], length_px=1.0)
    aware = pair_nulls([as_maps(planes, use)], length_px=1.0, noise=noise)
    top = products_by_loops(planes, use)[0, 0][0]
    lowered = top - 0.7 * use.sum()
    np.fill_diagonal(lowered, np.diag(top))
    np.testing.assert_allclose(
        aware["r"], lowered / np.sqrt(np.outer(*[np.diag(top)] * 2)), rtol=1e-9
    )
    np.testing.assert_allclose(aware["effective_size"], plain["effective_size"], rtol=1e-12)


def test_a_constant_map_has_no_correlation_and_proves_nothing():
    planes, use = related((6, 6), seed=8)
    planes[2] = 4.0
    found = pair_nulls([as_maps(planes, use)], length_px=0.5)
    assert np.isnan(found["r"][0, 2])
    assert np.isnan(found["effective_size"][0, 2])
    assert found["p_value"][0, 2] == 1


def test_the_pair_asked_for_is_the_pair_told():
    planes, use = related((8, 8), seed=9)
    maps = as_maps(planes, use)
    found = spatial_null(maps, "Si", "Zn", side_px=1)
    table = pair_nulls([maps], side_px=1)
    for name in ("r", "p_value", "p_shift", "p_effective", "effective_size", "n_shifts"):
        assert getattr(found, name) == pytest.approx(table[name][2, 1], rel=1e-9)
    assert found.side_px == 1
    assert found.r == pytest.approx(np.corrcoef(planes[2].ravel(), planes[1].ravel())[0, 1])


# --- Block sums alone ----------------------------------------------------------------------------
def block_sums_of(n, s1, comoment, noise, field):
    from spattermap.noise.moments import BlockMoments

    n, s1 = np.array(n, dtype=float), np.array(s1, dtype=float)
    square = np.zeros((n.size, 2, 2))
    return BlockMoments(
        ("Cu", "Zn"), n, s1, square + np.array(comoment, dtype=float)[:, None, None],
        square + np.array(noise, dtype=float)[:, None, None], np.zeros((n.size, 3)),
        np.zeros((n.size, 3, 2)), np.zeros((n.size, 3, 2)), 2, np.array(field),
        np.zeros((n.size, 2), dtype=np.int64), np.ones(2),
    )  # fmt: skip


@pytest.mark.outside(
    "p-value of the covariance of three blocks",
    source="Student's t of 2 degrees of freedom in closed form: 1 - t / sqrt(2 + t^2)",
    known="exact",
    tolerance="1e-12",
)
@pytest.mark.parametrize("sign", [1, -1, 1e-6])  # turned round, and in another unit
def test_block_p_value_by_hand(sign):
    # Products within blocks 4, 2, 1, less noise 1 each; means 12/8 and 8/8, so the blocks deviate
    # by -1, 1, 0 and 2, -2, 0 and add -2/2, -2/2, 0: in all 2, 0, 0.
    moments = block_sums_of(
        [2, 2, 4], [[2, 4 * sign], [4, 0], [6, 4 * sign]],
        sign * np.array([4, 2, 1]), sign * np.array([1.0, 1, 1]), [0, 0, 0],
    )  # fmt: skip
    t = 2 / np.sqrt(4)
    p = block_p_values(moments)
    assert p[0, 1] == p[1, 0] == pytest.approx(1 - t / np.sqrt(2 + t**2), rel=1e-12)
    assert p[0, 0] == p[1, 1] == 1


def test_block_p_value_of_two_fields_by_hand():
    # Each field has its own mean: deviations -1, 1 | 1, -1 and -2, 2 | 3, -3, products 2, 2, 3, 3
    # over one pixel each. Two degrees of freedom are left: t = 10 / sqrt(26).
    moments = block_sums_of(
        [1, 1, 1, 1], [[1, 1], [3, 5], [102, 16], [100, 10]], [0] * 4, [0] * 4, [0, 0, 1, 1]
    )
    t = 10 / np.sqrt(26)
    assert block_p_values(moments)[0, 1] == pytest.approx(1 - t / np.sqrt(2 + t**2), rel=1e-12)


def test_block_p_value_of_two_blocks_and_of_one():
    # One degree of freedom (Cauchy): p = 1 - (2 / pi) atan t; deviations give products 1 and 1.
    moments = block_sums_of([1, 1], [[1, 1], [3, 3]], [0, 0], [0, 0], [0, 0])
    t = 2 / np.sqrt(2)
    assert block_p_values(moments)[0, 1] == pytest.approx(1 - 2 / np.pi * np.arctan(t), rel=1e-12)
    one = block_sums_of([4], [[1, 1]], [3], [0], [0])
    assert (block_p_values(one) == 1).all()
    nothing = block_sums_of([1, 1, 1], [[1, 1]] * 3, [0] * 3, [0] * 3, [0] * 3)
    assert (block_p_values(nothing) == 1).all()  # no products at all: no evidence


def test_p_values_are_above_zero_however_strong_the_evidence():
    # t = sqrt(4000): the tail is about 2^-2000, below the smallest number there is.
    many = 4000
    moments = block_sums_of([1] * many, [[1, 1]] * many, [5] * many, [0] * many, [0] * many)
    assert block_p_values(moments)[0, 1] == np.finfo(float).tiny


# --- Shifts and neighbours -----------------------------------------------------------------------


# --- Correlation between places ------------------------------------------------------------------


# --- Log-ratios ----------------------------------------------------------------------------------
def percents(planes, variance):
    return make_map_set(
        planes, NAMES[: len(planes)], quantity="mass_percent",
        variance=np.zeros(np.shape(planes)) + variance,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("size", "noise", "side"),
    [
        (64, (9, 9, 9), 1),  # 3 of 10 is just good enough
        (64, (9.1, 9.1, 9.1), 2),
        (64, (36, 36, 36), 2),  # 6 of 10: over 2 x 2 pixels 3
        (64, (1, 81, 6400), 3),  # the middle one decides: 9 of 10
        (64, (900, 900, 900), 4),  # a sixteenth of the field at most
        (8, (900, 900, 900), 1),
    ],
)
def test_bins_of_percent_maps_are_as_small_as_the_noise_allows(size, noise, side):
    planes = np.full((3, size, size), 10.0)
    variance = np.array(noise, dtype=float)[:, None, None]
    assert log_ratio_maps(percents(planes, variance)).sizes["x"] == size // side


def test_log_ratios_of_bins_by_hand():
    # Bins of 2 x 2: means 20 and 80 percent, the variance of a mean of four is a quarter.
    planes = np.array([[[10.0, 30, 20, 20]] * 2, [[90.0, 70, 80, 80]] * 2])
    found = log_ratio_maps(percents(planes, 4.0), side_px=2)
    expected = 0.5 * np.log(20 / 80)
    np.testing.assert_allclose(found.counts, [[[expected] * 2], [[-expected] * 2]], rtol=1e-12)
    np.testing.assert_allclose(found["variance"], [[[1 / 20**2] * 2], [[1 / 80**2] * 2]])
    assert list(found["element"].values) == ["Cu", "Zn"]


def test_parts_at_three_standard_deviations_are_seen():
    planes = np.array([[[6.0, 5.9]], [[94.0, 94.1]]])
    found = log_ratio_maps(percents(planes, 4.0), side_px=1).counts.values
    assert found[0, 0, 0] == pytest.approx(0.5 * np.log(6 / 94))
    # Below, 0.65 of the limit stands for the part (Martin-Fernandez et al. 2003).
    assert found[0, 0, 1] == pytest.approx(0.5 * np.log(0.65 * 6 / 94.1))


def test_without_known_noise_the_least_value_seen_is_the_limit():
    planes = np.array([[[0.0, 4, 9]], [[0.0, 0, 0]], [[100.0, 96, 91]]])
    found = log_ratio_maps(percents(planes, 0.0), side_px=1).counts.values
    stand_in = np.log([[0.65 * 4, 4, 9], [0.65, 0.65, 0.65], [100, 96, 91]])
    np.testing.assert_allclose(found[:, 0], stand_in - stand_in.mean(axis=0), rtol=1e-12)


def test_masked_bins_are_not_used():
    planes = np.full((2, 2, 4), 50.0)
    planes[0, :, 1], planes[1, :, 1] = 20.0, 80.0
    maps = percents(planes, 1.0)
    valid = np.ones((2, 4), dtype=bool)
    valid[:, 0] = valid[:, 2:] = False
    found = log_ratio_maps(maps.assign(valid=(("y", "x"), valid)), side_px=2)
    assert found["valid"].values.tolist() == [[True, False]]
    assert found.counts.values[0, 0, 0] == pytest.approx(0.5 * np.log(20 / 80))
    np.testing.assert_allclose(found["variance"].values[:, 0, 0], 0.5 / np.array([20, 80]) ** 2)


def test_one_part_has_no_ratio():
    with pytest.raises(InputError, match="at least two elements"):
        log_ratio_maps(percents(np.full((1, 4, 4), 50.0), 1.0))


def test_noise_of_centred_logs_by_hand():
    # Relative variances u, v of two parts: half the log of their ratio has (u + v) / 4, and the
    # other part the same with the other sign.
    planes = np.full((2, 12, 24), 50.0)
    planes[0], planes[1] = 20.0, 80.0
    moments, ratios = log_ratio_moments(percents(planes, 4.0), block_px=12, side_px=2)
    assert ratios.sizes == {"element": 2, "y": 6, "x": 12}
    assert (moments.block_px, moments.n_blocks) == (6, 2)
    half = (1 / 20**2 + 1 / 80**2) / 4
    np.testing.assert_allclose(
        moments.noise[0], 36 * half * np.array([[1, -1], [-1, 1]]), rtol=1e-12
    )
    small, _ = log_ratio_moments(percents(planes, 4.0), block_px=2, side_px=4)
    assert small.block_px == 2


# --- Roles ---------------------------------------------------------------------------------------
def opposed(names, groups, *, seed=13, noise=None):
    """Maps that follow one of three independent patterns: its number, negative against it."""
    rng = np.random.default_rng(seed)
    base = rng.standard_normal((4, 40, 40))
    planes = [50 + np.sign(g) * base[abs(g)] if g else np.full((40, 40), 50.0) for g in groups]
    return block_moments(
        make_map_set(planes, names, quantity="net_counts"),
        block_px=8,
        noise=np.zeros((len(names),) * 2) if noise is None else noise,
    )


@pytest.mark.parametrize(
    ("names", "groups", "alloy", "substrate", "other"),
    [
        # Metal against glass, and one that follows neither.
        (["Cu", "Zn", "Si", "O", "Cl"], [1, 1, -1, -1, 2], "Cu Zn", "Si O", "Cl"),
        (["Si", "O", "Cu", "Zn"], [1, 1, -1, -1], "Cu Zn", "Si O", ""),
        # A map that does not vary takes no side.
        (["Cu", "Zn", "Cl", "Si", "O"], [1, 1, 0, -1, -1], "Cu Zn", "Si O", "Cl"),
        # No glass former at all: those that move together are the alloy, on either side.
        (["Cu", "Zn", "Ni"], [1, 1, -1], "Cu Zn Ni", "", ""),
        # A glass former that moves with the metal is neither.
        (["Cu", "Zn", "Mg", "Si", "O"], [1, 1, 1, -1, -1], "Cu Zn", "Si O", "Mg"),
        # What moves with the glass without being a former is neither.
        (["Cu", "Zn", "S", "Si", "O"], [1, 1, -1, -1, -1], "Cu Zn", "Si O", "S"),
        # Only formers vary: no two sides, so the names alone decide.
        (["Cu", "Si", "O"], [0, -1, -1], "Cu", "Si O", ""),
        # One element alone has no company.
        (["Cu", "Si"], [1, 0], "Cu", "Si", ""),
    ],
)
def test_roles_by_the_side_on_which_elements_stand(names, groups, alloy, substrate, other):
    roles = infer_roles(opposed(names, groups))
    assert (roles.alloy, roles.substrate, roles.other) == tuple(
        tuple(words.split()) for words in (alloy, substrate, other)
    )
    assert roles.assumed
    assert "glass formers" in roles.how


def test_unknown_noise_leaves_roles_to_the_maps_as_they_are():
    noise = np.diag([np.nan, 0.0, 0.0, 0.0])
    roles = infer_roles(opposed(["Cu", "Zn", "Si", "O"], [1, 1, -1, -1], noise=noise))
    assert (roles.alloy, roles.substrate) == (("Cu", "Zn"), ("Si", "O"))
    assert "rise and fall against" in roles.how


def test_what_the_noise_could_be_takes_no_side():
    # All of the variance is noise: none is left to part the elements by.
    noise = 1.02 * np.eye(4)
    roles = infer_roles(opposed(["Cu", "Zn", "Si", "O"], [1, 2, -1, -2], noise=noise))
    assert "alone: the maps show no two sides" in roles.how
    assert (roles.alloy, roles.substrate) == (("Cu", "Zn"), ("Si", "O"))


@pytest.mark.parametrize(("part", "alloy"), [(0.25, ("Cu", "Zn")), (0.36, ("Cu", "Zn", "Ni"))])
def test_weak_followers_stay_other(part, alloy):
    # Correlation `part` with a pattern that the others share: 0.3 is asked for.
    rng = np.random.default_rng(14)
    base, own = rng.standard_normal((2, 200, 200))
    planes = [50 + base, 50 + base, 50 + part * base + np.sqrt(1 - part**2) * own, 50 - base]
    moments = block_moments(
        make_map_set(planes, ["Cu", "Zn", "Ni", "Si"], quantity="net_counts"),
        block_px=20,
        noise=np.zeros((4, 4)),
    )
    assert infer_roles(moments).alloy == alloy


def test_resampling_settings_reach_the_answer():
    # Another level asks for another width of the same interval.
    from spattermap.verdict.correlation import noise_corrected_correlation

    moments = opposed(["Cu", "Zn"], [1, 2])
    wide, slim = (
        noise_corrected_correlation(moments, "Cu", "Zn", settings=Settings(level=level))
        for level in (0.99, 0.5)
    )
    assert wide.r == slim.r
    assert wide.r_low < slim.r_low < slim.r < slim.r_high < wide.r_high

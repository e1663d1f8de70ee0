"""Block sums and autocovariance against direct sums on arrays small enough to work by hand."""

from dataclasses import FrozenInstanceError, replace

import dask.array as da
import numpy as np
import pytest

from spattermap.core.errors import InputError
from spattermap.core.mapset import make_map_set
from spattermap.noise.correlation_length import (
    PROBE_LINES,
    Correlated,
    _along_axes,
    _line_products,
    _own_profile,
    _reach,
    bin_sums,
    structure_of,
)
from spattermap.noise.moments import _spans, block_moments, default_block_px

NAMES = ["Cu", "Zn", "Si"]
PER_E = np.exp(-1)


def counted(planes, names=NAMES, **more):
    planes = np.asarray(planes, dtype=float)
    return make_map_set(planes, names[: len(planes)], quantity="net_counts", **more)


def pixels_of(seed, shape=(6, 9), elements=2):
    return np.random.default_rng(seed).poisson(5, (elements, *shape)).astype(float)


def test_blocks_are_cut_as_evenly_as_whole_pixels_allow():
    m = block_moments(counted(pixels_of(1, (7, 11))), block_px=3, noise=np.zeros((2, 2)))
    # 7 rows in two blocks, 11 columns in three: 3.67 and 7.33 go to the nearest pixel.
    assert np.unique(m.corner[:, 0]).tolist() == [0, 4]
    assert np.unique(m.corner[:, 1]).tolist() == [0, 4, 7]
    assert m.n.tolist() == [16, 12, 16, 12, 9, 12]
    assert m.block_px == 3
    whole = block_moments(counted(pixels_of(1, (7, 11))), block_px=50, noise=np.zeros((2, 2)))
    assert whole.n.tolist() == [77]


def test_means_and_raw_products():
    planes = pixels_of(2)
    m = block_moments(counted(planes), block_px=3, noise=np.zeros((2, 2)))
    np.testing.assert_allclose(m.mean, planes.mean(axis=(1, 2)), rtol=1e-12)
    flat = planes[:, 3:6, 6:9].reshape(2, -1)  # the last of the second row of blocks
    away = flat - flat.mean(axis=1, keepdims=True)
    np.testing.assert_allclose(m.comoment[-1], away @ away.T, rtol=1e-12)
    assert m.index("Zn") == 1
    with pytest.raises(InputError, match="element must be one of Cu, Zn, got 'Si'"):
        m.index("Si")


def test_covariance_is_that_of_the_pixels_less_their_noise():
    planes = pixels_of(3)
    noise = np.array([[1.0, -0.25], [-0.25, 2.0]])
    theirs = np.cov(planes.reshape(2, -1))
    for block in (2, 3, 9):
        m = block_moments(counted(planes), block_px=block, noise=noise)
        np.testing.assert_allclose(m.covariance(corrected=False), theirs, rtol=1e-12)
        np.testing.assert_allclose(m.covariance(), theirs - noise, rtol=1e-12)
        mean, found = m.totals().resampled(np.ones((1, m.n_blocks)))
        np.testing.assert_allclose(found[0], theirs - noise, rtol=1e-12)
        np.testing.assert_allclose(mean[0], m.mean, rtol=1e-12)
    one = block_moments(counted(planes[:, :1, :1]), block_px=1, noise=noise)
    np.testing.assert_array_equal(one.covariance(corrected=False), np.zeros((2, 2)))


@pytest.mark.parametrize("weights", [[2, 0, 1], [0, 0, 3], [1, 1, 1]])
def test_resampled_blocks_are_blocks_repeated(weights):
    # A block drawn twice counts as if its pixels had been measured twice.
    planes = pixels_of(4, (3, 9))
    noise = np.array([[0.5, 0.1], [0.1, 0.2]])
    m = block_moments(counted(planes), block_px=3, noise=noise)
    blocks = [planes[:, :, 3 * k : 3 * k + 3].reshape(2, -1) for k in range(3)]
    drawn = np.concatenate([b for b, w in zip(blocks, weights, strict=True) for _ in range(w)], 1)
    mean, covariance = m.totals().resampled(np.array([weights], dtype=float))
    np.testing.assert_allclose(mean[0], drawn.mean(axis=1), rtol=1e-12)
    np.testing.assert_allclose(covariance[0], np.cov(drawn) - noise, rtol=1e-9)


def test_fields_keep_their_means_in_every_resample():
    # Squares about each field's own mean over the pixels less one a field; so for the noise, of
    # which a field's mean takes one part in n.
    one, two = pixels_of(5, (3, 9)), pixels_of(6, (3, 6)) + 40
    noises = np.diag([0.5, 0.2]), np.diag([0.1, 0.9])
    first, second = (
        block_moments(counted(p), block_px=3, noise=n)
        for p, n in zip((one, two), noises, strict=True)
    )
    both = first.merge(second)
    weights = np.array([[1.0, 1, 1, 1, 1], [2, 0, 1, 0, 2], [0, 0, 0, 1, 1], [1, 1, 1, 0, 0]])
    mean, covariance = both.totals().resampled(weights)
    for row, chosen in enumerate(weights.astype(int)):
        squares, freedom, drawn = 0.0, 0, []
        for planes, noise, part in ((one, noises[0], chosen[:3]), (two, noises[1], chosen[3:])):
            blocks = [planes[:, :, 3 * k : 3 * k + 3].reshape(2, -1) for k in range(part.size)]
            pixels = [b for b, w in zip(blocks, part, strict=True) for _ in range(w)]
            if pixels:  # a field that was not drawn adds nothing
                joined = np.concatenate(pixels, axis=1)
                drawn.append(joined)
                squares = squares + (np.cov(joined) - noise) * (joined.shape[1] - 1)
                freedom += joined.shape[1] - 1
        np.testing.assert_allclose(covariance[row], squares / freedom, rtol=1e-9)
        np.testing.assert_allclose(mean[row], np.concatenate(drawn, 1).mean(axis=1), rtol=1e-12)
    total = both.total()
    assert total.n.tolist() == [27, 18]
    assert total.field.tolist() == [0, 1]
    np.testing.assert_allclose(total.comoment[1], 17 * np.cov(two.reshape(2, -1)), rtol=1e-9)
    np.testing.assert_allclose(
        both.covariance(corrected=False),
        (26 * np.cov(one.reshape(2, -1)) + 17 * np.cov(two.reshape(2, -1))) / 43,
        rtol=1e-9,
    )


def test_merged_moments_keep_what_is_the_larger_and_what_was_told():
    one = replace(
        block_moments(counted(pixels_of(7)), block_px=3, noise=np.zeros((2, 2))),
        inflation=np.array([1.0, 2.0]), length_px=3.0, notes=("a", "b"),
    )  # fmt: skip
    two = replace(one, block_px=4, inflation=np.array([1.5, 1.0]), length_px=2.0, notes=("b", "c"))
    both = one.merge(two)
    assert (both.block_px, both.length_px, both.notes) == (4, 3.0, ("a", "b", "c"))
    assert both.inflation.tolist() == [1.5, 2.0]
    assert both.noise_source == "given"
    assert one.merge(replace(two, noise_source="counting")).noise_source == "mixed"
    assert both.merge(one).field.max() == 2
    np.testing.assert_array_equal(both.corner, np.concatenate([one.corner, two.corner]))
    with pytest.raises(InputError, match="quantity must equal 'net_counts'"):
        one.merge(replace(two, quantity="counts"))
    with pytest.raises(InputError, match="quantity"):
        replace(two, quantity="counts").merge(one)  # whichever is merged into the other


def test_coarser_blocks_by_hand():
    # Four rows of four blocks of 2 px a field: five blocks at most ask for a side of
    # 2 * ceil(sqrt(32 / 5)) = 6 px, so that the blocks at 0, 2 and 4 join and those at 6 do not.
    planes = pixels_of(8, (8, 8))
    fine = block_moments(counted(planes), block_px=2, noise=np.eye(2))
    pair = fine.merge(fine)
    coarse = pair.coarsened(5)
    assert coarse.block_px == 6
    assert coarse.n.tolist() == [36, 12, 12, 4] * 2
    assert coarse.field.tolist() == [0] * 4 + [1] * 4
    assert coarse.corner.tolist() == [[0, 0], [0, 6], [6, 0], [6, 6]] * 2
    np.testing.assert_allclose(coarse.s1[1], planes[:, :6, 6:].sum(axis=(1, 2)), rtol=1e-12)
    corner = planes[:, :6, :6].reshape(2, -1)
    np.testing.assert_allclose(coarse.comoment[0], 35 * np.cov(corner), rtol=1e-9)
    np.testing.assert_array_equal(coarse.noise[0], 36 * np.eye(2))
    assert pair.coarsened(32) is pair
    assert pair.coarsened(31) is not pair


def test_groups_add_their_elements():
    planes = pixels_of(9, elements=3)
    noise = np.diag([1.0, 2.0, np.nan])
    m = block_moments(counted(planes), block_px=9, noise=noise)
    groups = m.combine([("Cu", "Zn"), ("Zn",), (), ("Zn", "Zn")])
    summed = np.stack([planes[0] + planes[1], planes[1]]).reshape(2, -1)
    np.testing.assert_allclose(groups.s1[0], [*summed.sum(axis=1), 0, summed[1].sum()])
    np.testing.assert_allclose(groups.comoment[0][:2, :2], 53 * np.cov(summed), rtol=1e-9)
    # Independent noise adds; what silicon's noise may be does not touch the others.
    np.testing.assert_allclose(groups.noise[0][:2, :2], 54 * np.array([[3, 2], [2, 2]]))
    assert not groups.comoment[0][2].any()
    assert np.isnan(m.combine([("Zn", "Si")]).noise).all()


def test_resamples_draw_each_field_from_itself():
    one = block_moments(counted(pixels_of(10)), block_px=3, noise=np.eye(2))
    other = block_moments(counted(pixels_of(11, (3, 12))), block_px=3, noise=np.eye(2))
    weights = one.merge(other).resample_weights(4000, seed=1)
    assert (weights[:, :6].sum(axis=1) == 6).all()
    assert (weights[:, 6:].sum(axis=1) == 4).all()
    # Multinomial counts: mean 1, variance 1 - 1/B, within four standard errors.
    np.testing.assert_allclose(weights.mean(axis=0), 1, atol=4 / np.sqrt(4000))
    np.testing.assert_allclose(weights.var(axis=0)[:6], 5 / 6, atol=0.12)
    np.testing.assert_allclose(weights.var(axis=0)[6:], 3 / 4, atol=0.12)
    assert len(np.unique(weights, axis=0)) > 1000
    assert (weights == one.merge(other).resample_weights(4000, seed=1)).all()
    assert (weights != one.merge(other).resample_weights(4000, seed=2)).any()


def test_moments_are_not_changed_in_place():
    m = block_moments(counted(pixels_of(12)), block_px=3, noise=np.eye(2))
    with pytest.raises(FrozenInstanceError):  # sums that others rest on are not changed in place
        m.block_px = 4


def test_given_noise_comes_before_what_the_maps_carry():
    planes = pixels_of(13)
    maps = counted(planes, variance=np.full_like(planes, 3.0))
    assert block_moments(maps, block_px=9).noise_source == "carried"
    np.testing.assert_array_equal(block_moments(maps, block_px=9).noise[0], 54 * 3 * np.eye(2))
    given = block_moments(maps, block_px=9, noise=maps["variance"] * 2)
    assert given.noise_source == "given"
    np.testing.assert_array_equal(given.noise[0], 54 * 6 * np.eye(2))
    lazy = block_moments(maps, block_px=9, noise=da.from_array(np.full((2, 6, 9), 6.0), chunks=3))
    np.testing.assert_array_equal(lazy.noise, given.noise)


def test_counts_are_judged_by_the_middle_of_the_field():
    # The middle 128 x 128 pixels hold plain counts; what lies about them is not read for this.
    rng = np.random.default_rng(14)
    counts = 7 * rng.poisson(5, (2, 160, 172))
    counts[:, 16:144, 22:150] = rng.poisson(5, (2, 128, 128))
    m = block_moments(make_map_set(counts, NAMES[:2]), block_px=200)
    assert m.noise_source == "counting"
    assert np.diag(m.noise[0]).tolist() == counts.sum(axis=(1, 2)).tolist()
    # Counts beside it that are three times what was counted are found out.
    mixed = make_map_set(counts[:, 16:144, 22:150] * np.array([[[1]], [[3]]]), NAMES[:2])
    found = block_moments(mixed, block_px=200)
    assert found.noise[0, 0, 0] == pytest.approx(found.s1[0, 0], rel=0.02)
    assert found.noise[0, 1, 1] == pytest.approx(3 * found.s1[0, 1], rel=0.02)


def test_noise_of_a_gain_is_not_negative():
    rng = np.random.default_rng(15)
    counts = 3.0 * rng.poisson(4, (2, 64, 64))
    counts[0, 0, 0] = -300.0  # a value without meaning does not lower the noise of the others
    m = block_moments(make_map_set(counts, NAMES[:2], quantity="net_counts"), block_px=64)
    assert np.isfinite(m.noise).all()
    assert m.noise[0, 0, 0] > 0


def test_the_structure_of_the_field_is_kept():
    rng = np.random.default_rng(16)
    planes = rng.standard_normal((2, 120, 100))
    for axis in (1, 2):
        planes = sum(np.roll(planes, s, axis=axis) for s in range(4)) / 2
    maps = counted(50 + planes, variance=np.zeros_like(planes))
    structure = structure_of(maps)
    m = block_moments(maps, block_px=10)
    assert m.length_px == structure.length_px > 1.5
    np.testing.assert_array_equal(m.inflation, structure.inflation(10))
    side, _ = default_block_px(120, 100, structure)
    assert block_moments(maps).block_px == side == round(6 * structure.length_px)


def test_a_small_field_tells_that_its_blocks_are_few():
    rng = np.random.default_rng(17)
    planes = np.repeat(np.repeat(rng.standard_normal((2, 4, 4)), 8, axis=1), 8, axis=2)
    m = block_moments(counted(50 + planes, variance=np.zeros_like(planes)))
    assert any(note.startswith("Features reach") for note in m.notes)


def test_tiles_of_a_lazy_map_end_on_the_block_border_nearest_to_the_chunks():
    # Blocks of 4 px in chunks of 10: of the borders 8 and 12, as near to 10, the first; 20 is one.
    edges = np.arange(0, 25, 4)
    assert _spans(edges, (10, 10, 4)) == [(0, 2), (2, 5), (5, 6)]
    assert _spans(edges, (11, 13)) == [(0, 3), (3, 6)]
    assert _spans(edges, (1, 1, 22)) == [(0, 6)]  # chunks smaller than a block join
    assert _spans(edges, None) == [(0, 6)]
    planes = pixels_of(18, (4, 24), elements=1)
    lazy = make_map_set(da.from_array(planes, chunks=(1, 4, 10)), ["Cu"], quantity="net_counts")
    eager = block_moments(counted(planes), block_px=4, noise=np.zeros((1, 1)))
    found = block_moments(lazy, block_px=4, noise=np.zeros((1, 1)))
    for name in ("n", "s1", "comoment", "corner"):
        np.testing.assert_array_equal(getattr(found, name), getattr(eager, name))
    assert found.n.tolist() == [16] * 6


@pytest.mark.parametrize("shape", [(6, 8), (6, 10), (7, 9), (9, 6)])
def test_labels_of_another_field_are_refused(shape):
    with pytest.raises(InputError, match="labels must have the shape of the maps"):
        block_moments(counted(pixels_of(28)), block_px=3, labels=np.zeros(shape, dtype=int))


def test_a_block_of_one_usable_pixel_counts():
    planes = pixels_of(27, (2, 4), elements=1)
    valid = np.array([[True, True, False, False], [True, True, False, True]])
    m = block_moments(counted(planes, valid=valid), block_px=2, noise=np.eye(1))
    assert m.n.tolist() == [4, 1]
    assert m.s1[1, 0] == planes[0, 1, 3]
    assert m.comoment[1, 0, 0] == 0
    assert m.noise[1, 0, 0] == 1


def test_products_within_lines_do_not_wrap():
    found = _line_products(np.array([[1.0, 2, 3], [0, 1, 0]]), 2)
    np.testing.assert_allclose(found, [1 + 4 + 9 + 1, 2 + 6], atol=1e-12)
    longer = _line_products(np.array([[1.0, 2, 3]]), 5)
    np.testing.assert_allclose(longer, [14, 8, 3, 0, 0], atol=1e-12)


def autocovariance_by_loops(plane, use, variance, half, row_step=1, column_step=1):
    """Return products at each lag over their number along rows and columns, mean, and noise."""
    lines = [(plane[r], use[r], variance[r]) for r in range(0, plane.shape[0], row_step)]
    lines += [
        (plane[:, c], use[:, c], variance[:, c]) for c in range(0, plane.shape[1], column_step)
    ]
    pixels = sum(kept.sum() for _, kept, _ in lines)
    mean = sum((v * kept).sum() for v, kept, _ in lines) / pixels
    noise = sum((s * kept).sum() for _, kept, s in lines) / pixels
    total, pairs = np.zeros(half), np.zeros(half)
    for v, kept, _ in lines:
        for lag in range(min(half, len(v))):
            one, other = slice(0, len(v) - lag), slice(lag, None)
            both = kept[one] & kept[other]
            total[lag] += ((v[one] - mean) * (v[other] - mean) * both).sum()
            pairs[lag] += both.sum()
    return total / np.maximum(pairs, 1), noise, pixels


@pytest.mark.parametrize("masked", [False, True])
@pytest.mark.parametrize("shape", [(8, 13), (5, 6), (2, 9), (PROBE_LINES * 2, 5)])
def test_autocovariance_equals_direct_sums(shape, masked):
    rng = np.random.default_rng(19)
    plane, variance = rng.random(shape) * 9, rng.random(shape)
    use = np.ones(shape, dtype=bool)
    if masked:
        use[rng.random(shape) < 0.3] = False
    half = max(2, min(shape) // 2)
    # Of 192 rows every second is taken, of fewer all.
    step = 2 if shape[0] > 100 else 1
    expected = autocovariance_by_loops(plane, use, variance, half, row_step=step)
    found = _along_axes(plane, use, variance)
    np.testing.assert_allclose(found[0], expected[0], rtol=1e-9, atol=1e-12)
    assert found[1:] == pytest.approx(expected[1:], rel=1e-12)


def test_no_usable_pixel_has_no_autocovariance():
    plane = np.ones((6, 9))
    along, noise, pixels = _along_axes(plane, np.zeros(plane.shape, bool), plane)
    assert along.tolist() == [0, 0, 0]
    assert (noise, pixels) == (0, 0)


def reach_of(along, noise=0.0, pairs=1e6):
    return _reach(np.array(along, dtype=float), noise, pairs)


def test_length_is_where_the_autocorrelation_passes_one_part_in_e():
    length, profile = reach_of([2.0, 1.0, 0.4, 0.06])
    # From 0.5 at lag 1 to 0.2 at lag 2, in proportion; below 0.05 the profile ends.
    assert length == pytest.approx(1 + (0.5 - PER_E) / (0.5 - 0.2), rel=1e-12)
    assert profile.tolist() == [1.0, 0.5, 0.2]
    # Noise of 0.5 at lag zero: 1/1.5 and 0.4/1.5 are of the material.
    length, profile = reach_of([2.0, 1.0, 0.4, 0.06], noise=0.5)
    assert length == pytest.approx(1 + (2 / 3 - PER_E) / (1 / 1.5 - 0.4 / 1.5), rel=1e-12)
    assert profile == pytest.approx([1, 1 / 1.5, 0.4 / 1.5])
    # Unknown noise: lag one stands in for lag zero.
    length, profile = reach_of([9.0, 1.0, 0.4, 0.2], noise=np.nan)
    assert length == pytest.approx(2 + (0.4 - PER_E) / (0.4 - 0.2), rel=1e-12)
    assert profile.tolist() == [1.0, 1.0, 0.4, 0.2]


def test_length_is_at_least_a_pixel_and_at_most_what_was_looked_at():
    assert reach_of([1.0, 0.1, 0.0])[0] == 1
    length, profile = reach_of([1.0, 0.9, 0.8])
    assert length == 3
    assert profile.tolist() == [1.0, 0.9, 0.8]
    # Noise taken too high leaves less at lag zero than at lag one: no correlation is above 1.
    length, profile = reach_of([1.0, 0.9, 0.1], noise=0.4)
    assert profile.tolist() == pytest.approx([1, 1, 0.1 / 0.6])
    assert length == pytest.approx(1 + (1 - PER_E) / (1 - 0.1 / 0.6), rel=1e-12)


def test_structure_must_stand_out_of_the_noise():
    # The covariance at lag one of pure noise scatters by one part in sqrt(pairs); three are asked.
    assert reach_of([1.0, 0.5, 0.2], pairs=36)[0] > 1
    assert reach_of([1.0, 0.49, 0.2], pairs=36)[0] == 1
    assert reach_of([1.0, 0.49, 0.2], pairs=36)[1].tolist() == [1.0]
    # All of lag zero is noise.
    assert reach_of([1.0, 0.5, 0.4], noise=1.0)[0] == 1
    assert reach_of([1.0, 0.5, 0.4], noise=1.5)[0] == 1


def test_an_element_has_its_own_profile_where_its_noise_allows():
    along, pooled = np.array([2.0, 1.0, 0.4, 0.06]), np.array([1.0, 0.9])
    # Error of each lag: a twentieth of the material's variance asks for (20 * 2 / 1.5)^2 pixels.
    enough = (20 * 2 / 1.5) ** 2
    own = _own_profile(along, 0.5, enough * 1.01, pooled)
    assert own == pytest.approx([1, 1 / 1.5, 0.4 / 1.5])
    assert _own_profile(along, 0.5, enough * 0.99, pooled) is pooled
    # Without known noise lag one counts.
    assert _own_profile(along, np.nan, 1601, pooled).tolist() == [1, 1, 0.4, 0.06]
    assert _own_profile(along, np.nan, 1599, pooled) is pooled


def test_inflation_by_hand():
    # Half at lag one: 1 + 4 * 0.5 over all, and 1 + 4 * 0.5 * (1 - 1/4) within a block of 4.
    structure = Correlated(1.0, (np.ones(1), np.array([1.0, 0.5]), np.array([1.0, 0.5, 0.25])))
    found = structure.inflation(4)
    assert found[0] == 1
    assert found[1] == pytest.approx(3 / 2.5, rel=1e-12)
    # Lag sqrt(2) lies between: 0.5 - 0.25 * (sqrt(2) - 1); lags of sqrt(5) and more count as none.
    slant = 0.5 - 0.25 * (np.sqrt(2) - 1)
    whole = 1 + 4 * 0.5 + 4 * slant + 4 * 0.25
    inside = 1 + 4 * 0.5 * 0.75 + 4 * slant * 0.75**2 + 4 * 0.25 * 0.5
    assert found[2] == pytest.approx(whole / inside, rel=1e-12)
    # In a block of one pixel only the pixel itself is seen.
    assert structure.inflation(1)[1] == pytest.approx(3, rel=1e-12)


def blobs(seed, shape=(40, 60), reach=3):
    field = np.random.default_rng(seed).standard_normal(shape)
    for axis in (0, 1):
        field = sum(np.roll(field, s, axis=axis) for s in range(reach))
    return field / field.std()


def test_structure_pools_elements_in_units_of_their_variance():
    planes = np.stack([50 + blobs(20), 50 + 100 * blobs(21, reach=5), np.full((40, 60), 7.0)])
    maps = counted(planes, variance=np.zeros_like(planes))
    use = np.ones((40, 60), dtype=bool)
    single = [_along_axes(plane, use, 0 * plane)[0] for plane in planes]
    pooled = (single[0] / single[0][0] + single[1] / single[1][0]) / 2
    length, whole = reach_of(pooled, pairs=4 * 40 * 60)
    found = structure_of(maps)
    assert found.length_px == pytest.approx(length, rel=1e-12)
    # Each has its own profile, and the flat one, of which nothing is known, the pooled one.
    assert found.profiles[0] == pytest.approx(reach_of(single[0])[1])
    assert found.profiles[1] == pytest.approx(reach_of(single[1])[1])
    assert found.profiles[2] == pytest.approx(whole)
    flat = structure_of(counted(np.full((2, 9, 9), 3.0), variance=np.zeros((2, 9, 9))))
    assert flat.length_px == 1
    assert [profile.tolist() for profile in flat.profiles] == [[1.0], [1.0]]


def test_structure_of_unknown_noise_starts_at_lag_one():
    plane = 50 + blobs(22)
    plane += np.random.default_rng(23).normal(0, 1, plane.shape)
    maps = make_map_set([plane], ["Cu"], quantity="intensity")
    along = _along_axes(plane, np.ones(plane.shape, bool), 0 * plane)[0]
    assert structure_of(maps).length_px == pytest.approx(
        reach_of(along / along[0], noise=np.nan)[0], rel=1e-12
    )


def test_structure_of_a_mosaic_is_that_of_its_middle():
    wide = 50 + blobs(26, (6, 1030))
    spoilt = wide.copy()
    spoilt[:, :3] = spoilt[:, -3:] = 1e6  # 1024 columns in the middle are judged
    maps = [
        counted([plane], variance=np.zeros((1, *plane.shape)))
        for plane in (wide, spoilt, spoilt.T.copy())
    ]
    assert structure_of(maps[0]).length_px == structure_of(maps[1]).length_px
    assert structure_of(maps[2]).length_px == pytest.approx(structure_of(maps[1]).length_px)


@pytest.mark.parametrize("lazy", [False, True])
def test_bins_hold_sums_of_their_valid_pixels(lazy):
    counts = np.arange(30.0).reshape(1, 5, 6)
    valid = np.ones((5, 6), dtype=bool)
    valid[0, 1] = False
    data = da.from_array(counts, chunks=(1, 2, 3)) if lazy else counts
    maps = make_map_set(data, ["Cu"], quantity="net_counts", valid=valid)
    found = bin_sums(maps, 2)
    # The fifth row is less than a bin and left out.
    assert found.total.tolist() == [[[0 + 6 + 7, 22, 30], [62, 70, 78]]]
    assert found.n.tolist() == [[3, 4, 4], [4, 4, 4]]
    assert found.side == 2
    whole = bin_sums(make_map_set(data, ["Cu"], quantity="net_counts"), 3)
    assert whole.total.tolist() == [[[63, 90]]]
    assert whole.n.tolist() == [[9, 9]]


def test_structure_does_not_depend_on_the_unit_of_the_maps():
    # Mass fractions or kilocounts: a variance far below 1 is one of the unit, not of a bare field.
    y, x = np.indices((48, 48))
    plane = ((y // 6 + x // 6) % 2) * 4.0 + np.random.default_rng(2).normal(0, 0.5, (48, 48))
    planes = np.stack([plane, plane[::-1]])

    def of(factor):
        return structure_of(
            make_map_set(
                planes * factor,
                NAMES[:2],
                quantity="net_counts",
                variance=np.full(planes.shape, 0.25 * factor**2),
            )
        )

    large, small = of(1.0), of(1e-3)
    assert large.length_px > 2
    assert small.length_px == pytest.approx(large.length_px)


def test_totals_and_blocks_of_fields_can_be_merged():
    one = block_moments(counted(pixels_of(7)), block_px=3, noise=np.zeros((2, 2)))
    both = one.total().merge(one)
    assert both.corner.shape == (1 + one.corner.shape[0], 2)
    assert both.n.sum() == 2 * one.n.sum()

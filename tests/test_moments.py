"""Block moments: exact on arrays small enough to work by hand, additive, and lazy."""

from types import SimpleNamespace

import dask.array as da
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from spattermap.core.errors import InputError
from spattermap.core.mapset import make_map_set
from spattermap.noise.moments import block_moments, default_block_px

A = [[0, 2, 4, 6], [1, 3, 5, 7], [0, 0, 8, 9], [2, 2, 6, 4]]
B = [[1, 1, 3, 5], [0, 4, 4, 6], [2, 0, 7, 8], [5, 1, 0, 0]]


@pytest.fixture
def small():
    return make_map_set(np.array([A, B]), ["Cu", "Zn"])


@pytest.mark.outside(
    "Sums and products of a worked pair of 4 x 4 maps",
    source="59, 47, 345, 247 and 258 by hand",
    known="exact",
    tolerance="equal; products 1e-12",
)
def test_sums_of_the_worked_pair(small):
    m = block_moments(small, block_px=4)
    assert m.n.tolist() == [16]
    assert m.s1.tolist() == [[59, 47]]
    raw = m.comoment[0] + np.outer(m.s1[0], m.s1[0]) / 16
    np.testing.assert_allclose(raw, [[345, 258], [258, 247]], rtol=1e-12)
    np.testing.assert_array_equal(m.noise[0], [[59, 0], [0, 47]])


def test_blocks_add_up_to_the_whole(small):
    whole = block_moments(small, block_px=4)
    parts = block_moments(small, block_px=2)
    assert parts.n_blocks == 4
    assert parts.s1[0].tolist() == [6, 6]  # the upper left 2 x 2 pixels
    for name in ("s1", "comoment", "noise"):
        np.testing.assert_allclose(
            getattr(parts.total(), name), getattr(whole, name), rtol=1e-12, atol=1e-12
        )


def test_valid_mask_is_respected(small):
    keep = np.ones((4, 4), dtype=bool)
    keep[:, 3] = False
    m = block_moments(small.assign(valid=(("y", "x"), keep)), block_px=4)
    assert m.n.tolist() == [12]
    assert m.s1.tolist() == [[33, 28]]


def test_a_block_without_valid_pixels_is_left_out(small):
    keep = np.ones((4, 4), dtype=bool)
    keep[:2, :2] = False
    m = block_moments(small.assign(valid=(("y", "x"), keep)), block_px=2)
    assert m.n.tolist() == [4, 4, 4]


def test_classes(small):
    labels = np.zeros((4, 4), dtype=np.int32)
    labels[0, 3] = 1
    labels[1, 3] = 2
    labels[2, 3] = 3  # a streak, because only two droplets are announced
    m = block_moments(small, block_px=4, labels=labels, n_droplets=2)
    assert m.class_n.tolist() == [[13, 2, 1]]
    assert m.class_s1[0].tolist() == [[37, 28], [13, 11], [9, 8]]
    np.testing.assert_array_equal(m.class_noise, m.class_s1)


@pytest.mark.outside(
    "Covariance of small differences on a large offset",
    source="a chequered field of 0 and 1 on 1e8: 0.25 n / (n - 1)",
    known="exact",
    tolerance="1e-9",
)
def test_large_offset_keeps_its_digits():
    # Raw sums of squares of 1e8 + {0, 1} lose the variance in float64; deviations do not.
    pattern = np.indices((64, 64)).sum(axis=0) % 2
    maps = make_map_set(np.stack([pattern, pattern]) + 1e8, ["Cu", "Zn"], quantity="intensity")
    m = block_moments(maps, block_px=8, noise=np.zeros((2, 2)))
    np.testing.assert_allclose(m.covariance(), 0.25 * 4096 / 4095, rtol=1e-9)


def test_lazy_maps_give_the_same_sums():
    rng = np.random.default_rng(2)
    counts = rng.poisson(2, (3, 50, 70)).astype(np.uint16)
    valid = rng.random((50, 70)) > 0.1
    labels = rng.integers(0, 4, (50, 70))
    eager = make_map_set(counts, ["Cu", "Zn", "Si"], valid=valid)
    lazy = make_map_set(
        da.from_array(counts, chunks=(3, 16, 32)),
        ["Cu", "Zn", "Si"],
        valid=da.from_array(valid, chunks=16),
    )
    kind = {"block_px": 9, "n_droplets": 2}
    a = block_moments(eager, labels=labels, **kind)
    b = block_moments(lazy, labels=da.from_array(labels, chunks=16), **kind)
    for name in ("n", "s1", "comoment", "noise", "class_n", "class_s1", "corner"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))


def test_carried_variance_and_given_covariance(small):
    carried = block_moments(small.assign(variance=small.counts * 2.0), block_px=4)
    assert np.diag(carried.noise[0]).tolist() == [118, 94]
    assert carried.noise_source == "carried"
    fit = np.array([[1.0, -0.5], [-0.5, 2.0]])  # two lines fitted together share their noise
    given = block_moments(small, block_px=4, noise=fit)
    np.testing.assert_array_equal(given.noise[0], 16 * fit)


def test_merge_keeps_fields_apart(small):
    one = block_moments(small, block_px=2)
    both = one.merge(one)
    assert both.n_fields == 2
    assert both.field.tolist() == [0, 0, 0, 0, 1, 1, 1, 1]
    assert one.merge(one, same_field=True).n_fields == 1
    np.testing.assert_array_equal(both.s1[both.field == 1], one.s1)
    # Fields counted longer must not feign co-variation: each keeps its own mean.
    twice = block_moments(small.assign(counts=small.counts * 0 + 40), block_px=2)
    spread = one.merge(twice).covariance(corrected=False)
    np.testing.assert_allclose(spread, one.covariance(corrected=False) * 15 / 30, rtol=1e-12)


def test_merge_refuses_other_elements(small):
    other = make_map_set(np.array([A, B]), ["Cu", "Sn"])
    with pytest.raises(InputError, match="elements"):
        block_moments(small, block_px=2).merge(block_moments(other, block_px=2))


def test_input_is_not_changed(small):
    before = small.copy(deep=True)
    block_moments(small, block_px=2)
    assert small.identical(before)


def test_coarser_blocks_hold_the_same_sums():
    rng = np.random.default_rng(4)
    maps = make_map_set(rng.poisson(3, (2, 48, 60)) + 1e6, ["Cu", "Zn"], quantity="net_counts")
    quiet = np.zeros((2, 2))
    fine = block_moments(maps, block_px=4, noise=quiet)
    fine = fine.merge(block_moments(maps, block_px=4, noise=quiet))
    coarse = fine.coarsened(100)
    assert fine.n_blocks == 360
    assert coarse.n_blocks <= 100
    assert coarse.n_fields == 2
    assert coarse.n.sum() == fine.n.sum()
    np.testing.assert_allclose(coarse.covariance(), fine.covariance(), rtol=1e-12)
    assert fine.coarsened(360) is fine


def test_covariance_per_pixel_is_summed(small):
    rng = np.random.default_rng(5)
    spread = rng.random((2, 2, 4, 4))
    m = block_moments(small, block_px=4, noise=spread)
    np.testing.assert_allclose(m.noise[0], spread.sum(axis=(2, 3)), rtol=1e-12)


def test_each_chunk_is_read_once_for_the_sums():
    reads = []
    counts = np.random.default_rng(7).poisson(1, (2, 600, 600)).astype(np.uint16)

    def read(block):
        reads.append(block.shape)
        return block

    lazy = da.from_array(counts, chunks=(2, 64, 64)).map_blocks(read, dtype=counts.dtype)
    maps = make_map_set(lazy, ["Cu", "Zn"])
    reads.clear()
    # Once for the sums, once to find the correlation length (of a larger field: of its middle).
    block_moments(maps, block_px=24, noise=np.eye(2))
    assert set(reads) <= {(2, h, w) for h in (64, 24) for w in (64, 24)}  # never the whole field
    assert len(reads) == 2 * 100


def test_lazy_maps_give_the_same_pair_table():
    from spattermap.verdict.pairs import pair_table

    counts = np.random.default_rng(8).poisson(2, (3, 64, 80))
    names = ["Cu", "Zn", "Si"]
    eager = make_map_set(counts, names)
    lazy = make_map_set(da.from_array(counts, chunks=(3, 32, 32)), names)
    tables = [pair_table(block_moments(maps, block_px=8), maps=maps) for maps in (eager, lazy)]
    assert tables[0].equals(tables[1])


@pytest.mark.parametrize(
    ("side", "length", "block", "told"),
    [
        (320, 1.0, 10, False),  # no more than 1024 blocks
        (320, 5.0, 30, False),  # six correlation lengths
        (320, 12.0, 64, False),  # five blocks a side come before six lengths
        (320, 16.0, 64, False),  # four lengths are just enough
        (320, 16.1, 64, True),
        (40, 0.1, 4, False),  # never below 4 px where they fit
        (8, 0.1, 2, False),
    ],
)
def test_block_side(side, length, block, told):
    found, notes = default_block_px(side, side, SimpleNamespace(length_px=length))
    assert (found, bool(notes)) == (block, told)


def test_a_field_too_small_says_how_many_blocks_it_holds():
    _, (note,) = default_block_px(100, 150, SimpleNamespace(length_px=9.0))
    assert "Features reach 9 px, much for a field of 150 x 100 px" in note
    assert "only 35 blocks" in note  # 5 x 7 blocks of 20 px


def test_blocks_come_in_raster_order():
    counts = np.random.default_rng(9).poisson(2, (1, 12, 18))
    lazy = make_map_set(da.from_array(counts, chunks=(1, 6, 6)), ["Cu"])
    m = block_moments(lazy, block_px=6)
    assert m.corner.tolist() == [[0, 0], [0, 6], [0, 12], [6, 0], [6, 6], [6, 12]]


def poisson_times(gain, shape):
    return make_map_set(gain * np.random.default_rng(10).poisson(5, shape), ["Cu", "Zn"])


def test_counts_times_a_gain_have_the_noise_of_the_counts():
    m = block_moments(poisson_times(3, (2, 64, 64)), block_px=64)
    assert m.noise_source == "counting"
    np.testing.assert_allclose(np.diag(m.noise[0]), 3 * m.s1[0], rtol=0.02)
    plain = block_moments(poisson_times(1, (2, 64, 64)), block_px=64)
    np.testing.assert_array_equal(np.diag(plain.noise[0]), plain.s1[0])


def test_too_few_pixels_are_not_doubted():
    few = block_moments(poisson_times(3, (2, 23, 26)), block_px=23)  # 598 px
    np.testing.assert_array_equal(np.diag(few.noise[0]), few.s1[0])
    enough = block_moments(poisson_times(3, (2, 24, 25)), block_px=24)  # 600 px
    np.testing.assert_allclose(np.diag(enough.noise[0]), 3 * enough.s1[0], rtol=0.05)


def test_noise_of_an_intensity_is_estimated_and_of_a_smoothed_one_unknown():
    rng = np.random.default_rng(11)
    planes = 50 + rng.normal(0, 2, (2, 96, 96))
    m = block_moments(make_map_set(planes, ["Cu", "Zn"], quantity="intensity"), block_px=96)
    assert m.noise_source == "estimated"
    np.testing.assert_allclose(np.diag(m.noise[0]) / 96**2, 4.0, rtol=0.15)
    smooth = gaussian_filter(rng.normal(0, 30, (2, 96, 96)), (0, 3, 3)) + 50
    m = block_moments(make_map_set(smooth, ["Cu", "Zn"], quantity="intensity"), block_px=96)
    assert m.noise_source == "unknown"
    assert np.isnan(np.diag(m.noise[0])).all()
    assert m.notes


def test_noise_of_the_classes(small):
    labels = np.zeros((4, 4), dtype=np.int32)
    labels[0, 2:] = 1
    kind = {"block_px": 4, "labels": labels, "n_droplets": 1}
    variance = np.arange(32.0).reshape(2, 4, 4)
    carried = block_moments(small.assign(variance=(small.counts.dims, variance)), **kind)
    assert carried.class_noise[0].tolist() == [[115, 339], [5, 37], [0, 0]]
    spread = np.zeros((2, 2, 4, 4))
    spread[0, 0], spread[1, 1], spread[0, 1] = variance[0], variance[1], 7.0
    per_pixel = block_moments(small, noise=spread, **kind)
    np.testing.assert_array_equal(per_pixel.class_noise, carried.class_noise)
    flat = block_moments(small, noise=np.array([[1.0, -0.5], [-0.5, 2.0]]), **kind)
    assert flat.class_noise[0].tolist() == [[14, 28], [2, 4], [0, 0]]


def test_noise_of_another_shape_is_refused(small):
    with pytest.raises(InputError, match="noise must have one of the shapes"):
        block_moments(small, block_px=2, noise=np.zeros((2, 3)))


def test_a_mask_without_pixels_is_refused(small):
    with pytest.raises(InputError, match="valid must leave at least one pixel"):
        block_moments(small.assign(valid=(("y", "x"), np.zeros((4, 4), bool))), block_px=2)

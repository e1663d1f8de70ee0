"""Regions on tiny images, number by number, and the ways in that large maps use."""

import os

import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import label as connected

from spattermap.core import region_kernels as kernels
from spattermap.core.errors import InputError
from spattermap.measure import regions
from spattermap.measure.regions import (
    Regions,
    measure_regions,
    measure_runs,
    region_shapes,
    signal_sums,
)


def shapes_of(*rows):
    """Measure a picture drawn with one character a pixel; dots are background."""
    return region_shapes([[0 if mark == "." else int(mark) for mark in row] for row in rows])


def test_an_l_of_four_pixels_number_by_number():
    """Rows 0 0 1 2 less mean 3/4; columns 0 1 0 0 less mean 1/4, from row 1 and column 2 on."""
    found = shapes_of(".....", "..11.", "..1..", "..1..")
    assert found.label.tolist() == [1]
    assert found.area.tolist() == [4]
    assert found.centroid.tolist() == [[1.75, 2.25]]
    # Sums of squares 5 and 1, of products 0: 5/4 - 9/16, 1/4 - 1/16, 0 - 3/16.
    assert found.covariance.tolist() == [[11 / 16, 3 / 16, -3 / 16]]
    assert found.box.tolist() == [[1, 2, 4, 4]]
    # Chords: 3 rows, 2 columns; falling diagonals 4 (no pixel continues another), rising 3.
    assert found.perimeter[0] == pytest.approx(np.pi / 4 * (3 + 2 + (4 + 3) / np.sqrt(2)))
    # The hull of the edge midpoints runs from (1, 3.5) to (3, 2.5), right over the centre (2, 3).
    assert found.hull_area.tolist() == [5]
    major, minor = found.axes
    middle, spread = 7 / 16, np.hypot(4 / 16, 3 / 16)  # 5/16: the roots are 3/4 and 1/8
    assert major[0] == pytest.approx(4 * np.sqrt(middle + spread)) == pytest.approx(4 * 0.75**0.5)
    assert minor[0] == pytest.approx(4 * np.sqrt(1 / 8))


def test_the_hull_of_an_arch_is_filled():
    """A door of 3 x 3 px without its lower middle: 7 px, hull 9."""
    found = shapes_of("111", "1.1", "1.1")
    assert found.area.tolist() == [7]
    assert found.hull_area.tolist() == [9]
    # Drawn in pixels the hull is the full square: from edge midpoint to edge midpoint.
    assert found.feret_max[0] == pytest.approx(np.hypot(3, 2))
    assert found.feret_min[0] == pytest.approx(3.0)
    # Chords: rows 1 + 2 + 2, columns 3; falling diagonals: 7 px less one that goes on
    # ((0, 1) to (1, 2)), rising the same.
    assert found.perimeter[0] == pytest.approx(np.pi / 4 * (5 + 3 + (6 + 6) / np.sqrt(2)))


def test_a_region_in_two_pieces_is_measured_as_one():
    """Two pixels three columns and two rows apart, the lower one to the left."""
    found = shapes_of("...4", "....", "4...")
    assert found.area.tolist() == [2]
    assert found.centroid.tolist() == [[1.0, 1.5]]
    assert found.covariance.tolist() == [[1.0, 2.25, -1.5]]
    assert found.box.tolist() == [[0, 0, 3, 4]]
    assert found.orientation[0] == pytest.approx(np.arctan2(2, 3))  # rises to the right
    # Each pixel has one chord in each of the four directions.
    assert found.perimeter[0] == pytest.approx(np.pi / 4 * (4 + 4 / np.sqrt(2)))


def test_an_empty_row_joins_nothing():
    """The chord of a column ends at a gap; the pixel below it starts a new one."""
    found = shapes_of("1", ".", "1")
    assert found.perimeter[0] == pytest.approx(np.pi / 4 * (2 + 2 + 4 / np.sqrt(2)))
    assert found.hull_area.tolist() == [3]
    assert found.feret_max.tolist() == [3.0]


def test_a_run_beside_the_one_above_touches_it_by_a_corner_only():
    """Two steps of a stair: the column chords do not join, one diagonal does."""
    found = shapes_of("11..", "..11")
    # Rows 2, columns 4; falling diagonals: (0, 1) goes on to (1, 2), so 3; rising 4.
    assert found.perimeter[0] == pytest.approx(np.pi / 4 * (2 + 4 + (3 + 4) / np.sqrt(2)))
    other = shapes_of("..11", "11..")
    assert other.perimeter[0] == pytest.approx(found.perimeter[0])


def test_lines_of_one_pixel_have_the_width_of_their_diamonds():
    """Edge midpoints of a row of n: width 1, length n. A diagonal of n: length along it."""
    row, column = shapes_of("11111"), shapes_of(*"11111")
    for one in (row, column):
        assert one.feret_max.tolist() == [5.0]
        assert one.feret_min.tolist() == [1.0]
    diagonal = shapes_of("1...", ".1..", "..1.", "...1")
    # From the left midpoint of the first to the right one of the last: 4 columns, 3 rows.
    assert diagonal.feret_max[0] == pytest.approx(5.0)
    assert diagonal.feret_min[0] == pytest.approx(np.sqrt(0.5))


@pytest.mark.parametrize("label", [1, 2])
def test_a_tall_line_at_the_left_border(label):
    """The working memory goes by the tallest region, wherever it lies and whatever its label."""
    image = np.zeros((400, 12), int)
    image[:, 0], image[3:5, 8:11] = label, 3 - label
    found = region_shapes(image)
    tall = label - 1
    assert found.area[tall] == found.hull_area[tall] == 400
    assert found.hull_area[1 - tall] == 6
    assert found.feret_max[tall] == 400.0
    assert found.feret_min[tall] == 1.0


def test_axes_of_a_line_do_not_fall_below_zero():
    """Rounding may leave a second moment a little under zero; an axis is then zero."""
    one = Regions(*[np.zeros(1)] * 2, np.zeros((1, 2)), np.array([[1.0, 1.0, 1.0 + 1e-15]]),
                  np.zeros((1, 4)), *[np.zeros(1)] * 4)  # fmt: skip
    major, minor = one.axes
    assert minor.tolist() == [0.0]
    assert major[0] == pytest.approx(4 * np.sqrt(2))


def test_aspect_ratio_of_thin_regions_is_bounded_by_the_pixel():
    """A row of five has moments 2 and 0; the pixel's own twelfth stands for the nothing."""
    table = measure_regions([[1, 1, 1, 1, 1]])
    assert table.aspect_ratio[0] == pytest.approx(np.sqrt(2 / (1 / 12)))


def test_touching_labels_are_counted_apart():
    found = shapes_of("1122", "1122", ".33.")
    assert found.label.tolist() == [1, 2, 3]
    assert found.area.tolist() == [4, 4, 2]
    assert found.box.tolist() == [[0, 0, 2, 2], [0, 2, 2, 4], [2, 1, 3, 3]]


def test_noise_that_is_negative_counts_as_none():
    table = measure_regions(
        [[1, 1]], counts=np.ones((1, 1, 2)), variance=np.array([[[1.0, -3.0]]]), elements=("Cu",)
    )
    assert table.Cu_counts_err.tolist() == [0.0]


@pytest.mark.parametrize("kind", [np.int8, np.uint16, np.int64])
def test_labels_of_any_whole_kind(kind):
    assert measure_regions(np.array([[0, 3]], kind)).label.tolist() == [3]


def test_labels_that_do_not_fit():
    most = 2**31 - 1
    assert region_shapes(np.array([[0, most]])).label.tolist() == [most]
    with pytest.raises(InputError, match=f"0 and {most}, got 0 to {most + 1}"):
        region_shapes(np.array([[0, most + 1]]))
    with pytest.raises(InputError, match="got -1 to 5"):
        region_shapes(np.array([[-1, 5]]))


def test_labels_beyond_the_number_of_pixels_are_renumbered():
    """Four pixels; a label of four is a row of its own, a label of five is not."""
    for largest in (4, 5, 500):
        found = region_shapes(np.array([[2, largest], [largest, 2]]))
        assert found.label.tolist() == [2, largest]
        assert found.area.tolist() == [2, 2]
        table = measure_regions(
            np.array([[0, largest], [2, 2]]), counts=np.array([[[9, 1], [2, 3]]]), elements=("Cu",)
        )
        assert table.Cu_counts.tolist() == [5, 1]


def test_runs_of_a_small_picture():
    """Label, row, first column, column after the last; and how many of each label."""
    image = np.array([[1, 1, 0, 2], [0, 2, 2, 1]], np.int32)
    assert kernels.count_runs(image) == (4, 2, 0)
    assert kernels.count_runs(np.array([[-3, 0, 7]], np.int32)) == (2, 7, -3)
    assert kernels.count_runs(np.zeros((2, 2), np.int32)) == (0, 0, 0)
    runs, per_label = kernels.find_runs(image, 4, 2)
    assert runs.tolist() == [[1, 0, 0, 2], [2, 0, 3, 4], [2, 1, 1, 3], [1, 1, 3, 4]]
    assert per_label.tolist() == [0, 0, 2, 2]
    grouped, start = kernels.group_runs(runs, per_label)
    assert grouped.tolist() == [[0, 0, 2], [1, 3, 4], [0, 3, 4], [1, 1, 3]]
    assert start.tolist() == [0, 0, 2, 4]


def blobs(side, seed, *, scale=1.5):
    field = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=(side, side)), scale)
    return connected(field > np.quantile(field, 0.6), connectivity=1).astype(np.int32)


def test_measuring_runs_is_measuring_the_image():
    labels = 3 * blobs(80, 1)  # labels with gaps
    counts = np.random.default_rng(2).poisson(2.0, (2, 80, 80)).astype(float)
    noise = 0.25 * counts
    whole = measure_regions(
        labels, counts=counts, variance=noise, elements=("Cu", "Zn"), pixel_size=0.5
    )
    n_runs, largest, _ = kernels.count_runs(labels)
    runs, _ = kernels.find_runs(labels, n_runs, largest)
    present = np.unique(labels)[1:]
    sums, spread = (signal_sums(labels, plane)[present] for plane in (counts, noise))
    table = measure_runs(
        runs, sums, spread, shape=labels.shape, elements=("Cu", "Zn"), pixel_size=0.5
    )
    np.testing.assert_array_equal(table.to_numpy(float), whole.to_numpy(float))
    assert list(table) == list(whole)
    # A field that reaches further: what touched its lower and right border does so no more.
    wider = measure_runs(runs, sums, -spread, shape=(99, 99), elements=("Cu", "Zn"))
    top_or_left = [
        bool((labels[0] == label).any() or (labels[:, 0] == label).any()) for label in present
    ]
    assert wider.touches_border.tolist() == top_or_left
    assert (wider.Cu_counts_err == 0).all()  # no noise is less than none
    assert wider.area_um2[0] == 4 * whole.area_um2[0]  # a pixel of one
    assert "Cu_counts" not in measure_runs(runs, sums, spread, shape=labels.shape)


def test_sums_over_labels():
    labels = np.array([[0, 1, 1], [3, 3, 1]], np.int32)
    signal = np.array([[[9.5, 1.5, 2.0], [4.0, 5.0, 6.0]], [[9, 1, 1], [1, 1, 0]]])
    assert signal_sums(labels, signal).tolist() == [[0, 0], [9.5, 2], [0, 0], [9, 2]]


@pytest.mark.parametrize(
    ("runs", "cores", "threads"),
    [(5000, 8, 1), (5001, 8, 4), (5001, 3, 3), (5001, None, 1), (0, 8, 1)],
)
def test_how_many_threads(monkeypatch, runs, cores, threads):
    """Some thousand runs are worth a thread; more than four wait for memory."""
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    assert regions._n_threads(runs) == threads


@pytest.mark.parametrize("threads", [1, 2, 3, 7])
def test_any_number_of_threads_gives_the_same(monkeypatch, threads):
    labels = blobs(60, 5, scale=0.8)
    counts = np.random.default_rng(0).poisson(2.0, (1, 60, 60))
    monkeypatch.setattr(regions, "_n_threads", lambda _: 1)
    one = measure_regions(labels, counts=counts, elements=("Cu",))
    expected = np.bincount(labels.ravel(), counts.ravel())[1:]
    monkeypatch.setattr(regions, "_n_threads", lambda _: threads)
    many = measure_regions(labels, counts=counts, elements=("Cu",))
    np.testing.assert_array_equal(one.to_numpy(float), many.to_numpy(float))
    assert many.Cu_counts.tolist() == expected.tolist()


def test_a_fault_in_a_thread_is_not_lost():
    def fails():
        raise ValueError("here")

    done = []
    with pytest.raises(ValueError, match="here"):
        regions._in_threads([lambda: done.append(1), fails])
    assert done == [1]
    regions._in_threads([lambda: done.append(2)])
    assert done == [1, 2]
    regions._in_threads([])


def test_kernels_are_compiled_once_and_leave_python_free():
    """Kept on disk between sessions, or every start would compile for seconds; without the GIL,
    or threads would wait for each other.
    """
    for name in (
        "count_runs", "find_runs", "group_runs", "sums_of_label", "chords_of_label", "push",
        "half_hull", "fill_side", "calipers", "close_ring",
        "hull_of_label", "shape_of_labels", "add_signals",
    ):  # fmt: skip
        kernel = getattr(kernels, name)
        assert kernel.targetoptions["nogil"] is True, name
        assert type(kernel._cache).__name__ == "FunctionCache", name

"""Region measurement: by hand on tiny images, and against scikit-image on random ones."""

import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import label as connected
from skimage.measure import regionprops_table
from skimage.morphology import convex_hull_image

from spattermap.core.errors import InputError, InputTypeError
from spattermap.measure.regions import measure_regions, region_shapes

COLUMNS = [
    "label", "y_um", "x_um", "touches_border", "diameter_um", "area_um2", "widest_um",
    "narrowest_um", "perimeter_um", "aspect_ratio", "circularity", "solidity", "long_axis_deg",
]  # fmt: skip


def blobs(side, scale, seed):
    field = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=(side, side)), scale)
    return connected(field > np.quantile(field, 0.6), connectivity=1).astype(np.int32)


def disc(radius, centre, side):
    y, x = np.mgrid[:side, :side]
    return ((y - centre[0]) ** 2 + (x - centre[1]) ** 2 <= radius**2).astype(np.int32)


def test_columns_are_those_of_the_droplet_table():
    table = measure_regions(
        np.eye(3, dtype=int), counts=np.ones((2, 3, 3)), elements=("Cu", "Zn"), pixel_size=0.5
    )
    assert list(table.columns) == [
        *COLUMNS, "Cu_counts", "Cu_counts_err", "Zn_counts", "Zn_counts_err"
    ]  # fmt: skip


@pytest.mark.outside(
    "Size, axes, diameters (Feret) and perimeter of a rectangle of 2 x 5 pixels",
    source="second moments, chords and corners by hand",
    known="exact",
    tolerance="1e-6",
)
def test_a_rectangle_by_hand():
    labels = np.zeros((6, 9), dtype=int)
    labels[1:3, 2:7] = 4  # two rows, five columns
    row = measure_regions(labels, pixel_size=2.0).iloc[0]
    assert (row.label, row.area_um2, row.y_um, row.x_um) == (4, 40.0, 4.0, 9.0)
    assert row.diameter_um == pytest.approx(2 * np.sqrt(40 / np.pi))
    assert row.narrowest_um == 4.0
    # Between the midpoints of the short edges' outer corners: scikit-image's convention.
    assert row.widest_um == pytest.approx(2 * np.hypot(5, 1))
    assert row.solidity == 1.0
    assert row.long_axis_deg == 0.0
    # Second moments of a row of n points: (n^2 - 1) / 12.
    assert row.aspect_ratio == pytest.approx(np.sqrt((25 - 1) / (4 - 1)))
    # Chords: 2 rows, 5 columns, 6 on each diagonal (Crofton, four directions).
    assert row.perimeter_um == pytest.approx(2 * np.pi / 4 * (2 + 5 + 12 / np.sqrt(2)))
    assert not row.touches_border


def test_one_pixel_is_measured_and_finite():
    row = measure_regions([[5]]).iloc[0]
    assert (row.area_um2, row.narrowest_um, row.widest_um) == (1, pytest.approx(0.5**0.5), 1)
    assert (row.aspect_ratio, row.solidity, row.touches_border) == (1, 1, True)
    assert np.isfinite(row.drop("label").astype(float)).all()


@pytest.mark.parametrize(
    ("picture", "angle"),
    [
        (np.ones((1, 5), dtype=int), 0.0),
        (np.ones((5, 1), dtype=int), 90.0),
        (np.fliplr(np.eye(5, dtype=int)), 45.0),  # rises to the right as seen on the picture
        (np.eye(5, dtype=int), 135.0),
    ],
)
def test_orientation_is_counter_clockwise_on_the_picture(picture, angle):
    assert measure_regions(picture).long_axis_deg[0] == pytest.approx(angle)


@pytest.mark.parametrize(
    ("cut", "touches"),
    [
        (np.s_[0, 3], True), (np.s_[5, 3], True), (np.s_[3, 0], True), (np.s_[3, 6], True),
        (np.s_[1, 1], False),
    ],
)  # fmt: skip
def test_border_is_flagged_on_every_side(cut, touches):
    labels = np.zeros((6, 7), dtype=int)
    labels[cut] = 1
    assert measure_regions(labels).touches_border.tolist() == [touches]


def test_counts_are_summed_with_poisson_or_carried_noise():
    labels = np.array([[1, 1, 0], [2, 0, 1]])
    counts = np.array([[[1, 2, 9], [4, 9, 8]], [[0, 1, 9], [0, 9, 0]]], dtype=np.uint16)
    table = measure_regions(labels, counts=counts, elements=("Cu", "Zn"))
    assert table.Cu_counts.tolist() == [11, 4]
    assert table.Cu_counts_err.tolist() == [np.sqrt(11), 2]
    assert table.Zn_counts.tolist() == [1, 0]
    carried = measure_regions(labels, counts=counts, variance=counts * 0.25, elements=("Cu", "Zn"))
    assert carried.Cu_counts_err.tolist() == [np.sqrt(11) / 2, 1]


@pytest.mark.parametrize("kind", [np.uint8, np.int16, np.uint32, np.int64, np.float32, bool])
def test_every_kind_of_count_gives_the_same_sums(kind):
    labels = blobs(40, 1.5, 3)
    counts = np.random.default_rng(0).integers(0, 2, (1, 40, 40))
    expected = np.bincount(labels.ravel(), counts.ravel())[1:]
    table = measure_regions(labels, counts=counts.astype(kind), elements=("Cu",))
    assert table.Cu_counts.tolist() == expected.tolist()


@pytest.mark.outside(
    "Area, place, hull, largest diameter (Feret), perimeter, axes and angle of random regions",
    source="skimage.measure.regionprops_table, the installed version",
    known="computed",
    tolerance="equal, or 1e-12; angle 1e-9",
)
@pytest.mark.parametrize(("scale", "side"), [(0.4, 90), (1.0, 120), (2.5, 160), (5.0, 200)])
def test_agrees_with_scikit_image(scale, side):
    labels = blobs(side, scale, seed=7)
    ours = region_shapes(labels)
    theirs = regionprops_table(
        labels,
        properties=(
            "label", "bbox", "centroid", "area", "area_convex", "feret_diameter_max",
            "perimeter_crofton", "axis_major_length", "axis_minor_length", "orientation",
            "inertia_tensor",
        ),
    )  # fmt: skip
    for mine, name in (
        (ours.label, "label"), (ours.area, "area"), (ours.hull_area, "area_convex"),
        (ours.feret_max, "feret_diameter_max"), *((ours.box[:, k], f"bbox-{k}") for k in range(4)),
    ):  # fmt: skip
        np.testing.assert_array_equal(mine, theirs[name], err_msg=name)
    major, minor = ours.axes
    for mine, name in (
        (ours.centroid[:, 0], "centroid-0"), (ours.centroid[:, 1], "centroid-1"),
        (ours.perimeter, "perimeter_crofton"), (major, "axis_major_length"),
        (minor, "axis_minor_length"), (ours.covariance[:, 0], "inertia_tensor-1-1"),
        (ours.covariance[:, 1], "inertia_tensor-0-0"),
        (-ours.covariance[:, 2], "inertia_tensor-0-1"),
    ):  # fmt: skip
        np.testing.assert_allclose(mine, theirs[name], rtol=1e-12, atol=1e-12, err_msg=name)
    # Its angle is from the row axis, ours from the x axis; round regions have no angle.
    long = major - minor > 1e-6
    apart = np.mod(ours.orientation - theirs["orientation"] - np.pi / 2 + np.pi / 2, np.pi)
    np.testing.assert_allclose(apart[long], np.pi / 2, atol=1e-9)


@pytest.mark.outside(
    "Smallest and largest diameter (Feret) of random regions",
    source="widths over 7200 directions; hull by scikit-image",
    known="computed",
    tolerance="5e-4 and 1e-6",
)
def test_feret_diameters_against_every_direction():
    # Reference: the width over 7,200 directions of the same edge midpoints; the largest of the
    # hull image (scikit-image's convention), the smallest of the region.
    labels = blobs(100, 2.0, seed=2)
    shapes = region_shapes(labels)
    angles = np.linspace(0, np.pi, 7200, endpoint=False)
    steps = np.array([[-0.5, 0], [0.5, 0], [0, -0.5], [0, 0.5]])
    for index in range(0, len(shapes.label), 5):
        top, left, bottom, right = shapes.box[index]
        crop = labels[top:bottom, left:right] == shapes.label[index]
        widths = []
        for mask in (crop, convex_hull_image(crop) if crop.sum() > 1 else crop):
            points = (np.argwhere(mask)[:, None, :] + steps).reshape(-1, 2)
            along = points[:, :1] * np.sin(angles) + points[:, 1:] * np.cos(angles)
            widths.append(np.ptp(along, axis=0))
        assert shapes.feret_min[index] <= widths[0].min() + 1e-9
        assert shapes.feret_min[index] == pytest.approx(widths[0].min(), rel=5e-4)
        assert shapes.feret_max[index] == pytest.approx(widths[1].max(), rel=1e-6)


def test_threads_do_not_change_the_result():
    labels = blobs(600, 1.0, seed=4)
    counts = np.random.default_rng(0).poisson(2.0, (3, 600, 600))
    whole = measure_regions(labels, counts=counts, elements=("Cu", "Zn", "Sn"))
    assert len(whole) > 3000  # enough runs for more than one thread
    for index in range(0, len(whole), 400):
        alone = np.where(labels == whole.label[index], labels, 0)
        row = measure_regions(alone, counts=counts, elements=("Cu", "Zn", "Sn"))
        np.testing.assert_array_equal(row.values[0], whole.values[index])


def test_nothing_found_is_a_table_without_rows():
    table = measure_regions(np.zeros((4, 5), dtype=int))
    assert len(table) == 0
    assert list(table.columns) == COLUMNS


def test_the_input_is_left_alone_and_may_be_read_only():
    labels = blobs(50, 2, 1)
    labels.setflags(write=False)
    before = labels.copy()
    measure_regions(labels[:, ::-1])
    np.testing.assert_array_equal(labels, before)


@pytest.mark.parametrize(
    ("labels", "more", "problem", "words"),
    [
        (np.zeros((2, 2, 2), dtype=int), {}, InputError, "two-dimensional"),
        (np.zeros((2, 2)), {}, InputTypeError, "labels must be whole numbers"),
        (np.array([[0, -1]], dtype=np.int32), {}, InputError, "labels must be zero or above"),
        (np.eye(2, dtype=int), {"counts": np.ones((2, 2))}, InputError, "counts must have the"),
        (np.eye(2, dtype=int), {"variance": np.ones((0, 2, 2))}, InputError, "come with counts"),
        (np.eye(2, dtype=int), {"pixel_size": 0}, InputError, "pixel_size must be a positive"),
    ],
)
def test_refusals(labels, more, problem, words):
    with pytest.raises(problem, match=words):
        measure_regions(labels, **more)


@pytest.mark.outside(
    "Pixels of a centred disc",
    source="Gauss circle problem, OEIS A000328, by enumeration",
    known="exact",
    tolerance="equal",
)
@pytest.mark.parametrize(
    ("radius", "pixels"),
    [(1, 5), (2, 13), (3, 29), (4, 49), (5, 81), (8, 197), (10, 317), (15, 709), (20, 1257),
     (25, 1961), (30, 2821), (40, 5025), (50, 7845), (100, 31417)],
)  # fmt: skip
def test_area_of_a_centred_disc(radius, pixels):
    side = 2 * radius + 3
    shapes = region_shapes(disc(radius, (radius + 1, radius + 1), side))
    assert shapes.area.tolist() == [pixels]


# Random sub-pixel centres: the mean Crofton perimeter over 2 pi r.
@pytest.mark.outside(
    "Perimeter of discs at random places",
    source="scikit-image 0.26.0, perimeter_crofton in four directions",
    known="computed",
    tolerance="0.003 of 2 pi r",
)
@pytest.mark.outside(
    "Circularity of discs at random places, over their size",
    source="Cauchy and Crofton: 1 whatever the size",
    known="exact",
    tolerance="0.01; 0.02 at 3 pixels radius",
)
@pytest.mark.outside(
    "Pixels of discs at random places",
    source="pi r^2 on average",
    known="exact",
    tolerance="4 standard errors of 200 discs",
)
@pytest.mark.parametrize(
    ("radius", "ratio", "tolerance"),
    [(3, 0.994, 0.02), (5, 0.9975, 0.01), (10, 0.9995, 0.01), (20, 1.0, 0.01)],
)
def test_circularity_of_random_discs(radius, ratio, tolerance):
    rng = np.random.default_rng(radius)
    side = 2 * radius + 5
    tables = [
        measure_regions(disc(radius, side / 2 - 0.5 + rng.uniform(-0.5, 0.5, 2), side))
        for _ in range(200)
    ]
    circularity = np.array([table.circularity[0] for table in tables])
    perimeter = np.array([table.perimeter_um[0] for table in tables])
    area = np.array([table.area_um2[0] for table in tables])
    assert circularity.mean() == pytest.approx(1, abs=tolerance)
    assert (perimeter / (2 * np.pi * radius)).mean() == pytest.approx(ratio, abs=0.003)
    # E[pixel count] = pi r^2 exactly (lattice in random position); four standard errors.
    error = area.std(ddof=1) / np.sqrt(len(area))
    assert abs(area.mean() - np.pi * radius**2) < 4 * error


@pytest.mark.outside(
    "Axes, area, aspect ratio and angle of a drawn ellipse",
    source="axes 80 and 40, eccentricity 0.8660254, area 2513.27",
    known="exact",
    tolerance="0.3 pixels, 0.002, 0.4 %, 0.02 and 0.5 degrees",
)
@pytest.mark.outside(
    "Circularity of a drawn ellipse 2:1",
    source="ISO 9276-6 (definition from memory); 0.9171505771 by scipy.special.ellipe",
    known="from memory, computed",
    tolerance="0.01",
)
@pytest.mark.parametrize("angle", [0, 17, 30, 45, 73, 90, 120])
def test_a_rasterised_ellipse(angle):
    # Semi-axes of 40 and 20 px; the tolerances are those of the raster.
    y, x = np.mgrid[-50:51, -50:51]
    turn = np.deg2rad(angle)
    along = x * np.cos(turn) - y * np.sin(turn)  # y points down, the angle up
    across = x * np.sin(turn) + y * np.cos(turn)
    labels = ((along / 40) ** 2 + (across / 20) ** 2 <= 1).astype(int)
    shapes = region_shapes(labels)
    major, minor = shapes.axes
    assert major[0] == pytest.approx(80, abs=0.3)
    assert minor[0] == pytest.approx(40, abs=0.3)
    assert np.sqrt(1 - (minor[0] / major[0]) ** 2) == pytest.approx(0.8660254, abs=0.002)
    assert shapes.area[0] == pytest.approx(2513.27, rel=0.004)
    table = measure_regions(labels)
    assert table.aspect_ratio[0] == pytest.approx(2, abs=0.02)
    assert abs((table.long_axis_deg[0] - angle + 90) % 180 - 90) < 0.5
    assert table.circularity[0] == pytest.approx(0.91715, abs=0.01)


@pytest.mark.outside(
    "Perimeter of squares along the axes, the worst case",
    source="scikit-image 0.26.0: 188.50 for a side of 50, 36.81 for 10",
    known="computed",
    tolerance="half the last printed digit",
)
def test_axis_aligned_squares_are_the_worst_case_of_crofton():
    for side, perimeter in ((50, 188.50), (10, 36.81)):
        labels = np.pad(np.ones((side, side), dtype=int), 2)
        assert region_shapes(labels).perimeter[0] == pytest.approx(perimeter, abs=0.005)


@pytest.mark.outside(
    "Number, areas and area fraction of the 24 coins of a photograph",
    source="skimage.data.coins by the recipe of scikit-image's gallery (page seen), scikit-image "
    "0.26.0",
    known="computed",
    tolerance="equal; fraction 5e-6",
)
def test_coins_of_the_gallery_recipe():
    # 25 regions, one of them of 2 px.
    from skimage import data, filters, segmentation

    coins = data.coins()
    markers = np.zeros(coins.shape, dtype=int)
    markers[coins < 30] = 1
    markers[coins > 150] = 2
    metal = segmentation.watershed(filters.sobel(coins), markers) == 2
    labels, _ = ndimage.label(ndimage.binary_fill_holes(metal))
    table = measure_regions(labels)
    assert len(table) == 25
    large = table[table.area_um2 > 200]
    assert (len(large), large.area_um2.min(), large.area_um2.max()) == (24, 1077, 3141)
    assert table.area_um2.sum() / coins.size == pytest.approx(0.33472, abs=5e-6)
    # Coins are round (our reading of the picture).
    assert large.circularity.median() == pytest.approx(0.98, abs=0.02)


@pytest.mark.outside(
    "Area of the one region of a silhouette",
    source="skimage.data.horse (CC0), scikit-image 0.26.0: one component of 43 412 pixels",
    known="computed",
    tolerance="equal",
)
def test_silhouette_of_a_horse():
    from skimage import data

    table = measure_regions((~data.horse()).astype(int))
    assert table.area_um2.tolist() == [43412]


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_turning_the_picture_turns_the_regions(quarter_turns):
    labels = blobs(90, 2.0, seed=9)
    counts = np.random.default_rng(0).poisson(3.0, (1, 90, 90))
    before = measure_regions(labels, counts=counts, elements=("Cu",))
    after = measure_regions(
        np.rot90(labels, quarter_turns),
        counts=np.rot90(counts, quarter_turns, axes=(1, 2)),
        elements=("Cu",),
    )
    same = [c for c in before if c not in ("y_um", "x_um", "long_axis_deg")]
    np.testing.assert_allclose(
        after[same].to_numpy(dtype=float), before[same].to_numpy(dtype=float), rtol=1e-9
    )
    long = before.aspect_ratio > 1.05
    turned = after.long_axis_deg - before.long_axis_deg - 90 * quarter_turns
    assert (np.abs((turned[long] + 90) % 180 - 90) < 1e-6).all()

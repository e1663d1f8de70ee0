"""The electron image as evidence: registration and refusal, learning, counting, falling back."""

import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))
import electron_image as bench
import segmentation_scenes as scenes

import electron_images as made
import spattermap
from spattermap.core.errors import InputError, SpattermapWarning
from spattermap.core.mapset import with_electron_image
from spattermap.segment import engine, image_evidence, image_regions
from spattermap.segment.image import read_image
from spattermap.segment.image_grid import (
    Transform,
    blurred,
    clipped_part,
    even_grey,
    resampled,
    without_caption,
)
from spattermap.segment.image_registration import filled, register


@pytest.fixture(scope="module")
def field():
    return made.make_field(7, counts=0.1, size=192)


@pytest.fixture(scope="module")
def evidence(field):
    return bench.evidence(field)


def test_a_picture_on_its_own_grid_comes_back_to_the_maps():
    y, x = np.mgrid[:64, :64]
    maps = np.sin(y / 5.0) + np.cos(x / 7.0)
    place = Transform(shift=(1.5, -2.0), turn_deg=2.0, scale=1.02, step=0.5)
    # The image by its definition: read the maps at the place each of its pixels shows.
    fine = np.indices((128, 128)).reshape(2, -1).astype(float)
    at = np.linalg.inv(place.matrix()) @ (fine - place.offset((64, 64), (128, 128))[:, None])
    image = ndimage.map_coordinates(maps, at, order=3, mode="nearest").reshape(128, 128)
    back, inside = resampled(image.astype(np.float32), place, (64, 64))
    middle = np.s_[8:-8, 8:-8]
    assert np.abs(back - maps)[middle].max() < 0.02  # interpolation, linear
    assert inside[middle].all()
    assert not inside.all()


@pytest.mark.parametrize("shape", [(96, 128), (63, 131)])
def test_hollows_are_filled_as_a_library_fills_them(shape):
    """Against the grey reconstruction of scikit-image (Robinson & Whelan 2004)."""
    from skimage.morphology import reconstruction

    picture = ndimage.gaussian_filter(np.random.default_rng(5).normal(size=shape), 2.0)
    picture = picture.astype(np.float32)
    wide = np.pad(picture, 32, mode="symmetric")
    start = wide.copy()
    start[1:-1, 1:-1] = wide.max()
    expected = reconstruction(start, wide, method="erosion")[32:-32, 32:-32]
    assert np.array_equal(filled(picture), expected)


@pytest.mark.parametrize("sigma", [8.0, 20.0, 30.0])
def test_a_wide_blur_on_squares_is_the_blur(sigma):
    picture = np.random.default_rng(6).normal(size=(251, 390)).astype(np.float32)
    picture = 20 * ndimage.gaussian_filter(picture, 6.0) + picture
    expected = ndimage.gaussian_filter(picture, sigma)
    inner = np.s_[60:-60, 60:-60]
    assert np.std((blurred(picture, sigma) - expected)[inner]) < 0.02 * np.std(picture)


def test_a_transform_on_squares_shows_the_same_places():
    place = Transform(shift=(1.5, -2.0), turn_deg=2.0, scale=1.02, step=0.5)
    shape, image_shape = (65, 66), (131, 129)
    coarse = place.on_squares(2, shape)
    square = np.array([11, 20])
    fine = place.offset(shape, image_shape) + place.matrix() @ (2 * square + 0.5)
    found = coarse.offset((32, 33), image_shape) + coarse.matrix() @ square
    assert np.allclose(found, fine, atol=1e-9)


def test_the_squares_of_blurred_regions_are_those_of_the_blur():
    labels = np.zeros((40, 50), np.int32)
    labels[0:7, 3:12], labels[20:30, 20:41], labels[12:14, 49:] = 1, 2, 3
    valid = np.random.default_rng(7).random(labels.shape) > 0.1
    found = image_regions._diagonal(labels, valid, 1.3)
    for k in (1, 2, 3):
        seen = blurred((labels == k).astype(np.float32), 1.3)
        assert found[k] == pytest.approx(np.square(seen[valid]).sum(), rel=1e-5)


def test_the_distance_of_two_transforms_is_that_of_the_corners():
    half = 63 / 2
    turned = Transform(turn_deg=1.0)
    expected = 2 * np.hypot(half, half) * np.sin(np.radians(0.5))  # chord
    assert turned.farthest(Transform(), (64, 64)) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("foot", [True, False])
def test_a_caption_bar_is_cut_off(foot):
    rng = np.random.default_rng(1)
    image = rng.integers(3000, 9000, (120, 100)).astype(np.uint16)
    bar = np.zeros((14, 100), np.uint16)
    bar[4:10, 10:40:3] = 65535
    whole = np.concatenate([image, bar] if foot else [bar, image])
    cut, rows = without_caption(whole)
    assert rows == (14 if foot else -14)
    assert np.array_equal(cut, image)


def test_nothing_is_cut_off_a_picture_without_a_caption(field):
    for kind in made.KINDS:
        image = made.make_picture(field, kind).image
        assert without_caption(image)[1] == 0
    assert without_caption(np.full((50, 50), 255, np.uint8))[1] == 0


def test_grey_values_have_no_scale_of_their_own():
    rng = np.random.default_rng(2)
    image = rng.normal(0, 1, (40, 40))
    assert np.allclose(even_grey(image), even_grey(400 + 52 * image), atol=1e-5)
    assert np.isfinite(even_grey(np.where(image > 2, np.nan, image))).all()


def test_clipped_pixels_are_counted():
    image = np.arange(1000).reshape(20, 50)
    assert clipped_part(image) == 0.001
    assert clipped_part(np.minimum(image, 899)) == pytest.approx(0.101)


@pytest.mark.parametrize("kind", made.KINDS)
@pytest.mark.parametrize(
    "options",
    [
        {},
        {"shift": (3.0, -2.0), "grid": 2.0, "caption": True, "bits": 8},
        {"shift": (1.0, 2.0), "turn": 1.5, "scale": 0.985, "grid": 1.5},
        {"shift": (-2.0, 1.0), "turn": -3.0, "scale": 1.04, "polarity": -1},
    ],
)
def test_a_moved_picture_is_found(field, evidence, kind, options):
    picture = made.make_picture(field, kind, **options)
    found = read_image(picture.image, evidence[1])
    true = Transform(picture.shift, picture.turn, picture.scale)
    assert found.peak_ratio > 2
    # One detector to the side moves the edges of a secondary-electron image by some 0.5 px.
    allowed = 0.75 if kind == "backscatter" else 1.25
    assert found.transform.farthest(true, field.labels.shape) < allowed


@pytest.mark.parametrize("kind", made.KINDS)
def test_a_picture_of_another_field_is_not_used(evidence, kind):
    other = made.make_field(8, counts=0.1, size=192)
    found = read_image(made.make_picture(other, kind).image, evidence[1])
    assert not found.used
    assert found.labels is None
    assert "registered" in found.why


@pytest.mark.parametrize(("counts", "used"), [(0.1, True), (5.0, False)])
def test_many_counts_outweigh_a_picture_that_explains_little(counts, used):
    seen = made.make_field(9, counts=counts, size=192)
    alone, maps = bench.evidence(seen)
    picture = made.make_picture(seen, "secondary", spoils=made.SPOILS)
    found = read_image(picture.image, maps)
    assert found.used is used
    if used:
        assert bench.scores(found.labels, seen)[0] > bench.scores(alone.labels, seen)[0]
    else:
        assert found.explained < 0.9
        assert "the maps' own outlines fit" in found.why
        assert found.otherwise is not None  # necks, for the answer on connection


@pytest.mark.parametrize("nothing", ["even", "noise", "gradient"])
def test_a_picture_that_shows_nothing_is_not_used(evidence, nothing):
    rng = np.random.default_rng(3)
    image = {
        "even": np.full((192, 192), 7, np.uint8),
        "noise": rng.integers(0, 255, (192, 192)).astype(np.uint8),
        "gradient": np.add.outer(np.arange(192), np.arange(192)).astype(np.uint16),
    }[nothing]
    assert not read_image(image, evidence[1]).used


def test_a_field_is_found_in_an_overview(field, evidence):
    random = np.random.default_rng(4)
    whole = made.make_picture(field, "backscatter").image.astype(float)
    around = made.make_field(9, counts=1.0, size=384)
    overview = made.make_picture(around, "backscatter").image.astype(float)
    overview[120:312, 60:252] = whole
    overview += random.normal(0, 300, overview.shape)
    grey = even_grey(overview)
    maps = evidence[1]
    placed = register(maps.fraction, maps.valid, grey, blur=maps.structure.blur, step=1.0)
    assert placed.accepted
    true = Transform(shift=(120 - (384 - 192) / 2, 60 - (384 - 192) / 2))
    assert placed.transform.farthest(true, field.labels.shape) < 1.5


def test_an_overview_of_another_scale_draws_the_field(field, evidence):
    # A larger field at 0.8 of the maps' pixels: a window of it shows what was mapped.
    around = made.make_picture(made.make_field(9, counts=1.0, size=320), "backscatter").image
    overview = around.astype(float)
    overview[30:222, 90:282] = made.make_picture(field, "backscatter").image
    overview = ndimage.zoom(overview, 1.25, order=1)
    found = read_image(overview.astype(np.uint16), evidence[1], step=0.8)
    assert found.used
    assert found.transform.shift == pytest.approx((-34, 26), abs=1.0)
    assert bench.scores(found.labels, field)[0] > 0.94


def grey_as(image, way):
    """Return the grey values of a picture as other detectors and programs write them."""
    part = (image - image.min()) / float(image.max() - image.min())
    return {
        "12 bit shifted to 16": (np.round(4095 * (0.4 + 0.5 * part)).astype(np.uint16) << 4),
        "8 bit up to 52": np.round(52 * part).astype(np.uint8),
        "a third clipped": np.minimum(image, np.quantile(image, 0.67)).astype(image.dtype),
    }[way]


@pytest.mark.parametrize("way", ["12 bit shifted to 16", "8 bit up to 52", "a third clipped"])
def test_grey_values_may_have_any_range(field, evidence, way):
    image = made.make_picture(field, "backscatter").image
    plain, other = (read_image(one, evidence[1]) for one in (image, grey_as(image, way)))
    assert other.used
    assert bench.scores(other.labels, field)[0] > bench.scores(plain.labels, field)[0] - 0.02


def test_a_picture_is_learned_and_an_unrelated_one_is_not(field, evidence):
    maps = evidence[1]
    for kind, least in (("backscatter", 0.9), ("secondary", 0.85)):
        picture = even_grey(made.make_picture(field, kind).image)
        learned = image_evidence.learn(
            picture, maps.fraction, maps.valid, blur=maps.structure.blur, noise=maps.noise
        )
        assert learned.explained > least
        metal = ndimage.binary_erosion(field.labels > 0, iterations=2)
        bare = ~ndimage.binary_dilation(field.labels > 0, iterations=2)
        assert learned.fraction[metal].mean() == pytest.approx(1, abs=0.15)
        assert learned.fraction[bare].mean() == pytest.approx(0, abs=0.08)
    unrelated = np.random.default_rng(5).normal(0, 1, maps.fraction.shape).astype(np.float32)
    learned = image_evidence.learn(
        unrelated, maps.fraction, maps.valid, blur=maps.structure.blur, noise=maps.noise
    )
    assert learned.explained < 0.1


def test_strengths_are_those_of_dense_least_squares():
    rng = np.random.default_rng(6)
    labels = np.zeros((40, 40), np.int32)
    labels[5:15, 5:15], labels[5:15, 15:24], labels[25:30, 25:30] = 1, 2, 3
    true = np.array([0.1, 1.1, 0.7, 0.1])
    blur = 1.5
    evidence = image_regions.blurred(true.astype(np.float32)[labels], blur)
    evidence = evidence + rng.normal(0, 0.3, labels.shape).astype(np.float32)
    found = image_regions.footprints(
        labels, evidence, np.ones(labels.shape, dtype=bool), blur=blur, noise=0.09
    )
    design = np.stack(
        [image_regions.blurred((labels == k).astype(np.float32), blur).ravel() for k in range(4)]
    )
    dense = np.linalg.lstsq(design.T.astype(float), evidence.ravel(), rcond=None)[0]
    assert found.signal == pytest.approx(dense[1:] - dense[0], abs=0.01)  # the truncated blur
    errors = 0.3 * np.sqrt(np.diag(np.linalg.inv(design @ design.T)))[1:]
    assert found.error == pytest.approx(errors, rel=0.35)


def test_counts_tell_metal_from_dust():
    rng = np.random.default_rng(7)
    metal = np.arange(60) < 45
    error = rng.uniform(0.05, 0.25, 60)
    signal = np.where(metal, rng.normal(0.95, 0.15, 60), 0) + error * rng.normal(0, 1, 60)
    odds = image_regions.metal_odds(image_regions.Footprints(signal, error))
    assert (odds[metal] > 1).mean() > 0.95
    assert (odds[~metal] > 1).sum() == 0


def test_signal_above_the_metals_own_is_no_proof_where_the_error_is_large():
    signal, error = np.full(30, 1.0), np.full(30, 0.05)
    signal[-1], error[-1] = 1.3, 1.0
    odds = image_regions.metal_odds(image_regions.Footprints(signal, error))
    assert (odds[:-1] > 10).all()
    assert odds[-1] < 4.0


def test_cuts_and_tails_of_the_picture_alone_are_undone_and_gaps_stay():
    y, x = np.mgrid[:80, :120]
    true = np.zeros((80, 120), np.int32)
    for k, (row, column) in enumerate([(25, 25), (55, 60), (55, 79), (25, 100)]):
        true[(y - row) ** 2 + (x - column) ** 2 <= 64] = k + 1
    # A scratch cuts the first, another hangs on the last; the second and third lie 2 px apart.
    mask = (true > 0) & ((np.abs(y - x) > 1) | (x > 45))
    mask |= (np.abs(y - 25) <= 1) & (x > 60) & (x < 100)
    blur, noise = 1.2, 2.0
    rng = np.random.default_rng(8)
    counts = image_regions.blurred((true > 0).astype(np.float32), blur)
    counts = counts + np.sqrt(noise) * rng.normal(0, 1, true.shape).astype(np.float32)
    valid = np.ones(true.shape, dtype=bool)
    whole, unsure = image_regions.mended(mask, true == 9, counts, valid, blur=blur, noise=noise)
    labels = image_regions.parted_by_shape(whole, unsure, diameter=16.0, strength=1.0)
    assert labels.max() == 4
    assert scenes.f1(labels, true) == 1
    assert not labels[(x > 64) & (x < 88) & (y < 35)].any()
    assert not labels[50:60, 69:71].all()


def test_a_shape_that_looks_like_the_metal_is_told_from_one_that_does_not():
    labels = np.zeros((96, 96), np.int32)
    y, x = np.mgrid[:96, :96]
    places = [(8 + 16 * k, 8 + 16 * j) for k in range(5) for j in range(5)]
    for k, (row, column) in enumerate(places, start=1):
        labels[np.hypot(y - row, x - column) < 4] = k
    picture = ndimage.gaussian_filter((labels > 0).astype(np.float32), 0.8)
    picture += 0.05 * np.random.default_rng(1).standard_normal(picture.shape).astype(np.float32)
    picture[labels == 24] *= 0.3  # a patch of another grey
    odds = np.full(25, 20.0)
    odds[23:] = 1.0  # not settled by the counts
    told = image_regions.look_odds(labels, picture, odds)
    assert told[23] < -2
    assert told[24] > 1
    assert not image_regions.look_odds(labels, picture, np.zeros(25)).any()  # nothing to go by


def test_what_is_too_small_to_be_learned_is_added_where_the_picture_is_clear():
    y, x = np.mgrid[:96, :96]
    labels = (np.hypot(y - 40, x - 40) < 12).astype(np.int32)
    shown = (labels > 0) | (np.hypot(y - 70, x - 70) < 2) | (np.hypot(y - 10, x - 80) < 1.5)
    shown |= np.hypot(y - 40, x - 54) < 1.5  # beside the first, part of it or a shadow
    clear = ndimage.gaussian_filter(shown.astype(np.float32), 0.6)
    noise = np.random.default_rng(2).standard_normal(clear.shape).astype(np.float32)
    for sign in (1, -1):
        found = image_regions.with_small(labels, sign * clear + 0.05 * noise, labels >= 0)
        assert found.max() == 3
        assert np.array_equal(found == 1, labels == 1)
        assert found[70, 70]
        assert found[10, 80]
        assert not found[40, 54]
    assert np.array_equal(image_regions.with_small(labels, clear + noise, labels >= 0), labels)


def test_what_only_the_maps_show_is_added():
    image = np.zeros((20, 20), np.int32)
    image[2:8, 2:8] = 1
    maps = np.zeros((20, 20), np.int32)
    maps[3:9, 3:9], maps[12:16, 12:16] = 1, 2
    both = image_regions.only_in_maps(image, maps)
    assert np.array_equal(both > 0, (image > 0) | (maps == 2))
    assert sorted(np.unique(both)) == [0, 1, 2]


@pytest.mark.parametrize(("kind", "least"), [("backscatter", 0.96), ("secondary", 0.92)])
def test_few_counts_and_a_picture_do_what_neither_does_alone(field, evidence, kind, least):
    alone, maps = evidence
    found = read_image(made.make_picture(field, kind, shift=(1.0, -2.0)).image, maps)
    assert found.used
    f1, cover, _ = bench.scores(found.labels, field)
    assert f1 > least
    assert f1 > bench.scores(alone.labels, field)[0]
    assert abs(cover) < 0.06
    assert found.confidence.size == found.labels.max()


def test_dust_and_scratches_do_not_become_droplets():
    field = made.make_field(21, counts=0.2, size=192)
    _, maps = bench.evidence(field)
    picture = made.make_picture(field, "backscatter", spoils=("dust", "scratches", "oxide"))
    found = read_image(picture.image, maps)
    assert found.used
    accepted, n = bench.fakes_in(found.labels, picture.fakes)
    assert n > 10
    assert accepted == 0


def test_the_same_picture_gives_the_same_answer(field, evidence):
    image = made.make_picture(field, "secondary").image
    before = image.copy()
    one, two = (read_image(image, evidence[1]) for _ in range(2))
    assert np.array_equal(one.labels, two.labels)
    assert np.array_equal(image, before)


def _saved(folder, field, **images):
    """Write maps and electron images as files; return the folder."""
    for name, plane in zip(field.maps["element"].values, field.maps["counts"].values, strict=True):
        tifffile.imwrite(folder / f"{name}.tif", plane)
    for name, image in images.items():
        tifffile.imwrite(folder / f"{name}.tif", image)
    named = ", ".join(f'"{name}.tif"' for name in images)
    (folder / "mapset.toml").write_text(
        f"pixel_size_um = 0.25\nelectron_image = [{named}]\n"
        "[alloy]\nCu = 70.0\nZn = 30.0\n[substrate]\nSi = 46.7\nO = 53.3\n",
        encoding="utf-8",
    )
    return folder


def test_images_of_other_grids_are_loaded_and_the_better_one_is_used(tmp_path, field):
    other = made.make_picture(made.make_field(8, counts=0.1, size=192), "secondary").image
    right = made.make_picture(field, "backscatter", grid=1.5, shift=(1.0, -2.0), caption=True).image
    folder = _saved(tmp_path, field, micrograph=other, backscattered=right)
    maps = spattermap.load(folder)
    assert maps["electron_image"].shape == (192, 192)
    assert maps["electron_image_2"].dims == ("image_y_2", "image_x_2")
    assert np.array_equal(maps["electron_image_2"].values, right)
    found = engine.segment(maps, scenes.roles_of(maps))
    assert found.image.used
    assert found.image.name == "electron_image_2"
    told = found.image.summary(0.25)
    assert told["electron_image_used"] is True
    assert told["electron_image_shift_y_um"] == pytest.approx(0.25, abs=0.125)
    assert told["electron_image_shift_x_um"] == pytest.approx(-0.5, abs=0.125)
    assert bench.scores(found.labels, field)[0] > 0.95
    assert found.confidence.size == found.n_droplets


def test_a_wrong_picture_costs_nothing(tmp_path, field, evidence):
    other = made.make_picture(made.make_field(8, counts=0.1, size=192), "backscatter").image
    maps = spattermap.load(_saved(tmp_path, field, micrograph=other))
    found = engine.segment(maps, scenes.roles_of(maps))
    assert not found.image.used
    assert found.image.why
    assert np.array_equal(found.labels, evidence[0].labels)
    assert found.notes == evidence[0].notes


def test_the_image_can_be_switched_off(tmp_path, field, evidence):
    right = made.make_picture(field, "backscatter").image
    maps = spattermap.load(_saved(tmp_path, field, micrograph=right))
    off = engine.segment(
        maps, scenes.roles_of(maps), settings=spattermap.Settings(electron_image="off")
    )
    assert off.image is None
    assert np.array_equal(off.labels, evidence[0].labels)


def test_an_image_that_cannot_be_read_does_not_stop_the_maps(tmp_path, field):
    folder = _saved(tmp_path, field, micrograph=np.ones((40, 50), np.uint8))
    (folder / "micrograph.tif").write_bytes(b"II*\0 no picture")
    with pytest.warns(SpattermapWarning, match=r"micrograph\.tif cannot be used"):
        maps = spattermap.load(folder)
    assert "electron_image" not in maps
    assert maps.sizes["y"] == 192


def test_a_clipped_image_is_warned_of(tmp_path, field):
    image = made.make_picture(field, "backscatter").image
    image = np.minimum(image, np.quantile(image, 0.8).astype(image.dtype))
    with pytest.warns(SpattermapWarning, match="20% of the pixels of the electron"):
        spattermap.load(_saved(tmp_path, field, micrograph=image))


def test_an_image_of_three_dims_is_refused(field):
    with pytest.raises(InputError, match="two dims"):
        with_electron_image(field.maps, np.zeros((3, 4, 5)))

"""Pictures made for the eye: recovered where they can be, masked, and never taken for counts."""

import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
from scipy import ndimage

import spattermap
from spattermap.core.errors import InputError, SpattermapWarning
from spattermap.core.mapset import facts


def field(mean, *, seed=0, shape=(120, 160)):
    rng = np.random.default_rng(seed)
    y, x = np.indices(shape)
    discs = np.zeros(shape)
    for _ in range(12):
        cy, cx, r = rng.uniform(0, shape[0]), rng.uniform(0, shape[1]), rng.uniform(3, 12)
        discs += (y - cy) ** 2 + (x - cx) ** 2 < r * r
    return rng.poisson(mean * (0.3 + ndimage.gaussian_filter(discs, 1.0)))


def in_hue(levels, hue):
    return np.rint(levels[..., None] * np.asarray(hue)).astype(np.uint8)


@pytest.mark.parametrize("hue", [(1.0, 0.0, 0.0), (0.0, 1.0, 1.0), (1.0, 0.6, 0.1)])
def test_one_hue_gives_back_the_levels(tmp_path, hue):
    levels = np.minimum(field(20.0), 255)
    iio.imwrite(tmp_path / "Cu_Ka.png", in_hue(levels, hue))
    with pytest.warns(SpattermapWarning, match="coloured picture, not numbers"):
        maps = spattermap.load(tmp_path)
    assert maps.attrs["quantity"] == "intensity"
    assert np.array_equal(maps["counts"].values[0], levels)
    assert "valid" not in maps


def test_legend_strip_and_lettering_are_masked(tmp_path):
    levels = np.minimum(field(20.0), 255)
    picture = in_hue(levels, (0.0, 1.0, 0.0))
    picture[100:] = 0
    picture[104:116:2, 10:60] = 255  # white lettering on a black strip
    picture[90:94, 20:60] = 255  # a white bar drawn over the map
    tifffile.imwrite(tmp_path / "Cu_Ka.tif", picture, photometric="rgb")
    with pytest.warns(SpattermapWarning):
        maps = spattermap.load(tmp_path)
    valid = maps["valid"].values
    assert not valid[100:].any()
    assert not valid[90:94, 20:60].any()
    untouched = valid[:88]
    assert untouched.all()
    assert np.array_equal(maps["counts"].values[0][valid], levels[valid])


def test_several_hues_are_refused(tmp_path):
    picture = np.random.default_rng(0).integers(0, 256, (60, 60, 3), dtype=np.uint8)
    iio.imwrite(tmp_path / "Cu_Ka.png", picture)
    with pytest.raises(InputError, match=r"Cu_Ka\.png must hold one number a pixel.*Export"):
        spattermap.load(tmp_path)


def stretched(counts):
    return np.rint(255.0 * counts / counts.max()).astype(np.uint8)


def test_a_stretch_of_many_counts_is_intensity(tmp_path):
    for name, seed in (("Cu_Ka", 1), ("Zn_Ka", 2)):
        iio.imwrite(tmp_path / f"{name}.png", stretched(field(300.0, seed=seed)))
    with pytest.warns(SpattermapWarning, match="stretched to 8 bits"):
        maps = spattermap.load(tmp_path)
    assert maps.attrs["quantity"] == "intensity"


def test_a_stretch_of_few_counts_gives_the_counts_back(tmp_path):
    truth = {name: field(3.0, seed=seed) for name, seed in (("Cu", 1), ("Zn", 2))}
    for name, counts in truth.items():
        iio.imwrite(tmp_path / f"{name}_Ka.png", stretched(counts))
    maps = spattermap.load(tmp_path)
    assert maps.attrs["quantity"] == "counts"
    for name, counts in truth.items():
        assert np.array_equal(maps["counts"].sel(element=name).values, counts)
    notes = facts(maps).source["notes"]
    assert sum("recognised, and divided by it" in note for note in notes) == 2


def test_a_scale_bar_is_masked(tmp_path):
    for name, seed in (("Cu_Ka", 1), ("Zn_Ka", 2)):
        levels = stretched(field(300.0, seed=seed))
        levels[110:114, 20:60] = 255
        iio.imwrite(tmp_path / f"{name}.png", levels)
    with pytest.warns(SpattermapWarning):
        maps = spattermap.load(tmp_path)
    assert not maps["valid"].values[110:114, 20:60].any()
    assert maps["valid"].values.mean() > 0.98


def test_real_8_bit_counts_stay_counts(tmp_path):
    counts = field(4.0).astype(np.uint8)
    iio.imwrite(tmp_path / "Cu_Ka.png", counts)
    maps = spattermap.load(tmp_path)
    assert maps.attrs["quantity"] == "counts"
    assert np.array_equal(maps["counts"].values[0], counts)


def test_jpeg_warns_and_is_not_counts(tmp_path):
    iio.imwrite(tmp_path / "Cu_Ka.jpg", field(20.0).astype(np.uint8))
    with pytest.warns(SpattermapWarning, match="JPEG changes pixel values"):
        maps = spattermap.load(tmp_path)
    assert maps.attrs["quantity"] == "intensity"


def test_a_gain_is_divided_out_when_loading(tmp_path):
    counts = field(2.0)
    tifffile.imwrite(tmp_path / "Cu_Ka.tif", (7.3 * counts).astype(np.float32))
    maps = spattermap.load(tmp_path)
    assert maps.attrs["quantity"] == "counts"
    assert np.array_equal(maps["counts"].values[0], counts)


def test_a_stated_intensity_is_left_alone(tmp_path):
    tifffile.imwrite(tmp_path / "Cu_Ka.tif", (7.3 * field(2.0)).astype(np.float32))
    (tmp_path / "mapset.toml").write_text('quantity = "intensity"\n', encoding="utf-8")
    assert spattermap.load(tmp_path).attrs["quantity"] == "intensity"

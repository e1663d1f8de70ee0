"""What the viewer's script is given: pictures, marks and rows, exact and safe inside a page."""

import base64
import hashlib
import json
import re
import zlib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.ndimage import distance_transform_edt

import spattermap
from spattermap.show import field_viewer as viewer
from spattermap.show.pictures.apart_pictures import SQUARE_PX, beyond_alloy
from spattermap.synthesis import Cracks, Deposit, Layer, make_blank, make_deposit


@pytest.fixture(scope="module")
def brass():
    spec = Deposit(
        shape=(120, 160),
        alloy={"Cu": 70.0, "Zn": 30.0},
        layers=(Layer("Zn", share=0.6),),
        cracks=Cracks(number=6),
    )
    return spattermap.analyse(make_deposit(spec, seed=7).maps)


def unpack(text, kind=np.uint8):
    return np.frombuffer(zlib.decompress(base64.b64decode(text)), dtype=kind)


def planes(analysis):
    return {one["key"]: one for one in viewer.base_data(analysis)["planes"]}


def test_haze_is_what_lies_between_the_deposits(brass):
    """By hand: the mean of bare pixels of one square far from any deposit, less the zero."""
    one = planes(brass)["Haze"]
    shown = one["offset"] + one["step"] * unpack(one["data"]).reshape(one["shape"]).astype(float)
    shown[unpack(one["data"]).reshape(one["shape"]) == 0] = np.nan
    total = brass.maps["counts"].sel(element=["Cu", "Zn"]).sum("element").values
    labels = brass.segmentation.labels
    far = distance_transform_edt(labels == 0) > 3 * brass.segmentation.blur_px
    side, n = viewer.HAZE_SIDE, 0
    for row, column in np.argwhere(np.isfinite(shown)):
        box = (slice(row * side, (row + 1) * side), slice(column * side, (column + 1) * side))
        by_hand = max(total[box][far[box]].mean() - brass.haze_zero.value, 0.0)
        low, high = one["offset"] + one["step"], one["offset"] + 255 * one["step"]
        assert shown[row, column] == pytest.approx(np.clip(by_hand, low, high), abs=one["step"])
        n += 1
    assert n > 5


def test_counts_up_to_255_are_kept_exactly(brass):
    one = planes(brass)["Cu"]
    values = one["offset"] + one["step"] * unpack(one["data"]).reshape(one["shape"])
    assert np.array_equal(values, brass.maps["counts"].sel(element="Cu").values)
    assert one["missing"] is False


@pytest.mark.parametrize("factor", [1e-3, 0.37, 1e4])
def test_other_values_are_kept_to_a_254th_of_their_range(factor):
    random = np.random.default_rng(1)
    values = factor * random.gamma(2.0, size=(40, 50))
    values[3, 4] = np.nan
    one = viewer.plane("a", "a", values, unit="")
    shown = one["offset"] + one["step"] * unpack(one["data"]).reshape(one["shape"])
    low, high = np.nanquantile(values, (0.0005, 0.9995))
    inside = np.isfinite(values) & (values >= low) & (values <= high)
    assert np.abs(shown - values)[inside].max() <= one["step"] / 2 * (1 + 1e-9)
    assert unpack(one["data"]).reshape(one["shape"])[3, 4] == 0
    assert one["missing"] is True


def test_a_large_picture_is_averaged_and_lies_where_it_lay():
    values = np.zeros((2100, 1030), dtype=np.int32)
    values[:, 1000:] = 9
    one = viewer.plane("a", "a", values, unit="")
    assert max(one["shape"]) <= viewer.LONGEST_PICTURE
    left, top, across, down = one["box"]
    assert (left, top) == (0, 0)
    factor = down / one["shape"][0]
    assert factor == across / one["shape"][1] == 3


def test_labels_and_rows_are_those_of_the_analysis(brass):
    data = viewer.found_data(brass)
    kind = np.uint16 if data["labels"]["bytes"] == 2 else np.uint32
    labels = unpack(data["labels"]["data"], kind).reshape(data["labels"]["shape"])
    assert np.array_equal(labels, brass.labels.values)
    assert data["n_droplets"] == len(brass.droplets) == len(data["diameters"])
    assert data["diameters"] == pytest.approx(brass.droplets["diameter_um"], rel=5e-4)
    copper = next(one for one in data["columns"] if one["head"] == "Cu")
    assert copper["values"] == pytest.approx(brass.droplets["Cu_counts"], rel=5e-4)
    assert copper["error"] == pytest.approx(brass.droplets["Cu_counts_err"], rel=5e-4)


def test_every_droplet_falls_into_a_bin(brass):
    data = viewer.found_data(brass)
    edges = np.array(data["edges"])
    for diameter, at in zip(brass.droplets["diameter_um"], data["bins"], strict=True):
        assert edges[at] * (1 - 1e-5) <= diameter <= edges[at + 1] * (1 + 1e-5)


def test_masks_hold_one_bit_a_pixel(brass):
    area = np.zeros((5, 13), dtype=bool)
    area[2, 3:9] = area[4, 12] = True
    one = viewer.mask("m", "m", area, "#ffffff")
    bits = np.unpackbits(unpack(one["data"]))[: area.size].reshape(area.shape)
    assert np.array_equal(bits.astype(bool), area)


def test_cracks_and_unusable_pixels_are_marks(brass):
    keys = [one["key"] for one in viewer.masks_of(brass)]
    assert ("cracks" in keys) == bool(brass.segmentation.cracks["n"])
    maps = brass.maps.copy()
    valid = np.ones(brass.labels.shape, dtype=bool)
    valid[:10] = False
    maps["valid"] = (("y", "x"), valid)
    left_out = [
        one for one in viewer.masks_of(spattermap.analyse(maps)) if one["key"] == "doubtful"
    ]
    assert np.unpackbits(unpack(left_out[0]["data"])).sum() == 10 * 160


def test_what_lies_apart_is_bright_between_the_droplets(brass):
    bare = make_blank(Deposit(shape=(120, 160), alloy={"Cu": 70.0, "Zn": 30.0}), seed=8)
    brass = replace(brass, blank=bare.maps)
    excess = beyond_alloy(brass, "Zn")
    assert excess.min() >= 0
    fine = np.kron(excess, np.ones((SQUARE_PX,) * 2))[:120, :160]
    metal = brass.labels.values > 0
    # Thin haze gives few counts: beside the noise in the droplets it stands out 1.85 times.
    assert fine[~metal].mean() > 1.5 * fine[metal].mean()


def test_one_metal_has_nothing_beyond_it():
    maps = make_deposit(Deposit(shape=(96, 96), alloy={"Mo": 100.0}), seed=1).maps
    assert beyond_alloy(spattermap.analyse(maps), "Mo") is None


def test_nominal_share_needs_alloy_and_beam_energy(brass):
    shares = viewer.nominal_count_share(brass.maps, ["Cu", "Zn"], "Zn")
    # 30 % by mass; zinc's K line is a little weaker than copper's, and dips less deep.
    assert 0.15 < shares[1] < shares[0] < 0.35
    others = viewer.nominal_count_share(brass.maps, ["Cu", "Zn"], "Cu")
    assert np.add(shares, others) == pytest.approx(1.0)
    bare = brass.maps.copy()
    bare.attrs["substrate"] = '{"Si": null, "O": null}'  # what bulk metal gives does not ask for it
    assert viewer.nominal_count_share(bare, ["Cu", "Zn"], "Zn") == pytest.approx(shares, rel=1e-3)
    bare.attrs.pop("beam_energy_keV")
    assert viewer.nominal_count_share(bare, ["Cu", "Zn"], "Zn") is None


def test_text_of_the_input_cannot_end_the_script(brass):
    maps = brass.maps.copy()
    maps.attrs["title"] = "</script><script>alert(1)</script><!--"
    page = viewer.viewer(spattermap.analyse(maps)).html
    assert page.count("<script") == 2
    assert "alert(1)" in page
    data = re.search(r'<script type="application/json">(.*?)</script>', page, re.DOTALL)[1]
    assert json.loads(data)["base"]["title"] == maps.attrs["title"]


def test_the_hash_is_that_of_the_script_in_the_page(brass):
    page = viewer.viewer(brass).html
    script = re.search(r'<script type="module">(.*?)</script>', page, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert viewer.module_hash() == f"'sha256-{digest}'"
    assert "\n\n" not in script


def test_the_script_asks_for_nothing_and_makes_no_code():
    text = viewer.module_text()
    for word in ("fetch(", "XMLHttpRequest", "import(", "eval(", "new Function", "http:", "https:",
                 "localStorage", "innerHTML"):  # fmt: skip
        assert word not in text


def test_without_scripts_a_picture_with_words_stands_there(brass):
    html = viewer.viewer(brass).html
    alt = re.search(r'<img alt="([^"]+)"', html)[1]
    assert f"{brass.segmentation.n_droplets} droplets" in alt


def test_a_field_without_droplets_has_its_pictures():
    maps = make_deposit(Deposit(shape=(96, 96)), seed=2).maps.copy()
    random = np.random.default_rng(3)
    maps["counts"] = (maps["counts"].dims, random.poisson(0.3, maps["counts"].shape))
    page = viewer.viewer(spattermap.analyse(maps))
    assert "data-field" in page.html
    assert "NaN" not in re.search(r"json\">(.*?)</script>", page.html, re.DOTALL)[1]


def test_sizes_and_composition_stand_over_one_axis(brass):
    data = viewer.found_data(brass)
    ends = [data["edges"][0], data["edges"][-1]]
    assert [data["scatter"]["low"], data["scatter"]["high"]] == pytest.approx(ends, rel=1e-5)
    low, high = data["scatter"]["nominal"]
    assert 0.15 < low < high < 0.35
    assert "band: alloy as bought, thin to thick" in data["scatter"]["head"]
    edges = np.geomspace(0.5, 20.0, 5)
    wide = viewer.found_data(brass, edges=edges)
    assert wide["edges"] == pytest.approx(edges, rel=1e-5)
    assert max(wide["bins"]) < 4


def test_a_thickness_of_which_one_bound_is_known_is_told_as_such():
    table = pd.DataFrame({
        "thickness_nm": [120.0, np.nan, np.nan, np.nan, np.nan],
        "thickness_nm_low": [100.0, 673.4, 0.0, np.nan, 80.0],
        "thickness_nm_high": [140.0, np.nan, 35.0, np.nan, 130.0],
    })  # fmt: skip
    values = viewer.rounded(table["thickness_nm"])
    found = viewer._or_bound(table, "thickness_nm", values)
    assert found == [120.0, "at least 673", "at most 35.0", None, "80.0 to 130"]

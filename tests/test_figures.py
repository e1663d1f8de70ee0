"""Every picture: what it draws, what it says in words, and what it does when there is little."""

import re

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from spattermap.core.errors import InputError
from spattermap.core.mapset import Roles
from spattermap.show import pictures
from spattermap.show.pictures.map_pictures import _haze_blocks, outline_pixels
from spattermap.show.pictures.shape_pictures import _from_rim, _profile
from spattermap.show.pictures.size_pictures import log_bins, shares_with_error

EVERY = {
    **pictures.REPORT_PICTURES,
    "haze_map": pictures.haze_map,
}


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize(
    "given",
    [{}, {"droplets": 0, "streaks": 0, "electron_image": False, "pixel_size_um": None}],
    ids=["plenty", "little"],
)
def test_every_picture_is_a_figure_with_words_and_no_global_state(name, given, stand_in):
    import matplotlib as mpl
    from matplotlib import pyplot as plt

    before = dict(mpl.rcParams)
    sheet = EVERY[name](stand_in(**given))
    assert isinstance(sheet, Figure)
    assert len(sheet.alt) > 20
    assert sheet.png(dpi=40)[:8] == b"\x89PNG\r\n\x1a\n"
    if name == "size_histogram":
        assert sheet.svg(dpi=40).startswith(b"<?xml")
    assert plt.get_fignums() == []
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize("name", EVERY)
def test_words_do_not_overlap(name, stand_in):
    sheet = EVERY[name](stand_in())
    boxes = visible_texts(sheet)
    for k, (words, box) in enumerate(boxes):
        for other, rival in boxes[k + 1 :]:
            assert not _overlap(box, rival), f"{words!r} covers {other!r}"


def visible_texts(sheet):
    """Return the words and extents of every upright text drawn."""
    from matplotlib.text import Text

    sheet.png(dpi=100)
    renderer = sheet.canvas.get_renderer()
    never_drawn = set()
    for axes in sheet.axes:
        if not axes.axison:
            never_drawn.update(axes.xaxis.findobj(Text) + axes.yaxis.findobj(Text))
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
                if not low <= tick.get_loc() <= high:  # kept by matplotlib, never drawn
                    never_drawn.update((tick.label1, tick.label2))
    found = []
    for text in sheet.findobj(Text):
        upright = text.get_rotation() % 90 == 0
        if text.get_visible() and text.get_text().strip() and upright and text not in never_drawn:
            found.append((text.get_text(), text.get_window_extent(renderer)))
    return found


def _overlap(a, b):
    width = min(a.x1, b.x1) - max(a.x0, b.x0)
    height = min(a.y1, b.y1) - max(a.y0, b.y0)
    return width > 1.5 and height > 1.5


def test_same_input_same_bytes(stand_in):
    one, two = (pictures.size_histogram(stand_in()) for _ in range(2))
    assert one.png() == two.png()
    assert one.svg() == two.svg()


def test_save_all_writes_png_and_svg(tmp_path, stand_in, monkeypatch):
    few = ("outlined_segmentation", "size_histogram", "current_density")
    monkeypatch.setattr(pictures, "REPORT_PICTURES", {name: EVERY[name] for name in few})
    written = pictures.save_all(stand_in(), tmp_path / "figures", vector=True)
    assert sorted(p.name for p in written) == sorted(
        p.name for p in (tmp_path / "figures").iterdir()
    )
    # the stand-in conducts nowhere, so there is no current to draw
    assert len(written) == 2 * (len(few) - 1)
    for path in written:
        if path.suffix == ".svg":
            text = path.read_text(encoding="utf-8")
            assert not re.search(r'href="https?:', text)


def test_outline_of_a_square_by_hand():
    labels = np.zeros((4, 4), dtype=np.int32)
    labels[1:3, 1:3] = 3
    rim = outline_pixels(labels, 2)
    assert rim.shape == (8, 8)
    assert int((rim == 3).sum()) == 12  # a 4 x 4 square has 12 rim pixels
    assert rim[3, 3] == 0


def test_bins_hold_every_diameter_and_are_even_on_the_log_axis():
    diameters = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    edges = log_bins(diameters)
    assert np.histogram(diameters, edges)[0].sum() == 5
    assert np.allclose(np.diff(np.log(edges)), np.diff(np.log(edges))[0])
    assert len(log_bins(np.array([2.0, 2.0, 2.0]))) >= 2


def test_error_of_a_share_by_hand():
    # f = a/(a+b), a = 30, b = 10, var a = 30, var b = 10: var f = (100*30 + 900*10)/40^4
    share, error = shares_with_error(np.array([[30.0], [10.0]]), np.sqrt([[30.0], [10.0]]))
    assert share[:, 0].tolist() == [0.75, 0.25]
    assert error[0, 0] == pytest.approx(np.sqrt(12000 / 40**4), rel=1e-12)
    assert error[1, 0] == pytest.approx(error[0, 0], rel=1e-12)


def test_matrix_shows_corrected_large_and_plain_small(stand_in):
    analysis = stand_in()
    sheet = pictures.correlation_matrix(analysis)
    words = [text.get_text() for text in sheet.axes[0].texts]
    first = analysis.pairs.iloc[0]
    assert f"{first['r']:+.2f}" in words
    assert f"{first['r_plain']:+.2f}" in words
    assert "–" in words  # the pair that cannot be told


def test_a_dollar_in_a_title_is_no_formula(stand_in):
    analysis = stand_in()
    analysis.roles = Roles(("Cu",), ("Si",), ("Zn", "O", "C"))
    assert pictures.element_maps(analysis).png()


def test_electron_image_asked_for_but_absent(stand_in):
    with pytest.raises(InputError, match="electron image"):
        pictures.outlined_segmentation(stand_in(electron_image=False), over="electron image")


def test_rim_profile_by_hand():
    labels = np.zeros((9, 9), dtype=np.int32)
    labels[2:7, 2:7] = 1
    plane = np.where(labels > 0, 4.0, 1.0)
    plane[4, 4] = 10.0
    table = _profile(labels, plane, _from_rim(labels, 1)).set_index("distance_px")
    # a 5 x 5 square: 16 pixels on the rim, 8 one in, 1 in the middle
    # outside: 20 pixels at 1 and 4 at sqrt 2; then 20 at 2 and 8 at sqrt 5; 4 at sqrt 8
    assert table["n_pixels"].to_dict() == {-2.5: 4, -1.5: 28, -0.5: 24, 0.5: 16, 1.5: 8, 2.5: 1}
    assert table["mean"].loc[[0.5, 1.5, 2.5]].tolist() == [4.0, 4.0, 10.0]
    assert table["error"][0.5] == pytest.approx(np.sqrt(64) / 16)


def test_border_of_the_field_is_no_rim():
    labels = np.ones((5, 5), dtype=np.int32)
    labels[:, 4] = 0
    table = _profile(labels, np.ones((5, 5)), _from_rim(labels, 1))
    assert table["distance_px"].max() == 3.5
    assert table["n_pixels"].tolist() == [5] * 5


def test_rose_counts_each_streak_once(stand_in):
    analysis = stand_in(streaks=2)
    sheet = pictures.streak_rose(analysis)
    bars = sheet.axes[0].patches
    told = [bar.get_height() for bar in bars[:24]]
    assert sum(height**2 for height in told) == pytest.approx(1.0)  # one streak has a head
    assert "Not told for 1" in sheet.alt
    assert "10 degrees" in sheet.alt


def test_current_density_is_drawn_where_it_crosses(stand_in):
    from spattermap.measure import connection

    analysis = stand_in()
    metal = np.zeros(analysis.labels.shape, dtype=bool)
    metal[40:50] = True
    analysis.continuity = connection.describe(
        metal, pixel_size=0.25, settings=analysis.settings, measured={}, alloy={}
    )
    sheet = pictures.current_density(analysis)
    assert "along x" in sheet.alt
    with pytest.raises(InputError, match="direction must be"):
        pictures.current_density(analysis, direction="z")


def test_sweep_chart_draws_intervals_and_groups():
    table = pd.DataFrame(
        {
            "charge_J": [100, 120, 140],
            "wire": ["brass", "brass", "tin"],
            "coverage": [0.1, 0.3, 0.5],
            "coverage_low": [0.05, 0.25, 0.4],
            "coverage_high": [0.15, 0.35, 0.6],
            "d50_um": [1.0, np.nan, 2.0],
        }
    )
    sheet = pictures.sweep_chart(table, "charge_J", ["coverage", "d50_um"], group="wire")
    assert [axes.get_ylabel() for axes in sheet.axes] == ["coverage", "d50 (µm)"]
    assert sheet.axes[1].get_xlabel() == "charge (J)"
    with pytest.raises(InputError, match="Did you mean 'coverage'"):
        pictures.sweep_chart(table, "charge_J", ["coverag"])


def test_nothing_to_draw_is_said_in_words(stand_in):
    bundle, _ = pictures.current_density(stand_in())._repr_mimebundle_()
    said = "Current not drawn: the metal found does not cross the field."
    assert bundle["text/html"] == f'<p class="nothing">{said}</p>'
    assert "image/png" not in bundle


def test_haze_is_the_mean_of_bare_blocks_above_the_zero_of_the_haze(stand_in):
    analysis = stand_in(droplets=0, streaks=0)
    plane = np.zeros(analysis.labels.shape)
    plane[:16, :16] = 3.0
    maps = analysis.maps.isel(element=[0]).copy(
        data={"counts": plane[None], "electron_image": analysis.maps["electron_image"].values}
    )
    analysis.maps = maps
    analysis.roles = Roles(("Cu",), ())
    mean, n = _haze_blocks(analysis, 16)
    assert n[0, 0] == 256
    assert mean[0, 0] == 2.5
    assert mean[1, 1] == -0.5


def test_a_share_that_no_element_has_gets_no_panel(stand_in):
    analysis = stand_in()
    analysis.elements["share_with_alloy"] = float("nan")
    sheet = pictures.share_bars(analysis)
    assert [axes.get_xlabel() for axes in sheet.axes] == ["share in droplets"]
    analysis.elements["share_in_droplets"] = float("nan")
    assert pictures.share_bars(analysis).nothing


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda a: pictures.outlined_segmentation(a, over="photo"), "over must be"),
    ],
)
def test_wrong_arguments_say_what_is_allowed(call, words, stand_in):
    with pytest.raises(InputError, match=words):
        call(stand_in())


def test_a_film_has_lobes_and_no_droplets_on_its_pictures(stand_in):
    given = stand_in()
    film = {**given.summary(), "largest_region_share": 0.95, "connected_x": True}
    given.summary = lambda: film
    outlined = pictures.outlined_segmentation(given)
    labels = [text.get_text() for legend in outlined.legends for text in legend.get_texts()]
    assert any(label.endswith(" lobes") for label in labels)
    assert not any("droplet" in label for label in labels)
    shares = pictures.share_bars(given)
    assert shares.axes[0].get_xlabel() == "share in the film"
    composition = pictures.droplet_composition(given)
    assert composition.axes[0].get_title(loc="left").startswith("all lobes together")
    for one in (outlined, composition, pictures.rim_to_centre(given)):
        assert "droplet" not in one.alt


def test_what_the_composition_is_held_against_stands_whole_above_it(stand_in, monkeypatch):
    from spattermap.show.pictures import size_pictures

    monkeypatch.setattr(size_pictures, "nominal_count_share", lambda *_: (0.27, 0.31))
    sheet = pictures.droplet_composition(stand_in())
    sheet.draw_without_rendering()
    (legend,) = sheet.legends
    assert [text.get_text() for text in legend.get_texts()][1].startswith("alloy as bought")
    for text in (*legend.get_texts(), *(axes.title for axes in sheet.axes)):
        assert text.get_window_extent().x1 <= sheet.bbox.x1

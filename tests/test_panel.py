"""The hands-on view, driven from Python: what follows a knob, and what is kept."""

import base64
import json
import zlib

import numpy as np
import pytest

from spattermap import panel as panels
from spattermap.core.errors import InputError
from spattermap.core.mapset import make_map_set
from spattermap.core.settings import Settings
from spattermap.panel import drawing


@pytest.fixture(scope="module")
def maps():
    rng = np.random.default_rng(3)
    yy, xx = np.mgrid[:96, :96]
    metal = np.zeros((96, 96), dtype=bool)
    for cy, cx, radius in ((20, 20, 9), (24, 66, 7), (60, 30, 6), (70, 70, 11)):
        metal |= (yy - cy) ** 2 + (xx - cx) ** 2 < radius**2
    counts = [rng.poisson(np.where(metal, on, off)) for on, off in ((4, 0.1), (2, 0.1), (0.5, 4))]
    return make_map_set(np.stack(counts), ["Cu", "Zn", "Si"], pixel_size_um=0.5,
                        alloy={"Cu": 70.0, "Zn": 30.0}, substrate=["Si"])  # fmt: skip


@pytest.fixture
def panel(maps, tmp_path):
    return panels.tune(maps, keep_as=tmp_path / "settings.toml")


def test_a_change_is_seen_and_kept(panel, tmp_path):
    assert panel.view.segmentation.n_droplets == 4
    view = panel.change(smallest_droplet=8.5)
    assert view.segmentation.n_droplets == 2
    assert panel.keep() == tmp_path / "settings.toml"
    assert Settings.from_toml(tmp_path / "settings.toml").smallest_droplet == 8.5


def test_a_wrong_change_changes_nothing(panel):
    with pytest.raises(InputError, match="split_strength"):
        panel.change(split_strength=-1.0)
    assert panel.settings.split_strength == 1.0


def test_sliders_drive_the_view_without_a_browser(panel):
    assert panel.widget is panel.widget
    before = panel._widgets["field"].found
    panel._widgets["smallest_droplet"].value = 8.5
    assert panel.settings.smallest_droplet == pytest.approx(8.5, abs=0.06)
    assert panel._widgets["field"].found != before
    assert '<td style="text-align:left">2</td>' in panel._widgets["numbers"].value
    panel._widgets["smallest_droplet"].value = 0.0
    assert panel.settings.smallest_droplet is None
    panel._widgets["keep"].click()
    assert "Kept in settings.toml" in panel._widgets["status"].value


def test_no_element_left_is_said_not_raised(panel):
    assert panel.widget
    panel._widgets["alloy"].value = ("Si",)
    assert panel.settings.alloy == ("Si",)
    panel._widgets["alloy"].value = ("Cu",)
    assert panel.view.segmentation.n_droplets == 4


def test_in_a_running_loop_a_draft_comes_first(panel, monkeypatch):
    import asyncio

    monkeypatch.setattr("spattermap.panel.view.COARSE_PIXELS", 48 * 48)
    monkeypatch.setattr(panels, "SETTLING_TIME", 0.01)
    panel._small = panels.coarse(panel.maps)
    assert panel.widget
    seen = []

    async def drive():
        for strength in (2.0, 0.5):
            panel._answer({"split_strength": strength})
            seen.append((panel.view.scale, panel.view.draft, panel._widgets["numbers"].value))
        while panel.view.draft:
            await asyncio.sleep(0.02)
        seen.append((panel.view.scale, panel.view.draft, panel._widgets["numbers"].value))

    asyncio.run(asyncio.wait_for(drive(), 60))
    assert [one[:2] for one in seen] == [(2, True), (2, True), (1, False)]
    assert panel.settings.split_strength == 0.5
    assert "about 4<" in seen[0][2], "a draft says that its numbers are not the last word"
    assert "…" in seen[0][2]
    assert ">4<" in seen[2][2]
    assert "…" not in seen[2][2]
    fresh = panels.tune(panel.maps, settings=panel.settings)
    assert np.array_equal(fresh.view.segmentation.labels, panel.view.segmentation.labels)


def test_a_turn_gives_up_the_full_answer_under_way(panel, monkeypatch):
    """A key pressed while the full answer is worked on is not kept waiting for it."""
    import asyncio
    import threading

    monkeypatch.setattr(panels, "SETTLING_TIME", 0.0)
    assert panel.widget
    under_way, ended = threading.Event(), []
    as_it_is = panels.look

    def slow(*args, draft=False, settings, **more):
        if not draft and settings.split_strength == 2.0:
            under_way.set()
            try:
                while True:  # for ever, were it not given up
                    panels.progress.pulse()
            except panels._GivenUpError:
                ended.append(settings.split_strength)
                raise
        return as_it_is(*args, draft=draft, settings=settings, **more)

    monkeypatch.setattr(panels, "look", slow)

    async def drive():
        panel._answer({"split_strength": 2.0})
        while not under_way.is_set():
            await asyncio.sleep(0.01)
        panel._answer({"split_strength": 0.5})
        while panel.view.draft:
            await asyncio.sleep(0.02)

    asyncio.run(asyncio.wait_for(drive(), 60))
    assert ended == [2.0]
    assert panel._widgets["status"].value.endswith("Full maps.</span>")


def test_a_full_answer_that_fails_says_so(panel, monkeypatch):
    import asyncio

    monkeypatch.setattr(panels, "SETTLING_TIME", 0.0)
    assert panel.widget
    as_it_is = panels.look

    def broken(*args, draft=False, **more):
        if not draft:
            raise MemoryError("no room")
        return as_it_is(*args, draft=draft, **more)

    monkeypatch.setattr(panels, "look", broken)

    async def drive():
        panel._answer({"split_strength": 2.0})
        while "failed" not in panel._widgets["status"].value:
            await asyncio.sleep(0.02)

    asyncio.run(asyncio.wait_for(drive(), 60))
    assert "no room" in panel._widgets["status"].value


def test_the_field_holds_every_droplet_at_its_place(panel):
    assert panel.widget
    found = json.loads(panel._widgets["field"].found)
    assert found["n_droplets"] == 4
    labels = np.frombuffer(zlib.decompress(base64.b64decode(found["labels"]["data"])), np.uint16)
    labels = labels.reshape(found["labels"]["shape"])
    assert sorted(labels[[20, 60, 24, 70], [20, 30, 66, 70]].tolist()) == [1, 2, 3, 4]
    base = json.loads(panel._widgets["field"].base)
    assert [one["key"] for one in base["planes"]] == ["metal", "Cu", "Zn", "Si", "between"]
    assert [one["label"] for one in found["masks"]] == ["Outlines at the start"]


def test_coarse_labels_say_how_coarse_they_are(panel):
    small, factor = panels.coarse(panel.maps, factor=2)
    view = panels.look(small, panel._roles, settings=panel.settings, scale=factor)
    before = panel._before
    found = json.loads(drawing.found_json(small, panel._roles, view, before=before))
    assert found["labels"]["step"] == 2
    assert found["labels"]["shape"] == [48, 48]


def test_the_median_is_that_of_the_report(maps, panel):
    import spattermap

    analysis = spattermap.analyse(maps)
    told = drawing.median_diameter(panel.maps, panel.view)
    assert told == pytest.approx(analysis.summary()["d50_um"], rel=0.02)


def test_back_to_the_start(panel):
    assert panel.widget
    panel._widgets["smallest_droplet"].value = 8.5
    panel._widgets["alloy"].value = ("Cu",)
    answers = []
    panel._widgets["field"].observe(answers.append, names="found")
    panel._widgets["reset"].click()
    assert len(answers) == 1
    assert panel.settings == Settings()
    assert panel.view.segmentation.n_droplets == 4


def test_coarse_maps_keep_every_count(maps):
    small, factor = panels.coarse(maps, factor=2)
    assert factor == 2
    assert small.sizes["y"] == 48
    assert float(small.x[0]) == 0.5
    assert small["counts"].values.sum() == maps["counts"].values.sum()
    by_hand = maps["counts"].values[:, :2, :2].sum(axis=(1, 2))
    assert small["counts"].values[:, 0, 0].tolist() == by_hand.tolist()


def test_variance_of_coarse_maps_by_hand():
    maps = make_map_set(np.full((1, 4, 4), 3.0), ["Cu"], variance=np.full((1, 4, 4), 2.0),
                        quantity="mass_percent")  # fmt: skip
    small, _ = panels.coarse(maps, factor=2)
    assert float(small["counts"][0, 0, 0]) == 3.0
    assert float(small["variance"][0, 0, 0]) == pytest.approx(0.5)  # 4 x 2 / 4^2


def test_a_film_has_lobes_and_no_median(tmp_path):
    metal = np.ones((96, 96), dtype=bool)
    metal[20:40, 30:60] = metal[60:80, 10:40] = False
    rng = np.random.default_rng(3)
    planes = [rng.poisson(np.where(metal, on, off)) for on, off in ((6, 0.1), (1, 8))]
    film = make_map_set(np.stack(planes).astype(np.uint16), ["Cu", "Si"], pixel_size_um=0.5,
                        alloy={"Cu": 100.0})  # fmt: skip
    panel = panels.tune(film, keep_as=tmp_path / "settings.toml")
    assert panel.view.is_film
    assert panel.widget
    assert '"noun":"lobe"' in panel._widgets["field"].found
    numbers = panel._widgets["numbers"].value
    assert "Lobes of the film" in numbers
    assert "Droplets" not in numbers
    assert "Median" not in numbers

"""Mosaics: the parts of a field give what the whole field at once gives."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from spattermap.core.grid import DiskStore, Grid, MemoryStore, Source
from spattermap.core.settings import Settings
from spattermap.core.work import Workers
from spattermap.segment import filters
from spattermap.segment.engine import segment


def _beside(name):
    place = Path(__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(name, place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


scenes = _beside("mosaic_scenes")
N_SCENES = 200


def settings_of(seed):
    """Every fourth scene has choices of its own, never parting among them."""
    if seed % 4:
        return Settings()
    return Settings(split_strength=(0.0, 0.5, 2.0)[seed // 4 % 3], smallest_droplet=1.5)


def check_scene(kind, seed, folder, monkeypatch):
    """Compare the parts with the whole: labels, numbers, confidence and streaks, to the bit."""
    maps = scenes.scene(kind, seed)
    shape = maps.sizes["y"], maps.sizes["x"]
    rng = np.random.default_rng([seed, 7])
    monkeypatch.setattr(filters, "TILE", int(rng.integers(40, 200)))
    settings = settings_of(seed)
    whole = segment(maps, scenes.ROLES, settings=settings)
    grid = Grid(scenes.random_cuts(shape[0], rng), scenes.random_cuts(shape[1], rng))
    found = segment(
        Source(maps),
        scenes.ROLES,
        settings=settings,
        grid=grid,
        store=MemoryStore() if folder is None else DiskStore(folder),
        workers=Workers(workers=1),
    )
    labels = np.asarray(found.labels)
    for name in ("labels", "metal", "log_odds"):
        np.testing.assert_array_equal(np.asarray(getattr(found, name)), getattr(whole, name))
    assert (found.n_droplets, found.n_streaks) == (whole.n_droplets, whole.n_streaks)
    np.testing.assert_array_equal(found.confidence, whole.confidence)
    for one in (found, whole):
        np.testing.assert_array_equal(
            one.area, np.bincount(labels.ravel()) * (np.arange(labels.max() + 1) > 0)
        )
        places = ndimage.find_objects(labels)
        edges = [[p[0].start, p[1].start, p[0].stop, p[1].stop] for p in places]
        np.testing.assert_array_equal(one.box[1:], np.reshape(edges, (-1, 4)))
    assert found.streaks.equals(whole.streaks)
    for name in ("smallest_trusted_px", "information", "blur_px", "metal_means",
                 "directions", "elements_used", "notes"):  # fmt: skip
        assert getattr(found, name) == getattr(whole, name), name
    return found


@pytest.mark.parametrize("kind", scenes.KINDS)
def test_a_field_cut_anywhere_has_the_regions_of_the_whole(kind, tmp_path, monkeypatch):
    found = check_scene(kind, 6 + scenes.KINDS.index(kind), tmp_path, monkeypatch)
    assert found.n_droplets + found.n_streaks > 0
    if kind == "haze":
        assert found.notes  # the uneven bare level was freed of, part by part


def test_a_compact_piece_beside_part_of_a_streak_is_judged_alike(tmp_path, monkeypatch):
    # The whole once joined it over a contact that the parts, rightly, do not list.
    check_scene("streaks", 115, tmp_path, monkeypatch)


@pytest.mark.calibration
def test_200_random_scenes_cut_at_random(tmp_path, monkeypatch):
    for k in range(N_SCENES):
        place = None  # every other one in memory
        if k % 2:
            place = tmp_path / str(k)
            place.mkdir()
        check_scene(scenes.KINDS[k % len(scenes.KINDS)], 100 + k, place, monkeypatch)

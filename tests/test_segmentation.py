"""Segmentation: exact on small scenes, unbiased edges, silent on noise."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from spattermap.mapset import make_map_set
from spattermap.roles import Roles
from spattermap.segmentation import segment
from spattermap.segmentation.edges import disc_edge_level, disc_peak
from spattermap.segmentation.parting import part

_spec = importlib.util.spec_from_file_location(
    "segmentation_scenes", Path(__file__).parent / "benchmarks" / "segmentation_scenes.py"
)
scenes = importlib.util.module_from_spec(_spec)
import sys  # noqa: E402

sys.modules["segmentation_scenes"] = scenes
_spec.loader.exec_module(scenes)

ROLES = Roles(scenes.ALLOY, scenes.SUBSTRATE, ("C",))


def run(counts, **more):
    return segment(make_map_set(counts, scenes.ELEMENTS), ROLES, **more)


def test_labels_metal_and_tables_agree():
    counts, _ = scenes.make(scenes.Scene(seed=3, counts=20, n_streaks=3, size=160, d50=12))
    before = counts.copy()
    found = run(counts)
    assert found.labels.dtype == np.int32
    assert set(np.unique(found.labels)) == set(range(found.n_droplets + found.n_streaks + 1))
    assert np.array_equal(found.metal, found.labels > 0)
    assert list(found.streaks["label"]) == list(
        range(found.n_droplets + 1, found.n_droplets + found.n_streaks + 1)
    )
    assert found.confidence.shape == (found.n_droplets,)
    assert np.array_equal(counts, before)


def test_same_input_same_bytes():
    counts, _ = scenes.make(scenes.Scene(seed=5, counts=1, size=96))
    assert run(counts).labels.tobytes() == run(counts).labels.tobytes()


@pytest.mark.parametrize("counts_a_pixel", [0.5, 5.0, 50.0])
def test_objects_and_areas_against_truth(counts_a_pixel):
    counts, truth = scenes.make(
        scenes.Scene(seed=11, counts=counts_a_pixel, d50=22, coverage=0.25, size=256)
    )
    found = run(counts)
    assert scenes.f1(found.labels, truth.labels) >= 0.9
    assert found.metal.mean() == pytest.approx((truth.labels > 0).mean(), rel=0.06)
    assert (
        scenes.f1(found.labels, truth.labels)
        > scenes.f1(scenes.plain_script(counts), truth.labels) - 0.02
    )


def test_noise_alone_gives_nothing():
    hits = sum(run(scenes.noise_only(s, [0.2, 1, 5][s % 3], 128)).labels.any() for s in range(12))
    assert hits <= 1


def test_evenly_covered_field_says_so():
    found = run(scenes.noise_only(1, 5.0, 64))
    assert found.n_droplets == 0
    assert "blank plate" in found.notes[0]


def test_disc_levels_are_those_of_a_blurred_disc():
    from scipy.ndimage import gaussian_filter

    y, x = np.mgrid[-60:61, -60:61]
    r = 20.4
    for sigma in (4.0, 10.0, 20.0):
        blurred = gaussian_filter((y**2 + x**2 <= r * r).astype(float), sigma, truncate=6)
        assert blurred[60, 60] == pytest.approx(disc_peak(r / sigma), abs=0.005)
        # All directions together: the pixels on one axis alone are those of a larger disc.
        near = np.abs(np.hypot(y, x) - r) < 1.5
        edge = np.polyfit(np.hypot(y, x)[near] - r, blurred[near], 1)[-1]
        assert edge == pytest.approx(disc_edge_level(r / sigma), abs=0.01)


def test_hills_part_at_a_deep_pass_only():
    height = np.array([[3, 1, 3, 2.9, 3]], np.float32)
    labels, n = part(height, height > 0, ratio=0.8, least=0.5)
    assert n == 2
    assert labels[0].tolist() == [1, 2, 2, 2, 2] or labels[0].tolist() == [1, 1, 2, 2, 2]

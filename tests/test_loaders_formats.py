"""One contract for every format: the same scene comes back equal, with its facts."""

import hashlib
import importlib.util
from pathlib import Path

import numpy as np
import pytest

import spattermap
from spattermap.core.errors import SpattermapError, SpattermapWarning
from spattermap.core.mapset import facts

_SPEC = importlib.util.spec_from_file_location(
    "scene_formats", Path(__file__).with_name("scene_formats.py")
)
scene_formats = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scene_formats)
FORMATS = scene_formats.FORMATS


def make_scene(n=3, height=20, width=28):
    """Poisson counts below 256 with a marked corner: row 0, column 0 holds 100 plus the index."""
    scene = np.random.default_rng(3).poisson(4.0, (n, height, width)).astype(np.uint16)
    scene[:, 0, 0] = 100 + np.arange(n)
    scene[:, 0, 1] = 50  # tells a transpose from a turn
    return scene


def load_quietly(path, **options):
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SpattermapWarning)
        return spattermap.load(path, **options)


def state(folder):
    return {
        str(file): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


@pytest.mark.parametrize("name", FORMATS)
class TestEveryFormat:
    @pytest.fixture
    def written(self, name, tmp_path):
        scene = make_scene()
        folder = tmp_path / "maps"
        folder.mkdir()
        return scene, FORMATS[name], FORMATS[name].write(folder, scene), folder

    def test_counts_and_corner_come_back(self, written):
        scene, form, path, _ = written
        maps = load_quietly(path).sel(element=list(scene_formats.ELEMENTS[:3]))
        assert maps["counts"].dims == ("element", "y", "x")
        if form.lossy:
            assert np.allclose(maps["counts"], scene, atol=40)
            return
        assert np.array_equal(maps["counts"].values, scene)
        assert maps["counts"].values[:, 0, 0].tolist() == [100, 101, 102]
        assert maps["counts"].values[:, 0, 1].tolist() == [50, 50, 50]
        assert maps.attrs["quantity"] == "counts"

    def test_lines_and_pixel_size(self, written):
        _, form, path, _ = written
        maps = load_quietly(path).sel(element=list(scene_formats.ELEMENTS[:3]))
        if form.lines:
            assert list(maps["line"].values) == ["Cu Ka", "Zn Ka", "Si Ka"]
        known = facts(maps)
        if form.pixel_size:
            assert known.pixel_size == pytest.approx(scene_formats.PIXEL_UM, rel=1e-6)
            assert known.source["pixel_size_from"] != "not stated"
        else:
            assert known.length_unit == "px"

    def test_lazy_equals_eager(self, written):
        _, _, path, _ = written
        eager, lazy = load_quietly(path), load_quietly(path, chunks=16)
        assert lazy["counts"].chunks is not None
        assert max(lazy["counts"].chunks[1]) <= 16
        assert np.array_equal(lazy["counts"].values, eager["counts"].values)

    def test_files_are_left_alone_and_hashed(self, written):
        _, _, path, folder = written
        before = state(folder)
        maps = load_quietly(path)
        assert state(folder) == before
        hashes = facts(maps).source["files"]
        assert hashes
        assert str(folder.parent) not in maps.attrs["source"]  # no place of this machine
        for file, digest in hashes.items():
            if (folder / file).is_file():
                assert digest == before[str(folder / file)]

    def test_same_input_gives_the_same_facts(self, written):
        _, _, path, _ = written
        assert load_quietly(path).attrs == load_quietly(path).attrs

    def test_cut_in_half_is_refused(self, written):
        _, _, path, folder = written
        files = [path] if path.is_file() else [f for f in folder.rglob("*") if f.is_file()]
        data = [f for f in files if f.suffix != ".toml" and f.stat().st_size > 40]
        largest = max(data, key=lambda f: f.stat().st_size)
        if largest.suffix == ".rpl":
            largest = largest.with_suffix(".raw")
        raw = largest.read_bytes()
        largest.write_bytes(raw[: len(raw) // 2])
        with pytest.raises(SpattermapError) as caught:
            load_quietly(path)
        assert "\n" not in str(caught.value)
        assert str(path) in str(caught.value) or largest.name in str(caught.value)

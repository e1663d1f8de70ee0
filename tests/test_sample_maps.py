"""The demo deposits: complete, loadable, and made again by their script."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from spattermap.core.mapset import facts
from spattermap.loaders import blank_path, load

SAMPLES = Path(__file__).parents[1] / "sample_maps"
NAMES = [
    "brass_burst", "nichrome_burst", "molybdenum_streaks", "bronze_few_counts", "blank_plate",
]  # fmt: skip


def script():
    spec = importlib.util.spec_from_file_location("regenerate", SAMPLES / "regenerate.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def truth_of(name):
    return json.loads((SAMPLES / name / "truth.json").read_text(encoding="utf-8"))


def agree(made, kept):
    """Return True where two values of a truth agree to the six digits that are written."""
    if isinstance(kept, dict):
        return made.keys() == kept.keys() and all(agree(made[key], kept[key]) for key in kept)
    if isinstance(kept, list):
        return len(made) == len(kept) and all(map(agree, made, kept))
    if isinstance(kept, float):  # rounding may go either way: one unit of the sixth digit
        return made == pytest.approx(kept, rel=1.1e-5, abs=1e-12)
    return type(made) is type(kept) and made == kept


@pytest.mark.parametrize("name", NAMES)
def test_made_again(name, tmp_path):
    from spattermap.synthesis import save_folder

    module = script()
    blank = None if name == module.BLANK else f"../{module.BLANK}"
    save_folder(module.DEPOSITS[name](), tmp_path, blank=blank)
    assert {path.name for path in tmp_path.iterdir()} == {
        path.name for path in (SAMPLES / name).iterdir()
    }
    for made in sorted(tmp_path.iterdir()):
        kept = SAMPLES / name / made.name
        if made.name == "electron_image.tif":
            # Its last step rounds numbers from exp: one grey level on another processor.
            picture, known = (tifffile.imread(path).astype(int) for path in (made, kept))
            assert picture.shape == known.shape
            assert np.abs(picture - known).max() <= 1
            assert np.mean(picture != known) < 1e-3
        elif made.name == "truth.json":
            assert agree(json.loads(made.read_text(encoding="utf-8")), truth_of(name))
        else:  # counts and sidecar
            assert made.read_bytes() == kept.read_bytes(), made.name


def test_script_and_folders_are_the_same_five():
    folders = {path.name for path in SAMPLES.iterdir() if (path / "mapset.toml").is_file()}
    assert folders == set(NAMES) == set(script().DEPOSITS)


@pytest.mark.parametrize("name", NAMES)
def test_loads_with_all_its_facts(name):
    maps = load(SAMPLES / name)
    known = facts(maps)
    truth = truth_of(name)
    assert set(maps.element.values) == set(truth["elements"])
    assert (known.quantity, known.length_unit) == ("counts", "um")
    assert known.beam_energy_keV == 20.0
    assert set(known.substrate) == {"Si", "O"}
    assert "electron_image" in maps
    assert all(256 <= maps.sizes[axis] <= 512 for axis in ("y", "x"))
    # The counts are the ones the truth speaks of: mean over the field within five sigma.
    for element, part in truth["elements"].items():
        if element == "Zn" and name == "brass_burst":
            continue  # holds the foot of a copper line besides
        wanted = sum(
            part[key] for key in ("deposited_counts", "substrate_counts", "background_counts")
        )
        plane = maps.counts.sel(element=element).values
        assert abs(plane.mean() - wanted) < 5 * np.sqrt(wanted / plane.size)


@pytest.mark.parametrize("name", NAMES[:-1])
def test_blank_is_named_and_has_every_line(name):
    place = blank_path(SAMPLES / name)
    assert place == (SAMPLES / "blank_plate").resolve()
    deposit, blank = load(SAMPLES / name), load(place)
    lines = dict(zip(blank.element.values, blank.line.values, strict=True))
    for element, line in zip(deposit.element.values, deposit.line.values, strict=True):
        assert lines[element] == line


@pytest.mark.parametrize("name", NAMES)
def test_folder_is_small(name):
    assert sum(path.stat().st_size for path in (SAMPLES / name).iterdir()) < 3_000_000

"""A lone electron image: the draft outline, its knobs, and the words it must not use."""

import imageio.v3 as iio
import numpy as np
import pytest

from spattermap.cli import main
from spattermap.core.errors import InputError, InputFileError
from spattermap.show.micrograph import draft, is_lone_image
from spattermap.show.report import notebook_path, run_notebook


@pytest.fixture(scope="module")
def picture(tmp_path_factory):
    """A grey picture of six bright discs of 20 px and a caption bar of 20 rows."""
    y, x = np.mgrid[:200, :300]
    grey = np.full((200, 300), 60.0)
    for k in range(6):
        grey[(y - 50 - 90 * (k % 2)) ** 2 + (x - 50 - 45 * k) ** 2 < 10**2] = 180
    grey += np.random.default_rng(1).normal(0, 8, grey.shape)
    bar = np.full((20, 300), 0)
    bar[5:15, 10:60:2] = 255
    file = tmp_path_factory.mktemp("images") / "IMG_0007.png"
    iio.imwrite(file, np.vstack([grey, bar]).clip(0, 255).astype(np.uint8))
    return file


def test_draft_finds_the_discs_and_cuts_the_caption(picture):
    found = draft(picture)
    assert found.caption_rows == 20
    assert found.polarity == "bright"
    assert found.labels.max() == 6
    assert found.labels.shape == found.image.shape == (200, 300)
    np.testing.assert_allclose(found.table["diameter_px"], 20, rtol=0.06)
    assert np.mean(found.labels > 0) == pytest.approx(6 * np.pi * 100 / 60_000, rel=0.1)


def test_each_knob_moves_the_outline(picture):
    usual = draft(picture)
    dark = draft(picture, polarity="dark")
    assert dark.polarity == "dark"
    assert np.mean(dark.labels > 0) > 0.8
    tight = draft(picture, threshold=usual.threshold + 30)
    assert 0 < np.mean(tight.labels > 0) < np.mean(usual.labels > 0)


def test_touching_discs_part_by_strength(tmp_path):
    y, x = np.mgrid[:120, :120]
    grey = np.full((120, 120), 60.0)
    for middle in (45, 73):
        grey[(y - 60) ** 2 + (x - middle) ** 2 < 15**2] = 180
    grey += np.random.default_rng(2).normal(0, 6, grey.shape)
    iio.imwrite(tmp_path / "sei.png", grey.astype(np.uint8))
    assert draft(tmp_path / "sei.png", split_strength=1.0).labels.max() == 2
    assert draft(tmp_path / "sei.png", split_strength=0.0).labels.max() == 1


def test_words_claim_no_more_than_grey_values(picture, tmp_path, capsys):
    assert main(["look", str(picture), "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "Draft outline" in said
    assert "20 rows of a caption cut off the foot" in said
    assert "covered" in said
    for word in ("metal", "composition", "droplet", "alloy"):
        assert word not in said.lower()
    written = {item.name for item in (tmp_path / "out").iterdir()}
    assert written == {"draft.png", "draft.csv", "draft.txt"}


def test_the_notebook_follows_its_knobs_and_claims_no_more_either(picture, tmp_path, monkeypatch):
    book = notebook_path("micrograph.ipynb")
    monkeypatch.chdir(book.parent)
    tight = draft(picture).threshold + 30
    knobs = {"picture": str(picture), "threshold": tight, "split_strength": 0.0}
    executed = run_notebook(book, {**knobs, "folder": str(tmp_path / "out")})
    said = "\n".join(cell.printed for cell in executed.cells)
    assert f"brighter than grey value {tight:.6g}" in said
    shown = draft(picture, threshold=tight, split_strength=0.0)
    assert shown.text() in said
    assert (tmp_path / "out" / "draft.csv").is_file()
    dark = run_notebook(book, {**knobs, "polarity": "dark", "folder": ""})
    assert "parts darker than" in "\n".join(cell.printed for cell in dark.cells)
    text = said + book.read_text(encoding="utf-8")
    for word in ("metal", "composition", "droplet", "alloy"):
        assert word not in text.lower()


def test_what_is_no_lone_picture(tmp_path, picture):
    assert is_lone_image(picture)
    assert not is_lone_image(picture.parent)
    iio.imwrite(tmp_path / "Cu_Ka.png", iio.imread(picture))
    assert not is_lone_image(tmp_path / "Cu_Ka.png")
    iio.imwrite(tmp_path / "IMG_1.png", np.zeros((40, 40), np.uint8))
    with pytest.raises(InputFileError, match="must show something"):
        draft(tmp_path / "IMG_1.png")
    with pytest.raises(InputError, match="polarity must be"):
        draft(picture, polarity="grey")

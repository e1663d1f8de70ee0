"""Every picture: what it draws, what it says in words, and what it does when there is little."""

import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from spattermap import figures
from spattermap.errors import InputError
from spattermap.figures.canvas import shrink
from spattermap.figures.maps import outline_pixels
from spattermap.figures.sizes import log_bins, shares_with_error
from spattermap.mapset import make_map_set
from spattermap.roles import Roles
from spattermap.settings import Settings


def stand_in(*, droplets=12, pixel_size_um=0.25, electron_image=True, streaks=2, side=96):
    """Return what an analysis holds, made by hand."""
    rng = np.random.default_rng(5)
    labels = np.zeros((side, side + 16), dtype=np.int32)
    yy, xx = np.mgrid[: labels.shape[0], : labels.shape[1]]
    scale = pixel_size_um or 1.0
    unit = "um" if pixel_size_um else "px"
    rows = []
    for k in range(droplets):
        cy, cx = 12 + 24 * (k // 4), 14 + 27 * (k % 4)
        radius = 2.5 + 0.7 * k
        labels[(yy - cy) ** 2 + (xx - cx) ** 2 < radius**2] = k + 1
        rows.append((k + 1, cy * scale, cx * scale, 2 * radius * scale))
    table = pd.DataFrame(rows, columns=["label", f"y_{unit}", f"x_{unit}", f"diameter_{unit}"])
    tracks = []
    for k in range(streaks):
        labels[84 + 5 * k : 86 + 5 * k, 10:60] = droplets + k + 1
        tracks.append(
            (
                droplets + k + 1,
                85.0 * scale,
                35.0 * scale,
                50.0 * scale,
                2.0 * scale,
                10.0 + 20 * k,
                k == 0,
                85.0 * scale,
                10.0 * scale,
            )
        )
    names = [
        "label",
        f"y_{unit}",
        f"x_{unit}",
        f"length_{unit}",
        f"width_{unit}",
        "angle_deg",
        "directed",
        f"head_y_{unit}",
        f"head_x_{unit}",
    ]
    metal = labels > 0
    means = {"Cu": (4.0, 0.2), "Zn": (2.0, 0.4), "Si": (0.5, 3.0), "O": (0.4, 2.5), "C": (0.3, 0.3)}
    counts = np.stack([rng.poisson(np.where(metal, m, b)) for m, b in means.values()])
    for element, plane in zip(means, counts, strict=True):
        inside = np.bincount(labels.ravel(), plane.ravel(), minlength=droplets + 1)
        table[f"{element}_counts"] = inside[1 : droplets + 1]
        table[f"{element}_counts_err"] = np.sqrt(inside[1 : droplets + 1] + 1.0)
    maps = make_map_set(
        counts,
        list(means),
        lines=[f"{e} Ka" for e in means],
        pixel_size_um=pixel_size_um,
        title="plate <b>7</b> & $x$",
        electron_image=metal * 80.0 + rng.normal(50, 5, metal.shape) if electron_image else None,
    )
    diameters = table[f"diameter_{unit}"]
    summary = {
        "coverage": float(metal.mean()),
        "droplet_count": droplets,
        f"smallest_trusted_{unit}": 5.5 * scale,
    }
    for level in (10, 50, 90):
        middle = float(np.percentile(diameters, level)) if droplets else float("nan")
        summary |= {
            f"d{level}_{unit}": middle,
            f"d{level}_{unit}_low": middle * 0.9,
            f"d{level}_{unit}_high": middle * 1.1,
        }
    return SimpleNamespace(
        maps=maps,
        roles=Roles(("Cu", "Zn"), ("Si", "O"), ("C",), assumed=True),
        labels=labels,
        droplets=table,
        streaks=pd.DataFrame(tracks, columns=names),
        segmentation=SimpleNamespace(
            labels=labels,
            n_droplets=droplets,
            n_streaks=streaks,
            elements_used=("Cu", "Zn"),
            metal=metal,
        ),
        elements=_elements(means),
        pairs=_pairs(counts, list(means)),
        settings=Settings(),
        notes=(),
        blank=None,
        summary=lambda: summary,
        answer=lambda: "Droplets.",
    )


def _elements(means):
    rows = []
    for k, element in enumerate(means):
        share = [0.9, 0.55, 0.02, 0.05, float("nan")][k]
        rows.append(
            {
                "element": element,
                "line": f"{element} Ka",
                "role": ["alloy", "alloy", "substrate", "substrate", "other"][k],
                "mean_counts": 1.0,
                "detection_limit_counts": 0.1,
                "share_in_droplets": share,
                "share_in_droplets_low": share - 0.1,
                "share_in_droplets_high": share + 0.1,
                "share_with_alloy": share,
                "share_with_alloy_low": share - 0.2,
                "share_with_alloy_high": share + 0.2,
                "verdict": "with_alloy",
                "reasons": "x",
                "next_step": "y",
            }
        )
    return pd.DataFrame(rows)


def _pairs(counts, names):
    flat = counts.reshape(len(names), -1)
    r = np.corrcoef(flat)
    rows = [
        {
            "element_a": names[i],
            "element_b": names[j],
            "r": 1.1 * r[i, j],
            "r_low": 1.1 * r[i, j] - 0.2,
            "r_high": 1.1 * r[i, j] + 0.2,
            "r_plain": r[i, j],
            "p_value": 0.01,
        }
        for i in range(len(names))
        for j in range(i + 1, len(names))
    ]
    rows[-1]["r"] = float("nan")
    return pd.DataFrame(rows)


EVERY = {
    **figures.REPORT_PICTURES,
    "composite": figures.composite,
    "droplet_composition": figures.droplet_composition,
    "ternary": figures.ternary,
    "density_scatter": lambda analysis: figures.density_scatter(analysis, "Cu", "Si"),
}


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize(
    "make",
    [stand_in, lambda: stand_in(droplets=0, streaks=0, electron_image=False, pixel_size_um=None)],
)
def test_every_picture_is_a_figure_with_words_and_no_global_state(name, make):
    import matplotlib as mpl
    from matplotlib import pyplot as plt

    before = dict(mpl.rcParams)
    sheet = EVERY[name](make())
    assert isinstance(sheet, Figure)
    assert len(sheet.alt) > 20
    assert sheet.png(dpi=40)[:8] == b"\x89PNG\r\n\x1a\n"
    assert sheet.svg(dpi=40).startswith(b"<?xml")
    assert plt.get_fignums() == []
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize("name", EVERY)
def test_words_do_not_overlap(name):
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


def test_same_input_same_bytes():
    one, two = (figures.size_histogram(stand_in()) for _ in range(2))
    assert one.png() == two.png()
    assert one.svg() == two.svg()


def test_save_all_writes_png_and_svg(tmp_path):
    written = figures.save_all(stand_in(), tmp_path / "figures")
    assert sorted(p.name for p in written) == sorted(
        p.name for p in (tmp_path / "figures").iterdir()
    )
    assert len(written) == 2 * len(figures.REPORT_PICTURES)
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


def test_shrink_keeps_the_mean_and_cuts_the_rest():
    plane = np.arange(20.0).reshape(4, 5)
    assert shrink(plane, 2).tolist() == [[3.0, 5.0], [13.0, 15.0]]


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


def test_matrix_shows_corrected_large_and_plain_small():
    analysis = stand_in()
    sheet = figures.correlation_matrix(analysis)
    words = [text.get_text() for text in sheet.axes[0].texts]
    first = analysis.pairs.iloc[0]
    assert f"{first['r']:+.2f}" in words
    assert f"{first['r_plain']:+.2f}" in words
    assert "–" in words  # the pair that cannot be told


def test_a_dollar_in_a_title_is_no_formula():
    analysis = stand_in()
    analysis.roles = Roles(("Cu",), ("Si",), ("Zn", "O", "C"))
    assert figures.element_maps(analysis).png()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda a: figures.composite(a, ["Cu", "Zn", "Si", "O"]), "one to three"),
        (lambda a: figures.composite(a, ["Cu", "Xx"]), "got 'Xx'"),
        (lambda a: figures.ternary(a, ["Cu", "Zn"]), "three different"),
        (lambda a: figures.density_scatter(a, "Cu", "Ag"), "got 'Ag'"),
        (lambda a: figures.outlined_segmentation(a, over="photo"), "over must be"),
        (lambda a: figures.alt_text("histogram", a), "name must be"),
    ],
)
def test_wrong_arguments_say_what_is_allowed(call, words):
    with pytest.raises(InputError, match=words):
        call(stand_in())


def test_electron_image_asked_for_but_absent():
    with pytest.raises(InputError, match="electron image"):
        figures.outlined_segmentation(stand_in(electron_image=False), over="electron image")

"""Pictures of fits, spacing and the decision behind the coverage: what they draw, and from what."""

from types import SimpleNamespace

import numpy as np
import pytest

from divided_by_hand import divided
from spattermap.core.mapset import make_map_set
from spattermap.core.settings import Settings
from spattermap.measure.form import describe
from spattermap.measure.regions import as_droplets, measure_regions
from spattermap.show.pictures import size_pictures


def analysed(n=60, pixel_size=0.5):
    """Return what the pictures read of an analysis: round droplets on a jittered grid."""

    rng = np.random.default_rng(3)
    side = 200
    labels = np.zeros((side, side), dtype=np.int32)
    y, x = np.mgrid[:side, :side]
    places = [(r, c) for r in range(14, side - 10, 20) for c in range(14, side - 10, 20)]
    for k, (row, column) in enumerate(places[:n]):
        centre = np.array([row, column]) + rng.uniform(-3, 3, 2)
        radius = rng.lognormal(np.log(4), 0.25)
        labels[(y - centre[0]) ** 2 + (x - centre[1]) ** 2 <= radius**2] = k + 1
    found = divided(labels, metal_means={"Cu": 5.0}, blur_px=0.5)
    table = measure_regions(labels, pixel_size=pixel_size)
    table = as_droplets(table, found, table["label"].to_numpy(), pixel_size=pixel_size)
    form = describe(found, table, pixel_size=pixel_size)
    maps = make_map_set(labels[None], ["Cu"], pixel_size_um=pixel_size)
    return SimpleNamespace(
        maps=maps, droplets=table, morphology=form, settings=Settings(), summary=dict
    )


def test_bars_are_border_corrected_shares_and_curves_the_best_fits():
    result = analysed()
    sheet = size_pictures.fitted_sizes(result)
    left, right = sheet.axes
    for axes in (left, right):
        assert sum(bar.get_height() for bar in axes.patches) == pytest.approx(1)
        assert len(axes.lines) == min(3, len(result.morphology.fits))
    # A curve of shares in bins of this width encloses the same area as the bars: about one.
    grid, curve = left.lines[0].get_data()
    width = np.log(left.patches[1].get_x() / left.patches[0].get_x())
    inside = np.isfinite(curve)
    total = np.sum(curve[inside]) * np.log(grid[1] / grid[0]) / width
    assert total == pytest.approx(1, abs=0.01)
    assert "best first" in sheet.alt


def test_spacing_is_drawn_with_its_envelope():
    result = analysed()
    sheet = size_pictures.spacing_curve(result)
    axes = sheet.axes[0]
    drawn = axes.lines[1].get_ydata()
    np.testing.assert_array_equal(drawn, result.morphology.spacing.g["g"])
    assert result.morphology.spacing.pattern in sheet.alt


def test_the_decision_is_drawn_with_the_interval_of_the_coverage():
    result = analysed()
    axes = size_pictures.coverage_decision(result).axes[0]
    np.testing.assert_allclose(
        axes.lines[0].get_ydata(), 100 * result.morphology.sensitivity["coverage"]
    )


def test_too_few_droplets_say_so():
    few = analysed(n=2)
    assert size_pictures.fitted_sizes(few).nothing
    assert "fewer than 10 droplets" in size_pictures.spacing_curve(few).alt

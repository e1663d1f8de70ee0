"""The morphology of a segmented field: the whole chain on small fields."""

import numpy as np
import pytest

from divided_by_hand import divided
from spattermap.core.settings import Settings
from spattermap.measure.form import describe
from spattermap.measure.regions import as_droplets, measure_regions


def segmented(labels, n_streaks=0):
    n = int(labels.max())
    return divided(labels, n - n_streaks, blur_px=0.0, confidence=np.ones(n))


def grid_of_squares(side=60, step=12):
    labels = np.zeros((side, side), dtype=int)
    number = 0
    for row in range(2, side - 8, step):
        for column in range(2, side - 8, step):
            number += 1
            size = 3 + number % 5
            labels[row : row + size, column : column + size] = number
    return labels


def described(labels, **more):
    result = segmented(labels, more.pop("n_streaks", 0))
    droplets = measure_regions(labels, pixel_size=0.5)
    droplets = as_droplets(droplets, result, droplets["label"].to_numpy(), pixel_size=0.5)
    return describe(result, droplets, pixel_size=0.5, **more)


def test_summary_has_the_promised_keys():
    labels = grid_of_squares()
    summary = described(labels).summary()
    assert list(summary) == [
        "coverage", "coverage_low", "coverage_high", "droplet_count",
        "d10_um", "d10_um_low", "d10_um_high", "d50_um", "d50_um_low", "d50_um_high",
        "d90_um", "d90_um_low", "d90_um_high", "area_d50_um",
    ]  # fmt: skip
    assert summary["coverage"] == pytest.approx((labels > 0).mean())
    assert summary["coverage_low"] < summary["coverage"] < summary["coverage_high"]
    assert summary["droplet_count"] == 25
    assert summary["d10_um"] < summary["d50_um"] < summary["d90_um"]
    assert summary["d50_um_low"] <= summary["d50_um"] <= summary["d50_um_high"]


def test_an_empty_field_has_no_sizes_and_says_how_much_could_hide():
    summary = described(np.zeros((50, 60), dtype=int)).summary()
    assert summary["droplet_count"] == 0
    assert (summary["coverage"], summary["coverage_low"]) == (0.0, 0.0)
    assert 0 < summary["coverage_high"] < 0.02
    assert summary["d50_um"] is None
    assert summary["area_d50_um"] is None


def test_streaks_are_not_droplets():
    labels = grid_of_squares()
    whole, without = described(labels), described(labels, n_streaks=5)
    assert (whole.droplet_count, without.droplet_count) == (25, 20)
    assert whole.coverage.value == without.coverage.value


def test_same_seed_same_numbers():
    labels = grid_of_squares()
    first, second = described(labels), described(labels)
    assert first.summary() == second.summary()
    other = described(labels, settings=Settings(seed=5))
    assert other.summary()["d50_um"] == first.summary()["d50_um"]


def test_cut_droplets_stand_for_none():
    labels = grid_of_squares()
    labels[0:4, 0:4] = labels.max() + 1
    result = described(labels)
    assert result.border_weight[-1] == 0
    # A 4 x 4 px droplet in a frame of 60 x 60 px: 55 of 59 rows and columns keep it uncut.
    alike = measure_regions(labels).area_um2.to_numpy() == 16
    assert result.border_weight[alike][0] == pytest.approx((59 / 55) ** 2)


def test_masked_pixels_count_nowhere():
    labels = grid_of_squares()
    valid = np.ones(labels.shape, dtype=bool)
    valid[:, 40:] = False
    seen = np.where(valid, labels, 0)
    seen = np.where(np.isin(seen, np.unique(labels[~valid])), 0, seen)
    result = described(seen, valid=valid)
    assert result.coverage.value == pytest.approx((seen > 0)[valid].mean())
    whole = described(seen[:, :40])
    assert result.coverage.value == pytest.approx(whole.coverage.value)
    middle = result.sensitivity.set_index("log_odds").coverage[0.0]
    assert middle == pytest.approx(result.coverage.value)
    # The weights are those of the part that is left, to the pixel.
    np.testing.assert_allclose(
        result.border_weight / result.border_weight.mean(),
        whole.border_weight / whole.border_weight.mean(),
        rtol=0.02,
    )

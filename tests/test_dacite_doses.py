"""One area of a rock mapped at three doses: what is said of the material must not depend on dose.

Source and licence: tests/reference/dacite/README.md (public domain, ODC-PDDL 1.0).
"""

from pathlib import Path

import numpy as np
import pytest

import spattermap
from spattermap.noise.moments import block_moments
from spattermap.verdict.correlation import correlations, noise_corrected_correlation, without_noise

FOLDER = Path(__file__).parent / "reference" / "dacite"
DOSES = (30, 6, 1)
# Plain and corrected Pearson at 30, 6 and 1 s.
PUBLISHED = {
    ("P", "Ca"): ((0.68, 0.49, 0.14), (0.78, 0.77, 0.65)),
    ("Al", "Na"): ((0.57, 0.27, 0.08), (0.80, 0.77, 0.72)),
    ("Mg", "Fe"): ((0.60, 0.45, 0.27), (0.66, 0.68, 0.77)),
    ("Ti", "Mg"): ((0.46, 0.26, 0.12), (0.60, 0.63, 0.63)),
}


@pytest.fixture(scope="module")
def moments():
    # The same blocks at every dose, so that resamples draw the same grains.
    return {
        dose: block_moments(spattermap.load(FOLDER / f"dacite_{dose}s_tif"), block_px=15)
        for dose in DOSES
    }


@pytest.mark.outside(
    "Plain and noise-corrected correlation of real maps",
    source="dacite maps of one area at 30, 6 and 1 s (ODC-PDDL 1.0; tests/reference/dacite); "
    "separate numpy script",
    known="computed",
    tolerance="half the last digit",
)
@pytest.mark.parametrize("pair", PUBLISHED)
def test_values_are_those_of_the_bank(moments, pair):
    for place, dose in enumerate(DOSES):
        found = noise_corrected_correlation(moments[dose], *pair)
        plain, corrected = PUBLISHED[pair]
        assert found.r_plain == pytest.approx(plain[place], abs=0.005 + 1e-9)
        assert found.r == pytest.approx(corrected[place], abs=0.005 + 1e-9)


@pytest.mark.outside(
    "Corrected correlations of one real sample agree between doses",
    source="dacite maps of one area at 30, 6 and 1 s (ODC-PDDL 1.0; tests/reference/dacite)",
    known="seen",
    tolerance="each within the intervals of the others",
)
@pytest.mark.parametrize("pair", PUBLISHED)
def test_corrected_correlations_agree_within_their_intervals(moments, pair):
    found = [noise_corrected_correlation(moments[dose], *pair) for dose in DOSES]
    for one in found:
        for other in found:
            assert one.r_low <= other.r <= one.r_high


@pytest.mark.outside(
    "Corrected correlation keeps with the dose, the plain one falls",
    source="dacite maps of one area at 30, 6 and 1 s (ODC-PDDL 1.0; tests/reference/dacite)",
    known="seen",
    tolerance="95 % interval of the difference holds zero, or lies above it",
)
@pytest.mark.parametrize("pair", PUBLISHED)
@pytest.mark.parametrize("doses", [(30, 6), (30, 1), (6, 1)])
def test_differences_between_doses(moments, pair, doses):
    # The area is the same, so its grains cancel from the difference and counting noise remains.
    weights = moments[30].resample_weights(2000, seed=0)
    draws = []
    for dose in doses:
        i, j = (moments[dose].index(element) for element in pair)
        totals = moments[dose].totals()
        draws.append(
            [correlations(t.resampled(weights)[1], i, j)[:, 0]
             for t in (totals, without_noise(totals))]
        )  # fmt: skip
    low, high = np.quantile(draws[0][0] - draws[1][0], [0.025, 0.975])
    assert low <= 0 <= high, "corrected correlations must agree"
    low, _ = np.quantile(draws[0][1] - draws[1][1], [0.025, 0.975])
    assert low > 0, "plain correlations fall with the dose"


def test_plain_intervals_of_al_and_na_do_not_even_overlap():
    quiet = np.zeros((11, 11))
    found = [
        noise_corrected_correlation(
            block_moments(
                spattermap.load(FOLDER / f"dacite_{dose}s_tif"), block_px=15, noise=quiet
            ),
            "Al",
            "Na",
        )
        for dose in (30, 1)
    ]
    assert found[1].r_high < found[0].r_low

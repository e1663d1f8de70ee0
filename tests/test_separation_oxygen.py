"""Oxygen beyond the glass: shown where it is, never where it is not."""

import pytest

from divided_by_hand import divided
from spattermap.core.mapset import facts, stated_roles
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.synthesis import Deposit, Haze, make_blank, make_deposit
from spattermap.verdict.gather import gather
from spattermap.verdict.oxygen import COLUMNS, oxygen_evidence, oxygen_sentences

CLEAN = Deposit(shape=(192, 192), counts_per_pixel=4.0, electron_image=False)


def context_of(spec, *, seed, blank=True):
    """The evidence of a made deposit whose true division is known."""
    scene = make_deposit(spec, seed=seed)
    plate = make_blank(spec, seed=seed + 1000).maps if blank else None
    known, labels = facts(scene.maps), scene.labels
    n = scene.truth["droplet_count"]
    roles = stated_roles(
        [str(e) for e in scene.maps["element"].values],
        alloy=known.alloy, substrate=known.substrate, how="stated",
    )  # fmt: skip
    division = divided(labels, n, n_streaks=0, blur_px=spec.blur_px)
    moments = block_moments(scene.maps, labels=labels, n_droplets=n)
    return gather(
        scene.maps, moments, roles, division, blank=plate, settings=Settings(n_resamples=200)
    )


def row(table, where):
    return table.set_index("where").loc[where]


@pytest.mark.parametrize(
    "alloy", [{"Cu": 70.0, "Zn": 30.0}, {"Mo": 100.0}, {"Ni": 80.0, "Cr": 20.0}]
)
@pytest.mark.parametrize("seed", [4, 5])
def test_clean_metal_shows_no_oxide(alloy, seed):
    table = oxygen_evidence(context_of(CLEAN.with_changes(alloy=alloy), seed=seed))
    assert tuple(table.columns) == COLUMNS
    assert row(table, "droplets")["finding"] == "none shown"
    assert "5 keV" in row(table, "droplets")["next_step"]


def test_oxide_in_droplets_is_shown_and_bounded():
    context = context_of(CLEAN.with_changes(droplet_oxygen=15.0), seed=4)
    found = row(oxygen_evidence(context), "droplets")
    assert found["finding"] == "oxygen beyond the glass"
    assert 0 < found["excess_low"] <= found["excess"] <= found["excess_high"]


@pytest.mark.parametrize(
    ("oxygen", "said"), [(0.0, "undecided"), (40.0, "oxygen beyond the glass")]
)
def test_the_l_lines_of_chromium_are_no_oxide(oxygen, said):
    """Cr La 0.573 keV beside O Ka 0.525 keV: less apart than the 70 eV a detector resolves there.

    Bearden, Rev. Mod. Phys. 39 (1967) 78; the part of its counts that leaks is invented.
    """
    spec = CLEAN.with_changes(
        alloy={"Ni": 80.0, "Cr": 20.0}, leaks={("O", "Cr"): 0.68}, droplet_oxygen=oxygen
    )
    table = oxygen_evidence(context_of(spec, seed=4))
    found = row(table, "droplets")
    assert found["finding"] == said
    assert ("Cr" in found["next_step"]) == (said == "undecided")
    assert any("lines of other elements" in one for one in oxygen_sentences(table)) == (
        said == "undecided"
    )


def test_haze_needs_a_blank():
    spec = CLEAN.with_changes(haze=Haze(thickness_um=0.03, oxygen=30.0))
    found = row(oxygen_evidence(context_of(spec, seed=4, blank=False)), "haze")
    assert found["finding"] == "undecided"
    assert "bare plate" in found["next_step"]


def test_no_oxygen_map_no_row():
    spec = CLEAN.with_changes(substrate={"Si": 100.0})
    assert oxygen_evidence(context_of(spec, seed=4)).empty

"""The one-paragraph answer: what it says, in which case, and that it stays grammatical."""

from types import SimpleNamespace

import pandas as pd
import pytest

from spattermap.core.mapset import Roles
from spattermap.show import wording

SUMMARY = {
    "length_unit": "um",
    "coverage": 0.314,
    "coverage_low": 0.28,
    "coverage_high": 0.35,
    "droplet_count": 12,
    "d50_um": 3.21,
    "d50_um_low": 2.9,
    "d50_um_high": 3.6,
    "share_droplets": 0.8,
    "share_streaks": 0.0,
    "share_haze": 0.2,
    "connected_x": False,
    "connected_y": False,
    "smallest_trusted_um": 0.7,
}


def element(name, role, verdict, step=""):
    return {"element": name, "role": role, "verdict": verdict, "reasons": "r", "next_step": step}


def sizes(*, trusted=True):
    table = pd.DataFrame({"value": [3.21], "trusted": [trusted]}, index=["number D50"])
    return SimpleNamespace(sizes=table)


def an_answer(rows, *, n_streaks=0, roles=None, trusted=True, smallest=4.0, **changes):
    analysis = SimpleNamespace(
        summary=lambda: {**SUMMARY, **changes},
        elements=pd.DataFrame(rows),
        roles=roles or Roles(("Cu", "Zn"), ("Si", "O")),
        segmentation=SimpleNamespace(n_streaks=n_streaks, smallest_trusted_px=smallest),
        morphology=sizes(trusted=trusted),
    )
    return wording.answer(analysis)


def test_noise_alone_says_neither_bare_nor_disconnected():
    # An even film varies no more than noise either, and it may conduct.
    text = an_answer([element("Cu", "alloy", "undecided")], smallest=float("inf"), coverage=0.0)
    assert text.startswith(wording.UNDIVIDED)
    assert "connect" not in text
    assert "covers" not in text


def test_a_whole_answer():
    text = an_answer(
        [
            element("Cu", "alloy", "with_alloy"),
            element("Zn", "alloy", "partly_separated", "count 4 times longer"),
            element("Si", "substrate", "substrate"),
        ],
        n_streaks=1,
    )
    assert text == (
        "Metal covers 31 % (28 to 35 %) of the field. It lies in 12 droplets and 1 streak. "
        "Half of the droplets are smaller than 3.21 (2.90 to 3.60) µm across. "
        "Of the metal signal 80 % is in droplets, 0 % is in streaks and 20 % is in haze. "
        "The metal seen does not connect across the field in x or y, so it should not conduct "
        "unless a film thinner than the map can show joins it. "
        "Cu came down with the alloy. Zn is partly separated from the alloy. "
        "Next (Zn): count 4 times longer."
    )


def test_no_share_is_told_of_streaks_that_were_not_found():
    text = an_answer([element("Cu", "alloy", "with_alloy")], n_streaks=0)
    assert "Of the metal signal 80 % is in droplets and 20 % is in haze. " in text
    assert "streaks" not in text


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        ("separated", "Cu and Zn are separated: they are present, but not where the alloy lies."),
        (
            "foreign",
            "Cu and Zn are more than the alloy could have supplied, so they are foreign.",
        ),
        ("undecided", "Cu and Zn are undecided."),
        ("not_detected", "Cu and Zn are not detected."),
    ],
)
def test_several_elements_take_the_plural(verdict, words):
    assert words in an_answer([element("Cu", "alloy", verdict), element("Zn", "alloy", verdict)])


def test_nothing_found_names_the_smallest_size():
    text = an_answer([element("Cu", "alloy", "not_detected")], droplet_count=0)
    assert (
        "No droplet or streak above the smallest size that can be trusted here (0.700 µm)" in text
    )


def test_connection_names_each_direction():
    text = an_answer(
        [element("Cu", "alloy", "with_alloy")], connected_x=True, sheet_conductance_ratio_x=0.042
    )
    assert "connects across the field in x (sheet conductance about 4 % of a full film's)." in text


def test_the_next_step_of_an_alloy_element_comes_first():
    text = an_answer(
        [element("Al", "other", "undecided", "a."), element("Zn", "alloy", "separated", "b.")]
    )
    assert text.endswith("Next (Zn): b.")


def test_the_substrates_own_elements_are_no_news():
    text = an_answer([element("Si", "substrate", "substrate")])
    assert "Si" not in text


def test_a_film_is_not_called_droplets():
    text = an_answer([element("Cu", "alloy", "with_alloy")], largest_region_share=0.94)
    assert "Most of it (94 %) is one joined region, a film with gaps; 12 droplets can be" in text


def test_a_size_from_too_few_droplets_is_called_so():
    rows = [element("Cu", "alloy", "with_alloy")]
    warning = "Too few whole droplets were seen to rely on that size or its interval."
    assert f"across. {warning}" in an_answer(rows, trusted=False)
    assert warning not in an_answer(rows)
    assert warning not in an_answer(rows, trusted=False, droplet_count=0)


def test_two_assumed_metals_take_the_plural():
    text = an_answer(
        [element("Cu", "alloy", "undecided", "state it.")],
        roles=Roles(("Cu", "Zn"), ("Si",), assumed=True),
    )
    assert "Cu and Zn were assumed from the maps." in text


def test_assumed_roles_are_said_to_be():
    roles = Roles(("Cu",), ("Si",), assumed=True)
    text = an_answer([element("Cu", "alloy", "undecided", "state it.")], roles=roles)
    assert "Nobody stated what the alloy is; Cu was assumed from the maps." in text


def test_a_single_metal_has_no_partner_to_part_from():
    text = an_answer([element("Mo", "alloy", "with_alloy")], roles=Roles(("Mo",), ("Si",)))
    assert "came down with" not in text

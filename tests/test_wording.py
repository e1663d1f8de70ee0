"""How numbers and findings read, and that a made result is answered as it should be."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from spattermap.core.mapset import Roles, make_map_set
from spattermap.examine import Examination
from spattermap.measure.metal_weight import withheld
from spattermap.show import wording
from spattermap.show.answers import answers_of

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
    "share_droplets_low": 0.7,
    "share_droplets_high": 0.9,
    "share_streaks": 0.0,
    "share_streaks_low": 0.0,
    "share_streaks_high": 0.0,
    "share_haze": 0.2,
    "share_haze_low": 0.1,
    "share_haze_high": 0.3,
    "connected_x": False,
    "connected_y": False,
    "gap_to_cross_x_um": 4.0,
    "gap_to_cross_y_um": 6.0,
    "smallest_trusted_um": 0.7,
}
MAPS = make_map_set(np.ones((3, 4, 4)), ["Cu", "Zn", "Si"], pixel_size_um=0.5)


def element(name, role, verdict, step=""):
    return {"element": name, "role": role, "verdict": verdict, "reasons": "r", "next_step": step}


def answered(rows, *, n_streaks=0, roles=None, trusted=True, smallest=4.0, **changes):
    table = pd.DataFrame({"value": [3.21], "trusted": [trusted]}, index=["number D50"])
    analysis = SimpleNamespace(
        maps=MAPS,
        summary=lambda: {**SUMMARY, **changes},
        elements=pd.DataFrame(rows),
        roles=roles or Roles(("Cu", "Zn"), ("Si", "O")),
        segmentation=SimpleNamespace(n_streaks=n_streaks, smallest_trusted_px=smallest),
        morphology=SimpleNamespace(sizes=table),
        continuity=SimpleNamespace(next_step="", resistivity=None, otherwise=None),
        examination=Examination((), MAPS),
        weighed=withheld("No thickness.", ""),
    )
    return {one.topic: one for one in answers_of(analysis)}


TOGETHER = [element("Cu", "alloy", "with_alloy"), element("Zn", "alloy", "with_alloy")]


def test_noise_alone_says_neither_bare_nor_disconnected():
    # An even film varies no more than noise either, and it may conduct.
    found = answered(TOGETHER, smallest=float("inf"), coverage=0.0)
    assert found["arrival"].answer == wording.UNDIVIDED
    assert "No" not in found["connection"].answer
    assert "covered" not in found["amount"].answer


def test_a_whole_answer():
    found = answered(
        [
            element("Cu", "alloy", "with_alloy"),
            element("Zn", "alloy", "partly_separated", "count 4 times longer"),
            element("Si", "substrate", "substrate"),
        ],
        n_streaks=1,
    )
    assert [one.answer for one in found.values()] == [
        (
            "Mostly as drops: 80 % (70 to 90 %) of the metal signal lies in 12 droplets and "
            "20 % (10 to 30 %) in the haze between."
        ),
        (
            "31 % (28 to 35 %) is covered; half of the droplets are smaller than "
            "3.21 (2.90 to 3.60) µm; thickness not told."
        ),
        "No, in neither direction: gaps of 4.00 µm bar the easiest way.",
        "In part: Zn is partly separated from the alloy.",
        "Oxygen was not mapped.",
        "No electron image to look at.",
        "The maps were not examined.",
    ]


def test_no_share_is_told_of_streaks_that_were_not_found():
    assert "streak" not in answered(TOGETHER)["arrival"].answer


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        ("separated", "No: Cu is separated: it is present, but not where the alloy lies."),
        ("undecided", "Whether Cu and Zn came down together these counts do not tell."),
        ("not_detected", "Cu is not detected. Zn is not detected."),
    ],
)
def test_each_verdict_in_words(verdict, words):
    rows = [element("Cu", "alloy", verdict), element("Zn", "alloy", verdict)]
    assert words in answered(rows)["alloy"].answer


def test_nothing_found_names_the_smallest_size():
    said = answered(TOGETHER, droplet_count=0)["arrival"].answer
    assert said == "No droplet or streak above 0.700 µm was found."


def test_connection_names_each_direction():
    said = answered(TOGETHER, connected_x=True, sheet_conductance_ratio_x=0.042)["connection"]
    assert said.answer == "Yes, across x only, with 4 % of a full film's conductance in x."


def test_what_the_alloy_did_is_asked_before_what_another_element_is():
    rows = [element("Al", "other", "undecided", "a."), element("Zn", "alloy", "undecided", "b.")]
    rows.append(element("Cu", "alloy", "with_alloy"))
    steps = [one.next_step for one in answered(rows).values() if one.next_step]
    assert steps == ["b."]


def test_a_film_is_not_called_droplets():
    found = answered(TOGETHER, largest_region_share=0.94, connected_x=True)
    assert found["arrival"].answer.startswith("As a film with gaps: 94 % of the covered area")
    assert "droplet" not in found["amount"].answer


def test_a_size_from_too_few_droplets_is_called_so():
    warning = "from too few droplets to rely on"
    assert warning in answered(TOGETHER, trusted=False)["amount"].answer
    assert warning not in answered(TOGETHER)["amount"].answer
    assert warning not in answered(TOGETHER, trusted=False, droplet_count=0)["amount"].answer


def test_assumed_roles_are_said_to_be():
    roles = Roles(("Cu", "Zn"), ("Si",), assumed=True)
    said = answered(TOGETHER, roles=roles)["alloy"]
    assert "That Cu and Zn make the alloy is assumed, not stated." in said.answer
    assert said.certainty == "likely"


def test_a_single_metal_has_no_partner_to_part_from():
    one = Roles(("Mo",), ("Si",), assumed=True)
    said = answered([element("Mo", "alloy", "with_alloy")], roles=one)["alloy"]
    assert said.answer.startswith("One metal, so it has no partner to part from.")
    assert "assumed" in said.answer
    assert said.certainty == "not asked"


def test_bounds_that_print_alike_get_a_decimal():
    close = {"a": 0.162, "a_low": 0.1593, "a_high": 0.1648}
    assert wording.with_interval(close, "a", as_percent=True) == "16.2 % (15.9 to 16.5 %)"


def test_a_film_is_not_told_of_droplets_in_the_verdicts(stand_in):
    from spattermap.show import verdicts

    given = stand_in()
    said = "In droplets no oxygen is shown. Whether the haze holds oxide cannot be told."
    given.elements["reasons"] = said
    assert said in verdicts(given).html
    film = {**given.summary(), "largest_region_share": 0.95, "connected_x": True}
    given.summary = lambda: film
    given.segmentation.smallest_trusted_px = 5.0
    html = verdicts(given).html
    assert "In the film no oxygen is shown." in html
    assert "Whether what lies in the film&#x27;s gaps holds oxide" in html
    assert "droplets" not in html


def test_nothing_found_has_no_interval():
    none = {"a": 0.0, "a_low": 0.0, "a_high": 0.0}
    assert wording.with_interval(none, "a", as_percent=True) == "0 %"
    few = {**none, "a_high": 0.02}
    assert wording.with_interval(few, "a", as_percent=True) == "0 % (0 to 2 %)"

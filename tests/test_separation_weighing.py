"""The numbers of one element, weighed by hand from levels that are given."""

import dataclasses
import math

import numpy as np
import pytest

from spattermap.core.mapset import Roles, make_map_set
from spattermap.core.settings import Settings
from spattermap.verdict import weighing
from spattermap.verdict.evidence import Split
from spattermap.verdict.gather import Context
from spattermap.verdict.oxygen import oxygen_evidence
from spattermap.verdict.patterns import Pattern
from spattermap.verdict.physics import Conditions
from spattermap.verdict.signal_levels import Levels
from spattermap.verdict.weighing import following, in_droplets
from spattermap.verdict.zones import ZoneSums
from spattermap.xrays.lines import Line

QUICK = Settings(n_resamples=100)
ELEMENTS = ("Cu", "Zn", "Ti", "Si")
ROLES = Roles(("Cu", "Zn"), ("Si",), ("Ti",))
UNKNOWN_LINES = Conditions(dict.fromkeys(ELEMENTS), None, {}, {})
LINES = {
    "Cu": Line("Cu", "Ka", 8000.0, 9000.0), "Zn": Line("Zn", "Ka", 8600.0, 9700.0),
    "Ti": Line("Ti", "Ka", 4500.0, 5000.0), "Si": Line("Si", "Ka", 1740.0, 1840.0),
}  # fmt: skip
KNOWN = Conditions(LINES, 20.0, {"Cu": 0.7, "Zn": 0.3}, {"Si": 1.0})
ARRAYS = (
    "bare", "metal", "droplet_part", "base", "base_low", "base_high", "under", "under_low",
    "under_high", "leak",
)  # fmt: skip


def levels_of(*, n_rows=3, dose=1.0, n_bare=900.0, n_metal=100.0, leaks=None, open_part=0.9,
              **given):  # fmt: skip
    """Levels of four elements, the same in every row, zero where not given."""
    fields = {
        name: np.tile(np.asarray(given.get(name, np.zeros(4)), float), (n_rows, 1))
        for name in ARRAYS
    }
    return Levels(
        elements=ELEMENTS, n_bare=np.full(n_rows, n_bare), n_metal=np.full(n_rows, n_metal),
        in_droplets=np.ones(n_rows), leaks=leaks or {}, visible=0.5, dose=dose, n_blocks=10**6,
        glass=("Si",), open_part=open_part, **fields,
    )  # fmt: skip


def zone_sums_of(n, s, *, noise=None):
    """Sums of one block; `s` holds one row of four elements for each zone."""
    s = np.asarray(s, float)[None]
    return ZoneSums(ELEMENTS, np.array([n], float), s, s if noise is None else noise, 0.0)


SUMS = zone_sums_of(
    (800, 100, 80, 20), [[80, 160, 0, 4000], [20, 20, 0, 500], [800, 400, 0, 80], [180, 100, 0, 20]]
)


def context_of(levels, *, sums=SUMS, state=UNKNOWN_LINES, roles=ROLES, **more):
    given = {
        "maps": make_map_set(np.ones((4, 2, 2)), ELEMENTS), "blank": None, "moments": None,
        "bare": None, "matrix": "Cu", "droplet_um": None, "stated": False, "settings": QUICK,
        **more,
    }  # fmt: skip
    return Context(sums=sums, levels=levels, state=state, roles=roles, **given)


# --- Significance --------------------------------------------------------------------------------
def test_counting_errors_by_hand():
    """Copper on metal: rim, droplets and streaks 20 + 800 + 180 counts and one, on 100 px.

    On the bare area 80 and one, on 800 px. One more keeps an empty map from an error of zero.
    """
    on_metal, on_bare = weighing._counting_errors(context_of(levels_of()), 0)
    assert on_metal == pytest.approx(math.sqrt(1001) / 100)
    assert on_bare == pytest.approx(math.sqrt(81) / 800)
    assert weighing._counting_errors(context_of(levels_of()), 2) == (0.01, 1 / 800)
    unknown = dataclasses.replace(SUMS, noise=SUMS.s * np.nan)
    assert weighing._counting_errors(context_of(levels_of(), sums=unknown), 0) == (0.0, 0.0)
    nowhere = zone_sums_of((0, 0, 0, 0), np.zeros((4, 4)))
    assert weighing._counting_errors(context_of(levels_of(), sums=nowhere), 0) == (1.0, 1.0)


def test_significance_on_metal_and_between_by_hand():
    """All rows alike, so the errors are those of counting: 0.3164 and 0.01125 for copper."""
    levels = levels_of(
        metal=[10, 5, 0, 1], under=[0.2, 0, 0, 0], under_high=[0.5, 0, 0, 0],
        leak=[0.1, 0, 0, 0], bare=[0.3, 0, 0, 5], base=[0.1, 0, 0, 0],
    )  # fmt: skip
    error, bare = math.sqrt(1001) / 100, 9 / 800
    found = weighing._excesses(context_of(levels), 0, np.full(3, 0.2))
    assert found["z_metal"] == pytest.approx(9.4 / error)
    assert found["z_metal_best"] == pytest.approx(9.8 / error)
    assert found["z_rest"] == pytest.approx(0.1 / bare)
    assert found["z_rest_best"] == pytest.approx(0.2 / bare)
    assert found["explained_by_leak"] is False


@pytest.mark.parametrize(
    ("leak", "explained"),
    [(0.0, False), (0.4, False), (0.6, True)],  # 1.5 is 4.7 errors of 0.316; 3 of them are 0.949
)
def test_a_leak_explains_what_stands_only_with_it(leak, explained):
    levels = levels_of(metal=[1.5, 0, 0, 0], leak=[leak, 0, 0, 0])
    found = weighing._excesses(context_of(levels), 0, np.zeros(3))
    assert found["explained_by_leak"] is explained
    weak = levels_of(metal=[0.9, 0, 0, 0], leak=[leak, 0, 0, 0])  # 2.8 errors even without a leak
    assert weighing._excesses(context_of(weak), 0, np.zeros(3))["explained_by_leak"] is False


def test_excess_over_what_explains_it():
    """Level 1.0, most 0.4 with a scatter of 0.04 (rows 0.36 and 0.44); counting error 0.03."""
    level, most = np.array([1.0, 5.0, 9.0]), np.array([0.4, 0.36, 0.44])
    assert weighing._over(level, most, 0.03) == pytest.approx(0.6 / 0.05)
    # Counting unknown: the scatter of the level itself (rows 5 and 9), 2.
    assert weighing._over(level, most, 0.0) == pytest.approx(0.6 / math.hypot(2.0, 0.04))
    assert weighing._over(level, most * np.inf, 0.03) == 0.0
    # What is not a number is no evidence of absence.
    assert math.isnan(weighing._over(level * np.nan, most, 0.03))
    flat = np.full(3, 1.0)
    assert math.isnan(weighing._over(flat, flat * 0.5, 0.0))  # no error is known


def test_currie_by_hand():
    """Background 900 x 0.1 + 100 x 0.2 = 110 counts: 1.645^2 + 2 x 1.645 sqrt(110) over 1000 px."""
    levels = levels_of(
        dose=math.nan, base=[0.1, 0, 0, 0], base_high=[0.1, 0, 0, 0], under=[0.2, 0, 0, 0],
        under_high=[0.2, 0, 0, 0],
    )  # fmt: skip
    k = 1.644854
    limit = (k**2 + 2 * k * math.sqrt(110)) / 1000
    assert weighing._detection_limit(context_of(levels), 0) == pytest.approx(limit)
    # Without background nothing but k squared.
    assert weighing._detection_limit(context_of(levels), 2) == pytest.approx(k**2 / 1000)


def test_what_is_not_known_of_the_background_raises_the_limit():
    levels = levels_of(
        base=[0.1, 0, 0, 0.1], base_high=[0.15, 0, 0, 0.15], under=[0.2, 0, 0, 0.2],
        under_high=[0.5, 0, 0, 0.5],
    )  # fmt: skip
    k = 1.644854
    known = k**2 + 2 * k * math.sqrt(110)
    doubt = 900 * 0.05 + 100 * 0.3
    assert weighing._detection_limit(context_of(levels), 0) == pytest.approx((known + doubt) / 1000)
    # The substrate's own elements are signal, not background.
    assert weighing._detection_limit(context_of(levels), 3) == pytest.approx(known / 1000)


def test_a_measured_blank_adds_its_own_noise():
    """B (1 + 1/m): blank of 500 px at half the dose, so 1000 px x 2 / 500 = 4 fields of doubt."""
    blank = zone_sums_of((500, 0, 0, 0), np.zeros((4, 4)))
    levels = levels_of(dose=2.0, base=[0.1, 0, 0, 0], base_high=[0.1, 0, 0, 0])
    k = 1.644854
    limit = (k**2 + 2 * k * math.sqrt(90 * 5)) / 1000
    assert weighing._detection_limit(context_of(levels, blank=blank), 0) == pytest.approx(limit)


def test_the_limit_follows_the_noise_of_the_maps():
    """Twice the variance of counts: k squared doubles, the root term grows by the root of 2."""
    noisy = dataclasses.replace(SUMS, noise=2 * SUMS.s)
    levels = levels_of(base=[0.1, 0, 0, 0], base_high=[0.1, 0, 0, 0])
    k = 1.644854
    limit = (2 * k**2 + 2 * k * math.sqrt(90 * 2)) / 1000
    assert weighing._detection_limit(context_of(levels, sums=noisy), 0) == pytest.approx(limit)
    unknown = dataclasses.replace(SUMS, noise=SUMS.s * np.nan)
    assert math.isnan(weighing._detection_limit(context_of(levels, sums=unknown), 0))
    # A base below zero (noise) is no background.
    below = levels_of(base=[-0.1, 0, 0, 0], base_high=[-0.1, 0, 0, 0])
    assert weighing._detection_limit(context_of(below), 0) == pytest.approx(k**2 / 1000)
    # What is not a number counts for nothing.
    open_ = levels_of(n_metal=0.0, under=[np.nan] * 4, under_high=[np.nan] * 4)
    assert weighing._detection_limit(context_of(open_), 0) == pytest.approx(k**2 / 1000)


# --- Shares --------------------------------------------------------------------------------------
def test_share_in_droplets_by_hand():
    """Net 5 on metal, nine tenths of it in droplets; net 0.1 between: 450 of 500 + 90."""
    levels = levels_of(
        metal=[0, 6, 0, 1], under=[0, 1, 0, 9], bare=[0, 0.3, 0, 5], base=[0, 0.2, 0, 9],
        droplet_part=[0, 0.9, 0, 1],
    )  # fmt: skip
    found = in_droplets(context_of(levels), 1)
    assert (found.value, found.low, found.high) == pytest.approx((450 / 590,) * 3)
    # Of glass nothing is taken off: 100 of 100 + 4500.
    assert in_droplets(context_of(levels), 3).value == pytest.approx(100 / 4600)
    # Less than nothing between the deposits is nothing.
    dark = dataclasses.replace(levels, base=levels.bare + 0.1)
    assert in_droplets(context_of(dark), 1).value == pytest.approx(0.9)


def test_unknown_background_widens_the_share_in_droplets():
    """Without a blank the bounds enter as rectangles: 1.96 over the root of 3 of each half width.

    Background nil: 540 of 600 + 270; at its most 360 of 400 + 0.
    """
    levels = levels_of(
        dose=math.nan, metal=[0, 6, 0, 0], under=[0, 1, 0, 0], under_high=[0, 2, 0, 0],
        bare=[0, 0.3, 0, 0], base=[0, 0.2, 0, 0], base_high=[0, 0.3, 0, 0],
        droplet_part=[0, 0.9, 0, 0],
    )  # fmt: skip
    found = in_droplets(context_of(levels), 1)
    value, wide = 450 / 590, 1.959964 / math.sqrt(3)
    assert found.value == pytest.approx(value)
    assert found.low == pytest.approx(value - wide * (value - 540 / 870), abs=1e-6)
    assert found.high == pytest.approx(min(1.0, value + wide * (0.9 - value)), abs=1e-6)
    nothing = levels_of()
    assert not in_droplets(context_of(nothing), 1).known


def split_of(metal, outside, rest):
    return Split(*(np.full(3, float(v)) for v in (metal, outside, rest, metal + outside)))


def test_what_follows_the_alloy_and_what_does_not_by_hand():
    """500 on metal, 360 outside, of which 270 do not follow: 270 / 860.

    Surely 900 x (0.5 - 0.4) = 90 of the 860; possibly 900 x (0.5 - 0.1) = 360 of 860. A film over
    the metal too would add 270 x 100 / 900 = 30: 300 of 860.
    """
    levels = levels_of(bare=[0, 0.5, 0, 0])
    bounds = np.full(3, 0.4), np.full(3, 0.1)
    found = following(context_of(levels), "Zn", ("Cu",), split_of(500, 360, 270), bounds=bounds)
    value, wide = 270 / 860, 1.959964 / math.sqrt(3)
    assert found["rest"].value == pytest.approx(value)
    assert found["rest"].low == pytest.approx(value - wide * (value - 90 / 860), abs=1e-6)
    assert found["rest"].high == pytest.approx(value + wide * (360 / 860 - value), abs=1e-6)
    assert found["rest_most"] == pytest.approx(360 / 860)
    assert found["with_alloy"].value == pytest.approx(1 - value)
    assert found["with_alloy"].high == pytest.approx(
        1 - value + wide * (value - 90 / 860), abs=1e-6
    )
    between = 1 - value - wide * (360 / 860 - value)
    assert found["with_alloy"].low == pytest.approx(min(between, 1 - 300 / 860), abs=1e-6)
    # Bounds that are known exactly leave only the film over the metal. (The upper one leaves out
    # the haze that does follow, so it lies a little high: 270 of 770.)
    exact = np.full(3, 0.2), np.full(3, 0.2)
    found = following(context_of(levels), "Zn", ("Cu",), split_of(500, 360, 270), bounds=exact)
    between = 1 - value - wide * (270 / 770 - value)
    assert found["with_alloy"].low == pytest.approx(min(between, 1 - 300 / 860), abs=1e-6)
    assert found["with_alloy"].high == pytest.approx(1 - value)
    assert found["rest"].low == pytest.approx(value)


def test_shares_that_have_no_meaning_are_not_given():
    levels = levels_of(bare=[0, 0.5, 0, 5])
    bounds = np.full(3, 0.4), np.full(3, 0.1)
    alone = following(context_of(levels), "Zn", (), split_of(500, 360, 360), bounds=bounds)
    assert not alone["with_alloy"].known
    assert alone["rest"].value == pytest.approx(360 / 860)
    glass = following(context_of(levels), "Si", ("Cu",), split_of(500, 360, 360), bounds=bounds)
    assert not glass["with_alloy"].known
    assert not glass["rest"].known
    nothing = following(context_of(levels), "Zn", ("Cu",), split_of(0, 0, 0), bounds=bounds)
    assert not nothing["rest"].known


def test_shares_stay_between_none_and_all():
    """Noise may put the rest below nothing: -90 of 860 is none of it, and all follows."""
    levels = levels_of(bare=[0, 0.1, 0, 0])
    found = following(
        context_of(levels), "Zn", ("Cu",), split_of(500, 360, -90),
        bounds=(np.full(3, 0.4), np.full(3, 0.2)),
    )  # fmt: skip
    assert (found["rest"].value, found["rest"].low) == (0.0, 0.0)
    assert (found["with_alloy"].value, found["with_alloy"].high) == (1.0, 1.0)
    assert found["rest_most"] == pytest.approx(-90 / 500)  # the ground is above what is seen


class Inflated:
    """Block moments of which only the variance lost across block borders is asked."""

    def __init__(self, values):
        self.inflation = np.asarray(values, float)

    def index(self, element):
        return ELEMENTS.index(element)


def test_features_across_blocks_widen_a_share_no_more_than_the_field_shows():
    """Rows 0.4, 0.5 and 0.6 by droplet part: widened by the root of 4, not of 9."""
    levels = levels_of(metal=[0, 5, 0, 0], bare=[0, 0.1, 0, 0])
    part = np.zeros((4, 4))
    part[:, 1] = 0.5, 0.4, 0.5, 0.6
    levels = dataclasses.replace(levels_of(n_rows=4, metal=[0, 5, 0, 0]), droplet_part=part)
    plain = in_droplets(context_of(levels), 1)
    assert plain.width == pytest.approx(0.95 * 0.2, abs=1e-4)
    for bare, whole in (([1, 4, 1, 1], [1, 9, 1, 1]), ([1, 9, 1, 1], [1, 4, 1, 1])):
        context = context_of(levels, bare=Inflated(bare), moments=Inflated(whole))
        assert in_droplets(context, 1).width == pytest.approx(2 * 0.95 * 0.2, abs=1e-4)


# --- Glass and blank -----------------------------------------------------------------------------
def test_level_over_the_blank():
    levels = levels_of(bare=[0.3, 0, 0, 6], base=[0.2, 0, 0, 5])
    assert weighing._over_blank(levels, 0) == pytest.approx(1.5)
    assert weighing._over_blank(levels, 3) == pytest.approx(1.2)
    assert math.isnan(weighing._over_blank(levels, 1))  # the blank shows none
    without = dataclasses.replace(levels, dose=math.nan)
    assert math.isnan(weighing._over_blank(without, 0))


def test_net_counts_per_net_count_of_the_alloy():
    levels = levels_of(metal=[11, 6, 3, 0], under=[1, 1, 1, 0])
    assert weighing._of_partner(levels, 1, ("Cu",)) == pytest.approx(0.5)
    assert weighing._of_partner(levels, 2, ("Cu", "Zn")) == pytest.approx(2 / 15)
    assert math.isnan(weighing._of_partner(levels, 1, ("Si",)))
    assert math.isnan(weighing._of_partner(levels, 1, ()))


def test_the_alloy_is_shown_by_any_of_its_elements():
    """Three counting errors of copper are 0.949, of an element without counts 0.03."""
    for copper, shown in ((0.96, True), (0.94, False)):
        levels = levels_of(metal=[copper + 0.3, 0, 0, 0], under_high=[0.2, 0, 0, 0],
                           leak=[0.1, 0, 0, 0])  # fmt: skip
        assert weighing._alloy_shown(context_of(levels), ("Cu",)) is shown
        assert weighing._alloy_shown(context_of(levels), ("Ti", "Cu")) is shown
        assert weighing._alloy_shown(context_of(levels), ("Cu", "Ti")) is shown
    assert weighing._alloy_shown(context_of(levels_of()), ()) is True  # nothing to compare with


def blank_of(copper, zinc, titanium, silicon, *, pixels=100.0):
    counts = np.zeros((4, 4))
    counts[0] = copper, zinc, titanium, silicon
    return zone_sums_of((pixels, 0, 0, 0), counts)


def test_a_blank_shows_glass_where_it_exceeds_its_continuum():
    """Lines unknown: factor 2.5 twice. The emptiest other map holds 4 counts: at most 4 + 4 + 3.

    11 x 6.25 = 68.75; titanium surely holds k - 3 sqrt(k + 1): 69.0 of 99 counts, 68.1 of 98.
    """
    for counts, glass in ((99, True), (98, False), (4, False)):
        context = context_of(levels_of(), blank=blank_of(4, 1000, counts, 1000))
        assert weighing._blank_is_glass(context, 2) is glass, counts
    assert weighing._blank_is_glass(context_of(levels_of()), 2) is False  # no blank
    nothing = context_of(levels_of(), blank=blank_of(0, 0, 0, 0, pixels=0.0))
    assert weighing._blank_is_glass(nothing, 2) is False


def test_the_blanks_continuum_goes_by_kramers():
    def weight(energy):
        return (20000 - energy) / energy * math.sqrt(2.5 * (energy - 5895) + 129**2)

    most = 11 / weight(8000) * 1.3 * weight(4500) * 1.3
    for counts in range(20, 80):
        context = context_of(levels_of(), state=KNOWN, blank=blank_of(4, 1000, counts, 1000))
        expected = counts - 3 * math.sqrt(counts + 1) > most
        assert weighing._blank_is_glass(context, 2) is expected, counts
    # A beam under every other line: there is no continuum to judge by.
    low = dataclasses.replace(
        KNOWN, beam_energy_keV=4.6, lines={**LINES, "Si": dataclasses.replace(LINES["Cu"])}
    )
    context = context_of(levels_of(), state=low, blank=blank_of(4, 9, 1000, 9))
    assert weighing._blank_is_glass(context, 2) is False


def test_what_other_elements_lend_a_map():
    """A tenth of each count as continuum, never more than that, and the leaks on top."""
    levels = levels_of(leaks={"Ti": {"Cu": 0.02}, "Cu": {"Ti": 9.0}})
    found = weighing._borrowed(context_of(levels, state=KNOWN), "Ti")

    def weight(energy):
        return (20000 - energy) / energy * math.sqrt(2.5 * (energy - 5895) + 129**2)

    assert set(found) == {"Cu", "Zn", "Si"}
    assert found["Cu"] == pytest.approx(0.1 + 0.02)  # titanium's window holds more: bounded at 1
    assert found["Zn"] == pytest.approx(0.1)
    assert found["Si"] == pytest.approx(0.1 * weight(4500) / weight(1740))
    low = dataclasses.replace(KNOWN, beam_energy_keV=5.0)
    assert set(weighing._borrowed(context_of(levels, state=low), "Ti")) == {"Si"}


@pytest.mark.parametrize(
    ("contrast", "low", "z", "own"),
    [(0.25, 0.15, 3.0, True), (0.249, 0.15, 3.0, False), (0.25, 0.149, 3.0, False),
     (0.25, 0.15, 2.99, False)],
)  # fmt: skip
def test_a_pattern_counts_from_its_limits_on(monkeypatch, contrast, low, z, own):
    """Relative standard deviation 0.25, at the least 0.15, at three standard errors."""
    monkeypatch.setattr(weighing, "own_pattern", lambda *_, **__: Pattern(contrast, low, 0.9, z))
    patterned, found = weighing._pattern(context_of(levels_of(), bare="any"), "Ti")
    assert patterned is own
    assert (found.value, found.low, found.high) == (contrast, low, 0.9)


def test_no_pattern_is_judged_on_glass_closed_maps_or_without_bare_area(monkeypatch):
    monkeypatch.setattr(weighing, "own_pattern", lambda *_, **__: Pattern(0.9, 0.9, 0.9, 9.0))
    assert weighing._pattern(context_of(levels_of()), "Ti")[0] is None
    assert weighing._pattern(context_of(levels_of(), bare="any"), "Si")[0] is None
    for quantity, judged in (
        ("mass_percent", None), ("atomic_percent", None), ("net_counts", True),
    ):  # fmt: skip
        maps = make_map_set(np.ones((4, 2, 2)), ELEMENTS, quantity=quantity)
        context = context_of(levels_of(), bare="any", maps=maps)
        assert weighing._pattern(context, "Ti")[0] is judged
    monkeypatch.setattr(weighing, "own_pattern", lambda *_, **__: None)
    assert weighing._pattern(context_of(levels_of(), bare="any"), "Ti")[0] is None


def test_notes_that_the_reader_must_see():
    for quantity, closed, net in (
        ("counts", False, False), ("mass_percent", True, False), ("atomic_percent", True, False),
        ("net_counts", False, True),
    ):  # fmt: skip
        maps = make_map_set(np.ones((4, 2, 2)), ELEMENTS, quantity=quantity)
        plain = make_map_set(np.ones((4, 2, 2)), ELEMENTS)
        for context in (
            context_of(levels_of(), maps=maps),
            context_of(levels_of(), maps=plain, more=(maps,)),  # one field of several is enough
        ):
            assert bool(weighing._notes(context)) is closed
            assert bool(weighing._net_note(context)) is net


def test_gaps_in_the_shadow_are_told():
    (said,) = weighing._shadow_note(context_of(levels_of(open_part=0.0123)))
    assert said.startswith("Only 1.2 % of the field is bare and clear of the metal's shadow")
    for levels in (
        levels_of(), levels_of(open_part=0.01, dose=math.nan),
        levels_of(open_part=0.01, n_metal=0.0), levels_of(open_part=0.01, n_bare=0.0),
    ):  # fmt: skip
        assert weighing._shadow_note(context_of(levels)) == ()


def test_only_what_is_surely_there_is_held_against_the_alloy():
    """Titanium on metal 2 - 0.5 of background - 0.1 of leaks, between 0.2 - 0.1: 140 + 90 counts.

    The most the alloy could have supplied: copper 10 on 100 px and 1 % impurity, half as many
    counts per mass; 15 % for the given factors.
    """
    levels = levels_of(
        metal=[10, 0, 2, 0], under_high=[0, 0, 0.5, 0], leak=[0, 0, 0.1, 0],
        bare=[0, 0, 0.2, 0], base_high=[0, 0, 0.1, 0],
    )  # fmt: skip
    context = context_of(
        levels, state=KNOWN, stated=True, droplet_um=0.1,
        settings=QUICK.with_changes(k_factors={"Cu": 1.0, "Ti": 2.0}),
    )  # fmt: skip
    most = 1000 * 0.01 / (0.7 * 2.0) * 1.15
    found = weighing._supply_ratio(context, "Ti", ("Cu",), np.full(3, 1e9))
    assert found.value == pytest.approx(230 / most)
    # No more than there is in all.
    found = weighing._supply_ratio(context, "Ti", ("Cu",), np.full(3, 23.0))
    assert found.value == pytest.approx(23 / most)
    # Background that exceeds what is seen leaves nothing, here and there.
    dark = dataclasses.replace(levels, leak=levels.leak + 5.0)
    found = weighing._supply_ratio(
        dataclasses.replace(context, levels=dark), "Ti", ("Cu",), np.full(3, 1e9)
    )
    assert found.value == pytest.approx(90 / most)
    none = dataclasses.replace(context, stated=False)
    assert not weighing._supply_ratio(none, "Ti", ("Cu",), np.full(3, 1e9)).known
    empty = dataclasses.replace(context, levels=levels_of(metal=[0, 0, 2, 0]))
    assert not weighing._supply_ratio(empty, "Ti", ("Cu",), np.full(3, 1e9)).known


# --- Oxygen --------------------------------------------------------------------------------------
OXYGEN = ("Cu", "Si", "O")


def oxygen_context(*, droplet_oxygen, blank=True, fraction=0.01, lines=None, metal=100, alloy=True):
    """Bare glass of Si 5 and O 8 a pixel; copper 10 and a fifth of the silicon on metal."""
    far, drop = (5000.0, 0.0), float(metal)
    s = np.zeros((1, 4, 3))
    s[0, 0] = np.array([0.1, 5.0, 8.0]) * far[0]
    s[0, 2] = np.array([10.0, 1.0, droplet_oxygen]) * drop
    sums = ZoneSums(OXYGEN, np.array([[far[0], 0.0, drop, 0.0]]), s, s, 0.0)
    tile = lambda *v: np.tile(np.array(v, float), (101, 1))  # noqa: E731
    levels = Levels(
        elements=OXYGEN, bare=tile(0.1, 5, 8), metal=tile(10, 1, droplet_oxygen),
        n_bare=np.full(101, far[0]), n_metal=np.full(101, drop), in_droplets=np.ones(101),
        droplet_part=tile(1, 1, 1), base=tile(0.1, 5, 7), base_low=tile(0.1, 5, 6),
        base_high=tile(0.1, 5, 7.5), under=tile(0, 0, 0), under_low=tile(0, 0, 0),
        under_high=tile(0, 0, 0), leak=tile(0, 0, 0), leaks={}, visible=0.2,
        dose=1.0 if blank else math.nan, n_blocks=1, glass=("Si", "O"),
    )  # fmt: skip
    roles = Roles(("Cu",) if alloy else (), ("Si", "O"), () if alloy else ("Cu",))
    return Context(
        maps=None, sums=sums, blank=None, levels=levels,
        state=Conditions(lines or dict.fromkeys(OXYGEN), None, {}, {}), roles=roles, moments=None,
        bare=None, matrix="Cu", droplet_um=None, stated=False,
        settings=QUICK.with_changes(background_fraction=fraction),
    )  # fmt: skip


def test_oxygen_on_metal_by_hand():
    """A fifth of silicon shows through, so at most a fifth of the glass's oxygen: 1.6.

    The continuum gives at most a hundredth of copper's 10: 0.1. Of 3.0 seen 1.3 are left; their
    error is that of counting, sqrt(300 + 1) / 100.
    """
    row = oxygen_evidence(oxygen_context(droplet_oxygen=3.0)).set_index("where").loc["droplets"]
    assert (row["counts"], row["glass_most"]) == pytest.approx((3.0, 1.6))
    assert row["background_most"] == pytest.approx(0.1)
    for column in ("excess_low", "excess"):
        assert row[column] == pytest.approx(1.3)
    assert row["excess_high"] == pytest.approx(3.0)
    assert row["z"] == pytest.approx(1.3 / (math.sqrt(301) / 100))
    assert (row["finding"], row["next_step"]) == ("oxygen beyond the glass", "")


@pytest.mark.parametrize(("seen", "shown"), [(2.13, False), (2.15, True)])
def test_oxygen_is_shown_from_three_standard_errors(seen, shown):
    """On 100 px 2.15 - 1.7 = 0.45 against 3 sqrt(216) / 100 = 0.441; 0.43 against 0.439."""
    row = oxygen_evidence(oxygen_context(droplet_oxygen=seen)).iloc[0]
    error = math.sqrt(seen * 100 + 1) / 100
    assert row["z"] == pytest.approx((seen - 1.7) / error)
    assert (row["finding"] == "oxygen beyond the glass") == (row["z"] >= 3.0) == shown


def test_less_oxygen_than_the_glass_gives_is_none():
    row = oxygen_evidence(oxygen_context(droplet_oxygen=1.0)).iloc[0]
    assert (row["excess_low"], row["excess"]) == (0.0, 0.0)
    assert row["z"] < 0
    assert row["finding"] == "none shown"
    assert "5 keV" in row["next_step"]


def test_the_continuum_of_the_emptiest_map_bounds_oxygen_where_it_is_the_smaller():
    """0.1 of copper between the deposits; metal raises it by 1 + 3 x 0.8 = 3.4 to 0.34."""
    rich = oxygen_context(droplet_oxygen=3.0, fraction=0.5)
    assert oxygen_evidence(rich).iloc[0]["background_most"] == pytest.approx(0.34)
    none = oxygen_context(droplet_oxygen=3.0, alloy=False)
    assert oxygen_evidence(none).iloc[0]["background_most"] == pytest.approx(0.34)


def test_only_hard_glass_lines_tell_how_much_shows_through():
    hard = {"Cu": None, "Si": Line("Si", "Ka", 1740.0, 1840.0), "O": None}
    row = oxygen_evidence(oxygen_context(droplet_oxygen=3.0, lines=hard)).iloc[0]
    assert row["glass_most"] == pytest.approx(1.6)
    # Without another glass line all the oxygen of the bare glass may show.
    context = oxygen_context(droplet_oxygen=3.0)
    alone = dataclasses.replace(context, roles=Roles(("Cu",), ("O",), ("Si",)))
    assert oxygen_evidence(alone).iloc[0]["glass_most"] == pytest.approx(8.0)
    # Brighter on metal than beside it: no more than all.
    s = context.sums.s.copy()
    s[0, 2, 1] = 900.0
    bright = dataclasses.replace(context, sums=dataclasses.replace(context.sums, s=s))
    assert oxygen_evidence(bright).iloc[0]["glass_most"] == pytest.approx(8.0)


def test_oxygen_in_the_haze_needs_a_blank():
    """8 seen, at most 7.5 by the blank: 0.5 over sqrt(40001) / 5000 = 0.04."""
    row = oxygen_evidence(oxygen_context(droplet_oxygen=3.0)).set_index("where").loc["haze"]
    assert (row["counts"], row["glass_most"], row["background_most"]) == (8.0, 7.5, 0.0)
    assert row["z"] == pytest.approx(0.5 / (math.sqrt(40001) / 5000))
    assert row["finding"] == "oxygen beyond the glass"
    without = oxygen_evidence(oxygen_context(droplet_oxygen=3.0, blank=False))
    row = without.set_index("where").loc["haze"]
    assert row["counts"] == 8.0
    assert row[["glass_most", "excess_low", "excess_high", "z"]].isna().all()
    assert row["finding"] == "undecided"
    assert list(without["where"]) == ["droplets", "haze"]  # there are no streaks


def test_the_counting_error_is_that_of_the_estimate_not_of_a_resample():
    context = oxygen_context(droplet_oxygen=3.0)
    bare = context.levels.bare.copy()
    bare[-1, 2] = 8.1
    one = dataclasses.replace(context, levels=dataclasses.replace(context.levels, bare=bare))
    row = oxygen_evidence(one).set_index("where").loc["haze"]
    assert row["z"] == pytest.approx(0.5 / (math.sqrt(40001) / 5000))


def test_streaks_have_a_row_of_their_own():
    context = oxygen_context(droplet_oxygen=3.0)
    n, s = context.sums.n.copy(), context.sums.s.copy()
    n[0, 3], s[0, 3] = 50.0, (500.0, 50.0, 100.0)
    both = dataclasses.replace(context, sums=dataclasses.replace(context.sums, n=n, s=s))
    table = oxygen_evidence(both).set_index("where")
    assert list(table.index) == ["droplets", "streaks", "haze"]
    assert table.loc["streaks", "counts"] == pytest.approx(2.0)
    assert table.loc["streaks", "glass_most"] == pytest.approx(1.6)


def test_no_bare_area_leaves_no_row():
    context = oxygen_context(droplet_oxygen=3.0)
    n = context.sums.n.copy()
    n[0, 0] = 0.0
    full = dataclasses.replace(context, sums=dataclasses.replace(context.sums, n=n))
    assert oxygen_evidence(full).empty


# --- The estimate is row 0 -----------------------------------------------------------------------
def test_every_number_is_that_of_the_estimate_not_of_a_resample(monkeypatch):
    """Rows after the first hold half as much again of everything; none of it may be reported."""
    monkeypatch.setattr(weighing, "_correlations", lambda *_: {})
    levels = levels_of(
        n_rows=5, metal=[11, 6, 0, 1], under=[1, 1, 0, 1], under_high=[2, 1.5, 0, 1],
        bare=[0.3, 0.5, 0, 5], base=[0.1, 0.1, 0, 5], base_high=[0.2, 0.2, 0, 6],
        base_low=[0.1, 0.1, 0, 5], droplet_part=[0.9, 0.9, 0.9, 0.9],
    )  # fmt: skip
    same = weighing.evidence_of(context_of(levels), "Zn")
    rows = {name: getattr(levels, name).copy() for name in (*ARRAYS, "n_bare", "n_metal")}
    for values in rows.values():
        values[1:] *= 1.5
    shifted = weighing.evidence_of(context_of(dataclasses.replace(levels, **rows)), "Zn")
    for name in ("per_metal", "per_bare", "of_partner", "over_blank", "detection_limit", "mean"):
        assert getattr(shifted, name) == getattr(same, name), name
    assert (shifted.per_metal, shifted.per_bare) == (5.0, 0.4)
    assert (shifted.of_partner, shifted.over_blank) == (0.5, 5.0)
    assert shifted.mean == 680 / 1000  # 160 + 20 + 400 + 100 counts
    for name in ("rest", "in_droplets", "with_alloy"):
        assert getattr(shifted, name).value == pytest.approx(getattr(same, name).value), name
    assert shifted.rest.value == pytest.approx((360 - 900 * 0.2 * 0.5) / 860)

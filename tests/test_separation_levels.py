"""Levels on metal and on bare substrate with their bounds, by hand on one block."""

import dataclasses

import numpy as np
import pytest

from spattermap.core.mapset import Roles
from spattermap.core.settings import Settings
from spattermap.verdict.evidence import supply_of
from spattermap.verdict.gather import Context
from spattermap.verdict.metal_shares import metal_shares
from spattermap.verdict.physics import Conditions, absorbed_part, continuum_weight
from spattermap.verdict.signal_levels import (
    atomic_number_rise,
    hard_substrate,
    measure_levels,
    over_continuum,
)
from spattermap.verdict.zones import ZoneSums
from spattermap.xrays import anderson_hasler_um, relative_sensitivity
from spattermap.xrays.lines import Line

QUICK = Settings(n_resamples=100)
ELEMENTS = ("Cu", "Zn", "Ti", "Si", "O")
ROLES = Roles(("Cu", "Zn"), ("Si", "O"), ("Ti",))
# No line and no composition: every continuum alike to a factor 2.5, metal 4 times brighter.
UNKNOWN_LINES = Conditions(dict.fromkeys(ELEMENTS), None, {}, {})
LINES = {
    "Cu": Line("Cu", "Ka", 8000.0, 9000.0), "Zn": Line("Zn", "Ka", 8600.0, 9700.0),
    "Ti": Line("Ti", "Ka", 4500.0, 5000.0), "Si": Line("Si", "Ka", 1740.0, 1840.0),
    "O": Line("O", "Ka", 525.0, 532.0),
}  # fmt: skip
STATED = Conditions(LINES, 20.0, {"Cu": 0.7, "Zn": 0.3}, {"Si": 0.467, "O": 0.533})
N = (800.0, 100.0, 80.0, 20.0)  # far, rim, droplets, streaks


def sums_of(far, rim, droplet, streak, *, n=N, elements=ELEMENTS):
    """Zone sums of one block from mean levels of the zones."""
    n = np.array([n])
    s = np.stack([np.asarray(level, float) for level in (far, rim, droplet, streak)])
    s = s[None] * n[..., None]
    return ZoneSums(elements, n, s, s, 2.0)


def measured(sums, *, blank=None, state=UNKNOWN_LINES, roles=ROLES, settings=QUICK):
    return measure_levels(sums, roles, state, blank=blank, settings=settings)


def plate(*levels, n=400.0):
    """A blank of one block."""
    zero = np.zeros(len(levels))
    return sums_of(levels, zero, zero, zero, n=(n, 0.0, 0.0, 0.0))


CLEAR = sums_of(
    (0.1, 0.2, 0.1, 5.0, 8.0), (0.5, 0.2, 0.1, 5.0, 8.0),
    (10.0, 5.0, 0.4, 1.0, 2.0), (5.0, 5.0, 0.4, 1.0, 2.0),
)  # fmt: skip


def test_means_of_bare_and_metal_by_hand():
    """The rim's copper above the bare level, 100 x 0.4, belongs to the metal: (800 + 100 + 40)/100.

    Of its copper 800 of 900 lie in droplets.
    """
    found = measured(CLEAR)
    assert found.bare[0].tolist() == pytest.approx([0.1, 0.2, 0.1, 5.0, 8.0])
    assert found.metal[0].tolist() == pytest.approx([9.4, 5.0, 0.4, 1.0, 2.0])
    assert (found.n_bare[0], found.n_metal[0]) == (900.0, 100.0)
    assert found.in_droplets[0] == pytest.approx(0.8)
    assert found.droplet_part[0, :2].tolist() == pytest.approx([8 / 9, 0.8])
    assert found.open_part == 0.8
    assert (found.n_blocks, found.glass) == (1, ("Si", "O"))
    assert np.isnan(found.dose)
    # One block: every resample is the same.
    np.testing.assert_allclose(found.metal, found.metal[:1].repeat(101, axis=0))


def test_an_element_without_counts_on_metal_lies_in_droplets_as_the_metal_does():
    empty = sums_of((1.0,) * 5, (1.0,) * 5, (10.0, 0.0, 0.4, 1.0, 2.0), (5.0, 0.0, 0.4, 1.0, 2.0))
    assert measured(empty).droplet_part[0, 1] == pytest.approx(0.8)


def test_resamples_without_metal_take_the_level_of_the_field():
    """Two blocks, the metal in one: a quarter of the resamples draw none of it."""
    one = CLEAR.merge(plate(0.1, 0.2, 0.1, 5.0, 8.0, n=900.0))
    found = measured(one)
    assert np.isfinite(found.metal).all()
    assert np.isfinite(found.in_droplets).all()
    np.testing.assert_allclose(found.metal, found.metal[:1].repeat(101, axis=0))


def test_part_of_the_glass_that_shows_through_metal():
    """Lines unknown: both glass lines, (1 + 2) / (5 + 8). Known: the hard one, 1 / 5."""
    assert measured(CLEAR).visible == pytest.approx(3 / 13)
    assert measured(CLEAR, state=STATED).visible == pytest.approx(0.2)
    faint = sums_of((0.01,) * 5, (0.01,) * 5, (0.005,) * 5, (0.005,) * 5)
    assert measured(faint).visible == pytest.approx(0.5)
    bright = sums_of((1.0,) * 5, (1.0,) * 5, (9.0,) * 5, (9.0,) * 5)
    assert measured(bright).visible == 1.0
    dark = sums_of((0.0,) * 5, (0.0,) * 5, (9.0,) * 5, (9.0,) * 5)
    assert np.isnan(measured(dark).visible)
    nobody = Roles(("Cu", "Zn"), (), ("Ti", "Si", "O"))
    assert np.isnan(measured(CLEAR, roles=nobody).visible)


def test_hard_lines_are_those_above_one_keV():
    sodium = {**LINES, "Si": Line("Na", "Ka", 1000.0, 1072.0)}
    for lines, which in (
        (LINES, [3]), (dict.fromkeys(ELEMENTS), [3, 4]), (sodium, [3, 4]),
        ({**LINES, "Si": Line("Na", "Ka", 1000.1, 1072.0)}, [3]),
    ):  # fmt: skip
        state = dataclasses.replace(STATED, lines=lines)
        assert hard_substrate(ELEMENTS, ROLES, state) == which


def test_rise_of_the_continuum_by_hand():
    """Brass on silica: 29.3 / 10.802 = 2.712; a fifth of the glass shows: 1 + 1.712 x 0.8."""
    ratio = 29.3 / 10.802
    assert atomic_number_rise(STATED, 0.2) == pytest.approx(1 + (ratio - 1) * 0.8)
    assert atomic_number_rise(STATED, 1.0) == 1.0  # metal that hides nothing raises nothing
    assert atomic_number_rise(STATED, float("nan")) == pytest.approx(1 + (ratio - 1) / 2)
    light = dataclasses.replace(STATED, alloy={"Li": 1.0})
    assert atomic_number_rise(light, 0.0) == 1.0  # a bound: lighter metal lowers nothing


def test_a_blank_is_scaled_by_the_substrate_lines():
    """Half the glass counts of the deposit: dose 2 and 2; everything of the blank counts twice."""
    blank = plate(0.05, 0.1, 0.05, 2.5, 4.0)
    found = measured(CLEAR, blank=blank)
    assert found.dose == pytest.approx(2.0)
    assert found.has_blank
    assert found.base[0].tolist() == pytest.approx([0.1, 0.2, 0.1, 5.0, 8.0])
    assert found.base_low[0].tolist() == pytest.approx([0.09, 0.18, 0.09, 4.5, 7.2])
    assert found.base_high[0].tolist() == pytest.approx([0.11, 0.22, 0.11, 5.5, 8.8])
    # The metal: glass as it shows through (3 / 13), continuum raised by 1 + 3 x 10 / 13.
    rise = 1 + 3 * 10 / 13
    assert found.under[0, :3].tolist() == pytest.approx([0.1 * rise, 0.2 * rise, 0.1 * rise])
    assert found.under[0, 3:].tolist() == pytest.approx([5 * 3 / 13, 8 * 3 / 13])
    assert found.under_low[0].tolist() == pytest.approx(
        [0.09 * 3 / 13, 0.18 * 3 / 13, 0.09 * 3 / 13, 0.0, 0.0]
    )
    assert found.under_high[0, :3].tolist() == pytest.approx(
        [1.4 * rise * 0.11, 1.4 * rise * 0.22, 1.4 * rise * 0.11]
    )
    assert found.under_high[0, 3:].tolist() == pytest.approx([5.5, 8.8])


def test_a_blank_without_glass_counts_is_taken_as_it_is():
    found = measured(CLEAR, blank=plate(0.1, 0.2, 0.1, 0.0, 0.0))
    assert found.dose == 1.0
    assert found.base[0, :3].tolist() == pytest.approx([0.1, 0.2, 0.1])


def test_the_brightest_other_glass_line_bounds_a_glass_line():
    """Oxygen is half as bright as the blank says, silicon as it says; dose by both: 9 / 13.

    The most silicon's window may show is the larger of oxygen's ratio (0.5) and the dose; the most
    oxygen's may show goes by silicon's ratio 1.
    """
    dim = sums_of(
        (0.1, 0.2, 0.1, 5.0, 4.0), (0.1, 0.2, 0.1, 5.0, 4.0),
        (10.0, 5.0, 0.4, 1.0, 2.0), (10.0, 5.0, 0.4, 1.0, 2.0),
    )  # fmt: skip
    found = measured(dim, blank=plate(0.1, 0.2, 0.1, 5.0, 8.0))
    assert found.dose == pytest.approx(9 / 13)
    assert found.base_high[0, 3] == pytest.approx(1.1 * 9 / 13 * 5)
    assert found.base_high[0, 4] == pytest.approx(1.1 * 1.0 * 8)
    # One glass line alone has no other: its own dose bounds it.
    alone = measured(
        dim, blank=plate(0.1, 0.2, 0.1, 5.0, 8.0), roles=Roles(("Cu", "Zn"), ("Si",), ("Ti", "O"))
    )
    assert alone.base_high[0, 3] == pytest.approx(1.1 * 5)


def test_haze_is_found_and_taken_into_the_base():
    """A made field: haze a fifth of the metal, which hides the glass and is 4 times as bright.

    Blank: continuum 0.1, Si 5. The haze shades the glass to 4, gives 2 copper counts and raises
    the continuum to 0.1 (1 + 0.2 x 3) = 0.16; the metal holds 10 over 0.4. From a first guess off
    by half the rounds must come back to 0.16.
    """
    elements, roles = ("Cu", "Si"), Roles(("Cu",), ("Si",))
    state = Conditions(dict.fromkeys(elements), None, {}, {})
    sums = sums_of((2.16, 4.0), (2.16, 4.0), (10.4, 0.0), (10.4, 0.0), elements=elements)
    zero = np.zeros(2)
    blank = sums_of((0.1, 5.0), zero, zero, zero, n=(400.0, 0, 0, 0), elements=elements)
    found = measured(sums, blank=blank, state=state, roles=roles)
    assert found.dose == pytest.approx(0.8)
    assert found.base[0, 0] == pytest.approx(0.16, abs=2e-5)
    assert found.under[0, 0] == pytest.approx(0.4, abs=2e-4)
    assert found.base_low[0, 0] == pytest.approx(0.9 * 0.8 * 0.1)  # as if there were no haze
    assert found.under_low[0, 0] == 0.0  # of a glass that is hidden nothing is left
    assert found.base_high[0, 0] == pytest.approx(1.1 * 0.16, abs=3e-5)
    # The glass itself is what the bare area shows.
    assert found.base[0, 1] == pytest.approx(4.0)
    assert (found.base_low[0, 1], found.base_high[0, 1]) == pytest.approx((3.6, 4.4))


def test_without_a_blank_the_emptiest_map_bounds_the_continuum():
    """Ti shows 0.1: at 95 % no more than 0.1 + (1.645 sqrt(80) + 2.71) / 800 = 0.1218.

    Under the others at most 2.5 x 2.5 of it (0.761), and no more than they show.
    """
    sums = sums_of(
        (0.2, 5.0, 0.1, 5.0, 8.0), (0.2, 5.0, 0.1, 5.0, 8.0),
        (10.0, 5.0, 0.4, 1.0, 2.0), (10.0, 5.0, 0.4, 1.0, 2.0),
    )  # fmt: skip
    found = measured(sums)
    assert found.base[0].tolist() == pytest.approx([0.1, 0.1, 0.1, 5.0, 8.0])
    assert found.base_low[0].tolist() == [0.0, 0.0, 0.0, 5.0, 8.0]

    def upper(level):
        return level + (1.645 * np.sqrt(level * 800) + 2.71) / 800

    assert found.base_high[0].tolist() == pytest.approx(
        [upper(0.2), upper(0.1) * 6.25, upper(0.1), 5.0, 8.0], rel=1e-9
    )


def test_known_lines_carry_the_bound_by_kramers():
    """Weights by line; the soft oxygen map is glass here, and titanium the emptiest."""
    found = measured(CLEAR, state=STATED)
    weight = {e: continuum_weight(LINES[e], 20.0) for e in ELEMENTS}
    copper = 0.1 * weight["Cu"] / weight["Ti"]
    assert found.base[0, 0] == pytest.approx(min(copper, 0.1))
    bare = {"Cu": 0.1, "Zn": 0.2, "Ti": 0.1, "Si": 5.0, "O": 8.0}
    density = min(bare[e] / weight[e] for e in ELEMENTS)
    assert found.base[0, :3].tolist() == pytest.approx(
        [min(density * weight[e], bare[e]) for e in ("Cu", "Zn", "Ti")]
    )
    # A beam below a line leaves that map out: it holds no continuum.
    low = dataclasses.replace(STATED, beam_energy_keV=8.3)
    assert measured(CLEAR, state=low).base[0, 1] == 0.0


def test_an_empty_bare_map_does_not_bound_the_continuum_at_zero():
    """No count in 800 px: up to 2.71 of them (the Poisson upper limit without a count, 95 %)."""
    sums = sums_of(
        (0.2, 0.2, 0.0, 5.0, 8.0), (0.2, 0.2, 0.0, 5.0, 8.0),
        (10.0, 5.0, 0.4, 1.0, 2.0), (10.0, 5.0, 0.4, 1.0, 2.0),
    )  # fmt: skip
    found = measured(sums)
    assert found.base[0, :3].tolist() == [0.0, 0.0, 0.0]
    assert found.base_high[0, :3].tolist() == pytest.approx(
        [2.71 / 800 * 6.25, 2.71 / 800 * 6.25, 2.71 / 800]
    )


def test_without_bare_area_nothing_is_bounded_at_all():
    sums = sums_of((0.0,) * 5, (0.0,) * 5, (10.0,) * 5, (10.0,) * 5, n=(0.0, 0.0, 80.0, 20.0))
    found = measured(sums)
    assert not found.has_metal
    assert found.open_part == 0.0


def test_background_on_metal_is_at_most_the_stated_part_of_the_strongest_line():
    """Without a blank: 1.4 x rise x bound, or a tenth of copper's 10 and 2.5 in other windows.

    The rise is 1 + 3 x 10 / 13; titanium: 1.4 x 3.308 x 0.1218 = 0.564 is the smaller; zinc's
    0.761 gives 3.52, so 2.5 holds. Copper is the strongest itself and may be 2.5 too.
    """
    sums = sums_of(
        (0.2, 5.0, 0.1, 5.0, 8.0), (0.2, 5.0, 0.1, 5.0, 8.0),
        (10.0, 5.0, 0.4, 1.0, 2.0), (10.0, 5.0, 0.4, 1.0, 2.0),
    )  # fmt: skip
    found = measured(sums)
    rise = 1 + 3 * 10 / 13
    high = found.base_high[0]
    assert found.under_high[0, :3].tolist() == pytest.approx(
        [1.4 * rise * high[0], 2.5, 1.4 * rise * high[2]]
    )
    assert found.under[0, :3].tolist() == pytest.approx([0.1 * rise] * 3)
    assert found.under[0, 3:].tolist() == pytest.approx([5 * 3 / 13, 8 * 3 / 13])
    assert found.under_low[0, :3].tolist() == [0.0, 0.0, 0.0]
    assert found.under_high[0, 3:].tolist() == pytest.approx([5.0, 8.0])
    smaller = measured(sums, settings=QUICK.with_changes(background_fraction=0.01))
    assert smaller.under_high[0, :3].tolist() == pytest.approx([0.25] * 3)
    assert smaller.under[0, :3].tolist() == pytest.approx([0.25] * 3)  # never above its bound
    # Nothing of an alloy: no line to state a part of.
    none = measured(sums, roles=Roles((), ("Si", "O"), ("Cu", "Zn", "Ti")))
    assert none.under_high[0, 1] == pytest.approx(1.4 * rise * none.base_high[0, 1])


def test_the_stated_part_is_carried_from_line_to_line():
    """Stated for the strongest line; under a softer one the continuum weighs more."""
    found = measured(CLEAR, state=STATED, settings=QUICK.with_changes(background_fraction=0.001))
    weight = {e: continuum_weight(LINES[e], 20.0) for e in ELEMENTS}
    expected = [0.0094 * max(1.3 * weight[e] / weight["Cu"], 1.0) for e in ("Cu", "Zn", "Ti")]
    assert found.under_high[0, :3].tolist() == pytest.approx(expected)


def test_a_film_that_is_not_the_alloy_sets_the_stated_part_where_it_is_stronger():
    sums = sums_of((1.0,) * 5, (1.0,) * 5, (2.0, 2.0, 9.0, 99.0, 0.0), (2.0, 2.0, 9.0, 99.0, 0.0))
    found = measured(sums, settings=QUICK.with_changes(background_fraction=0.001))
    assert found.under_high[0, :3].tolist() == pytest.approx([0.001 * 9.0 * 2.5] * 3)


def narrow(far):
    """A field of which `far` pixels of 10 000 are clear of the metal's shadow."""
    return sums_of(
        (0.1, 0.2, 0.1, 5.0, 8.0), (0.1, 0.2, 0.1, 5.0, 8.0),
        (10.0, 5.0, 0.4, 1.0, 2.0), (10.0, 5.0, 0.4, 1.0, 2.0),
        n=(far, 100.0, 9900.0 - far, 0.0),
    )  # fmt: skip


def test_gaps_too_narrow_for_the_blank_fall_back_on_the_stated_part():
    """Under 5 % of open ground the blank is scaled too low; the larger bound holds on metal."""
    blank = plate(0.1, 0.2, 0.1, 5.0, 8.0)
    rise = 1 + 3 * 10 / 13
    wide = measured(narrow(500.0), blank=blank)
    assert wide.under_high[0, 2] == pytest.approx(1.4 * rise * wide.base_high[0, 2])
    assert not wide.shadowed
    tight = measured(narrow(499.0), blank=blank)
    assert tight.shadowed
    assert tight.under_high[0, :3].tolist() == pytest.approx([2.5] * 3)
    assert tight.under_high[0, 3:].tolist() == pytest.approx([5.5, 8.8])


def test_leaks_add_over_their_sources_and_never_take_away():
    found = measured(CLEAR, state=dataclasses.replace(STATED, lines=REAL_LINES))
    for into, sources in found.leaks.items():
        expected = sum(part * found.metal[0, ELEMENTS.index(e)] for e, part in sources.items())
        assert found.leak[0, ELEMENTS.index(into)] == pytest.approx(expected)
    assert found.leaks["Zn"]["Cu"] > 0.01  # Cu Kb beside Zn Ka
    below = sums_of((10.0,) * 5, (0.0,) * 5, (0.0,) * 5, (0.0,) * 5)
    below = measured(below, state=dataclasses.replace(STATED, lines=REAL_LINES))
    assert below.metal[0, 0] < 0
    assert (below.leak == 0).all()


def _real_lines():
    from spattermap.xrays import mapped_line

    return {e: mapped_line(e, "", 20.0) for e in ELEMENTS}


REAL_LINES = _real_lines()


def test_what_no_continuum_explains():
    """Bare level less metal's over the least rise, with 1.4 for how well that is known."""
    found = measured(CLEAR, state=STATED)
    rise = atomic_number_rise(STATED, 0.2)
    for element, bare, metal in (("Ti", 0.1, 0.4), ("Si", 5.0, 1.0)):
        glass, alloy = (
            absorbed_part(LINES[element], STATED, m) for m in (STATED.substrate, STATED.alloy)
        )
        expected = bare - 1.4 / (rise * glass / alloy) * metal
        assert over_continuum(found, element, STATED)[0] == pytest.approx(expected)
    assert (over_continuum(found, "Ti", UNKNOWN_LINES) == -np.inf).all()
    assert len(over_continuum(found, "Ti", UNKNOWN_LINES)) == 101


# --- What the alloy could have supplied ----------------------------------------------------------
FACTORS = {"Cu": 1.0, "Zn": 1.1, "Ti": 2.0}


def supply(levels, element="Ti", partners=("Cu",), *, state=STATED, **more):
    given = {"stated": True, "diameter_um": 0.1, "k_factors": FACTORS, **more}
    return supply_of(levels, element, partners, state, **given)


def test_supply_of_an_impurity_by_hand():
    """Cu 9.4 - 0.4 net on 100 px: 900; haze 0.1 - 0.05 on 900 px: 45; of the alloy 70 %.

    Titanium may be 1 % of it; its counts per mass are half of copper's. 945 x 0.01 / (0.7 x 2),
    with 15 % tolerance of given factors.
    """
    levels = measured(CLEAR)
    levels = dataclasses.replace(levels, under=levels.under * 0 + 0.4, base=levels.base * 0 + 0.05)
    found = supply(levels)
    assert found.most[0] == pytest.approx(945 * 0.01 / (0.7 * 2.0) * 1.15)
    assert (found.tolerance, found.depth, found.fraction, found.named) == (1.15, 1.0, 0.01, False)
    # Zinc is named with 30 %.
    zinc = supply(levels, "Zn")
    assert zinc.most[0] == pytest.approx(945 * 0.3 / (0.7 * 1.1) * 1.15)
    assert (zinc.fraction, zinc.named) == (0.3, True)
    # Both partners: counts of both over what both would give.
    both = supply(levels, "Ti", ("Cu", "Zn"))
    seen = 900 + 100 * 4.6 + 45 + 900 * 0.15
    assert both.most[0] == pytest.approx(seen * 0.01 / (0.7 * 2.0 + 0.3 * 2.0 / 1.1) * 1.15)


def test_metal_hidden_under_the_range_counts_as_supply():
    """Mean height of a sphere 2/3 of its diameter, over the depth the line comes from."""
    levels = measured(CLEAR)
    reach = anderson_hasler_um(20.0, "Cu Ka", material={"Cu": 70.0, "Zn": 30.0})
    assert supply(levels, diameter_um=3.0).depth == pytest.approx(2.0 / reach)
    assert supply(levels, diameter_um=1000.0).depth == 20.0
    # Where the beam does not reach the line's edge no depth is known, and none is added.
    low = dataclasses.replace(STATED, beam_energy_keV=5.0)
    assert supply(levels, state=low, diameter_um=3.0).depth == 1.0
    thick = supply(levels, diameter_um=1000.0)
    thin = supply(levels)
    net = np.maximum((levels.metal - levels.under)[0, 0], 0.0) * 100
    haze = np.maximum((levels.bare - levels.base)[0, 0], 0.0) * 900
    assert thick.most[0] / thin.most[0] == pytest.approx((20 * net + haze) / (net + haze))


def test_calculated_sensitivities_where_none_are_given():
    levels = measured(CLEAR)
    k = relative_sensitivity("Cu Ka", "Ti Ka", 20.0)
    found = supply(levels, k_factors=None)
    given = supply(levels)
    assert found.tolerance == k.tolerance
    assert found.most[0] / given.most[0] == pytest.approx((2.0 / k.ratio) * k.tolerance / 1.15)


def test_less_than_nothing_supplies_nothing():
    levels = measured(CLEAR)
    empty = dataclasses.replace(levels, under=levels.metal + 1.0, base=levels.bare + 1.0)
    assert supply(empty).most[0] == 0.0
    half = dataclasses.replace(levels, under=levels.metal * 0 + 9.4, base=levels.bare + 1.0)
    assert supply(half).most[0] == 0.0


def test_supply_is_not_known_without_composition_energy_or_size():
    levels = measured(CLEAR)
    assert supply(levels, stated=False) is None
    assert supply(levels, diameter_um=None) is None
    assert supply(levels, partners=()) is None
    assert supply(levels, partners=("Si",)) is None  # no part of the alloy
    for changes in (
        {"beam_energy_keV": None},
        {"lines": {**LINES, "Ti": None}},
        {"lines": {**LINES, "Cu": None}},
    ):
        assert supply(levels, state=dataclasses.replace(STATED, **changes)) is None
    # A beam below copper's edge excites nothing to compare with.
    low = dataclasses.replace(STATED, beam_energy_keV=5.0)
    assert supply(levels, state=low, k_factors=None) is None


# --- Shares of the metal signal ------------------------------------------------------------------
def context_of(levels, *, roles=ROLES):
    return Context(
        maps=None, sums=CLEAR, blank=None, levels=levels, state=UNKNOWN_LINES, roles=roles,
        moments=None, bare=None, matrix="Cu", droplet_um=None, stated=False, settings=QUICK,
    )  # fmt: skip


def test_shares_of_droplets_streaks_and_haze_by_hand():
    """Net Cu 9 on metal, 8/9 of it in droplets; net Zn 4, 0.8; haze 0.05 and 0.1 on 900 px.

    Droplets 800 + 320, streaks 100 + 80, haze 45 + 90: of 1435.
    """
    levels = measured(CLEAR, blank=plate(0.05, 0.1, 0.05, 2.5, 4.0))
    levels = dataclasses.replace(
        levels,
        under=levels.under * 0 + np.array([0.4, 1.0, 0, 0, 0]),
        base=levels.base * 0 + np.array([0.05, 0.1, 0, 0, 0]),
    )
    found = metal_shares(context_of(levels))
    for place, share in (("droplets", 1120), ("streaks", 180), ("haze", 135)):
        for column in (f"share_{place}", f"share_{place}_low", f"share_{place}_high"):
            assert found[column] == pytest.approx(share / 1435)
    # A blank is known: its bounds enter elsewhere. Without one they open the interval.
    open_ = dataclasses.replace(
        levels, dose=float("nan"),
        base_low=levels.base * 0, base_high=levels.bare, under_low=levels.under * 0,
        under_high=levels.under,
    )  # fmt: skip
    found = metal_shares(context_of(open_))
    assert found["share_haze"] == pytest.approx(135 / 1435)
    assert found["share_haze_low"] == pytest.approx(0.0)  # the ground explains it all
    # No ground at all: 900 x 0.3 haze beside 100 x 14.4 on metal.
    assert found["share_haze_high"] == pytest.approx(270 / 1710)
    assert found["share_droplets_high"] == pytest.approx(1120 / 1300)


def test_less_than_no_haze_is_none():
    levels = measured(CLEAR, blank=plate(0.05, 0.1, 0.05, 2.5, 4.0))
    levels = dataclasses.replace(levels, base=levels.bare + 0.1)
    found = metal_shares(context_of(levels))
    assert found["share_haze"] == 0.0
    assert found["share_droplets"] + found["share_streaks"] == pytest.approx(1.0)


def test_no_metal_or_no_alloy_has_no_shares():
    levels = measured(CLEAR)
    for context in (
        context_of(dataclasses.replace(levels, n_metal=levels.n_metal * 0)),
        context_of(levels, roles=Roles((), ("Si", "O"), ("Cu", "Zn", "Ti"))),
    ):
        found = metal_shares(context)
        assert len(found) == 9
        assert np.isnan(list(found.values())).all()
    nothing = dataclasses.replace(levels, under=levels.metal, base=levels.bare)
    assert np.isnan(metal_shares(context_of(nothing))["share_haze"])

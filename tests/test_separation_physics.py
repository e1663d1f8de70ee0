"""What physics bounds, by hand: continuum, absorption, leaks, and sizes that can be trusted."""

import math

import pandas as pd
import pytest
import xraydb

from spattermap.core.mapset import make_map_set
from spattermap.verdict import physics
from spattermap.verdict.composition import CompositionLimit, composition_limit
from spattermap.verdict.physics import (
    Conditions,
    absorbed_part,
    atomic_number_ratio,
    conditions,
    continuum_tolerance,
    continuum_weight,
    leak_bounds,
    least_continuum_rise,
    matrix_tolerance,
    thin_to_thick,
)
from spattermap.xrays.lines import Line

HARD = Line("Cu", "Ka", 8000.0, 9000.0)
HARDER = Line("Zn", "Ka", 16000.0, 18000.0)
SOFT = Line("O", "Ka", 500.0, 540.0)
SILICA = {"Si": 0.467, "O": 0.533}


def state(alloy=None, substrate=None, *, beam=20.0, lines=None):
    return Conditions(lines or {}, beam, alloy or {}, substrate or {})


def test_mass_percent_becomes_mass_fractions_and_lines_are_looked_up():
    found = conditions(
        {"Cu": "Cu Ka", "Zn": "my own window", "Si": ""},
        20.0,
        alloy={"Cu": 30.0, "Zn": 10.0},
        substrate={"Si": math.nan, "O": math.nan},
    )
    assert found.alloy == {"Cu": 0.75, "Zn": 0.25}
    assert found.substrate == {"Si": 0.5, "O": 0.5}  # only the names are known: equal parts
    assert found.lines["Cu"].name == "Cu Ka"
    assert found.lines["Zn"] is None  # a name of a private kind: only bounds remain
    assert found.lines["Si"].name == "Si Ka"  # no name: the usual line
    assert found.beam_energy_keV == 20.0


def test_parts_that_are_not_stated_do_not_count_beside_those_that_are():
    found = conditions({}, 20.0, alloy={"Cu": 60.0, "Zn": math.nan, "Sn": 0.0}, substrate={})
    assert found.alloy == {"Cu": 1.0}
    assert found.substrate == {}
    three = conditions({}, 20.0, alloy=dict.fromkeys("CNO", math.nan), substrate={})
    assert three.alloy == pytest.approx(dict.fromkeys("CNO", 1 / 3))


def test_without_a_beam_energy_no_line_is_known():
    assert conditions({"Cu": "Cu Ka"}, None, alloy={}, substrate={}).lines == {"Cu": None}


def test_continuum_weight_is_kramers_times_the_width_of_the_window():
    """(E0 - E) / E = 12 / 8 at 20 keV; the width is sqrt(2.5 (8000 - 5895) + 129^2) = 148.0 eV."""
    width = math.sqrt(2.5 * (8000 - 5895) + 129**2)
    assert continuum_weight(HARD, 20.0) == pytest.approx(1.5 * width, rel=1e-12)
    assert continuum_weight(HARD, 8.0) == 0.0  # no continuum at the beam's own energy
    assert continuum_weight(HARD, 5.0) == 0.0  # nor above it
    assert continuum_weight(None, 20.0) == continuum_weight(HARD, None) == 1.0


def test_how_well_the_continuum_is_known():
    """Soft lines, below 1 keV, pass an unknown window: a factor of 3; the others 1.3."""
    assert continuum_tolerance(SOFT) == 3.0
    assert continuum_tolerance(Line("Na", "Ka", 999.9, 1.0)) == 3.0
    assert continuum_tolerance(Line("Na", "Ka", 1000.0, 1.0)) == 1.3
    assert continuum_tolerance(None) == 2.5


def test_mean_atomic_numbers_by_hand():
    """Brass 70/30: 0.7 x 29 + 0.3 x 30 = 29.3; silica 0.467 x 14 + 0.533 x 8 = 10.802."""
    brass = {"Cu": 0.7, "Zn": 0.3}
    assert atomic_number_ratio(state(brass, SILICA)) == pytest.approx(29.3 / 10.802, rel=1e-12)
    # Gold on silica is 79 / 10.8 = 7.3, molybdenum 3.9: 4 where nothing is stated.
    assert atomic_number_ratio(state({}, SILICA)) == 4.0
    assert atomic_number_ratio(state(brass, {})) == 4.0


def test_absorption_on_the_way_out_by_hand():
    """Anderson and Hasler's mass depth 0.064 (20^1.68 - 9^1.68) = 7.25 um g/cm3.

    Of it 0.31 is the mean depth, seen at a take-off angle of 35 degrees (sine 0.574).
    """
    depth = 0.064 * (20**1.68 - 9**1.68)
    assert depth == pytest.approx(7.25, abs=0.01)
    mu = 0.25 * float(xraydb.mu_elam("Cu", 8000.0)) + 0.75 * float(xraydb.mu_elam("Si", 8000.0))
    expected = 1 + mu * depth * 1e-4 * 0.31 / 0.574
    found = absorbed_part(HARD, state(), {"Cu": 0.25, "Si": 0.75})
    assert found == pytest.approx(expected, rel=1e-12)
    assert absorbed_part(HARD, state(), {}) == 1.0  # nothing in the way
    assert thin_to_thick(HARD, state({"Cu": 1.0})) == pytest.approx(
        absorbed_part(HARD, state(), {"Cu": 1.0}) / depth, rel=1e-12
    )


def test_thin_against_thick_where_nothing_is_known():
    assert thin_to_thick(None, state({"Cu": 1.0})) == 1.0
    assert thin_to_thick(HARD, state({"Cu": 1.0}, beam=None)) == 1.0
    assert thin_to_thick(HARD, state()) == 1.0


def test_a_line_the_beam_hardly_excites_comes_from_no_depth():
    """Below the edge the mass depth is nil, kept from zero so that the ratio stays finite."""
    found = thin_to_thick(HARDER, state({"Cu": 1.0}, beam=17.0))
    assert found == pytest.approx(1 / 0.064e-6, rel=1e-3)


def test_least_rise_of_the_continuum_by_hand():
    """Metal makes `rise` times the continuum and absorbs more of it; soft lines lose 3 more."""
    both = state({"Cu": 1.0}, SILICA)
    for line, soft in ((HARD, 1.0), (SOFT, 3.0), (Line("Na", "Ka", 1000.0, 1070.0), 1.0)):
        metal, glass = (absorbed_part(line, both, m) for m in ({"Cu": 1.0}, SILICA))
        assert least_continuum_rise(line, both, 2.5) == pytest.approx(
            2.5 * glass / metal / soft, rel=1e-12
        )
    assert least_continuum_rise(SOFT, both, 2.5) < 2.5 / 3  # copper absorbs oxygen's window more
    assert least_continuum_rise(None, both, 2.5) == 0.0
    assert least_continuum_rise(HARD, state({"Cu": 1.0}, SILICA, beam=None), 2.5) == 0.0
    assert least_continuum_rise(HARD, state({"Cu": 1.0}), 2.5) == 0.0
    assert least_continuum_rise(HARD, state({}, SILICA), 2.5) == 0.0


def test_ratio_of_two_lines_between_thin_and_thick_metal():
    one = state({"Cu": 1.0})
    assert matrix_tolerance(HARD, HARD, one) == 1.1  # no difference: the margin alone
    ratio = thin_to_thick(HARDER, one) / thin_to_thick(HARD, one)
    assert ratio > 1.5  # the harder line comes from a thinner layer
    assert matrix_tolerance(HARDER, HARD, one) == pytest.approx(1.1 * ratio, rel=1e-12)
    assert matrix_tolerance(HARD, HARDER, one) == pytest.approx(1.1 * ratio, rel=1e-12)
    for pair in ((None, HARD), (HARD, None)):
        assert matrix_tolerance(*pair, one) == 2.5
    assert matrix_tolerance(HARD, HARDER, state({"Cu": 1.0}, beam=None)) == 2.5


def listed(**leaks):
    return pd.DataFrame(
        [{"into": "Cu", "source": source, "leak": leak} for source, parts in leaks.items()
         for leak in parts],
        columns=["into", "source", "leak"],
    )  # fmt: skip


def test_largest_leaks_by_hand(monkeypatch):
    """The lines of one source add; a narrow window counts twice, and the wider bound holds."""
    tables = {1.2: listed(Ni=[0.03, 0.01]), 3.0: listed(Ni=[0.05, 0.02], Zn=[0.004])}
    asked = []

    def leaks(known, beam, *, window_fwhm, least):
        asked.append((known, beam, window_fwhm, least))
        return tables[window_fwhm]

    monkeypatch.setattr(physics, "leaks", leaks)
    three = state(lines={"Cu": HARD, "Zn": HARDER, "Ni": None})
    found = leak_bounds(three)
    assert found == {"Cu": {"Ni": pytest.approx(0.08), "Zn": pytest.approx(0.004)}}
    # What leaks less than 0.2 % is far under any bound of the background.
    assert asked == [({"Cu": "Cu Ka", "Zn": "Zn Ka"}, 20.0, width, 0.002) for width in (1.2, 3.0)]
    tables[1.2] = listed(Ni=[0.03])
    assert leak_bounds(three)["Cu"]["Ni"] == pytest.approx(0.07)  # now the wide window's


def test_no_leak_is_known_without_beam_or_second_line():
    assert leak_bounds(state(beam=None, lines={"Cu": HARD, "Zn": HARDER})) == {}
    assert leak_bounds(state(lines={"Cu": HARD, "Zn": None})) == {}


def test_nickels_k_beta_leaks_into_copper_not_the_other_way():
    """Ni Kb at 8.26 keV lies 0.2 keV above Cu Ka (8.05); Cu has no line near Ni Ka (7.47)."""
    lines = {"Cu": "Cu Ka", "Ni": "Ni Ka"}
    found = leak_bounds(conditions(lines, 20.0, alloy={}, substrate={}))
    assert 0.02 < found["Cu"]["Ni"] < 0.4  # Kb is some 0.14 of Ka
    assert found.get("Ni", {}).get("Cu", 0.0) < found["Cu"]["Ni"] / 2


LIMIT = CompositionLimit(1.45, {"Cu Ka": 0.81, "Zn Ka": 0.7}, 20.0)


def test_the_limit_in_words():
    assert LIMIT.smallest_um == 1.45
    assert LIMIT.sentence() == (
        "At 20 keV electrons reach 1.4 µm into the alloy and its lines come from up to (um): "
        "Cu Ka 0.81, Zn Ka 0.70. The composition of a droplet less than 1.4 µm wide cannot be told "
        "from its size."
    )


def test_droplets_as_wide_as_the_limit_are_trusted():
    assert LIMIT.notes([1.45, 2.0]) == ()
    assert LIMIT.notes([]) == ()
    (said,) = LIMIT.notes([1.4499, 0.3, 2.0])
    assert said.startswith("2 of 3 outlines are narrower than 1.4 µm, the depth electrons of 20 ke")


def brass_maps(**more):
    import numpy as np

    given = {
        "lines": ["Cu Ka", "Zn Ka"], "beam_energy_keV": 20.0, "alloy": {"Cu": 70.0, "Zn": 30.0},
        **more,
    }  # fmt: skip
    return make_map_set(np.ones((2, 4, 4)), ["Cu", "Zn"], **given)


def test_the_limit_goes_by_the_stated_composition():
    """Kanaya and Okayama with mass-weighted A and Z; volumes of the elements add."""
    found = composition_limit(brass_maps(), ("Cu", "Zn"))
    mass = 0.7 * 63.546 + 0.3 * 65.38
    density = 1 / (0.7 / 8.96 + 0.3 / 7.14)
    expected = 0.0276 * mass * 20**1.67 / ((0.7 * 29 + 0.3 * 30) ** 0.89 * density)
    assert found.electron_range_um == pytest.approx(expected, rel=0.01)
    assert list(found.line_ranges_um) == ["Cu Ka", "Zn Ka"]
    assert found.beam_energy_keV == 20.0
    pure = composition_limit(brass_maps(), ("Cu",), nominal={"Cu": 100.0})
    assert pure.electron_range_um == pytest.approx(
        0.0276 * 63.546 * 20**1.67 / (29**0.89 * 8.96), rel=0.01
    )
    # Nothing of use stated: equal parts.
    for nothing in ({}, {"Cu": math.nan, "Zn": math.nan}, {"Cu": 0.0}):
        halves = composition_limit(brass_maps(), ("Cu", "Zn"), nominal=nothing)
        given = composition_limit(brass_maps(), ("Cu", "Zn"), nominal={"Cu": 5.0, "Zn": 5.0})
        assert halves == given


def test_a_line_of_a_private_kind_tells_no_depth_but_the_others_do():
    odd = brass_maps(lines=["my own window", "Zn Ka"])
    assert list(composition_limit(odd, ("Cu", "Zn")).line_ranges_um) == ["Zn Ka"]
    assert composition_limit(odd, ("Cu",)) is None
    # What is not mapped gives no line but may be named.
    assert list(composition_limit(odd, ("Sn", "Zn")).line_ranges_um) == ["Zn Ka"]


def test_knowing_less_excludes_no_leak():
    """Cr Kb falls on Mn Ka, whether or not somebody wrote the beam energy down."""
    lines = {"Cr": "Cr Ka", "Mn": ""}
    stated, unstated = (conditions(lines, kev, alloy={}, substrate={}) for kev in (20.0, None))
    assert unstated.lines == {"Cr": None, "Mn": None}
    assert leak_bounds(unstated) == leak_bounds(stated)
    assert leak_bounds(stated)["Mn"]["Cr"] > 0.05

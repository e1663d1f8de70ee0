"""Atomic data as read from the tables equal what the library that brings them returns."""

import math
import subprocess
import sys

import pytest

from spattermap.core.errors import ELEMENT_SYMBOLS
from spattermap.xrays import atomic_data

xraydb = pytest.importorskip("xraydb")
MAPPED = ELEMENT_SYMBOLS[2:92]  # lithium to uranium


@pytest.mark.outside(
    "Lines, edges, masses and densities of lithium to uranium",
    source="xraydb, the installed version",
    known="computed",
    tolerance="equal",
)
def test_tables_equal_the_library():
    for element in MAPPED:
        lines, edges = xraydb.xray_lines(element), xraydb.xray_edges(element)
        assert {k: tuple(v) for k, v in atomic_data.emission_lines(element).items()} == {
            k: tuple(v) for k, v in lines.items()
        }
        assert {k: tuple(v) for k, v in atomic_data.edges(element).items()} == {
            k: tuple(v) for k, v in edges.items()
        }
        assert atomic_data.atomic_mass(element) == xraydb.atomic_mass(element)
        assert atomic_data.atomic_density(element) == xraydb.atomic_density(element)


@pytest.mark.outside(
    "Total mass attenuation of lithium to uranium, 150 eV to 40 keV, edges included",
    source="xraydb mu_elam, the installed version",
    known="computed",
    tolerance="1e-12",
)
def test_attenuation_equals_the_library():
    for element in MAPPED:
        for energy in (150.0, 277.0, 525.0, 1487.0, 1740.0, 8046.0, 25000.0, 40000.0):
            ours = atomic_data.mass_attenuation(element, energy)
            assert ours == pytest.approx(float(xraydb.mu_elam(element, energy)), rel=1e-12)


@pytest.mark.outside(
    "Coster-Kronig shares and family yields",
    source="xraydb, the installed version",
    known="computed",
    tolerance="equal",
)
def test_vacancies_and_families_equal_the_library():
    for element in ("Cu", "Ag", "W", "Pb"):
        for pair in (("L1", "L3"), ("L1", "L2"), ("L2", "L3"), ("K", "L3")):
            known = xraydb.ck_probability(element, *pair, total=True) or 0.0
            assert atomic_data.coster_kronig(element, *pair) == known
        for level, family in (("K", "Ka"), ("L3", "La")):
            _, energy, part = xraydb.fluor_yield(element, level, family, 1e6)
            ours = atomic_data.family_yield(element, level, family)
            assert ours == pytest.approx((energy, part), rel=1e-14)


def test_an_element_without_lines_has_none():
    assert atomic_data.emission_lines("H") == {}
    assert atomic_data.family_yield("H", "K", "Ka") == (0.0, 1.0)
    assert math.isfinite(atomic_data.mass_attenuation("H", 1740.0))


def test_the_slow_library_is_not_imported():
    code = (
        "import sys; from spattermap.xrays import mapped_line; "
        "from spattermap.xrays.lines import lines_of; lines_of('Cu', 15.0); "
        "sys.exit('sqlalchemy' in sys.modules or 'xraydb' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

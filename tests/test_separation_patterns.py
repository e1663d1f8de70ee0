"""Patterns of the bare area, correlations, and what is gathered before anything is judged."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest

from divided_by_hand import divided
from spattermap.core.errors import InputError
from spattermap.core.estimate import UNKNOWN, Estimate
from spattermap.core.mapset import Roles, make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.verdict import judging, weighing
from spattermap.verdict.gather import gather
from spattermap.verdict.patterns import bare_moments, own_pattern, variation_z
from spattermap.verdict.weighing import in_squares, known_better, with_alloy_elements, with_group
from spattermap.verdict.zones import zone_map

QUICK = Settings(n_resamples=100)
NAN = float("nan")


# --- Patterns ------------------------------------------------------------------------------------
def moments_of(planes, names, *, noise, source="counting", side=8):
    maps = make_map_set(np.stack(planes).astype(float), names)
    found = block_moments(maps, block_px=side, noise=np.asarray(noise, float))
    return dataclasses.replace(found, noise_source=source)


SIDE = 32
COLUMNS = np.arange(SIDE)[None, :] * np.ones((SIDE, 1))
A = np.where(COLUMNS % 2 == 0, 1.0, -1.0)  # three patterns that have nothing in common
B = np.where(COLUMNS // 2 % 2 == 0, 1.0, -1.0)
C = A * B
N = SIDE * SIDE


def spread(variance):
    """Sample variance of a pattern of +-1 over the field."""
    return variance * N / (N - 1)


def test_a_pattern_along_the_glass_is_taken_off():
    """Ti = 10 + 2 A + B, Si = 10 + 4 A: along Si 8^2 / 16 = 4, so 1 of 5 is left, less no noise."""
    planes = (10 + 2 * A + B, 10 + 4 * A, 10 + 0 * A)
    noise = np.diag([0.01, 0.01, 0.01])
    moments = moments_of(planes, ["Ti", "Si", "Cu"], noise=noise)
    roles = Roles(("Cu",), ("Si",), ("Ti",))
    found = own_pattern(moments, "Ti", roles, settings=QUICK)
    slope = spread(8) / (spread(16) - 0.01)
    own = spread(5) - 0.01 - spread(8) * slope
    assert found.contrast == pytest.approx(math.sqrt(own) / 10, rel=1e-6)
    # Noise left: its own and the slope's part of silicon's; counting adds the fourth cumulants.
    left, fourth = 0.01 + slope**2 * 0.01, 0.01 + slope**4 * 0.01
    error = math.sqrt((2 * left**2 + fourth) / N)
    assert found.z == pytest.approx(own / error, rel=1e-6)
    normal = own_pattern(dataclasses.replace(moments, noise_source="given"), "Ti", roles,
                         settings=QUICK)  # fmt: skip
    assert normal.z == pytest.approx(own / math.sqrt(2 * left**2 / N), rel=1e-6)
    # Every block holds the same pattern, so nothing scatters.
    assert found.contrast_low == pytest.approx(found.contrast, rel=1e-6)
    assert found.contrast_high == pytest.approx(found.contrast, rel=1e-6)


def test_a_shadow_or_a_flat_line_explains_no_pattern():
    roles = Roles(("Cu",), ("Si",), ("Ti",))
    noise = np.diag([0.01] * 3)
    whole = math.sqrt(spread(5) - 0.01) / 10
    opposite = moments_of((10 + 2 * A + B, 10 - 4 * A, 10 + 0 * A), ["Ti", "Si", "Cu"], noise=noise)
    assert own_pattern(opposite, "Ti", roles, settings=QUICK).contrast == pytest.approx(whole)
    apart = moments_of((10 + 2 * A + B, 10 + 4 * C, 10 + 0 * A), ["Ti", "Si", "Cu"], noise=noise)
    assert own_pattern(apart, "Ti", roles, settings=QUICK).contrast == pytest.approx(
        whole, rel=1e-6
    )


@pytest.mark.parametrize(("errors", "explained"), [(1.9, False), (2.1, True)])
def test_a_pattern_explains_from_two_standard_errors_on(errors, explained):
    """Silicon of noise 1 varies by so many errors, sqrt((2 + 1) / n), beyond it."""
    variance = (1.0 + errors * math.sqrt(3.0 / N)) * (N - 1) / N
    planes = (10 + 2 * A, 10 + math.sqrt(variance) * A, 10 + 0 * A)
    moments = moments_of(planes, ["Ti", "Si", "Cu"], noise=np.diag([0.01, 1.0, 0.01]))
    found = own_pattern(moments, "Ti", Roles(("Cu",), ("Si",), ("Ti",)), settings=QUICK)
    assert (found.contrast < 0.1) is explained


def test_both_groups_are_taken_off_each_by_its_sum():
    """Ti = 10 + A + B + C; silicon and oxygen together hold A, copper and zinc together B."""
    planes = (10 + A + B + C, 10 + 2 * A + C, 10 - C, 10 + B, 10 + B)
    names = ["Ti", "Si", "O", "Cu", "Zn"]
    moments = moments_of(planes, names, noise=np.diag([1e-6] * 5))
    roles = Roles(("Cu", "Zn"), ("Si", "O"), ("Ti",))
    found = own_pattern(moments, "Ti", roles, settings=QUICK)
    assert found.contrast == pytest.approx(math.sqrt(spread(1)) / 10, rel=1e-3)
    # An alloy element is not explained by itself: copper against zinc, which holds the same.
    copper = own_pattern(moments, "Cu", roles, settings=QUICK)
    assert copper.contrast == pytest.approx(0.0, abs=1e-3)
    alone = own_pattern(moments, "Cu", Roles(("Cu",), ("Si", "O")), settings=QUICK)
    assert alone.contrast == pytest.approx(math.sqrt(spread(1)) / 10, rel=1e-3)


def test_what_others_may_lend_is_taken_off():
    """A quarter of silicon's pattern 4 C: variance 1 of the 5."""
    planes = (10 + 2 * A + B, 10 + 4 * C, 10 + 0 * A)
    moments = moments_of(planes, ["Ti", "Si", "Cu"], noise=np.diag([1e-6] * 3))
    roles = Roles((), (), ("Ti", "Si", "Cu"))
    found = own_pattern(moments, "Ti", roles, borrowed={"Si": 0.25, "Cu": 9.0}, settings=QUICK)
    assert found.contrast == pytest.approx(math.sqrt(spread(4)) / 10, rel=1e-5)
    all_of_it = own_pattern(moments, "Ti", roles, borrowed={"Si": 1.0}, settings=QUICK)
    assert (all_of_it.contrast, all_of_it.contrast_low) == (0.0, 0.0)
    assert all_of_it.z < 0


def test_an_element_without_counts_has_no_pattern():
    planes = (0 * A, 10 + A)
    moments = moments_of(planes, ["Ti", "Si"], noise=np.diag([0.01, 0.01]))
    assert own_pattern(moments, "Ti", Roles((), ("Si",), ("Ti",)), settings=QUICK) is None


def test_how_far_a_map_varies_by_hand():
    """Variance 4 beyond noise 1 of counting: error sqrt((2 + 1) / n); without counts none."""
    moments = moments_of((10 + math.sqrt(5) * A, 0 * A), ["Ti", "Si"], noise=np.diag([1.0, 0.0]))
    assert variation_z(moments, "Ti") == pytest.approx((spread(5) - 1) / math.sqrt(3 / N), rel=1e-9)
    assert variation_z(moments, "Si") == 0.0
    assert variation_z(None, "Ti") == 0.0


def test_bare_area_of_fewer_than_400_pixels_shows_no_pattern():
    """20 x 20 px are just enough; metal in a corner with its rim takes some of them."""
    flat = make_map_set(np.ones((1, 20, 20)), ["Ti"])
    none = np.zeros((20, 20), bool)
    found = bare_moments(flat, zone_map(none, 1.0, np.ones_like(none))[0], block_px=10)
    assert found.n.sum() == 400
    assert len(found.n) == 4
    metal = none.copy()
    metal[0, 0] = True
    assert bare_moments(flat, zone_map(metal, 1.0, np.ones_like(metal))[0], block_px=10) is None
    wide = make_map_set(np.ones((1, 21, 21)), ["Ti"])
    metal = np.zeros((21, 21), bool)
    metal[0, 0] = True
    away = np.hypot(*np.indices((21, 21)))
    assert (
        bare_moments(wide, zone_map(metal, 1.0, np.ones_like(metal))[0], block_px=10).n.sum()
        == (away > 4).sum()
    )
    # No noise, no pattern: percent maps of one value hold none to estimate.
    percent = make_map_set(np.full((1, 40, 40), 50.0), ["Ti"], quantity="mass_percent")
    moments = block_moments(percent, block_px=10)
    expected = np.isnan(moments.noise).any()
    empty = np.zeros((40, 40), bool)
    assert (
        bare_moments(percent, zone_map(empty, 1.0, np.ones_like(empty))[0], block_px=10) is None
    ) == expected


# --- Correlations --------------------------------------------------------------------------------
def span(value, low, high):
    return Estimate(value, low, high)


def test_the_scale_that_is_known_twice_as_well_is_asked():
    pixels = span(0.5, 0.3, 0.7)
    assert known_better(pixels, span(0.9, 0.8, 0.99)).value == 0.9  # 0.19, less than half of 0.4
    assert known_better(pixels, span(0.9, 0.75, 1.0)) is pixels
    assert known_better(pixels, UNKNOWN) is pixels
    assert known_better(span(NAN, -1, 1), span(0.9, -0.5, 1.0)).value == 0.9
    exact = span(0.5, 0.0, 1.0)
    assert known_better(exact, span(0.9, 0.5, 1.0)) is exact  # just half is not better than half


ROLES = Roles(("Cu", "Zn"), ("Si",), ("Ti",))


def correlations(monkeypatch, table):
    """A context whose correlations are given; the p-value is that of the first pair asked."""
    monkeypatch.setattr(
        weighing, "noise_corrected_correlation",
        lambda moments, a, b, **_: SimpleNamespace(
            **dict(zip(("r", "r_low", "r_high"), table[moments, a, b], strict=True))
        ),
    )  # fmt: skip
    asked = []

    def null(pairs, a, b):
        asked.append((pairs, a, b))
        return SimpleNamespace(p_value=0.25)

    monkeypatch.setattr(weighing, "spatial_null", null)
    counts = np.arange(4 * 6).reshape(4, 2, 3)
    maps = make_map_set(counts, ["Cu", "Zn", "Ti", "Si"])
    masked = maps.assign(valid=(("y", "x"), np.array([[True, False, True]] * 2)))
    context = SimpleNamespace(
        moments="pixels", squares=None, settings=QUICK, roles=ROLES, fields=[maps, masked]
    )
    return context, asked, counts


def test_an_element_is_compared_with_the_sum_of_the_others(monkeypatch):
    table = {("pixels", "Ti", ("Cu", "Zn")): (0.5, 0.4, 0.6)}
    context, asked, counts = correlations(monkeypatch, table)
    r, p = with_alloy_elements(context, "Ti", ("Cu", "Zn"), ("Si",))
    assert (r.value, r.low, r.high, p) == (0.5, 0.4, 0.6, 0.25)
    ((pairs, a, b),) = asked
    assert (a, b) == ("Ti", "Cu")
    for pair in pairs:
        np.testing.assert_array_equal(pair["counts"].sel(element="Ti"), counts[2])
        np.testing.assert_array_equal(pair["counts"].sel(element="Cu"), counts[0] + counts[1])
    assert "valid" not in pairs[0]
    assert pairs[1]["valid"].values.tolist() == [[True, False, True]] * 2
    # The maps themselves are left alone.
    np.testing.assert_array_equal(context.fields[0]["counts"].values, counts)


def test_a_metal_by_itself_is_compared_with_its_shadow(monkeypatch):
    """Against the substrate's lines, the sign turned: -0.7 (-0.9 to -0.6) is 0.7 (0.6 to 0.9)."""
    table = {
        ("pixels", "Cu", ("Si",)): (-0.7, -0.9, -0.6),
        ("pixels", "Ti", ("Si",)): (0.1, 0.0, 0.2),
    }
    context, asked, counts = correlations(monkeypatch, table)
    r, p = with_alloy_elements(context, "Cu", (), ("Si",))
    assert (r.value, r.low, r.high, p) == (0.7, 0.6, 0.9, 0.25)
    np.testing.assert_array_equal(asked[0][0][0]["counts"].sel(element="Si"), counts[3])
    for element, substrate in (("Ti", ("Si",)), ("Cu", ())):
        r, p = with_alloy_elements(context, element, (), substrate)
        assert not r.known
        assert math.isnan(p)


def test_a_correlation_lies_between_minus_one_and_one(monkeypatch):
    table = {
        ("pixels", "Ti", ("Cu",)): (1.2, 0.8, 1.0), ("pixels", "Zn", ("Cu",)): (-1.2, -1.0, 0.0),
        ("pixels", "Si", ("Cu",)): (NAN, -1.0, 1.0), ("squares", "Ti", ("Cu",)): (0.3, 0.2, 0.4),
    }  # fmt: skip
    context, _, _ = correlations(monkeypatch, table)
    assert with_group(context, "Ti", ("Cu",)).value == 1.0
    assert with_group(context, "Zn", ("Cu",)).value == -1.0
    silicon = with_group(context, "Si", ("Cu",))
    assert (math.isnan(silicon.value), silicon.low, silicon.high) == (True, -1.0, 1.0)
    assert with_group(context, "Ti", ()) is UNKNOWN
    assert in_squares(context, "Ti", ("Cu",)) is UNKNOWN  # no squares were needed
    context.squares = "squares"
    assert in_squares(context, "Ti", ("Cu",)).value == 0.3
    assert in_squares(context, "Ti", ()) is UNKNOWN


# --- Gathering -----------------------------------------------------------------------------------
def scene(**more):
    """Two squares of 10 and 6 px, copper and zinc in both, silicon beside them."""
    labels = np.zeros((40, 60), np.int32)
    labels[5:15, 5:15], labels[20:26, 40:46] = 1, 2
    metal = labels > 0
    counts = np.stack(
        [np.where(metal, 12.0, 0.0), np.where(metal, 6.0, 0.0), np.where(metal, 0, 5)]
    )
    given = {"alloy": {"Cu": 70.0, "Zn": 30.0}, "substrate": {"Si": 100.0}, **more}
    # The noise is stated, because counts as even as these are no counts to an estimate.
    return make_map_set(counts, ["Cu", "Zn", "Si"], variance=counts, **given), labels


BRASS = Roles(("Cu", "Zn"), ("Si",), how="stated")


def gathered(maps, labels, *, roles=BRASS, blank=None, settings=QUICK, blur_px=1.0, **more):
    moments = block_moments(maps, labels=labels, n_droplets=2, block_px=10)
    return gather(
        maps, moments, roles, divided(labels, 2, blur_px=blur_px), blank=blank, settings=settings,
        **more,
    )  # fmt: skip


def test_what_is_gathered_by_hand():
    maps, labels = scene(pixel_size_um=0.5, beam_energy_keV=20.0, lines=["Cu Ka", "Zn Ka", "Si Ka"])
    context = gathered(maps, labels)
    assert context.matrix == "Cu"
    assert context.stated
    assert context.state.alloy == {"Cu": 0.7, "Zn": 0.3}
    assert context.state.lines["Zn"].name == "Zn Ka"
    assert context.blank is None
    # Diameters of 100 and 36 px: weighted by area, half a micrometre a pixel.
    across = 2 * np.sqrt(np.array([100, 36]) / np.pi) * 0.5
    assert context.droplet_um == pytest.approx((across * [100, 36]).sum() / 136)
    assert context.sums.rim_px == 4.0
    assert context.sums.n_blocks == 4 * 6
    assert context.fields == [maps]
    # Zinc's 0.34 counts a pixel wish squares of 4 px, but a field of 40 px leaves 2 (16 a side).
    assert context.side_px == 2
    assert context.squares.n.sum() == 20 * 30
    assert context.bare.n.sum() == context.sums.n[:, 0].sum()


def test_what_is_not_known_is_gathered_as_such():
    maps, labels = scene(alloy=["Cu", "Zn"], substrate=["Si"])
    context = gathered(maps, labels)
    assert not context.stated
    assert context.droplet_um is None  # no pixel size
    assert context.state.alloy == {"Cu": 0.5, "Zn": 0.5}
    # A segmentation that could not tell the blur gets one pixel.
    assert gathered(maps, labels, blur_px=0.0).sums.rim_px == 4.0
    assert gathered(maps, labels, blur_px=0.6).sums.rim_px == pytest.approx(2.8)
    # An alloy named in the settings is without numbers, whatever the maps say.
    stated, _ = scene()
    named = gathered(stated, labels, settings=QUICK.with_changes(alloy=("Cu", "Zn")))
    assert not named.stated
    assert named.state.alloy == {"Cu": 0.5, "Zn": 0.5}
    nobody = gathered(*scene(alloy={}, substrate={}), roles=Roles((), (), ("Cu", "Zn", "Si")))
    assert (nobody.matrix, nobody.stated) == ("", False)
    none = gathered(stated, labels * 0)
    assert none.matrix == ""


def test_parts_of_one_field_agree_on_matrix_and_squares():
    maps, labels = scene()
    context = gathered(maps, labels, matrix="Zn", side_px=2)
    assert (context.matrix, context.side_px) == ("Zn", 2)
    assert context.squares.n.sum() == 20 * 30


def test_metal_without_the_matrix_counts_as_bare():
    maps, labels = scene()
    counts = maps["counts"].values.copy()
    counts[0][labels == 2] = 0.0  # the second square holds zinc alone
    apart = make_map_set(counts, ["Cu", "Zn", "Si"], alloy={"Cu": 70.0, "Zn": 30.0})
    assert gathered(apart, labels).sums.n[:, 2].sum() == 100
    # One metal alone has no matrix to be judged by.
    alone = gathered(apart, labels, roles=Roles(("Cu",), ("Si",), ("Zn",)))
    assert alone.sums.n[:, 2].sum() == 136


def test_the_main_element_goes_by_counts_on_metal_where_no_mass_is_stated():
    maps, labels = scene(alloy=["Cu", "Zn"])
    assert gathered(maps, labels).matrix == "Cu"  # 12 counts against 6
    counts = maps["counts"].values.copy()
    counts[1][labels == 0] = 99.0  # zinc beside the metal does not count
    beside = make_map_set(counts, ["Cu", "Zn", "Si"], alloy=["Cu", "Zn"])
    assert gathered(beside, labels).matrix == "Cu"


def test_a_blank_is_read_in_the_order_of_the_deposit():
    maps, labels = scene()
    planes = np.stack([np.full((20, 20), v) for v in (5.0, 0.2, 0.1)])
    context = gathered(maps, labels, blank=make_map_set(planes, ["Si", "Zn", "Cu"]))
    assert context.blank.elements == ("Cu", "Zn", "Si")
    assert context.blank.s.sum(axis=(0, 1)).tolist() == pytest.approx([40.0, 80.0, 2000.0])
    np.testing.assert_array_equal(context.blank.noise, context.blank.s)
    assert context.levels.dose == pytest.approx(1.0)
    # More elements than needed do no harm, one of the alloy too few is refused.
    more = make_map_set(np.ones((4, 20, 20)), ["Si", "Zn", "Cu", "Ti"])
    assert gathered(maps, labels, blank=more).blank.elements == ("Cu", "Zn", "Si")
    fewer = make_map_set(np.ones((2, 20, 20)), ["Si", "Zn"])
    with pytest.raises(InputError, match="every alloy element, got none of Cu"):
        gathered(maps, labels, blank=fewer)


# --- Several fields ------------------------------------------------------------------------------


# --- Judging -------------------------------------------------------------------------------------
def asked_for(monkeypatch, alloy):
    """Judge a deposit whose zinc lies apart; return what evidence was asked for, without whom."""
    asked = []

    def evidence(_context, element, *, apart=()):
        asked.append((element, apart))
        return SimpleNamespace(element=element)

    monkeypatch.setattr(judging, "evidence_of", evidence)
    monkeypatch.setattr(judging, "_lies_apart", lambda one: one.element == "Zn")
    monkeypatch.setattr(judging, "decide", lambda one: one)
    monkeypatch.setattr(judging, "_row", lambda one, _, line: {one.element: line})
    names = (*alloy, "Si")
    lines = [f"{name} Ka" for name in names]
    context = SimpleNamespace(
        levels=SimpleNamespace(elements=names), roles=Roles(alloy, ("Si",)),
        maps=make_map_set(np.ones((len(names), 2, 2)), names, lines=lines),
    )  # fmt: skip
    table = judging.judge(context)
    assert [table.loc[row, name] for row, name in enumerate(names)] == lines
    return asked


def test_what_lies_apart_is_left_out_where_two_others_remain(monkeypatch):
    three = ("Cu", "Zn", "Sn")
    first = [(element, ()) for element in (*three, "Si")]
    again = [(element, ("Zn",)) for element in (*three, "Si")]
    assert asked_for(monkeypatch, three) == first + again
    # Of two alloy elements the one apart is the only yardstick there is.
    assert asked_for(monkeypatch, ("Cu", "Zn")) == [("Cu", ()), ("Zn", ()), ("Si", ())]
    assert asked_for(monkeypatch, ("Cu", "Ni", "Sn")) == [
        ("Cu", ()), ("Ni", ()), ("Sn", ()), ("Si", ())
    ]  # fmt: skip


def test_oxygen_is_explained_unless_it_belongs_to_the_alloy():
    maps, labels = scene()
    counts = np.concatenate([maps["counts"].values, np.where(labels > 0, 0.0, 8.0)[None]])
    deposit = make_map_set(
        counts, ["Cu", "Zn", "Si", "O"], alloy={"Cu": 70.0, "Zn": 30.0}, substrate=["Si", "O"]
    )
    glass = Roles(("Cu", "Zn"), ("Si", "O"), how="stated")
    table = judging.judge(gathered(deposit, labels, roles=glass)).set_index("element")
    assert "In droplets no oxygen is shown" in table.loc["O", "reasons"]
    assert "no oxygen is shown" not in table.loc["Si", "reasons"]
    oxide = Roles(("Cu", "Zn", "O"), ("Si",), how="stated")
    table = judging.judge(gathered(deposit, labels, roles=oxide)).set_index("element")
    assert "no oxygen is shown" not in table.loc["O", "reasons"]

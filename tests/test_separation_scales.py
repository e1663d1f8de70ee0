"""Small squares, patterns judged by counting, narrow gaps, and films that are not the alloy."""

from dataclasses import replace

import numpy as np
import pytest

from spattermap.analysis import analyse
from spattermap.core.errors import InputError
from spattermap.core.mapset import Roles, make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.synthesis import SODA_LIME, Deposit, Droplets, Haze, Layer, make_blank, make_deposit
from spattermap.verdict.composition import composition_limit
from spattermap.verdict.patterns import own_pattern, variation_z
from spattermap.verdict.zones import square_moments, square_side

QUICK = Settings(n_resamples=300)
BRASS = Roles(("Cu", "Zn"), (), how="stated")


def flat(value, size=64, **more):
    return make_map_set(np.full((2, size, size), value), ["Cu", "Zn"], **more)


def round_droplets(size=64, diameter=16):
    """Return a label of the area that a disc of that diameter has."""
    labels = np.zeros((size, size), np.int32)
    labels.ravel()[: round(np.pi * diameter**2 / 4)] = 1
    return labels


@pytest.mark.parametrize(
    ("mean", "diameter", "side"),
    [
        (4.0, 16, 1),  # four counts in a pixel already
        (1.0, 16, 2),  # 2 x 2 hold four
        (0.9, 16, 3),  # rounded up
        (0.01, 16, 4),  # 64 px hold no more than 16 squares a side
        (0.01, 7, 3),  # no wider than half a droplet
        (0.01, 1, 1),
    ],
)
def test_side_of_a_square_by_hand(mean, diameter, side):
    moments = block_moments(flat(mean), noise=flat(mean)["counts"].values)
    labels = round_droplets(diameter=diameter)
    assert square_side(moments, labels, BRASS, n_droplets=1) == side


def test_squares_only_of_plain_counts_with_droplets():
    moments = block_moments(flat(0.01), noise=flat(0.02)["counts"].values)
    assert square_side(moments, round_droplets(), BRASS, n_droplets=1) == 1
    plain = block_moments(flat(0.01), noise=flat(0.01)["counts"].values)
    assert square_side(plain, round_droplets(), BRASS, n_droplets=0) == 1
    assert square_side(plain, round_droplets(), Roles((), ()), n_droplets=1) == 1


def test_squares_add_counts_and_leave_out_what_is_not_valid():
    counts = np.arange(2 * 9 * 8).reshape(2, 9, 8)
    valid = np.ones((9, 8), bool)
    valid[0, 0] = False
    found = square_moments(make_map_set(counts, ["Cu", "Zn"], valid=valid), side=4)
    # Two by two squares of 4 px, the ninth row left over; the first square holds a bad pixel.
    assert found.n.sum() == 3
    expected = counts[:, :8].reshape(2, 2, 4, 2, 4).sum(axis=(2, 4))
    expected[:, 0, 0] = 0
    assert found.s1.sum(axis=0).tolist() == expected.sum(axis=(1, 2)).tolist()
    assert found.noise.sum(axis=0).diagonal().tolist() == expected.sum(axis=(1, 2)).tolist()
    assert square_moments(make_map_set(counts, ["Cu", "Zn"]), side=1) is None


def test_more_counts_keep_a_right_word():
    """The same kept alloy at 0.1 to 1 counts: once known, "with_alloy" stays."""
    spec = Deposit(
        shape=(256, 256), droplets=Droplets(d50_px=14.0, coverage=0.2), electron_image=False
    )
    for counts in (0.1, 0.3, 1.0):
        some = spec.with_changes(counts_per_pixel=counts)
        table = analyse(
            make_deposit(some, seed=4).maps, blank=make_blank(some, seed=5).maps, settings=QUICK
        ).elements.set_index("element")
        assert table.loc["Zn", "verdict"] == "with_alloy", counts
        assert table.loc["Cu", "verdict"] == "with_alloy", counts


def test_standard_error_of_a_variance_by_hand():
    """Counts 0 and 2 in equal parts: variance 1 (n/(n-1)), noise 1, error sqrt((2 + 1)/n)."""
    n = 64 * 64
    board = 2.0 * (np.indices((64, 64)).sum(axis=0) % 2)
    striped = 4.0 * (np.indices((64, 64))[1] % 4 == 0)  # 0 and 4: mean 1, variance 3
    maps = make_map_set(np.stack([board, striped]), ["Cu", "Zn"])
    # Not Poisson, so the noise is stated: one count squared a pixel, as counting would have it.
    moments = replace(block_moments(maps, block_px=16, noise=np.eye(2)), noise_source="counting")
    assert variation_z(moments, "Cu") == pytest.approx(0.0, abs=0.05)
    assert variation_z(moments, "Zn") == pytest.approx(2.0 / np.sqrt(3.0 / n), rel=0.01)
    normal = replace(moments, noise_source="given")  # no fourth cumulant
    assert variation_z(normal, "Zn") == pytest.approx(2.0 / np.sqrt(2.0 / n), rel=0.01)
    assert variation_z(None, "Zn") == 0.0
    pattern = own_pattern(moments, "Zn", Roles((), (), ("Cu", "Zn")), settings=QUICK)
    assert pattern.z == pytest.approx(2.0 / np.sqrt(3.0 / n), rel=0.01)
    assert pattern.contrast == pytest.approx(np.sqrt(2.0), rel=0.01)


def test_a_pattern_that_the_glass_shares_is_not_its_own():
    rng = np.random.default_rng(1)
    field = 1.0 + 0.9 * np.sin(np.arange(96) / 6.0)[None, :] * np.ones((96, 1))
    other = 1.0 + 0.9 * np.sin(np.arange(96) / 6.0)[:, None] * np.ones((1, 96))
    rates = np.stack([8.0 * field, 8.0 * field, 8.0 * other, np.full((96, 96), 8.0)])
    maps = make_map_set(rng.poisson(rates), ["Si", "Na", "Zn", "Cu"])
    moments = block_moments(maps, block_px=16)
    roles = Roles(("Cu",), ("Si",), ("Na", "Zn"))
    shared = own_pattern(moments, "Na", roles, settings=QUICK)
    apart = own_pattern(moments, "Zn", roles, settings=QUICK)
    assert shared.contrast < 0.2
    assert apart.contrast == pytest.approx(other.std() / other.mean(), rel=0.05)
    assert apart.z > 20
    # What leaks of the other elements may bring is taken off.
    leaked = own_pattern(moments, "Zn", roles, borrowed={"Si": 1.0}, settings=QUICK)
    assert leaked.contrast < 0.2


def test_an_absent_element_in_the_shadowed_gaps_of_a_closed_film():
    """Blurred metal and haze darken the last gaps, which would scale the blank far too low."""
    spec = Deposit(
        shape=(160, 160),
        droplets=Droplets(
            d50_px=10.0, coverage=0.93, thickness_um=0.8, profile="cap", placement="free"
        ),
        haze=Haze(thickness_um=0.05), blur_px=2.5, extra_elements=("Co",), counts_per_pixel=3.0,
        electron_image=False,
    )  # fmt: skip
    scene, plate = make_deposit(spec, seed=1), make_blank(spec, seed=1 + 10**6)
    table = analyse(scene.maps, blank=plate.maps, settings=QUICK).elements.set_index("element")
    assert table.loc["Co", "verdict"] == "not_detected"
    assert table.loc["Cu", "verdict"] == "with_alloy"
    assert "too little to scale the blank by" in table.loc["Co", "reasons"]


@pytest.mark.parametrize("blank", [True, False])
def test_a_film_of_its_own_is_not_with_an_alloy_that_is_not_there(blank):
    spec = Deposit(
        shape=(160, 160), droplets=Droplets(d50_px=8.0, coverage=0.002),
        layers=(Layer("Pb", "patchy", counts=0.3),), counts_per_pixel=0.3, electron_image=False,
    )  # fmt: skip
    plate = make_blank(spec, seed=10**6).maps if blank else None
    for settings in (QUICK, QUICK.with_changes(alloy=("Cu", "Zn"))):
        table = analyse(make_deposit(spec, seed=3).maps, blank=plate, settings=settings).elements
        words = table.set_index("element")["verdict"]
        assert words["Pb"] in ("foreign", "undecided")
        assert words["Cu"] in ("not_detected", "undecided")


@pytest.mark.parametrize("blank", [True, False])
def test_a_constituent_of_the_glass_that_nobody_stated(blank):
    glass = {element: SODA_LIME[element] for element in ("O", "Si", "Na", "Ca", "Al")}
    spec = Deposit(
        shape=(192, 192), substrate=glass, droplets=Droplets(d50_px=14.0, coverage=0.2),
        extra_elements=("Fe",), counts_per_pixel=1.5, electron_image=False,
    )  # fmt: skip
    plate = make_blank(spec, seed=8).maps if blank else None
    stated = QUICK.with_changes(substrate=("O", "Si", "Na", "Ca"))
    table = analyse(make_deposit(spec, seed=7).maps, blank=plate, settings=stated).elements
    words = table.set_index("element")["verdict"]
    assert words["Al"] == "substrate"
    assert words["Fe"] == "not_detected"


def test_smallest_droplet_whose_composition_can_be_trusted():
    """Copper at 20 keV: 0.0276 x 63.55 x 20^1.67 / (29^0.89 x 8.96) = 1.45 um."""
    maps = make_map_set(
        np.ones((2, 8, 8)), ["Cu", "Si"], lines=["Cu Ka", "Si Ka"], beam_energy_keV=20.0,
        alloy={"Cu": 100.0}, pixel_size_um=0.1,
    )  # fmt: skip
    limit = composition_limit(maps, ("Cu",))
    assert limit.smallest_um == pytest.approx(1.45, abs=0.01)
    # Anderson and Hasler: 0.064 (20^1.68 - 8.979^1.68) / 8.96 = 0.81 um.
    assert list(limit.line_ranges_um.values()) == [pytest.approx(0.81, abs=0.01)]
    assert limit.notes([1.5, 2.0]) == ()
    assert limit.notes([1.4, 2.0])[0].startswith("1 of 2 outlines is narrower than 1.5 µm")
    assert composition_limit(maps.assign_attrs(beam_energy_keV=None), ("Cu",)) is None
    assert composition_limit(maps, ()) is None
    assert composition_limit(maps, ("Zn",)) is None  # not mapped


def test_k_factors_take_the_place_of_calculated_sensitivities(tmp_path):
    given = {"Cu": 1.0, "Zn": 1.05, "Sn": 1.6}
    settings = Settings(k_factors=given)
    (tmp_path / "settings.toml").write_text(settings.to_toml(), encoding="utf-8")
    assert Settings.from_toml(tmp_path / "settings.toml") == settings
    assert settings.to_dict()["k_factors"] == given
    assert hash(settings) == hash(Settings())
    for wrong in ({"Cu": 1.0}, {"Cu": 1.0, "Zn": 0.0}, {"Cu": 1.0, "Xx": 1.0}, 3.0):
        with pytest.raises(InputError, match="k_factors"):
            Settings(k_factors=wrong)


def test_a_tin_film_is_foreign_by_given_k_factors_that_leave_less_doubt():
    spec = Deposit(
        shape=(128, 128), layers=(Layer("Sn", "between", counts=0.06),), counts_per_pixel=8.0,
        electron_image=False,
    )  # fmt: skip
    maps, plate = make_deposit(spec, seed=3).maps, make_blank(spec, seed=4).maps
    ratios = []
    for factors in (None, {"Cu": 1.0, "Zn": 1.05, "Sn": 1.6}):
        settings = QUICK.with_changes(k_factors=factors)
        rows = analyse(maps, blank=plate, settings=settings).elements.set_index("element")
        said = rows.loc["Sn", "reasons"].split("tolerance included: ")[1]
        ratios.append(float(said.split()[0]))
    assert ratios[0] != ratios[1]

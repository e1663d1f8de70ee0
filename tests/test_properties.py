"""The whole chain under changes whose effect is known: nothing else may change.

Each test analyses a made field twice, once as it is and once turned, mirrored, reordered, rescaled,
framed, split or thinned. What must be equal is compared exactly; where counting noise differs, the
intervals must meet. Two examples each keep the default run short; set ``SPATTERMAP_EXAMPLES=25``
for a thorough one.
"""

import functools
import os

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from spattermap.analysis import analyse
from spattermap.core.mapset import facts, make_map_set
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.synthesis import Deposit, Droplets, Haze, Layer, Streaks, make_deposit
from spattermap.verdict.pairs import pair_table

QUICK = Settings(n_resamples=200, level=0.99)
FEW = settings(
    max_examples=int(os.environ.get("SPATTERMAP_EXAMPLES", "2")),
    deadline=None, derandomize=True, database=None,
    phases=[Phase.explicit, Phase.generate],  # seeds and widths are as small as they can be told
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)  # fmt: skip
SEEDS = st.integers(0, 3)

SPEC = Deposit(
    shape=(144, 192),
    droplets=Droplets(d50_px=13.0, sigma_g=1.35, coverage=0.2),
    streaks=Streaks(number=3, length_px=60.0, width_px=7.0, direction_deg=25.0, spread_deg=4.0),
    haze=Haze(thickness_um=0.006),
    layers=(Layer("Zn", "between", share=0.5),),
    counts_per_pixel=6.0,
    blur_px=0.8,
    electron_image=False,
)


@functools.cache
def scene(seed):
    return make_deposit(SPEC, seed=seed).maps


@functools.cache
def analysed(seed):
    return analyse(scene(seed), settings=QUICK)


def rebuilt(maps, counts, *, pixel_size_um=None, order=None, valid=None):
    """Return the map set with other counts and, if given, other facts."""
    known = facts(maps)
    names = [str(name) for name in maps.element.values]
    lines = [str(line) for line in maps.line.values]
    order = list(range(len(names))) if order is None else list(order)
    return make_map_set(
        np.ascontiguousarray(counts)[order],
        [names[i] for i in order],
        lines=[lines[i] for i in order],
        pixel_size_um=pixel_size_um or known.pixel_size,
        beam_energy_keV=known.beam_energy_keV,
        alloy=known.alloy,
        substrate=known.substrate,
        valid=valid,
    )


def verdicts(analysis):
    return dict(zip(analysis.elements["element"], analysis.elements["verdict"], strict=True))


def meet(low_a, high_a, low_b, high_b):
    return low_a <= high_b and low_b <= high_a


def assert_same_deposit(first, second, *, relative=0.01):
    """Compare what does not depend on where things lie."""
    one, two = first.summary(), second.summary()
    assert two["coverage"] == pytest.approx(one["coverage"], rel=relative)
    assert two["droplet_count"] == pytest.approx(one["droplet_count"], rel=0.05, abs=1)
    assert two["d50_um"] == pytest.approx(one["d50_um"], rel=0.02)
    assert verdicts(second) == verdicts(first)


@FEW
@given(seed=SEEDS, turns=st.integers(1, 3))
def test_rotation_by_quarter_turns(seed, turns):
    first, maps = analysed(seed), scene(seed)
    second = analyse(rebuilt(maps, np.rot90(maps.counts.values, turns, (1, 2))), settings=QUICK)
    assert_same_deposit(first, second)
    turned = np.rot90(first.labels.values > 0, turns)
    both = second.labels.values > 0
    assert (turned & both).sum() / (turned | both).sum() > 0.98
    if turns % 2:
        one, two = first.summary(), second.summary()
        for name in ("connected", "sheet_conductance_ratio"):
            assert two[f"{name}_x"] == pytest.approx(one[f"{name}_y"], rel=0.03, abs=1e-6)
            assert two[f"{name}_y"] == pytest.approx(one[f"{name}_x"], rel=0.03, abs=1e-6)


@FEW
@given(seed=SEEDS, turns=st.integers(1, 3))
def test_angles_turn_with_the_picture(seed, turns):
    first, maps = analysed(seed), scene(seed)
    second = analyse(rebuilt(maps, np.rot90(maps.counts.values, turns, (1, 2))), settings=QUICK)
    # numpy turns counter-clockwise on the picture, as angles are counted.
    assert_angles(first, second, lambda angle: angle + 90.0 * turns)


@FEW
@given(seed=SEEDS, axis=st.sampled_from([1, 2]))
def test_mirror(seed, axis):
    first, maps = analysed(seed), scene(seed)
    second = analyse(rebuilt(maps, np.flip(maps.counts.values, axis)), settings=QUICK)
    assert_same_deposit(first, second)


@FEW
@given(seed=SEEDS, axis=st.sampled_from([1, 2]))
def test_angles_in_the_mirror(seed, axis):
    first, maps = analysed(seed), scene(seed)
    second = analyse(rebuilt(maps, np.flip(maps.counts.values, axis)), settings=QUICK)
    assert_angles(first, second, lambda angle: -angle if axis == 1 else 180.0 - angle)


def assert_angles(first, second, expected):
    """Compare the streaks' angles, each with the nearest in the other table."""
    assert len(second.streaks) == len(first.streaks)
    for angle, directed in zip(first.streaks["angle_deg"], first.streaks["directed"], strict=True):
        period = 360.0 if directed else 180.0
        others = second.streaks.loc[second.streaks["directed"] == directed, "angle_deg"]
        apart = np.abs((others - expected(angle) + period / 2) % period - period / 2)
        assert apart.min() < 2.0


@FEW
@given(seed=SEEDS, order=st.permutations(range(4)))
def test_order_of_the_elements_does_not_matter(seed, order):
    first, maps = analysed(seed), scene(seed)
    second = analyse(rebuilt(maps, maps.counts.values, order=order), settings=QUICK)
    np.testing.assert_array_equal(second.labels.values, first.labels.values)
    assert verdicts(second) == verdicts(first)
    one = first.elements.set_index("element")
    two = second.elements.set_index("element").loc[one.index]
    for column in ("mean_counts", "share_in_droplets", "share_with_alloy", "r_alloy"):
        np.testing.assert_allclose(two[column], one[column], rtol=1e-9, equal_nan=True)


@FEW
@given(seed=SEEDS, factor=st.sampled_from([0.01, 0.5, 3.0, 40.0]))
def test_lengths_scale_with_the_pixel_and_nothing_else_does(seed, factor):
    first, maps = analysed(seed), scene(seed)
    size = facts(maps).pixel_size * factor
    second = analyse(rebuilt(maps, maps.counts.values, pixel_size_um=size), settings=QUICK)
    np.testing.assert_array_equal(second.labels.values, first.labels.values)
    for name in ("diameter_um", "widest_um", "perimeter_um", "x_um"):
        np.testing.assert_allclose(second.droplets[name], factor * first.droplets[name], rtol=1e-9)
    np.testing.assert_allclose(
        second.droplets["area_um2"], factor**2 * first.droplets["area_um2"], rtol=1e-9
    )
    for name in ("circularity", "aspect_ratio", "Cu_counts"):
        np.testing.assert_allclose(second.droplets[name], first.droplets[name], rtol=1e-9)
    one, two = first.summary(), second.summary()
    for name in ("d10_um", "d50_um", "d90_um", "smallest_trusted_um"):
        assert two[name] == pytest.approx(factor * one[name], rel=1e-9)
    for name in ("coverage", "coverage_low", "share_droplets", "sheet_conductance_ratio_x"):
        assert two[name] == pytest.approx(one[name], rel=1e-9)


@FEW
@given(seed=SEEDS, width=st.integers(8, 40))
def test_masked_frame_changes_nothing(seed, width):
    first, maps = analysed(seed), scene(seed)
    frame = ((0, 0), (width, width), (width, width))
    counts = np.pad(maps.counts.values, frame)
    valid = np.pad(np.ones(SPEC.shape, bool), width)
    second = analyse(rebuilt(maps, counts, valid=valid), settings=QUICK)
    assert_same_deposit(first, second, relative=0.02)
    assert not second.labels.values[~valid].any()


@FEW
@given(seed=SEEDS, width=st.integers(8, 30))
def test_empty_frame_dilutes_the_coverage_and_keeps_the_droplets(seed, width):
    first, maps = analysed(seed), scene(seed)
    bare = first.labels.values == 0
    rates = [plane[bare].mean() for plane in maps.counts.values]
    shape = tuple(side + 2 * width for side in SPEC.shape)
    draw = np.random.default_rng(seed)
    counts = np.stack([draw.poisson(rate, shape) for rate in rates])
    counts[:, width:-width, width:-width] = maps.counts.values
    second = analyse(rebuilt(maps, counts), settings=QUICK)
    one, two = first.summary(), second.summary()
    dilution = bare.size / (shape[0] * shape[1])
    assert two["coverage"] == pytest.approx(one["coverage"] * dilution, rel=0.03)
    # Slivers at the old border lose the mirror image that made them up; whole droplets stay.
    whole = first.droplets[~first.droplets["touches_border"]]
    shift = width * facts(maps).pixel_size
    kept = 0
    for row in whole.itertuples():
        apart = np.hypot(
            second.droplets["x_um"] - shift - row.x_um, second.droplets["y_um"] - shift - row.y_um
        )
        nearest = second.droplets.loc[apart.idxmin()]
        near = apart.min() < 0.2 * row.diameter_um
        kept += near and abs(nearest["diameter_um"] / row.diameter_um - 1) < 0.1
    assert kept >= 0.95 * len(whole)


@FEW
@given(seed=SEEDS, cut=st.integers(60, 130))
def test_two_halves_combine_to_the_whole(seed, cut):
    first, maps = analysed(seed), scene(seed)
    labels, n = first.labels.values, first.segmentation.n_droplets
    halves = [
        block_moments(
            maps.isel(x=part), block_px=24, labels=labels[:, part], n_droplets=n
        )
        for part in (slice(0, cut), slice(cut, None))
    ]  # fmt: skip
    both = halves[0].merge(halves[1], same_field=True)
    whole = block_moments(maps, block_px=24, labels=labels, n_droplets=n)
    np.testing.assert_allclose(both.s1.sum(axis=0), whole.s1.sum(axis=0), rtol=1e-12)
    np.testing.assert_allclose(both.class_s1.sum(axis=0), whole.class_s1.sum(axis=0), rtol=1e-12)
    np.testing.assert_allclose(both.covariance(), whole.covariance(), rtol=1e-9, atol=1e-12)
    one = pair_table(whole, roles=first.roles, settings=QUICK)
    two = pair_table(both, roles=first.roles, settings=QUICK)
    np.testing.assert_allclose(two["r"], one["r"], rtol=1e-9)
    assert all(
        meet(a.r_low, a.r_high, b.r_low, b.r_high)
        for a, b in zip(one.itertuples(), two.itertuples(), strict=True)
    )


@FEW
@given(seed=SEEDS, kept=st.sampled_from([0.25, 0.5]))
def test_thinning_the_counts_widens_and_does_not_shift(seed, kept):
    first, maps = analysed(seed), scene(seed)
    thinned = np.random.default_rng(seed).binomial(maps.counts.values.astype(np.int64), kept)
    second = analyse(rebuilt(maps, thinned), settings=QUICK)
    one, two = first.summary(), second.summary()
    for name in ("coverage", "d50_um"):
        assert meet(
            one[f"{name}_low"], one[f"{name}_high"], two[f"{name}_low"], two[f"{name}_high"]
        )
    a, b = first.pairs, second.pairs
    assert list(zip(a["element_a"], a["element_b"], strict=True)) == list(
        zip(b["element_a"], b["element_b"], strict=True)
    )
    for x, y in zip(a.itertuples(), b.itertuples(), strict=True):
        assert meet(x.r_low, x.r_high, y.r_low, y.r_high), (x.element_a, x.element_b)
    # The plain correlation is the one that sinks with the counts.
    assert np.abs(b["r_plain"]).sum() < np.abs(a["r_plain"]).sum()
    confident = {"with_alloy", "separated", "foreign", "substrate", "partly_separated"}
    for element, word in verdicts(second).items():
        if word in confident and verdicts(first)[element] in confident:
            assert word == verdicts(first)[element], element

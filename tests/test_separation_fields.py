"""Several fields of one deposit: sums add, differences are flagged."""

import numpy as np
import pandas as pd
import pytest

from spattermap.core.errors import InputError
from spattermap.core.mapset import Roles
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.segment.result import Segmentation
from spattermap.synthesis import Deposit, Layer, make_blank, make_deposit
from spattermap.verdict.gather import gather
from spattermap.verdict.judging import join_fields, judge_fields

KEPT = Deposit(shape=(128, 128), counts_per_pixel=4.0, electron_image=False)
APART = KEPT.with_changes(layers=(Layer("Zn", "between", share=0.6),))
ROLES = Roles(("Cu", "Zn"), ("Si", "O"), how="stated")
PLATE = make_blank(KEPT, seed=99).maps


def field(spec, seed, *, roles=ROLES):
    scene = make_deposit(spec, seed=seed)
    labels, n = scene.labels, scene.truth["droplet_count"]
    division = Segmentation(
        labels=labels, n_droplets=n, n_streaks=0, metal=labels > 0,
        log_odds=np.zeros(labels.shape, np.float32), metal_means={}, bare_means={},
        information=1.0, blur_px=1.0, smallest_trusted_px=2.0, confidence=np.ones(n),
        streaks=pd.DataFrame(),
    )  # fmt: skip
    moments = block_moments(scene.maps, labels=labels, n_droplets=n)
    settings = Settings(n_resamples=200)
    return gather(scene.maps, moments, roles, division, blank=PLATE, settings=settings)


def test_sums_of_fields_add():
    one, two = field(KEPT, 1), field(KEPT, 2)
    joined = join_fields([one, two])
    assert joined.sums.s.sum() == one.sums.s.sum() + two.sums.s.sum()
    assert joined.moments.n_fields == 2
    assert len(joined.fields) == 2
    level = (
        one.levels.bare[0] * one.sums.n[:, 0].sum() + two.levels.bare[0] * two.sums.n[:, 0].sum()
    )
    assert joined.levels.bare[0] == pytest.approx(level / joined.sums.n[:, 0].sum(), rel=1e-12)


def test_fields_that_agree():
    table = judge_fields([field(KEPT, 1), field(KEPT, 2)]).set_index("element")
    assert table.loc["Zn", "verdict"] == "with_alloy"
    assert table.loc["Zn", "n_fields"] == 2
    assert not table["fields_disagree"].any()


def test_fields_that_disagree_are_flagged():
    table = judge_fields([field(KEPT, 1), field(APART, 2)]).set_index("element")
    assert table.loc["Zn", "field_verdicts"] == "with_alloy, partly_separated"
    assert table.loc["Zn", "fields_disagree"]
    assert "The fields disagree" in table.loc["Zn", "reasons"]


def test_fields_that_do_not_belong_together():
    other = Roles(("Zn",), ("Si", "O"), ("Cu",), how="stated")
    with pytest.raises(InputError, match="share elements and roles"):
        join_fields([field(KEPT, 1), field(KEPT, 1, roles=other)])
    with pytest.raises(InputError, match="got none"):
        join_fields([])

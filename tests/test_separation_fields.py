"""Several fields of one deposit: sums add, differences are flagged."""

from functools import cache

from divided_by_hand import divided
from spattermap.core.mapset import Roles
from spattermap.core.settings import Settings
from spattermap.noise.moments import block_moments
from spattermap.synthesis import Deposit, Layer, make_blank, make_deposit
from spattermap.verdict.gather import gather

KEPT = Deposit(shape=(128, 128), counts_per_pixel=4.0, electron_image=False)
APART = KEPT.with_changes(layers=(Layer("Zn", "between", share=0.6),))
ROLES = Roles(("Cu", "Zn"), ("Si", "O"), how="stated")


@cache
def plate():
    return make_blank(KEPT, seed=99).maps


def field(spec, seed, *, roles=ROLES):
    scene = make_deposit(spec, seed=seed)
    labels, n = scene.labels, scene.truth["droplet_count"]
    division = divided(labels, n, n_streaks=0)
    moments = block_moments(scene.maps, labels=labels, n_droplets=n)
    settings = Settings(n_resamples=200)
    return gather(scene.maps, moments, roles, division, blank=plate(), settings=settings)

"""Roles of the elements where nobody stated them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spattermap.colocation.correlation import variance_floor, without_noise
from spattermap.roles import GLASS_FORMERS, Roles

if TYPE_CHECKING:
    from spattermap.moments import BlockMoments

# Elements less correlated than this with the rest of the leading component stay "other".
LEAST_CORRELATION = 0.3


def infer_roles(moments: BlockMoments, *, substrate: tuple[str, ...] | None = None) -> Roles:
    """Guess which elements are alloy and which substrate from the sign of how they vary together.

    Parameters
    ----------
    moments : BlockMoments
        Block moments of a map set.
    substrate : tuple of str, optional
        Elements stated to be of the substrate; they take the place of the usual glass formers.

    Returns
    -------
    Roles
        With ``assumed = True`` and a sentence on how they were found.

    Notes
    -----
    Metal hides the substrate, so the two rise and fall against each other. The leading
    eigenvector of the noise-corrected correlation matrix parts the elements by sign; the side
    holding more of the usual glass formers is called the substrate. A rock, or two metals that
    exclude each other, would be parted just so: hence "assumed".
    """
    glass = tuple(substrate or GLASS_FORMERS)
    said = "the stated substrate" if substrate else "the usual glass formers"
    sides, leads = _sides(moments)
    strong = np.abs(sides) >= LEAST_CORRELATION
    former = np.array([e in glass for e in moments.elements])
    if not leads or not strong.any():
        return _by_glass_formers(moments.elements, former, said)
    tally = float((sides * former * strong).sum())
    substrate_side = 1.0 if tally > 0 else -1.0
    in_substrate = strong & (np.sign(sides) == substrate_side) if tally else np.zeros_like(strong)
    in_alloy = strong & ~in_substrate & ~former
    if not in_alloy.any():
        return _by_glass_formers(moments.elements, former, said)
    in_substrate &= former
    return _roles(
        moments.elements,
        in_alloy,
        in_substrate,
        f"assumed from the maps: elements that rise and fall against {said}",
    )


def _sides(moments: BlockMoments) -> tuple[np.ndarray, bool]:
    """Return each element's correlation with the rest of the leading component."""
    totals = moments.totals()
    if np.isnan(totals.noise).any():
        totals = without_noise(totals)
    _, floor = variance_floor(totals)
    covariance = totals.resampled(np.ones((1, moments.n_blocks)))[1][0]
    plain = moments.covariance(corrected=False).diagonal()
    variance = covariance.diagonal()
    varies = variance > np.maximum(floor, 0)
    scale = np.where(varies, np.sqrt(np.maximum(variance, 1e-300)), np.inf)
    r = np.clip(covariance / scale[:, None] / scale[None, :], -1, 1)
    # Weights by how much of the variance is material keep noisy maps from leading.
    trust = np.where(varies, np.sqrt(np.maximum(variance, 0) / np.maximum(plain, 1e-300)), 0.0)
    values, vectors = np.linalg.eigh(r * trust[:, None] * trust[None, :])
    weight = vectors[:, -1] * trust
    # Leave-one-out, so that no element stands on a side only because it agrees with itself.
    rest = np.where(np.eye(r.shape[0]) > 0, 0.0, weight[None, :])
    spread = np.einsum("ef,fg,eg->e", rest, r, rest)
    with np.errstate(divide="ignore", invalid="ignore"):
        sides = np.where(spread > 0, (rest * r).sum(axis=1) / np.sqrt(spread), 0.0)
    return np.where(varies, sides, 0.0), bool(values[-1] > 0)


def _by_glass_formers(elements: tuple[str, ...], former: np.ndarray, said: str) -> Roles:
    return _roles(
        elements,
        ~former,
        former,
        f"assumed from {said} alone: the maps show no two sides",
    )


def _roles(elements: tuple[str, ...], alloy: np.ndarray, substrate: np.ndarray, how: str) -> Roles:
    def pick(mask: np.ndarray) -> tuple[str, ...]:
        return tuple(e for e, chosen in zip(elements, mask, strict=True) if chosen)

    return Roles(pick(alloy), pick(substrate), pick(~(alloy | substrate)), assumed=True, how=how)

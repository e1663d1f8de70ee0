"""Roles of the elements where nobody stated them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spattermap.roles import GLASS_FORMERS, Roles

if TYPE_CHECKING:
    from spattermap.moments import BlockMoments

# Elements whose loading on the leading component is below this part of the largest stay "other".
LEAST_LOADING = 0.25


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
    covariance = moments.covariance()
    if np.isnan(covariance).any():
        covariance = moments.covariance(corrected=False)
    plain = moments.covariance(corrected=False)
    variance = np.diag(covariance)
    # Material variance below a hundredth of the plain one is not told from zero.
    varies = variance > 0.01 * np.diag(plain)
    scale = np.where(varies, np.sqrt(np.maximum(variance, 1e-300)), np.inf)
    r = np.clip(covariance / scale[:, None] / scale[None, :], -1, 1)
    # Weights by how much of the variance is material keep noisy maps from leading.
    material = np.maximum(variance, 0) / np.maximum(np.diag(plain), 1e-300)
    trust = np.where(varies, np.sqrt(material), 0.0)
    values, vectors = np.linalg.eigh(r * trust[:, None] * trust[None, :])
    lead = vectors[:, -1]
    strong = varies & (np.abs(lead) >= LEAST_LOADING * np.abs(lead).max())
    former = np.array([e in glass for e in moments.elements])
    if values[-1] <= 0 or not strong.any():
        return _by_glass_formers(moments.elements, former, said)
    side = np.sign(lead)
    tally = float((np.abs(lead) * former * strong * side).sum())
    substrate_side = 1.0 if tally > 0 else -1.0
    in_substrate = strong & (side == substrate_side) if tally else np.zeros_like(strong)
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

"""What is true of a made deposit, in the words and units of the results it is compared with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from spattermap.core.arrays import Array, Floats, Labels, Singles

if TYPE_CHECKING:
    from spattermap.synthesis.spec import Deposit


# A layer that holds at least this part of an element makes it "separated": what is left in the
# droplets is less than the words "fails to overlap" allow. Below, it is "partly_separated".
_WHOLE = 0.9
_NOTHING = 0.05
_UNITS = ("_px", "_um")


@dataclass(frozen=True)
class NetSignal:
    """Mean counts before blur, leak and background, by where the material lies."""

    # (y, x): from droplets and streaks; from haze and layers; from the glass
    features: dict[str, Array]
    between: dict[str, Array]
    substrate: dict[str, Array]
    background: dict[str, Array]  # (y, x): continuum in each window


def tell_truth(
    spec: Deposit,
    rows: list[dict[str, Any]],
    *,
    labels: Labels,
    owner: Labels,
    net: NetSignal,
    means: Singles,
) -> dict[str, Any]:
    """Return what the analysis ought to find.

    Dims: `labels` (y, x), `owner` (y, x), `means` (element, y, x).
    """
    droplets = [row for row in rows if row["kind"] == "droplet"]
    streaks = [row for row in rows if row["kind"] == "streak"]
    where = _Places(labels, owner, len(droplets))
    truth: dict[str, Any] = {
        "coverage": float(np.count_nonzero(labels)) / labels.size,
        "droplet_count": len(droplets),
        "streak_count": len(streaks),
        **_sizes(spec, droplets),
        **_metal_shares(spec, net, where),
        "elements": {e: _element(e, net, where) for e in spec.elements},
        "verdicts": {e: intended_verdict(spec, e) for e in spec.elements},
        "verdicts_allowed": {e: [intended_verdict(spec, e)] for e in spec.elements},
        "r": _correlations(spec, means),
        "droplets": [_in_um(row, spec.pixel_size_um) for row in _with_area(droplets, labels)],
        "streaks": [_in_um(row, spec.pixel_size_um) for row in _with_area(streaks, labels)],
        "mean_maps": means,
    }
    return truth


def _sizes(spec: Deposit, droplets: list[dict[str, Any]]) -> dict[str, float | None]:
    height, width = spec.shape
    counted = np.sort([
        row["diameter_px"] for row in droplets
        if 0 <= row["y_px"] < height and 0 <= row["x_px"] < width
    ])  # fmt: skip
    names = ("d10_px", "d50_px", "d90_px", "area_d50_px")
    if counted.size == 0:
        none: dict[str, float | None] = {n.replace("_px", u): None for n in names for u in _UNITS}
        return none
    by_area = np.cumsum(counted**2)
    values = [
        *np.quantile(counted, [0.1, 0.5, 0.9]),
        counted[np.searchsorted(by_area, by_area[-1] / 2)],
    ]
    sizes: dict[str, float | None] = {}
    for name, value in zip(names, values, strict=True):
        sizes[name] = float(value)
        sizes[name.replace("_px", "_um")] = float(value) * spec.pixel_size_um
    return sizes


@dataclass(frozen=True)
class _Places:
    """Sums by where the material lies; a droplet's rim pixels hold the droplet's material."""

    labels: Labels
    owner: Labels
    n_droplets: int

    def sums(self, element: str, net: NetSignal) -> Floats:
        """Return the deposited counts in droplets, in streaks and in the rest."""
        return self._sum(self.owner, net.features[element]) + self._sum(
            self.labels, net.between[element]
        )

    def _sum(self, regions: Labels, signal: Array) -> Floats:
        kind = np.where(regions == 0, 2, np.where(regions <= self.n_droplets, 0, 1))
        weights = signal.ravel().astype(np.float64)
        return np.bincount(kind.ravel(), weights=weights, minlength=3).astype(np.float64)


def _metal_shares(spec: Deposit, net: NetSignal, where: _Places) -> dict[str, float]:
    """Return how the signal of all alloy elements divides between droplets, streaks and haze."""
    sums = np.sum([where.sums(element, net) for element in spec.alloy], axis=0)
    names = ("share_droplets", "share_streaks", "share_haze")
    total = float(sums.sum())
    return {n: float(v) / total if total > 0 else 0.0 for n, v in zip(names, sums, strict=True)}


def _element(element: str, net: NetSignal, where: _Places) -> dict[str, float | None]:
    sums = where.sums(element, net)
    total, pixels = float(sums.sum()), where.labels.size
    droplets, streaks, rest = (float(v) / total if total > 0 else None for v in sums)
    return {
        "deposited_counts": total / pixels,
        "substrate_counts": float(net.substrate[element].sum()) / pixels,
        "background_counts": float(net.background[element].sum()) / pixels,
        "share_in_droplets": droplets,
        "share_in_streaks": streaks,
        "share_in_haze": rest,
    }


def intended_verdict(spec: Deposit, element: str) -> str:
    """Return the word of the verdict table that is physically true of an element."""
    layers = [layer for layer in spec.layers if layer.element == element]
    if any(layer.counts is not None for layer in layers):
        return "foreign"
    share = sum(layer.share or 0.0 for layer in layers)
    bare = not (spec.droplets.coverage or spec.streaks.number or spec.haze.thickness_um)
    if element in spec.alloy and not bare:
        if share >= _WHOLE:
            return "separated"
        return "partly_separated" if share > _NOTHING else "with_alloy"
    return "substrate" if element in spec.substrate else "not_detected"


def _correlations(spec: Deposit, means: Singles) -> dict[str, dict[str, float]]:
    flat = means.reshape(len(spec.elements), -1).astype(float)
    flat = flat - flat.mean(axis=1, keepdims=True)
    size = np.sqrt((flat**2).sum(axis=1))
    size[size == 0] = np.inf  # an even map has no correlation; shown as 0 here
    r = flat @ flat.T / np.outer(size, size)
    return {
        a: {b: float(r[i, j]) for j, b in enumerate(spec.elements)}
        for i, a in enumerate(spec.elements)
    }


def _with_area(rows: list[dict[str, Any]], labels: Labels) -> list[dict[str, Any]]:
    """Add the visible area and whether the border cuts the shape."""
    area = np.bincount(labels.ravel(), minlength=1)
    border = set(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]).tolist())
    return [
        {**row, "area_px2": int(area[row["label"]]), "touches_border": row["label"] in border}
        for row in rows
    ]


def _in_um(row: dict[str, Any], pixel_size_um: float) -> dict[str, Any]:
    """Add every length in um beside the one in px."""
    lengths = {
        name.replace("_px", "_um"): value * pixel_size_um
        for name, value in row.items()
        if name.endswith("_px")
    }
    return {**row, **lengths, "area_um2": row["area_px2"] * pixel_size_um**2}

"""What the tests read: the planes of a map set and the small sums that are made of them once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from spattermap.core.arrays import Array, Bools
from spattermap.core.mapset import Facts, facts, noise_is_known, valid_mask
from spattermap.core.squares import Boxes, whole_squares

if TYPE_CHECKING:
    import numpy.typing as npt

    from spattermap.core.mapset import Roles


# The finest scale is looked at in a window of this side (px): enough for one per cent.
FINE_PX = 512
LEAST_FINE = 400  # pixels that scale needs
# Below this share of the pixels a map counts as empty beside others.
EMPTY = 1e-12


@dataclass(frozen=True)
class Observed:
    """A map set as the tests see it."""

    elements: tuple[str, ...]  # the maps
    planes: Array  # values; zero where not valid; dims (element, y, x)
    valid: Bools  # pixels to use; dims (y, x)
    signs: npt.NDArray[np.int8]  # +1 alloy, -1 substrate, 0 neither or not known; dims (element,)
    known: Facts  # what is stated
    lines: tuple[str, ...]  # line of each map, "" where not stated
    carried: bool = False  # true where the map set carries a noise variance

    @property
    def counts(self) -> bool:
        """True where the maps are said to be counts."""
        return self.known.quantity == "counts" and not self.carried

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.valid.shape[0], self.valid.shape[1]

    @cached_property
    def memo(self) -> dict[str, Any]:
        """What several tests make of these maps, by name."""
        return {}

    @cached_property
    def boxes_of_valid(self) -> Boxes | None:
        """Sums of valid pixels over boxes; None where every pixel is."""
        return None if self.valid.all() else Boxes(self.valid)

    @cached_property
    def n(self) -> int:
        """Valid pixels."""
        return int(np.count_nonzero(self.valid))

    @cached_property
    def mean(self) -> Array:
        """Mean of each map (element,)."""
        return np.asarray(self.planes.sum(axis=(1, 2), dtype=np.float64) / max(self.n, 1))

    @cached_property
    def alive(self) -> Array:
        """Maps that hold anything (element,)."""
        return np.asarray(self.mean > EMPTY)

    @cached_property
    def total(self) -> Array:
        """Sum of all maps (y, x)."""
        return np.asarray(self.planes.sum(axis=0, dtype=np.float64))

    @cached_property
    def white(self) -> Array:
        """White-noise products of every two maps (element, element), see `white_products`."""
        return white_products(self.planes, self.valid)

    @cached_property
    def gain(self) -> Array:
        """Noise variance over mean of each map: 1 for counts, else as the quiet areas show."""
        if self.counts:
            return np.ones(len(self.elements))
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.diag(self.white) / self.mean
        return np.where(np.isfinite(ratio) & (ratio > 0), ratio, 1.0)

    @cached_property
    def noise(self) -> Array:
        """Noise variance of a pixel of each map on average; infinite where it is not known."""
        found = self.mean if self.counts else np.diag(self.white)
        return np.where(np.isfinite(found) & (found > 0), found, np.inf)

    def index(self, element: str) -> int:
        """Return the place of a map."""
        return self.elements.index(element)

    def without(self, elements: tuple[str, ...]) -> Observed:
        """Return the same without some maps."""
        keep = [k for k, e in enumerate(self.elements) if e not in elements]
        if len(keep) == len(self.elements):
            return self
        return replace(
            self,
            elements=tuple(self.elements[k] for k in keep),
            planes=self.planes[keep],
            signs=self.signs[keep],
            lines=tuple(self.lines[k] for k in keep),
        )

    def masked(self, lost: Bools) -> Observed:
        """Return the same with some pixels left out."""
        if not lost.any():
            return self
        valid = self.valid & ~lost
        return replace(self, valid=valid, planes=np.where(valid, self.planes, 0))

    def with_planes(self, planes: Array) -> Observed:
        """Return the same with other values."""
        return replace(self, planes=planes)


def observe(maps: xr.Dataset, roles: Roles | None = None) -> Observed:
    """Return a map set as the tests see it; without roles, with those that it states."""
    known = facts(maps)
    names = tuple(str(e) for e in maps["element"].values)
    alloy = roles.alloy if roles else tuple(known.alloy)
    glass = roles.substrate if roles else tuple(known.substrate)
    signs = [1 if e in alloy else -1 if e in glass else 0 for e in names]
    valid = valid_mask(maps)
    planes = np.asarray(maps["counts"].values)
    if not valid.all():
        planes = np.where(valid, planes, 0)
    lines = maps["line"].values if "line" in maps.coords else [""] * len(names)
    return Observed(
        names, planes, valid, np.array(signs, np.int8), known, tuple(str(v) for v in lines),
        carried="variance" in maps and noise_is_known(maps),
    )  # fmt: skip


def white_products(planes: Array, valid: Bools) -> Array:
    """Return the mean products of the maps at the finest scale, dims (element, element).

    Dims: `planes` (element, y, x), `valid` (y, x). For independent noise a diagonal of its
    variances; structure and shared noise add to it.

    Immerkaer, Comput. Vis. Image Underst. 64 (1996) 300, eq. 1.
    """
    fine, use = fine_parts(planes, valid)
    if use is None or np.count_nonzero(use) < LEAST_FINE:
        return np.full((len(planes), len(planes)), np.nan)
    flat = fine[:, use]
    return np.asarray(flat @ flat.T / flat.shape[1], dtype=np.float64)


def fine_parts(planes: Array, valid: Bools) -> tuple[Array, Bools | None]:
    """Return the maps filtered with two second differences, over 6, and where that is whole."""
    rows, columns = (
        slice(max(0, (n - FINE_PX) // 2), max(0, (n - FINE_PX) // 2) + FINE_PX) for n in valid.shape
    )
    cut, kept = planes[:, rows, columns].astype(np.float32), valid[rows, columns]
    if min(kept.shape) < 5:
        return cut, None
    down = cut[:, :-2] - 2 * cut[:, 1:-1] + cut[:, 2:]
    fine = (down[:, :, :-2] - 2 * down[:, :, 1:-1] + down[:, :, 2:]) / 6
    use = kept[:-2] & kept[1:-1] & kept[2:]
    return fine, use[:, :-2] & use[:, 1:-1] & use[:, 2:]


def block_sums(planes: Array, valid: Bools, side: int) -> tuple[Array, Array]:
    """Return sums over square blocks and their valid pixels; what does not fill a block is left.

    Dims: `planes` (element, y, x), zero where not `valid` (y, x); returns (element, row, column)
    and (row, column) of the blocks, `side` px wide.
    """
    return whole_squares(planes, side), whole_squares(valid, side)


def covered_by_boxes(found: Bools, height: int, width: int, shape: tuple[int, int]) -> Bools:
    """Return the pixels that any of the boxes found covers."""
    out = np.zeros((shape[0] + 1, shape[1] + 1))
    rows, columns = found.shape
    marked = found.astype(np.float64)
    out[:rows, :columns] += marked
    out[height : height + rows, :columns] -= marked
    out[:rows, width : width + columns] -= marked
    out[height : height + rows, width : width + columns] += marked
    return np.asarray(np.cumsum(np.cumsum(out, axis=0), axis=1)[:-1, :-1] > 0.5)

"""The record of block sums, and what follows from it without reading a pixel again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from spattermap.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

CLASSES = ("bare", "droplet", "streak")
SUMS = ("n", "s1", "comoment", "noise", "class_n", "class_s1", "class_noise")


@dataclass(frozen=True)
class BlockMoments:
    """Additive sums over blocks of pixels.

    Parameters
    ----------
    elements : tuple of str
        The elements, in the order of every element axis.
    n : numpy.ndarray, dims (block,)
        Valid pixels.
    s1 : numpy.ndarray, dims (block, element)
        Sums, in the unit of the maps.
    comoment : numpy.ndarray, dims (block, element, element)
        Sums of products of the deviations from the block's own mean. Kept in place of raw sums
        of products because those lose every digit where a map has a large offset
        (Chan, Golub and LeVeque 1983).
    noise : numpy.ndarray, dims (block, element, element)
        Summed noise covariance; for counts its diagonal is `s1`. NaN where it is unknown.
    class_n : numpy.ndarray, dims (block, class)
        Valid pixels of each of `CLASSES`; all zero when no labels were given.
    class_s1, class_noise : numpy.ndarray, dims (block, class, element)
        Sums and summed noise variance in each class.
    block_px : int
        Side of a block (px).
    field : numpy.ndarray of int, dims (block,)
        Which field of the deposit each block came from.
    corner : numpy.ndarray of int, dims (block, 2)
        Row and column of the first pixel of each block in its field or tile.
    quantity : str
        What the maps hold.
    inflation : numpy.ndarray, dims (element,)
        Factor by which variances between blocks are too small because neighbouring blocks share
        features, see `spattermap.autocovariance.Structure.inflation`.
    length_px : float
        Correlation length of the material (px).
    noise_source : str
        How the noise is known: "counting", "carried", "estimated", "given" or "unknown".
    notes : tuple of str
        Sentences the reader of a result must see.

    References
    ----------
    Chan, Golub and LeVeque, American Statistician 37 (1983) 242, eq. 2.1.
    """

    elements: tuple[str, ...]
    n: Floats
    s1: Floats
    comoment: Floats
    noise: Floats
    class_n: Floats
    class_s1: Floats
    class_noise: Floats
    block_px: int
    field: npt.NDArray[np.int64]
    corner: npt.NDArray[np.int64]
    inflation: Floats
    quantity: str = "counts"
    length_px: float = 1.0
    noise_source: str = "counting"
    notes: tuple[str, ...] = ()

    @property
    def classes(self) -> tuple[str, ...]:
        """Names along the class axis."""
        return CLASSES

    @property
    def n_blocks(self) -> int:
        """Number of blocks."""
        return int(self.n.size)

    @property
    def n_fields(self) -> int:
        """Number of fields."""
        return int(self.field.max(initial=-1)) + 1

    @property
    def has_labels(self) -> bool:
        """True where the classes were counted."""
        return bool(self.class_n.any())

    @property
    def s2(self) -> Floats:
        """Raw sums of products (block, element, element)."""
        means = self.s1 / self.n[:, None]
        return self.comoment + self.n[:, None, None] * means[:, :, None] * means[:, None, :]

    @property
    def mean(self) -> Floats:
        """Mean of each element per valid pixel (element,)."""
        return np.asarray(self.s1.sum(axis=0) / self.n.sum())

    def index(self, element: str) -> int:
        """Return the place of an element along the element axes.

        Raises
        ------
        InputError
            If it was not mapped.
        """
        if element not in self.elements:
            raise InputError(
                f"element must be one of {', '.join(self.elements)}, got {element!r}. "
                "Name a mapped element."
            )
        return self.elements.index(element)

    def merge(self, other: BlockMoments, *, same_field: bool = False) -> BlockMoments:
        """Return the moments of both together.

        Parameters
        ----------
        other : BlockMoments
            Moments of another tile or field with the same elements.
        same_field : bool, optional
            True where both are tiles of one field. Otherwise the fields of `other` are counted on
            from those of `self`, and each keeps its own mean.

        Returns
        -------
        BlockMoments

        Raises
        ------
        InputError
            If the elements or quantities differ.
        """
        for name in ("elements", "quantity"):
            if getattr(self, name) != getattr(other, name):
                raise InputError(
                    f"other: {name} must equal {getattr(self, name)!r}, got "
                    f"{getattr(other, name)!r}. Merge fields mapped with the same lines."
                )
        joined: dict[str, Any] = {
            name: np.concatenate([getattr(self, name), getattr(other, name)])
            for name in (*SUMS, "corner")
        }
        shift = 0 if same_field else self.n_fields
        sources = {self.noise_source, other.noise_source}
        return replace(
            self,
            **joined,
            field=np.concatenate([self.field, other.field + shift]),
            block_px=max(self.block_px, other.block_px),
            inflation=np.maximum(self.inflation, other.inflation),
            length_px=max(self.length_px, other.length_px),
            noise_source=sources.pop() if len(sources) == 1 else "mixed",
            notes=tuple(dict.fromkeys((*self.notes, *other.notes))),
        )

    def select_field(self, index: int) -> BlockMoments:
        """Return the moments of one field alone (field index from 0)."""
        keep = self.field == index
        cut: dict[str, Any] = {name: getattr(self, name)[keep] for name in (*SUMS, "corner")}
        return replace(self, **cut, field=np.zeros(int(keep.sum()), dtype=np.int64))

    def coarsened(self, most: int) -> BlockMoments:
        """Return the same sums in fewer, larger blocks where there are too many.

        Parameters
        ----------
        most : int
            Largest number of blocks wished.

        Returns
        -------
        BlockMoments
            Neighbouring blocks of a field added together; `self` if there are few enough.
        """
        if self.n_blocks <= most:
            return self
        side = self.block_px * int(np.ceil(np.sqrt(self.n_blocks / most)))
        place = np.column_stack([self.field, self.corner // side])
        keys, group = np.unique(place, axis=0, return_inverse=True)
        group = group.ravel()

        def added(values: Floats) -> Floats:
            total = np.zeros((len(keys), *values.shape[1:]))
            np.add.at(total, group, values)
            return total

        means = self.s1 / self.n[:, None]
        sums = {name: added(getattr(self, name)) for name in SUMS if name != "comoment"}
        away = means - (sums["s1"] / sums["n"][:, None])[group]
        between = self.n[:, None, None] * away[:, :, None] * away[:, None, :]
        return replace(
            self,
            **sums,  # type: ignore[arg-type]
            comoment=added(self.comoment + between),
            field=keys[:, 0],
            corner=keys[:, 1:] * side,
            block_px=side,
        )

    def combine(self, groups: Sequence[Sequence[str]]) -> Totals:
        """Return per-block sums of groups of elements; see `Totals`."""
        places = [[self.index(e) for e in dict.fromkeys(group)] for group in groups]

        def added(values: Floats) -> Floats:
            return np.stack([values[:, place].sum(axis=1) for place in places], axis=1)

        def squared(values: Floats) -> Floats:
            # Picked, not multiplied by zero: noise that is unknown stays with its own element.
            return added(added(values).swapaxes(1, 2))

        return Totals(
            self.n, added(self.s1), squared(self.comoment), squared(self.noise), self.field
        )

    def totals(self) -> Totals:
        """Return the per-block sums of every element, ready for resampling."""
        return Totals(self.n, self.s1, self.comoment, self.noise, self.field)

    def total(self) -> BlockMoments:
        """Return one block a field holding the sums of all its blocks."""
        fields = range(self.n_fields)
        sums: dict[str, Any] = {
            name: np.stack([getattr(self, name)[self.field == f].sum(axis=0) for f in fields])
            for name in SUMS
            if name != "comoment"
        }
        comoment = np.stack([_joined_comoment(self, self.field == f) for f in fields])
        return replace(
            self,
            **sums,
            comoment=comoment,
            field=np.arange(self.n_fields, dtype=np.int64),
            corner=np.zeros((self.n_fields, 2), dtype=np.int64),
        )

    def covariance(self, *, corrected: bool = True) -> Floats:
        """Return the covariance per pixel within fields (element, element).

        Parameters
        ----------
        corrected : bool, optional
            Subtract the noise covariance, which leaves the covariance of the material.

        Returns
        -------
        numpy.ndarray, dims (element, element)
            In the square of the unit of the maps.
        """
        whole = self.total()
        size = whole.n.sum()
        spread = whole.comoment.sum(axis=0) / max(size - whole.n_fields, 1.0)
        if not corrected:
            return np.asarray(spread)
        return np.asarray(spread - whole.noise.sum(axis=0) / size)

    def resample_weights(self, n_resamples: int, seed: int) -> Floats:
        """Return how often each resample draws each block (resample, block).

        Blocks are drawn with replacement within their field; the spread between fields is added
        by `spattermap.colocation`.

        Parameters
        ----------
        n_resamples : int
            Number of resamples.
        seed : int
            Seed; the same seed gives the same weights.

        Returns
        -------
        numpy.ndarray, dims (resample, block)
        """
        rng = np.random.default_rng(seed)
        weights = np.zeros((n_resamples, self.n_blocks))
        for f in range(self.n_fields):
            members = np.flatnonzero(self.field == f)
            drawn = rng.integers(0, members.size, (n_resamples, members.size), dtype=np.int32)
            drawn += (np.arange(n_resamples, dtype=np.int32) * members.size)[:, None]
            tally = np.bincount(drawn.ravel(), minlength=n_resamples * members.size)
            weights[:, members] = tally.reshape(n_resamples, -1)
        return weights


class Totals(NamedTuple):
    """Per-block sums of some signals, each a sum of elements.

    Parameters
    ----------
    n : numpy.ndarray, dims (block,)
    s1 : numpy.ndarray, dims (block, signal)
    comoment, noise : numpy.ndarray, dims (block, signal, signal)
    field : numpy.ndarray of int, dims (block,)
    """

    n: Floats
    s1: Floats
    comoment: Floats
    noise: Floats
    field: npt.NDArray[np.int64]

    def resampled(self, weights: Floats) -> tuple[Floats, Floats]:
        """Return means and noise-corrected covariances under block weights.

        Parameters
        ----------
        weights : numpy.ndarray, dims (resample, block)
            How often each block counts; a row of ones gives the estimate itself.

        Returns
        -------
        mean : numpy.ndarray, dims (resample, signal)
        covariance : numpy.ndarray, dims (resample, signal, signal)
        """
        signals = self.s1.shape[1]
        upper = np.triu_indices(signals)
        size = np.zeros(len(weights))
        freedom = np.zeros(len(weights))
        first = np.zeros((len(weights), signals))
        second = np.zeros((len(weights), upper[0].size))
        for f in np.unique(self.field):
            part = self.field == f
            n, s1 = self.n[part], self.s1[part]
            # Deviations from the field's mean keep every digit, whatever the offset of the maps.
            centre = s1.sum(axis=0) / n.sum()
            away = s1 - n[:, None] * centre
            products = self.comoment[part][:, *upper] + (
                away[:, upper[0]] * away[:, upper[1]] / n[:, None]
            )
            noise = self.noise[part][:, *upper]
            sums = weights[:, part] @ np.hstack([n[:, None], s1, away, products, noise])
            here, s1_sum, away_sum, product_sum, noise_sum = np.split(
                sums, np.cumsum([1, signals, signals, upper[0].size]), axis=1
            )
            present = np.maximum(here, 1e-300)  # a field that was not drawn adds nothing
            spread = product_sum - away_sum[:, upper[0]] * away_sum[:, upper[1]] / present
            # The field's mean took one part in n of the noise out of the spread already.
            second += spread - noise_sum * (1 - 1 / np.maximum(present, 1.0))
            first += s1_sum
            size += here[:, 0]
            freedom += np.maximum(here[:, 0] - 1, 0)
        covariance = np.empty((len(weights), signals, signals))
        covariance[:, upper[0], upper[1]] = second / np.maximum(freedom, 1.0)[:, None]
        covariance[:, upper[1], upper[0]] = covariance[:, upper[0], upper[1]]
        return first / size[:, None], covariance


def _joined_comoment(moments: BlockMoments, keep: npt.NDArray[np.bool_]) -> Floats:
    n, s1 = moments.n[keep], moments.s1[keep]
    away = s1 - n[:, None] * (s1.sum(axis=0) / n.sum())
    return np.asarray(moments.comoment[keep].sum(axis=0) + (away / n[:, None]).T @ away)

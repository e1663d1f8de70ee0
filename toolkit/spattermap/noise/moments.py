"""Block moments: the small sums from which every statement on co-location follows.

A field is cut into blocks larger than the correlation length. Each block keeps the number of
pixels, the sum of every element and the matrix of products of every two elements. These sums are
additive, so tiles, chunks, fields and machines simply concatenate, and no later step reads a pixel
again.

The record of block sums, and what follows from it without reading a pixel again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise, product
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from spattermap.core.arrays import Bools, Floats, Integers
from spattermap.core.errors import InputError
from spattermap.core.mapset import element_names, facts, middle_of, valid_mask
from spattermap.noise.correlation_length import Correlated, structure_of

CLASSES = ("bare", "droplet", "streak")
SUMS = ("n", "s1", "comoment", "noise", "class_n", "class_s1", "class_noise")


@dataclass(frozen=True)
class BlockMoments:
    """Additive sums over blocks of pixels (Chan, Golub & LeVeque 1983)."""

    elements: tuple[str, ...]  # the elements, in the order of every element axis
    n: Floats  # (block,): valid pixels
    s1: Floats  # (block, element): sums, in the unit of the maps
    # (block, element, element): sums of products of the deviations from the block's own mean. Kept
    # in place of raw sums of products because those lose every digit where a map has a large offset
    # (Chan, Golub and LeVeque, American Statistician 37 (1983) 242, eq. 2.1).
    comoment: Floats
    # (block, element, element): summed noise covariance; for counts its diagonal is `s1`. NaN where
    # it is unknown.
    noise: Floats
    # (block, class): valid pixels of each of `CLASSES`; all zero when no labels were given
    class_n: Floats
    # (block, class, element): sums and summed noise variance in each class
    class_s1: Floats
    class_noise: Floats
    block_px: int  # side of a block (px)
    field: Integers  # (block,): which field of the deposit each block came from
    # (block, 2): row and column of the first pixel of each block in its field or tile
    corner: Integers
    # (element,): factor by which variances between blocks are too small because neighbouring blocks
    # share features, see `spattermap.noise.correlation_length.Correlated.inflation`
    inflation: Floats
    quantity: str = "counts"  # what the maps hold
    length_px: float = 1.0  # correlation length of the material (px)
    # how the noise is known: "counting", "carried", "estimated", "given" or "unknown"
    noise_source: str = "counting"
    notes: tuple[str, ...] = ()  # sentences the reader of a result must see

    @property
    def n_blocks(self) -> int:
        """Number of blocks."""
        return int(self.n.size)

    @property
    def n_fields(self) -> int:
        """Number of fields."""
        return int(self.field.max(initial=-1)) + 1

    @property
    def mean(self) -> Floats:
        """Mean of each element per valid pixel (element,)."""
        return np.asarray(self.s1.sum(axis=0) / self.n.sum())

    def index(self, element: str) -> int:
        """Return the place of an element along the element axes; an error if it was not mapped."""
        if element not in self.elements:
            raise InputError(
                f"element must be one of {', '.join(self.elements)}, got {element!r}. "
                "Name a mapped element."
            )
        return self.elements.index(element)

    def merge(self, other: BlockMoments, *, same_field: bool = False) -> BlockMoments:
        """Return the moments of both together: fields of one deposit, or tiles of one field.

        Other fields are counted on from ours, and each keeps its own mean.
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

    def coarsened(self, most: int) -> BlockMoments:
        """Return the same sums in fewer, larger blocks where there are more than `most`."""
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

        Corrected is that of the material alone: the noise covariance is taken off.
        """
        whole = self.total()
        size = whole.n.sum()
        spread = whole.comoment.sum(axis=0) / max(size - whole.n_fields, 1.0)
        if not corrected:
            return np.asarray(spread)
        return np.asarray(spread - whole.noise.sum(axis=0) / size)

    def resample_weights(self, n_resamples: int, seed: int) -> Floats:
        """Return how often each resample draws each block (resample, block); read only.

        Blocks are drawn with replacement within their field; the spread between fields is added by
        `spattermap.verdict.correlation`.
        """
        return _drawn_blocks(self.field.tobytes(), self.field.dtype.str, n_resamples, seed)


@lru_cache(maxsize=2)  # the same for every element and every pair of an analysis
def _drawn_blocks(fields: bytes, kind: str, n_resamples: int, seed: int) -> Floats:
    """Return `BlockMoments.resample_weights` for the fields that blocks lie in."""
    field = np.frombuffer(fields, dtype=kind)
    rng = np.random.default_rng(seed)
    weights = np.zeros((n_resamples, field.size))
    for f in range(int(field.max(initial=-1)) + 1):
        members = np.flatnonzero(field == f)
        drawn = rng.integers(0, members.size, (n_resamples, members.size), dtype=np.int32)
        drawn += (np.arange(n_resamples, dtype=np.int32) * members.size)[:, None]
        tally = np.bincount(drawn.ravel(), minlength=n_resamples * members.size)
        weights[:, members] = tally.reshape(n_resamples, -1)
    weights.flags.writeable = False
    return weights


class Totals(NamedTuple):
    """Per-block sums of some signals, each a sum of elements."""

    n: Floats  # (block,)
    s1: Floats  # (block, signal)
    comoment: Floats  # (block, signal, signal); so is noise
    noise: Floats
    field: Integers  # (block,)

    def resampled(self, weights: Floats) -> tuple[Floats, Floats]:
        """Return means and noise-corrected covariances under block weights.

        Dims: `weights` (resample, block), ones for the estimate itself; returns (resample, signal)
        and (resample, signal, signal).
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
            drawn = weights if part.all() else weights[:, part]
            sums = drawn @ np.hstack([n[:, None], s1, away, products, noise])
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


def _joined_comoment(moments: BlockMoments, keep: Bools) -> Floats:
    n, s1 = moments.n[keep], moments.s1[keep]
    away = s1 - n[:, None] * (s1.sum(axis=0) / n.sum())
    return np.asarray(moments.comoment[keep].sum(axis=0) + (away / n[:, None]).T @ away)


# More blocks than this narrow no interval; larger blocks are always the safer choice.
MOST_BLOCKS = 1024
# Side of a block in correlation lengths (1/e): the tables in tests/test_colocation_calibration.py
# show the coverage of the intervals at this value.
LENGTHS_PER_BLOCK = 6.0
# Fewer blocks than this along a side leave too little to resample; the blocks are then made
# smaller than wished, and below so many correlation lengths the result says so.
LEAST_BLOCKS_PER_SIDE = 5
LEAST_LENGTHS_PER_BLOCK = 4.0
# Side of the window on which counts are checked to be counts (px).
NOISE_PROBE_PX = 128
LEAST_NOISE_PIXELS = 600


def block_moments(
    maps: xr.Dataset,
    *,
    block_px: int | None = None,
    labels: Any = None,
    n_droplets: int = 0,
    noise: Any = None,
) -> BlockMoments:
    """Sum a map set into block moments in one pass; a lazy one tile by tile, in bounded memory.

    Dims: `labels` (y, x): 0 bare, 1 to `n_droplets` droplets, above that streaks. `noise`: a
    variance (element, y, x), a covariance for every pixel (element, element), or one per pixel
    (element, element, y, x); None takes the map set's ``variance``, else counting statistics where
    the quantity is counts, else an estimate from the maps. `block_px` None takes
    `LENGTHS_PER_BLOCK` correlation lengths. The products are summed per block as one matrix product
    of deviations from its mean.
    """
    height, width = maps.sizes["y"], maps.sizes["x"]
    source, noise, notes = _noise_of(maps, noise)
    if labels is not None and tuple(labels.shape) != (height, width):
        raise InputError(
            f"labels must have the shape of the maps {(height, width)}, got "
            f"{tuple(labels.shape)}. Segment the same map set."
        )
    structure = structure_of(maps)
    if block_px is None:
        block_px, more = default_block_px(height, width, structure)
        notes += more
    rows, columns = _edges(height, block_px), _edges(width, block_px)
    pieces = list(_pieces(maps, labels, noise, rows, columns))
    sums = _run(pieces, n_droplets)
    fields = {name: np.concatenate([s[name] for s in sums]) for name in sums[0]}
    # Raster order, so that a lazy map set resamples to the same bytes as an eager one.
    raster = np.lexsort(fields["corner"].T[::-1])
    fields = {name: values[raster] for name, values in fields.items()}
    used = fields["n"] > 0
    if not used.any():
        raise InputError("valid must leave at least one pixel, got none. Correct the mask.")
    fields = {name: values[used] for name, values in fields.items()}
    return BlockMoments(
        elements=tuple(element_names(maps)),
        block_px=int(block_px),
        field=np.zeros(int(used.sum()), dtype=np.int64),
        quantity=facts(maps).quantity,
        inflation=structure.inflation(block_px),
        length_px=structure.length_px,
        noise_source=source,
        notes=tuple(notes),
        **fields,
    )


def default_block_px(height: int, width: int, structure: Correlated) -> tuple[int, list[str]]:
    """Return a block side (px) for a field, and a sentence where it is smaller than wished."""
    length = structure.length_px
    wished = max(4.0, LENGTHS_PER_BLOCK * length, (height * width / MOST_BLOCKS) ** 0.5)
    most = max(2.0, min(height, width) / LEAST_BLOCKS_PER_SIDE)
    if wished <= most:
        return round(wished), []
    side = int(most)
    if side >= LEAST_LENGTHS_PER_BLOCK * length:
        return side, []
    note = (
        f"Features reach {length:.0f} px, much for a field of {width} x {height} px: it holds only "
        f"{(height // side) * (width // side)} blocks to resample, and they are smaller than "
        "wished. Map a larger area or several fields to rely on the intervals."
    )
    return side, [note]


def _edges(size: int, block_px: int) -> Integers:
    """Return the borders of near-equal blocks no smaller than asked, if one fits at all."""
    count = max(1, size // int(block_px))
    return np.round(np.linspace(0, size, count + 1)).astype(np.int64)


def _noise_of(maps: xr.Dataset, noise: Any) -> tuple[str, Any, list[str]]:
    """Return where the noise comes from, the array (None: counting statistics), and notes."""
    elements, height, width = maps["counts"].shape
    if noise is not None:
        data = noise.data if hasattr(noise, "dims") else noise
        data = data if hasattr(data, "dask") else np.asarray(data, dtype=np.float64)
        allowed = (
            (elements, height, width),
            (elements, elements),
            (elements, elements, height, width),
        )
        if tuple(data.shape) not in allowed:
            raise InputError(
                f"noise must have one of the shapes {allowed}, got {tuple(data.shape)}. "
                "Give a variance per pixel or a covariance of the elements."
            )
        return "given", data, []
    if "variance" in maps:
        return "carried", maps["variance"].data, []
    return _estimated_noise(maps)


def _estimated_noise(maps: xr.Dataset) -> tuple[str, Any, list[str]]:
    from spattermap.noise.noise_models import noise_model

    quantity = facts(maps).quantity
    # Counts only need to be found to be counts, and a window in the middle shows that.
    probe = middle_of(maps, NOISE_PROBE_PX)
    if quantity == "counts" and valid_mask(probe).sum() < LEAST_NOISE_PIXELS:
        return "counting", None, []  # too few pixels to doubt what they are said to hold
    models = noise_model(probe if quantity == "counts" else maps)
    notes = [model.note for model in models if model.note]
    if all(model.kind == "poisson" for model in models):
        return "counting", None, notes
    shape = (len(models), 1, 1)
    usable = [model.correctable for model in models]
    floor = np.array([m.constant if ok else np.nan for m, ok in zip(models, usable, strict=True)])
    slope = np.array([m.gain if ok else np.nan for m, ok in zip(models, usable, strict=True)])
    counts = maps["counts"].data
    noise = floor.reshape(shape) + slope.reshape(shape) * counts.clip(0)
    kinds = {model.kind for model in models}
    known = "estimated" if kinds - {"smoothed"} else "unknown"
    return ("counting" if kinds == {"scaled counts"} else known), noise, notes


class _Piece(NamedTuple):
    counts: Any
    valid: Any
    labels: Any
    noise: Any
    rows: Integers
    columns: Integers
    corner: tuple[int, int]


def _pieces(
    maps: xr.Dataset,
    labels: Any,
    noise: Any,
    rows: Integers,
    columns: Integers,
) -> Iterator[_Piece]:
    """Cut a map set into tiles that end on block borders near the chunk borders."""
    chunks = getattr(maps["counts"].data, "chunks", None)
    y_spans = _spans(rows, chunks[1] if chunks else None)
    x_spans = _spans(columns, chunks[2] if chunks else None)
    borders = (
        [int(rows[start]) for start, _ in y_spans] + [int(rows[-1])],
        [int(columns[start]) for start, _ in x_spans] + [int(columns[-1])],
    )
    constant = noise is None or noise.ndim == 2  # one covariance for every pixel
    counts, valid, classes, variance = (
        _tiles(part, borders)
        for part in (maps["counts"], maps.get("valid"), labels, None if constant else noise)
    )
    for (iy, (y0, y1)), (ix, (x0, x1)) in product(enumerate(y_spans), enumerate(x_spans)):
        yield _Piece(
            counts(iy, ix),
            valid(iy, ix),
            classes(iy, ix),
            noise if constant else variance(iy, ix),
            rows[y0 : y1 + 1] - rows[y0],
            columns[x0 : x1 + 1] - columns[x0],
            (int(rows[y0]), int(columns[x0])),
        )


def _tiles(part: Any, borders: tuple[list[int], list[int]]) -> Callable[[int, int], Any]:
    """Return a function that gives one tile of an array; lazy arrays stay lazy."""
    data = part.data if hasattr(part, "dims") else part
    if data is None:
        return lambda _y, _x: None
    if not hasattr(data, "dask"):
        (y, x) = borders
        return lambda iy, ix: data[..., y[iy] : y[iy + 1], x[ix] : x[ix + 1]]
    sizes = tuple(tuple(np.diff(border).tolist()) for border in borders)
    whole = dict.fromkeys(range(data.ndim - 2), -1)
    cut = data.rechunk(whole | {data.ndim - 2: sizes[0], data.ndim - 1: sizes[1]})
    # Without this each tile would carry its own copy of the graph and read its chunks anew.
    delayed = cut.to_delayed(optimize_graph=False).reshape(len(sizes[0]), len(sizes[1]))
    return lambda iy, ix: delayed[iy, ix]


def _spans(edges: Integers, chunks: Any) -> list[tuple[int, int]]:
    """Return runs of blocks, one a chunk, each border moved to the nearest block border."""
    if chunks is None:
        return [(0, len(edges) - 1)]
    borders = np.concatenate([[0], np.cumsum(chunks)])
    stops = np.unique([int(np.argmin(np.abs(edges - border))) for border in borders])
    return list(zip(stops[:-1].tolist(), stops[1:].tolist(), strict=True))


def _run(pieces: list[_Piece], n_droplets: int) -> list[dict[str, Floats]]:
    if not any(hasattr(part, "dask") for piece in pieces for part in piece):
        return [_reduce_piece(piece, n_droplets) for piece in pieces]
    from dask.base import compute
    from dask.delayed import delayed

    # Each task is a pure function of its tile: a lost worker means the same task again.
    task = delayed(_reduce_piece, pure=True)
    return list(compute(*[task(piece, n_droplets) for piece in pieces]))


def _reduce_piece(piece: _Piece, n_droplets: int) -> dict[str, Floats]:
    """Return the sums of every block of one tile."""
    counts, valid, labels, noise, rows, columns, corner = piece
    blocks = []
    for y0, y1 in pairwise(rows):
        for x0, x1 in pairwise(columns):
            box = (slice(y0, y1), slice(x0, x1))
            use = None if valid is None else np.asarray(valid[box], dtype=bool).ravel()
            blocks.append(
                _reduce_block(
                    _flat(counts[:, *box], use),
                    None if noise is None or noise.ndim == 2 else _flat(noise[..., *box], use),
                    noise if noise is not None and noise.ndim == 2 else None,
                    None if labels is None else _classes(labels[box], use, n_droplets),
                )
            )
    sums = {name: np.stack(v) for name, v in zip(SUMS, zip(*blocks, strict=True), strict=True)}
    sums["n"] = sums["n"].astype(np.float64)
    return sums | {"corner": np.array(list(product(rows[:-1], columns[:-1]))) + corner}


def _flat(data: Any, use: Bools | None) -> Floats:
    flat = np.asarray(data, dtype=np.float64).reshape(*data.shape[:-2], -1)
    return flat if use is None else flat[..., use]


def _classes(labels: Any, use: Bools | None, n_droplets: int) -> Floats:
    flat = np.asarray(labels).ravel()
    flat = flat if use is None else flat[use]
    return np.stack([flat == 0, (flat > 0) & (flat <= n_droplets), flat > n_droplets]).astype(
        np.float64
    )


def _reduce_block(
    x: Floats, noise: Floats | None, flat_noise: Floats | None, member: Floats | None
) -> tuple[Any, ...]:
    """Return the sums of one block; `x` has dims (element, pixel)."""
    elements, pixels = x.shape
    s1 = x.sum(axis=1)
    away = x - s1[:, None] / max(pixels, 1)
    comoment = away @ away.T
    if noise is not None:
        spread = np.diag(noise.sum(axis=1)) if noise.ndim == 2 else noise.sum(axis=2)
    else:
        spread = np.diag(s1) if flat_noise is None else flat_noise * pixels
    if member is None:
        zero = np.zeros((len(CLASSES), elements))
        return pixels, s1, comoment, spread, np.zeros(len(CLASSES)), zero, zero
    class_n, class_s1 = member.sum(axis=1), member @ x.T
    if noise is not None:
        variances = noise if noise.ndim == 2 else np.einsum("eep->ep", noise)
        class_noise = member @ variances.T
    elif flat_noise is None:
        class_noise = class_s1
    else:
        class_noise = class_n[:, None] * np.diag(flat_noise)
    return pixels, s1, comoment, spread, class_n, class_s1, class_noise

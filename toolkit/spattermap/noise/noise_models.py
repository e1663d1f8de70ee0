"""The noise of each map: what is known of it, a hidden gain, signs that somebody smoothed it.

White noise of a map: the part that is independent from pixel to pixel, and how flat it is.

Counting noise is white: it has as much power at the finest scale as at any other, and its
variance equals the mean. Material seen through a blurring beam has almost none there. So the
finest scale tells the noise, and its absence tells that somebody smoothed or interpolated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from scipy import ndimage

from spattermap.core.mapset import middle_of, valid_mask

BLOCK_PX = 32  # side of the blocks in which a field may be quiet


def white_variance(plane: np.ndarray, step: int = 1, used: np.ndarray | None = None) -> float:
    """Return the variance of the noise that is independent from pixel to pixel.

    Dims: `plane` (y, x), `used` (y, x).

    Mean square of the map filtered with the product of two second differences, which no plane,
    no edge along x or y and no slow change passes, over its gain of 36 for white noise. Structure
    with power at the finest scale adds to it.

    Immerkaer, Comput. Vis. Image Underst. 64 (1996) 300, eq. 1 (with the mean square in place of
    the mean modulus, which would assume normal noise).
    """
    squares = fine_squares(np.asarray(plane, dtype=np.float64), step)
    if squares.size == 0:
        return float("nan")
    if used is not None and not used.all():
        whole = eroded(used, step)
        return float(squares[whole].mean()) if whole.any() else float("nan")
    return float(squares.mean())


def fine_squares(plane: np.ndarray, step: int) -> np.ndarray:
    """Return the noise variance as each pixel alone shows it; empty where the map is too small."""
    if min(plane.shape) <= 2 * step:
        return np.empty((0, 0))
    down = plane[: -2 * step] - 2 * plane[step:-step] + plane[2 * step :]
    both = down[:, : -2 * step] - 2 * down[:, step:-step] + down[:, 2 * step :]
    return np.asarray(both**2 / 36.0)  # (1 + 4 + 1)^2


def eroded(used: np.ndarray, step: int) -> np.ndarray:
    """Return where the nine pixels of the mask are all usable."""
    down = used[: -2 * step] & used[step:-step] & used[2 * step :]
    return np.asarray(down[:, : -2 * step] & down[:, step:-step] & down[:, 2 * step :])


def quiet_ratios(plane: np.ndarray, used: np.ndarray | None = None) -> tuple[float, float]:
    """Return flatness and dispersion as the quieter half of the field shows them.

    Dims: `plane` (y, x), `used` (y, x).
    """
    kept = np.ones(plane.shape, dtype=bool) if used is None else used
    part, usable = _blocks(np.asarray(plane, dtype=np.float64)), _blocks(kept)
    fine, wide = (_white_of_blocks(part, usable, step) for step in (1, 2))
    n = usable.sum(axis=(1, 2))
    mean = np.where(usable, part, 0.0).sum(axis=(1, 2)) / np.maximum(n, 1)
    told = (wide > 0) & (mean > 0)  # a comparison with NaN is False
    if not told.any():
        return float("nan"), float("nan")
    flat, spread = fine[told] / wide[told], fine[told] / mean[told]
    return float(np.median(flat)), float(np.quantile(spread, 0.25))


def _blocks(plane: np.ndarray) -> np.ndarray:
    """Return a plane cut into blocks, zeros (False) beyond its border; dims (block, y, x).

    At the border less than half a block is left out.
    """
    n_y, n_x = (max(1, -(-(n - BLOCK_PX // 2) // BLOCK_PX)) for n in plane.shape)
    out = np.zeros((n_y * BLOCK_PX, n_x * BLOCK_PX), dtype=plane.dtype)
    inside = plane[: out.shape[0], : out.shape[1]]
    out[: inside.shape[0], : inside.shape[1]] = inside
    cut = out.reshape(n_y, BLOCK_PX, n_x, BLOCK_PX).swapaxes(1, 2)
    return cut.reshape(n_y * n_x, BLOCK_PX, BLOCK_PX)


def _white_of_blocks(part: np.ndarray, usable: np.ndarray, step: int) -> np.ndarray:
    """Return `white_variance` of every block, NaN where none is usable; dims (block,)."""
    down = part[:, : -2 * step] - 2 * part[:, step:-step] + part[:, 2 * step :]
    both = down[:, :, : -2 * step] - 2 * down[:, :, step:-step] + down[:, :, 2 * step :]
    whole = usable[:, : -2 * step] & usable[:, step:-step] & usable[:, 2 * step :]
    whole = whole[:, :, : -2 * step] & whole[:, :, step:-step] & whole[:, :, 2 * step :]
    n = whole.sum(axis=(1, 2))
    total = np.einsum("nyx,nyx,nyx->n", both, both, whole.astype(np.float64))
    return np.asarray(np.where(n > 0, total / 36.0 / np.maximum(n, 1), np.nan))


# Enough pixels for one per cent, small enough to read from a lazy mosaic.
WINDOW_PX = 2048
# White variance over mean below which counts cannot be raw: 3 x 3 smoothing leaves 0.11, a
# Gaussian of 0.5 px 0.35; pile-up and dead time at usual rates stay above 0.9.
LEAST_DISPERSION = 0.8
# The same in the quiet blocks of the field, where each block's own chance is larger.
LEAST_QUIET = 0.5
# White variance at the finest scale over that at twice the scale: white noise 1; a Gaussian of
# 0.5 px leaves 0.45, a 3 x 3 median 0.49, a 3 x 3 mean 0.16, doubling by interpolation 0.03.
LEAST_FLATNESS = 0.48
# Counts a block must hold before its scatter says anything.
LEAST_IN_BLOCK = 100
# A gain is believed when the noise agrees with it as closely as structure allows.
GAIN_AGREES = (0.8, 1.6)
LEAST_DISTINCT = 3
# Below this gain most whole numbers lie near a multiple, and rounding hides the lattice.
LEAST_ROUNDED_GAIN = 4.0
LEAST_NONZERO = 30


@dataclass(frozen=True)
class NoiseModel:
    """Noise of one element's map: ``variance = constant + gain * value``."""

    element: str
    # "poisson" (counts), "carried" (`variance` given), "scaled counts" (counts times a hidden
    # gain), "estimated" (white noise measured on the map), "smoothed" (no white noise left)
    kind: str
    gain: float  # variance per value (unit of the map per count); 1 for counts
    # part of the variance that does not depend on the value (square of the map's unit)
    constant: float
    dispersion: float  # white variance over mean; 1 for counts. NaN for an empty map.
    flatness: float  # power at the finest scale over that at a coarser one; 1 for white noise
    correctable: bool  # True where correlations may be corrected for this noise
    note: str = ""  # one sentence for the reader, "" where all is as expected


def lattice_gain(values: np.ndarray) -> float | None:
    """Return the constant of which every value is a whole multiple, or None."""
    distinct = np.unique(values[np.isfinite(values)])
    positive = distinct[distinct > 0]
    if positive.size < LEAST_DISTINCT or distinct[0] < 0:
        return None
    exact = _exact_gain(positive)
    if exact not in (None, 1.0) or np.any(positive != np.rint(positive)):
        return exact
    return _rounded_gain(positive) or exact  # of values to 65535 the exact one is None


def _exact_gain(positive: np.ndarray) -> float | None:
    # Float32 exports carry seven digits: allow that rounding and no more.
    tolerance = 4e-7 * float(positive[-1])
    gain = float(positive[0])
    for value in positive[: 4096 if positive.size > 4096 else None]:
        rest = float(value)
        while rest > tolerance:  # Euclid with rounding
            gain, rest = rest, gain % rest
            rest = 0.0 if gain - rest <= tolerance else rest
        if gain <= 100 * tolerance:
            return None
    multiples = positive / gain
    whole = np.rint(multiples)
    if np.max(np.abs(multiples - whole)) > 1e-3:
        return None
    # Refine: every value is a measurement of the constant.
    return float(np.sum(positive * whole) / np.sum(whole**2))


def _rounded_gain(positive: np.ndarray) -> float | None:
    """Return a gain whose multiples, rounded or cut to whole numbers, are all the values.

    A stretch of few counts to 8 or 16 bits leaves such values: 0, 28, 57, 85, ... for nine counts.
    """
    top, gap = float(positive[-1]), float(np.min(np.diff(positive, prepend=0.0)))
    # Two neighbours lie at least the gain less one apart.
    least = max(positive.size, int(np.ceil(top / (gap + 1))))
    for steps in range(least, int(top // LEAST_ROUNDED_GAIN) + 1):
        for below, above in ((0.5, 0.5), (0.0, 1.0)):  # rounded, or cut
            whole = np.rint((positive + (above - below) / 2) * steps / top)
            if whole.min() < 1:
                continue
            # Each value allows the gain an interval; a common point means that all agree.
            low = float(np.max((positive - below) / whole))
            high = float(np.min((positive + above) / whole))
            if low <= high:
                return (low + high) / 2
    return None


def model_of(maps: xr.Dataset, place: int) -> NoiseModel:
    """Return the noise model of one map."""
    plane, used = _window(maps, place)
    element = str(maps["element"].values[place])
    mean = float(plane[used].mean()) if used.any() else float("nan")
    white = white_variance(plane, used=used)
    dispersion = white / mean if mean > 0 else float("nan")
    flat, quiet = quiet_ratios(plane, used)
    measured: dict[str, Any] = {"element": element, "dispersion": dispersion, "flatness": flat}
    if "variance" in maps:
        return NoiseModel(
            kind="carried", gain=float("nan"), constant=float("nan"), correctable=True, **measured
        )
    counts = str(maps.attrs.get("quantity", "counts")) == "counts"
    gain = _believed_gain(plane[used], dispersion, quiet)
    if gain is not None and abs(gain - 1) > 1e-6:
        return NoiseModel(
            kind="scaled counts", gain=gain, constant=0.0, correctable=True,
            note=f"{element}: every value is a whole multiple of {gain:.6g} and the noise agrees, "
            "so these are counts times that gain",
            **measured,
        )  # fmt: skip
    # A comparison with NaN is False: an empty map of counts stays what it was said to be.
    pixels = int(used.sum())
    damped = _too_even(dispersion, quiet, mean, pixels) if counts else flat < LEAST_FLATNESS
    if gain is None and damped:
        return _smoothed_model(plane, used, measured)
    if counts or gain is not None:
        return NoiseModel(kind="poisson", gain=1.0, constant=0.0, correctable=True, **measured)
    return _estimated_model(plane, used, measured)


def _too_even(dispersion: float, quiet: float, mean: float, pixels: int) -> bool:
    """Return True where counts scatter less than counting makes them, beyond chance."""
    if not mean > 0:
        return False
    # Relative standard error of the filtered variance of Poisson counts: normal part (squares
    # correlated over the 3 x 3 mask), and single counts of which the border sees a part only.
    error = np.sqrt((6.0 + 0.5 / mean) / pixels)
    enough = pixels >= 8 * BLOCK_PX**2 and mean * BLOCK_PX**2 >= LEAST_IN_BLOCK
    return bool(dispersion < LEAST_DISPERSION - 3 * error or (enough and quiet < LEAST_QUIET))


def _window(maps: xr.Dataset, place: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the central window of a map and of the valid mask, in memory."""
    small = middle_of(maps, WINDOW_PX)
    plane = np.asarray(small["counts"].isel(element=place).values, dtype=np.float64)
    used = valid_mask(small) & np.isfinite(plane)
    return np.where(used, plane, 0.0), used


def _believed_gain(values: np.ndarray, dispersion: float, quiet: float) -> float | None:
    gain = lattice_gain(values)
    if gain is None or np.count_nonzero(values) < LEAST_NONZERO or not np.isfinite(quiet):
        return None
    # Counts times g have variance g times their mean: the lattice alone proves nothing. Structure
    # only adds, so the whole field bounds it from below and the quiet blocks from above.
    return gain if GAIN_AGREES[0] * gain <= dispersion and quiet <= GAIN_AGREES[1] * gain else None


def _smoothed_model(plane: np.ndarray, used: np.ndarray, measured: dict[str, Any]) -> NoiseModel:
    # Beyond the reach of the smoothing the difference mask sees the noise whole, and structure
    # with it: an upper bound of the noise of a pixel.
    wide = [white_variance(plane, step, used) for step in (1, 2, 4, 6)]
    bound = float(np.nanmax(wide)) if np.isfinite(wide).any() else float("nan")
    return NoiseModel(
        kind="smoothed",
        gain=0.0,
        constant=bound,
        correctable=False,
        note=f"{measured['element']}: smoothed or interpolated before export (noise at the finest "
        f"scale is {100 * measured['flatness']:.0f} % of that at twice the scale; raw maps: about "
        "100 %); correlations cannot be corrected for noise; export raw counts",
        **measured,
    )


def _estimated_model(plane: np.ndarray, used: np.ndarray, measured: dict[str, Any]) -> NoiseModel:
    """Fit ``variance = constant + gain * value`` to local squares against local means."""
    from scipy import ndimage, optimize

    squares = fine_squares(plane, 1)
    whole = eroded(used, 1)
    local = ndimage.uniform_filter(plane, 3)[1:-1, 1:-1]
    note = f"{measured['element']}: noise estimated from the finest scale of the map"
    if squares.size == 0 or not whole.any():
        return NoiseModel(
            kind="estimated", gain=0.0, constant=float("nan"), correctable=False,
            note=f"{measured['element']}: too small a map to estimate its noise", **measured,
        )  # fmt: skip
    value, square = np.maximum(local[whole], 0.0), squares[whole]
    # Means within bins of equal number: squares are chi-square like, their means nearly normal.
    order = np.argsort(value, kind="stable")
    parts = np.array_split(order, max(1, min(20, order.size // 50)))
    means = np.array([value[part].mean() for part in parts])
    noise = np.array([square[part].mean() for part in parts])
    size = np.array([part.size for part in parts], dtype=np.float64)
    weight = np.sqrt(size) / np.maximum(noise, noise.mean() * 1e-3 + 1e-300)
    design = np.column_stack([np.ones_like(means), means])
    (constant, gain), _ = optimize.nnls(design * weight[:, None], noise * weight)
    return NoiseModel(
        kind="estimated", gain=float(gain), constant=float(constant), correctable=True,
        note=note, **measured,
    )  # fmt: skip


def noise_model(maps: xr.Dataset) -> tuple[NoiseModel, ...]:
    """Return what is known or can be estimated of each element's noise.

    Counts are checked, not trusted: their white noise must be as large as counting makes it
    (white variance = mean), else the export was smoothed, or multiplied by a gain. See
    `spattermap.noise.noise_models`.
    """
    models = tuple(model_of(maps, place) for place in range(maps.sizes["element"]))
    return _if_counts(maps, models)


# Whole numbers that are no counts: rates, counts times a live time, counts with small values cut.
# Side of the window that is looked at (px), and least pixels in it that say anything.
PROBE_PX, LEAST_PROBED = 512, 4096
# Variance over mean of the whole map below which nobody need look for more.
SUSPECT_DISPERSION = 1.2
# Part of the field that is flattest in the other maps, where structure adds least.
FLAT_PART = 0.25
FLAT_BLUR_PX = 2.0
# Variance over mean there, less three standard errors, from which values are no counts: in most
# elements, or in one alone where no structure could do it.
NOT_COUNTS, NEVER_COUNTS = 1.2, 8.0
# Expected pixels of a value that must be missing before it is called missing, and how few of them
# may be left.
LEAST_MISSING, MOST_LEFT = 30.0, 0.2


def missing_value(values: np.ndarray) -> int | None:
    """Return a small whole number that counts must take but that (nearly) never occurs.

    However the Poisson mean varies over the field, ``k! p_k`` is the k-th moment of a positive
    quantity, so that these are log-convex: ``(k-1)! p_(k-1) (k+1)! p_(k+1) >= (k! p_k)^2``, and the
    number of pixels with one count follows a bound from those with two and three.

    Simar, Ann. Stat. 4 (1976) 1200 (mixed Poisson laws and moment sequences; from memory).
    """
    whole = values[(values >= 0) & (values < 8) & (values == np.rint(values))].astype(np.int64)
    number = np.bincount(whole.ravel(), minlength=8).astype(np.float64)
    for k in range(5):
        if not (number[k + 1] > 0 and number[k + 2] > 0):
            continue
        # number[k] k! number[k+2] (k+2)! >= (number[k+1] (k+1)!)^2
        least = number[k + 1] ** 2 / number[k + 2] * (k + 1) / (k + 2)
        chance = 1.0 - 3.0 * np.sqrt(4.0 / number[k + 1] + 1.0 / number[k + 2])
        if least * max(chance, 0.0) >= LEAST_MISSING and number[k] < MOST_LEFT * least:
            return k
    return None


def flat_dispersions(planes: np.ndarray, used: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return variance over mean of each map where the other maps are flattest, and its error.

    Dims: `planes` (element, y, x), `used` (y, x); returns (element,).

    Slope and curvature of the smoothed maps tell where structure is; the finest scale tells the
    noise. They hardly share a frequency, so that choosing by one does not bias the other.
    """
    sides = []
    for plane in planes:
        slopes = [
            ndimage.gaussian_filter(plane, FLAT_BLUR_PX, order=order) for order in ((1, 0), (0, 1))
        ]
        curved = ndimage.gaussian_laplace(plane, FLAT_BLUR_PX)
        found = sum(slope**2 for slope in slopes) + (FLAT_BLUR_PX * curved) ** 2
        sides.append(found / max(white_variance(plane, used=used), 1e-12))
    total = np.sum(sides, axis=0)
    whole = eroded(used, 1)
    dispersion, error = np.full((2, len(planes)), np.nan)
    for k, plane in enumerate(planes):
        rough = (total - sides[k] if len(planes) > 1 else total)[1:-1, 1:-1]
        flat = whole & (rough <= np.quantile(rough[whole], FLAT_PART))
        mean = float(plane[1:-1, 1:-1][flat].mean())
        if mean > 0:
            gain = float(fine_squares(plane, 1)[flat].mean()) / mean
            dispersion[k] = gain
            error[k] = gain * np.sqrt((6.0 + 0.5 * gain / mean) / flat.sum())
    return dispersion, error


def _if_counts(maps: xr.Dataset, models: tuple[NoiseModel, ...]) -> tuple[NoiseModel, ...]:
    """Return the models, no longer Poisson where the values cannot be counts."""
    if "variance" in maps or str(maps.attrs.get("quantity", "counts")) != "counts":
        return models
    if any(one.kind != "poisson" for one in models):
        return models
    said = _doubts(maps, models)
    if not said:
        return models
    found = []
    for place, model in enumerate(models):
        plane, used = _window(maps, place)
        measured = {
            "element": model.element, "dispersion": model.dispersion, "flatness": model.flatness
        }  # fmt: skip
        one = _estimated_model(plane, used, measured)
        found.append(replace(one, note=said.get(model.element, one.note)))
    return tuple(found)


def _doubts(maps: xr.Dataset, models: tuple[NoiseModel, ...]) -> dict[str, str]:
    """Return what speaks against counts, by element; empty where nothing does."""
    small = middle_of(maps, PROBE_PX)
    windows = [_window(small, place) for place in range(len(models))]
    used = np.logical_and.reduce([one[1] for one in windows])
    planes = np.stack([one[0] for one in windows])
    if used.sum() < LEAST_PROBED or min(used.shape) < 8:
        return {}
    said = {}
    for model, plane in zip(models, planes, strict=True):
        absent = missing_value(plane[used])
        if absent is not None:
            said[model.element] = (
                f"{model.element}: the value {absent} (nearly) never occurs, though its neighbours "
                "do: counts were cut or changed before export, so these are no counts"
            )
    suspect = any(one.dispersion > SUSPECT_DISPERSION for one in models)
    if said or not suspect:
        return said
    flat, error = flat_dispersions(planes, used)
    # Structure only adds, in its own way to each measure: the least of them is nearest.
    whole = np.array([one.dispersion for one in models])
    quiet = np.array([quiet_ratios(plane, used)[1] for plane in planes])
    gain = np.fmin.reduce([flat, whole, quiet])
    told = np.isfinite(flat) & (3 * error < 0.7 * flat)
    least = gain * (1.0 - 3.0 * np.where(told, error / flat, 0.0))
    over = told & (least > NOT_COUNTS)
    if 2 * over.sum() > told.sum() or (told & (least > NEVER_COUNTS)).any():
        for k in np.flatnonzero(over):
            said[models[k].element] = (
                f"{models[k].element}: noise {gain[k]:.3g} times that of counts where the field is "
                "flat, so these whole numbers are no counts (rates, or counts times a gain or live "
                "time)"
            )
    return said


def as_believed(maps: xr.Dataset) -> tuple[xr.Dataset, tuple[str, ...]]:
    """Return the map set as intensity where its "counts" cannot be counts, and why."""
    if "variance" in maps or str(maps.attrs.get("quantity", "counts")) != "counts":
        return maps, ()
    models = noise_model(middle_of(maps, PROBE_PX))
    if not any(one.kind == "estimated" for one in models):
        return maps, ()
    out = maps.copy()
    out.attrs = {**maps.attrs, "quantity": "intensity"}
    return out, tuple(one.note for one in models if "no counts" in one.note)


def noise_variance(maps: xr.Dataset) -> xr.DataArray:
    """Return the noise variance of every value.

    Returns dims (element, y, x).
    """
    if "variance" in maps:
        return maps["variance"].astype(np.float64).rename("noise_variance")
    models = noise_model(maps)
    floor = xr.DataArray([one.constant for one in models], dims="element")
    slope = xr.DataArray([one.gain for one in models], dims="element")
    signal = maps["counts"].astype(np.float64).clip(min=0)
    return (floor + slope * signal).transpose("element", "y", "x").rename("noise_variance")


def without_gain(maps: xr.Dataset) -> xr.Dataset:
    """Return the map set in counts where a hidden gain was proven, else unchanged."""
    models = noise_model(maps)
    kinds = {one.kind for one in models}
    if not kinds <= {"poisson", "scaled counts"} or "scaled counts" not in kinds:
        return maps
    divisor = np.array([one.gain for one in models])[:, None, None]
    whole = (maps["counts"].data / divisor).round().astype(np.uint32)
    out = maps.assign(counts=(maps["counts"].dims, whole))
    again = noise_model(out.assign_attrs(quantity="counts"))
    if any(one.kind != "poisson" for one in again):
        return maps  # one gain on top of another: neither is proven
    out.attrs = {**maps.attrs, "quantity": "counts"}
    return out

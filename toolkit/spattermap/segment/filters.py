"""Size, blur and strength of the structure, read off its noise-free autocovariance.

White noise enters the autocovariance at lag zero only, so every other lag shows the material
alone. Separate discs give a covariance that falls as a straight line from lag zero; the blur rounds
that tip, and the distance at which the fall ends tells the diameter.

The linear filter that shows the metal fraction best at the counts at hand.

One filter does what two steps would do: where counts are few it averages as widely as the
structure allows, where they are many it sharpens what the beam has blurred.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import integrate, ndimage, special

from spattermap.core.arrays import Bools, Floats, Singles

_DIAMETERS = np.geomspace(3.0, 120.0, 34)
_TWICE = 6  # steps of the grid that double a diameter
_BLURS = np.arange(0.0, 4.01, 0.25)
_SPREAD = 1.35  # geometric standard deviation of the diameters in the model; of little influence
_LARGEST_LAG = 48
_TOLD = 6.0  # standard errors above which a covariance is taken at its word
_RESCORED = 12  # candidates of the fit that are scored to the last digit
_SIDE = 2048  # tile; larger fields are read in tiles of this side


@dataclass(frozen=True)
class Structure:
    """What the autocovariance tells."""

    diameter: float  # typical (area-weighted) diameter (px)
    blur: float  # standard deviation of the blur (px)
    # variance of the unblurred metal fraction that discs of this size would give if they lay
    # independently
    variance: float
    # variance missing from it because droplets keep their distance (zero or negative), with the
    # spectrum of discs twice as large
    crowding: float = 0.0
    # standard deviations by which the covariance, weighted by the model's, exceeds noise
    strength: float = np.inf

    def spectrum(self, k: Floats) -> Floats:
        """Return the power spectrum of the unblurred metal fraction at angular frequency k."""
        alone = self.variance * disc_spectrum(k, self.diameter)
        crowd = self.crowding * disc_spectrum(k, 2 * self.diameter)
        # However crowded, some variation is left at every scale.
        return np.asarray(np.maximum(alone + crowd, 0.05 * alone))


def autocovariance(raw: Singles, valid: Bools) -> tuple[Floats, Floats, Floats]:
    """Return lags (px), covariance and number of pairs at every whole offset.

    Dims: `raw` (y, x), `valid` (y, x).
    """
    from scipy import fft

    reach = min(_LARGEST_LAG, min(raw.shape) // 3)
    whole = bool(valid.all())
    level = np.float32((raw if whole else raw[valid]).mean(dtype=np.float64))
    products = np.zeros((2 * reach + 1, reach + 1))
    pairs = np.zeros_like(products)
    dy, dx = np.mgrid[-reach : reach + 1, 0 : reach + 1]
    for top in range(0, raw.shape[0], _SIDE):
        for left in range(0, raw.shape[1], _SIDE):
            cut = (slice(top, top + _SIDE), slice(left, left + _SIDE))
            part = np.where(valid[cut], raw[cut] - level, np.float32(0))
            size = [fft.next_fast_len(n + reach, real=True) for n in part.shape]
            if whole:
                pairs += np.maximum(part.shape[0] - abs(dy), 0) * np.maximum(part.shape[1] - dx, 0)
            masked = [] if whole else [(pairs, valid[cut].astype(np.float32))]
            for tally, picture in [(products, part), *masked]:
                c = fft.irfft2(np.abs(fft.rfft2(picture, size)) ** 2, size)
                tally[:reach] += c[-reach:, : reach + 1]
                tally[reach:] += c[: reach + 1, : reach + 1]
    lag = np.hypot(dy, dx)
    # Half the plane holds everything; on the line dx = 0 only one of the two signs is kept.
    kept = (lag > 0) & (lag <= reach) & ~((dx == 0) & (dy < 0)) & (pairs > 0.5)
    order = np.argsort(lag[kept], kind="stable")
    n = np.maximum(pairs[kept][order], 1.0)
    return lag[kept][order], products[kept][order] / n, n


def fit_structure(raw: Singles, valid: Bools, *, noise: float) -> Structure | None:
    """Fit diameter and blur of a random set of blurred discs to the autocovariance.

    Dims: `raw` (y, x), `valid` (y, x).

    Covariogram of discs, ``(2 acos(x) - 2 x sqrt(1 - x^2)) / pi`` with x the lag over the
    diameter (Matheron), averaged over a lognormal of diameters by area and convolved with the
    blur of both points; amplitude and offset are linear, diameter and blur searched on a grid.
    """
    if min(raw.shape) < 3:  # a line or two show no neighbours in one direction
        return None
    lag, covariance, pairs = autocovariance(raw, valid)
    first = _first(lag, covariance, pairs, noise)
    if not first > 0:
        return None
    used = lag <= _reach(lag, covariance, pairs, first=first, noise=noise)
    lag, covariance, pairs = lag[used], covariance[used], pairs[used]
    # Noise of a lag product, and a floor for what the model of discs leaves out.
    error = np.sqrt((noise + first) ** 2 / pairs + (0.01 * first) ** 2)
    weight = 1 / error**2
    best, found = np.inf, None
    table = _covariograms()
    grid = np.arange(table.shape[-1])
    # A prior of little weight: about one pixel of blur is common, three are rare.
    prior = 0.5 * ((_BLURS - 1.0) / 1.0) ** 2
    rough = _misfits(lag, covariance, weight) + prior
    for place in np.sort(np.argsort(rough, axis=None, kind="stable")[:_RESCORED]):
        i, j = divmod(int(place), _BLURS.size)
        shape = np.interp(lag, grid, table[i, j])
        hole = np.interp(lag, grid, table[min(i + _TWICE, _DIAMETERS.size - 1), j])
        parts, misfit, fitted = _scaled(np.stack([shape, hole]), covariance, weight)
        misfit += prior[j]
        if parts[0] > 0 and misfit < best:
            best, found = misfit, Structure(
                float(_DIAMETERS[i]), float(_BLURS[j]), *parts,
                strength=_strength(fitted, covariance, pairs, noise),
            )  # fmt: skip
    return found


def _first(lag: Floats, covariance: Floats, pairs: Floats, noise: float) -> float:
    """Return the covariance at short lags, as short as the noise allows."""
    first = 0.0
    for short in (1.5, 3.0, 6.0, 12.0, 24.0):
        near = lag < short
        first = float(covariance[near].mean())
        if first > _TOLD * noise / float(np.sqrt(pairs[near].sum())):
            break
    return first


def _reach(lag: Floats, covariance: Floats, pairs: Floats, *, first: float, noise: float) -> float:
    """Return the lag to which the model is fitted: a little beyond the end of the fall."""
    if _TOLD * noise / np.sqrt(pairs[lag < 1.5].sum()) > first:
        return float(lag[-1])  # all lags, and their weights decide
    if noise / np.sqrt(pairs.mean()) > 0.05 * first:  # single lags say too little: rings of them
        ring = np.rint(lag).astype(np.int64)
        covariance = np.bincount(ring, pairs * covariance) / np.maximum(np.bincount(ring, pairs), 1)
        lag = np.arange(covariance.size, dtype=np.float64)
        covariance[0] = first
    fallen = lag[covariance < 0.15 * first]
    return max(6.0, 1.1 * float(fallen[0])) if fallen.size else float(lag[-1])


def _strength(fitted: Floats, covariance: Floats, pairs: Floats, noise: float) -> float:
    """Return the matched sum of the covariance over its standard deviation without structure.

    Products of white noise at different lags are uncorrelated, each mean of n having the variance
    ``noise^2 / n``; the weights are the fitted covariance itself.
    """
    matched = float(np.sum(pairs * fitted * covariance))
    return matched / (noise * float(np.sqrt(np.sum(pairs * fitted**2))) + 1e-300)


def _scaled(
    shapes: Floats, covariance: Floats, weight: Floats
) -> tuple[tuple[float, float], float, Floats]:
    """Return the shapes' amplitudes, the chi-square of their best sum, and that sum.

    The second shape, twice as wide, may only be subtracted: droplets keep their distance.
    """
    for n_shapes in (2, 1):
        design = np.stack([np.ones_like(covariance), *shapes[:n_shapes]])
        normal = (design * weight) @ design.T
        normal[np.diag_indices_from(normal)] *= 1 + 1e-9
        part = np.linalg.solve(normal, (design * weight) @ covariance)
        if n_shapes == 1 or part[2] <= 0:
            break
    fitted = part @ design
    rest = covariance - fitted
    crowding = float(part[2]) if n_shapes == 2 else 0.0
    return (float(part[1]), crowding), float(weight @ rest**2), fitted


def _misfits(lag: Floats, covariance: Floats, weight: Floats) -> Floats:
    """Return `_scaled`'s chi-square of every candidate, dims (diameter, blur), to rounding.

    From sums over the lags, taken once for all: products of each shape with itself, with the one
    twice as wide, and with the covariance. Infinite where the amplitude would not be positive.
    """
    table = _covariograms()
    n_diameters, n_blurs = table.shape[:2]
    below = np.minimum(lag.astype(np.int64), table.shape[-1] - 2)
    shape = table[..., below] + (table[..., below + 1] - table[..., below]) * (lag - below)
    weighted = shape * weight
    wide = np.minimum(np.arange(n_diameters) + _TWICE, n_diameters - 1)
    one = weighted.sum(axis=-1)
    own = np.einsum("dbl,dbl->db", weighted, shape)
    with_data = weighted @ covariance
    cross = np.einsum("dbl,dbl->db", weighted, shape[wide])
    normal = np.empty((n_diameters, n_blurs, 3, 3))
    normal[..., 0, 0] = weight.sum()
    normal[..., 0, 1] = normal[..., 1, 0] = one
    normal[..., 0, 2] = normal[..., 2, 0] = one[wide]
    normal[..., 1, 1], normal[..., 2, 2] = own, own[wide]
    normal[..., 1, 2] = normal[..., 2, 1] = cross
    right = np.empty((n_diameters, n_blurs, 3))
    right[..., 0], right[..., 1], right[..., 2] = weight @ covariance, with_data, with_data[wide]
    ridged = normal.copy()
    ridged[..., range(3), range(3)] *= 1 + 1e-9
    part = np.linalg.solve(ridged, right[..., None])[..., 0]
    alone = np.zeros_like(part)
    alone[..., :2] = np.linalg.solve(ridged[..., :2, :2], right[..., :2, None])[..., 0]
    part = np.where(part[..., 2:] <= 0, part, alone)
    square = np.einsum("dba,dbac,dbc->db", part, normal, part)
    misfit = float(weight @ covariance**2) - 2 * (part * right).sum(axis=-1) + square
    return np.asarray(np.where(part[..., 1] > 0, misfit, np.inf))


@lru_cache(maxsize=1)
def _covariograms() -> Floats:
    """Return the model covariance, dims (diameter, blur, whole lag), 1 at zero unblurred."""
    from scipy.special import j0

    # To the corner of the frequency plane: what pixels cannot show is left out, as in the data.
    k = np.linspace(0, np.pi * np.sqrt(2), 2048)
    lags = np.arange(_LARGEST_LAG + 2)
    hankel = j0(np.outer(lags, k)) * k * k[1] / (2 * np.pi)
    fades = np.exp(-(np.outer(_BLURS, k) ** 2))
    return np.stack([(disc_spectrum(k, d) * fades) @ hankel.T for d in _DIAMETERS])


def disc_spectrum(k: Floats, diameter: float) -> Floats:
    """Return the power spectrum of a random set of discs, for unit variance."""
    from scipy.special import j1

    z = np.linspace(-2, 2, 9)
    share = np.exp(-0.5 * z**2)
    nodes = np.linspace(1e-4, float(k.max()) + 1e-3, 2048)
    total = np.zeros_like(nodes)
    for zi, part in zip(z, share / share.sum(), strict=True):
        r = diameter / 2 * _SPREAD**zi
        total += part * np.pi * r**2 * (2 * j1(nodes * r) / (nodes * r)) ** 2
    return np.asarray(np.interp(k, nodes, total))


NOISE_SHARE = 0.6  # below 1 keeps edges and necks sharper than the least mean square does
NODES = np.linspace(0, np.pi * np.sqrt(2), 1024)
TILE = 1024  # px; the tiles lie on one grid however a field is read, so that bits agree
REACH = 80  # px from a tile within which pixels have a say: margin and bridges over gaps
_MARGIN = 64  # px around a tile; the filters here have died away by then
RADIUS_STEP = 0.25  # px
_RADII = np.arange(1, 320) * RADIUS_STEP


@dataclass(frozen=True)
class Filter:
    """An isotropic filter by its transfer function."""

    nodes: Floats  # `NODES`: angular frequencies (rad/px), from 0 to the corner of the plane
    transfer: Floats  # what the filter does to the data; 1 at zero frequency
    blur: float  # standard deviation (px) of the blur the data had before

    @cached_property
    def _plane(self) -> tuple[Floats, Floats]:
        side = 2 * _MARGIN
        k = _frequencies((side, side))
        return k, np.interp(k, self.nodes, self.transfer)

    @cached_property
    def kernel(self) -> Floats:
        """Weights of the filter around a pixel, dims (y, x), with the pixel at the centre."""
        side = 2 * _MARGIN
        return np.fft.fftshift(np.fft.irfft2(self._plane[1], (side, side)))

    @property
    def own(self) -> float:
        """Weight of the pixel itself."""
        return float(self.kernel[_MARGIN, _MARGIN])

    @property
    def gain(self) -> float:
        """Factor by which the filter changes the variance of white noise."""
        return float(np.sum(self.kernel**2))

    @property
    def roughness(self) -> float:
        """Variance of the gradient of filtered white noise over its variance, along one axis."""
        k = self.nodes
        power = self.transfer**2 * k
        return float(np.sum(power * k**2) / (2 * np.sum(power)))

    @cached_property
    def total(self) -> Floats:
        """Transfer of blur and filter together, at `nodes`."""
        return self.transfer * np.exp(-0.5 * (self.nodes * self.blur) ** 2)

    @cached_property
    def edge_levels(self) -> Floats:
        """Height of a blurred, filtered unit disc at its true edge, at radii 0.25, 0.5, ... px.

        A disc of radius R has the transform ``2 pi R J1(k R) / k``; its filtered value at the
        distance r is ``R int T(k) J1(k R) J0(k r) dk``.
        """
        first, zeroth = _bessel()
        return np.asarray(_RADII * self.nodes[1] * ((first * zeroth) @ self.total[1:]))

    @cached_property
    def peaks(self) -> Floats:
        """Height of a blurred, filtered unit disc at its centre, at radii 0.25, 0.5, ... px."""
        return np.asarray(_RADII * self.nodes[1] * (_bessel()[0] @ self.total[1:]))

    def widened(self, scale: float) -> Filter:
        """Return this filter followed by a Gaussian average of standard deviation `scale` (px)."""
        more = np.exp(-0.5 * (self.nodes * scale) ** 2)
        return Filter(self.nodes, self.transfer * more, self.blur)

    @property
    def sigma(self) -> float:
        """Standard deviation (px) of the Gaussian whose edge is as steep as the filtered one."""
        # The transform of the line spread function is the transfer along one axis.
        steepest = float(integrate.trapezoid(self.total, self.nodes)) / np.pi
        return float(1 / (np.sqrt(2 * np.pi) * steepest))

    def apply(self, raw: Singles, valid: Bools) -> Singles:
        """Return the filtered picture.

        Dims: `raw` (y, x), `valid` (y, x); returns (y, x).
        """
        raw = raw if valid.all() else bridged(raw, valid)
        out = np.empty(raw.shape, np.float32)
        for top in range(0, raw.shape[0], TILE):
            for left in range(0, raw.shape[1], TILE):
                rows = mirrored(top, min(top + TILE, raw.shape[0]), raw.shape[0])
                columns = mirrored(left, min(left + TILE, raw.shape[1]), raw.shape[1])
                done = self.apply_tile(raw[np.ix_(rows, columns)])
                out[top : top + TILE, left : left + TILE] = done
        return out

    def apply_tile(self, part: Singles) -> Singles:
        """Return a filtered tile, from the tile with its margin (`mirrored`) all round."""
        from scipy import fft

        size = tuple(fft.next_fast_len(n, real=True) for n in part.shape)
        done = fft.irfft2(fft.rfft2(part, size) * self._response(size), size)
        inner = tuple(slice(_MARGIN, n - _MARGIN) for n in part.shape)
        return np.asarray(done[inner])

    @cached_property
    def _responses(self) -> dict[tuple[int, ...], Singles]:
        return {}

    def _response(self, size: tuple[int, ...]) -> Singles:
        known = self._responses.get(size)
        if known is None:
            known = np.interp(_frequencies(size), self.nodes, self.transfer).astype(np.float32)
            self._responses.clear()  # the last size only: tiles within a field are alike
            self._responses[size] = known
        return known

    def __getstate__(self) -> dict[str, Any]:
        """Leave out what is quickly made again where a filter goes to another process."""
        return {name: value for name, value in vars(self).items() if name != "_responses"}


@lru_cache(maxsize=1)
def _bessel() -> tuple[Floats, Floats]:
    """Return J1 and J0 at every radius of `_RADII` times every node but the first."""
    kr = np.outer(_RADII, NODES[1:])
    return special.j1(kr), special.j0(kr)


@lru_cache(maxsize=2)
def _frequencies(size: tuple[int, ...]) -> Floats:
    return np.asarray(
        2 * np.pi * np.hypot(np.fft.fftfreq(size[0])[:, None], np.fft.rfftfreq(size[1])[None])
    )


def mirrored(start: int, stop: int, n: int) -> npt.NDArray[np.int64]:
    """Return the indices of a tile with its margin, mirrored at the field's edge."""
    index = np.arange(start - _MARGIN, stop + _MARGIN) % (2 * n)
    return np.where(index < n, index, 2 * n - 1 - index)


def bridged(raw: Singles, valid: Bools) -> Singles:
    """Return the picture with pixels that must not be used filled in from around them.

    Dims: `raw` (y, x), `valid` (y, x); returns (y, x).
    """
    weight = ndimage.gaussian_filter(valid.astype(np.float32), 3.0)
    around = ndimage.gaussian_filter(np.where(valid, raw, np.float32(0)), 3.0)
    return np.where(valid, raw, around / np.maximum(weight, 1e-3)).astype(np.float32)


def best_filter(structure: Structure, *, information: float) -> Filter:
    """Return the filter with the least mean square error for the structure and its noise.

    Wiener (1949): ``H = S B / (S B^2 + N)`` with the spectrum S of a random set of discs, the
    blur's transfer B and white noise N, scaled to keep the mean. Chosen by experiment: on 48
    seeded scenes (39 of them resolvable), all else equal, the mean object F1 was 0.91 (0.95) with
    this filter; 0.86 (0.91) with the best of three Gaussian averages set by the information per
    pixel; 0.86 (0.91) with the best of three strengths of total variation, whose level set is the
    two-class Potts optimum; 0.85 (0.91) with the best of three strengths of a minimum graph cut of
    the pixels' log odds; 0.78 (0.85) with significant wavelet coefficients at five scales
    (``tests/benchmarks/segmentation.py regularisers``).
    """
    k = NODES
    spectrum = structure.spectrum(k)
    blur = np.exp(-0.5 * (k * structure.blur) ** 2)
    h = spectrum * blur / (spectrum * blur**2 + NOISE_SHARE / max(information, 1e-9))
    return Filter(k, h / h[0], structure.blur)


def gaussian_filter(scale: float, *, blur: float = 0.0) -> Filter:
    """Return a Gaussian average as a `Filter`."""
    k = NODES
    return Filter(k, np.exp(-0.5 * (k * scale) ** 2), blur)

"""Regions drawn in a registered electron image, each confirmed or refused by its counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy import fft, ndimage
from scipy.special import logsumexp
from scipy.stats import norm

from spattermap.core.arrays import Bools, Floats, Integers, Labels, Singles
from spattermap.core.estimate import middle_and_scatter
from spattermap.segment import droplets, lobes
from spattermap.segment.filters import Structure
from spattermap.segment.hills import part
from spattermap.segment.image_grid import blurred
from spattermap.segment.parting import contacts, elongation, pixel_sums

_SURE_METAL, _SURE_BARE = 0.8, 0.2  # fused fraction beyond which a pixel's kind is settled
_SHARP = 0.8  # px; standard deviation of the edge as the picture shows it
_GRADIENT = 0.6  # px; scale at which the picture's edge is looked for
_BAND = 2  # px on either side of an edge, whose half height is sought
_CROSS = ndimage.generate_binary_structure(2, 1)
_HALF_WIDE = 3.0  # px; half the width of the widest scratch or spot that is looked through
_THIN = 2.0  # px; half the width below which what hangs on metal is a tail,
_LONG = 1.6  # px; ... if it reaches so far from what is wider
_BROAD = 2.0  # px; half the least width of metal that the picture hides and the maps show
_TOLD = 3.0  # log odds from which counts alone decide
# px^3; variance of an outline's place times its correlation length: dust and scratches displace it
# more than the picture's noise does
_WHITE = 1.0
_PRICE = 6.0  # nats; that what a picture draws as one is several droplets
_ELONGATED = 2.5  # length over width from which a region may be a streak
# part of the shapes of a picture that are metal, at most: each must show some metal in its counts
_MOST_SHARE = 0.95
_MOST_FALSE = 0.05  # regions a field that noise may add to those of the picture
_AWAY = 2  # px from what is drawn, within which nothing more is looked for
_LOCAL = 10.0  # px; scale of the plate's own grey
_CLEAR = 5.0  # scatters of the plate's grey below half the metal's step
_LEAST_SMALL = 4  # px; the smallest that is looked for
_ABOUT = 4  # px about a region that tell how it looks
_LEAST_VARIED = 1e-3  # variance of the blurred outline about a region for its look to be told
_SETTLED = 5.0  # log odds from which counts alone settle a region
_FEW = 10  # settled regions that tell how metal looks
_MOST_TOLD = 3.0  # log odds against a region that its look gives at most
_CG_STEPS = 40
_CG_TOLERANCE = 1e-4
_LEAST_SPREAD, _MOST_SPREAD = 0.1, 0.35  # of the metal signal from region to region
_BARE_SPREAD = 0.07
_SHARED = 0.3  # part of a region of the maps that the picture must hold for them to be the same


@dataclass(frozen=True)
class Footprints:
    """Strength of each region in the counts."""

    # (region,): metal fraction above bare and its standard error, all regions fitted at once
    signal: Floats
    error: Floats


def fuse(
    learned: Singles, evidence: Singles, valid: Bools, structure: Structure, *, unexplained: float,
    noise: float,
) -> Singles:  # fmt: skip
    """Return the picture's unblurred metal fraction, corrected by the counts where they tell.

    Dims: `learned`, `evidence`, `valid` (y, x); `unexplained` is the part of the true variance that
    the picture leaves, `noise` the variance of the evidence in one pixel.

    ``c = p + H (f - B p)`` with ``H = S' B / (S' B^2 + v)`` (Wiener 1949), where S' is the spectrum
    of what the picture leaves, taken as the material's times `unexplained`. As the dose grows v
    falls, H tends to 1/B, and the counts win.
    """
    size = [fft.next_fast_len(n + 64, real=True) for n in learned.shape]
    k = 2 * np.pi * np.hypot(np.fft.fftfreq(size[0])[:, None], np.fft.rfftfreq(size[1])[None])
    nodes = np.linspace(0, np.pi * np.sqrt(2), 512)
    spectrum = max(unexplained, 0.0) * structure.spectrum(nodes)
    blur = np.exp(-0.5 * (nodes * structure.blur) ** 2)
    h = spectrum * blur / (spectrum * blur**2 + noise)
    rest = np.where(valid, evidence - blurred(learned, structure.blur), np.float32(0))
    padded = np.pad(rest, [(0, s - n) for s, n in zip(size, rest.shape, strict=True)])
    transfer = np.interp(k, nodes, h).astype(np.float32)
    correction = fft.irfft2(fft.rfft2(padded) * transfer, size)
    return np.asarray(learned + correction[: rest.shape[0], : rest.shape[1]], dtype=np.float32)


def snapped(fused: Singles, picture: Singles) -> tuple[Bools, float]:
    """Return the metal with its edges moved to the picture's, and how much clearer these are.

    Dims: (y, x). The second is the mean gradient along the moved edges over that along the half
    height of `fused`.
    """
    from skimage import segmentation

    plain = fused > 0.5
    gradient = ndimage.gaussian_gradient_magnitude(picture, _GRADIENT, truncate=3.0)
    markers = np.zeros(fused.shape, np.int32)
    markers[fused < _SURE_BARE] = 1
    markers[fused > _SURE_METAL] = 2
    # Only what is unsure, and the sure pixels beside it, need be flooded.
    near = ndimage.binary_dilation(markers == 0, np.ones((3, 3), dtype=bool))
    moved = markers == 2
    moved[near] = segmentation.watershed(gradient, markers, mask=near)[near] == 2  # type: ignore[no-untyped-call]
    before, after = (float(gradient[_rim(m)].mean()) if m.any() else 0.0 for m in (plain, moved))
    return np.asarray(moved), (after / before if before > 0 else 0.0)


def at_half_height(mask: Bools, picture: Singles) -> Bools:
    """Move edges, right to about a pixel, to half height between just within and just without.

    Dims: (y, x). The largest gradient of a small blurred disc lies within its edge; its half height
    hardly does.
    """
    smooth = blurred(picture, 0.5)
    for _ in range(2):
        inner = mask & ~ndimage.binary_erosion(mask, _CROSS, iterations=_BAND, border_value=1)
        outer = ndimage.binary_dilation(mask, _CROSS, iterations=_BAND) & ~mask
        level = [
            blurred(np.where(band, smooth, np.float32(0)), _BAND)
            / np.maximum(blurred(band.astype(np.float32), _BAND), 1e-3)
            for band in (inner, outer)
        ]
        step = level[0] - level[1]
        inside = (smooth - 0.5 * (level[0] + level[1])) * np.sign(step) > 0
        near = ndimage.binary_dilation(mask, _CROSS) & ~ndimage.binary_erosion(
            mask, _CROSS, border_value=1
        )
        mask = np.where(near, inside, mask)
    return np.asarray(mask)


def _rim(mask: Bools) -> Bools:
    return np.asarray(mask ^ ndimage.binary_erosion(mask, border_value=1)) | (
        ndimage.binary_dilation(mask) ^ mask
    )


def edge_support(mask: Bools, picture: Singles) -> float:
    """Return the mean gradient of the picture along the edges over that of the whole picture."""
    gradient = ndimage.gaussian_gradient_magnitude(picture, _GRADIENT, truncate=3.0)
    edge = _rim(mask)
    return float(gradient[edge].mean() / max(float(gradient.mean()), 1e-9)) if edge.any() else 0.0


def misfit(
    mask: Bools, maps_mask: Bools, evidence: Singles, valid: Bools, *, blur: float, noise: float
) -> float:
    """Return by how much worse the counts fit a mask than that of the maps, per pixel of its rim.

    Chi-square about the blurred mask, its strength and ground fitted. The outlines of the maps have
    followed the noise of the same counts, so that a little says nothing: 0.1 of a good picture.
    """
    found = []
    for drawn in (mask, maps_mask):
        shown = blurred(drawn.astype(np.float32), blur)[valid]
        slope, ground = np.polyfit(shown, evidence[valid], 1)
        found.append(float(np.sum((evidence[valid] - slope * shown - ground) ** 2)))
    rim = max(1, int(np.count_nonzero(_rim(maps_mask))))
    return (found[0] - found[1]) / (noise * rim)


def mended(
    mask: Bools, maps_mask: Bools, evidence: Singles, valid: Bools, *, blur: float, noise: float
) -> tuple[Bools, Bools]:
    """Return the metal freed of what only the picture cuts from it or hangs on it, and the unsure.

    Dims: all (y, x). What a scratch or a dark spot hides of metal is narrow or closed in; what a
    scratch adds to it is a tail; what dust hides may be broad. Each such piece has its counts
    weighed, metal against bare: where these tell, they decide. Where not, a gap is filled but
    unsure (second result), which is for the shape of what lies about it to settle; a tail is left
    to the maps. Broad metal that the maps alone show must be more than noise draws in a field.
    """
    closed = _closed(mask, _HALF_WIDE) | ndimage.binary_fill_holes(mask)
    core = ~_closed(~mask, _THIN)
    thin = mask & ~core & _touching(mask, core)
    far = thin & (ndimage.distance_transform_edt(~core) > _LONG) if core.any() else thin
    kinds = (
        closed & ~mask & valid,
        ndimage.binary_opening(maps_mask & ~closed & valid, _disc(_BROAD)),
        _touching(thin, far),
    )
    pieces, n = np.zeros(mask.shape, np.int32), [0]
    for kind in kinds:
        some, more = ndimage.label(kind)
        pieces[kind] = some[kind] + sum(n)
        n.append(more)
    total = sum(n)
    if total == 0:
        return mask, np.zeros_like(mask)
    metal, _ = ndimage.label(mask)
    labels = np.where(pieces > 0, pieces, np.where(metal > 0, metal + total, 0)).astype(np.int32)
    found = footprints(labels, evidence, valid, blur=blur, noise=noise)
    typical = _typical(Footprints(found.signal[total:], found.error[total:]))
    s, e = found.signal[:total], found.error[:total]
    odds = np.asarray((s - typical / 2) * typical / e**2)
    is_gap, is_broad, is_tail = (np.repeat(np.arange(3), n[1:]) == k for k in range(3))
    area = np.bincount(pieces.ravel(), minlength=total + 1)[1:]
    in_maps = np.bincount(pieces[maps_mask], minlength=total + 1)[1:] > 0.5 * area
    told = np.abs(odds) > _TOLD
    keep = np.where(told, odds > 0, is_gap | (is_tail & in_maps))
    keep &= ~is_broad | out_of_noise(Footprints(s, e), area.astype(np.float64), mask.size)
    out = np.where(pieces > 0, np.append(False, keep)[pieces], mask)
    return np.asarray(out), np.append(False, is_gap & ~told)[pieces]


def _touching(mask: Bools, by: Bools) -> Bools:
    """Return the pieces of a mask in which something else lies."""
    pieces, _ = ndimage.label(mask)
    return np.asarray(np.isin(pieces, np.unique(pieces[by & mask])) & mask)


def _disc(radius: float) -> Bools:
    reach = int(radius)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return np.asarray(y**2 + x**2 <= radius**2)


def _closed(mask: Bools, radius: float) -> Bools:
    """Return the mask closed by a disc; beyond the frame it is as its mirror image."""
    reach = min(2 * int(radius) + 2, *(n - 1 for n in mask.shape))
    wide = np.pad(mask, reach, mode="symmetric")
    return np.asarray(ndimage.binary_closing(wide, _disc(radius))[reach:-reach, reach:-reach])


def with_small(labels: Labels, picture: Singles, use: Bools) -> Labels:
    """Return the labels with what else stands out of the picture as the metal does, only smaller.

    Dims: all (y, x). What was learned from blurred maps is too coarse for it. Nothing is added
    where the grey of the plate alone comes halfway to the metal's.
    """
    near = ndimage.binary_dilation(labels > 0, iterations=_AWAY)
    bare = use & ~near
    core = ndimage.binary_erosion(labels > 0, _CROSS)
    if not core.any() or np.count_nonzero(bare) < core.size // 100:
        return labels
    weight = blurred(bare.astype(np.float32), _LOCAL)
    level = blurred(np.where(bare, picture, np.float32(0)), _LOCAL) / np.maximum(weight, 1e-3)
    above = blurred(picture, _GRADIENT) - level
    step = float(np.median(above[core]))
    _, scatter = middle_and_scatter(above[bare])
    if abs(step) < 2 * _CLEAR * scatter:
        return labels
    high = use & (labels == 0) & (above * np.sign(step) > 0.5 * abs(step))
    pieces, n = ndimage.label(high)
    area, beside = (np.bincount(pieces[at], minlength=n + 1)[1:] for at in (high, near))
    more = renumbered(pieces.astype(np.int32), (area >= _LEAST_SMALL) & (beside == 0))
    return np.asarray(np.where(more > 0, more + labels.max(), labels), np.int32)


def parted(mask: Bools, fused: Singles, *, noise: float, strength: float) -> Labels:
    """Part the metal into droplets by the engine's own rules, at the picture's sharpness."""
    rule = droplets.Parting.at(_SHARP, noise=noise, strength=strength)
    whole = droplets.without_pinholes(mask, rule.least_area)
    # Edges moved to the picture's may lie where the fraction is low.
    height = np.where(whole, np.clip(fused, 0.05, 1.0), fused).astype(np.float32)
    labels, _ = part(height, whole.astype(np.int32), rule.dips)
    if not rule.parts_nothing:
        labels, _ = part(droplets.blunted_distance(whole, rule.blunt), labels, rule.necks)
    return labels


def parted_by_shape(mask: Bools, unsure: Bools, *, diameter: float, strength: float) -> Labels:
    """Part the metal into droplets by its outline, at the picture's sharpness.

    Dims: (y, x). What is `unsure` stays metal where one droplet lies about it, and not between two.
    """
    rule = droplets.Parting.at(_SHARP, noise=0.05, strength=strength)
    whole = droplets.without_pinholes(mask, rule.least_area)
    pieces, _ = ndimage.label(whole)
    labels = np.asarray(pieces, np.int32)
    if rule.parts_nothing:
        return np.asarray(labels)
    labels, _ = part(droplets.blunted_distance(whole, rule.blunt), labels, rule.necks)
    labels = _by_shape(whole, labels, diameter=diameter, strength=strength)
    return _opened(labels, unsure)


def _by_shape(whole: Bools, labels: Labels, *, diameter: float, strength: float) -> Labels:
    """Return the labels of a mask parted anew by ellipses; `diameter` is the one expected (px)."""
    n = int(labels.max())
    if n == 0:
        return labels
    height = blurred(whole.astype(np.float32), _SHARP)
    outline = lobes.outline_of(height, labels, np.full(n + 1, 0.5, np.float32))
    touching = np.array(contacts(labels), np.int64).reshape(-1, 2)
    lump = lobes.lumps_of(n, touching)
    told = lobes.Evidence(
        white=_WHITE, sigma=_SHARP, middle=0.5 * diameter, price=_PRICE / strength, least=1.0
    )
    sums = pixel_sums(labels, n, 0, 0)
    # What may be a streak is no droplet of ellipses.
    left = np.zeros(int(lump.max()) + 1, dtype=bool)
    left[lump[[k for k in range(1, n + 1) if elongation(sums[k]) > _ELONGATED]]] = True
    lumps = lobes.put_together(lump, [lobes.explain_lumps(outline, lump, sums, told, left=left)])
    drawn = lobes.paint(lump[labels], lumps.ellipses, lumps.begin, 0, 0)
    drawn = np.where(lumps.kept[labels] > 0, lumps.kept[labels], drawn)
    return renumbered(drawn, np.bincount(drawn.ravel(), minlength=len(lumps.ellipses) + 1)[1:] > 0)


def _opened(labels: Labels, unsure: Bools) -> Labels:
    """Take what is unsure off where no single droplet closes about it."""
    out = np.where(unsure, 0, labels).astype(np.int32)
    doubtful = np.where(unsure, labels, 0)
    reach = 2 * int(_HALF_WIDE) + 2
    boxes, gaps = ndimage.find_objects(labels), ndimage.find_objects(doubtful)
    for k in np.unique(doubtful[doubtful > 0]):
        box, gap = boxes[k - 1], gaps[k - 1]
        near = tuple(slice(max(0, b.start - reach), b.stop + reach) for b in gap)
        wanted = doubtful[near] == k
        found = wanted & _closed(out[near] == k, _HALF_WIDE)
        if not found[wanted].all():
            whole = ndimage.binary_fill_holes(out[box] == k)
            out[box][whole & (doubtful[box] == k)] = k
        out[near][found] = k
    return out


def footprints(
    labels: Labels, evidence: Singles, valid: Bools, *, blur: float, noise: float
) -> Footprints:
    """Fit the unsmoothed evidence by all blurred regions at once.

    Dims: `labels`, `evidence`, `valid` (y, x); `blur` in px, `noise` the variance in one pixel.
    Normal equations solved by conjugate gradients (Hestenes & Stiefel 1952), the bare plate being
    one more region.
    """
    n = int(labels.max()) + 1
    flat = labels.ravel()

    def normal(s: Floats) -> Floats:
        seen = np.where(valid, blurred(s.astype(np.float32)[labels], blur), np.float32(0))
        sums = np.bincount(flat, blurred(seen, blur).ravel(), minlength=n)
        return np.asarray(sums, np.float64)

    diagonal = _diagonal(labels, valid, blur)
    right = np.bincount(flat, blurred(np.where(valid, evidence, 0), blur).ravel(), minlength=n)
    signal = _conjugate_gradients(normal, np.asarray(right, np.float64), diagonal)
    return Footprints(signal[1:] - signal[0], np.sqrt(noise / diagonal[1:]))


def _diagonal(labels: Labels, valid: Bools, blur: float) -> Floats:
    """Return the sum of squares of each blurred region, the bare plate first."""
    area = np.bincount(labels.ravel()).astype(np.float64)
    reach = int(3 * blur + 0.5)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / max(blur, 1e-3)) ** 2)
    boxes = np.zeros((area.size - 1, 4), np.int64)
    for k, box in enumerate(ndimage.find_objects(labels)):
        if box is not None:
            boxes[k] = box[0].start, box[0].stop, box[1].start, box[1].stop
    squares = _squares(labels, valid, boxes, kernel / kernel.sum())
    bare = max(area[0] - np.sum(area[1:] - squares), 0.5 * area[0])
    return np.asarray(np.maximum(np.append(bare, squares), 0.05 * area) + 1e-9)


@njit(cache=True, nogil=True)
def _squares(labels: Labels, valid: Bools, boxes: Integers, kernel: Floats) -> Floats:
    """Return the sum of squares of each region under a blur along rows and columns.

    Dims: `labels`, `valid` (y, x), `boxes` (region, 4); returns (region,). Beyond the frame all is
    as its mirror image, as in `blurred`.
    """
    rows, columns = labels.shape
    reach = kernel.size // 2
    out = np.zeros(len(boxes))
    line = np.zeros(columns)
    for k in range(len(boxes)):
        top, bottom, left, right = boxes[k]
        for y in range(max(top - reach, 0), min(bottom + reach, rows)):
            for x in range(left, right):
                line[x] = 0.0
                for t in range(kernel.size):
                    if labels[_mirrored(y + t - reach, rows), x] == k + 1:
                        line[x] += kernel[t]
            for x in range(max(left - reach, 0), min(right + reach, columns)):
                seen = 0.0
                for t in range(kernel.size):
                    from_ = _mirrored(x + t - reach, columns)
                    if left <= from_ < right:
                        seen += kernel[t] * line[from_]
                if valid[y, x]:
                    out[k] += seen * seen
    return out


@njit(cache=True, nogil=True)
def _mirrored(i: int, n: int) -> int:
    """Return the place in a line of `n` of which a place beyond its ends is the mirror image."""
    i = -1 - i if i < 0 else i
    return max(2 * n - 1 - i if i >= n else i, 0)


def _conjugate_gradients(apply, right: Floats, diagonal: Floats) -> Floats:  # type: ignore[no-untyped-def]
    x = right / diagonal
    r = right - apply(x)
    z = r / diagonal
    p, size = z.copy(), float(r @ z)
    least = _CG_TOLERANCE**2 * float(right @ (right / diagonal))
    for _ in range(_CG_STEPS):
        if size <= least:
            break
        q = apply(p)
        step = size / float(p @ q)
        x, r = x + step * p, r - step * q
        z = r / diagonal
        size, before = float(r @ z), size
        p = z + size / before * p
    return np.asarray(x)


def metal_odds(found: Footprints) -> Floats:
    """Return the log odds that each region is metal, by two classes fitted to them, dims (region,).

    Two normal classes, bare about 0 and metal about its own mean, each as wide as its regions
    differ and their errors say; the mean, the spread and the share of metal by expectation and
    maximisation (Dempster, Laird & Rubin 1977).
    """
    s, e = found.signal, found.error
    if s.size == 0:
        return np.zeros(0)
    mean, spread, share = _typical(found), 0.2, 0.9
    odds = np.zeros(s.size)
    for _ in range(30):
        # Above the metal's mean nothing speaks for bare plate.
        metal = _log_normal(np.minimum(s - mean, 0), np.hypot(e, spread)) + np.log(share)
        bare = _log_normal(s, np.hypot(e, _BARE_SPREAD)) + np.log1p(-share)
        odds = metal - bare
        p = np.exp(metal - logsumexp([metal, bare], axis=0))
        weight = p / (e**2 + spread**2)
        if weight.sum() <= 0:
            break
        mean = max(float((weight * s).sum() / weight.sum()), 0.4)
        scatter = float((weight * ((s - mean) ** 2 - e**2)).sum() / weight.sum())
        spread = float(np.sqrt(np.clip(scatter, _LEAST_SPREAD**2, _MOST_SPREAD**2)))
        share = float(np.clip(p.mean(), 0.05, _MOST_SHARE))
    return odds


def look_odds(labels: Labels, picture: Singles, odds: Floats) -> Floats:
    """Return the log odds that each region is metal by how it looks, dims (region,).

    Dims: `labels`, `picture` (y, x); `odds` are those by the counts. How far a region stands out of
    its surroundings, and what its outline leaves unexplained there, as they are for the regions
    that the counts settled, against any grey and any misfit. What settles nothing has odds 0.
    """
    n = int(labels.max())
    if n == 0:
        return np.zeros(0)
    step, misfit = _stands_out(labels, picture)
    told = np.zeros(n)
    for values, wide in ((step, None), (np.log(np.maximum(misfit, 1e-6)), 1.0)):
        settled = values[(odds > _SETTLED) & np.isfinite(values)]
        if settled.size < _FEW:
            return np.zeros(n)
        middle = np.median(settled)
        low, high = np.percentile(settled, (5, 95))
        spread = max(float(high - low) / 3.29, 1e-6)
        broad = np.hypot(abs(middle) if wide is None else wide, spread)
        off = np.where(np.isfinite(values), values - middle, np.nan)
        one = _log_normal(off, np.asarray(spread)) - _log_normal(off, np.asarray(broad))
        told += np.where(np.isfinite(one), np.maximum(one, -_MOST_TOLD), 0)
    return told


def _stands_out(labels: Labels, picture: Singles) -> tuple[Floats, Floats]:
    """Return by how much of the grey each region stands out, and what its outline leaves of it.

    Least squares of the picture about each region on the blurred outline and a level; the second is
    the standard deviation of the rest.
    """
    from skimage.segmentation import expand_labels

    about = expand_labels(labels, _ABOUT).ravel()  # type: ignore[no-untyped-call]
    x = blurred((labels > 0).astype(np.float32), _SHARP).ravel().astype(np.float64)
    y = picture.ravel().astype(np.float64)
    size = int(labels.max()) + 1
    weights = (None, x, y, x * x, x * y, y * y)
    number, sx, sy, sxx, sxy, syy = (np.bincount(about, w, minlength=size)[1:] for w in weights)
    with np.errstate(divide="ignore", invalid="ignore"):
        var_x, var_y = sxx / number - (sx / number) ** 2, syy / number - (sy / number) ** 2
        both = sxy / number - sx * sy / number**2
        step = np.where(var_x > _LEAST_VARIED, both / var_x, np.nan)
        rest = np.sqrt(np.maximum(var_y - both * step, 0))
    return step, rest


def out_of_noise(found: Footprints, area: Floats, n_pixels: int) -> Bools:
    """Return which regions noise alone would not draw somewhere in a field; dims (region,).

    A field has about as many places for noise as regions of such an `area` (px) fit into it.
    """
    least = norm.isf(np.clip(_MOST_FALSE * area / n_pixels, 0, 0.5))
    return np.asarray(found.signal > least * found.error)


def _typical(found: Footprints) -> float:
    """Return the signal of most of the metal."""
    s, e = found.signal, found.error
    sure = (e < 0.3) & (s > 0.4)
    return max(float(np.median(s[sure])) if sure.any() else 1.0, 0.5)


def _log_normal(x: Floats, sd: Floats) -> Floats:
    return np.asarray(-0.5 * (x / sd) ** 2 - np.log(sd))


def only_in_maps(image_labels: Labels, map_labels: Labels) -> Labels:
    """Return the image's regions with those regions of the maps added that it does not show."""
    n = int(map_labels.max()) + 1
    area = np.bincount(map_labels.ravel(), minlength=n)
    shared = np.bincount(map_labels[image_labels > 0], minlength=n)
    wanted = (shared < _SHARED * area) & (area > 0)
    wanted[0] = False
    table = np.zeros(n, np.int32)
    table[wanted] = int(image_labels.max()) + 1 + np.arange(np.count_nonzero(wanted))
    return np.where(image_labels > 0, image_labels, table[map_labels])


def renumbered(labels: Labels, kept: Bools) -> Labels:
    """Return the kept regions, numbered anew; `kept` has dims (region,)."""
    table = np.zeros(kept.size + 1, np.int32)
    table[1:][kept] = np.arange(1, np.count_nonzero(kept) + 1)
    return np.asarray(table[labels])

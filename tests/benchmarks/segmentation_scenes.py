"""Seeded scenes of known truth and the scoring that the segmentation tests and benchmarks share.

The scenes come from the forward model in `spattermap.synthesis`: lens, cap and disc profiles,
X-ray response to thickness, spectral background, blur and Poisson counting. The package itself
uses nothing of this.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from spattermap.core.mapset import facts, make_map_set, stated_roles
from spattermap.synthesis import Deposit, Droplets, Haze, Streaks, make_deposit

PROFILES = ("lens", "cap", "disc")


def design(n=48, size=256, *, offset=0):
    """Return `n` deposits that fill the stated ranges evenly (scrambled Sobol points).

    Alloy counts per pixel 0.1 to 50, coverage 5 to 60 %, D50 6 to 40 px, blur 0 to 3 px, haze in
    one half of the scenes, streaks in one half, touching droplets in one half. Another `offset`
    scrambles anew: scenes on which nothing was ever adjusted.
    """
    return [_deposit(i, *p, size=size) for i, p in enumerate(_points(n, 20 + offset))]


def few_counts(n=12, size=256, *, offset=0):
    """Return `n` resolvable deposits of 0.15 to 0.3 alloy counts a pixel, the rest as `design`."""
    wanted = []
    for i, (a, *rest) in enumerate(_points(8 * n, 2000 + offset)):
        spec = _deposit(i, a, *rest, size=size)
        spec = spec.with_changes(counts_per_pixel=0.15 * 2**a)
        wanted += [spec] if resolvable(spec) else []
    return wanted[:n]


def _points(n, seed):
    from scipy.stats import qmc

    points = qmc.Sobol(7, seed=seed).random(1 << int(np.ceil(np.log2(n))))[:n]
    return [[float(v) for v in point] for point in points]


def _deposit(i, a, b, c, d, e, g, h, *, size):
    d50 = 6 * (40 / 6) ** c
    return Deposit(
        shape=(size, size),
        counts_per_pixel=0.1 * 500**a,
        blur_px=3 * d,
        droplets=Droplets(
            d50_px=d50,
            sigma_g=1.35,
            coverage=0.05 + 0.55 * b,
            placement="touching" if h > 0.5 else "apart",
            touching_share=0.25,
            profile=PROFILES[i % 3],
            gap_px=2,
            thickness_exponent=(1, 0.5)[i % 2],
        ),
        streaks=Streaks(
            number=int(12 * (g - 0.5)) if g > 0.5 else 0,
            length_px=4.5 * d50,
            width_px=0.6 * d50,
            direction_deg=360 * e,
        ),
        haze=Haze(thickness_um=0.08 * (2 * e - 1) if e > 0.5 else 0, contrast=0.3),
        electron_image=False,
    )


def resolvable(spec):
    """Return True where a median droplet is wider than its blur and holds counts enough.

    The diameter exceeds the full width of the blur at half maximum (2.35 standard deviations)
    twice, and the droplet gives at least 30 alloy counts. This limit was drawn after earlier
    results on such scenes had been seen, so read the row of all scenes first.
    """
    d50 = spec.droplets.d50_px
    return d50 >= 4.7 * spec.blur_px and spec.counts_per_pixel * np.pi / 4 * d50**2 >= 30


def scene(spec, seed):
    """Return map set, roles, truth and true labels."""
    maps, truth, labels = make_deposit(spec, seed=seed)
    return maps, roles_of(maps), truth, labels


def roles_of(maps):
    """Return the roles that the map set states."""
    known = facts(maps)
    return stated_roles(
        [str(e) for e in maps["element"].values],
        alloy=known.alloy,
        substrate=known.substrate,
        how="stated",
    )


def noise_only(seed, counts, size=256, *, n_elements=5):
    """Return a map set of a bare plate: no structure at all."""
    random = np.random.default_rng(seed)
    mean = counts * np.array(
        [0.03, 0.02, 0.50, 0.39, 0.06, 0.02, 0.03, 0.04, 0.01, 0.02, 0.03, 0.01]
    )
    mean = mean[:n_elements]
    planes = random.poisson(np.broadcast_to(mean[:, None, None], (mean.size, size, size)))
    names = ["Cu", "Zn", "Si", "O", "C", "Al", "Ca", "Na", "Ni", "Sn", "Fe", "Mg"]
    return make_map_set(
        planes,
        names[:n_elements],
        alloy={"Cu": 70.0, "Zn": 30.0},
        substrate=["Si", "O"],
    )


def match(found, true, threshold=0.5):
    """Return the pairs (found label, true label) with an IoU above `threshold`."""
    base = int(true.max()) + 1
    pairs, n = np.unique(found.ravel().astype(np.int64) * base + true.ravel(), return_counts=True)
    f, t = pairs // base, pairs % base
    area_f, area_t = np.bincount(found.ravel()), np.bincount(true.ravel())
    both = (f > 0) & (t > 0)
    f, t, n = f[both], t[both], n[both]
    good = n / (area_f[f] + area_t[t] - n) > threshold  # above one half a pairing is unique
    return np.stack([f[good], t[good]], axis=1)


def _present(labels):
    return int(np.count_nonzero(np.bincount(labels.ravel())[1:]))


def f1(found, true):
    """Return the object F1 at IoU 0.5."""
    return 2 * len(match(found, true)) / max(1, _present(found) + _present(true))


def _on_rim(labels):
    rim = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    return set(np.unique(rim).tolist()) | {0}


def f1_inside(found, true):
    """Return the object F1 at IoU 0.5 of what lies wholly inside the frame.

    What the frame cuts, often a sliver of a few pixels, counts on neither side (ISO 13322-1); a
    whole object found as one that the frame cuts still counts as found.
    """
    cut = _on_rim(true)
    pairs = match(found, true)
    hits = sum(t not in cut for _, t in pairs)
    whole = len(set(np.unique(true).tolist()) - cut)
    more = len(set(np.unique(found).tolist()) - _on_rim(found) - set(pairs[:, 0].tolist()))
    return 2 * hits / max(1, hits + whole + more)


def whole_diameters(labels, n_droplets, least):
    """Return area-equivalent diameters of droplets inside the frame, from `least` up."""
    rim = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    area = np.bincount(labels.ravel(), minlength=n_droplets + 1)[: n_droplets + 1].astype(float)
    area[rim[rim <= n_droplets]] = 0
    diameters = 2 * np.sqrt(area[1:] / np.pi)
    return diameters[diameters >= max(least, 0.5)]


def streak_scores(segmentation, true_labels, truth):
    """Return found, true and matched numbers of streaks, and the matched angle errors (deg).

    Only streaks wholly inside the frame count on either side; the angle error of a streak whose
    head is known is taken over the full turn.
    """
    n_true = truth["droplet_count"]
    rim = {
        name: set(np.unique(np.concatenate([x[0], x[-1], x[:, 0], x[:, -1]])).tolist())
        for name, x in (("found", segmentation.labels), ("true", true_labels))
    }
    true = {s["label"]: s for s in truth["streaks"] if s["label"] not in rim["true"]}
    rows = segmentation.streaks.set_index("streak")
    found = [k for k in rows.index if k not in rim["found"]]
    hits, errors = 0, []
    for f, t in match(segmentation.labels, true_labels):
        if f <= segmentation.n_droplets or t <= n_true or t not in true or f not in rows.index:
            continue
        hits += 1
        turn = 360 if rows.directed[f] and true[t]["directed"] else 180
        gap = (rows.angle_deg[f] - true[t]["angle_deg"] + turn / 2) % turn - turn / 2
        errors.append(abs(gap))
    return len(found), len(true), hits, errors


def plain_script(maps, alloy):
    """Return labels of the plain script: Gaussian 1 px, Otsu on the metal sum, watershed."""
    from skimage.feature import peak_local_max
    from skimage.filters import threshold_otsu
    from skimage.segmentation import watershed

    total = maps["counts"].sel(element=list(alloy)).sum("element").values
    smooth = ndimage.gaussian_filter(total.astype(float), 1.0)
    mask = smooth > threshold_otsu(smooth)
    distance = ndimage.distance_transform_edt(mask)
    peaks = peak_local_max(distance, min_distance=3, labels=mask.astype(int), exclude_border=False)
    markers = np.zeros(mask.shape, np.int32)
    markers[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    return watershed(-distance, markers, mask=mask).astype(np.int32)


def with_streaks(labels, smallest):
    """Return regions with the pieces of streaks joined, and which of them are streaks."""
    from scipy import ndimage

    from spattermap.segment.parting import contacts
    from spattermap.segment.streaks import Outlook, find_among

    n = int(labels.max(initial=0))
    boxes = np.zeros((n + 1, 4), np.int64)
    for k, (rows, columns) in enumerate(ndimage.find_objects(labels), start=1):
        boxes[k] = [rows.start, columns.start, rows.stop, columns.stop]
    frame = np.ones(labels.shape, bool)
    frame[1:-1, 1:-1] = False
    area, rim = (np.bincount(one, minlength=n + 1) for one in (labels.ravel(), labels[frame]))
    table, chosen, _ = find_among(
        Outlook(boxes, area, rim),
        contacts(labels),
        lambda k: np.nonzero(labels == k),
        smallest=smallest,
    )
    return table[labels], chosen

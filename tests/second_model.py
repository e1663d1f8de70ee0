"""A second forward model, written without a look at the first: layers, droplets, pixels, detector.

Nothing is imported from `spattermap.synthesis`, so that a test made here fails where the package
only understands its own made fields. Film and drop thicknesses are in nm; the depth laws are plain
exponentials set to about what a single-scattering Monte Carlo gives at 15 to 20 keV (a film of
100 nm of copper leaves half of Si Ka), the sensitivities are rounded by hand. `real_field` composes
fields of known truth from the pixels of a real rock instead, so that noise and background are an
instrument's.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import xarray as xr
from scipy import ndimage

from spattermap.core.mapset import make_map_set

# Counts per mass percent of thick matter, in units of copper's; line; energy (keV).
LINES = {
    "O": (1.6, "O Ka", 0.525),
    "Na": (1.9, "Na Ka", 1.041),
    "Mg": (2.4, "Mg Ka", 1.254),
    "Al": (2.9, "Al Ka", 1.487),
    "Si": (3.1, "Si Ka", 1.740),
    "Ca": (2.2, "Ca Ka", 3.691),
    "Ag": (1.05, "Ag La", 2.984),
    "Sn": (0.85, "Sn La", 3.444),
    "Ti": (1.9, "Ti Ka", 4.511),
    "Cr": (1.6, "Cr Ka", 5.415),
    "Fe": (1.4, "Fe Ka", 6.404),
    "Co": (1.25, "Co Ka", 6.930),
    "Ni": (1.15, "Ni Ka", 7.478),
    "Cu": (1.0, "Cu Ka", 8.048),
    "Zn": (0.88, "Zn Ka", 8.639),
}
ALLOYS = {
    "brass": {"Cu": 70.0, "Zn": 30.0},
    "nichrome": {"Ni": 80.0, "Cr": 20.0},
    "silver solder": {"Cu": 60.0, "Ag": 40.0},
    "tin bronze": {"Cu": 90.0, "Sn": 10.0},
    "steel": {"Fe": 72.0, "Cr": 18.0, "Ni": 10.0},
    "titanium": {"Ti": 100.0},
}
GLASSES = {
    "silica": {"O": 53.3, "Si": 46.7},
    "window": {"O": 46.5, "Si": 34.0, "Na": 9.8, "Ca": 6.2, "Mg": 2.4},
}
OWN_NM = 380.0  # a line of the metal reaches 63 % of its bulk value at this thickness
GLASS_NM = 150.0  # the lines of the glass fall to 37 % under this thickness
METAL_PER_GLASS_CONTINUUM = 2.6  # the continuum of thick metal over that of glass


@dataclass(frozen=True)
class Field:
    """A made field and what is true of it."""

    maps: xr.Dataset
    blank: xr.Dataset
    means: np.ndarray  # (element, y, x)
    blank_means: np.ndarray
    verdicts: dict[str, tuple[str, ...]]  # the words that are true of each element
    coverage: float
    connected: tuple[bool, bool]  # x, y
    droplets: int
    kind: str = ""
    facts: dict = field(default_factory=dict)


def made_field(
    seed: int,
    *,
    size: int = 256,
    alloy: str = "brass",
    glass: str = "silica",
    form: str = "droplets",
    coverage: float = 0.2,
    radius: float = 7.0,
    dose: float = 3.0,
    haze_nm: float = 0.0,
    gradient: float = 0.0,
    apart: tuple[str, str, float] | None = None,  # element, "patches" or "between", share
    absent: tuple[str, ...] = (),
    background: float = 0.02,
    blur: float = 0.9,
    pixel_size_um: float = 0.3,
    beam_energy_keV: float = 20.0,
) -> Field:
    """Return a field; `form` is droplets, single, streaks, film or bare."""
    rng = np.random.default_rng(seed)
    height, number = _deposit(rng, size, form, coverage, radius, gradient)
    metal = height > 0
    parts = ALLOYS[alloy]
    haze = haze_nm * (1 + gradient * _bowl(size)) * np.ones((size, size))
    film = {e: np.zeros((size, size)) for e in LINES}
    kept = dict.fromkeys(parts, 1.0)
    if apart:
        name, pattern, share = apart
        shape = np.where(metal, 0.0, 1.0)
        if pattern == "patches":
            shape = shape * (_texture(rng, size, 14.0) > 0.35)
        supply = (parts[name] / 100 * -np.expm1(-(height + haze) / OWN_NM)).mean()
        signal = share * supply / max(shape.mean(), 1e-9)
        film[name] = shape * -np.log1p(-min(signal, 0.9)) * OWN_NM
        kept[name] = 1 - share
    elements = tuple(dict.fromkeys([*parts, *GLASSES[glass], *absent]))
    planes = _planes(
        elements, parts, GLASSES[glass], height=height, haze=haze, film=film, kept=kept,
        beam=beam_energy_keV, background=background,
    )  # fmt: skip
    bulk = sum(LINES[e][0] * p / 100 for e, p in parts.items())
    means = np.stack([ndimage.gaussian_filter(p, blur) for p in planes]) * dose / bulk
    zero = np.zeros((size, size))
    bare = _planes(
        elements, parts, GLASSES[glass], height=zero, haze=zero,
        film=dict.fromkeys(LINES, zero), kept=kept, beam=beam_energy_keV, background=background,
    )  # fmt: skip
    blank_means = np.stack(bare) * dose / bulk
    known = {
        "lines": [LINES[e][1] for e in elements],
        "pixel_size_um": pixel_size_um,
        "beam_energy_keV": beam_energy_keV,
        "substrate": GLASSES[glass],
    }
    maps = make_map_set(counted(rng, means), elements, alloy=parts, title=f"field {seed}", **known)
    blank = make_map_set(counted(rng, blank_means), elements, title="bare plate", **known)
    return Field(
        maps, blank, means, blank_means,
        verdicts=_truth(elements, parts, GLASSES[glass], apart, bare=not metal.any()),
        coverage=float(metal.mean()), connected=_connected(metal), droplets=number,
        kind=f"{form} {alloy} {glass}",
    )  # fmt: skip


def counted(rng: np.random.Generator, means: np.ndarray) -> np.ndarray:
    """Return Poisson counts of mean counts."""
    return rng.poisson(np.maximum(means, 0)).astype(np.uint16)


def _deposit(rng, size, form, coverage, radius, gradient):
    """Return the thickness of the deposit (nm) and the number of droplets."""
    if form == "bare":
        return np.zeros((size, size)), 0
    if form == "film":
        rough = _texture(rng, size, radius)
        return np.where(rough > np.quantile(rough, 1 - coverage), 260.0, 0.0), 1
    height = np.zeros((size, size))
    yy, xx = np.mgrid[:size, :size] + 0.5
    if form == "single":
        y, x = rng.uniform(0.3, 0.7, 2) * size
        d2 = ((yy - y) ** 2 + (xx - x) ** 2) / radius**2
        return np.where(d2 < 1, 900 * np.sqrt(np.clip(1 - d2, 0, 1)), 0.0), 1
    placed: list[tuple[float, float, float]] = []
    if form == "streaks":
        height = _streaks(rng, size, yy, xx)
    for _ in range(4000):
        if (height > 0).mean() >= coverage:
            break
        y, x = rng.uniform(0, size, 2)
        if rng.random() > np.clip(1 - gradient * (1 - _bowl(size)[int(y), int(x)]), 0.05, 1):
            continue
        r = radius * np.exp(0.28 * rng.standard_normal())
        if any((y - a) ** 2 + (x - b) ** 2 < (r + c + 2.5) ** 2 for a, b, c in placed):
            continue
        placed.append((y, x, r))
        low, high = (int(max(0, v - r - 2)) for v in (y, x))
        box = (slice(low, int(y + r + 3)), slice(high, int(x + r + 3)))
        d2 = ((yy[box] - y) ** 2 + (xx[box] - x) ** 2) / r**2
        drop = np.where(d2 < 1, 130 * r * np.sqrt(np.clip(1 - d2, 0, 1)), 0.0)
        height[box] = np.maximum(height[box], drop)
    return height, len(placed)


def _streaks(rng, size, yy, xx):
    height = np.zeros((size, size))
    angle = rng.uniform(0, np.pi)
    for _ in range(9):
        y, x = rng.uniform(0.1, 0.9, 2) * size
        turn = angle + 0.1 * rng.standard_normal()
        along = (xx - x) * np.cos(turn) - (yy - y) * np.sin(turn)
        across = (xx - x) * np.sin(turn) + (yy - y) * np.cos(turn)
        inside = (np.abs(along) < 35) & (np.abs(across) < 3.5 * (1 - along / 90))
        height[inside] = 500.0
    return height


def _bowl(size):
    """Return 1 at the centre of the deposit, 0 at its edge; the centre lies beside the field."""
    yy, xx = np.mgrid[:size, :size] / size
    return np.clip(1 - np.hypot(yy - 0.15, xx + 0.1) / 1.2, 0, 1)


def _texture(rng, size, length):
    rough = ndimage.gaussian_filter(rng.standard_normal((size, size)), length, mode="wrap")
    return rough / rough.std()


def _planes(elements, alloy, glass, *, height, haze, film, kept, beam, background):
    """Return mean signals relative to pure thick copper."""
    above = height + np.where(height > 0, 0, haze)
    whole = above + sum(film.values())
    open_glass = np.exp(-((whole / GLASS_NM) ** 1.1))
    continuum = 1 + (METAL_PER_GLASS_CONTINUUM - 1) * -np.expm1(-whole / 120.0)
    planes = []
    for e in elements:
        sensitivity, _, energy = LINES[e]
        part = alloy.get(e, 0.0) / 100 * kept.get(e, 1.0)
        signal = sensitivity * part * -np.expm1(-above / OWN_NM)
        signal = signal + sensitivity * -np.expm1(-film[e] / OWN_NM)
        signal = signal + sensitivity * glass.get(e, 0.0) / 100 * open_glass ** (
            1.6 if energy < 1 else 1.0
        )
        width = np.sqrt(2500 + 2443 * energy) / 130
        soft = 0.4 if energy < 1 else 1.0
        window = background / 2 * (beam - energy) / energy / 1.5 * width * soft
        planes.append(signal + window * continuum)
    return planes


def _truth(elements, alloy, glass, apart, *, bare):
    words = {}
    for e in elements:
        if e in alloy and not bare:
            words[e] = ("with_alloy",)
            if apart and apart[0] == e:
                words[e] = ("separated",) if apart[2] > 0.9 else ("partly_separated", "separated")
        elif e in glass:
            words[e] = ("substrate",)
        else:
            words[e] = ("not_detected",)
    return words


def _connected(metal):
    labels, _ = ndimage.label(metal)
    crosses = [
        bool(np.intersect1d(a[a > 0], b[b > 0]).size)
        for a, b in ((labels[:, 0], labels[:, -1]), (labels[0], labels[-1]))
    ]
    return crosses[0], crosses[1]


DACITE = Path(__file__).parent / "reference" / "dacite"


def real_field(seed: int, *, seconds: int = 30, size: int = 64, coverage: float = 0.2) -> Field:
    """Return discs of one mineral on another, every pixel a real one of that mineral, used once.

    The iron and magnesium bearing grains play the metal, the glass between them the substrate.
    """
    import spattermap

    rng = np.random.default_rng(seed)
    rock = spattermap.load(DACITE / f"dacite_{seconds}s_tif")
    names = [str(e) for e in rock["element"].values]
    counts = rock["counts"].values
    long = spattermap.load(DACITE / "dacite_30s_tif")["counts"].values.astype(float)
    smooth = {e: ndimage.gaussian_filter(p, 1.5) for e, p in zip(names, long, strict=True)}
    height, number = _deposit(rng, size, "droplets", coverage, 6.0, 0.0)
    metal = height > 0
    order = np.argsort(-(smooth["Fe"] + smooth["Mg"]).ravel())
    n = int(metal.sum())
    # The darkest pixels are the metal; the substrate is drawn from the rest.
    pools = (rng.permutation(order[:n]), rng.permutation(order[2 * n :]))
    flat = counts.reshape(len(names), -1)
    out = np.empty((len(names), size, size), counts.dtype)
    out[:, metal] = flat[:, pools[0]]
    bare = size * size - n
    out[:, ~metal] = flat[:, pools[1][:bare]]
    side = int(np.sqrt(pools[1].size - bare))
    plate = flat[:, pools[1][bare : bare + side * side]].reshape(len(names), side, side)
    known = {"lines": [f"{e} Ka" for e in names], "pixel_size_um": 0.5, "beam_energy_keV": 15.0}
    glass = ["Si", "Al", "O", "Na", "K"]
    maps = make_map_set(out, names, alloy={"Fe": 60.0, "Mg": 40.0}, substrate=glass, **known)
    blank = make_map_set(plate, names, substrate=glass, **known)
    return Field(
        maps, blank, out.astype(float), plate.astype(float),
        verdicts={
            **dict.fromkeys(("Fe", "Mg"), ("with_alloy",)), **dict.fromkeys(glass, ("substrate",))
        },
        coverage=float(metal.mean()), connected=_connected(metal), droplets=number,
        kind=f"real {seconds} s",
    )  # fmt: skip

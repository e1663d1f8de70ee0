"""From a description to map set and truth."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from scipy.ndimage import gaussian_filter

from spattermap.core.arrays import Array, Floats, Labels, Singles
from spattermap.core.mapset import make_map_set
from spattermap.synthesis.deposit_shapes import (
    Canvas,
    draw_cracks,
    draw_droplets,
    draw_streaks,
    haze_texture,
    smooth_noise,
)
from spattermap.synthesis.spec import Deposit, Droplets, Haze, Layer, Streaks
from spattermap.synthesis.truth import NetSignal, tell_truth
from spattermap.synthesis.xray_model import (
    THICKNESS_UM,
    LineModel,
    backscatter_coefficient,
    fractions,
    line_model,
)

if TYPE_CHECKING:
    import numpy.typing as npt


# Mean counts are rounded to this grid before the draw, so that the last bits of the mathematical
# library of another machine cannot change a pixel.
_GRID = 2.0**-16


@dataclass(frozen=True)
class Scene:
    """A made map set with everything that is true of it.

    Parameters
    ----------
    maps : xarray.Dataset
        The map set, as `spattermap.load` would give it.
    truth : dict
        Coverage, tables of droplets and streaks, sizes, shares and intended verdicts; see
        `spattermap.synthesis.truth.tell_truth`.
    labels : numpy.ndarray of int32, dims (y, x)
        True regions: 0 bare, droplets from 1, then streaks.
    """

    maps: xr.Dataset
    truth: dict[str, Any]
    labels: Labels

    def __iter__(self) -> Iterator[Any]:
        """Unpack as ``maps, truth, labels``."""
        return iter((self.maps, self.truth, self.labels))


def make_deposit(spec: Deposit, *, seed: int) -> Scene:
    """Make a deposit and map it.

    Parameters
    ----------
    spec : Deposit
        What it consists of and how it is mapped.
    seed : int
        Seed of every draw; the same seed and spec give the same counts, and on one machine the
        same bytes.

    Notes
    -----
    Shapes are drawn, turned into mean counts through `xray_model`, blurred, leaked between
    windows, and counted (Poisson). Films are taken as too thin to hide the droplets they lie on.

    Examples
    --------
    >>> maps, truth, labels = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1)
    >>> maps["counts"].shape, truth["droplet_count"] == int(labels.max())
    ((4, 96, 128), True)
    """
    # One stream a task: a change to the haze leaves the droplets where they are.
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(6)]
    canvas = Canvas(spec.shape)
    draw_streaks(canvas, spec.streaks, streams[0])
    draw_droplets(canvas, spec.droplets, streams[1])
    _droplets_first(canvas)
    models = _models(spec)
    scale = _dose(spec, models)
    haze = spec.haze.thickness_um * haze_texture(spec.shape, spec.haze, streams[2])
    content = _contents(spec, canvas, streams[3])
    net = _net_signal(spec, canvas, models=models, scale=scale, haze=haze, content=content,
                      rng=streams[3])  # fmt: skip
    means = _means(spec, net)
    counts = streams[4].poisson(means)
    crack_picture, cracks = draw_cracks(canvas, spec.cracks, streams[5])
    picture = _electron_image(spec, canvas, haze, crack_picture, streams[5])
    maps = make_map_set(
        counts.astype(np.uint16 if counts.max() < 65536 else np.uint32),
        spec.elements,
        lines=[models[element].name for element in spec.elements],
        pixel_size_um=spec.pixel_size_um,
        electron_image=picture,
        title=spec.title,
        beam_energy_keV=spec.beam_energy_keV,
        alloy=dict(spec.alloy),
        substrate=dict(spec.substrate),
        process=dict(spec.process),
        measured=dict(spec.measured),
    )
    truth = tell_truth(spec, canvas.rows, labels=canvas.labels, owner=canvas.owner, net=net,
                       means=means)  # fmt: skip
    truth["seed"] = seed
    truth["cracks"] = cracks
    return Scene(maps, truth, canvas.labels)


def make_blank(spec: Deposit, *, seed: int) -> Scene:
    """Map the bare substrate under the same conditions.

    Parameters
    ----------
    spec : Deposit
        The deposit whose substrate and conditions to take.
    seed : int
        Seed of every draw.

    Returns
    -------
    Scene
        With no droplet, streak, haze or layer; the same elements, lines and dose.

    Examples
    --------
    >>> plate = make_blank(Deposit(shape=(96, 128), electron_image=False), seed=2)
    >>> plate.truth["droplet_count"], int(plate.labels.max())
    (0, 0)
    """
    extra = (*(layer.element for layer in spec.layers), *spec.extra_elements)
    bare = spec.with_changes(
        droplets=Droplets(coverage=0.0), streaks=Streaks(), haze=Haze(), layers=(),
        extra_elements=tuple(dict.fromkeys(extra)), title=f"blank of {spec.title}",
        process={}, measured={},
    )  # fmt: skip
    scene = make_deposit(bare, seed=seed)
    # Nobody would state an alloy for a plate that carries none.
    scene.maps.attrs.pop("alloy", None)
    return scene


def _droplets_first(canvas: Canvas) -> None:
    """Renumber so that droplets come before streaks, and shapes without a pixel are dropped."""
    owned = np.bincount(canvas.labels.ravel(), minlength=len(canvas.rows) + 1)
    kept = [row for row in canvas.rows if owned[row["label"]] > 0]
    kept.sort(key=lambda row: (row["kind"] != "droplet", row["label"]))
    table = np.zeros(len(canvas.rows) + 1, np.int32)
    for number, row in enumerate(kept, start=1):
        table[row["label"]] = number
        row["label"] = number
    canvas.labels[...] = table[canvas.labels]
    canvas.owner[...] = table[canvas.owner]
    canvas.rows[:] = kept


def _models(spec: Deposit) -> dict[str, LineModel]:
    return {
        element: line_model(
            element,
            line=spec.lines.get(element, ""),
            alloy=spec.alloy,
            substrate=spec.substrate,
            beam_keV=spec.beam_energy_keV,
            takeoff_deg=spec.takeoff_deg,
        ).times(spec.sensitivity.get(element, 1.0), spec.continuum.get(element, 1.0))
        for element in spec.elements
    }


def _dose(spec: Deposit, models: Mapping[str, LineModel]) -> float:
    """Return the factor that gives the wanted counts per pixel on the bulk alloy."""
    parts = fractions(spec.alloy)
    bulk = sum(part * models[element].in_metal[-1] for element, part in parts.items())
    return float(spec.counts_per_pixel / bulk)


def _contents(spec: Deposit, canvas: Canvas, rng: np.random.Generator) -> dict[str, Floats]:
    """Return the mass fraction of each alloy element in each shape (index = label)."""
    diameters = np.array([np.inf] + [2 * row["half_width_px"] for row in canvas.rows])
    oxygen = spec.droplet_oxygen / 100.0
    content = {}
    for element, part in fractions(spec.alloy).items():
        kept = np.full(diameters.size, part * (1.0 - oxygen))
        if element in spec.volatile_loss_px:
            kept *= -np.expm1(-diameters / spec.volatile_loss_px[element])
        if element in spec.composition_scatter:
            spread = np.log1p(spec.composition_scatter[element] ** 2)
            kept *= np.exp(np.sqrt(spread) * rng.standard_normal(diameters.size) - spread / 2)
        content[element] = kept
    if oxygen > 0:
        content["O"] = content.get("O", np.zeros(diameters.size)) + oxygen
    for row in canvas.rows:
        row["mass_percent"] = _composition_of(spec, content, row["label"])
    return content


def _composition_of(spec: Deposit, content: Mapping[str, Floats], label: int) -> dict[str, float]:
    """Return a shape's mass percent, after the layers took their share out of it."""
    parts = {element: float(values[label]) for element, values in content.items()}
    for layer in spec.layers:
        if layer.share is not None:
            parts[layer.element] *= 1.0 - layer.share
    total = sum(parts.values())
    return {element: 100.0 * part / total if total > 0 else 0.0 for element, part in parts.items()}


def _net_signal(
    spec: Deposit,
    canvas: Canvas,
    *,
    models: Mapping[str, LineModel],
    scale: float,
    haze: Array,
    content: Mapping[str, Floats],
    rng: np.random.Generator,
) -> NetSignal:
    haze_parts = {e: p * (1 - spec.haze.oxygen / 100) for e, p in fractions(spec.alloy).items()}
    if spec.haze.oxygen > 0:
        haze_parts["O"] = haze_parts.get("O", 0.0) + spec.haze.oxygen / 100
    cover, under, film = canvas.cover, _Depth(canvas.thickness), _Depth(haze)
    features, between = {}, {}
    for element in spec.elements:
        curve = scale * models[element].in_metal
        features[element] = np.zeros(spec.shape, np.float32)
        if element in content:
            parts = content[element].astype(np.float32)[canvas.owner]
            features[element] = cover * parts * under.at(curve)
        part = np.float32(haze_parts.get(element, 0.0))
        between[element] = (1 - cover) * part * film.at(curve)
    bare = haze.copy()
    for layer in spec.layers:
        curve = scale * models[layer.element].in_metal
        signal = _lay(layer, features, between, cover=cover, rng=rng)
        # The film's own thickness shadows the glass: taken as that of a film of the pure element.
        bare = bare + _thickness_of(signal / np.maximum(1 - cover, 0.05), curve)
    glass, floor = fractions(spec.substrate), _background_dose(spec, scale)
    film, substrate, background = _Depth(bare), {}, {}
    for element in spec.elements:
        model = models[element]
        shadowed = scale * glass.get(element, 0.0) * model.in_substrate
        substrate[element] = cover * under.at(shadowed) + (1 - cover) * film.at(shadowed)
        continuum = floor * model.continuum
        background[element] = cover * under.at(continuum) + (1 - cover) * film.at(continuum)
    return NetSignal(features, between, substrate, background)


class _Depth:
    """A map of thickness (um), placed once between the points of `THICKNESS_UM`."""

    def __init__(self, thickness: Array) -> None:
        # Most fields hold one thickness where there is no haze: one number serves for all.
        values = thickness.ravel()[:1] if np.ptp(thickness) == 0 else thickness
        place = np.interp(values, THICKNESS_UM, np.arange(THICKNESS_UM.size))
        self._below = np.minimum(place.astype(np.int32), THICKNESS_UM.size - 2)
        self._part = (place - self._below).astype(np.float32)

    def at(self, curve: Floats) -> Array:
        """Return the curve at each pixel, linear between the points."""
        table = curve.astype(np.float32)
        step = np.append(np.diff(table), np.float32(0.0))
        return table[self._below] + self._part * step[self._below]


def _thickness_of(signal: Array, curve: Floats) -> Array:
    """Return the thickness (um) that gives a signal, at most 0.5 um: films are thin."""
    thin = THICKNESS_UM <= 0.5
    found: Array = np.interp(signal, curve[thin], THICKNESS_UM[thin]).astype(np.float32)
    return found


def _background_dose(spec: Deposit, scale: float) -> float:
    """Return the strength of the continuum, the same for every alloy at the same dose."""
    copper = line_model(
        "Cu",
        line="",
        alloy={"Cu": 100.0},
        substrate=spec.substrate,
        beam_keV=spec.beam_energy_keV,
        takeoff_deg=spec.takeoff_deg,
    )
    return float(spec.background * scale * copper.in_metal[-1] / copper.continuum[-1])


def _lay(
    layer: Layer,
    features: dict[str, Array],
    between: dict[str, Array],
    *,
    cover: Array,
    rng: np.random.Generator,
) -> Array:
    """Add a layer to the signals in place and return its own signal."""
    pattern = np.ones_like(cover) if layer.pattern == "flat" else 1.0 - cover
    if layer.pattern == "patchy":
        pattern = pattern * (smooth_noise(cover.shape, 18.0, rng) > 0.3)
    mean = float(pattern.mean())
    if mean <= 0:
        return np.zeros_like(cover)
    if layer.share is None:
        amount = float(layer.counts or 0.0)
    else:
        supply = float(features[layer.element].mean() + between[layer.element].mean())
        amount = layer.share * supply
        features[layer.element] *= np.float32(1 - layer.share)
        between[layer.element] *= np.float32(1 - layer.share)
    signal = (amount / mean * pattern).astype(np.float32)
    between[layer.element] += signal
    return signal


def _means(spec: Deposit, net: NetSignal) -> Singles:
    """Return the mean counts: all parts, blurred, with leaks between windows."""
    stack = np.stack([
        net.features[e] + net.between[e] + net.substrate[e] + net.background[e]
        for e in spec.elements
    ])  # fmt: skip
    if spec.blur_px > 0:
        for plane in stack:
            gaussian_filter(plane, spec.blur_px, output=plane, mode="reflect", truncate=3.0)
    order = {element: index for index, element in enumerate(spec.elements)}
    mixed = stack.copy()
    for (into, source), part in spec.leaks.items():
        mixed[order[into]] += np.float32(part) * stack[order[source]]
    out: Singles = (np.rint(mixed / _GRID) * _GRID).astype(np.float32)
    return out


def _electron_image(
    spec: Deposit, canvas: Canvas, haze: Array, cracks: Array, rng: np.random.Generator
) -> npt.NDArray[np.uint16] | None:
    """Return a backscatter picture: brighter with mean atomic number, dark in cracks, noisy."""
    if not spec.electron_image:
        return None
    metal = backscatter_coefficient(spec.alloy)
    glass = backscatter_coefficient(spec.substrate)
    # Backscattered electrons come from about a third of their range: 0.1 um of metal saturates.
    # In double precision: single-precision expm1 differs between processors by enough to change
    # a grey level in some of ten thousand pixels.
    on_metal, beside = (
        -np.expm1(-depth.astype(np.float64) / 0.1) for depth in (canvas.thickness, haze)
    )
    shown = canvas.cover * on_metal + (1 - canvas.cover) * beside
    picture = (glass + (metal - glass) * shown) * (1.0 - 0.6 * cracks)
    picture = gaussian_filter(picture, min(spec.blur_px, 0.8)) if spec.blur_px > 0 else picture
    picture = picture * (40000.0 / max(metal, glass))
    noisy = picture + 900.0 * rng.standard_normal(spec.shape, dtype=np.float32)
    return np.clip(np.rint(noisy), 0, 65535).astype(np.uint16)

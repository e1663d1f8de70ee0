"""The sum spectrum of a cube: its energy scale, its resolution, and the elements in it.

Spectrum cubes to net count maps: windows where lines stand clear, small fits where not.

Every map is a fixed linear combination of the channels, the same in every pixel. So net counts
are unbiased at any dose, their variance is known exactly (each channel is Poisson), and the work
is one matrix product. Per-pixel fits with a floor at zero would be neither: at a few counts they
turn noise into signal. The floor is set where it means something, on the sum spectrum.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.special import ndtr

from spattermap.core.arrays import Floats
from spattermap.core.errors import InputError
from spattermap.xrays import (
    DEFAULT_FWHM_EV,
    WINDOW_FWHM,
    Line,
    lines_of,
    mapped_line,
    overlap_class,
    resolution_fwhm_eV,
)

# Below this no maker's detector window lets line photons through undistorted.
LEAST_EV = 180.0
# Elements looked for when nobody named any: solids that a deposit or its substrate may hold.
COMMON = tuple(
    (
        "C N O F Na Mg Al Si P S Cl K Ca Ti V Cr Mn Fe Co Ni Cu Zn Ga Ge As Se Br Sr Y Zr Nb Mo "
        "Pd Ag Cd In Sn Sb Te Ba La Ce Hf Ta W Re Ir Pt Au Hg Pb Bi"
    ).split()
)
# What is nearly always there helps to find the energy scale first.
_FREQUENT = tuple("C O Na Mg Al Si S Cl K Ca Ti Cr Mn Fe Ni Cu Zn Mo Ag Sn".split())
# A found element must stand out of the noise, and out of what the model of the background and of
# peak shapes gets wrong (common practice, no source).
LEAST_SIGMA = 6.0
LEAST_EXCESS = 0.05
KNOTS_FWHM = 6.0
# What a normal peak shape gets wrong, as shares of the counts (seen on the dacite spectra).
SHAPE_ERROR, TAIL_ERROR, SHAPE_REACH_EV = 0.02, 0.005, 200.0
# Charge of photons that stop near the detector's surface is partly lost: soft lines have tails.
SOFT_EV = 1000.0
# Two photons counted as one, or one that lost a silicon photon: at most this share of a line.
ARTEFACT_SHARE = 0.01
# Energy scales wander by this much between calibrations (common practice, no source).
OFFSET_EV, GAIN = 20.0, 0.006


@dataclass(frozen=True)
class EnergyScale:
    """Energy of a channel, ``offset + gain * nominal`` (eV), and the detector's width."""

    offset_eV: float = 0.0  # shift of the nominal scale (eV)
    gain: float = 1.0  # stretch of the nominal scale (dimensionless, near 1)
    fwhm_eV: float = DEFAULT_FWHM_EV  # full width at half maximum at Mn Ka (eV)

    def energies(self, nominal: Floats) -> Floats:
        """Return the true energy (eV) of nominal ones."""
        return self.offset_eV + self.gain * nominal

    def width(self, energy_eV: float) -> float:
        """Return the full width at half maximum at an energy (eV)."""
        return resolution_fwhm_eV(energy_eV, self.fwhm_eV)


def continuum_basis(energies: Floats, scale: EnergyScale) -> list[Floats]:
    """Return smooth shapes whose non-negative sums make any slow background.

    Dims: `energies` (channel,); returns (channel,).
    """
    from scipy.interpolate import BSpline

    knots = [float(energies[0])]
    while knots[-1] < energies[-1]:
        knots.append(knots[-1] + KNOTS_FWHM * scale.width(max(knots[-1], LEAST_EV)))
    # Clamped ends: the background need not vanish there.
    full = np.array([knots[0] - 1.0] * 3 + knots + [knots[-1] + 1.0] * 3)
    number = len(full) - 4
    dense = BSpline(full, np.eye(number), 3)(np.clip(energies, knots[0], knots[-1]))
    return [column for column in dense.T if column.any()]


@lru_cache(maxsize=512)
def families(element: str, beam_energy_keV: float) -> tuple[tuple[str, tuple[Line, ...]], ...]:
    """Return the excited line groups of an element by shell, strongest first in each."""
    groups = [line for line in lines_of(element, beam_energy_keV) if line.energy_eV > LEAST_EV]
    shells = []
    for shell in "KLM":
        members = tuple(line for line in groups if line.family[0] == shell)
        if members:
            shells.append((shell, members))
    return tuple(shells)


def peak_shape(energies: Floats, line_eV: float, fwhm_eV: float) -> Floats:
    """Return a line's share of counts in each channel (a normal law over the channel's width).

    Dims: `energies` (channel,); returns (channel,).
    """
    step = float(energies[1] - energies[0])
    sigma = fwhm_eV / (2 * math.sqrt(2 * math.log(2)))
    edges = np.append(energies - step / 2, energies[-1] + step / 2)
    return np.diff(ndtr((edges - line_eV) / sigma))


def shell_shape(energies: Floats, lines: Sequence[Line], scale: EnergyScale) -> Floats:
    """Return the shape of one shell's lines, with its strongest group of area 1.

    Dims: `energies` (channel,); returns (channel,).
    """
    total = np.zeros_like(energies)
    for line in lines:
        share = line.strength / lines[0].strength
        total += share * peak_shape(energies, line.energy_eV, scale.width(line.energy_eV))
    return total


@dataclass(frozen=True)
class Identified:
    """What a sum spectrum shows."""

    scale: EnergyScale  # fitted energy scale and resolution
    elements: tuple[str, ...]  # elements present, by falling evidence
    # counts of each shell's strongest group in the whole field; dims (str, str)
    amplitudes: dict[tuple[str, str], float]
    misfit: float  # mean square of the residual in standard deviations; 1 for a perfect model


def understand(
    nominal: Floats,
    spectrum: Floats,
    beam_energy_keV: float,
    *,
    stated: Iterable[str] = (),
    fwhm_eV: float | None = None,
) -> Identified:
    """Find energy scale, resolution and elements of a sum spectrum.

    Dims: `nominal` (channel,), `spectrum` (channel,).
    """
    use = (nominal > LEAST_EV) & (nominal < 1e3 * beam_energy_keV)
    if spectrum[use].sum() < 100:
        raise InputError(
            f"spectrum must hold at least 100 counts between {LEAST_EV:g} eV and the beam energy, "
            f"got {spectrum[use].sum():g}. Check the energy axis and the beam energy."
        )
    energies, counts = nominal[use], spectrum[use]
    fit = _Fit(energies, counts, beam_energy_keV, fwhm_eV)
    known = tuple(dict.fromkeys(stated))
    scale = fit.first_scale(known or _FREQUENT, EnergyScale(fwhm_eV=fwhm_eV or DEFAULT_FWHM_EV))
    elements = fit.search(scale, known, known or _FREQUENT)
    scale = fit.refine(scale, elements)
    elements = fit.search(scale, known, COMMON)
    scale = fit.refine(scale, elements)
    elements = fit.search(scale, known, COMMON)
    if not elements:
        raise InputError(
            "spectrum must show at least one element, got none above its background. "
            "State [lines] in mapset.toml, and check the energy axis."
        )
    amplitudes, _, residual = fit.solve(scale, elements)
    misfit = float(np.mean(residual**2))
    return Identified(scale, elements, amplitudes, misfit)


class _Fit:
    """The sum spectrum with what every step of its reading shares."""

    def __init__(
        self, energies: Floats, counts: Floats, beam_energy_keV: float, fwhm_eV: float | None
    ) -> None:
        self.energies, self.counts, self.beam = energies, counts.astype(np.float64), beam_energy_keV
        # Peaks have tails and shoulders that a normal law lacks: beside counting noise, allow
        # for a share of what is there and of the highest peak nearby.
        step = float(energies[1] - energies[0])
        reach = 2 * max(1, round(SHAPE_REACH_EV / step)) + 1
        nearby = maximum_filter1d(self.counts, reach, mode="nearest")
        self.sigma = np.sqrt(
            np.maximum(self.counts, 1.0)
            + (SHAPE_ERROR * self.counts) ** 2
            + (TAIL_ERROR * (1 + (SOFT_EV / energies) ** 2) * nearby) ** 2
        )
        self.fixed_width = fwhm_eV is not None

    def columns(
        self, scale: EnergyScale, elements: Iterable[str]
    ) -> tuple[list[tuple[str, str]], list[Floats]]:
        """Return (element, shell) and shape of every shell inside the range."""
        axis = scale.energies(self.energies)
        names, shapes = [], []
        for element in elements:
            for shell, lines in families(element, self.beam):
                shape = shell_shape(axis, lines, scale)
                if shape.sum() > 0.5:  # else the strongest group lies outside the range
                    names.append((element, shell))
                    shapes.append(shape)
        return names, shapes

    def solve(
        self, scale: EnergyScale, elements: Iterable[str]
    ) -> tuple[dict[tuple[str, str], float], Floats, Floats]:
        """Return amplitudes, the background, and the residual in standard deviations."""
        from scipy.optimize import nnls

        names, shapes = self.columns(scale, elements)
        smooth = continuum_basis(scale.energies(self.energies), scale)
        design = np.column_stack([*shapes, *smooth])
        weights, _ = nnls(design / self.sigma[:, None], self.counts / self.sigma)
        amplitudes = dict(zip(names, map(float, weights), strict=False))
        background = np.column_stack(smooth) @ weights[-len(smooth) :]
        return amplitudes, background, (self.counts - design @ weights) / self.sigma

    def _artefact(
        self, line_eV: float, amplitude: float, scale: EnergyScale, parents: dict[float, float]
    ) -> bool:
        """Return True where a sum peak or an escape peak could be all of a line.

        `parents` holds the counts of each line already found, by its energy (eV).
        """
        near = 0.5 * scale.width(line_eV)
        for a, counts in parents.items():
            # Silicon fluoresced in the detector carries 1740 eV away, above its edge at 1839 eV.
            if a > 1839.0 and abs(a - 1739.8 - line_eV) < near:
                return amplitude < ARTEFACT_SHARE * counts
            for b, others in parents.items():
                if abs(a + b - line_eV) < near:
                    return amplitude < ARTEFACT_SHARE * min(counts, others)
        return False

    def first_scale(self, elements: Sequence[str], start: EnergyScale) -> EnergyScale:
        """Return the best of a grid of scales, judged by the peaks that it explains."""
        from scipy.signal import find_peaks

        step = float(self.energies[1] - self.energies[0])
        background = self.solve(start, ())[1]
        excess = (self.counts - background) / self.sigma
        width = max(3, round(60.0 / step) | 1)
        smooth = np.convolve(excess, np.hanning(width + 2)[1:-1], mode="same")
        peaks, facts = find_peaks(smooth, height=5.0, distance=max(1, round(50.0 / step)))
        best = peaks[np.argsort(facts["peak_heights"])[::-1][:12]]
        if best.size == 0:
            return start
        strongest = [
            lines[0].energy_eV
            for element in elements
            for _, lines in families(element, self.beam)
            if lines[0].energy_eV < 0.8e3 * self.beam
        ]
        weight = np.minimum(smooth[best], 50.0)
        scores = []
        for offset in np.arange(-60.0, 61.0, 5.0):
            for gain in np.arange(0.985, 1.0151, 0.001):
                at = offset + gain * self.energies[best]
                gap = np.abs(at[:, None] - np.array(strongest)).min(axis=1)
                prior = (offset / OFFSET_EV) ** 2 + ((gain - 1) / GAIN) ** 2
                hit = float(weight @ np.exp(-((gap / 12.0) ** 2)) / weight.sum())
                scores.append((hit - 0.02 * prior, offset, gain))
        _, offset, gain = max(scores)
        return replace(start, offset_eV=float(offset), gain=float(gain))

    def search(
        self, scale: EnergyScale, stated: Sequence[str], candidates: Iterable[str]
    ) -> tuple[str, ...]:
        """Return the stated elements and those that the residual demands, one at a time."""
        found = list(stated)
        rejected: set[str] = set()
        axis = scale.energies(self.energies)
        shapes: dict[str, Floats] = {}
        hardest: dict[str, Line] = {}
        for element in candidates:
            options = [
                lines for _, lines in families(element, self.beam)
                if axis[0] < lines[0].energy_eV < min(axis[-1], 0.8e3 * self.beam)
            ]  # fmt: skip
            if options:  # judged by the hardest shell that the beam excites well
                shapes[element] = shell_shape(axis, options[0], scale)
                hardest[element] = options[0][0]
        for _ in range(len(shapes)):
            amplitudes, _, residual = self.solve(scale, found)
            scores = {
                element: self._evidence(shape, residual)
                for element, shape in shapes.items()
                if element not in found and element not in rejected
            }
            if not scores:
                break
            best = max(scores, key=lambda name: scores[name])
            if scores[best] < LEAST_SIGMA:
                break
            amplitude, excess = self._size(shapes[best], residual)
            parents = {
                dict(families(element, self.beam))[shell][0].energy_eV: counts
                for (element, shell), counts in amplitudes.items()
            }
            if excess < LEAST_EXCESS or self._artefact(
                hardest[best].energy_eV, amplitude, scale, parents
            ):
                rejected.add(best)
            else:
                found.append(best)
        return tuple(found)

    def _evidence(self, shape: Floats, residual: Floats) -> float:
        template = shape / self.sigma
        return float(template @ residual / math.sqrt(float(template @ template)))

    def _size(self, shape: Floats, residual: Floats) -> tuple[float, float]:
        """Return a candidate's counts, and their share of all counts at its top."""
        template = shape / self.sigma
        amplitude = float(template @ residual) / float(template @ template)
        top = int(np.argmax(shape))
        return amplitude, amplitude * float(shape[top]) / float(self.counts[top] + 1.0)

    def refine(self, scale: EnergyScale, elements: Sequence[str]) -> EnergyScale:
        """Return the scale that minimises the residual of a fit with these elements."""
        from scipy.optimize import least_squares

        if not elements:
            return scale

        def residual(values: Floats) -> Floats:
            width = scale.fwhm_eV if self.fixed_width else 129.0 + 10.0 * values[2]
            trial = EnergyScale(10.0 * values[0], 1.0 + 1e-3 * values[1], float(width))
            prior = [values[0] / 2.0, values[1] / 6.0]  # OFFSET_EV and GAIN in these units
            return np.append(self.solve(trial, elements)[2], prior)

        start = np.array(
            [scale.offset_eV / 10.0, 1e3 * (scale.gain - 1), (scale.fwhm_eV - 129.0) / 10.0]
        )
        bounds = ([-8.0, -20.0, -0.6], [8.0, 20.0, 6.0])
        done = least_squares(
            residual, np.clip(start, *bounds), bounds=bounds, diff_step=[1e-3] * 3, max_nfev=25
        )
        offset, gain, width = done.x
        fwhm = scale.fwhm_eV if self.fixed_width else 129.0 + 10.0 * width
        return EnergyScale(float(10.0 * offset), float(1.0 + 1e-3 * gain), float(fwhm))


# Side windows: as wide as half the line's window each, at this distance from it (in FWHM).
SIDE_FWHM = 0.6
NEAREST_SIDE, FARTHEST_SIDE = 1.1, 3.0
# A window is clean where other lines add less than this share to its net counts.
LEAST_CLEAN = 0.01
# Absorption takes from soft lines more than from hard ones, so a softer shell has at most about
# what its cross-section gives it (common practice, no source).
SOFT_SHELL_MOST = 2.0
_BLOCK_BYTES = 2**26


@dataclass(frozen=True)
class LineFilter:
    """How one element's net counts are made from the channels."""

    line: Line  # the mapped line
    weights: Floats  # net counts of the whole line are ``weights @ spectrum``; dims (channel,)
    method: str  # side-window background, or least squares with the overlapping lines
    # bounds of the counting window and of the background windows (eV)
    window_eV: tuple[float, float]
    low_side_eV: tuple[float, float]
    high_side_eV: tuple[float, float]
    # lines of other elements that were solved for together, with how separable they are
    overlaps: tuple[str, ...] = ()

    def report(self) -> dict[str, Any]:
        """Return what a reader should know, as plain values."""
        return {
            "line": self.line.name,
            "energy_eV": round(self.line.energy_eV, 1),
            "method": self.method,
            "window_eV": [round(value, 1) for value in self.window_eV],
            "background_eV": [
                [round(value, 1) for value in side]
                for side in (self.low_side_eV, self.high_side_eV)
            ],
            "overlaps": list(self.overlaps),
        }


class Designer:
    """Makes the filter of each element from what the sum spectrum shows.

    Dims: `nominal` energies (eV) and `spectrum`, the counts of the whole field (channel,).
    """

    def __init__(
        self, nominal: Floats, spectrum: Floats, found: Identified, beam_energy_keV: float
    ) -> None:
        self.scale: EnergyScale = found.scale
        self.axis = found.scale.energies(nominal)
        self.spectrum = spectrum
        self.beam = beam_energy_keV
        self.shapes: dict[tuple[str, str], Floats] = {}
        self.lines: dict[tuple[str, str], tuple[Line, ...]] = {}
        for element in found.elements:
            for shell, lines in families(element, beam_energy_keV):
                self.shapes[element, shell] = shell_shape(self.axis, lines, found.scale)
                self.lines[element, shell] = lines
        self.amplitudes = {key: self._amplitude(key, found) for key in self.shapes}

    def _amplitude(self, key: tuple[str, str], found: Identified) -> float:
        """Return a shell's counts; a softer shell's only as far as its harder one vouches for it.

        Fitted alone, a soft shell picks up tails of its neighbours.
        """
        first = next(other for other in self.lines if other[0] == key[0])
        expected = self.lines[key][0].strength / self.lines[first][0].strength
        most = SOFT_SHELL_MOST * expected * found.amplitudes.get(first, 0.0)
        fitted = found.amplitudes.get(key, 0.0)
        return fitted if key == first else min(fitted, most)

    def design(self, element: str, line_name: str) -> LineFilter:
        """Return the filter of one element."""
        line = mapped_line(element, line_name, self.beam)
        width = self.scale.width(line.energy_eV)
        if not self.axis[0] + width < line.energy_eV < self.axis[-1] - width:
            raise InputError(
                f"line must lie on the energy axis ({self.axis[0]:.0f} to {self.axis[-1]:.0f} eV), "
                f"got {line.name} at {line.energy_eV:.0f} eV. Choose another line in [lines]."
            )
        sides = self._side(line, -1), self._side(line, +1)
        half = WINDOW_FWHM / 2 * width
        window = (line.energy_eV - half, line.energy_eV + half)
        key = (element, line.family[0])
        plain = self._window_filter(key, line, window, sides)
        total = max(self.amplitudes[key], 1.0)
        # What every other line, at its fitted strength, would add to these net counts.
        added = sum(
            abs(float(plain @ shape)) * self.amplitudes[other]
            for other, shape in self.shapes.items()
            if other != key
        )
        overlaps = self._overlaps(key, sides)
        if added < LEAST_CLEAN * total and not overlaps:
            return LineFilter(line, plain, "window", window, *sides)
        weights, together = self._fit_filter(key, line, sides)
        names = [self._named(line, other) for other in together]
        return LineFilter(line, weights, "fit", window, *sides, tuple(sorted({*names} - {""})))

    def _inside(self, bounds: tuple[float, float]) -> np.ndarray:
        inside = (self.axis >= bounds[0]) & (self.axis < bounds[1])
        if not inside.any():  # a window narrower than a channel still holds one
            inside[int(np.argmin(np.abs(self.axis - sum(bounds) / 2)))] = True
        return inside

    def _side(self, line: Line, sign: int) -> tuple[float, float]:
        """Return the background window on one side, where lines contribute least."""
        width = self.scale.width(line.energy_eV)
        peaks = sum(
            (self.amplitudes[key] * shape for key, shape in self.shapes.items()),
            start=np.zeros_like(self.axis),
        )
        best: tuple[float, tuple[float, float]] | None = None
        for distance in np.arange(NEAREST_SIDE, FARTHEST_SIDE, 0.1):
            near = line.energy_eV + sign * distance * width
            far = near + sign * SIDE_FWHM * width
            bounds = (min(near, far), max(near, far))
            if bounds[0] < self.axis[0] or bounds[1] > self.axis[-1]:
                continue
            inside = self._inside(bounds)
            share = float(peaks[inside].sum() / max(self.spectrum[inside].sum(), 1.0))
            cost = share + 0.02 * distance  # near is better: the background is not quite straight
            if best is None or cost < best[0]:
                best = (cost, bounds)
        if best is None:  # at the end of the axis: the last channels there
            edge = self.axis[0] if sign < 0 else self.axis[-1]
            return (
                (edge, edge + SIDE_FWHM * width) if sign < 0 else (edge - SIDE_FWHM * width, edge)
            )
        return best[1]

    def _window_filter(
        self,
        key: tuple[str, str],
        line: Line,
        window: tuple[float, float],
        sides: tuple[tuple[float, float], tuple[float, float]],
    ) -> Floats:
        """Return window minus straight background, scaled to the counts of the whole line."""
        peak = self._inside(window)
        low, high = self._inside(sides[0]), self._inside(sides[1])
        middle, e_low, e_high = (float(self.axis[m].mean()) for m in (peak, low, high))
        share = (middle - e_low) / (e_high - e_low)  # straight line between the side windows
        weights = peak.astype(np.float64)
        weights -= low * ((1 - share) * peak.sum() / low.sum())
        weights -= high * (share * peak.sum() / high.sum())
        return weights / float(weights @ self.shapes[key]) * self._of_shell(key, line)

    def _of_shell(self, key: tuple[str, str], line: Line) -> float:
        """Return the strength of a line over that of its shell's strongest group."""
        return line.strength / self.lines[key][0].strength

    def _overlaps(
        self, key: tuple[str, str], sides: Sequence[tuple[float, float]]
    ) -> list[tuple[str, str]]:
        """Return other elements' shells with a noticeable line between the side windows."""
        inside = (self.axis > sides[0][1]) & (self.axis < sides[1][0])
        own = max(self.amplitudes[key], 1.0)
        return [
            other
            for other, shape in self.shapes.items()
            if other != key and self.amplitudes[other] * shape[inside].sum() > LEAST_CLEAN * own
        ]

    def _fit_filter(
        self, key: tuple[str, str], line: Line, sides: Sequence[tuple[float, float]]
    ) -> tuple[Floats, list[tuple[str, str]]]:
        """Return the weights of a least-squares fit with every line that reaches in."""
        spans = [(sides[0][0], sides[1][1])]
        # A line known only by its flank is pinned by its own peak: take that in too.
        for other in self._overlaps(key, sides):
            main = self.lines[other][0].energy_eV
            reach = 1.2 * self.scale.width(main)
            if abs(main - line.energy_eV) < 1500.0:
                spans.append((main - reach, main + reach))
        used = np.zeros(self.axis.size, dtype=bool)
        for span in spans:
            used |= self._inside(span)
        own = max(self.amplitudes[key], 1.0)
        others = [
            other
            for other, shape in self.shapes.items()
            if other != key and self.amplitudes[other] * shape[used].sum() > 0.1 * LEAST_CLEAN * own
        ]
        # Weights from the sum spectrum: the same in every pixel, so the map stays linear.
        weight = 1.0 / np.maximum(self.spectrum[used], 1.0)
        while True:
            columns = [self.shapes[key], *(self.shapes[other] for other in others)]
            design = np.column_stack(columns + _straight_lines(self.axis, used))[used]
            normal = np.linalg.pinv(design.T @ (design * weight[:, None]), hermitian=True)
            solution = normal @ (design * weight[:, None]).T
            # A line cannot have fewer than no counts in the whole field: leave out the worst.
            totals = solution[1 : 1 + len(others)] @ self.spectrum[used]
            if not others or totals.min() >= 0:
                break
            others.pop(int(np.argmin(totals)))
        weights = np.zeros_like(self.axis)
        weights[used] = solution[0]
        reported = [other for other in self._overlaps(key, sides) if other in others]
        return weights * self._of_shell(key, line), reported

    def _named(self, line: Line, other: tuple[str, str]) -> str:
        """Return the closest line of another shell with how well it can be told apart."""
        near = min(self.lines[other], key=lambda one: abs(one.energy_eV - line.energy_eV))
        width = self.scale.width((near.energy_eV + line.energy_eV) / 2)
        return f"{near.name}: {overlap_class(near.energy_eV, line.energy_eV, width)}"


def _straight_lines(axis: Floats, used: np.ndarray) -> list[Floats]:
    """Return a level and a slope for each connected stretch of channels."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], used.astype(np.int8), [0]])))
    columns = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        level = np.zeros_like(axis)
        level[start:stop] = 1.0
        columns.append(level)
        if stop - start > 4:
            slope = np.zeros_like(axis)
            slope[start:stop] = np.linspace(-1, 1, stop - start)
            columns.append(slope)
    return columns


def apply(cube: Any, filters: Sequence[LineFilter]) -> tuple[Any, Any]:
    """Return net counts and their variance.

    Dims: `cube` (y, x, channel); returns (element, y, x).
    """
    weights = np.stack([one.weights for one in filters])
    # A channel's count is its own best estimate of its variance (Poisson), so the variance of a
    # linear combination is the same combination with squared weights.
    both = np.concatenate([weights, weights**2]).astype(np.float64)
    n = len(filters)
    if hasattr(cube, "dask"):
        whole = cube.rechunk({2: -1})
        out = whole.map_blocks(
            _product,
            both,
            dtype=np.float32,
            drop_axis=2,
            new_axis=0,
            chunks=((2 * n,), *whole.chunks[:2]),
            meta=np.empty((0, 0, 0), dtype=np.float32),
        )
        return out[:n], out[n:]
    out = _product(cube, both)
    return out[:n], out[n:]


def _product(block: np.ndarray, weights: Floats) -> np.ndarray:
    """Return weighted sums over channels, a few rows at a time to bound the memory."""
    out = np.empty((len(weights), *block.shape[:2]), dtype=np.float32)
    rows = max(1, _BLOCK_BYTES // max(1, block.shape[1] * block.shape[2] * 8))
    for top in range(0, block.shape[0], rows):
        part = block[top : top + rows].astype(np.float64) @ weights.T
        out[:, top : top + rows] = np.moveaxis(part, 2, 0)
    return out


def describe(filters: Sequence[LineFilter], found: Identified) -> Mapping[str, Any]:
    """Return lines, windows and energy scale as plain values for the provenance.

    Parameters
    ----------
    filters : sequence of LineFilter
        One an element.
    found : Identified
        What the sum spectrum showed.
    """
    return {
        "lines": {one.line.element: one.report() for one in filters},
        "energy_scale": {
            "offset_eV": round(found.scale.offset_eV, 2),
            "gain": round(found.scale.gain, 6),
            "fwhm_Mn_Ka_eV": round(found.scale.fwhm_eV, 2),
            "misfit": round(found.misfit, 3),
        },
        "elements_in_spectrum": list(found.elements),
    }

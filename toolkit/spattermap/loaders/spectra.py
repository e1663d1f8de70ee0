"""The sum spectrum of a cube: its energy scale, its resolution, and the elements in it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from spattermap.errors import InputError
from spattermap.xrays import DEFAULT_FWHM_EV, Line, lines_of, resolution_fwhm_eV

Floats = np.ndarray[Any, np.dtype[np.float64]]

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
class Scale:
    """Energy of a channel, ``offset + gain * nominal`` (eV), and the detector's width.

    Parameters
    ----------
    offset_eV : float
        Shift of the nominal scale (eV).
    gain : float
        Stretch of the nominal scale (dimensionless, near 1).
    fwhm_eV : float
        Full width at half maximum at Mn Ka (eV).
    """

    offset_eV: float = 0.0
    gain: float = 1.0
    fwhm_eV: float = DEFAULT_FWHM_EV

    def energies(self, nominal: Floats) -> Floats:
        """Return the true energy (eV) of nominal ones."""
        return self.offset_eV + self.gain * nominal

    def width(self, energy_eV: float) -> float:
        """Return the full width at half maximum at an energy (eV)."""
        return resolution_fwhm_eV(energy_eV, self.fwhm_eV)


def continuum_basis(energies: Floats, scale: Scale) -> list[Floats]:
    """Return smooth shapes whose non-negative sums make any slow background.

    Parameters
    ----------
    energies : numpy.ndarray, dims (channel,)
        Energy at the middle of each channel (eV).
    scale : Scale
        For the detector's width: knots lie `KNOTS_FWHM` widths apart, so that no peak fits
        between them.

    Returns
    -------
    list of numpy.ndarray, dims (channel,)
        Cubic B-splines.
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
    """Return the excited line groups of an element by shell, strongest first in each.

    Parameters
    ----------
    element : str
        Symbol.
    beam_energy_keV : float
        Beam energy (keV).

    Returns
    -------
    tuple of (str, tuple of Line)
        Shell letter and its groups.
    """
    groups = [line for line in lines_of(element, beam_energy_keV) if line.energy_eV > LEAST_EV]
    shells = []
    for shell in "KLM":
        members = tuple(line for line in groups if line.family[0] == shell)
        if members:
            shells.append((shell, members))
    return tuple(shells)


def peak_shape(energies: Floats, line_eV: float, fwhm_eV: float) -> Floats:
    """Return a line's share of counts in each channel (a normal law over the channel's width).

    Parameters
    ----------
    energies : numpy.ndarray, dims (channel,)
        Energy at the middle of each channel (eV).
    line_eV, fwhm_eV : float
        Energy and width of the line (eV).

    Returns
    -------
    numpy.ndarray, dims (channel,)
        Shares; their sum is 1 for a line well inside the range.
    """
    from scipy.special import ndtr

    step = float(energies[1] - energies[0])
    sigma = fwhm_eV / (2 * math.sqrt(2 * math.log(2)))
    edges = np.append(energies - step / 2, energies[-1] + step / 2)
    return np.diff(ndtr((edges - line_eV) / sigma))


def shell_shape(energies: Floats, lines: Sequence[Line], scale: Scale) -> Floats:
    """Return the shape of one shell's lines, with its strongest group of area 1.

    Parameters
    ----------
    energies : numpy.ndarray, dims (channel,)
        Energy at the middle of each channel (eV).
    lines : sequence of Line
        Groups of one shell, strongest first.
    scale : Scale
        For the detector's width.

    Returns
    -------
    numpy.ndarray, dims (channel,)
    """
    total = np.zeros_like(energies)
    for line in lines:
        share = line.strength / lines[0].strength
        total += share * peak_shape(energies, line.energy_eV, scale.width(line.energy_eV))
    return total


@dataclass(frozen=True)
class Found:
    """What a sum spectrum shows.

    Parameters
    ----------
    scale : Scale
        Fitted energy scale and resolution.
    elements : tuple of str
        Elements present, by falling evidence.
    amplitudes : dict of (str, str) to float
        Counts of each shell's strongest group in the whole field.
    misfit : float
        Mean square of the residual in standard deviations; 1 for a perfect model.
    """

    scale: Scale
    elements: tuple[str, ...]
    amplitudes: dict[tuple[str, str], float]
    misfit: float


def understand(
    nominal: Floats,
    spectrum: Floats,
    beam_energy_keV: float,
    *,
    stated: Iterable[str] = (),
    fwhm_eV: float | None = None,
) -> Found:
    """Find energy scale, resolution and elements of a sum spectrum.

    Parameters
    ----------
    nominal : numpy.ndarray, dims (channel,)
        Nominal energy at the middle of each channel (eV).
    spectrum : numpy.ndarray, dims (channel,)
        Counts of the whole field.
    beam_energy_keV : float
        Beam energy (keV).
    stated : iterable of str, optional
        Elements that are known to be there.
    fwhm_eV : float, optional
        Stated resolution at Mn Ka (eV); fitted where not given.

    Returns
    -------
    Found

    Raises
    ------
    InputError
        If the spectrum is empty or no element can be found in it.
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
    scale = fit.first_scale(known or _FREQUENT, Scale(fwhm_eV=fwhm_eV or DEFAULT_FWHM_EV))
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
    return Found(scale, elements, amplitudes, misfit)


class _Fit:
    """The sum spectrum with what every step of its reading shares."""

    def __init__(
        self, energies: Floats, counts: Floats, beam_energy_keV: float, fwhm_eV: float | None
    ) -> None:
        from scipy.ndimage import maximum_filter1d

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
        self, scale: Scale, elements: Iterable[str]
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
        self, scale: Scale, elements: Iterable[str]
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
        self, line_eV: float, amplitude: float, scale: Scale, parents: dict[float, float]
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

    def first_scale(self, elements: Sequence[str], start: Scale) -> Scale:
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
        self, scale: Scale, stated: Sequence[str], candidates: Iterable[str]
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

    def refine(self, scale: Scale, elements: Sequence[str]) -> Scale:
        """Return the scale that minimises the residual of a fit with these elements."""
        from scipy.optimize import least_squares

        if not elements:
            return scale

        def residual(values: Floats) -> Floats:
            width = scale.fwhm_eV if self.fixed_width else 129.0 + 10.0 * values[2]
            trial = Scale(10.0 * values[0], 1.0 + 1e-3 * values[1], float(width))
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
        return Scale(float(10.0 * offset), float(1.0 + 1e-3 * gain), float(fwhm))

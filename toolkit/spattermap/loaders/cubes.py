"""Spectrum cubes to net count maps: windows where lines stand clear, small fits where not.

Every map is a fixed linear combination of the channels, the same in every pixel. So net counts
are unbiased at any dose, their variance is known exactly (each channel is Poisson), and the work
is one matrix product. Per-pixel fits with a floor at zero would be neither: at a few counts they
turn noise into signal. The floor is set where it means something, on the sum spectrum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from spattermap.errors import InputError
from spattermap.loaders.spectra import Floats, Found, Scale, families, shell_shape
from spattermap.xrays import WINDOW_FWHM, Line, mapped_line, overlap_class

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
    """How one element's net counts are made from the channels.

    Parameters
    ----------
    line : Line
        The mapped line.
    weights : numpy.ndarray, dims (channel,)
        Net counts of the whole line are ``weights @ spectrum``.
    method : {"window", "fit"}
        Side-window background, or least squares with the overlapping lines.
    window_eV, low_side_eV, high_side_eV : tuple of float
        Bounds of the counting window and of the background windows (eV).
    overlaps : tuple of str
        Lines of other elements that were solved for together, with how separable they are.
    """

    line: Line
    weights: Floats
    method: str
    window_eV: tuple[float, float]
    low_side_eV: tuple[float, float]
    high_side_eV: tuple[float, float]
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

    Parameters
    ----------
    nominal : numpy.ndarray, dims (channel,)
        Nominal energy at the middle of each channel (eV).
    spectrum : numpy.ndarray, dims (channel,)
        Counts of the whole field.
    found : Found
        Energy scale, elements and amplitudes.
    beam_energy_keV : float
        Beam energy (keV).
    """

    def __init__(
        self, nominal: Floats, spectrum: Floats, found: Found, beam_energy_keV: float
    ) -> None:
        self.scale: Scale = found.scale
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

    def _amplitude(self, key: tuple[str, str], found: Found) -> float:
        """Return a shell's counts; a softer shell's only as far as its harder one vouches for it.

        Fitted alone, a soft shell picks up tails of its neighbours.
        """
        first = next(other for other in self.lines if other[0] == key[0])
        expected = self.lines[key][0].strength / self.lines[first][0].strength
        most = SOFT_SHELL_MOST * expected * found.amplitudes.get(first, 0.0)
        fitted = found.amplitudes.get(key, 0.0)
        return fitted if key == first else min(fitted, most)

    def design(self, element: str, line_name: str) -> LineFilter:
        """Return the filter of one element.

        Parameters
        ----------
        element : str
            Symbol.
        line_name : str
            Line to map, "" for the strongest that the beam excites well.

        Returns
        -------
        LineFilter

        Raises
        ------
        InputError
            If the line lies outside the energy axis.
        """
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

    Parameters
    ----------
    cube : array, dims (y, x, channel)
        Counts; numpy or dask.
    filters : sequence of LineFilter
        One an element.

    Returns
    -------
    counts, variance : array, dims (element, y, x)
        float32; dask where the cube is.
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


def describe(filters: Sequence[LineFilter], found: Found) -> Mapping[str, Any]:
    """Return lines, windows and energy scale as plain values for the provenance.

    Parameters
    ----------
    filters : sequence of LineFilter
        One an element.
    found : Found
        What the sum spectrum showed.

    Returns
    -------
    dict
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

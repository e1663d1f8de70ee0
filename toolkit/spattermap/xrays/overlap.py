"""Detector resolution, pairs of lines that overlap, and counts that leak between maps."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pandas as pd

from spattermap.core.errors import InputError, positive
from spattermap.xrays.lines import Line, lines_of, mapped_line, parse_line

MN_KA_EV = 5895.0  # the line at which detector resolution is stated (ISO 15632)
DEFAULT_FWHM_EV = 129.0  # a common silicon drift detector at Mn Ka; common practice, no source
FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
# Overlap classes by separation / FWHM (common practice, no source).
NOT_SEPARABLE_BELOW = 0.5
NEEDS_FITTING_BELOW = 1.2
WINDOW_FWHM = 1.2  # width of a counting window in FWHM; common practice, no source


def resolution_fwhm_eV(energy_eV: float, reference_fwhm_eV: float = DEFAULT_FWHM_EV) -> float:
    """Return the detector's full width at half maximum at an energy.

    Parameters
    ----------
    energy_eV : float
        Photon energy (eV).
    reference_fwhm_eV : float, optional
        Width stated for the detector at Mn Ka (eV).

    Returns
    -------
    float
        Width (eV).

    Raises
    ------
    InputError
        If an argument is not positive, or the reference is narrower than charge statistics
        allow at that energy.

    Notes
    -----
    ``FWHM^2 = 2.5 (E - 5895) + FWHM_ref^2`` (eV). Silicon detectors only.

    References
    ----------
    Fiori & Newbury, Scanning Electron Microscopy 1978/I, 401; in Goldstein et al.,
    Scanning Electron Microscopy and X-Ray Microanalysis.

    Examples
    --------
    >>> round(resolution_fwhm_eV(8046.0, 129.0), 1)
    148.4
    """
    energy = positive(energy_eV, "energy_eV", unit="eV")
    reference = positive(reference_fwhm_eV, "reference_fwhm_eV", unit="eV")
    square = 2.5 * (energy - MN_KA_EV) + reference**2  # Fiori & Newbury (1978)
    if square <= 0:
        raise InputError(
            f"reference_fwhm_eV must be a width a silicon detector can reach (eV), "
            f"got {reference:g}. Give the width at Mn Ka, usually 122 to 145."
        )
    return math.sqrt(square)


def overlap_class(energy_a_eV: float, energy_b_eV: float, fwhm_eV: float) -> str:
    """Return how well two energies are told apart by a detector.

    Parameters
    ----------
    energy_a_eV, energy_b_eV : float
        Photon energies (eV).
    fwhm_eV : float
        Detector width at their mean (eV).

    Returns
    -------
    {"not separable by window", "needs fitting", "separable"}

    Examples
    --------
    >>> overlap_class(4511.0, 4466.0, 116.0)
    'not separable by window'
    """
    ratio = abs(energy_a_eV - energy_b_eV) / fwhm_eV
    if ratio < NOT_SEPARABLE_BELOW:
        return "not separable by window"
    return "needs fitting" if ratio < NEEDS_FITTING_BELOW else "separable"


def lines_touch(element: str, line: str, other: str) -> bool:
    """Return True where an alpha or K-beta line of `other` needs fitting beside a map's line.

    `line` is for example "Sr La"; "" takes each alpha line, as nobody said which.
    """
    try:
        named = parse_line(line)[1] if line else ""
    except InputError:
        named = ""
    mine = [x for x in lines_of(element) if x.family == named or (not named and x.family[1] == "a")]
    theirs = [x for x in lines_of(other) if x.family[1] == "a" or x.family == "Kb"]
    return any(
        overlap_class(a.energy_eV, b.energy_eV, resolution_fwhm_eV(max(a.energy_eV, 60.0)))
        != "separable"
        for a in mine
        for b in theirs
    )


def leaks(
    mapped: Mapping[str, str],
    beam_energy_keV: float,
    *,
    reference_fwhm_eV: float = DEFAULT_FWHM_EV,
    window_fwhm: float = WINDOW_FWHM,
    least: float = 0.01,
) -> pd.DataFrame:
    """Return which mapped elements leak counts into which other maps, and how much.

    Parameters
    ----------
    mapped : mapping of str to str
        Line each map was made from, for example ``{"Cr": "Cr Ka", "Mn": "Mn Ka"}``; an empty
        line means the strongest excited one.
    beam_energy_keV : float
        Beam energy (keV).
    reference_fwhm_eV : float, optional
        Detector width at Mn Ka (eV).
    window_fwhm : float, optional
        Width of the counting windows (FWHM).
    least : float, optional
        Smallest leak that is listed (dimensionless).

    Returns
    -------
    pandas.DataFrame
        One row a leak, largest first: into, source (elements), into_line, source_line (the line
        that leaks), separation_fwhm, leak (counts in the map `into` for each count in the map of
        `source`; dimensionless), leak_high (upper bound: twice, since relative strengths of
        lines of one element are known to that factor only), overlap.

    Raises
    ------
    InputError
        If a line is unknown or the beam energy not positive.

    Notes
    -----
    Gaussian peaks; window counts of both lines are integrated over the same window width.
    Net maps from a fit leak less: read it as an upper bound for them.

    Examples
    --------
    >>> found = leaks({"Cr": "Cr Ka", "Mn": "Mn Ka"}, 20.0)
    >>> found[["source", "source_line", "into"]].to_numpy().tolist()
    [['Cr', 'Cr Kb', 'Mn']]
    """
    own = {element: mapped_line(element, line, beam_energy_keV) for element, line in mapped.items()}
    rows = []
    for into, target in own.items():
        half = window_fwhm * resolution_fwhm_eV(target.energy_eV, reference_fwhm_eV) / 2
        for source, reference in own.items():
            if source == into or not reference.strength > 0:
                continue
            base = reference.strength * _caught(
                reference, reference, window_fwhm, reference_fwhm_eV
            )
            for line in lines_of(source, beam_energy_keV):
                caught = _fraction(line.energy_eV, target.energy_eV, half, reference_fwhm_eV)
                leak = line.strength * caught / base
                if leak < least:
                    continue
                middle = (line.energy_eV + target.energy_eV) / 2
                fwhm = resolution_fwhm_eV(middle, reference_fwhm_eV)
                apart = abs(line.energy_eV - target.energy_eV) / fwhm
                overlap = overlap_class(line.energy_eV, target.energy_eV, fwhm)
                names = (into, source, target.name, line.name)
                rows.append((*names, apart, leak, 2.0 * leak, overlap))
    columns = [
        "into", "source", "into_line", "source_line", "separation_fwhm", "leak", "leak_high",
        "overlap",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values("leak", ascending=False, kind="stable", ignore_index=True)


def _caught(line: Line, window_of: Line, window_fwhm: float, reference_fwhm_eV: float) -> float:
    half = window_fwhm * resolution_fwhm_eV(window_of.energy_eV, reference_fwhm_eV) / 2
    return _fraction(line.energy_eV, window_of.energy_eV, half, reference_fwhm_eV)


def _fraction(
    energy_eV: float, centre_eV: float, half_eV: float, reference_fwhm_eV: float
) -> float:
    """Part of a Gaussian peak that falls into a window."""
    sigma = resolution_fwhm_eV(energy_eV, reference_fwhm_eV) / FWHM_PER_SIGMA
    upper = (centre_eV + half_eV - energy_eV) / (sigma * math.sqrt(2))
    lower = (centre_eV - half_eV - energy_eV) / (sigma * math.sqrt(2))
    return 0.5 * (math.erf(upper) - math.erf(lower))

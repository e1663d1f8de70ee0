"""What theory says of a two-phase sheet: thresholds, bounds and mixing rules."""

from __future__ import annotations

import math

from spattermap.checks import positive
from spattermap.errors import InputError

# Site percolation on the square lattice, neighbours sharing an edge: Jacobsen, J. Phys. A 48
# (2015) 454003 (0.592746 seen as the default of the R package SPSL; further digits from memory).
SITE_THRESHOLD_4 = 0.59274605
# Neighbours sharing an edge or a corner: the matching lattice, 1 - SITE_THRESHOLD_4 (exact
# relation; Sykes and Essam, J. Math. Phys. 5 (1964) 1117; from memory).
SITE_THRESHOLD_8 = 1.0 - SITE_THRESHOLD_4
# Bond percolation on the square lattice: Kesten, Commun. Math. Phys. 74 (1980) 41 (from memory).
BOND_THRESHOLD = 0.5
# Covered area at which equal overlapping discs percolate: Quintanilla and Ziff, Phys. Rev. E 76
# (2007) 051115 (0.6763 seen); Mertens and Moore, Phys. Rev. E 86 (2012) 061109 (digits from
# memory). Discs of mixed sizes percolate at a slightly larger area.
DISC_AREA_THRESHOLD = 0.67634831
# The same threshold as filling factor eta = -ln(1 - area), and as mean number of neighbours a
# disc 4 eta, for which Balister, Bollobas and Walters (2004) give 4.508 to 4.515 at 99.99 %.
DISC_FILLING_THRESHOLD = -math.log1p(-DISC_AREA_THRESHOLD)
DISC_NEIGHBOUR_THRESHOLD = 4.0 * DISC_FILLING_THRESHOLD


def hashin_shtrikman(
    fraction: float, *, metal: float = 1.0, bare: float = 0.0
) -> tuple[float, float]:
    """Return the bounds on the sheet conductance of any isotropic two-phase sheet.

    Parameters
    ----------
    fraction : float
        Area fraction of the metal (0 to 1).
    metal, bare : float, optional
        Sheet conductance of the two phases, any unit.

    Returns
    -------
    low, high : float
        In the unit of `metal`.

    Raises
    ------
    InputError
        If the fraction is outside 0 to 1 or a conductance is negative.

    Notes
    -----
    s1 + f2 / (1/(s2 - s1) + f1/(2 s1)) and the same with the phases exchanged. The bounds hold for
    isotropic sheets much larger than their texture; streaks all lying one way may pass them, and
    only `wiener_bounds` holds there.

    References
    ----------
    Z. Hashin and S. Shtrikman, J. Appl. Phys. 33 (1962) 3125, eq. 3.18 and 3.19, in the form for
    two dimensions (from memory).

    Examples
    --------
    >>> hashin_shtrikman(0.5)
    (0.0, 0.3333333333333333)
    """
    f = _fraction(fraction)
    one = positive(metal, "metal", allow_zero=True)
    two = positive(bare, "bare", allow_zero=True)
    ends = (_coated(two, one, f), _coated(one, two, 1.0 - f))
    return min(ends), max(ends)


def _coated(shell: float, core: float, core_fraction: float) -> float:
    """Return the conductance of coated discs; the Hashin-Shtrikman bound of that shell."""
    if core_fraction in (0.0, 1.0) or shell == 0:
        return core if core_fraction == 1 else shell
    # Maxwell's formula in two dimensions, free of the division by (core - shell).
    top = shell + core + core_fraction * (core - shell)
    return shell * top / (shell + core - core_fraction * (core - shell))


def wiener_bounds(fraction: float, *, metal: float = 1.0, bare: float = 0.0) -> tuple[float, float]:
    """Return the bounds on the sheet conductance of any two-phase sheet, isotropic or not.

    Parameters
    ----------
    fraction : float
        Area fraction of the metal (0 to 1).
    metal, bare : float, optional
        Sheet conductance of the two phases, any unit.

    Returns
    -------
    low, high : float
        Stripes across the current, and stripes along it.

    Raises
    ------
    InputError
        If the fraction is outside 0 to 1 or a conductance is negative.

    References
    ----------
    O. Wiener, Abh. Math.-Phys. Kl. Koenigl. Saechs. Ges. Wiss. 32 (1912) 509 (from memory).
    """
    f = _fraction(fraction)
    one = positive(metal, "metal", allow_zero=True)
    two = positive(bare, "bare", allow_zero=True)
    high = f * one + (1.0 - f) * two
    if f in (0.0, 1.0):
        return high, high
    low = 0.0 if one == 0 or two == 0 else 1.0 / (f / one + (1.0 - f) / two)
    return low, high


def bruggeman(fraction: float, *, metal: float = 1.0, bare: float = 0.0) -> float:
    """Return the effective-medium sheet conductance of a random two-phase sheet.

    Parameters
    ----------
    fraction : float
        Area fraction of the metal (0 to 1).
    metal, bare : float, optional
        Sheet conductance of the two phases, any unit.

    Returns
    -------
    float
        In the unit of `metal`. With insulating ground, 2 f - 1 above one half and 0 below.

    Raises
    ------
    InputError
        If the fraction is outside 0 to 1 or a conductance is negative.

    Notes
    -----
    Positive root of f (s1 - s)/(s1 + s) + (1 - f) (s2 - s)/(s2 + s) = 0. It puts the threshold at
    one half; drops that overlap at random percolate later (`DISC_AREA_THRESHOLD`).

    References
    ----------
    D. A. G. Bruggeman, Ann. Phys. 416 (1935) 636, two-dimensional form (from memory).
    """
    f = _fraction(fraction)
    one = positive(metal, "metal", allow_zero=True)
    two = positive(bare, "bare", allow_zero=True)
    half = 0.5 * (2.0 * f - 1.0) * (one - two)
    return half + math.sqrt(half * half + one * two)


def crossing_probability(width_over_height: float) -> float:
    """Return the chance that a random sheet at its threshold crosses a field from left to right.

    Parameters
    ----------
    width_over_height : float
        Aspect ratio of the field.

    Returns
    -------
    float
        Between 0 and 1; one half for a square field. It tells how little one field proves at the
        threshold.

    Raises
    ------
    InputError
        If the ratio is not positive.

    References
    ----------
    J. L. Cardy, J. Phys. A 25 (1992) L201 (from memory), with the aspect ratio
    K(1 - m)/K(m) in terms of the complete elliptic integral of parameter m.

    Examples
    --------
    >>> round(crossing_probability(1.0), 12)
    0.5
    """
    from scipy.special import gamma, hyp2f1

    ratio = positive(width_over_height, "width_over_height")
    if ratio < 1:  # crossing this way and not crossing the other way add to one
        return 1.0 - crossing_probability(1.0 / ratio)
    m = _elliptic_parameter(ratio)
    factor = 3.0 * gamma(2.0 / 3.0) / gamma(1.0 / 3.0) ** 2
    return float(factor * m ** (1.0 / 3.0) * hyp2f1(1.0 / 3.0, 2.0 / 3.0, 4.0 / 3.0, m))


def _elliptic_parameter(ratio: float) -> float:
    """Return m with K(1 - m)/K(m) = ratio, from the theta series of the nome."""
    nome = math.exp(-math.pi * ratio)
    terms = range(1, 12)  # nome <= exp(-pi) here, so that the series end at once
    theta2 = 2.0 * nome**0.25 * (1.0 + sum(nome ** (n * (n + 1)) for n in terms))
    theta3 = 1.0 + 2.0 * sum(nome ** (n * n) for n in terms)
    return float((theta2 / theta3) ** 4)


def _fraction(value: float) -> float:
    number = positive(value, "fraction", allow_zero=True)
    if number > 1:
        raise InputError(
            f"fraction must be at most 1 (an area fraction), got {number!r}. "
            "Divide a percentage by 100."
        )
    return number

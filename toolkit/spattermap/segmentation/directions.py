"""Preferred direction of streaks: circular statistics."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import optimize, special


def circular_summary(angles_deg: npt.ArrayLike, *, axial: bool = False) -> dict[str, float]:
    """Return mean direction, concentration and Rayleigh test of a set of angles.

    Parameters
    ----------
    angles_deg : array_like
        Angles (deg).
    axial : bool, optional
        True for axes without head and tail, for which an angle and the angle plus 180 deg are
        one; they are doubled for the statistics and the mean is halved again.

    Returns
    -------
    dict
        ``n``; ``mean_direction_deg``; ``resultant_length`` (0 scattered, 1 all the same);
        ``circular_sd_deg``; ``rayleigh_p`` (hypothesis: no preferred direction); ``kappa`` (von
        Mises concentration). Only ``n`` for fewer than two angles.

    Notes
    -----
    Mardia & Jupp, Directional Statistics (2000): resultant length eq. 2.3.4, circular standard
    deviation eq. 2.3.11. The Rayleigh p-value is the approximation
    ``exp(sqrt(1 + 4 n + 4 (n^2 - R^2)) - 1 - 2 n)`` of Zar, Biostatistical Analysis (eq. 27.4; from
    memory), good to 0.001 from n = 5. Kappa solves ``I1(k) / I0(k) = resultant length``; for
    fewer than 16 angles the maximum-likelihood value is shrunk after Best & Fisher (1981).

    Examples
    --------
    >>> found = circular_summary([10.0, 20.0, 30.0])
    >>> round(found["mean_direction_deg"], 6)
    20.0
    """
    angles = np.radians(np.asarray(angles_deg, dtype=np.float64).ravel())
    n = angles.size
    if n < 2:
        return {"n": float(n)}
    fold = 2.0 if axial else 1.0
    total = np.exp(1j * fold * angles).sum()
    length = min(float(abs(total)) / n, 1.0)
    mean = float(np.degrees(np.angle(total)) / fold) % (360.0 / fold)
    spread = float(np.degrees(np.sqrt(-2 * np.log(max(length, 1e-300))))) / fold
    resultant = n * length
    p = float(np.exp(np.sqrt(1 + 4 * n + 4 * (n**2 - resultant**2)) - (1 + 2 * n)))
    return {
        "n": float(n),
        "mean_direction_deg": mean,
        "resultant_length": length,
        "circular_sd_deg": spread,
        "rayleigh_p": min(p, 1.0),
        "kappa": _kappa(length, n),
    }


def _kappa(length: float, n: int) -> float:
    if length <= 0:
        return 0.0
    if length >= 1 - 1e-9:
        return float("inf")
    top = 2 / (1 - length)
    found = float(
        optimize.brentq(lambda k: special.i1e(k) / special.i0e(k) - length, 0.0, top + 10)
    )
    if n < 16:  # Best & Fisher (1981), Commun. Stat. B 10, 493
        if found < 2:
            return max(found - 2 / (n * found), 0.0) if found > 0 else 0.0
        return (n - 1) ** 3 * found / (n**3 + n)
    return found

"""Sizes of known distribution: the truth that tests and benchmarks hold estimates against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spattermap.measure.sizes import WEIGHTINGS


@dataclass(frozen=True)
class LognormalSizes:
    """Lognormal diameters and what follows from them (Hatch and Choate).

    T. Hatch, S. P. Choate, J. Franklin Inst. 207 (1929) 369:
       ``D_b = median exp(b ln^2 sigma_g)``.
    """

    median: float
    sigma_g: float

    @property
    def log_sigma(self) -> float:
        """Natural logarithm of the geometric standard deviation."""
        return float(np.log(self.sigma_g))

    def hatch_choate(self, b: float) -> float:
        """Return ``median exp(b ln^2 sigma_g)``; b = -1 is the mode, 3 the volume median."""
        return float(self.median * np.exp(b * self.log_sigma**2))

    def moment_mean(self, p: float, q: float) -> float:
        """Return D[p,q], ``b = (p + q) / 2``."""
        return self.hatch_choate((p + q) / 2)

    def percentile(self, percent: float, *, weighting: str = "number") -> float:
        """Return a diameter by number, area or volume (percent of 0 to 100)."""
        from scipy.special import ndtri

        centre = self.hatch_choate(WEIGHTINGS[weighting])
        return float(centre * np.exp(self.log_sigma * ndtri(percent / 100)))

    @property
    def coefficient_of_variation(self) -> float:
        """Standard deviation over mean, by number."""
        return float(np.sqrt(np.expm1(self.log_sigma**2)))

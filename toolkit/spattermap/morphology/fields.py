"""Coverage over several fields, and how many fields are enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spattermap.errors import InputError


@dataclass(frozen=True)
class FieldsCoverage:
    """Coverage over several fields, in the manner of ASTM E562 and E1245.

    Parameters
    ----------
    n_fields : int
        Number of fields.
    mean, standard_deviation : float
        Of the fields' area fractions.
    half_width : float
        Half width of the confidence interval of the mean.
    low, high : float
        Bounds, kept within 0 and 1.
    relative_accuracy : float
        Half width over mean, in percent (``inf`` where the mean is 0).
    level : float
        Confidence level.
    """

    n_fields: int
    mean: float
    standard_deviation: float
    half_width: float
    low: float
    high: float
    relative_accuracy: float
    level: float

    def fields_for(self, relative_accuracy: float) -> int:
        """Return how many fields would reach a relative accuracy (percent).

        Parameters
        ----------
        relative_accuracy : float
            The accuracy wanted, in percent of the mean.

        Returns
        -------
        int

        Notes
        -----
        The half width is ``t s / sqrt(n)`` with ``t`` at ``n - 1`` degrees of freedom, so the
        number is found by trial. To halve the relative accuracy takes about four times the
        fields (ASTM E562, section 11.3).
        """
        return fields_needed(
            self.mean,
            self.standard_deviation,
            relative_accuracy=relative_accuracy,
            level=self.level,
        )


def coverage_over_fields(fractions: Sequence[float], *, level: float = 0.95) -> FieldsCoverage:
    """Return the mean area fraction of several fields with its t interval.

    Parameters
    ----------
    fractions : sequence of float, dims (field,)
        Area fraction of each field (0 to 1); at least two fields, placed without regard to what
        they show.
    level : float
        Confidence level (0 to 1).

    Returns
    -------
    FieldsCoverage

    Raises
    ------
    InputError
        If there are fewer than two fields or a fraction lies outside 0 to 1.

    References
    ----------
    .. [1] ASTM E562, section 11 (systematic manual point count); ASTM E1245 (automatic image
       analysis): CI = t s / sqrt(n), %RA = 100 CI / mean.

    Examples
    --------
    >>> found = coverage_over_fields([0.20, 0.24, 0.28])
    >>> round(found.mean, 2), round(found.half_width, 4), found.fields_for(10)
    (0.24, 0.0994, 14)
    """
    values = np.asarray(fractions, dtype=np.float64)
    if values.ndim != 1 or len(values) < 2 or not ((values >= 0) & (values <= 1)).all():
        raise InputError(
            "fractions must be two or more area fractions between 0 and 1, "
            f"got {values.tolist()!r}. Map a second field, or use coverage_interval for one."
        )
    mean, spread = float(values.mean()), float(values.std(ddof=1))
    half = t_multiplier(len(values), level=level) * spread / np.sqrt(len(values))
    return FieldsCoverage(
        n_fields=len(values),
        mean=mean,
        standard_deviation=spread,
        half_width=float(half),
        low=max(0.0, mean - half),
        high=min(1.0, mean + half),
        relative_accuracy=float(100 * half / mean) if mean > 0 else float("inf"),
        level=level,
    )


def t_multiplier(n_fields: int, *, level: float = 0.95) -> float:
    """Return Student's t for the interval of the mean of `n_fields` values.

    Parameters
    ----------
    n_fields : int
        Number of fields, at least 2.
    level : float
        Confidence level (0 to 1).

    Returns
    -------
    float

    Examples
    --------
    >>> round(t_multiplier(3), 3)
    4.303
    """
    from scipy.special import stdtrit

    return float(stdtrit(n_fields - 1, 0.5 + level / 2))


def fields_needed(
    mean: float, standard_deviation: float, *, relative_accuracy: float, level: float = 0.95
) -> int:
    """Return how many fields bring the interval of the mean to a relative accuracy.

    Parameters
    ----------
    mean, standard_deviation : float
        Of one field's value.
    relative_accuracy : float
        Half width over mean that is wanted (percent).
    level : float
        Confidence level (0 to 1).

    Returns
    -------
    int
        At least 2.

    Raises
    ------
    InputError
        If `mean` or `relative_accuracy` is not positive.

    Examples
    --------
    >>> fields_needed(0.24, 0.04, relative_accuracy=10)
    14
    """
    if mean <= 0 or relative_accuracy <= 0:
        raise InputError(
            "mean and relative_accuracy must be positive numbers, "
            f"got {mean!r} and {relative_accuracy!r}. A bare field has no relative accuracy."
        )
    wanted = relative_accuracy / 100 * mean
    n = 2
    while t_multiplier(n, level=level) * standard_deviation / np.sqrt(n) > wanted and n < 10**7:
        step = (t_multiplier(n, level=level) * standard_deviation / wanted) ** 2
        # t falls with n, so the estimate from a smaller n can overshoot: approach from below.
        n = max(n + 1, int(min(step, 1.5 * n)))
    return n

"""How many droplets and fields are enough, against what was measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from spattermap.morphology.coverage import Coverage
from spattermap.morphology.fields import fields_needed
from spattermap.morphology.means import droplets_needed, particles_needed

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]

# Relative accuracy that "enough" means, unless asked otherwise.
ENOUGH = 0.05


def geometric_spread(diameter: Floats, weight: Floats) -> float:
    """Return the geometric standard deviation of weighted diameters.

    Parameters
    ----------
    diameter, weight : numpy.ndarray, dims (droplet,)
        Diameters, and how many droplets each stands for.

    Returns
    -------
    float
        1 or more; NaN with fewer than three droplets.

    Examples
    --------
    >>> d = np.array([1.0, 2.0, 4.0])
    >>> round(geometric_spread(d, np.ones(3)), 3)
    1.761
    """
    kept = weight > 0
    if kept.sum() < 3:
        return float("nan")
    logs = np.log(diameter[kept])
    mean = np.average(logs, weights=weight[kept])
    return float(np.exp(np.sqrt(np.average((logs - mean) ** 2, weights=weight[kept]))))


def how_many_more(
    diameter: npt.ArrayLike,
    weights: npt.ArrayLike,
    *,
    coverage: Coverage | None = None,
    error: float = ENOUGH,
    level: float = 0.95,
) -> pd.DataFrame:
    """Return what was measured against what is needed, and how many more such fields to map.

    Parameters
    ----------
    diameter : array_like, dims (droplet,)
        Diameters.
    weights : array_like, dims (droplet,)
        Number of droplets each entry stands for; 0 where it is not used.
    coverage : Coverage, optional
        Of the same field.
    error : float
        Relative error that counts as enough (half width of the interval).
    level : float
        Confidence level (0 to 1).

    Returns
    -------
    pandas.DataFrame
        ``quantity, n_measured, n_needed, n_needed_with_fit, more_fields``. `n_needed` is for the
        value taken straight from the droplets; `n_needed_with_fit` supposes a lognormal fit
        (ISO 13322-1). For coverage they count fields. NaN where it cannot be told.

    Examples
    --------
    >>> d = np.random.default_rng(1).lognormal(1.0, 0.4, 100)
    >>> table = how_many_more(d, np.ones(100))
    >>> dict(zip(table["quantity"], table["more_fields"].tolist(), strict=True))
    {'D[1,0]': 1.0, 'D[3,2]': 4.0, 'D[4,3]': 9.0}
    """
    import pandas as pd

    d, w = np.asarray(diameter, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    d, w = d[w > 0], w[w > 0]
    spread = geometric_spread(d, w)
    rows = []
    for name, p, q, power, basis in (
        ("D[1,0]", 1, 0, 1.0, 0.0),
        ("D[3,2]", 3, 2, 1.0, 2.0),
        ("D[4,3]", 4, 3, 1.0, 3.0),
    ):
        needed = droplets_needed(d, p, q, weights=w, error=error, level=level)
        fitted = float("nan")
        if np.isfinite(spread):
            fitted = particles_needed(spread, error=error, level=level, power=power, basis=basis)
        more = max(0.0, np.ceil(needed / len(d)) - 1) if len(d) else float("nan")
        rows.append((name, float(len(d)), needed, fitted, more))
    if coverage is not None:
        needed = float("nan")
        if coverage.value > 0 and coverage.standard_error > 0:
            needed = float(
                fields_needed(
                    coverage.value,
                    coverage.standard_error,
                    relative_accuracy=100 * error,
                    level=level,
                )
            )
        rows.append(("coverage", 1.0, needed, float("nan"), max(0.0, needed - 1)))
    columns = ["quantity", "n_measured", "n_needed", "n_needed_with_fit", "more_fields"]
    return pd.DataFrame(rows, columns=columns)

"""p-values of many pairs at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spattermap.checks import one_of

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


def adjusted(p_values: npt.ArrayLike, *, method: str = "holm") -> Floats:
    """Return p-values corrected for their number.

    Parameters
    ----------
    p_values : array_like, dims (test,)
        p-values; NaN stays NaN and is not counted.
    method : {"holm", "benjamini-hochberg"}
        Holm bounds the chance of any false claim; Benjamini and Hochberg bound the expected part
        of false claims among those made.

    Returns
    -------
    numpy.ndarray, dims (test,)

    Raises
    ------
    InputError
        If the method is unknown.

    References
    ----------
    Holm, Scandinavian Journal of Statistics 6 (1979) 65.
    Benjamini and Hochberg, Journal of the Royal Statistical Society B 57 (1995) 289.

    Examples
    --------
    >>> adjusted([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    one_of(method, "method", ("holm", "benjamini-hochberg"))
    p = np.asarray(p_values, dtype=np.float64)
    result = np.full(p.shape, np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    order = tested[np.argsort(p[tested], kind="stable")]
    count = order.size
    rank = np.arange(count)
    if method == "holm":
        stepped = np.maximum.accumulate(p[order] * (count - rank))
    else:
        stepped = np.minimum.accumulate((p[order] * count / (rank + 1))[::-1])[::-1]
    result[order] = np.minimum(stepped, 1.0)
    return result

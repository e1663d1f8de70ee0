"""White noise of a map: the part that is independent from pixel to pixel, and how flat it is.

Counting noise is white: it has as much power at the finest scale as at any other, and its
variance equals the mean. Material seen through a blurring beam has almost none there. So the
finest scale tells the noise, and its absence tells that somebody smoothed or interpolated.
"""

from __future__ import annotations

import numpy as np

BLOCK_PX = 32  # side of the blocks in which a field may be quiet


def white_variance(plane: np.ndarray, step: int = 1, used: np.ndarray | None = None) -> float:
    """Return the variance of the noise that is independent from pixel to pixel.

    Parameters
    ----------
    plane : numpy.ndarray, dims (y, x)
        A map.
    step : int, optional
        Spacing of the mask (px); noise correlated over fewer pixels counts as white then.
    used : numpy.ndarray of bool, dims (y, x), optional
        Pixels to use.

    Returns
    -------
    float
        Variance in the square of the map's unit; NaN where the map is too small.

    Notes
    -----
    Mean square of the map filtered with the product of two second differences, which no plane,
    no edge along x or y and no slow change passes, over its gain of 36 for white noise. Structure
    with power at the finest scale adds to it.

    References
    ----------
    Immerkaer, Comput. Vis. Image Underst. 64 (1996) 300, eq. 1 (with the mean square in place of
    the mean modulus, which would assume normal noise).

    Examples
    --------
    >>> counts = np.random.default_rng(1).poisson(4.0, (256, 256))
    >>> round(white_variance(counts))
    4
    """
    squares = fine_squares(np.asarray(plane, dtype=np.float64), step)
    if squares.size == 0:
        return float("nan")
    if used is not None and not used.all():
        whole = eroded(used, step)
        return float(squares[whole].mean()) if whole.any() else float("nan")
    return float(squares.mean())


def fine_squares(plane: np.ndarray, step: int) -> np.ndarray:
    """Return the noise variance as each pixel alone shows it; empty where the map is too small."""
    if min(plane.shape) <= 2 * step:
        return np.empty((0, 0))
    down = plane[: -2 * step] - 2 * plane[step:-step] + plane[2 * step :]
    both = down[:, : -2 * step] - 2 * down[:, step:-step] + down[:, 2 * step :]
    return np.asarray(both**2 / 36.0)  # (1 + 4 + 1)^2


def eroded(used: np.ndarray, step: int) -> np.ndarray:
    """Return where the nine pixels of the mask are all usable."""
    down = used[: -2 * step] & used[step:-step] & used[2 * step :]
    return np.asarray(down[:, : -2 * step] & down[:, step:-step] & down[:, 2 * step :])


def quiet_ratios(plane: np.ndarray, used: np.ndarray | None = None) -> tuple[float, float]:
    """Return flatness and dispersion as the quieter half of the field shows them.

    Parameters
    ----------
    plane : numpy.ndarray, dims (y, x)
        A map.
    used : numpy.ndarray of bool, dims (y, x), optional
        Pixels to use.

    Returns
    -------
    flatness : float
        White variance at step 1 over that at step 2, median over blocks: 1 for white noise, near
        0 after smoothing or interpolation. NaN without any variation.
    dispersion : float
        White variance over mean, lower quartile over blocks: 1 for counts, the gain for counts
        times a gain. Structure raises it least in quiet blocks. NaN for an empty map.

    Examples
    --------
    >>> counts = np.random.default_rng(1).poisson(4.0, (256, 256)).astype(float)
    >>> flatness, dispersion = quiet_ratios(counts)
    >>> round(flatness, 1), round(dispersion, 1)
    (1.0, 0.9)
    """
    kept = np.ones(plane.shape, dtype=bool) if used is None else used
    ratios: list[tuple[float, float]] = []
    for top in range(0, max(1, plane.shape[0] - BLOCK_PX // 2), BLOCK_PX):
        for left in range(0, max(1, plane.shape[1] - BLOCK_PX // 2), BLOCK_PX):
            cut = (slice(top, top + BLOCK_PX), slice(left, left + BLOCK_PX))
            part = plane[cut]
            fine, wide = (white_variance(part, step, kept[cut]) for step in (1, 2))
            mean = float(part[kept[cut]].mean()) if kept[cut].any() else 0.0
            if wide > 0 and mean > 0:
                ratios.append((fine / wide, fine / mean))
    if not ratios:
        return float("nan"), float("nan")
    flat, spread = np.array(ratios).T
    return float(np.median(flat)), float(np.quantile(spread, 0.25))

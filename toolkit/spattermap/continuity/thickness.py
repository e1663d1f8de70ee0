"""A thickness for the sheet, from the metal's own signal."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.checks import image_2d, positive
from spattermap.continuity.network import Floats
from spattermap.errors import InputError

# Relative counting noise left on the smoothed thickness where the smoothing is ours to choose: a
# noise of e lowers the conductance of a sheet by about e**2 / 2 (second-order perturbation of a
# two-dimensional sheet; common practice), here one in eight hundred.
_LEFT_NOISE = 0.05


def thickness_from_signal(
    signal: npt.ArrayLike, metal: npt.ArrayLike, *, smoothing_px: float | None = None
) -> Floats:
    """Return the relative thickness of the metal from its X-ray signal.

    Parameters
    ----------
    signal : array_like, dims (y, x)
        Metal signal, usually the sum of the alloy elements' counts.
    metal : array_like of bool, dims (y, x)
        True where there is metal.
    smoothing_px : float, optional
        Standard deviation of the Gaussian that averages the noise (px). None takes the one that
        leaves 5 % of counting noise, which is right for counts only.

    Returns
    -------
    ndarray, dims (y, x)
        Thickness with mean 1 on metal, 0 elsewhere.

    Raises
    ------
    InputError
        If shapes differ or an argument is not allowed.

    Notes
    -----
    The mean signal of the bare ground is subtracted, and the average runs over metal pixels only,
    so that outlines stay sharp. The signal is taken as proportional to the thickness, which holds
    for films that are thin against the depth of X-ray generation; thicker metal saturates, and
    its thickness is then understated.
    """
    mask = image_2d(metal, "metal").astype(bool)
    values = image_2d(signal, "signal").astype(np.float64)
    if values.shape != mask.shape:
        raise InputError(
            f"signal must have the shape of metal {mask.shape}, got {values.shape}. "
            "Give one value a pixel."
        )
    if not mask.any():
        return np.zeros(mask.shape)
    ground = float(values[~mask].mean()) if not mask.all() else 0.0
    on_metal = float(values[mask].mean())
    net = on_metal - ground
    if net <= 0:
        raise InputError(
            "signal must be higher on metal than on bare ground, got means "
            f"{on_metal:.3g} and {ground:.3g}. Pass the sum of the alloy elements."
        )
    if smoothing_px is None:
        # A Gaussian averages over 4 pi s**2 pixels; the noise of a pixel is that of its counts.
        pixels = on_metal / (net * _LEFT_NOISE) ** 2
        smoothing_px = math.sqrt(pixels / (4.0 * math.pi))
    width = positive(smoothing_px, "smoothing_px", unit="px", allow_zero=True)
    weight = ndimage.gaussian_filter(mask.astype(np.float64), width)
    summed = ndimage.gaussian_filter(np.where(mask, values - ground, 0.0), width)
    thickness = np.zeros(mask.shape)
    thickness[mask] = np.clip(summed[mask] / weight[mask], 0.0, None)
    relative: Floats = thickness / thickness[mask].mean()
    return relative

"""An electron image made ready: caption cut, grey values freed of their scale, any grid to any."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from spattermap.core.arrays import Bools, Singles
from spattermap.core.squares import between_squares, whole_squares

_CAPTION_PART = 0.25  # a caption bar takes no more of the height than this
_CAPTION_ROWS = 4
_BACKGROUND = 0.5  # part of a caption's row that shows its even background
_PICTURE = 0.3  # part of a picture's row that one grey value may fill
_WIDE = 8.0  # px; standard deviation from which a blur is done on means of squares,
_FINE_ENOUGH = 4.0  # ... so many sides wide
CLIPPED_LIMIT = 0.05  # part of the pixels at an end of the grey scale from which a reader is warned


@dataclass(frozen=True)
class Transform:
    """Where a point of the maps lies in the image.

    ``image = middle_i + (scale * R(turn) * (map - middle_m) + shift) / step``, rows first, with
    the middles of the two pictures and `step` the maps' pixels an image pixel takes.
    """

    shift: tuple[float, float] = (0.0, 0.0)  # rows and columns (px of the maps)
    turn_deg: float = 0.0  # turn (deg), counter-clockwise as seen on the picture (rows downward)
    # magnification of the image over what its pixel size or its shape lets expect
    scale: float = 1.0
    step: float = 1.0  # expected side of an image pixel (px of the maps)

    def matrix(self) -> npt.NDArray[np.float64]:
        """Return the 2 by 2 matrix from offsets in the maps to offsets in the image (px each)."""
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        return np.asarray(self.scale / self.step * np.array([[c, -s], [s, c]]))

    def offset(
        self, map_shape: tuple[int, ...], image_shape: tuple[int, ...]
    ) -> npt.NDArray[np.float64]:
        """Return the image place of the maps' pixel (0, 0) (image px)."""
        middle_m = (np.array(map_shape, dtype=np.float64) - 1) / 2
        middle_i = (np.array(image_shape, dtype=np.float64) - 1) / 2
        return np.asarray(middle_i + np.array(self.shift) / self.step - self.matrix() @ middle_m)

    def on_squares(self, side: int, map_shape: tuple[int, ...]) -> Transform:
        """Return it from the maps on squares of `side` px, of which the far edges are left out."""
        left_out = np.array([n % side for n in map_shape]) / 2
        shift = (np.array(self.shift) - self.step * (self.matrix() @ left_out)) / side
        return replace(self, shift=(float(shift[0]), float(shift[1])), step=self.step / side)

    def farthest(self, other: Transform, map_shape: tuple[int, ...]) -> float:
        """Return the largest distance (px of the maps) between two transforms over the field."""
        half = (np.array(map_shape, dtype=np.float64) - 1) / 2
        corners = np.array([[-1, -1], [-1, 1], [1, -1], [1, 1]]) * half
        ours, theirs = (
            corners @ (t.matrix() * t.step).T + np.array(t.shift) for t in (self, other)
        )
        return float(np.hypot(*(ours - theirs).T).max())


def without_caption(image: npt.NDArray[np.generic]) -> tuple[npt.NDArray[np.generic], int]:
    """Return a view of the image without a caption bar, and the rows cut (at its head: negative).

    Dims: (image_y, image_x). Common practice, no source: half of every row of a bar has one grey
    value, a picture's rows have not.
    """
    height = image.shape[0]
    if height < 4 * _CAPTION_ROWS:
        return image, 0
    ordered = np.sort(image, axis=1)
    most = int(_CAPTION_PART * height)
    for sign, rows in ((1, ordered[::-1]), (-1, ordered)):
        # The longest run from the border that is even on the whole, ending in an even row.
        even = _one_value_fills(rows[:most], _BACKGROUND)
        run = int(np.argmin(even)) if not even.all() else most
        if _CAPTION_ROWS <= run < most and _one_value_fills(rows[most:], _PICTURE).mean() < 0.5:
            return (image[: height - run] if sign > 0 else image[run:]), sign * run
    return image, 0


def _one_value_fills(ordered: npt.NDArray[np.generic], part: float) -> Bools:
    """Return whether one grey value fills more than a part of each row, its values in order."""
    n = min(int(part * ordered.shape[1]), ordered.shape[1] - 1)
    return np.asarray((ordered[:, n:] == ordered[:, : ordered.shape[1] - n]).any(axis=1))


def clipped_part(image: npt.NDArray[np.generic]) -> float:
    """Return the part of the pixels that stand at the largest or at the smallest grey value."""
    if image.size == 0:
        return 0.0
    low, high = image.min(), image.max()
    if low == high:
        return 1.0
    # A few pixels are always the extreme ones.
    return max(float(np.count_nonzero(image == end)) / image.size for end in (low, high))


def even_grey(image: npt.NDArray[np.generic]) -> Singles:
    """Return grey values with median 0 and the 5th to 95th percentile one apart.

    Dims: `image` (image_y, image_x), of any depth; what is not finite takes the median.
    """
    grey = np.asarray(image, dtype=np.float32)
    finite = np.isfinite(grey)
    if not finite.all():
        grey = np.where(finite, grey, np.float32(np.median(grey[finite]) if finite.any() else 0))
    low, middle, high = np.percentile(grey, [5, 50, 95])
    if not high > low:
        low, high = float(grey.min()), float(grey.max())
    spread = float(high - low) or 1.0
    return np.asarray(np.clip((grey - np.float32(middle)) / np.float32(spread), -4, 4))


def blurred(picture: Singles, sigma: float) -> Singles:
    """Return the picture under a Gaussian blur (px); a wide one is done on means of squares."""
    if sigma <= 0:
        return picture
    side = int(sigma / _FINE_ENOUGH) if sigma >= _WIDE else 1
    if side == 1:
        return np.asarray(ndimage.gaussian_filter(picture, sigma, truncate=3.0))
    rows, columns = picture.shape
    whole = np.pad(picture, ((0, -rows % side), (0, -columns % side)), mode="symmetric")
    # Means of squares and the lines between them blur by themselves: 1/12 and 1/6 of side^2.
    rest = float(np.sqrt(sigma**2 / side**2 - 0.25))
    small = ndimage.gaussian_filter(means(whole, side), rest, truncate=3.0)
    return between_squares(small, side, slice(0, rows), slice(0, columns))


def means(picture: Singles, side: int) -> Singles:
    """Return the means of squares of `side` px; what is left over at the far edges is dropped."""
    if side == 1:
        return picture
    return np.asarray(whole_squares(picture, side) / side**2, np.float32)


def resampled(
    image: Singles, transform: Transform, shape: tuple[int, int], *, finer: int = 1
) -> tuple[Singles, Bools]:
    """Return an image on the maps' grid, and where the maps lie within it.

    Dims: `image` (image_y, image_x); returns (y, x) twice, of `shape` times `finer`, averaged over
    about one pixel of the result.
    """
    taken = transform.scale / transform.step / finer  # image px a pixel of the result is wide
    if taken > 1:  # 0.29: standard deviation of a box one wide
        image = ndimage.gaussian_filter(image, 0.29 * float(np.sqrt(taken**2 - 1)), mode="nearest")
    matrix = transform.matrix() / finer
    start = transform.offset(shape, image.shape)
    # The first fine pixel's centre lies before the coarse one's.
    start = start + transform.matrix() @ np.full(2, (1 / finer - 1) / 2)
    size = (shape[0] * finer, shape[1] * finer)
    plain = (
        np.allclose(matrix, np.eye(2), atol=1e-9)
        and np.allclose(start, 0, atol=1e-6)
        and size == image.shape
    )
    if plain:
        return image, np.ones(size, dtype=bool)
    out = ndimage.affine_transform(
        image, matrix, start, output_shape=size, order=1, mode="nearest", output=np.float32
    )
    rows, columns = np.arange(size[0])[:, None], np.arange(size[1])[None]
    inside = np.ones(size, dtype=bool)
    for axis in (0, 1):
        place = start[axis] + matrix[axis, 0] * rows + matrix[axis, 1] * columns
        inside &= (place >= -0.5) & (place <= image.shape[axis] - 0.5)
    return np.asarray(out), inside

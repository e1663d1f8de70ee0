"""A lone electron image: a draft of its outlines, with what a grey picture can and cannot say."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import ndimage

from spattermap.core.errors import InputError, InputFileError
from spattermap.core.files import staged_folder
from spattermap.segment.image_grid import CLIPPED_LIMIT, clipped_part, even_grey, without_caption
from spattermap.show.wording import figures, percent

if TYPE_CHECKING:
    from spattermap.core.arrays import Bools, Labels, Singles

KINDS = (".tif", ".tiff", ".png", ".jpg", ".jpeg", ".bmp")
_SMOOTHED = 1.0  # px; standard deviation that takes the detector's grain off
_NOISE = 0.05  # scatter of the levelled grey, of its range; as for an image beside maps
_LEAST_PX = 12  # smaller parts are grain (common practice, no source)
_ROWS = 8  # ranges of the histogram
_BAR = 30  # characters of its longest bar

DRAFT = (
    "A draft from grey values alone: it says where the picture is bright or dark, not what lies "
    "there. Map the elements of this field to have it told."
)


@dataclass(frozen=True)
class Draft:
    """Outlines in an electron image, drawn by a grey threshold."""

    image: np.ndarray  # (y, x): the picture without its caption
    labels: Labels  # (y, x): parts, 0 between them
    caption_rows: int  # rows cut off the foot; negative: off the head
    polarity: str  # "bright" or "dark": which side of the threshold the parts lie on
    threshold: float  # grey value, as in the file
    pixel_size_um: float | None  # side of a pixel (um)
    clipped: float  # part of the pixels at one end of the grey scale

    @property
    def table(self) -> pd.DataFrame:
        """One row a part: number, middle, area-equivalent diameter, cut by the border or not."""
        n = int(self.labels.max())
        unit, size = ("um", self.pixel_size_um) if self.pixel_size_um else ("px", 1.0)
        area = np.bincount(self.labels.ravel(), minlength=n + 1)[1:] * size**2
        middles = ndimage.center_of_mass(self.labels > 0, self.labels, np.arange(1, n + 1))
        y, x = (np.array(middles).reshape(-1, 2).T + 0.5) * size
        edge = (self.labels[0], self.labels[-1], self.labels[:, 0], self.labels[:, -1])
        cut = np.isin(np.arange(1, n + 1), np.concatenate(edge))
        return pd.DataFrame({
            "part": np.arange(1, n + 1), f"y_{unit}": y, f"x_{unit}": x,
            f"diameter_{unit}": 2 * np.sqrt(area / np.pi), "touches_border": cut,
        })  # fmt: skip

    def text(self) -> str:
        """Return what was drawn, with a histogram of the sizes."""
        height, width = self.image.shape
        said = [f"  {'size':<16}{height} x {width} px (y x x)"]
        if self.caption_rows:
            end = "foot" if self.caption_rows > 0 else "head"
            said[0] += f", {abs(self.caption_rows)} rows of a caption cut off the {end}"
        size = f"{self.pixel_size_um:.6g} um" if self.pixel_size_um else "not stated: lengths in px"
        said.append(f"  {'pixel size':<16}{size}")
        said.append(f"  {'drawn':<16}parts {self._side()} than grey value {self.threshold:.6g}")
        cover = percent(float(np.mean(self.labels > 0)))
        said.append(f"  {'covered':<16}{cover} of the picture, in {self.labels.max()} parts")
        if self.clipped > CLIPPED_LIMIT:
            said.append(
                f"  {'doubtful':<16}{percent(self.clipped)} of the pixels stand at one end of the "
                "grey scale"
            )
        return "\n".join(["Draft outline of a lone electron image", *said, "", *self._sizes()])

    def _side(self) -> str:
        return "brighter" if self.polarity == "bright" else "darker"

    def _sizes(self) -> list[str]:
        """Return the sizes of the parts seen whole as a histogram of characters."""
        table = self.table
        name = "diameter_um" if self.pixel_size_um else "diameter_px"
        whole = table[name].to_numpy()[~table["touches_border"].to_numpy(dtype=bool)]
        if not len(whole):
            return ["No part lies whole in the picture."]
        edges = np.geomspace(whole.min() * 0.999, whole.max() * 1.001, _ROWS + 1)
        counts, _ = np.histogram(whole, edges)
        unit = "um" if self.pixel_size_um else "px"
        rows = [
            f"  {figures(edges[k]):>7} to {figures(edges[k + 1]):<7}"
            f"{'#' * round(_BAR * n / counts.max()):<{_BAR}} {n}"
            for k, n in enumerate(counts)
        ]
        middle = figures(float(np.median(whole)))
        return [f"Diameter of parts of equal area ({unit}); half are below {middle}", *rows]

    def picture(self) -> bytes:
        """Return the outlines over the picture as PNG."""
        import imageio.v3 as iio

        from spattermap.show.pictures.map_pictures import outline_pixels

        low, high = (float(v) for v in np.percentile(self.image, (0.5, 99.5)))
        grey = np.clip((self.image - low) / max(high - low, 1e-9), 0, 1)
        paint = np.repeat((255 * grey).astype(np.uint8)[..., None], 3, 2)
        paint[outline_pixels(self.labels, 1) > 0] = (230, 159, 0)
        buffer = io.BytesIO()
        iio.imwrite(buffer, paint, extension=".png")
        return buffer.getvalue()

    def save(self, folder: str | Path, *, overwrite: bool = False) -> Path:
        """Write ``draft.png``, ``draft.csv`` and ``draft.txt`` into a folder."""
        with staged_folder(folder, overwrite=overwrite) as stage:
            (stage / "draft.png").write_bytes(self.picture())
            self.table.to_csv(stage / "draft.csv", index=False, lineterminator="\n")
            text = f"{self.text()}\n\n{DRAFT}\n"
            (stage / "draft.txt").write_text(text, encoding="utf-8", newline="\n")
        return Path(folder)


def is_lone_image(path: Path) -> bool:
    """Return whether a path is one grey picture whose name holds no element: no map of anything."""
    from spattermap.loaders.names import candidates, is_electron_image
    from spattermap.loaders.pictures import readable_image

    try:
        if not path.is_file() or path.suffix.lower() not in KINDS:
            return False
    except (OSError, ValueError):  # a name that no system takes
        return False
    named = bool(candidates(path.stem)) and not is_electron_image(path.stem)
    return not named and readable_image(path, []) is not None


def draft(
    file: str | Path,
    *,
    polarity: str = "auto",
    threshold: float | None = None,
    split_strength: float = 1.0,
) -> Draft:
    """Draw outlines in an electron image that has no maps beside it.

    `polarity` ("auto", "bright", "dark") is the side of the threshold that is drawn; "auto" takes
    the one that covers less. The threshold, a grey value as in the file, makes by default the
    variance between the two sides largest (Otsu, IEEE Trans. SMC 9 (1979) 62). On hard public
    pictures such drafts agreed with outlines drawn by hand to an F1 of 0.4 to 0.5 only: dust,
    shadow and charging are drawn too.
    """
    from skimage.filters import threshold_otsu

    from spattermap.loaders.pictures import readable_image
    from spattermap.segment.image_regions import parted

    if polarity not in ("auto", "bright", "dark"):
        raise InputError(f"polarity must be auto, bright or dark, got {polarity!r}. Choose one.")
    notes: list[str] = []
    found = readable_image(Path(file), notes)
    if found is None:
        raise InputFileError(f"{file} must be a grey picture. {notes[0]}")
    values, cut = without_caption(np.asarray(found.data))
    if min(values.shape) < 16 or values.min() == values.max():
        raise InputFileError(f"{file} must show something, got one grey value. Export it again.")
    smooth = ndimage.gaussian_filter(values.astype(np.float32), _SMOOTHED)
    if threshold is None:
        threshold = float(threshold_otsu(smooth))  # type: ignore[no-untyped-call]
    bright = smooth > threshold
    if polarity == "auto":
        polarity = "bright" if bright.mean() <= 0.5 else "dark"
    mask = bright if polarity == "bright" else ~bright
    return Draft(
        image=values,
        labels=_parts(mask, smooth, parted, split_strength),
        caption_rows=cut,
        polarity=polarity,
        threshold=float(threshold),
        pixel_size_um=found.pixel_size_um,
        clipped=clipped_part(values),
    )


def _parts(mask: Bools, smooth: Singles, parted: Any, strength: float) -> Labels:
    """Return the parts of a mask, those that touch parted and grain left out."""
    height = np.where(mask, 0.5 + 0.5 * np.abs(even_grey(smooth)), 0.0).clip(0, 1)
    labels = parted(mask, height.astype(np.float32), noise=_NOISE, strength=strength)
    area = np.bincount(labels.ravel())
    kept = (area >= _LEAST_PX) & (np.arange(area.size) > 0)
    numbers = np.where(kept, np.cumsum(kept), 0).astype(np.int32)
    return np.asarray(numbers[labels])

"""One picture file to one plane of numbers, with its pixel size where the file knows it."""

from __future__ import annotations

import math
import re
import struct
import zlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from spattermap.core.errors import InputError, InputFileError, SpattermapError
from spattermap.loaders import display, names
from spattermap.loaders.contract import (
    EAGER_BYTES,
    SAME_SIZE,
    Request,
    Stack,
    check_ratio,
    check_size,
    readable,
)
from spattermap.loaders.ondisk import TiffPage, lazily

FORMAT = "single picture"
TIFF_ENDINGS = (".tif", ".tiff")
LOSSLESS_ENDINGS = (".png", ".bmp")
LOSSY_ENDINGS = (".jpg", ".jpeg")
ENDINGS = TIFF_ENDINGS + LOSSLESS_ENDINGS + LOSSY_ENDINGS

LOSSY = (
    "Warning: JPEG changes pixel values, so nothing that needs counts can be trusted; export TIFF"
)

_UM_PER = {
    "nm": 1e-3,
    "um": 1.0,
    "micron": 1.0,
    "microns": 1.0,
    "µm": 1.0,
    "μm": 1.0,
    "mm": 1e3,
    "cm": 1e4,
}
# Printing resolutions that picture programs write when they know nothing of the specimen.
_PRINT_DPI = (
    72.0, 90.0, 96.0, 100.0, 120.0, 144.0, 150.0, 180.0, 200.0, 220.0, 240.0, 300.0, 360.0, 400.0,
    600.0, 1200.0,
)  # fmt: skip

# TIFF 6.0 (1992), tag 259: modified Huffman, fax of groups 3 and 4.
_FOR_ONE_BIT = (2, 3, 4)
# Packings whose reader stops without a word where there is more than was asked for: LZW and LZMA.
_CUTTING = (5, 34925)


@dataclass(frozen=True)
class PictureFile:
    """A plane and what its file says of it."""

    data: Any  # numpy, or dask where it was opened lazily; dims (y, x)
    pixel_size_um: float | None = None  # side of a pixel (um)
    pixel_size_from: str = ""  # where that stands
    notes: tuple[str, ...] = field(default=())  # what is doubtful
    valid: Any = None  # false where something was drawn over the data; dims (y, x)
    # "intensity" for pictures made for the eye; None where the picture does not tell
    quantity: str | None = None


def open_picture(file: Path, *, lazy: bool) -> PictureFile:
    """Read one single-plane picture."""
    try:
        if file.suffix.lower() in TIFF_ENDINGS:
            return _tiff(file, lazy=lazy)
        return _plain(file)
    except SpattermapError:
        raise
    except MemoryError:
        raise InputFileError(
            f"{file} must fit in memory, got too large a picture. Export it in tiles."
        ) from None
    except Exception as problem:  # readers of damaged files raise anything at all
        if "find a backend" in str(problem):  # what the library says where no reader knows it
            problem = ValueError(f"its content is no {file.suffix[1:].upper()} picture")
        raise readable(file, problem, what="a whole picture") from problem


def _tiff(file: Path, *, lazy: bool) -> PictureFile:
    import tifffile

    with tifffile.TiffFile(file) as tiff:
        page: Any = tiff.pages[0]
        shape, dtype = tuple(page.shape), page.dtype
        if dtype is None:
            raise InputFileError(f"{file} must hold numbers, got an unknown type. Export it again.")
        check_page(page, file, lazy=lazy)
        colour = getattr(page.photometric, "name", "") == "RGB" and len(shape) == 3
        if not colour:
            refuse_colour(file, shape, getattr(page.photometric, "name", ""))
        places, said = whole_pages(tiff, file)
        if len(places) > 1:
            raise InputError(
                f"{file} must hold one map, got {len(places)} pages. "
                "Load that file by itself, not its folder."
            )
        size, where, notes = tiff_pixel_size(tiff, file)
        notes += said
        if colour:
            return _from_display(page.asarray(), file, PictureFile(None, size, where, notes))
        stored = TiffPage(file, 0, shape, dtype.newbyteorder("="))
        data = upright(lazily(stored) if lazy else page.asarray(), page)
    return PictureFile(numbers(data, file), size, where, notes)


def whole_pages(tiff: Any, file: Path) -> tuple[list[int], tuple[str, ...]]:
    """Return the places of the pages that are no previews of others, and what is odd."""
    first, said = tiff.pages[0], []
    places = [0]
    for place in range(1, len(tiff.pages)):
        page = tiff.pages[place].aspage()
        # TIFF 6.0 (1992), tag 254, bit 0: a smaller copy of another page.
        if page.is_reduced and math.prod(page.shape[:2]) < math.prod(first.shape[:2]):
            said.append(f"{file.name}: page {place + 1} is a preview and was left out")
        else:
            places.append(place)
    if getattr(first.photometric, "name", "") == "MINISWHITE" and first.bitspersample != 1:
        said.append(
            f"Warning: {file.name} says that 0 is white; its numbers were taken as they stand, the "
            "largest as most of the element"
        )
    return places, tuple(said)


def check_page(page: Any, file: Path, *, lazy: bool, pages: int = 1) -> None:
    """Refuse a page that claims more than its file can hold, before anything is allocated."""
    shape, item = tuple(page.shape), np.dtype(page.dtype).itemsize
    size = file.stat().st_size
    check_size((pages, *shape), page.dtype, file, lazy=lazy)
    check_ratio(pages * math.prod(shape) * item, size, file)
    # A strip or tile is unpacked whole, and its stated length is read whole.
    check_ratio(math.prod(page.chunks) * item, size, file)
    longest = max(page.databytecounts, default=0)
    if longest > size:
        raise InputFileError(
            f"{file} must hold what its directory lists, got a part of {longest:,} bytes in a file "
            f"of {size:,}. Export it again."
        )
    _refuse_unlike_parts(page, file, lazy=lazy)


def _refuse_unlike_parts(page: Any, file: Path, *, lazy: bool) -> None:
    """Refuse a page whose strips or tiles are not as many and as long as its size needs.

    Their reader fills what is missing with zeros, and leaves out what is too much.
    """
    lengths, parts = page.databytecounts, math.prod(page.chunked)
    bits = page.bitspersample if isinstance(page.bitspersample, int) else max(page.bitspersample)
    if page.compression in _FOR_ONE_BIT and bits > 1:
        raise InputFileError(
            f"{file} must hold numbers packed without loss, got {bits} bits a pixel in a packing "
            "for black and white. Export it again."
        )
    full = -(-page.chunks[-1 if len(page.chunks) == 2 else 1] * bits // 8) * page.chunks[0]
    if len(page.chunks) != 2 or 0 in page.chunks:  # colours and planes: left to their reader
        return
    least = most = parts * full
    if not page.is_tiled:
        least = page.shape[0] * -(-page.shape[1] * bits // 8)
        most = most if parts > 1 else least  # the last of several strips may be filled up
    held = sum(lengths)
    plain = page.compression == 1 and not least <= held <= most + 3 * parts
    if len(lengths) != parts or min(lengths) <= 0 or plain:
        raise InputFileError(
            f"{file} must hold as much as its header says, {least:,} bytes in {parts} parts, got "
            f"{held:,} in {sum(n > 0 for n in lengths)}. Export it again."
        )
    # Numbers of 9 to 15 bits are unpacked from as much room as whole ones would take.
    odd = page.compression != 1 and bits != 8 * np.dtype(page.dtype).itemsize
    if (odd or page.compression in _CUTTING) and not lazy:
        import tifffile

        unpack = tifffile.TIFF.DECOMPRESSORS[page.compression]
        for packed, _ in page.parent.filehandle.read_segments(page.dataoffsets, lengths):
            if len(unpack(packed, out=full + 1)) > full:
                raise InputFileError(
                    f"{file} must hold parts of {full:,} bytes when unpacked, got more. "
                    "Export it again."
                )


def upright(data: Any, page: Any) -> Any:
    """Return a page with its first row on top and its first column on the left.

    Dims: `data` (row, column); returns (y, x).
    """
    tag = page.tags.get("Orientation")
    orientation = int(tag.value) if tag is not None else 1
    # TIFF 6.0 (1992), tag 274: which corner the first stored pixel is, and which way rows run.
    if orientation >= 5:
        data = data.T
    if orientation in (3, 4, 7, 8):
        data = data[::-1]
    if orientation in (2, 3, 6, 7):
        data = data[:, ::-1]
    return data


def tiff_pixel_size(tiff: Any, file: Path) -> tuple[float | None, str, tuple[str, ...]]:
    """Return pixel size (um), where it stands and notes, from a TIFF's first page."""
    page = tiff.pages[0]
    tags = page.tags
    if "XResolution" not in tags or "YResolution" not in tags:
        return None, "", ()
    unit_in_text = _unit_in_text(page.description or "")
    if unit_in_text is not None:
        across, down = (_ratio(tags[name].value) for name in ("XResolution", "YResolution"))
        per_um = (across / unit_in_text, down / unit_in_text)
        where = "resolution tags with the unit in the description"
    else:
        if "ResolutionUnit" not in tags or int(tags["ResolutionUnit"].value) == 1:
            return None, "", ()
        per_um = page.get_resolution("MICROMETER")
        where = "resolution tags"
    if not all(math.isfinite(value) and value > 0 for value in per_um):
        return None, "", (f"{file.name}: resolution tags make no sense and were ignored",)
    if abs(per_um[0] - per_um[1]) > SAME_SIZE * per_um[0]:
        raise InputError(
            f"{file} must have square pixels (um), got {1 / per_um[0]:g} across and "
            f"{1 / per_um[1]:g} down. Export it with one scale."
        )
    dots_per_inch = per_um[0] * 25400.0
    if unit_in_text is None and any(abs(dots_per_inch - dpi) < 0.02 for dpi in _PRINT_DPI):
        return (
            None,
            "",
            (
                (
                    f"resolution tags of {dots_per_inch:.0f} dots an inch are a printing size, "
                    "not a pixel size, and were ignored"
                ),
            ),
        )
    return 1.0 / per_um[0], where, ()


def _ratio(value: Any) -> float:
    top, bottom = value if isinstance(value, tuple) else (value, 1)
    return float(top) / float(bottom) if bottom else math.nan


def _unit_in_text(text: str) -> float | None:
    """Return um per unit where the description states one as ``unit=...``."""
    found = re.search(r"^unit=(\S+)\s*$", text, flags=re.MULTILINE)
    if found is None:
        return None
    unit = found[1].replace("\\u00B5", "µ").replace("\\u00b5", "µ")
    return _UM_PER.get(unit.lower())


def _plain(file: Path) -> PictureFile:
    import imageio.v3 as iio

    size = file.stat().st_size
    if size > EAGER_BYTES:
        raise InputFileError(f"{file} must be at most 4 GiB, got {size:,} bytes. Export TIFF.")
    raw = file.read_bytes()  # the library leaves a file open that it cannot read
    facts = iio.improps(raw, extension=file.suffix)
    check_size(facts.shape, facts.dtype, file, lazy=False)
    check_ratio(math.prod(facts.shape) * np.dtype(facts.dtype).itemsize, size, file)
    if file.suffix.lower() == ".png":
        _refuse_left_over(raw, file)
    data = np.asarray(iio.imread(raw, extension=file.suffix))
    notes: tuple[str, ...] = ()
    if file.suffix.lower() in LOSSY_ENDINGS:
        notes = (LOSSY,)
    if data.ndim == 3 and data.shape[-1] in (3, 4):
        return _from_display(data, file, PictureFile(None, notes=notes))
    refuse_colour(file, data.shape, "")
    lossy = "intensity" if notes else None
    return PictureFile(numbers(data, file), notes=notes, quantity=lossy)


def _refuse_left_over(raw: bytes, file: Path) -> None:
    """Refuse a PNG that holds more than the size in its header: its reader drops the rest."""
    # ISO/IEC 15948 (2004), 5.3 (chunks), 7.2 (a filter byte before each row), 11.2.2 (IHDR).
    width, height, depth, colour, _, _, laced = struct.unpack(">IIBBBBB", raw[16:29])
    row = 1 + -(-width * depth * {2: 3, 4: 2, 6: 4}.get(colour, 1) // 8)
    if laced:
        return
    machine, held, at = zlib.decompressobj(), 0, 8
    while at + 8 <= len(raw) and not machine.eof:
        length = int.from_bytes(raw[at : at + 4], "big")
        if raw[at + 4 : at + 8] == b"IDAT":
            packed = raw[at + 8 : at + 8 + length]
            while packed and held <= row * height:
                held += len(machine.decompress(packed, 2**20))
                packed = machine.unconsumed_tail
        at += 12 + length
    if held > row * height:
        raise InputFileError(
            f"{file} must hold the {height} x {width} pixels of its header, got more. "
            "Export it again."
        )


def _from_display(colours: Any, file: Path, known: PictureFile) -> PictureFile:
    """Return the intensity of a colour picture with what its tags say."""
    if colours.ndim != 3 or colours.shape[-1] not in (3, 4) or 0 in colours.shape:
        raise InputError(
            f"{file} must hold one number a pixel, got a colour picture of shape {colours.shape}. "
            "Export the numbers, not the coloured view."
        )
    seen = display.recover(colours, file)
    return PictureFile(
        seen.intensity,
        known.pixel_size_um,
        known.pixel_size_from,
        (*known.notes, *seen.notes),
        valid=None if seen.valid.all() else seen.valid,
        quantity="intensity",
    )


def refuse_colour(file: Path, shape: tuple[int, ...], photometric: str) -> None:
    """Refuse colours and stacks where one number a pixel is needed."""
    if photometric in ("RGB", "PALETTE", "YCBCR", "CMYK", "SEPARATED") or (
        len(shape) == 3 and shape[-1] in (3, 4)
    ):
        raise InputError(
            f"{file} must hold one number a pixel, got a colour picture. "
            "Export the numbers (16-bit grey TIFF or text), not the coloured view."
        )
    if len(shape) != 2 or 0 in shape:
        raise InputError(f"{file} must have dims (y, x), got shape {shape}. Export one map a file.")


def numbers(data: Any, file: Path) -> Any:
    """Return real numbers in the machine's byte order."""
    if data.dtype.kind == "b":
        return data.astype(np.uint8)
    if data.dtype.kind not in "uif":
        raise InputError(
            f"{file} must hold real numbers, got type {data.dtype}. Export the numbers."
        )
    return data if data.dtype.isnative else data.astype(data.dtype.newbyteorder("="))


def readable_image(file: Path, notes: list[str]) -> Any:
    """Return an electron image, or None with a note: the maps are worth reading without it."""
    try:
        image = open_picture(file, lazy=False)
        if image.data.ndim == 2:
            return image
        problem: object = f"its shape is {tuple(image.data.shape)}"
    except (SpattermapError, OSError, ValueError) as found:
        problem = found
    notes.append(
        f"Warning: the electron image {file.name} cannot be used and is left out: {problem}"
    )
    return None


def recognises(path: Path) -> bool:
    """Return True for a PNG, BMP or JPEG file."""
    endings = LOSSLESS_ENDINGS + LOSSY_ENDINGS
    return path.is_file() and path.suffix.lower() in endings


def read(path: Path, request: Request) -> Stack:
    """Read one picture."""
    picture = open_picture(path, lazy=request.lazy)
    return names.from_one_file(
        path, request, picture.data[None], [path.stem], format_name=FORMAT,
        pixel_size_um=picture.pixel_size_um, pixel_size_from=picture.pixel_size_from,
        notes=list(picture.notes), valid=picture.valid, quantity=picture.quantity,
    )  # fmt: skip

"""One picture with the element in its name: a map set of one map."""

from __future__ import annotations

from pathlib import Path

from spattermap.loaders import names, pictures
from spattermap.loaders.stack import Request, Stack

FORMAT = "single picture"


def recognises(path: Path) -> bool:
    """Return True for a PNG, BMP or JPEG file."""
    endings = pictures.LOSSLESS_ENDINGS + pictures.LOSSY_ENDINGS
    return path.is_file() and path.suffix.lower() in endings


def read(path: Path, request: Request) -> Stack:
    """Read one picture."""
    picture = pictures.open_picture(path, lazy=request.lazy)
    elements, lines = names.name_channels([path.stem], 1, request, path)
    return Stack(
        counts=picture.data[None],
        elements=elements,
        lines=lines,
        format_name=FORMAT,
        files={path.name: path},
        map_files=[path.name],
        pixel_size_um=picture.pixel_size_um,
        pixel_size_from=picture.pixel_size_from,
        notes=list(picture.notes),
        valid=picture.valid,
        quantity=picture.quantity,
    )

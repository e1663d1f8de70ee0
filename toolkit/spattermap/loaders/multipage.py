"""One TIFF with many pages: plain, or OME-TIFF with named channels."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from spattermap.core.errors import InputError, InputFileError, SpattermapError
from spattermap.loaders import names, pictures
from spattermap.loaders.contract import Request, Stack, readable, square_pixel, stacked
from spattermap.loaders.ondisk import TiffPage, lazily

FORMAT = "multi-page TIFF"
_UM_PER = {"µm": 1.0, "μm": 1.0, "um": 1.0, "nm": 1e-3, "mm": 1e3, "m": 1e6}
MOST_PAGES = 1000


def recognises(path: Path) -> bool:
    """Return True for a TIFF file."""
    return path.is_file() and path.suffix.lower() in pictures.TIFF_ENDINGS


def read(path: Path, request: Request) -> Stack:
    """Read a TIFF whose pages are maps."""
    import tifffile

    try:
        # The file alone: OME-XML may name others anywhere, to be opened in its place.
        with tifffile.TiffFile(path, _multifile=False) as tiff:
            _refuse_harmful(tiff, path)
            if tiff.is_ome:
                return _ome(tiff, path, request)
            return _pages(tiff, path, request)
    except SpattermapError:
        raise
    except Exception as problem:  # readers of damaged files raise anything at all
        raise readable(path, problem, what="a whole TIFF file") from problem


def _refuse_harmful(tiff: Any, path: Path) -> None:
    text = tiff.pages[0].description or ""
    # Entities can grow a kilobyte to gigabytes, or name other files; no microscope needs them.
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise InputFileError(
            f"{path} must describe itself in plain XML, got entity definitions, which are never "
            "expanded. Export it again."
        )
    if len(tiff.pages) > MOST_PAGES:
        raise InputFileError(
            f"{path} must have at most {MOST_PAGES} pages, got {len(tiff.pages)}. "
            "Export one page an element."
        )


def _pages(tiff: Any, path: Path, request: Request) -> Stack:
    first = tiff.pages[0]
    labels = []
    places, said = pictures.whole_pages(tiff, path)
    for place in places:
        page = tiff.pages[place].aspage()
        pictures.check_page(page, path, lazy=request.lazy)
        pictures.refuse_colour(path, tuple(page.shape), getattr(page.photometric, "name", ""))
        if page.shape != first.shape or page.dtype != first.dtype:
            raise InputError(
                f"{path} must have pages of one size and type, got {first.shape} {first.dtype} and "
                f"{page.shape} {page.dtype}. Export every map over the same field."
            )
        labels.append(_label(page))
    number = len(places)
    pictures.check_page(first, path, lazy=request.lazy, pages=number)
    labels = _labels_of_file(tiff, number) or labels
    if not any(names.candidates(label) for label in labels):
        labels = names.single_plane_label(path.stem, number)
    keep = [k for k, label in enumerate(labels) if not names.is_electron_image(label)]
    electron = next((k for k, label in enumerate(labels) if names.is_electron_image(label)), None)
    if not labels:
        keep = list(range(number))
    size, where, notes = pictures.tiff_pixel_size(tiff, path)
    data = _data(tiff, path, request, places)
    return names.from_one_file(
        path, request, data if len(keep) == number else data[keep],
        [labels[k] for k in keep] if labels else [],
        parts=[f"page {places[k] + 1}" for k in keep], format_name=FORMAT,
        pixel_size_um=size, pixel_size_from=where,
        electron_image=None if electron is None else np.asarray(data[electron]),
        notes=[*notes, *said],
    )  # fmt: skip


def _labels_of_file(tiff: Any, number: int) -> list[str]:
    """Return a label for each page from whatever dialect of metadata the file has."""
    for dialect in sorted(tiff.flags):
        facts = getattr(tiff, f"{dialect}_metadata", None)
        labels = facts.get("Labels") if isinstance(facts, dict) else None
        if isinstance(labels, list) and len(labels) == number:
            return [str(label) for label in labels]
    return []


def _label(page: Any) -> str:
    """Return what a page calls itself: page name, else a short description."""
    named = page.tags.get("PageName")
    text = str(named.value) if named is not None else str(page.description or "")
    return text if len(text) < 80 and not text.startswith(("{", "<")) else ""


def _data(tiff: Any, path: Path, request: Request, places: list[int]) -> Any:
    if request.lazy:
        kind = tiff.pages[0].dtype.newbyteorder("=")
        lazy = [TiffPage(path, k, tuple(tiff.pages[0].shape), kind) for k in places]
        return stacked([pictures.upright(lazily(page), tiff.pages[0]) for page in lazy])
    pages: list[Any] = [tiff.pages[k] for k in places]
    planes = [pictures.upright(page.asarray(), page) for page in pages]
    return pictures.numbers(np.stack(planes), path)


def _ome(tiff: Any, path: Path, request: Request) -> Stack:
    series = tiff.series[0]
    axes = str(series.axes)
    for page in series.pages:
        pictures.check_page(page.aspage(), path, lazy=request.lazy, pages=len(series.pages))
    if not set(axes) <= {"C", "Y", "X"}:
        raise InputError(
            f"{path} must have channels and one plane each (axes CYX), got {axes} with shape "
            f"{tuple(series.shape)}. Export one plane an element."
        )
    data = _ome_data(series, path, request)
    planes = names.to_planes(data, list(axes), path)
    labels, size = _ome_facts(tiff.ome_metadata or "", path)
    labels = labels[: planes.shape[0]]
    if not any(labels):
        labels = names.single_plane_label(path.stem.removesuffix(".ome"), planes.shape[0])
    return names.from_one_file(
        path, request, planes, labels, parts=[f"channel {k + 1}" for k in range(len(planes))],
        format_name="OME-TIFF", pixel_size_um=size, pixel_size_from="PhysicalSizeX",
    )  # fmt: skip


def _ome_data(series: Any, path: Path, request: Request) -> Any:
    if not request.lazy:
        return pictures.numbers(series.asarray(), path)
    kind = series.dtype.newbyteorder("=")
    pages = [TiffPage(path, page.index, tuple(page.shape), kind) for page in series.pages]
    planes = [lazily(page) for page in pages]
    return planes[0] if len(series.shape) == 2 else stacked(planes).reshape(series.shape)


def _ome_facts(text: str, path: Path) -> tuple[list[str], float | None]:
    """Return channel names and pixel size (um) from OME-XML, which was checked for entities."""
    from xml.etree import ElementTree as ET

    root = ET.fromstring(text)
    pixels = next((item for item in root.iter() if item.tag.endswith("}Pixels")), None)
    if pixels is None:
        return [], None
    labels = [item.get("Name", "") for item in pixels if item.tag.endswith("}Channel")]
    sizes = []
    for axis in "XY":
        value = pixels.get(f"PhysicalSize{axis}")
        unit = _UM_PER.get(pixels.get(f"PhysicalSize{axis}Unit", "µm"))
        if value is None or unit is None:
            return labels, None
        sizes.append(float(value) * unit)
    return labels, square_pixel(sizes, path)

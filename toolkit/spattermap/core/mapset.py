"""The map set: one ``xarray.Dataset`` of element maps with the facts that belong to them.

Facts that are tables (composition, process, measured) travel as JSON text in the attributes,
because netCDF attributes cannot nest; `facts` gives them back as plain values.

What a map set must hold: every rule of the data model, checked in one place.

Which element belongs to the alloy, which to the substrate, and how we know.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from spattermap.core.errors import InputError, InputTypeError, element_symbol, one_of, positive

# What became of the spectral background: still under every map, as one detector sees it; taken off
# each map; or under each map by itself, as spectrometers of their own see it.
BACKGROUNDS = ("included", "subtracted", "separate")
QUANTITIES = ("counts", "net_counts", "mass_percent", "atomic_percent", "intensity")


def validate(maps: xr.Dataset) -> xr.Dataset:
    """Return the map set unchanged if it obeys the data model, else raise.

    >>> import numpy as np
    >>> from spattermap import make_map_set
    >>> maps = make_map_set(np.ones((1, 2, 2)), ["Cu"])
    >>> validate(maps) is maps
    True
    """
    if not isinstance(maps, xr.Dataset):
        raise InputTypeError(
            f"maps must be a map set (xarray.Dataset), got {type(maps).__name__}. "
            "Use spattermap.load(path) or spattermap.make_map_set(...)."
        )
    _check_layout(maps)
    _check_elements(maps)
    quantity = str(maps.attrs.get("quantity", "counts"))
    one_of(quantity, "quantity", QUANTITIES)
    _check_values(maps, quantity)
    return maps


def _check_layout(maps: xr.Dataset) -> None:
    if "counts" not in maps or maps["counts"].dims != ("element", "y", "x"):
        found = maps["counts"].dims if "counts" in maps else tuple(maps.data_vars)
        raise InputError(
            f"maps must hold 'counts' with dims ('element', 'y', 'x'), got {found}. "
            "Use spattermap.make_map_set(...) to build one."
        )
    wanted = {
        "variance": ("element", "y", "x"),
        "electron_image": ("y", "x"),
        "valid": ("y", "x"),
    }
    for name, dims in wanted.items():
        if name == "electron_image" and name in maps and maps[name].dims == IMAGE_DIMS:
            continue  # on a grid of its own
        if name in maps and maps[name].dims != dims:
            raise InputError(
                f"{name} must have dims {dims}, got {maps[name].dims}. Transpose it first."
            )
    for name in ("counts", "variance", "electron_image"):
        if name in maps and maps[name].dtype.kind not in "uif":
            raise InputTypeError(
                f"{name} must be real numbers, got dtype {maps[name].dtype}. Export numbers."
            )


def _check_elements(maps: xr.Dataset) -> None:
    names = element_names(maps)
    for name in names:
        element_symbol(name, "element")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(
            f"element must be unique, got {twice[0]!r} twice. "
            "Keep one line of each element, the one with more counts."
        )


def _check_values(maps: xr.Dataset, quantity: str) -> None:
    # A net map is a difference and may dip below zero, and noise takes other quantities there too;
    # a detector cannot count less than nothing.
    for name in ("counts", "variance"):
        if name not in maps or hasattr(maps[name].data, "dask"):
            continue  # a lazy stack is checked chunk by chunk where it is read
        least_allowed = 0.0 if name == "variance" or quantity == "counts" else -np.inf
        for element, plane in zip(maps["element"].values, maps[name].values, strict=True):
            used = plane[maps["valid"].values] if "valid" in maps else plane
            if used.size == 0:
                raise InputError("valid must leave at least one pixel, got none. Correct the mask.")
            low, high = float(used.min()), float(used.max())
            if not (np.isfinite(low) and np.isfinite(high)):
                raise InputError(
                    f"{name} of {element} must be finite, got NaN or infinity. "
                    "Mark unusable pixels in 'valid' instead."
                )
            if low < least_allowed:
                raise InputError(
                    f"{name} of {element} must not be negative where quantity is "
                    f'{quantity!r}, got {low:g}. State quantity = "net_counts" if a background '
                    "was subtracted."
                )


IMAGE_DIMS = ("image_y", "image_x")  # of an electron image on a grid of its own
_TABLES = ("alloy", "substrate", "process", "measured", "source")
_NUMBERS = {"beam_energy_keV": "keV", "take_off_deg": "deg", "tilt_deg": "deg", "dose_nC": "nC"}
_FACTS = ("quantity", "pixel_size_um", "title", "background", *_NUMBERS, *_TABLES)


@dataclass(frozen=True)
class Facts:
    """What is known of a map set besides its pixels."""

    quantity: str  # one of `QUANTITIES`
    pixel_size: float  # side of a pixel in `length_unit`; 1 where no pixel size is known
    length_unit: str  # unit of every length; "px" where no pixel size is known
    title: str = ""  # free text
    # accelerating voltage times the charge of the electron (keV)
    beam_energy_keV: float | None = None
    # angle between the sample's surface and the way to the detector (deg)
    take_off_deg: float | None = None
    tilt_deg: float | None = None  # angle between the beam and the surface normal (deg)
    # charge a pixel got: probe current times live time (nC); only its ratio between maps matters
    dose_nC: float | None = None
    # nominal mass percent; a substrate given as a list of elements has NaN values
    alloy: dict[str, float] = field(default_factory=dict)
    substrate: dict[str, float] = field(default_factory=dict)
    # free columns
    process: dict[str, Any] = field(default_factory=dict)
    measured: dict[str, Any] = field(default_factory=dict)
    # provenance: ``{"files": {name: sha256}, ...}`` and what the loader wants to say
    source: dict[str, Any] = field(default_factory=dict)
    background: str = ""  # one of `BACKGROUNDS`; "" where nobody said

    @property
    def shown_title(self) -> str:
        """The title, or a stand-in where there is none."""
        return self.title or "Untitled map set"


def unit_name(length_unit: str) -> str:
    """Return a length unit ("um" or "px") as it is printed."""
    return "µm" if length_unit == "um" else length_unit


def make_map_set(
    counts: Any,
    elements: Sequence[str],
    *,
    lines: Sequence[str] | None = None,
    pixel_size_um: float | None = None,
    variance: Any = None,
    electron_image: Any = None,
    valid: Any = None,
    quantity: str = "counts",
    **more: Any,
) -> xr.Dataset:
    """Build a validated map set from arrays.

    Parameters
    ----------
    counts : array_like, dims (element, y, x)
        Counts per pixel, or another quantity (see `quantity`); numpy or dask.
    elements : sequence of str
        Symbol of each map, in order.
    lines : sequence of str, optional
        X-ray line of each map, for example "Cu Ka"; "" where unknown.
    pixel_size_um : float, optional
        Side of a pixel (um). Without it every length stays in px.
    variance : array_like, dims (element, y, x), optional
        Noise variance of `counts`, in the square of its unit.
    electron_image : array_like, dims (y, x) or (image_y, image_x), optional
        Electron image of the field, on the maps' pixels or on a grid of its own.
    valid : array_like of bool, dims (y, x), optional
        False where a pixel must not be used.
    quantity : str, optional
        One of `QUANTITIES`.
    **more
        Facts: title, beam_energy_keV, take_off_deg, tilt_deg, dose_nC, alloy, substrate,
        process, measured, source.

    Returns
    -------
    xarray.Dataset
        As described in DEVELOPERS.md, section "Map set".

    Raises
    ------
    InputError, InputTypeError
        If a shape, value or fact is not allowed.

    Examples
    --------
    >>> import numpy as np
    >>> maps = make_map_set(np.ones((2, 3, 4)), ["Cu", "Zn"], pixel_size_um=0.5)
    >>> float(maps.x[-1])
    1.75
    """
    data, names = _checked_stack(counts, elements)
    maps = _frame(data, names, lines=lines, pixel_size_um=pixel_size_um)
    for name, dims, extra in (
        ("variance", ("element", "y", "x"), variance),
        ("valid", ("y", "x"), valid),
    ):
        if extra is not None:
            maps[name] = (dims, _same_shape(extra, name, data.shape[-len(dims) :]))
    if electron_image is not None:
        maps = with_electron_image(maps, electron_image)
    maps.attrs["quantity"] = quantity
    if pixel_size_um is not None:
        maps.attrs["pixel_size_um"] = float(pixel_size_um)
    set_facts(maps, **more)
    return validate(maps)


def with_electron_image(
    maps: xr.Dataset, image: Any, *, pixel_size_um: float | None = None
) -> xr.Dataset:
    """Return the map set with an electron image, beside those it has.

    Dims: `image` (image_y, image_x).
    """
    data = image if hasattr(image, "dask") else np.asarray(image)
    if data.ndim != 2 or 0 in data.shape:
        raise InputError(
            f"electron_image must have two dims and at least one pixel, got shape "
            f"{tuple(data.shape)}. Export it as one grey picture."
        )
    n = len(electron_images(maps))
    name = f"electron_image_{n + 1}" if n else "electron_image"
    size = (maps.sizes["y"], maps.sizes["x"])
    dims = IMAGE_DIMS if n == 0 else tuple(f"{dim}_{n + 1}" for dim in IMAGE_DIMS)
    dims = ("y", "x") if tuple(data.shape) == size else dims
    attrs = {} if pixel_size_um is None else {"pixel_size_um": float(pixel_size_um)}
    return maps.assign({name: (dims, data, attrs)})


def electron_images(maps: xr.Dataset) -> list[str]:
    """Return the names of the electron images of a map set, the first one first."""
    found = [str(name) for name in maps.data_vars if str(name).startswith("electron_image")]
    return sorted(found, key=lambda name: (len(name), name))


def _checked_stack(counts: Any, elements: Sequence[str]) -> tuple[Any, list[str]]:
    """Return the stack as an array, numpy or dask, and the symbols of its maps."""
    data = counts if hasattr(counts, "dask") else np.asarray(counts)
    if data.ndim != 3 or 0 in data.shape:
        raise InputError(
            f"counts must have dims (element, y, x) and at least one pixel, got shape "
            f"{tuple(data.shape)}. Stack the maps along a first axis."
        )
    names = [element_symbol(name, "elements") for name in elements]
    if len(names) != data.shape[0]:
        raise InputError(
            f"elements must name each of the {data.shape[0]} maps, got {len(names)} names. "
            "Give one symbol a map."
        )
    return data, names


def _frame(
    data: Any, names: list[str], *, lines: Sequence[str] | None, pixel_size_um: float | None
) -> xr.Dataset:
    """Return the maps with their coordinates, in um or, without a pixel size, in px."""
    _, height, width = data.shape
    side = 1.0 if pixel_size_um is None else positive(pixel_size_um, "pixel_size_um", unit="um")
    maps = xr.Dataset(
        {"counts": (("element", "y", "x"), data)},
        coords={
            "element": ("element", np.array(names, dtype=object).astype(str)),
            "line": ("element", np.array(list(lines) if lines else [""] * len(names), dtype=str)),
            "y": ("y", (np.arange(height) + 0.5) * side),
            "x": ("x", (np.arange(width) + 0.5) * side),
        },
    )
    for axis in ("y", "x"):
        maps[axis].attrs["units"] = "px" if pixel_size_um is None else "um"
    return maps


def _same_shape(array: Any, name: str, shape: tuple[int, ...]) -> Any:
    data = array if hasattr(array, "dask") else np.asarray(array)
    if tuple(data.shape) != tuple(shape):
        raise InputError(
            f"{name} must have the shape of the maps {tuple(shape)}, got {tuple(data.shape)}. "
            "Export it over the same field with the same number of pixels."
        )
    return data


def set_facts(maps: xr.Dataset, **more: Any) -> None:
    """Write facts into the attributes of a map set of your own, in place; tables as JSON text.

    >>> import numpy as np
    >>> maps = make_map_set(np.ones((1, 2, 2)), ["Cu"])
    >>> set_facts(maps, title="burst 14", process={"charge_J": 140})
    >>> facts(maps).title, facts(maps).process
    ('burst 14', {'charge_J': 140})
    """
    for name, value in more.items():
        one_of(name, "map set: fact", ("title", "background", *_NUMBERS, *_TABLES))
        if value is None or (isinstance(value, (dict, list)) and not value):
            continue
        if name in ("alloy", "substrate"):
            maps.attrs[name] = json.dumps(_composition(value, name))
        elif name in _TABLES:
            maps.attrs[name] = json.dumps(value, sort_keys=True, default=str)
        elif name in _NUMBERS:
            maps.attrs[name] = positive(
                value, name, unit=_NUMBERS[name], allow_zero=name == "tilt_deg"
            )
        elif name == "background":
            maps.attrs[name] = one_of(value, name, BACKGROUNDS)
        else:
            maps.attrs[name] = str(value)


def _composition(value: Mapping[str, float] | Iterable[str], name: str) -> dict[str, float | None]:
    """Return mass percent by element; None where only the element is stated."""
    if isinstance(value, Mapping):
        table = {
            element_symbol(symbol, name): positive(part, f"{name}: {symbol}", unit="mass percent")
            for symbol, part in value.items()
        }
        total = sum(table.values())
        if total > 100.5:  # room for rounding in a data sheet
            raise InputError(
                f"{name} must sum to at most 100 (mass percent), got {total:g}. "
                "Correct the composition."
            )
        return dict(table)
    return {element_symbol(symbol, name): None for symbol in value}


def facts(maps: xr.Dataset) -> Facts:
    """Return the facts of a map set as plain values.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.

    Examples
    --------
    >>> import numpy as np
    >>> maps = make_map_set(np.ones((1, 2, 2)), ["Cu"], pixel_size_um=0.5, alloy={"Cu": 99.9})
    >>> facts(maps).alloy, facts(maps).length_unit
    ({'Cu': 99.9}, 'um')
    """
    return _read_facts(tuple((name, maps.attrs.get(name)) for name in _FACTS))


@functools.lru_cache(maxsize=64)
def _read_facts(held: tuple[tuple[str, Any], ...]) -> Facts:
    """Return the facts that attributes hold; the same attributes are read once."""
    attrs = {name: value for name, value in held if value is not None}
    tables = {name: json.loads(attrs[name]) for name in _TABLES if name in attrs}
    for name in ("alloy", "substrate"):
        parts = tables.get(name, {})
        tables[name] = {e: float("nan") if p is None else float(p) for e, p in parts.items()}
    size = attrs.get("pixel_size_um")
    numbers: dict[str, Any] = {
        name: None if attrs.get(name) is None else float(attrs[name]) for name in _NUMBERS
    }
    return Facts(
        quantity=str(attrs.get("quantity", "counts")),
        pixel_size=1.0 if size is None else float(size),
        length_unit="px" if size is None else "um",
        title=str(attrs.get("title", "")),
        background=str(attrs.get("background", "")),
        **numbers,
        **tables,
    )


def noise_is_known(maps: xr.Dataset) -> bool:
    """Return True where the noise variance is carried or follows from counting."""
    return "variance" in maps or str(maps.attrs.get("quantity", "counts")) == "counts"


def element_names(maps: xr.Dataset) -> list[str]:
    """Return the symbols of the maps, in their order."""
    return [str(name) for name in maps["element"].values]


def middle_of(maps: xr.Dataset, side: int) -> xr.Dataset:
    """Return the middle of a map set, at most `side` pixels high and wide."""
    start = {axis: max(0, (maps.sizes[axis] - side) // 2) for axis in ("y", "x")}
    return maps.isel({axis: slice(first, first + side) for axis, first in start.items()})


def valid_mask(maps: xr.Dataset) -> Any:
    """Return the pixels that may be used, dims (y, x)."""
    if "valid" in maps:
        return np.asarray(maps["valid"].values, dtype=bool)
    return np.ones((maps.sizes["y"], maps.sizes["x"]), dtype=bool)


# Elements that common glasses are made of (float, container, borosilicate, silica).
GLASS_FORMERS = ("O", "Si", "Na", "Ca", "Mg", "K", "B", "Al")


@dataclass(frozen=True)
class Roles:
    """The part each mapped element plays.

    Examples
    --------
    >>> roles = Roles(("Cu", "Zn"), ("Si", "O"))
    >>> roles.of("Zn"), roles.of("Ti")
    ('alloy', 'other')
    """

    # element symbols, each mapped element in exactly one of the three
    alloy: tuple[str, ...]
    substrate: tuple[str, ...]
    other: tuple[str, ...] = ()
    assumed: bool = False  # True where nobody stated the roles and they were inferred from the maps
    how: str = ""  # one sentence on where the roles come from, for the report
    # True where they are assumed from names alone: nothing in the maps parts metal from glass
    one_sided: bool = False

    def of(self, element: str) -> str:
        """Return the role word of one element."""
        if element in self.alloy:
            return "alloy"
        return "substrate" if element in self.substrate else "other"

    def as_mapping(self) -> Mapping[str, str]:
        """Return ``{element: role}`` for every element."""
        every = (*self.alloy, *self.substrate, *self.other)
        return {element: self.of(element) for element in every}


def stated_roles(
    elements: Iterable[str],
    *,
    alloy: Iterable[str] | None,
    substrate: Iterable[str] | None,
    how: str,
) -> Roles:
    """Return roles from what the person stated."""
    mapped = list(elements)
    wanted = list(alloy or ())
    in_alloy = tuple(element for element in mapped if element in wanted)
    if wanted and not in_alloy:
        raise InputError(
            f"alloy must name at least one element that was mapped, got {', '.join(wanted)}. "
            f"Mapped are: {', '.join(mapped)}."
        )
    glass = list(substrate or ())
    in_substrate = tuple(e for e in mapped if e in glass and e not in in_alloy)
    rest = tuple(e for e in mapped if e not in in_alloy and e not in in_substrate)
    return Roles(in_alloy, in_substrate, rest, assumed=False, how=how)

"""What a made deposit consists of: frozen records with the choices of the forward model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from spattermap.core.errors import InputError, element_symbol, one_of, positive

# Mass percent, from the molar masses of SiO2 (exact for the pure oxide).
FUSED_SILICA: dict[str, float] = {"Si": 46.7437, "O": 53.2563}
# Typical float glass, elements from its oxide analysis (https://glass-source.biz/raw-material).
SODA_LIME: dict[str, float] = {
    "O": 46.858, "Si": 34.123, "Na": 9.644, "Ca": 6.003, "Mg": 2.412, "Al": 0.529, "K": 0.216,
}  # fmt: skip

PLACEMENTS = ("apart", "touching", "free")
PROFILES = ("lens", "cap", "disc")
PATTERNS = ("between", "patchy", "flat")


@dataclass(frozen=True)
class Droplets:
    """Rounded features and how they lie.

    Parameters
    ----------
    d50_px : float
        Number-weighted median of the lognormal diameters (px).
    sigma_g : float
        Geometric standard deviation, 1 for equal droplets.
    coverage : float
        Area fraction the droplets shall cover, 0 to 0.95. "apart" jams near 0.5.
    thickness_um : float
        Height of a droplet of median size at its centre (um).
    thickness_exponent : float
        Height grows as diameter to this power: 1 keeps the shape, 0 keeps the height.
    profile : {"lens", "cap", "disc"}
        Half ellipsoid, paraboloid, or flat.
    placement : {"apart", "touching", "free"}
        No contact; a share of the droplets set against an earlier one; or independent of each
        other (Boolean model).
    touching_share : float
        Share of the droplets that is set against an earlier one where `placement` is "touching".
    gap_px : float
        Least distance between rims where droplets lie apart (px).
    aspect : float
        Largest ratio of the axes; each droplet draws its own between 1 and this.
    min_diameter_px : float
        Smaller draws are discarded (px).
    """

    d50_px: float = 14.0
    sigma_g: float = 1.45
    coverage: float = 0.2
    thickness_um: float = 1.5
    thickness_exponent: float = 1.0
    profile: str = "lens"
    placement: str = "apart"
    touching_share: float = 0.3
    gap_px: float = 3.0
    aspect: float = 1.0
    min_diameter_px: float = 2.0

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn."""
        positive(self.d50_px, "droplets: d50_px", unit="px")
        positive(self.thickness_um, "droplets: thickness_um", unit="um")
        one_of(self.placement, "droplets: placement", PLACEMENTS)
        one_of(self.profile, "droplets: profile", PROFILES)
        if not (0 <= self.coverage <= 0.95) or self.sigma_g < 1 or self.aspect < 1:
            raise InputError(
                "droplets must have coverage from 0 to 0.95, sigma_g and aspect of at least 1, "
                f"got {self.coverage}, {self.sigma_g}, {self.aspect}. Correct the value."
            )


@dataclass(frozen=True)
class Streaks:
    """Elongated features, with or without a round head.

    Parameters
    ----------
    number : int
        How many to try to place.
    length_px, width_px : float
        Medians of the whole length, head included, and of the width of the tail at its root (px).
    direction_deg : float
        Mean direction from head to tail, counter-clockwise from +x as seen on the picture.
    spread_deg : float
        Standard deviation of the direction (deg).
    head_ratio : float
        Diameter of the head in units of the tail's width; 0 for no head (a bar of even width).
    taper : float
        Width lost from the root of the tail to its tip, 0 to 1.
    thickness_um : float
        Thickness at the root (um); the tail thins to half of it at the tip.
    """

    number: int = 0
    length_px: float = 80.0
    width_px: float = 8.0
    direction_deg: float = 0.0
    spread_deg: float = 10.0
    head_ratio: float = 2.0
    taper: float = 0.7
    thickness_um: float = 0.8


@dataclass(frozen=True)
class Haze:
    """Metal between the droplets, too thin or too fine to be outlined.

    Parameters
    ----------
    thickness_um : float
        Mean thickness outside droplets and streaks (um); 0 for none.
    contrast : float
        Standard deviation of the thickness over its mean; 0 for an even film.
    texture_px : float
        Length over which the thickness varies (px); below 1, droplets too small to resolve.
    oxygen : float
        Mass percent of oxygen in the haze; the rest has the composition of the alloy.
    """

    thickness_um: float = 0.0
    contrast: float = 0.0
    texture_px: float = 12.0
    oxygen: float = 0.0


@dataclass(frozen=True)
class Layer:
    """One element that came down apart from the droplets.

    Parameters
    ----------
    element : str
        Its symbol.
    pattern : {"between", "patchy", "flat"}
        Even film between the features; patches between them; even film over everything.
    share : float or None
        Part of the element's own signal, taken out of the droplets, that lies in the layer.
    counts : float or None
        Mean counts per pixel of the field added from elsewhere (a foreign film). Give `share` or
        `counts`, not both.
    """

    element: str
    pattern: str = "between"
    share: float | None = None
    counts: float | None = None

    def __post_init__(self) -> None:
        """Refuse an unclear amount."""
        element_symbol(self.element, "layer: element")
        one_of(self.pattern, "layer: pattern", PATTERNS)
        if (self.share is None) == (self.counts is None):
            raise InputError(
                "layer must state either share or counts, got "
                f"share={self.share!r} and counts={self.counts!r}. Leave one of them out."
            )
        if self.share is not None and not 0 < self.share <= 1:
            raise InputError(
                f"layer: share must be above 0 and at most 1, got {self.share!r}. "
                "Leave the layer out for none."
            )
        if self.counts is not None:
            positive(self.counts, "layer: counts")


@dataclass(frozen=True)
class Cracks:
    """Thin dark lines in the electron image.

    Parameters
    ----------
    number : int
        How many.
    length_px, width_px : float
        Mean length and width (px).
    at_droplets : float
        Share that starts at the rim of a droplet; the rest starts anywhere.
    """

    number: int = 0
    length_px: float = 70.0
    width_px: float = 1.6
    at_droplets: float = 0.8


@dataclass(frozen=True)
class Deposit:
    """The whole of a made deposit and of the conditions under which it is mapped.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    pixel_size_um : float
        Side of a pixel (um).
    alloy, substrate : dict of str to float
        Mass percent. The alloy is the nominal one, written into the map set as such.
    droplets, streaks, haze, cracks
        See the records of these names.
    layers : tuple of Layer
        Components that came down apart, and foreign films.
    extra_elements : tuple of str
        Mapped elements that are in neither material: they show spectral background only.
    counts_per_pixel : float
        Counts per pixel of all lines of the alloy together on the bulk alloy.
    background : float
        Spectral background under the copper line on bulk copper, as a fraction of that line; it
        fixes the continuum of the beam, and the background in every other window follows.
    sensitivity, continuum : dict of str to float
        By element, the counts of its line, and of the continuum in its window, over those that
        yields and detector of the model give.
    leaks : dict of (str, str) to float
        ``{("Zn", "Cu"): 0.03}``: this fraction of the counts of the Cu line falls into the window
        of Zn.
    droplet_oxygen : float
        Mass percent of oxygen in droplets and streaks.
    composition_scatter : dict of str to float
        Relative standard deviation of an element's content from droplet to droplet.
    volatile_loss_px : dict of str to float
        A droplet of diameter D keeps ``1 - exp(-D / value)`` of that element.
    blur_px : float
        Standard deviation of the blur by beam and interaction volume (px).
    beam_energy_keV, takeoff_deg : float
        Beam energy and take-off angle of the detector.
    lines : dict of str to str
        Lines other than the default, for example ``{"Zn": "Zn La"}``.
    electron_image : bool
        Whether to make one.
    title : str
        Free text.
    process, measured : dict
        Free columns written into the map set.
    """

    shape: tuple[int, int] = (512, 512)
    pixel_size_um: float = 0.25
    alloy: Mapping[str, float] = field(default_factory=lambda: {"Cu": 70.0, "Zn": 30.0})
    substrate: Mapping[str, float] = field(default_factory=lambda: dict(FUSED_SILICA))
    droplets: Droplets = Droplets()
    streaks: Streaks = Streaks()
    haze: Haze = Haze()
    cracks: Cracks = Cracks()
    layers: tuple[Layer, ...] = ()
    extra_elements: tuple[str, ...] = ()
    counts_per_pixel: float = 2.0
    background: float = 0.03
    sensitivity: Mapping[str, float] = field(default_factory=dict)
    continuum: Mapping[str, float] = field(default_factory=dict)
    leaks: Mapping[tuple[str, str], float] = field(default_factory=dict)
    droplet_oxygen: float = 0.0
    composition_scatter: Mapping[str, float] = field(default_factory=dict)
    volatile_loss_px: Mapping[str, float] = field(default_factory=dict)
    blur_px: float = 1.0
    beam_energy_keV: float = 20.0
    takeoff_deg: float = 35.0
    lines: Mapping[str, str] = field(default_factory=dict)
    electron_image: bool = True
    title: str = "made deposit"
    process: Mapping[str, Any] = field(default_factory=dict)
    measured: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse what the model cannot make."""
        positive(self.pixel_size_um, "deposit: pixel_size_um", unit="um")
        positive(self.counts_per_pixel, "deposit: counts_per_pixel")
        for name in ("background", "blur_px", "droplet_oxygen"):
            positive(getattr(self, name), f"deposit: {name}", allow_zero=True)
        if not self.alloy or not self.substrate:
            raise InputError(
                "deposit must state alloy and substrate (mass percent), got an empty table. "
                "Write for example alloy={'Cu': 70.0, 'Zn': 30.0}."
            )
        for name in self.elements:
            element_symbol(name, "deposit: element")

    @property
    def elements(self) -> tuple[str, ...]:
        """Mapped elements: alloy, substrate, layers, extra, each once and in this order."""
        layered = (layer.element for layer in self.layers)
        return tuple(dict.fromkeys([*self.alloy, *self.substrate, *layered, *self.extra_elements]))

    def with_changes(self, **changes: Any) -> Deposit:
        """Return a copy with some fields replaced."""
        return replace(self, **changes)

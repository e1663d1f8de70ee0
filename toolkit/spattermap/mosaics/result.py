"""What the analysis of a mosaic gives."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spattermap.core.mapset import facts
from spattermap.core.results import summary_of

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd
    import xarray as xr

    from spattermap.core.mapset import Roles
    from spattermap.core.settings import Settings
    from spattermap.loaders.convert import Sheet
    from spattermap.measure.coverage import Coverage


@dataclass(frozen=True, repr=False)
class Mosaic:
    """Everything found in one mosaic; tables of droplets and labels lie in `folder`.

    Parameters
    ----------
    folder : pathlib.Path
        Results: ``droplets.parquet``, ``streaks.csv``, ``elements.csv``, ``pairs.csv``,
        ``summary.json``, ``labels.zarr``, ``report.html``.
    maps : xarray.Dataset
        The map set, lazy.
    roles : Roles
        Roles of the elements.
    n_droplets : int
        Droplets.
    coverage : Coverage
        Area fraction of the metal.
    sizes : pandas.DataFrame
        As `spattermap.morphology.size_summary` gives it.
    shapes : pandas.DataFrame
        As `spattermap.morphology.shape_shares` gives it.
    diameters : numpy.ndarray, dims (droplet,)
        Diameters, in the map set's length unit, and
    weights : numpy.ndarray, dims (droplet,)
        how many droplets each stands for: those the border cuts count nothing.
    streaks : pandas.DataFrame
        One row a streak, in px.
    sheet : Sheet
        Connection and conductance.
    elements, pairs : pandas.DataFrame
        As in `Analysis`.
    metal_shares : dict of str to float
        As in `Analysis`.
    overview : xarray.Dataset
        The maps averaged over squares, and ``kinds``: covered part in droplets and streaks.
    smallest_trusted_px, blur_px : float
        As in `Segmentation`.
    settings : Settings
        The choices made.
    notes : tuple of str
        What the reader must know before believing a number.
    """

    folder: Path
    maps: xr.Dataset
    roles: Roles
    n_droplets: int
    coverage: Coverage
    sizes: pd.DataFrame
    shapes: pd.DataFrame
    diameters: npt.NDArray[np.float64]
    weights: npt.NDArray[np.float64]
    streaks: pd.DataFrame
    sheet: Sheet
    elements: pd.DataFrame
    pairs: pd.DataFrame
    metal_shares: dict[str, float]
    overview: xr.Dataset
    smallest_trusted_px: float
    blur_px: float
    settings: Settings
    notes: tuple[str, ...]

    @property
    def droplets(self) -> pd.DataFrame:
        """The table of droplets, read from ``droplets.parquet``."""
        import pandas as pd

        return pd.read_parquet(self.folder / "droplets.parquet")

    def summary(self) -> dict[str, Any]:
        """Return the headline numbers, settings, versions and inputs, ready for JSON."""
        from spattermap.measure.form import size_numbers

        size = facts(self.maps).pixel_size
        numbers = {
            "coverage": self.coverage.value,
            "coverage_low": self.coverage.low,
            "coverage_high": self.coverage.high,
            "droplet_count": self.n_droplets,
            "streak_count": len(self.streaks),
            **size_numbers(self.sizes),
            **self.metal_shares,
            **self.sheet.summary(),
            "smallest_trusted_um": self.smallest_trusted_px * size,
        }
        return summary_of(
            self.maps,
            numbers,
            roles=self.roles,
            notes=self.notes,
            settings=self.settings,
            more={"size_px": [self.maps.sizes["y"], self.maps.sizes["x"]]},
        )

    def __repr__(self) -> str:
        covered = f"coverage {self.coverage.value:.3f}"
        return f"{facts(self.maps).title}: {self.n_droplets} droplets, {covered}"

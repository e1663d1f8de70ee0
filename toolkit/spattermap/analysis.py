"""The whole chain in one call, and the result it gives."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spattermap.core.files import staged_folder
from spattermap.core.mapset import Roles, facts, noise_is_known, stated_roles, valid_mask, validate
from spattermap.core.results import scaled_streaks, summary_of, tables_in_unit, write_files
from spattermap.core.settings import Settings

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from spattermap.measure.connection import Continuity
    from spattermap.measure.form import Morphology
    from spattermap.noise.moments import BlockMoments
    from spattermap.segment.result import Segmentation
    from spattermap.show.answers import Answer
    from spattermap.verdict.composition import CompositionLimit


@dataclass(frozen=True, repr=False)
class Analysis:
    """Everything found in one map set.

    Parameters
    ----------
    maps : xarray.Dataset
        The map set, as it came.
    roles : Roles
        Which element belongs to alloy, substrate or neither, and how that is known.
    segmentation : Segmentation
        Labels and the evidence behind them.
    labels : xarray.DataArray of int32, dims (y, x)
        0 bare, droplets as in `droplets`, streaks as in `streaks`.
    droplets, streaks : pandas.DataFrame
        One row a droplet or streak.
    morphology : Morphology
        Coverage, sizes, shapes, spacing.
    continuity : Continuity
        Connection and sheet conductance.
    elements : pandas.DataFrame
        One row an element: shares, correlations, verdict, reasons, next step.
    pairs : pandas.DataFrame
        One row a pair of elements.
    metal_shares : dict of str to float
        Shares of the alloy's net signal in droplets, streaks and haze, with bounds.
    moments : BlockMoments
        Sufficient statistics of the co-location; they add over fields.
    settings : Settings
        The choices made.
    blank : xarray.Dataset or None
        The bare substrate, where one was given.
    notes : tuple of str
        What the reader must know before believing a number.
    oxygen : pandas.DataFrame or None
        Oxygen beyond the glass by where it lies, see `spattermap.verdict.oxygen`.
    """

    maps: xr.Dataset
    roles: Roles
    segmentation: Segmentation
    labels: xr.DataArray
    droplets: pd.DataFrame
    streaks: pd.DataFrame
    morphology: Morphology
    continuity: Continuity
    elements: pd.DataFrame
    pairs: pd.DataFrame
    metal_shares: dict[str, float]
    moments: BlockMoments
    settings: Settings
    blank: xr.Dataset | None = None
    notes: tuple[str, ...] = field(default_factory=tuple)
    oxygen: pd.DataFrame | None = None

    @property
    def title(self) -> str:
        """Title of the map set, or a stand-in."""
        return facts(self.maps).shown_title

    def summary(self) -> dict[str, Any]:
        """Return the headline numbers, settings, versions and inputs, ready for JSON."""
        limit = _composition_limit(self.maps, self.roles)
        size = facts(self.maps).pixel_size
        numbers = {
            **self.morphology.summary(),
            **self.metal_shares,
            **self.continuity.summary(),
            "smallest_trusted_um": self.segmentation.smallest_trusted_px * size,
            "smallest_composition_um": limit.smallest_um if limit else float("nan"),
        }
        known = summary_of(
            self.maps, numbers, roles=self.roles, notes=self.notes, settings=self.settings
        )
        return {**known, "answers": [one.to_dict() for one in self._answers(known)]}

    @property
    def answers(self) -> tuple[Answer, ...]:
        """The person's questions with what this field says about each."""
        return self._answers(self.summary())

    def _answers(self, numbers: dict[str, Any]) -> tuple[Answer, ...]:
        from spattermap.show.answers import answers_of

        return answers_of(self, numbers)

    def answer(self) -> str:
        """Return the answers as text, one line a question."""
        from spattermap.show.answers import answer_lines

        return answer_lines(self.answers)

    def save(self, folder: str | Path, *, overwrite: bool = False) -> Path:
        """Write tables, labels and pictures into a folder.

        Parameters
        ----------
        folder : str or pathlib.Path
            The folder; new or empty unless `overwrite`.
        overwrite : bool, optional
            Replace results of the same names.

        Returns
        -------
        pathlib.Path
            The folder.

        Raises
        ------
        OutputError
            If the folder cannot be used.
        """
        from spattermap.show import pictures

        with staged_folder(folder, overwrite=overwrite) as stage:
            self.write_tables(stage)
            pictures.save_all(self, stage / "figures")
        return Path(folder)

    def write_tables(self, stage: Path) -> None:
        """Write tables and labels into an existing folder.

        Parameters
        ----------
        stage : pathlib.Path
            A folder, as `outputs.staged_folder` gives it.
        """
        import tifffile

        names = ("droplets", "streaks", "elements", "pairs")
        write_files(stage, self.summary(), {name: getattr(self, name) for name in names})
        size = facts(self.maps)
        resolution = (1e4 / size.pixel_size,) * 2 if size.length_unit == "um" else None
        tifffile.imwrite(
            stage / "labels.tif",
            self.labels.values,
            compression="zlib",
            resolution=resolution,
            resolutionunit="CENTIMETER" if resolution else "NONE",
            software="spattermap",
            metadata=None,
        )

    def _repr_html_(self) -> str:
        from spattermap import show

        return str(show.summary(self).html)

    def __repr__(self) -> str:
        return f"{self.title}\n\n{self.answer()}"


def analyse(
    maps: xr.Dataset, *, blank: xr.Dataset | None = None, settings: Settings | None = None
) -> Analysis:
    """Run the main job on one map set.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set (see `spattermap.load` and `spattermap.make_map_set`); it is not changed.
    blank : xarray.Dataset, optional
        The bare substrate mapped under the same conditions.
    settings : Settings, optional
        Choices; the defaults suit most map sets.

    Returns
    -------
    Analysis

    Raises
    ------
    InputError, InputTypeError
        If the maps, the blank or a setting cannot be used.

    Examples
    --------
    >>> from spattermap.synthesis import Deposit, make_deposit
    >>> maps = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1).maps
    >>> analysis = analyse(maps)
    >>> round(analysis.morphology.coverage.value, 1)
    0.3
    >>> analysis.elements.set_index("element").loc["Cu", "verdict"]
    'with_alloy'
    """
    import xarray as xr

    from spattermap.noise.moments import block_moments
    from spattermap.segment.engine import segment
    from spattermap.verdict.gather import gather
    from spattermap.verdict.judging import judge_all
    from spattermap.verdict.metal_shares import metal_shares
    from spattermap.verdict.oxygen import oxygen_evidence
    from spattermap.verdict.pairs import pair_table

    validate(maps)
    if blank is not None:
        validate(blank)
    settings = settings or Settings()
    known = facts(maps)
    whole = block_moments(maps, block_px=settings.block_px)
    roles = find_roles(maps, settings, moments=whole)
    found = segment(maps, roles, settings=settings)
    droplets = measure_droplets(maps, found, known.pixel_size)
    moments = block_moments(
        maps, block_px=whole.block_px, labels=found.labels, n_droplets=found.n_droplets
    )
    connection = _connection(maps, found, settings)
    evidence = gather(maps, moments, roles, found, blank=blank, settings=settings)
    parts = metal_shares(evidence)
    oxygen = oxygen_evidence(evidence)
    form = _form(maps, found, droplets, shares=parts, joined=_joined(connection), settings=settings)
    streaks = scaled_streaks(found.streaks, known.pixel_size)
    return Analysis(
        maps=maps,
        roles=roles,
        segmentation=found,
        labels=xr.DataArray(found.labels, dims=("y", "x"), coords={"y": maps.y, "x": maps.x}),
        droplets=tables_in_unit(droplets, known.length_unit),
        streaks=tables_in_unit(streaks, known.length_unit),
        morphology=form,
        continuity=connection,
        elements=judge_all(evidence, oxygen=oxygen),
        metal_shares=parts,
        pairs=pair_table(moments, maps=maps, roles=roles, settings=settings),
        moments=moments,
        settings=settings,
        blank=blank,
        notes=(*notes_of(maps, roles, found, blank), *_narrow(maps, roles, droplets)),
        oxygen=oxygen,
    )


def _connection(maps: xr.Dataset, found: Segmentation, settings: Settings) -> Continuity:
    from spattermap.measure import connection as continuity

    known = facts(maps)
    return continuity.describe(
        found.metal,
        pixel_size=known.pixel_size,
        settings=settings,
        measured=known.measured,
        alloy=known.alloy,
        valid=valid_mask(maps) if "valid" in maps else None,
    )


def _form(
    maps: xr.Dataset,
    found: Segmentation,
    droplets: pd.DataFrame,
    *,
    shares: dict[str, float],
    joined: float,
    settings: Settings,
) -> Morphology:
    from spattermap.measure import form as morphology

    known = facts(maps)
    return morphology.describe(
        found,
        droplets,
        pixel_size=known.pixel_size,
        settings=settings,
        valid=valid_mask(maps) if "valid" in maps else None,
        length_unit=known.length_unit,
        shares=shares,
        joined=joined,
    )


def _joined(found: Continuity) -> float:
    """Return the share of the metal in one region that crosses the field."""
    crosses = found.edges.crosses_x or found.edges.crosses_y
    return found.edges.largest_share if crosses else 0.0


def find_roles(
    maps: xr.Dataset, settings: Settings, *, moments: BlockMoments | None = None
) -> Roles:
    """Return the roles as stated in the settings or the map set, else inferred."""
    from spattermap.noise.moments import block_moments
    from spattermap.verdict.correlation import infer_roles

    known = facts(maps)
    names = [str(name) for name in maps["element"].values]
    alloy = settings.alloy or tuple(known.alloy) or None
    substrate = settings.substrate or tuple(known.substrate) or None
    if alloy:
        where = "in the settings" if settings.alloy else "with the map set"
        return stated_roles(names, alloy=alloy, substrate=substrate, how=f"stated {where}")
    inferred = infer_roles(moments or block_moments(maps, block_px=settings.block_px))
    if not substrate:
        return inferred
    # Half a statement is kept: only the alloy's side is guessed.
    rest = [name for name in names if name not in substrate]
    alloy = tuple(name for name in rest if name in inferred.alloy) or tuple(rest)
    stated = stated_roles(
        names, alloy=alloy, substrate=substrate, how=f"substrate stated, alloy {inferred.how}"
    )
    return replace(stated, assumed=True)


def measure_droplets(maps: xr.Dataset, found: Segmentation, pixel_size: float) -> pd.DataFrame:
    """Return the table of droplets."""
    import numpy as np

    from spattermap.measure.regions import as_droplets, measure_regions

    only_droplets = np.where(found.labels <= found.n_droplets, found.labels, 0).astype(np.int32)
    table = measure_regions(
        only_droplets,
        counts=maps["counts"].values,
        variance=maps["variance"].values if "variance" in maps else None,
        elements=[str(name) for name in maps["element"].values],
        pixel_size=pixel_size,
    )
    table = as_droplets(table, found.confidence)
    if "valid" in maps:
        table["touches_border"] |= table["droplet"].isin(_cut_by_mask(only_droplets, maps))
    return table


def _cut_by_mask(labels: Any, maps: xr.Dataset) -> Any:
    """Return the labels beside masked pixels: those droplets are seen in part, as at the border."""
    import numpy as np
    from scipy.ndimage import binary_dilation

    beside = binary_dilation(~valid_mask(maps), structure=np.ones((3, 3), bool))
    return np.setdiff1d(labels[beside], [0])


def notes_of(
    maps: xr.Dataset, roles: Roles, found: Any, blank: xr.Dataset | None
) -> tuple[str, ...]:
    """Return what the reader must know of the inputs, and what the segmentation says."""
    known = facts(maps)
    notes = []
    if roles.assumed:
        notes.append(
            f"Roles are assumed ({roles.how}): state them with [alloy] and [substrate] in "
            "mapset.toml or with --alloy and --substrate."
        )
    if known.length_unit == "px":
        notes.append("No pixel size is known, so every length is in px: state pixel_size_um.")
    if not noise_is_known(maps):
        notes.append(
            f"The maps are {known.quantity}, not counts: the noise is estimated from the maps "
            "themselves. Export raw counts for firmer statements."
        )
    if blank is None:
        notes.append(
            "No blank was given: what lies outside the deposits cannot be told from the "
            "substrate by comparison. Map a bare plate under the same conditions."
        )
    return (*notes, *found.notes)


def _composition_limit(maps: xr.Dataset, roles: Roles) -> CompositionLimit | None:
    """Return from which diameter on a droplet's composition can be trusted, where it has one."""
    from spattermap.verdict.composition import composition_limit

    if len(roles.alloy) < 2 or facts(maps).length_unit != "um":
        return None
    return composition_limit(maps, roles.alloy)


def _narrow(maps: xr.Dataset, roles: Roles, droplets: pd.DataFrame) -> tuple[str, ...]:
    limit = _composition_limit(maps, roles)
    return limit.notes(droplets["diameter_um"]) if limit else ()

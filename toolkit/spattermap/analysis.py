"""The whole chain in one call, and the result it gives."""

from __future__ import annotations

import copy
import math
import shutil
import tempfile
import weakref
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spattermap.core.errors import InputError
from spattermap.core.files import staged_folder
from spattermap.core.grid import Box, Source
from spattermap.core.mapset import (
    Roles,
    element_names,
    facts,
    noise_is_known,
    stated_roles,
    valid_mask,
    validate,
)
from spattermap.core.presenter import presenter
from spattermap.core.progress import step
from spattermap.core.results import scaled_streaks, summary_of, tables_in_unit, write_files
from spattermap.core.settings import Settings
from spattermap.examine import (
    examine,
    one_sided,
    with_dropped_pairs,
    withheld_numbers,
    withheld_verdicts,
    without_maps,
)

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from spattermap.analysis_parts import Measured, Room
    from spattermap.core.estimate import Estimate
    from spattermap.core.work import Workers
    from spattermap.examine import Examination
    from spattermap.measure.connection import Continuity
    from spattermap.measure.form import Morphology
    from spattermap.measure.metal_weight import Weighed
    from spattermap.noise.moments import BlockMoments
    from spattermap.segment.result import Segmentation
    from spattermap.verdict.composition import CompositionLimit


LARGEST_WHOLE_PX = 4096 * 4096  # a larger lazy field is worked on in parts
NO_BLANK = (
    "No blank was given: what lies outside the deposits cannot be told from the substrate by "
    "comparison. Map a bare plate under the same conditions."
)
_PROBE_PX = 2048  # side of the middle part from which unstated roles are inferred

_CRACKS_ENOUGH = 5  # fewer cracks do not tell that none ends at droplets
_CHANCE = 0.05  # p-value below which cracks are said to end at droplets


@dataclass(frozen=True, repr=False)
class Analysis:
    """Everything found in one map set.

    Parameters
    ----------
    maps : xarray.Dataset
        The map set as it was analysed: mended, and without the maps that took no part (see
        `examination`); the one that came where it was sound.
    roles : Roles
        Which element belongs to alloy, substrate or neither, and how that is known.
    segmentation : Segmentation
        Labels and the evidence behind them.
    labels : xarray.DataArray of int32, dims (y, x)
        0 bare, droplets as in `droplets`, streaks as in `streaks`; lazy for a field in parts.
    table : pandas.DataFrame or pathlib.Path
        One row a droplet, see `droplets`; for a field in parts the file that holds them.
    streaks : pandas.DataFrame
        One row a streak.
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
    haze_zero : Estimate
        What the bare substrate itself gives in the alloy's maps (summed, per pixel): the zero from
        which haze is counted.
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
    examination : Examination
        What was tested of the maps before anything was believed, see `spattermap.examine`.
    weighed : Weighed
        Thickness of the metal, or why it is withheld.
    overview : xarray.Dataset or None
        Of a field in parts, the maps averaged over squares, and ``kinds``: part of each square
        that is covered by droplets and by streaks.
    room : Room or None
        Of a field in parts, where it was worked on.
    held : object
        Of a field in parts without a folder of its own, the temporary folder: it goes with this.
    """

    maps: xr.Dataset
    roles: Roles
    segmentation: Segmentation
    labels: xr.DataArray
    table: pd.DataFrame | Path
    streaks: pd.DataFrame
    morphology: Morphology
    continuity: Continuity
    elements: pd.DataFrame
    pairs: pd.DataFrame
    metal_shares: dict[str, float]
    haze_zero: Estimate
    moments: BlockMoments
    settings: Settings
    oxygen: pd.DataFrame
    examination: Examination
    weighed: Weighed
    blank: xr.Dataset | None = None
    notes: tuple[str, ...] = field(default_factory=tuple)
    overview: xr.Dataset | None = None
    room: Room | None = None
    held: Any = field(default=None, compare=False)

    @property
    def droplets(self) -> pd.DataFrame:
        """One row a droplet, in order of their labels; of a field in parts read from its file."""
        if isinstance(self.table, Path):
            import pandas as pd

            rows = pd.read_csv(self.table, float_precision="round_trip")
            rows = rows.sort_values("droplet", ignore_index=True)
        else:
            rows = self.table
        return self.weighed.beside(rows)

    def thickness_map(self) -> xr.Dataset | None:
        """Return how thick the metal is, as pictures on the maps' grid.

        Returns
        -------
        xarray.Dataset or None
            ``nm``, ``nm_low``, ``nm_high`` (float32, dims (y, x), nm): mean thickness of the region
            a pixel lies in, or of its square (24 px) where a wide region is uneven, with bounds of
            95 %; NaN outside regions and where nothing is told,
            infinity where there is no upper bound. ``only_bound`` (bool): only bounds are firm
            there; ``nm`` is the lower one past saturation, the upper one where hardly any metal
            shows, else what lies between. None where the thickness is withheld; `weighed` says why.
        """
        found = self.weighed.picture(self.labels.values)
        return None if found is None else found.assign_coords(self.labels.coords)

    @property
    def cracks(self) -> pd.DataFrame | None:
        """One row a crack of the substrate; None where none were looked for."""
        table = self.segmentation.cracks.get("table")
        if table is None:
            return None
        known = facts(self.maps)
        return tables_in_unit(scaled_streaks(table, known.pixel_size), known.length_unit)

    @property
    def title(self) -> str:
        """Title of the map set, or a stand-in."""
        return facts(self.maps).shown_title

    def summary(self) -> dict[str, Any]:
        """Return the headline numbers, settings, versions and inputs, ready for JSON."""
        return copy.deepcopy(self._summary)

    @cached_property
    def _summary(self) -> dict[str, Any]:
        from spattermap.segment.image import NOT_GIVEN

        limit = _composition_limit(self.maps, self.roles)
        size = facts(self.maps).pixel_size
        numbers = {
            **self.morphology.summary(),
            "streak_count": len(self.streaks),
            **self.metal_shares,
            **self.continuity.summary(),
            **self.weighed.summary(),
            "smallest_trusted_um": self.segmentation.smallest_trusted_px * size,
            "smallest_composition_um": limit.smallest_um if limit else float("nan"),
            **(self.segmentation.image or NOT_GIVEN).summary(size),
            **_cracked(self.segmentation.cracks, size),
        }
        more = {
            "size_px": [self.maps.sizes["y"], self.maps.sizes["x"]],
            "examination": self.examination.counts,
        }
        known = summary_of(
            self.maps,
            withheld_numbers(numbers, self.examination.withheld),
            roles=self.roles,
            notes=self.notes,
            settings=self.settings,
            more=more,
        )
        return {**known, "answers": [one.to_dict() for one in presenter().answers_of(self, known)]}

    @property
    def answers(self) -> tuple[Any, ...]:
        """The person's questions with what this field says about each, `show.answers.Answer`."""
        return presenter().answers_of(self, self.summary())

    def answer(self) -> str:
        """Return the answers as text, one line a question."""
        return presenter().answer(self)

    def save(self, folder: str | Path, *, overwrite: bool = False, vector: bool = False) -> Path:
        """Write tables, labels and, of a field in memory, pictures into a folder.

        Parameters
        ----------
        folder : str or pathlib.Path
            The folder; new or empty unless `overwrite`.
        overwrite : bool, optional
            Replace results of the same names.
        vector : bool, optional
            Save each picture as SVG too.

        Returns
        -------
        pathlib.Path
            The folder.

        Raises
        ------
        OutputError
            If the folder cannot be used.
        """
        with staged_folder(folder, overwrite=overwrite) as stage:
            self.write_tables(stage)
            presenter().save_pictures(self, stage / "figures", vector=vector)
        return Path(folder)

    def write_tables(self, stage: Path) -> None:
        """Write tables and labels into an existing folder.

        Parameters
        ----------
        stage : pathlib.Path
            A folder, as `outputs.staged_folder` gives it.
        """
        names = ["droplets", "streaks", "elements", "pairs"]
        if self.room is not None:
            names = names[1:]  # written already, part by part
            for name in (self.room.droplets.name, "labels.zarr"):
                _copy(self.room.folder / name, stage / name)
        else:
            self._write_labels(stage / "labels.tif")
        tables = {name: getattr(self, name) for name in names}
        tables["examination"] = self.examination.table
        if self.cracks is not None:
            tables["cracks"] = self.cracks
        write_files(stage, self.summary(), tables)

    def _write_labels(self, file: Path) -> None:
        import tifffile

        size = facts(self.maps)
        resolution = (1e4 / size.pixel_size,) * 2 if size.length_unit == "um" else None
        tifffile.imwrite(
            file,
            self.labels.values,
            compression="zlib",
            resolution=resolution,
            resolutionunit="CENTIMETER" if resolution else "NONE",
            software="spattermap",
            metadata=None,
        )

    def moved(self, folder: Path) -> Analysis:
        """Return the result of a field in parts with its files in another folder."""
        assert self.room is not None
        room = self.room._replace(folder=folder)
        return replace(self, room=room, table=room.droplets, labels=room.labels(self.maps))

    def close(self) -> None:
        """Delete what only the work on a field in parts needed; tables and labels stay."""
        if self.room is not None:
            shutil.rmtree(self.room.store.folder, ignore_errors=True)

    def _repr_html_(self) -> str:
        return presenter().html(self)

    def __repr__(self) -> str:
        return presenter().text(self)


def _copy(source: Path, target: Path) -> None:
    """Copy a file or a folder, unless it is there already."""
    if source == target:
        return
    if source.is_dir():
        shutil.copytree(source, target)
    else:
        shutil.copyfile(source, target)


def analyse(
    maps: xr.Dataset | Source,
    *,
    blank: xr.Dataset | None = None,
    settings: Settings | None = None,
    part_px: int | None = None,
    folder: str | Path | None = None,
    workers: Workers | None = None,
) -> Analysis:
    """Run the main job on one map set of any size.

    Parameters
    ----------
    maps : xarray.Dataset or Source
        A map set (see `spattermap.load` and `spattermap.make_map_set`); it is not changed.
    blank : xarray.Dataset, optional
        The bare substrate mapped under the same conditions.
    settings : Settings, optional
        Choices; the defaults suit most map sets.
    part_px : int, optional
        Work on the field in parts of this side (px, a multiple of 32). Left out, a field is taken
        whole, unless it is lazy and holds more than 4096 x 4096 px.
    folder : str or pathlib.Path, optional
        Existing folder for the labels and droplets of a field in parts; about 40 bytes a pixel are
        written there on the way (see `Analysis.close`). By default a temporary one that goes with
        the result.
    workers : Workers, optional
        Where the parts are worked on; by default an active dask client, else threads.

    Raises
    ------
    InputError, InputTypeError, InputFileError
        If the maps, the blank or a setting cannot be used.

    Notes
    -----
    Labels, streaks, droplets, sizes and coverage do not depend on the parts. The verdict comes from
    the same sums, added over the parts; its spatial p-values from four windows. The conductance is
    solved on averaged squares, spacing and satellites are those of the middle of the field. Cracks
    are looked for in whole fields only.

    Examples
    --------
    >>> from spattermap.synthesis import Deposit, make_deposit
    >>> maps = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1).maps
    >>> analysis = analyse(maps)
    >>> round(analysis.morphology.coverage.value, 1)
    0.3
    >>> analysis.elements.set_index("element").loc["Cu", "verdict"]
    'with_alloy'
    >>> in_parts = analyse(maps, part_px=64)
    >>> in_parts.droplets.shape == analysis.droplets.shape
    True
    """
    from spattermap.noise.noise_models import as_believed

    settings = settings or Settings()
    source = maps if isinstance(maps, Source) else Source(maps, checked=_in_memory(maps))
    validate(source.maps)
    if blank is not None:
        validate(blank)
        _refuse_itself(source.maps, blank)
    if part_px is None and (source.checked or math.prod(source.shape) <= LARGEST_WHOLE_PX):
        step("Examining the maps")
        examined = examine(source.maps, blank=blank, roles=_stated(source.maps, settings))
        sound, bare = without_maps(examined.maps, examined.dropped), examined.blank
        sound, doubts = as_believed(sound)  # of what is read from a file, this was asked there
        roles, found, measured = _measured_whole(sound, bare, settings)
        done = _finished(sound, examined, roles, found, measured, blank=bare, settings=settings)
        done = replace(done, notes=(*_doubtful(doubts), *done.notes))
        return _believed(done, given=blank)
    from spattermap.analysis_parts import Room, measured_in_parts
    from spattermap.core.work import Workers

    held = None
    if folder is None:
        held = _Held(tempfile.mkdtemp(prefix="spattermap_"))
        folder = held.folder
    roles = _roles_in_middle(source, settings)
    stated = None if roles.assumed else roles
    step("Examining the maps")
    examined = examine(source.maps, blank=blank, roles=stated, mend=False)
    given, blank = blank, examined.blank
    believed, doubts = as_believed(source.maps)
    source = replace(source, maps=believed) if doubts else source
    room = Room.within(Path(folder), source.shape, part_px=part_px)
    workers = replace(workers or Workers(), shared=(room.folder, room.store.folder))
    try:
        found, measured = measured_in_parts(
            source, roles, room, settings=settings, blank=blank, workers=workers
        )
    except BaseException:
        shutil.rmtree(room.store.folder, ignore_errors=True)
        raise
    done = _finished(source.maps, examined, roles, found, measured, blank=blank, settings=settings)
    done = replace(done, room=room, held=held, notes=(*_doubtful(doubts), *done.notes))
    return _believed(done, given=given)


def _refuse_itself(maps: xr.Dataset, blank: xr.Dataset) -> None:
    """Refuse a blank that shares a file of maps with what it is to be held against."""
    ours, bare = (
        {code for name, code in facts(one).source.get("files", {}).items() if ".toml" not in name}
        for one in (maps, blank)
    )
    if ours & bare:
        raise InputError(
            "blank must be a map set of bare substrate, got files of the maps themselves. Name "
            "another map set, or leave it out."
        )


def _doubtful(doubts: tuple[str, ...]) -> tuple[str, ...]:
    """Return why what was called counts is not taken as counts, as sentences."""
    return tuple(f"{why[0].upper()}{why[1:]}; taken as intensity." for why in doubts)


def _believed(done: Analysis, *, given: xr.Dataset | None) -> Analysis:
    """Return a result without the answers that rest on a fault of the maps."""
    import numpy as np

    from spattermap.verdict.physics import matrix_element

    examined = done.examination
    if done.roles.one_sided:
        examined = replace(examined, findings=(*examined.findings, one_sided()))
    maps, table, settings = examined.maps, done.table, done.settings
    missing: list[dict[str, Any]] = []
    stated = _stated(maps, settings) if examined.dropped else None
    main = None
    if stated is not None and stated.alloy:
        mean = maps["counts"].mean(("y", "x"))
        by_element = {e: float(mean.sel(element=e)) for e in stated.alloy}
        main = matrix_element(stated, facts(maps).alloy, by_element)
    for element in examined.dropped:
        own = maps.sel(element=element)
        missing.append({
            "element": element,
            "line": str(own["line"].values) if "line" in own.coords else "",
            "role": stated.of(element) if stated else "other",
            "mean_counts": float(np.mean(own["counts"].values)),
        })  # fmt: skip
        if not isinstance(table, Path):
            table = table.assign(**{f"{element}_counts{end}": np.nan for end in ("", "_err")})
    notes = done.notes
    if given is not None and examined.blank is None:
        notes = tuple(note for note in notes if note != NO_BLANK)
    weighed, streaks = done.weighed, done.streaks
    held = examined.withheld
    if held.coverage or held.of("shares", "metal"):
        from spattermap.measure.metal_weight import FAULTY, withheld

        weighed, n = withheld(*FAULTY), done.segmentation.n_droplets
        streaks = streaks.assign(**weighed.columns(n + 1, n + len(streaks)))
    return replace(
        done,
        table=table,
        weighed=weighed,
        streaks=streaks,
        elements=withheld_verdicts(
            done.elements, examined.withheld, missing=missing, order=element_names(maps), main=main
        ),
        pairs=with_dropped_pairs(done.pairs, examined.dropped),
        notes=(*examined.notes, *notes),
        examination=examined,
    )


def _stated(maps: xr.Dataset, settings: Settings) -> Roles | None:
    """Return the roles where somebody stated the alloy; the examination guesses none."""
    if settings.alloy or facts(maps).alloy:
        return find_roles(maps, settings)
    return None


class _Held:
    """A temporary folder that goes with this object, or with the process."""

    def __init__(self, folder: str) -> None:
        self.folder = folder
        self._end = weakref.finalize(self, shutil.rmtree, folder, ignore_errors=True)


def _in_memory(maps: xr.Dataset) -> bool:
    """Return whether the counts are in memory; what is no map set is refused elsewhere."""
    counts = getattr(maps, "data_vars", {}).get("counts")
    return not hasattr(getattr(counts, "data", None), "dask")


def _measured_whole(
    maps: xr.Dataset, blank: xr.Dataset | None, settings: Settings
) -> tuple[Roles, Segmentation, Measured]:
    """Divide and measure a field in memory."""
    import xarray as xr

    from spattermap.analysis_parts import Measured
    from spattermap.noise.moments import block_moments
    from spattermap.segment.engine import segment
    from spattermap.verdict.gather import gather

    known = facts(maps)
    roles = find_roles(maps, settings)
    found = segment(Source(maps, checked=_in_memory(maps)), roles, settings=settings)
    step("Measuring droplets")
    droplets = measure_droplets(maps, found, known.pixel_size)
    moments = block_moments(
        maps, block_px=settings.block_px, labels=found.labels, n_droplets=found.n_droplets
    )
    return (
        roles,
        found,
        Measured(
            context=gather(maps, moments, roles, found, blank=blank, settings=settings),
            rows=droplets,
            table=tables_in_unit(droplets, known.length_unit),
            labels=xr.DataArray(found.labels, dims=("y", "x"), coords={"y": maps.y, "x": maps.x}),
            continuity=_connection(maps, found, settings),
            valid=valid_mask(maps) if "valid" in maps else None,
            notes=_narrow(maps, roles, droplets),
        ),
    )


def _finished(
    maps: xr.Dataset,
    examined: Examination,
    roles: Roles,
    found: Segmentation,
    measured: Measured,
    *,
    blank: xr.Dataset | None,
    settings: Settings,
) -> Analysis:
    """Draw the conclusions."""
    from spattermap.measure.connection import held_against_bulk
    from spattermap.measure.oxide import oxide_shown
    from spattermap.verdict.judging import judge
    from spattermap.verdict.metal_shares import haze_zero, metal_shares
    from spattermap.verdict.oxygen import oxygen_evidence
    from spattermap.verdict.pairs import pair_table

    known, context = facts(maps), measured.context
    weighed = _weighed(maps, roles, found, measured.labels, blank=blank)
    shares, oxygen = metal_shares(context), oxygen_evidence(context)
    continuity = held_against_bulk(
        measured.continuity, known.measured, alloy=known.alloy, weighed=weighed.mean(),
        oxide=oxide_shown(oxygen),
    )  # fmt: skip
    morphology = _formed(maps, found, measured, shares, settings)
    step("Judging each element")
    return Analysis(
        maps=maps,
        roles=roles,
        segmentation=found,
        labels=measured.labels,
        table=measured.table,
        streaks=_streaks(maps, found, weighed),
        morphology=morphology,
        continuity=continuity,
        elements=judge(context, oxygen=oxygen),
        metal_shares=shares,
        haze_zero=haze_zero(context),
        pairs=pair_table(
            context.moments, maps=context.fields, roles=roles, settings=settings, few=context.few
        ),
        moments=context.moments,
        settings=settings,
        oxygen=oxygen,
        examination=examined,
        weighed=weighed,
        blank=blank,
        notes=(*notes_of(maps, roles, found, blank), *measured.notes),
        overview=measured.overview,
    )


def _formed(
    maps: xr.Dataset,
    found: Segmentation,
    measured: Measured,
    shares: dict[str, float],
    settings: Settings,
) -> Morphology:
    """Return sizes, shapes and cover, and how the metal arrived."""
    from spattermap.measure import form

    known, edges = facts(maps), measured.continuity.edges
    return form.describe(
        found,
        measured.rows,
        pixel_size=known.pixel_size,
        settings=settings,
        valid=measured.valid,
        length_unit=known.length_unit,
        shares=shares,
        joined=edges.largest_share if edges.crosses_x or edges.crosses_y else 0.0,
        cover=measured.cover,
    )


def _streaks(maps: xr.Dataset, found: Segmentation, weighed: Weighed) -> pd.DataFrame:
    """Return the table of streaks with their thickness, in the unit of the map set."""
    known, last = facts(maps), found.n_droplets + found.n_streaks
    streaks = scaled_streaks(found.streaks, known.pixel_size)
    streaks = streaks.assign(**weighed.columns(found.n_droplets + 1, last))
    return tables_in_unit(streaks, known.length_unit)


def _weighed(
    maps: xr.Dataset,
    roles: Roles,
    found: Segmentation,
    labels: xr.DataArray,
    *,
    blank: xr.Dataset | None,
) -> Weighed:
    """Weigh a field that fits into memory; a larger one is not weighed."""
    from spattermap.measure.metal_weight import TOO_LARGE, weigh, withheld

    if math.prod(labels.shape) > LARGEST_WHOLE_PX:
        return withheld(*TOO_LARGE)
    step("Weighing the metal")
    return weigh(maps, roles, found, labels=labels.values, blank=blank)


def _roles_in_middle(source: Source, settings: Settings) -> Roles:
    """Return the roles as stated, else inferred from the middle of a field."""
    if settings.alloy or facts(source.maps).alloy:
        return find_roles(source.maps, settings)  # stated roles need no look
    height, width = source.shape
    top, left = max(0, (height - _PROBE_PX) // 2), max(0, (width - _PROBE_PX) // 2)
    box = Box(top, left, min(top + _PROBE_PX, height), min(left + _PROBE_PX, width))
    return find_roles(source.part(box), settings)


def _cracked(cracks: dict[str, Any], size: float) -> dict[str, Any]:
    """Return the headline entries of the cracks; empty where none were looked for."""
    if "n" not in cracks:
        return {"cracks_why_not": cracks["why"]} if "why" in cracks else {}
    ends = "not told"
    if cracks["n"] and cracks["p_value"] < _CHANCE:
        ends = "yes"
    elif cracks["n"] >= _CRACKS_ENOUGH and cracks["at_regions"] <= cracks["at_regions_expected"]:
        ends = "no"
    return {
        "crack_count": cracks["n"],
        "crack_length_um_per_um2": cracks["density_per_px"] / size,
        "cracks_end_at_droplets": ends,
    }


def _connection(maps: xr.Dataset, found: Segmentation, settings: Settings) -> Continuity:
    from spattermap.measure import connection as continuity

    known, image = facts(maps), found.image
    otherwise = None
    if image is not None and image.otherwise is not None:
        otherwise = image.otherwise, "maps" if image.used else "electron image"
    return continuity.describe(
        found.metal,
        pixel_size=known.pixel_size,
        settings=settings,
        measured=known.measured,
        alloy=known.alloy,
        valid=valid_mask(maps) if "valid" in maps else None,
        otherwise=otherwise,
        blur_px=found.blur_px,
    )


def find_roles(maps: xr.Dataset, settings: Settings) -> Roles:
    """Return the roles as stated in the settings or the map set, else inferred."""
    from spattermap.noise.moments import block_moments
    from spattermap.verdict.correlation import infer_roles

    known = facts(maps)
    names = element_names(maps)
    alloy = settings.alloy or tuple(known.alloy) or None
    substrate = settings.substrate or tuple(known.substrate) or None
    if alloy:
        where = "in the settings" if settings.alloy else "with the map set"
        return stated_roles(names, alloy=alloy, substrate=substrate, how=f"stated {where}")
    inferred = infer_roles(block_moments(maps, block_px=settings.block_px))
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
        elements=element_names(maps),
        pixel_size=pixel_size,
    )
    numbers = table["label"].to_numpy(dtype=np.int64)
    table = as_droplets(table, found, numbers, pixel_size=pixel_size)
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
    from spattermap.verdict.physics import unknown_lines

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
    private = unknown_lines(maps) if known.beam_energy_keV is not None else []
    if private:
        notes.append(
            f"The lines of {', '.join(private)} are named in no known way, so interferences and "
            "continuum cannot be worked out for them: name them under [lines] in mapset.toml."
        )
    if blank is None:
        notes.append(NO_BLANK)
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

"""A sweep from its sheet to its folder of results."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from spattermap.core import work as engine
from spattermap.core.errors import InputError, OutputError, printable
from spattermap.core.files import (
    csv_text,
    is_there,
    only_writer,
    opened_again,
    remove_left_behind,
    write_text_atomically,
)
from spattermap.core.progress import step
from spattermap.core.settings import Settings
from spattermap.sweeps.deposit import RECORD, Outcome, SheetTask, work
from spattermap.sweeps.sheet import SheetRow, column_names, read_sheet

if TYPE_CHECKING:
    from distributed import Client

STORE, PAGE, MARK = "deposits", "overview.html", "sweep.json"
_UNSEEN = (
    "The worker wrote its result where this process does not see it ({}). Choose a folder that "
    "every machine has under one name."
)


@dataclass(frozen=True)
class Sweep:
    """Everything found in many deposits.

    Parameters
    ----------
    fields : pandas.DataFrame
        One row a map set, those with an error among them.
    samples : pandas.DataFrame
        One row a sample, its fields combined.
    verdicts : pandas.DataFrame
        One row a sample and element.
    pairs : pandas.DataFrame
        One row a sample and pair of elements.
    effects : pandas.DataFrame
        Rank correlation of process columns with results.
    regression : pandas.DataFrame
        Least-squares effects; empty where there are too few samples, see `regression_note`.
    regression_note : str
        What was fitted, or why nothing was.
    best, outliers, scatter, next_settings, comparisons : pandas.DataFrame
        Best samples by goal; samples far from the others; scatter of repeated settings; settings
        worth trying next; how many fields or samples tell the two best settings apart.
    process, measured : tuple of str
        Names of the process and measured columns.
    folder : pathlib.Path
        Where it was written.
    level : float
        Confidence level of every interval.
    n_skipped : int
        Deposits that were finished already.
    faults : tuple of str
        Tracebacks of errors that are faults of ours.
    """

    fields: pd.DataFrame
    samples: pd.DataFrame
    verdicts: pd.DataFrame
    pairs: pd.DataFrame
    effects: pd.DataFrame
    regression: pd.DataFrame
    regression_note: str
    best: pd.DataFrame
    outliers: pd.DataFrame
    scatter: pd.DataFrame
    next_settings: pd.DataFrame
    comparisons: pd.DataFrame
    process: tuple[str, ...]
    measured: tuple[str, ...]
    folder: Path
    level: float = 0.95
    n_skipped: int = 0
    faults: tuple[str, ...] = ()

    @property
    def n_errors(self) -> int:
        """Map sets that could not be used."""
        return int((self.fields["status"] == "error").sum())

    @property
    def page(self) -> Path:
        """The overview page."""
        return self.folder / PAGE

    def __repr__(self) -> str:
        return (
            f"Sweep of {len(self.fields)} map sets in {len(self.samples)} samples, "
            f"{self.n_errors} with an error; overview in {self.page}"
        )


# Results asked about every setting: few, because every question more makes each answer weaker.
_ASKED = (
    "coverage", "d50_um", "d50_px", "share_haze", "sheet_conductance_ratio", "kept_alloy",
)  # fmt: skip

# File name of each table.
TABLES = {
    "fields": "fields.csv",
    "samples": "samples.csv",
    "verdicts": "verdicts.csv",
    "pairs": "pairs.csv",
    "effects": "effects.csv",
    "regression": "regression.csv",
    "best": "best_settings.csv",
    "outliers": "outliers.csv",
    "scatter": "replicate_scatter.csv",
    "next_settings": "next_settings.csv",
    "comparisons": "comparisons.csv",
}


def sweep(
    sheet: str | Path | Sequence[str | Path],
    *,
    out: str | Path,
    settings: Settings | None = None,
    scheduler: str | Client | None = None,
    workers: int | None = None,
    reports: bool = False,
    progress: Callable[[int, int, str], None] | None = None,
) -> Sweep:
    """Analyse many map sets and say what the settings did.

    Parameters
    ----------
    sheet : str, pathlib.Path or sequence of these
        The sheet (see `read_sheet`), or the paths of the map sets alone.
    out : str or pathlib.Path
        Folder for the results: new, empty, or that of an earlier sweep, whose finished deposits
        are then taken over where nothing about them changed.
    settings : Settings, optional
        Choices of every analysis.
    scheduler : str or distributed.Client, optional
        "processes", "threads", "synchronous", the address of a dask scheduler, or a client. None
        takes the active dask.distributed client if there is one, else local processes. Workers
        read the map sets and write into `out` themselves, so they must see both.
    workers : int, optional
        Number of local workers; None takes the processor's cores.
    reports : bool, optional
        Write the page of each deposit too; it takes several times as long.
    progress : callable, optional
        Called after each map set with the number done, the number of all and a line of text.

    Raises
    ------
    InputFileError, InputError
        If the sheet, the settings or the scheduler cannot be used. A map set that cannot be used
        is a row with its error instead.
    OutputError
        If `out` holds other files, or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from spattermap.synthesis import Deposit, make_deposit, save_folder
    >>> room = Path(tempfile.mkdtemp())
    >>> for number in (1, 2):
    ...     scene = make_deposit(Deposit(shape=(64, 64), electron_image=False), seed=number)
    ...     _ = save_folder(scene, room / f"burst_{number}")
    >>> sheet = [room / "burst_1", room / "burst_2"]
    >>> found = sweep(sheet, out=room / "out", scheduler="synchronous")
    >>> found.samples["sample"].tolist(), found.n_errors
    (['burst_1', 'burst_2'], 0)
    """
    rows = read_sheet(sheet)
    chosen = settings or Settings()
    engine.chosen(scheduler)  # a typing error answers before a folder is made
    new = not is_there(Path(out))
    # A sweep that was killed as it began has the store or the mark, or neither.
    folder = opened_again(Path(out), MARK, STORE, kind="sweep")
    try:
        with only_writer(folder):
            return _swept(rows, _resumed(folder), (chosen, reports), (scheduler, workers), progress)
    except InputError:  # no work was begun: an address that nobody answers, no worker asked for
        if new and not any((folder / STORE).glob("*")):
            shutil.rmtree(folder, ignore_errors=True)
        raise


def _swept(
    rows: Sequence[SheetRow],
    folder: Path,
    options: tuple[Settings, bool],
    where: tuple[str | Client | None, int | None],
    progress: Callable[[int, int, str], None] | None,
) -> Sweep:
    """Do the work of a sweep in a folder that is ours alone."""
    (chosen, reports), (scheduler, workers) = options, where
    store = folder / STORE
    tasks = [SheetTask(row, chosen, store.resolve(), reports) for row in rows]
    outcomes: list[Outcome | None] = [None] * len(rows)
    results = engine.run(
        work, tasks, lost=_lost, scheduler=scheduler, workers=workers, shared=(store,)
    )
    for done, (place, outcome) in enumerate(results, start=1):
        if outcome.unwritable:  # the next ones could not be written either
            raise OutputError(outcome.error)
        if not outcome.error and not (store / outcome.key / RECORD).is_file():
            outcomes[place] = replace(outcome, error=_UNSEEN.format(store / outcome.key))
        else:
            outcomes[place] = outcome
        if progress:
            progress(done, len(rows), _line(rows[place], outcome))
    step("Combining the samples")
    found = summarise(rows, [one for one in outcomes if one], folder=folder, settings=chosen)
    write_tables(found)
    step("Drawing the overview")
    from spattermap.sweeps.overview import overview

    write_text_atomically(found.page, overview(found))
    return found


def _lost(message: str) -> Outcome:
    return Outcome(error=message)


def _line(row: SheetRow, outcome: Outcome) -> str:
    word = "error" if outcome.error else "taken over" if outcome.skipped else "done"
    return printable(f"{row.shown_path}: {word}" + (f" ({outcome.error})" if outcome.error else ""))


def _resumed(folder: Path) -> Path:
    """Make the folder ready for the work, without what a sweep that was killed left half-done."""
    if not (folder / MARK).is_file():
        write_text_atomically(folder / MARK, json.dumps({"kind": "spattermap sweep"}) + "\n")
    try:
        (folder / STORE).mkdir(exist_ok=True)
    except OSError as problem:
        raise OutputError(
            f"{folder} must be writable, got: {problem.strerror}. Choose another folder."
        ) from problem
    for place in (folder, folder / STORE):
        remove_left_behind(place)
    return folder


def summarise(
    rows: Sequence[SheetRow], outcomes: Sequence[Outcome], *, folder: Path, settings: Settings
) -> Sweep:
    """Return the tables of a sweep from its finished deposits."""
    from spattermap.sweeps import advice, effects, sweep_tables
    from spattermap.sweeps.deposit import read_record

    store = folder / STORE
    fields = sweep_tables.fields_table(rows, outcomes, store)
    records = [read_record(store / one.key) for one in outcomes if not one.error]
    process = _names("process", rows, records, fields)
    measured = _names("measured", rows, records, fields)
    samples = sweep_tables.samples_table(fields, [*process, *measured], settings.level)
    verdicts, pairs = sweep_tables.verdict_tables(fields, store, settings)
    names = [(name, name.replace("_um", "_px")) for name in sweep_tables.RESULTS]
    results = [one if one in samples else other for one, other in names]
    results = [name for name in results if name in samples]
    asked = [name for name in results if name in _ASKED]
    looked_at = [*asked, *measured]
    compared = advice.comparisons(samples, fields, process)
    fitted, note = effects.regression(samples, process, asked, level=settings.level)
    return Sweep(
        fields=fields,
        samples=samples,
        verdicts=verdicts,
        pairs=pairs,
        effects=effects.rank_effects(
            samples, process, looked_at, level=settings.level, seed=settings.seed
        ),
        regression=fitted,
        regression_note=note,
        best=advice.best_settings(samples, process),
        outliers=advice.outliers(samples, looked_at),
        scatter=advice.replicate_scatter(samples, process, looked_at),
        next_settings=advice.next_settings(samples, process, compared),
        comparisons=compared,
        process=tuple(process),
        measured=tuple(measured),
        folder=folder,
        level=settings.level,
        n_skipped=sum(one.skipped for one in outcomes),
        faults=tuple(one.fault for one in outcomes if one.fault),
    )


def _names(
    kind: str, rows: Sequence[SheetRow], records: Sequence[dict[str, Any]], fields: pd.DataFrame
) -> list[str]:
    """Return the process or measured columns as the table of fields names them."""
    found = column_names([*(getattr(row, kind) for row in rows), *(r[kind] for r in records)])
    return [f"{kind}_{n}" if f"{kind}_{n}" in fields else n for n in found]


def write_tables(found: Sweep) -> None:
    """Write every table of a sweep into its folder."""
    for name, file in TABLES.items():
        table: pd.DataFrame = getattr(found, name)
        write_text_atomically(found.folder / file, csv_text(table))
    faults = found.folder / "faults.txt"
    if found.faults:
        write_text_atomically(faults, "\n\n".join(found.faults))
    else:
        faults.unlink(missing_ok=True)

"""The command ``spattermap sweep``; imports nothing heavy until it runs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from spattermap.core.settings import Settings

DONE, OUR_FAULT, SOME_INPUT_UNUSABLE = 0, 1, 2


def add_to(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
) -> argparse.ArgumentParser:
    """Add the command to the parser's commands and return its own parser."""
    command = commands.add_parser(
        "sweep",
        help="analyse many map sets listed in a sheet and compare their settings",
        epilog="Exit status: 0 done, 2 some map sets or the sheet cannot be used (the others are "
        "done), 1 a fault of ours.",
    )
    command.add_argument("sheet", type=Path, metavar="SHEET.csv", help="one row a map set")
    command.add_argument(
        "--out", type=Path, required=True, metavar="FOLDER",
        help="where the results go; an earlier sweep in it is taken up again",
    )  # fmt: skip
    command.add_argument(
        "--no-reports", action="store_true", help="leave out the page of each deposit (quicker)"
    )
    command.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="dask scheduler, or processes, threads, synchronous (default: local processes)",
    )
    command.add_argument("--workers", type=int, metavar="N", help="local workers (default: cores)")
    return command


def run(chosen: argparse.Namespace, settings: Settings) -> int:
    """Run the command."""
    from spattermap.show.progressing import progress
    from spattermap.sweeps.run import sweep

    clear = "\r\x1b[K" if sys.stderr.isatty() else ""  # the line on which steps are named

    def tell(done: int, of: int, line: str) -> None:
        print(f"{clear}{done}/{of} {line}", file=sys.stderr, flush=True)

    with progress():
        found = sweep(
            chosen.sheet,
            out=chosen.out,
            settings=settings,
            scheduler=chosen.scheduler,
            workers=chosen.workers,
            reports=not chosen.no_reports,
            progress=tell,
        )
    print(found.page)
    if found.faults:
        print(f"spattermap: {len(found.faults)} faults of ours, see faults.txt.", file=sys.stderr)
        return OUR_FAULT
    if found.n_errors:
        print(
            f"spattermap: {found.n_errors} of {len(found.fields)} map sets could not be used; "
            "their errors stand in fields.csv.",
            file=sys.stderr,
        )
        return SOME_INPUT_UNUSABLE
    return DONE

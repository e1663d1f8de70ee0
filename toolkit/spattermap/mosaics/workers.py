"""Where the parts of a mosaic are worked on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from spattermap.errors import SpattermapError
from spattermap.mosaics.pixels import Task

if TYPE_CHECKING:
    from distributed import Client

LOST = "A worker was lost with a part of the mosaic: {}"


@dataclass(frozen=True)
class Workers:
    """Where the parts are worked on.

    Parameters
    ----------
    scheduler : str, distributed.Client or None
        As in `spattermap.sweep`; None takes an active client, else threads.
    workers : int or None
        Number of local workers; each holds one part in memory.
    """

    scheduler: str | Client | None = None
    workers: int | None = None

    def run(self, function: Callable[[Task], Any], tasks: Sequence[Task]) -> list[Any]:
        """Return the result of every task, in order."""
        from spattermap.sweeps.engine import chosen, run

        where = chosen(self.scheduler)
        if self.scheduler is None and where == "processes":
            # The loops release the interpreter, and a part is large to send to a process.
            where = "synchronous" if self.workers == 1 else "threads"
        results: list[Any] = [None] * len(tasks)
        for place, result in run(
            function, tasks, lost=_lost, scheduler=where, workers=self.workers
        ):
            results[place] = result
        return results


def _lost(sentence: str) -> Any:
    raise SpattermapError(LOST.format(sentence))

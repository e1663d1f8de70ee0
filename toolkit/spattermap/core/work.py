"""Where the work of a sweep runs: local processes, or the dask cluster the user has.

This module imports no numerical library, so that a worker process can be told how many threads to
use before one is loaded.

Where the parts of a mosaic are worked on.
"""

from __future__ import annotations

import contextlib
import functools
import logging
import multiprocessing
import os
import sys
import threading
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from spattermap import __version__
from spattermap.core.errors import ClusterError, InputError, SpattermapError, SpattermapWarning
from spattermap.core.progress import pulse

if TYPE_CHECKING:
    from multiprocessing.process import BaseProcess

    from distributed import Client

In = TypeVar("In")
Out = TypeVar("Out")

LOCAL = ("processes", "threads", "synchronous")
# A task that has seen this many workers die is taken to kill them itself.
MOST_DEATHS = 3
_OTHER_VERSION = (
    "workers of a cluster must have Spattermap {}, got {} with {}. Install the same version there."
)
LOST = (
    "The worker process died {times} times on this map set; most often it needed more memory than "
    "there is. Use fewer workers (--workers 1), or cut the map set."
)


def run(
    function: Callable[..., Out],
    tasks: Sequence[In],
    *,
    lost: Callable[[str], Out],
    scheduler: str | Client | None = None,
    workers: int | None = None,
    shared: Sequence[Path] = (),
    common: Any = None,
    kept: KeptPool | None = None,
) -> Iterator[tuple[int, Out]]:
    """Run a function over tasks and yield results as they come.

    What is `common` to all tasks is its first argument, and goes to each worker of a cluster once.
    """
    where = chosen(scheduler)
    if not tasks:
        return
    if where not in LOCAL:
        yield from _on_cluster(function, tasks, lost, (where, shared, common))
        return
    if common is not None:
        function = functools.partial(function, common)
    if where == "synchronous":
        for place, task in enumerate(tasks):
            pulse()
            yield place, function(task)
    elif where == "threads":
        with ThreadPoolExecutor(_cores(workers)) as pool:
            futures = {pool.submit(function, task): place for place, task in enumerate(tasks)}
            for future in _as_completed(set(futures)):
                yield futures[future], future.result()
    else:
        yield from _in_processes(function, tasks, lost, _cores(workers), kept)


def chosen(scheduler: str | Client | None) -> Any:
    """Return one of `LOCAL`, an address or a client."""
    if scheduler is not None and not isinstance(scheduler, str):
        return scheduler
    if scheduler is None:
        if "distributed" in sys.modules:  # else nobody can have made a client
            from distributed import get_client

            with contextlib.suppress(ValueError):
                return get_client()
        import dask

        named = dask.config.get("scheduler", None)
        return named if named in LOCAL else "processes"
    if scheduler not in LOCAL and ":" not in scheduler:
        raise InputError(
            f"scheduler must be one of {', '.join(LOCAL)} or an address such as "
            f"tcp://host:8786, got {scheduler!r}. Leave it out to use local processes."
        )
    return scheduler


def _cores(workers: int | None) -> int:
    if workers is not None:
        if workers < 1:
            raise InputError(f"workers must be at least 1, got {workers!r}. Leave it out.")
        return workers
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def _as_completed(waiting: set[Future[Any]]) -> Iterator[Future[Any]]:
    while waiting:
        done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
        yield from done


def start_worker() -> None:
    """Prepare a worker process.

    It uses one thread, for as many workers as cores already use the machine, and ends with its
    driver: a worker whose driver was killed would else wait for work for ever.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
        os.environ[name] = "1"
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)  # results appear in one step, so nothing half-done is left


def _in_processes(
    function: Callable[[In], Out],
    tasks: Sequence[In],
    lost: Callable[[str], Out],
    workers: int,
    kept: KeptPool | None,
) -> Iterator[tuple[int, Out]]:
    """Run on local processes; the tasks of a process that died are tried again.

    No more tasks are handed out than there are processes, so that only those under way fall with
    a process. A task that saw two deaths goes on alone, so that it can blame no other.
    """
    deaths = dict.fromkeys(range(len(tasks)), 0)
    together, alone = deque(range(len(tasks))), deque[int]()
    while together or alone:
        source = together or alone
        fallen: list[int] = []
        size = min(workers, len(source)) if source is together else 1
        lent = contextlib.nullcontext(kept.lent(workers)) if kept and source is together else None
        with lent or _pool(size) as pool:
            for place, result in _until_broken(pool, function, (tasks, source, size), fallen):
                yield place, result
        if kept and (fallen or together):  # these processes are broken
            kept.close()
        for place in fallen:
            deaths[place] += 1
            if deaths[place] >= MOST_DEATHS:
                yield place, lost(LOST.format(times=MOST_DEATHS))
            else:
                (together if deaths[place] < MOST_DEATHS - 1 else alone).append(place)


def _until_broken(
    pool: ProcessPoolExecutor,
    function: Callable[[In], Out],
    work: tuple[Sequence[In], deque[int], int],
    fallen: list[int],
) -> Iterator[tuple[int, Out]]:
    """Yield results until the work is done or a process dies; then list what fell with it."""
    tasks, source, size = work
    under_way: dict[Future[Out], int] = {}
    while source or under_way:
        while source and len(under_way) < size:
            place = source.popleft()
            try:
                under_way[pool.submit(function, tasks[place])] = place
            except BrokenProcessPool:
                source.appendleft(place)  # it never started
                break
        if not under_way:
            return
        done, _ = wait(under_way, return_when=FIRST_COMPLETED)
        for future in done:
            place = under_way.pop(future)
            try:
                result = future.result()
            except BrokenProcessPool:
                fallen.append(place)
                continue
            yield place, result
        if fallen:
            fallen += under_way.values()
            return


def _pool(workers: int) -> ProcessPoolExecutor:
    # A fresh interpreter each: forking a process that runs threads can hang it.
    return ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=start_worker
    )


class KeptPool(contextlib.AbstractContextManager["KeptPool"]):
    """Local processes that several calls of `run` share, because each takes seconds to start."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None

    def lent(self, workers: int) -> ProcessPoolExecutor:
        """Return the processes, started where there are none."""
        self._pool = self._pool or _pool(workers)
        return self._pool

    def close(self) -> None:
        """End the processes, as when one of them broke."""
        if self._pool:
            self._pool.shutdown()
        self._pool = None

    def __exit__(self, *_: object) -> None:
        self.close()


def _on_cluster(
    function: Callable[..., Out],
    tasks: Sequence[In],
    lost: Callable[[str], Out],
    cluster: tuple[str | Client, Sequence[Path], Any],
) -> Iterator[tuple[int, Out]]:
    """Run on a dask.distributed cluster, which itself repeats the tasks of a lost worker."""
    from distributed import as_completed

    where, shared, common = cluster
    own = isinstance(where, str)
    client: Client = _connected(where) if isinstance(where, str) else where
    futures: dict[Any, int] = {}
    left = len(tasks)
    log = logging.getLogger("distributed.client")
    level = log.level
    if own:  # of a scheduler that is lost, one sentence of ours tells, not thirty lines of its log
        log.setLevel(logging.CRITICAL)
    try:
        with _said_of_cluster(client, lambda: left):
            _refuse_unfit(client, shared)
            # A task of its own, so that it is made again should the worker that holds it be lost.
            held = () if common is None else (client.submit(_same, common, pure=False),)
            for place, task in enumerate(tasks):
                sent = client.submit(_at_worker, function, task, __version__, *held, pure=False)
                futures[sent] = place
            # On the client's own loop: no default client is set that it could be looked up from.
            for future in as_completed(list(futures), loop=client.loop):  # type: ignore[no-untyped-call]
                result = _result_of(future, lost)
                left -= 1
                yield futures.pop(future), result
                future.release()
    finally:
        with contextlib.suppress(Exception):  # the scheduler may be gone
            client.cancel(list(futures), reason="no longer needed")  # type: ignore[no-untyped-call]
        if own:
            with contextlib.suppress(Exception):
                client.close(timeout=5)  # type: ignore[no-untyped-call]
        log.setLevel(level)


def _same(common: In) -> In:
    return common


def _at_worker(function: Callable[..., Out], task: Any, version: str, *common: Any) -> Out:
    """Do a task at a worker of the same version; workers may join while the work goes on."""
    if version != __version__:
        raise ClusterError(_OTHER_VERSION.format(version, "a worker", __version__))
    return function(*common, task)


def _fitness(shared: Sequence[str]) -> tuple[str, list[str]]:
    """Return a worker's version, and the folders it does not see."""
    return __version__, [name for name in shared if not Path(name).is_dir()]


def _result_of(future: Any, lost: Callable[[str], Out]) -> Out:
    from distributed.scheduler import KilledWorker

    if future.status in ("cancelled", "lost"):
        raise _SchedulerLostError
    try:
        result: Out = future.result()
    except KilledWorker:
        return lost(LOST.format(times="several"))
    return result


class _SchedulerLostError(Exception):
    """The futures are gone, and with them the scheduler that kept them."""


@contextlib.contextmanager
def _said_of_cluster(client: Client, left: Callable[[], int]) -> Iterator[None]:
    """Turn the many errors of a lost connection into one sentence."""
    from asyncio import CancelledError

    from distributed.comm.core import CommClosedError

    try:
        yield
    except SpattermapError:
        raise
    except (CancelledError, CommClosedError, TimeoutError, _SchedulerLostError) as problem:
        address = getattr(client.scheduler, "addr", None) or "the cluster"
        raise ClusterError(
            f"scheduler must stay reachable until the work is done, got {address} lost with "
            f"{left()} tasks undone. Start it again and repeat the command: what was "
            "finished is taken over."
        ) from problem


def _refuse_unfit(client: Client, shared: Sequence[Path]) -> None:
    """Refuse workers of another version or without our folders, before work is sent to them."""
    answers: dict[str, Any] = client.run(
        _fitness, [str(folder.resolve()) for folder in shared], on_error="return"
    )
    if not answers:
        warnings.warn(
            "the scheduler has no workers yet: the work begins when one joins",
            SpattermapWarning,
            stacklevel=2,
        )
    for worker, answer in sorted(answers.items()):
        if isinstance(answer, Exception):
            found = f"none that can be imported ({' '.join(str(answer).split())})"
            raise ClusterError(_OTHER_VERSION.format(__version__, worker, found))
        found, unseen = answer
        if found != __version__:
            raise ClusterError(_OTHER_VERSION.format(__version__, worker, found))
        if unseen:
            raise ClusterError(
                f"workers of a cluster must see the folders of the work, got {worker}, which does "
                f"not see {unseen[0]}. Choose a folder that every machine has under one name."
            )


def _connected(address: str) -> Client:
    from distributed import Client

    try:
        return Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as problem:
        raise InputError(
            f"scheduler must be the address of a running dask scheduler, got {address!r}: "
            f"{' '.join(str(problem).split())}. Start it with 'dask scheduler', or leave the "
            "address out."
        ) from problem


WORKER_LOST = "A worker was lost with a part of the mosaic: {}"


@dataclass(frozen=True)
class Workers:
    """Where the parts are worked on."""

    # as in `spattermap.sweep`; None takes an active client, else threads
    scheduler: str | Client | None = None
    workers: int | None = None  # number of local workers; each holds one part in memory
    # folders that the workers of a cluster must see under the same names
    shared: tuple[Path, ...] = ()

    def run(
        self, function: Callable[..., Out], tasks: Sequence[In], *, common: Any = None
    ) -> list[Out]:
        """Return the result of every task, in order."""
        where = chosen(self.scheduler)
        if self.scheduler is None and where == "processes":
            # The loops release the interpreter, and a part is large to send to a process.
            where = "synchronous" if self.workers == 1 else "threads"
        results: list[Any] = [None] * len(tasks)
        for place, result in run(
            function,
            tasks,
            lost=_lost,
            scheduler=where,
            workers=self.workers,
            shared=self.shared,
            common=common,
        ):
            results[place] = result
        return results


def _lost(sentence: str) -> Any:
    raise ClusterError(WORKER_LOST.format(sentence))

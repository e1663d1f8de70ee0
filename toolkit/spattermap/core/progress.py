"""Signs of life: the name of the step that is worked on, told to whoever asked for it.

Who waits no longer may end the work: what it tells is asked again between the passes and in loops.

Examples
--------
>>> with told(print):
...     step("Reading the maps")
Reading the maps
>>> step("nobody listens")
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_listener: ContextVar[Callable[[str], None] | None] = ContextVar("listener", default=None)
_end: ContextVar[Callable[[], None] | None] = ContextVar("end", default=None)


def step(name: str) -> None:
    """Tell the name of the step that begins, where somebody listens."""
    tell = _listener.get()
    if tell is not None:
        tell(name)


def is_told() -> bool:
    """Return whether somebody listens."""
    return _listener.get() is not None


def pulse() -> None:
    """Let whoever waits end the work here, by an exception."""
    end = _end.get()
    if end is not None:
        end()


@contextmanager
def stoppable(end: Callable[[], None]) -> Iterator[None]:
    """Have a function called at every pulse of the block: it raises what ends the work."""
    before = _end.set(end)
    try:
        yield
    finally:
        _end.reset(before)


@contextmanager
def told(tell: Callable[[str], None]) -> Iterator[None]:
    """Have the names of steps told while the block runs."""
    before = _listener.set(tell)
    try:
        yield
    finally:
        _listener.reset(before)

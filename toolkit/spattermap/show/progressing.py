"""Where the names of steps appear: on a terminal's last line, or below a notebook's cell."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from spattermap.core.progress import is_told, told


@contextmanager
def progress() -> Iterator[None]:
    """Show the name of the step that is worked on while the block runs; nothing stays behind.

    In a terminal on its last line, in a notebook below the cell; nowhere where output goes to a
    file, or where an outer block shows it already.

    Examples
    --------
    >>> import spattermap
    >>> from spattermap.show import progress
    >>> from spattermap.synthesis import Deposit, make_deposit
    >>> maps = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1).maps
    >>> with progress():
    ...     analysis = spattermap.analyse(maps)
    """
    if is_told():
        yield
        return
    tell, end = _notebook() or (_on_terminal() if sys.stderr.isatty() else (None, None))
    if tell is None or end is None:
        yield
        return
    try:
        with told(tell):
            yield
    finally:
        end()


def _on_terminal() -> tuple[Callable[[str], None], Callable[[], None]]:
    begun = time.monotonic()

    def tell(name: str) -> None:
        seconds = time.monotonic() - begun
        print(f"\r\x1b[K{seconds:4.0f} s  {name} ...", end="", file=sys.stderr, flush=True)

    return tell, lambda: print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _notebook() -> tuple[Callable[[str], None], Callable[[], None]] | None:
    """Return how to tell and how to end below a notebook's cell; None outside of notebooks."""
    if "ipykernel" not in sys.modules:
        return None
    from IPython.core.getipython import get_ipython
    from IPython.display import HTML, clear_output, display

    shell: Any = get_ipython()
    if getattr(shell, "kernel", None) is None:
        return None

    def tell(name: str) -> None:
        clear_output(wait=True)  # type: ignore[no-untyped-call]
        display(HTML(f"<p>{name} …</p>"))  # type: ignore[no-untyped-call]

    return tell, clear_output

"""A hands-on view for notebooks: turn a knob, see outlines, sizes and headline numbers follow.

A change is answered at once by a draft, the first outlines on maps summed over small squares. When
the knobs rest, the full answer is worked on beside it, and given up when a knob turns again.
Everything works from plain Python too: `Panel.change` and `Panel.keep` need no browser.
"""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from spattermap.analysis import find_roles
from spattermap.core import progress
from spattermap.core.errors import InputError, SpattermapError
from spattermap.core.files import write_text_atomically
from spattermap.core.mapset import element_names, facts, unit_name, validate
from spattermap.core.settings import Settings
from spattermap.panel.drawing import (
    base_json,
    before_mark,
    field_widget_class,
    found_json,
    numbers_html,
)
from spattermap.panel.view import View, coarse, look

if TYPE_CHECKING:
    from collections.abc import Callable

    from spattermap.core.mapset import Roles

__all__ = ["Panel", "View", "coarse", "look", "tune"]

# A second change within this time (s) makes the full answer to the first one pointless.
SETTLING_TIME = 0.3


class _GivenUpError(Exception):
    """A knob turned while the full answer to the last turn was worked on."""


class Panel:
    """The hands-on view of one map set.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    settings : Settings, optional
        Where the knobs start.
    keep_as : str or pathlib.Path, optional
        File that `keep` writes.

    Attributes
    ----------
    settings : Settings
        The present choice.
    view : View
        What it gives.
    """

    def __init__(
        self,
        maps: xr.Dataset,
        *,
        settings: Settings | None = None,
        keep_as: str | Path = "settings.toml",
    ) -> None:
        self.maps = validate(maps)
        self.settings = settings or Settings()
        self.keep_as = Path(keep_as)
        self._roles = find_roles(maps, self.settings)
        self._small = coarse(maps)
        # What no knob changes, by scale and roles.
        self._begun: dict[Any, Any] = {}
        self._beside = ThreadPoolExecutor(1, thread_name_prefix="panel")
        self._given_up = threading.Event()  # of the full answer under way
        self._pending: asyncio.TimerHandle | None = None
        self._widgets: dict[str, Any] = {}
        self._problem = ""
        self._held = False  # several knobs are turned: one answer follows
        self._began, self._began_with = self.settings, tuple(self._roles.alloy)
        self.view = self._look(self.settings, self._roles)
        self._before = before_mark(self.view.segmentation.labels)

    def change(self, **changes: Any) -> View:
        """Change settings and return the full view.

        Parameters
        ----------
        **changes
            Names and values of `Settings`.

        Raises
        ------
        InputError
            If a name or value is not allowed; nothing changes then.
        """
        self._take(changes)
        self.view = self._look(self.settings, self._roles)
        return self.view

    def keep(self) -> Path:
        """Write the present settings to the file that the notebook and the command accept.

        Raises
        ------
        OutputError
            If the file cannot be written.
        """
        write_text_atomically(self.keep_as, self.settings.to_toml())
        return self.keep_as

    def _take(self, changes: dict[str, Any]) -> None:
        wanted = self.settings.with_changes(**changes)
        roles = find_roles(self.maps, wanted)
        self.settings, self._roles = wanted, roles

    def _look(self, settings: Settings, roles: Roles, *, draft: bool = False) -> View:
        from spattermap.segment.engine import begin

        maps, scale = self._small if draft else (self.maps, 1)
        which = (scale, roles.alloy, roles.substrate)
        if which not in self._begun:
            self._begun[which] = begin(maps, roles, settings=settings)
        begun = self._begun[which]
        return look(maps, roles, settings=settings, scale=scale, begun=begun, draft=draft)

    @property
    def widget(self) -> Any:
        """The widgets, made on first use."""
        if not self._widgets:
            self._widgets = _widgets(self)
            self._show()
            self._look(self.settings, self._roles, draft=True)  # begins what the first turn needs
        return self._widgets["whole"]

    def show(self) -> None:
        """Show the panel below the present cell."""
        from IPython.display import display

        display(self.widget)  # type: ignore[no-untyped-call]

    def _ipython_display_(self) -> None:
        self.show()

    def _turned(self, change: dict[str, Any], name: str) -> None:
        value = change["new"]
        if name == "smallest_droplet":
            value = value or None  # the left end of the slider: derived from the noise
        if value is not None:
            value = float(f"{value:.4g}")  # a slider's steps leave digits that nobody chose
        self._answer({name: value})

    def _chosen(self, change: dict[str, Any]) -> None:
        self._answer({"alloy": tuple(change["new"]) or None})

    def _answer(self, changes: dict[str, Any]) -> None:
        """Answer by a draft at once, fully when the knobs have come to rest."""
        if self._held:
            return
        try:
            self._take(changes)
        except SpattermapError as problem:
            self._problem = str(problem)
            self._say(self._problem)
            return
        self._problem = ""
        self._given_up.set()
        if self._pending is not None:
            self._pending.cancel()
            self._pending = None
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # no notebook: nobody waits, so answer in full
            self.view = self._look(self.settings, self._roles)
            self._show()
            return
        # Until this returns, the front end holds what is turned back, and then sends the last.
        self.view = self._look(self.settings, self._roles, draft=True)
        self._show()
        self._pending = loop.call_later(SETTLING_TIME, self._begin_full, loop)

    def _begin_full(self, loop: asyncio.AbstractEventLoop) -> None:
        """Work on the full answer in a thread: the next turn of a knob is heard meanwhile."""
        self._pending = None
        given_up = self._given_up = threading.Event()

        def arrived(done: Future[View]) -> None:
            loop.call_soon_threadsafe(self._arrived, done, given_up)

        def tell(step: str) -> None:
            loop.call_soon_threadsafe(self._say_unless, given_up, f"{step} …")

        work = self._beside.submit(self._full, self.settings, self._roles, given_up, tell)
        work.add_done_callback(arrived)

    def _full(
        self,
        settings: Settings,
        roles: Roles,
        given_up: threading.Event,
        tell: Callable[[str], None],
    ) -> View:
        def end() -> None:
            if given_up.is_set():
                raise _GivenUpError

        with progress.told(tell), progress.stoppable(end):
            return self._look(settings, roles)

    def _arrived(self, done: Future[View], given_up: threading.Event) -> None:
        problem = done.exception()
        if given_up.is_set() or isinstance(problem, _GivenUpError):
            return
        if problem is not None:
            self._say(f"The full answer failed: {problem}")
            return
        self.view = done.result()
        self._show()

    def _say_unless(self, given_up: threading.Event, words: str) -> None:
        if not given_up.is_set():
            self._say(words)

    def _say(self, words: str) -> None:
        if self._widgets:
            self._widgets["status"].value = f'<span role="status">{escape(words)}</span>'

    def _show(self) -> None:
        if not self._widgets:
            return
        view, roles = self.view, self._roles
        maps = self._small[0] if view.draft else self.maps
        if not self._problem:
            self._say("A draft; the full answer follows." if view.draft else "Full maps.")
        self._widgets["field"].found = found_json(maps, roles, view, before=self._before)
        self._widgets["numbers"].value = numbers_html(maps, view)

    def _reset(self, _button: Any) -> None:
        """Put the knobs back to where they started, and answer once."""
        names = ("metal_sensitivity", "smallest_droplet", "split_strength", "alloy")
        began = {name: getattr(self._began, name) for name in names}
        self._held = True
        for name in names[:3]:
            self._widgets[name].value = began[name] or 0.0
        self._widgets["alloy"].value = self._began_with
        self._held = False
        self._answer(began)

    def _kept(self, _button: Any) -> None:
        try:
            self._say(f"Kept in {self.keep().name}.")
        except SpattermapError as problem:
            self._say(str(problem))


def tune(
    maps: xr.Dataset, *, settings: Settings | None = None, keep_as: str | Path = "settings.toml"
) -> Panel:
    """Return the hands-on view of a map set; as the last line of a cell it shows itself.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set.
    settings : Settings, optional
        Where the knobs start.
    keep_as : str or pathlib.Path, optional
        File for the settings that are kept.

    Raises
    ------
    InputError, InputTypeError
        If the maps cannot be used.

    Examples
    --------
    >>> from spattermap.synthesis import Deposit, make_deposit
    >>> maps = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1).maps
    >>> panel = tune(maps)
    >>> panel.change(split_strength=1.5).scale
    1
    >>> panel.settings.split_strength
    1.5
    """
    return Panel(maps, settings=settings, keep_as=keep_as)


def _widgets(panel: Panel) -> dict[str, Any]:
    """Return the widgets, wired to the panel."""
    try:
        import anywidget  # noqa: F401
        import ipywidgets
    except ImportError as problem:
        raise InputError(
            f"the panel must have ipywidgets and anywidget, got no {problem.name}. Install it, "
            "or use Panel.change(...) from Python."
        ) from None

    names = element_names(panel.maps)
    known = facts(panel.maps)
    largest = float(panel.view.droplets["diameter_um"].max()) if len(panel.view.droplets) else 0.0
    least = panel.view.segmentation.smallest_trusted_px * known.pixel_size
    largest = float(np.ceil(max(largest, 4 * least, 4 * known.pixel_size)))
    unit = unit_name(known.length_unit)
    wide = {"description_width": "12.5em"}
    layout = ipywidgets.Layout(width="27em")
    sliders = {
        "metal_sensitivity": (-6.0, 6.0, 0.25, "Metal sensitivity"),
        "smallest_droplet": (0.0, largest, largest / 200, f"Smallest ({unit}, 0: auto)"),
        "split_strength": (0.0, 3.0, 0.1, "Split strength"),
    }
    knobs = {}
    for name, (low, high, step, label) in sliders.items():
        knob = ipywidgets.FloatSlider(
            value=getattr(panel.settings, name) or 0.0, min=low, max=high, step=step,
            description=label, continuous_update=False, style=wide, layout=layout,
            readout_format=".2f",
        )  # fmt: skip
        knob.observe(lambda change, name=name: panel._turned(change, name), names="value")
        knobs[name] = knob
    alloy = ipywidgets.SelectMultiple(
        options=names, value=list(panel._roles.alloy), rows=min(len(names), 6),
        description="Metal elements", style=wide, layout=layout,
    )  # fmt: skip
    alloy.observe(panel._chosen, names="value")
    keep = ipywidgets.Button(description="Keep these settings", layout={"width": "13em"})
    keep.on_click(panel._kept)
    reset = ipywidgets.Button(description="Back to the start", layout={"width": "13em"})
    reset.on_click(panel._reset)
    shown = {name: ipywidgets.HTML() for name in ("numbers", "status")}
    buttons = ipywidgets.HBox([keep, reset])
    left = ipywidgets.VBox(
        [alloy, *knobs.values(), buttons, shown["status"], shown["numbers"]],
        layout={"flex": "0 0 auto"},
    )
    field = field_widget_class()(
        base=base_json(panel.maps, panel._roles, panel.view),
        found=found_json(panel.maps, panel._roles, panel.view, before=panel._before),
    )
    right = ipywidgets.VBox([field], layout={"flex": "1 1 34em", "min_width": "20em"})
    whole = ipywidgets.HBox([left, right], layout={"flex_flow": "row wrap"})
    more = {"alloy": alloy, "keep": keep, "reset": reset, "field": field, "whole": whole}
    return {**shown, **knobs, **more}

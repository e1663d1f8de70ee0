"""Spattermap: element maps of metal deposits turned into answers with their uncertainty.

Examples
--------
>>> import tempfile
>>> import spattermap
>>> from spattermap.synthesis import Deposit, make_deposit, save_folder
>>> scene = make_deposit(Deposit(shape=(96, 128), electron_image=False), seed=1)
>>> folder = save_folder(scene, tempfile.mkdtemp())  # yours holds what the microscope exports
>>> analysis = spattermap.analyse(spattermap.load(folder))
>>> analysis.elements.set_index("element")["verdict"].to_dict()
{'Cu': 'with_alloy', 'O': 'substrate', 'Si': 'substrate', 'Zn': 'with_alloy'}
>>> analysis.answers[1].answer  # doctest: +ELLIPSIS
'... % (... to ... %) is covered; half of the droplets are smaller than ...'
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from spattermap.core.presenter import present_by

__version__ = "0.1.0"

# Public names are imported on first use, so that the command line starts at once.
_HOMES = {
    "Analysis": "spattermap.analysis",
    "analyse": "spattermap.analysis",
    "Examination": "spattermap.examine",
    "examine": "spattermap.examine",
    "Settings": "spattermap.core.settings",
    "SpattermapError": "spattermap.core.errors",
    "from_signal": "spattermap.loaders",
    "load": "spattermap.loaders",
    "load_blank": "spattermap.loaders",
    "make_map_set": "spattermap.core.mapset",
    "plan": "spattermap.plan.planning",
    "sweep": "spattermap.sweeps",
}

__all__ = [
    "Analysis",
    "Examination",
    "Settings",
    "SpattermapError",
    "__version__",
    "analyse",
    "examine",
    "from_signal",
    "load",
    "load_blank",
    "make_map_set",
    "plan",
    "sweep",
]

if TYPE_CHECKING:
    from spattermap.analysis import Analysis as Analysis
    from spattermap.analysis import analyse as analyse
    from spattermap.core.errors import SpattermapError as SpattermapError
    from spattermap.core.mapset import make_map_set as make_map_set
    from spattermap.core.settings import Settings as Settings
    from spattermap.examine import Examination as Examination
    from spattermap.examine import examine as examine
    from spattermap.loaders import from_signal as from_signal
    from spattermap.loaders import load as load
    from spattermap.loaders import load_blank as load_blank
    from spattermap.plan.planning import plan as plan
    from spattermap.sweeps import sweep as sweep


# The root knows every room, so it alone tells results who shows them.
present_by(lambda: importlib.import_module("spattermap.show.presenting"))


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'spattermap' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)

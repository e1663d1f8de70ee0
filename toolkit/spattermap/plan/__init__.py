"""Before the microscope: what to measure, at which energy, for how long.

`spattermap.plan` takes what is known of a deposit, the questions with their stakes and what can be
chosen, screens all choices by closed forms, and tries the best on made fields through the very
`examine` and `analyse` that the real maps will go through.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spattermap.plan.choices import Choice, Choices, Known, known_from
    from spattermap.plan.planning import Plan, plan
    from spattermap.plan.questions import Question
    from spattermap.plan.screening import samples_to_tell

__all__ = ["Choice", "Choices", "Known", "Plan", "Question", "known_from", "plan",
           "samples_to_tell"]  # fmt: skip

# Imported on first use: the command line comes through here and must start at once.
_HOMES = {
    "Choice": "choices", "Choices": "choices", "Known": "choices", "known_from": "choices",
    "Plan": "planning", "plan": "planning", "Question": "questions",
    "samples_to_tell": "screening",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'spattermap.plan' has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)


class _CallableRoom(ModuleType):
    """The room under its public name: ``spattermap.plan(...)`` is `planning.plan`."""

    def __call__(self, *args: Any, **options: Any) -> Plan:
        from spattermap.plan.planning import plan as call

        return call(*args, **options)


# A package and a function cannot share a name in their parent, and both names are wanted.
sys.modules[__name__].__class__ = _CallableRoom

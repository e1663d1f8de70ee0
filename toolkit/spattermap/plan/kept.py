"""Made fields that are done, kept in one file, so that a plan goes on where it was left."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, astuple
from pathlib import Path

from spattermap import __version__
from spattermap.core.files import write_text_atomically
from spattermap.plan.questions import Question
from spattermap.plan.trials import Sample, Trial

FILE = "made_fields.json"


class Kept:
    """What made fields said, by all that they depend on; without a file, in memory only."""

    def __init__(self, file: Path | None = None) -> None:
        self.file = file
        self.held: dict[str, dict[str, list[float | str] | None]] = {}
        if file is not None and file.is_file():
            # What cannot be read is made anew: nothing but made fields is lost.
            with contextlib.suppress(OSError, ValueError):
                self.held = json.loads(file.read_text(encoding="utf-8"))

    def of(self, task: Trial) -> dict[Question, Sample] | None:
        """Return what a field said of all its questions, or None where it has to be made."""
        held = self.held.get(_key(task), {})
        if not all(_name(question) in held for question in task.questions):
            return None
        found = {question: held[_name(question)] for question in task.questions}
        return {question: Sample(*said) for question, said in found.items() if said is not None}  # type: ignore[arg-type]

    def put(self, task: Trial, samples: Mapping[Question, Sample]) -> None:
        """Keep what a field said, and that it said nothing of the other questions."""
        held = self.held.setdefault(_key(task), {})
        for question in task.questions:
            one = samples.get(question)
            held[_name(question)] = None if one is None else list(astuple(one))
        self.write()

    def write(self) -> None:
        """Write the file, whole."""
        if self.file is not None:
            write_text_atomically(self.file, json.dumps(self.held))


def _name(question: Question) -> str:
    return f"{question.kind} {question.element} {question.stake!r}"


def _key(task: Trial) -> str:
    """Return a hash of what a made field depends on; the weights and who stated what are not."""
    known = asdict(task.known)
    for name in ("assumed", "unlike"):
        known.pop(name)
    facts = (__version__, known, asdict(task.choice), task.world.name, task.seed, task.side_px)
    text = json.dumps(facts, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]

"""From questions and choices to the plan: screen, try, decide, say."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from spattermap.core.errors import InputError
from spattermap.core.estimate import figures
from spattermap.core.work import KeptPool, run
from spattermap.examine.counted import MOST_DISPERSION
from spattermap.plan.choices import (
    LARGEST_TRIED_PX,
    TYPICAL,
    Choice,
    Choices,
    Known,
    all_choices,
    blur_um,
    choose_lines,
    smallest_composition_um,
)
from spattermap.plan.kept import Kept
from spattermap.plan.questions import Question
from spattermap.plan.screening import rate_at, rates_of, screened
from spattermap.plan.trials import Rate, Sample, Trial, rate_of, try_field, worlds_of
from spattermap.show.wording import listing

MOST_WRONG = 0.05  # a question answered wrongly more often is not to be relied on
SURE = 0.9  # a question decided this often counts as decided
MOST_CANDIDATES = 3
CLOSE = 0.25  # candidates this much behind in the screening are not tried
# A wrong answer weighs as much as this many that are left open; a choice, no source.
WRONG_WEIGHT = 5.0
SPARE = (0.5, 0.2, 0.1)  # parts of the time that the screening looks at beside the whole
# Other lengths of time at which the best choice is tried: less for what is decided, more for what
# is open, with this part of the made fields.
SHORTER, LONGER = 1 / 3, 3.0
LADDER_PART = 0.25
MINUTES_SPAN = (0.1, 10.0)
MADE_FIELDS = 60
# The map set was judged at its own counts; from so many times as many its structure matters anew.
MORE_COUNTS = 2.0
LEAST_TRIED = 4  # made fields from which another time may be advised
FEW = 20  # made fields below which a rate is told as a count, not in a hundred


@dataclass(frozen=True, repr=False)
class Plan:
    """What to measure, with the rates it promises.

    Parameters
    ----------
    known : Known
        What was known or assumed.
    questions : tuple of Question
        What was asked.
    choices : Choices
        What could be chosen.
    best : Choice
        The best of them.
    promises : pandas.DataFrame
        One row a question: question, topic, decided, decided_low, decided_high, wrong, wrong_low,
        wrong_high (parts of all cases), n_made (made fields, or pairs), screened (what counting
        alone allows), verdict ("decided", "open"), needs (what it would take).
    curves : pandas.DataFrame
        One row a question, beam energy and time: topic, beam_energy_keV, minutes, decided, wrong
        (NaN for closed forms), n_made, source ("closed form", "made fields", or "parts" of them,
        by which the choices were ranked).
    lines : pandas.DataFrame
        One row a beam energy and element: line, counts a pixel, overlaps.
    trusted : dict of float to float
        Smallest droplet to trust in composition (um) by beam energy (keV).
    refused : tuple of str
        What cannot be chosen and why.
    n_made : int
        Made fields in all.
    seed : int
        Seed of the first.
    """

    known: Known
    questions: tuple[Question, ...]
    choices: Choices
    best: Choice
    promises: pd.DataFrame
    curves: pd.DataFrame
    lines: pd.DataFrame
    trusted: dict[float, float]
    refused: tuple[str, ...] = field(default_factory=tuple)
    n_made: int = 0
    seed: int = 0

    @property
    def sentence(self) -> str:
        """The best choice and what it promises, in one sentence."""
        rows = self.promises.to_dict("records")
        if not self.n_made:
            told = ", ".join(f"{r['topic']} in {100 * r['decided']:.0f}" for r in rows)
            return f"{self.best.words}: of 100 cases counting alone would decide {told}."
        said = [_promise(row) for row in rows if row["verdict"] == "decided"]
        shaky = [str(row["topic"]) for row in rows if row["wrong"] > MOST_WRONG]
        left = [str(row["topic"]) for row in rows
                if row["verdict"] == "open" and not row["wrong"] > MOST_WRONG]  # fmt: skip
        if left:
            said.append(f"{listing(left)} {'stays' if len(left) == 1 else 'stay'} open")
        if shaky:
            said.append(f"do not rely on the answer to {listing(shaky)}")
        return f"{self.best.words}: {'; '.join(said)}."

    @property
    def open_questions(self) -> tuple[str, ...]:
        """What cannot be decided in the time given, and what it would take."""
        rows = self.promises.to_dict("records")
        return tuple(f"{r['question']} {r['needs']}" for r in rows if r["verdict"] == "open")

    @property
    def counts_per_second(self) -> float:
        """Counts per second in all lines of the thick alloy at the best choice."""
        return rate_at(self.known, self.best.lines, self.best.beam_energy_keV)

    @property
    def unlike(self) -> str:
        """What the map set of the plan has that made fields lack; empty where nothing is known."""
        if not self.known.unlike:
            return ""
        return (
            "The map set is not like the made fields; beyond counting "
            f"{', '.join(one.words for one in self.known.unlike)}. The longer the count, the more "
            "such structure shows, and real maps then leave open what made fields decide."
        )

    @property
    def is_sparse(self) -> bool:
        """Whether some promise rests on few made fields."""
        return bool(self.n_made and (self.promises["n_made"] < FEW).any())

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What the rates rest on, with what each would change."""
        return assumptions_of(self)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind before acting on the plan."""
        return (*([self.unlike] if self.unlike else []), *cautions_of())

    @property
    def mapset_toml(self) -> str:
        """A ``mapset.toml`` for the session."""
        return mapset_toml(self)

    def save(self, folder: str | Path, *, overwrite: bool = False) -> Path:
        """Write page, tables and ``mapset.toml`` into a folder and return the page.

        Parameters
        ----------
        folder : str or pathlib.Path
            New or empty unless `overwrite`.
        overwrite : bool, optional
            Replace results of the same names.

        Returns
        -------
        pathlib.Path
            ``plan.html``.

        Raises
        ------
        OutputError
            If the folder cannot be used.
        """
        from spattermap.core.files import staged_folder

        with staged_folder(folder, overwrite=overwrite) as stage:
            self.write(stage)
        return Path(folder) / "plan.html"

    def write(self, stage: Path) -> None:
        """Write page, tables and ``mapset.toml`` into a folder that is there."""
        from spattermap.core.results import write_files
        from spattermap.show.plan_page import plan_page

        tables = {name: getattr(self, name) for name in ("promises", "curves", "lines")}
        write_files(stage, self.summary(), tables)
        (stage / "mapset.toml").write_text(self.mapset_toml, encoding="utf-8", newline="\n")
        (stage / "plan.html").write_text(plan_page(self), encoding="utf-8", newline="\n")

    def summary(self) -> dict[str, Any]:
        """Return the plan ready for JSON."""
        return {
            "plan": self.sentence,
            "beam_energy_keV": self.best.beam_energy_keV,
            "pixel_size_um": self.best.pixel_size_um,
            "field_um": self.best.field_um,
            "n_fields": self.best.n_fields,
            "field_minutes": self.best.field_minutes,
            "blank_minutes": self.best.blank_minutes,
            "lines": dict(self.best.lines),
            "smallest_composition_um": self.trusted[self.best.beam_energy_keV],
            "open": list(self.open_questions),
            "unlike": self.unlike,
            "assumptions": list(self.assumptions),
            "n_made_fields": self.n_made,
            "seed": self.seed,
        }

    def __repr__(self) -> str:
        return "\n".join([self.sentence, *self.left])

    @property
    def left(self) -> tuple[str, ...]:
        """What stays open, cannot be chosen, or is not to be relied on."""
        return (*self.open_questions, *self.refused, *([self.unlike] if self.unlike else []))

    def _repr_html_(self) -> str:
        from spattermap.show.plan_page import plan_body

        return plan_body(self).html


def plan(
    known: Known,
    questions: Sequence[Question | str],
    choices: Choices | None = None,
    *,
    made_fields: int = MADE_FIELDS,
    seed: int = 0,
    scheduler: Any = None,
    workers: int | None = None,
    progress: Callable[[str], None] | None = None,
    kept: str | Path | None = None,
) -> Plan:
    """Find the best use of the time at the microscope.

    Parameters
    ----------
    known : Known
        The deposits, as known or assumed: `Known.stated`, or `known_from` a map set.
    questions : sequence of Question or str
        What is asked, for example ``["apart Zn 30", "haze 5", "oxide"]``.
    choices : Choices, optional
        Beam energies, pixels, fields, minutes.
    made_fields : int, optional
        How many fields to make and analyse at most; 0 for the closed forms alone.
    seed : int, optional
        Seed of the made fields.
    scheduler, workers
        Where they are worked on: "processes" (default), "threads", "synchronous", or a dask
        scheduler; and how many at once.
    progress : callable, optional
        Called with a line of text.
    kept : str or pathlib.Path, optional
        File in which made fields are kept as they are done. A plan that was broken off, or is
        asked for again with more made fields or another question, takes them over.

    Raises
    ------
    InputError
        If nothing is asked, a question does not fit the alloy, or no choice fits into the time.

    Notes
    -----
    All choices are screened by closed forms (`spattermap.plan.screening`); the best of each of up
    to three energies are tried on parts of made fields with common seeds, two at a time, and
    dropped when they lie clearly behind (two standard errors of either). The best one is then
    tried on fresh seeds and whole fields, so that its rates do not gain by having been chosen; a
    question gets no more of them once its word, decided or open, is settled at 95 %. A quarter of
    `made_fields` is for other lengths of time: a third for what is decided, three times for what
    is open. Rates are those of the made fields: as good as their assumptions.

    Examples
    --------
    >>> known = Known.stated(alloy={"Cu": 70, "Zn": 30}, substrate={"Si": 46.7, "O": 53.3})
    >>> found = plan(known, ["apart Zn 30"], Choices(energies_keV=(15.0,)), made_fields=0)
    >>> found.best.lines["Zn"], found.best.beam_energy_keV
    ('Zn Ka', 15.0)
    """
    say = progress or (lambda _: None)
    asked = _checked(questions, known)
    offered = choices or Choices()
    ranked = _ranked(asked, known, offered)
    refused = _refused(known, offered)
    if not ranked:
        raise InputError(_nothing_fits(known, offered, refused))
    say(f"Screened {len(ranked)} choices; best by counting alone: {ranked[0][1].words}.")
    trial = _Trials(asked, known, offered, ranked, seed, (scheduler, workers), say, made_fields,
                    Kept(Path(kept) if kept is not None else None))  # fmt: skip
    best = ranked[0][1]
    if made_fields > 0:
        with trial.pool:
            best = _best_of(_candidates(ranked), trial)
    curves = _curves(best, trial)
    return Plan(
        known, asked, offered, best,
        _promises(best, trial), curves, _lines(known, best, ranked),
        {e: smallest_composition_um(known, e) for e in sorted(set(offered.energies_keV))},
        refused, trial.n_made, seed,
    )  # fmt: skip


def _checked(questions: Sequence[Question | str], known: Known) -> tuple[Question, ...]:
    asked = tuple(dict.fromkeys(
        Question.parse(one) if isinstance(one, str) else one for one in questions
    ))  # fmt: skip
    if not asked:
        raise InputError('questions must hold at least one, got none. Ask "apart Zn 30", "haze 5".')
    for one in asked:
        if one.kind == "apart" and (one.element not in known.alloy or len(known.alloy) < 2):
            raise InputError(
                f"question apart: element must be one of at least two of the alloy "
                f"({', '.join(known.alloy)}), got {one.element}. One metal alone cannot part."
            )
        if one.kind == "oxide" and "O" in known.alloy:
            raise InputError("question oxide: O must not be part of the alloy. Leave it out there.")
    return asked


def _score(rates: Mapping[Question, float]) -> float:
    total = sum(question.weight for question in rates)
    return sum(question.weight * rate for question, rate in rates.items()) / total


def _ranked(
    asked: Sequence[Question], known: Known, offered: Choices
) -> list[tuple[float, Choice]]:
    scored = []
    for choice in all_choices(known, offered):
        rates = {question: screened(question, known, choice) for question in asked}
        # Where counting decides everything anyway, what it would decide in less time tells more.
        spare = [retimed(choice, known, factor) for factor in SPARE]
        early = [
            _score({question: screened(question, known, then) for question in asked})
            if then
            else 0.0
            for then in spare
        ]
        scored.append((_score(rates) + 0.1 * sum(early) / len(early), choice))
    return sorted(scored, key=lambda pair: -pair[0])


def _refused(known: Known, offered: Choices) -> tuple[str, ...]:
    said = []
    for energy in sorted(set(offered.energies_keV)):
        lines = choose_lines(known.elements, energy)
        if missing := [e for e in known.alloy if e not in lines]:
            said.append(
                f"{energy:g} keV reaches no line of {', '.join(missing)} by a fifth above its edge."
            )
    return tuple(said)


def _nothing_fits(known: Known, offered: Choices, refused: Sequence[str]) -> str:
    if refused and len(refused) == len(set(offered.energies_keV)):
        return f"energies_keV must reach a line of every metal: {' '.join(refused)} Raise one."
    least = (min(offered.n_fields) + offered.blank) * known.field_overhead_minutes / 0.8
    return (
        f"minutes must leave time to map, got {offered.minutes:g} with "
        f"{known.field_overhead_minutes:g} for each field and the bare plate. "
        f"Give more than {least:.3g} minutes, or state a shorter field_overhead_minutes."
    )


def _candidates(ranked: Sequence[tuple[float, Choice]]) -> list[Choice]:
    """Return the best choice of each of the best energies."""
    found: dict[float, Choice] = {}
    for score, choice in ranked:
        if score >= ranked[0][0] - CLOSE:
            found.setdefault(choice.beam_energy_keV, choice)
    return list(found.values())[:MOST_CANDIDATES]


@dataclass
class _Trials:
    """What is asked and offered, and the made fields so far, by choice."""

    asked: tuple[Question, ...]
    known: Known
    offered: Choices
    ranked: Sequence[tuple[float, Choice]]
    seed: int
    where: tuple[Any, int | None]
    say: Callable[[str], None]
    made_fields: int = MADE_FIELDS
    kept: Kept = field(default_factory=Kept)
    pool: KeptPool = field(default_factory=KeptPool)
    # By choice, question and world; of whole fields, and of the parts that rank the choices.
    samples: dict[Choice, dict[Question, dict[str, list[Sample]]]] = field(default_factory=dict)
    parts: dict[Choice, dict[Question, dict[str, list[Sample]]]] = field(default_factory=dict)
    n_made: int = 0

    @property
    def worlds(self) -> int:
        """Made fields that one seed of one choice takes."""
        return len(worlds_of(self.asked))

    def add(
        self,
        wanted: Sequence[tuple[Choice, int]],
        questions: tuple[Question, ...] | None = None,
        *,
        ranking: bool = False,
    ) -> None:
        """Make and analyse a field, or the part that ranks, of every world for choice and seed."""
        questions = questions or self.asked
        tasks = [
            Trial(world, self.known, choice, questions, self.seed + seed,
                 choice.ranked_px if ranking else choice.tried_px)
            for choice, seed in wanted for world in worlds_of(questions)
        ]  # fmt: skip
        done = {place: said for place, task in enumerate(tasks)
                if (said := self.kept.of(task)) is not None}  # fmt: skip
        got, left = dict(done), [place for place in range(len(tasks)) if place not in done]
        scheduler, workers = self.where
        for nth, result in run(try_field, [tasks[place] for place in left], lost=_lost,
                               scheduler=scheduler, workers=workers, kept=self.pool):  # fmt: skip
            got[left[nth]] = result
            if result:
                self.kept.put(tasks[left[nth]], result)
            self.say(f"made field {self.n_made + len(got)} of about {self.made_fields}")
        # In the order of the tasks, so that the result does not hang on who was first.
        for place, task in enumerate(tasks):
            held = (self.parts if ranking else self.samples).setdefault(task.choice, {})
            for question, sample in got[place].items():
                held.setdefault(question, {}).setdefault(task.world.name, []).append(sample)
        self.n_made += len(tasks)

    def rate(self, question: Question, choice: Choice, *, ranking: bool = False) -> Rate:
        """Return a question's rates under a choice that was tried."""
        held = (self.parts if ranking else self.samples).get(choice, {}).get(question, {})
        if question.kind == "sizes":
            ours = f"D50 {question.stake:g}"
            held = {name: s for name, s in held.items() if name in ("plain", ours)}
        return rate_of(question, held, choice.n_fields)

    def score(self, choice: Choice) -> tuple[float, float]:
        """Return the score of a choice by its parts, and its standard error."""
        total = sum(q.weight for q in self.asked)
        value = variance = 0.0
        for question in self.asked:
            rate = self.rate(question, choice, ranking=True)
            if rate.n:
                part = rate.decided - (1 + WRONG_WEIGHT) * rate.wrong
                # Laplace's rule keeps a standard error where all agree.
                p = (rate.n_decided + 1) / (rate.n + 2)
                value += question.weight / total * part
                variance += (question.weight / total) ** 2 * p * (1 - p) / rate.n
        return value, math.sqrt(variance)


def _lost(reason: str) -> dict[Question, Sample]:
    del reason
    return {}


def _best_of(candidates: list[Choice], trial: _Trials) -> Choice:
    """Rank the candidates in rounds, drop those clearly behind, and try the best on the rest."""
    alive, seed, first = list(candidates), 0, candidates[0]
    # Two thirds of the fields are left for the best one's own rates and its ladder of times.
    share = trial.made_fields / 3
    while len(alive) > 1:
        # Two seeds tell scatter; where many questions take many fields, one must do.
        many = 2 * len(alive) * trial.worlds > share
        seeds_now = range(seed, seed + (1 if many else 2))
        trial.add([(one, s) for s in seeds_now for one in alive], ranking=True)
        seed += len(seeds_now)
        scores = {choice: trial.score(choice) for choice in alive}
        first = max(alive, key=lambda choice: scores[choice][0])
        value, error = scores[first]
        alive = [c for c in alive if scores[c][0] + 2 * scores[c][1] >= value - 2 * error]
        trial.say(
            f"{first.beam_energy_keV:g} keV leads after {trial.n_made} made fields; "
            f"{'one choice' if len(alive) == 1 else f'{len(alive)} choices'} left."
        )
        if trial.n_made + 2 * len(alive) * trial.worlds > share:
            break
    _measure(first, trial)
    return first


# Seeds of the whole fields, apart from those of any number of rounds of ranking.
FRESH = 10_000


def _measure(first: Choice, trial: _Trials) -> None:
    """Try the best choice on fresh seeds, then for less or more time, as far as it tells."""
    left, seed = trial.asked, FRESH
    while left:
        # Two seeds at once keep the processes busy.
        n = 2 if seed == FRESH or 2 * len(worlds_of(left)) <= _spare(trial) else 1
        if seed > FRESH and n * len(worlds_of(left)) > _spare(trial):
            break
        trial.add([(first, seed + k) for k in range(n)], left)
        seed += n
        left = tuple(one for one in left if not _is_settled(trial.rate(one, first)))
    steps = []
    for factor in (SHORTER, LONGER):
        told = tuple(q for q in trial.asked if _is_open(trial.rate(q, first)) == (factor > 1))
        if told and (then := retimed(first, trial.known, factor)):
            steps.append((then, told))
    cost = sum(len(worlds_of(told)) for _, told in steps)
    seeds = min((trial.made_fields - trial.n_made) // max(cost, 1), seed - FRESH)
    for then, told in steps:
        trial.add([(then, FRESH + k) for k in range(seeds)], told)


def _spare(trial: _Trials) -> float:
    return (1 - LADDER_PART) * trial.made_fields - trial.n_made


def _is_open(rate: Rate) -> bool:
    return not rate.decided >= SURE or rate.wrong > MOST_WRONG


def _is_settled(rate: Rate) -> bool:
    """Return whether more made fields would not change the word, with 95 %."""
    decided, wrong = rate.bounds("decided"), rate.bounds("wrong")
    is_open = decided[1] < SURE or wrong[0] > MOST_WRONG
    return is_open or (decided[0] >= SURE and wrong[1] <= MOST_WRONG)


def retimed(choice: Choice, known: Known, factor: float) -> Choice | None:
    """Return a choice with the whole time longer by a factor, or None where it does not fit."""
    extra = (choice.n_fields + bool(choice.blank_minutes)) * known.field_overhead_minutes
    mapping = choice.n_fields * choice.field_minutes + choice.blank_minutes
    grown = ((mapping + extra) * factor - extra) / mapping
    if grown <= 0.02:
        return None
    return replace(choice, field_minutes=choice.field_minutes * grown,
                   blank_minutes=choice.blank_minutes * grown)  # fmt: skip


def _per_energy(ranked: Sequence[tuple[float, Choice]], best: Choice) -> dict[float, Choice]:
    """Return the choice to show for each energy: the best one, else the screening's first."""
    found = {best.beam_energy_keV: best}
    for _, choice in ranked:
        found.setdefault(choice.beam_energy_keV, choice)
    return dict(sorted(found.items()))


def _curves(best: Choice, trial: _Trials) -> pd.DataFrame:
    asked, known, offered = trial.asked, trial.known, trial.offered

    rows: list[tuple[Any, ...]] = []
    factors = np.geomspace(*MINUTES_SPAN, 13)
    for energy, choice in _per_energy(trial.ranked, best).items():
        for factor in factors:
            then = retimed(choice, known, float(factor))
            for question in asked:
                rate = screened(question, known, then) if then else 0.0
                rows.append((question.topic, energy, factor * offered.minutes, rate, math.nan, 0,
                             "closed form"))  # fmt: skip
    tried_ones = [(c, False) for c in trial.samples]
    tried_ones += [(c, True) for c in trial.parts if c not in trial.samples]
    for choice, ranking in tried_ones:
        overhead = (choice.n_fields + bool(choice.blank_minutes)) * known.field_overhead_minutes
        whole = choice.n_fields * choice.field_minutes + choice.blank_minutes + overhead
        for question in asked:
            tried = trial.rate(question, choice, ranking=ranking)
            if tried.n:
                source = "parts" if ranking else "made fields"
                rows.append((question.topic, choice.beam_energy_keV, whole, tried.decided,
                             tried.wrong, tried.n, source))  # fmt: skip
    columns = ["topic", "beam_energy_keV", "minutes", "decided", "wrong", "n_made", "source"]
    return pd.DataFrame(rows, columns=columns)


def _promises(best: Choice, trial: _Trials) -> pd.DataFrame:
    rows = []
    for question in trial.asked:
        rate, counting = trial.rate(question, best), screened(question, trial.known, best)
        tried = rate.n > 0
        decided = rate.decided if tried else counting
        structure = _structure(question, best, trial.known)
        is_open = _is_open(rate) if tried else not counting >= SURE
        is_open = is_open or bool(structure)
        rows.append({
            "question": question.sentence, "topic": question.topic, "decided": decided,
            **dict(zip(("decided_low", "decided_high"), rate.bounds("decided"), strict=True)),
            "wrong": rate.wrong,
            **dict(zip(("wrong_low", "wrong_high"), rate.bounds("wrong"), strict=True)),
            "n_made": rate.n, "screened": counting, "verdict": "open" if is_open else "decided",
            "needs": structure or (_needs(question, best, trial) if is_open else ""),
        })  # fmt: skip
    return pd.DataFrame(rows)


def _structure(question: Question, best: Choice, known: Known) -> str:
    """Return what the map set's own structure keeps open that made fields, which are even, decide.

    Variance beyond counting grows with the square of the counts, so that few counts foretell it.
    """
    bulk = rate_at(known, best.lines, best.beam_energy_keV) * best.dwell_s
    there = [one for one in known.unlike if one.element == question.element]
    worst = max(there, key=lambda one: one.scatter(bulk), default=None)
    if worst is None or bulk <= MORE_COUNTS * worst.bulk_counts:
        return ""
    if worst.scatter(bulk) <= MOST_DISPERSION:
        return ""
    return (
        f"Made fields, which are even, say more than real ones will: {worst.element} of the map "
        f"set varies {worst.where}, and with {figures(bulk / worst.bulk_counts, significant=2)} "
        f"times its counts scatters {figures(worst.scatter(bulk), significant=2)} times as much as "
        "counting, which the analysis may refuse as no raw counts. Count no longer than the map "
        "set was, or ask on more fields."
    )


def _needs(question: Question, best: Choice, trial: _Trials) -> str:
    """Return what it would take to decide a question that stays open."""
    known, offered = trial.known, trial.offered
    wrong = trial.rate(question, best).wrong
    if wrong > MOST_WRONG:
        return (
            f"It was answered wrongly in {100 * wrong:.0f} of 100 made fields: do not rely on this "
            "answer from such maps."
        )
    if question.kind in ("apart", "haze", "oxide") and not best.blank_minutes:
        return "It cannot be decided without a bare plate mapped under the same conditions."
    longer = retimed(best, known, LONGER)
    tried = trial.rate(question, longer) if longer else Rate(0, 0, 0)
    if tried.n >= LEAST_TRIED and tried.decided >= SURE and tried.wrong <= MOST_WRONG:
        return (
            f"About {LONGER * offered.minutes:.0f} minutes decide it in the same way "
            f"({tried.n_decided:.0f} of {tried.n} made fields)."
        )
    other = next(
        (c for _, c in trial.ranked
         if c.beam_energy_keV != best.beam_energy_keV and screened(question, known, c) >= SURE
         and not (c in trial.parts and trial.rate(question, c, ranking=True).decided < SURE)),
        None,
    )  # fmt: skip
    if screened(question, known, best) < SURE and other is not None:
        return f"Counting allows it with another choice: {other.words}."
    minutes = _minutes_needed(question, best, trial)
    said = _BEYOND[question.kind]
    if minutes is not None:
        said = f"It would take about {minutes:.2g} minutes in the same way (extrapolated)."
        if tried.n >= LEAST_TRIED and minutes <= LONGER * offered.minutes:
            said = (
                f"In {LONGER * offered.minutes:.0f} minutes, used in the same way, "
                f"{tried.n_decided:.0f} of {tried.n} made fields decide it: it takes more."
            )
    return said


_BEYOND = {
    "apart": "More time alone does not settle it: ask for a larger share, or map lines that do not "
    "overlap.",
    "droplet": "More time alone does not settle it: map with smaller pixels, or at a lower energy.",
    "haze": "More time alone does not settle it: ask for a larger share, or a lower energy.",
    "thickness": "More time alone does not settle it: the layer model or the saturation of the "
    "lines bounds it. Try a higher energy, or measure one step by a profile.",
    "coverage": "More time on the same fields does not settle it: droplets are too few. Map more, "
    "or larger, fields.",
    "oxide": "More time alone does not settle it: lower the energy until the glass is hidden.",
    "connected": "More time alone does not settle it: map with smaller pixels, and measure the "
    "sheet resistance.",
    "sizes": "More time on the same fields does not settle it: droplets are too few. Map more, or "
    "larger, fields of each setting.",
}  # fmt: skip


def _minutes_needed(question: Question, best: Choice, trial: _Trials) -> float | None:
    """Return the time by the closed form, stretched to what the made fields reached."""
    known, offered = trial.known, trial.offered
    rate = trial.rate(question, best)
    reached = rate.decided if rate.n else screened(question, known, best)
    factors = np.geomspace(1e-3, 100.0, 121)
    curve = []
    for factor in factors:
        then = retimed(best, known, float(factor))
        curve.append(screened(question, known, then) if then else 0.0)
    rates = np.maximum.accumulate(np.array(curve))
    if rates[-1] < SURE or reached < 0.1:
        return None
    at = float(factors[np.argmax(rates >= min(reached, 0.98 * rates[-1]))])
    wanted = float(factors[np.argmax(rates >= SURE)])
    minutes = offered.minutes * wanted / at
    return minutes if offered.minutes < minutes <= 100 * offered.minutes else None


def _lines(known: Known, best: Choice, ranked: Sequence[tuple[float, Choice]]) -> pd.DataFrame:
    from spattermap.xrays.lines import line_of, parse_line
    from spattermap.xrays.overlap import leaks

    rows = []
    for energy, choice in _per_energy(ranked, best).items():
        rates = rates_of(known, choice.lines, energy)
        leaking = leaks(dict(choice.lines), energy).to_dict("records")
        for element in known.elements:
            if element not in choice.lines:
                continue
            name = choice.lines[element]
            line = line_of(*parse_line(name), beam_energy_keV=energy)
            metal = rates.under[element] + rates.continuum_metal[element]
            metal += rates.film[element] if element in known.alloy else 0.0
            touch = [str(row["source"]) for row in leaking if row["into"] == element]
            rows.append({
                "beam_energy_keV": energy, "element": element, "line": name,
                "line_keV": line.energy_eV / 1e3, "beam_over_edge": 1e3 * energy / line.edge_eV,
                "counts_on_metal": metal * choice.dwell_s,
                "counts_on_glass": rates.bare(element) * choice.dwell_s,
                "overlaps": ", ".join(dict.fromkeys(touch)), "leak": rates.leak[element],
            })  # fmt: skip
    return pd.DataFrame(rows)


def _promise(row: Mapping[Any, Any]) -> str:
    """Return what is promised of one question that is decided; few tries are told as counts."""
    n = int(row["n_made"])
    wrong = round(n * row["wrong"])
    if n < FEW:
        part = "all" if row["decided"] == 1 else f"{n * row['decided']:.0f} of"
        often = f"in {part} {n} made fields"
    else:
        often = f"in {100 * row['decided']:.0f} of 100 cases"
    told = f"wrongly in none of {n} made fields" if wrong == 0 else f"wrongly in {wrong} of {n}"
    if n < FEW and wrong == 0:
        told = "never wrongly"
    return f"{row['topic']} is decided {often}, {told}"


def _of_rates(known: Known) -> str:
    """Return where each element's share of the counts comes from."""
    read = ", ".join(
        f"{e} {figures(rate, significant=2)} {where}"
        for rates, where in (
            (known.alloy_rates, "on thick metal"),
            (known.bare_rates, "on bare plate"),
        )
        for e, rate in rates.items()
    )
    by_model = [
        e for e in known.elements if e not in known.alloy_rates and e not in known.bare_rates
    ]
    if not read:
        return (
            "The counts are shared out among the elements by yields and a typical detector, which "
            "can be off by a half, more for L lines: state alloy_rates and bare_rates to be sure."
        )
    rest = f"; {listing(by_model)} by yields and a typical detector" if by_model else ""
    return f"Counts a second as read: {read}{rest}."


def assumptions_of(found: Plan) -> tuple[str, ...]:
    """Return what the rates rest on, with what each would change."""
    known, best = found.known, found.best
    blur = blur_um(known, best.beam_energy_keV, best.lines)
    said = [
        f"Assumed, not stated: {name} = {getattr(known, name):.4g}; {TYPICAL[name][1]}."
        for name in known.assumed
    ]
    said += [
        (
            f"The beam current is the same at every energy: {known.counts_per_second:.4g} counts "
            f"per second of the alloy at {known.rate_energy_keV:g} keV. A detector at its limit "
            "gains less from a higher energy."
        ),
        _of_rates(known),
        (
            f"The beam and the electrons' spread blur by {blur:.2g} µm "
            "(standard deviation); more blur loses small droplets first."
        ),
        (
            "Droplets are half ellipsoids, lie apart and have the alloy's composition; flat ones "
            "are easier to weigh, touching ones harder to count."
        ),
        (
            "An element that lies apart lies in patches between the droplets; spread evenly it is "
            "harder to tell from the glass."
        ),
        (
            "The glass has the stated composition everywhere and the bare plate is of the same "
            "kind; another glass makes the comparison worthless."
        ),
        (
            "Take-off angle and tilt are stated in mapset.toml; if not, the bounds of a thickness "
            "reach down by a third."
        ),
        (
            "The maps are faultless: no drift, no charging, no shift between maps. Every such "
            "fault withholds answers."
        ),
    ]
    if best.side_px > LARGEST_TRIED_PX:
        said.append(
            f"Fields of {best.side_px} px were tried by parts of {LARGEST_TRIED_PX} px: the whole "
            "field should decide more often than is promised."
        )
    return tuple(said)


def cautions_of() -> tuple[str, ...]:
    """Return what to mind: the limit of a plan, then the cautions of every page."""
    from spattermap.show.provenance import CAUTIONS

    return ("These rates come from simulated fields and are as good as the assumptions.", *CAUTIONS)


def mapset_toml(found: Plan) -> str:
    """Return the sidecar to put beside the maps of the session."""
    best, known = found.best, found.known
    rows = [
        'title = "planned field 1"',
        'quantity = "counts"',
        f"pixel_size_um = {best.pixel_size_um!r}",
        f"beam_energy_keV = {float(best.beam_energy_keV)!r}",
        "# State these three as they are: what is said of thickness rests on them.",
        "# take_off_deg = 35.0   # of the detector",
        "# tilt_deg = 0.0        # of the specimen",
        "# dose_nC = 0.4         # probe current times live time a pixel; for the blank too",
    ]
    if best.blank_minutes:
        rows.append('blank = "../blank_plate"')
    for name, parts in (("alloy", known.alloy), ("substrate", known.substrate)):
        rows += ["", f"[{name}]", *(f"{e} = {float(p)!r}" for e, p in parts.items())]
    rows += ["", "[lines]", *(f'{e} = "{line}"' for e, line in best.lines.items())]
    return "\n".join(rows) + "\n"

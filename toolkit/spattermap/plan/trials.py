"""Made fields through the very analysis that the real maps will go through.

Every question is tried on fields where the thing asked about is there, and on fields where it is
not; the same seeds serve all choices (common random numbers), so that choices differ by what was
chosen and not by luck.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from spattermap.noise.counting import wilson_interval
from spattermap.plan.choices import Choice, Known, blur_um
from spattermap.plan.questions import Question
from spattermap.plan.screening import BACKGROUND, TAKE_OFF_DEG, beside_model, rate_at

if TYPE_CHECKING:
    from spattermap.analysis import Analysis
    from spattermap.synthesis import Deposit

RIGHT, WRONG, OPEN = "right", "wrong", "open"
PLAIN = "plain"
# A connected deposit for the question whether it connects: overlapping droplets, well above the
# percolation threshold of discs, 0.676 (Quintanilla, Phys. Rev. E 63 (2001) 061108).
CONNECTED_COVERAGE = 0.8
BLANK_SIDE_PX = (32, 160)
_APART = ("separated", "partly_separated")


@dataclass(frozen=True)
class World:
    """One kind of made field."""

    name: str  # "plain", where nothing asked about is there, or what is there
    there: tuple[Question, ...] = ()  # questions whose answer is yes here


@dataclass(frozen=True)
class Sample:
    """What one field says of one question, with the truth."""

    # A measured number with its interval; NaN where the answer is a word
    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    true: float = math.nan  # what it is
    word: str = ""  # "right", "wrong" or "open" where the answer is a word


def worlds_of(questions: Iterable[Question]) -> list[World]:
    """Return the kinds of fields that a list of questions needs."""
    asked = list(dict.fromkeys(questions))
    found = [World(PLAIN)]
    groups: dict[str, list[Question]] = {}
    for question in asked:
        name = {
            "apart": f"{question.element} apart {question.stake:g}",
            "haze": f"haze {question.stake:g}", "oxide": f"oxide {question.stake:g}",
            "droplet": f"droplets {question.stake:g}", "connected": "connected",
            "sizes": f"D50 {question.stake:g}",
        }.get(question.kind)  # fmt: skip
        if name:
            groups[name] = [question]
    return [*found, *(World(name, tuple(there)) for name, there in groups.items())]


def deposit_of(world: World, known: Known, choice: Choice, side_px: int | None = None) -> Deposit:
    """Return the deposit of a world as the choice would map it, or a part of it of a side (px)."""
    from spattermap.synthesis import Deposit, Droplets, Haze, Layer

    pixel = choice.pixel_size_um
    d50, coverage, haze, placement, sigma_g = (
        known.d50_um, known.coverage, known.haze_percent, "apart", known.sigma_g
    )  # fmt: skip
    layers: tuple[Layer, ...] = ()
    oxygen, thickness = 0.0, known.thickness_nm
    for one in world.there:
        if one.kind == "apart":
            layers += (Layer(one.element, "patchy", share=one.stake / 100),)
        elif one.kind == "haze":
            haze = max(haze, one.stake)
        elif one.kind == "oxide":
            oxygen = one.stake
        elif one.kind == "sizes":
            d50 *= 1 + one.stake / 100
        elif one.kind == "droplet":
            thickness *= one.stake / d50  # a droplet keeps its shape
            d50, sigma_g = one.stake, 1.1
            coverage = min(coverage, 0.1)
        elif one.kind == "connected":
            coverage, placement = CONNECTED_COVERAGE, "free"
    if coverage > 0.4 and placement == "apart":
        placement = "free"
    rate = rate_at(known, choice.lines, choice.beam_energy_keV)
    sensitivity, continuum = beside_model(known, choice.lines)
    return Deposit(
        shape=(side_px or choice.tried_px,) * 2,
        pixel_size_um=pixel,
        alloy=dict(known.alloy),
        substrate={e: p for e, p in known.substrate.items() if e in choice.lines},
        droplets=Droplets(
            d50_px=d50 / pixel, sigma_g=sigma_g, coverage=coverage, placement=placement,
            # Half an ellipsoid is two thirds of its height thick; by area large ones count more,
            # <d^3> / <d^2> of a lognormal distribution.
            thickness_um=1.5e-3 * thickness * math.exp(-2.5 * math.log(sigma_g) ** 2),
            min_diameter_px=min(2.0, 0.7 * d50 / pixel),
        ),
        haze=Haze(thickness_um=_haze_um(known, choice, haze, coverage)),
        layers=layers,
        counts_per_pixel=rate * choice.dwell_s,
        background=BACKGROUND,
        sensitivity=sensitivity,
        continuum=continuum,
        leaks=_leaks(choice),
        droplet_oxygen=oxygen,
        blur_px=blur_um(known, choice.beam_energy_keV, choice.lines) / pixel,
        beam_energy_keV=choice.beam_energy_keV,
        takeoff_deg=TAKE_OFF_DEG,
        lines=dict(choice.lines),
        electron_image=False,
        title=world.name,
    )  # fmt: skip


def _haze_um(known: Known, choice: Choice, percent: float, coverage: float) -> float:
    """Return the thickness of even haze that gives a share of the metal's signal (um)."""
    from spattermap.synthesis.xray_model import THICKNESS_UM, fractions, line_model

    if percent <= 0:
        return 0.0
    curve, more = np.zeros(THICKNESS_UM.size), beside_model(known, choice.lines)[0]
    for element, part in fractions(known.alloy).items():
        model = line_model(
            element, line=choice.lines[element], alloy=known.alloy, substrate=known.substrate,
            beam_keV=choice.beam_energy_keV, takeoff_deg=TAKE_OFF_DEG,
        ).times(more.get(element, 1.0), 1.0)  # fmt: skip
        curve += part * model.in_metal
    # Half an ellipsoid: height s of its peak over the area 2 s ds.
    s = (np.arange(50) + 0.5) / 50
    peak = 1.5e-3 * known.thickness_nm
    droplets = float((2 * s * np.interp(peak * s, THICKNESS_UM, curve)).mean())
    share = percent / 100
    wanted = share / (1 - share) * coverage / (1 - coverage) * droplets
    return float(np.interp(wanted, curve, THICKNESS_UM))


def _leaks(choice: Choice) -> dict[tuple[str, str], float]:
    from spattermap.xrays.overlap import leaks

    table = leaks(dict(choice.lines), choice.beam_energy_keV)
    found: dict[tuple[str, str], float] = {}
    for row in table.to_dict("records"):
        pair = (str(row["into"]), str(row["source"]))
        found[pair] = found.get(pair, 0.0) + float(row["leak"])
    return {pair: min(part, 0.9) for pair, part in found.items()}


@dataclass(frozen=True)
class Trial:
    """One field of one world under one choice."""

    world: World
    known: Known
    choice: Choice
    questions: tuple[Question, ...]
    seed: int
    side_px: int | None = None


def try_field(task: Trial) -> dict[Question, Sample]:
    """Return what one made field says of each question it can be asked."""
    import warnings

    from spattermap.analysis import analyse
    from spattermap.core.errors import SpattermapWarning
    from spattermap.synthesis import make_blank, make_deposit

    spec = deposit_of(task.world, task.known, task.choice, task.side_px)
    scene = make_deposit(spec, seed=task.seed)
    blank = None
    if task.choice.blank_px:
        side = int(min(max(math.sqrt(task.choice.blank_px), BLANK_SIDE_PX[0]), BLANK_SIDE_PX[1]))
        blank = make_blank(spec.with_changes(shape=(side, side)), seed=task.seed + 10**6).maps
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SpattermapWarning)
        # As the plan's mapset.toml asks for; unstated, they widen the bounds of every thickness.
        stated = scene.maps.assign_attrs(take_off_deg=TAKE_OFF_DEG, tilt_deg=0.0)
        found = analyse(stated, blank=blank)
    truth = truth_of(scene.truth, scene.labels, task.world, task.known, task.choice)
    return asked(found, truth, task.questions, task.world.there)


def truth_of(
    truth: Mapping[str, Any], labels: Any, world: World, known: Known, choice: Choice
) -> dict[str, Any]:
    """Return the truth that `asked` reads."""
    rows = [row for row in truth["droplets"] if row["area_px2"] > 0]
    area = np.array([row["area_px2"] for row in rows], dtype=float)
    height = np.array([row["thickness_um"] for row in rows], dtype=float)
    d50 = known.d50_um
    for one in world.there:
        if one.kind == "sizes":
            d50 *= 1 + one.stake / 100
    del choice
    return {
        "coverage": truth["coverage"],
        "thickness_nm": 1e3 * 2 / 3 * float((area * height).sum() / area.sum()) if rows else 0.0,
        "n_droplets": truth["droplet_count"],
        "d50_um": d50,
        "haze": 100 * truth["share_haze"],
        "connected": _crosses(labels),
    }


def _crosses(labels: Any) -> bool:
    joined, _ = ndimage.label(labels > 0)
    sides = ((joined[:, 0], joined[:, -1]), (joined[0], joined[-1]))
    return any(np.intersect1d(a[a > 0], b[b > 0]).size for a, b in sides)


def asked(
    found: Analysis,
    truth: Mapping[str, Any],
    questions: Sequence[Question],
    there: Sequence[Question] = (),
) -> dict[Question, Sample]:
    """Return what an analysis says of each question that this field can be asked.

    A field where something is there is asked about that thing only; a plain one about all.
    """
    numbers = found.summary()
    answers: dict[Question, Sample] = {}
    for question in questions:
        if there and question not in there:
            continue
        judge = _JUDGES[question.kind]
        one = judge(question, found, numbers, truth, question in there)
        if one is not None:
            answers[question] = one
    return answers


def _number(value: Any) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan


def _word(said: bool | None, true: bool) -> Sample:
    return Sample(word=OPEN if said is None else RIGHT if said == true else WRONG)


def _measured(numbers: Mapping[str, Any], name: str, true: float) -> Sample:
    value, low, high = (_number(numbers.get(f"{name}{end}")) for end in ("", "_low", "_high"))
    return Sample(value, low, high, true)


def _apart(question: Question, found: Any, numbers: Any, truth: Any, there: bool) -> Sample:
    del numbers, truth
    table = found.elements.set_index("element")
    verdict = str(table["verdict"].get(question.element, "undecided"))
    said = True if verdict in _APART else False if verdict == "with_alloy" else None
    return _word(said, there)


def _haze(question: Question, found: Any, numbers: Any, truth: Any, there: bool) -> Sample:
    del found, there
    low, high = (100 * _number(numbers.get(f"share_haze_{end}")) for end in ("low", "high"))
    stake = question.stake
    if not math.isfinite(low * high):
        return Sample(word=OPEN)
    # What is there is exactly the stake: "less than that" is then wrong, "some" is right.
    said = False if high < stake else True if low > 0 else None
    return _word(said, truth["haze"] > 0.5 * stake)


def _oxide(question: Question, found: Any, numbers: Any, truth: Any, there: bool) -> Sample:
    del question, numbers, truth
    table = found.oxygen
    rows = {} if table is None else {r["where"]: r for r in table.to_dict("records")}
    row = rows.get("droplets")
    if row is None:
        return Sample(word=OPEN)
    finding = row["finding"]
    said = True if finding == "oxygen beyond the glass" else None
    if finding == "none shown":
        said = False
    return _word(said, there)


def _connected(question: Question, found: Any, numbers: Any, truth: Any, there: bool) -> Sample:
    del question, there
    answer = next((a for a in found.answers if a.topic == "connection"), None)
    if answer is None or answer.certainty not in ("shown", "likely"):
        return Sample(word=OPEN)
    said = bool(numbers.get("connected_x")) or bool(numbers.get("connected_y"))
    return _word(said, truth["connected"])


def _droplet(
    question: Question, found: Any, numbers: Any, truth: Any, there: bool
) -> Sample | None:
    del found
    if not there:
        return None
    trusted = _number(numbers.get("smallest_trusted_um"))
    if not trusted <= question.stake:
        return Sample(word=OPEN)
    part = numbers.get("droplet_count", 0) / max(truth["n_droplets"], 1)
    return Sample(word=RIGHT if abs(part - 1) <= FOUND_WITHIN else WRONG)


FOUND_WITHIN = 0.25  # droplets are found where their number is right to a quarter


def _thickness(question: Question, found: Any, numbers: Any, truth: Any, there: bool) -> Sample:
    del question, found, there
    return _measured(numbers, "mean_thickness_nm", truth["thickness_nm"])


def _coverage(question: Question, found: Any, numbers: Any, truth: Any, there: bool) -> Sample:
    del question, found, there
    return _measured(numbers, "coverage", truth["coverage"])


def _sizes(question: Question, found: Any, numbers: Any, truth: Any, there: bool) -> Sample:
    del question, found, there
    return _measured(numbers, "d50_um", truth["d50_um"])


_JUDGES: dict[str, Callable[..., Sample | None]] = {
    "apart": _apart, "haze": _haze, "oxide": _oxide, "connected": _connected,
    "droplet": _droplet, "thickness": _thickness, "coverage": _coverage, "sizes": _sizes,
}  # fmt: skip


def combined(samples: Sequence[Sample]) -> Sample:
    """Return what several fields of one sample say together.

    Words: decided where some field decides and none contradicts it. Numbers: mean, half widths
    added in quadrature.
    """
    words = {one.word for one in samples} - {OPEN, ""}
    if any(one.word for one in samples):
        return Sample(word=words.pop() if len(words) == 1 else OPEN)
    value = float(np.mean([one.value for one in samples]))
    half = np.array([(one.high - one.low) / 2 for one in samples])
    error = float(np.sqrt((half**2).sum())) / len(samples)
    true = float(np.mean([one.true for one in samples]))
    return Sample(value, value - error, value + error, true)


@dataclass(frozen=True)
class Rate:
    """How often a question is decided, and wrongly."""

    n: int  # made fields (or pairs of fields) it rests on
    # of these
    n_decided: float
    n_wrong: float

    @property
    def decided(self) -> float:
        """Part decided, rightly or wrongly; NaN where nothing was tried."""
        return self.n_decided / self.n if self.n else math.nan

    @property
    def wrong(self) -> float:
        """Part decided wrongly."""
        return self.n_wrong / self.n if self.n else math.nan

    def bounds(self, which: str, level: float = 0.95) -> tuple[float, float]:
        """Return Wilson's interval of "decided" or "wrong"."""
        count = self.n_decided if which == "decided" else self.n_wrong
        if not self.n:
            return math.nan, math.nan
        low, high = wilson_interval(np.array([round(count)]), np.array([self.n]), level)
        return float(low[0]), float(high[0])


def rate_of(question: Question, samples: Mapping[str, Sequence[Sample]], n_fields: int) -> Rate:
    """Return the rates of a question from its samples by world, in the order of the seeds.

    Each run of `n_fields` trials counts as one sample.
    """
    together = {
        world: [
            combined([several[(k + j) % len(several)] for j in range(min(n_fields, len(several)))])
            for k in range(len(several))
        ]
        for world, several in samples.items() if several
    }  # fmt: skip
    if question.kind == "sizes":
        return _rate_of_pairs(question, together)
    outcomes = [_outcome(question, one) for several in together.values() for one in several]
    return Rate(len(outcomes), sum(o != OPEN for o in outcomes), sum(o == WRONG for o in outcomes))


def _outcome(question: Question, one: Sample) -> str:
    if one.word:
        return one.word
    if not math.isfinite(one.value * one.low * one.high) or one.value <= 0:
        return OPEN
    if (one.high - one.low) / 2 > question.stake / 100 * one.value:
        return OPEN
    return RIGHT if one.low <= one.true <= one.high else WRONG


def _rate_of_pairs(question: Question, together: Mapping[str, Sequence[Sample]]) -> Rate:
    """Return the rates of "do two settings differ": pairs that do and pairs that do not."""
    plain = list(together.get(PLAIN, ()))
    other = [one for name, several in together.items() if name != PLAIN for one in several]
    n = decided = wrong = 0
    # Seeds are shared by all worlds; two settings in the field are not, so pair different ones.
    for a, b in zip(plain, [*other[1:], *other[:1]], strict=False):
        apart = _are_apart(a, b)
        n, decided = n + 1, decided + apart
        wrong += apart and (b.value < a.value) == (b.true > a.true)
    # Equal settings that are called different count as wrong; that they are not is no decision.
    for a, b in zip(plain[::2], plain[1::2], strict=False):
        alarm = _are_apart(a, b)
        n, decided, wrong = n + alarm, decided + alarm, wrong + alarm
    del question
    return Rate(n, decided, wrong)


def _are_apart(a: Sample, b: Sample) -> bool:
    return bool(a.high < b.low or b.high < a.low)

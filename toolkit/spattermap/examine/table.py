"""The table of tests, read from top to bottom, and the examination that it gives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd
import xarray as xr

from spattermap.examine import (
    alignment,
    bare_plate,
    counted,
    dead,
    dose,
    shadow,
    stated,
)
from spattermap.examine.finding import Answer, Finding, Mend, Withheld, withheld_by
from spattermap.examine.mend import as_exported, mended
from spattermap.examine.observed import Observed, observe

if TYPE_CHECKING:
    from spattermap.core.mapset import Roles

EVERYTHING: tuple[tuple[Answer, str], ...] = (
    ("verdict", "all"), ("shares", "all"), ("shares", "metal"), ("coverage", ""),
    ("connection", "all"), ("sizes", "all"),
)  # fmt: skip
COLUMNS = ("check", "subject", "finding", "value", "limit", "consequence", "next_step")
FINDINGS = ("sound", "doubtful", "faulty", "not_examined")

Test = Callable[[Observed], list[Finding]]
BlankTest = Callable[[Observed, Observed], list[Finding]]

# Each test sees the maps as the tests above it left them: what is dead is masked before the
# histogram is read, what is dosed unevenly is evened before maps are compared. Statistic, null
# and source stand in the docstring of each.
TESTS: tuple[Test, ...] = (
    # Is every pixel a measurement.
    counted.no_signal,
    counted.doubled,
    dead.lost_everywhere,
    dead.lost_in_one,
    dead.repeated_lines,
    dead.hot_pixels,
    # Are the values what they are said to be.
    counted.one_top,
    counted.closure,
    counted.clipped,
    counted.histogram,
    counted.scatter,
    counted.evened,
    counted.brightness,
    counted.copies,
    counted.subtracted,
    counted.few_pixels,
    # Was every part counted alike.
    dose.odd_lines,
    dose.exposure,
    # Do the maps show one field.
    alignment.orientation,
    alignment.stretched,
    alignment.seams,
    alignment.combed,
    alignment.wavering,
    alignment.repeated,
    alignment.shown_twice,
    dose.exposure_of_one,
    # Does the physics hold.
    shadow.labels,
    shadow.strangers,
    shadow.metal_dims,
    shadow.glass_dims,
    shadow.composition,
    shadow.shadows,
    # Can the facts be.
    stated.beam_and_lines,
    stated.pixel_size,
)
# Those that need no field.
OF_FACTS: tuple[Test, ...] = (stated.beam_and_lines, stated.pixel_size)
# Those that only single pixels show.
OF_PIXELS: tuple[Test, ...] = (
    counted.doubled, dead.repeated_lines, dead.hot_pixels, counted.one_top, counted.closure,
    counted.clipped, counted.histogram, counted.scatter, counted.brightness, counted.copies,
    counted.subtracted, alignment.combed, alignment.wavering,
)  # fmt: skip
LEAST_PX = 16  # a field of a shorter side shows nothing of these
LARGEST_PX = 4096  # a field of a longer side is examined in sums over squares
COARSE_PX = 1024  # of so many squares a side
BLANK_TESTS: tuple[BlankTest, ...] = (
    bare_plate.blank_conditions, bare_plate.blank_is_counted, bare_plate.blank_is_bare,
    bare_plate.blank_continuum, bare_plate.blank_dose, bare_plate.dwell,
    bare_plate.excess_throws_shadow,
)  # fmt: skip


@dataclass(frozen=True, repr=False)
class Examination:
    """What was tested of a map set before anything was believed of it.

    Parameters
    ----------
    findings : tuple of Finding
        One a test and subject, in the order of the tests.
    maps : xarray.Dataset
        The map set with what could be mended soundly; the same object where nothing was.
    blank : xarray.Dataset or None
        The blank, None where there was none or it could not be used.
    dropped : tuple of str
        Elements whose maps take no further part.
    """

    findings: tuple[Finding, ...]
    maps: xr.Dataset
    blank: xr.Dataset | None = None
    dropped: tuple[str, ...] = ()

    @property
    def table(self) -> pd.DataFrame:
        """One row a finding; the columns of ``examination.csv``."""
        rows = [{name: getattr(one, name) for name in COLUMNS} for one in self.findings]
        return pd.DataFrame(rows, columns=list(COLUMNS))

    @property
    def alarms(self) -> tuple[Finding, ...]:
        """The findings that are not sound."""
        return tuple(one for one in self.findings if one.is_alarm)

    @property
    def is_sound(self) -> bool:
        """True where no test raised an alarm."""
        return not self.alarms

    @property
    def withheld(self) -> Withheld:
        """What must not be said, and why."""
        return withheld_by(self.findings)

    @property
    def counts(self) -> dict[str, int]:
        """How many rows have each finding; for ``summary.json``."""
        words = [one.finding for one in self.findings]
        return {word: words.count(word) for word in FINDINGS}  # type: ignore[arg-type]

    @property
    def notes(self) -> tuple[str, ...]:
        """One sentence an alarm, for the reader."""
        return tuple(f"{one.consequence[:1].upper()}{one.consequence[1:]}." for one in self.alarms)

    def __repr__(self) -> str:
        if self.is_sound:
            return f"Examination: {len(self.findings)} tests, nothing found"
        return "\n".join(
            ["Examination:", *(f"  {one.finding}: {one.check} of {one.subject}: {one.consequence}"
                               for one in self.alarms)]
        )  # fmt: skip

    def _repr_html_(self) -> str:
        return str(self.table.to_html(index=False, escape=True, float_format="{:.3g}".format))


def examine(
    maps: xr.Dataset,
    *,
    blank: xr.Dataset | None = None,
    roles: Roles | None = None,
    mend: bool = True,
) -> Examination:
    """Test whether the maps are what an analysis takes them for.

    Parameters
    ----------
    maps : xarray.Dataset
        A map set; it is not changed.
    blank : xarray.Dataset, optional
        The bare substrate mapped under the same conditions.
    roles : Roles, optional
        Which element belongs to alloy and substrate; None takes what the map set states.
    mend : bool, optional
        Mend what can be mended soundly. Without it, and for a field with a side above 4096 px,
        the tests look at sums over squares, and what rests on a fault is withheld instead.

    Returns
    -------
    Examination
        Its ``table`` has the columns check, subject, finding (sound, doubtful, faulty,
        not_examined), value, limit, consequence and next_step.

    Raises
    ------
    InputError, InputTypeError
        If the maps or the blank are no map set.

    Notes
    -----
    The tests stand in `TESTS`, read from top to bottom. Their limits are set so that all together
    raise an alarm on fewer than one sound field in a hundred, see
    ``tests/benchmarks/spoiled_fields.py``.

    Examples
    --------
    >>> import numpy as np
    >>> from spattermap import make_map_set
    >>> rng = np.random.default_rng(1)
    >>> metal = np.add.outer(np.arange(64) // 16 % 2, np.arange(64) // 16 % 2) == 2
    >>> counts = rng.poisson([np.where(metal, 9.0, 0.3), np.where(metal, 1.0, 6.0)])
    >>> counts[:, 30:34] = 0
    >>> maps = make_map_set(counts, ["Cu", "Si"], alloy={"Cu": 99.0}, substrate=["Si"])
    >>> found = examine(maps)
    >>> [(one.check, one.finding) for one in found.alarms]
    [('lost parts', 'faulty')]
    >>> int((~found.maps["valid"]).sum())
    256
    """
    from spattermap.core.mapset import validate

    validate(maps)
    if blank is not None:
        validate(blank)
    if not mend or max(maps.sizes["y"], maps.sizes["x"]) > LARGEST_PX:
        return _of_large(maps, blank, roles)
    if not hasattr(maps["counts"].data, "dask"):
        return _of_small(maps, blank, roles)
    loaded = maps.compute()
    found = _of_small(loaded, blank, roles)
    return replace(found, maps=maps) if found.maps is loaded else found


def _of_small(maps: xr.Dataset, blank: xr.Dataset | None, roles: Roles | None) -> Examination:
    """Examine maps that are in memory, mending as it goes."""
    state = _Mended(maps, roles)
    small = min(maps.sizes["y"], maps.sizes["x"]) < LEAST_PX
    if small:
        state.take([Finding("all that needs a field", finding="not_examined", limit=LEAST_PX)])
    for test in OF_FACTS if small else TESTS:
        state.take(test(state.seen))
    plate = None if blank is None else as_exported(blank, state.mends)
    if plate is not None and not small:
        for blank_test in BLANK_TESTS:
            found = blank_test(state.seen, observe(plate, roles))
            state.take(found)
            if any(m.kind == "no blank" for one in found for m in one.mends):
                plate = None
                break
    return Examination(tuple(state.findings), state.maps, plate, state.dropped)


def _of_large(maps: xr.Dataset, blank: xr.Dataset | None, roles: Roles | None) -> Examination:
    """Examine a field too large to mend: sums over squares, and its middle at full resolution.

    Sums of counts are counts, so every test holds for them; what only single pixels show is looked
    for in the middle. Where a smaller field would be mended, what rests on the fault is withheld.
    """
    sides = maps.sizes["y"], maps.sizes["x"]
    step = max(1, min(-(-max(sides) // COARSE_PX), min(sides) // (2 * LEAST_PX)))
    plate = None if blank is None else _summed(blank, step)
    coarse = _of_small(_summed(maps, step), plate, roles)
    findings = [_unmended(one) for one in coarse.findings]
    if step > 1:
        middle = observe(_middle(maps), roles)
        fine = {one.check: one for test in OF_PIXELS for one in test(middle) if one.is_alarm}
        findings = [_unmended(fine.get(one.check, one)) for one in findings]
    usable = coarse.blank is not None
    return Examination(tuple(findings), maps, blank if usable else None)


def _summed(maps: xr.Dataset, step: int) -> xr.Dataset:
    """Return a map set summed over squares of `step` pixels, in memory."""
    from spattermap.core.mapset import valid_mask

    kept = [name for name in ("counts", "variance", "valid") if name in maps]
    if step == 1:
        return maps[kept].compute()
    whole = maps[[name for name in kept if name != "valid"]]
    if "valid" in maps:
        whole = whole.where(maps["valid"], 0)
    sides = {"y": step, "x": step}
    out = whole.coarsen(sides, boundary="trim").sum().compute()
    if "valid" in maps:
        out["valid"] = maps["valid"].coarsen(sides, boundary="trim").min().compute()
    out.attrs = dict(maps.attrs)
    if "pixel_size_um" in out.attrs:
        out.attrs["pixel_size_um"] = step * float(out.attrs["pixel_size_um"])
    return out.assign(valid=(("y", "x"), valid_mask(out)))


def _middle(maps: xr.Dataset) -> xr.Dataset:
    """Return the middle of a field, in memory."""
    cut = {}
    for axis in ("y", "x"):
        start = max(0, (maps.sizes[axis] - COARSE_PX) // 2)
        cut[axis] = slice(start, start + COARSE_PX)
    return maps[[n for n in ("counts", "variance", "valid") if n in maps]].isel(cut).compute()


def _unmended(one: Finding) -> Finding:
    """Return a finding that withholds what a mend would have saved."""
    kinds = {m.kind for m in one.mends if m.subject != "blank"}
    held: list[tuple[Answer, str]] = list(one.withholds)
    if kinds & {"mask", "expose"} and one.finding == "faulty":
        held += [("coverage", ""), ("connection", "all"), ("shares", "metal")]
    if kinds & {"offset", "shift"}:
        held += [("verdict", one.subject), ("shares", one.subject)]
    if kinds & {"intensity", "percent", "coarsen"}:
        held += [("verdict", "all"), ("shares", "all"), ("shares", "metal")]
    if not kinds:
        return replace(one, drops=())
    said = f"{one.consequence.split('; ')[0]}; a field of this size is not mended"
    return replace(one, consequence=said, mends=(), drops=(), withholds=tuple(held))


class _Mended:
    """The maps as the tests so far left them."""

    def __init__(self, maps: xr.Dataset, roles: Roles | None) -> None:
        self.maps, self.roles = maps, roles
        self.findings: list[Finding] = []
        self.mends: list[Mend] = []
        self.dropped: tuple[str, ...] = ()
        self.seen = observe(maps, roles)

    def take(self, found: list[Finding]) -> None:
        """Note the findings of one test and apply its mends."""
        found = self._spared([self._no_yardstick(one, found) for one in found])
        if all(not one.mends and not one.drops for one in found):
            self.findings += found
            return
        self.findings += found
        mends: list[Mend] = [m for one in found for m in one.mends if m.subject != "blank"]
        drops = tuple(e for one in found for e in one.drops)
        self.dropped = tuple(dict.fromkeys((*self.dropped, *drops)))
        if mends:
            self.mends += mends
            self.maps = mended(self.maps, mends)
        self.seen = observe(self.maps, self.roles).without(self.dropped)

    def _no_yardstick(self, one: Finding, found: list[Finding]) -> Finding:
        """Return a finding that takes a faulty map out, so that no other is compared with it.

        Where every metal's map is at fault the same way they stay: the noise is then estimated, or
        everything withheld, as the finding says.
        """
        faulty = {
            e
            for f in found
            if f.finding == "faulty"
            for what, e in f.withholds
            if what == "verdict"
        }
        metals = {e for e, s in zip(self.seen.elements, self.seen.signs, strict=True) if s > 0}
        mine = {e for what, e in one.withholds if what == "verdict"} & set(self.seen.elements)
        if one.finding != "faulty" or one.drops or not mine or metals <= faulty:
            return one
        if "all" in faulty:
            return one
        return replace(one, drops=tuple(sorted(mine)))

    def _spared(self, found: list[Finding]) -> list[Finding]:
        """Return findings that leave at least one metal's map, and one pixel in ten.

        Where every metal's map is at fault nothing can be analysed without them: they stay, and
        every answer that rests on them is withheld.
        """
        drops = {e for one in found for e in one.drops}
        metals = {e for e, s in zip(self.seen.elements, self.seen.signs, strict=True) if s > 0}
        if drops and (metals <= drops or set(self.seen.elements) <= drops):
            found = [replace(one, drops=(), withholds=EVERYTHING) for one in found]
        lost = [m.pixels for one in found for m in one.mends if m.pixels is not None]
        gone = sum(int((p & self.seen.valid).sum()) for p in lost)
        if gone > 0.9 * self.seen.n:
            found = [replace(one, mends=(), withholds=EVERYTHING) for one in found]
        return found

"""The passes over the pixels: each a pure function of one part, its results in the store or small.

Pictures in the store, by name: ``raw0`` the unfiltered metal fraction (``raw1``, ... freed of an
uneven bare level), ``fraction0`` the filtered one by tiles (``fraction1``, ... through the wider
filters), ``mask``, ``hills1``, ``hills2``, ``basins``, ``regions``, ``lobes`` (parted by shape),
``moved`` (outlines moved to the rims), ``lined`` (streaks drawn as lines).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from spattermap.core.arrays import Bools, Floats, Integers, Singles
from spattermap.core.grid import Box, Grid, Source, Store
from spattermap.core.mapset import element_names
from spattermap.segment import basins, droplets, filters, hills, lobes, narrow_streaks, rims
from spattermap.segment import level as local
from spattermap.segment.filters import Filter
from spattermap.segment.likelihood import Classes, metal_fraction, stack_of
from spattermap.segment.parting import contacts, pixel_sums
from spattermap.segment.runs import Runs, compacted, regions_of, runs_of


@dataclass(frozen=True)
class Job:
    """What every pass needs to know; small, for it goes to every worker."""

    source: Source  # the pixels
    store: Store  # where pictures are kept in between
    grid: Grid  # the parts
    classes: Classes  # class means
    used: Filter  # the filter of the fraction
    rule: droplets.Parting  # where hills part
    offset: float  # added to the fraction
    signs: tuple[int, ...]  # +1 alloy, -1 substrate, 0 other, by element
    raw: str = "raw0"  # name of the unfiltered fraction, freed of an uneven bare level so far
    n_looks: int = 1  # filters through which regions are looked for
    drawn: str = "regions"  # name of the picture of regions

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the field."""
        return self.grid.shape

    @property
    def tiles(self) -> Grid:
        """The tiles of the filter."""
        return Grid.squares(self.shape, filters.TILE)

    def valid(self, box: Box) -> Bools:
        """Return the pixels to use."""
        return self.source.read("valid", box)

    def fraction(self, box: Box, look: int = 0) -> Singles:
        """Return a window of the filtered metal fraction."""
        return self.store.window(f"fraction{look}", self.tiles, box)

    def height(self, box: Box) -> Singles:
        """Return a window of the height map."""
        return droplets.height_of(self.fraction(box), self.valid(box), self.offset)

    def regions(self, box: Box, table: str) -> npt.NDArray[np.int32]:
        """Return a window of the regions, by the numbers that a table kept for them gives."""
        return np.asarray(self.store.recall(table)[self.store.window(self.drawn, self.grid, box)])

    def numbered(self, name: str, box: Box) -> npt.NDArray[np.int32]:
        """Return a window of a numbered picture, its numbers looked up in their tables."""
        tables: Sequence[Any] = self.store.recall_all(f"{name}_tables")
        if name == "basins":
            tables = [basins.Ends(ends) for ends in tables]
        return self.store.window(name, self.grid, box, tables=tables)


class Task(NamedTuple):
    """One part of one pass."""

    job: Job
    k: int
    more: Any = None


def every(job: Job, more: Any = None, *, grid: Grid | None = None) -> list[Task]:
    """Return one task for each part."""
    return [Task(job, k, more) for k in range(len(grid or job.grid))]


def raw_part(task: Task) -> int:
    """Write the unfiltered metal fraction of a part; return its number of valid pixels."""
    job, k, _ = task
    box = job.grid.box(k)
    valid = job.valid(box)
    names = element_names(job.source.maps)
    stack = stack_of(
        job.source.counts(box), elements=names, signs=job.signs, valid=valid, variance=None
    )
    job.store.put("raw0", k, metal_fraction(stack, job.classes))
    return int(np.count_nonzero(valid))


def filter_tile(task: Task) -> None:
    """Write one tile of the filtered fraction; `more` is the look and its filter."""
    job, k, (look, used) = task
    box = job.tiles.box(k)
    outer = box.grown(filters.REACH, job.shape)
    raw = job.store.window(job.raw, job.grid, outer)
    valid = job.valid(outer)
    raw = raw if valid.all() else filters.bridged(raw, valid)
    rows = filters.mirrored(box.top, box.bottom, job.shape[0]) - outer.top
    columns = filters.mirrored(box.left, box.right, job.shape[1]) - outer.left
    done = used.apply_tile(raw[np.ix_(rows, columns)])
    job.store.put(f"fraction{look}", k, done.astype(np.float32))


def bare_part(task: Task) -> local.BareSums:
    """Return the sums over bare pixels of a part that starts and ends on borders of blocks."""
    job, k, (reach, grid) = task
    box: Box = grid.box(k)
    outer = box.grown(reach.margin + 1, job.shape)
    bare = reach.bare(job.fraction(outer), job.valid(outer))[box.inside(outer)]
    raw = job.store.window(job.raw, job.grid, box)
    return local.bare_sums(raw, bare, job.valid(box), side=reach.side)


def level_part(task: Task) -> None:
    """Write the unfiltered fraction of a part less the uneven bare level; `more` is its name."""
    job, k, name = task
    box = job.grid.box(k)
    level = local.Level.from_arrays(*job.store.recall_all("level"))
    share = 1 - np.clip(job.fraction(box), 0, 1)
    raw = job.store.part(job.raw, k)
    job.store.put(name, k, raw - level.at(box.rows, box.columns) * share)


def first_hills(task: Task) -> hills.Climbed:
    """Find the hills of the metal fraction in a part; write them and the mask."""
    job, k, _ = task
    core = job.grid.box(k)
    ring = core.grown(1, job.shape)
    outer = ring.grown(2 * math.ceil(job.rule.least_area) + 2, job.shape)
    height = job.height(outer)
    mask = droplets.without_pinholes(height > 0.5, job.rule.least_area)
    mask, height = mask[ring.inside(outer)], height[ring.inside(outer)]
    job.store.put("mask", k, mask[core.inside(ring)])
    node, found = hills.climb(
        height, mask.astype(np.int32), window=ring, core=core, shape=job.shape, rule=job.rule.dips
    )
    job.store.put("hills1", k, node)
    return found


def second_hills(task: Task) -> hills.Climbed:
    """Find the hills of the distance to the edge, within those of the fraction."""
    job, k, _ = task
    core = job.grid.box(k)
    ring = core.grown(1, job.shape)
    reach = int(droplets.FARTHEST) + int(4 * job.rule.blunt + 0.5) + 2
    outer = ring.grown(reach, job.shape)
    mask = job.store.window("mask", job.grid, outer)
    distance = droplets.blunted_distance(mask, job.rule.blunt)[ring.inside(outer)]
    node, found = hills.climb(
        distance,
        job.numbered("hills1", ring),
        window=ring,
        core=core,
        shape=job.shape,
        rule=job.rule.necks,
    )
    job.store.put("hills2", k, node)
    return found


def basins_part(task: Task) -> basins.Grown:
    """Grow the hills of a part down to the lowest height that metal can have at its edge."""
    job, k, name = task
    core = job.grid.box(k)
    ring = core.grown(1, job.shape)
    label = job.numbered(name, ring)
    grown, found = basins.grow(
        label, job.height(ring), window=ring, core=core, floor=droplets.ADMITTED
    )
    job.store.put("basins", k, grown)
    return found


def cuts_part(task: Task) -> basins.Cuts:
    """Find where the basins of a part are cut."""
    job, k, _ = task
    core = job.grid.box(k)
    return basins.cuts(
        job.numbered("basins", core),
        job.height(core),
        core=core,
        shape=job.shape,
        table=droplets.edge_table(job.used),
    )


class PartRegions(NamedTuple):
    """What one part knows of its regions, one entry a region."""

    region: npt.NDArray[np.int32]  # hill each region is what is left of
    area: npt.NDArray[np.int64]  # pixels
    box: npt.NDArray[np.int64]  # (region, 4): first row and column, row and column after the last
    rim: npt.NDArray[np.int64]  # pixels on the frame of the field or beside a mask
    top: npt.NDArray[np.float64]  # (look, region): highest filtered fraction


def regions_part(task: Task) -> PartRegions:
    """Cut the basins of a part; write what is left, and return what is known of it."""
    job, k, _ = task
    core = job.grid.box(k)
    level = job.store.recall("levels")
    basin = job.numbered("basins", core)
    label = np.where((basin > 0) & (job.height(core) >= level[basin]), basin, np.int32(0))
    job.store.put("regions", k, label)
    return _found_in(job, core, label, level.size)


def redrawn_part(task: Task) -> PartRegions:
    """Put regions drawn otherwise (kept as "drawn") in place of a part's own."""
    job, k, n = task
    core = job.grid.box(k)
    label = job.store.recall("drawn")[core.rows, core.columns]
    job.store.put("regions", k, label)
    return _found_in(job, core, label, n)


def _found_in(job: Job, core: Box, label: npt.NDArray[np.int32], size: int) -> PartRegions:
    """Return what a part knows of its regions, by numbers below `size`."""
    runs = runs_of(label, core.top, core.left)
    names, area, box = regions_of(runs)
    place = np.zeros(size, np.int32)
    place[names] = np.arange(names.size)
    inside = label > 0
    top = np.full((job.n_looks, names.size), -np.inf)
    for look, highest in enumerate(top):
        of_run = _highest(job.fraction(core, look)[inside], runs)
        np.maximum.at(highest, place[runs.label], of_run)
    ring = core.grown(1, job.shape)
    frame = (
        (int(ring.top == core.top), int(ring.bottom == core.bottom)),
        (int(ring.left == core.left), int(ring.right == core.right)),
    )
    valid = np.pad(job.valid(ring), frame)
    inner = valid[1:-1, 1:-1] & valid[:-2, 1:-1] & valid[2:, 1:-1]
    inner &= valid[1:-1, :-2] & valid[1:-1, 2:]
    rim = np.bincount(place[label[inside & ~inner]], minlength=names.size)
    return PartRegions(names, area, box, rim, top)


def _highest(values: Singles, runs: Runs) -> Singles:
    """Return the highest value of every run, of those of all pixels of runs in raster order."""
    length = runs.after - runs.first
    return np.asarray(np.maximum.reduceat(values, np.cumsum(length) - length))


def contacts_part(task: Task) -> Integers:
    """Return the pairs of regions that touch in a part or across its border, dims (pair, 2)."""
    job, k, _ = task
    ring = job.grid.box(k).grown(1, job.shape)
    pairs = contacts(job.regions(ring, "numbers"))
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def runs_part(task: Task) -> Runs:
    """Return the runs of the wanted regions of a part; `more` names a flag for every region."""
    job, k, wanted = task
    core = job.grid.box(k)
    label = job.regions(core, "numbers")
    flags = job.store.recall(wanted)
    return runs_of(np.where(flags[label], label, np.int32(0)), core.top, core.left)


def middle_part(task: Task) -> droplets.Middles:
    """Return the signal in the middle of the droplets whose middle lies in a part."""
    job, k, sigma = task
    core = job.grid.box(k)
    outer = core.grown(droplets.WIDEST // 2 + 1, job.shape)
    box = job.store.recall("boxes")
    y, x = (box[:, 0] + box[:, 2]) // 2, (box[:, 1] + box[:, 3]) // 2
    mine = (y >= core.top) & (y < core.bottom) & (x >= core.left) & (x < core.right)
    mine &= (box[:, 2:] - box[:, :2] <= droplets.WIDEST).all(axis=1)
    mine[0] = False
    label = job.regions(outer, "labels")
    mine = np.append(mine, np.zeros(1, bool))[np.minimum(label, mine.size)]
    return droplets.middles(
        job.fraction(outer), np.where(mine, label, np.int32(0)), sigma=sigma, n=len(box) - 1
    )


class Beside(NamedTuple):
    """What one part knows of its droplets before they are parted by shape."""

    touching: Integers  # (pair, 2): droplets that touch, and droplets and streaks that do
    droplet: Integers  # (droplet,): droplets with pixels in the part
    sums: Integers  # (droplet, 6): as `parting.pixel_sums`


def beside_part(task: Task) -> Beside:
    """Return which droplets of a part touch, and their sums; `more` is the number of droplets."""
    job, k, n_droplets = task
    core = job.grid.box(k)
    ring = core.grown(1, job.shape)
    label = job.regions(ring, "labels")
    droplet = np.where(label <= n_droplets, label, np.int32(0))
    pairs = np.array(contacts(label), dtype=np.int64).reshape(-1, 2)
    names, dense = compacted(droplet[core.inside(ring)], n_droplets)
    sums = pixel_sums(dense, names.size - 1, core.top, core.left)
    return Beside(pairs, names[1:], sums[1:])


def lone_part(task: Task) -> tuple[lobes.Lone, lobes.Outline]:
    """Return what lone droplets within a part show; the outlines of the lumps that are cut."""
    inside, outline, seen = _lumps_of_part(task)
    lump, sums, _, _ = seen
    within = outline.of(inside[lump[outline.label]])
    alone = lobes.lone_in(within, lump, sums, task.more, wanted=np.flatnonzero(inside))
    return alone, outline.of(~inside[lump[outline.label]])


def explained_part(task: Task) -> lobes.Explained:
    """Explain the lumps that lie within a part; `more` is what outlines tell."""
    inside, outline, (lump, sums, _, left) = _lumps_of_part(task)
    return lobes.explain_lumps(
        outline, lump, sums, task.more, wanted=np.flatnonzero(inside), left=left
    )


def _lumps_of_part(task: Task) -> tuple[Bools, lobes.Outline, Sequence[Any]]:
    """Return which lumps lie within a part, all outlines in it, and what is known of lumps.

    An outline's point belongs to the part of its earlier pixel, so that a lump at a part's first
    row or column is cut too.
    """
    job, k, _ = task
    core = job.grid.box(k)
    outer = core.grown(2, job.shape)
    seen = job.store.recall_all("lumps_seen")
    lump, _, box, _ = seen
    outline = lobes.outline_of(
        job.height(outer),
        job.regions(outer, "labels"),
        job.store.recall("label_levels"),
        core=core,
        window=outer,
        across=job.shape[1],
    )
    outline = outline.of(outline.label < lump.size)
    first, after = np.array([core.top, core.left]), np.array([core.bottom, core.right])
    inside = ((box[:, :2] > first) | (first == 0)).all(axis=1) & (box[:, 2:] <= after).all(axis=1)
    inside[0] = False
    return inside, outline, seen


class Painted(NamedTuple):
    """What one part knows of its droplets as they were parted by shape, one entry a droplet."""

    droplet: Integers  # number of the ellipse, from 1; streaks come after them
    area: Integers  # pixels
    box: Integers  # (droplet, 4): first row and column, row and column after the last
    confidence: Floats  # highest of the droplets that were there before; NaN for streaks


def paint_part(task: Task) -> Painted:
    """Part the droplets of a part by shape; write them, and return what is known of them."""
    job, k, n_droplets = task
    core = job.grid.box(k)
    label = job.regions(core, "labels")
    lumps = lobes.Lumps(*job.store.recall_all("lumps"))
    confidence = np.append(np.nan, job.store.recall("confidence"))
    droplet = np.where(label <= n_droplets, label, np.int32(0))
    drawn = lobes.paint(lumps.lump[droplet], lumps.ellipses, lumps.begin, core.top, core.left)
    drawn = np.where(lumps.kept[droplet] > 0, lumps.kept[droplet], drawn)
    after = label > n_droplets
    drawn[after] = label[after] - np.int32(n_droplets) + np.int32(len(lumps.ellipses))
    size = len(lumps.ellipses) + 1 + max(0, int(label.max(initial=0)) - n_droplets)
    job.store.put("lobes", k, drawn)
    names, area, box = regions_of(runs_of(drawn, core.top, core.left))
    trust = np.full(names.size, np.nan)
    place = np.zeros(size, np.int32)
    place[names] = np.arange(names.size)
    inside = drawn > 0
    np.fmax.at(trust, place[drawn[inside]], confidence[droplet[inside]])
    return Painted(names.astype(np.int64), area, box, trust)


def deepest_part(task: Task) -> tuple[Integers, Singles]:
    """Return the regions of a part, and how deep each reaches within the metal (px)."""
    job, k, _ = task
    core = job.grid.box(k)
    outer = core.grown(rims.REACH + 1, job.shape)
    label = job.regions(outer, "labels")
    depth = rims.depth_of(label)[core.inside(outer)]
    label = label[core.inside(outer)]
    runs = runs_of(label, core.top, core.left)
    names, own = np.unique(runs.label, return_inverse=True)
    deepest = np.zeros(names.size, np.float32)
    if names.size:
        np.maximum.at(deepest, own, _highest(depth[label > 0], runs))
    return names.astype(np.int64), deepest


def moved_part(task: Task) -> PartRegions:
    """Move the outlines of a part to the rims; write the regions, and return what is known."""
    job, k, _ = task
    core = job.grid.box(k)
    outer = core.grown(2 * math.ceil(rims.FARTHEST) + 2, job.shape)
    shift, deepest = job.store.recall("shifts")
    label = rims.move(job.regions(outer, "labels"), job.fraction(outer), shift, deepest)
    label = np.where(job.valid(core), label[core.inside(outer)], np.int32(0))
    job.store.put("moved", k, label)
    return _found_in(job, core, label, shift.size)


def lines_tile(task: Task) -> narrow_streaks.Found:
    """Return the lines whose middle lies in a tile; `more`: what they are looked for with.

    Tiles lie on one grid however a field is cut, so that lines do not depend on the parts. A line
    that reaches over a border may be given by both tiles.
    """
    job, k, (seen, compact, drawn, least, uneven) = task
    box = job.tiles.box(k)
    outer = box.grown(narrow_streaks.MARGIN, job.shape)
    window = narrow_streaks.Window(
        outer,
        job.source.counts(outer),
        job.valid(outer),
        np.zeros(outer.shape),
        job.regions(outer, "labels"),
        np.zeros(0, bool),
        np.zeros(0, bool),
    )
    found = narrow_streaks.look(
        window, seen, compact=compact, drawn=drawn, least=least, uneven=uneven
    )
    mine, cut, field = [], [], Box(0, 0, *job.shape)
    for one in found.lines:
        y, x = one.of(one.middle)
        if _holds(box, one.box(4, field)):
            mine.append(one)
        elif _holds(box.grown(2, job.shape), Box(int(y), int(x), int(y) + 1, int(x) + 1)):
            cut.append(one)
    return found._replace(lines=mine, cut=cut)


def _holds(box: Box, other: Box) -> bool:
    rows = box.top <= other.top and other.bottom <= box.bottom
    return rows and box.left <= other.left and other.right <= box.right


def lined_part(task: Task) -> PartRegions:
    """Draw lines over a part; write the regions; `more`: the lines, and the number of droplets.

    What is drawn has the final labels: droplets keep their pixels, streaks give way to lines.
    """
    job, k, (found, n_droplets, n_before) = task
    core = job.grid.box(k)
    label = job.regions(core, "labels").copy()
    valid = job.valid(core)
    for number, line in enumerate(found, start=n_before + 1):
        near = line.box(2, Box(0, 0, *job.shape))
        shared = Box(
            max(near.top, core.top), max(near.left, core.left),
            min(near.bottom, core.bottom), min(near.right, core.right),
        )  # fmt: skip
        if shared.bottom <= shared.top or shared.right <= shared.left:
            continue
        here = shared.inside(core)
        old = label[here]
        free = (old == 0) | ((old > n_droplets) & (old <= n_before))
        old[line.covers(shared) & free & valid[here]] = number
    job.store.put("lined", k, label)
    return _found_in(job, core, label, n_before + len(found) + 1)

"""The table of droplets of a mosaic, written part by part, and what is summed up from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from spattermap.core.mapset import facts
from spattermap.core.results import tables_in_unit
from spattermap.mosaics.measuring import Measured, Plan, rows_file
from spattermap.segment.runs import Gathered

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Sizes:
    """Diameters and shapes of the droplets, in the map set's length unit."""

    diameters: npt.NDArray[np.float64]
    weights: npt.NDArray[np.float64]
    summary: pd.DataFrame
    shapes: pd.DataFrame


def droplets_file(plan: Plan, parts: Sequence[Measured], stage: Path) -> pd.DataFrame:
    """Write the table of droplets part by part; return the columns that are summed up."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    known = facts(plan.source.maps)
    unit = known.length_unit
    kept = ["droplet", "diameter_um", "area_um2", "aspect_ratio", "circularity", "solidity",
            "widest_um", "narrowest_um", "touches_border"]  # fmt: skip
    shown, writer = [], None
    folder = plan.store.folder
    try:
        for k in range(len(parts) + 1):
            last = k == len(parts)
            rows = _cut_rows(plan, parts) if last else pd.read_parquet(rows_file(folder, k))
            shown.append(rows[kept])
            table = pa.Table.from_pandas(tables_in_unit(rows, unit), preserve_index=False)
            if writer is None:
                writer = pq.ParquetWriter(stage / "droplets.parquet", table.schema)
            writer.write_table(table.cast(writer.schema))
    finally:
        if writer is not None:
            writer.close()
    found = pd.concat([one for one in shown if len(one)] or shown[:1])
    # In the order of the whole field, so that the resampling is the same however it was cut.
    return found.sort_values("droplet", ignore_index=True)


def _cut_rows(plan: Plan, parts: Sequence[Measured]) -> pd.DataFrame:
    """Measure the droplets that lie in several parts, gathered whole."""
    from spattermap.measure.regions import as_droplets, measure_runs

    source = plan.source
    runs = Gathered([one.cut.runs for one in parts]).runs
    names, place = np.unique(np.concatenate([one.cut.label for one in parts]), return_inverse=True)
    n_elements = source.maps.sizes["element"]
    sums, noise = np.zeros((names.size, n_elements)), np.zeros((names.size, n_elements))
    np.add.at(sums, place, np.concatenate([one.cut.sums for one in parts]))
    np.add.at(noise, place, np.concatenate([one.cut.noise for one in parts]))
    masked = np.zeros(names.size, dtype=bool)
    np.logical_or.at(masked, place, np.concatenate([one.cut.masked for one in parts]))
    rows = measure_runs(
        np.column_stack(runs),
        sums,
        noise,
        shape=source.shape,
        elements=[str(e) for e in source.maps["element"].values],
        pixel_size=facts(source.maps).pixel_size,
    )
    rows["touches_border"] |= masked
    return as_droplets(rows, plan.found.confidence[names - 1])


def sizes_of(plan: Plan, rows: pd.DataFrame) -> Sizes:
    """Return diameters and shapes of the droplets, those the border cuts counted for others."""
    from spattermap.measure.form import weights_in_field
    from spattermap.measure.shapes import shape_class, shape_shares
    from spattermap.measure.sizes import size_summary

    size, settings = facts(plan.source.maps).pixel_size, plan.settings
    box = plan.found.box[rows["droplet"].to_numpy(dtype=np.int64)]
    inside = ~rows["touches_border"].to_numpy(dtype=bool)
    weight = weights_in_field(box, inside, shape=plan.grid.shape)
    diameter = rows["diameter_um"].to_numpy(dtype=np.float64)
    summary = size_summary(
        diameter,
        weights=weight,
        level=settings.level,
        seed=settings.seed,
        n_resamples=settings.n_resamples,
        area_step=size**2,
    )
    shapes = shape_shares(shape_class(rows, pixel_size=size), weights=weight, level=settings.level)
    return Sizes(diameter, weight, summary, shapes)

"""Put the parts together: what the deposit looks like, in numbers.

How the metal arrived: each alternative, with what speaks for it and against it.

How many droplets and fields are enough, against what was measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from spattermap.core.arrays import Bools, Floats, Integers
from spattermap.core.errors import image_2d, one_of, positive
from spattermap.core.estimate import span
from spattermap.core.grid import Windowed
from spattermap.core.mapset import unit_name
from spattermap.core.settings import Settings
from spattermap.measure.coverage import (
    Coverage,
    coverage_interval,
    fields_needed,
    threshold_sensitivity,
    with_doubt,
)
from spattermap.measure.fits import SizeFit, fit_sizes
from spattermap.measure.placement import LARGEST_SIMULATED, Spacing, spacing
from spattermap.measure.shapes import Satellites, distance_to, satellites, shape_class, shape_shares
from spattermap.measure.sizes import (
    MISDRAWN,
    UNSURE_PX,
    Unsure,
    border_weights,
    droplets_needed,
    masked_border_weights,
    particles_needed,
    size_summary,
)

if TYPE_CHECKING:
    from spattermap.segment.result import Segmentation

COLUMNS = [
    "alternative", "share", "share_low", "share_high", "speaks_for", "speaks_against", "next_step",
]  # fmt: skip

# Shares of the metal signal below which an alternative is called small, and above which large
# (ours; common practice has none).
SMALL, LARGE = 0.1, 0.5

# Particles and islands grown from vapour by coalescence have geometric standard deviations of 1.2
# to 1.6 (Granqvist and Buhrman, J. Appl. Phys. 47 (1976) 2200; from memory). Narrower sizes tell
# nothing: drops can be as alike.
WIDER_THAN_VAPOUR = 1.8


@dataclass(frozen=True)
class Findings:
    """What the evidence is drawn from."""

    # ``share_droplets``, ``share_streaks``, ``share_haze`` of the metal signal, with ``_low`` and
    # ``_high`` where known; a missing key means not measured
    shares: Mapping[str, float]
    # how many were found
    n_droplets: int
    n_streaks: int
    shapes: pd.DataFrame  # as `shape_shares` returns it
    coverage: float  # area fraction of metal
    texture: float  # distance over which the metal is correlated
    smallest: float  # smallest trusted diameter
    unit: str  # length unit for the sentences
    # excess of small droplets near the rims of large ones, and its p-value; NaN if unknown
    satellites_excess: float = float("nan")
    satellites_p: float = float("nan")
    sigma_g: float = float("nan")  # geometric standard deviation of the diameters; NaN if unknown
    # share of the metal in one region that crosses the field; 0 where none does
    joined: float = 0.0
    cut: CutPieces | None = None  # pieces wider than the field shows, if they hold most metal

    @property
    def is_film(self) -> bool:
        """Whether most of the metal is one region, so that droplets are only its parts."""
        return self.joined > LARGE

    @property
    def shown_unit(self) -> str:
        """The unit as a reader writes it."""
        return unit_name(self.unit)


def evidence(found: Findings) -> pd.DataFrame:
    """Weigh the ways in which the metal can have arrived: one row an alternative, none a verdict.

    Columns ``alternative``, ``share`` with bounds (of the metal signal; NaN where not measured),
    ``speaks_for``, ``speaks_against`` (tuples of sentences) and the ``next_step`` that would settle
    it.
    """
    rows = [_drops(found), _streaks(found), _haze(found), _film(found)]
    return pd.DataFrame(rows, columns=COLUMNS)


def _share(found: Findings, name: str) -> tuple[float, float, float]:
    key = f"share_{name}"
    nan = float("nan")
    return (
        float(found.shares.get(key, nan)),
        float(found.shares.get(f"{key}_low", nan)),
        float(found.shares.get(f"{key}_high", nan)),
    )


def _shape(found: Findings, name: str) -> tuple[float, float, float]:
    row = found.shapes[found.shapes["shape"] == name]
    share, low, high = row[["share", "share_low", "share_high"]].to_numpy(dtype=np.float64)[0]
    return float(share), float(low), float(high)


def _percent(value: float) -> str:
    return f"{100 * value:.0f} %" if value >= 0.1 else f"{100 * value:.1f} %"


def _weigh_share(share: tuple[float, float, float], where: str) -> tuple[list[str], list[str]]:
    value, low, high = share
    if not np.isfinite(value):
        return [], []
    sentence = f"{_percent(max(value, 0.0))} of the metal signal lies in {where}"
    if np.isfinite(low) and np.isfinite(high):
        sentence += f" ({span(max(low, 0.0), max(high, 0.0), _percent)})"
    sentence += "."
    surely_there = low > 0 if np.isfinite(low) else value > SMALL
    if value >= SMALL and surely_there:
        return [sentence], []
    return [], [sentence]


def _drops(found: Findings) -> tuple[object, ...]:
    if found.is_film:
        return _drops_of_a_film()
    share = _share(found, "droplets")
    pro, contra = _weigh_share(share, "droplets")
    if found.cut:
        contra.append(
            f"{_percent(found.cut.share)} of the covered area lies in pieces wider than the field "
            "shows: they may be parts of a film."
        )
    if found.n_droplets == 0:
        contra.append(f"No droplet of {found.smallest:.3g} {found.shown_unit} or more was found.")
    round_share, low, high = _shape(found, "round")
    if np.isfinite(round_share):
        sentence = (
            f"{_percent(round_share)} of the resolved droplets are round "
            f"({span(low, high, _percent)}), as surface tension leaves them."
        )
        if low > LARGE:
            pro.append(sentence)
        elif high < LARGE:
            contra.append(
                f"Only {_percent(round_share)} of the resolved droplets are round "
                f"({span(low, high, _percent)})."
            )
    if found.satellites_p < 0.05 and found.satellites_excess > 1:
        pro.append(
            f"Small droplets gather at the rims of large ones, {found.satellites_excess:.2g} "
            f"times as many as by chance (p = {found.satellites_p:.2g}): liquid that splashed."
        )
    if found.sigma_g > WIDER_THAN_VAPOUR:
        pro.append(
            f"Diameters spread more widely (geometric standard deviation {found.sigma_g:.2f}) "
            "than those of particles grown from vapour, which reach about 1.5."
        )
    step = "A tilted view or a cross-section of a few droplets: caps and contact angles."
    return ("molten drops", *share, tuple(pro), tuple(contra), step)


def _drops_of_a_film() -> tuple[object, ...]:
    nan = float("nan")
    contra = "The metal is one joined region, in which drops cannot be counted."
    step = "A cross-section of the film: splats lie as layers, vapour grows columns."
    return ("molten drops", nan, nan, nan, (), (contra,), step)


def _streaks(found: Findings) -> tuple[object, ...]:
    share = _share(found, "streaks")
    pro, contra = _weigh_share(share, "streaks") if found.n_streaks else ([], [])
    if found.n_streaks:
        word = "streak was" if found.n_streaks == 1 else "streaks were"
        pro.append(f"{found.n_streaks} {word} found.")
    else:
        contra.append("No streak was found.")
    for shape, means in (
        ("elongated", "elongated: drops that hit at an angle"),
        ("splashed", "lobed or fingered: drops that splashed, or that merged"),
    ):
        value, low, _ = _shape(found, shape)
        if np.isfinite(value) and low > SMALL and not found.is_film:
            pro.append(f"{_percent(value)} of the resolved droplets are {means}.")
    step = "A second field further from the source: streaks point away from it."
    return ("streaks and splashes", *share, tuple(pro), tuple(contra), step)


def _haze(found: Findings) -> tuple[object, ...]:
    share = _share(found, "haze")
    where = "the film's gaps" if found.is_film else "the haze between droplets and streaks"
    pro, contra = _weigh_share(share, where)
    if pro:
        contra.append(
            f"Droplets below {found.smallest:.3g} {found.shown_unit} would look the same in these "
            "maps."
        )
    step = (
        "A bare plate mapped under the same conditions as the zero, and one field at several "
        "times the magnification: a film stays smooth, fine droplets part."
    )
    return ("vapour or fine haze", *share, tuple(pro), tuple(contra), step)


def _film(found: Findings) -> tuple[object, ...]:
    nan = float("nan")
    pro, contra = [], []
    covered = f"{_percent(found.coverage)} of the field is covered"
    if found.is_film:
        pro.append(f"{covered}, {_percent(found.joined)} of that by one joined region.")
    elif found.coverage > 0.9:
        pro.append(f"{covered}.")
    elif found.coverage < LARGE:
        contra.append(f"Only {covered}.")
    else:
        contra.append(f"{covered}, so the film has holes, or the droplets have not yet joined.")
    if found.texture > 0 and not found.is_film:
        contra.append(
            f"The metal has a texture of about {found.texture:.3g} {found.shown_unit}: separate "
            "features."
        )
    step = "The sheet resistance across the field, against the connected area."
    return ("continuous film", nan, nan, nan, tuple(pro), tuple(contra), step)


# Relative accuracy that "enough" means, unless asked otherwise.
ENOUGH = 0.05


def geometric_spread(diameter: Floats, weight: Floats) -> float:
    """Return the geometric standard deviation of weighted diameters.

    Dims: `diameter, weight` (droplet,).
    """
    kept = weight > 0
    if kept.sum() < 3:
        return float("nan")
    logs = np.log(diameter[kept])
    mean = np.average(logs, weights=weight[kept])
    return float(np.exp(np.sqrt(np.average((logs - mean) ** 2, weights=weight[kept]))))


def how_many_more(
    diameter: npt.ArrayLike,
    weights: npt.ArrayLike,
    *,
    coverage: Coverage | None = None,
    error: float = ENOUGH,
    level: float = 0.95,
) -> pd.DataFrame:
    """Return what was measured against what is needed, and how many more such fields to map.

    Parameters
    ----------
    diameter : array_like, dims (droplet,)
        Diameters.
    weights : array_like, dims (droplet,)
        Number of droplets each entry stands for; 0 where it is not used.
    coverage : Coverage, optional
        Of the same field.
    error : float
        Relative error that counts as enough (half width of the interval).
    level : float
        Confidence level (0 to 1).

    Returns
    -------
    pandas.DataFrame
        ``quantity, n_measured, n_needed, n_needed_with_fit, more_fields``. `n_needed` is for the
        value taken straight from the droplets; `n_needed_with_fit` supposes a lognormal fit
        (ISO 13322-1). For coverage they count fields. NaN where it cannot be told.

    Examples
    --------
    >>> d = np.random.default_rng(1).lognormal(1.0, 0.4, 100)
    >>> table = how_many_more(d, np.ones(100))
    >>> dict(zip(table["quantity"], table["more_fields"].tolist(), strict=True))
    {'D[1,0]': 1.0, 'D[3,2]': 4.0, 'D[4,3]': 9.0}
    """
    d, w = np.asarray(diameter, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    d, w = d[w > 0], w[w > 0]
    spread = geometric_spread(d, w)
    rows = []
    for name, p, q, power, basis in (
        ("D[1,0]", 1, 0, 1.0, 0.0),
        ("D[3,2]", 3, 2, 1.0, 2.0),
        ("D[4,3]", 4, 3, 1.0, 3.0),
    ):
        needed = droplets_needed(d, p, q, weights=w, error=error, level=level)
        fitted = float("nan")
        if np.isfinite(spread):
            fitted = particles_needed(spread, error=error, level=level, power=power, basis=basis)
        more = max(0.0, np.ceil(needed / len(d)) - 1) if len(d) else float("nan")
        rows.append((name, float(len(d)), needed, fitted, more))
    if coverage is not None:
        needed = float("nan")
        if coverage.value > 0 and coverage.standard_error > 0:
            needed = float(
                fields_needed(
                    coverage.value,
                    coverage.standard_error,
                    relative_accuracy=100 * error,
                    level=level,
                )
            )
        rows.append(("coverage", 1.0, needed, float("nan"), max(0.0, needed - 1)))
    columns = ["quantity", "n_measured", "n_needed", "n_needed_with_fit", "more_fields"]
    return pd.DataFrame(rows, columns=columns)


# Two rims are parted by at least a bare pixel, centre to centre two; blurred rims run together
# within the full width at half height of the blur, 2 sqrt(2 ln 2) standard deviations.
ONE_BARE_PIXEL = 2.0
FULL_WIDTH = 2.355
LARGEST_WINDOW = 2048  # px; in which droplets are compared where the whole field is not in memory


@dataclass(frozen=True)
class Morphology:
    """What the deposit looks like."""

    coverage: Coverage  # area fraction of metal with its interval
    # coverage at shifted decisions between metal and bare (`threshold_sensitivity`)
    sensitivity: pd.DataFrame
    droplet_count: int  # droplets found, those cut by the border included
    # percentiles and means of the diameter with intervals, border-corrected (`size_summary`)
    sizes: pd.DataFrame
    sizes_uncorrected: pd.DataFrame  # the same from all droplets alike, for comparison
    # (droplet,): how many droplets each row of the droplet table stands for; 0 where the border
    # cuts it
    border_weight: Floats
    # fitted distributions, best first (`fit_sizes`); empty with too few droplets
    fits: list[SizeFit]
    # droplets measured against droplets needed, and how many more fields to map
    enough: pd.DataFrame
    # (droplet,): class of each row of the droplet table (`shape_class`)
    shape_class: npt.NDArray[np.str_]
    shapes: pd.DataFrame  # share of each class with its interval
    satellites: Satellites  # small droplets near the rims of large ones
    spacing: Spacing  # clustered, random or ordered
    # each way the metal can have arrived, with what speaks for and against it
    arrival: pd.DataFrame
    texture: float  # distance over which the metal is correlated, in the unit of the table
    notes: tuple[str, ...] = ()  # sentences the reader of the result must see

    def summary(self) -> dict[str, Any]:
        """Return the keys of ``summary.json`` that describe the morphology."""
        return {
            "coverage": self.coverage.value,
            "coverage_low": self.coverage.low,
            "coverage_high": self.coverage.high,
            "droplet_count": self.droplet_count,
            **size_numbers(self.sizes),
        }


def size_numbers(sizes: pd.DataFrame) -> dict[str, float | None]:
    """Return the keys of ``summary.json`` that a table of sizes fills."""
    values: dict[str, float | None] = {}
    for percent in (10, 50, 90):
        row = sizes.loc[f"number D{percent}"]
        for end, column in (("", "value"), ("_low", "low"), ("_high", "high")):
            values[f"d{percent}_um{end}"] = _finite(row[column])
    values["area_d50_um"] = _finite(sizes.loc["area D50", "value"])
    return values


def _finite(value: Any) -> float | None:
    number = float(value)
    return number if np.isfinite(number) else None


def describe(
    segmentation: Segmentation,
    droplets: pd.DataFrame,
    *,
    pixel_size: float = 1.0,
    settings: Settings | None = None,
    valid: npt.ArrayLike | Windowed | None = None,
    length_unit: str = "um",
    shares: Mapping[str, float] | None = None,
    joined: float = 0.0,
    cover: tuple[Coverage, pd.DataFrame] | None = None,
) -> Morphology:
    """Return coverage, sizes, shapes, spacing and arrival of a segmented field.

    `droplets` is the table of `measure_regions`, in the unit of `pixel_size`. Dims: `valid` (y, x);
    a view stays on disk, and how many droplets its mask cuts is then not corrected for. Without
    `shares` (as `metal_shares` gives them) the evidence of arrival rests on the labels alone.
    `joined`: share of the metal in one region that crosses the field. `cover`: coverage and its
    sensitivity where the pictures do not fit into memory.
    """
    size = positive(pixel_size, "pixel_size")
    one_of(length_unit, "length_unit", ("um", "px"))
    chosen = settings or Settings()
    rows = droplets[droplets["droplet"] <= segmentation.n_droplets]
    use: Any = valid
    if valid is not None and not isinstance(valid, Windowed):
        use = image_2d(valid, "valid").astype(bool)
    coverage, sensitivity = cover or (
        _coverage(segmentation, use, chosen),
        threshold_sensitivity(segmentation.log_odds, valid=use),
    )
    weight = border_weight(segmentation, rows, use)
    diameter = rows["diameter_um"].to_numpy(dtype=np.float64)
    sizes = partial(
        size_summary,
        level=chosen.level,
        seed=chosen.seed,
        area_step=size**2,
        unsure=_unsure(segmentation, rows, size),
    )
    fits = _fits(segmentation, diameter[weight > 0], size, chosen)
    corrected = sizes(diameter, weights=weight, n_resamples=chosen.n_resamples)
    classes = shape_class(rows, pixel_size=size)
    shapes = shape_shares(classes, weights=weight, level=chosen.level)
    near, spaced = _placed(segmentation, rows, size, use, chosen)
    found = _findings(
        segmentation,
        (coverage, shapes, near),
        size=size,
        unit=length_unit,
        shares=shares or {},
        sigma_g=geometric_spread(diameter, weight),
        joined=joined,
    )
    return Morphology(
        coverage=coverage,
        sensitivity=sensitivity,
        droplet_count=len(rows),
        sizes=corrected,
        sizes_uncorrected=sizes(diameter, n_resamples=200),
        border_weight=weight,
        fits=fits,
        enough=how_many_more(diameter, weight, coverage=coverage, level=chosen.level),
        shape_class=classes,
        shapes=shapes,
        satellites=near,
        spacing=spaced,
        arrival=evidence(found),
        texture=found.texture,
        notes=tuple(_notes(coverage, corrected, fits, weight)),
    )


def _unsure(segmentation: Segmentation, rows: pd.DataFrame, size: float) -> Unsure:
    """Return what of the diameters is unsure beside the sampling."""
    smallest = segmentation.smallest_trusted_px * size
    trusted = rows["diameter_um"].to_numpy(dtype=np.float64) >= smallest
    parted = np.zeros(len(rows))
    if segmentation.shared.any():
        parted = segmentation.shared[rows["droplet"].to_numpy(dtype=np.int64) - 1]
    return Unsure(
        smallest=smallest if np.isfinite(smallest) else 0.0,
        grid=UNSURE_PX * size,
        low=segmentation.rims.low,
        high=segmentation.rims.high,
        misdrawn=MISDRAWN * float(parted[trusted].mean()) if trusted.any() else 0.0,
    )


class CutPieces(NamedTuple):
    """Regions that the frame cuts and that reach over half of the field."""

    n: int
    share: float  # of the covered area


def cut_pieces(segmentation: Segmentation) -> CutPieces | None:
    """Return the pieces wider than the field shows where they hold most of the metal, else None."""
    area, box = segmentation.area, segmentation.box
    if not box.size or not area.any():
        return None
    shape = np.asarray(segmentation.labels.shape)
    cut = ((box[:, :2] <= 0) | (box[:, 2:] >= shape)).any(axis=1)
    wide = ((box[:, 2:] - box[:, :2]) >= 0.5 * shape).any(axis=1)
    held = cut & wide & (area > 0)
    share = float(area[held].sum() / area.sum())
    return CutPieces(int(held.sum()), share) if share > LARGE else None


def _findings(
    segmentation: Segmentation,
    measured: tuple[Coverage, pd.DataFrame, Satellites],
    *,
    size: float,
    unit: str,
    shares: Mapping[str, float],
    sigma_g: float,
    joined: float,
) -> Findings:
    """Return what the evidence of arrival is drawn from."""
    coverage, shapes, near = measured
    return Findings(
        shares=shares,
        n_droplets=segmentation.n_droplets,
        n_streaks=segmentation.n_streaks,
        shapes=shapes,
        coverage=coverage.value,
        texture=coverage.range_px * size,
        smallest=segmentation.smallest_trusted_px * size,
        unit=unit,
        satellites_excess=near.excess,
        satellites_p=near.p_value,
        sigma_g=sigma_g,
        joined=joined,
        cut=cut_pieces(segmentation),
    )


def _coverage(segmentation: Segmentation, use: Bools | None, settings: Settings) -> Coverage:
    found = coverage_interval(
        segmentation.metal,
        valid=use,
        level=settings.level,
        grain_px=max(1.0, segmentation.smallest_trusted_px),
    )
    return with_doubt(found, segmentation.rims.low, segmentation.rims.high)


def border_weight(segmentation: Segmentation, rows: pd.DataFrame, use: Any) -> Floats:
    """Return how many droplets each row stands for, 0 for those the border cuts."""
    box = segmentation.box[rows["droplet"].to_numpy(dtype=np.int64)]
    inside = ~rows["touches_border"].to_numpy(dtype=bool)
    if not isinstance(use, np.ndarray) or use.all():
        return weights_in_field(box, inside, shape=segmentation.labels.shape)
    weight = np.zeros(len(rows))
    extent = (box[:, 2:] - box[:, :2])[inside]
    weight[inside] = masked_border_weights(extent[:, 0], extent[:, 1], valid=use)
    return weight


def weights_in_field(box: Integers, inside: Bools, *, shape: tuple[int, ...]) -> Floats:
    """Return how many droplets each droplet of a rectangular field stands for.

    Dims: `box` (droplet, 4), `inside` (droplet,); returns (droplet,).
    """
    extent = (box[:, 2:] - box[:, :2])[inside]
    weight = np.zeros(len(box))
    # A droplet that occupies a pixel of the outermost row counts as cut, so one row and one
    # column of positions are lost.
    frame = (shape[0] - 1.0, shape[1] - 1.0)
    weight[inside] = border_weights(extent[:, 0], extent[:, 1], frame=frame)
    return weight


def _fits(
    segmentation: Segmentation, diameter: Floats, size: float, settings: Settings
) -> list[SizeFit]:
    height, width = segmentation.labels.shape
    return fit_sizes(
        diameter,
        smallest=segmentation.smallest_trusted_px * size,
        frame=((height - 1) * size, (width - 1) * size),
        area_step=size**2,
        seed=settings.seed,
    )


def _placed(
    segmentation: Segmentation, rows: pd.DataFrame, size: float, use: Any, settings: Settings
) -> tuple[Satellites, Spacing]:
    """Return how the droplets lie to each other; of a field in parts, those of a middle window."""
    labels: Any = segmentation.labels
    height, width = labels.shape
    top = left = 0
    if not isinstance(labels, np.ndarray):  # it stays on disk
        top, left, height, width = _middle_window(labels.shape, len(rows))
        labels = labels[top : top + height, left : left + width]
    y0, x0 = top * size, left * size
    centre = rows[["y_um", "x_um"]].to_numpy(dtype=np.float64) - (y0, x0)
    within = (centre >= 0) & (centre < (height * size, width * size))
    inside = np.asarray(within.all(axis=1), dtype=bool)
    rows = rows[inside].assign(y_um=centre[inside, 0], x_um=centre[inside, 1])
    near = satellites(labels, rows, pixel_size=size, level=settings.level, seed=settings.seed)
    # Droplets cannot lie on streaks or masked pixels: their absence there is no cluster.
    taken = labels > segmentation.n_droplets
    if use is not None:
        taken |= ~use[top : top + height, left : left + width]
    clearance = distance_to(taken) * size if taken.any() else None
    spaced = spacing(
        rows["y_um"].to_numpy(dtype=np.float64),
        rows["x_um"].to_numpy(dtype=np.float64),
        diameter=rows["diameter_um"].to_numpy(dtype=np.float64),
        box=(0.0, 0.0, height * size, width * size),
        clearance=clearance,
        gap=size * max(ONE_BARE_PIXEL, FULL_WIDTH * segmentation.blur_px),
        level=settings.level,
        seed=settings.seed,
    )
    return near, spaced


def _middle_window(shape: tuple[int, ...], n_droplets: int) -> tuple[int, int, int, int]:
    """Return top, left, height and width of a window with droplets enough for their spacing."""
    part = math.sqrt(min(1.0, 2.0 * LARGEST_SIMULATED / max(n_droplets, 1)))
    height, width = (min(math.ceil(n * part), LARGEST_WINDOW) for n in shape)
    return (shape[0] - height) // 2, (shape[1] - width) // 2, height, width


def _notes(
    coverage: Coverage, sizes: pd.DataFrame, fits: list[SizeFit], weight: Floats
) -> list[str]:
    notes = []
    if not coverage.trusted:
        notes.append(
            "The structure is coarse against the field: the coverage interval is too narrow. "
            "Map more fields."
        )
    if len(weight) and not (weight > 0).any():
        notes.append(
            "Every droplet touches the border, so no size can be given. Map a larger field."
        )
    shaky = [name for name, trusted in sizes["trusted"].items() if not trusted]
    if (weight > 0).any() and shaky:
        notes.append(
            f"Too few droplets decide {', '.join(str(name) for name in shaky)}: "
            "the intervals given may be too narrow, and some are withheld."
        )
    if fits and fits[0].p_value < 0.01:
        notes.append(
            f"No fitted size distribution agrees with the droplets (best: {fits[0].family}, "
            f"p = {fits[0].p_value:.2g}); use the percentiles taken from the droplets."
        )
    elif len(fits) > 1 and fits[1].bic - fits[0].bic < 2:
        notes.append(
            f"{fits[0].family} and {fits[1].family} fit the diameters equally well; what they "
            "say of droplets too small to see is a guess."
        )
    return notes

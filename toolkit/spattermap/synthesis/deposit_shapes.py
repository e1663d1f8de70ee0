"""Where the material lies: droplets, streaks, haze texture and cracks, drawn on the pixel grid.

Every shape is stamped into the canvas within its own bounding box, so the time goes with the
covered area and not with the number of shapes times the field.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter

from spattermap.core.arrays import Array, Labels, Singles
from spattermap.synthesis.spec import Cracks, Droplets, Haze, Streaks

_TRIES = 60  # random positions tried for one shape before it is given up


@dataclass
class Canvas:
    """The field while shapes are being placed."""

    shape: tuple[int, int]  # rows and columns
    # (y, x): number of the shape that owns a pixel, from 1; 0 for none
    labels: Labels = field(init=False)
    # (y, x): covered part of each pixel, 0 to 1: rims are anti-aliased
    cover: Singles = field(init=False)
    # (y, x): metal thickness of the covered part (um)
    thickness: Singles = field(init=False)
    # (y, x): as `labels`, but for every pixel that a shape touches at all
    owner: Labels = field(init=False)
    # True geometry of each shape, in order of its number; streaks are drawn first
    rows: list[dict[str, Any]] = field(default_factory=list)
    n_streaks: int = 0  # how many of them are streaks

    def __post_init__(self) -> None:
        """Start empty."""
        self.labels = np.zeros(self.shape, np.int32)
        self.owner = np.zeros(self.shape, np.int32)
        self.cover = np.zeros(self.shape, np.float32)
        self.thickness = np.zeros(self.shape, np.float32)
        self._best = np.zeros(self.shape, np.float32)

    def window(self, y: float, x: float, reach: float) -> tuple[slice, slice]:
        """Return the part of the field within `reach` of a point."""
        rows, columns = self.shape
        return (
            slice(max(0, int(y - reach)), max(0, min(rows, int(y + reach) + 2))),
            slice(max(0, int(x - reach)), max(0, min(columns, int(x + reach) + 2))),
        )

    def add(self, part: tuple[slice, slice], inside: Array, height: Array, **row: Any) -> bool:
        """Stamp a shape; False if it would not own a single pixel.

        `inside` is the signed depth within the rim (px), positive inside; where shapes overlap,
        the one in whose inside a pixel lies deeper, relative to its size, owns it.
        """
        depth = inside / row["half_width_px"]
        mine = (inside >= 0) & (depth > self._best[part])
        if not mine.any():
            return False
        number = len(self.rows) + 1
        cover = np.clip(inside + 0.5, 0.0, 1.0).astype(np.float32)
        self.labels[part][mine] = number
        self._best[part][mine] = depth[mine]
        over = (cover > self.cover[part]) | mine
        self.owner[part][over] = number
        self.thickness[part][over] = np.maximum(self.thickness[part], height)[over]
        self.cover[part][over] = np.maximum(self.cover[part], cover)[over]
        self.rows.append({"label": number, **row})
        self.n_streaks += row["kind"] == "streak"
        return True

    def taken_at(self, y: float, x: float) -> int:
        """Return the number of the shape at a point, 0 for none; outside, that of the edge."""
        row = min(max(int(y), 0), self.shape[0] - 1)
        return int(self.owner[row, min(max(int(x), 0), self.shape[1] - 1)])

    @property
    def covered(self) -> float:
        """Area fraction owned by shapes."""
        return float(np.count_nonzero(self.labels)) / self.labels.size


def _grid(part: tuple[slice, slice], y: float, x: float) -> tuple[Array, Array]:
    """Return offsets of pixel centres from a point, as a column and a row."""
    dy = np.arange(part[0].start, part[0].stop, dtype=np.float32)[:, None] + 0.5 - y
    dx = np.arange(part[1].start, part[1].stop, dtype=np.float32)[None, :] + 0.5 - x
    return dy, dx


def _ellipse(
    canvas: Canvas, y: float, x: float, *, a: float, b: float, angle: float
) -> tuple[tuple[slice, slice], Array, Array]:
    """Return the window, the depth inside the rim (px) and the squared normalised radius."""
    part = canvas.window(y, x, a + 2)
    dy, dx = _grid(part, y, x)
    along = (dx * np.cos(angle) - dy * np.sin(angle)) / a
    across = (dx * np.sin(angle) + dy * np.cos(angle)) / b
    square = along**2 + across**2
    # Distance to the rim to first order; exact for a disc.
    radius = np.sqrt(square)
    return part, (1.0 - radius) * np.sqrt(a * b), square


def _profile(square: Array, kind: str) -> Array:
    """Return the height over the peak height; a floor keeps the rim of a lens from vanishing."""
    rest = np.clip(1.0 - square, 0.0, 1.0)
    if kind == "disc":
        return np.ones_like(rest)
    shape = np.sqrt(rest) if kind == "lens" else rest
    return np.maximum(shape, 0.15)


def draw_droplets(canvas: Canvas, spec: Droplets, rng: np.random.Generator) -> None:
    """Place droplets until the coverage is reached or no more fit."""
    start = canvas.covered
    for _ in range(12):
        missing = spec.coverage - (canvas.covered - start)
        if spec.placement == "free":
            missing = -np.log1p(-min(missing / max(1.0 - canvas.covered, 1e-9), 0.99))
        if missing <= 0.004 * spec.coverage:
            return
        diameters = _draw_diameters(canvas, spec, missing, rng)
        # Large ones first: the reverse would leave no room for them and bend the distribution.
        if spec.placement != "free":
            diameters = np.sort(diameters)[::-1]
        placed = sum(_place_droplet(canvas, spec, diameter, rng) for diameter in diameters)
        if placed == 0:
            return


def _draw_diameters(
    canvas: Canvas, spec: Droplets, area_fraction: float, rng: np.random.Generator
) -> Array:
    """Return diameters whose areas add up to the fraction of the field that is still missing."""
    log_sigma = np.log(spec.sigma_g)
    mean_area = np.pi / 4 * spec.d50_px**2 * np.exp(2 * log_sigma**2)  # Hatch & Choate (1929)
    area = area_fraction * canvas.labels.size
    drawn = spec.d50_px * np.exp(log_sigma * rng.standard_normal(int(3 * area / mean_area) + 20))
    drawn = drawn[(drawn >= spec.min_diameter_px) & (drawn < 0.7 * min(canvas.shape))]
    enough = np.cumsum(np.pi / 4 * drawn**2)
    chosen: Array = drawn[: int(np.searchsorted(enough, area)) + 1]
    return chosen


def _place_droplet(
    canvas: Canvas, spec: Droplets, diameter: float, rng: np.random.Generator
) -> bool:
    aspect = 1.0 + (spec.aspect - 1.0) * rng.random()
    a, b = diameter / 2 * np.sqrt(aspect), diameter / 2 / np.sqrt(aspect)
    angle = rng.uniform(0, np.pi)
    peak = spec.thickness_um * (diameter / spec.d50_px) ** spec.thickness_exponent
    attach = spec.placement == "touching" and rng.random() < spec.touching_share
    for _ in range(_TRIES):
        y, x, host = _candidate(canvas, diameter / 2, attach, rng)
        if spec.placement != "free" and canvas.taken_at(y, x) not in (0, host):
            continue
        part, inside, square = _ellipse(canvas, y, x, a=a, b=b, angle=angle)
        if inside.size == 0:
            continue
        if spec.placement != "free":
            taken = canvas.owner[part][inside > -spec.gap_px]
            if np.any((taken != 0) & (taken != host)):
                continue
        height = (peak * _profile(square, spec.profile)).astype(np.float32)
        if canvas.add(
            part, inside, height, kind="droplet", y_px=y, x_px=x, diameter_px=diameter,
            aspect_ratio=aspect, angle_deg=float(np.degrees(angle)), half_width_px=diameter / 2,
            thickness_um=float(peak),
        ):  # fmt: skip
            return True
    return False


def _candidate(
    canvas: Canvas, radius: float, attach: bool, rng: np.random.Generator
) -> tuple[float, float, int]:
    """Return a centre, and the number of the droplet it is set against (0 for none)."""
    rows, columns = canvas.shape
    n_hosts = len(canvas.rows) - canvas.n_streaks
    if attach and n_hosts:
        host = canvas.rows[canvas.n_streaks + int(rng.integers(n_hosts))]
        turn = rng.uniform(0, 2 * np.pi)
        reach = 0.92 * (host["half_width_px"] + radius)  # a neck, not a mere point of contact
        y, x = host["y_px"] + reach * np.sin(turn), host["x_px"] + reach * np.cos(turn)
        return float(y), float(x), int(host["label"])
    y = rng.uniform(-radius, rows + radius)
    x = rng.uniform(-radius, columns + radius)
    return float(y), float(x), 0


def draw_streaks(canvas: Canvas, spec: Streaks, rng: np.random.Generator) -> None:
    """Place streaks, apart from each other and from what is there."""
    rows, columns = canvas.shape
    for _ in range(spec.number):
        length = spec.length_px * np.exp(0.25 * rng.standard_normal())
        width = spec.width_px * np.exp(0.15 * rng.standard_normal())
        degrees = (spec.direction_deg + spec.spread_deg * rng.standard_normal()) % 360.0
        for _ in range(_TRIES):
            middle = rng.uniform(0.1, 0.9, 2) * (rows, columns)
            if _place_streak(canvas, spec, middle, length=length, width=width, degrees=degrees):
                break


def _place_streak(
    canvas: Canvas, spec: Streaks, middle: Array, *, length: float, width: float, degrees: float
) -> bool:
    head = spec.head_ratio * width / 2
    # Rows grow downward, so the picture's counter-clockwise angle turns -y.
    step = np.array([-np.sin(np.radians(degrees)), np.cos(np.radians(degrees))])
    start = middle - step * (length / 2 - head)  # centre of the head, or the root of the tail
    part = canvas.window(middle[0], middle[1], length / 2 + width + head + 2)
    dy, dx = _grid(part, start[0], start[1])
    along, across = dy * step[0] + dx * step[1], dx * step[0] - dy * step[1]
    tail = length - head
    fraction = np.clip(along / tail, 0.0, 1.0)
    half = width / 2 * (1.0 - spec.taper * fraction)
    inside = np.minimum(half - np.abs(across), np.minimum(along, tail - along))
    if head > 0:
        inside = np.maximum(inside, head - np.hypot(dy, dx))
    if np.any(canvas.owner[part][inside > -3.0]):
        return False
    height = (spec.thickness_um * (1.0 - 0.5 * fraction)).astype(np.float32)
    directed = spec.head_ratio > 1.2 or spec.taper > 0.3
    return canvas.add(
        part, inside, height, kind="streak", y_px=float(middle[0]), x_px=float(middle[1]),
        length_px=float(length), width_px=float(width),
        angle_deg=float(degrees if directed else degrees % 180.0), directed=directed,
        head_y_px=float(start[0]), head_x_px=float(start[1]), half_width_px=width / 2,
        thickness_um=spec.thickness_um,
    )  # fmt: skip


def haze_texture(shape: tuple[int, int], spec: Haze, rng: np.random.Generator) -> Singles:
    """Return the haze's thickness over its mean: lognormal, so that it stays positive.

    Returns dims (y, x).
    """
    if spec.contrast <= 0:
        return np.ones(shape, np.float32)
    log_sd = np.sqrt(np.log1p(spec.contrast**2))
    field_ = smooth_noise(shape, spec.texture_px, rng)
    texture = np.exp(log_sd * field_ - log_sd**2 / 2)
    even: Singles = (texture / texture.mean()).astype(np.float32)
    return even


def smooth_noise(shape: tuple[int, int], length_px: float, rng: np.random.Generator) -> Singles:
    """Return Gaussian noise of unit variance with the stated correlation length (px)."""
    noise = rng.standard_normal(shape, dtype=np.float32)
    if length_px >= 1:
        noise = gaussian_filter(noise, length_px, mode="wrap", truncate=3.0)
    out: Singles = (noise - noise.mean()) / noise.std()
    return out


def draw_cracks(
    canvas: Canvas, spec: Cracks, rng: np.random.Generator
) -> tuple[Singles, list[dict[str, Any]]]:
    """Return a picture of cracks (1 in a crack, 0 beside it) and their true paths.

    Returns dims (y, x).
    """
    picture = np.zeros(canvas.shape, np.float32)
    droplets = [row for row in canvas.rows if row["kind"] == "droplet"]
    paths: list[dict[str, Any]] = []
    for _ in range(spec.number):
        at_droplet = bool(droplets) and rng.random() < spec.at_droplets
        if at_droplet:
            host = droplets[int(rng.integers(len(droplets)))]
            heading = rng.uniform(0, 2 * np.pi)
            y = host["y_px"] + host["half_width_px"] * np.sin(heading)
            x = host["x_px"] + host["half_width_px"] * np.cos(heading)
        else:
            y, x = rng.random(2) * canvas.shape
            heading = rng.uniform(0, 2 * np.pi)
        length = max(8.0, spec.length_px * np.exp(0.3 * rng.standard_normal()))
        turns = heading + np.cumsum(0.06 * rng.standard_normal(int(2 * length)))
        ys, xs = y + 0.5 * np.cumsum(np.sin(turns)), x + 0.5 * np.cumsum(np.cos(turns))
        in_field = (ys >= 0) & (ys < canvas.shape[0]) & (xs >= 0) & (xs < canvas.shape[1])
        paths.append({
            "y_px": float(y), "x_px": float(x), "at_droplet": at_droplet,
            "length_px": 0.5 * float(np.count_nonzero(in_field)),
        })  # fmt: skip
        for cy, cx in zip(ys[in_field], xs[in_field], strict=True):
            part = canvas.window(cy, cx, spec.width_px / 2 + 1)
            dy, dx = _grid(part, cy, cx)
            stroke = np.clip(spec.width_px / 2 + 0.5 - np.hypot(dy, dx), 0.0, 1.0)
            picture[part] = np.maximum(picture[part], stroke)
    return picture, paths

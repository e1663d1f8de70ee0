"""How long a knob of the panel takes: coarse answer, full answer; run by hand.

python tests/benchmarks/bench_panel.py
"""

import time
from pathlib import Path

import numpy as np

import spattermap
from spattermap.mapset import make_map_set
from spattermap.panel import tune
from spattermap.panel.drawing import histogram_svg, numbers_html, overlay_svg

maps = spattermap.load(Path(__file__).parents[2] / "sample_maps" / "brass_burst")
# the demo is 384 x 512: its first quarter again below gives 512 x 512
tall = np.concatenate([maps["counts"].values, maps["counts"].values[:, :128]], axis=1)
square = make_map_set(
    tall, [str(e) for e in maps["element"].values], pixel_size_um=0.25, alloy={"Cu": 70, "Zn": 30}
)
panel = tune(square)


def draw(view, at):
    """Make all that the browser is sent."""
    return overlay_svg(at, panel._roles, view), numbers_html(at, view), histogram_svg(at, view)


def best(action, n=7):
    """Return the shortest of n runs (s)."""
    times = []
    for _ in range(n):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


print("maps", dict(square.sizes), "summed by", panel._small[1])
coarse = best(lambda: draw(panel._look(full=False), panel._small[0]))
full = best(lambda: draw(panel._look(full=True), square), n=3)
print(f"coarse answer {1000 * coarse:.0f} ms, full answer {1000 * full:.0f} ms")
print(f"of the full answer, drawing {1000 * best(lambda: draw(panel.view, square)):.0f} ms")

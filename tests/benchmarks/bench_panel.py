"""How long a knob of the panel takes: coarse answer, full answer; run by hand.

python tests/benchmarks/bench_panel.py
"""

import time
from pathlib import Path

import numpy as np

import spattermap
from spattermap.core.mapset import make_map_set
from spattermap.panel import tune
from spattermap.panel.drawing import found_json, numbers_html

maps = spattermap.load(Path(__file__).parents[2] / "sample_maps" / "brass_burst")
# the demo is 384 x 512: its first quarter again below gives 512 x 512
tall = np.concatenate([maps["counts"].values, maps["counts"].values[:, :128]], axis=1)
square = make_map_set(
    tall, [str(e) for e in maps["element"].values], pixel_size_um=0.25, alloy={"Cu": 70, "Zn": 30}
)
panel = tune(square)


def draw(view, at):
    """Make all that the browser is sent."""
    return found_json(at, panel._roles, view, before=panel._before), numbers_html(at, view)


def best(action, n=7):
    """Return the shortest of n runs (ms), by the clock and by the processor."""
    times = []
    for _ in range(n):
        start, busy = time.perf_counter(), time.process_time()
        action()
        times.append((time.perf_counter() - start, time.process_time() - busy))
    clock, processor = (1000 * min(column) for column in zip(*times, strict=True))
    return f"{clock:.0f} ms by the clock, {processor:.0f} ms by the processor"


print("maps", dict(square.sizes), "summed by", panel._small[1])
print("coarse answer:", best(lambda: draw(panel._look(full=False), panel._small[0])))
print("full answer:", best(lambda: draw(panel._look(full=True), square), n=3))
print("drawing in the full answer:", best(lambda: draw(panel.view, square)))

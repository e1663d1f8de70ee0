"""How long a knob of the panel takes, from Python and in JupyterLab; run by hand.

python tests/benchmarks/bench_panel.py          # what the kernel computes and sends
python tests/benchmarks/bench_panel.py lab      # from a key press to the picture, in Chromium

The field has 512 x 512 px, four elements and an electron image.

On 27 November 2026, two cores with nothing beside, three runs in JupyterLab: a first picture 76 to
188 ms after one key press, five at once or ten every 60 ms; the last picture 52 to 247 ms after the
last key, once 343; the full answer 3.5 to 4.9 s after it, nearly all of it reading the electron
image (0.3 s without one).
"""

import json
import shutil
import sys
import tempfile
import time
from pathlib import Path

CELL = """\
from spattermap.panel import tune
from spattermap.synthesis import Deposit, make_deposit
tune(make_deposit(Deposit(shape=(512, 512)), seed=1).maps)"""

# What happens in the page, each with its time (ms): keys, and pictures drawn of other regions.
WATCH = """() => {
  window.seen = [];
  const say = (what) => window.seen.push([performance.now(), what]);
  document.addEventListener("keydown", () => say("key"), true);
  const shown = document.querySelector(".jupyter-widgets .field");
  const status = () => document.querySelector(".jupyter-widgets span[role=status]").textContent;
  let fresh = false;
  new MutationObserver(() => (fresh = true)).observe(shown.querySelector(".field-marks"), {
    childList: true,
  });
  new MutationObserver(() => {
    if (fresh) say(status().startsWith("Full") ? "full" : "draft");
    fresh = false;
  }).observe(shown, { attributes: true, attributeFilter: ["data-drawn"] });
}"""


def best(action, n=7):
    """Return the shortest of n runs (ms), by the clock and by the processor."""
    times = []
    for _ in range(n):
        start, busy = time.perf_counter(), time.process_time()
        action()
        times.append((time.perf_counter() - start, time.process_time() - busy))
    clock, processor = (1000 * min(column) for column in zip(*times, strict=True))
    return f"{clock:.0f} ms by the clock, {processor:.0f} ms by the processor"


def in_python():
    """Print what the answers to a turn of a knob cost."""
    from spattermap.panel import tune
    from spattermap.panel.drawing import found_json, numbers_html
    from spattermap.synthesis import Deposit, make_deposit

    for image in (True, False):
        maps = make_deposit(Deposit(shape=(512, 512), electron_image=image), seed=1).maps
        panel = tune(maps)

        def answer(draft, panel=panel):
            return panel._look(panel.settings, panel._roles, draft=draft)

        def sent(view, at, panel=panel):
            found = found_json(at, panel._roles, view, before=panel._before)
            return found, numbers_html(at, view)

        print(f"{dict(maps.sizes)}, {'with' if image else 'without'} an electron image")
        print(f"  draft, summed by {panel._small[1]}:", best(lambda answer=answer: answer(True)))
        draft, full = answer(True), answer(False)
        at = panel._small[0]
        print("  what is sent of it:", best(lambda v=draft, at=at, sent=sent: sent(v, at)))
        print(f"  bytes sent: {sum(map(len, sent(draft, at)))}")
        print("  full answer:", best(lambda answer=answer: answer(False), n=3))
        for name, view in (("draft", draft), ("full", full)):
            n = view.segmentation.n_droplets
            print(f"  {name}: {n} droplets, {100 * view.coverage:.1f} % covered")


def in_lab():
    """Print how long after a key press its picture stands, for one press and for many."""
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from playwright.sync_api import sync_playwright

    from lab_server import jupyterlab, run_all

    cell = {"cell_type": "code", "id": "one", "metadata": {}, "outputs": [], "source": CELL,
            "execution_count": None}  # fmt: skip
    kernel = {"name": "python3", "display_name": "Python 3 (ipykernel)", "language": "python"}
    book = {"cells": [cell], "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        (Path(folder) / "panel.ipynb").write_text(json.dumps(book), encoding="utf-8")
        with jupyterlab(Path(folder)) as address:
            browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1400, "height": 1000})
            run_all(page, address.format("panel.ipynb"))
            page.wait_for_selector(".jupyter-widgets .field[data-drawn]")
            page.wait_for_timeout(2000)
            page.evaluate(WATCH)
            for knob, key in ((0, "ArrowUp"), (1, "PageUp"), (2, "ArrowUp")):
                for n, gap in ((1, 0), (5, 0), (10, 60)):
                    _pressed(page, knob, key, (n, gap))
            browser.close()


def _pressed(page, knob, key, times):
    n, gap = times
    page.locator(".jupyter-widgets .noUi-handle").nth(knob).focus()
    page.evaluate("window.seen.length = 0")
    for _ in range(n):
        page.keyboard.press(key)
        page.wait_for_timeout(gap)
    page.wait_for_function("window.seen.some((one) => one[1] === 'full')")
    seen = page.evaluate("window.seen")
    keys = [at for at, what in seen if what == "key"]
    drafts = [at for at, what in seen if what == "draft"]
    full = next(at for at, what in seen if what == "full")
    name = ("metal sensitivity", "smallest droplet", "split strength")[knob]
    print(
        f"{name}, {n} x {key} every {gap} ms: first picture {drafts[0] - keys[0]:.0f} ms after "
        f"the first, last {drafts[-1] - keys[-1]:.0f} ms after the last of them, "
        f"{len(drafts)} drawn; full answer {full - keys[-1]:.0f} ms after it"
    )


if __name__ == "__main__":
    in_lab() if sys.argv[1:] == ["lab"] else in_python()

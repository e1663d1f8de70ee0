"""A real browser: the page with the network off, and the notebook with its panel in JupyterLab."""

import os
import re
import shutil
import time
from pathlib import Path

import pytest
from tests.lab_server import jupyterlab, run_all

import spattermap
from spattermap.core.settings import Settings
from spattermap.core.work import Workers
from spattermap.loaders import open_parts
from spattermap.loaders.convert import convert
from spattermap.plan import Known
from spattermap.show.mosaic_page import write_mosaic
from spattermap.show.report import notebook_path, write_report
from spattermap.show.side_by_side import compare
from spattermap.sweeps import sweep
from spattermap.synthesis import Deposit, Droplets, make_deposit, save_folder

pytestmark = pytest.mark.browser

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
SWITCHES = """--headless --no-sandbox --disable-gpu --disable-quic --no-first-run
--disable-background-networking --disable-component-update --disable-sync""".split()
NOTEBOOKS = notebook_path("new_map_set.ipynb").parent
WIDTHS = [(1400, "light"), (768, "light"), (390, "light"), (1400, "dark"), (390, "dark")]
# Screenshots are kept where this names a folder, to be looked at.
PICTURES = os.environ.get("SPATTERMAP_SCREENSHOTS")


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("Chromium is not installed")
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    out = tmp_path_factory.mktemp("report")
    return write_report(NOTEBOOKS.parent / "sample_maps" / "brass_burst", out)


def keep_picture(page, name, **options):
    if PICTURES:
        page.screenshot(path=Path(PICTURES) / f"{name}.png", **options)


@pytest.mark.parametrize(("width", "scheme"), WIDTHS)
def test_report_opens_with_the_network_off_and_asks_for_nothing(browser, report, width, scheme):
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True
    )
    asked, grumbles = [], []
    page = context.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: grumbles.append(message.text))
    page.goto(report.as_uri())
    outside = [url for url in asked if not url.startswith(("data:", "file:"))]
    assert outside == []
    assert [url for url in asked if url.startswith("file:")] == [report.as_uri()]
    assert grumbles == []
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0, "the page must not scroll sideways"
    broken = page.evaluate("[...document.images].filter(i => !i.naturalWidth).length")
    assert broken == 0
    assert page.evaluate("document.images.length") >= 6
    page.wait_for_selector("[data-drawn]")
    keep_picture(page, f"report_{width}_{scheme}")
    first = page.locator(".answers")
    assert first.bounding_box()["y"] < 200
    if width > 1000:  # answers and field stand side by side on the first screen
        canvas = page.locator(".field-stage canvas").bounding_box()
        assert canvas["y"] + canvas["height"] < 900
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0, "nor may it where every part is open"
    keep_picture(page, f"report_{width}_{scheme}_open", full_page=True)
    context.close()


@pytest.mark.parametrize(("width", "scheme"), WIDTHS)
def test_report_has_no_accessibility_violation(browser, report, width, scheme):
    axe = pytest.importorskip("axe_playwright_python")
    script = (Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=True
    )
    page = context.new_page()
    page.goto(report.as_uri())
    page.wait_for_selector("[data-drawn]")
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.evaluate(script)
    found = page.evaluate("axe.run()")
    assert len(found["passes"]) > 20
    assert [(item["id"], item["impact"]) for item in found["violations"]] == []
    context.close()


@pytest.fixture(scope="module")
def others(tmp_path_factory):
    """Return a page of each other kind: deposits side by side, a sweep, a mosaic, a plan."""
    home = tmp_path_factory.mktemp("others")
    for k, coverage in enumerate((0.1, 0.3)):
        spec = Deposit(
            shape=(128, 160), droplets=Droplets(coverage=coverage), title=f"plate {k}",
            process={"charge_J": 100 + 40 * k, "gap_mm": 4.0, "wire": "brass 0.2 mm"},
        )  # fmt: skip
        save_folder(make_deposit(spec, seed=k), home / f"maps{k}")
    paths = [home / "maps0", home / "maps1"]
    place = convert(paths[1], home / "m.zarr")
    write_mosaic(open_parts(place), home / "mosaic", workers=Workers(workers=1))
    return {
        "comparison": compare(paths, home / "compared"),
        "sweep": sweep(paths, out=home / "swept", scheduler="synchronous").page,
        "mosaic": home / "mosaic" / "report.html",
        "plan": _planned(home / "planned"),
    }


def _planned(out):
    known = Known.stated(alloy={"Cu": 70.0, "Zn": 30.0}, substrate={"Si": 46.7, "O": 53.3})
    asked = ["apart Zn 30", "haze 5", "thickness 2"]
    return spattermap.plan(known, asked, made_fields=8, scheduler="synchronous").save(out)


@pytest.mark.parametrize(("width", "scheme"), [(1400, "light"), (390, "dark")])
@pytest.mark.parametrize("kind", ["comparison", "sweep", "mosaic", "plan"])
def test_every_other_page_fits_asks_for_nothing_and_is_accessible(
    browser, others, kind, width, scheme
):
    axe = pytest.importorskip("axe_playwright_python")
    script = (Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=True, offline=True
    )
    asked, grumbles = [], []
    page = context.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: grumbles.append(message.text))
    page.on("pageerror", lambda error: grumbles.append(str(error)))
    page.goto(others[kind].as_uri())
    if kind not in ("sweep", "plan"):
        page.wait_for_selector("[data-drawn]")
    keep_picture(page, f"{kind}_{width}_{scheme}", full_page=True)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0, "the page must not scroll sideways"
    assert [url for url in asked if not url.startswith("data:")] == [others[kind].as_uri()]
    assert grumbles == []
    page.evaluate(script)
    found = page.evaluate("axe.run()")
    assert [(item["id"], item["impact"]) for item in found["violations"]] == []
    context.close()


def test_thickness_side_by_side_has_one_scale_of_colours(browser, others):
    """One nanometre looks alike in both; counts go with the dwell and keep scales of their own."""
    page = browser.new_page()
    page.goto(others["comparison"].as_uri())
    choices = page.locator("label.field-choice", has_text="Under").locator("select")
    ramps, said = page.locator("p:has(> .field-ramp)"), {}
    for key in ("Thickness at least", "Cu"):
        before = ramps.all_text_contents()
        for k in range(2):
            choices.nth(k).select_option(label=key)
        page.wait_for_function(
            "before => [...document.querySelectorAll('.field-ramp')].every((e, k) => "
            "e.parentElement.textContent !== before[k] && !/–/.test(e.parentElement.textContent))",
            arg=before,
        )
        said[key] = ramps.all_text_contents()
    assert len(set(said["Thickness at least"])) == 1
    assert len(set(said["Cu"])) == 2
    page.close()


def test_a_mosaic_opens_with_answers_and_field_on_one_screen(browser, others):
    page = browser.new_page(viewport={"width": 1400, "height": 900})
    page.goto(others["mosaic"].as_uri())
    page.wait_for_selector("[data-drawn]")
    canvas = canvas_of(page).bounding_box()
    assert page.locator(".answers").bounding_box()["y"] < 200
    assert canvas["y"] + canvas["height"] < 900
    words = len(page.locator("body").inner_text().split())
    assert words < 700, "what stands behind the answers is closed"
    page.close()


def test_the_examination_stands_below_the_field_and_fits(browser, report):
    page = browser.new_page(viewport={"width": 1400, "height": 900})
    page.goto(report.as_uri())
    page.wait_for_selector("[data-drawn]")
    page.locator(".examination > summary").click()
    table = page.locator(".examination table").bounding_box()
    field = page.locator(".field-shell").bounding_box()
    assert table["y"] >= field["y"] + field["height"]
    assert table["width"] > 1000
    assert page.locator(".examination td:has-text('at most')").count() > 5
    page.close()


def test_report_is_small_and_prints(browser, report, tmp_path):
    assert report.stat().st_size < 5e6
    page = browser.new_page()
    page.goto(report.as_uri())
    page.pdf(path=tmp_path / "report.pdf", prefer_css_page_size=True)
    assert (tmp_path / "report.pdf").stat().st_size > 50_000
    if PICTURES:
        shutil.copy(tmp_path / "report.pdf", PICTURES)
    page.close()


def test_keyboard_reaches_the_answer_first(browser, report):
    page = browser.new_page()
    page.goto(report.as_uri())
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the answer"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    page.close()


@pytest.fixture
def field(browser, report):
    """Open the report and return its page once the field is drawn; errors fail the test."""
    problems = []
    context = browser.new_context(viewport={"width": 1400, "height": 900}, offline=True)
    page = context.new_page()
    page.on("pageerror", lambda error: problems.append(str(error)))
    page.on("console", lambda message: problems.append(message.text))
    page.goto(report.as_uri())
    page.wait_for_selector("[data-drawn]")
    yield page
    assert problems == []
    context.close()


def canvas_of(page):
    return page.locator(".field-stage canvas")


def scale_bar(page):
    page.wait_for_timeout(300)
    return page.get_attribute(".field-stage", "data-scale-bar")


def marked_bars(page):
    return page.evaluate(
        "[...document.querySelectorAll('.field-bars button')].flatMap((bar, i) => "
        "bar.classList.contains('holds') || bar.getAttribute('aria-pressed') === 'true' ? [i] : [])"
    )


def test_the_field_is_worked_by_keyboard(field):
    canvas_of(field).focus()
    assert field.locator(".field-card h3").count() == 0
    field.keyboard.press("n")
    assert field.locator(".field-card h3").text_content().startswith("Droplet ")
    assert "Diameter" in field.locator(".field-live").text_content()
    n_bars = field.locator(".field-bars button").count()
    counts = [
        int(bar.get_attribute("aria-label").rsplit(": ", 1)[1].split()[0])
        for bar in field.locator(".field-bars button").all()
    ]
    said = field.locator(".field-axis").first.text_content()
    assert said == f"Droplets, tallest bar {max(counts)}"
    assert marked_bars(field) == [n_bars - 1], "the largest droplet lies in the last bar"
    whole = scale_bar(field)
    field.keyboard.press("Enter")
    assert scale_bar(field) != whole
    field.keyboard.press("0")
    assert scale_bar(field) == whole
    field.keyboard.press("Escape")
    assert marked_bars(field) == []


def test_the_field_is_worked_by_mouse_and_linked_both_ways(field):
    box = canvas_of(field).bounding_box()
    droplet = field.evaluate(
        "JSON.parse(document.querySelector('[data-field] script').textContent).found.n_droplets"
    )
    assert droplet > 100
    # Somewhere along a line there is a droplet: pointing at it shows its row.
    for x in range(10, int(box["width"]), 6):
        field.mouse.move(box["x"] + x, box["y"] + box["height"] / 2)
        if field.locator(".field-card h3").count():
            break
    hovered = field.locator(".field-card h3").text_content()
    assert "counts a pixel" in field.locator(".field-readout").text_content()
    field.mouse.down()
    field.mouse.up()
    assert field.locator(".field-card h3").text_content() == f"{hovered}, chosen"
    (bar,) = marked_bars(field)
    field.locator(".field-bars button").nth(bar).click()
    assert marked_bars(field) == [bar]
    assert "marked" in field.locator(".field-live").text_content()
    before = scale_bar(field)
    canvas_of(field).focus()
    field.mouse.move(box["x"] + 200, box["y"] + 200)
    field.mouse.wheel(0, -600)
    assert scale_bar(field) != before


def test_layers_and_the_address_keep_the_view(field, report):
    layers = field.locator(".field-pictures select").first.locator("option").all_text_contents()
    assert {"Cu + Zn", "Cu", "Zn", "Si", "O", "Electron image", "Zn apart"} <= set(layers)
    marks = field.locator(".field-marks").text_content()
    assert "Droplets" in marks
    assert "Cracks" in marks
    field.locator(".field-pictures select").first.select_option("Zn")
    field.locator(".field-marks input").last.uncheck()
    canvas_of(field).focus()
    for key in ("n", "n", "+", "+", "ArrowRight"):
        field.keyboard.press(key)
    field.wait_for_url(re.compile("under=Zn&"))
    field.wait_for_timeout(400)
    kept = field.evaluate("location.hash")
    row = field.locator(".field-card h3").text_content()
    shown = scale_bar(field)
    field.goto("about:blank")
    field.goto(report.as_uri() + kept)
    field.wait_for_selector("[data-drawn]")
    assert field.locator(".field-card h3").text_content() == row
    assert scale_bar(field) == shown
    assert field.evaluate("location.hash") == kept
    assert field.locator(".field-pictures select").first.input_value() == "Zn"
    assert not field.locator(".field-marks input").last.is_checked()


def test_the_field_is_worked_by_touch(browser, report):
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True, offline=True
    )
    page = context.new_page()
    page.goto(report.as_uri())
    page.wait_for_selector("[data-drawn]")
    canvas = canvas_of(page)
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    session = context.new_cdp_session(page)

    def touch(kind, *points):
        at = [{"x": px, "y": py, "id": i} for i, (px, py) in enumerate(points)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})

    for down in range(20, int(box["height"]) - 10, 12):
        page.touchscreen.tap(x, box["y"] + down)
        if page.locator(".field-card h3").count():
            break
    assert page.locator(".field-card h3").text_content().endswith(", chosen")
    for one in page.locator(".field-tools button, .field-marks label, .field select").all():
        assert one.bounding_box()["height"] >= 44, "a finger's width (WCAG 2.2, 2.5.5)"
    before = scale_bar(page)
    touch("touchStart", (x - 20, y), (x + 20, y))
    for reach in range(25, 120, 10):
        touch("touchMove", (x - reach, y), (x + reach, y))
    touch("touchEnd")
    assert scale_bar(page) != before, "two fingers zoom"
    keep_picture(page, "field_touch_390")
    context.close()


def test_without_scripts_the_still_picture_and_the_answers_stand(browser, report):
    context = browser.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto(report.as_uri())
    assert page.locator(".field-still img").is_visible()
    assert "droplets" in page.locator(".field-still img").get_attribute("alt")
    assert page.locator(".answers").is_visible()
    keep_picture(page, "report_without_scripts")
    context.close()


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """Start JupyterLab on the loopback and return its address and its folder."""
    home = tmp_path_factory.mktemp("lab")
    shutil.copytree(NOTEBOOKS, home / "notebooks")
    shutil.copytree(NOTEBOOKS.parent / "sample_maps", home / "sample_maps")
    with jupyterlab(home) as address:
        yield address, home


def test_notebook_and_panel_in_jupyterlab(browser, lab):
    address, home = lab
    page = browser.new_page(viewport={"width": 1400, "height": 1000})
    run_all(page, address.format("notebooks/new_map_set.ipynb"))
    panel = page.locator(".jupyter-widgets .field")
    panel.locator("canvas").first.wait_for()
    page.wait_for_selector(".jupyter-widgets .field[data-drawn]")
    panel.scroll_into_view_if_needed()

    def n_droplets():
        text = panel.locator(".field-marks label").first.text_content()
        return int(text.split("(")[1].split(")")[0])

    n_before = n_droplets()
    assert n_before > 100
    keep_picture(page, "lab_before")

    # Second knob is the smallest droplet: half-way up, only large ones stay.
    handle = page.locator(".jupyter-widgets .noUi-handle").nth(1)
    handle.focus()
    started = time.perf_counter()
    for _ in range(5):
        page.keyboard.press("PageUp")
    page.wait_for_function(
        "n => { const text = document.querySelector('.jupyter-widgets .field-marks label')"
        ".textContent; return Number(text.match(/[(](.*)[)]/)[1]) < n; }",
        arg=n_before,
    )
    print(f"first change seen after {time.perf_counter() - started:.2f} s")
    page.get_by_text("Full maps.").wait_for()
    assert n_droplets() < n_before
    panel.locator("canvas").first.focus()
    page.keyboard.press("n")
    assert "Diameter" in panel.locator(".field-card").text_content()
    # Beside the knobs nothing is cut or broken word by word by the notebook's own style.
    for one in panel.locator(".field-pictures select").all():
        assert one.bounding_box()["width"] > 120
    assert panel.locator(".field-card dt").last.bounding_box()["height"] < 30
    keep_picture(page, "lab_after")

    page.get_by_role("button", name="Keep these settings").click()
    page.get_by_text("Kept in settings.toml").wait_for()
    kept = Settings.from_toml(home / "notebooks" / "settings.toml")
    assert kept.smallest_droplet is not None
    assert kept.smallest_droplet > 0
    page.close()

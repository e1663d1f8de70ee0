"""A real browser: the page with the network off, and the notebook with its panel in JupyterLab."""

import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from spattermap.core.settings import Settings
from spattermap.show.report import notebook_path, write_report

pytestmark = pytest.mark.browser

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
SWITCHES = """--headless --no-sandbox --disable-gpu --disable-quic --no-first-run
--disable-background-networking --disable-component-update --disable-sync""".split()
NOTEBOOKS = notebook_path("new_map_set.ipynb").parent
WIDTHS = [(1400, "light"), (390, "light"), (1400, "dark")]
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
    keep_picture(page, f"report_{width}_{scheme}", full_page=True)
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
    page.evaluate(script)
    found = page.evaluate("axe.run()")
    assert len(found["passes"]) > 20
    assert [(item["id"], item["impact"]) for item in found["violations"]] == []
    context.close()


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


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """Start JupyterLab on the loopback and return its address and its folder."""
    home = tmp_path_factory.mktemp("lab")
    shutil.copytree(NOTEBOOKS, home / "notebooks")
    shutil.copytree(NOTEBOOKS.parent / "sample_maps", home / "sample_maps")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    token = secrets.token_hex(16)
    package = str(Path(sys.modules["spattermap"].__file__).resolve().parents[1])
    folders = {f"JUPYTER_{kind}_DIR": str(home / kind) for kind in ("CONFIG", "DATA", "RUNTIME")}
    environment = {**os.environ, **folders, "PYTHONPATH": package}
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1"]
    command += [f"--port={port}", "--ServerApp.port_retries=0", f"--ServerApp.root_dir={home}"]
    command += [f"--IdentityProvider.token={token}", "--LabApp.news_url=None"]
    if hasattr(os, "getuid") and os.getuid() == 0:
        command.append("--allow-root")
    with (home / "log.txt").open("w", encoding="utf-8") as log:
        server = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
        try:
            _wait_for(f"http://127.0.0.1:{port}/api?token={token}", server)
            yield f"http://127.0.0.1:{port}/lab/tree/notebooks/{{}}?token={token}", home
        finally:
            server.terminate()
            server.wait(30)


def _wait_for(address, server):
    for _ in range(240):
        try:
            with urllib.request.urlopen(address, timeout=2):
                return
        except (urllib.error.URLError, TimeoutError):
            assert server.poll() is None, "JupyterLab ended at once"
            time.sleep(0.5)
    raise AssertionError("JupyterLab did not answer within two minutes")


def test_notebook_and_panel_in_jupyterlab(browser, lab):
    address, home = lab
    page = browser.new_page(viewport={"width": 1400, "height": 1000})
    page.set_default_timeout(240_000)
    page.goto(address.format("new_map_set.ipynb"))
    page.get_by_text("(ipykernel) | Idle").wait_for()  # before that, "Run All" is not heard
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    page.wait_for_selector(".jp-OutputArea-output svg circle.spattermap-droplet", state="attached")
    picture = page.locator("svg[data-scale]")
    picture.scroll_into_view_if_needed()
    before = picture.inner_html()
    droplets = page.locator("circle.spattermap-droplet")
    n_before = droplets.count()
    assert n_before > 100
    assert "diameter" in droplets.first.locator("title").text_content()
    keep_picture(page, "lab_before")

    # Third knob is the smallest droplet: half-way up, only large ones stay.
    handle = page.locator(".jupyter-widgets .noUi-handle").nth(1)
    handle.focus()
    started = time.perf_counter()
    for _ in range(5):
        page.keyboard.press("PageUp")
    page.wait_for_function(
        "n => document.querySelectorAll('circle.spattermap-droplet').length < n", arg=n_before
    )
    print(f"first change seen after {time.perf_counter() - started:.2f} s")
    page.wait_for_selector("svg[data-scale='1']", state="attached")
    assert picture.inner_html() != before
    assert droplets.count() < n_before
    keep_picture(page, "lab_after")

    page.get_by_role("button", name="Keep these settings").click()
    page.get_by_text("Kept in settings.toml").wait_for()
    kept = Settings.from_toml(home / "notebooks" / "settings.toml")
    assert kept.smallest_droplet is not None
    assert kept.smallest_droplet > 0
    page.close()

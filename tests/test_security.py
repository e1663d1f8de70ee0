"""Names from outside stay text, and nothing in a file is ever run."""

import ast
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile

import spattermap
from spattermap.errors import SpattermapError

PACKAGE = Path(spattermap.__file__).parent
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
MARK = "document.title='HARM'"
HOSTILE = (
    f"<script>{MARK}</script>",
    f"<img src=x onerror={MARK}>",
    f"\"'><svg onload={MARK}>",
    f"[a](javascript:{MARK})",
    f"</title></style></textarea><iframe srcdoc='<script>parent.{MARK}</script>'>",
    "\u202egnp.exe\u202c {{ 7*7 }} {% raw %} $\\href{javascript:1}{x}$ `x`",
)


def source_files():
    return [*PACKAGE.rglob("*.py"), PACKAGE.parent / "start.py"]


def test_no_pickle_eval_or_exec_anywhere():
    modules = {"pickle", "dill", "cloudpickle", "marshal", "shelve", "joblib"}
    calls = {"eval", "exec", "compile", "__import__"}
    found = []
    for file in source_files():
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found += [
                    (file.name, a.name) for a in node.names if a.name.split(".")[0] in modules
                ]
            elif isinstance(node, ast.ImportFrom) and node.module:
                found += [(file.name, node.module)] * (node.module.split(".")[0] in modules)
            elif isinstance(node, ast.Call):
                if isinstance(node.func, ast.Name) and node.func.id in calls:
                    found.append((file.name, node.func.id))
                found += [
                    (file.name, word.arg)
                    for word in node.keywords
                    if (word.arg == "allow_pickle" and getattr(word.value, "value", True))
                    or (word.arg == "shell" and getattr(word.value, "value", True))
                ]
    # What the workers of one run tell each other, in a folder only they may enter (mkdtemp).
    assert set(found) <= {("grid.py", "pickle")}
    assert len(source_files()) > 50


def test_a_sidecar_cannot_name_files_outside(tmp_path):
    folder = tmp_path / "maps"
    folder.mkdir()
    tifffile.imwrite(tmp_path / "secret.tif", np.ones((3, 4), dtype=np.uint8))
    tifffile.imwrite(folder / "Cu_Ka.tif", np.ones((3, 4), dtype=np.uint16))
    for path in ("../secret.tif", str(tmp_path / "secret.tif"), "sub/../../secret.tif"):
        (folder / "mapset.toml").write_text(f'electron_image = "{path}"\n', encoding="utf-8")
        with pytest.raises(SpattermapError, match="in the folder of the map set"):
            spattermap.load(folder)


def hostile_maps(folder):
    """Write maps whose file names, title and facts all try to be more than text."""
    folder.mkdir()
    rng = np.random.default_rng(1)
    y, x = np.indices((64, 64))
    copper = np.full((64, 64), 0.3)
    for row, column, radius in ((14, 14, 5), (40, 20, 6), (25, 45, 7), (50, 52, 4)):
        copper += 6.0 * ((y - row) ** 2 + (x - column) ** 2 < radius**2)
    hostile = "' onmouseover=alert(1) <b> & \u202e"
    for name, plane in ((f"{hostile}_Cu_Ka", copper), ("Si_Ka", 4 - 0.5 * np.minimum(copper, 6))):
        file = folder / f"{name}.tif"
        tifffile.imwrite(file, rng.poisson(plane).astype(np.uint16))
    title = " ".join(HOSTILE).replace("\\", "\\\\").replace('"', '\\"')
    (folder / "mapset.toml").write_text(f'title = "{title}"\n', encoding="utf-8")
    return folder


@pytest.mark.browser
def test_a_hostile_title_and_file_name_stay_text_in_a_browser(tmp_path):
    from spattermap.report import write_report

    playwright = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("Chromium is not installed")
    page_file = write_report(hostile_maps(tmp_path / "maps"), tmp_path / "out")
    with playwright.sync_playwright() as driver:
        switches = ["--headless", "--no-sandbox", "--disable-gpu"]
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=switches)
        # Without the page's own policy, which would stop scripts in any case: the text itself
        # must be harmless, and the policy is the second line.
        for bypass in (True, False):
            page = browser.new_context(bypass_csp=bypass).new_page()
            asked, dialogs = [], []
            page.on("request", lambda request, asked=asked: asked.append(request.url))
            page.on("dialog", lambda box, dialogs=dialogs: (dialogs.append(box), box.dismiss()))
            page.goto(page_file.as_uri())
            page.wait_for_timeout(500)
            page.mouse.move(200, 200)
            outside = [url for url in asked if not url.startswith("data:")]
            assert outside == [page_file.as_uri()]
            assert dialogs == []
            assert page.title() != "HARM"
            assert "<script>" in page.title()
            assert page.evaluate("document.scripts.length") == 0
            assert page.evaluate("document.querySelectorAll('iframe, object, embed').length") == 0
            active = (
                "[...document.querySelectorAll('*')].flatMap(e => [...e.attributes])"
                ".filter(a => a.name.startsWith('on') || /^\\s*javascript:/i.test(a.value)).length"
            )
            assert page.evaluate(active) == 0
            assert "onerror=document.title" in page.evaluate("document.body.textContent")
        browser.close()

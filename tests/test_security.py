"""Names from outside stay text, and nothing in a file is ever run."""

import ast
import csv
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile

import spattermap
from spattermap.core.errors import SpattermapError
from spattermap.show.field_viewer import module_text

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

OUT_OF_PLACE = "../../up/x"
# Everything of a page that could act: [what, where].
ACTIVE = """(() => {
  const found = [];
  const kinds = 'script, iframe, object, embed, form, base, link, meta[http-equiv=refresh], '
    + 'frame, applet, portal, foreignObject, animate, set';
  document.querySelectorAll(kinds).forEach(e => found.push([e.localName, e.outerHTML]));
  for (const e of document.querySelectorAll('*')) for (const a of e.attributes) {
    if (a.name.startsWith('on')) found.push(['handler', a.name + '=' + a.value]);
    if (/^\\s*(javascript|vbscript):/i.test(a.value)) found.push(['address', a.value]);
    if (['src', 'href', 'srcset', 'data', 'action', 'poster'].includes(a.localName)
        && !/^(#|data:image.(png|jpeg);|deposits.[-.\\w]+.[-.\\w]+$|[-.\\w]+$)/.test(a.value))
      found.push(['leads away', a.value]);
  }
  return found;
})()"""


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
    # The cells of the notebook that comes with the installation, whose result is the page.
    assert set(found) <= {("report.py", word) for word in ("compile", "eval", "exec")}
    assert len(source_files()) > 50


def test_only_the_cells_of_our_own_notebook_are_run():
    calls = [
        ast.unparse(node.args[0])
        for file in source_files()
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("run_notebook")
    ]
    assert calls == ["notebook_path(NOTEBOOK)"]


def test_a_sidecar_cannot_name_files_outside(tmp_path):
    folder = tmp_path / "maps"
    folder.mkdir()
    tifffile.imwrite(tmp_path / "secret.tif", np.ones((3, 4), dtype=np.uint8))
    tifffile.imwrite(folder / "Cu_Ka.tif", np.ones((3, 4), dtype=np.uint16))
    for path in ("../secret.tif", str(tmp_path / "secret.tif"), "sub/../../secret.tif"):
        (folder / "mapset.toml").write_text(f'electron_image = "{path}"\n', encoding="utf-8")
        with pytest.raises(SpattermapError, match="in the folder of the map set"):
            spattermap.load(folder)


def quoted(text):
    """Return a TOML string that holds the text."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def hostile_maps(folder):
    """Write maps whose file names, title, lines and free facts all try to be more than text."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(1)
    y, x = np.indices((64, 64))
    copper = np.full((64, 64), 0.3)
    for row, column, radius in ((14, 14, 5), (40, 20, 6), (25, 45, 7), (50, 52, 4)):
        copper += 6.0 * ((y - row) ** 2 + (x - column) ** 2 < radius**2)
    hostile = "' onmouseover=alert(1) <b> & \u202e"
    for name, plane in ((f"{hostile}_Cu_Ka", copper), ("Si_Ka", 4 - 0.5 * np.minimum(copper, 6))):
        file = folder / f"{name}.tif"
        tifffile.imwrite(file, rng.poisson(plane).astype(np.uint16))
    text = f"title = {quoted(' '.join(HOSTILE))}\n"
    for table in ("process", "measured"):
        text += f"[{table}]\n"
        text += "".join(f"{quoted(one)} = {quoted(one)}\n" for one in HOSTILE)
        text += f"{quoted(OUT_OF_PLACE)} = {quoted(OUT_OF_PLACE)}\n"
    (folder / "mapset.toml").write_text(text, encoding="utf-8")
    return folder


def hostile_sweep(folder):
    """Write a sheet whose paths, samples, fields, columns and cells try to be more than text."""
    names = [f"{chr(97 + k)}<img src=x onerror={MARK}>" for k in range(2)]
    for name in names:
        hostile_maps(folder / name)
    columns = ["path", "sample", "field", HOSTILE[2], "charge_J", f"measured_{HOSTILE[1]}"]
    rows = [
        [name, sample, HOSTILE[3], HOSTILE[k], str(k), HOSTILE[4]]
        for k, (name, sample) in enumerate(zip(names, (OUT_OF_PLACE, HOSTILE[0]), strict=True))
    ]
    rows.append(["../../missing" + HOSTILE[0], "c", *HOSTILE[1:3], "3", "x"])
    with (folder / "sheet.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([columns, *rows])
    return folder / "sheet.csv"


@pytest.fixture(scope="module")
def chromium():
    playwright = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("Chromium is not installed")
    with playwright.sync_playwright() as driver:
        switches = ["--headless", "--no-sandbox", "--disable-gpu"]
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=switches)
        yield browser
        browser.close()


def harm_of(browser, page_file):
    """Open a page and return all that is more than text in it: empty where it is harmless.

    Once without the page's own policy, which would stop scripts in any case: the text itself must
    be harmless, and the policy is the second line.
    """
    return harm_seen(browser, page_file, bypass=True) + harm_seen(browser, page_file, bypass=False)


def harm_seen(browser, page_file, *, bypass):
    found = []
    context = browser.new_context(bypass_csp=bypass, offline=True)
    page = context.new_page()
    page.on("request", lambda request: found.append(("asked", request.url)))
    page.on("dialog", lambda box: (found.append(("dialog", box.message)), box.dismiss()))
    page.on("popup", lambda other: found.append(("opened", other.url)))
    page.goto(page_file.as_uri())
    # What waits for a hand: everything is told of pointer and focus, links within are followed.
    page.evaluate(
        "for (const e of document.querySelectorAll('*'))"
        " for (const kind of ['mouseover', 'focus', 'toggle', 'error'])"
        "  e.dispatchEvent(new Event(kind));"
        "document.querySelectorAll('a[href^=\"#\"]').forEach(a => a.click())"
    )
    page.wait_for_timeout(400)
    found += [("title", "HARM")] * (page.title() == "HARM")
    found += [tuple(item) for item in page.evaluate(ACTIVE)]
    context.close()
    allowed = ("data:", page_file.as_uri())
    ours = f'<script type="module">{module_text()}</script>'
    data = '<script type="application/json">'
    return [
        one
        for one in found
        if not (one[0] == "asked" and one[1].startswith(allowed))
        and not (one[0] == "script" and (one[1] == ours or one[1].startswith(data)))
    ]


@pytest.mark.browser
def test_hostile_names_stay_text_in_a_report(tmp_path, chromium):
    from spattermap.show.report import write_report

    page = write_report(hostile_maps(tmp_path / "maps"), tmp_path / "out")
    assert harm_of(chromium, page) == []
    shown = shown_text(chromium, page)
    for one in (*HOSTILE[:5], OUT_OF_PLACE):
        assert " ".join(one.split()) in shown
    assert names_below(tmp_path) == {"maps", "out"}


@pytest.mark.browser
def test_hostile_names_stay_text_in_a_sweep(tmp_path, chromium):
    from spattermap.sweeps import sweep

    sheet = hostile_sweep(tmp_path / "in")
    found = sweep(sheet, out=tmp_path / "deep" / "out", scheduler="synchronous")
    assert found.n_errors == 1
    assert harm_of(chromium, found.page) == []
    shown = shown_text(chromium, found.page)
    for one in (*HOSTILE[:4], OUT_OF_PLACE, "../../missing"):
        assert " ".join(one.split()) in shown
    # Names became no paths: all results lie under names of our own.
    assert names_below(tmp_path) == {"in", "deep"}
    assert names_below(tmp_path / "deep") == {"out"}
    stored = [item.name for item in (found.folder / "deposits").iterdir()]
    assert [name for name in stored if not re.fullmatch(r"[\w.-]+", name)] == []


@pytest.mark.browser
def test_hostile_names_stay_text_in_a_mosaic(tmp_path, chromium):
    from spattermap.core.work import Workers
    from spattermap.loaders import open_parts
    from spattermap.loaders.convert import convert
    from spattermap.show.mosaic_page import write_mosaic

    place = convert(hostile_maps(tmp_path / "maps"), tmp_path / "m.zarr")
    write_mosaic(open_parts(place), tmp_path / "out", workers=Workers(workers=1))
    page = tmp_path / "out" / "report.html"
    assert harm_of(chromium, page) == []
    assert " ".join(HOSTILE[0].split()) in shown_text(chromium, page)


@pytest.mark.browser
@pytest.mark.parametrize("unescaped", ["pieces", "shell"])
def test_the_browser_would_see_text_that_came_alive(tmp_path, chromium, monkeypatch, unescaped):
    """The same pages with the escaping taken away: the checks above can fail."""
    from spattermap import load, show
    from spattermap.show import pages, pieces

    def bare(text, quote=True):
        return text

    monkeypatch.setattr(pieces if unescaped == "pieces" else pages, "escape", bare)
    maps = load(hostile_maps(tmp_path / "maps"))
    parts = [("Facts", show.what_was_read(maps).html)]
    text = pages.shell(parts, title=HOSTILE[1], kind="k", heading=HOSTILE[1], level=0.95)
    (tmp_path / "page.html").write_text(text, encoding="utf-8")
    kinds = {one[0] for one in harm_of(chromium, tmp_path / "page.html")}
    assert {"title", "asked", "handler"} <= kinds
    if unescaped == "pieces":
        assert {"script", "iframe", "handler"} <= kinds


def shown_text(browser, page_file):
    page = browser.new_page()
    page.goto(page_file.as_uri())
    text = page.evaluate("document.body.textContent")
    page.close()
    return " ".join(text.split())


def names_below(folder):
    return {item.name for item in folder.iterdir()}

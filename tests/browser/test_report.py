"""The report in a real browser, offline: drawn, picked, printed, with no complaint and no request."""

from __future__ import annotations

import base64
import dataclasses
import io
import json
import os
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.formats.datum_file import build, text_of
from pipeline.formats.tables import SAFETY
from pipeline.geometry import transformed
from pipeline.job import dump_job
from pipeline.report.build import Shown, write_report
from pipeline.report.maps import residual_maps
from pipeline.values import Outcome
from pipeline.values.surface import Surface
from tests.browser.chrome import PROGRAM, Chrome
from tests.outcomes import outcome

if PROGRAM is None:
    if os.environ.get("CI"):
        pytest.fail("Chromium is not here: apt-get install chromium", pytrace=False)
    pytest.skip("no chromium on this machine: apt-get install chromium", allow_module_level=True)
pytest.importorskip("websocket", reason="needs websocket-client to speak to Chromium")

WICKED = "<script>alert(1)</script> \"Bohrung\" 'é' Ø 主轴 & <b>"
NARROW = """(() => {
  document.querySelectorAll('details').forEach((box) => { box.open = true; });
  const wide = document.documentElement.clientWidth, broken = [], off = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const range = document.createRange();
  while (walker.nextNode()) {
    const node = walker.currentNode, box = node.parentElement;
    // A key of 64 figures and lines ready to paste are no words; hidden text has no box.
    if (box.closest('script, style, svg, code, pre, .unseen') || !box.getClientRects().length) continue;
    const rolls = box.closest('.wide');
    for (const word of node.data.matchAll(/[\\\\p{L}\\\\p{N}]+/gu)) {
      range.setStart(node, word.index);
      range.setEnd(node, word.index + word[0].length);
      const rects = [...range.getClientRects()].filter((r) => r.width > 0);
      if (new Set(rects.map((r) => Math.round(r.top))).size > 1) broken.push(word[0]);
      if (!rolls && rects.some((r) => r.right > wide + 0.5)) off.push(node.data.trim().slice(0, 60));
    }
  }
  for (const box of document.body.querySelectorAll('img, svg, canvas, table, pre, section, figure')) {
    if (!box.closest('.wide') && box.getBoundingClientRect().right > wide + 0.5) off.push(box.outerHTML.slice(0, 60));
  }
  return { broken, off, wide, runs: document.documentElement.scrollWidth };
})()"""
A4, LETTER = (210.0, 297.0), (215.9, 279.4)


def written(made: Outcome, folder: Path, deviation: np.ndarray | None = None) -> Path:
    folder.mkdir(exist_ok=True)
    light = made.lighten.surface
    data = build(made)
    off = made.audit.vertex_deviation if deviation is None else deviation
    in_part = transformed(made.frame.frame.matrix, light.vertices)
    shown = Shown(in_part, light.faces, made.lighten.labels, light.origin, off)
    maps = residual_maps(light, made.recover.labels, made.recover.features)
    write_report(data, shown, maps, dump_job(made.job), folder, made.job.export.units)
    (folder / "datums.json").write_text(text_of(data), encoding="utf-8")
    return folder / "report.html"


@pytest.fixture(scope="module")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    browser = Chrome(tmp_path_factory.mktemp("profile"))
    yield browser
    browser.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The test plate with a name that means harm, and deviations that differ from place to place."""
    made = outcome(names={"cylinder-1": WICKED})
    off = 0.05 * np.sin(made.lighten.surface.vertices[:, 0] / 9)
    return written(made, tmp_path_factory.mktemp("report"), off.astype(np.float32))


def canvas_pixels(chrome: Chrome) -> np.ndarray:
    """(h, w, 3) of the 3D view as the browser shows it."""
    box = chrome.run("(() => { const b = view3d.getBoundingClientRect(); return [b.x, b.y, b.width, b.height]; })()")
    clip = dict(zip(("x", "y", "width", "height"), box, strict=True))
    clip["y"] += chrome.run("scrollY")
    answer = chrome.call("Page.captureScreenshot", format="png", clip={**clip, "scale": 1}, captureBeyondViewport=True)
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(answer["data"]))).convert("RGB"))


def soonest(chrome: Chrome, path: Path) -> float:
    """Seconds to open, the best of three: a machine that does other work beside must not fail the page."""
    return min(chrome.open(path) for _ in range(3))


def settle(chrome: Chrome) -> None:
    chrome.run("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def middle_of(chrome: Chrome, feature: int) -> tuple[float, float]:
    """A place in the window where the 3D view shows the feature, found by asking the page's own hover."""
    chrome.run("document.getElementById('view3d-box').scrollIntoView({block: 'center'})")
    x0, y0, width, height = chrome.run(
        "(() => { const b = view3d.getBoundingClientRect(); return [b.x, b.y, b.width, b.height]; })()"
    )
    ident = chrome.run(f"JSON.parse(datums.textContent).features[{feature}].id")
    for row in np.linspace(0.2, 0.8, 13):
        for column in np.linspace(0.3, 0.7, 17):
            x, y = x0 + column * width, y0 + row * height
            chrome.move(x, y)
            if not chrome.run("tip.hidden") and str(chrome.run("tip.textContent")).startswith(ident):
                return x, y
    raise AssertionError(f"{ident} is nowhere to be seen")


def test_it_opens_without_a_complaint_or_a_request(chrome: Chrome, report: Path) -> None:
    seconds = chrome.open(report)
    assert chrome.complaints() == []
    assert chrome.requests() == [report.as_uri()]
    assert min(seconds, soonest(chrome, report)) < 3
    assert chrome.run("view3d.getContext('webgl2') !== null")


def test_the_3d_view_shows_the_part(chrome: Chrome, report: Path) -> None:
    chrome.open(report)
    settle(chrome)
    pixels = canvas_pixels(chrome)
    inked = (pixels < 240).any(axis=2).mean()
    assert 0.08 < inked < 0.9
    assert len(np.unique(pixels.reshape(-1, 3), axis=0)) > 200
    # Deviations of both signs: the blue-green end and the brown end of the map are both to be seen.
    red, blue = pixels[..., 0].astype(int), pixels[..., 2].astype(int)
    assert ((blue - red) > 40).mean() > 0.005
    assert ((red - blue) > 40).mean() > 0.005
    chrome.run("document.querySelector('input[value=kind]').click()")
    settle(chrome)
    assert np.abs(canvas_pixels(chrome).astype(int) - pixels).mean() > 1


def test_a_row_shows_its_feature_and_axis(chrome: Chrome, report: Path) -> None:
    chrome.open(report)
    settle(chrome)
    before = canvas_pixels(chrome)
    chrome.run("document.querySelector('#row-6').click()")
    settle(chrome)
    after = canvas_pixels(chrome)
    assert np.abs(after.astype(int) - before).mean() > 1
    gilded = (after[..., 0] > 180) & (after[..., 2] < 140) & (after[..., 0].astype(int) - after[..., 2] > 60)
    assert gilded.sum() > 100
    assert chrome.run("document.querySelector('#row-6').getAttribute('aria-current')") == "true"
    assert WICKED in chrome.run("document.getElementById('view3d-status').textContent")


def test_a_click_on_the_part_selects_its_rows(chrome: Chrome, report: Path) -> None:
    chrome.open(report)
    settle(chrome)
    chrome.click(*middle_of(chrome, 0))
    chosen = chrome.run("[...document.querySelectorAll('tr.chosen')].map((row) => row.dataset.feature)")
    assert chosen == ["0", "0", "0", "0"]  # on the first screen, in the table of all, and in the two of each by itself
    assert chrome.run("document.querySelector('#view3d-status a').getAttribute('href')") == "#row-0"


def test_hovering_tells_the_deviation(chrome: Chrome, report: Path) -> None:
    chrome.open(report)
    settle(chrome)
    middle_of(chrome, 0)
    text = chrome.run("tip.textContent")
    assert text.startswith("plane-1: face, 6,000 mm²; light mesh off the scan by ")
    assert abs(float(text.split(" by ")[1].split()[0])) <= 50


def test_it_can_be_used_by_keyboard(chrome: Chrome, report: Path) -> None:
    chrome.open(report)
    chrome.run("view3d.focus()")
    settle(chrome)
    before = canvas_pixels(chrome)
    chrome.press("ArrowLeft")
    settle(chrome)
    turned = canvas_pixels(chrome)
    assert np.abs(turned.astype(int) - before).mean() > 0.5
    chrome.press("0")
    settle(chrome)
    assert np.abs(canvas_pixels(chrome).astype(int) - before).mean() < 0.05
    chrome.run("document.querySelector('#row-3').focus()")
    chrome.press("ArrowDown")
    assert chrome.run("document.activeElement.id") == "row-4"
    chrome.press("Enter")
    assert chrome.run("document.querySelector('#row-4').classList.contains('chosen')")
    # One stop of the Tab key a table.
    stops = "[...document.querySelectorAll('tbody')].map((b) => b.querySelectorAll('tr[tabindex=\"0\"]').length)"
    assert max(chrome.run(stops)) == 1


def test_a_name_that_means_harm_is_text(chrome: Chrome, report: Path) -> None:
    chrome.open(report)
    assert chrome.complaints() == []
    assert chrome.run("[...document.querySelectorAll('script')].length") == 3
    assert WICKED in chrome.run("document.querySelector('#feature-6 th').textContent")
    assert chrome.run("JSON.parse(datums.textContent).features[6].name") == WICKED
    assert chrome.run("document.querySelectorAll('main script').length") == 0
    bold = chrome.run("[...document.querySelectorAll('main b:not(.maps b)')].map((b) => b.textContent)")
    assert [text.rstrip(".") for text in bold] == [about for about, _ in SAFETY]


def test_without_3d_the_pictures_stand(chrome: Chrome, report: Path) -> None:
    script = "HTMLCanvasElement.prototype.getContext = () => null"
    added = chrome.call("Page.addScriptToEvaluateOnNewDocument", source=script)["identifier"]
    try:
        chrome.open(report)
        assert chrome.complaints() == []
        assert "no 3D" in chrome.run("document.getElementById('view3d-status').textContent")
        shown = "[...document.images].every((image) => image.complete && image.naturalWidth > 0)"
        assert chrome.run(shown)
        assert chrome.run("document.images.length") > 20
    finally:
        chrome.call("Page.removeScriptToEvaluateOnNewDocument", identifier=added)


@pytest.mark.parametrize("paper", [A4, LETTER], ids=["A4", "Letter"])
def test_printed_tables_are_whole(chrome: Chrome, report: Path, paper: tuple[float, float]) -> None:
    """Every row stands on one page, nothing reaches over the paper's edge, heads are repeated."""
    pdfium = pytest.importorskip("pypdfium2")
    chrome.open(report)
    rows = chrome.run(
        "[...document.querySelectorAll('tbody tr')]"
        ".map((row) => [...row.cells].map((cell) => cell.innerText.replace(/[\\s\\u2e80-\\uffff]+/g, '')))"
    )
    document = pdfium.PdfDocument(chrome.pdf(*paper))
    pages = [page.get_textpage() for page in document]
    # Where no font has them, characters of the far east are printed as one and the same box and can't be read back.
    texts = [re.sub(r"[\s\u2e80-\uffff]+", "", page.get_text_bounded()) for page in pages]
    assert len(rows) > 40
    for row in rows:
        assert any(all(cell in text for cell in row) for text in texts), row
        assert any("".join(row) in text for text in texts), row
    for page, text in zip(document, pages, strict=True):
        width, height = page.get_size()
        assert width == pytest.approx(paper[0] / 25.4 * 72, abs=1)
        for index in range(text.count_rects()):
            left, bottom, right, top = text.get_rect(index)
            assert left > 20
            assert right < width - 20
            assert bottom > 20
            assert top < height - 20


def test_at_400_px_no_word_breaks_and_nothing_runs_off(chrome: Chrome, report: Path) -> None:
    """Of all that is folded as well; tables that are wider roll within their own box."""
    chrome.call("Emulation.setDeviceMetricsOverride", width=400, height=800, deviceScaleFactor=1, mobile=False)
    try:
        chrome.open(report)
        found = chrome.run(NARROW)
    finally:
        chrome.call("Emulation.clearDeviceMetricsOverride")
    assert 380 <= found["wide"] <= found["runs"] <= 400
    assert found["broken"] == []
    assert found["off"] == []


def test_headings_texts_and_contrast(chrome: Chrome, report: Path) -> None:
    chrome.open(report)
    levels = chrome.run("[...document.querySelectorAll('h1, h2, h3, h4')].map((h) => Number(h.tagName[1]))")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    titles = chrome.run("[...document.querySelectorAll('h2')].map((h) => h.textContent)")
    assert titles[:6] == [
        "Datums",
        "Sizes that matter",
        "Invented, never measured",
        "To gauge on the part",
        "Cautions of this run",
        "Contents",
    ]
    questions = ["May I trust this?", "Where are my datums?", "What was invented?"]
    questions.append("What do I still have to measure by hand?")
    assert [title for title in titles if title in questions] == questions
    assert chrome.run("[...document.querySelectorAll('table')].every((t) => t.caption && t.caption.textContent)")
    assert chrome.run("[...document.querySelectorAll('th')].every((t) => t.scope === 'col' || t.scope === 'row')")
    links = "[...document.querySelectorAll('a[href^=\"#\"]')].every((a) => document.querySelector(a.hash))"
    assert chrome.run(links)
    lacking = "[...document.images].filter((i) => !i.hasAttribute('alt') || (!i.alt && !i.closest('.keys'))).length"
    assert chrome.run(lacking) == 0
    assert chrome.run("[...document.querySelectorAll('thead th')].filter((t) => !t.textContent.trim()).length") == 0
    assert chrome.run("document.documentElement.lang") == "en"
    assert chrome.run(CONTRAST) >= 4.5


# Least contrast of any text with what is behind it, as WCAG 2.1 defines relative luminance and contrast ratio.
CONTRAST = """(() => {
  const numbers = (c) => (c.match(/[\\d.]+/g) || []).map(Number);
  const light = (c) => { const [r, g, b] = numbers(c).map((v) => v / 255)
    .map((v) => (v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  let least = 99;
  for (const one of document.querySelectorAll('main *')) {
    if (![...one.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
    let behind = one, ground = 'rgb(255, 255, 255)';
    for (; behind; behind = behind.parentElement) {
      const c = getComputedStyle(behind).backgroundColor;
      if (numbers(c)[3] !== 0) { ground = c; break; }
    }
    const style = getComputedStyle(one);
    const ink = one.namespaceURI.endsWith('svg') ? style.fill : style.color;
    const [a, b] = [light(ink), light(ground)].sort((x, y) => y - x);
    least = Math.min(least, (a + 0.05) / (b + 0.05));
  }
  return least;
})()"""


def test_400_features_of_a_large_scan_stay_small_and_fast(chrome: Chrome, tmp_path: Path) -> None:
    """The light mesh as large as it is drawn at most, 400 features on it; what a scan's own size adds is one figure."""
    made = outcome()
    vertices, faces, labels = grid(225)
    features = [
        dataclasses.replace(
            made.recover.features[i % 14], id=f"feature-{i}", point=vertices[faces[labels == i]].mean(axis=(0, 1))
        )
        for i in range(400)
    ]
    surface = Surface(vertices, faces, np.zeros(len(faces), np.uint8))
    recover = dataclasses.replace(made.recover, features=tuple(features), labels=labels, patterns=(), measured=())
    frame = dataclasses.replace(
        made.frame, frame=dataclasses.replace(made.frame.frame, datums=()), flanges=(), suggestions=(), in_part=()
    )
    audits = tuple(dataclasses.replace(made.audit.audit.features[0], feature=f.id) for f in features)
    audit = dataclasses.replace(made.audit.audit, features=audits, facets_before=10_000_000, facets_after=len(faces))
    off = np.random.default_rng(1).normal(0, 0.01, len(vertices)).astype(np.float32)
    made = dataclasses.replace(
        made,
        recover=recover,
        frame=dataclasses.replace(frame, square_up=()),
        lighten=dataclasses.replace(made.lighten, surface=surface, labels=labels),
        audit=dataclasses.replace(made.audit, audit=audit, vertex_deviation=off),
    )
    path = written(made, tmp_path / "large")
    assert len(faces) > 100_000
    assert path.stat().st_size < 12e6
    assert soonest(chrome, path) < 3
    assert chrome.complaints() == []
    assert chrome.run("document.querySelectorAll('details tr[data-feature]').length") == 800


def grid(side: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A wavy sheet of 2 side^2 facets in 400 labelled patches."""
    x, y = np.meshgrid(np.linspace(0, 500, side + 1), np.linspace(0, 400, side + 1), indexing="ij")
    vertices = np.stack([x, y, 9 * np.sin(x / 30) * np.cos(y / 40)], axis=-1).reshape(-1, 3)
    row, column = (a.ravel() for a in np.meshgrid(np.arange(side), np.arange(side), indexing="ij"))
    corner = row * (side + 1) + column
    first = np.stack([corner, corner + side + 1, corner + 1], axis=1)
    second = np.stack([corner + 1, corner + side + 1, corner + side + 2], axis=1)
    patch = 20 * (row * 20 // side) + column * 20 // side
    return vertices, np.concatenate([first, second]).astype(np.int32), np.concatenate([patch, patch]).astype(np.int32)


def test_the_embedded_figures_are_the_datum_file(chrome: Chrome, report: Path) -> None:
    chrome.open(report)
    written_beside = json.loads((report.parent / "datums.json").read_text(encoding="utf-8"))
    assert chrome.run("JSON.parse(datums.textContent)") == written_beside

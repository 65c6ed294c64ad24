"""The pages as a browser shows and prints them: nothing fetched, nothing clipped, readable at 200 %.

Needs Debian's chromium and poppler-utils; without them these checks are skipped and say so.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from html import unescape
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "rooms"))

import reports_sample as sample

from trendkit.reports import write_quality, write_review, write_troubleshoot, write_tune

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PAGES = ("review", "troubleshoot", "tune", "quality")
PAPER_PT = {"A4": (595, 842), "letter": (612, 792)}

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: no page is opened")


def _chromium(*options: str) -> subprocess.CompletedProcess[str]:
    assert CHROMIUM is not None
    quiet = ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run")
    alone = ("--disable-background-networking", "--disable-component-update", "--disable-sync")
    return subprocess.run([CHROMIUM, *quiet, *alone, *options], capture_output=True, text=True, timeout=120, check=True)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages of the sample month."""
    place = tmp_path_factory.mktemp("browser")
    table = sample.table()
    write_review(place, sample.context(), sample.review(), table, sample.upsets())
    write_troubleshoot(place, sample.day_context(), sample.account(), table, sample.upsets()[1:2])
    write_tune(place, sample.context(), sample.tuning(), table)
    write_quality(place, sample.context(), sample.quality_account(), table.frame, 60)
    return place


# A page under test is opened in a frame of this one, which measures it from outside: the page itself runs no script.
_MEASURE = """<!doctype html><meta charset="utf-8"><body style="margin:0">
<iframe id="f" src="{page}" style="border:0;width:{width}px;height:900px"></iframe><pre id="out"></pre>
<script>
document.getElementById("f").onload = function () {{
  const frame = this.contentWindow, doc = frame.document, root = doc.documentElement;
  const all = Array.from(doc.querySelectorAll("body *"));
  const visible = e => e.getClientRects().length > 0;
  const inScroll = e => e.closest(".scroll, svg, .skip, .defs") !== null;
  const out = {{
    resources: frame.performance.getEntriesByType("resource").map(e => e.name),
    overflow: root.scrollWidth - root.clientWidth,
    beyond: all.filter(e => visible(e) && !inScroll(e) && e.getBoundingClientRect().right > root.clientWidth + 1)
      .map(e => e.tagName + "." + e.className),
    answerBottom: doc.getElementById("answer").getBoundingClientRect().bottom,
    focusable: all.filter(e => e.tabIndex >= 0 && visible(e)).length,
    links: doc.querySelectorAll("a[href]").length,
    regions: doc.querySelectorAll("[role=region]").length,
    summaries: doc.querySelectorAll("summary").length,
    drawings: Array.from(doc.querySelectorAll("figure svg")).map(svg => {{
      const box = svg.getBoundingClientRect();
      const texts = Array.from(svg.querySelectorAll("text")).filter(t => t.textContent.trim());
      return {{
        id: svg.closest("figure").id,
        width: box.width, height: box.height,
        paths: svg.querySelectorAll("path, line, rect").length,
        texts: texts.length,
        clipped: texts.filter(t => {{
          const r = t.getBoundingClientRect();
          const isInside = r.left >= box.left - 1 && r.right <= box.right + 1;
          return !isInside || r.top < box.top - 1 || r.bottom > box.bottom + 1;
        }}).map(t => t.textContent),
        smallest: Math.min(...texts.map(t => t.getBoundingClientRect().height)),
      }};
    }}),
    images: doc.querySelectorAll("img, script, iframe").length,
    bold: doc.querySelectorAll("b").length,
  }};
  document.getElementById("out").textContent = JSON.stringify(out);
}};
</script>"""


def _measured(page: Path, width: int) -> dict[str, Any]:
    harness = page.with_name(f"measure_{page.stem}_{width}.html")
    harness.write_text(_MEASURE.format(page=page.name, width=width), encoding="utf-8")
    options = ("--allow-file-access-from-files", f"--window-size={width},900", "--virtual-time-budget=4000")
    dom = _chromium(*options, "--dump-dom", harness.as_uri()).stdout
    found = re.search(r'<pre id="out">(.*?)</pre>', dom, re.S)
    assert found and found.group(1), "the page was not measured"
    measured = json.loads(unescape(found.group(1)))
    assert isinstance(measured, dict)
    return measured


@pytest.fixture(scope="module")
def on_screen(folder: Path) -> dict[tuple[str, int], dict[str, Any]]:
    """Every page measured at 1280 px, and at 640 px as a 200 % zoom of it leaves."""
    return {(name, width): _measured(folder / f"{name}.html", width) for name in PAGES for width in (1280, 640)}


@pytest.mark.parametrize("name", PAGES)
def test_a_page_opens_without_error_and_fetches_nothing(
    name: str, folder: Path, on_screen: dict[tuple[str, int], dict[str, Any]]
) -> None:
    opened = _chromium("--enable-logging=stderr", "--dump-dom", (folder / f"{name}.html").as_uri())
    assert [line for line in opened.stderr.splitlines() if "CONSOLE" in line] == []
    measured = on_screen[name, 1280]
    assert measured["resources"] == []
    assert measured["images"] == 0 and measured["bold"] == 0  # hostile tags and notes made no element


@pytest.mark.parametrize("name", PAGES)
def test_the_answer_is_on_the_first_screen(name: str, on_screen: dict[tuple[str, int], dict[str, Any]]) -> None:
    assert on_screen[name, 1280]["answerBottom"] < 500
    assert on_screen[name, 640]["answerBottom"] < 700


@pytest.mark.parametrize("width", [1280, 640])
@pytest.mark.parametrize("name", PAGES)
def test_nothing_runs_off_the_screen_at_full_size_or_at_200_percent(
    name: str, width: int, on_screen: dict[tuple[str, int], dict[str, Any]]
) -> None:
    measured = on_screen[name, width]
    assert measured["overflow"] <= 0 and measured["beyond"] == []


@pytest.mark.parametrize("name", PAGES)
def test_every_drawing_is_drawn_whole(name: str, on_screen: dict[tuple[str, int], dict[str, Any]]) -> None:
    drawings = on_screen[name, 1280]["drawings"]
    assert len(drawings) == {"review": 9, "troubleshoot": 3, "tune": 3, "quality": 1}[name]
    for drawing in drawings:
        assert drawing["width"] > 700 and drawing["height"] > 60, drawing["id"]
        assert drawing["paths"] > 10 and drawing["texts"] > 5, drawing["id"]
        assert drawing["clipped"] == [], drawing["id"]
        assert drawing["smallest"] > 8, drawing["id"]


@pytest.mark.parametrize("name", PAGES)
def test_everything_that_folds_or_scrolls_is_reached_by_keyboard(
    name: str, on_screen: dict[tuple[str, int], dict[str, Any]]
) -> None:
    measured = on_screen[name, 1280]
    hidden_regions = measured["summaries"]  # the tables inside folded details
    least = measured["links"] + measured["summaries"] + measured["regions"] - hidden_regions
    assert measured["focusable"] >= least


# --- paper ------------------------------------------------------------------------------------------------


def _printed(page: Path, paper: str) -> Path:
    """Print a copy of a page on the given paper and return the PDF."""
    copy = page.with_name(f"{page.stem}_{paper}.html")
    text = page.read_text(encoding="utf-8").replace("@page { size: auto;", f"@page {{ size: {paper};")
    assert f"size: {paper};" in text
    copy.write_text(text, encoding="utf-8")
    pdf = copy.with_suffix(".pdf")
    _chromium("--no-pdf-header-footer", f"--print-to-pdf={pdf}", copy.as_uri())
    return pdf


def _tool(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed: no PDF is read")
@pytest.mark.parametrize("paper", PAPER_PT)
@pytest.mark.parametrize("name", PAGES)
def test_a_page_prints_whole_on_a4_and_letter(name: str, paper: str, folder: Path) -> None:
    pdf = _printed(folder / f"{name}.html", paper)
    about = _tool("pdfinfo", str(pdf))
    width, height = PAPER_PT[paper]
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", about)
    pages = int(re.search(r"Pages:\s+(\d+)", about).group(1))  # type: ignore[union-attr]
    assert size and abs(float(size.group(1)) - width) < 2 and abs(float(size.group(2)) - height) < 2
    assert pages <= {"review": 10, "troubleshoot": 7, "tune": 7, "quality": 7}[name]
    words = _tool("pdftotext", "-layout", str(pdf), "-")
    assert f"page 1 of {pages}" in words and f"page {pages} of {pages}" in words
    assert words.count("Quillmark Bend reclamation works, trendkit") == pages  # the foot of every sheet
    assert "Licensed operator, date" in words and "Before anyone touches the press" in words
    assert "Numbers:" not in words and "Skip to the answer" not in words
    _assert_inside(pdf, width)


def _assert_inside(pdf: Path, width: float) -> None:
    """No word of any sheet reaches into the side margins."""
    boxes = re.findall(
        r'<word xMin="([-\d.]+)" yMin="[-\d.]+" xMax="([-\d.]+)"', _tool("pdftotext", "-bbox", str(pdf), "-")
    )
    assert len(boxes) > 300
    margin = 12 / 25.4 * 72
    assert min(float(left) for left, _ in boxes) > margin - 2
    assert max(float(right) for _, right in boxes) < width - margin + 2

"""The pages as a browser shows, reads and prints them: nothing fetched, nothing clipped, readable at 200 %.

Needs Debian's chromium, Playwright and poppler-utils; without them these checks are skipped and say so. The checks for
readers who do not see the page use axe-core, which `.ci/run` installs by its package name from npm.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "rooms"))

import reports_sample as sample

from trendkit.jobs.call import Call
from trendkit.jobs.comparing import compare
from trendkit.plant import load_plant
from trendkit.plant.calendar import month_period
from trendkit.press.standing import Standing
from trendkit.reports import (
    HeldAgainst,
    write_index,
    write_quality,
    write_review,
    write_troubleshoot,
    write_tune,
)
from trendkit.reports.district_page import DistrictAccount, Failed, write_district
from trendkit.upsets import run_charts

playwright = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed: no page is opened")

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = Path(__file__).resolve().parents[2] / ".ci" / "axe" / "node_modules" / "axe-core" / "axe.min.js"
PAGES = ("review", "troubleshoot", "tune", "quality", "compare")  # each of one press, with drawings
ALL = (*PAGES, "district")
PAPER_PT = {"A4": (595, 842), "letter": (612, 792)}
FIRST_ANSWER_MS, ALL_DRAWN_MS = 1_000, 3_000

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: no page is opened")


def _chromium(*options: str) -> subprocess.CompletedProcess[str]:
    assert CHROMIUM is not None
    quiet = ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run")
    alone = ("--disable-background-networking", "--disable-component-update", "--disable-sync")
    return subprocess.run([CHROMIUM, *quiet, *alone, *options], capture_output=True, text=True, timeout=120, check=True)


@pytest.fixture(scope="module")
def folder(plant_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages of the sample month, and a comparison of two weeks of the invented plant."""
    place = tmp_path_factory.mktemp("browser")
    table = sample.table()
    review = sample.review()
    held = HeldAgainst(month_period(sample.plant(), "2026-02"), charts=run_charts(review.runs))
    write_review(place, sample.context(), review, table, sample.upsets(), held)
    write_troubleshoot(place, sample.day_context(), sample.account(), table, sample.upsets()[1:2])
    write_tune(place, sample.context(), sample.tuning(), table)
    write_quality(place, sample.context(), sample.quality_account(), table.frame, 60)
    account = DistrictAccount(
        "2026-03", "March 2026", 3, _standings(), (Failed("Otter Weir", "BFP-9", "<b>no row</b>"),)
    )
    shutil.copy(write_district(place / "all", account, "us"), place / "district.html")
    press = sample.plant().presses[0]
    files = (str(plant_folder / "exports"), str(plant_folder / "lab.csv"))
    compare(Call(plant_folder / "plant.toml", files), "2026-02-02/2026-02-08", "2026-02-08/2026-02-14", place)
    shutil.copytree(place, place / press.slug)
    write_index(place, sample.plant(), "review", [(press, "An answer."), (replace(press, slug="none"), "Another.")])
    return place


def _standings() -> tuple[Standing, ...]:
    """Twelve presses of two plants with the sample month's figures, one a little better than the next."""
    found = []
    for number in range(12):
        figures = dict(sample.review().figures)
        capture = figures["capture_pct"]
        assert capture.value is not None and capture.low is not None and capture.high is not None
        lower = {end: getattr(capture, end) - number / 2 for end in ("value", "low", "high")}
        figures["capture_pct"] = replace(capture, **lower)
        plant = "Quillmark Bend" if number % 2 else "<b>Otter Weir</b>"
        found.append(Standing(plant, f"site-{number % 2}", f"BFP-{number}", f"bfp-{number}", "x/review.html", figures))
    return tuple(found)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One chromium for all checks of this file."""
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield opened
        opened.close()


class Opened:
    """A page in the browser with everything it said and asked for."""

    def __init__(self, browser: Any, path: Path, width: int = 1280, scripts: bool = True) -> None:
        context = browser.new_context(viewport={"width": width, "height": 900}, java_script_enabled=scripts)
        self.page: Any = context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.as_uri())

    def __enter__(self) -> Opened:
        return self

    def __exit__(self, *_: object) -> None:
        self.page.context.close()


_MEASURE = """() => {
  const doc = document, root = doc.documentElement, all = Array.from(doc.querySelectorAll("body *"));
  const visible = e => e.getClientRects().length > 0;
  const inScroll = e => e.closest(".scroll, svg, .skip, .defs") !== null;
  return {
    overflow: root.scrollWidth - root.clientWidth,
    beyond: all.filter(e => visible(e) && !inScroll(e) && e.getBoundingClientRect().right > root.clientWidth + 1)
      .map(e => e.tagName + "." + e.className),
    answerBottom: doc.getElementById("answer").getBoundingClientRect().bottom,
    drawings: Array.from(doc.querySelectorAll("figure .drawing svg")).map(svg => {
      const box = svg.getBoundingClientRect();
      const texts = Array.from(svg.querySelectorAll("text")).filter(t => t.textContent.trim());
      return {
        id: svg.closest("figure").id,
        width: box.width, height: box.height,
        texts: texts.length,
        clipped: texts.filter(t => {
          const r = t.getBoundingClientRect();
          const isInside = r.left >= box.left - 1 && r.right <= box.right + 1;
          return !isInside || r.top < box.top - 1 || r.bottom > box.bottom + 1;
        }).map(t => t.textContent),
        smallest: Math.min(...texts.map(t => t.getBoundingClientRect().height)),
      };
    }),
    made: doc.querySelectorAll("img, iframe, b").length,
  };
}"""


@pytest.fixture(scope="module")
def on_screen(folder: Path, browser: Any) -> dict[tuple[str, int], dict[str, Any]]:
    """Every page measured at 1280 px, and at 640 px as a 200 % zoom of it leaves."""
    found = {}
    for name in ALL:
        for width in (1280, 640):
            with Opened(browser, folder / f"{name}.html", width) as opened:
                found[name, width] = {
                    **opened.page.evaluate(_MEASURE),
                    "said": opened.said,
                    "asked": [url for url in opened.asked if not url.endswith(f"{name}.html")],
                }
    return found


# --- opening ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ALL)
def test_a_page_opens_without_error_and_fetches_nothing(
    name: str, on_screen: dict[tuple[str, int], dict[str, Any]]
) -> None:
    for width in (1280, 640):
        measured = on_screen[name, width]
        assert measured["said"] == [] and measured["asked"] == []
        assert measured["made"] == 0  # hostile tags and notes made no element


def test_a_script_that_is_not_ours_does_not_run(folder: Path, browser: Any) -> None:
    text = (folder / "tune.html").read_text(encoding="utf-8")
    other = folder / "other.html"
    other.write_text(text.replace("</main>", "</main><script>document.title = 'ran'</script>"), encoding="utf-8")
    with Opened(browser, other) as opened:
        assert opened.page.title() != "ran"
        assert any("Content Security Policy" in line for line in opened.said)


@pytest.mark.parametrize("name", PAGES)
def test_the_answer_shows_within_a_second_and_all_is_drawn_within_three(name: str, folder: Path, browser: Any) -> None:
    times = [_paint_times(browser, folder / f"{name}.html") for _ in range(3)]  # the machine may be busy for one
    assert 0 < min(first for first, _ in times) < FIRST_ANSWER_MS
    assert 0 < min(drawn for _, drawn in times) < ALL_DRAWN_MS


def _paint_times(browser: Any, path: Path) -> tuple[float, float]:
    """Return when the first text stood on the screen and when all was drawn and ready to use, ms after the call."""
    with Opened(browser, path) as opened:
        opened.page.wait_for_function(
            """() => performance.getEntriesByName("first-contentful-paint").length
                 && performance.getEntriesByType("navigation")[0].loadEventEnd > 0"""
        )
        first, drawn = opened.page.evaluate(
            """() => [performance.getEntriesByName("first-contentful-paint")[0].startTime,
                      performance.getEntriesByType("navigation")[0].loadEventEnd]"""
        )
    return float(first), float(drawn)


@pytest.mark.parametrize("name", ALL)
def test_the_answer_is_on_the_first_screen(name: str, on_screen: dict[tuple[str, int], dict[str, Any]]) -> None:
    assert on_screen[name, 1280]["answerBottom"] < 500
    assert on_screen[name, 640]["answerBottom"] < 700


@pytest.mark.parametrize("width", [1280, 640])
@pytest.mark.parametrize("name", ALL)
def test_nothing_runs_off_the_screen_at_full_size_or_at_200_percent(
    name: str, width: int, on_screen: dict[tuple[str, int], dict[str, Any]]
) -> None:
    measured = on_screen[name, width]
    assert measured["overflow"] <= 0 and measured["beyond"] == []


# --- what is drawn ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PAGES)
def test_every_drawing_is_drawn_whole(name: str, on_screen: dict[tuple[str, int], dict[str, Any]]) -> None:
    drawings = on_screen[name, 1280]["drawings"]
    assert drawings
    for drawing in drawings:
        assert drawing["width"] > 700 and drawing["height"] > 60, drawing["id"]
        assert drawing["texts"] > 5, drawing["id"]
        assert drawing["clipped"] == [], drawing["id"]
        assert drawing["smallest"] > 8, drawing["id"]


def _expected_marks() -> dict[tuple[str, str], tuple[str, int]]:
    """(page, drawing) -> (how its marks are told apart, how many the sample month must give)."""
    review, lab = sample.review(), sample.lab()
    days = len(review.by_day)
    grabs = int(((lab["point"] == "cake") & ~lab["is_suspect"]).sum())
    kinds = [kind for upset in sample.upsets() for kind in upset.kinds[:1]]
    line = 'path[stroke-width="1.3"][stroke="#1a1a1a"]:not([fill])'
    shade = 'path[fill="#d55e00"][fill-opacity="0.16"]'
    diamond = 'path[stroke-width="1.3"][fill="#ffffff"]'
    bar = 'path[fill="#a6a6a6"]'
    account, tuning = sample.account(), sample.tuning()
    return {
        ("review", "strip-capture-pct"): (line, days + 1),  # the filtrate meter was silent for part of the 24th
        ("review", "strip-cake-solids-pct"): (diamond, grabs),
        ("review", "strip-solids-loading-kg-h-m"): (
            shade,
            sum(kind in ("overload", "feed_swing", "press_stop", "belt_trip", "ponding") for kind in kinds),
        ),
        ("review", "runs-cake-solids-pct"): ("path:has(> title)", len(review.runs)),
        ("review", "calendar"): (bar, days),
        ("review", "days-loading"): (bar, 2 * days),
        ("review", "cost-stack"): (bar, len(review.costs)),
        ("troubleshoot", "day-rows"): (line, len(account.timeline) + 1),  # capture is drawn whether it moved or not
        ("troubleshoot", "shares"): (bar, sum(part.factor != "unexplained" for part in account.contributions)),
        ("tune", "response-curve"): ('path[stroke="#595959"][stroke-width="0.9"]', 2 * len(tuning.blocks)),
        ("quality", "availability-1"): ('path[fill="#bdbdbd"]', 14),  # 13 tags, the filtrate meter's in two
    }


def test_every_kind_of_drawing_carries_the_marks_its_numbers_ask_for(folder: Path, browser: Any) -> None:
    counted = {}
    for name in PAGES:
        with Opened(browser, folder / f"{name}.html", scripts=False) as opened:
            for (page, drawing), (selector, _) in _expected_marks().items():
                if page == name:
                    counted[page, drawing] = opened.page.locator(f"#{drawing} .drawing").locator(selector).count()
    assert counted == {key: count for key, (_, count) in _expected_marks().items()}


# --- looking closer ---------------------------------------------------------------------------------------


def _drag(page: Any, drawing: str, start: float, end: float) -> None:
    """Drag along a drawing between two shares of its width."""
    layer = page.locator(f"#{drawing} .live")
    layer.scroll_into_view_if_needed()
    box = layer.bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + start * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + end * box["width"], y, steps=3)
    page.mouse.up()


def test_pointing_at_one_strip_reads_all_strips_at_that_time(folder: Path, browser: Any) -> None:
    with Opened(browser, folder / "review.html") as opened:
        layer = opened.page.locator("#strip-capture-pct .live")
        layer.scroll_into_view_if_needed()
        layer.hover(position={"x": 305.0, "y": 60.0})  # 13 March of 31 days, in the morning
        told = opened.page.locator("figure .told").all_text_contents()
        strips = opened.page.locator("script.numbers").count()
        assert len(told) == strips and all(text.startswith("13 Mar") for text in told)
        frame = sample.table().frame
        line = frame["capture_pct_rolling"].dropna()
        stamp = layer.get_attribute("aria-valuetext").split(" at ")[1]
        at = sample.pd.Timestamp(f"2026 {stamp}").tz_localize("America/Denver").tz_convert("UTC")
        assert told[0] == f"{stamp}: {line[at]:.1f}\u00a0%"


def test_a_range_chosen_on_one_strip_is_shown_on_all_and_let_go_again(folder: Path, browser: Any) -> None:
    with Opened(browser, folder / "review.html") as opened:
        page = opened.page
        _drag(page, "strip-cake-solids-pct", 0.2, 0.4)
        shown = page.locator(".looking span").first.inner_text()
        assert re.match(r"Shown: \d+ Mar \d\d:\d\d to \d+ Mar \d\d:\d\d\.$", shown)
        strips = page.locator("script.numbers").count()
        axes = page.locator(".closer").evaluate_all(
            "groups => groups.map(g => Array.from(g.querySelectorAll('.tick.day')).map(t => t.textContent).join())"
        )
        assert len(axes) == strips and len(set(axes)) == 1 and axes[0].count("Mar") >= 3
        assert page.locator("#strip-cake-solids-pct .closer .line").count() >= 3
        page.get_by_role("button", name="Whole period").first.click()
        assert page.locator(".closer > *").count() == 0
        assert page.locator(".looking span").first.inner_text().startswith("Drag along a drawing")
        assert opened.said == []


def test_the_bad_day_s_rows_are_looked_at_together(folder: Path, browser: Any) -> None:
    with Opened(browser, folder / "troubleshoot.html") as opened:
        _drag(opened.page, "day-rows", 0.3, 0.5)
        rows = opened.page.locator("#day-rows .closer > g").count()
        assert rows == len(sample.account().timeline) + 1
        assert opened.page.locator("#day-rows .closer .rule").count() == rows
        assert opened.said == []


def test_a_drawing_is_read_and_zoomed_with_keys_alone(folder: Path, browser: Any) -> None:
    with Opened(browser, folder / "review.html") as opened:
        page = opened.page
        layer = page.locator("#strip-capture-pct .live")
        layer.focus()
        page.keyboard.press("Home")
        start = float(layer.get_attribute("aria-valuenow"))
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Shift+ArrowRight")
        assert float(layer.get_attribute("aria-valuenow")) > start
        page.keyboard.press("+")
        page.keyboard.press("+")
        assert page.locator("#strip-capture-pct .closer .line").count() > 0
        page.keyboard.press("Escape")
        assert page.locator(".closer > *").count() == 0


def test_the_viewer_s_own_zone_moves_no_reading(folder: Path, browser: Any) -> None:
    told = []
    for zone in ("Asia/Tokyo", "America/Denver"):
        context = browser.new_context(timezone_id=zone, viewport={"width": 1280, "height": 900})
        page = context.new_page()
        page.goto((folder / "troubleshoot.html").as_uri())
        page.locator("#day-rows .live").hover(position={"x": 300.0, "y": 60.0})
        told.append(page.locator("#day-rows .told").all_text_contents())
        context.close()
    assert told[0] == told[1] and told[0][0].startswith("18 Mar ")


def test_without_scripts_everything_drawn_is_still_there(folder: Path, browser: Any) -> None:
    with Opened(browser, folder / "review.html", scripts=False) as opened:
        assert opened.page.locator(".live, .looking").count() == 0
        assert opened.page.locator(".drawing svg").first.is_visible()


# --- for everybody ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ALL)
def test_everything_that_can_be_used_is_reached_by_keyboard(name: str, folder: Path, browser: Any) -> None:
    with Opened(browser, folder / f"{name}.html") as opened:
        page = opened.page
        usable = page.evaluate(
            """() => Array.from(document.querySelectorAll("a[href], summary, button, [tabindex='0']"))
                 .filter(e => e.checkVisibility()).length"""
        )
        reached = set()
        for _ in range(usable + 5):
            page.keyboard.press("Tab")
            place = page.evaluate(
                "() => Array.from(document.querySelectorAll('body *')).indexOf(document.activeElement)"
            )
            reached.add(place)
        assert len(reached - {-1}) == usable


@pytest.mark.skipif(not AXE.is_file(), reason="axe-core is not installed (.ci/run installs it from npm)")
@pytest.mark.parametrize("name", (*ALL, "index"))
def test_a_checker_for_readers_who_do_not_see_finds_nothing_serious(name: str, folder: Path, browser: Any) -> None:
    """axe-core with all the rules it runs of itself: WCAG 2.2 A and AA and its best practices."""
    with Opened(browser, folder / f"{name}.html") as opened:
        opened.page.evaluate(AXE.read_text(encoding="utf-8"))
        found = opened.page.evaluate("() => axe.run(document)")
        serious = [
            (each["id"], node["html"][:120])
            for each in found["violations"]
            if each["impact"] in ("serious", "critical")
            for node in each["nodes"]
        ]
        assert serious == [] and len(found["passes"]) > 10


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
def test_a_page_prints_whole_on_a4_and_letter(name: str, paper: str, folder: Path, plant_folder: Path) -> None:
    pdf = _printed(folder / f"{name}.html", paper)
    about = _tool("pdfinfo", str(pdf))
    width, height = PAPER_PT[paper]
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", about)
    pages = int(re.search(r"Pages:\s+(\d+)", about).group(1))  # type: ignore[union-attr]
    assert size and abs(float(size.group(1)) - width) < 2 and abs(float(size.group(2)) - height) < 2
    assert (
        abs(pages - {"review": 8, "troubleshoot": 5, "tune": 5, "quality": 4, "compare": 5}[name]) <= 1
    )  # fonts differ
    words = _tool("pdftotext", "-layout", str(pdf), "-")
    assert f"page 1 of {pages}" in words and f"page {pages} of {pages}" in words
    plant = load_plant(plant_folder / "plant.toml") if name == "compare" else sample.plant()
    assert words.count(f"{plant.name}, trendkit") == pages  # the foot of every sheet
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

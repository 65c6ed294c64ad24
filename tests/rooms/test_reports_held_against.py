"""What a review is held against: the period before, a year before, its runs, and the review made before."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
import reports_sample as sample

from trendkit.plant.calendar import month_period
from trendkit.plant.model import Change
from trendkit.press.results import Figure
from trendkit.reports import HeldAgainst, write_review
from trendkit.reports.page import Listing, Page, Panel, Prose, Section, Sheet
from trendkit.reports.reissue import reissue
from trendkit.reports.review_page import review_page
from trendkit.upsets import run_charts


def _held(year: dict[str, Figure] | None = None) -> HeldAgainst:
    of = sample.plant()
    charts = run_charts(sample.review().runs)
    return HeldAgainst(month_period(of, "2026-02"), month_period(of, "2025-03"), year or {}, charts)


def _page(held: HeldAgainst, again: dict[str, object] | None = None) -> Page:
    return review_page(sample.context(), sample.review(), sample.table(), sample.upsets(), held, again)


def _section(page: Page, slug: str) -> Section:
    return next(section for section in page.sections if section.slug == slug)


def _told(page: Page) -> list[str]:
    listings = (item for item in _section(page, "changed").items if isinstance(item, Listing))
    return [text.replace("\u00a0", " ") for listing in listings for text in (listing.heading, *listing.items)]


def test_only_what_lies_outside_the_limits_is_called_a_change() -> None:
    told = _told(_page(_held()))
    assert "Against February 2026" in told and "Polymer dose rose from 13.8 to 18.8 lb/ton." in told
    assert "No clear change: capture, solids loading, cost per dry ton." in told


def test_a_year_before_stands_beside_or_is_said_to_be_missing() -> None:
    assert "The archive holds no pressing of March 2025 to compare with." in _told(_page(_held()))
    page = _page(_held({"capture_pct": Figure(93.0, "%", 92.0, 94.0), "cake_solids_pct": Figure(20.2, "%")}))
    (sheet,) = (item for item in _section(page, "changed").items if isinstance(item, Sheet))
    assert [head.name for head in sheet.heads][1:4] == ["March 2026", "Period before", "March 2025"]
    assert [row[3:] for row in sheet.rows] == [("93.0", "clear"), ("20.2", "no clear change")]


def test_a_dated_setting_inside_the_period_is_named_and_one_outside_is_not() -> None:
    of = sample.plant()
    settings = {"cake_density_kg_m3": 1040.0}
    inside = Change(pd.Timestamp("2026-03-16T06:00Z"), "new polymer", settings)
    outside = Change(pd.Timestamp("2026-05-01T06:00Z"), "new belt", settings)
    press = replace(of.presses[0], changes=(inside, outside))
    context = replace(sample.context(), press=press)
    page = review_page(context, sample.review(), sample.table(), (), _held())
    told = " ".join(_told(page))
    assert "From 16 Mar 2026: new polymer" in told and "new belt" not in told


def test_the_bad_run_is_told_and_drawn_as_a_triangle() -> None:
    panels = [item for item in _section(_page(_held()), "runs").items if isinstance(item, Panel)]
    assert [panel.slug for panel in panels] == ["runs-capture-pct", "runs-cake-solids-pct", "runs-polymer-dose-kg-t"]
    for panel in panels:
        assert panel.mark == "misses" and "18 Mar" in panel.finding
        assert "<title>18 Mar" in panel.svg and panel.numbers


def _made(folder: Path, lab_value: float | None = None, rows: int = 44) -> dict[str, object]:
    """Write the sample review; with `lab_value` a late result has moved capture and changed the bench sheet."""
    context, review = sample.context(), sample.review()
    if lab_value is not None:
        figures = {**review.figures, "capture_pct": replace(review.figures["capture_pct"], value=lab_value)}
        review = replace(review, figures=figures)
        last = context.inputs[-1]
        context = replace(context, inputs=(*context.inputs[:-1], replace(last, checksum=lambda: "cd" * 32, rows=rows)))
    write_review(folder, context, review, sample.table(), sample.upsets(), _held())
    found = json.loads((folder / "review.json").read_text(encoding="utf-8"))
    assert isinstance(found, dict)
    return found


def test_a_review_made_again_says_what_moved_and_what_came_in(tmp_path: Path) -> None:
    first = _made(tmp_path)
    page = (tmp_path / "review.html").read_bytes()
    assert first["reissue"] is None and b"Made again" not in page
    assert _made(tmp_path)["reissue"] is None and (tmp_path / "review.html").read_bytes() == page

    again = _made(tmp_path, 95.1, rows=47)["reissue"]
    assert isinstance(again, dict)
    assert again["figures"] == {"capture_pct": {"was": pytest.approx(95.86, abs=0.05), "now": 95.1}}
    assert [each["rows"] for each in again["inputs"]["changed"]] == [47]
    words = (tmp_path / "review.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "Made again: " in words and "has 47 rows, before " in words
    assert "Since this review was last made" in words and "95.1 %" in words

    moved = (tmp_path / "review.html").read_bytes()
    assert _made(tmp_path, 95.1, rows=47)["reissue"] == again  # the same files again: the same page
    assert (tmp_path / "review.html").read_bytes() == moved


def test_another_period_or_a_broken_file_is_not_compared_with(tmp_path: Path) -> None:
    document = _made(tmp_path)
    assert reissue(tmp_path, {**document, "period": {"start": "2026-01-01T07:00:00Z", "end": "x"}}) is None
    (tmp_path / "review.json").write_text("{", encoding="utf-8")
    assert reissue(tmp_path, document) is None
    assert reissue(tmp_path / "none", document) is None


def test_a_review_made_again_without_a_visible_move_says_so() -> None:
    again = {
        "figures": {"capture_pct": {"was": 95.861, "now": 95.8612}},
        "upsets": {"was": 3, "now": 3},
        "lab_results": {"was": 40, "now": 44},
        "inputs": {"added": ["late.csv"], "gone": [], "changed": []},
        "is_plant_file_changed": False,
        "trendkit_version": {"was": "0.1.0", "now": "0.1.0"},
    }
    texts = [item.text for item in _section(_page(_held(), again), "changed").items if isinstance(item, Prose)]
    assert texts == [
        "Made again: 44 results of the bench count, where 40 did; new among the inputs: late.csv. "
        "No figure moved by as much as is shown on this page."
    ]

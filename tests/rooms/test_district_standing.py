"""Who stands where among many presses, and what the index says of it; all numbers followed by hand."""

import json
from pathlib import Path

import pandas as pd
import pytest

from trendkit.plant.model import Limit
from trendkit.press.results import Figure
from trendkit.press.standing import Standing, hours_within, rank
from trendkit.reports.district_page import DistrictAccount, Failed, district_page, write_district
from trendkit.reports.page import Sheet
from trendkit.reports.shown import Shown


def press(name: str, **figures: Figure) -> Standing:
    return Standing("Quillmark Bend", "quillmark", name, name.lower(), f"quillmark/{name.lower()}/review.html", figures)


def captured(name: str, value: float, half: float) -> Standing:
    return press(name, capture_pct=Figure(value, "%", value - half, value + half, target=Limit(low=95.0)))


def places(standings: list[Standing], name: str) -> list[tuple[str, int, int]]:
    return [(each.standing.press, each.first, each.last) for each in rank(standings, name)]


def test_presses_whose_limits_are_apart_have_one_place_each() -> None:
    assert places([captured("A", 90, 0.5), captured("B", 96, 0.5), captured("C", 93, 0.5)], "capture_pct") == [
        ("B", 1, 1),
        ("C", 2, 2),
        ("A", 3, 3),
    ]


def test_overlapping_limits_share_the_places_between() -> None:
    """B overlaps both A and C; A and C are apart: A may be 1 or 2, B any, C 2 or 3."""
    standings = [captured("A", 96, 0.6), captured("B", 95, 0.6), captured("C", 94, 0.6)]
    assert places(standings, "capture_pct") == [("A", 1, 2), ("B", 1, 3), ("C", 2, 3)]


def test_the_least_cost_is_best_and_currencies_are_ranked_apart() -> None:
    costs = {"A": (300.0, "USD/t"), "B": (200.0, "USD/t"), "C": (100.0, "EUR/t")}
    standings = [press(name, cost_per_dry_t=Figure(value, unit)) for name, (value, unit) in costs.items()]
    assert places(standings, "cost_per_dry_t") == [("C", 1, 1), ("B", 1, 1), ("A", 2, 2)]


def test_a_press_without_a_figure_has_no_place_and_its_reason_is_shown() -> None:
    standings = [captured("A", 96, 0.5), press("B", capture_pct=Figure(None, "%", reason="filtrate is not metered"))]
    assert places(standings, "capture_pct") == [("A", 1, 1)]
    account = DistrictAccount("2026-03", "March 2026", 1, tuple(standings), ())
    section = next(each for each in district_page(account, Shown("si")).sections if each.slug == "capture-pct")
    assert section.items[1].items == ("B of Quillmark Bend: filtrate is not metered",)  # type: ignore[union-attr]


def test_hours_in_two_upsets_at_once_count_once_and_stay_in_the_period() -> None:
    hour = [pd.Timestamp("2026-03-01T00:00Z") + pd.Timedelta(hours=count) for count in range(10)]
    spans = [(hour[0], hour[3]), (hour[4], hour[6]), (hour[5], hour[9])]
    assert hours_within(spans, hour[1], hour[8]) == pytest.approx(2 + 4)
    assert hours_within([], hour[1], hour[8]) == 0.0


def test_the_answer_names_best_and_worst_and_says_when_their_order_may_be_chance() -> None:
    apart = DistrictAccount("2026-03", "March 2026", 1, (captured("A", 96, 0.5), captured("B", 90, 0.5)), ())
    answer = district_page(apart, Shown("si")).answer.replace("\u00a0", " ")
    assert answer == (
        "In March 2026, A of Quillmark Bend captured 96.0 % (95.5 to 96.5) of its solids, the most of 2, and B of "
        "Quillmark Bend 90.0 % (89.5 to 90.5), the least."
    )
    close = DistrictAccount("2026-03", "March 2026", 1, (captured("A", 96, 0.5), captured("B", 95.5, 0.5)), ())
    assert "may be chance" in district_page(close, Shown("si")).answer


def test_a_long_ranking_shows_its_ends_and_the_last_table_every_press() -> None:
    standings = tuple(captured(f"P{number:02d}", 80 + number, 0.1) for number in range(15))
    page = district_page(DistrictAccount("2026-03", "March 2026", 1, standings, ()), Shown("us"))
    sheets = {section.slug: section.items[0] for section in page.sections if isinstance(section.items[0], Sheet)}
    assert len(sheets["capture-pct"].rows) == 5 + 1 + 5
    assert sheets["capture-pct"].rows[5][1] == "5 presses between"
    assert len(sheets["presses"].rows) == 15


def test_names_from_a_plant_file_cannot_act_on_the_page(tmp_path: Path) -> None:
    bad = "<script>alert(1)</script>"
    standing = Standing(bad, "x", bad, "x", "x/x/review.html", captured("A", 96, 0.5).figures)
    account = DistrictAccount("2026-03", "March 2026", 2, (standing,), (Failed(bad, bad, bad),))
    page = write_district(tmp_path, account, "si").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    told = json.loads((tmp_path / "district.json").read_text(encoding="utf-8"))
    assert told["presses"][0]["places"]["capture_pct"] == {"first": 1, "last": 1, "unit": "%"}
    assert told["failed"] == [{"plant": bad, "press": bad, "reason": bad}]

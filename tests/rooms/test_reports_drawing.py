"""Drawings of the reports room: colours, plant time, thinning, and SVG that is safe and always the same."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
import reports_sample as sample
from hypothesis import given, settings
from hypothesis import strategies as st

from trendkit.plant.calendar import Period, day_period, month_period, period_between
from trendkit.plant.model import Limit
from trendkit.reports import palette
from trendkit.reports.drawing import TOTAL, inline, layered, to_svg
from trendkit.reports.plant_clock import clock_of, period_text
from trendkit.reports.rulers import ruler
from trendkit.reports.shown import Shown
from trendkit.reports.strip_charts import Span, Strip, draw_strip
from trendkit.reports.thinning import MOST_POINTS, band, segments, thin
from trendkit.reports.time_axis import ticks

SVG = "{http://www.w3.org/2000/svg}"


# --- colours ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("colour", "ratio"), [("#000000", 21.0), ("#595959", 7.00), ("#767676", 4.54)])
def test_contrast_on_white_is_that_of_the_published_definition(colour: str, ratio: float) -> None:
    """WCAG 2.2, definition of contrast ratio: black on white is 21; the greys are values from memory."""
    assert palette.contrast(colour, "#ffffff") == pytest.approx(ratio, abs=0.01)
    assert palette.contrast("#ffffff", colour) == palette.contrast(colour, "#ffffff")


@pytest.mark.parametrize(("one", "other", "least"), palette.PAIRS)
def test_every_pair_of_colours_used_has_the_contrast_it_needs(one: str, other: str, least: float) -> None:
    """WCAG 2.2: 4.5 for text (1.4.3), 3 for what is needed to read a chart (1.4.11)."""
    assert palette.contrast(one, other) >= least


def test_attention_and_choice_differ_in_grey_too() -> None:
    """A consistency check: in grey the two colours are apart by at least a fifth of their luminance."""
    attention, chosen = palette.luminance(palette.ATTENTION), palette.luminance(palette.CHOSEN)
    assert abs(attention - chosen) > 0.2 * max(attention, chosen)


# --- plant time -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("day", [date(2026, 3, 8), date(2026, 11, 1)])
def test_no_hour_is_drawn_twice_or_backwards_on_a_day_the_clock_changes(day: date) -> None:
    period = day_period(sample.plant(), day)
    clock = clock_of(period)
    every_minute = pd.date_range(period.start_utc, period.end_utc, freq="min")
    drawn = clock.drawn_ms(every_minute)
    assert set(np.diff(drawn)) == {60_000}
    assert len(clock.changes) == 1 and "standard time" in clock.zone and "UTC−07:00" in clock.zone


def test_a_clock_change_is_known_to_the_minute_wherever_the_period_begins() -> None:
    """America/Denver goes forward at 09:00 UTC on 8 March 2026; a shift may begin at any minute."""
    start = pd.Timestamp("2026-03-08T06:40Z")
    clock = clock_of(Period(start, start + pd.Timedelta(hours=12), "America/Denver"))
    assert clock.changes == (pd.Timestamp("2026-03-08T09:00Z"),)
    assert clock.offset == pd.Timedelta(hours=-7)


def test_an_ordinary_summer_day_is_drawn_in_its_own_clock() -> None:
    clock = clock_of(day_period(sample.plant(), date(2026, 7, 1)))
    assert clock.changes == () and "UTC−06:00" in clock.zone
    assert clock.drawn(pd.Timestamp("2026-07-01T18:00Z")) == pd.Timestamp("2026-07-01T12:00").value // 10**6


def test_texts_keep_the_wall_clock_and_name_the_zone_on_the_day_it_changes() -> None:
    clock = clock_of(sample.period(sample.plant()))
    assert clock.time_text(pd.Timestamp("2026-03-08T08:30Z")) == "8 Mar 01:30 MST"
    assert clock.time_text(pd.Timestamp("2026-03-08T09:30Z")) == "8 Mar 03:30 MDT"
    assert clock.time_text(pd.Timestamp("2026-03-09T18:00Z")) == "9 Mar 12:00"
    assert clock.time_text(pd.NaT) == "–"


def test_month_ticks_stand_at_plant_days_on_both_sides_of_the_change() -> None:
    clock = clock_of(sample.period(sample.plant()))
    places, is_mid_day = ticks(clock)
    assert is_mid_day and [label for _, label in places] == [str(day) for day in range(1, 32)]
    hours = np.diff([at for at, _ in places]) / 3_600_000
    assert hours[7 - 0] == 23 and set(np.delete(hours, 7)) == {24}  # 8 March lasts 23 hours


@pytest.mark.parametrize(
    ("start", "end", "text"),
    [
        ("2026-03-01", "2026-04-01", "March 2026"),
        ("2026-03-18", "2026-03-19", "Wed 18 Mar 2026"),
        ("2026-03-02", "2026-03-09", "2 Mar 2026 to 8 Mar 2026"),
        ("2026-03-18T07:00", "2026-03-18T19:00", "18 Mar 2026 07:00 to 18 Mar 2026 19:00"),
    ],
)
def test_periods_are_named_as_people_name_them(start: str, end: str, text: str) -> None:
    plant = sample.plant()
    assert period_text(plant, period_between(plant, start, end)) == text


def test_a_plant_day_that_starts_at_six_still_names_the_month() -> None:
    plant = replace(sample.plant(), day_starts_at="06:00")
    assert period_text(plant, month_period(plant, "2026-03")) == "March 2026"


_DRAW = """
import sys; sys.path.insert(0, {rooms!r})
import hashlib
import reports_sample as sample
from trendkit.reports.plant_clock import clock_of
from trendkit.reports.strip_charts import Span, Strip, draw_strip
frame = sample.table().frame
spans = (Span(1, frame.index[900], frame.index[1900]),)
strip = Strip("s", "%", frame["cake_solids_pct_rolling"], spans=spans)
svg = draw_strip(strip, clock_of(sample.period(sample.plant())))
print(hashlib.sha256(svg.encode()).hexdigest())
"""


def test_the_machine_s_own_zone_moves_nothing() -> None:
    script = _DRAW.format(rooms=str(Path(__file__).parent))
    running = [
        subprocess.Popen(
            [sys.executable, "-c", script],
            env={**os.environ, "TZ": zone, "PYTHONHASHSEED": "random"},
            stdout=subprocess.PIPE,
            text=True,
        )
        for zone in ("UTC", "America/New_York", "Europe/Berlin")
    ]
    hashes = {each.communicate(timeout=120)[0].strip() for each in running}
    assert all(each.returncode == 0 for each in running)
    assert len(hashes) == 1 and len(hashes.pop()) == 64


# --- thinning ---------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=400),
    st.sampled_from([8, 40, 200]),
)
def test_thinning_keeps_the_extremes_the_order_and_the_gaps(values: list[float], most: int) -> None:
    index = pd.date_range("2026-03-01", periods=len(values), freq="min", tz="UTC")
    line = pd.Series(values, index=index)
    drawn = thin(line, most)
    known = line.dropna()
    parts = segments(line.to_numpy(), most_missing=2)
    assert len(drawn) <= max(most, 4 * len(parts))
    assert drawn["time"].is_monotonic_increasing and drawn["time"].is_unique
    assert drawn["value"].notna().all() and drawn["segment"].nunique() == len(parts)
    if len(known):
        assert drawn["value"].max() == known.max() and drawn["value"].min() == known.min()
        assert (line.loc[drawn["time"]].to_numpy() == drawn["value"].to_numpy()).all()


def test_a_short_line_is_drawn_whole_and_a_month_within_the_limit() -> None:
    day = pd.Series(np.arange(1440.0), index=pd.date_range("2026-03-01", periods=1440, freq="min", tz="UTC"))
    assert len(thin(day)) == 1440
    month = sample.table().frame["capture_pct_rolling"]
    drawn = thin(month)
    assert len(drawn) <= MOST_POINTS and drawn["segment"].nunique() >= 22


def test_a_band_starts_anew_after_a_gap() -> None:
    index = pd.DatetimeIndex(["2026-03-01T00:00Z", "2026-03-01T00:01Z", "2026-03-01T05:00Z"], name="time")
    drawn = band(pd.Series([1.0, 3.0, 5.0], index), pd.Series([2.0, 4.0, 6.0], index), pd.Timedelta("10min"))
    assert drawn["low"].tolist() == [2.0, 5.0] and drawn["high"].tolist() == [3.0, 6.0]
    assert drawn["segment"].tolist() == [0, 1]


# --- SVG --------------------------------------------------------------------------------------------------


def _strip(spans: tuple[Span, ...] = ()) -> ElementTree.Element:
    frame = sample.table().frame
    strip = Strip(
        "strip-test",
        "%",
        frame["cake_solids_pct_rolling"],
        frame["cake_solids_pct_low"],
        frame["cake_solids_pct_high"],
        Limit(low=19.0),
        pd.Series([20.0, 21.0], pd.DatetimeIndex(["2026-03-03T17:00Z", "2026-03-04T17:00Z"])),
        spans,
    )
    svg = draw_strip(strip, clock_of(sample.period(sample.plant())))
    return ElementTree.fromstring(str(svg))


def _marks(root: ElementTree.Element, tag: str) -> int:
    return len(root.findall(f".//{SVG}{tag}"))


def test_a_strip_shades_and_numbers_its_upsets_inside_the_plot() -> None:
    at = pd.Timestamp
    spans = (
        Span(4, at("2026-03-05T18:00Z"), at("2026-03-05T20:00Z")),
        Span(11, at("2026-03-18T16:00Z"), at("2026-03-18T21:00Z")),
    )
    with_spans, without = _strip(spans), _strip()
    shades = [path for path in with_spans.iter(f"{SVG}path") if path.get("fill", "").lower() == palette.ATTENTION]
    assert len(shades) == 2
    texts = [text.text for text in with_spans.iter(f"{SVG}text")]
    assert texts.count("4") - [t.text for t in without.iter(f"{SVG}text")].count("4") == 2  # outline and letters
    assert "at least 19" in texts and "clock changes" in texts and "%" in texts
    assert any("America/Denver" in (text or "") for text in texts)


def test_a_strip_draws_one_line_per_run_and_each_grab() -> None:
    root = _strip()
    lines = [
        path
        for path in root.iter(f"{SVG}path")
        if path.get("stroke") == palette.INK and path.get("stroke-width") == "1.3" and path.get("fill") is None
    ]
    diamonds = [
        path
        for path in root.iter(f"{SVG}path")
        if path.get("fill") == palette.PAPER and path.get("stroke") == palette.INK
    ]
    assert len(lines) >= 22  # 22 pressing days
    assert len(diamonds) >= 2
    assert all(len(re.findall("[ML]", path.get("d", ""))) <= MOST_POINTS for path in root.iter(f"{SVG}path"))


def test_every_drawing_is_as_wide_as_the_page_allows_and_its_ids_are_its_own() -> None:
    root = _strip()
    assert root.get("viewBox", "").startswith(f"0 0 {TOTAL} ")
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert ids and all(str(name).startswith("strip-test-") for name in ids)
    used = set(re.findall(r"url\(#([^)]+)\)", ElementTree.tostring(root, encoding="unicode")))
    assert used <= set(ids)


def test_hostile_text_stays_text_in_a_drawing() -> None:
    import altair as alt

    chart = alt.Chart(inline([{"x": 1, "t": sample.HOSTILE_TAG}])).mark_text().encode(x="x:Q", text="t:N")
    svg = str(to_svg(layered([chart]), "hostile"))
    root = ElementTree.fromstring(svg)
    assert "<img" not in svg and "</script" not in svg
    assert any(text.text == sample.HOSTILE_TAG for text in root.iter(f"{SVG}text"))


def test_a_drawing_with_an_address_is_refused() -> None:
    import altair as alt

    chart = alt.Chart(inline([{"x": 1, "link": "https://example.org"}])).mark_point().encode(x="x:Q", href="link:N")
    with pytest.raises(ValueError, match="may not hold"):
        to_svg(layered([chart]), "link")


# --- rulers and numbers -----------------------------------------------------------------------------------


def test_a_ruler_marks_the_value_its_limits_the_target_and_the_period_before() -> None:
    root = ElementTree.fromstring(f"<r>{ruler(9.4, 9.1, 9.7, Limit(high=9.0), 6.9, True)}</r>")
    boxes = root.findall(".//rect")
    assert [box.get("fill") for box in boxes] == ["url(#beyond)", "#cfcfcf", palette.ATTENTION]
    hatched, limits, value = ({key: float(box.get(key, "nan")) for key in ("x", "width")} for box in boxes)
    assert hatched["x"] < limits["x"] < value["x"] < limits["x"] + limits["width"]
    assert len(root.findall(".//polygon")) == 1
    assert ruler(None, None, None, None, None, False) == "" and ruler(1.0, None, None, None, None, False) == ""


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("polymer flow fell from 1,900 L/h to 1,140 L/h", "polymer flow fell from 502 gal/h to 301 gal/h"),
        ("between 5.7 and 6.5 m/min", "between 19 and 21 ft/min"),
        ("belt_slip (a belt speed)", "slipping belt (a belt speed)"),
        ("filtrate 645 % above usual at 10:12", "filtrate 645 % above usual at 10:12"),
        ("tag M3/H_2 and file m3_h.csv", "tag M3/H_2 and file m3_h.csv"),
    ],
)
def test_evidence_is_retold_in_the_reader_s_units(text: str, told: str) -> None:
    assert Shown("us").retold(text).replace("\u00a0", " ") == told
    if "_" not in text:
        assert Shown("si").retold(text) == text


def test_no_more_digits_are_shown_than_the_limits_support() -> None:
    shown = Shown("si", "USD")
    assert shown.sentence(95.8612, 95.18, 96.54, "capture_pct") == "95.9\u00a0% (95.2 to 96.5)"
    assert shown.sentence(405.12, 391.0, 419.0, "cost_per_dry_t") == "405\u00a0USD per dry t (391 to 419)"
    assert shown.sentence(22.0, None, None, "press_days") == "22\u00a0days"
    assert shown.sentence(float("nan"), 1.0, 2.0, "capture_pct") == "–"


@pytest.mark.parametrize("name", ["FLOW \x1b[2J", "FLOW \x00", "FLOW \ufffe", "FLOW \ud83d"])
def test_a_character_no_drawing_can_hold_is_marked(name: str) -> None:
    """The renderer ends the whole process at such a character."""
    import altair as alt

    chart = alt.Chart(inline([{"tag": name, "x": 1.0}])).mark_text().encode(x="x:Q", text="tag:N")
    svg = to_svg(layered([chart], title=name, width=100, height=20), "one")
    assert svg.count("FLOW \ufffd") >= 2  # in the plot and in its title

"""The account of one day on a made-up press whose troubles are known."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from upsets_press import Made, Trouble, made_up_table

from trendkit.findings import Finding
from trendkit.plant.model import Exclude, Limit
from trendkit.upsets import Cause, DayAccount, account_for_day, find_upsets, judge
from trendkit.upsets.bench_check import agreement_note, meter_against_bench
from trendkit.upsets.day_words import checks_of_day

BAD, THIN, FINE, WEEKEND = date(2026, 3, 10), date(2026, 3, 11), date(2026, 3, 9), date(2026, 3, 8)
TROUBLES = (
    Trouble("polymer_flow", "2026-03-10T16:00", 240, 0.62),
    Trouble("feed_solids", "2026-03-11T16:00", 180, 0.7),
)


@pytest.fixture(scope="module")
def made() -> Made:
    return made_up_table(14, 1, TROUBLES)


JUDGED: dict[tuple[int, int, tuple[Finding, ...]], tuple] = {}  # a table is judged once, however many days are asked


def account(made: Made, day: date, lab: pd.DataFrame | None = None, findings: tuple[Finding, ...] = ()) -> DayAccount:
    key = (id(made.table), id(made.press), findings)
    if key not in JUDGED:
        judged = judge(made.table, made.press, made.plant, findings)
        upsets = find_upsets(made.table, made.press, made.plant, findings, judged=judged)
        JUDGED[key] = (made, judged, upsets)  # the table is kept, so that its id stays its own
    _, judged, upsets = JUDGED[key]
    return account_for_day(made.table, upsets, lab, findings, made.press, made.plant, day, judged)


@pytest.fixture(scope="module")
def bad(made: Made) -> DayAccount:
    return account(made, BAD)


def grabs(made: Made, gap: float, on: date | None = None) -> pd.DataFrame:
    """Return three cake grabs a day that read `gap` below the meter, on one day alone when `on` is given."""
    rows = []
    cake = made.table.frame["cake_solids_meter_pct"].dropna()
    for day, minutes in cake.groupby(cake.index.date):
        for place in (0.3, 0.5, 0.8):
            moment = minutes.index[int(place * len(minutes))]
            off = gap if on is None or day == on else 0.0
            value = float(minutes.loc[moment - pd.Timedelta("5min") : moment + pd.Timedelta("5min")].mean()) - off
            rows.append((moment, "bfp-1", "cake", "TS", value, "", False, "", 0))
    return pd.DataFrame(
        rows, columns=["sampled_at", "press", "point", "analysis", "value", "note", "is_suspect", "why", "line"]
    )


def test_a_bad_day_is_called_bad_with_its_cause_and_share(bad: DayAccount) -> None:
    assert bad.verdict == "bad"
    assert bad.cake_solids_pct < bad.usual_cake_solids_pct - 1.0
    assert bad.causes[0].cause == "polymer_loss"
    assert bad.answer.startswith("2026-03-10 was a bad day: cake solids averaged")
    assert "likeliest cause polymer loss" in bad.answer


def test_contributions_add_up_to_the_drop_and_the_true_cause_takes_most_of_it(bad: DayAccount, made: Made) -> None:
    drop = bad.usual_cake_solids_pct - bad.cake_solids_pct
    assert sum(each.points for each in bad.contributions) == pytest.approx(drop, abs=1e-9)
    assert bad.contributions[-1].factor == "unexplained"
    polymer = bad.contributions[0]
    assert polymer.factor == "polymer_loss" and polymer.points > 0.8 * drop
    for each in bad.contributions:
        assert each.low <= each.points <= each.high
    truth = made.truth.loc["2026-03-10T14:12Z":"2026-03-10T22:11Z"]
    calm = truth.loc[:"2026-03-10T15:59Z", "cake"].mean()
    lost = float((calm - truth["cake"]).sum() / len(truth))
    assert polymer.low - 0.15 <= lost <= polymer.high + 0.15


def test_comparison_days_are_undisturbed_ones_and_say_why(bad: DayAccount) -> None:
    assert 3 <= len(bad.compared_with) <= 8
    assert not {BAD, THIN} & {each.day for each in bad.compared_with}
    assert all("feed solids" in each.why and "solids loading" in each.why for each in bad.compared_with)


def test_differences_are_ranked_by_how_unusual_they_are(bad: DayAccount) -> None:
    size = [abs(change.z) for change in bad.changes]
    assert size == sorted(size, reverse=True)
    by_figure = {change.figure: change for change in bad.changes}
    dose = by_figure["polymer_dose_kg_t"]
    assert dose.value < dose.usual_low < dose.usual < dose.usual_high and dose.z < -5
    assert abs(by_figure["feed_flow_m3_h"].z) < 3.5


def test_what_moved_first_comes_first_on_sludge_time(bad: DayAccount) -> None:
    assert bad.timeline[0].role == "polymer_flow" and bad.timeline[0].direction == "down"
    cake = next(move for move in bad.timeline if move.role == "cake_solids")
    assert cake.direction == "down" and cake.unit == "%" and cake.size > 2.0
    assert abs(cake.time - pd.Timestamp("2026-03-10T16:08Z")) <= pd.Timedelta(minutes=3)
    assert abs(cake.feed_time - pd.Timestamp("2026-03-10T16:00Z")) <= pd.Timedelta(minutes=3)


def test_checks_begin_with_the_likeliest_cause(bad: DayAccount) -> None:
    """The cautions are the page's box, not items to tick off."""
    assert "polymer pump" in bad.checks[0]
    assert not any("lock out" in check for check in bad.checks)


def test_a_cause_no_tag_shows_is_named_beside_one_that_rests_on_effects(bad: DayAccount) -> None:
    """A weak solution and a change of sludge look alike where the strength is not metered; a lost pump does not."""
    assert bad.unranked == ()
    blind = Cause("sludge_change", 0.9, "", "")
    told = checks_of_day("bad", (blind,), None, (("polymer_weak", "a bench test of the solution"),))
    assert told[0] == "Look for polymer_weak, which no tag here shows; it takes a bench test of the solution"


def test_a_good_day_is_called_not_bad(made: Made) -> None:
    fine = account(made, FINE)
    assert fine.verdict == "not_bad"
    assert fine.contributions == () and fine.checks == ()
    assert "was not a bad day" in fine.answer and "usual" in fine.answer


def test_a_thin_feed_is_not_blamed_on_the_press(made: Made) -> None:
    thin = account(made, THIN)
    assert thin.verdict == "not_bad"  # thinner sludge pressed no wetter cake here
    assert thin.causes[0].cause == "feed_thin"


def test_a_missed_target_makes_a_day_bad_though_it_is_as_usual(made: Made) -> None:
    targets = {"dewatering": {"cake_solids_pct": Limit(low=22.0)}}
    strict = replace(made, press=replace(made.press, targets=targets))
    day = account(strict, FINE)
    assert day.verdict == "bad" and "below the target of 22.0 %" in day.answer


def test_a_day_without_pressing_or_without_figures_cannot_be_told(made: Made) -> None:
    idle = account(made, WEEKEND)
    assert idle.verdict == "cannot_tell" and "did not press" in idle.answer
    frame = made.table.frame.copy()
    frame[["cake_solids_pct", "cake_solids_meter_pct", "capture_pct"]] = np.nan
    blind = account(replace(made, table=replace(made.table, frame=frame)), BAD)
    assert blind.verdict == "cannot_tell" and blind.cake_solids_pct is None
    assert blind.timeline  # what did move is shown all the same
    thickened = made.table.frame.copy()
    thickened.loc[str(BAD), "mode"] = "thickening"
    only = account(replace(made, table=replace(made.table, frame=thickened)), BAD)
    assert only.verdict == "cannot_tell" and "thickened" in only.answer


def test_an_idle_day_says_when_cake_was_last_pressed_and_what_the_press_did_instead(made: Made) -> None:
    idle = account(made, WEEKEND)  # a Sunday; the Friday before it was pressed for eight hours
    assert idle.checks == () and idle.rests_on == (
        "Cake was last pressed on 2026-03-06, for 8.0 h: ask for that day to see how it went.",
    )
    frame = made.table.frame.copy()
    frame.loc["2026-03-08T15:00Z":"2026-03-08T15:24Z", "phase"] = "washing"
    frame.loc["2026-03-08T15:20Z", "belt_trip"] = 1.0
    tried = account(replace(made, table=replace(made.table, frame=frame)), WEEKEND)
    assert tried.rests_on[0] == "The press moved for 25 min without pressing (starting or washing)."
    assert "belt trip was on" in tried.rests_on[1]


def test_a_day_whose_feed_is_not_recorded_is_not_called_a_day_off(made: Made) -> None:
    frame = made.table.frame.copy()
    silent = ["feed_flow_m3_h", "running", "gravity_belt_speed_m_min"]
    frame["gravity_belt_speed_m_min"] = frame["gravity_belt_speed_m_min"].fillna(0.0)  # the weekend: belts stand still
    off = account(replace(made, table=replace(made.table, frame=frame)), WEEKEND)
    assert "did not press" in off.answer
    frame = frame.copy()
    frame.loc["2026-03-08T10:00Z":"2026-03-09T02:59Z", silent] = np.nan  # 17 h of a day of 23 h: the clocks go forward
    unknown = account(replace(made, table=replace(made.table, frame=frame)), WEEKEND)
    assert "did not press" not in unknown.answer and "known for 26 % of the day" in unknown.answer


def test_a_day_wholly_left_out_says_so(made: Made) -> None:
    at = pd.Timestamp
    trial = Exclude(at("2026-03-10T06:00Z"), at("2026-03-11T06:00Z"), "bfp-1", "supplier trial")
    left_out = account(replace(made, plant=replace(made.plant, excludes=(trial,)), table=replace(made.table)), BAD)
    assert left_out.verdict == "cannot_tell" and "left out by the plant file" in left_out.answer


def test_a_day_without_cake_data_is_judged_by_its_capture(made: Made) -> None:
    frame = made.table.frame.copy()
    frame[["cake_solids_pct", "cake_solids_meter_pct"]] = np.nan
    day = account(replace(made, table=replace(made.table, frame=frame)), BAD)
    assert day.verdict == "bad" and day.cake_solids_pct is None and day.contributions == ()
    assert any("wet cake would not show" in ground for ground in day.rests_on)
    assert day.checks[0].startswith("Take a grab of the cake")


def test_a_day_on_grabs_counts_those_of_the_bench_sheet(made: Made) -> None:
    frame = made.table.frame.copy()
    lab = grabs(made, 0.0)
    taken = lab.set_index("sampled_at")["value"]
    held = frame["cake_solids_pct"].notna()
    nearest = taken.reindex(frame.index, method="nearest").where(held)
    frame["cake_solids_pct"], frame["cake_solids_meter_pct"] = nearest, np.nan
    day = account(replace(made, table=replace(made.table, frame=frame)), BAD, lab)
    assert any("rest on 3 bench grabs" in ground for ground in day.rests_on)


def test_too_few_days_to_compare_with_leave_the_targets_alone() -> None:
    made = made_up_table(2, 3)
    day = account(made, date(2026, 2, 24))
    assert day.verdict == "cannot_tell" and day.compared_with == ()


def test_a_meter_the_bench_contradicts_is_doubted_before_the_press(made: Made) -> None:
    frame = made.table.frame.copy()
    on_day = frame.index.date == FINE
    frame.loc[on_day, ["cake_solids_pct", "cake_solids_meter_pct"]] -= 3.0
    off = replace(made, table=replace(made.table, frame=frame))
    lab = grabs(made, 0.0)  # the bench knows the true cake
    day = account(off, FINE, lab)
    assert day.verdict == "cannot_tell" and "the bench" in day.answer
    assert day.checks[0].startswith("Repeat the cake bench test")
    assert any("one of them is off today" in note for note in day.notes)


def test_meter_and_bench_that_differ_as_always_agree(made: Made) -> None:
    frame = made.table.frame
    is_day = pd.Series(frame.index.date == FINE, index=frame.index)
    usual = meter_against_bench(frame["cake_solids_meter_pct"], grabs(made, 0.8), "bfp-1", is_day)
    assert usual is not None and not usual.is_apart and usual.usual_gap == pytest.approx(0.8, abs=0.2)
    assert "agree as usual" in agreement_note(usual)
    apart = meter_against_bench(frame["cake_solids_meter_pct"], grabs(made, 4.0, on=FINE), "bfp-1", is_day)
    assert apart is not None and apart.is_apart and apart.samples == 3
    assert meter_against_bench(frame["cake_solids_meter_pct"], None, "bfp-1", is_day) is None


def test_a_faulty_reading_is_left_out_of_the_day_and_said(made: Made) -> None:
    at = pd.Timestamp
    fault = Finding(
        "bfp-1", "BFP1_CAKE_TS", "cake_solids", "frozen", at("2026-03-10T15:00Z"), at("2026-03-10T23:00Z"), "left out"
    )
    day = account(made, BAD, findings=(fault,))
    assert day.cake_solids_pct > 20.0  # only the hour before the fault is left, and it was fine
    assert any("BFP1_CAKE_TS" in note and "frozen" in note for note in day.notes)


def test_dated_days_follow_the_plants_clock(made: Made) -> None:
    # 2026-03-08 is the night the clocks change in Denver; runs of the days around it stay where they are.
    assert {account(made, day).day for day in (date(2026, 3, 6), FINE)} == {date(2026, 3, 6), FINE}
    # A plant day that starts at three in the afternoon (21:00Z) has the trouble of the 10th in the day of the 9th.
    shifted = replace(made, plant=replace(made.plant, day_starts_at="15:00"))
    assert account(shifted, FINE).verdict == "bad"

"""A long record is computed a stretch of whole runs at a time: the same figures, and no more held for a longer one."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator

import numpy as np
import pandas as pd
import pytest
from press_grid import START, grabs, grid, plant_of, press_of, tag

from trendkit.plant.calendar import Period
from trendkit.plant.model import Change, Filtrate, Plant, Press
from trendkit.press import FigurePieces, FigureTable, compute_figures, figure_head, figures_by_day, observe, record
from trendkit.press.review import review_period
from trendkit.tuning.lasting import lasting_errors

MOVED = Change(
    START + pd.Timedelta(hours=40), "filtrate meter moved", {"filtrate": Filtrate("before_wash", "with_wash")}
)
PRESS = press_of(
    cake_delay_s=400.0,
    changes=(MOVED,),
    tags={name: tag(name) for name in ("feed_flow", "feed_solids", "filtrate_turbidity", "cake_solids", "cake_rate")},
)
PLANT = plant_of(PRESS)
LAB = grabs(
    *((8.0 * run + hour, "filtrate", "TSS", 880.0 + 7.0 * run) for run in range(12) for hour in (1.5, 3.0, 4.5)),
    *((8.0 * run + 3.0, "feed", "TS", 2.4 + 0.05 * (run % 3)) for run in range(12)),
)


def days_of_runs(days: float) -> pd.DataFrame:
    """Three runs a day that never quite repeat; the second day without feed solids, the third with thickening."""
    runs = [grid(feed_flow_m3_h=30.0 + run % 5, filtrate_turbidity_ntu=750.0) for run in range(round(3 * days))]
    roles = pd.concat(runs).assign(filtrate_solids_mg_l=np.nan, feed_solids_pct=2.5, cake_rate_kg_h=3500.0)
    roles.index = pd.date_range(START, periods=len(roles), freq="min", name="time")
    hour = np.arange(len(roles)) / 60.0
    roles.loc[hour % 8.0 >= 7.25, ["gravity_belt_speed_m_min", "pressure_belt_speed_m_min"]] = 0.0
    roles["cake_solids_meter_pct"] = 20.0 + np.sin(hour)
    roles.loc[(hour >= 24.0) & (hour < 48.0), "feed_solids_pct"] = np.nan
    roles.loc[(hour >= 56.0) & (hour < 60.0), "pressure_belt_speed_m_min"] = 0.0
    return roles


@pytest.fixture
def in_stretches(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A record of more than nothing is long, a stretch 700 minutes: it begins and ends amid runs."""
    monkeypatch.setattr(record, "WHOLE_ROWS", 0)
    monkeypatch.setattr(record, "STRETCH_ROWS", 700)
    yield


def table_of(roles: pd.DataFrame, press: Press = PRESS, plant: Plant = PLANT) -> FigureTable:
    return compute_figures(roles, {}, LAB, press, plant, 60)


WHOLE = table_of(days_of_runs(4))


@pytest.mark.usefixtures("in_stretches")
def test_in_stretches_the_figures_are_those_of_the_whole() -> None:
    """To rounding: running sums of the whole record have lost more digits than those of a stretch."""
    table = table_of(days_of_runs(4))
    assert len(table.record.blocks) == 9 and len(WHOLE.record.blocks) == 1
    assert set(table.frame["mode"].dropna()) == {
        "dewatering",
        "thickening",
    }
    pd.testing.assert_frame_equal(table.frame, WHOLE.frame, rtol=1e-9, atol=1e-9)
    pd.testing.assert_frame_equal(table.capture_by_run, WHOLE.capture_by_run, rtol=1e-9)
    assert (table.notes, dict(table.unavailable)) == (WHOLE.notes, dict(WHOLE.unavailable))
    assert any("grabs" in note for note in table.notes)


@pytest.mark.usefixtures("in_stretches")
def test_what_rests_on_stretches_is_what_rests_on_the_whole() -> None:
    table = table_of(days_of_runs(4))
    pd.testing.assert_frame_equal(figures_by_day(table, PRESS, PLANT), figures_by_day(WHOLE, PRESS, PLANT), rtol=1e-9)
    minutes = WHOLE.frame[WHOLE.frame["phase"] == "pressing"]
    ours, theirs = (lasting_errors(each, minutes) for each in (table, WHOLE))
    assert sorted(ours.cake_pct) == pytest.approx(sorted(theirs.cake_pct), rel=1e-9)
    assert sorted(ours.log_loss) == pytest.approx(sorted(theirs.log_loss), rel=1e-9)
    period = Period(START, START + pd.Timedelta(days=4), "America/Denver")
    ours, theirs = (review_period(each, PRESS, PLANT, period).figures for each in (table, WHOLE))
    for name, figure in theirs.items():
        for mine, other in ((ours[name].value, figure.value), (ours[name].high, figure.high)):
            assert mine is other is None or mine == pytest.approx(other, rel=1e-9), name


def test_the_head_of_a_table_has_its_columns_and_types() -> None:
    roles = days_of_runs(1)
    frame = table_of(roles).frame
    pd.testing.assert_frame_equal(figure_head(roles), frame.iloc[:0], check_freq=False)


def peak_mb(days: int) -> float:
    """Return what going through the figures of some days takes at its peak beyond the grid."""
    roles = days_of_runs(days)
    tracemalloc.start()
    try:
        rows = sum(len(frame) for frame in FigurePieces(observe(roles, LAB, PRESS, PLANT, 60), roles))
        peak = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    assert rows == days * 1440
    return peak


@pytest.mark.usefixtures("in_stretches")
def test_a_record_twice_as_long_takes_little_more() -> None:
    """Held throughout is some 100 bytes a bin: what the press was doing. Streams and columns take 1.5 kB a bin."""
    short, long = peak_mb(4), peak_mb(8)
    assert (long - short) * 1e6 / (4 * 1440) < 250.0

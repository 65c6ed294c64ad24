"""Solids meters on the scale of the bench: turbidity calibrated on grabs, a meter that is off put right."""

import numpy as np
import pandas as pd
import pytest
from press_grid import START, grabs, grid, plant_of, press_of, tag

from trendkit.press import compute_figures
from trendkit.press.calibration import change_places, fit_line


def table_of(roles, lab=None, *, tags=()):
    press = press_of(tags={name: tag(name) for name in tags})
    return compute_figures(roles, {}, lab, press, plant_of(press), 60)


def with_turbidity(ntu=750.0, **values):
    return grid(filtrate_solids_mg_l=np.nan, **values).assign(filtrate_turbidity_ntu=ntu)


def filtrate_grabs(*values, point="filtrate", analysis="TSS"):
    hours = np.linspace(1.0, 6.5, len(values))
    return grabs(*((hour, point, analysis, value) for hour, value in zip(hours, values, strict=True)))


def middle(table, name):
    return table.frame[name].iloc[240]


def test_turbidity_gives_the_solids_of_its_grabs():
    table = table_of(with_turbidity(), filtrate_grabs(890.0, 900.0, 910.0, 905.0, 895.0, 900.0))
    assert middle(table, "filtrate_tss_mg_l") == pytest.approx(900.0, rel=0.005)
    assert middle(table, "filtrate_tss_mg_l_low") < 890.0 < 910.0 < middle(table, "filtrate_tss_mg_l_high")
    (calibration,) = table.streams.calibrations
    assert (calibration.grabs, calibration.is_used) == (6, True)
    assert any("scale of 6 grabs" in note for note in table.notes)


def test_fewer_grabs_make_wider_limits():
    few = table_of(with_turbidity(), filtrate_grabs(890.0, 900.0, 910.0, 900.0))
    many = table_of(with_turbidity(), filtrate_grabs(*[890.0, 900.0, 910.0, 900.0] * 5))

    def width(table):
        return middle(table, "filtrate_tss_mg_l_high") - middle(table, "filtrate_tss_mg_l_low")

    assert width(few) > 2.0 * width(many)


def test_three_grabs_are_too_few_and_serve_as_grabs():
    """Turbidity is left out with its reason; each bin takes the nearest grab, a step and no line between."""
    table = table_of(with_turbidity(), filtrate_grabs(700.0, 900.0, 1100.0))
    assert set(table.frame["filtrate_tss_mg_l"].dropna().round(6)) == {700.0, 900.0, 1100.0}
    assert any("3 grabs, at least 4 needed" in note for note in table.notes)


def test_without_any_grab_turbidity_is_no_solids():
    table = table_of(with_turbidity())
    assert table.frame["filtrate_tss_mg_l"].isna().all()
    assert "turbidity is not calibrated" in table.unavailable["filtrate_tss_mg_l"]


def test_one_wild_grab_hardly_moves_the_line():
    table = table_of(with_turbidity(), filtrate_grabs(900.0, 905.0, 895.0, 900.0, 2700.0, 902.0, 898.0, 900.0))
    assert middle(table, "filtrate_tss_mg_l") == pytest.approx(900.0, rel=0.02)


def test_an_offset_is_fitted_where_readings_spread():
    readings = np.linspace(200.0, 1200.0, 24)
    bench = (80.0 + 1.3 * readings) * (1.0 + 0.02 * np.sin(np.arange(24.0)))
    offset, gain, covariance, _ = fit_line(readings, bench, 0.02)
    assert abs(offset - 80.0) < 3.0 * np.sqrt(covariance[0, 0])
    assert abs(gain - 1.3) < 3.0 * np.sqrt(covariance[1, 1])


def test_a_change_of_calibration_splits_the_record():
    assert change_places(np.log([1.2] * 7 + [1.6] * 6), 0.05) == [7]
    assert change_places(np.log([1.2] * 13), 0.05) == []
    table = table_of(with_turbidity(), filtrate_grabs(*[600.0] * 6, *[900.0] * 6))
    assert [round(each.gain, 2) for each in table.streams.calibrations] == [0.8, 1.2]
    assert any("calibration changed about 2026-03-02" in note for note in table.notes)
    assert table.frame["filtrate_tss_mg_l"].iloc[60] == pytest.approx(600.0)
    assert table.frame["filtrate_tss_mg_l"].iloc[380] == pytest.approx(900.0)


def test_a_cake_meter_far_off_its_stated_uncertainty_is_corrected():
    lab = filtrate_grabs(*[22.0, 22.3, 21.7, 22.1, 21.9] * 2, point="cake", analysis="TS")
    table = table_of(grid(), lab, tags=("cake_solids",))
    assert middle(table, "cake_solids_pct") == pytest.approx(22.0, rel=0.005)
    assert middle(table, "cake_solids_meter_pct") == 20.0  # as read


def test_a_cake_meter_that_agrees_is_used_as_read():
    lab = filtrate_grabs(*[20.2, 20.4, 19.9, 20.3, 20.1] * 2, point="cake", analysis="TS")
    table = table_of(grid(), lab, tags=("cake_solids",))
    assert middle(table, "cake_solids_pct") == pytest.approx(20.0)
    assert "used as read" in table.streams.calibrations[0].reason


def test_the_limits_of_the_gain_hold_it_in_nineteen_of_twenty():
    rng = np.random.default_rng(4)
    held = {count: 0 for count in (5, 30)}
    for count in held:
        for _ in range(300):
            readings = rng.uniform(500.0, 1000.0, count)
            bench = 1.25 * readings * (1.0 + 0.07 * rng.standard_normal(count))
            _, gain, covariance, _ = fit_line(readings, bench, 0.07)
            held[count] += abs(gain - 1.25) <= 1.96 * np.sqrt(covariance[1, 1])
    assert all(0.92 <= each / 300 <= 0.99 for each in held.values()), held


def test_dissolved_solids_come_off_feed_and_cake():
    """25 000 mg/L (at 1010 kg/m3: 25 250) TS with 800 dissolved: fed 24 450 suspended; filtrate carries 36 of it.

    By hand: fed 30 m3/h x 24.45 = 733.5 kg/h, lost 40 m3/h x 0.9 = 36 kg/h: capture 95.09 % (95.25 % on TS).
    """
    lab = grabs(*((hour, "feed", "TDS", 800.0) for hour in (1.0, 3.0, 5.0)))
    table = table_of(grid(), lab)
    metered = table.capture_by_run.set_index("method").loc["filtrate_metered", "capture_pct"]
    assert metered == pytest.approx(100.0 * (1.0 - 36.0 / 733.5), abs=0.001)
    steady = table.frame.iloc[240]
    assert steady["feed_dry_solids_kg_h"] == pytest.approx(757.5)
    kept, polymer = 733.5 * steady["capture_pct"] / 100.0, 3.75
    suspended = 20.0 - 80.0 * 800.0e-6
    assert steady["dry_cake_kg_h"] == pytest.approx((kept + polymer) * 20.0 / suspended, rel=1e-4)


def test_grabs_never_serve_another_run():
    roles = grid(hours=12.0, feed_to_h=3.0, cake_solids_meter_pct=np.nan)
    late = roles.index >= START + pd.Timedelta(hours=5)
    stopped = (roles.index >= START + pd.Timedelta(hours=4)) & ~late
    roles.loc[stopped, ["gravity_belt_speed_m_min", "pressure_belt_speed_m_min"]] = 0.0
    fed = late & (roles.index < START + pd.Timedelta(hours=10))
    roles.loc[fed, ["feed_flow_m3_h", "polymer_flow_l_h"]] = [30.0, 1500.0]
    table = table_of(roles, grabs((1.5, "cake", "TS", 21.0)))
    assert table.frame["run"].dropna().nunique() == 2
    assert table.frame.loc[late, "cake_solids_pct"].isna().all()

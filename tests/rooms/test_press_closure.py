"""Water and solids of a press reconciled: an honest set of meters balances, one that is off is named."""

import numpy as np
import pandas as pd
import pytest
from press_grid import START, grid, plant_of, press_of, tag

from trendkit.plant.calendar import Period
from trendkit.plant.model import Change, Filtrate
from trendkit.press import Figure, against_deliveries, against_tickets, compute_figures, review_period

METERS = ("feed_flow", "feed_solids", "polymer_flow", "washwater_flow", "filtrate_flow", "filtrate_solids",
          "cake_rate", "cake_solids")  # fmt: skip
# by hand: 30 m3/h at 1010 kg/m3 is 30 300 kg/h, with 1500 of polymer solution and 12 000 of wash 43 800 in; filtrate
# 40 000; so 3800 of cake; solids 757.5 + 3.75 of polymer in, 36 in filtrate: 725.25 in cake, 19.0855 %
BALANCED = {"cake_rate_kg_h": 3800.0, "cake_solids_meter_pct": 100.0 * 725.25 / 3800.0}
MARCH = Period(START - pd.Timedelta(days=1), START + pd.Timedelta(days=2), "America/Denver")


def review_of(filtrate=None, **values):
    settings = {"filtrate": filtrate} if filtrate else {}
    press = press_of(tags={name: tag(name, 0.01) for name in METERS}, **settings)
    roles = grid(**(BALANCED | values))
    table = compute_figures(roles, {}, None, press, plant_of(press), 60)
    return review_period(table, press, plant_of(press), MARCH)


def test_an_honest_set_of_meters_balances():
    closure = review_of().closure
    assert closure.closes and closure.suspects == () and closure.degrees_of_freedom == 2
    assert closure.chi_square < 0.01
    assert abs(closure.water_gap_pct) < 0.1 and abs(closure.solids_gap_pct) < 0.1


def test_polymer_of_hours_without_its_strength_is_in_the_balance_all_the_same():
    """Solids of polymer are 0.5 % of what is fed: left out of half the hours, the solids would seem 0.25 % apart."""
    strength = grid()["polymer_strength_pct"]
    silent = strength.where(np.arange(len(strength)) % 2 == 0)
    found = review_of(polymer_strength_pct=silent.to_numpy()).closure
    assert found.hours == review_of().closure.hours
    assert found.solids_gap_pct == pytest.approx(review_of().closure.solids_gap_pct, abs=0.005)


@pytest.mark.parametrize(
    ("role", "quantity"),
    [
        ("feed_flow_m3_h", "feed_flow"),
        ("filtrate_flow_m3_h", "filtrate_flow"),
        ("cake_rate_kg_h", "product_flow"),
        ("feed_solids_pct", "feed_solids"),
    ],
)
def test_a_meter_ten_percent_high_is_named_with_its_size(role, quantity):
    """To first order: the balances are made straight at values a tenth apart, so the size is good to some hundredths."""
    right = grid(**BALANCED)[role].max()
    closure = review_of(**{role: 1.1 * right}).closure
    check = next(each for each in closure.checks if each.name == quantity)
    assert not closure.closes
    assert quantity in closure.suspects
    assert check.would_explain_pct == pytest.approx(100.0 * 0.1 / 1.1, rel=0.05)


def test_what_the_balances_cannot_tell_apart_is_said():
    """Solids of feed and cake move the same balance: both are named, the one off by fewer of its errors first."""
    assert set(review_of(feed_solids_pct=2.8).closure.suspects[:2]) == {"feed_solids", "product_solids"}


def test_an_unmeasured_cake_flow_leaves_one_check():
    closure = review_of(cake_rate_kg_h=float("nan")).closure
    given = next(each for each in closure.checks if each.name == "product_flow")
    assert closure.degrees_of_freedom == 1 and closure.closes
    assert given.measured is None and given.reconciled / closure.hours == pytest.approx(3800.0, rel=0.001)


def test_without_filtrate_and_cake_meters_nothing_is_to_spare():
    closure = review_of(Filtrate("none", "with_wash", "joins"), cake_rate_kg_h=float("nan")).closure
    assert closure.closes is None and "used up" in closure.reason


def test_a_filtrate_meter_before_the_wash_balances_as_well():
    closure = review_of(Filtrate("before_wash", "with_wash", "joins"), filtrate_flow_m3_h=28.0).closure
    assert closure.closes and closure.chi_square < 0.01


def test_a_separate_belt_wash_that_nobody_samples_leaves_nothing_to_check():
    """What it carries away is a loss of unknown size: taken as none, the balance would blame another meter."""
    closure = review_of(Filtrate("before_wash", "before_wash", "separate"), filtrate_flow_m3_h=28.0).closure
    assert closure.chi_square is None and closure.suspects == ()
    assert "samples known" in closure.reason


def test_a_filtrate_meter_moved_in_the_period_is_balanced_as_it_stands_at_the_end():
    """From the fourth hour on the meter stands before the wash and reads 12 m3/h less: both halves balance."""
    moment = START + pd.Timedelta(hours=4)
    press = press_of(
        tags={name: tag(name, 0.01) for name in METERS},
        changes=(Change(moment, "meter moved", {"filtrate": Filtrate("before_wash", "with_wash")}),),
    )
    roles = grid(**BALANCED)
    roles.loc[roles.index >= moment, "filtrate_flow_m3_h"] -= 12.0
    table = compute_figures(roles, {}, None, press, plant_of(press), 60)
    closure = review_period(table, press, plant_of(press), MARCH).closure
    assert closure.closes and closure.hours == pytest.approx(3.0, abs=0.2)


def test_a_belt_wash_piped_away_from_a_date_on_is_a_loss_of_that_time_only():
    """As above, from the fourth hour on with the wash piped away unsampled; before it the balance stays as it was."""
    moment = START + pd.Timedelta(hours=4)
    change = Change(moment, "wash piped away", {"filtrate": Filtrate("before_wash", "before_wash", "separate")})
    press = press_of(tags={name: tag(name, 0.01) for name in METERS}, changes=(change,))
    table = compute_figures(grid(**BALANCED), {}, None, press, plant_of(press), 60)
    carried = table.streams.balance.wash_return_kg_h.value
    pressing = table.streams.is_pressing
    is_after = np.asarray(table.streams.times >= moment)
    assert (carried[pressing & ~is_after] == 0.0).all() and np.isnan(carried[pressing & is_after]).all()
    assert "samples known" in review_period(table, press, plant_of(press), MARCH).closure.reason


def test_each_run_is_balanced_by_itself():
    review = review_of()
    assert [each.label for each in review.closure_by_run] == list(review.runs["run"])


# --- over the gate -----------------------------------------------------------------------------------------


def tickets(*masses, press="bfp-1"):
    times = [START + pd.Timedelta(hours=hour) for hour in range(len(masses))]
    return pd.DataFrame({"time": times, "press": press, "mass_kg": masses})


def test_tickets_agree_within_the_limits_of_the_computed_cake():
    cake = Figure(24.7, "t", 24.0, 25.4)
    agreed = against_tickets(tickets(12_500.0, 12_000.0), cake, "bfp-1", MARCH, 2)
    assert (agreed.weighed, agreed.rows, agreed.agrees) == (24.5, 2, True)
    off = against_tickets(tickets(12_500.0, 15_000.0), cake, "bfp-1", MARCH, 2)
    assert off.agrees is False and off.gap_pct == pytest.approx(100.0 * (24.7 - 27.5) / 27.5)


def test_tickets_that_name_no_press_count_only_for_a_single_press():
    cake = Figure(24.7, "t", 24.0, 25.4)
    assert against_tickets(tickets(24_500.0, press=""), cake, "bfp-1", MARCH, 1).agrees
    assert "name no press" in against_tickets(tickets(24_500.0, press=""), cake, "bfp-1", MARCH, 2).reason


def test_deliveries_count_by_their_active_share():
    delivered = pd.DataFrame({"time": [START], "mass_kg": [1000.0], "active_share": [0.4]})
    used = [Figure(150.0, "kg", 147.0, 153.0), Figure(240.0, "kg", 230.0, 250.0)]
    found = against_deliveries(delivered, used, MARCH, are_all_presses=True)
    assert (found.computed, found.weighed, found.agrees) == (390.0, 400.0, True)
    assert "not all of them were read" in against_deliveries(delivered, used[:1], MARCH, False).reason


def test_polymer_without_limits_is_told_beside_the_deliveries_and_judged_by_nobody():
    delivered = pd.DataFrame({"time": [START], "mass_kg": [1000.0], "active_share": [0.4]})
    found = against_deliveries(delivered, [Figure(390.0, "kg", 380.0, 400.0), Figure(9.0, "kg")], MARCH, True)
    assert (found.computed, found.agrees) == (399.0, None) and "no limits" in found.reason


# --- workload -----------------------------------------------------------------------------------------------


def test_workload_needs_as_many_days_as_were_pressed():
    """By hand: 6.5 h of 757.5 kg/h in 3 days of period is 11.49 t a week; at 6.5 h a day, 7 / 3 days a week."""
    work = review_of().workload
    assert work.days_per_week_now == pytest.approx(7.0 / 3.0, rel=0.01)
    assert work.days_per_week_best is None and "at least 5" in work.reason
    assert work.gravity_belt_hours == pytest.approx(8.0)
    assert work.starts == 1 and work.trips is None


def test_a_day_without_feed_solids_asks_for_as_many_days_as_if_they_were_known():
    """Two days of 6.5 h; on the second nobody knows the feed solids: the week's work is twice the first day's."""
    press = press_of()
    day = grid(hours=24.0)
    roles = pd.concat([day, day.set_axis(day.index + pd.Timedelta(days=1)).assign(feed_solids_pct=float("nan"))])
    period = Period(START, START + pd.Timedelta(days=2), "UTC")
    plant = plant_of(press, timezone="UTC", day_starts_at="06:00")
    table = compute_figures(roles.rename_axis("time"), {}, None, press, plant, 60)
    work = review_period(table, press, plant, period).workload
    assert work.loading_now_kg_h_m == pytest.approx(757.5 / 2.0)
    assert work.weekly_dry_solids_t == pytest.approx(2 * 6.5 * 0.7575 * 7 / 2, rel=1e-6)
    assert work.days_per_week_now == pytest.approx(7.0)


def test_press_days_fall_as_the_loading_rises():
    """Common practice: the same solids at the same hours a day. Six days, fed ever faster: the best is their ninth."""
    press = press_of()
    day = grid(hours=24.0)
    faster = [day.assign(feed_flow_m3_h=(1.0 + 0.1 * number) * day["feed_flow_m3_h"]) for number in range(6)]
    days = [each.set_axis(each.index + pd.Timedelta(days=number)) for number, each in enumerate(faster)]
    period = Period(START, START + pd.Timedelta(days=6), "UTC")
    plant = plant_of(press, timezone="UTC", day_starts_at="06:00")
    table = compute_figures(pd.concat(days).rename_axis("time"), {}, None, press, plant, 60)
    work = review_period(table, press, plant, period).workload
    assert work.loading_best_kg_h_m == pytest.approx(1.45 * 757.5 / 2.0, rel=1e-3)
    assert work.days_per_week_now == pytest.approx(7.0)
    assert work.days_per_week_best == pytest.approx(7.0 * 1.25 / 1.45, rel=1e-3)


def test_a_run_that_goes_on_from_before_the_period_is_no_start():
    press = press_of()
    table = compute_figures(grid(), {}, None, press, plant_of(press), 60)
    starts = [
        review_period(table, press, plant_of(press), Period(START + pd.Timedelta(hours=hour), MARCH.end_utc, "UTC"))
        for hour in (0, 2)
    ]
    assert [each.workload.starts for each in starts] == [1, 0]

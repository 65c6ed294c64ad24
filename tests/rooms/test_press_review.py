"""A period's figures: sums over sums, exclusions, days, shifts, targets and cost."""

import numpy as np
import pandas as pd
import pytest
from press_grid import START, grabs, grid, plant_of, press_of

from trendkit.plant.calendar import Period
from trendkit.plant.model import Change, Costs, Exclude, Filtrate, Limit, Plant, Shift
from trendkit.press import PeriodReview, compute_figures, review_period
from trendkit.press.review import meets
from trendkit.press.sums import Sums, group_figures
from trendkit.press.uncertainty import Measured, standard_uncertainty

DAY = Period(
    pd.Timestamp("2026-03-02T07:00:00Z") - pd.Timedelta(hours=24), pd.Timestamp("2026-03-03T07:00Z"), "America/Denver"
)


def review_of(roles: pd.DataFrame, plant: Plant | None = None, **press_settings: object) -> PeriodReview:
    press = press_of(**press_settings)
    plant = plant or plant_of(press)
    table = compute_figures(roles, {}, None, press, plant, 60)
    return review_period(table, press, plant, DAY)


def value(review: PeriodReview, name: str) -> float:
    found = review.figures[name].value
    assert found is not None, review.figures[name].reason
    return found


def test_totals_count_all_phases_and_hours_are_real_hours() -> None:
    """6.5 h of feed at 30 m3/h; the belts turn 8 h."""
    review = review_of(grid())
    assert value(review, "feed_volume_m3") == pytest.approx(195.0)
    assert value(review, "press_hours") == pytest.approx(6.5)
    assert value(review, "run_hours") == pytest.approx(8.0)
    assert value(review, "washwater_m3") == pytest.approx(96.0)
    assert value(review, "energy_kwh") == pytest.approx(120.0)
    assert value(review, "press_days") == 1.0  # plant time: half an hour before midnight is no press day, the rest is


def test_a_mean_over_the_period_is_a_ratio_of_sums() -> None:
    """Half the time at 10 m3/h and 4 %, half at 30 m3/h and 2 %: dose is polymer over solids, not a mean of doses."""
    roles = grid()
    roles.loc[roles.index < START + pd.Timedelta(hours=4), "feed_flow_m3_h"] *= 1 / 3
    roles.loc[roles.index < START + pd.Timedelta(hours=4), "feed_solids_pct"] = 4.0
    pressing = review_of(roles)
    press = press_of()
    table = compute_figures(roles, {}, None, press, plant_of(press), 60).frame
    rows = table[table["phase"] == "pressing"]
    active = rows["polymer_flow_l_h"].sum() * 0.0025
    dry_t = (rows["feed_flow_m3_h"] * 1010 * rows["feed_solids_pct"] / 100).sum() / 1000
    assert value(pressing, "polymer_dose_kg_t") == pytest.approx(active / dry_t)
    assert value(pressing, "polymer_dose_kg_t") != pytest.approx(rows["polymer_dose_kg_t"].mean(), rel=0.01)


def test_an_excluded_period_leaves_the_means_and_stays_in_the_totals() -> None:
    roles = grid()
    trial = slice(START + pd.Timedelta(hours=2), START + pd.Timedelta(hours=3) - pd.Timedelta(minutes=1))
    roles.loc[trial, "polymer_flow_l_h"] = 6000.0
    press = press_of()
    excluded = Exclude(START + pd.Timedelta(hours=2), START + pd.Timedelta(hours=3), "bfp-1", "supplier trial")
    with_it, without = review_of(roles), review_of(roles, plant_of(press, excludes=(excluded,)))
    assert value(without, "polymer_dose_kg_t") == pytest.approx(4.9505, rel=1e-4)
    assert value(with_it, "polymer_dose_kg_t") > 6.0
    assert value(without, "polymer_kg") == value(with_it, "polymer_kg")


def test_cost_is_per_dry_tonne_leaving_in_cake_and_names_missing_prices() -> None:
    press = press_of()
    plant = plant_of(press, costs=Costs("USD", polymer_per_kg=4.0, haul_per_t=60.0))
    review = review_of(grid(), plant)
    paid = 4.0 * value(review, "polymer_kg") + 60.0 * value(review, "wet_cake_t")
    assert value(review, "cost_per_dry_t") == pytest.approx(paid / value(review, "dry_cake_t"))
    assert {line.name for line in review.costs} == {"polymer", "haul"}
    assert any("No price given" in note and "power" in note for note in review.notes)


def test_without_prices_there_is_no_cost_and_the_page_says_why() -> None:
    figure = review_of(grid()).figures["cost_per_dry_t"]
    assert figure.value is None
    assert figure.reason == "no price in the plant file"


@pytest.mark.parametrize(
    ("value_pct", "low", "high", "verdict"),
    [(96.0, 95.5, 96.5, True), (95.2, 94.7, 95.7, None), (93.0, 92.5, 93.5, False)],
)
def test_a_target_is_met_missed_or_open_by_the_limits(value_pct: float, low: float, high: float, verdict: bool) -> None:
    assert meets(Limit(low=95.0), value_pct, low, high) is verdict


def test_a_night_shift_belongs_to_the_day_it_begins() -> None:
    """The feed runs from 23:30 on 1 March to 06:00 on 2 March, plant time: all of it night shift of 1 March."""
    press = press_of()
    shifts = (Shift("day", "07:00", "19:00"), Shift("night", "19:00", "07:00"))
    table = review_of(grid(), plant_of(press, shifts=shifts)).by_shift
    rows = table[table["feed_volume_m3"] > 0]
    assert [(str(row.day), row.shift) for row in rows.itertuples()] == [("2026-03-01", "night")]
    assert rows["feed_volume_m3"].iloc[0] == pytest.approx(195.0)


def test_days_add_up_to_the_period() -> None:
    review = review_of(grid())
    for name in ("feed_volume_m3", "feed_dry_solids_t", "polymer_kg", "dry_cake_t", "press_hours"):
        assert review.by_day[name].sum() == pytest.approx(value(review, name), rel=1e-9), name


def test_the_feed_meters_error_does_not_shrink_with_the_number_of_minutes() -> None:
    """A meter 2 % off is 2 % off all month: the total's limits are 1.96 x 2 %, however many minutes it sums."""
    review = review_of(grid())
    figure = review.figures["feed_volume_m3"]
    assert figure.high is not None
    assert figure.high / value(review, "feed_volume_m3") - 1 == pytest.approx(1.96 * 0.02, rel=0.001)


def test_independent_grabs_narrow_the_limits() -> None:
    """Four feed grabs with independent errors leave half the uncertainty of one."""
    press = press_of()
    plant = plant_of(press)
    widths = []
    for hours in ([3.75], [1.3, 2.9, 4.6, 6.2]):
        roles = grid().drop(columns="feed_solids_pct")
        lab = grabs(*[(hour, "feed", "TS", 2.5) for hour in hours])
        table = compute_figures(roles, {}, lab, press, plant, 60)
        sums = Sums(table, press, plant)
        fed = group_figures(sums, np.zeros(len(roles), dtype=np.int64), 1).values["feed_dry_solids_t"]
        of_grabs = Measured(fed.value, {"bench feed TS": fed.parts["bench feed TS"]})
        widths.append(float(standard_uncertainty(of_grabs)[0]))
    assert widths[1] == pytest.approx(widths[0] / 2, rel=0.05)


def test_a_dead_filtrate_meter_takes_no_cake_out_of_the_total() -> None:
    """Two of 6.5 h without the meter: the totals take those hours as the rest, and the page says for what share."""
    roles = grid(washwater_flow_m3_h=np.nan)
    whole = review_of(roles)
    dead = (roles.index >= START + pd.Timedelta(hours=3)) & (roles.index < START + pd.Timedelta(hours=5))
    roles.loc[dead, "filtrate_flow_m3_h"] = np.nan
    review = review_of(roles)
    for name in ("dry_cake_t", "wet_cake_t", "solids_returned_t"):
        assert value(review, name) == pytest.approx(value(whole, name), rel=2e-3)
    assert value(review, "dry_cake_t") / value(review, "feed_dry_solids_t") == pytest.approx(
        value(whole, "dry_cake_t") / value(whole, "feed_dry_solids_t"), rel=2e-3
    )
    assert any("30." in note and "Capture is not known" in note for note in review.notes)
    assert not any("Capture is not known" in note for note in whole.notes)


def two_runs() -> pd.DataFrame:
    """Sixteen hours with an hour's stop in the middle; feed solids are left to the bench."""
    roles = grid(hours=16.0, feed_to_h=15.0, feed_solids_pct=np.nan)
    stop = (roles.index >= START + pd.Timedelta(hours=7)) & (roles.index < START + pd.Timedelta(hours=8))
    stopped = ["feed_flow_m3_h", "polymer_flow_l_h", "gravity_belt_speed_m_min", "pressure_belt_speed_m_min"]
    roles.loc[stop, [*stopped, "washwater_flow_m3_h", "power_kw"]] = 0.0
    return roles


def test_a_run_without_a_feed_grab_makes_no_tonne_dearer() -> None:
    """Its polymer and water count; so do its solids, as in the run that was sampled, and the page says for what share."""
    press, samples = press_of(), [(3.0, "feed", "TS", 2.5), (11.0, "feed", "TS", 2.5)]
    plant = plant_of(press, costs=Costs("USD", polymer_per_kg=4.0, haul_per_t=60.0, water_per_m3=0.6))
    roles = two_runs()
    both, one = (
        review_period(compute_figures(roles, {}, lab, press, plant, 60), press, plant, DAY)
        for lab in (grabs(*samples), grabs(*samples[:1]))
    )
    for name in ("feed_dry_solids_t", "dry_cake_t", "wet_cake_t", "cost_per_dry_t", "washwater_m3_t"):
        assert value(one, name) == pytest.approx(value(both, name), rel=1e-3)
    assert any("Feed solids are not known for 51.9 % of the feed" in note for note in one.notes)
    assert not any("Feed solids are not known" in note for note in both.notes)


def test_hours_without_a_feed_flow_make_no_tonne_dearer() -> None:
    """Polymer and water of two of 6.5 h belong to tonnes that nobody knows: per tonne they do not count."""
    press = press_of()
    plant = plant_of(press, costs=Costs("USD", polymer_per_kg=4.0, haul_per_t=60.0, water_per_m3=0.6, press_hour=38.0))
    roles = grid()
    dead = (roles.index >= START + pd.Timedelta(hours=3)) & (roles.index < START + pd.Timedelta(hours=5))
    whole = review_of(roles, plant)
    part = review_of(roles.assign(feed_flow_m3_h=roles["feed_flow_m3_h"].where(~dead)), plant)
    assert value(part, "dry_cake_t") < 0.8 * value(whole, "dry_cake_t")
    for name in ("cost_per_dry_t", "washwater_m3_t"):
        assert value(part, name) == pytest.approx(value(whole, name), rel=0.03), name
    assert sum(line.per_dry_t for line in part.costs) == pytest.approx(value(part, "cost_per_dry_t"))
    by_day = [review.by_day["cost_per_dry_t"].tolist() for review in (part, whole)]
    assert by_day[0] == pytest.approx(by_day[1], rel=0.03)


@pytest.mark.parametrize(
    ("role", "total", "said"),
    [
        ("polymer_flow_l_h", "polymer_kg", "Polymer is not known for 30.8 % of the feed"),
        ("washwater_flow_m3_h", "washwater_m3", "Washwater is not known for 25.0 % of the time moving"),
        ("power_kw", "energy_kwh", "Power is not known for 25.0 % of the time moving"),
    ],
)
def test_a_meter_silent_for_two_hours_takes_nothing_out_of_its_total(role: str, total: str, said: str) -> None:
    roles = grid()
    silent = (roles.index >= START + pd.Timedelta(hours=3)) & (roles.index < START + pd.Timedelta(hours=5))
    part = review_of(roles.assign(**{role: roles[role].where(~silent)}))
    assert value(part, total) == pytest.approx(value(review_of(roles), total), rel=1e-9)
    assert any(said in note for note in part.notes)


def test_from_under_a_tenth_of_the_feed_no_total_is_made() -> None:
    roles = grid()
    late = roles.index >= START + pd.Timedelta(hours=1)
    review = review_of(roles.assign(polymer_flow_l_h=roles["polymer_flow_l_h"].where(~late)))
    assert review.figures["polymer_kg"].value is None
    assert "under a tenth" in review.figures["polymer_kg"].reason


def test_a_dated_target_and_a_dated_filtrate_meter_are_respected() -> None:
    """From mid-run the meter stands before the wash: the same reading then means 12 m3/h more filtrate."""
    moment = START + pd.Timedelta(hours=4)
    later = Change(
        moment,
        "filtrate meter moved",
        {
            "filtrate": Filtrate("before_wash", "with_wash"),
            "targets": {"dewatering": {"capture_pct": Limit(low=99.0)}},
        },
    )
    press = press_of(changes=(later,), targets={"dewatering": {"capture_pct": Limit(low=50.0)}})
    roles = grid()
    table = compute_figures(roles, {}, None, press, plant_of(press), 60)
    kept = table.streams.kept_kg_h["filtrate_metered"].value
    lost = table.streams.fed_kg_h.value - kept
    assert lost[200] == pytest.approx(40.0 * 0.9)
    assert lost[300] == pytest.approx(52.0 * 0.9)
    assert review_period(table, press, plant_of(press), DAY).figures["capture_pct"].target == Limit(low=99.0)


def test_more_kept_than_fed_is_explained_and_costs_nothing():
    """Filtrate below what clean washwater brings: capture over 100 %, shown; the solids sent back are withheld."""
    roles = grid(filtrate_solids_mg_l=50.0).assign(washwater_solids_mg_l=400.0)
    review = review_of(roles)
    assert value(review, "capture_pct") > 100.0
    returned = review.figures["solids_returned_t"]
    assert returned.value is None and "more come out kept than were fed" in returned.reason
    assert "washwater solids read high" in returned.reason
    assert all(line.amount >= 0.0 for line in review.costs)


def test_a_figure_outside_its_sanity_bound_is_said():
    notes = review_of(grid(polymer_strength_pct=2.5)).notes
    assert any("A polymer dose of" in note and "a sanity bound from handbooks, no verdict" in note for note in notes)


def test_filtrate_thicker_than_feed_is_said():
    assert any("above feed solids" in note for note in review_of(grid(filtrate_solids_mg_l=30_000.0)).notes)


def test_counts_are_whole_numbers():
    assert all(isinstance(figure.n, int) for figure in review_of(grid()).figures.values())


def test_hours_without_a_feed_flow_are_said_with_the_totals_they_are_missing_from() -> None:
    """Two of 6.5 h of feed are not known: the total falls short by 60 m3, and the loading stays that of the rest."""
    roles = grid()
    dead = slice(START + pd.Timedelta(hours=3), START + pd.Timedelta(hours=5) - pd.Timedelta(minutes=1))
    roles.loc[dead, "feed_flow_m3_h"] = np.nan
    whole, review = review_of(grid()), review_of(roles)
    assert value(review, "feed_volume_m3") == pytest.approx(value(whole, "feed_volume_m3") - 60.0, rel=0.02)
    said = "The feed flow is not known in 2.0 of the 8 hours in which the belts moved"
    assert review.feed_unknown.startswith(said) and review.feed_unknown in review.notes
    assert whole.feed_unknown == "" and whole.workload is not None and review.workload is not None
    assert review.workload.loading_now_kg_h_m == pytest.approx(whole.workload.loading_now_kg_h_m, rel=1e-6)


def test_shifts_stand_in_the_order_they_begin_not_in_that_of_their_names() -> None:
    press = press_of()
    shifts = (Shift("b", "00:00", "03:00"), Shift("a", "03:00", "23:59"))
    table = review_of(grid(), plant_of(press, shifts=shifts)).by_shift
    assert [row.shift for row in table.itertuples() if str(row.day) == "2026-03-02"] == ["b", "a"]


def test_thickening_is_held_against_the_thickening_of_the_period_before() -> None:
    """The belt of the pressure zone stands still: the press thickens, this period and the one before."""
    press = press_of()
    plant = plant_of(press)
    roles = grid(pressure_belt_speed_m_min=0.0, thickened_flow_m3_h=12.0, thickened_solids_meter_pct=5.0)
    table = compute_figures(roles, {}, None, press, plant, 60)
    review = review_period(table, press, plant, DAY, previous=table)
    figure = review.by_mode["thickening"]["feed_volume_m3"]
    assert figure.value is not None and figure.previous == pytest.approx(figure.value)

"""The true table follows the contract: phases, runs, sludge time, ratios of sums, the best speed."""

import numpy as np
import pandas as pd
import pytest
from simulated import lived_press

from trendkit.plant.roles import ROLES
from trendkit.simulate.plant import tuning_truth
from trendkit.simulate.truth_table import FIGURES


def pressing(scenario, **kind):
    table = lived_press(scenario, **kind).table
    return table[(table["phase"] == "pressing") & (table["mode"] == "dewatering")]


def test_the_table_has_every_role_and_figure_of_the_contract():
    table = lived_press("clean").table
    lead = ["feed_time", "press", "run", "phase", "mode", "capture_method"]
    wanted = {*lead, *FIGURES, *(role.column for role in ROLES.values())}
    assert wanted <= set(table.columns)
    assert table.index.name == "time" and str(table.index.tz) == "UTC"
    assert not table.columns.duplicated().any()


def test_a_day_goes_through_the_phases_in_order():
    table = lived_press("clean").table
    day = table[table.index.tz_convert("America/Denver").strftime("%Y-%m-%d") == "2026-02-03"]
    order = day["phase"][day["phase"] != day["phase"].shift()].tolist()
    assert order == ["stopped", "starting", "pressing", "washing", "stopped"]


def test_pressing_begins_one_sludge_time_after_the_feed():
    table = lived_press("clean").table
    run = table["run"].dropna().iloc[0]
    rows = table[table["run"] == run]
    first_fed = rows.index[rows["feed_flow_m3_h"] > 2.0][0]
    first = rows[rows["phase"] == "pressing"].iloc[0]
    assert abs((first["feed_time"] - first_fed).total_seconds()) <= 90.0


def test_runs_are_named_after_their_first_moving_minute_and_null_outside():
    table = lived_press("thickening").table
    assert table.loc[table["phase"] == "pressing", "run"].notna().all()
    for run, rows in table.groupby("run"):
        assert run == f"bfp-1-{rows.index[0]:%Y%m%dT%H%MZ}"
        assert rows["phase"].iloc[0] != "stopped"
        assert len(set(rows["mode"])) == 1
    assert table.loc[table["run"].isna(), "phase"].eq("stopped").all()


def test_thickening_has_no_cake_and_dewatering_no_thickened_sludge():
    table = lived_press("thickening").table
    thick = table[(table["mode"] == "thickening") & (table["phase"] == "pressing")]
    assert len(thick) > 200
    assert thick["cake_solids_pct"].isna().all() and thick["thickened_solids_pct"].between(3.0, 9.0).all()
    assert pressing("thickening")["thickened_solids_pct"].isna().all()


def test_capture_is_kept_over_fed_of_the_sludge_discharged():
    # One minus what the parcel lost, against the sums over a whole quiet run.
    table = pressing("clean")
    run = table[table["run"] == table["run"].iloc[0]]
    fed_then = (table["dry_cake_kg_h"] / table["capture_pct"] * 100.0).loc[run.index]
    assert (run["dry_cake_kg_h"].sum() / fed_then.sum()) * 100.0 == pytest.approx(
        np.average(run["capture_pct"], weights=fed_then), abs=1e-6
    )


def test_every_discharge_looks_back_to_a_feed_some_minutes_ago():
    table = pressing("upsets", days=14, seed=5)
    lag = (table.index + pd.Timedelta(seconds=30) - table["feed_time"]).dt.total_seconds() / 60.0
    assert lag.between(3.0, 15.0).all()
    assert (table["feed_time"].diff().dt.total_seconds().dropna() >= 0.0).all()


def test_rolling_figures_are_ratios_of_sums_within_the_run():
    table = lived_press("clean").table
    rows = table[(table["run"] == table["run"].dropna().iloc[0]) & (table["phase"] == "pressing")]
    at = rows.index[100]
    hour = rows.loc[at - pd.Timedelta(minutes=59) : at]
    expected = hour["dry_cake_kg_h"].sum() / hour["wet_cake_kg_h"].sum() * 100.0
    assert rows.loc[at, "cake_solids_pct_rolling"] == pytest.approx(expected)
    assert rows["cake_solids_pct_rolling"].iloc[:4].isna().all()
    assert table.loc[table["phase"] != "pressing", "cake_solids_pct_rolling"].isna().all()


def test_the_feed_varies_by_day_by_hour_and_by_minute():
    solids = pressing("clean", days=28)["feed_solids_pct"]
    by_day = solids.groupby(solids.index.date).mean()
    within = solids.groupby(solids.index.date).std()
    assert 0.02 < by_day.std() / solids.mean() < 0.12
    assert 0.01 < within.mean() / solids.mean() < 0.10
    assert solids.diff().abs().median() < 0.02 * solids.mean()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_best_speed_lies_where_its_scenario_says(seed):
    inside, fast, slow, flat = (
        tuning_truth(lived_press(name, 10, seed)) for name in ("interior", "edge-fast", "edge-slow", "flat")
    )
    low, high = inside["exercised_m_min"]
    assert inside["is_inside_exercised"] and low < inside["best_gravity_belt_speed_m_min"] < high
    assert not fast["is_inside_exercised"] and fast["best_anywhere_m_min"] > 1.05 * fast["exercised_m_min"][1]
    assert not slow["is_inside_exercised"] and slow["best_anywhere_m_min"] < 0.95 * slow["exercised_m_min"][0]
    assert flat["high"] - flat["low"] > 0.9 * (flat["exercised_m_min"][1] - flat["exercised_m_min"][0])
    assert inside["high"] - inside["low"] < 0.6 * (high - low)


def test_the_best_speed_costs_least_and_its_interval_under_one_percent_more():
    truth = tuning_truth(lived_press("interior", 10, 1))
    curve = pd.DataFrame(truth["curve"])
    cost = curve.set_index("gravity_belt_speed_m_min")["cost_per_dry_t"]
    assert truth["best_gravity_belt_speed_m_min"] == pytest.approx(cost.idxmin(), abs=1e-5)
    inside = cost[(cost.index >= truth["low"] - 1e-6) & (cost.index <= truth["high"] + 1e-6)]
    assert (inside <= 1.01 * cost.min() + 1e-6).all()


def test_the_confounded_crew_misleads_a_naive_line():
    speeds, cakes, rights = [], [], []
    for seed in (1, 2):
        table = pressing("confounded", days=21, seed=seed)
        naive = np.polyfit(np.log(table["gravity_belt_speed_m_min"]), table["cake_solids_pct"], 1)[0]
        curve = pd.DataFrame(tuning_truth(lived_press("confounded", days=21, seed=seed))["curve"])
        right = np.polyfit(np.log(curve["gravity_belt_speed_m_min"]), curve["cake_solids_pct"], 1)[0]
        load = np.corrcoef(table["gravity_belt_speed_m_min"], table["solids_loading_kg_h_m"])[0, 1]
        speeds.append(load)
        cakes.append(naive)
        rights.append(right)
    assert min(speeds) > 0.3
    assert max(np.array(cakes) - np.array(rights)) < -1.0


def test_an_untouched_belt_is_never_changed():
    assert len(set(pressing("untouched")["gravity_belt_setpoint_m_min"])) == 1


def test_a_step_test_runs_every_level_once_a_day_in_random_order():
    table = pressing("step-test", days=14)
    setpoint = table["gravity_belt_setpoint_m_min"]
    levels = setpoint.groupby(table["run"]).nunique()
    stepped = levels[levels >= 5]
    assert len(stepped) >= 4
    orders = {tuple(dict.fromkeys(setpoint[table["run"] == run])) for run in stepped.index}
    assert len(orders) == len(stepped)

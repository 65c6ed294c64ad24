"""The figure table: a steady press worked by hand, balances that close, windows that do not leak."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from press_grid import START, grabs, grid, plant_of, press_of, tag

from trendkit.plant.model import Filtrate, Lab, Tag, Uncertainty
from trendkit.plant.roles import ROLES
from trendkit.press import FIGURES, FigureTable, compute_figures, figure_head
from trendkit.press.belts import belt_solids_kg_m2, belt_speed_ratio, cake_thickness_mm, gravity_drain_time_s
from trendkit.press.capture import capture_balance, capture_filtrate_metered, solids_lost_kg_h, stream_solids_kg_h
from trendkit.press.dose import polymer_active_kg_h, polymer_dose_kg_t
from trendkit.press.loading import (
    feed_dry_solids_kg_h,
    hydraulic_loading_m3_h_m,
    solids_loading_kg_h_m,
    tank_upflow_m_h,
)
from trendkit.press.rolling import trailing_ratio


def table_of(roles: pd.DataFrame, lab: pd.DataFrame | None = None, **press_settings: object) -> FigureTable:
    press = press_of(**press_settings)
    plant = plant_of(press, lab=Lab(max_age_s=8 * 3600.0))
    return compute_figures(roles, {}, lab, press, plant, 60)


def at_noon(table: FigureTable) -> pd.Series:
    return table.frame.loc[START + pd.Timedelta(hours=4)]


def test_a_steady_press_gives_the_figures_worked_by_hand() -> None:
    """Consistency check, the constructed case W12 (SI): loading, dose, belt solids, drain time, ratio."""
    row = at_noon(table_of(grid()))
    by_hand = {
        "hydraulic_loading_m3_h_m": 15.0,
        "feed_dry_solids_kg_h": 757.5,
        "solids_loading_kg_h_m": 378.75,
        "polymer_dose_kg_t": 4.950495,
        "belt_solids_kg_m2": 1.052083,
        "gravity_drain_time_s": 30.0,
        "belt_speed_ratio": 2.0,
        "washwater_m3_t": 15.841584,
        "energy_kwh_t": 19.801980,
    }
    for name, value in by_hand.items():
        assert row[name] == pytest.approx(value, rel=1e-6), name
        if f"{name}_rolling" in row:
            assert row[f"{name}_rolling"] == pytest.approx(value, rel=1e-6), name


def test_capture_thickness_and_cake_of_a_steady_press() -> None:
    """Consistency check: 40 m3/h at 900 mg/L lose 36 kg/h of 757.5; what is kept leaves at 20 % on 2 m at 3 m/min."""
    table = table_of(grid(cake_rate_kg_h=np.nan))
    runs = table.capture_by_run.set_index("method")
    assert runs.loc["filtrate_metered", "capture_pct"] == pytest.approx(100.0 * (1 - 36.0 / 757.5))
    row = at_noon(table)
    kept_kg_h = row["capture_pct"] / 100.0 * 757.5
    assert row["dry_cake_kg_h"] == pytest.approx(kept_kg_h + 3.75)  # the polymer leaves in the cake
    assert row["wet_cake_kg_h"] == pytest.approx((kept_kg_h + 3.75) / 0.20)
    assert row["cake_thickness_mm"] == pytest.approx(1000.0 * row["wet_cake_kg_h"] / (2.0 * 180.0 * 950.0))


def test_the_table_holds_what_the_formulas_say_that_are_held_against_publications() -> None:
    """Ties `tests/published` to the table: figures are quotients there, formulas here; on a steady press both agree."""
    table = table_of(grid(dilution_water_flow_m3_h=0.8), conditioning_tank_area_m2=0.9)
    row = at_noon(table)
    fed, active = feed_dry_solids_kg_h(30.0, 2.5, 1010.0), polymer_active_kg_h(1500.0, 0.25)
    lost = solids_lost_kg_h(stream_solids_kg_h(40.0, 900.0))
    added = 1500.0 + 800.0 + 12_000.0  # kg/h of polymer solution, dilution water and wash
    formulas = {
        "hydraulic_loading_m3_h_m": hydraulic_loading_m3_h_m(30.0, 2.0),
        "feed_dry_solids_kg_h": fed,
        "solids_loading_kg_h_m": solids_loading_kg_h_m(fed, 2.0),
        "polymer_dose_kg_t": polymer_dose_kg_t(active, fed),
        "belt_speed_ratio": belt_speed_ratio(6.0, 3.0),
        "gravity_drain_time_s": gravity_drain_time_s(3.0, 6.0),
        "belt_solids_kg_m2": belt_solids_kg_m2(fed, 2.0, 6.0),
        "cake_thickness_mm": cake_thickness_mm(row["wet_cake_kg_h"], 2.0, 3.0, 950.0),
        "tank_upflow_m_h": tank_upflow_m_h(30.0, 0.9),
    }
    for name, value in formulas.items():
        assert row[name] == pytest.approx(value, rel=1e-9), name
    by_method = table.capture_by_run.set_index("method")["capture_pct"]
    assert by_method["filtrate_metered"] == pytest.approx(capture_filtrate_metered(fed, lost), rel=1e-9)
    balance = capture_balance(30_300.0, fed, 20.0, 900.0, added, active)
    assert by_method["balance"] == pytest.approx(balance - 100.0 * active / fed, rel=1e-6)  # polymer is no feed


def test_every_contract_column_is_there_in_its_order() -> None:
    columns = list(table_of(grid()[["feed_flow_m3_h", "gravity_belt_speed_m_min"]]).frame.columns)
    assert columns[:5] == ["feed_time", "run", "phase", "mode", "capture_method"]
    expected = [role.column for role in ROLES.values() if role.name != "mode"]
    assert [name for name in columns if name in expected] == expected
    for name in FIGURES:
        assert name in columns
        assert f"{name}_rolling" in columns


def test_what_cannot_be_had_says_why() -> None:
    table = table_of(grid()[["feed_flow_m3_h", "gravity_belt_speed_m_min", "pressure_belt_speed_m_min"]])
    assert "no feed solids" in table.unavailable["solids_loading_kg_h_m"]
    assert "no polymer flow" in table.unavailable["polymer_dose_kg_t"]
    assert "washwater" in table.unavailable["capture_pct"]
    assert table.unavailable["wedge_contact_pct"] == "no wedge gaps in the plant file"


def test_a_filtrate_meter_before_the_wash_sees_less_water() -> None:
    """28 m3/h before 12 m3/h of wash is the same 40 m3/h at the sample."""
    after = at_noon(table_of(grid()))["capture_pct"]
    setup = Filtrate("before_wash", "with_wash", "joins")
    before = at_noon(table_of(grid(filtrate_flow_m3_h=28.0), filtrate=setup))["capture_pct"]
    assert before == pytest.approx(after, rel=1e-9)


def test_capture_over_100_is_shown_and_explained() -> None:
    """Weighed cake of 1000 kg/h dry from 757.5 kg/h fed cannot be: it is printed all the same."""
    roles = grid(cake_rate_kg_h=5000.0)[
        lambda frame: frame.columns.drop(["filtrate_flow_m3_h", "filtrate_solids_mg_l"])
    ]
    table = table_of(roles)
    assert at_noon(table)["capture_pct"] == pytest.approx(100.0 * (1000.0 - 3.75) / 757.5)
    assert any("over 100 %" in note and "cake scale" in note for note in table.notes)


def test_filtrate_and_clean_washwater_need_no_washwater_meter() -> None:
    """40 m3/h at 900 mg/L is 36 kg/h lost of 757.5, however much of the 40 is clean washwater."""
    roles = grid()[lambda frame: frame.columns.drop("washwater_flow_m3_h")]
    assert at_noon(table_of(roles))["capture_pct"] == pytest.approx(100.0 * (1.0 - 36.0 / 757.5))


def test_a_separate_belt_wash_without_its_sample_leaves_no_capture_and_says_so() -> None:
    table = table_of(grid(), filtrate=Filtrate("before_wash", "before_wash", "separate"))
    assert table.frame["capture_pct"].isna().all()
    assert "wash_return" in table.unavailable["capture_pct"]


def test_a_separate_belt_wash_adds_its_solids_to_the_loss() -> None:
    """40 m3/h at 900 mg/L and 12 m3/h of wash at 500 mg/L: 42 kg/h lost of 757.5."""
    setup = Filtrate("before_wash", "before_wash", "separate")
    table = table_of(grid(), grabs((3.0, "wash_return", "TSS", 500.0)), filtrate=setup)
    lost = table.streams.fed_kg_h.value - table.streams.kept_kg_h["filtrate_metered"].value
    assert lost[200] == pytest.approx(42.0)


flows = st.floats(5.0, 60.0)
solids = st.floats(0.8, 6.0)
cakes = st.floats(12.0, 35.0)
filtrates = st.floats(50.0, 3000.0)
washes = st.floats(0.0, 30.0)


@settings(max_examples=40, deadline=None)
@given(flow=flows, feed=solids, cake=cakes, tss=filtrates, wash=washes, polymer=st.floats(0.0, 4000.0))
def test_water_and_solids_close_by_the_balance_method(
    flow: float, feed: float, cake: float, tss: float, wash: float, polymer: float
) -> None:
    """In: feed, polymer water, wash. Out: cake and the filtrate the balance implies. Both close to 1e-9."""
    from trendkit.press.capture import filtrate_by_balance_kg_h, wet_cake_by_balance_kg_h

    feed_kg, active = flow * 1010.0, polymer * 0.0025
    fed, added = feed_kg * feed / 100.0, polymer + wash * 1000.0
    wet = wet_cake_by_balance_kg_h(feed_kg, fed, cake, tss, added, active)
    filtrate = filtrate_by_balance_kg_h(feed_kg, added, wet)
    assert feed_kg + added == pytest.approx(wet + filtrate, rel=1e-12)
    assert fed + active == pytest.approx(wet * cake / 100.0 + filtrate * tss / 1e6, rel=1e-9, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(flow=st.floats(10.0, 60.0), feed=solids, cake=cakes, tss=filtrates, wash=washes)
def test_all_methods_agree_when_every_meter_is_honest(
    flow: float, feed: float, cake: float, tss: float, wash: float
) -> None:
    """Filtrate and cake computed from the balance are given to the meters: the three methods must say the same."""
    from trendkit.press.capture import filtrate_by_balance_kg_h, wet_cake_by_balance_kg_h

    feed_kg, active, added = flow * 1010.0, 3.75, 1500.0 + wash * 1000.0
    fed = feed_kg * feed / 100.0
    wet = wet_cake_by_balance_kg_h(feed_kg, fed, cake, tss, added, active)
    filtrate = filtrate_by_balance_kg_h(feed_kg, added, wet)
    roles = grid(
        hours=3.0, feed_to_h=3.0, feed_flow_m3_h=flow, feed_solids_pct=feed, cake_solids_meter_pct=cake,
        filtrate_solids_mg_l=tss, washwater_flow_m3_h=wash, filtrate_flow_m3_h=filtrate / 1000.0, cake_rate_kg_h=wet,
    )  # fmt: skip
    frame = table_of(roles).streams
    assert frame is not None
    captures = {
        method: kept.value[150] / frame.fed_kg_h.value[150]
        for method, kept in frame.kept_kg_h.items()
        if method != "concentration"
    }
    assert captures["filtrate_metered"] == pytest.approx(captures["balance"], abs=1e-9)
    assert captures["cake_weighed"] == pytest.approx(captures["balance"], abs=1e-9)


def test_the_same_feed_meter_above_and_below_cancels() -> None:
    """A feed meter that reads 2 % off moves loading by 2 %, and the water-balance capture hardly at all."""
    tags = {
        "feed_flow": Tag("feed_flow", "F", "feed_flow_m3_h", "m3/h", "m3/h", "analog", uncertainty=Uncertainty(0.02))
    }
    row = at_noon(table_of(grid(), tags=tags))
    assert row["hydraulic_loading_m3_h_m_high"] / row["hydraulic_loading_m3_h_m"] - 1 == pytest.approx(0.0392, rel=0.01)
    width = (row["capture_pct_high"] - row["capture_pct_low"]) / row["capture_pct"]
    assert width < 0.02


def test_a_rolling_value_is_a_ratio_of_sums_and_not_a_mean_of_ratios() -> None:
    above, below = np.array([1.0] * 5 + [9.0] * 5), np.array([1.0] * 5 + [3.0] * 5)
    run = np.zeros(10, dtype=np.int64)
    rolled = trailing_ratio(above, below, np.ones(10, dtype=bool), run, 60.0, 600.0)
    assert rolled[-1] == 50.0 / 20.0


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.floats(0.1, 10.0), st.booleans(), st.integers(0, 2)), min_size=12, max_size=60))
def test_rolling_never_crosses_a_run_or_counts_another_phase(bins: list[tuple[float, bool, int]]) -> None:
    above = np.array([value for value, _, _ in bins])
    pressing = np.array([flag for _, flag, _ in bins])
    run = np.sort(np.array([number for _, _, number in bins]))
    rolled = trailing_ratio(above, np.ones(len(bins)), pressing, run, 60.0, 1200.0)
    for row in range(len(bins)):
        window = [i for i in range(max(0, row - 19), row + 1) if run[i] == run[row] and pressing[i]]
        if pressing[row] and len(window) >= 5:
            assert rolled[row] == pytest.approx(above[window].mean())
        else:
            assert np.isnan(rolled[row])


def test_each_minute_takes_the_nearest_grab_of_its_own_run() -> None:
    roles = grid().drop(columns="cake_solids_meter_pct")
    frame = table_of(roles, grabs((2.0, "cake", "TS", 20.0), (6.0, "cake", "TS", 22.0))).frame
    cake = frame["cake_solids_pct"]
    assert cake.iloc[150] == pytest.approx(20.0)
    assert cake.iloc[238] == pytest.approx(20.0)
    assert cake.iloc[242] == pytest.approx(22.0)


def test_a_suspect_grab_serves_no_minute() -> None:
    lab = grabs((2.0, "cake", "TS", 3.0), (6.0, "cake", "TS", 22.0))
    lab.loc[0, "is_suspect"] = True
    frame = table_of(grid().drop(columns="cake_solids_meter_pct"), lab).frame
    assert set(frame["cake_solids_pct"].dropna().round(6)) == {22.0}


def test_a_grab_never_serves_another_run() -> None:
    roles = grid().drop(columns="cake_solids_meter_pct")
    roles.iloc[200:240] = 0.0
    frame = table_of(roles, grabs((2.0, "cake", "TS", 20.0))).frame
    assert frame["cake_solids_pct"].iloc[300:].isna().all()


def test_a_feed_grab_reaches_the_cake_a_sludge_time_later() -> None:
    """The change of grab at 4 h in the feed shows in the capture's feed 330 s later."""
    roles = grid().drop(columns="feed_solids_pct")
    table = table_of(roles, grabs((2.0, "feed", "TS", 2.0), (6.0, "feed", "TS", 3.0)))
    assert table.streams is not None
    fed = table.streams.fed_kg_h.value
    assert table.streams.fed_row_kg_h.value[241] == pytest.approx(30 * 1010 * 0.03)
    assert fed[244] == pytest.approx(30 * 1010 * 0.02)
    assert fed[246] == pytest.approx(30 * 1010 * 0.03)


def test_a_rolling_value_has_limits_that_know_what_cancels():
    """Dose: polymer flow and strength 2 % each, feed flow and solids 2 % each: 4 % standard, in any window; the
    hydraulic loading has the feed meter's 2 % alone."""
    press = press_of(
        tags={name: tag(name) for name in ("feed_flow", "feed_solids", "polymer_flow", "polymer_strength")}
    )
    roles = grid()
    frame = compute_figures(roles, {}, None, press, plant_of(press), 60).frame
    row = frame.iloc[240]
    for name, relative in (("polymer_dose_kg_t", 0.04), ("hydraulic_loading_m3_h_m", 0.02)):
        value = row[f"{name}_rolling"]
        assert row[f"{name}_rolling_high"] - value == pytest.approx(1.959964 * relative * value, rel=1e-6)
        assert value - row[f"{name}_rolling_low"] == pytest.approx(1.959964 * relative * value, rel=1e-6)
    stopped = frame["phase"] != "pressing"
    assert frame.loc[stopped, "polymer_dose_kg_t_rolling_low"].isna().all()


def test_leaving_limits_and_rolling_columns_out_changes_nothing_else() -> None:
    press = press_of(tags={"feed_flow": tag("feed_flow")})
    roles = grid()
    given = (roles, {}, None, press, plant_of(press), 60)
    whole, bare = compute_figures(*given).frame, compute_figures(*given, in_full=False).frame
    left_out = [name for name in whole if "_rolling" in name or name.endswith(("_low", "_high"))]
    pd.testing.assert_frame_equal(bare, whole.drop(columns=left_out))
    assert len(left_out) == 3 * 14 + 4 + 14 + 14 and list(figure_head(roles, in_full=False)) == list(bare)

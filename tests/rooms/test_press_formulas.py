"""The formulas of the press: balances close, kinds and indexes are kept, nothing is clipped or invented."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trendkit.plant.model import Costs, Uncertainty
from trendkit.press.amounts import ratio
from trendkit.press.belts import (
    belt_solids_kg_m2,
    belt_speed_ratio,
    cake_thickness_mm,
    gravity_drain_time_s,
    wedge_contact_pct,
)
from trendkit.press.capture import (
    capture_balance,
    capture_cake_weighed,
    capture_concentration,
    capture_filtrate_metered,
    filtrate_by_balance_kg_h,
    flow_at_sample_m3_h,
    solids_lost_kg_h,
    stream_solids_kg_h,
    wet_cake_by_balance_kg_h,
)
from trendkit.press.cost import cost_lines
from trendkit.press.dose import polymer_active_kg_h, polymer_dose_kg_t
from trendkit.press.loading import (
    feed_dry_solids_kg_h,
    hydraulic_loading_m3_h_m,
    solids_loading_kg_h_m,
    tank_upflow_m_h,
)
from trendkit.press.uncertainty import Measured, reading, reciprocal, standard_uncertainty

# every public formula with arguments a press could give
FORMULAS: dict[str, tuple[Callable[..., Any], tuple[float, ...]]] = {
    "hydraulic loading": (hydraulic_loading_m3_h_m, (30.0, 2.0)),
    "feed dry solids": (feed_dry_solids_kg_h, (30.0, 2.5, 1010.0)),
    "solids loading": (solids_loading_kg_h_m, (757.5, 2.0)),
    "tank upflow": (tank_upflow_m_h, (30.0, 0.9)),
    "active polymer": (polymer_active_kg_h, (1500.0, 0.25)),
    "dose": (polymer_dose_kg_t, (3.75, 757.5)),
    "belt speed ratio": (belt_speed_ratio, (6.0, 3.0)),
    "drain time": (gravity_drain_time_s, (3.0, 6.0)),
    "belt solids": (belt_solids_kg_m2, (757.5, 2.0, 6.0)),
    "cake thickness": (cake_thickness_mm, (3598.0, 2.0, 3.0, 950.0)),
    "stream solids": (stream_solids_kg_h, (40.0, 900.0)),
    "solids lost": (solids_lost_kg_h, (36.0, 0.5, 4.0)),
    "capture, metered": (capture_filtrate_metered, (757.5, 37.0)),
    "capture, balance": (capture_balance, (30300.0, 757.5, 20.0, 900.0, 15000.0, 1.0, 2.0)),
    "capture, weighed": (capture_cake_weighed, (3600.0, 20.0, 757.5, 3.0)),
    "capture, concentrations": (capture_concentration, (2.5, 20.0, 900.0)),
    "wet cake": (wet_cake_by_balance_kg_h, (30300.0, 757.5, 20.0, 900.0, 15000.0)),
}
EACH_FORMULA = pytest.mark.parametrize("formula, arguments", FORMULAS.values(), ids=FORMULAS)


def as_series(number: float) -> pd.Series:
    times = pd.date_range("2026-03-01", periods=3, freq="1min", tz="UTC", name="time")
    return pd.Series([number, 1.1 * number, np.nan], index=times)


@EACH_FORMULA
def test_a_series_gives_what_floats_give_row_by_row(formula: Callable[..., Any], arguments: tuple[float, ...]) -> None:
    series = [as_series(number) for number in arguments]
    copies = [each.copy() for each in series]
    result = formula(*series)
    assert result.index.equals(series[0].index)
    assert result.iloc[0] == pytest.approx(formula(*arguments))
    assert result.iloc[1] == pytest.approx(formula(*(1.1 * number for number in arguments)))
    assert np.isnan(result.iloc[2])
    for before, after in zip(copies, series, strict=True):
        pd.testing.assert_series_equal(before, after)


@EACH_FORMULA
def test_nan_in_any_argument_gives_nan(formula: Callable[..., Any], arguments: tuple[float, ...]) -> None:
    for place in range(len(arguments)):
        with_gap = [*arguments[:place], float("nan"), *arguments[place + 1 :]]
        assert np.isnan(formula(*with_gap)), f"argument {place}"


@EACH_FORMULA
def test_no_rows_give_no_rows(formula: Callable[..., Any], arguments: tuple[float, ...]) -> None:
    assert len(formula(*(np.array([]) for _ in arguments))) == 0


@EACH_FORMULA
def test_readings_with_uncertainty_give_the_same_value_and_its_slopes(
    formula: Callable[..., Any], arguments: tuple[float, ...]
) -> None:
    """The propagated share of each input is its partial derivative, here against a central difference."""
    measured = [
        reading(np.array(number), f"source {place}", Uncertainty(relative=0.01))
        for place, number in enumerate(arguments)
    ]
    result = formula(*measured)
    assert float(result.value) == pytest.approx(formula(*arguments))
    for place, number in enumerate(arguments):
        step = 1e-6 * abs(number)
        above, below = (formula(*arguments[:place], number + sign * step, *arguments[place + 1 :]) for sign in (1, -1))
        slope = (above - below) / (2 * step)
        assert float(result.parts[f"source {place}"]) == pytest.approx(0.01 * number * slope, rel=1e-4, abs=1e-9)


def test_one_meter_in_numerator_and_denominator_cancels() -> None:
    flow = reading(np.array(30.0), "feed flow", Uncertainty(relative=0.02))
    solids = feed_dry_solids_kg_h(flow, 2.5)
    assert float(standard_uncertainty(ratio(solids, flow))) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("zero", [0.0, np.array([0.0]), pd.Series([0.0])], ids=["float", "array", "series"])
def test_a_ratio_to_nothing_is_nan_never_infinite(zero: Any) -> None:
    assert np.isnan(np.asarray(ratio(5.0 * (zero + 1.0), zero))).all()
    assert np.isnan(np.asarray(gravity_drain_time_s(3.0, zero))).all()


def test_a_measured_ratio_to_nothing_is_nan() -> None:
    assert np.isnan(ratio(Measured(np.array(1.0)), Measured(np.array(0.0))).value)


# --- balances -------------------------------------------------------------------------------------------

FEED = st.floats(1_000, 100_000)
PRESSES = {
    "feed_kg": FEED,
    "feed_pct": st.floats(0.5, 8.0),
    "cake_pct": st.floats(12.0, 40.0),
    "lost_share": st.floats(0.0, 0.4),
    "added_share": st.floats(0.0, 2.0),
    "wash_mg_l": st.floats(0.0, 200.0),
}


@given(**PRESSES)
def test_with_honest_meters_metered_balance_and_weighed_agree(
    feed_kg: float, feed_pct: float, cake_pct: float, lost_share: float, added_share: float, wash_mg_l: float
) -> None:
    fed = feed_kg * feed_pct / 100
    wash = added_share * feed_kg
    wash_solids = wash * wash_mg_l / 1e6
    cake = (1 - lost_share) * fed / (cake_pct / 100)
    filtrate = filtrate_by_balance_kg_h(feed_kg, wash, cake)
    in_filtrate = lost_share * fed + wash_solids
    tss = in_filtrate / filtrate * 1e6
    truth = pytest.approx(100 * (1 - lost_share), abs=1e-6)
    carried = stream_solids_kg_h(filtrate / 1000, tss)
    assert capture_filtrate_metered(fed, solids_lost_kg_h(carried, wash_solids)) == truth
    assert capture_balance(feed_kg, fed, cake_pct, tss, wash, wash_solids) == truth
    assert capture_cake_weighed(cake, cake_pct, fed) == truth


@given(feed_kg=FEED, feed_pct=st.floats(1.0, 8.0), cake_pct=st.floats(12.0, 40.0), tss=st.floats(0.0, 5_000.0))
def test_without_added_water_three_concentrations_are_the_balance(
    feed_kg: float, feed_pct: float, cake_pct: float, tss: float
) -> None:
    balance = capture_balance(feed_kg, feed_kg * feed_pct / 100, cake_pct, tss, 0.0)
    assert capture_concentration(feed_pct, cake_pct, tss) == pytest.approx(balance, abs=1e-6)


@given(
    feed_kg=FEED,
    feed_pct=st.floats(0.5, 8.0),
    cake_pct=st.floats(12.0, 40.0),
    tss=st.floats(0.0, 5_000.0),
    added_kg=st.floats(0.0, 100_000),
    wash_return=st.floats(0.0, 50.0),
)
def test_the_wet_cake_of_the_balance_closes_water_and_solids(
    feed_kg: float, feed_pct: float, cake_pct: float, tss: float, added_kg: float, wash_return: float
) -> None:
    fed = feed_kg * feed_pct / 100
    cake = wet_cake_by_balance_kg_h(feed_kg, fed, cake_pct, tss, added_kg, 0.0, wash_return)
    filtrate = filtrate_by_balance_kg_h(feed_kg, added_kg, cake)
    assert cake * cake_pct / 100 + filtrate * tss / 1e6 + wash_return == pytest.approx(fed, rel=1e-9, abs=1e-6)
    assert cake + filtrate == pytest.approx(feed_kg + added_kg)


def test_a_wash_piped_away_takes_its_solids_from_capture() -> None:
    with_wash = solids_lost_kg_h(36.0, 0.0, wash_return_solids_kg_h=4.0)
    assert capture_filtrate_metered(800.0, with_wash) == pytest.approx(95.0)
    assert capture_filtrate_metered(800.0, solids_lost_kg_h(36.0)) == pytest.approx(95.5)


def test_solids_the_washwater_brought_are_no_loss() -> None:
    assert capture_filtrate_metered(800.0, solids_lost_kg_h(41.0, water_solids_kg_h=1.0)) == pytest.approx(95.0)


def test_meter_and_sample_on_two_sides_of_the_washwater() -> None:
    assert flow_at_sample_m3_h(30.0, 14.0, "with_wash", "with_wash") == 30.0
    assert flow_at_sample_m3_h(30.0, 14.0, "before_wash", "before_wash") == 30.0
    assert flow_at_sample_m3_h(30.0, 14.0, "before_wash", "with_wash") == 44.0
    assert flow_at_sample_m3_h(44.0, 14.0, "with_wash", "before_wash") == 30.0


def test_capture_over_100_percent_is_shown_not_clipped() -> None:
    assert capture_cake_weighed(4000.0, 21.0, 800.0) == pytest.approx(105.0)
    assert capture_filtrate_metered(800.0, -8.0) == pytest.approx(101.0)
    assert capture_filtrate_metered(100.0, 130.0) == pytest.approx(-30.0)


def test_polymer_and_dilution_water_thin_the_filtrate_and_never_touch_the_dose() -> None:
    dry = capture_balance(30_000.0, 750.0, 20.0, 900.0, 0.0)
    thinned = capture_balance(30_000.0, 750.0, 20.0, 900.0, 1500.0 + 3000.0)
    assert thinned < dry
    assert polymer_dose_kg_t(polymer_active_kg_h(1500.0, 0.25), 750.0) == pytest.approx(5.0)


def test_percent_by_weight_needs_the_density_and_grams_per_litre_do_not() -> None:
    by_weight = feed_dry_solids_kg_h(30.0, 2.5, 1010.0)
    from_g_l = feed_dry_solids_kg_h(30.0, 25.0 * 100 / 1010.0, 1010.0)  # 25 g/L as the plant file turns it into %
    assert by_weight == pytest.approx(757.5)
    assert from_g_l == pytest.approx(750.0)


def test_a_window_is_a_ratio_of_sums_not_a_mean_of_ratios() -> None:
    polymer, solids = pd.Series([2.0, 2.0]), pd.Series([1000.0, 200.0])
    assert polymer_dose_kg_t(polymer.sum(), solids.sum()) == pytest.approx(4 / 1.2)
    assert polymer_dose_kg_t(polymer, solids).mean() == pytest.approx(6.0)  # what a spreadsheet would say


@given(st.floats(0.0, 60.0), st.lists(st.floats(0.0, 60.0), min_size=2, max_size=5))
def test_wedge_contact_lies_between_none_and_all_and_grows_with_the_cake(thickness: float, gaps: list[float]) -> None:
    wedge = tuple((float(position), gap) for position, gap in enumerate(gaps))
    contact = wedge_contact_pct(thickness, wedge)
    assert 0.0 <= contact <= 100.0
    assert wedge_contact_pct(thickness + 1.0, wedge) >= contact
    assert wedge_contact_pct(max(gaps), wedge) == pytest.approx(100.0)


def test_a_wedge_without_gaps_is_no_wedge() -> None:
    with pytest.raises(ValueError, match="at least one pair"):
        wedge_contact_pct(9.5, ())


# --- costs ----------------------------------------------------------------------------------------------

PRICES = Costs("USD", 4.0, 60.0, 0.1, 0.5, 100.0, 40.0)
AMOUNTS = {
    "polymer_kg": 500.0,
    "wet_cake_t": 450.0,
    "energy_kwh": 3_000.0,
    "washwater_m3": 4_000.0,
    "solids_returned_t": 5.0,
    "press_hours": 130.0,
}


def test_cost_is_per_tonne_leaving_in_cake() -> None:
    cost = cost_lines(PRICES, AMOUNTS, dry_cake_t=95.0)
    assert [line.name for line in cost.lines] == [
        "polymer",
        "haul",
        "power",
        "water",
        "solids_return",
        "press_hour",
    ]
    assert [line.amount for line in cost.lines] == [2000.0, 27000.0, 300.0, 2000.0, 500.0, 5200.0]
    assert cost.per_dry_t == pytest.approx(37_000 / 95.0)
    assert cost.lines[1].price == "60 USD per t of wet cake"


def test_a_missing_price_leaves_its_line_out() -> None:
    cost = cost_lines(Costs("USD", polymer_per_kg=4.0), AMOUNTS, 95.0)
    assert [line.name for line in cost.lines] == ["polymer"]
    assert cost.missing_prices == ("haul", "power", "water", "solids_return", "press_hour")


@pytest.mark.parametrize("amount", [None, float("nan")])
def test_an_amount_not_to_be_had_leaves_its_line_out_and_says_so(amount: float | None) -> None:
    cost = cost_lines(PRICES, AMOUNTS | {"energy_kwh": amount}, 95.0)
    assert "power" not in [line.name for line in cost.lines]
    assert cost.missing_amounts == ("power",)


@pytest.mark.parametrize("dry_cake_t", [None, 0.0, float("nan")])
def test_without_cake_there_is_no_cost_per_tonne(dry_cake_t: float | None) -> None:
    assert cost_lines(PRICES, AMOUNTS, dry_cake_t).per_dry_t is None


def test_without_prices_there_is_no_cost() -> None:
    cost = cost_lines(None, AMOUNTS, 95.0)
    assert cost.lines == ()
    assert len(cost.missing_prices) == 6


@pytest.mark.filterwarnings("error")
def test_the_inverse_of_numbers_at_the_edge_of_doubles_keeps_its_share_of_error_and_warns_nobody() -> None:
    """A quotient known to 2 % is known to 2 % inverted (GUM 5.1.6), however small; zero and what is next to it is none."""
    small = np.array([1e-300, 1e-160, 1.0, 1e300, -1e-300])
    inverse = reciprocal(reading(small, "scale", Uncertainty(relative=0.02)))
    assert inverse.value == pytest.approx(1.0 / small, rel=1e-15)
    assert np.abs(inverse.parts["scale"] / inverse.value) == pytest.approx(0.02, rel=1e-12)
    told = standard_uncertainty(inverse)  # squares end at 1e±154
    assert told[2] == pytest.approx(0.02) and np.isinf(told[0])
    assert np.isnan(reciprocal(Measured(np.array([0.0, 5e-324, -1e-310]), {})).value).all()
    unbounded = reciprocal(reading(np.array([1e-300]), "scale", Uncertainty(absolute=1.0)))
    assert np.isinf(unbounded.parts["scale"]).all()

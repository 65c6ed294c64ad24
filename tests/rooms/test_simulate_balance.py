"""Water and solids close in the invented press, for any valid stretch of sludge and over whole simulations."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated import STATION, lived_press, stretch_of

from trendkit.simulate.balance import press_sludge
from trendkit.simulate.history import WASH_SOLIDS_MG_L
from trendkit.simulate.scenarios import SCENARIOS

CLOSES = 1e-9

numbers = st.floats
stretches = st.fixed_dictionaries(
    {
        "feed_flow_m3_h": numbers(4.0, 60.0),
        "feed_solids": numbers(0.006, 0.06),
        "dose_kg_t": numbers(0.2, 20.0),
        "dilution_m3_h": numbers(0.0, 4.0),
        "gravity_belt_m_min": numbers(1.0, 30.0),
        "gravity_s": numbers(2.0, 3600.0),
        "pressure_belt_m_min": numbers(0.0, 9.0),
        "tension_kn_m": numbers(0.5, 9.0),
        "fouling": numbers(0.0, 6.0),
        "temperature_degc": numbers(8.0, 40.0),
        "quality": numbers(0.7, 1.2),
        "optimum_factor": numbers(0.6, 2.0),
        "resistance_factor": numbers(0.3, 5.0),
        "is_thickening": st.sampled_from([0.0, 1.0]),
    }
)


@settings(max_examples=300, deadline=None)
@given(stretches)
def test_what_goes_into_a_stretch_comes_out_of_it(met):

    flows = press_sludge(stretch_of(**met), STATION)
    solids = flows.gravity_solids + flows.pressate_solids + flows.wash_solids + flows.product_solids
    water = flows.gravity_water + flows.pressate_water + flows.wash_water + flows.product_water
    assert np.abs(solids / flows.solids_in - 1.0).max() < CLOSES
    assert np.abs(water / flows.water_in - 1.0).max() < CLOSES


@settings(max_examples=300, deadline=None)
@given(stretches)
def test_no_stream_but_the_exchange_with_the_belts_is_negative(met):

    flows = press_sludge(stretch_of(**met), STATION)
    for name in ("gravity_solids", "gravity_water", "pressate_solids", "wash_solids", "product_solids"):
        assert getattr(flows, name)[0] >= -1e-9, name
    assert flows.pressate_water[0] >= -1e-6
    assert 0.0 < flows.product[0] < 0.5
    assert 0.0 <= flows.capture[0] <= 1.0


@pytest.mark.parametrize("scenario", ["upsets", "thickening", "confounded"])
def test_a_whole_simulation_closes_to_the_last_kilogram(scenario):
    history = lived_press(scenario).history
    for kind in ("solids", "water"):
        left = sum(kg.sum() for name, kg in history.amounts_kg.items() if name.endswith(kind))
        assert left + history.inside_kg[kind] == pytest.approx(history.entered_kg[kind], rel=CLOSES)


@settings(max_examples=8, deadline=None)
@given(st.sampled_from(sorted(SCENARIOS)), st.integers(0, 10_000))
def test_any_scenario_and_seed_closes_to_the_last_kilogram(scenario, seed):
    history = lived_press(scenario, 2, seed).history
    for kind in ("solids", "water"):
        left = sum(kg.sum() for name, kg in history.amounts_kg.items() if name.endswith(kind))
        assert left + history.inside_kg[kind] == pytest.approx(history.entered_kg[kind], rel=CLOSES)


def test_every_step_closes_between_two_looks_at_what_is_inside():
    # Entered by each step less left by each step is what the press holds: never negative, never more than it can.
    history = lived_press("upsets").history
    now, feed = history.acting, history.drivers.feed
    fed = now.feed_flow_m3_h * feed.solids / (feed.solids / 1400.0 + (1.0 - feed.solids) / 1000.0)
    entered = np.cumsum((fed + now.polymer_flow_l_h * now.polymer_strength) * history.grid.step_s / 3600.0)
    left = np.cumsum(sum(kg for name, kg in history.amounts_kg.items() if name.endswith("solids")))
    inside = entered - left
    assert inside.min() > -1e-6 * entered[-1]
    assert inside[-1] == pytest.approx(history.inside_kg["solids"], abs=1e-6)
    assert inside.max() < 250.0


def test_feed_solids_are_either_kept_or_lost_at_discharge():
    amounts = lived_press("thickening").history.amounts_kg
    for product in ("cake", "thickened"):
        kept, fed = amounts[f"{product}_kept"], amounts[f"{product}_fed"]
        assert (kept <= fed + 1e-12).all()
        assert kept.sum() > 0.8 * fed.sum() > 0.0


def test_collected_filtrate_holds_the_wash_water_that_was_not_taken_up():
    history = lived_press("clean").history
    drained = sum(history.amounts_kg[name].sum() for name in ("gravity_water", "pressate_water", "wash_water"))
    hours = history.grid.step_s / 3600.0
    assert history.filtrate_water_kg_h.sum() * hours == pytest.approx(
        drained + history.acting.washwater_m3_h.sum() * hours * 1000.0
    )
    parts = ("gravity_solids", "pressate_solids", "wash_solids", "film_solids")
    washed = sum(history.amounts_kg[name].sum() for name in parts)
    brought = history.acting.washwater_m3_h.sum() * hours * WASH_SOLIDS_MG_L / 1000.0
    assert history.filtrate_solids_kg_h.sum() * hours == pytest.approx(washed + brought)


def test_a_run_begins_with_no_more_solids_in_its_filtrate_than_it_goes_on_with():
    # What thickening leaves in the gravity belt is washed out as the belt returns, not when the pressure belt next moves.
    table = lived_press("thickening").table
    before_feed = table[(table["phase"] == "starting") & (table["feed_flow_m3_h"] == 0.0)]
    pressing = table[table["phase"] == "pressing"]
    assert len(before_feed) > 20
    assert before_feed["filtrate_tss_mg_l"].max() < pressing["filtrate_tss_mg_l"].quantile(0.99)

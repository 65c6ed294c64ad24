"""What the invented press is made of: each mechanism alone, switched on and off."""

from dataclasses import replace

import numpy as np
import pytest
from simulated import STATION, stretch_of

from trendkit.simulate.balance import press_sludge
from trendkit.simulate.best_speed import best_speed, response_curve, usual_conditions
from trendkit.simulate.conditioning import floc_strength, mixing_quality
from trendkit.simulate.family import draw_household
from trendkit.simulate.gravity_zone import drain
from trendkit.simulate.machine import Targets
from trendkit.simulate.scenarios import SCENARIOS

MACHINE, SLUDGE = STATION.machine, STATION.sludge
STRONG = np.ones(1)


def with_machine(**changes):
    return replace(STATION, machine=replace(MACHINE, **changes))


def with_sludge(**changes):
    return replace(STATION, sludge=replace(SLUDGE, **changes))


def cake_pct(station=STATION, **met):
    return 100.0 * press_sludge(stretch_of(station, **met), station).product


# --- gravity zone ---------------------------------------------------------------------------------------


def test_a_heavier_layer_given_all_the_time_it_wants_drains_itself_drier():
    slow = np.array([9.0, 6.0, 4.0])  # a slower belt carries a heavier layer
    met = {"gravity_belt_m_min": slow, "gravity_s": 3600.0, "feed_flow_m3_h": 12.0}
    with_weight, without = with_sludge(compressibility=0.0), with_sludge(compressibility=0.0, self_weight_power=0.0)
    heavier = press_sludge(stretch_of(with_weight, **met), with_weight).layer_solids
    same = press_sludge(stretch_of(without, **met), without).layer_solids
    assert (np.diff(heavier) > 0.004).all()
    assert np.ptp(same) < 0.001


def test_a_layer_deeper_than_its_side_seals_spills_and_ponds_into_the_wedge():
    flows = np.array([10.0, 20.0, 45.0])
    low, high = (with_machine(seal_height_mm=height) for height in (24.0, 200.0))
    shallow, usual, deep = (drain(stretch_of(low, feed_flow_m3_h=flow), STRONG, low) for flow in flows)
    assert shallow.probe_depth_mm[0] < usual.probe_depth_mm[0] < 24.0 < deep.probe_depth_mm[0]
    assert shallow.spilt[0] < 0.001 and deep.spilt[0] > 0.02
    unhindered = drain(stretch_of(high, feed_flow_m3_h=45.0), STRONG, high)
    assert unhindered.spilt[0] < 1e-4
    assert deep.passed_kg_h[0] > unhindered.passed_kg_h[0]
    assert deep.solids[0] < unhindered.solids[0] - 0.005


# --- pressure zone --------------------------------------------------------------------------------------


def test_every_roll_presses_the_cake_drier_once_the_free_water_is_out():
    rolls = [MACHINE.rolls[:number] for number in range(len(MACHINE.rolls) + 1)]
    at_once = [cake_pct(with_machine(rolls=few, free_water_rate_kg_m2_s=100.0))[0] for few in rolls]
    assert (np.diff(at_once) > 0.5).all()
    held_up = [cake_pct(with_machine(rolls=few))[0] for few in rolls]
    assert np.diff(held_up)[0] == 0.0 and (np.diff(held_up)[2:] > 0.5).all()


def test_a_tighter_belt_makes_a_drier_cake():
    assert (np.diff(cake_pct(tension_kn_m=np.array([3.0, 5.0, 7.0]))) > 0.3).all()


def test_rewetting_adds_a_film_per_belt_face_and_hurts_thin_cakes_most():
    dry, wet = with_machine(rewet_kg_m2=0.0), with_machine(rewet_kg_m2=0.1)
    clean = {"fouling": 0.0}
    film = [press_sludge(stretch_of(station, **clean), station).product_water[0] for station in (dry, wet)]
    area_m2_h = MACHINE.belt_width_m * STATION.settings.pressure_belt_m_min * 60.0
    assert film[1] - film[0] == pytest.approx(2.0 * 0.1 * area_m2_h)
    speeds = {"pressure_belt_m_min": np.array([2.0, 4.0])}  # the faster belt carries the thinner cake
    taken_up = 100.0 / cake_pct(wet, **speeds) - 100.0 / cake_pct(dry, **speeds)  # water per dry cake
    assert taken_up[1] == pytest.approx(2.0 * taken_up[0], rel=0.05)


def test_a_layer_too_wet_or_too_thick_runs_out_between_the_belts():
    holds, too_wet = with_sludge(yield_solids=0.03), with_sludge(yield_solids=0.12)
    squeezed = [press_sludge(stretch_of(station), station).pressate_solids[0] for station in (holds, too_wet)]
    assert squeezed[1] > 20.0 * squeezed[0]
    speeds = np.array([2.6, 0.25])  # a belt so slow that the layer outgrows the edges
    usual, thick = press_sludge(stretch_of(holds, pressure_belt_m_min=speeds), holds).pressate_solids
    assert thick > 20.0 * usual


def test_a_cake_too_thin_to_release_stays_on_the_belts_and_is_pressed_less_well():
    poor, perfect = with_machine(thin_cake_mm=2.2), with_machine(thin_cake_mm=0.05)
    speeds = {"pressure_belt_m_min": np.array([2.6, 8.0])}
    lost = cake_pct(perfect, **speeds) - cake_pct(poor, **speeds)
    assert lost[1] > 2.0 > lost[0] >= 0.0
    carried = [press_sludge(stretch_of(station, **speeds), station).wash_solids[1] for station in (poor, perfect)]
    assert carried[0] > carried[1]


# --- conditioning ---------------------------------------------------------------------------------------


def test_floc_is_weak_at_half_the_dose_level_on_the_plateau_and_hardly_weaker_beyond():
    strength = floc_strength(np.array([0.25, 0.5, 1.0, 1.1, 1.2, 1.6]), np.ones(6), SLUDGE)
    assert strength[0] < 0.2 < strength[1] < 0.7
    assert strength[2:5] == pytest.approx(1.0)
    assert 0.9 < strength[5] < 1.0


def test_polymer_without_its_dilution_water_is_spread_badly():
    quality = mixing_quality(np.array([1.6, 0.4, 0.0]), 1.6)
    assert quality[0] == 1.0 > quality[1] > quality[2] == pytest.approx(0.42)


# --- the slope of dryness against gravity belt speed -----------------------------------------------------


@pytest.mark.parametrize(("scenario", "sign"), [("edge-fast", 1.0), ("edge-slow", -1.0)])
def test_an_edge_scenario_wants_the_belt_faster_or_slower_than_it_is_ever_run(scenario, sign):
    for seed in range(4):
        household = draw_household(SCENARIOS[scenario], seed, 1)
        reach = np.exp(np.linspace(-household.crew.speed_spread, household.crew.speed_spread, 9))
        speeds = household.station.settings.gravity_belt_m_min * reach
        curve = response_curve(usual_conditions(household.station), speeds, household.station, household.prices)
        assert (sign * np.diff(curve["cost_per_dry_t"]) < 0.0).all()
        assert sign * (curve["cake_solids_pct"].iloc[-1] - curve["cake_solids_pct"].iloc[0]) > 0.5


@pytest.mark.parametrize("scenario", [name for name in SCENARIOS if not name.endswith("-bare")])
def test_dryness_rises_and_falls_with_speed_in_every_scenario_but_the_flat(scenario):
    household = draw_household(SCENARIOS[scenario], 2, 1)
    speeds = np.geomspace(2.0, 25.0, 60)
    curve = response_curve(usual_conditions(household.station), speeds, household.station, household.prices)
    slope = np.diff(curve["cake_solids_pct"])
    assert slope.max() > 0.0 > slope.min()
    best = best_speed(curve, Targets(0.0, 0.0))
    is_flat = SCENARIOS[scenario].optimum == "flat"
    assert (best.high_m_min / best.low_m_min > 2.5) == is_flat

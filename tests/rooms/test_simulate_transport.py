"""Sludge time in the invented press: plug flow and belt travel, through stops and speed changes."""

import numpy as np
import pytest
from simulated import STATION

from trendkit.simulate.transport import travel

STEP_S = 10.0
MACHINE = STATION.machine  # 1.2 m3, 4.2 m, 11 m


def steady(n=600, flow=24.0, gravity=6.0, pressure=2.5):
    return np.full(n, flow), np.full(n, gravity), np.full(n, pressure)


def test_the_way_takes_volume_over_flow_and_length_over_speed():
    way = travel(STEP_S, *steady(), MACHINE)
    into_gravity, into_pressure, out = way.onward(np.array([600.0]))
    assert into_gravity[0] == pytest.approx(600.0 + 1.2 / 24.0 * 3600.0, abs=0.01)
    assert into_pressure[0] - into_gravity[0] == pytest.approx(4.2 / 6.0 * 60.0, abs=0.01)
    assert out[0] - into_pressure[0] == pytest.approx(11.0 / 2.5 * 60.0, abs=0.01)


def test_looking_back_undoes_looking_onward():
    flow, gravity, pressure = steady()
    gravity[200:350] = 9.0
    flow[260:] = 15.0
    way = travel(STEP_S, flow, gravity, pressure, MACHINE)
    fed = np.linspace(300.0, 4000.0, 25)
    out = way.onward(fed)[2]
    assert np.allclose(way.fed_at(way.volume_at(out, 1.0, 1.0)), fed, atol=0.05)


def test_a_stop_adds_its_own_length():
    flow, gravity, pressure = steady()
    without = travel(STEP_S, flow, gravity, pressure, MACHINE).onward(np.array([900.0]))[2][0]
    for series in (flow, gravity, pressure):
        series[100:130] = 0.0  # five minutes
    stopped = travel(STEP_S, flow, gravity, pressure, MACHINE).onward(np.array([900.0]))[2][0]
    assert stopped - without == pytest.approx(300.0, abs=0.01)


def test_a_speed_change_counts_from_when_the_sludge_is_on_that_belt():
    flow, gravity, pressure = steady()
    pressure[:] = 2.5
    pressure[150:] = 5.0  # at 1500 s
    way = travel(STEP_S, flow, gravity, pressure, MACHINE)
    into_pressure = way.onward(np.array([1100.0]))[1][0]
    travelled = (1500.0 - into_pressure) / 60.0 * 2.5
    expected = 1500.0 + (11.0 - travelled) / 5.0 * 60.0
    assert way.onward(np.array([1100.0]))[2][0] == pytest.approx(expected, abs=0.05)


def test_nothing_has_come_before_the_tank_is_full():
    way = travel(STEP_S, *steady(), MACHINE)
    assert np.isnan(way.fed_at(way.volume_at(np.array([60.0]), 0.0, 0.0))).all()
    assert np.isfinite(way.fed_at(way.volume_at(np.array([600.0]), 1.0, 1.0))).all()


def test_what_is_fed_at_the_end_has_not_arrived():
    way = travel(STEP_S, *steady(n=100), MACHINE)
    assert np.isinf(way.onward(np.array([990.0]))[2]).all()

"""The crew: what they set on pumps and drives, why, and when.

Comes in: the runs and the feed as it will come. Goes out: setpoints on the grid. Habits range from never
touching the gravity belt to turning it after every look at the cake, which is what misleads a naive
regression.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from trendkit.simulate.best_speed import Conditions, steady_flows, usual_conditions
from trendkit.simulate.drivers import Feed, Streams
from trendkit.simulate.machine import Settings, Station
from trendkit.simulate.operation import THICKENING, Grid, Run
from trendkit.simulate.randomness import Array
from trendkit.simulate.stretch import sludge_density_kg_m3

SpeedHabit = Literal["untouched", "steady", "varied", "confounded", "step_test"]
LOOK_EVERY_S = 1800.0
BELIEF_NOISE = 0.03  # of the bench result the polymer is paced by
STEP_LEVELS = 5
STEP_HOLD_S = 4500.0
Row = tuple[float, float, float, float, float]  # from second on: feed, gravity, pressure, active polymer


@dataclass(frozen=True)
class Crew:
    """How a crew runs its press."""

    speed_habit: SpeedHabit = "varied"
    speed_spread: float = 0.25  # natural-log half width of the gravity speeds used
    flow_spread: float = 0.05
    pressure_spread: float = 0.04
    step_test_from_run: int = 4
    step_test_runs: int = 5


@dataclass
class _Set:
    """What is set at the moment, and what the crew believes and remembers."""

    feed_m3_h: float
    gravity_m_min: float
    pressure_m_min: float
    dose_kg_t: float
    believed_solids_pct: float
    usual_cake_pct: float
    gravity_held_until_s: float = 0.0


@dataclass(frozen=True)
class _Shift:
    """What a crew on shift goes by: its habits, the press, the feed as it comes, the belts as the eye finds them."""

    crew: Crew
    station: Station
    grid: Grid
    feed: Feed
    fouling: Array
    usual: Conditions
    rng: dict[str, np.random.Generator]

    @property
    def settings(self) -> Settings:
        """What the press is usually set to."""
        return self.station.settings

    def solids_pct(self, second: float) -> float:
        """Return the feed solids at a time [%]."""
        return float(self.feed.solids[self.grid_step(second)] * 100.0)

    def grid_step(self, second: float) -> int:
        """Return the step of the grid a time falls into."""
        return int(second // self.grid.step_s)

    def turned(self, what: str, spread: float) -> float:
        """Return a factor by which something is set off its usual value (natural-log spread)."""
        return float(np.exp(spread * self.rng[what].standard_normal()))


def crew_setpoints(
    grid: Grid,
    runs: tuple[Run, ...],
    feed: Feed,
    fouling: Array,
    crew: Crew,
    station: Station,
    streams: Streams,
) -> dict[str, Array]:
    """Return the setpoints of the crew on the grid.

    `fouling` is what the belts have as far as the crew's eye goes (used only for the cake they look at).
    """
    rng = {name: streams(f"crew {name}") for name in ("flow", "speed", "pressure", "belief", "free")}
    at = _Shift(crew, station, grid, feed, fouling, usual_conditions(station), rng)
    now = _begin(at)
    rows: list[Row] = []
    dewatering_runs = 0
    for run in runs:
        if run.mode == THICKENING:
            rows.append(_thickening_row(at, run, now))
            continue
        _begin_run(now, at)
        plan = _step_plan(run, dewatering_runs, at)
        dewatering_runs += 1
        second = run.start_s
        while second < run.feed_off_s:
            _look(now, second, run, plan, at)
            active = _active_g_m3(now.dose_kg_t, now.believed_solids_pct)
            rows.append((second, now.feed_m3_h, now.gravity_m_min, now.pressure_m_min, active))
            second = max(second, run.feed_on_s - LOOK_EVERY_S) + LOOK_EVERY_S
    return _on_grid(rows, grid)


def _begin(at: _Shift) -> _Set:
    settings = at.settings
    return _Set(
        settings.feed_flow_m3_h,
        settings.gravity_belt_m_min,
        settings.pressure_belt_m_min,
        settings.dose_kg_t,
        at.station.sludge.feed_solids_pct,
        _cake_pct(at.usual, settings.gravity_belt_m_min, at.station),
    )


def _thickening_row(at: _Shift, run: Run, now: _Set) -> Row:
    active = _active_g_m3(at.settings.thickening_dose_kg_t, at.solids_pct(run.feed_on_s))
    settings = at.settings
    return run.start_s, settings.thickening_feed_m3_h, settings.thickening_belt_m_min, now.pressure_m_min, active


def _on_grid(rows: list[Row], grid: Grid) -> dict[str, Array]:
    table = np.array(rows if rows else [(0.0, 1.0, 1.0, 1.0, 1.0)])
    position = np.clip(np.searchsorted(table[:, 0], grid.seconds, side="right") - 1, 0, None)
    names = ("feed_setpoint_m3_h", "gravity_setpoint_m_min", "pressure_setpoint_m_min", "active_g_m3")
    return {name: table[position, column + 1] for column, name in enumerate(names)}


def _active_g_m3(dose_kg_t: float, solids_pct: float) -> float:
    """Return active polymer per volume of feed [g/m3] for a dose on believed feed solids."""
    solids = solids_pct / 100.0
    return dose_kg_t * solids * float(sludge_density_kg_m3(np.array([solids]))[0])


def _begin_run(now: _Set, at: _Shift) -> None:
    settings, crew = at.settings, at.crew
    now.feed_m3_h = settings.feed_flow_m3_h * at.turned("flow", crew.flow_spread)
    now.pressure_m_min = round(settings.pressure_belt_m_min * at.turned("pressure", crew.pressure_spread), 2)
    if crew.speed_habit == "steady":
        now.gravity_m_min = round(settings.gravity_belt_m_min * at.turned("speed", 0.02), 2)


def _step_plan(run: Run, number: int, at: _Shift) -> list[tuple[float, float]]:
    """Return (from second, speed) of a step-test run: every level once, in random order; empty otherwise."""
    crew = at.crew
    last = crew.step_test_from_run + crew.step_test_runs
    if crew.speed_habit != "step_test" or not crew.step_test_from_run <= number < last:
        return []
    levels = np.exp(np.linspace(-crew.speed_spread, crew.speed_spread, STEP_LEVELS))
    order = at.rng["speed"].permutation(STEP_LEVELS)
    base = at.settings.gravity_belt_m_min
    return [
        (run.feed_on_s + 1800.0 + place * STEP_HOLD_S, round(base * float(levels[level]), 2))
        for place, level in enumerate(order)
    ]


def _look(now: _Set, second: float, run: Run, plan: list[tuple[float, float]], at: _Shift) -> None:
    """Take one look at the press and change what the crew's habit asks for."""
    settings, crew, rng = at.settings, at.crew, at.rng
    if run.feed_on_s + 3600.0 <= second < run.feed_on_s + 3600.0 + LOOK_EVERY_S:
        now.believed_solids_pct = at.solids_pct(second - 1800.0) * at.turned("belief", BELIEF_NOISE)
    if rng["flow"].random() < 0.08:
        now.feed_m3_h = settings.feed_flow_m3_h * at.turned("flow", crew.flow_spread)
    if crew.speed_habit == "varied" and second >= now.gravity_held_until_s:
        free = rng["speed"].uniform(-crew.speed_spread, crew.speed_spread)
        now.gravity_m_min = round(settings.gravity_belt_m_min * float(np.exp(free)), 2)
        now.gravity_held_until_s = second + rng["speed"].uniform(1.2, 3.5) * 3600.0
    elif crew.speed_habit == "step_test":
        now.gravity_m_min = _planned_speed(second, plan, settings.gravity_belt_m_min)
    elif crew.speed_habit == "confounded" and second > run.feed_on_s:
        _answer_feed_and_cake(now, second, at)


def _planned_speed(second: float, plan: list[tuple[float, float]], usual_m_min: float) -> float:
    """Return the gravity belt speed of a step test at a time; before and after its steps the usual one."""
    held = [speed for begins, speed in plan if second >= begins]
    is_over = bool(plan) and second >= plan[-1][0] + STEP_HOLD_S
    return held[-1] if held and not is_over else usual_m_min


def _answer_feed_and_cake(now: _Set, second: float, at: _Shift) -> None:
    """Turn speed, dose and pressure belt after the load, and after the cake that came off ten minutes ago."""
    station, feed, spread = at.station, at.feed, at.crew.speed_spread
    settings, free = at.settings, at.rng["free"]
    step = at.grid_step(max(second - 600.0, 0.0))
    solids_pct = float(feed.solids[step]) * 100.0
    seen = replace(
        at.usual,
        feed_flow_m3_h=now.feed_m3_h,
        feed_solids_pct=solids_pct,
        dose_kg_t=now.dose_kg_t * now.believed_solids_pct / solids_pct,
        pressure_belt_m_min=now.pressure_m_min,
        fouling=float(at.fouling[step]),
        quality=float(feed.quality[step]),
        optimum_factor=float(feed.optimum_factor[step]),
        resistance_factor=float(feed.resistance_factor[step]),
    )
    cake = _cake_pct(seen, now.gravity_m_min, station) + 0.3 * float(free.standard_normal())
    wetter = now.usual_cake_pct - cake
    now.usual_cake_pct += 0.05 * (cake - now.usual_cake_pct)
    load = now.feed_m3_h * solids_pct / (settings.feed_flow_m3_h * station.sludge.feed_solids_pct)
    lean = 0.9 * np.log(load) + 0.06 * np.clip(wetter, -2.0, 2.0) + 0.35 * spread * free.standard_normal()
    lean = float(np.clip(lean, -1.3 * spread, 1.3 * spread))
    if abs(np.log(now.gravity_m_min / settings.gravity_belt_m_min) - lean) > 0.04:
        now.gravity_m_min = round(settings.gravity_belt_m_min * float(np.exp(lean)), 2)
    now.dose_kg_t = settings.dose_kg_t * float(np.exp(np.clip(0.05 * wetter, -0.15, 0.15)))
    now.pressure_m_min = round(settings.pressure_belt_m_min * float(load**0.4), 2)


def _cake_pct(at: Conditions, gravity_m_min: float, station: Station) -> float:
    return 100.0 * float(steady_flows(at, np.array([gravity_m_min]), station).product[0])

"""One invented press lived through: schedule, feed, crew, events and the press itself, with and without the events.

Comes in: a household and a time grid. Goes out: `Lived`, the histories and true tables the files are written
from.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from trendkit.simulate.best_speed import Conditions, best_speed, response_curve
from trendkit.simulate.crew import crew_setpoints
from trendkit.simulate.disturbances import Event, effects_on_drivers, stopped_by
from trendkit.simulate.drivers import Feed, Streams, disturbed_feed, draw_drivers, draw_feed
from trendkit.simulate.family import Household
from trendkit.simulate.history import History, run_press
from trendkit.simulate.ledger import measured_upsets, natural_upsets
from trendkit.simulate.natural import natural_events, polymer_held
from trendkit.simulate.operation import Grid, Timeline, plan_runs, timeline_of
from trendkit.simulate.randomness import Array, wandering
from trendkit.simulate.truth_table import minute_table

CURVE_POINTS = 61
EXERCISED = (0.02, 0.98)  # quantiles of the pressing minutes' gravity speed


@dataclass(frozen=True)
class Lived:
    """One press over the whole simulation."""

    household: Household
    history: History
    table: pd.DataFrame  # true minutes
    upsets: pd.DataFrame
    other_events: pd.DataFrame
    turbidity_per_mg_l: Array


@dataclass(frozen=True)
class Life:
    """What is the same with and without events: runs, feed, and the random streams behind them."""

    household: Household
    grid: Grid
    timeline: Timeline
    feed: Feed
    streams: Streams
    turbidity_per_mg_l: Array


def begin_life(
    household: Household, grid: Grid, first_day: date, days: int, variation: float, streams: Streams
) -> Life:
    """Return the undisturbed plan and feed of a press."""
    runs = plan_runs(grid, first_day, days, household.routine, streams("runs"))
    timeline = timeline_of(grid, runs)
    feed = draw_feed(grid, timeline, household.station.sludge, variation, streams)
    optics = 0.85 * np.exp(0.06 * wandering(streams("turbidity"), grid.n, grid.step_s, 2.0 * 86400.0))
    return Life(household, grid, timeline, feed, streams, optics)


def live(life: Life, events: Sequence[Event], polymer_factor: Array | None = None) -> History:
    """Return the history of the press under the events; the same streams make the same noise every time.

    `polymer_factor` multiplies the polymer step by step, shape (n,).
    """
    grid, household = life.grid, life.household
    station = household.station
    extra = effects_on_drivers(grid, events)
    if polymer_factor is not None:
        extra["polymer_factor"] = extra.get("polymer_factor", np.ones(grid.n)) * polymer_factor
    timeline = stopped_by(grid, life.timeline, events)
    feed = disturbed_feed(life.feed, extra)
    seen_fouling = np.full(grid.n, 0.4)
    for attempt in range(2 if household.crew.speed_habit == "confounded" else 1):
        setpoints = crew_setpoints(grid, timeline.runs, feed, seen_fouling, household.crew, station, life.streams)
        drivers = draw_drivers(grid, timeline, feed, setpoints, extra)
        history = run_press(grid, drivers, station, life.streams)
        if attempt == 0:
            seen_fouling = history.fouling
    return history


def lived(life: Life, events: Sequence[Event]) -> Lived:
    """Return the press with its events, each of them measured against its absence.

    What goes wrong by itself is measured on the press without events and listed among the other events.
    """
    machine = life.household.station.machine

    def table_of(history: History) -> pd.DataFrame:
        return minute_table(history, machine, life.turbidity_per_mg_l)

    history = live(life, events)
    table = table_of(history)
    ledgers, others = [], []
    calm = live(life, ()) if events else history
    undisturbed = table_of(calm) if events else table
    if events:
        for layer in _layers(events):
            alone = table if len(layer) == len(events) else table_of(live(life, layer))
            upsets, other = measured_upsets(layer, alone, undisturbed, life.grid, life.household.prices)
            ledgers.append(upsets)
            others.append(other)
    else:
        empty = measured_upsets((), table, table, life.grid, life.household.prices)
        ledgers.append(empty[0])
        others.append(empty[1])
    natural = natural_events(calm, life.household.station)
    if natural:
        held = table_of(live(life, (), polymer_held(calm, life.household.station, natural)))
        others.append(natural_upsets(natural, undisturbed, held, life.grid, life.household.prices))
    return Lived(
        life.household,
        history,
        table,
        _in_order(ledgers),
        _in_order(others),
        life.turbidity_per_mg_l,
    )


def _in_order(frames: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    return pd.concat(filled, ignore_index=True).sort_values("start", kind="stable").reset_index(drop=True)


def _layers(events: Sequence[Event]) -> list[list[Event]]:
    """Return the events split into layers, at most one event a run in each, so that pairs can be told apart."""
    layers: list[list[Event]] = []
    for event in sorted(events, key=lambda event: event.start_s):
        for layer in layers:
            if layer[-1].end_s + 6.0 * 3600.0 < event.start_s:
                layer.append(event)
                break
        else:
            layers.append([event])
    return layers


def tuning_truth(lived_press: Lived) -> dict[str, object]:
    """Return the contract's truth on the best gravity belt speed, SI units."""
    table, household = lived_press.table, lived_press.household
    usual = table[(table["phase"] == "pressing") & (table["mode"] == "dewatering")]
    if usual.empty:
        return {"press": household.station.machine.slug, "best": None}
    at = _median_conditions(usual, lived_press)
    low, high = np.quantile(usual["gravity_belt_speed_m_min"], EXERCISED).tolist()
    speeds = np.linspace(low, max(high, low * 1.0001), CURVE_POINTS)
    curve = response_curve(at, speeds, household.station, household.prices)
    best = best_speed(curve, household.targets)
    wide = response_curve(at, np.geomspace(0.3 * low, 3.0 * high, 400), household.station, household.prices)
    return {
        "press": household.station.machine.slug,
        "best_gravity_belt_speed_m_min": best.speed_m_min,
        "low": best.low_m_min,
        "high": best.high_m_min,
        "is_inside_exercised": best.is_inside,
        "are_targets_met": best.are_targets_met,
        "best_anywhere_m_min": best_speed(wide, household.targets).speed_m_min,
        "exercised_m_min": [low, high],
        "conditions": at.__dict__,
        "curve": curve.round(6).to_dict(orient="records"),
    }


def _median_conditions(usual: pd.DataFrame, lived_press: Lived) -> Conditions:
    history = lived_press.history
    step = round(60.0 / history.grid.step_s)
    pressing = np.repeat((lived_press.table["phase"] == "pressing").to_numpy(), step)
    feed = history.drivers.feed

    def middle(column: str) -> float:
        return float(usual[column].median())

    # Load is feed times solids; the median load at the median solids fixes the flow.
    width = lived_press.household.station.machine.belt_width_m
    solids = middle("feed_solids_pct")
    density = 1000.0 / (1.0 - solids / 100.0 * (1.0 - 1000.0 / 1400.0))
    flow = middle("solids_loading_kg_h_m") * width / (density * solids / 100.0)
    return Conditions(
        feed_flow_m3_h=flow,
        feed_solids_pct=solids,
        dose_kg_t=middle("polymer_dose_kg_t"),
        pressure_belt_m_min=middle("pressure_belt_speed_m_min"),
        strength_pct=middle("polymer_strength_pct"),
        dilution_m3_h=middle("dilution_water_flow_m3_h"),
        tension_kn_m=middle("belt_tension_kn_m"),
        temperature_degc=middle("feed_temperature_degc"),
        washwater_m3_h=middle("washwater_flow_m3_h"),
        power_kw=middle("power_kw"),
        fouling=float(np.median(history.fouling[pressing])),
        quality=float(np.median(feed.quality[pressing])),
        optimum_factor=float(np.median(feed.optimum_factor[pressing])),
        resistance_factor=float(np.median(feed.resistance_factor[pressing])),
    )

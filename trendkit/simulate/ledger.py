"""What truly happened: each event measured against the same press on the same days without it.

Comes in: the true tables with and without events. Goes out: the upset ledger with the contract's columns.
Every event is judged by what it did, not by what was intended: one that moved no sign past the first severity
is no upset.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.simulate.disturbances import STOPS_MIN, Event
from trendkit.simulate.machine import Prices
from trendkit.simulate.operation import Grid
from trendkit.simulate.randomness import Array

COLUMNS = (
    *("press", "run", "start", "effect_start", "detected_at", "end", "kind", "kinds", "severity", "first_sign"),
    *("cause", "causes", "evidence", "lost_dry_solids_kg", "extra_cost"),
)
OTHER_COLUMNS = ("press", "what", "why", "start", "end", "severity")
STEADY_AGAIN_MIN = 15


@dataclass(frozen=True)
class Sign:
    """One sign of an upset: table column, direction, severity steps (points, or percent of undisturbed)."""

    kind: str  # "" for signs that are no kind of upset by themselves
    column: str
    role: str
    direction: int  # 1 up, -1 down, 0 either
    steps: tuple[float, float, float]
    needs: tuple[str, ...]  # roles that must be metered for it to be seen
    is_points: bool = False

    @property
    def is_of_one_meter(self) -> bool:
        """True for what a single meter shows; such signs can come first, a figure's are second-hand."""
        return len(self.needs) == 1

    def beyond(self, disturbed: Array, undisturbed: Array) -> Array:
        """Return how far the sign is out, in points or percent; NaN where either is missing."""
        gap = disturbed - undisturbed
        if not self.is_points:
            nothing = np.full(len(gap), np.nan)
            gap = np.divide(100.0 * gap, undisturbed, out=nothing, where=np.abs(undisturbed) > 1e-9)
        return np.abs(gap) if self.direction == 0 else gap * self.direction


def _own(kind: str, column: str, role: str, direction: int, steps: tuple[float, float, float]) -> Sign:
    return Sign(kind, column, role, direction, steps, (role,), is_points=column == "cake_solids_pct")


SPEED, WASH, PASSING = (8.0, 15.0, 30.0), (15.0, 30.0, 60.0), (10.0, 20.0, 40.0)
# Order is the contract's: the first kind that applies names the event. Steps: contract, section 3.
SIGNS = (
    _own("wet_cake", "cake_solids_pct", "cake_solids", -1, (1.0, 2.0, 4.0)),
    Sign("low_capture", "capture_pct", "filtrate_solids", -1, (1.5, 4.0, 8.0), ("filtrate_solids",), is_points=True),
    _own("ponding", "gravity_zone_depth_mm", "gravity_zone_depth", 1, (20.0, 40.0, 80.0)),
    Sign("overload", "solids_loading_kg_h_m", "feed_flow", 1, (5.0, 15.0, 30.0), ("feed_flow", "feed_solids")),
    _own("overload", "hydraulic_loading_m3_h_m", "feed_flow", 1, (5.0, 15.0, 30.0)),
    Sign("dose_off", "polymer_dose_kg_t", "polymer_flow", 0, WASH, ("polymer_flow", "feed_flow", "feed_solids")),
    _own("feed_swing", "feed_solids_pct", "feed_solids", 0, (15.0, 30.0, 50.0)),
    _own("belt_speed_off", "gravity_belt_speed_m_min", "gravity_belt_speed", 0, SPEED),
    _own("belt_speed_off", "pressure_belt_speed_m_min", "pressure_belt_speed", 0, SPEED),
    _own("washwater_low", "washwater_flow_m3_h", "washwater_flow", -1, WASH),
    _own("washwater_low", "washwater_pressure_kpa", "washwater_pressure", -1, WASH),
    _own("tension_low", "belt_tension_kn_m", "belt_tension", -1, (10.0, 20.0, 40.0)),
    _own("", "polymer_strength_pct", "polymer_strength", 0, WASH),
    _own("", "dilution_water_flow_m3_h", "dilution_water_flow", 0, WASH),
    _own("", "polymer_flow_l_h", "polymer_flow", 0, WASH),
    _own("", "feed_flow_m3_h", "feed_flow", 0, (10.0, 20.0, 40.0)),
    _own("", "feed_temperature_degc", "feed_temperature", 0, (6.0, 12.0, 24.0)),
    _own("", "pressure_drive_load_pct", "pressure_drive_load", 0, PASSING),
)
STOP_STEPS_MIN = (5.0, 20.0, 60.0)
# The role an event moves first by its nature; it wins when several signs leave their band in the same minute.
FIRST_ROLE = {
    "feed_thin": "feed_solids",
    "feed_thick": "feed_solids",
    "solids_overload": "feed_flow",
    "hydraulic_overload": "feed_flow",
    "sludge_change": "feed_temperature",
    "polymer_loss": "polymer_flow",
    "polymer_weak": "polymer_strength",
    "polymer_excess": "polymer_flow",
    "dilution_loss": "dilution_water_flow",
    "belt_blinding": "washwater_flow",
    "washwater_loss": "washwater_pressure",
    "gravity_belt_fast": "gravity_belt_speed",
    "gravity_belt_slow": "gravity_belt_speed",
    "pressure_belt_fast": "pressure_belt_speed",
    "pressure_belt_slow": "pressure_belt_speed",
    "belt_slip": "pressure_belt_speed",
    "tension_loss": "belt_tension",
}


def measured_upsets(
    events: Sequence[Event], disturbed: pd.DataFrame, undisturbed: pd.DataFrame, grid: Grid, prices: Prices
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the ledger of the events that were upsets, and a list of those that were none with the reason."""
    rows, others = [], []
    for event in events:
        row = None if event.is_look_alike else _measure(event, disturbed, undisturbed, grid, prices)
        if row is None:
            why = "look-alike" if event.is_look_alike else "too small to matter"
            others.append(
                {
                    "press": disturbed["press"].iloc[0],
                    "what": event.cause,
                    "why": why,
                    "start": grid.moment(event.start_s).floor("min"),
                    "end": grid.moment(event.end_s).ceil("min"),
                    "severity": 0,
                }
            )
        else:
            rows.append(row)
    extra = ["intended_severity", "ramp_min", "applied_from", "applied_until", "severity_by_need"]
    ledger = pd.DataFrame(rows, columns=[*COLUMNS, *extra])
    return ledger, pd.DataFrame(others, columns=list(OTHER_COLUMNS))


def natural_upsets(
    events: Sequence[Event], as_it_was: pd.DataFrame, held: pd.DataFrame, grid: Grid, prices: Prices
) -> pd.DataFrame:
    """Return those of the events nobody put in that were upsets by the contract's steps, as other events.

    `held` is the same press with the intended polymer during them: they are judged by what they did, like the others.
    """
    ledger, _ = measured_upsets(events, as_it_was, held, grid, prices)
    rows = ledger[["press", "cause", "start", "end", "severity"]].rename(columns={"cause": "what"})
    rows["why"] = "natural"
    return rows[list(OTHER_COLUMNS)]


def _measure(
    event: Event, disturbed: pd.DataFrame, undisturbed: pd.DataFrame, grid: Grid, prices: Prices
) -> dict[str, object] | None:
    begins = grid.moment(event.start_s).floor("min")
    first = disturbed.index.searchsorted(begins)
    run = disturbed["run"].iloc[first - 1]  # a long stop ends the run it happens in
    in_run = np.flatnonzero((disturbed["run"] == run).to_numpy())
    if run is None or not len(in_run):
        return None
    window = slice(int(first), max(int(in_run[-1]), int(first)) + 1)
    with_it, without = disturbed.iloc[window], undisturbed.iloc[window]
    found = _stop(event, with_it) if event.cause in STOPS_MIN else _signs(event, with_it, without)
    if found is None:
        return None
    cost, lost = _worth(with_it, without, prices)
    return {
        "press": disturbed["press"].iloc[0],
        "run": run,
        **found,
        "cause": event.cause,
        "causes": json.dumps([{"cause": event.cause, "weight": 1.0, "because": "applied", "check": ""}]),
        "lost_dry_solids_kg": round(lost, 2),
        "extra_cost": round(cost, 2),
        "intended_severity": event.severity,
        "ramp_min": round(event.ramp_s / 60.0, 1),
        "applied_from": begins,
        "applied_until": grid.moment(event.end_s).ceil("min"),
    }


def _stop(event: Event, with_it: pd.DataFrame) -> dict[str, object] | None:
    stopped_min = (event.end_s - event.start_s) / 60.0
    severity = sum(1 for step in STOP_STEPS_MIN if stopped_min >= step)
    if severity == 0:
        return None
    is_trip = event.cause == "belt_tracking"
    start = with_it.index[0]
    end = start + pd.Timedelta(minutes=float(np.ceil(stopped_min)))
    kinds = ["belt_trip", "press_stop"] if is_trip else ["press_stop"]
    return {
        "start": start,
        "effect_start": pd.NaT,
        "detected_at": start + pd.Timedelta(minutes=STOP_STEPS_MIN[0]),
        "end": end,
        "kind": kinds[0],
        "kinds": json.dumps(kinds),
        "severity": severity,
        "first_sign": "belt_trip" if is_trip else "running",
        "evidence": f"the press stood still for {stopped_min:.0f} min",
        "severity_by_need": json.dumps({"": severity}),
    }


def _signs(event: Event, with_it: pd.DataFrame, without: pd.DataFrame) -> dict[str, object] | None:
    both = ((with_it["phase"] == "pressing") & (without["phase"] == "pressing")).to_numpy()
    out: dict[Sign, Array] = {}
    for sign in SIGNS:
        gap = sign.beyond(with_it[sign.column].to_numpy(float), without[sign.column].to_numpy(float))
        out[sign] = np.where(both, gap, np.nan)
    worst = {sign: _worst_quarter_hour(gap) for sign, gap in out.items()}
    reached = {sign: sum(1 for step in sign.steps if worst[sign] >= step) for sign in SIGNS if sign.kind}
    if not any(reached.values()):
        return None
    told = {sign: _first(_trailing_mean(out[sign]) >= sign.steps[0]) for sign in reached if reached[sign]}
    left = {sign: _first(gap > 0.5 * sign.steps[0]) for sign, gap in out.items() if worst[sign] >= 0.5 * sign.steps[0]}
    first = _first_sign(event, left)
    effects = [left[sign] for sign in left if sign.kind in ("wet_cake", "low_capture")]
    index = with_it.index
    back = max(_last_out(out[sign], 0.5 * sign.steps[0]) for sign in left)
    evidence = [
        f"{sign.column} {worst[sign]:.1f} {'points' if sign.is_points else '%'} out"
        for sign in SIGNS
        if worst[sign] >= sign.steps[0]
    ]
    kinds = list(dict.fromkeys(sign.kind for sign in told))
    return {
        "start": index[left[first]],
        "effect_start": index[min(effects)] if effects else pd.NaT,
        "detected_at": index[min(told.values())],
        "end": index[min(back + STEADY_AGAIN_MIN, len(index) - 1)] + pd.Timedelta(minutes=1),
        "kind": kinds[0],
        "kinds": json.dumps(kinds),
        "severity": max(reached.values()),
        "first_sign": first.role,
        "evidence": "; ".join(evidence),
        "severity_by_need": json.dumps({" ".join(sign.needs): n for sign, n in reached.items() if n}),
    }


def _first_sign(event: Event, left: dict[Sign, int]) -> Sign:
    """Return the sign of a single meter that left its band first; the event's own wins a tie of a minute."""
    direct = {sign: minute for sign, minute in left.items() if sign.is_of_one_meter} or left
    earliest = min(direct.values())
    soonest = [sign for sign, minute in direct.items() if minute <= earliest + 1]
    own = [sign for sign in soonest if sign.role == FIRST_ROLE[event.cause]]
    return (own or soonest)[0]


def _trailing_mean(gap: Array, minutes: int = STEADY_AGAIN_MIN) -> Array:
    series = pd.Series(gap).rolling(minutes, min_periods=minutes).mean()
    return series.to_numpy()


def _worst_quarter_hour(gap: Array) -> float:
    means = _trailing_mean(gap)
    return float(np.nanmax(means)) if np.isfinite(means).any() else 0.0


def _first(mask: npt.NDArray[np.bool_]) -> int:
    return int(np.argmax(mask)) if mask.any() else len(mask) - 1


def _last_out(gap: Array, limit: float) -> int:
    """Return the minute before which the sign was last out, its first quiet quarter hour ending the event."""
    is_out = np.nan_to_num(gap) > limit
    if not is_out.any():
        return 0
    positions = np.flatnonzero(is_out)
    breaks = np.flatnonzero(np.diff(positions) > STEADY_AGAIN_MIN)
    # The longest stretch counts: a late flicker is another matter.
    groups = np.split(positions, breaks + 1)
    longest = max(groups, key=len)
    return int(longest[-1])


def _worth(with_it: pd.DataFrame, without: pd.DataFrame, prices: Prices) -> tuple[float, float]:
    """Return extra cost [USD] and further dry solids lost [kg] over the rest of the run."""

    def hourly(table: pd.DataFrame) -> tuple[float, float, float, float]:
        kept = float(table["dry_cake_kg_h"].sum()) / 60.0
        fed = float(table["feed_dry_solids_kg_h"].sum()) / 60.0
        wet = float(table["wet_cake_kg_h"].sum()) / 60.0
        active = float((table["polymer_flow_l_h"] * table["polymer_strength_pct"]).sum()) / 6000.0
        return kept, fed, wet, active

    kept, fed, wet, active = hourly(with_it)
    kept0, fed0, wet0, active0 = hourly(without)
    if kept <= 0.0 or kept0 <= 0.0 or fed0 <= 0.0:
        return 0.0, 0.0
    lost = (fed - kept) - (fed0 - kept0) * fed / fed0
    haul = (wet - wet0 * kept / kept0) / 1000.0 * prices.haul_per_t
    polymer = (active - active0 * fed / fed0) * prices.polymer_per_kg
    return haul + polymer + lost / 1000.0 * prices.solids_return_per_t, lost

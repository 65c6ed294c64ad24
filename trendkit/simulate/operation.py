"""When the press runs: shifts, starts, wash-downs, thickening shifts and stops, on a grid of seconds from the start."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.simulate.randomness import Array

DEWATERING, THICKENING = 1, 2
STEP_S = 10.0  # of the simulator


@dataclass(frozen=True)
class Routine:
    """The crew's week, in plant-local hours."""

    weekdays: tuple[int, ...] = (0, 1, 2, 3, 4)  # Monday is 0
    start_hour: float = 7.0
    hours: float = 9.0
    thickening_weekdays: tuple[int, ...] = ()
    thickening_start_hour: float = 19.0
    thickening_hours: float = 4.0
    pre_wet_min: float = 5.0  # belts and wash before the feed
    wash_down_min: float = 25.0  # belts and wash after it


@dataclass(frozen=True)
class Run:
    """One run as planned, in seconds from the start of the simulation."""

    start_s: float
    feed_on_s: float
    feed_off_s: float
    end_s: float
    mode: int


@dataclass(frozen=True)
class Grid:
    """The time grid of a simulation: `n` steps of `step_s` seconds from `start_utc`, the plant's zone beside it."""

    start_utc: pd.Timestamp
    n: int
    step_s: float
    timezone: str

    @property
    def seconds(self) -> Array:
        """Start of each step in seconds from `start_utc`, shape (n,)."""
        return np.arange(self.n, dtype=np.float64) * self.step_s

    @property
    def edges(self) -> Array:
        """Edges of the steps in seconds from `start_utc`, shape (n + 1,)."""
        return np.arange(self.n + 1, dtype=np.float64) * self.step_s

    def middle_of(self, steps: npt.NDArray[np.int64]) -> Array:
        """Return the middle of the given steps in seconds from `start_utc`."""
        return (steps.astype(np.float64) + 0.5) * self.step_s

    @property
    def middles(self) -> Array:
        """Middle of each step in seconds from `start_utc`, shape (n,)."""
        return self.middle_of(np.arange(self.n))

    def local_second(self, day: date, hour: float) -> float:
        """Return the seconds from the start to `hour` o'clock plant time on `day`."""
        wall = pd.Timestamp(day) + pd.Timedelta(hours=int(hour), minutes=round((hour % 1.0) * 60.0))
        moment = wall.tz_localize(self.timezone, ambiguous=True, nonexistent="shift_forward")
        return float((moment.tz_convert("UTC") - self.start_utc).total_seconds())

    def moment(self, second: float) -> pd.Timestamp:
        """Return the UTC moment `second` seconds after the start."""
        return self.start_utc + pd.Timedelta(seconds=second)

    def local_hours(self) -> Array:
        """Return the plant-local hour of day (0 to 24) of each step, shape (n,)."""
        index = pd.date_range(self.start_utc, periods=self.n, freq=pd.Timedelta(seconds=self.step_s))
        local = index.tz_convert(self.timezone)
        hours: Array = (local.hour + local.minute / 60.0 + local.second / 3600.0).to_numpy(dtype=np.float64)
        return hours


def make_grid(first_day: date, days: int, timezone: str, step_s: float = STEP_S) -> Grid:
    """Return the grid of `days` plant days from `first_day` at midnight plant time."""
    start = pd.Timestamp(first_day).tz_localize(timezone).tz_convert("UTC")
    end = (pd.Timestamp(first_day) + pd.Timedelta(days=days)).tz_localize(timezone).tz_convert("UTC")
    return Grid(start, round((end - start).total_seconds() / step_s), step_s, timezone)


@dataclass(frozen=True)
class Timeline:
    """What runs when; arrays of shape (n,), 1.0 or 0.0, `mode` in force or last in force (1, 2)."""

    runs: tuple[Run, ...]
    is_moving: Array
    is_feeding: Array  # the feed pump is asked for
    mode: Array
    is_tripped: Array


def plan_runs(grid: Grid, first_day: date, days: int, routine: Routine, rng: np.random.Generator) -> tuple[Run, ...]:
    """Return the runs of `days` plant days, in order; starts and ends vary by some minutes as crews do."""
    runs = []
    for number in range(days):
        day = first_day + timedelta(days=number)
        # Drawn for every day, pressed or not, so that a changed week does not shift the other days.
        jitter = rng.normal(0.0, 1.0, 4) * np.array([7.0, 18.0, 7.0, 10.0]) * 60.0
        shifts = [
            (routine.weekdays, routine.start_hour, routine.hours, DEWATERING, jitter[0], jitter[1]),
            (
                routine.thickening_weekdays,
                routine.thickening_start_hour,
                routine.thickening_hours,
                THICKENING,
                jitter[2],
                jitter[3],
            ),
        ]
        for weekdays, hour, hours, mode, early, longer in shifts:
            if day.weekday() not in weekdays:
                continue
            start = grid.local_second(day, hour) + early
            feed_on = start + routine.pre_wet_min * 60.0
            feed_off = feed_on + hours * 3600.0 + longer
            runs.append(Run(start, feed_on, feed_off, feed_off + routine.wash_down_min * 60.0, mode))
    end = grid.n * grid.step_s
    return tuple(run for run in runs if run.end_s <= end)


def timeline_of(grid: Grid, runs: tuple[Run, ...]) -> Timeline:
    """Return the undisturbed timeline of the planned runs."""
    seconds = grid.seconds
    moving, feeding, mode = np.zeros(grid.n), np.zeros(grid.n), np.full(grid.n, float(DEWATERING))
    for run in runs:
        moving[(seconds >= run.start_s) & (seconds < run.end_s)] = 1.0
        feeding[(seconds >= run.feed_on_s) & (seconds < run.feed_off_s)] = 1.0
        mode[seconds >= run.start_s - 120.0] = float(run.mode)
    return Timeline(runs, moving, feeding, mode, np.zeros(grid.n))


def with_stop(timeline: Timeline, grid: Grid, start_s: float, end_s: float, is_trip: bool) -> Timeline:
    """Return the timeline with the press stopped from `start_s` to `end_s`, by a trip or for another reason."""
    inside = (grid.seconds >= start_s) & (grid.seconds < end_s)
    # Feed comes back two minutes after the belts, when the crew has looked at them.
    without_feed = (grid.seconds >= start_s) & (grid.seconds < end_s + 120.0)
    tripped = np.where(inside & is_trip, 1.0, timeline.is_tripped)
    return replace(
        timeline,
        is_moving=np.where(inside, 0.0, timeline.is_moving),
        is_feeding=np.where(without_feed, 0.0, timeline.is_feeding),
        is_tripped=tripped,
    )

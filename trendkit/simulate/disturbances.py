"""What goes wrong on purpose: one event per cause of the contract, and look-alikes that are no upsets.

Comes in: the runs. Goes out: events, and the factors they put on the drivers. Sizes grow from mild to severe;
an event comes at once or as a ramp. What an event truly did is measured afterwards (`ledger`), never assumed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from trendkit.simulate.operation import DEWATERING, Grid, Run, Timeline, with_stop
from trendkit.simulate.randomness import Array

# cause -> driver -> factor (or amount) when mild, moderate, severe
EFFECTS: dict[str, dict[str, tuple[float, float, float]]] = {
    "feed_thin": {"solids_factor": (0.82, 0.72, 0.50)},
    "feed_thick": {"solids_factor": (1.11, 1.28, 1.55)},
    "solids_overload": {"feed_factor": (1.10, 1.18, 1.36), "solids_factor": (1.02, 1.04, 1.06)},
    "hydraulic_overload": {"feed_factor": (1.13, 1.25, 1.55), "solids_factor": (0.94, 0.88, 0.78)},
    "sludge_change": {
        "quality_factor": (0.965, 0.91, 0.85),
        "optimum_factor": (1.08, 1.25, 1.5),
        "resistance_factor": (1.18, 1.6, 2.4),
        "temperature_shift": (-2.0, -4.0, -7.0),
    },
    "polymer_loss": {"polymer_factor": (0.74, 0.62, 0.30)},
    "polymer_weak": {"strength_factor": (0.74, 0.62, 0.38)},
    "polymer_excess": {"polymer_factor": (1.20, 1.45, 2.1)},
    "dilution_loss": {"dilution_factor": (0.25, 0.08, 0.0)},
    "belt_blinding": {
        "extra_fouling_per_h": (0.25, 0.5, 2.5),
        "wash_flow_factor": (0.95, 0.90, 0.78),
        "wash_pressure_factor": (1.02, 1.05, 1.12),
    },
    "washwater_loss": {"wash_flow_factor": (0.80, 0.62, 0.20), "wash_pressure_factor": (0.72, 0.48, 0.10)},
    "gravity_belt_fast": {"gravity_factor": (1.13, 1.27, 1.9)},
    "gravity_belt_slow": {"gravity_factor": (0.88, 0.77, 0.55)},
    "pressure_belt_fast": {"pressure_factor": (1.13, 1.26, 1.65)},
    "pressure_belt_slow": {"pressure_factor": (0.89, 0.78, 0.6)},
    "belt_slip": {"pressure_slip": (0.89, 0.78, 0.6)},
    "tension_loss": {"tension_factor": (0.85, 0.72, 0.48)},
}
STOPS_MIN: dict[str, tuple[float, float, float]] = {
    "belt_tracking": (9.0, 32.0, 85.0),
    "unknown": (9.0, 32.0, 85.0),
}
CAUSES = (*EFFECTS, *STOPS_MIN)
SLOW_CAUSES = ("belt_blinding", "polymer_excess", "washwater_loss")  # need hours to show
RAMPING = (
    "feed_thin",
    "feed_thick",
    "sludge_change",
    "polymer_weak",
    "washwater_loss",
    "tension_loss",
    "belt_slip",
)
LOOK_ALIKES: dict[str, dict[str, float]] = {
    "planned feed reduction": {"feed_factor": 0.85},
    "wash in mid-run": {},
    "polymer trial": {"polymer_factor": 1.10},
    "planned speed change": {"gravity_setpoint_factor": 1.07},
}
SHIFTS = ("extra_fouling_per_h", "temperature_shift")  # added; all others multiply
RECOVERY_S = 240.0


@dataclass(frozen=True)
class Event:
    """One thing done to the press, in seconds from the start of the simulation."""

    cause: str  # of the contract, or the name of a look-alike
    start_s: float
    end_s: float
    ramp_s: float  # 0: at once
    severity: int  # intended, 1 to 3; what came of it is in the ledger
    is_look_alike: bool = False

    def profile(self, grid: Grid) -> Array:
        """Return how much of the event is in force at each step, 0 to 1."""
        seconds = grid.seconds
        rise = np.clip((seconds - self.start_s) / max(self.ramp_s, 1e-9), 0.0, 1.0)
        fall = np.clip((self.end_s + RECOVERY_S - seconds) / RECOVERY_S, 0.0, 1.0)
        return np.where(seconds < self.start_s, 0.0, np.minimum(rise, fall))


def effects_on_drivers(grid: Grid, events: Iterable[Event]) -> dict[str, Array]:
    """Return factor series by driver name for the events in force; drivers nobody touches are absent."""
    extra: dict[str, Array] = {}
    for event in events:
        profile = event.profile(grid)
        for driver, size in _sizes(event).items():
            if driver in SHIFTS:
                extra[driver] = extra.get(driver, np.zeros(grid.n)) + size * profile
            else:
                extra[driver] = extra.get(driver, np.ones(grid.n)) * (1.0 + (size - 1.0) * profile)
    return extra


def _sizes(event: Event) -> dict[str, float]:
    if event.is_look_alike:
        return LOOK_ALIKES[event.cause]
    return {driver: sizes[event.severity - 1] for driver, sizes in EFFECTS.get(event.cause, {}).items()}


def stopped_by(grid: Grid, timeline: Timeline, events: Iterable[Event]) -> Timeline:
    """Return the timeline with the stops of the events: trips, unexplained stops, washes in mid-run."""
    for event in events:
        if event.cause in STOPS_MIN:
            timeline = with_stop(timeline, grid, event.start_s, event.end_s, event.cause == "belt_tracking")
        elif event.cause == "wash in mid-run":
            inside = (grid.seconds >= event.start_s) & (grid.seconds < event.end_s)
            feeding = np.where(inside, 0.0, timeline.is_feeding)
            timeline = Timeline(timeline.runs, timeline.is_moving, feeding, timeline.mode, timeline.is_tripped)
    return timeline


def _lasting_s(cause: str, severity: int, rng: np.random.Generator) -> tuple[float, float]:
    """Return how long an event lasts and how long it takes to build up [s]."""
    if cause in STOPS_MIN:
        return STOPS_MIN[cause][severity - 1] * 60.0 * float(rng.uniform(0.8, 1.3)), 0.0
    slow = cause in SLOW_CAUSES
    lasts = float(rng.uniform(150.0, 260.0) if slow else rng.uniform(60.0, 170.0)) * 60.0
    is_ramp = cause in RAMPING and rng.random() < 0.5
    return lasts, float(rng.uniform(0.4, 0.7)) * lasts if is_ramp else 0.0


def draw_events(
    runs: tuple[Run, ...],
    per_run: float,
    look_alikes_per_run: float,
    share_overlapping: float,
    causes: tuple[str, ...],
    severities: tuple[int, ...],
    rng: np.random.Generator,
) -> tuple[Event, ...]:
    """Return events on dewatering runs: `per_run` upsets on average, one or an overlapping pair at most.

    Causes are dealt in shuffled rounds so that a long simulation holds every one of them.
    """
    events: list[Event] = []
    deck: list[str] = []
    for run in runs:
        room_s = run.feed_off_s - run.feed_on_s
        lot = rng.random(4)
        if run.mode != DEWATERING or room_s < 3.5 * 3600.0:
            continue
        if lot[0] < per_run:
            first = _place(_deal(deck, causes, rng), severities, run, room_s, rng)
            events.append(first)
            if lot[1] < share_overlapping:
                second = _place(_deal(deck, causes, rng), severities, run, room_s, rng)
                shift = first.start_s + 0.4 * (first.end_s - first.start_s) - second.start_s
                latest = run.feed_off_s - 900.0
                if second.cause != first.cause and second.end_s + shift < latest:
                    moved = (second.start_s + shift, second.end_s + shift)
                    events.append(Event(second.cause, *moved, second.ramp_s, second.severity))
        elif lot[2] < look_alikes_per_run:
            name = list(LOOK_ALIKES)[int(rng.integers(len(LOOK_ALIKES)))]
            begins = run.feed_on_s + float(rng.uniform(0.3, 0.55)) * room_s
            lasts = 1500.0 if name == "wash in mid-run" else float(rng.uniform(0.2, 0.35)) * room_s
            events.append(Event(name, begins, begins + lasts, 0.0, 1, is_look_alike=True))
    return tuple(events)


def _deal(deck: list[str], causes: tuple[str, ...], rng: np.random.Generator) -> str:
    if not deck:
        deck.extend(str(cause) for cause in rng.permutation(np.array(causes, dtype=object)))
    return deck.pop()


def _place(cause: str, severities: tuple[int, ...], run: Run, room_s: float, rng: np.random.Generator) -> Event:
    severity = severities[int(rng.integers(len(severities)))]
    lasts, ramp = _lasting_s(cause, severity, rng)
    lasts = min(lasts, 0.6 * room_s)
    earliest, latest = run.feed_on_s + 4500.0, run.feed_off_s - lasts - 900.0
    begins = float(rng.uniform(earliest, max(latest, earliest + 60.0)))
    return Event(cause, begins, min(begins + lasts, run.feed_off_s - 300.0), min(ramp, 0.8 * lasts), severity)

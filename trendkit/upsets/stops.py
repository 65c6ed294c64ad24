"""Trips and unplanned stops of a press, read from `belt_trip` and the phases.

Comes in: the figure table's frame. Goes out: one `Stop` per event with what the plant lost in pressing time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.upsets.watched import STOP_STEPS_MIN

RESTARTS_WITHIN = pd.Timedelta(hours=4)  # a later start is a new shift, not the end of a stop


@dataclass(frozen=True)
class Stop:
    """The press stopped while it was pressing; `end` is when it pressed again or the trip cleared. UTC."""

    kind: str  # belt_trip or press_stop
    start: pd.Timestamp
    end: pd.Timestamp
    run: str | None
    mode: str

    @property
    def severity(self) -> int:
        """0 to 3 by the contract's minutes."""
        return sum((self.end - self.start) >= pd.Timedelta(minutes=step) for step in STOP_STEPS_MIN)


def find_stops(frame: pd.DataFrame, every_s: int) -> list[Stop]:
    """Return the trips, and the stops that cut pressing short without a wash-down, of a figure table's frame.

    A stop counts when the press goes from pressing to stopped directly and is fed again in the same mode within four
    hours; a trip counts whatever follows. Without feed readings just before it, nobody can tell a stop from an end.
    """
    step = pd.Timedelta(seconds=every_s)
    phase = frame["phase"].to_numpy(dtype=object)
    tripped = (frame["belt_trip"].to_numpy(dtype=float) >= 0.5) if "belt_trip" in frame else np.zeros(len(frame), bool)
    stopped = phase == "stopped"
    feed_known = frame["feed_flow_m3_h"].notna().to_numpy()
    mode = frame["mode"].to_numpy(dtype=object)
    stops = []
    position = 0
    for first, last in _stretches(stopped | tripped):
        if first < position or first == 0:
            continue
        was_pressing = phase[first - 1] == "pressing" and feed_known[max(first - 3, 0) : first].any()
        is_trip = bool(tripped[max(first - 1, 0) : last].any())
        if not (was_pressing or is_trip):
            continue
        again = _fed_again(phase, last, round(RESTARTS_WITHIN / step) - (last - first))
        if (again is None or mode[again] != mode[first - 1]) and not is_trip:
            continue
        end = last if again is None else again
        start = frame.index[first]
        before = frame.iloc[first - 1]
        stop = Stop(
            "belt_trip" if is_trip else "press_stop",
            start,
            frame.index[end] if end < len(frame) else frame.index[-1] + step,
            before["run"],
            before["mode"] or "dewatering",
        )
        if stop.severity:
            stops.append(stop)
        position = end
    return stops


def _stretches(mask: np.ndarray) -> list[tuple[int, int]]:
    edges = np.diff(mask.astype(np.int8), prepend=0, append=0)
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def _fed_again(phase: np.ndarray, last: int, within: int) -> int | None:
    """Return the position at which the press is next starting or pressing, None when not soon enough."""
    ahead = phase[last : last + max(within, 0)]
    found = np.flatnonzero((ahead == "pressing") | (ahead == "starting"))
    return None if found.size == 0 else last + int(found[0])

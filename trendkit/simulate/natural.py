"""What goes wrong at a press that nobody put in: polymer paced by a grab that no longer holds.

Comes in: the undisturbed press. Goes out: stretches in which the sludge got as much too much or too little polymer as
after a mild `polymer_excess` or `polymer_loss`, as events to be measured like those put in, and the polymer that would
have kept the press at its intended dose. Decided from what the sludge truly was and truly got, before any meter.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from trendkit.simulate.disturbances import EFFECTS, Event
from trendkit.simulate.history import History, dose_ratio
from trendkit.simulate.machine import Station
from trendkit.simulate.operation import DEWATERING
from trendkit.simulate.phases import stretches
from trendkit.simulate.randomness import Array

TOO_MUCH = EFFECTS["polymer_excess"]["polymer_factor"][0]  # a mild one put in multiplies the polymer by as much
TOO_LITTLE = EFFECTS["polymer_loss"]["polymer_factor"][0]
LASTING_S = 900.0  # the contract judges means of 15 minutes
JOINED_S = 1800.0  # the contract: signs within 30 minutes are one upset


def polymer_need_met(history: History, station: Station) -> Array:
    """Return polymer over what this sludge needs, 1 at the intended dose on the usual sludge; NaN unless dewatering."""
    intended = station.settings.dose_kg_t / station.sludge.optimum_dose_kg_t
    ratio = dose_ratio(history.acting, history.drivers.feed, station.sludge) / intended
    is_on = (history.acting.feed_flow_m3_h > 0.0) & (history.drivers.timeline.mode == float(DEWATERING))
    return np.where(is_on, ratio, np.nan)


def natural_events(history: History, station: Station) -> tuple[Event, ...]:
    """Return the stretches in which polymer was off on a mean of `LASTING_S` as after a mild event, by start."""
    from scipy.ndimage import uniform_filter1d

    step_s = history.grid.step_s
    met = polymer_need_met(history, station)
    around = max(1, round(LASTING_S / step_s))
    events: list[Event] = []
    for first, end in stretches(~np.isnan(met)):
        if end - first <= around:
            continue
        mean = uniform_filter1d(met[first:end], around, mode="nearest")
        for cause, is_off in (("polymer_excess", mean >= TOO_MUCH), ("polymer_loss", mean <= TOO_LITTLE)):
            for begin, until in _joined(is_off, round(JOINED_S / step_s)):
                events.append(Event(cause, (first + begin) * step_s, (first + until) * step_s, 0.0, 1))
    return tuple(sorted(events, key=lambda event: event.start_s))


def _joined(is_off: npt.NDArray[np.bool_], gap: int) -> list[tuple[int, int]]:
    """Return the stretches of True, those with at most `gap` steps between them as one."""
    found = stretches(is_off)
    if not found:
        return []
    cuts = [0, *[place for place, (one, other) in enumerate(pairwise(found), 1) if other[0] - one[1] > gap], len(found)]
    return [(found[begin][0], found[end - 1][1]) for begin, end in pairwise(cuts)]


def polymer_held(history: History, station: Station, events: tuple[Event, ...]) -> Array:
    """Return the factor on the polymer that keeps the intended dose during the events, 1 elsewhere, shape (n,)."""
    met = polymer_need_met(history, station)
    factor = np.ones(history.grid.n)
    for event in events:
        inside = slice(round(event.start_s / history.grid.step_s), round(event.end_s / history.grid.step_s))
        factor[inside] = np.where(np.isnan(met[inside]), 1.0, 1.0 / met[inside])
    return factor

"""Signs and stops become events: gathered on sludge time, each explained by its likeliest cause.

Comes in: judged columns, signs and stops of one press and mode. Goes out: `Event`, one per upset.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from trendkit.upsets.causes import weigh
from trendkit.upsets.evidence import Evidence, gather_evidence, window_of
from trendkit.upsets.joint import find_joint
from trendkit.upsets.joint_signs import joint_signs
from trendkit.upsets.kinds import CLEAR, UNSEEN_KINDS, is_clear, is_more_than_expected, kinds_of
from trendkit.upsets.results import Cause
from trendkit.upsets.signs import Sign
from trendkit.upsets.stops import Stop
from trendkit.upsets.trials import JOIN, Scene, Trial, consequences, core, is_planned, likeliest_trial, span_of
from trendkit.upsets.watched import BY_NAME


@dataclass(frozen=True)
class Event:
    """Signs (and stops) that share a likeliest cause."""

    mode: str
    run: str | None
    signs: tuple[Sign, ...]
    stops: tuple[Stop, ...]
    causes: tuple[Cause, ...]
    evidence: dict[str, Evidence]
    kinds: dict[str, int]  # kind -> severity, none of severity 0
    accounted: frozenset[tuple[str, int]]  # (sign, side) the likeliest cause explains
    is_planned: bool = False

    @property
    def span(self) -> tuple[pd.Timestamp, pd.Timestamp]:
        """From when to when the sludge concerned was fed."""
        return span_of(self.signs, self.stops)

    @property
    def severity(self) -> int:
        """The worst severity of its kinds, 0 to 3."""
        return max(self.kinds.values(), default=0)


def gather_events(signs: Iterable[Sign], stops: Iterable[Stop], scene: Scene) -> list[Event]:
    """Return the events of one mode, by start."""
    events: list[Event] = []
    for group_signs, group_stops in _groups(list(signs), list(stops)):
        events += _explained(group_signs, group_stops, scene)
    return sorted(events, key=lambda event: event.span)


def joint_events(events: Sequence[Event], signs: Sequence[Sign], scene: Scene) -> list[Event]:
    """Return the events with those that show only in several columns together, by start.

    Looked for where no event was found. The cause that moved together must be the likeliest by the table, too.
    """
    found = list(events)
    fed = pd.to_datetime(scene.record.fed["feed"], utc=True)
    for joint in find_joint(scene):
        start, end = fed[joint.first], fed[joint.last - 1]
        run = scene.mode.judged.blocks["run"].iloc[joint.first]
        if any(start <= other.span[1] + JOIN and other.span[0] <= end + JOIN for other in found):
            continue
        near = [
            sign
            for sign in signs
            if sign.run == run and sign.feed_onset <= end + JOIN and sign.feed_end >= start - JOIN
        ]
        moved = [sign for sign in joint_signs(joint, scene) if not any(_tells(other, sign) for other in near)]
        if not near and not moved:
            continue
        event = _likeliest([*near, *moved], [], scene, frozenset())
        cause = event.causes[0].cause
        is_same = cause == joint.cause.partition("/")[0] and cause not in UNSEEN_KINDS
        if is_same and event.severity and not event.is_planned and is_more_than_expected(event.signs, event.stops):
            found.append(event)
    return sorted(found, key=lambda event: event.span)


def _tells(sign: Sign, other: Sign) -> bool:
    overlap = sign.feed_onset < other.feed_end and other.feed_onset < sign.feed_end
    return overlap and (sign.name, sign.side) == (other.name, other.side)


def _groups(signs: list[Sign], stops: list[Stop]) -> list[tuple[list[Sign], list[Stop]]]:
    """Chain signs and stops of one run that lie within 30 minutes of each other on sludge time."""
    items: list[tuple[pd.Timestamp, pd.Timestamp, str | None, Sign | Stop]] = []
    items += [(sign.feed_onset, sign.feed_end, sign.run, sign) for sign in signs]
    items += [(stop.start, stop.end, stop.run, stop) for stop in stops]
    items.sort(key=lambda item: (item[2] or "", item[0]))
    groups: list[tuple[list[Sign], list[Stop]]] = []
    reach: pd.Timestamp | None = None
    run: str | None = None
    for start, end, item_run, item in items:
        if reach is None or item_run != run or start > reach + JOIN:
            groups.append(([], []))
            reach, run = end, item_run
        reach = max(reach, end)
        if isinstance(item, Sign):
            groups[-1][0].append(item)
        else:
            groups[-1][1].append(item)
    return groups


def _explained(signs: list[Sign], stops: list[Stop], scene: Scene) -> list[Event]:
    """Return the events of one group: the likeliest cause takes its signs, what is left is judged again."""
    continuous = _continuous(scene)
    events: list[Event] = []
    aside: frozenset[str] = frozenset()
    while stops or any(_calls_for_judgement(sign) for sign in signs):
        event = _likeliest(signs, stops, scene, aside)
        if (
            event.severity
            and not event.is_planned
            and is_more_than_expected(event.signs, event.stops)
            and is_clear(event.signs, event.stops, event.accounted, event.kinds, continuous, event.causes[0].cause)
        ):
            events = _with(events, event, scene)
        # What one event explains neither speaks for nor against the causes of the next.
        aside |= {sign.name for sign in event.signs}
        taken = {id(sign) for sign in event.signs}
        left = [sign for sign in signs if id(sign) not in taken]
        stops_left = [stop for stop in stops if stop not in event.stops]
        if len(left) == len(signs) and len(stops_left) == len(stops):
            break
        signs, stops = left, stops_left
    return events


def _continuous(scene: Scene) -> list[str]:
    """Return the columns a meter makes; capture is none while its filtrate rests on grabs."""
    columns = scene.mode.columns
    named = [name for name, column in columns.items() if not column.is_sampled]
    has_meter = "filtrate_solids" in named
    return [name for name in named if name != "capture" or has_meter]


def _calls_for_judgement(sign: Sign) -> bool:
    return bool(sign.severity) or (sign.z >= CLEAR and not BY_NAME[sign.name].is_check)


def _with(events: list[Event], event: Event, scene: Scene) -> list[Event]:
    """Return the events with one more; joined to one within 30 minutes that has the same likeliest cause."""
    start, end = event.span
    for position, other in enumerate(events):
        begun, ended = other.span
        is_near = start <= ended + JOIN and begun <= end + JOIN
        if is_near and event.causes[0].cause == other.causes[0].cause:
            signs, stops = [*other.signs, *event.signs], [*other.stops, *event.stops]
            joined = _event(signs, stops, other.causes, other.accounted, scene)
            return [*events[:position], joined, *events[position + 1 :]]
    return [*events, event]


def _likeliest(signs: list[Sign], stops: list[Stop], scene: Scene, aside: frozenset[str]) -> Event:
    best, scores = likeliest_trial(signs, stops, scene, aside)
    causes = weigh([score for score in scores if not is_planned(score.cause)])
    if best is None:
        return _unknown(signs, stops, causes, scene)
    return _of_trial(best, signs, causes, scene)


def _of_trial(trial: Trial, signs: list[Sign], causes: tuple[Cause, ...], scene: Scene) -> Event:
    accounted = frozenset((row.sign, row.side) for row in trial.rows if row.rule != "not")
    joined = [*trial.signs, *consequences(signs, trial)]
    return _event(joined, list(trial.stops), causes, accounted, scene, is_planned(trial.score.cause))


def _event(
    signs: list[Sign],
    stops: list[Stop],
    causes: tuple[Cause, ...],
    accounted: frozenset[tuple[str, int]],
    scene: Scene,
    planned: bool = False,
) -> Event:
    start, end = span_of(signs, stops)
    window = window_of(scene.record, start, end)
    return Event(
        mode=scene.mode.judged.mode,
        run=signs[0].run if signs else stops[0].run,
        signs=tuple(signs),
        stops=tuple(stops),
        causes=causes,
        evidence=gather_evidence(scene.record, signs, start, end),
        # Without a cause nothing ties cake and filtrate to these signs but their own.
        kinds=kinds_of(signs, stops, causes[0].cause, scene.record, window if accounted else None),
        accounted=accounted,
        is_planned=planned,
    )


def _unknown(signs: list[Sign], stops: list[Stop], causes: tuple[Cause, ...], scene: Scene) -> Event:
    signs = [sign for sign in signs if not BY_NAME[sign.name].is_check]
    if not stops:
        return _event(core(signs, []), [], causes, frozenset(), scene)
    stop = stops[0]
    near = [sign for sign in signs if stop.start - JOIN <= sign.feed_onset <= stop.end + JOIN]
    return _event(near, [stop], causes, frozenset(), scene)

"""Signs and stops become events: gathered on sludge time, each explained by its likeliest cause.

Comes in: judged columns, signs and stops of one press and mode. Goes out: `Event`, one per upset.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import pandas as pd

from trendkit.upsets.causes import UNKNOWN_LOG_ODDS, Row, Score, Signatures, is_measurable, score_cause, weigh
from trendkit.upsets.evidence import Evidence, Record, gather_evidence, window_of, worst_change
from trendkit.upsets.results import Cause
from trendkit.upsets.signs import JudgedMode, Sign
from trendkit.upsets.stops import Stop
from trendkit.upsets.watched import BY_NAME

CLEAR, UNMISTAKABLE = 4.0, 5.5  # spreads
JOIN = pd.Timedelta(minutes=30)  # the contract: signs within 30 min in feed time that share the likeliest cause


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
    def feed_start(self) -> pd.Timestamp:
        """When the first sludge concerned was fed."""
        return _span(list(self.signs), list(self.stops))[0]

    @property
    def severity(self) -> int:
        """The worst severity of its kinds, 0 to 3."""
        return max(self.kinds.values(), default=0)


@dataclass(frozen=True)
class Scene:
    """What an event is judged in: the mode's columns, other changes, the signature table."""

    mode: JudgedMode
    record: Record
    measured: frozenset[str]
    source_changes: tuple[pd.Timestamp, ...]  # when another tank or digester was put on
    table: Signatures


def gather_events(signs: Iterable[Sign], stops: Iterable[Stop], scene: Scene) -> list[Event]:
    """Return the events of one mode, by start."""
    events: list[Event] = []
    for group_signs, group_stops in _groups(list(signs), list(stops)):
        events += _explained(group_signs, group_stops, scene)
    return sorted(events, key=lambda event: event.feed_start)


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
    events = []
    while stops or any(sign.severity or sign.z >= CLEAR for sign in signs):
        event = _likeliest(signs, stops, scene)
        if event.severity and not event.is_planned and is_clear(event):
            events.append(event)
        taken = {id(sign) for sign in event.signs}
        left = [sign for sign in signs if id(sign) not in taken]
        stops_left = [stop for stop in stops if stop not in event.stops]
        if len(left) == len(signs) and len(stops_left) == len(stops):
            break
        signs, stops = left, stops_left
    return events


def _likeliest(signs: list[Sign], stops: list[Stop], scene: Scene) -> Event:
    trials = []
    for rows in scene.table.values():
        if not is_measurable(rows, scene.measured):
            continue
        sides = {(row.sign, row.side) for row in rows if row.rule != "not" and row.side}
        own = [sign for sign in signs if (sign.name, sign.side) in sides]
        own_stops = [stop for stop in stops if (stop.kind, 1) in sides]
        own = _core(own, own_stops)
        if own or own_stops:
            trials.append((_scored(rows, own, own_stops, scene), own, own_stops))
    if not trials:
        return _unknown(signs, stops, scene)
    best = max(trials, key=lambda trial: trial[0].log_odds)
    causes = weigh([score for score, _, _ in trials if not _is_planned(score.cause)])
    if best[0].log_odds < UNKNOWN_LOG_ODDS:
        return replace(_unknown(signs, stops, scene), causes=causes)
    likeliest, own, own_stops = best
    start, end = _span(own, own_stops)
    joined = own + [sign for sign in signs if sign not in own and _is_consequence(sign, start, end)]
    rows = scene.table[likeliest.cause]
    accounted = frozenset((row.sign, row.side) for row in rows if row.rule != "not")
    return _event(joined, own_stops, causes, accounted, scene, _is_planned(likeliest.cause))


def _event(
    signs: list[Sign],
    stops: list[Stop],
    causes: tuple[Cause, ...],
    accounted: frozenset[tuple[str, int]],
    scene: Scene,
    is_planned: bool = False,
) -> Event:
    start, end = _span(signs, stops)
    return Event(
        mode=scene.mode.judged.mode,
        run=signs[0].run if signs else stops[0].run,
        signs=tuple(signs),
        stops=tuple(stops),
        causes=causes,
        evidence=gather_evidence(scene.record, signs, start, end),
        kinds=_kinds(signs, stops, scene.record, start, end),
        accounted=accounted,
        is_planned=is_planned,
    )


def _span(signs: list[Sign], stops: list[Stop]) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return from when to when the sludge concerned was fed."""
    start = min([sign.feed_onset for sign in signs] + [stop.start for stop in stops])
    return start, max([sign.feed_end for sign in signs] + [stop.end for stop in stops])


def _kinds(
    signs: list[Sign], stops: list[Stop], record: Record, start: pd.Timestamp, end: pd.Timestamp
) -> dict[str, int]:
    """Return the kinds of an event with their severities.

    What came out of the press counts whatever the reason, and an input that made a sign in any of its columns
    counts in all of them: both are held against the same run just before.
    """
    worst = {stop.kind: stop.severity for stop in stops}
    groups = {BY_NAME[sign.name].group for sign in signs}
    sides = {BY_NAME[sign.name].group: sign.side for sign in signs}
    window = window_of(record, start, end)
    for sign in signs:
        kind = BY_NAME[sign.name].kind
        if kind is not None:
            worst[kind] = max(worst.get(kind, 0), sign.severity)
    for name in record.names:
        watched = BY_NAME[name]
        if watched.kind is None or not (watched.is_effect or watched.group in groups):
            continue
        side = {"up": 1, "down": -1}.get(watched.side) or sides[watched.group]
        change = worst_change(record, name, window, side)
        if change == change:
            worst[watched.kind] = max(worst.get(watched.kind, 0), watched.severity(change, side))
    return {kind: severity for kind, severity in worst.items() if severity}


def _is_planned(cause: str) -> bool:
    """Causes so named explain signs that are somebody's intention and no upset."""
    return cause.startswith("planned_")


def is_clear(event: Event) -> bool:
    """Return whether an event is beyond doubt: one unmistakable sign, or two clear ones of different roles.

    One column a little out of its band, with nothing else moving, is what a month of sludge does by itself.
    """
    if event.stops:
        return True
    told = [sign for sign in event.signs if (sign.name, sign.side) in event.accounted]
    clear = {BY_NAME[sign.name].group for sign in told or event.signs if sign.z >= CLEAR}
    return len(clear) >= 2 or any(sign.z >= UNMISTAKABLE for sign in told or event.signs)


def _is_consequence(sign: Sign, start: pd.Timestamp, end: pd.Timestamp) -> bool:
    """Cake, filtrate and evidence-only signs that overlap an event belong to it; other inputs may not."""
    overlaps = sign.feed_onset <= end + JOIN and sign.feed_end >= start
    return overlaps and (BY_NAME[sign.name].is_effect or sign.severity == 0) and sign.feed_onset >= start - JOIN


def _core(signs: list[Sign], stops: list[Stop]) -> list[Sign]:
    """Return the signs around the weightiest one that chain on sludge time."""
    if not signs:
        return []
    drivers = [sign for sign in signs if not BY_NAME[sign.name].is_effect]
    heaviest = max(drivers or signs, key=lambda sign: (sign.severity, sign.z))
    start, end = heaviest.feed_onset, heaviest.feed_end
    for stop in stops:
        start, end = min(start, stop.start), max(end, stop.end)
    return [sign for sign in signs if start - JOIN <= sign.feed_onset <= end + JOIN]


def _scored(rows: tuple[Row, ...], signs: list[Sign], stops: list[Stop], scene: Scene) -> Score:
    start, end = _span(signs, stops)
    evidence = gather_evidence(scene.record, signs, start, end)
    effects = [sign.feed_onset for sign in signs if BY_NAME[sign.name].is_effect]
    effect_onset = min(effects) if effects else None
    for stop in stops:
        evidence[stop.kind] = Evidence(stop.kind, 1.0, 0.0, 0.0, stop.start, "step")
    for moment in scene.source_changes:
        if start - JOIN <= moment <= end:
            evidence["feed_source"] = Evidence("feed_source", 1.0, 0.0, 0.0, moment, "step")
    return score_cause(rows, evidence, effect_onset)


def _unknown(signs: list[Sign], stops: list[Stop], scene: Scene) -> Event:
    if stops:
        stop = stops[0]
        near = [sign for sign in signs if stop.start - JOIN <= sign.feed_end and sign.feed_onset <= stop.end + JOIN]
        chosen, chosen_stops = near, [stop]
    else:
        chosen, chosen_stops = _core(signs, []), []
    return _event(chosen, chosen_stops, weigh([]), frozenset(), scene)

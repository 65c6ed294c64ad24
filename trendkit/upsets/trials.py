"""Each known cause tried on a group of signs: which of them it takes, and how well it explains what was measured.

Comes in: signs and stops of one run, the scene they are judged in. Goes out: the likeliest trial, and every score.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from trendkit.upsets.causes import NO_UPSET, UNKNOWN_LOG_ODDS, Row, Score, Signatures, is_measurable, score_cause
from trendkit.upsets.evidence import Evidence, Record, gather_evidence
from trendkit.upsets.judging import JudgedMode
from trendkit.upsets.signs import Sign
from trendkit.upsets.stops import Stop
from trendkit.upsets.watched import BY_NAME

JOIN = pd.Timedelta(minutes=30)  # the contract: signs within 30 min in feed time that share the likeliest cause


@dataclass(frozen=True)
class Scene:
    """What events are judged in: the mode's columns, other changes, the signature table."""

    mode: JudgedMode
    record: Record
    measured: frozenset[str]
    source_changes: tuple[pd.Timestamp, ...]  # when another tank or digester was put on
    table: Signatures


@dataclass(frozen=True)
class Trial:
    """One cause with the signs and stops it takes."""

    score: Score
    rows: tuple[Row, ...]
    signs: tuple[Sign, ...]
    stops: tuple[Stop, ...]


def is_planned(cause: str) -> bool:
    """Return whether a cause of the table explains signs that are no upset: somebody's intention, or a meter."""
    return cause.startswith(NO_UPSET)


def span_of(signs: Sequence[Sign], stops: Sequence[Stop]) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return from when to when the sludge concerned was fed."""
    start = min([sign.feed_onset for sign in signs] + [stop.start for stop in stops])
    return start, max([sign.feed_end for sign in signs] + [stop.end for stop in stops])


def likeliest_trial(
    signs: Sequence[Sign], stops: Sequence[Stop], scene: Scene, aside: frozenset[str]
) -> tuple[Trial | None, list[Score]]:
    """Return the trial with the highest log-odds, None when "unknown" beats them all, and the scores of all.

    `aside` names columns another event of the same group has explained.
    """
    trials = []
    for rows in scene.table.values():
        if not is_measurable(rows, scene.measured):
            continue
        sides = {(row.sign, row.side) for row in rows if row.rule != "not" and row.side}
        own_stops = [stop for stop in stops if (stop.kind, 1) in sides]
        own = core([sign for sign in signs if (sign.name, sign.side) in sides], own_stops)
        if own or own_stops:
            score = _scored(rows, own, own_stops, inputs_beside(own, own_stops, signs), scene, aside)
            trials.append(Trial(score, rows, tuple(own), tuple(own_stops)))
    scores = [trial.score for trial in trials]
    best = max(trials, key=lambda trial: trial.score.log_odds, default=None)
    if best is not None and best.score.log_odds < UNKNOWN_LOG_ODDS:
        best = None
    return best, scores


def core(signs: Sequence[Sign], stops: Sequence[Stop]) -> list[Sign]:
    """Return the signs around the weightiest one that began with it or during it, on sludge time."""
    if not signs:
        return []
    inputs = [sign for sign in signs if not BY_NAME[sign.name].is_effect]
    heaviest = max(inputs or signs, key=lambda sign: (sign.severity, sign.z))
    start, end = heaviest.feed_onset, heaviest.feed_end
    for stop in stops:
        start, end = min(start, stop.start), max(end, stop.end)
    return [sign for sign in signs if start - JOIN <= sign.feed_onset <= end + JOIN]


def consequences(signs: Sequence[Sign], trial: Trial) -> list[Sign]:
    """Return the signs that began with a trial's signs or during them and go with them.

    Those of worse cake, filtrate or ponding, and those that tell of an input of the trial in other figures.
    """
    start, end = span_of(trial.signs, trial.stops)
    inputs = {(BY_NAME[sign.name].group, sign.side) for sign in trial.signs if not BY_NAME[sign.name].is_effect}
    found = []
    for sign in signs:
        watched = BY_NAME[sign.name]
        goes_with = (watched.group, sign.side) in inputs or (watched.is_effect and sign.side == watched.worse)
        if goes_with and sign not in trial.signs and start - JOIN <= sign.feed_onset <= end + JOIN:
            found.append(sign)
    return found


def inputs_beside(own: Sequence[Sign], stops: Sequence[Stop], signs: Sequence[Sign]) -> list[Sign]:
    """Return the signs of inputs a cause does not take that left their band beside its own signs.

    They may be over long before the cake is back: over the whole span such an input looks as usual.
    """
    start, end = span_of(own, stops)
    beside = [sign for sign in signs if sign not in own and not BY_NAME[sign.name].is_effect]
    return [sign for sign in beside if sign.feed_onset <= end and sign.feed_end >= start - JOIN]


def _scored(
    rows: tuple[Row, ...],
    signs: Sequence[Sign],
    stops: Sequence[Stop],
    beside: Sequence[Sign],
    scene: Scene,
    aside: frozenset[str],
) -> Score:
    start, end = span_of(signs, stops)
    own = {sign.name for sign in signs}
    evidence = {
        name: seen
        for name, seen in gather_evidence(scene.record, [*signs, *beside], start, end).items()
        if name in own or name not in aside or BY_NAME[name].is_effect
    }
    effects = [sign.feed_onset for sign in signs if BY_NAME[sign.name].is_effect]
    for stop in stops:
        evidence[stop.kind] = Evidence(stop.kind, 1.0, 0.0, 0.0, stop.start, "step")
    for moment in scene.source_changes:
        if start - JOIN <= moment <= end:
            evidence["feed_source"] = Evidence("feed_source", 1.0, 0.0, 0.0, moment, "step")
    return score_cause(rows, evidence, min(effects) if effects else None)

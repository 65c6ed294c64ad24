"""The upset ledger: every event of one press with its kind, severity, causes, evidence and cost.

Comes in: the figure table and the data faults of one press. Goes out: `Upset` rows and the table of them.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

import pandas as pd

from trendkit.findings import Finding
from trendkit.plant.model import Plant, Press
from trendkit.press.results import FigureTable
from trendkit.upsets.blocks import faulty_names, judged_minutes
from trendkit.upsets.causes import Signatures, missing_tests, rows_of, signatures
from trendkit.upsets.events import Event, gather_events, joint_events
from trendkit.upsets.evidence import record_of, sized
from trendkit.upsets.judging import JudgedMode, judge_mode
from trendkit.upsets.losses import Loss, extra_cost, lost_dry_solids
from trendkit.upsets.results import Upset
from trendkit.upsets.signs import Sign
from trendkit.upsets.stops import find_stops
from trendkit.upsets.trials import Scene
from trendkit.upsets.watched import BY_NAME, KIND_ORDER

COLUMNS = (
    "press",
    "run",
    "start",
    "effect_start",
    "detected_at",
    "end",
    "kind",
    "kinds",
    "severity",
    "first_sign",
    "cause",
    "causes",
    "evidence",
    "lost_dry_solids_kg",
    "lost_dry_solids_kg_low",
    "lost_dry_solids_kg_high",
    "extra_cost",
    "extra_cost_low",
    "extra_cost_high",
)
SURE = 0.6  # weight from which the likeliest cause needs no list of what could not be ranked
UNDATED = pd.Timedelta(minutes=30)  # how much earlier than its cause an effect may seem to begin
SAME_MOMENT = pd.Timedelta(minutes=6)  # onsets this close are not told apart; the input then goes before the effect


def find_upsets(
    table: FigureTable,
    press: Press,
    plant: Plant,
    findings: Iterable[Finding],
    table_of_causes: Signatures | None = None,
    judged: Sequence[JudgedMode] | None = None,
) -> list[Upset]:
    """Return the upsets of one press over the span of its figure table, by start.

    Data faults are decided first: what they spoil is not judged, and an upset they overlap says so. Causes
    are ranked by `table_of_causes`, the packaged signature table when None. `judged` is what `judge` made of
    the same table, when the caller has it already.
    """
    findings = tuple(findings)
    causes = table_of_causes if table_of_causes is not None else signatures()
    stops = find_stops(table.frame, table.every_s)
    found = []
    for mode in judged if judged is not None else judge(table, press, plant, findings):
        scene = _scene(mode, table.frame, causes)
        own_stops = [stop for stop in stops if stop.mode == mode.judged.mode]
        events = gather_events(mode.signs, own_stops, scene)
        for event in joint_events(events, mode.signs, scene):
            found.append(_upset(event, scene, table, press, plant, findings))
    return sorted(found, key=lambda upset: (upset.start, upset.kind))


def judge(table: FigureTable, press: Press, plant: Plant, findings: Iterable[Finding]) -> tuple[JudgedMode, ...]:
    """Return, per mode that was run, every watched column held against its normal and its targets.

    The work of `find_upsets` and of `account_for_day` alike: done once for both.
    """
    minutes = judged_minutes(table, press, plant, tuple(findings))
    return tuple(judge_mode(each, press, plant.timezone) for each in minutes)


def _scene(mode: JudgedMode, frame: pd.DataFrame, causes: Signatures) -> Scene:
    measured = set(mode.columns)
    changes: tuple[pd.Timestamp, ...] = ()
    if frame["belt_trip"].notna().any():
        measured.add("belt_trip")
    if frame["feed_source"].notna().any():
        measured.add("feed_source")
        source = frame["feed_source"].dropna()
        changes = tuple(source.index[(source != source.shift()) & source.shift().notna()])
    return Scene(mode, record_of(mode), frozenset(measured), changes, causes)


def _upset(
    event: Event,
    scene: Scene,
    table: FigureTable,
    press: Press,
    plant: Plant,
    findings: tuple[Finding, ...],
) -> Upset:
    kinds = tuple(kind for kind in KIND_ORDER if kind in event.kinds)
    start = _start(event)
    end = max([sign.end for sign in event.signs] + [stop.end for stop in event.stops])
    effects = [sign.onset for sign in event.signs if BY_NAME[sign.name].is_effect and sign.name != "zone_depth"]
    rows = table.frame.loc[(table.frame.index >= start) & (table.frame.index < end)]
    rows = rows[rows["phase"] == "pressing"]
    lost = lost_dry_solids(scene.mode, rows, table.every_s) if len(rows) else Loss(None)
    cost = extra_cost(scene.mode, rows, table.every_s, lost, plant.costs) if len(rows) else Loss(None)
    return Upset(
        press=press.slug,
        run=event.run,
        start=start,
        effect_start=min(effects) if effects else None,
        detected_at=_detected_at(event, scene.mode.known_from),
        end=end,
        kind=kinds[0],
        kinds=kinds,
        severity=event.severity,
        first_sign=first_sign(event),
        cause=event.causes[0].cause,
        causes=event.causes,
        evidence=_evidence(event, scene, findings, start, end),
        lost_dry_solids_kg=lost.value,
        extra_cost=cost.value,
        lost_dry_solids_kg_low=lost.low,
        lost_dry_solids_kg_high=lost.high,
        extra_cost_low=cost.low,
        extra_cost_high=cost.high,
    )


def _start(event: Event) -> pd.Timestamp:
    """Return when the earliest sign left its band; effects dated a little before their own cause wait for it."""
    begun = min([sign.onset for sign in event.signs] + [stop.start for stop in event.stops])
    known = [
        sign.onset
        for sign in event.signs
        if (sign.name, sign.side) in event.accounted and not BY_NAME[sign.name].is_effect
    ] + [stop.start for stop in event.stops]
    return min(known) if known and begun < min(known) <= begun + UNDATED else begun


def _detected_at(event: Event, known_from: pd.Timestamp) -> pd.Timestamp:
    """Return when past data alone sufficed: at the first telling sign or stop, once the warm-up was over."""
    telling = [sign.detected_at for sign in event.signs if sign.severity]
    telling = telling or [sign.detected_at for sign in event.signs]
    first = min(telling + [stop.start for stop in event.stops])
    return max(first, known_from) if telling and not event.stops else first


def moved_before(sign: Sign) -> tuple[pd.Timestamp, float]:
    """Return the key that sorts signs by sludge time; of moves within minutes, the input before its effect."""
    return sign.feed_onset + (SAME_MOMENT if BY_NAME[sign.name].is_effect else pd.Timedelta(0)), -sign.z


def first_sign(event: Event) -> str:
    """Return the role that moved first on sludge time.

    An input that the likeliest cause accounts for goes before cake and filtrate that seem to have moved
    within half an hour before it: a slow rise out of noise cannot be dated better.
    """
    moves = [(stop.start, "belt_trip" if stop.kind == "belt_trip" else "running") for stop in event.stops]
    inputs = [sign for sign in event.signs if (sign.name, sign.side) in event.accounted]
    inputs = [sign for sign in inputs if not BY_NAME[sign.name].is_effect]
    if inputs:
        # A figure moves with what it is computed from: a meter that moved within half an hour of it speaks for both.
        first_of_all = min(inputs, key=lambda sign: sign.feed_onset)
        read = [sign for sign in inputs if _rank(sign) == 0 and sign.feed_onset - first_of_all.feed_onset <= UNDATED]
        inputs = read if _rank(first_of_all) and read else inputs
        earliest = min(sign.feed_onset for sign in inputs)
        close = [sign for sign in inputs if sign.feed_onset - earliest <= SAME_MOMENT]
        first = min(close, key=lambda sign: (_rank(sign), -sign.z))
        moves.append((first.feed_onset, BY_NAME[first.name].role))
    effects = [sign for sign in event.signs if BY_NAME[sign.name].is_effect]
    if effects:
        first = min(effects, key=moved_before)
        moves.append((first.feed_onset + (UNDATED if moves else pd.Timedelta(0)), BY_NAME[first.name].role))
    if not moves:
        first = min(event.signs, key=moved_before)
        return BY_NAME[first.name].role
    return min(moves)[1]


def _rank(sign: Sign) -> int:
    """Order moves of one moment: an input, then what is computed from inputs, then cake and filtrate."""
    watched = BY_NAME[sign.name]
    return 2 if watched.is_effect else int(watched.name != watched.role)


def _evidence(event: Event, scene: Scene, findings: tuple[Finding, ...], start: pd.Timestamp, end: pd.Timestamp) -> str:
    sentences = []
    told = sorted(event.signs, key=lambda sign: (-sign.severity, -sign.z))[:5]
    if event.stops:
        minutes = sum((stop.end - stop.start).total_seconds() for stop in event.stops) / 60.0
        word = "tripped" if event.stops[0].kind == "belt_trip" else "stopped"
        sentences.append(f"The press {word} for {minutes:.0f} min")
    if told:
        sentences.append("; ".join(_told(sign) for sign in told))
    for finding in findings:
        if finding.start_utc < end and finding.end_utc > start and faulty_names(finding):
            sentences.append(f"The {finding.tag} reading is at fault here ({finding.fault}) and was left out")
    has_input = any(not BY_NAME[sign.name].is_effect for sign in event.signs)
    if not has_input or event.causes[0].weight < SURE:
        undecided = missing_tests(scene.table, scene.measured)
        relevant = [f"{cause} ({test})" for cause, test in undecided.items() if _could_be(cause, event, scene)]
        if relevant:
            sentences.append("Not measured here, so not ranked: " + ", ".join(relevant[:4]))
    return ". ".join(sentences) + "."


def _told(sign: Sign) -> str:
    watched = BY_NAME[sign.name]
    return f"{sized(watched, sign.side * sign.change_in_scale)} ({sign.z:.1f} times its usual spread)"


def _could_be(cause: str, event: Event, scene: Scene) -> bool:
    """Return whether a cause that cannot be ranked shares a sign that was seen."""
    seen = {(sign.name, sign.side) for sign in event.signs}
    return any((row.sign, row.side) in seen for row in rows_of(scene.table, cause))


def ledger(upsets: Sequence[Upset]) -> pd.DataFrame:
    """Return the upsets as the contract's ledger: one row each, times UTC, lists as JSON text for CSV."""
    rows = []
    for upset in upsets:
        row = {column: getattr(upset, column) for column in COLUMNS}
        row["kinds"] = json.dumps(list(upset.kinds))
        row["causes"] = json.dumps(
            [
                {"cause": each.cause, "weight": each.weight, "because": each.because, "check": each.check}
                for each in upset.causes
            ],
            ensure_ascii=False,
        )
        rows.append(row)
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    for column in ("start", "effect_start", "detected_at", "end"):
        frame[column] = pd.to_datetime(frame[column], utc=True)
    numbers = [column for column in COLUMNS if column.startswith(("lost_", "extra_"))]
    frame[numbers] = frame[numbers].astype(float)
    frame["severity"] = frame["severity"].astype(int)
    return frame

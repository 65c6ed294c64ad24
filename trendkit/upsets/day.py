"""The account of one day: was it bad, what moved first, what took the cake points, what to check.

Comes in: the figure table, the upsets, the bench samples and the data faults of one press. Goes out:
`DayAccount`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd

from trendkit.findings import Finding
from trendkit.plant.calendar import Period, day_period
from trendkit.plant.model import Plant, Press
from trendkit.plant.roles import ROLES
from trendkit.press.results import FigureTable
from trendkit.upsets.bench_check import Agreement, count_cake_samples, meter_against_bench
from trendkit.upsets.blocks import faulty_names
from trendkit.upsets.causes import missing_tests, rows_of, signatures
from trendkit.upsets.charts import robust_spread
from trendkit.upsets.contributions import split_drop
from trendkit.upsets.day_words import (
    VERDICT_LABELS,
    Means,
    Said,
    Verdict,
    answer_of_day,
    basis_of_day,
    checks_of_day,
    missing_grabs,
    notes_of_day,
    reason_words,
)
from trendkit.upsets.days import COMPARED_FIGURES, PressDays, comparison_days, press_days
from trendkit.upsets.idle_day import account_of_idle_day
from trendkit.upsets.judging import JudgedMode
from trendkit.upsets.ledger import judge, moved_before
from trendkit.upsets.results import (
    Cause,
    Contribution,
    DayAccount,
    Difference,
    Move,
    Upset,
)
from trendkit.upsets.signs import Sign
from trendkit.upsets.watched import BY_NAME, WATCHED


def account_for_day(
    table: FigureTable,
    upsets: Sequence[Upset],
    lab: pd.DataFrame | None,
    findings: Iterable[Finding],
    press: Press,
    plant: Plant,
    day: date,
    judged: Sequence[JudgedMode] | None = None,
) -> DayAccount:
    """Return what went wrong on plant day `day`, or that nothing did, or that the data cannot tell.

    `table` holds the day and what came before it (28 days make a good usual); `upsets` are those of the
    table. `judged` is what `judge` made of the same table, when the caller has it already.
    """
    findings = tuple(findings)
    frame = _without_faulty(table.frame, press, findings)
    period = day_period(plant, day)
    own = [upset for upset in upsets if upset.start < period.end_utc and upset.end > period.start_utc]
    days = press_days(frame, upsets, plant, press.slug, table.every_s)
    if day not in days.means.index:
        causes = _causes_of_day(own, ()) if own else ()
        return account_of_idle_day(day, frame, period, plant, own, causes, table.every_s)
    compared = comparison_days(days, day)
    value, usual = _pair(days, day, [each.day for each in compared])
    is_day = pd.Series((frame.index >= period.start_utc) & (frame.index < period.end_utc), index=frame.index)
    agreement = meter_against_bench(table.frame["cake_solids_meter_pct"], lab, press.slug, is_day)
    verdict, reasons = _verdict(value, usual, press)
    in_doubt = agreement if _is_meter_in_doubt(reasons, agreement, usual, press) else None
    if in_doubt is not None:
        verdict = "cannot_tell"
    judged = judged if judged is not None else judge(table, press, plant, findings)
    modes = {mode.judged.mode: mode for mode in judged}
    rows = days.minutes[days.minutes["day"] == day]
    contributions: tuple[Contribution, ...] = ()
    if verdict == "bad" and compared and "dewatering" in modes:
        contributions = split_drop(days, compared, own, modes["dewatering"], rows)
    causes = _causes_of_day(own, contributions) if verdict == "bad" or own else ()
    unranked = _unranked(causes, modes, frame, period) if verdict == "bad" else ()
    said = Said(day, verdict, tuple(reasons.values()), value, usual, causes, contributions, tuple(own), in_doubt)
    return DayAccount(
        day=day,
        verdict=verdict,
        answer=answer_of_day(said),
        cake_solids_pct=value["cake_solids_pct"],
        usual_cake_solids_pct=usual["cake_solids_pct"],
        capture_pct=value["capture_pct"],
        usual_capture_pct=usual["capture_pct"],
        compared_with=compared,
        changes=_changes(days, day, [each.day for each in compared]),
        timeline=_timeline(modes.values(), own, period),
        contributions=contributions,
        causes=causes,
        checks=checks_of_day(verdict, causes, agreement, unranked, missing_grabs(rows)),
        unranked=unranked,
        notes=notes_of_day(rows, compared, agreement, own, _faults_of_day(findings, press, period), modes),
        rests_on=basis_of_day(rows, modes, count_cake_samples(lab, press.slug, period.start_utc, period.end_utc)),
    )


def _unranked(
    causes: tuple[Cause, ...], modes: Mapping[str, JudgedMode], frame: pd.DataFrame, period: Period
) -> tuple[tuple[str, str], ...]:
    """Return the causes that would look the same as the likeliest one and that these tags cannot show.

    Asked only when the likeliest cause rests on what came out of the press: it then has no sign of its own that
    would tell it from a cause whose input is not measured.
    """
    table = signatures()
    if causes and any(row.rule == "must" for row in rows_of(table, causes[0].cause)):
        return ()
    measured = {name for mode in modes.values() for name in mode.columns}
    measured |= {name for name in ("belt_trip", "feed_source") if frame[name].notna().any()}
    seen = {
        (sign.name, sign.side)
        for mode in modes.values()
        for sign in mode.signs
        if sign.onset < period.end_utc and sign.end > period.start_utc
    }
    return tuple(
        (cause, test)
        for cause, test in missing_tests(table, measured).items()
        if any((row.sign, row.side) in seen for row in rows_of(table, cause))
    )


def _faults_of_day(findings: Iterable[Finding], press: Press, period: Period) -> list[Finding]:
    """Return the data faults of the day that take something out of judgement."""
    return [
        finding
        for finding in findings
        if finding.press in (None, press.slug)
        and faulty_names(finding)
        and finding.start_utc < period.end_utc
        and finding.end_utc > period.start_utc
    ]


def _without_faulty(frame: pd.DataFrame, press: Press, findings: tuple[Finding, ...]) -> pd.DataFrame:
    """Return the frame with the spans that data faults spoil taken out of the watched columns."""
    masked = frame
    for finding in findings:
        columns = [BY_NAME[name].column for name in faulty_names(finding) if name in BY_NAME]
        columns = [column for column in columns if column in frame]
        if finding.press not in (None, press.slug) or not columns:
            continue
        inside = (frame.index >= finding.start_utc) & (frame.index < finding.end_utc)
        if inside.any():
            masked = masked.copy() if masked is frame else masked
            masked.loc[inside, columns] = np.nan
    return masked


def _pair(days: PressDays, day: date, chosen: Sequence[date]) -> tuple[Means, Means]:
    """Return the day's cake solids and capture, and what is usual for them; None where unknown."""
    value: Means = {}
    usual: Means = {}
    for figure, _ in VERDICT_LABELS:
        own = days.means[figure][day]
        others = days.means[figure].reindex(list(chosen)).dropna()
        value[figure] = float(own) if pd.notna(own) else None
        usual[figure] = float(others.median()) if len(others) >= 3 else None
    return value, usual


def _verdict(own: Means, usual: Means, press: Press) -> tuple[Verdict, dict[str, str]]:
    """Return the contract's verdict and, for `bad`, the reason by figure."""
    targets = press.targets.get("dewatering", {})
    reasons: dict[str, str] = {}
    could_judge = False
    for figure, label in VERDICT_LABELS:
        value, middle = own[figure], usual[figure]
        low = targets[figure].low if figure in targets else None
        steps = next(watched.steps for watched in WATCHED if watched.column == figure)
        if value is None or steps is None:
            continue
        could_judge |= low is not None or middle is not None
        short = middle - value if middle is not None and middle - value >= steps[0] else None
        missed = low if low is not None and value < low else None
        if short is not None or missed is not None:
            reasons[figure] = reason_words(label, value, short, missed)
    if reasons:
        return "bad", reasons
    return ("not_bad" if could_judge else "cannot_tell"), reasons


def _is_meter_in_doubt(reasons: Mapping[str, str], agreement: Agreement | None, usual: Means, press: Press) -> bool:
    """Return whether only the cake meter calls the day bad while the bench has it as usual and within its target."""
    middle = usual["cake_solids_pct"]
    if set(reasons) != {"cake_solids_pct"} or agreement is None or not agreement.is_apart or middle is None:
        return False
    target = press.targets.get("dewatering", {}).get("cake_solids_pct")
    low = target.low if target is not None else None
    bench = agreement.bench + agreement.usual_gap
    return middle - bench < 1.0 and (low is None or bench >= low)


def _causes_of_day(own: Sequence[Upset], contributions: Sequence[Contribution]) -> tuple[Cause, ...]:
    """Return the causes of the day: of its upsets by severity and length, else of the inputs that took cake points."""
    weights: dict[str, float] = {}
    words: dict[str, Cause] = {}
    total = 0.0
    for upset in sorted(own, key=lambda each: -each.severity):
        share = upset.severity**2 * max((upset.end - upset.start).total_seconds() / 3600.0, 0.1)
        total += share
        for cause in upset.causes:
            weights[cause.cause] = weights.get(cause.cause, 0.0) + share * cause.weight
            words.setdefault(cause.cause, cause)
    for part in contributions if not own else ():
        name = "unknown" if part.factor == "unexplained" else part.factor
        if part.points > 0.0:
            total += part.points
            weights[name] = part.points
            said = f"took {part.points:.1f} cake points ({part.low:.1f} to {part.high:.1f}) without making an upset"
            words[name] = Cause(name, 0.0, said, "")
    if not total:
        return (Cause("unknown", 1.0, "no sign of a known cause stands out on this day", ""),)
    ranked = [
        Cause(name, round(weight / total, 4), words[name].because, words[name].check)
        for name, weight in sorted(weights.items(), key=lambda pair: -pair[1])
    ]
    return tuple(cause for cause in ranked if cause.weight >= 0.03)


def _changes(days: PressDays, day: date, chosen: Sequence[date]) -> tuple[Difference, ...]:
    """Return how the day's figures differ from the comparison days, the most unusual first."""
    found: list[Difference] = []
    for figure in COMPARED_FIGURES:
        if figure not in days.means:
            continue
        value = days.means[figure][day]
        others = days.means[figure].reindex(list(chosen)).dropna()
        if pd.isna(value) or len(others) < 3:
            continue
        usual = float(others.median())
        spread = max(robust_spread(others), 0.5 * float(others.std(ddof=1)), 0.005 * abs(usual), 1e-9)
        spread *= float(np.sqrt(1.0 + 1.57 / len(others)))
        z = (float(value) - usual) / spread
        half = 1.96 * spread
        found.append(Difference(figure, float(value), usual, usual - half, usual + half, z))
    return tuple(sorted(found, key=lambda difference: -abs(difference.z)))


def _timeline(modes: Iterable[JudgedMode], own: Sequence[Upset], period: Period) -> tuple[Move, ...]:
    """Return what left its band on the day, by the sludge it speaks of: one entry per role and side.

    A figure speaks for its role (dose for polymer flow) only where the role itself is not measured: a measured role
    that stood still did not move.
    """
    modes = tuple(modes)
    measured = {name for mode in modes for name in mode.columns}
    signs = [sign for mode in modes for sign in mode.signs]
    signs = [sign for sign in signs if sign.onset < period.end_utc and sign.end > period.start_utc]
    signs = [sign for sign in signs if not BY_NAME[sign.name].is_check]
    in_upset = [
        sign
        for sign in signs
        if sign.severity or any(sign.onset < upset.end and sign.end > upset.start for upset in own)
    ]
    raw = {sign.name for sign in in_upset if BY_NAME[sign.name].name == BY_NAME[sign.name].role}
    moves = []
    for sign in sorted(in_upset, key=moved_before):
        watched = BY_NAME[sign.name]
        is_spoken_for = watched.role in (raw if watched.is_effect else measured)
        if watched.name != watched.role and is_spoken_for:
            continue
        size, unit = _size(sign)
        side: Literal["up", "down"] = "up" if sign.side > 0 else "down"
        moves.append(Move(sign.onset, watched.role, side, size, unit, sign.feed_onset))
    return tuple(moves)


def _size(sign: Sign) -> tuple[float, str]:
    """Return how far a sign went and in what unit (see `Move`)."""
    watched = BY_NAME[sign.name]
    if watched.column.endswith("_pct"):
        return abs(sign.change), "%"
    if watched.column.endswith(ROLES[watched.role].column.removeprefix(watched.role)):
        return abs(sign.change), ROLES[watched.role].unit
    return 100.0 * abs(sign.change) / max(abs(sign.usual), 1e-9), "% of usual"

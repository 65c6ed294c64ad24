"""Ranks what may have caused an event by the signature table, as log-odds with the evidence in numbers.

Comes in: signs and evidence of one event; `signatures.csv`, one row per sign of a cause. Goes out: causes
with weights from 0 to 1. Adding a cause is adding rows. Columns of the table: `direction` is up, down,
steady or changed; `rule` is must (all of them), expected (must, where it is measured at all; one that moved
within its noise is no contradiction), one_of (at least one), may or not (speaks against); `timing` is any,
leads (before the cake and filtrate), slow or sudden; `check` is what an operator would look at, `decides` the
tag or bench test that would settle it where the sign is not measured.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import exp

import pandas as pd

from trendkit.upsets.evidence import Evidence
from trendkit.upsets.results import Cause
from trendkit.upsets.watched import BY_NAME

UNKNOWN_LOG_ODDS = 1.0  # what "none of these" is worth before any evidence
SEEN = 0.3  # strength from which a sign counts as there
SEEN_MUST = 0.45  # the same for one a cause cannot do without
MISSING_MUST = -4.0
LATE = pd.Timedelta(minutes=12)  # a leading sign may show this much after what it leads, on sludge time
UNEXPLAINED_DRIVER = 1.0  # taken off per clear change of an input that the cause does not account for
NO_UPSET = ("planned_", "meter_")  # what begins so explains signs by an intention or by a meter
LEAST_WEIGHT = 0.03  # causes below it are not listed,
LISTED = 3  # unless they are among the first three,
LEAST_OF_ALL = 0.001  # and those not for less than this


@dataclass(frozen=True)
class Row:
    """One sign of one cause."""

    cause: str
    sign: str
    direction: str
    timing: str
    rule: str
    weight: float
    source: str
    check: str
    decides: str

    @property
    def side(self) -> int:
        """+1 for up, -1 for down, 0 for steady or changed."""
        return {"up": 1, "down": -1}.get(self.direction, 0)


Signatures = Mapping[str, tuple[Row, ...]]


def read_signatures(text: str) -> Signatures:
    """Return the signature table of a CSV text, rows by cause in the order of the file."""
    found: dict[str, list[Row]] = {}
    for record in csv.DictReader(text.splitlines()):
        row = Row(
            cause=record["cause"],
            sign=record["sign"],
            direction=record["direction"],
            timing=record["timing"],
            rule=record["rule"],
            weight=float(record["weight"]),
            source=record["source"],
            check=record["check"],
            decides=record["decides"],
        )
        found.setdefault(row.cause, []).append(row)
    return {cause: tuple(rows) for cause, rows in found.items()}


@cache
def signatures() -> Signatures:
    """Return the signature table that comes with the package."""
    return read_signatures(files("trendkit.upsets").joinpath("signatures.csv").read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Score:
    """What the evidence says for one cause; a variant of a cause ("belt_slip/gravity") speaks in its name."""

    cause: str
    log_odds: float
    because: str
    check: str


def is_measurable(rows: Iterable[Row], measured: Iterable[str]) -> bool:
    """Return whether all signs a cause must show, and one it may choose from, are measured at all."""
    rows, measured = tuple(rows), set(measured)
    must = [row.sign in measured for row in rows if row.rule == "must"]
    one_of = [row.sign in measured for row in rows if row.rule == "one_of"]
    return all(must) and (not one_of or any(one_of))


def rows_of(table: Signatures, cause: str) -> tuple[Row, ...]:
    """Return the rows of a cause with those of its variants, in the order of the table."""
    return tuple(row for name, rows in table.items() if name.partition("/")[0] == cause for row in rows)


def missing_tests(table: Signatures, measured: Iterable[str]) -> dict[str, str]:
    """Return, per cause of upsets that these tags cannot show in any variant, what would decide it."""
    measured = set(measured)
    shown = {name.partition("/")[0] for name, rows in table.items() if is_measurable(rows, measured)}
    found = {}
    for cause in dict.fromkeys(name.partition("/")[0] for name in table):
        if cause in shown or cause.startswith(NO_UPSET):
            continue
        tests = [row.decides for row in rows_of(table, cause) if row.decides and row.sign not in measured]
        found[cause] = tests[0] if tests else "a look at the press"
    return found


def score_cause(rows: tuple[Row, ...], evidence: Mapping[str, Evidence], effect_onset: pd.Timestamp | None) -> Score:
    """Return the log-odds of one cause given what every measured column did.

    `effect_onset` is when cake or filtrate first left their band, on sludge time; None when they did not.
    """
    total = 0.0
    spoken: list[tuple[float, str]] = []
    choices: list[tuple[float, Row]] = []
    for row in rows:
        seen = evidence.get(row.sign)
        if seen is None:
            continue
        worth = _worth(row, seen, effect_onset)
        if row.rule == "one_of":
            choices.append((worth, row))
            continue
        total += worth
        if worth > 0.1 * row.weight:
            spoken.append((worth, seen.words()))
    for place, (worth, row) in enumerate(sorted(choices, key=lambda pair: -pair[0])):
        if place == 0 and worth < SEEN * row.weight:
            total += MISSING_MUST
        total += max(worth, 0.0) * (1.0 if place == 0 else 0.4)
        if worth > SEEN * row.weight:
            spoken.append((worth, evidence[row.sign].words()))
    accounted = {(row.sign, row.side) for row in rows if row.rule != "not"}
    total -= UNEXPLAINED_DRIVER * sum(_is_unaccounted(seen, accounted) for seen in evidence.values())
    spoken.sort(key=lambda pair: -pair[0])
    because = "; ".join(list(dict.fromkeys(words for _, words in spoken))[:4])
    check = next((row.check for row in rows if row.check), "")
    return Score(rows[0].cause.partition("/")[0], total, because, check)


def _is_unaccounted(seen: Evidence, accounted: set[tuple[str, int]]) -> bool:
    if seen.name not in BY_NAME or BY_NAME[seen.name].is_effect or abs(seen.strength) < 0.7:
        return False
    return (seen.name, 1 if seen.strength > 0 else -1) not in accounted


def _worth(row: Row, seen: Evidence, effect_onset: pd.Timestamp | None) -> float:
    """Return what one row adds to the log-odds of its cause."""
    if row.direction == "steady":
        return row.weight * (0.3 if abs(seen.strength) < SEEN else -abs(seen.strength))
    along = abs(seen.strength) if row.direction == "changed" else seen.strength * row.side
    if row.rule == "not":
        return -row.weight * max(along, 0.0)
    if row.rule in ("must", "expected") and along < SEEN_MUST:
        is_unclear = row.rule == "expected" and seen.change * row.side >= BY_NAME[row.sign].least
        return 0.0 if is_unclear else MISSING_MUST
    if along < SEEN:
        return row.weight * (min(along, 0.0) - 0.15)
    return row.weight * along * _timing_factor(row, seen, effect_onset)


def _timing_factor(row: Row, seen: Evidence, effect_onset: pd.Timestamp | None) -> float:
    if row.timing == "leads" and seen.onset is not None and effect_onset is not None:
        return 1.0 if seen.onset <= effect_onset + LATE else 0.4
    if row.timing == "slow" and seen.shape is not None:
        return 1.2 if seen.shape == "ramp" else 0.6
    if row.timing == "sudden" and seen.shape is not None:
        return 1.2 if seen.shape == "step" else 0.6
    return 1.0


def weigh(scores: Iterable[Score]) -> tuple[Cause, ...]:
    """Return causes by weight (they add up to one with the unlisted ones), `unknown` among them."""
    best: dict[str, Score] = {}
    for score in scores:
        if score.cause not in best or best[score.cause].log_odds < score.log_odds:
            best[score.cause] = score
    scored = [*best.values(), Score("unknown", UNKNOWN_LOG_ODDS, "no known cause fits what was measured", "")]
    largest = max(score.log_odds for score in scored)
    odds = [exp(score.log_odds - largest) for score in scored]
    total = sum(odds)
    causes = [
        Cause(score.cause, round(odd / total, 4), score.because, score.check)
        for score, odd in zip(scored, odds, strict=True)
    ]
    causes.sort(key=lambda cause: -cause.weight)
    return tuple(
        cause
        for place, cause in enumerate(causes)
        if cause.weight >= LEAST_WEIGHT or place == 0 or (place < LISTED and cause.weight >= LEAST_OF_ALL)
    )

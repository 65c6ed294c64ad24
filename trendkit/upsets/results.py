"""What the upsets room hands on: the ledger's rows and the account of one day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

import pandas as pd


@dataclass(frozen=True)
class Cause:
    """One ranked cause: its share of the weight, the evidence in numbers, what to look at on the press."""

    cause: str
    weight: float  # 0 to 1
    because: str
    check: str


@dataclass(frozen=True)
class Upset:
    """One event of one press (contract, sections 3 and 4). Times UTC, `end` exclusive."""

    press: str
    run: str | None
    start: pd.Timestamp
    effect_start: pd.Timestamp | None
    detected_at: pd.Timestamp
    end: pd.Timestamp
    kind: str
    kinds: tuple[str, ...]
    severity: int  # 1 to 3
    first_sign: str  # role
    cause: str
    causes: tuple[Cause, ...]
    evidence: str
    lost_dry_solids_kg: float | None
    extra_cost: float | None  # plant currency
    lost_dry_solids_kg_low: float | None = None  # 95 % limits
    lost_dry_solids_kg_high: float | None = None
    extra_cost_low: float | None = None
    extra_cost_high: float | None = None


@dataclass(frozen=True)
class ComparedDay:
    """A day the bad day is held against, and why it is a fair comparison."""

    day: date
    why: str


@dataclass(frozen=True)
class Difference:
    """One figure of the day against the comparison days, SI units."""

    figure: str
    value: float
    usual: float
    usual_low: float
    usual_high: float
    z: float  # robust: distance from usual in the comparison days' own spread


@dataclass(frozen=True)
class Move:
    """One sign that left its normal band during the day."""

    time: pd.Timestamp
    role: str
    direction: Literal["up", "down"]
    size: float  # in `unit`, positive
    unit: str  # the role's SI unit, "%" for solids and capture in points, else "% of usual"
    feed_time: pd.Timestamp | None = None  # when the sludge that shows it was fed: the order of a timeline


@dataclass(frozen=True)
class Contribution:
    """Cake-solids points lost to one factor (positive is lost), with 95 % limits."""

    factor: str
    points: float
    low: float
    high: float


@dataclass(frozen=True)
class DayAccount:
    """What went wrong on one day, or that nothing did."""

    day: date
    verdict: Literal["bad", "not_bad", "cannot_tell"]
    answer: str  # one sentence for the top of the page, SI units
    cake_solids_pct: float | None
    usual_cake_solids_pct: float | None
    capture_pct: float | None
    usual_capture_pct: float | None
    compared_with: tuple[ComparedDay, ...] = ()
    changes: tuple[Difference, ...] = ()
    timeline: tuple[Move, ...] = ()
    contributions: tuple[Contribution, ...] = ()
    causes: tuple[Cause, ...] = ()
    checks: tuple[str, ...] = ()
    unranked: tuple[tuple[str, str], ...] = ()  # (cause these tags cannot show, what would decide it)
    notes: tuple[str, ...] = ()
    rests_on: tuple[str, ...] = ()  # what a reader must know of the ground the verdict stands on, before acting on it

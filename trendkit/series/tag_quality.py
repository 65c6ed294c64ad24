"""The readings of a press judged tag by tag over a period: share good, gaps, faults and what they cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from trendkit.findings import Fault, Finding
from trendkit.plant.calendar import plant_days
from trendkit.plant.model import Plant, Press, Tag
from trendkit.series.grid import Habit, PressGrid
from trendkit.series.meter_faults import moving_bins
from trendkit.series.recorded_faults import ALL_TAGS
from trendkit.series.segments import Bools, Floats, stretches_of

HAVE_NO_LENGTH = ("duplicate", "clock_shift")  # faults whose span is that of the file or of the doubt, not of a loss


@dataclass(frozen=True)
class FaultTally:
    """One kind of fault of one tag: how often, how long [min], and how many minutes of a moving press it cost."""

    fault: Fault
    count: int
    minutes: float
    lost_minutes: float


@dataclass(frozen=True)
class TagQuality:
    """One tag over a period.

    Shares are of time, 0 to 1: `share_good` of the period, `share_good_moving` of the time in which the press moved
    (NaN when it never did). `lowest` and `highest` are those of the bin means used, in the SI unit of `column`
    (NaN for states). Gaps are stretches without a reading, of all tags together or of this one [min].
    """

    tag: Tag
    habit: Habit | None
    share_good: float
    share_good_moving: float
    lowest: float
    highest: float
    gaps: int
    gap_minutes: float
    longest_gap_minutes: float
    faults: tuple[FaultTally, ...]


@dataclass(frozen=True)
class DayQuality:
    """One plant day, or the part of it inside the period: good share of all tags, of the worst one, and which it is."""

    day: date
    hours: float
    share_good: float
    worst_share: float
    worst_tag: str


@dataclass(frozen=True)
class QualityAccount:
    """All tags of a press over a period, in the order of the plant file; `findings` are those that touch it."""

    tags: tuple[TagQuality, ...]
    findings: tuple[Finding, ...]
    moving_hours: float
    days: tuple[DayQuality, ...]


def account_for_tags(
    grid: PressGrid, press: Press, plant: Plant, start_utc: pd.Timestamp, end_utc: pd.Timestamp
) -> QualityAccount:
    """Return what the readings of a press are worth between two moments.

    A period beyond the grid counts as time without readings.
    """
    index = pd.date_range(start_utc, end_utc, freq=f"{grid.every_s}s", inclusive="left")
    roles = grid.roles.reindex(index)
    shares = pd.DataFrame({name: grid.good_share(name).reindex(index).fillna(0.0) for name in grid.good_s.columns})
    columns = {str(name): roles[name].to_numpy() for name in roles.columns}
    is_moving = moving_bins(press, columns)
    if not len(is_moving):
        is_moving = np.zeros(len(index), bool)
    findings = tuple(each for each in grid.findings if each.start_utc < end_utc and each.end_utc > start_utc)
    tags = [
        _of_tag(tag, grid, columns[tag.column], shares[tag.column].to_numpy(float), is_moving, index, findings)
        for tag in press.tags.values()
        if tag.column in columns
    ]
    read = {tag.column: tag.tag for tag in press.tags.values() if tag.column in shares}
    days = _by_day(shares[list(read)].rename(columns=read), plant, grid.every_s)
    return QualityAccount(tuple(tags), findings, float(is_moving.sum()) * grid.every_s / 3600.0, days)


def _by_day(shares: pd.DataFrame, plant: Plant, every_s: int) -> tuple[DayQuality, ...]:
    """Return the good share of each plant day; one that the period cuts counts with its part inside."""
    found = []
    for day, rows in shares.groupby(np.asarray(plant_days(plant, pd.DatetimeIndex(shares.index)))):
        means = rows.mean()
        worst = str(means.idxmin())
        hours = len(rows) * every_s / 3600.0
        found.append(DayQuality(pd.Timestamp(str(day)).date(), hours, float(means.mean()), float(means[worst]), worst))
    return tuple(found)


def _of_tag(
    tag: Tag,
    grid: PressGrid,
    values: np.ndarray,
    share: Floats,
    is_moving: Bools,
    index: pd.DatetimeIndex,
    findings: Sequence[Finding],
) -> TagQuality:
    is_known = pd.notna(values)
    numbers = values.astype(float)[is_known] if tag.kind != "state" else np.zeros(0)
    own = [each for each in findings if each.tag == tag.tag]
    minutes = grid.every_s / 60.0
    silent = np.zeros(len(index), bool)
    for each in findings:
        if each.fault == "gap" and each.tag in (tag.tag, ALL_TAGS):
            silent[_bins(each, index)] = True
    silent &= ~is_known
    silences = [past - first for first, past in stretches_of(silent)]
    return TagQuality(
        tag,
        grid.habits.get(tag.column),
        float(share.mean()) if len(share) else 0.0,
        float(share[is_moving].mean()) if is_moving.any() else float("nan"),
        float(numbers.min()) if len(numbers) else float("nan"),
        float(numbers.max()) if len(numbers) else float("nan"),
        len(silences),
        minutes * sum(silences),
        minutes * max(silences, default=0),
        tuple(_tallies(own, ~is_known & is_moving, index, minutes)),
    )


def _tallies(own: Sequence[Finding], lost: Bools, index: pd.DatetimeIndex, minutes: float) -> list[FaultTally]:
    """Return one tally per kind of fault, costliest first; gaps are told apart from faults."""
    tallies = []
    for fault in dict.fromkeys(each.fault for each in own if each.fault != "gap"):
        same = [each for each in own if each.fault == fault]
        touched = np.zeros(len(index), bool)
        for each in same:
            touched[_bins(each, index)] = True
        has_length = fault not in HAVE_NO_LENGTH
        tallies.append(
            FaultTally(
                fault,
                sum(each.count for each in same) if fault in ("duplicate", "spike") else len(same),
                minutes * float(touched.sum()) if has_length else 0.0,
                minutes * float((touched & lost).sum()) if has_length else 0.0,
            )
        )
    return sorted(tallies, key=lambda tally: (-tally.lost_minutes, -tally.minutes))


def _bins(finding: Finding, index: pd.DatetimeIndex) -> slice:
    """Return the bins a finding touches; the bin in which it starts included."""
    first = max(int(index.searchsorted(finding.start_utc, side="right")) - 1, 0)
    return slice(first, int(index.searchsorted(finding.end_utc)))

"""The step-test sheet as it comes back from the press: read, checked, refused with line and column."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from datetime import datetime

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.plant.calendar import to_utc
from trendkit.plant.model import Plant
from trendkit.tuning.step_test import SPEED

# column -> what a sample may be (least, most, unit); beyond that it is a slip of the pen
SAMPLES: Mapping[str, tuple[float, float, str]] = {
    "cake_solids_pct": (5.0, 60.0, "%"),
    "filtrate_tss_mg_l": (1.0, 50_000.0, "mg/L"),
    "feed_solids_pct": (0.1, 15.0, "%"),
}
NEEDED = ("step", "test_day", SPEED, "started_at", "ended_at", "cake_solids_pct")
_LONGEST_H = 12.0  # a hold that lasts longer has a wrong date


def read_step_sheet(text: str, name: str, plant: Plant) -> pd.DataFrame:
    """Return the holds that were run, by start: a filled step-test sheet (CSV text) of file `name`.

    Columns: `line`, `step`, `test_day`, `gravity_belt_speed_m_min`, `started_utc`, `ended_utc`, the samples of
    `SAMPLES` (means where a cell holds several, NaN where blank) and `seen`. Rows with neither times nor samples are
    holds not run.

    Raises
    ------
    InputError
        With line and column, when a cell cannot be what it should, a hold has samples or an end but no start, a column
        stands twice, holds overlap, or nothing was filled in.
    """
    holds = [_hold(row, line, name, plant) for line, row in _rows(text, name) if _was_run(row)]
    if not holds:
        raise _wrong("no hold was filled in", name, None, "started_at", "only blanks", "times, as 2026-03-02 08:15")
    frame = pd.DataFrame(holds).sort_values("started_utc", kind="stable", ignore_index=True)
    _require_apart(frame, name)
    return frame


def _rows(text: str, name: str) -> list[tuple[int, dict[str, str]]]:
    """Return the rows under the header with their line numbers; lines that begin with "#" are cautions."""
    lines = text.lstrip("\ufeff").splitlines()
    head = next(
        (number for number, line in enumerate(lines) if line.strip() and not line.startswith(("#", '"#'))), None
    )
    if head is None:
        raise _wrong("this is no step-test sheet", name, None, None, "no heading", f"columns {', '.join(NEEDED)}")
    delimiter = ";" if lines[head].count(";") > lines[head].count(",") else ","
    columns = [each.strip() for each in _cells(lines[head], delimiter, name, head + 1)]
    missing = [each for each in NEEDED if each not in columns]
    if missing:
        raise _wrong("a column is missing", name, head + 1, missing[0], ", ".join(columns)[:120], ", ".join(NEEDED))
    twice = [each for each in columns if each and columns.count(each) > 1]
    if twice:
        raise _wrong("a column stands twice", name, head + 1, twice[0], f"{columns.count(twice[0])} of it", "one")
    rows = []
    for number, line in enumerate(lines[head + 1 :], start=head + 2):
        cells = _cells(line, delimiter, name, number)
        if any(cell.strip() for cell in cells) and not line.startswith(("#", '"#')):
            if len(cells) > len(columns):
                found = f"{len(cells)} cells"
                raise _wrong("the row has too many cells", name, number, columns[-1], found, f"{len(columns)}")
            rows.append((number, dict(zip(columns, [*cells, *[""] * (len(columns) - len(cells))], strict=True))))
    return rows


def _cells(line: str, delimiter: str, name: str, number: int) -> list[str]:
    try:
        return next(csv.reader(io.StringIO(line), delimiter=delimiter), [])
    except csv.Error as cause:
        raise _wrong(
            "the row cannot be told into cells", name, number, None, str(cause), "a few words a cell"
        ) from None


def _was_run(row: Mapping[str, str]) -> bool:
    return any((row.get(column) or "").strip() for column in ("started_at", "ended_at", *SAMPLES))


def _hold(row: Mapping[str, str], line: int, name: str, plant: Plant) -> dict[str, object]:
    started = _moment(row["started_at"], line, "started_at", name, plant)
    ended = _moment(row["ended_at"], line, "ended_at", name, plant)
    if not started < ended <= started + pd.Timedelta(hours=_LONGEST_H):
        expected = f"a time within {_LONGEST_H:.0f} h after {row['started_at'].strip()}"
        raise _wrong("the hold does not end after it starts", name, line, "ended_at", repr(row["ended_at"]), expected)
    hold: dict[str, object] = {
        "line": line,
        "step": int(_number(row["step"], line, "step", name, 1.0, 999.0)),
        "test_day": int(_number(row["test_day"], line, "test_day", name, 1.0, 99.0)),
        SPEED: _number(row[SPEED], line, SPEED, name, 0.1, 100.0),
        "started_utc": started,
        "ended_utc": ended,
    }
    for column, (least, most, unit) in SAMPLES.items():
        parts = [part for part in (row.get(column) or "").replace("/", ";").split(";") if part.strip()]
        values = [_number(part, line, column, name, least, most, unit) for part in parts]
        hold[column] = sum(values) / len(values) if values else math.nan
    hold["seen"] = (row.get("seen") or "").strip()
    return hold


def _moment(cell: str, line: int, column: str, name: str, plant: Plant) -> pd.Timestamp:
    expected = "a time, as 2026-03-02 08:15"
    if not cell.strip():
        raise _wrong("the hold has samples or a time, but not this one", name, line, column, "a blank", expected)
    try:
        moment = _read_moment(cell.strip())
        to_utc(moment.replace(tzinfo=None), plant.timezone)
    except (ValueError, OverflowError):  # no date, or one at the end of all years
        raise _wrong("this is no time", name, line, column, repr(cell.strip()), expected) from None
    if len(cell.strip()) <= len("2026-03-02"):
        raise _wrong("the time of day is missing", name, line, column, repr(cell.strip()), expected)
    return to_utc(moment, plant.timezone) if moment.tzinfo is None else pd.Timestamp(moment).tz_convert("UTC")


def _read_moment(text: str) -> datetime:
    """Return a time written as 2026-03-02 08:15 or, the day first before dots, as 02.03.2026 08:15."""
    dotted = re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})\b(.*)", text)
    if dotted is None:
        return datetime.fromisoformat(text)
    day, month, year, rest = dotted.groups()
    return datetime.fromisoformat(f"{year}-{int(month):02d}-{int(day):02d}{rest}")


def _number(cell: str, line: int, column: str, name: str, least: float, most: float, unit: str = "") -> float:
    expected = f"a number from {least:g} to {most:g} {unit}".rstrip()
    try:
        value = float(cell.replace(",", ".") if cell.count(",") == 1 and "." not in cell else cell)
    except ValueError:
        raise _wrong("this is no number", name, line, column, repr(cell.strip()), expected) from None
    if not least <= value <= most:
        raise _wrong("this cannot be", name, line, column, repr(cell.strip()), expected)
    return value


def _require_apart(holds: pd.DataFrame, name: str) -> None:
    for before, after in zip(holds.iloc[:-1].to_dict("records"), holds.iloc[1:].to_dict("records"), strict=True):
        if after["started_utc"] < before["ended_utc"]:
            found = f"step {after['step']} beginning before step {before['step']} (line {before['line']}) ended"
            raise _wrong("two holds overlap", name, int(after["line"]), "started_at", found, "one hold after the other")


def _wrong(message: str, name: str, line: int | None, column: str | None, found: str, expected: str) -> InputError:
    places: Sequence[str] = [
        part for part in (f"line {line}" if line else "", f"column '{column}'" if column else "") if part
    ]
    return InputError(Problem(message, name, ", ".join(places) or None, found, expected, "correct the sheet"))

"""Bench sheets: grab samples with their point and analysis, in the units the press room reckons in.

Nothing is dropped: a result that cannot be is flagged with why and left for the reader to see; a row that cannot
be placed at all (no time, no such press or analysis) is refused with its line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.exports import names
from trendkit.exports.block import InputFile
from trendkit.exports.export import checksum
from trendkit.exports.lab_checks import mark_suspects
from trendkit.exports.lab_rows import LabRow, press_slug, read_rows
from trendkit.exports.refusals import LISTED
from trendkit.findings import Finding
from trendkit.plant.model import Plant
from trendkit.plant.roles import LAB_POINTS, LAB_UNITS

COLUMNS = ("sampled_at", "press", "point", "analysis", "value", "note", "is_suspect", "why", "line")


@dataclass(frozen=True)
class LabSheet:
    """A bench sheet read.

    `frame` has a row per result: `sampled_at` (UTC), `press` (slug), `point`, `analysis`, `value` (TS and VS in %,
    TSS and TDS in mg/L; NaN where the cell holds no number), `note`, `is_suspect`, `why` and the `line` of the file.
    """

    frame: pd.DataFrame
    input: InputFile
    findings: tuple[Finding, ...] = ()


def read_lab(path: Path, plant: Plant) -> LabSheet:
    """Return a bench sheet, laid out as the plant file's ``[lab]`` says.

    Raises
    ------
    InputError
        When the file is missing, empty or no bench sheet, when its dates can be read two ways, or when not one
        row can be used.
    """
    path = Path(path)
    sheet = read_rows(path, plant)
    refused: list[tuple[int, str]] = list(sheet.refused)
    notes = list(sheet.notes)
    rows = []
    for row in sheet.rows:
        placed = _placed(row, plant, sheet.has_units, notes)
        if isinstance(placed, str):
            refused.append((row.line, placed))
        else:
            rows.append(placed)
    if not rows:
        raise InputError(_nothing_usable(path, refused))
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    frame["sampled_at"] = pd.DatetimeIndex(frame["sampled_at"]).tz_convert("UTC")
    frame = frame.sort_values(["sampled_at", "line"], kind="stable", ignore_index=True)
    frame, findings = mark_suspects(frame)
    notes += [f"line {line} was refused: {why}" for line, why in sorted(refused)[:20]]
    if len(refused) > 20:
        notes.append(f"{len(refused) - 20} more rows were refused")
    digest = checksum(path)
    listed = InputFile(
        path,
        path.name,
        lambda: digest,
        len(sheet.rows) + len(sheet.refused),
        len(refused),
        tuple(dict.fromkeys(notes)),
        tuple(sorted(refused)[:LISTED]),
    )
    return LabSheet(frame, listed, findings)


def _nothing_usable(path: Path, refused: Sequence[tuple[int, str]]) -> Problem:
    line, why = sorted(refused)[0] if refused else (0, "it holds no result")
    return Problem(
        f"no row of the bench sheet can be used: {why}",
        file=path.name,
        place=f"line {line}" if line else None,
        expected="sampled_at, press, point, analysis, value, unit, note in each row",
        hint="correct the sheet, or its layout under [lab] in the plant file",
    )


def _placed(row: LabRow, plant: Plant, has_units: bool, notes: list[str]) -> tuple[object, ...] | str:
    """Return a row of the frame, or why the row cannot be placed."""
    press = press_slug(row.press, plant)
    if press is None:
        known = ", ".join(each.name for each in plant.presses)
        return (
            f"there is no press {row.press!r} (the plant has {known})"
            if row.press
            else f"it names no press (the plant has {known})"
        )
    point = names.word(row.point)
    if point not in LAB_POINTS:
        return f"there is no sampling point {row.point!r} (known are {', '.join(LAB_POINTS)})"
    analysis = row.analysis.strip().upper()
    if analysis not in LAB_UNITS:
        return f"there is no analysis {row.analysis!r} (known are {', '.join(LAB_UNITS)})"
    factor = _factor(row.unit, analysis, point, press, plant)
    if isinstance(factor, str):
        return factor
    if not row.unit:
        usual = "%" if LAB_UNITS[analysis] == "percent" else LAB_UNITS[analysis]
        notes.append(f"results of {analysis} without a unit are read in {usual}")
    value = float("nan") if row.number is None else factor * row.number
    note = " ".join(part for part in (row.text_value, row.note) if part)
    return row.sampled_at, press, point, analysis, value, note, bool(row.doubt), row.doubt, row.line


def _factor(unit: str, analysis: str, point: str, press: str, plant: Plant) -> float | str:
    """Return what turns a result into the analysis's own unit, or why its unit cannot be right.

    Shares by mass and concentrations turn into each other by the density of the sludge sampled: the cake's for
    cake, the feed's else.
    """
    if not unit.strip():
        return 1.0
    from trendkit.plant.units import conversion

    where = plant.press(press)
    assert where is not None
    density = where.cake_density_kg_m3 if point == "cake" else where.feed_density_kg_m3
    try:
        return conversion(unit.strip(), LAB_UNITS[analysis], density).factor
    except InputError as cause:
        return f"the unit {unit!r} does not fit {analysis}: {cause.problems[0].message}"

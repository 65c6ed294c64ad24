"""Truck tickets and polymer deliveries: what was weighed over the gate, to hold the computed amounts against.

Comes in: a table with a time and a mass a row. Goes out: the rows in UTC and kilograms, and how the file was read. A
row that cannot be read is refused with its line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.exports import names
from trendkit.exports.block import InputFile
from trendkit.exports.clock import ClockTally, Zone
from trendkit.exports.export import checksum
from trendkit.exports.lab_rows import decimal_mark, in_utc, press_slug, sheet_lines, time_form, told_of_clock
from trendkit.exports.moments import read_cell
from trendkit.exports.numbers import DecimalMark, read_number
from trendkit.plant.model import Plant

_TIMES = ("time", "date", "datetime", "timestamp", "weighed_at", "delivered_at")
_MASSES = ("wet_mass", "net_mass", "net_weight", "net", "mass", "weight")  # a bare weight beside a net one is gross
_ACTIVE = ("active", "active_share", "activity")
_TONNES_BELOW = 200.0  # no truck is lighter in kg, none heavier in tonnes (common practice)
MOST_LISTED = 20


@dataclass(frozen=True)
class Slips:
    """The rows of one file: `time` (UTC), `press` (slug, "" where none is named), `mass_kg`, `active_share`, `line`.

    `active_share` is the active share by mass of polymer delivered, NaN where the file has none.
    """

    frame: pd.DataFrame
    input: InputFile


def read_slips(path: Path, plant: Plant) -> Slips:
    """Return truck tickets (time, press, wet_mass) or deliveries (time, mass, active) of one file.

    A mass carries its unit in its cell, in a column `unit` or in its heading ("wet_mass (t)"). Without one the whole
    file is read in kg, or in tonnes (1000 kg) when its median is below 200, and the file's notes say so.

    Raises
    ------
    InputError
        When the file has no such columns, its times cannot be read, or no row can be used.
    """
    split, sheet = sheet_lines(path)
    header_at, places, heading_unit = _columns(split, path)
    rows = [(line, _cells(cells, places)) for line, cells in split[header_at + 1 :]]
    form = time_form([cells["time"] for _, cells in rows], path, plant)
    zone, clock = Zone(plant.timezone), ClockTally()
    mark = decimal_mark([cells["mass"] for _, cells in rows])
    found, refused = [], []
    for line, cells in rows:
        moment = read_cell(cells["time"], form)
        time = None if isinstance(moment, str) else in_utc(moment, form, zone, clock)
        read = _row(cells, heading_unit, mark, plant)
        if time is None:
            refused.append((line, f"the time {cells['time']!r} cannot be read"))
        elif isinstance(read, str):
            refused.append((line, read))
        else:
            found.append((time, *read, line))
    if not found:
        raise InputError(_nothing(path, refused))
    frame, notes = _in_kg(pd.DataFrame(found, columns=["time", "press", "mass", "unit", "active_share", "line"]))
    notes = [
        *sheet.notes,
        *told_of_clock(clock),
        *notes,
        *(f"line {line} was refused: {why}" for line, why in refused[:MOST_LISTED]),
    ]
    digest = checksum(path)
    listed = InputFile(path, path.name, lambda: digest, len(rows), len(refused), tuple(notes), tuple(refused))
    return Slips(frame.sort_values("time", kind="stable", ignore_index=True), listed)


def _columns(split: Sequence[tuple[int, tuple[str, ...]]], path: Path) -> tuple[int, dict[str, int], str]:
    """Return the header's row, where its columns stand, and the unit in the mass's heading."""
    for row, (_, cells) in enumerate(split[:20]):
        parted = [names.split_unit(cell) for cell in cells]
        words = [names.word(name) for name, _ in parted]
        places = {
            column: words.index(next(name for name in spellings if name in words))
            for column, spellings in (
                ("time", _TIMES),
                ("mass", _MASSES),
                ("active", _ACTIVE),
                ("press", ("press",)),
                ("unit", ("unit", "units")),
            )
            if any(name in words for name in spellings)
        }
        if "time" in places and "mass" in places:
            return row, places, parted[places["mass"]][1]
    raise InputError(
        Problem(
            "this file lists no masses with their times",
            file=path.name,
            place="line 1",
            found=", ".join(split[0][1][:8]) if split else "nothing",
            expected="columns time, press, wet_mass (tickets) or time, mass, active (deliveries)",
            hint="correct the header, or [tickets] and [deliveries] files in the plant file",
        )
    )


def _cells(cells: tuple[str, ...], places: Mapping[str, int]) -> dict[str, str]:
    found = dict.fromkeys(("time", "mass", "active", "press", "unit"), "")
    return found | {name: cells[place].strip() for name, place in places.items() if place < len(cells)}


def _row(
    cells: Mapping[str, str], heading_unit: str, mark: DecimalMark, plant: Plant
) -> tuple[str, float, str, float] | str:
    """Return press, mass, its unit and the active share of a row, or why it cannot be used."""
    reading = read_number(cells["mass"], mark)
    if reading is None or not reading.value > 0.0:
        return f"{cells['mass']!r} is no mass"
    press = press_slug(cells["press"], plant) if cells["press"] else ""
    if press is None:
        return f"there is no press {cells['press']!r}"
    share = np.nan
    if cells["active"]:
        active = read_number(cells["active"].replace("%", "").strip(), mark)
        if active is None:
            return f"{cells['active']!r} is no share of active polymer"
        share = active.value / 100.0 if "%" in cells["active"] or active.value > 1.0 else active.value
        if not 0.0 < share <= 1.0:
            return f"an active share of {cells['active']} cannot be"
    unit = reading.unit or cells["unit"] or heading_unit
    factor = _kg_of(unit) if unit else 1.0
    return factor if isinstance(factor, str) else (press, reading.value, unit, share)


@lru_cache(maxsize=64)
def _kg_of(unit: str) -> float | str:
    """Return how many kilograms one of a unit is, or why that cannot be told."""
    from trendkit.plant.units import conversion

    try:
        return conversion(unit, "kg").factor
    except InputError as cause:
        (problem,) = cause.problems
        return f"{unit!r}: {problem.message}; {problem.hint or problem.expected}"


def _in_kg(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Return the rows with `mass_kg` in place of mass and unit, and what was taken for granted."""
    notes = []
    bare = frame["unit"] == ""
    if bare.any():
        in_tonnes = float(frame.loc[bare, "mass"].median()) < _TONNES_BELOW
        frame.loc[bare, "unit"] = "t" if in_tonnes else "kg"
        notes.append(f"masses without a unit are read in {'tonnes of 1000 kg' if in_tonnes else 'kg'}, by their size")
    frame["mass_kg"] = frame["mass"] * frame["unit"].map(_kg_of).astype(float)
    return frame[["time", "press", "mass_kg", "active_share", "line"]], notes


def _nothing(path: Path, refused: Sequence[tuple[int, str]]) -> Problem:
    line, why = refused[0] if refused else (1, "it holds no row")
    return Problem(
        f"no row of the file can be used: {why}",
        file=path.name,
        place=f"line {line}",
        expected="a time and a mass in each row",
        hint="correct the file",
    )

"""Grids from the archive, kept beside it and used again while readings, plant file and version are the same."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trendkit.archive import Archive
from trendkit.archive.kept import GRIDS, keep, program_sign, recall
from trendkit.exports.block import InputFile
from trendkit.exports.names import every_tag
from trendkit.findings import Finding
from trendkit.plant.model import Plant, Press
from trendkit.series.build import LOOK_BACK, build_grids
from trendkit.series.columns import from_us, to_us
from trendkit.series.grid import Habit, PressGrid
from trendkit.series.recorded_faults import Repeats
from trendkit.series.weighed_weeks import WeighedWeeks

FORM = 5  # of a kept grid; another number, another content
KEPT = 48  # grids; the ones unused for longest go first
_GOOD_S, _DOCUMENT = "good seconds of ", b"trendkit"


def grids_from_archive(
    archive: Archive,
    plant: Plant,
    presses: Sequence[Press],
    start_utc: pd.Timestamp | None,
    end_utc: pd.Timestamp | None,
    every_s: int = 60,
) -> tuple[dict[str, PressGrid], list[InputFile]]:
    """Return what `build_grids` returns for the archive's weeks, and the files that were ingested as inputs.

    A grid made before is read instead of made again when nothing it rests on has changed: the readings of the
    period, the plant file, the presses and period asked for, the length of a bin and the version of trendkit.

    Raises
    ------
    InputError
        As `build_grids`, and when a file of the archive is not as it was written.
    """
    key = _key(archive, plant, presses, start_utc, end_utc, every_s)
    folder = archive.folder / GRIDS
    kept = {press.slug: _recall(folder / f"{key}-{press.slug}.parquet") for press in presses}
    found = {slug: grid for slug, grid in kept.items() if grid is not None}
    if len(found) == len(presses):
        return found, list(archive.inputs)
    span = _span_read(plant, start_utc, end_utc)
    told = _told(plant, presses, start_utc, end_utc, every_s)
    weighed = WeighedWeeks(folder, json.dumps(told), archive.weeks_bearing_on(*span, _tags(plant)))
    grids, _ = build_grids(
        archive.weeks, plant, presses, start_utc, end_utc, every_s, _repeats(archive, *span), archive.files_of, weighed
    )
    for slug, grid in grids.items():
        _keep(folder / f"{key}-{slug}.parquet", grid)
    return grids, list(archive.inputs)


def _key(
    archive: Archive,
    plant: Plant,
    presses: Sequence[Press],
    start_utc: pd.Timestamp | None,
    end_utc: pd.Timestamp | None,
    every_s: int,
) -> str:
    sign = archive.sign(*_span_read(plant, start_utc, end_utc), _tags(plant))
    told = [*_told(plant, presses, start_utc, end_utc, every_s), sign]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:24]


def _told(
    plant: Plant, presses: Sequence[Press], start_utc: pd.Timestamp | None, end_utc: pd.Timestamp | None, every_s: int
) -> list[object]:
    """Return what decides a grid beside the readings."""
    slugs = [press.slug for press in presses]
    return [program_sign(), FORM, plant.sha256, slugs, str(start_utc), str(end_utc), every_s]


def _tags(plant: Plant) -> list[str]:
    return [tag.tag for tag in every_tag(plant.presses)]


def _span_read(
    plant: Plant, start_utc: pd.Timestamp | None, end_utc: pd.Timestamp | None
) -> tuple[pd.Timestamp | None, pd.Timestamp | None]:
    """Return the span in which readings can bear on the grid of a period."""
    read_from = None if start_utc is None else start_utc - LOOK_BACK
    return read_from, None if end_utc is None else end_utc + pd.Timedelta(seconds=plant.max_hold_s)


def _repeats(archive: Archive, read_from: pd.Timestamp | None, read_to: pd.Timestamp | None) -> list[Repeats]:
    """Return what ingested files gave twice in the time that is read."""
    found = []
    for each in archive.given_twice:
        of_tag = {
            tag: repeated
            for tag, repeated in each.of_tag.items()
            if (read_from is None or repeated.last_us >= to_us(read_from))
            and (read_to is None or repeated.first_us < to_us(read_to))
        }
        if of_tag:
            found.append(Repeats(each.file, of_tag))
    return found


def _keep(path: Path, grid: PressGrid) -> None:
    """Keep a grid."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = {"time": pa.array(_times_us(grid.roles.index))}
    for prefix, frame in (("", grid.roles), (_GOOD_S, grid.good_s)):
        columns |= {prefix + str(name): pa.array(frame[name].to_numpy()) for name in frame.columns}
    said = {"press": grid.press, "every_s": grid.every_s, "basis": dict(grid.basis), "notes": list(grid.notes)}
    said["findings"] = [_plain(finding) for finding in grid.findings]
    said["habits"] = {column: asdict(habit) for column, habit in grid.habits.items()}
    said["words"] = [str(name) for name in grid.roles.columns if grid.roles[name].dtype == object]
    table = pa.table(columns).replace_schema_metadata({_DOCUMENT: json.dumps(said).encode()})
    sink = io.BytesIO()
    pq.write_table(table, sink, compression="zstd", use_dictionary=False, store_schema=True)
    keep(path, sink.getvalue(), KEPT)


def _recall(path: Path) -> PressGrid | None:
    """Return a kept grid; None where there is none, or it is not as it was written."""
    import pyarrow.parquet as pq

    content = recall(path)
    if content is None:
        return None
    table = pq.ParquetFile(io.BytesIO(content)).read()
    said = json.loads(table.schema.metadata[_DOCUMENT])
    index = pd.DatetimeIndex(pd.to_datetime(table.column("time").to_numpy(), unit="us", utc=True), name="time")
    names = [name for name in table.column_names if name != "time"]
    roles = {name: _column(table, name, name in said["words"]) for name in names if not name.startswith(_GOOD_S)}
    good_s = {name.removeprefix(_GOOD_S): _column(table, name, False) for name in names if name.startswith(_GOOD_S)}
    return PressGrid(
        said["press"],
        said["every_s"],
        pd.DataFrame({name: pd.Series(own, index, own.dtype) for name, own in roles.items()}, index=index),
        pd.DataFrame(good_s, index=index),
        said["basis"],
        tuple(_finding(each) for each in said["findings"]),
        tuple(said["notes"]),
        {column: Habit(**habit) for column, habit in said["habits"].items()},
    )


def _column(table: Any, name: str, is_worded: bool) -> np.ndarray[Any, Any]:
    column = table.column(name)
    if is_worded:
        return np.array([*column.to_pylist(), None], dtype=object)[:-1]
    numbers: np.ndarray[Any, Any] = column.to_numpy()
    return numbers


def _times_us(index: pd.Index) -> np.ndarray[Any, Any]:
    times: np.ndarray[Any, Any] = pd.DatetimeIndex(index).as_unit("us").asi8
    return times


def _plain(finding: Finding) -> dict[str, Any]:
    return asdict(finding) | {"start_utc": to_us(finding.start_utc), "end_utc": to_us(finding.end_utc)}


def _finding(told: dict[str, Any]) -> Finding:
    return Finding(**told | {"start_utc": from_us(told["start_utc"]), "end_utc": from_us(told["end_utc"])})

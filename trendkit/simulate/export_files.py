"""Exports written to disk: one file a week (or a tag), in any of the shapes, the same bytes every time.

Comes in: spoilt readings of one press at shared times. Goes out: files below a folder. Times are plant time,
without offset unless the shape says so; a source whose clock differs writes its own.
"""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.simulate.faults import Spoilt
from trendkit.simulate.operation import Grid
from trendkit.simulate.randomness import Array
from trendkit.simulate.shapes import QUALITY_TEXTS, ExportShape, TimeStyle

Texts = npt.NDArray[np.object_]
Rows = npt.NDArray[np.int64]
WEEK_S = 7 * 86400.0
SERIAL_ZERO = pd.Timestamp("1899-12-30")
FORMATS = {"iso": "%Y-%m-%d %H:%M:%S", "am-pm": "%m/%d/%Y %I:%M:%S %p", "day-first": "%d.%m.%Y %H:%M:%S"}


@dataclass(frozen=True)
class Clock:
    """The clock of an exporting system: its zone, and how far it runs ahead of true time."""

    timezone: str
    ahead_s: float = 0.0


@dataclass(frozen=True)
class Sheet:
    """What one press has to export: times, cells as text per tag (None where empty), quality and units."""

    moments: pd.DatetimeIndex  # as the exporting clock shows them, with its zone
    cells: dict[str, Texts]
    bad: dict[str, npt.NDArray[np.bool_]]
    units: dict[str, str]
    deadbands: dict[str, float]


def write_exports(
    folder: Path, name: str, spoilt: Spoilt, grid: Grid, shape: ExportShape, clock: Clock, changes_only: bool = False
) -> None:
    """Write the readings of one press below `folder`; files are named after the press and their first day."""
    folder.mkdir(parents=True, exist_ok=True)
    sheet = _sheet(spoilt, grid, clock, shape.decimal)
    week = (spoilt.seconds // WEEK_S).astype(np.int64)
    for number in np.unique(week).tolist():
        rows = _in_export_order(np.flatnonzero(week == number), spoilt.repeated)
        stem = f"{name}_{sheet.moments[rows[0]]:%Y-%m-%d}"
        if shape.layout == "long":
            _write_long(folder / stem, sheet, rows, shape, changes_only)
        elif shape.layout == "tag-files":
            for tag in sheet.cells:
                _write_wide(folder / f"{stem}_{tag}", sheet, [tag], rows, shape)
        elif shape.layout == "pairs":
            _write_pairs(folder / stem, sheet, rows, shape)
        else:
            _write_wide(folder / stem, sheet, list(sheet.cells), rows, shape)


def _in_export_order(rows: Rows, repeated: list[tuple[int, int]]) -> Rows:
    """Return the rows of a file, those of repeated stretches twice."""
    parts = [rows, *(rows[(rows >= first) & (rows < end)] for first, end in repeated)]
    return np.sort(np.concatenate(parts), kind="stable")


def _sheet(spoilt: Spoilt, grid: Grid, clock: Clock, decimal: str) -> Sheet:
    shown = grid.start_utc + pd.to_timedelta(spoilt.seconds + clock.ahead_s, unit="s")
    cells, units, deadbands = {}, {}, {}
    for tag, readings in spoilt.readings.items():
        meter = readings.meter
        units[tag] = meter.unit
        if readings.texts is not None:
            cells[tag], deadbands[tag] = readings.texts, 0.0
            continue
        column = _as_text(readings.numbers, meter.decimals, decimal)
        for row, word in spoilt.texts.get(tag, {}).items():
            column[row] = word
        cells[tag] = column
        deadbands[tag] = max(meter.resolution, 0.5 * meter.noise * _typical(readings.numbers))
    moments = pd.DatetimeIndex(shown).tz_convert(clock.timezone)
    return Sheet(moments, cells, spoilt.bad, units, deadbands)


def _as_text(numbers: Array, decimals: int, decimal: str) -> Texts:
    """Return numbers as fixed-point text, None for NaN; each distinct value is formatted once."""
    unique, position = np.unique(numbers, return_inverse=True)
    texts = [None if np.isnan(number) else f"{number:.{decimals}f}".replace(".", decimal) for number in unique]
    return np.array(texts, dtype=object)[position]


def _typical(numbers: Array) -> float:
    running = numbers[np.isfinite(numbers) & (numbers > 0.0)]
    return float(np.median(running)) if len(running) else 0.0


def _times(moments: pd.DatetimeIndex, style: TimeStyle) -> Texts:
    """Return times as text in a style."""
    if style in FORMATS:
        return np.asarray(moments.strftime(FORMATS[style]), dtype=object)
    if style == "offset":
        return np.array([moment.isoformat() for moment in moments], dtype=object)
    if style == "midnight-24":
        wall = moments.tz_localize(None)
        is_midnight = (wall.hour == 0) & (wall.minute == 0) & (wall.second == 0)
        day_before = (wall - pd.Timedelta(days=1)).strftime("%Y-%m-%d 24:00:00")
        return np.where(is_midnight, day_before, wall.strftime(FORMATS["iso"])).astype(object)
    if style == "spreadsheet-serial":
        days = (moments.tz_localize(None) - SERIAL_ZERO) / pd.Timedelta(days=1)
        return np.array([f"{day:.8f}" for day in days], dtype=object)
    per_second = 1000 if style == "epoch-ms" else 1
    seconds = (moments.tz_convert("UTC") - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)
    return np.array([str(round(second * per_second)) for second in seconds], dtype=object)


def _write_wide(path: Path, sheet: Sheet, tags: list[str], rows: Rows, shape: ExportShape) -> None:
    if shape.container == "parquet":
        _write_wide_parquet(path, sheet, tags, rows)
        return
    header = [["Time", *tags]]
    if shape.header_rows == 2:
        header.insert(0, ["", *("measured" if sheet.units[tag] else "state" for tag in tags)])
    if shape.has_units_row:
        header.append(["", *(sheet.units[tag].replace("deg", "°") for tag in tags)])
    columns = [_times(sheet.moments[rows], shape.time), *(_blank(sheet.cells[tag][rows]) for tag in tags)]
    if shape.container == "xlsx":
        _write_xlsx(path, header, columns)
    else:
        _write_lines(path, header, zip(*columns, strict=True), shape, len(rows))


def _blank(cells: Texts) -> Texts:
    return np.array(["" if cell is None else cell for cell in cells.tolist()], dtype=object)


def _write_wide_parquet(path: Path, sheet: Sheet, tags: list[str], rows: Rows) -> None:
    frame = pd.DataFrame({"Time": sheet.moments[rows].tz_convert("UTC")})
    for tag in tags:
        texts = pd.Series(sheet.cells[tag][rows], dtype="str")
        numbers = pd.to_numeric(texts, errors="coerce").astype("float64")
        frame[tag] = numbers if sheet.units[tag] else texts
    frame.to_parquet(path.with_name(f"{path.name}.parquet"), index=False)


def _write_xlsx(path: Path, header: list[list[str]], columns: list[Texts]) -> None:
    """Write a workbook: times as dates of the workbook, numbers as numbers."""
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    page = book.create_sheet("export")
    for line in header:
        page.append(line)
    for cells in zip(*columns, strict=True):
        page.append([datetime.fromisoformat(cells[0]), *(_number_or_text(cell) for cell in cells[1:])])
    book.properties.created = book.properties.modified = datetime(2026, 1, 1)
    packed = io.BytesIO()
    book.save(packed)
    # A workbook is a zip whose entries carry the time of saving; packed anew with a fixed one.
    with zipfile.ZipFile(packed) as saved, zipfile.ZipFile(path.with_name(f"{path.name}.xlsx"), "w") as out:
        for entry in saved.infolist():
            fixed = zipfile.ZipInfo(entry.filename, (2026, 1, 1, 0, 0, 0))
            fixed.compress_type = zipfile.ZIP_DEFLATED
            out.writestr(fixed, saved.read(entry))


def _number_or_text(cell: str) -> float | str | None:
    if not cell:
        return None
    try:
        return float(cell)
    except ValueError:
        return cell


def _write_pairs(path: Path, sheet: Sheet, rows: Rows, shape: ExportShape) -> None:
    """Write a time and a value column for every tag side by side, each with its own changes only."""
    pairs = []
    for tag, cells in sheet.cells.items():
        keep = rows[_kept(cells[rows], True, sheet.deadbands[tag])]
        pairs += [_times(sheet.moments[keep], shape.time), cells[keep]]
    longest = max(len(column) for column in pairs)
    padded = [np.concatenate([column, np.full(longest - len(column), "", dtype=object)]) for column in pairs]
    header = [[cell for tag in sheet.cells for cell in (f"{tag} Time", tag)]]
    _write_lines(path, header, zip(*padded, strict=True), shape, longest)


def _kept(cells: Texts, changes_only: bool, deadband: float) -> npt.NDArray[np.bool_]:
    """Return which readings are recorded: all there are, or those beyond the deadband of the last one recorded."""
    if not changes_only:
        return np.array([cell is not None for cell in cells.tolist()], dtype=bool)
    keep = np.zeros(len(cells), dtype=bool)
    last, last_number = None, np.nan
    for row, cell in enumerate(cells.tolist()):
        if cell is None or cell == last:
            continue
        number = _number_or_text(cell)
        value = number if isinstance(number, float) else np.nan
        if not abs(value - last_number) <= deadband:
            keep[row], last, last_number = True, cell, value
    return keep


def _write_long(path: Path, sheet: Sheet, rows: Rows, shape: ExportShape, changes_only: bool) -> None:
    parts = []
    for order, (tag, cells) in enumerate(sheet.cells.items()):
        keep = rows[_kept(cells[rows], changes_only, sheet.deadbands[tag])]
        bad = sheet.bad.get(tag, np.zeros(len(cells), dtype=bool))[keep]
        columns = {"row": keep, "order": order, "tag": tag, "value": cells[keep], "bad": bad}
        parts.append(pd.DataFrame(columns))
    table = pd.concat(parts, ignore_index=True).sort_values(["row", "order"], kind="stable")
    moments = sheet.moments[table["row"].to_numpy()]
    if shape.container == "parquet":
        columns = {"time": moments.tz_convert("UTC"), "tag": table["tag"].to_numpy()}
        frame = pd.DataFrame(columns | {"value": table["value"].astype("str").to_numpy()})
        frame.to_parquet(path.with_name(f"{path.name}.parquet"), index=False)
        return
    columns_out = [_times(moments, shape.time), *(table[name].to_numpy(dtype=object) for name in ("tag", "value"))]
    header = ["time", "tag", "value"]
    if shape.quality:
        good, bad_text = QUALITY_TEXTS[shape.quality]
        header.append("quality")
        columns_out.append(np.where(table["bad"], bad_text, good).astype(object))
    _write_lines(path, [header], zip(*columns_out, strict=True), shape, len(table))


def _write_lines(
    path: Path, header: list[list[str]], lines: Iterable[tuple[str, ...]], shape: ExportShape, rows: int
) -> None:
    mark = shape.delimiter
    text = [mark.join(line) for line in [*header, *lines]]
    if shape.has_preamble:
        text = ["Trend export", "System: invented plant", "", *text, f"{rows} rows"]
    encoded = ("\n".join(text) + "\n").encode(shape.encoding)
    target = path.with_name(f"{path.name}.{shape.container}")
    if shape.container == "csv.gz":
        packed = io.BytesIO()
        with gzip.GzipFile(filename="", fileobj=packed, mode="wb", compresslevel=9, mtime=0) as zipped:
            zipped.write(encoded)
        encoded = packed.getvalue()
    elif shape.container == "csv.zst":
        import pyarrow as pa

        encoded = pa.compress(encoded, codec="zstd", asbytes=True)
    target.write_bytes(encoded)

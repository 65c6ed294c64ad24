"""Exports as control systems write them: wide or long, CSV, gzip or Parquet, one file a week, local time.

Same readings, same bytes: gzip headers carry no time, rows keep their order.
"""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.simulate.faults import Spoilt
from trendkit.simulate.operation import Grid
from trendkit.simulate.randomness import Array

Shape = Literal[
    "wide-csv",
    "wide-csv-gz",
    "wide-parquet",
    "long-csv",
    "long-csv-gz",
    "long-quality-csv-gz",
    "long-parquet",
]
SHAPES: tuple[str, ...] = get_args(Shape)
WEEK_S = 7 * 86400.0
TIME_FORMAT = "%Y-%m-%d %H:%M:%S"


def write_exports(
    folder: Path, name: str, spoilt: Spoilt, grid: Grid, shape: str, changes_only: bool
) -> None:
    """Write the readings of one press below `folder`, a file a week, named after the week's first day."""
    folder.mkdir(parents=True, exist_ok=True)
    local = pd.DatetimeIndex(grid.start_utc + pd.to_timedelta(spoilt.seconds, unit="s")).tz_convert(
        grid.timezone
    )
    week = (spoilt.seconds // WEEK_S).astype(int)
    columns = _cells(spoilt)
    for number in np.unique(week).tolist():
        rows = _rows(np.flatnonzero(week == number), spoilt.repeated)
        stem = f"{name}_{local[rows[0]]:%Y-%m-%d}"
        if shape.startswith("wide"):
            _write_wide(folder, stem, local, columns, rows, shape)
        else:
            _write_long(folder, stem, local, columns, spoilt, rows, shape, changes_only)


def _rows(rows: npt.NDArray[np.int64], repeated: list[tuple[int, int]]) -> npt.NDArray[np.int64]:
    """Return the rows in export order, repeated stretches coming a second time right after themselves."""
    parts = [rows]
    for first, end in repeated:
        inside = rows[(rows >= first) & (rows < end)]
        parts.append(inside)
    return np.sort(np.concatenate(parts), kind="stable")


def _cells(spoilt: Spoilt) -> dict[str, npt.NDArray[np.object_]]:
    """Return every tag's cells as text, None where empty."""
    cells = {}
    for tag, readings in spoilt.readings.items():
        if readings.texts is not None:
            cells[tag] = readings.texts
            continue
        values = readings.values
        assert values is not None
        column = _as_text(values, readings.meter.decimals)
        for row, word in spoilt.texts.get(tag, {}).items():
            column[row] = word
        cells[tag] = column
    return cells


def _as_text(values: Array, decimals: int) -> npt.NDArray[np.object_]:
    """Return numbers as fixed-point text, None for NaN; repeated values are formatted once."""
    unique, position = np.unique(values, return_inverse=True)
    texts = np.array([None if np.isnan(value) else f"{value:.{decimals}f}" for value in unique], dtype=object)
    result: npt.NDArray[np.object_] = texts[position]
    return result


def _write_wide(
    folder: Path,
    stem: str,
    local: pd.DatetimeIndex,
    columns: dict[str, npt.NDArray[np.object_]],
    rows: npt.NDArray[np.int64],
    shape: str,
) -> None:
    times = local[rows].strftime(TIME_FORMAT)
    if shape == "wide-parquet":
        frame = pd.DataFrame({"Time": local[rows].tz_convert("UTC")})
        for tag, cells in columns.items():
            numbers = pd.to_numeric(pd.Series(cells[rows]), errors="coerce")
            is_number = numbers.notna().any()
            frame[tag] = numbers.astype(float) if is_number else pd.Series(cells[rows], dtype="str")
        frame.to_parquet(folder / f"{stem}.parquet", index=False)
        return
    lines = [",".join(["Time", *columns])]
    blank = [np.where(cells[rows] == None, "", cells[rows]) for cells in columns.values()]  # noqa: E711
    lines += [",".join(cells) for cells in zip(times, *blank, strict=True)]
    _write_text(folder / f"{stem}.csv", "\n".join(lines) + "\n", shape.endswith("-gz"))


def _write_text(path: Path, text: str, is_zipped: bool) -> None:
    if not is_zipped:
        path.write_text(text, encoding="utf-8", newline="\n")
        return
    packed = io.BytesIO()
    with gzip.GzipFile(filename="", fileobj=packed, mode="wb", compresslevel=9, mtime=0) as zipped:
        zipped.write(text.encode("utf-8"))
    path.with_name(path.name + ".gz").write_bytes(packed.getvalue())


def _kept(cells: npt.NDArray[np.object_], changes_only: bool, deadband: float) -> npt.NDArray[np.bool_]:
    """Return which readings a historian keeps: all, or those beyond the deadband of the last kept one."""
    present: npt.NDArray[np.bool_] = np.array([cell is not None for cell in cells], dtype=bool)
    if not changes_only:
        return present
    keep = np.zeros(len(cells), dtype=bool)
    last: str | None = None
    last_number = np.nan
    for row, cell in enumerate(cells.tolist()):
        if cell is None or cell == last:
            continue
        try:
            number = float(cell)
        except ValueError:
            number = np.nan
        if not abs(number - last_number) <= deadband:
            keep[row], last, last_number = True, cell, number
    return keep


def _write_long(
    folder: Path,
    stem: str,
    local: pd.DatetimeIndex,
    columns: dict[str, npt.NDArray[np.object_]],
    spoilt: Spoilt,
    rows: npt.NDArray[np.int64],
    shape: str,
    changes_only: bool,
) -> None:
    with_quality = "quality" in shape
    times = np.asarray(local[rows].strftime(TIME_FORMAT), dtype=object)
    parts = []
    for order, (tag, cells) in enumerate(columns.items()):
        here = cells[rows]
        meter = spoilt.readings[tag].meter
        deadband = max(meter.resolution, 0.5 * meter.noise * _typical(spoilt.readings[tag].values))
        keep = _kept(here, changes_only, deadband)
        bad = spoilt.bad.get(tag, np.zeros(len(cells), dtype=bool))[rows]
        quality = np.where(bad, "Bad", "Good")
        parts.append(
            pd.DataFrame({"row": rows[keep], "order": order, "tag": tag, "time": times[keep]}).assign(
                value=here[keep], quality=quality[keep]
            )
        )
    table = pd.concat(parts, ignore_index=True).sort_values(["row", "order"], kind="stable")
    if shape == "long-parquet":
        moments = local[table["row"].to_numpy()].tz_convert("UTC")
        out = pd.DataFrame(
            {"time": moments, "tag": table["tag"].to_numpy(), "value": table["value"].to_numpy()}
        )
        out.astype({"value": "str"}).to_parquet(folder / f"{stem}.parquet", index=False)
        return
    lines = list(_long_lines(table, with_quality))
    _write_text(folder / f"{stem}.csv", "\n".join(lines) + "\n", shape.endswith("-gz"))


def _typical(values: Array | None) -> float:
    if values is None:
        return 0.0
    running = values[np.isfinite(values) & (values > 0)]
    return float(np.median(running)) if len(running) else 0.0


def _long_lines(table: pd.DataFrame, with_quality: bool) -> Iterator[str]:
    yield "time,tag,value,quality" if with_quality else "time,tag,value"
    names = ["time", "tag", "value", "quality"] if with_quality else ["time", "tag", "value"]
    for cells in zip(*(table[name].to_list() for name in names), strict=True):
        yield ",".join(cells)

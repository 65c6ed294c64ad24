"""Files that appear whole or not at all, and the machine forms of the figure table and the ledger."""

from __future__ import annotations

import glob
import io
import os
import re
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pa_parquet

from trendkit.archive.files import force_names_to_disk, force_to_disk
from trendkit.errors import InputError, Problem
from trendkit.press.results import FigureTable
from trendkit.reports.documents import upset_rows
from trendkit.reports.jsonio import json_text, plain

if TYPE_CHECKING:
    from trendkit.upsets.results import Upset

CSV_DIGITS = 8


def require_folder(folder: Path) -> None:
    """Refuse a place for files that is, or lies below, a file."""
    for place in (folder, *folder.parents):
        if place.exists() and not place.is_dir():
            raise InputError(
                Problem(
                    "files cannot be written here",
                    place="--out",
                    found=f"{place}, which is a file",
                    expected="a folder, there or to be made",
                    hint="name another folder",
                )
            )


Content = bytes | Callable[[Path], None]  # of a file, or what writes it to a path


def write_whole(folder: Path, contents: Mapping[str, Content]) -> tuple[Path, ...]:
    """Write every file of `contents` (by name) into `folder`, all of them or none; return their paths.

    Each is written beside its place under a temporary name first; a reader never sees half a file.
    """
    require_folder(folder)
    folder.mkdir(parents=True, exist_ok=True)
    _remove_left_behind(folder, contents)
    waiting: list[tuple[Path, Path]] = []
    try:
        for name, content in contents.items():
            part = folder / f".{name}.{os.getpid()}.part"
            waiting.append((part, folder / name))
            if callable(content):
                content(part)
            else:
                part.write_bytes(content)
            force_to_disk(part)  # before its name points to it: after a power cut there is the old file or the new one
        for part, place in waiting:
            os.replace(part, place)
        force_names_to_disk(folder)
    finally:
        for part, _ in waiting:
            part.unlink(missing_ok=True)
    return tuple(place for _, place in waiting)


def _remove_left_behind(folder: Path, names: Iterable[str]) -> None:
    """Remove the unfinished files of a writer killed more than an hour ago, or before the clock was set back."""
    for name in names:
        for left in folder.glob(f".{glob.escape(name)}.*.part"):
            with suppress(OSError):
                if abs(time.time() - left.stat().st_mtime) > 3600.0:
                    left.unlink()


def joined_table(tables: Sequence[FigureTable]) -> pd.DataFrame:
    """Return the figure tables of one or more presses under one another, contract columns first.

    Columns begin with `time`, `feed_time`, `press`, `run`, `phase`, `mode`, `capture_method`; a column one
    press lacks is NaN there.
    """
    parts = []
    for table in tables:
        rows = table.frame.reset_index(drop=True)
        lead = {"time": pd.Series(table.frame.index), "press": pd.Series(table.press, rows.index)}
        parts.append(pd.DataFrame(lead | {name: rows[name] for name in rows.columns}, copy=False))
    joined = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
    first = [
        name for name in ("time", "feed_time", "press", "run", "phase", "mode", "capture_method") if name in joined
    ]
    return joined[[*first, *(name for name in joined.columns if name not in first)]]


def parquet_of_pieces(path: Path, pieces: Iterable[FigureTable], head: pd.DataFrame) -> None:
    """Write figure tables under one another as Parquet, a row group each, so that they need not be held together.

    `head` has the columns of all of them and no rows; what `parquet_bytes` says of numbers and times holds here, too.
    """
    texts = {name: pa.string() for name in head.columns if head[name].dtype == object}
    fields = pa.Schema.from_pandas(head, preserve_index=False)
    schema = pa.schema([(each.name, texts.get(each.name, each.type)) for each in fields])
    repeating = [str(name) for name in head.columns if not pd.api.types.is_float_dtype(head[name].dtype)]
    with pa_parquet.ParquetWriter(path, schema, compression="zstd", use_dictionary=repeating) as file:
        for piece in pieces:
            frame = joined_table([piece]).reindex(columns=head.columns)
            file.write_table(pa.Table.from_pandas(frame, schema, preserve_index=False))


def csv_of_pieces(path: Path, pieces: Iterable[FigureTable], head: pd.DataFrame) -> None:
    """Write figure tables under one another as `csv_bytes` has them; `head` has the columns of all and no rows."""
    with path.open("wb") as file:
        file.write(csv_bytes(head))
        for piece in pieces:
            file.write(csv_bytes(joined_table([piece]).reindex(columns=head.columns), has_heading=False))


def parquet_bytes(frame: pd.DataFrame) -> bytes:
    """Return a frame as Parquet (zstd), full precision, times as UTC timestamps; null where not known."""
    sink = io.BytesIO()
    # numbers hardly repeat: a dictionary of them costs time and room
    repeating = [str(name) for name in frame.columns if not pd.api.types.is_float_dtype(frame[name].dtype)]
    table = pa.Table.from_pandas(frame, preserve_index=False)
    pa_parquet.write_table(table, sink, compression="zstd", use_dictionary=repeating)
    return sink.getvalue()


_STARTS_A_FORMULA = re.compile(r"[=+\-@\t\r]")
_A_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]*)?([eE][+-]?[0-9]+)?")


def csv_text(text: str) -> str:
    """Return a text no spreadsheet will run when it opens the CSV: what begins like a formula gets an apostrophe.

    Examples
    --------
    >>> csv_text("=1+1"), csv_text("-4.5"), csv_text("belt 2")
    ("'=1+1", '-4.5', 'belt 2')
    """
    return f"'{text}" if _STARTS_A_FORMULA.match(text) and not _A_NUMBER.fullmatch(text) else text


def _csv(table: pa.Table, has_heading: bool = True) -> bytes:
    sink = io.BytesIO()
    if has_heading:
        sink.write((",".join(table.column_names) + "\n").encode())  # bare names; the writer would quote them all
    pa_csv.write_csv(table, sink, pa_csv.WriteOptions(include_header=False, quoting_style="needed"))
    return sink.getvalue()


def csv_bytes(frame: pd.DataFrame, has_heading: bool = True) -> bytes:
    """Return a frame as CSV (UTF-8): empty cell where not known, times in UTC ending in Z, eight digits
    kept.
    """
    columns: dict[str, pa.Array] = {}
    for name in frame.columns:
        column = frame[name]
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            stamps = column.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy().astype("datetime64[s]")
            text = np.char.add(np.datetime_as_string(stamps), "Z")
            columns[name] = pa.array(text, mask=column.isna().to_numpy(), type=pa.string())
        elif pd.api.types.is_float_dtype(column.dtype):
            texts = [f"{value:.{CSV_DIGITS}g}" for value in column.dropna().to_numpy()]
            filled = np.full(len(column), None, dtype=object)
            filled[column.notna().to_numpy()] = texts
            columns[name] = pa.array(filled, type=pa.string())
        else:
            columns[name] = pa.array(column.map(_safe_cell), from_pandas=True)
    return _csv(pa.table(columns), has_heading)


_UPSET_SCHEMA = pa.schema(
    [
        ("press", pa.string()),
        ("run", pa.string()),
        ("start", pa.timestamp("us", "UTC")),
        ("effect_start", pa.timestamp("us", "UTC")),
        ("detected_at", pa.timestamp("us", "UTC")),
        ("end", pa.timestamp("us", "UTC")),
        ("kind", pa.string()),
        ("kinds", pa.list_(pa.string())),
        ("severity", pa.int64()),
        ("first_sign", pa.string()),
        ("cause", pa.string()),
        (
            "causes",
            pa.list_(
                pa.struct(
                    [
                        ("cause", pa.string()),
                        ("weight", pa.float64()),
                        ("because", pa.string()),
                        ("check", pa.string()),
                    ]
                )
            ),
        ),
        ("evidence", pa.string()),
        ("lost_dry_solids_kg", pa.float64()),
        ("extra_cost", pa.float64()),
        ("lost_dry_solids_kg_low", pa.float64()),
        ("lost_dry_solids_kg_high", pa.float64()),
        ("extra_cost_low", pa.float64()),
        ("extra_cost_high", pa.float64()),
    ]
)


def upsets_csv_bytes(upsets: Sequence[Upset]) -> bytes:
    """Return the ledger as CSV: a row per upset, lists as JSON text, empty cell where not known."""
    rows = [plain(row) for row in upset_rows(upsets)]
    columns = {name: pa.array([_cell(row[name]) for row in rows], type=pa.string()) for name in _UPSET_SCHEMA.names}
    return _csv(pa.table(columns))


def _safe_cell(value: object) -> object:
    return csv_text(value) if isinstance(value, str) else value


def _cell(value: object) -> str | None:
    if value is None:
        return None
    return json_text(value, indent=None) if isinstance(value, list) else csv_text(str(value))


def upsets_bytes(upsets: Sequence[Upset], suffix: str) -> bytes:
    """Return the ledger in the form `suffix` names: ``.json`` (a list of rows), ``.csv`` or ``.parquet``."""
    if suffix == ".csv":
        return upsets_csv_bytes(upsets)
    if suffix == ".parquet":
        sink = io.BytesIO()
        pa_parquet.write_table(pa.Table.from_pylist(upset_rows(upsets), _UPSET_SCHEMA), sink, compression="zstd")
        return sink.getvalue()
    return (json_text(upset_rows(upsets)) + "\n").encode()

"""The whole figure table as a workbook, for those who want every row in a spreadsheet."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pandas as pd

from trendkit import __version__
from trendkit.errors import InputError, Problem
from trendkit.plant.display import display
from trendkit.plant.model import Plant
from trendkit.reports.cautions import AT_THE_PRESS
from trendkit.reports.shown import Shown
from trendkit.reports.workbook_sheet import TIME_FORMAT, finished, local_reader, safe_text

MOST_ROWS = 1_048_575  # rows of one sheet, the heading left out (ECMA-376 workbooks as programs read them)


def table_workbook(frame: pd.DataFrame, plant: Plant) -> bytes:
    """Return the figure table as a workbook in the plant's units and time; columns null throughout are left
    out.

    Raises
    ------
    InputError
        When it has more rows than a sheet can hold.
    """
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell

    if len(frame) > MOST_ROWS:
        raise InputError(
            Problem(
                "too many rows for a workbook",
                found=f"{len(frame):,} rows",
                expected=f"at most {MOST_ROWS:,}",
                hint="write .parquet, or longer rows with --every 1h",
            )
        )
    shown, local = (
        Shown(plant.display_units, plant.costs.currency if plant.costs else ""),
        local_reader(plant.timezone),
    )
    names = [str(name) for name in frame.columns if frame[name].notna().any()]
    workbook = Workbook(write_only=True)
    sheet = workbook.create_sheet("Figures")
    sheet.freeze_panes = "B2"
    sheet.append([safe_text(shown.name(name) + (", plant time" if _is_moment(frame[name]) else "")) for name in names])
    columns = [_table_column(frame[name], name, shown, local) for name in names]

    def cell(value: Any) -> Any:
        if not isinstance(value, datetime):
            return value
        written = WriteOnlyCell(sheet, value=value)
        written.number_format = TIME_FORMAT
        return written

    for row in zip(*columns, strict=True):
        sheet.append([cell(value) for value in row])
    notes = workbook.create_sheet("Notes")
    for note in (
        f"{plant.name}, times in {plant.timezone}, trendkit {__version__}.",
        "A bin is labelled at its start.",
        *AT_THE_PRESS,
    ):
        notes.append([safe_text(note)])
    return finished(workbook)


def _is_moment(column: pd.Series) -> bool:
    return isinstance(column.dtype, pd.DatetimeTZDtype)


def _table_column(column: pd.Series, name: str, shown: Shown, local: Any) -> list[Any]:
    if _is_moment(column):
        return [local(moment) for moment in column]
    if pd.api.types.is_numeric_dtype(column):
        numbers = display(column.astype("float64"), name, shown.system)[0]
        return [None if value != value else float(f"{value:.6g}") for value in numbers.tolist()]
    return [None if pd.isna(value) else safe_text(str(value)) for value in column]

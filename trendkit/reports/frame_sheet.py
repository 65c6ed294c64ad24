"""Any frame of results as a sheet for people."""

from __future__ import annotations

import pandas as pd

from trendkit.reports.page import Head, Sheet
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.shown import Shown, is_known
from trendkit.reports.words import figure_name


def frame_sheet(
    caption: str,
    frame: pd.DataFrame,
    shown: Shown,
    columns_of: dict[str, str] | None = None,
    clock: PlantClock | None = None,
) -> Sheet:
    """Return a frame as a sheet: SI columns in the reader's units, times in plant time, blanks left empty to
    fill in.

    `columns_of` names the column whose unit a bare column ("low") is in.
    """
    units = columns_of or {}
    numeric = {name: pd.api.types.is_numeric_dtype(frame[name]) for name in frame.columns}
    heads = tuple(
        Head(figure_name(str(name), shown.system), _unit(units.get(str(name), str(name)), shown), numeric[name])
        for name in frame.columns
    )
    rows = tuple(
        tuple(
            _cell(value, units.get(str(name), str(name)), shown, clock)
            for name, value in zip(frame.columns, row, strict=True)
        )
        for row in frame.itertuples(index=False, name=None)
    )
    return Sheet(caption, heads, rows)


def _unit(column: str, shown: Shown) -> str:
    is_minutes = column.endswith("_min") and not column.endswith("_m_min")
    return "min" if is_minutes else shown.unit(column)


def _cell(value: object, column: str, shown: Shown, clock: PlantClock | None) -> str:
    if value is None or value is pd.NaT:
        return ""
    if isinstance(value, pd.Timestamp):
        return clock.time_text(value) if clock is not None else value.isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return shown.digits(value, column) if is_known(value) else ""
    return shown.retold(str(value))

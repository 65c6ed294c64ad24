"""What every workbook of ours shares: safe cells, plain headings, the same bytes for the same content."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import pandas as pd

from trendkit import __version__

FIXED_TIME = datetime(1980, 1, 1)


_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


DATE_FORMAT = "yyyy-mm-dd"


TIME_FORMAT = "yyyy-mm-dd hh:mm"


Row = Sequence[Any]


def safe_text(text: str) -> str:
    """Return a text no spreadsheet will run: one that begins like a formula gets an apostrophe in front.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("belt 2")
    ("'=1+1", 'belt 2')
    """
    clean = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", " ", text)
    return f"'{clean}" if clean.startswith(_STARTS_A_FORMULA) else clean


def _cell(value: Any) -> Any:
    if value is None or value is pd.NaT or (isinstance(value, float) and not -1e300 < value < 1e300):
        return None
    return safe_text(value) if isinstance(value, str) else value


def finished(workbook: Any) -> bytes:
    """Return the workbook's bytes with every time in it fixed, so that equal content gives equal files."""
    workbook.properties.creator = f"trendkit {__version__}"
    workbook.properties.created = workbook.properties.modified = FIXED_TIME
    raw = io.BytesIO()
    workbook.save(raw)
    sink = io.BytesIO()
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"1980-01-01T00:00:00Z", content)
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            target.writestr(entry, content)
    return sink.getvalue()


def add_sheet(workbook: Any, title: str, heads: Sequence[str], rows: Iterable[Row], formats: Mapping[int, str]) -> None:
    """Add a sheet with bold headings, sensible widths and the heading kept in sight; `formats` by column."""
    from openpyxl.styles import Alignment, Border, Font, Side
    from openpyxl.utils import get_column_letter

    sheet = workbook.create_sheet(title)
    sheet.append([safe_text(head) for head in heads])
    widths = [len(head) for head in heads]
    for row in rows:
        cells = [_cell(value) for value in row]
        sheet.append(cells)
        widths = [
            max(width, min(len(str(value if value is not None else "")), 60))
            for width, value in zip(widths, cells, strict=True)
        ]
    line = Border(bottom=Side(style="thin"))
    for cell in sheet[1]:
        cell.font, cell.border = Font(bold=True), line
        cell.alignment = Alignment(wrap_text=True, vertical="bottom")
    for column, form in formats.items():
        for (cell,) in sheet.iter_rows(min_row=2, min_col=column, max_col=column):
            cell.number_format = form
    for number, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(number)].width = min(max(9.0, width * 0.95 + 2), 58.0)
    sheet.freeze_panes = "B2"


def local_reader(timezone: str) -> Any:
    """Return a function from UTC moments to plant time without zone, as spreadsheets hold times."""

    def local(moment: pd.Timestamp | None) -> datetime | None:
        if moment is None or pd.isna(moment):
            return None
        return pd.Timestamp(moment).tz_convert(timezone).tz_localize(None).to_pydatetime().replace(microsecond=0)

    return local

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
from trendkit.reports.making import time_of_making

UNTOLD = datetime(1980, 1, 1)  # the first moment a ZIP can carry


_ANY_SYSTEM = 0  # which kind of system packed the file is no part of its content


_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


DATE_FORMAT = "yyyy-mm-dd"


TIME_FORMAT = "yyyy-mm-dd hh:mm"


Row = Sequence[Any]


_WIDEST = 58.0  # characters; longer texts wrap


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
    """Return the workbook's bytes; its times are SOURCE_DATE_EPOCH or 1980, so that equal content gives equal files."""
    workbook.properties.creator = f"trendkit {__version__}"
    made = time_of_making()
    stamp = f"{made or UNTOLD:%Y-%m-%dT%H:%M:%SZ}".encode()
    raw = io.BytesIO()
    workbook.save(raw)
    sink = io.BytesIO()
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", stamp, content)
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type, entry.create_system = zipfile.ZIP_DEFLATED, _ANY_SYSTEM
            target.writestr(entry, content)
    return sink.getvalue()


def add_sheet(
    workbook: Any,
    title: str,
    heads: Sequence[str],
    rows: Iterable[Row],
    formats: Mapping[int, str],
    is_mixed: bool = False,
) -> None:
    """Add a sheet with bold headings, sensible widths, the heading kept in sight and on every printed page.

    `formats` by column. Other numbers show as many decimals as their column's largest needs; with `is_mixed` as their
    row's does, for sheets with another unit in every row.
    """
    sheet = workbook.create_sheet(title)
    sheet.append([safe_text(head) for head in heads])
    count = 0
    for row in rows:
        sheet.append([_cell(value) for value in row])
        count += 1
    _head_row(sheet)
    for column, form in formats.items():
        for (cell,) in sheet.iter_rows(min_row=2, min_col=column, max_col=column):
            cell.number_format = form
    for line in sheet.iter_rows(min_row=2) if is_mixed else sheet.iter_cols(min_row=2):
        _format_numbers([cell for cell in line if cell.column not in formats])
    _wrap_and_widen(sheet)
    sheet.freeze_panes = "B2"
    if count:
        sheet.auto_filter.ref = sheet.dimensions
    _set_up_print(sheet)


def _head_row(sheet: Any) -> None:
    from openpyxl.styles import Alignment, Border, Font, Side

    font, border = Font(bold=True), Border(bottom=Side(style="thin"))
    alignment = Alignment(wrap_text=True, vertical="bottom")
    for cell in sheet[1]:
        cell.font, cell.border, cell.alignment = font, border, alignment


def _format_numbers(cells: Iterable[Any]) -> None:
    """Give the numbers of one column or row the decimals that the largest of them needs for three digits or more."""
    numbers = [cell for cell in cells if isinstance(cell.value, float)]
    if not numbers:
        return
    largest = max(abs(cell.value) for cell in numbers)
    form = "#,##0" if largest >= 1000 else "0.0" if largest >= 20 else "0.00"
    for cell in numbers:
        cell.number_format = form


def _wrap_and_widen(sheet: Any) -> None:
    from openpyxl.styles import Alignment
    from openpyxl.utils import get_column_letter

    short, long = (Alignment(wrap_text=is_long, vertical="top") for is_long in (False, True))
    for cells in sheet.iter_cols():
        longest = max(len(str(cell.value)) if cell.value is not None else 0 for cell in cells[1:] or cells)
        head = max((len(word) for word in str(cells[0].value or "").split()), default=0)
        width = min(max(9.0, longest * 0.95 + 2, head + 2), _WIDEST)
        sheet.column_dimensions[get_column_letter(cells[0].column)].width = width
        for cell in cells[1:]:
            if isinstance(cell.value, str):
                cell.alignment = long if len(cell.value) > _WIDEST else short


def _set_up_print(sheet: Any) -> None:
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "1:1"
    sheet.oddFooter.left.text = "&F, &A"
    sheet.oddFooter.right.text = "page &P of &N"


def local_reader(timezone: str) -> Any:
    """Return a function from UTC moments to plant time without zone, as spreadsheets hold times."""

    def local(moment: pd.Timestamp | None) -> datetime | None:
        if moment is None or pd.isna(moment):
            return None
        return pd.Timestamp(moment).tz_convert(timezone).tz_localize(None).to_pydatetime().replace(microsecond=0)

    return local

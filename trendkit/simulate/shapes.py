"""How control systems write exports: layouts, containers, clocks and marks, by name. Imports nothing heavy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Layout = Literal["wide", "long", "pairs", "tag-files"]
Container = Literal["csv", "csv.gz", "csv.zst", "parquet", "xlsx"]
TimeStyle = Literal["iso", "offset", "am-pm", "day-first", "midnight-24", "epoch-s", "epoch-ms", "spreadsheet-serial"]
QualityStyle = Literal["", "words", "opc-da", "opc-ua", "zero-one"]


@dataclass(frozen=True)
class ExportShape:
    """One way in which an export can be written."""

    layout: Layout = "wide"
    container: Container = "csv"
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    time: TimeStyle = "iso"
    header_rows: Literal[1, 2] = 1  # 2: a title row above the tag names
    has_units_row: bool = False
    has_preamble: bool = False  # lines of prose above, a count of rows below
    quality: QualityStyle = ""


SHAPES: dict[str, ExportShape] = {
    "wide-csv": ExportShape(),
    "wide-csv-gz": ExportShape(container="csv.gz"),
    "wide-csv-zst": ExportShape(container="csv.zst"),
    "wide-parquet": ExportShape(container="parquet"),
    "wide-xlsx": ExportShape(container="xlsx"),
    "wide-semicolon": ExportShape(delimiter=";", decimal=","),
    "wide-tab-utf16": ExportShape(delimiter="\t", encoding="utf-16"),
    "wide-bom": ExportShape(encoding="utf-8-sig"),
    "wide-cp1252": ExportShape(encoding="cp1252", has_units_row=True),
    "wide-units-row": ExportShape(has_units_row=True),
    "wide-two-headers": ExportShape(header_rows=2),
    "wide-preamble": ExportShape(has_preamble=True),
    "wide-am-pm": ExportShape(time="am-pm"),
    "wide-day-first": ExportShape(time="day-first"),
    "wide-midnight-24": ExportShape(time="midnight-24"),
    "wide-offset": ExportShape(time="offset"),
    "wide-epoch-s": ExportShape(time="epoch-s"),
    "wide-epoch-ms": ExportShape(time="epoch-ms"),
    "wide-serial": ExportShape(time="spreadsheet-serial"),
    "pairs-csv": ExportShape(layout="pairs"),
    "tag-files": ExportShape(layout="tag-files"),
    "long-csv": ExportShape(layout="long"),
    "long-csv-gz": ExportShape(layout="long", container="csv.gz"),
    "long-parquet": ExportShape(layout="long", container="parquet"),
    "long-quality-csv-gz": ExportShape(layout="long", container="csv.gz", quality="words"),
    "long-opc-da": ExportShape(layout="long", quality="opc-da"),
    "long-opc-ua": ExportShape(layout="long", quality="opc-ua"),
    "long-zero-one": ExportShape(layout="long", quality="zero-one"),
}

# good, bad. DA: quality bits 11 and 00 in the high pair of the low byte; UA: severity bits 00 and 10
# (BadNoData).
QUALITY_TEXTS: dict[str, tuple[str, str]] = {
    "words": ("Good", "Bad"),
    "opc-da": ("192", "0"),
    "opc-ua": ("0", "2157641728"),
    "zero-one": ("1", "0"),
}

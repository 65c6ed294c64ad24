"""The public way out: each function writes one command's files, whole or not at all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from trendkit.errors import InputError, Problem
from trendkit.plant.model import Plant
from trendkit.press.results import FigureTable, PeriodReview
from trendkit.reports.context import PageContext
from trendkit.reports.documents import (
    compare_document,
    quality_document,
    review_document,
    troubleshoot_document,
    tune_document,
)
from trendkit.reports.files import (
    csv_of_pieces,
    joined_table,
    parquet_bytes,
    parquet_of_pieces,
    upsets_bytes,
    write_whole,
)
from trendkit.reports.jsonio import plain
from trendkit.reports.plant_clock import clock_of
from trendkit.reports.words import KINDS, said

if TYPE_CHECKING:  # results are read, never made here: the rooms that make them need not be loaded
    import pandas as pd

    from trendkit.reports.held_against import HeldAgainst
    from trendkit.reports.page import Page
    from trendkit.series import QualityAccount
    from trendkit.tuning.compare import Comparison
    from trendkit.tuning.results import Tuning
    from trendkit.upsets.results import DayAccount, Upset


def write_review(
    folder: Path,
    context: PageContext,
    review: PeriodReview,
    table: FigureTable,
    upsets: Sequence[Upset],
    held: HeldAgainst | None = None,
) -> dict[str, str]:
    """Write review.html and .json, figures.parquet, figures.xlsx and upsets.csv; return the answer and the
    page's path.

    `table` holds the period's rows; numbers in machine files are SI, on the page and in the workbook the
    plant's. Where `folder` holds a review of the same press and period, the page says what moved since.
    """
    from trendkit.reports.held_against import HeldAgainst
    from trendkit.reports.reissue import reissue
    from trendkit.reports.review_page import review_page
    from trendkit.reports.workbook import review_workbook

    held = held or HeldAgainst()
    document = review_document(context, review, table, upsets, held)
    again = reissue(folder, plain(document))
    document["reissue"] = again
    page = review_page(context, review, table, upsets, held, again)
    contents = {
        "figures.parquet": parquet_bytes(joined_table([table])),
        "figures.xlsx": review_workbook(context, review, table, upsets, held),
        "upsets.csv": upsets_bytes(upsets, ".csv"),
    }
    return _write_page(folder, "review", page, {**document, "answer": page.answer}, contents)


def write_troubleshoot(
    folder: Path, context: PageContext, account: DayAccount, table: FigureTable, upsets: Sequence[Upset]
) -> dict[str, str]:
    """Write troubleshoot.html and .json of one day; return the answer and the page's path."""
    from trendkit.reports.troubleshoot_page import troubleshoot_page

    page = troubleshoot_page(context, account, table, upsets)
    document = {**troubleshoot_document(context, account, table, upsets), "answer": page.answer}
    return _write_page(folder, "troubleshoot", page, document, {})


def write_tune(folder: Path, context: PageContext, tuning: Tuning, table: FigureTable) -> dict[str, str]:
    """Write tune.html and .json and the step-test sheet to fill in; return the answer and the page's path."""
    from trendkit.reports.tune_page import tune_page
    from trendkit.tuning.step_test import step_test_csv

    page = tune_page(context, tuning, table)
    document = {**tune_document(context, tuning, table), "answer": page.answer}
    sheet = step_test_csv(tuning.step_test, context.plant.display_units)
    return _write_page(folder, "tune", page, document, {"step-test.csv": sheet.encode()})


def write_compare(folder: Path, context: PageContext, found: Comparison, table: FigureTable) -> dict[str, str]:
    """Write compare.html and .json; return the answer and the page's path. `table` holds both periods' rows."""
    from trendkit.reports.compare_page import compare_page

    page = compare_page(context, found, table)
    return _write_page(folder, "compare", page, {**compare_document(context, found, table), "answer": page.answer}, {})


def write_quality(
    folder: Path, context: PageContext, account: QualityAccount, rows: pd.DataFrame, every_s: int
) -> dict[str, str]:
    """Write quality.html and quality.json; return the answer and the page's path.

    `rows` are the press's bins of `every_s` seconds as the series room gives them (SI).
    """
    from trendkit.reports.quality_page import quality_page

    page = quality_page(context, account, rows, every_s)
    return _write_page(folder, "quality", page, {**quality_document(context, account), "answer": page.answer}, {})


def _write_page(
    folder: Path, command: str, page: Page, document: dict[str, object], others: dict[str, bytes]
) -> dict[str, str]:
    from trendkit.reports.page_set import sealed

    write_whole(folder, sealed(command, page, document, others))
    return {"answer": page.answer.replace("\u00a0", " "), "page": str(folder / f"{command}.html")}


def require_suffix(path: Path, suffixes: Sequence[str]) -> None:
    """Raise an InputError when a file to write has none of the endings its command knows."""
    if path.suffix.lower() not in suffixes:
        raise InputError(
            Problem(
                "this kind of file is not written",
                place="--out",
                found=repr(path.suffix or path.name),
                expected=" or ".join(suffixes),
                hint=f"end the name with {suffixes[0]}",
            )
        )


def write_table(path: Path, tables: Iterable[FigureTable], heads: Sequence[FigureTable], plant: Plant) -> Path:
    """Write figure tables under one another: .parquet and .csv in SI and UTC, .xlsx in the plant's units and time.

    `tables` may be made while they are written, and are let go of one after another but for a workbook; `heads` have
    the columns of each press's and no rows.
    """
    suffix = path.suffix.lower()
    require_suffix(path, (".parquet", ".csv", ".xlsx"))
    head = joined_table(heads)

    def write(part: Path) -> None:
        if suffix == ".xlsx":
            from trendkit.reports.table_workbook import table_workbook

            part.write_bytes(table_workbook(joined_table(list(tables)), plant))
        else:
            (parquet_of_pieces if suffix == ".parquet" else csv_of_pieces)(part, tables, head)

    return write_whole(path.parent, {path.name: write})[0]


def write_upsets(path: Path, upsets: Sequence[Upset]) -> Path:
    """Write the upset ledger as .csv, .json or .parquet."""
    require_suffix(path, (".csv", ".json", ".parquet"))
    return write_whole(path.parent, {path.name: upsets_bytes(upsets, path.suffix.lower())})[0]


def upset_line(upset: Upset, plant: Plant) -> str:
    """Return one upset as one line for a terminal, in plant time."""
    from trendkit.plant.calendar import Period

    clock = clock_of(Period(upset.start, upset.end, plant.timezone))
    return (
        f"{upset.press}  {clock.time_text(upset.start)}  severity {upset.severity}  "
        f"{said(KINDS, upset.kind)}: {said_cause(upset)}"
    )


def said_cause(upset: Upset) -> str:
    """Return the likeliest cause of an upset in plain words."""
    from trendkit.reports.words import CAUSES

    return said(CAUSES, upset.cause)

"""Rows that could not be used: how many, why, and on which line of the file the first of them stand."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from trendkit.exports.block import ReadLog
from trendkit.exports.engine import has_table
from trendkit.exports.sources import Source, TextSource
from trendkit.exports.textfile import Packing, blank_lines

LISTED = 200
Refused = tuple[int, str]  # line of the file, and why it cannot be used
_REJECTS = ("reject_errors", "reject_scans")  # where DuckDB sets lines aside

_WHY = {
    "TOO MANY COLUMNS": "the row has more cells than the header",
    "MISSING COLUMNS": "the row has fewer cells than the header",
    "UNQUOTED VALUE": "a quotation mark is not closed",
    "LINE SIZE OVER MAXIMUM": "the line is too long",
    "INVALID ENCODING": "the line is not UTF-8 text",
}


@dataclass
class Refusals:
    """Collects what is refused while a file is read."""

    rows: list[tuple[int, str]] = field(default_factory=list)  # place among the rows read, from 0, and why
    counts: Counter[str] = field(default_factory=Counter)
    repeated_headers: int = 0

    def refuse(self, place: int, why: str) -> None:
        """Note a row that cannot be used."""
        self.counts[why] += 1
        if len(self.rows) < LISTED:
            self.rows.append((place, why))

    def settle(self, log: ReadLog, source: Source, copy: Path | None, rejects: list[Refused]) -> None:
        """Write all refusals into the log, with line numbers; `rejects` are lines DuckDB set aside, and why."""
        for _, why in rejects:
            self.counts[why] += 1
        log.refused = sum(self.counts.values())
        log.rows += len(rejects)
        if self.rows or rejects:
            placed = sorted(self.rows)
            lines = _lines_of([place for place, _ in placed], source, copy, sorted(line for line, _ in rejects))
            found = [(line, why) for line, (_, why) in zip(lines, placed, strict=True)] + rejects
            log.refusals = sorted(found)[:LISTED]
        for why, count in self.counts.most_common():
            log.notes.append(f"{count} {'row was' if count == 1 else 'rows were'} refused: {why}")
        if self.repeated_headers:
            log.notes.append(f"{self.repeated_headers} repeated header lines were left out")


def _lines_of(places: list[int], source: Source, copy: Path | None, rejected: list[int]) -> list[int]:
    """Return the line numbers of rows by their place among those read; of Parquet, the row numbers from 1."""
    if not isinstance(source, TextSource):
        return [place + 1 for place in places]
    first = source.table.first_data_line
    packing: Packing = source.file.packing if copy is None else ""
    missing = sorted({*rejected, *(blank_lines(copy or source.file.path, packing, first) if places else ())})
    lines, passed = [], 0
    for place in places:
        while passed < len(missing) and missing[passed] <= first + place + passed:
            passed += 1
        lines.append(first + place + passed)
    return lines


def lines_set_aside(database: Any) -> dict[str, list[Refused]]:
    """Return the lines DuckDB refused, and why, once each, by the path it was told."""
    if not has_table(database, _REJECTS[0]):
        return {}  # no reading of this connection set lines aside
    found = database.execute(
        "SELECT file_path, line, min(error_type::VARCHAR), min(csv_line) FROM reject_errors "
        "JOIN reject_scans USING (scan_id, file_id) GROUP BY file_path, line ORDER BY file_path, line"
    ).fetchall()
    refused: dict[str, list[Refused]] = {}
    for path, line, kind, text in found:
        if (text or "").strip("\r\n "):
            refused.setdefault(path, []).append((int(line), _WHY.get(kind, "the row does not fit the header")))
    return refused


def forget_lines_set_aside(database: Any) -> None:
    """Begin anew: what was read before set nothing aside."""
    for table in _REJECTS:
        database.execute(f"DROP TABLE IF EXISTS {table}")

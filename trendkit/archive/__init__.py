"""Opened exports and bench sheets in; the same readings back at any later time, each once, in UTC and their own unit.

Kept as Parquet by press and week under the plant's archive folder; `read_archive` gives weeks that are read like
exports.
"""

from trendkit.archive.ingest import ingest
from trendkit.archive.report import IngestedFile, IngestReport
from trendkit.archive.stored import Archive, ArchivedWeek, read_archive

__all__ = ["Archive", "ArchivedWeek", "IngestReport", "IngestedFile", "ingest", "read_archive"]

"""What an ingest did, file by file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from trendkit.archive.manifest import Source


@dataclass(frozen=True)
class IngestedFile:
    """One file given to an ingest.

    `source` is its entry in the archive. A file that `was_known` had been ingested before, as it is: nothing of it
    was new, and its entry tells of that first time.
    """

    source: Source
    was_known: bool

    @property
    def new(self) -> int:
        """Readings (results of the bench) that the archive did not have."""
        return 0 if self.was_known else self.source.new

    @property
    def known(self) -> int:
        """Readings that it had, the same."""
        return self.source.new + self.source.known if self.was_known else self.source.known

    @property
    def conflicting(self) -> int:
        """Readings at times for which it had another value."""
        return 0 if self.was_known else self.source.conflicting

    def sentence(self) -> str:
        """Return in one line what came of the file.

        Examples
        --------
        >>> source = Source("export", "a.csv", "a.csv", "0", "", "", 10, 1, ((7, "it has no time"),), 5, 3, 1, (), ())
        >>> IngestedFile(source, was_known=False).sentence()
        'a.csv: 5 readings new, 3 known, 1 conflicting; 1 of 10 rows refused'
        >>> IngestedFile(source, was_known=True).sentence()
        'a.csv: ingested before, nothing new'
        """
        if self.was_known:
            return f"{self.source.file}: ingested before, nothing new"
        what = "readings" if self.source.kind == "export" else "results"
        told = f"{self.source.file}: {self.new} {what} new, {self.known} known"
        if self.conflicting:
            told += f", {self.conflicting} conflicting"
        if self.source.refused:
            told += f"; {self.source.refused} of {self.source.rows} rows refused"
        return told


@dataclass(frozen=True)
class IngestReport:
    """What one ingest did: its files in the order they were taken, and how many files of the archive are new."""

    folder: Path
    files: tuple[IngestedFile, ...]
    parts_written: int

    @property
    def new(self) -> int:
        """Readings and results that the archive did not have."""
        return sum(file.new for file in self.files)

    @property
    def known(self) -> int:
        """Readings and results that it had, the same."""
        return sum(file.known for file in self.files)

    @property
    def conflicting(self) -> int:
        """Readings and results for which it had another value."""
        return sum(file.conflicting for file in self.files)

    @property
    def refused(self) -> int:
        """Rows of the files that could not be used."""
        return sum(file.source.refused for file in self.files)

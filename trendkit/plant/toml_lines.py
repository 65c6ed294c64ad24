"""Which line of a TOML file a key stands on, so that a mistake can be shown where it was made.

Comes in: text that tomllib has accepted (so its grammar is not checked again here). Goes out: key path ->
line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

Path = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"[ \t]*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'",
    re.S,
)
_PLAIN = re.compile(r"[^\s,\[\]{}#\"']+(?:[ \t]+\d[^\s,\[\]{}#\"']*)?")  # a date and its time may be parted by a space


@dataclass
class _Scanner:
    text: str
    at: int = 0
    lines: dict[Path, int] = field(default_factory=dict)
    table: Path = ()
    counts: dict[Path, int] = field(default_factory=dict)  # array of tables -> how many so far

    def line(self) -> int:
        """Return the line reached, from 1."""
        return self.text.count("\n", 0, self.at) + 1

    def skip(self, pattern: re.Pattern[str]) -> str:
        """Go past what a pattern matches here and return it, "" where it does not match."""
        match = pattern.match(self.text, self.at)
        if match is None:
            return ""
        self.at = match.end()
        return match.group()

    def key(self) -> Path:
        """Read a bare, quoted or dotted key."""
        parts: list[str] = []
        while True:
            self.skip(_SPACE)
            quoted = self.skip(_STRING)
            parts.append(quoted[1:-1] if quoted else self.skip(_BARE))
            self.skip(_SPACE)
            if self.text[self.at : self.at + 1] != ".":
                return tuple(parts)
            self.at += 1

    def resolve(self, parts: Path) -> Path:
        """Return a header's path with the number of the last table wherever an array of tables is passed."""
        path: Path = ()
        for part in parts:
            path = (*path, part)
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        return path

    def header(self) -> None:
        """Read the header of a table or of one more table of an array."""
        line, is_array = self.line(), self.text.startswith("[[", self.at)
        self.at += 2 if is_array else 1
        parts = self.key()
        self.at += 2 if is_array else 1
        parent = self.resolve(parts[:-1])
        self.table = (*parent, parts[-1])
        if is_array:
            self.lines.setdefault(self.table, line)
            self.counts[self.table] = self.counts.get(self.table, 0) + 1
            self.table = (*self.table, self.counts[self.table] - 1)
        elif self.table in self.counts:
            self.table = (*self.table, self.counts[self.table] - 1)
        self.note(self.table, line)

    def note(self, path: Path, line: int) -> None:
        """Note the line of a key, and of the tables around it that have none of their own."""
        for length in range(1, len(path)):
            self.lines.setdefault(path[:length], line)
        self.lines[path] = line

    def statement(self, table: Path) -> None:
        """Read a key of a table and its value."""
        line = self.line()
        path = (*table, *self.key())
        self.note(path, line)
        self.at += 1  # the equals sign
        self.skip(_SPACE)
        self.value(path)

    def value(self, path: Path) -> None:
        """Read a value; of arrays and inline tables the items are noted, too."""
        opening = self.text[self.at : self.at + 1]
        if opening == "[":
            self.items(path, "]")
        elif opening == "{":
            self.items(path, "}")
        else:
            self.skip(_STRING) or self.skip(_PLAIN)

    def items(self, path: Path, closing: str) -> None:
        """Read the items of an array or the keys of an inline table."""
        self.at += 1
        number = 0
        while self.at < len(self.text):
            self.skip(_BLANK)
            here = self.text[self.at : self.at + 1]
            if here == closing:
                self.at += 1
                return
            if here == ",":
                self.at += 1
            elif closing == "}":
                self.statement(path)
            else:
                self.note((*path, number), self.line())
                self.value((*path, number))
                number += 1

    def scan(self) -> dict[Path, int]:
        """Read to the end and return the line of every key."""
        while True:
            self.skip(_BLANK)
            if self.at >= len(self.text):
                return self.lines
            if self.text[self.at] == "[":
                self.header()
            else:
                self.statement(self.table)


def key_lines(text: str) -> dict[Path, int]:
    """Return the line, from 1, of every key, table and array item of valid TOML text.

    Examples
    --------
    >>> lines = key_lines('[[press]]\\nname = "A"\\n[press.tags.feed_flow]\\ntag = "X"\\n')
    >>> lines["press", 0, "tags", "feed_flow", "tag"]
    4
    """
    return _Scanner(text.replace("\r\n", "\n")).scan()


def line_of(lines: Mapping[Path, int], path: Path) -> int | None:
    """Return the line of a key, or of the nearest table around it in the file; None for the file itself."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None

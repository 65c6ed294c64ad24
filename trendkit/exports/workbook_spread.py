"""How far the cells of a workbook's part reach, told from its unpacked bytes before anything is made of them.

XML of today's workbooks names each cell's place; OpenDocument repeats rows and cells by a count; the binary form has
records. A part that no program for spreadsheets would write is called unusual.
"""

from __future__ import annotations

import re
from typing import Protocol

MOST_TAG_BYTES = 4 * 1024 * 1024  # from one "<" to the next; a cell's text has at most 32,767 characters

_DECLARES = re.compile(rb"<!\s*(DOCTYPE|ENTITY)", re.IGNORECASE)
_PLACE = re.compile(rb' r="([A-Za-z]*[0-9]*)')
_AS_USUAL = bytes.maketrans(b"\t\r\n'", b'   "')  # attributes may be spaced and quoted in other ways
_DIGITS, _LETTERS = b"0123456789", b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
_REPEATED = re.compile(rb"""<table:(table-row|table-cell|covered-table-cell)\b((?:[^>"']|"[^"]*"|'[^']*')*)>""")
_TIMES = re.compile(rb"""number-(?:rows|columns)-repeated\s*=\s*["']\s*([0-9]{1,12})""")


class UnusualPartError(Exception):
    """A part holds what no program for spreadsheets writes."""


class Spread(Protocol):
    """The farthest row and column with a cell, from 1."""

    rows: int
    columns: int

    def see(self, piece: bytes) -> None:
        """Look at the next piece of the part; raise `UnusualPartError` for what no spreadsheet holds."""


def spread_of(part: str) -> Spread | None:
    """Return what looks at a part of this name, None for a part without cells."""
    if part == "content.xml":
        return RepeatedCells()
    if part.endswith(".bin"):
        return BinaryCells()
    return NamedCells() if part.endswith((".xml", ".rels")) else None


class _Xml:
    """An XML part: what a piece leaves unfinished is put before the next."""

    def __init__(self) -> None:
        self.rows, self.columns, self._rest = 1, 1, b""

    def whole_tags(self, piece: bytes) -> bytes:
        """Return the text up to the last tag that may go on in the next piece."""
        text = self._rest + piece
        if _DECLARES.search(text):
            raise UnusualPartError("a declaration of entities, which no spreadsheet writes")
        cut = max(text.rfind(b"<"), 0)
        self._rest = text[cut:]
        if len(self._rest) > MOST_TAG_BYTES:
            raise UnusualPartError(f"more than {MOST_TAG_BYTES // 2**20} MB of text in one place")
        return text[:cut]


class NamedCells(_Xml):
    """A sheet whose cells and rows name their place, as in r="B7"."""

    def see(self, piece: bytes) -> None:
        """Look at the next piece."""
        text = (self.whole_tags(piece) + self._rest).translate(_AS_USUAL)
        while b"  " in text:
            text = text.replace(b"  ", b" ")
        text = text.replace(b" =", b"=").replace(b"= ", b"=").replace(b'"r="', b'" r="')
        places = b",".join(_PLACE.findall(text))
        rows = {int(row) for row in places.translate(None, _LETTERS).split(b",") if row}
        letters = set(places.translate(None, _DIGITS).split(b","))
        self.rows = max([self.rows, *rows])
        self.columns = max([self.columns, *(column_number(each) for each in letters)])


class RepeatedCells(_Xml):
    """An OpenDocument sheet, whose rows and cells are repeated by a count; empty ones at an end do not count."""

    def __init__(self) -> None:
        super().__init__()
        self._row = self._column = self._repeats = 0

    def see(self, piece: bytes) -> None:
        """Look at the next piece."""
        for kind, attributes in _REPEATED.findall(self.whole_tags(piece)):
            found = _TIMES.search(attributes)
            times = int(found.group(1)) if found else 1
            if kind == b"table-row":
                self._row, self._column, self._repeats = self._row + self._repeats, 0, times
            else:
                self._column += times
                if b"value" in attributes or b"formula" in attributes:
                    self.rows, self.columns = max(self.rows, self._row + self._repeats), max(self.columns, self._column)


class BinaryCells:
    """A binary sheet: records of a kind, a length and a content; kind 0 begins a row, kinds 1 to 11 are cells."""

    def __init__(self) -> None:
        self.rows, self.columns, self._rest = 1, 1, b""

    def see(self, piece: bytes) -> None:
        """Look at the next piece."""
        text, at = self._rest + piece, 0
        while (record := _record(text, at)) is not None:
            kind, begins, ends = record
            number = int.from_bytes(text[begins : begins + 4], "little") + 1
            if kind == 0:
                self.rows = max(self.rows, number)
            elif kind <= 11:
                self.columns = max(self.columns, number)
            at = ends
        self._rest = text[at:]
        if len(self._rest) > MOST_TAG_BYTES:
            raise UnusualPartError(f"a record of more than {MOST_TAG_BYTES // 2**20} MB")


def _record(text: bytes, at: int) -> tuple[int, int, int] | None:
    """Return the kind of the record at a place, where its content begins and ends; None where it is not all there."""
    if at + 6 > len(text):
        return None
    kind = text[at]
    at += 1
    if kind & 0x80:
        kind, at = (kind & 0x7F) | (text[at] & 0x7F) << 7, at + 1
    length = shift = 0
    while shift < 28:
        byte = text[at]
        length, shift, at = length | (byte & 0x7F) << shift, shift + 7, at + 1
        if not byte & 0x80 or at >= len(text):
            break
    return (kind, at, at + length) if at + length <= len(text) else None


def column_number(letters: bytes) -> int:
    """Return the number of a column by its letters, from 1; 1 without any.

    Examples
    --------
    >>> column_number(b"A"), column_number(b"AB"), column_number(b"XFD")
    (1, 28, 16384)
    """
    number = 0
    for letter in letters.upper():
        number = 26 * number + letter - 64
    return max(number, 1)

"""Columns of a batch as arrays: numbers with the odd cells read one by one, qualities by their scheme, state texts.

A column comes as Arrow from DuckDB. Texts are looked up once per distinct text of a batch, never once per row.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from trendkit.errors import InputError
from trendkit.exports.block import BAD, GOOD, UNCERTAIN, ReadLog
from trendkit.exports.numbers import DecimalMark, Reading, read_number
from trendkit.exports.quality import quality_of, unknown_quality
from trendkit.plant.model import QualityScheme

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]
Objects = npt.NDArray[np.object_]
Bools = npt.NDArray[np.bool_]


def distinct(column: Any) -> tuple[list[str], Ints]:
    """Return the distinct texts of an Arrow column, and for each row which of them it holds (-1: none)."""
    encoded = column.dictionary_encode()
    codes = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return encoded.dictionary.to_pylist(), codes.astype(np.int64)


def floats(column: Any) -> Floats:
    """Return an Arrow column of numbers, NaN where a cell is null."""
    values: Floats = column.to_numpy(zero_copy_only=False)
    return values.astype(np.float64, copy=False)


def holds_no_number(column: Any, values: Floats) -> bool:
    """Return True when a column of declared numbers holds "nan" or "inf": cells that are texts, not numbers."""
    if column.null_count == 0:
        with np.errstate(invalid="ignore", over="ignore"):
            if np.isfinite(values.sum()):
                return False
    return int(np.count_nonzero(np.isfinite(values))) != len(values) - int(column.null_count)


def state_texts(column: Any) -> Objects:
    """Return the texts of a state column as objects, None where a cell is empty; "1.0" is "1", as states are words."""
    words, codes = distinct(column)
    table = np.array([*(_state_word(word) for word in words), None], dtype=object)
    texts: Objects = table[codes]
    return texts


def is_none(texts: Objects) -> Bools:
    """Return which cells of a state column are empty."""
    return np.array([text is None for text in texts], bool)


def _state_word(text: str) -> str | None:
    clean = text.strip()
    return re.sub(r"^(-?\d+)\.0+$", r"\1", clean) or None


@dataclass
class CellReader:
    """Reads the cells of one file that DuckDB leaves: odd numbers and qualities; counts what it could not use."""

    file: str
    decimal: DecimalMark
    scheme: QualityScheme | None
    log: ReadLog
    _numbers: dict[tuple[str, str], Reading | None] = field(default_factory=dict)
    _units: dict[str, str] = field(default_factory=dict)  # tag -> the unit its cells carry

    def numbers(self, tag: str, values: Floats, rows: Ints, texts: Any) -> tuple[Floats, Bytes | None]:
        """Return a number column with its odd cells read, and its quality where some cell is a text (else None).

        `rows` are the odd cells' places in `values`, `texts` what they hold (Arrow; null where a cell is empty).
        """
        words, codes = distinct(texts)
        if not words:
            return values, None
        rows, codes = rows[codes >= 0], codes[codes >= 0]
        readings = [self._number(tag, word) for word in words]
        is_text = np.array([r is None and word.strip() != "" for r, word in zip(readings, words, strict=True)])
        read = values.copy()
        read[rows] = np.array([np.nan if r is None else r.value for r in readings])[codes]
        counts = np.bincount(codes, minlength=len(words))
        for word, count, refused in zip(words, counts, is_text, strict=True):
            if refused:
                seen = self.log.texts.setdefault(tag, {})
                seen[word.strip()] = seen.get(word.strip(), 0) + int(count)
        if not is_text.any():
            return read, None
        quality = np.full(len(values), GOOD, np.uint8)
        quality[rows] = np.where(is_text[codes], BAD, GOOD)
        return read, quality

    def _number(self, tag: str, text: str) -> Reading | None:
        if (tag, text) not in self._numbers:
            reading = read_number(text, self.decimal)
            if reading is not None and reading.unit and self._units.setdefault(tag, reading.unit) != reading.unit:
                reading = None  # a unit that changes from cell to cell cannot be stripped
            self._numbers[tag, text] = reading
        return self._numbers[tag, text]

    def qualities(self, column: Any) -> Bytes:
        """Return a quality column as GOOD, UNCERTAIN and BAD; where nothing is said, UNCERTAIN.

        Raises
        ------
        InputError
            When a value does not belong to the scheme the column was told by.
        """
        if self.scheme is None:
            return np.full(len(column), GOOD, np.uint8)
        words, codes = distinct(column)
        found = [quality_of(word, self.scheme) for word in words]
        unknown = [word for word, quality in zip(words, found, strict=True) if quality is None]
        if unknown:
            raise InputError(unknown_quality(self.file, unknown))
        table = np.array([*(UNCERTAIN if q is None else q for q in found), UNCERTAIN], np.uint8)
        qualities: Bytes = table[codes]
        return qualities

    def notes(self) -> list[str]:
        """Return what the cells showed, in plain words."""
        return [f"the cells of {tag} carry the unit {unit!r}, which was taken off" for tag, unit in self._units.items()]


def joined(first: Bytes | None, second: Bytes | None) -> Bytes | None:
    """Return the worse of two qualities, row by row."""
    if first is None or second is None:
        return second if first is None else first
    return np.maximum(first, second)


def without_empty(quality: Bytes | None, is_empty: Bools) -> Bytes | None:
    """Return a quality in which an empty cell counts as no observation, unless it is called bad."""
    if quality is None or not quality.any():
        return None
    return np.where(is_empty & (quality == UNCERTAIN), GOOD, quality).astype(np.uint8)

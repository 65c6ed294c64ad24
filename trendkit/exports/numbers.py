"""Numbers as exports write them: the decimal mark told from a set of cells, and any one cell read by it.

DuckDB reads plain numbers; what it cannot read comes here text by text. Python's own `float` is too willing
(``1_000``, other digits, ``nan``), so a pattern decides first.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

DecimalMark = Literal[".", ","]

_PLAIN = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}([ ,.'’])[0-9]{3}(\1[0-9]{3})*([.,][0-9]+)?")
_UNIT = r"[A-Za-z%°µ]+[23²³]?(?:/[A-Za-z]+[23²³]?)*"
_WITH_UNIT = re.compile(rf"(?P<number>[+-]?[0-9][0-9.,' ]*?(?:[eE][+-]?[0-9]+)?) ?(?P<unit>{_UNIT})")


@dataclass(frozen=True)
class Reading:
    """A number cell read: its value, and the unit written behind it, "" when there is none."""

    value: float
    unit: str = ""


def tidy_number(text: str) -> str:
    """Return a number cell with plain spaces and a plain minus sign.

    Examples
    --------
    >>> tidy_number("\\u00a0\\u22123.2 ")
    '-3.2'
    """
    clean = re.sub(r"[\s\u00a0\u202f\u2009]+", " ", text).strip()
    return clean.replace("\u2212", "-").replace("\u2013", "-") if clean[:1] in "\u2212\u2013" else clean


def read_number(text: str, decimal: DecimalMark) -> Reading | None:
    """Return the number a cell holds, None when it is a text.

    Thousands are taken when their grouping is regular and the mark is not the decimal one; infinite and "nan"
    are texts; so is anything with other digits or underscores.

    Examples
    --------
    >>> read_number("1,234.5", ".").value, read_number("1.234,5", ",").value
    (1234.5, 1234.5)
    >>> read_number("5 gpm", ".")
    Reading(value=5.0, unit='gpm')
    >>> read_number("1_000", ".") is None and read_number("Bad", ".") is None
    True
    """
    clean = tidy_number(text)
    value = _bare(clean, decimal)
    if value is not None:
        return Reading(value)
    match = _WITH_UNIT.fullmatch(clean)
    if match is None:
        return None
    value = _bare(match["number"].strip(), decimal)
    return None if value is None else Reading(value, match["unit"].strip())


def _bare(clean: str, decimal: DecimalMark) -> float | None:
    if _GROUPED.fullmatch(clean):
        other = clean.replace("-", "").replace("+", "")
        mark = next(character for character in other if not character.isdigit())
        if mark != decimal:
            grouped = clean.replace(mark, "")
            if decimal == "," or "," not in grouped:
                return _finite(grouped.replace(",", "."))
            return None
    plain = clean.replace(",", ".") if decimal == "," and "." not in clean else clean
    return _finite(plain) if _PLAIN.fullmatch(plain) else None


def _finite(text: str) -> float | None:
    value = float(text)
    return value if abs(value) < float("inf") else None


def proved_marks(cells: Iterable[str]) -> set[DecimalMark]:
    """Return the decimal marks that some cell proves; "1.234" and "1,234" prove nothing: they may be thousands.

    Examples
    --------
    >>> proved_marks(["12,5"]), proved_marks(["1.234,5"]), proved_marks(["1.234"])
    ({','}, {','}, set())
    """
    proved: set[DecimalMark] = set()
    for text in cells:
        clean = tidy_number(text).lstrip("+-")
        match = re.fullmatch(r"([0-9]*)([.,])([0-9]*)", clean)
        if match:
            is_open = re.fullmatch(r"[1-9][0-9]{0,2}", match[1]) and len(match[3]) == 3
            if not is_open:
                proved.add("." if match[2] == "." else ",")
        elif re.fullmatch(r"[0-9]{1,3}(\.[0-9]{3})+,[0-9]+|[0-9]{1,3}(\.[0-9]{3}){2,}", clean):
            proved.add(",")
        elif re.fullmatch(r"[0-9]{1,3}(,[0-9]{3})+\.[0-9]+|[0-9]{1,3}(,[0-9]{3}){2,}", clean):
            proved.add(".")
    return proved


def has_open_mark(cells: Iterable[str]) -> bool:
    """Return True when some cell, such as "1.234", changes its value with the decimal mark."""
    return any(re.fullmatch(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}", tidy_number(text)) for text in cells)

"""Times as exports write them: which form a column has, told from its cells, and any one cell read by that form.

A form is never guessed: an order of day and month that the cells do not prove is left open (`DateOrder` None)
for the whole set of files, or the person, to decide.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from typing import Literal

DateOrder = Literal["year_first", "day_first", "month_first"]

DAY_US = 86_400_000_000
EARLIEST_US = int(datetime(1990, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000
LATEST_US = int(datetime(2100, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000

# Month names of the languages met in exports, by their first letters (English, German, French, Spanish, Italian,
# Portuguese, Dutch); longer beginnings are looked up first.
_MONTHS = {
    "jan": 1, "ene": 1, "gen": 1, "feb": 2, "fév": 2, "fev": 2, "mar": 3, "mrz": 3, "mär": 3, "maa": 3, "mrt": 3,
    "apr": 4, "avr": 4, "abr": 4, "may": 5, "mai": 5, "mag": 5, "mei": 5, "jun": 6, "juin": 6, "giu": 6, "jul": 7,
    "juil": 7, "lug": 7, "aug": 8, "aoû": 8, "aou": 8, "ago": 8, "sep": 9, "set": 9, "oct": 10, "okt": 10, "ott": 10,
    "out": 10, "nov": 11, "dec": 12, "dez": 12, "déc": 12, "dic": 12,
}  # fmt: skip
_ENGLISH = re.compile(
    r"(jan(uary)?|feb(ruary)?|mar(ch)?|apr(il)?|may|june?|july?|aug(ust)?|sep(tember)?|oct(ober)?|nov(ember)?|"
    r"dec(ember)?)",
    re.I,
)

_DATE = (
    r"(?:(?P<y1>\d{4})(?P<s1>[-/.])(?P<m1>\d{1,2})(?P=s1)(?P<d1>\d{1,2})"
    r"|(?P<y2>(?:19|20)\d\d)(?P<m2>\d\d)(?P<d2>\d\d)"
    r"|(?P<a3>\d{1,2})(?P<s3>[-/.])(?P<b3>\d{1,2})(?P=s3)(?P<y3>\d{4}|\d{2})"
    r"|(?P<d4>\d{1,2})(?P<s4>[-/ .]|\. )(?P<n4>[^\W\d_]{3,9})\.?(?P<t4>[-/ .]|, )(?P<y4>\d{4}|\d{2})"
    r"|(?P<n5>[^\W\d_]{3,9})\.? (?P<d5>\d{1,2}),? (?P<y5>\d{4}))"
)
_CLOCK = (
    r"(?P<H>\d{1,2})(?P<cs>:|(?=\d\d))(?P<M>\d\d)(?:(?P<cs2>:|(?<=\d\d\d\d))(?P<S>\d\d)(?:(?P<fm>[.,])(?P<f>\d{1,9}))?)?"
    r"(?P<ap> ?[AaPp]\.?[Mm]\.?)?"
)
_ZONE = r"(?P<z> ?(?:Z|[+-]\d\d(?::?\d\d)?|[A-Z]{2,5}))?"
_MOMENT = re.compile(rf"{_DATE}(?:(?P<j>T| |, ){_CLOCK}{_ZONE})?")
_DATE_ONLY = re.compile(_DATE)
_CLOCK_ONLY = re.compile(_CLOCK + _ZONE)


@dataclass(frozen=True)
class Cell:
    """One cell taken apart: what it says and the shape it has (a strptime format with the date's order open)."""

    year: int
    first: int  # of the two small numbers of the date; the day when `month` is given by name or place
    second: int
    date_kind: Literal["ymd", "open", "named"]
    is_short_year: bool
    day_us: int  # time of day [us]; 24:00 is a whole day
    zone: str  # "", "Z", "+07:00", "MST"
    shape: str  # "" when only this module, not DuckDB, can read it

    def local_us(self, order: DateOrder | None) -> int | None:
        """Return the wall-clock moment [us since 1970], None for a date that does not exist."""
        month, day = self.first, self.second
        if self.date_kind == "open":
            if order is None:
                return None
            month, day = (self.second, self.first) if order == "day_first" else (self.first, self.second)
        try:
            days = datetime(self.year, month, day, tzinfo=UTC)
        except ValueError:
            return None
        return int(days.timestamp()) * 1_000_000 + self.day_us


def tidy(text: str) -> str:
    """Return a time cell without padding and with plain, single spaces."""
    return re.sub(r"[\s\u00a0\u202f]+", " ", text).strip().strip("'\"")


@lru_cache(maxsize=32768)  # the sampled rows of half a year of files, read several times over
def take_apart(text: str) -> Cell | None:
    """Return what a time cell says, None when it is no date and time.

    Examples
    --------
    >>> take_apart("13/02/2024 24:00").local_us("day_first") == take_apart("2024-02-14 00:00").local_us(None)
    True
    """
    match = _MOMENT.fullmatch(tidy(text))
    if match is None:
        return None
    part = match.groupdict()
    date = _date_parts(part)
    clock = _clock_parts(part)
    if date is None or clock is None:
        return None
    year, first, second, kind, date_shape = date
    day_us, clock_shape = clock
    zone = (part["z"] or "").strip()
    shape = f"{date_shape}{part['j'] or ''}{clock_shape}{_zone_shape(part['z'])}" if date_shape else ""
    is_exotic = clock_shape == "?" or (zone and not re.fullmatch(r"Z|[+-]\d\d(:?\d\d)?", zone))
    is_exotic = is_exotic or (part["z"] or "").startswith(" ")
    short = len(part["y3"] or part["y4"] or "0000") == 2
    return Cell(year, first, second, kind, short, day_us, zone, "" if is_exotic else shape)


def _date_parts(part: dict[str, str]) -> tuple[int, int, int, Literal["ymd", "open", "named"], str] | None:
    if part["y1"]:
        sep = part["s1"]
        return int(part["y1"]), int(part["m1"]), int(part["d1"]), "ymd", f"%Y{sep}%m{sep}%d"
    if part["y2"]:
        return int(part["y2"]), int(part["m2"]), int(part["d2"]), "ymd", "%Y%m%d"
    if part["y3"]:
        sep, year = part["s3"], "%Y" if len(part["y3"]) == 4 else "%y"
        return int(part["y3"]), int(part["a3"]), int(part["b3"]), "open", f"%A{sep}%B{sep}{year}"
    name = part["n4"] or part["n5"]
    month = month_number(name)
    if month is None:
        return None
    spelled = "%b" if len(name) == 3 else "%B"
    is_english = _ENGLISH.fullmatch(name) is not None and (
        len(name) == 3 or len(name) > 4 or name.lower() in ("june", "july")
    )
    if part["n4"]:
        year = "%Y" if len(part["y4"]) == 4 else "%y"
        shape = f"%d{part['s4']}{spelled}{part['t4']}{year}" if is_english else ""
        return int(part["y4"]), month, int(part["d4"]), "named", shape
    return int(part["y5"]), month, int(part["d5"]), "named", ""


def month_number(name: str) -> int | None:
    """Return the month of a name or its first letters in a common language, None when it is none."""
    low = name.casefold().rstrip(".")
    return _MONTHS.get(low[:4]) or _MONTHS.get(low[:3])


def _clock_parts(part: dict[str, str]) -> tuple[int, str] | None:
    """Return the time of day [us] and its shape ("?" when only this module can read it)."""
    if part["H"] is None:
        return 0, ""
    hour, minute, second = int(part["H"]), int(part["M"]), int(part["S"] or 0)
    fraction_us = int((part["f"] or "0").ljust(6, "0")[:6])
    colon = part["cs"]
    shape = f"%H{colon}%M" + (f"{part['cs2']}%S" if part["S"] else "")
    if part["f"]:
        shape += part["fm"] + ("%f" if len(part["f"]) <= 6 else "%n")
    if part["ap"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if "p" in part["ap"].lower() else 0)
        shape = "?" if "." in part["ap"] else shape.replace("%H", "%I") + part["ap"][:-2] + "%p"
    is_midnight_24 = hour == 24 and minute == second == fraction_us == 0
    if (hour > 23 and not is_midnight_24) or minute > 59 or second > 59:
        return None
    return ((hour * 60 + minute) * 60 + second) * 1_000_000 + fraction_us, shape


def _zone_shape(zone: str | None) -> str:
    if not zone:
        return ""
    return "Z" if zone == "Z" else "%z"


def offset_minutes(zone: str) -> int | None:
    """Return the minutes east of UTC of "Z", "+01:00", "-0700" or "UTC"; None for other letters."""
    if zone in ("Z", "UTC", "GMT"):
        return 0
    match = re.fullmatch(r"([+-])(\d\d):?(\d\d)?", zone)
    if match is None:
        return None
    minutes = int(match[2]) * 60 + int(match[3] or 0)
    return -minutes if match[1] == "-" else minutes


# --- the form of a column -------------------------------------------------------------------------------


@dataclass(frozen=True)
class TimeForm:
    """How a time column is written.

    `kind` "text" is dates and clock times, "epoch" a count since 1970 UTC, "serial" days of a spreadsheet since
    1899-12-30, "native" a time column of a typed file. `formats` are what DuckDB reads quickly; any other cell
    is read one by one. `is_absolute` says that the cells name their own offset from UTC.
    """

    kind: Literal["text", "epoch", "serial", "native"]
    formats: tuple[str, ...] = ()
    order: DateOrder | None = None
    is_absolute: bool = False
    unit_us: float = 1.0  # of an epoch count
    zone_names: tuple[tuple[str, int], ...] = ()  # letters such as MST and their minutes east of UTC
    examples: tuple[str, ...] = field(default=(), compare=False)

    @property
    def is_open(self) -> bool:
        """True while the order of day and month is not decided."""
        return self.kind == "text" and self.order is None

    def words(self) -> str:
        """Return the form in plain words, for people."""
        if self.kind == "native":
            return "times as the file types them"
        if self.kind == "serial":
            return "spreadsheet days since 1899-12-30"
        if self.kind == "epoch":
            return {1e6: "seconds", 1e3: "milliseconds", 1.0: "microseconds"}.get(
                self.unit_us, "nanoseconds"
            ) + " since 1970 UTC"
        spoken = {
            "day_first": "day first",
            "month_first": "month first",
            "year_first": "year first",
            None: "order open",
        }
        return f"text such as {self.examples[0]!r}, {spoken[self.order]}" if self.examples else spoken[self.order]


def with_order(form: TimeForm, order: DateOrder) -> TimeForm:
    """Return the form with the order of day and month settled, in its formats, too."""
    first, second = ("%d", "%m") if order == "day_first" else ("%m", "%d")
    formats = tuple(
        shape.replace("%A", first).replace("%B", second, 1) if "%A" in shape else shape for shape in form.formats
    )
    return TimeForm(form.kind, formats, order, form.is_absolute, form.unit_us, form.zone_names, form.examples)


def text_form(cells: Sequence[str], zone_names: Iterable[tuple[str, int]] = ()) -> TimeForm | None:
    """Return the form of a column of date texts, None unless at least half of the cells are times."""
    apart = [(text, cell) for text in cells if (cell := take_apart(text)) is not None]
    if not apart or len(apart) < 0.5 * len(cells):
        return None
    shapes = list(dict.fromkeys(cell.shape for _, cell in apart if cell.shape))
    kinds = {cell.date_kind for _, cell in apart}
    order: DateOrder | None = None if "open" in kinds else "year_first"
    is_absolute = any(cell.zone for _, cell in apart)
    if is_absolute:  # a cell without an offset among others with one must not pass for local time
        shapes = [shape for shape in shapes if shape.endswith(("Z", "%z"))]
        if len({shape.endswith("Z") for shape in shapes}) > 1:
            shapes = [shape for shape in shapes if not shape.endswith("Z")]
    else:
        shapes = _with_fractions(shapes)
    form = TimeForm("text", tuple(shapes), order, is_absolute, 1.0, tuple(zone_names), (apart[0][0],))
    return form if order is None else with_order(form, order)


def _with_fractions(shapes: list[str]) -> list[str]:
    """Return the shapes, each also with a fraction of a second, as many exports drop a fraction of zero."""
    also = [shape + ".%f" for shape in shapes if shape.endswith("%S")]
    return list(dict.fromkeys([*shapes, *also]))


def number_form(cells: Sequence[str]) -> TimeForm | None:
    """Return the form of a column of numbers that can only be times: epoch counts or spreadsheet days.

    Examples
    --------
    >>> number_form(["1704067200", "1704067260"]).unit_us
    1000000.0
    >>> number_form(["45292.00069", "45292.00139"]).kind
    'serial'
    """
    numbers = [number for text in cells if (number := _plain_number(text)) is not None]
    if not numbers or len(numbers) < 0.8 * len(cells):
        return None
    low, high = min(numbers), max(numbers)
    for unit_us in (1e6, 1e3, 1.0, 1e-3):
        if low * unit_us >= EARLIEST_US and high * unit_us <= LATEST_US:
            return TimeForm("epoch", is_absolute=True, unit_us=unit_us, order="year_first", examples=(cells[0],))
    if low >= 25_000 and high <= 60_000:
        return TimeForm("serial", order="year_first", examples=(cells[0],))
    return None


def _plain_number(text: str) -> float | None:
    clean = text.strip().replace(",", ".")
    return float(clean) if re.fullmatch(r"\d{4,19}(\.\d*)?", clean) else None


def is_date_only(text: str) -> bool:
    """Return True for a date without a clock time."""
    return _DATE_ONLY.fullmatch(tidy(text)) is not None


def is_clock_only(text: str) -> bool:
    """Return True for a clock time without a date, such as 13:05 or 1:05:30 PM."""
    clean = tidy(text)
    return ":" in clean and _CLOCK_ONLY.fullmatch(clean) is not None


def proved_order(cells: Iterable[str]) -> set[DateOrder]:
    """Return the orders that some cell rules in by a number above 12; empty when none does."""
    proved: set[DateOrder] = set()
    for text in cells:
        cell = take_apart(text)
        if cell is not None and cell.date_kind == "open":
            if cell.first > 12:
                proved.add("day_first")
            if cell.second > 12:
                proved.add("month_first")
    return proved


# --- one cell -------------------------------------------------------------------------------------------


def read_cell(text: str, form: TimeForm) -> int | str:
    """Return the moment a cell names [us since 1970; UTC when the form is absolute, else wall clock], or why not."""
    if form.kind != "text":
        return "the time is no such number as the other rows have"
    cell = take_apart(text)
    if cell is None:
        return "the time cannot be read"
    if cell.is_short_year and not any("%y" in shape for shape in form.formats):
        return "the year has two digits"
    moment = cell.local_us(form.order)
    if moment is None:
        return "there is no such date"
    if bool(cell.zone) != form.is_absolute:
        return (
            "the time has an offset from UTC, other rows have none"
            if cell.zone
            else "the time lacks the offset from UTC other rows have"
        )
    if cell.zone:
        minutes = offset_minutes(cell.zone)
        if minutes is None:
            minutes = dict(form.zone_names).get(cell.zone)
        if minutes is None:
            return f"the zone {cell.zone} is not one of the plant's"
        moment -= minutes * 60_000_000
    if not EARLIEST_US <= moment <= LATEST_US:
        return "the year is out of all reason"
    return moment

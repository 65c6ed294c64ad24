"""Quantities as people write them: text with a unit in, plain SI floats out; display numbers for people."""

from __future__ import annotations

import re

from trendkit.errors import InputError, Problem
from trendkit.plant.display import display, rounded, significant, unit_label
from trendkit.plant.model import Uncertainty
from trendkit.plant.units import EXAMPLES, conversion

__all__ = [
    "display",
    "parse_price",
    "parse_quantity",
    "parse_uncertainty",
    "rounded",
    "significant",
    "unit_label",
]

_NUMBER = re.compile(r"\s*([-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)(?![\d.,])\s*(.*?)\s*", re.S)


def _split(text: str, example: str) -> tuple[float, str]:
    match = _NUMBER.fullmatch(text)
    if match is None or re.match(r"[\d.,]", match.group(2)):
        is_comma = re.match(r"\s*[-+]?\d+,\d", text) is not None
        hint = "write a decimal point and no thousands mark, as in 1200.5" if is_comma else None
        raise InputError(Problem("this is no number with a unit", found=repr(text), expected=example, hint=hint))
    return float(match.group(1)), match.group(2)


def parse_quantity(text: str, unit: str, density_kg_m3: float | None = None) -> float:
    """Return the value of a text such as "16 gal/min" in `unit`, an SI unit; "" for a plain number.

    `density_kg_m3` lets solids be given in g/L where % is kept, and in % where mg/L is kept.

    Raises
    ------
    InputError
        When there is no number, no unit where one is due, an unknown one, or one that measures something
        else.

    Examples
    --------
    >>> parse_quantity("10 lb/ton", "kg/t")
    5.0
    >>> parse_quantity("8 h", "s")
    28800.0
    >>> parse_quantity("68 degF", "degC")
    20.0
    """
    example = EXAMPLES.get(unit, f"a number in {unit}")
    number, unit_text = _split(text, example)
    if not unit_text and unit:
        raise InputError(Problem("the unit is missing", found=repr(text), expected=example))
    value = conversion(unit_text, unit, density_kg_m3)(number)
    return float(f"{value:.13g}")


def parse_uncertainty(text: str, unit: str, density_kg_m3: float | None = None) -> Uncertainty:
    """Return a standard uncertainty written "1 % of reading" or as an absolute, "0.1 %TS" or "2 gal/min".

    `unit` is the SI unit of the absolute form. A bare "%" is refused: it could mean either.

    Examples
    --------
    >>> parse_uncertainty("1 % of reading", "m3/h")
    Uncertainty(relative=0.01, absolute=0.0, is_assumed=False)
    >>> parse_uncertainty("0.1 %TS", "percent")
    Uncertainty(relative=0.0, absolute=0.1, is_assumed=False)
    """
    example = '"1 % of reading", or an absolute with its unit, such as "0.1 %TS", "0.5 points" or "2 gal/min"'
    relative = re.fullmatch(r"\s*(\S+)\s*%\s*of\s+reading\s*", text)
    number, unit_text = _split(relative.group(1) if relative else text, example)
    if number < 0:
        raise InputError(Problem("an uncertainty is never negative", found=repr(text), expected=example))
    if relative:
        return Uncertainty(relative=number / 100.0)
    if unit_text in ("%", "percent", "pct"):
        raise InputError(
            Problem(
                "a bare % does not say of what",
                found=repr(text),
                expected=example,
                hint='add "of reading", or the unit',
            )
        )
    if not unit_text and unit:
        raise InputError(Problem("the unit is missing", found=repr(text), expected=example))
    return Uncertainty(absolute=float(f"{number * abs(conversion(unit_text, unit, density_kg_m3).factor):.13g}"))


def parse_price(text: str, currency: str, per: str) -> float:
    """Return a price such as "4.10 USD/kg" per `per` (an SI unit), in `currency`.

    Examples
    --------
    >>> round(parse_price("50 USD/ton", "USD", "t"), 4)
    55.1156
    """
    example = f'"62 {currency}/{per}"'
    number, rest = _split(text, example)
    match = re.fullmatch(r"([A-Za-z$€£]+)\s*/\s*(.+)", rest)
    if match is None:
        raise InputError(Problem("this is no price", found=repr(text), expected=example))
    if match.group(1) != currency:
        raise InputError(
            Problem("this price is in another currency", found=repr(match.group(1)), expected=repr(currency))
        )
    if number < 0:
        raise InputError(Problem("a price is never negative", found=repr(text), expected=example))
    return float(f"{number / conversion(match.group(2), per).factor:.13g}")

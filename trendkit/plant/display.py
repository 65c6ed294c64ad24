"""Figures for people: SI columns in, display numbers and unit labels out. No pint: the factors are few and
exact.

Machine files never pass through here; they are always SI.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

Numbers = TypeVar("Numbers", float, pd.Series, npt.NDArray[np.float64])

_GAL_L = 3.785411784  # litres in a US gallon, exact (231 cubic inches; NIST Handbook 44, Appendix C)
_LB_KG = 0.45359237  # exact
_TON_T = 2000 * _LB_KG / 1000
_FT_M = 0.3048  # exact
_LBF_N = _LB_KG * 9.80665
_GPM_M3_H = _GAL_L * 60 / 1000

# Column suffix -> SI label, US label, SI per US unit. Longer suffixes first: "kg_h_m" before "m".
_UNITS: dict[str, tuple[str, str, float]] = {
    "m3_h_m": ("m³/h/m", "gpm/m", _GPM_M3_H),
    "kg_h_m": ("kg/h/m", "lb/h/m", _LB_KG),
    "per_dry_t": ("per dry t", "per dry ton", 1 / _TON_T),
    "kwh_t": ("kWh/t", "kWh/ton", 1 / _TON_T),
    "kg_m2": ("kg/m²", "lb/ft²", _LB_KG / _FT_M**2),
    "kg_m3": ("kg/m³", "lb/ft³", _LB_KG / _FT_M**3),
    "m_min": ("m/min", "ft/min", _FT_M),
    "m3_h": ("m³/h", "gpm", _GPM_M3_H),
    "m3_t": ("m³/t", "gal/ton", _GAL_L / 1000 / _TON_T),
    "kg_h": ("kg/h", "lb/h", _LB_KG),
    "kg_t": ("kg/t", "lb/ton", 1 / 2),
    "kn_m": ("kN/m", "lbf/in", _LBF_N / 0.0254 / 1000),
    "mg_l": ("mg/L", "mg/L", 1.0),
    "degc": ("°C", "°F", 5 / 9),
    "days": ("days", "days", 1.0),
    "hours": ("h", "h", 1.0),
    "kwh": ("kWh", "kWh", 1.0),
    "kpa": ("kPa", "psi", _LBF_N / 0.0254**2 / 1000),
    "ntu": ("NTU", "NTU", 1.0),
    "pct": ("%", "%", 1.0),
    "rpm": ("rpm", "rpm", 1.0),
    "l_h": ("L/h", "gal/h", _GAL_L),
    "m_h": ("m/h", "ft/h", _FT_M),
    "kw": ("kW", "kW", 1.0),
    "kg": ("kg", "lb", _LB_KG),
    "kn": ("kN", "lbf", _LBF_N / 1000),
    "hz": ("Hz", "Hz", 1.0),
    "m3": ("m³", "gal", _GAL_L / 1000),
    "m2": ("m²", "ft²", _FT_M**2),
    "mm": ("mm", "in", 25.4),
    "ph": ("", "", 1.0),
    "t": ("t", "ton", _TON_T),
    "s": ("s", "s", 1.0),
    "h": ("h", "h", 1.0),
    "a": ("A", "A", 1.0),
    "v": ("V", "V", 1.0),
    "m": ("m", "ft", _FT_M),
    "l": ("L", "gal", _GAL_L),
}
_LABELS = {"%": "pct", "percent": "pct", "°c": "degc", "°f": "degc", "days": "days"}
_FREEZING_F = 32.0


_PRICE = re.compile(r"[A-Z]{3}/(t|kg|m3)")


@lru_cache(maxsize=1024)
def _unit_of(column_or_unit: str) -> tuple[str, str, float]:
    """Return SI label, US label and SI per US unit of a column, figure or unit; ("", "", 1) for none."""
    price = _PRICE.fullmatch(column_or_unit)
    if price:
        _, us_label, si_per_us = _UNITS[price[1]]
        return column_or_unit, f"{column_or_unit[:3]}/{us_label}", 1 / si_per_us
    text = column_or_unit.casefold().replace("³", "3").replace("²", "2")
    text = _LABELS.get(text, re.sub(r"[/ ·]+", "_", text))
    text = re.sub(r"(_rolling|_low|_high|_usual)+$", "", text)
    if "/" in column_or_unit or text in _UNITS:
        return _UNITS.get(text, (column_or_unit, column_or_unit, 1.0))
    suffix = next((key for key in _UNITS if text.endswith("_" + key)), None)
    return _UNITS[suffix] if suffix else ("", "", 1.0)


def unit_label(column_or_unit: str, system: str) -> str:
    """Return the unit people read a column, a figure or an SI unit in; "" when it bears none.

    Examples
    --------
    >>> unit_label("feed_flow_m3_h", "us"), unit_label("dose_kg_t_rolling", "us"), unit_label("t", "us")
    ('gpm', 'lb/ton', 'ton')
    >>> unit_label("capture_pct", "us"), unit_label("belt_speed_ratio", "us"), unit_label("m3/h", "si")
    ('%', '', 'm³/h')
    """
    si_label, us_label, _ = _unit_of(column_or_unit)
    return us_label if system == "us" else si_label


def display(value: Numbers, column_or_unit: str, system: str, is_difference: bool = False) -> tuple[Numbers, str]:
    """Return an SI value (number, Series or array) as people read it, and its unit label.

    Parameters
    ----------
    value
        In the SI unit that `column_or_unit` names; NaN stays NaN.
    column_or_unit
        A column (`feed_flow_m3_h`, also with `_rolling`, `_low`, `_high`), a figure (`feed_dry_solids_t`) or
        an SI unit (``"kg/t"``, ``"USD/t"``).
    system
        ``"us"`` or ``"si"``.
    is_difference
        True for a step or a width, where a temperature has no zero point to shift.

    Examples
    --------
    >>> number, label = display(10.0, "feed_flow_m3_h", "us")
    >>> round(number, 2), label
    (44.03, 'gpm')
    >>> display(5.0, "kg/t", "us")
    (10.0, 'lb/ton')
    """
    si_label, us_label, si_per_us = _unit_of(column_or_unit)
    if system != "us":
        return value, si_label
    if si_per_us == 1.0:
        return value, us_label
    shown = value / si_per_us
    if us_label == "°F" and not is_difference:
        shown = shown + _FREEZING_F
    return shown, us_label


# --- digits ---------------------------------------------------------------------------------------------

_NO_NUMBER = "–"


def _decimals(value: float, low: float | None, high: float | None) -> int:
    """Return the decimal places the limits support: the place of the first digit of their half width.

    A half width of 1 or more that begins with 1 has its next place, too: printed to its first, 944 with limits of 844
    and 1044 would be 900, and a belt speed of 5.3 with limits of 4.4 and 6.4 would be 5. Below 1 the first digit is
    enough: nobody weighs cake to 17.32 %. (JCGM 100:2008, 7.2.6: at most two significant digits of an uncertainty.)
    """
    if low is not None and high is not None and math.isfinite(low) and math.isfinite(high) and high > low:
        digits, _, power = f"{(high - low) / 2:.1e}".partition("e")
        if float(digits) >= 9.5:  # 0.096 counts as 0.1
            digits, power = "1.0", str(int(power) + 1)
        return -int(power) + (float(digits) < 2.0 and int(power) >= 0)
    if value == 0:
        return 0
    return 2 - math.floor(math.log10(abs(float(f"{value:.2e}"))))


def _fixed(value: float | None, decimals: int) -> str:
    if value is None or not math.isfinite(value):
        return _NO_NUMBER
    number = round(value, decimals) + 0.0  # + 0.0 turns -0.0 into 0.0
    text = f"{number:,.{max(decimals, 0)}f}"
    text = text[1:] if text.startswith("-") and not text.strip("-0.,") else text
    is_short = len(text.lstrip("-").partition(".")[0]) <= 5  # four digits and one mark: read as they stand
    return text.replace(",", "" if is_short else "\u202f").replace("-", "−")


def significant(value: float | None, low: float | None = None, high: float | None = None) -> str:
    """Return a number as text with no more digits than its limits support, three digits without limits.

    The last digit printed is the place of the first digit of the half width of the limits, of the second where the
    half width is 1 or more and begins with 1. A missing number is a dash.

    Examples
    --------
    >>> significant(95.314, 94.4, 96.1), significant(1422.2), significant(3.561, 3.41, 3.71)
    ('95.3', '1420', '3.6')
    >>> significant(float("nan"))
    '–'
    """
    return rounded(value, low, high)[0]


def rounded(value: float | None, low: float | None, high: float | None) -> tuple[str, str, str]:
    """Return value, low and high as texts with the same last place, the one the limits support.

    Examples
    --------
    >>> rounded(95.314, 94.4, 96.1)
    ('95.3', '94.4', '96.1')
    >>> rounded(12345.0, 11000.0, 13800.0)
    ('12\u202f300', '11\u202f000', '13\u202f800')
    """
    known = next((float(each) for each in (value, low, high) if each is not None and math.isfinite(each)), None)
    if known is None:
        return _NO_NUMBER, _NO_NUMBER, _NO_NUMBER
    decimals = _decimals(known, low, high)
    return _fixed(value, decimals), _fixed(low, decimals), _fixed(high, decimals)


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> [counted(1, "export"), counted(2, "export"), counted(2, "press", "presses")]
    ['1 export', '2 exports', '2 presses']
    """
    return f"{count} {one if count == 1 else many or one + 's'}"

"""Units as people write them, and how a reading in one becomes SI. The only module that knows pint.

`t` is 1000 kg and `ton` 2000 lb; any other ton is refused. pint is imported on first use, so that commands
which read no plant file never wait for it.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files
from typing import Any

from trendkit.errors import InputError, Problem


@dataclass(frozen=True)
class Conversion:
    """``SI value = factor * reading + offset``; a difference of readings takes `factor` alone."""

    factor: float
    offset: float = 0.0

    def __call__(self, reading: float) -> float:
        """Return the SI value of one reading."""
        return self.factor * reading + self.offset


# --- words ----------------------------------------------------------------------------------------------

# Spellings met in exports, compared without regard to case, and what pint is asked for.
_SPELLINGS = {
    "gpm": "gallon_per_minute", "gph": "gallon_per_hour", "gpd": "gallon_per_day",
    "mgd": "million_gallon_per_day", "lpm": "liter_per_minute", "lps": "liter_per_second",
    "cfm": "cubic_feet_per_minute", "fpm": "foot_per_minute", "pli": "pound_force_per_linear_inch",
    "rpm": "machine_turn_per_minute", "rev": "machine_turn", "revs": "machine_turn",
    "ntu": "NTU", "fnu": "NTU", "ph": "pH_unit", "ppm": "ppm", "fraction": "fraction",
    "gal": "gallon", "gals": "gallon", "l": "liter", "ml": "milliliter", "m": "meter", "mm": "millimeter",
    "cm": "centimeter", "um": "micrometer", "ft": "foot", "in": "inch", "inches": "inch", "yd": "yard",
    "s": "second", "sec": "second", "secs": "second", "min": "minute", "mins": "minute", "h": "hour",
    "hr": "hour", "hrs": "hour", "d": "day", "days": "day", "wk": "week",
    "kg": "kilogram", "g": "gram", "mg": "milligram", "ug": "microgram", "lb": "pound", "lbs": "pound",
    "t": "metric_ton", "ton": "short_ton", "tons": "short_ton",
    "pa": "pascal", "kpa": "kilopascal", "bar": "bar", "barg": "bar", "mbar": "millibar", "psi": "psi",
    "psig": "psi", "lbf": "force_pound", "n": "newton", "kn": "kilonewton",
    "w": "watt", "kw": "kilowatt", "wh": "watt_hour", "kwh": "kilowatt_hour", "hp": "horsepower",
    "a": "ampere", "amp": "ampere", "amps": "ampere", "ma": "milliampere", "v": "volt", "mv": "millivolt",
    "hz": "hertz", "c": "degree_Celsius", "degc": "degree_Celsius", "f": "degree_Fahrenheit",
    "degf": "degree_Fahrenheit", "k": "kelvin", "pct": "percent", "percent": "percent",
    "points": "percentage_point", "point": "percentage_point",
}  # fmt: skip
_EXACT = {"Mg": "megagram", "MW": "megawatt", "MWh": "megawatt_hour", "ML": "megaliter", "MPa": "megapascal"}
# The units of the trade by their definitions: international yard and pound, 231 in3 gallon (NIST SP 811, App. B).
_TRADE_UNITS = (
    "micro- = 1e-6 = u-", "milli- = 1e-3 = m-", "centi- = 1e-2 = c-", "kilo- = 1e3 = k-", "mega- = 1e6 = M-",
    "meter = [length] = m", "second = [time] = s", "gram = [mass] = g", "ampere = [current] = A",
    "kelvin = [temperature]; offset: 0 = K",
    "degree_Celsius = kelvin; offset: 273.15 = degC",
    "degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = degF",
    "percent = 0.01", "ppm = 1e-6",
    "minute = 60 * second", "hour = 60 * minute", "day = 24 * hour", "week = 7 * day",
    "liter = 1e-3 * meter ** 3",
    "inch = 2.54e-2 * meter", "foot = 12 * inch", "yard = 3 * foot", "gallon = 231 * inch ** 3",
    "pound = 0.45359237 * kilogram", "metric_ton = 1e3 * kilogram", "short_ton = 2e3 * pound",
    "newton = kilogram * meter / second ** 2", "pascal = newton / meter ** 2", "bar = 1e5 * pascal",
    "standard_gravity = 9.80665 * meter / second ** 2", "force_pound = pound * standard_gravity",
    "psi = force_pound / inch ** 2",
    "joule = newton * meter", "watt = joule / second", "watt_hour = watt * hour",
    "horsepower = 550 * foot * force_pound / second", "volt = watt / ampere", "hertz = 1 / second",
)  # fmt: skip
_DEFINITIONS = (
    "cubic_feet_per_minute = foot ** 3 / minute",
    "gallon_per_minute = gallon / minute",
    "gallon_per_hour = gallon / hour",
    "gallon_per_day = gallon / day",
    "million_gallon_per_day = 1e6 * gallon / day",
    "liter_per_minute = liter / minute",
    "liter_per_second = liter / second",
    "foot_per_minute = foot / minute",
    "pound_force_per_linear_inch = force_pound / inch",
    # A turn of a shaft is counted, not an angle, so that Hz of a drive never passes for rpm of a shaft.
    "machine_turn = [machine_turn]",
    "machine_turn_per_minute = machine_turn / minute",
    "NTU = [turbidity]",
    "pH_unit = [acidity]",
    "fraction = 1",
    "percentage_point = 0.01",
    "percent_of_solids = 0.01",
)
_OTHER_TONS = {
    "tonne",
    "tonnes",
    "tonn",
    "tn",
    "mt",
    "dt",
    "long_ton",
    "short_ton",
    "metric_ton",
    "uk_ton",
    "us_ton",
}
_TON_WORDS = re.compile(r"\b(long|short|metric|uk|us|imperial|english|british|gross|net|dry|wet)[ _-]*tons?\b", re.I)
_SOLIDS_PERCENT = re.compile(r"%\s*(TS|DS|TSS|VS|solids|active|w/w)(?![A-Za-z])", re.I)
_UNIT_TEXT = re.compile(r"[A-Za-z_]+(\^?-?[1-4])?([ */]+\(?[A-Za-z_]+(\^?-?[1-4])?\)?)*")

EXAMPLES = {
    "m3/h": "a volume flow, such as gpm, MGD or m3/h",
    "L/h": "a volume flow, such as gal/h or L/h",
    "m3": "a volume, such as gal or m3",
    "L": "a volume, such as gal or L",
    "percent": "a share by mass, such as % or %TS (g/L and mg/L for solids)",
    "mg/L": "a concentration, such as mg/L or g/L",
    "NTU": "a turbidity in NTU",
    "kg/h": "a mass flow, such as lb/h, kg/h or ton/h",
    "kg": "a mass, such as lb, kg, t or ton",
    "kPa": "a pressure, such as psi, bar or kPa",
    "kN/m": "a force per width of belt, such as lbf/in or kN/m",
    "m/min": "a speed, such as ft/min or m/min",
    "mm": "a length, such as in or mm",
    "m": "a length, such as ft or m",
    "m2": "an area, such as ft2 or m2",
    "rpm": "a speed of rotation in rpm",
    "degC": "a temperature, such as degF or degC",
    "kW": "a power, such as kW or hp",
    "kWh": "an energy, such as kWh",
    "kg/m3": "a density, such as kg/m3 or lb/ft3",
    "t": "a mass, such as t or ton",
    "h": "an hour",
    "s": "a duration, such as 20 s, 10 min or 8 h",
    "kg/t": "a dose, such as lb/ton or kg/t",
    "kg/h/m": "a solids loading, such as lb/h/m or kg/h/m",
    "m3/h/m": "a hydraulic loading, such as gpm/m or m3/h/m",
    "kg/m2": "solids per belt area, such as lb/ft2 or kg/m2",
    "m/h": "an upflow velocity, such as ft/h or m/h",
    "m3/t": "a volume per mass, such as gal/ton or m3/t",
    "kWh/t": "an energy per mass, such as kWh/ton or kWh/t",
    "": "a plain number",
}
_SUGGESTED = (
    "gpm", "gal/min", "gal/h", "MGD", "m3/h", "L/h", "L/min", "L/s", "gal", "m3", "%", "%TS", "mg/L",
    "g/L", "NTU", "lb/h", "kg/h", "ton/h", "t/h", "lb", "kg", "t", "ton", "psi", "bar", "kPa", "lbf/in",
    "kN/m", "ft/min", "m/min", "in", "mm", "ft", "m", "rpm", "degF", "degC", "kW", "hp", "kWh", "kg/m3",
    "lb/ton", "kg/t", "lb/h/m", "kg/h/m", "gpm/m", "m3/h/m", "Hz", "A", "V", "mA", "pH", "h", "min", "s",
    "lb/ft3",
)  # fmt: skip


# --- units ----------------------------------------------------------------------------------------------


@lru_cache(maxsize=2)
def _registry(is_full: bool) -> Any:
    """Return pint's registry with our words: the units of the trade alone, or all that pint knows.

    Reading all of them takes 0.15 s, which a plant file with trade units need not wait for.
    """
    pint = _pint()
    # exact factors, rounded once, to a float
    registry: Any = pint.UnitRegistry("" if is_full else None, non_int_type=Decimal)
    if not is_full:
        registry.load_definitions(list(_TRADE_UNITS))
    for definition in _DEFINITIONS:
        registry.define(definition)
    return registry


def _pint() -> Any:
    """Return pint, loaded without Dask, which it would load where it is installed and take 0.1 s for it."""
    had_dask = "dask" in sys.modules
    if not had_dask:
        sys.modules["dask"] = None  # type: ignore[assignment]  # reads as not installed
    try:
        import pint
    finally:
        if not had_dask:
            del sys.modules["dask"]
    return pint


def _refuse_other_tons(text: str) -> None:
    words = re.findall(r"[A-Za-z_]+", text)
    if _TON_WORDS.search(text) or "T" in words or any(word.casefold() in _OTHER_TONS for word in words):
        raise InputError(
            Problem(
                "this ton is not taken, since tons of several sizes go by such names",
                found=repr(text),
                expected="t (1000 kg) or ton (2000 lb)",
                hint="write t or ton, as in kg/t or lb/ton",
            )
        )


def _unknown_unit(text: str) -> InputError:
    near = get_close_matches(text, _SUGGESTED, n=1, cutoff=0.5)
    hint = (
        f"perhaps {near[0]!r} is meant" if near else "write the unit as in gal/min, m3/h, %TS, mg/L, ft/min or lb/ton"
    )
    return InputError(Problem("this unit is not known", found=repr(text), expected="a unit", hint=hint))


def _pint_words(text: str) -> str:
    """Return unit text in pint's words; an InputError for other tons and for anything that is no unit."""
    plain = text.replace("°", "deg").replace("µ", "u").replace("μ", "u").replace("²", "2").replace("³", "3")
    plain = _SOLIDS_PERCENT.sub(" percent_of_solids", plain.replace("·", "*")).replace("%", " percent").strip()
    plain = re.sub(r"\b[Uu][Ss][ _]?gal", "gal", re.sub(r"\bdeg ([CF])\b", r"deg\1", plain))
    if not plain:
        raise InputError(Problem("the unit is missing", found="no unit", expected="a unit, as in gpm or kg/h"))
    _refuse_other_tons(plain)
    if len(plain) > 60 or not _UNIT_TEXT.fullmatch(plain):
        raise _unknown_unit(text)
    if re.search(r"\bMG\b(?!/L)", plain):
        raise InputError(
            Problem(
                "MG may be milligrams or million gallons",
                found=repr(text),
                expected="mg for milligrams, MGD for a flow",
            )
        )

    def word(match: re.Match[str]) -> str:
        name, power = match.group(1), match.group(2)
        name = _EXACT.get(name) or _SPELLINGS.get(name.casefold()) or name
        return f"{name}**{power}" if power else name

    return re.sub(r"([A-Za-z_]+)(?:\^?(-?[1-4]))?", word, plain)


@lru_cache(maxsize=512)
def _unit(text: str, is_full: bool = False) -> Any:
    """Return the pint unit of unit text, "" being a plain number; None when the trade's units do not hold it."""
    words = _pint_words(text) if text else ""
    try:
        return _registry(is_full).parse_units(words)
    except Exception as cause:  # pint raises errors of many kinds on text that is no unit
        if not is_full:
            return None
        raise _unknown_unit(text) from cause


def _units(*texts: str) -> tuple[Any, ...]:
    """Return the units of several texts, all of one registry: the trade's where it holds them all."""
    found = tuple(_unit(text) for text in texts)
    return found if None not in found else tuple(_unit(text, is_full=True) for text in texts)


@lru_cache(maxsize=1)
def _usual() -> dict[tuple[str, str], Conversion]:
    """Return the conversions of the units that plant files and exports mostly state, as pint has worked them out.

    Loading pint takes a tenth of a second. `tests/rooms/test_plant_units.py` works every row out again.
    """
    text = files("trendkit.plant").joinpath("usual_units.csv").read_text(encoding="utf-8")
    rows = (line.split(",") for line in text.splitlines()[1:])
    return {(unit, si_unit): Conversion(float(factor), float(offset)) for unit, si_unit, factor, offset in rows}


@lru_cache(maxsize=1024)
def conversion(unit: str, si_unit: str, density_kg_m3: float | None = None) -> Conversion:
    """Return how a reading in `unit` becomes `si_unit`.

    With a density a share by mass and a mass per volume turn into each other, as solids are given both ways:
    ``percent = mg/L * 0.1 / density``.

    Raises
    ------
    InputError
        When the unit is unknown, is another ton, or measures something else.

    Examples
    --------
    >>> round(conversion("gpm", "m3/h").factor, 6)
    0.227125
    >>> conversion("g/L", "percent", 1000.0)(25.0)
    2.5
    """
    return _usual().get((unit, si_unit)) or worked_out(unit, si_unit, density_kg_m3)


def worked_out(unit: str, si_unit: str, density_kg_m3: float | None = None) -> Conversion:
    """Return what `conversion` does, by pint."""
    source, target, concentration = _units(unit, si_unit, "mg/L")
    if source.dimensionality == target.dimensionality:
        quantity = source._REGISTRY.Quantity
        at_zero = quantity(Decimal(0), source).to(target).magnitude
        at_one = quantity(Decimal(1), source).to(target).magnitude
        return Conversion(float(at_one - at_zero), float(at_zero))
    if density_kg_m3 is not None:
        if source.dimensionality == concentration.dimensionality and si_unit == "percent":
            return Conversion(conversion(unit, "kg/m3").factor * 100.0 / density_kg_m3)
        if source.dimensionless and si_unit == "mg/L":
            return Conversion(conversion(unit, "").factor * density_kg_m3 * 1000.0)
    raise InputError(
        Problem(
            "this unit measures something else",
            found=repr(unit),
            expected=EXAMPLES.get(si_unit, f"a unit like {si_unit}"),
        )
    )


USUAL_UNITS = tuple(dict.fromkeys((*_SUGGESTED, *EXAMPLES)))  # whose conversions are kept


# --- free tags ------------------------------------------------------------------------------------------

_FREE_SI = (
    "m3/h", "m3", "percent", "mg/L", "NTU", "kg/h", "kg", "kPa", "kN/m", "m/min", "mm", "rpm", "degC",
    "kW", "kWh", "s", "Hz", "A", "V", "pH", "m2", "kN", "kg/m2", "kg/h/m",
)  # fmt: skip


def free_unit(unit: str) -> str:
    """Return the SI unit a free tag's column is kept in: the usual one of its dimension, else its own.

    Examples
    --------
    >>> free_unit("gal/min"), free_unit("mA"), free_unit("uS/cm")
    ('m3/h', 'A', 'uS/cm')
    """
    usual = [name for name in _FREE_SI if (unit, name) in _usual()]
    if usual:
        return usual[0]
    own, *candidates = _units(unit, *_FREE_SI)
    for name, candidate in zip(_FREE_SI, candidates, strict=True):
        if candidate.dimensionality == own.dimensionality:
            return name
    return unit


def is_solids_percent(unit: str) -> bool:
    """True for %TS and its kin, which only solids can be given in."""
    return _SOLIDS_PERCENT.search(unit) is not None


def unit_slug(unit: str) -> str:
    """Return the suffix a column takes from its unit.

    Examples
    --------
    >>> unit_slug("m3/h"), unit_slug("percent"), unit_slug("kN/m")
    ('m3_h', 'pct', 'kn_m')
    """
    short = unit.replace("percent", "pct").replace("%", "pct").casefold()
    return re.sub(r"[^a-z0-9]+", "_", short).strip("_")
